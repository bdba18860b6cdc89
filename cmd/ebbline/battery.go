package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"strings"
	"time"

	"ebbline/agent/history"
	"ebbline/agent/history/learn"
	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
	"ebbline/simulate/report"
)

var batteryCommand = command{
	name:  "battery",
	about: "predicted against measured, when to replace; discharge tests",
	usage: "[POLICY] [--svg FILE] [--history FILE] [--json]",
	help: `Shows, for each UPS, what was predicted of each discharge test and outage and
what was measured; how often the low prediction held; the capacity that the
tests found and when it comes down to 80 %; and what is to be done: a battery to
be replaced, a test that is overdue.

  ebbline battery test UPS       leads through a discharge test
  ebbline battery selftest UPS   reads or starts the tests that a UPS makes of
                                 itself

Each takes --help. A quarterly test (engineering value) keeps the forecast worth
betting on: what is not measured widens it again with time.`,
}

func init() { batteryCommand.run = runBattery }

func runBattery(ctx context.Context, c *call) int {
	for _, sub := range []*command{&batteryTestCommand, &selftestCommand} {
		if len(c.args) == 0 {
			break
		}
		word := strings.TrimPrefix(sub.name, "battery ")
		if c.args[0] == word {
			c.cmd, c.args = sub, c.args[1:]
			return sub.run(ctx, c)
		}
		if _, err := os.Stat(c.args[0]); err != nil && near(c.args[0], word) {
			c.usage("there is no file %s, and no command of that name. Did you mean \"battery %s\"?", c.args[0], word)
			return exitUsage
		}
	}
	pf := c.policyFlags()
	past := c.historyFlag()
	drawing := c.flags.String("svg", "", "write the drawing to `FILE`, too")
	if err := c.parse(1); err != nil {
		return usageCode(err)
	}
	p, code := c.policyOr(pf, false)
	if p == nil {
		return code
	}
	from, path, err := c.openHistory(ctx, *past)
	if err != nil {
		return c.fail("%v", err)
	}
	if from != nil {
		defer from.Close()
	} else {
		path = ""
	}
	v := &batteryView{Site: p.Site.Name, History: path, UPSs: []batteryUPSView{}}
	if err := v.fill(ctx, p, from, today()); err != nil {
		return c.fail("%v", err)
	}
	if *drawing != "" {
		var list []report.Battery
		for i := range v.UPSs {
			list = append(list, v.UPSs[i].drawing())
		}
		var text bytes.Buffer
		report.BatterySVG(&text, list) // a buffer takes all
		if err := os.WriteFile(*drawing, text.Bytes(), 0o644); err != nil {
			return c.fail("the drawing cannot be written to %s: %v", *drawing, reason(err))
		}
	}
	if c.json {
		printJSON(c.Out, v)
	} else {
		width, color := terminal(c.Out)
		v.show(c.Out, c.style(width, color))
	}
	return exitDone
}

// batteryView is the document of `battery --json`.
type batteryView struct {
	Site    string           `json:"site"`
	History string           `json:"history"`
	UPSs    []batteryUPSView `json:"ups"`
}

type batteryUPSView struct {
	Name           string          `json:"name"`
	Basis          string          `json:"basis"`
	LoadWatts      int64           `json:"load_watts"`
	RuntimeSeconds threeWay        `json:"runtime_seconds"` // at that load
	Capacity       *float64        `json:"capacity_percent"`
	CapacityText   string          `json:"capacity,omitempty"`
	CapacityDate   string          `json:"capacity_date,omitempty"`
	Replace        replaceView     `json:"replace"`
	Conditions     []dueView       `json:"conditions"`
	Discharges     []dischargeView `json:"discharges"`
	Scores         []scoreView     `json:"scores"`
	tests          []battery.Tested
	falls          int64
}

// replaceView is when the capacity comes down to 80 %; "" where nobody can tell.
type replaceView struct {
	From    string   `json:"from_date"`
	Likely  string   `json:"likely_date"`
	To      string   `json:"to_date"`
	PerYear *float64 `json:"change_percent_per_year"`
	Basis   string   `json:"basis"`
}

type dueView struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

