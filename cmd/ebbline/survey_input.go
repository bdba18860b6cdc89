package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"time"

	"ebbline/agent/history"
	"ebbline/policy"
	"ebbline/policy/electrical"
	"ebbline/shutdown"
	"ebbline/simulate/report"
	"ebbline/simulate/survey"
)

var surveyInputCommand = command{
	name:  "survey input",
	about: "what the input really does",
	usage: "[POLICY] [CSV…] [--svg FILE] [--nominal V] [--hertz HZ] [--watts W] [--price P] [--history FILE] [--json]",
	takes: []string{"POLICY", "CSV…"},
	help: `Reads recordings of the input voltage and what the agent's history holds of the
policy's UPSs, and says: each event's class (IEEE 1159, EN 50160, IEEE 1366),
its place against the ITIC curve, how many a year with the exact interval,
reclosing sequences as one story, how long the voltage stood outside ANSI C84.1
or EN 50160, and what a VFD, VI or VFI UPS would have passed on to the load.

A recording is CSV: # begins a comment, one header line whose names end in
their units, rows by time. The first column is t_s (seconds, from the start or
since 1970), t_ms, or a date and time, or date and time are the first two;
others are voltages of up to three lines, in volts (voltage_v, "L1 (V)"; mV and
kV too), percent of nominal (vrms_pct) or per unit ("Vrms (p.u.)"); frequency_hz
is read too; the rest is passed over. Rows at even
intervals are samples, and missing ones a gap; else a value holds until the
next row, and an empty one is no sample. The nominal voltage and frequency are
taken from a comment ("230 V nominal", "50 Hz"), else guessed, and said.`,
	set: setSurveyInput,
}

func setSurveyInput(c *call) action {
	pf := c.policyFlags()
	past := c.historyFlag()
	drawing := c.flags.String("svg", "", "write the chart to `FILE`, too")
	nominal := c.flags.Float64("nominal", 0, "the nominal voltage is `V`, of recordings in volts")
	hertz := c.flags.Float64("hertz", 0, "the nominal frequency is `HZ`: 50 or 60")
	watts := c.flags.Float64("watts", 0, "`W` of load, to weigh losses; the policy's if absent")
	price := c.flags.Float64("price", 0, "`P` of a kWh, in your currency")
	return func(ctx context.Context) int {
		if *nominal != 0 && !(*nominal >= 90 && *nominal <= 700) || *hertz != 0 && *hertz != 50 && *hertz != 60 ||
			!(*watts >= 0 && *watts <= 1e7) || !(*price >= 0 && *price <= 1e6) {
			c.usage("--nominal is from 90 to 700 volts, --hertz 50 or 60, --watts up to 10000000, --price a positive number")
			return exitUsage
		}
		p, recordings, code := c.optionalPolicy(pf)
		if code != exitDone {
			return code
		}
		if p == nil && len(recordings) == 0 {
			c.usage("there is nothing to look at. Name a recording (CSV), or a policy whose agent keeps a history")
			return exitUsage
		}
		in := survey.NewInput(*nominal, *hertz)
		for _, name := range recordings {
			if err := c.readRecording(ctx, in, name); err != nil {
				return c.fail("%v", err)
			}
		}
		if p != nil {
			if err := c.readPast(ctx, in, p, *past, *nominal); err != nil {
				return c.fail("%v", err)
			}
		}
		v := &inputView{in: in}
		if len(in.Recordings) == 0 {
			return c.fail("the agent's history holds nothing of the input yet. It does when the agent has run for a while; or name a recording (CSV)")
		}
		v.fill(p, *watts, *price)
		if *drawing != "" {
			var text bytes.Buffer
			report.InputSVG(&text, v.drawing()) // a buffer takes all
			if err := os.WriteFile(*drawing, text.Bytes(), 0o644); err != nil {
				return c.fail("the drawing cannot be written to %s: %v", *drawing, reason(err))
			}
		}
		if c.json {
			printJSON(c.Out, v)
		} else {
			width, color := terminal(c.Out)
			v.show(c.Out, c.style(width, color))
		}
		return exitDone
	}
}

