package shutdown

import "time"

// HostState is where one host stands. It is the fold of the table below over what
// was seen of the host and done to it; [State.fold] alone changes it.
type HostState uint8

const (
	Unseen      HostState = iota + 1 // not seen yet
	Up                               // it runs, by the last look
	Silent                           // it answers nothing now, and no order says why: it ran, or its power went and is back
	TurnedOff                        // off, by all that can be seen, and not by us: no outage brings it back, only an operator's order
	Asked                            // it is asked to stop; no order is known to have arrived
	Told                             // an order to stop arrived
	Doubt                            // an order to stop may have arrived
	Late                             // an order arrived, or may have; its allowance is used up; it may go down yet
	Halfway                          // that, and its input is back: it may stay up, or go down yet
	GivenUp                          // no order is known to have arrived, and its allowance is used up
	Off                              // stopped or cut by an outage, off by all that is known: it is brought back
	Dark                             // its UPSs say that they carry nothing
	Starting                         // to be started, or told to; not seen up yet
	Interrupted                      // told to start when the input was lost again: it may be up
	Failed                           // every way to start it was tried in vain
	AskedOff                         // asked to stop all the same, it looked turned off before and does so still: no outage brings it back
	numStates
)

// String gives the word that people see.
func (h HostState) String() string {
	return [...]string{"", "not seen yet", "up", "silent", "turned off", "asked", "stopping", "order in doubt", "going late", "stopped halfway", "given up",
		"off", "without power", "starting", "start interrupted", "not back", "asked"}[h]
}

// Input is what happens to a host, as far as its state is concerned.
type Input uint8

const (
	InUp       Input = iota + 1 // seen up
	InRefusing                  // the machine answers, the service does not
	InSilent                    // it answers nothing; that proves nothing
	InGone                      // it answers nothing, which proves it off where an order may have arrived: see [State.proof]
	InOff                       // proven off by another channel
	InAway                      // turned off, by all that can be seen: see [State.turnedOff]
	InAsked                     // the order to stop begins
	InTaken                     // an order to stop arrived
	InUnsure                    // it may have
	InSpent                     // its allowance is used up
	InSpared                    // its input is there, and no order has arrived
	InStays                     // its input is there, it is up, and will not go any more
	InCut                       // taken for off, with its input there; one that was asked, and that no order is known to have reached, is started at once: if it is up, that does no harm
	InDark                      // no feed carries anything
	InLit                       // one does again
	InHostOff                   // the host that it runs on is off
	InLost                      // the input was lost anew
	InBack                      // its input is there again
	InStarted                   // the order to start begins
	InVain                      // no way to start it is left
	InBoot                      // the agent's host was off meanwhile
	InOwn                       // it is the agent's own host, and that runs
	InJudged                    // a person has looked at it: it is as any other
	numInputs
)

// String gives the input in words.
func (i Input) String() string {
	return [...]string{"", "seen up", "seen refusing", "silent", "gone", "off", "turned off", "asked", "order arrived", "order in doubt", "allowance used up", "spared", "stays up",
		"cut", "no feed carries", "a feed carries again", "its host is off", "input lost", "input back", "start begins", "starts in vain", "agent's host booted", "own host runs", "judged by a person"}[i]
}

