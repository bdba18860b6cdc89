package battery

import (
	"math"

	"ebbline/policy"
)

// candidate is a kernel that a battery may have, with a store of 1, and how common
// those like it are.
type candidate struct {
	Model
	rated           float64 // as in shape
	part            float64
	losses, balance float64 // spreads about it
}

// shape is how a battery loses at high rates, and what it gives at its rating:
// the fit of one published block between 3 min and 10 h, ended as UPSs end
// (testdata/battery/README.md). Batteries differ in this more than in anything
// else that a label does not say.
type shape struct {
	kind, of         string  // of what, and the tables that it was fitted to
	ohmic, diffusion float64 // minutes
	rated            float64 // energy given in 20 hours, over that on its label
	one              float64 // counts as so much of one battery
}

// shapes are the published blocks, as ended at [usualEnd].
var shapes = []shape{
	{"high rate", "vrla-7.8a", 6.7, 49, 0.98, 0.5},
	{"high rate", "vrla-1.3g", 9.5, 38, 0.96, 0.5},
	{"high rate", "vrla-7.5b", 9.5, 84, 0.96, 1},
	{"high rate", "vrla-4.5d", 9.5, 53, 1.02, 1},
	{"high rate", "vrla-40e", 12.3, 69, 1.18, 1},
	{"general purpose", "vrla-67.4j9", 30, 103, 1.08, 1},
	{"general purpose", "vrla-7j11 vrla-17.5j12", 15, 98, 1.02, 1},
	{"general purpose", "vrla-17j15", 23.5, 117, 1.06, 1},
	{"deep cycle", "vrla-115c", 13.3, 79, 1.05, 1},
	{"deep cycle", "vrla-103j8", 21.7, 43, 1.00, 1},
	{"front terminal", "vrla-165j5", 17.5, 65, 1.02, 1},
	{"pure lead", "vrla-190j1", 17.5, 36, 1.06, 1},
	{"pure lead", "vrla-90j3", 14.6, 61, 1.13, 1},
	{"pure lead", "vrla-8p10", 6, 28, 1.00, 1},
	{"another", "", 25, 85, 1.03, 1}, // what none of these is like: as weak as the weakest (no source)
}

// kind is a kind of battery and how common it is.
type kind struct {
	name string
	part float64
}

// common is how much of the batteries in UPSs are of a kind (common practice, no
// source): small UPSs hold high-rate or general-purpose blocks of 7 to 9 Ah, large
// ones high-rate, front-terminal or pure-lead ones, and deep-cycle ones where
// somebody took what there was.
var common = []kind{
	{"high rate", 0.40}, {"general purpose", 0.25}, {"deep cycle", 0.10}, {"front terminal", 0.10}, {"pure lead", 0.10}, {"another", 0.05},
}

const (
	usualEnd    = 1.68 // V per lead-acid cell, at which UPSs end and the shapes are given
	relaxation  = 90 * 60
	within      = 0.15 // both losses of a battery, about those of the shape it is like
	ofTheTwo    = 0.12 // half of ohmic over diffusion loss, likewise
	labelSpread = 0.05 // what a block gives in 20 hours, about its label
	lossySpread = 0.06 // the UPS's efficiency, where it is not stated: 0.85 to 0.95 were read
	copySpread  = 0.08 // this battery, when new, about its maker's figures
	lfpLabel    = 0.04 // what a LiFePO4 pack gives, about its label, and a copy of it: 90 % in 95 of 100 together
	lfpCopy     = 0.045

	// What a LiFePO4 pack loses, in minutes, by where its management cuts off, which no
	// label says: at 2.5 V per cell or, as one in ten may (no source), at 2.8. There the
	// one cell measured gave 2 to 5 % less up to 3 C, 28 % less at 5 C and nothing at 7 C.
	lfpOhmic     = 1.35
	lfpOhmicHigh = 4.5
)

// part is one of the kernels that a battery may have, and how probable it is
// that the battery is like it.
type part struct {
	weight    float64
	model     Model   // the most probable of those like it
	own       float64 // watts that the UPS draws itself
	equations equations
}

// spread of kernels: what is believed of a battery before it is settled to two.
type kernels struct {
	parts  []part
	beside float64 // spread of the store that no figure settles: this copy of the battery
}

