package plan

import (
	"cmp"
	"iter"
	"math"
	"slices"
)

// searcher improves a safe plan.
type searcher struct {
	first  []int   // the earliest starts that the order allows
	low    []int   // no start before this slot: the earliest, or promised
	keeps  bool    // moves keep to the limit on stops at once
	short  int     // the store on which the last try failed, or -1
	pinned int32   // a host that moves leave where it is, or -1
	undo   []move  // the moves since the last that was kept
	queue  []int32 // places in the order, falling, of hosts whose moves are to be passed on

	values  []value
	scale   float64   // worth is counted in whole numbers, so many to one
	still   []float64 // the chance that the outage is still on, per slot
	time    []float64 // the time that is to be expected of it until then, in seconds
	horizon int       // the slot by which wear counts
	bounds  [][]int64 // per store, see bound

	ratio   []float64 // keys to sort by
	ranks   ranking   // of hosts by what their next step is worth for what it takes
	stale   []int32   // hosts whose rank may be wrong
	known   []bool    // the rank is right
	stuck   []bool    // the next step is not safe
	pushes  []option
	pulls   []option
	touched []bool

	saved  []int
	pulled []move // while a plan is repaired
	rounds []int  // where in them each round begins
}

// move is one host's change of start.
type move struct {
	host     int32
	from, to int
}

// option is a push or a pull that could be made, and what it brings with all
// that it moves: a push's gain and cost, or a pull's loss and what it frees.
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
	if to > w.last || i == w.pinned {
		return false
	}
	if w.keeps && !w.hasRoom(i, to) {
		w.leave(i)
		to = w.free(i, to)
		if w.occupy(i); to > w.last {
			return false
		}
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
	if to < w.low[i] || i == w.pinned || w.hosts[i].Asked {
		return false
	}
	if w.keeps && !w.hasRoom(i, to) {
		w.leave(i)
		to = w.freeBefore(i, to)
		if w.occupy(i); to < w.low[i] {
			return false
		}
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
	if at > 0 && w.queue[at-1] == k {
		return
	}
	w.queue = append(w.queue, k)
	copy(w.queue[at+1:], w.queue[at:])
	w.queue[at] = k
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
		w.reoccupy(i, to)
	}
	w.start[i] = to
}

// back takes all moves back.
func (w *Planner) back() {
	for k := len(w.undo) - 1; k >= 0; k-- {
		w.put(w.undo[k].host, w.undo[k].from)
	}
	w.keep()
}

// keep makes the moves for good.
func (w *Planner) keep() { w.undo = w.undo[:0] }

// hold makes moves for good that may not be safe.
func (w *Planner) hold() {
	for k := range w.undo {
		if i := w.undo[k].host; !slices.Contains(w.ahead, i) {
			w.ahead = append(w.ahead, i)
		}
	}
	w.keep()
}

// weigh gives what the moves gain, and what they cost by wear.
func (w *Planner) weigh() (gain, cost int64) {
	for _, m := range w.undo {
		h := &w.hosts[m.host]
		gain += w.worth(m.host, m.to) - w.worth(m.host, m.from)
		cost += h.up * w.wear(h, m.from, m.to)
	}
	return gain, cost
}

// weighOn is weigh with what the moves cost one store; it takes all stores for alike
// where that is not known.
func (w *Planner) weighOn(u int) (gain, cost int64) {
	gain, cost = w.weigh()
	if u < 0 || len(w.stores) < 2 || !w.plain(u, -1) {
		return gain, cost
	}
	cost = 0
	for _, m := range w.undo {
		h := &w.hosts[m.host]
		cost += int64(float64(h.up*w.wear(h, m.from, m.to)) * h.partOn(u))
	}
	return gain, cost
}

// ratio is gain for cost. What costs nothing counts as next to nothing.
func ratio(gain, cost int64) float64 { return float64(gain) / float64(max(1, cost)) }

// mostEffort bounds the search for one scenario, in hosts replayed: some 50 ms.
// It is reached with some hundreds of hosts. What makes a plan complete, that no host
// could go later as it is, may take farEffort: it is reached where a thousand hosts
// share stores that take on what others carried.
const (
	mostEffort = 600_000
	farEffort  = 20 * mostEffort
)

