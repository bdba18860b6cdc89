package plan

// filter turns down moves that a replay would, at a fraction of its cost. What a
// store has left at a moment falls in proportion to each host's draw until then,
// so that what moves take from it is a sum over the hosts that move. It is
// looked at where the last safe plan is tightest, and at its end. What passes
// is replayed.
type filter struct {
	tight, final []point // per store, in the replay under way
	now          points  // of the last safe plan
	upcoming     points  // of the replay under way
	before       points  // of the plan that an attempt began with
	noting       bool
}

// points are where a plan is looked at, and the plan.
type points struct {
	at     []point
	shares []float64 // per point, per group
	start  []int
	begun  []int64
}

func (p *points) clear() { p.at, p.shares = p.at[:0], p.shares[:0] }

func (p *points) copy(q *points) {
	p.at, p.shares = append(p.at[:0], q.at...), append(p.shares[:0], q.shares...)
	p.start, p.begun = append(p.start[:0], q.start...), append(p.begun[:0], q.begun...)
}

// point is what is left of a store, after the reserve, at the end of a segment.
type point struct {
	scenario, store int
	at              int64
	left            float64
	fade            float64 // what rest from the start until then leaves of the bound charge
}

// note keeps where a replay is tightest, and where it ends.
func (f *filter) note(u int, at int64, left float64) {
	f.final[u] = point{at: at, left: left}
	if f.tight[u].at == 0 || left < f.tight[u].left {
		f.tight[u] = f.final[u]
	}
}

// remember takes up the points of a scenario whose replay has just ended well.
func (w *Planner) remember(scenario int) {
	for u := range w.stores {
		if w.final[u].at == 0 || !w.plain(u, w.scenarios[scenario].lost) {
			continue
		}
		for k, pt := range [...]point{w.final[u], w.tight[u]} {
			if k == 1 && pt == w.final[u] {
				break
			}
			pt.scenario, pt.store = scenario, u
			if c := &w.stores[u]; c.Diffusion != 0 {
				pt.fade = c.fade(pt.at)
			}
			w.upcoming.at = append(w.upcoming.at, pt)
			w.upcoming.shares = append(w.upcoming.shares, w.share[u*len(w.groups):][:len(w.groups)]...)
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
	if !w.plausible() {
		if DEBUG && w.sound() {
			println("WRONG")
			for k := range w.now.at {
				pt := &w.now.at[k]
				t := w.takes(pt, w.now.shares[k*len(w.groups):][:len(w.groups)])
				println(pt.at/second, pt.left, t)
			}
			for _, m := range w.undo {
				println("  ", m.host, m.from, m.to)
			}
		}
		return false
	}
	w.upcoming.clear()
	w.noting = true
	ok := w.sound()
	if w.noting = false; ok {
		w.upcoming.start = append(w.upcoming.start[:0], w.start...)
		w.upcoming.begun = append(w.upcoming.begun[:0], w.begun...)
		w.now, w.upcoming = w.upcoming, w.now
	}
	return ok
}

// plausible tells whether the moves leave something at every point.
func (w *Planner) plausible() bool {
	for k := range w.now.at {
		if pt := &w.now.at[k]; w.takes(pt, w.now.shares[k*len(w.groups):][:len(w.groups)]) > pt.left {
			return false
		}
	}
	return true
}

// takes is the least that the moves take from a store by the point's time.
func (w *Planner) takes(pt *point, shares []float64) float64 {
	sum := 0.0
	stops := w.stops(&w.scenarios[pt.scenario])
	for _, m := range w.undo {
		h := &w.hosts[m.host]
		share := shares[h.group]
		if share == 0 {
			continue
		}
		from, to, stop := w.atLeast(m.host, m.from), w.atLeast(m.host, m.to), stops[m.host]
		if to < from && from+stop >= pt.at {
			return 0 // perhaps the last to go: nothing need be left then
		}
		sum += float64(share * (w.taken(pt, h, to, stop) - w.taken(pt, h, from, stop)))
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
// by the point's time.
func (w *Planner) taken(pt *point, h *host, begun, stop int64) float64 {
	c := &w.stores[pt.store]
	held := c.Ohmic
	if w.scenarios[pt.scenario].reserve > 0 {
		held += c.span + float64(c.Diffusion*(1-c.decay))
	}
	up, stopping := float64(h.up)/watt, float64(h.stopping)/watt
	if begun >= pt.at {
		return float64(up * (w.worn(pt, pt.at) + held))
	}
	atBegun := w.worn(pt, begun)
	sum := float64(up*atBegun) - float64(stopping*atBegun)
	if begun+stop >= pt.at {
		return sum + float64(stopping*(w.worn(pt, pt.at)+held))
	}
	return sum + float64(stopping*w.worn(pt, begun+stop))
}

// worn is what a watt drawn from the start until a time takes by the point's.
func (w *Planner) worn(pt *point, until int64) float64 {
	c := &w.stores[pt.store]
	if c.Diffusion == 0 {
		return seconds(until)
	}
	bound := float64(c.Diffusion * (c.fade(pt.at-until) - pt.fade))
	if w.scenarios[pt.scenario].reserve > 0 {
		bound *= c.decay
	}
	return seconds(until) + bound
}

var DEBUG = false
