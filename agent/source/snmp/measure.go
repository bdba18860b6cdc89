package snmp

import (
	"math"
	"strconv"
	"strings"

	"ebbline/shutdown"
)

// alarms is the set of well-known alarms that are present, a bit for each.
type alarms uint32

func (a alarms) has(n alarm) bool { return a&(1<<n) != 0 }

// outputOff tells whether an alarm says that the load gets nothing.
func (a alarms) outputOff() bool { return a&(1<<11|1<<12|1<<14|1<<15) != 0 }

// alarmSet takes the rows of upsAlarmDescr. Alarms of the maker are passed over.
func alarmSet(rows []Value) (set alarms) {
	for _, row := range rows {
		name, _ := row.OID()
		number, ok := strings.CutPrefix(name, knownAlarm)
		if n, err := strconv.Atoi(number); ok && err == nil && n >= 1 && n <= 24 {
			set |= 1 << n
		}
	}
	return set
}

// measure says in the core's words what the card said in RFC 1628's. Where the
// objects disagree it takes the worse; what was not read never improves
// anything.
func measure(f *figures, a alarms, rated Rated) shutdown.Measurement {
	m := shutdown.Nothing
	m.Testing = f[testResults] == 5 || a.has(alarmTest)
	m.Battery = statusOf(f[batteryStatus], a)
	m.Source = source(f, a)
	m.LoadWatts = load(f, m.Source, rated.Watts)
	m.InputDecivolts, m.Input = input(f, a, m.Source)
	m.ChargeTenths = whole(believed(f[chargeRemaining], m.Battery) * 10)
	// By its syntax the count never falls below 1, so 1 may also be nothing.
	if minutes := believed(f[minutesRemaining], m.Battery); minutes == 1 {
		m.RuntimeSeconds = 0
	} else {
		m.RuntimeSeconds = whole(minutes * 60)
	}
	m.LowSeconds = whole(f[lowBatteryTime] * 60)
	m.OnBatterySecs = whole(f[secondsOnBattery])
	// A reading far from the string's nominal voltage is in other units, or
	// none. Common practice, no source: a lead-acid string stands between 0.75
	// and 1.25 of nominal.
	if mv := f[batteryVoltage] * 100; rated.BatteryVolts == 0 || math.Abs(mv/1000-rated.BatteryVolts) <= rated.BatteryVolts/2 {
		m.Millivolts = whole(mv)
	}
	// 0 and -1 are what a card without a sensor says.
	if t := f[batteryTemperature]; t != 0 && t != -1 {
		m.TemperatureTenthsC = whole(t * 10)
	}
	return m
}

// whole rounds down; what was not read stays unread.
func whole(f float64) int64 {
	if math.IsNaN(f) {
		return shutdown.Unread
	}
	return int64(math.Floor(f))
}

// believed drops a zero that the UPS's own word on its battery contradicts:
// cards answer 0 for what they do not measure.
func believed(f float64, s shutdown.BatteryStatus) float64 {
	if f == 0 && s == shutdown.StatusNormal {
		return math.NaN()
	}
	return f
}

func statusOf(status float64, a alarms) shutdown.BatteryStatus {
	switch {
	case status == 4 || a.has(alarmDepletedBattery):
		return shutdown.StatusDepleted
	case status == 3 || a.has(alarmLowBattery):
		return shutdown.StatusLow
	case status == 2:
		return shutdown.StatusNormal
	}
	return 0
}

// source weighs three objects. RFC 1628's compliance sections number
// upsOutputSource otherwise than its definition does (normal 2, battery 4), so
// a card may say "none" in normal mode and "bypass" on battery.
func source(f *figures, a alarms) shutdown.Source {
	reported := f[outputSource]
	carries := f[outputPower1] > 0 || f[outputPower2] > 0 || f[outputPower3] > 0 ||
		f[percentLoad1] > 0 || f[percentLoad2] > 0 || f[percentLoad3] > 0
	onBattery := reported == 5 || f[secondsOnBattery] > 0 || a.has(alarmOnBattery)
	switch {
	case reported == 2 && !carries, math.IsNaN(reported) && a.outputOff() && !carries:
		return shutdown.FromNothing
	case onBattery:
		return shutdown.FromBattery
	case reported == 4 || a.has(alarmOnBypass):
		return shutdown.FromBypass
	case reported == 3 || reported == 6 || reported == 7 || reported == 2:
		return shutdown.FromInput
	}
	return 0
}

// load sums the lines' active power, rounded up. A zero is no load that a
// battery could be planned on. Without it the percent load gives an upper
// bound: it is the greater of the watts' and the volt-amperes' share of the
// line's capacity, so the watts are at most that share of the rated watts.
func load(f *figures, s shutdown.Source, rated int64) int64 {
	if s == shutdown.FromNothing {
		return 0
	}
	watts, percent := 0.0, 0.0
	for line := range lines(f, outputLines, outputPower1, percentLoad1) {
		watts += f[outputPower1+line]
		percent = math.Max(percent, f[percentLoad1+line])
	}
	if r := f[ratedPower]; r > float64(rated) {
		rated = int64(r)
	}
	bound := math.NaN()
	if rated > 0 && percent > 0 {
		bound = percent * float64(rated) / 100
	}
	// More than double the rating is another unit.
	if !(watts > 0) || rated > 0 && watts > 2*float64(rated) {
		watts = bound
	}
	if math.IsNaN(watts) {
		return shutdown.Unread
	}
	return int64(math.Ceil(watts))
}

// lines is how many lines there are: as many as the card says, or else as many
// as one of the columns reaches.
func lines(f *figures, reported index, columns ...index) index {
	if n := f[reported]; n > 0 {
		return index(n)
	}
	for n := index(3); n > 1; n-- {
		for _, column := range columns {
			if !math.IsNaN(f[column+n-1]) {
				return n
			}
		}
	}
	return 1
}

// input gives the worst line's voltage in tenths of a volt, and whether the
// input is within its limits: between the transfer points, or else within
// 10 % of nominal, where EN 50160 has a dip or a swell begin. Without a
// voltage the UPS's own choice of source is what is known.
func input(f *figures, a alarms, s shutdown.Source) (int64, shutdown.Line) {
	low, high, nominal := f[lowTransfer], f[highTransfer], f[nominalInput]
	if !(low < high) {
		low, high = nominal*0.9, nominal*1.1
	}
	middle := (low + high) / 2
	worst, read, all := math.NaN(), 0, lines(f, inputLines, inputVoltage1)
	for line := range all {
		v := f[inputVoltage1+line]
		if math.IsNaN(v) || v == 0 && s == shutdown.FromInput {
			continue // nothing can be carried from no voltage
		}
		read++
		if math.IsNaN(worst) || math.Abs(v-middle) > math.Abs(worst-middle) || math.IsNaN(middle) && v < worst {
			worst = v
		}
	}
	volts := whole(worst * 10)
	switch {
	case a.has(alarmInputBad) || worst == 0 || worst < low || worst > high:
		return volts, shutdown.LineBad
	case s == shutdown.FromInput || index(read) == all && worst >= low:
		return volts, shutdown.LineGood
	}
	return volts, 0
}
