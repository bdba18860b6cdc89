package policy

import (
	"container/heap"
	"errors"
	"fmt"
	"slices"
)

// Check says what is inconsistent in a policy: everything that whoever uses one
// may rely on. A policy from policy/load always passes; one that is built in
// code, in a test or by a search, is checked with it before it is used.
func (p *Policy) Check() error {
	c := checker{p: p}
	c.site()
	c.names()
	for i := range p.UPSs {
		c.ups(&p.UPSs[i])
	}
	for i := range p.Loads {
		l := &p.Loads[i]
		c.need(l.Watts > 0, "load %q: has %d watts", l.Name, l.Watts)
		c.need(len(l.FedBy) > 0, "load %q: no UPS feeds it", l.Name)
		c.indices("load", l.Name, "FedBy", l.FedBy, len(p.UPSs))
	}
	for i := range p.Hosts {
		c.host(i)
	}
	c.branches()
	for i := range p.Temperatures {
		c.temperature(i)
	}
	for i := range p.Emergencies {
		e := &p.Emergencies[i]
		c.need(i == 0 || p.Emergencies[i-1].Name < e.Name, "emergency_off %q: not sorted by name, or twice", e.Name)
		c.need(e.Kind == BySwitch || e.Kind == ByFire, "emergency_off %q: kind %d", e.Name, e.Kind)
		c.need(ways(e.SNMP != nil && e.OID != "", e.GPIO != nil, len(e.Command) > 0) == 1, "emergency_off %q: not read in one way", e.Name)
		c.need(e.Every > 0, "emergency_off %q: read every %v", e.Name, e.Every)
	}
	if len(c.errs) == 0 { // the indices are good
		c.order()
	}
	return errors.Join(c.errs...)
}

type checker struct {
	p    *Policy
	errs []error
}

func (c *checker) need(ok bool, format string, args ...any) {
	if !ok {
		c.errs = append(c.errs, fmt.Errorf(format, args...))
	}
}

func (c *checker) site() {
	s := &c.p.Site
	c.need(s.Name != "", "site: has no name")
	c.need(s.RideThrough > 0, "site: ride-through is %v", s.RideThrough)
	c.need(s.Reserve > 0, "site: reserve is %v", s.Reserve)
	c.need(s.ConfidencePermille >= 500 && s.ConfidencePermille <= 999, "site: confidence is %d permille", s.ConfidencePermille)
	c.need(s.AtOnce >= 0, "site: %d stops at once", s.AtOnce)
	c.need(s.Restore.StableFor > 0 && s.Restore.Stagger > 0, "site: restore is %v stable, %v apart", s.Restore.StableFor, s.Restore.Stagger)
	c.need(s.Traps == nil || s.Traps.Listen != "", "site: traps have no address to listen at")
}

// names makes sure that each list is sorted by name and that no name is used
// twice, a host's and a load's among each other.
func (c *checker) names() {
	var upss, loads, hosts []string
	for i := range c.p.UPSs {
		upss = append(upss, c.p.UPSs[i].Name)
	}
	for i := range c.p.Loads {
		loads = append(loads, c.p.Loads[i].Name)
	}
	for i := range c.p.Hosts {
		hosts = append(hosts, c.p.Hosts[i].Name)
	}
	for _, list := range [][]string{upss, loads, hosts} {
		for i, name := range list {
			c.need(name != "", "a name is empty")
			c.need(i == 0 || list[i-1] < name, "%q: not sorted by name, or twice", name)
		}
	}
	for _, name := range loads {
		_, both := slices.BinarySearch(hosts, name)
		c.need(!both, "%q: both a host and a load", name)
	}
}

