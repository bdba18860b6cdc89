package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"ebbline/agent/sensor"
	"ebbline/policy"
	"ebbline/shutdown"
)

// sensed is one answer of one temperature or emergency input.
type sensed struct {
	who, said string // "temperature inlet", "24.5 °C"
	err       error
	next      string // to do, where something is wrong
	took      time.Duration
}

const trySensorWithin = 10 * time.Second

var errNoTemperature = errors.New("its UPS says no temperature")

// sense reads every temperature and emergency input once. Those that a UPS reads have
// been asked for with it.
func (r *rehearsal) sense(ctx context.Context) {
	n := len(r.p.Temperatures)
	r.sensors = make([]sensed, n+len(r.p.Emergencies))
	few(ctx, len(r.sensors), rehearsedAtOnce, func(j int) {
		ctx, cancel := context.WithTimeout(ctx, trySensorWithin)
		defer cancel()
		began, got := time.Now(), &r.sensors[j]
		if j < n {
			r.warmth(ctx, &r.p.Temperatures[j], got)
		} else {
			r.touch(ctx, &r.p.Emergencies[j-n], got)
		}
		got.took = time.Since(began)
	})
}

func (r *rehearsal) warmth(ctx context.Context, t *policy.Temperature, got *sensed) {
	got.who = "temperature " + t.Name
	got.next = "While it is not read, its limit protects nothing."
	n := int64(shutdown.Unread)
	if t.UPS >= 0 {
		if n = r.upss[t.UPS].said.TemperatureC; n == shutdown.Unread {
			got.err = errNoTemperature
		}
	} else {
		n, got.err = sensor.NewThermometer(*t, r.read).Read(ctx)
	}
	if got.err != nil {
		return
	}
	got.said = fmt.Sprintf("%.1f °C; limit %.1f °C", float64(n)/10, float64(t.LimitTenths)/10)
	if n >= t.LimitTenths {
		got.err = errors.New(got.said + ": it is at its limit now")
		got.next = "See to the cooling; or the limit, or the scale, is wrong."
	}
}

func (r *rehearsal) touch(ctx context.Context, e *policy.Emergency, got *sensed) {
	got.who = "emergency_off " + e.Name
	s := sensor.NewSwitch(*e, r.read)
	if c, is := s.(interface{ Close() error }); is {
		defer func() { _ = c.Close() }()
	}
	used, err := s.Used(ctx)
	got.err, got.said = err, "released"
	switch {
	case err != nil:
		got.next = "While it is not read, hosts come back with the input though power was cut on purpose. A GPIO line that a running agent holds is read by that one only."
	case used:
		got.err = errors.New("it says that it is used now")
		got.next = "Look at the switch; or active is the wrong way round."
	}
}

// sensedView is one of them.
type sensedView struct {
	Name        string  `json:"name"`
	TookSeconds float64 `json:"took_seconds"`
	Says        string  `json:"says"` // "" where it is not read
}

func (v *rehearsalView) addSensor(s *sensed) {
	v.Sensors = append(v.Sensors, sensedView{s.who, hundredths(s.took), s.said})
	if s.err != nil {
		v.Problems = append(v.Problems, problemView{Sensor: s.who, Text: printable(s.err.Error()), Next: s.next})
		v.Sensors[len(v.Sensors)-1].Says = ""
	}
}
