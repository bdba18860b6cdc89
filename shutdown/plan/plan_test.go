package plan

import (
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ebbline/shutdown/battery"
)

// site draws a problem: one or two batteries of the kernel's full form, some
// hosts with dependencies, single and redundant feeds. Simple ones have no host
// that draws more while it stops, and no limit on stops at once.
func draw(t *rapid.T, most int, simple bool) *Problem {
	seconds := func(name string, lo, hi int) time.Duration {
		return time.Duration(rapid.IntRange(lo, hi).Draw(t, name)) * time.Second
	}
	stores := rapid.IntRange(1, 2).Draw(t, "stores")
	n := rapid.IntRange(1, most).Draw(t, "hosts")
	p := &Problem{
		Floor: seconds("floor", 0, 120), Reserve: seconds("reserve", 0, 120), Elapsed: seconds("elapsed", 0, 600),
		EachLost: stores > 1 && rapid.Bool().Draw(t, "each lost"),
	}
	if rapid.Bool().Draw(t, "own grid") {
		p.Slot = seconds("slot", 5, 60)
	}
	sum := 0.0
	for i := range n {
		h := Host{
			Watts: float64(rapid.IntRange(5, 400).Draw(t, "watts")), Stops: seconds("stops", 1, 400),
			Priority: int64(rapid.IntRange(1, 100).Draw(t, "priority")), Restart: float64(rapid.IntRange(0, 20000).Draw(t, "restart")),
		}
		h.Stopping = h.Watts * rapid.Float64Range(0, 1).Draw(t, "stopping")
		if !simple {
			h.Stopping *= 1.6
		}
		h.Expected = time.Duration(float64(h.Stops) * rapid.Float64Range(0.1, 1).Draw(t, "expected"))
		if rapid.IntRange(0, 3).Draw(t, "promised") == 0 {
			h.Hold = seconds("hold", 1, 3000)
		}
		if rapid.IntRange(0, 7).Draw(t, "asked before") == 0 {
			h.Asked = true
		}
		for a := range i {
			if rapid.IntRange(0, 3).Draw(t, "depends") == 0 {
				h.After = append(h.After, a)
			}
		}
		for u := range stores {
			h.Feeds = append(h.Feeds, Feed{u, 1})
		}
		if stores > 1 && rapid.Bool().Draw(t, "one feed") {
			u := rapid.IntRange(0, 1).Draw(t, "feed")
			h.Feeds = []Feed{{u, 1}}
			if rapid.IntRange(0, 3).Draw(t, "needs") == 0 {
				h.Needs = []int{1 - u}
			}
		}
		sum += h.Watts
		p.Hosts = append(p.Hosts, h)
	}
	if !simple && rapid.Bool().Draw(t, "limited") {
		p.AtOnce = rapid.IntRange(1, 3).Draw(t, "at once")
	}
	for range stores {
		m := battery.Model{Ohmic: rapid.Float64Range(0, 540).Draw(t, "ohmic")}
		if rapid.Bool().Draw(t, "diffusion") {
			m.Diffusion, m.Relaxation = rapid.Float64Range(60, 4000).Draw(t, "a"), rapid.Float64Range(300, 6000).Draw(t, "tau")
		}
		m.Energy = sum * m.Phi(rapid.Float64Range(60, 3000).Draw(t, "minutes"))
		s := Store{Model: m, Base: rapid.Float64Range(0, 100).Draw(t, "base")}
		s.Charge = m.Advance(battery.Charge{}, sum/3, rapid.Float64Range(0, 120).Draw(t, "used"))
		p.Stores = append(p.Stores, s)
	}
	return p
}

func starts(out *Plan) []time.Duration {
	var s []time.Duration
	for i := range out.Stops {
		s = append(s, out.Stops[i].Asked)
	}
	return s
}

// stopsOf gives the durations by which a plan was made.
func stopsOf(p *Problem, out *Plan) []time.Duration {
	var s []time.Duration
	for i := range p.Hosts {
		if out.Fits {
			s = append(s, p.Hosts[i].Stops)
		} else {
			s = append(s, p.Hosts[i].Expected)
		}
	}
	return s
}

