package main

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"time"

	"ebbline/agent/history"
	"ebbline/agent/history/aftermath"
	"ebbline/shutdown"
	"ebbline/simulate/report"
)

// chart draws the hosts over the batteries' own charge readings, from the loss of
// input to a little after the last that happened to a host or to the input.
func (r *outageReport) chart() *report.Chart {
	length := time.Duration(0)
	since := func(m history.Moment) time.Duration {
		d := m.At.Sub(r.Outage.Began.At)
		length = max(length, d)
		return d
	}
	c := &report.Chart{Title: "What happened, since the loss of input"}
	for k := range r.Hosts {
		h := &r.Hosts[k]
		for _, m := range []history.Moment{h.Asked, h.Off, h.Cut, h.Told, h.BackAt} {
			if m.At != 0 {
				since(m)
			}
		}
	}
	for i, in := range r.Outage.Inputs {
		if i > 0 {
			c.Marks = append(c.Marks, report.Mark{At: since(in.Lost), Label: "input of " + in.UPS + " lost at"})
		}
		if in.Back.At != 0 {
			c.Marks = append(c.Marks, report.Mark{At: since(in.Back), Label: "input of " + in.UPS + " back at"})
		}
	}
	for i := range r.Actions {
		switch a := &r.Actions[i]; a.Code {
		case shutdown.OutputGoes.String():
			c.Marks = append(c.Marks, report.Mark{At: since(a.At), Label: "output of " + a.UPS + " told to go off at"})
		case shutdown.OutputStays.String():
			c.Marks = append(c.Marks, report.Mark{At: since(a.At), Label: "output of " + a.UPS + " told to stay on at"})
		}
	}
	slices.SortStableFunc(c.Marks, func(a, b report.Mark) int { return cmp.Compare(a.At, b.At) })
	if r.Running {
		length = max(length, r.Last.At.Sub(r.Outage.Began.At))
	}
	if length <= 0 {
		return c
	}
	c.Length = length + length/20 + time.Second
	for k := range r.Hosts {
		if h := &r.Hosts[k]; h.Fate != aftermath.StayedUp && h.Fate != aftermath.WasOff {
			c.Bars = append(c.Bars, r.bar(h, c.Length))
		}
	}
	for i := range r.Batteries {
		b := &r.Batteries[i]
		if slices.ContainsFunc(c.Curves, func(x report.Curve) bool { return x.Name == b.UPS }) || len(c.Bars) == 0 {
			continue
		}
		if p := r.charges[b.UPS]; len(p) > 1 {
			c.Curves = append(c.Curves, report.Curve{Name: b.UPS, Low: p, Right: "its gauge"})
		}
	}
	return c
}

// bar is what a host did.
func (r *outageReport) bar(h *aftermath.Host, length time.Duration) report.Bar {
	at := func(m history.Moment) time.Duration { return m.At.Sub(r.Outage.Began.At) }
	b := report.Bar{Name: h.Host, Note: fmt.Sprint(h.Priority)}
	add := func(from, to time.Duration, kind report.Kind) {
		b.Spans = append(b.Spans, report.Span{From: from, To: max(from, min(to, length)), Kind: kind})
	}
	up := length // until when it was up
	switch {
	case h.Fate == aftermath.Watched:
		b.Right = "only watched"
		add(0, up, report.IsUp)
		return b
	case h.Asked.At != 0 && !h.Observed:
		up = at(h.Asked)
	case h.Cut.At != 0:
		up = at(h.Cut)
	case h.Fate == aftermath.LostPower:
		up = 0 // when is not known
	}
	add(0, up, report.IsUp)
	switch {
	case h.Fate == aftermath.LostPower && h.Cut.At != 0:
		if h.Asked.At != 0 && !h.Observed {
			add(up, at(h.Cut), report.IsStopping)
		}
		add(at(h.Cut), at(h.Cut), report.WasCut)
		b.Right = "cut"
	case h.Off.At != 0:
		add(up, at(h.Off), report.IsStopping)
		b.Right = "off " + shutdown.Spell(at(h.Off))
	case h.Fate == aftermath.GaveUp:
		add(up, up+h.Took, report.IsStopping)
		b.Right = "given up"
	case h.Fate == aftermath.Spared:
		add(up, length, report.IsUp)
		b.Right = "stayed up"
	case h.Asked.At != 0:
		end := at(r.Last)
		if h.Told.At != 0 {
			end = at(h.Told)
		}
		add(up, max(up+time.Second, min(end, up+max(h.StopsIn, time.Second))), report.IsStopping)
		b.Right = "asked"
	}
	if h.Told.At != 0 {
		end := length
		if h.BackAt.At != 0 {
			end = at(h.BackAt)
		}
		add(at(h.Told), end, report.IsStarting)
	}
	if h.BackAt.At != 0 {
		add(at(h.BackAt), length, report.IsUp)
	}
	return b
}

