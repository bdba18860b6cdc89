package agent

import (
	"encoding/json"
	"errors"
	"time"

	"ebbline/shutdown"
)

// fourth is what a snapshot of format 4 has under another name than one of format 5, or in
// another place. All else is the same under the same name.
type fourth struct {
	State *struct {
		Told      []shutdown.Notice // Notices
		Emergency shutdown.Instant  // since when power was cut on purpose: an input of the policy says so
		UPSs      []struct {
			Last formerMeasurement
		}
		Hosts []struct {
			SeenAt   shutdown.Instant // the last look; while a look is waited for, since when: SeenFrom says that
			Prepared shutdown.Instant // when the early step was begun: it is the last order
		}
		Schedule struct {
			Hosts []int32            // of the stops of the plan, in their order: a stop says it
			Why   []shutdown.Cause   // likewise
			Rooms []shutdown.Instant // their ends, Never for none: they stand behind the UPSs in Rests
			Plan  struct {
				Stops []struct {
					Start time.Duration // Asked
				}
			}
		}
	}
}

// fromFourth makes a snapshot of this format out of one, by way of format 5.
func fromFourth(text []byte) (*snapshot, error) {
	s, err := fromFifth(text)
	if err != nil || s.State == nil {
		return s, err
	}
	var f fourth
	if err := json.Unmarshal(text, &f); err != nil {
		return nil, err
	}
	n, o := s.State, f.State
	n.Notices = o.Told
	for i := range o.UPSs {
		n.UPSs[i].Last = o.UPSs[i].Last.named()
	}
	if n.Policy == nil || len(n.Hosts) != len(n.Policy.Hosts) {
		return s, nil // it is refused elsewhere if it knows of hosts
	}
	for k := range o.Hosts {
		h := &n.Hosts[k]
		if h.Seen == 0 {
			h.SeenFrom = o.Hosts[k].SeenAt
		}
		if at := o.Hosts[k].Prepared; at != 0 {
			earlyStep(n, int32(k), at)
		}
	}
	if o.Emergency != 0 {
		cutOnPurpose(n, o.Emergency)
	}
	c, p := &o.Schedule, n.Schedule.Plan.Stops
	if len(c.Hosts) != len(p) || len(c.Why) != len(p) || len(n.Schedule.Rests) != len(n.UPSs) && len(n.Schedule.Rests) != 0 {
		return nil, errors.New("its schedule is not whole")
	}
	for j := range p {
		p[j].Asked, p[j].Host, p[j].Why = c.Plan.Stops[j].Start, c.Hosts[j], c.Why[j]
	}
	for _, end := range c.Rooms {
		rest := shutdown.Rest{Load: -1}
		if end != shutdown.Never {
			rest = shutdown.Rest{Holds: end.Sub(n.Schedule.At).Seconds()}
		}
		n.Schedule.Rests = append(n.Schedule.Rests, rest)
	}
	return s, nil
}

// earlyStep has the early step of a host be the last order to it, where it was not asked
// to stop since.
func earlyStep(s *shutdown.State, k int32, at shutdown.Instant) {
	h, p := &s.Hosts[k], &s.Policy.Hosts[k]
	switch h.State {
	case shutdown.Unseen, shutdown.Up, shutdown.Silent, shutdown.TurnedOff, shutdown.Failed:
	default:
		return
	}
	if p.Prepare == nil {
		return
	}
	id, last := shutdown.ActionID{Outage: s.Outage, Host: k, UPS: -1, Verb: shutdown.VerbPrepare, Try: 1}, h.Last.Action.ID
	if s.Began == 0 {
		id.Outage++ // a room gets too warm: of the outage that is about to begin
	}
	if last.Verb != 0 && last.Outage == id.Outage && !last.Ordered {
		id.Try = last.Try + 1
	}
	h.Last = shutdown.Begun{Action: shutdown.Action{ID: id, Deadline: at.Add(p.Prepare.GivesUp)}}
}

// cutOnPurpose has an emergency input say that power was cut on purpose, by then and as a
// proof: two answers, three seconds apart. Where the policy has none any more, nothing
// says it.
func cutOnPurpose(s *shutdown.State, at shutdown.Instant) {
	if len(s.Contacts) == 0 {
		return
	}
	c := &s.Contacts[0]
	for j := range s.Contacts {
		if s.Contacts[j].Used != 0 {
			c = &s.Contacts[j]
		}
	}
	c.Used, c.At = max(1, at.Add(-3*time.Second)), max(c.At, at)
}
