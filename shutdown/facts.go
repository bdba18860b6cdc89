package shutdown

import (
	"errors"
	"fmt"
	"math"
	"time"

	"ebbline/policy"
	"ebbline/shutdown/battery"
	"ebbline/shutdown/heat"
	"ebbline/shutdown/plan"
)

// Never is an instant that does not come.
const Never Instant = math.MaxInt64

// State is what is kept: facts, and the decisions in force. It is a plain value
// without maps or clocks, and its JSON form holds all of it. [State.Step] changes
// it in place; take a [State.Clone] first where the old one is wanted.
type State struct {
	Policy   *policy.Policy
	Next     *policy.Policy // came in an outage; it is adopted when that is over
	Now      Instant        // of the last event
	Alive    Instant        // when the agent last started: what was not heard before says nothing
	Outage   uint32         // counts outages; keeps action names unique
	Began    Instant        // when the running outage began; 0 when all is normal
	Word     Order          // the operator's, in force; 0 for none
	UPSs     []UPS          // by name, as in the policy
	Hosts    []Host         // by name, as in the policy
	Rooms    []heat.Sensor  `json:",omitempty"` // by name of the temperature, as in the policy
	Contacts []Contact      `json:",omitempty"` // by name of the emergency input, as in the policy
	Schedule Schedule       // the one in force
	Notices  []Notice       // what an operator was told that still holds
	Wake     Instant        `json:"-"` // a Tick is wanted then; Never when there is no need

	work *work
}

// UPS is what was heard of one UPS, and the running sums of it.
type UPS struct {
	Last     Measurement // the last answer; a source that it did not give is that of the one before
	LastAt   Instant     // when it came; silence is this against now
	Says     Says        // what answers have said in a row since From
	From     Instant     // the first of them; 0: none since the agent's host booted
	Lost     Instant     // when the input was lost in this outage; 0 once that is over for it
	OffHeard Instant     // the first answer in a row that says that its output is off; 0 while none does
	GapFrom  Instant     // the last time in which it may have carried nothing, since it was silent or said so
	GapTo    Instant     // its end; 0 while it says so
	Taken    Taken       // from its store, up to TakenAt
	TakenAt  Instant
	AtLoss   float64    // joules taken already when the input was lost
	AtGauge  int64      // its charge reading then, in tenths of a percent
	Gauge    float64    // joules from full to empty by its gauge, as the last discharge showed that moved it; 0: not known
	Holds    [2]float64 // the most of the model's store that there is by this outage's readings: low, likely; [Unlimited] while none speaks against the belief
	EndHeard Instant    // the first answer in a row that says that the battery is at its end; 0 while none does
	LowLeft  float64    // joules that it said it had then, less what it gave since
	Warmth   int64      // the battery's temperature, last read with input there, tenths of a degree Celsius
	Load     float64    // watts at its output: by the last answer, or by the policy where that gives none
	Switch   Begun      // the last order to its output
}

// Taken is what was taken from a store: as is likely, and as the low projection has
// it, with the most that the UPS may draw itself.
type Taken [2]battery.Charge

const (
	low    = 0 // of Holds and Taken
	likely = 1
)

// Host is what was seen of one host, and done to it.
type Host struct {
	State    HostState     // the fold of the table in host.go over all that follows
	Seen     Sighting      // what the last look showed; 0: it is to be looked at anew
	SeenFrom Instant       // the first look in a row that showed that; while Seen is 0, since when one is waited for
	UpAt     Instant       // when it last answered
	Every    time.Duration `json:"-"` // how often the runner was told to look at it; one that starts was told nothing
	Asked    Instant       // when the stop or start that is under way, or was the last, began
	Last     Begun         // the last order to it; its early step is one
	Word     Order         // the operator's for it, in force; 0 for none
	WordAt   Instant       // when it was said
}

// Begun is an order that was given.
type Begun struct {
	Action  Action
	Ended   Instant // 0 while it is under way
	Outcome Outcome // of it; while it is under way, of the one before by the same method
}

// underWay tells whether the order has not ended.
func (b *Begun) underWay() bool { return b.Action.ID.Verb != 0 && b.Ended == 0 }

