package shutdown

import (
	"cmp"
	"slices"
	"time"

	"ebbline/shutdown/battery"
	"ebbline/shutdown/plan"
)

// bringBack starts what the outage stopped, by degrees: the most important first, with
// what it needs; each when the input has been good for a while, and as soon as the
// battery could carry a second outage with it, with those that are up, and with those
// more important that still wait.
func (s *State) bringBack(at Instant) {
	if s.cutOnPurpose() {
		return
	}
	out := s.Outstanding() && s.anyGood()
	t := &s.scratch().tally
	t.begin(len(s.UPSs))
	for _, k := range s.comeback() {
		if s.bringBackOne(at, k, out) {
			t.begin(len(s.UPSs)) // that host counts from now on, and the load with it
		}
	}
	t.end()
}

// bringBackOne starts a host, or tells it to start again, where it may; false where nothing
// is done.
func (s *State) bringBackOne(at Instant, k int32, out bool) bool {
	h := &s.Hosts[k]
	word := h.Word == StartHost
	switch {
	case s.toStart(k), out && s.waits(k) && s.mayStart(at, k):
		s.start(at, k)
	case h.State != Starting || !out && !word, at < s.startOver(k) || !s.mayStart(at, k) && !(word && s.anyFeedStays(k)):
		return false
	case s.interrupted(k):
		s.startAnew(at, k)
	default:
		s.startAgain(at, k)
	}
	return true
}

// waits tells whether a host is off and to be brought back.
func (s *State) waits(k int32) bool {
	return s.Hosts[k].State == Off && s.Hosts[k].Word != StopHost
}

func (s *State) anyGood() bool {
	for i := range s.UPSs {
		if s.UPSs[i].good() {
			return true
		}
	}
	return false
}

// comeback gives the hosts in the order in which they come back: the most important
// first, each after what it needs.
func (s *State) comeback() []int32 {
	w := s.scratch()
	if w.comeback != nil {
		return w.comeback
	}
	n := len(s.Hosts)
	worth, placed := make([]int64, n), make([]bool, n)
	for _, k := range w.order { // dependents come first there, and hand on what they are worth
		worth[k] = max(worth[k], s.Policy.Hosts[k].Priority)
		for _, d := range s.Policy.Hosts[k].DependsOn {
			worth[d] = max(worth[d], worth[k])
		}
	}
	for k := range s.Hosts {
		placed[k] = s.Policy.Hosts[k].StaysUp
	}
	for range w.order {
		best := int32(-1)
		for _, k := range w.order {
			if !placed[k] && s.allPlaced(k, placed) && (best < 0 || worth[k] > worth[best] || worth[k] == worth[best] && s.Policy.Hosts[k].Priority > s.Policy.Hosts[best].Priority) {
				best = k
			}
		}
		placed[best] = true
		w.comeback = append(w.comeback, best)
	}
	return w.comeback
}

func (s *State) allPlaced(k int32, placed []bool) bool {
	for _, d := range s.Policy.Hosts[k].DependsOn {
		if !placed[d] {
			return false
		}
	}
	return true
}

// mayStart tells whether a host may be started now.
func (s *State) mayStart(at Instant, k int32) bool {
	p := &s.Policy.Hosts[k]
	if s.cutOnPurpose() || !s.coolFor(at, k) {
		return false
	}
	for _, d := range p.DependsOn {
		if !s.stands(at, int32(d)) || d == p.RunsOn && s.Hosts[d].State != Up {
			return false
		}
	}
	for _, f := range p.FedBy {
		i, u := int32(f), &s.UPSs[f]
		if at.Sub(u.LastAt) > s.late(i) {
			continue // silence is not good news here either
		}
		if s.mayGoOff(at, i) {
			continue
		}
		// Nor is a test of the UPS's own: it takes from the battery, and shows no input.
		if u.Says == SaysInput && at >= s.stableFrom(i) {
			if t := s.tallied(i); at >= t.next && s.ready(i, k, t.percent) {
				return true
			}
		}
	}
	return false
}

// stands tells whether nothing is to be waited for in a host that another needs.
func (s *State) stands(at Instant, k int32) bool {
	switch h := &s.Hosts[k]; h.State {
	case Off:
		return h.Word == StopHost // as one that was turned off
	case Asked, AskedOff, Told, Doubt, Starting, Interrupted, Dark, Failed:
		return false
	case Late, Halfway:
		return false // what it serves may be half stopped: it comes to an end, or a person sees to it
	case Up, Silent, Unseen:
		return !h.unlooked(at) && !s.maybeGone(k)
	case GivenUp:
		return h.Seen != SeenSilent || !s.inView(k) && !s.allMayBeDead(s.Policy.Hosts[k].FedBy) && !s.mayBeCut(k)
	}
	return true
}

