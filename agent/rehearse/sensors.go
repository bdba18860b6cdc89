package rehearse

import (
	"context"
	"errors"
	"fmt"
	"time"

	"ebbline/agent/bounded"
	"ebbline/agent/clean"
	"ebbline/agent/sensor"
	"ebbline/policy"
	"ebbline/shutdown"
)

// Sensed is one answer of one temperature or emergency input.
type Sensed struct {
	Name string // "temperature inlet"
	Text string // "24.5 °C"
	Err  error
	Next string // to do, where something is wrong
	Took time.Duration
}

// Problems says what is wrong with it.
func (s *Sensed) Problems() []Problem {
	if s.Err == nil {
		return nil
	}
	return []Problem{{Sensor: s.Name, Text: clean.OneLine(s.Err.Error()), Next: s.Next}}
}

const sensorWithin = 10 * time.Second

var errNoTemperature = errors.New("its UPS says no temperature")

// sense reads every temperature and emergency input once. Those that a UPS reads have
// been asked for with it.
func (r *Rehearsal) sense(ctx context.Context) {
	n := len(r.Policy.Temperatures)
	r.Sensors = make([]Sensed, n+len(r.Policy.Emergencies))
	bounded.Each(ctx, len(r.Sensors), AtOnce, func(j int) {
		ctx, cancel := context.WithTimeout(ctx, sensorWithin)
		defer cancel()
		began, got := time.Now(), &r.Sensors[j]
		if j < n {
			r.warmth(ctx, &r.Policy.Temperatures[j], got)
		} else {
			r.touch(ctx, &r.Policy.Emergencies[j-n], got)
		}
		got.Took = time.Since(began)
	})
}

func (r *Rehearsal) warmth(ctx context.Context, t *policy.Temperature, got *Sensed) {
	got.Name = "temperature " + t.Name
	got.Next = "While it is not read, its limit protects nothing."
	n := int64(shutdown.Unread)
	if t.UPS >= 0 {
		if n = r.UPSs[t.UPS].Measurement.TemperatureTenthsC; n == shutdown.Unread {
			got.Err = errNoTemperature
		}
	} else {
		n, got.Err = sensor.NewThermometer(*t, r.Parts.Read).Read(ctx)
	}
	if got.Err != nil {
		return
	}
	got.Text = fmt.Sprintf("%.1f °C; limit %.1f °C", float64(n)/10, float64(t.LimitTenths)/10)
	if n >= t.LimitTenths {
		got.Err = errors.New(got.Text + ": it is at its limit now")
		got.Next = "See to the cooling; or the limit, or the scale, is wrong."
	}
}

func (r *Rehearsal) touch(ctx context.Context, e *policy.Emergency, got *Sensed) {
	got.Name = "emergency_off " + e.Name
	s := sensor.NewSwitch(*e, r.Parts.Read)
	if c, is := s.(interface{ Close() error }); is {
		defer func() { _ = c.Close() }()
	}
	used, err := s.Used(ctx)
	got.Err, got.Text = err, "released"
	switch {
	case err != nil:
		got.Next = "While it is not read, hosts come back with the input though power was cut on purpose. A GPIO line that a running agent holds is read by that one only."
	case used:
		got.Err = errors.New("it says that it is used now")
		got.Next = "Look at the switch; or active is the wrong way round."
	}
}
