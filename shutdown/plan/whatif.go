package plan

import "time"

// Forever stands for a gain without end.
const Forever time.Duration = -1

// Gain is what it would bring if a host were off from the start, with all that
// depends on it.
type Gain struct {
	// Runtime is how much longer the stores would then carry everything else;
	// [Forever] when they would for good.
	Runtime time.Duration
	Also    []int // the hosts that depend on it, in the order of Problem.Hosts
}

// Marginal gives the gain for each host, and how long the stores carry
// everything with nothing stopped: until the first host is left without. It
// counts no reserve and no grid.
func (w *Planner) Marginal(p *Problem, out []Gain) (allUp time.Duration, gains []Gain) {
	w.load(p, false)
	w.grid = 0
	clear(w.stuck)
	all := w.lastsWithout(w.stuck)
	out = resize(out, len(w.hosts))
	for i := range out {
		clear(w.stuck)
		w.switchOff(int32(i), w.stuck)
		g := &out[i]
		g.Also = g.Also[:0]
		for j, off := range w.stuck {
			if off && j != i {
				g.Also = append(g.Also, j)
			}
		}
		if g.Runtime = Forever; w.lastsWithout(w.stuck) < farthest {
			g.Runtime = time.Duration(w.failedAt() - all)
		}
	}
	if all == farthest {
		return Forever, out
	}
	return time.Duration(all), out
}

// switchOff marks a host and all that depends on it.
func (w *Planner) switchOff(i int32, off []bool) {
	off[i] = true
	for _, a := range w.after.of(i) {
		if !off[a] {
			w.switchOff(a, off)
		}
	}
}

// lastsWithout is how long the stores carry the draw of the moment without some
// hosts.
func (w *Planner) lastsWithout(off []bool) int64 {
	clear(w.draw)
	clear(w.end)
	for i := range w.hosts {
		if h := &w.hosts[i]; !off[i] {
			w.end[h.group] = farthest
			if w.draw[h.group] += h.up; h.Asked {
				w.draw[h.group] += h.stopping - h.up
			}
		}
	}
	w.begin(-1)
	if w.advance(0, 0, farthest) {
		return farthest
	}
	return w.failedAt()
}

// Without gives the problem with some hosts off, and all that depends on them.
// Of its host i, kept[i] is the place in the old one.
func Without(p *Problem, off ...int) (q *Problem, kept []int) {
	gone := make([]bool, len(p.Hosts))
	var sweep func(i int)
	sweep = func(i int) {
		if gone[i] {
			return
		}
		gone[i] = true
		for _, a := range p.Hosts[i].After {
			sweep(a)
		}
	}
	for _, i := range off {
		sweep(i)
	}
	place := make([]int, len(p.Hosts))
	for i := range p.Hosts {
		if place[i] = -1; !gone[i] {
			place[i] = len(kept)
			kept = append(kept, i)
		}
	}
	c := *p
	c.Hosts = make([]Host, len(kept))
	for k, i := range kept {
		h := p.Hosts[i]
		h.After = nil
		for _, a := range p.Hosts[i].After {
			if place[a] >= 0 {
				h.After = append(h.After, place[a])
			}
		}
		c.Hosts[k] = h
	}
	return &c, kept
}
