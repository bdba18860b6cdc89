package hid

import (
	"math"

	"ebbline/shutdown"
)

// readings are the values of one UPS by slot; NaN where none was read, so that
// a comparison with it fails.
type readings struct {
	slots []slot
	value []float64
}

// anywhere stands for every module but outlets, which switch on their own.
const anywhere usage = 0

// get gives the first value of a usage that was read, from the first of the
// modules that has one.
func (r *readings) get(u usage, modules ...usage) float64 {
	for _, want := range modules {
		for i, s := range r.slots {
			if s.usage != u || math.IsNaN(r.value[i]) {
				continue
			}
			if in := module(s.path); in == want || want == anywhere && in != outlet && in != changedStatus {
				return r.value[i]
			}
		}
	}
	return math.NaN()
}

// bit is get for what can only be 0 or 1.
func (r *readings) bit(u usage, modules ...usage) float64 {
	if n := r.get(u, modules...); n == 0 || n == 1 {
		return n
	}
	return math.NaN()
}

// any tells whether a bit is set in any module.
func (r *readings) any(u usage) bool {
	for i, s := range r.slots {
		if s.usage == u && r.value[i] == 1 && module(s.path) != changedStatus && module(s.path) != outlet {
			return true
		}
	}
	return false
}

// plausible drops what cannot be true. The spans in this file are wider than any
// UPS, and are common practice without a source.
func plausible(n, low, top float64) float64 {
	if n < low || n > top {
		return math.NaN()
	}
	return n
}

// mains gives the two pieces of evidence on whether the battery carries the
// load: ACPresent and Discharging, 0 or 1.
func (r *readings) mains() (ac, out float64) {
	return r.bit(acPresent, powerSummary, anywhere), r.bit(discharging, powerSummary, battery, anywhere)
}

// apart tells whether the two contradict each other: the input is there and the
// battery discharges, or neither.
func (r *readings) apart() bool {
	ac, out := r.mains()
	return ac == out
}

// measure says in the core's words what the UPS said in HID's. Where values
// disagree it takes the worse; what was not read never improves anything. A
// contradiction of the evidence is settled when it has lasted for a while.
func measure(r *readings, rated Rated, settled bool) shutdown.Measurement {
	m := shutdown.Nothing
	m.Testing = r.get(batteryTest, anywhere) == 5 // in progress
	m.Battery = r.batteryStatus()
	m.Source = r.source(settled)
	m.LoadWatts = r.load(m.Source, rated.Watts)
	m.InputDecivolts, m.Input = r.input(m.Source)
	m.ChargeTenths = down(believed(r.charge(), m.Battery) * 10)
	m.RuntimeSeconds = down(believed(plausible(r.get(runTimeToEmpty, powerSummary, battery, anywhere), 0, 7*86400), m.Battery))
	m.LowSeconds = down(plausible(r.get(timeLimit, powerSummary, battery, anywhere), 1, 3600))
	if v := plausible(r.get(voltage, battery, powerSummary, batterySystem), 1, 1e4); rated.BatteryVolts == 0 || math.Abs(v-rated.BatteryVolts) <= rated.BatteryVolts/2 {
		m.Millivolts = down(v * 1000)
	}
	m.TemperatureTenthsC = down(plausible(r.get(temperature, battery, batterySystem, powerSummary)-273.15, -40, 100) * 10)
	return m
}

// down rounds down; what was not read stays unread. The small term undoes what
// a scaled number lacks to a whole one.
func down(f float64) int64 {
	if math.IsNaN(f) {
		return shutdown.Unread
	}
	return int64(math.Floor(f + 1e-6))
}

// believed drops a zero that the UPS's own word on its battery contradicts:
// devices read 0 for what they do not measure.
func believed(n float64, s shutdown.BatteryStatus) float64 {
	if n == 0 && s == shutdown.StatusNormal {
		return math.NaN()
	}
	return n
}

