package simulate

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"ebbline/simulate/world"
)

// room reads a line on the room, its cooling, a sensor or an emergency input.
func (q *parser) room(at time.Duration, w []string) error {
	m, err := world.Moment{At: at, UPS: -1}, error(nil)
	rest := strings.Join(w[1:], " ")
	switch w[0] {
	case "room":
		if at >= 0 {
			return fmt.Errorf("how a room warms holds from the start. Write the line without a time")
		}
		q.o.Room, err = warms(rest)
		return err
	case "cooling":
		m.What = map[string]world.What{"fails": world.CoolingFails, "back": world.CoolingBack}[rest]
		if m.What == 0 || at < 0 {
			return fmt.Errorf("the cooling fails or is back at a time: \"at 1m cooling fails\"")
		}
	case "emergency":
		if m.Sensor, err = q.named("emergency input", w, len(q.p.Emergencies), func(i int) string { return q.p.Emergencies[i].Name }); err != nil {
			return err
		}
		m.What = map[string]world.What{"used": world.EmergencyUsed, "released": world.EmergencyReleased}[strings.Join(w[2:], " ")]
		if m.What == 0 || at < 0 {
			return fmt.Errorf("an emergency input is used or released at a time: \"at 2m emergency door used\"")
		}
	case "sensor":
		if m.Sensor, err = q.named("temperature", w, len(q.p.Temperatures), func(i int) string { return q.p.Temperatures[i].Name }); err != nil {
			return err
		}
		if err := sensorDoes(&m, w[2:]); err != nil || at < 0 {
			return fmt.Errorf("a sensor is silent for a time, sticks, repeats, jumps or drifts by kelvins, says fahrenheit or mends, at a time: \"at 5m sensor inlet jumps +20\"")
		}
	}
	return q.add(m)
}

// named gives the place of what the second word names.
func (q *parser) named(kind string, w []string, n int, name func(int) string) (int32, error) {
	for i := 0; len(w) > 1 && i < n; i++ {
		if name(i) == w[1] {
			return int32(i), nil
		}
	}
	if len(w) < 2 {
		return 0, fmt.Errorf("a line on a %s needs its name", kind)
	}
	return 0, unknown(kind, w[1], names(n, name))
}

func sensorDoes(m *world.Moment, w []string) (err error) {
	switch {
	case len(w) == 2 && w[0] == "silent":
		m.What = world.SensorSilent
		m.For, err = span(w[1])
	case len(w) == 1 && w[0] == "sticks":
		m.What = world.SensorSticks
	case len(w) == 1 && w[0] == "mends":
		m.What = world.SensorMends
	case len(w) == 1 && w[0] == "repeats":
		m.What = world.SensorRepeats
	case len(w) == 2 && w[0] == "says" && w[1] == "fahrenheit":
		m.What = world.SensorFahrenheit
	case len(w) == 2 && w[0] == "jumps":
		m.What = world.SensorJumps
		m.Number, err = figure(w[1], "", -200, 200)
	case len(w) == 2 && w[0] == "drifts":
		m.What = world.SensorDrifts
		m.Number, err = figure(w[1], "K/h", -200, 200)
	default:
		err = fmt.Errorf("no sensor does that")
	}
	return err
}

// warms reads how a room warms.
func warms(text string) (r world.RoomTruth, err error) {
	wrong := fmt.Errorf("%q says nothing of a room. Write \"room warms in 37m, loses 60W/K, from 24C, noise 0.2K\"", text)
	for _, part := range strings.Split(text, ",") {
		f := strings.Fields(part)
		switch {
		case len(f) == 3 && f[0] == "warms" && f[1] == "in":
			if r.TimeConstant, err = span(f[2]); err != nil {
				return r, err
			}
		case len(f) == 2 && f[0] == "loses":
			r.WattsPerKelvin, err = figure(f[1], "W/K", 0.01, 1e6)
		case len(f) == 2 && f[0] == "from":
			r.From, err = figure(f[1], "C", -40, 60)
		case len(f) == 2 && f[0] == "noise":
			r.Noise, err = figure(f[1], "K", 0, 20)
		default:
			err = wrong
		}
		if err != nil {
			return r, wrong
		}
	}
	if r.TimeConstant <= 0 || r.WattsPerKelvin <= 0 {
		return r, wrong
	}
	return r, nil
}

func figure(text, unit string, low, high float64) (float64, error) {
	f, err := strconv.ParseFloat(strings.TrimSuffix(text, unit), 64)
	if err == nil && (math.IsNaN(f) || f < low || f > high) {
		err = fmt.Errorf("%s is not from %g to %g", text, low, high)
	}
	return f, err
}
