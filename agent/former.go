package agent

import (
	"encoding/json"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// former is a snapshot of the formats 1 and 2, as far as it holds facts. The core of
// those kept conclusions: what they rested on is taken out of them, field by field. The
// plan in force is not taken over: it is made anew at the first step.
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
	UPSs                 []formerUPS
	Hosts                []formerHost
}

// The names of the former core's phases, powers and switchings, by number.
const (
	formerRideThrough, formerAllDown, formerRecovery                             = 2, 4, 5
	formerUp, formerAsked, formerDown, formerAbandoned, formerStarting           = 1, 2, 3, 4, 5
	formerOutputAsking, formerOutputCounting, formerCalling, formerOutputRefused = 1, 2, 3, 4
)

type formerUPS struct {
	Phase                    uint8
	Last                     shutdown.Measurement
	LastAt, Lost, Back       shutdown.Instant
	Heard, TestAt            shutdown.Instant
	OffHeard, CutFrom, CutTo shutdown.Instant
	ChargeAt, OwnEnd         shutdown.Instant
	Dead, Low, Known         bool
	LowEnergy                float64
	Output, OutputTry        uint8
	OutputBy                 shutdown.Instant
	Warmth                   int64
	Factor, Likely           float64
	AtEnd                    uint8
	Charge, Beside           battery.Charge
	Start                    float64
	StartTenths              int64
	Load                     float64
}

type formerHost struct {
	Power, Was, Method, Try                uint8
	InFlight, Told, Alive, Dark, Stopped   bool
	Prepared, Preparing, Lost              bool
	Verb                                   shutdown.Verb
	Outage                                 uint32
	Seen                                   shutdown.Sighting
	SeenAt, UpAt, AskedAt, Deadline, Doubt shutdown.Instant
}

// fromFormer makes a snapshot of this format out of one.
func fromFormer(text []byte) (*snapshot, error) {
	var f former
	if err := json.Unmarshal(text, &f); err != nil {
		return nil, err
	}
	s := &snapshot{Format: format, Build: f.Build, Boot: f.Boot, Epoch: f.Epoch, Failed: f.Failed, Board: f.Board, Ended: f.Ended}
	if f.State == nil {
		return s, nil
	}
	s.Board.Conditions = f.Board.ofRunner() // the core says its own again
	o := f.State
	n := &shutdown.State{Policy: o.Policy, Next: o.Next, Day: o.Day, Now: o.Now, Began: o.Began, Outage: o.Outage}
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
	s.State = n
	return s, nil
}

func (u *formerUPS) facts(o *formerState, i int32) shutdown.UPS {
	n := shutdown.UPS{
		Last: u.Last, LastAt: u.LastAt, Says: shutdown.SaysInput, From: u.Back, Lost: u.Lost, OffHeard: u.OffHeard, GapFrom: u.CutFrom, GapTo: u.CutTo,
		TakenAt: u.ChargeAt, AtLoss: u.Start, AtGauge: u.StartTenths, Holds: [2]float64{u.Factor, u.Likely},
		Warmth: u.Warmth, Load: u.Load,
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

func (h *formerHost) facts(o *formerState, k int32) shutdown.Host {
	n := shutdown.Host{
		State: h.state(), Seen: h.Seen, SeenFrom: h.SeenAt, SeenAt: h.SeenAt, UpAt: h.UpAt,
		Ours: h.Stopped || !h.Dark, Asked: h.AskedAt,
	}
	if h.Prepared {
		n.Prepared = o.Began
	}
	if h.Verb == 0 || h.Verb == shutdown.VerbPrepare {
		return n
	}
	ways := len(o.Policy.Hosts[k].Methods)
	if h.Verb == shutdown.VerbStart {
		ways = max(1, len(o.Policy.Hosts[k].Starts))
	}
	if int(h.Method) >= ways {
		return n
	}
	id := shutdown.ActionID{Outage: h.Outage, Host: k, UPS: -1, Verb: h.Verb, Method: h.Method, Try: h.Try}
	n.Last = shutdown.Begun{Action: shutdown.Action{ID: id, Deadline: h.Deadline}}
	if !h.InFlight {
		n.Last.Ended, n.Last.Outcome = o.Now, shutdown.Unreachable
		if h.Told {
			n.Last.Outcome = shutdown.Accepted
		}
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

// ofRunner gives the conditions that the core knows nothing of.
func (b *board) ofRunner() []Condition {
	var list []Condition
	for _, c := range b.Conditions {
		for code := shutdown.JournalUnwritten; code <= shutdown.MemoryRefused; code++ {
			if c.Code == code.String() {
				list = append(list, c)
			}
		}
	}
	return list
}