// shapes gives the kernels that a battery may have before anything is measured. A UPS goes
// on to a lower voltage at a high load than at a low one (common practice, no source), so
// its chart is straighter than a table of its battery to one end voltage. What draws nothing
// itself is no UPS but a bare battery, as in such a table; and with the rated figures beside,
// it was not measured.
func (b *Belief) shapes(u *policy.UPS) (list []candidate) {
	p := &u.Battery
	if b.Chemistry == policy.LFP {
		cutAt := func(ohmic, part float64) candidate { // minutes
			return candidate{Model{Ohmic: ohmic * 60}, ratedLFP / (1 + ohmic/1200), part, within, ofTheTwo}
		}
		return []candidate{cutAt(lfpOhmic, 0.9), cutAt(lfpOhmicHigh, 0.1)}
	}
	if len(p.Chart) > 0 && b.OverheadWatts > 0 && p.EndVolts == 0 && rated(u) == 0 {
		return []candidate{{Model{Ohmic: 7.5 * 60, Diffusion: 40 * 60, Relaxation: 40 * 60}, 1, 1, .5, 0.15}}
	}
	for _, k := range common {
		of := 0.0
		for _, s := range shapes {
			if s.kind == k.name {
				of += s.one
			}
		}
		for _, s := range shapes {
			if s.kind != k.name {
				continue
			}
			m := Model{Ohmic: s.ohmic * 60, Diffusion: s.diffusion * 60, Relaxation: relaxation}
			if p.EndVolts > 0 {
				m.Ohmic = float64(m.Ohmic * exp(math.Ln2*(p.EndVolts-usualEnd)/0.25))
			}
			list = append(list, candidate{m, s.rated, k.part * s.one / of, within, ofTheTwo})
		}
	}
	return list
}

// like fits every shape to what is known, and weighs them by how well that goes
// (the Laplace approximation of the evidence).
func (f *fitting) like(list []candidate) []part {
	out := make([]part, len(list))
	best := math.Inf(-1)
	figure := f.rated
	for i, c := range list {
		f.usual, f.rated, f.spread, f.balance = c.Model, float64(figure*c.rated), c.losses, c.balance
		x := f.solve()
		open := *f
		if f.own == settled {
			open.own = sought // it may differ, which goes with the losses that a chart then shows
		}
		q := open.equations(x)
		out[i] = part{ln(c.part/(c.losses*c.balance)) - float64(0.5*(q.cost+q.lnDet())), f.model(x), float64(f.overhead * exp(x[ownDraw])), q}
		best = max(best, out[i].weight)
	}
	sum := 0.0
	for i := range out {
		out[i].weight = expNeg(best - out[i].weight)
		sum += out[i].weight
	}
	for i := range out {
		out[i].weight /= sum
	}
	return out
}

// The times at which a belief is looked at, in seconds. The longest stands for a load so light
// that nothing is lost: after a heavy load, too, the low battery must not give back more than
// is sure.
var (
	times = [...]float64{2 * 60, 3 * 60, 5 * 60, 7 * 60, 10 * 60, 15 * 60, 20 * 60, 30 * 60, 45 * 60, 3600, 90 * 60, 2 * 3600, 4 * 3600, 10 * 3600, 20 * 3600, 1000 * 3600}
	// weights is what a part of power counts there, when one kernel stands for many
	heed = [...]float64{0.2, 0.5, 1, 1, 1, 1, 1, 1, 1, 1, 0.7, 0.5, 0.2, 0.1, 0.1, 0.3}
)

// reference is the time at whose power the factors on a store count, in seconds.
const reference = 30 * 60

// about is how far the battery may be from one kernel: the covariance of the unknowns,
// of those like each shape and from one shape to another. The own draw is about the watts.
func (k *kernels) about(m *Model, own float64) (out [4]unknowns) {
	for i := range k.parts {
		p := &k.parts[i]
		ohmic, diffusion := ln(p.model.Ohmic/m.Ohmic), 0.0
		if diffusion = ohmic; m.Diffusion > 0 {
			diffusion = ln(p.model.Diffusion / m.Diffusion)
		}
		off := unknowns{energy: ln(p.model.Energy / m.Energy), losses: (ohmic + diffusion) / 2, balance: (ohmic - diffusion) / 2}
		if own > 0 {
			off[ownDraw] = ln(p.own / own)
		}
		of := p.equations.inverse()
		for a := range out {
			for b := range out {
				out[a][b] += float64(p.weight * (of[a][b] + float64(off[a]*off[b])))
			}
		}
	}
	return out
}

// curve is the logarithm of the power that lasts as long as [times] say, with a
// chance.
type curve [len(times)]float64

// powers gives the curves below which the power lies with each of the chances.
func (k *kernels) powers(chances ...float64) []curve {
	out := make([]curve, len(chances))
	mean, wide := make([]float64, len(k.parts)), make([]float64, len(k.parts))
	for i, t := range times {
		for j := range k.parts {
			p := &k.parts[j]
			phi := p.model.Phi(t)
			mean[j] = ln(p.model.Energy / phi)
			wide[j] = hypot(p.equations.spread(lossRow(p.model.Ohmic, phi-t-p.model.Ohmic, phi)), k.beside)
		}
		from := 0.0
		for j := range mean {
			from += float64(k.parts[j].weight * mean[j])
		}
		for c, chance := range chances {
			out[c][i] = k.quantile(mean, wide, chance, from)
		}
	}
	return out
}

