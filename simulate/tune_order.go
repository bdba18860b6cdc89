package simulate

import (
	"cmp"
	"slices"
	"time"

	"ebbline/policy"
)

// Step is one change of a policy that may make a better order.
type Step struct {
	Kind StepKind
	Host int
	With int           // [Exchange]: the other host
	Keep time.Duration // [Promising]: the time
}

// StepKind says what a step changes.
type StepKind uint8

const (
	Exchange  StepKind = iota + 1 // two hosts exchange their priorities
	Dropping                      // a promised time goes
	Promising                     // a host is promised a time
)

// Order is a better order than the policy's, and what it brings.
type Order struct {
	Steps []Step
	Then  *Answer // to the policy with the steps taken
	// Kept and KeptThen count the promised times of the policy that are kept: a
	// promise that a step drops counts while the host is up for so long.
	Kept, KeptThen int
	// Gained and Forgone are the hosts' times up that the order adds and takes,
	// summed over the hosts.
	Gained, Forgone time.Duration
	// Cut tells that the search was ended before it had tried all it would.
	Cut bool
}

// What makes an order better is a judgement: it keeps more promises, or it keeps
// the same ones and for each minute that some hosts lose others gain several.
// The value that the policy gives to its hosts cannot decide it: by that the
// plan is the best already.
const (
	worthwhile  = 3               // minutes gained for a minute lost
	leastGained = 2 * time.Minute // over all hosts
	mostSteps   = 8
	mostEffort  = 20_000 // hosts planned, over the whole search: some ten seconds
)

// Better looks for a better order: one step after the other, the best each time.
// It has no steps when none is found. Now is the answer to the scene. It ends early
// when it is told that time is over.
func (c *Scene) Better(now *Answer, over func() bool) *Order {
	s := ordering{first: now, best: weigh(now, now)}
	tried, cut := 0, false
	for len(s.best.Steps) < mostSteps && !cut {
		base := s.best
		for _, step := range steps(base.Then) {
			if cut = tried*len(c.Policy.Hosts) > mostEffort || over(); cut {
				break
			}
			tried++
			s.try(base, step)
		}
		if s.best == base {
			break
		}
	}
	s.best.Cut = cut
	return s.best
}

type ordering struct {
	first *Answer
	best  *Order
}

// try takes a step from an order and keeps what comes of it if it is better than
// what there was at first, clearly better than where it came from, and better
// than the best so far.
func (s *ordering) try(from *Order, step Step) {
	c := from.Then.Scene
	o := weigh(s.first, c.with(taking(c.Policy, step)).Answer())
	o.Steps = append(slices.Clone(from.Steps), step)
	if o.betters(s.first) && o.beats(from, leastGained) && o.beats(s.best, 0) {
		s.best = o
	}
}

// weigh compares two answers by the promises of the first.
func weigh(before, then *Answer) *Order {
	o := &Order{Then: then}
	for k := range before.Stays {
		a, b, h := &before.Stays[k], &then.Stays[k], &before.Scene.Policy.Hosts[k]
		if !a.Planned || h.Self {
			continue
		}
		if h.KeepFor > 0 && a.Kept {
			o.Kept++
		}
		if h.KeepFor > 0 && b.Up >= h.KeepFor {
			o.KeptThen++
		}
		o.Gained += max(0, b.Up-a.Up)
		o.Forgone += max(0, a.Up-b.Up)
	}
	return o
}

// betters tells whether the order is better than the one it is weighed against.
func (o *Order) betters(before *Answer) bool {
	switch {
	case before.Fits && !o.Then.Fits || o.KeptThen < o.Kept:
		return false
	case o.KeptThen > o.Kept:
		return true
	}
	for k := range before.Stays {
		if before.Stays[k].Kept && o.Then.Stays[k].Up < before.Scene.Policy.Hosts[k].KeepFor {
			return false
		}
	}
	return o.Gained-o.Forgone >= leastGained && o.Gained >= worthwhile*o.Forgone
}

// beats tells whether an order is better than another that was weighed against
// the same: it keeps more promises, or as many and gains more, by so much.
func (o *Order) beats(other *Order, by time.Duration) bool {
	if o.KeptThen != other.KeptThen {
		return o.KeptThen > other.KeptThen
	}
	return o.Gained-o.Forgone > other.Gained-other.Forgone+by
}

// steps lists the steps from an answer that may be worth a look, the most
// promising first: a search that is cut has tried those.
func steps(a *Answer) []Step {
	var list []Step
	p := a.Scene.Policy
	longest := time.Duration(0)
	var hosts []int
	for k := range p.Hosts {
		if a.Stays[k].Planned && !p.Hosts[k].Self {
			hosts = append(hosts, k)
			longest = max(longest, a.Stays[k].Up)
		}
	}
	for _, k := range hosts {
		if p.Hosts[k].KeepFor > 0 {
			list = append(list, Step{Kind: Dropping, Host: k})
		}
	}
	drops := len(list)
	for _, high := range hosts {
		for _, low := range hosts {
			h, l := &p.Hosts[high], &p.Hosts[low]
			// The lower one must gain by it: it is the lighter, or its promise is broken.
			if h.Priority > l.Priority && (h.Watts > l.Watts || !a.Stays[low].Kept) {
				list = append(list, Step{Kind: Exchange, Host: high, With: low})
			}
		}
	}
	// What an exchange can bring grows with the draw that goes earlier by it.
	less := func(s Step) int64 { return p.Hosts[s.With].Watts - p.Hosts[s.Host].Watts }
	slices.SortStableFunc(list[drops:], func(a, b Step) int { return cmp.Compare(less(a), less(b)) })
	for _, k := range hosts {
		if p.Hosts[k].KeepFor > 0 {
			continue
		}
		for _, keep := range [...]time.Duration{longest.Truncate(time.Minute), (longest / 2).Truncate(time.Minute)} {
			if keep > a.Stays[k].Up {
				list = append(list, Step{Kind: Promising, Host: k, Keep: keep})
			}
		}
	}
	return list
}

// taking gives the policy with a step taken.
func taking(p *policy.Policy, s Step) *policy.Policy {
	if s.Kind != Exchange {
		return keeping(p, s.Host, s.Keep)
	}
	q := *p
	q.Hosts = slices.Clone(p.Hosts)
	a, b := &q.Hosts[s.Host], &q.Hosts[s.With]
	a.Priority, b.Priority = b.Priority, a.Priority
	return &q
}