// transitions is the table: what follows from a state and an input. What it does
// not name changes nothing.
var transitions = [numStates][numInputs]HostState{
	Unseen: {InUp: Up, InRefusing: Up, InSilent: TurnedOff, InGone: TurnedOff, InOff: TurnedOff, InAsked: Asked,
		InDark: Dark, InHostOff: Off, InOwn: Up},
	Up: {InSilent: Silent, InGone: Silent, InOff: TurnedOff, InAsked: Asked,
		InCut: Off, InDark: Dark, InHostOff: Off},
	Silent: {InUp: Up, InRefusing: Up, InOff: TurnedOff, InAway: TurnedOff, InAsked: Asked, InStarted: Starting,
		InCut: Off, InDark: Dark, InHostOff: Off, InOwn: Up},
	TurnedOff: {InUp: Up, InRefusing: Up, InAsked: AskedOff, InStarted: Starting, InOwn: Up},
	Asked: {InOff: Off, InTaken: Told, InUnsure: Doubt, InSpent: GivenUp, InSpared: Up, InCut: Starting,
		InDark: Dark, InHostOff: Off, InBoot: Silent, InOwn: Up}, // no order is known to have arrived: it is as it was before
	Told: {InGone: Off, InOff: Off, InSpent: Late, InCut: Off,
		InDark: Dark, InHostOff: Off, InBoot: Doubt, InOwn: Up},
	Doubt: {InGone: Off, InOff: Off, InTaken: Told, InSpent: Late, InCut: Off,
		InDark: Dark, InHostOff: Off, InOwn: Up},
	Late: {InGone: Off, InOff: Off, InBack: Halfway, InCut: Off,
		InDark: Dark, InHostOff: Off, InOwn: Up, InJudged: Up},
	Halfway: {InGone: Off, InOff: Off, InStays: Up, InAsked: Doubt, InCut: Off, // the order of before may be at work still
		InDark: Dark, InHostOff: Off, InOwn: Up, InJudged: Up},
	GivenUp: {InOff: Off, InTaken: Late, InUnsure: Late, InStays: Up, InCut: Starting,
		InDark: Dark, InHostOff: Off, InLost: Up, InOwn: Up, InJudged: Up}, // lost anew: it is asked again
	Off:         {InUp: Up, InStarted: Starting, InOwn: Up},
	Dark:        {InUp: Up, InLit: Silent, InOff: Off, InHostOff: Off, InOwn: Up},
	Starting:    {InUp: Up, InLost: Interrupted, InVain: Failed, InDark: Off, InHostOff: Off, InBoot: Off, InOwn: Up},
	Interrupted: {InUp: Up, InOff: Off, InAsked: Asked, InBack: Starting, InDark: Off, InHostOff: Off, InBoot: Off, InOwn: Up},
	Failed:      {InUp: Up, InAsked: Asked, InStarted: Starting, InOwn: Up, InJudged: TurnedOff},
	AskedOff: {InUp: Asked, InRefusing: Asked, InOff: TurnedOff, InSpent: TurnedOff, InSpared: TurnedOff, // that a BMC takes the order does not show that it runs
		InDark: TurnedOff, InHostOff: TurnedOff, InOwn: Up},
}

// next gives the state that follows.
func next(from HostState, in Input) HostState {
	if to := transitions[from][in]; to != 0 {
		return to
	}
	return from
}

// fold takes one input of one host.
func (s *State) fold(k int32, in Input) {
	h := &s.Hosts[k]
	from, to := h.State, next(h.State, in)
	switch {
	case to == Off && s.Policy.Hosts[k].Observe:
		to = TurnedOff // not by us: it is only watched
	case from == AskedOff && to == Asked && h.Last.Ended != 0: // it runs after all, and its order may have arrived
		if h.Last.Outcome == Accepted {
			to = Told
		} else if h.Last.Outcome == Unknown && h.Last.Ended < h.Last.Action.Deadline {
			to = Doubt
		}
	}
	if to == from {
		return
	}
	s.shift(k, to)
	h.endWord(from)
	if h.Last.underWay() && h.Last.Action.ID.Verb != VerbPrepare && (to == Off || to == Dark || to == Up || to == TurnedOff || to == Interrupted || to == GivenUp || to == Late || to == Failed) {
		s.emit(Effect{Kind: Cancel, Action: h.Last.Action})
		if to != GivenUp && to != Late {
			h.Last.Ended, h.Last.Outcome = s.Now, 0
		}
	}
	s.tellChange(k, from, in)
	if to == Off || to == Dark {
		for g := range s.Hosts {
			if s.Policy.Hosts[g].RunsOn == int(k) {
				s.fold(int32(g), InHostOff)
			}
		}
	}
	switch to { // a look that is known already is a look at what it is now
	case Up, Silent:
		if in != InUp && in != InRefusing && in != InSilent && in != InGone && h.Seen == SeenSilent {
			s.fold(k, InSilent)
		}
	}
}

// tellChange records what a change of a host's state means for an operator.
func (s *State) tellChange(k int32, from HostState, in Input) {
	h := &s.Hosts[k]
	switch {
	case (in == InGone || in == InOff) && (h.State == Off || h.State == TurnedOff) && (stopping(from) || from == Late || from == Halfway || from == GivenUp):
		n := notice(HostDown, -1, k)
		n.Notice.Span = s.tookToStop(k)
		if s.powerCut(k) {
			n.Notice.B = int64(h.Last.Action.ID.Method)
		}
		s.emit(n)
	case from == Starting && h.State == Up && h.Last.Action.ID.Verb == VerbStart:
		n := notice(HostBack, -1, k)
		n.Notice.Span = s.Now.Sub(h.Asked)
		s.emit(n)
	}
}

