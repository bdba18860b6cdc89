package plan

import (
	"cmp"
	"math/bits"
	"slices"
	"strings"
	"time"

	"ebbline/shutdown/battery"
)

// Delay says what would come of it if one stop began later than a plan has it, as
// things stand in the problem: why it does not.
type Delay struct {
	By     time.Duration // so much later
	Reason Reason
	Other  int           // the host that the reason speaks of, -1 for none
	Cost   time.Duration // how much sooner Other would have to go, or by how much this would be too late
	Store  int           // with ForBattery: the one that falls short, -1 when that is not known
	Rest   []int         // with ForBattery: the hosts that it has to carry there
}

// Reason says why a stop does not begin later. Zero: nothing was found that it would
// be too late for.
type Reason uint8

const (
	ForBattery Reason = iota + 1 // the battery would not carry Rest until they are off
	ForPromise                   // Other would lose of the time that it, or each host, is promised
	ForOrder                     // Other stops after it, and would be too late
	ForWorth                     // Other would have to go sooner, and loses more than this one gains
	ForChance                    // the same, since minutes that come sooner are worth more: the outage may be over before the others
	ForShare                     // Other would have to go sooner
	ForTurn                      // no more may stop at once, and Other would be stopping then
)

// steps are by how much later it is tried, until it would be too late.
var steps = [...]time.Duration{time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 30 * time.Minute, time.Hour}

// Why says of a stop of a plan why it does not begin later: what would break, or who
// would have to give for it. The plan holds for the problem; it is not changed.
func (w *Planner) Why(p *Problem, out *Plan, i int) Delay {
	w.Ready(p)
	w.recall(out)
	d := Delay{Other: -1, Store: -1}
	if p.Hosts[i].Asked {
		return d
	}
	for _, d.By = range steps {
		if j := w.turn(out, i, d.By); j >= 0 {
			d.Reason, d.Other = ForTurn, j
			return d
		}
		if !w.delayed(out, i, d.By) {
			w.blame(out, i, &d)
			return d
		}
	}
	return d
}

// blame says what one stop so much later would break.
func (w *Planner) blame(out *Plan, i int, d *Delay) {
	w.fallsShort(d)
	short := func() time.Duration {
		return d.By - search(0, d.By, func(t time.Duration) bool { return w.delayed(out, i, t) })
	}
	if j := w.follower(out, i, d.By); j >= 0 && w.delayedAlone(out, i, d.By) && !w.delayed(out, j, d.By) {
		d.Reason, d.Other, d.Cost = ForOrder, j, short()
		return
	}
	for _, stage := range [...]struct {
		reason Reason
		bound  func(h *host) int64
	}{
		{ForShare, func(h *host) int64 { return max(h.hold, clamp(w.p.Floor)) }},
		{ForPromise, func(*host) int64 { return clamp(w.p.Floor) }},
		{ForPromise, func(*host) int64 { return 0 }},
	} {
		if w.gives(out, i, d, stage.bound) {
			d.Reason = stage.reason
			if d.Reason == ForShare && d.Cost > 0 {
				d.Reason = w.favours(out, i, d)
			}
			return
		}
	}
	d.Reason, d.Other, d.Cost = ForBattery, -1, short()
}

// favours says what speaks for a stop's not being later, if what that costs the other is
// worth more: by the hosts' worth alone, or by the chance that the outage lasts until
// then, too. Either is taken against itself.
func (w *Planner) favours(out *Plan, i int, d *Delay) Reason {
	lost, gained := worth(&w.hosts[d.Other])*d.Cost.Seconds(), worth(&w.hosts[i])*d.By.Seconds()
	from := w.p.Elapsed.Seconds()
	chance := longer(from+out.Stops[d.Other].Asked.Seconds()) / longer(from+out.Stops[i].Asked.Seconds())
	switch {
	case len(w.p.Survival) > 0 || lost*chance < gained:
		return ForShare
	case lost < gained:
		return ForChance
	}
	return ForWorth
}

// worth is what a host is worth by the second.
func worth(h *host) float64 { return max(cmp.Or(h.Value, float64(h.Priority)), worthless) }

// delayed tells whether the plan is safe with one stop so much later, and with those that
// wait for it.
func (w *Planner) delayed(out *Plan, i int, by time.Duration) bool {
	for j := range w.hosts {
		w.starts[j] = clamp(out.Stops[j].Asked)
	}
	w.starts[i] = clamp(out.Stops[i].Asked + by)
	return w.bears()
}

// bears tells whether the starts hold as the plan's do; past the horizon, too.
func (w *Planner) bears() bool {
	for k := range w.scenarios {
		s := &w.scenarios[k]
		if w.dispatch(w.stops(s), w.starts); !w.replay(s.reserve, s.lost) {
			return false
		}
	}
	return true
}

