package world

import (
	"slices"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
)

// Do carries out what the core wants done.
func (w *World) Do(f *shutdown.Effect) {
	if !w.Agent {
		return
	}
	switch f.Kind {
	case shutdown.Begin:
		w.begin(f.Action)
	case shutdown.Poll:
		w.poll(f.UPS, pollSoon)
	case shutdown.Probe:
		h := &w.Hosts[f.Host]
		h.sent, h.every = false, max(lookAgain, f.Every)
		w.lookSoon(f.Host, min(lookAgain, f.Every))
	}
}

func (w *World) finish(a shutdown.Action, o shutdown.Outcome, in time.Duration) {
	at := min(w.Now.Add(in), max(a.Deadline, w.Now))
	w.begun = append(w.begun, a.ID)
	w.queue.put(item{at: at, kind: doFinish, index: int32(len(w.begun) - 1), outcome: o, mark: w.life})
}

func (w *World) begin(a shutdown.Action) {
	switch a.ID.Verb {
	case shutdown.VerbSwitchOff, shutdown.VerbSwitchOn:
		w.output(a)
	case shutdown.VerbPrepare:
		w.finish(a, shutdown.Accepted, answerTakes)
	case shutdown.VerbStart:
		w.start(a)
	default:
		w.stop(a)
	}
}

// stop is an order to one host to stop.
func (w *World) stop(a shutdown.Action) {
	k := a.ID.Host
	h := &w.Hosts[k]
	if h.AskedAt == shutdown.Never {
		h.AskedAt = w.Now
	}
	h.Asks++
	h.asked = true
	method := &w.Policy.Hosts[k].Methods[a.ID.Method]
	dark := w.dark(w.Policy.Hosts[k].FedBy)
	aside := method.Kind != policy.BySSH && method.Kind != policy.ByLocal
	switch {
	case dark:
		w.finish(a, shutdown.Unreachable, noAnswer)
	case aside && method.Force:
		w.finish(a, shutdown.Accepted, answerTakes)
		w.gone(k)
	case aside:
		w.finish(a, shutdown.Accepted, answerTakes)
		if h.mode != Hangs && h.mode != Freezes {
			w.goDown(k)
		}
	case method.Kind == policy.BySSH && (!h.On || !h.Service || !w.PathTo(k)):
		w.finish(a, shutdown.Unreachable, noAnswer)
	case h.mode == Freezes:
		w.finish(a, shutdown.Unknown, a.Deadline.Sub(w.Now))
	case h.mode == Refuses:
		w.finish(a, shutdown.Refused, answerTakes)
	case h.mode == Hangs:
		w.finish(a, shutdown.Accepted, answerTakes)
	case h.mode == CutsLink:
		w.finish(a, shutdown.Unknown, answerTakes)
		w.goDown(k)
	default:
		w.finish(a, shutdown.Accepted, answerTakes)
		w.goDown(k)
	}
	w.lookSoon(k, lookAgain)
}

// goDown begins a host's orderly stop.
func (w *World) goDown(k int32) {
	h := &w.Hosts[k]
	if !h.On || h.Stopping {
		return
	}
	takes := w.Truth.Hosts[k].Takes
	if !h.Starting {
		w.busy++
	}
	h.Stopping, h.Starting = true, false
	h.version++
	w.put(doService, k, answerTakes+takes/2, h.version)
	w.put(doGone, k, answerTakes+takes, h.version)
	if p := &w.Policy.Hosts[k]; p.StoppingWatts != p.Watts {
		w.settle()
	}
}

// gone: the host is off in its own time, or by a forced power-off.
func (w *World) gone(k int32) {
	h := &w.Hosts[k]
	if !h.On {
		return
	}
	for _, f := range w.Policy.Hosts[k].FedBy {
		u := &w.UPSs[f]
		if u.Input || u.Dead {
			continue
		}
		w.update(int32(f))
		secs := u.Model.Runtime(u.Charge, u.Load+u.own)
		u.InHand = time.Duration(min(secs, 1e9) * 1e9)
	}
	w.off(k)
	w.settle()
}

func (w *World) off(k int32) {
	h := &w.Hosts[k]
	w.Up--
	if h.Stopping || h.Starting {
		w.busy--
	}
	h.On, h.Stopping, h.Service, h.Starting = false, false, false, false
	h.version++
	h.OffAt, h.WasOff, h.LastCut, w.stirred = w.Now, true, false, w.Now
	if w.Policy.Hosts[k].Self {
		w.agentDies()
	}
	w.falls(k)
	for g := range w.Policy.Hosts {
		// Its guests go with it; one that was still up is cut.
		if w.Policy.Hosts[g].RunsOn == int(k) && w.Hosts[g].On {
			w.off(int32(g))
			w.Hosts[g].WasCut, w.Hosts[g].LastCut = true, true
		}
	}
}

// start is an order to one host to start.
func (w *World) start(a shutdown.Action) {
	k := a.ID.Host
	h := &w.Hosts[k]
	if h.StartAt == shutdown.Never {
		h.StartAt = w.Now
	}
	h.asked = false
	w.finish(a, shutdown.Accepted, answerTakes)
	w.boot(k)
	w.lookSoon(k, lookAgain)
}

// boot starts a host that is off, has power and, if it is a guest, a host.
func (w *World) boot(k int32) {
	h, p := &w.Hosts[k], &w.Policy.Hosts[k]
	if h.On || w.dark(p.FedBy) || p.RunsOn >= 0 && !w.Hosts[p.RunsOn].Service {
		return
	}
	h.On, h.Starting = true, true
	w.Up++
	w.busy++
	h.version++
	w.put(doUp, k, w.Truth.Hosts[k].Starts, h.version)
	w.settle()
}

