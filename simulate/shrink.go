package simulate

import (
	"cmp"
	"math"
	"slices"
	"time"

	"ebbline/policy"
	"ebbline/simulate/world"
)

// mostTries bounds how many smaller outages are tried.
const mostTries = 1500

// Shrink makes a failing outage smaller, for as long as fails says that it
// still fails in the same way: what happens besides the loss of input is left
// out, hosts and batteries become as they are believed, the outage shorter, and
// figures round. It always tries the same, so that its answer is the same.
func Shrink(p *policy.Policy, o *Outage, fails func(*Outage) bool) *Outage {
	s := &shrinker{p: p, best: copyOf(o), fails: fails}
	for changed := true; changed && s.tries < mostTries; {
		changed = false
		for _, pass := range []func() bool{s.calm, s.leaveOut, s.merge, s.shorten, s.round} {
			changed = pass() || changed
		}
	}
	return s.best
}

type shrinker struct {
	p     *policy.Policy
	best  *Outage
	fails func(*Outage) bool
	tries int
}

func copyOf(o *Outage) *Outage {
	c := *o
	c.Moments = append([]world.Moment(nil), o.Moments...)
	c.UPSs = append([]world.UPSTruth(nil), o.UPSs...)
	c.Hosts = append([]world.HostTruth(nil), o.Hosts...)
	c.Drawn = 0
	return &c
}

// try keeps a change if the outage still fails.
func (s *shrinker) try(change func(o *Outage)) bool {
	if s.tries++; s.tries > mostTries {
		return false
	}
	c := copyOf(s.best)
	change(c)
	ordered := slices.IsSortedFunc(c.Moments, func(a, b world.Moment) int { return cmp.Compare(a.At, b.At) })
	if !ordered || !s.fails(c) { // another order is another story
		return false
	}
	s.best = c
	return true
}

// leaveOut drops moments, the later ones first: a loss of input goes with its
// end.
func (s *shrinker) leaveOut() bool {
	changed := false
	for j := len(s.best.Moments) - 1; j >= 0; j-- {
		if j >= len(s.best.Moments) {
			continue
		}
		pair := -1
		switch m := s.best.Moments[j]; m.What {
		case world.InputBack:
			continue // with its loss
		case world.InputLost:
			for i := j + 1; i < len(s.best.Moments); i++ {
				if b := &s.best.Moments[i]; b.What == world.InputBack && b.UPS == m.UPS {
					pair = i
					break
				}
			}
		}
		changed = s.try(func(o *Outage) {
			if pair >= 0 {
				o.Moments = append(o.Moments[:pair], o.Moments[pair+1:]...)
			}
			o.Moments = append(o.Moments[:j], o.Moments[j+1:]...)
		}) || changed
	}
	return changed
}

// calm makes hosts, batteries and answers as they are believed.
func (s *shrinker) calm() bool {
	usual := Likely(s.p)
	changed := false
	back := func(is bool, change func(o *Outage)) {
		if !is {
			changed = s.try(change) || changed
		}
	}
	back(slices.Equal(s.best.Hosts, usual.Hosts), func(o *Outage) { copy(o.Hosts, usual.Hosts) }) // all at once, if that does
	back(slices.Equal(s.best.UPSs, usual.UPSs), func(o *Outage) { copy(o.UPSs, usual.UPSs) })
	back(s.best.Loss == 0, func(o *Outage) { o.Loss = 0 })
	back(s.best.Late == 0, func(o *Outage) { o.Late = 0 })
	for i := range usual.UPSs {
		was, is := usual.UPSs[i], s.best.UPSs[i]
		back(is == was, func(o *Outage) { o.UPSs[i] = was })
		is = s.best.UPSs[i]
		back(is.Battery == was.Battery, func(o *Outage) { o.UPSs[i].Battery = was.Battery })
		back(is.Holds == was.Holds, func(o *Outage) { o.UPSs[i].Holds = was.Holds })
		back(is.Charge == was.Charge, func(o *Outage) { o.UPSs[i].Charge = was.Charge })
		back(is.Optimism == was.Optimism, func(o *Outage) { o.UPSs[i].Optimism = was.Optimism })
		back(is.ClaimsFull == was.ClaimsFull, func(o *Outage) { o.UPSs[i].ClaimsFull = was.ClaimsFull })
		back(is.Own == was.Own, func(o *Outage) { o.UPSs[i].Own = was.Own })
		back(is.LowAt == was.LowAt, func(o *Outage) { o.UPSs[i].LowAt = was.LowAt })
	}
	for k := range usual.Hosts {
		was, is := usual.Hosts[k], s.best.Hosts[k]
		back(is == was, func(o *Outage) { o.Hosts[k] = was })
		is = s.best.Hosts[k]
		back(is.Mode == was.Mode, func(o *Outage) { o.Hosts[k].Mode = was.Mode })
		back(is.Takes == was.Takes, func(o *Outage) { o.Hosts[k].Takes = was.Takes })
		back(is.Starts == was.Starts, func(o *Outage) { o.Hosts[k].Starts = was.Starts })
		back(is.Draws == was.Draws, func(o *Outage) { o.Hosts[k].Draws = was.Draws })
	}
	return changed
}

