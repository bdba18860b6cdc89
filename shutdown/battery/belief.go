package battery

import (
	"errors"
	"fmt"
	"math"
	"time"

	"ebbline/policy"
)

// Belief is what is believed of one UPS's battery: a model, and how much of its
// store there really is. It is a plain value.
type Belief struct {
	Model         Model   // new, or as it was tested; at 25 °C; in watts at the UPS's output
	OverheadWatts float64 // drawn by the UPS itself from the store, beside the load
	OwnSpread     float64 // of its logarithm: one standard deviation; 0 where it is stated
	LowOhmic      float64 // the ohmic loss of the low battery, over that of Model; 0 for 1
	LowDiffusion  float64 // its diffusion loss, likewise
	LowOwn        float64 // what the UPS draws itself beside the low battery, over OverheadWatts; 0 where that is not worked out
	LowStore      float64 // the power that lasts half an hour in the low battery, over that by Low; 0 for 1
	Factors               // on Model.Energy: At25 by Warmth
	At25          Factors // what the evidence and the age leave, at 25 °C
	Warmth        Factors // what the temperature leaves of that
	RechargeTime  float64 // seconds from empty to 90 %
	Chemistry     policy.Chemistry
	Basis         string // what it rests on: "rated figures, 20 months old"
}

// Factors scale a store: as much as is there with 95 % certainty, as much as
// there probably is, and as much as is there with 5 % certainty.
type Factors struct{ Low, Likely, High float64 }

// What a fitted model leaves, dated and undated; what a battery of unknown temperature
// may lack: of the 18 to 27 °C recommended for rooms of computers (ASHRAE TC 9.9, from
// memory), the low end, the middle and 25 °C. The former are engineering values from few
// batteries: three measured blocks stood at +16, -17 and 0 % of their rating, two full
// tests of one block 3.6 % apart (testdata/battery/README.md).
var (
	fromModel      = Factors{0.83, 1.00, 1.15}
	fromFullTest   = Factors{0.92, 1.00, 1.08}
	ofUnknownChill = Factors{0.93, 0.975, 1.00}
)

const (
	// lfpInHand is the most that is counted on in a LiFePO4 pack: its
	// electronics cut hard.
	lfpInHand = 0.90

	ratedLFP = 0.95 // energy of a LiFePO4 pack over that on its label

	usualEfficiency    = 850 // battery to output, permille; from memory
	usualRechargeHours = 7   // the slowest of seven measured recharges gave 90 % back after 6.9 h
)

// New gives the belief that the policy's figures support on the day given (days
// since 1970-01-01): from a fitted model, else from the maker's chart, else from
// the rated figures. It refuses figures that describe no battery.
func New(u *policy.UPS, day int64) (Belief, error) {
	draw := stated
	if usualDraw(u) {
		draw = sought
	}
	b, _, err := figured(u, draw)
	if err != nil {
		return Belief{}, err
	}
	return b.on(u, day), nil
}

// figured is what the policy's figures say of a battery when new, or as it was fitted, at
// 25 °C, and the kernels behind it; none behind a fitted model.
func figured(u *policy.UPS, draw ownKnown) (b Belief, k kernels, err error) {
	p := &u.Battery
	if p.Chemistry != policy.VRLA && p.Chemistry != policy.LFP {
		return b, k, errors.New("the battery's chemistry is not stated; it is vrla or lfp")
	}
	b = Belief{Chemistry: p.Chemistry, OverheadWatts: float64(u.OverheadWatts), RechargeTime: p.RechargeHours * 3600}
	if draw != stated {
		b.OwnSpread = overheadSpread
	}
	if b.RechargeTime == 0 {
		b.RechargeTime = usualRechargeHours * 3600
	}
	if p.Model != nil {
		b.fromModel(p.Model)
	} else if k, err = b.fromFigures(u, draw); err != nil {
		return b, k, err
	}
	return b, k, b.sound()
}

