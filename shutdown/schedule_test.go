package shutdown

import (
	"testing"
	"time"
)

// Aim: a plan that expected a load to fall with a host is made anew when the host is
// off and the load stays where it was; one whose load falls stays in force. Method:
// four hosts, one of 70 W that goes; the meter goes on at 300 W, or falls to 230 W.
func TestLoadThatDoesNotFall(t *testing.T) {
	for _, c := range []struct {
		after int64 // watts, once the host is off
		anew  bool
	}{{300, true}, {230, false}} {
		p := home()
		h := p.Hosts[0]
		p.Hosts = nil
		for k, watts := range []int64{70, 70, 70, 90} {
			q := h
			q.Name, q.Watts, q.StoppingWatts, q.Priority = string(rune('a'+k)), watts, watts, int64(10+10*k)
			p.Hosts = append(p.Hosts, q)
		}
		s := New()
		at := DayBegins(20100)
		s.Step(at, &Event{Kind: Adopted, Policy: p}, nil)
		for k := range p.Hosts {
			s.Step(at, &Event{Kind: Observed, Host: int32(k), Sighting: SeenUp}, nil)
		}
		m := Nothing
		m.Source, m.LoadWatts, m.ChargeTenths = FromBattery, 300, 1000
		made := Instant(0) // the schedule in force when the host is off
		for end := at.Add(3 * time.Hour); at < end && (made == 0 || at < s.Hosts[0].SeenFrom.Add(s.silentAfter(0)+4*time.Second)); at = at.Add(2 * time.Second) {
			s.Step(at, &Event{Kind: Measured, UPS: 0, Measurement: m}, nil)
			if made == 0 && s.Hosts[0].State == Asked {
				s.Step(at, &Event{Kind: Finished, Action: s.Hosts[0].Last.Action.ID, Host: 0, Outcome: Accepted}, nil)
				s.Step(at.Add(time.Second), &Event{Kind: Observed, Host: 0, Sighting: SeenSilent}, nil)
				made, m.LoadWatts = s.Schedule.At, c.after
			}
		}
		if s.Hosts[0].State != Off || made == 0 {
			t.Fatalf("the host is not down: %+v", s.Hosts[0])
		}
		if anew := s.Schedule.At != made; anew != c.anew {
			t.Errorf("the load is %d W with a host of 70 W off: planned anew %v, want %v", c.after, anew, c.anew)
		}
		if most := s.Schedule.Rests[0].Load - s.fallen(0); most < float64(c.after) {
			t.Errorf("the schedule in force counts on %.0f W now, the UPS carries %d W", most, c.after)
		}
	}
}
