package battery

import (
	"errors"
	"fmt"
)

// Segment is a load held for some time.
type Segment struct{ Watts, Seconds float64 }

// Ended is how a measured discharge ended.
type Ended uint8

const (
	AtCutOff        Ended = iota + 1 // the battery was empty
	AtTwentyPercent                  // the UPS reported 20 % of charge
	Early                            // stopped before that
)

// FromDischarge corrects a belief by one measured discharge from full charge, at
// the temperature that the belief has, loads at the output. One discharge
// settles the store; the losses stay as they were.
//
// A reading of 20 % is weak evidence: of a gauge that counts the charge it means
// that, of one that follows the voltage that 91 to 97 % are used. So the whole
// runtime is taken as 1.05, 1.15 and 1.25 times the one measured, the rest of it
// at the mean load. And what the battery carried bounds its store from below,
// but for what two discharges of one battery differ by.
func FromDischarge(b Belief, segments []Segment, ended Ended) (Belief, error) {
	var c Charge
	var seconds, watts float64
	for _, s := range segments {
		if !(s.Watts >= 0 && s.Watts < 1e9 && s.Seconds >= 0 && s.Seconds < 1e9) {
			return b, fmt.Errorf("a discharge cannot hold %g W for %g s", s.Watts, s.Seconds)
		}
		watts = s.Watts + b.OverheadWatts
		c = b.Model.Advance(c, watts, s.Seconds)
		seconds += s.Seconds
	}
	if c.Delivered <= 0 {
		return b, errors.New("the discharge took nothing from the battery")
	}
	carried := b.Model.Store - b.Model.Left(c, watts)
	after := func(part float64) float64 {
		mean := c.Delivered / seconds
		return max(carried, b.Model.Store-b.Model.Left(b.Model.Advance(c, mean, part*seconds), mean))
	}
	spread := fromFullTest
	switch ended {
	case AtCutOff:
		b.Basis = "own full discharge"
		b.Model.Store = carried
	case AtTwentyPercent:
		b.Basis = "own discharge to 20 %"
		low, likely, high := after(0.05), after(0.15), after(0.25)
		spread = spread.times(Factors{low / likely, 1, high / likely})
		b.Model.Store = likely
	case Early:
		b.Basis += ", at least what a test carried"
		part := carried / (b.Model.Store * b.Warmth.Likely)
		return b.with(Factors{
			max(b.At25.Low, fromFullTest.Low*part), max(b.At25.Likely, part), max(b.At25.High, part),
		}, b.Warmth), nil
	default:
		return b, errors.New("how the discharge ended is not stated")
	}
	b.Model.Store /= b.Warmth.Likely // what was measured is the store at that temperature
	return b.with(spread, b.Warmth), nil
}