type dischargeView struct {
	Kind      string    `json:"kind"` // "test" or "outage"
	Began     time.Time `json:"began"`
	LoadWatts int64     `json:"load_watts"`
	Predicted *threeWay `json:"predicted_seconds"` // before it
	Basis     string    `json:"predicted_from,omitempty"`
	Measured  float64   `json:"measured_seconds"`
	AtLeast   bool      `json:"at_least"` // the battery would have gone on
	Stop      string    `json:"stop,omitempty"`
	Running   bool      `json:"running,omitempty"`
	Capacity  *float64  `json:"capacity_percent"`
	Found     string    `json:"capacity,omitempty"` // the same for people; a range where it was stopped at a charge
	Weak      []string  `json:"weak,omitempty"`
	Counts    bool      `json:"counts"` // it bears on the forecast
	Refused   string    `json:"refused,omitempty"`
}

type scoreView struct {
	By       string   `json:"made_by"`
	Measured int      `json:"measured"` // predictions whose end was measured
	Median   *float64 `json:"median_measured_over_likely"`
	LowHeld  int      `json:"low_held"`
	Inside   int      `json:"inside"`
	AtLeast  int      `json:"cut_short"`
	PastHigh int      `json:"cut_short_beyond_high"`
	Open     int      `json:"open"`
}

// fill gathers what is known; from is nil where there is no history.
func (v *batteryView) fill(ctx context.Context, p *policy.Policy, from *history.Reader, day int64) error {
	q := p
	records := make([]*learn.Record, len(p.UPSs))
	var scored [][]history.Scored
	for i := range p.UPSs {
		records[i] = &learn.Record{UPS: p.UPSs[i].Name, Ageing: battery.Age(&p.UPSs[i].Battery, nil)}
		var list []history.Scored
		if from != nil {
			r, err := learn.Battery(ctx, from, p, i, day)
			if err != nil {
				return err
			}
			if list, err = from.Predictions(ctx, p.UPSs[i].Name, 1000); err != nil {
				return err
			}
			records[i] = r
		}
		scored = append(scored, list)
	}
	if from != nil {
		q, _ = learn.Apply(ctx, p, from, day)
	}
	s, err := ifInputFailed(q, nil, nil, nil)
	if err != nil {
		return err
	}
	for i := range p.UPSs {
		low, likely, high := s.Runtime(int32(i))
		u := batteryUPSView{
			Name: p.UPSs[i].Name, Basis: s.Belief(int32(i)).Basis, LoadWatts: int64(s.UPSs[i].Load + 0.5),
			RuntimeSeconds: threeWay{ending(low), ending(likely), ending(high)}, Conditions: []dueView{}, Discharges: []dischargeView{}, Scores: []scoreView{},
		}
		u.fill(&p.UPSs[i], records[i], scored[i], day)
		v.UPSs = append(v.UPSs, u)
	}
	return nil
}

func (v *batteryUPSView) fill(u *policy.UPS, r *learn.Record, scored []history.Scored, day int64) {
	if m := r.Last(); m != nil {
		v.Capacity, v.CapacityText, v.CapacityDate = inPercent(m.Judged.Capacity), m.Capacity(), report.Date(m.Discharge.Day)
	}
	a := &r.Ageing
	v.tests, v.falls = r.Tests(), a.Likely
	v.Replace = replaceView{From: dated(a.From), Likely: dated(a.Likely), To: dated(a.To), Basis: a.By}
	if a.PerYear != 0 {
		v.Replace.PerYear = inPercent(a.PerYear)
	}
	for k := range r.Measured {
		v.Discharges = append(v.Discharges, dischargeOf(&r.Measured[k], scored))
	}
	for k := range r.Running {
		d := testViewOf(&r.Running[k])
		d.Running = true
		v.Discharges = append(v.Discharges, d)
	}
	for _, s := range []struct {
		by string
		of *history.Score
	}{{"model", &r.Model}, {"plan", &r.Plan}, {"ups", &r.Own}} {
		if *s.of == (history.Score{}) {
			continue
		}
		x := scoreView{s.by, s.of.Measured, nil, s.of.LowHeld, s.of.Inside, s.of.AtLeast, s.of.PastHigh, s.of.Open}
		if s.of.MedianPermille > 0 {
			f := float64(s.of.MedianPermille) / 1000
			x.Median = &f
		}
		v.Scores = append(v.Scores, x)
	}
	for _, d := range learn.Dues(u, r, day) {
		v.Conditions = append(v.Conditions, dueView{d.Code.String(), d.Text})
	}
}

