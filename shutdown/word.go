package shutdown

import (
	"fmt"
	"slices"
	"time"
)

// An operator's word for one host is a fact: what was said, and when. What follows from
// it, follows as from any other fact: who should be off, and who comes back.
//
//	stop    it should be off: it is asked once, at once, by orderly ways; an outage
//	        may force it. It is not brought back before somebody starts it.
//	start   it should be up: it is started at once, whatever the battery's charge, as
//	        long as a feed of it has input. Over when it is up, or every way was in vain.
//	keep    it stays up until the point of no return, or its battery says that it is
//	        low. Over with the outage.
//	clear   what a condition says of it was seen to by a person. An emergency power off
//	        is of no host: it is over for all.

// Objection says why an order for one host is not taken as things stand, and what to do
// instead; "" when it is.
func (s *State) Objection(e *Event) string {
	switch {
	case e.Kind != Commanded || !e.Order.OfHost():
		return ""
	case e.Order == Clear:
		return s.objectionToClear(e.Code, e.Host)
	case s.Policy.Hosts[e.Host].StaysUp:
		return s.Policy.Hosts[e.Host].Name + " is never to be stopped or started, says the policy (stays_up)."
	case s.Policy.Hosts[e.Host].Observe && e.Order != KeepHost:
		return s.Policy.Hosts[e.Host].Name + " is only watched, says the policy (observe): no order is given to it. Remove observe from the policy and reload; or see to the host by hand."
	case e.Order == StopHost:
		return s.objectionToStop(e.Host)
	case e.Order == StartHost:
		return s.objectionToStart(e.Host)
	}
	return s.objectionToKeep(e.Host)
}

func (s *State) objectionToStop(k int32) string {
	h, name := &s.Hosts[k], s.Policy.Hosts[k].Name
	switch {
	case s.Policy.Hosts[k].Self:
		return "The agent runs on " + name + ": an order from here could not start it again. Shut it down there."
	case s.nextWay(k, -1, false) < 0:
		return name + " has no orderly way to stop, only one that takes its power, and that is left to outages. Switch it off by hand."
	case h.State == Unseen:
		return name + " has not been seen yet. Try again in a moment."
	case h.State == Failed:
		return fmt.Sprintf("%s did not come back. If it is to stay off: `ebbline status --clear %s:%s`.", name, s.notBack(k), name)
	case h.State == TurnedOff || h.State == Off && h.Word == StopHost:
		return name + " is off already, and nothing brings it back."
	case h.State == Late || h.State == GivenUp:
		return name + " was asked to stop and did not go down in its time. Look at it; then `ebbline status --clear host-given-up:" + name + "`."
	case h.State == Starting || h.State == Interrupted:
		return name + " is being started. Wait until it is up."
	case stopping(h.State) && h.Word == StopHost:
		return name + " is being stopped already."
	}
	if j := s.needing(k); j >= 0 {
		other, is := s.Policy.Hosts[j].Name, s.ShownAs(j)
		if s.Hosts[j].IsOff() {
			is += " and to be brought back"
		}
		return fmt.Sprintf("%s needs %s, and %s is %s. Stop %s first: `ebbline status --stop %s`.", other, name, other, is, other, other)
	}
	return ""
}

// needing gives a host that depends on k and may be up, or will be; -1 for none.
func (s *State) needing(k int32) int32 {
	for j := range s.Hosts {
		if dependsOn(s.Policy.Hosts[j].DependsOn, k) && (!s.Hosts[j].IsOff() || s.owed(int32(j))) {
			return int32(j)
		}
	}
	return -1
}

