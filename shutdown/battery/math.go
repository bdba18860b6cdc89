package battery

import "math"

// expNeg is e^-x for x >= 0. The standard library's has an assembly version per
// machine; this one gives the same bits everywhere. It is the usual reduction
// x = k ln 2 + r with a Remez polynomial on r (FreeBSD's e_exp.c), error below
// one unit in the last place.
func expNeg(x float64) float64 {
	const (
		ln2Hi = 6.93147180369123816490e-01
		ln2Lo = 1.90821492927058770002e-10
		log2e = 1.44269504088896338700e+00
		p1    = 1.66666666666666657415e-01
		p2    = -2.77777777770155933842e-03
		p3    = 6.61375632143793436117e-05
		p4    = -1.65339022054652515390e-06
		p5    = 4.13813679705723846039e-08
	)
	if !(x < 708) { // also NaN: nothing is left of the loss
		return 0
	}
	k := int64(float64(log2e*-x) - 0.5)
	hi := -x - float64(float64(k)*ln2Hi)
	lo := float64(float64(k) * ln2Lo)
	r := hi - lo
	t := float64(r * r)
	c := p4 + float64(t*p5)
	c = p3 + float64(t*c)
	c = p2 + float64(t*c)
	c = p1 + float64(t*c)
	c = r - float64(t*c)
	y := 1 - ((lo - float64(r*c)/(2-c)) - hi)
	return math.Float64frombits(math.Float64bits(y) + uint64(k)<<52)
}

// exp is e^x, by expNeg.
func exp(x float64) float64 {
	if x > 0 {
		return 1 / expNeg(x)
	}
	return expNeg(-x)
}

// ln is the natural logarithm of x > 0: with x = m 2^k and m near one, it is
// k ln 2 + 2 artanh((m-1)/(m+1)), whose series ends within a double after
// twelve terms. Like expNeg it gives the same bits everywhere.
func ln(x float64) float64 {
	const ln2 = math.Ln2
	m, k := math.Frexp(x)
	if m < math.Sqrt2/2 {
		m, k = 2*m, k-1
	}
	s := (m - 1) / (m + 1)
	square := float64(s * s)
	sum := 0.0
	for n := 25; n >= 1; n -= 2 {
		sum = 1/float64(n) + float64(square*sum)
	}
	return float64(float64(k)*ln2) + float64(2*float64(s*sum))
}

// quantile is the z below which a normal variable lies with the chance given,
// 1/2 to 0.999. The chance above the mean is phi(z) (z + z^3/3 + z^5/15 + ...)
// (Marsaglia, J. Statistical Software 11(4), 2004), and Newton's method climbs
// to it from z = 0, since the curve is concave there.
func quantile(chance float64) float64 {
	z := 0.0
	for range 60 {
		term, sum := z, z
		for i := 3.0; term > 1e-17*sum; i += 2 {
			term = term * z * z / i
			sum += term
		}
		density := expNeg(z*z/2) / math.Sqrt(2*math.Pi)
		step := (chance - 0.5 - float64(density*sum)) / density
		z += step
		if step < 1e-14 {
			break
		}
	}
	return z
}
