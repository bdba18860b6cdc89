package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"ebbline/agent/peertest"
	"ebbline/policy"
	"ebbline/policy/electrical"
)

const surveyPolicy = `
site "room" { }

ups "rack" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
  }
  snmp {
    address    = "%s"
    version    = "2c"
    community  = secret("ups-read")
    poll_every = "500ms"
    timeout    = "500ms"
  }
}

host "board" {
  self     = true
  priority = 100
  fed_by   = ["rack"]
  watts    = 450
  stops_in = "10s"
  local { command = ["false"] }
}
`

// Aim: sags stop nobody; repeated ones within an hour are a condition of the running
// agent; and the survey tells of each from what the agent kept. Method: ebbline as a
// process over snmpd, whose input falls to 78 % three times, above the UPS's transfer
// point; then the agent is told to end, and asked for what it kept.
func TestSurveyOfARunningAgent(t *testing.T) {
	state := peertest.DefaultUPS()
	state.Numbers["upsConfigLowVoltageTransferPoint"] = 170
	card := peertest.StartSNMPD(t, state)
	r := newRoom(t, card, map[string]policy.Secret{"ups-read": card.SNMP(2).Community})
	r.write("room.hcl", fmt.Sprintf(surveyPolicy, card.Addr), 0o644)
	r.start("one")
	unsteady := func() bool {
		v, err := r.status()
		for _, c := range v.Conditions {
			if c.Code == "input-unsteady" && c.UPS == "rack" {
				return err == nil
			}
		}
		return false
	}
	r.until("the agent polls", 30*time.Second, func() bool { return r.phase() == "normal" })
	polls := func() { time.Sleep(2 * time.Second) } // some of them; how many does not matter
	polls()
	for i := range 3 {
		if unsteady() {
			t.Errorf("unsteady after %d sags", i)
		}
		card.Numbers(map[string]int64{"upsInputVoltage.1": 180})
		polls()
		card.Numbers(map[string]int64{"upsInputVoltage.1": 230})
		polls()
	}
	r.until("input-unsteady", 30*time.Second, unsteady)
	if p := r.phase(); p != "normal" {
		t.Errorf("sags have led to phase %s", p)
	}
	r.agent.Process.Signal(syscall.SIGTERM)
	r.agent.Wait()
	r.agent = nil
	text, err := r.command("survey", "input", r.policy, "--json").Output()
	if err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	var v inputView
	if err := json.Unmarshal(text, &v); err != nil {
		t.Fatal(err)
	}
	if len(v.Events) != 3 || len(v.Recordings) != 1 || v.Known == 0 {
		t.Fatalf("%s", text)
	}
	for _, e := range v.Events {
		if e.Voltage < 78 || e.Voltage > 79 || e.Length < 1 || e.Length > 20 {
			t.Errorf("%+v", e)
		}
	}
}

// Aim: what the running agent reads of a UPS's lines reaches who listens, for each UPS
// with a card, and a card that is silent costs nobody else anything. Method: one round
// over two snmpds, one of them stopped; then without a policy.
func TestMeters(t *testing.T) {
	state := peertest.DefaultUPS()
	state.Numbers["upsInputLineBads"] = 3
	card, silent := peertest.StartSNMPD(t, state), peertest.StartSNMPD(t, peertest.DefaultUPS())
	silent.Stop()
	answers, none := card.SNMP(2), silent.SNMP(2)
	p := &policy.Policy{UPSs: []policy.UPS{{Name: "a", SNMP: &none}, {Name: "b", SNMP: &answers}, {Name: "c"}}}
	heard := make(chan string, 10)
	m := &meters{read: peertest.Secret, heard: func(ups string, l electrical.Lines) { heard <- fmt.Sprint(ups, " ", l.Bads, " ", l.Output[0].Watts) }}
	m.employ(p)
	m.round(t.Context())
	m.employ(nil)
	m.round(t.Context())
	if len(heard) != 1 {
		t.Fatalf("%d were heard", len(heard))
	}
	if got := <-heard; got != "b 3 450" {
		t.Errorf("heard %q", got)
	}
}

// Aim: a UPS is sized for the plan as it is to be, not for the days in which a host is
// only watched and draws to the end; and that is said. Method: the same policy with and
// without observe.
func TestSurveyOfWatched(t *testing.T) {
	text, err := os.ReadFile("../../testdata/policies/barn.hcl")
	if err != nil {
		t.Fatal(err)
	}
	survey := func(policy string) (string, string) {
		path := filepath.Join(t.TempDir(), "barn.hcl")
		if err := os.WriteFile(path, []byte(policy), 0o600); err != nil {
			t.Fatal(err)
		}
		var out, errs bytes.Buffer
		if code := Run(t.Context(), []string{"survey", "ups", path, "--history", "none"}, Streams{Out: &out, Err: &errs, Env: func(string) string { return "" }}); code != exitDone {
			t.Fatalf("exit code %d: %s", code, errs.String())
		}
		return out.String(), errs.String()
	}
	want, quiet := survey(string(text))
	head, rest, _ := strings.Cut(string(text), "\nhost ")
	name, rest, _ := strings.Cut(rest, "\n")
	got, said := survey(head + "\nhost " + name + "\n  observe = true\n" + rest)
	if got != want || quiet != "" || !strings.Contains(said, "observe = true") {
		t.Errorf("told %q and %q; a watched host makes of\n%s\n%s", quiet, said, want, got)
	}
}
