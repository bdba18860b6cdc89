package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
	"ebbline/simulate"
	"ebbline/simulate/report"
)

var planCommand = command{
	name:  "plan",
	about: "the shutdown plan if the input failed now",
	usage: "[POLICY] [--load UPS=WATTS] [--charge UPS=PERCENT] [--off HOST] [--history FILE] [--json]",
	takes: []string{"POLICY"},
	help: `Shows who would stop when, and why then, if the input of every UPS failed now;
what the battery does under it; the point of no return; and the margin of each
stop: how much later than planned it, and all that are planned for later on its
UPSs, could still be asked and be off in time, at worst durations. The plan is
the one the agent would make from the same readings.

Without --load a UPS carries what the policy says its hosts and loads draw;
without --charge its battery is full. What the agent has measured of batteries
and hosts takes the place of the policy's figures, and it is said where it does.

Exit code 3 says that the plan does not
fit: not every host is off before the battery's low projection less the reserve.`,
	set: setPlan,
}

func setPlan(c *call) action {
	pf := c.policyFlags()
	var loads, charges pairs
	var off words
	c.flags.Var(&loads, "load", "`UPS=WATTS` that it carries, instead of what the policy says")
	c.flags.Var(&charges, "charge", "`UPS=PERCENT` of its battery's charge, instead of 100")
	c.flags.Var(&off, "off", "`HOST` that is off already")
	past := c.historyFlag()
	return func(ctx context.Context) int {
		c.onlyReads(c.historyFiles(*past), nil)
		p, found, code := c.policyLearned(ctx, pf, *past)
		if p == nil {
			return code
		}
		s, err := ifInputFailed(p, loads, charges, off)
		if err != nil {
			c.usage("%v", err)
			return exitUsage
		}
		view := planOf(s)
		view.Measured = found.view()
		if c.json {
			printJSON(c.Out, view)
		} else {
			width, color := terminal(c.Out)
			drawPlan(c.Out, p, s, view, c.style(width, color))
			found.show(c.Out, width)
		}
		if !view.Fits {
			return exitUnfit
		}
		return exitDone
	}
}

// style is how this call draws: colour only on a terminal that wants it, other
// letters than ASCII only where the locale has them.
func (c *call) style(width int, color bool) report.Style {
	locale := c.Env("LC_ALL")
	if locale == "" {
		locale = c.Env("LC_CTYPE")
	}
	if locale == "" {
		locale = c.Env("LANG")
	}
	ascii := locale == "C" || locale == "POSIX"
	return report.Style{Width: width, Color: color && c.Env("NO_COLOR") == "" && c.Env("TERM") != "dumb", ASCII: ascii}
}

// ifInputFailed lets the real core see good input and then the loss of it.
func ifInputFailed(p *policy.Policy, loads, charges pairs, off []string) (*shutdown.State, error) {
	return ifInputFailedOn(today(), p, loads, charges, off)
}

// ifInputFailedOn is the same with the batteries as old as on a day.
func ifInputFailedOn(day int64, p *policy.Policy, loads, charges pairs, off []string) (*shutdown.State, error) {
	measured := make([]shutdown.Measurement, len(p.UPSs))
	for i := range measured {
		measured[i] = shutdown.Nothing
		measured[i].Source, measured[i].ChargeTenths = shutdown.FromInput, 1000
	}
	for _, l := range loads {
		i, err := upsNamed(p, l.name)
		if err != nil {
			return nil, err
		}
		w, err := strconv.ParseFloat(l.value, 64)
		if err != nil || !(w >= 0 && w <= 1e7) {
			return nil, fmt.Errorf("--load %s=%s: that is not a number of watts. Write it as %s=350", l.name, l.value, l.name)
		}
		measured[i].LoadWatts = int64(math.Ceil(w))
	}
	for _, l := range charges {
		i, err := upsNamed(p, l.name)
		if err != nil {
			return nil, err
		}
		v, err := strconv.ParseFloat(strings.TrimSuffix(l.value, "%"), 64)
		if err != nil || !(v >= 0 && v <= 100) {
			return nil, fmt.Errorf("--charge %s=%s: that is not a percentage from 0 to 100. Write it as %s=80", l.name, l.value, l.name)
		}
		measured[i].ChargeTenths = int64(math.Floor(10 * v))
	}
	s, now := shutdown.New(), simulate.Epoch(day)
	s.Step(now, &shutdown.Event{Kind: shutdown.Adopted, Policy: p}, nil)
	for _, name := range off {
		k, err := hostNamed(p, name)
		if err != nil {
			return nil, err
		}
		s.Step(now, &shutdown.Event{Kind: shutdown.Observed, Host: int32(k), Sighting: shutdown.SeenOff}, nil)
	}
	for i := range measured {
		s.Step(now, &shutdown.Event{Kind: shutdown.Measured, UPS: int32(i), Measurement: measured[i]}, nil)
	}
	return s.IfInputFailed(), nil
}

