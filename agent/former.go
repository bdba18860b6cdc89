package agent

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// former is a snapshot of the formats 1 to 3, as far as it holds facts. The core of
// those kept conclusions: what they rested on is taken out of them, field by field. The
// plan in force is not taken over: it is made anew at the first step. What the operator
// was told stays told.
type former struct {
	Build, Boot string
	Epoch       shutdown.Instant
	Failed      int
	State       *formerState
	Board       board
	Ended       bool
}

type formerState struct {
	Policy, Next         *policy.Policy
	Day                  int64
	Now, Began           shutdown.Instant
	Outage               uint32
	Held, Going, Aborted bool
	Planned, Fits        bool
	UPSs                 []formerUPS
	Hosts                []formerHost
}

// The names of the former core's phases, powers and switchings, by number.
const (
	formerNormal, formerRideThrough, formerAllDown, formerRecovery               = 1, 2, 4, 5
	formerUp, formerAsked, formerDown, formerAbandoned, formerStarting           = 1, 2, 3, 4, 5
	formerOutputAsking, formerOutputCounting, formerCalling, formerOutputRefused = 1, 2, 3, 4
)

type formerUPS struct {
	Phase                    uint8
	Since                    shutdown.Instant
	Last                     formerMeasurement
	LastAt, Lost, Back       shutdown.Instant
	Watched                  shutdown.Instant
	Heard, TestAt            shutdown.Instant
	OffHeard, CutFrom, CutTo shutdown.Instant
	ChargeAt                 shutdown.Instant
	Dead, Low, Known         bool
	Belief                   struct{ Likely float64 }
	LowEnergy                float64
	Output, OutputTry        uint8
	OutputBy                 shutdown.Instant
	Warmth                   int64
	Prior, Factor, Likely    float64
	Charge, Beside           battery.Charge
	Start                    float64
	StartTenths              int64
	Load                     float64
}

// formerMeasurement is one of the formats 1 to 4: two of its figures have other names.
type formerMeasurement struct {
	shutdown.Measurement
	TemperatureC int64 // tenths of a degree
	InputVolts   int64 // tenths of a volt
}

// named gives it under the names of this build.
func (m *formerMeasurement) named() shutdown.Measurement {
	n := m.Measurement
	n.TemperatureTenthsC, n.InputDecivolts = m.TemperatureC, m.InputVolts
	return n
}

type formerHost struct {
	Power, Was, Method, Try                uint8
	InFlight, Told, Alive, Dark, Stopped   bool
	Near                                   bool
	Prepared, Preparing, Lost              bool
	Verb                                   shutdown.Verb
	Outage                                 uint32
	Seen                                   shutdown.Sighting
	SeenAt, UpAt, AskedAt, Deadline, Doubt shutdown.Instant
}

// fromFormer makes a snapshot of this format out of one.
func fromFormer(text []byte) (s *snapshot, err error) {
	var f former
	if err := json.Unmarshal(text, &f); err != nil {
		return nil, err
	}
	s = &snapshot{Format: format, Build: f.Build, Boot: f.Boot, Epoch: f.Epoch, Failed: f.Failed, Board: f.Board, Ended: f.Ended}
	switch {
	case f.State == nil:
		return s, nil
	case f.State.Policy == nil && len(f.State.UPSs)+len(f.State.Hosts) == 0:
		s.State = shutdown.New() // of before the first policy
		s.State.Now, s.State.Outage = f.State.Now, f.State.Outage
		return s, nil
	case f.State.Policy == nil:
		return nil, errors.New("its state belongs to no policy")
	}
	if err := f.State.sound(); err != nil {
		return nil, err
	}
	defer func() {
		if r := recover(); r != nil { // a policy that describes no battery
			err = fmt.Errorf("%v", r)
		}
	}()
	s.State = f.State.facts()
	s.State.Notices = f.State.told(&s.Board)
	return s, nil
}

// sound tells whether a former state can be one, as far as it is taken over: what is
// none of its values would be taken for another.
func (o *formerState) sound() error {
	if len(o.UPSs) != len(o.Policy.UPSs) || len(o.Hosts) != len(o.Policy.Hosts) {
		return errors.New("its state does not belong to its policy")
	}
	f := &finder{now: o.Now}
	for i := range o.UPSs {
		u := &o.UPSs[i]
		f.in = "UPS " + o.Policy.UPSs[i].Name
		f.is(u.Phase >= formerNormal && u.Phase <= formerRecovery, "Phase", u.Phase)
		f.is(u.Output <= formerOutputRefused, "Output", u.Output)
		f.is(u.Prior >= 0 && u.Factor >= 0 && u.Belief.Likely >= 0 && u.Likely >= 0, "Factor", u.Factor)
	}
	for k := range o.Hosts {
		h, p := &o.Hosts[k], &o.Policy.Hosts[k]
		f.in = "host " + p.Name
		f.is(h.Power >= formerUp && h.Power <= formerStarting, "Power", h.Power)
		f.is(h.Was <= formerStarting, "Was", h.Was)
		f.is(h.Verb <= shutdown.VerbStart, "Verb", h.Verb)
		f.is(h.Power != formerAsked || h.stops() && int(h.Method) < len(p.Methods), "Method", h.Method)
		f.is(!h.InFlight || h.Verb != 0, "InFlight", h.InFlight)
	}
	return f.err
}

