package shutdown

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbline/shutdown/battery"
	"ebbline/shutdown/plan"
)

// Cause says which part of the schedule placed a stop.
type Cause = plan.Cause

const (
	ByPlan       Cause = iota + 1 // the planner: when the batteries and the priorities want it
	ByOperator                    // an operator's word
	ForLow                        // the battery is at its end, by the word of the UPS or its voltage
	ForLoss                       // should one UPS give out, what is left could not carry all
	ForOutput                     // all others are off by then; the output goes off, and on again with the input
	ForEmergency                  // power was cut on purpose
	ForNoPlan                     // no plan fits
	ForOwn                        // the agent's own host goes, and nothing asks this one later
)

// Reading is the schedule in force as it stands at one moment, for telling why each host
// goes when it does, and how long after that it would be too late. It is worked out when
// it is read, from who is up then and what is left: what was so when the plan was made
// may be so no more. It decides nothing.
type Reading struct {
	s       *State // a copy
	w       *work
	kept    time.Duration // the reserve that the plan keeps: the site's, and as a rule the agent's own delay
	margins []marginOf
}

// marginOf is a margin beside all that it depends on.
type marginOf struct {
	start  time.Duration
	feeds  []plan.Feed
	needs  []int
	margin time.Duration
}

// Read gives the reading of now; s is not changed.
func (s *State) Read() *Reading {
	if !s.Planned() {
		return &Reading{s: s}
	}
	c := s.Clone()
	copy(c.scratch().beliefs, s.scratch().beliefs)
	w := c.question(c.Now)
	c.recall(c.Now, w)
	for j, i := range w.stores {
		st := &w.problem.Stores[j]
		_, st.Charge, _ = c.store(i) // as it is; the planner has it rounded
		st.Base -= max(0, min(w.loads[j]-c.modelled(i), c.tooOld(i, w.loads[j])))
	}
	r := &Reading{s: c, w: w, kept: w.problem.Reserve}
	if !w.planner.Safe(&w.problem, starts(&w.plan)) {
		r.kept = s.Policy.Site.Reserve // some of the time for the agent's own delay is used up
	}
	return r
}

func starts(p *plan.Plan) (list []time.Duration) {
	for j := range p.Stops {
		list = append(list, p.Stops[j].Asked)
	}
	return list
}

// tooOld is what the reading of a UPS's load may still have of hosts that are off, in
// watts: it has had no time to show that. The load is not less for it than the schedule
// expects.
func (s *State) tooOld(i int32, load float64) float64 {
	off := 0.0
	for j := range s.Schedule.Plan.Stops {
		k := s.Schedule.Plan.Stops[j].Host
		if p := &s.Policy.Hosts[k]; !s.Hosts[k].draws() && s.fedBy(k, i) {
			off += float64(p.Watts) / float64(s.alive(p.FedBy))
		}
	}
	return min(off-s.fallen(i), load-s.Schedule.Rests[i].Load+off)
}

// place is a host's in the question; -1 where it has none, or is asked already.
func (r *Reading) place(k int32) int {
	if r.w == nil || r.s.slot(k) < 0 || !r.s.unasked(k) {
		return -1
	}
	return int(r.w.place[k])
}

// Margin is how long after its planned start a host, and all that are planned for later
// on its UPSs, could still be put off and be off in time, at worst durations and before
// the low projection's end less the reserve: the time between its planned start and its
// point of no return. [battery.Unending] where nothing ends; false where the host is not
// planned, or no plan fits.
func (r *Reading) Margin(k int32) (time.Duration, bool) {
	j := r.place(k)
	if j < 0 || !r.s.Schedule.Plan.Fits {
		return 0, false
	}
	start, h := r.w.plan.Stops[j].Asked, &r.w.problem.Hosts[j]
	for _, m := range r.margins {
		if m.start == start && slices.Equal(m.feeds, h.Feeds) && slices.Equal(m.needs, h.Needs) {
			return m.margin, true
		}
	}
	// A schedule holds within its bounds; by what hosts are thought to draw at this moment
	// some of the reserve may be gone. Then there is no time to lose.
	r.w.problem.Reserve = r.s.Policy.Site.Reserve
	m := marginOf{start, h.Feeds, h.Needs, max(0, r.w.planner.Margin(&r.w.problem, &r.w.plan, j))}
	r.margins = append(r.margins, m)
	return m.margin, true
}

