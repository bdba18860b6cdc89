package main

import (
	"cmp"
	"fmt"
	"io"
	"strings"
	"time"

	"ebbline/agent/clean"
	"ebbline/agent/history"
	"ebbline/agent/history/aftermath"
	"ebbline/shutdown"
)

// historyText writes lists of records for people.
type historyText struct {
	w     io.Writer
	width int
	zone  *time.Location
	now   time.Time
}

// localTime is a moment as people read it: local, with its offset from UTC.
func localTime(m history.Moment, zone *time.Location) string {
	if m.At == 0 {
		return "-"
	}
	return m.UTC.In(zone).Format("2006-01-02 15:04:05 -07:00")
}

func (t *historyText) when(m history.Moment) string { return localTime(m, t.zone) }

// show writes one kind whole, or the last few of each.
func (t *historyText) show(p *past, path, kind string) {
	fmt.Fprintf(t.w, "by %s; times are local, with their offset from UTC\n", path)
	if kind == "" {
		t.standing(p.standingNow())
	}
	t.list(kind, "outages", len(p.Outages), fmt.Sprintf("%6s  %-26s  %-10s  %9s  %5s %4s  %8s", "N", "input lost", "UPSs", "lasted", "asked", "cut", "in hand"), func(i int) { t.outage(p, &p.Outages[i]) })
	t.list(kind, "sags", len(p.Sags), fmt.Sprintf("  %-26s  %-12s  %-12s  %7s  %9s", "began", "UPS", "what", "voltage", "lasted"), func(i int) { t.sag(&p.Sags[i]) })
	t.list(kind, "tests", len(p.Tests), fmt.Sprintf("  %-26s  %-12s  %7s  %9s  %s", "began", "UPS", "load", "measured", "ended by"), func(i int) { t.test(&p.Tests[i]) })
	move := "  %-26s  %-16s  %9s  %-8s  %6s  %s"
	t.list(kind, "stops", len(p.Stops), fmt.Sprintf(move, "asked", "host", "took", "by", "outage", "ended"), func(i int) {
		s := &p.Stops[i]
		ended := [...]string{"", "in order", "by force", "given up"}[s.Ended]
		fmt.Fprintf(t.w, move+"\n", t.when(s.Asked), clip(s.Host, 16), shutdown.Spell(aftermath.Up(s.Took)), s.Method, dashed(s.Outage), ended)
	})
	t.list(kind, "starts", len(p.Starts), fmt.Sprintf(move, "told", "host", "took", "by", "outage", "ended"), func(i int) {
		s := &p.Starts[i]
		ended := [...]string{"", "back", "", "given up"}[s.Ended]
		fmt.Fprintf(t.w, move+"\n", t.when(s.Told), clip(s.Host, 16), shutdown.Spell(aftermath.Up(s.Took)), s.Method, dashed(s.Outage), ended)
	})
	action := "  %-26s  %-16s  %-16s  %6s  %s"
	t.list(kind, "actions", len(p.Actions), fmt.Sprintf(action, "begun", "of", "action", "outage", "ended"), func(i int) {
		a := &p.Actions[i]
		fmt.Fprintf(t.w, action+"\n", t.when(a.At), clip(cmp.Or(a.Host, a.UPS), 16), a.Code, dashed(a.Outage), cameTo(a))
	})
	order := "  %-26s  %-24s  %6s  %s"
	t.list(kind, "orders", len(p.Orders), fmt.Sprintf(order, "given", "order", "outage", "by"), func(i int) {
		o := &p.Orders[i]
		fmt.Fprintf(t.w, order+"\n", t.when(o.At), o.Word, dashed(o.Outage), clean.OneLine(o.By))
	})
	t.list(kind, "conditions", len(p.Conditions), fmt.Sprintf("  %-26s  %-20s  %-14s  %s", "raised", "condition", "of", "for"), func(i int) {
		x := &p.Conditions[i]
		lasted := "it stands"
		if x.Over.At != 0 {
			lasted = spelledLapse(x.Raised, x.Over)
		}
		fmt.Fprintf(t.w, "  %-26s  %-20s  %-14s  %s\n", t.when(x.Raised), x.Code, clip(cmp.Or(x.Host, x.UPS, "-"), 14), lasted)
	})
	if kind == "" && len(p.Outages) > 0 {
		fmt.Fprintf(t.w, "\nThe report of one: `ebbline history last`, or its number N.\n")
	}
}

// list writes a kind's head and rows: all of the one that is asked for, the last
// few of each where none is.
func (t *historyText) list(kind, name string, n int, head string, row func(i int)) {
	if kind != "" && kind != name {
		return
	}
	if n == 0 {
		fmt.Fprintf(t.w, "\nno %s\n", name)
		return
	}
	from := 0
	what := count(n, strings.TrimSuffix(name, "s"))
	if kind == "" && n > fewShown {
		from = n - fewShown
		what = fmt.Sprintf("%s, the last %d; all: `ebbline history %s`", what, fewShown, name)
	}
	fmt.Fprintf(t.w, "\n%s\n%s\n", what, strings.TrimRight(head, " "))
	for i := from; i < n; i++ {
		row(i)
	}
}

func (t *historyText) standing(list []history.Condition) {
	for i := range list {
		x := &list[i]
		fmt.Fprintf(t.w, "! %s since %s\n", x.Code, t.when(x.Raised))
		indent(t.w, x.Text, t.width)
	}
}

func (t *historyText) outage(p *past, o *history.Outage) {
	lasted := "on"
	switch {
	case o.Ended.At != 0:
		lasted = spelledLapse(o.Began, o.Ended)
	case o != &p.Outages[len(p.Outages)-1]:
		lasted = "unknown"
	}
	s, known := p.Sums[o.Key()]
	asked, without, margin := "-", "-", "-"
	if known {
		asked, without = fmt.Sprint(s.Asked), fmt.Sprint(s.Cut)
	}
	if s.HasMargin {
		margin = shutdown.Spell(s.Margin)
	}
	var upss []string
	for _, i := range o.Inputs {
		if len(upss) == 0 || upss[len(upss)-1] != i.UPS {
			upss = append(upss, i.UPS)
		}
	}
	fmt.Fprintf(t.w, "%6d  %-26s  %-10s  %9s  %5s %4s  %8s\n", o.Number, t.when(o.Began), clip(strings.Join(upss, ","), 10), lasted, asked, without, margin)
}

func (t *historyText) sag(e *history.InputEvent) {
	v := sagOf(e)
	atLeast := ""
	if v.AtLeast {
		atLeast = "+"
	}
	fmt.Fprintf(t.w, "  %-26s  %-12s  %-12s  %5.1f %%  %9s\n", t.when(e.Began), clip(e.UPS, 12), v.Kind, v.Percent, fmt.Sprintf("%gs%s", v.Seconds, atLeast))
}

func (t *historyText) test(x *history.Test) {
	ended := "unfinished"
	if x.Ended.At != 0 {
		ended = x.Stop.String()
	}
	load := "-"
	if x.LoadWatts != shutdown.Unread {
		load = fmt.Sprintf("%d W", x.LoadWatts)
	}
	if v := testViewOf(x); v.Capacity != nil {
		ended += fmt.Sprintf(", %.0f %%", *v.Capacity)
	}
	fmt.Fprintf(t.w, "  %-26s  %-12s  %7s  %9s  %s\n", t.when(x.Began), clip(x.UPS, 12), load, shutdown.Spell(x.Measured), ended)
}

// dashed is an outage's number; a dash for none.
func dashed(n uint32) string {
	if n == 0 {
		return "-"
	}
	return fmt.Sprint(n)
}