func (c *checker) ups(u *UPS) {
	b := &u.Battery
	c.need(u.Class <= VFI, "ups %q: class %d", u.Name, u.Class)
	c.need(u.RatedWatts > 0, "ups %q: rated for %d watts", u.Name, u.RatedWatts)
	c.need(u.RatedVA == 0 || u.RatedVA >= u.RatedWatts, "ups %q: fewer VA than watts", u.Name)
	c.need(u.OverheadWatts >= 0, "ups %q: overhead is %d watts", u.Name, u.OverheadWatts)
	c.need(u.EfficiencyPermille >= 500 && u.EfficiencyPermille <= 1000, "ups %q: efficiency is %d permille", u.Name, u.EfficiencyPermille)
	c.need(u.NormalPermille == 0 || u.NormalPermille >= 500 && u.NormalPermille <= 1000, "ups %q: efficiency in normal mode is %d permille", u.Name, u.NormalPermille)
	c.need(u.SNMP == nil || u.HID == nil, "ups %q: read in two ways", u.Name)
	c.need(u.Output == nil || u.Output.OffAfter > 0 && u.Output.OnAfter > 0, "ups %q: output delays are not positive", u.Name)
	c.need(b.Chemistry == VRLA || b.Chemistry == LFP, "ups %q: chemistry %d", u.Name, b.Chemistry)
	c.need(b.EndVolts == 0 || b.Chemistry == VRLA && b.EndVolts >= 1.5 && b.EndVolts <= 1.9, "ups %q: a discharge ends at %g V per cell", u.Name, b.EndVolts)
	c.need(b.Model != nil || len(b.Chart) > 0 || b.Volts > 0 && b.AmpHours > 0, "ups %q: nothing says how much the battery holds", u.Name)
	c.need(b.Model == nil || len(b.Chart) == 0, "ups %q: a chart and a model", u.Name)
	for i, pt := range b.Chart {
		c.need(pt.Watts > 0 && pt.Runtime > 0, "ups %q: chart point %d is not positive", u.Name, i)
		c.need(i == 0 || b.Chart[i-1].Watts < pt.Watts && b.Chart[i-1].Runtime > pt.Runtime, "ups %q: chart does not fall at point %d", u.Name, i)
	}
	if m := b.Model; m != nil {
		c.need(m.StoreWattHours > 0 && m.Ohmic >= 0 && m.Diffusion >= 0, "ups %q: battery model is negative", u.Name)
		c.need(m.Diffusion == 0 || m.Relaxation > 0, "ups %q: battery model has diffusion and no relaxation", u.Name)
	}
	if s := u.SNMP; s != nil {
		c.need(s.Version >= 1 && s.Version <= 3, "ups %q: SNMP version %d", u.Name, s.Version)
		c.need(s.PollEvery > 0 && s.Timeout > 0 && s.Timeout <= s.PollEvery, "ups %q: polled every %v with a timeout of %v", u.Name, s.PollEvery, s.Timeout)
	}
}

// branches makes sure that circuits and PDUs are sound, and all that names them.
func (c *checker) branches() {
	tap := func(what, name string, t *Tap, lines func(int) int, n int) {
		if t == nil {
			return
		}
		c.need(t.At >= 0 && t.At < n, "%s %q: plugged into index %d of %d", what, name, t.At, n)
		if t.At >= 0 && t.At < n {
			c.need(int(t.Lines) < 1<<lines(t.At), "%s %q: on line bits %b of %d lines", what, name, t.Lines, lines(t.At))
		}
	}
	circuit := func(i int) int { return c.p.Circuits[i].Lines }
	for i := range c.p.Circuits {
		x := &c.p.Circuits[i]
		c.need(x.Volts > 0 && x.Amps > 0 && x.Lines >= 1 && x.Lines <= 3, "circuit %q: %g V, %g A, %d lines", x.Name, x.Volts, x.Amps, x.Lines)
		c.need(x.PartPermille > 0 && x.PartPermille <= 1000, "circuit %q: %d permille of its breaker", x.Name, x.PartPermille)
	}
	for i := range c.p.PDUs {
		x := &c.p.PDUs[i]
		c.need(x.Volts > 0 && x.Amps > 0 && x.Lines >= 1 && x.Lines <= 3, "pdu %q: %g V, %g A, %d lines", x.Name, x.Volts, x.Amps, x.Lines)
		c.need((x.UPS >= 0) != (x.Circuit != nil) && x.UPS < len(c.p.UPSs), "pdu %q: fed by UPS %d and circuit %v", x.Name, x.UPS, x.Circuit)
		tap("pdu", x.Name, x.Circuit, circuit, len(c.p.Circuits))
	}
	for i := range c.p.UPSs {
		tap("ups", c.p.UPSs[i].Name, c.p.UPSs[i].Circuit, circuit, len(c.p.Circuits))
	}
	plugged := func(what, name string, p *Plugged) {
		for k := range p.Into {
			tap(what, name, &p.Into[k], func(i int) int { return c.p.PDUs[i].Lines }, len(c.p.PDUs))
		}
		c.need(p.PowerFactor >= 0 && p.PowerFactor <= 1 && p.InrushAmps >= 0 && p.NameplateWatts >= 0, "%s %q: power factor %g, inrush %g A", what, name, p.PowerFactor, p.InrushAmps)
	}
	for i := range c.p.Loads {
		plugged("load", c.p.Loads[i].Name, &c.p.Loads[i].Plugged)
	}
	for i := range c.p.Hosts {
		plugged("host", c.p.Hosts[i].Name, &c.p.Hosts[i].Plugged)
	}
}

