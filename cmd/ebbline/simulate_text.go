package main

import (
	"fmt"
	"io"
	"slices"
	"sort"
	"strings"
	"time"
	"unicode/utf8"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/simulate"
	"ebbline/simulate/report"
	"ebbline/simulate/world"
)

// showRuns writes the result for people.
func (c *call) showRuns(s *simulation, v *runsView, faults bool) {
	width, color := terminal(c.Out)
	st := c.style(width, color)
	if len(s.runs) == 1 && s.runs[0].Done {
		c.drawRun(s, st)
		fmt.Fprintln(c.Out)
	} else if s.random == 0 || s.detail {
		s.table(c.Out, width)
		fmt.Fprintln(c.Out)
	}
	if faults {
		showTried(c.Out, v)
	}
	t := &proofText{w: c.Out, width: min(width, 100)}
	t.broken(v)
	t.cutNamed(s)
	if v.Interrupted {
		t.item("", fmt.Sprintf("interrupted: %d of %d outages were replayed, and what follows is of those", v.Outages, len(s.runs)))
	}
	t.verdict(s, v)
	t.evidence(s, v)
	t.inHand(v)
	t.stayed(v)
	t.smallest(s, v)
}

// proofText writes paragraphs under a hanging head.
type proofText struct {
	w     io.Writer
	width int
}

// item writes a head and a text that is wrapped right of it.
func (t *proofText) item(head, text string) {
	const indent = 12
	left := 0
	if head != "" {
		left = indent
		fmt.Fprintf(t.w, "%-*s", indent, head)
	}
	at := left
	for i, word := range strings.Fields(strings.ReplaceAll(text, " %", "\x00%")) {
		word = strings.ReplaceAll(word, "\x00", " ") // a figure stays with its unit
		n := utf8.RuneCountInString(word)
		switch {
		case i == 0:
		case at+1+n > t.width:
			fmt.Fprintf(t.w, "\n%*s", left, "")
			at = left
		default:
			fmt.Fprint(t.w, " ")
			at++
		}
		fmt.Fprint(t.w, word)
		at += n
	}
	fmt.Fprintln(t.w)
}

// broken lists the first broken promise of the first few outages.
func (t *proofText) broken(v *runsView) {
	last, shown := "", 0
	for _, x := range v.Violations {
		if x.Outage == last {
			continue
		}
		if last = x.Outage; shown == 8 {
			t.item("", "… and more: --json lists all")
			break
		}
		shown++
		t.item("", fmt.Sprintf("%s broken in %q (seed %d): %s", x.Promise, x.Outage, x.Seed, x.Text))
	}
}

// cutNamed says who lost power in the first few outages that failed by that and
// were not drawn.
func (t *proofText) cutNamed(s *simulation) {
	const few = 8
	shown := 0
	for i := range s.named {
		o := &s.runs[i]
		if !o.Failed || len(o.Broken) > 0 {
			continue
		}
		if shown++; shown > few {
			t.item("", "… and more: the table has them all")
			return
		}
		t.item("", fmt.Sprintf("in %q %s lost power while up", s.named[i].Name, strings.Join(o.Run.CutHosts(s.p), ", ")))
	}
}

func (t *proofText) verdict(s *simulation, v *runsView) {
	if len(s.runs) == 1 && s.runs[0].Cut > 0 && !s.runs[0].Failed {
		t.item("", fmt.Sprintf("%s cut, which is no failure: the room is worse than any plan is made for (%s)",
			count(int(s.runs[0].Cut), "host"), strings.Join(beyondIn(s.runs[0].Faults), "; ")))
	}
	if v.Outages == 0 {
		t.item("", "NO VERDICT: no outage was replayed")
		fmt.Fprintln(t.w)
		return
	}
	switch v.Verdict {
	case simulate.Fails:
		t.item("", fmt.Sprintf("FAILS in %d of %s", v.Failed, count(v.Outages, "outage")))
	case simulate.Proven:
		t.item("", fmt.Sprintf("PROVEN within the bounds below, and no failure in %s", count(v.Outages, "outage")))
	default:
		t.item("", fmt.Sprintf("HOLDS: no failure in %s; not proven: %s", count(v.Outages, "outage"), v.Because))
	}
	fmt.Fprintln(t.w)
}

