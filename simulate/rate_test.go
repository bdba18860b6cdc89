package simulate

import (
	"math"
	"testing"
)

// Aim: the interval of a Poisson count is the exact one. Method: its own definition,
// by summing the distribution term by term: with the low rate so many or more are
// seen with 2.5 %, with the high one so many or fewer. And a table of exact limits
// (Garwood 1936, as reprinted in epidemiology textbooks; from memory).
func TestRate(t *testing.T) {
	atMost := func(n int, rate float64) float64 {
		sum, term := 0.0, math.Exp(-rate)
		for k := 0; k <= n; k++ {
			sum += term
			term *= rate / float64(k+1)
		}
		return sum
	}
	for _, n := range []int{0, 1, 2, 3, 7, 12, 50, 100, 400} {
		low, high := Rate(n)
		if n > 0 && math.Abs(1-atMost(n-1, low)-0.025) > 1e-9 {
			t.Errorf("%d: with %g so many are seen with %g", n, low, 1-atMost(n-1, low))
		}
		if math.Abs(atMost(n, high)-0.025) > 1e-9 {
			t.Errorf("%d: with %g so few are seen with %g", n, high, atMost(n, high))
		}
	}
	for _, c := range []struct {
		n         int
		low, high float64
	}{{0, 0, 3.689}, {1, 0.0253, 5.572}, {5, 1.623, 11.668}, {10, 4.795, 18.390}, {20, 12.217, 30.888}, {100, 81.36, 121.63}} {
		if low, high := Rate(c.n); math.Abs(low-c.low) > 0.006 || math.Abs(high-c.high) > 0.006 {
			t.Errorf("%d: %g to %g, by the table %g to %g", c.n, low, high, c.low, c.high)
		}
	}
	if low, high := Rate(1_000_000); math.Abs(low-998041) > 5 || math.Abs(high-1001962) > 5 {
		t.Errorf("a million: %g to %g", low, high) // n -+ 1.96 sqrt n, and a little
	}
}
