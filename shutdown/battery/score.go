package battery

import (
	"errors"
	"math"
	"slices"
	"time"

	"ebbline/policy"
)

// Table is a published runtime table or a UPS's own record of discharges, and
// what is known of the battery beside it.
type Table struct {
	Name   string
	UPS    policy.UPS          // rated figures, without a chart
	Points []policy.ChartPoint // load rising
}

// Evidence is what a projection is made from, when its worth is scored.
type Evidence uint8

const (
	RatedOnly  Evidence = iota + 1 // the rated figures
	OnePoint                       // and any one point, for all the others
	TwoPoints                      // and any two that differ by a factor of two in load
	AllOthers                      // and all points but the one projected
	WholeChart                     // and all points, that one among them
	AfterTest                      // and one full discharge, for loads within a factor of 1.5
	FarTest                        // the same, for loads within a factor of three
	FadedTest                      // rated figures and one full discharge of a battery faded to 80 %, within 1.5
	FadedChart                     // the whole chart and the same, within three
	TwoTests                       // rated figures and two full discharges that differ by a factor of two in load
)

// String gives the words of a report.
func (e Evidence) String() string {
	return [...]string{"", "rated only", "one point", "two points", "all others", "whole chart", "one test", "one test, far", "one test, faded", "chart and test, faded", "two tests"}[e]
}

// Case is one published runtime and what is projected for it, in seconds.
type Case struct {
	Watts                        int64
	Published, Low, Likely, High float64
}

// Cases projects the points of the table between the two times, each from all
// the choices of evidence from between these times that leave it out (or, for
// [WholeChart], do not).
func (t *Table) Cases(e Evidence, from, to time.Duration) ([]Case, error) {
	var inside []policy.ChartPoint
	for _, p := range t.Points {
		if p.Runtime >= from && p.Runtime <= to {
			inside = append(inside, p)
		}
	}
	var cases []Case
	var failed error
	// project makes the belief and takes the points that it may be asked for.
	project := func(chart, tests []policy.ChartPoint, points []policy.ChartPoint, asked func(policy.ChartPoint) bool) {
		u := t.UPS
		u.Battery.Chart = chart
		b, err := tested(&u, tests)
		if err != nil {
			failed = errors.Join(failed, err)
			return
		}
		for _, p := range points {
			if asked(p) {
				cases = append(cases, b.project(p))
			}
		}
	}
	switch e {
	case RatedOnly:
		project(nil, nil, inside, func(policy.ChartPoint) bool { return true })
	case WholeChart:
		project(t.Points, nil, inside, func(policy.ChartPoint) bool { return true })
	case AllOthers:
		for _, p := range inside {
			i := slices.Index(t.Points, p)
			project(slices.Delete(slices.Clone(t.Points), i, i+1), nil, inside, func(q policy.ChartPoint) bool { return q == p })
		}
	case OnePoint:
		for i, p := range inside {
			project(inside[i:i+1], nil, inside, func(q policy.ChartPoint) bool { return q != p })
		}
	case TwoPoints:
		for i, p := range inside {
			for _, q := range inside[i+1:] {
				if q.Watts >= 2*p.Watts {
					project([]policy.ChartPoint{p, q}, nil, inside, func(r policy.ChartPoint) bool { return r != p && r != q })
				}
			}
		}
	case AfterTest, FarTest, FadedTest, FadedChart:
		points, far := inside, policy.ChartPoint{Watts: 3, Runtime: 2}
		if e == FarTest || e == FadedChart {
			far = policy.ChartPoint{Watts: 3, Runtime: 1}
		}
		if e == FadedTest || e == FadedChart {
			points = faint(inside)
		}
		for i, p := range points {
			// Where there are no rated figures, a point of the chart gives a store to correct.
			var chart []policy.ChartPoint
			switch {
			case e == FadedChart:
				chart = t.Points
			case rated(&t.UPS) == 0:
				chart = inside[i : i+1]
			}
			project(chart, points[i:i+1], points, func(q policy.ChartPoint) bool {
				return q != p && q.Watts*int64(far.Runtime) <= far.Watts*p.Watts && p.Watts*int64(far.Runtime) <= far.Watts*q.Watts
			})
		}
	case TwoTests:
		for i, p := range inside {
			for _, q := range inside[i+1:] {
				if q.Watts >= 2*p.Watts && rated(&t.UPS) > 0 {
					project(nil, []policy.ChartPoint{p, q}, inside, func(r policy.ChartPoint) bool { return r != p && r != q })
				}
			}
		}
	}
	return cases, failed
}

// tested is what is believed of a battery after full discharges of it.
func tested(u *policy.UPS, tests []policy.ChartPoint) (Belief, error) {
	day := u.Battery.InstalledDay
	var found []Discharge
	for _, p := range tests {
		found = append(found, Discharge{
			Day: day, Segments: []Segment{{float64(p.Watts), p.Runtime.Seconds()}}, StartCharge: 1, Ended: AtCutOff,
			Celsius: 25, CelsiusSet: true,
		})
	}
	c, err := Calibrate(u, found, day)
	if err != nil {
		return Belief{}, err
	}
	c.Correct(u)
	return New(u, day)
}

// faint is a battery of which a fifth is gone: it carries four fifths of the
// load for as long.
func faint(points []policy.ChartPoint) []policy.ChartPoint {
	points = slices.Clone(points)
	for i := range points {
		points[i].Watts = points[i].Watts * 4 / 5
	}
	return points
}

func (b *Belief) project(p policy.ChartPoint) Case {
	low, likely, high := b.runtimes(Charge{}, float64(p.Watts))
	return Case{p.Watts, p.Runtime.Seconds(), low, likely, high}
}

// Score sums up cases. The errors are those of the likely runtime, relative.
type Score struct {
	Cases                    int
	Median, Ninetieth, Worst float64 // of the errors without their sign
	Held                     float64 // share in which the low runtime was reached
	Close                    float64 // the low runtime over the published one, median
}

// Sum gives the score of some cases.
func Sum(cases []Case) Score {
	if len(cases) == 0 {
		return Score{}
	}
	s := Score{Cases: len(cases)}
	errs, lows := make([]float64, 0, len(cases)), make([]float64, 0, len(cases))
	for _, c := range cases {
		errs = append(errs, math.Abs(c.Likely/c.Published-1))
		lows = append(lows, c.Low/c.Published)
		if c.Low <= c.Published {
			s.Held++
		}
	}
	slices.Sort(errs)
	slices.Sort(lows)
	n := len(errs)
	s.Median, s.Ninetieth, s.Worst = (errs[(n-1)/2]+errs[n/2])/2, errs[(9*n+9)/10-1], errs[n-1]
	s.Close = (lows[(n-1)/2] + lows[n/2]) / 2
	s.Held /= float64(n)
	return s
}
