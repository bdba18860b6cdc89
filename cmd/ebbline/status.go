package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/term"

	"ebbline/agent"
	"ebbline/agent/bounded"
	"ebbline/agent/control"
	"ebbline/shutdown"
)

var statusCommand = command{
	name:  "status",
	about: "what the running agent knows, decides and why",
	usage: "[--watch] [ORDER] [--socket PATH] [--json]",
	help: `Asks the running agent how things stand: each condition with its next step; each
UPS, how long its battery lasts; when each host stops, why then, and the margin:
how much later it, and all that are planned for later on its UPSs, could still
be asked. On a terminal it fits the screen: what matters first, the rest
counted; "ebbline status | less" shows all. An agent that is being restarted is
waited for.

Times of the day are told where the input is lost. With input, durations say
what would be if it failed now.

Orders for an outage:
  --hold     no host stops early; at the point of no return they go all the same
  --release  end a hold or an abort: the plan is in force again
  --proceed  begin at once, in order, whatever was said before
  --abort    stop no further host, even if the battery ends: hosts will crash
Orders for one host, at any time:
  --stop HOST   stop it now, and do not bring it back. Hosts that need it must
                be off. Force is used in an outage only
  --start HOST  start it now, whatever its battery's charge, if it has input and
                what it needs is up
  --keep HOST   keep it up until the point of no return, in the outage that is
                on or the next
  --clear CONDITION:HOST
                say that you have seen to what only a person can judge:
                host-given-up (it is asked again), host-not-back and
                no-way-to-start (it stays off), stopped-halfway, stop-failed,
                host-cut, keep-in-force; and, of no host, memory-refused and
                emergency-off (power may come back)
An order that cannot be carried out as things stand is not taken, and it is said
why. Root, the agent's own user and the group ebbline-operators may give orders.`,
	set: setStatus,
}

// restartTime is how long an agent that does not listen is waited for: one that is
// restarted listens again by then.
const restartTime = 5 * time.Second

// changesNothing tells why an order has nothing to act on; "" where it has.
func changesNothing(o shutdown.Order, v *agent.View) string {
	inForce := func(c agent.Condition) bool {
		return c.Code == shutdown.HoldInForce.String() || c.Code == shutdown.AbortInForce.String()
	}
	switch {
	case o == shutdown.Proceed && v.IfLostNow:
		return "the input is there"
	case o == shutdown.Release && !slices.ContainsFunc(v.Conditions, inForce):
		return "no hold or abort was in force"
	}
	return ""
}

// orderFlags defines the flags that are orders. What it gives reads them: nil for none.
func (c *call) orderFlags() func() (*control.Order, error) {
	var all [shutdown.Release + 1]*bool
	all[shutdown.Hold] = c.flags.Bool("hold", false, "no host stops early")
	all[shutdown.Release] = c.flags.Bool("release", false, "end a hold or an abort")
	all[shutdown.Proceed] = c.flags.Bool("proceed", false, "begin at once")
	all[shutdown.Abort] = c.flags.Bool("abort", false, "stop no further host, whatever it costs")
	var one [shutdown.Clear + 1]*string
	one[shutdown.StopHost] = c.flags.String("stop", "", "stop `HOST` now, and do not bring it back")
	one[shutdown.StartHost] = c.flags.String("start", "", "start `HOST` now")
	one[shutdown.KeepHost] = c.flags.String("keep", "", "keep `HOST` up until the point of no return")
	one[shutdown.Clear] = c.flags.String("clear", "", "end `CONDITION:HOST`, which you have seen to")
	return func() (given *control.Order, err error) {
		for o := shutdown.Hold; o <= shutdown.Clear; o++ {
			if !c.flags.Changed(o.String()) || !o.OfHost() && !*all[o] {
				continue
			}
			if given != nil {
				return nil, errors.New("give one order at a time")
			}
			given = &control.Order{Order: o}
			if !o.OfHost() {
				continue
			}
			if given.Host = *one[o]; o == shutdown.Clear {
				name, host, _ := strings.Cut(*one[o], ":")
				given.Host = host
				if given.Condition, err = control.Condition(name); err != nil {
					return nil, err
				}
			} else if given.Host == "" {
				return nil, fmt.Errorf("--%s names no host", o)
			}
		}
		return given, nil
	}
}

