package aftermath

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbline/agent/history"
	"ebbline/agent/history/learn"
	"ebbline/shutdown"
)

// Step is one thing to do after an outage.
type Step struct {
	Kind  StepKind
	Host  string // "" for none
	UPS   string // "" for none
	Text  string // whole sentences: what to do, and why
	Write string // a line for the policy, in the block of the host; "" for none
}

// StepKind says what a step is about.
type StepKind string

// The kinds, the most urgent first.
const (
	StartByHand   StepKind = "start"     // a host did not come back
	LookAt        StepKind = "look"      // a host lost its power, hung, or went unseen
	MendWay       StepKind = "way"       // a way to a host fails
	ChangePolicy  StepKind = "policy"    // a figure of the policy is wrong
	CareOfBattery StepKind = "battery"   // test or replace it
	Condition     StepKind = "condition" // what the condition itself asks for
)

var urgency = []StepKind{StartByHand, LookAt, MendWay, ChangePolicy, CareOfBattery, Condition}

// advise says what to do, the most urgent first.
func (a *Account) advise() {
	a.adviseTogether()
	for k := range a.Hosts {
		a.adviseHost(&a.Hosts[k])
	}
	for i := range a.Batteries {
		a.adviseBattery(&a.Batteries[i], a.Batteries[:i])
	}
	a.adviseConditions()
	slices.SortStableFunc(a.Steps, func(x, y Step) int {
		return slices.Index(urgency, x.Kind) - slices.Index(urgency, y.Kind)
	})
}

func (a *Account) add(s Step) { a.Steps = append(a.Steps, s) }

// adviseTogether gives the steps that are the same for all hosts that need them.
func (a *Account) adviseTogether() {
	noWay := func(h *Host) bool { return h.NotBack && a.raised(shutdown.NoWayToStart, h.Host) }
	for _, x := range []struct {
		kind StepKind
		is   func(h *Host) bool
		text string
	}{
		{StartByHand, noWay, "Start %s by hand: the policy has no way to start %s. Give %[2]s one: a wake block, a BMC or an outlet."},
		{StartByHand, func(h *Host) bool { return h.NotBack && !noWay(h) }, "Start %s by hand: every way to start %s was tried in vain. Then see why: `ebbline rehearse` tries the ways."},
		{LookAt, func(h *Host) bool { return h.Fate == GaveUp }, "Look at %s: the whole allowance was used up, and nothing saw %s off. What held the stop is in the host's own log. A second way down (bmc or outlet) would have taken over."},
	} {
		list := a.names(x.is)
		if len(list) == 0 {
			continue
		}
		s := Step{Kind: x.kind, Text: fmt.Sprintf(x.text, names(list), them(len(list)))}
		if len(list) == 1 {
			s.Host = list[0]
		}
		a.add(s)
	}
}

func them(n int) string {
	if n == 1 {
		return "it"
	}
	return "them"
}

func (a *Account) adviseHost(h *Host) {
	host := func(kind StepKind, write, format string, args ...any) {
		a.add(Step{kind, h.Host, "", fmt.Sprintf(format, args...), write})
	}
	switch h.Fate {
	case LostPower:
		why := "it had not been asked to stop"
		if h.Asked.At != 0 {
			why = "it had been asked to stop and was not off yet"
		}
		host(LookAt, "", "Look at the disks and services of %s: it lost its power while it was up; %s.", h.Host, why)
	case Unseen:
		host(LookAt, "", "Look at %s: it was asked to stop, and nothing saw whether it went off in order.", h.Host)
	case WentOff:
		a.adviseTime(h, host)
	}
	if h.Fate == WentOff && h.Forced {
		host(LookAt, "", "Look at %s: its orderly stop failed, and its power was taken by %s. What held its stop is in its own log.", h.Host, h.Method)
	}
	if len(h.Ahead) > 0 && h.Fate != LostPower {
		host(ChangePolicy, "", "See that %s is off sooner, or that the battery lasts longer: %s had to go while %s could still need it.", names(h.Ahead), h.Host, it(len(h.Ahead)))
	}
}

// adviseTime says which times to write for a host that took longer than was
// counted on.
func (a *Account) adviseTime(h *Host, add func(kind StepKind, write, format string, args ...any)) {
	if !a.Full || h.Forced {
		return
	}
	allowance := roundUp(h.Took + h.Took/4)
	switch over := h.Took - h.StopsIn; {
	case h.GivesUp > 0 && h.Took > h.GivesUp:
		add(ChangePolicy, fmt.Sprintf("stops_in = %q, gives_up = %q", roundUp(h.Took), allowance),
			"Write stops_in = %q and gives_up = %q for host %s: it took %s, longer than its whole allowance of %s; or see why.",
			roundUp(h.Took), allowance, h.Host, shutdown.Spell(Up(h.Took)), shutdown.Spell(h.GivesUp))
	case over > longer && over > h.StopsIn/4: // less than that the agent learns by itself
		add(ChangePolicy, fmt.Sprintf("stops_in = %q", roundUp(h.Took)), "Write stops_in = %q for host %s: it took %s; %s was counted on.",
			roundUp(h.Took), h.Host, shutdown.Spell(Up(h.Took)), shutdown.Spell(h.StopsIn))
	}
}

// longer than was counted on is worth a word in the policy; an engineering value, no
// source.
const longer = 5 * time.Second

