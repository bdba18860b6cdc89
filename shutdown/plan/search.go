package plan

import (
	"cmp"
	"slices"
)

// searcher improves a safe plan.
type searcher struct {
	first  []int   // the earliest starts that the order allows
	low    []int   // no start before this slot: the earliest, or promised
	keeps  bool    // moves keep to the limit on stops at once
	pinned int32   // a host that moves leave where it is, or -1
	undo   []move  // the moves since the last that was kept
	queue  []int32 // places in the order, falling, of hosts whose moves are to be passed on

	values []value
	scale  float64
	still  []float64 // the chance that the outage is still on, per slot
	time   []float64 // the time that is to be expected of it until then, in seconds

	ratio    []float64 // what the next step of a host is worth for each microwatt
	known    []bool    // ratio is right
	stuck    []bool    // the next step is not safe
	pushes   []option
	pulls    []option
	touched  []bool
	want     []int
	reached  []int
	net, own []float64
	wear     [][]int64
	store    []int
	saved    []int
}

// move is one host's change of start.
type move struct {
	host     int32
	from, to int
}

// option is a push or a pull that could be made, and what it brings with all
// that it moves: a push's gain and cost, or a pull's loss and what it frees, in
// microwatts times slots.
type option struct {
	host       int32
	by         int
	gain, cost int64
	ratio      float64
}

// push starts a host in the slot given, or later where too many stop at once,
// and moves on those that must wait for it. It is false when one can not.
func (w *Planner) push(i int32, to int) bool {
	w.queue = w.queue[:0]
	ok := w.later(i, to)
	for ok && len(w.queue) > 0 {
		i := w.order[w.pop()]
		for _, j := range w.next.of(i) {
			if after := w.start[i] + w.length[i]; ok && w.start[j] < after {
				ok = w.later(j, after)
			}
		}
	}
	return ok
}

func (w *Planner) later(i int32, to int) bool {
	if w.keeps && to <= w.last {
		w.occupy(i, -1)
		to = w.free(i, to)
		w.occupy(i, 1)
	}
	if to > w.last || i == w.pinned {
		return false
	}
	w.move(i, to)
	w.enqueue(w.place[i])
	return true
}

// pull starts a host in the slot given, or earlier where too many stop at once,
// and moves forward those that it waits for. It is false when one would go
// before its lower bound.
func (w *Planner) pull(i int32, to int) bool {
	w.queue = w.queue[:0]
	ok := w.sooner(i, to)
	for ok && len(w.queue) > 0 {
		i := w.order[-w.pop()]
		for _, j := range w.after.of(i) {
			if before := w.start[i] - w.length[j]; ok && w.start[j] > before {
				ok = w.sooner(j, before)
			}
		}
	}
	return ok
}

func (w *Planner) sooner(i int32, to int) bool {
	if w.keeps {
		w.occupy(i, -1)
		for to >= w.low[i] && w.free(i, to) != to {
			to--
		}
		w.occupy(i, 1)
	}
	if to < w.low[i] || i == w.pinned || w.hosts[i].asked {
		return false
	}
	w.move(i, to)
	w.enqueue(-w.place[i])
	return true
}

// enqueue keeps the queue falling: the end of it is the first in the order, and
// a host passes its move on when it has moved as far as it will.
func (w *Planner) enqueue(k int32) {
	at := len(w.queue)
	for at > 0 && w.queue[at-1] < k {
		at--
	}
	if at == 0 || w.queue[at-1] != k {
		w.queue = slices.Insert(w.queue, at, k)
	}
}

func (w *Planner) pop() int32 {
	k := w.queue[len(w.queue)-1]
	w.queue = w.queue[:len(w.queue)-1]
	return k
}

// move changes a host's start, and notes it.
func (w *Planner) move(i int32, to int) {
	w.undo = append(w.undo, move{i, w.start[i], to})
	w.put(i, to)
}

func (w *Planner) put(i int32, to int) {
	if w.keeps {
		w.occupy(i, -1)
	}
	w.start[i] = to
	if w.keeps {
		w.occupy(i, 1)
	}
}

// back takes moves back until only so many are left.
func (w *Planner) back(to int) {
	for len(w.undo) > to {
		m := w.undo[len(w.undo)-1]
		w.put(m.host, m.from)
		w.undo = w.undo[:len(w.undo)-1]
	}
}

// keep makes the moves for good.
func (w *Planner) keep() { w.undo = w.undo[:0] }

