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

// Weighed gives what is left of the likely factor, and of a low one, after a
// reading that means another factor. Both are taken as lognormal: the belief with
// the spread between its low and its likely factor, the reading with the standard
// deviation of its logarithm that is given. The product of two such is one again,
// which is what an ensemble of factors would come to with any number of members.
func (b *Belief) Weighed(low, factor, spread float64) (lowThen, likelyThen float64) {
	own := ln(b.Likely/b.Low) / z95
	weight := float64(own*own) / (float64(own*own) + float64(spread*spread))
	likelyThen = b.Likely * exp(float64(weight*ln(factor/b.Likely)))
	below := ln(b.Likely/low) * math.Sqrt(1-weight)
	return likelyThen * exp(-below), likelyThen
}
