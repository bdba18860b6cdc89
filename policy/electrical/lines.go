package electrical

import "math"

// Phase is one line of a UPS's input or output as it was read: volts, amperes,
// active watts, and of an output the percent of its capacity that the UPS itself
// names, the worse of watts and volt-amperes. NaN is not read.
type Phase struct{ Volts, Amps, Watts, Percent float64 }

// VA is the apparent power; NaN where it is not known.
func (p Phase) VA() float64 { return p.Volts * p.Amps }

// PowerFactor is watts over volt-amperes, at most one; NaN where it is not known.
func (p Phase) PowerFactor() float64 {
	if va := p.VA(); va > 0 && p.Watts >= 0 {
		return math.Min(1, p.Watts/va)
	}
	return math.NaN()
}

// Lines is what a UPS says of its lines beyond what a shutdown needs.
type Lines struct {
	Nominal float64 // of the input, volts; NaN where it is not said
	Hertz   float64 // of the input's first line
	Bads    float64 // how often the input left its tolerance, by the UPS's own count since it started; NaN where it keeps none
	Input   []Phase
	Output  []Phase
}
