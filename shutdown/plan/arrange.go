package plan

import (
	"cmp"
	"math"
	"slices"
)

// arranger finds a first safe plan: all as early as the order lets them, and
// where that is not safe, or more at once than allowed, a staggered one.
type arranger struct {
	ranked []int32 // hosts by what they are, so that ties fall the same way in whatever order they come
	line   []int32
	turn   []int   // whose place is found first, of those whose order allows it
	from   []int   // and from which slot on
	best   []int   // the turns of the best plan so far
	busy   []int16 // how many stops are under way in each slot
	room   int     // how many may be
}

// rank sorts the hosts by what they are, highest priority first, and of two
// alike the lighter.
func (w *Planner) rank() {
	w.ranked = w.ranked[:0]
	for i := range w.hosts {
		w.ranked = append(w.ranked, int32(i))
	}
	slices.SortFunc(w.ranked, func(a, b int32) int {
		g, h := &w.hosts[a], &w.hosts[b]
		p, q := &w.p.Hosts[a], &w.p.Hosts[b]
		if c := cmp.Compare(q.Priority, p.Priority); c != 0 {
			return c
		}
		if c := cmp.Compare(g.up, h.up); c != 0 {
			return c
		}
		return cmp.Or(
			cmp.Compare(g.stopping, h.stopping), cmp.Compare(g.worst, h.worst), cmp.Compare(g.expected, h.expected),
			cmp.Compare(g.hold, h.hold), cmp.Compare(p.Value, q.Value), cmp.Compare(p.Restart, q.Restart),
			cmp.Compare(w.groups[g.group].feeds, w.groups[h.group].feeds),
			cmp.Compare(w.groups[g.group].needs, w.groups[h.group].needs),
			cmp.Compare(len(p.After), len(q.After)), cmp.Compare(len(w.next.of(a)), len(w.next.of(b))),
			cmp.Compare(a, b))
	})
}

// arrange leaves a safe plan with no start before the slot given in start, and
// is false when it finds none.
func (w *Planner) arrange(from int) bool {
	if w.p.AtOnce <= 0 {
		w.earliest(from)
		if w.sound() {
			return true
		}
		if !w.peaks {
			return false
		}
	}
	return w.stagger(from)
}

// earliest starts all as early as the order lets them.
func (w *Planner) earliest(from int) {
	for _, i := range w.order {
		w.start[i] = w.ready(i, from)
	}
}

// ready is the first slot in which a host may start by its order.
func (w *Planner) ready(i int32, from int) int {
	if w.hosts[i].asked {
		return 0
	}
	for _, a := range w.after.of(i) {
		from = max(from, w.start[a]+w.length[a])
	}
	return from
}

// stagger finds places one after another, in a few orders and with few or many
// at once, and then mends the best of these plans: two hosts change turns, or
// one waits. Which order is best is a hard question (scheduling with precedence
// on parallel machines); a fixed effort is spent on it.
func (w *Planner) stagger(from int) bool {
	effort := w.spent + len(w.scenarios)*(60+2400/max(1, len(w.hosts)))
	most, least := w.limit(), w.limit()
	if w.peaks {
		least = 1
	}
	for i := range w.from {
		w.from[i] = from
	}
	lateness := int64(math.MaxInt64)
	for room := most; room >= least; room-- {
		for rule := range rules {
			w.takeTurns(rule)
			late := w.lateness(room)
			if late == 0 {
				return true
			}
			if late < lateness {
				most, lateness = room, late
				copy(w.best, w.turn)
			}
			if w.spent > effort {
				return false
			}
		}
	}
	copy(w.turn, w.best)
	lateness = w.swapTurns(most, lateness, effort)
	if lateness > 0 && w.inLine(most) {
		lateness = w.wait(w.late(), effort)
	}
	return lateness == 0
}

// limit is how many stops may be under way at the same time.
func (w *Planner) limit() int {
	if w.p.AtOnce > 0 {
		return w.p.AtOnce
	}
	return max(1, len(w.hosts))
}

// rules are the orders that are tried first.
const rules = 3

