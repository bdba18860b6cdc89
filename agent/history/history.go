// Package history is the agent's long memory: one SQLite file of outages,
// samples, battery tests, predictions and what came of them, stopping and
// starting times, and draws. It keeps and counts; it must never hold up the
// agent, never decide, and never delete a record of an outage or a test.
//
// Every record goes through one goroutine with a bounded queue. While the disk
// is full, slow, locked or gone, records wait; the oldest normal samples are
// the first for which there is no room. [Writer.Health] says what is wrong.
//
// # The file
//
// Its application_id is 0x6562626c ("ebbl") and its user_version the schema's
// version. A file of a newer version, or of another program, is refused and
// left alone. One that is damaged is renamed to *.damaged-1 (to -3; then the
// disk wants looking at) and a new one begun.
//
// It is a write-ahead log with synchronous=FULL. The log carries a checksum
// over each transaction, so that a process killed or a disk cut off anywhere
// leaves the last whole one; FULL has it on the disk when a transaction ends,
// because what matters most is written just before the power goes; and readers
// and the writer never wait for each other. It costs one sync for a batch, so
// samples are gathered for ten seconds; outages, tests and what hosts did are
// written at once.
//
// An operator reads it with sqlite3, by its views:
//
//	outages             number, site, began_utc, ended_utc, seconds, and a row for each loss of input of each UPS
//	phases              number, ups, phase, entered_utc, seconds_since_loss
//	samples             at_utc, ups, during (normal, outage, test), source, load_watts, charge_percent, ...
//	tests               ups, began_utc, stop, measured_seconds, predicted_*_seconds, capacity_percent, censored, weak, ...
//	predictions_scored  ups, made_utc, made_by, low/likely/high_seconds, outcome, measured_over_likely, low_held, inside
//	stopping_times      host, asked_utc, outage, method, seconds, ended (clean, forced, given_up)
//	starts              host, told_utc, outage, method, seconds, ended (back, given_up)
//	draws               host, ups, at_utc, change, watts, noise_watts, quality
//	room_readings       at_utc, sensor, celsius, watts
//	input_minutes       ups, at_utc, readings, low/mean/high_volts, hertz, line_bads
//	input_events        ups, began_utc, seconds, percent, kind, without_voltage_seconds, trips, at_least
//	line_readings       ups, at_utc, side, line, volts, amps, watts, va, percent
//	outage_hosts        number, host, planned_stop_seconds, asked_utc, asked_seconds, off_seconds, took_seconds, ended, margin_seconds, why, observed, would_be_asked_seconds, ...
//	outage_margins      number, ups, last_host, at_utc, low/likely/high_seconds left then, reserve_seconds, margin_seconds, ...
//	orders              at_utc, outage, word, by_whom
//	actions             at_utc, outage, code (early-step, output-goes-off, output-stays-on), ups, host, seconds, outcome, said, text
//	conditions          raised_utc, over_utc, seconds, code, ups, host, outage, text
//
// The tables below them (version1.sql to version5.sql) hold each time twice: *_ns by the agent's
// clock, for reckoning, and *_ms by the wall's, UTC. A test without ended_ns is
// unfinished: it runs, or the agent ended before it.
//
// The file and its log stay below [Options.MaxBytes]. When room is short the
// oldest minutes of inputs go and readings of lines, then the oldest normal
// samples, the oldest samples of outages, those of tests, the oldest predictions,
// events of inputs, and conditions that are over; the outages, tests, stops, starts,
// orders, actions and draws themselves stay.
package history

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"ebbline/shutdown"
)

// Options says how much is kept. Zero values give the defaults.
type Options struct {
	MaxBytes    int64         // of the file and its log together; 64 MiB, and at least 8
	MaxAge      time.Duration // of normal samples; 400 days
	NormalEvery time.Duration // a sample at least so often in normal mode; 5 minutes
}

const (
	leastBytes  = 8 << 20
	usualBytes  = 64 << 20
	usualAge    = 400 * 24 * time.Hour
	usualEvery  = 5 * time.Minute
	gatherFor   = 10 * time.Second // samples wait so long for company; also between attempts while it cannot be written
	writeWithin = 10 * time.Second // one batch; and how long the disk may be silent before that is said
	closeWithin = 2 * time.Second  // the end waits so long for the disk
)

