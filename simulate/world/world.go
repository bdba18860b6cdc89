package world

import (
	"math"
	"slices"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// How fast things are in the modelled room.
const (
	answerTakes = 300 * time.Millisecond // an order over SSH, a local command, a BMC
	pollSoon    = 10 * time.Millisecond
	noAnswer    = time.Second      // until an unreachable host is known to be so
	lookAgain   = 10 * time.Second // at the least between looks: the core asks for one a second while a host stops or starts
	lostLately  = time.Minute      // after a loss, and before the battery is low, readings come at their full pace
	idlePoll    = 8 * time.Second  // between answers while nothing is under way: nothing is learned from more, and it is no silence yet
	chargePoll  = time.Minute      // and when the script is over and the input there: the next is said to be as the one before
	lossyAfter  = 15 * time.Minute // how long after the script's end answers still get lost or come late: hours of charging would only repeat it
	findOut     = time.Minute      // what the agent gets to see that a host is off
)

// End is how a host ended the run, or stands now.
type End uint8

const (
	StaysUp End = iota + 1
	Clean       // off, in its own time
	Cut         // its power went while it was up
)

// String gives the word of the JSON output.
func (e End) String() string { return [...]string{"", "up", "clean", "cut"}[e] }

// UPS is one UPS as it is now.
type UPS struct {
	Input   bool
	Dead    bool // its output is off
	Empty   bool // because its battery is
	Charge  battery.Charge
	Model   battery.Model
	Load    float64 // watts at the output
	Extra   float64
	InHand  time.Duration // battery time left, at the load before, when a host on it last went off; what a host that was cut lacked, negative; or [NoneInHand]
	Before  time.Duration // the least InHand of the losses of input before this one
	at      shutdown.Instant
	belief  *battery.Belief
	version uint32 // of its running empty
	count   uint32 // of its output's countdown
	counts  bool
	mute    shutdown.Instant
	tests   shutdown.Instant
	low     bool             // says so in its test
	says    shutdown.Instant // until when it says that it tests
	good    bool             // and that the input is there
	odd     shutdown.Source
	oddLow  bool
	pollAt  shutdown.Instant // when it is asked next; Never
	pollNo  uint32           // its place among what happens at that instant
	since   shutdown.Instant
	late    shutdown.Measurement // read, and still on its way
	lates   uint32
	claims  float64 // factor on its minutes
	own     float64 // watts that it takes itself from its battery
	lasted  float64 // seconds of which fade is known
	fade    float64
}

// Host is one host as it is now.
type Host struct {
	On       bool
	Stopping bool
	Service  bool
	Starting bool
	AskedAt  shutdown.Instant // first order to stop in this run; Never
	OffAt    shutdown.Instant
	StartAt  shutdown.Instant // first order to start; Never
	BackAt   shutdown.Instant
	WasCut   bool // at some time in the run
	LastCut  bool // when it last went off
	WasOff   bool // went off at some time in the run
	Asks     int
	version  uint32
	look     uint32
	every    time.Duration // between looks
	seen     shutdown.Sighting
	sent     bool
	quiet    shutdown.Instant // since when looks find no answer; 0 for one that answers, or was not looked at by this agent
	mode     Mode
	asked    bool // to stop, and not to start since: to be seen up again means something then
}

// NoneInHand is what is in hand where no host went off on battery.
const NoneInHand = time.Duration(math.MaxInt64)

// Least is the least in hand of all losses of input so far.
func (u *UPS) Least() time.Duration { return min(u.Before, u.InHand) }

// World is the room in one run. [World.Next] hands out what the core is to be
// told; [World.Do] takes what the core wants done.
type World struct {
	Policy *policy.Policy
	Truth  *Truth
	Now    shutdown.Instant
	UPSs   []UPS
	Hosts  []Host
	Agent  bool // the agent runs
	// AllAnswers has a UPS asked as often while it only charges as at other times.
	AllAnswers bool
	Events     int // items worked off
	Up         int // hosts that are on
	busy       int // of those, how many stop or start

	room    room
	beliefs []battery.Belief
	paths   []bool // loads that work
	life    uint32 // of the agent
	queue   queue
	begun   []shutdown.ActionID // in this run
	rand    Random
	rising  bool             // the agent was killed and is started again
	stirred shutdown.Instant // when the agent last started, a host went off or an output came on: it is to find out
	told    shutdown.Event   // what is seldom told
	answers shutdown.Event   // a UPS's answer
	seen    shutdown.Event   // how a host looks
	lastMs  int              // moments not yet come
	quietAt shutdown.Instant // when answers come well again, once there are none
}

// New makes a room for a policy. The beliefs are what the core starts from.
func New(p *policy.Policy, day int64) (*World, error) {
	w := &World{Policy: p, UPSs: make([]UPS, len(p.UPSs)), Hosts: make([]Host, len(p.Hosts)), paths: make([]bool, len(p.Loads))}
	w.answers = shutdown.Event{Kind: shutdown.Measured, Measurement: shutdown.Nothing}
	w.seen = shutdown.Event{Kind: shutdown.Observed}
	for i := range p.UPSs {
		b, err := battery.New(&p.UPSs[i], day)
		if err != nil {
			return nil, err
		}
		w.beliefs = append(w.beliefs, b)
	}
	return w, nil
}

// Reset begins a run at the instant given.
func (w *World) Reset(t *Truth, at shutdown.Instant) {
	w.Truth, w.Now, w.Agent, w.life, w.rising, w.stirred = t, at, true, 0, false, 0
	w.Events, w.Up, w.busy = 0, 0, 0
	w.rand = NewRandom(t.Seed)
	w.queue.reset()
	w.begun = w.begun[:0]
	for i := range w.UPSs {
		tr := &t.UPSs[i]
		b := &w.beliefs[i]
		m := tr.Model(b)
		w.UPSs[i] = UPS{Input: true, InHand: NoneInHand, Before: NoneInHand, Model: m, Charge: m.At(tr.Charge), belief: b, at: at, pollAt: shutdown.Never, claims: tr.Optimism, own: b.OverheadWatts * tr.Own}
	}
	for k := range w.Hosts {
		for j := w.Policy.Hosts[k].RunsOn; j >= 0; j = w.Policy.Hosts[j].RunsOn {
			if t.Hosts[j].Mode == WasOff {
				t.Hosts[k].Mode = WasOff // a guest is off with its host
			}
		}
		on := t.Hosts[k].Mode != WasOff
		if on {
			w.Up++
		}
		w.Hosts[k] = Host{On: on, Service: on, AskedAt: shutdown.Never, OffAt: shutdown.Never, StartAt: shutdown.Never, BackAt: shutdown.Never, mode: t.Hosts[k].Mode, every: lookAgain}
	}
	for l := range w.paths {
		w.paths[l] = true
	}
	w.lastMs, w.quietAt = len(t.Moments), at.Add(lossyAfter)
	for j := range t.Moments {
		w.put(doMoment, int32(j), t.Moments[j].At, 0)
	}
	w.resetRoom()
	w.settle()
	for i := range w.UPSs {
		w.poll(int32(i), 0)
	}
	for k := range w.Hosts {
		w.Hosts[k].quiet = at.Add(-w.Policy.Hosts[k].Probe.QuietFor) // what is silent was so before
		w.lookSoon(int32(k), 0)
	}
}

func (w *World) put(k kind, index int32, in time.Duration, mark uint32) {
	w.queue.put(item{at: w.Now.Add(in), kind: k, index: index, mark: mark})
}

// Peek is when the next thing happens; Never when nothing will.
func (w *World) Peek() shutdown.Instant {
	at := shutdown.Never
	if len(w.queue.items) > 0 {
		at = w.queue.items[0].at
	}
	for i := range w.UPSs {
		at = min(at, w.UPSs[i].pollAt)
	}
	return at
}

// polled gives the UPS whose answer is what happens next, or -1. Polls, the most of
// all, do not go through the queue.
func (w *World) polled() int32 {
	at, order, first := shutdown.Never, uint32(0), int32(-1)
	if len(w.queue.items) > 0 {
		at, order = w.queue.items[0].at, w.queue.items[0].order
	}
	for i := range w.UPSs {
		u := &w.UPSs[i]
		if u.pollAt < at || u.pollAt == at && u.pollNo < order {
			at, order, first = u.pollAt, u.pollNo, int32(i)
		}
	}
	return first
}

// Next lets the next thing happen and gives the event for the core, or nil when
// the core does not learn of it. The event is good until the next call. There
// must be a next thing: see [World.Peek].
func (w *World) Next() *shutdown.Event {
	w.Events++
	if i := w.polled(); i >= 0 {
		u := &w.UPSs[i]
		w.Now, u.pollAt = u.pollAt, shutdown.Never
		return w.answer(i)
	}
	it := w.queue.take()
	w.Now = it.at
	switch it.kind {
	case doMoment:
		w.lastMs--
		w.quietAt = w.Now.Add(lossyAfter)
		return w.moment(&w.Truth.Moments[it.index])
	case doLate:
		if u := &w.UPSs[it.index]; it.mark == u.lates && w.Agent {
			w.answers.UPS, w.answers.Measurement, w.answers.Standing = it.index, u.late, 0
			return &w.answers
		}
	case doEmpty:
		if u := &w.UPSs[it.index]; it.mark == u.version {
			w.update(it.index)
			u.Empty = true
			w.dead(it.index)
		}
	case doOutput:
		if u := &w.UPSs[it.index]; it.mark == u.count && u.counts {
			u.counts = false
			w.update(it.index)
			w.dead(it.index)
			if u.Input {
				w.alive(it.index)
			}
		}
	case doLook:
		if w.Hosts[it.index].look == it.mark {
			return w.looked(it.index)
		}
	case doService:
		if h := &w.Hosts[it.index]; h.version == it.mark {
			h.Service = false
			if w.PathTo(it.index) { // else its silence counts from when the way to it went
				w.lookSoon(it.index, 0)
			}
		}
	case doGone:
		if w.Hosts[it.index].version == it.mark {
			w.gone(it.index)
		}
	case doUp:
		if h := &w.Hosts[it.index]; h.version == it.mark {
			w.busy--
			h.Starting, h.Service, h.BackAt = false, true, w.Now
			w.lookSoon(it.index, 0)
			if w.Policy.Hosts[it.index].Self {
				return w.agentBack(true)
			}
		}
	case doFinish:
		if it.mark == w.life && w.Agent {
			id := w.begun[it.index]
			w.told = shutdown.Event{Kind: shutdown.Finished, Action: id, Host: id.Host, Outcome: it.outcome}
			return &w.told
		}
	case doSense:
		return w.sense(it.index)
	case doTouch:
		return w.touch(it.index)
	case doAgent:
		if it.mark == w.life {
			w.rising = false
			return w.agentBack(false)
		}
	}
	return nil
}

// agentBack starts the agent.
func (w *World) agentBack(rebooted bool) *shutdown.Event {
	if w.Agent {
		return nil
	}
	orderly := true
	for k := range w.Policy.Hosts {
		if !w.Policy.Hosts[k].Self {
			continue
		}
		if !w.Hosts[k].Service {
			return nil
		}
		orderly = !w.Hosts[k].LastCut
	}
	w.Agent, w.rising, w.stirred = true, false, w.Now
	for i := range w.UPSs {
		w.poll(int32(i), pollSoon)
	}
	for k := range w.Hosts {
		w.Hosts[k].sent, w.Hosts[k].quiet = false, 0
		w.lookSoon(int32(k), pollSoon)
	}
	w.told = shutdown.Event{Kind: shutdown.Restarted, Rebooted: rebooted, Orderly: rebooted && orderly}
	return &w.told
}

// Kill ends the agent and starts it again after a while.
func (w *World) Kill(d time.Duration) {
	if w.Agent {
		w.agentDies()
		w.put(doAgent, 0, d, w.life)
		w.rising = true
	}
}

func (w *World) agentDies() {
	w.Agent = false
	w.life++
}

// moment is one thing of the script.
func (w *World) moment(m *Moment) *shutdown.Event {
	switch m.What {
	case HostMode:
		if h := &w.Hosts[m.Host]; m.Mode != WasOff {
			h.mode = m.Mode
			w.lookSoon(m.Host, 0)
		}
	case PathDies:
		w.paths[m.Load] = false
		for k := range w.Hosts {
			if slices.Contains(w.Policy.Hosts[k].NeedsLoads, int(m.Load)) {
				w.falls(int32(k))
			}
		}
	case SensorSilent, SensorSticks, SensorJumps, SensorDrifts, SensorRepeats, SensorFahrenheit, SensorMends, CoolingFails, CoolingBack, EmergencyUsed, EmergencyReleased:
		w.roomMoment(m)
	case AgentKilled:
		w.Kill(m.For)
	case Operator:
		if w.Agent {
			w.told = shutdown.Event{Kind: shutdown.Commanded, Order: m.Order, Host: m.Host, Code: m.Code}
			return &w.told
		}
	default:
		for i := range w.UPSs {
			if m.UPS < 0 || int(m.UPS) == i {
				w.upsMoment(int32(i), m)
			}
		}
	}
	return nil
}

func (w *World) upsMoment(i int32, m *Moment) {
	w.warm()
	u := &w.UPSs[i]
	w.update(i)
	switch m.What {
	case InputLost:
		if u.Input {
			u.Before = u.Least()
			u.Input, u.InHand, u.since = false, NoneInHand, w.Now
			w.settle()
			w.notice(i)
		}
	case InputBack:
		if !u.Input {
			u.Input = true
			if u.Dead {
				w.alive(i)
			}
			w.settle()
			w.notice(i)
		}
	case Mute:
		u.mute = w.Now.Add(m.For)
	case OddReading:
		u.odd = shutdown.FromBattery
		w.poll(i, pollSoon)
	case OddGood:
		u.odd = shutdown.FromInput
		w.hurry(i)
	case OddNothing:
		u.odd = shutdown.FromNothing
		w.hurry(i)
	case OddLow:
		u.oddLow = true
		w.hurry(i)
	case Tests:
		u.tests, u.low = w.Now.Add(m.For), m.Number > 0
		w.poll(i, pollSoon)
	case ClaimsTest:
		u.says, u.good = w.Now.Add(m.For), m.Number > 0
		w.hurry(i)
	case OutputFails:
		w.dead(i)
	case Claims:
		u.claims = m.Number
		w.hurry(i)
	case ExtraLoad:
		u.Extra += m.Number
		w.settle()
	}
}

// notice has the UPS asked at the next regular poll after a change. That falls at any
// time within the interval; one that was to come sooner is not put off, or there would be
// a silence that no agent hears.
func (w *World) notice(i int32) {
	in := time.Duration(w.rand.Float() * float64(w.Policy.UPSs[i].PollEvery()))
	if u := &w.UPSs[i]; w.Now.Add(in) < u.pollAt || u.pollAt <= w.Now {
		w.poll(i, in)
	}
}

// poll has a UPS asked in so long; it replaces the poll that was to come.
func (w *World) poll(i int32, in time.Duration) {
	u := &w.UPSs[i]
	u.pollAt, u.pollNo = w.Now.Add(in), w.queue.next
	w.queue.next++
}

// answer is what a UPS says when it is asked.
func (w *World) answer(i int32) *shutdown.Event {
	u := &w.UPSs[i]
	if !w.Agent {
		return nil // its start asks again
	}
	if u.Empty {
		return nil // its return asks again
	}
	every := w.interval(i)
	w.poll(i, every)
	if w.Now < u.mute || w.lossy() && w.rand.Float() < w.Truth.Loss {
		return nil
	}
	w.update(i)
	e, standing := &w.answers, w.standing(i)
	e.UPS, e.Standing = i, 0
	w.read(i, &e.Measurement)
	u.odd, u.oddLow = 0, false
	u.lates++ // one conversation after the other: no older answer comes after this one
	if w.lossy() && w.rand.Float() < w.Truth.Late {
		// Later than the time-out it would be lost.
		u.late = e.Measurement
		w.put(doLate, i, time.Duration(w.rand.Float()*float64(w.Policy.UPSs[i].Timeout())), u.lates)
		return nil
	}
	if standing {
		e.Standing = every
	}
	return e
}

// lossy tells whether answers may get lost or come late now.
func (w *World) lossy() bool {
	return (w.Truth.Loss > 0 || w.Truth.Late > 0) && (w.lastMs > 0 || w.Now < w.quietAt)
}

// interval is when the UPS is asked next. While nothing is under way and
// nothing is to come soon, a few seconds apart tell as much as two; and while it
// only charges, a minute.
func (w *World) interval(i int32) time.Duration {
	u := &w.UPSs[i]
	every := w.Policy.UPSs[i].PollEvery()
	if max(u.tests, u.says) > w.Now || u.odd != 0 || u.oddLow || w.lossy() {
		return every // where answers get lost, two apart would be silence
	}
	if !u.Input && (w.Now < u.since.Add(lostLately) || w.nearLow(i)) {
		return every
	}
	switch {
	case w.standing(i):
		return max(every, chargePoll)
	case w.busy > 0:
		return every
	}
	return max(every, idlePoll)
}

// standing tells whether a UPS only charges from here on, until the core does
// something: its next answer is then nearly the one before.
func (w *World) standing(i int32) bool {
	u := &w.UPSs[i]
	return u.Input && !w.AllAnswers && w.lastMs == 0 && !w.rising && !w.lossy() && u.odd == 0 && !u.oddLow && w.Now >= max(u.mute, u.tests, u.says)
}

// nearLow tells whether the load as it is brings the UPS to say "battery low" soon.
func (w *World) nearLow(i int32) bool {
	u := &w.UPSs[i]
	watts := u.Load + u.own
	left := u.Model.Energy - float64(u.Model.Ohmic*watts) - u.Charge.Delivered - u.Charge.Bound
	return left < float64(max(watts, 1)*seconds(w.Truth.UPSs[i].LowAt+lostLately))
}

// hurry brings a UPS's answer forward to the next regular one: something has
// changed that it tells of.
func (w *World) hurry(i int32) {
	u, every := &w.UPSs[i], w.Policy.UPSs[i].PollEvery()
	if in := u.pollAt.Sub(w.Now); u.pollAt != shutdown.Never && in > every {
		u.pollAt = w.Now.Add(in % every)
	}
}

// Reading is what the UPS's own instruments show.
func (w *World) Reading(i int32) shutdown.Measurement {
	m := shutdown.Nothing
	w.read(i, &m)
	return m
}

// read writes down what the UPS's instruments show; what they never do is left as
// it is.
func (w *World) read(i int32, m *shutdown.Measurement) {
	u, t := &w.UPSs[i], &w.Truth.UPSs[i]
	watts := u.Load + u.own
	m.Source, m.Input, m.Battery = shutdown.FromInput, shutdown.LineGood, shutdown.StatusNormal
	m.LoadWatts, m.OnBatterySecs, m.Testing = int64(math.Round(u.Load)), shutdown.Unread, false
	if !u.Input {
		m.Source, m.Input = shutdown.FromBattery, shutdown.LineBad
		m.OnBatterySecs = int64(w.Now.Sub(u.since) / time.Second)
	}
	if w.Now < u.tests {
		m.Source, m.Testing = shutdown.FromBattery, true
		if !u.Input {
			m.Testing = false
		}
	}
	if w.Now < u.says && w.Now >= u.tests { // of a true one it says all
		m.Testing, m.Input, m.OnBatterySecs = true, 0, shutdown.Unread
		if u.good {
			m.Input = shutdown.LineGood
		}
	}
	if u.Dead {
		m.Source = shutdown.FromNothing
	}
	if u.odd != 0 && !u.Dead {
		m.Source = u.odd
	}
	// A gauge that counts to zero at the present load, and minutes by that.
	total := u.Model.Energy - float64(u.Model.Ohmic*watts)
	left := max(0, total-u.Charge.Delivered-u.Charge.Bound)
	if total > 0 {
		m.ChargeTenths = int64(1000 * left / total)
	} else {
		m.ChargeTenths = 0
	}
	m.RuntimeSeconds = int64(min(left/max(watts, 1)*u.claims, 359999)) / 60 * 60
	if !u.Input && left < float64(watts*seconds(t.LowAt)) || u.Input && u.low && w.Now < u.tests {
		m.Battery = shutdown.StatusLow
	}
	w.senses(i, m)
	if t.ClaimsFull {
		m.ChargeTenths, m.Battery = 1000, shutdown.StatusNormal
	}
	if u.oddLow {
		m.Battery = shutdown.StatusLow
	}
}

// looked is what a look at a host shows.
func (w *World) looked(k int32) *shutdown.Event {
	h := &w.Hosts[k]
	if !w.Agent {
		return nil
	}
	seen := w.Sight(k)
	if rest := w.lasts(k, seen); rest > 0 {
		w.lookSoon(k, rest)
		return nil
	}
	if h.asked && seen != shutdown.SeenSilent {
		w.lookSoon(k, h.every)
	}
	if h.sent && seen == h.seen && !h.asked {
		return nil
	}
	h.seen, h.sent = seen, true
	w.seen.Host, w.seen.Sighting = k, seen
	return &w.seen
}

// lasts tells how much longer what a look shows must last: silence counts only when it
// has lasted while this agent looked.
func (w *World) lasts(k int32, seen shutdown.Sighting) time.Duration {
	h := &w.Hosts[k]
	switch {
	case seen != shutdown.SeenSilent:
		h.quiet = 0
		return 0
	case h.quiet == 0:
		h.quiet = w.Now
	}
	return h.quiet.Add(w.Policy.Hosts[k].Probe.QuietFor).Sub(w.Now)
}

// falls has a host looked at whose answers end now, when its silence has lasted.
func (w *World) falls(k int32) {
	if h := &w.Hosts[k]; h.quiet == 0 {
		h.quiet = w.Now
	}
	w.lookSoon(k, w.Policy.Hosts[k].Probe.QuietFor)
}

// Sight is how a host looks from the agent's place, at one look.
func (w *World) Sight(k int32) shutdown.Sighting {
	h := &w.Hosts[k]
	switch {
	case !w.PathTo(k):
	case h.On && h.Service:
		return shutdown.SeenUp
	case h.On && h.Stopping:
		return shutdown.SeenRefusing
	}
	return shutdown.SeenSilent
}

// Update brings every battery to the instant given, which nothing in the queue
// may come before.
func (w *World) Update(at shutdown.Instant) {
	w.Now = max(w.Now, at)
	for i := range w.UPSs {
		w.update(int32(i))
	}
}

// Left is the part of a UPS's true store that is left at its load.
func (w *World) Left(i int32) float64 {
	u := &w.UPSs[i]
	return max(0, u.Model.Left(u.Charge, u.Load+u.own)/u.Model.Energy)
}

// lookSoon has the host looked at in so long.
func (w *World) lookSoon(k int32, in time.Duration) {
	h := &w.Hosts[k]
	h.look++
	w.put(doLook, k, in, h.look)
}

// PathTo tells whether the agent reaches a host: every load that it needs must
// work and be fed. A UPS's card needs nothing.
func (w *World) PathTo(k int32) bool {
	for _, l := range w.Policy.Hosts[k].NeedsLoads {
		if !w.paths[l] || w.dark(w.Policy.Loads[l].FedBy) {
			return false
		}
	}
	return w.Hosts[k].mode != Unreachable
}

func (w *World) dark(feeds []int) bool {
	for _, f := range feeds {
		if !w.UPSs[f].Dead {
			return false
		}
	}
	return true
}

// Idle tells whether nothing is under way or to come but polls and looks: every
// UPS has input, no host stops or starts, and the script is at its end.
func (w *World) Idle() bool {
	if w.lastMs > 0 || w.rising || w.warmer() || w.Now < w.stirred.Add(findOut) {
		return false
	}
	for i := range w.UPSs {
		u := &w.UPSs[i]
		if !u.Input || u.counts || w.Up < len(w.Hosts) && w.Now < u.mute.Add(findOut) {
			return false
		}
	}
	return w.busy == 0
}

// Went is how the host went off in this run: cut if it ever was, else clean,
// or up when it never went.
func (h *Host) Went() End {
	switch {
	case h.WasCut:
		return Cut
	case h.WasOff:
		return Clean
	}
	return StaysUp
}
