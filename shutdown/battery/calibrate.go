package battery

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ebbline/policy"
)

// Segment is a load at the UPS's output held for some time.
type Segment struct{ Watts, Seconds float64 }

// Ended is how a measured discharge ended.
type Ended uint8

const (
	AtCutOff  Ended = iota + 1 // the battery was empty
	AtReading                  // stopped when the UPS reported a charge
	Early                      // stopped before it was empty, with nothing to go by
)

// Discharge is one measured discharge of a UPS's battery: a test, or an outage.
type Discharge struct {
	Day        int64     // days since 1970-01-01
	Segments   []Segment // in order
	Start      float64   // its charge then, 0 to 1; 1 where the UPS did not say
	Ended      Ended
	Reading    float64 // for AtReading: the charge reported at the end, 0 to 1
	Celsius    float64 // of the battery
	CelsiusSet bool
	Weak       bool // its circumstances leave doubt: it counts for a quarter
	Outage     bool // and no test: loads and temperature were what they were
}

// Judged is what one discharge says.
type Judged struct {
	Capacity float64 // part of what a new battery has, at 25 °C, by the rate method; for Early at least that; 0 when not worked out
	Used     bool    // it bears on the model
	Refused  string  // why it does not, for people; "" when it does or adds nothing
}

// Calibration is a battery as its own discharges show it.
type Calibration struct {
	Model         *policy.Model // nil when no discharge changes what the policy's figures say
	OverheadWatts int64         // that the model counts on
	Judged        []Judged      // by discharge
}

// How far a measured discharge may be from what the battery holds, as one
// standard deviation of the logarithm. The first two are the two full tests of
// one block that were 3.6 % apart and the spread of the tables about their fits;
// the others are engineering values, no source.
const (
	repeatSpread = 0.03 // of one battery from one discharge to the next
	testSpread   = 0.04 // of a full discharge as a measurement
	outageSpread = 0.06 // of an outage to the battery's end
	weakTimes    = 2.0  // a weak one is so many times as far off
	yearSpread   = 0.06 // how a battery wanders off the usual ageing in a year
)

// shapeSpread is how far a battery's losses may be from those of the figures
// that stand beside its tests, by the points of the maker's chart.
var shapeSpread = [...]float64{0.3, 0.2, 0.1}

// What a discharge may say of the store, against the policy's figures for a new
// battery, and still be one of that battery.
const (
	leastStore = 0.05
	mostStore  = 1.6
	shortest   = 10 // seconds
	startsFull = 0.8
)

// Calibrate corrects what the policy's figures say of a battery by its measured
// discharges, as each deserves. One of them settles the store, and moves the
// losses a little; more of them, at other loads, settle the losses too. None of
// what the policy says is used twice: with a chart or rated figures the model is
// theirs, corrected.
//
// It is least squares in the logarithms of the store and of both losses, about
// what the policy's figures leave open. A discharge that says more than the rest
// allows counts little: a battery does not grow. One that says less counts
// little too, unless it is the last: batteries do fail.
func Calibrate(u *policy.UPS, found []Discharge, day int64) (Calibration, error) {
	c := calibrator{ups: *u, day: day}
	var err error
	if c.fresh, err = freshBelief(&c.ups); err != nil {
		return Calibration{}, err
	}
	out := Calibration{OverheadWatts: c.ups.OverheadWatts}
	for i := range found {
		j, o := c.judge(&found[i])
		out.Judged = append(out.Judged, j)
		if j.Refused == "" {
			o.of = i
			c.seen = append(c.seen, o)
		}
	}
	if len(c.seen) == 0 {
		return out, nil
	}
	slices.SortStableFunc(c.seen, func(a, b observed) int { return cmp.Compare(a.day, b.day) })
	if err := c.solve(out.Judged); err != nil {
		return out, err
	}
	out.Model = c.model(out.Judged)
	return out, nil
}

// freshBelief is the battery by the policy's figures, as it was when new (or
// when it was fitted), at 25 °C. The UPS's own draw is rounded up to whole
// watts, as a policy holds it, before anything rests on it.
func freshBelief(u *policy.UPS) (Belief, error) {
	v := *u
	v.Battery.InstalledDay, v.Battery.TemperatureSet = 1, false
	if m := u.Battery.Model; m != nil {
		n := *m
		n.FittedDay = 1
		v.Battery.Model = &n
	}
	b, err := New(&v, 1)
	if err == nil && b.OverheadWatts != float64(u.OverheadWatts) {
		u.OverheadWatts = int64(math.Ceil(b.OverheadWatts))
		v.OverheadWatts = u.OverheadWatts
		b, err = v.stated()
	}
	return b, err
}
