package plan

import (
	"cmp"
	"slices"

	"ebbline/shutdown/battery"
)

// filter turns down moves that a replay would, at a fraction of its cost. What a
// store has left at a moment falls in proportion to each host's draw until then,
// so that what moves take from it is a sum over the hosts that move. It is
// looked at where the last safe plan is tight, and where the hosts that move are
// down. What passes is replayed.
//
// It is right about pushes, where no host draws more while it stops than while it
// is up. Of other moves it may turn down some that are just safe.
type filter struct {
	passed [][]moment // per store, in the replay under way
	now    ways       // of the last safe plan
	coming ways       // of the replay under way
	before ways       // of the plan that an attempt began with
	noting bool       // the replay under way keeps its ways
	off    bool
}

// moment is the end of a segment of a replay.
type moment struct {
	at     int64
	left   float64 // after the reserve
	watts  float64 // until then
	charge battery.Charge
}

// way is how a store went through a scenario.
type way struct {
	scenario, store int
	moments         []moment
	tight           []moment // the tightest of each of a few stretches
	shares          []float64
}

// ways are how the stores went through all scenarios, and the plan.
type ways struct {
	of    []way
	start []int
	begun []int64
}

func (a *ways) copy(b *ways) {
	for cap(a.of) < len(b.of) {
		a.of = append(a.of[:cap(a.of)], way{})
	}
	a.of = a.of[:len(b.of)]
	for k := range b.of {
		x, y := &a.of[k], &b.of[k]
		x.scenario, x.store = y.scenario, y.store
		x.moments, x.tight = append(x.moments[:0], y.moments...), append(x.tight[:0], y.tight...)
		x.shares = append(x.shares[:0], y.shares...)
	}
	a.start, a.begun = append(a.start[:0], b.start...), append(a.begun[:0], b.begun...)
}

// note keeps what is left of a store at a change of draw.
func (w *Planner) note(u int, at int64, left float64) {
	w.passed[u] = append(w.passed[u], moment{at, left, w.watts[u], w.charge[u]})
}

// looks is at how many moments of a store's way a move is looked at.
const looks = 6

// remember keeps the ways through a scenario whose replay has just ended well.
func (w *Planner) remember(scenario int) {
	for u := range w.stores {
		if len(w.passed[u]) == 0 || !w.plain(u, w.scenarios[scenario].lost) {
			continue
		}
		n := len(w.coming.of)
		if n == cap(w.coming.of) {
			w.coming.of = append(w.coming.of, way{})
		}
		w.coming.of = w.coming.of[:n+1] // keeps the slices of the way that was here
		y := &w.coming.of[n]
		y.scenario, y.store = scenario, u
		y.moments, w.passed[u] = w.passed[u], y.moments
		y.shares = append(y.shares[:0], w.share[u*len(w.groups):][:len(w.groups)]...)
		y.tight = y.tight[:0]
		stretches := min(looks, len(y.moments))
		for k := range stretches {
			part := y.moments[k*len(y.moments)/stretches : (k+1)*len(y.moments)/stretches]
			y.tight = append(y.tight, slices.MinFunc(part, func(a, b moment) int { return cmp.Compare(a.left, b.left) }))
		}
	}
}

// plain tells whether what a store carries of each host is the same all the
// time: it feeds the host alone, or the host needs all that feed it.
func (w *Planner) plain(u, lost int) bool {
	for g := range w.groups {
		c := &w.groups[g]
		feeds := c.feeds
		if lost >= 0 {
			feeds &^= 1 << lost
		}
		if feeds&(1<<u) != 0 && feeds != 1<<u && c.feeds&^c.needs != 0 {
			return false
		}
	}
	return w.stores[u].linear()
}

// try tells whether the moves leave a safe plan, by which later moves are then
// measured.
func (w *Planner) try() bool {
	w.spent += 2 * len(w.undo)
	if !w.plausible() {
		return false
	}
	w.coming.of = w.coming.of[:0]
	w.noting = true
	ok := w.sound()
	if w.noting = false; ok {
		w.coming.start = append(w.coming.start[:0], w.start...)
		w.coming.begun = append(w.coming.begun[:0], w.begun...)
		w.now, w.coming = w.coming, w.now
	} else {
		w.short = w.fail.store
	}
	return ok
}

