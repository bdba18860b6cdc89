package simulate

import (
	"math"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
	"ebbline/simulate/world"
)

// Dice draws rooms and outages: how long the input is away, how good the
// batteries really are, how long hosts really take, and what goes wrong. Faults
// are denser than in life. One seed gives one outage, whoever draws it.
type Dice struct {
	p     *policy.Policy
	cells [][]drawn // the batteries that a UPS may have
	watts []float64 // that the policy's hosts draw, by UPS
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
		d.r = world.NewRandom(uint64(i)) // every seed draws from the same
		d.cells = append(d.cells, d.batteries(&p.UPSs[i], &b, day))
		sum := 0.0
		for k := range p.Hosts {
			if h := &p.Hosts[k]; feeds(h.FedBy, i) {
				sum += draw(float64(h.Watts), h.FedBy, true)
			}
		}
		d.watts = append(d.watts, sum)
	}
	return d, nil
}

// Draw makes the outage of a seed, in o's memory. What each fault's chance and
// spread are stands in [Catalogue].
func (d *Dice) Draw(seed uint64, o *Outage) {
	d.r = world.NewRandom(seed)
	o.Moments, o.UPSs, o.Hosts, o.Room, o.Loss, o.Late, o.Drawn = o.Moments[:0], o.UPSs[:0], o.Hosts[:0], world.RoomTruth{}, 0, 0, 0
	for i := range d.p.UPSs {
		o.UPSs = append(o.UPSs, d.ups(i, o))
	}
	other := d.hits(OtherLoad)
	for k := range d.p.Hosts {
		o.Hosts = append(o.Hosts, d.host(&d.p.Hosts[k], other))
	}
	if d.hits(LostAnswers) {
		o.Loss = 0.2 * d.r.Float()
	}
	if d.hits(LateAnswers) {
		o.Late = 0.5 * d.r.Float()
	}
	end := d.input(o)
	d.faults(o, end)
	sortMoments(o.Moments)
	d.falseWords(o, end)
	if len(d.p.Temperatures) > 0 {
		d.heat(seed, o, end)
	}
	sortMoments(o.Moments)
}

// hits tells whether a fault is drawn.
func (d *Dice) hits(f Fault) bool { return d.chance(Catalogue[f].Chance) }

// ups is one UPS and its battery as they really are.
func (d *Dice) ups(i int, o *Outage) world.UPSTruth {
	is, p := d.pick(i), &d.p.UPSs[i].Battery
	u := world.UPSTruth{Battery: is.Model, Own: is.own, Holds: 1, Charge: 1, Optimism: 1, LowAt: usualLow}
	if d.p.UPSs[i].OverheadSet && d.hits(OwnDraw) {
		u.Own = 1 + float64(0.3*d.r.Float())
	}
	if d.hits(OldBattery) {
		o.Drawn |= 1 << OldBattery
		u.Holds *= 1 - 0.2*(1+float64(4*d.r.Float()))/(0.7*designYears(p))
	}
	if d.hits(ColdBattery) {
		o.Drawn |= 1 << ColdBattery
		t := 25.0
		if p.TemperatureSet {
			t = p.TemperatureC
		}
		colder := t - 1 - float64(19*d.r.Float())
		u.Holds *= battery.TemperatureFactor(p.Chemistry, colder) / battery.TemperatureFactor(p.Chemistry, t)
	}
	if d.hits(DeadCell) {
		o.Drawn |= 1 << DeadCell
		u.Holds *= 0.3 + float64(0.5*d.r.Float())
	}
	if d.hits(PartCharged) {
		u.Charge = 0.4 + float64(0.59*d.r.Float())
	}
	if d.hits(ClaimsMore) {
		u.Optimism = 1 + float64(3*d.r.Float())
	}
	u.ClaimsFull = d.hits(ClaimsFull)
	u.Holds = max(0.01, u.Holds)
	return u
}

// badModes are the ways in which a host takes an order badly.
var badModes = [...]struct {
	fault Fault
	mode  world.Mode
}{
	{HungHost, world.Hangs}, {FrozenHost, world.Freezes}, {RefusingHost, world.Refuses},
	{LostHost, world.Unreachable}, {CutHost, world.CutsLink}, {OffHost, world.WasOff},
}

