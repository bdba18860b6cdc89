package battery

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbline/policy"
)

// Worked examples and other people's numbers, each with its source.

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %v, want %v within %v", what, got, want, tolerance)
	}
}

var usual = Model{Energy: 6000 * 60, Ohmic: 9 * 60, Diffusion: 64 * 60, Relaxation: 90 * 60}

// Constant and stepped loads, checked where they were worked out against an ODE
// integration with steps of 0.001 min.
func TestWorkedSteps(t *testing.T) {
	m := usual
	for _, c := range []struct{ watts, minutes float64 }{{300, 6.525}, {200, 12.624}, {100, 31.900}, {50, 74.858}} {
		near(t, "runtime in minutes", m.Runtime(Charge{}, c.watts)/60, c.minutes, 0.0005)
	}
	c := m.Advance(Charge{}, 200, 300)
	near(t, "q after 200 W for 5 min", c.Delivered/60, 1000, 1e-9)
	near(t, "x after 200 W for 5 min", c.Bound/60, 691.718, 0.001)
	c = m.Advance(c, 120, 600)
	near(t, "q after 120 W for 10 min more", c.Delivered/60, 2200, 1e-9)
	near(t, "x after 120 W for 10 min more", c.Bound/60, 1426.611, 0.0005)
	near(t, "minutes in all, with 50 W to the end", 15+m.Runtime(c, 50)/60, 43.765, 0.0005)
}

// How much faster than the load the runtime falls, n = -dln t/dln P, by a
// difference quotient.
func TestWorkedElasticity(t *testing.T) {
	for minutes, want := range map[float64]float64{5: 2.087, 10: 1.572, 15: 1.408, 30: 1.262, 60: 1.223} {
		watts := usual.Energy / usual.Phi(minutes*60)
		up, down := usual.Runtime(Charge{}, watts*1.0001), usual.Runtime(Charge{}, watts/1.0001)
		near(t, "elasticity", -math.Log(up/down)/math.Log(1.0001*1.0001), want, 0.0006)
	}
}

// A faded store: loads that ran the first time when it was new run the second.
// The last line is from a service page (ups.services, degradation curve): "a UPS
// rated for ten minutes at full load may deliver six or seven minutes from a
// string sitting at 75 percent capacity".
func TestWorkedFading(t *testing.T) {
	for _, c := range []struct{ part, fresh, faded float64 }{
		{0.80, 5, 2.92}, {0.80, 10, 6.88}, {0.80, 15, 10.81}, {0.80, 30, 22.54}, {0.80, 60, 45.65}, {0.75, 10, 6.10},
	} {
		b := Belief{Model: usual}
		m := b.Scaled(c.part)
		near(t, "minutes when faded", m.Runtime(Charge{}, usual.Energy/usual.Phi(c.fresh*60))/60, c.faded, 0.005)
	}
}

// By the kernel of the example and 1.03 times the rated energy a 12 V 9 Ah block gives
// 259.4 W for 10 min, 116.8 W for 30 and 66.6 W for 60. By its kernel a 12.8 V 100 Ah
// LiFePO4 pack gives 500 W for 144.57 min and 3000 W for 22.97 min; from its label alone up
// to 1 % less power is likely, since its management may cut off earlier.
func TestWorkedLabels(t *testing.T) {
	lead := usual
	lead.Energy = 1.03 * 12 * 9 * 3600
	for minutes, watts := range map[float64]float64{10: 259.4, 30: 116.8, 60: 66.6} {
		near(t, "watts", lead.Energy/lead.Phi(minutes*60), watts, 0.05)
	}
	lithium := vrla(12.8, 100)
	lithium.Battery.Chemistry = policy.LFP
	b, err := New(&lithium, newToday)
	if err != nil {
		t.Fatal(err)
	}
	kernel := Model{Energy: ratedLFP * 1280 * 3600, Ohmic: lfpOhmic * 60}
	for _, c := range []struct{ watts, minutes, tolerance float64 }{ // tolerance in watts: the rounding of the example
		{500, 144.57, 0.02}, {3000, 22.97, 0.7},
	} {
		near(t, "watts by the kernel", kernel.Energy/kernel.Phi(c.minutes*60), c.watts, c.tolerance)
		if carried := b.Model.Energy / b.Model.Phi(c.minutes*60); carried > c.watts+c.tolerance || carried < 0.99*c.watts {
			t.Errorf("%v min: %v W are likely, by the kernel %v", c.minutes, carried, c.watts)
		}
	}
}

