package main

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"ebbline/agent/history"
	"ebbline/agent/history/aftermath"
	"ebbline/shutdown"
	"ebbline/simulate/report"
)

// outageReport is an account put into words: the same for a terminal, a message and
// a page.
type outageReport struct {
	*aftermath.Account
	zone    *time.Location
	now     time.Time
	charges map[string][]report.Point // by UPS: its own charge reading since the loss of input
}

// mostReadings of a UPS are drawn.
const mostReadings = 20_000

func outageReportOf(ctx context.Context, from *history.Reader, a *aftermath.Account, now time.Time, zone *time.Location) (*outageReport, error) {
	r := &outageReport{a, zone, now, map[string][]report.Point{}}
	for i := range a.Batteries {
		b := &a.Batteries[i]
		list, err := from.Samples(ctx, b.UPS, a.Outage.Began.At, a.Last.At, mostReadings)
		if err != nil {
			return nil, err
		}
		var points []report.Point
		for k := range list {
			if n := list[k].ChargeTenths; n != shutdown.Unread {
				points = append(points, report.Point{At: list[k].At.Sub(a.Outage.Began.At), Left: float64(n) / 1000})
			}
		}
		r.charges[b.UPS] = points
	}
	return r, nil
}

// fact is one line at the head of the report.
type fact = report.Fact

// clock is a moment's time of day, with the date where it is another day than the
// outage's beginning, and the offset where that is another.
func (r *outageReport) clock(m history.Moment) string {
	t, began := m.UTC.In(r.zone), r.Outage.Began.UTC.In(r.zone)
	_, offset := t.Zone()
	_, was := began.Zone()
	switch {
	case offset != was:
		return t.Format("2006-01-02 15:04:05 -07:00")
	case t.Format(time.DateOnly) != began.Format(time.DateOnly):
		return t.Format("2006-01-02 15:04:05")
	}
	return t.Format("15:04:05")
}

// title says which outage it is, and whether it is over.
func (r *outageReport) title() string {
	o := &r.Outage
	text := fmt.Sprintf("Outage %d of %s, %s", o.Number, o.Site, localTime(o.Began, r.zone))
	switch {
	case r.Running:
		return text + ": STILL ON"
	case r.Followed:
		return text + ": lost again"
	case o.Ended.At == 0:
		return text + ": end unknown"
	}
	return text + ", all normal after " + spelledLapse(o.Began, o.Ended)
}

// verdict is what an operator wants to know before all else.
func (r *outageReport) verdict() (text string, mark report.Finding) {
	asked := len(r.Stopped())
	cut, gaveUp, unseen, late := r.Count(aftermath.LostPower), r.Count(aftermath.GaveUp), r.Count(aftermath.Unseen), 0
	for k := range r.Hosts {
		if r.Hosts[k].Late {
			late++
		}
	}
	switch {
	case cut > 0:
		return fmt.Sprintf("%s LOST POWER while up", count(cut, "host")), report.Against
	case gaveUp > 0:
		return fmt.Sprintf("%s NOT OFF within the allowance", count(gaveUp, "host")), report.Against
	case unseen > 0:
		return fmt.Sprintf("%s not seen going off", count(unseen, "host")), report.Open
	case r.Running && r.Count(aftermath.Stopping) > 0:
		return fmt.Sprintf("%d of %s off so far", r.off(), count(asked, "asked host")), report.Open
	case r.Running:
		return "No host was stopped so far" + r.watchedText(), report.Open
	case asked == 0 && r.Count(aftermath.Watched) > 0:
		return "No host was stopped" + r.watchedText(), report.Open
	case asked == 0:
		return "No host was stopped", report.Supports
	case late > 0:
		return fmt.Sprintf("All stopped hosts were off in time, %d after it was given up", late), report.Open
	}
	return "All stopped hosts were off in time", report.Supports
}

// watchedText says how many hosts would have been asked, and were only watched; "" for
// none.
func (r *outageReport) watchedText() string {
	if n := r.Count(aftermath.Watched); n > 0 {
		return fmt.Sprintf("; %s only watched would have been", count(n, "host"))
	}
	return ""
}