// without gives the problem as it is when a store is lost at time zero: hosts
// that it alone feeds are off.
func without(p *Problem, lost int) (*Problem, []int) {
	var off []int
	q := *p
	q.EachLost = false
	q.Stores = slices.Delete(slices.Clone(p.Stores), lost, lost+1)
	q.Hosts = slices.Clone(p.Hosts)
	place := func(u int) int {
		if u > lost {
			return u - 1
		}
		return u
	}
	for i := range q.Hosts {
		h := &q.Hosts[i]
		var feeds []Feed
		for _, f := range h.Feeds {
			if f.Store != lost {
				feeds = append(feeds, Feed{place(f.Store), f.Part})
			}
		}
		var needs []int
		for _, u := range h.Needs {
			needs = append(needs, place(u))
		}
		if len(feeds) == 0 {
			off = append(off, i)
			h.Watts, h.Stopping = 0, 0 // it is dead: no draw and no demand
			needs = nil
		}
		h.Feeds, h.Needs = feeds, needs
	}
	return &q, off
}

// lasting replays one store that carries all, second by second and with nothing
// of the planner, and tells whether at each second the battery could carry the
// load of that moment for the reserve. It looks at whole seconds only, so that
// it may pass a plan that is short by less than one.
func lasting(p *Problem, begun, down []time.Duration) bool {
	m := &p.Stores[0].Model
	q := p.Stores[0].Charge
	for t := time.Duration(0); t < slices.Max(down); t += time.Second {
		load := p.Stores[0].Base
		for i := range p.Hosts {
			switch {
			case t < begun[i]:
				load += p.Hosts[i].Watts
			case t < down[i]:
				load += p.Hosts[i].Stopping
			}
		}
		step := min(time.Second, slices.Max(down)-t)
		for i := range p.Hosts { // the load must not change within the step
			for _, e := range []time.Duration{begun[i], down[i]} {
				if e > t {
					step = min(step, e-t)
				}
			}
		}
		if m.Runtime(q, load) < (p.Reserve+step).Seconds()-1e-6 {
			return false
		}
		q = m.Advance(q, load, step.Seconds())
		t += step - time.Second
	}
	return true
}

// Whatever the site: no host is to stop before what depends on it is down, at
// worst durations, or at expected ones where only these fit; a plan that fits is
// safe by its own replay and, with one store, by that of this test; and with a
// limit no more stop at once. The figures agree with each other.
func TestPlanIsSafe(t *testing.T) {
	var w Planner
	var out Plan
	fits := 0
	rapid.Check(t, func(t *rapid.T) {
		p := draw(t, 7, rapid.Bool().Draw(t, "simple"))
		w.Make(p, &out)
		if out.Fits && !out.FitsExpected {
			t.Fatal("fits at worst durations and not at expected ones")
		}
		if !out.FitsExpected {
			if out.NoReturn >= 0 || out.Unproven == "" {
				t.Fatalf("nothing fits, and the point of no return is %v, unproven %q", out.NoReturn, out.Unproven)
			}
			return
		}
		fits++
		stops := stopsOf(p, &out)
		for i := range p.Hosts {
			s := &out.Stops[i]
			for _, a := range p.Hosts[i].After {
				if end := out.Stops[a].Asked + stops[a]; !p.Hosts[i].Asked && s.Asked < end {
					t.Fatalf("host %d starts at %v, but %d is down at %v", i, s.Asked, a, end)
				}
			}
			if p.Hosts[i].Asked && s.Asked != 0 || p.Slot > 0 && s.Asked%p.Slot != 0 {
				t.Fatalf("host %d starts at %v", i, s.Asked)
			}
			if s.Kept != (s.Asked >= p.Hosts[i].Hold) || s.Latest < s.Asked || s.Down < s.Asked+p.Hosts[i].Stops {
				t.Fatalf("host %d: %+v", i, *s)
			}
		}
		if p.AtOnce > 0 {
			for i := range p.Hosts {
				n := 0
				for j := range p.Hosts {
					if at := out.Stops[i].Asked; out.Stops[j].Asked <= at && at < out.Stops[j].Asked+stops[j] && !p.Hosts[j].Asked {
						n++
					}
				}
				if n > p.AtOnce {
					t.Fatalf("%d stop at once, at most %d may", n, p.AtOnce)
				}
			}
		}
		if !out.Fits {
			return
		}
		if !w.Safe(p, starts(&out)) {
			t.Fatal("fits, and is not safe")
		}
		var tr Trace
		w.Replay(p, starts(&out), nil, &tr)
		if len(p.Stores) == 1 && !lasting(p, tr.Begun, tr.Down) {
			t.Fatal("fits, and does not leave the reserve")
		}
		for u, f := range out.Stores {
			if f.Margin < 0 || len(p.Stores) == 1 && f.End >= 0 && f.Margin > f.End-p.Reserve-f.LastDown {
				t.Fatalf("store %d: %+v", u, f)
			}
		}
	})
	if fits == 0 {
		t.Error("no plan fitted: the test shows nothing")
	}
}