// Peukert's law for comparison: t = C / I^k (electrotechnik.net, "Peukert's law
// and discharge of lead acid batteries", 2010), and the exponent from two
// discharges n = |ln t2 - ln t1| / |ln I1 - ln I2| (a battery-monitor manual,
// manualsdump.com 171906, page 26) of the 12 V 7.5 Ah block of data sheet S2 at
// 1.75 V per cell: it foretells 18.0 min at 12 A, where the sheet says 15.
func TestWorkedPeukert(t *testing.T) {
	m := Model{Energy: 100 * 3600, Exponent: 1.2, Reference: 1}
	near(t, "hours at 5 A", m.Runtime(Charge{}, 5)/3600, 14.4956, 0.00005)
	n := ln(10) / ln(2.52/0.379)
	near(t, "exponent", n, 1.2154, 0.00005)
	m = Model{Energy: math.Pow(2.52, n) * 2 * 3600, Exponent: n, Reference: 1}
	near(t, "capacity", m.Energy/3600, 6.150, 0.0005)
	near(t, "minutes at 12 A", m.Runtime(Charge{}, 12)/60, 18.0, 0.05)
}

// The kinetic model of NREL's library (NREL/ssc, lib_battery_capacity_test: 100,
// 93 and 60 Ah at 20, 10 and 1 h; its k and c are searched there). In our terms
// q is what was given of qmax, x of it is bound, and the available well holds
// c (E - q - x). Amperes stand for watts and hours for seconds.
func TestWorkedKinetic(t *testing.T) {
	const k, c, qmax = 0.677, 0.47511, 108.16
	m := Model{Energy: qmax, Diffusion: (1 - c) / (c * k), Relaxation: 1 / k}
	near(t, "a", m.Diffusion, 1.63187, 0.00005)
	for hours, ah := range map[float64]float64{1: 60, 10: 93, 20: 100} {
		near(t, "capacity", m.Energy/m.Phi(hours)*hours, ah, 0.01)
	}
	at := Charge{Delivered: qmax / 2}
	total := func() float64 { return qmax - at.Delivered }
	near(t, "available at the start", c*m.Left(at, 0), 25.694, 0.005)
	at = m.Advance(at, 1.5, 1)
	near(t, "total after 1.5 A", total(), 52.58, 0.005)
	at = m.Advance(at, 3, 1)
	near(t, "total after 3 A", total(), 49.58, 0.005)
	for _, want := range []struct{ amps, total float64 }{{26.65, 22.93}, {6.25, 16.67}} {
		low, high := 0.0, 490.0 // what leaves nothing after the hour, by bisection
		for range 60 {
			if mid := (low + high) / 2; m.Left(m.Advance(at, mid, 1), mid) >= 0 {
				low = mid
			} else {
				high = mid
			}
		}
		near(t, "amperes that last an hour", low, want.amps, 0.02)
		at = m.Advance(at, low, 1)
		near(t, "total after them", total(), want.total, 0.01)
	}
}

// step is a load change in the section method.
type step struct{ amps, from float64 } // minutes

// section is the size that a section ending at the time given needs, by IEEE
// 485's method: every change of load by the factor for the time that is left.
func section(steps []step, end float64, factor func(minutes float64) float64) float64 {
	sum, before := 0.0, 0.0
	for _, s := range steps {
		if s.from < end {
			sum += (s.amps - before) * factor(end-s.from)
			before = s.amps
		}
	}
	return sum
}

func lookup(factors map[float64]float64) func(float64) float64 {
	return func(minutes float64) float64 {
		f, ok := factors[minutes]
		if !ok {
			panic("no factor for " + strconv.FormatFloat(minutes, 'g', -1, 64) + " min")
		}
		return f
	}
}

