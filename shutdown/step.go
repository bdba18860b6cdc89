package shutdown

import (
	"math"
	"time"

	"ebbline/policy"
	"ebbline/shutdown/battery"
)

// Times that belong to the way the core works, not to a site.
const (
	resumeWithin = 10 * time.Second // input back for less than this was no return: the outage goes on
	retryFirst   = 3 * time.Second  // before an unreachable host is tried again
	retryRefused = 5 * time.Second  // before a refusing host is asked once more
	recheck      = 10 * time.Second // a host still up so long after an unknown outcome did not get the order
	fastLook     = time.Second      // between looks at a host that stops or starts
	slowLook     = 30 * time.Second // between looks at a host in normal mode
	aMoment      = time.Second      // between the first and a later answer that the input is away
	unwatchedFor = time.Minute      // a silence so long may hide a loss that matters
	afterBoot    = time.Minute      // what a UPS gets to answer first after a boot of the agent's host
	orderLost    = 10 * time.Second // what a UPS gets to take an order
	startRounds  = 3                // times that all ways to start a host are tried
	lowDefault   = 120              // seconds left at "battery low" when the UPS does not say: common practice, no source
	quickly      = 5 * time.Second  // an agent that lives again within this knows what it knew: a service manager's wait, and a start
	// A UPS's own test takes seconds, or some minutes: common practice, no source. One
	// that goes on for longer is a flag that stands still, or drains the battery all the same.
	testLongest = 15 * time.Minute
)

// Step is the whole decision: a function of the state, the instant and the
// event alone. It changes s in place and appends what is to be done to out.
func (s *State) Step(at Instant, e *Event, out []Effect) []Effect {
	before := s.Now
	if at < before {
		at = before // a clock that goes back moves nothing
	}
	s.Now = at
	if s.Policy == nil && e.Kind != Adopted {
		return out
	}
	switch e.Kind {
	case Adopted:
		out = s.adopted(at, e, out)
	case Measured:
		if s.UPSs[e.UPS].offByOne(at, &e.Measurement) {
			break // as if it had not come
		}
		out = s.measured(at, e.UPS, &e.Measurement, out)
		s.UPSs[e.UPS].LastAt = at.Add(e.Standing)
	case Observed:
		out = s.observed(at, e.Host, e.Sighting, out)
	case Finished:
		out = s.finished(at, e, out)
	case Commanded:
		out = s.commanded(e.Order, out)
	case Restarted:
		out = s.restarted(at, at.Sub(before), e, out)
	}
	switch {
	case s.due || at >= s.Wake:
		out = s.decide(at, out)
	case e.Kind == Measured:
		s.Wake = s.nextWake(at) // an answer puts off the silence of its UPS
	}
	return out
}

// decide lets time and news take effect until nothing more follows from them.
func (s *State) decide(at Instant, out []Effect) []Effect {
	for range 100 {
		s.due = false
		out = s.silences(at, out)
		if !s.Stale && s.Planned && (s.Worse || s.Slack && s.anyDue(at)) {
			out = s.adjust(at, out)
		}
		if s.Stale {
			out = s.replan(at, out)
		}
		out = s.outputs(at, out)
		out = s.stops(at, out)
		out = s.phases(at, out)
		out = s.restore(at, out)
		if !s.due && !s.Stale {
			s.HostWake = s.hostWake(at)
			s.Wake = s.nextWake(at)
			return out
		}
	}
	panic("shutdown: a decision leads back to itself")
}

func (s *State) adopted(at Instant, e *Event, out []Effect) []Effect {
	if s.Outstanding() {
		waited := s.Waits()
		s.Next, s.NextDay = e.Policy, e.Day
		switch {
		case s.Waits():
			out = append(out, condition(PolicyWaits, -1, -1))
		case waited:
			out = append(out, cleared(PolicyWaits, -1, -1))
		}
		return out
	}
	if s.Next != nil {
		out = append(out, cleared(PolicyWaits, -1, -1))
	}
	s.adopt(e.Policy, e.Day, at)
	for k := range s.Hosts {
		out = append(out, Effect{Kind: Probe, Host: int32(k), Every: slowLook})
	}
	return out
}

// offByOne tells whether an answer is the only one so far that says that the output is
// off: that is no evidence before a later one says so too. Another is asked for a moment later.
func (u *UPS) offByOne(at Instant, m *Measurement) bool {
	switch {
	case m.Source != FromNothing:
		u.OffHeard = 0
		return false
	case u.OffHeard == 0:
		u.OffHeard = at
	}
	return !u.Dead && at < u.OffHeard.Add(aMoment)
}

