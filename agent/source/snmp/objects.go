package snmp

import "math"

// index is an object's place in the table of objects.
type index int

// The integer objects of RFC 1628 that a measurement is made of, then those
// that stay the same for the life of a card. The first are the evidence on
// whether the battery carries the load.
const (
	outputSource index = iota
	secondsOnBattery
	batteryStatus
	alarmsPresent
	inputVoltage1
	inputVoltage2
	inputVoltage3
	outputPower1
	outputPower2
	outputPower3
	percentLoad1
	percentLoad2
	percentLoad3
	chargeRemaining
	minutesRemaining
	batteryVoltage
	batteryTemperature
	testResults

	inputLines
	outputLines
	nominalInput
	lowTransfer
	highTransfer
	ratedVA
	ratedPower
	lowBatteryTime

	count
	evidence = inputVoltage1 // the objects below it
	fixed    = inputLines    // the objects from here on
)

// object is one integer object of RFC 1628 and the span of values that can be
// true, in the RFC's units. What lies outside was not read: cards put -1,
// 65535 or 2^31-1 where they have nothing to say.
type object struct {
	name     string
	oid      string
	low, top float64
}

const upsMIB = ".1.3.6.1.2.1.33.1."

// The spans are wider than any UPS, and are common practice without a source
// except where RFC 1628 itself limits the object.
var objects = [count]object{
	outputSource:       {"upsOutputSource", upsMIB + "4.1.0", 1, 7},
	secondsOnBattery:   {"upsSecondsOnBattery", upsMIB + "2.2.0", 0, 30 * 86400},
	batteryStatus:      {"upsBatteryStatus", upsMIB + "2.1.0", 1, 4},
	alarmsPresent:      {"upsAlarmsPresent", upsMIB + "6.1.0", 0, 10000},
	inputVoltage1:      {"upsInputVoltage", upsMIB + "3.3.1.3.1", 0, 1000},
	inputVoltage2:      {"upsInputVoltage", upsMIB + "3.3.1.3.2", 0, 1000},
	inputVoltage3:      {"upsInputVoltage", upsMIB + "3.3.1.3.3", 0, 1000},
	outputPower1:       {"upsOutputPower", upsMIB + "4.4.1.4.1", 0, 1e6},
	outputPower2:       {"upsOutputPower", upsMIB + "4.4.1.4.2", 0, 1e6},
	outputPower3:       {"upsOutputPower", upsMIB + "4.4.1.4.3", 0, 1e6},
	percentLoad1:       {"upsOutputPercentLoad", upsMIB + "4.4.1.5.1", 0, 200},
	percentLoad2:       {"upsOutputPercentLoad", upsMIB + "4.4.1.5.2", 0, 200},
	percentLoad3:       {"upsOutputPercentLoad", upsMIB + "4.4.1.5.3", 0, 200},
	chargeRemaining:    {"upsEstimatedChargeRemaining", upsMIB + "2.4.0", 0, 100},
	minutesRemaining:   {"upsEstimatedMinutesRemaining", upsMIB + "2.3.0", 0, 7 * 1440},
	batteryVoltage:     {"upsBatteryVoltage", upsMIB + "2.5.0", 1, 10000},
	batteryTemperature: {"upsBatteryTemperature", upsMIB + "2.7.0", -40, 100},
	testResults:        {"upsTestResultsSummary", upsMIB + "7.3.0", 1, 6},
	inputLines:         {"upsInputNumLines", upsMIB + "3.2.0", 1, 3},
	outputLines:        {"upsOutputNumLines", upsMIB + "4.3.0", 1, 3},
	nominalInput:       {"upsConfigInputVoltage", upsMIB + "9.1.0", 90, 700},
	lowTransfer:        {"upsConfigLowVoltageTransferPoint", upsMIB + "9.9.0", 50, 700},
	highTransfer:       {"upsConfigHighVoltageTransferPoint", upsMIB + "9.10.0", 90, 1000},
	ratedVA:            {"upsConfigOutputVA", upsMIB + "9.5.0", 50, 1e6},
	ratedPower:         {"upsConfigOutputPower", upsMIB + "9.6.0", 50, 1e6},
	lowBatteryTime:     {"upsConfigLowBattTime", upsMIB + "9.7.0", 1, 1440},
}

// objectNames is how a message names each of the objects.
var objectNames = func() (names [count][]byte) {
	for i := range objects {
		var err error
		if names[i], err = appendOID(nil, objects[i].oid); err != nil {
			panic(err)
		}
	}
	return names
}()

// Text objects, and the control group, are read once, by Probe.
const (
	identManufacturer = upsMIB + "1.1.0"
	identModel        = upsMIB + "1.2.0"
	identUPSSoftware  = upsMIB + "1.3.0"
	identAgent        = upsMIB + "1.4.0"
	identName         = upsMIB + "1.5.0"

	shutdownAfterDelay = upsMIB + "8.2.0"
	autoRestart        = upsMIB + "8.5.0"

	alarmDescr = upsMIB + "6.2.1.2" // the column
	knownAlarm = upsMIB + "6.3."    // followed by the number of an alarm
)

// alarm is a well-known alarm of RFC 1628 by its number.
type alarm int

const (
	alarmOnBattery       alarm = 2
	alarmLowBattery      alarm = 3
	alarmDepletedBattery alarm = 4
	alarmInputBad        alarm = 6
	alarmOnBypass        alarm = 9
	alarmOutputOff       alarm = 14 // and 11, 12, 15: off as requested, UPS off, system off
	alarmCommunications  alarm = 20
	alarmTest            alarm = 24
)

// figures holds one value for each object, in the RFC's units after the
// policy's scale; NaN where none was read, so that a comparison with it fails.
type figures [count]float64

func unread() (f figures) {
	for i := range f {
		f[i] = math.NaN()
	}
	return f
}

// figure takes a value as it came from the card. Whatever is no number in the
// object's span is unread.
func (o *object) figure(v Value, factor float64) float64 {
	n, ok := v.Integer()
	if !ok {
		return math.NaN()
	}
	// The small term undoes what 0.1 lacks to a tenth before anything is cut off.
	f := math.Round(float64(n)*factor*1e6) / 1e6
	if f < o.low || f > o.top {
		return math.NaN()
	}
	return f
}