func (r *outageReport) off() int {
	return r.Count(aftermath.WentOff, aftermath.WithHost, aftermath.GoesLast)
}

// facts are the head: what is needed first, in order. Each is one line of 80 columns.
func (r *outageReport) facts() []fact {
	list := []fact{{Name: "input", Text: r.inputText()}, {Name: "hosts", Text: r.hostsText()}}
	if f := r.lostText(); f != "" {
		list = append(list, fact{Name: "lost", Text: f})
	}
	list = append(list, fact{Name: "in hand", Text: r.marginText()})
	if len(r.Stopped()) > 0 {
		list = append(list, fact{Name: "back", Text: r.backText()})
	}
	return list
}

// listed names hosts or UPSs, as many as fit.
func listed(list []string, columns int) string {
	text := strings.Join(list, ", ")
	for n := len(list) - 1; n > 0 && len([]rune(text)) > columns; n-- {
		text = fmt.Sprintf("%s and %d more", strings.Join(list[:n], ", "), len(list)-n)
	}
	return text
}

func (r *outageReport) inputText() string {
	if len(r.Outage.Inputs) == 0 {
		return "not seen: hosts had lost their power when the agent started"
	}
	in := &r.Outage.Inputs[len(r.Outage.Inputs)-1]
	var upss []string
	away := 0
	for _, i := range r.Outage.Inputs {
		if len(upss) == 0 || upss[len(upss)-1] != i.UPS {
			upss = append(upss, i.UPS)
		}
		if i.Back.At == 0 {
			away++
		}
	}
	text := fmt.Sprintf("lost on %s at %s", listed(upss, 22), r.clock(r.Outage.Inputs[0].Lost))
	switch {
	case r.Running && away > 0:
		return text + fmt.Sprintf("; still away after %s", shutdown.Spell(r.now.Sub(r.Outage.Inputs[0].Lost.UTC)))
	case away > 0:
		return text + "; when it came back is not recorded"
	}
	text += fmt.Sprintf(", back at %s", r.clock(in.Back))
	if len(r.Outage.Inputs) == 1 {
		text += ", after " + spelledLapse(in.Lost, in.Back)
	}
	if r.Running {
		text += "; not normal yet"
	}
	return text
}

func (r *outageReport) hostsText() string {
	asked := len(r.Stopped())
	all := 0
	for k := range r.Hosts {
		if !r.Hosts[k].StaysUp {
			all++
		}
	}
	switch {
	case asked == 0 && r.Count(aftermath.Watched) > 0:
		return "no order was given; only watched, would have been asked: " + listed(r.Which(aftermath.Watched), 40)
	case asked == 0 && r.Running:
		return "none was asked to stop so far"
	case asked == 0:
		return "none was asked to stop: the input was back in time"
	}
	text := fmt.Sprintf("%d of %d were to stop", asked, all)
	if !r.Full {
		text = fmt.Sprintf("%d stopped, by the record of an older version", asked)
	}
	seen := r.Count(aftermath.WentOff, aftermath.WithHost)
	switch last := r.Which(aftermath.GoesLast); {
	case seen == asked:
		text += ", and all were off in time"
	case len(last) == 0:
		text += fmt.Sprintf("; %d off in time", seen)
	default:
		text += fmt.Sprintf("; %d off in time, %s told last", seen, clipped(last[0]))
	}
	if n := r.Count(aftermath.Stopping); n > 0 {
		text += fmt.Sprintf(", %d stopping", n)
	}
	var early []string
	for k := range r.Hosts {
		if len(r.Hosts[k].Ahead) > 0 {
			early = append(early, r.Hosts[k].Host)
		}
	}
	switch {
	case len(early) > 0:
		text += "; OUT OF ORDER: " + listed(early, 20)
	case r.Full && asked > 1:
		text += "; in order"
	}
	if list := r.Which(aftermath.Watched); len(list) > 0 {
		text += "; only watched: " + listed(list, 20)
	}
	return text
}