func (s *State) objectionToStart(k int32) string {
	h, p := &s.Hosts[k], &s.Policy.Hosts[k]
	switch {
	case len(p.Starts) == 0:
		return "The policy has no way to start " + p.Name + ". Start it by hand, or give it a wake block."
	case h.State == Unseen:
		return p.Name + " has not been seen yet. Try again in a moment."
	case h.State == Up || h.State == Halfway:
		return p.Name + " is up."
	case h.State == Starting || h.State == Interrupted:
		return p.Name + " is being started already."
	case h.State == Late || h.State == GivenUp:
		return p.Name + " was asked to stop and did not go down in its time. Look at it; then `ebbline status --clear host-given-up:" + p.Name + "`."
	case stopping(h.State):
		return p.Name + " is being stopped. Wait until it is off."
	case s.cutOnPurpose():
		return "Power was cut on purpose. Look first; then `ebbline status --clear emergency-off`."
	case s.heated(k):
		return p.Name + " stands in a room that nears its limit, and would be stopped again. See to the cooling first."
	case !s.coolFor(s.Now, k):
		return p.Name + " stands in a room that is not yet 5 kelvin below its limit. See to the cooling, or, if that is not so, to the sensor."
	case !s.anyFeedGood(k):
		return "No UPS that feeds " + p.Name + " has input. Wait until one has."
	case !s.anyFeedStays(k):
		return "The output of the UPS that feeds " + p.Name + " may go off yet: it was told to, and that is not taken back so far. Wait a few minutes: it is taken back, or off and on again by then."
	}
	if d := s.missing(k); d >= 0 {
		return fmt.Sprintf("%s needs %s, and that is %s. Start that one first.", p.Name, s.Policy.Hosts[d].Name, s.ShownAs(d))
	}
	return ""
}

// missing gives a host that k needs and that is not up; -1 for none.
func (s *State) missing(k int32) int32 {
	for _, d := range s.Policy.Hosts[k].DependsOn {
		if s.Hosts[d].IsOff() || !s.stands(s.Now, int32(d)) || d == s.Policy.Hosts[k].RunsOn && s.Hosts[d].State != Up {
			return int32(d)
		}
	}
	return -1
}

// hasInput tells whether a UPS has its input, by what it said of late.
func (s *State) hasInput(i int) bool { return s.UPSs[i].good() && !s.unheard(s.Now, int32(i)) }

func (s *State) anyFeedGood(k int32) bool {
	return slices.ContainsFunc(s.Policy.Hosts[k].FedBy, s.hasInput)
}

// anyFeedStays tells whether a feed has input, and an output that does not go off yet.
func (s *State) anyFeedStays(k int32) bool {
	return slices.ContainsFunc(s.Policy.Hosts[k].FedBy, func(i int) bool { return s.hasInput(i) && !s.mayGoOff(s.Now, int32(i)) })
}

func (s *State) objectionToKeep(k int32) string {
	h, p := &s.Hosts[k], &s.Policy.Hosts[k]
	switch {
	case p.Self:
		return "The agent runs on " + p.Name + ": it goes last of all as it is."
	case h.IsOff():
		return p.Name + " is off: there is nothing to keep."
	case h.State == Starting || h.State == Interrupted:
		return p.Name + " is being started. Wait until it is up."
	case !h.runs():
		return p.Name + " is being stopped, and that is not taken back."
	}
	return ""
}

// judged are the conditions of hosts that a person ends: no look at the host tells
// whether it is as it should be.
func judged(c Code) bool {
	return c == HostNotBack || c == NoWayToStart || c == HostGivenUp || c == StoppedHalfway || c == StopFailed || c == KeepInForce || c == HostCut
}

func (s *State) objectionToClear(c Code, k int32) string {
	switch {
	case c == MemoryRefused:
		return ""
	case c == EmergencyOff && k >= 0:
		return fmt.Sprintf("%s is of no host: `ebbline status --clear %s`.", c, c)
	case c == EmergencyOff && !s.cutOnPurpose():
		return c.String() + " is not so now. `ebbline status` shows what is."
	case c == EmergencyOff:
		return ""
	case !judged(c):
		return c.String() + " is not one that a person's word ends: it is over when what it says is no longer so."
	case k < 0:
		return fmt.Sprintf("Say of which host: `ebbline status --clear %s:HOST`.", c)
	}
	if s.hold(s.Now); find(s.work.holding, &Notice{Code: c, UPS: -1, Host: k}) < 0 {
		return fmt.Sprintf("%s of %s is not so now. `ebbline status` shows what is.", c, s.Policy.Hosts[k].Name)
	}
	return ""
}

