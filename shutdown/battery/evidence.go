package battery

import "math"

// z95 is the 95 % point of the normal distribution.
const z95 = 1.6448536269514722

// Lasting is the factor on the store with which the battery would carry the
// watts, the UPS's own draw included, for just so many seconds more from this
// charge.
func (b *Belief) Lasting(c Charge, watts, seconds float64) float64 {
	return b.Holding(b.Model.Advance(c, watts, seconds), watts)
}

// Weight is what readings of one kind weigh beside a belief.
type Weight struct {
	of  float64 // a reading, of the logarithm
	low float64 // of the likely factor after one, the low factor then
}

// Weight gives what readings weigh whose logarithm has the standard deviation given,
// and which leave what of a low factor.
func (b *Belief) Weight(low, spread float64) Weight {
	own := ln(b.Likely/b.Low) / z95
	of := float64(own*own) / (float64(own*own) + float64(spread*spread))
	return Weight{of, exp(-(ln(b.Likely/low) * math.Sqrt(1-of)))}
}

// Weighed gives what is left of the likely factor, and of the low one, after a
// reading that means another factor. Both are taken as lognormal: the belief with
// the spread between its low and its likely factor, the reading with that of its
// kind. The product of two such is one again, which is what an ensemble of factors
// would come to with any number of members.
func (b *Belief) Weighed(factor float64, w Weight) (lowThen, likelyThen float64) {
	likelyThen = b.Likely * exp(float64(w.of*ln(factor/b.Likely)))
	return likelyThen * w.low, likelyThen
}
