package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"ebbline/shutdown"
	"ebbline/simulate"
	"ebbline/simulate/report"
)

// paper is the file that a report goes to. It is opened before the work, so that
// a path that cannot be written costs nobody an hour, and takes the place of an
// older report only when it is whole.
type paper struct {
	path  string // as it was named
	place string // where that is
	file  *os.File
}

// newPaper readies the file; without a path there is none.
func newPaper(path string) (*paper, error) {
	if path == "" {
		return nil, nil
	}
	refuse := func(why string) error {
		return fmt.Errorf("the report %s cannot be written: %s. Name a file in a folder that is there and that you may write to", path, why)
	}
	place := path
	if _, err := os.Lstat(path); err == nil { // a link stays one, and what it leads to is replaced
		if place, err = filepath.EvalSymlinks(path); err != nil {
			return nil, refuse(reason(err).Error())
		}
		if info, err := os.Lstat(place); err != nil || !info.Mode().IsRegular() {
			return nil, refuse("it is there already and no ordinary file")
		}
	}
	f, err := os.CreateTemp(filepath.Dir(place), ".ebbline-report-*")
	if err != nil {
		return nil, refuse(reason(err).Error())
	}
	return &paper{path, place, f}, nil
}

// close takes away what was not finished.
func (p *paper) close() {
	if p != nil && p.file != nil {
		p.file.Close()
		os.Remove(p.file.Name())
	}
}

// write puts the report in its place.
func (p *paper) write(d *report.Document) error {
	return p.put(func(w io.Writer) error { return report.HTML(w, d) })
}

// put puts what is rendered in its place.
func (p *paper) put(render func(w io.Writer) error) error {
	err := render(p.file)
	if err == nil {
		err = p.file.Chmod(0o644)
	}
	if err == nil {
		err = p.file.Sync()
	}
	if err = errors.Join(err, p.file.Close()); err == nil {
		err = os.Rename(p.file.Name(), p.place)
	}
	if err != nil {
		os.Remove(p.file.Name())
		err = fmt.Errorf("the report %s cannot be written: %w", p.path, err)
	}
	p.file = nil
	return err
}

// writeReport writes the page, if one is wanted.
func (s *simulation) writeReport(p *paper, v *runsView) error {
	if p == nil {
		return nil
	}
	d, err := s.document(v)
	if err != nil {
		return err
	}
	d.Repeat = []string{s.commandFor(p.path)}
	return p.write(d)
}

// commandFor is the command that makes the report again.
func (s *simulation) commandFor(path string) string {
	text := "ebbline simulate " + quoted(s.path)
	if s.given {
		for _, word := range s.words {
			if word != "" {
				text += " " + quoted(word)
			}
		}
	}
	if s.seen {
		text += " --past"
	}
	if s.random > 0 {
		text += fmt.Sprintf(" --random %d", s.random)
	}
	return text + fmt.Sprintf(" --seed %d%s --report %s", s.seed, s.on(), quoted(path))
}

