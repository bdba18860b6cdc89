package simulate

import (
	"math"

	"ebbline/policy"
	"ebbline/shutdown/battery"
	"ebbline/simulate/world"
)

// The batteries that dice put into a room. They are drawn from published blocks, by what
// the policy says of the battery, and never from what the core believes of it: a belief
// that is too narrow, or too hopeful, must show.

// block is how a published lead-acid block loses, in minutes, and what it gives in 20 hours
// over its label, ended as UPSs end (testdata/battery; checked against it by test).
type block struct {
	of                      string
	ohmic, diffusion, rated float64
}

var blocks = [...]block{
	{"vrla-7.8a", 6.5, 48, 0.97}, {"vrla-1.3g", 9.5, 38, 0.94}, {"vrla-7.5b", 9.5, 85, 0.96}, {"vrla-4.5d", 9.5, 52, 1.03},
	{"vrla-40e", 12.5, 69, 1.20}, {"vrla-115c", 13, 78, 1.05}, {"vrla-165j5", 17.5, 65, 1.02}, {"vrla-103j8", 22, 43, 1.00},
	{"vrla-67.4j9", 31, 103, 1.10}, {"vrla-7j11", 15.3, 97, 1.03}, {"vrla-17j15", 24, 117, 1.11},
	{"vrla-190j1", 17.5, 36, 1.06}, {"vrla-90j3", 14.6, 62, 1.13},
}

const (
	relaxes    = 90 * 60 // seconds
	candidates = 4096    // of which a chart leaves some 200 to 500 that count

	// One standard deviation of a logarithm (engineering values, no source, but that of
	// a copy, by which three measured blocks and the acceptance limit of 90 % are
	// bracketed).
	ofLosses     = 0.15 // a battery's losses about its block's
	ofCopy       = 0.08 // its store about its maker's figures
	ofEfficiency = 0.06 // where it is not stated: 0.85 is usual
	ofLife       = 0.15 // the years in which it fades to 80 %
	ofFit        = 0.03 // a point of a chart: published ones 2.0 % about their fits, 0.5 to 3.4 % by table
	ofLabel      = 0.07 // the label beside a chart: as published blocks differ in that
	ofModel      = 0.07 // the store of a fitted model, and twice that its losses
	ofOwnDraw    = 0.7  // the UPS's own draw, where it is not stated
)

// drawn is a battery that a UPS may have, and what the UPS draws itself.
type drawn struct {
	battery.Model
	own  float64 // over what the core believes likely
	upTo float64 // the chance of it and of those before it
}

// batteries gives those that the policy's words on a UPS leave, each as probable as its
// figures make it.
func (d *Dice) batteries(u *policy.UPS, b *battery.Belief, day int64) []drawn {
	list := make([]drawn, candidates)
	sum := 0.0
	for i := range list {
		c := &list[i]
		own := float64(u.OverheadWatts)
		if !u.OverheadSet {
			own *= min(4, math.Exp(float64(ofOwnDraw*d.normal())))
		}
		since, weight := u.Battery.InstalledDay, 1.0
		switch m := u.Battery.Model; {
		case m != nil:
			c.Model = battery.Model{
				Energy: float64(m.StoreWattHours*3600) * d.about(ofModel),
				Ohmic:  m.Ohmic.Seconds() * d.about(2*ofModel), Diffusion: m.Diffusion.Seconds() * d.about(2*ofModel), Relaxation: m.Relaxation.Seconds(),
			}
			if m.Likely > 0 {
				c.Energy *= m.Likely
			}
			since = m.FittedDay
		default:
			c.Model = d.kernel(&u.Battery, b)
			label := d.label(u, &c.Model)
			c.Energy = label
			if len(u.Battery.Chart) > 0 {
				weight = charted(u.Battery.Chart, &c.Model, own)
				if label > 0 {
					off := math.Log(c.Energy/label) / ofLabel
					weight *= math.Exp(-float64(off*off) / 2)
				}
			}
			c.Energy *= d.about(ofCopy)
		}
		c.Energy *= d.aged(u, since, day)
		if c.own = 1; b.OverheadWatts > 0 {
			c.own = max(0.25, min(4, own/b.OverheadWatts))
		}
		sum += weight
		c.upTo = sum
	}
	for i := range list {
		list[i].upTo /= sum
	}
	return list
}

// kernel draws a battery's losses.
func (d *Dice) kernel(p *policy.Battery, b *battery.Belief) battery.Model {
	if p.Chemistry == policy.LFP {
		return battery.Model{Ohmic: 1.35 * 60 * d.about(2*ofLosses)}
	}
	k := &blocks[int(d.r.Float()*float64(len(blocks)))]
	m := battery.Model{Ohmic: 60 * k.ohmic * d.about(ofLosses), Diffusion: 60 * k.diffusion * d.about(ofLosses), Relaxation: relaxes}
	m.Energy = k.rated
	return m
}

