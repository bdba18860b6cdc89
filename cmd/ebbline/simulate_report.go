package main

import (
	"bytes"
	"fmt"
	"os"
	"sort"
	"strings"
	"time"

	"ebbline/shutdown"
	"ebbline/shutdown/battery"
	"ebbline/simulate"
	"ebbline/simulate/report"
)

// writeReport writes the page that can be handed to somebody who was not there.
func (s *simulation) writeReport(path string, v *runsView) error {
	if path == "" {
		return nil
	}
	d, err := s.document(path, v)
	if err != nil {
		return err
	}
	var page bytes.Buffer
	if err := report.HTML(&page, d); err != nil {
		return err
	}
	if err := os.WriteFile(path, page.Bytes(), 0o644); err != nil {
		return fmt.Errorf("%s cannot be written: %w", path, reason(err))
	}
	return nil
}

// document gathers what the page shows.
func (s *simulation) document(path string, v *runsView) (*report.Document, error) {
	st, err := ifInputFailedOn(s.day, s.p, nil, nil, nil)
	if err != nil {
		return nil, err
	}
	plan := planOf(st)
	d := &report.Document{
		Site: s.p.Site.Name, Verdict: v.forPage(), Because: v.sentences(len(s.runs)),
		Outages: v.Outages, Seed: s.seed, Cut: v.Cut, NoReturn: s.proof.noReturn, Reserve: s.p.Site.Reserve,
		Plan: planTimeline(st, plan), Hosts: s.hostRows(),
		HostsNote:   "Over the outages that outlasted a host, of those that were compared. The best possible is what the planner gives when it is told from the start how long the outage lasts, what the batteries hold and how long each host takes, all weighed by priority; or what the host had, where that is more.",
		Repeat:      []string{s.commandFor(path)},
		Fingerprint: s.p.Fingerprint, Program: "ebbline " + Version, Day: time.Unix(s.day*86400, 0).UTC().Format(time.DateOnly),
	}
	var margins []time.Duration
	for i := range s.runs {
		if o := &s.runs[i]; o.done && o.margin != simulate.Untested {
			margins = append(margins, o.margin)
		}
	}
	d.Histogram = report.Bins(margins, 24)
	if v.Margin.Worst != nil {
		in := func(n *int64) time.Duration { return time.Duration(*n) * time.Second }
		d.Margins = report.Margins{Known: true, Worst: in(v.Margin.Worst), P05: in(v.Margin.P05), Median: in(v.Margin.Median)}
	}
	for _, f := range v.Faults {
		if f.Outages > 0 {
			d.Faults = append(d.Faults, report.FaultRow{Name: f.Name, Outages: f.Outages, Cut: f.Cut, Broken: f.Broken})
		}
	}
	for i, x := range v.Violations {
		if i == 8 {
			d.MoreBroken = len(v.Violations) - i
			break
		}
		d.Broken = append(d.Broken, report.BrokenRow{Promise: x.Promise, Outage: x.Outage, Seed: x.Seed, Text: x.Text})
	}
	return d, s.worstOf(d)
}

func (v *runsView) forPage() report.Verdict {
	switch {
	case v.Verdict == verdictFails:
		return report.Fails
	case v.Verdict == verdictProven:
		return report.Proven
	}
	return report.Holds
}

// sentences says for the page why the verdict is what it is.
func (v *runsView) sentences(wanted int) string {
	var text strings.Builder
	if v.Interrupted {
		fmt.Fprintf(&text, "Interrupted: %d of %d outages were replayed. ", v.Outages, wanted)
	}
	if v.Verdict == verdictFails {
		fmt.Fprintf(&text, "%d of %s failed: a promise was broken, or a host lost its power in a room no worse than the one that the plan is made for. ", v.Failed, count(v.Outages, "outage"))
	}
	if v.Proven {
		text.WriteString("Worst case: proven with the agent running, full batteries that hold their low projection or more, and hosts that draw no more than the policy says and stop within their first allowance: " + v.becauseProven() + ". ")
	} else {
		text.WriteString("Worst case: not proven, because " + strings.TrimSuffix(v.Because, ".") + ". ")
		if w := v.Evidence.WorstCase.Instead; w != "" {
			text.WriteString("Instead: " + w + ". ")
		}
	}
	if x := v.Evidence.Exhaustive; x != nil {
		fmt.Fprintf(&text, "Exhaustive: of all %d combinations of stopping times and batteries, those that cut a host have a chance of %s. ", x.Outcomes, chance(x.Failure))
	}
	if r := v.Evidence.Random; r != nil {
		fmt.Fprintf(&text, "Random: promises broken in %s; in rooms within the bounds, hosts cut in %s", r.All.text(), r.Within.text())
		if r.Beyond.Seen > 0 {
			fmt.Fprintf(&text, "; in worse rooms, in %s", r.Beyond.text())
		}
		text.WriteString(".")
	}
	return strings.TrimSpace(text.String())
}

