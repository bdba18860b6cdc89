// Package world is a modelled room: UPSs with batteries that really empty,
// hosts that really take their time, links that fail. It answers the core's
// effects with events and keeps the truth that the core does not see. It must
// never look into the core's state.
package world

import (
	"time"

	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// What happens at a [Moment].
type What uint8

const (
	InputLost        What = iota + 1 // UPS, or all
	InputBack                        // UPS, or all
	Mute                             // UPS does not answer for For
	OddReading                       // UPS says once that it is on battery
	OddGood                          // UPS says once that it has input
	OddNothing                       // UPS says once that its output is off
	OddLow                           // UPS says once that its battery is low
	Tests                            // UPS tests its battery for For; with a Number, says meanwhile that it is low
	ClaimsTest                       // UPS says for For that it tests its battery, and nothing of its input; with a Number, that the input is there
	OutputFails                      // UPS's output goes off and stays off until the input is back again
	ExtraLoad                        // UPS carries Number watts more
	Claims                           // UPS claims Number times the minutes from now on
	HostMode                         // Host behaves as Mode says from now on
	PathDies                         // Load carries nothing any more: what is reached through it is not
	AgentKilled                      // and started again after For
	Operator                         // Order; Host, of one; Code, of what is cleared
	SensorSilent                     // Sensor says nothing for For
	SensorSticks                     // Sensor says the same from now on
	SensorJumps                      // Sensor says Number kelvin more from now on
	SensorDrifts                     // Sensor says Number kelvin more with each hour from now on
	SensorRepeats                    // every other reading of Sensor is that of now, from now on
	SensorFahrenheit                 // Sensor says degrees Fahrenheit from now on
	SensorMends                      // Sensor says what is so
	CoolingFails                     // though there is input
	CoolingBack
	EmergencyUsed     // Sensor, of the emergency inputs
	EmergencyReleased // likewise
)

// Mode is how a host takes an order to stop.
type Mode uint8

const (
	Obeys       Mode = iota + 1
	Hangs            // takes the order, never goes down
	Freezes          // does not even answer the order
	Refuses          // answers and says no
	Unreachable      // is up and cannot be reached
	CutsLink         // goes down without an answer
	WasOff           // is off already
)

// Goes tells whether a host goes down that is told to, in its own time.
func (m Mode) Goes() bool { return m == Obeys || m == CutsLink }

// Moment is one thing that happens to the room.
type Moment struct {
	At     time.Duration
	What   What
	UPS    int32 // -1 for all
	Host   int32
	Load   int32
	For    time.Duration
	Sensor int32
	Number float64
	Mode   Mode
	Order  shutdown.Order
	Code   shutdown.Code
}

// Truth is what the core is not told: how the room really is in one run.
type Truth struct {
	Moments []Moment // by time
	UPSs    []UPSTruth
	Hosts   []HostTruth
	Room    RoomTruth
	Loss    float64 // chance that an answer of a UPS is lost
	Late    float64 // chance that it comes late, by up to the time-out
	Seed    uint64
}

// UPSTruth is one UPS as it really is.
type UPSTruth struct {
	Battery    battery.Model // full, new or old, as it really is; zero for what the core believes likely
	Holds      float64       // the store, as a part of that
	Charge     float64       // at the start, 0 to 1; its gauge knows
	Optimism   float64       // factor on the minutes it claims; 1 is honest
	LowAt      time.Duration // the runtime at which it says "battery low"
	Own        float64       // factor on the watts that it is believed to take itself
	ClaimsFull bool          // its gauge stays at 100 % and it never says "battery low"
}

// Model is the battery as it really is, beside what is believed of it.
func (t *UPSTruth) Model(b *battery.Belief) battery.Model {
	m := t.Battery
	if m == (battery.Model{}) {
		m = b.Scaled(b.Likely)
	}
	m.Energy = float64(m.Energy * t.Holds)
	return m
}

// HostTruth is one host as it really is.
type HostTruth struct {
	Takes  time.Duration // to stop
	Starts time.Duration // to answer after a start
	Draws  float64       // factor on the policy's watts
	Mode   Mode
}
