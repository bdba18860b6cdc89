package shutdown

import (
	"time"

	"ebbline/shutdown/battery"
	"ebbline/shutdown/plan"
)

// intend sees to it that the schedule in force holds for things as they stand. While
// what it rests on is so, nothing is planned again.
func (s *State) intend(at Instant) {
	switch v := s.review(at); v {
	case holds:
		return
	case slack, late, worse:
		s.adjust(at, v)
	case anew:
		s.plan(at)
	case none:
		s.dropSchedule()
	}
}

// dropSchedule leaves no schedule in force.
func (s *State) dropSchedule() {
	s.Schedule.drop()
	s.scratch().placed = false
}

// drop leaves no schedule, and its memory for the next.
func (c *Schedule) drop() {
	c.At, c.Rests = 0, c.Rests[:0]
	c.Plan = plan.Plan{Stops: c.Plan.Stops[:0], Stores: c.Plan.Stores[:0], Fragile: c.Plan.Fragile[:0]}
}

// verdict is what becomes of the schedule in force.
type verdict uint8

const (
	none  verdict = iota // no input is away
	holds                // what it rests on is so
	slack                // a start has come, and may be later: time is left over
	late                 // a start is past: the battery has given more than was planned
	worse                // it may not be safe any more: its starts are moved forward
	anew                 // it speaks of other hosts or batteries
)

// review compares what the schedule in force rests on with what is so.
func (s *State) review(at Instant) verdict {
	stores := 0
	known := true // something was heard since the boot, or nothing will be
	for i := range s.UPSs {
		u := &s.UPSs[i]
		if u.OnBattery() {
			stores++
			known = known && (u.From != 0 || at >= u.LastAt.Add(afterBoot))
		}
	}
	switch {
	case stores == 0 && !s.anyHot():
		return none
	case len(s.Schedule.Rests) == 0 && !known:
		return none
	case len(s.Schedule.Rests) == 0:
		return anew
	}
	r := max(s.reviewUPSs(), s.reviewRooms(at))
	if r == anew {
		return r
	}
	for k := range s.Hosts {
		h := &s.Hosts[k]
		switch in := s.slot(int32(k)) >= 0; {
		case !in && s.planned(int32(k)):
			return anew
		case in && (h.State == GivenUp || h.State == Late || s.askedInVain(int32(k))):
			r = max(r, worse) // it draws on, for all that is known
		case in && s.overdue(at, int32(k)):
			r = max(r, late)
		case in && (h.IsOff() || s.supposedOff(int32(k))):
			r = max(r, slack)
		}
	}
	switch {
	case r == slack && !s.Schedule.Plan.FitsExpected:
		return anew // what is better now may make one fit
	case r == slack && s.Schedule.Plan.Fits && !s.anyDue(at):
		return holds
	}
	if r == worse && !s.Schedule.Plan.FitsExpected {
		return anew
	}
	return r
}

// reviewUPSs compares what it counts on of UPSs.
func (s *State) reviewUPSs() verdict {
	r := holds
	for i := range s.UPSs {
		u, e := &s.UPSs[i], &s.Schedule.Rests[i]
		switch counts := u.OnBattery() && !u.Dead(); {
		case counts != (e.Load >= 0):
			return anew
		case !counts:
		case s.counted(int32(i)) < e.Holds:
			r = max(r, worse)
		case e.Holds <= 0 && s.counted(int32(i)) > 0: // that its battery was low is over
			r = max(r, slack)
		default:
			r = max(r, s.reviewLoad(int32(i)))
		}
	}
	return r
}

// reviewLoad compares a UPS's load with what the schedule counts on.
func (s *State) reviewLoad(i int32) verdict {
	if !s.Planned() || s.Schedule.Rests[i].Load < 0 {
		return none
	}
	switch load, most := s.UPSs[i].Load, s.Schedule.Rests[i].Load-s.fallen(i); {
	case load > most:
		return worse
	case load < most-float64(0.05*float64(s.Policy.UPSs[i].RatedWatts)):
		return slack
	}
	return holds
}

