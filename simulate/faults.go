package simulate

import (
	"time"

	"ebbline/policy"
	"ebbline/simulate/world"
)

// Fault is one way in which a room may be other than the policy says.
type Fault uint8

// The faults, in the order in which they are shown.
const (
	WeakBattery Fault = iota
	OldBattery
	ColdBattery
	DeadCell
	PartCharged
	OtherLoad
	LoadDrifts
	OwnDraw
	SlowHost
	HungHost
	FrozenHost
	RefusingHost
	LostHost
	CutHost
	OffHost
	LostAnswers
	LateAnswers
	SilentCard
	OddBattery
	OddInput
	OddOff
	OwnTest
	FalseTest
	EndlessTest
	ClaimsMore
	ClaimsFull
	EndsEarly
	AgentDies
	PathGone
	LostAgain
	OneInput
	OddEnd
	CoolingFails // from here on, of policies that read temperatures
	SilentSensor
	StuckSensor
	RepeatingSensor
	JumpingSensor
	DriftingSensor
	WrongUnits
	numFaults
)

// Faults is a set of faults.
type Faults uint64

// Has tells whether a fault is in the set.
func (s Faults) Has(f Fault) bool { return s>>f&1 != 0 }

func (s *Faults) add(f Fault, is bool) {
	if is {
		*s |= 1 << f
	}
}

// Applies tells whether dice may draw a fault for a policy.
func (f Fault) Applies(p *policy.Policy) bool { return f < CoolingFails || len(p.Temperatures) > 0 }

// About is what there is to say of a fault.
type About struct {
	Name   string
	Chance float64 // that dice draw it; 0 where it comes from another draw
	Each   string  // of what the chance is: "outage", "UPS" or "host"
	Spread string  // how it is drawn
	Worst  string  // the worst that is drawn
	Beyond bool    // the room is worse than the one that a plan is made for
}

