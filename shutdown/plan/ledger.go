package plan

import (
	"cmp"
	"slices"

	"ebbline/shutdown/battery"
)

// ledger tells what a change of a safe plan does to the stores without a replay of
// all of it. What a store has left falls in proportion to each host's draw until
// then: so the hosts that move change the state of a store between their old and
// their new places, and behind them by two figures, the energy that they took, which
// stays, and what of it is bound, which fades. It is right to the last joule
// while every store lasts until the last host that it must carry is down. Where one
// gives out before, it says of the stores that feed their hosts alone when a
// change is too much, and the rest is replayed.
type ledger struct {
	whole bool // each store lasts, and all are here
	kinds [2]begins
	ways  []way
}

// begins is when stops begin and end, with the stops that take the worst and with
// those expected.
type begins struct {
	used        bool
	begun, down []int64
}

// way is how a store goes through a scenario.
type way struct {
	scenario, store int
	kind            int       // of begins
	shares          []float64 // per group
	bears           []bool    // per group: it lives on the store, or needs it
	reserve         bool
	plain           bool    // what it carries is the same whatever becomes of others
	load            float64 // watts, before the first mark
	marks           []mark
	least           []float64 // what is left at the least, of so many marks
}

// mark is one host's change of draw.
type mark struct {
	at   int64
	host int32
	step float64 // watts
	load float64 // from then on
	// What is left then with the load until then, after the reserve, and with the load
	// from then on without it; the same for all at one time.
	left, lead float64
	charge     battery.Charge
}

// marksEach is how many marks one figure of the least stands for.
const marksEach = 16

func (l *ledger) copy(o *ledger) {
	l.whole = o.whole
	for k := range l.kinds {
		x, y := &l.kinds[k], &o.kinds[k]
		x.used = y.used
		x.begun, x.down = append(x.begun[:0], y.begun...), append(x.down[:0], y.down...)
	}
	l.ways = l.ways[:0]
	for k := range o.ways {
		x, y := l.add(), &o.ways[k]
		marks, shares, bears, least := x.marks, x.shares, x.bears, x.least
		*x = *y
		x.marks, x.least = append(marks[:0], y.marks...), append(least[:0], y.least...)
		x.shares, x.bears = append(shares[:0], y.shares...), append(bears[:0], y.bears...)
	}
}

// add gives one more way, which keeps the slices of the one that was there.
func (l *ledger) add() *way {
	if len(l.ways) == cap(l.ways) {
		l.ways = append(l.ways, way{})
	} else {
		l.ways = l.ways[:len(l.ways)+1]
	}
	return &l.ways[len(l.ways)-1]
}

func (l *ledger) empty() {
	l.whole, l.ways = false, l.ways[:0]
	l.kinds[0].used, l.kinds[1].used = false, false
}

// changed is a host whose stop begins or ends at another time.
type changed struct {
	host           int32
	begun, down    int64 // before
	begins, isDown int64 // now
}

// shift is a change of a store's load by the hosts that move.
type shift struct {
	at   int64
	step float64
}

// tally is the scratch of a question to a ledger.
type tally struct {
	now    ledger // of the last safe plan
	coming ledger // of the replay under way
	kept   ledger // of the plan that an attempt began with
	noting bool   // the replay under way goes into a ledger

	apartFails bool         // in the last safe plan a store took on what others carried
	moved      [2][]changed // per kind
	ahead      []int32      // hosts whose moves were kept, and are not in the ledger yet
	isMoved    []bool
	shifts     []shift
	tie        bool // what was last looked at is nought but for rounding
	rest       []mark
}

// remember writes down the ways through a scenario whose replay has just ended well.
func (w *Planner) remember(scenario int) {
	s := &w.scenarios[scenario]
	l := &w.coming
	l.whole = l.whole && w.lasted
	kind := 0
	if s.expected {
		kind = 1
	}
	if b := &l.kinds[kind]; !b.used {
		b.used = true
		b.begun, b.down = append(b.begun[:0], w.begun...), append(b.down[:0], w.down...)
	}
	for u := range w.stores {
		if !w.stores[u].linear() {
			l.whole = false
		}
		if u != s.lost && w.stores[u].linear() && (w.lasted || w.plain(u, s.lost)) {
			w.write(l.add(), scenario, u, kind)
		}
	}
}

