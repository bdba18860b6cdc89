package agent

import (
	"errors"
	"fmt"
	"math"

	"ebbline/shutdown"
	"ebbline/shutdown/heat"
	"ebbline/shutdown/transcript"
)

// sound tells whether a state that was read can be one: what names something names
// something that is there, and no value is one that the core could never have put there.
func sound(s *shutdown.State) error {
	switch {
	case s == nil:
		return errors.New("it holds no state")
	case s.Policy == nil && len(s.UPSs)+len(s.Hosts) == 0 && s.Next == nil:
		return nil
	case s.Policy == nil:
		return errors.New("its state belongs to no policy")
	case len(s.UPSs) != len(s.Policy.UPSs) || len(s.Hosts) != len(s.Policy.Hosts):
		return errors.New("its state does not belong to its policy")
	}
	f := &finder{now: s.Now}
	f.is(s.Now >= 0 && s.Now <= latest, "Now", s.Now)
	f.past("Began", s.Began)
	f.past("Alive", s.Alive)
	f.is(s.Word <= shutdown.Abort, "Word", uint8(s.Word))
	for i := range s.UPSs {
		f.in = "UPS " + s.Policy.UPSs[i].Name
		f.ups(&s.UPSs[i])
	}
	for k := range s.Hosts {
		f.in = "host " + s.Policy.Hosts[k].Name
		f.host(s, k)
	}
	f.in = ""
	for j := range s.Rooms {
		f.in = "a temperature"
		f.room(&s.Rooms[j])
	}
	for j := range s.Contacts {
		f.in = "an emergency input"
		f.past("At", s.Contacts[j].At)
		f.past("Used", s.Contacts[j].Used)
	}
	f.in = ""
	f.schedule(&s.Schedule)
	if f.err != nil {
		return f.err
	}
	return s.Sound()
}

const (
	latest = shutdown.Instant(7_258_118_400e9) // the year 2200: what is added to it is still a time
	most   = 1e12                              // watts, joules, seconds: no room has more
)

// room looks at what was heard of a sensor.
func (f *finder) room(r *heat.Sensor) {
	degrees := func(n int64) bool { return n > -2731 && n < 100000 }
	kept := append([]heat.Kept{r.Last, r.Odd, r.Lows[0], r.Lows[1]}, r.Marks[:]...)
	for _, k := range kept {
		f.past("At", shutdown.Instant(k.At))
		f.is(degrees(k.Tenths), "Tenths", k.Tenths)
	}
	f.past("OddFor", shutdown.Instant(r.OddFor))
	f.past("Same", shutdown.Instant(r.Same))
	f.past("Hour", shutdown.Instant(r.Hour))
	f.is(degrees(r.First), "First", r.First)
}

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

// amount is a number that is none below zero.
func (f *finder) amount(name string, x float64) {
	f.is(x >= 0 && x <= most && !math.IsNaN(x), name, x)
}

func (f *finder) ups(u *shutdown.UPS) {
	f.is(u.Says <= shutdown.SaysNothing, "Says", uint8(u.Says))
	f.is(u.Last.Source <= shutdown.FromNothing, "Last.Source", uint8(u.Last.Source))
	f.is(u.Last.Input <= shutdown.LineBad, "Last.Input", uint8(u.Last.Input))
	f.is(u.Last.Battery <= shutdown.StatusDepleted, "Last.Battery", uint8(u.Last.Battery))
	for _, t := range []struct {
		name string
		at   shutdown.Instant
	}{
		{"LastAt", u.LastAt}, {"From", u.From}, {"Lost", u.Lost}, {"OffHeard", u.OffHeard}, {"EndHeard", u.EndHeard}, {"GapFrom", u.GapFrom}, {"GapTo", u.GapTo}, {"TakenAt", u.TakenAt},
	} {
		f.past(t.name, t.at)
	}
	for _, c := range u.Taken {
		f.amount("Taken.Delivered", c.Delivered)
		f.amount("Taken.Bound", c.Bound)
		f.amount("Taken.Floated", c.Floated)
	}
	f.amount("AtLoss", u.AtLoss)
	f.amount("Gauge", u.Gauge)
	f.amount("Load", u.Load)
	f.amount("LowLeft", u.LowLeft)
	for _, x := range u.Holds {
		f.is(x >= 0 && x <= 100, "Holds", x)
	}
	f.begun("Switch", &u.Switch)
}

func (f *finder) begun(name string, b *shutdown.Begun) {
	f.is(b.Action.ID.Verb <= shutdown.VerbSwitchOn, name+".Action.ID.Verb", uint8(b.Action.ID.Verb))
	f.is(b.Outcome <= shutdown.Unknown, name+".Outcome", uint8(b.Outcome))
	f.is(b.Action.Deadline >= 0 && b.Action.Deadline <= latest, name+".Action.Deadline", int64(b.Action.Deadline))
	f.past(name+".Ended", b.Ended)
}

func (f *finder) host(s *shutdown.State, k int) {
	h, p := &s.Hosts[k], &s.Policy.Hosts[k]
	f.is(h.State >= shutdown.Unseen && h.State <= shutdown.AskedOff, "State", uint8(h.State))
	f.is(h.Seen <= shutdown.SeenOff, "Seen", uint8(h.Seen))
	f.is(!p.StaysUp || !h.Stopping(), "State", uint8(h.State))
	f.is(!h.Stopping() || h.Last.Action.ID.Verb != 0, "Last", "none of a host that is asked")
	f.is(h.Word == 0 || h.Word >= shutdown.StopHost && h.Word <= shutdown.KeepHost, "Word", uint8(h.Word))
	for _, t := range []struct {
		name string
		at   shutdown.Instant
	}{{"SeenFrom", h.SeenFrom}, {"UpAt", h.UpAt}, {"Asked", h.Asked}, {"WordAt", h.WordAt}} {
		f.past(t.name, t.at)
	}
	f.begun("Last", &h.Last)
}

func (f *finder) schedule(c *shutdown.Schedule) {
	f.past("Schedule.At", c.At)
	for i := range c.Plan.Stops {
		o := &c.Plan.Stops[i]
		f.is(o.Asked >= -aWhile, "a stop of the schedule", *o)
	}
	for _, r := range c.Rests {
		f.is(r.Load >= -1 && r.Load <= most, "a load that the schedule counts on", r.Load)
		f.is(r.Holds >= -most && r.Holds <= most, "a store that the schedule counts on", r.Holds)
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
	view(c, c, new(reasons).of(c), c.Now)
	return nil
}
