package record

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbline/agent/history"
	"ebbline/agent/history/aftermath"
	"ebbline/policy"
	"ebbline/shutdown"
)

// tell gives the account of the last outage.
func (r *room) tell() *aftermath.Account {
	r.t.Helper()
	r.rec.room.going.Wait()
	a, err := aftermath.Find(r.t.Context(), r.reader(), "last")
	if err != nil {
		r.t.Fatal(err)
	}
	return a
}

func (r *room) hostTold(a *aftermath.Account, name string) *aftermath.Host {
	r.t.Helper()
	i := slices.IndexFunc(a.Hosts, func(h aftermath.Host) bool { return h.Host == name })
	if i < 0 {
		r.t.Fatalf("nothing is told of %s: %+v", name, a.Hosts)
	}
	return &a.Hosts[i]
}

// steps gives the next steps, one a line.
func steps(a *aftermath.Account) string {
	var b strings.Builder
	for _, s := range a.Steps {
		b.WriteString(s.Text + "\n")
	}
	return b.String()
}

// Aim: what is told of an outage is what the room did: when each host was asked by
// the plan and in truth, how long it took, in which order, what the battery had left
// when the last was off, and that all came back. Method: the room's own record of
// when hosts went, and its battery's own runtime then, against the account; the
// agent is killed and started again in the middle; desk needs disks.
func TestOutageIsTold(t *testing.T) {
	r := newRoom(t)
	r.more = 300 // else the plan, which counts on a weak battery, does not fit
	r.policy.Hosts[0].DependsOn = []int{1}
	r.step(&shutdown.Event{Kind: shutdown.Adopted, Policy: r.policy})
	r.run(60)
	r.lost = true
	lost := r.at.Add(time.Second) // when it is heard of
	gone := [2]shutdown.Instant{}
	truth := time.Duration(0) // what the battery really had left when the last host went
	pass := func(seconds int) {
		for range seconds {
			r.run(1)
			load := float64(r.load() + r.policy.UPSs[0].OverheadWatts)
			for k := range r.hosts {
				if !r.hosts[k].up && gone[k] == 0 {
					gone[k], truth = r.at, time.Duration(r.battery.Runtime(r.charge, load)*float64(time.Second))
				}
			}
		}
	}
	pass(30)
	r.step(&shutdown.Event{Kind: shutdown.Commanded, Order: shutdown.Hold, Text: "root"})
	pass(10)
	r.step(&shutdown.Event{Kind: shutdown.Commanded, Order: shutdown.Proceed, Text: "root"})
	pass(5)
	r.begin()
	pass(300)
	running := r.tell()
	if !running.Running || running.Count(aftermath.WentOff) != 2 || len(running.Stopped()) != 2 {
		t.Errorf("while it is on: running %v, asked %v, %d off", running.Running, running.Stopped(), running.Count(aftermath.WentOff))
	}
	r.lost = false
	r.run(1500)
	a := r.tell()
	if a.Running || !a.Full || len(a.Hosts) != 2 {
		t.Fatalf("%+v", a)
	}
	for k, want := range []time.Duration{20 * time.Second, 45 * time.Second} {
		h := r.hostTold(a, r.policy.Hosts[k].Name)
		if h.Fate != aftermath.WentOff || !h.Back || h.BackAt.At == 0 || len(h.Ahead) != 0 {
			t.Errorf("%+v", h)
		}
		// It is proven off two seconds after it is silent, at most; and its time counts from when it was asked.
		if late := h.Off.At.Sub(gone[k]); late < 0 || late > 3*time.Second || h.Took < want || h.Took > want+3*time.Second {
			t.Errorf("%s went at %v and is told off at %v, after %v", h.Host, gone[k].Sub(lost), h.Off.At.Sub(lost), h.Took)
		}
		if !h.Planned || h.PlanStop <= 0 || h.Why == "" || strings.Contains(h.Why, "asked to stop") || h.Margin <= 0 {
			t.Errorf("%s: planned %v at %v, %q, margin %v", h.Host, h.Planned, h.PlanStop, h.Why, h.Margin)
		}
	}
	l := a.LeastInHand()
	if l == nil || l.Host != "disks" || l.LoadWatts != 300 || l.Low > truth || l.High < truth || l.InHand() != l.Low-90*time.Second {
		t.Errorf("left over %+v; the battery had %v", l, truth)
	}
	var words []string
	for _, o := range a.Orders {
		words = append(words, o.Word+" by "+o.By)
	}
	if got := strings.Join(words, ", "); got != "hold by root, proceed by root" {
		t.Errorf("orders: %s", got)
	}
	held := slices.IndexFunc(a.Conditions, func(c history.Condition) bool { return c.Code == "hold-in-force" })
	if held < 0 || a.Conditions[held].Over.At.Sub(a.Conditions[held].Raised.At) != 10*time.Second {
		t.Errorf("conditions: %+v", a.Conditions)
	}
	if b := a.Batteries; len(b) != 1 || len(b[0].Predicted) != 3 || b[0].Lost.At != lost {
		t.Errorf("batteries: %+v", b)
	}
	lowered := slices.ContainsFunc(a.Conditions, func(c history.Condition) bool { return c.Code == "forecast-lowered" })
	want := "Test the battery of UPS rack once it is charged: it never was, so its forecast is wide. `ebbline battery test rack`.\n"
	if lowered { // this battery holds less than its label says
		want = "Test the battery of UPS rack once it is charged: its readings fell faster than was counted on. `ebbline battery test rack`.\n"
	}
	if got := steps(a); got != want {
		t.Errorf("steps:\n%s", got)
	}
}