// ErrClosed says that the store takes no more records.
var ErrClosed = errors.New("history: it is closed")

// Writer is the writing side. Its methods may be called from any goroutine, and
// none but Flush and Close waits for the disk.
type Writer struct {
	file    *file
	urgent  chan struct{}
	flushes chan chan error
	ending  chan struct{}
	gone    chan struct{}

	mu      sync.Mutex // guards what follows
	queue   waiting
	thin    thinner
	closed  bool
	health  Health
	writing time.Time // since when a batch is under way; zero for none
	aloft   int       // what is in it
}

// Health is how the history fares.
type Health struct {
	// Problem says what is wrong and what to do, while records cannot be
	// written; "" when the last attempt went well. The agent raises
	// history-unwritable by it and clears it again.
	Problem        string
	SetAside       string // where a damaged file was put since the start, the last one; "" for none
	Waiting        int    // records and samples
	DroppedSamples uint64 // for want of room in the queue or the file, since the start
	DroppedRecords uint64 // the same of other records, and of those the file would not take
}

// Open makes a store of the file at path. Nothing is opened before there is
// something to write, and nothing that is wrong with the file is an error here:
// it is in the Health. The only error is of the options.
func Open(path string, o Options) (*Writer, error) {
	if path == "" {
		return nil, errors.New("history: no path is given")
	}
	if o.MaxBytes == 0 {
		o.MaxBytes = usualBytes
	}
	if o.MaxAge == 0 {
		o.MaxAge = usualAge
	}
	if o.NormalEvery == 0 {
		o.NormalEvery = usualEvery
	}
	if o.MaxBytes < leastBytes || o.MaxAge < 0 || o.NormalEvery < 0 {
		return nil, fmt.Errorf("history: at most %d bytes, for %v, one every %v: the size must be %d or more, and no duration below zero", o.MaxBytes, o.MaxAge, o.NormalEvery, leastBytes)
	}
	s := newWriter(&file{path: path, steps: steps, maxBytes: o.MaxBytes, maxAge: o.MaxAge, logPages: logPages}, o)
	go s.run(s.file.write)
	return s, nil
}

func newWriter(f *file, o Options) *Writer {
	return &Writer{
		file:   f,
		urgent: make(chan struct{}, 1), flushes: make(chan chan error), ending: make(chan struct{}), gone: make(chan struct{}),
		thin: thinner{every: o.NormalEvery, lanes: map[string]*lane{}},
	}
}

// put takes a record under the lock and, if it is urgent, wakes the writer.
func (s *Writer) put(err error, urgent bool, add func(*waiting)) error {
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return ErrClosed
	}
	add(&s.queue)
	s.queue.trim()
	if urgent && s.health.Problem == "" {
		select {
		case s.urgent <- struct{}{}:
		default:
		}
	}
	return nil
}

func (s *Writer) fact(err error, f any) error {
	return s.put(err, true, func(w *waiting) { w.facts = append(w.facts, f) })
}

// RecordSample takes every reading of a UPS and keeps those worth keeping: all
// on battery or in a test and those just before, one now and then in normal
// mode and while recharging, and those that bring a change. The error of this
// and the other Record methods is of the record; none is of the disk.
func (s *Writer) RecordSample(r Sample) error {
	return s.put(r.check(), false, func(w *waiting) {
		for _, k := range s.thin.take(r) {
			w.sample(k)
		}
	})
}

// RecordOutage records an outage as far as it has gone.
func (s *Writer) RecordOutage(o Outage) error {
	o.Inputs, o.Phases = slices.Clone(o.Inputs), slices.Clone(o.Phases)
	return s.put(o.check(), true, func(w *waiting) { w.outage(o) })
}

// RecordTest records a discharge test as far as it has gone.
func (s *Writer) RecordTest(t Test) error {
	t.Verdict.Weak, t.Segments = slices.Clone(t.Verdict.Weak), slices.Clone(t.Segments)
	return s.put(t.check(), true, func(w *waiting) { w.test(t) })
}

