package simulate

import (
	"cmp"
	"math"
	"slices"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
	"ebbline/shutdown/plan"
)

// Scene is a policy on a day, and what differs from it while a question is put
// to the core: what if the input of every UPS failed now?
type Scene struct {
	Policy *policy.Policy
	Day    int64 // since 1970-01-01, for the batteries' age
	Off    []int // hosts that are off
	Scales []Scale
}

// Scale is one UPS against what the policy describes.
type Scale struct {
	UPS int
	// Battery is how many times the battery it has, Size how many times the
	// rating, and with it what it takes itself.
	Battery, Size float64
}

// with gives the scene with another policy that has the same hosts and UPSs.
func (c *Scene) with(p *policy.Policy) *Scene {
	d := *c
	d.Policy = p
	return &d
}

// ready is the core's state with good input, full batteries and all that is not
// off up.
func (c *Scene) ready() *shutdown.State {
	s, p, at := shutdown.New(), c.Policy, Epoch(c.Day)
	if len(c.Scales) > 0 {
		q := *p
		q.UPSs = slices.Clone(p.UPSs)
		for _, scale := range c.Scales {
			// Parallel strings: half of them hold half, and give half the power.
			q.UPSs[scale.UPS].StoreScale, q.UPSs[scale.UPS].SizeScale = scale.Battery, scale.Size
		}
		p = &q
	}
	s.Step(at, &shutdown.Event{Kind: shutdown.Adopted, Policy: p}, nil)
	for _, k := range c.Off {
		s.Step(at, &shutdown.Event{Kind: shutdown.Observed, Host: int32(k), Sighting: shutdown.SeenOff}, nil)
	}
	full := shutdown.Nothing
	full.Source, full.ChargeTenths = shutdown.FromInput, 1000
	for i := range s.UPSs {
		s.Step(at, &shutdown.Event{Kind: shutdown.Measured, UPS: int32(i), Measurement: full}, nil)
	}
	return s
}

// Answer is what the core plans for a scene.
type Answer struct {
	Scene *Scene
	Fits  bool
	UPSs  []Supply // by the policy's order
	Stays []Stay   // hosts, by the policy's order
	state *shutdown.State
}

// Limits gives the point of no return, negative when no plan fits; and what the
// batteries have in hand after their last stops, by the low projection and beyond the
// reserve: the smallest, in whole seconds; [Untested] when no battery ends.
func (a *Answer) Limits() (noReturn, inHand time.Duration) {
	noReturn, inHand = a.state.Return().Sub(a.state.Now), Untested
	o, ok := a.state.Outlook()
	if !ok {
		return noReturn, inHand
	}
	for i := range o.Plan.Stores {
		if f := &o.Plan.Stores[i]; f.End >= 0 && f.LastDown > 0 {
			last := (f.LastDown + time.Second - 1).Truncate(time.Second)
			inHand = min(inHand, f.End.Truncate(time.Second)-last-a.Scene.Policy.Site.Reserve)
		}
	}
	return o.Plan.NoReturn, inHand
}

// Supply is one UPS in an answer.
type Supply struct {
	Load    float64 // watts when the input fails
	Runtime Three   // if nothing were shed; [battery.Unending] when it never ends
}

// Three is a time by the low, the likely and the high projection.
type Three struct{ Low, Likely, High time.Duration }

// Stay is how long a host stays up by the plan.
type Stay struct {
	Planned bool          // it takes part: neither off nor one that always stays up
	Up      time.Duration // until it is asked
	Down    time.Duration // its allowance used up
	Kept    bool          // it is up for as long as it is promised
}

// Answer lets the core plan.
func (c *Scene) Answer() *Answer {
	s := c.ready().IfInputFailed()
	a := &Answer{Scene: c, Fits: s.Schedule.Plan.Fits, state: s}
	for i := range s.UPSs {
		a.UPSs = append(a.UPSs, Supply{Load: s.UPSs[i].Load, Runtime: runtime(s, i)})
	}
	for k := range s.Hosts {
		p := &c.Policy.Hosts[k]
		stop, planned := s.StopOf(int32(k))
		v := Stay{Planned: planned}
		if v.Planned {
			v.Up, v.Down = stop.Asked, stop.Down
			v.Kept = v.Up >= p.KeepFor
		}
		a.Stays = append(a.Stays, v)
	}
	return a
}

