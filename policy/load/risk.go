package load

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbline/policy"
)

// Below these a policy is allowed and reckless; common practice, no source.
const (
	shortRideThrough = 10 * time.Second
	littleReserve    = 30 * time.Second
	highLoadPercent  = 80
)

// risks warns of what is allowed and may still end badly.
func (l *loader) risks(p *policy.Policy) {
	l.siteRisks(p)
	for i := range p.UPSs {
		l.upsRisks(p, i)
	}
	l.clearRisks(p)
	lowest := l.dependents(p)
	var lost []*section
	for i := range p.Hosts {
		l.hostRisks(p, i, lowest[i])
		if h := &p.Hosts[i]; !h.StaysUp && !h.Self && !canReturn(p, i) { // of the agent's own host check says more
			lost = append(lost, l.hosts[i].s)
		}
	}
	l.noReturn(lost)
	l.twins(p)
	l.branchRisks(p)
	l.heatRisks(p)
	l.emergencyRisks(p)
	l.observeRisks(p)
}

// observeRisks says what no order is given to, and what that means for the others.
func (l *loader) observeRisks(p *policy.Policy) {
	if p.Site.Observe {
		l.warn(l.get(l.sections["site"][0], "observe").at(), watchedOnly, "observe = true: in an outage nothing is stopped, started or switched off, and the machines lose their power when the battery is empty. Remove it when what you have seen is what you want.")
		return
	}
	for k := range p.Hosts {
		h, draft := &p.Hosts[k], l.hosts[k]
		if !h.Observe {
			continue
		}
		l.warn(l.get(draft.s, "observe").own(), watchedOnly, "observe = true: %q is not stopped in an outage, and loses its power when the battery is empty. The others are planned as if it drew its watts until then.", h.Name)
		for _, e := range l.edges(draft) {
			if on := &p.Hosts[e.to]; !on.Observe && !on.StaysUp {
				l.warn(e.at, watchedNeeds, "%q is only watched and stays up, but it %s %q, which is stopped: as late as the battery allows, and under it. Write observe = true in %q too, if %q is not to lose it.", h.Name, e.verb, on.Name, on.Name, h.Name)
			}
		}
	}
	for i := range p.UPSs {
		if u := &p.UPSs[i]; u.Output != nil && p.Watched(i) {
			l.warn(l.declared["ups "+u.Name].one("output").head, watchedOutput, "UPS %q feeds a host that is only watched, or what such a host needs, so that its output is not switched off: what starts with the power, the agent's own host perhaps, does not come back by that. Nothing need be changed here while you watch.", u.Name)
		}
	}
}

// twins warns of what a copied block still shares with its original: one card or
// machine would stand for two. One address with two commands is none: a guest may
// be stopped through its host.
func (l *loader) twins(p *policy.Policy) {
	first := make(map[string]string)
	see := func(name, key, what string) {
		if was, ok := first[key]; ok && was != name {
			l.warn(l.declared[name].head, twice, "%q and %q have the same %s. Write its own for each.", strings.SplitN(was, " ", 2)[1], strings.SplitN(name, " ", 2)[1], what)
			return
		}
		first[key] = name
	}
	for i := range p.UPSs {
		if u := &p.UPSs[i]; u.SNMP != nil {
			see("ups "+u.Name, "snmp "+u.SNMP.Address, "SNMP address")
		}
	}
	for i := range p.Hosts {
		h := &p.Hosts[i]
		for m := range h.Methods {
			if s := h.Methods[m].SSH; s != nil {
				see("host "+h.Name, "ssh "+s.Address+"\x00"+s.Command, "SSH address and command")
			}
		}
		for j := range h.Starts {
			if s := &h.Starts[j]; s.Kind == policy.ByWake {
				see("host "+h.Name, "wake "+s.Ethernet, "ethernet address")
			}
		}
	}
}

