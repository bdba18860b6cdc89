package plan

import (
	"cmp"
	"math"
	"math/bits"
	"slices"
)

// fitter knows what a plan must hold against, and the grid on which it is made.
type fitter struct {
	worst, expected []int64 // how long the stops take
	peaks           bool    // some host draws more while it stops than while it is up
	scenarios       []scenario
	fragile         []int
	deadline        []int64 // per group: when it must be down
	due             []int64 // per host: its latest start

	slot   int64 // nanoseconds
	reach  int64 // no start after this
	last   int   // nor after this slot
	length []int // slots from a start to the first in which those that wait may start
	start  []int // slots
	starts []int64
	spent  int // effort: hosts replayed
}

// scenario is one way in which a plan must hold: how long the stops take, the
// time that must be left, and the store that is lost from the start.
type scenario struct {
	expected bool // stops take what they do as a rule, not the worst
	reserve  int64
	lost     int // -1 for none
}

func (w *Planner) stops(s *scenario) []int64 {
	if s.expected {
		return w.expected
	}
	return w.worst
}

// safe tells whether the starts hold in every scenario.
func (w *Planner) safe(starts []int64) bool {
	for k := range w.scenarios {
		s := &w.scenarios[k]
		w.spent += len(w.hosts)
		last := w.dispatch(w.stops(s), starts)
		if w.p.Horizon > 0 && last > clamp(w.p.Horizon) {
			w.fail = failure{store: -1}
			return false
		}
		if !w.replay(s.reserve, s.lost) {
			return false
		}
		if w.noting {
			w.remember(k)
		}
	}
	return true
}

// sound tells whether the starts on the grid are safe.
func (w *Planner) sound() bool {
	w.offGrid()
	return w.safe(w.starts)
}

// offGrid writes the starts in nanoseconds.
func (w *Planner) offGrid() {
	for i, s := range w.start {
		w.starts[i] = int64(s) * w.slot
	}
}

// require settles what the plan must hold against, and leaves a plan that does
// in start, if there is one.
//
// A plan must hold at worst durations. Where none does, it must hold at expected
// ones; and, if any can, bring all down at worst durations too, with the reserve
// used up. And it must hold with each store lost with which any can.
func (w *Planner) require() (fits, expected bool) {
	reserve := clamp(w.p.Reserve)
	worst, barely, likely := scenario{false, reserve, -1}, scenario{false, 0, -1}, scenario{true, reserve, -1}
	w.fragile = w.fragile[:0]
	switch {
	case w.possible(worst):
		fits, expected = true, true
	case w.possible(likely, barely), w.possible(likely):
		expected = true
	default:
		return false, false
	}
	if w.p.EachLost {
		w.loseEach()
	}
	return fits, expected
}

// possible tells whether a plan is known that holds in the scenarios, which
// become those of the search.
func (w *Planner) possible(scenarios ...scenario) bool {
	w.scenarios = append(w.scenarios[:0], scenarios...)
	w.measure()
	return w.arrange(0)
}

// loseEach adds the loss of each store that shares a host with another, where a
// plan survives it. Time zero is the worst time to lose one: at any other, less
// has been drawn from the rest.
func (w *Planner) loseEach() {
	kinds := len(w.scenarios)
	for m := w.shared(); m != 0; m &= m - 1 {
		lost := bits.TrailingZeros64(m)
		n := len(w.scenarios)
		for k := range kinds {
			s := w.scenarios[k]
			s.lost = lost
			w.scenarios = append(w.scenarios, s)
		}
		if w.needed(lost) || !w.arrange(0) {
			w.fragile = append(w.fragile, lost)
			w.scenarios = w.scenarios[:n]
		}
	}
	w.arrange(0)
}

// recall takes up what a plan was made to hold against.
func (w *Planner) recall(out *Plan) {
	s := scenario{out.FitsExpected && !out.Fits, clamp(w.p.Reserve), -1}
	w.scenarios = append(w.scenarios[:0], s)
	for m := w.shared(); w.p.EachLost && m != 0; m &= m - 1 {
		s.lost = bits.TrailingZeros64(m)
		if !slices.Contains(out.Fragile, s.lost) {
			w.scenarios = append(w.scenarios, s)
		}
	}
}

// shared gives the stores that share a host with another.
func (w *Planner) shared() uint64 {
	m := uint64(0)
	for g := range w.groups {
		if f := w.groups[g].feeds; bits.OnesCount64(f) > 1 {
			m |= f
		}
	}
	return m
}

