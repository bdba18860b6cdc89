// Package plan finds who stops when. It is given the batteries and hosts as
// they stand now, time zero, and answers with a start for every host such that
// all are off before the battery's conservative end less the reserve, in
// order, at worst durations; then the promised times are kept from the highest
// priority down; and what battery is left goes where it is worth most. It must
// never read a clock, draw a random number or depend on the order of a map.
//
// All rests on one replay: the stores carried exactly from one change of load to
// the next. Where no host draws more while it stops than while it is up, and
// there is no limit on stops at once, less power at every moment is always safer:
// a replay with the longest stops proves the plan for all shorter ones, and from
// a time on nothing is safe unless all starting at once is, in order, so that a
// bisection finds the point of no return. Elsewhere stops are staggered and
// replayed, and the point of no return is never later than a plan was found for.
// What the rest of the battery is worth is a search, hard to finish in general;
// on the oracle's sites it comes within a few thousandths of the best.
package plan

import (
	"slices"
	"time"

	"ebbline/shutdown/battery"
)

// Problem is the site at time zero. Planning does not change it.
type Problem struct {
	Stores []Store
	Hosts  []Host

	// Floor is a time that every host is kept up, as far as the batteries can
	// carry it: what is left of the ride-through.
	Floor time.Duration
	// Reserve is battery time never planned away: at every moment until the last
	// host that a store must carry is down, that store could carry the load of
	// the moment for so long again. (To ask it of the last moment alone would
	// leave hardly anything where a small host goes last; and less power would
	// not always be safer, so that one replay would prove nothing about shorter
	// stops.)
	Reserve time.Duration
	// AtOnce bounds the stops under way at the same time; 0 is no limit.
	AtOnce int
	// Slot is the grid of the starts, and a store that gives out does so at the
	// point before. 0 lets the planner choose a grid, about a two-hundredth of the
	// time that the stores carry everything and at least a second; then a host
	// that must wait starts when those it waits for are down, on the grid or not.
	Slot time.Duration
	// Horizon is the latest start; 0 lets the planner find how long anything
	// could be carried.
	Horizon time.Duration
	// Survival is the chance that the outage is still on after each slot, first
	// 1; empty takes the built-in curve, from Elapsed on. Past its end its last
	// value holds.
	Survival []float64
	// Elapsed is how long the outage has lasted already.
	Elapsed time.Duration
	// Quick leaves out the search for better exchanges: a plan that is as safe and
	// keeps the same promises, worth a little less, in a fraction of the time.
	Quick bool
	// EachLost asks that the plan also hold when any one store with a host that
	// another store feeds too gives out at time zero. A loss that no plan
	// survives is reported in Plan.Fragile and asks for nothing.
	EachLost bool
}

// Store is one battery as the plan may count on it: the low projection.
type Store struct {
	Model  battery.Model
	Charge battery.Charge
	Base   float64 // watts that no stop takes away while the store lasts
}

// Host is one host that is to be stopped, or is stopping.
type Host struct {
	Watts    float64       // while up
	Stopping float64       // while it stops
	Stops    time.Duration // its whole allowance, the worst it may take
	Expected time.Duration // what it takes as a rule; 0 takes Stops
	Feeds    []Feed        // one, or several for a redundant supply: it lives while one of them does
	Needs    []int         // stores that must last until it is down, though they need not feed it
	After    []int         // hosts that must be down before it may stop: those that depend on it; no rings
	Priority int64         // higher is kept longer
	Value    float64       // per second of up-time; 0 takes Priority
	Restart  float64       // cost of having been stopped, in the unit of Value times seconds
	Hold     time.Duration // promised time up, from time zero

	// Asked hosts are stopping since before time zero: they start at zero and
	// Stops and Expected are what is left.
	Asked bool
}

// Feed is the part of a host's draw on one store while all its stores last.
// When one gives out the others share by their parts.
type Feed struct {
	Store int
	Part  float64
}