func setStatus(c *call) action {
	socket := c.socketFlag()
	watch := c.flags.Bool("watch", false, "show it again every second")
	ordered := c.orderFlags()
	return func(ctx context.Context) int {
		if *socket == "" {
			c.usage("--socket names no socket. Leave it out for %s", defaultSocket)
			return exitUsage
		}
		order, err := ordered()
		if err != nil {
			c.usage("%v", err)
			return exitUsage
		}
		client := control.NewClient(*socket)
		var v agent.View
		var raw []byte
		err = c.reach(ctx, func() (err error) {
			v, raw, err = client.Status(ctx)
			return err
		})
		if err == nil && order != nil {
			why := changesNothing(order.Order, &v)
			if err = client.Give(ctx, *order); err == nil {
				v, raw, err = client.Status(ctx)
			}
			if err == nil && why != "" {
				fmt.Fprintf(c.Err, "ebbline status: --%s changes nothing now: %s\n", order.Order, why)
			}
		}
		if err != nil {
			return c.fail("%v", err)
		}
		c.answer(&v, raw)
		for *watch && bounded.Pause(ctx, time.Second) {
			if now, again, err := client.Status(ctx); err == nil {
				v, raw = now, again
				c.answer(&v, raw)
			} else if ctx.Err() == nil {
				c.clear()
				fmt.Fprintf(c.Err, "ebbline status: %v\nWhat it said last was of %s. It is asked again every second.\n", err, clock(v.At.Local(), time.Now()))
			}
		}
		return exitDone
	}
}

// reach asks an agent, and asks again for a while where none listens.
func (c *call) reach(ctx context.Context, ask func() error) error {
	for until := time.Now().Add(restartTime); ; {
		err := ask()
		if !errors.Is(err, control.ErrNoAgent) || time.Now().After(until) || !bounded.Pause(ctx, 200*time.Millisecond) {
			return err
		}
	}
}

// answer shows what the agent says.
func (c *call) answer(v *agent.View, raw []byte) {
	if c.json {
		c.Out.Write(raw)
		return
	}
	c.clear()
	width, _ := terminal(c.Out)
	io.WriteString(c.Out, statusText(v, width, rows(c.Out)))
}

// clear empties the screen for the next picture, where there is one.
func (c *call) clear() {
	if _, ok := terminal(c.Out); ok && c.flags.Changed("watch") {
		fmt.Fprint(c.Out, "\x1b[H\x1b[2J")
	}
}

// rows are those of a terminal that are free above the next prompt; 0 where no
// terminal bounds them.
func rows(w io.Writer) int {
	if f, ok := w.(*os.File); ok {
		if _, height, err := term.GetSize(int(f.Fd())); err == nil && height > 1 {
			return max(height-1, leastRows)
		}
	}
	return 0
}

// leastRows is a screen that holds a bit of everything.
const leastRows = 18

// statusText is the agent's view for people, in at most so many rows; 0: as many as
// there are.
func statusText(v *agent.View, width, rows int) string {
	bounded := rows > 0
	if !bounded {
		rows = 1 << 30
	}
	width = max(width, 80)
	top := append(headRows(v, width), "")
	left := rows - len(top)
	bad := conditionRows(v, width, left/3)
	left -= len(bad)
	power := append(powerRows(v, width, max(4, left/3), bounded), "")
	left -= len(power)
	records := recordRows(v, width, min(8, max(1, left/5)))
	hosts := hostRows(v, width, left-len(records))
	return strings.Join(slices.Concat(top, bad, power, hosts, records), "\n") + "\n"
}

// headRows say how it stands.
func headRows(v *agent.View, width int) (list []string) {
	if o := v.Outage; o != nil {
		text := fmt.Sprintf("%s: OUTAGE %d since %s, for %s", v.Site, o.Number, clockOf(v, o.LostAt), spell(&o.ElapsedSeconds))
		if o.InputStayed {
			text += ": hosts are stopped for heat, with input"
		}
		for _, s := range []struct {
			on   bool
			text string
		}{{o.Held, "held"}, {o.Proceeding, "all are being stopped at once"}, {o.Aborted, "ABORTED"}} {
			if s.on {
				text += "; " + s.text + " by an operator"
			}
		}
		list = fold(text, width)
	} else {
		list = fold(v.Site+": no outage, at "+clockOf(v, v.At), width)
	}
	if text := observingText(v); text != "" {
		list = append(list, fold(text, width)...)
	}
	list = append(list, fold(fitText(v), width)...)
	for i := range v.Rooms {
		r := &v.Rooms[i]
		list = append(list, fold("Temperature "+r.Name+": "+roomText(r)+".", width)...)
	}
	return list
}

