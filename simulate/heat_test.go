package simulate

import (
	"fmt"
	"math"
	"testing"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/heat"
	"ebbline/shutdown/transcript"
	"ebbline/simulate/world"
)

// asks notes who was asked to stop, when, and why.
type asks struct {
	p      *policy.Policy
	said   map[shutdown.Code]int
	order  []int32
	lines  []string
	record bool
	warm   bool // one was asked in an outage in which every input stayed
	r      *Runner
}

func (a *asks) Event(at shutdown.Instant, e *shutdown.Event) {
	if a.record && e.Kind != shutdown.Adopted {
		a.lines = append(a.lines, transcript.Event(a.p, shutdown.Instant(at.Sub(Epoch(day))), e))
	}
}

func (a *asks) Effect(at shutdown.Instant, f *shutdown.Effect) {
	if a.record {
		a.lines = append(a.lines, transcript.Effect(a.p, shutdown.Instant(at.Sub(Epoch(day))), f))
	}
	if f.Kind != shutdown.Notify || f.Notice.Clear {
		return
	}
	a.said[f.Notice.Code]++
	if f.Notice.Code == shutdown.HostAsked {
		a.order, a.warm = append(a.order, f.Notice.Host), a.warm || a.r.State().InputStayed()
	}
}

// heatRun runs one room; the log says who was asked.
func heatRun(t testing.TB, r *Runner, o *Outage, seed uint64, record bool) (*Run, *asks) {
	t.Helper()
	log := &asks{p: r.Policy, r: r, record: record, said: map[shutdown.Code]int{}}
	r.Log, r.Reasons = log, true
	out := &Run{}
	truth := o.TruthOf(seed)
	r.Run(&truth, out)
	return out, log
}

// warmRoom draws a room that reaches its limit, with all up and nothing cooled, after a
// time between these.
func warmRoom(r *world.Random, p *policy.Policy, least, most time.Duration) world.RoomTruth {
	watts := 1000.0 // all that the attic's hosts, its switch and the UPS draw
	for {
		t := world.RoomTruth{
			TimeConstant:   time.Duration(600+6600*r.Float()) * time.Second,
			WattsPerKelvin: 10 + 90*r.Float(),
			From:           math.Round(180+80*r.Float()) / 10,
			Noise:          0.3 * r.Float(),
		}
		room := heat.Room{TimeConstant: t.TimeConstant.Seconds(), WattsPerKelvin: t.WattsPerKelvin}
		secs := room.Until(watts, 0, float64(p.Temperatures[0].LimitTenths)/10-t.From)
		if secs > least.Seconds() && secs < most.Seconds() {
			return t
		}
	}
}

// inOrder tells whether each host was asked only when what depends on it was off.
func inOrder(p *policy.Policy, run *Run) error {
	for k := range p.Hosts {
		for _, d := range p.Hosts[k].DependsOn {
			if a, b := &run.Hosts[k], &run.Hosts[d]; b.Asked >= 0 && (a.Down < 0 || a.Down > b.Asked) {
				return fmt.Errorf("%s was asked at %v, and %s was off at %v", p.Hosts[d].Name, b.Asked, p.Hosts[k].Name, a.Down)
			}
		}
	}
	return nil
}

// soakHeat is how many rooms are tried.
const soakHeat = 1000

// Aim: a room that warms comes down in order before its limit, on battery and with input
// when its cooling fails; and its hosts are back once it is cool. Method: a thousand
// random rooms that reach the limit of 35 °C in 25 minutes to three hours, with sensors
// that err by up to 0.3 K, the second in whole degrees; the truth is the modelled air.
func TestRoomsComeDownBeforeTheirLimit(t *testing.T) {
	p := readPolicy(t, "attic.hcl")
	r, err := NewRunner(p, day)
	if err != nil {
		t.Fatal(err)
	}
	warmest := 0.0
	for seed := range uint64(soakHeat) {
		dice := world.NewRandom(seed)
		o := Likely(p)
		o.Room = warmRoom(&dice, p, 25*time.Minute, 3*time.Hour)
		long := 4 * time.Hour
		what, back := world.InputLost, world.InputBack
		if seed%2 == 1 {
			what, back = world.CoolingFails, world.CoolingBack
		}
		begin := time.Duration(60+600*dice.Float()) * time.Second
		o.Moments = []world.Moment{{At: begin, What: what, UPS: -1}, {At: begin + long, What: back, UPS: -1}}
		run, log := heatRun(t, r, o, seed, false)
		hottest := r.world.Hottest()
		warmest = max(warmest, hottest)
		limit := float64(p.Temperatures[0].LimitTenths) / 10
		if hottest > limit || len(log.order) == 0 { // the battery lasts for the better part of a day
			t.Errorf("seed %d, %+v: a host ran at %.2f °C, and %d were asked", seed, o.Room, hottest, len(log.order))
		}
		if log.warm != (what == world.CoolingFails) {
			t.Errorf("seed %d: every input stayed: %v", seed, log.warm)
		}
		if err := inOrder(p, run); err != nil {
			t.Errorf("seed %d: %v", seed, err)
		}
		for k := range run.Hosts {
			if h := &run.Hosts[k]; !p.Hosts[k].Self && (h.End == world.Cut || !h.Up) {
				t.Errorf("seed %d: %s ended %v, up at the end: %v", seed, p.Hosts[k].Name, h.End, h.Up)
			}
		}
		if t.Failed() {
			t.Fatalf("the outage:\n%s", o.Text(p))
		}
	}
	t.Logf("the warmest air in which a host ran: %.2f °C", warmest)
}

