package simulate

import (
	"math"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
	"ebbline/shutdown/plan"
	"ebbline/simulate/world"
)

// Hindsight says how long hosts could have stayed up at best in an outage: the
// planner's answer when it is told, from the start, how long the outage lasts,
// what each battery holds, what each host draws and how long each takes to
// stop, and keeps no reserve. It searches with all its effort: the quick way falls
// short of that by 5 % and more, which less than the best would hide. It is for one
// goroutine.
type Hindsight struct {
	outlook *shutdown.Outlook
	beliefs []battery.Belief
	loads   []float64 // on each store, in watts
	planner plan.Planner
	problem plan.Problem
	out     plan.Plan
	gains   []plan.Gain
}

// NewHindsight readies it for a policy; nil when there is no plan to compare.
func NewHindsight(p *policy.Policy, day int64) *Hindsight {
	s := (&Scene{Policy: p, Day: day}).ready().IfInputFailed()
	o, ok := s.Outlook()
	if !ok {
		return nil
	}
	h := &Hindsight{outlook: o, problem: o.Problem}
	for _, i := range o.UPSs {
		h.beliefs = append(h.beliefs, *s.Belief(i))
		watts := 0.0
		for l := range p.Loads {
			if fed := p.Loads[l].FedBy; feeds(fed, int(i)) {
				watts += float64(p.Loads[l].Watts) / float64(len(fed))
			}
		}
		h.loads = append(h.loads, watts)
	}
	h.problem.Stores = append([]plan.Store(nil), o.Problem.Stores...)
	h.problem.Hosts = append([]plan.Host(nil), o.Problem.Hosts...)
	h.problem.Reserve, h.problem.Floor, h.problem.EachLost, h.problem.Quick = 0, 0, false, false
	return h
}

// How finely the outage is cut for the planner: into so many slots, or where it is long into
// so many of the time that the batteries carry everything, but never into more than that.
const slots, slotsOfAll, mostSlots = 200, 30, 2000

// Length is how long the one interruption of an outage lasts; 0 when there is
// another number of them, it is not of every UPS, or the room may warm, of which
// hindsight knows nothing: there is nothing to compare then.
func (o *Outage) Length() time.Duration {
	if o.Room.TimeConstant > 0 {
		return 0
	}
	var from, length time.Duration
	n := 0
	for i := range o.Moments {
		switch m := &o.Moments[i]; {
		case m.What == world.InputLost:
			if n++; m.UPS >= 0 && len(o.UPSs) > 1 {
				return 0
			}
			from = m.At
		case m.What == world.InputBack:
			length = m.At - from
		}
	}
	if n != 1 {
		return 0
	}
	return length
}

// Best fills in how long each host could have stayed up, by the policy's order;
// negative for one that is not to be stopped. What is left of the battery when all others
// are down keeps the agent's own host up, which does not mean that it should have stayed.
func (h *Hindsight) Best(t *world.Truth, length time.Duration, best []time.Duration) {
	for k := range best {
		best[k] = -1
	}
	for j, i := range h.outlook.UPSs {
		b := &h.beliefs[j]
		s := &h.problem.Stores[j]
		s.Model = t.UPSs[i].Model(b)
		s.Charge = s.Model.At(t.UPSs[i].Charge)
		s.Base = float64(b.OverheadWatts*t.UPSs[i].Own) + h.loads[j]
	}
	for j, k := range h.outlook.Hosts {
		from, to := &h.outlook.Problem.Hosts[j], &h.problem.Hosts[j]
		to.Watts, to.Stopping = from.Watts*t.Hosts[k].Draws, from.Stopping*t.Hosts[k].Draws
		to.Stops = max(time.Second, t.Hosts[k].Takes)
		to.Expected = to.Stops
	}
	var all time.Duration
	all, h.gains = h.planner.Marginal(&h.problem, h.gains)
	if all == plan.Forever || all >= length {
		for _, k := range h.outlook.Hosts {
			best[k] = length
		}
		return
	}
	h.problem.Slot = max(time.Second, max(length/mostSlots, min(length/slots, all/slotsOfAll)).Truncate(time.Second))
	h.problem.Horizon = length + h.problem.Slot
	h.problem.Survival = h.problem.Survival[:0]
	for at := time.Duration(0); at < length; at += h.problem.Slot {
		h.problem.Survival = append(h.problem.Survival, 1)
	}
	h.problem.Survival = append(h.problem.Survival, 0)
	h.planner.Make(&h.problem, &h.out)
	for j, k := range h.outlook.Hosts {
		best[k] = min(length, h.out.Stops[j].Asked)
	}
}

// Stayed is how long a host stayed up in a run, at most the outage's length.
func (h *HostRun) Stayed(length time.Duration) time.Duration {
	switch {
	case h.Asked >= 0:
		return min(h.Asked, length)
	case h.Down >= 0:
		return min(h.Down, length)
	}
	return length
}

// Share is what part of the best was reached, each host weighed by its
// priority; 1 when nothing could be reached. The agent's own host does not count: it is
// there for the others, no plan keeps it up for its own sake, and where its power comes
// back by itself it goes as soon as the last other host is down.
func Share(p *policy.Policy, stayed, best []time.Duration) float64 {
	var got, could float64
	for k := range p.Hosts {
		if best[k] < 0 || p.Hosts[k].Self {
			continue
		}
		v := math.Max(1, float64(p.Hosts[k].Priority))
		got += float64(v * stayed[k].Seconds())
		could += float64(v * best[k].Seconds())
	}
	if could == 0 {
		return 1
	}
	return got / could
}