// threeWay is a figure at the low, the likely and the high projection, in whole
// seconds; null where it never ends.
type threeWay struct {
	Low    *int64 `json:"low"`
	Likely *int64 `json:"likely"`
	High   *int64 `json:"high"`
}

// planView is the document of `plan --json`.
type planView struct {
	Site               string         `json:"site"`
	Fits               bool           `json:"fits"`
	FitsExpected       bool           `json:"fits_at_expected_durations"`
	NoReturnSeconds    int64          `json:"point_of_no_return_seconds"`
	MarginSeconds      *int64         `json:"margin_seconds"`  // the smallest of the stops; see planUPSView
	InHandSeconds      *int64         `json:"in_hand_seconds"` // the smallest of the UPSs
	ReserveSeconds     int64          `json:"reserve_seconds"`
	RideThroughSeconds int64          `json:"ride_through_seconds"`
	ReactionSeconds    int64          `json:"reaction_seconds"`
	Unproven           string         `json:"unproven,omitempty"`
	Fragile            []string       `json:"fragile,omitempty"`
	UPSs               []planUPSView  `json:"ups"`
	Rooms              []planRoomView `json:"rooms,omitempty"`
	RoomsUnknown       []string       `json:"rooms_unknown,omitempty"` // temperatures of which it is not known how fast their rooms warm: they have no part in the plan
	Hosts              []planHostView `json:"hosts"`
	StaysUp            []string       `json:"stays_up,omitempty"`
	Observed           []string       `json:"observed,omitempty"` // only watched: no order is given to them
	Measured           []noteView     `json:"measured,omitempty"`
}

type planUPSView struct {
	Name            string   `json:"name"`
	LoadWatts       int64    `json:"load_watts"`
	ChargePercent   float64  `json:"charge_percent"`
	Basis           string   `json:"basis"`
	Gain            *gain    `json:"low_would_be,omitempty"`
	RuntimeSeconds  threeWay `json:"runtime_seconds"`
	EndSeconds      threeWay `json:"end_seconds"`
	LastDownSeconds int64    `json:"last_down_seconds"`
	MarginSeconds   *int64   `json:"margin_seconds"`  // the smallest of the stops on it; where no plan fits and it is short, by how much, negative
	InHandSeconds   *int64   `json:"in_hand_seconds"` // what the battery has after the last stop, low projection, beyond the reserve
	curve           []report.Point
	likely, high    []report.Point
}

// planRoomView is a room that reaches its limit if nothing is stopped.
type planRoomView struct {
	Name           string   `json:"name"`
	FromCelsius    float64  `json:"from_celsius"`
	LimitCelsius   float64  `json:"limit_celsius"`
	ReachesSeconds threeWay `json:"reaches_seconds"` // low and likely
	Basis          string   `json:"basis"`
	BeforeBattery  bool     `json:"before_battery_end"` // of every UPS, under the plan
}

