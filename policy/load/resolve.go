package load

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/hashicorp/hcl/v2"

	"ebbline/policy"
)

// resolve sorts everything by name, turns names into indices, and says what is
// inconsistent among them.
func (l *loader) resolve() {
	slices.SortFunc(l.upss, func(a, b policy.UPS) int { return cmp.Compare(a.Name, b.Name) })
	slices.SortFunc(l.loads, func(a, b *loadDraft) int { return cmp.Compare(a.Name, b.Name) })
	slices.SortFunc(l.hosts, func(a, b *hostDraft) int { return cmp.Compare(a.Name, b.Name) })
	slices.SortFunc(l.messages, func(a, b policy.Message) int { return cmp.Compare(a.Name, b.Name) })
	l.resolveBranches()
	for _, d := range l.loads {
		d.FedBy = l.upsIndices(d.feeds)
		d.Into = l.plugs(d.plugs)
	}
	for _, h := range slices.Concat(l.parts, l.hosts) {
		l.resolveHost(h)
	}
	l.findCircles()
	l.checkSelf()
	l.checkStaysUp()
	l.settleObserve()
	for _, h := range l.hosts {
		l.settleFeeds(h)
		l.checkPlugs(h.s, h.FedBy, h.Into, h.plugs)
	}
	for _, d := range l.loads {
		l.checkPlugs(d.s, d.FedBy, d.Into, d.plugs)
	}
	l.resolveTemperatures()
	l.resolveEmergencies()
	l.settleWatts()
	for _, h := range l.hosts {
		l.settleStart(h)
	}
}

func (l *loader) hostAt(name string) (int, bool) {
	return slices.BinarySearchFunc(l.hosts, name, func(h *hostDraft, n string) int { return cmp.Compare(h.Name, n) })
}

func (l *loader) loadAt(name string) (int, bool) {
	return slices.BinarySearchFunc(l.loads, name, func(d *loadDraft, n string) int { return cmp.Compare(d.Name, n) })
}

func (l *loader) upsAt(name string) (int, bool) {
	return slices.BinarySearchFunc(l.upss, name, func(u policy.UPS, n string) int { return cmp.Compare(u.Name, n) })
}

// unknown reports a name that nothing of these kinds has. Where a part of the
// files could not be parsed the name may stand there, and nothing is said.
func (l *loader) unknown(w word, summary, what string, kinds []string) {
	if l.incomplete || l.full(hcl.DiagError) {
		return
	}
	var names []string
	for _, kind := range kinds {
		for _, s := range l.sections[kind] {
			names = append(names, s.name)
		}
	}
	slices.Sort(names)
	hint := l.meant(w.text, names)
	if hint == "" {
		for _, kind := range slices.Sorted(maps.Keys(l.sections)) {
			if l.index.sections[kind+" "+w.text] != nil && !slices.Contains(kinds, kind) {
				hint = fmt.Sprintf(" There is a %s of this name, but a %s is needed here.", kind, what)
			}
		}
	}
	if hint == "" {
		hint = known(" Declared: %s.", names)
	}
	if hint == "" {
		hint = fmt.Sprintf(" Declare it: %s %q { ... }.", kinds[0], w.text)
	}
	l.err(w.at, summary, "No %s %q is declared.%s", what, w.text, hint)
}

// upsIndices turns names of UPSs into sorted indices.
func (l *loader) upsIndices(words []word) []int {
	var out []int
	for _, w := range words {
		if i, ok := l.upsAt(w.text); ok {
			out = append(out, i)
		} else {
			l.unknown(w, unknownUPS, "UPS", []string{"ups"})
		}
	}
	slices.Sort(out)
	return out
}

// isUnfed tells whether a name is that of the agent's own host, and no UPS feeds it.
func (l *loader) isUnfed(name string) bool { return l.unfed != nil && l.unfed.name == name }

