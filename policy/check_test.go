package policy_test

import (
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ebbline/policy"
	"ebbline/policy/load"
)

// barn gives the corpus's standard policy, anew each time.
func barn(t *testing.T) *policy.Policy {
	t.Helper()
	text, err := os.ReadFile("../testdata/policies/barn.hcl")
	if err != nil {
		t.Fatal(err)
	}
	p, _, diags := load.Load([]load.File{{Name: "barn.hcl", Bytes: text}}, load.Options{})
	if p == nil {
		t.Fatal(diags)
	}
	return p
}

func host(t *testing.T, p *policy.Policy, name string) *policy.Host {
	t.Helper()
	for i := range p.Hosts {
		if p.Hosts[i].Name == name {
			return &p.Hosts[i]
		}
	}
	t.Fatalf("no host %q", name)
	return nil
}

// Aim: each invariant is really looked at. Method: one thing is broken at a
// time in a policy that passes, and the error must speak of it.
func TestCheck(t *testing.T) {
	if err := barn(t).Check(); err != nil {
		t.Fatalf("the whole policy: %v", err)
	}
	index := func(p *policy.Policy, name string) int {
		return slices.IndexFunc(p.Hosts, func(h policy.Host) bool { return h.Name == name })
	}
	for want, spoil := range map[string]func(p *policy.Policy){
		"site: has no name":         func(p *policy.Policy) { p.Site.Name = "" },
		"ride-through is 0s":        func(p *policy.Policy) { p.Site.RideThrough = 0 },
		"reserve is -1s":            func(p *policy.Policy) { p.Site.Reserve = -time.Second },
		"confidence is 1000":        func(p *policy.Policy) { p.Site.ConfidencePermille = 1000 },
		"-1 stops at once":          func(p *policy.Policy) { p.Site.AtOnce = -1 },
		"restore is 5m0s stable":    func(p *policy.Policy) { p.Site.Restore.Stagger = 0 },
		"traps have no address":     func(p *policy.Policy) { p.Site.Traps.Listen = "" },
		`"rack": not sorted`:        func(p *policy.Policy) { p.UPSs[1].Name = "rack" },
		`"bench": not sorted`:       func(p *policy.Policy) { p.Hosts[0], p.Hosts[1] = p.Hosts[1], p.Hosts[0] },
		"a name is empty":           func(p *policy.Policy) { p.Loads[0].Name = "" },
		`"wiki": both a host and`:   func(p *policy.Policy) { p.Loads[1].Name = "wiki" },
		"class 4":                   func(p *policy.Policy) { p.UPSs[0].Class = 4 },
		"rated for 0 watts":         func(p *policy.Policy) { p.UPSs[0].RatedWatts = 0 },
		"fewer VA than watts":       func(p *policy.Policy) { p.UPSs[0].RatedVA = 1 },
		"overhead is -1":            func(p *policy.Policy) { p.UPSs[0].OverheadWatts = -1 },
		"efficiency is 0":           func(p *policy.Policy) { p.UPSs[0].EfficiencyPermille = 0 },
		"read in two ways":          func(p *policy.Policy) { p.UPSs[0].HID = &policy.HID{} },
		"output delays":             func(p *policy.Policy) { p.UPSs[0].Output.OffAfter = 0 },
		"ends at 10.5 V per cell":   func(p *policy.Policy) { p.UPSs[0].Battery.EndVolts = 10.5 },
		"chemistry 0":               func(p *policy.Policy) { p.UPSs[0].Battery.Chemistry = 0 },
		"how much the battery":      func(p *policy.Policy) { b := &p.UPSs[1].Battery; b.AmpHours, b.Chart = 0, nil },
		"a chart and a model":       func(p *policy.Policy) { p.UPSs[0].Battery.Model = &policy.Model{StoreWattHours: 1} },
		"chart point 0":             func(p *policy.Policy) { p.UPSs[0].Battery.Chart[0].Watts = 0 },
		"does not fall at point 1":  func(p *policy.Policy) { p.UPSs[0].Battery.Chart[1].Runtime = time.Hour },
		"battery model is negative": func(p *policy.Policy) { p.UPSs[1].Battery.Model = &policy.Model{} },
		"no relaxation":             func(p *policy.Policy) { p.UPSs[1].Battery.Model = &policy.Model{StoreWattHours: 1, Diffusion: 1} },
		"SNMP version 0":            func(p *policy.Policy) { p.UPSs[0].SNMP.Version = 0 },
		"with a timeout of 1m0s":    func(p *policy.Policy) { p.UPSs[0].SNMP.Timeout = time.Minute },
		`load "radio": has 0 watts`: func(p *policy.Policy) { p.Loads[1].Watts = 0 },
		`load "radio": no UPS`:      func(p *policy.Policy) { p.Loads[1].FedBy = nil },
		"FedBy has index 2 of 2":    func(p *policy.Policy) { p.Loads[1].FedBy = []int{2} },
		"FedBy not sorted":          func(p *policy.Policy) { host(t, p, "vault").FedBy = []int{1, 0} },
		"DependsOn has index -1":    func(p *policy.Policy) { host(t, p, "wiki").DependsOn[0] = -1 },
		"NeedsLoads has index 9":    func(p *policy.Policy) { host(t, p, "vault").NeedsLoads[0] = 9 },
		`host "bench": no UPS`:      func(p *policy.Policy) { host(t, p, "bench").FedBy = nil },
		"runs on index 6":           func(p *policy.Policy) { host(t, p, "bench").RunsOn = 6 },
		"does not depend on":        func(p *policy.Policy) { host(t, p, "mail").DependsOn = nil },
		"draws -1 watts":            func(p *policy.Policy) { host(t, p, "bench").Watts = -1 },
		"kept for -1s":              func(p *policy.Policy) { host(t, p, "bench").KeepFor = -time.Second },
		"priority 0":                func(p *policy.Policy) { host(t, p, "bench").Priority = 0 },
		"stops in 0s":               func(p *policy.Policy) { host(t, p, "bench").StopsIn = 0 },
		"no way to stop it":         func(p *policy.Policy) { host(t, p, "bench").Methods = nil },
		"method 0 is not one":       func(p *policy.Policy) { host(t, p, "bench").Methods[0].SSH = nil },
		"gives up after 0s":         func(p *policy.Policy) { host(t, p, "bench").Methods[0].GivesUp = 0 },
		"only the own host":         func(p *policy.Policy) { host(t, p, "gate").Self = false },
		"start 0 is not one":        func(p *policy.Policy) { host(t, p, "bench").Starts[0].Ethernet = "" },
		"start 0 is for a guest":    func(p *policy.Policy) { host(t, p, "bench").Starts = host(t, p, "mail").Starts },
		"prepares 0s ahead":         func(p *policy.Policy) { host(t, p, "bench").Prepare.Ahead = 0 },
		"prepares over SSH":         func(p *policy.Policy) { host(t, p, "gate").Prepare = &policy.Prepare{Ahead: 1, GivesUp: 1} },
		"a second own host": func(p *policy.Policy) {
			h := host(t, p, "bench")
			h.Self, h.Methods = true, host(t, p, "gate").Methods
			h.Prepare = nil
		},
		"the own host goes last, yet":  func(p *policy.Policy) { host(t, p, "gate").DependsOn = []int{index(p, "vault")} },
		"stays up, yet depends on":     func(p *policy.Policy) { host(t, p, "press").StaysUp = true },
		"a guest with other feeds":     func(p *policy.Policy) { host(t, p, "mail").FedBy = []int{1} },
		`"press": its dependencies go`: func(p *policy.Policy) { host(t, p, "vault").DependsOn = []int{index(p, "press")} },
		`"bench": its dependencies go`: func(p *policy.Policy) { host(t, p, "bench").DependsOn = []int{index(p, "bench")} },
	} {
		p := barn(t)
		spoil(p)
		if err := p.Check(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q, got %v", want, err)
		}
	}
}

