package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"ebbline/agent/clean"
	"ebbline/agent/rehearse"
	"ebbline/policy"
	"ebbline/shutdown"
)

// rehearsalView is the document of `rehearse --json`.
type rehearsalView struct {
	Site     string         `json:"site"`
	Ready    bool           `json:"ready"` // nothing is wrong
	UPSs     []polledView   `json:"ups"`
	Hosts    []attendedView `json:"hosts"` // in the order in which they would stop
	StaysUp  []string       `json:"stays_up,omitempty"`
	Sensors  []sensedView   `json:"sensors,omitempty"` // temperatures, then emergency inputs
	Problems []problemView  `json:"problems"`
}

// polledView is one UPS. A figure that it did not say is null.
type polledView struct {
	Name           string   `json:"name"`
	TookSeconds    float64  `json:"took_seconds"`
	Answered       bool     `json:"answered"`
	Source         string   `json:"source,omitempty"`  // what carries the load: input, battery, bypass, nothing
	Battery        string   `json:"battery,omitempty"` // normal, low, depleted
	InputVolts     *float64 `json:"input_volts"`
	LoadWatts      *int64   `json:"load_watts"`
	ChargePercent  *float64 `json:"charge_percent"`
	RuntimeSeconds *int64   `json:"runtime_seconds"`
	BatteryVolts   *float64 `json:"battery_volts"`
	Celsius        *float64 `json:"battery_celsius"`
	NotSaid        []string `json:"not_said,omitempty"`
}

// attendedView is one host.
type attendedView struct {
	Name         string    `json:"name"`
	AskedSeconds *int64    `json:"asked_seconds"` // after the loss of input; null for one that would not be asked
	Ready        bool      `json:"ready"`
	Seen         string    `json:"seen"` // up, refusing, silent; "" when nothing was learnt
	Look         string    `json:"look"`
	Ways         []wayView `json:"ways"` // in the order tried
}

type wayView struct {
	For         string             `json:"for"` // stop, start
	By          string             `json:"by"`
	Address     string             `json:"address,omitempty"`
	Verdict     rehearse.Readiness `json:"verdict"`
	TookSeconds float64            `json:"took_seconds"`
	Said        string             `json:"said"`
	HostKey     string             `json:"host_key,omitempty"` // that was shown
	MayRun      bool               `json:"may_run,omitempty"`  // the host says that it would run the command; else it was not asked, or the verdict says more
}

// problemView is one thing that is wrong.
type problemView struct {
	UPS    string `json:"ups,omitempty"`
	Host   string `json:"host,omitempty"`
	By     string `json:"by,omitempty"`
	Sensor string `json:"sensor,omitempty"`
	Text   string `json:"text"`
	Next   string `json:"next,omitempty"` // what to do, where the text does not say it
}

// sensedView is one temperature or emergency input.
type sensedView struct {
	Name        string  `json:"name"`
	TookSeconds float64 `json:"took_seconds"`
	Says        string  `json:"says"` // "" where it is not read
}

func viewOfRehearsal(r *rehearse.Rehearsal) *rehearsalView {
	v := &rehearsalView{Site: r.Policy.Site.Name, UPSs: []polledView{}, Hosts: []attendedView{}, Problems: []problemView{}}
	for i := range r.UPSs {
		v.addUPS(r.Policy.UPSs[i].Name, &r.UPSs[i])
	}
	for j := range r.Sensors {
		v.addSensor(&r.Sensors[j])
	}
	for _, t := range stopOrder(r) {
		v.addHost(&r.Policy.Hosts[t.host], t.seconds, &r.Hosts[t.host])
	}
	for k := range r.Policy.Hosts {
		if r.Policy.Hosts[k].StaysUp {
			v.StaysUp = append(v.StaysUp, r.Policy.Hosts[k].Name)
		}
	}
	v.Ready = len(v.Problems) == 0
	return v
}

type turn struct {
	host    int
	seconds *int64
}

// stopOrder gives the hosts as they would stop now: by the real plan, at what the
// UPSs say. Hosts that it does not ask come last.
func stopOrder(r *rehearse.Rehearsal) (list []turn) {
	var loads, charges pairs
	for i := range r.UPSs {
		name, m := r.Policy.UPSs[i].Name, &r.UPSs[i].Measurement
		if m.LoadWatts != shutdown.Unread {
			loads = append(loads, pair{name, fmt.Sprint(max(0, m.LoadWatts))})
		}
		if m.ChargeTenths != shutdown.Unread {
			charges = append(charges, pair{name, fmt.Sprint(float64(min(max(0, m.ChargeTenths), 1000)) / 10)})
		}
	}
	there := make([]bool, len(r.Policy.Hosts))
	if s, err := ifInputFailed(r.Policy, loads, charges, nil); err == nil {
		for _, h := range planOf(s).Hosts {
			if k, err := hostNamed(r.Policy, h.Name); err == nil {
				there[k] = true
				list = append(list, turn{k, &h.StopSeconds})
			}
		}
	}
	for k := range r.Policy.Hosts {
		if !there[k] && !r.Policy.Hosts[k].StaysUp {
			list = append(list, turn{k, nil})
		}
	}
	return list
}