// measured takes one answer of one UPS.
func (s *State) measured(at Instant, i int32, m *Measurement, out []Effect) []Effect {
	u := &s.UPSs[i]
	load := u.Load
	if m.LoadWatts != Unread && m.LoadWatts >= 0 {
		load = float64(m.LoadWatts)
	} else if u.LastAt == 0 || u.Load == 0 {
		load = s.modelled(i)
	}
	// Between two answers the load was at most the larger of the two.
	s.drain(i, at, max(u.Load, load))
	u.Load = load
	if u.Silent {
		u.Silent = false
		out = append(out, cleared(SourceSilent, i, -1))
		if at.Sub(u.LastAt) >= unwatchedFor {
			s.unwatched(at, i)
		}
		out = s.lookAgain(at, i, out)
	}
	u.LastAt = at
	was := u.Last
	u.Last = *m
	if c, reads := u.gauged(); reads && c < 1000 {
		u.Moved = true
	}
	if m.Source == 0 {
		u.Last.Source = was.Source
	}
	if !m.Testing || u.Last.Source != FromBattery {
		u.TestAt = 0
	} else if u.TestAt == 0 {
		u.TestAt = at
	}
	if s.lost(i, &u.Last) {
		s.unheard(at, i)
	}
	s.gauge(i)
	s.warmth(i)
	if u.CutFrom != 0 && u.CutTo == 0 && m.Source != FromNothing {
		u.CutTo = at
	}
	switch {
	case m.Source == FromNothing:
		return s.outputOff(at, i, out)
	case u.Dead:
		u.Dead, s.due, s.Stale = false, true, true
		out = append(out, cleared(OutputIsOff, i, -1))
		out = s.takeBack(at, i, out)
		if !u.OnBattery() && s.Outstanding() {
			u.Back = at // what it carries begins anew
			out = s.enter(at, i, Recovery, out)
		}
	}
	if (m.Source == FromBypass) != (was.Source == FromBypass) && m.Source != 0 {
		n := condition(NoBatteryBehind, i, -1)
		n.Notice.Clear = m.Source != FromBypass
		out = append(out, n)
	}
	switch {
	case s.lost(i, m):
		return s.inputLost(at, i, out)
	case m.Source != 0:
		return s.inputGood(at, i, out)
	}
	return out
}

// unwatched begins the wait for a stable input anew: nobody knows what it did
// before this answer.
func (s *State) unwatched(at Instant, i int32) {
	s.UPSs[i].Watched = at
}

// lookAgain has the hosts of a UPS that was silent looked at before anything is
// made of that: one that went out of sight may be in sight again, when it was the
// way to all of them that failed.
func (s *State) lookAgain(at Instant, i int32, out []Effect) []Effect {
	every := slowLook
	if s.Outstanding() {
		every = fastLook
	}
	for k := range s.Hosts {
		h := &s.Hosts[k]
		if h.Power == Up && h.Alive && s.fedBy(int32(k), i) {
			if h.Seen == SeenSilent {
				h.Seen, h.SeenAt = 0, at
			}
			out = append(out, Effect{Kind: Probe, Host: int32(k), Every: every})
		}
	}
	return out
}

// lost tells whether an answer says that the battery carries the load because
// the input is away. A battery test does too, with the input there: it is no outage,
// whatever it says of the battery.
func (s *State) lost(i int32, m *Measurement) bool {
	on := m.Source == FromBattery || m.Source == 0 && m.OnBatterySecs > 0
	return on && !s.tests(i, m)
}

// tests tells whether an answer comes out of a battery test of the UPS's own: it
// says so, and that the input is there, for no longer than a test takes.
func (s *State) tests(i int32, m *Measurement) bool {
	return m.Testing && m.Input == LineGood && s.Now.Sub(s.UPSs[i].TestAt) <= testLongest
}

