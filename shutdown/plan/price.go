package plan

import "math"

// pricer looks for a good plan to begin with.
type pricer struct {
	stay        []int     // until when a host would stay, at the price looked at
	want        []int     // from when on its next slot is worth less than that
	least       []int     // the same at a price that was too high,
	most        []int     // and at one that was too low
	own         []float64 // what staying is worth over its price
	net         []float64 // own, with what it makes possible for those that wait for it
	stays       []bool
	counted     []bool
	priced      []int // the best plan so far
	pricedTotal int64 // its worth
}

const (
	// ends is into how many parts the time until an end is cut where the next is
	// looked at, fewEnds where the plan is to be quick, and finest into how many where
	// it is looked at last.
	ends, fewEnds, finest = 2, 1, 64
	// prices is how many prices are tried for one end.
	prices = 8
	// A price is looked for in steps of so much, and taken when it is known to so
	// much: about at first, and then near the best.
	farStep, nearStep   = 1.5, 1.04
	farEnough, nearIsIt = 1.1, 1.01
)

// byPrice lets some hosts stay up until a common end, or until what they take from
// the stores is worth more than a price, and the others stop at once. For each
// of a few ends it finds the lowest price that is safe. The stores' own draw
// makes it worth while to keep many up for a short time or few for long, and
// single moves do not lead from the one to the other.
func (w *Planner) byPrice(effort int) {
	if len(w.hosts) == 0 {
		return
	}
	w.priced = append(w.priced[:0], w.start...)
	w.pricedTotal = w.total()
	first := w.last
	for _, s := range w.start {
		first = min(first, s+1)
	}
	best, price, bestPrice := first, 0.0, 0.0
	look := func(end int, guess, step, enough float64) {
		most := w.pricedTotal
		if price = w.atPrice(end, guess, step, enough); w.pricedTotal > most {
			best, bestPrice = end, price
		}
	}
	parts := ends
	if w.p.Quick {
		parts = fewEnds
	}
	for end := first; end < w.last && w.spent < effort; end += 1 + (end-first)/parts {
		look(end, price, farStep, farEnough) // the price rises with the end
	}
	look(w.last, price, farStep, farEnough)
	if !w.p.Quick {
		look(best, bestPrice, nearStep, nearIsIt)
		least := (best - first) / finest
		for by := (best - first) / ends / 2; by > least && w.spent < effort; by /= 2 {
			end := best
			look(end-by, bestPrice, nearStep, nearIsIt)
			look(min(end+by, w.last), bestPrice, nearStep, nearIsIt)
		}
	}
	copy(w.start, w.priced)
	w.afresh()
}

// atPrice tries prices near a guess with one end, and gives the lowest that is
// safe, about. A price is too high, safe or not, where all that stays is worth no
// more than the best plan so far; and what a price that is too low makes worth,
// no higher one exceeds.
func (w *Planner) atPrice(end int, guess, step, enough float64) float64 {
	w.horizon = end
	for i := range w.all() {
		w.least[i], w.most[i] = w.start[i], max(w.start[i], end)
	}
	lo, hi, price := 0.0, math.Inf(1), guess
	for range prices {
		switch worth, high := w.tooHigh(price, end); {
		case high:
			hi = price
			copy(w.least, w.want)
		case worth <= w.pricedTotal+w.pricedTotal>>10:
			return min(hi, price*step)
		default:
			copy(w.most, w.want)
			if lo = price; lo == 0 {
				lo, hi = w.topPrice(end)/4096, 2*w.topPrice(end)
			}
		}
		switch {
		case hi < lo*enough || hi == 0:
			return hi
		case lo == 0:
			price, step = hi/step, step*step
		case math.IsInf(hi, 1):
			price, step = lo*step, step*step
		default:
			price = math.Sqrt(lo * hi)
		}
	}
	return min(hi, 2*w.topPrice(end))
}

// topPrice is the most that a host is worth for what it takes, in its next slot or up to
// an end.
func (w *Planner) topPrice(end int) float64 {
	top := 0.0
	for i := range w.all() {
		if s := w.start[i]; s < end && !w.hosts[i].Asked {
			top = max(top, w.price(i, s, s+1), w.price(i, s, end))
		}
	}
	return top
}

// tooHigh tells whether nothing is gained by a price above this one, and what its
// plan is worth. The plan is kept if it is safe and the best so far.
func (w *Planner) tooHigh(price float64, end int) (worth int64, high bool) {
	defer w.back()
	if !w.priceAt(price, end) {
		return math.MaxInt64, false
	}
	if worth = w.total(); worth > w.pricedTotal {
		if !w.sound() {
			return worth, false
		}
		w.pricedTotal = worth
		copy(w.priced, w.start)
	}
	return worth, true
}

// priceAt makes the plan of one price and one end, and is false when it goes past
// the last slot.
func (w *Planner) priceAt(price float64, end int) bool {
	for i := range w.all() {
		s := w.start[i]
		w.stay[i], w.want[i], w.own[i] = s, s, 0
		if s >= end || w.hosts[i].Asked {
			continue
		}
		e := w.worthUntil(i, price, end)
		w.want[i], w.stay[i], w.own[i] = e, end, w.over(i, price, end)
		if e > s && e < end {
			if over := w.over(i, price, e); over > w.own[i] {
				w.stay[i], w.own[i] = e, over
			}
		}
	}
	w.whoStays()
	return w.putOff()
}

