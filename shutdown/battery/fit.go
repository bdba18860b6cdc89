package battery

import (
	"fmt"
	"math"

	"ebbline/policy"
)

// How far the figures behind a fit may be off, as one standard deviation of
// their logarithm: points of published tables and charts lie 2.0 % about their own fits,
// 0.5 to 3.4 % by table, and a chart of a UPS has few points, in whole minutes
// (testdata/battery/README.md).
const (
	fitSpread      = 0.02 // what a battery carries, in watts, about any fit
	chartSpread    = 0.03 // a point of a chart, in watts
	overheadSpread = 0.7  // the UPS's own draw, where nobody stated it
)

// figures finds the kernels that the policy's figures leave: those of the chart,
// if there is one, and the rated ones. One point settles the store and little
// else; two settle how strongly runtime falls with load; more settle the balance of
// the losses too. Points far apart also show the UPS's own draw, where nobody stated it.
func (b *Belief) figures(u *policy.UPS, draw ownKnown) (kernels, error) {
	chart := u.Battery.Chart
	for i, p := range chart {
		if p.Watts <= 0 || p.Runtime <= 0 {
			return kernels{}, fmt.Errorf("the runtime chart gives %v at %d W; both must be more than nothing", p.Runtime, p.Watts)
		}
		if i > 0 && (p.Watts <= chart[i-1].Watts || p.Runtime >= chart[i-1].Runtime) {
			return kernels{}, fmt.Errorf("the runtime chart gives %v at %d W but %v at %d W; runtimes must fall as the load grows",
				p.Runtime, p.Watts, chart[i-1].Runtime, chart[i-1].Watts)
		}
	}
	f := fitting{
		chart: chart, rated: rated(u), overhead: b.OverheadWatts, label: labelSpread,
		own: draw,
	}
	if f.overhead == 0 {
		f.own = stated
	}
	if len(chart) == 0 && !(f.rated > 0 && f.rated < 1e15) {
		return kernels{}, fmt.Errorf("the battery's store comes out as %g watt hours; state its volts and amp hours, a runtime chart or a fitted model", f.rated/3600)
	}
	k := kernels{beside: copySpread}
	if b.Chemistry == policy.LFP {
		f.label, k.beside = lfpLabel, lfpCopy
	}
	if u.EfficiencyPermille <= 0 {
		f.label = hypot(f.label, lossySpread)
	}
	list := b.shapes(u)
	k.parts = f.like(list)
	if f.own == sought {
		own := 0.0
		for i := range k.parts {
			own += float64(k.parts[i].weight * ln(k.parts[i].own/f.overhead))
		}
		b.OverheadWatts = float64(f.overhead * exp(own))
	}
	return k, nil
}

// usualOverhead is what a policy has that does not state the UPS's own draw: 2 %
// of the rating, rounded up. Four charts fitted 0.8 to 4.7 %.
func usualOverhead(u *policy.UPS) int64 { return (2*u.RatedWatts + 99) / 100 }

// usualDraw tells whether the UPS's own draw is that, and nobody stated it.
func usualDraw(u *policy.UPS) bool { return !u.OverheadSet && u.OverheadWatts == usualOverhead(u) }

// ownKnown is what is known of the UPS's own draw.
type ownKnown uint8

const (
	stated  ownKnown = iota
	settled          // on a figure, from which it may differ
	sought
)

// fitting is a least-squares problem in four logarithms.
type fitting struct {
	usual    Model
	spread   float64 // of both losses about those
	balance  float64 // of half of ohmic over diffusion loss
	chart    []policy.ChartPoint
	rated    float64 // joules in 20 hours; 0 when not stated
	label    float64 // spread of those
	overhead float64 // watts, usual or stated
	own      ownKnown
}

// unknowns are the logarithms of what is sought, of the last three against
// what is usual.
type unknowns [4]float64

const (
	energy  = iota
	losses  // both
	balance // ohmic up and diffusion down
	ownDraw
)

func (f *fitting) model(x unknowns) Model {
	m := f.usual
	m.Energy = exp(x[energy])
	m.Ohmic = float64(m.Ohmic * exp(x[losses]+x[balance]))
	m.Diffusion = float64(m.Diffusion * exp(x[losses]-x[balance]))
	return m
}

