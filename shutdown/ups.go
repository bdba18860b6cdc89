package shutdown

import (
	"math"
	"time"

	"ebbline/policy"
	"ebbline/shutdown/battery"
)

// answered takes one answer of one UPS. True when it says something that others
// rest on.
func (s *State) answered(at Instant, i int32, m *Measurement) bool {
	u := &s.UPSs[i]
	before, booted := s.glance(at, i), u.From == 0
	s.afterStart(at, i)
	if u.oddReturn(m) {
		u.From = at
	}
	s.gapEnds(at, i, m)
	load := s.loadOf(i, m)
	s.drain(i, at, max(u.Load, load)) // between two answers it was at most the larger of the two
	source, first, says, since := u.Last.Source, u.From == 0, u.says(m, at, booted), u.since(at, m)
	away := says == SaysBattery || says == SaysOffLost
	begins := away && !first && !u.OnBattery() && !u.resumes(at)
	if begins {
		c := s.filled(i) // by the answer before
		u.Taken = Taken{c, c}
	}
	u.Load = load
	end := s.ownEnd(i) // of the answer before
	if u.EndHeard != 0 && u.LastAt < u.EndHeard.Add(aMoment) && !s.saysEnd(i, m) {
		u.EndHeard = 0 // an odd one
	}
	u.Last, u.LastAt = *m, at
	if m.Source == 0 {
		u.Last.Source = source
	}
	if first || !u.OnBattery() {
		if first && away || begins {
			s.unwatched(i, at.Sub(since), first)
		}
		if first || begins {
			s.gauge(i, first, away)
		}
		s.warmth(i, away)
	}
	if first || says != u.Says {
		s.turn(at, i, says, since)
	}
	if u.OnBattery() {
		s.lowered(at, i, end)
	}
	return s.warmedBy(at, i, m) || before != s.glance(at, i)
}

// glance is all of a UPS that others rest on, as it can be compared.
type glance struct {
	says        Says
	sure, fresh bool // of the loss; of the input
	end         bool // its battery is said to be at its end
	dead        bool
	silent      bool
	source      Source
	load        verdict // on what the schedule counts on of its load
	counted     float64
	percent     int64 // of its charge, while hosts or the end of the outage wait for it
	stale       bool  // the last answer is too old to start anything by, likewise
}

func (s *State) glance(at Instant, i int32) glance {
	u := &s.UPSs[i]
	g := glance{says: u.Says, dead: u.Dead(), silent: s.silent(at, i), source: u.Last.Source}
	switch {
	case u.OnBattery():
		g.sure, g.counted, g.load, g.end = u.From != 0 && s.lostByTwo(i), s.counted(i), s.reviewLoad(i), u.EndHeard != 0
	case u.Lost != 0:
		g.percent, g.stale = s.percent(i), at.Sub(u.LastAt) > s.late(i)
	}
	if !u.OnBattery() {
		g.fresh = u.LastAt < u.back().Add(settledFor)
	}
	return g
}

// gapEnds notes the end of a time in which the UPS may have carried nothing, if this
// answer says that it carries its load. Nobody knows what the input did in a silence.
func (s *State) gapEnds(at Instant, i int32, m *Measurement) {
	u := &s.UPSs[i]
	if s.unheard(at, i) {
		switch {
		case !s.onlyFeedOfAgent(i):
			u.GapFrom, u.GapTo = s.gapSince(i, u.LastAt), 0
		case !u.OnBattery() && (at.Sub(u.LastAt) >= unwatchedFor || u.LastAt < u.back().Add(settledFor)):
			u.From = at // it carried the agent all the time; but its input may have been away, or not back yet
		}
		for k := range s.Hosts {
			// One that went out of sight may be in sight again, when it was the way to all of
			// them that failed.
			if h := &s.Hosts[k]; (h.State == Up || h.State == Silent) && (s.fedBy(int32(k), i) || s.reachedOver(int32(k), i)) {
				h.Every = 0
				if h.Seen == SeenSilent {
					h.Seen, h.SeenFrom = 0, at
				}
			}
		}
	}
	if m.Source != FromNothing && u.GapFrom != 0 && u.GapTo == 0 {
		u.GapTo = at
	}
}

