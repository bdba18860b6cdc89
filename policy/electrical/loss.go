package electrical

import (
	"math"
	"slices"
)

// Heat, energy and money.
const (
	BTUPerWattHour = 3.412
	BTUPerTonHour  = 12000
	HoursPerYear   = 8760
)

// InputWatts is what a supply or a UPS takes for an output at an efficiency, and
// the part of it that it loses as heat.
func InputWatts(output, efficiency float64) (input, loss float64) {
	input = output / efficiency
	return input, input - output
}

// BTU is watts as BTU an hour; Tons the same as tons of refrigeration.
func BTU(watts float64) float64  { return watts * BTUPerWattHour }
func Tons(watts float64) float64 { return BTU(watts) / BTUPerTonHour }

// YearKWh is the energy of watts that flow all year, and with what a cooling plant
// of a coefficient of performance takes to carry them out of the room; 0 is none.
func YearKWh(watts, cop float64) float64 {
	kwh := watts * HoursPerYear / 1000
	if cop > 0 {
		kwh += kwh / cop
	}
	return kwh
}

// SupplyLevel is a level of the 80 PLUS programme in one of its categories: least
// efficiency in percent at 10, 20, 50 and 100 % of the rating; 0 where none is
// asked. Categories are tested differently: compare only within one.
type SupplyLevel struct {
	Category, Level                 string
	Load10, Load20, Load50, Load100 float64
}

// The categories.
const (
	Internal115   = "115 V internal non-redundant"
	Redundant230  = "230 V internal redundant (servers)"
	InternalEU230 = "230 V EU internal non-redundant"
)

// SupplyLevels are the published points (encyclopaedia's table, archived copy).
var SupplyLevels = []SupplyLevel{
	{Internal115, "80 PLUS", 0, 80, 80, 80},
	{Internal115, "Bronze", 0, 82, 85, 82},
	{Internal115, "Silver", 0, 85, 88, 85},
	{Internal115, "Gold", 0, 87, 90, 87},
	{Internal115, "Platinum", 0, 90, 92, 89},
	{Internal115, "Titanium", 90, 92, 94, 90},
	{Redundant230, "Bronze", 0, 81, 85, 81},
	{Redundant230, "Silver", 0, 85, 89, 85},
	{Redundant230, "Gold", 0, 88, 92, 88},
	{Redundant230, "Platinum", 0, 90, 94, 91},
	{Redundant230, "Titanium", 90, 94, 96, 91},
	{InternalEU230, "80 PLUS", 0, 82, 85, 82},
	{InternalEU230, "Bronze", 0, 85, 88, 85},
	{InternalEU230, "Silver", 0, 87, 90, 87},
	{InternalEU230, "Gold", 0, 90, 92, 89},
	{InternalEU230, "Platinum", 0, 92, 94, 90},
	{InternalEU230, "Titanium", 90, 94, 96, 94},
}

// SupplyEfficiency is the least efficiency of a level at a part of its rating, 0 to
// 1, between the published points in a straight line; below the first of them
// nothing is published and the answer is false.
func SupplyEfficiency(category, level string, part float64) (float64, bool) {
	i := slices.IndexFunc(SupplyLevels, func(s SupplyLevel) bool { return s.Category == category && s.Level == level })
	if i < 0 {
		return 0, false
	}
	s := SupplyLevels[i]
	parts, points := []float64{0.1, 0.2, 0.5, 1}, []float64{s.Load10, s.Load20, s.Load50, s.Load100}
	if points[0] == 0 {
		parts, points = parts[1:], points[1:]
	}
	if part < parts[0]-dust || part > 1+dust {
		return 0, false
	}
	return interpolate(parts, points, part) / 100, true
}

// interpolate follows straight lines between points with rising x; beyond the ends
// the end's value holds.
func interpolate(xs, ys []float64, x float64) float64 {
	i, found := slices.BinarySearch(xs, x)
	switch {
	case found:
		return ys[i]
	case i == 0:
		return ys[0]
	case i == len(xs):
		return ys[i-1]
	}
	return ys[i-1] + (ys[i]-ys[i-1])*(x-xs[i-1])/(xs[i]-xs[i-1])
}

// Rating is a scheme's least average efficiency for a UPS of one class, over a
// range of rated watts, To 0 for no end. An average hides what part load costs.
type Rating struct {
	Scheme, Class string
	From, To      float64
	Of            func(ratedWatts float64) float64
}