// readRecording reads one file as a stream.
func (c *call) readRecording(ctx context.Context, in *survey.Input, name string) error {
	f, err := os.Open(name)
	if err != nil {
		return fmt.Errorf("the recording %s cannot be read: %w", name, reason(err))
	}
	defer f.Close()
	show, w := c.steps(), c.progress()
	err = in.Read(name, f, func(rows int) error {
		show("%s: %d rows", name, rows)
		return ctx.Err()
	})
	fmt.Fprint(w, "\r\x1b[K")
	var p *os.PathError
	switch {
	case errors.Is(err, context.Canceled):
		return errors.New("interrupted; nothing is said of half a recording")
	case errors.As(err, &p):
		return fmt.Errorf("the recording %s cannot be read: %w", name, p.Err)
	}
	return err
}

const pastEvents = 10_000

// readPast takes what the agent's history holds of each UPS's input.
func (c *call) readPast(ctx context.Context, in *survey.Input, p *policy.Policy, named string, nominal float64) error {
	from, _, err := c.openHistory(ctx, named)
	if err != nil || from == nil {
		return err
	}
	defer from.Close()
	for i := range p.UPSs {
		u := &p.UPSs[i]
		events, err := from.InputEvents(ctx, u.Name, pastEvents)
		if err != nil {
			return err
		}
		past := &survey.Past{Name: "what the agent kept of UPS " + u.Name, Every: u.PollEvery(), Nominal: nominal}
		// Times are the agent's instants, since 1970: the wall's clock as it stood then.
		set := func(m history.Moment) {
			if past.Began.IsZero() {
				past.Began = m.UTC.Add(-time.Duration(m.At))
			}
		}
		for k := range events {
			set(events[k].Began)
			past.Events = append(past.Events, events[k].Event)
			if nominal == 0 {
				past.Nominal = events[k].Nominal
			}
		}
		if past.Nominal == 0 {
			if past.Nominal, err = from.NominalInput(ctx, u.Name); err != nil {
				return err
			}
		}
		past.Minutes = func(each func(survey.Minute) error) error {
			return from.InputMinutes(ctx, u.Name, 0, func(m history.InputMinute) error {
				set(m.Began)
				return each(survey.Minute{At: time.Duration(m.Began.At), Readings: int(m.Readings), Low: kept(m.Low, 10), Mean: kept(m.Mean, 10), High: kept(m.High, 10),
					Hertz: kept(m.Hertz, 100), Bads: kept(m.Bads, 1)})
			})
		}
		if err := in.Take(past); err != nil {
			return err
		}
	}
	return nil
}

// kept is a figure of the history in its unit; NaN where nobody has it.
func kept(v int64, by float64) float64 {
	if v == shutdown.Unread {
		return math.NaN()
	}
	return float64(v) / by
}

// inputView is the document of `survey input --json`.
type inputView struct {
	in         *survey.Input
	Known      float64         `json:"known_seconds"`
	Recordings []recordingView `json:"recordings"`
	Events     []eventView     `json:"events"`
	Uncounted  int             `json:"events_beyond_those_kept,omitempty"`
	Incidents  []incidentView  `json:"incidents"`
	Counts     []countView     `json:"counts"`
	Site       siteView        `json:"ieee1366"`
	Limits     limitsView      `json:"limits"`
	Frequency  *frequencyView  `json:"frequency"`
	Hour       *hourView       `json:"worst_hour"`
	Topologies []topologyView  `json:"topologies"`
	Advice     adviceView      `json:"advice"`
	Unseen     []string        `json:"unseen"`
}

