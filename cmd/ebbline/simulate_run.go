package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"ebbline/simulate"
	"ebbline/simulate/world"
)

const (
	// mostExact bounds the combinations that are tried one by one.
	mostExact = 4096
	// mostCorners bounds those of quick and slow stops.
	mostCorners = 1024
	// compared is how many random outages hosts' times are compared in with the best that
	// was possible, times the hosts: that takes a whole plan for each.
	compared = 400_000
)

// proof is the worst case by construction.
type proof struct {
	conditions []simulate.Condition
	proven     bool
	noReturn   time.Duration
	margin     time.Duration
	cut        int // hosts, in the one replay at the bounds
	broken     int
	corners    int  // replayed instead, where a condition on the room fails
	failed     int  // of them
	stopped    bool // before all were
}

// exact is what trying every combination gives.
type exact struct {
	outcomes int // 0: not tried
	whyNot   string
	bad      float64 // chance that a host is cut or a promise broken
	margin   time.Duration
}

// smallest is a failing outage, made small.
type smallest struct {
	of   int // the run
	why  string
	text string // the file
	seed uint64 // to replay it with
}

// worker is what one goroutine needs for itself.
type worker struct {
	runner *simulate.Runner
	check  *simulate.Checker
	dice   *simulate.Dice
	hind   *simulate.Hindsight
	small  *simulate.Small
	edges  *simulate.Corners
	drawn  simulate.Outage
	truth  world.Truth
	result simulate.Run
	pick   []int
}

func (s *simulation) newWorker() (*worker, error) {
	w := &worker{}
	var errs [5]error
	if s.low, errs[0] = simulate.LowParts(s.p, s.day); errs[0] != nil {
		return nil, errs[0]
	}
	if w.runner, errs[0] = simulate.NewRunner(s.p, s.day); errs[0] != nil {
		return nil, errs[0]
	}
	w.check, errs[1] = simulate.NewChecker(w.runner, s.day)
	w.dice, errs[2] = simulate.NewDice(s.p, s.day)
	w.small, errs[3] = simulate.NewSmall(s.p, s.day)
	w.edges, errs[4] = simulate.NewCorners(s.p, s.low, s.day)
	w.hind = simulate.NewHindsight(s.p, s.day)
	w.pick = make([]int, len(s.p.Hosts)+len(s.p.UPSs))
	return w, errors.Join(errs[:]...)
}

// replay runs an outage under the checker's eyes.
func (w *worker) replay(o *simulate.Outage, seed uint64) (*simulate.Run, []simulate.Violation) {
	w.truth = o.TruthOf(seed)
	w.check.Begin(&w.truth)
	w.runner.Run(&w.truth, &w.result)
	w.check.End(&w.result)
	return &w.result, w.check.Violations
}

// run gathers all the evidence. An interruption ends it early; what was done
// by then counts.
func (s *simulation) run(ctx context.Context) error {
	began := time.Now()
	if err := s.hire(); err != nil {
		return err
	}
	s.prove(ctx)
	s.tryAll(ctx)
	if !s.joined {
		s.runs = make([]outcome, s.count())
		s.each(ctx, len(s.runs), "outages", s.one)
	}
	fmt.Fprint(s.progress, "\r\x1b[K")
	s.stopped = ctx.Err() != nil
	s.shrink(ctx)
	s.took = time.Since(began)
	return nil
}

// hire makes the workers.
func (s *simulation) hire() error {
	for range min(s.workers, max(1, s.count())) {
		w, err := s.newWorker()
		if err != nil {
			return err
		}
		s.crew = append(s.crew, w)
	}
	s.judge = simulate.NewJudge(s.p, s.low)
	return nil
}

// each does n pieces of work on all workers; it stops between two pieces when it
// is interrupted. Who does which piece changes nothing.
func (s *simulation) each(ctx context.Context, n int, what string, work func(w *worker, i int)) {
	var next, done atomic.Int64
	var wg sync.WaitGroup
	for _, w := range s.crew {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for ctx.Err() == nil {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				work(w, i)
				done.Add(1)
			}
		}()
	}
	over := make(chan struct{})
	go func() { wg.Wait(); close(over) }()
	s.watch(over, &done, n, what)
}