// improve makes the most of the stores, from a safe plan in start: the time that
// all are to be kept, then the promised times, then worth.
func (w *Planner) improve() {
	kinds, n := len(w.scenarios), len(w.hosts)
	effort, far := w.spent+kinds*mostEffort, w.spent+kinds*farEffort
	w.holdBounds()
	w.settle()
	w.promise(far, w.floor)
	w.promise(far, w.held)
	w.bind()
	w.byPrice(effort)
	by, finer := 1, 2
	if w.p.Quick {
		finer = 4
	}
	for by*16 < w.last {
		by *= finer
	}
	for ; by >= 1; by /= finer {
		w.fill(by, -1, far)
		for range rounds(by) {
			before := w.total()
			if w.p.Quick || w.spent > effort || !w.trade(by, effort) {
				break
			}
			w.fill(by, -1, far)
			if w.total()-before < before>>worthRound {
				break
			}
		}
	}
	if !w.p.Quick {
		each := 5_000 // hosts for each host; turns take more
		if w.keeps {
			each = 10_000
		}
		some := max(1, n) // from some thirty on they gain ever less
		w.deepen(min(effort, w.spent+kinds*min(each*n, 2_000_000/some, 60_000_000/(some*some))))
	}
	if w.p.Quick && !w.peaks && !w.keeps {
		return // what is too much stays so when others go later
	}
	for w.fill(1, -1, far) { // until nothing is left that could be later
	}
}

// worthRound is what a round of trades must gain for another: a two-thousandth of what
// the plan is worth, as the power of two.
const worthRound = 11

// rounds is how often trades are looked for: of several lengths, so that every third size
// of step is enough.
func rounds(by int) int {
	switch by {
	case 1, 8, 64, 512:
		return 4
	}
	return 0
}

// fewHosts are so few that each trade matters.
const fewHosts = 60

// longestTrade is how many times as long as a round's step those of its trades are at
// most. The next larger size begins with eight times: only few hosts try that again.
func (w *Planner) longestTrade() int {
	if len(w.hosts) <= fewHosts {
		return 8
	}
	return 4
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
	w.room, w.keeps = w.p.AtOnce, w.p.AtOnce > 0
	w.afresh()
}

// afresh measures later moves by the plan in start, however it came there.
func (w *Planner) afresh() {
	w.keep()
	w.ahead = w.ahead[:0]
	w.seat()
	w.now.empty()
	w.try()
}

// seat counts the stops of the plan in start.
func (w *Planner) seat() {
	if !w.keeps {
		return
	}
	w.vacate()
	for i := range w.start {
		w.occupy(int32(i))
	}
}

func (w *Planner) floor(*host) int64 { return clamp(w.p.Floor) }

func (w *Planner) held(h *host) int64 { return h.hold }

// upTo is the first slot that keeps a time.
func (w *Planner) upTo(t int64) int { return min(w.last, int((t+w.slot-1)/w.slot)) }

// promise keeps each host up until a time, or as long as can be, from the
// highest priority down. Many at once are tried first.
func (w *Planner) promise(effort int, until func(*host) int64) {
	for i, many := int32(0), w.all(); i < w.all() && w.spent < effort; {
		many = min(many, w.all()-i)
		switch {
		case w.raiseAll(i, i+many, until):
			i, many = i+many, 2*many
		case many > 1:
			many /= 2
		default:
			w.raise(i, w.upTo(until(&w.hosts[i])))
			i++
		}
	}
}