// putOff has the hosts that stay stop when they would, and those that wait for them no
// sooner than they may: one after another where room must be found for each, else all in
// one pass. It is false when one goes past the last slot.
func (w *Planner) putOff() bool {
	until := func(i int32) int {
		if w.stays[i] && w.own[i] >= 0 {
			return w.stay[i]
		}
		return 0
	}
	if w.keeps {
		for i := range w.all() {
			if to := until(i); w.start[i] < to && !w.push(i, to) {
				return false
			}
		}
		return true
	}
	for _, i := range w.order {
		to := w.ready(i, max(w.start[i], until(i)))
		if to > w.last {
			return false
		}
		if to > w.start[i] {
			w.move(i, to)
		}
	}
	return true
}

// price is what keeping a host up between two slots is worth for what it takes.
func (w *Planner) price(i int32, from, to int) float64 {
	h := &w.hosts[i]
	return ratio(w.worth(i, to)-w.worth(i, from), h.up*w.wear(h, from, to))
}

// over is what keeping a host up is worth over a price.
func (w *Planner) over(i int32, price float64, until int) float64 {
	h := &w.hosts[i]
	return float64(w.worth(i, until)-w.worth(i, w.start[i])) - float64(price*float64(h.up*w.wear(h, w.start[i], until)))
}

// worthUntil is the slot, up to an end, from which on a host is worth less than a
// price. It is no later than at a lower price, and no earlier than at a higher.
func (w *Planner) worthUntil(i int32, price float64, end int) int {
	h, v := &w.hosts[i], &w.values[i]
	perSlot, restart, draw := v.perSecond*seconds(w.slot)*w.scale, v.restart*w.scale, price*float64(h.up)
	lo, hi := w.least[i], w.most[i]
	for lo < hi {
		mid := (lo + hi) / 2
		still := w.stillOn(mid)
		if float64(perSlot*still)+float64(restart*(still-w.stillOn(mid+1))) >= draw*float64(w.wear(h, mid, mid+1)) {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return lo
}

// stillOn is the chance that the outage is still on after a slot.
func (w *Planner) stillOn(slot int) float64 { return w.still[min(slot, len(w.still)-1)] }

// whoStays finds the hosts that pay for themselves and for those that they need,
// together with others that need the same. It is a closure of greatest weight;
// what a host has over is divided among those that it needs, which is exact
// where each needs one, and then single hosts are put in or out.
func (w *Planner) whoStays() {
	for _, i := range w.order {
		w.net[i] = w.own[i]
		for _, a := range w.after.of(i) {
			w.net[i] += max(0, w.net[a]) / float64(len(w.next.of(a)))
		}
	}
	for k := len(w.order) - 1; k >= 0; k-- {
		i := w.order[k]
		w.stays[i] = w.net[i] >= 0
		for _, j := range w.next.of(i) {
			w.stays[i] = w.stays[i] && w.stays[j]
		}
	}
	for again, passes := true, 0; again && passes < 8; passes++ {
		again = false
		for i := range w.all() {
			switch {
			case !w.stays[i] && w.own[i] > 0 && w.sumOf(i, &w.next) > 0, w.stays[i] && w.own[i] < 0 && w.sumOf(i, &w.after) < 0:
				for j, c := range w.counted {
					w.stays[j] = w.stays[j] != c
				}
				again = true
			}
		}
	}
}

// sumOf is what a host has over, with all that goes the same way: those that it
// needs and that do not stay yet, or those that need it and stay.
func (w *Planner) sumOf(i int32, e *edges) float64 {
	clear(w.counted)
	return w.sum(i, e)
}

func (w *Planner) sum(i int32, e *edges) float64 {
	w.counted[i] = true
	s := w.own[i]
	for _, j := range e.of(i) {
		if !w.counted[j] && w.stays[j] == w.stays[i] {
			s += w.sum(j, e)
		}
	}
	return s
}

// wear is what a watt between two slots takes from the store that feeds a host by
// the end that is looked at: what is drawn late has no time to come back.
func (w *Planner) wear(h *host, from, to int) int64 {
	return int64(to-from)*wearUnit + w.bound(h.store, to) - w.bound(h.store, from)
}

const wearUnit = 256 // of one slot

// bound is how much of a watt that was drawn until a slot a store still has bound at
// the end that is looked at.
func (w *Planner) bound(store int32, slot int) int64 {
	held := w.bounds[store]
	if back := w.horizon - min(slot, w.horizon); back < len(held) {
		return held[back]
	}
	return 0
}

// holdBounds works out, for each store, what it has bound of a watt so many slots after
// it was drawn.
func (w *Planner) holdBounds() {
	w.bounds = grow(w.bounds, len(w.stores))
	for u := range w.stores {
		c := &w.stores[u]
		held, fade := c.Diffusion/seconds(w.slot)*wearUnit, c.fade(w.slot)
		w.bounds[u] = w.bounds[u][:0]
		for k := 0; k <= w.last && held >= 1; k++ {
			w.bounds[u] = append(w.bounds[u], int64(held))
			held = float64(held * fade)
		}
	}
}
