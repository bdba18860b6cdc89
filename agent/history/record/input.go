package record

import (
	"math"
	"sync"
	"time"

	"ebbline/agent/history"
	"ebbline/policy"
	"ebbline/policy/electrical"
	"ebbline/shutdown"
)

const (
	linesEvery   = 15 * time.Minute // readings of lines are kept so often
	inputSilence = 30 * time.Second // without a reading for so long, what was is not known to hold
	// Unsteady is how many sags or losses within an hour make an input unsteady: they
	// often come before a loss (engineering value, no source).
	Unsteady       = 3
	unsteadyWithin = time.Hour
)

// inputs watch the inputs of all UPSs, by name. Two goroutines speak to them: the
// agent's loop with what polls say, and whoever reads lines.
type inputs struct {
	mu sync.Mutex
	of map[string]*input
}

// input is one UPS's input as it is followed: by the minute, and each event.
type input struct {
	writer  *history.Writer
	name    string
	moment  history.Moment // of the last reading
	nominal float64
	minute  history.InputMinute
	sum     float64
	volts   int64 // readings with a voltage in the minute
	detect  electrical.Detector
	begun   []shutdown.Instant // of sags in the last hour
	seen    int                // of them since the count of the UPS was read last

	hertz, bads float64 // as read last; NaN for unread
	linesAt     shutdown.Instant
}

func (r *inputs) get(writer *history.Writer, name string) *input {
	if r.of == nil {
		r.of = map[string]*input{}
	}
	in := r.of[name]
	if in == nil {
		in = &input{writer: writer, name: name, hertz: math.NaN(), bads: math.NaN()}
		in.detect.Found = in.found
		r.of[name] = in
	}
	return in
}

// input takes one poll.
func (r *Recorder) input(e *shutdown.Event, u *policy.UPS) {
	r.inputs.mu.Lock()
	defer r.inputs.mu.Unlock()
	r.inputs.get(r.writer, u.Name).take(r.when(r.at), &e.Measurement)
}

// Lines takes what a UPS says of its lines, from any goroutine. Of one that was never
// polled it takes nothing.
func (r *Recorder) Lines(ups string, l electrical.Lines) {
	r.inputs.mu.Lock()
	defer r.inputs.mu.Unlock()
	if in := r.inputs.of[ups]; in != nil {
		in.lines(l)
	}
}

// Inputs tells of each UPS that was polled whether its input is unsteady now, from
// any goroutine.
func (r *Recorder) Inputs(tell func(ups string, unsteady bool)) {
	r.inputs.mu.Lock()
	unsteady := map[string]bool{}
	for name, in := range r.inputs.of {
		in.forget(in.moment.At)
		unsteady[name] = len(in.begun) >= Unsteady
	}
	r.inputs.mu.Unlock()
	for name, on := range unsteady {
		tell(name, on)
	}
}

// End keeps what is under way, for there will be no more.
func (r *Recorder) End() {
	r.inputs.mu.Lock()
	defer r.inputs.mu.Unlock()
	for _, in := range r.inputs.of {
		in.detect.Gap(time.Duration(in.moment.At))
		in.close()
		in.minute = history.InputMinute{}
	}
}

// take follows the voltage. Without one the input may still be known to be lost.
func (in *input) take(at history.Moment, m *shutdown.Measurement) {
	if in.moment.At != 0 && at.At.Sub(in.moment.At) > inputSilence {
		in.detect.Gap(time.Duration(in.moment.At))
	}
	if in.minute.Began.At == 0 || at.At.Sub(in.minute.Began.At) >= time.Minute {
		in.close()
		in.minute = history.InputMinute{UPS: in.name, Began: at, Low: shutdown.Unread, Mean: shutdown.Unread, High: shutdown.Unread}
	}
	in.moment = at
	in.minute.Readings++
	if m.InputDecivolts == shutdown.Unread {
		in.detect.Gap(time.Duration(at.At))
		return
	}
	in.volts++
	in.sum += float64(m.InputDecivolts)
	if in.volts == 1 {
		in.minute.Low, in.minute.High = m.InputDecivolts, m.InputDecivolts
	}
	in.minute.Low, in.minute.High = min(in.minute.Low, m.InputDecivolts), max(in.minute.High, m.InputDecivolts)
	v := float64(m.InputDecivolts) / 10
	if in.nominal == 0 {
		// Nobody has said it: the usual one nearest to a good input.
		n := electrical.NearestNominal(v, in.hertz)
		if m.Source != shutdown.FromInput || m.Input != shutdown.LineGood || v < 0.9*n || v > 1.1*n {
			return
		}
		in.nominal = n
	}
	was := in.detect.Sag() != nil
	in.detect.Take(time.Duration(at.At), 1, 100*v/in.nominal)
	if in.detect.Sag() != nil && !was && !m.Testing {
		in.unsteady(at.At)
		in.seen++
	}
}

func (in *input) unsteady(at shutdown.Instant) {
	in.forget(at)
	if len(in.begun) < 100 {
		in.begun = append(in.begun, at)
	}
}

// forget lets go of what was more than an hour ago.
func (in *input) forget(now shutdown.Instant) {
	n := 0
	for n < len(in.begun) && now.Sub(in.begun[n]) >= unsteadyWithin {
		n++
	}
	in.begun = in.begun[n:]
}

// found keeps an event that has ended.
func (in *input) found(e electrical.Event) {
	in.writer.RecordInputEvent(history.InputEvent{UPS: in.name, Began: in.moment.When(shutdown.Instant(e.From)), Nominal: in.nominal, Event: e})
}

// close keeps the minute that is over.
func (in *input) close() {
	if in.minute.Began.At == 0 {
		return
	}
	if in.volts > 0 {
		in.minute.Mean = int64(math.Round(in.sum / float64(in.volts)))
	}
	in.minute.Hertz, in.minute.Bads = shutdown.Unread, shutdown.Unread
	if !math.IsNaN(in.hertz) {
		in.minute.Hertz = int64(math.Round(100 * in.hertz))
	}
	if !math.IsNaN(in.bads) {
		in.minute.Bads = int64(in.bads)
	}
	in.writer.RecordInput(in.minute)
	in.sum, in.volts = 0, 0
}

// lines takes the frequency, the UPS's own count of bad inputs, and the lines. What
// it counted and no poll saw was a sag all the same. A count that falls is of a UPS
// that has started anew.
func (in *input) lines(l electrical.Lines) {
	at := in.moment
	in.hertz = l.Hertz
	if l.Nominal > 0 {
		in.nominal = l.Nominal
	}
	if unseen := l.Bads - in.bads - float64(in.seen); unseen > 0 {
		for range int(min(unseen, 100)) {
			in.unsteady(at.At)
		}
	}
	in.bads, in.seen = l.Bads, 0
	if in.linesAt == 0 || at.At.Sub(in.linesAt) >= linesEvery {
		in.linesAt = at.At
		in.writer.RecordLines(history.LineReading{UPS: in.name, At: at, Lines: l})
	}
}
