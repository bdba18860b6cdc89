package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"ebbline/agent/history"
	"ebbline/policy"
	"ebbline/policy/electrical"
	"ebbline/shutdown"
	"ebbline/simulate/survey"
)

var surveyPowerCommand = command{
	name:  "survey power",
	about: "how circuits and UPSs are loaded, and what is lost",
	usage: "[POLICY] [--price P] [--volts 240] [--class VFI] [--off HOST…] [--history FILE] [--json]",
	takes: []string{"POLICY"},
	help: `Shows how the policy's circuits, PDUs and UPSs are loaded: the current of each
line against what may flow for hours, with all feeds, with another feed lost,
and while batteries charge after an outage; volt-amperes and watts against the
ratings; what starts together with the power; what the neutral carries. Then
what conversion and wire lose, as heat and as money.

With --volts, --class or --off it shows the same before and after: circuits fed
with a higher voltage, every UPS of another class (IEC 62040-3), hosts that are
off.

A figure that nothing states is a range: power factors from 0.9 to 1, losses
between the best and the worst published of the class. Lines that the agent
read from the UPSs are shown beside.`,
	set: setSurveyPower,
}

func setSurveyPower(c *call) action {
	pf := c.policyFlags()
	past := c.historyFlag()
	price := c.flags.Float64("price", 0, "`P` of a kWh, in your currency")
	volts := c.flags.Float64("volts", 0, "what if circuits of up to 127 V were fed with `V` volts: 200 to 240")
	class := c.flags.String("class", "", "what if every UPS were of `CLASS` VFD, VI or VFI")
	var off words
	c.flags.Var(&off, "off", "what if `HOST` were off; may be given again")
	return func(ctx context.Context) int {
		if !(*price >= 0 && *price <= 1e6) || *volts != 0 && !(*volts >= 200 && *volts <= 240) {
			c.usage("--price is a positive number, --volts from 200 to 240")
			return exitUsage
		}
		p, found, code := c.policyLearned(ctx, pf, *past)
		if p == nil {
			return code
		}
		change, asked, err := readChange(p, *volts, *class, off)
		if err != nil {
			c.usage("%v", err)
			return exitUsage
		}
		v := &powerView{Site: p.Site.Name, Price: *price, Measured: found.view()}
		if v.Lines, err = c.lineSums(ctx, p, *past); err != nil {
			return c.fail("%v", err)
		}
		v.Now = powerOf(survey.NewPower(p, survey.Unchanged), *price)
		if asked {
			q, draws, changes, cautions := change.Apply(p)
			v.Changes, v.Cautions = changes, cautions
			then := powerOf(survey.NewPower(q, draws), *price)
			v.Then = &then
		}
		if c.json {
			printJSON(c.Out, v)
		} else {
			width, _ := terminal(c.Out)
			v.show(c.Out, width)
			found.show(c.Out, width)
			fmt.Fprintf(c.Out, "\n%s\n", caution)
		}
		return exitDone
	}
}

// readChange reads what the command line asks about.
func readChange(p *policy.Policy, volts float64, class string, off words) (*survey.Change, bool, error) {
	change := &survey.Change{Volts: volts}
	if class != "" {
		i := slices.Index([]string{"", "VFD", "VI", "VFI"}, class)
		if i < 1 {
			return nil, false, fmt.Errorf("--class is VFD, VI or VFI, not %q", class)
		}
		change.Class = policy.Class(i)
	}
	for _, name := range off {
		k, err := hostNamed(p, name)
		if err != nil {
			return nil, false, err
		}
		for _, i := range append([]int{k}, guestsOf(p, k)...) {
			change.Off = insert(change.Off, i)
		}
	}
	return change, volts != 0 || class != "" || len(off) > 0, nil
}

// guestsOf are the guests that go with a host.
func guestsOf(p *policy.Policy, k int) (list []int) {
	for i := range p.Hosts {
		if p.Hosts[i].RunsOn == k {
			list = append(append(list, i), guestsOf(p, i)...)
		}
	}
	return list
}

const linesFor = 30 * 24 * time.Hour