// delayedAlone tells the same, if those that wait for it did not.
func (w *Planner) delayedAlone(out *Plan, i int, by time.Duration) bool {
	for j := range w.hosts {
		w.starts[j] = clamp(out.Stops[j].Asked)
	}
	s := &w.scenarios[0]
	w.dispatch(w.stops(s), w.starts)
	w.begun[i] += int64(by)
	w.down[i] += int64(by)
	return w.replay(s.reserve, s.lost)
}

// follower gives a host that could not start when it does if this one started so much
// later; -1 for none.
func (w *Planner) follower(out *Plan, i int, by time.Duration) int {
	s := &w.scenarios[0]
	for _, j := range w.next.of(int32(i)) {
		if clamp(out.Stops[j].Asked) < clamp(out.Stops[i].Asked+by)+w.stops(s)[i] {
			return int(j)
		}
	}
	return -1
}

// turn gives a host that would stop when this one began, so much later, where no more
// may stop at once; -1 for none.
func (w *Planner) turn(out *Plan, i int, by time.Duration) int {
	at, n, one := out.Stops[i].Asked+by, 0, -1
	for j := range out.Stops {
		if s := &out.Stops[j]; w.p.AtOnce > 0 && j != i && s.Asked <= at && at < s.Asked+w.p.Hosts[j].Stops {
			n, one = n+1, j
		}
	}
	if n < w.p.AtOnce {
		return -1
	}
	return one
}

// fallsShort notes which store the replay that failed last ran into, and whom it has to
// carry there.
func (w *Planner) fallsShort(d *Delay) {
	f := &w.fail
	if d.Store = f.store; f.store < 0 {
		return
	}
	at := f.at
	if f.apart {
		at = w.at[f.store]
	}
	for j := range w.hosts {
		if g := &w.groups[w.hosts[j].group]; w.down[j] > at && (g.feeds|g.needs)&(1<<f.store) != 0 {
			d.Rest = append(d.Rest, j)
		}
	}
}

// tries is how many hosts are looked at one by one.
const tries = 4

// gives finds a host that makes room for one stop to begin later, by going sooner, but
// not before a bound, and how much sooner it must go; where no single one does, and all
// together do, the one that would give most, at no cost that is known. Those are looked
// at first whose watts are worth least.
func (w *Planner) gives(out *Plan, i int, d *Delay, bound func(*host) int64) bool {
	var list []int
	frees := func(j int) float64 {
		return float64(w.hosts[j].up) * float64(clamp(out.Stops[j].Asked)-bound(&w.hosts[j]))
	}
	for j := range w.hosts {
		if h := &w.hosts[j]; j != i && !h.Asked && h.up > 0 && frees(j) > 0 {
			list = append(list, j)
		}
	}
	if len(list) == 0 || !w.delayedIf(out, i, d.By, list, bound, 0) {
		return false
	}
	slices.SortStableFunc(list, func(a, b int) int {
		return cmp.Compare(worth(&w.hosts[a])/float64(w.hosts[a].up), worth(&w.hosts[b])/float64(w.hosts[b].up))
	})
	need, left := float64(w.hosts[i].up)*float64(d.By)/2, tries // half: what is drawn later costs less
	for _, j := range list {
		if one := []int{j}; frees(j) >= need && left > 0 {
			if left--; w.delayedIf(out, i, d.By, one, bound, 0) {
				most := out.Stops[j].Asked - time.Duration(bound(&w.hosts[j]))
				kept := search(0, most, func(t time.Duration) bool { return w.delayedIf(out, i, d.By, one, bound, t) })
				d.Other, d.Cost = j, most-kept
				return true
			}
		}
	}
	d.Other, d.Cost = slices.MaxFunc(list, func(a, b int) int { return cmp.Compare(frees(a), frees(b)) }), 0
	return true
}

// delayedIf is delayed, with other hosts as much after a bound as is given, where they are
// planned to go after that.
func (w *Planner) delayedIf(out *Plan, i int, by time.Duration, others []int, bound func(*host) int64, after time.Duration) bool {
	for j := range w.hosts {
		w.starts[j] = clamp(out.Stops[j].Asked)
	}
	w.starts[i] = clamp(out.Stops[i].Asked + by)
	for _, j := range others {
		w.starts[j] = min(w.starts[j], bound(&w.hosts[j])+int64(after))
	}
	return w.bears()
}

// search gives the greatest span between two for which something holds, to a second;
// the least where it holds for none.
func search(least, most time.Duration, holds func(time.Duration) bool) time.Duration {
	for most-least > time.Second {
		if mid := (least + most) / 2; holds(mid) {
			least = mid
		} else {
			most = mid
		}
	}
	return least
}

// farDelay ends the search for a margin where no battery ends.
const farDelay = 24 * time.Hour