// Catalogue describes every fault. The chances are engineering values, denser
// than in life, no source.
var Catalogue = [numFaults]About{
	WeakBattery:  {"battery below its low projection", 0, "UPS", "from published blocks, by what the policy says of it", "what age, cold and a dead cell leave as well", true},
	OldBattery:   {"battery older than the policy says", 0.05, "UPS", "by 1 to 5 years", "5 years", false},
	ColdBattery:  {"battery colder than the policy says", 0.05, "UPS", "by 1 to 20 °C", "20 °C", false},
	DeadCell:     {"part of the battery is dead", 0.01, "UPS", "30 to 80 % of it left", "30 %", false},
	PartCharged:  {"battery not full when the input fails", 0.05, "UPS", "charged to 40 to 99 %", "40 %", true},
	OtherLoad:    {"a UPS carries more than the policy says", 0.25, "outage", "each host's draw, log-normal, 8 %", "1.3 times", true},
	LoadDrifts:   {"load rises during the outage", 0.05, "outage", "by 1 to 15 % of the load", "15 %", true},
	OwnDraw:      {"UPS itself draws more than is counted on", 0.05, "UPS", "by up to 30 % where the policy states it; elsewhere always log-normal about 2 % of the rating, 70 %", "1.3 times; where it is not stated 4 times", true},
	SlowHost:     {"host slower than its first allowance", 0, "host", "log-normal about the expected time, 30 %", "4 times the expected time", true},
	HungHost:     {"host takes the order and never goes down", 0.010, "host", "", "for good", true},
	FrozenHost:   {"host does not answer the order", 0.005, "host", "", "for good", true},
	RefusingHost: {"host refuses the order", 0.010, "host", "", "for good", true},
	LostHost:     {"host up and not reachable", 0.005, "host", "", "for good", true},
	CutHost:      {"host goes down without an answer", 0.05, "host", "", "", false},
	OffHost:      {"host off already", 0.01, "host", "", "", false},
	LostAnswers:  {"answers of the UPSs lost", 0.10, "outage", "up to 20 % of them", "20 %", false},
	LateAnswers:  {"answers of the UPSs late", 0.10, "outage", "up to 50 % of them, by up to the time-out", "50 %", false},
	SilentCard:   {"management card silent", 0.10, "outage", "3 s to 20 min, logarithm evenly spread", "20 min", false},
	OddBattery:   {"one reading says battery", 0.10, "outage", "in the first hour", "", false},
	OddInput:     {"one reading says input", 0.10, "outage", "in the first hour", "in the middle of a shutdown", false},
	OddOff:       {"one reading says that the output is off", 0.10, "outage", "in the first hour", "in the middle of a shutdown", false},
	OwnTest:      {"UPS tests its battery", 0.05, "outage", "5 s to 10 min, after the outage; in a third of them it says that it is low", "10 min, low", false},
	FalseTest:    {"UPS says that it tests, and nothing of its input", 0.05, "outage", "1 min to 4 h from about the loss on, logarithm evenly spread", "all the time", false},
	EndlessTest:  {"UPS says that it tests, with input, when it has none", 0.01, "outage", "the same", "all the time", true},
	ClaimsMore:   {"UPS claims more minutes than there are", 0.20, "UPS", "1 to 4 times", "4 times", false},
	ClaimsFull:   {"UPS's gauge stays at 100 %, never \"low\"", 0.03, "UPS", "", "to the end", false},
	EndsEarly:    {"UPS's output fails", 0.02, "outage", "in the first hour", "at once", true},
	AgentDies:    {"agent dies and is started again", 0.10, "outage", "1 s to 5 min, logarithm evenly spread", "5 min", true},
	PathGone:     {"load on the way to the hosts dies", 0.03, "outage", "in the first hour", "at once", true},
	LostAgain:    {"input lost again on a part-charged battery", 0.15, "outage", "10 s to 3 h after it was back", "10 s", true},
	OneInput:     {"input of one UPS alone lost", 0.15, "outage", "any of them", "", false},
	OddEnd:       {"one reading says that the battery is low", 0.10, "outage", "in the first hour", "in the ride-through", false},

	CoolingFails:    {"the cooling fails though the input is there", 0.20, "outage", "for 10 min to 4 h, logarithm evenly spread", "in the recovery", false},
	SilentSensor:    {"a temperature is not read", 0.05, "outage", "for 1 min to 4 h; never two of these six at once", "4 h", false},
	StuckSensor:     {"a temperature stands still", 0.05, "outage", "", "to the end", false},
	RepeatingSensor: {"every other reading of a temperature is an old one", 0.05, "outage", "", "to the end", false},
	JumpingSensor:   {"a temperature jumps", 0.05, "outage", "by 4 to 60 K, either way, once or more", "60 K", false},
	DriftingSensor:  {"a temperature drifts", 0.05, "outage", "by 1 to 30 K an hour, either way", "30 K an hour", false},
	WrongUnits:      {"a temperature is in degrees Fahrenheit", 0.05, "outage", "from the start or from some moment on", "from the start", false},
}

// Shape is how the input is lost.
type Shape uint8

const (
	Blink Shape = iota + 1
	Reclosing
	Sags
	Brownout
	Flapping
	Middling
	Sustained
)

// Shapes describes each, with the part of all that dice draw (engineering
// values, no source, but for the sequences' times).
var Shapes = [...]struct {
	Name, Spread string
	Part         float64
}{
	Blink:     {"a blink", "0.2 s to just past the ride-through", 0.20},
	Reclosing: {"reclosing shots", "0.5, 15 and 45 s open (a recloser's manual), each of which may be the last; then locked out", 0.20},
	Sags:      {"sags", "1 to 6 of 50 to 200 ms, seconds apart", 0.05},
	Brownout:  {"a brownout", "below the transfer voltage for 5 to 40 min at a time, 1 to 4 times", 0.05},
	Flapping:  {"flapping", "3 to 20 losses of 1 to 40 s, 1 to 60 s apart", 0.05},
	Middling:  {"while stops are under way", "30 s to 8 h, logarithm evenly spread", 0.20},
	Sustained: {"sustained", "by published quantiles: half longer than 175 min, a tenth than 12 h", 0.25},
}

// String gives the shape's name.
func (s Shape) String() string { return Shapes[s].Name }

// Judge tells rooms worse than a plan is made for from the others.
type Judge struct {
	p   *policy.Policy
	low []Low // by UPS
}