// write makes a store's way from the events of the replay.
func (w *Planner) write(y *way, scenario, u, kind int) {
	s := &w.scenarios[scenario]
	y.scenario, y.store, y.kind, y.reserve, y.plain = scenario, u, kind, s.reserve > 0, w.plain(u, s.lost)
	y.shares, y.bears, y.marks = y.shares[:0], y.bears[:0], y.marks[:0]
	y.load = w.stores[u].base
	for g := range w.groups {
		c := &w.groups[g]
		share := w.share[u*len(w.groups)+g]
		if c.dead(s.lost) {
			share = 0
		}
		y.shares = append(y.shares, share)
		y.bears = append(y.bears, !c.dead(s.lost) && (c.feeds|c.needs)&(1<<u) != 0)
		if share != 0 && share != 1 {
			y.load += 1.0 / watt // a part of a microwatt is rounded up
		}
	}
	for i := range w.hosts {
		y.load += float64(y.shares[w.hosts[i].group]*float64(w.hosts[i].up)) / watt
	}
	for _, k := range w.inTime {
		if e := &w.events[k]; y.bears[e.group] {
			y.marks = append(y.marks, mark{at: e.at, host: e.host, step: float64(y.shares[e.group]*float64(e.delta)) / watt})
		}
	}
	w.carryOn(y, 0)
}

// carryOn works out a way from a mark on, of which none is at the time of the one
// before.
func (w *Planner) carryOn(y *way, from int) {
	c := &w.stores[y.store]
	at, q, load := w.state(y, from)
	left := w.leftOf(y, q, load)
	for k := from; k < len(y.marks); k++ {
		m := &y.marks[k]
		if m.at > at {
			q, at = c.carry(q, load, m.at-at), m.at
			left = w.leftOf(y, q, load)
		}
		load += m.step
		m.charge, m.left, m.load, m.lead = q, left, load, left
		if w.peaks && (k+1 == len(y.marks) || y.marks[k+1].at > at) {
			m.lead = c.Left(q, load)
		}
	}
	y.summarize(from)
}

func (y *way) summarize(from int) {
	from /= marksEach
	y.least = y.least[:min(from, len(y.least))]
	for k := from * marksEach; k < len(y.marks); k += marksEach {
		least := y.marks[k].left
		for j := k; j < min(k+marksEach, len(y.marks)); j++ {
			least = min(least, y.marks[j].left, y.marks[j].lead)
		}
		y.least = append(y.least, least)
	}
}

func (w *Planner) leftOf(y *way, q battery.Charge, load float64) float64 {
	if y.reserve {
		return w.stores[y.store].spare(q, load)
	}
	return w.stores[y.store].Left(q, load)
}

// verdict on a change of a plan.
type verdict uint8

const (
	tooMuch verdict = iota
	harmless
	unsure // it must be replayed
)

// judge tells what the moves do. Where they are safe, or it is unsure, the
// times in the ledger are those of the plan that they make.
func (w *Planner) judge(l *ledger) verdict {
	if len(l.ways) == 0 {
		return unsure
	}
	for kind := range l.kinds {
		if l.kinds[kind].used && !w.dispatchMoves(l, kind) {
			w.short = -1
			w.revert(l)
			return tooMuch
		}
	}
	answer := harmless
	if !l.whole {
		answer = unsure
	}
	for k := range l.ways {
		y := &l.ways[k]
		at := w.breaks(l, y)
		if at < 0 {
			continue
		}
		w.short = y.store
		if !w.tie && (y.plain || w.needsIt(l, y, at)) {
			w.revert(l)
			return tooMuch
		}
		answer = unsure
	}
	return answer
}

