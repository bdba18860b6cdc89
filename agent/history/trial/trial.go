package trial

import (
	"errors"
	"fmt"
	"math"
	"time"

	"ebbline/agent/history"
	"ebbline/agent/history/learn"
	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// Setup is what a test is about.
type Setup struct {
	Policy *policy.Policy // with what was learned so far: it predicts, and says when to stop
	Own    *policy.Policy // the operator's own: the test is judged against its figures
	UPS    int
	Day    int64
	Stop   Stop
	First  bool          // no test of this battery is on record: one to the reserve stops at half its charge
	Dummy  bool          // nothing hangs on the UPS that could be lost
	Load   int64         // in watts, in place of what the UPS says; 0 for none
	Walk   time.Duration // what it takes the operator to give the input back; [Walk] when 0
	// Celsius of the battery or the room, where the UPS does not say.
	Celsius    float64
	CelsiusSet bool
}

const (
	// Walk is what it takes an operator to plug in again; no source.
	Walk = time.Minute
	// fullCharge is what counts as full; below startCharge there is no test.
	fullCharge  = 950
	startCharge = 800
	half        = 500
	mostDrift   = 0.10 // of the load
	coldest     = 150  // tenths of a degree: beyond these a test is weak
	warmest     = 350
	longestGap  = 30 * time.Second // between readings, beyond which the loads are guessed
	blind       = 15 * time.Second // without a reading: the test must stop
)

// Trial is one test under way. Times are the caller's instants; it keeps none of
// the wall clock's.
type Trial struct {
	Setup
	belief battery.Belief
	load   float64 // at the start
	record history.Test

	onBattery bool
	lost      shutdown.Instant
	last      shutdown.Instant // of the last reading on battery
	watts     float64
	charge    battery.Charge
	energy    float64 // joules, for the mean load
	gap       bool
	advised   *Advice // to stop; what comes after it is not the test's any more
	ended     bool
}

// New prepares a test from a reading with input. Its error says why there can be
// none now.
func New(s Setup, at history.Moment, m shutdown.Measurement) (*Trial, error) {
	u := &s.Policy.UPSs[s.UPS]
	load := m.LoadWatts
	if s.Load > 0 {
		load = s.Load
	}
	celsius := m.TemperatureTenthsC
	if s.CelsiusSet {
		celsius = int64(math.Round(10 * s.Celsius))
	}
	switch {
	case load == shutdown.Unread || load <= 0:
		return nil, fmt.Errorf("UPS %s carries no load that anybody can read. A test without a load shows nothing; hang one on it, and if the UPS does not say its watts, give them with --load", u.Name)
	case m.Source == shutdown.FromBattery && m.Testing:
		return nil, fmt.Errorf("UPS %s tests its battery by itself already; wait for its end and for the recharge", u.Name)
	case m.Source == shutdown.FromBattery:
		return nil, fmt.Errorf("UPS %s is on battery already. Wait until the input is back and the battery is full", u.Name)
	case m.Source == shutdown.FromBypass || m.Source == shutdown.FromNothing:
		return nil, fmt.Errorf("UPS %s is not in normal mode; its battery carries nothing. Bring it back to normal mode first", u.Name)
	case m.Battery == shutdown.StatusLow || m.Battery == shutdown.StatusDepleted:
		return nil, fmt.Errorf("UPS %s says that its battery is low. Let it recharge first", u.Name)
	case m.ChargeTenths != shutdown.Unread && m.ChargeTenths < startCharge:
		return nil, fmt.Errorf("the battery of UPS %s is at %g %%; a test shows something from %d %% on, and is sound from %d %%. Let it recharge first",
			u.Name, float64(m.ChargeTenths)/10, startCharge/10, fullCharge/10)
	case s.Stop.Rule == history.StopAtPercent && m.ChargeTenths == shutdown.Unread:
		return nil, fmt.Errorf("UPS %s does not say its charge. Give another end: a time, volts, or reserve", u.Name)
	case s.Stop.Rule == history.StopAtPercent && m.ChargeTenths <= s.Stop.Tenths:
		return nil, fmt.Errorf("UPS %s is at %g %% already", u.Name, float64(m.ChargeTenths)/10)
	case s.Stop.Rule == history.StopAtVoltage && m.Millivolts == shutdown.Unread:
		return nil, fmt.Errorf("UPS %s does not say its battery's voltage. Give another end: a time, a charge, or reserve", u.Name)
	case s.Stop.Rule == history.StopAtVoltage && m.Millivolts <= s.Stop.Millivolts:
		return nil, fmt.Errorf("the battery of UPS %s is at %g V already", u.Name, float64(m.Millivolts)/1000)
	case s.Stop.Rule == history.StopAtCutOff && !s.Dummy:
		return nil, errors.New("a test to the battery's end takes the power from all that hangs on the UPS. Hang a load of known watts on it and nothing else, and say so with --dummy; or give another end")
	}
	b, err := battery.New(u, s.Day)
	if err != nil {
		return nil, err
	}
	if celsius != shutdown.Unread {
		b = b.AtTemperature(float64(celsius) / 10)
	}
	t := &Trial{Setup: s, belief: b, load: float64(load), watts: float64(load)}
	if m.ChargeTenths != shutdown.Unread {
		t.charge = b.Model.At(float64(m.ChargeTenths) / 1000)
	}
	t.record = history.Test{
		UPS: u.Name, Began: at, Seen: at, Forecast: t.forecast(at, m), LoadWatts: load, LeastWatts: load, MostWatts: load,
		ChargeTenths: m.ChargeTenths, EndChargeTenths: m.ChargeTenths, EndMillivolts: m.Millivolts,
		BatteryTenthsC: m.TemperatureTenthsC, AmbientTenthsC: shutdown.Unread, BatteryAgeDays: shutdown.Unread,
	}
	if s.CelsiusSet {
		t.record.AmbientTenthsC = celsius
	}
	if d := u.Battery.InstalledDay; d != 0 && s.Day >= d {
		t.record.BatteryAgeDays = s.Day - d
	}
	if left := t.left(m); !s.Dummy && left <= t.Needed() {
		return nil, fmt.Errorf("a test of UPS %s is not safe: by the plan, everything must begin to stop %s after the loss of input, and it takes %s to see that and to plug in again. `ebbline plan` shows what is missing; with nothing but a load of known watts on it, say so with --dummy",
			u.Name, shutdown.Spell(max(0, left)), shutdown.Spell(t.Needed()))
	}
	return t, nil
}

// forecast is what the test should show: the time to its end where the battery's
// model can tell it (a charge reading means a range), else to the battery's own.
func (t *Trial) forecast(at history.Moment, m shutdown.Measurement) history.Forecast {
	f := history.Forecast{Made: at, By: history.ByModel, Basis: t.belief.Basis, LoadWatts: int64(t.load), ChargeTenths: m.ChargeTenths}
	f.Low, f.Likely, f.High = t.belief.Project(t.charge, t.load)
	if tenths := t.goal(m.ChargeTenths != shutdown.Unread); tenths > 0 {
		least, most := battery.Used(float64(tenths) / 1000)
		f.Low, f.Likely, f.High = times(f.Low, least), times(f.Likely, (least+most)/2), times(f.High, most)
	}
	return f
}

// goal is the charge reading at which the test is to end, in tenths of a percent;
// 0 for an end that is none.
func (t *Trial) goal(read bool) int64 {
	switch {
	case t.Stop.Rule == history.StopAtPercent:
		return t.Stop.Tenths
	case t.Stop.Rule == history.StopAtReserve && t.First && read:
		return half
	}
	return 0
}

func times(d time.Duration, part float64) time.Duration {
	return battery.Whole(d.Seconds() * part)
}

// Forecast is what was predicted before the start, and Runtime the whole time of
// the battery at the load of then, three ways.
func (t *Trial) Forecast() history.Forecast { return t.record.Forecast }

// Runtime is the time to the battery's end at the load of the start, three ways.
func (t *Trial) Runtime() (low, likely, high time.Duration) {
	c := battery.Charge{}
	if n := t.record.ChargeTenths; n != shutdown.Unread {
		c = t.belief.Model.At(float64(n) / 1000)
	}
	return t.belief.Project(c, t.load)
}

// Begin is when the loss of input was seen, or done.
func (t *Trial) Begin(lost shutdown.Instant) {
	t.onBattery, t.lost, t.last = true, lost, lost
}

// Advice is what the operator should do now.
type Advice struct {
	Stop  history.StopRule // why to end the test now; zero: go on
	Text  string
	Until time.Duration // the test's end is so far away, as far as known; negative when not
}

// Read takes a reading on battery. After it said stop it says so again.
func (t *Trial) Read(at history.Moment, m shutdown.Measurement) Advice {
	if t.ended {
		return Advice{Stop: t.record.Stop}
	}
	if t.advised != nil {
		return *t.advised
	}
	t.carry(at)
	if m.LoadWatts != shutdown.Unread && m.LoadWatts > 0 && t.Load == 0 {
		t.watts = float64(m.LoadWatts)
		t.record.LeastWatts, t.record.MostWatts = min(t.record.LeastWatts, m.LoadWatts), max(t.record.MostWatts, m.LoadWatts)
	}
	if m.ChargeTenths != shutdown.Unread {
		t.record.EndChargeTenths = m.ChargeTenths
	}
	if m.Millivolts != shutdown.Unread {
		t.record.EndMillivolts = m.Millivolts
	}
	if t.record.BatteryTenthsC == shutdown.Unread {
		t.record.BatteryTenthsC = m.TemperatureTenthsC
	}
	a := t.judge(at, m)
	if a.Stop != 0 {
		t.advised = &a
	}
	return a
}

// carry counts the load up to now, as it was at the reading before.
func (t *Trial) carry(at history.Moment) {
	seconds := at.At.Sub(t.last).Seconds()
	if seconds <= 0 {
		return
	}
	t.gap = t.gap || at.At.Sub(t.last) > longestGap
	segments := t.record.Segments
	if n := len(segments); n > 0 && segments[n-1].Watts == t.watts {
		segments[n-1].Seconds += seconds
	} else {
		t.record.Segments = append(segments, battery.Segment{Watts: t.watts, Seconds: seconds})
	}
	t.charge = t.belief.Model.Advance(t.charge, t.watts+t.belief.OwnAt(t.Policy.Site.ConfidencePermille), seconds)
	t.energy += t.watts * seconds
	t.last, t.record.Seen = at.At, at
	t.record.Measured = at.At.Sub(t.lost)
	t.record.LoadWatts = int64(math.Round(t.energy / t.record.Measured.Seconds()))
}

// judge says whether the test has come to its end, or must.
func (t *Trial) judge(at history.Moment, m shutdown.Measurement) Advice {
	took := at.At.Sub(t.lost)
	low := t.belief.Scaled(t.belief.LowAt(t.Policy.Site.ConfidencePermille))
	part := 1 - t.charge.Delivered/low.Full()
	if n := m.ChargeTenths; n != shutdown.Unread {
		part = float64(n) / 1000
	}
	goal := t.goal(m.ChargeTenths != shutdown.Unread)
	stop := func(rule history.StopRule, format string, args ...any) Advice {
		return Advice{Stop: rule, Text: fmt.Sprintf(format, args...)}
	}
	toEnd := t.Stop.Rule == history.StopAtCutOff
	switch {
	case m.Source == shutdown.FromNothing || m.Battery == shutdown.StatusDepleted:
		return stop(history.StopAtCutOff, "the battery is empty")
	case m.Battery == shutdown.StatusLow && !toEnd:
		return stop(history.StopUnsafe, "the UPS says that its battery is low")
	case goal > 0 && m.ChargeTenths != shutdown.Unread && m.ChargeTenths <= goal:
		return stop(history.StopAtPercent, "the charge is down to %g %%", float64(m.ChargeTenths)/10)
	case t.Stop.Rule == history.StopAtVoltage && m.Millivolts != shutdown.Unread && m.Millivolts <= t.Stop.Millivolts:
		return stop(history.StopAtVoltage, "the battery is down to %g V", float64(m.Millivolts)/1000)
	case t.Stop.Rule == history.StopAtTime && took >= t.Stop.Time:
		return stop(history.StopAtTime, "its time is over")
	case t.First && t.Stop.Rule == history.StopAtReserve && part <= half/1000.0:
		return stop(history.StopAtReserve, "the first test of a battery ends at half its charge")
	}
	a := Advice{Until: -1}
	if !t.Dummy {
		left := t.left(m)
		if left <= t.Needed() {
			rule, text := history.StopUnsafe, "what is left could only just carry the shutdown plan"
			if t.Stop.Rule == history.StopAtReserve {
				rule = history.StopAtReserve
			}
			return stop(rule, "%s", text)
		}
		a.Until = left - t.Needed()
	}
	if t.Stop.Rule == history.StopAtTime {
		a.Until = min(max(a.Until, 0), t.Stop.Time-took)
		if t.Dummy {
			a.Until = t.Stop.Time - took
		}
	}
	return a
}

// Needed is what it takes to see that the test must end and to plug in again.
func (t *Trial) Needed() time.Duration {
	walk := t.Walk
	if walk == 0 {
		walk = Walk
	}
	return walk + 2*(t.Policy.UPSs[t.UPS].PollEvery()+t.Policy.UPSs[t.UPS].Timeout())
}

// left is how long a safe plan still exists with nothing begun, if the input of
// every UPS failed now, by the real core: with this battery as it is by the model
// or by its reading, whichever is less, and the others full.
func (t *Trial) left(m shutdown.Measurement) time.Duration {
	s, now := shutdown.New(), shutdown.DayBegins(t.Day)
	s.Step(now, &shutdown.Event{Kind: shutdown.Adopted, Policy: t.Policy}, nil)
	for i := range t.Policy.UPSs {
		n := shutdown.Nothing
		n.Source = shutdown.FromInput
		if i == t.UPS {
			n.ChargeTenths, n.LoadWatts, n.TemperatureTenthsC = m.ChargeTenths, int64(math.Ceil(t.watts)), m.TemperatureTenthsC
		}
		s.Step(now, &shutdown.Event{Kind: shutdown.Measured, UPS: int32(i), Measurement: n}, nil)
	}
	u := &s.UPSs[t.UPS]
	c := battery.Charge{Delivered: max(u.Taken[0].Delivered, t.charge.Delivered), Bound: t.charge.Bound}
	u.Taken, u.Gauge = shutdown.Taken{c, c}, 0
	failed := s.IfInputFailed()
	if !failed.Planned() {
		return battery.Unending // nothing hangs on it that stops
	}
	return failed.Return().Sub(failed.Now)
}

// Blind tells whether the UPS has been silent so long that the test must stop.
func (t *Trial) Blind(at shutdown.Instant) bool {
	return t.onBattery && at.Sub(t.last) > max(blind, 3*t.Policy.UPSs[t.UPS].PollEvery()+t.Policy.UPSs[t.UPS].Timeout())
}

// Halt ends the test for a reason that the trial does not see itself.
func (t *Trial) Halt(rule history.StopRule, text string) Advice {
	if t.advised == nil {
		t.advised = &Advice{Stop: rule, Text: text}
	}
	return *t.advised
}

// Watts is the load of now.
func (t *Trial) Watts() int64 { return int64(t.watts) }

// Took is the time on battery so far.
func (t *Trial) Took() time.Duration { return t.record.Measured }

// Record is the test as far as it has gone.
func (t *Trial) Record() history.Test { return t.record }

// End closes the test and judges it. What ended it is the advice that was given
// before, or else the rule. A test that was followed to this moment carried the
// last load read up to it.
func (t *Trial) End(at history.Moment, rule history.StopRule, followed bool) history.Test {
	if t.ended {
		return t.record
	}
	t.ended = true
	if t.advised != nil {
		rule = t.advised.Stop
	} else if t.onBattery && followed {
		t.carry(at)
	}
	r := &t.record
	r.Ended, r.Stop = at, rule
	if r.Seen.At > at.At {
		r.Ended = r.Seen
	}
	r.Verdict = t.verdict()
	return t.record
}

// verdict judges the test as it is recorded.
func (t *Trial) verdict() history.Verdict {
	r := &t.record
	v := history.Verdict{Weak: t.weak()}
	toEnd := r.Stop == history.StopAtCutOff
	v.Censored = !toEnd && r.Stop != history.StopAtPercent
	if !v.Censored && r.Forecast.Likely > 0 {
		v.RatioPermille = int64(math.Round(1000 * r.Measured.Seconds() / r.Forecast.Likely.Seconds()))
	}
	r.Verdict = v
	u := &t.Own.UPSs[t.UPS]
	d := learn.OfTest(u, r)
	if d.Ended == battery.Early || len(d.Segments) == 0 {
		return v
	}
	if c, err := battery.Calibrate(u, []battery.Discharge{d}, t.Day); err == nil && !c.Judged[0].AtLeast {
		v.CapacityTenths = int64(math.Round(1000 * c.Judged[0].Capacity))
	}
	return v
}

// weak says why a test counts for less.
func (t *Trial) weak() []string {
	r := &t.record
	var list []string
	if mean := float64(r.LoadWatts); mean > 0 && float64(r.MostWatts-r.LeastWatts) > mostDrift*mean {
		list = append(list, fmt.Sprintf("the load drifted from %d to %d W", r.LeastWatts, r.MostWatts))
	}
	if n := r.ChargeTenths; n != shutdown.Unread && n < fullCharge {
		list = append(list, fmt.Sprintf("the battery was not full: %g %%", float64(n)/10))
	}
	celsius := r.BatteryTenthsC
	if celsius == shutdown.Unread {
		celsius = r.AmbientTenthsC
	}
	if celsius != shutdown.Unread && (celsius < coldest || celsius > warmest) {
		list = append(list, fmt.Sprintf("%g °C is outside of 15 to 35", float64(celsius)/10))
	}
	if t.gap {
		list = append(list, fmt.Sprintf("the UPS was silent for more than %s", longestGap))
	}
	return list
}
