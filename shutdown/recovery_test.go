package shutdown

import (
	"testing"
	"time"

	"ebbline/policy"
)

// Aim: hosts that wait for a battery which does not charge are no secret, and are
// started once it does; no shorter wait is told of. Method: an outage that empties
// the battery, and a gauge that then stays at 5 %.
func TestBatteryDoesNotCharge(t *testing.T) {
	p := home()
	p.Hosts[0].Starts = []policy.Start{{Kind: policy.ByWake, Ethernet: "02:00:00:00:00:01"}}
	s := New()
	at := Instant(1000 * time.Hour)
	var out []Effect
	step := func(e *Event) { out = s.Step(at, e, out) }
	step(&Event{Kind: Adopted, Policy: p, Day: 20100})
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