// lostText names the hosts that did not go as they should have.
func (r *outageReport) lostText() string {
	var parts []string
	for _, p := range []struct {
		fate aftermath.Fate
		text string
	}{{aftermath.LostPower, "without power: "}, {aftermath.GaveUp, "given up: "}, {aftermath.Unseen, "not seen off: "}} {
		if list := r.Which(p.fate); len(list) > 0 {
			parts = append(parts, p.text+listed(list, 24))
		}
	}
	return strings.Join(parts, "; ")
}

func (r *outageReport) marginText() string {
	l := r.LeastInHand()
	if l == nil {
		return "none to tell: no host went off on battery"
	}
	text := fmt.Sprintf("%s beyond the %s reserve, on UPS %s when %s went off", shutdown.Spell(l.InHand()), shutdown.Spell(l.Reserve), clipped(l.UPS), clipped(l.Host))
	if l.InHand() < 0 {
		text = fmt.Sprintf("NONE: %s of the %s reserve left on UPS %s when %s went off", shutdown.Spell(max(0, l.Low)), shutdown.Spell(l.Reserve), clipped(l.UPS), clipped(l.Host))
	}
	return text
}

func clipped(name string) string {
	return strings.TrimRight(clip(name, min(14, len([]rune(name)))), " ")
}

func (r *outageReport) backText() string {
	back, asked := 0, r.Stopped()
	var not, ordered, wait []string
	last := history.Moment{}
	for k := range r.Hosts {
		switch h := &r.Hosts[k]; {
		case !h.Stopped():
		case h.Back:
			if back++; h.BackAt.At > last.At {
				last = h.BackAt
			}
		case h.NotBack:
			not = append(not, h.Host)
		case h.Ordered:
			ordered = append(ordered, h.Host)
		default:
			wait = append(wait, h.Host)
		}
	}
	text := fmt.Sprintf("%d of %d", back, len(asked))
	if last.At != 0 {
		text += ", the last seen at " + r.clock(last)
	}
	if len(not) > 0 {
		text += "; NOT BACK: " + listed(not, 12)
	}
	if len(ordered) > 0 {
		text += "; off by order: " + listed(ordered, 20)
	}
	if len(wait) > 0 {
		text += "; off yet: " + listed(wait, 20)
	}
	return text
}

// papers are the text, of 80 columns, and the page.
func (r *outageReport) papers() (text string, page []byte, err error) {
	var t strings.Builder
	r.text(&t, report.Style{Width: 80})
	var p bytes.Buffer
	err = r.page(&p)
	return t.String(), p.Bytes(), err
}

const (
	headLines = 10 // that an operator reads first
	mostSteps = 20 // of a large room; the document has all
	mostBars  = 40 // of a drawing on a terminal; the page has all
)

// steps are what to do, the most urgent first, as many as are read.
func (r *outageReport) steps() []string {
	var list []string
	for i, s := range r.Steps {
		if i == mostSteps {
			return append(list, fmt.Sprintf("And %s more; --json has all.", count(len(r.Steps)-i, "step")))
		}
		list = append(list, s.Text)
	}
	return list
}

// text writes the report for a terminal or a message.
func (r *outageReport) text(w io.Writer, st report.Style) {
	width := min(max(st.Width, 60), 100)
	verdict, _ := r.verdict()
	lines := append(fold(r.title(), width), fold(verdict+".", width)...)
	for _, f := range r.facts() {
		lines = append(lines, hung(f.Name, f.Text, width)...)
	}
	lines = append(lines, r.next(headLines-len(lines), width)...)
	fmt.Fprintln(w, strings.Join(lines, "\n"))
	if len(r.Steps) > 0 {
		fmt.Fprintln(w, "\nWhat to do")
		for i, text := range r.steps() {
			numbered(w, i+1, text, width)
		}
	}
	if c := r.chart(); len(c.Bars) > 0 && len(c.Bars) <= mostBars {
		fmt.Fprintln(w)
		report.Draw(w, c, report.Style{Width: width, Color: st.Color, ASCII: st.ASCII})
	}
	r.textHosts(w, width)
	r.textBatteries(w, width)
	r.textEvents(w, width)
	for _, n := range r.notes() {
		fmt.Fprintln(w)
		for _, line := range fold(n, width) {
			fmt.Fprintln(w, line)
		}
	}
}

