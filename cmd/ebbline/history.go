package main

import (
	"cmp"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"ebbline/agent/history"
	"ebbline/agent/history/aftermath"
	"ebbline/shutdown"
)

var historyCommand = command{
	name:  "history",
	about: "outages, sags, tests, stops, starts, orders; an outage's report",
	usage: "[N | last | KIND] [--report FILE] [--csv] [--history FILE] [--json]",
	takes: []string{"WHICH"},
	help: `Without an argument it shows what happened last, of each kind, and what stands.
With a kind it shows all of that kind: outages, sags, tests, stops, starts,
actions (outputs of UPSs switched, early steps of hosts), orders, conditions.

With the number of an outage, or "last", it reports on that outage: whether all
hosts were off in time, what was lost or given up, what was in hand, what came
back and what to do next; then predicted against measured, host by host.
--report writes the same as a page. Of several outages with one number the last
is meant; the beginning of its UTC time, as in 2026-11-28T08, names another.

"Off in time" is what was proven: down by its BMC or outlet, or silent after it
was told; a host whose UPS had no output any more before that has lost its
power. In hand is the battery time by the low projection, at the load of the
moment before, when the last host went off, less the reserve. The margin of a
host is how much later it, and all that were planned for later, could have been
asked. A host is out of order when one that needs it was not off when it was
asked.

The agent writes the text and the page after each outage into the folder reports
beside its history. Times are local, with their offset from UTC; in JSON and CSV
they are UTC.`,
}

func init() { historyCommand.set = setHistory }

// kinds of records, in the order in which they are shown.
var kinds = []string{"outages", "sags", "tests", "stops", "starts", "actions", "orders", "conditions"}

func setHistory(c *call) action {
	past := c.historyFlag()
	page := c.flags.String("report", "", "write the report of the outage as a page to `FILE`")
	table := c.flags.Bool("csv", false, "print the records as CSV")
	return func(ctx context.Context) int {
		which := ""
		if len(c.args) > 0 {
			which = c.args[0]
		}
		one := which != "" && !slices.Contains(kinds, which)
		if code := c.historyUsage(which, one, *page, *table, *past); code != exitDone {
			return code
		}
		from, path, err := c.openHistory(ctx, c.historyPath(*past))
		if err != nil {
			return c.fail("%v", err)
		}
		defer from.Close()
		var a *aftermath.Account
		in := history.Always
		if one {
			if a, err = aftermath.Find(ctx, from, which); err != nil {
				return c.fail("%s: %v", path, err)
			}
			in.From = a.Outage.Began.At
			if a.Outage.Ended.At != 0 {
				in.To = a.Outage.Ended.At
			}
		}
		switch {
		case *table, !one:
			err = c.showHistory(ctx, from, path, which, in, *table)
		default:
			err = c.reportOutage(ctx, from, a, *page)
		}
		if err != nil {
			return c.fail("%v", err)
		}
		return exitDone
	}
}

// historyUsage refuses what does not go together.
func (c *call) historyUsage(which string, one bool, page string, table bool, past string) int {
	wrong := ""
	switch {
	case past == noHistory:
		wrong = "--history none leaves nothing to show. Leave it out, or name a file"
	case page != "" && !one:
		wrong = "--report is of one outage: name its number, or last"
	case table && c.json, table && page != "":
		wrong = "--csv goes with neither --json nor --report"
	case one && !namesOutage(which):
		wrong = fmt.Sprintf("there is no kind %q. It is the number of an outage, last, or one of %s", which, strings.Join(kinds, ", "))
		for _, k := range append([]string{"last"}, kinds...) {
			if near(which, k) {
				wrong = fmt.Sprintf("there is no kind %q. Did you mean %q?", which, k)
			}
		}
	}
	if wrong != "" {
		c.usage("%s", wrong)
		return exitUsage
	}
	return exitDone
}

// namesOutage tells whether a word may name an outage: a number, last, or the beginning
// of a time.
func namesOutage(which string) bool {
	if _, err := strconv.ParseUint(which, 10, 32); err == nil || which == "last" {
		return true
	}
	const form = "2006-01-02T15:04:05Z"
	if len(which) < len("2006-01-02") || len(which) > len(form) {
		return false
	}
	_, err := time.Parse(form, which+"2006-01-02T00:00:00Z"[len(which):])
	return err == nil
}

const (
	mostShown = 100_000 // records of a kind in a document
	fewShown  = 10      // in the overview
)

// past is what the history holds of some kinds in a span.
type past struct {
	Outages    []history.Outage
	Sums       map[history.OutageKey]history.OutageSum
	Sags       []history.InputEvent
	Tests      []history.Test
	Stops      []history.Stop
	Starts     []history.Start
	Actions    []history.Action
	Orders     []history.GivenOrder
	Conditions []history.Condition
}

