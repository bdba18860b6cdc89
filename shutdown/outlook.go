package shutdown

import (
	"time"

	"ebbline/shutdown/battery"
	"ebbline/shutdown/plan"
)

// Outlook is the schedule in force with the question that it answers: for showing it,
// and for asking what the battery does under it.
type Outlook struct {
	At      Instant
	Problem plan.Problem
	Plan    plan.Plan
	Hosts   []int32 // of the policy, in the problem's order
	UPSs    []int32 // of the policy, in the order of the problem's stores
}

// Outlook gives the schedule in force as from now on; false when there is none. It
// changes no decision.
func (s *State) Outlook() (*Outlook, bool) {
	if s.Policy == nil || !s.anyOnBattery() || !s.Planned() {
		return nil, false
	}
	c := s.Clone()
	w := c.question(c.Now)
	c.recall(c.Now, w)
	w.planner.Tighten(&w.problem, &w.plan)
	w.plan.NoReturn = w.planner.NoReturn(&w.problem)
	return &Outlook{At: c.Now, Problem: w.problem, Plan: w.plan, Hosts: w.hosts, UPSs: w.stores}, true
}

// IfInputFailed is the state if the input of every UPS failed now, with the schedule
// for that; s is not changed.
func (s *State) IfInputFailed() *State {
	c := s.Clone()
	for i := range c.UPSs {
		m := c.UPSs[i].Last
		m.Source, m.Input, m.Testing, m.OnBatterySecs = FromBattery, LineBad, false, Unread
		c.UPSs[i].OffHeard = 0
		c.answered(c.Now, int32(i), &m)
	}
	c.decide(c.Now)
	c.takeEffects()
	return c
}

// With gives the outlook's problem with each store at the factor that pick chooses
// from its belief, and the UPS's own draw as it probably is: the same schedule seen
// with other batteries.
func (o *Outlook) With(s *State, pick func(b *battery.Belief) float64) plan.Problem {
	p := o.Problem
	p.Stores = append([]plan.Store(nil), p.Stores...)
	for j, i := range o.UPSs {
		u, b, st := &s.UPSs[i], s.belief(i), &p.Stores[j]
		was := st.Model
		st.Model = b.Scaled(pick(b))
		st.Base -= s.own(i) - b.OverheadWatts
		more := battery.Charge{Bound: u.Taken[low].Bound - u.Taken[likely].Bound}.As(&b.Model, &st.Model)
		st.Charge.Delivered = max(0, st.Charge.Delivered-u.Taken[low].Delivered+u.Taken[likely].Delivered)
		st.Charge.Bound = max(0, st.Charge.As(&was, &st.Model).Bound-more.Bound)
	}
	return p
}

// Belief is what is believed of a UPS's battery before this outage's readings. It is
// not to be changed.
func (s *State) Belief(i int32) *battery.Belief { return s.belief(i) }

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
		curve = append(curve, Left{t, max(0, st.Model.Left(c, watts)/st.Model.Energy)})
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
		case t >= s.Asked:
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
		for _, at := range [...]time.Duration{o.Plan.Stops[j].Asked, o.Plan.Stops[j].Down} {
			if at > t {
				next = min(next, at)
			}
		}
	}
	return next
}

// Silent tells whether a UPS counts as silent.
func (s *State) Silent(i int32) bool { return s.silent(s.Now, i) }

// Since is when a UPS's phase was entered, as an operator was told.
func (s *State) Since(i int32) Instant {
	for j := range s.Notices {
		if n := &s.Notices[j]; n.Code == PhaseEntered && n.UPS == i {
			return n.Since
		}
	}
	return s.UPSs[i].LastAt
}

// Stopping tells whether a host is being stopped.
func (h *Host) Stopping() bool { return stopping(h.State) }

// GiveUp is when the whole allowance of a host that is asked is used up.
func (s *State) GiveUp(k int32) Instant { return s.giveUp(k) }

// PromisedUntil is until when a host is promised time on battery.
func (s *State) PromisedUntil(k int32) Instant {
	return s.lostAt(k).Add(s.Policy.Hosts[k].KeepFor)
}

// Back is when the input came back that was lost in this outage; 0 while it is away, or
// when none is on.
func (u *UPS) Back() Instant {
	if u.Lost == 0 || u.OnBattery() {
		return 0
	}
	return u.back()
}
