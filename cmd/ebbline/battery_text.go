package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"ebbline/agent/history"
	"ebbline/agent/history/learn"
	"ebbline/agent/history/trial"
	"ebbline/shutdown"
	"ebbline/simulate/report"
)

// show writes the report on the batteries for people.
func (v *batteryView) show(w io.Writer, st report.Style) {
	if v.History == "" {
		fmt.Fprintf(w, "%s: without a history; these are the policy's figures\n", v.Site)
	} else {
		fmt.Fprintf(w, "%s, by %s\n", v.Site, v.History)
	}
	for i := range v.UPSs {
		v.UPSs[i].show(w, st)
	}
}

func (v *batteryUPSView) show(w io.Writer, st report.Style) {
	fmt.Fprintf(w, "\nUPS %s: by %s\n", v.Name, v.Basis)
	fmt.Fprintf(w, "  at %d W it lasts %s (low), %s (likely), %s (high)\n", v.LoadWatts, spelledOr(v.RuntimeSeconds.Low, "for good"), spelledOr(v.RuntimeSeconds.Likely, "for good"), spelledOr(v.RuntimeSeconds.High, "for good"))
	if v.Capacity != nil {
		fmt.Fprintf(w, "  %s of a new battery's capacity on %s, by the rate method\n", v.CapacityText, v.CapacityDate)
	}
	r := &v.Replace
	if r.Likely != "" {
		fmt.Fprintf(w, "  80 %% is reached on %s, from %s to %s,\n  by %s\n", r.Likely, cmp.Or(r.From, "now on"), cmp.Or(r.To, "who knows"), r.Basis)
	} else {
		fmt.Fprintf(w, "  it cannot be told when 80 %% is reached, by %s\n", r.Basis)
	}
	for _, c := range v.Conditions {
		fmt.Fprintf(w, "! %s\n", c.Code)
		indent(w, c.Text, st.Width)
	}
	if len(v.Discharges) > 0 {
		fmt.Fprintln(w)
		d := v.drawing()
		report.DrawBattery(w, &d, st)
	}
	for _, d := range v.Discharges {
		what := fmt.Sprintf("the %s of %s", d.Kind, d.Began.Format("2006-01-02 15:04"))
		if d.Refused != "" {
			indent(w, what+" is not counted: "+d.Refused, st.Width)
		}
		for _, why := range d.Weak {
			indent(w, what+" counts for less: "+why, st.Width)
		}
	}
	if len(v.Scores) == 0 {
		return
	}
	fmt.Fprintf(w, "\n%-22s %8s %16s %8s %8s %9s\n", "predictions", "measured", "measured/likely", "low held", "in range", "cut short")
	for _, s := range v.Scores {
		median, held, inside := "-", "-", "-"
		if s.Median != nil {
			median = fmt.Sprintf("%.2f", *s.Median)
		}
		if s.Measured > 0 {
			held, inside = fmt.Sprintf("%d/%d", s.LowHeld, s.Measured), fmt.Sprintf("%d/%d", s.Inside, s.Measured)
		}
		by := map[string]string{"model": "by the model", "plan": "under the plan", "ups": "the UPS's own"}[s.By]
		fmt.Fprintf(w, "%-22s %8d %16s %8s %8s %9d\n", by, s.Measured, median, held, inside, s.AtLeast)
	}
}

// indent folds a text under what it belongs to.
func indent(w io.Writer, text string, width int) {
	for i, line := range fold(text, max(width, 40)-4) {
		pad := "  "
		if i > 0 {
			pad = "    "
		}
		fmt.Fprintf(w, "%s%s\n", pad, line)
	}
}

// Cautions implements [guided.Person].
func (g *tester) Cautions(t *trial.Trial, agentRuns bool, recent string) {
	u, f := g.ups, t.Forecast()
	recharge := u.Battery.RechargeHours
	if recharge == 0 {
		recharge = 7 // what New takes
	}
	g.Say("A discharge test of UPS %s, to be ended at %s.\n\n", u.Name, t.Stop)
	for _, text := range []string{
		fmt.Sprintf("It takes the protection away until the battery is charged again, for about %g h and more. Never with a storm warning, a running backup, a rebuild of an array or an open firmware update.", recharge),
		recent,
		"A weak block can end it at once: only with hosts that could stand a power cut, or with nothing but a load of known watts (--dummy).",
		"One person stays beside it, and no test runs overnight. The first test of a battery least of all.",
		"A deep discharge costs life, some 200 to 300 of them are a lead-acid battery's whole: no deeper than needed, four times a year, and recharge at once.",
		"The UPS's output stays live when its input is cut. A battery cannot be switched off.",
	} {
		if text != "" {
			for i, line := range fold(text, 74) {
				g.Say("%s%s\n", [...]string{"  · ", "    "}[min(i, 1)], line)
			}
		}
	}
	low, likely, high := t.Runtime()
	g.Say("\nPredicted at %d W, by %s:\n", f.LoadWatts, f.Basis)
	if f.High != high {
		g.Say("  to the end of the test  %s (low), %s (likely), %s (high)\n", shutdown.Spell(f.Low), shutdown.Spell(f.Likely), shutdown.Spell(f.High))
	}
	g.Say("  to the battery's end    %s (low), %s (likely), %s (high)\n", shutdown.Spell(low), shutdown.Spell(likely), shutdown.Spell(high))
	if !agentRuns {
		g.Say("No agent runs to stop the hosts, should the input not come back.\n")
	}
}