// saidOfHost takes an operator's word for one host.
func (s *State) saidOfHost(at Instant, e *Event) {
	if s.Objection(e) != "" {
		return
	}
	n := notice(OrderTaken, -1, e.Host)
	n.Notice.A, n.Notice.B = int64(e.Order), -1
	if e.Order == Clear {
		n.Notice.B = int64(e.Code)
	}
	s.emit(n)
	if e.Code == EmergencyOff {
		s.clearEmergency()
		s.dropSchedule()
	}
	if e.Host < 0 {
		return // of all, or of what the runner said
	}
	h := &s.Hosts[e.Host]
	h.Word, h.WordAt = e.Order, at
	if e.Order == Clear {
		h.Word = 0
		s.fold(e.Host, InJudged)
		if h.State == TurnedOff {
			h.Asked = 0 // not in vain: it may be asked again
		}
	}
	s.dropSchedule()
}

// endWord ends a word that a change of the host's state has fulfilled, or that somebody
// has overruled at the host itself.
func (h *Host) endWord(from HostState) {
	switch {
	case h.Word == StartHost && (h.State == Up || h.State == Failed),
		h.Word == StopHost && h.State == Up && (from == Off || from == Dark || from == TurnedOff):
		h.Word = 0
	}
}

// ordered takes note that an operator's word was carried out: see [State.Begun].
func (h *Host) ordered(id ActionID) {
	said := Instant(id.Outage) * Instant(time.Second)
	if at := int64(h.WordAt) / int64(time.Second); uint32(at) == id.Outage {
		return
	}
	h.Word, h.WordAt = StopHost, said
	if id.Verb == VerbStart {
		h.Word = StartHost
	}
}

// due tells whether a host that is asked to stop has still reason to: it is on battery,
// or an operator wants it off.
func (s *State) due(k int32) bool { return s.affected(k) || s.Hosts[k].Word == StopHost }

// toStop tells whether a host is to be asked to stop for an operator's word. It is asked
// once for each: one that stays up nevertheless is for a person to look at.
func (s *State) toStop(k int32) bool {
	h := &s.Hosts[k]
	return h.Word == StopHost && h.Asked < h.WordAt && (h.State == Up || h.State == Silent || h.State == Halfway) && s.needing(k) < 0
}

// toStart tells whether a host is to be started for an operator's word.
func (s *State) toStart(k int32) bool {
	switch h := &s.Hosts[k]; h.State {
	case Off, TurnedOff, Failed, Silent:
		return h.Word == StartHost && !s.cutOnPurpose() && s.anyFeedStays(k) && s.missing(k) < 0
	}
	return false
}

// stopFailed tells whether a host was asked to stop for an operator's word and stayed up.
func (s *State) stopFailed(k int32) bool {
	h := &s.Hosts[k]
	if h.Word != StopHost || h.Asked < h.WordAt {
		return false
	}
	switch h.State {
	case Up, Silent, Halfway:
		return true
	case Late, GivenUp:
		return !s.affected(k)
	}
	return false
}

// nextWay is the method after one by which a host may be asked to stop, -1 for none.
// Power is taken by force in an outage only.
func (s *State) nextWay(k int32, after int, force bool) int {
	for m := after + 1; m < len(s.Policy.Hosts[k].Methods); m++ {
		if force || !s.Policy.Hosts[k].Methods[m].Force {
			return m
		}
	}
	return -1
}

// mayForce tells whether a host that is asked may have its power taken.
func (s *State) mayForce(k int32) bool {
	return s.Hosts[k].Word != StopHost || s.affected(k) && s.Word != Abort
}

// actionOf begins the name of an action on a host: of the operator's word that it is
// for, or of the outage.
func (s *State) actionOf(k int32) ActionID {
	h := &s.Hosts[k]
	id := ActionID{Outage: s.Outage, Host: k, UPS: -1, Try: 1}
	if (h.Word == StopHost || h.Word == StartHost) && h.Asked >= h.WordAt {
		id.Outage, id.Ordered = uint32(int64(h.WordAt)/int64(time.Second)), true
	}
	return id
}

// askForWord begins the stop that an operator ordered.
func (s *State) askForWord(at Instant, k int32) {
	s.tellAsked(k, ByOperator)
	s.Hosts[k].Asked = at
	if s.unprepared(k) {
		s.prepare(at, k)
	}
	s.fold(k, InAsked)
	m := s.nextWay(k, -1, false)
	s.try(at, k, m, s.Policy.Hosts[k].Methods[m].GivesUp)
}
