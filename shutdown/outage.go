package shutdown

import (
	"math"
	"time"

	"ebbline/policy"
	"ebbline/shutdown/battery"
	"ebbline/shutdown/plan"
)

// replan asks the planner who stops when, as things stand now.
func (s *State) replan(at Instant, out []Effect) []Effect {
	s.Stale, s.Worse, s.Slack = false, false, false
	if !s.anyOnBattery() {
		if s.wasUnfit() {
			s.Fits = true
			out = append(out, cleared(PlanDoesNotFit, -1, -1))
		}
		s.Planned = false
		return out
	}
	w := s.question(at)
	switch {
	case len(w.hosts) > 0 && !s.fromStandard(at, w):
		w.make()
		if w.keeper.keep(&w.planner, &w.problem, &w.plan) {
			w.planner.Tighten(&w.problem, &w.plan)
		}
	case len(w.hosts) == 0:
		w.plan = plan.Plan{Fits: true, FitsExpected: true, NoReturn: battery.Unending, Stops: w.plan.Stops[:0], Stores: w.plan.Stores[:0]}
		for range w.stores {
			w.plan.Stores = append(w.plan.Stores, plan.Forecast{End: -1, LastDown: 0, Margin: battery.Unending})
		}
	}
	return s.take(at, w, out)
}