func runtime(s *shutdown.State, i int) (t Three) {
	t.Low, t.Likely, t.High = s.Runtime(int32(i))
	return t
}

// Endless stands for a gain without end.
const Endless = time.Duration(-1)

// Gain is what it would bring if a host were off from the start.
type Gain struct {
	Host     int
	With     []int   // all that depends on it, its guests among them: off too
	Watts    int64   // of all of them
	Priority int64   // of all of them
	More     []Three // by UPS: how much longer it lasts if nothing else were shed; [Endless] where it then lasts for good
}

// Gains gives the gain for each host that may be shed early: not the agent's
// own, which goes last.
func (c *Scene) Gains() []Gain {
	all := c.ready()
	var gains []Gain
	for k := range c.Policy.Hosts {
		if !c.sheds(all, k) {
			continue
		}
		g := Gain{Host: k, With: Dependents(c.Policy, k)}
		g.With = slices.DeleteFunc(g.With, func(i int) bool { return all.Hosts[i].IsOff() })
		off := *c
		off.Off = append(slices.Clone(c.Off), k)
		off.Off = append(off.Off, g.With...)
		for _, i := range off.Off[len(c.Off):] {
			g.Watts += c.Policy.Hosts[i].Watts
			g.Priority += c.Policy.Hosts[i].Priority
		}
		then := off.ready()
		for i := range c.Policy.UPSs {
			a, b := runtime(all, i), runtime(then, i)
			g.More = append(g.More, Three{more(a.Low, b.Low), more(a.Likely, b.Likely), more(a.High, b.High)})
		}
		gains = append(gains, g)
	}
	return gains
}

// sheds tells whether a host may be shed early: the agent's own goes last.
func (c *Scene) sheds(s *shutdown.State, k int) bool {
	h := &c.Policy.Hosts[k]
	return !h.StaysUp && !h.Self && !s.Hosts[k].IsOff()
}

func more(before, after time.Duration) time.Duration {
	switch {
	case before >= battery.Unending:
		return 0
	case after >= battery.Unending:
		return Endless
	}
	return after - before
}

// Dependents gives the hosts that depend on a host, directly or through others,
// sorted.
func Dependents(p *policy.Policy, k int) []int {
	var found []int
	for next := []int{k}; len(next) > 0; next = next[1:] {
		for i := range p.Hosts {
			if slices.Contains(p.Hosts[i].DependsOn, next[0]) && !slices.Contains(found, i) {
				found, next = append(found, i), append(next, i)
			}
		}
	}
	slices.Sort(found)
	return found
}

// Promise is what a host's time on battery costs, and how long it could be.
type Promise struct {
	Host    int
	Cost    []Loss        // who goes earlier for the promise that it has
	Longest time.Duration // the longest promise that can be kept, all others being kept that are kept now
	Price   []Loss        // who would go earlier for that
}

// Loss is how much earlier a host goes.
type Loss struct {
	Host int
	By   time.Duration
}

// Notable is the least change of a host's time that is spoken of: the search for
// a good plan leaves differences of a few seconds.
const Notable = 10 * time.Second

// Promises looks into hosts' promised times. It is for one goroutine; the scene and the
// answer to it may be shared.
type Promises struct {
	c   *Scene
	now *Answer
	sketch
}

// Promises readies the questions. Now is the answer to the scene.
func (c *Scene) Promises(now *Answer) *Promises {
	s := &Promises{c: c, now: now}
	s.take(now)
	return s
}