func (d *Dice) host(h *policy.Host, other bool) world.HostTruth {
	t := world.HostTruth{Mode: world.Obeys, Draws: 1}
	t.Takes = time.Duration(float64(h.StopsIn) * min(4, math.Exp(0.3*d.normal())))
	t.Starts = time.Duration(float64(h.StartsIn) * min(2, math.Exp(0.2*d.normal())))
	if other {
		t.Draws = min(1.3, math.Exp(0.08*d.normal()))
	}
	x := d.r.Float()
	for _, b := range badModes {
		c := Catalogue[b.fault].Chance
		if x >= 0 && x < c && !h.Self {
			t.Mode = b.mode
		}
		x -= c
	}
	return t
}

// input draws when the input is lost and back, and now and then a second time
// soon after.
func (d *Dice) input(o *Outage) time.Duration {
	t := d.interruption(o, 0)
	if d.hits(LostAgain) {
		shape := o.Shape
		t = d.interruption(o, t+d.span(10*time.Second, 3*time.Hour))
		o.Shape = shape
	}
	return t
}

func (d *Dice) interruption(o *Outage, t time.Duration) time.Duration {
	ups := int32(-1)
	if len(d.p.UPSs) > 1 && d.hits(OneInput) {
		ups = int32(d.r.Float() * float64(len(d.p.UPSs)))
	}
	lose := func(at, length time.Duration) time.Duration {
		o.Moments = append(o.Moments, world.Moment{At: at, What: world.InputLost, UPS: ups}, world.Moment{At: at + length, What: world.InputBack, UPS: ups})
		return at + length
	}
	several := func(from, to int) int { return from + int(d.r.Float()*float64(to-from+1)) }
	o.Shape = d.shape()
	switch o.Shape {
	case Blink:
		return lose(t, d.span(200*time.Millisecond, d.p.Site.RideThrough+30*time.Second))
	case Reclosing:
		for _, open := range [...]time.Duration{500 * time.Millisecond, 15 * time.Second, 45 * time.Second} {
			t = lose(t, open)
			if d.chance(0.4) {
				return t
			}
			t += 150 * time.Millisecond
		}
		return lose(t, Length(d.r.Float()))
	case Sags:
		for range several(1, 6) {
			t = lose(t, d.span(50*time.Millisecond, 200*time.Millisecond)) + d.span(time.Second, 30*time.Second)
		}
		return t
	case Brownout:
		for range several(1, 4) {
			t = lose(t, d.span(5*time.Minute, 40*time.Minute)) + d.span(2*time.Second, 10*time.Minute)
		}
		return t
	case Flapping:
		for range several(3, 20) {
			t = lose(t, d.span(time.Second, 40*time.Second)) + d.span(time.Second, time.Minute)
		}
		return t
	case Middling:
		return lose(t, d.span(30*time.Second, 8*time.Hour))
	}
	return lose(t, Length(d.r.Float()))
}

// shape draws how the input is lost.
func (d *Dice) shape() Shape {
	x := d.r.Float()
	for s := Blink; s < Sustained; s++ {
		if x < Shapes[s].Part {
			return s
		}
		x -= Shapes[s].Part
	}
	return Sustained
}

