package simulate

import (
	"time"

	"ebbline/shutdown"
	"ebbline/shutdown/transcript"
	"ebbline/simulate/world"
)

// Recorder keeps what a run did, for showing it: the transcript, each host's
// spans and each battery's curve. It is a [Log].
type Recorder struct {
	Lines  []string // the transcript, only with Text set
	Text   bool
	Spans  [][]Span  // by host
	Curves [][]Level // by UPS
	Notes  []Note    // what an operator would be told
	Next   Log       // told too, if not nil

	r *Runner
}

// Being is what a host does.
type Being uint8

const (
	Running Being = iota + 1
	Stopping
	Off
	Booting
	Cut // its power went while it was up; it is off since
)

// Span is a part of a host's run.
type Span struct {
	From, To time.Duration // since the start of the script
	Being    Being
}

// Level is a battery at a time: the part of its true store that is left at the
// load then.
type Level struct {
	At   time.Duration
	Left float64
}

// Note is a notice with its time.
type Note struct {
	At     time.Duration
	Notice shutdown.Notice
}

// NewRecorder makes a recorder and has it watch the runner's runs.
func NewRecorder(r *Runner) *Recorder {
	rec := &Recorder{r: r, Next: r.Log}
	r.Log, r.Reasons = rec, true
	return rec
}

// Event implements [Log].
func (r *Recorder) Event(at shutdown.Instant, e *shutdown.Event) {
	if e.Kind == shutdown.Adopted {
		r.Lines, r.Notes = nil, nil
		r.Spans = make([][]Span, len(r.r.world.Hosts))
		r.Curves = make([][]Level, len(r.r.world.UPSs))
	}
	if r.Text && e.Kind != shutdown.Adopted {
		r.Lines = append(r.Lines, transcript.Event(r.r.Policy, at-r.r.epoch, e))
	}
	r.look(at)
	if r.Next != nil {
		r.Next.Event(at, e)
	}
}

// Effect implements [Log].
func (r *Recorder) Effect(at shutdown.Instant, f *shutdown.Effect) {
	if r.Text {
		g := *f
		if g.Kind == shutdown.Begin {
			g.Action.Deadline -= r.r.epoch
		}
		r.Lines = append(r.Lines, transcript.Effect(r.r.Policy, at-r.r.epoch, &g))
	}
	if f.Kind == shutdown.Notify {
		r.Notes = append(r.Notes, Note{at.Sub(r.r.epoch), f.Notice})
	}
	if r.Next != nil {
		r.Next.Effect(at, f)
	}
}

// gone is what a host is that is off.
func gone(h *world.Host) Being {
	if h.LastCut {
		return Cut
	}
	return Off
}

// look notes where hosts and batteries stand.
func (r *Recorder) look(at shutdown.Instant) {
	t := at.Sub(r.r.epoch)
	for k := range r.r.world.Hosts {
		h := &r.r.world.Hosts[k]
		now := Running
		switch {
		case h.On && h.Stopping:
			now = Stopping
		case h.On && h.Starting:
			now = Booting
		case !h.On:
			now = gone(h)
		}
		s := r.Spans[k]
		if n := len(s); n > 0 && s[n-1].Being != Off && s[n-1].Being != Cut && h.OffAt != shutdown.Never {
			// With the agent off, nobody was told: the host may be up again by now.
			if off := h.OffAt.Sub(r.r.epoch); off > s[n-1].From || off == 0 && n == 1 {
				s[n-1].To = off
				s = append(s, Span{off, off, gone(h)})
			}
		}
		if n := len(s); n > 0 {
			s[n-1].To = t
		}
		if n := len(s); n == 0 || s[n-1].Being != now {
			s = append(s, Span{t, t, now})
		}
		r.Spans[k] = s
	}
	for i := range r.r.world.UPSs {
		left := r.r.world.Left(int32(i))
		c := r.Curves[i]
		if n := len(c); n > 0 && c[n-1].At == t {
			c[n-1].Left = left
		} else {
			c = append(c, Level{t, left})
		}
		r.Curves[i] = c
	}
}
