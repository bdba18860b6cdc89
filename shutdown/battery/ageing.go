package battery

import (
	"fmt"
	"math"

	"ebbline/policy"
)

// Replace is the part of a new battery's capacity below which a battery is to be
// replaced (IEEE 1188, read second-hand).
const Replace = 0.80

// Tested is a battery's capacity on a day, as a part of a new one's.
type Tested struct {
	Day      int64
	Capacity float64
}

// Ageing says when a battery comes down to [Replace]: at the earliest, probably
// and at the latest, in days since 1970-01-01; 0 for a day that nobody can tell.
type Ageing struct {
	From, Likely, To int64
	PerYear          float64 // by which the capacity changes, where the tests tell
	Spread           float64 // of that, one standard deviation
	By               string  // what it rests on: "the trend of 4 tests"
}

const (
	foresees   = 20 * 366 // days from the last test on
	trendTests = 3
	yearDays   = 365.25
)

// student is the t by which a 90 % range of a straight line's value is wide, by
// the degrees of freedom (table of Student's distribution, from memory).
var student = [...]float64{1: 6.314, 2.920, 2.353, 2.132, 2.015, 1.943, 1.895, 1.860, 1.833, 1.812}

// Age works it out from a battery's tests, in the order of their days: three or
// more show a trend, with the range of the straight line through them; fewer,
// the last capacity and the usual ageing; none, the day of installation.
func Age(p *policy.Battery, tests []Tested) Ageing {
	n := len(tests)
	switch {
	case n >= trendTests && tests[n-1].Day-tests[0].Day >= 90:
		return trend(tests)
	case n > 0:
		a := usualAge(p, tests[n-1])
		a.By = "the last test and the usual ageing"
		return a
	case p.InstalledDay != 0:
		a := usualAge(p, Tested{p.InstalledDay, 1})
		a.By = "the day it was installed and the usual ageing"
		return a
	}
	return Ageing{By: "nothing: no test, and the policy does not say when it was installed"}
}

// trend is least squares. Three tests that lie on a line by chance are as
// uncertain as one test is from the next.
func trend(tests []Tested) Ageing {
	n := float64(len(tests))
	var x, y float64
	for _, t := range tests {
		x += float64(t.Day) / n
		y += t.Capacity / n
	}
	var across, both, rest float64
	for _, t := range tests {
		dx := float64(t.Day) - x
		across += float64(dx * dx)
		both += float64(dx * (t.Capacity - y))
	}
	slope := both / across
	for _, t := range tests {
		off := t.Capacity - y - float64(slope*(float64(t.Day)-x))
		rest += float64(off * off)
	}
	free := len(tests) - 2
	spread := max(repeatSpread, math.Sqrt(rest/float64(free)))
	wide := student[min(free, len(student)-1)] * spread
	a := Ageing{PerYear: slope * yearDays, Spread: spread / math.Sqrt(across) * yearDays, By: fmt.Sprintf("the trend of %d tests", len(tests))}
	last := tests[len(tests)-1].Day
	for day := tests[0].Day; day <= last+foresees; day++ {
		dx := float64(day) - x
		line, range90 := y+float64(slope*dx), float64(wide*math.Sqrt(1/n+float64(dx*dx)/across))
		first(&a.From, day, line-range90)
		first(&a.Likely, day, line)
		first(&a.To, day, line+range90)
	}
	return a
}

// usualAge is when a battery comes down to [Replace] that had this capacity.
func usualAge(p *policy.Battery, from Tested) Ageing {
	var a Ageing
	test := Factors{from.Capacity * fromFullTest.Low, from.Capacity, from.Capacity * fromFullTest.High}
	for days := int64(0); days <= foresees; days++ {
		f := test.times(faded(p, days))
		first(&a.From, from.Day+days, f.Low)
		first(&a.Likely, from.Day+days, f.Likely)
		first(&a.To, from.Day+days, f.High)
	}
	return a
}

// first notes the first day on which the capacity is no more than [Replace].
func first(day *int64, today int64, capacity float64) {
	if *day == 0 && capacity <= Replace {
		*day = today
	}
}