func (t *proofText) evidence(s *simulation, v *runsView) {
	t.worstCase(s, v)
	if x := v.Evidence.Exhaustive; x != nil {
		text := fmt.Sprintf("all %d combinations of stopping times and batteries in an outage that outlasts them, each class at its bad end: ", x.Outcomes)
		if x.Failure == 0 {
			text += "none cuts a host"
		} else {
			text += fmt.Sprintf("the chance that a host is cut is exactly %s in this model", chance(x.Failure))
		}
		if x.InHand != nil {
			text += "; at worst " + spelled(*x.InHand) + " in hand"
		}
		t.item("exhaustive", text)
	} else if v.Evidence.WhyNot != "" {
		t.item("exhaustive", "not tried: "+v.Evidence.WhyNot)
	}
	if r := v.Evidence.Random; r != nil && r.All.Outages > 1 { // one says nothing of a chance
		t.random(r)
	}
}

// faultsIn names an outage's faults, with a * those that no plan is made for.
func faultsIn(faults simulate.Faults) []string {
	var names []string
	for f := range simulate.Catalogue {
		if a := &simulate.Catalogue[f]; faults.Has(simulate.Fault(f)) {
			name := a.Name
			if a.Beyond {
				name += " *"
			}
			names = append(names, name)
		}
	}
	return names
}

// beyondIn names those of an outage's faults that no plan is made for.
func beyondIn(faults simulate.Faults) []string {
	names := faultsIn(simulate.Beyond(faults))
	for i := range names {
		names[i] = strings.TrimSuffix(names[i], " *")
	}
	return names
}

func (t *proofText) worstCase(s *simulation, v *runsView) {
	w := &v.Evidence.WorstCase
	if w.Proven {
		text := "proven for every outage, however long, with the agent running, UPSs that answer, say rightly whether the input is there and draw no more themselves than is counted on, full batteries that hold their low projection or more, and hosts that draw no more than the policy says and stop within their first allowance: " + v.becauseProven()
		if w.InHand != nil {
			text += "; in hand it has " + spelled(*w.InHand)
		}
		t.item("worst case", text)
		return
	}
	text := "not proven:"
	for _, c := range w.Conditions {
		if !c.Holds {
			text += " " + c.Text + ";"
		}
	}
	text += fmt.Sprintf(" in the one replay at the bounds %s lost power", count(w.Cut, "host"))
	if w.Instead != "" {
		text += "; instead: " + w.Instead
	}
	t.item("worst case", text)
}

// becauseProven is the reason of a proof, whatever the verdict.
func (v *runsView) becauseProven() string {
	var parts []string
	for _, c := range v.Evidence.WorstCase.Conditions {
		parts = append(parts, c.Text)
	}
	return strings.Join(parts, ", ") + "; so less power is always safer, and one replay at these bounds has the most"
}

func (t *proofText) random(r *randomView) {
	t.item("random", fmt.Sprintf("promises broken in %s", r.All.text()))
	if r.Within.Outages > 0 {
		t.item(" ", "in rooms within the bounds, hosts cut in "+r.Within.text())
	}
	if r.Fails.Outages > 0 {
		t.item(" ", "where a UPS's output fails, which no plan holds, hosts cut in "+r.Fails.text())
	}
	if r.Others.Outages > 0 {
		t.item(" ", "in other rooms worse than any plan is made for (--faults lists them), hosts cut in "+r.Others.text())
	}
}

// seen says how often something was seen.
func (v *seenView) seen() string {
	if v.Seen == 0 {
		return fmt.Sprintf("none of %d", v.Outages)
	}
	return fmt.Sprintf("%d of %d", v.Seen, v.Outages)
}

// bounds says what the chance is, at 95 %.
func (v *seenView) bounds() string {
	text := fmt.Sprintf("at most %s at 95 %%", chance(v.AtMost))
	if v.AtLeast > 0 {
		text = fmt.Sprintf("between %s and %s at 95 %%", chance(v.AtLeast), chance(v.AtMost))
	}
	if v.Large != nil {
		text += fmt.Sprintf(", by the %d drawn at large", *v.Large)
	}
	return text
}

func (v *seenView) text() string { return v.seen() + ": " + v.bounds() }

func (v *withinView) text() string {
	switch {
	case v.Weighed:
		return fmt.Sprintf("%s, %d of them drawn where the input is away for longer than a battery carries everything, as it is in %s of such rooms: %s in all such rooms",
			v.seen(), v.Aimed, chance(v.Outlasts), v.bounds())
	case v.tally.Amiss > 0:
		return v.seenView.text() + ", for a host was cut that every battery would have carried"
	case v.Aimed > 0:
		return v.seenView.text() + ", for none of these is away for longer than a battery carries everything"
	}
	return v.seenView.text()
}

