// Package metrics writes what the agent knows as figures for Prometheus, in its text
// format: https://prometheus.io/docs/instrumenting/exposition_formats/. It reads the
// agent's view and nothing else. Each label's values are names of the policy or words
// of this program, so that their number is bounded.
//
// The format is written here and not by the library: at 100 lines that saves 2.4 MB of
// binary and seven modules.
package metrics

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"ebbline/agent"
	"ebbline/policy"
)

// ContentType is that of the text format.
const ContentType = "text/plain; version=0.0.4; charset=utf-8"

// Write gives the figures of a view. The version is this program's, started when the
// process was.
func Write(v *agent.View, version string, started time.Time) []byte {
	var w writer
	w.agent(v, version, started)
	w.plan(v)
	for _, f := range upsFigures {
		w.family(f.name, "gauge", f.help)
		for i := range v.UPSs {
			f.write(&w, &v.UPSs[i])
		}
	}
	for _, f := range hostFigures {
		w.family(f.name, "gauge", f.help)
		for i := range v.Hosts {
			f.write(&w, &v.Hosts[i], sinceZero(v))
		}
	}
	w.conditions(v)
	return w.Bytes()
}

// sinceZero is how long ago the instant was from which the view's planned times
// count, in seconds.
func sinceZero(v *agent.View) int64 {
	if v.IfLostNow || v.Outage == nil {
		return 0
	}
	return v.Outage.ElapsedSeconds
}

func (w *writer) agent(v *agent.View, version string, started time.Time) {
	w.family("build_info", "gauge", "The running program; always 1.")
	w.set(1, "version", version)
	w.family("start_time_seconds", "gauge", "When the agent's process started, seconds since 1970.")
	w.set(instant(started))
	w.family("turn_age_seconds", "gauge", "Time since the agent's loop last turned. It turns once a second: where this grows, it hangs.")
	w.set(float64(v.TurnAge))
	if v.Site != "" {
		w.family("policy_info", "gauge", "The policy in force, by its site; always 1.")
		w.set(1, "site", v.Site)
	}
	w.family("policy_waiting", "gauge", "1 while a newer policy waits for the end of the outage.")
	w.set(truth(v.NextPolicy != ""))
	w.family("observing", "gauge", "1 while the whole site is only watched: no order is given to any host or UPS.")
	w.set(truth(v.Observing == "site"))
}

func (w *writer) plan(v *agent.View) {
	w.family("outages_total", "counter", "Outages since the agent was first started, the one that is on included.")
	w.set(float64(v.Outages))
	w.family("outage_active", "gauge", "1 from the loss of input until all is normal again.")
	w.set(truth(v.Outage != nil))
	if o := v.Outage; o != nil {
		w.family("outage_start_time_seconds", "gauge", "When the input was lost, seconds since 1970. Absent when all is normal.")
		w.set(instant(o.LostAt))
		w.family("order_active", "gauge", "1 for an operator's order that is in force in this outage.")
		for _, x := range []struct {
			order string
			on    bool
		}{{"hold", o.Held}, {"proceed", o.Proceeding}, {"abort", o.Aborted}} {
			w.set(truth(x.on), "order", x.order)
		}
	}
	w.family("plan_fits", "gauge", "1 when every host is off in time by the plan in force or, with input, if it failed now.")
	w.set(truth(v.Fits))
	w.family("plan_margin_seconds", "gauge", "The smallest margin of the planned stops: the time between its planned start and its point of no return.")
	w.optional(v.MarginSeconds, 0)
	w.family("plan_in_hand_seconds", "gauge", "What the batteries have after their last stops, low projection, beyond the reserve: the smallest.")
	w.optional(v.InHandSeconds, 0)
	w.family("plan_no_return_seconds", "gauge", "Time left until no safe plan exists any more unless hosts are stopped.")
	w.optional(v.PointOfNoReturn, sinceZero(v))
}

// upsFigures are those of one UPS.
var upsFigures = []struct {
	name, help string
	write      func(w *writer, u *agent.UPSView)
}{
	{"ups_phase", "The phase that the UPS is in; always 1.", func(w *writer, u *agent.UPSView) { w.set(1, "ups", u.Name, "phase", word(u.Phase)) }},
	{"ups_on_battery", "1 while the load is carried from the battery.", func(w *writer, u *agent.UPSView) { w.set(truth(u.OnBattery), "ups", u.Name) }},
	{"ups_answering", "1 when the UPS answered the last poll.", func(w *writer, u *agent.UPSView) {
		w.set(truth(u.Fault == "" && u.AnswerAgeSeconds != nil), "ups", u.Name)
	}},
	{"ups_answer_age_seconds", "Time since the last answer.", func(w *writer, u *agent.UPSView) { w.optional(u.AnswerAgeSeconds, 0, "ups", u.Name) }},
	{"ups_load_watts", "Active power at the output.", func(w *writer, u *agent.UPSView) {
		if u.AnswerAgeSeconds != nil {
			w.set(float64(u.LoadWatts), "ups", u.Name)
		}
	}},
	{"ups_charge_ratio", "Charge of the battery by the agent's own model, 0 to 1.", func(w *writer, u *agent.UPSView) {
		if u.AnswerAgeSeconds != nil { // else it is only supposed
			w.set(u.ChargePercent/100, "ups", u.Name)
		}
	}},
	{"ups_runtime_seconds", "How long the battery lasts at the load of now if nothing is shed, by the low, likely and high projection.", func(w *writer, u *agent.UPSView) {
		w.optional(u.RuntimeSeconds.Low, 0, "ups", u.Name, "projection", "low")
		w.optional(u.RuntimeSeconds.Likely, 0, "ups", u.Name, "projection", "likely")
		w.optional(u.RuntimeSeconds.High, 0, "ups", u.Name, "projection", "high")
	}},
	{"ups_margin_seconds", "The smallest margin of the planned stops on it: the time between its planned start and its point of no return.", func(w *writer, u *agent.UPSView) { w.optional(u.MarginSeconds, 0, "ups", u.Name) }},
	{"ups_in_hand_seconds", "What the battery has after the last stop on it, low projection, beyond the reserve.", func(w *writer, u *agent.UPSView) { w.optional(u.InHandSeconds, 0, "ups", u.Name) }},
	{"ups_own_charge_ratio", "Charge that the UPS itself reports, 0 to 1.", func(w *writer, u *agent.UPSView) { w.reading(u.OwnChargePercent, 100, "ups", u.Name) }},
	{"ups_own_runtime_seconds", "Runtime that the UPS itself reports.", func(w *writer, u *agent.UPSView) { w.optional(u.OwnRuntimeSeconds, 0, "ups", u.Name) }},
	{"ups_own_temperature_celsius", "Temperature of the battery that the UPS itself reports.", func(w *writer, u *agent.UPSView) { w.reading(u.OwnTemperatureCelsius, 1, "ups", u.Name) }},
	{"ups_own_input_volts", "Voltage of the worst line of the input that the UPS itself reports.", func(w *writer, u *agent.UPSView) { w.reading(u.OwnInputVolts, 1, "ups", u.Name) }},
}

