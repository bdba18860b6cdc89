package shutdown

import (
	"time"

	"ebbline/shutdown/plan"
)

// The stages through which a plan becomes the schedule: the planner's reasons as they
// fit the starts in force, what outranks the planner, and what goes last of all. Each
// goes over the schedule as a value and gives its reason.

// excuse makes the planner's reasons fit the starts, which may have been moved
// together since it gave them.
func (s *State) excuse(c *Schedule) {
	const rounding = 30 * time.Second // the planner's steps
	for j, k := range c.Hosts {
		stop := &c.Plan.Stops[j]
		if stop.Why == 0 {
			stop.Why = NoneLater
		}
		if stop.Why == plan.ForBattery || stop.Why == ForHeat {
			stop.Why = s.batteryOrHeat(c, j, k)
		}
		if !s.Hosts[k].runs() || stop.Why != plan.ForPromise || stop.Other < 0 {
			continue
		}
		other := c.Hosts[stop.Other]
		promised := s.Policy.Hosts[other].KeepFor
		switch {
		case c.At.Add(c.Plan.Stops[stop.Other].Start) > s.lostAt(other).Add(max(promised, s.Policy.Site.RideThrough)+rounding):
			stop.Why = ForShare // it has more than it is promised
		case promised <= s.Policy.Site.RideThrough:
			stop.Other = -1 // all are promised that
		}
	}
}

// batteryOrHeat tells which of its ends a host runs into first.
func (s *State) batteryOrHeat(c *Schedule, j int, k int32) plan.Reason {
	heat := s.endOfHeat(k)
	if heat == Never {
		return plan.ForBattery
	}
	for _, f := range s.Policy.Hosts[k].FedBy {
		if end, _, _, ok := s.ForecastOf(int32(f)); ok && end < heat {
			return plan.ForBattery
		}
	}
	return ForHeat
}

// outrank moves starts for a word that outranks the planner's: an operator's Proceed
// and a UPS's "battery low" bring hosts to now, in order; Hold keeps all, and KeepHost
// one, until the point of no return, then in order. True when one was moved.
func (s *State) outrank(at Instant, c *Schedule, w *work) (any bool) {
	if c.Plan.FitsExpected {
		any = s.keepUp(c, w)
	}
	for range c.Hosts { // a longest path: as many passes as hosts at most
		moved := false
		for j, k := range c.Hosts {
			stop := &c.Plan.Stops[j]
			why := stop.Why
			if !s.Hosts[k].runs() || s.urgent(k) == 0 && why != ByOperator {
				continue
			}
			start := stop.Start
			if u := s.urgent(k); u != 0 {
				start, why = 0, u
			}
			for _, a := range w.problem.Hosts[j].After {
				begun := time.Duration(0)
				if s.Hosts[c.Hosts[a]].runs() {
					begun = c.Plan.Stops[a].Start
				}
				start = max(start, begun+w.problem.Hosts[a].Stops)
			}
			moved = moved || stop.Start != start
			stop.Start, stop.Down, stop.Why, stop.Other = start, start+w.problem.Hosts[j].Stops, why, -1
		}
		if !moved {
			break
		}
		any = true
	}
	return any
}