// chance writes a probability in percent, with two figures that count.
func chance(p float64) string {
	if p >= 0.0995 {
		return fmt.Sprintf("%.0f %%", 100*p)
	}
	return fmt.Sprintf("%.2g %%", 100*p)
}

func (t *proofText) inHand(v *runsView) {
	if v.InHand.Worst == nil {
		t.item("in hand", "no host went off on battery")
		return
	}
	if v.Outages == 1 {
		t.item("in hand", spelled(*v.InHand.Worst))
		return
	}
	t.item("in hand", fmt.Sprintf("worst %s, 5 %% below %s, median %s", spelled(*v.InHand.Worst), spelled(*v.InHand.P05), spelled(*v.InHand.Median)))
	if v.Worst != nil {
		t.item("worst", fmt.Sprintf("%q; again:", v.Worst.Outage))
		fmt.Fprintf(t.w, "  %s\n", v.Worst.Command)
	}
}

func (t *proofText) stayed(v *runsView) {
	if v.Stayed == nil {
		return
	}
	fmt.Fprintln(t.w)
	t.item("", fmt.Sprintf("hosts stayed up for %.1f %% of what hindsight would have given them (the plan made by who knows the outage's length, the batteries and every stop), weighed by priority, the agent's own host left out, in %s:", 100*v.Stayed.Share, count(v.Stayed.Outages, "outage")))
	name := 4
	for _, h := range v.Stayed.Hosts {
		name = max(name, len(h.Name))
	}
	fmt.Fprintf(t.w, "  %-*s %10s %10s\n", name, "host", "median", "hindsight")
	for _, h := range v.Stayed.Hosts {
		fmt.Fprintf(t.w, "  %-*s %10s %10s\n", name, h.Name, spelled(h.Median), spelled(h.Best))
	}
}

func (t *proofText) smallest(s *simulation, v *runsView) {
	m := s.smallest
	if m == nil {
		return
	}
	fmt.Fprintln(t.w)
	t.item("", fmt.Sprintf("the smallest outage found that fails so (%s); --smallest FILE writes it:", m.why))
	for line := range strings.Lines(m.text) {
		if !strings.HasPrefix(line, "#") {
			fmt.Fprintf(t.w, "  %s", line)
		}
	}
	t.item("", "the whole one again:")
	fmt.Fprintf(t.w, "  %s\n", s.again(m.of))
}

// showTried writes the table of what random outages are drawn from.
func showTried(w io.Writer, v *runsView) {
	t := &proofText{w: w, width: 80}
	row := func(r *triedView) {
		mark := ""
		if r.Beyond {
			mark = " *"
		}
		fmt.Fprintf(w, "%7d %6d %6d  %s%s\n", r.Outages, r.Cut, r.Failed, r.Name, mark)
		t.item(" ", r.Drawn)
	}
	if len(v.Shapes) > 0 {
		fmt.Fprintf(w, "%7s %6s %6s  how the input was lost\n", "tried", "cut", "failed")
		for i := range v.Shapes {
			row(&v.Shapes[i])
		}
		fmt.Fprintln(w)
	}
	fmt.Fprintf(w, "%7s %6s %6s  fault\n", "tried", "cut", "failed")
	for i := range v.Faults {
		row(&v.Faults[i])
	}
	fmt.Fprint(w, "* worse than any plan is made for: a host that is cut then is counted apart\n\n")
}

func (s *simulation) table(w io.Writer, columns int) {
	fmt.Fprintf(w, "%7s %8s %5s %5s %5s  outage\n", "seed", "in hand", "clean", "cut", "up")
	hung := 0
	for i := range s.runs {
		o := &s.runs[i]
		if !o.Done {
			continue
		}
		name, seed := s.nameOf(i)
		var n [4]int
		for k := range o.Run.Hosts {
			n[o.Run.Hosts[k].End]++
		}
		inHand := "-"
		if o.InHand != simulate.Untested {
			inHand = shutdown.Spell(o.InHand)
		}
		hung += o.Run.CutHung
		hang(w, fmt.Sprintf("%7d %8s %5d %5d %5d  ", seed, inHand, n[world.Clean], n[world.Cut], n[world.StaysUp]), name, columns)
	}
	if hung > 0 {
		fmt.Fprintln(w, "cut: power lost while up. For a host that would not go down that is no failure.")
	}
}

