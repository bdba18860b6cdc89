package shutdown

import (
	"time"
)

// Times that belong to the way orders are given, not to a site.
const (
	retryFirst   = 3 * time.Second  // before an unreachable host is tried again
	retryMost    = 15 * time.Second // the longest wait between two such tries
	retryRefused = 5 * time.Second  // before a refusing host is asked once more
	fastLook     = time.Second      // between looks at a host that stops or starts, or may have to
	slowLook     = 30 * time.Second // between looks at one that has nothing to do
	orderLost    = 10 * time.Second // what a UPS gets to take an order
	startRounds  = 3                // times that all ways to start a host are tried
)

// age lets time, and what is known of UPSs, take effect on where hosts stand.
func (s *State) age(at Instant) {
	w := s.scratch()
	for _, k := range w.order {
		s.ageHost(at, k)
	}
	for k := range s.Hosts {
		if s.Policy.Hosts[k].StaysUp {
			s.ageHost(at, int32(k))
		}
	}
}

// ageHost goes on until nothing more follows; each state is passed once at the most.
func (s *State) ageHost(at Instant, k int32) {
	for range numStates {
		before := s.Hosts[k].State
		if s.ageOnce(at, k); s.Hosts[k].State == before {
			return
		}
	}
}

func (s *State) ageOnce(at Instant, k int32) {
	h := &s.Hosts[k]
	switch dark := s.dark(k); {
	case dark && h.State != Dark && !h.IsOff():
		s.fold(k, InDark)
		return
	case !dark && h.State == Dark:
		h.Seen, h.SeenFrom = 0, at // what was made of it is taken back
		s.fold(k, InLit)
	}
	switch h.State {
	case Asked, Told, Doubt, AskedOff:
		if s.due(k) {
			if s.spent(at, k) && at >= s.lateFrom(k) {
				s.fold(k, InSpent)
			}
			return
		}
		s.spare(at, k)
	case Late:
		if !s.affected(k) {
			s.fold(k, InBack)
		}
	case Halfway, GivenUp:
		if s.affected(k) {
			return
		}
		switch {
		case h.Seen == SeenUp && (h.State == GivenUp || at >= s.patience(k)):
			s.fold(k, InStays)
		case h.Seen == SeenSilent && (h.State == Halfway || s.seemsCut(k)):
			s.fold(k, InCut) // to start one that is only out of sight does no harm
		}
	case Silent:
		if s.seemsCut(k) && s.Outstanding() && s.mayStart(at, k) {
			s.fold(k, InCut)
		}
	case Starting:
		if s.affected(k) {
			s.fold(k, InLost)
		}
	case Interrupted:
		if !s.affected(k) {
			s.fold(k, InBack)
		}
	}
}

// spare lets a host whose input is back go on: what was begun is finished, nothing
// new is begun, least of all by force.
func (s *State) spare(at Instant, k int32) {
	h := &s.Hosts[k]
	switch {
	case h.underWay() && at < h.Last.Action.Deadline:
	case h.State == Asked && h.Seen == SeenSilent && s.inView(k):
		s.fold(k, InCut) // out of sight: to start it does no harm if it is up
	case h.State == Asked && h.Seen == SeenSilent && at < s.giveUp(k): // the way to it may be back by then, and shows which
	case h.State == Asked || h.State == AskedOff:
		s.fold(k, InSpared)
	case at < s.giveUp(k):
	case h.Seen == SeenSilent:
		s.fold(k, InCut) // told, and out of sight since: to start it does no harm if it is up
	default:
		s.fold(k, InSpent)
	}
}

// giveUp is when the whole allowance of a host that is asked is used up; one that was
// not looked at since the agent, or its host, started is looked at first.
func (s *State) giveUp(k int32) Instant {
	h := &s.Hosts[k]
	t := h.Asked.Add(s.Policy.Hosts[k].GivesUp())
	if h.Seen == 0 && h.SeenFrom != 0 {
		t = max(t, h.SeenFrom.Add(afterBoot))
	}
	return t
}

// lateFrom is when a host that is asked is late: one that may have taken its order can go
// at the end of its allowance, which only its silence proves.
func (s *State) lateFrom(k int32) Instant {
	if h := s.Hosts[k].State; h == Asked || h == AskedOff {
		return s.giveUp(k)
	}
	return s.giveUp(k).Add(s.Policy.Hosts[k].Probe.QuietFor)
}

