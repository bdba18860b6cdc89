package shutdown_test

import (
	"slices"
	"testing"
	"time"

	"ebbline/shutdown"
)

// Aim: a plan says of which UPS the loss at its beginning would be too much. Method: a
// barn in which one host on both UPSs takes longer to stop than either alone carries it;
// and as it is, where each loss can be survived.
func TestPlanNamesTheLossThatIsTooMuch(t *testing.T) {
	for _, c := range []struct {
		slow time.Duration
		want []int
	}{{0, nil}, {40 * time.Minute, []int{0, 1}}} {
		p := readPolicy(t, "../testdata/policies/barn.hcl")
		for k := range p.Hosts {
			if h := &p.Hosts[k]; h.Name == "vault" && c.slow > 0 {
				h.Watts, h.StoppingWatts, h.StopsIn, h.Methods[0].GivesUp = 400, 400, 25*time.Minute, c.slow
			}
		}
		s := shutdown.New()
		at := shutdown.DayBegins(day)
		s.Step(at, &shutdown.Event{Kind: shutdown.Adopted, Policy: p}, nil)
		for k := range p.Hosts {
			s.Step(at, &shutdown.Event{Kind: shutdown.Observed, Host: int32(k), Sighting: shutdown.SeenUp}, nil)
		}
		o, ok := s.IfInputFailed().Outlook()
		if !ok || !slices.Equal(o.Plan.Fragile, c.want) {
			t.Errorf("with %v to stop the vault the loss of UPSs %v is named, want %v", c.slow, o.Plan.Fragile, c.want)
		}
	}
}
