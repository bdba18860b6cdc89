package shutdown

import "time"

// The stages through which a plan becomes the schedule: what outranks the planner, and
// what goes last of all. Each goes over the schedule as a value and gives its cause.

// heatFirst tells whether a host goes since its room gets too warm: that ends before
// any battery that carries it.
func (s *State) heatFirst(k int32) bool {
	heat := s.endOfHeat(k)
	if o, ok := s.StopOf(k); heat == Never || !ok || o.Why != ByPlan || !s.Schedule.Plan.FitsExpected {
		return false
	}
	for _, f := range s.Policy.Hosts[k].FedBy {
		if end, _, _, ok := s.ForecastOf(int32(f)); ok && end < heat {
			return false
		}
	}
	return true
}

// outrank moves starts for a word that outranks the planner's: an operator's Proceed
// and a UPS's "battery low" bring hosts to now, in order; Hold keeps all, and KeepHost
// one, until the point of no return, then in order. True when one was moved.
func (s *State) outrank(at Instant, c *Schedule, w *work) (any bool) {
	if c.Plan.FitsExpected {
		any = s.keepUp(c, w)
	}
	stops := c.Plan.Stops
	for range stops { // a longest path: as many passes as hosts at most
		moved := false
		for j := range stops {
			stop, k := &stops[j], stops[j].Host
			why := stop.Why
			if !s.unasked(k) || s.urgent(k) == 0 && why != ByOperator {
				continue
			}
			start := stop.Asked
			if u := s.urgent(k); u != 0 {
				start, why = 0, u
			}
			for _, a := range w.problem.Hosts[j].After {
				begun := time.Duration(0)
				if s.unasked(stops[a].Host) {
					begun = stops[a].Asked
				}
				start = max(start, begun+w.problem.Hosts[a].Stops)
			}
			moved = moved || stop.Asked != start
			stop.Asked, stop.Down, stop.Why = start, start+w.problem.Hosts[j].Stops, why
		}
		if !moved {
			break
		}
		any = true
	}
	return any
}

// whileItLasts has a host wait for another as long as the battery lasts at the load of now,
// at expected durations, for it and what must follow it. No longer where the battery is low:
// the load does not fall while that other hangs; where it is too late for that, the order is
// kept. And where no plan fits longer, halfway to how long it probably lasts: what keeps one
// from fitting may be over in a moment, a guest that is asked together with its host is cut by
// it for certain, and the battery is seldom as small as the low projection.
func (s *State) whileItLasts(c *Schedule, w *work) {
	if !s.anyLow() && c.Plan.FitsExpected {
		return
	}
	follow := make([]time.Duration, len(c.Plan.Stops)) // what must follow each, until it is off
	order := s.Order()
	for n := len(order) - 1; n >= 0; n-- { // what goes last comes first
		j := s.slot(order[n])
		if j < 0 {
			continue
		}
		takes := w.problem.Hosts[j].Expected + follow[j]
		if s.Policy.Hosts[order[n]].Self && s.switches() {
			takes += orderLost
		}
		for _, a := range w.problem.Hosts[j].After {
			follow[a] = max(follow[a], takes)
		}
		least, probable := s.lastsNow(order[n])
		takes += s.Reaction()
		stop := &c.Plan.Stops[j]
		switch low := s.urgent(order[n]) == ForLow; {
		case low && least > takes:
			stop.Latest = min(stop.Latest, least-takes)
		case !low && !c.Plan.FitsExpected:
			stop.Latest = max(stop.Latest, least+(probable-least)/2-takes)
		}
	}
}

// lastsNow is how long the batteries of a host last at the load of now, at the low projection
// and probably.
func (s *State) lastsNow(k int32) (least, probable time.Duration) {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if u := &s.UPSs[f]; u.OnBattery() && !u.Dead() {
			a, b, _ := s.Runtime(int32(f))
			least, probable = max(least, a), max(probable, b)
		}
	}
	return least, probable
}

