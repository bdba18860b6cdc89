package shutdown

import (
	"slices"
	"time"
)

// What proves what. Nothing that takes power from a host rests on one
// unauthenticated answer; and of two, none is from before the agent started, unless it is
// five seconds older than the other at the most.
//
//	what                  proof                                          believed
//	input lost            two answers that say battery, a second apart;  until one says input
//	                      or one, and then silence; while the last says
//	                      that the input is good, as much later as an
//	                      answer may be missing
//	                      or silence, while another UPS has lost its     until it answers, or
//	                      input surely                                   the other's is back
//	input there           one answer for stopping nobody further; ten    until one says battery
//	                      seconds of them for taking it as given; the
//	                      policy's stable_for for starting anything;
//	                      they count anew after a silence of a minute,
//	                      or one within the ten seconds; and from the
//	                      second answer where the first said that the
//	                      input was bad all the same
//	a UPS's own test      an answer that says so, with input there       15 minutes
//	output off            two answers that say so, a second apart; none  until one says that it carries
//	                      of the only UPS that can carry the agent's
//	                      own host, for that runs
//	host down             silence for the policy's quiet_for, after an   until it answers
//	                      order that arrived, with the way to it there:
//	                      the UPS that carries it answers, or a host
//	                      was reached over it since; and no guest of it
//	                      answering since; or its BMC, or its outlet's
//	                      meter
//	host turned off       two looks that show silence, its UPS saying    until it answers
//	                      between them that it has input
//	host cut              silence, its input being there, after a time   until it answers
//	                      in which its feeds may have carried nothing:
//	                      at its beginning, or with other machines, or
//	                      in an outage
//	battery low           two answers that say so, or have the voltage   until the input is back
//	                      at which a discharge ends, a second apart; or
//	                      one, and then silence
//	fewer minutes left    two answers in a row that agree on the end     until the input is back
//	a sensor's reading    it is where a room can have come to since the  until one is not; two that
//	                      last one                                       are not: for ten minutes
//	the room warms        a kelvin over its lowest of the last hour,     until it does not
//	                      with the input away; with input, a clear rise,
//	                      and the same of a second sensor
//	power cut on purpose  two answers that say so, three seconds apart   until a person clears it
const (
	aMoment      = time.Second      // apart are two answers that together prove something
	settledFor   = 10 * time.Second // input back for less was no return: the outage goes on
	testAtMost   = 15 * time.Minute // a battery test of the UPS's own; engineering value, no source
	unwatchedFor = time.Minute      // a silence so long may hide a loss that matters
	afterBoot    = time.Minute      // what a UPS or a host gets to answer first after a boot of the agent's host
	quickly      = 5 * time.Second  // an agent that lives again within this knows what it knew: a service manager's wait, and a start
	recheck      = 10 * time.Second // a host still up so long after an unknown outcome did not get the order
)

// Says is what a UPS's answer says of its input and output.
type Says uint8

const (
	SaysInput   Says = iota + 1 // its load is carried, and not from the battery
	SaysTest                    // from the battery, in a test of its own
	SaysBattery                 // from the battery, since the input is away
	SaysOff                     // it carries nothing, and the input was there
	SaysOffLost                 // it carries nothing, and the input was away
	SaysNothing                 // it is silent, and the input of another is away
)

// says reads an answer, beside what was said before. In a loss of input a test that
// begins must say that the input is there, which the answer before did not; one that has
// outlasted a test's length is none, and its flag is not believed again until it was gone,
// or the agent's host has booted: what was said before is old.
func (u *UPS) says(m *Measurement, at Instant, booted bool) Says {
	test := m.Testing && m.Input == LineGood
	switch {
	case u.OnBattery():
		test = test && (!u.Last.Testing || u.Last.Input != LineGood || booted)
	case u.Says == SaysTest:
		test = test && (booted || at.Sub(u.From) < testAtMost)
	}
	switch {
	case m.Source == FromNothing && u.OnBattery():
		return SaysOffLost
	case m.Source == FromNothing:
		return SaysOff
	case m.Source == FromBattery || m.Source == 0 && m.OnBatterySecs > 0:
		if test {
			return SaysTest
		}
		return SaysBattery
	case m.Source == 0 && u.Says == SaysNothing:
		return SaysBattery
	case m.Source == 0 && u.Says != 0:
		return u.Says
	}
	return SaysInput
}