// The section method is what this model does: with the kernel for the factors, a
// section's size is the store that Advance and Left say is used when it ends.
// The method itself, as written here, is held against printed sheets:
// K. Webb, ESE 471 Section 6, slide 26; files.pisoftware.de, "IEEE Worksheet";
// README of LabZDjee/ieee-1115-2014.
func TestSectionMethod(t *testing.T) {
	webb := []step{{5, 0}, {35, 15}, {15, 25}}
	for end, want := range map[float64]float64{15: 3.9, 25: 25.96, 100: 37.91} {
		f := lookup(map[float64]float64{15: 0.78, 25: 0.998, 10: 0.699, 100: 2.472, 85: 2.217, 75: 2.048})
		near(t, "slide 26", section(webb, end, f), want, 0.005)
	}
	// The same with the factors of a published table, interpolated in the way
	// the example was worked: 104 Ah over the amperes that last so long.
	var minutes, amps []float64
	for _, r := range read(t, "discharge_tables.csv") {
		if r["battery_id"] == "vrla-104k" {
			minutes, amps = append(minutes, r.float(t, "minutes")), append(amps, r.float(t, "value"))
		}
	}
	table := func(at float64) float64 {
		for i := range minutes[1:] {
			if at <= minutes[i+1] {
				part := (at - minutes[i]) / (minutes[i+1] - minutes[i])
				return 104 / (amps[i]*(1-part) + amps[i+1]*part)
			}
		}
		panic("beyond the table")
	}
	for end, want := range map[float64]float64{15: 3.91, 25: 25.25, 100: 35.74} {
		near(t, "slide 26 with the table's factors", section(webb, end, table), want, 0.005)
	}
	// The sheet's own result is 78.57, from factors with more digits.
	sheet := lookup(map[float64]float64{54: 1.33 * 1.04, 49: 1.23 * 1.04, 4: 0.21 * 1.08})
	near(t, "worksheet", section([]step{{100, 0}, {50, 5}, {70, 50}}, 54, sheet), 78.90, 0.005)
	readme := lookup(map[float64]float64{25: 0.9912, 10: 0.6907, 110: 2.6725, 95: 2.4542, 85: 2.2870})
	long := append(webb, step{60, 100})
	near(t, "README, section 2", section(long, 25, readme)*1.19, 30.56, 0.005)
	near(t, "README, section 4", section(long, 110, readme)*1.19, 86.07, 0.005)

	ends := []float64{15, 25, 100, 110}
	m := usual
	var c Charge
	for i, s := range long {
		c = m.Advance(c, s.amps, (ends[i]-s.from)*60)
		used := m.Energy - m.Left(c, s.amps)
		near(t, "store used", used, section(long, ends[i], func(d float64) float64 { return m.Phi(d * 60) }), 1e-9*used)
	}
}

// Size factors of IEEE 485, Table 1 (read in K. Webb, ESE 471 Section 6, slide
// 12, and in the table of a public capacity-test calculator; the text of the
// standard was not seen), and the sizing that the slides make of them.
func TestWorkedTemperature(t *testing.T) {
	for celsius, factor := range map[float64]float64{
		4.4: 1.30, 7.2: 1.25, 10: 1.19, 12.8: 1.15, 15.6: 1.11, 18.3: 1.08, 20: 1.056, 21.1: 1.04, 23.9: 1.011, 25: 1, 32.2: 1,
	} {
		near(t, "size factor", 1/TemperatureFactor(policy.VRLA, celsius), factor, 0.009)
	}
	near(t, "Ah to buy", 61.445/TemperatureFactor(policy.VRLA, 10)*1.15/0.8, 105.11, 0.5)
	// A block of five years' design stands at 80 % after 3.5: 100 Ah then are 125 bought.
	b := Belief{Model: usual, Chemistry: policy.VRLA}.with(Factors{1, 1, 1}, Factors{1, 1, 1})
	b = b.Aged(&policy.Battery{Chemistry: policy.VRLA, DesignYears: 5}, 1278) // 3.5 years
	near(t, "Ah to buy for the end of life", 100/b.Likely, 125, 0.05)
	if !(b.Low < b.Likely && b.Likely < b.High) {
		t.Errorf("aged factors out of order: %+v", b.Factors)
	}
}

// Aim: the temperature factors never promise more than makers publish for the
// cold, and stay within 0.2 of it. Method: their figures, and a maker's for
// discharges under 30 min (discover-energy.com FAQ).
func TestTemperatureAgainstMakers(t *testing.T) {
	check := func(chemistry string, celsius, published float64) {
		c := policy.VRLA
		if chemistry == "lfp" {
			c = policy.LFP
		}
		got := TemperatureFactor(c, celsius)
		if got > published+0.011 || got < published-0.2 {
			t.Errorf("%s at %v C: %.3f, published %.3f", chemistry, celsius, got, published)
		}
	}
	for _, r := range read(t, "temperature_capacity.csv") {
		check(r["chemistry"], r.float(t, "temp_c"), r.float(t, "capacity_fraction"))
	}
	for celsius, part := range map[float64]float64{0: 0.80, 5: 0.85, 10: 0.88, 15: 0.92, 20: 0.97, 25: 1, 30: 1.05, 40: 1.10} {
		check("vrla", celsius, part)
	}
}