// Plan is the answer. It is a value; it is shown, kept and replayed.
type Plan struct {
	// Fits says that every host is off in time at worst durations.
	Fits bool
	// FitsExpected says the same at expected durations; a plan that does not fit
	// but fits so is made at those. Where that is possible it brings all down at
	// worst durations too, at the cost of the reserve. A plan that does not fit at
	// either asks all at once: dependents first, each at its latest start at the
	// latest.
	FitsExpected bool
	// NoReturn is the latest time at which, with nothing started, a safe plan
	// still exists; negative when there is none even now.
	NoReturn time.Duration
	Stops    []Stop     // in the order of Problem.Hosts
	Stores   []Forecast // in the order of Problem.Stores
	// Fragile names the stores whose loss at time zero no plan survives, or that
	// a host fed by others needs (only with EachLost).
	Fragile []int
	// Unproven is empty when one replay at worst durations proves the plan for
	// every shorter duration, and NoReturn is the true one: no host draws more
	// while stopping than while up, and there is no limit on stops at once.
	// Otherwise it says which condition fails and what was done instead.
	Unproven string
}

// Stop is one host's place in the plan.
type Stop struct {
	Asked time.Duration // since the plan was made
	Down  time.Duration // its allowance used up, at the latest
	// Latest is the start after which, at its expected time and with what must
	// follow it at theirs, it would be too late: the moment at which it goes
	// though a dependent may still be up.
	Latest time.Duration
	Kept   bool // the promised time is kept
	// Host and Why are notes of whoever asks: which host it is, and what placed the stop
	// here. The planner leaves them alone.
	Host int32
	Why  Cause
}

// Cause is what placed a stop, in the words of whoever asks.
type Cause int32

// Forecast is one store under the plan, at the projection the problem gave and at
// worst durations.
type Forecast struct {
	// End is when it would be empty if the last host it must carry never went
	// down: the plan, with the load before the last stop held on. It is when it
	// gives out, if it does. A negative value stands for never.
	End      time.Duration
	LastDown time.Duration // when the last host it must carry is down, at worst
	// Margin is the shortest time, of all moments of the plan at which it must
	// carry a host, for which it could carry the load of the moment, less the
	// reserve. The last of these times is End - Reserve - LastDown. With EachLost
	// the losses that the plan holds in count too.
	Margin time.Duration
}

// Planner plans, and keeps its scratch space for the next time: after a problem
// of some size no later one of that size allocates. The zero value is ready. Its
// answers do not depend on what it planned before. It is for one goroutine.
type Planner struct {
	site
	replayer
	fitter
	arranger
	searcher
	pricer
	tally
	traced Trace
}

// Make answers a problem.
func Make(p *Problem) *Plan {
	var w Planner
	out := &Plan{}
	w.Make(p, out)
	return out
}

// Make answers a problem. What out held before is overwritten, its slices used
// again.
func (w *Planner) Make(p *Problem, out *Plan) {
	w.prepare(p, true)
	out.Fits, out.FitsExpected = w.require()
	out.Fragile = append(out.Fragile[:0], w.fragile...)
	out.NoReturn = -1
	if out.Fits {
		w.saved = append(w.saved[:0], w.start...)
		out.NoReturn = time.Duration(w.noReturn())
		copy(w.start, w.saved)
	}
	if out.FitsExpected {
		w.survive()
		w.appraise()
		w.improve()
		w.offGrid()
		w.dispatch(w.stops(&w.scenarios[0]), w.starts)
		copy(w.starts, w.begun)
	} else {
		clear(w.starts) // dispatch sees to the order
	}
	out.Stops = resize(out.Stops, len(w.hosts))
	for i := range w.hosts {
		s := w.stop(out, i)
		s.Asked = time.Duration(w.starts[i])
	}
	w.describe(out)
}

// stop is a host's place in a plan.
func (w *Planner) stop(out *Plan, i int) *Stop { return &out.Stops[w.hosts[i].outside] }

// prepare makes a problem and the grid ready.
func (w *Planner) prepare(p *Problem, sorted bool) {
	w.load(p, sorted)
	w.keep()
	w.pinned, w.keeps, w.spent, w.apartFails = -1, false, 0, false
	w.lay()
}

// NoReturn is Plan.NoReturn alone.
func (w *Planner) NoReturn(p *Problem) time.Duration {
	w.prepare(p, p.Peaks() || p.AtOnce > 0) // where the answer rests on the order, the one that Make takes
	if fits, _ := w.require(); !fits {
		return -1
	}
	return time.Duration(w.noReturn())
}

