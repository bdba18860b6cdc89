package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/simulate"
)

var tuneCommand = command{
	name:  "tune",
	about: "what shedding each host brings, and what a change would do",
	usage: "[POLICY] [--add NAME=WATTS,...] [--battery UPS=PERCENT] [...] [--json]",
	takes: []string{"POLICY"},
	help: `Without a change it says, for the loss of every input now: how many minutes each
host would give its UPS if it were off from the start; how much load, and how
much loss of battery, each UPS has room for; which promised times are kept, at
whose cost, and the longest that each host could be promised; and a better
order, if it finds one: hosts that exchange priorities, a promise dropped or
made. An order counts as better if it keeps more promises, or if it keeps those
and others gain three minutes or more for each minute that some host loses.

With changes, of which there may be several, it shows the plan before and after,
the hosts whose stop moves, and the first promise that breaks.

  --add nas=45,ups=rack,priority=30,stops=2m,keep=10m,depends=switch
      a host more; all but the watts may be left out. ups= and depends= may be
      given several times; the only UPS is taken if there is just one, the
      lowest priority of all and one minute to stop if nothing is said.
  --battery rack=50%  what is left of it: one of two strings is dead
  --bigger rack=1.5   a UPS so many times as big, its battery too
  --older rack=5y     its age; 18mo and 200d are months and days

Every figure is the answer of the code that the agent decides with. Exit code 3
says that the plan, or the plan after the changes, does not fit.`,
	set: setTune,
}

func setTune(c *call) action {
	pf := c.policyFlags()
	var w whatIf
	c.flags.Var(&w.add, "add", "`NAME=WATTS,...` a host more")
	c.flags.Var(&w.battery, "battery", "`UPS=PERCENT` of its battery that is left")
	c.flags.Var(&w.bigger, "bigger", "`UPS=FACTOR` times the UPS and its battery")
	c.flags.Var(&w.older, "older", "`UPS=AGE` by which its battery is older")
	c.flags.Var(&w.off, "off", "`HOST` that is off, with all that depends on it")
	past := c.historyFlag()
	return func(ctx context.Context) int {
		c.onlyReads(c.historyFiles(*past), nil)
		p, found, code := c.policyLearned(ctx, pf, *past)
		if p == nil {
			return code
		}
		p = c.acting(p)
		scene := &simulate.Scene{Policy: p, Day: today()}
		then, changes, err := w.apply(scene)
		if err != nil {
			c.usage("%v", err)
			return exitUsage
		}
		v := &tuneView{Site: p.Site.Name, Measured: found.view()}
		if len(changes) > 0 {
			v.compare(scene, then, changes)
		} else {
			v.look(ctx, scene, c.steps())
		}
		if c.json {
			printJSON(c.Out, v)
		} else {
			width, color := terminal(c.Out)
			v.show(c.Out, c.style(width, color))
			found.show(c.Out, width)
		}
		switch {
		case v.Interrupted:
			return exitFailed
		case !v.fits():
			return exitUnfit
		}
		return exitDone
	}
}

// steps gives what shows how far the work is.
func (c *call) steps() func(format string, args ...any) {
	w := c.progress()
	return func(format string, args ...any) { fmt.Fprintf(w, "\r"+format+" \x1b[K", args...) }
}

// whatIf is the changes that the command line asks about.
type whatIf struct {
	add, off               words
	battery, bigger, older pairs
}

// apply gives the scene with all changes made, and says each in words.
func (w *whatIf) apply(c *simulate.Scene) (then *simulate.Scene, changes []string, err error) {
	then = &simulate.Scene{Policy: c.Policy, Day: c.Day}
	for _, text := range w.add {
		if changes, err = w.adding(then, text, changes); err != nil {
			return nil, nil, err
		}
	}
	for _, o := range w.older {
		i, err := upsNamed(then.Policy, o.name)
		if err != nil {
			return nil, nil, err
		}
		days, err := readAge(o.value)
		if err != nil {
			return nil, nil, err
		}
		if then.Policy, err = simulate.Older(then.Policy, i, days); err != nil {
			return nil, nil, err
		}
		changes = append(changes, fmt.Sprintf("the battery of UPS %s is %s older", o.name, o.value))
	}
	for _, o := range w.battery {
		i, err := upsNamed(then.Policy, o.name)
		if err != nil {
			return nil, nil, err
		}
		v, err := strconv.ParseFloat(strings.TrimSuffix(o.value, "%"), 64)
		if err != nil || !(v >= 1 && v <= 100) {
			return nil, nil, fmt.Errorf("%q is not what can be left of a battery. Write a percentage from 1 to 100, such as 50%%", o.value)
		}
		then = then.Scaled(simulate.Scale{UPS: i, Battery: v / 100, Size: 1})
		changes = append(changes, fmt.Sprintf("%g %% is left of the battery of UPS %s", v, o.name))
	}
	for _, o := range w.bigger {
		i, err := upsNamed(then.Policy, o.name)
		if err != nil {
			return nil, nil, err
		}
		v, err := strconv.ParseFloat(o.value, 64)
		if err != nil || !(v >= 0.1 && v <= 100) {
			return nil, nil, fmt.Errorf("%q is not how many times the UPS. Write a number from 0.1 to 100, such as 1.5", o.value)
		}
		then = then.Scaled(simulate.Scale{UPS: i, Battery: v, Size: v})
		changes = append(changes, fmt.Sprintf("UPS %s is %g times as big, its battery too", o.name, v))
	}
	for _, name := range w.off {
		k, err := hostNamed(then.Policy, name)
		if err != nil {
			return nil, nil, err
		}
		with := simulate.Dependents(then.Policy, k)
		then.Off = append(append(then.Off, k), with...)
		text := name + " is off"
		if len(with) > 0 {
			text += ", and with it " + strings.Join(names(then.Policy, with), ", ")
		}
		changes = append(changes, text)
	}
	return then, changes, nil
}