func (c *checker) temperature(i int) {
	t := &c.p.Temperatures[i]
	c.need(i == 0 || c.p.Temperatures[i-1].Name < t.Name, "temperature %q: not sorted by name, or twice", t.Name)
	c.need(t.UPS >= -1 && t.UPS < len(c.p.UPSs), "temperature %q: of UPS %d", t.Name, t.UPS)
	c.need(ways(t.UPS >= 0, t.SNMP != nil && t.OID != "", t.File != "") == 1, "temperature %q: not read in one way", t.Name)
	c.need(t.Scale != 0 && t.Every > 0 && t.LimitTenths > 0 && t.RateTenths >= 0, "temperature %q: scale %g, every %v, limit %d, rate %d", t.Name, t.Scale, t.Every, t.LimitTenths, t.RateTenths)
	c.need(t.Confirm >= -1 && t.Confirm < len(c.p.Temperatures) && t.Confirm != i && (!t.WithInput || t.Confirm >= 0), "temperature %q: confirmed by %d", t.Name, t.Confirm)
	c.indices("temperature", t.Name, "Hosts", t.Hosts, len(c.p.Hosts))
	if r := t.Room; r != nil {
		c.need(r.TimeConstant > 0 && r.WattsPerKelvin > 0, "temperature %q: room of %v and %g W/K", t.Name, r.TimeConstant, r.WattsPerKelvin)
	}
}

// ways counts how many are true.
func ways(is ...bool) (n int) {
	for _, yes := range is {
		if yes {
			n++
		}
	}
	return n
}

// indices makes sure that a list is sorted, each once, and in range.
func (c *checker) indices(kind, name, what string, list []int, n int) {
	for i, k := range list {
		c.need(k >= 0 && k < n, "%s %q: %s has index %d of %d", kind, name, what, k, n)
		c.need(i == 0 || list[i-1] < k, "%s %q: %s not sorted, or one twice", kind, name, what)
	}
}

func (c *checker) host(i int) {
	h := &c.p.Hosts[i]
	c.indices("host", h.Name, "FedBy", h.FedBy, len(c.p.UPSs))
	c.indices("host", h.Name, "DependsOn", h.DependsOn, len(c.p.Hosts))
	c.indices("host", h.Name, "NeedsLoads", h.NeedsLoads, len(c.p.Loads))
	c.need(len(h.FedBy) > 0, "host %q: no UPS feeds it", h.Name)
	c.need(h.RunsOn >= -1 && h.RunsOn < len(c.p.Hosts), "host %q: runs on index %d", h.Name, h.RunsOn)
	c.need(h.RunsOn < 0 || slices.Contains(h.DependsOn, h.RunsOn), "host %q: does not depend on the host it runs on", h.Name)
	c.need(h.Watts >= 0 && h.StoppingWatts >= 0, "host %q: draws %d watts, %d while stopping", h.Name, h.Watts, h.StoppingWatts)
	c.need(h.KeepFor >= 0, "host %q: kept for %v", h.Name, h.KeepFor)
	c.need(!c.p.Site.Observe || h.Observe || h.StaysUp, "host %q: the site is only watched, and it is not", h.Name)
	c.need(!h.Observe || h.RunsOn < 0 || h.RunsOn >= len(c.p.Hosts) || c.p.Hosts[h.RunsOn].Observe || c.p.Hosts[h.RunsOn].StaysUp, "host %q: only watched, and runs on one that is stopped", h.Name)
	if h.StaysUp {
		return
	}
	c.need(h.Priority > 0, "host %q: priority %d", h.Name, h.Priority)
	c.need(h.StopsIn > 0 && h.StartsIn > 0, "host %q: stops in %v, starts in %v", h.Name, h.StopsIn, h.StartsIn)
	c.need(len(h.Methods) > 0, "host %q: no way to stop it", h.Name)
	for k := range h.Methods {
		m := &h.Methods[k]
		c.need(m.whole(), "host %q: method %d is not one of its kind", h.Name, k)
		c.need(m.GivesUp > 0, "host %q: method %d gives up after %v", h.Name, k, m.GivesUp)
		c.need((m.Kind == ByLocal) == h.Self, "host %q: method %d is %v, and only the own host is stopped locally", h.Name, k, m.Kind)
	}
	for k := range h.Starts {
		c.need(h.Starts[k].whole(), "host %q: start %d is not one of its kind", h.Name, k)
		c.need(h.Starts[k].Kind != ByHost || h.RunsOn >= 0, "host %q: start %d is for a guest", h.Name, k)
	}
	if pr := h.Prepare; pr != nil {
		c.need(pr.Ahead > 0 && pr.GivesUp > 0, "host %q: prepares %v ahead, gives up after %v", h.Name, pr.Ahead, pr.GivesUp)
		c.need(slices.ContainsFunc(h.Methods, func(m Method) bool { return m.Kind == BySSH }), "host %q: prepares over SSH and has none", h.Name)
	}
}

