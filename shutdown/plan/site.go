package plan

import (
	"cmp"
	"math"
	"slices"
	"time"

	"ebbline/shutdown/battery"
)

// site is a problem made ready for replays.
type site struct {
	p      *Problem
	sorted bool // its hosts are in the order of what they are alone
	hosts  []host
	inside []int32 // of a host of the problem: where it is in hosts
	stores []store
	fades  []*fades
	// groups are the hosts by what feeds them: those of one group share their
	// fate when a store gives out, so that only the sum of their draws counts.
	groups []group
	// order has every host behind all that must be down before it; place is a
	// host's place in it.
	order, place []int32
	after        edges // those that must be down before a host stops
	next         edges // those that wait for it
	waits        []int32
}

// host is a Host in whole numbers, microwatts and nanoseconds: they add up to
// the same sum in whatever order, so that the number of steps leaves no trace in
// a plan.
type host struct {
	*Host
	outside         int // where it is in the problem
	up, stopping    int64
	worst, expected int64
	hold            int64
	group           int32
	store           int32 // one that feeds it
}

// partOn is the part of the host's draw on a store, while all that feed it last.
func (h *host) partOn(store int) float64 {
	sum, part := 0.0, 0.0
	for _, f := range h.Feeds {
		sum += max(0, f.Part)
		if f.Store == store {
			part += max(0, f.Part)
		}
	}
	if part == 0 {
		return 0
	}
	return part / sum
}

type store struct {
	battery.Model
	start battery.Charge
	base  float64
	span  float64 // the reserve, in seconds
	decay float64 // what a rest as long as the reserve leaves of the bound charge
	fades *fades
}

// fades keeps what rests of whole seconds leave of a store's bound charge, as
// two factors; most times in a plan are whole seconds, and the exponential is
// most of a replay's work. Zero is one that was not needed yet.
type fades struct {
	relaxation float64
	low, high  [256]float64
}

// fade is what a rest leaves of the bound charge.
func (c *store) fade(rest int64) float64 {
	s := rest / second
	if rest != s*second || s >= 1<<16 || c.Diffusion == 0 {
		return c.faded(rest)
	}
	f := &c.fades.low[s&255]
	if *f == 0 {
		*f = c.faded(s & 255 * second)
	}
	if s < 256 {
		return *f
	}
	g := &c.fades.high[s>>8]
	if *g == 0 {
		*g = c.faded(s >> 8 << 8 * second)
	}
	return float64(*f * *g)
}

func (c *store) faded(rest int64) float64 { return c.Fade(seconds(rest)) }

// carry is Advance, for the times of a plan.
func (c *store) carry(q battery.Charge, watts float64, span int64) battery.Charge {
	return c.AdvanceBy(q, watts, seconds(span), c.fade(span))
}

// spare is what the store would have left if it carried a load for the reserve.
func (c *store) spare(q battery.Charge, watts float64) float64 {
	return c.Left(c.AdvanceBy(q, watts, c.span, c.decay), watts)
}

// linear tells whether what is left falls in proportion to the load.
func (c *store) linear() bool { return c.Exponent == 0 || c.Exponent == 1 }

type group struct {
	feeds, needs uint64 // stores, as bits
	first        *Host  // one of the group
}

// edges lists other hosts for each host.
type edges struct{ at, to []int32 }

func (e *edges) of(i int32) []int32 { return e.to[e.at[i]:e.at[i+1]] }

// all is how many hosts there are.
func (w *Planner) all() int32 { return int32(len(w.hosts)) }

const (
	watt   = 1_000_000 // microwatts
	second = int64(time.Second)
	// farthest is as far ahead as the planner looks; what would last longer
	// counts as lasting so long.
	farthest = 7 * 24 * 3600 * second
	// maxStores is how many stores a problem may have: one bit each.
	maxStores = 64
)

