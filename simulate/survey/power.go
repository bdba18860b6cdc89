package survey

import (
	"fmt"
	"math"
	"slices"

	"ebbline/policy"
	"ebbline/policy/electrical"
)

// Power is what a site takes from its input and what of it is lost.
type Power struct {
	Policy  *policy.Policy
	Loading electrical.Loading
	Load    electrical.Band // what hosts and loads draw, in watts
	Loss    electrical.Band // in the UPSs
	Likely  float64         // the same
	Wire    electrical.Band // in circuits whose wire and length are stated
}

// NewPower works it out. Draws is by how much what is drawn differs from what the
// policy says: 1 to 1 for nothing.
func NewPower(p *policy.Policy, draws electrical.Band) *Power {
	w := &Power{Policy: p, Loading: electrical.Load(p)}
	watts := drawn(p)
	for i := range w.Loading.UPSs {
		s := &w.Loading.UPSs[i]
		w.Loss = w.Loss.Plus(s.Loss)
		w.Likely += s.Likely
	}
	w.Load = draws.Times(watts)
	for i := range w.Loading.Circuits {
		w.Wire = w.Wire.Plus(w.Loading.Circuits[i].WireWatts)
	}
	return w
}

// drawn is what all hosts and loads draw together.
func drawn(p *policy.Policy) (watts float64) {
	for i := range p.Hosts {
		watts += float64(p.Hosts[i].Watts)
	}
	for i := range p.Loads {
		watts += float64(p.Loads[i].Watts)
	}
	return watts
}

// Input is all that is taken, which becomes heat in the end.
func (w *Power) Input() electrical.Band { return w.Load.Plus(w.Loss).Plus(w.Wire) }

// Unchanged is what hosts draw as the policy says.
var Unchanged = electrical.Band{Low: 1, High: 1}

// Change is a question to the survey.
type Change struct {
	Volts float64 // of circuits below it
	Class policy.Class
	Off   []int // hosts
}

// Apply gives the policy with the change, what hosts then draw of what the policy
// says, the changes in words, and what must be seen to before.
func (c *Change) Apply(p *policy.Policy) (q *policy.Policy, draws electrical.Band, words, cautions []string) {
	next := *p
	q, draws = &next, Unchanged
	q.UPSs, q.Hosts, q.Circuits, q.PDUs = slices.Clone(p.UPSs), slices.Clone(p.Hosts), slices.Clone(p.Circuits), slices.Clone(p.PDUs)
	for _, k := range c.Off {
		q.Hosts[k].Watts, q.Hosts[k].InrushAmps = 0, 0
		words = append(words, q.Hosts[k].Name+" is off")
	}
	if c.Class != 0 {
		for i := range q.UPSs {
			q.UPSs[i].Class, q.UPSs[i].NormalPermille = c.Class, 0
		}
		words = append(words, fmt.Sprintf("every UPS is of class %s", c.Class))
	}
	if c.Volts > 0 {
		n, fed := c.feed(q)
		if all := drawn(q); n > 0 && all > 0 { // the rest draws what it drew
			gain, part := SupplyGain(), min(1, fed/all)
			draws = electrical.Band{Low: 1 - part*(1-gain.Low), High: 1 - part*(1-gain.High)}
		}
		words = append(words, fmt.Sprintf("%s fed with %g V", plural(n, "circuit"), c.Volts))
		cautions = append(cautions,
			"Two live conductors: a two-pole breaker, the right receptacle, and no neutral assumed.",
			"Confirm that each supply is rated 100 to 240 V, and that each UPS takes and gives the new voltage, before anything is moved.",
			"The supplies' gain compares two certification categories, so it is indicative.")
	}
	return q, draws, words, cautions
}

// american is the most that a line to neutral has where there are 208 or 240 V between
// two of them.
const american = 127

// feed changes the voltage of circuits of 100 to 127 V, and of the PDUs on them, and
// says of how many, and what their UPSs carry. What was on one leg is now between both.
func (c *Change) feed(q *policy.Policy) (n int, watts float64) {
	load := electrical.Load(q)
	for i := range q.Circuits {
		x := &q.Circuits[i]
		if x.Volts > american {
			continue
		}
		n++
		x.Volts, x.Lines = c.Volts, 1
		for k := range q.UPSs {
			if t := q.UPSs[k].Circuit; t != nil && t.At == i {
				q.UPSs[k].Circuit = &policy.Tap{At: i, Lines: 1}
				watts += load.UPSs[k].Watts
			}
		}
		for k := range q.PDUs {
			d := &q.PDUs[k]
			if d.Circuit != nil && d.Circuit.At == i {
				d.Circuit = &policy.Tap{At: i, Lines: 1}
			}
			if d.Volts < c.Volts && (d.Circuit != nil && d.Circuit.At == i || d.UPS >= 0 && q.UPSs[d.UPS].Circuit != nil && q.UPSs[d.UPS].Circuit.At == i) {
				d.Volts = c.Volts
			}
		}
	}
	return n, watts
}

// SupplyGain is what supplies draw at 230 V class of what they draw at 115 V class,
// by the published points of 80 PLUS at 20, 50 and 100 % of every level that both
// categories have: the least and the most.
func SupplyGain() electrical.Band {
	b := electrical.Band{Low: math.Inf(1)}
	for _, s := range electrical.SupplyLevels {
		if s.Category != electrical.Internal115 {
			continue
		}
		for _, part := range []float64{0.2, 0.5, 1} {
			at115, ok1 := electrical.SupplyEfficiency(s.Category, s.Level, part)
			at230, ok2 := electrical.SupplyEfficiency(electrical.InternalEU230, s.Level, part)
			if ok1 && ok2 {
				b.Low, b.High = min(b.Low, at115/at230), max(b.High, at115/at230)
			}
		}
	}
	return b
}
