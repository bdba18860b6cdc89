// Package electrical is the electrical trade's tables and arithmetic as plain
// functions: classes of voltage events, tolerance curves, circuits and their
// limits, conductors, efficiencies, indices of reliability, battery factors,
// heat of a room. It holds published figures with their sources and must never
// read a file, a clock or a policy's secrets, nor pass for an inspection: local
// code, the maker's manual and a licensed electrician come first.
//
// The tables are checked row by row against testdata/electrical, where each has
// its source and says whether the text was seen or remembered. Percent is of the
// nominal voltage.
package electrical

import (
	"fmt"
	"math"
	"time"
)

// Thresholds of a voltage event, in percent of nominal: IEC 61000-4-30 as
// usually set, with its hysteresis; the interruption by IEEE 1159 and EN 50160.
const (
	SagBelow         = 90.0
	SwellAbove       = 110.0
	Hysteresis       = 2.0
	InterruptedBelow = 10.0 // IEEE 1159
	ShortBelow       = 5.0  // EN 50160:2010
)

// dust is what a float may be off where a boundary is meant.
const dust = 1e-9

// Shape is what kind of event it is.
type Shape uint8

const (
	Nothing      Shape = iota + 1 // within 90 to 110 %, or shorter than half a cycle
	Sag                           // a dip in EN 50160's word
	Swell                         //
	Interruption                  //
	Undervoltage                  // longer than a minute
	Overvoltage
)

// String gives the standard's word.
func (s Shape) String() string {
	return [...]string{"", "none", "sag", "swell", "interruption", "undervoltage", "overvoltage"}[s]
}

// Length is IEEE 1159's class of duration.
type Length uint8

const (
	Transient     Length = iota + 1 // shorter than half a cycle
	Instantaneous                   // to 30 cycles
	Momentary                       // to 3 s
	Temporary                       // to a minute
	Sustained                       // longer: "sustained" of an interruption, else of long duration
)

// String gives the standard's word.
func (l Length) String() string {
	return [...]string{"", "transient", "instantaneous", "momentary", "temporary", "sustained"}[l]
}

// Class is an event's class by IEEE 1159-2009, Table 2.
type Class struct {
	Length Length
	Shape  Shape
}

// String gives it as the standard writes it: "momentary sag", "undervoltage".
func (c Class) String() string {
	switch {
	case c.Shape == Nothing || c.Shape == Undervoltage || c.Shape == Overvoltage:
		return c.Shape.String()
	}
	return c.Length.String() + " " + c.Shape.String()
}

// IEEE1159 classifies an event by its extreme in percent, its length, and the
// nominal frequency in hertz, on which the limits in cycles depend. An
// interruption has no instantaneous class. A long sag deeper than the table's
// 80 % is an undervoltage all the same: the table has no other word for it.
func IEEE1159(percent float64, length time.Duration, hertz float64) Class {
	c := Class{Shape: shape(percent)}
	s := length.Seconds()
	switch cycles := s * hertz; {
	case cycles < 0.5-dust:
		return Class{Transient, Nothing}
	case cycles <= 30+dust && c.Shape != Interruption:
		c.Length = Instantaneous
	case s <= 3:
		c.Length = Momentary
	case s <= 60:
		c.Length = Temporary
	default:
		c.Length = Sustained
		switch c.Shape {
		case Sag:
			c.Shape = Undervoltage
		case Swell:
			c.Shape = Overvoltage
		}
	}
	return c
}

func shape(percent float64) Shape {
	switch {
	case percent < InterruptedBelow-dust:
		return Interruption
	case percent < SagBelow-dust:
		return Sag
	case percent > SwellAbove+dust:
		return Swell
	}
	return Nothing
}

// EN50160 names an event as EN 50160 does, with the cell of its grid for dips:
// "dip C2", "short interruption". A dip longer than a minute is a slow variation.
func EN50160(percent float64, length time.Duration) string {
	s := length.Seconds()
	switch {
	case s < 0.010-dust || shape(percent) == Nothing:
		return "none"
	case percent < ShortBelow-dust && s <= 180:
		return "short interruption"
	case percent < ShortBelow-dust:
		return "long interruption"
	case s > 60:
		return "slow variation"
	case percent > SwellAbove:
		return "swell"
	}
	return "dip " + Cell(percent, length)
}

// Cell is the cell of EN 50160's grid of residual voltage and duration, "" for
// what is not in it.
func Cell(percent float64, length time.Duration) string {
	s := length.Seconds()
	if s < 0.010-dust || s > 60 || percent >= SagBelow-dust {
		return ""
	}
	row := "X"
	for _, r := range [...]struct {
		from float64
		name string
	}{{80, "A"}, {70, "B"}, {40, "C"}, {5, "D"}} {
		if percent >= r.from-dust {
			row = r.name
			break
		}
	}
	column := 1
	for _, to := range [...]float64{0.2, 0.5, 1, 5} {
		if s > to+dust {
			column++
		}
	}
	return fmt.Sprintf("%s%d", row, column)
}