// on gives the belief on a day, at the temperature that the policy states.
func (b Belief) on(u *policy.UPS, day int64) Belief {
	p := &u.Battery
	since := p.InstalledDay
	if p.Model != nil {
		since = p.Model.FittedDay
	}
	b = b.with(b.At25, ofUnknownChill)
	if p.TemperatureSet {
		b = b.AtTemperature(p.TemperatureC)
	}
	days := max(0, day-since)
	switch {
	case since != 0 && p.Model != nil && p.Model.Basis != "":
		b = b.Aged(p, days)
		b.Basis += ", last " + agoInWords(days)
	case since != 0:
		b = b.Aged(p, days)
		b.Basis += ", " + ageInWords(days)
	case p.Model == nil:
		b = b.with(b.At25.times(someAge(p)), b.Warmth)
		b.Basis += ", age unknown"
	}
	return b
}

// with gives the belief with these factors.
func (b Belief) with(at25, warmth Factors) Belief {
	b.At25, b.Warmth = at25, warmth
	b.Factors = at25.times(warmth)
	if b.Chemistry == policy.LFP {
		b.Low = min(b.Low, lfpInHand)
	}
	return b
}

// fromFigures takes the chart and the rated figures.
func (b *Belief) fromFigures(u *policy.UPS, draw ownKnown) (kernels, error) {
	k, err := b.figures(u, draw)
	if err != nil {
		return k, err
	}
	var low lowBattery
	b.Model, low, b.At25, b.OwnSpread = k.settle(b.OverheadWatts, draw)
	b.LowOhmic, b.LowDiffusion, b.LowOwn, b.LowStore = low.ohmic, low.diffusion, low.own, low.store
	chart := u.Battery.Chart
	switch len(chart) {
	case 0:
		b.Basis = "rated figures"
		return k, nil
	case 1:
		b.Basis = "one point of the maker's chart"
	default:
		worst := 0.0
		for _, p := range chart {
			t := b.Model.Runtime(Charge{}, float64(p.Watts)+b.OverheadWatts)
			worst = max(worst, math.Abs(t/p.Runtime.Seconds()-1))
		}
		b.Basis = fmt.Sprintf("maker's chart of %d points, met within %.0f %%", len(chart), 100*worst)
	}
	return k, nil
}

func (b *Belief) fromModel(m *policy.Model) {
	b.Model = Model{
		Energy: float64(m.StoreWattHours * 3600),
		Ohmic:  m.Ohmic.Seconds(), Diffusion: m.Diffusion.Seconds(), Relaxation: m.Relaxation.Seconds(),
	}
	b.At25, b.Basis = fromFullTest, "fitted model"
	if m.FittedDay == 0 { // it may be a chart's as well as a test's, of any age
		b.At25, b.Basis = fromModel, "fitted model of unknown date"
	}
	if f := (Factors{m.Low, m.Likely, m.High}); f != (Factors{}) {
		b.At25 = f
	}
	b.LowOhmic, b.LowDiffusion, b.LowOwn, b.LowStore = m.LowOhmic, m.LowDiffusion, m.LowOwn, m.LowStore
	if m.Basis != "" {
		b.Basis, b.OwnSpread = m.Basis, m.OwnSpread
	}
}

// sound tells whether the figures describe a battery.
func (b *Belief) sound() error {
	m := &b.Model
	switch {
	case !(b.At25.Low > 0 && b.At25.Low <= b.At25.Likely && b.At25.Likely <= b.At25.High && b.At25.High < 10):
		return fmt.Errorf("the battery's factors are %g, %g and %g; they rise from the low to the high one", b.At25.Low, b.At25.Likely, b.At25.High)
	case !(m.Energy > 0 && m.Energy < 1e15):
		return fmt.Errorf("the battery's store comes out as %g watt hours; state its volts and amp hours, a runtime chart or a fitted model", m.Energy/3600)
	case !(m.Ohmic >= 0 && m.Diffusion >= 0 && m.Diffusion < 1e9):
		return fmt.Errorf("the battery's losses come out as %g s ohmic and %g s diffusion; neither can be negative", m.Ohmic, m.Diffusion)
	case m.Diffusion > 0 && !(m.Relaxation > 0):
		return errors.New("a battery with a diffusion loss needs the time in which it relaxes; most take 90 min")
	case !(b.OverheadWatts >= 0 && b.RechargeTime > 0):
		return fmt.Errorf("an overhead of %g W and a recharge in %g s describe no UPS", b.OverheadWatts, b.RechargeTime)
	}
	return nil
}

