package battery

import (
	"math"
	"testing"

	"pgregory.net/rapid"
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

// The logarithm and the exponential with it, likewise.
func TestLn(t *testing.T) {
	for x := 1e-9; x < 1e9; x *= 1.00071 {
		if got, want := ln(x), math.Log(x); math.Abs(got-want) > 4e-16*max(1, math.Abs(want)) {
			t.Fatalf("ln(%v) = %v, want %v", x, got, want)
		}
		if back := exp(ln(x)); math.Abs(back/x-1) > 1e-14 {
			t.Fatalf("exp(ln(%v)) = %v", x, back)
		}
	}
	if ln(1) != 0 {
		t.Error("ln(1) is not 0")
	}
}

// The quantile is checked against the standard library's error function, and
// against the usual printed table of the normal distribution (from memory).
func TestQuantile(t *testing.T) {
	for permille := 500; permille <= 999; permille++ {
		z := quantile(float64(permille) / 1000)
		if back := 1 - math.Erfc(z/math.Sqrt2)/2; math.Abs(back-float64(permille)/1000) > 1e-13 {
			t.Errorf("quantile(%d permille) = %v, which has %v below it", permille, z, back)
		}
	}
	for chance, z := range map[float64]float64{0.5: 0, 0.75: 0.6745, 0.9: 1.2816, 0.95: 1.6449, 0.975: 1.9600, 0.99: 2.3263, 0.999: 3.0902} {
		near(t, "quantile", quantile(chance), z, 0.00005)
	}
}

// The chance below a figure, against the standard library's error function, and its density
// against the difference of two.
func TestBelow(t *testing.T) {
	for z := -7.0; z < 7; z += 0.01 {
		chance, density := below(z)
		more, _ := below(z + 1e-3)
		near(t, "chance", chance, 1-math.Erfc(z/math.Sqrt2)/2, 1e-7)
		near(t, "density", density, (more-chance)/1e-3, 3e-4)
	}
}

// anyModel draws batteries of the sizes, losses and relaxation that a UPS may
// have, lithium and plain kinetic ones among them.
func anyModel(t *rapid.T) Model {
	m := Model{
		Energy: rapid.Float64Range(1e4, 1e8).Draw(t, "store"),
		Ohmic:  rapid.Float64Range(0, 3000).Draw(t, "ohmic"),
	}
	if rapid.Bool().Draw(t, "diffusion") {
		m.Diffusion = rapid.Float64Range(1, 20000).Draw(t, "a")
		m.Relaxation = rapid.Float64Range(60, 20000).Draw(t, "tau")
	}
	return m
}

// anyLoad draws up to twice what empties the battery at once, and zero.
func anyLoad(t *rapid.T, m Model, name string) float64 {
	if rapid.IntRange(0, 9).Draw(t, name+" is none") == 0 {
		return 0
	}
	return m.Energy / (m.Ohmic + 60) * rapid.Float64Range(1e-4, 2).Draw(t, name)
}

// anyCharge draws a charge by a history of loads.
func anyCharge(t *rapid.T, m Model) Charge {
	c := m.At(rapid.Float64Range(0, 1).Draw(t, "part"))
	for range rapid.IntRange(0, 4).Draw(t, "loads before") {
		c = m.Advance(c, anyLoad(t, m, "before"), rapid.Float64Range(0, 7200).Draw(t, "seconds before"))
	}
	return c
}

const relative = 1e-9

// Aim: the runtime is the moment at which what is left crosses zero: something
// is left just before, nothing just after, and it is never negative or no number.
func TestRuntimeIsTheCrossing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := anyModel(t)
		c, watts := anyCharge(t, m), anyLoad(t, m, "load")
		s := m.Runtime(c, watts)
		switch {
		case math.IsNaN(s) || s < 0:
			t.Fatalf("runtime %v", s)
		case s == 0:
			if m.Left(c, watts) > 0 {
				t.Fatalf("nothing lasts, with %v J left", m.Left(c, watts))
			}
		case s == Forever:
			if watts > 0 {
				t.Fatalf("%v W for ever", watts)
			}
		default:
			slack := relative * m.Energy
			if before := m.Left(m.Advance(c, watts, s*(1-1e-6)), watts); before < -slack {
				t.Errorf("short of %v J before the end at %v s", before, s)
			}
			if at := m.Left(m.Advance(c, watts, s), watts); math.Abs(at) > slack {
				t.Errorf("%v J left at the end", at)
			}
			for range 8 { // and it is the first crossing
				at := s * rapid.Float64Range(0, 1-1e-6).Draw(t, "part of the runtime")
				if left := m.Left(m.Advance(c, watts, at), watts); left < -slack {
					t.Errorf("empty already at %v s of %v s", at, s)
				}
			}
		}
	})
}

