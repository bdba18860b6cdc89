package battery

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ebbline/policy"
)

// Segment is a load at the UPS's output held for some time.
type Segment struct{ Watts, Seconds float64 }

// Ended is how a measured discharge ended.
type Ended uint8

const (
	AtCutOff  Ended = iota + 1 // the battery was empty
	AtReading                  // stopped when the UPS reported a charge
	Early                      // stopped before it was empty, with nothing to go by
)

// Gauged is what the UPS said of its charge, 0 to 1, so many seconds into a
// discharge.
type Gauged struct{ Seconds, Charge float64 }

// Discharge is one measured discharge of a UPS's battery: a test, or an outage.
type Discharge struct {
	Day         int64     // days since 1970-01-01
	Segments    []Segment // in order
	StartCharge float64   // its charge then, 0 to 1; 1 where the UPS did not say
	Ended       Ended
	Reading     float64  // for AtReading: the charge reported at the end, 0 to 1
	Gauge       []Gauged // on the way, in order; from one to the end, what readings of this UPS mean
	Celsius     float64  // of the battery
	CelsiusSet  bool
	Weak        bool // its circumstances leave doubt: it counts for a quarter
	Outage      bool // and no test: loads and temperature were what they were
}

// Judged is what one discharge says.
type Judged struct {
	Capacity float64 // part of what a new battery has, at 25 °C, by the rate method; 0 when not worked out
	AtLeast  bool    // the capacity is no less: it was stopped early, or at a reading that says nothing
	Spread   float64 // of the capacity: one standard deviation of its logarithm, as a measurement
	Used     bool    // it bears on the model
	Refused  string  // why it does not, for people; "" when it does, or says nothing new
}

// Calibration is a battery as its own discharges show it.
type Calibration struct {
	Model         *policy.Model // nil when no discharge changes what the policy's figures say
	OverheadWatts int64         // that the model counts on
	Judged        []Judged      // by discharge
}

// How far a measured discharge may be from what the battery holds, as one
// standard deviation of the logarithm. repeatSpread is that of two full tests of
// one block, 3.6 % apart; testSpread that of the tables about their fits ([chartSpread]);
// blockSpread that of three measured blocks, at +16, -17 and 0 % of their rating; the
// others are engineering values, no source.
const (
	repeatSpread = 0.03 // from one discharge of a battery to the next
	testSpread   = 0.03 // a full discharge as a measurement
	outageSpread = 0.06 // an outage to the battery's end
	weakTimes    = 2.0  // a weak one is so many times as far off
	blockSpread  = 0.17 // a lead-acid battery about its label or chart and its age, before it is tested
	gaugeSpread  = 0.03 // what a gauge means from one discharge to the next, as a part of the whole
	yearSpread   = 0.06 // how a battery wanders off the usual ageing in a year
	contradicts  = 2.5  // spreads beyond which one discharge contradicts the others
	widest       = 1.6448536269514722
)

const (
	modelShape = 0.15 // both losses of a battery against those of a fitted model (no source)
	ofBalance  = 0.05 // half of ohmic over diffusion loss, likewise

	leastStore  = 0.05 // what a discharge may say of the store, against the figures
	mostStore   = 1.6  // for a new battery, and still be one of that battery
	shortest    = 10   // seconds
	fullEnough  = 0.8  // charge at the start
	lastReading = 0.6  // charge at the end above which a reading says nothing
	heeded      = 0.3  // weight below which a discharge counts as contradicted
)

// Calibrate corrects what the policy's figures say of a battery by its measured
// discharges, as each deserves. One of them settles the store and moves the
// losses a little; more of them, at other loads, settle the losses too.
//
// It is least squares in the logarithms of the store, of both losses together
// and of their balance, about what the policy's figures leave open: the same
// equations as a chart's. A discharge that says more than the others allow counts
// little: a battery does not grow. One that says less counts little too, unless it
// is the last: batteries do fail. What no discharge of this battery can say is
// refused.
func Calibrate(u *policy.UPS, found []Discharge, day int64) (Calibration, error) {
	c := calibrator{ups: *u, day: day}
	if err := c.start(); err != nil {
		return Calibration{}, err
	}
	var out Calibration
	for {
		if out.Judged = c.read(found); len(c.seen) == 0 {
			break
		}
		c.solve()
		if own := c.drawn(); !c.ownFound && own != c.ups.OverheadWatts {
			if err := c.counting(own); err != nil {
				return out, err
			}
			continue
		}
		out.Model = c.model(out.Judged)
		break
	}
	out.OverheadWatts = c.ups.OverheadWatts
	return out, nil
}