// maybeGone tells whether a host that was up is silent and may have lost its power, be
// its input away again or the way to it dark: what needs it waits until one can tell.
func (s *State) maybeGone(k int32) bool {
	h := &s.Hosts[k]
	return h.Seen == SeenSilent && h.Word != StopHost && h.State == Silent && s.mayBeCut(k)
}

// stableFrom is when a UPS's input will have been good for long enough; Never while
// nothing was heard of it. Nobody knows what it did in a silence.
func (s *State) stableFrom(i int32) Instant {
	u := &s.UPSs[i]
	if u.From == 0 {
		return Never
	}
	return max(u.back(), u.GapTo).Add(s.Policy.Site.Restore.StableFor)
}

// nextStart is when the next host on a UPS may be started.
func (s *State) nextStart(i int32) Instant {
	var last Instant
	for k := range s.Hosts {
		if h := &s.Hosts[k]; h.Last.Action.ID.Verb == VerbStart && h.Asked > last && s.fedBy(int32(k), i) {
			last = h.Asked
		}
	}
	if last == 0 || last < s.UPSs[i].back() {
		return 0
	}
	return last.Add(s.Policy.Site.Restore.Stagger)
}

// start begins a host's start with its first way. One without any starts with its
// power, if that was off; it is only waited for.
func (s *State) start(at Instant, k int32) {
	s.fold(k, InStarted)
	s.startAnew(at, k)
}

// interrupted tells whether the input was lost since a host was told to start.
func (s *State) interrupted(k int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if u := &s.UPSs[f]; u.good() && s.Hosts[k].Asked < u.back() {
			return true
		}
	}
	return false
}

func (s *State) startAnew(at Instant, k int32) {
	h := &s.Hosts[k]
	h.Asked = at
	s.emit(notice(HostStarted, -1, k))
	s.startBy(at, k, 0)
}

func (s *State) startBy(at Instant, k int32, way int) {
	h, p := &s.Hosts[k], &s.Policy.Hosts[k]
	id := s.actionOf(k)
	id.Verb, id.Method = VerbStart, uint8(way)
	if len(p.Starts) == 0 {
		h.Last = Begun{Action: Action{ID: id, Deadline: at.Add(p.StartsIn)}, Ended: at}
		return
	}
	s.begin(h, id, at.Add(p.StartsIn))
}

// startOver is when a start that is under way has had its time: sooner where the order
// did not arrive.
func (s *State) startOver(k int32) Instant {
	b := &s.Hosts[k].Last
	if len(s.Policy.Hosts[k].Starts) == 0 {
		return s.startsUntil(k)
	}
	if o := b.Outcome; !b.underWay() && (o == Refused || o == Unreachable) {
		return min(b.Action.Deadline, b.Ended.Add(retryRefused))
	}
	return b.Action.Deadline
}

// startsUntil is how long ways to start a host are tried: each has its time so often.
func (s *State) startsUntil(k int32) Instant {
	p := &s.Policy.Hosts[k]
	if len(p.Starts) == 0 {
		return s.Hosts[k].Asked.Add(p.StartsIn)
	}
	return s.Hosts[k].Asked.Add(startRounds * time.Duration(len(p.Starts)) * p.StartsIn)
}

// startAgain: the host did not come up in its time. The next way, and all of them
// again a few times.
func (s *State) startAgain(at Instant, k int32) {
	h, p := &s.Hosts[k], &s.Policy.Hosts[k]
	if at >= s.startsUntil(k) {
		s.fold(k, InVain)
		return
	}
	if h.underWay() {
		s.emit(Effect{Kind: Cancel, Action: h.Last.Action})
	}
	s.startBy(at, k, (int(h.Last.Action.ID.Method)+1)%len(p.Starts))
}