// solve is Gauss and Newton's method with the step halved until it helps.
func (f *fitting) solve() unknowns {
	const enough = 1e-9 // of a step
	var x unknowns
	for _, p := range f.chart {
		watts := float64(p.Watts) + f.overhead
		x[energy] += ln(watts*f.usual.Phi(p.Runtime.Seconds())) / float64(len(f.chart))
	}
	if len(f.chart) == 0 {
		x[energy] = ln(f.rated / rating * f.usual.Phi(rating))
	}
	now := f.equations(x)
	for range 100 {
		step := now.solve()
		long := math.Abs(step[energy]) + math.Abs(step[losses]) + math.Abs(step[balance]) + math.Abs(step[ownDraw])
		if long < enough {
			return x
		}
		next, better := x, now
		for scale := 1.0; scale > 1e-6 && float64(scale*long) > enough; scale /= 2 {
			for i := range x {
				next[i] = x[i] + float64(scale*step[i])
			}
			if better = f.equations(next); better.cost < now.cost {
				break
			}
		}
		if !(better.cost < now.cost) {
			return x
		}
		x, now = next, better
	}
	return x
}

// equations are the normal equations of the problem about one guess.
type equations struct {
	cost   float64
	right  unknowns
	matrix [4]unknowns
}

// add takes in one figure: how far the guess is from it, how that changes with
// the unknowns, and how far the figure may be off.
func (q *equations) add(off float64, row unknowns, spread float64) {
	weight := 1 / (spread * spread)
	q.cost += float64(weight * float64(off*off))
	for i := range row {
		q.right[i] -= float64(weight * float64(off*row[i]))
		for j := range row {
			q.matrix[i][j] += float64(weight * float64(row[i]*row[j]))
		}
	}
}

// lossRow is how a figure changes with the unknowns of which these parts of the
// whole are lost, and which the store must make good.
func lossRow(ohmic, bound, whole float64) unknowns {
	return unknowns{energy: -1, losses: (ohmic + bound) / whole, balance: (ohmic - bound) / whole}
}

// addRated takes in the power that lasts 20 hours.
func (q *equations) addRated(x unknowns, m *Model, power, spread float64) {
	phi := m.Phi(rating)
	q.add(power-x[energy]+ln(phi), lossRow(m.Ohmic, phi-rating-m.Ohmic, phi), spread)
}

// spread is that of a figure which changes with the unknowns as the row says.
func (q *equations) spread(row unknowns) float64 {
	p, v := *q, 0.0
	p.right = row
	for i, x := range p.solve() {
		v += float64(row[i] * x)
	}
	return math.Sqrt(max(0, v))
}

// inverse is that of the matrix.
func (q *equations) inverse() (out [4]unknowns) {
	p := *q
	for i := range out {
		p.right = unknowns{}
		p.right[i] = 1
		out[i] = p.solve()
	}
	return out
}

func (f *fitting) equations(x unknowns) equations {
	var q equations
	m := f.model(x)
	own := float64(f.overhead * exp(x[ownDraw]))
	for _, p := range f.chart {
		t, watts := p.Runtime.Seconds(), float64(p.Watts)+own
		phi := m.Phi(t)
		row := lossRow(m.Ohmic, phi-t-m.Ohmic, phi)
		if f.own == sought {
			row[ownDraw] = own / watts
		}
		q.add(ln(watts*phi)-x[energy], row, chartSpread)
	}
	if f.rated > 0 {
		q.addRated(x, &m, ln(f.rated/rating), f.label)
	}
	q.add(x[losses], unknowns{losses: 1}, f.spread)
	q.add(x[balance], unknowns{balance: 1}, f.balance)
	q.add(x[ownDraw], unknowns{ownDraw: 1}, overheadSpread)
	return q
}

// solve is elimination without pivoting: the matrix is positive definite.
func (q *equations) solve() unknowns {
	a, x := q.matrix, q.right
	for i := range a {
		for k := i + 1; k < len(a); k++ {
			part := a[k][i] / a[i][i]
			for j := i; j < len(a); j++ {
				a[k][j] -= float64(part * a[i][j])
			}
			x[k] -= float64(part * x[i])
		}
	}
	for i := len(a) - 1; i >= 0; i-- {
		for j := i + 1; j < len(a); j++ {
			x[i] -= float64(a[i][j] * x[j])
		}
		x[i] /= a[i][i]
	}
	return x
}