type recordingView struct {
	Name     string   `json:"name"`
	Start    string   `json:"start,omitempty"`
	Nominal  *float64 `json:"nominal_volts"` // null of a recording in percent
	Lines    int      `json:"lines"`
	Hertz    *float64 `json:"nominal_hertz"` // null where nothing says it
	Every    *float64 `json:"interval_seconds"`
	Rows     int      `json:"rows"`
	Span     float64  `json:"span_seconds"`
	Known    float64  `json:"known_seconds"`
	Gaps     int      `json:"gaps"`
	Stuck    int      `json:"stuck"`
	StuckFor float64  `json:"stuck_seconds"`
}

type eventView struct {
	Recording string   `json:"recording"`
	From      float64  `json:"from_seconds"`
	At        string   `json:"at,omitempty"`
	Length    float64  `json:"length_seconds"`
	Shortest  float64  `json:"shortest_seconds"`
	Longest   *float64 `json:"longest_seconds"` // null where nobody knows
	AtLeast   bool     `json:"at_least"`
	Voltage   float64  `json:"voltage_percent"`
	Zero      float64  `json:"without_voltage_seconds"`
	Trips     int      `json:"trips"`
	IEEE1159  string   `json:"ieee1159"`
	Doubtful  bool     `json:"doubtful"`
	EN50160   string   `json:"en50160"`
	IEEE1366  string   `json:"ieee1366"`
	ITIC      string   `json:"itic"`
	F47       *bool    `json:"semi_f47"` // equipment that meets SEMI F47 goes on with it; null where that asks for nothing
	Incident  int      `json:"incident"`
}

type incidentView struct {
	Events int    `json:"events"`
	Trips  int    `json:"trips"`
	Text   string `json:"text"`
}

type countView struct {
	What      string     `json:"what"`
	Events    int        `json:"events"`
	Incidents int        `json:"incidents"`
	PerYear   *rangeView `json:"incidents_per_year"` // null where too little is known
}

// rangeView is a figure with its interval.
type rangeView struct {
	Low    float64 `json:"low"`
	Likely float64 `json:"likely"`
	High   float64 `json:"high"`
}

type siteView struct {
	Sustained  int     `json:"sustained"`
	Minutes    float64 `json:"sustained_minutes"`
	Operations int     `json:"momentary_operations"`
	Momentary  int     `json:"momentary_events"`
}

type limitsView struct {
	OutsideA  *float64 `json:"outside_ansi_c84_1_range_a_seconds"`
	OutsideB  *float64 `json:"outside_ansi_c84_1_range_b_seconds"`
	Means     int      `json:"ten_minute_means"`
	Beyond10  int      `json:"means_beyond_10_percent"`
	BeyondAll int      `json:"means_beyond_all_limits"`
	LowMean   *float64 `json:"lowest_mean_percent"`
	HighMean  *float64 `json:"highest_mean_percent"`
}

type frequencyView struct {
	Low     float64 `json:"low_hertz"`
	High    float64 `json:"high_hertz"`
	Known   float64 `json:"known_seconds"`
	Outside float64 `json:"outside_1_percent_seconds"`
}

type hourView struct {
	Recording string     `json:"recording"`
	From      float64    `json:"from_seconds"`
	Low       []*float64 `json:"low_percent"`
	High      []*float64 `json:"high_percent"`
}

type topologyView struct {
	Class     string     `json:"class"`
	Passed    int        `json:"passed_on"`
	Harmful   int        `json:"passed_on_outside_itic"`
	ToBattery int        `json:"to_battery"`
	Break     float64    `json:"longest_break_seconds"`
	Loss      *rangeView `json:"loss_watts,omitempty"`
	Cost      *rangeView `json:"loss_cost_per_year,omitempty"`
	words     string
}

type adviceView struct {
	Class string   `json:"class"`
	Sure  bool     `json:"sure"`
	Basis string   `json:"basis"`
	Why   []string `json:"why"`
}

