package battery

import "math"

// expNeg is e^-x for x >= 0. The standard library's has an assembly version per
// machine; this one gives the same bits everywhere, and is most of a simulation's
// arithmetic. x = (k/64) ln 2 - r: a table has 2^(-k/64), and of e^r, with r below
// 0.0055, five terms of the series leave less than a double shows. Error below two
// units in the last place.
func expNeg(x float64) float64 {
	const (
		steps  = 64 / math.Ln2
		stepHi = 6.93147180369123816490e-01 / 64 // the upper bits of (ln 2)/64, so that k times it is exact
		stepLo = 1.90821492927058770002e-10 / 64 // and the rest
	)
	if !(x < 708) { // also NaN: nothing is left of the loss
		return 0
	}
	k := int64(float64(x*steps) + 0.5)
	r := float64(float64(k)*stepHi) - x + float64(float64(k)*stepLo)
	square := float64(r * r)
	more := r + float64(square*(0.5+float64(r*(1.0/6))+float64(square*(1.0/24+float64(r*(1.0/120))))))
	y := part64[k&63]
	y += float64(y * more)
	return math.Float64frombits(math.Float64bits(y) - uint64(k>>6)<<52)
}

// part64 is 2^(-k/64), rounded to the nearest double.
var part64 = [64]float64{
	1.0, 0.9892280131939755, 0.9785720620877001, 0.9680308967461472,
	0.9576032806985737, 0.9472879907934828, 0.93708381705515, 0.9269895625416927,
	0.9170040432046712, 0.9071260877501994, 0.8973545375015536, 0.8876882462632606,
	0.8781260801866497, 0.8686669176368531, 0.859309649061239, 0.8500531768592617,
	0.8408964152537145, 0.8318382901633682, 0.8228777390769825, 0.8140137109286739,
	0.8052451659746271, 0.7965710756711335, 0.7879904225539432, 0.7795022001189185,
	0.7711054127039704, 0.7627990753722692, 0.7545822137967114, 0.7464538641456324,
	0.7384130729697497, 0.7304588970903235, 0.7225904034885233, 0.714806669195985,
	0.7071067811865476, 0.6994898362691556, 0.691954940981916, 0.6845012114872953,
	0.6771277734684463, 0.6698337620266515, 0.6626183215798707, 0.6554806057623822,
	0.6484197773255048, 0.6414350080393891, 0.6345254785958666, 0.6276903785123455,
	0.620928906036742, 0.614240268053435, 0.6076236799902345, 0.6010783657263515,
	0.5946035575013605, 0.5881984958251406, 0.5818624293887887, 0.5755946149764913,
	0.5693943173783458, 0.5632608093041209, 0.5571933712979462, 0.5511912916539204,
	0.5452538663326288, 0.5393803988785599, 0.5335702003384118, 0.5278225891802786,
	0.5221368912137069, 0.5165124395106142, 0.5109485743270583, 0.5054446430258502,
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

// ExpNeg is e^-x for x >= 0, and Ln the natural logarithm of x > 0: the same bits on
// every machine, for others whose figures a decision rests on.
func ExpNeg(x float64) float64 { return expNeg(x) }

// Ln is the natural logarithm; see [ExpNeg].
func Ln(x float64) float64 { return ln(x) }
