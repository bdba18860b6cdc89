package simulate

import (
	"math"
	"time"

	"ebbline/policy"
	"ebbline/simulate/world"
)

// heatSeed sets the dice of a room's air apart from those of the outage: they draw
// nothing for a policy without temperatures, and change nothing of the rest.
const heatSeed = 0x6f76656e77617264

// sensorFaults are the ways in which one sensor may be broken.
var sensorFaults = [...]struct {
	fault Fault
	what  world.What
}{
	{SilentSensor, world.SensorSilent}, {StuckSensor, world.SensorSticks}, {RepeatingSensor, world.SensorRepeats},
	{JumpingSensor, world.SensorJumps}, {DriftingSensor, world.SensorDrifts}, {WrongUnits, world.SensorFahrenheit},
}

// sensorFault gives the fault of a moment that is one of a sensor.
func sensorFault(what world.What) (Fault, bool) {
	for _, f := range sensorFaults {
		if f.what == what {
			return f.fault, true
		}
	}
	return 0, false
}

// heat draws how the room warms, a failure of its cooling, and what one of its sensors
// does that is not so. Never two: two that warm are what a policy takes for the truth.
func (d *Dice) heat(seed uint64, o *Outage, end time.Duration) {
	d.r = world.NewRandom(seed ^ heatSeed)
	o.Room = d.room()
	soon := func() time.Duration { return d.span(time.Second, max(time.Minute, end+30*time.Minute)) }
	if d.hits(CoolingFails) {
		at := soon()
		o.Moments = append(o.Moments, world.Moment{At: at, What: world.CoolingFails, UPS: -1},
			world.Moment{At: at + d.span(10*time.Minute, 4*time.Hour), What: world.CoolingBack, UPS: -1})
	}
	m := world.Moment{UPS: -1, Sensor: int32(d.r.Float() * float64(len(d.p.Temperatures)))}
	x := d.r.Float()
	for _, f := range sensorFaults {
		if c := Catalogue[f.fault].Chance; x >= 0 && x < c {
			m.What = f.what
		}
		x -= Catalogue[f.fault].Chance
	}
	if m.What == 0 {
		return
	}
	sign := 1.0
	if d.chance(0.5) {
		sign = -1
	}
	times := 1
	switch m.What {
	case world.SensorSilent:
		m.For = d.span(time.Minute, 4*time.Hour)
	case world.SensorJumps:
		times += int(3 * d.r.Float())
	case world.SensorDrifts:
		m.Number = sign * math.Round(10*math.Exp(math.Log(30)*d.r.Float())) / 10
	}
	for range times {
		if m.At = soon(); m.What == world.SensorFahrenheit && sign > 0 {
			m.At = 0
		}
		if m.What == world.SensorJumps {
			m.Number = sign * math.Round(10*(4+float64(56*d.r.Float()))) / 10
		}
		o.Moments = append(o.Moments, m)
	}
}

// room draws how the air warms without cooling, with all up: in half of the rooms by no
// kelvin at all, in the others by 3 to 40.
func (d *Dice) room() world.RoomTruth {
	watts := 0.0
	for i := range d.watts {
		watts += d.watts[i] + d.fixed(i)
	}
	rise := 0.7 * d.r.Float()
	if d.chance(0.5) {
		rise = 3 + float64(37*d.r.Float())
	}
	return world.RoomTruth{
		TimeConstant:   d.span(10*time.Minute, 3*time.Hour).Round(time.Second),
		WattsPerKelvin: math.Ceil(100*watts/max(rise, 0.01)) / 100,
		From:           min(math.Round(180+float64(80*d.r.Float()))/10, lowestLimit(d.p)-8),
		Noise:          math.Round(30*d.r.Float()) / 100,
	}
}

// fixed is what a UPS carries besides its hosts, and takes itself.
func (d *Dice) fixed(i int) float64 {
	sum := float64(d.p.UPSs[i].OverheadWatts)
	for l := range d.p.Loads {
		if q := &d.p.Loads[l]; feeds(q.FedBy, i) {
			sum += draw(float64(q.Watts), q.FedBy, true)
		}
	}
	return sum
}

// hotRooms are the standard outages of a policy that reads temperatures: a room that warms to its
// limit in an outage, and one whose cooling fails; and each kind of broken sensor in a
// room that does not warm.
func hotRooms(p *policy.Policy) []*Outage {
	if len(p.Temperatures) == 0 {
		return nil
	}
	const long = 4 * time.Hour
	watts := 0.0
	for k := range p.Hosts {
		watts += float64(p.Hosts[k].Watts)
	}
	limit := lowestLimit(p)
	from := min(22, limit-8)
	warm := world.RoomTruth{TimeConstant: time.Hour, WattsPerKelvin: math.Ceil(100*watts/(limit-from+5)) / 100, From: from, Noise: 0.2}
	lost := lasting(p, "four hours, in a room that warms to its limit", long)
	lost.Room = warm
	fails := lasting(p, "four hours without cooling, with input", long)
	fails.Room = warm
	fails.Moments[0].What, fails.Moments[1].What = world.CoolingFails, world.CoolingBack
	list := []*Outage{lost, fails}
	warm.WattsPerKelvin *= 100
	for _, f := range sensorFaults {
		o := lasting(p, "twenty minutes, and a blink four hours later; "+Catalogue[f.fault].Name, 20*time.Minute)
		o.Room = warm
		o.Moments = append(o.Moments, world.Moment{At: 5 * time.Minute, What: f.what, UPS: -1, For: 2 * time.Hour, Number: 20})
		o.Moments = append(o.Moments, loss(long, 10*time.Second)...)
		sortMoments(o.Moments)
		list = append(list, o)
	}
	return list
}

// lowestLimit is the lowest limit of a policy's temperatures, in degrees Celsius.
func lowestLimit(p *policy.Policy) float64 {
	lowest := p.Temperatures[0].LimitTenths
	for j := range p.Temperatures {
		lowest = min(lowest, p.Temperatures[j].LimitTenths)
	}
	return float64(lowest) / 10
}