// Aim: a store carried by itself gives the verdict of all carried together, with
// and without one lost. Method: both, for starts drawn at random.
func TestStoresApart(t *testing.T) {
	var w Planner
	verdicts := map[bool]int{}
	rapid.Check(t, func(t *rapid.T) {
		p := draw(t, 7, rapid.Bool().Draw(t, "simple"))
		w.Ready(p)
		for i := range p.Hosts {
			w.starts[w.inside[i]] = int64(rapid.IntRange(0, 3000).Draw(t, "start")) * second
		}
		w.dispatch(w.worst, w.starts)
		reserve := clamp(p.Reserve)
		for lost := -1; lost < len(p.Stores); lost++ {
			if lost >= 0 && len(p.Stores) == 1 {
				break
			}
			apart := w.replay(reserve, lost)
			w.rewind(lost)
			if together := w.together(reserve); apart != together {
				t.Fatalf("without store %d: apart %v, together %v", lost, apart, together)
			}
			verdicts[apart]++
		}
	})
	if verdicts[true] == 0 || verdicts[false] == 0 {
		t.Errorf("%v: the test shows nothing", verdicts)
	}
}

// With nothing that makes it hard, a weaker battery or more load is never
// answered with a later point of no return.
func TestNoReturnIsMonotone(t *testing.T) {
	var w Planner
	rapid.Check(t, func(t *rapid.T) {
		p := draw(t, 7, true)
		p.EachLost = false // a loss that no plan survives asks for nothing
		before := w.NoReturn(p)
		q := *p
		q.Stores, q.Hosts = slices.Clone(p.Stores), slices.Clone(p.Hosts)
		i, u := rapid.IntRange(0, len(q.Hosts)-1).Draw(t, "which host"), rapid.IntRange(0, len(q.Stores)-1).Draw(t, "which store")
		switch rapid.IntRange(0, 5).Draw(t, "change") {
		case 0:
			q.Stores[u].Charge.Delivered += rapid.Float64Range(1, 1e5).Draw(t, "joules")
		case 1:
			q.Stores[u].Model.Energy *= rapid.Float64Range(0.5, 1).Draw(t, "factor")
		case 2:
			q.Stores[u].Base += rapid.Float64Range(1, 100).Draw(t, "more base")
		case 3:
			q.Hosts[i].Watts += rapid.Float64Range(1, 100).Draw(t, "more watts")
		case 4:
			q.Hosts[i].Stops += time.Duration(rapid.IntRange(1, 200).Draw(t, "slower")) * time.Second
		case 5:
			h := draw(t, 1, true).Hosts[0]
			h.Feeds, h.Needs, h.Asked = []Feed{{u, 1}}, nil, false
			q.Hosts = append(q.Hosts, h)
		}
		// The grid that the planner chooses bounds how far it looks, not what it finds.
		if after := w.NoReturn(&q); after > before {
			t.Fatalf("the point of no return was %v and is %v", before, after)
		}
	})
}

