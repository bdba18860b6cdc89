package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"ebbline/policy"
	"ebbline/policy/electrical"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
	"ebbline/simulate/survey"
)

var surveyUPSCommand = command{
	name:  "survey ups",
	about: "which rating, topology and battery would keep every promised time",
	usage: "[POLICY] [CSV…] [--history FILE] [--json]",
	takes: []string{"POLICY", "CSV…"},
	help: `From the site's loads, promised times, battery tests and recordings: what each
UPS must be rated for, which topology the input calls for, and how many
watt-hours of battery keep every promised time with the plan safe, counted on
the low projection, with the battery worn down to 80 % of a new one and a
margin of 10 % on top. Then whether two smaller UPSs in the place of one would
do better.

Recordings of the input (see "survey input") count for the topology, and what
the agent kept.`,
	set: setSurveyUPS,
}

func setSurveyUPS(c *call) action {
	pf := c.policyFlags()
	past := c.historyFlag()
	return func(ctx context.Context) int {
		own, recordings, code := c.optionalPolicy(pf)
		if code != exitDone {
			return code
		}
		if own == nil {
			c.usage("no policy is named. Give its path, or set EBBLINE_POLICY")
			return exitUsage
		}
		own = c.acting(own) // a UPS is bought for the plan, not for the days in which it is watched
		learned, found, err := c.learned(ctx, own, *past)
		if err != nil {
			return c.fail("%v", err)
		}
		in := survey.NewInput(0, 0)
		for _, name := range recordings {
			if err := c.readRecording(ctx, in, name); err != nil {
				return c.fail("%v", err)
			}
		}
		if err := c.readPast(ctx, in, own, *past, 0); err != nil && *past != "" {
			return c.fail("%v", err)
		}
		s := survey.NewSizing(own, learned, today())
		v := sizingOf(own, &s)
		if len(in.Recordings) > 0 {
			a := in.Advice()
			v.Topology = &adviceView{a.Class, a.Sure, a.Basis, a.Why}
		}
		v.Measured = found.view()
		if c.json {
			printJSON(c.Out, v)
		} else {
			width, _ := terminal(c.Out)
			v.show(c.Out, width)
			found.show(c.Out, width)
			fmt.Fprintf(c.Out, "\n%s\n", caution)
		}
		if len(v.UPSs) == 0 {
			return exitUnfit
		}
		return exitDone
	}
}

// sizingView is the document of `survey ups --json`.
type sizingView struct {
	Site     string      `json:"site"`
	Fits     bool        `json:"fits"`
	Kept     int         `json:"promises_kept"`
	Promises int         `json:"promises"`
	UPSs     []sizeView  `json:"ups"`
	Broken   []string    `json:"kept_by_no_battery,omitempty"`
	Unfit    bool        `json:"no_plan_fits_with_any_battery,omitempty"`
	Splits   []splitView `json:"splits"`
	Topology *adviceView `json:"topology"`
	Measured []noteView  `json:"measured,omitempty"`
}

type sizeView struct {
	Name          string   `json:"name"`
	Watts         float64  `json:"worst_load_watts"`
	VA            band     `json:"worst_load_va"`
	NeedWatts     float64  `json:"need_rated_watts"`
	NeedVA        float64  `json:"need_rated_va"`
	RatedWatts    int64    `json:"rated_watts"`
	RatedVA       *int64   `json:"rated_va"`
	RatedEnough   bool     `json:"rating_suffices"`
	Scale         float64  `json:"battery_times_present"`
	LabelWh       *float64 `json:"need_label_watt_hours"`
	OutputWh      float64  `json:"need_output_watt_hours"`
	HasLabelWh    *float64 `json:"has_label_watt_hours"`
	HasWh         float64  `json:"has_output_watt_hours"`
	Runtime       threeWay `json:"need_runtime_seconds"` // new, at the load with all feeds there
	BatteryEnough bool     `json:"battery_suffices"`
	Least         *float64 `json:"least_average_efficiency"` // that ENERGY STAR 2.0 asks of the class and the need
	LifeYears     *float64 `json:"life_at_its_temperature_years"`
	Air           *float64 `json:"ventilation_cubic_metres_per_hour"`
}