// lineSums is what the agent read of the UPSs' lines in the last 30 days.
func (c *call) lineSums(ctx context.Context, p *policy.Policy, named string) ([]lineView, error) {
	list := []lineView{}
	from, _, err := c.openHistory(ctx, named)
	if err != nil && named == "" {
		return list, nil // policyLearned has told of it
	}
	if err != nil || from == nil {
		return list, err
	}
	defer from.Close()
	for i := range p.UPSs {
		sums, err := from.LineSums(ctx, p.UPSs[i].Name, shutdown.Instant(time.Now().Add(-linesFor).UnixNano()))
		if err != nil {
			return list, err
		}
		for _, s := range sums {
			list = append(list, lineOf(p.UPSs[i].Name, &s))
		}
	}
	return list, nil
}

// powerView is the document of `survey power --json`.
type powerView struct {
	Site     string     `json:"site"`
	Price    float64    `json:"price_per_kwh"`
	Now      siteLoad   `json:"now"`
	Changes  []string   `json:"changes,omitempty"`
	Then     *siteLoad  `json:"then,omitempty"`
	Cautions []string   `json:"cautions,omitempty"`
	Lines    []lineView `json:"lines_read"`
	Measured []noteView `json:"measured,omitempty"`
}

// band is a figure that lies between two.
type band struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

type siteLoad struct {
	LoadWatts band         `json:"load_watts"`
	LossWatts rangeView    `json:"ups_loss_watts"`
	WireWatts band         `json:"wire_loss_watts"`
	Input     band         `json:"input_watts"`
	Heat      band         `json:"heat_btu_per_hour"`
	YearKWh   band         `json:"input_kwh_per_year"`
	Cost      *band        `json:"input_cost_per_year,omitempty"`
	LossCost  *band        `json:"loss_cost_per_year,omitempty"`
	UPSs      []upsLoad    `json:"ups"`
	PDUs      []branchLoad `json:"pdus"`
	Circuits  []branchLoad `json:"circuits"`
}

type upsLoad struct {
	Name      string    `json:"name"`
	Class     string    `json:"class"`
	Watts     float64   `json:"load_watts"`
	VA        band      `json:"load_va"`
	LostWatts float64   `json:"load_other_feed_lost_watts"`
	LostVA    band      `json:"load_other_feed_lost_va"`
	OfWatts   float64   `json:"of_rated_watts_percent"` // with the other feed lost
	OfVA      *band     `json:"of_rated_va_percent"`
	Loss      rangeView `json:"loss_watts"`
	Charge    band      `json:"charging_watts"`
	Nameplate *float64  `json:"nameplate_watts"`
	Together  float64   `json:"inrush_together_peak_amps"`
	Apart     float64   `json:"inrush_staggered_peak_amps"`
	Starters  int       `json:"start_with_power"`
	stated    bool      // its loss
}

type branchLoad struct {
	Name     string   `json:"name"`
	Volts    float64  `json:"volts"`
	Amps     float64  `json:"rated_amps"`
	Limit    float64  `json:"continuous_limit_amps"`
	Normal   []band   `json:"line_amps"`
	FeedLost []band   `json:"line_other_feed_lost_amps"`
	After    []band   `json:"line_charging_amps,omitempty"`
	Neutral  *band    `json:"neutral_amps,omitempty"`
	Uneven   float64  `json:"above_mean_percent"`
	Drop     *band    `json:"voltage_drop_percent,omitempty"`
	Together float64  `json:"inrush_together_peak_amps"`
	Apart    float64  `json:"inrush_staggered_peak_amps"`
	Starters int      `json:"start_with_power"`
	Verdicts []string `json:"verdicts"`
}

type lineView struct {
	UPS         string   `json:"ups"`
	Side        string   `json:"side"`
	Line        int      `json:"line"`
	Readings    int      `json:"readings"`
	Volts       *float64 `json:"mean_volts"`
	Watts       *float64 `json:"mean_watts"`
	VA          *float64 `json:"mean_va"`
	PowerFactor *float64 `json:"power_factor"`
	MostAmps    *float64 `json:"most_amps"`
	MostVA      *float64 `json:"most_va"`
}

func known(f float64) *float64 {
	if math.IsNaN(f) {
		return nil
	}
	f = math.Round(100*f) / 100
	return &f
}

