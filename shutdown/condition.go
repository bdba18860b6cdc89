package shutdown

import (
	"time"

	"ebbline/shutdown/battery"
)

// tell compares what holds now with what an operator was told last. Conditions that
// are over are cleared, new ones are told with what they say now; UPSs' phases and the
// plan's verdict are told when they change.
func (s *State) tell(at Instant) {
	s.hold(at)
	w := s.scratch()
	for i := range s.Notices {
		if n := &s.Notices[i]; n.Code.Condition() && find(w.holding, n) < 0 {
			f := cleared(n.Code, n.UPS, n.Host)
			f.Notice.Name = n.Name
			s.emit(f)
		}
	}
	for i := range w.holding {
		n := &w.holding[i]
		n.Since = at
		j := find(s.Notices, n)
		if j >= 0 && !s.toldAnew(&s.Notices[j], n) {
			*n = s.Notices[j] // it was told; what it says now is for [State.Conditions]
			continue
		}
		if j >= 0 && n.Code.Condition() {
			s.emit(cleared(n.Code, n.UPS, n.Host))
		}
		if n.Code == PhaseEntered && (Phase(n.A) == Unheard || Phase(n.A) == Normal && (j < 0 || Phase(s.Notices[j].A) == Unheard)) {
			continue // how things are at the start is no news
		}
		e := Effect{Kind: Notify, Host: -1, UPS: -1, Notice: *n}
		e.Notice.Since = 0
		s.emit(e)
	}
	s.Notices = append(s.Notices[:0], w.holding...)
}

// toldAnew tells whether what was told is told once more: a level that is another one, and
// of conditions a host that is not brought back, where it was told that it would be.
func (s *State) toldAnew(told, n *Notice) bool {
	switch {
	case n.Code == HostCut:
		return n.A == CutOrTurned && told.A != CutOrTurned && !s.Policy.Hosts[n.Host].Observe
	case n.Code == PhaseEntered && Phase(n.A) == AllDown:
		return n.A != told.A || n.B != told.B && n.B != OutputGone // that is a condition
	}
	return n.A != told.A && !n.Code.Condition()
}

// hold works out what holds now.
func (s *State) hold(at Instant) {
	w := s.scratch()
	w.holding = w.holding[:0]
	s.levels(at)
	s.ofUPSs(at)
	s.ofSite()
	s.ofHosts(at)
	s.ofRooms(at)
}

// find gives the place of what is the same condition of the same thing; -1 for none.
func find(list []Notice, n *Notice) int {
	for i := range list {
		if list[i].Code == n.Code && list[i].UPS == n.UPS && list[i].Host == n.Host {
			return i
		}
	}
	return -1
}

// Conditions are those that hold, with what they say now.
func (s *State) Conditions() []Notice {
	if s.Policy == nil {
		return nil
	}
	s.hold(s.Now)
	var list []Notice
	for _, n := range s.work.holding {
		if j := find(s.Notices, &n); n.Code.Condition() && j >= 0 {
			n.Since = s.Notices[j].Since
			if n.Name == "" {
				n.Name = s.Notices[j].Name // what was said then
			}
			list = append(list, n)
		}
	}
	return list
}

// Behind gives the condition of a UPS that explains one of a host: all that feeds the
// host, or feeds a load that it is reached through, is silent or off. False for none.
func (s *State) Behind(n *Notice) (c Code, ups int32, ok bool) {
	if n.Host < 0 {
		return 0, -1, false
	}
	p := &s.Policy.Hosts[n.Host]
	if c, ups, ok = s.allOut(p.FedBy); ok {
		return c, ups, true
	}
	for _, l := range p.NeedsLoads {
		if c, ups, ok = s.allOut(s.Policy.Loads[l].FedBy); ok {
			return c, ups, true
		}
	}
	return 0, -1, false
}

// allOut tells whether every one of these UPSs is silent or off, and names the first.
func (s *State) allOut(feeds []int) (c Code, ups int32, ok bool) {
	for j := len(feeds) - 1; j >= 0; j-- {
		switch i := int32(feeds[j]); {
		case s.UPSs[i].Dead():
			c, ups = OutputIsOff, i
		case s.silent(s.Now, i):
			c, ups = SourceSilent, i
		default:
			return 0, -1, false
		}
	}
	return c, ups, len(feeds) > 0
}

// holdsThat notes that something holds now.
func (s *State) holdsThat(c Code, ups, host int32) *Notice {
	w := s.scratch()
	w.holding = append(w.holding, Notice{Code: c, UPS: ups, Host: host, B: -1})
	return &w.holding[len(w.holding)-1]
}