// whole says that a method has what its kind needs, and nothing else.
func (m *Method) whole() bool {
	ssh, local, bmc, outlet := m.SSH != nil, m.Local != nil, m.BMC != nil, m.Outlet != nil
	switch m.Kind {
	case BySSH:
		return ssh && !local && !bmc && !outlet && !m.Force
	case ByLocal:
		return local && !ssh && !bmc && !outlet && !m.Force
	case ByRedfish, ByIPMI:
		return bmc && !ssh && !local && !outlet
	case ByOutlet:
		return outlet && !ssh && !local && !bmc && m.Force && (m.Outlet.BMC == nil) != (m.Outlet.SNMP == nil)
	}
	return false
}

// whole says that a start has what its kind needs, and nothing else.
func (s *Start) whole() bool {
	wake, bmc, outlet, ssh := s.Ethernet != "", s.BMC != nil, s.Outlet != nil, s.SSH != nil
	switch s.Kind {
	case ByWake:
		return wake && !bmc && !outlet && !ssh
	case ByBMC:
		return bmc && !wake && !outlet && !ssh
	case ByOutletOn:
		return outlet && !wake && !bmc && !ssh
	case ByHost:
		return ssh && !wake && !bmc && !outlet
	}
	return false
}

// order makes sure that there is one: no circle, the own host last, and nobody
// who stays up needs one who is stopped.
func (c *checker) order() {
	self := -1
	for i := range c.p.Hosts {
		h := &c.p.Hosts[i]
		if h.Self {
			c.need(self < 0, "host %q: a second own host", h.Name)
			self = i
		}
		for _, on := range h.DependsOn {
			d := &c.p.Hosts[on]
			c.need(!h.Self || d.StaysUp, "host %q: the own host goes last, yet depends on %q", h.Name, d.Name)
			c.need(!h.StaysUp || d.StaysUp, "host %q: stays up, yet depends on %q", h.Name, d.Name)
		}
		if h.RunsOn >= 0 {
			c.need(slices.Equal(h.FedBy, c.p.Hosts[h.RunsOn].FedBy), "host %q: a guest with other feeds than its host", h.Name)
		}
	}
	all := c.p.dependentsFirst(func(*Host) bool { return true })
	for i := range c.p.Hosts {
		if len(all) < len(c.p.Hosts) && !slices.Contains(all, i) {
			c.need(false, "host %q: its dependencies go round in a circle", c.p.Hosts[i].Name)
			return
		}
	}
}

// Order gives the indices of the hosts in shutdown order: dependents before
// what they depend on, then lower priority first, ties by name; the agent's own
// host last. Hosts that stay up are not in it. The policy must pass
// [Policy.Check].
func (p *Policy) Order() []int {
	return p.dependentsFirst(func(h *Host) bool { return !h.StaysUp })
}

// dependentsFirst sorts the hosts that are in; those in a circle of
// dependencies, or needed by one, are left out.
func (p *Policy) dependentsFirst(in func(*Host) bool) []int {
	waiting := make([]int, len(p.Hosts)) // for so many dependents
	for i := range p.Hosts {
		if in(&p.Hosts[i]) {
			for _, on := range p.Hosts[i].DependsOn {
				waiting[on]++
			}
		}
	}
	ready := &queue{p: p}
	for i := range p.Hosts {
		if waiting[i] == 0 && in(&p.Hosts[i]) {
			ready.list = append(ready.list, i)
		}
	}
	heap.Init(ready)
	order := make([]int, 0, len(p.Hosts))
	for ready.Len() > 0 {
		i := heap.Pop(ready).(int)
		order = append(order, i)
		for _, on := range p.Hosts[i].DependsOn {
			if waiting[on]--; waiting[on] == 0 && in(&p.Hosts[on]) {
				heap.Push(ready, on)
			}
		}
	}
	return order
}

// queue holds the hosts with no dependent left, the next to go on top.
type queue struct {
	p    *Policy
	list []int
}

func (q *queue) Len() int      { return len(q.list) }
func (q *queue) Swap(a, b int) { q.list[a], q.list[b] = q.list[b], q.list[a] }
func (q *queue) Push(i any)    { q.list = append(q.list, i.(int)) }

func (q *queue) Less(a, b int) bool {
	x, y := &q.p.Hosts[q.list[a]], &q.p.Hosts[q.list[b]]
	switch {
	case x.Self != y.Self:
		return y.Self
	case x.Priority != y.Priority:
		return x.Priority < y.Priority
	}
	return x.Name < y.Name
}

func (q *queue) Pop() any {
	last := len(q.list) - 1
	i := q.list[last]
	q.list = q.list[:last]
	return i
}
