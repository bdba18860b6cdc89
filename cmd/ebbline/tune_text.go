package main

import (
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"ebbline/shutdown"
	"ebbline/simulate/report"
)

// show writes the document for people.
func (v *tuneView) show(w io.Writer, st report.Style) {
	t := &tuneText{w: w, v: v, style: st}
	t.line("%s: the plan if the input failed now %s", v.Site, v.Now.text())
	if v.WhatIf != nil {
		t.whatIf(v.WhatIf)
		return
	}
	if v.Interrupted {
		t.line("interrupted: what follows is what was known by then")
	}
	if len(v.UPSs) == 0 {
		return
	}
	t.room()
	t.shed()
	t.promises()
	if !v.Interrupted || v.Better != nil {
		t.better()
	}
}

func (s standsView) text() string {
	if !s.Fits {
		return "DOES NOT FIT"
	}
	text := "fits\n"
	if s.InHandSeconds != nil {
		text += spelled(*s.InHandSeconds) + " in hand at the end; "
	}
	return text + "with nothing started, a safe plan exists for " + spelled(s.NoReturnSeconds)
}

// spelled writes seconds for people; centuries are for good.
func spelled(n int64) string {
	if n > 365*86400 {
		return "for good"
	}
	return shutdown.Spell(time.Duration(n) * time.Second)
}

func spelledOr(n *int64, none string) string {
	if n == nil {
		return none
	}
	return spelled(*n)
}

type tuneText struct {
	w     io.Writer
	v     *tuneView
	style report.Style
}

func (t *tuneText) line(format string, args ...any) {
	fmt.Fprintln(t.w, strings.TrimRight(fmt.Sprintf(format, args...), " "))
}

// columns is how wide the text may be.
func (t *tuneText) columns() int {
	if t.style.Width <= 0 {
		return 80
	}
	return t.style.Width
}

// clip pads a name to a width, or cuts it.
func clip(name string, width int) string {
	n := utf8.RuneCountInString(name)
	if n > width {
		return string([]rune(name)[:width-1]) + "~"
	}
	return name + strings.Repeat(" ", width-n)
}

// longestName is the width of a column of names, up to a bound.
func longestName[T any](list []T, most int, name func(*T) string) int {
	width := 4
	for i := range list {
		width = max(width, utf8.RuneCountInString(name(&list[i])))
	}
	return min(width, most)
}

// bar draws a part of a width.
func (t *tuneText) bar(part float64, width int) string {
	glyph := "█"
	if t.style.ASCII {
		glyph = "#"
	}
	n := int(part*float64(width) + 0.5)
	if n == 0 && part > 0 {
		n = 1
	}
	return strings.Repeat(glyph, max(0, min(n, width)))
}

func (t *tuneText) room() {
	name := longestName(t.v.UPSs, 12, func(r *roomView) string { return r.Name })
	t.line("\nRoom on each UPS before a promised time breaks, and before no plan fits:\n")
	t.line("%s                        watts more       battery left   first promise", clip("", name))
	t.line("%s    load     lasts   promises   plan  promises  plan  to break", clip("UPS", name))
	for i := range t.v.UPSs {
		r := &t.v.UPSs[i]
		first := "-"
		if r.FirstBroken != nil {
			first = clip(*r.FirstBroken, 13)
		}
		t.line("%s %5d W %9s %10s %6s %9s %5s  %s", clip(r.Name, name), r.LoadWatts, spelledOr(r.RuntimeSeconds.Low, "for good"),
			watts(r.RoomPromisesWatts, r.RoomRatingWatts), watts(r.RoomPlanWatts, r.RoomRatingWatts),
			share(r.BatteryPromisesShare), share(r.BatteryPlanShare), first)
	}
	t.line("lasts: if nothing were shed, low projection. *: all that its rating allows")
}

func watts(n, rating int64) string {
	switch {
	case n < 0:
		return "none"
	case n >= rating:
		return fmt.Sprintf("+%d*", n)
	}
	return fmt.Sprintf("+%d", n)
}

func share(n int64) string {
	if n > 100 {
		return "-"
	}
	return fmt.Sprintf("%d %%", n)
}

