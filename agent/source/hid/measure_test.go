package hid

import (
	"math"
	"testing"
	"testing/synctest"
	"time"

	"ebbline/agent/peertest/uhidups"
	"ebbline/policy"
	"ebbline/shutdown"
)

// value is one value of a UPS that was read.
type value struct {
	module, usage usage
	n             float64
}

// calm is a UPS of 900 W in normal mode that carries 200 W.
var calm = []value{
	{powerSummary, acPresent, 1}, {powerSummary, discharging, 0}, {powerSummary, belowCapacityLimit, 0}, {powerSummary, shutdownImminent, 0},
	{powerSummary, remainingCapacity, 100}, {powerSummary, runTimeToEmpty, 1800}, {battery, voltage, 27.3}, {battery, temperature, 298.15},
	{inputSide, voltage, 230.5}, {outputSide, percentLoad, 23}, {outputSide, activePower, 200}, {outputSide, configActivePower, 900},
	{outputSide, lowTransfer, 184}, {outputSide, highTransfer, 265}, {powerSummary, timeLimit, 120}, {battery, batteryTest, 6},
}

func readingsOf(changes ...value) *readings {
	r := &readings{}
	add := func(v value) {
		for i, s := range r.slots {
			if s.usage == v.usage && s.path[1] == v.module {
				r.value[i] = v.n
				return
			}
		}
		r.slots = append(r.slots, slot{v.usage, []usage{ups, v.module}})
		r.value = append(r.value, v.n)
	}
	for _, v := range calm {
		add(v)
	}
	for _, v := range changes {
		add(v)
	}
	return r
}

var rated = Rated{Watts: 900, BatteryVolts: 24}

// Aim: a UPS in normal mode is read whole.
func TestMeasureCalm(t *testing.T) {
	want := shutdown.Measurement{
		Source: shutdown.FromInput, Input: shutdown.LineGood, Battery: shutdown.StatusNormal, LoadWatts: 200, ChargeTenths: 1000, RuntimeSeconds: 1800,
		LowSeconds: 120, OnBatterySecs: shutdown.Unread, Millivolts: 27300, TemperatureTenthsC: 250, InputDecivolts: 2305,
	}
	if got := measure(readingsOf(), rated, false); got != want {
		t.Errorf("%+v\nwant %+v", got, want)
	}
}