// OnBattery tells whether the input is away, by the last that was said of it, or by
// silence.
func (u *UPS) OnBattery() bool {
	return u.Says == SaysBattery || u.Says == SaysOffLost || u.Says == SaysNothing
}

// Dead tells whether the UPS's output is off.
func (u *UPS) Dead() bool {
	return u.Says == SaysOff || u.Says == SaysOffLost
}

// loneOff tells whether an answer is the only one so far, since the agent started, that
// says that the output is off: that is no evidence before a later one says so too.
func (u *UPS) loneOff(at, alive Instant, m *Measurement) bool {
	switch {
	case m.Source != FromNothing:
		u.OffHeard = 0
		return false
	case u.OffHeard == 0, !u.Dead() && u.OffHeard < alive && at.Sub(u.OffHeard) > quickly:
		u.OffHeard = at
	}
	return !u.Dead() && at < u.OffHeard.Add(aMoment)
}

// mustCarry tells whether a UPS carries its load whatever it says: the agent's own host
// runs, and no other UPS carries that. A card may call normal mode "none": the compliance
// sections of RFC 1628 number the sources otherwise than their definition does.
func (s *State) mustCarry(i int32) bool {
	k := s.ownHost()
	if k < 0 || !s.fedBy(k, i) {
		return false
	}
	for _, f := range s.Policy.Hosts[k].FedBy {
		if int32(f) != i && !s.UPSs[f].Dead() {
			return false
		}
	}
	return true
}

// corrected is an answer that says wrongly that the output is off, without that: what it
// says of the input counts, or what was said of that before.
func (s *State) corrected(i int32, m *Measurement) *Measurement {
	c := *m
	c.Source = FromInput
	if m.Input == LineBad || m.Input == 0 && s.UPSs[i].OnBattery() {
		c.Source = FromBattery
	}
	return &c
}

// saysOffWrongly tells whether a UPS has said twice that its output is off, and that is
// not so.
func (s *State) saysOffWrongly(i int32) bool {
	u := &s.UPSs[i]
	return u.OffHeard != 0 && !u.Dead() && u.LastAt >= u.OffHeard.Add(aMoment)
}

// good tells whether the UPS has input and carries its load.
func (u *UPS) good() bool { return !u.OnBattery() && !u.Dead() }

// oddReturn tells whether one answer alone has said that the input carries the load, and
// that it was bad all the same, and the next says that it is good: the first may have been
// an odd one, and the input back by now.
func (u *UPS) oddReturn(m *Measurement) bool {
	return u.good() && u.LastAt == u.From && u.Last.Input == LineBad && m.Input == LineGood
}

// back is since when the input is there; the UPS must be good.
func (u *UPS) back() Instant { return u.From }

// sure tells whether the loss of a UPS's input is more than an odd reading or a
// blink. After a boot of the agent's own host what was known is old: it takes a new
// answer, or a long silence.
func (s *State) sure(at Instant, i int32) bool {
	u := &s.UPSs[i]
	return u.From != 0 && s.lostByTwo(i) || at >= s.sureBySilence(i)
}

// lostByTwo tells whether two answers say that the input is lost: the last is a moment
// later than the first, or longer where it says that the input is good all the same. That
// is an odd one after a blink, or a UPS that waits before it trusts its input, or has a
// fault; which, the next answer shows.
func (s *State) lostByTwo(i int32) bool {
	u, apart := &s.UPSs[i], aMoment
	if u.Last.Input == LineGood {
		apart = max(apart, s.late(i))
	}
	return u.LastAt >= u.From.Add(apart)
}

