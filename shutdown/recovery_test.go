package shutdown

import (
	"testing"
	"time"

	"ebbline/policy"
	"ebbline/shutdown/battery"
)

// Aim: hosts that wait for a battery which does not charge are no secret, and are
// started once it does; no shorter wait is told of. Method: an outage that empties
// the battery, and a gauge that then stays at 5 %.
func TestBatteryDoesNotCharge(t *testing.T) {
	p := home()
	p.Hosts[0].Starts = []policy.Start{{Kind: policy.ByWake, Ethernet: "02:00:00:00:00:01"}}
	s := New()
	at := DayBegins(20100)
	var out []Effect
	step := func(e *Event) { out = s.Step(at, e, out) }
	step(&Event{Kind: Adopted, Policy: p})
	m := Nothing
	m.Source, m.LoadWatts, m.ChargeTenths = FromInput, 200, 1000
	answer := func(d time.Duration) {
		for end := at.Add(d); at < end; at = at.Add(2 * time.Second) {
			step(&Event{Kind: Measured, UPS: 0, Measurement: m})
		}
	}
	answer(time.Minute)
	step(&Event{Kind: Observed, Host: 0, Sighting: SeenUp})
	m.Source, m.Battery, m.ChargeTenths = FromBattery, StatusLow, 50
	answer(time.Minute)
	step(&Event{Kind: Finished, Action: s.Hosts[0].Last.Action.ID, Host: 0, Outcome: Accepted})
	step(&Event{Kind: Observed, Host: 0, Sighting: SeenSilent})
	if s.Hosts[0].State != Off {
		t.Fatalf("the host is not down: %+v", s.Hosts[0])
	}
	m.Source, m.Battery = FromInput, StatusNormal
	said := func() (raised, over, started bool) {
		for i := range out {
			n := &out[i].Notice
			raised = raised || out[i].Kind == Notify && n.Code == BatteryUncharged && !n.Clear
			over = over || out[i].Kind == Notify && n.Code == BatteryUncharged && n.Clear
			started = started || out[i].Kind == Begin && out[i].Action.ID.Verb == VerbStart
		}
		return raised, over, started
	}
	out = out[:0]
	due := 2 * time.Duration(s.belief(0).RechargeTime) * time.Second
	answer(due - time.Minute)
	if raised, _, started := said(); raised || started {
		t.Errorf("before its time: raised %v, started %v", raised, started)
	}
	answer(2 * time.Minute)
	if raised, over, started := said(); !raised || over || started {
		t.Errorf("at its time: raised %v, over %v, started %v", raised, over, started)
	}
	m.ChargeTenths = 1000
	answer(10 * time.Hour)
	if _, over, started := said(); !over || !started {
		t.Errorf("once it charges: over %v, started %v", over, started)
	}
}

// rig is a state in an outage of one UPS, with hosts that behave as a test says.
type rig struct {
	t   *testing.T
	s   *State
	at  Instant
	m   Measurement
	out []Effect
}

// newRig has a host and the agent's own on one UPS whose output can be switched off, all
// up, and loses the input at a load of so many watts.
func newRig(t *testing.T, watts int64) *rig {
	p := home()
	p.UPSs[0].Output = &policy.Output{OffAfter: 2 * time.Minute}
	p.Hosts = append(p.Hosts, p.Hosts[0])
	p.Hosts[1].Name, p.Hosts[1].Self, p.Hosts[1].Watts, p.Hosts[1].StoppingWatts = "own", true, 10, 10
	p.Hosts[1].Methods = []policy.Method{{Kind: policy.ByLocal, GivesUp: time.Minute}}
	r := &rig{t: t, s: New(), at: DayBegins(20100), m: Nothing}
	r.step(&Event{Kind: Adopted, Policy: p})
	r.m.Source, r.m.LoadWatts, r.m.ChargeTenths = FromInput, watts, 1000
	r.answers(20 * time.Second)
	for k := range p.Hosts {
		r.step(&Event{Kind: Observed, Host: int32(k), Sighting: SeenUp})
	}
	r.m.Source, r.m.Input, r.m.ChargeTenths = FromBattery, LineBad, Unread
	return r
}

func (r *rig) step(e *Event) { r.out = r.s.Step(r.at, e, r.out) }

// answers has the UPS answer every two seconds, and the core woken when it wants to be.
func (r *rig) answers(d time.Duration) {
	for end := r.at.Add(d); r.at < end; {
		next := r.at.Add(2 * time.Second)
		for r.s.Wake < next {
			r.at = max(r.at, r.s.Wake)
			r.step(&Event{Kind: Tick})
		}
		r.at = next
		r.step(&Event{Kind: Measured, UPS: 0, Measurement: r.m})
	}
}