// observingText says who is only watched; "" where orders are given to all.
func observingText(v *agent.View) string {
	if v.Observing == "site" {
		return "ONLY WATCHING (observe): no order is given to any host or UPS."
	}
	var names []string
	for i := range v.Hosts {
		if v.Hosts[i].Observed {
			names = append(names, v.Hosts[i].Name)
		}
	}
	if len(names) == 0 {
		return ""
	}
	slices.Sort(names)
	return "ONLY WATCHED (observe), no order is given: " + listed(names, nameColumns) + "."
}

// roomText is a temperature, its limit and the time to it.
func roomText(r *agent.RoomView) string {
	text := "not read yet"
	if r.Celsius != nil {
		text = fmt.Sprintf("%.1f °C", *r.Celsius)
	}
	text += fmt.Sprintf("; limit %.1f °C", r.LimitCelsius)
	if r.LimitSeconds != nil {
		text += ", reached in " + spell(r.LimitSeconds) + " at the earliest"
	}
	if r.Basis != "" {
		text += ", " + r.Basis
	}
	return text
}

// fitText says what comes of the plan.
func fitText(v *agent.View) string {
	after := func(n *int64) string { // the loss of input
		if v.IfLostNow || v.Outage == nil {
			return spell(n) + " after the loss"
		}
		return clockOf(v, v.Outage.LostAt.Add(time.Duration(*n)*time.Second))
	}
	lost := "If the input failed now"
	if v.Outage != nil {
		lost = "If the input failed again now"
	}
	switch {
	case v.Observing == "site":
		return "If orders were given: " + supposedText(v, strings.ToLower(lost[:1])+lost[1:], after)
	case v.Outage != nil && v.Outage.Aborted && !v.IfLostNow:
		return "ABORTED: no further host is stopped. If the abort were ended now (`ebbline status --release`): " + supposedText(v, "", after)
	}
	every, given := everyHost(v)
	switch {
	case v.PointOfNoReturn == nil && v.IfLostNow:
		return lost + ", no host would be stopped."
	case v.PointOfNoReturn == nil && given:
		return "No host is left to be stopped, but those given up may run still."
	case v.PointOfNoReturn == nil:
		return "No host is left to be stopped."
	case v.Fits && v.IfLostNow:
		return fmt.Sprintf("%s, %s would be off in time%s. Point of no return: %s.", lost, every, tightest(v), after(v.PointOfNoReturn))
	case v.Fits && v.Outage != nil && *v.PointOfNoReturn <= v.Outage.ElapsedSeconds:
		return sentence(fmt.Sprintf("%s will be off in time%s. The point of no return was %s", every, tightest(v), after(v.PointOfNoReturn)))
	case v.Fits:
		return sentence(fmt.Sprintf("%s will be off in time%s. Point of no return: %s", every, tightest(v), after(v.PointOfNoReturn)))
	case v.IfLostNow && v.Outage != nil:
		return lost + ", not every host would be off in time: the battery is still being charged."
	case v.IfLostNow:
		return "THE PLAN DOES NOT FIT: if the input failed now, not every host would be off in time. `ebbline plan` says why."
	}
	return "THE PLAN DOES NOT FIT: not every host will be off in time. `ebbline plan` says why."
}

// everyHost is [shutdown.EveryHost] of a view, and whether any was given up.
func everyHost(v *agent.View) (text string, given bool) {
	given = slices.ContainsFunc(v.Hosts, func(h agent.HostView) bool {
		return h.Power == shutdown.GivenUp.String() || h.Power == shutdown.Late.String()
	})
	return shutdown.EveryHost(given, v.Observing == "hosts"), given
}

// supposedText says what would come of the plan, where no orders are given.
func supposedText(v *agent.View, lost string, after func(*int64) string) string {
	if !v.IfLostNow {
		lost = ""
	} else {
		lost += ", "
	}
	switch {
	case v.PointOfNoReturn == nil && v.IfLostNow:
		return lost + "no host would be stopped."
	case v.PointOfNoReturn == nil:
		return "no host would be left to be stopped."
	case v.Fits:
		every, _ := everyHost(v)
		return fmt.Sprintf("%s%s would be off in time%s. Point of no return: %s.", lost, every, tightest(v), after(v.PointOfNoReturn))
	}
	return lost + "not every host would be off in time. `ebbline plan` says why."
}

