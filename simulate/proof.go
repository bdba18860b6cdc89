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
func Within(run *Run, broken int) bool { return run.Cut == 0 && broken == 0 && run.Margin >= 0 }

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
