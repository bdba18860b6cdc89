package simulate

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"ebbline/policy"
)

// NewHost is a machine that the policy does not have yet.
type NewHost struct {
	Name      string
	Watts     int64
	FedBy     []int // indices of UPSs
	Priority  int64
	StopsIn   time.Duration
	KeepFor   time.Duration
	DependsOn []int // indices of hosts
}

// Adding gives the policy with one host more. Its allowance is what the policy
// language gives to a host that says nothing of it: twice the time it takes to
// stop, and half a minute over at least.
func Adding(p *policy.Policy, n *NewHost) (*policy.Policy, error) {
	at, taken := slices.BinarySearchFunc(p.Hosts, n.Name, func(h policy.Host, name string) int { return cmp.Compare(h.Name, name) })
	if taken || slices.ContainsFunc(p.Loads, func(l policy.Load) bool { return l.Name == n.Name }) {
		return nil, fmt.Errorf("the policy has a %q already", n.Name)
	}
	moved := func(k int) int {
		if k >= at {
			k++
		}
		return k
	}
	q := *p
	q.Hosts = slices.Clone(p.Hosts)
	h := policy.Host{
		Name: n.Name, Priority: n.Priority, FedBy: n.FedBy, Watts: n.Watts, StoppingWatts: n.Watts, KeepFor: n.KeepFor,
		StopsIn: n.StopsIn, StartsIn: n.StopsIn, DependsOn: n.DependsOn, RunsOn: -1,
	}
	h.Methods = []policy.Method{{Kind: policy.BySSH, GivesUp: max(2*n.StopsIn, n.StopsIn+30*time.Second), SSH: &policy.SSH{}}}
	q.Hosts = slices.Insert(q.Hosts, at, h)
	for k := range q.Hosts {
		h := &q.Hosts[k]
		h.DependsOn = slices.Clone(h.DependsOn)
		for i, on := range h.DependsOn {
			h.DependsOn[i] = moved(on)
		}
		if h.RunsOn >= 0 {
			h.RunsOn = moved(h.RunsOn)
		}
	}
	return &q, q.Check()
}

// Older gives the policy with one UPS's battery so many days older.
func Older(p *policy.Policy, ups int, days int64) (*policy.Policy, error) {
	q := *p
	q.UPSs = slices.Clone(p.UPSs)
	b := &q.UPSs[ups].Battery
	since, word := &b.InstalledDay, "installed"
	if b.Model != nil {
		m := *b.Model
		b.Model, since, word = &m, &m.FittedDay, "fitted"
	}
	if *since == 0 {
		return nil, fmt.Errorf("the policy does not say how old what it knows of UPS %q's battery is. Write %s = \"2025-03-01\" there", q.UPSs[ups].Name, word)
	}
	*since -= days
	return &q, nil
}

// Scaled gives the scene with one UPS at another scale: half the battery where
// one of two strings is dead.
func (c *Scene) Scaled(by Scale) *Scene {
	d := *c
	d.Scales = append(slices.Clone(c.Scales), by)
	return &d
}

// RatedWatts is a UPS's rating in the scene.
func (c *Scene) RatedWatts(ups int) int64 {
	watts := float64(c.Policy.UPSs[ups].RatedWatts)
	for _, s := range c.Scales {
		if s.UPS == ups {
			watts = float64(watts * s.Size)
		}
	}
	return int64(watts)
}

// Moved is a host whose planned stop is another one. A stay is not planned where
// the host is off, or not there.
type Moved struct {
	Name         string
	Before, Then Stay
}

// Moves lists the hosts whose planned stop moved notably, the earliest first.
// Hosts are the same if they have the same name.
func Moves(before, then *Answer) []Moved {
	var list []Moved
	note := func(name string) {
		m := Moved{name, before.stay(name), then.stay(name)}
		by := m.Then.Up - m.Before.Up
		if m.Before.Planned != m.Then.Planned || by >= Notable || by <= -Notable {
			list = append(list, m)
		}
	}
	for k := range then.Scene.Policy.Hosts {
		note(then.Scene.Policy.Hosts[k].Name)
	}
	for k := range before.Scene.Policy.Hosts {
		if name := before.Scene.Policy.Hosts[k].Name; then.find(name) < 0 {
			note(name)
		}
	}
	slices.SortStableFunc(list, func(a, b Moved) int { return cmp.Compare(a.Then.Up, b.Then.Up) })
	return list
}

func (a *Answer) find(name string) int {
	return slices.IndexFunc(a.Scene.Policy.Hosts, func(h policy.Host) bool { return h.Name == name })
}

func (a *Answer) stay(name string) Stay {
	if k := a.find(name); k >= 0 {
		return a.Stays[k]
	}
	return Stay{}
}

// Broken lists the hosts, of the later answer's policy, whose promised time was
// kept before and is not then; first the one that goes first.
func Broken(before, then *Answer) []int {
	var list []int
	for k := range then.Stays {
		h := &then.Scene.Policy.Hosts[k]
		if was := before.find(h.Name); was >= 0 && before.Stays[was].Kept && then.Stays[k].Planned && !then.Stays[k].Kept {
			list = append(list, k)
		}
	}
	slices.SortStableFunc(list, func(a, b int) int { return cmp.Compare(then.Stays[a].Up, then.Stays[b].Up) })
	return list
}