// read takes in the discharges, those to the end first: they show what a reading means.
func (c *calibrator) read(found []Discharge) []Judged {
	judged := make([]Judged, len(found))
	c.seen, c.whole = nil, nil
	take := func(i int) {
		o, capacity, refused := c.observe(&found[i])
		judged[i] = Judged{Capacity: capacity, AtLeast: o.atLeast, Spread: o.spread, Refused: refused}
		if refused == "" {
			o.of = i
			c.seen = append(c.seen, o)
		}
	}
	for i := range found {
		if d := &found[i]; d.Ended == AtCutOff {
			take(i)
			if judged[i].Refused == "" && !d.Weak {
				c.whole = append(c.whole, d)
			}
		}
	}
	for i := range found {
		if found[i].Ended != AtCutOff {
			take(i)
		}
	}
	slices.SortStableFunc(c.seen, func(a, b observed) int { return cmp.Compare(a.day, b.day) })
	return judged
}

// drawn is the UPS's own draw as found, in whole watts.
func (c *calibrator) drawn() int64 {
	if c.ups.OverheadWatts == 0 {
		return 0
	}
	return max(1, int64(math.Round(c.fresh.OverheadWatts*exp(c.x[ownDraw]))))
}

// counting settles the UPS's own draw on whole watts, as a policy holds it: what rests on
// it is worked out with these, and no longer seeks it.
func (c *calibrator) counting(own int64) (err error) {
	c.ownWas, c.ownFound = ln(c.fresh.OverheadWatts/float64(own)), true
	c.x = unknowns{}
	c.ups.OverheadWatts = own
	c.fresh, c.kernels, err = figured(&c.ups, c.draw(settled))
	return err
}

// Correct puts the battery found in the place of the figures that it rests on.
func (c *Calibration) Correct(u *policy.UPS) {
	if c.Model != nil {
		m := *c.Model
		u.Battery.Model, u.Battery.Chart, u.OverheadWatts = &m, nil, c.OverheadWatts
	}
}

// Range is the capacity with 5 % and with 95 % certainty, as far as the
// measurement goes: wide when it was stopped at a charge reading.
func (j *Judged) Range() (low, high float64) {
	wide := exp(widest * j.Spread)
	return j.Capacity / wide, float64(j.Capacity * wide)
}

// calibrator is one calibration under way. Its unknowns are the logarithms of
// the store on the day of the last discharge, at 25 °C, and of the losses against
// those of the figures, and of the UPS's own draw where nobody states it: it shows in
// long discharges at a light load, beside others.
type calibrator struct {
	ups       policy.UPS
	day       int64
	fresh     Belief  // by the policy's figures, new or as fitted, at 25 °C
	kernels   kernels // behind it
	usualDraw bool    // the policy does not state the UPS's own
	ownSpread float64 // of that, before any discharge
	ownFound  bool    // it is settled; fresh counts on it
	ownWas    float64 // logarithm of what it was before, over that
	seen      []observed
	whole     []*Discharge // sound ones to the end

	last        int64   // day of the last discharge
	aged        Belief  // fresh on that day
	prior       float64 // of the store
	priorSpread float64
	figures     [4]unknowns // covariance that the figures leave, the battery's own store apart
	x           unknowns
	equations   equations // about x
}

// taken is what a discharge took from the store, in joules, by the losses of the figures.
type taken struct{ delivered, ohmic, bound float64 }

// observed is a discharge as an equation: what it took from the store is all that was
// taken, the losses and the UPS's own part of it as they are found.
type observed struct {
	of      int
	day     int64
	all     taken
	own     taken   // of that, what the UPS drew itself
	missing float64 // part of the store that was not there at the start
	watts   float64 // mean, with the UPS's own
	warmth  float64
	atLeast bool // the store is no less
	outage  bool
	spread  float64 // of the measurement

	faded  float64 // logarithm of what is left on the last day of what there was on its own
	weight float64
}