// rated is the energy at the output that the rated figures promise, in joules; zero
// when they are not stated.
func rated(u *policy.UPS) float64 {
	efficiency := u.EfficiencyPermille
	if efficiency <= 0 {
		efficiency = usualEfficiency
	}
	return u.Battery.AmpHours * u.Battery.Volts * 3600 * float64(efficiency) / 1000
}

// times combines what two causes leave that have nothing to do with each other: their
// spreads add by their squares.
func (f Factors) times(g Factors) Factors {
	likely := float64(f.Likely * g.Likely)
	below := hypot(ln(f.Likely/f.Low), ln(g.Likely/g.Low))
	above := hypot(ln(f.High/f.Likely), ln(g.High/g.Likely))
	return Factors{float64(likely * expNeg(below)), likely, float64(likely * exp(above))}
}

// Aged gives the belief the days given later, or that long after its test.
func (b Belief) Aged(p *policy.Battery, days int64) Belief {
	return b.with(b.At25.times(faded(p, days)), b.Warmth)
}

// faded is what the days given leave of a store: it falls in a straight line to
// 80 % (a convention; IEEE 1188 replaces there), and to 40 % at the worst. A
// block of five years' design gets to 80 % after 3.5 years as a rule, 2.75 at
// the low end (service pages); at the high end it keeps its design life (no
// source). Above 25 °C it ages twice as fast for each 10 °C.
func faded(p *policy.Battery, days int64) Factors {
	years := float64(days) / 365.25
	if p.TemperatureSet && p.TemperatureC > 25 && p.TemperatureC <= hottest {
		years *= exp(math.Ln2 * (p.TemperatureC - 25) / 10)
	}
	return afterYears(p, years)
}

// afterYears is what so many years at 25 °C leave.
func afterYears(p *policy.Battery, years float64) Factors {
	left := func(part float64) float64 { return max(0.4, 1-0.2*years/(part*designed(p))) }
	return Factors{left(0.55), left(0.70), left(1)}
}

// designed is a battery's design life in years.
func designed(p *policy.Battery) float64 {
	switch {
	case p.DesignYears > 0:
		return float64(p.DesignYears)
	case p.Chemistry == policy.LFP:
		return 10 // no source
	}
	return 5
}

// someAge is what an unknown age leaves: probably half of the design life, at the
// low end all of it, at the high end nothing of it is over (common practice, no
// source).
func someAge(p *policy.Battery) Factors {
	whole := designed(p)
	return Factors{afterYears(p, whole).Low, afterYears(p, whole/2).Likely, 1}
}

// ageInWords rounds down.
func ageInWords(days int64) string {
	months := days * 12 / 365
	switch {
	case months < 1:
		return "new"
	case months == 1:
		return "1 month old"
	case months < 24:
		return fmt.Sprintf("%d months old", months)
	}
	return fmt.Sprintf("%d years old", months/12)
}

// agoInWords rounds down.
func agoInWords(days int64) string {
	switch {
	case days < 1:
		return "today"
	case days == 1:
		return "yesterday"
	case days < 14:
		return fmt.Sprintf("%d days ago", days)
	case days < 70:
		return fmt.Sprintf("%d weeks ago", days/7)
	case days < 730:
		return fmt.Sprintf("%d months ago", days*12/365)
	}
	return fmt.Sprintf("%d years ago", days*12/365/12)
}