// inPercent is a part in percent, to a tenth.
func inPercent(part float64) *float64 {
	f := float64(int64(part*1000+0.5)) / 10
	return &f
}

func dated(day int64) string {
	if day == 0 {
		return ""
	}
	return report.Date(day)
}

func threeWayOf(f *history.Forecast) *threeWay {
	if f.Made.At == 0 {
		return nil
	}
	return &threeWay{ending(f.Low), ending(f.Likely), ending(f.High)}
}

// testViewOf is a test as it is recorded.
func testViewOf(t *history.Test) dischargeView {
	d := dischargeView{
		Kind: "test", Began: t.Began.UTC, LoadWatts: t.LoadWatts, Predicted: threeWayOf(&t.Forecast), Basis: t.Forecast.Basis,
		Measured: t.Measured.Seconds(), AtLeast: t.Verdict.Censored, Stop: t.Stop.String(), Weak: t.Verdict.Weak,
	}
	if n := t.Verdict.CapacityTenths; n > 0 {
		d.Capacity = inPercent(float64(n) / 1000)
	}
	return d
}

// dischargeOf is a discharge with what is said of it. What was predicted of an
// outage is the first prediction in it whose end was measured, else the first.
func dischargeOf(m *learn.Measured, scored []history.Scored) dischargeView {
	var d dischargeView
	if m.Test != nil {
		d = testViewOf(m.Test)
	} else {
		d = dischargeView{Kind: "outage", Began: m.Input.Lost.UTC, Measured: m.Seconds(), AtLeast: m.Discharge.Ended != battery.AtCutOff}
		energy := 0.0
		for _, s := range m.Discharge.Segments {
			energy += s.Watts * s.Seconds
		}
		d.LoadWatts = int64(energy/m.Seconds() + 0.5)
		var best *history.Scored
		for i := range scored {
			s := &scored[i]
			if s.OfTest || s.By == history.ByUPS || !s.Known || s.Made.At < m.Input.Lost.At || m.Input.Back.At != 0 && s.Made.At > m.Input.Back.At {
				continue
			}
			if best == nil || best.AtLeast && !s.AtLeast {
				best = s
			}
		}
		if best != nil {
			d.Predicted, d.Basis = threeWayOf(&best.Forecast), best.Basis
			d.Measured, d.AtLeast = best.Lasted.Seconds(), best.AtLeast
		}
	}
	d.Capacity = nil
	if c := m.Found(); c > 0 {
		d.Capacity = inPercent(c)
	}
	d.Found, d.Counts, d.Refused = m.Capacity(), m.Judged.Used, m.Judged.Refused
	return d
}

// drawing is what is drawn of it.
func (v *batteryUPSView) drawing() report.Battery {
	b := report.Battery{Name: v.Name, Limit: 100 * battery.Replace}
	for i := range v.Discharges {
		d := &v.Discharges[i]
		x := report.Discharge{
			Label:    fmt.Sprintf("%s %-6s %5d W", d.Began.Format("2006-01-02"), d.Kind, d.LoadWatts),
			Measured: time.Duration(d.Measured * float64(time.Second)), AtLeast: d.AtLeast, Right: d.right(),
		}
		if p := d.Predicted; p != nil && p.Low != nil && p.Likely != nil && p.High != nil {
			x.Low, x.Likely, x.High = time.Duration(*p.Low)*time.Second, time.Duration(*p.Likely)*time.Second, time.Duration(*p.High)*time.Second
		}
		b.Discharges = append(b.Discharges, x)
	}
	for _, t := range v.tests {
		b.Tests = append(b.Tests, report.Capacity{Day: t.Day, Percent: 100 * t.Capacity})
	}
	if v.falls != 0 {
		b.Falls = &report.Capacity{Day: v.falls, Percent: 100 * battery.Replace}
	}
	return b
}

// right is what stands beside a discharge: its time, and what it says.
func (d *dischargeView) right() string {
	text := shutdown.Spell(time.Duration(d.Measured * float64(time.Second)))
	switch {
	case d.Running:
		return text + " runs, or was killed"
	case d.Refused != "":
		return text + " not counted"
	case d.Found != "":
		text += " " + d.Found
	}
	if len(d.Weak) > 0 {
		text += " weak"
	}
	return text
}
