package battery

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Aim: the day of replacement by a trend is the one that a straight line gives,
// and lies in its range. Method: worked by hand: 100, 95 and 90 % at yearly
// tests fall by 5 points a year and reach 80 % two years after the last, and with
// a spread of 3 points, one degree of freedom (t = 6.314) and Sxx = 2 years squared
// the range at the mean is 6.314 x 3 / sqrt 3 = 10.9 points, so that 80 % may be
// reached before the first test is a year old, or never.
func TestTrend(t *testing.T) {
	u := rack()
	year := int64(365)
	tests := []Tested{{newToday, 1}, {newToday + year, 0.95}, {newToday + 2*year, 0.90}}
	a := Age(&u.Battery, tests)
	near(t, "points a year", 100*a.PerYear, -5*365.25/365, 1e-9)
	near(t, "their spread", 100*a.Spread, 3/math.Sqrt2*365.25/365, 1e-9)
	near(t, "days to the replacement", float64(a.Likely-newToday), float64(4*year), 1)
	if a.From < newToday || a.From >= newToday+2*year || a.To != 0 || a.By != "the trend of 3 tests" {
		t.Errorf("%+v", a)
	}
	// Quarterly tests over three years leave months.
	tests = nil
	for q := int64(0); q <= 12; q++ {
		tests = append(tests, Tested{newToday + q*91, 1 - 0.05*float64(q)*91/365.25 + 0.01*math.Sin(float64(5*q))})
	}
	a = Age(&u.Battery, tests)
	near(t, "days to the replacement", float64(a.Likely-newToday), 4*365.25, 60)
	if a.From < a.Likely-400 || a.From > a.Likely || a.To < a.Likely || a.To > a.Likely+500 {
		t.Errorf("%+v", a)
	}
}

// Aim: with too few tests for a trend the usual ageing counts. Method: a new
// block of five years' design reaches 80 % after 3.5 years, 2.75 at the low end
// and 5 at the high one, from rated capacity, each as wide again as a test; after a test at 90 % the rest of it.
func TestUsualAge(t *testing.T) {
	u := rack()
	a := Age(&u.Battery, nil)
	for _, c := range []struct {
		name  string
		got   int64
		years float64
	}{{"likely", a.Likely, 3.5}, {"earliest", a.From, 2.152}, {"latest", a.To, 5.429}} {
		near(t, c.name+" in years", float64(c.got-newToday)/365.25, c.years, 0.01)
	}
	a = Age(&u.Battery, []Tested{{newToday + 500, 0.90}})
	near(t, "likely after a test, in years", float64(a.Likely-newToday-500)/365.25, 3.5*(1-0.8/0.9)/0.2, 0.01)
	u.Battery.InstalledDay = 0
	if a = Age(&u.Battery, nil); a.From != 0 || a.Likely != 0 || a.To != 0 {
		t.Errorf("nothing is known: %+v", a)
	}
}

// Aim: whatever was tested, the days rise from the earliest to the latest.
func TestAgeAnything(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		u := rack()
		day := newToday + rapid.Int64Range(0, 100).Draw(r, "day")
		var tests []Tested
		for range rapid.IntRange(0, 8).Draw(r, "tests") {
			tests = append(tests, Tested{day, rapid.Float64Range(0.05, 1.6).Draw(r, "capacity")})
			day += rapid.Int64Range(0, 400).Draw(r, "days")
		}
		a := Age(&u.Battery, tests)
		never := func(d int64) int64 {
			if d == 0 {
				return math.MaxInt64
			}
			return d
		}
		if never(a.From) > never(a.Likely) || never(a.Likely) > never(a.To) {
			r.Errorf("%+v of %v", a, tests)
		}
	})
}
