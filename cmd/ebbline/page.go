package main

import (
	"bytes"
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"ebbline/agent"
	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/simulate/report"
)

// How often the page reads itself again, in seconds.
const (
	pageEveryOutage = 5
	pageEvery       = 30
)

// standsStill is after how many seconds an agent hangs whose loop turns once a second.
const standsStill = 30

// paint is the page of a view; still ones do not read themselves again.
type paint struct {
	v       *agent.View
	courses func(until time.Duration) []agent.Course
	outages []report.NowOutage
	zone    *time.Location
	still   bool
	version string
}

// html gives the page.
func (p *paint) html() []byte {
	var b bytes.Buffer
	if err := report.NowHTML(&b, p.now()); err != nil {
		return []byte("The page cannot be made: " + err.Error())
	}
	return b.Bytes()
}

func (p *paint) now() *report.Now {
	v := p.v
	n := &report.Now{Site: v.Site, Refresh: pageEvery, At: v.At.In(p.zone).Format("Mon 2 Jan 2006 15:04:05 MST"), Outages: p.outages, Program: "ebbline " + p.version}
	if v.Outage != nil || v.TurnAge >= standsStill {
		n.Refresh = pageEveryOutage
	}
	if p.still {
		n.Refresh = 0
	}
	if v.Site == "" {
		n.Headline, n.Finding, n.At = "No policy yet", report.Open, "no decision yet"
		return n
	}
	p.conditions(n)
	p.headline(n)
	p.figures(n)
	for i := range v.UPSs {
		n.UPSs = append(n.UPSs, p.ups(&v.UPSs[i]))
	}
	p.next(n)
	p.drawings(n)
	states := map[string]int{}
	for i := range v.Hosts {
		h := p.host(&v.Hosts[i])
		n.Hosts = append(n.Hosts, h)
		states[h.State]++
	}
	var sums []string
	for _, state := range slices.Sorted(maps.Keys(states)) {
		sums = append(sums, fmt.Sprintf("%d %s", states[state], state))
	}
	n.HostsText = strings.Join(sums, ", ") + "."
	n.Fold = len(n.Hosts) > folded && !p.still
	n.PlanText = "By the clock: when each host is or was asked to stop, when its allowance is used up, and the latest moment at which it goes though a dependent may still be up."
	if v.IfLostNow {
		n.PlanText = "Times from the loss of input on, if it failed now: when each host is asked to stop, when its allowance is used up, and the latest moment at which it goes though a dependent may still be up."
	}
	switch v.Observing {
	case "site":
		n.PlanText = "In brackets, what would be done if orders were given. " + n.PlanText
	case "hosts":
		n.PlanText += " In brackets, what would be done to a host that is only watched."
	}
	for _, r := range slices.Backward(v.Records[max(0, len(v.Records)-20):]) {
		n.Events = append(n.Events, report.NowNext{At: p.when(r.At), Text: r.Text})
	}
	return n
}