// loadOf is what a UPS carries by an answer, in watts. A meter that reads nothing, or
// gives nothing, is none: then it is what the policy says of all that is up.
func (s *State) loadOf(i int32, m *Measurement) float64 {
	if m.LoadWatts != Unread && m.LoadWatts > 0 {
		return float64(m.LoadWatts)
	}
	return s.modelled(i)
}

// resumes tells whether a loss of input goes on that was over for a moment only.
func (u *UPS) resumes(at Instant) bool {
	return u.Lost != 0 && (u.OnBattery() || at.Sub(u.back()) < settledFor)
}

// turn takes an answer that says something else than those before.
func (s *State) turn(at Instant, i int32, says Says, since Instant) {
	u := &s.UPSs[i]
	was, resumes := u.OnBattery(), u.resumes(at)
	u.Says, u.From = says, at
	switch {
	case says == SaysOff || says == SaysOffLost:
		u.GapFrom, u.GapTo = s.gapSince(i, u.OffHeard), 0
	case says == SaysTest:
		s.emit(notice(TestSeen, i, -1))
	}
	switch away := u.OnBattery(); {
	case away && !was:
		s.inputLost(at, i, since, resumes)
	case was && !away:
		s.calibrate(i)
		u.Taken[likely] = u.Taken[low]
		if t, m := u.Taken[low], &s.belief(i).Model; t.Delivered+t.Bound >= m.Energy {
			u.Taken = Taken{m.At(0), m.At(0)} // empty; and nothing is known of what would come back by itself
		}
		u.afresh()
		if s.Word == Proceed && !s.anyOnBattery() {
			s.Word = 0 // said of this loss, not of the next
		}
	}
}

// presume takes the silence of a UPS for a loss of its input while that of another is
// surely away: most often it is the same. It is over with an answer, or with the
// other's return.
func (s *State) presume(at Instant) {
	lost, steady := Never, true // when the first was surely lost; all that speak have input
	for i := range s.UPSs {
		u := &s.UPSs[i]
		if u.Says == SaysNothing {
			continue
		}
		if u.OnBattery() && s.sure(at, int32(i)) {
			lost = min(lost, u.Lost)
		}
		steady = steady && u.good() && at >= u.back().Add(settledFor)
	}
	for i := range s.UPSs {
		u := &s.UPSs[i]
		switch {
		case u.Says == SaysNothing && steady:
			s.drain(int32(i), at, u.Load)
			s.turn(at, int32(i), SaysInput, at)
		case lost < Never && !u.OnBattery() && !u.Dead() && s.silent(at, int32(i)):
			since := max(lost, u.LastAt)
			s.drain(int32(i), since, u.Load)
			c := s.filled(int32(i))
			u.Taken = Taken{c, c}
			s.turn(at, int32(i), SaysNothing, since)
			s.drain(int32(i), at, u.Load)
		}
	}
}

// inputLost begins an outage, or goes on with one.
func (s *State) inputLost(at Instant, i int32, since Instant, resumes bool) {
	u := &s.UPSs[i]
	if !resumes {
		u.Lost, u.EndHeard = since, 0
		u.AtLoss, u.AtGauge = u.Taken[likely].Delivered+u.Taken[likely].Bound, u.Last.ChargeTenths
		alone := true
		for j := range s.UPSs {
			alone = alone && (int32(j) == i || !s.UPSs[j].OnBattery())
		}
		if alone {
			s.Outage++ // in recovery too: what it asks has other names
			s.Began = u.Lost
		}
	}
	if s.Began == 0 {
		s.Began = u.Lost
	}
	s.emit(Effect{Kind: Poll, UPS: i})
	for k := range s.Hosts {
		if !s.fedBy(int32(k), i) || !s.affected(int32(k)) {
			continue
		}
		if h := &s.Hosts[k]; !resumes || h.State == Starting {
			s.fold(int32(k), InLost)
		}
		if p := &s.Policy.Hosts[k]; s.Hosts[k].runs() && !p.StaysUp && !p.Observe {
			s.emit(Effect{Kind: Connect, Host: int32(k)})
		}
	}
}