func (l *loader) siteRisks(p *policy.Policy) {
	s := l.sections["site"][0]
	if f := l.get(s, "ride_through"); p.Site.RideThrough < shortRideThrough {
		l.warn(f.at(), shortRide, "Most interruptions end within a minute, and hosts will be stopped for those of %s. Write a ride_through of 30s or more.", short(p.Site.RideThrough))
	}
	if f := l.get(s, "reserve"); p.Site.Reserve < littleReserve {
		l.warn(f.at(), shortReserve, "A reserve of %s leaves next to nothing for a forecast that errs. Write 60s or more.", short(p.Site.Reserve))
	}
	if l.unfed == nil && !slices.ContainsFunc(p.Hosts, func(h policy.Host) bool { return h.Self }) {
		l.warn(s.head, noSelf, "No host says that the agent runs on it, so that the agent's host is never stopped. Write self = true in its block.")
	}
}

func (l *loader) upsRisks(p *policy.Policy, i int) {
	u := &p.UPSs[i]
	s := l.declared["ups "+u.Name]
	battery := s.one("battery")
	if u.Battery.InstalledDay == 0 {
		l.warn(battery.head, noBatteryDate, "%s does not say when the battery was put in, so it is forecast as one of unknown age, which lasts for less. Write installed = \"2025-03-01\".", battery.title)
	}
	carried := carriedWatts(p, i)
	if percent := (carried*100 + u.RatedWatts - 1) / u.RatedWatts; percent > highLoadPercent {
		l.warn(l.get(s, "rated_watts").at(), highLoad, "With all that it feeds, at the worst, %s carries %d of its %d watts (%d %%). Above %d %% a start or one more machine may overload it. Move something to another UPS, or check the watts.", s.title, carried, u.RatedWatts, percent, highLoadPercent)
	}
	if c := u.Battery.Chart; len(c) > 0 {
		if last, load := c[len(c)-1], policy.UsualWatts(p, i); last.Watts < load {
			l.warn(l.get(battery, "chart").at(), shortChart, "The chart ends at %d watts, and all that %s feeds draws %d. Beyond its last row the chart says nothing and the forecast is far shorter than it need be. Copy a row for %d watts or more from the maker's chart.", last.Watts, s.title, load, load)
		}
	}
	if u.Output == nil {
		return
	}
	out := s.one("output")
	for k := range p.Hosts {
		h := &p.Hosts[k]
		if h.Self && !h.StaysUp && slices.Contains(h.FedBy, i) && u.Output.OffAfter < h.GivesUp() {
			l.warn(l.get(out, "cut_after").at(), outputTooSoon, "The agent's own host %q stops after the order to switch off is given, and may take %s. Write a cut_after longer than that.", h.Name, short(h.GivesUp()))
		}
	}
}

// clearRisks says once for all UPSs which of them are read, and perhaps switched,
// without proof of who speaks.
func (l *loader) clearRisks(p *policy.Policy) {
	var names []string
	var first *section
	read := "read"
	for i := range p.UPSs {
		u := &p.UPSs[i]
		if u.SNMP == nil || u.SNMP.Auth != "" {
			continue
		}
		if names = append(names, fmt.Sprintf("%q", u.Name)); first == nil {
			first = l.declared["ups "+u.Name].one("snmp")
		}
		if u.Output != nil {
			read = "read, and switched,"
		}
	}
	if first == nil {
		return
	}
	at := first.head
	if f := l.get(first, "version"); f.ok {
		at = f.at()
	}
	who := "UPS " + names[0] + " is"
	if n := len(names); n > 1 {
		who = "UPSs " + strings.Join(names[:min(n, 5)], ", ")
		if n > 5 {
			who += fmt.Sprintf(" and %d more", n-5)
		}
		who += " are"
	}
	l.warn(at, clearSNMP, "%s %s over SNMP without keys: whoever can listen on the way can read the community and answer in the card's place, so that hosts stop for nothing or an outage is hidden. If the card knows SNMP v3, set up a user with two keys there and write version = \"3\" with user, auth_key and priv_key: that is the better way. If it does not, put the card and this machine on a management VLAN that nothing else reaches.", who, read)
}

// carriedWatts is a UPS's load when it is the last feed of all that it feeds.
func carriedWatts(p *policy.Policy, ups int) int64 {
	var sum int64
	for i := range p.Hosts {
		if slices.Contains(p.Hosts[i].FedBy, ups) {
			sum += p.Hosts[i].Watts
		}
	}
	for i := range p.Loads {
		if slices.Contains(p.Loads[i].FedBy, ups) {
			sum += p.Loads[i].Watts
		}
	}
	return sum
}

// demand is what the dependents of a host ask of it.
type demand struct {
	priority, keep int // index of the dependent with the most of it, -1 for none
}

