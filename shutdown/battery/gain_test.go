package battery

import (
	"testing"
	"time"

	"ebbline/policy"
)

// Aim: what is said to be gained by a chart, a test or a date is what they do gain, where they
// say what is likely; and nothing is promised of what is known. Method: the rack with its label,
// with a point, with a chart, with a model, and of unknown age, at 500 W.
func TestGains(t *testing.T) {
	gains := func(change func(*policy.UPS)) Gain {
		u := rack()
		change(&u)
		g, err := Gains(&u, newToday, 500)
		if err != nil {
			t.Fatal(err)
		}
		return g
	}
	label := gains(func(*policy.UPS) {})
	if label.Chart < label.Low*5/4 || label.Test < label.Low*5/4 || label.Date != 0 {
		t.Errorf("from the label alone: %+v", label)
	}
	if old := gains(func(u *policy.UPS) { u.Battery.InstalledDay = 0 }); old.Date <= old.Low || old.Low >= label.Low {
		t.Errorf("of unknown age: %+v", old)
	}
	two := chart(policy.ChartPoint{Watts: 1350, Runtime: 12 * time.Minute}, policy.ChartPoint{Watts: 2700, Runtime: 4 * time.Minute})
	if g := gains(func(u *policy.UPS) { u.Battery.Chart = two[:1] }); g.Chart == 0 || g.Test == 0 {
		t.Errorf("with a point: %+v", g)
	}
	if g := gains(func(u *policy.UPS) { u.Battery.Chart = two }); g.Chart != 0 || g.Test == 0 {
		t.Errorf("with a chart: %+v", g)
	}
	model := &policy.Model{StoreWattHours: 500, Ohmic: time.Minute, FittedDay: newToday}
	if g := gains(func(u *policy.UPS) { u.Battery.Model = model }); g != (Gain{Low: g.Low}) {
		t.Errorf("with a model: %+v", g)
	}
	none := rack()
	none.RatedWatts, none.Battery.Volts = 0, 0
	if _, err := Gains(&none, newToday, 100); err == nil {
		t.Error("of nothing it says something")
	}
}
