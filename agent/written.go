package agent

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"go.uber.org/zap"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/transcript"
)

const (
	diskWithin   = 250 * time.Millisecond // a Begin waits so long for the disk, then it goes without
	diskRetry    = 5 * time.Second        // between attempts to begin the journal again
	diskSays     = time.Hour              // between two lines of the log about the same failure
	cutNormal    = 1 << 20                // bytes since the snapshot at which a new one is made
	cutOutage    = 4 << 20                // the same in an outage
	jobsWaiting  = 256                    // blocks that may wait for the disk
	lineOverhead = 10                     // what a line costs beside its text, about
	jotApart     = time.Second            // between two snapshots in an outage, at the least
	jotRate      = 100 << 10              // bytes of them that are written in a second, at the most
)

// recorder hands what happened to the journal's goroutine. The disk may fail,
// fill or hang: that never holds the loop for longer than diskWithin, once.
type recorder struct {
	journal Journal
	jobs    chan job
	results chan result
	over    chan struct{}

	// Of the loop alone.
	sent, done uint64
	gap        bool   // not all that happened is in the journal, as at the start: only a cut mends that
	keep       string // what the next cut keeps the old journal as
	size, most int64  // bytes since the snapshot, and when to cut
	triedAt    shutdown.Instant
	jotFrom    shutdown.Instant // the next snapshot in an outage comes no sooner
	fault      string           // what is said to be wrong; "" while all is well
	saidAt     shutdown.Instant
}

type job struct {
	lines    []string
	sync     bool
	snapshot []byte // a cut
	keep     string
	mends    bool
}

type result struct {
	job job
	err error
}

func newRecorder(j Journal) *recorder {
	return &recorder{journal: j, jobs: make(chan job, jobsWaiting), results: make(chan result, jobsWaiting+1), over: make(chan struct{}), gap: true}
}

// errHole is the outcome of an append behind one that failed.
var errHole = errors.New("what came before is not written")

// errSlow is a disk that has not answered in its time, and may yet.
var errSlow = fmt.Errorf("the disk takes longer than %s for what an action waits for, or falls ever further behind", diskWithin)

// write is the journal's goroutine. It leaves no hole: behind a failure nothing
// is appended until the journal has begun again.
func (r *recorder) write() {
	defer close(r.over)
	hole := false
	for j := range r.jobs {
		err := errHole
		switch {
		case j.snapshot != nil:
			err = r.journal.Cut(j.snapshot, j.keep)
			hole = err != nil && (hole || j.mends)
		case !hole:
			err = r.journal.Append(j.lines, j.sync)
			hole = err != nil
		}
		r.results <- result{j, err}
	}
}

// put hands over one job; when the disk is so far behind that none is taken any
// more, that is a gap.
func (r *recorder) put(j job) {
	select {
	case r.jobs <- j:
		r.sent++
	default:
		r.gap, r.keep = true, j.keep
	}
}

// wait gives the disk its time. What is not written by then is a gap.
func (r *recorder) wait(each func(result), within time.Duration) {
	timer := time.NewTimer(within)
	defer timer.Stop()
	for r.done < r.sent && !r.gap {
		select {
		case res := <-r.results:
			each(res)
		case <-timer.C:
			r.gap = true
		}
	}
}

// stop ends the journal's goroutine, if the disk lets it.
func (r *recorder) stop(within time.Duration) {
	close(r.jobs)
	timer := time.NewTimer(within)
	defer timer.Stop()
	for {
		select {
		case <-r.results:
		case <-r.over:
			return
		case <-timer.C:
			return
		}
	}
}

// write records an event and what the core answered, before anything of it is
// done. It waits for the disk only if an action begins or an operator spoke.
func (a *Agent) write(at shutdown.Instant, e *shutdown.Event, before, of *policy.Policy) {
	r := a.record
	if r.gap {
		return
	}
	lines := []string{transcript.Event(before, at, e)}
	sync := e.Kind == shutdown.Commanded
	for i := range a.effects {
		lines = append(lines, transcript.Effect(of, at, &a.effects[i]))
		sync = sync || a.effects[i].Kind == shutdown.Begin
	}
	a.append(lines, sync)
	a.stirred = a.stirred || stirs(a.effects)
}