// readAge reads a span of years, months or days, as days.
func readAge(text string) (int64, error) {
	for _, u := range []struct {
		unit string
		days float64
	}{{"y", 365.25}, {"mo", 365.25 / 12}, {"d", 1}} {
		number, ok := strings.CutSuffix(text, u.unit)
		if !ok {
			continue
		}
		v, err := strconv.ParseFloat(number, 64)
		if days := v * u.days; err == nil && days >= 1 && days <= 50*365.25 {
			return int64(math.Round(days)), nil
		}
	}
	return 0, fmt.Errorf("%q is not an age. Write years, months or days up to 50 years, such as 5y, 18mo or 200d", text)
}

// adding makes one --add.
func (w *whatIf) adding(c *simulate.Scene, text string, changes []string) ([]string, error) {
	h, err := readHost(c.Policy, text)
	if err != nil {
		return nil, err
	}
	if c.Policy, err = simulate.Adding(c.Policy, h); err != nil {
		return nil, fmt.Errorf("--add %s: %w", text, err)
	}
	var fed []string
	for _, i := range h.FedBy {
		fed = append(fed, c.Policy.UPSs[i].Name)
	}
	return append(changes, fmt.Sprintf("%s is there: %d W on %s, priority %d", h.Name, h.Watts, strings.Join(fed, " and "), h.Priority)), nil
}

const addForm = "write NAME=WATTS, then what else is known of it: nas=45,ups=rack,priority=30,stops=2m,keep=10m,depends=switch"

// readHost reads a host that is to be added.
func readHost(p *policy.Policy, text string) (*simulate.NewHost, error) {
	first, rest, more := strings.Cut(text, ",")
	name, watts, ok := strings.Cut(first, "=")
	if !ok || name == "" || more && rest == "" {
		return nil, fmt.Errorf("--add %s: %s", text, addForm)
	}
	if !load.ValidName(name) {
		return nil, fmt.Errorf("--add %s: %q is no name of a host: it has letters (a to z, A to Z), digits, \"-\", \"_\" or \".\", and begins with a letter or digit", text, name)
	}
	h := &simulate.NewHost{Name: name, StopsIn: time.Minute}
	if v, err := strconv.ParseFloat(watts, 64); err != nil || !(v > 0 && v <= 1e6) {
		return nil, fmt.Errorf("--add %s: %q is not a number of watts from 1 to 1000000", text, watts)
	} else {
		h.Watts = int64(math.Ceil(v))
	}
	for more {
		var field string
		field, rest, more = strings.Cut(rest, ",")
		if err := readField(p, h, field); err != nil {
			return nil, fmt.Errorf("--add %s: %w", text, err)
		}
	}
	if len(h.FedBy) == 0 {
		if len(p.UPSs) > 1 {
			return nil, fmt.Errorf("--add %s: the policy has %d UPSs. Say which feeds it, such as ups=%s", text, len(p.UPSs), p.UPSs[0].Name)
		}
		h.FedBy = []int{0}
	}
	if h.Priority == 0 {
		h.Priority = lowest(p)
	}
	return h, nil
}

// lowest is the lowest priority of all hosts that are stopped.
func lowest(p *policy.Policy) int64 {
	low := int64(math.MaxInt64)
	for k := range p.Hosts {
		if h := &p.Hosts[k]; !h.StaysUp && !h.Self {
			low = min(low, h.Priority)
		}
	}
	if low == math.MaxInt64 {
		return 1
	}
	return low
}

func readField(p *policy.Policy, h *simulate.NewHost, field string) error {
	key, value, _ := strings.Cut(field, "=")
	switch key {
	case "ups":
		i, err := upsNamed(p, value)
		h.FedBy = insert(h.FedBy, i)
		return err
	case "depends":
		k, err := hostNamed(p, value)
		h.DependsOn = insert(h.DependsOn, k)
		return err
	case "priority":
		n, err := strconv.ParseInt(value, 10, 64)
		if err != nil || n < 1 || n > 1_000_000 {
			return fmt.Errorf("%q is not a priority from 1 to 1000000", value)
		}
		h.Priority = n
	case "stops":
		d, err := time.ParseDuration(value)
		if err != nil || d < time.Second || d > 12*time.Hour {
			return fmt.Errorf("%q is not how long a host takes to stop. Write 1s to 12h, such as 2m", value)
		}
		h.StopsIn = d
	case "keep":
		d, err := time.ParseDuration(value)
		if err != nil || d <= 0 || d > 7*24*time.Hour {
			return fmt.Errorf("%q is not a time that can be promised. Write 1s to 168h, such as 10m", value)
		}
		h.KeepFor = d
	default:
		return fmt.Errorf("%q is nothing that is known of a host; %s", key, addForm)
	}
	return nil
}

// insert keeps a list of indices sorted, each once.
func insert(list []int, k int) []int {
	if i, found := slices.BinarySearch(list, k); !found {
		list = slices.Insert(list, i, k)
	}
	return list
}

func names(p *policy.Policy, hosts []int) []string {
	var list []string
	for _, k := range hosts {
		list = append(list, p.Hosts[k].Name)
	}
	return list
}