// start reads the policy's figures. The UPS's own draw is rounded up to whole
// watts, as a policy holds it, before anything rests on it.
func (c *calibrator) start() error {
	c.usualDraw = usualDraw(&c.ups)
	var err error
	if c.fresh, c.kernels, err = figured(&c.ups, c.draw(sought)); err != nil {
		return err
	}
	c.ownSpread = c.fresh.OwnSpread
	if whole := int64(math.Ceil(c.fresh.OverheadWatts)); whole != c.ups.OverheadWatts {
		c.ups.OverheadWatts = whole
		c.fresh, c.kernels, err = figured(&c.ups, c.draw(settled))
	}
	return err
}

// draw is what is known of the UPS's own draw: nothing but that, unless the policy states it.
func (c *calibrator) draw(known ownKnown) ownKnown {
	if c.usualDraw {
		return known
	}
	return stated
}

// observe makes a discharge an equation, or says why it is none. Its capacity
// is by the rate method: the power carried, over what a new battery sustains for
// as long, at 25 °C.
func (c *calibrator) observe(d *Discharge) (o observed, capacity float64, refused string) {
	b := &c.ups.Battery
	total := 0.0
	for _, s := range d.Segments {
		if !(s.Watts >= 0 && s.Watts < 1e9 && s.Seconds >= 0 && s.Seconds < 1e9) {
			return o, 0, fmt.Sprintf("it cannot have held %g W for %g s", s.Watts, s.Seconds)
		}
		total += s.Seconds
	}
	switch {
	case d.Ended < AtCutOff || d.Ended > Early:
		return o, 0, "how it ended is not stated"
	case total < shortest:
		return o, 0, fmt.Sprintf("it lasted %.0f s; less than %d s says nothing of a battery", total, shortest)
	case d.Day > c.day+1:
		return o, 0, "it is dated after today; set the clock right"
	case d.Day < b.InstalledDay:
		return o, 0, "it is of the battery before this one, by the day it was installed"
	case b.Model != nil && d.Day < b.Model.FittedDay:
		return o, 0, "it is older than the policy's fitted model, which stands for it"
	case !(d.StartCharge >= fullEnough && d.StartCharge <= 1):
		return o, 0, fmt.Sprintf("it began at %.0f %% of charge; only one from a full battery shows what that holds", 100*d.StartCharge)
	}
	o = observed{day: d.Day, outage: d.Outage, warmth: 1, missing: 1 - d.StartCharge, spread: testSpread, weight: 1}
	if d.Outage {
		o.spread = outageSpread
	}
	if d.CelsiusSet && d.Celsius >= coldest && d.Celsius <= hottest {
		o.warmth = TemperatureFactor(b.Chemistry, d.Celsius)
	}
	c.carried(d, &o)
	if d.Weak {
		o.spread *= weakTimes
	}
	part := c.full(&o) / (c.fresh.Model.Energy * o.warmth)
	if d.CelsiusSet && d.Celsius > 25 && d.Celsius <= hottest {
		capacity = float64(part * RateFactor(b.Chemistry, d.Celsius))
	} else {
		capacity = part
	}
	capacity = capacity / c.published(total, o.watts)
	switch {
	case !(o.all.delivered > 0):
		return o, 0, "it took nothing from the battery"
	case part > mostStore:
		return o, capacity, fmt.Sprintf("by it the battery holds %.0f %% of what it has when new, which none does: the load, the time or the policy's figures are wrong", 100*part)
	case part < leastStore && !o.atLeast:
		return o, capacity, fmt.Sprintf("by it the battery holds %.0f %% of what it has when new: it is dead, or the load or the time is wrong. Test it again before you rely on the plan", 100*part)
	}
	return o, capacity, ""
}