// headline says how things stand, and whether that is good.
func (p *paint) headline(n *report.Now) {
	v, critical := p.v, 0
	for i := range n.Conditions {
		if n.Conditions[i].Bad {
			critical++
		}
	}
	shedding, down, battery, unheard := false, true, []string{}, []string{}
	for i := range v.UPSs {
		u := &v.UPSs[i]
		if u.AnswerAgeSeconds == nil {
			unheard = append(unheard, u.Name)
		}
		if u.OnBattery {
			battery = append(battery, u.Name)
			shedding = shedding || u.Phase == shutdown.Shedding.String()
			down = down && u.Phase == shutdown.AllDown.String()
		}
	}
	switch o := v.Outage; {
	case v.TurnAge >= standsStill:
		n.Headline, n.Finding = "The agent stands still", report.Against
		n.Because = append(n.Because, fmt.Sprintf("It has decided nothing for %s, and begins no stop meanwhile. All below is as it was then. The service manager ends and starts it again within a minute or two; if it does not, `systemctl restart ebbline` on the agent's host does.", spell(&v.TurnAge)))
	case len(battery) > 0 && o != nil:
		n.Headline, n.Finding = "On battery for "+shutdown.Spell(time.Duration(o.ElapsedSeconds)*time.Second), report.Open
		switch {
		case v.Observing == "site":
			n.Because = append(n.Because, watchedText(v))
		case down:
			n.Because = append(n.Because, "Every host on battery is off or given up.")
		case shedding:
			n.Because = append(n.Because, "Hosts are being stopped.")
		default:
			n.Because = append(n.Because, "No host has been asked to stop yet.")
		}
		if len(battery) < len(v.UPSs) {
			n.Because[0] = "UPS " + strings.Join(battery, ", ") + ". " + n.Because[0]
		}
	case o != nil && o.InputStayed:
		n.Headline, n.Finding = "Too warm for "+shutdown.Spell(time.Duration(o.ElapsedSeconds)*time.Second), report.Open
		n.Because = append(n.Because, "The input is there. Hosts in a room that nears its limit are stopped, and come back when it is cool.")
	case o != nil:
		n.Headline, n.Finding = "The input is back", report.Open
		n.Because = append(n.Because, "Hosts that this outage stopped are brought back once the input is stable and the batteries could carry another outage.")
	case critical > 0:
		n.Headline = count(critical, "critical condition")
		if len(unheard) == 0 {
			n.Because = append(n.Because, "As far as the UPSs have told, every input is good.")
		}
	case len(unheard) > 0:
		n.Headline, n.Finding = "Not known yet", report.Open
	default:
		n.Headline, n.Finding = "Normal", report.Supports
	}
	p.because(n, unheard, critical)
}

// watchedText says what became of hosts of a site that is only watched.
func watchedText(v *agent.View) string {
	n := 0
	for i := range v.Hosts {
		if v.Hosts[i].WouldBeAsked != nil {
			n++
		}
	}
	if n == 0 {
		return "No host is stopped, and none would have been asked yet."
	}
	return fmt.Sprintf("No host is stopped; %s would have been asked by now.", count(n, "host"))
}

// because says what else there is to know at once.
func (p *paint) because(n *report.Now, unheard []string, critical int) {
	v := p.v
	if len(unheard) > 0 {
		n.Because = append(n.Because, "No answer has come yet of UPS "+listed(unheard, nameColumns)+".")
	}
	if o := v.Outage; o != nil {
		for _, x := range []struct {
			on   bool
			text string
		}{{o.Held, "An operator holds: no host stops before the point of no return. `ebbline status --release` ends that."}, {o.Proceeding, "An operator ordered the stop at once."}, {o.Aborted, "An operator aborted: no further host is stopped, even if the battery ends. `ebbline status --release` ends that."}} {
			if x.on {
				n.Because = append(n.Because, x.text)
			}
		}
	}
	if text := observingText(v); text != "" {
		n.Because = append(n.Because, text)
	}
	if v.Observing == "site" {
		n.Headline += "; only watching"
		if n.Finding == report.Supports {
			n.Finding = report.Open // not all is as it should be on the night
		}
	}
	switch charging := v.Outage != nil && v.IfLostNow; {
	case v.Fits || v.PointOfNoReturn == nil:
	case charging:
		n.Because = append(n.Because, "If the input failed again now, not every host would be off in time: the battery is still being charged.")
	default:
		if n.Finding == report.Supports {
			n.Headline = "The plan does not fit"
		}
		n.Finding = report.Against
		n.Because = append(n.Because, "Not every host can be off before a battery is empty. `ebbline plan` says why.")
	}
	if critical > 0 {
		n.Finding = report.Against
		if !strings.Contains(n.Headline, "critical") {
			n.Because = append(n.Because, count(critical, "critical condition")+" below.")
		}
	}
}

// zero is the instant from which the view's planned times count.
func (p *paint) zero() time.Time {
	if p.v.IfLostNow || p.v.Outage == nil {
		return p.v.At
	}
	return p.v.Outage.LostAt
}

// planned writes a planned time: the clock's in an outage, else the time since the
// loss of input that is supposed.
func (p *paint) planned(seconds *int64) string {
	if seconds == nil {
		return "-"
	}
	if p.v.IfLostNow {
		return spell(seconds)
	}
	return p.clock(p.zero().Add(time.Duration(*seconds) * time.Second))
}

