package record

import (
	"slices"
	"time"

	"ebbline/agent/history"
	"ebbline/policy"
	"ebbline/shutdown"
)

// notice takes what the core tells of a host.
func (r *Recorder) notice(n *shutdown.Notice, s *shutdown.State) {
	if n.Host < 0 || n.Clear {
		return
	}
	was, p := &r.hosts[n.Host], &s.Policy.Hosts[n.Host]
	if p.Observe {
		return // nothing is done to it, so that there is nothing to learn
	}
	switch n.Code {
	case shutdown.HostAsked, shutdown.HostStarted:
		r.stir(n.Host, s)
	case shutdown.HostGivenUp, shutdown.StopFailed:
		r.stir(n.Host, s)
		r.stop(p, was, history.GivenUp, r.at.Sub(was.Asked), s)
	case shutdown.HostDown:
		r.stir(n.Host, s)
		r.step(n.Host, was.Asked, 0, false, s)
		ended := history.Clean
		if int(was.Last.Action.ID.Method) < len(p.Methods) && p.Methods[was.Last.Action.ID.Method].Force {
			ended = history.Forced
		}
		r.stop(p, was, ended, n.Span, s)
	case shutdown.HostBack:
		r.stir(n.Host, s)
		r.step(n.Host, was.Asked, settles, true, s)
		r.start(p, was, history.Clean, n.Span, s)
	case shutdown.HostNotBack:
		r.stir(n.Host, s)
		r.start(p, was, history.GivenUp, r.at.Sub(was.Asked), s)
	}
}

// outageOf is the number of the outage that an action was for; of what an operator
// ordered, of the one that is on.
func outageOf(id shutdown.ActionID, s *shutdown.State) uint32 {
	if id.Ordered {
		return number(s)
	}
	return id.Outage
}

// stop records a stopping time. A host that was off before it was asked took
// none.
func (r *Recorder) stop(p *policy.Host, was *shutdown.Host, ended history.Ending, took time.Duration, s *shutdown.State) {
	if was.State == shutdown.TurnedOff || was.State == shutdown.AskedOff || was.Asked == 0 || int(was.Last.Action.ID.Method) >= len(p.Methods) {
		return
	}
	r.writer.RecordStop(history.Stop{
		Host: p.Name, Asked: r.when(was.Asked), Outage: outageOf(was.Last.Action.ID, s), Method: p.Methods[was.Last.Action.ID.Method].Kind.String(), Took: took, Ended: ended,
	})
}

func (r *Recorder) start(p *policy.Host, was *shutdown.Host, ended history.Ending, took time.Duration, s *shutdown.State) {
	if was.Asked == 0 {
		return
	}
	way := "power"
	if int(was.Last.Action.ID.Method) < len(p.Starts) {
		way = p.Starts[was.Last.Action.ID.Method].Kind.String()
	}
	r.writer.RecordStart(history.Start{Host: p.Name, Told: r.when(was.Asked), Outage: outageOf(was.Last.Action.ID, s), Method: way, Took: took, Ended: ended})
}

// What a step in a UPS's load is weighed by; engineering values, no source.
const (
	readings = 5               // before and after
	least    = 3               // with so many it is worth something
	stale    = 2 * time.Minute // a reading so old says nothing of the load before
	settles  = time.Minute     // a host that answers again goes on starting services
	kept     = 128             // readings: four minutes at one every two seconds
)

// scale is what weighs hosts: a UPS's load, and who changed it when.
type scale struct {
	loads   []load
	stirred []stir
	pending []pending
}

type load struct {
	at    shutdown.Instant
	watts int64
}

// stir is a host's change on a UPS.
type stir struct {
	host int32
	at   shutdown.Instant
}

// pending is a step whose readings after it are still to come.
type pending struct {
	host          int32
	started       bool
	from, to      shutdown.Instant // of the step and the readings before it; readings after it count from then
	before, noise int64
	shared        bool
	after         []int64
}

// stir notes that a host changes something on each of its feeds about now.
func (r *Recorder) stir(k int32, s *shutdown.State) {
	for _, f := range s.Policy.Hosts[k].FedBy {
		c := &r.upss[f].scale
		c.stirred = append(c.stirred, stir{k, r.at})
		if over := len(c.stirred) - kept; over > 0 {
			c.stirred = slices.Delete(c.stirred, 0, over)
		}
		for i := range c.pending {
			c.pending[i].shared = true
		}
		// The same host again: it changed before it was weighed.
		c.pending = slices.DeleteFunc(c.pending, func(p pending) bool { return p.host == k })
	}
}

// step begins to weigh a host that has just stopped or started.
func (r *Recorder) step(k int32, told shutdown.Instant, settle time.Duration, started bool, s *shutdown.State) {
	if told == 0 {
		return
	}
	for _, f := range s.Policy.Hosts[k].FedBy {
		c := &r.upss[f].scale
		var before []int64
		from := told
		for i := len(c.loads) - 1; i >= 0 && len(before) < readings; i-- {
			if l := c.loads[i]; l.at <= told {
				if told.Sub(l.at) > stale {
					break
				}
				before, from = append(before, l.watts), l.at
			}
		}
		if len(before) < least {
			continue
		}
		p := pending{host: k, started: started, from: from, to: r.at.Add(settle), before: median(before), noise: wander(before)}
		for _, t := range c.stirred {
			p.shared = p.shared || t.host != k && t.at >= from
		}
		for j := range s.Hosts {
			h := &s.Hosts[j]
			busy := h.Stopping() || h.State == shutdown.Starting || h.State == shutdown.GivenUp || h.State == shutdown.Late
			p.shared = p.shared || int32(j) != k && busy && slices.Contains(s.Policy.Hosts[j].FedBy, f)
		}
		c.pending = append(c.pending, p)
	}
}

// weigh takes a reading of a UPS's load, and records the steps that it completes.
func (r *Recorder) weigh(i int32, m *shutdown.Measurement) {
	if m.LoadWatts == shutdown.Unread || m.LoadWatts < 0 || m.Source == shutdown.FromNothing {
		return
	}
	c := &r.upss[i].scale
	c.loads = append(c.loads, load{r.at, m.LoadWatts})
	if over := len(c.loads) - kept; over > 0 {
		c.loads = slices.Delete(c.loads, 0, over)
	}
	for j := range c.pending {
		p := &c.pending[j]
		if r.at > p.to {
			p.after = append(p.after, m.LoadWatts)
		}
		if len(p.after) == readings {
			r.draw(i, p)
		}
	}
	c.pending = slices.DeleteFunc(c.pending, func(p pending) bool { return len(p.after) >= readings })
}

// draw records a step that stands out of the noise.
func (r *Recorder) draw(i int32, p *pending) {
	watts := p.before - median(p.after)
	if p.started {
		watts = -watts
	}
	noise := max(p.noise, wander(p.after))
	if watts <= noise {
		return
	}
	quality := history.Clear
	if p.shared {
		quality = history.Shared
	}
	r.writer.RecordDraw(history.Draw{
		Host: r.policy.Hosts[p.host].Name, UPS: r.policy.UPSs[i].Name, At: r.when(p.to), Started: p.started,
		Watts: watts, NoiseWatts: noise, Quality: quality,
	})
}

// median of a list, the upper of two.
func median(list []int64) int64 {
	sorted := slices.Sorted(slices.Values(list))
	return sorted[len(sorted)/2]
}

// wander is how far a load went by itself.
func wander(list []int64) int64 { return slices.Max(list) - slices.Min(list) }
