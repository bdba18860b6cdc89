package battery

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ebbline/policy"
)

// rack is a UPS as a policy describes one, with every figure that bears on its
// battery stated.
func rack() policy.UPS {
	return policy.UPS{
		Name: "rack", RatedWatts: 2700, OverheadWatts: 60, EfficiencyPermille: 880,
		Battery: policy.Battery{
			Chemistry: policy.VRLA, Volts: 72, AmpHours: 9,
			InstalledDay: newToday, DesignYears: 5, TemperatureC: 25, TemperatureSet: true,
		},
	}
}

func chart(points ...policy.ChartPoint) []policy.ChartPoint { return points }

// both is what two causes leave together that have nothing to do with each other.
func both(f, g Factors) Factors {
	likely := f.Likely * g.Likely
	return Factors{
		likely * math.Exp(-math.Hypot(math.Log(f.Likely/f.Low), math.Log(g.Likely/g.Low))), likely,
		likely * math.Exp(math.Hypot(math.Log(f.High/f.Likely), math.Log(g.High/g.Likely))),
	}
}

// What each kind of evidence gives: how much of the likely power there is for half an hour,
// low, likely and high, as the prior had it when it was measured against the tables
// (TestKinds), and age and temperature with it by hand.
func TestEvidence(t *testing.T) {
	label, test := Factors{0.7121, 1, 1.3535}, Factors{0.92, 1, 1.08}
	aged := func(f Factors, years, five float64) Factors { // a block of so many years' design
		left := func(part float64) float64 { return max(0.4, 1-0.2*years/(part*five)) }
		return both(f, Factors{left(0.55), left(0.70), left(1)})
	}
	chill := TemperatureFactor(policy.VRLA, 10)
	for _, c := range []struct {
		name   string
		change func(*policy.UPS)
		store  float64 // watt hours; 0 is not asked
		want   Factors
		basis  string
	}{
		{"rated, new", func(*policy.UPS) {}, 634.2, label, "rated figures, new"},
		{"rated, usual efficiency", func(u *policy.UPS) { u.EfficiencyPermille = 0 }, 613, Factors{0.7015, 1, 1.3774}, "rated figures, new"},
		{"rated, age unknown", func(u *policy.UPS) { u.Battery.InstalledDay = 0 }, 0,
			both(label, Factors{1 - 0.2/0.55, 1 - 0.2*0.5/0.70, 1}), "rated figures, age unknown"},
		{"rated, temperature unknown", func(u *policy.UPS) { u.Battery.TemperatureSet = false }, 0, both(label, Factors{0.93, 0.975, 1}), "rated figures, new"},
		{"rated, 20 months old", func(u *policy.UPS) { u.Battery.InstalledDay -= 610 }, 0, aged(label, 610/365.25, 5), "rated figures, 20 months old"},
		{"rated, very old", func(u *policy.UPS) { u.Battery.InstalledDay -= 40 * 365 }, 0, both(label, Factors{0.4, 0.4, 0.4}), "rated figures, 40 years old"},
		{"ten-year blocks", func(u *policy.UPS) { u.Battery.InstalledDay, u.Battery.DesignYears = newToday-3653, 10 }, 0, aged(label, 3653/365.25, 10), "rated figures, 10 years old"},
		{"a warm room ages faster", func(u *policy.UPS) {
			u.Battery.InstalledDay, u.Battery.TemperatureC = newToday-365, 35
		}, 0, aged(label, 2*365/365.25, 5), "rated figures, 12 months old"},
		{"a cold one", func(u *policy.UPS) { u.Battery.TemperatureC = 10 }, 0, both(label, Factors{chill, chill, chill}), "rated figures, new"},
		{"installed tomorrow", func(u *policy.UPS) { u.Battery.InstalledDay++ }, 0, label, "rated figures, new"},
		{"lithium", func(u *policy.UPS) { u.Battery.Chemistry = policy.LFP }, 539.4, Factors{0.842, 1, 1.108}, "rated figures, new"},
		{"lithium with a fitted model", func(u *policy.UPS) {
			u.Battery.Chemistry = policy.LFP
			u.Battery.Model = &policy.Model{StoreWattHours: 500, Ohmic: time.Minute, FittedDay: newToday}
		}, 500, Factors{0.90, 1, 1.08}, "fitted model, new"},
		{"lithium with a fitted model of unknown date", func(u *policy.UPS) {
			u.Battery.Chemistry = policy.LFP
			u.Battery.Model = &policy.Model{StoreWattHours: 500, Ohmic: time.Minute}
		}, 500, Factors{0.83, 1, 1.15}, "fitted model of unknown date"},
		{"lithium with a chart", func(u *policy.UPS) {
			u.Battery.Chemistry = policy.LFP
			u.Battery.Chart = chart(policy.ChartPoint{Watts: 675, Runtime: 29 * time.Minute})
		}, 0, Factors{0.8902, 1, 1.0893}, "one point of the maker's chart, new"},
		{"fitted model of unknown date", func(u *policy.UPS) {
			u.Battery.Model = &policy.Model{StoreWattHours: 312, Ohmic: 9 * time.Minute, Diffusion: 64 * time.Minute, Relaxation: 90 * time.Minute}
		}, 312, Factors{0.83, 1, 1.15}, "fitted model of unknown date"},
		{"fitted model", func(u *policy.UPS) {
			u.Battery.Model = &policy.Model{StoreWattHours: 312, Ohmic: 9 * time.Minute, Diffusion: 64 * time.Minute, Relaxation: 90 * time.Minute, FittedDay: newToday}
		}, 312, test, "fitted model, new"},
		{"fitted model of a year ago", func(u *policy.UPS) {
			u.Battery.Model = &policy.Model{StoreWattHours: 312, Ohmic: 9 * time.Minute, FittedDay: newToday - 365}
		}, 312, aged(test, 365/365.25, 5), "fitted model, 12 months old"},
		{"a model that measurements made", func(u *policy.UPS) {
			u.Battery.Model = &policy.Model{StoreWattHours: 312, Ohmic: 9 * time.Minute, FittedDay: newToday - 36, Low: 0.9, Likely: 1.01, High: 1.1, Basis: "2 tests"}
		}, 312, aged(Factors{0.9, 1.01, 1.1}, 36/365.25, 5), "2 tests, last 5 weeks ago"},
		{"chart", func(u *policy.UPS) {
			u.Battery.Chart = chart(policy.ChartPoint{Watts: 675, Runtime: 29 * time.Minute}, policy.ChartPoint{Watts: 1350, Runtime: 12 * time.Minute}, policy.ChartPoint{Watts: 2700, Runtime: 4 * time.Minute})
		}, 0, Factors{0.8710, 1, 1.147}, "maker's chart of 3 points, met within 3 %, new"},
	} {
		u := rack()
		c.change(&u)
		b, err := New(&u, newToday)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if c.store != 0 {
			near(t, c.name+": store in Wh", b.Model.Energy/3600, c.store, 1e-3*c.store)
		}
		for _, f := range [][2]float64{{b.Low, c.want.Low}, {b.Likely, c.want.Likely}, {b.High, c.want.High}} {
			near(t, c.name+": factor", f[0], f[1], 1e-3)
		}
		if b.Basis != c.basis {
			t.Errorf("%s: rests on %q, want %q", c.name, b.Basis, c.basis)
		}
	}
}