// fromStandard makes the plan for an outage that begins with everybody up out of
// the standard one: the plan for full batteries and a load rounded up to a
// fiftieth of the rating, at the moment of the loss. That is the same one in
// nearly every outage, so it is remembered; here it is moved to what the load
// and the charge really are. False where this is no such beginning, where the
// standard plan does not fit, or where moving it breaks a promise that it keeps.
func (s *State) fromStandard(at Instant, w *work) bool {
	for _, i := range w.stores {
		u := &s.UPSs[i]
		if u.Low || u.Lowered || u.Charge.Delivered+u.Charge.Bound > 0.6*u.Belief.Model.Store*u.Factor {
			return false
		}
	}
	first, full := Never, true // loss; batteries
	for _, i := range w.stores {
		u := &s.UPSs[i]
		first = min(first, u.Lost)
		full = full && u.Charge.Delivered+u.Charge.Bound < 0.01*u.Belief.Model.Store
	}
	for _, k := range w.hosts {
		if s.Hosts[k].Power != Up {
			return false
		}
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
		p.Stops[j].Start = max(0, s.lostAt(k).Add(p.Stops[j].Start).Sub(at))
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

// question brings the batteries to now and poses the question to the planner.
func (s *State) question(at Instant) *work {
	w := s.scratch()
	for i := range s.UPSs {
		if s.UPSs[i].OnBattery() {
			s.drain(int32(i), at, s.UPSs[i].Load)
		}
	}
	s.pose(at, w, false)
	return w
}

// adjust keeps the plan in force and moves its starts together: forward where
// the battery or the load turned out worse, as little as makes it safe again;
// backward where hosts were quicker than their allowance, so that the time left
// over goes to those that are still up. A whole new plan would be worth a little
// more and cost a thousand times as much.
func (s *State) adjust(at Instant, out []Effect) []Effect {
	worse := s.Worse
	s.Worse = false
	w := s.question(at)
	if len(w.hosts) == 0 || !s.FitsExp {
		s.Stale = true
		return out
	}
	s.recall(at, w)
	w.planner.Ready(&w.problem)
	switch {
	case !worse:
		s.loosen(w)
		s.Slack = false
	case !s.safe(w, 0):
		s.tighten(w)
		s.Slack = false
	}
	w.keeper.keep(&w.planner, &w.problem, &w.plan)
	if !w.planner.Tighten(&w.problem, &w.plan) {
		s.Stale = true // it takes another order, or there is none: from the start
		return out
	}
	return s.take(at, w, out)
}

// recall writes the plan in force down for the planner.
func (s *State) recall(at Instant, w *work) {
	p := &w.plan
	*p = plan.Plan{Fits: s.Fits, FitsExpected: s.FitsExp, NoReturn: s.Return.Sub(at), Stops: p.Stops[:0], Stores: p.Stores[:0], Fragile: p.Fragile[:0]}
	for _, k := range w.hosts {
		h := &s.Hosts[k]
		s.reason(h)
		stop := plan.Stop{Why: h.Why, Other: -1, Kept: h.Kept}
		if h.Power == Up {
			stop.Start = max(0, h.Start.Sub(at))
		}
		if h.Other >= 0 && w.place[h.Other] >= 0 {
			stop.Other = int(w.place[h.Other])
		}
		p.Stops = append(p.Stops, stop)
	}
	for range w.stores {
		p.Stores = append(p.Stores, plan.Forecast{})
	}
}

// reason takes back a reason that speaks of a host which is off or going by now,
// or that is worked out anew: what is left of it is the battery.
func (s *State) reason(h *Host) {
	if h.Other >= 0 && s.Hosts[h.Other].Power != Up || h.Why == ForOutput && h.Power == Up {
		h.Why, h.Other = plan.ForBattery, -1
	}
}

// safe tells whether the plan in w is, with all who are not asked yet so much
// later, or earlier, but not before the ride-through is over if they were after it.
// The planner has the problem.
func (s *State) safe(w *work, later time.Duration) bool {
	w.starts = w.starts[:0]
	for j := range w.hosts {
		w.starts = append(w.starts, s.moved(w, j, later))
	}
	return w.planner.Holds(w.starts)
}

func (s *State) moved(w *work, j int, later time.Duration) time.Duration {
	start := w.plan.Stops[j].Start
	if s.Hosts[w.hosts[j]].Power != Up {
		return start
	}
	return max(min(start, w.problem.Floor), start+later)
}

func (s *State) shift(w *work, later time.Duration) {
	for j := range w.hosts {
		w.plan.Stops[j].Start = s.moved(w, j, later)
	}
}

// loosen finds by how much all who are not asked yet can start later and still
// be safe, to a second.
func (s *State) loosen(w *work) {
	low, step := time.Duration(0), 16*time.Second
	for step < longestShift && s.safe(w, low+step) {
		low, step = low+step, 2*step
	}
	for step > time.Second {
		if step /= 2; s.safe(w, low+step) {
			low += step
		}
	}
	s.shift(w, low)
}

// tighten finds by how much all must start earlier to be safe, to a second,
// with the ride-through kept; false when that does not do.
func (s *State) tighten(w *work) bool {
	most := time.Duration(0)
	for j := range w.hosts {
		most = max(most, w.plan.Stops[j].Start)
	}
	if !s.safe(w, -most) {
		return false
	}
	low, high := time.Duration(0), most
	for high-low > time.Second {
		if mid := (low + high) / 2; s.safe(w, -mid) {
			high = mid
		} else {
			low = mid
		}
	}
	s.shift(w, -high)
	return true
}

// longestShift ends the search where no battery ends.
const longestShift = 24 * time.Hour

func (s *State) wasUnfit() bool { return s.Planned && !s.Fits }

func (s *State) scratch() *work {
	if s.work == nil {
		n, m := len(s.Hosts), len(s.UPSs)
		s.work = &work{place: make([]int32, n), store: make([]int32, m), lack: make([]float64, m)}
	}
	return s.work
}

// pose writes the question to the planner: one store per UPS on battery, one
// host per host that all its feeds leave on battery and that is not off yet; as
// things are now, or, for the standard question, as they are at the moment of
// the loss with full batteries.
func (s *State) pose(at Instant, w *work, standard bool) {
	p := &w.problem
	site := &s.Policy.Site
	*p = plan.Problem{Stores: p.Stores[:0], Hosts: p.Hosts[:0], Reserve: site.Reserve + s.reaction(), AtOnce: site.AtOnce, Quick: !standard, Terse: !standard && w.terse}
	w.stores, w.hosts, w.feeds, w.needs = w.stores[:0], w.hosts[:0], w.feeds[:0], w.needs[:0]
	for i := range s.UPSs {
		w.store[i] = -1
		u := &s.UPSs[i]
		if !u.OnBattery() || u.Dead {
			continue
		}
		w.store[i] = int32(len(p.Stores))
		w.stores = append(w.stores, int32(i))
		p.Floor = max(p.Floor, up(u.Lost.Add(site.RideThrough).Sub(at)))
		p.Elapsed = max(p.Elapsed, at.Sub(u.Lost).Truncate(time.Second))
		model, charge, _ := u.projected()
		charge.Delivered, charge.Bound = coarse(charge.Delivered, model.Store), coarse(charge.Bound, model.Store)
		step := s.Policy.UPSs[i].RatedWatts / 100
		if standard {
			charge, step = battery.Charge{}, 2*step
		}
		p.Stores = append(p.Stores, plan.Store{Model: model, Charge: charge, Base: s.base(int32(i), w, step)})
	}
	if standard {
		p.Floor, p.Elapsed = site.RideThrough, 0
	}
	for k := range s.Hosts {
		w.place[k] = -1
		if s.planned(int32(k)) {
			w.place[k] = int32(len(w.hosts))
			w.hosts = append(w.hosts, int32(k))
			q := s.host(at, int32(k), w)
			if standard && q.Hold < forever {
				q.Hold = s.Policy.Hosts[k].KeepFor
			}
			p.Hosts = append(p.Hosts, q)
		}
	}
	s.order(w)
	for i := range p.Stores {
		// What draws and is not planned goes on drawing.
		for k := range s.Hosts {
			if w.place[k] < 0 {
				p.Stores[i].Base += s.part(int32(k), w.stores[i])
			}
		}
	}
	s.wanting(w)
}

// wanting takes off the hosts what the measured load lacks of what they should
// draw by the policy: first off those that are asked, which may be off already,
// then off those of the lowest priority. So a host that is planned to stay is
// never thought to draw less than the policy says because another has gone.
func (s *State) wanting(w *work) {
	w.turn = w.turn[:0]
	for j := range w.hosts {
		w.turn = append(w.turn, int32(j))
	}
	rank := func(j int32) int64 {
		if w.problem.Hosts[j].Asked {
			return -1
		}
		return w.problem.Hosts[j].Priority
	}
	for a := 1; a < len(w.turn); a++ {
		for b := a; b > 0 && rank(w.turn[b]) < rank(w.turn[b-1]); b-- {
			w.turn[b], w.turn[b-1] = w.turn[b-1], w.turn[b]
		}
	}
	for _, j := range w.turn {
		h := &w.problem.Hosts[j]
		less := h.Watts
		if h.Asked {
			less = h.Stopping
		}
		for _, f := range h.Feeds {
			less = min(less, w.lack[w.stores[f.Store]]/f.Part)
		}
		if less <= 0 {
			continue
		}
		h.Watts, h.Stopping = max(0, h.Watts-less), max(0, h.Stopping-less)
		for _, f := range h.Feeds {
			w.lack[w.stores[f.Store]] -= float64(less * f.Part)
		}
	}
}

// coarse rounds what was taken from a store up to a thousandth of it, so that
// much the same question has the same answer, which is remembered.
func coarse(taken, store float64) float64 {
	step := store / 1000
	if !(step > 0) {
		return taken
	}
	return float64(math.Ceil(taken/step) * step)
}

// planned tells whether a host takes part in the plan.
func (s *State) planned(k int32) bool {
	h := &s.Hosts[k]
	return (h.Power == Up || h.Power == Asked) && !s.Policy.Hosts[k].StaysUp && s.affected(k) && !s.dark(k)
}

// base gives what a UPS's battery carries besides hosts, in watts, and notes what
// the load lacks of what the policy explains. The plan's load is the measured
// one, rounded up to a multiple of step, so that a flicker of the reading does
// not make a new plan. What the policy does not explain of it goes on for ever.
func (s *State) base(i int32, w *work, watts int64) float64 {
	u := &s.UPSs[i]
	step := float64(max(1, watts))
	u.PlanLoad = float64(math.Ceil(u.Load/step) * step)
	model := s.modelled(i)
	w.lack[i] = max(0, model-u.PlanLoad)
	return u.Own + s.loads(i) + max(0, u.PlanLoad-model)
}

// forever is a promise that is kept as far as can be.
const forever = time.Duration(math.MaxInt64 / 4)

// host is one host as the planner sees it.
func (s *State) host(at Instant, k int32, w *work) plan.Host {
	p, h := &s.Policy.Hosts[k], &s.Hosts[k]
	q := plan.Host{Stops: s.allowance(k), Expected: p.StopsIn, Priority: p.Priority, Asked: h.Power == Asked}
	if q.Asked {
		q.Stops = max(0, h.GiveUp.Sub(at))
		q.Expected = max(0, h.AskedAt.Add(p.StopsIn).Sub(at))
	}
	q.Expected = min(q.Expected, q.Stops)
	first := len(w.feeds)
	var lost Instant
	for _, f := range p.FedBy {
		if w.store[f] >= 0 {
			w.feeds = append(w.feeds, plan.Feed{Store: int(w.store[f]), Part: 1})
			lost = max(lost, s.UPSs[f].Lost)
		}
	}
	q.Feeds = w.feeds[first:len(w.feeds):len(w.feeds)]
	for j := range q.Feeds {
		q.Feeds[j].Part = 1 / float64(len(q.Feeds))
	}
	q.Watts, q.Stopping = float64(p.Watts), float64(p.StoppingWatts)
	q.Hold = max(0, up(lost.Add(p.KeepFor).Sub(at)))
	if p.Self {
		q.Value = 1e-6 // it is kept for the others' sake: no reason to shed anybody
	}
	if s.leaves(k) {
		q.Hold = forever // somebody who stays up needs it: as late as can be
	}
	need := len(w.needs)
	for _, l := range p.NeedsLoads {
		if fed := s.Policy.Loads[l].FedBy; len(fed) == 1 && w.store[fed[0]] >= 0 {
			w.needs = append(w.needs, int(w.store[fed[0]]))
		}
	}
	q.Needs = w.needs[need:len(w.needs):len(w.needs)]
	return q
}

// up rounds up to whole seconds: the same question, put a moment later, then has
// the same answer, which is remembered.
func up(d time.Duration) time.Duration {
	return (d + time.Second - 1) / time.Second * time.Second
}

// allowance is the longest that stopping a host may take.
func (s *State) allowance(k int32) time.Duration {
	d := s.Policy.Hosts[k].GivesUp()
	if s.Policy.Hosts[k].Self && s.switches() {
		d += orderLost
	}
	return d
}

// switches tells whether any UPS's output is to be switched off.
func (s *State) switches() bool {
	for i := range s.Policy.UPSs {
		if s.Policy.UPSs[i].Output != nil {
			return true
		}
	}
	return false
}

// leaves tells whether a host that stays up depends on this one.
func (s *State) leaves(k int32) bool {
	for i := range s.Hosts {
		if s.Hosts[i].Power == Up && !s.affected(int32(i)) && dependsOn(s.Policy.Hosts[i].DependsOn, k) {
			return true
		}
	}
	return false
}

func dependsOn(list []int, k int32) bool {
	for _, d := range list {
		if int32(d) == k {
			return true
		}
	}
	return false
}

// order writes who must be down before whom: those that depend on a host, and
// all others before the agent's own.
func (s *State) order(w *work) {
	p := &w.problem
	w.after = w.after[:0]
	for j := range p.Hosts {
		first := len(w.after)
		self := s.Policy.Hosts[w.hosts[j]].Self
		for i := range p.Hosts {
			if i != j && (self || dependsOn(s.Policy.Hosts[w.hosts[i]].DependsOn, w.hosts[j])) {
				w.after = append(w.after, i)
			}
		}
		p.Hosts[j].After = w.after[first:len(w.after):len(w.after)]
	}
}

// take puts a plan in force.
func (s *State) take(at Instant, w *work, out []Effect) []Effect {
	p := &w.plan
	unfit, had := s.wasUnfit(), s.Planned
	fits := p.Fits
	s.Planned, s.Fits, s.FitsExp, s.due = true, p.Fits, p.FitsExpected, true
	s.Return = at.Add(p.NoReturn)
	for j, k := range w.hosts {
		h, stop := &s.Hosts[k], &p.Stops[j]
		if h.Power == Asked {
			h.Stop = at.Add(stop.Down)
			continue
		}
		h.Start, h.Latest, h.Stop = at.Add(stop.Start), at.Add(stop.Latest), at.Add(stop.Down)
		h.Kept, h.Why, h.Other = stop.Kept, stop.Why, -1
		if h.Why == 0 {
			h.Why = NoneLater
		}
		if stop.Other >= 0 && stop.Why != plan.ForBattery && stop.Why != plan.ForNoReturn {
			h.Other = w.hosts[stop.Other]
		}
		h.Promise = s.lostAt(k).Add(s.Policy.Hosts[k].KeepFor)
	}
	s.excuse(w)
	s.bend(at, w)
	s.own(w)
	for j, i := range w.stores {
		u, f := &s.UPSs[i], &p.Stores[j]
		u.End, u.LastDown, u.Margin = Never, at.Add(f.LastDown), battery.Unending
		if f.End >= 0 {
			u.End = at.Add(f.End)
			u.Margin = f.End - f.LastDown - s.Policy.Site.Reserve
		}
	}
	if !fits != unfit {
		n := condition(PlanDoesNotFit, -1, -1)
		n.Notice.Clear = fits
		if p.FitsExpected {
			n.Notice.A = 1
		}
		out = append(out, n)
	}
	if !had || !fits != unfit {
		n := record(PlanMade, -1, -1)
		if fits {
			n.Notice.A = 1
		}
		n.Notice.Margin = p.NoReturn
		out = append(out, n)
	}
	return out
}

// excuse makes the planner's reasons fit the starts in force, which may have been
// moved together since it gave them.
func (s *State) excuse(w *work) {
	const rounding = 30 * time.Second // the planner's steps
	for _, k := range w.hosts {
		h := &s.Hosts[k]
		if h.Power != Up || h.Why != plan.ForPromise || h.Other < 0 {
			continue
		}
		promised := s.Policy.Hosts[h.Other].KeepFor
		switch o := &s.Hosts[h.Other]; {
		case o.Start > s.lostAt(h.Other).Add(max(promised, s.Policy.Site.RideThrough)+rounding):
			h.Why = ForShare // it has more than it is promised
		case promised <= s.Policy.Site.RideThrough:
			h.Other = -1 // all are promised that
		}
	}
}

// bend moves starts for a word that outranks the planner's: an operator's
// Proceed and a UPS's "battery low" bring hosts to now, in order; Hold keeps all
// until the point of no return, then in order.
func (s *State) bend(at Instant, w *work) {
	held := max(at, s.Return.Add(-s.reaction()))
	for range w.hosts { // a longest path: as many passes as hosts at most
		moved := false
		for j, k := range w.hosts {
			h := &s.Hosts[k]
			if h.Power != Up {
				continue
			}
			why := s.urgent(w, j)
			if why == 0 && (!s.Held || h.Start >= held) {
				continue
			}
			start := at
			if why == 0 {
				start, why = held, ByOperator
			}
			for _, a := range w.problem.Hosts[j].After {
				b := w.hosts[a]
				start = max(start, s.asap(b, at).Add(w.problem.Hosts[a].Stops))
			}
			moved = moved || h.Start != start
			h.Start, h.Why, h.Other = start, why, -1
		}
		if !moved {
			return
		}
	}
}

// own moves the start of the agent's own host. Where every UPS that carries it
// will switch its output off and on again with the input, it goes as soon as the
// last other host is down, or its promised time is over: it comes back with the
// power, and the charge that is left lets everybody come back sooner. Elsewhere
// it stays up as long as the battery lets it: nobody would start it again.
func (s *State) own(w *work) {
	for _, k := range w.hosts {
		h := &s.Hosts[k]
		if !s.Policy.Hosts[k].Self || h.Power != Up {
			continue
		}
		if s.counting(k) {
			h.Start, h.Why, h.Other = min(h.Start, s.Now), ForOutput, -1
			continue
		}
		if !s.returns(k) || s.lingers(k) {
			continue
		}
		last := max(h.Promise, s.lostAt(k).Add(s.Policy.Site.RideThrough), s.Now)
		for _, i := range w.hosts {
			if i != k {
				last = max(last, s.Hosts[i].Stop)
			}
		}
		if last < h.Start {
			h.Stop = h.Stop.Add(last.Sub(h.Start)) // it takes as long as it would have later
			h.Start, h.Why, h.Other = last, ForOutput, -1
		}
	}
}

// lingers tells whether a host that shares a UPS with this one was given up and
// may be running still: its power is not taken before the battery's end makes it
// needless to wait, for it may be slow, or the input may come back.
func (s *State) lingers(k int32) bool {
	for i := range s.Hosts {
		if s.Hosts[i].Power != Abandoned || int32(i) == k {
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

// counting tells whether a UPS of a host counts down to switch its output off, and
// none is still being asked to: what is left of them may not carry it for long.
func (s *State) counting(k int32) bool {
	any := false
	for _, f := range s.Policy.Hosts[k].FedBy {
		switch s.UPSs[f].Output {
		case OutputAsking:
			return false
		case OutputCounting:
			any = true
		}
	}
	return any
}

// returns tells whether the power of a host goes off and on again by itself.
func (s *State) returns(k int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if s.Policy.UPSs[f].Output == nil || s.UPSs[f].Output == OutputRefused {
			return false
		}
	}
	return true
}

// urgent tells whether a host of the problem goes at once, and why: an operator
// says so, or all that carries it is low, or it must be down before such a one.
func (s *State) urgent(w *work, j int) plan.Reason {
	if s.Going {
		return ByOperator
	}
	k := w.hosts[j]
	if s.runsLow(k) {
		return ForLow
	}
	for i := range w.hosts {
		low := s.runsLow(w.hosts[i]) || s.Hosts[w.hosts[i]].Why == ForLow
		if low && dependsOn(w.problem.Hosts[i].After, int32(j)) {
			return ForLow
		}
	}
	return 0
}

// runsLow tells whether every UPS that still carries a host says that its
// battery is low.
func (s *State) runsLow(k int32) bool {
	any := false
	for _, f := range s.Policy.Hosts[k].FedBy {
		if u := &s.UPSs[f]; !u.Dead {
			any = true
			if !u.Low {
				return false
			}
		}
	}
	return any
}

func (s *State) asap(k int32, at Instant) Instant {
	if s.Hosts[k].Power == Asked {
		return at
	}
	return max(s.Hosts[k].Start, at)
}

// lostAt is when the last of a host's feeds lost its input.
func (s *State) lostAt(k int32) Instant {
	var t Instant
	for _, f := range s.Policy.Hosts[k].FedBy {
		t = max(t, s.UPSs[f].Lost)
	}
	return t
}

// stops asks those whose time has come, and moves on those that are asked.
func (s *State) stops(at Instant, out []Effect) []Effect {
	own := s.ownGoes(at)
	for _, k := range s.Order {
		switch s.Hosts[k].Power {
		case Up:
			out = s.maybeAsk(at, k, own, out)
		case Asked:
			out = s.asked(at, k, out)
		}
	}
	return out
}

// anyDue tells whether the start of a host that is up has come: the moment to
// see whether it can be put off. Once an output is told to go off, nothing can.
func (s *State) anyDue(at Instant) bool {
	for i := range s.UPSs {
		if o := s.UPSs[i].Output; o == OutputAsking || o == OutputCounting {
			return false
		}
	}
	for k := range s.Hosts {
		if h := &s.Hosts[k]; h.Power == Up && at >= h.Start && s.planned(int32(k)) {
			return true
		}
	}
	return false
}

// maybeAsk asks a host to stop when its start has come and all that depends on
// it is off, when its latest start has, or when the agent's own host goes.
func (s *State) maybeAsk(at Instant, k int32, own bool, out []Effect) []Effect {
	h, p := &s.Hosts[k], &s.Policy.Hosts[k]
	late := at >= h.Latest || own
	if !late && at < h.Start && (p.Prepare == nil || at < h.Start.Add(-p.Prepare.Ahead)) {
		return out // nothing of what follows could matter
	}
	if s.Aborted || !s.Planned || !s.planned(k) || !s.sure(at, k) {
		return out
	}
	blocker, stays := s.blocker(k)
	if p.Prepare != nil && !h.Prepared && (at >= h.Start.Add(-p.Prepare.Ahead) || blocker < 0 && at >= h.Start) {
		h.Prepared, h.Preparing = true, true
		out = append(out, s.prepare(at, k))
	}
	switch {
	case at < h.Start && !late:
		return out
	case at < h.Start && blocker < 0 && !own:
		return out
	case blocker < 0:
		if s.Policy.Site.AtOnce > 0 && s.underWay() >= s.Policy.Site.AtOnce && !late {
			return out
		}
		if p.Self && (s.outputsAsking() || h.Why == ForOutput && at < h.Latest && !s.counting(k)) {
			return out
		}
		if stays >= 0 {
			out = s.raise(LeftDependent, k, int64(stays), out)
		}
	case late:
		h.Forced = true
		out = s.raise(OrderGivenUp, k, int64(blocker), out)
	default:
		return out
	}
	return s.ask(at, k, out)
}

// ownGoes tells whether the agent's own host has come to its latest start: then
// nobody is left to ask the others later, and all that are up are asked now.
func (s *State) ownGoes(at Instant) bool {
	for k := range s.Hosts {
		if h := &s.Hosts[k]; s.Policy.Hosts[k].Self && h.Power == Up && s.planned(int32(k)) && at >= h.Latest {
			return true
		}
	}
	return false
}

// prepare begins a host's early step.
func (s *State) prepare(at Instant, k int32) Effect {
	id := ActionID{Outage: s.Outage, Host: k, UPS: -1, Verb: VerbPrepare, Try: 1}
	return Effect{Kind: Begin, Action: Action{ID: id, Deadline: at.Add(s.Policy.Hosts[k].Prepare.GivesUp)}}
}

// sure tells whether every loss that leaves the host on battery is more than
// one odd reading.
func (s *State) sure(at Instant, k int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if u := &s.UPSs[f]; u.OnBattery() && !u.confirmed(at, s.Policy.UPSs[f].PollEvery()+s.Policy.UPSs[f].Timeout()) {
			return false
		}
	}
	return true
}

// blocker gives a host that may still be up and must be off before k stops, or
// -1; and one that depends on k and stays up on another feed, or -1.
func (s *State) blocker(k int32) (blocker, stays int32) {
	blocker, stays = -1, -1
	self := s.Policy.Hosts[k].Self
	for _, i := range s.Order {
		h := &s.Hosts[i]
		if i == k || h.Power != Up && h.Power != Asked || !self && !dependsOn(s.Policy.Hosts[i].DependsOn, k) {
			continue
		}
		switch {
		case s.planned(i), s.justBack(i):
			return i, stays
		case !s.Policy.Hosts[i].StaysUp && !self:
			stays = i
		}
	}
	return blocker, stays
}

// justBack tells whether a host has input by the word of a moment only, silence
// after it among that: it may have to go after all.
func (s *State) justBack(k int32) bool {
	if s.Policy.Hosts[k].StaysUp || s.affected(k) {
		return false
	}
	for _, f := range s.Policy.Hosts[k].FedBy {
		if u := &s.UPSs[f]; u.good() && (u.Back == 0 || u.GoodAt >= u.Back.Add(resumeWithin)) {
			return false
		}
	}
	return true
}

func (s *State) underWay() int {
	n := 0
	for k := range s.Hosts {
		if s.Hosts[k].Power == Asked {
			n++
		}
	}
	return n
}

// ask begins a host's stop with its first method.
func (s *State) ask(at Instant, k int32, out []Effect) []Effect {
	h := &s.Hosts[k]
	s.turnTo(at, k)
	h.Method, h.Retry = 0, 0
	s.reason(h)
	if h.Outage != s.Outage {
		h.Outage, h.Try = s.Outage, 0
	}
	h.Deadline = at.Add(s.Policy.Hosts[k].Methods[0].GivesUp)
	s.due = true
	if p := &s.Policy.Hosts[k]; p.StoppingWatts > p.Watts {
		s.Worse = true // the plan counted on it, but perhaps at another time
	}
	for _, f := range s.Policy.Hosts[k].FedBy {
		if s.UPSs[f].Phase == RideThrough {
			out = s.enter(at, int32(f), Shedding, out)
		}
	}
	n := record(HostAsked, -1, k)
	n.Notice.A, n.Notice.B = int64(h.Why), int64(h.Other)
	n.Notice.Margin, n.Notice.Spare = s.marginOf(k), h.Latest.Sub(at)
	out = append(out, n, Effect{Kind: Probe, Host: k, Every: fastLook})
	return s.try(k, out)
}

// turnTo makes a host one that is asked.
func (s *State) turnTo(at Instant, k int32) {
	h := &s.Hosts[k]
	s.become(at, k, Asked)
	h.AskedAt, h.GiveUp, h.Told = at, at.Add(s.Policy.Hosts[k].GivesUp()), false
	h.Dark = h.off()
	h.Near = h.Seen == SeenUp || h.Seen == SeenRefusing
}

// marginOf is the smallest margin of the UPSs that carry a host.
func (s *State) marginOf(k int32) time.Duration {
	d := time.Duration(math.MaxInt64)
	for _, f := range s.Policy.Hosts[k].FedBy {
		if s.UPSs[f].OnBattery() {
			d = min(d, s.UPSs[f].Margin)
		}
	}
	return d
}

// try begins the current method of a host that is asked.
func (s *State) try(k int32, out []Effect) []Effect {
	h := &s.Hosts[k]
	h.Verb = VerbShutDown
	if s.Policy.Hosts[k].Methods[h.Method].Force {
		h.Verb = VerbPowerOff
	}
	h.Try++
	h.InFlight, h.Retry = true, 0
	return append(out, Effect{Kind: Begin, Action: s.action(k)})
}

// action is what a host's last begun action was.
func (s *State) action(k int32) Action {
	h := &s.Hosts[k]
	id := ActionID{Outage: h.Outage, Host: k, UPS: -1, Verb: h.Verb, Method: h.Method, Try: h.Try}
	return Action{ID: id, Deadline: h.Deadline}
}

// asked moves a host on that is asked: another try, the next method, or given
// up.
func (s *State) asked(at Instant, k int32, out []Effect) []Effect {
	h := &s.Hosts[k]
	if !s.affected(k) {
		return s.spared(at, k, out)
	}
	if at >= h.Deadline || at >= h.GiveUp {
		return s.escalate(at, k, out)
	}
	if h.Retry != 0 && at >= h.Retry && !h.InFlight && !s.Aborted {
		if b, _ := s.blocker(k); b >= 0 && !h.Forced { // one that depends on it has come up since
			if at < h.Latest {
				h.Retry = at.Add(retryRefused)
				return out
			}
			h.Forced = true
			out = s.raise(OrderGivenUp, k, int64(b), out)
		}
		s.due = true
		return s.try(k, out)
	}
	return out
}

// escalate gives the host to its next method, or gives it up.
func (s *State) escalate(at Instant, k int32, out []Effect) []Effect {
	h := &s.Hosts[k]
	s.due = true
	if h.InFlight {
		out = append(out, Effect{Kind: Cancel, Action: s.action(k)})
		h.InFlight = false
	}
	methods := s.Policy.Hosts[k].Methods
	if int(h.Method)+1 < len(methods) && !s.Aborted {
		h.Method++
		h.Deadline = at.Add(methods[h.Method].GivesUp)
		return s.try(k, out)
	}
	h.Power, h.Retry = Abandoned, 0
	s.Worse = true // it draws on, for all that is known
	out = append(out, Effect{Kind: Probe, Host: k, Every: slowLook})
	return s.raise(HostGivenUp, k, -1, out)
}

// spared: the input is back while the host stops. What was begun is finished;
// nothing new is begun, least of all by force.
func (s *State) spared(at Instant, k int32, out []Effect) []Effect {
	h := &s.Hosts[k]
	switch {
	case h.InFlight && at < h.Deadline:
		return out
	case at >= h.GiveUp && h.unseen(at):
		return out
	case !h.Told && !h.InFlight, at >= h.GiveUp && h.Seen == SeenUp:
		if h.Told {
			out = s.raise(StoppedHalfway, k, -1, out)
		}
		h.Power, h.InFlight, h.Prepared, s.due = Up, false, false, true
	case at >= h.GiveUp && h.Seen == SeenSilent:
		// Told, and out of sight since: to start it does no harm if it is up.
		h.Stopped = h.Stopped || !h.Dark
		out = s.down(at, k, out)
	case at >= h.GiveUp:
		h.Power, h.InFlight, s.due = Abandoned, false, true
		out = s.raise(HostGivenUp, k, -1, out)
	}
	return out
}

// observed takes what a look at a host showed.
func (s *State) observed(at Instant, k int32, seen Sighting, out []Effect) []Effect {
	h := &s.Hosts[k]
	first := h.Seen == 0 && h.Alive // since the agent, or its host, started
	was, wasAt := h.Seen, h.SeenAt
	h.Seen, h.SeenAt = seen, at
	gone := seen == SeenOff || seen == SeenSilent
	s.due = s.due || first || !s.Outstanding() && s.doubted(k)
	if !gone {
		h.Dark, h.UpAt = false, at
	}
	switch h.Power {
	case Up:
		switch {
		case !gone:
			h.Alive = true
			h.Told = h.Told && (seen != SeenUp || at < s.patience(k)) // it will not go any more
			h.Stopped = h.Stopped && seen != SeenUp                   // it had been told to start when the input failed again
		case seen == SeenOff:
			// Cut, or on our word after all; else somebody turned it off: not ours to bring back.
			h.Stopped = h.Stopped || h.Alive && s.mayBeCut(k) || h.Told && !s.affected(k)
			s.setDown(at, k)
		case !s.Outstanding() && s.wentLate(k):
			h.Stopped = true
			out = s.down(at, k, out)
		case !s.Outstanding() && was == SeenSilent && s.powered(k, wasAt) && s.inView(k, true) && !s.mayBeCut(k):
			h.Alive = false // turned off, by all that can be seen
		}
		s.due = s.due || seen == SeenSilent && s.Outstanding()
	case Asked:
		// Silence proves a stop only of a host that was told to and was in sight
		// until then; else it may be the way to it that is gone.
		switch {
		case h.Told && h.Near && gone && s.inView(k, false) || seen == SeenOff:
			h.Stopped = h.Stopped || !h.Dark
			out = s.down(at, k, out)
		case seen == SeenUp && h.Told && !h.InFlight && h.Retry == 0 && at >= h.Doubt:
			h.Retry, s.due = at, true
		}
	case Abandoned:
		switch {
		case gone:
			h.Stopped = h.Stopped || !h.Dark
			out = s.down(at, k, out)
		case seen == SeenUp && !s.affected(k):
			h.Power, h.Prepared, s.due = Up, false, true
		}
	case Down:
		switch {
		case seen == SeenUp:
			out = s.back(at, k, out)
		case h.Was != 0 && gone && s.inView(k, true):
			h.Was = 0 // more than its UPS's word now
			out = append(out, Effect{Kind: Probe, Host: k, Every: slowLook})
		}
	case Starting:
		if seen == SeenUp {
			out = s.back(at, k, out)
		}
	}
	if seen == SeenUp && h.Power == Up { // on whatever way it came to be up
		h.Lost = false
		out = s.settle(NoWayToStart, k, s.settle(HostNotBack, k, out))
	}
	return out
}

// inView tells whether a host can be seen: no load that it is reached through has
// lost its power, by what UPSs say, or may have, on a UPS whose battery was low when
// it fell silent; or, to be sure, on any that fell silent on battery.
func (s *State) inView(k int32, sure bool) bool {
	for _, l := range s.Policy.Hosts[k].NeedsLoads {
		dark := true
		for _, f := range s.Policy.Loads[l].FedBy {
			u := &s.UPSs[f]
			dark = dark && (u.Dead || (sure || u.Low) && u.Silent && u.OnBattery())
		}
		if dark {
			return false
		}
	}
	return true
}

func (s *State) setDown(at Instant, k int32) {
	h := &s.Hosts[k]
	s.become(at, k, Down)
	h.DownAt, h.Alive, h.InFlight, h.Retry, h.Prepared = at, false, false, 0, false
	h.Lost, h.Rounds, h.Method, h.Was = false, 0, 0, 0
	s.Slack, s.due = true, true
	s.Worse = s.Worse || s.Going // at once is when those before are down, not when they must be
}

// become gives a host another state of power, and has the load of a silent UPS on
// battery follow: up by all that the policy says, down only by what the host must have
// drawn for the measured load to have been what it was.
func (s *State) become(at Instant, k int32, p Power) {
	h := &s.Hosts[k]
	was := h.Power
	for _, f := range s.Policy.Hosts[k].FedBy {
		u := &s.UPSs[f]
		if !u.Silent || !u.OnBattery() || u.Dead {
			continue
		}
		s.drain(int32(f), at, u.Load)
		h.Power = was
		before := s.modelled(int32(f))
		h.Power = p
		more := s.modelled(int32(f)) - before
		if more < 0 {
			more = min(0, more+max(0, before-u.Load))
		}
		u.Load, s.Worse = max(0, u.Load+more), true
	}
	h.Power = p
}

func (s *State) down(at Instant, k int32, out []Effect) []Effect {
	h := &s.Hosts[k]
	n := record(HostDown, -1, k)
	n.Notice.Margin = at.Sub(h.AskedAt)
	if h.InFlight {
		out = append(out, Effect{Kind: Cancel, Action: s.action(k)})
	}
	for _, c := range [...]Code{HostGivenUp, HostRefuses, HostUnreachable, StoppedHalfway} {
		out = s.settle(c, k, out)
	}
	s.setDown(at, k)
	s.guests(at, k)
	out = append(out, n, Effect{Kind: Probe, Host: k, Every: slowLook})
	if h.Stopped && !s.affected(k) {
		out = s.recover(at, k, out) // proven down only when all was thought to be over
	}
	return out
}

// guests are off with the host that they run on.
func (s *State) guests(at Instant, k int32) {
	for g := range s.Hosts {
		if h := &s.Hosts[g]; s.Policy.Hosts[g].RunsOn == int(k) && h.Power != Down {
			h.Stopped = h.Stopped || h.ran()
			s.setDown(at, int32(g))
		}
	}
}

// raise raises a condition about a host, once; settle clears it, if it is
// raised.
func (s *State) raise(c Code, k int32, other int64, out []Effect) []Effect {
	bit := uint16(1) << (c - OrderGivenUp)
	if s.Hosts[k].Raised&bit != 0 {
		return out
	}
	s.Hosts[k].Raised |= bit
	n := condition(c, -1, k)
	n.Notice.B = other
	return append(out, n)
}

// settleAll clears all that is raised about a host.
func (s *State) settleAll(k int32, out []Effect) []Effect {
	for c := OrderGivenUp; c <= StoppedHalfway; c++ {
		out = s.settle(c, k, out)
	}
	return out
}

func (s *State) settle(c Code, k int32, out []Effect) []Effect {
	bit := uint16(1) << (c - OrderGivenUp)
	if s.Hosts[k].Raised&bit == 0 {
		return out
	}
	s.Hosts[k].Raised &^= bit
	return append(out, cleared(c, -1, k))
}

// finished takes the end of an action.
func (s *State) finished(at Instant, e *Event, out []Effect) []Effect {
	id := e.Action
	switch id.Verb {
	case VerbSwitchOff, VerbSwitchOn:
		return s.switched(at, id, e.Outcome, out)
	case VerbPrepare:
		s.Hosts[id.Host].Preparing = false
		return out // it was worth trying; the stop does not wait for it
	}
	h := &s.Hosts[id.Host]
	if !h.InFlight || s.action(id.Host).ID != id {
		return out // an answer that comes after the method was given up
	}
	h.InFlight = false
	s.due = true
	if h.Power == Starting {
		return s.startFinished(at, id.Host, e.Outcome, out)
	}
	methods := s.Policy.Hosts[id.Host].Methods
	last := int(h.Method)+1 == len(methods)
	if k := methods[h.Method].Kind; k == policy.BySSH && (e.Outcome == Accepted || e.Outcome == Unknown) {
		h.Near = true // the way to it was there
	}
	switch e.Outcome {
	case Accepted:
		h.Told, h.Doubt = true, Never
	case Unknown:
		h.Told, h.Doubt = true, at.Add(recheck)
	case Refused:
		out = s.raise(HostRefuses, id.Host, -1, out)
		switch {
		case h.Try%2 == 1 || last:
			h.Retry = at.Add(retryRefused)
		default:
			h.Deadline = at // asking a third time changes nothing: the next method
		}
	case Unreachable:
		out = s.raise(HostUnreachable, id.Host, -1, out)
		wait := at.Sub(h.AskedAt)
		h.Retry = at.Add(min(max(retryFirst, wait/2), 15*time.Second))
	}
	return out
}

// outputs switches off the output of each UPS whose hosts are all down, before
// the agent's own host goes; and calls it back when the input returns in time.
func (s *State) outputs(at Instant, out []Effect) []Effect {
	for i := range s.UPSs {
		u := &s.UPSs[i]
		if u.Output == OutputAsking && at >= u.OutputBy {
			u.Output, s.due, s.Stale = OutputRefused, true, true
			out = append(out, condition(OutputNotOff, int32(i), -1))
		}
		if u.Output == OutputCalling && at >= u.OutputBy {
			out = s.calledBack(int32(i), false, out)
		}
		switch {
		case u.Output == OutputCounting && (!u.OnBattery() || s.wanted(int32(i))) && !s.ownLeaves(int32(i)):
			u.Output, u.OutputTry = OutputCalling, u.OutputTry+1
			u.OutputBy = at.Add(orderLost)
			out = append(out, Effect{Kind: Begin, Action: s.outputAction(int32(i), VerbSwitchOn)})
		case u.Output == OutputRefused && !u.OnBattery():
			u.Output = OutputOn
			out = append(out, cleared(OutputNotOff, int32(i), -1))
		case u.Output == OutputOn && s.mayCut(at, int32(i)):
			u.Output, u.OutputTry, s.due = OutputAsking, u.OutputTry+1, true
			u.OutputBy = at.Add(orderLost)
			out = append(out, Effect{Kind: Begin, Action: s.outputAction(int32(i), VerbSwitchOff)})
		}
	}
	return out
}

// ownLeaves tells whether the agent's own host hangs on a UPS and was told to stop.
// It cannot be held, and only the output's going off and on starts it again: the
// countdown must run to its end, though the input is back.
func (s *State) ownLeaves(i int32) bool {
	for k := range s.Hosts {
		h := &s.Hosts[k]
		told := h.Power == Asked && (h.Told || h.InFlight) || h.Power == Abandoned && h.Told
		if told && s.Policy.Hosts[k].Self && s.fedBy(int32(k), i) {
			return true
		}
	}
	return false
}

// mayCut tells whether nothing that runs on the UPS would be lost with it: its
// hosts are down, but for the agent's own, whose turn has come. One that was
// given up may be running still: it is left on until the agent's host must go, or
// else to the battery's end. Once that one had to go before the others were off, it is enough that they will be,
// or have used up their allowances, when the output goes: else nothing would
// start it again if the input came back before the battery's end.
func (s *State) mayCut(at Instant, i int32) bool {
	u := &s.UPSs[i]
	if s.Policy.UPSs[i].Output == nil || !u.OnBattery() || u.Dead || s.Aborted || !s.Planned {
		return false
	}
	any, own, runs := false, false, false
	for k := range s.Hosts {
		h, p := &s.Hosts[k], &s.Policy.Hosts[k]
		inTime := h.Power == Asked && h.GiveUp <= at.Add(s.Policy.UPSs[i].Output.OffAfter) && s.ownLeaves(i)
		if !s.fedBy(int32(k), i) {
			// A load elsewhere that others need may hang on this UPS.
			if h.Power != Down && h.Power != Abandoned && !inTime && !p.Self && s.needsFrom(int32(k), i) {
				return false
			}
			continue
		}
		if h.Power != Down && !s.affected(int32(k)) && !s.goodFor(int32(k), s.Policy.Site.Restore.StableFor) {
			return false // it can do without this UPS only when the other input has proven itself
		}
		if p.StaysUp && s.affected(int32(k)) {
			return false
		}
		if p.Self && h.Power == Up && s.affected(int32(k)) {
			own = true
			if !s.sure(at, int32(k)) {
				return false
			}
			if blocker, _ := s.blocker(int32(k)); blocker >= 0 || at < h.Start || h.Why == ForOutput && s.lingers(int32(k)) {
				return false
			}
			any = true
			continue
		}
		busy := h.Power == Up || h.Power == Asked || h.Power == Starting
		if busy && !inTime && s.affected(int32(k)) {
			return false
		}
		runs = runs || h.Power == Abandoned && !p.Self
		own = own || p.Self
		any = true
	}
	return any && (own || !runs)
}

// goodFor tells whether a host has a feed whose input has been good for so long.
func (s *State) goodFor(k int32, long time.Duration) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if u := &s.UPSs[f]; u.good() && (u.Back == 0 || s.Now >= u.Back.Add(long)) {
			return true
		}
	}
	return false
}

// wanted tells whether a host that is up has only this UPS, or others on battery,
// since its output was told to go off: another feed has failed meanwhile.
func (s *State) wanted(i int32) bool {
	for k := range s.Hosts {
		h := &s.Hosts[k]
		if (h.Power == Up || h.Power == Starting) && !s.Policy.Hosts[k].Self && s.fedBy(int32(k), i) && s.affected(int32(k)) {
			return true
		}
	}
	return false
}

// needsFrom tells whether a host elsewhere needs a load of this UPS. One that also hangs on
// the UPS on which alone the host hangs is carried as long as the host is.
func (s *State) needsFrom(k, i int32) bool {
	feeds := s.Policy.Hosts[k].FedBy
	for _, l := range s.Policy.Hosts[k].NeedsLoads {
		here, there := false, false
		for _, f := range s.Policy.Loads[l].FedBy {
			here = here || int32(f) == i
			there = there || len(feeds) == 1 && feeds[0] == f && !s.UPSs[f].Dead
		}
		if here && !there {
			return true
		}
	}
	return false
}

func (s *State) outputAction(i int32, v Verb) Action {
	u := &s.UPSs[i]
	return Action{ID: ActionID{Outage: s.Outage, Host: -1, UPS: i, Verb: v, Try: u.OutputTry}, Deadline: u.OutputBy}
}

func (s *State) outputsAsking() bool {
	for i := range s.UPSs {
		if s.UPSs[i].Output == OutputAsking {
			return true
		}
	}
	return false
}

func (s *State) switched(at Instant, id ActionID, o Outcome, out []Effect) []Effect {
	u := &s.UPSs[id.UPS]
	if id.Try == u.OutputTry && id.Verb == VerbSwitchOn && u.Output == OutputCalling {
		return s.calledBack(id.UPS, o == Accepted, out)
	}
	if id.Try != u.OutputTry || id.Verb == VerbSwitchOn || u.Output != OutputAsking {
		return out
	}
	s.due = true
	if o == Accepted {
		u.Output = OutputCounting
		return out
	}
	u.Output, s.Stale = OutputRefused, true
	return append(out, condition(OutputNotOff, id.UPS, -1))
}

// calledBack: the UPS was asked to stop counting.
func (s *State) calledBack(i int32, done bool, out []Effect) []Effect {
	s.UPSs[i].Output, s.due = OutputOn, true
	if done {
		return append(out, cleared(OutputCounts, i, -1))
	}
	return append(out, condition(OutputCounts, i, -1))
}

// phases moves UPSs to "down" when nothing that they carry is left to stop.
func (s *State) phases(at Instant, out []Effect) []Effect {
	for i := range s.UPSs {
		u := &s.UPSs[i]
		if u.Phase != Shedding && u.Phase != AllDown {
			continue
		}
		left := false
		for k := range s.Hosts {
			left = left || s.fedBy(int32(k), int32(i)) && s.planned(int32(k))
		}
		switch {
		case !left && u.Phase == Shedding:
			out = s.enter(at, int32(i), AllDown, out)
		case left && u.Phase == AllDown:
			out = s.enter(at, int32(i), Shedding, out)
		}
	}
	return out
}

// nextWake is when time alone changes something.
func (s *State) nextWake(at Instant) Instant { return min(s.upsWake(at), s.HostWake) }

// upsWake is when something of a UPS is due by time alone.
func (s *State) upsWake(at Instant) Instant {
	w := Never
	sooner := func(t Instant) {
		if t > at && t < w {
			w = t
		}
	}
	for i := range s.UPSs {
		u := &s.UPSs[i]
		if !u.Silent && s.reachable(i) {
			sooner(u.LastAt.Add(s.silentAfter(i)))
		}
		if u.OnBattery() && u.LastAt < u.Heard.Add(aMoment) {
			sooner(u.LastAt.Add(s.Policy.UPSs[i].PollEvery() + s.Policy.UPSs[i].Timeout()))
			sooner(u.LastAt.Add(afterBoot))
		}
		if u.Output == OutputAsking || u.Output == OutputCalling {
			sooner(u.OutputBy)
		}
		if u.OffHeard != 0 && !u.Dead {
			sooner(u.OffHeard.Add(aMoment))
		}
		if s.Outstanding() && u.Watched != 0 {
			sooner(u.Watched.Add(s.Policy.Site.Restore.StableFor))
		}
		if u.Phase == Recovery {
			sooner(s.chargedBy(int32(i)))
		}
		if s.Outstanding() && u.Back != 0 {
			sooner(u.Back.Add(resumeWithin))
			sooner(u.Back.Add(s.Policy.Site.Restore.StableFor))
			sooner(u.StartedAt.Add(s.Policy.Site.Restore.Stagger))
		}
	}
	return w
}

// hostWake is when something of a host is due by time alone.
func (s *State) hostWake(at Instant) Instant {
	w := Never
	sooner := func(t Instant) {
		if t > at && t < w {
			w = t
		}
	}
	for k := range s.Hosts {
		h := &s.Hosts[k]
		switch h.Power {
		case Up:
			if s.Outstanding() && h.unseen(at) {
				sooner(h.SeenAt.Add(afterBoot))
			}
			if s.halfway(int32(k)) {
				sooner(s.patience(int32(k)))
			}
			if s.Planned && s.planned(int32(k)) {
				sooner(h.Start)
				sooner(h.Latest)
				if p := s.Policy.Hosts[k].Prepare; p != nil && !h.Prepared {
					sooner(h.Start.Add(-p.Ahead))
				}
			}
		case Asked:
			sooner(h.Deadline)
			sooner(h.GiveUp)
			if h.unseen(at) {
				sooner(h.SeenAt.Add(afterBoot))
			}
			if h.Retry != 0 {
				sooner(h.Retry)
			}
		case Starting:
			sooner(h.Deadline)
		case Abandoned:
			if s.Outstanding() {
				sooner(s.patience(int32(k)))
			}
		}
	}
	return w
}