func (s *State) inputLost(at Instant, i int32, out []Effect) []Effect {
	u := &s.UPSs[i]
	before := u.Readings
	if before == 0 {
		u.Heard = at
	}
	u.Readings = min(before+1, 2)
	if u.OnBattery() {
		s.Stale = s.Stale || !s.Planned
		s.due = s.due || s.Stale || before < 2 || s.onTrial(at, i)
		s.watch(at, i)
		return s.lowered(at, i, out)
	}
	resumed := u.resumed(at)
	if !resumed {
		u.Lost, u.Moved = u.since(at), false
		u.Start, u.StartTenths = u.Charge.Delivered+u.Charge.Bound, u.Last.ChargeTenths
		u.Low = false
	}
	u.Readings, u.Back, u.ReadyFrom = 1, 0, -1
	u.PlanLoad = 0
	switch {
	case s.anyOnBattery():
	case !resumed:
		s.Outage++ // in recovery too: what it asks has other names
		s.Began = u.Lost
	case s.Began == 0:
		s.Began = u.Lost
	}
	phase := RideThrough
	if resumed && s.anyTold(i) {
		phase = Shedding
	}
	out = s.enter(at, i, phase, out)
	out = append(out, Effect{Kind: Poll, UPS: i})
	for k := range s.Hosts {
		h := &s.Hosts[k]
		if !s.fedBy(int32(k), i) {
			continue
		}
		if h.Power == Starting && s.affected(int32(k)) {
			// It may be up already, or on its way: it is to be stopped again.
			out = s.stopStarting(at, int32(k), out)
		}
		if h.Power == Up && !s.Policy.Hosts[k].StaysUp {
			out = append(out, Effect{Kind: Connect, Host: int32(k)}, Effect{Kind: Probe, Host: int32(k), Every: fastLook})
		}
	}
	s.Stale, s.due = true, true
	return s.lowered(at, i, out)
}

// resumed tells whether a loss of input goes on that was over for a moment only.
func (u *UPS) resumed(at Instant) bool {
	return u.Lost != 0 && u.Back != 0 && at.Sub(u.Back) < resumeWithin
}

// since is when a loss of input began of which the UPS tells now: its own count dates
// it, no further back than the last answer with input.
func (u *UPS) since(at Instant) Instant {
	if secs := u.Last.OnBatterySecs; secs > 0 {
		return max(at.Add(-time.Duration(secs)*time.Second), u.GoodAt)
	}
	return at
}

// unheard takes off the charge what the load took from the beginning of a loss until
// the first answer that tells of it. A gauge may know it, and may not.
func (s *State) unheard(at Instant, i int32) {
	u := &s.UPSs[i]
	if u.OnBattery() && u.Known || u.Dead || u.resumed(at) {
		return
	}
	if _, reads := u.gauged(); reads && !u.Known {
		u.Charge, u.Beside = battery.Charge{}, battery.Charge{} // full, at the most, when it was lost
	}
	u.discharge(u.Load, at.Sub(u.since(at)).Seconds())
}

// onTrial tells whether this answer is the one that makes a loss of input sure.
func (s *State) onTrial(at Instant, i int32) bool {
	u := &s.UPSs[i]
	return at >= u.Heard.Add(aMoment) && at.Sub(u.Heard) < aMoment+2*s.Policy.UPSs[i].PollEvery()+s.Policy.UPSs[i].Timeout()
}

func (s *State) inputGood(at Instant, i int32, out []Effect) []Effect {
	u := &s.UPSs[i]
	u.Readings = 0
	if sure := u.Back.Add(resumeWithin); u.GoodAt < sure && at >= sure {
		s.due = true // see justBack
	}
	u.GoodAt = at
	if u.Last.Testing && u.Last.Source == FromBattery {
		return out
	}
	if u.Phase == Normal {
		step := float64(max(1, s.Policy.UPSs[i].RatedWatts/50))
		u.Full = float64(math.Ceil(u.Load/step) * step)
		return out
	}
	if u.Phase == Recovery {
		// The last thing that is waited for may be the charge.
		s.due = s.due || u.ReadyFrom < 0 || s.percent(i) >= u.ReadyFrom
		return out
	}
	u.Back = at
	u.Charge, u.Beside = u.taken(), battery.Charge{}
	u.StartedAt = 0
	if u.Low {
		u.Low = false
		out = append(out, cleared(BatteryLow, i, -1))
	}
	if u.Lowered {
		u.Lowered = false
		out = append(out, cleared(ForecastLowered, i, -1))
	}
	u.afresh(s.Policy.Site.ConfidencePermille)
	s.Stale = true
	out = s.enter(at, i, Recovery, out)
	s.gauge(i)                            // as it reads with the belief of before the outage
	s.Going = s.Going && s.anyOnBattery() // said of this loss, not of the next
	return out
}

// outputOff: the UPS answers and carries nothing.
func (s *State) outputOff(at Instant, i int32, out []Effect) []Effect {
	u := &s.UPSs[i]
	if u.Dead {
		return out
	}
	u.Dead, s.due, s.Stale = true, true, true
	u.cut(at)
	for k := range s.Hosts {
		h := &s.Hosts[k]
		if !s.fedBy(int32(k), i) || !s.dark(int32(k)) || h.Power == Down {
			continue
		}
		was := h.Power
		// No feed carries it: it is off, whatever it was doing. With the input there
		// that is an outage of its own, and over when all is back.
		if h.ran() && !s.Outstanding() {
			s.Began = at
			s.Outage++
		}
		h.Stopped = h.Stopped || h.ran()
		s.setDown(at, int32(k))
		h.Was = was
		out = append(out, Effect{Kind: Probe, Host: int32(k), Every: fastLook})
	}
	return append(out, condition(OutputIsOff, i, -1))
}