// weigh gives what the moves gain, and what they cost in microwatts times slots.
func (w *Planner) weigh() (gain, cost int64) {
	for _, m := range w.undo {
		gain += w.worth(m.host, m.to) - w.worth(m.host, m.from)
		wear := w.wear[w.store[m.host]]
		cost += w.hosts[m.host].up * (wear[m.to] - wear[m.from])
	}
	return gain, cost
}

// improve makes the most of the stores, from a safe plan in start: the time
// that all are to be kept, then the promised times, then worth.
func (w *Planner) improve() {
	effort := w.spent + len(w.scenarios)*(2_000_000/max(1, len(w.hosts)))
	w.settle()
	w.now.of = w.now.of[:0]
	w.try()
	w.promise(effort, w.floor)
	w.promise(effort, w.held)
	w.bind()
	w.flood(effort)
	by := 1
	for by*16 < w.last {
		by *= 2
	}
	for ; by >= 1; by /= 2 {
		w.fill(by, -1, effort)
		for range 4 {
			if w.p.Quick || by > TMAX || !w.trade(by, effort) {
				break
			}
			w.fill(by, -1, effort)
		}
	}
	if !w.p.Quick {
		w.deepen(min(effort, w.spent+len(w.scenarios)*40_000/(len(w.hosts)+10)))
	}
}

// settle takes stock of the plan in start.
func (w *Planner) settle() {
	for _, i := range w.order {
		w.first[i] = 0
		for _, a := range w.after.of(i) {
			w.first[i] = max(w.first[i], w.first[a]+w.length[a])
		}
	}
	copy(w.low, w.first)
	if w.p.AtOnce > 0 {
		w.room, w.keeps = w.p.AtOnce, true
		w.seat()
	}
}

// seat takes the slots that the hosts of the plan stop in.
func (w *Planner) seat() {
	w.vacate()
	for i := range w.start {
		w.occupy(int32(i), 1)
	}
}

func (w *Planner) floor(*host) int64 { return clamp(w.p.Floor) }

func (w *Planner) held(h *host) int64 { return h.hold }

// upTo is the first slot that keeps a time.
func (w *Planner) upTo(t int64) int { return min(w.last, int((t+w.slot-1)/w.slot)) }

// promise keeps each host up until a time, or as long as can be, from the
// highest priority down. Many at once are tried first.
func (w *Planner) promise(effort int, until func(*host) int64) {
	for k, many := 0, len(w.ranked); k < len(w.ranked) && w.spent < effort; {
		many = min(many, len(w.ranked)-k)
		switch {
		case w.raiseAll(w.ranked[k:k+many], until):
			k, many = k+many, 2*many
		case many > 1:
			many /= 2
		default:
			i := w.ranked[k]
			w.raise(i, w.upTo(until(&w.hosts[i])))
			k++
		}
	}
}

func (w *Planner) raiseAll(hosts []int32, until func(*host) int64) bool {
	ok := true
	for _, i := range hosts {
		h := &w.hosts[i]
		if to := w.upTo(until(h)); ok && !h.asked && w.start[i] < to {
			ok = w.push(i, to)
		}
	}
	if ok && (len(w.undo) == 0 || w.try()) {
		w.keep()
		return true
	}
	w.back(0)
	return false
}

// raise moves a host as late as is safe, before a slot that is not.
func (w *Planner) raise(i int32, before int) {
	for lo, hi := w.start[i], before; lo+1 < hi; {
		mid := (lo + hi) / 2
		if w.push(i, mid) && w.try() {
			w.keep()
			lo = mid
		} else {
			w.back(0)
			hi = mid
		}
	}
}

// bind forbids to take back what was kept of the promises.
func (w *Planner) bind() {
	for _, i := range w.order {
		h := &w.hosts[i]
		w.low[i] = max(w.low[i], min(w.start[i], w.upTo(max(w.floor(h), h.hold))))
		for _, a := range w.after.of(i) {
			w.low[i] = max(w.low[i], w.low[a]+w.length[a])
		}
	}
}