type planHostView struct {
	Name               string   `json:"name"`
	Priority           int64    `json:"priority"`
	UPSs               []string `json:"fed_by"`
	StopSeconds        int64    `json:"stop_seconds"`
	DownSeconds        int64    `json:"down_seconds"`
	LatestStartSeconds int64    `json:"latest_start_seconds"`
	PromisedSeconds    int64    `json:"promised_seconds"`
	PromiseKept        bool     `json:"promise_kept"`
	MarginSeconds      *int64   `json:"margin_seconds"` // between its planned start and its point of no return
	Reason             string   `json:"reason"`
}

// seconds rounds down, whatever the sign.
func seconds(d time.Duration) int64 { return int64(math.Floor(d.Seconds())) }

func ceilSeconds(d time.Duration) int64 { return int64(math.Ceil(d.Seconds())) }

func ending(d time.Duration) *int64 {
	if d < 0 || d >= battery.Unending {
		return nil
	}
	n := seconds(d)
	return &n
}

// planOf reads the plan in force out of the core.
func planOf(s *shutdown.State) *planView {
	p := s.Policy
	v := &planView{
		Site: p.Site.Name, Fits: s.Schedule.Plan.Fits, FitsExpected: s.Schedule.Plan.FitsExpected, NoReturnSeconds: seconds(s.Return().Sub(s.Now)),
		ReserveSeconds: seconds(p.Site.Reserve), RideThroughSeconds: seconds(p.Site.RideThrough), ReactionSeconds: ceilSeconds(s.Reaction()),
		UPSs: []planUPSView{}, Hosts: []planHostView{},
	}
	o, ok := s.Outlook()
	if !ok {
		return v
	}
	v.Unproven = o.Plan.Unproven
	v.NoReturnSeconds = seconds(o.Plan.NoReturn)
	for _, f := range o.Plan.Fragile {
		v.Fragile = append(v.Fragile, p.UPSs[o.UPSs[f]].Name)
	}
	told := s.Read()
	for k := range p.Hosts {
		q := &p.Hosts[k]
		if q.StaysUp {
			v.StaysUp = append(v.StaysUp, q.Name)
			continue
		}
		if q.Observe {
			v.Observed = append(v.Observed, q.Name)
		}
		h, planned := s.StopOf(int32(k))
		if !planned {
			continue
		}
		view := planHostView{
			Name: q.Name, Priority: q.Priority,
			StopSeconds: seconds(h.Asked), DownSeconds: ceilSeconds(h.Down), LatestStartSeconds: seconds(h.Latest),
			PromisedSeconds: seconds(q.KeepFor), PromiseKept: h.Kept, Reason: told.Why(int32(k)),
		}
		if margin, ok := told.Margin(int32(k)); ok {
			view.MarginSeconds = ending(margin)
		}
		for _, f := range q.FedBy {
			view.UPSs = append(view.UPSs, p.UPSs[f].Name)
		}
		v.Hosts = append(v.Hosts, view)
	}
	sort.SliceStable(v.Hosts, func(a, b int) bool { return v.Hosts[a].StopSeconds < v.Hosts[b].StopSeconds })
	v.addUPSs(s, o)
	v.addRooms(s)
	return v
}

func (v *planView) addRooms(s *shutdown.State) {
	for j := range s.Policy.Temperatures {
		t := &s.Policy.Temperatures[j]
		end, likely, tenths, _, ok := s.RoomOutlook(j)
		if !ok {
			if t.Room == nil {
				v.RoomsUnknown = append(v.RoomsUnknown, t.Name)
			}
			continue
		}
		r := planRoomView{Name: t.Name, FromCelsius: float64(tenths) / 10, LimitCelsius: float64(t.LimitTenths) / 10, BeforeBattery: true, Basis: s.RoomBasis(j)}
		r.ReachesSeconds.Low = ending(end.Sub(s.Now))
		if likely < shutdown.Never {
			r.ReachesSeconds.Likely = ending(likely.Sub(s.Now))
		}
		for i := range v.UPSs {
			low := v.UPSs[i].EndSeconds.Low
			r.BeforeBattery = r.BeforeBattery && (low == nil || *r.ReachesSeconds.Low < *low)
		}
		v.Rooms = append(v.Rooms, r)
	}
}

