package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"sort"
	"strings"
	"sync"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/simulate"
	"ebbline/simulate/report"
	"ebbline/simulate/world"
)

var simulateCommand = command{
	name:  "simulate",
	about: "replays outages against the real decision code",
	usage: "[POLICY] [OUTAGE-FILE ...] [--random N] [--seed S] [--report FILE.html] [--json]",
	help: `Replays outages against the very code that the agent decides with, in a modelled
room, and says whether every host is off in time and every promise is kept.

An outage file is a script (lines such as "at 0s input lost"; README has the
whole form) or a CSV time series of the input's voltage. With --random N it
draws N outages, rooms and faults from the seed. With neither, it replays the
outages that every plan should survive.

The margin of a run is the battery time that was left, at the load of the
moment before, when the last host went off. Exit code 3 says that a host lost
its power while it was up, or that a promise was broken.`,
	run: runSimulate,
}

func runSimulate(ctx context.Context, c *call) int {
	pf := c.policyFlags()
	random := c.flags.Int("random", 0, "draw so many outages (`N`)")
	seed := c.flags.Uint64("seed", 1, "`S` of the first random outage; the others follow it")
	detail := c.flags.Bool("detail", false, "show every run")
	lines := c.flags.Bool("transcript", false, "print every event and what the core answered (of one outage)")
	page := c.flags.String("report", "", "write a page for people to `FILE.html`, too")
	workers := c.flags.Int("workers", runtime.NumCPU(), "`N` runs at a time; the result is the same with any")
	if err := c.parse(1000); err != nil {
		return usageCode(err)
	}
	if *random < 0 || *random > 100_000_000 {
		c.usage("--random takes a number from 0 to 100000000")
		return exitUsage
	}
	if *workers < 1 || *workers > 1024 {
		c.usage("--workers takes a number from 1 to 1024")
		return exitUsage
	}
	files := c.args[min(1, len(c.args)):]
	if c.Env("EBBLINE_POLICY") != "" && len(c.args) > 0 && !looksLikePolicy(c.args[0]) {
		files, c.args = c.args, nil
	}
	p, code := c.policyOr(pf, false)
	if p == nil {
		return code
	}
	job := &simulation{p: p, seed: *seed, random: *random, workers: *workers, progress: c.progress()}
	if err := job.outages(files); err != nil {
		return c.fail("%v", err)
	}
	if *lines {
		if job.count() != 1 {
			c.usage("--transcript shows one outage; %d are to be replayed", job.count())
			return exitUsage
		}
		return c.transcript(job)
	}
	paper, err := newPaper(*page)
	if err != nil {
		return c.fail("%v", err)
	}
	defer paper.close()
	if err := job.run(ctx); err != nil {
		return c.fail("%v", err)
	}
	v := job.view(*detail)
	if err := c.writeReport(paper, job, v, files); err != nil {
		return c.fail("%v", err)
	}
	if c.json {
		printJSON(c.Out, v)
	} else {
		c.showRuns(job, v, *detail)
	}
	if v.Cut > 0 && len(v.Violations) == 0 && *random > 0 {
		return exitDone // worse than the confidence that the policy asked for covers, and counted
	}
	if v.Cut > 0 || len(v.Violations) > 0 {
		return exitUnfit
	}
	return exitDone
}

// looksLikePolicy tells a policy's path from an outage's.
func looksLikePolicy(path string) bool {
	info, err := os.Stat(path)
	return strings.HasSuffix(path, ".hcl") || err == nil && info.IsDir()
}

// progress gives where long work shows how far it is: standard error, when it
// is a terminal.
func (c *call) progress() io.Writer {
	if _, ok := terminal(c.Err); ok {
		return c.Err
	}
	return io.Discard
}

// simulation is one call's outages and what became of them.
type simulation struct {
	p        *policy.Policy
	seed     uint64
	random   int
	workers  int
	named    []*simulate.Outage
	progress io.Writer

	runs   []outcome
	proven string // why one replay proves the plan; "" when it does not
	doubt  string // why it does not
}

// outcome is one run's result.
type outcome struct {
	name       string
	seed       uint64
	run        simulate.Run
	violations []simulate.Violation
	done       bool
}

func (s *simulation) count() int { return len(s.named) + s.random }