func (v *inputView) fill(p *policy.Policy, watts, price float64) {
	in := v.in
	v.Known, v.Uncounted = in.Known().Seconds(), in.Uncounted
	v.Recordings, v.Events, v.Incidents, v.Counts = []recordingView{}, []eventView{}, []incidentView{}, []countView{}
	for i := range in.Recordings {
		v.Recordings = append(v.Recordings, recordingOf(&in.Recordings[i]))
	}
	for i := range in.Events {
		v.Events = append(v.Events, v.eventOf(&in.Events[i]))
	}
	for i := range in.Incidents {
		inc := &in.Incidents[i]
		v.Incidents = append(v.Incidents, incidentView{inc.Last - inc.First + 1, inc.Trips, inc.Text})
	}
	for _, n := range in.Counts() {
		x := countView{n.What, n.Events, n.Incidents, nil}
		if in.Rates() {
			x.PerYear = &rangeView{n.Low, n.Year, n.High}
		}
		v.Counts = append(v.Counts, x)
	}
	sustained, operations, momentary := in.Site()
	site := electrical.Reliability(1, sustained)
	v.Site = siteView{len(sustained), site.SAIDI, operations, momentary}
	v.limits()
	v.hour()
	if f := &in.Frequency; f.Known > 0 {
		v.Frequency = &frequencyView{f.Low, f.High, f.Known.Seconds(), f.Outside.Seconds()}
	}
	v.topologies(p, watts, price)
	a := in.Advice()
	v.Advice = adviceView{a.Class, a.Sure, a.Basis, a.Why}
	v.Unseen = in.Unseen()
	if p != nil {
		v.holdOff(p)
	}
}

// holdOff says whether a ride-through waits out a recloser's whole sequence, where one
// was at work.
func (v *inputView) holdOff(p *policy.Policy) {
	sequence := electrical.Lockout(0.15, 0.5, 15, 45) // a recloser relay's manual; the trips from a worked example
	if ride := p.Site.RideThrough.Seconds(); ride < sequence && slices.ContainsFunc(v.in.Incidents, func(i survey.Incident) bool { return i.Trips > 1 }) {
		v.Advice.Why = append(v.Advice.Why, fmt.Sprintf("a recloser is at work here, and its usual sequence lasts %.0f s to its lockout: a ride_through of 75s waits out all of its tries, %gs does not", sequence, ride))
	}
}

func some(f float64) *float64 {
	if f == 0 || math.IsInf(f, 0) || math.IsNaN(f) {
		return nil
	}
	return &f
}

func recordingOf(r *survey.Recording) recordingView {
	v := recordingView{Name: r.Name, Lines: r.Lines, Hertz: some(r.Hertz), Every: some(r.Every.Seconds()), Rows: r.Rows,
		Span: r.Span.Seconds(), Known: r.Known.Seconds(), Gaps: r.Gaps, Stuck: r.Stuck, StuckFor: r.StuckFor.Seconds()}
	if !r.InPercent {
		v.Nominal = some(r.Nominal)
	}
	if !r.Began.IsZero() {
		v.Start = r.Began.Add(r.First).Format(time.RFC3339)
	}
	return v
}

func (v *inputView) eventOf(e *survey.Found) eventView {
	r := &v.in.Recordings[e.Recording]
	x := eventView{Recording: r.Name, From: (e.From - r.First).Seconds(), Length: e.Length().Seconds(), Shortest: e.Shortest.Seconds(), Longest: some(e.Longest.Seconds()),
		AtLeast: e.Open, Voltage: e.Extreme, Zero: e.Zero.Seconds(), Trips: e.Zeros, IEEE1159: e.Class.String(), Doubtful: e.Doubtful,
		EN50160: e.EN50160, IEEE1366: e.IEEE1366, ITIC: e.ITIC.String(), Incident: e.Incident}
	if inside, required := electrical.F47(e.Percent(), e.Length()); required && !e.Swell {
		x.F47 = &inside
	}
	if !r.Began.IsZero() {
		x.At = r.Began.Add(e.From).Format("2006-01-02T15:04:05")
	}
	return x
}

