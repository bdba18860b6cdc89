package snmp

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/gosnmp/gosnmp"

	"ebbline/policy"
)

// The system group of RFC 3418, which every agent has that its view does not hide.
const (
	sysDescr  = ".1.3.6.1.2.1.1.1.0"
	sysUpTime = ".1.3.6.1.2.1.1.3.0"
)

// Card is what an SNMP agent is when it is asked with nothing known of it.
type Card struct {
	Description string        // its own words; "" when it gives none
	Runs        time.Duration // since its start; 0 when it does not say

	// UPS says that it tells of a UPS by RFC 1628. The rest is empty without.
	UPS          bool
	Capabilities          // read with Missing and Scale
	Missing      []string // objects that it does not have, for the policy
	Scale        []Scaled // objects in other units than RFC 1628's, for the policy
	Odd          []string // objects whose values are not used, and these values
	NoEvidence   []string // objects that it does not have, and that no policy should call missing

	Took time.Duration // one poll
}

// Scaled is an object that a card gives in other units than the RFC's.
type Scaled struct {
	Object string
	Factor float64
	Why    string
}

// Ask asks what a card is and has. It changes nothing. The first answer
// must come within the policy's timeout, the rest by the deadline of ctx.
func Ask(ctx context.Context, cfg policy.SNMP, secrets Secrets) (*Card, error) {
	c, err := NewClient(cfg, Reading, secrets)
	if err != nil {
		return nil, err
	}
	first, cancel := context.WithTimeout(ctx, c.cfg.Timeout)
	defer cancel()
	system, err := c.Get(first, []string{sysDescr, sysUpTime})
	if err != nil {
		return nil, err
	}
	card := &Card{}
	card.Description, _ = system[0].Text()
	if system[1].Type == gosnmp.TimeTicks {
		card.Runs = time.Duration(system[1].number) * 10 * time.Millisecond
	}
	oids := make([]string, count)
	for i := range objects {
		oids[i] = objects[i].oid
	}
	values, err := c.Get(ctx, oids)
	if err != nil {
		return nil, err
	}
	r := rawOf(values)
	if !slices.ContainsFunc(r[:alarmsPresent], func(v float64) bool { return !math.IsNaN(v) }) {
		return card, nil // it says neither what carries the load nor how the battery is
	}
	card.UPS = true
	card.lacks(r)
	cfg.Missing, cfg.Scale = card.Missing, map[string]float64{}
	card.Scale = r.scale()
	for _, s := range card.Scale {
		cfg.Scale[s.Object] = s.Factor
	}
	card.Odd = r.odd(values, cfg.Scale)
	cfg.Timeout = slowest
	s, err := New(cfg, secrets, Rated{})
	if err != nil {
		return nil, err
	}
	if card.Capabilities, err = s.Probe(ctx); err != nil {
		return card, err
	}
	began := time.Now()
	card.First, err = s.Poll(ctx)
	card.Took = time.Since(began)
	return card, err
}

// slowest is the longest that a policy may wait for a poll.
const slowest = 10 * time.Second

// raw holds each object's value as it came; NaN where it is no number.
type raw [count]float64

func rawOf(values []Value) (r raw) {
	for i := range r {
		r[i] = math.NaN()
		if n, ok := values[i].Integer(); ok {
			r[i] = float64(n)
		}
	}
	return r
}

// of gives the cells of an object: a line's column has three.
func (r *raw) of(name string) (cells []float64) {
	for i := range objects {
		if objects[i].name == name && !math.IsNaN(r[i]) {
			cells = append(cells, r[i])
		}
	}
	return cells
}

// names are those of the objects, each once, in order.
func names() (list []string) {
	for i := range objects {
		if !slices.Contains(list, objects[i].name) {
			list = append(list, objects[i].name)
		}
	}
	return list
}

// lacks notes what the card does not have. The evidence on whether the battery
// carries the load is never called missing: a card that has just started may not
// have read it yet, and what is called missing is not asked for again.
func (c *Card) lacks(r raw) {
	for _, name := range names() {
		switch {
		case len(r.of(name)) > 0:
		case isEvidence(name):
			c.NoEvidence = append(c.NoEvidence, name)
		default:
			c.Missing = append(c.Missing, name)
		}
	}
}