// since is when a loss of input began of which an answer tells: the UPS's own count
// dates it, no further back than the last answer with input. One that says more than a day
// counts something else.
func (u *UPS) since(at Instant, m *Measurement) Instant {
	const most = 24 * 3600
	if m.OnBatterySecs <= 0 || m.OnBatterySecs > most {
		return at
	}
	began := at.Add(-time.Duration(m.OnBatterySecs) * time.Second)
	if u.From != 0 && u.good() {
		began = max(began, u.LastAt)
	}
	return began
}

// unwatched takes off the charge what the load took from the beginning of a loss until
// the first answer that tells of it. A gauge may know it, and may not.
func (s *State) unwatched(i int32, d time.Duration, first bool) {
	u := &s.UPSs[i]
	if _, reads := u.gauged(); reads && first {
		u.Taken = Taken{} // full, at the most, when it was lost
	}
	s.discharge(i, u.Load, d.Seconds())
}

// drain brings the running sum of what was taken from a store to an instant, at the
// load given.
func (s *State) drain(i int32, at Instant, load float64) {
	u := &s.UPSs[i]
	secs := at.Sub(u.TakenAt).Seconds()
	if secs <= 0 {
		return
	}
	u.TakenAt = at
	b := s.belief(i)
	switch {
	case u.Dead():
		for c := range u.Taken {
			u.Taken[c] = b.Model.Advance(u.Taken[c], 0, secs)
		}
	case u.OnBattery():
		s.discharge(i, load, secs)
		u.LowLeft = max(0, u.LowLeft-float64((load+s.own(i))*secs))
	case u.Says == SaysTest:
		s.discharge(i, load, secs)
	default:
		c := b.Recharge(u.Taken[likely], secs)
		u.Taken = Taken{c, c}
	}
}

// discharge has the store carry a load at the output, and the UPS itself.
func (s *State) discharge(i int32, load, secs float64) {
	u, b := &s.UPSs[i], s.belief(i)
	fade := b.Model.Fade(secs)
	u.Taken[likely] = b.Model.AdvanceBy(u.Taken[likely], load+b.OverheadWatts, secs, fade)
	u.Taken[low] = b.Model.AdvanceBy(u.Taken[low], load+s.own(i), secs, fade)
}

// gauged gives the charge that the UPS reads, in tenths of a percent, if it does.
func (u *UPS) gauged() (tenths int64, ok bool) {
	c := u.Last.ChargeTenths
	return c, c != Unread && c >= 0 && c <= 1000
}

// gauge lets a reading of the charge correct the sum: to the reading at the first
// answer, and, when the input is lost, to what more it says was taken. While there is
// input it corrects nothing; it is weighed anew whenever one asks: see [State.filled].
func (s *State) gauge(i int32, first, away bool) {
	u := &s.UPSs[i]
	if _, reads := u.gauged(); !reads {
		return
	}
	gone := s.goneByGauge(i)
	t := &u.Taken[likely]
	if first && !away {
		t.Bound = 0 // nobody knows what of it would come back by itself
		gone = s.goneByGauge(i)
	}
	if first && !away || gone > t.Delivered {
		more := gone - t.Delivered
		t.Delivered = gone
		if away {
			u.Taken[low].Delivered += more
		} else {
			u.Taken[low] = *t
		}
	}
	if first { // in an outage: what the gauge falls by counts from here
		u.AtLoss, u.AtGauge = t.Delivered+t.Bound, u.Last.ChargeTenths
	}
}

// goneByGauge is what was given by the charge reading, in joules. A gauge counts to
// zero at this load, or at the rate of the label: the worse of the two. What is bound
// for now is missing from the reading too: some batteries bind half of what is likely.
func (s *State) goneByGauge(i int32) float64 {
	u, b := &s.UPSs[i], s.belief(i)
	c, _ := u.gauged()
	m, rated := s.counts(i)
	full := max(rated, m.Energy-float64(m.Ohmic*(u.Load+b.OverheadWatts)))
	return max(0, float64((1-float64(c)/1000)*full)-u.Taken[likely].Bound/2)
}

