package main

import (
	"encoding/json"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbline/agent"
	"ebbline/shutdown"
)

// Aim: a whole outage that is only watched. Every host would have been asked, the agent's
// own last, and that is shown, recorded and told; no host got a command, none of its
// processes ended, no UPS was written to, no host was started, though the agent was killed
// in the middle; and that it only watches is seen everywhere, before and after.
// Method: real snmpd as UPS, with an output that the policy would switch, and OpenSSH
// hosts in namespaces, as in TestOutageFromEndToEnd.
func TestOutageOnlyWatched(t *testing.T) {
	t.Parallel()
	// The battery lasts far longer than is believed: the course does not hang on how fast
	// this machine is.
	r := startRoomFor(t, 10*time.Minute)
	r.rewrite("  restore {", "  restore {\n    charge     = \"1%\" # by what is believed it is empty")
	r.rewrite(`site "room" {`, "site \"room\" {\n  observe = true")
	r.rewrite("  snmp {", "  output {\n    cut_after    = \"30s\"\n    return_after = \"5s\"\n  }\n  snmp {")
	out, err := r.command("check", r.policy).CombinedOutput()
	if err != nil || !strings.Contains(string(out), "No orders are given") {
		t.Fatalf("check: %v\n%s", err, out)
	}
	for i := range r.names {
		r.rack.WaitUp(i)
	}
	processes := func() (n []int) {
		for i := range r.names {
			n = append(n, r.rack.Processes(i))
		}
		return n
	}
	before := processes()
	r.start("one")
	r.until("normal mode with the UPS's own figures", time.Minute, func() bool {
		v, err := r.status()
		return err == nil && len(v.UPSs) == 1 && v.UPSs[0].Phase == "normal" && v.UPSs[0].OwnChargePercent != nil
	})
	r.seenWatching("with input")
	if out, err := r.command("status", "--stop", "lab").CombinedOutput(); err == nil || !strings.Contains(string(out), "lab is only watched") {
		t.Errorf("an order to stop lab: %v\n%s", err, out)
	}

	r.card.Unplug()
	would := func(name string) bool {
		v, err := r.status()
		return err == nil && slices.ContainsFunc(v.Hosts, func(h agent.HostView) bool { return h.Name == name && h.WouldBeAsked != nil })
	}
	r.until("lab would be asked", time.Minute, func() bool { return would("lab") })
	r.recorded("SELECT count(*) FROM outage_host WHERE host = 'lab' AND asked_ns IS NOT NULL")
	r.kill()
	r.start("one")
	r.until("it is up again, and knows that", time.Minute, func() bool { return would("lab") })
	for _, name := range []string{"app", "nas", "board"} {
		r.until(name+" would be asked", 2*time.Minute, func() bool { return would(name) })
	}
	r.seenWatching("on battery")
	r.card.PlugIn()
	r.until("all is normal", 3*time.Minute, func() bool { return r.phase() == "normal" })
	r.seenWatching("afterwards")
	r.untouched(processes(), before)
	r.marked()
}

// rewrite changes the policy before the agent starts.
func (r *room) rewrite(old, now string) {
	r.t.Helper()
	text, err := os.ReadFile(r.policy)
	if err != nil || strings.Count(string(text), old) != 1 {
		r.t.Fatalf("%v: %q stands %d times in the policy", err, old, strings.Count(string(text), old))
	}
	r.write("room.hcl", strings.Replace(string(text), old, now, 1), 0o644)
}