type splitView struct {
	What        string   `json:"what"`
	UPSs        int      `json:"ups"`
	Both        bool     `json:"two_supplies"`
	Scale       *float64 `json:"battery_times_present"` // null where no battery keeps all promises
	EachWatts   float64  `json:"each_rated_watts"`
	Loss        band     `json:"loss_watts"`
	MachinesCut int      `json:"machines_lost_when_one_fails"`
	Machines    int      `json:"machines"`
}

// upTo rounds a need up to two figures: what is bought comes in steps anyway.
func upTo(v float64) float64 {
	if v <= 0 {
		return 0
	}
	step := math.Pow(10, math.Floor(math.Log10(v))-1)
	return math.Ceil(v/step-1e-9) * step
}

func sizingOf(p *policy.Policy, s *survey.Sizing) *sizingView {
	v := &sizingView{Site: p.Site.Name, Fits: s.Fits, Kept: s.Kept, Promises: s.All, UPSs: []sizeView{}, Broken: s.Broken, Unfit: s.Unfit, Splits: []splitView{}}
	for i := range s.Sizes {
		x, u := &s.Sizes[i], &p.UPSs[i]
		n := sizeView{Name: u.Name, Watts: x.Watts, VA: band(x.VA), NeedWatts: upTo(x.NeedWatts), NeedVA: upTo(x.NeedVA), RatedWatts: u.RatedWatts,
			RatedEnough: x.RatedEnough, Scale: x.Scale, OutputWh: upTo(x.OutputWh), HasWh: x.HasWh, BatteryEnough: x.BatteryEnough,
			Runtime: threeWay{ending(x.Low), ending(x.Likely), ending(x.High)}}
		if e, ok := electrical.LeastEfficiency("ES2", u.Class.String(), n.NeedWatts); ok {
			e = math.Round(1000*e) / 1000
			n.Least = &e
		}
		if u.RatedVA > 0 {
			n.RatedVA = &u.RatedVA
		}
		if label := u.Battery.Volts * u.Battery.AmpHours; label > 0 {
			need := upTo(x.LabelWh)
			n.LabelWh, n.HasLabelWh = &need, &label
			if u.Battery.Chemistry == policy.VRLA {
				cells := math.Round(u.Battery.Volts / 2)
				air, _ := electrical.Ventilation(cells, 8, x.LabelWh/u.Battery.Volts, 0)
				n.Air = known(air)
			}
		}
		if b := &u.Battery; b.TemperatureSet && b.Chemistry == policy.VRLA && b.DesignYears > 0 {
			n.LifeYears = known(electrical.LifeYears(float64(b.DesignYears), b.TemperatureC))
		}
		v.UPSs = append(v.UPSs, n)
	}
	for i := range s.Splits {
		v.Splits = append(v.Splits, splitOf(&s.Splits[i]))
	}
	return v
}

func splitOf(x *survey.Split) splitView {
	v := splitView{UPSs: x.UPSs, Both: x.Both, EachWatts: upTo(x.EachWatts), Loss: band{x.LossLow, x.LossHigh}, MachinesCut: x.MachinesCut, Machines: x.Machines}
	if x.Scale > 0 {
		v.Scale = &x.Scale
	}
	switch {
	case x.UPSs == 1:
		v.What = "one UPS"
	case x.Both:
		v.What = "two, a supply of each machine on either"
	default:
		v.What = "two, each machine on one of them"
	}
	return v
}