// begun counts the orders of a kind to a host, or to the UPS's output for -1, and gives
// when the first was begun.
func (r *rig) begun(host int32, v Verb) (n int) {
	for i := range r.out {
		if id := r.out[i].Action.ID; r.out[i].Kind == Begin && id.Host == host && id.Verb == v {
			n++
		}
	}
	return n
}

// Aim: beside a host that was given up, and may run still, the agent's own host stays, and
// its output on, until the low projection leaves it no more time; until then it is
// not said that the hosts are down, or nothing left to stop. Method: a host that never goes,
// at its full draw.
func TestOwnHostStaysBesideOneGivenUp(t *testing.T) {
	r := newRig(t, 220)
	given := Instant(0)
	for range 4000 {
		if r.answers(2 * time.Second); given == 0 && r.s.Hosts[0].State == GivenUp {
			given = r.at
		}
		if r.begun(1, VerbShutDown) > 0 {
			break
		}
		if r.begun(-1, VerbSwitchOff) > 0 && r.begun(1, VerbShutDown) == 0 && r.s.output(r.at, 0) != outputAsked {
			t.Fatal("the output is told to go off, and the agent's own host stays")
		}
	}
	if given == 0 || r.begun(1, VerbShutDown) == 0 {
		t.Fatalf("the host was given up at %v, its own asked %d times", given, r.begun(1, VerbShutDown))
	}
	least, _, _ := r.s.Runtime(0)
	if takes := r.s.Policy.Hosts[1].GivesUp(); least > takes+30*time.Second || least < takes {
		t.Errorf("its own host is asked with %v left at the low projection; it may take %v", least, takes)
	}
	r.answers(2 * time.Minute)
	fits, over := false, false
	for i := range r.out {
		switch n := &r.out[i].Notice; {
		case r.out[i].Kind != Notify:
		case n.Code == PhaseEntered && Phase(n.A) == AllDown && n.B != SomeLinger:
			t.Error("it is told that the hosts are down")
		case n.Code == PlanMade && n.Span >= battery.Unending && n.B&PlanLingers == 0:
			t.Error("it is told that nothing is left to stop")
		case n.Code == PlanDoesNotFit:
			fits, over = true, over || n.Clear
		}
	}
	if fits && over {
		t.Error("that no plan fits is told to be over while the host may run")
	}
	// It runs on though it was told: it is told again, and that is said.
	if n := r.begun(1, VerbShutDown); n < 2 || !r.s.toldOfHost(HostGivenUp, 1) {
		t.Errorf("its own host runs on and was told %d times; said %v", n, r.s.toldOfHost(HostGivenUp, 1))
	}
}

func (s *State) toldOfHost(c Code, k int32) bool {
	return find(s.Notices, &Notice{Code: c, UPS: -1, Host: k}) >= 0
}

// Aim: what a host that was given up is thought to draw is no more than the measured load
// leaves for it. Method: one that is off unseen, so that the load falls by what it drew;
// the plan for the agent's own host is then that of a small load.
func TestGivenUpDrawsNoMoreThanIsMeasured(t *testing.T) {
	end := func(watts int64) Instant {
		r := newRig(t, 220)
		r.answers(time.Minute)
		r.step(&Event{Kind: Commanded, Order: Proceed})
		r.answers(2 * time.Minute)
		if r.s.Hosts[0].State != GivenUp {
			t.Fatalf("the host is %s", r.s.Hosts[0].State)
		}
		r.m.LoadWatts = watts
		r.step(&Event{Kind: Commanded, Order: Release})
		r.s.Word = 0
		r.s.dropSchedule()
		r.answers(10 * time.Second)
		return r.s.startOf(1)
	}
	if draws, off := end(220), end(20); off <= draws.Add(10*time.Minute) {
		t.Errorf("the agent's own host is planned at %v with 220 W, and at %v with 20", draws.Sub(0), off.Sub(0))
	}
}