// Schedule says who should be off from when on, and why. It is a decision that was
// made: it stays in force until what it rests on no longer holds.
type Schedule struct {
	At    Instant   // the plan's times count from here
	Plan  plan.Plan // its stops say which host of the policy each is of, and the [Cause]
	Rests []Rest    // what it rests on, by UPS and then by temperature; the plan's stores are those counted on. None: no schedule is in force
}

// Rest is what a schedule counts on of one UPS, or of one room.
type Rest struct {
	Load  float64 // watts at the UPS's output, at most, while all are up that are up now; of a room 0; negative: it is not counted on
	Holds float64 // the low part of the UPS's store, see [State.counted]; of a room the seconds from At until it is too warm
}

// New gives the state before any policy.
func New() *State { return &State{Wake: Never} }

// Clone gives an independent copy.
func (s *State) Clone() *State {
	c := &State{}
	c.CopyFrom(s)
	return c
}

// CopyFrom makes s an independent copy of o, in the memory that s has.
func (s *State) CopyFrom(o *State) {
	ups, hosts, told, sched, w := s.UPSs, s.Hosts, s.Notices, s.Schedule, s.work
	rooms, contacts := s.Rooms, s.Contacts
	if s.Policy != o.Policy {
		w = nil
	}
	*s = *o
	s.UPSs = append(ups[:0], o.UPSs...)
	s.Hosts = append(hosts[:0], o.Hosts...)
	s.Notices = append(told[:0], o.Notices...)
	s.Rooms, s.Contacts = append(rooms[:0], o.Rooms...), append(contacts[:0], o.Contacts...)
	sched.copy(&o.Schedule)
	s.Schedule = sched
	s.work = w
	if w != nil {
		w.placed = false
		clear(w.hots)
	}
}

// copy makes c an independent copy of o, in the memory that c has.
func (c *Schedule) copy(o *Schedule) {
	p := c.Plan
	rests := append(c.Rests[:0], o.Rests...)
	stops, stores, fragile := append(p.Stops[:0], o.Plan.Stops...), append(p.Stores[:0], o.Plan.Stores...), append(p.Fragile[:0], o.Plan.Fragile...)
	*c = *o
	c.Rests = rests
	c.Plan.Stops, c.Plan.Stores, c.Plan.Fragile = stops, stores, fragile
}

// Outstanding tells whether an outage is on.
func (s *State) Outstanding() bool { return s.Began != 0 }

// Waits tells whether a policy of the operator's waits for the end of the outage.
// The one in force with other figures, as they were learned since, is none.
func (s *State) Waits() bool {
	return s.Next != nil && (s.Next.Fingerprint != s.Policy.Fingerprint || s.Next.Fingerprint == "")
}

// Busy tells whether a policy that comes must wait: an outage is on, power is cut on
// purpose, or a host is being stopped or started.
func (s *State) Busy() bool {
	for k := range s.Hosts {
		if h := &s.Hosts[k]; h.pending() || h.State == Interrupted || h.State == Late || h.State == Halfway {
			return true
		}
	}
	return s.Outstanding() || s.cutOnPurpose()
}

// adopted takes a policy: at once, or when the outage is over.
func (s *State) adopted(at Instant, e *Event) {
	if s.Busy() {
		s.Next = e.Policy
		return
	}
	old, out, deeds := *s, s.work.out, s.work.deeds
	s.UPSs, s.Hosts = make([]UPS, len(e.Policy.UPSs)), make([]Host, len(e.Policy.Hosts))
	s.Policy, s.Next, s.work = e.Policy, nil, nil
	s.scratch().out, s.work.deeds = out, deeds
	s.Schedule, s.Notices = Schedule{}, nil
	for i := range s.UPSs {
		u := &s.UPSs[i]
		*u = UPS{Last: Nothing, LastAt: at, TakenAt: at, Warmth: Unread, AtGauge: Unread}
		if j := old.upsNamed(e.Policy.UPSs[i].Name); j >= 0 {
			*u = old.UPSs[j]
			u.Warmth = Unread
		}
		u.afresh()
	}
	for k := range s.Hosts {
		s.Hosts[k] = Host{State: Unseen}
		if j := old.hostNamed(e.Policy.Hosts[k].Name); j >= 0 {
			h := old.Hosts[j]
			h.Every, h.Last = 0, Begun{}
			if p := &e.Policy.Hosts[k]; p.StaysUp || p.Self || p.Observe {
				h.Word = 0
			}
			if h.Word == 0 {
				h.Asked = 0
			}
			s.Hosts[k] = h
		}
	}
	s.readopt(at, &old)
	s.renotice(&old)
}

