package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf8"

	"ebbline/agent"
	"ebbline/agent/control"
	"ebbline/shutdown"
	"ebbline/simulate/report"
)

// Aim: a plan fits 80 columns with batteries that last for hours, and with no host
// left to be stopped it says so. Method: the policies of testdata at a small load.
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
		if nobody := strings.Contains(out, "no host is left to be stopped"); nobody != (name == "rig") || nobody && strings.Contains(out, "point of no return") {
			t.Errorf("%s:\n%s", name, out)
		}
	}
}

// Aim: where hosts stop for heat with the input there, status and page say so, and not that
// the input is back. Method: a view as an agent gives it then.
func TestHeatIsNamed(t *testing.T) {
	v := agent.View{Site: "attic", Outage: &agent.OutageView{Number: 1, ElapsedSeconds: 90, InputStayed: true}, UPSs: []agent.UPSView{{Name: "rack", Phase: "shedding", AnswerAgeSeconds: new(int64)}}}
	if text := statusText(&v, 80, 0); !strings.Contains(text, "stopped for heat") {
		t.Errorf("status:\n%s", text)
	}
	n := &report.Now{}
	(&paint{v: &v, zone: time.UTC}).headline(n)
	if n.Headline != "Too warm for 1m30s" || len(n.Because) == 0 || !strings.Contains(n.Because[0], "The input is there") {
		t.Errorf("page: %q, %q", n.Headline, n.Because)
	}
}