// load makes a problem ready. Sorted, the hosts are taken in an order that
// depends on what they are alone, so that the order of the problem leaves no
// trace in a plan.
func (w *Planner) load(p *Problem, sorted bool) {
	if len(p.Stores) > maxStores {
		panic("plan: more than 64 stores")
	}
	w.p, w.sorted = p, sorted
	w.loadStores()
	w.hosts, w.groups = w.hosts[:0], w.groups[:0]
	for i := range p.Hosts {
		w.hosts = append(w.hosts, host{Host: &p.Hosts[i], outside: i})
	}
	if sorted {
		slices.SortFunc(w.hosts, compare)
	}
	w.inside = resize(w.inside, len(w.hosts))
	for i := range w.hosts {
		h := &w.hosts[i]
		w.inside[h.outside] = int32(i)
		h.up, h.stopping = microwatts(h.Watts), microwatts(h.Stopping)
		h.worst, h.hold = clamp(h.Stops), clamp(h.Hold)
		if h.expected = h.worst; h.Expected > 0 || h.Asked {
			h.expected = min(clamp(h.Expected), h.worst)
		}
		if len(h.Feeds) > 0 {
			h.store = int32(h.Feeds[0].Store)
		}
		h.group = w.groupOf(h)
	}
	w.link()
	w.sort()
	w.size()
}

func (w *Planner) loadStores() {
	w.stores = w.stores[:0]
	for i := range w.p.Stores {
		s := &w.p.Stores[i]
		if i == len(w.fades) {
			w.fades = append(w.fades, &fades{})
		}
		if f := w.fades[i]; f.relaxation != s.Model.Relaxation {
			*f = fades{relaxation: s.Model.Relaxation}
		}
		c := store{Model: s.Model, start: s.Charge, base: math.Max(0, s.Base), span: seconds(clamp(w.p.Reserve)), fades: w.fades[i]}
		c.decay = c.fade(clamp(w.p.Reserve))
		w.stores = append(w.stores, c)
	}
}

// compare puts the highest priority first, and of two alike the lighter.
func compare(a, b host) int {
	if c := cmp.Compare(b.Priority, a.Priority); c != 0 {
		return c
	}
	if c := cmp.Compare(a.Watts, b.Watts); c != 0 {
		return c
	}
	if c := cmp.Or(
		cmp.Compare(a.Stopping, b.Stopping), cmp.Compare(a.Stops, b.Stops), cmp.Compare(a.Expected, b.Expected),
		cmp.Compare(a.Hold, b.Hold), cmp.Compare(a.Value, b.Value), cmp.Compare(a.Restart, b.Restart),
		cmp.Compare(len(a.After), len(b.After)), slices.Compare(a.Needs, b.Needs),
	); c != 0 {
		return c
	}
	feeds := slices.CompareFunc(a.Feeds, b.Feeds, func(f, g Feed) int {
		return cmp.Or(cmp.Compare(f.Store, g.Store), cmp.Compare(f.Part, g.Part))
	})
	return cmp.Or(feeds, cmp.Compare(a.outside, b.outside))
}

// microwatts rounds a draw up. Above a gigawatt it is no draw of a machine.
func microwatts(watts float64) int64 {
	if !(watts > 0) {
		return 0
	}
	return int64(math.Ceil(math.Min(watts, 1e9) * watt))
}

func clamp(d time.Duration) int64 { return min(max(int64(d), 0), farthest) }

// groupOf finds the host's group, or makes it.
func (w *Planner) groupOf(h *host) int32 {
	for g := range w.groups {
		if o := w.groups[g].first; slices.Equal(h.Feeds, o.Feeds) && slices.Equal(h.Needs, o.Needs) {
			return int32(g)
		}
	}
	c := group{first: h.Host}
	for _, f := range h.Feeds {
		if f.Part > 0 {
			c.feeds |= 1 << f.Store
		}
	}
	for _, s := range h.Needs {
		c.needs |= 1 << s
	}
	w.groups = append(w.groups, c)
	return int32(len(w.groups) - 1)
}

// dead tells whether the group is off from the start when the store is lost.
func (g *group) dead(lost int) bool { return lost >= 0 && g.feeds == 1<<lost }

