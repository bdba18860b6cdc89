package plan

import (
	"cmp"
	"math"
	"math/bits"
	"slices"

	"ebbline/shutdown/battery"
)

// event is a change of one group's draw, in microwatts.
type event struct {
	at    int64
	delta int64
	host  int32
	group int32
}

// replayer holds what a replay needs, and what the last one found.
type replayer struct {
	begun  []int64 // when each stop really begins: planned, and what it waits for is down
	down   []int64 // when each host is down
	events []event
	inTime []int32 // events in order of time; kept, as the next replay's order is much the same

	draw   []int64   // per group, at the moment
	end    []int64   // per group: when the last of it is down
	share  []float64 // [store*groups+group]: of the group's draw, while the stores that are left last
	until  []int64   // per store: when the last host that it feeds or that needs it is down
	at     []int64   // per store: how far it was carried
	charge []battery.Charge
	then   []battery.Charge // at the end of the segment
	aside  []battery.Charge // while it is tried how long the draw of the moment could go on
	drawn  []int64          // per store: what it carries of the hosts at the moment, in microwatts
	watts  []float64        // per store, at the moment
	left   uint64           // stores that have not given out

	joined bool   // stores are likely to take on what others carried: all are carried together at once
	lasted bool   // each store lasted by itself
	grid   int64  // a store gives out on this grid, at the point before; 0: at the moment itself
	trace  *Trace // written to when not nil
	fail   failure
}

// failure is the first moment at which a host has no store left, and the store
// that was its last.
type failure struct {
	at    int64
	store int
	apart bool // at is still to be found
}

// failedAt is the moment at which the last replay failed.
func (w *Planner) failedAt() int64 {
	if f := &w.fail; f.apart {
		f.at, f.apart = w.givesOut(f.store, w.at[f.store], farthest), false
	}
	return w.fail.at
}

// dispatch finds when each stop begins and ends: it begins when it is planned
// and all that it waits for is down. It gives the time when the last begins.
func (w *Planner) dispatch(stops, starts []int64) (last int64) {
	for _, i := range w.order {
		t := starts[i]
		for _, a := range w.after.of(i) {
			t = max(t, w.down[a])
		}
		if w.hosts[i].Asked {
			t = 0
		}
		w.begun[i], w.down[i] = t, t+stops[i]
		last = max(last, t)
	}
	return last
}

// replay carries the stores through the dispatched stops, one store lost from
// the start or -1, and tells whether every host has a store, and all that it
// needs, until it is down, and would have if the draw of any moment went on for
// the reserve.
func (w *Planner) replay(reserve int64, lost int) bool {
	w.rewind(lost)
	if w.trace == nil && !w.joined {
		switch u := w.apart(reserve); {
		case u < 0:
			w.lasted = true
			return true
		case w.alone(u, w.at[u]):
			w.fail = failure{apart: true, store: u}
			return false
		}
		w.rewind(lost)
	}
	return w.together(reserve)
}

// rewind sets all to time zero.
func (w *Planner) rewind(lost int) {
	w.list(lost)
	w.begin(lost)
}

// apart carries each store by itself from one change of its own draw to the next,
// and gives the first that can not, as far as it comes; -1 when all can. Others may
// take on what that one carried.
func (w *Planner) apart(reserve int64) int {
	for u := range w.stores {
		w.at[u], w.watts[u] = 0, w.drawOn(u)
	}
	broken, when := -1, int64(0)
	for _, k := range w.inTime {
		e := &w.events[k]
		if broken >= 0 && e.at > when {
			return broken
		}
		fed := w.groups[e.group].feeds & w.left
		for m := fed; m != 0; m &= m - 1 {
			if u := bits.TrailingZeros64(m); !w.holds(u, e.at, reserve) && (broken < 0 || u < broken) {
				broken, when = u, e.at
			}
		}
		w.change(e)
		for m := fed; m != 0; m &= m - 1 {
			u := bits.TrailingZeros64(m)
			w.watts[u] = w.drawOn(u)
		}
	}
	for u := range w.stores {
		if broken < 0 && w.left&(1<<u) != 0 && !w.holds(u, w.until[u], reserve) {
			broken = u
		}
	}
	return broken
}

// alone tells whether a host that is not down lives on the store alone. It is so
// until the store's next change of draw, which may be its being down.
func (w *Planner) alone(u int, live int64) bool {
	for g := range w.groups {
		if w.end[g] > live && w.groups[g].feeds&w.left == 1<<u {
			return true
		}
	}
	return false
}