// hung is a named text, its further lines under its first.
func hung(name, text string, width int) []string {
	var lines []string
	for _, line := range fold(text, width-8) {
		lines = append(lines, fmt.Sprintf("%-7s %s", name, line))
		name = ""
	}
	return lines
}

// next are the first things to do, in at most so many lines, but at least one.
func (r *outageReport) next(most, width int) []string {
	if len(r.Steps) == 0 {
		if r.Running {
			return []string{"next    nothing yet; `ebbline status` asks the running agent"}
		}
		return []string{"next    nothing: no step follows from this outage"}
	}
	var lines []string
	for i, s := range r.Steps {
		more := hung("", fmt.Sprintf("%d. %s", i+1, s.Text), width)
		left := max(1, most) - len(lines)
		if len(more) > left || len(more) == left && i < len(r.Steps)-1 && left > 1 {
			break
		}
		lines = append(lines, more...)
		if i == len(r.Steps)-1 {
			return headed("next", lines)
		}
	}
	if len(lines) == 0 { // the beginning of the first, then
		lines = hung("", "1. "+r.Steps[0].Text, width)[:max(1, most-1)]
	}
	return headed("next", append(lines, fmt.Sprintf("        %s in all; see below", count(len(r.Steps), "step"))))
}

func headed(name string, lines []string) []string {
	lines[0] = fmt.Sprintf("%-7s %s", name, strings.TrimLeft(lines[0], " "))
	return lines
}

func numbered(w io.Writer, n int, text string, width int) {
	head := fmt.Sprintf("%3d. ", n)
	for _, line := range fold(text, width-len(head)) {
		fmt.Fprintf(w, "%s%s\n", head, line)
		head = strings.Repeat(" ", len(head))
	}
}

// rows are the hosts that the outage touched, each in the columns of the table.
func (r *outageReport) rows() []report.OutageHost {
	var list []report.OutageHost
	for k := range r.Hosts {
		h := &r.Hosts[k]
		if h.Fate == aftermath.StayedUp {
			continue
		}
		x := report.OutageHost{Name: h.Host, Priority: h.Priority, Planned: "-", Asked: "-", Took: "-", Counted: "-", Off: "-", Back: "-", Margin: "-", Why: h.Why, Fate: r.fate(h)}
		x.Bad = h.Fate >= aftermath.GaveUp || len(h.Ahead) > 0 || h.NotBack
		if h.Planned {
			x.Planned = shutdown.Spell(h.PlanStop)
		}
		if h.Asked.At != 0 {
			x.Asked = shutdown.Spell(h.Asked.At.Sub(r.Outage.Began.At))
		}
		if r.Full {
			x.Counted = shutdown.Spell(h.StopsIn)
		}
		if h.Took > 0 {
			x.Took = shutdown.Spell(aftermath.Up(h.Took))
		}
		if h.Off.At != 0 {
			x.Off = shutdown.Spell(h.Off.At.Sub(r.Outage.Began.At))
		}
		if h.BackAt.At != 0 {
			x.Back = shutdown.Spell(h.BackAt.At.Sub(r.Outage.Began.At))
		}
		if !h.MarginUnknown && h.Asked.At != 0 {
			x.Margin = shutdown.Spell(h.Margin)
		}
		list = append(list, x)
	}
	return list
}