// seenWatching looks for it in all places where a person or a program looks.
func (r *room) seenWatching(when string) {
	r.t.Helper()
	out, err := r.command("status").CombinedOutput()
	head, _, _ := strings.Cut(string(out), "\n\n")
	if err != nil || !strings.Contains(head, "ONLY WATCHING") || !strings.Contains(string(out), "! observing since") {
		r.t.Errorf("%s, status: %v\n%s", when, err, out)
	}
	v, err := r.status()
	if err != nil {
		r.t.Fatal(err)
	}
	if v.Observing != "site" || !strings.HasPrefix(v.Status, "only watching") || !slices.ContainsFunc(v.Conditions, func(c agent.Condition) bool { return c.Code == shutdown.Observing.String() }) {
		r.t.Errorf("%s: observing %q, %q, %v", when, v.Observing, v.Status, v.Conditions)
	}
	for _, h := range v.Hosts {
		if !h.Observed || h.Power != shutdown.Up.String() || h.Asked != nil {
			r.t.Errorf("%s: %+v", when, h)
		}
	}
	for _, c := range v.Conditions {
		if strings.HasPrefix(c.Code, "host-") || c.Code == shutdown.StoppedHalfway.String() || c.Code == shutdown.OrderGivenUp.String() {
			r.t.Errorf("%s: %s of %s: %s", when, c.Code, c.Host, c.Text)
		}
	}
}

// untouched makes sure that no order has reached anything.
func (r *room) untouched(processes, before []int) {
	r.t.Helper()
	for i, name := range r.names {
		if c := r.rack.Commands(i); len(c) > 0 {
			r.t.Errorf("%s got %v", name, c)
		}
		if !r.rack.Up(i) || processes[i] < before[i] {
			r.t.Errorf("%s: up %v, %d processes of %d", name, r.rack.Up(i), processes[i], before[i])
		}
	}
	if _, err := os.Stat(r.stopped()); err == nil {
		r.t.Error("the agent's own host was told to stop")
	}
	if s := r.card.Sets(); len(s) > 0 {
		r.t.Errorf("the UPS was written to: %v", s)
	}
}

// marked makes sure that the history says that no order was given, and has learned
// nothing of hosts.
func (r *room) marked() {
	r.t.Helper()
	var d struct {
		Verdict string `json:"verdict"`
		Hosts   []struct {
			Name, Fate string
			Observed   bool
			Asked      *float64 `json:"asked_seconds"`
		}
		Batteries []struct {
			Predicted []struct {
				By      string `json:"made_by"`
				AtLeast bool   `json:"at_least"`
			}
		}
	}
	r.until("the outage is in the history", time.Minute, func() bool {
		out, err := r.command("history", "last", "--json").Output()
		return err == nil && json.Unmarshal(out, &d) == nil && len(d.Hosts) == 4 && !strings.Contains(d.Verdict, "so far")
	})
	for _, h := range d.Hosts {
		if h.Fate != "only_watched" || !h.Observed || h.Asked == nil {
			r.t.Errorf("%+v", h)
		}
	}
	for _, b := range d.Batteries {
		if len(b.Predicted) == 0 {
			r.t.Error("no prediction of the battery is kept")
		}
		for _, p := range b.Predicted {
			if p.By == "plan" {
				r.t.Error("a prediction under the plan is scored, though no load was shed")
			}
		}
	}
	out, err := r.command("history", "last").CombinedOutput()
	if err != nil || !strings.Contains(string(out), "No host was stopped; 4 hosts only watched would have been") {
		r.t.Errorf("%v\n%s", err, out)
	}
	for _, what := range []string{"stops", "starts"} {
		var list []any
		if out, err := r.command("history", what, "--json").Output(); err != nil {
			r.t.Errorf("history %s: %v\n%s", what, err, out)
		} else if json.Unmarshal(out, &list) == nil && len(list) > 0 {
			r.t.Errorf("history %s: %s", what, out)
		}
	}
}