// Aim: a host that was stopped halfway when the input came back, and went off after all,
// is not to be looked at for being half stopped. Method: one that takes longer than its
// allowance, with the input back in between.
func TestHalfwayAndOffIsTold(t *testing.T) {
	r := newRoom(t)
	r.hosts[0].takes = r.policy.Hosts[0].GivesUp() + 20*time.Second
	r.run(60)
	r.lost = true
	r.run(10)
	r.step(&shutdown.Event{Kind: shutdown.Commanded, Order: shutdown.Proceed, Text: "root"})
	r.run(5)
	r.lost = false
	r.run(1500)
	a := r.tell()
	if h := r.hostTold(a, r.policy.Hosts[0].Name); h.Fate != aftermath.WentOff || !slices.ContainsFunc(a.Conditions, func(c history.Condition) bool { return c.Code == "stopped-halfway" && c.Host == h.Host }) {
		t.Fatalf("%+v, %+v", h, a.Conditions)
	}
	if got := steps(a); strings.Contains(got, "half stopped") {
		t.Errorf("steps:\n%s", got)
	}
}

// Aim: what goes wrong with hosts is told, and what to do follows from it. Method: a
// host that takes longer than was counted on, one that hangs, and a battery that ends
// under it; the agent sees the output go off.
func TestBadOutageIsTold(t *testing.T) {
	r := newRoom(t)
	r.hosts[0].takes = 50 * time.Second // 30 s are counted on
	r.hosts[1].takes = 0                // told in vain
	r.run(60)
	r.lost = true
	for i := 0; !r.empty && i < 7200; i++ {
		r.run(1)
	}
	r.run(30)
	a := r.tell()
	desk, disks := r.hostTold(a, "desk"), r.hostTold(a, "disks")
	if desk.Fate != aftermath.WentOff || disks.Fate != aftermath.LostPower || disks.Cut.At == 0 || disks.Asked.At == 0 {
		t.Errorf("desk %+v\ndisks %+v", desk, disks)
	}
	got := steps(a)
	for _, want := range []string{"Look at the disks and services of disks: it lost its power while it was up", `Write stops_in = "50s" for host desk: it took 50s; 30s was counted on.`} {
		if !strings.Contains(got, want) {
			t.Errorf("no step says %q:\n%s", want, got)
		}
	}
	if !strings.HasPrefix(got, "Look at") {
		t.Errorf("the most urgent step is not the first:\n%s", got)
	}
	if d, measured := a.Batteries[0].Measured(); !measured || d < 5*time.Minute {
		t.Errorf("the battery's end was measured %v, after %v", measured, d)
	}
}