// fallen is by how much a UPS's load should have fallen since the schedule was made, in
// watts: hosts of it are off, and the UPS has had a few answers' time to show that.
func (s *State) fallen(i int32) float64 {
	sum, shows := 0.0, s.UPSs[i].LastAt.Add(-s.silentAfter(i))
	for j := range s.Schedule.Plan.Stops {
		k := s.Schedule.Plan.Stops[j].Host
		if h := &s.Hosts[k]; !h.draws() && h.SeenFrom <= shows && s.fedBy(k, i) {
			p := &s.Policy.Hosts[k]
			sum += float64(p.Watts) / float64(s.alive(p.FedBy))
		}
	}
	return sum
}

// overdue tells whether a host was not asked though its start is past by more than is planned
// away: the agent was not there, or one that it waits for is late.
func (s *State) overdue(at Instant, k int32) bool {
	return s.unasked(k) && s.Schedule.Plan.FitsExpected && s.Word != Abort && at > s.startOf(k).Add(s.Reaction())
}

// anyDue tells whether the start of a host that is up has come: the moment to see
// whether it can be put off. Once an output is told to go off, nothing can.
func (s *State) anyDue(at Instant) bool {
	for i := range s.UPSs {
		if s.OutputCounts(int32(i)) {
			return false
		}
	}
	for k := range s.Hosts {
		if s.unasked(int32(k)) && s.planned(int32(k)) && at >= s.startOf(int32(k)) {
			return true
		}
	}
	return false
}

// planned tells whether a host takes part in the schedule: it is up or stopping, and
// nothing carries it but batteries.
func (s *State) planned(k int32) bool {
	h := &s.Hosts[k]
	return (h.runs() && !s.askedInVain(k) && !s.supposedOff(k) || stopping(h.State)) && !s.Policy.Hosts[k].StaysUp && s.affected(k) && !s.dark(k)
}

// askedInVain tells whether a host that was off before was asked to stop in this
// outage nevertheless, and never answered.
func (s *State) askedInVain(k int32) bool {
	h := &s.Hosts[k]
	return h.State == TurnedOff && s.Began != 0 && h.Asked >= s.Began && !s.Policy.Hosts[k].Observe
}

// Planned tells whether a schedule is in force.
func (s *State) Planned() bool { return len(s.Schedule.Rests) > 0 }

// Return is the point of no return by the schedule in force.
func (s *State) Return() Instant { return s.Schedule.At.Add(s.Schedule.Plan.NoReturn) }

// slot is a host's place in the schedule; -1 for none.
func (s *State) slot(k int32) int32 {
	w := s.scratch()
	if !w.placed {
		w.placed = true
		for k := range w.slots {
			w.slots[k] = -1
		}
		for j := range s.Schedule.Plan.Stops {
			w.slots[s.Schedule.Plan.Stops[j].Host] = int32(j)
		}
	}
	return w.slots[k]
}

// Stop is one host's place in the schedule in force.
type Stop struct {
	Asked  time.Duration // all since [Schedule.At]
	Latest time.Duration
	Down   time.Duration
	Kept   bool
	Why    Cause
}

// StopOf gives a host's place in the schedule; false when it has none.
func (s *State) StopOf(k int32) (Stop, bool) {
	j := s.slot(k)
	if j < 0 {
		return Stop{}, false
	}
	p := &s.Schedule.Plan.Stops[j]
	return Stop{p.Asked, p.Latest, p.Down, p.Kept, p.Why}, true
}

// startOf is when a host is to be asked; Never when it is not.
func (s *State) startOf(k int32) Instant {
	if j := s.slot(k); j >= 0 {
		return s.Schedule.At.Add(s.Schedule.Plan.Stops[j].Asked)
	}
	return Never
}

// latestOf is when it goes though a dependent may be up; Never when it does not.
func (s *State) latestOf(k int32) Instant {
	if j := s.slot(k); j >= 0 {
		return s.Schedule.At.Add(s.Schedule.Plan.Stops[j].Latest)
	}
	return Never
}

