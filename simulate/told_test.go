package simulate

import (
	"slices"
	"strings"
	"testing"

	"ebbline/policy"
	"ebbline/shutdown"
)

// newsWatch holds what is told of outputs, of early steps and of hosts that lost their power
// against what is done, and how things are in the room.
type newsWatch struct {
	t     *testing.T
	r     *Runner
	p     *policy.Policy
	what  string
	off   []string // by UPS: what was told of its output in this step; "" for nothing
	early []bool   // by host: it was told of its early step in this step
	over  []bool   // by host: that it lost its power was told to be over in this step, and not told anew
	seen  []bool   // since that was told it was seen up, or a person gave a word for it

	outputs, under, steps, cuts int
}

func (w *newsWatch) Event(at shutdown.Instant, e *shutdown.Event) {
	for k := range w.over {
		if w.over[k] && !w.seen[k] && !w.p.Hosts[k].Self { // that one runs, since the agent does
			w.t.Errorf("%s, at %s: that %s lost its power is over, and it was not seen up", w.what, at.Sub(Epoch(day)), w.p.Hosts[k].Name)
		}
	}
	clear(w.off)
	clear(w.early)
	clear(w.over)
	switch e.Kind {
	case shutdown.Observed:
		w.seen[e.Host] = w.seen[e.Host] || e.Sighting == shutdown.SeenUp
	case shutdown.Finished:
		if id := e.Action; id.Host >= 0 && id.Verb != shutdown.VerbStart && (e.Outcome == shutdown.Accepted || e.Outcome == shutdown.Unknown) {
			w.seen[id.Host] = true // it may have answered an order
		}
	case shutdown.Commanded:
		if e.Order.OfHost() && e.Host >= 0 {
			w.seen[e.Host] = true
		}
	}
}

func (w *newsWatch) Effect(at shutdown.Instant, f *shutdown.Effect) {
	switch n := &f.Notice; {
	case f.Kind == shutdown.Begin:
		w.begun(at, f.Action.ID)
	case f.Kind != shutdown.Notify:
	case n.Code == shutdown.OutputGoes || n.Code == shutdown.OutputStays:
		w.off[n.UPS] = n.Code.String() + n.Name
	case n.Code == shutdown.EarlyStep:
		w.early[n.Host] = true
	case n.Code == shutdown.HostCut && !n.Clear:
		w.cuts++
		w.over[n.Host], w.seen[n.Host] = false, false
	case n.Code == shutdown.HostCut:
		w.over[n.Host] = true
	}
}

// begun checks that an order to an output, and an early step, were told of in the same step;
// and that of an output that goes off each host that runs on it, and on nothing else, was named.
func (w *newsWatch) begun(at shutdown.Instant, id shutdown.ActionID) {
	switch id.Verb {
	case shutdown.VerbPrepare:
		if w.steps++; !w.early[id.Host] {
			w.t.Errorf("%s, at %s: no person is told of the early step of %s", w.what, at.Sub(Epoch(day)), w.p.Hosts[id.Host].Name)
		}
	case shutdown.VerbSwitchOn:
		if w.off[id.UPS] != shutdown.OutputStays.String() {
			w.t.Errorf("%s, at %s: %q is told of an output that is to stay on", w.what, at.Sub(Epoch(day)), w.off[id.UPS])
		}
	case shutdown.VerbSwitchOff:
		w.outputs++
		names, is := strings.CutPrefix(w.off[id.UPS], shutdown.OutputGoes.String())
		if !is {
			w.t.Errorf("%s, at %s: %q is told of an output that is to go off", w.what, at.Sub(Epoch(day)), w.off[id.UPS])
		}
		for k := range w.p.Hosts {
			h := &w.p.Hosts[k]
			if !w.r.world.Hosts[k].On || h.Self || !slices.Equal(h.FedBy, []int{int(id.UPS)}) || w.r.world.Sight(int32(k)) != shutdown.SeenUp {
				continue
			}
			if w.under++; !strings.Contains(names, h.Name) && !strings.Contains(names, " others") {
				w.t.Errorf("%s, at %s: the output goes off under %s, and of them is told: %q", w.what, at.Sub(Epoch(day)), h.Name, names)
			}
		}
	}
}

// Aim: no output goes off or stays on, and no early step begins, without a word to a person,
// and the word names who runs on that output still; and that a host lost its power holds until
// it is seen up. Method: random outages; what runs is what the modelled room has.
func TestPowerIsTold(t *testing.T) {
	outputs, under, steps, cuts := 0, 0, 0, 0
	randomOutages(t, []string{"rig", "barn", "first", "loft"}, 150, func(name string, seed uint64, r *Runner, dice *Dice, o *Outage) {
		if seed%2 == 1 {
			dice.Operate(seed, o)
		}
		p := r.Policy
		n := len(p.Hosts)
		w := &newsWatch{t: t, r: r, p: p, what: name, off: make([]string, len(p.UPSs)), early: make([]bool, n), over: make([]bool, n), seen: make([]bool, n)}
		r.Log = w
		var run Run
		r.Run(o.Truth(seed), &run)
		outputs, under, steps, cuts = outputs+w.outputs, under+w.under, steps+w.steps, cuts+w.cuts
		if t.Failed() {
			t.Fatalf("%s, outage %d\n%s", name, seed, o.Text(p))
		}
	})
	if outputs < 20 || under < 1 || steps < 5 || cuts < 5 {
		t.Errorf("%d outputs were told to go off, under %d hosts; %d early steps; %d losses of power", outputs, under, steps, cuts)
	}
	t.Logf("%d outputs were told to go off, under %d hosts; %d early steps; %d losses of power", outputs, under, steps, cuts)
}