// dispatchMoves works out when the hosts stop that the moves concern, and is false when
// one does past the horizon.
func (w *Planner) dispatchMoves(l *ledger, kind int) bool {
	b := &l.kinds[kind]
	moved := w.moved[kind][:0]
	stops := w.worst
	if kind == 1 {
		stops = w.expected
	}
	w.queue = w.queue[:0]
	for k := range w.undo {
		w.queue = append(w.queue, w.place[w.undo[k].host])
	}
	for _, i := range w.ahead {
		w.queue = append(w.queue, w.place[i])
	}
	if len(w.queue) > 1 {
		slices.SortFunc(w.queue, func(a, b int32) int { return cmp.Compare(b, a) })
		w.queue = slices.Compact(w.queue)
	}
	ok := true
	for len(w.queue) > 0 {
		i := w.order[w.pop()]
		t := int64(w.start[i]) * w.slot
		for _, a := range w.after.of(i) {
			t = max(t, b.down[a])
		}
		if t == b.begun[i] || w.hosts[i].Asked {
			continue
		}
		c := changed{i, b.begun[i], b.down[i], t, t + stops[i]}
		moved = append(moved, c)
		b.begun[i], b.down[i] = c.begins, c.isDown
		ok = ok && (w.p.Horizon <= 0 || t <= clamp(w.p.Horizon))
		for _, j := range w.next.of(i) {
			if c.isDown > b.begun[j] || c.down == b.begun[j] {
				w.enqueue(w.place[j])
			}
		}
	}
	w.moved[kind] = moved
	w.spent += len(moved)
	return ok
}

// revert takes back the times in the ledger.
func (w *Planner) revert(l *ledger) {
	for kind := range l.kinds {
		b := &l.kinds[kind]
		for k := range w.moved[kind] {
			c := &w.moved[kind][k]
			b.begun[c.host], b.down[c.host] = c.begun, c.down
		}
		w.moved[kind] = w.moved[kind][:0]
	}
}

// breaks gives when a store would have too little left after the moves; -1 for never.
func (w *Planner) breaks(l *ledger, y *way) int64 {
	moved := w.moved[y.kind]
	w.shifts = w.shifts[:0]
	until := int64(0)
	for k := range moved {
		c := &moved[k]
		h := &w.hosts[c.host]
		if !y.bears[h.group] {
			continue
		}
		w.isMoved[c.host] = true
		share := y.shares[h.group] / watt
		stopping, less := float64(share*float64(h.stopping)), float64(share*float64(h.stopping-h.up))
		if less != 0 {
			w.shifts = append(w.shifts, shift{c.begun, -less}, shift{c.begins, less})
		}
		w.shifts = append(w.shifts, shift{c.down, stopping}, shift{c.isDown, -stopping})
		until = max(until, c.isDown)
	}
	if len(w.shifts) == 0 {
		return -1
	}
	slices.SortFunc(w.shifts, func(a, b shift) int { return cmp.Compare(a.at, b.at) })
	for k := len(y.marks) - 1; k >= 0; k-- {
		if m := &y.marks[k]; m.at <= until {
			break
		} else if !w.isMoved[m.host] {
			until = m.at
			break
		}
	}
	for k := range moved {
		w.isMoved[moved[k].host] = false
	}
	return w.walk(y, until)
}

// walk goes through a store's way with the shifts put in. It looks behind the last of
// them first: there most changes that are too much show.
func (w *Planner) walk(y *way, until int64) int64 {
	c := &w.stores[y.store]
	s := w.shifts
	var d battery.Charge // what the moves change of the charge
	load, at := 0.0, s[0].at
	for k := range s {
		if s[k].at > at {
			d, at = c.carry(d, load, s[k].at-at), s[k].at
		}
		load += s[k].step
	}
	if behind := w.behind(y, at, until, d); behind >= 0 {
		return behind
	}
	return w.within(y, until)
}