// calibrate takes down, at the end of a discharge, what the gauge fell by for what was
// truly taken. A short discharge shows nothing, since a gauge moves with the load too;
// what was shown before stands.
func (s *State) calibrate(i int32) {
	u := &s.UPSs[i]
	c, reads := u.gauged()
	if !reads || u.AtGauge == Unread {
		u.Gauge = 0
		return
	}
	taken := u.Taken[likely].Delivered + u.Taken[likely].Bound - u.AtLoss
	switch fell := float64(u.AtGauge-c) / 1000; {
	case fell >= 0.15 && taken > 0:
		u.Gauge = taken / fell
	case fell < 0.02 && taken >= float64(0.05*s.belief(i).Model.Energy):
		u.Gauge = 0 // it stands
	}
}

// deserved is how far a gauge is believed that says that more has come back than was
// counted: wholly where it fell, in the last discharge, as a store falls that is within
// the belief; less the further it was from that.
func (s *State) deserved(i int32) float64 {
	u, b := &s.UPSs[i], s.belief(i)
	least, most := float64(b.Model.Energy*s.holds(i, low)), float64(b.Model.Energy*b.High)
	switch {
	case u.Gauge <= 0:
		return 0
	case u.Gauge < least:
		return u.Gauge / least
	case u.Gauge > most:
		return most / u.Gauge
	}
	return 1
}

// warmth lets the battery's temperature bear on the belief, while there is input:
// in an outage the battery warms itself, which is no reason to expect more.
func (s *State) warmth(i int32, away bool) {
	u := &s.UPSs[i]
	if t := u.Last.TemperatureTenthsC; t != Unread && !away {
		u.Warmth = t
	}
}

// afresh forgets this outage's readings: the belief holds as it is.
func (u *UPS) afresh() {
	u.Holds = [2]float64{Unlimited, Unlimited}
	u.EndHeard, u.LowLeft = 0, 0
}

// Unlimited is more of a store than any belief has: no reading speaks against that.
const Unlimited = 100

// holds is the part of the model's store that there is, low or likely: by the belief, or
// by this outage's readings where that is less.
func (s *State) holds(i int32, part int) float64 {
	b := s.believed(i)
	return min([2]float64{b.prior, b.belief.Likely}[part], s.UPSs[i].Holds[part])
}

// lowered takes what speaks against the low projection: the UPS's "battery low",
// which outranks the model at once, its voltage, its charge reading and its own
// minutes. Nothing here ever raises it: a reading that is better than the belief
// changes nothing.
func (s *State) lowered(at Instant, i int32, end Instant) {
	u, b := &s.UPSs[i], s.belief(i)
	watts := u.Load + b.OverheadWatts
	s.nearEnd(at, i)
	if most, ok := s.byCharge(i, watts); ok {
		s.lower(i, most, Unlimited)
	}
	if factor, ok := s.byMinutes(i, watts, end); ok {
		least, probable := b.Weighed(factor, s.believed(i).minutes)
		s.lower(i, least, probable)
	}
}

// ownSpread is by how much a UPS's own minutes err, as the standard deviation of
// their logarithm: they are off by a factor of 1.6 as often as not. knownSpread is
// what is left once they were measured and are corrected by their median.
// Engineering values, no source.
const (
	ownSpread   = 0.7
	knownSpread = 0.4
)

// lower puts a lower projection in force.
func (s *State) lower(i int32, least, probable float64) {
	u := &s.UPSs[i]
	u.Holds[likely] = min(u.Holds[likely], probable)
	if least < s.holds(i, low)-noticed {
		u.Holds[low] = least
	}
}

// noticed is the least part of a store by which a projection is lowered.
const noticed = 0.005

// nearEnd takes the UPS's "battery low", or a voltage that means it. One answer that
// says it may be an odd one; see [State.low].
func (s *State) nearEnd(at Instant, i int32) {
	u := &s.UPSs[i]
	if !s.saysEnd(i, &u.Last) {
		return
	}
	if u.EndHeard == 0 {
		left := int64(lowDefault)
		if l := u.Last.LowSeconds; l != Unread && l > 0 {
			left = l
		}
		u.EndHeard, u.LowLeft = at, float64((u.Load+s.own(i))*float64(left))
	}
	if u.Last.Battery == StatusDepleted {
		u.LowLeft = 0
	}
}

