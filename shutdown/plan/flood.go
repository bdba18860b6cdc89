package plan

import "math"

// flooder looks for a good plan to begin with.
type flooder struct {
	want     []int     // until when a host would stay
	own      []float64 // what that is worth over its price
	net      []float64 // own, with what it makes possible for those that wait for it
	stays    []bool
	counted  []bool
	flooded  []int // the best plan so far
	floodsTo int64 // its worth
}

const (
	// ends is into how many parts the time until an end is cut where the next is
	// looked at.
	ends = 2
	// prices is how many prices are tried for one end.
	prices = 8
)

// flood lets some hosts stay up until a common end, or until what they take from
// the stores is worth more than a price, and the others stop at once. For each
// of a few ends it finds the lowest price that is safe. The stores' own draw
// makes it worth while to keep many up for a short time or few for long, and
// single moves do not lead from the one to the other.
func (w *Planner) flood(effort int) {
	if len(w.hosts) == 0 {
		return
	}
	w.flooded = append(w.flooded[:0], w.start...)
	w.floodsTo = w.total()
	first := w.last
	for _, s := range w.start {
		first = min(first, s+1)
	}
	best, price, bestPrice := first, 0.0, 0.0
	look := func(end int, guess float64) {
		most := w.floodsTo
		if price = w.floodTo(end, guess); w.floodsTo > most {
			best, bestPrice = end, price
		}
	}
	for end := first; end < w.last && w.spent < effort; end += 1 + (end-first)/ends {
		look(end, price) // the price rises with the end
	}
	look(w.last, price)
	for by := (best - first) / ends / 2; by > 0 && w.spent < effort; by /= 2 {
		end := best
		look(end-by, bestPrice)
		look(min(end+by, w.last), bestPrice)
	}
	copy(w.start, w.flooded)
	w.afresh()
}

// floodTo tries prices near a guess with one end, and gives the lowest that is
// safe, about.
func (w *Planner) floodTo(end int, guess float64) float64 {
	w.horizon = end
	top := 0.0
	for i := range w.all() {
		if s := w.start[i]; s < end && !w.hosts[i].Asked {
			top = max(top, w.price(i, s, s+1), w.price(i, s, end))
		}
	}
	lo, hi, step, price := 0.0, math.Inf(1), 1.5, guess
	for range prices {
		if w.floodAt(price, end) && w.sound() {
			if t := w.total(); t > w.floodsTo {
				w.floodsTo = t
				copy(w.flooded, w.start)
			}
			hi = price
		} else if lo = price; lo == 0 {
			lo, hi = top/4096, 2*top
		}
		w.back()
		switch {
		case hi < lo*1.01 || hi == 0:
			return hi
		case lo == 0:
			price, step = hi/step, step*step
		case math.IsInf(hi, 1):
			price, step = lo*step, step*step
		default:
			price = math.Sqrt(lo * hi)
		}
	}
	return min(hi, 2*top)
}

// floodAt makes the plan of one price and one end, and is false when it goes past
// the last slot.
func (w *Planner) floodAt(price float64, end int) bool {
	for i := range w.all() {
		w.want[i], w.own[i] = w.start[i], 0
		if w.start[i] >= end || w.hosts[i].Asked {
			continue
		}
		w.want[i], w.own[i] = end, w.over(i, price, end)
		if e := w.worthUntil(i, price, end); e > w.start[i] {
			if over := w.over(i, price, e); over > w.own[i] {
				w.want[i], w.own[i] = e, over
			}
		}
	}
	w.whoStays()
	for i := range w.all() {
		if w.stays[i] && w.own[i] >= 0 && w.start[i] < w.want[i] && !w.push(i, w.want[i]) {
			return false
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
// price.
func (w *Planner) worthUntil(i int32, price float64, end int) int {
	if w.price(i, end-1, end) >= price {
		return end
	}
	lo, hi := w.start[i]-1, end-1
	if w.price(i, lo+1, lo+2) < price {
		return w.start[i]
	}
	for lo+1 < hi {
		if mid := (lo + hi) / 2; w.price(i, mid, mid+1) >= price {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

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
			clear(w.counted)
			switch {
			case !w.stays[i] && w.own[i] > 0 && w.sum(i, &w.next) > 0, w.stays[i] && w.own[i] < 0 && w.sum(i, &w.after) < 0:
				for j, c := range w.counted {
					w.stays[j] = w.stays[j] != c
				}
				again = true
			}
		}
	}
}

// sum is what a host has over, with all that goes the same way: those that it
// needs and that do not stay yet, or those that need it and stay.
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
	const unit = 256 // of one slot
	sum := int64(to-from) * unit
	if c := &w.stores[h.store]; c.Diffusion > 0 {
		kept := c.fade(int64(w.horizon-min(to, w.horizon))*w.slot) - c.fade(int64(w.horizon-min(from, w.horizon))*w.slot)
		sum += int64(float64(c.Diffusion/seconds(w.slot)*kept) * unit)
	}
	return sum
}