// label is the store by the rated figures; 0 where there are none.
func (d *Dice) label(u *policy.UPS, m *battery.Model) float64 {
	const hours20 = 20 * 3600
	efficiency := float64(u.EfficiencyPermille) / 1000
	if efficiency <= 0 {
		efficiency = min(1, 0.85*d.about(ofEfficiency))
	}
	part := m.Energy
	if u.Battery.Chemistry == policy.LFP {
		part = 0.95 * d.about(ofCopy/2)
	}
	return u.Battery.Volts * u.Battery.AmpHours * 3600 * efficiency * part * m.Phi(hours20) / hours20
}

// charted gives a kernel the store by which it meets a chart best, and says how well.
func charted(chart []policy.ChartPoint, m *battery.Model, own float64) float64 {
	mean, squares := 0.0, 0.0
	for _, p := range chart {
		mean += math.Log((float64(p.Watts)+own)*m.Phi(p.Runtime.Seconds())) / float64(len(chart))
	}
	for _, p := range chart {
		off := (math.Log((float64(p.Watts)+own)*m.Phi(p.Runtime.Seconds())) - mean) / ofFit
		squares += float64(off * off)
	}
	m.Energy = math.Exp(mean)
	return math.Exp(-squares/2) + 1e-9
}

// aged draws what age and temperature leave: a block of five years' design comes down to
// 80 % in 3.5 years as a rule (service pages); one of unknown age is anything up to its
// design life, in a room of 18 to 28 °C where that is not known (no source).
func (d *Dice) aged(u *policy.UPS, since, day int64) float64 {
	p := &u.Battery
	design := designYears(p)
	years := math.Max(0, float64(day-since)/365.25)
	if since == 0 {
		years = design * d.r.Float()
		if p.Model != nil {
			years = 0 // as it was fitted, whenever that was
		}
	}
	t := 18 + float64(10*d.r.Float())
	if p.TemperatureSet {
		t = p.TemperatureC
	}
	years *= math.Exp2(max(0, t-25) / 10)
	left := max(0.3, 1-0.2*years/(0.7*design*d.about(ofLife)))
	return left * battery.TemperatureFactor(p.Chemistry, t)
}

func designYears(p *policy.Battery) float64 {
	switch {
	case p.DesignYears > 0:
		return float64(p.DesignYears)
	case p.Chemistry == policy.LFP:
		return 10
	}
	return 5
}

// about draws a factor about one.
func (d *Dice) about(spread float64) float64 { return math.Exp(float64(spread * d.normal())) }

// pick chooses one.
func (d *Dice) pick(i int) *drawn {
	list := d.cells[i]
	x, low, high := d.r.Float(), 0, len(list)-1
	for low < high {
		if mid := (low + high) / 2; list[mid].upTo < x {
			low = mid + 1
		} else {
			high = mid
		}
	}
	return &list[low]
}

// Low is the battery of one UPS that a plan must bear: the low projection's.
type Low struct {
	Battery battery.Model
	Own     float64 // the UPS's own draw that it counts on, over what is believed likely
	likely  battery.Belief
	peak    float64 // the most that it carries, its own draw with it, in watts
}

// bears tells whether the room's battery carries whatever the low one does.
func (l *Low) bears(t *world.UPSTruth) bool {
	return t.Own <= l.Own && l.above(t, l.Battery, l.Own)
}

// asLikely tells the same beside the battery that is believed likely.
func (l *Low) asLikely(t *world.UPSTruth) bool {
	return l.above(t, l.likely.Scaled(l.likely.Likely), t.Own)
}

// above tells whether the room's battery carries at least what another does, for as long, at
// every load from the most that hangs on the UPS down to nothing but its own draw: however
// much of it that takes until then, a load that was carried on the way is, too. A thousandth
// is what a file rounds.
func (l *Low) above(t *world.UPSTruth, m battery.Model, own float64) bool {
	is := t.Model(&l.likely)
	its, other := l.likely.OverheadWatts*t.Own, l.likely.OverheadWatts*own
	least := math.Inf(1)
	for s := max(30, m.Runtime(battery.Charge{}, l.peak)); s < 1e7; s *= 1.5 {
		gives, needs := is.Energy/is.Phi(s), m.Energy/m.Phi(s)
		if needs <= other {
			break
		}
		if least = min(least, gives/needs); least*(1-its/gives) < 0.999*(1-other/needs) {
			return false
		}
	}
	return true
}

// LowParts gives, for each UPS, what the low projection counts on at the policy's
// confidence.
func LowParts(p *policy.Policy, day int64) (low []Low, err error) {
	for i := range p.UPSs {
		b, err := battery.New(&p.UPSs[i], day)
		if err != nil {
			return nil, err
		}
		l := Low{Battery: b.Scaled(b.LowAt(p.Site.ConfidencePermille)), Own: 1, likely: b, peak: b.OwnAt(p.Site.ConfidencePermille)}
		if b.OverheadWatts > 0 {
			l.Own = b.OwnAt(p.Site.ConfidencePermille) / b.OverheadWatts
		}
		for k := range p.Loads {
			if q := &p.Loads[k]; feeds(q.FedBy, i) {
				l.peak += float64(q.Watts)
			}
		}
		for k := range p.Hosts {
			if h := &p.Hosts[k]; feeds(h.FedBy, i) {
				l.peak += float64(max(h.Watts, h.StoppingWatts))
			}
		}
		low = append(low, l)
	}
	return low, nil
}
