package agent

import (
	"slices"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
)

// Change says what a piece of news is.
type Change string

const (
	Raised   Change = "raised"   // a condition is so from now on
	Over     Change = "over"     // it is so no longer
	Happened Change = "happened" // once
)

// News is one thing that people may want to be told. It is all that messages
// know of the agent.
type News struct {
	At       time.Time // of the step that told it
	Change   Change
	Code     string // stable: "input-lost", "source-silent"
	Severity policy.Severity
	UPS      string // "" for none
	Host     string // "" for none
	Text     string // what is so and, for a condition, the next step
	Outage   uint32 // during, or of, this one; 0 when all is normal
}

// phaseCodes are what a UPS's change of phase is called: each matters to others.
var phaseCodes = map[shutdown.Phase]string{
	shutdown.Normal: "normal", shutdown.RideThrough: InputLost, shutdown.Shedding: "hosts-stopping",
	shutdown.AllDown: "hosts-down", shutdown.Recovery: "input-back",
}

// Codes of news that others ask for by name.
const (
	InputLost    = "input-lost"
	OutageOver   = "outage-over"
	OutageReport = "outage-report" // told by who writes it, some seconds after the end
)

// ofPhase is how severe a UPS's change of phase is, and a report.
var ofPhase = map[string]policy.Severity{
	InputLost: policy.Warning, "hosts-stopping": policy.Critical, "hosts-down": policy.Warning, "input-back": policy.Warning,
	OutageReport: policy.Warning,
}

// Severity gives the severity of a code.
func Severity(code string) policy.Severity {
	if s, ok := ofPhase[code]; ok {
		return s
	}
	for _, c := range shutdown.Codes() {
		if c.String() == code {
			return c.Severity()
		}
	}
	return policy.Info
}

// Codes lists every code that news may have, sorted.
func Codes() []string {
	var all []string
	for _, c := range shutdown.Codes() {
		if c != shutdown.PhaseEntered {
			all = append(all, c.String())
		}
	}
	for _, c := range phaseCodes {
		all = append(all, c)
	}
	all = append(all, OutageReport)
	slices.Sort(all)
	return all
}

// newsOf puts a notice into what people may want to be told.
func newsOf(at shutdown.Instant, p *policy.Policy, n *shutdown.Notice, outage uint32) News {
	w := News{At: wall(at), Change: Happened, Code: n.Code.String(), Text: textOf(p, n), Outage: outage}
	w.UPS, w.Host = n.Names(p)
	switch {
	case n.Code == shutdown.PhaseEntered:
		w.Code = phaseCodes[shutdown.Phase(n.A)]
		if w.Code == InputLost && p.Site.Observe { // who is told at night may not know it
			w.Text += "; only watching (observe), no host is stopped"
		}
	case n.Code == shutdown.OutageOver:
		w.Outage = uint32(n.A)
	case n.Code.Condition():
		w.Change = Raised
		if n.Clear {
			w.Change = Over
		}
	}
	w.Severity = Severity(w.Code)
	return w
}

// News gives the conditions that stand, as they were told when they were raised,
// and the outage that is on: what was told before a crash may not have arrived.
func (a *Agent) News() (standing []News, outage uint32) {
	a.mu.Lock()
	defer a.mu.Unlock()
	outage = a.outage()
	for _, c := range a.board.Conditions {
		standing = append(standing, News{At: c.Since, Change: Raised, Code: c.Code, Severity: Severity(c.Code), UPS: c.UPS, Host: c.Host, Text: c.Text, Outage: outage})
	}
	return standing, outage
}

// outage is the number of the one that is on; 0 for none. The caller holds a.mu.
func (a *Agent) outage() uint32 {
	if !a.seen.Outstanding() {
		return 0
	}
	return a.seen.Outage
}