func (l *loader) resolveHost(h *hostDraft) {
	h.FedBy = l.upsIndices(h.feeds)
	h.Into = l.plugs(h.plugs)
	for _, w := range h.needs {
		if l.isUnfed(w.text) {
			continue // it does not go down, so that nothing need go before it
		}
		if i, ok := l.hostAt(w.text); ok {
			h.DependsOn = append(h.DependsOn, i)
		} else if i, ok := l.loadAt(w.text); ok {
			h.NeedsLoads = append(h.NeedsLoads, i)
		} else {
			l.unknown(w, unknownHost, "host or load", []string{"host", "load"})
		}
	}
	if h.runsOn != nil && l.isUnfed(h.runsOn.text) {
		l.err(h.runsOn.at, noFeed, "%q hangs on no UPS, so that an outage stops nothing on it. Remove %s.", h.runsOn.text, h.s.title)
	} else if h.runsOn != nil {
		if i, ok := l.hostAt(h.runsOn.text); ok {
			h.RunsOn = i
			h.DependsOn = append(h.DependsOn, i)
		} else {
			l.unknown(*h.runsOn, unknownHost, "host", []string{"host"})
		}
	}
	slices.Sort(h.DependsOn)
	h.DependsOn = slices.Compact(h.DependsOn)
	slices.Sort(h.NeedsLoads)
}

// edge is one host needing another, as written.
type edge struct {
	to   int
	verb string
	at   place
}

func (l *loader) edges(h *hostDraft) []edge {
	var out []edge
	for _, w := range h.needs {
		if i, ok := l.hostAt(w.text); ok {
			out = append(out, edge{i, "depends on", w.at})
		}
	}
	if h.RunsOn >= 0 {
		out = append(out, edge{h.RunsOn, "runs on", h.runsOn.at})
	}
	return out
}

// findCircles reports every circle of depends_on and runs_on, each host in one
// report at most.
func (l *loader) findCircles() {
	state := make([]uint8, len(l.hosts))
	var path []int
	var by []edge // by[i] leads from path[i] onwards
	told := make([]bool, len(l.hosts))
	var visit func(i int)
	visit = func(i int) {
		state[i] = underWay
		path = append(path, i)
		for _, e := range l.edges(l.hosts[i]) {
			by = append(by, e)
			switch state[e.to] {
			case untouched:
				visit(e.to)
			case underWay:
				from := slices.Index(path, e.to)
				l.reportCircle(path[from:], by[from:], told)
			}
			by = by[:len(by)-1]
		}
		path = path[:len(path)-1]
		state[i] = done
	}
	for i := range l.hosts {
		if state[i] == untouched {
			visit(i)
		}
	}
}

func (l *loader) reportCircle(path []int, by []edge, told []bool) {
	if slices.ContainsFunc(path, func(i int) bool { return told[i] }) {
		return
	}
	var steps []string
	for k, i := range path {
		told[i] = true
		steps = append(steps, fmt.Sprintf("%q %s %q", l.hosts[i].Name, by[k].verb, l.hosts[by[k].to].Name))
	}
	l.err(by[0].at, hostCircle, "Each of these would have to be down before the next, round and round: %s. Remove one of these dependencies.", strings.Join(steps, ", "))
}

// checkSelf makes sure that the agent's own host can be the last one.
func (l *loader) checkSelf() {
	var first *hostDraft
	for _, h := range l.hosts {
		if !h.Self {
			continue
		}
		if l.unfed != nil {
			l.err(l.get(h.s, "self").own(), selfTwice, "%s is the agent's own host already, and the agent runs on one host. Remove self from one of them.", l.unfed.title)
			continue
		}
		if first != nil {
			l.err(l.get(h.s, "self").own(), selfTwice, "%s is the agent's own host already, and the agent runs on one host. Remove self from one of them.", first.s.title)
			continue
		}
		first = h
		for _, e := range l.edges(h) {
			if on := l.hosts[e.to]; !on.StaysUp && on != h && !on.s.broken {
				l.err(e.at, selfNotLast, "The agent's own host goes last, but %q %s %q, which would have to go even later. Run the agent on %q itself, or on a machine that needs no other, or remove this dependency.", h.Name, e.verb, on.Name, on.Name)
			}
		}
	}
}

// checkStaysUp refuses a host that is never stopped and yet needs one that is:
// the latter could never go.
func (l *loader) checkStaysUp() {
	for _, h := range l.hosts {
		if !h.StaysUp {
			continue
		}
		for _, e := range l.edges(h) {
			if on := l.hosts[e.to]; !on.StaysUp && on != h && !on.s.broken {
				l.err(e.at, staysUpNeeds, "%q is never stopped, but it %s %q, which is. Write stays_up = true there too, or remove it here.", h.Name, e.verb, on.Name)
			}
		}
	}
}