// Aim: what devices leave out, contradict or make up is read on the safe side.
// Method: the calm UPS with some values changed; one field is looked at. The
// odd values are those known of real devices (general knowledge of the trade,
// no source).
func TestMeasure(t *testing.T) {
	type M = shutdown.Measurement
	const u = shutdown.Unread
	nan := math.NaN()
	source := func(m M) any { return m.Source }
	line := func(m M) any { return m.Input }
	store := func(m M) any { return m.Battery }
	watts := func(m M) any { return m.LoadWatts }
	charge := func(m M) any { return m.ChargeTenths }
	runtime := func(m M) any { return m.RuntimeSeconds }
	ac := func(n float64) value { return value{powerSummary, acPresent, n} }
	out := func(n float64) value { return value{powerSummary, discharging, n} }
	for _, c := range []struct {
		name    string
		changes []value
		settled bool
		field   func(M) any
		want    any
	}{
		{"both say battery", []value{ac(0), out(1)}, false, source, shutdown.FromBattery},
		{"input away alone", []value{ac(0)}, false, source, shutdown.Source(0)},
		{"input away alone, for seconds", []value{ac(0)}, true, source, shutdown.FromBattery},
		{"discharging alone", []value{out(1)}, false, source, shutdown.Source(0)},
		{"discharging alone, for seconds", []value{out(1)}, true, source, shutdown.FromBattery},
		{"no Discharging", []value{ac(0), out(nan)}, false, source, shutdown.FromBattery},
		{"no Discharging, input there", []value{out(nan)}, false, source, shutdown.FromInput},
		{"no ACPresent", []value{ac(nan), out(1)}, false, source, shutdown.FromBattery},
		{"ACPresent is no bit", []value{ac(7), out(1)}, false, source, shutdown.FromBattery},
		{"neither", []value{ac(nan), out(nan)}, true, source, shutdown.Source(0)},
		{"the summary outranks the battery", []value{ac(0), out(1), {battery, discharging, 0}}, false, source, shutdown.FromBattery},
		{"a changed bit is no state", []value{{changedStatus, acPresent, 0}, ac(nan), out(nan)}, true, source, shutdown.Source(0)},
		{"output off", []value{ac(0), {outputSide, awaitingPower, 1}, {outputSide, percentLoad, 0}, {outputSide, activePower, 0}}, true, source, shutdown.FromNothing},
		{"awaiting power, and carrying", []value{ac(0), {outputSide, awaitingPower, 1}}, true, source, shutdown.FromBattery},

		{"input there", nil, false, line, shutdown.LineGood},
		{"input away", []value{ac(0)}, false, line, shutdown.LineBad},
		{"below the transfer point", []value{{inputSide, voltage, 183}}, false, line, shutdown.LineBad},
		{"above the transfer point", []value{{inputSide, voltage, 266}}, false, line, shutdown.LineBad},
		{"transfer points swapped", []value{{outputSide, lowTransfer, 265}, {outputSide, highTransfer, 184}, {inputSide, voltage, 183}}, false, line, shutdown.LineGood},
		{"out of range by its own word", []value{{inputSide, voltageOutOfRange, 1}}, false, line, shutdown.LineBad},
		{"the output is out of range", []value{{outputSide, voltageOutOfRange, 1}}, false, line, shutdown.LineGood},
		{"no ACPresent, no voltage", []value{ac(nan), {inputSide, voltage, nan}}, false, line, shutdown.Line(0)},
		{"0 V in normal mode", []value{{inputSide, voltage, 0}}, false, func(m M) any { return m.InputDecivolts }, u},
		{"0 V on battery", []value{ac(0), out(1), {inputSide, voltage, 0}}, false, func(m M) any { return m.InputDecivolts }, int64(0)},

		{"low by capacity", []value{{powerSummary, belowCapacityLimit, 1}}, false, store, shutdown.StatusLow},
		{"low by capacity, in the battery", []value{{battery, belowCapacityLimit, 1}}, false, store, shutdown.StatusLow},
		{"low by time", []value{{powerSummary, timeLimitExpired, 1}}, false, store, shutdown.StatusLow},
		{"the UPS asks for it", []value{{powerSummary, shutdownRequested, 1}}, false, store, shutdown.StatusLow},
		{"about to switch off", []value{{powerSummary, shutdownImminent, 1}, {powerSummary, belowCapacityLimit, 1}}, false, store, shutdown.StatusDepleted},
		{"empty", []value{{battery, fullyDischarged, 1}}, false, store, shutdown.StatusDepleted},
		{"nothing said", []value{{powerSummary, belowCapacityLimit, nan}}, false, store, shutdown.BatteryStatus(0)},
		{"testing", []value{{battery, batteryTest, 5}}, false, func(m M) any { return m.Testing }, true},

		{"0 W is no load", []value{{outputSide, activePower, 0}}, false, watts, int64(207)},
		{"percent of the greater rating", []value{{outputSide, activePower, nan}, {outputSide, configActivePower, 1000}}, false, watts, int64(230)},
		{"percent of the policy's rating", []value{{outputSide, activePower, nan}, {outputSide, configActivePower, nan}}, false, watts, int64(207)},
		{"more than twice the rating", []value{{outputSide, activePower, 2000}}, false, watts, int64(207)},
		{"an outlet's load", []value{{outputSide, activePower, nan}, {outputSide, percentLoad, nan}, {outlet, activePower, 30}}, false, watts, u},
		{"no load", []value{{outputSide, activePower, nan}, {outputSide, percentLoad, nan}}, false, watts, u},
		{"0 W and 0 %", []value{{outputSide, activePower, 0}, {outputSide, percentLoad, 0}}, false, watts, u},

		{"charge of 0 that the UPS contradicts", []value{{powerSummary, remainingCapacity, 0}}, false, charge, u},
		{"charge of 0 when low", []value{{powerSummary, remainingCapacity, 0}, {powerSummary, belowCapacityLimit, 1}}, false, charge, int64(0)},
		{"charge above 100", []value{{powerSummary, remainingCapacity, 120}}, false, charge, u},
		{"charge in mAh", []value{{powerSummary, capacityMode, 0}, {powerSummary, remainingCapacity, 4500}, {powerSummary, fullChargeCapacity, 9000}}, false, charge, int64(500)},
		{"charge in mWh of the design", []value{{powerSummary, capacityMode, 1}, {powerSummary, remainingCapacity, 4500}, {battery, designCapacity, 18000}}, false, charge, int64(250)},
		{"charge in mAh of nothing known", []value{{powerSummary, capacityMode, 0}}, false, charge, u},
		{"charge is yes or no", []value{{powerSummary, capacityMode, 3}, {powerSummary, remainingCapacity, 1}}, false, charge, u},
		{"relative charge", []value{{powerSummary, remainingCapacity, nan}, {battery, relativeCharge, 42}}, false, charge, int64(420)},

		{"runtime of 0 that the UPS contradicts", []value{{powerSummary, runTimeToEmpty, 0}}, false, runtime, u},
		{"runtime beyond a week", []value{{powerSummary, runTimeToEmpty, 1e6}}, false, runtime, u},
		{"negative runtime", []value{{powerSummary, runTimeToEmpty, -1}}, false, runtime, u},
		{"voltage in other units", []value{{battery, voltage, 2.73}}, false, func(m M) any { return m.Millivolts }, u},
		{"the summary's voltage is the battery's", []value{{battery, voltage, nan}, {powerSummary, voltage, 25}}, false, func(m M) any { return m.Millivolts }, int64(25000)},
		{"temperature in Celsius is none", []value{{battery, temperature, 25}}, false, func(m M) any { return m.TemperatureTenthsC }, u},
		{"0 K is none", []value{{battery, temperature, 0}}, false, func(m M) any { return m.TemperatureTenthsC }, u},
		{"no threshold", []value{{powerSummary, timeLimit, 0}}, false, func(m M) any { return m.LowSeconds }, u},
	} {
		if got := c.field(measure(readingsOf(c.changes...), rated, c.settled)); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// Aim: a contradiction between ACPresent and Discharging is no fact at once,
// and one after some seconds; an agreement in between starts them anew.
func TestSettled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := New(policy.HID{}, rated, nil)
		apart, together := readingsOf(value{powerSummary, acPresent, 0}), readingsOf()
		for i, c := range []struct {
			r    *readings
			wait time.Duration
			want bool
		}{
			{apart, 0, false}, {apart, 2 * time.Second, false}, {apart, time.Second, true}, {together, 0, false}, {apart, 9 * time.Second, false}, {apart, 3 * time.Second, true},
		} {
			time.Sleep(c.wait)
			if got := s.settled(c.r); got != c.want {
				t.Errorf("step %d: %v, want %v", i, got, c.want)
			}
		}
	})
}