// page writes the report as a page of its own.
func (r *outageReport) page(w io.Writer) error {
	verdict, mark := r.verdict()
	d := &report.Outage{
		Title: r.title(), Verdict: verdict, Finding: mark, Facts: r.facts(), Hosts: r.rows(), Events: r.events(), Notes: r.notes(), Steps: r.steps(),
		Program: "ebbline " + Version, Repeat: "ebbline history " + aftermath.Stamp(r.Outage.Began) + " --report outage.html", Made: r.now.In(r.zone).Format("2006-01-02 15:04:05 -07:00"),
	}
	if c := r.chart(); len(c.Bars) > 0 {
		t := &report.Timeline{Title: c.Title, Length: c.Length, Bars: c.Bars, Marks: c.Marks}
		for _, x := range c.Curves {
			t.Bands = append(t.Bands, report.Band{Name: x.Name, Right: x.Right, Low: x.Low})
		}
		d.Run = t
	}
	for i := range r.Batteries {
		b := &r.Batteries[i]
		d.Batteries = append(d.Batteries, report.OutageBattery{UPS: b.UPS, Forecasts: r.forecasts(b), Left: r.leftText(b)})
	}
	return report.OutageHTML(w, d)
}

// outageDocument is the document of `history N --json`.
type outageDocument struct {
	outageView
	Running    bool             `json:"running"`
	Verdict    string           `json:"verdict"`
	InTime     *bool            `json:"all_off_in_time"` // null while hosts stop, and where none was asked
	Last       string           `json:"last_record"`
	Hosts      []outageHostView `json:"hosts"`
	Batteries  []leftView       `json:"batteries"`
	Actions    []actionView     `json:"actions"`
	Orders     []wordView       `json:"orders"`
	Conditions []heldView       `json:"conditions"`
	Steps      []todoView       `json:"steps"`
	Complete   bool             `json:"complete"` // false of an outage that an older version recorded
}

type outageHostView struct {
	Name     string   `json:"name"`
	Priority int64    `json:"priority"`
	Fate     string   `json:"fate"`
	Observed bool     `json:"observed"`             // only watched: asked is when it would have been
	Planned  *float64 `json:"planned_stop_seconds"` // by the first plan
	Asked    *float64 `json:"asked_seconds"`
	Down     *float64 `json:"down_seconds"`
	Took     *float64 `json:"took_seconds"`
	Counted  *float64 `json:"stops_in_seconds"` // what the plan counted on
	Margin   *float64 `json:"margin_seconds"`   // by the plan, when it was asked
	InOrder  *bool    `json:"in_order"`         // null where it was not asked
	Ahead    []string `json:"before,omitempty"` // hosts that need it and were not off when it was asked
	Method   string   `json:"method,omitempty"`
	Reason   string   `json:"reason,omitempty"`
	Cut      *float64 `json:"without_power_seconds"`
	Started  *float64 `json:"started_seconds"`
	BackAt   *float64 `json:"back_seconds"`
	Back     *bool    `json:"back"` // null of a host that was not stopped
}

var fateNames = [...]string{
	aftermath.StayedUp: "stayed_up", aftermath.WentOff: "off", aftermath.WithHost: "off_with_host", aftermath.WasOff: "was_off", aftermath.GoesLast: "told_last",
	aftermath.Spared: "spared", aftermath.Watched: "only_watched", aftermath.Stopping: "stopping", aftermath.Unseen: "unseen", aftermath.GaveUp: "given_up", aftermath.LostPower: "lost_power",
}

type leftView struct {
	UPS       string         `json:"ups"`
	Lost      string         `json:"lost"`
	Back      *string        `json:"back"`
	LastHost  string         `json:"last_host,omitempty"` // that went off
	LastOff   *float64       `json:"last_off_seconds"`
	Left      *threeWay      `json:"left_seconds"` // then, at the load of the moment before
	Reserve   *float64       `json:"reserve_seconds"`
	Margin    *float64       `json:"margin_seconds"`
	Predicted []forecastView `json:"predicted"`
}

