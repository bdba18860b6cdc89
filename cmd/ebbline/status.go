package main

import (
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"ebbline/agent"
	"ebbline/shutdown"
	"ebbline/simulate/report"
)

// showStatus writes the agent's view for people.
func (c *call) showStatus(v *agent.View, st report.Style) {
	w := c.Out
	width := max(st.Width, 80)
	for _, line := range fold(v.Site+": "+v.Status, width) {
		fmt.Fprintln(w, line)
	}
	if o := v.Outage; o != nil {
		fmt.Fprintf(w, "outage %d since %s", o.Number, o.LostAt.Local().Format("2006-01-02 15:04:05"))
		for _, s := range []struct {
			on   bool
			text string
		}{{o.Held, "held"}, {o.Proceeding, "proceeding at once"}, {o.Aborted, "aborted"}} {
			if s.on {
				fmt.Fprintf(w, ", %s by an operator", s.text)
			}
		}
		fmt.Fprintln(w)
	}
	for i := range v.Conditions {
		x := &v.Conditions[i]
		fmt.Fprintf(w, "\n! %s since %s\n", strings.Join(strings.Fields(x.Code+" "+x.UPS+" "+x.Host), " "), x.Since.Local().Format("15:04:05"))
		text := x.Text
		if x.Because != "" {
			text += " That may be no more than what follows from " + x.Because + "."
		}
		for _, line := range fold(text, width-4) {
			fmt.Fprintf(w, "  %s\n", line)
		}
	}
	fmt.Fprintf(w, "\n%-12s %-12s %7s %6s %9s %9s %9s %9s\n", "UPS", "phase", "load", "charge", "low", "likely", "margin", "its own")
	for i := range v.UPSs {
		u := &v.UPSs[i]
		load, charge := fmt.Sprintf("%d W", u.LoadWatts), fmt.Sprintf("%.0f %%", u.ChargePercent)
		if u.AnswerAgeSeconds == nil {
			load, charge = "-", "-"
		}
		fmt.Fprintf(w, "%-12s %-12s %7s %6s %9s %9s %9s %9s\n", u.Name, strings.ReplaceAll(u.Phase, "_", " "), load, charge,
			spell(u.RuntimeSeconds.Low), spell(u.RuntimeSeconds.Likely), spell(u.MarginSeconds), spell(u.OwnRuntimeSeconds))
		if u.Basis != "" {
			fmt.Fprintf(w, "  forecast by %s\n", u.Basis)
		}
		if u.Fault != "" {
			hang(w, "  does not answer: ", u.Fault, width)
		}
	}
	showHosts(w, v, width)
	when := "since the loss of input"
	switch {
	case v.IfLostNow && v.Outage != nil:
		when = "of hosts that are up: if the input failed now"
	case v.IfLostNow:
		when = "if the input failed now"
	}
	switch {
	case v.PointOfNoReturn == nil:
		fmt.Fprintf(w, "\ntimes %s; nothing is planned to stop\n", when)
	case v.Fits:
		fmt.Fprintf(w, "\ntimes %s; a safe plan exists for %s\n", when, spell(v.PointOfNoReturn))
	case v.IfLostNow && v.Outage != nil:
		fmt.Fprintf(w, "\ntimes %s;\nnot everybody would be off in time then: the battery is still being charged\n", when)
	default:
		fmt.Fprintf(w, "\ntimes %s; THE PLAN DOES NOT FIT: `ebbline plan` says why\n", when)
	}
	if n := len(v.Records); n > 0 {
		fmt.Fprintln(w)
		for _, r := range v.Records[max(0, n-8):] {
			hang(w, r.At.Local().Format("15:04:05")+"  ", r.Text, width)
		}
	}
}

// spell writes seconds; a figure that nobody has is a dash.
func spell(n *int64) string {
	if n == nil {
		return "-"
	}
	return shutdown.Spell(time.Duration(*n) * time.Second)
}

// showHosts writes a line for each host, and its reason behind it where there is
// room, else below it.
func showHosts(w io.Writer, v *agent.View, width int) {
	const least = 40 // columns for a reason
	head := fmt.Sprintf("%-12s %5s %-10s %8s %8s %8s", "host", "prio", "power", "asked", "off by", "latest")
	beside := width >= len(head)+2+least
	if beside {
		head += "  why then"
	}
	fmt.Fprintf(w, "\n%s\n", head)
	for i := range v.Hosts {
		h := &v.Hosts[i]
		asked := h.StopSeconds
		if h.Asked != nil {
			asked = h.Asked
		}
		power := h.Power
		if h.StaysUp {
			power = "stays up"
		}
		row := fmt.Sprintf("%-12s %5d %-10s %8s %8s %8s", h.Name, h.Priority, power, spell(asked), spell(h.Down), spell(h.LatestStartSeconds))
		switch {
		case h.Reason == "":
			fmt.Fprintln(w, row)
		case beside:
			hang(w, row+"  ", h.Reason, width)
		default:
			fmt.Fprintln(w, row)
			hang(w, "  why then: ", h.Reason, width)
		}
	}
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