// takeBack: a UPS that said that its output is off carries again. What that word
// made of hosts, and nothing else has shown since, is not known any more: they are
// looked at. One that lost its power shows as silent, see seemsCut.
func (s *State) takeBack(at Instant, i int32, out []Effect) []Effect {
	for k := range s.Hosts {
		h := &s.Hosts[k]
		if h.Was == 0 || !s.fedBy(int32(k), i) {
			continue
		}
		was := h.Was
		switch was {
		case Up:
			h.Alive, h.Stopped = h.Stopped, false
		case Starting: // it may be up already
			was, h.Alive = Up, true
		case Asked:
			if h.Retry = at.Add(retryFirst); h.Told {
				h.Retry, h.Doubt = 0, at.Add(recheck)
			}
		}
		s.become(at, int32(k), was)
		h.Was, h.Seen, h.SeenAt = 0, 0, at
		out = append(out, Effect{Kind: Probe, Host: int32(k), Every: fastLook})
	}
	return out
}

// dark tells whether no feed of the host carries anything.
func (s *State) dark(k int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if !s.UPSs[f].Dead {
			return false
		}
	}
	return true
}

// drain brings the model of a battery to now, at the load given.
func (s *State) drain(i int32, at Instant, load float64) {
	u := &s.UPSs[i]
	secs := at.Sub(u.ChargeAt).Seconds()
	if secs <= 0 {
		return
	}
	u.ChargeAt = at
	switch {
	case u.Dead:
		u.Charge = u.Belief.Model.Advance(u.Charge, 0, secs)
		u.Beside = u.Belief.Model.Advance(u.Beside, 0, secs)
	case u.OnBattery(), u.Last.Source == FromBattery: // a test takes from the battery too
		u.discharge(load, secs)
		u.LowEnergy = max(0, u.LowEnergy-float64((load+u.Own)*secs))
	default:
		u.Charge = u.Belief.Recharge(u.Charge, secs)
	}
}

// discharge has the battery carry a load at the output, and the UPS itself: what that
// takes as is likely, and beside it what the low projection counts on more.
func (u *UPS) discharge(load, secs float64) {
	m := &u.Belief.Model
	fade := m.Fade(secs)
	u.Charge = m.AdvanceBy(u.Charge, load+u.Belief.OverheadWatts, secs, fade)
	u.Beside = m.AdvanceBy(u.Beside, u.Own-u.Belief.OverheadWatts, secs, fade)
}

// gauge lets the UPS's charge reading correct the model: with input, to the
// lower of the two; at the first sight of a UPS, to the reading.
func (s *State) gauge(i int32) {
	u := &s.UPSs[i]
	if u.OnBattery() && u.Known {
		return
	}
	c, reads := u.gauged()
	if !reads {
		u.Known = true // a battery that nobody measured counts as the model has it: full at first
		return
	}
	lost := s.lost(i, &u.Last)
	first := !u.Known && !lost
	if first {
		u.Charge.Bound = 0 // nobody knows what of it would come back by itself
	}
	m := u.Belief.Scaled(u.Factor)
	// A gauge counts to zero at this load, or at the rate of the label: the worse
	// of the two. What is bound for now is missing from the reading too: some batteries
	// bind half of what is likely.
	full := max(m.Full(), m.Store-float64(m.Ohmic*(u.Load+u.Belief.OverheadWatts)))
	gone := max(0, float64((1-float64(c)/1000)*full)-u.Charge.Bound/2)
	if first || gone > u.Charge.Delivered || u.Phase == Normal && c == 1000 && !lost && u.toppedUp(full) {
		u.Charge.Delivered = gone
	}
	if !u.Known { // in an outage: what the gauge falls by counts from here
		u.Start, u.StartTenths = u.Charge.Delivered+u.Charge.Bound, c
	}
	u.Known = true
}

// gauged gives the charge that the UPS reads, in tenths of a percent, if it does.
func (u *UPS) gauged() (tenths int64, ok bool) {
	c := u.Last.ChargeTenths
	return c, c != Unread && c >= 0 && c <= 1000
}