// carried follows the loads. A discharge that was stopped at a charge reading
// is drawn out to the end that the reading means, at its mean load.
func (c *calibrator) carried(d *Discharge, o *observed) {
	m := &c.fresh.Model
	var at Charge
	var seconds, watts float64
	for _, s := range d.Segments {
		if s.Seconds > 0 {
			watts = s.Watts + c.fresh.OverheadWatts
			at = m.Advance(at, watts, s.Seconds)
			seconds += s.Seconds
		}
	}
	o.watts = at.Delivered / seconds
	o.atLeast = d.Ended == Early || d.Ended == AtReading && !(d.Reading >= 0 && d.Reading <= lastReading)
	if d.Ended == AtReading && !o.atLeast {
		least, most, known := c.gauge(d, o.watts)
		if !known {
			least, most = Used(d.Reading)
		}
		short, long := 1/most-1, 1/least-1 // times that it would have gone on
		more := func(part float64) float64 {
			end := m.Advance(at, o.watts, float64(part*seconds))
			return end.Delivered + end.Bound + float64(m.Ohmic*o.watts)
		}
		o.spread = max(o.spread, hypot(o.spread, ln(more(long)/more(short))/(2*widest)))
		at, watts = m.Advance(at, o.watts, float64((short+long)/2*seconds)), o.watts
	}
	o.all = taken{at.Delivered, float64(m.Ohmic * watts), at.Bound}
	own := c.fresh.OverheadWatts
	at = m.Advance(Charge{}, own, o.all.delivered/o.watts)
	o.own = taken{at.Delivered, float64(m.Ohmic * own), at.Bound}
}

// Used says how much of a discharge at a steady load has passed when the UPS
// reports a charge, at the least and at the most. A gauge that counts means what
// it says; one that follows the voltage reads 50 % when 64 to 79 % are used and
// 20 % when 91 to 97 % are (testdata/battery/README.md). Above 60 % nobody knows.
func Used(reading float64) (least, most float64) {
	used := [...]struct{ reading, used float64 }{{0, 1}, {0.20, 1 / 1.05}, {0.50, 0.79}, {lastReading, 0.70}, {1, 0.70}}
	for i := 1; i < len(used); i++ {
		if a, b := used[i-1], used[i]; reading <= b.reading {
			most = a.used + float64((b.used-a.used)*((reading-a.reading)/(b.reading-a.reading)))
			break
		}
	}
	return 1 - reading, most
}

// gauge says what [Used] does from what this UPS said on the way of discharges to
// the end, at mean loads within a factor of 1.5; false when there is none. A gauge
// that counts from a label drifts as the battery fades.
func (c *calibrator) gauge(d *Discharge, watts float64) (least, most float64, known bool) {
	own := c.fresh.OverheadWatts
	least = 1
	for _, w := range c.whole {
		whole := w.delivered(math.Inf(1), own)
		mean := whole / w.seconds()
		came := slices.IndexFunc(w.Gauge, func(g Gauged) bool { return g.Charge <= d.Reading })
		if mean > 1.5*watts || watts > 1.5*mean || came < 0 {
			continue
		}
		from, until := w.delivered(w.Gauge[came].Seconds, own)/whole, 1.0
		if went := slices.IndexFunc(w.Gauge, func(g Gauged) bool { return g.Charge < d.Reading }); went >= 0 {
			until = w.delivered(w.Gauge[went].Seconds, own) / whole
		}
		years := math.Abs(float64(d.Day-w.Day)) / yearDays
		wide := float64(widest * hypot(gaugeSpread, yearSpread*math.Sqrt(years)))
		least, most, known = min(least, from-wide), max(most, until+wide), true
	}
	return max(0.05, least), min(1, most), known
}

// delivered is what was taken in so many seconds, the UPS's own with it.
func (d *Discharge) delivered(seconds, own float64) float64 {
	sum := 0.0
	for _, s := range d.Segments {
		part := max(0, min(s.Seconds, seconds))
		sum += float64((s.Watts + own) * part)
		seconds -= part
	}
	return sum
}

func (d *Discharge) seconds() float64 {
	sum := 0.0
	for _, s := range d.Segments {
		sum += s.Seconds
	}
	return sum
}