// Aim: no host is stopped because of a sensor that is broken. Method: a thousand random
// rooms that do not warm by a kelvin, with input and on battery, in which one sensor or
// the other falls silent, sticks, repeats itself, jumps by 4 to 60 kelvin, more than once,
// drifts by up to 30 kelvin an hour, or changes to Fahrenheit.
func TestBrokenSensorsStopNobody(t *testing.T) {
	p := readPolicy(t, "attic.hcl")
	r, err := NewRunner(p, day)
	if err != nil {
		t.Fatal(err)
	}
	said := map[shutdown.Code]int{}
	for seed := range uint64(soakHeat) {
		dice := world.NewRandom(seed)
		o := Likely(p)
		o.Room = world.RoomTruth{TimeConstant: time.Hour, WattsPerKelvin: 2000, From: 18 + 10*dice.Float(), Noise: 0.3 * dice.Float()}
		if seed%2 == 0 {
			o.Moments = append(o.Moments, world.Moment{At: time.Minute, What: world.InputLost, UPS: -1}, world.Moment{At: 90 * time.Minute, What: world.InputBack, UPS: -1})
		}
		both, kinds := dice.Float() < 0.5, 7.0
		if both {
			kinds = 6
		}
		for range 1 + int(3*dice.Float()) {
			m := world.Moment{At: time.Duration(5400*dice.Float()) * time.Second, UPS: -1}
			if both && dice.Float() < 0.5 {
				m.Sensor = 1
			}
			switch int(kinds * dice.Float()) {
			case 0:
				m.What, m.For = world.SensorSilent, time.Duration(3600*dice.Float())*time.Second
			case 1:
				m.What = world.SensorSticks
			case 2:
				m.What, m.Number = world.SensorJumps, 4+56*dice.Float()
			case 3:
				m.What, m.Number = world.SensorJumps, -4-20*dice.Float()
			case 4:
				m.What = world.SensorRepeats
			case 5:
				m.What = world.SensorFahrenheit
			case 6: // of the one that the other confirms: alone it would look like a room that warms
				m.What, m.Number = world.SensorDrifts, 60*dice.Float()-30
			}
			o.Moments = append(o.Moments, m)
		}
		o.Moments = append(o.Moments, world.Moment{At: 2 * time.Hour, What: world.Operator, UPS: -1, Order: shutdown.Release})
		sortMoments(o.Moments)
		_, log := heatRun(t, r, o, seed, false)
		for c, n := range log.said {
			said[c] += n
		}
		if len(log.order) > 0 { // the battery lasts for the better part of a day
			t.Fatalf("seed %d: %d hosts were asked; the outage:\n%s", seed, len(log.order), o.Text(p))
		}
	}
	for _, c := range []shutdown.Code{shutdown.SensorJumped, shutdown.SensorSilent} {
		if said[c] == 0 {
			t.Errorf("%s was never said: the faults are none", c)
		}
	}
	t.Logf("said: %v", said)
}