// watch shows how far the work is until it is over.
func (s *simulation) watch(over chan struct{}, done *atomic.Int64, n int, what string) {
	began := time.Now()
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-over:
			return
		case <-tick.C:
			if d := done.Load(); d > 0 {
				left := time.Duration(float64(time.Since(began)) / float64(d) * float64(int64(n)-d)).Round(time.Second)
				fmt.Fprintf(s.progress, "\r%d of %d %s, %s left \x1b[K", d, n, what, left)
			}
		}
	}
}

// one replays one outage. Each random one is drawn from its own seed.
func (s *simulation) one(w *worker, i int) {
	out := &s.runs[i]
	_, seed := s.nameOf(i)
	named := i < len(s.named)
	o := &w.drawn
	if named {
		o = s.named[i]
	} else {
		w.dice.Draw(seed, o)
	}
	run, broken := w.replay(o, seed)
	out.margin, out.cut, out.shape = run.Margin, int32(run.Cut), o.Shape
	out.faults = s.judge.Tried(o)
	out.broken = append(out.broken, broken...)
	out.failed = len(broken) > 0 || run.Cut > 0 && (named || simulate.Beyond(out.faults) == 0)
	if named || s.detail || len(s.runs) == 1 {
		kept := *run
		kept.Hosts = append([]simulate.HostRun(nil), run.Hosts...)
		out.run = &kept
	}
	if w.hind != nil && (named || (s.first+i-len(s.named))*len(s.p.Hosts) < compared) {
		s.compare(w, o, out)
	}
	out.done = true
}

// compare sets hosts' times against the best that was possible, in an outage
// that somebody was asked in.
func (s *simulation) compare(w *worker, o *simulate.Outage, out *outcome) {
	length := o.Length()
	asked := false
	for k := range w.result.Hosts {
		asked = asked || w.result.Hosts[k].Asked >= 0
	}
	if length == 0 || !asked {
		return
	}
	out.length = length
	out.best = make([]time.Duration, len(s.p.Hosts))
	w.hind.Best(&w.truth, length, out.best)
	for k := range w.result.Hosts {
		out.stayed = append(out.stayed, w.result.Hosts[k].Stayed(length))
	}
}

// prove replays the bounds: where its conditions hold, that one run proves the
// plan for every milder room. Elsewhere the corners are replayed.
func (s *simulation) prove(ctx context.Context) {
	p := &s.proof
	fits, noReturn := simulate.Fits(s.p, s.day)
	p.conditions, p.noReturn = simulate.Conditions(s.p, fits), noReturn
	run, broken := s.crew[0].replay(simulate.Bounds(s.p, s.low), s.seed)
	p.margin, p.cut, p.broken = run.Margin, run.Cut, len(broken)
	p.proven = simulate.Within(run, len(broken))
	peaks := false
	for _, c := range p.conditions {
		p.proven = p.proven && c.Holds
		peaks = peaks || !c.Holds && c.Name != "fits"
	}
	if n := s.crew[0].edges.Count(mostCorners); peaks && n <= mostCorners {
		bad := make([]bool, n)
		s.each(ctx, n, "corners", func(w *worker, i int) {
			w.edges.Pick(i, w.pick)
			run, broken := w.replay(w.edges.Room(w.pick), s.seed)
			bad[i] = !simulate.Within(run, len(broken))
		})
		if p.stopped = ctx.Err() != nil; !p.stopped {
			p.corners = n
			for _, b := range bad {
				if b {
					p.failed++
				}
			}
		}
	}
}

// tryAll replays every combination of stopping times and batteries, where the
// site is small enough.
func (s *simulation) tryAll(ctx context.Context) {
	x := &s.exact
	n := s.crew[0].small.Count(mostExact)
	if n > mostExact {
		x.whyNot = fmt.Sprintf("%s and %s have more than %d combinations of stopping times and batteries", count(len(s.p.Hosts), "host"), count(len(s.p.UPSs), "UPS"), mostExact)
		return
	}
	bad := make([]bool, n)
	margins := make([]time.Duration, n)
	s.each(ctx, n, "combinations", func(w *worker, i int) {
		w.small.Pick(i, w.pick)
		run, broken := w.replay(w.small.Room(w.pick), s.seed)
		bad[i], margins[i] = run.Cut > 0 || len(broken) > 0, run.Margin
	})
	if ctx.Err() != nil {
		x.whyNot = "it was interrupted"
		return
	}
	x.outcomes, x.bad, x.margin = n, s.crew[0].small.Probability(bad), simulate.Untested
	for _, m := range margins {
		x.margin = min(x.margin, m)
	}
}

