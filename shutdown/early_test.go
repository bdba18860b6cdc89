package shutdown

import (
	"slices"
	"testing"
	"time"

	"ebbline/policy"
)

// Aim: the early step of a host has a name of its own each time, also when the host was
// asked in vain, stayed up, and is asked again in the same outage; the stops are numbered
// as if there were no early step. Method: the core, an operator who lets all go at once, and
// an input that comes back for five seconds.
func TestEarlyStepsHaveNamesOfTheirOwn(t *testing.T) {
	p := home()
	p.Hosts[0].Prepare = &policy.Prepare{Ahead: time.Minute, GivesUp: time.Minute}
	s, at := New(), DayBegins(20100)
	var names []string
	step := func(e *Event) {
		for _, f := range s.Step(at, e, nil) {
			if f.Kind == Begin {
				names = append(names, f.Action.ID.Name(p))
			}
		}
	}
	measured := func(from Source, d time.Duration) {
		for range d / time.Second {
			at = at.Add(time.Second)
			m := Nothing
			m.Source, m.LoadWatts, m.ChargeTenths = from, 100, 300 // too empty to be through with the outage at once
			step(&Event{Kind: Measured, Measurement: m})
			step(&Event{Kind: Observed, Sighting: SeenUp})
		}
	}
	step(&Event{Kind: Adopted, Policy: p})
	measured(FromInput, 20*time.Second)
	measured(FromBattery, 3*time.Second)
	step(&Event{Kind: Commanded, Order: Proceed, Host: -1})
	step(&Event{Kind: Finished, Action: s.Hosts[0].Last.Action.ID, Outcome: Unreachable})
	measured(FromInput, 2*time.Second)
	if s.Hosts[0].State != Up {
		t.Fatalf("the host is %s, and was to be spared", s.Hosts[0].State)
	}
	measured(FromBattery, 3*time.Second)
	step(&Event{Kind: Commanded, Order: Proceed, Host: -1})
	want := []string{"outage-1/h/prepare/1", "outage-1/h/ssh-1/1", "outage-1/h/prepare/2", "outage-1/h/ssh-1/2"}
	if !slices.Equal(names, want) {
		t.Errorf("begun are %q, want %q", names, want)
	}
}