// renotice carries over what an operator was told, by name.
func (s *State) renotice(old *State) {
	for _, n := range old.Notices {
		if n.UPS >= 0 {
			n.UPS = s.upsNamed(old.Policy.UPSs[n.UPS].Name)
			if n.UPS < 0 {
				continue
			}
		}
		if n.Host >= 0 {
			n.Host = s.hostNamed(old.Policy.Hosts[n.Host].Name)
			if n.Host < 0 {
				continue
			}
		}
		s.Notices = append(s.Notices, n)
	}
}

// upsNamed gives the index of a UPS; -1 when the policy has none of that name.
func (s *State) upsNamed(name string) int32 {
	if s.Policy != nil {
		for i := range s.Policy.UPSs {
			if s.Policy.UPSs[i].Name == name {
				return int32(i)
			}
		}
	}
	return -1
}

// hostNamed gives the index of a host; -1 when the policy has none of that name.
func (s *State) hostNamed(name string) int32 {
	if s.Policy != nil {
		for k := range s.Policy.Hosts {
			if s.Policy.Hosts[k].Name == name {
				return int32(k)
			}
		}
	}
	return -1
}

// commanded takes an operator's word. What was scheduled before it is thrown away.
func (s *State) commanded(at Instant, e *Event) {
	o, idle := e.Order, false
	switch {
	case o.OfHost():
		s.saidOfHost(at, e)
		return
	case o == Release && (s.Word == Hold || s.Word == Abort):
		s.Word = 0
	case o == Release, o == Proceed && !s.anyOnBattery(): // nothing is there to end, or to begin
		idle = true
	default:
		s.Word = o
	}
	if o == Proceed && s.Word == Proceed {
		s.endKeeps() // whatever was said before
	}
	s.dropSchedule()
	n := notice(OrderTaken, -1, -1)
	n.Notice.A = int64(o)
	if idle {
		n.Notice.B = OrderIdle
	}
	s.emit(n)
}

// finished takes the end of an order.
func (s *State) finished(at Instant, e *Event) bool {
	id := e.Action
	switch id.Verb {
	case VerbSwitchOff, VerbSwitchOn:
		b := &s.UPSs[id.UPS].Switch
		if b.Action.ID != id || !b.underWay() {
			return false
		}
		b.Ended, b.Outcome, s.work.ended, s.work.said = at, e.Outcome, id, e.Text
		return true
	}
	h := &s.Hosts[id.Host]
	if h.Last.Action.ID != id || h.Last.Ended != 0 {
		return false // an answer to an order that another has followed
	}
	before := h.Last.Outcome
	h.Last.Ended, h.Last.Outcome = at, e.Outcome
	switch id.Verb {
	case VerbStart:
		return true
	case VerbPrepare:
		if e.Outcome != Accepted {
			n := notice(EarlyStep, -1, id.Host)
			n.Notice.A, n.Notice.Name = int64(e.Outcome), e.Text
			s.emit(n)
		}
		return false // it was worth trying; the stop does not wait for it
	}
	s.work.ended, s.work.said = id, e.Text
	hung := e.Outcome == Unknown && at >= h.Last.Action.Deadline // no answer came
	if (e.Outcome == Accepted || e.Outcome == Unknown && !hung) && s.Policy.Hosts[id.Host].Methods[id.Method].Kind == policy.BySSH {
		s.answeredOrder(at, id.Host)
	}
	switch e.Outcome {
	case Accepted:
		s.fold(id.Host, InTaken)
	case Unknown:
		if !hung || h.Seen != SeenSilent {
			s.fold(id.Host, InUnsure)
		}
	case Refused:
		if before == Refused && int(id.Method)+1 < len(s.Policy.Hosts[id.Host].Methods) {
			h.Last.Action.Deadline = at // it was asked once more: the next method
		}
	}
	return true
}

