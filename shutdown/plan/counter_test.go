package plan

import (
	"slices"
	"testing"
	"time"
)

// Each test here is a small case of the oracle in which a well-known rule fails.
// It shows that the rule does, by the replay of this package's tests and not the
// planner's, and that the plan does not.

func counterexample(t *testing.T, id string) *instance {
	t.Helper()
	for _, in := range instances(t) {
		if in.ID == id {
			return in
		}
	}
	t.Skip("no " + id + " in " + *oracle)
	return nil
}

// fits checks the plan and gives its starts in slots.
func (in *instance) fits(t *testing.T, p *Problem) []int {
	t.Helper()
	out := Make(p)
	starts := in.slots(out)
	if !out.Fits || !in.allowed(starts) {
		t.Fatalf("fits is %v; %v is no safe plan", out.Fits, starts)
	}
	return starts
}

// asapFrom starts all as early as the order lets them from a slot on.
func (in *instance) asapFrom(slot int) []int {
	from := make([]int, len(in.Hosts))
	for i := range from {
		from[i] = slot
	}
	begun, _ := in.actual(from, in.lengths())
	return begun
}

// before starts each host as late as it can so that all are down by a slot.
func (in *instance) before(deadline int) []int {
	s := make([]int, len(in.Hosts))
	for i := range s {
		s[i] = deadline - in.Hosts[i].Length
	}
	for range s {
		for i := range s {
			for _, j := range in.Hosts[i].needs {
				s[i] = min(s[i], s[j]-in.Hosts[i].Length)
			}
		}
	}
	return s
}

// "Stop all when the charge is down to 60, 50, 40, 30 or 20 %": a percentage is
// not a time. The gauge counts all that is in the battery.
func TestPercentIsNotTime(t *testing.T) {
	in := counterexample(t, "ce1-percent-is-not-time")
	b := &in.Batteries[0]
	load := b.Base
	for i := range in.Hosts {
		load += in.Hosts[i].Up
	}
	for _, percent := range []float64{60, 50, 40, 30, 20} {
		at, l := 0, level{b.Y1, b.Y2}
		for l.y1 >= b.Reserve && l.y1+l.y2 > percent/100*(b.Y1+b.Y2) {
			l = b.step(l, load/b.Efficiency, in.Slot)
			at++
		}
		if in.safe(in.asapFrom(at), in.lengths(), 1e-9) {
			t.Errorf("at %v %% (minute %d) all can still be stopped", percent, at)
		}
	}
	in.fits(t, in.problem())
	if got := Make(in.problem()).NoReturn; got != 12*time.Minute {
		t.Errorf("the point of no return is %v, want 12 min", got)
	}
}

// "Stop all at once": four hosts that draw up to 1.7 times as much while they
// stop are too much together, even at minute 0.
func TestAllAtOncePeaks(t *testing.T) {
	in := counterexample(t, "ce2-all-at-once-peaks")
	if in.safe(in.asapFrom(0), in.lengths(), 1e-9) {
		t.Error("all at once is safe")
	}
	in.fits(t, in.problem())
	out := Make(in.problem())
	if out.NoReturn != 0 || out.Unproven == "" {
		t.Errorf("the point of no return is %v, unproven %q", out.NoReturn, out.Unproven)
	}
}

// "Lowest value first": a host of less value may draw next to nothing.
func TestLowestValueFirst(t *testing.T) {
	in := counterexample(t, "ce3-value-per-watt")
	p := in.problem()
	p.Survival = []float64{1}
	strict := *p
	strict.Hosts = slices.Clone(p.Hosts)
	for i := range strict.Hosts {
		strict.Hosts[i].Priority = int64(1000 * in.Hosts[i].Value)
		strict.Hosts[i].Hold = p.Horizon
	}
	naive, got := in.uptime(in.fits(t, &strict)), in.uptime(in.fits(t, p))
	if naive != 146 || got != 460 {
		t.Errorf("lowest value first is worth %v, the plan %v; want 146 and 460", naive, got)
	}
}

// "The deadline is the run time with everything up": it grows as hosts stop, so
// that this starts at minute 2 what can wait until minute 8.
func TestDeadlineDependsOnPlan(t *testing.T) {
	in := counterexample(t, "ce4-deadline-depends-on-plan")
	if first := slices.Min(in.before(int(in.Answers.AllUp / in.Slot))); first != 2 {
		t.Errorf("by that rule the first starts at minute %d, want 2", first)
	}
	if got := Make(in.problem()).NoReturn; got != 8*time.Minute {
		t.Errorf("the point of no return is %v, want 8 min", got)
	}
}

