package electrical

import "math"

// Factor is a row of the temperature factors of lead-acid capacity tests, reference
// 77 °F (25 °C): Time by the time-adjusted method, C = ta/(ts Time); Rate by the
// rate-adjusted one, which goes the other way. From memory, and read alike in a
// public calculation table; IEEE 450 and 1188 themselves were not seen.
type Factor struct{ Fahrenheit, Time, Rate float64 }

// Factors are the published rows.
var Factors = []Factor{
	{40, 0.670, 1.300}, {45, 0.735, 1.250}, {50, 0.790, 1.190}, {55, 0.840, 1.150}, {60, 0.882, 1.110},
	{65, 0.920, 1.080}, {66, 0.927, 1.072}, {67, 0.935, 1.064}, {68, 0.942, 1.056}, {69, 0.948, 1.048},
	{70, 0.955, 1.040}, {71, 0.960, 1.034}, {72, 0.970, 1.029}, {73, 0.975, 1.023}, {74, 0.980, 1.017},
	{75, 0.985, 1.011}, {76, 0.990, 1.006}, {77, 1.000, 1.000}, {78, 1.002, 0.994}, {79, 1.007, 0.987},
	{80, 1.011, 0.980}, {81, 1.017, 0.976}, {82, 1.023, 0.972}, {83, 1.030, 0.968}, {84, 1.035, 0.964},
	{85, 1.040, 0.960}, {86, 1.045, 0.956}, {87, 1.050, 0.952}, {88, 1.055, 0.948}, {89, 1.060, 0.944},
	{90, 1.065, 0.940}, {95, 1.090, 0.930}, {100, 1.112, 0.910}, {105, 1.140, 0.890}, {110, 1.162, 0.880},
	{115, 1.187, 0.870}, {120, 1.210, 0.860},
}

// TemperatureFactors gives both factors at a temperature in degrees Fahrenheit, in
// a straight line between rows.
func TemperatureFactors(fahrenheit float64) (byTime, byRate float64) {
	var xs, times, rates []float64
	for _, f := range Factors {
		xs, times, rates = append(xs, f.Fahrenheit), append(times, f.Time), append(rates, f.Rate)
	}
	return interpolate(xs, times, fahrenheit), interpolate(xs, rates, fahrenheit)
}

// Fahrenheit converts degrees Celsius.
func Fahrenheit(celsius float64) float64 { return celsius*9/5 + 32 }

// CapacityByTime is a battery's capacity in percent by the time-adjusted method,
// for tests of an hour or longer: measured and rated time in one unit. For the few
// minutes of a UPS's battery it understates; there the rate method holds, as
// [ebbline/shutdown/battery] does it.
func CapacityByTime(measured, rated, fahrenheit float64) float64 {
	byTime, _ := TemperatureFactors(fahrenheit)
	return 100 * measured / (rated * byTime)
}

// TestCurrent is the current at which a test at this temperature shows what the
// published one shows at 25 °C.
func TestCurrent(published, fahrenheit float64) float64 {
	_, byRate := TemperatureFactors(fahrenheit)
	return published / byRate
}

// CapacityByRate is the capacity in percent by the rate method: the power carried,
// over what a new battery sustains for as long, from its table of rising times.
func CapacityByRate(carried, measured, fahrenheit float64, times, powers []float64) float64 {
	_, byRate := TemperatureFactors(fahrenheit)
	return 100 * carried * byRate / interpolate(times, powers, measured)
}

// Degraded tells the signs after which a battery is tested yearly: a drop of more
// than ten points of the rating since the last test, or below 90 % (IEEE 450 and
// 1188, read second-hand).
func Degraded(lastPercent, nowPercent float64) bool {
	return lastPercent-nowPercent > 10 || nowPercent < 90
}

// LifeYears is a lead-acid battery's life at a temperature in degrees Celsius: half
// for each 8 °C above 25 (published; below 25 nothing is gained here).
func LifeYears(at25, celsius float64) float64 {
	return at25 * math.Pow(0.5, max(0, celsius-25)/8)
}

// Ventilation is the air in cubic metres an hour that keeps hydrogen at 1 %, and
// the area in square centimetres of each of two natural vents, by IEC 62485-2:
// Q = 0.05 n I C / 1000. Milliamperes an ampere-hour: 1 for VRLA on float, 8 on
// boost. Volume is the product of the standard's v, q and s; 0 takes its 0.05.
func Ventilation(cells, milliamps, ampHours, volume float64) (cubicMetres, ventArea float64) {
	if volume == 0 {
		volume = 0.05
	}
	q := volume * cells * milliamps * ampHours / 1000
	return q, 28 * q
}