// Ratings are DOE's of 10 CFR 430.32(z)(3) and ENERGY STAR's of versions 2.0 and
// 1.0. The coefficients are from memory; they join at the limits of the ranges to
// 0.0025 (DOE) and 0.006 (ENERGY STAR), which is tested.
var Ratings = []Rating{
	{"DOE", "VFD", 0, 300, square(-1.20e-6, 7.17e-4, 0.862)},
	{"DOE", "VFD", 300, 700, square(-7.85e-8, 1.01e-4, 0.946)},
	{"DOE", "VFD", 700, 0, square(-7.23e-9, 7.52e-6, 0.977)},
	{"DOE", "VI", 0, 300, square(-1.20e-6, 7.19e-4, 0.863)},
	{"DOE", "VI", 300, 700, square(-7.67e-8, 1.05e-4, 0.947)},
	{"DOE", "VI", 700, 0, square(-4.62e-9, 8.54e-6, 0.979)},
	{"DOE", "VFI", 0, 300, square(-3.13e-6, 1.96e-3, 0.543)},
	{"DOE", "VFI", 300, 700, square(-2.60e-7, 3.65e-4, 0.764)},
	{"DOE", "VFI", 700, 0, square(-1.70e-8, 3.85e-5, 0.876)},
	{"ES2", "VFD", 0, 350, square(0, 5.71e-5, 0.962)},
	{"ES2", "VFD", 350, 1500, square(0, 0, 0.982)},
	{"ES2", "VFD", 1500, 10000, square(0, 0, 0.981)},
	{"ES2", "VI", 0, 350, square(0, 5.71e-5, 0.964)},
	{"ES2", "VI", 350, 1500, square(0, 0, 0.984)},
	{"ES2", "VI", 1500, 10000, square(0, 0, 0.980)},
	{"ES2", "VFI", 0, 1500, logarithm(0.011, 0.824)},
	{"ES2", "VFI", 1500, 10000, logarithm(0.0145, 0.800)},
	{"ES1", "VFD", 0, 1500, square(0, 0, 0.967)},
	{"ES1", "VFI", 0, 1500, logarithm(0.0099, 0.815)},
}

func square(a, b, c float64) func(float64) float64 {
	return func(p float64) float64 { return (a*p+b)*p + c }
}

func logarithm(a, b float64) func(float64) float64 {
	return func(p float64) float64 { return a*math.Log(p) + b }
}

// LeastEfficiency is a scheme's least average efficiency for a rating in watts.
func LeastEfficiency(scheme, class string, ratedWatts float64) (float64, bool) {
	for _, r := range Ratings {
		if r.Scheme == scheme && r.Class == class && ratedWatts > r.From && (r.To == 0 || ratedWatts <= r.To) {
			return r.Of(ratedWatts), true
		}
	}
	return 0, false
}

// AverageEfficiency weighs efficiencies measured at 25, 50, 75 and 100 % of a
// rating of up to 10 kW as DOE does (from memory).
func AverageEfficiency(class string, at [4]float64) float64 {
	weights := [4]float64{0, 0.3, 0.4, 0.3}
	if class == "VFD" {
		weights = [4]float64{0.2, 0.2, 0.3, 0.3}
	}
	sum := 0.0
	for i, w := range weights {
		sum += w * at[i]
	}
	return sum
}

// FieldEfficiency is what UPSs of a class have at the loads they are used at: low,
// high and where it was read. Of VI the low end is of older units.
func FieldEfficiency(class string) (low, high float64) {
	switch class {
	case "VFD":
		return 0.95, 0.98
	case "VI":
		return 0.90, 0.98
	case "VFI":
		return 0.85, 0.95
	}
	return 0.85, 0.98
}

// ModelLoss is what a UPS loses at a load when nothing is known of it but its class
// and rating, both in watts: a + bP + cP², P the part of the rating (assumption of
// ours, no source; the constant part rules below a quarter of the load).
func ModelLoss(class string, load, ratedWatts float64) float64 {
	a, b, c := 0.04, 0.03, 0.02
	switch class {
	case "VFD":
		a, b, c = 0.012, 0.008, 0
	case "VI":
		a, b, c = 0.015, 0.010, 0
	}
	p := load / ratedWatts
	return ratedWatts * (a + (b+c*p)*p)
}

// LossRange is what a UPS of a class loses at a load, in watts, from what is
// published of the class: between the best and the worst of the field's range and
// the model, which counts what the electronics take at part load.
func LossRange(class string, load, ratedWatts float64) (low, likely, high float64) {
	worst, best := FieldEfficiency(class)
	_, high = InputWatts(load, worst)
	_, low = InputWatts(load, best)
	likely = ModelLoss(class, load, ratedWatts)
	return min(low, likely), likely, max(high, likely)
}
