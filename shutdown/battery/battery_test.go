package battery

import (
	"math"
	"testing"
)

// The exponential is checked against the standard library's, which is another
// implementation on amd64.
func TestExpNeg(t *testing.T) {
	for x := 0.0; x < 700; x += 0.00137 {
		got, want := expNeg(x), math.Exp(-x)
		if d := math.Abs(got-want) / want; d > 4e-16 {
			t.Fatalf("expNeg(%v) = %v, want %v (off by %g)", x, got, want, d)
		}
	}
	if expNeg(0) != 1 || expNeg(800) != 0 || expNeg(math.Inf(1)) != 0 {
		t.Error("the ends are not exact")
	}
}

// Section 7 of the worked examples for this model (checked at their source
// against an ODE integration with steps of 0.001 min).
func TestWorkedExampleSteppedLoad(t *testing.T) {
	m := Model{Store: 6000 * 60, Ohmic: 9 * 60, Diffusion: 64 * 60, Relaxation: 90 * 60}
	for _, c := range []struct{ watts, minutes float64 }{{300, 6.525}, {200, 12.624}, {100, 31.900}, {50, 74.858}} {
		if got := m.Runtime(Charge{}, c.watts) / 60; math.Abs(got-c.minutes) > 0.0006 {
			t.Errorf("%v W lasts %.4f min, want %.3f", c.watts, got, c.minutes)
		}
	}
	c := m.Advance(Charge{}, 200, 300)
	if math.Abs(c.Delivered/60-1000) > 1e-9 || math.Abs(c.Bound/60-691.718) > 0.001 {
		t.Errorf("after 200 W for 5 min: %+v", c)
	}
	c = m.Advance(c, 120, 600)
	if math.Abs(c.Delivered/60-2200) > 1e-9 || math.Abs(c.Bound/60-1426.611) > 0.0006 {
		t.Errorf("after 120 W for 10 min: %+v", c)
	}
	if got := 15 + m.Runtime(c, 50)/60; math.Abs(got-43.765) > 0.0006 {
		t.Errorf("total %.4f min, want 43.765", got)
	}
}