// Aim: hosts that lose their power while their UPS is silent, be it long after it fell
// silent and with the agent dead for a part of that, are told of and brought back; one
// that goes alone may have been turned off, is told of, and is not. Method: three hosts
// on one UPS, the agent elsewhere; one, two or all go out of sight at one time; once the
// third is seen up afterwards.
func TestLostUnseen(t *testing.T) {
	for _, c := range []struct {
		gone    int
		later   bool // the last one is seen up afterwards
		dies    bool // the agent, in the silence
		started bool
	}{{1, false, false, false}, {1, true, false, false}, {2, true, false, false}, {2, false, false, true}, {3, false, false, true}, {3, false, true, true}} {
		p := home()
		p.Hosts[0].Starts = []policy.Start{{Kind: policy.ByWake, Ethernet: "02:00:00:00:00:01"}}
		for _, name := range []string{"i", "j"} {
			h := p.Hosts[0]
			h.Name = name
			p.Hosts = append(p.Hosts, h)
		}
		r := &rig{t: t, s: New(), at: DayBegins(20100), m: Nothing}
		r.step(&Event{Kind: Adopted, Policy: p})
		r.m.Source, r.m.Input, r.m.LoadWatts, r.m.ChargeTenths = FromInput, LineGood, 600, 1000
		look := func(seen Sighting, hosts ...int32) {
			for _, k := range hosts {
				r.step(&Event{Kind: Observed, Host: k, Sighting: seen})
			}
		}
		r.answers(20 * time.Second)
		look(SeenUp, 0, 1, 2)
		r.answers(time.Hour)
		look(SeenUp, 0, 1, 2)
		r.at = r.at.Add(2 * time.Minute) // silent from here on
		if c.dies {
			r.step(&Event{Kind: Restarted})
		} else {
			r.step(&Event{Kind: Tick})
		}
		look(SeenUp, 0, 1, 2)
		r.at = r.at.Add(10 * time.Minute)
		look(SeenUp, 0, 1, 2)
		r.at = r.at.Add(20 * time.Second)
		gone := []int32{0, 1, 2}[:c.gone]
		look(SeenSilent, gone...)
		if r.at = r.at.Add(50 * time.Second); c.later {
			look(SeenUp, 2)
		}
		look(SeenSilent, gone...)
		r.at = r.at.Add(3 * time.Hour)
		r.m.LoadWatts, r.out = 20, r.out[:0]
		r.answers(2 * time.Second)
		look(SeenSilent, gone...)
		r.answers(2 * time.Second)
		look(SeenSilent, gone...)
		r.answers(2 * time.Second)
		for _, k := range gone {
			if !r.s.toldOfHost(HostCut, k) {
				t.Errorf("%+v: host %d is %s, and nobody was told", c, k, r.s.Hosts[k].State)
			}
		}
		for range 12 { // hours
			r.answers(time.Hour)
			look(SeenSilent, gone...)
		}
		for _, k := range gone {
			if n := r.begun(k, VerbStart); n > 0 != c.started {
				t.Errorf("%+v: host %d is %s and was told to start %d times", c, k, r.s.Hosts[k].State, n)
			}
		}
		if c.started {
			continue
		}
		r.step(&Event{Kind: Commanded, Order: Clear, Code: HostCut, Host: 0})
		if r.s.toldOfHost(HostCut, 0) || r.s.Hosts[0].State != TurnedOff {
			t.Errorf("%+v: a person has seen to it, and it is %s, told of %v", c, r.s.Hosts[0].State, r.s.toldOfHost(HostCut, 0))
		}
	}
}

// Aim: while one host hangs, what it depends on is not kept waiting until the battery, that
// says it is low, leaves it no time. Method: "battery low" with a hundred seconds left, and
// a host that takes its order and stays, with an allowance of a minute and a half.
func TestLowBatteryWaitsForNobody(t *testing.T) {
	p := home()
	p.Hosts[0].Methods[0].GivesUp, p.Hosts[0].Watts, p.Hosts[0].StoppingWatts = 90*time.Second, 50, 50
	p.Hosts = append(p.Hosts, p.Hosts[0])
	p.Hosts[0].Name, p.Hosts[1].Name, p.Hosts[1].DependsOn = "store", "web", []int{0}
	r := &rig{t: t, s: New(), at: DayBegins(20100), m: Nothing}
	r.step(&Event{Kind: Adopted, Policy: p})
	r.m.Source, r.m.LoadWatts, r.m.ChargeTenths = FromInput, 100, 1000
	r.answers(20 * time.Second)
	for k := range p.Hosts {
		r.step(&Event{Kind: Observed, Host: int32(k), Sighting: SeenUp})
	}
	r.m.Source, r.m.Battery, r.m.LowSeconds = FromBattery, StatusLow, 100
	for range 60 {
		if r.answers(2 * time.Second); r.begun(0, VerbShutDown) > 0 {
			break
		}
	}
	least, _, _ := r.s.Runtime(0)
	if r.begun(0, VerbShutDown) == 0 || least < p.Hosts[0].StopsIn || r.s.Hosts[1].State == GivenUp {
		t.Errorf("store was asked %d times, with %v left; it takes %v; web is %s", r.begun(0, VerbShutDown), least, p.Hosts[0].StopsIn, r.s.Hosts[1].State)
	}
	if !r.s.toldOfHost(OrderGivenUp, 0) {
		t.Error("it is not said that it goes before what depends on it")
	}
}