// Aim: in a room in which one host is only watched the others are stopped in order and in
// time, and it is left alone to the end, and afterwards. Method: as above; app is watched,
// which depends on nas, which is stopped.
func TestOutageWithOneWatched(t *testing.T) {
	t.Parallel()
	r := startRoom(t)
	r.rewrite("  priority   = 50", "  observe    = true\n  priority   = 50")
	r.start("one")
	r.until("normal mode with the UPS's own figures", time.Minute, func() bool {
		v, err := r.status()
		return err == nil && len(v.UPSs) == 1 && v.UPSs[0].Phase == "normal" && v.UPSs[0].OwnChargePercent != nil
	})
	r.card.Unplug()
	for _, i := range []int{0, 2} {
		r.until(r.names[i]+" is down", 2*time.Minute, func() bool { return !r.rack.Up(i) })
	}
	r.until("the agent's own host is told to stop", 2*time.Minute, func() bool {
		_, err := os.Stat(r.stopped())
		return err == nil
	})
	if !r.rack.Up(1) || len(r.rack.Commands(1)) > 0 {
		t.Errorf("app: up %v; it got %v", r.rack.Up(1), r.rack.Commands(1))
	}
	if c := r.charge(); c <= 0 {
		t.Errorf("all that is stopped is down, and the battery at %d tenths of a percent", c)
	}
	r.kill()
	r.card.PlugIn()
	r.start("two")
	for _, i := range []int{0, 2} {
		r.until(r.names[i]+" is up again", 3*time.Minute, func() bool { return r.rack.Up(i) })
	}
	r.until("all is normal", 3*time.Minute, func() bool { return r.phase() == "normal" })
	if !r.rack.Up(1) || len(r.rack.Commands(1)) > 0 {
		t.Errorf("app: up %v; it got %v", r.rack.Up(1), r.rack.Commands(1))
	}
}

// Aim: status and page say first that no order is given, in an outage and without one,
// when each host would have been asked, and nothing that sounds as if one went. Method:
// views as the agent gives them.
func TestObserveIsSeen(t *testing.T) {
	lost := time.Date(2026, 3, 1, 22, 30, 0, 0, time.UTC)
	n, asked := int64(600), int64(65)
	for _, v := range []*agent.View{
		{IfLostNow: true, Fits: true},
		{Fits: true, Outage: &agent.OutageView{Number: 3, LostAt: lost, ElapsedSeconds: 70}},
		{Outage: &agent.OutageView{Number: 3, LostAt: lost, ElapsedSeconds: 70}},
	} {
		v.Site, v.Observing, v.At, v.PointOfNoReturn, v.MarginSeconds = "den", "site", lost.Add(70*time.Second), &n, &n
		v.UPSs = []agent.UPSView{{Name: "rack", OnBattery: v.Outage != nil, Phase: "ride_through", AnswerAgeSeconds: &n, RuntimeSeconds: agent.ThreeWay{Low: &n, Likely: &n, High: &n}, EndSeconds: &n}}
		v.Hosts = []agent.HostView{{Name: "desk", Power: "up", Observed: true}, {Name: "disks", Power: "up", Observed: true, StopSeconds: &n, Down: &n, LatestStartSeconds: &n}}
		if v.Outage != nil {
			v.Hosts[0].WouldBeAsked, v.Hosts[0].Down = &asked, &n
		}
		text := statusOf(t, v, 80, 24)
		head, _, _ := strings.Cut(text, "\n\n")
		page := string((&paint{v: v, zone: time.UTC, courses: func(time.Duration) []agent.Course { return nil }}).html())
		for _, want := range []string{"ONLY WATCHING (observe)", "f orders were given"} {
			if !strings.Contains(head, want) {
				t.Errorf("%q is not in\n%s", want, head)
			}
		}
		for _, want := range []string{"; only watching", "ONLY WATCHING (observe)", "what would be done if orders were given", `<td class="number">(`} {
			if !strings.Contains(page, want) {
				t.Errorf("%q is not on the page", want)
			}
		}
		for _, not := range []string{"will be off", "is asked to stop", "Hosts are being stopped", "being stopped at once"} {
			if strings.Contains(text, not) || strings.Contains(page, not) && not != "is asked to stop" {
				t.Errorf("it says %q:\n%s", not, text)
			}
		}
		if v.Outage != nil && (!strings.Contains(text, "would have been asked to stop at") || !strings.Contains(page, "would have been asked to stop at 22:31:05")) {
			t.Errorf("when desk would have been asked is not said:\n%s", text)
		}
	}
	some := &agent.View{Site: "den", Observing: "hosts", Hosts: []agent.HostView{{Name: "desk", Power: "up", Observed: true}, {Name: "disks", Power: "up"}}}
	if text := statusOf(t, some, 80, 24); !strings.Contains(text, "ONLY WATCHED (observe), no order is given: desk.") {
		t.Error(text)
	}
}
