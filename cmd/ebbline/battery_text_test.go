package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"ebbline/agent/history"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

const closetPolicy = `
site "home" {
  ride_through = "30s"
  reserve      = "60s"
}

ups "closet" {
  rated_watts = 900
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = "%s"
  }
  snmp {
    address   = "192.0.2.10"
    version   = "2c"
    community = secret("ups-read")
  }
}

host "desk" {
  priority = 10
  watts    = 120
  fed_by   = ["closet"]
  stops_in = "20s"
  gives_up = "1m"
  ssh {
    address  = "192.0.2.21"
    user     = "ebbline"
    key      = secret("ssh-key")
    host_key = "SHA256:uNiVztksCsDhcc0u9e8BrrYX3GB7CzqC1m4jZsJ3lQk"
    command  = "sudo systemctl poweroff"
  }
}

host "board" {
  self     = true
  priority = 100
  fed_by   = ["closet"]
  watts    = 60
  stops_in = "10s"
  local { command = ["true"] }
}
`

// closet is a policy's file and a history with these tests in it: so many days
// ago, 180 W were carried for so long, to the battery's end.
func closet(t *testing.T, tests map[int]time.Duration) (policyFile, historyFile string) {
	t.Helper()
	folder := t.TempDir()
	policyFile, historyFile = filepath.Join(folder, "home.hcl"), filepath.Join(folder, "history.db")
	text := fmt.Sprintf(closetPolicy, time.Now().AddDate(-1, -6, 0).Format("2006-01-02"))
	if err := os.WriteFile(policyFile, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	store, err := history.Open(historyFile, history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	for ago, lasted := range tests {
		began := moment(time.Duration(ago) * 24 * time.Hour)
		ended := began.When(began.At.Add(lasted))
		must(store.RecordTest(history.Test{
			UPS: "closet", Began: began, Seen: ended, Ended: ended, Stop: history.StopAtCutOff, Measured: lasted,
			Forecast:  history.Forecast{Made: began, By: history.ByModel, Basis: "rated figures", LoadWatts: 180, ChargeTenths: 1000, Low: 17 * time.Minute, Likely: 25 * time.Minute, High: 33 * time.Minute},
			LoadWatts: 180, LeastWatts: 180, MostWatts: 180, ChargeTenths: 1000, EndChargeTenths: 0, EndMillivolts: 20_000, BatteryTenthsC: 250,
			AmbientTenthsC: shutdown.Unread, BatteryAgeDays: shutdown.Unread, Segments: []battery.Segment{{Watts: 180, Seconds: lasted.Seconds()}},
		}))
	}
	for i := range 3 { // desk draws more than its policy says, and stops later
		at := moment(time.Duration(10+i) * 24 * time.Hour)
		must(store.RecordDraw(history.Draw{Host: "desk", UPS: "closet", At: at, Watts: 175 + int64(i), NoiseWatts: 3, Quality: history.Clear}))
		must(store.RecordStop(history.Stop{Host: "desk", Asked: at, Outage: 1, Method: "local", Took: 45 * time.Second, Ended: history.Clean}))
	}
	must(store.Close(t.Context()))
	return policyFile, historyFile
}

// moment is so long ago on both clocks.
func moment(ago time.Duration) history.Moment {
	at := time.Now().Add(-ago)
	return history.Moment{At: shutdown.Instant(at.UnixNano()), UTC: at.UTC()}
}

// says runs ebbline in this process and gives what it wrote and its exit code.
func says(t *testing.T, args ...string) (out, errs string, code int) {
	t.Helper()
	var o, e bytes.Buffer
	key, err := goodKey()
	if err != nil {
		t.Fatal(err)
	}
	env := map[string]string{"EBBLINE_STATE": filepath.Join(t.TempDir(), "nothing"), "EBBLINE_SECRET_UPS_READ": "public", "EBBLINE_SECRET_SSH_KEY": string(key), "LANG": "C.UTF-8"}
	code = Run(context.Background(), args, Streams{In: strings.NewReader(""), Out: &o, Err: &e, Env: func(name string) string { return env[name] }})
	return o.String(), e.String(), code
}

// Aim: the report on the batteries says what was predicted and measured, the
// capacity, its trend, and what is to be done; it fits 80 columns, and the JSON
// says the same. Method: a history with four tests of a battery that loses a
// tenth a quarter.
func TestBatteryReport(t *testing.T) {
	p, h := closet(t, map[int]time.Duration{400: 30 * time.Minute, 300: 28 * time.Minute, 200: 26 * time.Minute, 35: 22 * time.Minute})
	svg := filepath.Join(t.TempDir(), "b.svg")
	out, errs, code := says(t, "battery", p, "--history", h, "--svg", svg)
	if code != exitDone || errs != "" {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	t.Log("\n" + out)
	for _, want := range []string{"by 4 tests, last 5 weeks ago", "of a new battery's capacity", "80 % is reached on", "the trend of 4 tests", "22m00s", "measured/likely", "4/4"} {
		if !strings.Contains(out, want) {
			t.Errorf("the report has no %q", want)
		}
	}
	for _, line := range strings.Split(out, "\n") {
		if n := utf8.RuneCountInString(line); n > 80 && !strings.Contains(line, h) {
			t.Errorf("a line of %d columns: %s", n, line)
		}
	}
	if err := page(svg); err != nil {
		t.Error(err)
	}
	if none, _, _ := says(t, "battery", p); !strings.Contains(none, "without a history") || strings.Contains(none, historyFile) {
		t.Errorf("without a history:\n%s", none)
	}
	out, _, _ = says(t, "battery", p, "--history", h, "--json")
	var v batteryView
	if err := json.Unmarshal([]byte(out), &v); err != nil || len(v.UPSs) != 1 || len(v.UPSs[0].Discharges) != 4 {
		t.Fatalf("%v\n%s", err, out)
	}
	u := v.UPSs[0]
	if u.Scores[0].Measured != 4 || u.Scores[0].LowHeld != 4 || u.Replace.PerYear == nil || *u.Replace.PerYear > -10 || len(u.Conditions) > 0 && u.Conditions[0].Code == "battery-test-overdue" {
		t.Errorf("%+v", u)
	}
}

// Aim: a battery that is worn, and one that nobody has tested for long, are
// conditions.
func TestBatteryConditions(t *testing.T) {
	codes := func(tests map[int]time.Duration) string {
		p, h := closet(t, tests)
		out, _, _ := says(t, "battery", p, "--history", h, "--json")
		var v batteryView
		if err := json.Unmarshal([]byte(out), &v); err != nil {
			t.Fatal(err)
		}
		var list []string
		for _, c := range v.UPSs[0].Conditions {
			list = append(list, c.Code)
		}
		return strings.Join(list, " ")
	}
	for want, tests := range map[string]map[int]time.Duration{
		"":                                     {30: 28 * time.Minute},
		"battery-replace":                      {30: 12 * time.Minute},
		"battery-test-overdue":                 {150: 28 * time.Minute},
		"battery-replace battery-test-overdue": {150: 12 * time.Minute},
	} {
		if got := codes(tests); got != want {
			t.Errorf("conditions %q, want %q", got, want)
		}
	}
}

// Aim: plan, check, simulate and tune use what was measured, say on what that
// rests, and warn where a host is not what the policy says; --history none does
// without.
func TestMeasuredIsUsed(t *testing.T) {
	p, h := closet(t, map[int]time.Duration{35: 20 * time.Minute})
	for _, command := range []string{"plan", "check", "simulate", "tune"} {
		with, _, code := says(t, command, p, "--history", h)
		if code != exitDone && code != exitUnfit {
			t.Errorf("%s: exit code %d\n%s", command, code, with)
		}
		for _, want := range []string{"1 test, last 5 weeks ago", "Write watts = 176", `Write stops_in = "45s"`} {
			if !strings.Contains(with, want) {
				t.Errorf("%s does not say %q:\n%s", command, want, with)
			}
		}
		without, _, _ := says(t, command, p, "--history", "none")
		if strings.Contains(without, "1 test") || strings.Contains(without, "measured, by") {
			t.Errorf("%s --history none:\n%s", command, without)
		}
	}
	out, _, _ := says(t, "plan", p, "--history", h, "--json")
	var v planView
	if err := json.Unmarshal([]byte(out), &v); err != nil || len(v.Measured) != 3 || v.UPSs[0].LoadWatts != 236 || v.UPSs[0].Basis != "1 test, last 5 weeks ago" {
		t.Errorf("%v\n%s", err, out)
	}
}

// Aim: what is wrong with a history, or with a command line, is said, and nothing
// is lost by it.
func TestBatteryNonsense(t *testing.T) {
	p, h := closet(t, nil)
	other := filepath.Join(t.TempDir(), "other.db")
	os.WriteFile(other, []byte("a letter to my aunt, and long enough to be read as something else"), 0o644)
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"battery", p, "--history", "/nowhere/h.db"}, exitFailed, "no such file"},
		{[]string{"plan", p, "--history", other}, exitFailed, "not an ebbline history"},
		{[]string{"battery", p, "--history", h, "--svg", "/nowhere/b.svg"}, exitFailed, "cannot be written"},
		{[]string{"battery", "test"}, exitUsage, "which UPS"},
		{[]string{"battery", "test", "rack", p, "--history", h}, exitUsage, "closet"},
		{[]string{"battery", "test", "closet", p, "--history", "none"}, exitUsage, "written into the history"},
		{[]string{"battery", "test", "closet", p, "--until", "soon", "--history", h}, exitUsage, "no end of a test"},
		{[]string{"battery", "test", "closet", p, "--load", "NaN", "--history", h}, exitUsage, "--load takes watts"},
		{[]string{"battery", "test", "closet", p, "--json", "--history", h}, exitUsage, "--yes"},
		{[]string{"battery", "test", "closet", p, "--history", h}, exitFailed, "no agent listens"},
		{[]string{"battery", "test", "closet", p, "--history", h, "--no-agent", "--by-hand"}, exitFailed, "A test without a load"},
		{[]string{"battery", "test", "closet", p, "--history", h, "--no-agent", "--by-hand", "--load", "180"}, exitFailed, "nothing was begun"},
		{[]string{"battery", "test", "closet", p, "--history", other, "--no-agent", "--by-hand", "--load", "180"}, exitFailed, "not an ebbline history"},
		{[]string{"battery", "ups-test", "closet", p, "--start", "slow"}, exitUsage, "general-systems-test, quick-battery-test, deep-battery-calibration"},
		{[]string{"battery", "ups-test", "closet", p, "--start", "quick"}, exitUsage, `the test "quick" is called "quick-battery-test"`},
		{[]string{"battery", "ups-test", "closet", p, "--start", "quick-battery-test", "--stop"}, exitUsage, "do not go together"},
	} {
		out, errs, code := says(t, c.args...)
		if code != c.code || !strings.Contains(errs, c.want) {
			t.Errorf("%v: exit code %d, want %d; want %q in %s%s", c.args, code, c.code, c.want, errs, out)
		}
	}
	if text, _ := os.ReadFile(other); !strings.HasPrefix(string(text), "a letter") {
		t.Error("a foreign file was written to")
	}
	from, err := history.OpenReader(t.Context(), h)
	if err != nil {
		t.Fatal(err)
	}
	defer from.Close()
	if tests, err := from.Tests(t.Context(), "", 10); err != nil || len(tests) != 0 {
		t.Errorf("%d tests that never began are on record, %v", len(tests), err)
	}
}
