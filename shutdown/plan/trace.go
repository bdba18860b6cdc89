package plan

import (
	"math"
	"math/bits"
	"time"

	"ebbline/shutdown/battery"
)

// Trace is one replay, for drawing.
type Trace struct {
	// Carried tells whether every host had a store, and all that it needs, until
	// it was down.
	Carried bool
	Begun   []time.Duration // when each stop began, in the order of Problem.Hosts
	Down    []time.Duration // and ended
	Stores  []Curve         // in the order of Problem.Stores
}

// Curve is one store's way through a replay.
type Curve struct {
	Forecast
	// Points are the changes of load. The last has none: the store gave out, or
	// carries nobody any more.
	Points []Point
}

// Point is a store at a change of load.
type Point struct {
	At     time.Duration
	Watts  float64 // from now on
	Left   float64 // joules at this load
	Charge battery.Charge

	must bool // a host depends on the store alone
}

// Replay carries the stores through a plan's starts, with stops that take so
// long; nil is the worst. A stop begins when it is planned and all that it waits
// for is down.
func (w *Planner) Replay(p *Problem, starts, stops []time.Duration, out *Trace) {
	w.load(p, false)
	w.grid = max(0, int64(p.Slot))
	for i := range w.hosts {
		w.starts[i] = clamp(starts[i])
		if stops != nil {
			w.worst[i] = clamp(stops[i])
		}
	}
	w.record(out, w.worst, w.starts, -1)
}

// record replays into a trace.
func (w *Planner) record(out *Trace, stops, starts []int64, lost int) {
	out.Begun, out.Down = resize(out.Begun, len(w.hosts)), resize(out.Down, len(w.hosts))
	out.Stores = resize(out.Stores, len(w.stores))
	for u := range out.Stores {
		out.Stores[u].Points = out.Stores[u].Points[:0]
	}
	w.dispatch(stops, starts)
	w.trace = out
	out.Carried = w.replay(0, lost)
	w.trace = nil
	for i := range w.hosts {
		k := w.hosts[i].outside
		out.Begun[k], out.Down[k] = time.Duration(w.begun[i]), time.Duration(w.down[i])
	}
	for u := range w.stores {
		if w.left&(1<<u) != 0 && w.until[u] > 0 {
			out.end(w, u, w.until[u])
		}
		out.Stores[u].Forecast = w.forecast(u, out.Stores[u].Points)
	}
}

// segment notes what each store carries from now on.
func (t *Trace) segment(w *Planner, live, from int64) {
	for u := range w.stores {
		if w.left&(1<<u) == 0 || live >= w.until[u] {
			continue
		}
		t.Stores[u].Points = append(t.Stores[u].Points, Point{
			At: time.Duration(from), Watts: w.watts[u], Charge: w.charge[u],
			Left: w.stores[u].Left(w.charge[u], w.watts[u]), must: w.must(u, live),
		})
	}
}

// gaveOut notes the stores that give out.
func (t *Trace) gaveOut(w *Planner, out uint64, at int64) {
	for ; out != 0; out &= out - 1 {
		t.end(w, bits.TrailingZeros64(out), at)
	}
}

// end notes that a store carries nothing any more.
func (t *Trace) end(w *Planner, u int, at int64) {
	t.Stores[u].Points = append(t.Stores[u].Points, Point{
		At: time.Duration(at), Charge: w.charge[u], Left: w.stores[u].Left(w.charge[u], 0),
	})
}

// must tells whether a host that is not down depends on the store alone.
func (w *Planner) must(u int, live int64) bool {
	for g := range w.groups {
		if c := &w.groups[g]; w.end[g] > live && (c.needs&(1<<u) != 0 || c.feeds&w.left == 1<<u) {
			return true
		}
	}
	return false
}

// forecast sums a store's way up.
func (w *Planner) forecast(u int, points []Point) Forecast {
	f := Forecast{End: -1, Margin: math.MaxInt64}
	reserve := time.Duration(clamp(w.p.Reserve))
	m := &w.stores[u].Model
	last, must := len(points)-2, false
	for k := 0; k+1 < len(points); k++ {
		if points[k].must {
			next := &points[k+1]
			rest := time.Duration(nanoseconds(m.Runtime(next.Charge, points[k].Watts)))
			f.Margin = min(f.Margin, rest-reserve)
			f.LastDown = next.At
			last, must = k, true
		}
	}
	if last < 0 {
		return f
	}
	end := &points[last+1]
	if rest := m.Runtime(end.Charge, points[last].Watts); rest < float64(farthest/second) {
		f.End = end.At + time.Duration(nanoseconds(rest))
	}
	if must || f.End < 0 {
		return f
	}
	if w.left&(1<<u) != 0 {
		f.LastDown = end.At
	}
	f.Margin = max(0, f.End-reserve-f.LastDown)
	return f
}