// Figures that describe no battery are refused, in words that say why.
func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*policy.UPS)
		want   string
	}{
		{"no chemistry", func(u *policy.UPS) { u.Battery.Chemistry = 0 }, "chemistry"},
		{"nothing known", func(u *policy.UPS) { u.Battery.Volts = 0 }, "amp hours"},
		{"no number", func(u *policy.UPS) { u.Battery.AmpHours = math.NaN() }, "store"},
		{"below nothing", func(u *policy.UPS) { u.Battery.AmpHours = -9 }, "store"},
		{"rising chart", func(u *policy.UPS) {
			u.Battery.Chart = chart(policy.ChartPoint{Watts: 100, Runtime: time.Minute}, policy.ChartPoint{Watts: 200, Runtime: time.Minute})
		}, "must fall"},
		{"unsorted chart", func(u *policy.UPS) {
			u.Battery.Chart = chart(policy.ChartPoint{Watts: 200, Runtime: time.Minute}, policy.ChartPoint{Watts: 100, Runtime: time.Hour})
		}, "must fall"},
		{"empty point", func(u *policy.UPS) { u.Battery.Chart = chart(policy.ChartPoint{Watts: 0, Runtime: time.Minute}) }, "more than nothing"},
		{"negative loss", func(u *policy.UPS) {
			u.Battery.Model = &policy.Model{StoreWattHours: 10, Ohmic: -time.Minute}
		}, "negative"},
		{"no relaxation", func(u *policy.UPS) {
			u.Battery.Model = &policy.Model{StoreWattHours: 10, Diffusion: time.Minute}
		}, "relaxes"},
		{"factors upside down", func(u *policy.UPS) {
			u.Battery.Model = &policy.Model{StoreWattHours: 10, Low: 1.1, Likely: 1, High: 0.9}
		}, "rise"},
		{"a factor of nothing", func(u *policy.UPS) {
			u.Battery.Model = &policy.Model{StoreWattHours: 10, Likely: 1, High: 1}
		}, "rise"},
		{"negative overhead", func(u *policy.UPS) { u.OverheadWatts = -1 }, "no UPS"},
		{"recharge backwards", func(u *policy.UPS) { u.Battery.RechargeHours = -1 }, "no UPS"},
	} {
		u := rack()
		c.change(&u)
		if _, err := New(&u, newToday); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
}