type forecastView struct {
	By       string    `json:"made_by"`
	Made     float64   `json:"made_seconds"`
	Seconds  *threeWay `json:"seconds"`
	Measured *float64  `json:"measured_seconds"`
	AtLeast  bool      `json:"at_least"`
	Basis    string    `json:"basis"`
}

type todoView struct {
	About string `json:"about"`
	Host  string `json:"host,omitempty"`
	UPS   string `json:"ups,omitempty"`
	Text  string `json:"text"`
	Write string `json:"write,omitempty"`
}

func (r *outageReport) document() outageDocument {
	verdict, _ := r.verdict()
	p := past{Sums: map[history.OutageKey]history.OutageSum{}}
	sum := history.OutageSum{Asked: r.askedAtAll(), Cut: r.Count(aftermath.LostPower)}
	if l := r.LeastInHand(); l != nil {
		sum.Margin, sum.HasMargin = l.InHand(), true
	}
	p.Sums[r.Outage.Key()] = sum
	d := outageDocument{outageView: p.outageView(&r.Outage), Running: r.Running, Verdict: verdict, Last: aftermath.Stamp(r.Last), Hosts: []outageHostView{},
		Batteries: []leftView{}, Actions: views(r.Actions, actionOf), Orders: views(r.Orders, wordOf), Conditions: views(r.Conditions, conditionOf), Steps: []todoView{}, Complete: r.Full}
	for _, e := range r.Outage.Phases {
		d.Phases = append(d.Phases, phaseView{e.UPS, e.Phase.String(), *lapse(r.Outage.Began, e.Entered)})
	}
	if asked := len(r.Stopped()); asked > 0 && r.Count(aftermath.Stopping) == 0 {
		all := r.off() == asked
		d.InTime = &all
	}
	for k := range r.Hosts {
		d.Hosts = append(d.Hosts, r.hostView(&r.Hosts[k]))
	}
	for i := range r.Batteries {
		d.Batteries = append(d.Batteries, r.leftView(&r.Batteries[i]))
	}
	for _, s := range r.Steps {
		d.Steps = append(d.Steps, todoView{string(s.Kind), s.Host, s.UPS, s.Text, s.Write})
	}
	return d
}

func (r *outageReport) askedAtAll() (n int) {
	for k := range r.Hosts {
		if r.Hosts[k].Asked.At != 0 && !r.Hosts[k].Observed {
			n++
		}
	}
	return n
}

func (r *outageReport) hostView(h *aftermath.Host) outageHostView {
	at := func(m history.Moment) *float64 { return lapse(r.Outage.Began, m) }
	v := outageHostView{Name: h.Host, Priority: h.Priority, Fate: fateNames[h.Fate], Observed: h.Observed, Asked: at(h.Asked), Down: at(h.Off), Cut: at(h.Cut), Started: at(h.Told), BackAt: at(h.BackAt),
		Ahead: h.Ahead, Method: h.Method, Reason: h.Why}
	if h.Planned {
		v.Planned = inSeconds(h.PlanStop)
	}
	if h.Took > 0 {
		v.Took = inSeconds(h.Took)
	}
	if r.Full {
		v.Counted = inSeconds(h.StopsIn)
	}
	if h.Asked.At != 0 {
		inOrder := len(h.Ahead) == 0
		v.InOrder = &inOrder
		if !h.MarginUnknown {
			v.Margin = inSeconds(h.Margin)
		}
	}
	if h.Stopped() {
		v.Back = &h.Back
	}
	return v
}

func (r *outageReport) leftView(b *aftermath.Battery) leftView {
	v := leftView{UPS: b.UPS, Lost: aftermath.Stamp(b.Lost), Back: stamp(b.Back), Predicted: []forecastView{}}
	if l := b.Left; l != nil {
		v.LastHost, v.LastOff, v.Margin, v.Reserve = l.Host, lapse(r.Outage.Began, l.At), inSeconds(l.InHand()), inSeconds(l.Reserve)
		v.Left = &threeWay{ending(l.Low), ending(l.Likely), ending(l.High)}
	}
	for i := range b.Predicted {
		p := &b.Predicted[i]
		f := forecastView{By: p.By.String(), Made: *lapse(r.Outage.Began, p.Made), Seconds: threeWayOf(&p.Forecast), AtLeast: p.AtLeast, Basis: p.Basis}
		if p.Known {
			f.Measured = inSeconds(p.Lasted)
		}
		v.Predicted = append(v.Predicted, f)
	}
	return v
}