// IEEE1366 names an interruption by IEEE 1366: momentary up to five minutes, else
// sustained; "none" for what is none.
func IEEE1366(percent float64, length time.Duration) string {
	switch {
	case shape(percent) != Interruption:
		return "none"
	case length <= 5*time.Minute:
		return "momentary"
	}
	return "sustained"
}

// Place is a side of a tolerance curve.
type Place uint8

const (
	Inside     Place = iota + 1 // equipment built to it goes on
	NoDamage                    // below the curve: it may stop, and is not harmed
	Prohibited                  // above the curve: it may be harmed
)

// String gives the word for people.
func (p Place) String() string {
	return [...]string{"", "inside", "outside (may stop, no damage)", "outside (damage possible)"}[p]
}

// Step is one step of a tolerance curve: for an event longer than From and up to
// To the limit is Percent. To is 0 for no end.
type Step struct {
	From, To float64 // seconds
	Percent  float64
}

// ITICLower and ITICUpper are the ITI (CBEMA) curve, revised 2000, for single-phase
// equipment of 120 V and 60 Hz (a power-quality handbook and two application
// notes). A duration on a corner belongs to the shorter step. Of the slope from
// 500 % to 200 % its end is taken.
var (
	ITICLower = []Step{{0, 0.020, 0}, {0.020, 0.5, 70}, {0.5, 10, 80}, {10, 0, 90}}
	ITICUpper = []Step{{0.0000017, 0.000167, 500}, {0.000167, 0.001, 200}, {0.001, 0.003, 140}, {0.003, 0.5, 120}, {0.5, 0, 110}}
)

func limit(curve []Step, seconds float64) (float64, bool) {
	for _, s := range curve {
		if seconds > s.From+dust*s.From || s.From == 0 {
			if s.To == 0 || seconds <= s.To+dust {
				return s.Percent, true
			}
		}
	}
	return 0, false
}

// ITIC says where an event lies on the ITIC curve.
func ITIC(percent float64, length time.Duration) Place {
	if high, ok := limit(ITICUpper, length.Seconds()); ok && percent > high+dust {
		return Prohibited
	}
	if low, ok := limit(ITICLower, length.Seconds()); ok && percent < low-dust {
		return NoDamage
	}
	return Inside
}

// F47Points are the required points of SEMI F47-0706: what remains, in percent,
// and for how long equipment must go on with it. Sags shorter than some 50 ms
// have no required level.
var F47Points = []Step{{0.05, 0.2, 50}, {0.2, 0.5, 70}, {0.5, 1.0, 80}}

// F47Recommended is one full cycle of nothing: a recommended point.
const F47Recommended = 0.016667 // s, at 60 Hz

// F47 tells whether equipment that meets SEMI F47 must go on with a sag; required
// is false where the standard asks for nothing.
func F47(percent float64, length time.Duration) (inside, required bool) {
	s := length.Seconds()
	level, ok := limit(F47Points, s)
	return ok && percent >= level-dust, ok
}

// Range is a pair of limits in volts.
type Range struct{ Low, High float64 }

// Has tells whether a voltage is within, its limits included.
func (r Range) Has(volts float64) bool { return volts >= r.Low-dust && volts <= r.High+dust }

// C84 is ANSI C84.1's limits for a nominal voltage, at the service and where the
// voltage is used, which is where a UPS measures its input (from memory; edition
// 2006 to 2016).
type C84 struct {
	Nominal                float64
	ServiceA, UtilizationA Range // normal
	ServiceB, UtilizationB Range // tolerable, infrequent, to be corrected
}

var c84 = []C84{
	{120, Range{114, 126}, Range{110, 125}, Range{110, 127}, Range{106, 127}},
	{240, Range{228, 252}, Range{220, 250}, Range{220, 254}, Range{212, 254}},
}

// ANSIC84 gives the limits for a nominal voltage; false where the table has none.
func ANSIC84(nominal float64) (C84, bool) {
	for _, r := range c84 {
		if r.Nominal == nominal {
			return r, true
		}
	}
	return C84{}, false
}

// SlowRange is EN 50160's for slow variations: 95 % of the ten-minute means of a
// week within 10 % of nominal, all of them within +10 and -15 % (from memory).
func SlowRange(nominal float64) (usual, all Range) {
	return Range{0.90 * nominal, 1.10 * nominal}, Range{0.85 * nominal, 1.10 * nominal}
}

// nominals are the usual nominal voltages between which a recording in volts is
// placed.
var nominals = []float64{100, 110, 115, 120, 127, 208, 220, 230, 240}

// NearestNominal gives the usual nominal voltage that a voltage is nearest to. At
// 50 Hz that is never 240 V: IEC 60038 has had 230 V in its place since 1983.
func NearestNominal(volts, hertz float64) float64 {
	best := nominals[0]
	for _, n := range nominals {
		if math.Abs(n-volts) < math.Abs(best-volts) && !(n == 240 && hertz == 50) {
			best = n
		}
	}
	return best
}

// UsualHertz is the frequency that goes with a nominal voltage nearly everywhere; 0
// where it may be either.
func UsualHertz(nominal float64) float64 {
	switch nominal {
	case 120, 208:
		return 60
	case 230:
		return 50
	}
	return 0
}