// within goes from the first of the shifts to the last.
func (w *Planner) within(y *way, until int64) int64 {
	c := &w.stores[y.store]
	s := w.shifts
	var d battery.Charge
	load, at := 0.0, s[0].at
	k := w.markAt(y, at)
	var e int
	for e < len(s) && (s[e].at <= at) {
		load += s[e].step
		e++
	}
	if w.peaks && at <= until && w.falls(c, w.leadAt(y, k, at)-float64(c.Ohmic*load)) {
		return at
	}
	for k < len(y.marks) && y.marks[k].at <= at {
		k++
	}
	for e < len(s) {
		next := s[e].at
		marked := k < len(y.marks) && y.marks[k].at <= next
		if marked {
			next = y.marks[k].at
		}
		w.spent++
		d, at = c.carry(d, load, next-at), next
		if at > until {
			return -1
		}
		left := 0.0
		if marked {
			left = y.marks[k].left
		} else {
			left = w.leftAt(y, k, at)
		}
		if w.falls(c, left-w.takes(y, d, load)) {
			return at
		}
		first := k
		for e < len(s) && s[e].at <= at {
			load += s[e].step
			e++
		}
		if w.peaks && w.falls(c, w.leadAt(y, first, at)-d.Delivered-d.Bound-float64(c.Ohmic*load)) {
			return at
		}
		for k < len(y.marks) && y.marks[k].at <= at {
			k++
		}
	}
	return -1
}

// falls tells whether so much left is too little. Where rounding decides it, the replay
// shall say.
func (w *Planner) falls(c *store, left float64) bool {
	slack := 1e-10 * c.Energy
	w.tie = left >= -slack
	return left < slack
}

// takes is how much less is left with a change of the charge and of the load.
func (w *Planner) takes(y *way, d battery.Charge, load float64) float64 {
	c := &w.stores[y.store]
	if !y.reserve {
		return d.Delivered + d.Bound + float64(c.Ohmic*load)
	}
	return d.Delivered + float64(c.decay*d.Bound) + float64((c.Ohmic+c.span+float64(c.Diffusion*(1-c.decay)))*load)
}