// levels are what is told when it changes, and is no condition.
func (s *State) levels(at Instant) {
	for i := range s.UPSs {
		n, u := s.holdsThat(PhaseEntered, int32(i), -1), &s.UPSs[i]
		n.A = int64(s.Phase(int32(i)))
		switch {
		case u.Dead():
			n.B = OutputGone
		case Phase(n.A) == AllDown && s.lingerOn(int32(i), -1):
			n.B = SomeLinger
		case s.neverLost(int32(i)):
			n.B = InputAllTheTime
		case Phase(n.A) == Recovery && s.cutOnPurpose():
			n.B = PersonFirst
		case Phase(n.A) == Recovery && s.anyWaitsForCool(at, int32(i)):
			n.B = CoolFirst
		case u.OnBattery() && u.Last.Testing && u.Last.Input == LineGood:
			n.B = TestTooLong
		}
	}
	if s.Planned() {
		n := s.holdsThat(PlanMade, -1, -1)
		n.B = 0
		if s.anyLingers() {
			n.B |= PlanLingers
		}
		if s.Word == Abort {
			n.B |= PlanAborted
		}
		n.Span = s.Return().Sub(at)
		switch p := &s.Schedule.Plan; {
		case p.Fits:
			n.A = PlanFits
		case p.FitsExpected:
			n.A = PlanFitsExpected
		}
		if s.Schedule.Plan.NoReturn >= battery.Unending {
			n.Span = battery.Unending
		}
	}
}

// What a notice of a UPS's phase says besides.
const (
	InputAllTheTime = iota + 1 // the UPS had its input all the time
	SomeLinger                 // hosts that were given up may run still
	PersonFirst                // nothing is started before a person says so
	CoolFirst                  // hosts wait for a room to be cool, too
	OutputGone                 // the UPS's output is off
	TestTooLong                // it says that it tests its battery, for longer than a test takes
)

// anyWaitsForCool tells whether a host of a UPS waits for its room to be cool.
func (s *State) anyWaitsForCool(at Instant, i int32) bool {
	if len(s.Rooms) == 0 {
		return false
	}
	for k := range s.Hosts {
		if s.waits(int32(k)) && s.fedBy(int32(k), i) && !s.coolFor(at, int32(k)) {
			return true
		}
	}
	return false
}

// What a notice of a plan says besides, together.
const (
	PlanLingers = 1 << iota // hosts that were given up may run still
	PlanAborted             // an operator's abort keeps it from being carried out
)

// OrderIdle is what a notice of an order says of one from which nothing follows.
const OrderIdle = 0

// Why a plan does not fit, as a notice says it; 0: there is none that does.
const (
	MissedAtWorst = iota + 1 // it fits at expected durations
	MissedByAbort            // an operator's abort keeps all up
	MissedGivenUp            // all that are left were given up
)

// What a notice of a host that was given up says of it; 0: no order is known to have arrived.
const (
	GivenUpByAbort = iota + 1 // an operator's abort keeps its other ways back
	GivenUpUnseen             // it looked turned off before
	GivenUpCut                // likewise, and its power was taken
	GivenUpLate               // an order arrived, or may have
)

// CutNotBack is what a notice of a host that lost its power says besides where it could not
// be started.
const CutNotBack = 1

// What a notice of a plan says of it; 0: it does not fit.
const (
	PlanFits         = iota + 1
	PlanFitsExpected // at expected durations, and at worst ones not
)

// anyLingers tells whether a host on battery was given up and may run still.
func (s *State) anyLingers() bool {
	for k := range s.Hosts {
		if s.Hosts[k].givenUp() && s.affected(int32(k)) {
			return true
		}
	}
	return false
}

// Phase is where one UPS, with all it feeds, stands in an outage.
type Phase uint8

const (
	Normal      Phase = iota + 1 // input good, nothing of an outage left to do
	RideThrough                  // on stored energy, waiting for it to pass
	Shedding                     // stops under way; may end early, never undone
	AllDown                      // its hosts down or given up; output may go off
	Recovery                     // input back, not yet ready for another outage
	Unheard                      // nothing was heard of it since the start
)

// String gives the word that people see.
func (p Phase) String() string {
	return [...]string{"", "normal", "ride_through", "shedding", "down", "recovery", "unknown"}[p]
}