// patience is how long a host that was told to stop, and has used up its allowance, is
// waited for when the input is back: as long again as it was allowed.
func (s *State) patience(k int32) Instant {
	return max(s.giveUp(k), s.Hosts[k].Last.Ended).Add(s.Policy.Hosts[k].GivesUp())
}

// methodOver tells whether the method under way has used up its part.
func (s *State) methodOver(at Instant, k int32) bool {
	h := &s.Hosts[k]
	return (at >= h.Last.Action.Deadline || at >= s.giveUp(k)) && !h.unlooked(at)
}

// spent tells whether no method is left.
func (s *State) spent(at Instant, k int32) bool {
	h := &s.Hosts[k]
	return s.methodOver(at, k) && (s.aborted(k) || s.nextWay(k, int(h.Last.Action.ID.Method), s.mayForce(k)) < 0)
}

// aborted tells whether an operator's abort holds for a host: a word for the host itself
// goes further.
func (s *State) aborted(k int32) bool { return s.Word == Abort && s.Hosts[k].Word != StopHost }

// stop asks those whose time has come, and goes on with those that are asked.
func (s *State) stop(at Instant) {
	own := s.ownGoes(at)
	s.scratch().reading, s.scratch().tellings = nil, 0
	for _, k := range s.Order() {
		switch h := &s.Hosts[k]; {
		case s.toStop(k):
			s.askForWord(at, k)
		case s.unasked(k):
			s.maybeAsk(at, k, own)
		case stopping(h.State) && s.due(k):
			s.goOn(at, k)
		case s.ownStays(at, k):
			s.tellOwnAgain(at, k)
		}
	}
}

// ownStays tells whether the agent's own host runs on though its allowance is used up,
// and its battery ends: nothing else is left to be done, so it is told again.
func (s *State) ownStays(at Instant, k int32) bool {
	h := &s.Hosts[k]
	return s.Policy.Hosts[k].Self && h.givenUp() && s.affected(k) && s.surelyLost(at, k) && s.Word != Abort &&
		at >= h.Last.Action.Deadline
}

// tellOwnAgain begins the next method of the agent's own host, after the last the first;
// ever less often.
func (s *State) tellOwnAgain(at Instant, k int32) {
	h, ways := &s.Hosts[k], s.Policy.Hosts[k].Methods
	m := (int(h.Last.Action.ID.Method) + 1) % len(ways)
	s.try(at, k, m, max(ways[m].GivesUp, at.Sub(h.Asked)/2))
}

// ownGoes tells whether the agent's own host is being stopped, or has come to its latest
// start: then nothing is left to ask the others later, and all that are up are asked now.
func (s *State) ownGoes(at Instant) bool {
	k := s.ownHost()
	if k < 0 || s.drawsOn(k) {
		return false
	}
	return s.going(k) || s.unasked(k) && s.planned(k) && at >= s.latestOf(k)
}

// maybeAsk asks a host to stop when its start has come and all that depends on it is
// off, when its latest start has, or when the agent's own host goes.
func (s *State) maybeAsk(at Instant, k int32, own bool) {
	p := &s.Policy.Hosts[k]
	if s.slot(k) < 0 || s.Word == Abort || !s.planned(k) {
		return
	}
	if p.Self && s.urgent(k) == 0 && s.heatFirst(k) {
		return // it warms the room by little, and nothing would start it again, nor the others
	}
	start, late := s.startOf(k), at >= s.latestOf(k) || own
	if s.urgent(k) != 0 {
		start = min(start, at)
	}
	if !late && at < start && (p.Prepare == nil || at < start.Add(-p.Prepare.Ahead)) || !s.surelyLost(at, k) {
		return
	}
	blocker, _ := s.blocker(k)
	if s.unprepared(k) && at >= start.Add(-p.Prepare.Ahead) {
		s.prepare(at, k)
	}
	switch {
	case at < start && (!late || blocker < 0 && !own):
		return
	case blocker >= 0 && !late:
		return
	case blocker < 0 && s.Policy.Site.AtOnce > 0 && s.stops() >= s.Policy.Site.AtOnce && !late:
		return
	case blocker < 0 && p.Self && s.outputsWanted(at, k):
		return
	}
	cause := Cause(0)
	if own && at < start {
		cause = ForOwn
	}
	s.ask(at, k, cause)
}

// outputsWanted tells whether the agent's own host waits for an output to be told to
// go off: a UPS is being asked, or will be, since that is why the host goes now.
func (s *State) outputsWanted(at Instant, k int32) bool {
	if s.Policy.Site.Observe {
		return false
	}
	for i := range s.UPSs {
		if s.output(at, int32(i)) == outputAsked {
			return true
		}
	}
	o, _ := s.StopOf(k)
	return o.Why == ForOutput && at < s.latestOf(k) && !s.outputsCount(at, k)
}