// full is the store that a discharge implies, at the losses found.
func (c *calibrator) full(o *observed) float64 {
	m := c.fresh.Model
	there := 1 - float64(o.missing*m.Full())/m.Energy
	t, _ := c.took(o)
	return t.whole() / there
}

func (t taken) whole() float64 { return t.delivered + t.ohmic + t.bound }

// took is what a discharge took, at the losses and the own draw found, and what of that
// the UPS drew itself.
func (c *calibrator) took(o *observed) (all, own taken) {
	times := exp(c.x[ownDraw])
	ohmic, bound := exp(c.x[losses]+c.x[balance]), exp(c.x[losses]-c.x[balance])
	own = taken{float64(o.own.delivered * times), float64(float64(o.own.ohmic*ohmic) * times), float64(float64(o.own.bound*bound) * times)}
	more := times - 1
	all.delivered = o.all.delivered + float64(o.own.delivered*more)
	all.ohmic = float64((o.all.ohmic + float64(o.own.ohmic*more)) * ohmic)
	all.bound = float64((o.all.bound + float64(o.own.bound*more)) * bound)
	return all, own
}

// published is how far the maker's chart lies from its fit at a time, as a part
// of the load: between its points that is shared out evenly.
func (c *calibrator) published(seconds, watts float64) float64 {
	chart := c.ups.Battery.Chart
	if len(chart) < 2 || c.ups.Battery.Model != nil {
		return 1
	}
	off := func(p policy.ChartPoint) float64 {
		own := c.fresh.OverheadWatts
		return ln(float64((float64(p.Watts)+own)*c.fresh.Model.Phi(p.Runtime.Seconds())) / c.fresh.Model.Energy)
	}
	for i := 1; i < len(chart); i++ {
		long, short := chart[i-1], chart[i]
		if t := seconds; t <= long.Runtime.Seconds() && t >= short.Runtime.Seconds() {
			part := ln(t/short.Runtime.Seconds()) / ln(long.Runtime.Seconds()/short.Runtime.Seconds())
			return exp(off(short) + float64(part*(off(long)-off(short))))
		}
	}
	return 1
}

// solve finds the store and the losses. A fall that only the last discharge
// shows is believed: what was known before then says little.
func (c *calibrator) solve() {
	c.last = c.seen[len(c.seen)-1].day
	c.aged = c.fresh.on(&c.ups, c.last)
	aged := &c.aged
	c.prior, c.priorSpread = ln(c.fresh.Model.Energy*aged.At25.Likely), ln(aged.At25.Likely/aged.At25.Low)/widest
	least := repeatSpread
	if c.ups.Battery.Model == nil && c.ups.Battery.Chemistry == policy.VRLA {
		least = blockSpread
	}
	c.priorSpread = max(c.priorSpread, least)
	c.allowed()
	for i := range c.seen {
		o := &c.seen[i]
		o.faded = ln(faded(&c.ups.Battery, c.last-o.day).Likely)
		o.spread = hypot(o.spread, yearSpread*math.Sqrt(float64(c.last-o.day)/365.25))
	}
	if n := c.newest(); n >= 0 {
		all, one := c.seen, c.seen[n]
		c.seen = slices.Delete(slices.Clone(all), n, n+1)
		c.fit(-1)
		fall := c.x[energy] - c.says(&one)
		c.seen = all
		// It grows from nothing at the bound: were there a jump, a battery would seem weaker
		// after a test that went a little better.
		if within := contradicts * hypot(one.spread, c.equations.spread(c.row(&one))); fall > within {
			beyond := math.Sqrt(float64(fall*fall) - float64(within*within))
			c.priorSpread = hypot(c.priorSpread, beyond)
			for i := range c.seen {
				if i != n && !c.seen[i].atLeast {
					c.seen[i].spread = hypot(c.seen[i].spread, beyond)
				}
			}
		}
		c.fit(n)
		return
	}
	c.fit(-1)
}

// newest is the last discharge that says what the store is, not only that it is
// no less; -1 for none.
func (c *calibrator) newest() int {
	for i := len(c.seen) - 1; i >= 0; i-- {
		if !c.seen[i].atLeast {
			return i
		}
	}
	return -1
}