// Of looks into one host's promised time.
func (s *Promises) Of(k int) Promise {
	c, now := s.c, s.now
	p := Promise{Host: k}
	if c.Policy.Hosts[k].KeepFor > 0 {
		p.Cost = losses(c.promising(k, 0), now, k)
	}
	longest := now
	holds := func(d time.Duration) bool {
		a := c.promising(k, d)
		ok := a.Stays[k].Kept && keepsAll(now, a, k)
		if ok {
			longest = a
		}
		return ok
	}
	// The core's answers are looked for where quick ones say that the end is.
	p.Longest = near(furthest(now.Stays[k].Up, func(d time.Duration) bool { return s.keeps(k, d) }), holds)
	p.Price = losses(now, longest, k)
	return p
}

// sketch puts a promise to the planner alone, which plans quickly: all the same promises
// are kept, as a rule, and what is left of the batteries goes where it is worth less.
type sketch struct {
	planner plan.Planner
	problem plan.Problem // no hosts where there is no plan
	out     plan.Plan
	hosts   []int32 // of the policy, in the problem's order
}

func (s *sketch) take(now *Answer) {
	if o, ok := now.state.Outlook(); ok {
		s.problem, s.hosts = o.Problem, o.Hosts
		s.problem.Hosts = slices.Clone(o.Problem.Hosts)
		s.problem.Quick = true
		s.problem.Stores = slices.Clone(o.Problem.Stores)
		for j, i := range o.UPSs {
			// The core's plan for any outage has full batteries, and the load in steps twice as coarse.
			step, load := float64(max(1, now.Scene.Policy.UPSs[i].RatedWatts/100)), now.UPSs[i].Load
			s.problem.Stores[j].Base += float64(2*step*math.Ceil(load/(2*step))) - float64(step*math.Ceil(load/step))
			s.problem.Stores[j].Charge = battery.Charge{}
		}
	}
}

// keeps tells whether one host is up for so long if that is promised, and all other
// promises are kept that are kept now.
func (s *Promises) keeps(k int, d time.Duration) bool {
	j := slices.Index(s.hosts, int32(k))
	if j < 0 {
		return false
	}
	h := &s.problem.Hosts[j]
	before := h.Hold
	h.Hold = d
	s.planner.Make(&s.problem, &s.out)
	h.Hold = before
	ok := s.out.Stops[j].Asked >= d && (s.out.Fits || !s.now.Fits)
	for i, other := range s.hosts {
		if i != j && s.now.Stays[other].Kept {
			ok = ok && s.out.Stops[i].Asked >= s.c.Policy.Hosts[other].KeepFor
		}
	}
	return ok
}

// promising is the answer if a host were promised so long.
func (c *Scene) promising(k int, d time.Duration) *Answer {
	return c.with(keeping(c.Policy, k, d)).Answer()
}

// keeping gives the policy with another promise for one host.
func keeping(p *policy.Policy, k int, d time.Duration) *policy.Policy {
	q := *p
	q.Hosts = slices.Clone(p.Hosts)
	q.Hosts[k].KeepFor = d
	return &q
}

// keepsAll tells whether all promises but one host's that were kept still are.
func keepsAll(before, after *Answer, but int) bool {
	for k := range before.Stays {
		if k != but && before.Stays[k].Kept && !after.Stays[k].Kept {
			return false
		}
	}
	return after.Fits || !before.Fits
}

// losses lists the hosts that go notably earlier, those that lose most first,
// but for one, and for the agent's own: that is up for the others' sake.
func losses(before, after *Answer, but int) []Loss {
	var list []Loss
	for k := range before.Stays {
		self := before.Scene.Policy.Hosts[k].Self
		if by := before.Stays[k].Up - after.Stays[k].Up; k != but && !self && by >= Notable {
			list = append(list, Loss{k, by})
		}
	}
	slices.SortStableFunc(list, func(a, b Loss) int { return cmp.Compare(b.By, a.By) })
	return list
}