// blocker gives a host that may still be up and must be off before k stops, or -1; and
// one that depends on k and stays up, on another feed or since it is only watched, or -1.
func (s *State) blocker(k int32) (blocker, stays int32) {
	blocker, stays = -1, -1
	self, before := s.Policy.Hosts[k].Self, s.scratch().dependents[k]
	if self {
		before = s.Order()
	}
	for _, i := range before {
		h := &s.Hosts[i]
		old := h.unlooked(s.Now)
		if i == k || !h.runs() && !stopping(h.State) && !old {
			continue
		}
		switch {
		case s.planned(i), s.justBack(i), old && s.affected(i):
			return i, stays
		case h.seemsOff():
		case !s.Policy.Hosts[i].StaysUp && !self:
			stays = i
		}
	}
	return blocker, stays
}

// stops counts the stops under way.
func (s *State) stops() int {
	n := 0
	for k := range s.Hosts {
		if s.going(int32(k)) {
			n++
		}
	}
	return n
}

// unprepared tells whether a host is to be given its early step before it is asked: once
// in an outage, or for an operator's word, and again when it was asked and stays up. One
// that may be half down or half up has had its own, or nothing to prepare yet.
func (s *State) unprepared(k int32) bool {
	h, p := &s.Hosts[k], &s.Policy.Hosts[k]
	last, id := h.Last.Action.ID, s.earlyStep(k)
	had := last.Verb == VerbPrepare && last.Outage == id.Outage && last.Ordered == id.Ordered
	return p.Prepare != nil && !p.Observe && !had && h.State != Halfway && h.State != Interrupted
}

// earlyStep names the early step of a host: of the outage that is on, or is about to begin
// where a room gets too warm.
func (s *State) earlyStep(k int32) ActionID {
	id := s.actionOf(k)
	id.Verb = VerbPrepare
	if s.Began == 0 && !id.Ordered {
		id.Outage++
	}
	return id
}

// prepare begins a host's early step.
func (s *State) prepare(at Instant, k int32) {
	n := notice(EarlyStep, -1, k)
	n.Notice.Span = -1
	if s.Hosts[k].Word != StopHost {
		n.Notice.Span = s.startOf(k).Sub(at)
	}
	s.emit(n)
	s.begin(&s.Hosts[k], s.earlyStep(k), at.Add(s.Policy.Hosts[k].Prepare.GivesUp))
}

// ask begins a host's stop with its first method; for a cause, where it is none of the
// schedule's.
func (s *State) ask(at Instant, k int32, cause Cause) {
	h := &s.Hosts[k]
	s.tellAsked(k, cause)
	if s.Policy.Hosts[k].Observe {
		s.suppose(at, k)
		return
	}
	if !s.away(k) {
		s.reopen(at, k) // it goes though it has input
	}
	s.fold(k, InAsked)
	h.Asked = at
	s.try(at, k, 0, s.Policy.Hosts[k].Methods[0].GivesUp)
	if s.Policy.Hosts[k].Self {
		s.switchOutputs(at) // that are to go with it: nothing is there to tell them later
	}
}

// try begins a method of a host that is asked, for as long as is given; the same one
// again keeps its deadline.
func (s *State) try(at Instant, k int32, method int, allowed time.Duration) {
	h := &s.Hosts[k]
	id := s.actionOf(k)
	id.Verb, id.Method = VerbShutDown, uint8(method)
	if s.Policy.Hosts[k].Methods[method].Force {
		id.Verb = VerbPowerOff
	}
	s.begin(h, id, at.Add(allowed))
}

// begin gives an order to a host.
func (s *State) begin(h *Host, id ActionID, deadline Instant) {
	last := &h.Last.Action.ID
	outcome := Outcome(0)
	if last.Outage == id.Outage && last.Ordered == id.Ordered && last.Verb != 0 {
		id.Try = last.Try + 1
		if last.Verb == VerbPrepare {
			id.Try = last.Try // the stop that it was for has its number
		}
		if last.Verb == id.Verb && last.Method == id.Method && h.Last.Ended >= h.Asked {
			outcome = h.Last.Outcome
		}
	}
	h.Last = Begun{Action: Action{ID: id, Deadline: deadline}, Outcome: outcome}
	s.emit(Effect{Kind: Begin, Action: h.Last.Action})
}