// answeredOrder: a host that answers an order is in sight.
func (s *State) answeredOrder(at Instant, k int32) {
	h := &s.Hosts[k]
	if h.Seen != SeenUp && h.Seen != SeenRefusing {
		h.Seen, h.SeenFrom = SeenUp, at
	}
	h.UpAt = at
	if h.State == AskedOff {
		s.fold(k, InUp)
	}
}

// restarted: the agent lives again after a crash, or its host after a boot. What was
// seen is old; what had begun and not ended is begun again under its own name, which
// makes a repeat harmless.
func (s *State) restarted(at Instant, gap time.Duration, rebooted, orderly bool) {
	// The agent went without a word, or in an outage: what is off by now may have lost
	// its power, with the agent's host or while nobody looked. Where it was told to end,
	// somebody was at work: what is off was turned off.
	doubtful := s.Outstanding() || !orderly && (!rebooted || s.ownHost() >= 0)
	long := false // enough for a host to go
	s.Alive = at
	clear(s.scratch().hots)
	for i := range s.UPSs {
		s.emit(Effect{Kind: Poll, UPS: int32(i)})
		long = s.resumeUPS(at, int32(i), rebooted, doubtful, gap) || long
	}
	for k := range s.Hosts {
		s.resumeHost(at, int32(k), rebooted, long, gap)
	}
	if rebooted {
		s.dropSchedule() // until something new is known
	}
}

// resumeUPS ages what was heard of a UPS; true when it may have carried nothing
// meanwhile.
func (s *State) resumeUPS(at Instant, i int32, rebooted, doubtful bool, gap time.Duration) (off bool) {
	u := &s.UPSs[i]
	carried := u.LastAt // until then at least
	if s.onlyFeedOfAgent(i) {
		carried = at.Add(-gap)
	}
	switch {
	case doubtful && (rebooted || s.unheard(at, i) && !s.onlyFeedOfAgent(i)):
		u.GapFrom, u.GapTo, off = s.gapSince(i, min(carried, at)), 0, true
	case !doubtful:
		u.LastAt = at
	}
	switch {
	case rebooted:
		// The charge is what the UPS says, or none.
		empty := s.belief(i).Model.At(0)
		u.From, u.LastAt, u.Taken, u.TakenAt, u.AtGauge, u.OffHeard = 0, at, Taken{empty, empty}, at, Unread, 0
		if at >= s.goesOff(i) || s.onlyFeedOfAgent(i) {
			u.Switch = Begun{} // the output has gone off, and on again: else its countdown would go on
		} else if u.Switch.underWay() {
			u.Switch.Ended, u.Switch.Outcome = at, Unknown
		}
	default:
		if u.OnBattery() {
			// The input may have come back meanwhile: another answer is wanted, or silence.
			// What was heard a moment ago counts beside it: one that is killed again and
			// again would never have two of its own.
			if gap > quickly {
				u.From = at
			}
		}
		if u.Switch.underWay() && at < u.Switch.Action.Deadline {
			s.emit(Effect{Kind: Begin, Action: u.Switch.Action})
		}
	}
	return off
}

// resumeHost ages what was seen of a host.
func (s *State) resumeHost(at Instant, k int32, rebooted, long bool, gap time.Duration) {
	h := &s.Hosts[k]
	h.Every = 0 // the runner knows nothing of it
	switch {
	case rebooted && s.Policy.Hosts[k].Self:
		s.fold(k, InOwn)
		h.Seen, h.SeenFrom, h.UpAt = SeenUp, at, at
		return
	case rebooted:
		if h.State != TurnedOff {
			h.Seen, h.SeenFrom = 0, at
		}
		if h.underWay() && stopping(h.State) {
			s.fold(k, InUnsure) // the order may have been taken before the end
		}
		h.Last.Action.Deadline = at.Add(afterBoot)
		if h.Last.Action.ID.Verb != 0 {
			h.Last.Ended, h.Last.Outcome = at, Accepted // for all that is known; a look will tell
		}
		s.fold(k, InBoot)
		return
	case h.State == Told || h.State == Doubt || h.State == Late || h.State == Halfway,
		long && (h.State == Up || h.State == Silent),
		gap > quickly && (h.State == Off || h.State == Dark):
		h.Seen, h.SeenFrom = 0, at // it may have gone, or come up, meanwhile
	}
	if h.Last.underWay() && h.pending() {
		if h.State != Starting {
			s.fold(k, InUnsure) // the order may have been taken and its answer lost
		}
		if at < h.Last.Action.Deadline {
			s.emit(Effect{Kind: Begin, Action: h.Last.Action})
		} else {
			h.Last.Ended, h.Last.Outcome = at, Unknown // its time is over
		}
	}
	if a := h.Last.Action; a.ID.Verb == VerbPrepare && h.Last.underWay() && at < a.Deadline && h.runs() {
		s.emit(Effect{Kind: Begin, Action: a})
	}
}