// Aim: a larger load never lasts longer, and neither does a lower charge: less
// charge, more loss, or a smaller store.
func TestNeverLater(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := anyModel(t)
		c, watts := anyCharge(t, m), anyLoad(t, m, "load")
		s := m.Runtime(c, watts)
		limit := s * (1 + relative)
		if got := m.Runtime(c, watts*rapid.Float64Range(1, 3).Draw(t, "more load")); got > limit {
			t.Errorf("more load lasts %v s, less %v s", got, s)
		}
		less, bound := c, c
		less.Delivered += m.Energy * rapid.Float64Range(0, 1).Draw(t, "less charge")
		bound.Bound += m.Energy * rapid.Float64Range(0, 1).Draw(t, "more bound")
		smaller := m
		smaller.Energy *= rapid.Float64Range(0, 1).Draw(t, "smaller store")
		for _, got := range []float64{m.Runtime(less, watts), m.Runtime(bound, watts), smaller.Runtime(c, watts)} {
			if got > limit {
				t.Errorf("less lasts %v s, more %v s", got, s)
			}
		}
	})
}

// Aim: it makes no difference into how many pieces a load or a recharge is cut.
func TestPiecesAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := anyModel(t)
		c, watts := anyCharge(t, m), anyLoad(t, m, "load")
		b := Belief{Model: m, RechargeTime: rapid.Float64Range(600, 1e5).Draw(t, "recharge time")}
		seconds := rapid.Float64Range(0, 60000).Draw(t, "seconds")
		cut := seconds * rapid.Float64Range(0, 1).Draw(t, "cut")
		same := func(what string, got, want Charge) {
			scale := relative * (m.Energy + want.Delivered + want.Bound)
			if !(math.Abs(got.Delivered-want.Delivered) <= scale && math.Abs(got.Bound-want.Bound) <= scale && math.Abs(got.Floated-want.Floated) <= 1e-6) {
				t.Errorf("%s in two pieces %+v, in one %+v", what, got, want)
			}
		}
		same("load", m.Advance(m.Advance(c, watts, cut), watts, seconds-cut), m.Advance(c, watts, seconds))
		// At the very end of the ten hours a rounding decides; elsewhere it must not.
		whole := b.Recharge(c, seconds)
		if math.Abs(whole.Floated-10*3600) > 1e-3 {
			same("recharge", b.Recharge(b.Recharge(c, cut), seconds-cut), whole)
		}
	})
}

// Aim: loads one after the other are the sum of their steps, each by the kernel
// for the time since (the section method), and what is used that way never comes
// before, in a plan that only sheds, what the sum of the parts of each load's own
// runtime says.
func TestSuperposition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := anyModel(t)
		shedding := rapid.Bool().Draw(t, "shedding")
		var loads []Segment
		for i := range rapid.IntRange(1, 6).Draw(t, "loads") {
			watts := anyLoad(t, m, "load")
			if shedding && i > 0 {
				watts = loads[i-1].Watts * rapid.Float64Range(0, 1).Draw(t, "part kept")
			}
			loads = append(loads, Segment{watts, rapid.Float64Range(1, 3000).Draw(t, "seconds")})
		}
		var c Charge
		var now, parts float64
		for i, l := range loads {
			if runtime := m.Runtime(Charge{}, l.Watts); runtime > 0 {
				parts += l.Seconds / runtime
			} else {
				parts = math.Inf(1)
			}
			c = m.Advance(c, l.Watts, l.Seconds)
			now += l.Seconds
			sum, before, from := 0.0, 0.0, 0.0
			for _, s := range loads[:i+1] {
				sum += (s.Watts - before) * m.Phi(now-from)
				before, from = s.Watts, from+s.Seconds
			}
			used := m.Energy - m.Left(c, l.Watts)
			if math.Abs(used-sum) > relative*(m.Energy+math.Abs(sum)) {
				t.Fatalf("by steps %v J are used, by the sum %v J", used, sum)
			}
			if shedding && parts <= 1-1e-6 && used > m.Energy*(1+relative) {
				t.Errorf("empty, though only %v of the runtimes are used", parts)
			}
		}
	})
}

// Aim: nonsense in gives no runtime, and never a number that is none.
func TestNonsense(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, v := range []float64{nan, inf, -1} {
		m := usual
		for _, got := range []float64{
			m.Runtime(Charge{Delivered: v}, 100), m.Runtime(Charge{Bound: v}, 100), m.Runtime(Charge{}, v),
			(&Model{Energy: v, Ohmic: 1}).Runtime(Charge{}, 100),
		} {
			if math.IsNaN(got) || got < 0 {
				t.Errorf("with %v: %v s", v, got)
			}
		}
	}
	if Whole(nan) != 0 || Whole(-1) != 0 || Whole(59.99) != 59e9 || Whole(inf) != Unending || Whole(1e300) != Unending {
		t.Error("rounding to whole seconds")
	}
}

var keep float64

func BenchmarkAdvance(b *testing.B) {
	m := usual
	for b.Loop() {
		c := m.Advance(Charge{Delivered: 1000, Bound: 500}, 120, 10)
		keep = c.Bound
	}
}

func BenchmarkRuntime(b *testing.B) {
	m := usual
	stepDown := m.Advance(Charge{}, 200, 600)
	for name, c := range map[string]struct {
		charge Charge
		watts  float64
	}{"fresh": {Charge{}, 100}, "after a step down": {stepDown, 50}, "after a step up": {m.Advance(Charge{}, 20, 600), 200}} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				keep = m.Runtime(c.charge, c.watts)
			}
		})
	}
}