// sureBySilence is when silence after one answer makes a loss sure.
func (s *State) sureBySilence(i int32) Instant {
	u := &s.UPSs[i]
	if u.From == 0 {
		return u.LastAt.Add(afterBoot)
	}
	return s.listened(i).Add(s.late(i))
}

// listened is since when an answer of a UPS is waited for.
func (s *State) listened(i int32) Instant { return max(s.UPSs[i].LastAt, s.Alive) }

// low tells whether a UPS's battery is at its end, by its own word or its voltage.
func (s *State) low(i int32) bool {
	u := &s.UPSs[i]
	return u.EndHeard != 0 && (u.LastAt >= u.EndHeard.Add(aMoment) || s.Now >= s.listened(i).Add(s.late(i)))
}

// late is what may pass before an answer is missing.
func (s *State) late(i int32) time.Duration {
	return s.Policy.UPSs[i].PollEvery() + s.Policy.UPSs[i].Timeout()
}

// surelyLost tells whether every loss that leaves the host on battery is sure.
func (s *State) surelyLost(at Instant, k int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if s.UPSs[f].OnBattery() && !s.sure(at, int32(f)) {
			return false
		}
	}
	return true
}

// justBack tells whether a host has input by the word of a moment only, silence
// after it among that: it may have to go after all.
func (s *State) justBack(k int32) bool {
	if s.Policy.Hosts[k].StaysUp || s.affected(k) {
		return false
	}
	for _, f := range s.Policy.Hosts[k].FedBy {
		if u := &s.UPSs[f]; u.good() && u.From != 0 && min(u.LastAt, s.Now) >= u.back().Add(settledFor) {
			return false
		}
	}
	return true
}

// reachable tells whether the policy has a way to ask the UPS.
func (s *State) reachable(i int32) bool {
	p := &s.Policy.UPSs[i]
	return p.SNMP != nil || p.HID != nil
}

// silentAfter is how long a UPS may be silent before it counts as silent.
func (s *State) silentAfter(i int32) time.Duration {
	return max(3*s.Policy.UPSs[i].PollEvery()+s.Policy.UPSs[i].Timeout(), 10*time.Second)
}

// silent tells whether a UPS counts as silent: by time, not by tries.
func (s *State) silent(at Instant, i int32) bool {
	return s.reachable(i) && at.Sub(s.listened(i)) >= s.silentAfter(i)
}

// unheard tells whether nothing is known of so long a time, whether it was silent or
// the agent was not there.
func (s *State) unheard(at Instant, i int32) bool {
	return s.reachable(i) && at.Sub(s.UPSs[i].LastAt) >= s.silentAfter(i)
}

// afterStart has what takes two answers begin anew with the first one since the agent
// started, unless the one before it is only a moment old: nobody knows what the UPS
// would have said between them.
func (s *State) afterStart(at Instant, i int32) {
	u := &s.UPSs[i]
	if u.LastAt >= s.Alive || at.Sub(u.LastAt) <= quickly {
		return
	}
	if u.OnBattery() || u.From != 0 && u.LastAt < u.back().Add(settledFor) {
		u.From = at
	}
	if u.LastAt < u.EndHeard.Add(aMoment) {
		u.EndHeard = 0
	}
}

// gap is the last time in which a UPS may have carried nothing; no end is now.
func (s *State) gap(at Instant, i int32) (from, to Instant, ok bool) {
	u := &s.UPSs[i]
	switch {
	case u.GapFrom != 0 && u.GapTo == 0:
		return u.GapFrom, at, true
	case s.unheard(at, i) && !s.onlyFeedOfAgent(i):
		return s.gapSince(i, u.LastAt), at, true
	}
	return u.GapFrom, u.GapTo, u.GapFrom != 0
}