// markAt is the first mark at a time or later.
func (w *Planner) markAt(y *way, at int64) int {
	lo, hi := 0, len(y.marks)
	for lo < hi {
		if mid := (lo + hi) / 2; y.marks[mid].at < at {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return lo
}

// state is that of a way behind the mark before one.
func (w *Planner) state(y *way, k int) (at int64, q battery.Charge, load float64) {
	if k > 0 {
		m := &y.marks[k-1]
		return m.at, m.charge, m.load
	}
	return 0, w.stores[y.store].start, y.load
}

// leftAt is what is left at a time, of which the mark given is the first at it or later.
func (w *Planner) leftAt(y *way, k int, at int64) float64 {
	from, q, load := w.state(y, k)
	return w.leftOf(y, w.stores[y.store].carry(q, load, at-from), load)
}

// leadAt is what is left with the load from then on, without the reserve.
func (w *Planner) leadAt(y *way, k int, at int64) float64 {
	from, q, load := w.state(y, k)
	q = w.stores[y.store].carry(q, load, at-from)
	for ; k < len(y.marks) && y.marks[k].at <= at; k++ {
		load = y.marks[k].load
	}
	return w.stores[y.store].Left(q, load)
}

// behind looks at all that comes after the last shift, from the end on.
func (w *Planner) behind(y *way, last, until int64, d battery.Charge) int64 {
	c := &w.stores[y.store]
	first := w.markAt(y, last+1)
	for block := len(y.least) - 1; block >= 0 && (block+1)*marksEach > first; block-- {
		from, to := max(block*marksEach, first), min((block+1)*marksEach, len(y.marks))
		w.spent++
		if !w.falls(c, y.least[block]-d.Delivered-max(0, d.Bound)) {
			continue // nothing of what is bound fades
		}
		for k := to - 1; k >= from; k-- {
			m := &y.marks[k]
			if m.at > until {
				continue
			}
			bound := float64(d.Bound * c.fade(m.at-last))
			took := bound
			if y.reserve {
				took = float64(bound * c.decay)
			}
			if w.falls(c, m.left-d.Delivered-took) || w.peaks && w.falls(c, m.lead-d.Delivered-bound) {
				return m.at
			}
		}
		w.spent += (to - from) / 4
	}
	return -1
}

// needsIt tells whether a host that is not down just before a time lives on the store alone, or
// needs it.
func (w *Planner) needsIt(l *ledger, y *way, at int64) bool {
	lost := w.scenarios[y.scenario].lost
	alone := func(i int32) bool {
		g := &w.groups[w.hosts[i].group]
		feeds := g.feeds
		if lost >= 0 {
			feeds &^= 1 << lost
		}
		return feeds == 1<<y.store || g.needs&(1<<y.store) != 0
	}
	b := &l.kinds[y.kind]
	for k := len(y.marks) - 1; k >= 0 && y.marks[k].at >= at; k-- {
		if i := y.marks[k].host; b.down[i] >= at && alone(i) {
			return true
		}
	}
	for k := range w.moved[y.kind] {
		if i := w.moved[y.kind][k].host; b.down[i] >= at && y.bears[w.hosts[i].group] && alone(i) {
			return true
		}
	}
	return false
}

// enter writes the moves into the ledger, which said that they are safe.
func (w *Planner) enter(l *ledger) {
	for k := range l.ways {
		w.enterWay(l, &l.ways[k])
	}
	w.moved[0], w.moved[1] = w.moved[0][:0], w.moved[1][:0]
}

func (w *Planner) enterWay(l *ledger, y *way) {
	fresh := w.rest[:0]
	first := int64(farthest * 2)
	for k := range w.moved[y.kind] {
		c := &w.moved[y.kind][k]
		h := &w.hosts[c.host]
		if !y.bears[h.group] {
			continue
		}
		w.isMoved[c.host] = true
		first = min(first, c.begun, c.begins)
		share := y.shares[h.group] / watt
		if h.stopping != h.up {
			fresh = append(fresh, mark{at: c.begins, host: c.host, step: float64(share * float64(h.stopping-h.up))})
		}
		fresh = append(fresh, mark{at: c.isDown, host: c.host, step: -float64(share * float64(h.stopping))})
	}
	if len(fresh) == 0 {
		return
	}
	slices.SortFunc(fresh, func(a, b mark) int { return cmp.Compare(a.at, b.at) })
	from := w.markAt(y, first)
	n := len(fresh)
	for k := from; k < len(y.marks); k++ {
		if m := &y.marks[k]; !w.isMoved[m.host] {
			fresh = append(fresh, *m)
		}
	}
	// Both are in order of time: merge them behind the marks that stay.
	a, b := fresh[:n], fresh[n:]
	y.marks = y.marks[:from]
	for len(a) > 0 || len(b) > 0 {
		if len(b) == 0 || len(a) > 0 && a[0].at < b[0].at {
			y.marks, a = append(y.marks, a[0]), a[1:]
		} else {
			y.marks, b = append(y.marks, b[0]), b[1:]
		}
	}
	for k := range w.moved[y.kind] {
		w.isMoved[w.moved[y.kind][k].host] = false
	}
	w.rest = fresh[:0]
	w.spent += (len(y.marks) - from) / 4
	w.carryOn(y, from)
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
	w.spent += 1 + len(w.undo)
	switch w.judge(&w.now) {
	case tooMuch:
		return false
	case harmless:
		w.enter(&w.now)
		w.ahead = w.ahead[:0]
		return true
	}
	w.revert(&w.now)
	w.coming.empty()
	w.coming.whole, w.noting = true, true
	w.joined = w.apartFails
	ok := w.sound()
	w.joined = false
	if w.noting = false; ok {
		w.apartFails = !w.coming.whole
		w.ahead = w.ahead[:0]
		w.now, w.coming = w.coming, w.now
	} else {
		w.short = w.fail.store
	}
	return ok
}