// ForecastOf gives a UPS's forecast by the schedule in force: the battery's end, when
// the last host is down, and what it then has in hand beyond the reserve, which is
// [battery.Unending] where no stop is left that rests on this battery; false when there
// is none.
func (s *State) ForecastOf(i int32) (end, lastDown Instant, inHand time.Duration, ok bool) {
	if !s.Planned() || s.Schedule.Rests[i].Load < 0 {
		return Never, 0, 0, false
	}
	store := 0
	for j := range i {
		if s.Schedule.Rests[j].Load >= 0 {
			store++
		}
	}
	f := &s.Schedule.Plan.Stores[store]
	end, lastDown, inHand = Never, s.Schedule.At.Add(f.LastDown), battery.Unending
	if f.End >= 0 {
		end = s.Schedule.At.Add(f.End)
	}
	if f.End >= 0 && lastDown > s.Now && s.stopsOn(i) {
		inHand = f.End - f.LastDown - s.Policy.Site.Reserve
		if inHand < 0 && s.Schedule.Plan.Fits {
			inHand = battery.Unending // another feed carries the last one, or it stays to the end on purpose
		}
	}
	return end, lastDown, inHand, true
}

// stopsOn tells whether a host on a UPS is still to be stopped, or being stopped. Where a
// site is only watched, none is once one would have been asked: that one draws on, and
// the battery goes another way than the schedule has it.
func (s *State) stopsOn(i int32) bool {
	any := false
	for k := range s.Hosts {
		k := int32(k)
		if _, would := s.WouldBeAsked(k); would && s.Policy.Site.Observe && s.fedBy(k, i) {
			return false
		}
		any = any || s.fedBy(k, i) && s.slot(k) >= 0 && s.planned(k)
	}
	return any
}

// plan asks the planner who stops when, as things stand.
func (s *State) plan(at Instant) {
	w := s.question(at)
	switch {
	case len(w.hosts) == 0:
		w.plan = plan.Plan{Fits: true, FitsExpected: true, NoReturn: battery.Unending, Stops: w.plan.Stops[:0], Stores: w.plan.Stores[:0]}
		for range w.problem.Stores {
			w.plan.Stores = append(w.plan.Stores, plan.Forecast{End: -1, LastDown: 0, Margin: battery.Unending})
		}
	case !s.fromStandard(at, w):
		w.make()
		if w.keeper.keep(&w.planner, &w.problem, &w.plan) {
			w.planner.Tighten(&w.problem, &w.plan)
		}
	}
	s.enact(at, w)
}

// adjust keeps the schedule and moves its starts together: forward where the battery
// or the load turned out worse, as little as makes it safe again; backward where
// hosts were quicker than their allowance, so that the time left over goes to those
// that are still up. A whole new plan would be worth a little more and cost a
// thousand times as much.
func (s *State) adjust(at Instant, v verdict) {
	w := s.question(at)
	if len(w.hosts) == 0 || !s.Schedule.Plan.FitsExpected {
		s.plan(at)
		return
	}
	s.recall(at, w)
	w.planner.Ready(&w.problem)
	if v == slack && !w.plan.Fits && (s.anyDue(at) || s.mayFit(w, 0)) {
		s.plan(at) // what is better now makes one fit, or lets somebody stay
		return
	}
	switch {
	case v == late && s.safe(w, 0):
		return
	case s.safe(w, 0):
		s.loosen(w)
	case v == slack && w.plan.Fits:
		return // nothing got worse but by what is rounded to the safe side: what was planned is done
	default:
		s.tighten(w)
	}
	w.keeper.keep(&w.planner, &w.problem, &w.plan)
	if !w.planner.Tighten(&w.problem, &w.plan) {
		s.plan(at) // it takes another order, or there is none: from the start
		return
	}
	s.enact(at, w)
}