// gapSince gives the beginning of a gap that is noted now. One that has not ended goes on.
// In an outage it is joined to the one before, while a host is out of sight that may have
// lost its power in that.
func (s *State) gapSince(i int32, from Instant) Instant {
	u := &s.UPSs[i]
	switch {
	case u.GapFrom != 0 && u.GapTo == 0:
		return min(from, u.GapFrom)
	case u.GapFrom == 0 || !s.Outstanding():
		return from
	}
	for k := range s.Hosts {
		if h := &s.Hosts[k]; h.State == Silent && h.UpAt < u.GapTo && s.fedBy(int32(k), i) {
			return min(from, u.GapFrom)
		}
	}
	return from
}

// mayBeCut tells whether all feeds of a host may have been without output at one
// time, since it was last seen up. With no outage on it goes with its UPSs when they
// fall silent, or with another host later, or was turned off.
func (s *State) mayBeCut(k int32) bool {
	from, to := s.unfed(k)
	up := s.Hosts[k].UpAt
	return from < to && up < to && (s.Outstanding() || up <= from.Add(unwatchedFor) || s.wentTogether(k))
}

// unfed is the last time in which all feeds of a host may have carried nothing; from is not
// before to where there is none.
func (s *State) unfed(k int32) (from, to Instant) {
	to = s.Now
	for _, f := range s.Policy.Hosts[k].FedBy {
		a, b, ok := s.gap(s.Now, int32(f))
		if !ok {
			return to, to
		}
		from, to = max(from, a), min(to, b)
	}
	return from, to
}

// wentTogether tells whether another machine of one of its UPSs was last seen up at the
// same time as a host, and none that hangs on the same UPSs alone after that: while those
// are silent, that is how a battery ends. One host alone may be turned off at any time.
func (s *State) wentTogether(k int32) bool {
	up, together := s.Hosts[k].UpAt, false
	for j := range s.Hosts {
		h, p := &s.Hosts[j], &s.Policy.Hosts[j]
		if s.machine(int32(j)) == s.machine(k) {
			continue
		}
		shares, within := false, true
		for _, f := range p.FedBy {
			shared := s.fedBy(k, int32(f))
			shares, within = shares || shared, within && shared
		}
		switch apart := h.UpAt.Sub(up); {
		case within && (p.Self || apart > slowLook+p.Probe.QuietFor):
			return false // that one was carried on
		case shares && max(apart, -apart) <= slowLook && h.Seen == SeenSilent:
			together = true
		}
	}
	return together
}

// machine is the one that a host runs on, or itself.
func (s *State) machine(k int32) int32 {
	for s.Policy.Hosts[k].RunsOn >= 0 {
		k = int32(s.Policy.Hosts[k].RunsOn)
	}
	return k
}

// seemsCut tells whether a host ran and is silent now that its input is there, and
// may have lost its power. To start one that is only out of sight does no harm;
// until it is told to start it counts as up, since the input may fail again.
func (s *State) seemsCut(k int32) bool {
	h := &s.Hosts[k]
	switch {
	case h.State != Silent && h.State != GivenUp:
		return false
	case s.Policy.Hosts[k].Observe:
		return false // it is not for us to start it
	case h.Seen != SeenSilent || s.affected(k) || !s.inView(k) || h.Word == StopHost:
		return false
	}
	return h.State == GivenUp || s.mayBeCut(k)
}

// turnedOff tells whether somebody turned a host off, by all that can be seen: it is
// silent at a second look, and its UPS has said since the first that it has input.
func (s *State) turnedOff(k int32) bool {
	h := &s.Hosts[k]
	if h.State != Silent || s.Outstanding() || !s.inView(k) || s.mayBeCut(k) && !s.Policy.Hosts[k].Observe {
		return false
	}
	for _, f := range s.Policy.Hosts[k].FedBy {
		if u := &s.UPSs[f]; u.good() && min(u.LastAt, s.Now) > h.SeenFrom {
			return true
		}
	}
	return false
}