// Aim: what was read long ago is forgotten, the evidence with the next poll;
// what the UPS sent unasked stands until it says otherwise, and so does what
// stays as it is. The later word counts. Method: the virtual UPS's descriptor,
// reports by hand.
func TestReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, err := parse(uhidups.Descriptor(false))
		if err != nil {
			t.Fatal(err)
		}
		talk := newTalk(&port{layout: l})
		take := func(k kind, id uint8, data ...byte) { talk.take(reportKey{k, id}, data, k == input) }
		check := func(when string, ac, charge, runtime, load, rated float64) {
			t.Helper()
			r, _ := talk.readings(time.Now())
			for i, c := range []struct{ got, want float64 }{
				{r.get(acPresent, anywhere), ac}, {r.get(remainingCapacity, anywhere), charge}, {r.get(runTimeToEmpty, anywhere), runtime},
				{r.get(percentLoad, anywhere), load}, {r.get(configActivePower, anywhere), rated},
			} {
				if c.got != c.want && !(math.IsNaN(c.got) && math.IsNaN(c.want)) {
					t.Errorf("%s: value %d is %v, want %v", when, i, c.got, c.want)
				}
			}
		}
		nan := math.NaN()
		check("nothing said", nan, nan, nan, nan, nan)
		take(feature, uhidups.IDStatus, 1)
		take(feature, uhidups.IDCharge, 90)
		take(input, uhidups.IDCharge, 91)
		take(input, uhidups.IDRuntime, 100, 0)
		take(feature, uhidups.IDRuntime, 101, 0)
		take(feature, uhidups.IDLoad, 20, 200, 0)
		take(feature, uhidups.IDConfig, 0x84, 3, 184, 0, 9, 1)
		check("at once", 1, 91, 101, 20, 900)
		time.Sleep(2 * time.Second)
		check("in the next poll", nan, 91, 101, 20, 900)
		time.Sleep(9 * time.Second)
		check("later", nan, 91, nan, nan, 900)
		take(input, uhidups.IDStatus, 1)
		time.Sleep(time.Hour)
		check("sent an hour ago", 1, 91, nan, nan, 900)
	})
}

// checkPlausible holds a measurement to what can be true of any UPS.
func checkPlausible(t *testing.T, m shutdown.Measurement) {
	t.Helper()
	for _, c := range []struct {
		name        string
		n, low, top int64
	}{
		{"load", m.LoadWatts, 0, 1e6}, {"charge", m.ChargeTenths, 0, 1000}, {"runtime", m.RuntimeSeconds, 0, 7 * 86400},
		{"low threshold", m.LowSeconds, 1, 3600}, {"battery voltage", m.Millivolts, 12000, 36000}, {"temperature", m.TemperatureTenthsC, -400, 1000},
		{"input voltage", m.InputDecivolts, 0, 10000},
	} {
		if c.n != shutdown.Unread && (c.n < c.low || c.n > c.top) {
			t.Fatalf("%s of %d in %+v", c.name, c.n, m)
		}
	}
}