// Phase tells where a UPS stands.
func (s *State) Phase(i int32) Phase {
	u := &s.UPSs[i]
	switch {
	case !u.OnBattery() && u.From == 0:
		return Unheard
	case !u.OnBattery() && u.Lost == 0:
		return Normal
	case !u.OnBattery() && !s.neverLost(i):
		return Recovery
	}
	begun, left := false, false
	for k := range s.Hosts {
		h := &s.Hosts[k]
		if !s.fedBy(int32(k), i) {
			continue
		}
		left = left || s.planned(int32(k)) || s.Policy.Hosts[k].Observe && !h.IsOff()
		begun = begun || h.Asked >= u.Lost && (h.asked() || h.State == Off || h.State == Dark)
	}
	switch {
	case !u.OnBattery() && !(begun && left):
		return Recovery
	case !left:
		return AllDown
	case begun:
		return Shedding
	}
	return RideThrough
}

// neverLost tells whether a UPS had input all the time that its hosts were stopped in:
// for heat, or by an order.
func (s *State) neverLost(i int32) bool {
	u := &s.UPSs[i]
	return !u.OnBattery() && u.Lost != 0 && u.From != 0 && u.From <= u.Lost
}

// InputStayed tells whether no UPS has lost its input in the outage that is on: then hosts
// are stopped for heat.
func (s *State) InputStayed() bool {
	for i := range s.UPSs {
		if u := &s.UPSs[i]; u.OnBattery() || u.Lost >= s.Began && !s.neverLost(int32(i)) {
			return false
		}
	}
	return s.Outstanding()
}

// ofUPSs are the conditions of UPSs.
func (s *State) ofUPSs(at Instant) {
	for i := range s.UPSs {
		i, u := int32(i), &s.UPSs[i]
		if s.silent(at, i) || s.unheard(at, i) && s.toldOf(SourceSilent, i) {
			s.holdsThat(SourceSilent, i, -1).Span = at.Sub(u.LastAt)
		}
		if u.OnBattery() && s.low(i) {
			n := s.holdsThat(BatteryLow, i, -1)
			if u.Last.Battery != StatusLow && u.Last.Battery != StatusDepleted && s.saysEnd(i, &u.Last) {
				n.A = u.Last.Millivolts
			}
		}
		if u.Last.Source == FromBypass {
			s.holdsThat(NoBatteryBehind, i, -1)
		}
		if u.Dead() {
			n := s.holdsThat(OutputIsOff, i, -1)
			if s.output(at, i) == outputCounts {
				n.A = OffByOrder
			}
		}
		if s.saysOffWrongly(i) {
			s.holdsThat(OutputSaidOff, i, -1)
		}
		if s.output(at, i) == outputRefused {
			s.holdsThat(OutputNotOff, i, -1).Name = s.saidOf(-1, i)
		}
		if s.mayCountOn(at, i) {
			s.holdsThat(OutputCounts, i, -1)
		}
		if !u.OnBattery() && u.Lost != 0 && at >= s.chargedBy(i) {
			if n, wanted := s.percent(i), s.ChargeWanted(i); n < wanted {
				c := s.holdsThat(BatteryUncharged, i, -1)
				c.A, c.B, c.Span = max(0, n), wanted, at.Sub(u.back())
			}
		}
		if u.OnBattery() && s.lowering(i) && u.Last.RuntimeSeconds != 0 { // at 0 the end is near, which speaks of no worse battery
			n := s.holdsThat(ForecastLowered, i, -1)
			n.A, n.B, n.Span = int64(1000*s.holds(i, low)/s.prior(i)), ByMinutes, time.Duration(u.Last.RuntimeSeconds)*time.Second
			if c := u.Last.ChargeTenths; c != Unread && u.AtGauge != Unread && u.AtGauge-c >= 150 {
				n.B = ByCharge
			}
		}
	}
}

// toldOf tells whether an operator knows of a condition of a UPS, or of none (-1), that
// held last: a new start of the agent ends none.
func (s *State) toldOf(c Code, i int32) bool {
	return find(s.Notices, &Notice{Code: c, UPS: i, Host: -1}) >= 0
}

// What lowered the projection, as a notice says it.
const (
	ByCharge  = iota + 1 // the charge reading
	ByMinutes            // the UPS's own minutes
)

// mayCountOn tells whether a UPS that did not take back the order to switch its output
// off may count to the end.
func (s *State) mayCountOn(at Instant, i int32) bool {
	b := &s.UPSs[i].Switch
	if b.Action.ID.Verb != VerbSwitchOn || s.UPSs[i].OnBattery() {
		return false
	}
	failed := b.Ended != 0 && b.Outcome != Accepted || b.Ended == 0 && at >= b.Action.Deadline
	return failed && at < s.goesOff(i)
}

