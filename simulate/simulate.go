// Package simulate replays outages against the real decision code: a virtual
// clock, a modelled room and [shutdown.State.Step]. Same policy, same truth,
// same bytes. It must never read a clock or draw a number that no seed gives.
package simulate

import (
	"encoding/json"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/simulate/world"
)

// Epoch is the instant at which every run of a day begins, in days since 1970-01-01: the
// day's beginning, but far enough from zero that times before it exist.
func Epoch(day int64) shutdown.Instant { return shutdown.DayBegins(max(day, 42)) }

// longest is how long a run may go on after the last thing of its script: for
// the battery to be ready again and every host to be back.
const longest = 72 * time.Hour

// Runner runs one outage after the other without allocating. It is not safe
// for use by several goroutines; each has its own.
type Runner struct {
	Policy *policy.Policy
	Log    Log // nil for none
	// Reasons has the core work out why each host goes when it does, for a log that
	// shows it; what it does is the same.
	Reasons bool

	epoch   shutdown.Instant // at which its runs begin
	first   *shutdown.State  // after adoption and the first answers
	state   *shutdown.State
	world   *world.World
	effects []shutdown.Effect
	adopt   shutdown.Event
	tick    shutdown.Event
	lost    shutdown.Instant // first loss of input that the world saw
	steps   int              // events that the core was told in the last run

	// For tests: the agent is killed at the event of this number; what it decided
	// then is recorded, and done only if it is not lost.
	crashAt   int
	crashLost bool
}

// Log is told all that the core is told and answers. The pointers are good only
// during the call.
type Log interface {
	Event(at shutdown.Instant, e *shutdown.Event)
	Effect(at shutdown.Instant, f *shutdown.Effect)
}

// HostRun is what became of one host.
type HostRun struct {
	Asked   time.Duration // since the loss of input; negative when never
	Down    time.Duration // off; negative when it stayed up
	Started time.Duration // told to start, or answering again; negative when not
	End     world.End     // how it went off, or that it never did
	Up      bool          // it runs at the end
	Mode    world.Mode
}

// Run is what became of one outage.
type Run struct {
	InHand  time.Duration // battery time left when the last host was off; Untested when none went off on battery
	Hosts   []HostRun     // by the policy's order; good until the next run
	Cut     int           // hosts whose power went while they were up, though they go down when told to
	CutHung int           // hosts whose power went while they were up and that would not have gone down
	Events  int           // things that happened in the room
	Length  time.Duration // from the loss of input to the end of the run
	Over    bool          // the outage came to its end: normal mode again
	// Stranded says that the agent's own host is off at the end, on a UPS whose
	// output never went off: nothing starts it again.
	Stranded bool
}

// Untested is what is in hand in a run in which no host went off on battery.
const Untested = world.NoneInHand

// NewRunner makes a runner for a policy on a day (for the battery's age).
func NewRunner(p *policy.Policy, day int64) (*Runner, error) {
	w, err := world.New(p, day)
	if err != nil {
		return nil, err
	}
	r := &Runner{Policy: p, world: w, epoch: Epoch(day), state: shutdown.New(), first: shutdown.New()}
	r.adopt = shutdown.Event{Kind: shutdown.Adopted, Policy: p}
	r.tick = shutdown.Event{Kind: shutdown.Tick}
	return r, nil
}

// Run replays one truth. The result's slice is reused by the next run if it is
// given again.
func (r *Runner) Run(t *world.Truth, out *Run) {
	w := r.world
	w.Reset(t, r.epoch)
	if r.first.Policy == nil {
		r.first.Step(r.epoch, &r.adopt, nil)
	}
	r.state.CopyFrom(r.first)
	r.state.Terse(!r.Reasons)
	if r.Log != nil {
		r.Log.Event(r.epoch, &r.adopt)
	}
	r.lost, r.steps = shutdown.Never, 0
	end := r.epoch
	if n := len(t.Moments); n > 0 {
		end = end.Add(t.Moments[n-1].At)
	}
	end = end.Add(longest)
	for {
		next := w.Peek()
		if w.Agent && r.state.Wake < next {
			if r.state.Wake > end {
				break
			}
			w.Now = max(w.Now, r.state.Wake)
			r.step(&r.tick)
			continue
		}
		if next > end || next == shutdown.Never {
			break
		}
		e := w.Next()
		if r.lost == shutdown.Never && r.anyLost() {
			r.lost = w.Now
		}
		if e != nil {
			r.step(e)
		}
		if w.Idle() && (!w.Agent || !r.state.Outstanding()) {
			break
		}
	}
	r.result(t, out)
}

func (r *Runner) anyLost() bool {
	for i := range r.world.UPSs {
		if !r.world.UPSs[i].Input {
			return true
		}
	}
	return false
}

func (r *Runner) step(e *shutdown.Event) {
	w := r.world
	if r.Log != nil {
		r.Log.Event(w.Now, e)
	}
	r.effects = r.state.Step(w.Now, e, r.effects[:0])
	r.steps++
	crash := r.steps == r.crashAt
	for i := range r.effects {
		if r.Log != nil {
			r.Log.Effect(w.Now, &r.effects[i])
		}
		if !crash || !r.crashLost {
			w.Do(&r.effects[i])
		}
	}
	if crash {
		r.crash()
	}
}

// crash ends the agent; what it knew goes through its recorded form.
func (r *Runner) crash() {
	text, err := json.Marshal(r.state)
	if err != nil {
		panic("simulate: " + err.Error())
	}
	fresh := shutdown.New()
	if err := json.Unmarshal(text, fresh); err != nil {
		panic("simulate: " + err.Error())
	}
	*r.state = *fresh
	r.world.Kill(2 * time.Second)
}

// State is the core's state at the end of the last run, for looking at.
func (r *Runner) State() *shutdown.State { return r.state }

func (r *Runner) result(t *world.Truth, out *Run) {
	w := r.world
	out.Hosts = out.Hosts[:0]
	out.InHand, out.Cut, out.CutHung, out.Events, out.Over = Untested, 0, 0, w.Events, !r.state.Outstanding()
	out.Stranded = false
	out.Length = w.Now.Sub(min(r.lost, w.Now))
	since := func(at shutdown.Instant) time.Duration {
		if at == shutdown.Never || r.lost == shutdown.Never {
			return -1
		}
		return at.Sub(r.lost)
	}
	for k := range w.Hosts {
		h := &w.Hosts[k]
		out.Stranded = out.Stranded || w.Policy.Hosts[k].Self && !h.On
		switch {
		case h.WasCut && w.Behaves(int32(k)):
			out.Cut++
		case h.WasCut:
			out.CutHung++
		}
		out.Hosts = append(out.Hosts, HostRun{
			Asked: since(h.AskedAt), Down: since(h.OffAt), Started: since(min(h.StartAt, h.BackAt)),
			End: h.Went(), Up: h.On, Mode: t.Hosts[k].Mode,
		})
	}
	for i := range w.UPSs {
		out.InHand = min(out.InHand, w.UPSs[i].Least())
	}
}