// document fills in the report.
func (s *simulation) document(v *runsView) (*report.Document, error) {
	st, err := ifInputFailedOn(s.day, s.p, nil, nil, nil)
	if err != nil {
		return nil, err
	}
	plan := planOf(st)
	d := &report.Document{
		Site: s.p.Site.Name, Evidence: evidenceOf(v), Outages: v.Outages, Seed: s.seed, Cut: v.Cut, NoReturn: time.Duration(plan.NoReturnSeconds) * time.Second,
		Reserve: s.p.Site.Reserve, Plan: s.planTimeline(plan),
		Fingerprint: s.p.Fingerprint, Program: "ebbline " + Version, Day: time.Unix(s.day*86400, 0).UTC().Format(time.DateOnly),
	}
	switch {
	case v.Outages == 0:
		d.Verdict, d.Because = report.NoVerdict, "No outage was replayed."
	case v.Verdict == simulate.Proven:
		d.Verdict, d.Because = report.Proven, fmt.Sprintf("Every host is off before the battery ends in every outage within the bounds: full batteries that hold at least their low projection, hosts that draw no more than the policy says and stop within their first allowance. And %s held.", count(v.Outages, "outage"))
	case v.Verdict == simulate.Holds:
		d.Verdict, d.Because = report.Holds, fmt.Sprintf("%s tried. Not proven: %s.", count(v.Outages, "outage"), v.Because)
	default:
		d.Verdict, d.Because = report.Fails, fmt.Sprintf("%d of %s failed: a promise was broken, or a host lost its power in a room no worse than the plan is made for.", v.Failed, count(v.Outages, "outage"))
	}
	if v.Cut > 0 && v.Verdict != simulate.Fails {
		d.Because += fmt.Sprintf(" In %d of them a host lost its power while it was up: it would not go down, or the room was worse than a plan is made for.", v.Cut)
	}
	if v.Interrupted {
		d.Because += fmt.Sprintf(" It was interrupted: %d more were to be tried.", len(s.runs)-v.Outages)
	}
	var inHand []time.Duration
	for i := range s.runs {
		if o := &s.runs[i]; o.Done && o.InHand != simulate.Untested {
			inHand = append(inHand, o.InHand)
		}
	}
	if d.Histogram = report.Bins(inHand, 24); len(inHand) > 0 {
		at := func(n *int64) time.Duration { return time.Duration(*n) * time.Second }
		d.InHand = report.InHand{Known: true, Worst: at(v.InHand.Worst), P05: at(v.InHand.P05), Median: at(v.InHand.Median)}
	}
	s.hostRows(d, v)
	const few = 20
	for _, x := range v.Violations[:min(few, len(v.Violations))] {
		d.Broken = append(d.Broken, report.BrokenRow{Promise: x.Promise, Outage: x.Outage, Seed: x.Seed, Text: x.Text})
	}
	d.MoreBroken = len(v.Violations) - len(d.Broken)
	for _, f := range v.Faults {
		if f.Outages > 0 {
			d.Faults = append(d.Faults, report.FaultRow{Name: f.Name, Drawn: f.Drawn, Beyond: f.Beyond, Outages: f.Outages, Cut: f.Cut, Failed: f.Failed})
		}
	}
	if m := v.Smallest; m != nil {
		d.Smallest = &report.Smallest{Why: m.Why, Text: m.Text, Whole: m.Outages}
	}
	d.Worst, err = s.worst()
	return d, err
}

// evidenceOf puts each kind of evidence into words.
func evidenceOf(v *runsView) []report.Evidence {
	w := &v.Evidence.WorstCase
	bounds := report.Evidence{Kind: "Worst case by construction", Finding: report.Open}
	if w.Proven {
		bounds.Finding, bounds.Figure = report.Supports, "a proof"
		bounds.Text = sentence(v.becauseProven())
	} else {
		var open []string
		for _, c := range w.Conditions {
			if !c.Holds {
				open = append(open, c.Text)
			}
		}
		bounds.Text = sentence("no proof: " + strings.Join(append(open, fmt.Sprintf("in the one replay at the bounds %s lost power", count(w.Cut, "host"))), "; "))
		if w.Instead != "" {
			bounds.Text += " " + sentence("instead: "+w.Instead)
		}
	}
	all := report.Evidence{Kind: "Every combination", Finding: report.Untried}
	if x := v.Evidence.Exhaustive; x != nil {
		all.Finding, all.Figure = report.Supports, "none fails"
		if x.Failure > 0 {
			all.Finding, all.Figure = report.Against, chance(x.Failure)+" fail, exactly, in this model"
		}
		all.Text = fmt.Sprintf("All %d combinations of stopping times and batteries in an outage that outlasts them, each class at its bad end.", x.Outcomes)
	} else if v.Evidence.WhyNot != "" {
		all.Text = sentence(v.Evidence.WhyNot)
	}
	list := []report.Evidence{bounds, all}
	r := v.Evidence.Random
	if r == nil {
		chosen := report.Evidence{Kind: "Chosen outages", Finding: report.Supports, Figure: fmt.Sprintf("none of %d failed", v.Outages), Text: "They were chosen, not drawn: their number is no probability."}
		if v.Failed > 0 {
			chosen.Finding, chosen.Figure = report.Against, fmt.Sprintf("%d of %d failed", v.Failed, v.Outages)
		}
		return append(list, chosen)
	}
	random := report.Evidence{Kind: "Random outages, with faults denser than in life", Finding: report.Supports, Figure: "promises broken in " + r.All.text()}
	if r.All.Seen+r.Within.Seen > 0 {
		random.Finding = report.Against
	}
	random.Text = "No room drawn was within the bounds."
	if r.Within.Outages > 0 {
		random.Text = fmt.Sprintf("Hosts cut in rooms within the bounds, in %s.", r.Within.text())
	}
	if r.Fails.Outages > 0 {
		random.Text += fmt.Sprintf(" Where a UPS's output fails, which no plan holds, in %s.", r.Fails.text())
	}
	if r.Others.Outages > 0 {
		random.Text += fmt.Sprintf(" In other rooms worse than any plan is made for, in %s.", r.Others.text())
	}
	return append(list, random)
}