// toppedUp tells whether a gauge that says "full" is to be believed: one that stands
// still says so right after an outage. One that has said less since the loss moves.
// A tenth is what the model credits last, and what the slowest of measured recharges
// gave back in three quarters of an hour.
func (u *UPS) toppedUp(full float64) bool {
	return u.Back == 0 || u.Moved || u.Charge.Delivered <= 0.1*full && u.ChargeAt.Sub(u.Back) >= time.Hour
}

// warmth lets the battery's temperature bear on the belief, while there is input:
// in an outage the battery warms itself, which is no reason to expect more.
func (s *State) warmth(i int32) {
	u := &s.UPSs[i]
	t := u.Last.TemperatureC
	if t == Unread || u.OnBattery() || t == u.Warmth {
		return
	}
	u.Warmth = t
	u.Belief = u.Belief.AtTemperature(float64(t) / 10)
	u.afresh(s.Policy.Site.ConfidencePermille)
}

// afresh takes the belief as it is without this outage's readings.
func (u *UPS) afresh(confidence int64) {
	u.Prior, u.Likely, u.Own = u.Belief.LowAt(confidence), u.Belief.Likely, u.Belief.OwnAt(confidence)
	u.Factor, u.OwnEnd, u.AtEnd = u.Prior, 0, 0
}

// watch asks for a safer plan when the load is above what the plan counts on,
// and notes when it is well below it.
func (s *State) watch(at Instant, i int32) {
	u := &s.UPSs[i]
	rated := float64(s.Policy.UPSs[i].RatedWatts)
	switch {
	case u.Load > u.PlanLoad:
		s.Worse, s.due = true, true
	case u.Load < u.PlanLoad-float64(0.05*rated):
		s.Slack = true
	}
}

// lowered takes what speaks against the low projection: the UPS's "battery low",
// which outranks the model at once, its voltage, its charge reading and its own
// minutes. Nothing here ever raises it: a reading that is better than the belief
// changes nothing.
func (s *State) lowered(at Instant, i int32, out []Effect) []Effect {
	u := &s.UPSs[i]
	watts := u.Load + u.Belief.OverheadWatts
	out = s.nearEnd(i, u.Load+u.Own, out)
	if most, ok := u.byCharge(watts); ok {
		out = s.lower(i, most, u.Likely, ByCharge, out)
	}
	if factor, ok := s.byMinutes(at, i, watts); ok {
		spread := ownSpread
		if s.Policy.UPSs[i].OwnPermille != 0 {
			spread = knownSpread
		}
		low, likely := u.Belief.Weighed(u.Prior, factor, spread)
		by := int64(ByMinutes)
		if u.Last.RuntimeSeconds == 0 {
			by = 0 // the end is near, which speaks of no worse battery
		}
		out = s.lower(i, low, likely, by, out)
	}
	return out
}

// What lowered the projection, as a notice says it.
const (
	ByCharge  = iota + 1 // the charge reading
	ByMinutes            // the UPS's own minutes
)

// ownSpread is by how much a UPS's own minutes err, as the standard deviation of
// their logarithm: they are off by a factor of 1.6 as often as not. knownSpread is
// what is left once they were measured and are corrected by their median.
// Engineering values, no source.
const (
	ownSpread   = 0.7
	knownSpread = 0.4
)

// lower puts a lower projection in force, and says by what, unless by is 0.
func (s *State) lower(i int32, low, likely float64, by int64, out []Effect) []Effect {
	u := &s.UPSs[i]
	u.Likely = min(u.Likely, likely)
	if low >= u.Factor-0.005 {
		return out
	}
	if !u.Lowered && by != 0 {
		u.Lowered = true
		n := condition(ForecastLowered, i, -1)
		n.Notice.A, n.Notice.B = int64(1000*low/u.Factor), by
		out = append(out, n)
	}
	u.Factor = low
	s.Worse, s.due = true, true
	return out
}

// nearEnd takes the UPS's "battery low", or a voltage that means it.
func (s *State) nearEnd(i int32, watts float64, out []Effect) []Effect {
	u := &s.UPSs[i]
	p := &s.Policy.UPSs[i].Battery
	if v := u.Last.Millivolts; v != Unread && v > 0 && p.Chemistry == policy.VRLA && p.Volts > 0 {
		u.AtEnd = min(u.AtEnd+1, 2)
		if float64(v) > float64(1000*max(endVolts, p.EndVolts)/cellVolts*p.Volts) {
			u.AtEnd = 0
		}
	}
	st := u.Last.Battery
	if st != StoreLow && st != StoreDepleted && u.AtEnd < 2 {
		return out
	}
	left := int64(lowDefault)
	if l := u.Last.LowSeconds; l != Unread && l > 0 {
		left = l
	}
	if st == StoreDepleted {
		left = 0
	}
	if energy := watts * float64(left); !u.Low || st == StoreDepleted && u.LowEnergy > 0 {
		u.LowEnergy = energy
		s.Worse, s.due = true, true
	}
	if !u.Low {
		u.Low = true
		n := condition(BatteryLow, i, -1)
		if st != StoreLow && st != StoreDepleted {
			n.Notice.A = u.Last.Millivolts
		}
		out = append(out, n)
	}
	return out
}

