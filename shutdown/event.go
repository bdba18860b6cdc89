package shutdown

import (
	"fmt"
	"math"
	"time"

	"ebbline/policy"
)

// Instant is the agent's clock in nanoseconds since 1970-01-01 (UTC): wall time at its
// start plus the monotonic time since. A stepped wall clock cannot move it, and it still
// compares after a restart.
type Instant int64

const aDay = Instant(24 * time.Hour)

// DayBegins is the instant at which a day begins, in days since 1970-01-01.
func DayBegins(day int64) Instant { return Instant(day) * aDay }

// Day gives the day of an instant, in days since 1970-01-01.
func (t Instant) Day() int64 { return int64(t / aDay) }

// Add gives the instant d later.
func (t Instant) Add(d time.Duration) Instant { return t + Instant(d) }

// Sub gives the time from u to t.
func (t Instant) Sub(u Instant) time.Duration { return time.Duration(t - u) }

// Unread stands for a figure that the UPS did not give. It is never zero: an
// unread charge is not 0 %.
const Unread int64 = math.MinInt64

// Source is what a UPS's load is carried from; zero when it was not read.
type Source uint8

const (
	FromInput   Source = iota + 1 // normal mode, boosting and reducing among it
	FromBattery                   // stored energy mode
	FromBypass                    // fed around the UPS: no battery behind it
	FromNothing                   // output off
)

// String gives the word of the transcript.
func (s Source) String() string {
	return [...]string{"unread", "input", "battery", "bypass", "nothing"}[s]
}

// Line is whether the input is within its limits; zero when it was not read.
type Line uint8

const (
	LineGood Line = iota + 1
	LineBad
)

// String gives the word of the transcript.
func (l Line) String() string { return [...]string{"unread", "good", "bad"}[l] }

// BatteryStatus is the UPS's own word on its battery; zero when it was not read.
type BatteryStatus uint8

const (
	StatusNormal   BatteryStatus = iota + 1
	StatusLow                    // below the UPS's own threshold
	StatusDepleted               // it cannot carry the present load
)

// String gives the word of the transcript.
func (s BatteryStatus) String() string { return [...]string{"unread", "normal", "low", "depleted"}[s] }

// Measurement is one UPS at one poll, in the core's own words and units. A
// figure that the UPS did not give is [Unread], or zero for the enums.
type Measurement struct {
	Source             Source
	Input              Line
	Battery            BatteryStatus
	Testing            bool  // a battery test by the UPS itself is under way
	LoadWatts          int64 // active power at the output
	ChargeTenths       int64 // tenths of a percent
	RuntimeSeconds     int64 // the UPS's own estimate
	LowSeconds         int64 // its own threshold for "battery low", as runtime
	OnBatterySecs      int64 // time since it went to battery, by its own clock
	Millivolts         int64 // of the battery string
	TemperatureTenthsC int64 // of the battery
	InputDecivolts     int64 // of the worst line
}

// Nothing is a measurement with no figure read.
var Nothing = Measurement{
	LoadWatts: Unread, ChargeTenths: Unread, RuntimeSeconds: Unread, LowSeconds: Unread,
	OnBatterySecs: Unread, Millivolts: Unread, TemperatureTenthsC: Unread, InputDecivolts: Unread,
}

// Sighting is what a look at a host showed.
type Sighting uint8

const (
	SeenUp       Sighting = iota + 1 // its service answers
	SeenRefusing                     // the machine answers, the service is gone
	SeenSilent                       // no answer at all for the policy's quiet time
	SeenOff                          // proof by another channel: BMC, outlet meter
)

// String gives the word of the transcript.
func (s Sighting) String() string {
	return [...]string{"", "up", "refusing", "silent", "off"}[s]
}

// Outcome says what is known of an action, not what went wrong. A link that
// drops during a power-off is Unknown: only a look at the host proves it down.
type Outcome uint8

const (
	Accepted    Outcome = iota + 1 // the other side took the order
	Refused                        // it answered and said no; it is not carried out
	Unreachable                    // it never got the order
	Unknown                        // it may or may not have got it
)

// String gives the word of the transcript.
func (o Outcome) String() string {
	return [...]string{"", "accepted", "refused", "unreachable", "unknown"}[o]
}

// Order is an operator's word: of the outage, or of one host.
type Order uint8

