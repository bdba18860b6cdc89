package shutdown

import (
	"testing"
	"time"
)

// Aim: batteries age while the agent runs, without a policy that is adopted again; an
// outage goes on with the battery with which it began. Method: the low part of the store of
// an agent that runs for two years, beside one that adopts the same policy then; an outage
// from before midnight until after it, with a state that has no caches beside it; and the
// day after.
func TestBatteriesAge(t *testing.T) {
	const day, later = 20100, 20100 + 2*365
	s := New()
	at := DayBegins(day).Add(23 * time.Hour)
	m := Nothing
	m.Source, m.LoadWatts, m.ChargeTenths = FromInput, 200, 1000
	step := func(s *State, e *Event) { s.Step(at, e, nil) }
	step(s, &Event{Kind: Adopted, Policy: home()})
	step(s, &Event{Kind: Measured, Measurement: m})
	first := s.holds(0, low)

	at = DayBegins(later).Add(24*time.Hour - 10*time.Second)
	fresh := New()
	for _, s := range []*State{s, fresh} {
		if s.Policy == nil {
			step(s, &Event{Kind: Adopted, Policy: home()})
		}
		step(s, &Event{Kind: Measured, Measurement: m})
	}
	is, want := s.holds(0, low), fresh.holds(0, low)
	if is != want || is > 0.9*first {
		t.Errorf("after two years the low part is %g, of %g at first; a policy adopted then gives %g", is, first, want)
	}

	m.Source = FromBattery
	for range 20 {
		at = at.Add(time.Second)
		bare := s.Clone()
		step(s, &Event{Kind: Measured, Measurement: m})
		step(bare, &Event{Kind: Measured, Measurement: m})
		if got := s.holds(0, low); got != is || bare.holds(0, low) != is {
			t.Fatalf("at %s of an outage the low part is %g, without caches %g; it was %g", at.Sub(DayBegins(later+1)), got, bare.holds(0, low), is)
		}
	}
	if s.Now.Day() != later+1 || !s.Outstanding() {
		t.Fatalf("day %d, in an outage: %v", s.Now.Day(), s.Outstanding())
	}
	m.Source = FromInput
	for range 40 {
		at = at.Add(2 * time.Second)
		step(s, &Event{Kind: Measured, Measurement: m})
	}
	for end := at.Add(time.Hour); at < end && s.Outstanding(); at = at.Add(2 * time.Second) {
		step(s, &Event{Kind: Observed, Sighting: SeenUp})
		step(s, &Event{Kind: Measured, Measurement: m})
	}
	if got := s.holds(0, low); s.Outstanding() || got >= is {
		t.Errorf("a day later, in an outage: %v, the low part is %g and not less than %g", s.Outstanding(), got, is)
	}
}
