package heat

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"ebbline/policy/electrical"
)

// Aim: a room warms as the published form has it. Method: worked examples F02 and F03
// of testdata/electrical (ASHRAE Transactions 117-1 for the form): 1 kW in 30 m³ with
// 200 kg of steel warms from 24 to 32 °C in 17.9 minutes where nothing is lost; with 60
// W/K the time constant is 37.3 minutes, and 8 K take 24.4 of them.
func TestWorkedExamples(t *testing.T) {
	joules := 1.2*1005*30 + 200*490.0
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 0.005*want {
			t.Errorf("%s: %.3f, want %.3f", what, got, want)
		}
	}
	lossless := Room{joules / 1e-6, 1e-6}
	near("F02, minutes", lossless.Until(1000, 0, 8)/60, 17.9)
	r := Room{joules / 60, 60}
	near("F03, time constant", r.TimeConstant/60, 37.3)
	near("F03, minutes", r.Until(1000, 0, 8)/60, 24.4)
	near("F03, in the end", r.After(1000, 0, 1e6), 16.7)
	if r.Until(1000, 0, 16.7) != Never {
		t.Error("it warms beyond where it ends")
	}
}

// Aim: both directions agree with each other and with the arithmetic of the surveys,
// which was written apart. Method: random rooms.
func TestClosedForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		r := Room{f("tau", 60, 1e5), f("ua", 1, 1000)}
		watts := f("watts", 10, 1e5)
		above := f("above", 0, 0.9) * watts / r.WattsPerKelvin
		rise := f("part", 0.001, 0.99) * (watts/r.WattsPerKelvin - above)
		secs := r.Until(watts, above, rise)
		if back := r.After(watts, above, secs); math.Abs(back-rise) > 1e-9*watts/r.WattsPerKelvin {
			t.Fatalf("after %g s it has risen by %g, not %g", secs, back, rise)
		}
		e := electrical.Room{JoulesPerKelvin: r.TimeConstant * r.WattsPerKelvin, WattsPerKelvin: r.WattsPerKelvin}
		if want := 60 * e.Minutes(watts-above*r.WattsPerKelvin, rise); math.Abs(secs-want) > 1e-6*want {
			t.Fatalf("%g s, and %g by the other", secs, want)
		}
	})
}

// Aim: a line through readings of a room that warms crosses a limit no later than the
// room, and its slope is within its own error of the true one. Method: random rooms,
// and sensors that count in whole degrees or tenths.
func TestLineIsEarly(t *testing.T) {
	outside, all := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		r := Room{rapid.Float64Range(300, 7200).Draw(t, "tau"), 60}
		watts, step := rapid.Float64Range(600, 3000).Draw(t, "watts"), rapid.SampledFrom([]float64{0.1, 1}).Draw(t, "step")
		from := rapid.Float64Range(0, 600).Draw(t, "from")
		var marks []Mark
		for i := range 12 {
			at := from + 20*float64(i)
			marks = append(marks, Mark{at, math.Round((24+r.After(watts, 0, at))/step) * step})
		}
		line, ok := Lay(marks, step)
		if !ok {
			t.Fatal("no line")
		}
		last := from + 220
		now := r.After(watts, 0, last)
		upper := line.Slope + 2*line.Error
		for _, more := range []float64{1, 5, 10} {
			sure := r.Until(watts, 0, now+more) - last
			if early := (24 + now + more - line.Degrees - step/2) / upper; upper > 0 && early > sure+1e-6 {
				outside++
			}
			all++
		}
	})
	if outside*50 > all {
		t.Errorf("%d of %d crossings are later than the room's", outside, all)
	}
}

// Aim: a room is learned from how it warmed, and not from what shows no bend. Method:
// rooms with sensors of a tenth of a degree, watched for one and a half time constants,
// or for a tenth.
func TestFit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := Room{rapid.Float64Range(600, 7200).Draw(t, "tau"), rapid.Float64Range(20, 200).Draw(t, "ua")}
		watts := want.WattsPerKelvin * rapid.Float64Range(10, 40).Draw(t, "rise")
		curve := func(until float64) (m []Mark) {
			for i := range 91 {
				at := until * float64(i) / 90
				m = append(m, Mark{at, math.Round((22+want.After(watts, 0, at))*10) / 10})
			}
			return m
		}
		got, ok := Fit(curve(1.5*want.TimeConstant), watts)
		if !ok || math.Abs(got.TimeConstant/want.TimeConstant-1) > 0.1 || math.Abs(got.WattsPerKelvin/want.WattsPerKelvin-1) > 0.1 {
			t.Fatalf("%+v, %v; want %+v", got, ok, want)
		}
		if got, ok := Fit(curve(want.TimeConstant/10), watts); ok && math.Abs(got.TimeConstant/want.TimeConstant-1) > 0.5 {
			t.Fatalf("of a tenth of a time constant it says %+v, want %+v", got, want)
		}
	})
	if _, ok := Fit([]Mark{{0, 20}, {60, 20}}, 500); ok {
		t.Error("two readings are a room")
	}
	var flat []Mark
	for i := range 50 {
		flat = append(flat, Mark{float64(60 * i), 22})
	}
	if r, ok := Fit(flat, 500); ok {
		t.Errorf("a sensor that stands still is %+v", r)
	}
}