// Aim: status says of no host that it will be off in time that gets no order, was given up, or
// is kept up by an abort; and gives the word that ends one. Method: views as an agent gives
// them then.
func TestStatusClaimsNoMoreThanIsSo(t *testing.T) {
	lost, n := time.Date(2026, 11, 30, 3, 12, 0, 0, time.Local), int64(600)
	for _, c := range []struct {
		observing string
		aborted   bool
		power     string
		planned   bool
		want      string
	}{
		{"", false, "up", true, "Every host will be off in time; smallest"},
		{"", false, "given up", true, "Every host but those given up will be off in time; smallest"},
		{"hosts", false, "up", true, "Every host but those only watched will be off in time; smallest"},
		{"hosts", false, "going late", true, "Every host but those given up or only watched will be off in time; smallest"},
		{"", false, "given up", false, "No host is left to be stopped, but those given up may run still."},
		{"", true, "up", true, "ABORTED: no further host is stopped. If the abort were ended now (`ebbline status --release`): every host would be off in time; smallest"},
	} {
		v := &agent.View{Site: "den", Observing: c.observing, At: lost.Add(70 * time.Second), Fits: true, Outage: &agent.OutageView{Number: 3, LostAt: lost, ElapsedSeconds: 70, Aborted: c.aborted}}
		v.Hosts = []agent.HostView{{Name: "desk", Power: c.power}, {Name: "disks", Power: "up", Observed: c.observing != ""}}
		if c.planned {
			v.PointOfNoReturn, v.MarginSeconds = &n, &n
			v.Hosts[1].StopSeconds, v.Hosts[1].Reason = &n, "the battery is at its end"
		}
		text := statusOf(t, v, 80, 24)
		flat := strings.Join(strings.Fields(text), " ")
		if !strings.Contains(flat, c.want) || c.aborted && strings.Contains(flat, "will be") {
			t.Errorf("%+v: it says\n%s", c, text)
		}
		if c.aborted && !strings.Contains(flat, "aborted by an operator: it is not stopped; by the plan: the battery is at its end") {
			t.Errorf("what an abort means for a host is not said:\n%s", text)
		}
		page := string((&paint{v: v, zone: time.Local, courses: func(time.Duration) []agent.Course { return nil }}).html())
		if c.aborted != strings.Contains(page, "would be asked to stop, but for the abort") || c.planned && !c.aborted != strings.Contains(page, "disks is asked to stop") && c.observing == "" {
			t.Errorf("%+v: the page says of disks what is not so", c)
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
		if got := changesNothing(c.o, &c.v) != ""; got != c.want {
			t.Errorf("%s, %+v: %v", c.o, c.v, got)
		}
	}
}

// Aim: a moment is read as it is meant, whatever day it is read on, and fits its column.
// Method: moments on both sides of each bound.
func TestClock(t *testing.T) {
	now := time.Date(2026, 12, 1, 0, 10, 0, 0, time.UTC)
	for _, c := range []struct {
		far  time.Duration
		want string
	}{
		{0, "00:10:00"},
		{-30 * time.Minute, "23:40:00"}, // of the day before, and of no other
		{11 * time.Hour, "11:10:00"},
		{12 * time.Hour, "Tue 12:10"},
		{-12 * time.Hour, "Mon 12:10"},
		{-5 * 24 * time.Hour, "Thu 00:10"},
		{-7 * 24 * time.Hour, "2026-11-24"},
		{6 * 24 * time.Hour, "2026-12-07"},
	} {
		if got := clock(now.Add(c.far), now); got != c.want || len(got) > 10 {
			t.Errorf("%s from now: %q, not %q", c.far, got, c.want)
		}
	}
}

// statusOf is the text of a view, which must fit its screen.
func statusOf(t *testing.T, v *agent.View, width, rows int) string {
	t.Helper()
	text := statusText(v, width, rows)
	for line := range strings.Lines(text) {
		if line = strings.TrimSuffix(line, "\n"); utf8.RuneCountInString(line) > width || strings.TrimRight(line, " ") != line {
			t.Errorf("a line does not fit %d columns, or ends in blanks: %q", width, line)
		}
	}
	if n := strings.Count(text, "\n"); rows > 0 && n > rows {
		t.Errorf("%d lines on a screen for %d:\n%s", n, rows, text)
	}
	return text
}

// Aim: the status fits 80 columns with the longest that it has to say, shows the
// reason of each host, and cries that no plan fits only when there is one that
// does not. Method: one view, with and without a plan.
func TestStatusAt80Columns(t *testing.T) {
	long := strings.TrimSpace(strings.Repeat("many words ", 20))
	n := int64(3723)
	v := &agent.View{
		Site: "den", Status: long, Outage: &agent.OutageView{Number: 2, Held: true},
		UPSs:       []agent.UPSView{{Name: "cellar", Phase: "ride_through", LoadWatts: 12345, ChargePercent: 100, AnswerAgeSeconds: &n, RuntimeSeconds: agent.ThreeWay{Low: &n, Likely: &n}, MarginSeconds: &n, InHandSeconds: &n, OwnRuntimeSeconds: &n, Basis: "fitted model", Fault: long}},
		Hosts:      []agent.HostView{{Name: "board", Priority: 100, Power: "up", StopSeconds: &n, Down: &n, LatestStartSeconds: &n, MarginSeconds: &n, Reason: long}},
		Conditions: []agent.Condition{{Code: "host-given-up", Host: "board", Text: long}},
		Records:    []agent.Record{{Text: long}},
	}
	idle := statusOf(t, v, 80, 0)
	for _, part := range []string{"! host-given-up board since", "why then: many words", "No host is left to be stopped"} {
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
	warm := 24.5
	v.Rooms = []agent.RoomView{{Name: "inlet", Celsius: &warm, LimitCelsius: 32, LimitSeconds: &n}, {Name: "rack", LimitCelsius: 40}}
	for _, part := range []string{"Temperature inlet: 24.5 °C; limit 32.0 °C, reached in 1h02m03s at the earliest.", "Temperature rack: not read yet; limit 40.0 °C."} {
		if text := statusOf(t, v, 80, 0); !strings.Contains(text, part) {
			t.Errorf("%q is not in\n%s", part, text)
		}
	}
	v.UPSs[0].AnswerAgeSeconds = nil
	if silent := statusOf(t, v, 80, 0); strings.Contains(silent, "12345") || strings.Contains(silent, "100 %") {
		t.Errorf("a UPS that never answered has figures:\n%s", silent)
	}
	v.PointOfNoReturn = &n
	if unfit := statusOf(t, v, 120, 0); !strings.Contains(unfit, "THE PLAN DOES NOT FIT") {
		t.Errorf("a plan that does not fit is not told:\n%s", unfit)
	}
	v.IfLostNow = true
	if recovery := statusOf(t, v, 80, 0); strings.Contains(recovery, "DOES NOT FIT") || !strings.Contains(recovery, "still being charged") {
		t.Errorf("in recovery it says:\n%s", recovery)
	}
}

// Aim: on a screen of 24 lines a room of 300 hosts, 20 UPSs and 40 conditions is
// shown with what matters first, and the rest is counted; nothing counted is lost.
// Method: such a room in an outage; the worst things stand last in the view.
func TestStatusFitsTheScreen(t *testing.T) {
	at := time.Date(2026, 11, 30, 3, 12, 0, 0, time.Local)
	n, short := int64(600), int64(90)
	v := &agent.View{Site: "hall", At: at.Add(5 * time.Minute), Outage: &agent.OutageView{Number: 7, LostAt: at, ElapsedSeconds: 300}, Fits: true, PointOfNoReturn: &n, MarginSeconds: &short}
	for i := range 20 {
		v.UPSs = append(v.UPSs, agent.UPSView{Name: fmt.Sprintf("ups%d", i), Phase: "normal", LoadWatts: 400, ChargePercent: 100, AnswerAgeSeconds: &short, RuntimeSeconds: agent.ThreeWay{Low: &n, Likely: &n}})
	}
	v.UPSs[19].Phase = "shedding"
	power := []string{"off", "up", "up", "up", "asked"}
	for i := range 300 {
		v.Hosts = append(v.Hosts, agent.HostView{Name: fmt.Sprintf("host%d", i), Priority: 10, Power: power[i*len(power)/300], StopSeconds: &n, Down: &n, LatestStartSeconds: &n, MarginSeconds: &short, Reason: "why it goes then"})
	}
	for i := range 40 {
		v.Conditions = append(v.Conditions, agent.Condition{Code: "host-unready", Host: fmt.Sprintf("host%d", 100+i), Text: "It cannot be reached. Look at it.", Since: at})
	}
	v.Conditions = append(v.Conditions, agent.Condition{Code: "battery-low", UPS: "ups19", Text: "The UPS says that its battery is low.", Since: at})
	for i := range 30 {
		v.Records = append(v.Records, agent.Record{At: at, Text: fmt.Sprintf("record %d", i)})
	}
	for _, rows := range []int{23, 39, leastRows} {
		text := statusOf(t, v, 80, rows)
		for _, want := range []string{"OUTAGE 7 since", "smallest margin 1m30s", "! battery-low ups19", "more: host-unready (", "ups19        stopping hosts", "more UPSs in phase normal", "host240", "record 29"} {
			if !strings.Contains(text, want) {
				t.Errorf("%d rows: %q is not in\n%s", rows, want, text)
			}
		}
		m := regexp.MustCompile(`and (\d+) more: (.*) \(`).FindStringSubmatch(text[strings.Index(text, "\nhost "):])
		if m == nil {
			t.Fatalf("the rest is not counted in\n%s", text)
		}
		shown := len(regexp.MustCompile(`(?m)^host\d`).FindAllString(text, -1))
		if rest, _ := strconv.Atoi(m[1]); rest+shown != 300 {
			t.Errorf("%d hosts are shown and %s counted", shown, m[1])
		}
	}
	v.Conditions[40].Text = strings.Repeat("a long text ", 100)
	for i := range v.UPSs {
		v.UPSs[i].Fault = v.Conditions[40].Text
		v.UPSs[i].Name += strings.Repeat("-of-a-hall", 5)
	}
	for i := range v.Hosts {
		v.Hosts[i].Name += strings.Repeat("-of-a-hall", 5)
	}
	for _, later := range []time.Duration{0, 13 * time.Hour, 10 * 24 * time.Hour} {
		v.At = at.Add(later)
		for _, rows := range []int{leastRows, 23, 39, 60} {
			statusOf(t, v, 80, rows)
		}
	}
	if all := statusOf(t, v, 80, 0); strings.Contains(all, " more") || strings.Count(all, "why then: ") != 300 {
		t.Errorf("what is no terminal does not get all:\n%s", all)
	}
}

// Aim: an agent that is being restarted is waited for, one that does not come is told
// of, and what is wrong otherwise is told at once. Method: a client where no socket is,
// and answers by a clock that only the test moves.
func TestStatusWaits(t *testing.T) {
	_, _, absent := control.NewClient(filepath.Join(t.TempDir(), "none")).Status(t.Context())
	if !errors.Is(absent, control.ErrNoAgent) {
		t.Fatalf("a socket that is not there: %v", absent)
	}
	refused := errors.New("you may not")
	for _, c := range []struct {
		first error
		until time.Duration // that it is so
		want  error
		took  time.Duration // at least
	}{
		{absent, 2 * time.Second, nil, 2 * time.Second},
		{absent, time.Hour, absent, restartTime},
		{refused, time.Hour, refused, 0},
	} {
		synctest.Test(t, func(t *testing.T) {
			began := time.Now()
			err := (&call{}).reach(t.Context(), func() error {
				if time.Since(began) < c.until {
					return c.first
				}
				return nil
			})
			if took := time.Since(began); err != c.want || took < c.took || took > c.took+time.Second {
				t.Errorf("%v for %s: %v after %s", c.first, c.until, err, took)
			}
		})
	}
}