func isEvidence(name string) bool {
	return slices.ContainsFunc(objects[:evidence], func(o object) bool { return o.name == name })
}

// habit is a unit that cards are known to use in the place of RFC 1628's, and the
// values that are usual in the RFC's. The habits and spans are common practice, no
// source; they are narrow, because a factor that is wrong is worse than none.
type habit struct {
	object   string
	factors  []float64
	low, top float64 // usual, in the RFC's units
	only     func(value float64) bool
	why      string // what the card seems to say, behind "seems to be in "
}

// beyond tells that a value is none in the RFC's units.
func beyond(top float64) func(float64) bool { return func(v float64) bool { return v > top } }

var habits = []habit{
	{"upsConfigInputVoltage", []float64{0.1}, 90, 500, beyond(700), "tenths of a volt"},
	{"upsConfigLowVoltageTransferPoint", []float64{0.1}, 60, 500, beyond(700), "tenths of a volt"},
	{"upsConfigHighVoltageTransferPoint", []float64{0.1}, 90, 500, beyond(1000), "tenths of a volt"},
	{"upsInputVoltage", []float64{0.1}, 90, 500, beyond(1000), "tenths of a volt"},
	// A battery of less than 6 V is none that a UPS has.
	{"upsBatteryVoltage", []float64{10}, 105, 599, func(v float64) bool { return v < 60 }, "whole volts"},
	// Hotter than any battery that is still one.
	{"upsBatteryTemperature", []float64{0.1, 0.01}, 5, 60, beyond(100), "parts of a degree"},
}

// scale says which objects are in other units, where nothing else can be: a value
// that cannot be true in the RFC's, and one factor alone that makes it usual.
func (r *raw) scale() (list []Scaled) {
	for _, h := range habits {
		cells := r.of(h.object)
		var fit []float64
		for _, factor := range h.factors {
			if len(cells) > 0 && !slices.ContainsFunc(cells, func(v float64) bool {
				return !h.only(v) || v*factor < h.low || v*factor > h.top
			}) {
				fit = append(fit, factor)
			}
		}
		if len(fit) == 1 {
			list = append(list, Scaled{h.object, fit[0], fmt.Sprintf("it reads %.0f, which seems to be in %s", cells[0], h.why)})
		}
	}
	return append(list, r.power()...)
}

// power holds the load in watts against the percent load, which is the greater of
// the watts' share and the volt-amperes'. So the watts are about that share of the
// rated ones, or somewhat less.
func (r *raw) power() []Scaled {
	watts, percent := 0.0, 0.0
	for _, v := range r.of("upsOutputPower") {
		watts += v
	}
	for _, v := range r.of("upsOutputPercentLoad") {
		percent = max(percent, v)
	}
	rated := r[ratedPower]
	if !(watts > 0 && percent >= 5 && rated >= objects[ratedPower].low) {
		return nil
	}
	agree := func(watts, percent float64) bool {
		share := watts / rated / percent * 100
		return share >= 0.3 && share <= 1.2 && percent <= 110
	}
	switch {
	case agree(watts, percent):
	case percent > 200 && agree(watts, percent*0.1):
		return []Scaled{{"upsOutputPercentLoad", 0.1, fmt.Sprintf("it reads %.0f beside %.0f W of %.0f, which seems to be in tenths of a percent", percent, watts, rated)}}
	case agree(watts*0.1, percent):
		return []Scaled{{"upsOutputPower", 0.1, fmt.Sprintf("it reads %.0f beside a load of %.0f %% of %.0f W, which seems to be in tenths of a watt", watts, percent, rated)}}
	}
	return nil
}

// odd tells of objects that the card has, and whose values cannot be used.
func (r *raw) odd(values []Value, scale map[string]float64) (list []string) {
	for i := range objects {
		o, factor := &objects[i], 1.0
		if f, ok := scale[o.name]; ok {
			factor = f
		}
		if !math.IsNaN(r[i]) && math.IsNaN(o.figure(values[i], factor)) {
			list = append(list, fmt.Sprintf("%s reads %.0f", o.name, r[i]))
		}
	}
	return list
}