func hundredths(d time.Duration) float64 { return math.Round(d.Seconds()*100) / 100 }

func scaled(n int64, by float64) *float64 {
	if n == shutdown.Unread {
		return nil
	}
	f := float64(n) / by
	return &f
}

func whole(n int64) *int64 {
	if n == shutdown.Unread {
		return nil
	}
	return &n
}

func (v *rehearsalView) addUPS(name string, u *rehearse.UPSAnswer) {
	m := &u.Measurement
	view := polledView{Name: name, TookSeconds: hundredths(u.Took), Answered: u.Err == nil}
	v.add(u.Problems(name))
	if u.Err != nil {
		v.UPSs = append(v.UPSs, view)
		return
	}
	view.Source, view.Battery = m.Source.String(), m.Battery.String()
	view.InputVolts, view.LoadWatts, view.ChargePercent = scaled(m.InputDecivolts, 10), whole(m.LoadWatts), scaled(m.ChargeTenths, 10)
	view.RuntimeSeconds, view.BatteryVolts, view.Celsius = whole(m.RuntimeSeconds), scaled(m.Millivolts, 1000), scaled(m.TemperatureTenthsC, 10)
	for _, f := range []struct {
		unread bool
		name   string
	}{
		{m.Source == 0, "what carries the load"}, {m.Battery == 0, "the battery's state"}, {m.LoadWatts == shutdown.Unread, "the load"},
		{m.ChargeTenths == shutdown.Unread, "the charge"}, {m.RuntimeSeconds == shutdown.Unread, "the time left"},
		{m.Millivolts == shutdown.Unread, "the battery's voltage"}, {m.TemperatureTenthsC == shutdown.Unread, "its temperature"},
		{m.InputDecivolts == shutdown.Unread, "the input's voltage"}, {m.LowSeconds == shutdown.Unread, "at what time left it says low"},
	} {
		if f.unread {
			view.NotSaid = append(view.NotSaid, f.name)
		}
	}
	v.UPSs = append(v.UPSs, view)
}

func (v *rehearsalView) addSensor(s *rehearse.Sensed) {
	view := sensedView{s.Name, hundredths(s.Took), s.Text}
	if s.Err != nil {
		view.Says = ""
	}
	v.Sensors = append(v.Sensors, view)
	v.add(s.Problems())
}

func (v *rehearsalView) addHost(h *policy.Host, asked *int64, a *rehearse.HostFound) {
	view := attendedView{Name: h.Name, AskedSeconds: asked, Seen: a.Seen.String(), Look: clean.OneLine(a.Look), Ways: []wayView{}}
	for i := range a.Ways {
		w := &a.Ways[i]
		aim := "start"
		if w.Stops {
			aim = "stop"
		}
		view.Ways = append(view.Ways, wayView{aim, w.By, w.Address, w.Readiness, hundredths(w.Took), w.Text, w.Key, w.MayRun})
	}
	problems := a.Problems(h)
	view.Ready = len(problems) == 0
	v.Hosts = append(v.Hosts, view)
	v.add(problems)
}

// add lists problems, each once: an outlet may both stop and start a host.
func (v *rehearsalView) add(list []rehearse.Problem) {
	for _, x := range list {
		if p := problemView(x); !slices.Contains(v.Problems, p) {
			v.Problems = append(v.Problems, p)
		}
	}
}

func (v *rehearsalView) show(w io.Writer, columns int) {
	fmt.Fprintf(w, "%s: nothing is turned off, no order is given\n\n", v.Site)
	name := 4
	for i := range v.UPSs {
		name = min(max(name, len(v.UPSs[i].Name)), longestInColumn)
	}
	for i := range v.Hosts {
		name = min(max(name, len(v.Hosts[i].Name)), longestInColumn)
	}
	fmt.Fprintf(w, "%-*s %8s  it says\n", name, "UPS", "took")
	for i := range v.UPSs {
		v.UPSs[i].show(w, name, columns)
	}
	for i := range v.Sensors {
		s := &v.Sensors[i]
		hang(w, s.Name+": ", cmp.Or(s.Says, "wrong: see below"), columns)
	}
	fmt.Fprintf(w, "\nin the order in which they would stop if the input failed now\n%-*s %8s  %-8s %-5s  tried\n", name, "host", "asked", "seen", "")
	for i := range v.Hosts {
		v.Hosts[i].show(w, name, columns)
	}
	if len(v.StaysUp) > 0 {
		hang(w, "stay up: ", strings.Join(v.StaysUp, ", "), columns)
	}
	if len(v.Problems) > 0 {
		fmt.Fprintln(w, "\nwhat is wrong")
	}
	for _, p := range v.Problems {
		who := v.whoHas(&p)
		if who == "" {
			continue // told already
		}
		hang(w, "! ", who+": "+p.Text, columns)
		if p.Next != "" {
			hang(w, "  ", p.Next, columns)
		}
	}
	fmt.Fprintln(w)
	v.sum(w, columns)
}