// says is the logarithm of the store on the last day and at 25 °C, by one
// discharge.
func (c *calibrator) says(o *observed) float64 {
	return ln(c.full(o)/o.warmth) + o.faded
}

// row is how far a discharge is from the guess, as it changes with the unknowns.
func (c *calibrator) row(o *observed) unknowns {
	all, own := c.took(o)
	row := lossRow(all.ohmic, all.bound, all.whole())
	if c.usualDraw {
		row[ownDraw] = own.whole() / all.whole()
	}
	return row
}

// fit is Gauss and Newton's method, the discharges weighed anew at each step by
// how far they are from the guess. The one numbered newest is believed when it
// says less.
func (c *calibrator) fit(newest int) {
	c.x = unknowns{}
	c.x[energy] = c.middle()
	for range 60 {
		q := c.expected()
		for i := range c.seen {
			o := &c.seen[i]
			off := c.says(o) - c.x[energy]
			spread := o.spread
			if o.atLeast {
				spread = repeatSpread
			}
			far := off / float64(contradicts*spread)
			o.weight = 1 / (1 + float64(far*far))
			switch {
			case o.atLeast && off <= 0:
				o.weight = 0 // it has nothing against the guess
				continue
			case i == newest && off < 0:
				o.weight = 1
			}
			q.add(off, c.row(o), spread/math.Sqrt(o.weight))
		}
		c.equations = q
		if c.ownFound {
			q.add(c.x[ownDraw], unknowns{ownDraw: 1}, 1e-6)
		}
		step, moved := q.solve(), 0.0
		for i := range step {
			if i != energy {
				step[i] = max(-0.5, min(0.5, step[i]))
			}
			c.x[i] += step[i]
			moved += math.Abs(step[i])
		}
		if moved < 1e-10 {
			break
		}
	}
}

// allowed works out what the policy's figures leave open of a battery: of a label or a
// chart, what lies between the shapes that it may have, so that a test at one load says
// of another only what they have in common.
func (c *calibrator) allowed() {
	m := &c.fresh.Model
	if c.ups.Battery.Model != nil {
		var q equations
		q.addRated(unknowns{energy: ln(m.Energy)}, m, 0, repeatSpread)
		q.add(0, unknowns{losses: 1}, modelShape)
		q.add(0, unknowns{balance: 1}, ofBalance)
		q.add(0, unknowns{ownDraw: 1}, cmp.Or(c.ownSpread, overheadSpread))
		c.figures = q.inverse()
		return
	}
	c.figures = c.kernels.about(m, c.fresh.OverheadWatts)
}

// expected is what the figures say before any discharge.
func (c *calibrator) expected() equations {
	q := equations{matrix: c.figures}
	q.matrix[energy][energy] += float64(c.priorSpread * c.priorSpread)
	q.matrix = q.inverse()
	off := c.x
	off[energy] -= c.prior
	for i := range off { // the figures are worked out with the own draw as settled
		off[i] -= float64(c.figures[i][ownDraw] / c.figures[ownDraw][ownDraw] * c.ownWas)
	}
	for i := range off {
		for j := range off {
			q.right[i] -= float64(q.matrix[i][j] * off[j])
		}
	}
	return q
}

// found is the battery as far as it is known.
func (c *calibrator) found() Model {
	f := fitting{usual: c.fresh.Model}
	return f.model(c.x)
}

// middle is where to begin: the median of what the discharges say, or the
// figures'.
func (c *calibrator) middle() float64 {
	var all []float64
	for i := range c.seen {
		if o := &c.seen[i]; !o.atLeast {
			all = append(all, c.says(o))
		}
	}
	if len(all) == 0 {
		return c.prior
	}
	slices.Sort(all)
	return all[(len(all)-1)/2]
}

