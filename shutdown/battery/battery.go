// Package battery says how long a battery lasts: a kinetic (two-well) model
// with an ohmic term, in output power, advanced exactly across a stepped load.
// Around it stands a belief: what the operator's figures say of the model, how
// far to trust them, and what one measured discharge changes.
// It must never read a clock or a file, and must give the same bits on every
// machine: every product that is added to something, be it statements later or
// in a caller, is written float64(x*y), which forbids the compiler to fuse the
// two, and the exponential is our own.
//
// The form is the one of IEEE 485's section method in closed form:
//
//	phi(t) = r + t + a (1 - e^(-t/tau))     a constant load E/phi(t) lasts t
//
// with E the apparent store, r the ohmic loss, a the diffusion loss and tau the
// relaxation time. Without r it is the kinetic battery model (Manwell and
// McGowan 1993; tau = 1/k, a = (1-c)/(c k)).
//
// Inside this package and the planner, times are float64 seconds, powers
// float64 watts, energies joules. What leaves them is rounded downward.
package battery

import "math"

// Model is a battery as seen at the UPS's output.
type Model struct {
	Energy     float64 // E, joules of output
	Ohmic      float64 // r, seconds
	Diffusion  float64 // a, seconds
	Relaxation float64 // tau, seconds; not used while Diffusion is zero

	// Exponent other than 0 and 1 makes this a Peukert battery, with Reference
	// watts drawn at face value. It is for comparison with published figures;
	// no policy makes one, and it is not bit-stable across machines.
	Exponent  float64
	Reference float64
}

// Charge is where a battery stands after any history of loads. The zero value
// is full and rested.
type Charge struct {
	Delivered float64 // q, joules given
	Bound     float64 // x, joules that rest would bring back
	Floated   float64 // seconds charged since 90 %; see [Belief.Recharge]
}

// As is a charge that followed the loads by one model, as another with the same
// relaxation time would have it: what is bound grows with the diffusion loss.
func (c Charge) As(from, to *Model) Charge {
	if from.Diffusion > 0 {
		c.Bound *= to.Diffusion / from.Diffusion
	}
	return c
}

// Forever is the runtime of a load that the battery never fails to carry.
var Forever = math.Inf(1)

// rate is what a load takes from the store in a second, in joules.
func (m *Model) rate(watts float64) float64 {
	if m.Exponent == 0 || m.Exponent == 1 || watts <= 0 {
		return watts
	}
	return watts * math.Pow(watts/m.Reference, m.Exponent-1)
}

// Advance gives the charge after the load was carried for the seconds given.
func (m *Model) Advance(c Charge, watts, seconds float64) Charge {
	return m.AdvanceBy(c, watts, seconds, m.Fade(seconds))
}

// Fade is what so many seconds of rest leave of the bound charge, as a part of it.
func (m *Model) Fade(seconds float64) float64 {
	if m.Diffusion == 0 {
		return 1
	}
	return expNeg(seconds / m.Relaxation)
}

// AdvanceBy is [Model.Advance] for who knows the [Model.Fade] of the seconds.
func (m *Model) AdvanceBy(c Charge, watts, seconds, fade float64) Charge {
	c.Delivered += float64(m.rate(watts) * seconds)
	c.Floated = 0
	if m.Diffusion != 0 {
		c.Bound = float64(c.Bound*fade) + float64(float64(m.Diffusion*watts)*(1-fade))
	}
	return c
}

// Left is what is left of the store while the load is carried, in joules. At or
// below zero the battery can no longer carry it.
func (m *Model) Left(c Charge, watts float64) float64 {
	return m.Energy - c.Delivered - c.Bound - float64(m.Ohmic*watts)
}

// Runtime is how long the load can be carried from here, in seconds; [Forever]
// when it is never too much. The crossing is unique (the left-over is concave
// after a step down and falls steadily after a step up), and Newton's method
// approaches it from one side. A figure that is not a number gives zero.
func (m *Model) Runtime(c Charge, watts float64) float64 {
	left := m.Energy - c.Delivered - float64(m.Ohmic*watts)
	if !(left-c.Bound > 0) {
		return 0
	}
	if watts <= 0 {
		return Forever
	}
	p := m.rate(watts)
	if m.Diffusion == 0 {
		return left / p
	}
	settled := float64(m.Diffusion * watts)
	// Beyond its settled value the loss shrinks: start above the crossing. Below
	// it grows: start below. Either way each step stays on its side.
	s := (left - math.Min(c.Bound, settled)) / p
	if c.Bound < settled {
		s = math.Max(0, (left-settled)/p)
	}
	for range 60 {
		e := expNeg(s / m.Relaxation)
		f := left - float64(p*s) - settled - float64((c.Bound-settled)*e)
		slope := p - float64((c.Bound-settled)*e)/m.Relaxation
		next := s + f/slope
		if next < 0 {
			next = 0
		}
		// From below, half a step's square over the relaxation time bounds what is left
		// to go; from above, the step itself does in the end.
		if d := math.Abs(next - s); d <= 1e-9*(1+s) || next > s && float64(d*d) <= float64(1e-9*m.Relaxation) {
			return next
		}
		s = next
	}
	return s
}

// At gives the charge of a rested battery that holds the part given (0 to 1) of
// what it holds when full. A part of a battery's charge is counted at the
// 20-hour rate, at which gauges and ratings are.
func (m *Model) At(part float64) Charge {
	return Charge{Delivered: float64((1 - part) * m.Full())}
}

// rating is the time at whose rate ratings and gauges count, in seconds.
const rating = 20 * 3600

// Full is what a full battery gives at the 20-hour rate, in joules.
func (m *Model) Full() float64 {
	return float64(m.Energy*rating) / m.Phi(rating)
}

// Phi is the kernel: a constant load of Energy/Phi(t) watts lasts t seconds.
func (m *Model) Phi(seconds float64) float64 {
	phi := m.Ohmic + seconds
	if m.Diffusion != 0 {
		phi += float64(m.Diffusion * (1 - expNeg(seconds/m.Relaxation)))
	}
	return phi
}