// Cause tells which part of the schedule placed a host's stop, as things stand; 0 where
// it is not planned.
func (r *Reading) Cause(k int32) Cause {
	if r.place(k) < 0 {
		return 0
	}
	return r.s.causeOf(k)
}

// causeOf tells which part of the schedule placed the stop of a host that is planned.
func (s *State) causeOf(k int32) Cause {
	o, _ := s.StopOf(k)
	u := s.urgent(k)
	switch {
	case u != 0:
		return u
	case o.Why == ForOutput:
		return o.Why
	case !s.Schedule.Plan.FitsExpected:
		return ForNoPlan
	case o.Why == ByOperator && s.anyKept(), o.Why == ForLoss && s.carrying() > 1:
		return o.Why
	}
	return ByPlan
}

// anyKept tells whether an operator has hosts kept up.
func (s *State) anyKept() bool {
	return s.Word == Hold || slices.ContainsFunc(s.Hosts, func(h Host) bool { return h.Word == KeepHost })
}

// carrying counts the UPSs that the schedule counts on.
func (s *State) carrying() (n int) {
	for i := range s.UPSs {
		if s.Planned() && s.Schedule.Rests[i].Load >= 0 {
			n++
		}
	}
	return n
}

// Why says why a host's stop is where it is and not later, for people; "" where it is
// not planned.
func (r *Reading) Why(k int32) string {
	switch r.Cause(k) {
	case 0:
		return ""
	case ByOperator:
		if r.s.Word != Proceed {
			return "an operator has hosts kept up; if they stayed up longer, not every host would be off in time"
		}
		return ordered
	case ForLow:
		return "the battery is at its end"
	case ForLoss:
		return "if it stayed longer and one UPS gave out, what is left could not carry all hosts until they are off"
	case ForOutput:
		text := "no other host is left to stop"
		if r.running() > 1 {
			text += " by then"
		}
		return text + "; the UPS's output goes off, and on again with the input"
	case ForEmergency:
		return "power was cut on purpose"
	case ForNoPlan:
		if r.s.Policy.Hosts[k].Self {
			return "no plan fits any more, and later the battery may leave it no time"
		}
		if r.running() == 1 {
			return "no plan fits any more: it goes at once"
		}
		return "no plan fits any more: all hosts go at once, in order"
	}
	if r.s.Policy.Hosts[k].Self && r.s.heatFirst(k) {
		return "by then its room may be too warm; but the agent's own host is not stopped for heat"
	}
	why := r.planned(k)
	if why != "" && r.s.heated(k) && !r.s.away(k) {
		return "its room gets too warm; " + why // its input is there: else one would ask why it stops at all
	}
	return why
}

// running counts the hosts of the question that are not asked yet.
func (r *Reading) running() (n int) {
	for _, k := range r.w.hosts {
		if r.s.unasked(k) {
			n++
		}
	}
	return n
}

// planned says why the planner has a host go no later, as things stand.
func (r *Reading) planned(k int32) string {
	w, p := r.w, r.s.Policy
	w.problem.Reserve = r.kept
	d := w.planner.Why(&w.problem, &w.plan, r.place(k))
	kept := "keeping it " + minutes(d.By) + " longer "
	other := ""
	if d.Other >= 0 {
		other = p.Hosts[w.hosts[d.Other]].Name
	}
	switch d.Reason {
	case plan.ForBattery:
		return kept + r.short(k, &d)
	case plan.ForPromise:
		return kept + "would cost " + r.promise(w.hosts[d.Other], d.Cost)
	case plan.ForOrder:
		return fmt.Sprintf("%s stops only after it; keeping it %s longer would make that %s too late", other, minutes(d.By), Spell(d.Cost))
	case plan.ForWorth, plan.ForChance, plan.ForShare:
		if d.Cost == 0 {
			return kept + "would take time from " + other + " and others"
		}
		text := fmt.Sprintf("%swould cost %s %s", kept, other, Spell(d.Cost))
		switch {
		case p.Hosts[k].Self:
			text += "; the agent's own host takes no time from others"
		case d.Reason == plan.ForWorth:
			text += "; priorities favour this split"
		case d.Reason == plan.ForChance:
			text += ", which come sooner; by then the outage may be over"
		}
		return text
	case plan.ForTurn:
		return fmt.Sprintf("no more than %d may stop at once, and %s later %s would be stopping", p.Site.AtOnce, minutes(d.By), other)
	}
	return "its turn has come; nothing that is known makes it too late yet"
}