func (p *paint) clock(t time.Time) string { return clock(t.In(p.zone), p.v.At) }

// when writes a time, with its day if that is another one.
func (p *paint) when(t time.Time) string {
	t, now := t.In(p.zone), p.v.At.In(p.zone)
	if t.YearDay() == now.YearDay() && t.Year() == now.Year() {
		return t.Format(time.TimeOnly)
	}
	return t.Format("2 Jan 15:04:05")
}

// left writes how long it is until a planned time.
func (p *paint) left(seconds int64) string {
	d := p.zero().Add(time.Duration(seconds) * time.Second).Sub(p.v.At)
	if d <= 0 {
		return "now"
	}
	return "in " + shutdown.Spell(d)
}

// figures are the few that say the most.
func (p *paint) figures(n *report.Now) {
	v := p.v
	add := func(name, text string) { n.Figures = append(n.Figures, report.Figure{Name: name, Text: text}) }
	if v.Outage != nil {
		add("input lost at", p.when(v.Outage.LostAt))
	}
	var least *int64
	for i := range v.UPSs {
		if l := v.UPSs[i].RuntimeSeconds.Low; l != nil && (least == nil || *l < *least) {
			least = l
		}
	}
	switch {
	case least == nil:
	case v.IfLostNow:
		add("if the input failed now, the batteries last at least", spell(least))
	default:
		add("batteries last, with nothing shed, at least until", p.clock(v.At.Add(time.Duration(*least)*time.Second)))
	}
	left := slices.ContainsFunc(v.Hosts, func(h agent.HostView) bool { return h.StopSeconds != nil })
	if v.PointOfNoReturn != nil && left {
		name := "point of no return"
		if v.IfLostNow {
			name = "point of no return, after"
		}
		add(name, p.planned(v.PointOfNoReturn))
	}
	if v.MarginSeconds != nil {
		add("smallest margin of a stop", spell(v.MarginSeconds))
	}
	if v.InHandSeconds != nil {
		add("in hand after the last stop", spell(v.InHandSeconds))
	}
	for i := range v.Rooms {
		add("temperature "+v.Rooms[i].Name, roomText(&v.Rooms[i]))
	}
	off, all := 0, 0
	for i := range v.Hosts {
		if h := &v.Hosts[i]; !h.StaysUp {
			all++
			if h.Off {
				off++
			}
		}
	}
	add("hosts off", fmt.Sprintf("%d of %d", off, all))
}

// conditions shows each code once, the worst first: one fault may be that of hundreds
// of hosts.
func (p *paint) conditions(n *report.Now) {
	list := slices.Clone(p.v.Conditions) // by code, UPS and host
	slices.SortStableFunc(list, func(a, b agent.Condition) int {
		return cmp.Compare(agent.Severity(b.Code), agent.Severity(a.Code))
	})
	for len(list) > 0 {
		code, of, since := list[0].Code, []string{}, list[0].Since
		k := 0
		for ; k < len(list) && list[k].Code == code; k++ {
			if list[k].Since.Before(since) {
				since = list[k].Since
			}
			name := list[k].Host
			if list[k].UPS != "" {
				name = "UPS " + list[k].UPS
			}
			of = append(of, name)
		}
		s, text := agent.Severity(code), list[0].Text
		if k > 1 {
			text = "The first of them: " + text
		}
		n.Conditions = append(n.Conditions, report.NowCondition{Severity: s.String(), Code: code, Of: listed(of, nameColumns), Since: p.when(since), Text: text, Bad: s == policy.Critical})
		list = list[k:]
	}
}

