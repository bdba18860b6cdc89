package main

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"strconv"

	"ebbline/agent/history/learn"
	"ebbline/policy"
	"ebbline/shutdown/battery"
)

var batteryExportCommand = command{
	name:  "battery export",
	about: "the measured discharges as a table, without names or dates",
	usage: "[POLICY] [--history FILE] [--json]",
	takes: []string{"POLICY"},
	help: `Prints every discharge test and outage that the history holds as a table
(CSV, RFC 4180): what the UPSs carried, for how long, and what their gauges said
on the way. No name, address or date is in it, so that it can be given away: a
battery has a number and its age in days. Published tables know one load that is
held to the end; a room that sheds hosts is measured nowhere else.

  discharge,what,at_seconds,seconds,value
  1,load,0,312,420      420 W from the start on, for 312 s
  1,charge,60,,97       after 60 s the gauge read 97 %

The columns before these say the same in every row of a discharge: chemistry,
rated figures, age, temperature, charge at the start, how it ended (cut-off,
reading, early), and whether it counts for the forecast. What is not known is
left empty.`,
}

func init() { batteryExportCommand.set = setBatteryExport }

func setBatteryExport(c *call) action {
	pf := c.policyFlags()
	past := c.historyFlag()
	return func(ctx context.Context) int {
		p, code := c.policyOr(pf, false)
		if p == nil {
			return code
		}
		return c.exportBattery(ctx, p, *past)
	}
}

func (c *call) exportBattery(ctx context.Context, p *policy.Policy, past string) int {
	from, path, err := c.openHistory(ctx, past)
	switch {
	case err != nil:
		return c.fail("%v", err)
	case from == nil:
		return c.fail("there is no history at %s; the agent writes it, or name another with --history", path)
	}
	defer from.Close()
	list := []exportedView{}
	for i := range p.UPSs {
		r, err := learn.Battery(ctx, from, p, i, today())
		if err != nil {
			return c.fail("UPS %s: %v", p.UPSs[i].Name, err)
		}
		for k := range r.Measured {
			list = append(list, exportedOf(i+1, &p.UPSs[i], &r.Measured[k]))
		}
	}
	if c.json {
		printJSON(c.Out, map[string]any{"discharges": list})
	} else if err := writeDischarges(c.Out, list); err != nil {
		return c.fail("%v", err)
	}
	if len(list) == 0 {
		fmt.Fprintln(c.Err, "nothing was discharged yet: an outage of a minute or `ebbline battery test UPS` brings the first row")
	}
	return exitDone
}

// exportedView is one discharge, of `battery export --json`.
type exportedView struct {
	Battery   int           `json:"battery"` // a number in place of the UPS's name
	Chemistry string        `json:"chemistry"`
	Volts     float64       `json:"volts"`     // 0: not stated, as are the next
	AmpHours  float64       `json:"amp_hours"` //
	Rated     int64         `json:"rated_watts"`
	Own       *int64        `json:"overhead_watts"` // null: not stated
	Age       *int64        `json:"age_days"`
	Kind      string        `json:"kind"` // test or outage
	Celsius   *float64      `json:"celsius"`
	Start     float64       `json:"start_percent"`
	Ended     string        `json:"ended"`       // cut-off, reading or early
	End       *float64      `json:"end_percent"` // where it was stopped at a reading
	Weak      bool          `json:"weak"`
	Counts    bool          `json:"counts"`
	Loads     []loadView    `json:"loads"`
	Gauge     []readingView `json:"charges"`
}

type loadView struct {
	At      float64 `json:"at_seconds"`
	Seconds float64 `json:"seconds"`
	Watts   float64 `json:"watts"`
}

type readingView struct {
	At      float64 `json:"at_seconds"`
	Percent float64 `json:"percent"`
}

func exportedOf(number int, u *policy.UPS, m *learn.Measured) exportedView {
	d, b := &m.Discharge, &u.Battery
	v := exportedView{
		Battery: number, Chemistry: b.Chemistry.String(), Volts: b.Volts, AmpHours: b.AmpHours, Rated: u.RatedWatts,
		Kind: "outage", Start: 100 * d.StartCharge, Weak: d.Weak, Counts: m.Judged.Used, Loads: []loadView{}, Gauge: []readingView{},
		Ended: map[battery.Ended]string{battery.AtCutOff: "cut-off", battery.AtReading: "reading", battery.Early: "early"}[d.Ended],
	}
	if m.Test != nil {
		v.Kind = "test"
	}
	if u.OverheadSet {
		v.Own = &u.OverheadWatts
	}
	if age := d.Day - b.InstalledDay; b.InstalledDay != 0 && age >= 0 {
		v.Age = &age
	}
	if d.CelsiusSet {
		v.Celsius = &d.Celsius
	}
	if d.Ended == battery.AtReading {
		end := 100 * d.Reading
		v.End = &end
	}
	at := 0.0
	for _, s := range d.Segments {
		v.Loads = append(v.Loads, loadView{at, s.Seconds, s.Watts})
		at += s.Seconds
	}
	for _, g := range d.Gauge {
		v.Gauge = append(v.Gauge, readingView{g.Seconds, 100 * g.Charge})
	}
	return v
}

// writeDischarges writes a row for each load and each reading.
func writeDischarges(w io.Writer, list []exportedView) error {
	number := func(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }
	tenth := func(f float64) string { return strconv.FormatFloat(float64(int64(10*f+0.5))/10, 'f', -1, 64) }
	stated := func(f float64) string {
		if f == 0 {
			return ""
		}
		return number(f)
	}
	out := csv.NewWriter(w)
	out.Write([]string{"battery", "chemistry", "volts", "amp_hours", "rated_watts", "overhead_watts", "age_days", "kind", "celsius", "start_percent", "ended", "end_percent", "weak", "counts",
		"discharge", "what", "at_seconds", "seconds", "value"})
	for i := range list {
		v := &list[i]
		own, age, celsius, end := "", "", "", ""
		if v.Own != nil {
			own = strconv.FormatInt(*v.Own, 10)
		}
		if v.Age != nil {
			age = strconv.FormatInt(*v.Age, 10)
		}
		if v.Celsius != nil {
			celsius = number(*v.Celsius)
		}
		if v.End != nil {
			end = tenth(*v.End)
		}
		row := func(what string, cells ...string) {
			out.Write(append([]string{strconv.Itoa(v.Battery), v.Chemistry, stated(v.Volts), stated(v.AmpHours), stated(float64(v.Rated)), own, age, v.Kind, celsius,
				tenth(v.Start), v.Ended, end, strconv.FormatBool(v.Weak), strconv.FormatBool(v.Counts), strconv.Itoa(i + 1), what}, cells...))
		}
		for _, l := range v.Loads {
			row("load", tenth(l.At), tenth(l.Seconds), tenth(l.Watts))
		}
		for _, g := range v.Gauge {
			row("charge", tenth(g.At), "", tenth(g.Percent))
		}
	}
	out.Flush()
	return out.Error()
}
