package simulate

import (
	"cmp"
	"slices"
	"time"

	"ebbline/policy"
)

// Spared is a host whose hanging need not be replayed, and the host whose hanging stands
// for it.
type Spared struct{ Host, For int }

// Hangable are the hosts that an outage of [Fears] lets hang, by the policy's order.
func Hangable(p *policy.Policy) []int {
	var list []int
	for k := range p.Hosts {
		if !p.Hosts[k].StaysUp && !p.Hosts[k].Self {
			list = append(list, k)
		}
	}
	return list
}

// Alike finds hosts whose hanging another's stands for: both are fed by the same UPSs and
// reached through the same loads, and no host depends on either; and the other draws as
// much or more, up and stopping, has as long an allowance or a longer one, and holds up
// for as long all that must wait for it. What a hung host takes from the batteries and
// from the others' time is then no more than the other takes. That is a reason, and no
// proof: the two may be asked at different times.
func Alike(p *policy.Policy) []Spared {
	needed, held := make([]bool, len(p.Hosts)), make([]time.Duration, len(p.Hosts))
	for k := range p.Hosts {
		for _, d := range p.Hosts[k].DependsOn {
			needed[d] = true
		}
		held[k] = -1
	}
	list := slices.DeleteFunc(Hangable(p), func(k int) bool { return needed[k] })
	for _, k := range list {
		holdsUp(p, held, k)
	}
	slices.SortStableFunc(list, func(i, j int) int {
		a, b := &p.Hosts[i], &p.Hosts[j]
		return cmp.Or(cmp.Compare(b.GivesUp(), a.GivesUp()), cmp.Compare(held[j], held[i]),
			cmp.Compare(b.Watts, a.Watts), cmp.Compare(b.StoppingWatts, a.StoppingWatts))
	})
	var kept []int
	var spared []Spared
	for _, k := range list {
		h := &p.Hosts[k]
		at := slices.IndexFunc(kept, func(j int) bool {
			o := &p.Hosts[j]
			return o.GivesUp() >= h.GivesUp() && held[j] >= held[k] && o.Watts >= h.Watts && o.StoppingWatts >= h.StoppingWatts &&
				slices.Equal(o.FedBy, h.FedBy) && slices.Equal(o.NeedsLoads, h.NeedsLoads)
		})
		if at < 0 {
			kept = append(kept, k)
		} else {
			spared = append(spared, Spared{k, kept[at]})
		}
	}
	slices.SortFunc(spared, func(a, b Spared) int { return cmp.Compare(a.Host, b.Host) })
	return spared
}

// holdsUp is how long all that waits for a host may take, one after the other.
func holdsUp(p *policy.Policy, held []time.Duration, k int) time.Duration {
	if held[k] < 0 {
		held[k] = 0
		for _, d := range p.Hosts[k].DependsOn {
			held[k] = max(held[k], p.Hosts[d].GivesUp()+holdsUp(p, held, d))
		}
	}
	return held[k]
}
