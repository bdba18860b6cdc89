package shutdown

import (
	"time"

	"ebbline/shutdown/battery"
	"ebbline/shutdown/plan"
)

// Outlook is the plan in force as a value of its own, with the question that it
// answers: for showing it, and for asking what the battery does under it.
type Outlook struct {
	At      Instant
	Problem plan.Problem
	Plan    plan.Plan
	Hosts   []int32 // of the policy, in the problem's order
	UPSs    []int32 // of the policy, in the order of the problem's stores
}

// Outlook gives the plan in force; false when there is none. It changes no
// decision.
func (s *State) Outlook() (*Outlook, bool) {
	if s.Policy == nil || !s.anyOnBattery() || !s.Planned {
		return nil, false
	}
	c := s.Clone()
	w := c.question(c.Now)
	c.recall(c.Now, w)
	w.planner.Tighten(&w.problem, &w.plan)
	w.plan.NoReturn = w.planner.NoReturn(&w.problem)
	return &Outlook{At: c.Now, Problem: w.problem, Plan: w.plan, Hosts: w.hosts, UPSs: w.stores}, true
}

// IfInputFailed is the state if the input of every UPS failed now, with the plan
// for that; s is not changed.
func (s *State) IfInputFailed() *State {
	c := s.Clone()
	for i := range c.UPSs {
		m := c.UPSs[i].Last
		m.Source, m.Input, m.Testing, m.OnBatterySecs = FromBattery, LineBad, false, Unread
		c.measured(c.Now, int32(i), &m, nil)
	}
	c.decide(c.Now, nil)
	return c
}

// With gives the outlook's problem with each store at the factor that pick
// chooses from its belief, and the UPS's own draw as it probably is: the same plan
// seen with other batteries.
func (o *Outlook) With(s *State, pick func(b *battery.Belief) float64) plan.Problem {
	p := o.Problem
	p.Stores = append([]plan.Store(nil), p.Stores...)
	for j, i := range o.UPSs {
		u, st := &s.UPSs[i], &p.Stores[j]
		was := st.Model
		st.Model = u.Belief.Scaled(pick(&u.Belief))
		st.Base -= u.Own - u.Belief.OverheadWatts
		st.Charge.Delivered = max(0, st.Charge.Delivered-u.Beside.Delivered)
		st.Charge.Bound = max(0, st.Charge.As(&was, &st.Model).Bound-u.Beside.As(&u.Belief.Model, &st.Model).Bound)
	}
	return p
}

// Runtime is how long the load of now could be carried if nothing were shed,
// three ways, in whole seconds.
func (s *State) Runtime(i int32) (low, likely, high time.Duration) {
	u := &s.UPSs[i]
	at := func(m battery.Model, c battery.Charge, watts float64) time.Duration {
		return battery.Whole(m.Runtime(c, watts))
	}
	watts := u.Load + u.Belief.OverheadWatts
	low = at(u.projected())
	likely = max(low, at(u.Belief.Scaled(u.Likely), u.Charge, watts))
	return low, likely, max(likely, at(u.Belief.Scaled(u.Belief.High), u.Charge, watts))
}

// Left is a battery at a time under a plan: the part of its store that is left
// at the load then.
type Left struct {
	At   time.Duration
	Part float64
}

// Curve follows one store of a problem under the outlook's plan, every step
// apart, to the time given, and says when it is empty if the last host that it
// carries never went down; [plan.Forecast] says the same of the low projection.
// An end beyond a year is none: it is negative.
func (o *Outlook) Curve(p *plan.Problem, store int, step, until time.Duration) (curve []Left, end time.Duration) {
	st := &p.Stores[store]
	c, t := st.Charge, time.Duration(0)
	last := o.Plan.Stores[store].LastDown
	end = -1
	note := func(t time.Duration, watts float64) {
		curve = append(curve, Left{t, max(0, st.Model.Left(c, watts)/st.Model.Store)})
	}
	note(0, o.load(p, store, 0))
	for t < until || end < 0 && t < last {
		watts := o.load(p, store, t)
		next := min(t+step, o.change(p, t))
		if secs := st.Model.Runtime(c, watts); end < 0 && t < last && secs < (next-t).Seconds() {
			end = t + battery.Whole(secs)
		}
		if next >= last && t < last && end < 0 {
			at := st.Model.Advance(c, watts, (last - t).Seconds())
			if secs := st.Model.Runtime(at, watts); secs < 365*24*3600 {
				end = last + battery.Whole(secs)
			}
		}
		c = st.Model.Advance(c, watts, (next - t).Seconds())
		t = next
		note(t, watts)
		if st.Model.Left(c, watts) <= 0 {
			break
		}
	}
	return curve, end
}

// load is what a store carries at a time under the plan.
func (o *Outlook) load(p *plan.Problem, store int, t time.Duration) float64 {
	sum := p.Stores[store].Base
	for j := range p.Hosts {
		h, s := &p.Hosts[j], &o.Plan.Stops[j]
		watts := h.Watts
		switch {
		case t >= s.Down:
			continue
		case t >= s.Start:
			watts = h.Stopping
		}
		for _, f := range h.Feeds {
			if f.Store == store {
				sum += float64(watts * f.Part)
			}
		}
	}
	return sum
}

// change is when the load next changes after a time.
func (o *Outlook) change(p *plan.Problem, t time.Duration) time.Duration {
	next := battery.Unending
	for j := range p.Hosts {
		for _, at := range [...]time.Duration{o.Plan.Stops[j].Start, o.Plan.Stops[j].Down} {
			if at > t {
				next = min(next, at)
			}
		}
	}
	return next
}

// Reaction is the longest that the agent may take from a fact to its being
// known and acted on; it is planned away besides the reserve.
func (s *State) Reaction() time.Duration { return s.reaction() }

// ReasonOf says why a host's planned start is where it is, for people.
func (s *State) ReasonOf(k int32) string {
	other := ""
	if o := s.Hosts[k].Other; o >= 0 {
		other = s.Policy.Hosts[o].Name
	}
	return reasonWords(s.Hosts[k].Why, other)
}

// ChargePercent is a battery's charge by the model, as a gauge would show it:
// of the store that is counted on.
func (s *State) ChargePercent(i int32) float64 {
	u := &s.UPSs[i]
	m := u.Belief.Scaled(u.Factor)
	return max(0, 100*(1-u.Charge.Delivered/m.Full()))
}