func (a *Agent) append(lines []string, sync bool) {
	r := a.record
	for _, l := range lines {
		r.size += int64(len(l) + lineOverhead)
	}
	r.put(job{lines: lines, sync: sync})
	if sync {
		r.wait(a.written, diskWithin)
	}
	if r.gap && r.fault == "" { // else it was said what is wrong
		a.unwritten(errSlow)
	}
}

// written takes the journal's answer.
func (a *Agent) written(res result) {
	r := a.record
	r.done++
	switch cut := res.job.snapshot != nil; {
	case res.err != nil && cut && !res.job.mends:
		// The old journal goes on as it was; it is cut a little later.
		a.voice.warn("the journal is not cut back", zap.Error(res.err))
		r.most = r.size + cutNormal/4
		r.keep = res.job.keep
	case res.err != nil:
		r.gap = true
		if cut {
			r.keep = res.job.keep
		}
		a.unwritten(res.err)
	case cut:
		if r.fault != "" {
			a.voice.info("the journal is written again")
		}
		r.fault = ""
		a.Settle(shutdown.JournalUnwritten)
	}
}

// unwritten says what keeps the journal from being written: once, when that
// changes, and each hour; it is tried every few seconds.
func (a *Agent) unwritten(err error) {
	a.Raise(shutdown.JournalUnwritten)
	r, now := a.record, a.clock.now()
	if text := err.Error(); err != errHole && (text != r.fault || now.Sub(r.saidAt) >= diskSays) {
		a.voice.fault("the journal is not written", zap.Error(err))
		r.fault, r.saidAt = text, now
	}
}

// cut begins the journal again with the state as it is.
func (a *Agent) cut(keep string) {
	r := a.record
	r.triedAt = a.clock.now()
	if keep != "" {
		r.keep = keep
	}
	text, err := json.Marshal(a.snapshot())
	if err != nil {
		r.gap = true
		a.unwritten(fmt.Errorf("the state cannot be recorded: %w", err))
		return
	}
	j := job{snapshot: text, keep: r.keep, mends: r.gap}
	r.gap, r.keep, a.stirred = false, "", false
	r.size, r.most = 0, cutNormal
	if a.state.Outstanding() {
		r.most = cutOutage
	}
	r.put(j)
}

// stirs tells whether a step is one after which a snapshot is wanted: the input is lost
// or back, or something is done to a host, or came of it.
func stirs(effects []shutdown.Effect) bool {
	return slices.ContainsFunc(effects, func(f shutdown.Effect) bool {
		switch f.Notice.Code {
		case shutdown.PhaseEntered, shutdown.HostDown, shutdown.HostBack, shutdown.OutputIsOff:
			return true
		}
		return f.Kind == shutdown.Begin
	})
}

// jot appends a snapshot soon after a step that stirred: what is torn off the end of the
// journal, and what a later build makes of its lines, is then little.
func (a *Agent) jot(now shutdown.Instant) {
	r := a.record
	if !a.stirred || r.gap || now < r.jotFrom {
		return
	}
	text, err := json.Marshal(a.snapshot())
	if err != nil {
		a.unwritten(fmt.Errorf("the state cannot be recorded: %w", err))
		return
	}
	a.stirred = false
	r.jotFrom = now.Add(max(jotApart, time.Duration(len(text))*time.Second/jotRate))
	r.size += int64(len(text) + lineOverhead)
	r.put(job{lines: []string{snapshotWord + string(text)}, sync: true})
}

// mend tries to begin the journal again after a gap, once the disk has
// answered to all that it was given.
func (a *Agent) mend(now shutdown.Instant) {
	r := a.record
	if r.gap && r.done == r.sent && now.Sub(r.triedAt) >= diskRetry {
		a.cut("")
	}
}
