package electrical

import (
	"cmp"
	"math"
	"slices"
)

// ContinuousPart is the part of a breaker that a load of three hours or more may
// take, unless the whole assembly is listed for all of it (NEC 210.19, 210.20).
const ContinuousPart = 0.8

// Continuous is the current in amperes and the apparent power in volt-amperes that
// a breaker may carry for three hours or more. Lines is 1, or 3 for a three-phase
// circuit whose volts are those between line and neutral.
func Continuous(volts, breakerAmps, part float64) (amps, va float64) {
	amps = breakerAmps * part
	return amps, amps * volts
}

// breakers are the standard ratings of NEC 240.6(A) to 100 A (from memory).
var breakers = []float64{15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100}

// BreakerFor is the least standard breaker for a continuous current, with the
// current that it must be sized for; 0 beyond 100 A.
func BreakerFor(amps float64) (sized, breaker float64) {
	sized = amps / ContinuousPart
	for _, b := range breakers {
		if b >= sized-dust {
			return sized, b
		}
	}
	return sized, 0
}

// Rules says whose rules a circuit goes by.
type Rules uint8

const (
	NEC Rules = iota + 1 // 80 % for continuous load
	IEC                  // IEC 60364: no such rule; hours of load heat worn household sockets all the same
)

// RulesFor guesses whose rules go with a voltage: those of North America for 100
// to 127, 208, 240, 277 and 480 V.
func RulesFor(volts float64) Rules {
	if slices.Contains([]float64{220, 230, 380, 400, 415}, volts) {
		return IEC
	}
	return NEC
}

// Receptacle is a usual circuit with its receptacle (circuits.csv gives where each
// figure was read).
type Receptacle struct {
	Region         string
	Volts, Amps    float64 // Amps is 0 for an outlet with a limit of its own
	Name           string
	ContinuousAmps float64
	ContinuousVA   float64
	FullVA         float64
}

// Receptacles are the usual ones.
var Receptacles = []Receptacle{
	{"US", 120, 15, "NEMA 5-15R", 12, 1440, 1800},
	{"US", 120, 20, "NEMA 5-20R (5-15R also allowed on multi-outlet 20 A)", 16, 1920, 2400},
	{"US", 120, 30, "NEMA L5-30R / TT-30", 24, 2880, 3600},
	{"US", 208, 20, "NEMA L6-20R", 16, 3328, 4160},
	{"US", 208, 30, "NEMA L6-30R", 24, 4992, 6240},
	{"US", 240, 20, "NEMA 6-20R / L6-20R", 16, 3840, 4800},
	{"US", 240, 30, "NEMA L6-30R", 24, 5760, 7200},
	{"EU", 230, 16, "CEE 7/3 or 7/5 (Schuko/E); IEC 60309 16 A", 16, 3680, 3680},
	{"EU", 230, 10, "lighting-type or small socket circuit", 10, 2300, 2300},
	{"EU", 230, 32, "IEC 60309 32 A", 32, 7360, 7360},
	{"UK", 230, 32, "BS 1363 ring or radial; 13 A fuse per plug", 13, 2990, 2990},
	{"any", 230, 0, "IEC 60320 C13 outlet", 10, 2300, 2300},
	{"any", 230, 0, "IEC 60320 C19 outlet", 16, 3680, 3680},
}

// HouseholdAmps is what a worn 16 A household socket should carry for hours (from
// memory).
const HouseholdAmps = 10

// Conductor is a size of copper wire. The resistance of the AWG sizes is that of
// NEC Chapter 9, Table 8 at 75 °C (aluminium beside it) and, for alternating
// current in PVC conduit at 60 Hz, Table 9; that of the metric ones IEC 60228 class
// 2 at 20 °C (from memory). Ohms per kilofoot, or per kilometre where PerKm is set;
// 0 is not known.
type Conductor struct {
	Size                string
	CopperKft, CopperKm float64 // direct current
	AluminiumKft        float64
	AlternatingKft      float64 // Table 9
	ReactanceKft        float64 // Table 9
}

