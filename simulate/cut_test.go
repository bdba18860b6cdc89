package simulate

import (
	"testing"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/simulate/world"
)

// cutWatch holds what is said of hosts that lost their power against what is so.
type cutWatch struct {
	t     *testing.T
	r     *Runner
	p     *policy.Policy
	what  string
	due   []bool // it lost its power, was not asked before, and is seen to be off
	said  []bool
	right int
}

func (w *cutWatch) Event(_ shutdown.Instant, e *shutdown.Event) {
	if e.Kind != shutdown.Observed || e.Sighting != shutdown.SeenSilent && e.Sighting != shutdown.SeenOff {
		return
	}
	h := &w.r.world.Hosts[e.Host]
	p := &w.p.Hosts[e.Host]
	carried := false
	for _, f := range p.FedBy {
		carried = carried || !w.r.world.UPSs[f].Dead
	}
	if s := &w.r.State().Hosts[e.Host]; !h.On && h.LastCut && carried && !p.Self && !s.Stopping() && s.Asked == 0 {
		w.due[e.Host] = true
	}
}

func (w *cutWatch) Effect(at shutdown.Instant, f *shutdown.Effect) {
	n := &f.Notice
	switch {
	case f.Kind != shutdown.Notify || n.Clear:
		return
	case n.Code == shutdown.HostGivenUp: // cut in a moment that no evidence shows, and asked later
		w.said[n.Host] = true
		return
	case n.Code != shutdown.HostCut:
		return
	}
	w.said[n.Host] = true
	if h := &w.r.world.Hosts[n.Host]; n.A == shutdown.CutNow || n.A == shutdown.CutOff {
		if w.right++; h.On || !h.LastCut {
			w.t.Errorf("%s, at %s: %s", w.what, at.Sub(Epoch(day)), n.Text(w.p))
		}
	}
}

// randomOutages draws so many in the room of each of the policies, and hands each over.
func randomOutages(t *testing.T, policies []string, most uint64, each func(name string, seed uint64, r *Runner, dice *Dice, o *Outage)) {
	t.Helper()
	for _, name := range policies {
		p := readPolicy(t, name+".hcl")
		r := newRunner(t, p)
		dice, err := NewDice(p, day)
		if err != nil {
			t.Fatal(err)
		}
		var o Outage
		for seed := uint64(1); seed <= most; seed++ {
			dice.Draw(seed, &o)
			each(name, seed, r, dice, &o)
		}
	}
}

// Aim: a host that lost its power, and does not come up by itself, is told of; and what is
// told so for certain is so. Method: random outages; where a host is seen to be off while
// a UPS carries it, that was cut and never asked to stop, it was said by the end.
func TestLostPowerIsTold(t *testing.T) {
	due, right := 0, 0
	randomOutages(t, []string{"rig", "barn", "first", "loft", "attic"}, 300, func(name string, seed uint64, r *Runner, _ *Dice, o *Outage) {
		p := r.Policy
		w := &cutWatch{t: t, r: r, p: p, what: name, due: make([]bool, len(p.Hosts)), said: make([]bool, len(p.Hosts))}
		r.Log = w
		truth := o.Truth(seed)
		var run Run
		r.Run(truth, &run)
		right += w.right
		for k := range p.Hosts {
			if !w.due[k] || !run.Over || truth.Hosts[k].Mode == world.Unreachable { // that one looked off before
				continue
			}
			if due++; !w.said[k] {
				t.Errorf("%s, outage %d: %s lost its power, and no person was told\n%s", name, seed, p.Hosts[k].Name, o.Text(p))
			}
		}
		if t.Failed() {
			t.FailNow()
		}
	})
	if due < 20 || right < 5 {
		t.Errorf("only %d hosts lost their power so, and of %d it was said for certain", due, right)
	}
	t.Logf("%d hosts lost their power so; of %d it was said for certain", due, right)
}