// sentence makes one of a clause.
func sentence(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(first)) + strings.TrimSuffix(text[size:], ".") + "."
}

// planTimeline draws the plan, each battery with its band.
func (s *simulation) planTimeline(v *planView) *report.Timeline {
	if len(v.Hosts) == 0 {
		return nil
	}
	t := &report.Timeline{Title: "The plan of " + v.Site + " if the input failed now", Length: planLength(v)}
	for i := range v.Hosts {
		h := &v.Hosts[i]
		asked, down := time.Duration(h.StopSeconds)*time.Second, time.Duration(h.DownSeconds)*time.Second
		t.Bars = append(t.Bars, report.Bar{
			Name: h.Name, Note: fmt.Sprint(h.Priority), Right: shutdown.Spell(asked),
			Spans: []report.Span{{From: 0, To: asked, Kind: report.IsUp}, {From: asked, To: down, Kind: report.IsStopping}},
		})
	}
	for i := range v.UPSs {
		u := &v.UPSs[i]
		b := report.Band{Name: u.Name, Note: fmt.Sprintf("%d W", u.LoadWatts), Low: u.curve, Likely: u.likely, High: u.high}
		if u.InHandSeconds != nil {
			b.Right = "in hand " + shutdown.Spell(time.Duration(*u.InHandSeconds)*time.Second)
		}
		t.Bands = append(t.Bands, b)
	}
	if v.NoReturnSeconds > 0 {
		t.Marks = []report.Mark{{At: time.Duration(v.NoReturnSeconds) * time.Second, Label: "point of no return"}}
	}
	return t
}

// hostRows says how long each host stayed up, the most important first, in the
// outages that outlasted it, of those in which that was compared with hindsight.
func (s *simulation) hostRows(d *report.Document, v *runsView) {
	order := byPriority(s.p)
	slices.Reverse(order)
	for _, k := range order {
		p := &s.p.Hosts[k]
		row := report.HostRow{Name: p.Name, Priority: p.Priority, Promised: p.KeepFor}
		var stayed, best []time.Duration
		for i := range s.runs {
			o := &s.runs[i]
			if !o.Done || o.Length == 0 || o.Best[k] < 0 {
				continue
			}
			if p.KeepFor > 0 && o.Length >= p.KeepFor {
				if row.Of++; o.Stayed[k] >= p.KeepFor {
					row.Kept++
				}
			}
			if o.Stayed[k] < o.Length {
				stayed, best = append(stayed, o.Stayed[k]), append(best, max(o.Best[k], o.Stayed[k]))
			}
		}
		if len(stayed) == 0 {
			continue
		}
		row.Median, row.Best, row.Least = median(stayed), median(best), slices.Min(stayed)
		d.Hosts = append(d.Hosts, row)
	}
	if t := v.Stayed; t != nil {
		d.HostsNote = fmt.Sprintf("From the loss of input until the host was asked to stop or lost its power, over the outages that outlasted it, of %s; the tick in each bar is the least. "+
			"The best possible is what the planner gives when it is told from the start how long the outage lasts, what each battery holds and how long each host takes; or what the host had, where that is more. "+
			"All in all, weighed by priority and without the agent's own, hosts stayed up for %.1f %% of what hindsight would have given them.", count(t.Outages, "outage"), 100*t.Share)
	}
}

// worst shows the outage that went worst: one that failed, else the one with the
// least in hand.
func (s *simulation) worst() (*report.Worst, error) {
	at := -1
	for i := range s.runs {
		if s.runs[i].Done && (at < 0 || worse(&s.runs[i], &s.runs[at])) {
			at = i
		}
	}
	if at < 0 {
		return nil, nil
	}
	o, rec, run, err := s.record(at, false)
	if err != nil {
		return nil, err
	}
	chart := s.chartOf(o, rec, run)
	t := &report.Timeline{Title: "The worst outage: " + chart.Title, Length: chart.Length, Bars: chart.Bars, Marks: chart.Marks}
	for _, c := range chart.Curves {
		t.Bands = append(t.Bands, report.Band{Name: c.Name, Right: "truly left", Low: c.Low})
	}
	name, seed := s.nameOf(at)
	return &report.Worst{
		Name: name, Seed: seed, InHand: run.InHand, Tested: run.InHand != simulate.Untested,
		Faults: faultsIn(s.runs[at].Faults), Text: o.Text(s.p), Command: s.again(at), Run: t,
	}, nil
}

// worse tells whether one outage went worse than another.
func worse(o, other *simulate.Result) bool {
	if o.Failed != other.Failed {
		return o.Failed
	}
	return o.InHand < other.InHand
}
