package shutdown

import (
	"slices"
	"time"

	"ebbline/shutdown/battery"
	"ebbline/shutdown/plan"
)

// guard makes a plan hold when any one store gives out at any time, where hosts
// have several feeds. The agent sees the loss and plans anew; so the plan holds
// if at every moment, with that store lost then, all that are left could still
// be off in time when begun at once. Where that fails, hosts that draw on what
// would be left are asked earlier, the lowest priority first, as little earlier
// as does it; never before the ride-through is over. A loss that not even the
// first moment survives asks for nothing, and is named in Fragile.
type guard struct {
	planner *plan.Planner
	p       *plan.Problem
	trace   plan.Trace
	sub     plan.Problem
	place   []int // problem host to sub-problem host, -1
	starts  []time.Duration
	now     []time.Duration // zeros
	times   []time.Duration
	feeds   []plan.Feed
	after   []int
	lost    []int // stores whose loss is guarded against
}

// keep changes the plan's starts, and says so of each; true when it did.
func (g *guard) keep(planner *plan.Planner, p *plan.Problem, out *plan.Plan) bool {
	g.planner, g.p = planner, p
	g.lost = g.lost[:0]
	for u := range p.Stores {
		if g.shared(u) {
			g.lost = append(g.lost, u)
		}
	}
	if len(g.lost) == 0 || !out.FitsExpected {
		return false
	}
	g.starts = g.starts[:0]
	for i := range out.Stops {
		g.starts = append(g.starts, out.Stops[i].Asked)
	}
	g.run()
	out.Fragile = out.Fragile[:0]
	g.lost = slices.DeleteFunc(g.lost, func(u int) bool {
		if g.holds(u, 0) {
			return false
		}
		out.Fragile = append(out.Fragile, u)
		return true
	})
	changed := false
	checked := time.Duration(0) // up to here nothing has changed since it held
	for range 2 * len(p.Hosts) {
		at, u := g.broken(checked, forever)
		if u < 0 {
			break
		}
		j := g.giver(at, u)
		if j < 0 {
			break
		}
		g.pull(j, at)
		checked = min(at, g.starts[j])
		out.Stops[j].Asked, out.Stops[j].Why = g.starts[j], ForLoss
		changed = true
	}
	return changed
}

// shared tells whether the store feeds a host that another feeds too.
func (g *guard) shared(u int) bool {
	for i := range g.p.Hosts {
		if h := &g.p.Hosts[i]; len(h.Feeds) > 1 && feeds(h, u) {
			return true
		}
	}
	return false
}

func feeds(h *plan.Host, u int) bool {
	for _, f := range h.Feeds {
		if f.Store == u {
			return true
		}
	}
	return false
}

// run replays the starts, so that charges at any time are known.
func (g *guard) run() { g.planner.Replay(g.p, g.starts, nil, &g.trace) }

// broken gives the first moment, just before a start and between two times, at which a
// loss would be too much, and the loss; -1 for none. What was before a start that is
// moved forward is as it was.
func (g *guard) broken(from, until time.Duration) (time.Duration, int) {
	g.run()
	g.times = append(g.times[:0], g.trace.Begun...)
	slices.Sort(g.times)
	g.times = slices.Compact(g.times)
	for _, at := range g.times {
		if at < from {
			continue
		}
		if at > until {
			break
		}
		for _, u := range g.lost {
			if !g.holds(u, at) {
				return at, u
			}
		}
	}
	return 0, -1
}

// holds tells whether all that is left could be off in time if the store were
// lost at the moment given and the rest begun at once.
func (g *guard) holds(u int, at time.Duration) bool {
	p, q := g.p, &g.sub
	*q = plan.Problem{Stores: q.Stores[:0], Hosts: q.Hosts[:0], Reserve: p.Reserve, AtOnce: p.AtOnce}
	for k := range p.Stores {
		st := p.Stores[k]
		st.Charge = g.charge(k, at)
		q.Stores = append(q.Stores, st)
	}
	g.place, g.feeds, g.after, g.now = g.place[:0], g.feeds[:0], g.after[:0], g.now[:0]
	for i := range p.Hosts {
		h := &p.Hosts[i]
		g.place = append(g.place, -1)
		if g.trace.Down[i] <= at || len(h.Feeds) == 1 && h.Feeds[0].Store == u {
			continue
		}
		g.place[i] = len(q.Hosts)
		left := *h
		if begun := g.trace.Begun[i]; begun < at {
			left.Asked = true
			left.Stops = g.trace.Down[i] - at
			left.Expected = min(left.Expected, left.Stops)
		}
		first := len(g.feeds)
		for _, f := range h.Feeds {
			if f.Store != u {
				g.feeds = append(g.feeds, f)
			}
		}
		left.Feeds, left.Needs = g.feeds[first:len(g.feeds):len(g.feeds)], nil
		q.Hosts = append(q.Hosts, left)
		g.now = append(g.now, 0)
	}
	for i := range p.Hosts {
		if g.place[i] < 0 {
			continue
		}
		first := len(g.after)
		for _, a := range p.Hosts[i].After {
			if g.place[a] >= 0 {
				g.after = append(g.after, g.place[a])
			}
		}
		q.Hosts[g.place[i]].After = g.after[first:len(g.after):len(g.after)]
	}
	return len(q.Hosts) == 0 || g.planner.Safe(q, g.now)
}

// charge is a store's charge at a time of the plan.
func (g *guard) charge(k int, at time.Duration) battery.Charge {
	c := g.p.Stores[k].Charge
	points := g.trace.Stores[k].Points
	for j := range points {
		if points[j].At > at {
			break
		}
		c = points[j].Charge
		if j+1 == len(points) || points[j+1].At > at {
			return g.p.Stores[k].Model.Advance(c, points[j].Watts, (at - points[j].At).Seconds())
		}
	}
	return c
}

// giver is the host of the lowest priority that draws on what would be left, is
// still up at the time and could be asked before it, with nobody left who must
// be down before it; -1 when there is none.
func (g *guard) giver(at time.Duration, u int) int {
	best := -1
	for i := range g.p.Hosts {
		h := &g.p.Hosts[i]
		if h.Asked || h.Value > 0 || g.starts[i] < at || g.starts[i] <= g.p.Floor || len(h.Feeds) == 1 && h.Feeds[0].Store == u {
			continue
		}
		free := true
		for _, a := range h.After {
			free = free && g.trace.Down[a] < at
		}
		if free && (best < 0 || h.Priority < g.p.Hosts[best].Priority) {
			best = i
		}
	}
	return best
}

// pull brings a host's start forward from a time, as little as makes every
// moment up to that time hold; to the end of the ride-through where nothing does.
func (g *guard) pull(j int, from time.Duration) {
	early := g.p.Floor
	for _, a := range g.p.Hosts[j].After {
		early = max(early, g.trace.Down[a])
	}
	low, high := early, from // high is too late
	g.starts[j] = low
	if _, u := g.broken(low, from); u >= 0 {
		return
	}
	for high-low > time.Second {
		mid := (low + high) / 2
		g.starts[j] = mid
		if _, u := g.broken(mid, from); u >= 0 {
			high = mid
		} else {
			low = mid
		}
	}
	g.starts[j] = low
}
