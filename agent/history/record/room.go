package record

import (
	"slices"
	"sync"
	"time"

	"ebbline/agent/history"
	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// rooms is what is told of the hosts and batteries of the outage that is on.
type rooms struct {
	of   history.OutageKey  // the outage that the rest is of
	feed []feed             // by UPS
	off  []shutdown.Instant // by host: when it was told to be off; 0 when that was not

	going sync.WaitGroup     // plans that are being worked out
	mu    sync.Mutex         // guards what follows
	kept  history.OutageKey  // whose hosts are recorded
	plan  history.OutageKey  // whose first plan was asked for
	first map[string]planned // by host, that plan; nil before
}

// feed is what a UPS's answers say of its output.
type feed struct {
	lit   shutdown.Instant // of the last answer by which it carries its load
	dark  uint8            // answers in a row since by which it carries nothing, up to sureDark
	since shutdown.Instant // the first of them
}

// planned is a host's place in a plan, since the loss of input.
type planned struct{ stop, off time.Duration }

// sureDark is how many answers in a row say that a UPS's output is off: as the core
// has it, one alone is no evidence.
const sureDark = 2

// key names the outage that is on; without one, that which was on until now.
func (r *Recorder) key(s *shutdown.State) history.OutageKey {
	k := history.OutageKey{Site: s.Policy.Site.Name, Number: r.number, Began: r.began}
	if s.Outstanding() {
		k.Number, k.Began = s.Outage, s.Began
	}
	return k
}

// tell records what a step says of hosts, batteries, orders and conditions. It goes
// by what the core told and what its answers were, and by little of its state.
func (r *Recorder) tell(outage history.OutageKey, e *shutdown.Event, effects []shutdown.Effect, of *policy.Policy, s *shutdown.State) {
	m := &r.room
	if m.of != outage || len(m.feed) != len(s.UPSs) || len(m.off) != len(s.Hosts) {
		m.of, m.feed, m.off = outage, make([]feed, len(s.UPSs)), make([]shutdown.Instant, len(s.Hosts))
	}
	for i := range effects {
		if n := &effects[i].Notice; effects[i].Kind == shutdown.Notify {
			if n.Code.Condition() {
				r.condition(n, of, s)
			}
			if n.Code == shutdown.OrderTaken {
				r.writer.RecordOrder(history.GivenOrder{At: r.when(r.at), Outage: number(s), Word: n.OrderText(of), By: e.Text})
			}
			if n.Code == shutdown.EarlyStep && n.A == 0 || n.Code == shutdown.OutputGoes || n.Code == shutdown.OutputStays {
				ups, host := n.Names(of)
				r.writer.RecordAction(history.Action{Code: n.Code.String(), UPS: ups, Host: host, At: r.when(r.at), Outage: number(s), Text: n.Text(of)})
			}
			if of == s.Policy && outage.Began != 0 {
				r.account(n, s)
			}
		}
	}
	if of == s.Policy {
		r.actionEnds(e, s)
	}
	if e.Kind == shutdown.Measured && of == s.Policy && outage.Began != 0 {
		r.darkness(e, s)
	}
}

// actionEnds records what came of early steps and of orders to outputs in this step. An early
// step that the stop of its host overtakes has no end that is known.
func (r *Recorder) actionEnds(e *shutdown.Event, s *shutdown.State) {
	end := func(code shutdown.Code, ups, host string, was, is *shutdown.Begun) {
		if was.Action.ID != is.Action.ID || was.Ended != 0 || is.Ended == 0 {
			return
		}
		said := ""
		if e.Kind == shutdown.Finished && e.Action == is.Action.ID {
			said = e.Text
		}
		r.writer.RecordActionEnd(code.String(), ups, host, r.when(is.Ended), is.Outcome, said)
	}
	for k := range s.Hosts {
		if last := &s.Hosts[k].Last; last.Action.ID.Verb == shutdown.VerbPrepare {
			end(shutdown.EarlyStep, "", s.Policy.Hosts[k].Name, &r.hosts[k].Last, last)
		}
	}
	for i := range s.UPSs {
		is := &s.UPSs[i].Switch
		switch is.Action.ID.Verb {
		case shutdown.VerbSwitchOff:
			end(shutdown.OutputGoes, s.Policy.UPSs[i].Name, "", &r.upss[i].output, is)
		case shutdown.VerbSwitchOn:
			end(shutdown.OutputStays, s.Policy.UPSs[i].Name, "", &r.upss[i].output, is)
		}
	}
}

// number is the number of the outage that is on; 0 for none.
func number(s *shutdown.State) uint32 {
	if s.Outstanding() {
		return s.Outage
	}
	return 0
}

// condition records one that the core raised or cleared, in the numbers of the
// policy given.
func (r *Recorder) condition(n *shutdown.Notice, of *policy.Policy, s *shutdown.State) {
	ups, host := n.Names(of)
	if n.Clear {
		r.writer.RecordOver(n.Code.String(), ups, host, r.when(r.at))
		return
	}
	r.writer.RecordCondition(history.Condition{Code: n.Code.String(), UPS: ups, Host: host, Raised: r.when(r.at), Outage: number(s), Text: n.Text(of)})
}

// account takes what the core said of a plan or of a host into that of the outage.
func (r *Recorder) account(n *shutdown.Notice, s *shutdown.State) {
	switch n.Code {
	case shutdown.PlanMade:
		r.firstPlan(s)
	case shutdown.HostAsked:
		r.keep(s)
		seen := r.hosts[n.Host].Seen
		r.writer.RecordAsking(history.Asking{
			Of: r.room.of, Host: s.Policy.Hosts[n.Host].Name, At: r.when(r.at), WasOff: seen == shutdown.SeenSilent || seen == shutdown.SeenOff,
			Why: n.Name, Margin: n.Span, MarginUnknown: n.Span >= battery.Unending,
		})
	case shutdown.HostDown:
		r.room.off[n.Host] = r.at
		r.leftOver(n.Host, s)
	case shutdown.HostGivenUp:
		if !n.Clear {
			r.leftOver(n.Host, s)
		}
	}
}

// keep records the hosts of the outage, once.
func (r *Recorder) keep(s *shutdown.State) {
	m := &r.room
	m.mu.Lock()
	kept := m.kept == m.of
	m.kept = m.of
	m.mu.Unlock()
	if !kept {
		r.writer.RecordRoom(r.hostsOf(m.of, s.Policy))
		r.firstPlan(s) // the agent may have begun in the middle
	}
}

// hostsOf gives the hosts as the policy has them, and as the first plan does where it is known.
func (r *Recorder) hostsOf(outage history.OutageKey, p *policy.Policy) history.Room {
	m := &r.room
	m.mu.Lock()
	defer m.mu.Unlock()
	room := history.Room{Of: outage}
	for k := range p.Hosts {
		h := &p.Hosts[k]
		x := history.OutageHost{Host: h.Name, Priority: h.Priority, Own: h.Self, StaysUp: h.StaysUp, Observed: h.Observe, StopsIn: h.StopsIn, GivesUp: h.GivesUp(), KeepFor: h.KeepFor}
		for _, d := range h.DependsOn {
			x.Needs = append(x.Needs, p.Hosts[d].Name)
		}
		for _, f := range h.FedBy {
			x.FedBy = append(x.FedBy, p.UPSs[f].Name)
		}
		if h.RunsOn >= 0 {
			x.RunsOn = p.Hosts[h.RunsOn].Name
		}
		if m.plan == outage {
			if at, ok := m.first[h.Name]; ok {
				x.Planned, x.PlanStop, x.PlanOff = true, at.stop, at.off
			}
		}
		room.Hosts = append(room.Hosts, x)
	}
	return room
}

// firstPlan works out the stops of the outage's first plan, away from the agent's
// loop, and records them if the hosts are recorded by then.
func (r *Recorder) firstPlan(s *shutdown.State) {
	m := &r.room
	outage := m.of
	m.mu.Lock()
	asked := m.plan == outage
	if !asked {
		m.plan, m.first = outage, nil
	}
	m.mu.Unlock()
	if asked {
		return
	}
	c := s.Clone()
	m.going.Go(func() {
		first := map[string]planned{}
		if o, ok := c.Outlook(); ok {
			since := o.At.Sub(outage.Began)
			for j, k := range o.Hosts {
				stop := &o.Plan.Stops[j]
				first[c.Policy.Hosts[k].Name] = planned{since + stop.Asked, since + stop.Down}
			}
		}
		m.mu.Lock()
		if m.plan == outage {
			m.first = first
		}
		kept := m.kept == outage
		m.mu.Unlock()
		if kept {
			r.writer.RecordRoom(r.hostsOf(outage, c.Policy))
		}
	})
}

// leftOver records what the batteries of a host have left now that it is off, or
// given up, as far as they carry anything.
func (r *Recorder) leftOver(k int32, s *shutdown.State) {
	for _, i := range s.Policy.Hosts[k].FedBy {
		u := &s.UPSs[i]
		if !u.OnBattery() || u.Last.Source == shutdown.FromNothing {
			continue
		}
		low, likely, high := s.Runtime(int32(i))
		if high >= battery.Unending {
			continue
		}
		r.writer.RecordLeftOver(history.LeftOver{
			Of: r.room.of, UPS: s.Policy.UPSs[i].Name, Host: s.Policy.Hosts[k].Name, At: r.when(r.at), LoadWatts: int64(u.Load + 0.5),
			Low: low, Likely: likely, High: high, Reserve: s.Policy.Site.Reserve,
			ModelTenths: int64(10 * s.ChargePercent(int32(i))), OwnTenths: u.Last.ChargeTenths, OwnSeconds: u.Last.RuntimeSeconds,
		})
	}
}

// darkness records the hosts whose every UPS says that it carries nothing, and that
// were not known to be off when one of them last carried them. A host that is out of
// sight since then may have stopped in order or lost its power: nothing proves that it
// stopped.
func (r *Recorder) darkness(e *shutdown.Event, s *shutdown.State) {
	u := &r.room.feed[e.UPS]
	if e.Measurement.Source != shutdown.FromNothing {
		u.lit, u.dark = r.at, 0
		return
	}
	if u.dark == 0 {
		u.since = r.at
	}
	if u.dark == sureDark {
		return
	}
	if u.dark++; u.dark < sureDark {
		return
	}
	for k := range s.Hosts {
		h := &s.Policy.Hosts[k]
		if h.Self || !slices.Contains(h.FedBy, int(e.UPS)) {
			continue
		}
		if lit, since, dark := r.carried(h); dark && (!off(&r.hosts[k]) || r.room.off[k] > lit) {
			r.keep(s)
			r.writer.RecordCut(history.Cut{Of: r.room.of, Host: h.Name, At: r.when(since)})
		}
	}
}

// carried tells until when a host was carried, by the last answer that said so, from
// when on it was not, by the first that said that, and whether that is sure.
func (r *Recorder) carried(h *policy.Host) (lit, since shutdown.Instant, dark bool) {
	for _, f := range h.FedBy {
		u := &r.room.feed[f]
		if u.dark < sureDark {
			return 0, 0, false
		}
		lit, since = max(lit, u.lit), max(since, u.since)
	}
	return lit, since, true
}

// off tells whether a host is off by all that is known.
func off(h *shutdown.Host) bool { return h.IsOff() || h.Seen == shutdown.SeenOff }
