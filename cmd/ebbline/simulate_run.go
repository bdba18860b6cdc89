package main

import (
	"context"
	"fmt"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"ebbline/simulate"
)

// compared is how many random outages hosts' times are compared in with the best that
// was possible, times the hosts: that takes a whole plan for each.
const compared = 400_000

// run gathers all the evidence. An interruption ends it early; what was done
// by then counts.
func (s *simulation) run(ctx context.Context) error {
	began := time.Now()
	if err := s.hire(); err != nil {
		return err
	}
	each := func(n int, what string, work func(*simulate.Replayer, int)) bool { return s.each(ctx, n, what, work) }
	s.proof = s.workers[0].Prove(s.seed, each)
	s.exhaustive = s.workers[0].Exhaust(s.seed, each)
	if !s.joined {
		s.runs = make([]simulate.Result, s.count())
		s.each(ctx, len(s.runs), "outages", s.one)
	}
	fmt.Fprint(s.progress, "\r\x1b[K")
	s.stopped = ctx.Err() != nil
	s.shrink(ctx)
	s.took = time.Since(began)
	return nil
}

// hire makes what replays: one for each goroutine.
func (s *simulation) hire() error {
	for range min(s.atOnce, max(1, s.count())) {
		r, err := simulate.NewReplayer(s.p, s.day)
		if err != nil {
			return err
		}
		s.workers = append(s.workers, r)
	}
	return nil
}

// each does n pieces of work on all workers; it stops between two pieces when it
// is interrupted, and tells whether it was not. Who does which piece changes nothing.
func (s *simulation) each(ctx context.Context, n int, what string, work func(r *simulate.Replayer, i int)) (whole bool) {
	var next, done atomic.Int64
	var wg sync.WaitGroup
	for _, w := range s.workers {
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
	return ctx.Err() == nil
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
func (s *simulation) one(r *simulate.Replayer, i int) {
	_, seed := s.nameOf(i)
	named, aimed, its := i < len(s.named), false, seed
	var o *simulate.Outage
	if named {
		o = s.named[i]
	} else {
		o, its, aimed = r.Sample(s.place(i), seed)
	}
	s.runs[i] = r.Try(o, its, simulate.Ask{
		Named: named, Keep: named || s.detail || len(s.runs) == 1,
		Compare: named || !aimed && s.place(i)*len(s.p.Hosts) < compared,
	})
	if its != seed {
		s.runs[i].Aimed = its
	}
}

// smallest is a failing outage, made small.
type smallest struct {
	of   int // the run
	why  string
	text string // the file
	seed uint64 // to replay it with
}

// shrink makes one failing random outage small.
func (s *simulation) shrink(ctx context.Context) {
	if ctx.Err() != nil {
		return // what is known so far, at once
	}
	i := simulate.WorthShrinking(s.runs[min(len(s.named), len(s.runs)):])
	if i < 0 {
		return
	}
	i += len(s.named)
	_, seed := s.nameOf(i)
	fmt.Fprint(s.progress, "\rmaking the first failing outage smaller \x1b[K")
	m := s.workers[0].ShrinkDrawn(seed, func() bool { return ctx.Err() == nil })
	fmt.Fprint(s.progress, "\r\x1b[K")
	if m != nil {
		s.smallest = &smallest{of: i, seed: m.Seed, why: whyFails(m), text: m.Outage.Text(s.p)}
	}
}

// whyFails says what is wrong with the smallest outage, in a sentence.
func whyFails(m *simulate.Smallest) string {
	if m.Broken != nil {
		return m.Broken.Promise + " broken: " + m.Broken.Text
	}
	return fmt.Sprintf("%s lost power while up, in a room no worse than the plan is made for", strings.Join(m.Cut, ", "))
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