// words says when the room reaches its limit.
func (r *planRoomView) words() string {
	at := func(n *int64) string {
		return strings.TrimSuffix(shutdown.Spell(time.Duration(*n)*time.Second), "00s")
	}
	text := fmt.Sprintf("with all up and no cooling the room reaches %g °C at %s at the earliest", r.LimitCelsius, at(r.ReachesSeconds.Low))
	if r.ReachesSeconds.Likely != nil {
		text += ", likely at " + at(r.ReachesSeconds.Likely)
	}
	text += fmt.Sprintf(", from %g °C, %s", r.FromCelsius, r.Basis)
	if r.BeforeBattery {
		return text + ": before the battery's end"
	}
	return text + ": after a battery's end"
}

func (v *planView) addUPSs(s *shutdown.State, o *shutdown.Outlook) {
	length := planLength(v)
	likely := o.With(s, func(b *battery.Belief) float64 { return b.Likely })
	high := o.With(s, func(b *battery.Belief) float64 { return b.High })
	for j, i := range o.UPSs {
		u := &s.UPSs[i]
		low, mid, top := s.Runtime(i)
		last := o.Plan.Stores[j].LastDown
		until := max(length, last)
		curve, _ := o.Curve(&o.Problem, j, until/100, until)
		end := o.Plan.Stores[j].End // the planner knows what it takes on when another UPS gives out
		likelyCurve, likelyEnd := o.Curve(&likely, j, until/100, until)
		highCurve, highEnd := o.Curve(&high, j, until/100, until)
		view := planUPSView{
			Name: s.Policy.UPSs[i].Name, LoadWatts: int64(math.Ceil(u.Load)),
			ChargePercent: math.Floor(10*s.ChargePercent(i)) / 10,
			Basis:         s.Belief(i).Basis, Gain: gainOf(s, i),
			RuntimeSeconds: threeWay{ending(low), ending(mid), ending(top)},
			EndSeconds:     threeWay{ending(end), ending(likelyEnd), ending(highEnd)}, LastDownSeconds: ceilSeconds(last),
			curve: points(curve), likely: points(likelyCurve), high: points(highCurve),
		}
		if end >= 0 && last > 0 {
			m := *view.EndSeconds.Low - v.ReserveSeconds - view.LastDownSeconds
			view.InHandSeconds, v.InHandSeconds = &m, least(v.InHandSeconds, &m)
			if !v.Fits && m < 0 {
				view.MarginSeconds = &m
			}
		}
		for k := range v.Hosts {
			if h := &v.Hosts[k]; slices.Contains(h.UPSs, view.Name) {
				view.MarginSeconds = least(view.MarginSeconds, h.MarginSeconds)
			}
		}
		v.MarginSeconds = least(v.MarginSeconds, view.MarginSeconds)
		v.UPSs = append(v.UPSs, view)
	}
}

// least is the smaller of two figures, of which either may not be there.
func least(a, b *int64) *int64 {
	if a == nil || b != nil && *b < *a {
		return b
	}
	return a
}

// gain is the low runtime, if nothing were shed, with one more figure of the battery; only
// what gains a tenth or more.
type gain struct {
	Now   int64 `json:"now_seconds"`
	Chart int64 `json:"with_chart_seconds,omitempty"`
	Test  int64 `json:"with_test_seconds,omitempty"`
	Date  int64 `json:"if_installed_today_seconds,omitempty"`
}

// gainOf works it out with the battery full, at the load of now; nil when there is nothing
// to gain.
func gainOf(s *shutdown.State, i int32) *gain {
	g, err := battery.Gains(&s.Policy.UPSs[i], s.Now.Day(), s.UPSs[i].Load)
	if err != nil || g.Low >= battery.Unending {
		return nil
	}
	worth := func(d time.Duration) int64 {
		if d < g.Low+g.Low/10 || d >= battery.Unending {
			return 0
		}
		return seconds(d)
	}
	out := &gain{Now: seconds(g.Low), Chart: worth(g.Chart), Test: worth(g.Test), Date: worth(g.Date)}
	if out.Chart == 0 && out.Test == 0 && out.Date == 0 {
		return nil
	}
	return out
}

