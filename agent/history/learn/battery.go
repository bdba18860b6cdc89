package learn

import (
	"context"
	"fmt"
	"slices"
	"time"

	"ebbline/agent/history"
	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// Record is what is known of one UPS's battery from measurements.
type Record struct {
	UPS         string
	Measured    []Measured // oldest first
	Running     []history.Test
	Calibration battery.Calibration
	Ageing      battery.Ageing
	Model, Plan history.Score // of the battery model's predictions, of those under a plan
	Own         history.Score // of the UPS's own
}

// Measured is one discharge: a test, or a loss of input in an outage.
type Measured struct {
	Test      *history.Test // nil for an outage
	Outage    uint32        // its number
	Input     history.Input // of the outage
	Discharge battery.Discharge
	Judged    battery.Judged
}

// Name says which one it is, for people.
func (m *Measured) Name() string {
	if m.Test != nil {
		return "the test of " + m.Test.Began.UTC.Format("2006-01-02 15:04")
	}
	return fmt.Sprintf("outage %d of %s", m.Outage, m.Input.Lost.UTC.Format("2006-01-02 15:04"))
}

// Seconds is how long it lasted.
func (m *Measured) Seconds() float64 {
	sum := 0.0
	for _, s := range m.Discharge.Segments {
		sum += s.Seconds
	}
	return sum
}

const (
	mostTests   = 100
	mostOutages = 50
	mostSamples = 20_000 // of one loss of input
	leastOutage = time.Minute
	longestGap  = 5 * time.Minute // between two readings, beyond which nothing is known
)

// Battery gathers what was measured of one UPS of the policy.
func Battery(ctx context.Context, from *history.Reader, p *policy.Policy, i int, day int64) (*Record, error) {
	u := &p.UPSs[i]
	r := &Record{UPS: u.Name}
	tests, err := from.Tests(ctx, u.Name, mostTests)
	if err != nil {
		return nil, err
	}
	for k := range tests {
		t := &tests[k]
		if t.Ended == (history.Moment{}) {
			r.Running = append(r.Running, *t)
			continue
		}
		if t.Measured == 0 {
			continue // called off before it began
		}
		d := OfTest(u, t)
		if d.Ended == battery.AtCutOff {
			samples, err := from.Samples(ctx, u.Name, t.Began.At, t.Ended.At, mostSamples)
			if err != nil {
				return nil, err
			}
			for _, s := range samples {
				if s.Source == shutdown.FromBattery {
					gauged(&d, s.ChargeTenths, s.At.Sub(t.Began.At))
				}
			}
		}
		r.Measured = append(r.Measured, Measured{Test: t, Discharge: d})
	}
	if err := r.outages(ctx, from, p, u); err != nil {
		return nil, err
	}
	slices.SortStableFunc(r.Measured, func(a, b Measured) int { return int(a.began() - b.began()) })
	found := make([]battery.Discharge, len(r.Measured))
	for k := range r.Measured {
		found[k] = r.Measured[k].Discharge
	}
	if r.Calibration, err = battery.Calibrate(u, found, day); err != nil {
		return nil, err
	}
	for k := range r.Measured {
		r.Measured[k].Judged = r.Calibration.Judged[k]
	}
	r.Ageing = battery.Age(&u.Battery, r.Tests())
	for _, s := range []struct {
		by history.Maker
		to *history.Score
	}{{history.ByModel, &r.Model}, {history.ByPlan, &r.Plan}, {history.ByUPS, &r.Own}} {
		if *s.to, err = from.Score(ctx, u.Name, s.by); err != nil {
			return nil, err
		}
	}
	return r, nil
}

func (m *Measured) began() shutdown.Instant {
	if m.Test != nil {
		return m.Test.Began.At
	}
	return m.Input.Lost.At
}

// dayOf is the day of a moment by the wall clock.
func dayOf(m history.Moment) int64 { return m.UTC.Unix() / 86400 }

// emptyVolts is the voltage, as a part of the nominal one, at which a lead-acid
// string is empty: 1.75 V for a cell of 2 V (read at second hand, of tests by the
// hour; UPSs go lower at their rates).
const emptyVolts = 0.875

// OfTest is a discharge test as evidence.
func OfTest(u *policy.UPS, t *history.Test) battery.Discharge {
	d := battery.Discharge{
		Day: dayOf(t.Began), Segments: t.Segments, StartCharge: charge(t.ChargeTenths), Ended: battery.Early, Weak: len(t.Verdict.Weak) > 0,
	}
	celsius := t.BatteryTenthsC
	if celsius == shutdown.Unread {
		celsius = t.AmbientTenthsC
	}
	d.Celsius, d.CelsiusSet = float64(celsius)/10, celsius != shutdown.Unread
	low := u.Battery.Chemistry == policy.VRLA && t.EndMillivolts != shutdown.Unread && u.Battery.Volts > 0 &&
		float64(t.EndMillivolts) <= 1000*emptyVolts*u.Battery.Volts
	switch {
	case t.Stop == history.StopAtCutOff, t.Stop == history.StopAtVoltage && low:
		d.Ended = battery.AtCutOff
	case t.EndChargeTenths != shutdown.Unread:
		d.Ended, d.Reading = battery.AtReading, float64(t.EndChargeTenths)/1000
	}
	return d
}

// charge is a charge reading as a part; a UPS that does not say is believed full.
func charge(tenths int64) float64 {
	if tenths == shutdown.Unread {
		return 1
	}
	return float64(tenths) / 1000
}

// outages takes the losses of input that were long enough to say something.
func (r *Record) outages(ctx context.Context, from *history.Reader, p *policy.Policy, u *policy.UPS) error {
	list, err := from.Outages(ctx, mostOutages)
	if err != nil {
		return err
	}
	for k := range list {
		o := &list[k]
		if o.Site != p.Site.Name {
			continue
		}
		for _, in := range o.Inputs {
			if in.UPS != u.Name || in.Back.At != 0 && in.Back.At.Sub(in.Lost.At) < leastOutage {
				continue
			}
			until := in.Back.At
			if until == 0 {
				until = max(o.Ended.At, in.Lost.At.Add(24*time.Hour))
			}
			samples, err := from.Samples(ctx, u.Name, in.Lost.At.Add(-leastOutage), until, mostSamples)
			if err != nil {
				return err
			}
			d, ok := ofOutage(in, samples, ours(o, u))
			if ok && !r.tested(in.Lost.At, until) {
				r.Measured = append(r.Measured, Measured{Outage: o.Number, Input: in, Discharge: d})
			}
		}
	}
	return nil
}

// tested tells whether a discharge test ran then: what an agent saw as an outage
// was that test, and counts once.
func (r *Record) tested(lost, until shutdown.Instant) bool {
	return slices.ContainsFunc(r.Measured, func(m Measured) bool {
		return m.Test != nil && m.Test.Began.At < until && m.Test.Ended.At > lost
	})
}

// ours is when the agent itself may have switched the output off: not before all
// that hangs on it was down, and only where the policy says so.
func ours(o *history.Outage, u *policy.UPS) shutdown.Instant {
	if u.Output != nil {
		for _, e := range o.Phases {
			if e.UPS == u.Name && e.Phase == shutdown.AllDown {
				return e.Entered.At
			}
		}
	}
	return shutdown.Never
}

// ofOutage follows the readings on battery; false when they say too little.
func ofOutage(in history.Input, samples []history.Sample, ours shutdown.Instant) (battery.Discharge, bool) {
	d := battery.Discharge{Day: dayOf(in.Lost), StartCharge: 1, Ended: battery.Early, Outage: true}
	var last *history.Sample
	end := shutdown.Unread
	for k := range samples {
		s := &samples[k]
		if s.Source == shutdown.FromBattery && s.At < in.Lost.At {
			continue // of the loss before this one
		}
		if s.Source != shutdown.FromBattery {
			switch {
			case last == nil && s.ChargeTenths != shutdown.Unread:
				d.StartCharge = charge(s.ChargeTenths)
			case last != nil && s.Source == shutdown.FromNothing && s.At < ours:
				d.Ended = battery.AtCutOff
			}
			if last != nil {
				break
			}
			continue
		}
		if last == nil {
			if s.TemperatureTenthsC != shutdown.Unread {
				d.Celsius, d.CelsiusSet = float64(s.TemperatureTenthsC)/10, true
			}
			s.Moment = in.Lost.When(min(in.Lost.At, s.At))
		} else if gap := s.At.Sub(last.At); gap > longestGap {
			break
		} else if watts := last.LoadWatts; watts != shutdown.Unread {
			add(&d, float64(watts), gap.Seconds())
		}
		if s.LoadWatts == shutdown.Unread && last != nil {
			s.LoadWatts = last.LoadWatts
		}
		if s.ChargeTenths != shutdown.Unread {
			end = s.ChargeTenths
		}
		gauged(&d, s.ChargeTenths, s.At.Sub(in.Lost.At))
		last = s
		if s.Battery == shutdown.StatusDepleted {
			d.Ended = battery.AtCutOff
			break
		}
	}
	if d.Ended == battery.Early && end != shutdown.Unread {
		d.Ended, d.Reading = battery.AtReading, charge(end)
	}
	total := 0.0
	for _, s := range d.Segments {
		total += s.Seconds
	}
	return d, total >= leastOutage.Seconds()
}

// gauged puts down a charge reading where it has fallen by a percent.
func gauged(d *battery.Discharge, tenths int64, passed time.Duration) {
	if tenths == shutdown.Unread {
		return
	}
	if n := len(d.Gauge); n == 0 || charge(tenths) <= d.Gauge[n-1].Charge-0.0099 {
		d.Gauge = append(d.Gauge, battery.Gauged{Seconds: passed.Seconds(), Charge: charge(tenths)})
	}
}

// add puts a load at the end, to the one before if it is the same.
func add(d *battery.Discharge, watts, seconds float64) {
	if n := len(d.Segments); n > 0 && d.Segments[n-1].Watts == watts {
		d.Segments[n-1].Seconds += seconds
		return
	}
	d.Segments = append(d.Segments, battery.Segment{Watts: watts, Seconds: seconds})
}