// Tiny sites by brute force over every plan on the grid, each judged by the
// test's own replay: a plan is found if and only if there is one, and the point
// of no return is the true one. The time that all are kept, and then the
// promised times, are the lexicographic best of all plans from the highest
// priority down; and without promises the worth reached is near the best.
func TestBruteForce(t *testing.T) {
	var w Planner
	found, gained, possible := 0, 0.0, 0.0
	rapid.Check(t, func(t *rapid.T) {
		p := draw(t, 3, true)
		p.Stores, p.EachLost, p.Slot = p.Stores[:1], false, time.Duration(rapid.IntRange(20, 90).Draw(t, "grid"))*time.Second
		p.Horizon = 8 * p.Slot
		p.Stores[0].Model.Energy *= 0.7
		for i := range p.Hosts {
			h := &p.Hosts[i]
			h.Feeds, h.Needs = []Feed{{0, 1}}, nil
			h.Stops = up(h.Stops, p.Slot)
			h.Expected = h.Stops
			h.Hold = time.Duration(rapid.IntRange(0, 8).Draw(t, "slots promised")) * p.Slot
			h.Priority = int64(100*(i+1) + int(h.Priority)) // strict, the last the highest
		}
		best := bruteForce(p, &w)
		out := Make(p)
		if out.Fits != best.any {
			t.Fatalf("fits is %v, want %v", out.Fits, best.any)
		}
		if !best.any {
			return
		}
		found++
		if out.NoReturn != best.noReturn {
			t.Fatalf("the point of no return is %v, want %v", out.NoReturn, best.noReturn)
		}
		if got := promises(p, starts(out)); !slices.Equal(got, best.promises) {
			t.Fatalf("of the promises %v are kept, want %v", got, best.promises)
		}
		free := *p
		free.Hosts, free.Floor = slices.Clone(p.Hosts), 0
		for i := range free.Hosts {
			free.Hosts[i].Hold = 0
		}
		got := worthOf(&w, p, starts(Make(&free)))
		if got > best.worth {
			t.Fatalf("worth %v, above the best %v", got, best.worth)
		}
		gained += got - best.least
		possible += best.worth - best.least
	})
	if found == 0 || gained < 0.98*possible {
		t.Errorf("%d sites, %v gained of %v", found, gained, possible)
	}
}

// promises lists what a plan keeps of the time for all, and then of the promised
// times, from the highest priority down.
func promises(p *Problem, plan []time.Duration) []time.Duration {
	var kept []time.Duration
	for i := len(plan) - 1; i >= 0; i-- {
		kept = append(kept, min(plan[i], up(p.Floor, p.Slot)))
	}
	for i := len(plan) - 1; i >= 0; i-- {
		kept = append(kept, min(plan[i], p.Hosts[i].Hold))
	}
	return kept
}

type brute struct {
	any          bool
	noReturn     time.Duration
	promises     []time.Duration
	worth, least float64
}

// bruteForce looks at every plan.
func bruteForce(p *Problem, w *Planner) brute {
	b := brute{noReturn: -1, worth: math.Inf(-1)}
	n := len(p.Hosts)
	plan := make([]time.Duration, n)
	end := make([]time.Duration, n)
	var place func(i int)
	place = func(i int) {
		if i == n {
			if lasting(p, plan, end) {
				b.take(p, w, plan)
			}
			return
		}
		for plan[i] = 0; plan[i] <= p.Horizon; plan[i] += p.Slot {
			ok := true
			for _, a := range p.Hosts[i].After { // they come before it in the list
				ok = ok && (p.Hosts[i].Asked || plan[i] >= end[a])
			}
			if end[i] = plan[i] + p.Hosts[i].Stops; ok {
				place(i + 1)
			}
			if p.Hosts[i].Asked {
				break
			}
		}
	}
	place(0)
	if b.any {
		earliest := make([]time.Duration, n)
		follow(p, earliest)
		b.least = worthOf(w, p, earliest)
	}
	return b
}

// take counts a plan that holds.
func (b *brute) take(p *Problem, w *Planner, plan []time.Duration) {
	b.any = true
	first := p.Horizon
	for i := range plan {
		if !p.Hosts[i].Asked {
			first = min(first, plan[i])
		}
	}
	b.noReturn = max(b.noReturn, first)
	if kept := promises(p, plan); slices.Compare(kept, b.promises) > 0 {
		b.promises = kept
	}
	b.worth = max(b.worth, worthOf(w, p, plan))
}

