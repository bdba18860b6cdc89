package snmp

import (
	"encoding/binary"
	"maps"
	"math"
	"testing"

	"github.com/gosnmp/gosnmp"

	"ebbline/shutdown"
)

// calm is a UPS of 2700 W in normal mode that carries 450 W.
var calm = map[index]int64{
	outputSource: 3, secondsOnBattery: 0, batteryStatus: 2, alarmsPresent: 0, inputVoltage1: 230, outputPower1: 450, percentLoad1: 17,
	chargeRemaining: 100, minutesRemaining: 42, batteryVoltage: 819, batteryTemperature: 24, testResults: 6,
	inputLines: 1, outputLines: 1, nominalInput: 230, lowTransfer: 184, highTransfer: 265, ratedVA: 3000, ratedPower: 2700, lowBatteryTime: 5,
}

const gone = math.MinInt64 // no such object

func figuresOf(values map[index]int64) figures {
	f := unread()
	for i, n := range values {
		if n != gone {
			f[i] = objects[i].figure(Int(n), 1)
		}
	}
	return f
}

// Aim: what RFC 1628 leaves open and what cards get wrong is read on the safe
// side. Method: the calm UPS with some objects changed; one field is looked at.
// The cases are the eleven findings on the RFC and the known odd values of
// cards (general knowledge of the trade, no source).
func TestMeasure(t *testing.T) {
	const u = shutdown.Unread
	type change = map[index]int64
	type M = shutdown.Measurement
	source := func(m M) any { return m.Source }
	line := func(m M) any { return m.Input }
	watts := func(m M) any { return m.LoadWatts }
	charge := func(m M) any { return m.ChargeTenths }
	runtime := func(m M) any { return m.RuntimeSeconds }
	volts := func(m M) any { return m.InputDecivolts }
	for _, c := range []struct {
		name   string
		change change
		alarms alarms
		field  func(M) any
		want   any
	}{
		// RFC 1628's definition: battery(5). Its compliance text: battery(4), normal(2).
		{"battery by source alone", change{outputSource: 5}, 0, source, shutdown.FromBattery},
		{"battery by seconds alone", change{secondsOnBattery: 1}, 0, source, shutdown.FromBattery},
		{"battery by alarm alone", nil, 1 << alarmOnBattery, source, shutdown.FromBattery},
		{"compliance-text card on battery", change{outputSource: 4, secondsOnBattery: 3}, 0, source, shutdown.FromBattery},
		{"compliance-text card in normal mode", change{outputSource: 2}, 0, source, shutdown.FromInput},
		{"real bypass", change{outputSource: 4}, 0, source, shutdown.FromBypass},
		{"output off", change{outputSource: 2, outputPower1: 0, percentLoad1: 0}, 0, source, shutdown.FromNothing},
		{"output off in an outage", change{outputSource: 2, outputPower1: 0, percentLoad1: 0, secondsOnBattery: 90}, 1 << alarmOnBattery, source, shutdown.FromNothing},
		{"output off by alarm, no source", change{outputSource: gone, outputPower1: gone, percentLoad1: gone}, 1 << alarmOutputOff, source, shutdown.FromNothing},
		{"other", change{outputSource: 1}, 0, source, shutdown.Source(0)},
		{"source out of range", change{outputSource: 9}, 0, source, shutdown.Source(0)},
		{"no source, but seconds", change{outputSource: gone, secondsOnBattery: 4}, 0, source, shutdown.FromBattery},
		{"seconds are nonsense", change{secondsOnBattery: math.MaxInt32}, 0, source, shutdown.FromInput},
		{"seconds are negative", change{secondsOnBattery: -1}, 0, source, shutdown.FromInput},

		{"card restarted in an outage", change{outputSource: 5, secondsOnBattery: 0}, 0, func(m M) any { return m.OnBatterySecs }, int64(0)},
		{"status low", change{batteryStatus: 3}, 0, func(m M) any { return m.Battery }, shutdown.StatusLow},
		{"status stuck, alarm low", nil, 1 << alarmLowBattery, func(m M) any { return m.Battery }, shutdown.StatusLow},
		{"status stuck, alarms low and depleted", nil, 1<<alarmLowBattery | 1<<alarmDepletedBattery, func(m M) any { return m.Battery }, shutdown.StatusDepleted},
		{"no status", change{batteryStatus: gone}, 0, func(m M) any { return m.Battery }, shutdown.BatteryStatus(0)},
		{"test by summary", change{testResults: 5}, 0, func(m M) any { return m.Testing }, true},
		{"test by alarm", change{testResults: gone}, 1 << alarmTest, func(m M) any { return m.Testing }, true},
		{"test on battery keeps a good input", change{outputSource: 5, testResults: 5}, 0, line, shutdown.LineGood},

		{"input within transfer points", change{inputVoltage1: 184}, 0, line, shutdown.LineGood},
		{"input below", change{inputVoltage1: 183}, 0, line, shutdown.LineBad},
		{"input above", change{inputVoltage1: 266}, 0, line, shutdown.LineBad},
		{"no transfer points: 10 % of nominal", change{lowTransfer: gone, inputVoltage1: 207}, 0, line, shutdown.LineGood},
		{"no transfer points: below", change{highTransfer: gone, inputVoltage1: 206}, 0, line, shutdown.LineBad},
		{"transfer points swapped: nominal", change{lowTransfer: 265, highTransfer: 184, inputVoltage1: 254}, 0, line, shutdown.LineBad},
		{"nothing to judge by, on battery", change{lowTransfer: gone, nominalInput: gone, outputSource: 5}, 0, line, shutdown.Line(0)},
		{"nothing to judge by, no voltage", change{lowTransfer: gone, nominalInput: gone, outputSource: 5, inputVoltage1: 0}, 0, line, shutdown.LineBad},
		{"nothing to judge by, on input", change{lowTransfer: gone, nominalInput: gone}, 0, line, shutdown.LineGood},
		{"0 V on battery", change{outputSource: 5, inputVoltage1: 0}, 0, line, shutdown.LineBad},
		{"0 V on battery is read", change{outputSource: 5, inputVoltage1: 0}, 0, volts, int64(0)},
		{"0 V in normal mode is none", change{inputVoltage1: 0}, 0, volts, u},
		{"0 V in normal mode: the UPS knows", change{inputVoltage1: 0}, 0, line, shutdown.LineGood},
		{"alarm beats voltage", nil, 1 << alarmInputBad, line, shutdown.LineBad},
		{"no voltage, on battery", change{outputSource: 5, inputVoltage1: gone}, 0, line, shutdown.Line(0)},
		{"one of three lines bad", change{inputLines: 3, inputVoltage2: 231, inputVoltage3: 90}, 0, line, shutdown.LineBad},
		{"worst of three lines", change{inputLines: 3, inputVoltage2: 231, inputVoltage3: 90}, 0, volts, int64(900)},
		{"two of three lines read, on battery", change{outputSource: 5, inputLines: 3, inputVoltage2: 231}, 0, line, shutdown.Line(0)},
		{"voltage out of range", change{inputVoltage1: math.MaxInt32}, 0, volts, u},

		{"load", nil, 0, watts, int64(450)},
		{"three lines", change{outputLines: 3, outputPower2: 100, outputPower3: 50}, 0, watts, int64(600)},
		{"line 1 only of three", change{outputLines: 3}, 0, watts, u},
		{"number of lines unread, two answer", change{outputLines: gone, outputPower2: 100, percentLoad2: 4}, 0, watts, int64(550)},
		{"number of lines unread, one of two answers", change{outputLines: gone, percentLoad2: 4}, 0, watts, int64(459)},
		{"0 W is no load", change{outputPower1: 0, percentLoad1: gone}, 0, watts, u},
		{"0 W and 0 %", change{outputPower1: 0, percentLoad1: 0}, 0, watts, u},
		{"0 W but 17 %", change{outputPower1: 0}, 0, watts, int64(459)},
		{"-1 W", change{outputPower1: -1, percentLoad1: gone}, 0, watts, u},
		{"percent only", change{outputPower1: gone}, 0, watts, int64(459)},
		{"percent only, no rating", change{outputPower1: gone, ratedPower: gone}, 0, watts, u},
		{"percent of three lines: the worst", change{outputPower1: gone, outputLines: 3, percentLoad2: 40, percentLoad3: 5}, 0, watts, int64(1080)},
		{"percent of two of three lines", change{outputPower1: gone, outputLines: 3, percentLoad2: 40}, 0, watts, u},
		{"percent out of range", change{outputPower1: gone, percentLoad1: 255}, 0, watts, u},
		{"tenths of watts", change{outputPower1: 5500}, 0, watts, int64(459)},
		{"output off draws nothing", change{outputSource: 2, outputPower1: 0, percentLoad1: 0}, 0, watts, int64(0)},

		{"charge", change{chargeRemaining: 71}, 0, charge, int64(710)},
		{"charge above 100", change{chargeRemaining: 101}, 0, charge, u},
		{"charge 255", change{chargeRemaining: 255}, 0, charge, u},
		{"charge -1", change{chargeRemaining: -1}, 0, charge, u},
		{"charge 0, status normal", change{chargeRemaining: 0}, 0, charge, u},
		{"charge 0, status low", change{chargeRemaining: 0, batteryStatus: 3}, 0, charge, int64(0)},
		{"minutes", nil, 0, runtime, int64(2520)},
		{"the last minute may be none", change{minutesRemaining: 1}, 0, runtime, int64(0)},
		{"minutes 0, status normal", change{minutesRemaining: 0}, 0, runtime, u},
		{"minutes 0, depleted", change{minutesRemaining: 0, batteryStatus: 4}, 0, runtime, int64(0)},
		{"minutes -1", change{minutesRemaining: -1}, 0, runtime, u},
		{"minutes 65535", change{minutesRemaining: 65535}, 0, runtime, u},
		{"minutes 2^31-1", change{minutesRemaining: math.MaxInt32}, 0, runtime, u},
		{"low threshold", nil, 0, func(m M) any { return m.LowSeconds }, int64(300)},
		{"low threshold 0", change{lowBatteryTime: 0}, 0, func(m M) any { return m.LowSeconds }, u},
		{"battery voltage", nil, 0, func(m M) any { return m.Millivolts }, int64(81900)},
		{"battery voltage in volts", change{batteryVoltage: 82}, 0, func(m M) any { return m.Millivolts }, u},
		{"battery voltage in hundredths", change{batteryVoltage: 8190}, 0, func(m M) any { return m.Millivolts }, u},
		{"temperature", nil, 0, func(m M) any { return m.TemperatureTenthsC }, int64(240)},
		{"no sensor says 0", change{batteryTemperature: 0}, 0, func(m M) any { return m.TemperatureTenthsC }, u},
		{"no sensor says -1", change{batteryTemperature: -1}, 0, func(m M) any { return m.TemperatureTenthsC }, u},
		{"temperature in tenths", change{batteryTemperature: 240}, 0, func(m M) any { return m.TemperatureTenthsC }, u},
	} {
		values := maps.Clone(calm)
		maps.Copy(values, c.change)
		f := figuresOf(values)
		if got := c.field(measure(&f, c.alarms, Rated{Watts: 0, BatteryVolts: 72})); got != c.want {
			t.Errorf("%s: %v, not %v", c.name, got, c.want)
		}
	}
}