// faults draws what else goes wrong.
func (d *Dice) faults(o *Outage, end time.Duration) {
	soon := func() time.Duration { return d.span(time.Second, min(end+time.Second, time.Hour)) }
	ups := func() int32 { return int32(d.r.Float() * float64(len(d.p.UPSs))) }
	add := func(m world.Moment) { o.Moments = append(o.Moments, m) }
	if d.hits(SilentCard) {
		add(world.Moment{At: soon(), What: world.Mute, UPS: ups(), For: d.span(3*time.Second, 20*time.Minute)})
	}
	if d.hits(OddBattery) {
		add(world.Moment{At: soon(), What: world.OddReading, UPS: ups()})
	}
	if d.hits(OddInput) {
		add(world.Moment{At: soon(), What: world.OddGood, UPS: ups()})
	}
	if d.hits(OwnTest) {
		add(world.Moment{At: end + d.span(time.Second, time.Hour), What: world.Tests, UPS: ups(), For: d.span(5*time.Second, 10*time.Minute)})
	}
	if d.hits(AgentDies) {
		add(world.Moment{At: soon(), What: world.AgentKilled, UPS: -1, For: d.span(time.Second, 5*time.Minute)})
	}
	if n := len(d.p.Loads); d.hits(PathGone) && n > 0 {
		add(world.Moment{At: soon(), What: world.PathDies, UPS: -1, Load: int32(d.r.Float() * float64(n))})
	}
	if d.hits(EndsEarly) {
		add(world.Moment{At: soon(), What: world.OutputFails, UPS: ups()})
	}
	if d.hits(LoadDrifts) {
		i := ups()
		watts := d.watts[i] * (0.01 + float64(0.14*d.r.Float()))
		add(world.Moment{At: soon(), What: world.ExtraLoad, UPS: i, Number: math.Round(watts)})
	}
}

// operatorSeed sets an operator's dice apart from those of the outage.
const operatorSeed = 0x6f70657261746f72

// Operate adds to an outage what an operator says of single hosts, before the loss, in
// the outage and after it. An operator is no fault: whatever is said, the promises hold.
// The rest of the outage is as it was, [untilLoss] later.
func (d *Dice) Operate(seed uint64, o *Outage) {
	d.r = world.NewRandom(seed ^ operatorSeed)
	end := o.later()
	judged := [...]shutdown.Code{shutdown.HostNotBack, shutdown.HostGivenUp, shutdown.StoppedHalfway, shutdown.StopFailed, shutdown.KeepInForce}
	for range 1 + int(6*d.r.Float()) {
		m := world.Moment{What: world.Operator, UPS: -1, Host: int32(d.r.Float() * float64(len(d.p.Hosts)))}
		m.At = time.Duration(d.r.Float() * float64(untilLoss))
		if d.chance(0.7) {
			m.At = untilLoss + d.span(time.Second, min(end, 4*time.Hour))
		}
		switch x := d.r.Float(); {
		case x < 0.4:
			m.Order = shutdown.StopHost
		case x < 0.65:
			m.Order = shutdown.StartHost
		case x < 0.85:
			m.Order = shutdown.KeepHost
		default:
			m.Order, m.Code = shutdown.Clear, judged[int(d.r.Float()*float64(len(judged)))]
		}
		o.Moments = append(o.Moments, m)
	}
	sortMoments(o.Moments)
}

// untilLoss is what passes with all well before an outage on which an operator has a say.
const untilLoss = 15 * time.Minute

// later moves an outage back by [untilLoss], and gives its end.
func (o *Outage) later() (end time.Duration) {
	for j := range o.Moments {
		o.Moments[j].At += untilLoss
		end = max(end, o.Moments[j].At)
	}
	return end
}

// falseWords draws what UPSs say that is not so, and what it takes more than one
// reading to find out.
func (d *Dice) falseWords(o *Outage, end time.Duration) {
	ups := func() int32 { return int32(d.r.Float() * float64(len(d.p.UPSs))) }
	for j := range o.Moments {
		if m := &o.Moments[j]; m.What == world.Tests && d.chance(1.0/3) {
			m.Number = 1
		}
	}
	if d.hits(OddOff) {
		at := d.span(time.Second, min(end+time.Second, time.Hour))
		o.Moments = append(o.Moments, world.Moment{At: at, What: world.OddNothing, UPS: ups()})
	}
	for _, f := range [...]Fault{FalseTest, EndlessTest} {
		if !d.hits(f) {
			continue
		}
		m := world.Moment{What: world.ClaimsTest, UPS: ups(), For: d.span(time.Minute, 4*time.Hour)}
		m.At = max(0, d.span(time.Second, time.Minute)-30*time.Second)
		if f == EndlessTest {
			m.Number = 1
		}
		o.Moments = append(o.Moments, m)
	}
	if d.hits(OddEnd) {
		at := d.span(time.Second, min(end+time.Second, time.Hour))
		o.Moments = append(o.Moments, world.Moment{At: at, What: world.OddLow, UPS: ups()})
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
