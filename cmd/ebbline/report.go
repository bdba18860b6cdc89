package main

import (
	"cmp"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"ebbline/shutdown"
	"ebbline/simulate"
	"ebbline/simulate/report"
	"ebbline/simulate/world"
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
	err := report.HTML(p.file, d)
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
func (c *call) writeReport(p *paper, s *simulation, v *runsView, files []string) error {
	if p == nil {
		return nil
	}
	path := c.Env("EBBLINE_POLICY")
	if len(c.args) > 0 {
		path = c.args[0]
	}
	print, err := fingerprint(path)
	if err != nil {
		return err
	}
	d, err := s.document(v)
	if err != nil {
		return err
	}
	d.Fingerprint = print
	again := "ebbline simulate " + quoted(path)
	for _, f := range files {
		again += " " + quoted(f)
	}
	if s.random > 0 {
		again += fmt.Sprintf(" --random %d", s.random)
	}
	if s.seed != 1 {
		again += fmt.Sprintf(" --seed %d", s.seed)
	}
	d.Repeat = []string{again + " --report " + quoted(p.path)}
	if d.Worst != nil {
		d.Worst.Command = "ebbline simulate " + quoted(path) + d.Worst.Command
	}
	return p.write(d)
}

// fingerprint is the SHA-256 of the policy's files, one after the other: what
// sha256sum says of the file, or of all of a folder's behind each other.
func fingerprint(path string) (string, error) {
	files, err := policyFiles(path)
	if err != nil {
		return "", err
	}
	sum := sha256.New()
	for _, f := range files {
		sum.Write(f.Bytes)
	}
	return fmt.Sprintf("%x", sum.Sum(nil)), nil
}

// quoted writes a path for a shell.
func quoted(path string) string {
	if strings.ContainsAny(path, " \t\n'\"$`\\*?[](){}<>|&;#~!") {
		return "'" + strings.ReplaceAll(path, "'", `'\''`) + "'"
	}
	return path
}

// document fills in the report.
func (s *simulation) document(v *runsView) (*report.Document, error) {
	st, err := ifInputFailed(s.p, nil, nil, nil)
	if err != nil {
		return nil, err
	}
	plan := planOf(st)
	d := &report.Document{
		Site: s.p.Site.Name, Outages: v.Outages, Seed: s.seed, Cut: v.Cut, NoReturn: time.Duration(plan.NoReturnSeconds) * time.Second,
		Reserve: s.p.Site.Reserve, Plan: s.planTimeline(plan),
		Program: "ebbline " + Version, Day: time.Unix(today()*86400, 0).UTC().Format(time.DateOnly),
	}
	s.judge(d, v)
	var margins []time.Duration
	for i := range s.runs {
		if o := &s.runs[i]; o.done && o.run.Margin != simulate.Untested {
			margins = append(margins, o.run.Margin)
		}
	}
	if d.Histogram = report.Bins(margins, 24); len(margins) > 0 {
		at := func(n *int64) time.Duration { return time.Duration(*n) * time.Second }
		d.Margins = report.Margins{Known: true, Worst: at(v.Margin.Worst), P05: at(v.Margin.P05), Median: at(v.Margin.Median)}
	}
	s.hostRows(d)
	const few = 20
	for _, x := range v.Violations[:min(few, len(v.Violations))] {
		d.Broken = append(d.Broken, report.BrokenRow{Promise: x.Promise, Outage: x.Outage, Seed: x.Seed, Text: x.Text})
	}
	d.MoreBroken = len(v.Violations) - len(d.Broken)
	if err := s.faultRows(d); err != nil {
		return nil, err
	}
	d.Worst, err = s.worst()
	return d, err
}

// judge says what was found, and on what it rests.
func (s *simulation) judge(d *report.Document, v *runsView) {
	sentence := func(text string) string {
		return strings.ToUpper(text[:1]) + strings.TrimSuffix(text[1:], ".") + "."
	}
	bounds := report.Evidence{Kind: "Worst case by construction", Finding: report.Open, Text: "One replay at the bounds is no proof here. " + sentence(v.Because)}
	if v.Proven {
		bounds.Finding, bounds.Text = report.Supports, sentence(v.Because)
	}
	tried := report.Evidence{Kind: "What was tried", Finding: report.Supports}
	failed := s.failed()
	switch {
	case failed > 0:
		tried.Finding = report.Against
		tried.Figure = fmt.Sprintf("%d of %d failed", failed, v.Outages)
	case s.random > 0 && v.Outages == s.random:
		tried.Figure = fmt.Sprintf("none of %d failed", v.Outages)
		tried.Text = fmt.Sprintf("So at most %.2g %% of outages drawn like these fail, at 95 %% (3 in the number of trials). Faults are drawn denser than in life.", min(100, 300/float64(v.Outages)))
	default:
		tried.Figure = fmt.Sprintf("none of %d failed", v.Outages)
		tried.Text = "They were chosen, not drawn, so their number is no probability."
	}
	d.Evidence = []report.Evidence{bounds, tried}
	switch {
	case len(v.Violations) > 0:
		d.Verdict, d.Because = report.Fails, fmt.Sprintf("%s broken in %s.", count(len(v.Violations), "promise"), count(v.Outages, "outage"))
	case v.Cut > 0:
		d.Verdict, d.Because = report.Cuts, fmt.Sprintf("%d of %s ended with a host that lost its power while it was up.", v.Cut, count(v.Outages, "outage"))
	case v.Proven:
		d.Verdict, d.Because = report.Proven, "Every host is off before the battery ends, in every outage in which the batteries hold what the plan counts on and no host takes longer than its allowance."
	default:
		d.Verdict, d.Because = report.Holds, fmt.Sprintf("Every host was off before the battery ended, and every promise kept, in %s.", count(v.Outages, "outage"))
	}
	if v.Outages < len(s.runs) {
		d.Because += fmt.Sprintf(" Interrupted: %d more were to be tried.", len(s.runs)-v.Outages)
	}
}

// failed counts the outages in which a host was cut or a promise broken.
func (s *simulation) failed() (n int) {
	for i := range s.runs {
		if o := &s.runs[i]; o.done && (o.run.Cut > 0 || len(o.violations) > 0) {
			n++
		}
	}
	return n
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
		if u.MarginSeconds != nil {
			b.Right = "margin " + shutdown.Spell(time.Duration(*u.MarginSeconds)*time.Second)
		}
		t.Bands = append(t.Bands, b)
	}
	if v.NoReturnSeconds > 0 {
		t.Marks = []report.Mark{{At: time.Duration(v.NoReturnSeconds) * time.Second, Label: "point of no return"}}
	}
	return t
}