// A lead-acid string is at its end at the rates of a UPS when a cell, nominally of
// 2 V, has so many (from memory), or as many as the policy states if those are more.
const endVolts, cellVolts = 1.67, 2

// byCharge gives the most that the store can be by the charge reading. A gauge
// that counts to zero at this load falls by the part of what the battery gives at
// this load that was taken from it. Gauges err on the high side (see
// testdata/battery), so its fall bounds the store from above.
func (u *UPS) byCharge(watts float64) (float64, bool) {
	c := u.Last.ChargeTenths
	if c == Unread || u.StartTenths == Unread || u.StartTenths-c < 150 {
		return 0, false
	}
	taken := u.Charge.Delivered + u.Charge.Bound - u.Start
	return u.Belief.Holding(battery.Charge{Delivered: taken / (float64(u.StartTenths-c) / 1000)}, watts), true
}

// byMinutes gives the factor on the store that the UPS's own minutes mean, when
// that is less than the likely one, and two answers in a row agree on the end:
// within a fifth, or the whole minute in which many count.
func (s *State) byMinutes(at Instant, i int32, watts float64) (float64, bool) {
	u := &s.UPSs[i]
	left := time.Duration(u.Last.RuntimeSeconds) * time.Second
	was := u.OwnEnd
	if u.Last.RuntimeSeconds == Unread || left < 0 {
		u.OwnEnd = 0
		return 0, false
	}
	// Whole minutes are what is left, cut off to the step in which most cards count:
	// up to the next one nothing speaks against the forecast. None is taken as none.
	if left > 0 && left%time.Minute == 0 {
		left += time.Minute
	}
	if n := s.Policy.UPSs[i].OwnPermille; n != 0 {
		left = left * time.Duration(n) / 1000
	}
	u.OwnEnd = at.Add(left)
	if was == 0 || max(was, u.OwnEnd).Sub(min(was, u.OwnEnd)) > max(time.Minute, left/5) {
		return 0, false
	}
	factor := u.Belief.Lasting(u.Charge, watts, left.Seconds())
	return factor, factor < u.Belief.Likely && factor > 0
}

// projected is a battery as the plan may count on it, and what it carries: the
// model at the factor in force with the most that the UPS may draw itself, or, after
// its own "battery low", the energy that it then said it had, if that is less: a
// battery near its end gives back little when the load falls.
func (u *UPS) projected() (m battery.Model, c battery.Charge, watts float64) {
	m, watts = u.Belief.Scaled(u.Factor), u.Load+u.Own
	c = u.taken().As(&u.Belief.Model, &m)
	if u.Low {
		if low := (battery.Model{Store: u.LowEnergy}); low.Runtime(battery.Charge{}, watts) < m.Runtime(c, watts) {
			return low, battery.Charge{}, watts
		}
	}
	return m, c, watts
}

// taken is the charge as the low projection has it.
func (u *UPS) taken() battery.Charge {
	c := u.Charge
	c.Delivered += u.Beside.Delivered
	c.Bound += u.Beside.Bound
	return c
}

func (s *State) commanded(o Order, out []Effect) []Effect {
	switch o {
	case Hold:
		s.Held, s.Going = true, false
		out = append(out, condition(HoldInForce, -1, -1))
	case Abort:
		s.Aborted, s.Going = true, false
		out = append(out, condition(AbortInForce, -1, -1))
	case Proceed:
		out = s.release(out)
		// A second word, or one with nothing to release, means: at once.
		s.Going = s.anyOnBattery()
	}
	s.Stale, s.due = true, true
	n := record(OrderTaken, -1, -1)
	n.Notice.A = int64(o)
	return append(out, n)
}

// release ends a hold and an abort.
func (s *State) release(out []Effect) []Effect {
	if s.Held {
		s.Held = false
		out = append(out, cleared(HoldInForce, -1, -1))
	}
	if s.Aborted {
		s.Aborted = false
		out = append(out, cleared(AbortInForce, -1, -1))
	}
	return out
}