// settleObserve has the site's word hold for every host, and refuses what could not be
// kept: a guest goes with the host that it runs on.
func (l *loader) settleObserve() {
	for _, h := range l.hosts {
		f := l.get(h.s, "observe")
		switch {
		case h.StaysUp && h.Observe:
			l.err(f.own(), doesNotApply, "%s stays up, so that nothing would be done to it. Remove observe, or remove stays_up.", h.s.title)
			h.Observe = false
		case l.site.Observe && f.ok && !h.Observe:
			l.err(f.own(), observedAll, "observe = true in the site is for every host, and %s says observe = false. Remove it here; or remove it from the site and write observe = true in each host that is only to be watched.", h.s.title)
		}
		h.Observe = h.Observe || l.site.Observe && !h.StaysUp
	}
	for _, h := range l.hosts {
		if h.RunsOn < 0 {
			continue
		}
		if on := l.hosts[h.RunsOn]; h.Observe && !on.Observe && !on.StaysUp && on != h && !on.s.broken {
			l.err(l.get(h.s, "observe").own(), observedGuest, "%q is only to be watched, and %q, on which it runs, is stopped in an outage: it would go with that one. Write observe = true in %q too, or remove it here.", h.Name, on.Name, on.Name)
		}
	}
}

// machine gives the machine at the bottom of a guest; nil when there is none,
// because of an error that was reported.
func (l *loader) machine(h *hostDraft) *hostDraft {
	for range l.hosts {
		switch {
		case h.RunsOn >= 0:
			h = l.hosts[h.RunsOn]
		case h.runsOn != nil || h.s.broken:
			return nil
		default:
			return h
		}
	}
	return nil
}

// settleFeeds gives a guest the feeds of its machine.
func (l *loader) settleFeeds(h *hostDraft) {
	m := l.machine(h)
	if m == nil || m == h {
		return
	}
	if h.feeds != nil && !slices.Equal(h.FedBy, m.FedBy) {
		l.err(l.get(h.s, "fed_by").own(), otherFeed, "A guest has the feeds of the machine that it runs on, and those of %q are others. Remove fed_by from %s.", m.Name, h.s.title)
	}
	h.FedBy = slices.Clone(m.FedBy)
}

// settleWatts takes each guest's draw out of its host's, in which it was
// written too, so that every watt is counted once.
func (l *loader) settleWatts() {
	guests := make([]int64, len(l.hosts))
	unclear := make([]bool, len(l.hosts)) // something wrong was reported
	for i, h := range l.hosts {
		unclear[i] = unclear[i] || h.Watts < 0 || h.s.broken
		if h.RunsOn >= 0 {
			guests[h.RunsOn] += h.Watts
			unclear[h.RunsOn] = unclear[h.RunsOn] || h.Watts < 0
		}
	}
	for i, h := range l.hosts {
		if !unclear[i] && h.Watts < guests[i] {
			l.err(l.get(h.s, "watts").own(), guestsDraw, "The watts of a host are those of its guests too. %s has %d, and its guests have %d together. Write more watts here or fewer there.", h.s.title, h.Watts, guests[i])
		}
		h.Watts -= guests[i]
		if h.StoppingWatts < 0 {
			h.StoppingWatts = h.Watts
		}
	}
}

// settleStart adds the command that starts a guest, over the SSH of its host.
func (l *loader) settleStart(h *hostDraft) {
	switch {
	case h.start == nil:
		return
	case h.runsOn == nil:
		l.err(h.start.head, doesNotApply, "%s runs its command on the host of a guest, and this is a machine. Write wake, bmc or outlet to start it, or runs_on if it is a guest.", h.start.title)
		return
	case h.RunsOn < 0:
		return
	}
	on := l.hosts[h.RunsOn]
	if on.s.broken {
		return
	}
	via := slices.IndexFunc(on.Methods, func(m policy.Method) bool { return m.Kind == policy.BySSH })
	if via < 0 {
		l.err(h.start.head, noSSH, "%s runs its command over SSH on %q, which has no block ssh. Write one there, or remove start.", h.start.title, on.Name)
		return
	}
	ssh := *on.Methods[via].SSH
	ssh.Command = h.startCmd
	h.Starts = append(h.Starts, policy.Start{Kind: policy.ByHost, SSH: &ssh})
}
