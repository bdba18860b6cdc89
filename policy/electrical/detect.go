package electrical

import (
	"math"
	"time"
)

// Event is one sag, swell or interruption as it was recorded. Of several lines
// it begins with the first and ends when all have recovered (IEC 61000-4-30).
type Event struct {
	From, To time.Duration
	// Extreme is the lowest voltage of any line, or the highest of a swell;
	// Common the lowest that the best line had at any time: an interruption is
	// one of all lines.
	Extreme, Common float64
	Swell           bool
	Zero            time.Duration // all lines interrupted for so long
	Zeros           int           // stretches of that: trips, where there are several
	Readings        int           // rows between its beginning and its end
	// Open says that its beginning or its end was not recorded: a gap, or the
	// edge of the recording. It lasted at least so long.
	Open bool
}

// Length is how long the event lasted.
func (e *Event) Length() time.Duration { return e.To - e.From }

// Percent is what the event is classed by: its extreme, but an interruption only
// where every line was interrupted.
func (e *Event) Percent() float64 {
	if !e.Swell && e.Common >= InterruptedBelow {
		return max(e.Extreme, InterruptedBelow)
	}
	return e.Extreme
}

// Detector finds events in a recording: a value holds until the next one, NaN is
// no sample, and what has no sample is no event. It keeps no more than the event
// under way.
type Detector struct {
	Found func(Event) // an event has ended

	at         time.Duration
	known      bool // there is a value that holds
	zero       bool // in a sag: all lines are interrupted
	sag, swell *Event
}

// Take tells of the next values, one for each line in percent, and how many
// readings in a row said so.
func (d *Detector) Take(at time.Duration, readings int, percent ...float64) {
	d.pass(at)
	low, high := spread(percent)
	if math.IsNaN(low) {
		d.lost()
		return
	}
	open := !d.known // what follows a gap, or begins a recording, may have begun before
	d.known = true
	switch {
	case d.sag == nil && low < SagBelow-dust:
		d.sag = &Event{From: at, Extreme: low, Common: high, Open: open}
	case d.sag != nil && low >= SagBelow+Hysteresis-dust:
		d.end(&d.sag, false)
	}
	switch {
	case d.swell == nil && high > SwellAbove+dust:
		d.swell = &Event{From: at, Extreme: high, Common: high, Swell: true, Open: open}
	case d.swell != nil && high <= SwellAbove-Hysteresis+dust:
		d.end(&d.swell, false)
	}
	was := d.zero
	d.zero = d.sag != nil && high < InterruptedBelow-dust
	if e := d.sag; e != nil {
		e.Readings += readings
		e.Extreme, e.Common = min(e.Extreme, low), min(e.Common, high)
		if d.zero && !was {
			e.Zeros++
		}
	}
	if e := d.swell; e != nil {
		e.Readings += readings
		e.Extreme = max(e.Extreme, high)
	}
}

// Gap says that nothing is known from the instant on, as at the end of a recording.
func (d *Detector) Gap(at time.Duration) {
	d.pass(at)
	d.lost()
}

// Sag is the sag under way; nil when there is none. Its end is not known yet.
func (d *Detector) Sag() *Event { return d.sag }

// Swell is the same for a swell.
func (d *Detector) Swell() *Event { return d.swell }

// pass lets the time since the last values pass.
func (d *Detector) pass(at time.Duration) {
	if d.zero {
		d.sag.Zero += at - d.at
	}
	d.at = at
}

// lost ends what is under way; nobody knows when it really ended.
func (d *Detector) lost() {
	d.known, d.zero = false, false
	d.end(&d.sag, true)
	d.end(&d.swell, true)
}

func (d *Detector) end(which **Event, open bool) {
	if e := *which; e != nil {
		*which = nil
		e.To, e.Open = d.at, e.Open || open
		d.Found(*e)
	}
}

// spread gives the lowest and the highest line; NaN where one has no sample.
func spread(percent []float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, p := range percent {
		low, high = math.Min(low, p), math.Max(high, p)
	}
	return low, high
}
