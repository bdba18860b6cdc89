package simulate

import (
	"time"

	"ebbline/simulate/world"
)

// What random outages say of the chance that a host is cut. Most of them never come near
// it: the input is back before any battery could have run out. So a part of all is aimed:
// drawn until the room is within the bounds and the input is away for longer than a
// battery carries. How often that is so is known from the others, drawn at large.

// Kind is what an outage is beside its batteries. It is told from the draw alone, before
// any replay, and nothing that the core does changes it.
type Kind uint8

const (
	Carried      Kind = iota + 1 // no battery runs out, though nothing is ever stopped
	Outlasts                     // the input is away for longer than a battery carries all
	OutputFailed                 // a UPS's output fails; no plan holds what hangs on it
)

// Kind tells which an outage is. A battery carries the most that can hang on it, for all
// the time without input taken together: pauses and charging between only help.
func (j *Judge) Kind(o *Outage) Kind {
	kind := Carried
	for i := range o.UPSs {
		var away, lost time.Duration
		out, extra := false, 0.0
		for k := range o.Moments {
			m := &o.Moments[k]
			if m.UPS >= 0 && int(m.UPS) != i {
				continue
			}
			switch m.What {
			case world.InputLost:
				if !out {
					out, lost = true, m.At
				}
			case world.InputBack:
				if out {
					out, away = false, away+m.At-lost
				}
			case world.OutputFails:
				return OutputFailed
			case world.ExtraLoad:
				extra += max(0, m.Number)
			}
		}
		if out || away.Seconds() >= j.carries(o, i, extra) {
			kind = Outlasts
		}
	}
	return kind
}

// carries is how long, in seconds, a UPS's battery as it really is carries all that can
// hang on it.
func (j *Judge) carries(o *Outage, i int, watts float64) float64 {
	u, likely := &o.UPSs[i], &j.low[i].likely
	for l := range j.p.Loads {
		if p := &j.p.Loads[l]; feeds(p.FedBy, i) {
			watts += float64(p.Watts)
		}
	}
	for k := range j.p.Hosts {
		if h := &j.p.Hosts[k]; feeds(h.FedBy, i) {
			watts += float64(float64(max(h.Watts, h.StoppingWatts)) * o.Hosts[k].Draws)
		}
	}
	m := u.Model(likely)
	return m.Runtime(m.At(u.Charge), watts+float64(likely.OverheadWatts*u.Own))
}

const (
	// aimedEvery is of how many random outages one is aimed. A bound from those at large
	// is half as wide again for it, that on a host cut within the bounds a third as wide.
	aimedEvery = 3
	// mostDraws bounds the draws for an aimed outage. Some 1 in 10 is what is wanted.
	mostDraws = 200
)

// Sample draws the outage of a place among random ones; seed is the place's own. Of every
// three one is aimed (rejection sampling): it is of another seed, which is given. Where
// none is found, it is the one that it would have been at large.
func (d *Dice) Sample(place int, seed uint64, j *Judge, o *Outage) (its uint64, aimed bool) {
	draw := func(seed uint64) bool {
		d.Draw(seed, o)
		return Beyond(j.Tried(o)) == 0 && j.Kind(o) == Outlasts
	}
	return sample(place, seed, draw), Aimed(place)
}

// sample draws for a place, and gives the seed of what was drawn last; draw tells whether
// that is what is aimed at.
func sample(place int, seed uint64, draw func(seed uint64) bool) uint64 {
	for try := uint64(1); Aimed(place) && try <= mostDraws; try++ {
		if its := seed + try<<32; draw(its) {
			return its
		}
	}
	draw(seed)
	return seed
}

// Aimed tells whether the random outage of a place is aimed.
func Aimed(place int) bool { return place%aimedEvery == aimedEvery-1 }

// Tally counts replayed random outages, for the chance that a host is cut in a room
// within the bounds.
type Tally struct {
	Large     int // drawn at large, in rooms within the bounds
	LargeCut  int // of these, with a host cut
	LargeLast int // of these, of the kind [Outlasts]
	Tested    int // of that kind, those that were aimed with them
	TestedCut int
	Amiss     int // not of that kind, and a host was cut
}

// Add counts an outage in a room within the bounds.
func (t *Tally) Add(kind Kind, aimed, cut bool) {
	count := func(n *int, is bool) {
		if is {
			*n++
		}
	}
	last := kind == Outlasts
	count(&t.Large, !aimed)
	count(&t.LargeCut, !aimed && cut)
	count(&t.LargeLast, !aimed && last)
	count(&t.Tested, last)
	count(&t.TestedCut, last && cut)
	count(&t.Amiss, !last && cut)
}

// Weighed tells whether aimed outages count: any were tested, and no host was cut but
// where a battery was outlasted. Else the chance is that of the outages at large alone.
func (t *Tally) Weighed() bool { return t.Tested > t.LargeLast && t.LargeLast > 0 && t.Amiss == 0 }

// Likely estimates the chance. It is unbiased: how often a battery is outlasted is known
// from outages at large, how often a host is cut then from these and those aimed.
func (t *Tally) Likely() float64 {
	switch {
	case t.Large == 0:
		return 0
	case !t.Weighed():
		return float64(t.LargeCut) / float64(t.Large)
	}
	return float64(t.LargeLast) / float64(t.Large) * float64(t.TestedCut) / float64(t.Tested)
}

// ofWeight is the part of the error allowed that goes to how often a battery is
// outlasted.
const ofWeight = 0.2

// Bound bounds the chance at 95 %: it is the product of two, each bounded by the exact
// interval of Clopper and Pearson (1934), their errors added up (Bonferroni's inequality);
// so it covers at least as often, with however few outages. Where aimed outages do not
// count it is [Chance].
func (t *Tally) Bound() (low, high float64) {
	if !t.Weighed() {
		return Chance(t.LargeCut, t.Large)
	}
	side := 0.025
	if t.TestedCut == 0 {
		side = 0.05 // all on the one side that there is
	}
	least, most := binomial(t.LargeLast, t.Large, ofWeight*side)
	low, high = binomial(t.TestedCut, t.Tested, (1-ofWeight)*side)
	return least * low, most * high
}