func lineOf(ups string, s *history.LineSum) lineView {
	return lineView{UPS: ups, Side: s.Side, Line: s.Line, Readings: s.Readings, Volts: known(s.Mean.Volts), Watts: known(s.Mean.Watts), VA: known(s.Mean.VA()),
		PowerFactor: known(s.Mean.PowerFactor()), MostAmps: known(s.Most.Amps), MostVA: known(s.MostVA)}
}

func powerOf(w *survey.Power, price float64) siteLoad {
	in := w.Input()
	kwh := electrical.Band{Low: electrical.YearKWh(in.Low, 0), High: electrical.YearKWh(in.High, 0)}
	v := siteLoad{LoadWatts: band(w.Load), LossWatts: rangeView{w.Loss.Low, w.Likely, w.Loss.High}, WireWatts: band(w.Wire), Input: band(in),
		Heat: band{electrical.BTU(in.Low), electrical.BTU(in.High)}, YearKWh: band(kwh), UPSs: []upsLoad{}, PDUs: []branchLoad{}, Circuits: []branchLoad{}}
	if price > 0 {
		loss := w.Loss.Plus(w.Wire)
		v.Cost = &band{price * kwh.Low, price * kwh.High}
		v.LossCost = &band{price * electrical.YearKWh(loss.Low, 0), price * electrical.YearKWh(loss.High, 0)}
	}
	for i := range w.Loading.UPSs {
		v.UPSs = append(v.UPSs, upsLoadOf(&w.Policy.UPSs[i], &w.Loading.UPSs[i]))
	}
	for i := range w.Loading.PDUs {
		d := &w.Policy.PDUs[i]
		v.PDUs = append(v.PDUs, branchOf(d.Name, d.Amps, &w.Loading.PDUs[i]))
	}
	for i := range w.Loading.Circuits {
		x := &w.Policy.Circuits[i]
		v.Circuits = append(v.Circuits, branchOf(x.Name, x.Amps, &w.Loading.Circuits[i]))
	}
	return v
}

func upsLoadOf(u *policy.UPS, s *electrical.Supply) upsLoad {
	v := upsLoad{Name: u.Name, Class: u.Class.String(), Watts: s.Watts, VA: band(s.VA), LostWatts: s.LostWatts, LostVA: band(s.LostVA),
		OfWatts: 100 * s.LostWatts / float64(u.RatedWatts), Loss: rangeView{s.Loss.Low, s.Likely, s.Loss.High}, Charge: band(s.Charge),
		Together: s.Together, Apart: s.Apart, Starters: s.Starters, stated: u.NormalPermille > 0}
	if u.RatedVA > 0 {
		v.OfVA = &band{100 * s.LostVA.Low / float64(u.RatedVA), 100 * s.LostVA.High / float64(u.RatedVA)}
	}
	if s.Nameplate > 0 {
		v.Nameplate = &s.Nameplate
	}
	return v
}

func bands(list []electrical.Band) (out []band) {
	for _, b := range list {
		out = append(out, band(b))
	}
	return out
}

func branchOf(name string, amps float64, b *electrical.Branch) branchLoad {
	v := branchLoad{Name: name, Volts: b.Volts, Amps: amps, Limit: b.Limit, Normal: bands(b.Normal), FeedLost: bands(b.FeedLost), After: bands(b.After),
		Uneven: b.Uneven, Together: b.Together, Apart: b.Apart, Starters: b.Starters, Verdicts: []string{}}
	if len(b.Normal) > 1 {
		v.Neutral = (*band)(&b.Neutral)
	}
	if b.Drop.High > 0 {
		v.Drop = (*band)(&b.Drop)
	}
	switch worst := b.Worst(); {
	case worst.Low > b.Limit:
		v.Verdicts = append(v.Verdicts, "overloaded")
	case worst.High > b.Limit:
		v.Verdicts = append(v.Verdicts, "may be overloaded")
	}
	if b.Unbalanced() {
		v.Verdicts = append(v.Verdicts, "lines loaded unevenly")
	}
	if b.Drop.High > electrical.DropPercent {
		v.Verdicts = append(v.Verdicts, "voltage drop above guidance")
	}
	if b.Starters > 1 && electrical.Trips(b.Together, amps) {
		v.Verdicts = append(v.Verdicts, "inrush may trip the breaker")
	}
	return v
}

