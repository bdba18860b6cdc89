// Package record turns the steps of a running agent into the history's records:
// samples, outages, predictions and what came of them, stopping and starting
// times, draws. It watches; it must never hold up the agent, and never decide.
package record

import (
	"slices"
	"time"

	"ebbline/agent/history"
	"ebbline/policy"
	"ebbline/shutdown"
)

// Recorder is an agent's observer. The agent's loop alone calls it.
type Recorder struct {
	writer *history.Writer
	wall   func() time.Time
	over   func() // may be nil

	at     shutdown.Instant
	utc    time.Time
	policy *policy.Policy
	upss   []ups           // as they were after the step before, by UPS
	hosts  []shutdown.Host // likewise, by host
	began  shutdown.Instant
	number uint32
	foresee
	inputs inputs
	room   rooms
	air    map[string]history.RoomReading // as it was kept last, by temperature
}

// ups is one UPS as the recorder knows it.
type ups struct {
	phase      shutdown.Phase
	lost, back shutdown.Instant
	booted     shutdown.Instant // of the agent's host: what was predicted before has no end that anybody saw
	output     shutdown.Begun   // the last order to its output
	scale      scale
	forecasts  forecasts
}

// New makes a recorder. It calls over after each outage, and after a stop or start
// outside of one, when all that was learned was handed to the store.
func New(writer *history.Writer, wall func() time.Time, over func()) *Recorder {
	return &Recorder{writer: writer, wall: wall, over: over}
}

// Stepped takes one step of the agent.
func (r *Recorder) Stepped(at shutdown.Instant, e *shutdown.Event, effects []shutdown.Effect, of *policy.Policy, s *shutdown.State) {
	if s.Policy == nil {
		return
	}
	r.at, r.utc = at, r.wall().UTC()
	if s.Policy != r.policy {
		r.adopt(s)
	}
	if e.Kind == shutdown.Restarted {
		r.restarted(e.Rebooted, s)
	}
	if e.Kind == shutdown.Measured && of == s.Policy {
		r.sample(e, s)
	}
	if of == s.Policy {
		r.warmed(e, s)
	}
	ended, measured := false, false
	if of == s.Policy { // else what is said is in the numbers of a policy that is gone
		for i := range effects {
			if n := &effects[i].Notice; effects[i].Kind == shutdown.Notify {
				r.notice(n, s)
				ended = ended || n.Code == shutdown.OutageOver
				measured = measured || !s.Outstanding() && (n.Code == shutdown.HostDown || n.Code == shutdown.HostBack)
			}
		}
	}
	outage := r.key(s)
	r.outage(s, ended)
	r.tell(outage, e, effects, of, s)
	for i := range s.UPSs {
		r.predict(int32(i), e, s)
		u := &s.UPSs[i]
		r.upss[i].phase, r.upss[i].lost, r.upss[i].back, r.upss[i].output = s.Phase(int32(i)), u.Lost, u.Back(), u.Switch
	}
	r.hosts = append(r.hosts[:0], s.Hosts...)
	if (ended || measured) && r.over != nil {
		r.over()
	}
}

// adopt begins anew with a policy's numbers. In the middle of an outage, as
// after a restart of the agent, what is on is taken up.
func (r *Recorder) adopt(s *shutdown.State) {
	r.policy, r.upss = s.Policy, make([]ups, len(s.UPSs))
	for i := range s.UPSs {
		r.upss[i].phase, r.upss[i].output = s.Phase(int32(i)), s.UPSs[i].Switch
	}
	r.hosts = slices.Clone(s.Hosts)
}

// restarted: nobody saw whether the load moved meanwhile; and after a boot of
// the agent's host, not even whether the battery lasted.
func (r *Recorder) restarted(rebooted bool, s *shutdown.State) {
	for i := range s.UPSs {
		u := &s.UPSs[i]
		switch {
		case u.Lost == 0:
		case rebooted:
			r.upss[i].booted = r.at
		default:
			for _, by := range [...]history.Maker{history.ByModel, history.ByUPS} {
				r.end(history.End{UPS: s.Policy.UPSs[i].Name, By: by, Since: u.Lost, At: r.when(r.at)})
			}
		}
	}
}

// when gives an instant on both clocks.
func (r *Recorder) when(at shutdown.Instant) history.Moment {
	return history.Moment{At: r.at, UTC: r.utc}.When(at)
}

func (r *Recorder) sample(e *shutdown.Event, s *shutdown.State) {
	m := &e.Measurement
	during := history.DuringNormal
	switch {
	case m.Testing && !s.UPSs[e.UPS].OnBattery():
		during = history.DuringTest
	case s.Outstanding():
		during = history.DuringOutage
	}
	r.writer.RecordSample(history.Sample{UPS: s.Policy.UPSs[e.UPS].Name, Moment: r.when(r.at), During: during, Measurement: *m})
	r.weigh(e.UPS, m)
	r.input(e, &s.Policy.UPSs[e.UPS])
}

// outage records what is new of the outage that is on, or has just ended.
func (r *Recorder) outage(s *shutdown.State, ended bool) {
	if s.Outstanding() {
		if r.began != 0 && r.number != s.Outage {
			// The input was lost again before all was normal.
			r.writer.RecordOutage(history.Outage{Number: r.number, Site: s.Policy.Site.Name, Began: r.when(r.began), Ended: r.when(max(r.began, s.Began))})
		}
		r.began, r.number = s.Began, s.Outage
	}
	if r.began == 0 {
		return
	}
	o := history.Outage{Number: r.number, Site: s.Policy.Site.Name, Began: r.when(r.began)}
	for i := range s.UPSs {
		u, was, name := &s.UPSs[i], &r.upss[i], s.Policy.UPSs[i].Name
		if u.Lost != 0 && (u.Lost != was.lost || u.Back() != was.back) {
			in := history.Input{UPS: name, Lost: r.when(u.Lost)}
			if back := u.Back(); back >= u.Lost && back != 0 {
				in.Back = r.when(back)
			}
			o.Inputs = append(o.Inputs, in)
		}
		if now := s.Phase(int32(i)); now != was.phase {
			o.Phases = append(o.Phases, history.PhaseEntry{UPS: name, Phase: now, Entered: r.when(s.Since(int32(i)))})
		}
	}
	if ended {
		o.Ended = r.when(r.at)
		r.began = 0
	}
	if len(o.Inputs)+len(o.Phases) > 0 || ended {
		r.writer.RecordOutage(o)
	}
}
