package plan_test

import (
	"math"
	"testing"
	"time"

	"ebbline/shutdown/plan"
	"ebbline/simulate"
	"ebbline/simulate/world"
)

// Aim: the simulator's exhaustive chances are the exact ones, and its random
// draws agree with them. Method: the oracle's plans with random durations; each
// combination by the planner's replay; exact to 1e-9, and 4,000 draws within
// four standard deviations.
func TestExhaustiveAgainstOracle(t *testing.T) {
	var w plan.Planner
	var tr plan.Trace
	n := 0
	for _, c := range plan.RandomCases(t) {
		space := simulate.Space{Chances: c.Chances}
		pick, stops := make([]int, len(c.Chances)), make([]time.Duration, len(c.Chances))
		holds := func() bool {
			for i := range stops {
				stops[i] = c.Stops[i][pick[i]]
			}
			w.Replay(c.Problem, c.Starts, stops, &tr)
			return tr.Carried
		}
		safe := make([]bool, space.Count(1<<20))
		for k := range safe {
			space.Pick(k, pick)
			safe[k] = holds()
		}
		if got := space.Probability(safe); math.Abs(got-c.Safe) > 1e-9 {
			t.Errorf("%s: the chance is %.12f, want %.12f", c.ID, got, c.Safe)
		}
		const draws = 4000
		dice, seen := world.NewRandom(uint64(n)), 0
		for range draws {
			space.Draw(&dice, pick)
			if holds() {
				seen++
			}
		}
		sigma := math.Sqrt(c.Safe * (1 - c.Safe) / draws)
		if got := float64(seen) / draws; math.Abs(got-c.Safe) > 4*sigma+1e-9 {
			t.Errorf("%s: %.4f of the draws hold, want %.4f within %.4f", c.ID, got, c.Safe, 4*sigma)
		}
		n++
	}
	if n == 0 {
		t.Error("no instance has random durations")
	}
	t.Logf("%d plans", n)
}