// Aim: a sensor that errs about the threshold does not raise and end a condition again
// and again. Method: random rooms on battery for three hours that warm by half a kelvin
// to three, some near the limit, with sensors that err by up to half a kelvin.
func TestWarmRoomsAreToldOnce(t *testing.T) {
	p := readPolicy(t, "attic.hcl")
	r, err := NewRunner(p, day)
	if err != nil {
		t.Fatal(err)
	}
	told := 0
	for seed := range uint64(soakHeat / 10) {
		dice := world.NewRandom(seed)
		o := Likely(p)
		rise := 0.5 + 2.5*dice.Float()
		o.Room = world.RoomTruth{TimeConstant: time.Duration(600+3000*dice.Float()) * time.Second, WattsPerKelvin: 1000 / rise,
			From: 35 - rise - 0.5 - 6*dice.Float(), Noise: 0.5 * dice.Float()}
		o.Moments = []world.Moment{{At: time.Minute, What: world.InputLost, UPS: -1}, {At: 3 * time.Hour, What: world.InputBack, UPS: -1}}
		_, log := heatRun(t, r, o, seed, false)
		told += log.said[shutdown.RoomWarms]
		if log.said[shutdown.RoomWarms] > 2 {
			t.Errorf("seed %d: told %d times; the outage:\n%s", seed, log.said[shutdown.RoomWarms], o.Text(p))
		}
	}
	if told == 0 {
		t.Error("no room was told of")
	}
}

// Aim: what an outage file says of rooms is read, written, and read again the same.
func TestRoomLines(t *testing.T) {
	p := readPolicy(t, "attic.hcl")
	text := "room warms in 37m, loses 60W/K, from 24.5C, noise 0.2K\nat 1m cooling fails\nat 2m sensor inlet silent 2m\nat 3m sensor ups sticks\nat 4m sensor inlet jumps +20\nat 4m1s sensor inlet drifts -5.5K/h\nat 4m2s sensor ups repeats\nat 4m3s sensor ups says fahrenheit\nat 5m sensor inlet mends\nat 6m emergency door used\nat 7m emergency door released\nat 8m operator clear emergency-off\nat 9m cooling back\n"
	o, errs := Parse(p, "heat", []byte(text))
	if errs != nil {
		t.Fatal(errs)
	}
	if got := o.Text(p); got != text {
		t.Errorf("it is written as\n%s", got)
	}
	for _, bad := range []string{"room warms", "room warms in 37m", "room warms in 37m, loses 60W/K, from hot", "at 1m room warms in 37m, loses 60W/K", "cooling fails", "at 1m cooling ends", "at 1m sensor attic sticks", "at 1m sensor inlet", "at 1m sensor inlet jumps far", "at 1m sensor inlet drifts", "at 1m sensor inlet drifts 5C", "at 1m sensor inlet says kelvin", "at 1m emergency window used", "emergency door used", "at 1m emergency door"} {
		if _, errs := Parse(p, "heat", []byte("at 0s input lost\n"+bad+"\n")); errs == nil {
			t.Errorf("%q was read", bad)
		}
	}
}

// Aim: an agent that is killed in a heat wave or an emergency power off goes
// on as if it had not been: the hosts are off before the limit, and none is started before
// a person says so. Method: two outages, with a kill at every fiftieth event, its effects
// done or lost.
func TestKilledInTheHeat(t *testing.T) {
	p := readPolicy(t, "attic.hcl")
	for name, text := range map[string]string{
		"heat":      "room warms in 60m, loses 40W/K, from 24C, noise 0.1K\nat 1m input lost\nat 70m input back\n",
		"emergency": "room warms in 60m, loses 400W/K, from 20C, noise 0.1K\nat 1m input lost\nat 2m emergency door used\nat 20m input back\nat 40m emergency door released\nat 50m operator clear emergency-off\n",
	} {
		o, errs := Parse(p, name, []byte(text))
		if errs != nil {
			t.Fatal(errs)
		}
		r, err := NewRunner(p, day)
		if err != nil {
			t.Fatal(err)
		}
		for n := 0; n == 0 || n <= r.steps+50; n += 50 {
			for _, lost := range []bool{true, false} {
				r.crashAt, r.crashLost = n, lost
				run, log := heatRun(t, r, o, 1, false)
				if h := r.world.Hottest(); h > float64(p.Temperatures[0].LimitTenths)/10 || len(log.order) == 0 {
					t.Fatalf("%s, killed at event %d: a host ran at %.2f °C, and %d were asked", name, n, h, len(log.order))
				}
				for k := range run.Hosts {
					h := &run.Hosts[k]
					cleared := 50*time.Minute - time.Minute // since the loss
					if !p.Hosts[k].Self && !h.Up || name == "emergency" && h.Started >= 0 && h.Started < cleared {
						t.Fatalf("%s, killed at event %d: %s started at %v, up at the end: %v", name, n, p.Hosts[k].Name, h.Started, h.Up)
					}
				}
			}
		}
	}
}