// tightest tells the smallest margin of a stop.
func tightest(v *agent.View) string {
	if v.MarginSeconds == nil {
		return ""
	}
	return "; smallest margin " + spell(v.MarginSeconds)
}

// conditionRows are the conditions, the worst first; where there is little room,
// those that have none for their text by their names.
func conditionRows(v *agent.View, width, most int) (list []string) {
	worst := slices.Clone(v.Conditions)
	slices.SortStableFunc(worst, func(a, b agent.Condition) int { return cmp.Compare(agent.Severity(b.Code), agent.Severity(a.Code)) })
	for i := range worst {
		x := &worst[i]
		rows := fold(fmt.Sprintf("! %s since %s", strings.Join(strings.Fields(x.Code+" "+x.UPS+" "+x.Host), " "), clockOf(v, x.Since)), width)
		text := x.Text
		if x.Because != "" {
			text += " That may be no more than what follows from " + x.Because + "."
		}
		for _, line := range fold(text, width-4) {
			rows = append(rows, "  "+line)
		}
		if i > 0 && len(list)+len(rows)+2 > most {
			return append(append(list, moreConditions(worst[i:], width)...), "")
		}
		rows = shortened(rows, max(2, most-2), width)
		list = append(list, rows...)
	}
	if len(list) > 0 {
		list = append(list, "")
	}
	return list
}

// moreConditions names conditions in one row, each code once.
func moreConditions(of []agent.Condition, width int) []string {
	var names []string
	count := map[string]int{}
	for i := range of {
		if count[of[i].Code]++; count[of[i].Code] == 1 {
			names = append(names, of[i].Code)
		}
	}
	for i, name := range names {
		if n := count[name]; n > 1 {
			names[i] = fmt.Sprintf("%s (%d)", name, n)
		}
	}
	return fold(fmt.Sprintf("! and %d more: %s", len(of), strings.Join(names, ", ")), width)[:1]
}

// shortened cuts a text at so many rows, and shows it.
func shortened(rows []string, most, width int) []string {
	if len(rows) <= most {
		return rows
	}
	rows = rows[:most]
	last := []rune(rows[most-1])
	rows[most-1] = string(last[:min(len(last), width-2)]) + " …"
	return rows
}

// powerRows are the UPSs: those on battery or without an answer first. Where room is
// tight it is left out on what a forecast rests.
func powerRows(v *agent.View, width, most int, tight bool) []string {
	names := column{12, 16}
	for i := range v.UPSs {
		names.hold(v.UPSs[i].Name)
	}
	list := []string{fmt.Sprintf("%s %-15s %8s %6s  %s", names.of("UPS"), "phase", "load", "charge", "its battery, at this load")}
	order := make([]int, len(v.UPSs))
	for i := range order {
		order[i] = i
	}
	weight := func(i int) int {
		u := &v.UPSs[i]
		switch {
		case u.Phase != "normal":
			return 0
		case u.Fault != "" || u.AnswerAgeSeconds == nil:
			return 1
		}
		return 2
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(weight(a), weight(b)) })
	for n, i := range order {
		u := &v.UPSs[i]
		load, charge := fmt.Sprintf("%d W", u.LoadWatts), fmt.Sprintf("%.0f %%", u.ChargePercent)
		if u.AnswerAgeSeconds == nil {
			load, charge = "-", "-"
		}
		rows := hanging(fmt.Sprintf("%s %-15s %8s %6s  ", names.of(u.Name), phaseWords(u.Phase), load, charge), batteryText(v, u), width)
		if u.Basis != "" && !tight {
			rows = append(rows, hanging("  forecast by ", u.Basis, width)...)
		}
		if u.Fault != "" {
			rows = append(rows, hanging("  does not answer: ", u.Fault, width)...)
		}
		rows = shortened(rows, most-2, width)
		if rest := len(order) - n; n > 0 && len(list)+len(rows)+min(1, rest-1) > most {
			return append(list, fmt.Sprintf("and %d more UPSs in phase %s", rest, phases(v, order[n:])))
		}
		list = append(list, rows...)
	}
	return list
}

// column is as wide as the names in it, and no wider than there is room for.
type column struct{ width, most int }

func (c *column) hold(name string) { c.width = max(c.width, min(len(name), c.most)) }

func (c *column) of(name string) string {
	if len(name) > c.width {
		name = name[:c.width-1] + "…" // names are ASCII
	}
	return fmt.Sprintf("%-*s", c.width, name)
}

