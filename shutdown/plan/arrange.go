package plan

import (
	"cmp"
	"math"
	"slices"
)

// arranger finds a first safe plan: all as early as the order lets them, and
// where that is not safe, or more at once than allowed, a staggered one.
type arranger struct {
	line []int32   // the hosts: whose place is found first, of those whose order allows it
	from []int     // and from which slot on
	best []int32   // the line of the best plan so far
	busy occupancy // the stops under way in each slot
	room int       // how many may be
}

// mostStaggered is up to how many hosts it is tried to let peaks miss each other.
const mostStaggered = 500

// arrange leaves a safe plan with no start before the slot given in start, and
// is false when it finds none.
func (w *Planner) arrange(from int) bool {
	if w.p.AtOnce <= 0 {
		w.earliest(from)
		if w.sound() {
			return true
		}
		if !w.peaks || len(w.hosts) > mostStaggered {
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
	if w.hosts[i].Asked {
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
	effort := w.spent + len(w.scenarios)*(2400+60*len(w.hosts))
	most := w.limit()
	least := most
	if w.peaks && len(w.hosts) <= mostStaggered {
		least = 1
	}
	for i := range w.from {
		w.from[i] = from
	}
	best, lateness := most, int64(math.MaxInt64)
	for room := most; room >= least; room-- {
		for rule := range rules {
			w.lineUp(rule)
			late := w.lateness(room)
			if late == 0 {
				return true
			}
			if late < lateness {
				best, lateness = room, late
				copy(w.best, w.line)
			}
			if w.spent > effort {
				return false
			}
		}
	}
	copy(w.line, w.best)
	lateness = w.swap(best, lateness, effort)
	if lateness > 0 && w.inLine(best) {
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

// lineUp orders the hosts by a rule: those first that most must wait for;
// that draw most; that free most power for the time that they need.
func (w *Planner) lineUp(rule int) {
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
	w.line = w.line[:0]
	for i := range w.all() {
		w.line = append(w.line, i)
	}
	slices.SortStableFunc(w.line, func(a, b int32) int { return cmp.Compare(key[b], key[a]) })
}

// lateness is zero when the plan that the line makes holds, else how long before
// its last host is down it breaks. A line that ends past the last slot is later than
// all that do not, the more so the more hosts have no place in it.
func (w *Planner) lateness(room int) int64 {
	if w.inLine(room) {
		return w.late()
	}
	w.spent += len(w.hosts)
	late := int64(farthest)
	for _, s := range w.start {
		if s < 0 {
			late++
		}
	}
	return late
}

func (w *Planner) late() int64 {
	if w.sound() {
		return 0
	}
	return max(1, slices.Max(w.down)-w.failedAt())
}

// swap lets two hosts change places in the line while that helps.
func (w *Planner) swap(room int, lateness int64, effort int) int64 {
	for better := true; better; {
		better = false
		for a := range w.line {
			for b := range a {
				w.line[a], w.line[b] = w.line[b], w.line[a]
				late := w.lateness(room)
				if late == 0 || w.spent > effort {
					return late
				}
				if late < lateness {
					lateness, better = late, true
				} else {
					w.line[a], w.line[b] = w.line[b], w.line[a]
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
		for i := range w.all() {
			for by := 1; !w.hosts[i].Asked && w.start[i]+by <= w.last; by *= 2 {
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

// inLine gives each host the first slots that have room, in the order of the
// line, but for those that must wait for one behind them. It is false when one
// does not come to its turn before the last slot.
func (w *Planner) inLine(room int) bool {
	w.room = room
	w.vacate()
	for i := range w.start {
		w.start[i] = -1
		if w.hosts[i].Asked {
			w.start[i] = 0
			w.occupy(int32(i))
		}
	}
	for head := 0; ; {
		for head < len(w.line) && w.start[w.line[head]] >= 0 {
			head++
		}
		k := head
		for k < len(w.line) && (w.start[w.line[k]] >= 0 || w.mustWait(w.line[k])) {
			k++
		}
		if k == len(w.line) {
			return true
		}
		i := w.line[k]
		t := w.free(i, w.ready(i, w.from[i]))
		if t > w.last {
			return false
		}
		w.start[i] = t
		w.occupy(i)
	}
}

// mustWait tells whether one of those that a host waits for has no place yet.
func (w *Planner) mustWait(i int32) bool {
	for _, a := range w.after.of(i) {
		if w.start[a] < 0 {
			return true
		}
	}
	return false
}

// free is the first slot from the one given on in which a host can start with
// no more stops under way than there is room for.
func (w *Planner) free(i int32, from int) int {
	for t := from; t <= w.last; {
		end := t + w.length[i]
		full := w.busy.firstFull(t, end, w.room)
		if full == end {
			return t
		}
		t = w.busy.firstFree(full, w.last+1, w.room)
	}
	return w.last + 1
}

// freeBefore is the last slot up to the one given in which a host can start so; below
// its bound when there is none.
func (w *Planner) freeBefore(i int32, to int) int {
	for t := to; t >= w.low[i]; {
		full := w.busy.lastFull(t, t+w.length[i], w.room)
		if full < t {
			return t
		}
		t = full - w.length[i]
	}
	return w.low[i] - 1
}

// vacate empties the slots.
func (w *Planner) vacate() {
	longest := 0
	for _, d := range w.length {
		longest = max(longest, d)
	}
	w.busy.vacate(w.last+longest+1, len(w.hosts))
}

// occupy takes a host's slots, and leave gives them back.
func (w *Planner) occupy(i int32) { w.busy.add(w.start[i], w.start[i]+w.length[i]) }

func (w *Planner) leave(i int32) { w.busy.sub(w.start[i], w.start[i]+w.length[i]) }

// hasRoom tells whether a host that has its slots could start in the one given, with no
// more stops under way than there is room for. In slots that it has now it counts itself.
func (w *Planner) hasRoom(i int32, to int) bool {
	from, d := w.start[i], w.length[i]
	if to < from {
		mid := min(from, to+d)
		return w.busy.firstFull(to, mid, w.room) == mid && w.busy.firstFull(from, to+d, w.room+1) >= to+d
	}
	mid := max(to, from+d)
	return w.busy.firstFull(mid, to+d, w.room) == to+d && w.busy.firstFull(to, from+d, w.room+1) >= from+d
}

// reoccupy gives a host other slots for those that it has.
func (w *Planner) reoccupy(i int32, to int) {
	from, d := w.start[i], w.length[i]
	if to < from {
		w.busy.sub(max(from, to+d), from+d)
		w.busy.add(to, min(from, to+d))
	} else {
		w.busy.sub(from, min(to, from+d))
		w.busy.add(max(to, from+d), to+d)
	}
}
