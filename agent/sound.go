package agent

import (
	"errors"
	"fmt"
	"math"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
	"ebbline/shutdown/plan"
	"ebbline/shutdown/transcript"
)

// sound tells whether a state that was read can be one: what names something names
// something that is there, and no value is one that the core could never have put there.
func sound(s *shutdown.State) error {
	switch {
	case s == nil:
		return errors.New("it holds no state")
	case s.Policy == nil && len(s.UPSs)+len(s.Hosts)+len(s.Order) == 0 && s.Next == nil:
		return nil
	case s.Policy == nil:
		return errors.New("its state belongs to no policy")
	case len(s.UPSs) != len(s.Policy.UPSs) || len(s.Hosts) != len(s.Policy.Hosts):
		return errors.New("its state does not belong to its policy")
	}
	f := &finder{now: s.Now}
	f.is(s.Now >= 0 && s.Now <= latest, "Now", s.Now)
	f.past("Began", s.Began)
	f.days("Day", s.Day)
	f.days("NextDay", s.NextDay)
	f.order(s)
	for i := range s.UPSs {
		f.in = "UPS " + s.Policy.UPSs[i].Name
		f.ups(&s.UPSs[i])
	}
	for k := range s.Hosts {
		f.in = "host " + s.Policy.Hosts[k].Name
		f.host(&s.Hosts[k], &s.Policy.Hosts[k], len(s.Hosts))
	}
	return f.err
}

const (
	latest = shutdown.Instant(7_258_118_400e9) // the year 2200: what is added to it is still a time
	most   = 1e12                              // watts, joules, seconds: no room has more
)

// finder finds the first value that cannot be.
type finder struct {
	in  string
	now shutdown.Instant
	err error
}

func (f *finder) is(ok bool, name string, value any) {
	if !ok && f.err == nil {
		f.err = fmt.Errorf("%s: %s cannot be %v", f.in, name, value)
		if f.in == "" {
			f.err = fmt.Errorf("%s cannot be %v", name, value)
		}
	}
}

// past is an instant up to now; an answer that stands may reach a little beyond it.
func (f *finder) past(name string, t shutdown.Instant) {
	f.is(t >= 0 && t <= f.now.Add(aWhile), name, int64(t))
}

const aWhile = 3600e9 // nanoseconds

func (f *finder) days(name string, n int64) { f.is(n >= -1e6 && n <= 1e6, name, n) }

// amount is a number that is none below zero.
func (f *finder) amount(name string, x float64) {
	f.is(x >= 0 && x <= most && !math.IsNaN(x), name, x)
}

// order tells whether the order has hosts once each.
func (f *finder) order(s *shutdown.State) {
	seen := make([]bool, len(s.Hosts))
	for _, k := range s.Order {
		f.is(k >= 0 && int(k) < len(seen) && !seen[max(0, min(int(k), len(seen)-1))], "Order", k)
		if f.err != nil {
			return
		}
		seen[k] = true
	}
	want := s.Policy.Order()
	f.is(len(want) == len(s.Order), "Order", s.Order)
}

func (f *finder) ups(u *shutdown.UPS) {
	f.is(u.Phase >= shutdown.Normal && u.Phase <= shutdown.Recovery, "Phase", uint8(u.Phase))
	f.is(u.Output <= shutdown.OutputRefused, "Output", uint8(u.Output))
	f.is(u.Readings <= 2, "Readings", u.Readings)
	f.is(u.AtEnd <= 2, "AtEnd", u.AtEnd)
	f.is(u.Last.Source <= shutdown.FromNothing, "Last.Source", uint8(u.Last.Source))
	f.is(u.Last.Input <= shutdown.LineBad, "Last.Input", uint8(u.Last.Input))
	f.is(u.Last.Battery <= shutdown.StoreDepleted, "Last.Battery", uint8(u.Last.Battery))
	for _, t := range []struct {
		name string
		at   shutdown.Instant
	}{
		{"Since", u.Since}, {"LastAt", u.LastAt}, {"GoodAt", u.GoodAt}, {"Lost", u.Lost}, {"Back", u.Back}, {"Watched", u.Watched},
		{"Heard", u.Heard}, {"OffHeard", u.OffHeard}, {"TestAt", u.TestAt}, {"CutFrom", u.CutFrom}, {"CutTo", u.CutTo},
		{"ChargeAt", u.ChargeAt}, {"StartedAt", u.StartedAt},
	} {
		f.past(t.name, t.at)
	}
	for _, x := range []struct {
		name  string
		value float64
	}{
		{"LowEnergy", u.LowEnergy}, {"Own", u.Own}, {"Charge.Delivered", u.Charge.Delivered}, {"Charge.Bound", u.Charge.Bound}, {"Charge.Floated", u.Charge.Floated},
		{"Beside.Bound", u.Beside.Bound}, {"Start", u.Start}, {"Load", u.Load}, {"PlanLoad", u.PlanLoad}, {"Full", u.Full},
	} {
		f.amount(x.name, x.value)
	}
	f.is(math.Abs(u.Beside.Delivered) <= most, "Beside.Delivered", u.Beside.Delivered)
	for _, x := range [...]float64{u.Prior, u.Factor, u.Likely} {
		f.is(x >= 0 && x <= 100, "a factor on the store", x)
	}
	f.is(u.ReadyFrom >= -1 && u.ReadyFrom <= 100, "ReadyFrom", u.ReadyFrom)
	f.belief(&u.Belief)
}