// hostRows says how long each host stayed up, the most important first, over the
// outages in which it was asked or lost its power.
func (s *simulation) hostRows(d *report.Document) {
	order := byPriority(s.p)
	slices.Reverse(order)
	for _, k := range order {
		p := &s.p.Hosts[k]
		row := report.HostRow{Name: p.Name, Priority: p.Priority, Promised: p.KeepFor}
		var up []time.Duration
		for i := range s.runs {
			if o := &s.runs[i]; o.done {
				if stayed := cmp.Or(max(0, o.run.Hosts[k].Asked), cutAt(&o.run.Hosts[k])); stayed > 0 {
					up = append(up, stayed)
				}
			}
		}
		if len(up) == 0 {
			continue
		}
		slices.Sort(up)
		row.Of, row.Least, row.Median = len(up), up[0], up[len(up)/2]
		for _, stayed := range up {
			if stayed >= p.KeepFor {
				row.Kept++
			}
		}
		d.Hosts = append(d.Hosts, row)
	}
	d.HostsNote = "From the loss of input until the host was asked to stop or lost its power, over the outages in which it did."
}

// cutAt is when a host lost its power while it was up; 0 when it did not.
func cutAt(h *simulate.HostRun) time.Duration {
	if h.End != world.Cut {
		return 0
	}
	return max(0, h.Down)
}

// faultRows counts what was other in the rooms than the policy says.
func (s *simulation) faultRows(d *report.Document) error {
	dice, err := simulate.NewDice(s.p, today())
	if err != nil {
		return err
	}
	rows := map[string]*report.FaultRow{}
	drawn := &simulate.Outage{}
	for i := range s.runs {
		out := &s.runs[i]
		if !out.done {
			continue
		}
		o := drawn
		if i < len(s.named) {
			o = s.named[i]
		} else {
			dice.Draw(out.seed, o) // again: a million outages are not kept
		}
		for _, name := range faultsOf(o) {
			row := rows[name]
			if row == nil {
				row = &report.FaultRow{Name: name}
				rows[name] = row
			}
			row.Outages++
			if out.run.Cut > 0 {
				row.Cut++
			}
			if len(out.violations) > 0 {
				row.Broken++
			}
		}
	}
	for _, row := range rows {
		d.Faults = append(d.Faults, *row)
	}
	slices.SortFunc(d.Faults, func(a, b report.FaultRow) int {
		return cmp.Or(cmp.Compare(b.Broken, a.Broken), cmp.Compare(b.Cut, a.Cut), cmp.Compare(b.Outages, a.Outages), cmp.Compare(a.Name, b.Name))
	})
	return nil
}

var momentFaults = map[world.What]string{
	world.Mute: "a UPS falls silent", world.OddReading: "a reading says battery, wrongly", world.OddGood: "a reading says input, wrongly",
	world.Tests: "a UPS tests its battery", world.OutputFails: "a UPS's output fails", world.ExtraLoad: "more load",
	world.PathDies: "a load on the way to hosts dies", world.AgentKilled: "the agent is killed", world.Operator: "an operator's order",
}