func readHistory(ctx context.Context, from *history.Reader, in history.Span) (*past, error) {
	var p past
	var errs [9]error
	within := func(at history.Moment) bool { return at.At >= in.From && at.At <= in.To }
	p.Outages, errs[0] = from.Outages(ctx, mostShown)
	p.Outages = slices.DeleteFunc(p.Outages, func(o history.Outage) bool { return !within(o.Began) || o.Began.At == in.To })
	p.Sums, errs[1] = from.OutageSums(ctx)
	p.Sags, errs[2] = from.InputEvents(ctx, "", mostShown)
	p.Sags = slices.DeleteFunc(p.Sags, func(e history.InputEvent) bool { return !within(e.Began) })
	p.Tests, errs[3] = from.Tests(ctx, "", mostShown)
	p.Tests = slices.DeleteFunc(p.Tests, func(t history.Test) bool { return !within(t.Began) })
	p.Stops, errs[4] = from.StopsIn(ctx, in, mostShown)
	p.Starts, errs[5] = from.StartsIn(ctx, in, mostShown)
	p.Orders, errs[6] = from.Orders(ctx, in, mostShown)
	p.Conditions, errs[7] = from.Conditions(ctx, in, mostShown)
	p.Actions, errs[8] = from.Actions(ctx, in, mostShown)
	return &p, errors.Join(errs[:]...)
}

// showHistory shows one kind, or the last of each.
func (c *call) showHistory(ctx context.Context, from *history.Reader, path, kind string, in history.Span, table bool) error {
	p, err := readHistory(ctx, from, in)
	if err != nil {
		return err
	}
	if !slices.Contains(kinds, kind) {
		kind = ""
	}
	switch {
	case table:
		return p.csv(csv.NewWriter(c.Out), kind)
	case c.json:
		printJSON(c.Out, p.document(path, kind))
	default:
		width, _ := terminal(c.Out)
		(&historyText{c.Out, width, time.Local, time.Now()}).show(p, path, kind)
	}
	return nil
}

// document is that of `history --json`; of one kind it holds that alone.
func (p *past) document(path, kind string) map[string]any {
	v := map[string]any{"history": path}
	put := func(name string, list any) {
		if kind == "" || kind == name {
			v[name] = list
		}
	}
	put("outages", views(p.Outages, p.outageView))
	put("sags", views(p.Sags, sagOf))
	put("tests", views(p.Tests, testOf))
	put("stops", views(p.Stops, stopOf))
	put("starts", views(p.Starts, startOf))
	put("actions", views(p.Actions, actionOf))
	put("orders", views(p.Orders, wordOf))
	put("conditions", views(p.Conditions, conditionOf))
	return v
}

// views makes a list that is never null.
func views[T, V any](list []T, of func(*T) V) []V {
	out := make([]V, 0, len(list))
	for i := range list {
		out = append(out, of(&list[i]))
	}
	return out
}

type outageView struct {
	Number  uint32      `json:"number"`
	Site    string      `json:"site"`
	Began   string      `json:"began"`
	Ended   *string     `json:"ended"`   // null while it is on
	Seconds *float64    `json:"seconds"` // until all was normal
	Inputs  []awayView  `json:"inputs"`
	Asked   int         `json:"hosts_asked"`
	Cut     int         `json:"hosts_without_power"` // while they were not known to be off
	Margin  *float64    `json:"margin_seconds"`      // null where no host went off
	Phases  []phaseView `json:"phases,omitempty"`
}

type awayView struct {
	UPS     string   `json:"ups"`
	Lost    string   `json:"lost"`
	Back    *string  `json:"back"`
	Seconds *float64 `json:"seconds"`
}

type phaseView struct {
	UPS     string  `json:"ups"`
	Phase   string  `json:"phase"`
	Seconds float64 `json:"seconds_since_loss"`
}

func (p *past) outageView(o *history.Outage) outageView {
	v := outageView{Number: o.Number, Site: o.Site, Began: aftermath.Stamp(o.Began), Ended: stamp(o.Ended), Seconds: lapse(o.Began, o.Ended), Inputs: []awayView{}}
	for _, i := range o.Inputs {
		v.Inputs = append(v.Inputs, awayView{i.UPS, aftermath.Stamp(i.Lost), stamp(i.Back), lapse(i.Lost, i.Back)})
	}
	s := p.Sums[o.Key()]
	v.Asked, v.Cut = s.Asked, s.Cut
	if s.HasMargin {
		v.Margin = inSeconds(s.Margin)
	}
	return v
}

func stamp(m history.Moment) *string {
	if m.At == 0 {
		return nil
	}
	s := aftermath.Stamp(m)
	return &s
}

