package agent

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/simulate"
)

// watcher follows an outage with a state of its own, and now and then looks at what an
// agent would show.
type watcher struct {
	t     *testing.T
	state *shutdown.State
	what  string
	n     int
	near  int            // until that event every view is looked at: the agent started
	seen  map[string]int // views by what was on
}

func (w *watcher) Event(at shutdown.Instant, e *shutdown.Event) {
	w.state.Step(at, e, nil)
	if e.Kind == shutdown.Restarted {
		w.near = w.n + 8
	}
	if w.n++; w.n%7 != 0 && w.n > w.near || w.state.Policy == nil {
		return
	}
	s := w.state
	planned, was := s, "on battery"
	if !onBattery(s) {
		planned, was = s.IfInputFailed(), "normal"
		if s.Outstanding() {
			was = "recovery"
		}
	}
	v := view(s, planned, new(reasons).of(planned), s.Now)
	w.seen[was]++
	for _, c := range contradictions(&v) {
		w.t.Errorf("%s, after %d events, %s, %v: %s", w.what, w.n, was, v.At.Sub(wall(simulate.Epoch(20454))).Round(time.Second), c)
	}
}

func (w *watcher) Effect(shutdown.Instant, *shutdown.Effect) {}

// contradictions are what a reader would find not to agree in one view.
func contradictions(v *View) (list []string) {
	no := func(form string, args ...any) { list = append(list, fmt.Sprintf(form, args...)) }
	text := func(n *int64) string {
		if n == nil {
			return "-"
		}
		return fmt.Sprint(*n)
	}
	within := func(a, b *int64) bool { return b == nil || a != nil && *a <= *b } // null is without end
	now := int64(0)
	if !v.IfLostNow && v.Outage != nil {
		now = v.Outage.ElapsedSeconds
	}
	for i := range v.UPSs {
		u := &v.UPSs[i]
		r := u.RuntimeSeconds
		if u.AnswerAgeSeconds != nil && (!within(r.Low, r.Likely) || !within(r.Likely, r.High)) {
			no("UPS %s lasts %s, %s, %s", u.Name, text(r.Low), text(r.Likely), text(r.High))
		}
		if r.Low != nil && *r.Low < 0 || u.ChargePercent < 0 || u.ChargePercent > 100 {
			no("UPS %s lasts %s at %v %%", u.Name, text(r.Low), u.ChargePercent)
		}
		if u.EndSeconds != nil && *u.EndSeconds < now {
			no("UPS %s (%s) ends under the plan at %d, and now is %d", u.Name, u.Phase, *u.EndSeconds, now)
		}
		if u.InHandSeconds == nil {
			continue
		}
		if r.Low != nil && *r.Low == 0 && *u.InHandSeconds > 0 {
			no("UPS %s (%s) lasts 0 s with %s in hand", u.Name, u.Phase, text(u.InHandSeconds))
		}
		if v.Fits && *u.InHandSeconds < 0 {
			no("UPS %s is %s short, and the plan fits", u.Name, text(u.InHandSeconds))
		}
		if u.EndSeconds != nil && u.LastDownSeconds != nil && *u.InHandSeconds > *u.EndSeconds-*u.LastDownSeconds+1 {
			no("UPS %s ends at %s, last down %s, in hand %s", u.Name, text(u.EndSeconds), text(u.LastDownSeconds), text(u.InHandSeconds))
		}
	}
	if v.Fits && v.PointOfNoReturn != nil && *v.PointOfNoReturn < now-1 && slices.ContainsFunc(v.Hosts, func(h HostView) bool { return h.StopSeconds != nil && *h.StopSeconds > now }) && !slices.ContainsFunc(v.Hosts, func(h HostView) bool { return h.Asked != nil || h.WouldBeAsked != nil }) {
		no("the plan fits, the point of no return is %s, now is %d", text(v.PointOfNoReturn), now)
	}
	if v.Fits && !v.FitsExpected {
		no("the plan fits, and not at expected durations")
	}
	for k := range v.Hosts {
		h := &v.Hosts[k]
		if h.StopSeconds == nil {
			continue
		}
		if *h.StopSeconds > *h.LatestStartSeconds || *h.StopSeconds > *h.Down {
			no("host %s: stop %d, latest %d, down %d", h.Name, *h.StopSeconds, *h.LatestStartSeconds, *h.Down)
		}
		if h.Off && h.Power != "turned off" {
			no("host %s is off and is planned to stop: %s", h.Name, h.Power)
		}
		if v.Fits && h.MarginSeconds != nil && *h.MarginSeconds < 0 {
			no("host %s: margin %d, and the plan fits", h.Name, *h.MarginSeconds)
		}
		if v.Fits && v.Observing == "" {
			for i := range v.UPSs {
				u := &v.UPSs[i]
				if slices.Equal(h.FedBy, []string{u.Name}) && u.RuntimeSeconds.Low != nil && *u.RuntimeSeconds.Low == 0 && u.AnswerAgeSeconds != nil {
					no("every host is off in time, and UPS %s under %s (%s) lasts 0 s", u.Name, h.Name, h.Power)
				}
			}
		}
	}
	return list
}

// watched is a policy of a site that is only watched.
func watched(p *policy.Policy) *policy.Policy {
	q := *p
	q.Site.Observe, q.Hosts = true, slices.Clone(p.Hosts)
	for k := range q.Hosts {
		q.Hosts[k].Observe = !q.Hosts[k].StaysUp
	}
	return &q
}

// Aim: what a view says at one moment agrees with itself. Method: random outages with all
// their faults, an operator's orders in half of them; views at many moments before, in
// and after each.
func TestViewAgrees(t *testing.T) {
	const day = 20454 // 2026-01-01
	for _, name := range []string{"barn", "first", "loft", "mill", "rig", "attic"} {
		p := kept(t, name)
		dice, err1 := simulate.NewDice(p, day)
		runner, err2 := simulate.NewRunner(p, day)
		watching, err3 := simulate.NewRunner(watched(p), day)
		if err := errors.Join(err1, err2, err3); err != nil {
			t.Fatal(err)
		}
		seen := map[string]int{}
		var o simulate.Outage
		var out simulate.Run
		for seed := range uint64(12) {
			dice.Draw(seed, &o)
			if seed%2 == 1 {
				dice.Operate(seed, &o)
			}
			r := runner
			if seed%4 >= 2 {
				r = watching
			}
			r.Reasons, r.Log = true, &watcher{t: t, state: shutdown.New(), what: fmt.Sprintf("%s, outage %d", name, seed), seen: seen}
			r.Run(o.Truth(seed), &out)
		}
		if len(seen) < 3 {
			t.Errorf("%s: views %v; the test is about more", name, seen)
		}
	}
}
