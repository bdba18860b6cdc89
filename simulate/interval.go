package simulate

import "math"

// Chance bounds the chance of an end that was seen k times in n independent
// trials, at 95 %. Seen never, it is at most 3/n (1-0.05 = (1-p)^n; rule of
// three). Otherwise the interval is the exact one of Clopper and Pearson (1934),
// 2.5 % on either side. Nothing tried, nothing known.
func Chance(k, n int) (low, high float64) {
	switch {
	case n <= 0:
		return 0, 1
	case k == 0:
		return 0, min(1, 3/float64(n))
	}
	return binomial(k, n, 0.025)
}

// binomial is the exact interval of Clopper and Pearson, with so much error on either
// side.
func binomial(k, n int, side float64) (low, high float64) {
	low, high = 0, 1
	if k > 0 {
		low = inverseBeta(side, float64(k), float64(n-k+1))
	}
	if k < n {
		high = inverseBeta(1-side, float64(k+1), float64(n-k))
	}
	return low, high
}

// inverseBeta is where the beta distribution reaches a part, by bisection.
func inverseBeta(part, a, b float64) float64 {
	low, high := 0.0, 1.0
	for range 200 {
		mid := (low + high) / 2
		if mid == low || mid == high {
			break
		}
		if betaPart(mid, a, b) < part {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// betaPart is the regularized incomplete beta function, by its continued
// fraction on the side where that converges fast (Abramowitz and Stegun 26.5.8).
func betaPart(x, a, b float64) float64 {
	if x <= 0 || x >= 1 {
		return math.Max(0, math.Min(1, x))
	}
	if x > (a+1)/(a+b+2) {
		return 1 - betaPart(1-x, b, a)
	}
	la, _ := math.Lgamma(a)
	lb, _ := math.Lgamma(b)
	lab, _ := math.Lgamma(a + b)
	front := math.Exp(lab-la-lb+float64(a*math.Log(x))+float64(b*math.Log1p(-x))) / a
	return front * fraction(x, a, b)
}

// fraction is the continued fraction, by Lentz's method.
func fraction(x, a, b float64) float64 {
	const tiny = 1e-300
	away := func(v float64) float64 {
		if math.Abs(v) < tiny {
			return tiny
		}
		return v
	}
	c, d := 1.0, 1/away(1-float64((a+b)*x)/(a+1))
	h := d
	for m := 1.0; m < 100_000; m++ {
		even := m * (b - m) * x / ((a + 2*m - 1) * (a + 2*m))
		odd := -(a + m) * (a + b + m) * x / ((a + 2*m) * (a + 2*m + 1))
		last := 1.0
		for _, t := range [...]float64{even, odd} {
			d = 1 / away(1+float64(t*d))
			c = away(1 + t/c)
			last = d * c
			h *= last
		}
		if math.Abs(last-1) < 1e-15 {
			break
		}
	}
	return h
}

// Rate bounds the rate of independent events of which n were counted in a span of
// time, per that span, at 95 %: the exact interval for a Poisson count (Garwood
// 1936), 2.5 % on either side.
func Rate(n int) (low, high float64) {
	if n > 0 {
		low = inverseGamma(0.025, float64(n))
	}
	return low, inverseGamma(0.975, float64(n+1))
}

// inverseGamma is where the gamma distribution of a shape reaches a part, by
// bisection.
func inverseGamma(part, a float64) float64 {
	low, high := 0.0, a+10*math.Sqrt(a)+20
	for range 200 {
		mid := (low + high) / 2
		if mid == low || mid == high {
			break
		}
		if gammaPart(mid, a) < part {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// gammaPart is the regularized lower incomplete gamma function, by its series
// (Abramowitz and Stegun 6.5.29), whose terms are all positive.
func gammaPart(x, a float64) float64 {
	if x <= 0 {
		return 0
	}
	la, _ := math.Lgamma(a + 1)
	term := math.Exp(float64(a*math.Log(x)) - x - la)
	sum := term
	for n := a + 1; term > 1e-17*sum && n < a+1e7; n++ {
		term *= x / n
		sum += term
	}
	return min(1, sum)
}