// restarted: the agent lives again after a crash, or its host after a boot.
// What had begun and did not finish is begun again under its own name, which
// makes a repeat harmless.
func (s *State) restarted(at Instant, gap time.Duration, e *Event, out []Effect) []Effect {
	rebooted, orderly := e.Rebooted, e.Orderly
	// The agent went without a word, or in an outage: what is off by now may have lost
	// its power, with the agent's host or while nobody looked (see missed). Where it was
	// told to end, somebody was at work: what is off was turned off.
	doubtful := s.Outstanding() || !orderly && (!rebooted || s.ownHost() >= 0)
	long := false // enough for a host to go
	for i := range s.UPSs {
		u := &s.UPSs[i]
		out = append(out, Effect{Kind: Poll, UPS: int32(i)})
		switch {
		case doubtful && (rebooted || s.reachable(i) && at.Sub(u.LastAt) >= s.silentAfter(i) && !s.carriesAgent(int32(i))):
			u.cut(min(u.LastAt, at))
			long = true
		case !doubtful:
			u.LastAt = at
		}
		if rebooted {
			// Nobody saw the time between: the charge is what the UPS says, or none.
			s.unwatched(at, int32(i))
			u.Known, u.Charge, u.Beside, u.ChargeAt = false, u.Belief.Model.At(0), battery.Charge{}, at
			u.StartTenths = Unread
			u.Readings, u.LastAt, u.Output = 0, at, OutputOn
			u.OffHeard, u.TestAt = 0, 0
			s.Planned = false // until something new is known
		} else if u.OnBattery() {
			// The input may have come back meanwhile: another answer is wanted, or silence.
			// What was heard a moment ago counts beside it: one that is killed again and
			// again would never have two of its own.
			if gap > quickly || u.Readings == 0 {
				u.Heard = at
			}
			u.Readings, u.LastAt = 1, at
		}
		switch {
		case rebooted:
		case u.Output == OutputAsking:
			out = append(out, Effect{Kind: Begin, Action: s.outputAction(int32(i), VerbSwitchOff)})
		case u.Output == OutputCalling:
			out = append(out, Effect{Kind: Begin, Action: s.outputAction(int32(i), VerbSwitchOn)})
		}
	}
	for k := range s.Hosts {
		h := &s.Hosts[k]
		switch {
		case rebooted:
			s.doubt(at, h)
		case h.Told && h.Power != Down, long && h.Power == Up && h.Alive:
			h.Seen, h.SeenAt = 0, at // it may have gone meanwhile
		}
		if s.Policy.Hosts[k].Self && rebooted {
			out = s.settleAll(int32(k), out)
			*h = Host{Power: Up, Alive: true, Seen: SeenUp, SeenAt: at, Other: -1}
		}
		every := slowLook
		if h.Power != Up && h.Power != Down || s.Outstanding() {
			every = fastLook
		}
		out = append(out, Effect{Kind: Probe, Host: int32(k), Every: every})
		if h.InFlight && !rebooted {
			if h.Power == Asked {
				// The order may have been taken and its answer lost.
				h.Told, h.Doubt = true, at.Add(recheck)
			}
			out = append(out, Effect{Kind: Begin, Action: s.action(int32(k))})
		}
		if h.Preparing && !rebooted {
			out = append(out, s.prepare(at, int32(k)))
		}
	}
	s.Stale, s.due = !rebooted, true
	return out
}

// ownHost is the one that the agent runs on; -1 when it is none of the policy's.
func (s *State) ownHost() int {
	for k := range s.Policy.Hosts {
		if s.Policy.Hosts[k].Self {
			return k
		}
	}
	return -1
}

// carriesAgent tells whether a UPS alone carries the agent's own host: its output
// is on as long as that is not booted.
func (s *State) carriesAgent(i int32) bool {
	k := s.ownHost()
	return k >= 0 && len(s.Policy.Hosts[k].FedBy) == 1 && s.fedBy(int32(k), i)
}

// doubt: the agent's host was off, so that what was known of another is old. A
// host that was asked may have gone, or lost its power; it is looked at before
// anything more is done to it, least of all by force.
func (s *State) doubt(at Instant, h *Host) {
	if h.SeenAt = at; h.Power != Up || !h.off() {
		h.Seen = 0
	}
	switch h.Power {
	case Asked:
		h.Told, h.Near, h.Doubt, h.InFlight, h.Retry = true, true, Never, false, 0
		h.Deadline, h.GiveUp = at.Add(afterBoot), at.Add(afterBoot)
	case Starting:
		// It waits its turn again: what it depends on may have lost its power too.
		h.Power, h.Stopped, h.InFlight = Down, true, false
	}
}

