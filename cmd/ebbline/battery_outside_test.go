package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbline/agent"
	"ebbline/agent/history"
	"ebbline/agent/peertest"
	"ebbline/policy"
	"ebbline/shutdown"
)

// benchPolicy is a UPS whose battery carries 450 W for 90 s by its figures, and
// nothing but the agent's own host.
const benchPolicy = `
site "bench" {
  ride_through = "5s"
  reserve      = "2s"
  restore {
    stable_for = "2s"
    stagger    = "1s"
  }
}

ups "rack" {
  rated_watts    = 900
  overhead_watts = 1
  efficiency     = 0.9
  battery {
    chemistry      = "lfp"
    volts          = 24
    amp_hours      = 0.5
    installed      = "2026-01-01"
    temperature    = 25
    recharge_hours = 0.1
    model {
      store_watt_hours = 11.3
      ohmic            = "1s"
      diffusion        = "0s"
      relaxation       = "1m"
    }
  }
  snmp {
    address         = "%s"
    version         = "2c"
    community       = secret("ups-read")
    write_community = secret("ups-write")
    poll_every      = "1s"
    timeout         = "1s"
  }
}

host "board" {
  self      = true
  priority  = 100
  fed_by    = ["rack"]
  watts     = 450
  stops_in  = "2s"
  gives_up  = "4s"
  starts_in = "10s"
  local { command = ["/usr/bin/touch", "%s"] }
}
`

// startBench is a real snmpd as UPS, whose battery carries 450 W for 75 s, and a
// policy for it; the agent is not started.
func startBench(t *testing.T) *room {
	t.Helper()
	state := peertest.DefaultUPS()
	state.Numbers["upsOutputPower.1"] = 450
	state.Numbers["upsConfigLowBattTime"] = 0
	state.Numbers["upsBatteryVoltage"] = 264
	state.Numbers["upsAutoRestart"] = 1
	state.Battery = &peertest.Battery{Full: 450 * 75, Left: 450 * 75, ChargeWatts: 450 * 15, TestSeconds: 3}
	card := peertest.StartSNMPD(t, state)
	v2 := card.SNMP(2)
	r := newRoom(t, card, map[string]policy.Secret{"ups-read": v2.Community, "ups-write": v2.WriteWith})
	r.write("room.hcl", fmt.Sprintf(benchPolicy, card.Addr, r.stopped()), 0o644)
	return r
}

// talk is a command that a person speaks with.
type talk struct {
	t     *testing.T
	cmd   *exec.Cmd
	in    io.WriteCloser
	lines chan string
	heard strings.Builder
}

func (r *room) talk(args ...string) *talk {
	r.t.Helper()
	k := &talk{t: r.t, cmd: r.command(args...), lines: make(chan string, 1000)}
	out, w, err := os.Pipe()
	if err != nil {
		r.t.Fatal(err)
	}
	k.cmd.Stdout, k.cmd.Stderr = w, w
	if k.in, err = k.cmd.StdinPipe(); err != nil {
		r.t.Fatal(err)
	}
	if err := k.cmd.Start(); err != nil {
		r.t.Fatal(err)
	}
	w.Close()
	r.t.Cleanup(func() { k.cmd.Process.Kill() })
	go func() {
		defer close(k.lines)
		for s := bufio.NewScanner(out); s.Scan(); {
			k.lines <- s.Text()
		}
	}()
	return k
}

// hears waits for a line with this text in it.
func (k *talk) hears(text string) {
	k.t.Helper()
	late := time.After(2 * time.Minute)
	for {
		select {
		case line, ok := <-k.lines:
			fmt.Fprintln(&k.heard, line)
			if strings.Contains(line, text) {
				return
			}
			if !ok {
				k.t.Fatalf("it ended without %q:\n%s", text, k.heard.String())
			}
		case <-late:
			k.t.Fatalf("it never said %q:\n%s", text, k.heard.String())
		}
	}
}

// end waits for the end of the command and gives its exit code.
func (k *talk) end() int {
	for line := range k.lines {
		fmt.Fprintln(&k.heard, line)
	}
	k.cmd.Wait()
	return k.cmd.ProcessState.ExitCode()
}

// tests are those on record.
func (r *room) tests() []history.Test {
	r.t.Helper()
	from, err := history.OpenReader(r.t.Context(), filepath.Join(r.folder, "state", historyFile))
	if err != nil {
		r.t.Fatal(err)
	}
	defer from.Close()
	list, err := from.Tests(r.t.Context(), "rack", 10)
	if err != nil {
		r.t.Fatal(err)
	}
	return list
}