// ownHost is the one that the agent runs on; -1 when it is none of the policy's.
func (s *State) ownHost() int32 { return s.scratch().own }

// Sound tells what keeps a state that was read from being stepped.
func (s *State) Sound() error {
	if s.Policy == nil {
		return nil
	}
	n, m := len(s.Policy.Hosts), len(s.Policy.UPSs)
	c := &s.Schedule
	if len(s.Hosts) != n || len(s.UPSs) != m {
		return errors.New("it does not belong to its policy")
	}
	stores := 0
	for i := range c.Rests {
		if c.Rests[i].Load >= 0 {
			stores++
		}
	}
	if len(s.Rooms) != len(s.Policy.Temperatures) || len(s.Contacts) != len(s.Policy.Emergencies) {
		return errors.New("its sensors are not its policy's")
	}
	if stores != len(c.Plan.Stores) || len(c.Rests) != 0 && len(c.Rests) != m+len(s.Rooms) {
		return errors.New("its schedule is not whole")
	}
	for _, o := range c.Plan.Stops {
		if o.Host < 0 || int(o.Host) >= n {
			return errors.New("its schedule names a host that is not there")
		}
	}
	for k := range s.Hosts {
		h := &s.Hosts[k]
		if h.State == 0 || h.State >= numStates || h.Seen > SeenOff {
			return fmt.Errorf("host %s is in no state that there is", s.Policy.Hosts[k].Name)
		}
		if id := h.Last.Action.ID; id.Verb != 0 && !id.fits(s.Policy, int32(k)) {
			return fmt.Errorf("the last order to host %s is none that its policy knows", s.Policy.Hosts[k].Name)
		}
	}
	for i := range s.UPSs {
		if u := &s.UPSs[i]; u.Says > SaysNothing {
			return fmt.Errorf("UPS %s says nothing that there is", s.Policy.UPSs[i].Name)
		}
	}
	for i := range s.Notices {
		if t := &s.Notices[i]; t.UPS >= int32(m) || t.Host >= int32(n) || int(t.Code) >= len(codes) {
			return errors.New("it tells of something that is not there")
		}
	}
	return nil
}

// fits tells whether an action is one of a host by its policy.
func (id ActionID) fits(p *policy.Policy, k int32) bool {
	h := &p.Hosts[k]
	switch id.Verb {
	case VerbShutDown, VerbPowerOff:
		return id.Host == k && int(id.Method) < len(h.Methods)
	case VerbPrepare:
		return id.Host == k && h.Prepare != nil
	case VerbStart:
		return id.Host == k && (int(id.Method) < len(h.Starts) || id.Method == 0)
	}
	return false
}

// Begun takes note that an action was begun, where this build of the core would not
// have begun it then: another did, or a line of the journal was lost. Whoever decided
// it, it is a fact.
func (s *State) Begun(at Instant, a Action) {
	id := a.ID
	s.Now = max(s.Now, at)
	if id.Ordered {
		s.Hosts[id.Host].ordered(id)
	} else {
		s.Outage = max(s.Outage, id.Outage)
		if s.Began == 0 {
			s.Began = at
		}
	}
	if id.Host < 0 {
		s.UPSs[id.UPS].Switch = Begun{Action: a}
		return
	}
	h := &s.Hosts[id.Host]
	switch {
	case id.Verb == VerbPrepare:
	case id.Verb == VerbStart && h.State != Starting:
		h.Asked = at
		s.shift(id.Host, Starting)
	case id.Verb != VerbStart && !stopping(h.State):
		h.Asked = at
		if h.State == TurnedOff {
			s.shift(id.Host, AskedOff)
		} else {
			s.shift(id.Host, Asked)
		}
	}
	h.Last = Begun{Action: a}
}