// lapse is the time from one moment to another, by the agent's clock.
func lapse(from, to history.Moment) *float64 {
	if from.At == 0 || to.At == 0 {
		return nil
	}
	return inSeconds(to.At.Sub(from.At))
}

// inSeconds is a duration to a tenth of a second, rounded down.
func inSeconds(d time.Duration) *float64 {
	f := float64(d.Truncate(100*time.Millisecond).Milliseconds()) / 1000
	return &f
}

type sagView struct {
	UPS     string  `json:"ups"`
	Began   string  `json:"began"`
	Seconds float64 `json:"seconds"`
	Kind    string  `json:"kind"` // sag, swell or interruption
	Percent float64 `json:"voltage_percent"`
	AtLeast bool    `json:"at_least"` // it lasted at least so long
}

func sagOf(e *history.InputEvent) sagView {
	kind := "sag"
	switch {
	case e.Event.Swell:
		kind = "swell"
	case e.Event.Percent() < 10: // IEEE 1159: an interruption is below 10 % of nominal
		kind = "interruption"
	}
	return sagView{e.UPS, aftermath.Stamp(e.Began), *inSeconds(e.Event.Length()), kind, float64(int64(e.Event.Percent()*10+0.5)) / 10, e.Event.Open}
}

type testView struct {
	UPS string `json:"ups"`
	dischargeView
}

func testOf(t *history.Test) testView {
	v := testView{t.UPS, testViewOf(t)}
	v.Running = t.Ended.At == 0
	return v
}

type moveView struct {
	Host    string  `json:"host"`
	At      string  `json:"at"` // asked to stop, or told to start
	Outage  uint32  `json:"outage"`
	Method  string  `json:"method"`
	Seconds float64 `json:"seconds"`
	Ended   string  `json:"ended"` // clean, forced or given_up; back or given_up
}

func stopOf(s *history.Stop) moveView {
	return moveView{s.Host, aftermath.Stamp(s.Asked), s.Outage, s.Method, *inSeconds(s.Took), [...]string{"", "clean", "forced", "given_up"}[s.Ended]}
}

func startOf(s *history.Start) moveView {
	return moveView{s.Host, aftermath.Stamp(s.Told), s.Outage, s.Method, *inSeconds(s.Took), [...]string{"", "back", "", "given_up"}[s.Ended]}
}

type actionView struct {
	At      string   `json:"at"`
	Outage  uint32   `json:"outage"`
	Code    string   `json:"code"` // early-step, output-goes-off or output-stays-on
	UPS     string   `json:"ups,omitempty"`
	Host    string   `json:"host,omitempty"`
	Ended   *string  `json:"ended"` // null while it is not known what came of it
	Seconds *float64 `json:"seconds"`
	Outcome string   `json:"outcome"` // accepted, refused, unreachable or unknown; "" likewise
	Said    string   `json:"said"`    // what came back
	Text    string   `json:"text"`
}

func actionOf(a *history.Action) actionView {
	return actionView{aftermath.Stamp(a.At), a.Outage, a.Code, a.UPS, a.Host, stamp(a.Ended), lapse(a.At, a.Ended), a.Outcome, a.Said, a.Text}
}

// cameTo says what came of an action.
func cameTo(a *history.Action) string {
	early := a.Code == shutdown.EarlyStep.String()
	switch a.Outcome {
	case "":
		return "end not known"
	case shutdown.Accepted.String():
		if early {
			return "done"
		}
		return "order taken"
	case shutdown.Unknown.String():
		if early {
			return "not known to be done"
		}
		return "order not confirmed"
	}
	if early {
		return "not done: " + a.Outcome
	}
	return "order not taken: " + a.Outcome
}

// actionText is what was told of an action, and what came back.
func actionText(a *history.Action) string {
	if a.Said == "" {
		return a.Text
	}
	return strings.TrimSuffix(a.Text, ".") + ". What came back: " + a.Said
}

type wordView struct {
	At     string `json:"at"`
	Outage uint32 `json:"outage"`
	Order  string `json:"order"`
	By     string `json:"by"`
}

func wordOf(o *history.GivenOrder) wordView {
	return wordView{aftermath.Stamp(o.At), o.Outage, o.Word, o.By}
}

type heldView struct {
	Code   string  `json:"code"`
	UPS    string  `json:"ups,omitempty"`
	Host   string  `json:"host,omitempty"`
	Raised string  `json:"raised"`
	Over   *string `json:"over"` // null while it is so
	Outage uint32  `json:"outage"`
	Text   string  `json:"text"`
}

func conditionOf(x *history.Condition) heldView {
	return heldView{x.Code, x.UPS, x.Host, aftermath.Stamp(x.Raised), stamp(x.Over), x.Outage, x.Text}
}

