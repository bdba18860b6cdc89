package shutdown

import (
	"math"
	"time"

	"ebbline/shutdown/battery"
	"ebbline/shutdown/plan"
)

// restore brings back what the outage stopped: in order, staggered, after the
// input has been good for a while, and only when the battery could carry the
// whole plan once more. It ends the outage when nothing is left to do.
func (s *State) restore(at Instant, out []Effect) []Effect {
	if out = s.missed(at, out); !s.Outstanding() {
		return out
	}
	input := s.anyGood() // without any, nobody is back, or may be started
	for i := len(s.Order) - 1; i >= 0 && input; i-- {
		k := s.Order[i]
		h := &s.Hosts[k]
		if s.seemsCut(k) {
			for _, f := range s.Policy.Hosts[k].FedBy {
				s.UPSs[f].Watched = max(s.UPSs[f].Watched, s.UPSs[f].CutTo) // its silence hid a loss
			}
		}
		switch {
		case s.wentLate(k):
			h.Stopped = true
			out = s.down(at, k, out)
		case s.seemsCut(k) && s.mayStart(at, k):
			h.Stopped = true
			s.setDown(at, k)
		case h.Power == Up && h.Stopped && h.Seen != SeenUp && !s.affected(k):
			h.Power = Starting // as it was when the input failed again: see stopStarting
		}
		switch {
		case h.Power == Down && h.Stopped && !h.Lost && s.mayStart(at, k):
			out = s.start(at, k, out)
		case h.Power == Starting && at >= h.Deadline && s.mayStart(at, k):
			out = s.startAgain(at, k, out)
		}
	}
	all := true
	for i := range s.UPSs {
		u := &s.UPSs[i]
		if u.Phase == Recovery && s.settled(int32(i)) && s.ready(at, int32(i)) {
			out = s.enter(at, int32(i), Normal, out)
			u.Lost = 0 // Back stays: what is proven down late waits for it too
		}
		out = s.charging(at, int32(i), out)
		all = all && u.Phase == Normal && (!u.Dead || s.settled(int32(i)))
	}
	if all {
		out = s.missed(at, s.over(at, out))
	}
	return out
}

func (s *State) anyGood() bool {
	for i := range s.UPSs {
		if s.UPSs[i].good() {
			return true
		}
	}
	return false
}

// seemsCut tells whether a host was up and is not now that the input is back,
// and may have lost its power in this outage. To start one that is only out of
// sight does no harm; until it is told to start it counts as up, since the input
// may fail again.
func (s *State) seemsCut(k int32) bool {
	h := &s.Hosts[k]
	return h.Power == Up && h.Seen == SeenSilent && h.Alive && !s.affected(k) && s.mayBeCut(k) && s.inView(k, true)
}

// mayBeCut tells whether all feeds of a host may have been without output at one
// time in this outage, since it was last seen up. With no outage on record it goes
// with its UPSs when they fall silent, or was turned off later.
func (s *State) mayBeCut(k int32) bool {
	from, to := Instant(0), s.Now
	for _, f := range s.Policy.Hosts[k].FedBy {
		u := &s.UPSs[f]
		if u.CutFrom == 0 {
			return false
		}
		from = max(from, u.CutFrom)
		if u.CutTo != 0 {
			to = min(to, u.CutTo)
		}
	}
	up := s.Hosts[k].UpAt
	return from < to && up < to && (s.Outstanding() || up <= from.Add(unwatchedFor))
}

// missed begins an outage that nobody saw: the agent's own host lost its power
// before a UPS could say that the input was lost, or a UPS fell silent and answers
// again, and hosts that were up until then are off. Once all were looked at after
// that, it is forgotten: what goes out of sight from then on was turned off.
func (s *State) missed(at Instant, out []Effect) []Effect {
	for i := range s.UPSs {
		if u := &s.UPSs[i]; u.CutTo != 0 && !s.Outstanding() {
			out = s.missedOn(at, int32(i), out)
		}
	}
	return out
}

// doubted tells whether a host is looked at for that.
func (s *State) doubted(k int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if s.UPSs[f].CutFrom != 0 {
			return true
		}
	}
	return false
}

func (s *State) missedOn(at Instant, i int32, out []Effect) []Effect {
	unseen := false
	for k := range s.Hosts {
		h := &s.Hosts[k]
		if !s.fedBy(int32(k), i) {
			continue
		}
		if s.seemsCut(int32(k)) || h.Power == Down && h.Stopped && !h.Lost {
			s.Outage++
			return s.recover(at, int32(k), out)
		}
		old := h.Seen == 0 || h.SeenAt <= s.UPSs[i].CutTo
		unseen = unseen || old && h.Power == Up && h.Alive && !s.Policy.Hosts[k].Self
	}
	if !unseen {
		s.UPSs[i].CutFrom, s.UPSs[i].CutTo = 0, 0
	}
	return out
}