// outages reads the files, or takes those that every plan should survive.
func (s *simulation) outages(files []string) error {
	var errs []error
	for _, name := range files {
		text, err := readLimited(name, 64<<20)
		if err != nil {
			errs = append(errs, fmt.Errorf("the outage file %s cannot be read: %w", name, reason(err)))
			continue
		}
		if strings.EqualFold(filepath.Ext(name), ".csv") {
			o, err := simulate.Series(s.p, name, text)
			if err != nil {
				errs = append(errs, err)
				continue
			}
			s.named = append(s.named, o)
			continue
		}
		o, bad := simulate.Parse(s.p, name, text)
		if len(bad) > 0 {
			errs = append(errs, bad...)
			continue
		}
		s.named = append(s.named, o)
	}
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	if len(files) == 0 && s.random == 0 {
		low, err := simulate.LowParts(s.p, today())
		if err != nil {
			return err
		}
		s.named = simulate.Fears(s.p, low)
	}
	return nil
}

// run replays all, on so many workers. Each outage is drawn from its own seed,
// so that it does not matter who runs it.
func (s *simulation) run(ctx context.Context) error {
	s.runs = make([]outcome, s.count())
	if err := s.prove(); err != nil {
		return err
	}
	next := make(chan int)
	var wg sync.WaitGroup
	errs := make([]error, s.workers)
	for w := range s.workers {
		wg.Add(1)
		go func() {
			defer wg.Done()
			errs[w] = s.work(next)
		}()
	}
	began, shown := time.Now(), time.Now()
feed:
	for i := range s.runs {
		select {
		case next <- i:
		case <-ctx.Done():
			break feed
		}
		if time.Since(shown) > 200*time.Millisecond {
			shown = time.Now()
			left := time.Duration(float64(time.Since(began)) / float64(i+1) * float64(len(s.runs)-i-1)).Round(time.Second)
			fmt.Fprintf(s.progress, "\r%d of %d outages, %s left \x1b[K", i+1, len(s.runs), left)
		}
	}
	close(next)
	wg.Wait()
	fmt.Fprint(s.progress, "\r\x1b[K")
	return errors.Join(errs...)
}

func (s *simulation) work(next <-chan int) error {
	r, err := simulate.NewRunner(s.p, today())
	if err != nil {
		return err
	}
	check, err := simulate.NewChecker(r, today())
	if err != nil {
		return err
	}
	dice, err := simulate.NewDice(s.p, today())
	if err != nil {
		return err
	}
	drawn := &simulate.Outage{}
	for i := range next {
		out := &s.runs[i]
		o := drawn
		out.seed = s.seed
		if i < len(s.named) {
			o = s.named[i]
			out.name = o.Name
		} else {
			out.seed = s.seed + uint64(i-len(s.named))
			out.name = fmt.Sprintf("random %d", out.seed)
			dice.Draw(out.seed, o)
		}
		t := o.Truth(out.seed)
		check.Begin(t)
		r.Run(t, &out.run)
		check.End(&out.run)
		out.violations = append([]simulate.Violation(nil), check.Violations...)
		out.done = true
	}
	return nil
}

// prove replays the bounds: where its conditions hold, that one run proves the
// plan for every milder room.
func (s *simulation) prove() error {
	low, err := simulate.LowParts(s.p, today())
	if err != nil {
		return err
	}
	st, err := ifInputFailed(s.p, nil, nil, nil)
	if err != nil {
		return err
	}
	r, err := simulate.NewRunner(s.p, today())
	if err != nil {
		return err
	}
	o := simulate.Bounds(s.p, low)
	var run simulate.Run
	r.Run(o.Truth(s.seed), &run)
	v := planOf(st)
	switch {
	case !v.Fits:
		s.doubt = "the plan does not fit at worst durations"
	case v.Unproven != "":
		s.doubt = v.Unproven
	case run.Cut > 0:
		s.doubt = "in the replay at the bounds a host lost its power"
	default:
		s.proven = "no host draws more while stopping than while up and stops are not limited, so one replay at the low battery and the longest stops bounds every milder outage"
	}
	return nil
}

// runsView is the document of `simulate --json`.
type runsView struct {
	Outages    int             `json:"outages"`
	Seed       uint64          `json:"seed"`
	Proven     bool            `json:"proven"`
	Because    string          `json:"because"`
	Margin     marginView      `json:"margin_seconds"`
	Cut        int             `json:"outages_with_a_host_cut"`
	Violations []violationView `json:"violations"`
	Runs       []runView       `json:"runs,omitempty"`
}

type marginView struct {
	Worst  *int64 `json:"worst"`
	P05    *int64 `json:"p05"`
	Median *int64 `json:"median"`
}

type violationView struct {
	Promise string `json:"promise"`
	Outage  string `json:"outage"`
	Seed    uint64 `json:"seed"`
	Text    string `json:"text"`
}

type runView struct {
	Outage string        `json:"outage"`
	Seed   uint64        `json:"seed"`
	Margin *int64        `json:"margin_seconds"`
	Over   bool          `json:"back_to_normal"`
	Hosts  []hostRunView `json:"hosts"`
}