// fate puts into words what became of a host.
func (r *outageReport) fate(h *aftermath.Host) string {
	var text string
	switch h.Fate {
	case aftermath.WentOff:
		text = "off"
		if h.Forced {
			text = "off by force (" + h.Method + ")"
		}
		if h.Late {
			text += ", late"
		}
	case aftermath.WithHost:
		text = "off with " + h.RunsOn
	case aftermath.WasOff:
		text = "was off already"
	case aftermath.GoesLast:
		text = "told to stop last; nothing sees it off"
	case aftermath.Spared:
		text = "asked; up when the input was back"
	case aftermath.Watched:
		text = "only watched: it would have been asked then; no order was given"
	case aftermath.Stopping:
		text = "stopping"
	case aftermath.Unseen:
		text = "not seen going off"
	case aftermath.GaveUp:
		text = "GIVEN UP, not off"
	case aftermath.LostPower:
		text = "LOST POWER"
		if h.Cut.At != 0 {
			text += " at " + shutdown.Spell(h.Cut.At.Sub(r.Outage.Began.At))
		}
	}
	if len(h.Ahead) > 0 {
		text += "; before " + listed(h.Ahead, 24) + " was off"
	} else if r.Full && h.Fate == aftermath.WentOff {
		text += ", in order"
	}
	switch {
	case h.NotBack:
		text += "; NOT BACK"
	case h.Ordered:
		text += "; not brought back: an operator ordered it off"
	}
	return text
}

func (r *outageReport) textHosts(w io.Writer, width int) {
	rows := r.rows()
	if len(rows) == 0 {
		return
	}
	fmt.Fprintf(w, "\nHosts; times since the loss of input\n%-12s %4s %8s %8s %8s %8s %8s %8s\n", "", "prio", "planned", "asked", "took", "counted", "off at", "back at")
	for i := range rows {
		x := &rows[i]
		fmt.Fprintf(w, "%s %4d %8s %8s %8s %8s %8s %8s\n", clip(x.Name, 12), x.Priority, x.Planned, x.Asked, x.Took, x.Counted, x.Off, x.Back)
		mark := "  "
		if x.Bad {
			mark = "! "
		}
		text := x.Fate
		if x.Why != "" {
			text += ". Why then: " + x.Why
			if x.Margin != "-" {
				text += "; margin " + x.Margin
			}
		}
		for _, line := range fold(text, width-4) {
			fmt.Fprintf(w, "%s  %s\n", mark, line)
			mark = "  "
		}
	}
	fmt.Fprintln(w, "planned: by the first plan; counted: the stopping time that the plan counted on")
}

// forecasts puts into words what was predicted of a battery, and what was measured.
func (r *outageReport) forecasts(b *aftermath.Battery) []report.Forecast {
	var list []report.Forecast
	for i := range b.Predicted {
		p := &b.Predicted[i]
		f := report.Forecast{By: map[history.Maker]string{history.ByModel: "the model, at that load", history.ByPlan: "the model, under the plan", history.ByUPS: "the UPS itself"}[p.By],
			Made: shutdown.Spell(p.Made.At.Sub(r.Outage.Began.At)), Load: "-", Low: shutdown.Spell(p.Low), Likely: shutdown.Spell(p.Likely), High: shutdown.Spell(p.High), Measured: "not known", Basis: p.Basis}
		if p.LoadWatts != shutdown.Unread {
			f.Load = fmt.Sprintf("%d W", p.LoadWatts)
		}
		switch {
		case p.Known && p.AtLeast:
			f.Measured = "at least " + shutdown.Spell(p.Lasted)
		case p.Known:
			f.Measured = shutdown.Spell(p.Lasted)
			if f.Bad = p.Lasted < p.Low; f.Bad {
				f.Measured += ", below the low"
			}
		}
		list = append(list, f)
	}
	return list
}

func (r *outageReport) textBatteries(w io.Writer, width int) {
	for i := range r.Batteries {
		b := &r.Batteries[i]
		fmt.Fprintf(w, "\nBattery of UPS %s: predicted against measured\n", b.UPS)
		if list := r.forecasts(b); len(list) > 0 {
			fmt.Fprintf(w, "  %-26s %6s %8s %8s %8s  %s\n", "by", "load", "low", "likely", "high", "measured")
			for _, f := range list {
				fmt.Fprintf(w, "  %-26s %6s %8s %8s %8s  %s\n", f.By, f.Load, f.Low, f.Likely, f.High, f.Measured)
			}
		} else {
			fmt.Fprintln(w, "  nothing was predicted of it")
		}
		for _, line := range fold(r.leftText(b), width-4) {
			fmt.Fprintf(w, "  %s\n", line)
		}
	}
}