// goOn moves a host on that is asked: another try, or the next method.
func (s *State) goOn(at Instant, k int32) {
	h := &s.Hosts[k]
	if s.aborted(k) || h.Word != StopHost && !s.surelyLost(at, k) {
		return
	}
	ways, force := s.Policy.Hosts[k].Methods, s.mayForce(k) && s.surelyLost(at, k)
	if s.methodOver(at, k) {
		m := s.nextWay(k, int(h.Last.Action.ID.Method), s.mayForce(k))
		if m < 0 || ways[m].Force && !force {
			return
		}
		if h.underWay() {
			s.emit(Effect{Kind: Cancel, Action: h.Last.Action})
		}
		s.try(at, k, m, ways[m].GivesUp)
		return
	}
	if h.underWay() || at < s.againAt(k) || ways[h.Last.Action.ID.Method].Force && !force {
		return
	}
	b, _ := s.blocker(k)
	if h.Word == StopHost {
		b = max(b, s.needing(k))
	}
	if b >= 0 && at < s.latestOf(k) {
		return // one that depends on it has come up since
	}
	s.try(at, k, int(h.Last.Action.ID.Method), h.Last.Action.Deadline.Sub(at))
}

// againAt is when the method of a host that is asked is tried again; Never while
// nothing speaks for it.
func (s *State) againAt(k int32) Instant {
	h := &s.Hosts[k]
	ended := h.Last.Ended
	switch h.Last.Outcome {
	case Refused:
		return ended.Add(retryRefused)
	case Unreachable:
		if h.Seen == SeenUp && h.SeenFrom > ended {
			return h.SeenFrom // it came in sight since
		}
		return ended.Add(min(max(retryFirst, ended.Sub(h.Asked)/2), retryMost))
	case Unknown:
		if h.Seen == SeenUp && h.UpAt >= ended.Add(recheck) {
			return h.UpAt // still up: it did not get the order
		}
	}
	return Never
}

// askAgain asks a UPS a moment later whose one answer said that its output is off, or
// its battery at its end.
func (s *State) askAgain(before, at Instant) {
	for i := range s.UPSs {
		u := &s.UPSs[i]
		due := func(heard Instant) bool {
			return heard != 0 && at >= heard.Add(aMoment) && before < heard.Add(aMoment)
		}
		if due(u.OffHeard) && !u.Dead() || due(u.EndHeard) && u.LastAt < u.EndHeard.Add(aMoment) {
			s.emit(Effect{Kind: Poll, UPS: int32(i)})
		}
	}
}

// look has hosts looked at as often as their state asks for.
func (s *State) look(at Instant) {
	for k := range s.Hosts {
		h := &s.Hosts[k]
		if every := s.lookEvery(at, int32(k)); every != h.Every {
			h.Every = every
			s.emit(Effect{Kind: Probe, Host: int32(k), Every: every})
		}
	}
}

func (s *State) lookEvery(at Instant, k int32) time.Duration {
	h := &s.Hosts[k]
	switch {
	case h.pending(), h.State == Interrupted, h.State == Silent:
		return fastLook
	case h.unlooked(at):
		return fastLook // it may have gone, or come, meanwhile
	case s.Outstanding() && !h.IsOff() && !s.Policy.Hosts[k].StaysUp:
		return fastLook
	}
	return slowLook
}

// outputState is where the switching of a UPS's output stands.
type outputState uint8

const (
	outputOn       outputState = iota // nothing asked
	outputAsked                       // an order to switch it off is under way
	outputCounts                      // the UPS counts down
	outputReturned                    // it is asked to stop counting
	outputRefused                     // it would not, or nobody knows
	outputUnsure                      // nobody knows, and its input is back: it may count down
)

// output reads the last order to a UPS's output.
func (s *State) output(at Instant, i int32) outputState {
	b := &s.UPSs[i].Switch
	late := b.underWay() && at >= b.Action.Deadline
	switch {
	case b.Action.ID.Verb == 0 || b.Action.ID.Outage != s.Outage && !s.UPSs[i].OnBattery() && !b.underWay():
		return outputOn
	case b.Action.ID.Verb == VerbSwitchOn && b.underWay() && !late:
		return outputReturned
	case b.Action.ID.Verb == VerbSwitchOn:
		return outputOn
	case b.underWay() && !late:
		return outputAsked
	case b.Ended != 0 && b.Outcome == Accepted:
		return outputCounts
	case s.UPSs[i].OnBattery():
		return outputRefused
	case (late || b.Outcome == Unknown) && at < s.goesOff(i):
		return outputUnsure
	}
	return outputOn
}