func phases(v *agent.View, of []int) string {
	var names []string
	for _, i := range of {
		names = append(names, phaseWords(v.UPSs[i].Phase))
	}
	slices.Sort(names)
	return strings.Join(slices.Compact(names), ", ")
}

// phaseWords gives a phase of a view as people read it.
func phaseWords(name string) string {
	for p := shutdown.Normal; p <= shutdown.Unheard; p++ {
		if p.String() == name {
			return p.Words()
		}
	}
	return name
}

// batteryText says how long one lasts: until when while it is emptied, for how long
// else.
func batteryText(v *agent.View, u *agent.UPSView) string {
	if u.AnswerAgeSeconds == nil {
		return "the UPS has not answered yet"
	}
	low, likely := u.RuntimeSeconds.Low, u.RuntimeSeconds.Likely
	on := u.Phase == "ride_through" || u.Phase == "shedding" || u.Phase == "down"
	var text string
	switch {
	case low == nil:
		text = "is not emptied"
	case on && likely == nil:
		text = fmt.Sprintf("lasts until %s at least", clockOf(v, v.At.Add(time.Duration(*low)*time.Second)))
	case on:
		text = fmt.Sprintf("lasts until %s at least, likely %s",
			clockOf(v, v.At.Add(time.Duration(*low)*time.Second)), clockOf(v, v.At.Add(time.Duration(*likely)*time.Second)))
	default:
		text = fmt.Sprintf("would last %s at least, likely %s", spell(low), spell(likely))
	}
	if u.InHandSeconds != nil && *u.InHandSeconds >= 0 {
		text += "; in hand after the last stop " + spell(u.InHandSeconds)
	}
	if u.OwnRuntimeSeconds != nil {
		text += "; the UPS says " + spell(u.OwnRuntimeSeconds)
	}
	return text
}

// hostRows are the hosts, what happens next first, each with its reason where there
// is room for all.
func hostRows(v *agent.View, width, most int) []string {
	const least = 40 // columns for a reason
	when := [...]string{"stop at", "off by", "at latest"}
	if v.IfLostNow {
		when = [...]string{"stop after", "off after", "latest"}
	}
	names := column{12, 19}
	for i := range v.Hosts {
		names.hold(v.Hosts[i].Name)
	}
	head := fmt.Sprintf("%s %8s  %-17s %10s %10s %10s", names.of("host"), "priority", "power", when[0], when[1], when[2])
	beside := width >= len(head)+2+least
	if beside {
		head += "  why then"
	}
	hosts := slices.Clone(v.Hosts)
	slices.SortStableFunc(hosts, func(a, b agent.HostView) int { return cmp.Compare(urgency(&a), urgency(&b)) })
	render := func(reasons bool) (list [][]string, sum int) {
		for k := range hosts {
			rows := hostRow(v, &hosts[k], names, width, beside, reasons)
			list, sum = append(list, rows), sum+len(rows)
		}
		return list, sum
	}
	each, sum := render(true)
	if 1+sum > most && !beside {
		each, sum = render(false)
	}
	list := []string{head}
	for k, rows := range each {
		if 1+sum > most && len(list)+len(rows)+1 > most && k > 0 {
			return append(list, restOf(hosts[k:], width))
		}
		list = append(list, rows...)
	}
	return list
}

// urgency puts first what did not stop, then what is under way, what is to come and
// what is over.
func urgency(h *agent.HostView) int {
	if h.StaysUp {
		return len(powers)
	}
	return slices.IndexFunc(powers[:], func(p shutdown.HostState) bool { return p.String() == h.Power })
}

var powers = [...]shutdown.HostState{
	shutdown.GivenUp, shutdown.Late, shutdown.Failed, shutdown.Halfway, shutdown.Doubt, shutdown.Asked, shutdown.Told, shutdown.Interrupted,
	shutdown.Starting, shutdown.Silent, shutdown.Unseen, shutdown.Up, shutdown.Dark, shutdown.Off, shutdown.TurnedOff,
}

// ordered says what an operator ordered for a host, and is in force.
func ordered(h *agent.HostView) string {
	switch h.Ordered {
	case shutdown.StopHost.String():
		return "an operator ordered it off: it is not brought back"
	case shutdown.StartHost.String():
		return "an operator ordered it up"
	case shutdown.KeepHost.String():
		return "an operator keeps it up until the point of no return"
	}
	return ""
}