// leftText says what a battery had left.
func (r *outageReport) leftText(b *aftermath.Battery) string {
	l := b.Left
	if l == nil {
		return "No host on it went off while it was on battery."
	}
	text := fmt.Sprintf("When %s went off, %s after the loss of input, it had %s (low) to %s (high) left at %d W; the reserve of %s is part of that.", l.Host,
		shutdown.Spell(l.At.At.Sub(r.Outage.Began.At)), shutdown.Spell(l.Low), shutdown.Spell(l.High), l.LoadWatts, shutdown.Spell(l.Reserve))
	text += fmt.Sprintf(" By the model its charge was %.0f %%", float64(l.ModelTenths)/10)
	if l.OwnTenths != shutdown.Unread {
		text += fmt.Sprintf("; the UPS itself said %.0f %%", float64(l.OwnTenths)/10)
	}
	return text + "."
}

// events are actions, orders and conditions in the order in which they came.
func (r *outageReport) events() []report.OutageEvent {
	type happened struct {
		at shutdown.Instant
		report.OutageEvent
	}
	var all []happened
	add := func(m history.Moment, what, until, text string) {
		at := "before"
		if m.At >= r.Outage.Began.At {
			at = r.clock(m)
		}
		all = append(all, happened{m.At, report.OutageEvent{At: at, What: what, Until: until, Text: text}})
	}
	for _, o := range r.Orders {
		add(o.At, "order: "+o.Word, "", "by "+o.By)
	}
	for i := range r.Actions {
		a := &r.Actions[i]
		until := cameTo(a)
		if a.Ended.At != 0 {
			until += " after " + spelledLapse(a.At, a.Ended)
		}
		add(a.At, a.Code, until, actionText(a))
	}
	for _, c := range r.Conditions {
		until := "still so"
		if c.Over.At != 0 {
			until = "for " + spelledLapse(c.Raised, c.Over)
		}
		add(c.Raised, c.Code, until, c.Text)
	}
	slices.SortStableFunc(all, func(a, b happened) int { return cmp.Compare(a.at, b.at) })
	var list []report.OutageEvent
	for _, h := range all {
		list = append(list, h.OutageEvent)
	}
	return list
}

func (r *outageReport) textEvents(w io.Writer, width int) {
	list := r.events()
	if len(list) == 0 {
		return
	}
	fmt.Fprintln(w, "\nActions, orders and conditions")
	for _, e := range list {
		head := strings.TrimSuffix(fmt.Sprintf("  %s  %s, %s", e.At, e.What, e.Until), ", ")
		fmt.Fprintln(w, head)
		for _, line := range fold(e.Text, width-6) {
			fmt.Fprintf(w, "      %s\n", line)
		}
	}
}

// notes say what must be known to read the report rightly.
func (r *outageReport) notes() []string {
	var list []string
	if slices.ContainsFunc(r.Steps, func(s aftermath.Step) bool { return strings.HasPrefix(s.Write, "stops_in") }) {
		list = append(list, "The agent itself counts on the stopping times that it measured from now on; what is written in the policy is for all who read it.")
	}
	if r.Running {
		list = append(list, fmt.Sprintf("It is not over: this is as far as it was recorded, last at %s, %s ago. `ebbline status` asks the running agent.", localTime(r.Last, r.zone), shutdown.Spell(max(0, r.now.Sub(r.Last.UTC)))))
	}
	if r.Followed {
		list = append(list, "The input was lost again before all was normal: the next outage goes on with its hosts.")
	}
	if len(r.Others) > 0 {
		text := "The history holds another outage with this number, of "
		if len(r.Others) > 1 {
			text = "The history holds other outages with this number, of "
		}
		var stamps []string
		for _, m := range r.Others {
			stamps = append(stamps, aftermath.Stamp(m))
		}
		list = append(list, text+listed(stamps, 60)+": a number begins anew with a new journal. Name it by that time.")
	}
	if !r.Full && len(r.Stopped()) > 0 {
		list = append(list, "An older version recorded it: order, what was in hand, hosts that were not stopped, and conditions are not known.")
	}
	return append(list, "Times of day are local, with their offset from UTC at the head. Advice from measured data; not an electrical inspection.")
}