// goesOff is when the output of a UPS goes off at the latest, by the last order to it.
func (s *State) goesOff(i int32) Instant {
	at := s.UPSs[i].Switch.Action.Deadline
	if o := s.Policy.UPSs[i].Output; o != nil { // else a new policy has none
		at = at.Add(o.OffAfter)
	}
	return at
}

// mayGoOff tells whether the output of a UPS that has its input may go off all the same:
// nothing is started on it until that is taken back, or over.
func (s *State) mayGoOff(at Instant, i int32) bool {
	switch s.output(at, i) {
	case outputAsked, outputCounts, outputUnsure, outputReturned:
		return true
	}
	return s.mayCountOn(at, i)
}

// OutputCounts tells whether a UPS was told to switch its output off.
func (s *State) OutputCounts(i int32) bool {
	o := s.output(s.Now, i)
	return o == outputAsked || o == outputCounts
}

// switchOutputs switches off the output of each UPS whose hosts are all down, before
// the agent's own host goes; and calls it back when the input returns in time.
func (s *State) switchOutputs(at Instant) {
	if s.cutOnPurpose() {
		return // what was cut on purpose is not to come back by itself
	}
	for i := range s.UPSs {
		u := &s.UPSs[i]
		switch o := s.output(at, int32(i)); {
		case (o == outputCounts || o == outputUnsure) && (!u.OnBattery() || s.wanted(int32(i))) && !s.ownLeaves(int32(i)):
			s.switchOutput(at, int32(i), VerbSwitchOn)
		case o == outputOn && s.mayCut(at, int32(i)):
			s.switchOutput(at, int32(i), VerbSwitchOff)
		}
	}
}

func (s *State) switchOutput(at Instant, i int32, v Verb) {
	b := &s.UPSs[i].Switch
	id := ActionID{Outage: s.Outage, Host: -1, UPS: i, Verb: v, Try: 1}
	if last := b.Action.ID; last.Verb != 0 && last.Outage == id.Outage {
		id.Try = last.Try + 1
	}
	*b = Begun{Action: Action{ID: id, Deadline: at.Add(orderLost)}}
	s.tellSwitched(i, v)
	s.emit(Effect{Kind: Begin, Action: b.Action})
}

// tellSwitched tells what is ordered of a UPS's output, and which hosts that may run still
// lose their power by it.
func (s *State) tellSwitched(i int32, v Verb) {
	if v == VerbSwitchOn {
		n := notice(OutputStays, i, -1)
		if s.UPSs[i].OnBattery() {
			n.Notice.A = StaysForHost
		}
		s.emit(n)
		return
	}
	n := notice(OutputGoes, i, -1)
	var run []string
	for k := range s.Hosts {
		if h, p := &s.Hosts[k], &s.Policy.Hosts[k]; s.fedBy(int32(k), i) && s.affected(int32(k)) && !h.IsOff() && !p.Self {
			run = append(run, p.Name)
		}
	}
	if len(run) > 0 {
		n.Notice.Name = listed(run)
	}
	s.emit(n)
}

// ownLeaves tells whether the agent's own host hangs on a UPS and was told to stop. It
// cannot be held, and only the output's going off and on starts it again: the
// countdown must run to its end, though the input is back. Where the host runs on after
// its time it may go yet: the output is called back as late as can be.
func (s *State) ownLeaves(i int32) bool {
	k := s.ownHost()
	if k < 0 || !s.fedBy(k, i) {
		return false
	}
	switch h := &s.Hosts[k]; h.State {
	case Told, Doubt, Late:
		return true
	case Asked:
		return h.underWay()
	case Halfway, GivenUp:
		return s.Now < s.callBackBy(i)
	}
	return false
}

// callBackBy leaves time for two orders before an output goes off.
func (s *State) callBackBy(i int32) Instant { return s.goesOff(i).Add(-3 * orderLost) } // the first counts in [State.goesOff]