// words says it, the cheapest first.
func (g *gain) words() string {
	about := func(secs int64) string {
		d := time.Duration(secs) * time.Second
		if d >= 10*time.Minute {
			return strings.TrimSuffix(shutdown.Spell(d.Truncate(time.Minute)), "00s")
		}
		return shutdown.Spell(d)
	}
	var list []string
	if g.Chart > 0 {
		list = append(list, about(g.Chart)+" with the data sheet's minutes at full and half load (chart)")
	}
	if g.Test > 0 {
		list = append(list, about(g.Test)+" after one discharge test to the end")
	}
	if g.Date > 0 {
		list = append(list, about(g.Date)+" if it was installed today (installed)")
	}
	return fmt.Sprintf("low %s; would be about %s", shutdown.Spell(time.Duration(g.Now)*time.Second), strings.Join(list, ", "))
}

func points(left []shutdown.Left) []report.Point {
	var p []report.Point
	for _, l := range left {
		p = append(p, report.Point{At: l.At, Left: l.Part})
	}
	return p
}

// planLength is the length of the drawing's time axis.
func planLength(v *planView) time.Duration {
	d := time.Minute
	for i := range v.Hosts {
		d = max(d, time.Duration(v.Hosts[i].DownSeconds)*time.Second)
	}
	return d + d/12
}

func drawPlan(w io.Writer, p *policy.Policy, s *shutdown.State, v *planView, st report.Style) {
	chart := &report.Chart{Length: planLength(v)}
	asked, off := 7, 7 // columns of the times
	for i := range v.Hosts {
		asked, off = max(asked, len(spell(&v.Hosts[i].StopSeconds))), max(off, len(spell(&v.Hosts[i].DownSeconds)))
	}
	for i := range v.Hosts {
		h := &v.Hosts[i]
		stop, down := time.Duration(h.StopSeconds)*time.Second, time.Duration(h.DownSeconds)*time.Second
		chart.Bars = append(chart.Bars, report.Bar{
			Name: h.Name, Note: strconv.FormatInt(h.Priority, 10),
			Spans: []report.Span{{From: 0, To: stop, Kind: report.IsUp}, {From: stop, To: down, Kind: report.IsStopping}},
			Right: fmt.Sprintf("%*s %*s", asked, shutdown.Spell(stop), off, shutdown.Spell(down)),
		})
	}
	for i := range v.UPSs {
		u := &v.UPSs[i]
		chart.Curves = append(chart.Curves, report.Curve{Name: u.Name, Low: u.curve, Likely: u.likely, Right: fmt.Sprintf("%d W", u.LoadWatts)})
	}
	if v.NoReturnSeconds > 0 && len(v.Hosts) > 0 {
		chart.Marks = append(chart.Marks, report.Mark{At: time.Duration(v.NoReturnSeconds) * time.Second, Label: "point of no return"})
	}
	verdict := "fits"
	if !v.Fits {
		verdict = "DOES NOT FIT"
		if v.FitsExpected {
			verdict = "DOES NOT FIT at worst durations; fits at expected ones"
		}
	}
	fmt.Fprintf(w, "%s: the plan if the input failed now %s\n", v.Site, verdict)
	switch {
	case p.Site.Observe:
		fmt.Fprintln(w, "only watching (observe): this is what would be done; no order is given.")
	case len(v.Observed) > 0:
		for _, line := range fold("only watched (observe), no order is given: "+listed(v.Observed, nameColumns)+". The others are planned as if what is only watched drew on to the end.", st.Width) {
			fmt.Fprintln(w, line)
		}
	}
	fmt.Fprintln(w)
	report.Draw(w, chart, st)
	fmt.Fprintln(w, "\nup, then stopping for its whole allowance; right: asked, down at the latest.")
	fmt.Fprintln(w, "battery: filled, the low projection; dots, the likely one; at the load then.")
	fmt.Fprintln(w)
	columns := st.Width
	if columns <= 0 {
		columns = 80
	}
	for i := range v.UPSs {
		planUPSText(w, &v.UPSs[i], columns)
	}
	for i := range v.Rooms {
		hang(w, "temperature "+v.Rooms[i].Name+": ", v.Rooms[i].words(), columns)
	}
	for _, name := range v.RoomsUnknown {
		hang(w, "temperature "+name+": ", "how fast its room warms is not known, so it has no part in this plan. A room block says it (`ebbline help policy`), or the agent learns it", columns)
	}
	planHostsText(w, v, columns)
	if v.InHandSeconds != nil {
		text := fmt.Sprintf("after the last stop %s are in hand, beyond a reserve of %s", spell(v.InHandSeconds), shutdown.Spell(p.Site.Reserve))
		if *v.InHandSeconds < 0 {
			text = fmt.Sprintf("the last host is off %s too late for a reserve of %s", shutdown.Spell(time.Duration(-*v.InHandSeconds)*time.Second), shutdown.Spell(p.Site.Reserve))
		}
		if v.NoReturnSeconds >= 0 {
			text += fmt.Sprintf("; with nothing started, a safe plan exists for %s", shutdown.Spell(time.Duration(v.NoReturnSeconds)*time.Second))
		}
		fmt.Fprintln(w)
		hang(w, "", text, columns)
	}
	if v.Unproven != "" {
		hang(w, "not proven by one replay: ", v.Unproven, columns)
	}
	for _, f := range v.Fragile {
		hang(w, "", fmt.Sprintf("if UPS %s gave out at once, no plan would save every host that it shares with another UPS", f), columns)
	}
}