// flood looks for a good plan to begin with: some hosts stay up until a common
// end, or until a watt is not worth its price to them any more, and the others
// stop at once. For each of a few ends it finds the lowest price that is safe.
// The stores' own draw makes it worth while to keep many up for a short time or
// few for long, and single moves do not lead from the one to the other.
func (w *Planner) flood(effort int) {
	w.before.copy(&w.now)
	w.best = append(w.best[:0], w.start...)
	most, at := w.total(), 0
	first := slices.Min(w.start) + 1
	for end := first; w.spent < effort; end += 1 + (end-first)/DSTEP {
		end = min(end, w.last)
		if t := w.floodTo(end, most); t > most {
			most, at = t, end
		}
		if end == w.last {
			break
		}
	}
	for by := (at - first) / DSTEP / 2; by > 0 && w.spent < effort && at > 0; by /= 2 {
		for _, end := range [...]int{at - by, at + by} {
			if end <= w.last {
				if t := w.floodTo(end, most); t > most {
					most, at = t, end
				}
			}
		}
	}
	copy(w.start, w.best)
	if w.keeps {
		w.seat()
	}
	w.now.of = w.now.of[:0]
	w.try()
}

var DSTEP = 2
var PITER = 10

func (w *Planner) floodTo(end int, most int64) int64 {
	w.weather(end)
	top := 0.0
	for _, i := range w.ranked {
		if w.start[i] < end && !w.hosts[i].asked {
			top = max(top, w.price(i, w.start[i], w.start[i]+1), w.price(i, w.start[i], end))
		}
	}
	lo, hi := 0.0, 2*top
	price := 0.0
	for range PITER {
		if w.floodAt(end, price) && w.try() {
			if t := w.total(); t > most {
				most = t
				copy(w.best, w.start)
			}
			hi = price
		} else {
			lo = price
		}
		w.back(0)
		w.now.copy(&w.before)
		if hi == 0 {
			break
		}
		price = (lo + hi) / 2
	}
	return most
}

func (w *Planner) floodAt(end int, price float64) bool {
	for _, i := range w.ranked {
		w.want[i], w.own[i] = w.start[i], 0
		if w.start[i] >= end || w.hosts[i].asked {
			continue
		}
		w.own[i] = w.net_(i, end, price)
		w.want[i] = end
		if e := min(end, w.worthUntil(i, price)); e > w.start[i] {
			if n := w.net_(i, e, price); n > w.own[i] {
				w.own[i], w.want[i] = n, e
			}
		}
	}
	w.whoStays()
	for _, i := range w.ranked {
		if to := w.want[i]; w.known[i] && w.own[i] >= 0 && w.start[i] < to && !w.push(i, to) {
			return false
		}
	}
	return true
}

func (w *Planner) net_(i int32, end int, price float64) float64 {
	wear := w.wear[w.store[i]]
	return float64(w.worth(i, end)-w.worth(i, w.start[i])) - price*float64(w.hosts[i].up*(wear[end]-wear[w.start[i]]))
}

// weather works out what a watt until each slot takes from a store by the end:
// what is drawn late has had no time to come back.
func (w *Planner) weather(end int) {
	const unit = 256
	w.wear = resize(w.wear, len(w.stores))
	for u := range w.stores {
		c := &w.stores[u]
		t := resize(w.wear[u], w.last+2)
		w.wear[u] = t
		fade, rate := 0.0, 0.0
		grow := 1.0
		if c.Diffusion > 0 {
			rate = c.Diffusion / seconds(w.slot)
			fade = c.fade(int64(end) * w.slot)
			grow = 1 / c.fade(w.slot)
		}
		first := fade
		for k := range t {
			t[k] = int64((float64(k) + float64(rate*(fade-first))) * unit)
			if k < end {
				fade *= grow
			}
		}
	}
	for i := range w.hosts {
		w.store[i] = 0
		if f := w.p.Hosts[i].Feeds; len(f) > 0 {
			w.store[i] = f[0].Store
		}
	}
}

// whoStays finds the hosts that pay, at a price for a watt, for themselves and
// for those that they need, together with others that need the same.
func (w *Planner) whoStays() {
	net, own := w.net, w.own
	for _, i := range w.order {
		net[i] = own[i]
		for _, a := range w.after.of(i) {
			if net[a] > 0 {
				net[i] += net[a] / float64(len(w.next.of(a)))
			}
		}
	}
	for k := len(w.order) - 1; k >= 0; k-- {
		i := w.order[k]
		w.known[i] = net[i] >= 0
		for _, j := range w.next.of(i) {
			w.known[i] = w.known[i] && w.known[j]
		}
	}
	for range 4 {
		changed := false
		for k := len(w.order) - 1; k >= 0; k-- {
			i := w.order[k]
			if !w.known[i] && own[i] > 0 {
				if clear(w.touched); w.sum(i, &w.next, false) > 0 {
					w.flip(true)
					changed = true
				}
			}
		}
		for _, i := range w.order {
			if w.known[i] && own[i] < 0 {
				if clear(w.touched); w.sum(i, &w.after, true) < 0 {
					w.flip(false)
					changed = true
				}
			}
		}
		if !changed {
			return
		}
	}
}

