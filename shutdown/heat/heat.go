// Package heat says how fast a room warms, and when it is too warm: by what is known of
// the room, or by what a sensor in it showed. It must never take a reading's noise for
// good news, nor read a clock.
//
// A room is one store of heat with one loss to its surroundings (ASHRAE Transactions
// 117-1, 2011, for the form): a load of P watts warms it by
//
//	P/UA (1 - e^(-t/tau)),  tau = C/UA
//
// The true one has more stores, of which the air is the first to warm and the walls the
// last: fast at first and slower later. So a line laid through readings crosses a limit
// no later than the room does, as long as the load does not grow.
package heat

import (
	"math"

	"ebbline/shutdown/battery"
)

// Never is a time, in seconds, that does not come.
var Never = math.Inf(1)

// Room is a room with its time constant in seconds and its loss in watts per kelvin.
type Room struct {
	TimeConstant   float64
	WattsPerKelvin float64
}

// After is by how many kelvin a room has warmed after so many seconds, which was so
// many kelvin above its surroundings.
func (r Room) After(watts, above, secs float64) float64 {
	return (watts/r.WattsPerKelvin - above) * (1 - battery.ExpNeg(secs/r.TimeConstant))
}

// Until is how many seconds it takes to warm by so many kelvin; [Never] where it does
// not.
func (r Room) Until(watts, above, rise float64) float64 {
	final := watts/r.WattsPerKelvin - above
	switch {
	case rise <= 0:
		return 0
	case rise >= final:
		return Never
	}
	return -float64(r.TimeConstant * battery.Ln(1-rise/final))
}

// Mark is one reading: seconds from any moment on, and degrees.
type Mark struct{ Secs, Degrees float64 }

// Trend is a line through readings.
type Trend struct {
	Degrees float64 // of the line at the last of them
	Slope   float64 // degrees a second
	Error   float64 // standard error of Slope, with what the sensor's steps may hide
}

// Lay lays the line with the least squares through readings of a sensor that counts in
// steps of so many degrees; false for fewer than four, or all at one time.
func Lay(marks []Mark, step float64) (Trend, bool) {
	n := float64(len(marks))
	if n < 4 {
		return Trend{}, false
	}
	var ts, ds float64
	for _, m := range marks {
		ts, ds = ts+m.Secs, ds+m.Degrees
	}
	ts, ds = ts/n, ds/n
	var tt, td float64
	for _, m := range marks {
		tt += float64((m.Secs - ts) * (m.Secs - ts))
		td += float64((m.Secs - ts) * (m.Degrees - ds))
	}
	if tt == 0 {
		return Trend{}, false
	}
	slope := td / tt
	rest := 0.0
	for _, m := range marks {
		off := m.Degrees - ds - float64(slope*(m.Secs-ts))
		rest += float64(off * off)
	}
	// A count hides up to half a step either way: its square is a twelfth of the step's.
	variance := max(rest/(n-2), float64(step*step)/12)
	last := marks[len(marks)-1].Secs
	return Trend{Degrees: ds + float64(slope*(last-ts)), Slope: slope, Error: math.Sqrt(variance / tt)}, true
}

// Limits of what [Fit] looks for, in seconds.
const (
	shortest = 60.0
	longest  = 24 * 3600.0
)

// Fit learns a room from how it warmed from the loss of its cooling on, under a load
// that was much the same. False where the readings do not show how it bends: then only
// how fast it began is known.
func Fit(marks []Mark, watts float64) (Room, bool) {
	if len(marks) < 8 || !(watts > 0) {
		return Room{}, false
	}
	rest := func(tau float64) (left, final float64) { return bend(marks, tau) }
	best := shortest
	for tau := shortest; tau <= longest; tau *= 1.1 {
		if a, _ := rest(tau); a < first(rest(best)) {
			best = tau
		}
	}
	low, high := best/1.1, best*1.1
	for range 60 { // the sum falls to one least value between them
		a, b := low+(high-low)/3, high-(high-low)/3
		if first(rest(a)) < first(rest(b)) {
			high = b
		} else {
			low = a
		}
	}
	tau := (low + high) / 2
	_, final := rest(tau)
	span := marks[len(marks)-1].Secs - marks[0].Secs
	if span < tau/2 || final < 1 {
		return Room{}, false
	}
	return Room{tau, watts / final}, true
}

func first(a, _ float64) float64 { return a }

// bend fits start and final rise for a time constant, and gives what is left of the
// squares.
func bend(marks []Mark, tau float64) (left, final float64) {
	var n, x, y, xx, xy float64
	part := func(m Mark) float64 { return 1 - battery.ExpNeg((m.Secs-marks[0].Secs)/tau) }
	for _, m := range marks {
		p := part(m)
		n, x, y = n+1, x+p, y+m.Degrees
		xx += float64(p * p)
		xy += float64(p * m.Degrees)
	}
	den := float64(n*xx) - float64(x*x)
	if den <= 0 {
		return Never, 0
	}
	final = (float64(n*xy) - float64(x*y)) / den
	start := (y - float64(final*x)) / n
	for _, m := range marks {
		off := m.Degrees - start - float64(final*part(m))
		left += float64(off * off)
	}
	return left, final
}