// figures writes a range without false digits: three figures at the most.
func figures(low, high float64) string {
	form := func(v float64) string {
		switch {
		case v >= 1000 || v <= -1000:
			return fmt.Sprintf("%.0f", math.Round(v/10)*10)
		case v >= 100 || v <= -100:
			return fmt.Sprintf("%.0f", v)
		case v == 0:
			return "0"
		}
		return fmt.Sprintf("%.1f", v)
	}
	a, b := form(low), form(high)
	if a == b {
		return a
	}
	return a + " to " + b
}

func (b band) String() string { return figures(b.Low, b.High) }

func (v *powerView) show(w io.Writer, width int) {
	v.Now.branches(w, width)
	v.Now.supplies(w, width)
	v.lines(w)
	if v.Then == nil {
		v.Now.totals(w, width)
		return
	}
	fmt.Fprintln(w, "\nWhat if")
	for _, text := range v.Changes {
		item(w, text, width)
	}
	v.compare(w)
	for _, b := range slices.Concat(v.Then.Circuits, v.Then.PDUs) {
		for _, text := range b.Verdicts {
			item(w, fmt.Sprintf("! then, %s: %s", b.Name, text), width)
		}
	}
	for _, text := range v.Cautions {
		item(w, "! "+text, width)
	}
}

func (s *siteLoad) branches(w io.Writer, width int) {
	all := slices.Concat(s.Circuits, s.PDUs)
	if len(all) == 0 {
		fmt.Fprintln(w, "The policy names no circuit and no PDU: write circuit \"name\" { volts, amps } and,\nin each UPS, circuit = \"name\", to see how they are loaded.")
		return
	}
	for i := range all {
		all[i].show(w, width)
	}
	fmt.Fprintln(w, "Only what the policy names is counted: other outlets on a breaker are not seen.")
}

// show tells of one circuit or PDU: the amperes of each line in each state.
func (b *branchLoad) show(w io.Writer, width int) {
	fmt.Fprintf(w, "%s: %g A at %g V, of which %g A may flow for hours\n", b.Name, b.Amps, b.Volts, b.Limit)
	fmt.Fprintf(w, "  %-5s %-16s %-16s %s\n", "A", "all feeds", "another lost", "charging after an outage")
	for k := range b.Normal {
		line, after := "", "-"
		if len(b.Normal) > 1 {
			line = fmt.Sprintf("L%d", k+1)
		}
		if b.After != nil {
			after = b.After[k].String()
		}
		fmt.Fprintf(w, "  %-5s %-16s %-16s %s\n", line, b.Normal[k], b.FeedLost[k], after)
	}
	if b.Neutral != nil {
		item(w, fmt.Sprintf("the neutral carries %s A, more with supplies that distort", b.Neutral), width)
	}
	if b.Drop != nil {
		item(w, fmt.Sprintf("the voltage falls by %s %% along it (guidance: %d %%)", b.Drop, electrical.DropPercent), width)
	}
	if b.Starters > 1 {
		item(w, fmt.Sprintf("%d supplies start with the power: peak %.0f A together, %.0f A one after the other", b.Starters, b.Together, b.Apart), width)
	}
	for _, text := range b.Verdicts {
		item(w, "! "+text, width)
	}
	fmt.Fprintln(w)
}

func (s *siteLoad) supplies(w io.Writer, width int) {
	fmt.Fprintln(w)
	for i := range s.UPSs {
		u := &s.UPSs[i]
		text := fmt.Sprintf("UPS %s: %.0f W, %s VA", u.Name, u.Watts, u.VA)
		if u.LostWatts > u.Watts {
			text += fmt.Sprintf("; with another feed lost %.0f W, %s VA", u.LostWatts, u.LostVA)
		}
		text += fmt.Sprintf("; that is %.0f %% of its rated watts", u.OfWatts)
		if u.OfVA != nil {
			text += fmt.Sprintf(" and %s %% of its rated VA; the larger binds", u.OfVA)
		} else {
			text += " (rated_va is not stated)"
		}
		if u.Nameplate != nil {
			text += fmt.Sprintf("; nameplates on it add up to %.0f W, of which machines mostly draw 40 to 77 %%", *u.Nameplate)
		}
		item(w, text+".", width)
		basis := "typical ones of class " + u.Class + ", published"
		switch {
		case u.stated:
			basis = "by the policy's normal_efficiency"
		case u.Class == "":
			basis = "of any class, for none is stated"
		}
		item(w, fmt.Sprintf("  loses %s W (%s), takes %s W more while it charges", figures(u.Loss.Low, u.Loss.High), basis, u.Charge), width)
		if u.Starters > 1 {
			item(w, fmt.Sprintf("  %d supplies start with its output: peak %.0f A together, %.0f A one after the other", u.Starters, u.Together, u.Apart), width)
		}
	}
}