// conclude ends the outage for each UPS, and for all, when nothing is left to do; and
// begins one again where a host turns out to be off after all.
func (s *State) conclude(at Instant) {
	for k := range s.Hosts {
		if s.owed(int32(k)) && (s.Outstanding() || s.anyAnswers(at, int32(k))) {
			s.reopen(at, int32(k))
		}
	}
	if !s.Outstanding() {
		return
	}
	all := true
	for i := range s.UPSs {
		u := &s.UPSs[i]
		if u.Lost != 0 && !u.OnBattery() && s.settled(at, int32(i)) && s.ready(int32(i), -1, s.percent(int32(i))) {
			u.Lost = 0
		}
		all = all && u.Lost == 0 && !u.OnBattery() && (!u.Dead() || s.settled(at, int32(i)))
	}
	if !all {
		return
	}
	n := notice(OutageOver, -1, -1)
	n.Notice.A, n.Notice.Span = int64(s.Outage), at.Sub(s.Began)
	s.emit(n)
	s.Began, s.Word = 0, 0
	s.endKeeps()
}

// endKeeps ends all that an operator said of keeping hosts up.
func (s *State) endKeeps() {
	for k := range s.Hosts {
		if s.Hosts[k].Word == KeepHost {
			s.Hosts[k].Word = 0
		}
	}
}

// owed tells whether an outage has a host off that is to be brought back. What an
// operator wants off is not, and what an operator starts waits for no outage.
func (s *State) owed(k int32) bool {
	if w := s.Hosts[k].Word; w == StopHost || w == StartHost {
		return false
	}
	switch s.Hosts[k].State {
	case Off, Dark, Starting, Interrupted:
		return true
	}
	return s.seemsCut(k)
}

// anyAnswers tells whether a feed of a host is not silent: what a silent one has nobody
// knows.
func (s *State) anyAnswers(at Instant, k int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if !s.silent(at, int32(f)) {
			return true
		}
	}
	return false
}

// reopen has the UPSs of a host that is to be brought back, and that were through with
// the outage, wait for that. Where none is on, this is one that nobody saw begin.
func (s *State) reopen(at Instant, k int32) {
	if s.Began == 0 {
		s.Began = at
		s.Outage++
	}
	for _, f := range s.Policy.Hosts[k].FedBy {
		if u := &s.UPSs[f]; u.Lost == 0 && !u.OnBattery() {
			u.Lost = at
		}
	}
}

// settled tells whether nothing on the UPS waits to stop or to start.
func (s *State) settled(at Instant, i int32) bool {
	for k := range s.Hosts {
		h := &s.Hosts[k]
		if !s.fedBy(int32(k), i) {
			continue
		}
		if stopping(h.State) || s.owed(int32(k)) || h.State == Halfway && at < s.patience(int32(k)) ||
			(h.State == Up || h.State == Silent || h.State == Unseen) && h.UpAt != 0 && h.unlooked(at) {
			return false
		}
	}
	return true
}

// ready tells whether a UPS's battery could carry a second outage with all that is up,
// with a host that is to be started, and with those more important; -1 for none. Its
// charge is given in percent.
func (s *State) ready(i, k int32, n int64) bool {
	return n >= s.readyAtMost() || n >= s.readyFrom(i, k)
}

// readyAtMost is the charge from which any UPS is ready, in whole percent.
func (s *State) readyAtMost() int64 {
	return max(int64(100*nearlyFull), s.Policy.Site.Restore.ChargePercent)
}

// readiness is an answer of readyFrom beside what it was worked out from.
type readiness struct {
	ups   int32
	set   uint64 // hash of the hosts
	base  float64
	prior float64
	from  int64
}

func (r readiness) compare(o readiness) int {
	if c := cmp.Compare(r.set, o.set); c != 0 { // as it is nearly always
		return c
	}
	return cmp.Or(cmp.Compare(r.ups, o.ups), cmp.Compare(r.base, o.base), cmp.Compare(r.prior, o.prior))
}

const maxReadies = 4096

// readyFrom is the charge from which a UPS is ready, in whole percent: the policy's,
// or the least from which a safe plan still exists after the ride-through, at the low
// projection. A battery that could not do that when nearly full must be nearly full.
func (s *State) readyFrom(i, k int32) int64 {
	if c := s.Policy.Site.Restore.ChargePercent; c > 0 {
		return c
	}
	w := s.scratch()
	r := readiness{ups: i, set: s.withUp(k), base: s.tallied(i).base, prior: s.prior(i)}
	place, known := slices.BinarySearchFunc(w.readies, r, readiness.compare)
	if known {
		return w.readies[place].from
	}
	r.from = s.leastReady(i, r.base)
	if len(w.readies) == maxReadies {
		w.readies, place = w.readies[:0], 0
	}
	w.readies = slices.Insert(w.readies, place, r)
	return r.from
}