// Peaks tells whether any host draws more while it stops than while it is up.
func (p *Problem) Peaks() bool {
	return slices.ContainsFunc(p.Hosts, func(h Host) bool { return h.Stopping > h.Watts })
}

// Lasts tells whether a safe plan is known that starts nothing before a time. It is no
// search for the point of no return, which asks that of some ten times. Asked again, the
// problem is the one that was asked last, but for its stores.
func (w *Planner) Lasts(p *Problem, from time.Duration, again bool) bool {
	if p.AtOnce <= 0 || len(p.Hosts) == 0 {
		if again && !w.sorted {
			w.loadStores()
		} else {
			w.Ready(p)
		}
		for i := range w.starts {
			w.starts[i] = clamp(from)
		}
		w.dispatch(w.worst, w.starts)
		if all := w.replay(clamp(p.Reserve), -1); all || !p.Peaks() {
			return all // no plan that begins then is safe unless all at once is
		}
	}
	w.prepare(p, true)
	w.scenarios = append(w.scenarios[:0], scenario{false, clamp(p.Reserve), -1})
	w.measure()
	slot := int((clamp(from) + w.slot - 1) / w.slot)
	return slot <= w.last && w.arrange(slot)
}

// Ready takes up a problem, for [Planner.Holds].
func (w *Planner) Ready(p *Problem) {
	w.load(p, false)
	w.grid = max(0, int64(p.Slot))
}

// Safe tells whether starts hold at worst durations, by one replay. It does not
// look at the loss of a store.
func (w *Planner) Safe(p *Problem, starts []time.Duration) bool {
	w.Ready(p)
	return w.Holds(starts)
}

// Holds is [Planner.Safe] for the problem last taken up.
func (w *Planner) Holds(starts []time.Duration) bool {
	for i, s := range starts {
		w.starts[i] = clamp(s)
	}
	w.dispatch(w.worst, w.starts)
	return w.replay(clamp(w.p.Reserve), -1)
}

// Tighten makes a plan safe again for a problem that became worse, and tells
// whether it is. The plan's starts count from the problem's time zero; they are
// moved forward together, no more than is needed, and none becomes later.
// NoReturn is not looked at again.
//
// With a limit on stops at once, where that would let more stop than may, it
// plans anew.
func (w *Planner) Tighten(p *Problem, out *Plan) bool {
	w.load(p, false)
	w.grid = max(0, int64(p.Slot))
	w.recall(out)
	last := int64(0)
	for i := range w.hosts {
		w.starts[i] = clamp(out.Stops[i].Asked)
		last = max(last, w.starts[i])
	}
	safe := w.safe(w.starts)
	switch {
	case safe:
	case p.AtOnce > 0:
		w.Make(p, out)
		return out.FitsExpected
	default:
		if safe = w.moveForward(out, last); !safe {
			out.Fits, out.FitsExpected, out.NoReturn = false, false, -1
		}
	}
	w.describe(out)
	return safe
}

// Follow fills in what follows from a plan's starts where others than the planner have
// moved some: when hosts are down, their latest starts, and the stores' forecasts.
func (w *Planner) Follow(p *Problem, out *Plan) {
	w.load(p, false)
	w.grid = max(0, int64(p.Slot))
	w.recall(out)
	w.describe(out)
}

// moveForward bisects for the least by which all must start earlier. At the most
// all start at once, in order.
func (w *Planner) moveForward(out *Plan, last int64) bool {
	step := second
	if w.grid > 0 {
		step = w.grid
	}
	lo, hi := int64(0), (last+step-1)/step // hi is all at once
	for lo+1 < hi {
		if mid := (lo + hi) / 2; w.safeSooner(out, mid*step) {
			hi = mid
		} else {
			lo = mid
		}
	}
	safe := w.safeSooner(out, hi*step)
	for i := range w.hosts {
		if s := w.stop(out, i); s.Asked > time.Duration(w.starts[i]) {
			s.Asked = time.Duration(w.starts[i])
		}
	}
	return safe
}

func (w *Planner) safeSooner(out *Plan, by int64) bool {
	for i := range w.hosts {
		w.starts[i] = max(0, clamp(w.stop(out, i).Asked)-by)
	}
	return w.safe(w.starts)
}
