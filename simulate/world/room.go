package world

import (
	"math"
	"time"

	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// RoomTruth is the room as it really is: one store of heat with one loss, cooled to
// where it was while there is input. Zero for one that never warms.
type RoomTruth struct {
	TimeConstant   time.Duration
	WattsPerKelvin float64
	From           float64 // degrees Celsius, as long as it is cooled
	Noise          float64 // of its sensors, in kelvin either way
}

// cooledIn is the time constant of a room that is cooled again.
const cooledIn = 5 * time.Minute

// sensor is one sensor as it is now.
type sensor struct {
	mute       shutdown.Instant
	stuck      bool
	repeats    bool
	old        bool    // the last reading was of before
	held       float64 // what it says while it is stuck, or repeats
	offset     float64
	drift      float64 // kelvin an hour
	from       shutdown.Instant
	fahrenheit bool
}

// room is the room as it is now.
type room struct {
	air     float64
	at      shutdown.Instant
	hottest float64 // while a host was on that the policy stops
	broken  bool    // its cooling
	sensors []sensor
	used    []bool // emergency inputs
}

func (w *World) resetRoom() {
	w.room = room{air: w.Truth.Room.From, at: w.Now, sensors: append(w.room.sensors[:0], make([]sensor, len(w.Policy.Temperatures))...), used: append(w.room.used[:0], make([]bool, len(w.Policy.Emergencies))...)}
	clear(w.room.sensors)
	clear(w.room.used)
	for j := range w.Policy.Temperatures {
		if w.Policy.Temperatures[j].UPS < 0 && w.Truth.Room.TimeConstant > 0 {
			w.put(doSense, int32(j), 0, 0)
		}
	}
	for j := range w.Policy.Emergencies {
		w.put(doTouch, int32(j), 0, 0)
	}
}

// Air is the room's temperature in degrees Celsius.
func (w *World) Air() float64 {
	w.warm()
	return w.room.air
}

// warm brings the room to now, at the loads since the last time.
func (w *World) warm() {
	t := &w.Truth.Room
	secs := w.Now.Sub(w.room.at).Seconds()
	w.room.at = w.Now
	if t.TimeConstant == 0 || secs <= 0 {
		return
	}
	watts, input := 0.0, !w.room.broken
	for i := range w.UPSs {
		u := &w.UPSs[i]
		if !u.Dead {
			watts += u.Load + u.own
		}
		input = input && u.Input
	}
	to, tau := t.From+watts/t.WattsPerKelvin, t.TimeConstant
	if input {
		to, tau = t.From, cooledIn
	}
	w.room.air = to + float64((w.room.air-to)*battery.ExpNeg(secs/tau.Seconds()))
	for k := range w.Hosts {
		if w.Hosts[k].On && !w.Policy.Hosts[k].StaysUp && !w.Policy.Hosts[k].Self {
			w.room.hottest = max(w.room.hottest, w.room.air)
			break
		}
	}
}

// Hottest is the warmest air in which a host ran that the policy stops, but for the
// agent's own.
func (w *World) Hottest() float64 {
	w.warm()
	return w.room.hottest
}

// warmer tells whether the room is not cooled, or not yet to where it was.
func (w *World) warmer() bool {
	t := &w.Truth.Room
	return t.TimeConstant > 0 && (w.room.broken || w.Air() > t.From+0.5)
}

// reads is what a sensor says, in degrees; false while it says nothing.
func (w *World) reads(j int) (float64, bool) {
	s := &w.room.sensors[j]
	if w.Now < s.mute {
		return 0, false
	}
	c := w.Air() + s.offset + float64((2*w.rand.Float()-1)*w.Truth.Room.Noise)
	c += float64(s.drift * w.Now.Sub(s.from).Hours())
	if s.fahrenheit {
		c = 32 + float64(1.8*c)
	}
	s.old = s.repeats && !s.old
	if s.stuck || s.old {
		c = s.held
	}
	return c, true
}

// sense is one reading of a sensor of its own.
func (w *World) sense(j int32) *shutdown.Event {
	t := &w.Policy.Temperatures[j]
	every := t.Every
	if w.lastMs == 0 && w.Idle() {
		every = max(every, chargePoll)
	}
	w.put(doSense, j, every, 0)
	c, ok := w.reads(int(j))
	if !ok || !w.Agent {
		return nil
	}
	step := math.Abs(t.Scale)
	w.told = shutdown.Event{Kind: shutdown.Warmed, Sensor: j, Tenths: int64(math.Ceil(float64(math.Round(c/step)*step*10) - 1e-6))}
	return &w.told
}

// touch is one reading of an emergency input.
func (w *World) touch(j int32) *shutdown.Event {
	every := w.Policy.Emergencies[j].Every
	if w.lastMs == 0 {
		every = max(every, 20*time.Second)
	}
	w.put(doTouch, j, every, 0)
	if !w.Agent {
		return nil
	}
	w.told = shutdown.Event{Kind: shutdown.Touched, Sensor: j, Used: w.room.used[j]}
	return &w.told
}

func (w *World) roomMoment(m *Moment) {
	w.warm()
	switch m.What {
	case CoolingFails:
		w.room.broken = true
	case CoolingBack:
		w.room.broken = false
	case EmergencyUsed, EmergencyReleased:
		w.room.used[m.Sensor] = m.What == EmergencyUsed
	default:
		s := &w.room.sensors[m.Sensor]
		switch m.What {
		case SensorSilent:
			s.mute = w.Now.Add(m.For)
		case SensorSticks:
			s.held, _ = w.reads(int(m.Sensor))
			s.stuck = true
		case SensorJumps:
			s.offset += m.Number
		case SensorDrifts:
			s.drift, s.from = m.Number, w.Now
		case SensorRepeats:
			s.held, _ = w.reads(int(m.Sensor))
			s.repeats = true
		case SensorFahrenheit:
			s.fahrenheit = true
		case SensorMends:
			*s = sensor{}
		}
	}
}

// senses writes the temperature that a UPS reads into its answer, in whole degrees.
func (w *World) senses(i int32, m *shutdown.Measurement) {
	for j := range w.Policy.Temperatures {
		if w.Policy.Temperatures[j].UPS == int(i) && w.Truth.Room.TimeConstant > 0 {
			m.TemperatureTenthsC = shutdown.Unread
			if c, ok := w.reads(j); ok {
				m.TemperatureTenthsC = 10 * int64(math.Round(c))
			}
		}
	}
}