// Sensors that say less or more than this are broken.
const coldest, hottest = -40, 80

// AtTemperature gives the belief with the battery at the temperature measured,
// in degrees Celsius. A figure that no battery room has changes nothing.
func (b Belief) AtTemperature(celsius float64) Belief {
	if celsius >= coldest && celsius <= hottest {
		w := TemperatureFactor(b.Chemistry, celsius)
		b = b.with(b.At25, Factors{w, w, w})
	}
	return b
}

// TemperatureFactor is what a battery at this temperature gives of what it
// gives at 25 °C; never more than one.
func TemperatureFactor(c policy.Chemistry, celsius float64) float64 {
	if celsius >= 25 {
		return 1
	}
	return 1 / max(1, RateFactor(c, celsius))
}

// RateFactor is by how much the rate that a battery carried at this temperature
// is multiplied for the one at 25 °C: above one when it is colder, below when it
// is warmer. For lead-acid it is the cell size factor of IEEE 485, Table 1, which
// is the rate factor of IEEE 450, as a polynomial that a sizing tool's help page
// quotes; for LiFePO4 one over the lower of two makers' figures at 0, -10 and
// -20 °C, and one above 25 °C; below -20 °C no maker promises anything, and the
// management may cut off.
func RateFactor(c policy.Chemistry, celsius float64) float64 {
	if c == policy.LFP {
		switch {
		case celsius >= 25:
			return 1
		case celsius >= 0:
			return 1 / (0.80 + float64(0.20*celsius)/25)
		case celsius >= -20:
			return 1 / (0.80 + float64(0.02*celsius))
		}
		return 1 / leastStore
	}
	x := celsius / 100
	f := -2.8117
	for _, c := range [...]float64{4.1916, -2.4941, 1.405} {
		f = float64(f*x) + c
	}
	return f
}

// sure is how far out a confidence lies, in permille from 500 to 999; 1 for 95 %.
func sure(confidencePermille int64) float64 {
	if confidencePermille == 950 {
		return 1 // what nearly every policy says
	}
	chance := float64(min(max(confidencePermille, 500), 999)) / 1000
	return quantile(chance) / quantile(0.95)
}

// LowAt is the factor on the store that holds with the confidence given, beside
// [Belief.OwnAt]: [Factors.Low] is taken for the 95 % point of a lognormal spread
// about [Factors.Likely].
func (b *Belief) LowAt(confidencePermille int64) float64 {
	return float64(b.Likely * exp(float64(sure(confidencePermille)*ln(b.Low/b.Likely))))
}

// OwnAt is the UPS's own draw that the low projection counts on, in watts: so much that
// it and the low factor hold together with the confidence given. Where it was not worked out
// with the losses, it and the store lie together as far out where it is all that is carried.
func (b *Belief) OwnAt(confidencePermille int64) float64 {
	more := ln(b.LowOwn)
	if b.LowOwn == 0 {
		factor := ln(b.Likely / b.Low)
		more = hypot(factor, float64(z95*b.OwnSpread)) - factor
	}
	return float64(b.OverheadWatts * exp(float64(sure(confidencePermille)*more)))
}

// likely is the likely battery.
func (b *Belief) likely() Model {
	m := b.Model
	m.Energy = float64(b.Model.Energy * b.Likely)
	return m
}

// low is the low battery.
func (b *Belief) low() Model {
	low := b.Model
	low.Energy = float64(b.Model.Energy * b.Low)
	if b.LowOhmic > 0 {
		low.Ohmic = float64(b.Model.Ohmic * b.LowOhmic)
	}
	if b.LowDiffusion > 0 {
		low.Diffusion = float64(b.Model.Diffusion * b.LowDiffusion)
	}
	low.Energy *= low.Phi(reference) / b.Model.Phi(reference)
	if b.LowStore > 0 {
		low.Energy = float64(low.Energy * b.LowStore)
	}
	return low
}