// reasonFor says why a host's times are what they are: an operator's order, or what the
// plan gives, which an abort keeps from being done; and of one that is only watched, when it would have been asked.
func reasonFor(v *agent.View, h *agent.HostView, at func(*int64) string) string {
	why := cmp.Or(ordered(h), h.Reason)
	switch {
	case h.StopSeconds != nil && v.Outage != nil && v.Outage.Aborted && !v.IfLostNow && h.Ordered != shutdown.StopHost.String():
		return strings.TrimSuffix("aborted by an operator: it is not stopped; by the plan: "+why, "; by the plan: ")
	case h.WouldBeAsked != nil:
		return strings.TrimSuffix("only watched: would have been asked to stop at "+at(h.WouldBeAsked)+"; "+why, "; ")
	case h.Observed:
		return strings.TrimSuffix("only watched; "+why, "; ")
	}
	return why
}

func hostRow(v *agent.View, h *agent.HostView, names column, width int, beside, reasons bool) []string {
	asked := h.StopSeconds
	if h.Asked != nil {
		asked = h.Asked
	}
	power := h.Power
	if h.StaysUp {
		power = "stays up"
	}
	at := func(n *int64) string {
		if n == nil || v.IfLostNow && h.Asked == nil && n != h.WouldBeAsked || v.Outage == nil {
			return spell(n)
		}
		return clockOf(v, v.Outage.LostAt.Add(time.Duration(*n)*time.Second))
	}
	row := fmt.Sprintf("%s %8d  %-17s %10s %10s %10s", names.of(h.Name), h.Priority, power, at(asked), at(h.Down), at(h.LatestStartSeconds))
	why := reasonFor(v, h, at)
	if h.MarginSeconds != nil {
		why += "; margin " + spell(h.MarginSeconds)
	}
	switch {
	case why == "" || !beside && !reasons:
		return []string{row}
	case beside:
		return hanging(row+"  ", why, width)
	}
	return append([]string{row}, hanging("  why then: ", why, width)...)
}

// restOf counts the hosts that no row is left for.
func restOf(hosts []agent.HostView, width int) string {
	var parts []string
	for _, power := range powers {
		n := 0
		for i := range hosts {
			if hosts[i].Power == power.String() {
				n++
			}
		}
		if n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, power))
		}
	}
	return fold(fmt.Sprintf("and %d more: %s (`ebbline status | less` shows all)", len(hosts), strings.Join(parts, ", ")), width)[0]
}

// recordRows are what happened last, below a blank row; the newest is the last one.
func recordRows(v *agent.View, width, most int) (list []string) {
	for _, r := range slices.Backward(v.Records) {
		rows := hanging(clockOf(v, r.At)+"  ", r.Text, width)
		if len(list)+len(rows) > most {
			break
		}
		list = append(rows, list...)
	}
	if len(list) > 0 {
		list = append([]string{""}, list...)
	}
	return list
}

// clockOf is a moment in the local time, as it is read at the time of the view.
func clockOf(v *agent.View, t time.Time) string { return clock(t.Local(), v.At) }

// clock is a moment as it is read at another, in ten columns at most: the time of the day,
// with the weekday where that time could be of another day, and the date beyond a week.
func clock(t, now time.Time) string {
	switch far := t.Sub(now).Abs(); {
	case far < 12*time.Hour:
		return t.Format("15:04:05")
	case far < 6*24*time.Hour:
		return t.Format("Mon 15:04")
	}
	return t.Format(time.DateOnly)
}

// spell writes seconds; a figure that nobody has is a dash.
func spell(n *int64) string {
	if n == nil {
		return "-"
	}
	return shutdown.Spell(time.Duration(*n) * time.Second)
}

// hanging is what hang writes, in rows.
func hanging(head, text string, columns int) []string {
	var b bytes.Buffer
	hang(&b, head, text, columns)
	return strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
}

// hang writes a head and a text behind it, folded, its further lines under its
// first.
func hang(w io.Writer, head, text string, columns int) {
	for _, line := range fold(text, columns-utf8.RuneCountInString(head)) {
		fmt.Fprintf(w, "%s%s\n", head, line)
		head = strings.Repeat(" ", utf8.RuneCountInString(head))
	}
}

// fold breaks a text at spaces into lines of at most so many columns.
func fold(text string, columns int) []string {
	if columns < 30 {
		columns = 76
	}
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > columns {
			lines, line = append(lines, line), ""
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	return append(lines, line)
}
