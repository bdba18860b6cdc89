package simulate

import (
	"fmt"
	"strings"
	"time"

	"ebbline/policy"
)

// Condition is one thing that must hold for one replay to prove a plan.
type Condition struct {
	Name  string // a stable word
	Holds bool
	Text  string // a sentence
}

// Conditions looks at what F6 asks for. Less power at every moment is always
// safer (the battery's wells rise together), so where a longer stop can only
// mean more power, one replay with the longest stops at the low battery proves
// every milder room. Two things break that: a host that draws more while it
// stops, and a limit on stops at once, by which a quick stop may delay another.
func Conditions(p *policy.Policy, fits bool) []Condition {
	var peaks []string
	for k := range p.Hosts {
		if h := &p.Hosts[k]; h.StoppingWatts > h.Watts && !h.StaysUp {
			peaks = append(peaks, h.Name)
		}
	}
	m1 := Condition{"no-peaks", len(peaks) == 0, "no host draws more while it stops than while it is up"}
	if !m1.Holds {
		m1.Text = fmt.Sprintf("%s draws more while stopping than while up", peaks[0])
		if len(peaks) > 1 {
			m1.Text = fmt.Sprintf("%s draw more while stopping than while up", strings.Join(peaks, ", "))
		}
	}
	limit := Condition{"no-limit", p.Site.AtOnce == 0, "stops at once are not limited"}
	if !limit.Holds {
		limit.Text = fmt.Sprintf("stops_at_once limits them to %d, so that a quick stop may put off another", p.Site.AtOnce)
	}
	fit := Condition{"fits", fits, "the plan is safe at the low battery and the longest stops"}
	if !fits {
		fit.Text = "no plan is safe at the low battery and the longest stops"
	}
	return []Condition{m1, limit, fit}
}

// Within tells whether all that a run ended with is as the plan promises: no
// host cut, no promise broken, the last one off with time left.
func Within(run *Run, broken int) bool { return run.Cut == 0 && broken == 0 && run.InHand >= 0 }

// Answer of the core if the input failed now, by the policy alone.
func (c *Scene) fits() (fits bool, noReturn time.Duration) {
	s := c.ready().IfInputFailed()
	o, ok := s.Outlook()
	if !ok {
		return false, -1
	}
	return o.Plan.Fits, o.Plan.NoReturn
}

// Fits tells whether the plan of the core, if every input failed now, is safe at
// the bounds; and its point of no return.
func Fits(p *policy.Policy, day int64) (bool, time.Duration) {
	return (&Scene{Policy: p, Day: day}).fits()
}

// Each does n pieces of work on as many replayers as there are, and tells whether
// all were done. Who does which changes nothing.
type Each func(n int, what string, work func(r *Replayer, i int)) (whole bool)

// mostCorners bounds the combinations of quick and slow stops that are tried.
const mostCorners = 1024

// Proof is the worst case by construction.
type Proof struct {
	Conditions []Condition
	Proven     bool
	NoReturn   time.Duration
	InHand     time.Duration
	Cut        int  // hosts, in the one replay at the bounds
	Broken     int  // promises, in that one
	Corners    int  // replayed instead, where a condition on the room fails
	Failed     int  // of them
	Stopped    bool // before all were
}

// Prove replays the bounds: where its conditions hold, that one run proves the
// plan for every milder room. Elsewhere the corners are replayed.
func (r *Replayer) Prove(seed uint64, each Each) Proof {
	var p Proof
	fits, noReturn := Fits(r.p, r.day)
	p.Conditions, p.NoReturn = Conditions(r.p, fits), noReturn
	run, broken := r.Replay(Bounds(r.p, r.low), seed)
	p.InHand, p.Cut, p.Broken = run.InHand, run.Cut, len(broken)
	p.Proven = Within(run, len(broken))
	peaks := false
	for _, c := range p.Conditions {
		p.Proven = p.Proven && c.Holds
		peaks = peaks || !c.Holds && c.Name != "fits"
	}
	n := r.corners.Count(mostCorners)
	if !peaks || n > mostCorners {
		return p
	}
	bad := make([]bool, n)
	whole := each(n, "corners", func(w *Replayer, i int) {
		w.corners.Pick(i, w.pick)
		run, broken := w.Replay(w.corners.Room(w.pick), seed)
		bad[i] = !Within(run, len(broken))
	})
	if p.Stopped = !whole; whole {
		p.Corners = n
		for _, b := range bad {
			if b {
				p.Failed++
			}
		}
	}
	return p
}

// Verdict sums the evidence up; the words are in the JSON document.
type Verdict string

const (
	Proven Verdict = "proven" // for every room within the bounds
	Holds  Verdict = "holds"  // in all that was tried
	Fails  Verdict = "fails"
)

// Verdict is what the proof and the outages that failed come to.
func (p *Proof) Verdict(failed int) Verdict {
	switch {
	case failed > 0:
		return Fails
	case p.Proven:
		return Proven
	}
	return Holds
}