// record replays one outage and keeps what happened.
func (s *simulation) record(i int, text bool) (*simulate.Outage, *simulate.Recorder, *simulate.Run, error) {
	name, seed := s.nameOf(i)
	o := &simulate.Outage{}
	if i < len(s.named) {
		o = s.named[i]
	} else {
		dice, err := simulate.NewDice(s.p, s.day)
		if err != nil {
			return nil, nil, nil, err
		}
		dice.Draw(seed, o)
		o.Name = name
	}
	r, err := simulate.NewRunner(s.p, s.day)
	if err != nil {
		return nil, nil, nil, err
	}
	rec := simulate.NewRecorder(r)
	rec.Text = text
	var run simulate.Run
	r.Run(o.Truth(seed), &run)
	return o, rec, &run, nil
}

func (c *call) transcript(s *simulation) int {
	_, rec, run, err := s.record(0, true)
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
	o, rec, run, err := s.record(0, false)
	if err != nil {
		return
	}
	report.Draw(c.Out, s.chartOf(o, rec, run), st)
	fmt.Fprintln(c.Out, "\nup, stopping, starting; right: how it ended, when it was asked.\nbattery: what is truly left.")
	t := &proofText{w: c.Out, width: st.Width}
	if n := len(o.Moments); n > mostMarks {
		t.item("", fmt.Sprintf("marked are the first %d of the %d things that happen", mostMarks, n))
	}
	if o.Read != "" {
		t.item("", o.Read)
	}
	if !slices.ContainsFunc(o.Moments, func(m world.Moment) bool { return m.What == world.InputLost }) {
		t.item("", "the input is never lost")
	}
	if s.random == 1 {
		fmt.Fprintln(c.Out)
		s.drawn(c.Out, o, s.runs[0].Faults)
	}
	fmt.Fprintln(c.Out)
	for _, n := range rec.Notes {
		hang(c.Out, fmt.Sprintf("%9s  ", shutdown.Spell(n.At)), n.Notice.Text(s.p), st.Width)
	}
}

// drawn says in what a room that dice drew is other than the policy says. How long
// each host takes and what it draws always is: that is left out.
func (s *simulation) drawn(w io.Writer, o *simulate.Outage, faults simulate.Faults) {
	fmt.Fprintln(w, "drawn, with * what no plan is made for:")
	for _, name := range faultsIn(faults) {
		fmt.Fprintf(w, "  %s\n", name)
	}
	fmt.Fprintln(w, "as the lines of an outage file:")
	for line := range strings.Lines(o.Text(s.p)) {
		words := strings.Fields(line)
		if words[0] != "host" || !slices.Contains([]string{"takes", "starts", "draws"}, words[2]) {
			fmt.Fprintf(w, "  %s", line)
		}
	}
}

// mostMarks bounds how many moments are marked in a drawing.
const mostMarks = 12

// chartOf draws a recorded run. All times are the script's.
func (s *simulation) chartOf(o *simulate.Outage, rec *simulate.Recorder, run *simulate.Run) *report.Chart {
	chart := &report.Chart{Title: o.Name, Length: interesting(rec, o)}
	var lost time.Duration // a run's own times count from the loss of input
	if i := slices.IndexFunc(o.Moments, func(m world.Moment) bool { return m.What == world.InputLost }); i >= 0 {
		lost = o.Moments[i].At
	}
	kinds := [...]report.Kind{simulate.Running: report.IsUp, simulate.Stopping: report.IsStopping, simulate.Booting: report.IsStarting, simulate.Cut: report.WasCut, simulate.Off: 0}
	for _, k := range byPriority(s.p) {
		bar := report.Bar{Name: s.p.Hosts[k].Name, Note: fmt.Sprint(s.p.Hosts[k].Priority), Right: run.Hosts[k].End.String()}
		if a := run.Hosts[k].Asked; a >= 0 {
			bar.Right = fmt.Sprintf("%-5s %s", run.Hosts[k].End, shutdown.Spell(lost+a))
		}
		for j, sp := range rec.Spans[k] {
			if j == len(rec.Spans[k])-1 {
				sp.To = max(sp.To, chart.Length) // nothing more happens to it
			}
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
		if n := len(cv.Low); n > 0 {
			cv.Low = append(cv.Low, report.Point{At: max(chart.Length, cv.Low[n-1].At), Left: cv.Low[n-1].Left})
		}
		chart.Curves = append(chart.Curves, cv)
	}
	for i := range o.Moments {
		if m := &o.Moments[i]; m.At < chart.Length && len(chart.Marks) < mostMarks {
			chart.Marks = append(chart.Marks, report.Mark{At: m.At, Label: simulate.MomentText(s.p, m)})
		}
	}
	return chart
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