// recover has the UPSs of a host that is to be brought back, and that were
// thought to be through with it, wait for that.
func (s *State) recover(at Instant, k int32, out []Effect) []Effect {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if u := &s.UPSs[f]; u.Phase == Normal {
			u.Back = max(u.Back, u.Since, u.CutTo)
			if s.Began == 0 {
				s.Began = at
			}
			out = s.enter(at, int32(f), Recovery, out)
		}
	}
	return out
}

// powered tells whether a UPS of a host has said since an instant that it has input.
func (s *State) powered(k int32, since Instant) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if u := &s.UPSs[f]; u.good() && u.GoodAt > since {
			return true
		}
	}
	return false
}

// cut notes that a UPS's output is off, or may be, since an instant.
func (u *UPS) cut(since Instant) {
	if u.CutFrom == 0 {
		u.CutFrom = since
	}
	u.CutTo = 0
}

// over ends the outage.
func (s *State) over(at Instant, out []Effect) []Effect {
	out = s.release(out)
	s.Going = false
	n := record(OutageOver, -1, -1)
	n.Notice.A, n.Notice.Margin = int64(s.Outage), at.Sub(s.Began)
	out = append(out, n)
	s.Began = 0
	s.Planned = false
	for i := range s.UPSs {
		s.UPSs[i].Watched = 0
	}
	for k := range s.Hosts {
		h := &s.Hosts[k]
		h.Forced, h.Prepared, h.Preparing = false, false, false
		for c := OrderGivenUp; c <= StoppedHalfway; c++ {
			if c != HostNotBack && c != NoWayToStart { // those are over when the host is back
				out = s.settle(c, int32(k), out)
			}
		}
		out = append(out, Effect{Kind: Probe, Host: int32(k), Every: slowLook})
	}
	return out // a policy that waits is adopted by an event of its own: see [State.Next]
}

// settled tells whether nothing on the UPS waits to stop or to start.
func (s *State) settled(i int32) bool {
	for k := range s.Hosts {
		h := &s.Hosts[k]
		if !s.fedBy(int32(k), i) {
			continue
		}
		if h.Power == Abandoned && h.Told && s.Now < s.patience(int32(k)) {
			return false
		}
		if h.Power == Up && h.unseen(s.Now) || s.halfway(int32(k)) || s.seemsCut(int32(k)) || h.Power == Asked || h.Power == Starting || h.Power == Down && h.Stopped && !h.Lost {
			return false
		}
	}
	return true
}

// mayStart tells whether a host that is down may be started now.
func (s *State) mayStart(at Instant, k int32) bool {
	p := &s.Policy.Hosts[k]
	for _, d := range p.DependsOn {
		j := &s.Hosts[d]
		if j.Power == Asked || j.Power == Starting || j.Power == Down && j.Stopped || d == p.RunsOn && j.Power != Up {
			return false
		}
		if s.seemsCut(int32(d)) || j.Power == Up && j.Stopped && j.Seen != SeenUp {
			return false // off, or on its way up
		}
		if j.Power == Abandoned && j.Told && at < s.patience(int32(d)) {
			return false // it may still go down, and come up again
		}
		if j.Power == Up && j.unseen(at) || s.halfway(int32(d)) {
			return false // it may be off, or go down yet
		}
	}
	for _, f := range p.FedBy {
		u := &s.UPSs[f]
		if at.Sub(u.LastAt) > s.Policy.UPSs[f].PollEvery()+s.Policy.UPSs[f].Timeout() {
			continue // silence is not good news here either
		}
		if u.good() && u.TestAt == 0 && at >= max(u.Back, u.Watched).Add(s.Policy.Site.Restore.StableFor) &&
			(u.StartedAt == 0 || at >= u.StartedAt.Add(s.Policy.Site.Restore.Stagger)) && s.ready(at, int32(f)) {
			return true
		}
	}
	return false
}

// halfway tells whether a host took the order to stop, is up though the input is
// back, and may go down yet.
func (s *State) halfway(k int32) bool {
	h := &s.Hosts[k]
	return h.Power == Up && h.Told && !s.affected(k) && s.Now < s.patience(k)
}

// wentLate tells whether such a host is down, even if nobody waits for it any more.
func (s *State) wentLate(k int32) bool {
	h := &s.Hosts[k]
	return h.Power == Up && h.Told && h.Seen == SeenSilent && !s.affected(k)
}

// patience is how long a host that is given up, but was told to stop, is waited
// for when the input is back: as long again as it was allowed.
func (s *State) patience(k int32) Instant {
	return s.Hosts[k].GiveUp.Add(s.Policy.Hosts[k].GivesUp())
}