// ofSite are the conditions of no UPS or host.
func (s *State) ofSite() {
	// That no host is left to plan for is no good news while one that was given up draws on.
	fits := s.Schedule.Plan.Fits && !(len(s.Schedule.Plan.Stops) == 0 && s.anyLingers() && s.toldOf(PlanDoesNotFit, -1))
	if s.Planned() && !fits {
		n := s.holdsThat(PlanDoesNotFit, -1, -1)
		switch {
		case s.Schedule.Plan.Fits:
			n.A = MissedGivenUp
		case s.Word == Abort:
			n.A = MissedByAbort
		case s.Schedule.Plan.FitsExpected:
			n.A = MissedAtWorst
		}
	}
	switch s.Word {
	case Hold:
		s.holdsThat(HoldInForce, -1, -1)
	case Abort:
		s.holdsThat(AbortInForce, -1, -1)
	}
	if s.Waits() {
		n := s.holdsThat(PolicyWaits, -1, -1)
		if s.Next.Observes() && !s.Policy.Site.Observe {
			n.A = WatchWaits
		}
	}
	if s.Policy.Site.Observe {
		s.holdsThat(Observing, -1, -1)
	}
}

// ofHosts are the conditions of hosts.
func (s *State) ofHosts(at Instant) {
	for k := range s.Hosts {
		k, h := int32(k), &s.Hosts[k]
		switch h.State {
		case Asked, Told, Doubt, AskedOff:
			s.ofStop(k)
		case GivenUp, Late:
			if !s.stopFailed(k) {
				s.ofGivenUp(k)
			}
		case Halfway:
			if !s.stopFailed(k) {
				s.holdsThat(StoppedHalfway, -1, k)
			}
		case TurnedOff:
			if s.askedInVain(k) && (s.affected(k) || s.powerCut(k)) {
				n := s.holdsThat(HostGivenUp, -1, k)
				n.A = GivenUpUnseen
				if s.powerCut(k) {
					n.A, n.B = GivenUpCut, int64(h.Last.Action.ID.Method)
				}
			}
		case Failed:
			s.holdsThat(s.notBack(k), -1, k)
		}
		if s.stopFailed(k) {
			s.holdsThat(StopFailed, -1, k)
		}
		if how := s.cut(k); how != 0 {
			n := s.holdsThat(HostCut, -1, k)
			n.A = how
			if h.State == Failed {
				n.B = CutNotBack
			}
		}
		if h.Word == KeepHost {
			s.holdsThat(KeepInForce, -1, k)
		}
		if s.drawsOn(k) {
			s.holdsThat(Observing, -1, k)
		}
	}
}

// ofGivenUp is the condition of a host whose allowance is used up, and that may run still.
func (s *State) ofGivenUp(k int32) {
	h, n := &s.Hosts[k], s.holdsThat(HostGivenUp, -1, k)
	switch {
	case s.aborted(k) && s.nextWay(k, int(h.Last.Action.ID.Method), true) >= 0:
		n.A = GivenUpByAbort
	case h.State == Late:
		n.A = GivenUpLate
	}
	own := s.ownHost()
	for _, f := range s.Policy.Hosts[k].FedBy {
		if i := int32(f); own >= 0 && s.fedBy(own, i) && s.affected(own) && s.UPSs[i].OnBattery() && s.switched(i) && !s.cutOnPurpose() && s.output(s.Now, i) != outputRefused {
			n.Name = s.Policy.UPSs[i].Name // see [State.mayCut]
		}
	}
}

// What A says of the conditions that need one word more; else it is 0.
const (
	OffByOrder   = 1 // the output was ordered off
	StaysForHost = 1 // the output stays on because a host that may run has no other feed
	BlockerLater = 1 // the host that depends on it was asked, or came up, later
	WatchWaits   = 1 // the policy that waits has hosts that are only to be watched
	InputThere   = 1 // at an emergency power off: a UPS has input
)

// How a host lost its power, as a notice says it.
const (
	CutNow      = iota + 1 // its UPSs say that they carry nothing
	CutOff                 // it is off, and no order had it stop
	CutUnseen              // it is out of sight after a time in which its UPSs may have carried nothing
	CutOrTurned            // likewise, and it may as well have been turned off: it is not brought back
)

// cut is how a host lost its power, from when that was told until the host answers, or a
// person has given a word for it: to be told to start is not to be up. 0 for not.
func (s *State) cut(k int32) int64 {
	h := &s.Hosts[k]
	if how := s.lostPower(k); how != 0 || h.State == Up {
		return how
	}
	j := find(s.Notices, &Notice{Code: HostCut, UPS: -1, Host: k})
	if j < 0 || h.UpAt > s.Notices[j].Since || h.WordAt >= s.Notices[j].Since {
		return 0
	}
	return s.Notices[j].A
}