// worthOf sums what starts on the grid are worth, by the planner's table of the
// survival curve, which [TestSurvival] checks.
func worthOf(w *Planner, p *Problem, plan []time.Duration) float64 {
	w.prepare(p, false)
	w.survive()
	sum := 0.0
	for i, s := range plan {
		h := &p.Hosts[i]
		slot := int(s / p.Slot)
		sum += float64(h.Priority)*w.time[slot] - h.Restart*w.still[slot]
	}
	return sum
}

// The same question gives the same bits, whatever was planned before; and hosts
// in another order get the same starts each.
func TestDeterminism(t *testing.T) {
	var used Planner
	rapid.Check(t, func(t *rapid.T) {
		p := draw(t, 8, rapid.Bool().Draw(t, "simple"))
		first, second := Make(p), &Plan{}
		used.Make(p, second)
		if !reflect.DeepEqual(first, second) {
			t.Fatalf("first\n%+v\nthen\n%+v", first, second)
		}
		perm := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0)).Perm(len(p.Hosts))
		q := *p
		q.Hosts = make([]Host, len(p.Hosts))
		for i, k := range perm {
			h := p.Hosts[i]
			h.After = nil
			for _, a := range p.Hosts[i].After {
				h.After = append(h.After, perm[a])
			}
			q.Hosts[k] = h
		}
		for i := range p.Hosts {
			for j := range i {
				if p.Hosts[i].Watts == p.Hosts[j].Watts && p.Hosts[i].Priority == p.Hosts[j].Priority {
					t.Skip("two hosts are alike")
				}
			}
		}
		used.Make(&q, second)
		for i, k := range perm {
			if first.Stops[i].Asked != second.Stops[k].Asked {
				t.Fatalf("host %d: %+v, in another order %+v", i, first.Stops[i], second.Stops[k])
			}
		}
	})
}

// A plan for the loss of each store holds in each, judged on the problem that
// the loss leaves; and of a store that is called fragile no plan survives the
// loss.
func TestEachLost(t *testing.T) {
	var w Planner
	held, fragile := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		p := draw(t, 6, true)
		if len(p.Stores) < 2 {
			return
		}
		p.EachLost = true
		p.Stores[0].Model.Energy *= rapid.Float64Range(0.1, 1).Draw(t, "weaker")
		out := Make(p)
		if !out.Fits {
			return
		}
		for lost := range p.Stores {
			shared := slices.ContainsFunc(p.Hosts, func(h Host) bool {
				return len(h.Feeds) > 1 && slices.ContainsFunc(h.Feeds, func(f Feed) bool { return f.Store == lost })
			})
			needed := slices.ContainsFunc(p.Hosts, func(h Host) bool {
				return slices.Contains(h.Needs, lost) && !(len(h.Feeds) == 1 && h.Feeds[0].Store == lost)
			})
			if !shared || needed {
				continue
			}
			q, _ := without(p, lost)
			if slices.Contains(out.Fragile, lost) {
				fragile++
				if Make(q).Fits {
					t.Fatalf("store %d is fragile, and a plan survives its loss", lost)
				}
				continue
			}
			held++
			if !w.Safe(q, starts(out)) {
				t.Fatalf("the plan does not hold without store %d", lost)
			}
		}
	})
	t.Logf("%d losses held, %d fragile", held, fragile)
}

// Two stores, of which the small one could carry nothing alone: the plan holds
// without the small one, and the loss of the large one asks for nothing.
func TestFragile(t *testing.T) {
	p := &Problem{
		EachLost: true, Slot: 10 * time.Second,
		Stores: []Store{{Model: battery.Model{Energy: 300_000}}, {Model: battery.Model{Energy: 1000}}},
		Hosts:  []Host{{Watts: 100, Stopping: 100, Stops: time.Minute, Priority: 1, Feeds: []Feed{{0, 1}, {1, 1}}}},
	}
	out := Make(p)
	if !out.Fits || !slices.Equal(out.Fragile, []int{0}) {
		t.Fatalf("fits is %v, fragile are %v, want true and store 0", out.Fits, out.Fragile)
	}
	// Alone the large store carries 100 W for 3,000 s, a minute of it while the host stops.
	if want := 2940 * time.Second; out.Stops[0].Asked != want || out.NoReturn != want {
		t.Errorf("starts at %v, point of no return at %v, want %v", out.Stops[0].Asked, out.NoReturn, want)
	}
}