// Scaled is the battery of which so much is there. Between the likely and the low
// factor its losses go over into those of the low battery; the factor is that on the
// power which lasts half an hour.
func (b *Belief) Scaled(factor float64) Model {
	m := b.likely()
	if factor >= b.Likely || b.Low >= b.Likely {
		m.Energy = float64(b.Model.Energy * factor)
		return m
	}
	low := b.low()
	if factor <= b.Low {
		low.Energy = float64(low.Energy * (factor / b.Low))
		return low
	}
	part := (b.Likely - factor) / (b.Likely - b.Low)
	m.Energy += float64(part * (low.Energy - m.Energy))
	m.Ohmic += float64(part * (low.Ohmic - m.Ohmic))
	m.Diffusion += float64(part * (low.Diffusion - m.Diffusion))
	return m
}

// Holding is the factor with which the battery is at its end at this charge, which
// followed the loads by Model, when it carries the watts.
func (b *Belief) Holding(c Charge, watts float64) float64 {
	m := b.likely()
	left := m.Left(c, watts)
	if left <= 0 || b.Low >= b.Likely {
		return (c.Delivered + c.Bound + float64(m.Ohmic*watts)) / b.Model.Energy
	}
	low := b.low()
	at := c.As(&b.Model, &low)
	short := low.Left(at, watts)
	if short > 0 {
		return float64(b.Low * ((at.Delivered + at.Bound + float64(low.Ohmic*watts)) / low.Energy))
	}
	return b.Likely - float64((b.Likely-b.Low)*(left/(left-short)))
}

// Unending is the runtime of a load that the battery never fails to carry.
const Unending = 50 * 365 * 24 * time.Hour

// Whole rounds seconds down to a whole number of them.
func Whole(seconds float64) time.Duration {
	switch {
	case !(seconds > 0):
		return 0
	case seconds >= Unending.Seconds():
		return Unending
	}
	return time.Duration(seconds) * time.Second
}

// Project says how long the load at the output can be carried from this charge,
// at each of the three factors, rounded down to whole seconds. The UPS's own
// draw is added.
func (b *Belief) Project(c Charge, watts float64) (low, likely, high time.Duration) {
	l, m, h := b.runtimes(c, watts)
	return Whole(l), Whole(m), Whole(h)
}

// runtimes is Project in seconds.
func (b *Belief) runtimes(c Charge, watts float64) (low, likely, high float64) {
	at := func(factor, own float64) float64 {
		m := b.Scaled(factor)
		return m.Runtime(c, watts+own)
	}
	return at(b.LowAt(950), b.OwnAt(950)), at(b.Likely, b.OverheadWatts), at(b.High, b.OverheadWatts)
}

// Recharge gives the charge after the battery was charged for the seconds given.
// It is credited in a straight line to 90 %, then nothing for ten hours, and
// then it is full: the last tenth takes a charger longer than all the rest
// (testdata/battery/README.md). Meanwhile the bound loss relaxes as at rest.
// Pieces add up: charging twice for an hour is charging for two.
func (b *Belief) Recharge(c Charge, seconds float64) Charge {
	const soak = 10 * 3600
	if c.Bound != 0 {
		c.Bound = float64(c.Bound * b.Model.Fade(seconds))
	}
	if c.Delivered == 0 {
		c.Floated += seconds
		return c
	}
	full := b.Model.Full()
	rate := 0.9 * full / b.RechargeTime
	if missing := c.Delivered - float64(0.1*full); missing > 0 {
		if float64(rate*seconds) < missing {
			c.Delivered -= float64(rate * seconds)
			return c
		}
		c.Delivered = float64(0.1 * full)
		seconds -= missing / rate
	}
	c.Floated += seconds
	if c.Floated >= soak {
		c.Delivered = 0
	}
	return c
}