// quantile is the value below which the mixture lies with the chance: Newton's method,
// kept between bounds that close in.
func (k *kernels) quantile(mean, wide []float64, chance, from float64) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for j := range mean {
		low, high = min(low, mean[j]-float64(6*wide[j])), max(high, mean[j]+float64(6*wide[j]))
	}
	at := min(max(from, low), high)
	for range 60 {
		sum, slope := -chance, 0.0
		for j := range mean {
			part, density := below((at - mean[j]) / wide[j])
			sum += float64(k.parts[j].weight * part)
			slope += float64(k.parts[j].weight*density) / wide[j]
		}
		if sum < 0 {
			low = at
		} else {
			high = at
		}
		next := at - sum/slope
		if !(next > low && next < high) {
			next = (low + high) / 2
		}
		if math.Abs(next-at) < 1e-9 {
			return next
		}
		at = next
	}
	return at
}

// settle gives the likely kernel, and with it what the low one is, beside a UPS that draws
// the watts itself.
func (k *kernels) settle(own float64, known ownKnown) (likely Model, low lowBattery, f Factors, spread float64) {
	c := k.powers(0.05, 0.5, 0.95)
	likely = c[1].kernel(k.middle(), 1)
	d := draw{watts: own}
	if known != stated && own > 0 {
		d.beside(&likely, k.about(&likely, own))
	}
	low, f = likely.between(&c[0], &c[2], &d)
	return likely, low, f, d.spread
}

// lowBattery is by how much the losses of the low battery are those of the likely one; what
// the UPS draws itself beside it, over the likely; and how much more of a store it has than
// the low factor says, which makes good for that at heavy loads.
type lowBattery struct{ ohmic, diffusion, own, store float64 }

// draw is what a UPS draws itself beside what its battery gives.
type draw struct {
	watts, spread float64 // of its logarithm; 0 where it is stated
	with          curve   // covariance of that with the logarithm of the power at [times]
}

// beside takes in a covariance of all unknowns, about a kernel.
func (d *draw) beside(m *Model, of [4]unknowns) {
	d.spread = math.Sqrt(of[ownDraw][ownDraw])
	for i, t := range times {
		phi := m.Phi(t)
		row := lossRow(m.Ohmic, phi-t-m.Ohmic, phi)
		for j, v := range row {
			d.with[i] -= float64(v * of[j][ownDraw])
		}
	}
}

// least is what is left of a power, or of an energy, once the UPS itself has drawn its own,
// with a chance of 5 % that it is less: the least on the circle about the likely values
// beyond whose tangents one in twenty lies (the first-order reliability method, from memory;
// checked by test). The power's logarithm has a spread, and a covariance with the draw's; what
// was seen to carry a load had to carry the draw too, so that the one grows with the other.
func (d *draw) least(power, spread, with, drawn float64) float64 {
	along := with / d.spread
	across := math.Sqrt(max(0, float64(spread*spread)-float64(along*along)))
	grows := float64(along*power) / float64(d.spread*drawn)
	var z, u, left float64 // along the draw, and across it
	for range 40 {
		own, p := float64(drawn*exp(float64(d.spread*z))), float64(power*exp(float64(across*u)))
		left = p + float64(grows*(own-drawn)) - own
		dz, du := float64((grows-1)*own)*d.spread, float64(p*across)
		far := -z95 / hypot(dz, du)
		moved := math.Abs(float64(dz*far)-z) + math.Abs(float64(du*far)-u)
		if z, u = float64(dz*far), float64(du*far); moved < 1e-9 {
			break
		}
	}
	return left
}