// Up rounds a measured time up to a whole second.
func Up(d time.Duration) time.Duration { return (d + time.Second - 1).Truncate(time.Second) }

// roundUp gives a time to write into a policy: rounded up to five seconds, beyond
// five minutes to a quarter of a minute.
func roundUp(d time.Duration) duration {
	step := 5 * time.Second
	if d > 5*time.Minute {
		step = 15 * time.Second
	}
	return duration((d + step - 1) / step * step)
}

// duration is written as a policy has it: "90s", "5m".
type duration time.Duration

// String gives it without parts that are zero.
func (d duration) String() string {
	text := time.Duration(d).String()
	if strings.HasSuffix(text, "m0s") {
		text = strings.TrimSuffix(text, "0s")
	}
	if strings.HasSuffix(text, "h0m") {
		text = strings.TrimSuffix(text, "0m")
	}
	return text
}

// adviseBattery says what a battery needs; before are the losses of input before.
func (a *Account) adviseBattery(b *Battery, before []Battery) {
	if slices.ContainsFunc(before, func(o Battery) bool { return o.UPS == b.UPS }) && !b.Lowered {
		return
	}
	test := fmt.Sprintf("`ebbline battery test %s`", b.UPS)
	add := func(format string, args ...any) {
		a.add(Step{Kind: CareOfBattery, UPS: b.UPS, Text: fmt.Sprintf(format, args...)})
	}
	model := b.by(history.ByModel)
	switch {
	case model != nil && model.Known && !model.AtLeast && model.Lasted < model.Low:
		add("Replace or test the battery of UPS %s: it was empty after %s, and %s was the least that was predicted. Test it once it is charged: %s.",
			b.UPS, shutdown.Spell(model.Lasted), shutdown.Spell(model.Low), test)
	case b.Lowered:
		add("Test the battery of UPS %s once it is charged: its readings fell faster than was counted on. %s.", b.UPS, test)
	case b.Left != nil && b.Left.InHand() < 0:
		add("Stop hosts sooner or fit a bigger battery to UPS %s: the last host went off with %s left, less than the reserve of %s. `ebbline tune` says what each change gains.",
			b.UPS, shutdown.Spell(b.Left.Low), shutdown.Spell(b.Left.Reserve))
	case b.Tested.At == 0:
		add("Test the battery of UPS %s once it is charged: it never was, so its forecast is wide. %s.", b.UPS, test)
	case a.Last.At.Sub(b.Tested.At) > learn.TestOverdue*24*time.Hour:
		add("Test the battery of UPS %s once it is charged: the last test was %d days before. %s.", b.UPS, int(a.Last.At.Sub(b.Tested.At)/(24*time.Hour)), test)
	}
}

// by gives the prediction by a maker; nil for none.
func (b *Battery) by(m history.Maker) *history.Scored {
	for i := range b.Predicted {
		if b.Predicted[i].By == m {
			return &b.Predicted[i]
		}
	}
	return nil
}

// inReport are conditions whose next step is in the advice already, or that ask for
// nothing after the outage.
var inReport = codes(shutdown.HostGivenUp, shutdown.HostNotBack, shutdown.NoWayToStart, shutdown.ForecastLowered, shutdown.OrderGivenUp, shutdown.PolicyWaits,
	shutdown.HoldInForce, shutdown.BatteryLow, shutdown.TestOverdue)

// lasting are those whose next step stands though they are over.
var lasting = codes(shutdown.HostRefuses, shutdown.HostUnreachable, shutdown.PlanDoesNotFit, shutdown.SourceSilent, shutdown.OutputNotOff, shutdown.OutputCounts,
	shutdown.StoppedHalfway, shutdown.JournalUnwritten, shutdown.SecretUnreadable)

func codes(list ...shutdown.Code) map[string]bool {
	set := map[string]bool{}
	for _, c := range list {
		set[c.String()] = true
	}
	return set
}

// adviseConditions gives the next steps of conditions that stand, and of those that
// were raised in the outage and still ask for something.
func (a *Account) adviseConditions() {
	told := map[string]bool{}
	for _, c := range a.Conditions {
		kind := Condition
		switch c.Code {
		case shutdown.HostRefuses.String(), shutdown.HostUnreachable.String():
			kind = MendWay
		}
		asks := c.Over.At == 0 || lasting[c.Code] && c.Raised.At >= a.Outage.Began.At && !a.wentOn(&c)
		if asks && !inReport[c.Code] && !told[c.Code+" "+c.UPS+" "+c.Host] {
			told[c.Code+" "+c.UPS+" "+c.Host] = true
			a.add(Step{Kind: kind, Host: c.Host, UPS: c.UPS, Text: c.Text})
		}
	}
}

// wentOn tells whether a host that was stopped halfway went off after all: nothing of it
// is half stopped any more.
func (a *Account) wentOn(c *history.Condition) bool {
	if c.Code != shutdown.StoppedHalfway.String() {
		return false
	}
	h := a.host(c.Host)
	return h != nil && h.Fate == WentOff
}

// names lists at most three names.
func names(list []string) string {
	switch n := len(list); {
	case n == 1:
		return list[0]
	case n <= 3:
		return strings.Join(list[:n-1], ", ") + " and " + list[n-1]
	default:
		return fmt.Sprintf("%s and %d more", strings.Join(list[:2], ", "), n-2)
	}
}

func it(n int) string {
	if n == 1 {
		return "it"
	}
	return "they"
}