// failure says in which way a run fails, so that a smaller one can be held to
// the same.
func (s *simulation) failure(o *simulate.Outage, run *simulate.Run, broken []simulate.Violation) string {
	switch {
	case len(broken) > 0:
		return broken[0].Promise
	case run.Cut == 0 || simulate.Beyond(s.judge.Tried(o)) != 0:
		return ""
	case run.Margin < 0:
		return "empty"
	}
	return "cut"
}

// shrink makes one failing random outage small: the first in which a battery
// ended too soon, or else the first of all.
func (s *simulation) shrink(ctx context.Context) {
	if ctx.Err() != nil {
		return // what is known so far, at once
	}
	first := -1
	for i := len(s.named); i < len(s.runs); i++ {
		o := &s.runs[i]
		if !o.failed {
			continue
		}
		if first < 0 {
			first = i
		}
		if len(o.broken) == 0 && o.margin < 0 {
			first = i
			break
		}
	}
	if first >= 0 {
		s.shrinkOne(ctx, first)
	}
}

func (s *simulation) shrinkOne(ctx context.Context, i int) {
	w := s.crew[0]
	_, seed := s.nameOf(i)
	w.dice.Draw(seed, &w.drawn)
	o := w.drawn
	o.Drawn = 0
	run, broken := w.replay(&o, seed)
	want := s.failure(&o, run, broken)
	if want == "" {
		return // it failed by a fault that only dice know of
	}
	fails := func(o *simulate.Outage) bool {
		if ctx.Err() != nil {
			return false // interrupted only now: what is small by then will do
		}
		run, broken := w.replay(o, seed)
		return s.failure(o, run, broken) == want
	}
	if first := seed; seed != 1 {
		if seed = 1; !fails(&o) {
			seed = first // it takes the moments at which its UPSs are polled
		}
	}
	fmt.Fprint(s.progress, "\rmaking the first failing outage smaller \x1b[K")
	least := simulate.Shrink(s.p, &o, fails)
	fmt.Fprint(s.progress, "\r\x1b[K")
	run, broken = w.replay(least, seed)
	s.smallest = &smallest{of: i, seed: seed, why: s.whyFails(run, broken), text: least.Text(s.p)}
}

// whyFails says what is wrong with a run, in a sentence.
func (s *simulation) whyFails(run *simulate.Run, broken []simulate.Violation) string {
	if len(broken) > 0 {
		return broken[0].Promise + " broken: " + broken[0].Text
	}
	return fmt.Sprintf("%s lost power while up, in a room no worse than the plan is made for", strings.Join(s.cutIn(run), ", "))
}

// cutIn names the hosts that lost power while they were up, but for those that
// would not have gone down.
func (s *simulation) cutIn(run *simulate.Run) []string {
	var names []string
	for k := range run.Hosts {
		h := &run.Hosts[k]
		if h.End == world.Cut && h.Mode.Goes() {
			names = append(names, s.p.Hosts[k].Name)
		}
	}
	return names
}

// file is the smallest outage as a file, with what it is.
func (m *smallest) file(s *simulation, name string) string {
	return fmt.Sprintf("# %s.\n# Made smaller from: %s\n# Replay it: %s\n%s", m.why, s.again(m.of), m.command(s, name), m.text)
}

// command replays the smallest outage.
func (m *smallest) command(s *simulation, name string) string {
	text := fmt.Sprintf("ebbline simulate %s %s", quoted(s.path), quoted(name))
	if m.seed != 1 {
		text += fmt.Sprintf(" --seed %d", m.seed)
	}
	return text + s.on()
}

func (s *simulation) writeSmallest(name string) error {
	if name == "" || s.smallest == nil {
		return nil
	}
	if err := os.WriteFile(name, []byte(s.smallest.file(s, name)), 0o644); err != nil {
		return fmt.Errorf("%s cannot be written: %w", name, reason(err))
	}
	s.smallest.text = s.smallest.file(s, name)
	return nil
}