// Aim: the closed forms equal a numerical integration of the two wells, for
// batteries and stepped loads at random. Method: ode.py in testdata/battery, by
// scipy; its answers have seven digits or more.
func TestAgainstIntegration(t *testing.T) {
	rows := read(t, "ode.csv")
	if len(rows) < 50 {
		t.Fatalf("only %d cases", len(rows))
	}
	for i, r := range rows {
		m := Model{Energy: r.float(t, "store_j"), Ohmic: r.float(t, "ohmic_s"), Diffusion: r.float(t, "diffusion_s"), Relaxation: r.float(t, "relaxation_s")}
		var c Charge
		for load := range strings.SplitSeq(r["loads"], ";") {
			w, s, _ := strings.Cut(load, ":")
			watts, err := strconv.ParseFloat(w, 64)
			if err != nil {
				t.Fatal(err)
			}
			if s != "" {
				seconds, err := strconv.ParseFloat(s, 64)
				if err != nil {
					t.Fatal(err)
				}
				if m.Runtime(c, watts) < seconds {
					t.Errorf("case %d: empty too early", i)
				}
				c = m.Advance(c, watts, seconds)
				continue
			}
			tolerance := 1e-7 * m.Energy
			near(t, "delivered", c.Delivered, r.float(t, "delivered_j"), tolerance)
			near(t, "bound", c.Bound, r.float(t, "bound_j"), tolerance)
			near(t, "runtime", m.Runtime(c, watts), r.float(t, "runtime_s"), 1e-6+1e-7*r.float(t, "runtime_s"))
		}
	}
}

// Recharge times: 6 to 10 h beyond the charge over the current, below a quarter
// of the capacity (velapower.com, "Characteristics of charging"): 12.6 to 16.6 h
// for 19.74 Ah at 3 A. And 90 % in 1.2 C/I (cumulus-soaring.com): 6.8 h.
func TestWorkedRecharge(t *testing.T) {
	u := vrla(12, 17)
	b, err := New(&u, newToday)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "usual hours to 90 %", b.RechargeTime/3600, 6.8, 0.25)
	empty := b.Model.At(0)
	hours := 0.0
	for c := empty; c.Delivered > 0; hours += 0.1 {
		c = b.Recharge(c, 360)
	}
	if hours < 12.6 || hours > 17.5 {
		t.Errorf("full after %.1f h, want 12.6 to 16.6 h or a little more", hours)
	}
}

// Aim: charge is never credited before it was measured. Method: measured
// recharges, each with its own time to 90 %, asked at 50, 80, 95 and 100 %.
func TestRechargeAgainstMeasured(t *testing.T) {
	for _, r := range read(t, "measured_recharge.csv") {
		u := vrla(12, 17)
		u.Battery.RechargeHours = r.float(t, "h_to_90pct")
		b, err := New(&u, newToday)
		if err != nil {
			t.Fatal(err)
		}
		for column, part := range map[string]float64{"h_to_50pct": 0.5, "h_to_80pct": 0.8, "h_to_90pct": 0.9, "h_to_95pct": 0.95, "h_to_100pct": 1} {
			if r[column] == "" {
				continue
			}
			c := b.Recharge(b.Model.At(0), 3600*r.float(t, column))
			credited := 1 - c.Delivered/b.Model.Full()
			if credited > part+1e-9 || credited < part-0.1-1e-9 {
				t.Errorf("%s run %s: %.3f credited when %v was measured", r["battery_id"], r["run"], credited, part)
			}
		}
		if usual := float64(usualRechargeHours); r.float(t, "h_to_90pct") > usual {
			t.Errorf("the usual %v h are not the slowest measured", usual)
		}
	}
}

// Aim: a rested battery regains what the model calls bound no sooner than its
// voltage rises. Method: a 100 Ah block at rest after 94.8 Ah at C/10, the rise
// as a part of that after five hours. Voltage is not charge, so this bounds the
// relaxation time from one side only.
func TestRecoveryAgainstMeasured(t *testing.T) {
	rows := read(t, "measured_discharge_then_rest.csv")
	var start, first, last float64
	var rests []row
	for _, r := range rows {
		if r.float(t, "current_a") > 1 {
			start = r.float(t, "minutes")
		} else if start > 0 {
			rests = append(rests, r)
		}
	}
	first, last = rests[0].float(t, "volts"), rests[len(rests)-1].float(t, "volts")
	for _, r := range rests[1:] {
		rise := (r.float(t, "volts") - first) / (last - first)
		c := usual.Advance(Charge{Bound: 1}, 0, (r.float(t, "minutes")-start)*60)
		if minutes := r.float(t, "minutes") - start; minutes > 5 && 1-c.Bound > rise {
			t.Errorf("after %.0f min: %.2f credited, the voltage has risen by %.2f", minutes, 1-c.Bound, rise)
		}
	}
}