func (f *finder) belief(b *battery.Belief) {
	m := &b.Model
	f.is(m.Store > 0 && m.Store <= most, "Belief.Model.Store", m.Store)
	for _, x := range [...]float64{m.Ohmic, m.Diffusion, m.Relaxation, m.Exponent, m.Reference, b.OverheadWatts, b.OwnSpread, b.SeenWatts, b.LowOhmic, b.LowDiffusion} {
		f.amount("a figure of its belief", x)
	}
	f.is(m.Diffusion == 0 || m.Relaxation > 0, "Belief.Model.Relaxation", m.Relaxation)
	f.is(b.RechargeTime > 0 && b.RechargeTime <= most, "Belief.RechargeTime", b.RechargeTime)
	for _, x := range [...]battery.Factors{b.Factors, b.At25, b.Warmth} {
		f.is(x.Low > 0 && x.Low <= x.Likely && x.Likely <= x.High && x.High <= 100, "a factor of its belief", x)
	}
	f.is(b.Chemistry == policy.VRLA || b.Chemistry == policy.LFP, "Belief.Chemistry", b.Chemistry)
}

func (f *finder) host(h *shutdown.Host, p *policy.Host, hosts int) {
	f.is(h.Power >= shutdown.Up && h.Power <= shutdown.Starting, "Power", uint8(h.Power))
	f.is(h.Was <= shutdown.Starting, "Was", uint8(h.Was))
	f.is(h.Seen <= shutdown.SeenOff, "Seen", uint8(h.Seen))
	f.is(h.Verb <= shutdown.VerbStart, "Verb", uint8(h.Verb))
	ways := max(len(p.Methods), len(p.Starts), 1)
	switch {
	case h.Power == shutdown.Asked || h.InFlight && h.Verb != shutdown.VerbStart:
		ways = len(p.Methods)
		f.is(!p.StaysUp, "Power", h.Power)
	case h.InFlight:
		ways = len(p.Starts)
	}
	f.is(int(h.Method) < ways, "Method", h.Method)
	f.is(!h.Preparing || p.Prepare != nil, "Preparing", h.Preparing)
	f.is(h.Other >= -1 && int(h.Other) < hosts, "Other", h.Other)
	f.is(h.Why <= plan.ForHorizon || h.Why >= shutdown.ByOperator && h.Why <= shutdown.ForShare, "Why", uint8(h.Why))
	for _, t := range []struct {
		name string
		at   shutdown.Instant
	}{{"SeenAt", h.SeenAt}, {"UpAt", h.UpAt}, {"AskedAt", h.AskedAt}, {"DownAt", h.DownAt}} {
		f.past(t.name, t.at)
	}
	for _, t := range [...]shutdown.Instant{h.Deadline, h.GiveUp, h.Doubt, h.Retry, h.Start, h.Latest, h.Stop, h.Promise} {
		f.is(t >= -latest && t <= latest || t == shutdown.Never, "a time of its plan", int64(t))
	}
}

// rehearse takes the first step that the state will be asked to take, on a copy, and
// all that is shown of it. A failure there would be one at every start.
func rehearse(s *shutdown.State, rebooted, orderly bool) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("the decision code fails on it: %v", r)
		}
	}()
	if s.Policy == nil {
		return nil
	}
	c := s.Clone()
	effects := c.Step(c.Now, &shutdown.Event{Kind: shutdown.Restarted, Rebooted: rebooted, Orderly: orderly}, nil)
	for i := range effects {
		transcript.Effect(c.Policy, c.Now, &effects[i])
	}
	view(c, c, c.Now)
	return nil
}