// link writes After both ways. A host that was asked waits for nobody any more.
func (w *Planner) link() {
	n := len(w.hosts)
	w.after.at, w.next.at = resize(w.after.at, n+1), resize(w.next.at, n+1)
	clear(w.next.at)
	w.after.to = w.after.to[:0]
	for i := range w.hosts {
		w.after.at[i] = int32(len(w.after.to))
		if w.hosts[i].Asked {
			continue
		}
		for _, outside := range w.hosts[i].After {
			a := w.inside[outside]
			w.after.to = append(w.after.to, a)
			w.next.at[a]++
		}
	}
	m := int32(len(w.after.to))
	w.after.at[n] = m
	w.next.to = resize(w.next.to, int(m))
	sum := int32(0)
	for i := range w.next.at {
		sum, w.next.at[i] = sum+w.next.at[i], sum
	}
	for i := range w.hosts {
		for _, a := range w.after.of(int32(i)) {
			w.next.to[w.next.at[a]] = int32(i)
			w.next.at[a]++
		}
	}
	copy(w.next.at[1:], w.next.at[:n]) // filling moved each list's head to its end
	w.next.at[0] = 0
}

// sort puts every host behind those it waits for.
func (w *Planner) sort() {
	n := len(w.hosts)
	w.order, w.waits, w.place = w.order[:0], resize(w.waits, n), resize(w.place, n)
	for i := range w.hosts {
		w.waits[i] = int32(len(w.after.of(int32(i))))
		if w.waits[i] == 0 {
			w.order = append(w.order, int32(i))
		}
	}
	for k := 0; k < len(w.order); k++ {
		i := w.order[k]
		w.place[i] = int32(k)
		for _, j := range w.next.of(i) {
			if w.waits[j]--; w.waits[j] == 0 {
				w.order = append(w.order, j)
			}
		}
	}
	if len(w.order) < n {
		panic("plan: hosts wait for each other in a ring")
	}
}

// size gives the scratch slices their lengths.
func (w *Planner) size() {
	n, m, g := len(w.hosts), len(w.stores), len(w.groups)
	w.begun, w.down = resize(w.begun, n), resize(w.down, n)
	w.draw, w.end = resize(w.draw, g), resize(w.end, g)
	w.deadline, w.due = resize(w.deadline, g), resize(w.due, n)
	w.share = resize(w.share, m*g)
	w.until, w.at, w.watts, w.drawn = resize(w.until, m), resize(w.at, m), resize(w.watts, m), resize(w.drawn, m)
	w.charge, w.then, w.aside = resize(w.charge, m), resize(w.then, m), resize(w.aside, m)

	w.worst, w.expected = resize(w.worst, n), resize(w.expected, n)
	w.start, w.length, w.starts = resize(w.start, n), resize(w.length, n), resize(w.starts, n)
	w.best, w.from = resize(w.best, n), resize(w.from, n)

	w.first, w.low, w.values = resize(w.first, n), resize(w.low, n), resize(w.values, n)
	w.ratio, w.known, w.stuck, w.touched = resize(w.ratio, n), resize(w.known, n), resize(w.stuck, n), resize(w.touched, n)
	w.stay, w.own, w.net = resize(w.stay, n), resize(w.own, n), resize(w.net, n)
	w.want, w.least, w.most = resize(w.want, n), resize(w.least, n), resize(w.most, n)
	w.stays, w.counted = resize(w.stays, n), resize(w.counted, n)
	w.isMoved = resize(w.isMoved, n)
	clear(w.isMoved)

	w.peaks = false
	for i := range w.hosts {
		h := &w.hosts[i]
		w.worst[i], w.expected[i] = h.worst, h.expected
		w.peaks = w.peaks || h.stopping > h.up
	}
}

func resize[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n, n+n/2)
	}
	return s[:n]
}

// grow is resize that keeps the slices that are in it.
func grow[T any](s [][]T, n int) [][]T {
	for cap(s) < n {
		s = append(s[:cap(s)], nil)
	}
	return s[:n]
}
