package simulate

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
	"ebbline/simulate/world"
)

// observing gives a policy with hosts that are only watched, and the guests of them that
// run on others taken in with their hosts; with none named the whole site.
func observing(p *policy.Policy, only func(k int) bool) *policy.Policy {
	q := *p
	q.Hosts = slices.Clone(p.Hosts)
	q.Site.Observe = only == nil
	for k := range q.Hosts {
		q.Hosts[k].Observe = !q.Hosts[k].StaysUp && (only == nil || only(k))
	}
	for range q.Hosts { // a guest goes with its host
		for k := range q.Hosts {
			if on := q.Hosts[k].RunsOn; on >= 0 && q.Hosts[k].Observe && !q.Hosts[on].StaysUp {
				q.Hosts[on].Observe = true
			}
		}
	}
	return &q
}

// touched notes orders to what is only watched.
type touched struct {
	t        *testing.T
	p        *policy.Policy
	what     string
	supposed int // times that a host would have been asked
	begun    int // orders to others
}

func (w *touched) Event(shutdown.Instant, *shutdown.Event) {}

func (w *touched) Effect(_ shutdown.Instant, f *shutdown.Effect) {
	switch f.Kind {
	case shutdown.Notify:
		if n := &f.Notice; n.Code == shutdown.HostAsked && w.p.Hosts[n.Host].Observe {
			w.supposed++
		}
	case shutdown.Connect:
		if w.p.Hosts[f.Host].Observe {
			w.t.Errorf("%s: a connection is opened to %s", w.what, w.p.Hosts[f.Host].Name)
		}
	case shutdown.Begin:
		w.begun++
		if id := f.Action.ID; id.Host >= 0 && w.p.Hosts[id.Host].Observe || id.Host < 0 && w.p.Watched(int(id.UPS)) {
			w.t.Errorf("%s: %s is begun", w.what, id.Name(w.p))
		}
	}
}

// Aim: no order is given to what is only watched, whatever happens: faults, operators,
// crashes of the agent, boots of its host. Method: random outages with all their faults,
// of whole sites and of rooms in which some hosts are only watched.
func TestObserveGivesNoOrder(t *testing.T) {
	for _, name := range []string{"barn", "first", "loft", "mill", "rig"} {
		all := readPolicy(t, name+".hcl")
		if err := observing(all, nil).Check(); err != nil {
			t.Fatal(err)
		}
		some, every := 0, 0
		for seed := range uint64(120) {
			p := observing(all, nil)
			if seed%2 == 1 {
				p = observing(all, func(k int) bool { return (seed>>1)>>(k%6)&1 == 1 })
			}
			dice, err := NewDice(p, day)
			if err != nil {
				t.Fatal(err)
			}
			var o Outage
			dice.Draw(seed, &o)
			dice.Operate(seed, &o)
			w := &touched{t: t, p: p, what: fmt.Sprintf("%s, seed %d", name, seed)}
			r := newRunner(t, p)
			r.Log = w
			var out Run
			r.Run(o.Truth(seed), &out)
			if p.Site.Observe && w.begun > 0 {
				t.Errorf("%s: %d orders are given", w.what, w.begun)
			}
			if p.Site.Observe {
				every += w.supposed
			} else {
				some += w.begun
			}
		}
		if every == 0 || some == 0 {
			t.Errorf("%s: %d hosts would have been asked, and %d orders were given to others; the test is about more", name, every, some)
		}
	}
}

// Aim: what is really stopped goes in time though another host is only watched and
// draws to the end. Method: each host of a room in turn is only watched, in an outage
// that lasts; wherever the plan at the loss fits, all others are off before the power is:
// in the likely room, and with hosts that use up nearly all that they are allowed on
// batteries at their low store.
func TestObserveTakesNoTimeFromOthers(t *testing.T) {
	tried := 0
	for _, name := range []string{"barn", "first", "loft", "rig"} {
		all := readPolicy(t, name+".hcl")
		for k := range all.Hosts {
			p := observing(all, func(i int) bool { return i == k })
			if p.Hosts[k].StaysUp {
				continue
			}
			for _, worst := range []bool{false, name != "loft"} { // loft's batteries have a low store that loses more, too
				tried += fareOthers(t, p, name+", "+p.Hosts[k].Name, worst)
			}
		}
	}
	if tried < 30 {
		t.Errorf("%d hosts; the test is about more", tried)
	}
	t.Logf("%d hosts", tried)
}

// fareOthers replays a lasting outage, and counts the hosts that must be off in time.
func fareOthers(t *testing.T, p *policy.Policy, what string, worst bool) (tried int) {
	o := Likely(p)
	for i := range p.UPSs {
		o.Moments = append(o.Moments, world.Moment{At: 0, What: world.InputLost, UPS: int32(i), Host: -1})
		if worst {
			b, err := battery.New(&p.UPSs[i], day)
			if err != nil {
				t.Fatal(err)
			}
			o.UPSs[i].Holds = b.LowAt(p.Site.ConfidencePermille) / b.Likely
		}
	}
	for k := range p.Hosts {
		if h := &p.Hosts[k]; worst && len(h.Methods) > 0 {
			o.Hosts[k].Takes = h.Methods[0].GivesUp - 2*time.Second - h.Probe.QuietFor
		}
	}
	w := &fitsFirst{}
	r := newRunner(t, p)
	r.Log = w
	var out Run
	r.Run(o.Truth(1), &out)
	if !w.fits {
		return 0
	}
	for i := range out.Hosts {
		switch h := &out.Hosts[i]; {
		case p.Hosts[i].Observe && h.Asked >= 0:
			t.Errorf("%s only watched: %s is asked", what, p.Hosts[i].Name)
		case !p.Hosts[i].Observe && !p.Hosts[i].StaysUp:
			if tried++; h.End != world.Clean {
				t.Errorf("%s only watched, worst %v: %s ends %v", what, worst, p.Hosts[i].Name, h.End)
			}
		}
	}
	return tried
}

// fitsFirst takes down whether the first plan fits.
type fitsFirst struct{ told, fits bool }

func (w *fitsFirst) Event(shutdown.Instant, *shutdown.Event) {}

func (w *fitsFirst) Effect(_ shutdown.Instant, f *shutdown.Effect) {
	if n := &f.Notice; f.Kind == shutdown.Notify && n.Code == shutdown.PlanMade && !w.told {
		w.told, w.fits = true, n.A == 1
	}
}
