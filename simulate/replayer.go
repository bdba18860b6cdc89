package simulate

import (
	"errors"
	"time"

	"ebbline/policy"
	"ebbline/simulate/world"
)

// Replayer replays outages under the checker's eyes and says what failed. It is
// for one goroutine.
type Replayer struct {
	p       *policy.Policy
	day     int64
	low     []Low
	judge   *Judge
	runner  *Runner
	check   *Checker
	dice    *Dice
	hind    *Hindsight // nil where there is no plan to compare
	small   *Small
	corners *Corners
	drawn   Outage
	truth   world.Truth
	run     Run
	pick    []int
}

// NewReplayer makes one for a policy on a day (for the battery's age).
func NewReplayer(p *policy.Policy, day int64) (*Replayer, error) {
	r := &Replayer{p: p, day: day}
	var errs [5]error
	if r.low, errs[0] = LowParts(p, day); errs[0] != nil {
		return nil, errs[0]
	}
	if r.runner, errs[0] = NewRunner(p, day); errs[0] != nil {
		return nil, errs[0]
	}
	r.check, errs[1] = NewChecker(r.runner, day)
	r.dice, errs[2] = NewDice(p, day)
	r.small, errs[3] = NewSmall(p, day)
	r.corners, errs[4] = NewCorners(p, r.low, day)
	r.hind = NewHindsight(p, day)
	r.judge = NewJudge(p, r.low)
	r.pick = make([]int, len(p.Hosts)+len(p.UPSs))
	return r, errors.Join(errs[:]...)
}

// Replay runs an outage, and says which promises it broke. Both are good until
// the next call.
func (r *Replayer) Replay(o *Outage, seed uint64) (*Run, []Violation) {
	r.truth = o.TruthOf(seed)
	r.check.Begin(&r.truth)
	r.runner.Run(&r.truth, &r.run)
	r.check.End(&r.run)
	return &r.run, r.check.Violations
}

// Draw gives the random outage of a seed; good until the next call.
func (r *Replayer) Draw(seed uint64) *Outage {
	r.dice.Draw(seed, &r.drawn)
	return &r.drawn
}

// Sample gives the random outage of a place; see [Dice.Sample]. Good until the next call.
func (r *Replayer) Sample(place int, seed uint64) (o *Outage, its uint64, aimed bool) {
	its, aimed = r.dice.Sample(place, seed, r.judge, &r.drawn)
	return &r.drawn, its, aimed
}

// Result is what the replay of one outage showed. There may be millions: what is
// bulky is kept only where it is asked for.
type Result struct {
	Done   bool // it was replayed
	Failed bool
	Shape  Shape
	Faults Faults
	Kind   Kind
	Aimed  uint64 // the seed of an aimed random outage; 0 where it is the place's own
	Cut    int32  // hosts that lost power while up, though they go down when told to
	InHand time.Duration
	Broken []Violation
	Run    *Run          // nil where it was not kept
	Length time.Duration // of the one interruption; 0 where hosts' times are not compared
	// How long each host stayed up, and could have at best; see [Hindsight].
	Stayed, Best []time.Duration
}

// Ask says what is wanted of a replay's result.
type Ask struct {
	Named   bool // by a person: a host that is cut is a failure in any room
	Keep    bool // the run
	Compare bool // hosts' times with the best that was possible
}

// Try replays an outage and judges it: it failed when it broke a promise, or when a
// host was cut in a room no worse than plans are made for, or in an outage that a
// person named.
func (r *Replayer) Try(o *Outage, seed uint64, ask Ask) Result {
	run, broken := r.Replay(o, seed)
	out := Result{Done: true, InHand: run.InHand, Cut: int32(run.Cut), Shape: o.Shape, Faults: r.judge.Tried(o), Kind: r.judge.Kind(o)}
	out.Broken = append(out.Broken, broken...)
	out.Failed = len(broken) > 0 || run.Cut > 0 && (ask.Named || Beyond(out.Faults) == 0)
	if ask.Keep {
		kept := *run
		kept.Hosts = append([]HostRun(nil), run.Hosts...)
		out.Run = &kept
	}
	if ask.Compare && r.hind != nil {
		r.compare(o, &out)
	}
	return out
}

// compare sets hosts' times against the best that was possible, in an outage in
// which one was asked to stop.
func (r *Replayer) compare(o *Outage, out *Result) {
	length := o.Length()
	asked := false
	for k := range r.run.Hosts {
		asked = asked || r.run.Hosts[k].Asked >= 0
	}
	if length == 0 || !asked {
		return
	}
	out.Length = length
	out.Best = make([]time.Duration, len(r.p.Hosts))
	r.hind.Best(&r.truth, length, out.Best)
	for k := range r.run.Hosts {
		out.Stayed = append(out.Stayed, r.run.Hosts[k].Stayed(length))
	}
}

// CutHosts names the hosts that lost power while they were up, but for those that
// would not have gone down.
func (r *Run) CutHosts(p *policy.Policy) []string {
	var names []string
	for k := range r.Hosts {
		h := &r.Hosts[k]
		if h.End == world.Cut && h.Mode.Goes() {
			names = append(names, p.Hosts[k].Name)
		}
	}
	return names
}

// failure says in which way a run fails, so that a smaller one can be held to
// the same; "" when it does not.
func (r *Replayer) failure(o *Outage, run *Run, broken []Violation) string {
	switch {
	case len(broken) > 0:
		return broken[0].Promise
	case run.Cut == 0 || Beyond(r.judge.Tried(o)) != 0:
		return ""
	case run.InHand < 0:
		return "empty"
	}
	return "cut"
}

// WorthShrinking is the first of the results in which a battery ended too soon, or
// else the first of all that failed; -1 for none.
func WorthShrinking(results []Result) int {
	first := -1
	for i := range results {
		o := &results[i]
		if !o.Failed {
			continue
		}
		if first < 0 {
			first = i
		}
		if len(o.Broken) == 0 && o.InHand < 0 {
			return i
		}
	}
	return first
}

// Smallest is a failing outage that was made small.
type Smallest struct {
	Outage *Outage
	Seed   uint64 // to replay it with
	Broken *Violation
	Cut    []string // hosts, where no promise is broken
}

// ShrinkDrawn makes the random outage of a seed smaller for as long as it fails in
// the same way and goOn says so; what is small by then will do. It gives nil where it
// failed by a fault that only dice know of.
func (r *Replayer) ShrinkDrawn(seed uint64, goOn func() bool) *Smallest {
	o := *r.Draw(seed)
	o.Drawn = 0
	run, broken := r.Replay(&o, seed)
	want := r.failure(&o, run, broken)
	if want == "" {
		return nil
	}
	fails := func(o *Outage) bool {
		if !goOn() {
			return false
		}
		run, broken := r.Replay(o, seed)
		return r.failure(o, run, broken) == want
	}
	if first := seed; seed != 1 {
		if seed = 1; !fails(&o) {
			seed = first // it takes the moments at which its UPSs are polled
		}
	}
	least := &Smallest{Outage: Shrink(r.p, &o, fails), Seed: seed}
	run, broken = r.Replay(least.Outage, seed)
	if len(broken) > 0 {
		first := broken[0]
		least.Broken = &first
	} else {
		least.Cut = run.CutHosts(r.p)
	}
	return least
}