// Aim: the model explains loads that vary. Method: eleven runs of flooded blocks
// under a real load of 1 to 26 A, each to the end; the capacity that each
// implies, over the stated one, is no less steady than found when this model was
// chosen (5.9 %), and steadier than counting ampere hours. The first ends early by a fault that
// its source has; without it the spread is less, again as it should be.
func TestVariableLoads(t *testing.T) {
	loads := map[string][]Segment{}
	for _, r := range read(t, "variable_load_runs.csv") {
		loads[r["test"]] = append(loads[r["test"]], Segment{r.float(t, "current_a"), 60 * r.float(t, "minutes")})
	}
	var ours, counted []float64
	for _, r := range read(t, "variable_load_summary.csv") {
		m := usual
		var c Charge
		var amps float64
		for _, s := range loads[r["test"]] {
			amps = s.Watts
			c = m.Advance(c, amps, s.Seconds)
		}
		near(t, "Ah of test "+r["test"], c.Delivered/3600, r.float(t, "ah_out"), 0.3)
		missing := 3600 * (r.float(t, "capacity_ah_stated") - r.float(t, "charged_to_ah_stated"))
		capacity := 3600 * r.float(t, "capacity_ah_stated")
		ours = append(ours, math.Log((m.Energy-m.Left(c, amps)+missing)/capacity))
		counted = append(counted, math.Log((c.Delivered+missing)/capacity))
	}
	spread := func(v []float64) float64 {
		sum, squares := 0.0, 0.0
		for _, x := range v {
			sum += x
			squares += x * x
		}
		n := float64(len(v))
		return math.Sqrt(squares/n - sum/n*sum/n)
	}
	t.Logf("spread %.1f %% (counting: %.1f %%), without the first %.1f %% (%.1f %%)",
		100*spread(ours), 100*spread(counted), 100*spread(ours[1:]), 100*spread(counted[1:]))
	if spread(ours) > 0.059 {
		t.Errorf("the implied capacity spreads by %.1f %%", 100*spread(ours))
	}
	if spread(ours) >= spread(counted) || spread(ours[1:]) >= spread(counted[1:]) || spread(ours[1:]) > 0.04 {
		t.Error("no steadier than counting")
	}
}

// Aim: one measured discharge foretells the later ones of the same block at loads
// within a factor of 1.5: between the low and high projections, and within 9 %.
// Method: a 17 Ah block discharged seven times to the end in 6 to 35 hours (the
// two interrupted runs left out), each once the test. Further away the usual
// kernel is up to 24 % too long here, and the low projection up to 7 %: this
// block lost 7 % in its nine cycles, and gave no more at C/30 than at C/6. Of
// rates that a UPS has, no measured one was found.
func TestMeasuredDischarges(t *testing.T) {
	var runs []Segment
	for _, r := range read(t, "measured_discharge_summary.csv") {
		if r["reached_cutoff"] == "yes" {
			runs = append(runs, Segment{r.float(t, "wh") / r.float(t, "hours"), 3600 * r.float(t, "hours")})
		}
	}
	u := vrla(12, 17)
	var worst, worstFar, lowFar float64
	for i, test := range runs {
		b := after(t, u, Discharge{Segments: []Segment{test}, Ended: AtCutOff})
		for _, run := range runs[i+1:] {
			low, likely, high := b.Project(Charge{}, run.Watts)
			off := math.Abs(likely.Seconds()/run.Seconds - 1)
			if run.Watts > 1.5*test.Watts || test.Watts > 1.5*run.Watts {
				worstFar, lowFar = max(worstFar, off), max(lowFar, low.Seconds()/run.Seconds-1)
				continue
			}
			worst = max(worst, off)
			if low.Seconds() > run.Seconds || high.Seconds() < run.Seconds {
				t.Errorf("%.1f W lasted %.0f s; projected %v, %v, %v", run.Watts, run.Seconds, low, likely, high)
			}
		}
	}
	t.Logf("worst error after one test: %.1f %%; further away %.1f %%, low projection %.1f %%", 100*worst, 100*worstFar, 100*lowFar)
	if worst > 0.092 || worstFar > 0.24 || lowFar > 0.07 {
		t.Error("worse than attained")
	}
}

