package snmp

import (
	"context"
	"fmt"
	"math"
	"slices"

	"ebbline/policy"
	"ebbline/policy/electrical"
)

// lineObject is a column of RFC 1628's tables of lines, or an object of its own;
// unit is what one of the card's is worth in volts, amperes, watts or hertz.
type lineObject struct {
	object
	unit float64
	at   func(l *electrical.Lines, line int) *float64
}

// The objects of RFC 1628, 4.3 and 4.4, that tell of each line. The spans are common
// practice without a source: wider than any UPS.
var (
	soleObjects = []lineObject{
		{object{"upsInputLineBads", upsMIB + "3.1.0", 0, math.MaxUint32}, 1, func(l *electrical.Lines, _ int) *float64 { return &l.Bads }},
		{object{"upsConfigInputVoltage", upsMIB + "9.1.0", 90, 700}, 1, func(l *electrical.Lines, _ int) *float64 { return &l.Nominal }},
		{object{"upsInputFrequency", upsMIB + "3.3.1.2.1", 300, 700}, 0.1, func(l *electrical.Lines, _ int) *float64 { return &l.Hertz }},
	}
	lineObjects = []lineObject{
		{object{"upsInputVoltage", upsMIB + "3.3.1.3.", 0, 1000}, 1, func(l *electrical.Lines, k int) *float64 { return &l.Input[k].Volts }},
		{object{"upsInputCurrent", upsMIB + "3.3.1.4.", 0, 20000}, 0.1, func(l *electrical.Lines, k int) *float64 { return &l.Input[k].Amps }},
		{object{"upsInputTruePower", upsMIB + "3.3.1.5.", 0, 1e6}, 1, func(l *electrical.Lines, k int) *float64 { return &l.Input[k].Watts }},
		{object{"upsOutputVoltage", upsMIB + "4.4.1.2.", 0, 1000}, 1, func(l *electrical.Lines, k int) *float64 { return &l.Output[k].Volts }},
		{object{"upsOutputCurrent", upsMIB + "4.4.1.3.", 0, 20000}, 0.1, func(l *electrical.Lines, k int) *float64 { return &l.Output[k].Amps }},
		{object{"upsOutputPower", upsMIB + "4.4.1.4.", 0, 1e6}, 1, func(l *electrical.Lines, k int) *float64 { return &l.Output[k].Watts }},
		{object{"upsOutputPercentLoad", upsMIB + "4.4.1.5.", 0, 200}, 1, func(l *electrical.Lines, k int) *float64 { return &l.Output[k].Percent }},
	}
)

const mostLines = 3

// LineReader asks a card about its lines: for the survey, by a connection of its
// own, so that no poll that a decision rests on ever waits for it. One goroutine
// calls its methods.
type LineReader struct {
	client  *Client
	cfg     policy.SNMP
	objects []lineObject
	line    []int // of each object
}

// NewLineReader makes one. It sends nothing yet; it reads the secrets.
func NewLineReader(cfg policy.SNMP, secrets Secrets) (*LineReader, error) {
	client, err := NewClient(cfg, Reading, secrets)
	if err != nil {
		return nil, err
	}
	r := &LineReader{client: client, cfg: client.cfg}
	add := func(o lineObject, line int) {
		if !slices.Contains(cfg.Missing, o.name) {
			r.objects, r.line = append(r.objects, o), append(r.line, line)
		}
	}
	for _, o := range soleObjects {
		add(o, 0)
	}
	for _, o := range lineObjects {
		for k := range mostLines {
			each := o
			each.oid += fmt.Sprint(k + 1)
			add(each, k)
		}
	}
	return r, nil
}

// Read asks once, within the policy's timeout for each of two requests.
func (r *LineReader) Read(ctx context.Context) (electrical.Lines, error) {
	nan := math.NaN()
	out := electrical.Lines{Nominal: nan, Hertz: nan, Bads: nan}
	for range mostLines {
		out.Input, out.Output = append(out.Input, electrical.Phase{Volts: nan, Amps: nan, Watts: nan, Percent: nan}), append(out.Output, electrical.Phase{Volts: nan, Amps: nan, Watts: nan, Percent: nan})
	}
	ctx, cancel := context.WithTimeout(ctx, 2*r.cfg.Timeout)
	defer cancel()
	var oids []string
	for i := range r.objects {
		oids = append(oids, r.objects[i].oid)
	}
	var answers []Value
	for len(answers) < len(oids) { // a small card answers half of them at once
		more, err := r.client.Get(ctx, oids[len(answers):min(len(oids), len(answers)+12)])
		if err != nil {
			return out, err
		}
		answers = append(answers, more...)
	}
	for i := range r.objects {
		o := &r.objects[i]
		factor := 1.0
		if f, ok := r.cfg.Scale[o.name]; ok {
			factor = f
		}
		*o.at(&out, r.line[i]) = o.figure(answers[i], factor) * o.unit
	}
	out.Input, out.Output = present(out.Input), present(out.Output)
	return out, nil
}

// present leaves out the lines behind the last one of which anything was read.
func present(list []electrical.Phase) []electrical.Phase {
	for len(list) > 0 {
		p := list[len(list)-1]
		if !math.IsNaN(p.Volts) || !math.IsNaN(p.Amps) || !math.IsNaN(p.Watts) || !math.IsNaN(p.Percent) {
			break
		}
		list = list[:len(list)-1]
	}
	return list
}