// csv writes the records as one table (RFC 4180), a row each.
func (p *past) csv(w *csv.Writer, kind string) error {
	w.Write([]string{"kind", "at", "until", "seconds", "outage", "ups", "host", "what", "text"})
	row := func(name, at string, until *string, seconds *float64, outage uint32, ups, host, what, text string) {
		if kind != "" && kind != name {
			return
		}
		number, end, lasted := "", "", ""
		if outage != 0 {
			number = strconv.Itoa(int(outage))
		}
		if until != nil {
			end = *until
		}
		if seconds != nil {
			lasted = strconv.FormatFloat(*seconds, 'f', -1, 64)
		}
		w.Write([]string{strings.TrimSuffix(name, "s"), at, end, lasted, number, ups, host, what, text})
	}
	for i := range p.Outages {
		o := p.outageView(&p.Outages[i])
		text := fmt.Sprintf("%d hosts asked, %d without power", o.Asked, o.Cut)
		if o.Margin != nil {
			text += fmt.Sprintf(", %g s in hand", *o.Margin)
		}
		row("outages", o.Began, o.Ended, o.Seconds, o.Number, "", "", "outage", text)
		for _, x := range o.Inputs {
			row("outages", x.Lost, x.Back, x.Seconds, o.Number, x.UPS, "", "input lost", "")
		}
	}
	for _, s := range views(p.Sags, sagOf) {
		row("sags", s.Began, nil, &s.Seconds, 0, s.UPS, "", s.Kind, fmt.Sprintf("%g %% of nominal", s.Percent))
	}
	for i, t := range views(p.Tests, testOf) {
		text := t.Found
		if t.Capacity != nil {
			text = fmt.Sprintf("%g %% of a new battery", *t.Capacity)
		}
		row("tests", aftermath.Stamp(p.Tests[i].Began), stamp(p.Tests[i].Ended), &t.Measured, 0, t.UPS, "", cmp.Or(t.Stop, "unfinished"), text)
	}
	for _, s := range views(p.Stops, stopOf) {
		row("stops", s.At, nil, &s.Seconds, s.Outage, "", s.Host, s.Ended, s.Method)
	}
	for _, s := range views(p.Starts, startOf) {
		row("starts", s.At, nil, &s.Seconds, s.Outage, "", s.Host, s.Ended, s.Method)
	}
	for i, a := range views(p.Actions, actionOf) {
		row("actions", a.At, a.Ended, a.Seconds, a.Outage, a.UPS, a.Host, a.Code, cameTo(&p.Actions[i])+". "+actionText(&p.Actions[i]))
	}
	for _, o := range views(p.Orders, wordOf) {
		row("orders", o.At, nil, nil, o.Outage, "", "", o.Order, o.By)
	}
	for i, x := range views(p.Conditions, conditionOf) {
		row("conditions", x.Raised, x.Over, lapse(p.Conditions[i].Raised, p.Conditions[i].Over), x.Outage, x.UPS, x.Host, x.Code, x.Text)
	}
	w.Flush()
	return w.Error()
}

// reportOutage prints the report of an outage, and writes its page where one is
// wanted.
func (c *call) reportOutage(ctx context.Context, from *history.Reader, a *aftermath.Account, page string) error {
	paper, err := newPaper(page)
	if err != nil {
		return err
	}
	defer paper.close()
	r, err := outageReportOf(ctx, from, a, time.Now(), time.Local)
	if err != nil {
		return err
	}
	if paper != nil {
		if err := paper.put(r.page); err != nil {
			return err
		}
	}
	if c.json {
		printJSON(c.Out, r.document())
		return nil
	}
	width, color := terminal(c.Out)
	r.text(c.Out, c.style(width, color))
	return nil
}

// outagePapers makes the report of an outage as it is written and sent: text of 80
// columns, and a page. The outage is named as on the command line.
func outagePapers(ctx context.Context, from *history.Reader, which string, now time.Time) (text string, page []byte, err error) {
	a, err := aftermath.Find(ctx, from, which)
	if err != nil {
		return "", nil, err
	}
	r, err := outageReportOf(ctx, from, a, now, time.Local)
	if err != nil {
		return "", nil, err
	}
	return r.papers()
}

// standingNow are the conditions that are not over.
func (p *past) standingNow() []history.Condition {
	return slices.DeleteFunc(slices.Clone(p.Conditions), func(x history.Condition) bool { return x.Over.At != 0 })
}

// spelledLapse is the time from one moment to another for people.
func spelledLapse(from, to history.Moment) string {
	if from.At == 0 || to.At == 0 {
		return "-"
	}
	return shutdown.Spell(to.At.Sub(from.At))
}