func (v *sizingView) show(w io.Writer, width int) {
	switch {
	case v.Promises == 0:
		item(w, "No host has a promised time (keep_for): what follows is for a plan that is safe, and no more.", width)
	default:
		item(w, fmt.Sprintf("As it is, %d of %s are kept, and the plan %s.", v.Kept, count(v.Promises, "promised time"), map[bool]string{true: "fits", false: "does not fit"}[v.Fits]), width)
	}
	if len(v.UPSs) == 0 {
		why := "No battery keeps the promises of " + strings.Join(v.Broken, ", ") + ": look at `ebbline tune` for what they cost each other."
		if v.Unfit {
			why = "With no battery does a plan fit: shorten gives_up or the chain of depends_on; `ebbline plan` shows where."
		}
		item(w, "! "+why, width)
		return
	}
	for i := range v.UPSs {
		v.UPSs[i].show(w, width)
	}
	if t := v.Topology; t != nil {
		fmt.Fprintf(w, "\nTopology: %s (%s)\n", cmp.Or(t.Class, "nothing can be said yet"), t.Basis)
		for _, why := range t.Why {
			item(w, why, width)
		}
	} else {
		fmt.Fprintln(w, "\nTopology: nothing is known of the input. `ebbline survey input` says what it\ncalls for, from recordings or when the agent has run for a while.")
	}
	v.showSplits(w, width)
}

func sufficing(enough bool) string {
	if enough {
		return "that suffices"
	}
	return "THAT IS TOO LITTLE"
}

func (u *sizeView) show(w io.Writer, width int) {
	fmt.Fprintf(w, "\nUPS %s\n", u.Name)
	va := ""
	if u.RatedVA != nil {
		va = fmt.Sprintf(" and %d VA", *u.RatedVA)
	}
	item(w, fmt.Sprintf("rating: at least %.0f W and %.0f VA, of which its worst load, %.0f W and %s VA, is 80 %%. It has %d W%s: %s.",
		u.NeedWatts, u.NeedVA, u.Watts, u.VA, u.RatedWatts, va, sufficing(u.RatedEnough)), width)
	text := fmt.Sprintf("battery: one that new gives %.0f Wh at the output at light load", u.OutputWh)
	if u.LabelWh != nil {
		text += fmt.Sprintf(" (of its kind %.0f Wh by the label, volts times ampere-hours)", *u.LabelWh)
	}
	if r := u.Runtime; r.Low != nil && r.Likely != nil && r.High != nil {
		spell := func(s *int64) string { return shutdown.Spell(time.Duration(*s) * time.Second) }
		text += fmt.Sprintf(", %s to %s at the whole load, most likely %s", spell(r.Low), spell(r.High), spell(r.Likely))
	}
	text += fmt.Sprintf(". It holds %.0f Wh by what is known of it, of which %.0f must be there when it is worn: %s.", u.HasWh, u.OutputWh*battery.Replace, sufficing(u.BatteryEnough))
	item(w, text, width)
	if u.Least != nil {
		item(w, fmt.Sprintf("efficiency: ask for an average of %.1f %% or more (ENERGY STAR 2.0 for its class and that rating; from memory), and for the figure at your load: an average hides part load.", 100**u.Least), width)
	}
	if u.LifeYears != nil {
		item(w, fmt.Sprintf("at its temperature a battery of its design lasts some %.1f years (half for each 8 °C above 25).", *u.LifeYears), width)
	}
	if u.Air != nil {
		item(w, fmt.Sprintf("air: at least %.2g m³ an hour while it is charged (IEC 62485-2, 8 mA/Ah): never seal the cabinet.", *u.Air), width)
	}
}

func (v *sizingView) showSplits(w io.Writer, width int) {
	if len(v.Splits) == 0 {
		return
	}
	fmt.Fprintf(w, "\nOne UPS or two, each way with what keeps every promise\n%-39s %-7s %-7s %-14s %s\n", "", "battery", "rated", "loss", "lost")
	for i := range v.Splits {
		s := &v.Splits[i]
		size := "none does"
		if s.Scale != nil {
			size = fmt.Sprintf("%.2g x", *s.Scale)
		}
		fmt.Fprintf(w, "%-39s %-7s %-7s %-14s %d of %d\n", s.What, size, fmt.Sprintf("%.0f W", s.EachWatts), s.Loss.String()+" W", s.MachinesCut, s.Machines)
	}
	item(w, "Battery: all of it together, against the present one. Rated: each. Lost: machines that lose their power at once when one UPS fails with the input there; where each has two supplies the plan stays safe if one gives out in an outage. Two feeds want two supplies in each machine and twice the circuits, and no UPS hangs behind another.", width)
	item(w, "Switches and other loads count as fed from both: a transfer switch, or one on each.", width)
}