func (p *paint) ups(u *agent.UPSView) report.NowUPS {
	x := report.NowUPS{Name: u.Name, Phase: phaseWords(u.Phase), Bad: u.OnBattery || u.Fault != "", Fault: u.Fault, Basis: u.Basis}
	if u.OnBattery {
		x.Phase = "on battery, " + x.Phase
	}
	switch {
	case u.AnswerAgeSeconds == nil:
		x.Phase, x.Bad = "has not answered yet", true
	case p.silent(u.Name):
		x.Phase = "does not answer; counts as " + x.Phase
	case p.watched(u.Name) && u.OnBattery:
		x.Phase = "on battery; only watched, no host on it is stopped"
	}
	add := func(name, text string) { x.Figures = append(x.Figures, report.Figure{Name: name, Text: text}) }
	add("since", p.when(u.Since))
	if u.AnswerAgeSeconds == nil {
		add("last answer", "none yet")
		return x
	}
	add("last answer", spell(u.AnswerAgeSeconds)+" ago")
	input := cmp.Or(map[string]string{shutdown.LineGood.String(): "good", shutdown.LineBad.String(): "lost, or out of its limits"}[u.OwnInput], "not told")
	if u.OwnInputVolts != nil {
		input += fmt.Sprintf(", %.0f V", *u.OwnInputVolts)
	}
	add("input", input)
	add("load", fmt.Sprintf("%d W", u.LoadWatts))
	add("charge", fmt.Sprintf("%.0f %%", u.ChargePercent))
	r := u.RuntimeSeconds
	add("lasts, nothing shed", fmt.Sprintf("%s to %s, likely %s", p.lasts(u, r.Low), p.lasts(u, r.High), p.lasts(u, r.Likely)))
	if u.EndSeconds != nil {
		name := "under the plan, lasts"
		switch {
		case p.v.Observing == "site":
			name = "if orders were given, would last"
		case p.v.Outage != nil && p.v.Outage.Aborted:
			name = "if the abort were ended, would last"
		}
		if !p.v.IfLostNow {
			name += " until"
		}
		add(name, p.planned(u.EndSeconds)+" at least")
	}
	if u.InHandSeconds != nil {
		add("in hand after the last stop", spell(u.InHandSeconds))
	}
	var own []string
	if u.OwnChargePercent != nil {
		own = append(own, fmt.Sprintf("%.0f %%", *u.OwnChargePercent))
	}
	if u.OwnRuntimeSeconds != nil {
		own = append(own, spell(u.OwnRuntimeSeconds))
	}
	if u.OwnTemperatureCelsius != nil {
		own = append(own, fmt.Sprintf("%.1f °C", *u.OwnTemperatureCelsius))
	}
	if len(own) > 0 {
		add("by its own word", strings.Join(own, ", "))
	}
	return x
}

// watched tells whether every host on a UPS that could be stopped is only watched.
func (p *paint) watched(ups string) bool {
	any := false
	for i := range p.v.Hosts {
		h := &p.v.Hosts[i]
		if h.StaysUp || !slices.Contains(h.FedBy, ups) {
			continue
		}
		if any = true; !h.Observed {
			return false
		}
	}
	return any
}

// silent tells whether a UPS is taken to answer no more; one poll that failed is not
// that yet.
func (p *paint) silent(ups string) bool {
	return slices.ContainsFunc(p.v.Conditions, func(c agent.Condition) bool {
		return c.UPS == ups && c.Code == shutdown.SourceSilent.String()
	})
}

// lasts writes a runtime; of a battery that is in use, until when that is.
func (p *paint) lasts(u *agent.UPSView, seconds *int64) string {
	switch {
	case seconds == nil:
		return "without end"
	case u.OnBattery:
		return p.clock(p.v.At.Add(time.Duration(*seconds) * time.Second))
	}
	return spell(seconds)
}

func (p *paint) host(h *agent.HostView) report.NowHost {
	x := report.NowHost{Name: h.Name, Priority: h.Priority, State: h.Power, Asked: "-", Off: "-", Latest: p.planned(h.LatestStartSeconds), Margin: "-", Promised: "-", Why: reasonFor(p.v, h, p.planned)}
	if h.MarginSeconds != nil {
		x.Margin = spell(h.MarginSeconds)
	}
	if h.StaysUp {
		x.State = "stays up"
	}
	asked := h.Asked
	if h.Observed {
		asked = h.WouldBeAsked
	}
	switch {
	case asked != nil && p.v.Outage != nil: // what happened, by the clock
		lost := p.v.Outage.LostAt
		x.Asked = p.clock(lost.Add(time.Duration(*asked) * time.Second))
		if h.Down != nil {
			x.Off = p.clock(lost.Add(time.Duration(*h.Down) * time.Second))
		}
	case h.StopSeconds != nil:
		x.Asked, x.Off = p.planned(h.StopSeconds), p.planned(h.Down)
	}
	if h.Observed {
		x.State += " (watched)"
		for _, text := range []*string{&x.Asked, &x.Off, &x.Latest} {
			if *text != "-" {
				*text = "(" + *text + ")"
			}
		}
	}
	if h.PromisedSeconds != nil && *h.PromisedSeconds > 0 {
		x.Promised = p.planned(h.PromisedSeconds)
		if x.Broken = h.PromiseKept != nil && !*h.PromiseKept; x.Broken {
			x.Promised += ", not kept"
		}
	}
	return x
}

