package main

import (
	"bytes"
	"strings"
	"testing"
	"unicode/utf8"

	"ebbline/agent"
	"ebbline/shutdown"
	"ebbline/simulate/report"
)

// Aim: a plan fits 80 columns with batteries that last for hours, and with nobody
// left to stop it says so. Method: the policies of testdata at a small load.
func TestPlanAt80Columns(t *testing.T) {
	for name, args := range map[string][]string{
		"first": {"--load", "closet=18"}, "loft": nil, "barn": nil, "mill": nil,
		"rig": {"--off", "bench", "--off", "web", "--off", "store", "--off", "board"},
	} {
		out, errs, code := says(t, append([]string{"plan", "../../testdata/policies/" + name + ".hcl", "--history", "none"}, args...)...)
		if code != exitDone || errs != "" {
			t.Errorf("%s: exit code %d: %s", name, code, errs)
		}
		for line := range strings.Lines(out) {
			if utf8.RuneCountInString(line) > 81 {
				t.Errorf("%s: wider than 80 columns: %s", name, line)
			}
		}
		if nobody := strings.Contains(out, "nobody is left to stop"); nobody != (name == "rig") || nobody && strings.Contains(out, "point of no return") {
			t.Errorf("%s:\n%s", name, out)
		}
	}
}

// Aim: an operator whose order does nothing is told so, and no other. Method: what an
// agent shows in each case.
func TestOrderChangesNothing(t *testing.T) {
	hold := []agent.Condition{{Code: "hold-in-force"}}
	for _, c := range []struct {
		o    shutdown.Order
		v    agent.View
		want bool
	}{
		{shutdown.Proceed, agent.View{IfLostNow: true}, true},
		{shutdown.Proceed, agent.View{IfLostNow: true, Outage: &agent.OutageView{}, Conditions: []agent.Condition{{Code: "battery-low"}}}, true}, // in recovery
		{shutdown.Proceed, agent.View{IfLostNow: true, Conditions: hold}, true},
		{shutdown.Proceed, agent.View{Outage: &agent.OutageView{}}, false},
		{shutdown.Release, agent.View{Outage: &agent.OutageView{}}, true},
		{shutdown.Release, agent.View{IfLostNow: true, Conditions: hold}, false},
		{shutdown.Hold, agent.View{IfLostNow: true}, false},
	} {
		if got := changesNothing(c.o, &c.v); got != c.want {
			t.Errorf("%s, %+v: %v", c.o, c.v, got)
		}
	}
}

// Aim: the status fits 80 columns with the longest that it has to say, shows the
// reason of each host, and cries that no plan fits only when there is one that
// does not. Method: one view, with and without a plan.
func TestStatusAt80Columns(t *testing.T) {
	long := strings.TrimSpace(strings.Repeat("many words ", 20))
	n := int64(3723)
	v := &agent.View{
		Site: "den", Status: long, Outage: &agent.OutageView{Number: 2, Held: true},
		UPSs:       []agent.UPSView{{Name: "cellar", Phase: "ride_through", LoadWatts: 12345, ChargePercent: 100, AnswerAgeSeconds: &n, RuntimeSeconds: agent.ThreeWay{Low: &n, Likely: &n}, MarginSeconds: &n, OwnRuntimeSeconds: &n, Basis: "fitted model", Fault: long}},
		Hosts:      []agent.HostView{{Name: "board", Priority: 100, Power: "up", StopSeconds: &n, Down: &n, LatestStartSeconds: &n, Reason: long}},
		Conditions: []agent.Condition{{Code: "host-given-up", Host: "board", Text: long}},
		Records:    []agent.Record{{Text: long}},
	}
	show := func(width int) string {
		var out bytes.Buffer
		c := &call{Streams: Streams{Out: &out}}
		c.showStatus(v, report.Style{Width: width})
		for _, line := range strings.Split(out.String(), "\n") {
			if utf8.RuneCountInString(line) > width || strings.TrimRight(line, " ") != line {
				t.Errorf("a line does not fit %d columns, or ends in blanks: %q", width, line)
			}
		}
		return out.String()
	}
	idle := show(80)
	for _, part := range []string{"! host-given-up board since", "why then: many words", "nothing is planned to stop"} {
		if !strings.Contains(idle, part) {
			t.Errorf("%q is not in\n%s", part, idle)
		}
	}
	if strings.Contains(idle, "DOES NOT FIT") {
		t.Errorf("without a plan it says that one does not fit:\n%s", idle)
	}
	if !strings.Contains(idle, "12345 W  100 %") {
		t.Errorf("load and charge are not in\n%s", idle)
	}
	v.UPSs[0].AnswerAgeSeconds = nil
	if silent := show(80); strings.Contains(silent, "12345") || strings.Contains(silent, "100 %") {
		t.Errorf("a UPS that never answered has figures:\n%s", silent)
	}
	v.PointOfNoReturn = &n
	if unfit := show(120); !strings.Contains(unfit, "THE PLAN DOES NOT FIT") {
		t.Errorf("a plan that does not fit is not told:\n%s", unfit)
	}
	v.IfLostNow = true
	if recovery := show(80); strings.Contains(recovery, "DOES NOT FIT") || !strings.Contains(recovery, "still being charged") {
		t.Errorf("in recovery it says:\n%s", recovery)
	}
}