// enact puts the plan in w in force, through the stages that outrank the planner.
func (s *State) enact(at Instant, w *work) {
	c, p := &s.Schedule, &w.plan
	w.latest = w.latest[:0]
	for _, k := range w.hosts {
		w.latest = append(w.latest, s.latestOf(k))
	}
	w.placed = false
	c.drop()
	stops, stores, fragile := c.Plan.Stops[:0], c.Plan.Stores[:0], c.Plan.Fragile[:0]
	c.At, c.Plan = at, *p
	c.Plan.Stops, c.Plan.Stores, c.Plan.Fragile = append(stops, p.Stops...), append(stores, p.Stores...), append(fragile, p.Fragile...)
	c.Plan.NoReturn = s.noReturnOf(&c.Plan)
	for i := range s.UPSs {
		e := Rest{Load: -1}
		if j := w.store[i]; j >= 0 {
			e = Rest{Load: w.loads[j], Holds: s.counted(int32(i))}
		}
		c.Rests = append(c.Rests, e)
	}
	for j, place := range w.rooms {
		e := Rest{Load: -1}
		if place >= 0 {
			e = Rest{Holds: s.roomEnd(at, j).Sub(at).Seconds()}
		}
		c.Rests = append(c.Rests, e)
	}
	if moved := s.outrank(at, c, w); s.lastOfAll(at, c) || moved {
		w.planner.Follow(&w.problem, &c.Plan)
	}
	s.stayLast(at, c)
	s.whileItLasts(c, w)
	for j := range c.Plan.Stops {
		if stop := &c.Plan.Stops[j]; s.going(stop.Host) && w.latest[j] < Never {
			stop.Latest = w.latest[j].Sub(at) // as it was when it was asked
		}
	}
}

// noReturnOf is a plan's point of no return: no earlier than its first start, for the plan
// itself is safe.
func (s *State) noReturnOf(p *plan.Plan) time.Duration {
	first := battery.Unending
	for j := range p.Stops {
		if s.unasked(p.Stops[j].Host) {
			first = min(first, p.Stops[j].Asked)
		}
	}
	if !p.Fits || first == battery.Unending {
		return p.NoReturn
	}
	return max(p.NoReturn, first)
}

// recall writes the schedule in force down for the planner, as from now on.
func (s *State) recall(at Instant, w *work) {
	c, p := &s.Schedule, &w.plan
	*p = plan.Plan{Fits: c.Plan.Fits, FitsExpected: c.Plan.FitsExpected, NoReturn: s.Return().Sub(at), Stops: p.Stops[:0], Stores: p.Stores[:0], Fragile: append(p.Fragile[:0], c.Plan.Fragile...)}
	for _, k := range w.hosts {
		o, _ := s.StopOf(k)
		stop := plan.Stop{Host: k, Why: ByPlan, Kept: o.Kept}
		if s.unasked(k) {
			stop.Asked = max(0, c.At.Add(o.Asked).Sub(at))
		}
		if o.Why == ByOperator || o.Why == ForLoss { // the others are found anew
			stop.Why = o.Why
		}
		p.Stops = append(p.Stops, stop)
	}
	for range w.problem.Stores {
		p.Stores = append(p.Stores, plan.Forecast{})
	}
}

// safe tells whether the plan in w is, with all who are not asked yet so much later,
// or earlier, but not before the ride-through is over if they were after it. The
// planner has the problem.
func (s *State) safe(w *work, later time.Duration) bool {
	w.starts = w.starts[:0]
	for j := range w.hosts {
		w.starts = append(w.starts, s.moved(w, j, later))
	}
	return w.planner.Holds(w.starts)
}

// mayFit tells whether all are off in time at worst durations when they are asked at one
// time: no plan that asks none before fits where they are not, unless stops must be
// staggered. The planner has the problem.
func (s *State) mayFit(w *work, start time.Duration) bool {
	if w.problem.AtOnce > 0 || w.problem.Peaks() {
		return true // only a search tells
	}
	w.starts = w.starts[:0]
	for range w.hosts {
		w.starts = append(w.starts, start)
	}
	return w.planner.Holds(w.starts)
}