// folded is how many hosts a page shows row by row that reads itself again: a longer
// table pushes away what stands below it.
const folded = 40

// nameColumns is how wide a list of hosts or UPSs may be.
const nameColumns = 60

// nextShown is how many of the things that come next are shown.
const nextShown = 8

// next lists what comes next while the input is away.
func (p *paint) next(n *report.Now) {
	v := p.v
	if v.IfLostNow || v.Outage == nil {
		return
	}
	type event struct {
		at   int64
		text string
	}
	var all []event
	type moment struct {
		at       int64
		observed bool
	}
	stops := map[moment][]string{}
	for i := range v.Hosts {
		if h := &v.Hosts[i]; h.StopSeconds != nil {
			m := moment{*h.StopSeconds, h.Observed}
			stops[m] = append(stops[m], h.Name)
		}
	}
	for m, names := range stops {
		verb := " is asked to stop"
		switch {
		case v.Outage.Aborted && !m.observed:
			verb = " would be asked to stop, but for the abort"
		case m.observed:
			verb = " would be asked to stop"
		case len(names) > 1:
			verb = " are asked to stop"
		}
		all = append(all, event{m.at, listed(names, nameColumns) + verb})
	}
	if v.PointOfNoReturn != nil && len(stops) > 0 {
		all = append(all, event{*v.PointOfNoReturn, "point of no return: until then a safe plan exists though no further host is asked"})
	}
	for i := range v.UPSs {
		u := &v.UPSs[i]
		end := u.EndSeconds
		if low := u.RuntimeSeconds.Low; (v.Observing == "site" || v.Outage.Aborted) && low != nil { // no load is shed
			at := v.Outage.ElapsedSeconds + *low
			end = &at
		}
		if end != nil && u.OnBattery {
			text := "UPS " + u.Name + ": the battery may be empty from here on"
			if v.Observing == "site" {
				text += ", since no host is stopped"
			}
			all = append(all, event{*end, text})
		}
	}
	slices.SortFunc(all, func(a, b event) int { return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.text, b.text)) })
	for i, e := range all {
		if i == nextShown && len(all) > nextShown+1 {
			n.Next = append(n.Next, report.NowNext{At: "later", Text: fmt.Sprintf("%d more; see the hosts below", len(all)-i)})
			break
		}
		n.Next = append(n.Next, report.NowNext{At: p.planned(&e.at), In: p.left(e.at), Text: e.text})
	}
}