// hostFigures are those of one host.
var hostFigures = []struct {
	name, help string
	write      func(w *writer, h *agent.HostView, zero int64)
}{
	{"host_info", "A UPS that feeds the host; always 1.", func(w *writer, h *agent.HostView, _ int64) {
		for _, u := range h.FedBy {
			w.set(1, "host", h.Name, "ups", u)
		}
	}},
	{"host_observed", "1 for a host that is only watched: it gets no order.", func(w *writer, h *agent.HostView, _ int64) {
		w.set(truth(h.Observed), "host", h.Name)
	}},
	{"host_state", "The state that the host is in; always 1.", func(w *writer, h *agent.HostView, _ int64) {
		w.set(1, "host", h.Name, "state", word(h.Power))
	}},
	{"host_off", "1 when the host is known to be off.", func(w *writer, h *agent.HostView, _ int64) { w.set(truth(h.Off), "host", h.Name) }},
	{"host_stop_seconds", "Time until the host is asked to stop by the plan in force or, with input, if it failed now.", func(w *writer, h *agent.HostView, zero int64) {
		w.optional(h.StopSeconds, zero, "host", h.Name)
	}},
	{"host_latest_start_seconds", "Time until the latest moment at which the host goes though a dependent may still be up.", func(w *writer, h *agent.HostView, zero int64) {
		w.optional(h.LatestStartSeconds, zero, "host", h.Name)
	}},
	{"host_promise_kept", "1 when the plan keeps the time that the policy promises to the host.", func(w *writer, h *agent.HostView, _ int64) {
		if h.PromiseKept != nil && h.PromisedSeconds != nil {
			w.set(truth(*h.PromiseKept), "host", h.Name)
		}
	}},
}

func (w *writer) conditions(v *agent.View) {
	count := map[policy.Severity]int{}
	for _, c := range v.Conditions {
		count[agent.Severity(c.Code)]++
	}
	w.family("conditions", "gauge", "How many conditions an operator must know of now.")
	for _, s := range []policy.Severity{policy.Info, policy.Warning, policy.Critical} {
		w.set(float64(count[s]), "severity", s.String())
	}
	w.family("condition", "gauge", "A condition that an operator must know of; 1 for as long as it is so.")
	for _, c := range v.Conditions {
		w.set(1, "code", c.Code, "severity", agent.Severity(c.Code).String(), "ups", c.UPS, "host", c.Host)
	}
}

// writer writes families, one after the other.
type writer struct {
	bytes.Buffer
	name, head string // of the family under way; the head is written with its first figure
}

const prefix = "ebbline_"

var escapeHelp = strings.NewReplacer(`\`, `\\`, "\n", `\n`)

func (w *writer) family(name, kind, help string) {
	w.name = prefix + name
	w.head = fmt.Sprintf("# HELP %s %s\n# TYPE %[1]s %[3]s\n", w.name, escapeHelp.Replace(help), kind)
}

var escapeLabel = strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`)

// set writes a figure of the family; labels are names and values in turn, and one
// without a value is left out.
func (w *writer) set(value float64, labels ...string) {
	w.WriteString(w.head + w.name)
	w.head = ""
	sign := byte('{')
	for pair := range slices.Chunk(labels, 2) {
		if pair[1] != "" {
			w.WriteByte(sign)
			fmt.Fprintf(w, `%s="%s"`, pair[0], escapeLabel.Replace(strings.ToValidUTF8(pair[1], "�")))
			sign = ','
		}
	}
	if sign == ',' {
		w.WriteByte('}')
	}
	w.WriteString(" " + strconv.FormatFloat(value, 'f', -1, 64) + "\n")
}

// optional writes a time if there is one, as from the given second on.
func (w *writer) optional(seconds *int64, from int64, labels ...string) {
	if seconds != nil {
		w.set(float64(*seconds-from), labels...)
	}
}

// reading writes a reading if there is one, in units of so many of its own.
func (w *writer) reading(value *float64, of float64, labels ...string) {
	if value != nil {
		w.set(*value/of, labels...)
	}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func instant(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }

// word is a word of ours as a label's value has it.
func word(text string) string { return strings.ReplaceAll(text, " ", "_") }