// CloseUnfinishedTests ends the tests that began before the instant and never
// ended, as killed: what was measured to their last record is a lower bound.
func (s *Writer) CloseUnfinishedTests(before shutdown.Instant) error {
	return s.fact(nil, kill{before})
}

// RecordPrediction records a prediction whose outcome is still open.
func (s *Writer) RecordPrediction(p Prediction) error { return s.fact(p.check(), p) }

// RecordEnd tells what came of predictions.
func (s *Writer) RecordEnd(e End) error { return s.fact(e.check(), e) }

// RecordStop records a host's stopping time.
func (s *Writer) RecordStop(r Stop) error { return s.fact(r.check(), r) }

// RecordStart records a host's starting time.
func (s *Writer) RecordStart(r Start) error { return s.fact(r.check(), r) }

// RecordDraw records a host's draw.
func (s *Writer) RecordDraw(r Draw) error { return s.fact(r.check(), r) }

// Health says how it stands now.
func (s *Writer) Health() Health {
	s.mu.Lock()
	defer s.mu.Unlock()
	h := s.health
	h.Waiting = s.queue.size() + s.aloft
	h.DroppedSamples += s.queue.droppedSamples
	h.DroppedRecords += s.queue.droppedRecords
	if h.Problem == "" && !s.writing.IsZero() && time.Since(s.writing) > writeWithin {
		h.Problem = fmt.Sprintf("The history %s: its disk has not answered for %v. Look at the disk.", s.file.path, writeWithin)
	}
	return h
}

// Flush waits until all that was recorded so far is on the disk, or was tried.
func (s *Writer) Flush(ctx context.Context) error {
	done := make(chan error, 1)
	select {
	case s.flushes <- done:
	case <-s.gone:
		return ErrClosed
	case <-ctx.Done():
		return fmt.Errorf("history: its disk does not answer: %w", ctx.Err())
	}
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return fmt.Errorf("history: its disk does not answer: %w", ctx.Err())
	}
}

// Close writes what waits and lets go of the file. It waits for the disk for
// two seconds, or until ctx ends.
func (s *Writer) Close(ctx context.Context) error {
	s.mu.Lock()
	first := !s.closed
	s.closed = true
	s.mu.Unlock()
	if first {
		close(s.ending)
	}
	ctx, cancel := context.WithTimeout(ctx, closeWithin)
	defer cancel()
	select {
	case <-s.gone:
	case <-ctx.Done():
		return fmt.Errorf("history: its disk does not answer and the last records may be lost: %w", ctx.Err())
	}
	if h := s.Health(); h.Waiting > 0 {
		return fmt.Errorf("history: %d records are lost: %s", h.Waiting, h.Problem)
	}
	return nil
}

// run is the writer. While records cannot be written it tries again only now
// and then, or when it is asked to.
func (s *Writer) run(write func(context.Context, *batch) (outcome, error)) {
	defer close(s.gone)
	defer s.file.close()
	tick := time.NewTicker(gatherFor)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			s.attempt(write)
		case <-s.urgent:
			s.attempt(write)
		case done := <-s.flushes:
			done <- s.attempt(write)
		case <-s.ending:
			s.attempt(write)
			return
		}
	}
}

// outcome is what came of a batch beside an error.
type outcome struct {
	samples, records uint64 // the file would not take so many
	setAside         string
	full             string // a problem though the batch was written
}

// attempt writes what waits, all or nothing.
func (s *Writer) attempt(write func(context.Context, *batch) (outcome, error)) error {
	s.mu.Lock()
	b := s.queue.take()
	if b.size() == 0 {
		s.mu.Unlock()
		return nil
	}
	s.writing, s.aloft = time.Now(), b.size()
	s.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.Background(), writeWithin)
	out, err := write(ctx, &b)
	cancel()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.writing, s.aloft = time.Time{}, 0
	s.health.Problem = out.full
	if out.setAside != "" {
		s.health.SetAside = out.setAside
	}
	if err != nil {
		s.health.Problem = fmt.Sprintf("The history %v", err)
		s.queue.giveBack(b)
		return fmt.Errorf("history: %w", err)
	}
	s.health.DroppedSamples += out.samples
	s.health.DroppedRecords += out.records
	return nil
}