// Aim: what an operator does. A discharge test against a real snmpd, with the
// agent running, which stops nobody for it; the verdict and the refitted plan;
// then the plug is pulled, and afterwards the report says how good the forecast
// was. Before that: a second test at once is refused, and one that is killed in
// the middle loses nothing. Method: the UPS's battery carries its load for 75 s,
// where the policy's figures say about 90.
func TestForecastFromEndToEnd(t *testing.T) {
	t.Parallel()
	r := startBench(t)
	r.start("one")
	normal := func() bool {
		v, err := r.status()
		return err == nil && len(v.UPSs) == 1 && v.UPSs[0].Phase == "normal" && v.UPSs[0].OwnChargePercent != nil && *v.UPSs[0].OwnChargePercent >= 100
	}
	r.until("all is normal", time.Minute, normal)

	killed := r.talk("battery", "test", "rack", r.policy, "--until", "50%", "--walk", "1s")
	killed.hears("to the battery's end")
	io.WriteString(killed.in, "yes\n")
	killed.hears("Cut the input")
	r.card.Unplug()
	killed.hears("on battery")
	if out, err := r.command("battery", "test", "rack", r.policy, "--yes").CombinedOutput(); err == nil || !strings.Contains(string(out), "another test runs") {
		t.Errorf("a second test at once: %v\n%s", err, out)
	}
	r.until("some of the test is on record", 30*time.Second, func() bool { // it is written every ten
		tests := r.tests()
		return len(tests) == 1 && tests[0].Measured >= 8*time.Second
	})
	killed.cmd.Process.Kill()
	killed.end()
	r.card.PlugIn()
	r.until("all is normal after the killed test", time.Minute, normal)

	test := r.talk("battery", "test", "rack", r.policy, "--until", "50%", "--walk", "1s", "--yes")
	test.hears("Cut the input")
	r.card.Unplug()
	test.hears("GIVE THE INPUT BACK NOW: the charge is down to")
	r.card.PlugIn()
	if code := test.end(); code != 0 {
		t.Fatalf("exit code %d:\n%s", code, test.heard.String())
	}
	t.Logf("the test:\n%s", test.heard.String())
	for _, want := range []string{"the charge ended the test", "predicted", "capacity", "The forecast rests on", "After the last stop the plan had"} {
		if !strings.Contains(test.heard.String(), want) {
			t.Errorf("the verdict has no %q", want)
		}
	}
	if _, err := os.Stat(r.stopped()); err == nil {
		t.Fatal("the agent stopped a host in a test")
	}
	r.until("all is normal after the test, and learned", time.Minute, func() bool {
		v, err := r.status()
		return normal() && err == nil && strings.HasPrefix(v.UPSs[0].Basis, "1 test,") && len(v.Conditions) == 0
	})

	// The plug is pulled, and the battery runs down to its end.
	r.card.Unplug()
	r.until("the agent's own host is told to stop", 2*time.Minute, func() bool {
		_, err := os.Stat(r.stopped())
		return err == nil
	})
	if c := r.charge(); c <= 0 {
		t.Errorf("the host was stopped at a charge of %d tenths", c)
	}
	// The agent's own host lives on here, which no host does whose power is gone: what the UPS
	// says of its output then is doubted.
	r.until("the output goes off", 2*time.Minute, func() bool {
		v, err := r.status()
		return err == nil && slices.ContainsFunc(v.Conditions, func(c agent.Condition) bool { return c.Code == shutdown.OutputSaidOff.String() })
	})
	r.card.PlugIn()
	r.until("all is normal after the outage, and learned", 5*time.Minute, func() bool {
		v, err := r.status()
		return normal() && err == nil && strings.HasPrefix(v.UPSs[0].Basis, "1 test and 1 outage")
	})
	r.kill()

	svg := filepath.Join(r.folder, "battery.svg")
	text, err := r.command("battery", r.policy, "--svg", svg).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	t.Logf("the report:\n%s", text)
	out, err := r.command("battery", r.policy, "--json").Output()
	var v batteryView
	if err != nil || json.Unmarshal(out, &v) != nil || len(v.UPSs) != 1 {
		t.Fatalf("%v\n%s", err, out)
	}
	u := &v.UPSs[0]
	if len(u.Discharges) != 3 {
		t.Fatalf("%d discharges\n%s", len(u.Discharges), out)
	}
	first, second, outage := &u.Discharges[0], &u.Discharges[1], &u.Discharges[2]
	if first.Stop != history.StopKilled.String() || !first.AtLeast || first.Measured < 8 {
		t.Errorf("the killed test: %+v", first)
	}
	if second.Stop != history.StopAtPercent.String() || second.AtLeast || second.Predicted == nil || second.Measured < 33 || second.Measured > 42 {
		t.Errorf("the test: %+v", second)
	}
	if outage.Kind != "outage" || outage.AtLeast || outage.Measured < 60 || outage.Predicted == nil {
		t.Errorf("the outage: %+v", outage)
	}
	if err := page(svg); err != nil {
		t.Error(err)
	}
}