// silences counts contact lost by time, not by tries.
func (s *State) silences(at Instant, out []Effect) []Effect {
	for i := range s.UPSs {
		u := &s.UPSs[i]
		if u.OffHeard != 0 && !u.Dead && at >= u.OffHeard.Add(aMoment) {
			out = append(out, Effect{Kind: Poll, UPS: int32(i)}) // see offByOne
		}
		if u.OnBattery() && !s.Planned && at.Sub(u.LastAt) >= afterBoot {
			s.Stale = true
		}
		if !u.Silent && s.reachable(i) && at.Sub(u.LastAt) >= s.silentAfter(i) {
			u.Silent = true
			if !s.carriesAgent(int32(i)) {
				u.cut(u.LastAt)
			}
			s.Worse = s.Worse || u.OnBattery() // its load as it was last is what it is taken to carry from now on
			n := condition(SourceSilent, int32(i), -1)
			n.Notice.Margin = at.Sub(u.LastAt)
			out = append(out, n)
		}
	}
	return out
}

// reachable tells whether the policy has a way to ask the UPS.
func (s *State) reachable(i int) bool {
	p := &s.Policy.UPSs[i]
	return p.SNMP != nil || p.HID != nil
}

// silentAfter is how long a UPS may be silent before it counts as silent.
func (s *State) silentAfter(i int) time.Duration {
	return max(3*s.Policy.UPSs[i].PollEvery()+s.Policy.UPSs[i].Timeout(), 10*time.Second)
}

// reaction is the longest that the agent may take from a fact to its being
// known and acted on. It is planned away besides the reserve.
func (s *State) reaction() time.Duration {
	var d time.Duration
	for i := range s.Policy.UPSs {
		d = max(d, s.Policy.UPSs[i].PollEvery()+s.Policy.UPSs[i].Timeout())
	}
	return d + time.Second
}

func (s *State) anyOnBattery() bool {
	for i := range s.UPSs {
		if s.UPSs[i].OnBattery() {
			return true
		}
	}
	return false
}

func (s *State) fedBy(k, i int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if int32(f) == i {
			return true
		}
	}
	return false
}

// anyTold tells whether a host on the UPS was asked to stop and is not back.
func (s *State) anyTold(i int32) bool {
	for k := range s.Hosts {
		if s.fedBy(int32(k), i) && (s.Hosts[k].Power == Asked || s.Hosts[k].Power == Down && s.Hosts[k].Stopped) {
			return true
		}
	}
	return false
}

// enter changes a UPS's phase.
func (s *State) enter(at Instant, i int32, p Phase, out []Effect) []Effect {
	u := &s.UPSs[i]
	if u.Phase == p {
		return out
	}
	u.Phase, u.Since, s.due = p, at, true
	n := record(PhaseEntered, i, -1)
	n.Notice.A = int64(p)
	return append(out, n)
}

func notice(c Code, ups, host int32) Effect {
	return Effect{Kind: Notify, Host: -1, UPS: -1, Notice: Notice{Code: c, UPS: ups, Host: host, B: -1}}
}

func record(c Code, ups, host int32) Effect    { return notice(c, ups, host) }
func condition(c Code, ups, host int32) Effect { return notice(c, ups, host) }

func cleared(c Code, ups, host int32) Effect {
	e := notice(c, ups, host)
	e.Notice.Clear = true
	return e
}

// modelled is what the policy says a UPS carries now, in watts.
func (s *State) modelled(i int32) float64 {
	var sum float64
	for k := range s.Hosts {
		sum += s.part(int32(k), i)
	}
	return sum + s.loads(i)
}

// part is a host's draw on one UPS, in watts by the policy: its draw shared
// equally by its feeds that carry anything.
func (s *State) part(k, i int32) float64 {
	h := &s.Hosts[k]
	if h.Power == Down || !s.fedBy(k, i) || s.UPSs[i].Dead {
		return 0
	}
	p := &s.Policy.Hosts[k]
	watts := p.Watts
	if h.Power == Asked {
		watts = p.StoppingWatts
	}
	return float64(watts) / float64(s.alive(p.FedBy))
}

// loads is what loads draw on one UPS, in watts by the policy.
func (s *State) loads(i int32) float64 {
	var sum float64
	for l := range s.Policy.Loads {
		p := &s.Policy.Loads[l]
		for _, f := range p.FedBy {
			if int32(f) == i && !s.UPSs[i].Dead {
				sum += float64(p.Watts) / float64(s.alive(p.FedBy))
			}
		}
	}
	return sum
}

func (s *State) alive(feeds []int) int {
	n := 0
	for _, f := range feeds {
		if !s.UPSs[f].Dead {
			n++
		}
	}
	return max(n, 1)
}