func (v *powerView) lines(w io.Writer) {
	if len(v.Lines) == 0 {
		return
	}
	fmt.Fprintf(w, "\nRead by the agent, means of 30 days\n%-16s %-7s %4s %8s %8s %8s %6s %9s\n", "ups", "side", "line", "V", "W", "VA", "PF", "most A")
	cell := func(f *float64) string {
		if f == nil {
			return "-"
		}
		return figures(*f, *f)
	}
	for _, l := range v.Lines {
		pf := "-"
		if l.PowerFactor != nil {
			pf = fmt.Sprintf("%.2f", *l.PowerFactor)
		}
		fmt.Fprintf(w, "%-16s %-7s %4d %8s %8s %8s %6s %9s\n", l.UPS, l.Side, l.Line, cell(l.Volts), cell(l.Watts), cell(l.VA), pf, cell(l.MostAmps))
	}
	for i := range v.Now.UPSs {
		if loss, ok := v.readLoss(v.Now.UPSs[i].Name); ok {
			fmt.Fprintf(w, "%s takes %.0f W more than it gives, by these means: what it loses, and charging.\n", v.Now.UPSs[i].Name, loss)
		}
	}
}

// readLoss is what a UPS took more than it gave, where it says both of every line.
func (v *powerView) readLoss(ups string) (watts float64, ok bool) {
	sides := map[string]bool{}
	for _, l := range v.Lines {
		if l.UPS != ups {
			continue
		}
		if l.Watts == nil {
			return 0, false
		}
		sides[l.Side] = true
		if l.Side == "input" {
			watts += *l.Watts
		} else {
			watts -= *l.Watts
		}
	}
	return watts, len(sides) == 2 && watts >= 0
}

func (s *siteLoad) totals(w io.Writer, width int) {
	fmt.Fprintln(w)
	for _, r := range s.rows() {
		fmt.Fprintf(w, "%-34s %s\n", r.what, r.value)
	}
}

type totalRow struct{ what, value string }

func (s *siteLoad) rows() []totalRow {
	list := []totalRow{
		{"load", s.LoadWatts.String() + " W"},
		{"lost in UPSs", figures(s.LossWatts.Low, s.LossWatts.High) + " W"},
	}
	if s.WireWatts.High > 0 {
		list = append(list, totalRow{"lost in the circuits' wire", s.WireWatts.String() + " W"})
	}
	list = append(list, totalRow{"taken from the input", s.Input.String() + " W"}, totalRow{"given off as heat", s.Heat.String() + " BTU/h"},
		totalRow{"a year", s.YearKWh.String() + " kWh"})
	if s.Cost != nil {
		list = append(list, totalRow{"costs a year", figures(s.Cost.Low, s.Cost.High)}, totalRow{"of that for what is lost", figures(s.LossCost.Low, s.LossCost.High)},
			totalRow{"and for an air conditioner (COP 3)", figures(s.Cost.Low/3, s.Cost.High/3) + " more"})
	}
	return list
}

// compare sets the totals side by side.
func (v *powerView) compare(w io.Writer) {
	fmt.Fprintf(w, "\n%-34s %-24s %s\n", "", "now", "then")
	then := v.Then.rows()
	for _, r := range v.Now.rows() {
		other := "0 W"
		for _, t := range then {
			if t.what == r.what {
				other = t.value
			}
		}
		fmt.Fprintf(w, "%-34s %-24s %s\n", r.what, r.value, other)
	}
}