func (w *Planner) sum(i int32, e *edges, stays bool) float64 {
	if w.touched[i] || w.known[i] != stays {
		return 0
	}
	w.touched[i] = true
	s := w.own[i]
	for _, j := range e.of(i) {
		s += w.sum(j, e, stays)
	}
	return s
}

func (w *Planner) flip(to bool) {
	for i, t := range w.touched {
		if t {
			w.known[i] = to
		}
	}
}

// price is what keeping a host up between two slots is worth for what it takes.
func (w *Planner) price(i int32, from, to int) float64 {
	wear := w.wear[w.store[i]]
	return ratio(w.worth(i, to)-w.worth(i, from), w.hosts[i].up*(wear[to]-wear[from]))
}

// worthUntil is the slot from which on a host is worth less than a price.
func (w *Planner) worthUntil(i int32, price float64) int {
	lo, hi := w.start[i]-1, w.last
	for lo+1 < hi {
		if mid := (lo + hi) / 2; w.price(i, mid, mid+1) >= price {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// fill pushes hosts on by a number of slots, those first whose step is worth
// most for each watt, until none can be.
func (w *Planner) fill(by int, pinned int32, effort int) {
	w.pinned = pinned
	w.weather(slices.Max(w.start))
	clear(w.known)
	clear(w.stuck)
	for i := w.mostWorth(by); i >= 0 && w.spent < effort; i = w.mostWorth(by) {
		if w.push(i, w.start[i]+by) && w.try() {
			w.unsettle(by)
			w.keep()
		} else {
			w.back(0)
			w.stuck[i] = true
		}
	}
	w.pinned = -1
}

func (w *Planner) mostWorth(by int) int32 {
	best := int32(-1)
	for _, i := range w.ranked {
		if w.stuck[i] || w.hosts[i].asked {
			continue
		}
		if !w.known[i] {
			w.ratio[i] = -1
			if w.push(i, w.start[i]+by) {
				w.ratio[i] = ratio(w.weigh())
			}
			w.back(0)
			w.known[i] = true
		}
		if w.ratio[i] >= 0 && (best < 0 || w.ratio[i] > w.ratio[best]) {
			best = i
		}
	}
	return best
}

// ratio is gain for cost. What costs nothing counts as a microwatt.
func ratio(gain, cost int64) float64 { return float64(gain) / float64(max(1, cost)) }

// unsettle forgets the ratios that the moves change: of the hosts that moved,
// and of those that would have pushed them.
func (w *Planner) unsettle(by int) {
	if w.keeps {
		clear(w.known) // whoever stops in those slots is concerned
	}
	for _, m := range w.undo {
		w.forget(m.host, m.from, by)
	}
}

func (w *Planner) forget(i int32, start, by int) {
	w.known[i] = false
	for _, a := range w.after.of(i) {
		if w.known[a] && w.start[a]+w.length[a]+by > start {
			w.forget(a, w.start[a], by)
		}
	}
}

// trade pulls one host forward and pushes another on, where that gains. Only
// pairs that promise it are tried, a few for each pull, and no host twice.
func (w *Planner) trade(by, effort int) (any bool) {
	w.survey(by)
	for q := range w.pulls {
		pull, tries := &w.pulls[q], 0
		for p := range w.pushes {
			push := &w.pushes[p]
			// What a push costs need not be what a pull frees: when it is matters too.
			if push.ratio <= pull.ratio*3/4 || tries == 4 || w.touched[pull.host] || w.spent > effort {
				break
			}
			if push.gain <= pull.gain || push.cost > pull.cost+pull.cost/3 || w.touched[push.host] || push.host == pull.host {
				continue
			}
			tries++
			any = w.exchange(pull, push) || any
		}
	}
	return any
}

// survey lists the pulls, those first that lose least for what they free, and
// the pushes, those first that gain most for what they cost.
func (w *Planner) survey(by int) {
	w.pulls, w.pushes = w.pulls[:0], w.pushes[:0]
	clear(w.touched)
	for _, i := range w.ranked {
		if w.hosts[i].asked {
			continue
		}
		for d := by; d <= 8*by; d *= 2 {
			if w.pull(i, w.start[i]-d) {
				gain, cost := w.weigh()
				w.pulls = append(w.pulls, option{i, d, -gain, -cost, ratio(-gain, -cost)})
			}
			w.back(0)
			if w.push(i, w.start[i]+d) {
				gain, cost := w.weigh()
				w.pushes = append(w.pushes, option{i, d, gain, cost, ratio(gain, cost)})
			}
			w.back(0)
		}
	}
	slices.SortStableFunc(w.pulls, func(a, b option) int { return cmp.Compare(a.ratio, b.ratio) })
	slices.SortStableFunc(w.pushes, func(a, b option) int { return cmp.Compare(b.ratio, a.ratio) })
}

func (w *Planner) exchange(pull, push *option) bool {
	if w.pull(pull.host, w.start[pull.host]-pull.by) && w.push(push.host, w.start[push.host]+push.by) {
		if gain, _ := w.weigh(); gain > 0 && w.try() {
			for _, m := range w.undo {
				w.touched[m.host] = true
			}
			w.keep()
			return true
		}
	}
	w.back(0)
	return false
}

// deepen tries for every host what comes of stopping it earlier, or later at the
// others' cost, and with a limit on stops at once of two hosts changing places,
// when the rest is made anew.
func (w *Planner) deepen(effort int) {
	for better := true; better; {
		better = false
		for a, i := range w.ranked {
			for _, j := range w.ranked[:a] {
				if w.keeps {
					better = w.attempt(effort, func() bool { return w.changePlaces(i, j, effort) }) || better
				}
			}
			for by := 1; by <= w.last; by *= 2 {
				better = w.attempt(effort, func() bool { return w.stopEarlier(i, by, effort) }) || better
				better = w.attempt(effort, func() bool { return w.stopLater(i, by, effort) }) || better
			}
		}
	}
}

// attempt makes a change and keeps it if the plan is worth more for it.
func (w *Planner) attempt(effort int, change func() bool) bool {
	if w.spent > effort {
		return false
	}
	before := w.total()
	w.saved = append(w.saved[:0], w.start...)
	w.before.copy(&w.now)
	if change() && w.total() > before {
		return true
	}
	w.keep()
	w.pinned = -1
	copy(w.start, w.saved)
	w.now.copy(&w.before)
	if w.keeps {
		w.seat()
	}
	return false
}

func (w *Planner) stopEarlier(i int32, by, effort int) bool {
	if !w.pull(i, w.start[i]-by) || !w.try() {
		return false
	}
	w.keep()
	w.fill(1, i, effort)
	w.fill(1, -1, effort)
	return true
}

func (w *Planner) stopLater(i int32, by, effort int) bool {
	if w.hosts[i].asked || !w.push(i, w.start[i]+by) {
		return false
	}
	w.keep()
	if !w.repair(i) {
		return false
	}
	w.fill(1, i, effort)
	w.fill(1, -1, effort)
	return true
}

// changePlaces puts two hosts in each other's place and lets all others wait
// where that makes them.
func (w *Planner) changePlaces(i, j int32, effort int) bool {
	copy(w.from, w.start)
	w.from[i], w.from[j] = w.from[j], w.from[i]
	w.line = append(w.line[:0], w.ranked...)
	slices.SortStableFunc(w.line, func(a, b int32) int { return cmp.Compare(w.from[a], w.from[b]) })
	for k, h := range w.line {
		w.turn[h] = k
	}
	if !w.inLine(w.room) {
		return false
	}
	for i, s := range w.start {
		if s < w.low[i] {
			return false
		}
	}
	if !w.repair(-1) {
		return false
	}
	w.fill(1, -1, effort)
	return true
}

// repair pulls hosts forward, those first that lose least for each watt, until
// the plan is safe, and gives up when it is worth no more than before.
func (w *Planner) repair(pinned int32) bool {
	before := int64(0)
	for i, s := range w.saved {
		before += w.worth(int32(i), s)
	}
	w.pinned = pinned
	defer func() { w.pinned = -1 }()
	for !w.try() {
		best, least := int32(-1), 0.0
		for _, j := range w.ranked {
			if w.pull(j, w.start[j]-1) {
				gain, cost := w.weigh()
				if r := ratio(-gain, -cost); best < 0 || r < least {
					best, least = j, r
				}
			}
			w.back(0)
		}
		if best < 0 || w.total() <= before {
			return false
		}
		w.pull(best, w.start[best]-1)
		w.keep()
	}
	return true
}

var STEP = 1000
var TMAX = 1