// proof tells whether the silence of a host that is asked to stop proves it down: an
// order has arrived, it was in sight until then, and the way to it is there; and nothing
// that runs on it has answered since. A BMC takes an order for a host that is out of
// sight: its silence then is as old as it was, and proves as little.
func (s *State) proof(k int32) bool {
	h := &s.Hosts[k]
	for g := range s.Hosts {
		if s.Policy.Hosts[g].RunsOn == int(k) && s.Hosts[g].UpAt > h.SeenFrom.Add(-s.Policy.Hosts[k].Probe.QuietFor) {
			return false
		}
	}
	inSight := h.SeenFrom > h.Asked && (h.UpAt >= h.Asked || h.SeenFrom > h.Last.Ended)
	return (h.State == Told || h.State == Doubt || h.State == Late || h.State == Halfway) && inSight && s.wayHolds(k)
}

// inView tells whether a host can be seen for certain: no load that it is reached through
// has lost its power, by what UPSs say, or may have, on a UPS that is silent, or whose
// battery was low when an answer of it was missing.
func (s *State) inView(k int32) bool {
	for _, l := range s.Policy.Hosts[k].NeedsLoads {
		if s.allMayBeDead(s.Policy.Loads[l].FedBy) {
			return false
		}
	}
	return true
}

// wayHolds tells whether each load that a silent host is reached through has power, by a UPS
// that goes on answering, or by a host that was reached through it since.
func (s *State) wayHolds(k int32) bool {
	for _, l := range s.Policy.Hosts[k].NeedsLoads {
		holds := false
		for _, f := range s.Policy.Loads[l].FedBy {
			holds = holds || !s.UPSs[f].Dead() && (s.onlyFeedOfAgent(int32(f)) || !s.misses(int32(f)))
		}
		if !holds && !s.seenThrough(l, s.Hosts[k].SeenFrom.Add(-s.Policy.Hosts[k].Probe.QuietFor/2)) {
			return false // a host that went with the way was up until then, too
		}
	}
	return true
}

// seenThrough tells whether a host was seen up, over a load, after a time.
func (s *State) seenThrough(load int, after Instant) bool {
	for k := range s.Hosts {
		if slices.Contains(s.Policy.Hosts[k].NeedsLoads, load) && s.Hosts[k].UpAt > after {
			return true
		}
	}
	return false
}

// misses tells whether an answer of a UPS is missing.
func (s *State) misses(i int32) bool {
	return s.reachable(i) && s.Now.Sub(s.UPSs[i].LastAt) >= s.late(i)
}

// mayBeDead tells whether a UPS carries nothing, or may: it is not counted on.
func (s *State) mayBeDead(i int32) bool {
	return s.UPSs[i].Dead() || s.mayBeEmpty(i) || s.unheard(s.Now, i)
}

// allMayBeDead tells whether what these UPSs feed has no power, or may have none.
func (s *State) allMayBeDead(feeds []int) bool {
	return !slices.ContainsFunc(feeds, func(f int) bool { return !s.mayBeDead(int32(f)) })
}

// mayBeEmpty tells whether a UPS may have carried nothing since its last answer: that was
// from a battery at its end, be it in a test of its own, and the next one is missing.
func (s *State) mayBeEmpty(i int32) bool {
	u := &s.UPSs[i]
	if !s.misses(i) {
		return false
	}
	return u.Says == SaysTest && s.saysEnd(i, &u.Last) || (u.OnBattery() || u.From == 0) && s.low(i)
}

// reachedOver tells whether the way to a host goes over a load that a UPS feeds.
func (s *State) reachedOver(k, i int32) bool {
	for _, l := range s.Policy.Hosts[k].NeedsLoads {
		if dependsOn(s.Policy.Loads[l].FedBy, i) {
			return true
		}
	}
	return false
}

// onlyFeedOfAgent tells whether a UPS alone carries the agent's own host: its output is
// on as long as that is not booted.
func (s *State) onlyFeedOfAgent(i int32) bool {
	k := s.ownHost()
	return k >= 0 && len(s.Policy.Hosts[k].FedBy) == 1 && s.fedBy(k, i)
}