func (s *State) moved(w *work, j int, later time.Duration) time.Duration {
	start := w.plan.Stops[j].Asked
	if !s.unasked(w.hosts[j]) {
		return start
	}
	return max(min(start, w.problem.Floor), start+later)
}

func (s *State) move(w *work, later time.Duration) {
	for j := range w.hosts {
		w.plan.Stops[j].Asked = s.moved(w, j, later)
	}
}

// loosen finds by how much all who are not asked yet can start later and still be
// safe, to a second.
func (s *State) loosen(w *work) {
	least, step := time.Duration(0), 16*time.Second
	for step < longestMove && s.safe(w, least+step) {
		least, step = least+step, 2*step
	}
	for step > time.Second {
		if step /= 2; s.safe(w, least+step) {
			least += step
		}
	}
	s.move(w, least)
}

// tighten finds by how much all must start earlier to be safe, to a second, with the
// ride-through kept; false when that does not do.
func (s *State) tighten(w *work) bool {
	most := time.Duration(0)
	for j := range w.hosts {
		most = max(most, w.plan.Stops[j].Asked)
	}
	if !s.safe(w, -most) {
		return false
	}
	less, more := time.Duration(0), most
	for more-less > time.Second {
		if mid := (less + more) / 2; s.safe(w, -mid) {
			more = mid
		} else {
			less = mid
		}
	}
	s.move(w, -more)
	return true
}

// longestMove ends the search where no battery ends.
const longestMove = 24 * time.Hour

// fromStandard makes the plan for an outage that begins with everybody up out of the
// standard one: the plan for full batteries and a load rounded up to a fiftieth of
// the rating, at the moment of the loss. That is the same one in nearly every outage,
// so it is remembered; here it is moved to what the load and the charge really are.
// False where this is no such beginning, where the standard plan does not fit, or
// where moving it breaks a promise that it keeps.
func (s *State) fromStandard(at Instant, w *work) bool {
	if len(w.problem.Stores) > len(w.stores) {
		return false // a room's end is another each time
	}
	first, full := Never, true // loss; batteries
	for _, i := range w.stores {
		u, m := &s.UPSs[i], &s.belief(i).Model
		gone := u.Taken[likely].Delivered + u.Taken[likely].Bound
		if s.low(i) || s.lowering(i) || gone > 0.6*m.Energy*s.holds(i, low) {
			return false
		}
		first = min(first, u.Lost)
		full = full && gone < 0.01*m.Energy
	}
	for _, k := range w.hosts {
		if !s.unasked(k) {
			return false
		}
	}
	if w.planner.Ready(&w.problem); !s.mayFit(w, w.problem.Floor) {
		return false // it would have to break into the ride-through
	}
	s.pose(at, w, true)
	w.make()
	p := &w.plan
	fits, noReturn := p.Fits, p.NoReturn
	s.pose(at, w, false)
	if !fits {
		return false
	}
	w.kept = w.kept[:0]
	for j, k := range w.hosts {
		w.kept = append(w.kept, p.Stops[j].Kept)
		p.Stops[j].Asked = max(0, s.lostAt(k).Add(p.Stops[j].Asked).Sub(at))
	}
	w.planner.Ready(&w.problem)
	if s.safe(w, 0) {
		s.loosen(w)
	} else if !s.tighten(w) {
		return false
	}
	w.keeper.keep(&w.planner, &w.problem, p)
	if !w.planner.Tighten(&w.problem, p) {
		return false
	}
	for j := range p.Stops {
		if w.kept[j] && !p.Stops[j].Kept {
			return false
		}
	}
	if p.NoReturn = noReturn - at.Sub(first); full { // of the standard load, which is no less
		return true
	}
	p.NoReturn = w.planner.NoReturn(&w.problem)
	return true
}

// lowering tells whether readings of this outage speak against the belief.
func (s *State) lowering(i int32) bool { return s.holds(i, low) < s.prior(i)-noticed }