// tally is what readiness is asked with of one host after the other, while nothing is
// started: which hosts count, and what each UPS carries that they do not explain.
type tally struct {
	open   bool   // it holds from one question to the next
	next   int    // the first in the order of the comeback that was not counted; -1: none was
	hash   uint64 // of those that count
	counts []bool // by host
	ups    []upsTally
}

// upsTally is what is the same of a UPS for all hosts that are asked for.
type upsTally struct {
	base    float64 // watts
	next    Instant // when the next host on it may be started
	percent int64   // of its charge
	known   bool
}

// begin has what was counted hold until the end, or until it is begun anew.
func (t *tally) begin(upss int) {
	t.open, t.next = true, -1
	if t.ups == nil {
		t.ups = make([]upsTally, upss)
	}
	clear(t.ups)
}

func (t *tally) end() { t.open = false }

// tallied is a UPS in the tally.
func (s *State) tallied(i int32) upsTally {
	t := &s.scratch().tally
	if t.open && t.ups[i].known {
		return t.ups[i]
	}
	u := upsTally{s.unexplained(i), s.nextStart(i), s.percent(i), true}
	if t.open {
		t.ups[i] = u
	}
	return u
}

// withUp writes down which hosts count for the readiness of UPSs, and gives a hash of
// them: those that are not off, one that is to be started, those that are to be started
// before it, those that come with their power, since nothing holds them back, and those
// that only seem off, for which the next outage waits.
func (s *State) withUp(k int32) uint64 {
	t, order := &s.scratch().tally, s.comeback()
	if !t.open || t.next < 0 {
		s.countUp()
	}
	for k >= 0 && t.next < len(order) && (t.next == 0 || order[t.next-1] != k) {
		j := order[t.next]
		t.next++
		if j == k || s.waits(j) {
			s.count(j)
		}
	}
	return t.hash
}

// countUp counts those that count whatever is to be started.
func (s *State) countUp() {
	t := &s.scratch().tally
	if t.counts == nil {
		t.counts = make([]bool, len(s.Hosts))
	}
	clear(t.counts)
	t.next, t.hash = 0, 0
	for j := range s.Hosts {
		h, p := &s.Hosts[j], &s.Policy.Hosts[j]
		if !h.IsOff() || len(p.Starts) == 0 && (h.State == Off || h.State == Dark) || h.seemsOff() && h.runs() && !p.StaysUp {
			s.count(int32(j))
		}
	}
}

func (s *State) count(j int32) {
	t := &s.scratch().tally
	if t.counts[j] {
		return
	}
	t.counts[j] = true
	bit := uint64(2*j + 1)
	if s.Hosts[j].seemsOff() {
		bit++
	}
	t.hash ^= scattered(bit)
}

// scattered is a number that shows nothing of the one that it was made of, so that those of
// a set can be taken together in any order (the finalizer of SplitMix64, Steele and others
// 2014, OOPSLA; its constants from memory).
func scattered(n uint64) uint64 {
	n *= 0x9e3779b97f4a7c15
	n = (n ^ n>>30) * 0xbf58476d1ce4e5b9
	n = (n ^ n>>27) * 0x94d049bb133111eb
	return n ^ n>>31
}

// unexplained is what a UPS carries that loads, and hosts that surely draw, do not
// explain by the policy, in watts, rounded up to a fiftieth of its rating, but for a
// flicker.
func (s *State) unexplained(i int32) float64 {
	step := float64(max(1, s.Policy.UPSs[i].RatedWatts/50))
	more := s.UPSs[i].Load - s.loads(i)
	for k := range s.Hosts {
		if s.explains(int32(k)) {
			more -= s.part(int32(k), i)
		}
	}
	n := 0.0
	for n < more-step/10 {
		n += step
	}
	return n
}

// explains tells whether a host's draw is in the measured load, by all that is known. One
// that may be off would hide what another draws that is out of sight.
func (s *State) explains(k int32) bool {
	switch h := &s.Hosts[k]; {
	case h.State == Starting:
		return h.Last.Action.ID.Verb == VerbStart
	case h.Seen == SeenSilent:
		return !h.IsOff() && h.State != GivenUp && !s.mayBeCut(k)
	default:
		return !h.IsOff()
	}
}

func (s *State) leastReady(i int32, base float64) int64 {
	full := int64(100 * nearlyFull)
	s.poseReady(i, base)
	need := s.Policy.Site.RideThrough
	if need > 0 && !s.lasts(full, need, false) {
		need = s.noReturn(full)
	}
	if need <= 0 {
		return full
	}
	least, most := int64(-1), full
	for most-least > 1 {
		if mid := (least + most) / 2; s.lasts(mid, need, true) {
			most = mid
		} else {
			least = mid
		}
	}
	return most
}

