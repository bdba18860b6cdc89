package hid

// The usages of the pages Power Device (0x84) and Battery System (0x85) that a
// measurement is made of.
const (
	ups            usage = 0x840004
	batterySystem  usage = 0x840010 // the first module
	battery        usage = 0x840012
	powerConverter usage = 0x840016
	inputSide      usage = 0x84001A
	outputSide     usage = 0x84001C
	outlet         usage = 0x840020
	powerSummary   usage = 0x840024 // the last one
	changedStatus  usage = 0x840003

	voltage             usage = 0x840030
	activePower         usage = 0x840034
	percentLoad         usage = 0x840035
	temperature         usage = 0x840036
	configVoltage       usage = 0x840040
	configApparentPower usage = 0x840043
	configActivePower   usage = 0x840044
	switchOnControl     usage = 0x840050
	switchOffControl    usage = 0x840051
	toggleControl       usage = 0x840052
	lowTransfer         usage = 0x840053
	highTransfer        usage = 0x840054
	delayReboot         usage = 0x840055
	delayStartup        usage = 0x840056
	delayShutdown       usage = 0x840057
	batteryTest         usage = 0x840058
	moduleReset         usage = 0x840059
	voltageOutOfRange   usage = 0x840063
	frequencyOutOfRange usage = 0x840064
	shutdownRequested   usage = 0x840068
	shutdownImminent    usage = 0x840069
	awaitingPower       usage = 0x840072
	communicationLost   usage = 0x840073

	timeLimit          usage = 0x85002A
	capacityMode       usage = 0x85002C
	terminateDischarge usage = 0x850041
	belowCapacityLimit usage = 0x850042
	timeLimitExpired   usage = 0x850043
	discharging        usage = 0x850045
	fullyDischarged    usage = 0x850047
	needReplacement    usage = 0x85004B
	relativeCharge     usage = 0x850064
	remainingCapacity  usage = 0x850066
	fullChargeCapacity usage = 0x850067
	runTimeToEmpty     usage = 0x850068
	designCapacity     usage = 0x850083
	acPresent          usage = 0x8500D0
)

// Codes of units (HID 1.11, 6.2.2.7).
const (
	unitNone   = 0
	unitSecond = 0x00001001
	unitVolt   = 0x00F0D121
	unitWatt   = 0x0000D121 // also volt-amperes
	unitKelvin = 0x00010001
)

// role says what a value is good for.
type role uint8

const (
	evidence role = iota + 1 // on whether the battery carries the load
	status                   // a bit that is worth a poll when it changes
	figure                   // a number that changes
	fixed                    // stays as it is for days
	control                  // switches something; read only to switch
)

// known is one usage that a measurement is made of.
type known struct {
	usage usage
	name  string
	role  role
	unit  uint32
}

var wanted = []known{
	{acPresent, "ACPresent", evidence, unitNone},
	{discharging, "Discharging", evidence, unitNone},

	{belowCapacityLimit, "BelowRemainingCapacityLimit", status, unitNone},
	{timeLimitExpired, "RemainingTimeLimitExpired", status, unitNone},
	{shutdownRequested, "ShutdownRequested", status, unitNone},
	{shutdownImminent, "ShutdownImminent", status, unitNone},
	{fullyDischarged, "FullyDischarged", status, unitNone},
	{terminateDischarge, "TerminateDischarge", status, unitNone},
	{communicationLost, "CommunicationLost", status, unitNone},
	{awaitingPower, "AwaitingPower", status, unitNone},
	{voltageOutOfRange, "VoltageOutOfRange", status, unitNone},
	{frequencyOutOfRange, "FrequencyOutOfRange", status, unitNone},
	{batteryTest, "Test", status, unitNone},

	{remainingCapacity, "RemainingCapacity", figure, unitNone},
	{relativeCharge, "RelativeStateOfCharge", figure, unitNone},
	{runTimeToEmpty, "RunTimeToEmpty", figure, unitSecond},
	{voltage, "Voltage", figure, unitVolt},
	{activePower, "ActivePower", figure, unitWatt},
	{percentLoad, "PercentLoad", figure, unitNone},
	{temperature, "Temperature", figure, unitKelvin},

	{capacityMode, "CapacityMode", fixed, unitNone},
	{fullChargeCapacity, "FullChargeCapacity", fixed, unitNone},
	{designCapacity, "DesignCapacity", fixed, unitNone},
	{timeLimit, "RemainingTimeLimit", fixed, unitSecond},
	{configVoltage, "ConfigVoltage", fixed, unitVolt},
	{lowTransfer, "LowVoltageTransfer", fixed, unitVolt},
	{highTransfer, "HighVoltageTransfer", fixed, unitVolt},
	{configApparentPower, "ConfigApparentPower", fixed, unitWatt},
	{configActivePower, "ConfigActivePower", fixed, unitWatt},
	{needReplacement, "NeedReplacement", fixed, unitNone},

	{delayShutdown, "DelayBeforeShutdown", control, unitSecond},
	{delayStartup, "DelayBeforeStartup", control, unitSecond},
	{delayReboot, "DelayBeforeReboot", control, unitSecond},
}

// neutral gives the number that, written to a usage that switches something,
// means "nothing". What such a usage reads is how far a switching has come, so
// it must not be written back as read.
func neutral(u usage) (int64, bool) {
	switch u {
	case delayShutdown, delayStartup, delayReboot:
		return -1, true
	case switchOnControl, switchOffControl, toggleControl, batteryTest, moduleReset:
		return 0, true
	}
	return 0, false
}

// known gives what is known of a usage; a zero role when nobody needs it.
func (u usage) known() known {
	for _, k := range wanted {
		if k.usage == u {
			return k
		}
	}
	return known{usage: u}
}

// role is what a value is good for; zero for what nobody needs.
func (s slot) role() role {
	if module(s.path) == changedStatus {
		return 0
	}
	return s.usage.known().role
}

// module is the part of the UPS that a value with this path belongs to: the
// innermost one. A bit under ChangedStatus says only that something changed.
func module(path []usage) usage {
	for i := len(path) - 1; i >= 0; i-- {
		switch u := path[i]; {
		case u == changedStatus:
			return changedStatus
		case u >= batterySystem && u <= powerSummary:
			return u
		}
	}
	return ups
}