// powerCut tells whether the last order to a host took its power.
func (s *State) powerCut(k int32) bool {
	b := &s.Hosts[k].Last
	return b.Action.ID.Verb == VerbPowerOff && b.Ended != 0 && b.Outcome == Accepted
}

// tookToStop is how long a host that has fallen silent took to stop, without the
// time that it must be silent for; negative where nobody saw it.
func (s *State) tookToStop(k int32) time.Duration {
	h := &s.Hosts[k]
	took := s.Now.Sub(h.Asked)
	if h.Seen == SeenSilent {
		took -= s.Policy.Hosts[k].Probe.QuietFor
	}
	if h.UpAt < h.Asked && h.SeenFrom == s.Now && s.Now.Sub(h.Asked) > afterBoot && h.Last.Ended < h.Asked {
		return -1
	}
	return max(0, took)
}

// shift gives a host another state, and has the load of a silent UPS on battery
// follow: up by all that the policy says, down only by what the host must have drawn
// for the measured load to have been what it was.
func (s *State) shift(k int32, to HostState) {
	h := &s.Hosts[k]
	was := h.State
	for _, f := range s.Policy.Hosts[k].FedBy {
		u := &s.UPSs[f]
		if !u.OnBattery() || u.Dead() || !s.silent(s.Now, int32(f)) {
			continue
		}
		s.drain(int32(f), s.Now, u.Load)
		h.State = was
		before := s.modelled(int32(f))
		h.State = to
		more := s.modelled(int32(f)) - before
		if more < 0 {
			more = min(0, more+max(0, before-u.Load))
		}
		u.Load = max(0, u.Load+more)
	}
	h.State = to
}

// stopping tells whether a host is being stopped.
func stopping(h HostState) bool { return h == Asked || h == Told || h == Doubt || h == AskedOff }

// asked tells whether an order to stop is the last that was done to it.
func (h *Host) asked() bool {
	return stopping(h.State) || h.State == Late || h.State == Halfway || h.State == GivenUp
}

// givenUp tells whether its allowance is used up, and it may run still.
func (h *Host) givenUp() bool { return h.State == GivenUp || h.State == Late }

// pending tells whether an order to it is meant to be carried out yet, begun or not.
func (h *Host) pending() bool { return stopping(h.State) || h.State == Starting }

// underWay tells whether an order to it was begun and has not ended.
func (h *Host) underWay() bool { return h.Last.underWay() }

// runs tells whether it is up, or not known to be otherwise, and not asked to stop:
// it would be planned for when its input is lost. One that looks turned off counts here, and
// as off ([Host.IsOff]): only its silence says that it is.
func (h *Host) runs() bool {
	switch h.State {
	case Unseen, Up, Silent, Halfway, Interrupted:
		return true
	}
	return h.seemsOff() && h.Seen != SeenOff // silence alone does not prove it
}

// seemsOff tells whether it was turned off, or did not come back, by all that can be
// seen: the next outage asks it nevertheless.
func (h *Host) seemsOff() bool { return h.State == TurnedOff || h.State == Failed }

// IsOff tells whether it is off, by all that is known.
func (h *Host) IsOff() bool {
	return h.State == Off || h.State == Dark || h.State == TurnedOff || h.State == Failed
}

// looksOff tells whether it looked turned off before anything was done to it, and does so
// still: it is asked to stop nevertheless.
func (h *Host) looksOff() bool {
	return h.seemsOff() || h.State == AskedOff
}

// draws tells whether it may draw power: what nobody has proven off may.
func (h *Host) draws() bool {
	return h.State != Off && h.State != Dark && !(h.seemsOff() && h.Seen == SeenOff)
}

// unlooked tells whether a host was not looked at since the agent, or its host,
// started, or its UPSs carried again, and is given the time for that.
func (h *Host) unlooked(at Instant) bool {
	return h.Seen == 0 && h.SeenFrom != 0 && at < h.SeenFrom.Add(afterBoot)
}