// facts are what a former state knew.
func (o *formerState) facts() *shutdown.State {
	n := &shutdown.State{Policy: o.Policy, Next: o.Next, Now: o.Now, Began: o.Began, Outage: o.Outage}
	switch {
	case o.Aborted:
		n.Word = shutdown.Abort
	case o.Going:
		n.Word = shutdown.Proceed
	case o.Held:
		n.Word = shutdown.Hold
	}
	for i := range o.UPSs {
		n.UPSs = append(n.UPSs, o.UPSs[i].facts(o, int32(i)))
	}
	for k := range o.Hosts {
		n.Hosts = append(n.Hosts, o.Hosts[k].facts(o, int32(k)))
	}
	for i := range n.UPSs { // what this outage's readings said, on the belief as it is now
		u, b := &n.UPSs[i], n.Belief(int32(i))
		u.Holds[0] = b.LowAt(o.Policy.Site.ConfidencePermille) * o.UPSs[i].lowered()
		if was := o.UPSs[i].Belief.Likely; was > 0 {
			u.Holds[1] = b.Likely * min(1, o.UPSs[i].Likely/was)
		}
		u.Holds[1] = max(u.Holds[0], u.Holds[1])
	}
	withoutReadings(n)
	return n
}

// lowered is the part of the low projection that this outage's readings left.
func (u *formerUPS) lowered() float64 {
	if u.Prior > 0 {
		return min(1, u.Factor/u.Prior)
	}
	return 1
}

// told is what an operator was told and may hold still: phases, the plan's verdict, and
// the conditions of the core. What the agent itself raised is on the board.
func (o *formerState) told(b *board) (list []shutdown.Notice) {
	for i := range o.UPSs {
		u := &o.UPSs[i]
		list = append(list, shutdown.Notice{Code: shutdown.PhaseEntered, UPS: int32(i), Host: -1, A: int64(u.Phase), B: -1, Since: max(0, u.Since)})
	}
	if o.Planned {
		n := shutdown.Notice{Code: shutdown.PlanMade, UPS: -1, Host: -1, B: -1, Since: o.Now}
		if o.Fits {
			n.A = 1
		}
		list = append(list, n)
	}
	var kept []Condition
	for _, c := range b.Conditions {
		n, ofCore, known := c.notice(o.Policy)
		if ofCore && known {
			list = append(list, n)
		}
		if known {
			kept = append(kept, c)
		}
	}
	b.Conditions = kept
	return list
}

// notice is a condition as it was told; known is false for one of another build's.
func (c *Condition) notice(p *policy.Policy) (n shutdown.Notice, ofCore, known bool) {
	n = shutdown.Notice{UPS: -1, Host: -1, B: -1, Since: shutdown.Instant(c.Since.UnixNano())}
	for _, code := range shutdown.Codes() {
		if code.String() == c.Code && code.Condition() {
			n.Code = code
		}
	}
	for i := range p.UPSs {
		if p.UPSs[i].Name == c.UPS {
			n.UPS = int32(i)
		}
	}
	for k := range p.Hosts {
		if p.Hosts[k].Name == c.Host {
			n.Host = int32(k)
		}
	}
	known = n.Code != 0 && (c.UPS == "" || n.UPS >= 0) && (c.Host == "" || n.Host >= 0)
	return n, !n.Code.OfRunner(), known
}

func (u *formerUPS) facts(o *formerState, i int32) shutdown.UPS {
	n := shutdown.UPS{
		Last: u.Last.named(), LastAt: u.LastAt, Says: shutdown.SaysInput, From: max(u.Back, u.Watched), Lost: u.Lost, OffHeard: u.OffHeard, GapFrom: u.CutFrom, GapTo: u.CutTo,
		TakenAt: u.ChargeAt, AtLoss: u.Start, AtGauge: u.StartTenths, Warmth: u.Warmth, Load: u.Load,
	}
	n.Taken[0], n.Taken[1] = u.Charge, u.Charge
	n.Taken[0].Delivered += u.Beside.Delivered
	n.Taken[0].Bound += u.Beside.Bound
	if u.Low {
		n.EndHeard, n.LowLeft = max(1, u.LastAt.Add(-time.Second)), u.LowEnergy // it was believed
	}
	away := u.Phase >= formerRideThrough && u.Phase <= formerAllDown
	switch {
	case away && u.Dead:
		n.Says, n.From = shutdown.SaysOffLost, u.CutFrom
	case away:
		n.Says, n.From = shutdown.SaysBattery, u.Heard
	case u.Dead:
		n.Says, n.From = shutdown.SaysOff, u.CutFrom
	case u.TestAt != 0:
		n.Says, n.From = shutdown.SaysTest, u.TestAt
	}
	if n.From == 0 && u.Known {
		n.From = u.LastAt
	}
	if u.Phase == formerRecovery && n.Lost == 0 {
		n.Lost = max(o.Began, 1)
	}
	n.Switch = u.order(o, i)
	return n
}