const (
	Hold    Order = iota + 1 // stop nobody early; safety still goes first
	Proceed                  // begin at once, in order
	Abort                    // stop nothing further until the end of the outage, whatever it costs
	Release                  // end a hold or an abort: the schedule is in force again

	StopHost  // it should be off, and is not brought back
	StartHost // it should be up, whatever the battery's charge
	KeepHost  // it stays up until the point of no return
	Clear     // what a condition says was seen to by a person
)

// String gives the word of the transcript and of the command line.
func (o Order) String() string {
	return [...]string{"", "hold", "proceed", "abort", "release", "stop", "start", "keep", "clear"}[o]
}

// OfHost tells whether the word is of one host.
func (o Order) OfHost() bool { return o >= StopHost && o <= Clear }

// Verb is what an action does.
type Verb uint8

const (
	VerbPrepare   Verb = iota + 1 // the early step
	VerbShutDown                  // an orderly stop
	VerbPowerOff                  // a forced one
	VerbStart                     // power on, or wake
	VerbSwitchOff                 // a UPS's output, off after a delay and on again with the input
	VerbSwitchOn                  // call a pending switch-off back
)

// String gives the word of the transcript.
func (v Verb) String() string {
	return [...]string{"", "prepare", "shut-down", "power-off", "start", "switch-off", "switch-on"}[v]
}

// ActionID names an action for good: the same after a restart, so that a repeat
// is seen to be one. Its text is [Action.Name].
type ActionID struct {
	Outage  uint32 // its number; of what an operator ordered for one host the second in which that was said
	Host    int32  // index into the policy's hosts; -1 for a UPS's output
	UPS     int32  // index into the policy's UPSs; -1 for a host
	Verb    Verb
	Method  uint8 // index into the host's Methods or Starts
	Try     uint8 // from 1
	Ordered bool  // by an operator, for this host
}

// Action is one thing to be done, by its deadline.
type Action struct {
	ID       ActionID
	Deadline Instant
}

// Name gives the action's name for people and journals, "outage-3/db1/ssh-1/1", or
// "order-1796035200/db1/ssh-1/1" for what an operator ordered.
func (id ActionID) Name(p *policy.Policy) string {
	if id.Host < 0 {
		return fmt.Sprintf("outage-%d/%s/%s/%d", id.Outage, p.UPSs[id.UPS].Name, id.Verb, id.Try)
	}
	h := &p.Hosts[id.Host]
	way := "prepare"
	switch id.Verb {
	case VerbShutDown, VerbPowerOff:
		way = fmt.Sprintf("%s-%d", h.Methods[id.Method].Kind, id.Method+1)
	case VerbStart:
		way = fmt.Sprintf("start-%s-%d", h.Starts[id.Method].Kind, id.Method+1)
	}
	of := "outage"
	if id.Ordered {
		of = "order"
	}
	return fmt.Sprintf("%s-%d/%s/%s/%d", of, id.Outage, h.Name, way, id.Try)
}

// Kind tells which fields of an [Event] count.
type Kind uint8

const (
	Adopted   Kind = iota + 1 // Policy: a checked one
	Measured                  // UPS, Measurement, Standing: one answer from one UPS
	Observed                  // Host, Sighting, Text
	Finished                  // Action, Outcome, Text: an action ended
	Commanded                 // Order, Text: by whom; Host, where the order is for one; Code, of what is cleared
	Tick                      // Wake has come
	Restarted                 // Rebooted, Orderly: the agent lives again; what had begun is begun again
	Warmed                    // Sensor, Tenths: one reading of one temperature
	Touched                   // Sensor, Used: one answer of one emergency input
)

// String gives the word of the transcript.
func (k Kind) String() string {
	return [...]string{"", "adopted", "measured", "observed", "finished", "commanded", "tick", "restarted", "warmed", "touched"}[k]
}

// Event is one fact from outside. It is one struct and not an interface so that
// a simulation of millions of them allocates nothing.
type Event struct {
	Kind        Kind
	Sighting    Sighting
	Outcome     Outcome
	Order       Order
	Code        Code
	Rebooted    bool
	Orderly     bool // it had been told to end, as when somebody turns its host off
	UPS         int32
	Host        int32
	Measurement Measurement
	Sensor      int32         // index into the policy's temperatures, or emergency inputs
	Tenths      int64         // tenths of a degree Celsius
	Used        bool          // the input says that power was cut on purpose
	Standing    time.Duration // the UPS goes on answering so, as who knows the future can say; the agent never does
	Action      ActionID
	Policy      *policy.Policy
	Text        string
}