// The same with hosts that draw 1.4 times as much while they stop: the rule's
// plan is not safe.
func TestDeadlineWithPeaks(t *testing.T) {
	in := counterexample(t, "ce4b-same-with-peaks")
	if in.safe(in.before(int(in.Answers.AllUp/in.Slot)), in.lengths(), 1e-9) {
		t.Error("the rule's plan is safe")
	}
	in.fits(t, in.problem())
	if got := Make(in.problem()).NoReturn; got != 7*time.Minute {
		t.Errorf("the point of no return is %v, want 7 min", got)
	}
}

// "Strictly by priority" sheds every lower host as soon as that buys the top one
// a minute.
func TestStrictPriority(t *testing.T) {
	in := counterexample(t, "ce5-strict-lex-degenerate")
	p := in.problem()
	p.Survival = []float64{1}
	strict := *p
	strict.Hosts = slices.Clone(p.Hosts)
	for i := range strict.Hosts {
		strict.Hosts[i].Hold = p.Horizon
	}
	naive, got := in.uptime(in.fits(t, &strict)), in.uptime(in.fits(t, p))
	if naive != 195 || got < 247 {
		t.Errorf("strict priority is worth %v, the plan %v; want 195 and at least 247", naive, got)
	}
}

// "The next stops as soon as one of the two places is free": then one host that
// is a minute quicker makes the whole end three minutes later (Graham's
// anomaly). The plan's starts are fixed, so that no quicker stop makes anything
// later, or less safe.
func TestGrahamAnomaly(t *testing.T) {
	in := counterexample(t, "ce6-graham")
	lengths := in.lengths()
	if end := in.listSchedule(lengths); end != 17 {
		t.Errorf("the list ends at %d, want 17", end)
	}
	worst := 0
	for i := range lengths {
		lengths[i]--
		worst = max(worst, in.listSchedule(lengths))
		lengths[i]++
	}
	if worst != 20 {
		t.Errorf("with one a minute quicker the list ends at up to %d, want 20", worst)
	}
	plan := in.fits(t, in.problem())
	_, end := in.actual(plan, lengths)
	last := slices.Max(end)
	for combination := range 1 << len(lengths) {
		quicker := in.lengths()
		for i := range quicker {
			quicker[i] -= combination >> i & 1
		}
		if _, end := in.actual(plan, quicker); slices.Max(end) > last || !in.safe(plan, quicker, 1e-9) {
			t.Fatalf("with stops of %v the plan ends at %d or is not safe", quicker, slices.Max(end))
		}
	}
}

// listSchedule stops hosts as places become free, in the order of the instance,
// and gives the end.
func (in *instance) listSchedule(lengths []int) int {
	n := len(in.Hosts)
	end := make([]int, n)
	for i := range end {
		end[i] = -1
	}
	for now := 0; ; now++ {
		busy, left := 0, 0
		for i := range end {
			if end[i] > now {
				busy++
			}
			if end[i] < 0 {
				left++
			}
		}
		if left == 0 {
			return slices.Max(end)
		}
		for i := range end {
			ready := end[i] < 0 && busy < in.AtOnce
			for j := range end {
				ready = ready && !(slices.Contains(in.Hosts[j].needs, i) && (end[j] < 0 || end[j] > now))
			}
			if ready {
				end[i] = now + lengths[i]
				busy++
			}
		}
	}
}

// "Each feed carries half": planned so, the second store carries its half for 22
// minutes; when the first is gone it carries everything for 10. The plan that
// asks for it holds with either gone.
func TestHalfTheLoadEach(t *testing.T) {
	in := counterexample(t, "ce7-feeds")
	p := in.problem()
	half, _ := without(p, 0)
	half.Hosts = slices.Clone(half.Hosts)
	for i := range half.Hosts {
		half.Hosts[i].Watts /= 2
		half.Hosts[i].Stopping /= 2
	}
	var w Planner
	atHalf, _ := w.Marginal(half, nil)
	alone, _ := without(p, 0)
	atFull, _ := w.Marginal(alone, nil)
	if atHalf/time.Minute != 22 || atFull/time.Minute != 10 {
		t.Errorf("the second store lasts %v at half the load and %v at all of it, want 22 and 10 min", atHalf, atFull)
	}
	naive := in.times(in.slots(Make(half)))
	if w.Safe(alone, naive) {
		t.Error("the plan for half the load holds for all of it")
	}
	p.EachLost = true
	out := Make(p)
	if !out.Fits || len(out.Fragile) > 0 {
		t.Fatalf("fits is %v, fragile are %v", out.Fits, out.Fragile)
	}
	for lost := range p.Stores {
		q, _ := without(p, lost)
		if !w.Safe(q, starts(out)) {
			t.Errorf("the plan does not hold without store %d", lost)
		}
	}
}