// start begins a host's start with its first way.
func (s *State) start(at Instant, k int32, out []Effect) []Effect {
	h, p := &s.Hosts[k], &s.Policy.Hosts[k]
	s.due = true
	if h.Outage != s.Outage {
		h.Outage, h.Try = s.Outage, 0
	}
	h.Power, h.Method, h.AskedAt, h.Told = Starting, 0, at, false
	h.Deadline = at.Add(p.StartsIn)
	for _, f := range p.FedBy {
		s.UPSs[f].StartedAt = at
	}
	out = append(out, record(HostStarted, -1, k), Effect{Kind: Probe, Host: k, Every: fastLook})
	return s.tryStart(at, k, out)
}

// tryStart begins the current way to start a host. One without any starts with
// its power, if that was off; it is only waited for.
func (s *State) tryStart(at Instant, k int32, out []Effect) []Effect {
	h := &s.Hosts[k]
	if len(s.Policy.Hosts[k].Starts) == 0 {
		return out
	}
	h.Verb, h.InFlight = VerbStart, true
	h.Try++
	return append(out, Effect{Kind: Begin, Action: s.action(k)})
}

// startAgain: the host did not come up in its time. The next way, and all of
// them again a few times.
func (s *State) startAgain(at Instant, k int32, out []Effect) []Effect {
	h, p := &s.Hosts[k], &s.Policy.Hosts[k]
	s.due = true
	if h.InFlight {
		out = append(out, Effect{Kind: Cancel, Action: s.action(k)})
		h.InFlight = false
	}
	h.Method++
	if int(h.Method) >= len(p.Starts) {
		h.Method, h.Rounds = 0, h.Rounds+1
	}
	if h.Rounds >= startRounds || len(p.Starts) == 0 {
		code := HostNotBack
		if len(p.Starts) == 0 {
			code = NoWayToStart
		}
		h.Power, h.Lost = Down, true
		return append(s.raise(code, k, -1, out), Effect{Kind: Probe, Host: k, Every: slowLook})
	}
	h.Deadline = at.Add(p.StartsIn)
	return s.tryStart(at, k, out)
}

func (s *State) startFinished(at Instant, k int32, o Outcome, out []Effect) []Effect {
	h := &s.Hosts[k]
	if o == Refused || o == Unreachable {
		// Sooner than its whole time: the next way.
		h.Deadline = min(h.Deadline, at.Add(retryRefused))
	}
	return out
}

// stopStarting: the input is gone again while the host starts. It may be up.
func (s *State) stopStarting(at Instant, k int32, out []Effect) []Effect {
	h := &s.Hosts[k]
	if h.InFlight {
		out = append(out, Effect{Kind: Cancel, Action: s.action(k)})
	}
	h.Power, h.InFlight, h.Alive, s.due = Up, false, true, true
	return out
}

// back: a host that was down, or starting, answers again.
func (s *State) back(at Instant, k int32, out []Effect) []Effect {
	h := &s.Hosts[k]
	if h.InFlight {
		out = append(out, Effect{Kind: Cancel, Action: s.action(k)})
	}
	if h.Power == Starting {
		n := record(HostBack, -1, k)
		n.Notice.Margin = at.Sub(h.AskedAt)
		out = append(out, n)
	}
	out = s.settleAll(k, out)
	h.Power, h.Alive, h.Stopped, h.InFlight, h.Lost, h.Told = Up, true, false, false, false, false
	s.due, s.Stale = true, true
	return append(out, Effect{Kind: Probe, Host: k, Every: slowLook})
}

// ready tells whether a UPS's battery could carry the whole plan once more.
func (s *State) ready(at Instant, i int32) bool {
	u := &s.UPSs[i]
	s.drain(i, at, 0)
	if u.ReadyFrom < 0 {
		u.ReadyFrom = s.readyFrom(i)
	}
	return s.percent(i) >= u.ReadyFrom
}

// charging says that a battery has had input for twice the time that it should
// take to charge, and could still not carry another outage: what is off waits for it.
func (s *State) charging(at Instant, i int32, out []Effect) []Effect {
	u := &s.UPSs[i]
	late := u.Phase == Recovery && at >= s.chargedBy(i) && s.percent(i) < u.ReadyFrom
	if late == u.Uncharged {
		return out
	}
	u.Uncharged = late
	if !late {
		return append(out, cleared(BatteryUncharged, i, -1))
	}
	n := condition(BatteryUncharged, i, -1)
	n.Notice.A, n.Notice.B, n.Notice.Margin = s.percent(i), u.ReadyFrom, at.Sub(u.Back)
	return append(out, n)
}

func (s *State) chargedBy(i int32) Instant {
	u := &s.UPSs[i]
	return u.Back.Add(2 * battery.Whole(u.Belief.RechargeTime))
}

