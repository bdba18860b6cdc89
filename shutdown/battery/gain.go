package battery

import (
	"time"

	"ebbline/policy"
)

// Gain is what one more figure would make of a battery's low runtime, if it turned out as
// is likely now. Zero where it is known already.
type Gain struct {
	Low   time.Duration // as it is, with the battery full
	Chart time.Duration // with the data sheet's minutes at full and at half load
	Test  time.Duration // after one discharge test to the end
	Date  time.Duration // with the day of installation, if that is today
}

// Gains works that out for a load at the output, in watts.
func Gains(u *policy.UPS, day int64, watts float64) (g Gain, err error) {
	now, err := New(u, day)
	if err != nil {
		return g, err
	}
	low := func(v *policy.UPS) (time.Duration, error) {
		b, err := New(v, day)
		if err != nil {
			return 0, err
		}
		l, _, _ := b.Project(Charge{}, watts)
		return l, nil
	}
	var likely time.Duration
	g.Low, likely, _ = now.Project(Charge{}, watts)
	if u.Battery.Model != nil {
		return g, nil
	}
	if len(u.Battery.Chart) < 2 {
		v := *u
		v.Battery.Chart = nil
		if v.Battery.Chart, err = sheet(u); err != nil {
			return g, err
		}
		if g.Chart, err = low(&v); err != nil {
			return g, err
		}
	}
	if likely >= shortest*time.Second && likely < Unending {
		tested := Discharge{Day: day, Segments: []Segment{{watts, likely.Seconds()}}, StartCharge: 1, Ended: AtCutOff, Celsius: u.Battery.TemperatureC, CelsiusSet: u.Battery.TemperatureSet}
		c, err := Calibrate(u, []Discharge{tested}, day)
		if err != nil {
			return g, err
		}
		v := *u
		if c.Correct(&v); v.Battery.Model != nil {
			if g.Test, err = low(&v); err != nil {
				return g, err
			}
		}
	}
	if u.Battery.InstalledDay == 0 {
		v := *u
		v.Battery.InstalledDay = day
		g.Date, err = low(&v)
	}
	return g, err
}

// sheet is what a data sheet probably says of a UPS with a new battery: the minutes at full
// and at half load.
func sheet(u *policy.UPS) (chart []policy.ChartPoint, err error) {
	v := *u
	v.Battery.InstalledDay, v.Battery.TemperatureC, v.Battery.TemperatureSet = 1, 25, true
	b, err := New(&v, 1)
	if err != nil {
		return nil, err
	}
	for _, watts := range [...]int64{u.RatedWatts / 2, u.RatedWatts} {
		if _, likely, _ := b.Project(Charge{}, float64(watts)); watts > 0 && likely > 0 {
			chart = append(chart, policy.ChartPoint{Watts: watts, Runtime: likely})
		}
	}
	return chart, nil
}