// furthest is the longest time for which a condition holds, to a second or half
// a percent: it probably holds up to the time given, so the search goes up from
// there in doubling steps until it fails, then bisects.
func furthest(from time.Duration, holds func(time.Duration) bool) time.Duration {
	lo, hi := time.Duration(0), from.Truncate(time.Second)
	for step := time.Minute; hi < furthestEnd && holds(hi); step *= 2 {
		lo, hi = hi, hi+step
	}
	return between(lo, hi, holds)
}

const furthestEnd = 7 * 24 * time.Hour // as far as the planner looks

// near is furthest, where the answer is probably close to the time given.
func near(at time.Duration, holds func(time.Duration) bool) time.Duration {
	lo, hi, step := at, at, tolerance(at)
	if at == 0 || holds(at) {
		for hi += step; hi < furthestEnd && holds(hi); step *= 2 {
			lo, hi = hi, hi+step
		}
		return between(lo, hi, holds)
	}
	for lo -= step; lo > 0 && !holds(lo); step *= 2 {
		lo, hi = lo-step, lo
	}
	return between(max(lo, 0), hi, holds)
}

// between bisects for where a condition ceases to hold.
func between(lo, hi time.Duration, holds func(time.Duration) bool) time.Duration {
	for hi-lo > tolerance(hi) {
		if mid := (lo + (hi-lo)/2).Truncate(time.Second); holds(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// tolerance is how near two times are that count as the same.
func tolerance(d time.Duration) time.Duration {
	return max(time.Second, (d / 200).Truncate(time.Second))
}

// Room is how much worse one UPS's lot may become.
type Room struct {
	UPS int
	// MostWatts is the most that the UPS may carry on top, up to its rating.
	MostWatts int64
	// KeepWatts is how many watts more, for good, leave all promises kept that
	// are kept now, and FitWatts how many leave a plan that fits at all; -1 where
	// that is not so even now.
	KeepWatts, FitWatts int64
	// KeepPercent is how little of its battery does the first, FitPercent the
	// second; above 100 where all of it does not.
	KeepPercent, FitPercent int64
	// First is the promise that breaks just beyond KeepWatts; -1 for none.
	First int
}

// Room looks into one UPS. Now is the answer to the scene.
func (c *Scene) Room(now *Answer, ups int) Room {
	r := Room{UPS: ups, MostWatts: max(0, c.Policy.UPSs[ups].RatedWatts-int64(math.Ceil(now.UPSs[ups].Load))), First: -1}
	watts := func(w int64) *Answer { return c.with(carrying(c.Policy, ups, w)).Answer() }
	holds := func(percent int64) *Answer {
		return c.Scaled(Scale{UPS: ups, Battery: float64(percent) / 100, Size: 1}).Answer()
	}
	keeps := func(a *Answer) bool { return a.Fits && keepsAll(now, a, -1) }
	fits := func(a *Answer) bool { return a.Fits }
	r.FitWatts = most(0, r.MostWatts, func(w int64) bool { return fits(watts(w)) })
	r.KeepWatts = most(0, r.FitWatts, func(w int64) bool { return keeps(watts(w)) })
	r.FitPercent = 100 - most(0, 99, func(less int64) bool { return fits(holds(100 - less)) })
	r.KeepPercent = 100 - most(0, 100-r.FitPercent, func(less int64) bool { return keeps(holds(100 - less)) })
	if r.KeepWatts < r.MostWatts {
		if broken := Broken(now, watts(r.KeepWatts+1)); len(broken) > 0 {
			r.First = broken[0]
		}
	}
	return r
}

// most is the largest number up to a bound for which a condition holds that
// holds for all smaller ones; one less than the first where it holds for none.
func most(first, last int64, holds func(int64) bool) int64 {
	if last < first || holds(last) {
		return last
	}
	lo, hi := first-1, last
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; holds(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// carrying gives the policy with something on a UPS that draws so much and is
// never shut down.
func carrying(p *policy.Policy, ups int, watts int64) *policy.Policy {
	q := *p
	q.Loads = append(slices.Clone(p.Loads), policy.Load{Name: "more", FedBy: []int{ups}, Watts: watts})
	return &q
}