// Aim: any chart whose runtimes fall gives a usable battery, and one that the
// model itself made is met. Method: charts at random, and charts of a battery
// with losses and an own draw at random, which must come back.
func TestAnyChart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rack()
		u.OverheadWatts = rapid.SampledFrom([]int64{0, 54, 60}).Draw(t, "overhead") // the usual one is 54
		if rapid.Bool().Draw(t, "no rated figures") {
			u.Battery.Volts = 0
		}
		watts, runtime := int64(0), 400*time.Hour
		for range rapid.IntRange(1, 8).Draw(t, "points") {
			watts += rapid.Int64Range(1, 2000).Draw(t, "watts more")
			runtime = time.Duration(float64(runtime) * rapid.Float64Range(0.01, 0.999).Draw(t, "part of the runtime")).Truncate(time.Microsecond)
			u.Battery.Chart = append(u.Battery.Chart, policy.ChartPoint{Watts: watts, Runtime: max(runtime, time.Microsecond)})
			if runtime <= time.Microsecond {
				break
			}
		}
		b, err := New(&u, newToday)
		if err != nil {
			t.Fatal(err)
		}
		low, likely, high := b.Project(Charge{}, float64(rapid.Int64Range(0, 5000).Draw(t, "load")))
		if low < 0 || low > likely || likely > high || high > Unending {
			t.Errorf("projected %v, %v, %v", low, likely, high)
		}
	})
	rapid.Check(t, func(t *rapid.T) {
		u := rack()
		u.Battery.Volts = 0
		ups := rapid.Bool().Draw(t, "a UPS and no bare battery")
		made := charted(&u, 0)
		if ups {
			made = charted(&u, 1)
		}
		made.Energy = 100 * 3600 * rapid.Float64Range(1, 100).Draw(t, "size")
		both := rapid.Float64Range(0.8, 1.6).Draw(t, "losses")
		made.Ohmic, made.Diffusion = made.Ohmic*both, made.Diffusion*both
		u.RatedWatts = int64(made.Energy / made.Phi(300))
		own := 0.0
		if u.OverheadWatts = 0; ups {
			u.OverheadWatts = usualOverhead(&u)
			own = float64(u.RatedWatts) * rapid.Float64Range(0.015, 0.03).Draw(t, "own draw")
		}
		for _, minutes := range []float64{60, 30, 15, 10, 5} {
			watts := math.Round(made.Energy/made.Phi(60*minutes) - own)
			u.Battery.Chart = append(u.Battery.Chart, policy.ChartPoint{
				Watts: int64(watts), Runtime: time.Duration(made.Runtime(Charge{}, watts+own) * float64(time.Second)),
			})
		}
		b, err := New(&u, newToday)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range u.Battery.Chart {
			if _, likely, _ := b.Project(Charge{}, float64(p.Watts)); math.Abs(likely.Seconds()/p.Runtime.Seconds()-1) > 0.03 {
				t.Errorf("%d W: %v of %v; %+v", p.Watts, likely, p.Runtime, b)
			}
		}
	})
}