// holds carries a store until a change of its draw, and tells whether it can, and
// could for the reserve again.
func (w *Planner) holds(u int, to, reserve int64) bool {
	from := w.at[u]
	if to <= from || from >= w.until[u] {
		return true
	}
	c, load := &w.stores[u], w.watts[u]
	q := c.carry(w.charge[u], load, to-from)
	left := w.spared(u, q, load, reserve)
	if left < 0 || c.Left(q, load) < 0 || c.Left(w.charge[u], load) < 0 {
		return false
	}
	w.charge[u], w.at[u] = q, to
	return true
}

// together carries the stores from one change of any draw to the next.
func (w *Planner) together(reserve int64) bool {
	now := int64(0)
	w.lasted = true
	for k := 0; k < len(w.inTime); {
		at := w.events[w.inTime[k]].at
		if at > now {
			if !w.carry(now, at, reserve) {
				return false
			}
			now = at
		}
		for ; k < len(w.inTime) && w.events[w.inTime[k]].at == at; k++ {
			w.change(&w.events[w.inTime[k]])
		}
	}
	return w.fail.store < 0
}

// list writes the changes of draw in order of time, and each group's first draw
// and its end. Hosts that only the lost store feeds draw nothing. That a stop begins is no
// change where the host draws the same while it stops.
func (w *Planner) list(lost int) {
	clear(w.draw)
	clear(w.end)
	w.events = w.events[:0]
	for i := range w.all() {
		h := &w.hosts[i]
		begins, ends := event{host: i, group: h.group}, event{host: i, group: h.group}
		if !w.groups[h.group].dead(lost) {
			w.draw[h.group] += h.up
			w.end[h.group] = max(w.end[h.group], w.down[i])
			begins.at, begins.delta = w.begun[i], h.stopping-h.up
			ends.at, ends.delta = w.down[i], -h.stopping
		}
		if h.stopping != h.up {
			w.events = append(w.events, begins)
		}
		w.events = append(w.events, ends)
	}
	w.sortEvents()
}

// sortEvents starts from the last order, which is nearly right as a rule. Those at
// the same time are left in any order.
func (w *Planner) sortEvents() {
	if len(w.inTime) != len(w.events) {
		w.inTime = resize(w.inTime, len(w.events))
		for k := range w.inTime {
			w.inTime[k] = int32(k)
		}
	}
	moves, last := 8*len(w.inTime)+64, int64(0)
	for k, e := range w.inTime {
		at := w.events[e].at
		if at >= last {
			last = at
			continue
		}
		j := k
		for ; j > 0 && w.events[w.inTime[j-1]].at > at; j-- {
			w.inTime[j] = w.inTime[j-1]
		}
		w.inTime[j] = e
		if moves -= k - j; moves < 0 {
			slices.SortFunc(w.inTime, func(a, b int32) int { return cmp.Compare(w.events[a].at, w.events[b].at) })
			return
		}
	}
}

// begin sets the stores to their state at time zero.
func (w *Planner) begin(lost int) {
	w.fail = failure{store: -1}
	w.left = 1<<len(w.stores) - 1
	if lost >= 0 {
		w.left &^= 1 << lost
	}
	clear(w.until)
	for g := range w.groups {
		for m := w.groups[g].feeds | w.groups[g].needs; m != 0; m &= m - 1 {
			u := bits.TrailingZeros64(m)
			w.until[u] = max(w.until[u], w.end[g])
		}
	}
	for u := range w.stores {
		w.charge[u] = w.stores[u].start
	}
	w.divide()
}

// divide shares each group's draw among the stores that are left to it.
func (w *Planner) divide() {
	clear(w.share)
	clear(w.drawn)
	for g := range w.groups {
		feeds := w.groups[g].first.Feeds
		sum := 0.0
		for _, f := range feeds {
			if w.left&(1<<f.Store) != 0 && f.Part > 0 {
				sum += f.Part
			}
		}
		for _, f := range feeds {
			if w.left&(1<<f.Store) != 0 && f.Part > 0 {
				w.share[f.Store*len(w.groups)+g] += f.Part / sum
			}
		}
		for m := w.groups[g].feeds & w.left; m != 0; m &= m - 1 {
			u := bits.TrailingZeros64(m)
			w.drawn[u] += w.portion(u, g)
		}
	}
}

// portion is what a store carries of a group's draw, rounded up to a microwatt.
func (w *Planner) portion(u, g int) int64 {
	if s := w.share[u*len(w.groups)+g]; s != 1 {
		return int64(math.Ceil(float64(w.draw[g]) * s))
	}
	return w.draw[g]
}