// needed tells whether a host would live on without the store and could not be
// stopped for want of it.
func (w *Planner) needed(lost int) bool {
	for g := range w.groups {
		if c := &w.groups[g]; c.needs&(1<<lost) != 0 && !c.dead(lost) {
			return true
		}
	}
	return false
}

// measure sets the lengths on the grid. On one that the planner chose itself
// they are rounded down: those that wait begin when they really may, as
// dispatch sees to, so that nothing is lost to the grid.
func (w *Planner) measure() {
	up := w.slot - 1
	if w.ownGrid() {
		up = 0
	}
	for i, s := range w.stops(&w.scenarios[0]) {
		w.length[i] = int((s + up) / w.slot)
	}
}

// ownGrid tells whether a host that waits may start off the grid. One replay must
// then be enough to tell when.
func (w *Planner) ownGrid() bool {
	return w.p.Slot <= 0 && w.p.AtOnce <= 0 && !w.scenarios[0].expected
}

// lay chooses the grid.
func (w *Planner) lay() {
	w.grid = max(0, int64(w.p.Slot))
	if w.reach = clamp(w.p.Horizon); w.reach == 0 {
		w.reach = w.longest()
	}
	if w.slot = w.grid; w.slot == 0 {
		w.slot = chooseSlot(min(w.allUp(), w.reach))
	}
	w.last = int(w.reach / w.slot)
}

// chooseSlot gives about a two-hundredth of the time that the stores carry
// everything, and at least a second.
func chooseSlot(allUp int64) int64 {
	slot := second
	for _, s := range [...]int64{2, 3, 5, 6, 10, 15, 20, 30, 60, 120, 300, 600} {
		if s*second <= allUp/200 {
			slot = s * second
		}
	}
	return slot
}

// longest is a time after which no host is up, whatever else has stopped.
func (w *Planner) longest() int64 {
	far := int64(0)
	for g := range w.groups {
		least := int64(math.MaxInt64)
		for i := range w.hosts {
			if h := &w.hosts[i]; h.group == int32(g) {
				least = min(least, h.up, h.stopping)
			}
		}
		feeds, needs := w.groups[g].first.Feeds, w.groups[g].first.Needs
		if len(feeds) == 0 && len(needs) == 0 {
			return farthest
		}
		if len(feeds) == 0 {
			c := &w.stores[needs[0]]
			far = max(far, nanoseconds(c.Runtime(c.start, c.base)))
		}
		sum := 0.0
		for _, f := range feeds {
			sum += math.Max(0, f.Part)
		}
		for _, f := range feeds {
			if f.Part > 0 {
				c := &w.stores[f.Store]
				far = max(far, nanoseconds(c.Runtime(c.start, c.base+float64(float64(least)/watt*(f.Part/sum)))))
			}
		}
	}
	return far
}

// allUp is how long the stores carry everything, with nothing started.
func (w *Planner) allUp() int64 {
	for i := range w.starts {
		w.starts[i] = farthest
	}
	w.dispatch(w.worst, w.starts)
	w.rewind(-1)
	if w.together(0) {
		return farthest
	}
	return w.failedAt()
}

// noReturn bisects for the latest time from which all can go as early as the
// order lets them. Where no host draws more while it stops and there is no limit
// on stops at once, no safe plan starts later; else it is tried whether a
// staggered one does.
func (w *Planner) noReturn() int64 {
	if !slices.ContainsFunc(w.hosts, func(h host) bool { return !h.Asked }) {
		return cmp.Or(clamp(w.p.Horizon), farthest) // there is nothing left to start
	}
	best := int64(0)
	if w.p.AtOnce <= 0 {
		step := w.slot
		if w.ownGrid() {
			step = second
		}
		lo, hi := int64(0), min(w.allUp(), w.reach)/step+1
		for lo+1 < hi {
			if mid := (lo + hi) / 2; w.allFrom(mid * step) {
				lo = mid
			} else {
				hi = mid
			}
		}
		if best = lo * step; !w.peaks {
			return best
		}
	}
	lo := int(best / w.slot)
	hi := lo + 1
	for by := 1; hi <= w.last && w.arrange(hi); by *= 2 {
		lo, hi = hi, hi+by
	}
	for hi = min(hi, w.last+1); lo+1 < hi; {
		if mid := (lo + hi) / 2; w.arrange(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return max(best, int64(lo)*w.slot)
}

// allFrom tells whether all can go from the time given on, as early as the order
// lets them.
func (w *Planner) allFrom(from int64) bool {
	if !w.ownGrid() {
		w.earliest(int(from / w.slot))
		return w.sound()
	}
	for i := range w.starts {
		w.starts[i] = from
	}
	return w.safe(w.starts)
}