// Aim: a basic card, which RFC 1628 lets have neither minutes nor charge nor
// power, is enough to see an outage and a low battery. Method: only what the
// subset level requires.
func TestMeasureSubsetCard(t *testing.T) {
	f := figuresOf(map[index]int64{outputSource: 5, secondsOnBattery: 61, batteryStatus: 3, alarmsPresent: 2})
	want := shutdown.Nothing
	want.Source, want.Battery, want.OnBatterySecs, want.Input = shutdown.FromBattery, shutdown.StatusLow, 61, shutdown.LineBad
	if m := measure(&f, 1<<alarmOnBattery|1<<alarmInputBad, Rated{}); m != want {
		t.Errorf("%+v, not %+v", m, want)
	}
}

// Aim: the scale of the policy applies before anything is judged, and rounds
// nothing away. Method: cards in tenths and in seconds.
func TestScale(t *testing.T) {
	for _, c := range []struct {
		object index
		raw    int64
		factor float64
		want   float64
	}{
		{inputVoltage1, 2304, 0.1, 230.4}, {batteryVoltage, 82, 10, 820}, {batteryTemperature, 240, 0.1, 24}, {outputPower1, 45, 10, 450},
		{minutesRemaining, 2520, 1.0 / 60, 42}, {chargeRemaining, 713, 0.1, 71.3},
	} {
		got := objects[c.object].figure(Int(c.raw), c.factor)
		if math.Abs(got-c.want) > 1e-6 {
			t.Errorf("%s %d times %g is %v, not %v", objects[c.object].name, c.raw, c.factor, got, c.want)
		}
	}
}