// change makes a change of draw.
func (w *Planner) change(e *event) {
	g := int(e.group)
	fed := w.groups[g].feeds & w.left
	for m := fed; m != 0; m &= m - 1 {
		u := bits.TrailingZeros64(m)
		w.drawn[u] -= w.portion(u, g)
	}
	w.draw[g] += e.delta
	for m := fed; m != 0; m &= m - 1 {
		u := bits.TrailingZeros64(m)
		w.drawn[u] += w.portion(u, g)
	}
}

// drawOn is what a store carries at the moment, in watts.
func (w *Planner) drawOn(u int) float64 { return w.stores[u].base + float64(w.drawn[u])/watt }

// carry takes the stores from one change of draw to the next. It is false when
// a host is left without a store, or would be if the draw went on for the
// reserve.
func (w *Planner) carry(from, to, reserve int64) bool {
	if !w.advance(from, from, to) {
		return false
	}
	if w.lasts(from, reserve) {
		return true
	}
	copy(w.aside, w.charge)
	left := w.left
	ok := w.advance(from, to, to+reserve)
	copy(w.charge, w.aside)
	if w.left != left {
		w.left = left
		w.divide()
	}
	return ok
}

// lasts tells whether every store by itself could carry the draw of the moment
// for the reserve.
func (w *Planner) lasts(live, reserve int64) bool {
	if reserve == 0 {
		return true
	}
	ok := true
	for u := range w.stores {
		if w.left&(1<<u) == 0 || live >= w.until[u] {
			continue
		}
		ok = ok && w.spared(u, w.charge[u], w.watts[u], reserve) >= 0
	}
	return ok
}

// spared is what a store has left at a load after the reserve.
func (w *Planner) spared(u int, q battery.Charge, watts float64, reserve int64) float64 {
	if reserve > 0 {
		return w.stores[u].spare(q, watts)
	}
	return w.stores[u].Left(q, watts)
}

// advance carries the draw of the moment for a while, with the hosts that were
// not down at the time live. What is left of a store has no low point between
// two changes of draw, so that looking at both ends is enough.
func (w *Planner) advance(live, from, to int64) bool {
	for {
		out, first := w.look(live, from, to)
		if w.trace != nil {
			w.trace.segment(w, live, from)
		}
		for u := range w.stores {
			if w.left&(1<<u) == 0 || live >= w.until[u] {
				continue
			}
			if out == 0 {
				w.charge[u] = w.then[u]
			} else {
				w.charge[u] = w.stores[u].carry(w.charge[u], w.watts[u], first-from)
			}
		}
		if out == 0 {
			return true
		}
		w.lasted = false
		if w.trace != nil {
			w.trace.gaveOut(w, out, first)
		}
		w.left &^= out
		if !w.carried(live) && w.fail.store < 0 {
			w.fail = failure{at: first, store: bits.TrailingZeros64(out)}
			if w.trace == nil {
				return false
			}
		}
		w.divide()
		from = first
	}
}

// look finds what each store carries and where that leaves it, and which stores
// give out first, if any, and when.
func (w *Planner) look(live, from, to int64) (out uint64, first int64) {
	for u := range w.stores {
		if w.left&(1<<u) == 0 || live >= w.until[u] {
			continue
		}
		c := &w.stores[u]
		load := w.drawOn(u)
		w.watts[u] = load
		w.then[u] = c.carry(w.charge[u], load, to-from)
		if c.Left(w.then[u], load) >= 0 && c.Left(w.charge[u], load) >= 0 {
			continue
		}
		switch t := w.givesOut(u, from, to); {
		case out == 0 || t < first:
			out, first = 1<<u, t
		case t == first:
			out |= 1 << u
		}
	}
	return out, first
}

// givesOut is when a store that does not last the segment is empty, rounded
// down, and to the grid when there is one.
func (w *Planner) givesOut(u int, from, to int64) int64 {
	t := to
	if s := w.stores[u].Runtime(w.charge[u], w.watts[u]); s < seconds(to-from) {
		t = from + nanoseconds(s)
	}
	if w.grid > 0 {
		t = max(from, t-t%w.grid)
	}
	return t
}

// carried tells whether every host that is not down has a store that feeds it,
// and all that it needs.
func (w *Planner) carried(live int64) bool {
	for g := range w.groups {
		if c := &w.groups[g]; w.end[g] > live && (c.feeds != 0 && c.feeds&w.left == 0 || c.needs&^w.left != 0) {
			return false
		}
	}
	return true
}

func seconds(ns int64) float64 { return float64(ns) / float64(second) }

// nanoseconds rounds down; what is beyond the planner's sight is cut there, and
// what is no number at all (the run time of next to no load).
func nanoseconds(s float64) int64 {
	if !(s < float64(farthest/second)) {
		return farthest
	}
	return int64(s * float64(second))
}