// saysEnd tells whether an answer says that the battery is at its end.
func (s *State) saysEnd(i int32, m *Measurement) bool {
	p := &s.Policy.UPSs[i].Battery
	return m.Battery == StatusLow || m.Battery == StatusDepleted ||
		m.Millivolts != Unread && m.Millivolts > 0 && p.Chemistry == policy.VRLA && p.Volts > 0 &&
			float64(m.Millivolts) <= float64(1000*max(endVolts, p.EndVolts)/cellVolts*p.Volts)
}

const (
	// A lead-acid string is at its end at the rates of a UPS when a cell, nominally of
	// 2 V, has so many (from memory), or as many as the policy states if those are more.
	endVolts, cellVolts = 1.67, 2

	lowDefault = 120 // seconds left at "battery low" when the UPS does not say: common practice, no source
)

// byCharge gives the most that the store can be by the charge reading. A gauge
// that counts to zero at this load falls by the part of what the battery gives at
// this load that was taken from it. Gauges err on the high side (see
// testdata/battery), so its fall bounds the store from above.
func (s *State) byCharge(i int32, watts float64) (float64, bool) {
	u := &s.UPSs[i]
	c := u.Last.ChargeTenths
	if c == Unread || u.AtGauge == Unread || u.AtGauge-c < 150 {
		return 0, false
	}
	taken := u.Taken[likely].Delivered + u.Taken[likely].Bound - u.AtLoss
	return s.belief(i).Holding(battery.Charge{Delivered: taken / (float64(u.AtGauge-c) / 1000)}, watts), true
}

// byMinutes gives the factor on the store that the UPS's own minutes mean, when
// that is less than the likely one, and two answers in a row agree on the end:
// within a fifth, or the whole minute in which many count.
func (s *State) byMinutes(i int32, watts float64, before Instant) (float64, bool) {
	u, b := &s.UPSs[i], s.belief(i)
	end := s.ownEnd(i)
	left := end.Sub(u.LastAt)
	if end == 0 || before == 0 || max(before, end).Sub(min(before, end)) > max(time.Minute, left/5) {
		return 0, false
	}
	factor := b.Lasting(u.Taken[likely], watts, left.Seconds())
	return factor, factor < b.Likely && factor > 0
}

// ownEnd is when the last answer of a UPS on battery said that it would be empty; 0 for
// not.
func (s *State) ownEnd(i int32) Instant {
	u := &s.UPSs[i]
	left := time.Duration(u.Last.RuntimeSeconds) * time.Second
	if !u.OnBattery() || u.Last.RuntimeSeconds == Unread || left < 0 {
		return 0
	}
	// Whole minutes are what is left, cut off to the step in which most cards count:
	// up to the next one nothing speaks against the forecast. None is taken as none.
	if left > 0 && left%time.Minute == 0 {
		left += time.Minute
	}
	if n := s.Policy.UPSs[i].OwnPermille; n != 0 {
		left = left * time.Duration(n) / 1000
	}
	return u.LastAt.Add(left)
}

// belief is what is believed of a UPS's battery before this outage's readings.
func (s *State) belief(i int32) *battery.Belief { return &s.believed(i).belief }

// prior is the low part of the store before this outage's readings.
func (s *State) prior(i int32) float64 { return s.believed(i).prior }

// own is what the UPS draws itself, at the low projection, in watts.
func (s *State) own(i int32) float64 { return s.believed(i).own }

// believed is a belief beside the facts that it was worked out from.
type believed struct {
	belief     battery.Belief
	prior, own float64
	minutes    battery.Weight // of the UPS's own minutes
	warmth     int64
	day        int64
	known      bool

	part  float64 // the part of the store that counts is at, and what it gives at the rate of the label
	least battery.Model
	rated float64
}

func (s *State) believed(i int32) *believed {
	b := &s.scratch().beliefs[i]
	if !b.known || b.warmth != s.UPSs[i].Warmth || b.day != s.day() {
		s.believe(i, b)
	}
	return b
}