// keepUp moves those who are kept and would go early to the point of no return, and
// those who would go later than the battery then allows to the latest moment, one for
// all, that it does. True when any are kept.
func (s *State) keepUp(c *Schedule, w *work) (any bool) {
	held := max(0, c.Plan.NoReturn-s.Reaction())
	least, most := held, held
	for j := range c.Plan.Stops {
		stop := &c.Plan.Stops[j]
		kept := s.Word == Hold || s.Hosts[stop.Host].Word == KeepHost
		if !s.unasked(stop.Host) {
			continue
		}
		any = any || kept
		if kept && stop.Asked < held {
			stop.Asked, stop.Why = held, ByOperator
		}
		most = max(most, stop.Asked)
	}
	if !any {
		return false
	}
	s.noLater(c, w, least, most)
	for moved := true; moved; { // what they need goes after them
		moved = false
		for j := range c.Plan.Stops {
			for _, a := range w.problem.Hosts[j].After {
				stop, after := &c.Plan.Stops[j], &c.Plan.Stops[a]
				if off := after.Asked + w.problem.Hosts[a].Stops; s.unasked(stop.Host) && after.Why == ByOperator && stop.Asked < off {
					stop.Asked, stop.Why, moved = off, ByOperator, true
				}
			}
		}
	}
	return true
}

// noLater moves starts that are later than the battery allows to the latest moment
// between two, one for all, that it does.
func (s *State) noLater(c *Schedule, w *work, least, most time.Duration) {
	w.planner.Ready(&w.problem)
	safe := func(end time.Duration) bool {
		w.starts = w.starts[:0]
		for j := range c.Plan.Stops {
			w.starts = append(w.starts, min(c.Plan.Stops[j].Asked, end))
		}
		return w.planner.Holds(w.starts)
	}
	if safe(most) {
		return
	}
	for most-least > time.Second {
		if mid := (least + most) / 2; safe(mid) {
			least = mid
		} else {
			most = mid
		}
	}
	for j := range c.Plan.Stops {
		if stop := &c.Plan.Stops[j]; stop.Asked > least {
			stop.Asked, stop.Why = least, ByOperator
		}
	}
}

// urgent tells whether a host goes as soon as the order allows, and why: an operator
// says so, or all that carries it is low, or it must be down before such a one.
func (s *State) urgent(k int32) Cause {
	switch {
	case s.Word == Proceed && s.Hosts[k].Word != KeepHost:
		return ByOperator
	case s.cutOnPurpose() && k != s.ownHost(): // the agent watches on as long as the battery lets it
		return ForEmergency
	case !s.anyLow():
		return 0
	case s.runsLow(k):
		return ForLow
	}
	for _, d := range s.Policy.Hosts[k].DependsOn {
		if h := &s.Hosts[d]; s.planned(int32(d)) && h.runs() && s.urgent(int32(d)) == ForLow {
			return ForLow
		}
	}
	if own := s.ownHost(); own >= 0 && own != k && s.planned(own) && s.runsLow(own) {
		return ForLow
	}
	return 0
}

func (s *State) anyLow() bool {
	for i := range s.UPSs {
		if s.low(int32(i)) {
			return true
		}
	}
	return false
}

// runsLow tells whether every UPS that still carries a host says that its battery is
// low.
func (s *State) runsLow(k int32) bool {
	any := false
	for _, f := range s.Policy.Hosts[k].FedBy {
		if u := &s.UPSs[f]; !u.Dead() {
			any = true
			if !s.low(int32(f)) {
				return false
			}
		}
	}
	return any
}

