package simulate

import (
	"math"
	"time"

	"ebbline/policy"
	"ebbline/shutdown/battery"
	"ebbline/simulate/world"
)

// Space is independent draws with few outcomes each: small enough, every
// combination can be tried, and chances add up exactly.
type Space struct {
	Chances [][]float64 // by draw, by outcome; each draw's sum is 1
}

// Count is how many combinations there are; at most limit+1 are counted.
func (s *Space) Count(limit int) int {
	n := 1
	for _, c := range s.Chances {
		if n *= len(c); n > limit {
			return limit + 1
		}
	}
	return n
}

// Pick gives the combination of a number: each draw's outcome, and the chance
// of all together.
func (s *Space) Pick(number int, pick []int) (chance float64) {
	chance = 1
	for i := len(s.Chances) - 1; i >= 0; i-- {
		c := s.Chances[i]
		pick[i] = number % len(c)
		number /= len(c)
		chance *= c[pick[i]]
	}
	return chance
}

// Draw picks by chance.
func (s *Space) Draw(r *world.Random, pick []int) {
	for i, c := range s.Chances {
		x := r.Float()
		pick[i] = len(c) - 1
		for k := range c {
			if x < c[k] {
				pick[i] = k
				break
			}
			x -= c[k]
		}
	}
}

// Probability adds up the chance of all combinations that hold, in their order,
// so that it is the same bits whoever tried them.
func (s *Space) Probability(holds []bool) float64 {
	pick := make([]int, len(s.Chances))
	sum := 0.0
	for i, ok := range holds {
		if chance := s.Pick(i, pick); ok {
			sum += chance
		}
	}
	return sum
}

// Small is a site's space: how long each host takes to stop and how much each
// battery holds, in classes that each stand at their bad end. A host stops in
// its expected time with a chance of 0.5, in the time that 95 % keep with 0.45,
// and uses up its whole first allowance with 0.05; a battery holds what is
// believed likely with 0.5, its 5 % point with 0.45 and its 0.1 % point with 0.05.
type Small struct {
	Space
	p         *policy.Policy
	takes     [][]time.Duration // by host that stops
	hosts     []int
	batteries [][]battery.Model // by UPS
	room      *Outage
}

// z95 is the normal quantile of 95 %.
const z95 = 1.6449

// NewSmall makes the space of a policy.
func NewSmall(p *policy.Policy, day int64) (*Small, error) {
	s := &Small{p: p, room: lasting(p, "eight hours", 8*time.Hour)}
	classes := []float64{0.5, 0.45, 0.05}
	for k := range p.Hosts {
		h := &p.Hosts[k]
		if len(h.Methods) == 0 {
			continue
		}
		whole := max(time.Second, h.Methods[0].GivesUp-2*time.Second)
		most := time.Duration(float64(h.StopsIn) * math.Exp(float64(0.3*z95)))
		s.hosts = append(s.hosts, k)
		s.takes = append(s.takes, []time.Duration{min(h.StopsIn, whole), min(most, whole), whole})
		s.Chances = append(s.Chances, classes)
	}
	for i := range p.UPSs {
		b, err := battery.New(&p.UPSs[i], day)
		if err != nil {
			return nil, err
		}
		s.batteries = append(s.batteries, []battery.Model{b.Scaled(b.Likely), b.Scaled(b.LowAt(950)), b.Scaled(b.LowAt(999))})
		s.Chances = append(s.Chances, classes)
	}
	return s, nil
}

// Room is the outage of a combination; good until the next call.
func (s *Small) Room(pick []int) *Outage {
	for j, k := range s.hosts {
		s.room.Hosts[k].Takes = s.takes[j][pick[j]]
	}
	for i := range s.batteries {
		s.room.UPSs[i].Battery = s.batteries[i][pick[len(s.hosts)+i]]
	}
	return s.room
}

// Corners is what is tried where one replay proves nothing: the low batteries,
// and each host either quick (half its expected time) or at its whole first
// allowance, in every combination of a small site. It is no proof of what lies
// between.
type Corners struct {
	Space
	s    *Small
	room *Outage
}

// NewCorners makes the corners of a policy.
func NewCorners(p *policy.Policy, low []Low, day int64) (*Corners, error) {
	s, err := NewSmall(p, day)
	if err != nil {
		return nil, err
	}
	c := &Corners{s: s, room: Bounds(p, low)}
	for range s.hosts {
		c.Chances = append(c.Chances, []float64{0.5, 0.5})
	}
	return c, nil
}

// Room is the outage of a corner; good until the next call.
func (c *Corners) Room(pick []int) *Outage {
	for j, k := range c.s.hosts {
		c.room.Hosts[k].Takes = c.s.takes[j][2]
		if pick[j] == 0 {
			c.room.Hosts[k].Takes = max(time.Second, c.s.p.Hosts[k].StopsIn/2)
		}
	}
	return c.room
}

// MostExact bounds the combinations that are tried one by one.
const MostExact = 4096

// Exhaustive is what trying every combination gives.
type Exhaustive struct {
	Outcomes int     // 0: not tried
	TooMany  bool    // that is why
	Bad      float64 // chance that a host is cut or a promise broken
	InHand   time.Duration
}

// Exhaust replays every combination of stopping times and batteries, where the
// site is small enough.
func (r *Replayer) Exhaust(seed uint64, each Each) Exhaustive {
	n := r.small.Count(MostExact)
	if n > MostExact {
		return Exhaustive{TooMany: true}
	}
	bad := make([]bool, n)
	inHand := make([]time.Duration, n)
	whole := each(n, "combinations", func(w *Replayer, i int) {
		w.small.Pick(i, w.pick)
		run, broken := w.Replay(w.small.Room(w.pick), seed)
		bad[i], inHand[i] = run.Cut > 0 || len(broken) > 0, run.InHand
	})
	if !whole {
		return Exhaustive{}
	}
	x := Exhaustive{Outcomes: n, Bad: r.small.Probability(bad), InHand: Untested}
	for _, m := range inHand {
		x.InHand = min(x.InHand, m)
	}
	return x
}