// range90 is how far the power that lasts for each of the times may be off: by the
// store and the losses as far as they are known, from one time to the next, by what
// another load than the one tested differs from any fit, and by the UPS's own draw.
func (c *calibrator) range90(m *Model) (lowBattery, Factors) {
	var low, high curve
	for i, t := range times {
		phi := m.Phi(t)
		watts := m.Energy / phi
		unlike := min(chartSpread, fitSpread*math.Abs(ln(watts/c.nearest(watts)))/math.Ln2)
		wide := float64(widest * hypot(c.equations.spread(lossRow(m.Ohmic, phi-t-m.Ohmic, phi)), hypot(repeatSpread, unlike)))
		low[i], high[i] = ln(watts)-wide, ln(watts)+wide
	}
	d := draw{watts: c.fresh.OverheadWatts}
	if c.usualDraw && d.watts > 0 {
		d.beside(m, c.equations.inverse())
	}
	return m.between(&low, &high, &d)
}

// nearest is the load of a discharge that says what the store is, next to the watts.
func (c *calibrator) nearest(watts float64) float64 {
	best := 0.0
	for i := range c.seen {
		o := &c.seen[i]
		if !o.atLeast && (best == 0 || math.Abs(ln(o.watts/watts)) < math.Abs(ln(best/watts))) {
			best = o.watts
		}
	}
	return best
}

// model is the battery found, and what it rests on; nil when no discharge says
// more than the figures did.
func (c *calibrator) model(judged []Judged) *policy.Model {
	m := c.found()
	factors := c.aged.At25
	tests, outages := 0, 0
	own := c.ownSpread
	if c.usualDraw && own > 0 {
		own = c.equations.spread(unknowns{ownDraw: 1})
	}
	low := lowBattery{c.fresh.LowOhmic, c.fresh.LowDiffusion, c.fresh.LowOwn, c.fresh.LowStore}
	for i := range c.seen {
		o, j := &c.seen[i], &judged[c.seen[i].of]
		switch {
		case o.atLeast:
			continue
		case o.weight < heeded:
			j.Refused = c.contradiction(o)
			continue
		case o.outage:
			outages++
		default:
			tests++
		}
		j.Used = true
	}
	basis := join(count(tests, "test"), count(outages, "outage"))
	if basis != "" {
		low, factors = c.range90(&m)
	} else {
		m = c.fresh.Model
		basis = c.fresh.Basis
	}
	least, newest := 0, c.newest()
	for i := range c.seen {
		o, j := &c.seen[i], &judged[c.seen[i].of]
		if !o.atLeast {
			continue
		}
		part := exp(c.says(o)) / m.Energy
		switch {
		case fromFullTest.Low*part <= factors.Low*1.005: // nothing new
		case part > 1.1 && i < newest:
			j.Refused = "it carried more than later ones say that there is: it counts little"
		default:
			j.Used = true
			least++
			factors = Factors{float64(fromFullTest.Low * part), max(factors.Likely, part), max(factors.High, part)}
		}
	}
	if tests+outages == 0 {
		if least == 0 {
			return nil
		}
		basis += ", and what it has carried"
	}
	if l := factors.Likely; l > 1 {
		m.Energy, factors = float64(m.Energy*l), Factors{factors.Low / l, 1, factors.High / l}
	}
	return &policy.Model{
		StoreWattHours: m.Energy / 3600, Ohmic: duration(m.Ohmic), Diffusion: duration(m.Diffusion), Relaxation: duration(m.Relaxation),
		FittedDay: c.last, Low: factors.Low, Likely: factors.Likely, High: factors.High, Basis: basis,
		LowOhmic: low.ohmic, LowDiffusion: low.diffusion, LowOwn: low.own, LowStore: low.store,
		OwnSpread: own,
	}
}

// contradiction says why a discharge counts little.
func (c *calibrator) contradiction(o *observed) string {
	part := 100 * exp(c.says(o)-c.x[energy])
	if part > 100 {
		return fmt.Sprintf("it says %.0f %% of what the others do, and a battery does not grow: it counts little. If the battery was changed, write when as installed", part)
	}
	return fmt.Sprintf("it says %.0f %% of what later ones do: it counts little", part)
}

// hypot is the standard library's but for its assembly: the same bits everywhere.
func hypot(a, b float64) float64 { return math.Sqrt(float64(a*a) + float64(b*b)) }

func duration(seconds float64) time.Duration {
	return time.Duration(math.Round(seconds * float64(time.Second)))
}

func count(n int, what string) string {
	switch n {
	case 0:
		return ""
	case 1:
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func join(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), " and ")
}