// takeTurns orders the hosts by a rule: those first that most must wait for;
// that draw most; that free most power for the time that they need.
func (w *Planner) takeTurns(rule int) {
	key := w.ratio
	for k := len(w.order) - 1; k >= 0; k-- {
		i := w.order[k]
		switch rule {
		case 0:
			key[i] = 0
			for _, j := range w.next.of(i) {
				key[i] = max(key[i], key[j])
			}
			key[i] += float64(w.length[i])
		case 1:
			key[i] = float64(w.hosts[i].up)
		case 2:
			key[i] = float64(w.hosts[i].up) / float64(w.length[i]+1)
		}
	}
	w.line = append(w.line[:0], w.ranked...)
	slices.SortStableFunc(w.line, func(a, b int32) int { return cmp.Compare(key[b], key[a]) })
	for k, i := range w.line {
		w.turn[i] = k
	}
}

// lateness is zero when the plan that the turns make holds, else how long before
// its last host is down it breaks.
func (w *Planner) lateness(room int) int64 {
	if !w.inLine(room) {
		return math.MaxInt64
	}
	return w.late()
}

func (w *Planner) late() int64 {
	if w.sound() {
		return 0
	}
	return max(1, slices.Max(w.down)-w.fail.at)
}

// swapTurns lets two hosts change turns while that helps.
func (w *Planner) swapTurns(room int, lateness int64, effort int) int64 {
	for better := true; better; {
		better = false
		for a, i := range w.ranked {
			for _, j := range w.ranked[:a] {
				w.turn[i], w.turn[j] = w.turn[j], w.turn[i]
				late := w.lateness(room)
				if late == 0 || w.spent > effort {
					return late
				}
				if late < lateness {
					lateness, better = late, true
				} else {
					w.turn[i], w.turn[j] = w.turn[j], w.turn[i]
				}
			}
		}
	}
	return lateness
}

// wait lets single hosts wait while that helps.
func (w *Planner) wait(lateness int64, effort int) int64 {
	w.room, w.keeps = w.limit(), w.p.AtOnce > 0
	defer func() { w.keeps = false }()
	for better := true; better; {
		better = false
		for _, i := range w.ranked {
			for by := 1; !w.hosts[i].asked && w.start[i]+by <= w.last; by *= 2 {
				if lateness == 0 || w.spent > effort {
					return lateness
				}
				if w.push(i, w.start[i]+by) {
					if late := w.late(); late < lateness {
						lateness, better = late, true
						w.keep()
					}
				}
				w.back()
			}
		}
	}
	return lateness
}

// inLine gives each host the first slots that have room, those first whose turn
// it is of those whose order allows it. It is false when one does not come to
// its turn before the last slot.
func (w *Planner) inLine(room int) bool {
	w.room = room
	w.vacate()
	for i := range w.start {
		w.start[i] = -1
		if w.hosts[i].asked {
			w.start[i] = 0
			w.occupy(int32(i), 1)
		}
	}
	for i := w.nextInLine(); i >= 0; i = w.nextInLine() {
		t := w.free(i, w.ready(i, w.from[i]))
		if t > w.last {
			return false
		}
		w.start[i] = t
		w.occupy(i, 1)
	}
	return true
}

func (w *Planner) nextInLine() int32 {
	best := int32(-1)
next:
	for i := range w.start {
		if w.start[i] >= 0 || best >= 0 && w.turn[best] < w.turn[i] {
			continue
		}
		for _, a := range w.after.of(int32(i)) {
			if w.start[a] < 0 {
				continue next
			}
		}
		best = int32(i)
	}
	return best
}

// free is the first slot from the one given on in which a host can start with
// no more stops under way than there is room for.
func (w *Planner) free(i int32, from int) int {
	for t := from; t <= w.last; t++ {
		k := t
		for k < t+w.length[i] && int(w.busy[k]) < w.room {
			k++
		}
		if k == t+w.length[i] {
			return t
		}
		t = k
	}
	return w.last + 1
}

// vacate empties the slots.
func (w *Planner) vacate() {
	longest := 0
	for _, d := range w.length {
		longest = max(longest, d)
	}
	w.busy = resize(w.busy, w.last+longest+1)
	clear(w.busy)
}

// occupy takes a host's slots, or gives them back.
func (w *Planner) occupy(i int32, by int16) {
	for k := w.start[i]; k < w.start[i]+w.length[i]; k++ {
		w.busy[k] += by
	}
}