func (l *loader) dependents(p *policy.Policy) []demand {
	out := make([]demand, len(p.Hosts))
	for i := range out {
		out[i] = demand{-1, -1}
	}
	for i := range p.Hosts {
		if p.Hosts[i].StaysUp {
			continue
		}
		for _, on := range p.Hosts[i].DependsOn {
			d := &out[on]
			if d.priority < 0 || p.Hosts[i].Priority > p.Hosts[d.priority].Priority {
				d.priority = i
			}
			if d.keep < 0 || p.Hosts[i].KeepFor > p.Hosts[d.keep].KeepFor {
				d.keep = i
			}
		}
	}
	return out
}

func (l *loader) hostRisks(p *policy.Policy, i int, by demand) {
	h, s := &p.Hosts[i], l.hosts[i].s
	l.foreignNeeds(p, i)
	if h.StaysUp {
		return
	}
	if f := l.get(s, "priority"); by.priority >= 0 && !h.Self && p.Hosts[by.priority].Priority > h.Priority {
		d := &p.Hosts[by.priority]
		l.warn(f.own(), priorityBelow, "%q has priority %d but %q, which needs it, has %d: it will be kept longer than its own priority says. Write at least %d here.", h.Name, h.Priority, d.Name, d.Priority, d.Priority)
	}
	if f := l.get(s, "keep_for"); by.keep >= 0 && h.KeepFor > 0 && p.Hosts[by.keep].KeepFor > h.KeepFor {
		d := &p.Hosts[by.keep]
		l.warn(f.own(), promiseBelow, "%q is promised %s but %q, which needs it, %s: it will be kept as long as that one. Write at least the same here.", h.Name, short(h.KeepFor), d.Name, short(d.KeepFor))
	}
}

// mostNamed is how many of a long list are named in one message.
const mostNamed = 5

// noReturn warns of the hosts that nothing starts again, all in one.
func (l *loader) noReturn(list []*section) {
	if len(list) == 0 {
		return
	}
	var names []string
	for _, s := range list[:min(len(list), mostNamed)] {
		names = append(names, s.name)
	}
	text := quoted(names)
	if more := len(list) - mostNamed; more > 0 {
		text = fmt.Sprintf("%d hosts again after an outage: %s and %d more", len(list), text, more)
	} else {
		text += " again after an outage"
	}
	l.warn(list[0].head, noWayBack, "Nothing starts %s. Write wake, bmc or outlet in a host (start in a guest), or let the power do it: an output block in its UPS, and the host set to start with the power.", text)
}

// canReturn says that something starts a host again: a way of its own, or the
// power of a UPS whose output is switched, or, for a guest, its host's start.
func canReturn(p *policy.Policy, i int) bool {
	for ; ; i = p.Hosts[i].RunsOn {
		h := &p.Hosts[i]
		if len(h.Starts) > 0 || slices.ContainsFunc(h.FedBy, func(u int) bool { return p.UPSs[u].Output != nil }) {
			return true
		}
		if h.RunsOn < 0 {
			return false
		}
	}
}

// foreignNeeds warns when a host outlives, on one of its feeds, a load or a
// host that is never stopped and that it needs: no order of stops can help.
func (l *loader) foreignNeeds(p *policy.Policy, i int) {
	h, draft := &p.Hosts[i], l.hosts[i]
	warn := func(name string, feeds []int) {
		var missing []string
		for _, u := range h.FedBy {
			if !slices.Contains(feeds, u) {
				missing = append(missing, p.UPSs[u].Name)
			}
		}
		if len(missing) == 0 {
			return
		}
		at := draft.s.head
		for _, w := range draft.needs {
			if w.text == name && w.at.block == at.block {
				at = w.at
			}
		}
		l.warn(at, foreignLoad, "%q may run on %s while %q, which it needs and which is not fed from there, has lost its power. Feed both from the same UPSs.", h.Name, strings.Join(missing, " and "), name)
	}
	for _, k := range h.NeedsLoads {
		warn(p.Loads[k].Name, p.Loads[k].FedBy)
	}
	for _, k := range h.DependsOn {
		if p.Hosts[k].StaysUp {
			warn(p.Hosts[k].Name, p.Hosts[k].FedBy)
		}
	}
}
