package battery

import (
	"math"
	"slices"
	"testing"
	"time"

	"ebbline/policy"
)

// dressed gives the deep tables as charts of UPSs that draw the part given of their
// rating themselves, which is what the battery carries for 5 min or a little more.
func dressed(t *testing.T, own float64, labelled bool) (out []Table) {
	watts, amps, _ := publishedTables(t)
	for _, x := range append(watts, amps...) {
		full := 0.0
		for _, p := range x.Points {
			if p.Runtime >= 5*time.Minute && p.Runtime <= 10*time.Minute {
				full = max(full, float64(p.Watts))
			}
		}
		if full == 0 || !deep(x.Name) {
			continue
		}
		rating := full / (1 + own)
		x.UPS.RatedWatts = int64(rating)
		x.UPS.OverheadWatts = usualOverhead(&x.UPS)
		if !labelled {
			x.UPS.Battery.Volts = 0
		}
		var left []policy.ChartPoint
		for _, p := range x.Points {
			if w := int64(float64(p.Watts) - own*rating); w > x.UPS.RatedWatts/200 {
				left = append(left, policy.ChartPoint{Watts: w, Runtime: p.Runtime})
			}
		}
		x.Points = left
		out = append(out, x)
	}
	return out
}

// Aim: far below the loads that are known, too, the low runtime is reached in 95 %
// of the cases, where nobody states what the UPS itself draws: a plan ends with a
// few small hosts that are carried for hours. Method: all choices of points, or of
// full tests, from 3 to 60 minutes, asked for the loads that last 2 to 10 hours. The
// only UPS chart that goes so far is one of the two published; beside it the tables
// to a UPS's end voltages stand as charts of UPSs whose own draw lies at 10, 30, 50,
// 70 and 90 % of its spread about the usual one, with and without the rated figures.
//
// The one chart's own draw is 4.6 % of the rating by all its points, and 1.4 % by
// those up to an hour: after a test beside these the low runtime of the lightest
// load is not always reached, and what is reached is asserted, rounded down.
func TestLightLoads(t *testing.T) {
	_, _, charts := publishedTables(t)
	var bare, labelled []Table
	for _, part := range []float64{0.1, 0.3, 0.5, 0.7, 0.9} {
		z := math.Copysign(quantile(0.5+math.Abs(part-0.5)), part-0.5)
		own := 0.02 * math.Exp(overheadSpread*z)
		bare = append(bare, dressed(t, own, false)...)
		labelled = append(labelled, dressed(t, own, true)...)
	}
	kinds := []string{"rated only", "one point", "two points", "all points", "one test", "all points and a test", "two tests"}
	for _, group := range []struct {
		name   string
		tables []Table
		held   map[string]float64
	}{
		{"UPS charts", charts, map[string]float64{"all points and a test": 0.79}},
		{"tables as charts", bare, nil},
		{"tables as charts, with rated figures", labelled, nil},
	} {
		cases := map[string][]Case{}
		for _, x := range group.tables {
			ask := func(kind string, chart, tests []policy.ChartPoint) {
				u := x.UPS
				u.Battery.Chart = chart
				if len(chart)+len(tests) == 0 && rated(&u) == 0 {
					return
				}
				if len(chart) == 0 && rated(&u) == 0 {
					u.Battery.Chart = tests[:1] // gives a store to correct
				}
				b, err := tested(&u, tests)
				if err != nil {
					t.Fatalf("%s: %v", x.Name, err)
				}
				for _, p := range x.Points {
					if p.Runtime >= 2*time.Hour && p.Runtime <= 10*time.Hour {
						cases[kind] = append(cases[kind], b.project(p))
					}
				}
			}
			inside := slices.DeleteFunc(slices.Clone(x.Points), func(p policy.ChartPoint) bool {
				return p.Runtime < 3*time.Minute || p.Runtime > time.Hour
			})
			ask("rated only", nil, nil)
			ask("all points", inside, nil)
			for i, p := range inside {
				ask("one point", inside[i:i+1], nil)
				ask("one test", nil, inside[i:i+1])
				ask("all points and a test", inside, inside[i:i+1])
				for _, q := range inside[i+1:] {
					if q.Watts >= 2*p.Watts {
						ask("two points", []policy.ChartPoint{p, q}, nil)
						if rated(&x.UPS) > 0 {
							ask("two tests", nil, []policy.ChartPoint{p, q})
						}
					}
				}
			}
		}
		for _, kind := range kinds {
			if len(cases[kind]) == 0 {
				continue
			}
			s := Sum(cases[kind])
			t.Logf("%s, %s: %s", group.name, kind, shown(s))
			want, ok := group.held[kind]
			if !ok {
				want = 0.95
			}
			if s.Held < want {
				t.Errorf("%s, %s: the low runtime is reached in %.1f %%, want %.0f", group.name, kind, 100*s.Held, 100*want)
			}
		}
	}
}