// Aim: the shutdown order holds for any policy: a permutation of those that are
// stopped, dependents first, own host last, lower priority first among those
// that may go, whatever order the policy's lists had. Method: random acyclic
// policies.
func TestOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := randomHosts(t)
		order := p.Order()
		place := make([]int, len(p.Hosts))
		for i := range place {
			place[i] = -1
		}
		for at, i := range order {
			if place[i] >= 0 {
				t.Fatalf("%s is twice in the order", p.Hosts[i].Name)
			}
			place[i] = at
		}
		for i := range p.Hosts {
			h := &p.Hosts[i]
			if h.StaysUp != (place[i] < 0) {
				t.Fatalf("%s stays up: %v, its place is %d", h.Name, h.StaysUp, place[i])
			}
			if h.Self && place[i] != len(order)-1 {
				t.Fatalf("own host %s is at %d of %d", h.Name, place[i], len(order))
			}
			for _, on := range h.DependsOn {
				if place[on] >= 0 && place[i] > place[on] {
					t.Fatalf("%s goes after %s, which it needs", h.Name, p.Hosts[on].Name)
				}
			}
		}
		// At each step no host that could have gone had a better claim.
		for at, i := range order {
			for _, j := range order[at+1:] {
				a, b := &p.Hosts[i], &p.Hosts[j]
				claim := b.Priority < a.Priority || b.Priority == a.Priority && b.Name < a.Name
				if !a.Self && !b.Self && claim && !anyDependent(p, j, order[at:]) {
					t.Fatalf("%s goes before %s", a.Name, b.Name)
				}
			}
		}
	})
}

// anyDependent says whether one of the hosts given needs host j.
func anyDependent(p *policy.Policy, j int, among []int) bool {
	return slices.ContainsFunc(among, func(i int) bool { return slices.Contains(p.Hosts[i].DependsOn, j) })
}

// randomHosts draws hosts whose dependencies lead to later ones of a shuffled
// list, so that there is no circle; those that stay up come last in it, and the
// own host needs only these.
func randomHosts(t *rapid.T) *policy.Policy {
	n := rapid.IntRange(1, 12).Draw(t, "hosts")
	p := &policy.Policy{Hosts: make([]policy.Host, n)}
	rank := rapid.Permutation(seq(n)).Draw(t, "rank")
	firstUp := rapid.IntRange(n/2, n).Draw(t, "first that stays up")
	self := rapid.IntRange(-1, firstUp-1).Draw(t, "own host")
	for r, i := range rank {
		h := &p.Hosts[i]
		h.Name = string(rune('a' + i))
		h.RunsOn = -1
		h.Priority = rapid.Int64Range(1, 3).Draw(t, "priority")
		h.StaysUp = r >= firstUp
		h.Self = r == self
		for later := r + 1; later < n; later++ {
			if rapid.IntRange(0, 3).Draw(t, "needs") == 0 && (!h.Self || later >= firstUp) {
				h.DependsOn = append(h.DependsOn, rank[later])
			}
		}
		slices.Sort(h.DependsOn)
	}
	return p
}

func seq(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}