// Aim: a test ends well when the UPS falls silent, when it says that its battery is
// low, and by Ctrl-C, and each time what was measured is on record. Method: the
// card is stopped; its threshold is raised; the command gets the signal. No agent
// runs, which must be said.
func TestTrialEnds(t *testing.T) {
	t.Parallel()
	r := startBench(t)
	args := []string{"battery", "test", "rack", r.policy, "--until", "reserve", "--walk", "1s", "--yes", "--no-agent"}
	begin := func() *talk {
		k := r.talk(args...)
		k.hears("No agent runs")
		k.hears("Cut the input")
		r.card.Unplug()
		k.hears("on battery")
		return k
	}
	full := func() { r.until("it is full again", time.Minute, func() bool { return r.charge() == 1000 }) }

	silent := begin()
	r.card.Hang()
	silent.hears("GIVE THE INPUT BACK NOW: the UPS does not answer")
	r.card.Resume()
	r.card.PlugIn()
	if code := silent.end(); code != 0 {
		t.Errorf("silent: exit code %d\n%s", code, silent.heard.String())
	}
	full()

	low := begin()
	r.card.Numbers(map[string]int64{"upsConfigLowBattTime": 5})
	low.hears("GIVE THE INPUT BACK NOW: the UPS says that its battery is low")
	r.card.PlugIn()
	low.end()
	r.card.Numbers(map[string]int64{"upsConfigLowBattTime": 0})
	full()

	halted := begin()
	halted.cmd.Process.Signal(os.Interrupt)
	halted.hears("rack is still on battery: GIVE THE INPUT BACK")
	if code := halted.end(); code != 0 {
		t.Errorf("Ctrl-C: exit code %d\n%s", code, halted.heard.String())
	}
	r.card.PlugIn()
	full()

	tests := r.tests()
	if len(tests) != 3 {
		t.Fatalf("%d tests", len(tests))
	}
	for i, want := range []history.StopRule{history.StopUnsafe, history.StopUnsafe, history.StopByOperator} {
		if tests[i].Stop != want || !tests[i].Verdict.Censored || tests[i].Forecast.Likely == 0 {
			t.Errorf("test %d: %v, want %v: %+v", i, tests[i].Stop, want, tests[i].Verdict)
		}
	}

	if out, err := r.command("battery", "ups-test", "rack", r.policy, "--start", "quick-battery-test").CombinedOutput(); err != nil || !strings.Contains(string(out), "its own quick battery test passed, after 3s") {
		t.Errorf("ups-test: %v\n%s", err, out)
	}
}

// Aim: the agent acts on when its history cannot be written, and says so until it
// can again. Method: another program's file lies where the history is to be, while
// the agent watches a real snmpd; then it is moved away.
func TestAgentWithoutHistory(t *testing.T) {
	t.Parallel()
	r := startBench(t)
	file := filepath.Join(r.folder, "state", historyFile)
	letter := strings.Repeat("a letter to my aunt\n", 100)
	r.write("state/"+historyFile, letter, 0o644)
	r.start("one")
	unwritten := func() bool {
		v, err := r.status()
		return err == nil && slices.ContainsFunc(v.Conditions, func(c agent.Condition) bool { return c.Code == "history-unwritable" })
	}
	r.until("the condition is raised", time.Minute, unwritten)
	if v, err := r.status(); err != nil || v.UPSs[0].Phase != "normal" || !v.Fits {
		t.Errorf("the agent does not act on: %+v, %v", v, err)
	}
	if text, err := os.ReadFile(file); err != nil || string(text) != letter {
		t.Errorf("the foreign file was written to: %v", err)
	}
	if err := os.Rename(file, file+".aunt"); err != nil {
		t.Fatal(err)
	}
	r.until("the condition is over", time.Minute, func() bool { return !unwritten() })
	r.until("a history is begun", time.Minute, func() bool {
		from, err := history.OpenReader(t.Context(), file)
		if err == nil {
			from.Close()
		}
		return err == nil
	})
}

// page tells whether a file is an SVG drawing that a parser takes.
func page(path string) error {
	text, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	if !bytes.HasPrefix(text, []byte("<svg")) || !bytes.Contains(text, []byte("</svg>")) {
		return fmt.Errorf("%s is no SVG drawing", path)
	}
	for d := xml.NewDecoder(bytes.NewReader(text)); ; {
		if _, err := d.Token(); err == io.EOF {
			return nil
		} else if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
	}
}