func (v *inputView) limits() {
	l := &v.in.Limits
	v.Limits = limitsView{Means: l.Means, Beyond10: l.Beyond10, BeyondAll: l.BeyondAll, LowMean: some(l.LowMean), HighMean: some(l.HighMean)}
	if v.in.American() {
		a, b := l.OutsideA.Seconds(), l.OutsideB.Seconds()
		v.Limits.OutsideA, v.Limits.OutsideB = &a, &b
	}
}

func (v *inputView) hour() {
	h := &v.in.Hour
	if h.Recording < 0 {
		return
	}
	v.Hour = &hourView{Recording: v.in.Recordings[h.Recording].Name, From: (h.From - v.in.Recordings[h.Recording].First).Seconds()}
	for i := range h.Low {
		v.Hour.Low, v.Hour.High = append(v.Hour.Low, some(h.Low[i])), append(v.Hour.High, some(h.High[i]))
		if h.Low[i] == 0 {
			v.Hour.Low[i] = &h.Low[i]
		}
	}
}

// topologies weighs what each class would have passed on against what it loses.
func (v *inputView) topologies(p *policy.Policy, watts, price float64) {
	rated := 0.0
	if p != nil {
		load := 0.0
		for i := range p.UPSs {
			rated += float64(p.UPSs[i].RatedWatts)
		}
		for i := range p.Hosts {
			load += float64(p.Hosts[i].Watts)
		}
		for i := range p.Loads {
			load += float64(p.Loads[i].Watts)
		}
		if watts == 0 {
			watts = load
		}
	}
	if rated == 0 {
		rated = 2 * watts // UPSs usually run at half their rating or less
	}
	for _, t := range v.in.Topologies() {
		x := topologyView{Class: t.Class, Passed: t.Passed, Harmful: t.Harmful, ToBattery: t.ToBattery, Break: t.Break.Seconds(), words: t.Words}
		if watts > 0 {
			low, likely, high := electrical.LossRange(t.Class, watts, max(rated, watts))
			x.Loss = &rangeView{low, likely, high}
			if price > 0 {
				x.Cost = &rangeView{price * electrical.YearKWh(low, 0), price * electrical.YearKWh(likely, 0), price * electrical.YearKWh(high, 0)}
			}
		}
		v.Topologies = append(v.Topologies, x)
	}
}

// drawing is what is drawn of it.
func (v *inputView) drawing() *report.Input {
	d := &report.Input{}
	for _, s := range electrical.ITICLower {
		d.Lower = append(d.Lower, report.CurveStep(s))
	}
	for _, s := range electrical.ITICUpper {
		d.Upper = append(d.Upper, report.CurveStep(s))
	}
	for i := range v.in.Events {
		e := &v.in.Events[i]
		d.Points = append(d.Points, report.InputPoint{Length: e.Length(), Percent: e.Percent(), Outside: e.ITIC != electrical.Inside,
			Label: fmt.Sprintf("%s: %.0f %% for %s", e.Class, e.Extreme, survey.Lasting(e.Length()))})
	}
	if h := &v.in.Hour; h.Recording >= 0 {
		d.Hour = v.when(h.Recording, h.From)
		d.Low, d.High = h.Low[:], h.High[:]
	}
	return d
}

// when says when something was, by the recording's own times.
func (v *inputView) when(recording int, at time.Duration) string {
	r := &v.in.Recordings[recording]
	if !r.Began.IsZero() {
		return r.Began.Add(at).Format("2006-01-02 15:04:05")
	}
	return "at " + survey.Lasting(at)
}

const shownEvents = 20