// lostPower tells whether a host that ran lost its power, or may have, and is not back; 0
// for not, and where a person has given a word for it since.
func (s *State) lostPower(k int32) int64 {
	h := &s.Hosts[k]
	switch h.State {
	case Dark:
		if from, _ := s.unfed(k); h.WordAt < from {
			return CutNow
		}
	case Off:
		if v := h.Last.Action.ID.Verb; v != VerbShutDown && v != VerbPowerOff && h.Asked <= h.UpAt && h.WordAt <= h.SeenFrom {
			return CutOff // the last order to it was no stop, and it was seen up after that
		}
	case Silent:
		if s.seemsCut(k) && s.anyFeedGood(k) && h.WordAt <= h.SeenFrom { // not before a UPS answers: till then it may be the network
			return CutUnseen
		}
	case TurnedOff:
		if from, to := s.unfed(k); h.Seen == SeenSilent && from < to && h.UpAt < to && h.UpAt > from.Add(-slowLook) && h.SeenFrom > from && h.WordAt < to && !s.askedInVain(k) {
			return CutOrTurned
		}
	}
	return 0
}

// notBack is the condition of a host that did not come back.
func (s *State) notBack(k int32) Code {
	if len(s.Policy.Hosts[k].Starts) == 0 {
		return NoWayToStart
	}
	return HostNotBack
}

// ofStop are the conditions of a host that is asked to stop.
func (s *State) ofStop(k int32) {
	h := &s.Hosts[k]
	blocker, stays := s.blocker(k)
	switch {
	case !s.affected(k):
	case blocker >= 0: // the order among hosts is given up: it goes before one that depends on it
		n := s.holdsThat(OrderGivenUp, -1, k)
		if n.B = int64(blocker); s.Hosts[blocker].Asked > h.Asked || s.Hosts[blocker].runs() && s.Hosts[blocker].UpAt > h.Asked && s.unasked(blocker) && s.Hosts[blocker].Asked >= s.Began {
			n.A = BlockerLater
		}
	case stays >= 0:
		s.holdsThat(LeftDependent, -1, k).B = int64(stays)
	}
	switch o := h.Last.Outcome; {
	case h.State == Told:
	case o == Refused:
		s.holdsThat(HostRefuses, -1, k).Name = s.saidOf(k, -1)
	case o == Unreachable && h.State != AskedOff: // of one in doubt an order before may have arrived; this one did not
		s.holdsThat(HostUnreachable, -1, k).Name = s.saidOf(k, -1)
	}
}

// saidOf is what the host or UPS of an order said when it ended, at the event of now; "" for
// nothing. It is kept with what is told of that alone.
func (s *State) saidOf(host, ups int32) string {
	if id := s.scratch().ended; id.Host != host || id.UPS != ups {
		return ""
	}
	return s.work.said
}

// ShownAs is a host's state for people, with what is known of it: "silent for 1m40s".
func (s *State) ShownAs(k int32) string {
	h := &s.Hosts[k]
	if asked, is := s.WouldBeAsked(k); is && h.State == Up {
		return "up; would have been asked to stop " + Spell(s.Now.Sub(asked)) + " ago"
	}
	switch h.State {
	case Silent:
		return "silent for " + Spell(s.Now.Sub(h.SeenFrom)+s.Policy.Hosts[k].Probe.QuietFor)
	case Asked, Told, Doubt, AskedOff:
		return h.State.String() + " for " + Spell(max(0, s.Now.Sub(h.Asked)))
	case Late, Halfway, GivenUp:
		return h.State.String() + ", asked " + Spell(max(0, s.Now.Sub(h.Asked))) + " ago"
	case Off:
		if h.Word == StopHost {
			return "off by an operator's order"
		}
	case TurnedOff:
		switch {
		case s.askedInVain(k):
			return "turned off before; asked to stop all the same, without an answer"
		case s.lostPower(k) != 0:
			return "off: it lost its power, or was turned off"
		}
	case Starting:
		if h.Last.Action.ID.Verb != VerbStart {
			return "to be started, if it is off"
		}
	}
	return h.State.String()
}

func notice(c Code, ups, host int32) Effect {
	return Effect{Kind: Notify, Host: -1, UPS: -1, Notice: Notice{Code: c, UPS: ups, Host: host, B: -1}}
}

func cleared(c Code, ups, host int32) Effect {
	e := notice(c, ups, host)
	e.Notice.Clear = true
	return e
}