// Conductors are the sizes known, thinnest first in each system.
var Conductors = []Conductor{
	{"14 AWG", 3.07, 10.072, 5.06, 3.1, 0.058},
	{"12 AWG", 1.93, 6.332, 3.18, 2.0, 0.054},
	{"10 AWG", 1.21, 3.970, 2.00, 1.2, 0.050},
	{"8 AWG", 0.764, 2.507, 1.26, 0.78, 0.052},
	{"6 AWG", 0.491, 1.611, 0.808, 0.49, 0.051},
	{"4 AWG", 0.308, 1.010, 0.508, 0.31, 0.048},
	{"2 AWG", 0.194, 0.636, 0.319, 0.19, 0.045},
	{"1/0 AWG", 0.122, 0.400, 0.201, 0.12, 0.044},
	{Size: "1.0 mm2", CopperKm: 18.1},
	{Size: "1.5 mm2", CopperKm: 12.1},
	{Size: "2.5 mm2", CopperKm: 7.41},
	{Size: "4 mm2", CopperKm: 4.61},
	{Size: "6 mm2", CopperKm: 3.08},
}

// ConductorOf finds a size by its name.
func ConductorOf(size string) (Conductor, bool) {
	i := slices.IndexFunc(Conductors, func(c Conductor) bool { return c.Size == size })
	if i < 0 {
		return Conductor{}, false
	}
	return Conductors[i], true
}

// FeetPerKm converts a length.
const FeetPerKm = 3280.84

// Ohms is the resistance of both conductors of a circuit of copper, one way so many
// metres long. The metric sizes are given at 20 °C; a loaded one is warmer, up to
// 1.2 times as much at 70 °C.
func (c Conductor) Ohms(metres float64) float64 { return 2 * c.CopperKm * metres / 1000 }

// Drop is the volts lost in both conductors, of which one has so many ohms of
// resistance and of reactance, at a current and a power factor (the usual
// approximation 2 I (R cos + X sin)).
func Drop(amps, ohms, reactance, powerFactor float64) float64 {
	sine := math.Sqrt(max(0, 1-powerFactor*powerFactor))
	return 2 * amps * (ohms*powerFactor + reactance*sine)
}

// Dissipated is the watts lost in a resistance.
func Dissipated(amps, ohms float64) float64 { return amps * amps * ohms }

// Apparent is the volt-amperes and the amperes of a load.
func Apparent(watts, powerFactor, volts float64) (va, amps float64) {
	va = watts / powerFactor
	return va, va / volts
}

// NeutralAmps is the current in the neutral of a circuit whose lines carry these
// currents at one power factor: the difference for two legs, and for three phases
// the sum of phasors 120 degrees apart. Harmonics of switched supplies without
// correction add to it: up to 1.7 times a line's (common practice, no source).
func NeutralAmps(lines ...float64) float64 {
	switch len(lines) {
	case 1:
		return lines[0]
	case 2:
		return math.Abs(lines[0] - lines[1])
	case 3:
		a, b, c := lines[0], lines[1], lines[2]
		return math.Sqrt(max(0, a*a+b*b+c*c-a*b-b*c-c*a))
	}
	return math.NaN()
}

// Unbalance is how far the most loaded line is above their mean, in percent of it.
func Unbalance(lines ...float64) float64 {
	sum := 0.0
	for _, l := range lines {
		sum += l
	}
	if len(lines) < 2 || sum <= 0 {
		return 0
	}
	mean := sum / float64(len(lines))
	return 100 * (slices.MaxFunc(lines, cmp.Compare[float64]) - mean) / mean
}

// Inrush is the peak current when supplies are switched on: all together, and one
// after the other, where it is one's peak beside what runs by then.
func Inrush(peaks []float64, running float64) (together, staggered float64) {
	for _, p := range peaks {
		together += p
		staggered = max(staggered, p)
	}
	return together, staggered + running
}

// Lockout is how long a recloser takes from the fault to locking out: its open
// intervals, and a trip before each and after the last.
func Lockout(trip float64, open ...float64) float64 {
	sum := trip
	for _, o := range open {
		sum += o + trip
	}
	return sum
}