// alone is the power over the UPS's own draw, both as is likely, at which with a chance of 5 %
// nothing is left for a load.
func (d *draw) alone(spread, with float64) float64 {
	low, high := 0.0, exp(float64(z95*(spread+d.spread)))
	for range 40 {
		if mid := (low + high) / 2; d.least(float64(mid*d.watts), spread, with, d.watts) < 0 {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}

// under has a UPS draw more beside its low battery than is likely: so much that its own draw
// alone is carried for as long as is sure. The low curve is lifted to where a load at the
// output is carried no longer than is sure; of the times at which none is, nothing is asked.
// What the low battery holds is what is sure after half an hour at the most, for a heavy load
// may go before light ones.
func (d *draw) under(m *Model, low *curve) (own float64) {
	if d.spread == 0 {
		return 1
	}
	const last = len(times) - 1
	spread := (ln(m.Energy/m.Phi(times[last])) - low[last]) / z95
	part := float64(d.watts*d.alone(spread, d.with[last])) / m.Energy // of the low energy, in a second
	before := min(reference, 0.1/part)
	left := d.least(m.Energy, spread, d.with[last], float64(d.watts*before))
	most := max(d.watts, float64(left*part)/(1-float64(part*before)))
	for i, t := range times[:last] {
		power := m.Energy / m.Phi(t)
		sure := d.least(power, (ln(power)-low[i])/z95, d.with[i], d.watts)
		if low[i] = math.Inf(1); sure > 0 {
			low[i] = ln(sure + most)
		}
	}
	low[last] = ln((left + float64(most*before)) / m.Phi(times[last]))
	return most / d.watts
}

// between finds the low battery about a likely one: no more than the low power at any of
// the times, and as near as can be. The factors are those on the power that lasts as long
// as [reference].
func (m *Model) between(low, high *curve, d *draw) (lowBattery, Factors) {
	most, f := m.Energy/m.Phi(reference), Factors{Low: 1, Likely: 1, High: 1}
	for i, t := range times {
		if t == reference {
			f.Low, f.High = min(1, exp(low[i])/most), max(1, exp(high[i])/most)
		}
	}
	out := lowBattery{ohmic: 1, diffusion: 1, own: d.under(m, low), store: 1}
	l := low.kernel(*m, above)
	for i, t := range times {
		l.Energy = min(l.Energy, float64(exp(low[i])*l.Phi(t)))
	}
	if d.spread > 0 {
		out.store = l.Energy / l.Phi(reference) / most / f.Low
	} else {
		l.Energy = min(l.Energy, m.Energy)
		f.Low = min(1, l.Energy/l.Phi(reference)/most)
	}
	if m.Ohmic > 0 {
		out.ohmic = l.Ohmic / m.Ohmic
	}
	if m.Diffusion > 0 {
		out.diffusion = l.Diffusion / m.Diffusion
	}
	return out, f
}

// middle is the mean of the kernels.
func (k *kernels) middle() Model {
	var m Model
	for i := range k.parts {
		p := &k.parts[i]
		m.Energy += float64(p.weight * ln(p.model.Energy))
		m.Ohmic += float64(p.weight * p.model.Ohmic)
		m.Diffusion += float64(p.weight * p.model.Diffusion)
		m.Relaxation += float64(p.weight * p.model.Relaxation)
	}
	m.Energy = exp(m.Energy)
	return m
}

// above is how many times as much it counts that the low kernel lies above its curve as
// that it lies below.
const above = 100

// kernel is the one with the relaxation time given that comes nearest to a curve, when it
// counts so many times as much to be above it.
func (c *curve) kernel(start Model, above float64) Model {
	m := start
	for range 30 {
		var q equations
		for i, t := range times {
			if math.IsInf(c[i], 1) {
				continue
			}
			phi := m.Phi(t)
			off, counts := c[i]-ln(m.Energy/phi), heed[i]
			if off < 0 {
				counts *= above
			}
			q.add(off, lossRow(m.Ohmic, phi-t-m.Ohmic, phi), 0.01/math.Sqrt(counts))
		}
		for _, u := range [...]int{losses, balance, ownDraw} {
			var row unknowns
			row[u] = 1
			q.add(0, row, 1)
		}
		x := q.solve()
		moved := math.Abs(x[energy]) + math.Abs(x[losses]) + math.Abs(x[balance])
		m.Energy = float64(m.Energy * exp(x[energy]))
		m.Ohmic = float64(m.Ohmic * exp(max(-1, min(1, x[losses]+x[balance]))))
		m.Diffusion = float64(m.Diffusion * exp(max(-1, min(1, x[losses]-x[balance]))))
		if moved < 1e-6 {
			break
		}
	}
	return m
}

// lnDet is the logarithm of the matrix's determinant.
func (q *equations) lnDet() float64 {
	a, sum := q.matrix, 0.0
	for i := range a {
		sum += ln(a[i][i])
		for k := i + 1; k < len(a); k++ {
			part := a[k][i] / a[i][i]
			for j := i; j < len(a); j++ {
				a[k][j] -= float64(part * a[i][j])
			}
		}
	}
	return sum
}

// below is the chance that a normal variable lies below z, within 1e-7 (Hastings 1955,
// in Abramowitz and Stegun, 26.2.17; the coefficients from memory, checked by test), and
// its density there.
func below(z float64) (chance, density float64) {
	size := math.Abs(z)
	density = expNeg(float64(size*size)/2) / math.Sqrt(2*math.Pi)
	t, sum := 1/(1+float64(0.2316419*size)), 0.0
	for _, c := range [...]float64{1.330274429, -1.821255978, 1.781477937, -0.356563782, 0.319381530} {
		sum = float64((sum + c) * t)
	}
	chance = float64(density * sum)
	if z > 0 {
		chance = 1 - chance
	}
	return chance, density
}
