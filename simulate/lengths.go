package simulate

import (
	"math"
	"time"
)

// posted are quantiles of the length of the unplanned outages that one Canadian
// utility posted on its public map in 2024 (n = 23,584; derived statistics, see
// testdata/outages/README.md). Short ones are hardly ever posted: they say how
// long an outage is once it is long, never how many are short. Both ends are
// judgement: nothing below 2 min, and records of more than a week were dropped.
var posted = [...]struct{ part, minutes float64 }{
	{0, 2}, {0.05, 39}, {0.10, 54}, {0.25, 101}, {0.50, 175}, {0.75, 337}, {0.90, 725}, {0.95, 1232}, {0.99, 2710}, {1, 7 * 24 * 60},
}

// Length is the length that the given part of all sustained outages does not
// exceed: between two published quantiles the logarithm is evenly spread.
func Length(part float64) time.Duration {
	k := 1
	for k+1 < len(posted) && part > posted[k].part {
		k++
	}
	a, b := posted[k-1], posted[k]
	x := (part - a.part) / (b.part - a.part)
	minutes := math.Exp(math.Log(a.minutes) + float64(x*(math.Log(b.minutes)-math.Log(a.minutes))))
	return time.Duration(minutes * float64(time.Minute)).Round(time.Second)
}