// A host that may take 500 s and takes 100 as a rule, on an ideal battery, with a
// reserve of 90 s: what a plan does that does not fit at worst durations. Where
// the battery carries the worst but for the reserve, it still must.
func TestExpectedDurations(t *testing.T) {
	for _, c := range []struct {
		seconds       float64 // the battery carries the host
		fits, expects bool
		start         time.Duration
	}{
		{1000, true, true, 410 * time.Second},
		{550, false, true, 50 * time.Second},  // not 360: at worst it is empty after 550 s
		{400, false, true, 210 * time.Second}, // at worst it cannot be helped
		{150, false, false, 0},
	} {
		p := &Problem{
			Reserve: 90 * time.Second, Slot: 10 * time.Second,
			Stores: []Store{{Model: battery.Model{Energy: 100 * c.seconds}}},
			Hosts:  []Host{{Watts: 100, Stopping: 100, Stops: 500 * time.Second, Expected: 100 * time.Second, Priority: 1, Feeds: []Feed{{0, 1}}}},
		}
		out := Make(p)
		if out.Fits != c.fits || out.FitsExpected != c.expects || out.Stops[0].Asked != c.start || (out.Unproven == "") != c.fits {
			t.Errorf("for %v s: %+v, want %+v", c.seconds, *out, c)
		}
		if s := out.Stops[0]; s.Down != s.Asked+500*time.Second || s.Latest < s.Asked {
			t.Errorf("for %v s: %+v", c.seconds, s)
		}
	}
}

// One small site for each reason, on an ideal battery, with the host that it is
// given for, the one that it names, and what that costs by hand: a store of 60 kJ
// carries 200 W for 300 s, so that a host of 100 W that stays a minute longer takes a
// minute from another.
func TestReasonExamples(t *testing.T) {
	host := func(watts float64, priority int64) Host {
		return Host{Watts: watts, Stopping: watts, Stops: time.Minute, Priority: priority, Feeds: []Feed{{0, 1}}}
	}
	with := func(h Host, change func(*Host)) Host {
		change(&h)
		return h
	}
	last := func(h *Host) { h.After = []int{0} }
	own := func(h *Host) { h.After, h.Value = []int{0, 2}, 1e-6 } // as the agent's own: after all, and of no worth by itself
	for _, c := range []struct {
		why    Reason
		joules float64
		hosts  []Host
		other  int // for host 0
		cost   time.Duration
		change func(*Problem)
	}{
		{ForBattery, 60_000, []Host{host(100, 1)}, -1, time.Minute, nil},
		{ForPromise, 60_000, []Host{host(100, 1), with(host(50, 2), func(h *Host) { h.Hold = 1000 * time.Second })}, 1, 2 * time.Minute, nil},
		{ForOrder, 60_000, []Host{host(1, 1), with(host(400, 2), last)}, 1, time.Minute, nil},
		{ForWorth, 60_000, []Host{host(100, 1), host(100, 50)}, 1, time.Minute, nil},
		// The last one gives only what it takes from another, which is to be named.
		{ForWorth, 60_000, []Host{host(120, 10), with(host(6, 100), own), with(host(60, 50), func(h *Host) { h.Stops = 4 * time.Minute })}, 2, 2 * time.Minute, nil},
		{ForTurn, 600_000, []Host{host(20, 1), host(20, 2)}, 1, 0, func(p *Problem) { p.AtOnce, p.Horizon = 1, 10*time.Minute }},
		{0, 60_000, []Host{with(host(100, 1), func(h *Host) { h.Asked = true }), host(100, 1)}, -1, 0, nil},
	} {
		p := &Problem{Slot: 10 * time.Second, Stores: []Store{{Model: battery.Model{Energy: c.joules}}}, Hosts: c.hosts}
		if c.change != nil {
			c.change(p)
		}
		out := Make(p)
		var w Planner
		if d := w.Why(p, out, 0); d.Reason != c.why || d.Other != c.other || (d.Cost-c.cost).Abs() > 10*time.Second {
			t.Errorf("reason %d: host 0 goes at %v for %+v, want %d at %v (plan %+v)", c.why, out.Stops[0].Asked, d, c.other, c.cost, out.Stops)
		}
	}
}