// Aim: a test stopped at a charge reading brackets the whole discharge, in nine
// of ten cases, as a range of 90 % should. Method: every deep constant-power
// table; its battery is said to have been stopped when the part of its runtime
// had passed that such a reading was found to mean: of 20 %, 0.80 by a gauge that
// counts, 0.91 to 0.97 by one that follows the voltage; of 50 %, 0.50 and 0.64 to
// 0.79.
func TestPartTests(t *testing.T) {
	watts, _, _ := publishedTables(t)
	for _, reading := range []struct {
		says float64
		used []float64
	}{{0.20, []float64{0.80, 0.91, 0.97}}, {0.50, []float64{0.50, 0.64, 0.79}}} {
		cases, inside, low := 0, 0, 0
		for _, table := range watts {
			if shallow(table.Name) {
				continue
			}
			for _, p := range table.Points {
				if p.Runtime < 3*time.Minute || p.Runtime > time.Hour {
					continue
				}
				for _, part := range reading.used {
					load := float64(p.Watts)
					b := after(t, table.UPS, Discharge{
						Segments: []Segment{{load, part * p.Runtime.Seconds()}}, Ended: AtReading, Reading: reading.says,
					})
					from, _, to := b.Project(Charge{}, load)
					cases++
					if from <= p.Runtime {
						low++
						if to >= p.Runtime.Truncate(time.Second) {
							inside++
						}
					}
				}
			}
		}
		t.Logf("stopped at %v: inside in %d of %d, low runtime reached in %d", reading.says, inside, cases, low)
		if float64(inside) < 0.90*float64(cases) || float64(low) < 0.95*float64(cases) {
			t.Error("the projections do not bracket the discharge")
		}
	}
}

// Aim: what the LiFePO4 kernels say of high rates holds for a measured cell, wherever its
// management cuts it off. Method: digitised curves of a 3 Ah cell at 0.6 to 20 A; the
// energy to 2.5 and to 2.8 V at each rate, and the runtime foretold for its mean power from
// the label. The likely one is that to 2.5 V; the low one is reached to 2.8 V too, but for
// 20 A, where the voltage falls below that at once and the low one is a few minutes. Above
// 3 A it warms itself, which the model does not know.
func TestLithiumCurves(t *testing.T) {
	type point struct{ ah, volts float64 }
	curves := map[string][]point{}
	var order []string
	for _, r := range read(t, "lfp_discharge_curves.csv") {
		a := r["current_a"]
		if curves[a] == nil {
			order = append(order, a)
		}
		curves[a] = append(curves[a], point{r.float(t, "ah_out"), r.float(t, "volts")})
	}
	u := vrla(3.2, 3)
	u.Battery.Chemistry = policy.LFP
	b, err := New(&u, newToday)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range order {
		amps, err := strconv.ParseFloat(a, 64)
		if err != nil {
			t.Fatal(err)
		}
		for _, end := range []float64{2.5, 2.8} {
			wh, ah := 0.0, 0.0
			for i, p := range curves[a][1:] {
				before := curves[a][i]
				if p.volts < end {
					break
				}
				wh += (p.ah - before.ah) * (p.volts + before.volts) / 2
				ah = p.ah
			}
			hours := ah / amps
			m := b.Scaled(b.Low)
			low, likely := m.Runtime(Charge{}, wh/hours)/3600, b.Model.Runtime(Charge{}, wh/hours)/3600
			t.Logf("%s A to %.1f V: %.2f Wh in %.3f h; low %.3f, likely %.3f h (%+.1f %%)", a, end, wh, hours, low, likely, 100*(likely/hours-1))
			switch {
			case end == 2.8 && a == "20":
				wh, hours = 7.67, 0.142 // asked for what it gives to 2.5 V
				if low = m.Runtime(Charge{}, wh/hours) / 3600; low > 0.1 {
					t.Errorf("20 A: cut off at 2.8 V at once, the low projection is %.3f h", low)
				}
			case low > hours:
				t.Errorf("%s A to %.1f V lasted %.3f h, the low projection is %.3f h", a, end, hours, low)
			}
			if end == 2.5 && math.Abs(likely/hours-1) > 0.05 {
				t.Errorf("%s A lasted %.3f h, %.3f h are likely", a, hours, likely)
			}
		}
	}
}