type hostRunView struct {
	Name    string `json:"name"`
	Asked   *int64 `json:"asked_seconds"`
	Down    *int64 `json:"down_seconds"`
	End     string `json:"end"`
	Started *int64 `json:"started_seconds"`
}

func (s *simulation) view(detail bool) *runsView {
	v := &runsView{Seed: s.seed, Proven: s.proven != "", Because: s.proven + s.doubt, Violations: []violationView{}}
	var margins []time.Duration
	for i := range s.runs {
		o := &s.runs[i]
		if !o.done {
			continue // interrupted
		}
		v.Outages++
		if o.run.Cut > 0 {
			v.Cut++
		}
		if o.run.Margin != simulate.Untested {
			margins = append(margins, o.run.Margin)
		}
		for _, x := range o.violations {
			v.Violations = append(v.Violations, violationView{x.Promise, o.name, o.seed, x.Text})
		}
		if detail || len(s.runs) == 1 {
			v.Runs = append(v.Runs, s.runOf(o))
		}
	}
	sort.Slice(margins, func(a, b int) bool { return margins[a] < margins[b] })
	at := func(q float64) *int64 {
		if len(margins) == 0 {
			return nil
		}
		n := seconds(margins[int(q*float64(len(margins)-1))])
		return &n
	}
	v.Margin = marginView{at(0), at(0.05), at(0.5)}
	return v
}

func (s *simulation) runOf(o *outcome) runView {
	v := runView{Outage: o.name, Seed: o.seed, Over: o.run.Over, Hosts: []hostRunView{}}
	if o.run.Margin != simulate.Untested {
		n := seconds(o.run.Margin)
		v.Margin = &n
	}
	some := func(d time.Duration) *int64 {
		if d < 0 {
			return nil
		}
		n := seconds(d)
		return &n
	}
	for k := range o.run.Hosts {
		h := &o.run.Hosts[k]
		v.Hosts = append(v.Hosts, hostRunView{s.p.Hosts[k].Name, some(h.Asked), some(h.Down), h.End.String(), some(h.Started)})
	}
	return v
}

// showRuns writes the result for people.
func (c *call) showRuns(s *simulation, v *runsView, detail bool) {
	width, color := terminal(c.Out)
	st := c.style(width, color)
	if len(s.runs) == 1 {
		c.drawRun(s, st)
		fmt.Fprintln(c.Out)
	} else if s.random == 0 || detail {
		s.table(c.Out)
		fmt.Fprintln(c.Out)
	}
	for i, x := range v.Violations {
		if i == 10 {
			fmt.Fprintf(c.Out, "… and %d more\n", len(v.Violations)-i)
			break
		}
		fmt.Fprintf(c.Out, "%s broken in %q (seed %d): %s\n", x.Promise, x.Outage, x.Seed, x.Text)
	}
	s.verdict(c.Out, v)
}

func (s *simulation) table(w io.Writer) {
	fmt.Fprintf(w, "%7s %8s %5s %5s %5s  outage\n", "seed", "margin", "clean", "cut", "up")
	for i := range s.runs {
		o := &s.runs[i]
		if !o.done {
			continue
		}
		var n [4]int
		for k := range o.run.Hosts {
			n[o.run.Hosts[k].End]++
		}
		margin := "-"
		if o.run.Margin != simulate.Untested {
			margin = shutdown.Spell(o.run.Margin)
		}
		fmt.Fprintf(w, "%7d %8s %5d %5d %5d  %s\n", o.seed, margin, n[world.Clean], n[world.Cut], n[world.StaysUp], o.name)
	}
}

func (s *simulation) verdict(w io.Writer, v *runsView) {
	spell := func(n *int64) string {
		if n == nil {
			return "-"
		}
		return shutdown.Spell(time.Duration(*n) * time.Second)
	}
	switch {
	case len(v.Violations) > 0:
		fmt.Fprintf(w, "FAILS: %s broken in %s\n", count(len(v.Violations), "promise"), count(v.Outages, "outage"))
	case v.Cut > 0:
		fmt.Fprintf(w, "%d of %s ended with a host that lost its power while it was up\n", v.Cut, count(v.Outages, "outage"))
	case v.Proven:
		fmt.Fprintf(w, "PROVEN: %s\n", v.Because)
	default:
		fmt.Fprintf(w, "HOLDS in %s; not proven, because %s\n", count(v.Outages, "outage"), v.Because)
	}
	fmt.Fprintf(w, "margin: worst %s, 5 %% below %s, median %s\n", spell(v.Margin.Worst), spell(v.Margin.P05), spell(v.Margin.Median))
	if v.Cut > 0 || len(v.Violations) > 0 {
		for i := range s.runs {
			if o := &s.runs[i]; o.done && (o.run.Cut > 0 || len(o.violations) > 0) && i >= len(s.named) {
				fmt.Fprintf(w, "the first one again: ebbline simulate POLICY --random 1 --seed %d\n", o.seed)
				return
			}
		}
	}
}