// Every reason is put to the test by replays of the plan with other starts: a stop so much
// later, with what must follow it, is not safe; it is when the one that is named goes
// sooner by what it is said to cost. A margin is what a search step by step finds.
func TestReasons(t *testing.T) {
	var w Planner
	seen := map[Reason]int{}
	rapid.Check(t, func(t *rapid.T) {
		p := draw(t, 7, true)
		p.EachLost = false
		out := Make(p)
		if !out.Fits {
			return
		}
		for i := range p.Hosts {
			if int64(out.Stops[i].Asked+farDelay) >= farthest {
				continue // as good as never: no start is counted on that is later
			}
			d := w.Why(p, out, i)
			seen[d.Reason]++
			checkReason(t, &w, p, out, i, d)
			checkMargin(t, &w, p, out, i)
		}
	})
	t.Logf("how often each was given: %v", seen)
}

func checkReason(t *rapid.T, w *Planner, p *Problem, out *Plan, i int, d Delay) {
	moved := starts(out)
	moved[i] += d.By
	safe := w.Safe(p, moved)
	switch d.Reason {
	case 0:
		if !p.Hosts[i].Asked && !safe {
			t.Fatalf("host %d is said to have time for %v", i, d.By)
		}
		return
	case ForTurn:
		if o := &out.Stops[d.Other]; p.AtOnce == 0 || o.Asked > moved[i] || o.Down <= moved[i] {
			t.Fatalf("host %d waits for the turn of %d: %+v", i, d.Other, o)
		}
		return
	}
	if safe {
		t.Fatalf("host %d could stop %v later, and does not for %+v", i, d.By, d)
	}
	switch d.Reason {
	case ForBattery, ForOrder:
		moved[i] = out.Stops[i].Asked + d.By - d.Cost
		if !w.Safe(p, moved) && d.Cost < d.By {
			t.Fatalf("host %d is %v too late when %v later, and is too late without that: %+v", i, d.Cost, d.By, d)
		}
		if d.Reason == ForOrder && !slices.Contains(p.Hosts[d.Other].After, i) {
			t.Fatalf("host %d goes for the order with %d, which does not wait for it", i, d.Other)
		}
	case ForPromise, ForWorth, ForChance, ForShare:
		o := &out.Stops[d.Other]
		if d.Other == i || p.Hosts[d.Other].Asked {
			t.Fatalf("host %d goes for %d", i, d.Other)
		}
		if d.Cost == 0 {
			return // several together
		}
		if moved[d.Other] = o.Asked - d.Cost; !w.Safe(p, moved) {
			t.Fatalf("host %d costs %d more than %v", i, d.Other, d.Cost)
		}
		if moved[d.Other] += 2 * time.Second; d.Cost > 2*time.Second && w.Safe(p, moved) {
			t.Fatalf("host %d costs %d less than %v", i, d.Other, d.Cost)
		}
		if broken := o.Asked-d.Cost < max(p.Hosts[d.Other].Hold, p.Floor); broken != (d.Reason == ForPromise) {
			t.Fatalf("host %d: that %d goes at %v, with %v promised, is reason %d", i, d.Other, o.Asked-d.Cost, p.Hosts[d.Other].Hold, d.Reason)
		}
	}
}

// checkMargin puts all off that are planned for as late as a host or later: by its margin
// that is safe, by two seconds more it is not. On one store this is what the point of no
// return is with all before it gone.
func checkMargin(t *rapid.T, w *Planner, p *Problem, out *Plan, i int) {
	margin := w.Margin(p, out, i)
	if margin == battery.Unending || len(p.Stores) > 1 {
		return
	}
	safe := func(by time.Duration) bool {
		put := starts(out)
		for j := range put {
			if out.Stops[j].Asked >= out.Stops[i].Asked {
				put[j] = out.Stops[i].Asked + by
			}
		}
		return w.Safe(p, put)
	}
	if margin < 0 && safe(0) || margin >= 0 && (!safe(margin) || safe(margin+2*time.Second)) {
		t.Fatalf("host %d, asked at %v, has a margin of %v", i, out.Stops[i].Asked, margin)
	}
}