// percent is a battery's charge by the model in whole percent.
func (s *State) percent(i int32) int64 {
	u := &s.UPSs[i]
	m := u.Belief.Scaled(u.Factor)
	return int64(math.Floor(100 * (1 - u.Charge.Delivered/m.Full())))
}

// readyFrom is the least charge, in whole percent, from which the whole plan
// could be carried once more: with all that the UPS feeds up, at the low
// projection, a safe plan still exists after the ride-through. A battery that
// could not do that when nearly full must be nearly full.
func (s *State) readyFrom(i int32) int64 {
	w := s.scratch()
	u := &s.UPSs[i]
	for _, r := range w.readies {
		if r.ups == i && r.load == u.Full && r.factor == u.Factor {
			return r.from
		}
	}
	from := s.leastReady(i, w)
	if len(w.readies) == maxReadies {
		w.readies = w.readies[:0]
	}
	w.readies = append(w.readies, readiness{i, u.Full, u.Factor, from})
	return from
}

// readiness is an answer of readyFrom, remembered with what it rests on.
type readiness struct {
	ups          int32
	load, factor float64
	from         int64
}

const maxReadies = 64

func (s *State) leastReady(i int32, w *work) int64 {
	full := int64(100 * nearlyFull)
	need := min(s.Policy.Site.RideThrough, s.noReturn(i, full, w))
	if need <= 0 {
		return full
	}
	low, high := int64(-1), full
	for high-low > 1 {
		if mid := (low + high) / 2; s.noReturn(i, mid, w) >= need {
			high = mid
		} else {
			low = mid
		}
	}
	return high
}

// nearlyFull is the charge that counts as ready where no charge makes the plan
// fit: what recharging gives back in hours and not in a day.
const nearlyFull = 0.85

// waitedFor tells which hosts must be off before one that the UPS feeds may stop,
// wherever their own power comes from: it may fail at the same time.
func (s *State) waitedFor(i int32) []bool {
	waited := make([]bool, len(s.Hosts))
	for moved := true; moved; {
		moved = false
		for k := range s.Hosts {
			if waited[k] || s.Policy.Hosts[k].StaysUp {
				continue
			}
			for j := range s.Hosts {
				needed := s.Policy.Hosts[j].Self && j != k || dependsOn(s.Policy.Hosts[k].DependsOn, int32(j))
				if needed && (waited[j] || s.fedBy(int32(j), i)) {
					waited[k], moved = true, true
				}
			}
		}
	}
	return waited
}

// noReturn is the point of no return of one UPS alone, all that it feeds up,
// from the charge given in percent.
func (s *State) noReturn(i int32, percent int64, w *work) time.Duration {
	u := &s.UPSs[i]
	site := &s.Policy.Site
	p := plan.Problem{Reserve: site.Reserve + s.reaction(), AtOnce: site.AtOnce}
	factor, own := u.Belief.LowAt(site.ConfidencePermille), u.Belief.OwnAt(site.ConfidencePermille)
	base := own
	for l := range s.Policy.Loads {
		load := &s.Policy.Loads[l]
		if dependsOn(load.FedBy, i) {
			base += float64(load.Watts) / float64(len(load.FedBy))
		}
	}
	sum := 0.0
	var hosts []int32
	waited := s.waitedFor(i)
	for k := range s.Policy.Hosts {
		h := &s.Policy.Hosts[k]
		if !s.fedBy(int32(k), i) {
			if waited[k] {
				hosts = append(hosts, int32(k))
				p.Hosts = append(p.Hosts, plan.Host{Stops: s.allowance(int32(k)), Expected: h.StopsIn, Priority: h.Priority, Feeds: []plan.Feed{{Store: 0, Part: 1}}})
			}
			continue
		}
		watts := float64(h.Watts) / float64(len(h.FedBy))
		sum += watts
		if h.StaysUp {
			base += watts
			continue
		}
		hosts = append(hosts, int32(k))
		p.Hosts = append(p.Hosts, plan.Host{
			Watts: watts, Stopping: float64(h.StoppingWatts) / float64(len(h.FedBy)),
			Stops: s.allowance(int32(k)), Expected: h.StopsIn, Priority: h.Priority,
			Feeds: []plan.Feed{{Store: 0, Part: 1}},
		})
	}
	base += math.Max(0, u.Full-sum-base+own)
	for j := range p.Hosts {
		for a := range p.Hosts {
			if a != j && (s.Policy.Hosts[hosts[j]].Self || dependsOn(s.Policy.Hosts[hosts[a]].DependsOn, hosts[j])) {
				p.Hosts[j].After = append(p.Hosts[j].After, a)
			}
		}
	}
	m := u.Belief.Scaled(factor)
	p.Stores = []plan.Store{{Model: m, Charge: m.At(float64(percent) / 100), Base: base}}
	return w.planner.NoReturn(&p)
}