// nearlyFull is the charge that counts as ready where no charge makes the plan fit:
// what recharging gives back in hours and not in a day.
const nearlyFull = 0.85

// waitedFor notes which hosts must be off before one that the UPS feeds may stop,
// wherever their own power comes from: it may fail at the same time.
func (s *State) waitedFor(i int32) []bool {
	w := s.scratch()
	if w.waited == nil {
		w.waited = make([]bool, len(s.Hosts))
	}
	clear(w.waited)
	counts := func(j int32) bool { return w.waited[j] || s.fedBy(j, i) }
	for _, k := range slices.Backward(w.order) { // what a host needs comes before it, and the agent's own first
		w.waited[k] = w.own >= 0 && w.own != k && counts(w.own)
		for _, d := range s.Policy.Hosts[k].DependsOn {
			w.waited[k] = w.waited[k] || counts(int32(d))
		}
	}
	return w.waited
}

// poseReady writes down the question whether one UPS alone, with the hosts that count,
// could carry a second outage.
func (s *State) poseReady(i int32, unexplained float64) {
	w, site := s.scratch(), &s.Policy.Site
	p := &w.second
	*p = plan.Problem{Reserve: site.Reserve + s.Reaction(), AtOnce: site.AtOnce, Stores: p.Stores[:0], Hosts: p.Hosts[:0]}
	w.hosts, w.after = w.hosts[:0], w.after[:0]
	base := s.own(i) + unexplained
	for l := range s.Policy.Loads {
		if load := &s.Policy.Loads[l]; dependsOn(load.FedBy, i) {
			base += float64(load.Watts) / float64(len(load.FedBy))
		}
	}
	waited := s.waitedFor(i)
	for k := range s.Policy.Hosts {
		w.place[k] = -1
		h := &s.Policy.Hosts[k]
		fed, parts := s.fedBy(int32(k), i), float64(len(h.FedBy))
		switch q := (plan.Host{Stops: s.allowance(int32(k)), Expected: h.StopsIn, Priority: h.Priority, Feeds: onlyStore}); {
		case !w.tally.counts[k] || !fed && !waited[k]:
		case fed && (h.StaysUp || s.drawsOn(int32(k))):
			base += float64(h.Watts) / parts
		default:
			if fed && !s.Hosts[k].seemsOff() { // what that draws, if it does, is among what is not explained
				q.Watts, q.Stopping = float64(h.Watts)/parts, float64(h.StoppingWatts)/parts
			}
			w.place[k] = int32(len(w.hosts))
			w.hosts, p.Hosts = append(w.hosts, int32(k)), append(p.Hosts, q)
		}
	}
	s.poseAfter(p, w)
	p.Stores = append(p.Stores, plan.Store{Model: s.belief(i).Scaled(s.prior(i)), Base: base})
}

// onlyStore feeds all hosts of a question about one UPS.
var onlyStore = []plan.Feed{{Store: 0, Part: 1}}

// noReturn is the point of no return in that question, from the charge given in percent.
func (s *State) noReturn(percent int64) time.Duration {
	return s.work.planner.NoReturn(s.charged(percent))
}

// lasts tells whether that point is no earlier than a time; again, of another charge.
func (s *State) lasts(percent int64, need time.Duration, again bool) bool {
	return s.work.planner.Lasts(s.charged(percent), up(need), again)
}

// charged is that question with a charge given in percent.
func (s *State) charged(percent int64) *plan.Problem {
	p := &s.work.second
	st := &p.Stores[0]
	st.Charge = st.Model.At(float64(percent) / 100)
	return p
}

// chargedBy is when a battery should have charged, twice over; Never while nothing was
// heard of its UPS.
func (s *State) chargedBy(i int32) Instant {
	if s.UPSs[i].From == 0 {
		return Never
	}
	return s.UPSs[i].back().Add(2 * battery.Whole(s.belief(i).RechargeTime))
}

// ChargeWanted is the charge that the next host on a UPS waits for, or the end of the
// outage, in percent.
func (s *State) ChargeWanted(i int32) int64 {
	for _, k := range s.comeback() {
		if s.waits(k) && s.fedBy(k, i) {
			return s.readyFrom(i, k)
		}
	}
	return s.readyFrom(i, -1)
}