// trialView is the document of `battery test --json`.
type trialView struct {
	UPS string `json:"ups"`
	dischargeView
	Basis         string   `json:"basis"` // of the forecast now
	LoadNow       int64    `json:"forecast_at_watts"`
	BeforeSeconds threeWay `json:"runtime_before_seconds"`
	RuntimeAfter  threeWay `json:"runtime_seconds"`
	InHandBefore  *int64   `json:"in_hand_before_seconds"` // after the last stop of the plan
	InHand        *int64   `json:"in_hand_seconds"`
	worn          bool
}

// verdict says what the test showed, and what it changes.
func (g *tester) verdict(t *trial.Trial, r *history.Test) error {
	v := trialView{UPS: g.ups.Name, dischargeView: testViewOf(r), LoadNow: r.LoadWatts}
	low, likely, high := t.Runtime()
	v.BeforeSeconds = threeWay{ending(low), ending(likely), ending(high)}
	ctx := context.Background() // Ctrl-C has ended the test, not what is to be said of it
	from, err := history.OpenReader(ctx, g.path)
	if err != nil {
		return err
	}
	defer from.Close()
	record, err := learn.Battery(ctx, from, g.own, g.i, today())
	if err != nil {
		return err
	}
	for k := range record.Measured {
		if m := record.Measured[k].Test; m != nil && m.Began.At == r.Began.At {
			v.dischargeView = dischargeOf(&record.Measured[k], nil)
			v.worn = slices.ContainsFunc(learn.Dues(&g.own.UPSs[g.i], record, today()), func(d learn.Due) bool { return d.Code == shutdown.BatteryWorn })
		}
	}
	now, _ := learn.Apply(ctx, g.own, from, today())
	before, err1 := ifInputFailed(g.p, nil, nil, nil)
	after, err2 := ifInputFailed(now, nil, nil, nil)
	if err := errors.Join(err1, err2); err != nil {
		return err
	}
	b := after.Belief(int32(g.i))
	v.Basis = b.Basis
	low, likely, high = b.Project(b.Model.At(1), float64(t.Record().Forecast.LoadWatts))
	v.LoadNow = t.Record().Forecast.LoadWatts
	v.RuntimeAfter = threeWay{ending(low), ending(likely), ending(high)}
	v.InHandBefore, v.InHand = planOf(before).InHandSeconds, planOf(after).InHandSeconds
	if g.c.json {
		printJSON(g.c.Out, v)
		return nil
	}
	g.sayVerdict(&v)
	return nil
}

// enders says what ended a test.
var enders = map[string]string{
	history.StopAtPercent.String(): "the charge", history.StopAtVoltage.String(): "the voltage", history.StopAtTime.String(): "the time",
	history.StopAtCutOff.String(): "the battery's end", history.StopUnsafe.String(): "a limit of safety", history.StopByOperator.String(): "the person at the plug",
	history.StopKilled.String(): "the end of the program that followed it", history.StopAtReserve.String(): "the reserve for the shutdown plan",
}

func (g *tester) sayVerdict(v *trialView) {
	measured := time.Duration(v.Measured * float64(time.Second))
	g.Say("\nUPS %s was on battery for %s at %d W; %s ended the test.\n", v.UPS, shutdown.Spell(measured), v.LoadWatts, enders[v.Stop])
	if p := v.Predicted; p != nil {
		g.Say("  predicted  %s (low), %s (likely), %s (high)", spelledOr(p.Low, "for good"), spelledOr(p.Likely, "for good"), spelledOr(p.High, "for good"))
		switch {
		case p.Low == nil || p.Likely == nil || *p.Likely == 0:
		case v.AtLeast:
			g.Say("; it was cut short")
		case v.Measured < float64(*p.Low):
			g.Say("; it held %.0f %%, less than the LOW one", 100*v.Measured/float64(*p.Likely))
		default:
			g.Say("; it held %.0f %%", 100*v.Measured/float64(*p.Likely))
		}
		g.Say("\n")
	}
	if v.Found != "" {
		g.Say("  capacity   %s of a new battery, by the rate method\n", v.Found)
	}
	if v.worn {
		g.Say("  REPLACE the battery: below 80 %% of a new one it falls fast\n")
	}
	for _, why := range v.Weak {
		g.Say("  weak       %s\n", why)
	}
	if v.Refused != "" {
		indent(g.out, "It is kept and not counted: "+v.Refused+".", 80)
	}
	g.Say("The forecast rests on %s. At %d W it says\n", v.Basis, v.LoadNow)
	g.Say("  before     %s\n  now        %s\n", v.BeforeSeconds.text(), v.RuntimeAfter.text())
	if v.InHand != nil && v.InHandBefore != nil {
		g.Say("After the last stop the plan had %s in hand, and has %s. `ebbline plan` shows\nit; the running agent takes it over when it sees no outage.\n", spelled(*v.InHandBefore), spelled(*v.InHand))
	}
	g.Say("Let the battery recharge. A pass today says nothing of the day after.\n")
}

func (t threeWay) text() string {
	return fmt.Sprintf("%s (low), %s (likely), %s (high)", spelledOr(t.Low, "for good"), spelledOr(t.Likely, "for good"), spelledOr(t.High, "for good"))
}