// day is the one that batteries are as old as: today; in an outage that on which it began,
// so that no plan is made anew for a midnight.
func (s *State) day() int64 {
	if s.Outstanding() {
		return s.Began.Day()
	}
	return s.Now.Day()
}

// counts is the model at the low part of the store that there is, and what it gives when
// full at the rate of the label.
func (s *State) counts(i int32) (m *battery.Model, rated float64) {
	b, part := s.believed(i), s.holds(i, low)
	if b.part != part {
		b.part, b.least = part, b.belief.Scaled(part)
		b.rated = b.least.Full()
	}
	return &b.least, b.rated
}

func (s *State) believe(i int32, b *believed) {
	p := &s.Policy.UPSs[i]
	b.day = s.day()
	belief, err := battery.New(p, b.day)
	if err != nil {
		// The loader refuses such a policy; a policy made in code is a fault in the program.
		panic("shutdown: " + p.Name + ": " + err.Error())
	}
	if p.StoreScale > 0 {
		belief.Model.Energy = float64(belief.Model.Energy * p.StoreScale)
	}
	if p.SizeScale > 0 {
		belief.OverheadWatts = float64(belief.OverheadWatts * p.SizeScale)
	}
	b.warmth, b.known = s.UPSs[i].Warmth, true
	if b.warmth != Unread {
		belief = belief.AtTemperature(float64(b.warmth) / 10)
	}
	confidence := s.Policy.Site.ConfidencePermille
	b.belief, b.prior, b.own, b.part = belief, belief.LowAt(confidence), belief.OwnAt(confidence), math.NaN()
	spread := ownSpread
	if p.OwnPermille != 0 {
		spread = knownSpread
	}
	b.minutes = b.belief.Weight(b.prior, spread)
}

// store is what is in a UPS's store as the schedule may count on it, and what it
// carries: the model at the part that holds, with the most that the UPS may draw
// itself; or, after its own "battery low", the energy that it then said it had, if
// that is less: a battery near its end gives back little when the load falls.
func (s *State) store(i int32) (m battery.Model, c battery.Charge, watts float64) {
	u, b := &s.UPSs[i], s.belief(i)
	counts, _ := s.counts(i)
	m, c, watts = *counts, u.Taken[low], u.Load+s.own(i)
	if !u.OnBattery() {
		c = s.filled(i)
	}
	c = c.As(&b.Model, &m)
	if s.low(i) {
		if low := (battery.Model{Energy: u.LowLeft}); low.Runtime(battery.Charge{}, watts) < m.Runtime(c, watts) {
			return low, battery.Charge{}, watts
		}
	}
	return m, c, watts
}

// filled is what is missing from a store while it charges: by the sum, or by the gauge
// where that says that more is missing; that less is, as far as it has deserved it.
func (s *State) filled(i int32) battery.Charge {
	u := &s.UPSs[i]
	c := u.Taken[likely]
	reading, reads := u.gauged()
	if !reads || u.OnBattery() || u.From == 0 {
		return c
	}
	gone := s.goneByGauge(i)
	if gone > c.Delivered {
		c.Delivered = gone
	} else if u.Gauge > 0 {
		gone = max(gone, float64((1-float64(reading)/1000)*u.Gauge)-c.Bound/2)
		c.Delivered -= float64(s.deserved(i) * max(0, c.Delivered-gone))
	}
	return c
}

// percent is a battery's charge in whole percent; less than nothing where more was taken
// than its label's rate gives: at a light load a battery goes on for long beyond that.
func (s *State) percent(i int32) int64 { return int64(math.Floor(s.charge(i))) }

// ChargePercent is a battery's charge, as a gauge would show it: of the store that is
// counted on.
func (s *State) ChargePercent(i int32) float64 { return max(0, s.charge(i)) }