// NewJudge makes a judge for a policy; low is what [LowParts] gives.
func NewJudge(p *policy.Policy, low []Low) *Judge { return &Judge{p, low} }

// Tried gives the faults of an outage: those that its room shows, and those that
// dice say they drew.
func (j *Judge) Tried(o *Outage) Faults {
	s := o.Drawn
	for i := range o.UPSs {
		u := &o.UPSs[i]
		s.add(WeakBattery, !j.low[i].bears(u) && u.Own <= j.low[i].Own)
		s.add(OwnDraw, u.Own > j.low[i].Own)
		s.add(PartCharged, u.Charge < 1)
		s.add(ClaimsMore, u.Optimism > 1)
		s.add(ClaimsFull, u.ClaimsFull)
		s.add(OtherLoad, j.over(o, i))
	}
	for k := range o.Hosts {
		h := &o.Hosts[k]
		s.add(j.mode(h.Mode))
		if m := j.p.Hosts[k].Methods; len(m) > 0 {
			s.add(SlowHost, h.Takes+answerSlack > m[0].GivesUp)
		}
	}
	s.add(LostAnswers, o.Loss > 0)
	s.add(LateAnswers, o.Late > 0)
	j.moments(o, &s)
	return s
}

// answerSlack is what an order and the proof of its end may take.
const answerSlack = 5 * time.Second

// Beyond gives those of an outage's faults that no plan is made for.
func Beyond(s Faults) Faults {
	for f := range Catalogue {
		if !Catalogue[f].Beyond {
			s &^= 1 << f
		}
	}
	return s
}

func (j *Judge) mode(m world.Mode) (Fault, bool) {
	switch m {
	case world.Hangs:
		return HungHost, true
	case world.Freezes:
		return FrozenHost, true
	case world.Refuses:
		return RefusingHost, true
	case world.Unreachable:
		return LostHost, true
	case world.CutsLink:
		return CutHost, true
	case world.WasOff:
		return OffHost, true
	}
	return 0, false
}

// over tells whether a UPS carries more than the policy says. One host's less
// does not make up for another's more: who draws less may go first.
func (j *Judge) over(o *Outage, ups int) bool {
	for k := range o.Hosts {
		if o.Hosts[k].Draws > 1 && feeds(j.p.Hosts[k].FedBy, ups) {
			return true
		}
	}
	return false
}

// moments adds what the script of an outage has.
func (j *Judge) moments(o *Outage, s *Faults) {
	var before, lost, last time.Duration // without input before the last loss, in all; when that began
	out, losses := false, 0
	for i := range o.Moments {
		m := &o.Moments[i]
		switch m.What {
		case world.InputLost:
			s.add(OneInput, m.UPS >= 0 && len(o.UPSs) > 1)
			if !out {
				out, last, before, losses = true, m.At, lost, losses+1
			}
		case world.InputBack:
			if out {
				lost += m.At - last
			}
			out = false
		case world.Mute:
			*s |= 1 << SilentCard
		case world.OddReading:
			*s |= 1 << OddBattery
		case world.OddGood:
			*s |= 1 << OddInput
		case world.OddNothing:
			*s |= 1 << OddOff
		case world.OddLow:
			*s |= 1 << OddEnd
		case world.Tests:
			*s |= 1 << OwnTest
		case world.ClaimsTest:
			s.add(FalseTest, m.Number == 0)
			s.add(EndlessTest, m.Number > 0)
		case world.OutputFails:
			*s |= 1 << EndsEarly
		case world.Claims:
			s.add(ClaimsMore, m.Number > 1)
		case world.ExtraLoad:
			s.add(LoadDrifts, m.Number > 0)
		case world.HostMode:
			s.add(j.mode(m.Mode))
		case world.PathDies:
			*s |= 1 << PathGone
		case world.AgentKilled:
			*s |= 1 << AgentDies
		case world.CoolingFails:
			*s |= 1 << CoolingFails
		default:
			s.add(sensorFault(m.What))
		}
	}
	// What a few sags take is less than the reserve's rounding.
	s.add(LostAgain, losses > 1 && before > 2*time.Second)
}