// batteryStatus takes "will switch off in a very short time" as depleted: it is about
// to leave the load alone, whatever the battery holds.
func (r *readings) batteryStatus() shutdown.BatteryStatus {
	switch {
	case r.any(shutdownImminent) || r.any(fullyDischarged) || r.any(terminateDischarge):
		return shutdown.StatusDepleted
	case r.any(belowCapacityLimit) || r.any(timeLimitExpired) || r.any(shutdownRequested):
		return shutdown.StatusLow
	case r.bit(belowCapacityLimit, anywhere) == 0 || r.bit(timeLimitExpired, anywhere) == 0:
		return shutdown.StatusNormal
	}
	return 0
}

func (r *readings) source(settled bool) shutdown.Source {
	ac, out := r.mains()
	carries := r.get(percentLoad, outputSide, powerSummary, anywhere) > 0 || r.get(activePower, outputSide, powerSummary, anywhere) > 0
	switch {
	case ac == 0 && out == 0 && !carries && r.any(awaitingPower):
		return shutdown.FromNothing
	case r.apart() && !settled:
		return 0
	case ac == 0 || out == 1:
		return shutdown.FromBattery
	case ac == 1 || out == 0:
		return shutdown.FromInput
	}
	return 0
}

// load gives the active power, rounded up. A zero is no load that a battery
// could be planned on. Without it the percent load, taken as a share of the
// rated watts, is the best there is; it may count volt-amperes, and then it is
// an upper bound, since the watts' share cannot be more.
func (r *readings) load(s shutdown.Source, rated int64) int64 {
	if s == shutdown.FromNothing {
		return 0
	}
	top := math.Max(float64(rated), -1)
	if n := plausible(r.get(configActivePower, anywhere), 10, 1e6); n > top {
		top = n
	}
	watts := plausible(r.get(activePower, outputSide, powerSummary, powerConverter, ups), 0, 1e6)
	// More than double the rating is another unit.
	if !(watts > 0) || top > 0 && watts > 2*top {
		watts = math.NaN()
		if percent := plausible(r.get(percentLoad, outputSide, powerSummary, powerConverter, ups), 0, 200); percent > 0 && top > 0 {
			watts = percent * top / 100
		}
	}
	if math.IsNaN(watts) {
		return shutdown.Unread
	}
	return int64(math.Ceil(watts - 1e-6))
}

// input gives the voltage in tenths of a volt, and whether the input is within
// its limits by the UPS's own word and by its transfer points.
func (r *readings) input(s shutdown.Source) (int64, shutdown.Line) {
	ac, _ := r.mains()
	v := plausible(r.get(voltage, inputSide), 0, 1000)
	if v == 0 && s == shutdown.FromInput {
		v = math.NaN() // nothing can be carried from no voltage
	}
	low, high := plausible(r.get(lowTransfer, anywhere), 50, 700), plausible(r.get(highTransfer, anywhere), 90, 1000)
	outside := low < high && (v < low || v > high)
	switch {
	case ac == 0 || outside || r.bit(voltageOutOfRange, inputSide) == 1 || r.bit(frequencyOutOfRange, inputSide) == 1:
		return down(v * 10), shutdown.LineBad
	case ac == 1:
		return down(v * 10), shutdown.LineGood
	}
	return down(v * 10), 0
}

// charge gives percent. Capacity counts in the unit that CapacityMode names;
// devices without it nearly always mean percent.
func (r *readings) charge() float64 {
	left := r.get(remainingCapacity, powerSummary, battery, anywhere)
	switch r.get(capacityMode, anywhere) {
	case 0, 1: // milliampere-hours, milliwatt-hours
		full := r.get(fullChargeCapacity, powerSummary, battery, anywhere)
		if math.IsNaN(full) {
			full = r.get(designCapacity, powerSummary, battery, anywhere)
		}
		left = left * 100 / full
	case 3: // yes or no
		left = math.NaN()
	}
	if left = plausible(left, 0, 100); math.IsNaN(left) {
		left = plausible(r.get(relativeCharge, powerSummary, battery, anywhere), 0, 100)
	}
	return left
}