// charted is the first shape behind a chart.
func charted(u *policy.UPS, overhead float64) Model {
	v := *u
	v.Battery.Chart = chart(policy.ChartPoint{Watts: 1, Runtime: time.Minute})
	return (&Belief{Chemistry: u.Battery.Chemistry, OverheadWatts: overhead}).shapes(&v)[0].Model
}

// The ohmic loss of every shape doubles with each quarter of a volt that the end voltage is
// higher, and a UPS's chart has a shape of its own, but where the end voltage or the rated
// figures are stated, or nothing else draws. Figures: prior.go.
func TestUsualShape(t *testing.T) {
	for _, c := range []struct {
		chemistry                      policy.Chemistry
		ends, overhead, ampHours, want float64 // minutes
	}{
		{policy.VRLA, 0, 0, 0, 6.7},
		{policy.VRLA, 0, 20, 0, 7.5},
		{policy.VRLA, 0, 20, 9, 6.7},
		{policy.VRLA, 1.68, 20, 0, 6.7},
		{policy.VRLA, 1.68 + 0.25, 20, 0, 13.4},
		{policy.VRLA, 1.68 - 0.125, 0, 0, 6.7 / math.Sqrt2},
		{policy.LFP, 0, 20, 0, 1.35},
	} {
		u := policy.UPS{Battery: policy.Battery{Chemistry: c.chemistry, EndVolts: c.ends, Volts: 72, AmpHours: c.ampHours}}
		near(t, fmt.Sprintf("%+v: ohmic of a chart", c), charted(&u, c.overhead).Ohmic, 60*c.want, 1e-9)
	}
}

// The low factor is the 95 % point of a lognormal spread about the likely one:
// it falls as the confidence rises, is the likely one at one half, and at 99.9 %
// lies 3.0902/1.6449 times as far out (normal distribution, from memory).
func TestConfidence(t *testing.T) {
	b := Belief{Factors: Factors{0.80, 0.97, 1.17}}
	near(t, "at 500", b.LowAt(500), 0.97, 1e-12)
	near(t, "at 950", b.LowAt(950), 0.80, 1e-12)
	near(t, "at 999", b.LowAt(999), 0.97*math.Pow(0.80/0.97, 3.0902/1.6449), 1e-5)
	near(t, "beyond", b.LowAt(1200), b.LowAt(999), 0)
	near(t, "below", b.LowAt(-1), b.LowAt(500), 0)
	for p := int64(501); p < 1000; p++ {
		if !(b.LowAt(p) < b.LowAt(p-1)) {
			t.Fatalf("more at %d permille than before", p)
		}
	}
}

// The UPS's own draw in the low projection: a stated one is as stated; another is as the
// figures have it beside the low battery; and where nobody worked that out, as for a model that
// an operator wrote, by hand: with a factor of 0.83 and a spread of 0.7 it is 1.6449 x 0.7 =
// 1.1514 beside ln 1/0.83 = 0.1863, together 1.1664, and the difference a factor of 2.6646.
func TestOwnDraw(t *testing.T) {
	b := Belief{OverheadWatts: 20, Factors: Factors{0.83, 1, 1.15}}
	near(t, "stated", b.OwnAt(999), 20, 1e-12)
	b.OwnSpread = overheadSpread
	near(t, "at 500", b.OwnAt(500), 20, 1e-12)
	near(t, "at 950", b.OwnAt(950), 20*2.6646, 0.002)
	b.LowOwn = 2
	near(t, "worked out, at 500", b.OwnAt(500), 20, 1e-12)
	near(t, "worked out, at 950", b.OwnAt(950), 40, 1e-12)
	for _, set := range []bool{false, true} {
		u := rack()
		u.OverheadWatts, u.OverheadSet = usualOverhead(&u), set
		if b, err := New(&u, newToday); err != nil || (b.OwnSpread == 0) != set {
			t.Errorf("stated %v: %v, %+v", set, err, b)
		}
	}
}