// Margin is how long after its planned start one stop, and with it all that are planned
// for later on the stores that it rests on, could still be put off, and then all of these
// begin, so that every host is off in time at worst durations: the time between its
// planned start and its point of no return. Negative when there is none; [battery.Unending]
// where no store ends within a day.
func (w *Planner) Margin(p *Problem, out *Plan, i int) time.Duration {
	w.Ready(p)
	rests := func(j int) uint64 { g := &w.groups[w.hosts[j].group]; return g.feeds | g.needs }
	put := func(by time.Duration) bool {
		from := clamp(out.Stops[i].Asked)
		for j := range w.hosts {
			w.starts[j] = clamp(out.Stops[j].Asked)
			if w.starts[j] >= from && rests(j)&rests(i) != 0 {
				w.starts[j] = from + int64(by)
			}
		}
		w.dispatch(w.worst, w.starts)
		return w.replay(clamp(p.Reserve), -1)
	}
	if !put(0) {
		return -1
	}
	least, most := time.Duration(0), 16*time.Second
	for ; put(most); most *= 2 {
		if least = most; least >= farDelay {
			return battery.Unending
		}
	}
	return search(least, most, put)
}

// describe fills in what follows from the starts.
func (w *Planner) describe(out *Plan) {
	for i := range w.hosts {
		w.starts[i] = int64(w.stop(out, i).Asked)
	}
	w.record(&w.traced, w.worst, w.starts, -1)
	out.Stores = resize(out.Stores, len(w.stores))
	for u := range out.Stores {
		out.Stores[u] = w.traced.Stores[u].Forecast
	}
	for i := range w.hosts {
		s := w.stop(out, i)
		s.Down = time.Duration(w.down[i])
		s.Kept = int64(s.Asked) >= w.hosts[i].hold
	}
	w.latest(out)
	for k := range w.scenarios {
		if lost := w.scenarios[k].lost; lost >= 0 {
			w.marginWithout(lost, out)
		}
	}
	for u := range out.Stores {
		if f := &out.Stores[u]; out.Fits {
			f.Margin = max(f.Margin, 0) // the replay is exact; run times are rounded down
		}
	}
	out.Unproven = w.unproven(out)
}

// marginWithout takes the margins that the loss of a store leaves, where they are
// smaller.
func (w *Planner) marginWithout(lost int, out *Plan) {
	w.record(&w.traced, w.worst, w.starts, lost)
	for u := range out.Stores {
		if u != lost {
			out.Stores[u].Margin = min(out.Stores[u].Margin, w.traced.Stores[u].Margin)
		}
	}
}

// latest goes back from the stores' ends less the reserve, which is kept while any
// plan fits, at expected durations. A plan's own start is never too late.
func (w *Planner) latest(out *Plan) {
	for g := range w.groups {
		w.deadline[g] = w.deadlineOf(&w.groups[g], out)
	}
	w.goBack()
	for i := range w.hosts {
		s := w.stop(out, i)
		s.Latest = max(time.Duration(w.due[i]), s.Asked)
	}
}

// goBack is the backward pass: when each host must start for itself, and for
// those that wait for it, to be down by its group's deadline.
func (w *Planner) goBack() {
	for k := len(w.order) - 1; k >= 0; k-- {
		i := w.order[k]
		t := w.deadline[w.hosts[i].group]
		for _, j := range w.next.of(i) {
			t = min(t, w.due[j])
		}
		w.due[i] = t - w.expected[i]
	}
}

// deadlineOf is when the stores that a group needs, and the last that feeds it,
// have no more than the reserve left.
func (w *Planner) deadlineOf(g *group, out *Plan) int64 {
	end := func(u int) int64 {
		if out.Stores[u].End < 0 {
			return farthest
		}
		return int64(out.Stores[u].End)
	}
	t := farthest
	if g.feeds != 0 {
		t = 0
	}
	for m := g.feeds; m != 0; m &= m - 1 {
		t = max(t, end(bits.TrailingZeros64(m)))
	}
	for m := g.needs; m != 0; m &= m - 1 {
		t = min(t, end(bits.TrailingZeros64(m)))
	}
	if !out.FitsExpected {
		return t // before the order is given up, the reserve is used up
	}
	return t - clamp(w.p.Reserve)
}

// unproven says which condition of a proof fails, and what was done instead.
func (w *Planner) unproven(out *Plan) string {
	var text string
	switch {
	case !out.FitsExpected:
		text = "No plan fits, at expected durations either: all go at once, in order. "
	case !out.Fits:
		text = "No plan fits at worst durations: this one is made at expected ones. "
	}
	if w.peaks {
		text += "Some hosts draw more while they stop than while they are up: stops were staggered as far as that helped, " +
			"the plan was replayed as it stands, and the point of no return may be later than stated. "
	}
	if w.p.AtOnce > 0 {
		text += "Stops at once are limited: their order was fixed, the plan was replayed as it stands, " +
			"and the point of no return may be later than stated. "
	}
	return strings.TrimSuffix(text, " ")
}
