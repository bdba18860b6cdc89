package plan

import (
	"math/bits"
	"strings"
	"time"
)

// explain says of each stop why it is not a slot later: it tries that, and if
// that is not safe, what would make it so.
func (w *Planner) explain(out *Plan) {
	if out.FitsExpected {
		w.askAlike()
	}
	for i := range w.hosts {
		s := w.stop(out, i)
		switch {
		case w.hosts[i].Asked:
			s.Why = BeforeAll
		case !out.FitsExpected:
			s.Why, s.Other = ForNoReturn, w.fail.store
		default:
			s.Why, s.Other = w.why(int32(i))
			if s.Other >= 0 && s.Why != ForBattery {
				s.Other = w.hosts[s.Other].outside
			}
		}
	}
}

// askAlike finds which hosts could start a slot later than they do if all others
// went as early as their promises allow, and which if all went as early as the order
// does. These are two plans, and each is replayed once for all hosts.
func (w *Planner) askAlike() {
	w.saved = append(w.saved[:0], w.start...)
	keeps := w.keeps
	w.keeps = false
	for _, q := range []struct {
		bound []int
		could []bool
	}{{w.first, w.couldBreak}, {w.low, w.could}} {
		copy(w.start, q.bound)
		w.afresh()
		for i := range w.all() {
			to := w.saved[i] + 1
			q.could[i] = to <= w.last && !w.hosts[i].Asked && w.push(i, to) && w.holdsSo()
			w.back()
		}
	}
	copy(w.start, w.saved)
	w.afresh()
	w.keeps = keeps
	w.seat()
}

func (w *Planner) why(i int32) (Reason, int) {
	to := w.start[i] + 1
	switch {
	case to > w.last && w.p.Horizon <= 0 && w.reach < farthest:
		return ForBattery, int(w.hosts[i].store) // it could not carry this one alone
	case to > w.last:
		return ForHorizon, -1
	}
	if j := w.inTheWay(i); j >= 0 {
		return ForTurn, j
	}
	follower := w.follower(i, to)
	ok := w.push(i, to)
	sound := ok && w.cut && w.holdsSo() // a search that was not cut short has tried that
	w.back()
	switch {
	case sound:
		return 0, -1
	case follower >= 0 && (!ok || w.soundAlone(i)):
		return ForOrder, follower
	case w.could[i]:
		return ForWorth, w.giver(i, to, w.low, false)
	case w.couldBreak[i]:
		return ForPromise, w.giver(i, to, w.first, true)
	}
	if w.short = -1; w.push(i, to) {
		w.holdsSo()
	}
	w.back()
	return ForBattery, w.short
}

// inTheWay gives a host that still stops when this one would if it began a slot
// later, where there is no room for both; or -1.
func (w *Planner) inTheWay(i int32) int {
	end := w.start[i] + w.length[i]
	if !w.keeps || w.length[i] == 0 || w.busy.firstFull(end, end+1, w.room) > end {
		return -1
	}
	for j := range w.all() {
		if j != i && w.start[j] <= end && end < w.start[j]+w.length[j] {
			return int(j)
		}
	}
	return -1
}

// follower gives a host that could not start when it does if this one started in
// the slot given, or -1.
func (w *Planner) follower(i int32, to int) int {
	for _, j := range w.next.of(i) {
		if w.start[j] < to+w.length[i] {
			return int(j)
		}
	}
	return -1
}

// soundAlone tells whether the plan would be safe with one host a slot later, if
// those that wait for it did not.
func (w *Planner) soundAlone(i int32) bool {
	if w.now.whole {
		if v := w.judgeAlone(&w.now, i); v != unsure {
			return v == harmless
		}
	}
	w.offGrid()
	for k := range w.scenarios {
		s := &w.scenarios[k]
		w.dispatch(w.stops(s), w.starts)
		w.begun[i] += w.slot
		w.down[i] += w.slot
		if w.spent += len(w.hosts); !w.replay(s.reserve, s.lost) {
			return false
		}
	}
	return true
}

// tries is how many hosts are looked at one by one.
const tries = 4

// giver gives a host that makes room for another to start in the slot given, by
// going forward as far as a bound. It looks at hosts in the order given or backwards,
// and when none does so alone, takes the one that frees most.
func (w *Planner) giver(i int32, to int, bound []int, backwards bool) int {
	low, keeps := w.low, w.keeps
	w.low, w.keeps = bound, false
	defer func() { w.low, w.keeps = low, keeps }()
	most, freed, left := -1, int64(-1), tries
	for h := range w.all() {
		if backwards {
			h = w.all() - 1 - h
		}
		if h == i || w.start[h] <= bound[h] {
			continue
		}
		if f := w.hosts[h].up * int64(w.start[h]-bound[h]); f > freed {
			most, freed = int(h), f
		}
		if left--; left >= 0 && w.gives(h, i, to, bound) {
			return int(w.itself(h, i, to, bound))
		}
	}
	return most
}

// gives tells whether a host that goes forward to its bound, with those that
// must be down before it, makes room for another to start in the slot given.
func (w *Planner) gives(h, i int32, to int, bound []int) bool {
	ok := w.push(i, to) && w.pull(h, bound[h]) && w.start[i] == to && w.holdsSo()
	w.back()
	return ok
}

// itself gives the host that makes the room: one that only takes others forward
// with it is not the one to name.
func (w *Planner) itself(h, i int32, to int, bound []int) int32 {
	for _, j := range w.after.of(h) {
		if j != i && w.start[j] > bound[j] && w.gives(j, i, to, bound) {
			return w.itself(j, i, to, bound)
		}
	}
	return h
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
