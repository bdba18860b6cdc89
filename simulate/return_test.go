package simulate

import (
	"os"
	"slices"
	"strings"
	"testing"

	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/simulate/world"
)

// returns are outages, made as small as they can be, after which hosts once stayed
// off, were started before what they depend on, or were started though somebody
// had turned them off.
var returns = []struct {
	name, policy, outage string
}{
	{
		"the agent's host is cut before the loss was seen, and boots with input", "loft",
		"ups stack charged 10%\nat 0s input lost\nat 10m input back",
	},
	{
		"the agent's host is cut before the loss was seen, and boots into the next", "loft",
		"ups stack charged 10%\nat 0s input lost\nat 500ms input back\nat 2m input lost\nat 40m input back",
	},
	{
		"the UPS is silent when the agent's host boots", "loft",
		"ups stack charged 10%\nat 0s input lost\nat 190ms input back\nat 1s ups stack silent 4m",
	},
	{
		"a UPS gives out at once, the agent's host is on another", "barn",
		"ups shelf holds 20%\nups shelf charged 40%\nat 0s input lost\nat 10s input back",
	},
	{
		"a UPS's output fails for a moment while the agent is dead", "barn",
		"at 0s input lost\nat 1s agent killed 10s\nat 2s ups rack output off\nat 3s input back",
	},
	{
		"a host is seen silent before the silence of its UPS is known as one", "barn",
		"at 3.42s ups rack silent 8m54s\nat 3.56s ups rack output off\nat 6.43s input lost\nat 6.59s input back",
	},
	{
		"hosts go down while the agent is dead, the input back", "mill",
		"at 0s input lost\nat 1m input back\nat 1m10s agent killed 2m",
	},
	{
		"a host takes the order late, and goes down after its allowance", "first",
		"host board starts 3m30s\nhost desk starts 3m40s\nat 0s input lost\nat 3h input back\nat 3h10m input lost\nat 3h12m40s input back",
	},
	{
		"a host that was off runs on one that the agent stopped", "loft",
		"host mail off\nhost anvil takes 3m\nat 0s input lost\nat 8h input back",
	},
}

// Aim: after these every host that was up is up, in order, and no other (P8).
// Method: the loft with a battery that is too small, and others of the corpus; the
// checkers, and who is up at the end.
func TestReturns(t *testing.T) {
	for _, c := range returns {
		text, err := os.ReadFile("../testdata/policies/" + c.policy + ".hcl")
		if err != nil {
			t.Fatal(err)
		}
		small := strings.Replace(string(text), "value = 24", "value = 2.6", 1)
		p, _, diags := load.Load([]load.File{{Name: c.policy, Bytes: []byte(small)}}, load.Options{})
		if p == nil {
			t.Fatal(diags)
		}
		r := newRunner(t, p)
		check, err := NewChecker(r, day)
		if err != nil {
			t.Fatal(err)
		}
		truth := parse(t, p, c.outage).Truth(1)
		check.Begin(truth)
		var run Run
		r.Run(truth, &run)
		check.End(&run)
		for _, v := range check.Violations {
			t.Errorf("%s: %s broken at %s: %s", c.name, v.Promise, v.At, v.Text)
		}
		if !slices.ContainsFunc(r.world.Hosts, func(h world.Host) bool { return h.WasOff }) {
			t.Errorf("%s: nobody went off", c.name)
		}
		for k := range run.Hosts {
			if was := !strings.Contains(c.outage, "host "+p.Hosts[k].Name+" off"); run.Hosts[k].Up != was && r.starts(p, k) {
				t.Errorf("%s: %s is up: %v; it was: %v", c.name, p.Hosts[k].Name, run.Hosts[k].Up, was)
			}
		}
	}
}

// starts tells whether a host can be brought back at all.
func (r *Runner) starts(p *policy.Policy, k int) bool {
	return len(p.Hosts[k].Starts) > 0 || p.Hosts[k].Self
}
