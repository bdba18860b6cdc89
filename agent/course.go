package agent

import (
	"sync"
	"time"

	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// Course is what a battery does from now on under the plan in force or, with input,
// if the input of every UPS failed now: the part of its store that is left, by each
// projection.
type Course struct {
	UPS               string
	From              time.Time
	Low, Likely, High []shutdown.Left
}

// courses keeps them: they cost a plan, and are followed anew only when they are old.
type courses struct {
	mu    sync.Mutex
	list  []Course
	until time.Duration
	of    *shutdown.State
}

// Courses follows the batteries for so long.
func (a *Agent) Courses(until time.Duration) []Course {
	a.mu.Lock()
	s := a.seen.Clone()
	a.mu.Unlock()
	if s.Policy == nil {
		return nil
	}
	k := &a.courses
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.of != nil && k.of.Policy == s.Policy && k.until == until && s.Now.Sub(k.of.Now) < ifLostFor && onBattery(k.of) == onBattery(s) {
		return k.list
	}
	k.list, k.until, k.of = nil, until, s
	if !onBattery(s) {
		s = a.lost.of(s)
	}
	o, ok := s.Outlook()
	if !ok {
		return nil
	}
	likely := o.With(s, func(b *battery.Belief) float64 { return b.Likely })
	high := o.With(s, func(b *battery.Belief) float64 { return b.High })
	step := max(time.Second, until/100)
	for j, i := range o.UPSs {
		c := Course{UPS: s.Policy.UPSs[i].Name, From: wall(o.At)}
		c.Low, _ = o.Curve(&o.Problem, j, step, until)
		c.Likely, _ = o.Curve(&likely, j, step, until)
		c.High, _ = o.Curve(&high, j, step, until)
		k.list = append(k.list, c)
	}
	return k.list
}