// FuzzMeasure: no answer of a card, of any type and value, makes a panic, a
// figure outside its span, or a better world than no answer. Method: type, length
// and octets of each answer come from the fuzzer; an answer that is no number in
// the object's span must measure as one that is missing.
func FuzzMeasure(f *testing.F) {
	var all []byte
	for i := range count {
		all = binary.BigEndian.AppendUint64(append(all, byte(gosnmp.Integer), 8), uint64(calm[i]))
	}
	f.Add([]byte{}, uint32(0))
	f.Add(all, uint32(0))
	f.Add(all[:40], uint32(1<<alarmOnBattery|1<<alarmLowBattery))
	f.Fuzz(func(t *testing.T, data []byte, set uint32) {
		v, missing := unread(), unread()
		for i := range objects {
			if len(data) < 10 {
				break
			}
			p := value(data[0], data[10-data[1]%9:10])
			data = data[10:]
			v[i] = objects[i].figure(p, 1)
			if n, ok := p.Integer(); ok && float64(n) >= objects[i].low && float64(n) <= objects[i].top {
				missing[i] = float64(n)
			}
		}
		a := alarms(set & 0x1fffffe)
		m := measure(&v, a, Rated{Watts: 2700, BatteryVolts: 72})
		if m != measure(&missing, a, Rated{Watts: 2700, BatteryVolts: 72}) {
			t.Errorf("nonsense is not as good as missing: %+v", m)
		}
		within := func(name string, n, low, high int64) {
			if n != shutdown.Unread && (n < low || n > high) {
				t.Errorf("%s is %d in %+v", name, n, m)
			}
		}
		least := int64(1)
		if m.Source == shutdown.FromNothing {
			least = 0
		}
		within("load", m.LoadWatts, least, 3e6)
		within("charge", m.ChargeTenths, 0, 1000)
		within("runtime", m.RuntimeSeconds, 0, 7*86400)
		within("low threshold", m.LowSeconds, 60, 86400)
		within("seconds on battery", m.OnBatterySecs, 0, 30*86400)
		within("battery voltage", m.Millivolts, 36000, 108000)
		within("temperature", m.TemperatureTenthsC, -400, 1000)
		within("input", m.InputDecivolts, 0, 10000)
		evidence := v[outputSource] == 5 || v[secondsOnBattery] > 0 || a.has(alarmOnBattery)
		if evidence && (m.Source == shutdown.FromInput || m.Source == shutdown.FromBypass || m.Source == 0) {
			t.Errorf("evidence of battery gives %v", m.Source)
		}
		if (v[batteryStatus] >= 3 || a.has(alarmLowBattery)) && m.Battery < shutdown.StatusLow {
			t.Errorf("evidence of a low battery gives %v", m.Battery)
		}
		if a.has(alarmInputBad) && m.Input != shutdown.LineBad {
			t.Errorf("a bad input gives %v", m.Input)
		}
	})
}