// charge is that in percent. While it charges it is no more than the gauge shows: what is
// bound for now is missing from both, and is not there for a second outage.
func (s *State) charge(i int32) float64 {
	_, rated := s.counts(i)
	u, most := &s.UPSs[i], 100.0
	c := u.Taken[likely]
	if b := s.belief(i); u.OnBattery() { // a silent UPS drains on, though its sum is brought up to date only for a plan
		c = b.Model.Advance(c, u.Load+b.OverheadWatts, s.Now.Sub(u.TakenAt).Seconds())
	} else {
		c = s.filled(i)
		if reading, reads := u.gauged(); reads && u.From != 0 {
			most = float64(reading) / 10
		}
	}
	return min(most, 100*(1-c.Delivered/rated))
}

// Runtime is how long the load of now could be carried if nothing were shed,
// three ways, in whole seconds.
func (s *State) Runtime(i int32) (short, probable, long time.Duration) {
	u, b := &s.UPSs[i], s.belief(i)
	at := func(m battery.Model, c battery.Charge, watts float64) time.Duration {
		return battery.Whole(m.Runtime(c, watts))
	}
	c := u.Taken[likely]
	if !u.OnBattery() {
		c = s.filled(i)
	}
	watts := u.Load + b.OverheadWatts
	short = at(s.store(i))
	probable = max(short, at(b.Scaled(s.holds(i, likely)), c, watts))
	return short, probable, max(probable, at(b.Scaled(b.High), c, watts))
}

// counted is the low part of a store as it can be compared: less is worse. After
// "battery low" it is nothing, and less than that when it is spent.
func (s *State) counted(i int32) float64 {
	switch u := &s.UPSs[i]; {
	case s.low(i) && u.LowLeft == 0:
		return -1
	case s.low(i):
		return 0
	default:
		return s.holds(i, low)
	}
}

// affected tells whether no feed of the host has good input, or its room gets too warm
// for it by a limit that the policy states. Only such a host is ever stopped.
func (s *State) affected(k int32) bool { return s.away(k) || s.heated(k) }

func (s *State) away(k int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if s.UPSs[f].good() {
			return false
		}
	}
	return true
}

// dark tells whether no feed of the host carries anything.
func (s *State) dark(k int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if !s.UPSs[f].Dead() {
			return false
		}
	}
	return true
}

func (s *State) anyOnBattery() bool {
	for i := range s.UPSs {
		if s.UPSs[i].OnBattery() {
			return true
		}
	}
	return false
}

func (s *State) fedBy(k, i int32) bool { return dependsOn(s.Policy.Hosts[k].FedBy, i) }

func dependsOn(list []int, k int32) bool {
	for _, d := range list {
		if int32(d) == k {
			return true
		}
	}
	return false
}

// lostAt is when the last of a host's feeds lost its input.
func (s *State) lostAt(k int32) Instant {
	var t Instant
	for _, f := range s.Policy.Hosts[k].FedBy {
		t = max(t, s.UPSs[f].Lost)
	}
	return t
}

// modelled is what the policy says a UPS carries now, in watts.
func (s *State) modelled(i int32) float64 {
	var sum float64
	for k := range s.Hosts {
		sum += s.part(int32(k), i)
	}
	return sum + s.loads(i)
}

// part is a host's draw on one UPS, in watts by the policy: its draw shared equally
// by its feeds that carry anything.
func (s *State) part(k, i int32) float64 {
	h := &s.Hosts[k]
	if !h.draws() || !s.fedBy(k, i) || s.UPSs[i].Dead() {
		return 0
	}
	p := &s.Policy.Hosts[k]
	watts := p.Watts
	if stopping(h.State) {
		watts = p.StoppingWatts
	}
	return float64(watts) / float64(s.alive(p.FedBy))
}

// loads is what loads draw on one UPS, in watts by the policy.
func (s *State) loads(i int32) float64 {
	var sum float64
	for l := range s.Policy.Loads {
		p := &s.Policy.Loads[l]
		if dependsOn(p.FedBy, i) && !s.UPSs[i].Dead() {
			sum += float64(p.Watts) / float64(s.alive(p.FedBy))
		}
	}
	return sum
}

func (s *State) alive(feeds []int) int {
	n := 0
	for _, f := range feeds {
		if !s.UPSs[f].Dead() {
			n++
		}
	}
	return max(n, 1)
}