// lastOfAll moves the start of the agent's own host. Where every UPS that carries it
// will switch its output off and on again with the input, it goes as soon as the last
// other host is down, or its promised time is over: it comes back with the power, and
// the charge that is left lets the others come back sooner. Elsewhere it stays up as
// long as the battery lets it: nothing would start it again. True when it was moved.
func (s *State) lastOfAll(at Instant, c *Schedule) bool {
	k := s.ownHost()
	if k < 0 || !s.unasked(k) || s.slot(k) < 0 {
		return false
	}
	stop := &c.Plan.Stops[s.slot(k)]
	switch {
	case s.outputGoes(k):
		stop.Asked, stop.Why = min(stop.Asked, 0), ForOutput
		return true
	case !s.returns(at, k) || s.lingers(k):
		return false
	}
	p := &s.Policy.Hosts[k]
	last := max(0, s.lostAt(k).Add(max(p.KeepFor, s.Policy.Site.RideThrough)).Sub(at))
	for j := range c.Plan.Stops {
		if other := &c.Plan.Stops[j]; other.Host != k {
			last = max(last, other.Down)
		}
	}
	if last >= stop.Asked {
		return false
	}
	stop.Asked, stop.Why = last, ForOutput
	return true
}

// stayLast keeps the agent's own host up where no plan fits, until the others are off or
// the battery probably leaves it no more time: at the low projection all should be off by
// now, and the input may be back in a moment, with others halfway down and nothing left to
// look after them, or to start this host again. While the only others are given up, or
// watched, it stays until the low projection leaves it no more time: one that is slow may
// have the reserve, but not what the battery has beyond that. "Battery low" outranks that.
func (s *State) stayLast(at Instant, c *Schedule) {
	k := s.ownHost()
	if c.Plan.FitsExpected || k < 0 || s.slot(k) < 0 || !s.unasked(k) || !s.away(k) || s.runsLow(k) {
		return
	}
	least, probable := s.lastsNow(k)
	stop, takes := &c.Plan.Stops[s.slot(k)], s.allowance(k)
	stop.Latest = max(stop.Latest, probable-takes-s.Reaction())
	if last := least - takes - s.Reaction(); s.lingers(k) && stop.Asked < last {
		stop.Asked, stop.Down = last, last+takes
	}
}

// lingers tells whether a host that shares a UPS with this one was given up and may be
// running still, or is only watched beside others that are stopped: its power is not taken
// before the battery's end makes it needless to wait, for it may be slow, or the input may
// come back.
func (s *State) lingers(k int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if s.lingerOn(int32(f), k) {
			return true
		}
	}
	return false
}

// lingerOn tells whether a host of a UPS, but for one, was given up, or is left to draw on,
// and may run still.
func (s *State) lingerOn(i, but int32) bool {
	for k := range s.Hosts {
		h := &s.Hosts[k]
		if (h.givenUp() || s.drawsOn(int32(k)) && !h.IsOff()) && int32(k) != but && s.fedBy(int32(k), i) {
			return true
		}
	}
	return false
}

// outputGoes tells whether a UPS of a host was told to switch its output off, if it has
// answered yet or not: from then on no better forecast keeps the host up.
func (s *State) outputGoes(k int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if s.OutputCounts(int32(f)) {
			return true
		}
	}
	return false
}

// outputsCount tells whether a UPS of a host counts down to switch its output off, and
// none is still being asked to: what is left of them may not carry it for long.
func (s *State) outputsCount(at Instant, k int32) bool {
	any := false
	for _, f := range s.Policy.Hosts[k].FedBy {
		switch s.output(at, int32(f)) {
		case outputAsked:
			return false
		case outputCounts:
			any = true
		}
	}
	return any
}

// returns tells whether the power of a host goes off and on again by itself: not where a
// host that has its input elsewhere is reached through the same UPS, whose output stays on.
func (s *State) returns(at Instant, k int32) bool {
	if s.cutOnPurpose() {
		return false // then no output is switched
	}
	for _, f := range s.Policy.Hosts[k].FedBy {
		if !s.switched(int32(f)) || s.output(at, int32(f)) == outputRefused {
			return false
		}
		for j := range s.Hosts {
			if s.hangsOn(int32(j), int32(f)) && !s.planned(int32(j)) {
				return false
			}
		}
	}
	return true
}