// keepUp moves those who are kept and would go early to the point of no return, and
// those who would go later than the battery then allows to the latest moment, one for
// all, that it does. True when any are kept.
func (s *State) keepUp(c *Schedule, w *work) (any bool) {
	held := max(0, c.Plan.NoReturn-s.Reaction())
	least, most := held, held
	for j, k := range c.Hosts {
		stop, kept := &c.Plan.Stops[j], s.Word == Hold || s.Hosts[k].Word == KeepHost
		if !s.Hosts[k].runs() {
			continue
		}
		any = any || kept
		if kept && stop.Start < held {
			stop.Start, stop.Why, stop.Other = held, ByOperator, -1
		}
		most = max(most, stop.Start)
	}
	if !any {
		return false
	}
	s.noLater(c, w, least, most)
	for moved := true; moved; { // what they need goes after them
		moved = false
		for j, k := range c.Hosts {
			for _, a := range w.problem.Hosts[j].After {
				stop, after := &c.Plan.Stops[j], &c.Plan.Stops[a]
				if off := after.Start + w.problem.Hosts[a].Stops; s.Hosts[k].runs() && after.Why == ByOperator && stop.Start < off {
					stop.Start, stop.Why, stop.Other, moved = off, ByOperator, -1, true
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
		for j := range c.Hosts {
			w.starts = append(w.starts, min(c.Plan.Stops[j].Start, end))
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
	for j := range c.Hosts {
		if stop := &c.Plan.Stops[j]; stop.Start > least {
			stop.Start, stop.Why, stop.Other = least, ByOperator, -1
		}
	}
}

// urgent tells whether a host goes as soon as the order allows, and why: an operator
// says so, or all that carries it is low, or it must be down before such a one.
func (s *State) urgent(k int32) plan.Reason {
	switch {
	case s.Word == Proceed && s.Hosts[k].Word != KeepHost:
		return ByOperator
	case s.Emergency != 0 && k != s.ownHost(): // the agent watches on as long as the battery lets it
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
	if k < 0 || !s.Hosts[k].runs() || s.slot(k) < 0 {
		return false
	}
	stop := &c.Plan.Stops[s.slot(k)]
	switch {
	case s.outputGoes(k):
		stop.Start, stop.Why, stop.Other = min(stop.Start, 0), ForOutput, -1
		return true
	case !s.returns(at, k) || s.lingers(k):
		return false
	}
	p := &s.Policy.Hosts[k]
	last := max(0, s.lostAt(k).Add(max(p.KeepFor, s.Policy.Site.RideThrough)).Sub(at))
	for j, i := range c.Hosts {
		if i != k {
			last = max(last, c.Plan.Stops[j].Down)
		}
	}
	if last >= stop.Start {
		return false
	}
	stop.Start, stop.Why, stop.Other = last, ForOutput, -1
	return true
}

// stayLast keeps the agent's own host up where no plan fits, until the others are off or
// the battery probably leaves it no more time: at the low projection all should be off by
// now, and the input may be back in a moment, with others halfway down and nothing left to
// look after them, or to start this host again. "Battery low" outranks that.
func (s *State) stayLast(at Instant, c *Schedule) {
	k := s.ownHost()
	if c.Plan.FitsExpected || k < 0 || s.slot(k) < 0 || !s.Hosts[k].runs() || !s.away(k) || s.runsLow(k) {
		return
	}
	ends := time.Duration(0)
	for _, f := range s.Policy.Hosts[k].FedBy {
		if !s.UPSs[f].Dead() {
			_, probable, _ := s.Runtime(int32(f))
			ends = max(ends, probable)
		}
	}
	stop := &c.Plan.Stops[s.slot(k)]
	stop.Latest = max(stop.Latest, ends-s.allowance(k)-s.Reaction())
}

// lingers tells whether a host that shares a UPS with this one was given up and may be
// running still: its power is not taken before the battery's end makes it needless to
// wait, for it may be slow, or the input may come back.
func (s *State) lingers(k int32) bool {
	for i := range s.Hosts {
		if h := &s.Hosts[i]; h.State != GivenUp && h.State != Late || int32(i) == k {
			continue
		}
		for _, f := range s.Policy.Hosts[k].FedBy {
			if s.fedBy(int32(i), int32(f)) {
				return true
			}
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

// returns tells whether the power of a host goes off and on again by itself.
func (s *State) returns(at Instant, k int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if s.Policy.UPSs[f].Output == nil || s.output(at, int32(f)) == outputRefused {
			return false
		}
	}
	return true
}

// ReasonOf says why a host's planned start is where it is, for people.
func (s *State) ReasonOf(k int32) string {
	o, ok := s.StopOf(k)
	if !ok {
		return ""
	}
	other := ""
	if o.Other >= 0 {
		other = s.Policy.Hosts[o.Other].Name
	}
	return reasonWords(o.Why, other)
}