// output is an order to a UPS.
func (w *World) output(a shutdown.Action) {
	u := &w.UPSs[a.ID.UPS]
	if w.Now < u.mute || u.Empty {
		w.finish(a, shutdown.Unknown, a.Deadline.Sub(w.Now))
		return
	}
	w.finish(a, shutdown.Accepted, answerTakes)
	u.count++
	u.counts = a.ID.Verb == shutdown.VerbSwitchOff
	if u.counts {
		w.put(doOutput, a.ID.UPS, w.Policy.UPSs[a.ID.UPS].Output.OffAfter, u.count)
	}
}

// dead: a UPS's output goes off. What no other feed carries is cut.
func (w *World) dead(i int32) {
	u := &w.UPSs[i]
	if u.Dead {
		return
	}
	u.Dead = true
	lacked := time.Duration(0) // by the host that would have needed longest
	for k := range w.Hosts {
		h := &w.Hosts[k]
		if !h.On || !w.dark(w.Policy.Hosts[k].FedBy) {
			continue
		}
		if w.Behaves(int32(k)) {
			lacked = max(lacked, w.wanting(int32(k)))
			u.InHand = -lacked
		}
		w.off(int32(k))
		h.WasCut, h.LastCut = true, true
	}
	w.pathsTurn(i, true)
	w.settle()
}

// pathsTurn has hosts looked at that are reached through a load on a UPS whose
// output went off, or came on.
func (w *World) pathsTurn(i int32, off bool) {
	for k := range w.Policy.Hosts {
		p := &w.Policy.Hosts[k]
		if !slices.ContainsFunc(p.NeedsLoads, func(l int) bool { return fed(w.Policy.Loads[l].FedBy, i) }) {
			continue
		}
		if off {
			w.falls(int32(k))
		} else {
			w.lookSoon(int32(k), 0)
		}
	}
}

// Behaves tells whether a host goes down when it is told to, in the end.
func (w *World) Behaves(k int32) bool {
	return w.Hosts[k].mode.Goes() && !w.Policy.Hosts[k].StaysUp
}

// wanting is how much longer a host that is cut would have needed.
func (w *World) wanting(k int32) time.Duration {
	h := &w.Hosts[k]
	takes := w.Truth.Hosts[k].Takes
	if h.Stopping && h.AskedAt != shutdown.Never {
		return max(time.Second, takes-w.Now.Sub(h.AskedAt))
	}
	return max(time.Second, takes)
}

// alive: the output is on again. Hosts without a way to be started, and the
// agent's own, start with the power.
func (w *World) alive(i int32) {
	u := &w.UPSs[i]
	u.Dead, u.Empty, u.counts = false, false, false
	w.stirred = w.Now
	for k := range w.Hosts {
		p := &w.Policy.Hosts[k]
		if fed(p.FedBy, i) && p.RunsOn < 0 && (p.Self || len(p.Starts) == 0) {
			w.boot(int32(k))
		}
	}
	w.pathsTurn(i, false)
	w.poll(i, pollSoon)
}

func fed(feeds []int, i int32) bool {
	for _, f := range feeds {
		if int32(f) == i {
			return true
		}
	}
	return false
}

// update brings a battery to now.
func (w *World) update(i int32) {
	u := &w.UPSs[i]
	secs := seconds(w.Now.Sub(u.at))
	u.at = w.Now
	if secs <= 0 {
		return
	}
	if u.Input {
		u.Charge = u.belief.Recharge(u.Charge, secs)
		return
	}
	if secs != u.lasted { // as a rule the time between two polls
		u.lasted, u.fade = secs, u.Model.Fade(secs)
	}
	watts := 0.0
	if !u.Dead {
		watts = u.Load + u.own
	}
	u.Charge = u.Model.AdvanceBy(u.Charge, watts, secs, u.fade)
}

// seconds is [time.Duration.Seconds] with one division instead of three.
func seconds(d time.Duration) float64 { return float64(d) / 1e9 }

// settle works out what each UPS carries now and when it will be empty.
func (w *World) settle() {
	w.warm()
	for i := range w.UPSs {
		u := &w.UPSs[i]
		load := w.load(int32(i))
		w.update(int32(i))
		if load != u.Load {
			w.hurry(int32(i))
		}
		u.Load = load
		u.version++
		if u.Input || u.Dead {
			continue
		}
		if secs := u.Model.Runtime(u.Charge, load+u.own); secs < 1e9 {
			w.put(doEmpty, int32(i), time.Duration(secs*1e9), u.version)
		}
	}
}

func (w *World) load(i int32) float64 {
	u := &w.UPSs[i]
	if u.Dead {
		return 0
	}
	sum := u.Extra
	for k := range w.Hosts {
		h, p := &w.Hosts[k], &w.Policy.Hosts[k]
		if !h.On || !fed(p.FedBy, i) {
			continue
		}
		watts := p.Watts
		if h.Stopping {
			watts = p.StoppingWatts
		}
		sum += float64(watts) * w.Truth.Hosts[k].Draws / float64(w.living(p.FedBy))
	}
	for l := range w.Policy.Loads {
		if p := &w.Policy.Loads[l]; fed(p.FedBy, i) {
			sum += float64(p.Watts) / float64(w.living(p.FedBy))
		}
	}
	return sum
}

func (w *World) living(feeds []int) int {
	n := 0
	for _, f := range feeds {
		if !w.UPSs[f].Dead {
			n++
		}
	}
	return max(n, 1)
}