// drawings puts batteries and hosts on one axis of time.
func (p *paint) drawings(n *report.Now) {
	v, title := p.v, "If the input failed now"
	axis := report.Timeline{}
	elapsed := time.Duration(0)
	if !v.IfLostNow && v.Outage != nil {
		title = "Since the loss of input, and what is planned"
		axis.Zero = p.zero().In(p.zone)
		elapsed = v.At.Sub(p.zero())
		axis.Marks = append(axis.Marks, report.Mark{At: elapsed, Label: "now"})
	}
	if v.Observing == "site" {
		title += ", if orders were given"
	}
	axis.Title = title
	axis.Length = p.length(elapsed)
	if v.PointOfNoReturn != nil {
		if at := time.Duration(*v.PointOfNoReturn) * time.Second; at >= 0 && at <= axis.Length {
			axis.Marks = append(axis.Marks, report.Mark{At: at, Label: "point of no return"})
		}
	}
	hosts, batteries := axis, axis
	for i := range v.Hosts {
		hosts.Bars = append(hosts.Bars, p.bar(&v.Hosts[i], axis.Length))
	}
	if len(hosts.Bars) > folded {
		hosts.Bars = together(hosts.Bars)
		n.Together = true
	}
	if len(hosts.Bars) > 0 {
		n.Plan = &hosts
	}
	until := (axis.Length - elapsed + time.Minute - 1).Truncate(time.Minute)
	for _, c := range p.courses(until) {
		at := c.From.Sub(p.zero())
		band := report.Band{Name: c.UPS, Low: shifted(c.Low, at), Likely: shifted(c.Likely, at), High: shifted(c.High, at)}
		for i := range v.UPSs {
			if u := &v.UPSs[i]; u.Name == c.UPS {
				band.Note = fmt.Sprintf("%d W", u.LoadWatts)
				if u.InHandSeconds != nil {
					band.Right = "in hand " + spell(u.InHandSeconds)
				}
			}
		}
		batteries.Bands = append(batteries.Bands, band)
	}
	if len(batteries.Bands) > 0 {
		n.Batteries = &batteries
	}
}

func shifted(left []shutdown.Left, by time.Duration) []report.Point {
	list := points(left)
	for i := range list {
		list[i].At += by
	}
	return list
}

// length is how far the axis reaches: to the end of the plan, and to the first
// battery's end where that is not far behind.
func (p *paint) length(elapsed time.Duration) time.Duration {
	last, end := elapsed, time.Duration(0)
	for i := range p.v.Hosts {
		if h := &p.v.Hosts[i]; h.Down != nil && (h.StopSeconds != nil || !p.v.IfLostNow) {
			last = max(last, time.Duration(*h.Down)*time.Second)
		}
	}
	for i := range p.v.UPSs {
		if e := p.v.UPSs[i].EndSeconds; e != nil {
			end = max(end, time.Duration(*e)*time.Second)
		}
	}
	if end > 2*last {
		end = 0
	}
	return max(time.Minute, max(last, end)*21/20)
}

// barOff is what stands beside a host that is off.
const barOff = "off"

// bar is a host on the axis.
func (p *paint) bar(h *agent.HostView, length time.Duration) report.Bar {
	b := report.Bar{Name: h.Name, Note: fmt.Sprint(h.Priority)}
	shift := time.Duration(0)
	asked := h.StopSeconds
	if h.Asked != nil && p.v.Outage != nil { // from the loss of input on, whatever the plan counts from
		asked, shift = h.Asked, p.v.Outage.LostAt.Sub(p.zero())
	}
	if asked == nil || h.Down == nil {
		b.Right = p.host(h).State
		if !h.Off {
			b.Spans = []report.Span{{From: 0, To: length, Kind: report.IsUp}}
		}
		return b
	}
	from, to := shift+time.Duration(*asked)*time.Second, shift+time.Duration(*h.Down)*time.Second
	for _, s := range []report.Span{{From: 0, To: from, Kind: report.IsUp}, {From: max(0, from), To: to, Kind: report.IsStopping}} {
		if s.To > s.From {
			b.Spans = append(b.Spans, s)
		}
	}
	b.Right = p.host(h).Asked
	if h.Off {
		b.Right = barOff
	}
	return b
}

// together gives hosts one row that stand alike: those that are off, and those that go
// at the same times. A row is as long as its longest, and named after its first.
func together(bars []report.Bar) []report.Bar {
	var out []report.Bar
	rows := map[string]int{}
	for _, b := range bars {
		key := b.Right
		if key != barOff {
			key += fmt.Sprint(b.Spans)
		}
		row, there := rows[key]
		if !there {
			rows[key] = len(out)
			out = append(out, b)
			continue
		}
		of := &out[row]
		of.More++
		of.Note = "" // their priorities differ
		if len(b.Spans) > len(of.Spans) {
			of.Spans, b.Spans = b.Spans, of.Spans
		}
		for i := range b.Spans {
			of.Spans[i].From, of.Spans[i].To = min(of.Spans[i].From, b.Spans[i].From), max(of.Spans[i].To, b.Spans[i].To)
		}
	}
	return out
}