func (v *inputView) show(w io.Writer, s report.Style) {
	for i := range v.in.Recordings {
		v.showRecording(w, &v.in.Recordings[i], s.Width)
	}
	fmt.Fprintln(w)
	if len(v.in.Events) == 0 {
		fmt.Fprintln(w, "No sag, swell or interruption was recorded.")
	} else {
		v.showEvents(w, s.Width)
		fmt.Fprintln(w)
	}
	report.DrawInput(w, v.drawing(), s)
	v.showCounts(w)
	v.showLimits(w)
	v.showTopologies(w, s.Width)
	fmt.Fprintln(w, "\nWhat cannot have been seen:")
	for _, u := range v.Unseen {
		item(w, u, s.Width)
	}
	fmt.Fprintf(w, "\n%s\n", caution)
}

// item writes a point of a list, folded.
func item(w io.Writer, text string, width int) {
	for i, line := range fold(text, min(width, 100)-4) {
		head := "  - "
		if i > 0 {
			head = "    "
		}
		fmt.Fprintln(w, head+line)
	}
}

func (v *inputView) showRecording(w io.Writer, r *survey.Recording, width int) {
	text := fmt.Sprintf("%s: %d rows over %s, of which the voltage is known for %s", r.Name, r.Rows, survey.Days(r.Span), survey.Days(r.Known))
	if r.Minutes {
		text += fmt.Sprintf("; polled each %s and summed up by the minute", survey.Lasting(r.Every))
	} else if r.Every > 0 {
		text += fmt.Sprintf("; a row each %s", survey.Lasting(r.Every))
	} else {
		text += "; a value holds until the next row"
	}
	switch {
	case r.InPercent:
		text += "; percent of nominal"
	default:
		text += fmt.Sprintf("; nominal %g V", r.Nominal)
	}
	if r.Hertz > 0 {
		text += fmt.Sprintf(", %g Hz", r.Hertz)
	} else {
		text += ", frequency not said: 60 Hz taken (--hertz says it)"
	}
	if r.Gaps > 0 {
		text += fmt.Sprintf("; %s, which count as nothing", count(r.Gaps, "gap"))
	}
	item(w, text+".", width)
	if r.Stuck > 0 {
		item(w, fmt.Sprintf("! Its sensor stood still for %s in all (%s): the voltage of a real supply always wanders. That time counts as not known. Look at the sensor.", survey.Days(r.StuckFor), count(r.Stuck, "stretch")), width)
	}
}

func (v *inputView) showEvents(w io.Writer, width int) {
	for i := range v.in.Incidents {
		inc := &v.in.Incidents[i]
		if i == shownEvents {
			fmt.Fprintf(w, "… and %s more; --json has them all.\n", count(len(v.in.Incidents)-i, "incident"))
			break
		}
		first := &v.in.Events[inc.First]
		fmt.Fprintf(w, "%s\n", v.when(first.Recording, first.From))
		if inc.Text != "" {
			item(w, inc.Text, width)
		}
		for k := inc.First; k <= inc.Last; k++ {
			if k == inc.First+6 && inc.Last > k {
				item(w, fmt.Sprintf("and %s more in it", count(inc.Last-k+1, "event")), width)
				break
			}
			item(w, v.eventText(&v.in.Events[k]), width)
		}
	}
	if v.Uncounted > 0 {
		item(w, fmt.Sprintf("! %d events are beyond those kept and in no figure here: the input is hardly ever steady, or the nominal voltage is another.", v.Uncounted), width)
	}
}

func (v *inputView) eventText(e *survey.Found) string {
	length := survey.Lasting(e.Length())
	if e.Open {
		length = "at least " + length
	}
	text := fmt.Sprintf("%s: %.3g %% for %s; EN 50160 %s; ITIC %s", e.Class, e.Extreme, length, e.EN50160, e.ITIC)
	if e.IEEE1366 != "none" {
		text += "; IEEE 1366 " + e.IEEE1366
	}
	if e.Doubtful {
		text += " (its class is not certain: the length is known from " + survey.Lasting(e.Shortest)
		if e.Longest > 0 {
			text += " to " + survey.Lasting(e.Longest)
		} else {
			text += " up"
		}
		text += ")"
	}
	return text
}