func (t *tuneText) shed() {
	if len(t.v.Shed) == 0 {
		return
	}
	name := longestName(t.v.Shed, 20, func(s *shedView) string { return s.Name })
	ups := longestName(t.v.UPSs, 12, func(r *roomView) string { return r.Name })
	most := int64(1)
	for i := range t.v.Shed {
		for _, g := range t.v.Shed[i].Gains {
			if g.LongerSeconds.Low != nil {
				most = max(most, *g.LongerSeconds.Low)
			}
		}
	}
	t.line("\nOff from the start, a host gives its UPS so much longer (low projection):\n")
	t.line("%s %s    draw priority     longer  per priority", clip("host", name), clip("UPS", ups))
	for i := range t.v.Shed {
		s := &t.v.Shed[i]
		first := fmt.Sprintf("%5d W %8d", s.LoadWatts, s.PrioritySum)
		for k, g := range s.Gains {
			longer, per, part := "for good", "", 1.0
			if g.LongerSeconds.Low != nil {
				longer, part = "+"+spelled(*g.LongerSeconds.Low), float64(*g.LongerSeconds.Low)/float64(most)
				per = tenths(*g.PerPrioritySeconds)
			}
			host := s.Name
			if k > 0 {
				host, first = "", strings.Repeat(" ", 16)
			}
			left := fmt.Sprintf("%s %s %s %10s %9s  ", clip(host, name), clip(g.UPS, ups), first, longer, per)
			t.line("%s%s", left, t.bar(part, t.columns()-utf8.RuneCountInString(left)))
		}
		if len(s.Gains) == 0 {
			t.line("%s %s %s %10s", clip(s.Name, name), clip("-", ups), first, "nothing")
		}
		if len(s.With) > 0 {
			verb := "goes"
			if len(s.With) > 1 {
				verb = "go"
			}
			t.list("  with it "+verb, s.With)
		}
	}
}

// tenths writes seconds, the first few with their tenths.
func tenths(seconds float64) string {
	if seconds < 10 {
		return fmt.Sprintf("%.1fs", seconds)
	}
	return shutdown.Spell(time.Duration(seconds * float64(time.Second)))
}

// list writes names behind a word.
func (t *tuneText) list(head string, names []string) {
	t.wrap(head, strings.Split(strings.Join(names, ",\n"), "\n"))
}

// wrap writes words behind a first one, in as many lines as it takes.
func (t *tuneText) wrap(head string, words []string) {
	line := head
	for i, word := range words {
		if i > 0 && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > t.columns() {
			t.line("%s", line)
			line = strings.Repeat(" ", utf8.RuneCountInString(head))
		} else {
			line += " "
		}
		line += word
	}
	t.line("%s", line)
}

func (t *tuneText) promises() {
	if len(t.v.Promises) == 0 {
		return
	}
	name := longestName(t.v.Promises, 20, func(p *promiseTuneView) string { return p.Name })
	t.line("\nPromised times, and the longest that each host could be promised with those of")
	t.line("the others kept as they are:\n")
	t.line("%s priority  promised        up    longest", clip("host", name))
	for i := range t.v.Promises {
		p := &t.v.Promises[i]
		promised := "-"
		if p.PromisedSeconds > 0 {
			promised = spelled(p.PromisedSeconds)
			if !p.Kept {
				promised += "!"
			}
		}
		t.line("%s %8d %9s %9s %10s", clip(p.Name, name), p.Priority, promised, spelled(p.UpSeconds), spelled(p.LongestSeconds))
		t.losses("  its promise costs", p.Costs)
		t.losses("  the longest would cost", p.LongestCosts)
	}
	for i := range t.v.Promises {
		if p := &t.v.Promises[i]; p.PromisedSeconds > 0 && !p.Kept {
			t.line("! a promised time that the battery cannot keep")
			break
		}
	}
}

// losses writes who loses most.
func (t *tuneText) losses(head string, list []lossView) {
	const most = 3
	var words []string
	for _, l := range list[:min(most, len(list))] {
		words = append(words, fmt.Sprintf("%s %s", l.Name, spelled(l.EarlierSeconds)))
	}
	if more := len(list) - most; more > 0 {
		words = append(words, fmt.Sprintf("and %d more, less each", more))
	}
	if len(words) > 0 {
		t.list(head, words)
	}
}

func (t *tuneText) better() {
	o := t.v.Better
	if o == nil {
		t.line("\nNo better order was found: none that keeps more promises, and none by which")
		t.line("others gain three minutes or more for each minute that some host loses.")
		t.cut()
		return
	}
	text := "\nBy another order"
	if o.KeptThen > o.Kept {
		text = fmt.Sprintf("\nA better order keeps %s instead of %d.\nBy it", count(o.KeptThen, "promised time"), o.Kept)
	}
	t.line("%s some hosts are up %s longer in all,", text, spelled(o.GainedSeconds))
	if o.LostSeconds > 0 {
		t.line("others %s less (the agent's own host not counted):\n", spelled(o.LostSeconds))
	} else {
		t.line("and none less (the agent's own host not counted):\n")
	}
	for i, s := range o.Steps {
		t.line("  %d. %s", i+1, s.Text)
	}
	name := longestName(o.Hosts, 20, func(h *orderHostView) string { return h.Name })
	t.line("\n%s priority          up        then     change", clip("host", name))
	for i := range o.Hosts {
		h := &o.Hosts[i]
		priority := fmt.Sprint(h.Priority)
		if h.PriorityThen != h.Priority {
			priority = fmt.Sprintf("%d>%d", h.Priority, h.PriorityThen)
		}
		note := ""
		switch {
		case h.Kept && !h.KeptThen:
			note = "  promise no longer kept"
		case !h.Kept && h.KeptThen:
			note = "  promise kept"
		}
		t.line("%s %8s %11s %11s %10s%s", clip(h.Name, name), priority, spelled(h.UpSeconds), spelled(h.UpThenSeconds), change(h.UpThenSeconds-h.UpSeconds), note)
	}
	if o.LostSeconds > 0 {
		t.line("Whether what some lose is worth what others gain is for you to say.")
	}
	t.cut()
}

