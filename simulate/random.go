package simulate

import (
	"math"
	"time"

	"ebbline/policy"
	"ebbline/shutdown/battery"
	"ebbline/simulate/world"
)

// Dice draws rooms and outages: how long the input is away, how good the
// batteries really are, how long hosts really take, and what goes wrong. Faults
// are denser than in life. One seed gives one outage, whoever draws it.
type Dice struct {
	p     *policy.Policy
	sigma []float64 // of ln(store), by UPS
	r     world.Random
}

// NewDice readies the dice for a policy.
func NewDice(p *policy.Policy, day int64) (*Dice, error) {
	d := &Dice{p: p}
	for i := range p.UPSs {
		b, err := battery.New(&p.UPSs[i], day)
		if err != nil {
			return nil, err
		}
		// The low factor is the 5 % point of the belief.
		d.sigma = append(d.sigma, math.Log(b.Likely/b.Low)/1.645)
	}
	return d, nil
}

// Draw makes the outage of a seed, in o's memory.
func (d *Dice) Draw(seed uint64, o *Outage) {
	d.r = world.NewRandom(seed)
	o.Moments, o.UPSs, o.Hosts, o.Loss = o.Moments[:0], o.UPSs[:0], o.Hosts[:0], 0
	for i := range d.p.UPSs {
		u := world.UPSTruth{Holds: math.Exp(d.sigma[i] * d.normal()), Charge: 1, Optimism: 1, LowAt: usualLow}
		if d.chance(0.2) {
			u.Optimism = 1 + float64(3*d.r.Float())
		}
		u.ClaimsFull = d.chance(0.03)
		o.UPSs = append(o.UPSs, u)
	}
	for k := range d.p.Hosts {
		o.Hosts = append(o.Hosts, d.host(&d.p.Hosts[k]))
	}
	if d.chance(0.1) {
		o.Loss = 0.2 * d.r.Float()
	}
	end := d.input(o)
	d.faults(o, end)
	sortMoments(o.Moments)
}

func (d *Dice) host(h *policy.Host) world.HostTruth {
	t := world.HostTruth{Mode: world.Obeys, Starts: h.StartsIn}
	t.Takes = time.Duration(float64(h.StopsIn) * min(4, math.Exp(float64(0.3*d.normal()))))
	t.Starts = time.Duration(float64(h.StartsIn) * min(2, math.Exp(float64(0.2*d.normal()))))
	t.Draws = 1 + float64(0.05*d.normal())
	switch x := d.r.Float(); {
	case x < 0.010:
		t.Mode = world.Hangs
	case x < 0.015:
		t.Mode = world.Freezes
	case x < 0.025:
		t.Mode = world.Refuses
	case x < 0.030:
		t.Mode = world.Unreachable
	case x < 0.080:
		t.Mode = world.CutsLink
	case x < 0.090 && !h.Self:
		t.Mode = world.WasOff
	}
	if h.Self {
		t.Mode = world.Obeys
	}
	return t
}

// input draws when the input is lost and back: a blink, a reclosing sequence
// that ends in one of its shots or in a lockout, or one long loss; and now and
// then a second one soon after.
func (d *Dice) input(o *Outage) time.Duration {
	t := d.interruption(o, 0)
	if d.chance(0.15) {
		t = d.interruption(o, t+d.span(10*time.Second, 3*time.Hour))
	}
	return t
}

func (d *Dice) interruption(o *Outage, t time.Duration) time.Duration {
	ups := int32(-1)
	if len(d.p.UPSs) > 1 && d.chance(0.15) {
		ups = int32(d.r.Float() * float64(len(d.p.UPSs)))
	}
	lose := func(at, length time.Duration) time.Duration {
		o.Moments = append(o.Moments, world.Moment{At: at, What: world.InputLost, UPS: ups}, world.Moment{At: at + length, What: world.InputBack, UPS: ups})
		return at + length
	}
	switch x := d.r.Float(); {
	case x < 0.25:
		return lose(t, d.span(200*time.Millisecond, d.p.Site.RideThrough+30*time.Second))
	case x < 0.45:
		// Three reclosing shots with 0.5, 15 and 45 s open (a recloser's manual),
		// then locked out until somebody comes.
		for _, open := range []time.Duration{500 * time.Millisecond, 15 * time.Second, 45 * time.Second} {
			t = lose(t, open)
			if d.chance(0.4) {
				return t
			}
			t += 150 * time.Millisecond
		}
		return lose(t, d.span(10*time.Minute, 8*time.Hour))
	}
	return lose(t, d.span(30*time.Second, 8*time.Hour))
}

// faults draws what else goes wrong.
func (d *Dice) faults(o *Outage, end time.Duration) {
	soon := func() time.Duration { return d.span(time.Second, min(end+time.Second, time.Hour)) }
	ups := func() int32 { return int32(d.r.Float() * float64(len(d.p.UPSs))) }
	add := func(m world.Moment) { o.Moments = append(o.Moments, m) }
	if d.chance(0.10) {
		add(world.Moment{At: soon(), What: world.Mute, UPS: ups(), For: d.span(3*time.Second, 20*time.Minute)})
	}
	if d.chance(0.10) {
		add(world.Moment{At: soon(), What: world.OddReading, UPS: ups()})
	}
	if d.chance(0.10) {
		add(world.Moment{At: soon(), What: world.OddGood, UPS: ups()})
	}
	if d.chance(0.05) {
		add(world.Moment{At: end + d.span(time.Second, time.Hour), What: world.Tests, UPS: ups(), For: d.span(5*time.Second, 10*time.Minute)})
	}
	if d.chance(0.10) {
		add(world.Moment{At: soon(), What: world.AgentKilled, UPS: -1, For: d.span(time.Second, 5*time.Minute)})
	}
	if n := len(d.p.Loads); n > 0 && d.chance(0.03) {
		add(world.Moment{At: soon(), What: world.PathDies, UPS: -1, Load: int32(d.r.Float() * float64(n))})
	}
	if d.chance(0.02) {
		add(world.Moment{At: soon(), What: world.OutputFails, UPS: ups()})
	}
}

func (d *Dice) chance(p float64) bool { return d.r.Float() < p }

// normal draws from the standard normal distribution (Box and Muller 1958).
func (d *Dice) normal() float64 {
	u := 1 - d.r.Float()
	return math.Sqrt(-2*math.Log(u)) * math.Cos(2*math.Pi*d.r.Float())
}

// span draws a duration whose logarithm is evenly spread.
func (d *Dice) span(from, to time.Duration) time.Duration {
	if to <= from {
		return from
	}
	x := math.Exp(math.Log(float64(from)) + float64(d.r.Float()*(math.Log(float64(to))-math.Log(float64(from)))))
	return time.Duration(x).Round(10 * time.Millisecond)
}

// sortMoments puts moments in the order of their times, those of one time in
// the order drawn. Scripts are short: an insertion sort, which allocates
// nothing.
func sortMoments(m []world.Moment) {
	for i := 1; i < len(m); i++ {
		for j := i; j > 0 && m[j].At < m[j-1].At; j-- {
			m[j], m[j-1] = m[j-1], m[j]
		}
	}
}
