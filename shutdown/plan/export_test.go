package plan

import (
	"testing"
	"time"
)

// RandomCase is one of the oracle's plans with random durations, for tests
// outside of this package.
type RandomCase struct {
	ID      string
	Problem *Problem
	Starts  []time.Duration
	Stops   [][]time.Duration // by host, by outcome
	Chances [][]float64
	Safe    float64 // the oracle's exact probability
}

// RandomCases gives all that the instances have.
func RandomCases(t testing.TB) []RandomCase {
	var all []RandomCase
	for _, in := range instances(t) {
		if in.Answers == nil {
			continue
		}
		for _, want := range in.Answers.Random {
			c := RandomCase{ID: in.ID, Problem: in.problem(), Starts: in.times(want.Plan), Safe: want.Safe}
			for i := range in.Hosts {
				var stops []time.Duration
				var chances []float64
				for _, l := range in.Hosts[i].Lengths {
					stops = append(stops, time.Duration(l[0])*in.slot())
					chances = append(chances, l[1])
				}
				c.Stops, c.Chances = append(c.Stops, stops), append(c.Chances, chances)
			}
			all = append(all, c)
		}
	}
	return all
}