var modeFaults = map[world.Mode]string{
	world.Hangs: "a host hangs", world.Freezes: "a host does not answer", world.Refuses: "a host refuses",
	world.Unreachable: "a host is out of reach", world.CutsLink: "a host goes down without an answer", world.WasOff: "a host is off already",
}

// faultsOf names what is other in an outage than the policy says, each once.
func faultsOf(o *simulate.Outage) []string {
	var list []string
	add := func(is bool, name string) {
		if is && name != "" && !slices.Contains(list, name) {
			list = append(list, name)
		}
	}
	for i := range o.UPSs {
		u := &o.UPSs[i]
		add(u.Holds < 1, "a battery below its likely store")
		add(u.Charge < 1, "a battery that is not full")
		add(u.Optimism > 1, "a UPS that claims too many minutes")
		add(u.ClaimsFull, "a UPS that claims to be full")
	}
	for k := range o.Hosts {
		add(true, modeFaults[o.Hosts[k].Mode])
	}
	for i := range o.Moments {
		add(true, momentFaults[o.Moments[i].What])
		add(o.Moments[i].What == world.HostMode, modeFaults[o.Moments[i].Mode])
	}
	add(o.Loss > 0, "lost readings")
	return list
}

// worst shows the outage that went worst: one that broke a promise, else one
// that cut most hosts, else the one with the least margin. Its command is
// without its head.
func (s *simulation) worst() (*report.Worst, error) {
	at := -1
	for i := range s.runs {
		if s.runs[i].done && (at < 0 || s.runs[i].worseThan(&s.runs[at])) {
			at = i
		}
	}
	if at < 0 {
		return nil, nil
	}
	out := &s.runs[at]
	w := &report.Worst{Name: out.name, Seed: out.seed, Margin: out.run.Margin, Tested: out.run.Margin != simulate.Untested}
	o := &simulate.Outage{Name: out.name}
	if at < len(s.named) {
		o = s.named[at]
		if _, err := os.Stat(out.name); err == nil {
			w.Command = " " + quoted(out.name)
		}
	} else {
		dice, err := simulate.NewDice(s.p, today())
		if err != nil {
			return nil, err
		}
		dice.Draw(out.seed, o)
		w.Command = fmt.Sprintf(" --random 1 --seed %d", out.seed)
	}
	w.Text = o.Text(s.p)
	r, err := simulate.NewRunner(s.p, today())
	if err != nil {
		return nil, err
	}
	rec := simulate.NewRecorder(r)
	var run simulate.Run
	r.Run(o.Truth(out.seed), &run)
	w.Run = s.runTimeline(o, rec, &run)
	return w, nil
}

func (o *outcome) worseThan(other *outcome) bool {
	return cmp.Or(cmp.Compare(len(o.violations), len(other.violations)), cmp.Compare(o.run.Cut, other.run.Cut), cmp.Compare(other.run.Margin, o.run.Margin)) > 0
}

// runTimeline draws what happened in a run.
func (s *simulation) runTimeline(o *simulate.Outage, rec *simulate.Recorder, run *simulate.Run) *report.Timeline {
	t := &report.Timeline{Title: "The worst outage: " + o.Name, Length: interesting(rec, o)}
	kinds := map[simulate.Being]report.Kind{simulate.Running: report.IsUp, simulate.Stopping: report.IsStopping, simulate.Booting: report.IsStarting, simulate.Lost: report.WasCut}
	for _, k := range byPriority(s.p) {
		h := &run.Hosts[k]
		bar := report.Bar{Name: s.p.Hosts[k].Name, Note: fmt.Sprint(s.p.Hosts[k].Priority), Right: h.End.String()}
		if h.Asked >= 0 {
			bar.Right += " " + shutdown.Spell(h.Asked)
		}
		for _, sp := range rec.Spans[k] {
			if kind := kinds[sp.Being]; kind != 0 {
				bar.Spans = append(bar.Spans, report.Span{From: sp.From, To: sp.To, Kind: kind})
			}
		}
		t.Bars = append(t.Bars, bar)
	}
	for i := range s.p.UPSs {
		b := report.Band{Name: s.p.UPSs[i].Name, Right: "truly left"}
		for _, l := range rec.Curves[i] {
			b.Low = append(b.Low, report.Point{At: l.At, Left: l.Left})
		}
		t.Bands = append(t.Bands, b)
	}
	for _, m := range o.Moments {
		label := map[world.What]string{world.InputLost: "input lost", world.InputBack: "input back"}[m.What]
		if label != "" && m.At < t.Length {
			t.Marks = append(t.Marks, report.Mark{At: m.At, Label: label})
		}
	}
	return t
}