// order is the last order to the output.
func (u *formerUPS) order(o *formerState, i int32) (b shutdown.Begun) {
	if u.Output == 0 {
		return b
	}
	b.Action = shutdown.Action{ID: shutdown.ActionID{Outage: o.Outage, Host: -1, UPS: i, Verb: shutdown.VerbSwitchOff, Try: u.OutputTry}, Deadline: u.OutputBy}
	switch u.Output {
	case formerCalling:
		b.Action.ID.Verb = shutdown.VerbSwitchOn
	case formerOutputCounting:
		b.Ended, b.Outcome = o.Now, shutdown.Accepted
	case formerOutputRefused:
		b.Ended, b.Outcome = o.Now, shutdown.Refused
	}
	return b
}

// stops tells whether the last order was one to stop.
func (h *formerHost) stops() bool {
	return h.Verb == shutdown.VerbShutDown || h.Verb == shutdown.VerbPowerOff
}

func (h *formerHost) facts(o *formerState, k int32) shutdown.Host {
	n := shutdown.Host{
		State: h.state(), Seen: h.Seen, SeenFrom: h.SeenAt, UpAt: h.UpAt, Asked: h.AskedAt,
	}
	if n.Stopping() && h.Dark && !h.Stopped {
		n.State = shutdown.AskedOff
	}
	if (h.Power == formerAsked || h.Power == formerAbandoned) && h.Seen == shutdown.SeenSilent && !h.Near {
		n.SeenFrom = min(h.SeenAt, h.AskedAt) // it was out of sight when it was asked
	}
	p := &o.Policy.Hosts[k]
	if p.Prepare != nil && (h.Preparing || h.Prepared) { // while it is under way it is begun again
		id := shutdown.ActionID{Outage: o.Outage, Host: k, UPS: -1, Verb: shutdown.VerbPrepare, Try: 1}
		n.Last = shutdown.Begun{Action: shutdown.Action{ID: id, Deadline: o.Now.Add(p.Prepare.GivesUp)}}
		if !h.Preparing {
			n.Last.Ended, n.Last.Outcome = o.Now, shutdown.Accepted
		}
	}
	ways := len(p.Methods)
	if h.Verb == shutdown.VerbStart {
		ways = max(1, len(p.Starts))
	}
	if h.Verb == 0 || h.Verb == shutdown.VerbPrepare || int(h.Method) >= ways {
		return n
	}
	id := shutdown.ActionID{Outage: h.Outage, Host: k, UPS: -1, Verb: h.Verb, Method: h.Method, Try: h.Try}
	n.Last = shutdown.Begun{Action: shutdown.Action{ID: id, Deadline: h.Deadline}}
	if h.InFlight {
		return n
	}
	n.Last.Ended, n.Last.Outcome = o.Now, shutdown.Unreachable
	switch {
	case h.Told && h.Doubt != shutdown.Never:
		n.Last.Outcome = shutdown.Unknown
	case h.Told:
		n.Last.Outcome = shutdown.Accepted
	}
	return n
}

// state is the one of the host's table that says the same.
func (h *formerHost) state() shutdown.HostState {
	switch h.Power {
	case formerAsked:
		switch {
		case !h.Told:
			return shutdown.Asked
		case h.Doubt == shutdown.Never:
			return shutdown.Told
		}
		return shutdown.Doubt
	case formerAbandoned:
		if h.Told {
			return shutdown.Late
		}
		return shutdown.GivenUp
	case formerStarting:
		return shutdown.Starting
	case formerDown:
		switch {
		case h.Was != 0:
			return shutdown.Dark
		case !h.Stopped:
			return shutdown.TurnedOff
		case h.Lost:
			return shutdown.Failed
		}
		return shutdown.Off
	}
	switch {
	case h.Stopped:
		return shutdown.Interrupted
	case h.Told:
		return shutdown.Halfway
	case h.Seen == shutdown.SeenSilent && h.Alive:
		return shutdown.Silent
	case h.Seen == shutdown.SeenSilent || h.Seen == shutdown.SeenOff:
		return shutdown.TurnedOff
	case !h.Alive:
		return shutdown.Unseen
	}
	return shutdown.Up
}