// plausible tells whether the moves leave something at every moment looked at.
func (w *Planner) plausible() bool {
	if w.off || len(w.undo) > mostMoves {
		return true
	}
	for k := range w.now.of {
		y := &w.now.of[k]
		end := y.moments[len(y.moments)-1].at
		for t := len(y.tight) - 1; t >= 0; t-- {
			m := &y.tight[t]
			if m.at == end && w.pullsLast(y, end) {
				continue
			}
			if w.takes(y, m.at) > m.left {
				w.short = y.store
				return false
			}
		}
		stops := w.stops(&w.scenarios[y.scenario])
		for _, m := range w.undo {
			if down := w.atLeast(m.host, m.to) + stops[m.host]; y.shares[w.hosts[m.host].group] != 0 && w.takes(y, down) > w.leftAt(y, down) {
				w.short = y.store
				return false
			}
		}
	}
	return true
}

// mostMoves is up to how many moves the filter costs less than a replay.
const mostMoves = 12

// pullsLast tells whether a host goes forward that was the last to go: then
// nothing need be left at the end of the way.
func (w *Planner) pullsLast(y *way, end int64) bool {
	stops := w.stops(&w.scenarios[y.scenario])
	for _, m := range w.undo {
		if m.to < m.from && w.atLeast(m.host, m.from)+stops[m.host] >= end {
			return true
		}
	}
	return false
}

// leftAt is what a store had left at a time of its way, or would have later with
// nothing but its own draw.
func (w *Planner) leftAt(y *way, at int64) float64 {
	k, _ := slices.BinarySearchFunc(y.moments, at, func(m moment, t int64) int { return cmp.Compare(m.at, t) })
	c := &w.stores[y.store]
	from, q, load := int64(0), c.start, c.base
	if k > 0 {
		from, q = y.moments[k-1].at, y.moments[k-1].charge
	}
	if k < len(y.moments) {
		load = y.moments[k].watts
	}
	q = c.carry(q, load, at-from)
	return w.spared(y.store, q, load, w.scenarios[y.scenario].reserve)
}

// takes is the least that the moves take from a store by a time.
func (w *Planner) takes(y *way, at int64) float64 {
	sum := 0.0
	stops := w.stops(&w.scenarios[y.scenario])
	fade := 0.0
	if c := &w.stores[y.store]; c.Diffusion != 0 {
		fade = c.fade(at)
	}
	for _, m := range w.undo {
		h := &w.hosts[m.host]
		if share := y.shares[h.group]; share != 0 {
			stop := stops[m.host]
			sum += float64(share * (w.taken(y, at, fade, h, w.atLeast(m.host, m.to), stop) - w.taken(y, at, fade, h, w.atLeast(m.host, m.from), stop)))
		}
	}
	return sum
}

// atLeast is when a host begins at the earliest that starts in the slot given: it
// may wait for others that go as they do, or later.
func (w *Planner) atLeast(i int32, slot int) int64 {
	t := int64(slot) * w.slot
	if slot >= w.now.start[i] {
		t = max(t, w.now.begun[i])
	}
	return t
}

// taken is what a host that begins its stop at the time given takes from a store
// by another.
func (w *Planner) taken(y *way, at int64, fade float64, h *host, begun, stop int64) float64 {
	c := &w.stores[y.store]
	held := c.Ohmic
	if w.scenarios[y.scenario].reserve > 0 {
		held += c.span + float64(c.Diffusion*(1-c.decay))
	}
	up, stopping := float64(h.up)/watt, float64(h.stopping)/watt
	if begun >= at {
		return float64(up * (w.worn(y, at, fade, at) + held))
	}
	atBegun := w.worn(y, at, fade, begun)
	sum := float64(up*atBegun) - float64(stopping*atBegun)
	if begun+stop >= at {
		return sum + float64(stopping*(w.worn(y, at, fade, at)+held))
	}
	return sum + float64(stopping*w.worn(y, at, fade, begun+stop))
}

// worn is what a watt drawn from the start until a time takes by another.
func (w *Planner) worn(y *way, at int64, fade float64, until int64) float64 {
	c := &w.stores[y.store]
	if c.Diffusion == 0 {
		return seconds(until)
	}
	bound := float64(c.Diffusion * (c.fade(at-until) - fade))
	if w.scenarios[y.scenario].reserve > 0 {
		bound = float64(bound * c.decay)
	}
	return seconds(until) + bound
}