// the gives the one outage of a simulation of one.
func (s *simulation) the() (*simulate.Outage, error) {
	if len(s.named) == 1 {
		return s.named[0], nil
	}
	dice, err := simulate.NewDice(s.p, today())
	if err != nil {
		return nil, err
	}
	o := &simulate.Outage{Name: fmt.Sprintf("random %d", s.seed)}
	dice.Draw(s.seed, o)
	return o, nil
}

// record replays the one outage and keeps what happened.
func (s *simulation) record(text bool) (*simulate.Outage, *simulate.Recorder, *simulate.Run, error) {
	o, err := s.the()
	if err != nil {
		return nil, nil, nil, err
	}
	r, err := simulate.NewRunner(s.p, today())
	if err != nil {
		return nil, nil, nil, err
	}
	rec := simulate.NewRecorder(r)
	rec.Text = text
	var run simulate.Run
	r.Run(o.Truth(s.seed), &run)
	return o, rec, &run, nil
}

func (c *call) transcript(s *simulation) int {
	_, rec, run, err := s.record(true)
	if err != nil {
		return c.fail("%v", err)
	}
	for _, l := range rec.Lines {
		fmt.Fprintln(c.Out, l)
	}
	if run.Cut > 0 {
		return exitUnfit
	}
	return exitDone
}

// drawRun draws the one outage: hosts, batteries, and what was told.
func (c *call) drawRun(s *simulation, st report.Style) {
	o, rec, run, err := s.record(false)
	if err != nil {
		return
	}
	chart := &report.Chart{Title: o.Name, Length: interesting(rec, o)}
	kinds := [...]report.Kind{simulate.Running: report.IsUp, simulate.Stopping: report.IsStopping, simulate.Booting: report.IsStarting, simulate.Lost: report.WasCut, simulate.Off: 0}
	for _, k := range byPriority(s.p) {
		bar := report.Bar{Name: s.p.Hosts[k].Name, Note: fmt.Sprint(s.p.Hosts[k].Priority), Right: run.Hosts[k].End.String()}
		if a := run.Hosts[k].Asked; a >= 0 {
			bar.Right = fmt.Sprintf("%-5s %s", run.Hosts[k].End, shutdown.Spell(a))
		}
		for _, sp := range rec.Spans[k] {
			if kind := kinds[sp.Being]; kind != 0 {
				bar.Spans = append(bar.Spans, report.Span{From: sp.From, To: sp.To, Kind: kind})
			}
		}
		chart.Bars = append(chart.Bars, bar)
	}
	for i := range s.p.UPSs {
		cv := report.Curve{Name: s.p.UPSs[i].Name}
		for _, l := range rec.Curves[i] {
			cv.Low = append(cv.Low, report.Point{At: l.At, Left: l.Left})
		}
		chart.Curves = append(chart.Curves, cv)
	}
	for _, m := range o.Moments {
		switch {
		case m.What == world.InputLost && m.At < chart.Length:
			chart.Marks = append(chart.Marks, report.Mark{At: m.At, Label: "input lost"})
		case m.What == world.InputBack && m.At < chart.Length:
			chart.Marks = append(chart.Marks, report.Mark{At: m.At, Label: "input back"})
		}
	}
	report.Draw(c.Out, chart, st)
	fmt.Fprintln(c.Out, "\nup, stopping, starting; right: how it ended, when it was asked. battery: what is truly left.")
	fmt.Fprintln(c.Out)
	for _, n := range rec.Notes {
		fmt.Fprintf(c.Out, "%9s  %s\n", shutdown.Spell(n.At), n.Notice.Text(s.p))
	}
}

// interesting is how much of a run is worth drawing: to a little after the last
// thing that a host did.
func interesting(rec *simulate.Recorder, o *simulate.Outage) time.Duration {
	d := 2 * time.Minute
	for _, spans := range rec.Spans {
		for _, sp := range spans[1:] {
			d = max(d, sp.From)
		}
	}
	for _, m := range o.Moments {
		if m.What == world.InputBack && m.At < 2*d {
			d = max(d, m.At)
		}
	}
	return d + d/10
}

func byPriority(p *policy.Policy) []int {
	order := make([]int, len(p.Hosts))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return p.Hosts[order[a]].Priority < p.Hosts[order[b]].Priority })
	return order
}