func planUPSText(w io.Writer, u *planUPSView, columns int) {
	text := func(t *int64) string {
		if t == nil {
			return "no end"
		}
		return shutdown.Spell(time.Duration(*t) * time.Second)
	}
	hang(w, "UPS "+u.Name+": ", fmt.Sprintf("%d W, charge %g %%, by %s", u.LoadWatts, u.ChargePercent, u.Basis), columns)
	hang(w, "  ", fmt.Sprintf("if nothing were shed it lasts %s (low), %s (likely), %s (high)", text(u.RuntimeSeconds.Low), text(u.RuntimeSeconds.Likely), text(u.RuntimeSeconds.High)), columns)
	if u.Gain != nil {
		hang(w, "  ", u.Gain.words(), columns)
	}
	if u.InHandSeconds != nil {
		hang(w, "  ", fmt.Sprintf("under the plan the last host is down by %s; at the load before that the battery lasts to %s (low)",
			text(&u.LastDownSeconds), text(u.EndSeconds.Low)), columns)
	}
}

func planHostsText(w io.Writer, v *planView, columns int) {
	if len(v.Hosts) == 0 {
		fmt.Fprintln(w, "\nno host is left to be stopped")
		return
	}
	name := 4
	for i := range v.Hosts {
		name = max(name, len(v.Hosts[i].Name))
	}
	fmt.Fprintf(w, "\n%-*s %8s %8s %8s  why then and not later\n", name, "host", "asked", "promised", "margin")
	for i := range v.Hosts {
		h := &v.Hosts[i]
		promised := "-"
		if h.PromisedSeconds > 0 {
			promised = shutdown.Spell(time.Duration(h.PromisedSeconds) * time.Second)
			if !h.PromiseKept {
				promised += "!"
			}
		}
		hang(w, fmt.Sprintf("%-*s %8s %8s %8s  ", name, h.Name, shutdown.Spell(time.Duration(h.StopSeconds)*time.Second), promised, spelledOr(h.MarginSeconds, "-")), h.Reason, columns)
	}
	for i := range v.Hosts {
		if !v.Hosts[i].PromiseKept && v.Hosts[i].PromisedSeconds > 0 {
			fmt.Fprintln(w, "! a promised time that the battery cannot keep")
			break
		}
	}
}

func printJSON(w io.Writer, v any) {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		panic("json: " + err.Error()) // a document of our own that JSON cannot hold
	}
}