// mayCut tells whether nothing that runs on the UPS would be lost with it: its hosts
// are down, but for the agent's own, whose turn has come. One that was given up may be
// running still: it is left on until the agent's host must go, or else to the
// battery's end. Once that one had to go before the others were off, it is enough that
// they will be, or have used up their allowances, when the output goes: else nothing
// would start it again if the input came back before the battery's end.
func (s *State) mayCut(at Instant, i int32) bool {
	u := &s.UPSs[i]
	if s.Policy.UPSs[i].Output == nil || s.watched(i) || !u.OnBattery() || u.Dead() || s.Word == Abort || !s.Planned() || !s.sure(at, i) {
		return false
	}
	any, own, runs := false, false, false
	for k := range s.Hosts {
		h, p := &s.Hosts[k], &s.Policy.Hosts[k]
		switch fed := s.fedBy(int32(k), i); {
		case !fed:
			if s.hangsOn(int32(k), i) && !s.inTime(at, int32(k), i) {
				return false
			}
			continue
		case p.Self && h.runs() && s.affected(int32(k)):
			if !s.ownMayGo(at, int32(k)) {
				return false
			}
			own = true
		case s.keepsOn(at, int32(k), i):
			return false
		default:
			runs = runs || (h.State == GivenUp || h.State == Late) && !p.Self
			own = own || p.Self && s.affected(int32(k))
		}
		any = true
	}
	return any && (own || !runs)
}

// ownMayGo tells whether the turn of the agent's own host has come.
func (s *State) ownMayGo(at Instant, k int32) bool {
	o, ok := s.StopOf(k)
	blocker, _ := s.blocker(k)
	return ok && s.surelyLost(at, k) && blocker < 0 && at >= s.startOf(k) && !(o.Why == ForOutput && s.lingers(k))
}

// keepsOn tells whether a host needs the output of a UPS that feeds it.
func (s *State) keepsOn(at Instant, k, i int32) bool {
	h := &s.Hosts[k]
	switch {
	case h.unlooked(at):
		return true // it may have come up since it went down
	case !s.affected(k):
		return !h.IsOff() && !s.canDoWithout(at, k, i)
	case s.Policy.Hosts[k].StaysUp:
		return true
	}
	return (h.runs() && !s.askedInVain(k) || h.pending()) && !s.inTime(at, k, i)
}

// inTime tells whether a host that stops will be off, or have used up its allowance,
// when an output goes that must go since the agent's own host leaves.
func (s *State) inTime(at Instant, k, i int32) bool {
	return stopping(s.Hosts[k].State) && s.giveUp(k) <= at.Add(s.Policy.UPSs[i].Output.OffAfter) && s.ownLeaves(i)
}

// canDoWithout tells whether a host has a feed on which it can be left alone, and whose
// output is not told to go off: the input of that has been good for long enough; or it is
// there for more than a moment, and the UPS is through with the outage, ready for another.
// A test of the UPS's own, from its battery, shows no input. Once the agent's own host
// leaves, the word of now is enough: this UPS is not counted on for longer, and nothing is
// left to watch over either.
func (s *State) canDoWithout(at Instant, k, i int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		u, proven := &s.UPSs[f], s.Policy.Site.Restore.StableFor
		if u.Lost == 0 {
			proven = min(proven, settledFor)
		}
		if u.From != 0 && u.good() && !s.OutputCounts(int32(f)) && (s.ownLeaves(i) || u.Says == SaysInput && at >= u.back().Add(proven)) {
			return true
		}
	}
	return false
}

// wanted tells whether a host that is up has only this UPS, or others on battery, since
// its output was told to go off: another feed has failed meanwhile.
func (s *State) wanted(i int32) bool {
	for k := range s.Hosts {
		h := &s.Hosts[k]
		if (h.runs() && !h.seemsOff() || h.State == Starting) && !s.Policy.Hosts[k].Self && s.fedBy(int32(k), i) && s.affected(int32(k)) {
			return true
		}
	}
	return false
}

// hangsOn tells whether a host that is up on other feeds needs a load of a UPS.
func (s *State) hangsOn(k, i int32) bool {
	h := &s.Hosts[k]
	return !s.fedBy(k, i) && s.needsFrom(k, i) && !h.IsOff() && !h.givenUp() && !s.Policy.Hosts[k].Self
}

// needsFrom tells whether a load that a host needs would lose its power with a UPS's
// output: no other feed of it carries anything for certain, and goes on with that.
func (s *State) needsFrom(k, i int32) bool {
	for _, l := range s.Policy.Hosts[k].NeedsLoads {
		needs := dependsOn(s.Policy.Loads[l].FedBy, i)
		for _, f := range s.Policy.Loads[l].FedBy {
			needs = needs && (int32(f) == i || s.OutputCounts(int32(f)) || s.mayBeDead(int32(f)))
		}
		if needs {
			return true
		}
	}
	return false
}