func up(d, slot time.Duration) time.Duration { return (d + slot - 1) / slot * slot }

// follow moves on those that must follow others, on the grid.
func follow(p *Problem, plan []time.Duration) {
	for i := range p.Hosts { // those before a host in the list are all that it waits for
		for _, a := range p.Hosts[i].After {
			if !p.Hosts[i].Asked {
				plan[i] = max(plan[i], plan[a]+up(p.Hosts[a].Stops, p.Slot))
			}
		}
	}
}

// A plan that a weaker battery or a heavier load made unsafe is safe again when
// it was tightened, if any plan of that shape is, and nothing in it is later.
func TestTighten(t *testing.T) {
	var w Planner
	moved := 0
	rapid.Check(t, func(t *rapid.T) {
		p := draw(t, 7, true)
		out := Make(p)
		if !out.Fits {
			return
		}
		before := starts(out)
		for u := range p.Stores {
			p.Stores[u].Model.Energy *= rapid.Float64Range(0.6, 1).Draw(t, "factor")
		}
		safe := w.Tighten(p, out)
		if !safe {
			if len(p.Stores) == 1 && w.NoReturn(p) >= 0 {
				t.Fatal("no safe plan was found, and there is one")
			}
			return
		}
		if !w.Safe(p, starts(out)) {
			t.Fatal("it says that it is safe, and it is not")
		}
		for i, s := range starts(out) {
			if s > before[i] {
				t.Fatalf("host %d starts at %v, later than before at %v", i, s, before[i])
			}
			if s < before[i] {
				moved++
			}
		}
	})
	if moved == 0 {
		t.Error("nothing was moved: the test shows nothing")
	}
}

// No call allocates once its planner has seen a problem of the size.
func TestAllocations(t *testing.T) {
	p := room(30)
	var w Planner
	var out Plan
	var tr Trace
	var gains []Gain
	w.Make(p, &out)
	plan := starts(&out)
	for name, call := range map[string]func(){
		"Make":     func() { w.Make(p, &out) },
		"NoReturn": func() { w.NoReturn(p) },
		"Safe":     func() { w.Safe(p, plan) },
		"Tighten":  func() { w.Tighten(p, &out) },
		"Replay":   func() { w.Replay(p, plan, nil, &tr) },
		"Marginal": func() { _, gains = w.Marginal(p, gains) },
	} {
		call()
		if n := testing.AllocsPerRun(3, call); n != 0 {
			t.Errorf("%s allocates %v times", name, n)
		}
	}
}

// The built-in curve keeps to the figures that are written beside it, and given
// that an outage has lasted 15 minutes, to the published remaining times: 2.0 %
// end within a further 15 min, 7.2 % within 30, 16.0 % within 60, 37.6 % within
// 120, 65.9 % within 240 (outages posted by one Canadian utility in 2024).
func TestSurvival(t *testing.T) {
	var w Planner
	p := room(1)
	p.Slot, p.Horizon, p.Elapsed = time.Minute, 48*time.Hour, 15*time.Minute
	w.prepare(p, false)
	w.survive()
	for minutes, ended := range map[int]float64{0: 0, 15: 0.020, 30: 0.072, 60: 0.160, 120: 0.376, 240: 0.659} {
		if got := 1 - w.still[minutes]; math.Abs(got-ended) > 1e-9 {
			t.Errorf("%d min after 15, %v have ended, want %v", minutes, got, ended)
		}
	}
	for k := 1; k < len(w.still); k++ {
		if w.still[k] > w.still[k-1] || w.still[k] <= 0 {
			t.Fatalf("the curve rises or ends at minute %d: %v", k, w.still[k])
		}
		if d := w.time[k] - w.time[k-1]; math.Abs(d-60*w.still[k-1]) > 1e-9 {
			t.Fatalf("the expected time grows by %v in minute %d", d, k)
		}
	}
	// Most end within a minute or last for hours.
	p.Slot, p.Elapsed = time.Second, 0
	w.prepare(p, false)
	w.survive()
	if s := w.still[60]; s < 0.13 || s > 0.24 {
		t.Errorf("%v last longer than a minute, judged to be 13 to 24 %%", s)
	}
}
