package simulate

import (
	"fmt"
	"math"
	goruntime "runtime"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ebbline/shutdown"
)

// BenchmarkDecision is the processor time of each answer of the core in an outage of
// sites of 100 and 300 hosts, from the loss of input until all are back: the worst and
// the mean. What the simulator told the core is told to another again, which says why
// each host goes, as the agent's does. Of each answer the quickest of all replays
// counts: give -benchtime 5x, so that what others do on the machine does not.
func BenchmarkDecision(b *testing.B) {
	for _, hosts := range []int{100, 300} {
		b.Run(fmt.Sprintf("hosts=%d", hosts), func(b *testing.B) {
			events := told(b, hosts)
			least := make([]time.Duration, len(events))
			for i := range least {
				least[i] = math.MaxInt64
			}
			goruntime.LockOSThread() // the clock is this thread's
			defer goruntime.UnlockOSThread()
			for b.Loop() {
				s := shutdown.New()
				for i := range events {
					began := threadTime(b)
					s.Step(events[i].at, &events[i].e, nil)
					least[i] = min(least[i], threadTime(b)-began)
				}
			}
			var sum, worst time.Duration
			of := 0
			for i, d := range least {
				if sum += d; d > worst {
					worst, of = d, i
				}
			}
			b.Logf("the worst answers event %d of %d, %v after the start, of kind %d", of+1, len(events), events[of].at.Sub(Epoch(day)), events[of].e.Kind)
			b.ReportMetric(float64(worst.Microseconds())/1000, "ms-worst")
			b.ReportMetric(float64(sum.Microseconds())/float64(len(events)), "µs-mean")
			b.ReportMetric(0, "ns/op")
		})
	}
}

type toldEvent struct {
	at shutdown.Instant
	e  shutdown.Event
}

// told is what the core is told in an outage of two hours of a site.
func told(b *testing.B, hosts int) (events []toldEvent) {
	p := siteOf(b, hosts)
	r := newRunner(b, p)
	r.Log = logFunc(func(at shutdown.Instant, e *shutdown.Event) { events = append(events, toldEvent{at, *e}) })
	var run Run
	r.Run(parse(b, p, "at 60s input lost\nat 2h input back\n").Truth(1), &run)
	if run.Cut > 0 || !run.Over {
		b.Fatalf("%d hosts are cut, over: %v: that is no outage of normal course", run.Cut, run.Over)
	}
	return events
}

// threadTime is the processor time that this thread has used.
func threadTime(b *testing.B) time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_THREAD_CPUTIME_ID, &t); err != nil {
		b.Fatal(err)
	}
	return time.Duration(t.Nano())
}