// promise names what a host would lose of the time that it is promised.
func (r *Reading) promise(k int32, cost time.Duration) string {
	p, ride := &r.s.Policy.Hosts[k], r.s.Policy.Site.RideThrough
	of := "the " + minutes(ride) + " of ride-through"
	if p.KeepFor > ride {
		of = "the " + minutes(p.KeepFor) + " that it is promised"
	}
	if cost == 0 {
		return p.Name + " and others time of " + of
	}
	return fmt.Sprintf("%s %s of %s", p.Name, Spell(cost), of)
}

// short says how a store falls short, and whom it has to carry there.
func (r *Reading) short(k int32, d *plan.Delay) string {
	w, by := r.w, ""
	if d.Cost > 0 {
		by = Spell(d.Cost) + " "
	}
	if d.Store >= len(w.stores) {
		return "would leave its room " + by + "short of staying below its limit until all there are off"
	}
	battery := "the battery"
	if d.Store >= 0 && len(w.stores) > 1 {
		battery = "UPS " + r.s.Policy.UPSs[w.stores[d.Store]].Name
	}
	var rest []string
	for _, j := range d.Rest {
		if h := w.hosts[j]; h != k && !r.s.Hosts[h].IsOff() {
			rest = append(rest, r.s.Policy.Hosts[w.hosts[j]].Name)
		}
	}
	if slices.Contains(d.Rest, int(w.place[k])) {
		rest = append([]string{"it"}, rest...)
	}
	until := "they are off"
	if len(rest) == 1 {
		until = "it is off"
	}
	return fmt.Sprintf("would leave %s %sshort of carrying %s until %s, with the reserve kept", battery, by, listed(rest), until)
}

// listed names a few, and counts many.
func listed(names []string) string {
	switch n := len(names); {
	case n == 0:
		return "its hosts"
	case n == 1:
		return names[0]
	case n <= 3:
		return strings.Join(names[:n-1], ", ") + " and " + names[n-1]
	}
	return fmt.Sprintf("%s, %s and %d others", names[0], names[1], len(names)-2)
}

// minutes writes a span of whole minutes, "1 min"; another as it is spelled elsewhere.
func minutes(d time.Duration) string {
	if d%time.Minute != 0 {
		return Spell(d)
	}
	return fmt.Sprintf("%d min", d/time.Minute)
}

// tellAsked tells that a host is asked now: why, and with what margin. A cause that is
// none of the schedule's is given.
func (s *State) tellAsked(k int32, cause Cause) {
	n, w := notice(HostAsked, -1, k), s.scratch()
	n.Notice.A, n.Notice.Span = int64(cause), battery.Unending
	if cause == 0 {
		n.Notice.A = int64(s.causeOf(k))
	}
	switch {
	case w.terse:
	case cause == ByOperator:
		n.Notice.Name = ordered
	default:
		if w.reading == nil {
			w.reading = s.Read()
		}
		w.tellings++
		few := w.tellings <= mostTellings
		switch {
		case cause != 0:
			n.Notice.Name = "the agent's own host goes now, and nothing would be left to ask it later"
		case few:
			n.Notice.Name = w.reading.Why(k)
		default:
			n.Notice.Name = "its turn comes with that of others that are asked now"
		}
		if few {
			if margin, ok := w.reading.Margin(k); ok {
				n.Notice.Span = margin
			}
		}
	}
	s.emit(n)
}

const (
	ordered = "an operator ordered it"

	// mostTellings bounds the reasons that are worked out in one step: in a room of a
	// thousand hosts each takes milliseconds, and the orders wait for them.
	mostTellings = 20
)
