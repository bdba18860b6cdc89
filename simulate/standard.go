package simulate

import (
	"time"

	"ebbline/policy"
	"ebbline/simulate/world"
)

// Standard are the outages that every plan is put through when none is named: each
// with one thing to go by, so that its name says what failed. The bounds take
// each battery as low as given ([LowParts]).
func Standard(p *policy.Policy, low []Low) []*Outage {
	ride := p.Site.RideThrough
	long := 8 * time.Hour
	list := []*Outage{
		lasting(p, "a blink of one second", time.Second),
		lasting(p, "an interruption just within the ride-through", max(time.Second, ride-5*time.Second)),
		lasting(p, "an interruption just longer than the ride-through", ride+20*time.Second),
		lasting(p, "twenty minutes", 20*time.Minute),
		lasting(p, "eight hours", long),
		Bounds(p, low),
	}
	three := lasting(p, "three reclosing shots, then two hours", 500*time.Millisecond)
	three.Moments = append(three.Moments, loss(15500*time.Millisecond, 15*time.Second)...)
	three.Moments = append(three.Moments, loss(75*time.Second, 2*time.Hour)...)
	again := lasting(p, "two hours, twenty minutes of input, and two hours more", 2*time.Hour)
	again.Moments = append(again.Moments, loss(2*time.Hour+20*time.Minute, 2*time.Hour)...)
	silent := lasting(p, "two hours, the UPSs silent from the tenth second on", 2*time.Hour)
	silent.Moments = append(silent.Moments, world.Moment{At: 10 * time.Second, What: world.Mute, UPS: -1, For: 2 * time.Hour})
	sortMoments(silent.Moments)
	killed := lasting(p, "two hours, the agent killed after a minute for half a minute", 2*time.Hour)
	killed.Moments = append(killed.Moments, world.Moment{At: time.Minute, What: world.AgentKilled, UPS: -1, For: 30 * time.Second})
	sortMoments(killed.Moments)
	list = append(list, three, again, silent, killed)
	list = append(list, worstFaults(p)...)
	list = append(list, allAtOnce(p, low))
	list = append(list, hotRooms(p)...)
	if len(p.UPSs) > 1 {
		for i := range p.UPSs {
			one := lasting(p, "two hours, of UPS "+p.UPSs[i].Name+" alone", 2*time.Hour)
			one.Moments[0].UPS, one.Moments[1].UPS = int32(i), int32(i)
			list = append(list, one)
		}
	}
	for k := range p.Hosts {
		if p.Hosts[k].StaysUp || p.Hosts[k].Self {
			continue
		}
		hung := lasting(p, "two hours, "+p.Hosts[k].Name+" hangs", 2*time.Hour)
		hung.Hosts[k].Mode = world.Hangs
		list = append(list, hung)
	}
	return list
}

// worstFaults are the faults that every plan should bear, each at its worst, in
// an outage of two hours.
func worstFaults(p *policy.Policy) []*Outage {
	const long = 2 * time.Hour
	boasts := lasting(p, "two hours, the UPSs claim four times their minutes", long)
	full := lasting(p, "two hours, the UPSs' gauges stay at 100 %, never \"low\"", long)
	for i := range p.UPSs {
		boasts.UPSs[i].Optimism = 4
		full.UPSs[i].ClaimsFull = true
	}
	lossy := lasting(p, "two hours, a fifth of the UPSs' answers lost, half of them late", long)
	lossy.Loss, lossy.Late = 0.2, 0.5
	odd := lasting(p, "two hours, one reading that says input every ten minutes", long)
	for at := 10 * time.Minute; at < long; at += 10 * time.Minute {
		odd.Moments = append(odd.Moments, world.Moment{At: at, What: world.OddGood, UPS: -1})
	}
	sortMoments(odd.Moments)
	tested := lasting(p, "two hours, and a battery test of ten minutes right after", long)
	tested.Moments = append(tested.Moments, world.Moment{At: long + 5*time.Second, What: world.Tests, UPS: -1, For: 10 * time.Minute})
	unanswered := lasting(p, "two hours, hosts that go down without an answer", long)
	unanswer(p, unanswered)
	return []*Outage{boasts, full, lossy, odd, tested, unanswered}
}

// allAtOnce are these faults together, in the room at the bounds: what each hides
// from the core another may hide twice.
func allAtOnce(p *policy.Policy, low []Low) *Outage {
	const long = 8 * time.Hour
	o := Bounds(p, low)
	o.Name = "at the bounds, and the gauges, readings and answers at their worst"
	for i := range o.UPSs {
		o.UPSs[i].Optimism, o.UPSs[i].ClaimsFull = 4, true
	}
	o.Loss, o.Late = 0.2, 0.5
	for at := time.Minute; at < long; at += at/4 + time.Minute {
		o.Moments = append(o.Moments, world.Moment{At: at, What: world.OddGood, UPS: -1})
	}
	sortMoments(o.Moments)
	unanswer(p, o)
	return o
}

// unanswer has every host but the agent's own go down without an answer.
func unanswer(p *policy.Policy, o *Outage) {
	for k := range p.Hosts {
		if !p.Hosts[k].Self {
			o.Hosts[k].Mode = world.CutsLink
		}
	}
}

// loss is the loss of every input from a time on for so long.
func loss(at, length time.Duration) []world.Moment {
	return []world.Moment{{At: at, What: world.InputLost, UPS: -1}, {At: at + length, What: world.InputBack, UPS: -1}}
}

func lasting(p *policy.Policy, name string, length time.Duration) *Outage {
	o := Likely(p)
	o.Name = name
	o.Moments = loss(0, length)
	return o
}

// Bounds is the room at the bounds that the plan is made for: the battery as
// low as given, every host at its whole first allowance. Where no host draws
// more while stopping than while up and no limit is set on stops at once, a
// longer stop is pointwise more load, so that this one run proves every milder
// one.
func Bounds(p *policy.Policy, low []Low) *Outage {
	o := lasting(p, "at the bounds: low battery, longest stops", 8*time.Hour)
	for k := range p.Hosts {
		if h := &p.Hosts[k]; len(h.Methods) > 0 {
			o.Hosts[k].Takes = max(time.Second, h.Methods[0].GivesUp-2*time.Second)
		}
	}
	for i := range o.UPSs {
		o.UPSs[i].Battery, o.UPSs[i].Own = low[i].Battery, low[i].Own
	}
	return o
}