func (w *Planner) raiseAll(from, to int32, until func(*host) int64) bool {
	ok := true
	for i := from; i < to; i++ {
		h := &w.hosts[i]
		if slot := w.upTo(until(h)); ok && !h.Asked && w.start[i] < slot {
			ok = w.push(i, slot)
		}
	}
	if ok && (len(w.undo) == 0 || w.try()) {
		w.keep()
		return true
	}
	w.back()
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
			w.back()
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

// fill pushes hosts on by a number of slots, those first whose step is worth
// most for what it takes, until none can be, and tells whether any was.
func (w *Planner) fill(by int, pinned int32, effort int) (any bool) {
	w.horizon = 0
	for _, s := range w.start {
		w.horizon = max(w.horizon, s)
	}
	w.pinned = pinned
	w.ranks.reset(len(w.hosts))
	clear(w.known)
	clear(w.stuck)
	w.stale = append(w.stale[:0], w.order...)
	for i := w.mostWorth(by); i >= 0 && w.spent < effort; i = w.mostWorth(by) {
		if w.push(i, w.start[i]+by) && w.try() {
			w.unsettle(by)
			w.keep()
			any = true
		} else {
			w.back()
			w.stuck[i] = true
			w.ranks.drop(i)
		}
	}
	w.pinned = -1
	return any
}

// mostWorth is the host whose next step is worth most for what it takes, or -1.
func (w *Planner) mostWorth(by int) int32 {
	for _, i := range w.stale {
		if w.known[i] || w.stuck[i] || w.hosts[i].Asked {
			continue
		}
		w.known[i] = true
		w.spent++
		if w.push(i, w.start[i]+by) {
			w.ranks.set(i, ratio(w.weigh()))
		} else {
			w.ranks.drop(i)
		}
		w.back()
	}
	w.stale = w.stale[:0]
	return w.ranks.best()
}

// unsettle forgets the ratios that the moves change: of the hosts that moved,
// and of those that would have pushed them.
func (w *Planner) unsettle(by int) {
	if w.keeps {
		clear(w.known) // whoever stops in those slots is concerned
		w.stale = append(w.stale, w.order...)
	}
	for _, m := range w.undo {
		w.forget(m.host, m.from, by)
	}
}

func (w *Planner) forget(i int32, start, by int) {
	w.known[i] = false
	w.stale = append(w.stale, i)
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
		pull, tried := &w.pulls[q], 0
		for p := range w.pushes {
			push := &w.pushes[p]
			if !pull.below(push.ratio) || tried == 2 || w.touched[pull.host] || w.spent > effort {
				break
			}
			if push.gain <= pull.gain || push.cost > pull.cost+pull.cost/3 || w.touched[push.host] || push.host == pull.host {
				continue
			}
			tried++
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
	for i := range w.all() {
		if w.hosts[i].Asked {
			continue
		}
		for d := by; d <= w.longestTrade()*by; d *= 2 {
			if w.pull(i, w.start[i]-d) {
				gain, cost := w.weigh()
				w.pulls = append(w.pulls, option{i, d, -gain, -cost, ratio(-gain, -cost)})
			}
			w.back()
			if w.push(i, w.start[i]+d) {
				gain, cost := w.weigh()
				w.pushes = append(w.pushes, option{i, d, gain, cost, ratio(gain, cost)})
			}
			w.back()
		}
	}
	least, most := math.Inf(1), 0.0
	for k := range w.pulls {
		least = min(least, w.pulls[k].ratio)
	}
	for k := range w.pushes {
		most = max(most, w.pushes[k].ratio)
	}
	w.pulls = slices.DeleteFunc(w.pulls, func(o option) bool { return !o.below(most) })
	w.pushes = slices.DeleteFunc(w.pushes, func(o option) bool { return !(&option{ratio: least}).below(o.ratio) })
	slices.SortFunc(w.pulls, func(a, b option) int {
		if c := cmp.Compare(a.ratio, b.ratio); c != 0 {
			return c
		}
		return a.listed(&b)
	})
	slices.SortFunc(w.pushes, func(a, b option) int {
		if c := cmp.Compare(b.ratio, a.ratio); c != 0 {
			return c
		}
		return a.listed(&b)
	})
}

// listed compares two in the order in which they are listed.
func (o *option) listed(b *option) int {
	return cmp.Or(cmp.Compare(o.host, b.host), cmp.Compare(o.by, b.by))
}

// below tells whether a pull may be worth a push of the ratio given: what a push costs need
// not be what a pull frees, for the stores are not alike, and the tightest moment need not
// be the end.
func (o *option) below(push float64) bool { return push > o.ratio*3/4 }

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
	w.back()
	return false
}

// deepen tries for every host what comes of stopping it earlier, or later at the
// others' cost, and with a limit on stops at once of taking another's place, when the
// rest is made anew. It ends when all changes were tried since one was kept.
func (w *Planner) deepen(effort int) {
	quiet, all := 0, math.MaxInt // changes since one was kept; how many there are
	for all > quiet {
		n := 0
		for c := range w.changes() {
			quiet++
			if n++; w.may(c) && w.attempt(effort, c) {
				quiet = 0
			}
			if w.spent > effort || quiet >= all {
				return
			}
		}
		all = n
	}
}

// change is one of a plan from which the rest is made anew: a host stops earlier or
// later by some slots, or in another's place.
type change struct {
	host, other int32
	by          int
	turn        bool // the other stops in its place
}

// changes gives all that are tried.
func (w *Planner) changes() iter.Seq[change] {
	return func(yield func(change) bool) {
		for i := range w.all() {
			for j := range w.all() {
				if w.keeps && i < j && !yield(change{host: i, other: j, turn: true}) || w.keeps && i != j && !yield(change{host: i, other: j}) {
					return
				}
			}
			for by := 1; by <= w.last; by += max(1, by/3) {
				if !yield(change{host: i, by: -by}) || !yield(change{host: i, by: by}) {
					return
				}
			}
		}
	}
}

// may is false for a change that can not be made, whatever it brings.
func (w *Planner) may(c change) bool {
	to := w.start[c.host] + c.by
	return c.by == 0 || !w.hosts[c.host].Asked && to >= w.low[c.host] && to <= w.last
}

// attempt makes a change and keeps it if the plan is worth more for it.
func (w *Planner) attempt(effort int, c change) bool {
	w.spent += len(w.hosts)
	before := w.total()
	w.saved = append(w.saved[:0], w.start...)
	w.kept.copy(&w.now)
	var made bool
	switch {
	case c.by == 0:
		made = w.takePlace(c.host, c.other, c.turn, effort)
	case c.by < 0:
		made = w.stopEarlier(c.host, -c.by, effort)
	default:
		made = w.stopLater(c.host, c.by, effort)
	}
	if made && w.total() > before {
		return true
	}
	w.keep()
	copy(w.start, w.saved)
	w.seat()
	w.now.copy(&w.kept)
	w.ahead = w.ahead[:0]
	return false
}

func (w *Planner) stopEarlier(i int32, by, effort int) bool {
	if !w.pull(i, w.start[i]-by) || !w.try() {
		return false
	}
	w.keep()
	w.refill(i, by/8, effort)
	return true
}

func (w *Planner) stopLater(i int32, by, effort int) bool {
	if !w.push(i, w.start[i]+by) {
		return false
	}
	w.hold()
	if !w.repair(i, 1) {
		return false
	}
	w.refill(i, by/8, effort)
	return true
}

// refill fills up what a change left free, in steps from so many slots down to one; with
// the host that was changed left where it is, at first.
func (w *Planner) refill(i int32, by, effort int) {
	for ; by > 1; by /= 4 {
		w.fill(by, i, effort)
	}
	if i >= 0 {
		w.fill(1, i, effort)
	}
	w.fill(1, -1, effort)
}

// takePlace puts a host in another's place, and the other in its own or behind
// it, and lets all others wait where that makes them.
func (w *Planner) takePlace(i, j int32, change bool, effort int) bool {
	copy(w.from, w.start)
	if w.from[i] = w.start[j]; change {
		w.from[j] = w.start[i]
	}
	w.line = append(w.line[:0], i)
	for k := range w.all() {
		if k != i {
			w.line = append(w.line, k)
		}
	}
	slices.SortStableFunc(w.line, func(a, b int32) int { return cmp.Compare(w.from[a], w.from[b]) })
	w.ahead = append(w.ahead[:0], w.line...)
	wide := max(1, slices.Max(w.start)/64)
	// A row of stops with no room between them comes forward only as a whole.
	for by := 0; !w.inLine(w.room) || !w.aboveLow() || !w.repair(-1, wide); by++ {
		if by == w.length[i] {
			return false
		}
		w.spent += len(w.hosts)
		for k := range w.from {
			w.from[k] = max(w.low[k], w.from[k]-1)
		}
	}
	w.refill(-1, wide, effort)
	return true
}

func (w *Planner) aboveLow() bool {
	for i, s := range w.start {
		if s < w.low[i] {
			return false
		}
	}
	return true
}

// repair pulls hosts forward, at first by so many slots, those first that lose least for
// what they free on the store that is short, until the plan is safe, and gives up when it
// is worth no more than before.
func (w *Planner) repair(pinned int32, by int) bool {
	more := w.total() // than the plan was worth
	for i, s := range w.saved {
		more -= w.worth(int32(i), s)
	}
	w.pinned = pinned
	defer func() { w.pinned = -1 }()
	w.pulled, w.rounds = w.pulled[:0], w.rounds[:0]
	// Which hosts are pulled does not hang on whether the plan is safe yet, where one
	// store is short all the time, nor does more pulling make a safe plan unsafe where
	// nothing draws more while it stops: then not each round is tried, and the first that
	// is safe is looked for once one is.
	each := w.peaks || len(w.stores) > 1
	unsafe := -1 // the last round that was tried
	for {
		n := len(w.rounds)
		if each || n-unsafe > n/4 {
			if w.try() {
				w.firstSafe(unsafe, n)
				return true
			}
			unsafe = n
		} else {
			w.spent += 3 * len(w.hosts) // about what it takes to try one
		}
		w.spent += len(w.hosts)
		if more <= 0 {
			break
		}
		for ; by > 0 && !w.pullCheapest(by, &more); by /= 2 {
		}
		if by == 0 {
			break
		}
	}
	if n := len(w.rounds); unsafe < n && w.try() {
		w.firstSafe(unsafe, n)
		return true
	}
	return false
}

// pullCheapest pulls the host forward by some slots that loses least for what it frees,
// and takes what that loses off what the plan is worth.
func (w *Planner) pullCheapest(by int, more *int64) bool {
	best, least, gained := int32(-1), 0.0, int64(0)
	for j := range w.all() {
		if w.pull(j, w.start[j]-by) {
			gain, cost := w.weighOn(w.short)
			if r := ratio(-gain, -cost); cost < 0 && (best < 0 || r < least) {
				best, least, gained = j, r, gain
			}
		}
		w.back()
	}
	if best < 0 {
		return false
	}
	*more += gained
	w.pull(best, w.start[best]-by)
	w.rounds = append(w.rounds, len(w.pulled))
	w.pulled = append(w.pulled, w.undo...)
	w.hold()
	return true
}

// firstSafe goes back from a round that is safe, and was tried last, to the first that is,
// behind one that is not.
func (w *Planner) firstSafe(unsafe, safe int) {
	at := safe
	for safe-unsafe > 1 {
		mid := (unsafe + safe) / 2
		w.toRound(&at, mid)
		w.hold()
		if w.try() {
			safe = mid
		} else {
			unsafe = mid
		}
	}
	w.toRound(&at, safe)
	w.keep()
	w.ahead = w.ahead[:0]
}

// toRound puts the hosts where they were before a round of pulling.
func (w *Planner) toRound(at *int, round int) {
	for ; *at > round; *at-- {
		for _, m := range slices.Backward(w.pulledIn(*at - 1)) {
			w.move(m.host, m.from)
		}
	}
	for ; *at < round; *at++ {
		for _, m := range w.pulledIn(*at) {
			w.move(m.host, m.to)
		}
	}
}

// pulledIn gives the moves of a round.
func (w *Planner) pulledIn(round int) []move {
	end := len(w.pulled)
	if round+1 < len(w.rounds) {
		end = w.rounds[round+1]
	}
	return w.pulled[w.rounds[round]:end]
}