// commandFor is the command that makes the report again.
func (s *simulation) commandFor(path string) string {
	text := "ebbline simulate " + quoted(s.path)
	for _, o := range s.named {
		if !strings.Contains(o.Name, " ") {
			text += " " + quoted(o.Name)
		}
	}
	if s.random > 0 {
		text += fmt.Sprintf(" --random %d --seed %d", s.random, s.seed)
	}
	return text + s.on() + " --report " + quoted(path)
}

// hostRows sums up how long hosts stayed up in the outages that outlasted them.
func (s *simulation) hostRows() []report.HostRow {
	var rows []report.HostRow
	order := byPriority(s.p)
	for n := len(order) - 1; n >= 0; n-- {
		k := order[n]
		h := &s.p.Hosts[k]
		row := report.HostRow{Name: h.Name, Priority: h.Priority, Promised: h.KeepFor}
		var stayed, best []time.Duration
		for i := range s.runs {
			o := &s.runs[i]
			if o.length == 0 || o.best[k] < 0 {
				continue
			}
			if h.KeepFor > 0 && o.length >= h.KeepFor {
				if row.Of++; o.stayed[k] >= h.KeepFor {
					row.Kept++
				}
			}
			if o.stayed[k] < o.length {
				stayed, best = append(stayed, o.stayed[k]), append(best, max(o.best[k], o.stayed[k]))
			}
		}
		if len(stayed) == 0 {
			continue
		}
		row.Median, row.Best = median(stayed), median(best)
		row.Least = stayed[0] // sorted by now
		rows = append(rows, row)
	}
	return rows
}

// worstOf draws the outage with the least margin.
func (s *simulation) worstOf(d *report.Document) error {
	worst := -1
	for i := range s.runs {
		if o := &s.runs[i]; o.done && o.margin != simulate.Untested && (worst < 0 || o.margin < s.runs[worst].margin) {
			worst = i
		}
	}
	if worst < 0 {
		return nil
	}
	o, rec, run, err := s.record(worst, false)
	if err != nil {
		return err
	}
	name, seed := s.nameOf(worst)
	chart := s.chartOf(o, rec, run)
	t := &report.Timeline{Title: chart.Title, Length: chart.Length, Bars: chart.Bars, Marks: chart.Marks}
	for _, c := range chart.Curves {
		t.Bands = append(t.Bands, report.Band{Name: c.Name, Right: "truly left", Low: thin(c.Low, chart.Length)})
	}
	d.Worst = &report.Worst{Name: name, Seed: seed, Margin: run.Margin, Text: o.Text(s.p), Command: s.again(worst), Run: t}
	return nil
}

// thin leaves so many points of a curve as a drawing can show.
func thin(points []report.Point, length time.Duration) []report.Point {
	const most = 400
	var kept []report.Point
	next := time.Duration(0)
	for _, p := range points {
		if p.At > length {
			break
		}
		if p.At >= next {
			kept = append(kept, p)
			next = p.At + length/most
		}
	}
	return kept
}

// planTimeline draws the plan if the input failed now.
func planTimeline(st *shutdown.State, v *planView) *report.Timeline {
	t := &report.Timeline{Title: "The plan of " + v.Site + " if the input failed now", Length: planLength(v)}
	for i := range v.Hosts {
		h := &v.Hosts[i]
		stop, down := time.Duration(h.StopSeconds)*time.Second, time.Duration(h.DownSeconds)*time.Second
		t.Bars = append(t.Bars, report.Bar{
			Name: h.Name, Note: fmt.Sprint(h.Priority), Right: shutdown.Spell(stop),
			Spans: []report.Span{{From: 0, To: stop, Kind: report.IsUp}, {From: stop, To: down, Kind: report.IsStopping}},
		})
	}
	o, ok := st.Outlook()
	if !ok {
		return t
	}
	high := o.With(st, func(b *battery.Belief) float64 { return b.High })
	for j := range v.UPSs {
		u := &v.UPSs[j]
		curve, _ := o.Curve(&high, j, t.Length/100, t.Length)
		band := report.Band{Name: u.Name, Note: fmt.Sprintf("%d W", u.LoadWatts), Low: u.curve, Likely: u.likely, High: points(curve)}
		if u.MarginSeconds != nil {
			band.Right = "margin " + spelled(*u.MarginSeconds)
		}
		t.Bands = append(t.Bands, band)
	}
	if v.NoReturnSeconds > 0 {
		t.Marks = append(t.Marks, report.Mark{At: time.Duration(v.NoReturnSeconds) * time.Second, Label: "point of no return"})
	}
	sort.SliceStable(t.Bars, func(a, b int) bool { return t.Bars[a].Spans[0].To < t.Bars[b].Spans[0].To })
	return t
}