// Aim: what is sure of the power that a battery leaves for the load, beside a UPS whose own draw
// is uncertain too. Method: the chance that it is less, by adding up over all own draws, beside
// the 5 % that it is to be, for spreads and own draws over all that occur. The border is not straight: 4.0 to 6.5 % is what is attained.
func TestLeast(t *testing.T) {
	most, least := 0.0, 1.0
	for _, spread := range []float64{0.03, 0.08, 0.15, 0.4} {
		for _, ownSpread := range []float64{0.1, 0.35, 0.7} {
			for _, share := range []float64{0.005, 0.02, 0.1, 0.3, 0.6, 0.9} {
				for _, grows := range []float64{-0.3, 0, 0.5, 0.9, 1, 1.5} { // the power with the draw
					d := draw{watts: 20, spread: ownSpread}
					power := 20 / share
					along := grows * share * ownSpread
					if math.Abs(along) > 0.95*spread {
						continue
					}
					sure := d.least(power, spread, along*ownSpread, d.watts)
					chance, step := 0.0, 0.001
					for z := -6.0; z < 6; z += step {
						own := d.watts * math.Exp(ownSpread*z)
						if power := (sure + own - grows*(own-d.watts)) / power; power > 0 {
							p, _ := below(math.Log(power) / math.Sqrt(spread*spread-along*along))
							_, here := below(z)
							chance += p * here * step
						}
					}
					most, least = max(most, chance), min(least, chance)
				}
			}
		}
	}
	t.Logf("%.1f to %.1f %% are less", 100*least, 100*most)
	if least < 0.039 || most > 0.066 {
		t.Error("the 5 % are not met")
	}
}

// A measured temperature takes the place of the policy's, however often, and
// an impossible one changes nothing.
func TestMeasuredTemperature(t *testing.T) {
	u := rack()
	u.Battery.TemperatureSet = false
	first, err := New(&u, newToday)
	if err != nil {
		t.Fatal(err)
	}
	cold := first.AtTemperature(10)
	near(t, "low at 10 C", cold.Low, first.At25.Low*TemperatureFactor(policy.VRLA, 10), 1e-12)
	for _, broken := range []float64{math.NaN(), -273.15, 200, math.Inf(1)} {
		if first.AtTemperature(broken) != first {
			t.Errorf("%v degrees changed the belief", broken)
		}
	}
	again := first
	for i := range 100 {
		again = again.AtTemperature(float64(i % 40))
	}
	if again.AtTemperature(10) != cold {
		t.Error("the way to a temperature leaves a trace")
	}
	for _, c := range []policy.Chemistry{policy.VRLA, policy.LFP} {
		before := 0.0
		for celsius := -40.0; celsius <= 80; celsius += 0.25 {
			f := TemperatureFactor(c, celsius)
			if f < before || f <= 0 || f > 1 {
				t.Errorf("%v at %v: %v after %v", c, celsius, f, before)
			}
			before = f
		}
	}
}

// What a policy's figures cost to be believed, and a test: for the label, and for the
// sheet's minutes at full and at half load.
func BenchmarkBelief(b *testing.B) {
	label := rack()
	label.OverheadWatts = usualOverhead(&label) // and not stated
	sheeted := label
	var err error
	if sheeted.Battery.Chart, err = sheet(&label); err != nil {
		b.Fatal(err)
	}
	test := []Discharge{{Day: newToday, Segments: []Segment{{700, 900}}, StartCharge: 1, Ended: AtCutOff, Celsius: 25, CelsiusSet: true}}
	for name, u := range map[string]policy.UPS{"label": label, "sheet": sheeted} {
		b.Run(name+"/New", func(b *testing.B) {
			for b.Loop() {
				x, err := New(&u, newToday)
				if err != nil {
					b.Fatal(err)
				}
				keep = x.Low
			}
		})
		b.Run(name+"/Calibrate", func(b *testing.B) {
			for b.Loop() {
				x, err := Calibrate(&u, test, newToday)
				if err != nil {
					b.Fatal(err)
				}
				keep = x.Judged[0].Capacity
			}
		})
	}
}