const longestInColumn = 16

// inColumn gives a name as it stands in its column; one that is too long has a
// line of its own before it.
func inColumn(w io.Writer, name string, columns int) string {
	if len(name) <= columns {
		return name
	}
	fmt.Fprintln(w, name)
	return ""
}

// whoHas names all that have the same problem, as when they share a secret; ""
// unless p's own is the first.
func (v *rehearsalView) whoHas(p *problemView) string {
	var list []string
	for i := range v.Problems {
		q := &v.Problems[i]
		if q.Text != p.Text || q.Next != p.Next {
			continue
		}
		if list == nil && *q != *p {
			return ""
		}
		who := strings.TrimSpace(q.Host + " " + q.By)
		switch {
		case q.UPS != "":
			who = "UPS " + q.UPS
		case q.Sensor != "":
			who = q.Sensor
		}
		list = append(list, who)
	}
	return strings.Join(list, ", ")
}

func (v *rehearsalView) sum(w io.Writer, columns int) {
	bad := 0
	for i := range v.Hosts {
		if !v.Hosts[i].Ready {
			bad++
		}
	}
	text := fmt.Sprintf("%s: all ready", count(len(v.Hosts), "host"))
	switch {
	case bad > 0:
		text = fmt.Sprintf("%d of %s not ready", bad, count(len(v.Hosts), "host"))
	case !v.Ready:
		text = fmt.Sprintf("%s: ready, but for what is wrong above", count(len(v.Hosts), "host"))
	}
	hang(w, "", text+". Not tried: the orders themselves.", columns)
	if list := v.notAsked(); len(list) > 0 {
		hang(w, "", "Whether the command may be run was not to be asked of "+strings.Join(list, ", ")+
			": `ebbline check --rights` prints the lines that let it run, and let it be asked.", columns)
	}
}

// notAsked lists the hosts that let the agent in and have no line by which they
// could be asked what it may run.
func (v *rehearsalView) notAsked() (list []string) {
	for i := range v.Hosts {
		h := &v.Hosts[i]
		if slices.ContainsFunc(h.Ways, func(w wayView) bool { return w.HostKey != "" && w.Verdict == rehearse.Ready && !w.MayRun }) {
			list = append(list, h.Name)
		}
	}
	return list
}

func (u *polledView) show(w io.Writer, name, columns int) {
	head := fmt.Sprintf("%-*s %7.2fs  ", name, inColumn(w, u.Name, name), u.TookSeconds)
	if !u.Answered {
		hang(w, head, "nothing: see below", columns)
		return
	}
	list := []string{"load from " + u.Source, "battery " + u.Battery}
	add := func(format string, f *float64) {
		if f != nil {
			list = append(list, fmt.Sprintf(format, *f))
		}
	}
	if u.LoadWatts != nil {
		list = append(list, fmt.Sprintf("%d W", *u.LoadWatts))
	}
	add("charge %g %%", u.ChargePercent)
	if u.RuntimeSeconds != nil {
		list = append(list, shutdown.Spell(time.Duration(*u.RuntimeSeconds)*time.Second)+" left")
	}
	add("battery %g V", u.BatteryVolts)
	add("%g °C", u.Celsius)
	add("input %g V", u.InputVolts)
	hang(w, head, strings.Join(list, ", "), columns)
	if len(u.NotSaid) > 0 {
		hang(w, strings.Repeat(" ", len(head)), "does not say, or not credibly: "+strings.Join(u.NotSaid, ", "), columns)
	}
}

func (h *attendedView) show(w io.Writer, name, columns int) {
	asked, seen, word := "-", h.Seen, "ready"
	if h.AskedSeconds != nil {
		asked = shutdown.Spell(time.Duration(*h.AskedSeconds) * time.Second)
	}
	if seen == "" {
		seen = "-"
	}
	if !h.Ready {
		word = "WRONG"
	}
	var list []string
	for i := range h.Ways {
		x := &h.Ways[i]
		text := fmt.Sprintf("%s %.2fs", x.By, x.TookSeconds)
		if x.For == "start" {
			text = "start by " + text
		}
		if x.Verdict != rehearse.Ready {
			text += " " + strings.ToUpper(string(x.Verdict))
		}
		list = append(list, text)
	}
	if len(list) == 0 {
		list = []string{"no way to stop it"}
	}
	hang(w, fmt.Sprintf("%-*s %8s  %-8s %-5s  ", name, inColumn(w, h.Name, name), asked, seen, word), strings.Join(list, ", "), columns)
}