// merge makes two interruptions one.
func (s *shrinker) merge() bool {
	changed := false
	for j := 0; j+1 < len(s.best.Moments); j++ {
		a, b := s.best.Moments[j], s.best.Moments[j+1]
		if a.What == world.InputBack && b.What == world.InputLost && a.UPS == b.UPS {
			changed = s.try(func(o *Outage) { o.Moments = append(o.Moments[:j], o.Moments[j+2:]...) }) || changed
		}
	}
	return changed
}

// nice are durations that a person remembers, shortest first.
var nice = []time.Duration{
	0, time.Second, 5 * time.Second, 10 * time.Second, 30 * time.Second, time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute,
	15 * time.Minute, 20 * time.Minute, 30 * time.Minute, 45 * time.Minute, time.Hour, 90 * time.Minute, 2 * time.Hour, 3 * time.Hour,
	4 * time.Hour, 6 * time.Hour, 8 * time.Hour, 12 * time.Hour, 24 * time.Hour,
}

// shorten takes the shortest nice span between one moment and the next with
// which the outage still fails, and does the same with what lasts.
func (s *shrinker) shorten() bool {
	changed := false
	for j := range s.best.Moments {
		var before time.Duration
		if j > 0 {
			before = s.best.Moments[j-1].At
		}
		gap := s.best.Moments[j].At - before
		for _, d := range nice {
			if d >= gap {
				break
			}
			if d == 0 && j > 0 {
				continue
			}
			if s.try(func(o *Outage) {
				for i := j; i < len(o.Moments); i++ {
					o.Moments[i].At -= gap - d
				}
			}) {
				changed = true
				break
			}
		}
		for _, d := range nice[1:] {
			if d >= s.best.Moments[j].For {
				break
			}
			if s.try(func(o *Outage) { o.Moments[j].For = d }) {
				changed = true
				break
			}
		}
	}
	return changed
}

// round makes the figures that are left round, as coarse as they can be. One
// that is as believed stays.
func (s *shrinker) round() bool {
	usual := Likely(s.p)
	changed := false
	span := func(field func(*Outage) *time.Duration, usual time.Duration) {
		changed = s.span(field, usual) || changed
	}
	figure := func(field func(*Outage) *float64, usual float64, units ...float64) {
		changed = s.figure(field, usual, units) || changed
	}
	for j := range s.best.Moments {
		span(func(o *Outage) *time.Duration { return &o.Moments[j].At }, 0)
		span(func(o *Outage) *time.Duration { return &o.Moments[j].For }, 0)
		figure(func(o *Outage) *float64 { return &o.Moments[j].Number }, 0, 100, 50, 10, 1)
	}
	for i, u := range usual.UPSs {
		span(func(o *Outage) *time.Duration { return &o.UPSs[i].LowAt }, u.LowAt)
		figure(func(o *Outage) *float64 { return &o.UPSs[i].Holds }, u.Holds, 0.10, 0.05, 0.01)
		figure(func(o *Outage) *float64 { return &o.UPSs[i].Charge }, u.Charge, 0.10, 0.05, 0.01)
		figure(func(o *Outage) *float64 { return &o.UPSs[i].Own }, u.Own, 0.5, 0.10, 0.05, 0.01)
		figure(func(o *Outage) *float64 { return &o.UPSs[i].Optimism }, u.Optimism, 1, 0.5, 0.1)
	}
	for k, h := range usual.Hosts {
		span(func(o *Outage) *time.Duration { return &o.Hosts[k].Takes }, h.Takes)
		span(func(o *Outage) *time.Duration { return &o.Hosts[k].Starts }, h.Starts)
		figure(func(o *Outage) *float64 { return &o.Hosts[k].Draws }, h.Draws, 0.10, 0.05, 0.01)
	}
	figure(func(o *Outage) *float64 { return &o.Loss }, 0, 0.10, 0.05, 0.01)
	figure(func(o *Outage) *float64 { return &o.Late }, 0, 0.10, 0.05, 0.01)
	return changed
}

// span rounds one duration, up or down, by at most half of it.
func (s *shrinker) span(field func(*Outage) *time.Duration, usual time.Duration) bool {
	for _, unit := range []time.Duration{time.Hour, 10 * time.Minute, time.Minute, 10 * time.Second, time.Second} {
		is := *field(s.best)
		if is == usual || is%unit == 0 {
			return false
		}
		for _, to := range []time.Duration{is.Truncate(unit), is.Truncate(unit) + unit} {
			if to >= is/2 && to <= is+is/2 && s.try(func(o *Outage) { *field(o) = to }) {
				return true
			}
		}
	}
	return false
}

// figure rounds one number, up or down.
func (s *shrinker) figure(field func(*Outage) *float64, usual float64, units []float64) bool {
	for _, unit := range units {
		is := *field(s.best)
		near := math.Round(is/unit) / math.Round(1/unit)
		if unit >= 1 {
			near = math.Round(is/unit) * unit
		}
		if is == usual || is == near {
			return false
		}
		if math.Abs(is-near) < 1e-9 {
			return s.try(func(o *Outage) { *field(o) = near })
		}
		for _, to := range []float64{math.Floor(is/unit) * unit, math.Ceil(is/unit) * unit} {
			if to > 0 && s.try(func(o *Outage) { *field(o) = to }) {
				return true
			}
		}
	}
	return false
}