// Aim: an outage in which no host stops leaves no hosts, and a host out of order is
// found by the times alone. Method: a loss of ten seconds; then an outage made of
// records in which disks, which desk needs, is asked before desk is off.
func TestOrderIsJudged(t *testing.T) {
	r := newRoom(t)
	r.more = 300
	r.run(60)
	r.lost = true
	r.run(10)
	r.lost = false
	r.run(300)
	a := r.tell()
	if a.Full || len(a.Hosts) != 0 || len(a.Stopped()) != 0 || a.LeastInHand() != nil {
		t.Errorf("%+v", a)
	}
	base := history.Moment{At: r.at, UTC: time.Unix(0, int64(r.at))}
	at := func(s int) history.Moment { return base.When(r.at.Add(time.Duration(s) * time.Second)) }
	o := history.Outage{Number: 8, Site: "barn", Began: at(0), Ended: at(600), Inputs: []history.Input{{UPS: "rack", Lost: at(0), Back: at(400)}}}
	key := o.Key()
	host := func(name string, needs ...string) history.OutageHost {
		return history.OutageHost{Host: name, Needs: needs, FedBy: []string{"rack"}, StopsIn: time.Minute, GivesUp: 2 * time.Minute}
	}
	for _, err := range []error{
		r.writer.RecordOutage(o),
		r.writer.RecordRoom(history.Room{Of: key, Hosts: []history.OutageHost{host("desk", "disks"), host("disks"), host("net"), host("wiki", "net")}}),
		r.writer.RecordAsking(history.Asking{Of: key, Host: "desk", At: at(60)}), r.writer.RecordStop(history.Stop{Host: "desk", Asked: at(60), Outage: 8, Method: "ssh", Took: 70 * time.Second, Ended: history.Clean}),
		r.writer.RecordAsking(history.Asking{Of: key, Host: "disks", At: at(129)}), r.writer.RecordStop(history.Stop{Host: "disks", Asked: at(129), Outage: 8, Method: "ssh", Took: time.Second, Ended: history.Clean}),
		r.writer.RecordAsking(history.Asking{Of: key, Host: "wiki", At: at(70)}), r.writer.RecordStop(history.Stop{Host: "wiki", Asked: at(70), Outage: 8, Method: "ssh", Took: 30 * time.Second, Ended: history.Clean}),
		r.writer.RecordAsking(history.Asking{Of: key, Host: "net", At: at(100)}), r.writer.RecordStop(history.Stop{Host: "net", Asked: at(100), Outage: 8, Method: "bmc", Took: 9 * time.Second, Ended: history.Forced}),
		r.writer.RecordStart(history.Start{Host: "net", Told: at(450), Outage: 8, Method: "wake", Took: time.Minute, Ended: history.GivenUp}),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	a = r.tell()
	disks, net := r.hostTold(a, "disks"), r.hostTold(a, "net")
	if !slices.Equal(disks.Ahead, []string{"desk"}) || len(net.Ahead) != 0 || !net.Forced || !net.NotBack || net.Back {
		t.Errorf("disks before %v, net before %v: %+v", disks.Ahead, net.Ahead, net)
	}
	got := steps(a)
	for _, want := range []string{"Start net by hand: every way to start it was tried in vain.", "See that desk is off sooner", "Look at net: its orderly stop failed, and its power was taken by bmc."} {
		if !strings.Contains(got, want) {
			t.Errorf("no step says %q:\n%s", want, got)
		}
	}
	for which, want := range map[string]uint32{"8": 8, "1": 1, aftermath.Stamp(o.Began): 8, "last": 8} {
		if a, err := aftermath.Find(t.Context(), r.reader(), which); err != nil || a.Outage.Number != want {
			t.Errorf("%s is outage %v, %v", which, a, err)
		}
	}
	if _, err := aftermath.Find(t.Context(), r.reader(), "7"); err == nil || !strings.Contains(err.Error(), "from outage 1 of") {
		t.Errorf("outage 7: %v", err)
	}
}

// Aim: an operator's orders for one host are told as that: a host that was ordered off
// in an outage is told as not brought back for that, one that is ordered off and on by
// daylight gives measured times that belong to no outage, and a word that is refused is
// no order. Method: the room, and who gave what against the history.
func TestOrdersForOneHostAreTold(t *testing.T) {
	r := newRoom(t)
	r.policy.Hosts[0].DependsOn = []int{1}
	r.step(&shutdown.Event{Kind: shutdown.Adopted, Policy: r.policy})
	r.run(60)
	say := func(o shutdown.Order, k int32) {
		r.step(&shutdown.Event{Kind: shutdown.Commanded, Order: o, Host: k, Text: "root"})
	}
	desk, disks := r.policy.Hosts[0].Name, r.policy.Hosts[1].Name
	say(shutdown.StopHost, 1) // desk needs it
	say(shutdown.StopHost, 0)
	r.run(120)
	say(shutdown.StartHost, 0)
	r.run(300)
	before, now := r.stops(desk), len(r.stops(disks))
	if len(before) != 1 || before[0].Outage != 0 || before[0].Ended != history.Clean || before[0].Took < 20*time.Second || before[0].Took > 25*time.Second || now != 0 {
		t.Errorf("by daylight: %+v, and %d of %s", before, now, disks)
	}
	starts, err := r.reader().Starts(t.Context(), desk, 9)
	if err != nil || len(starts) != 1 || starts[0].Outage != 0 || starts[0].Ended != history.Clean {
		t.Errorf("starts: %+v, %v", starts, err)
	}
	r.lost = true
	r.run(20)
	say(shutdown.StopHost, 0)
	r.run(60)
	r.lost = false
	r.run(900)
	a := r.tell()
	h := r.hostTold(a, desk)
	if a.Running || h.Fate != aftermath.WentOff || h.Back || !h.Ordered || h.NotBack {
		t.Errorf("%+v", h)
	}
	orders, err := r.reader().Orders(t.Context(), history.Always, 9)
	if err != nil {
		t.Fatal(err)
	}
	var words []string
	for _, o := range orders {
		words = append(words, fmt.Sprintf("%s by %s (%d)", o.Word, o.By, o.Outage))
	}
	if got, want := strings.Join(words, ", "), fmt.Sprintf("stop %[1]s by root (0), start %[1]s by root (0), stop %[1]s by root (1)", desk); got != want {
		t.Errorf("orders: %s", got)
	}
	if steps := steps(a); strings.Contains(steps, "by hand") {
		t.Errorf("steps:\n%s", steps)
	}
}

// Aim: what the agent does beside stops and starts is told, with what came of it: an
// output that is switched off when the last host is down, and called back with the
// input; an early step that is done, and one that is not known to be done. Method: the room, with a UPS that takes the order
// and hosts that have early steps; disks breaks its connection in its own.
func TestActionsAreTold(t *testing.T) {
	r := newRoom(t)
	r.more = 300
	r.policy.UPSs[0].Output = &policy.Output{OffAfter: time.Minute, OnAfter: 10 * time.Second}
	for k := range r.policy.Hosts {
		r.policy.Hosts[k].Prepare = &policy.Prepare{Ahead: 30 * time.Second, GivesUp: 20 * time.Second, Command: "true"}
	}
	r.hosts[1].deaf = true
	r.step(&shutdown.Event{Kind: shutdown.Adopted, Policy: r.policy})
	r.run(60)
	r.lost = true
	for i := 0; i < 7200 && (r.dark == 0 || r.at < r.dark.Add(30*time.Second)); i++ {
		r.run(1)
	}
	r.lost = false
	r.run(1500)
	a := r.tell()
	type told struct{ code, of, outcome, said string }
	var got []told
	for _, x := range a.Actions {
		got = append(got, told{x.Code, x.UPS + x.Host, x.Outcome, x.Said})
		if x.Outage != 1 || x.Ended.At < x.At.At || x.Ended.At.Sub(x.At.At) > time.Second {
			t.Errorf("%+v", x)
		}
	}
	want := []told{{"early-step", "desk", "accepted", ""}, {"early-step", "disks", "unknown", "the connection broke"}, {"output-goes-off", "rack", "accepted", ""}, {"output-stays-on", "rack", "accepted", ""}}
	if !slices.Equal(got, want) {
		t.Fatalf("%+v", got)
	}
	off := a.Actions[2]
	for _, k := range []int{0, 1} {
		if h := r.hostTold(a, r.policy.Hosts[k].Name); a.Actions[k].At.At >= h.Asked.At || h.Off.At > off.At.At {
			t.Errorf("%s: early step at %v, asked at %v, off at %v; output told at %v", h.Host, a.Actions[k].At.At, h.Asked.At, h.Off.At, off.At.At)
		}
	}
	if !strings.Contains(off.Text, "switch its output off in 1m00s") {
		t.Errorf("%q", off.Text)
	}
}

func (r *room) stops(host string) []history.Stop {
	r.t.Helper()
	list, err := r.reader().Stops(r.t.Context(), host, 9)
	if err != nil {
		r.t.Fatal(err)
	}
	return list
}