func (t *tuneText) cut() {
	if t.v.SearchCut {
		t.line("There are too many hosts to try every order near this one; the likeliest were.")
	}
}

// change writes a difference with its sign.
func change(n int64) string {
	switch {
	case n == 0:
		return "-"
	case n > 0:
		return "+" + spelled(n)
	}
	return spelled(n)
}

func (t *tuneText) whatIf(x *whatIfView) {
	t.line("")
	for i, text := range x.Changes {
		head := "What if"
		if i > 0 {
			head = "    and"
		}
		t.wrap(head, strings.Fields(text))
	}
	t.line("")
	t.line("%-22s %12s %12s", "", "before", "after")
	t.line("%-22s %12s %12s", "the plan", fitWord(t.v.Now.Fits), fitWord(x.After.Fits))
	t.line("%-22s %12s %12s", "point of no return", noReturn(t.v.Now), noReturn(x.After))
	t.line("%-22s %12s %12s", "in hand at the end", spelledOr(t.v.Now.InHandSeconds, "-"), spelledOr(x.After.InHandSeconds, "-"))
	for i := range x.UPSs {
		u := &x.UPSs[i]
		t.line("%-22s %12s %12s", clip("load of "+u.Name, 22), fmt.Sprintf("%d W", u.LoadBeforeWatts), fmt.Sprintf("%d W", u.LoadAfterWatts))
		t.line("%-22s %12s %12s", "  if nothing is shed", spelledOr(u.RuntimeBeforeSeconds.Low, "for good"), spelledOr(u.RuntimeAfterSeconds.Low, "for good"))
	}
	for i := range x.UPSs {
		if u := &x.UPSs[i]; u.LoadAfterWatts > u.RatedWatts {
			t.line("UPS %s is rated for %d W: it cannot carry that.", u.Name, u.RatedWatts)
		}
	}
	t.moved(x)
	switch {
	case len(x.Broken) == 1:
		t.line("\nThe promised time of %s breaks.", x.Broken[0])
	case len(x.Broken) > 1:
		t.line("")
		t.list(fmt.Sprintf("The promised time of %s is the first to break, then of", x.Broken[0]), x.Broken[1:])
	case x.After.Fits && len(x.NotKept) == 0:
		t.line("\nNo promised time breaks.")
	}
	if len(x.NotKept) > 0 {
		t.line("")
		t.list("A promised time that cannot be kept from the start: of", x.NotKept)
	}
	if len(x.KeptNow) > 0 {
		t.line("")
		t.list("Promised times that are kept now and were not: of", x.KeptNow)
	}
}

func noReturn(s standsView) string {
	if !s.Fits {
		return "none"
	}
	return spelled(s.NoReturnSeconds)
}

func fitWord(fits bool) string {
	if fits {
		return "fits"
	}
	return "DOES NOT FIT"
}

// moved draws the hosts whose planned stop moved, each before and after.
func (t *tuneText) moved(x *whatIfView) {
	if len(x.Moved) == 0 {
		t.line("\nNo planned stop moves by more than seconds.")
		return
	}
	chart := &report.Chart{Length: time.Minute}
	bar := func(name, note string, up, down *int64) {
		b := report.Bar{Name: name, Note: note, Right: "       -"}
		if up != nil {
			asked, off := time.Duration(*up)*time.Second, time.Duration(*down)*time.Second
			b.Spans = []report.Span{{From: 0, To: asked, Kind: report.IsUp}, {From: asked, To: off, Kind: report.IsStopping}}
			b.Right = fmt.Sprintf("%8s", shutdown.Spell(asked))
			chart.Length = max(chart.Length, off+off/12)
		}
		chart.Bars = append(chart.Bars, b)
	}
	for _, m := range x.Moved {
		bar(m.Name, "before", m.UpBeforeSeconds, m.DownBeforeSeconds)
		bar("", "after", m.UpAfterSeconds, m.DownAfterSeconds)
	}
	t.line("\nHosts whose planned stop moves; right: when they are asked.\n")
	report.Draw(t.w, chart, t.style)
}