func (v *inputView) showCounts(w io.Writer) {
	fmt.Fprintf(w, "\n%-26s events  incidents  incidents a year (95 %%)\n", "In "+survey.Days(v.in.Known()))
	for _, n := range v.Counts {
		rate := "- (less than a day is known)"
		if n.PerYear != nil {
			rate = between(n.PerYear.Low, n.PerYear.High)
		}
		fmt.Fprintf(w, "  %-26s %4d  %9d  %s\n", n.What, n.Events, n.Incidents, rate)
	}
	s := &v.Site
	if s.Sustained+s.Momentary > 0 {
		item(w, fmt.Sprintf("By IEEE 1366 (more than 5 min is sustained): %s, %.0f min; %s of %s.",
			count(s.Sustained, "sustained interruption"), s.Minutes, count(s.Momentary, "momentary event"), count(s.Operations, "operation")), 80)
	}
}

func (v *inputView) showLimits(w io.Writer) {
	l := &v.in.Limits
	fmt.Fprintln(w)
	if v.in.American() {
		fmt.Fprintf(w, "Steady voltage outside ANSI C84.1 (utilization): Range A %s, Range B %s.\n", survey.Lasting(l.OutsideA), survey.Lasting(l.OutsideB))
		if l.OutsideB > 0 {
			fmt.Fprintln(w, "Outside Range B prompt action is due: tell the utility.")
		}
	}
	if l.Means > 0 {
		fmt.Fprintf(w, "%d ten-minute means (EN 50160): %.1f to %.1f %% of nominal; %d beyond 10 %%.\n", l.Means, l.LowMean, l.HighMean, l.Beyond10)
	}
	if f := &v.in.Frequency; f.Known > 0 {
		fmt.Fprintf(w, "Frequency: %.2f to %.2f Hz; more than 1 %% from nominal for %s.\n", f.Low, f.High, survey.Lasting(f.Outside))
	}
}

func (v *inputView) showTopologies(w io.Writer, width int) {
	fmt.Fprintln(w, "\nWhat a UPS would have made of it")
	for i := range v.Topologies {
		t := &v.Topologies[i]
		text := fmt.Sprintf("%s: passes %s on to the load, %d of them outside the ITIC curve; goes to its battery %s, with %s", t.Class, count(t.Passed, "event"), t.Harmful, times(t.ToBattery), t.words)
		if t.Loss != nil {
			text += fmt.Sprintf("; loses %s W", between(t.Loss.Low, t.Loss.High))
		}
		if t.Cost != nil {
			text += fmt.Sprintf(", %s a year", between(t.Cost.Low, t.Cost.High))
		}
		item(w, text+".", width)
	}
	if a, b := v.Topologies[0], v.Topologies[2]; a.Loss != nil {
		text := fmt.Sprintf("VFI in place of VFD takes %s W more all year", between(max(0, b.Loss.Low-a.Loss.High), b.Loss.High-a.Loss.Low))
		if a.Cost != nil {
			text += fmt.Sprintf(", %s a year", between(max(0, b.Cost.Low-a.Cost.High), b.Cost.High-a.Cost.Low))
		}
		item(w, fmt.Sprintf("%s, and keeps %s outside the ITIC curve from the load in that time.", text, count(a.Harmful, "event")), width)
	}
	fmt.Fprintf(w, "It calls for %s (%s):\n", cmp.Or(v.Advice.Class, "no class yet"), v.Advice.Basis)
	for _, why := range v.Advice.Why {
		item(w, why, width)
	}
}

func times(n int) string {
	switch n {
	case 0:
		return "never"
	case 1:
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}
