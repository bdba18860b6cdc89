// Package rehearse tries, while all is well, what an outage will rest on: whether
// every UPS and sensor answers, and every way to stop or start a host works. It has
// no effect on a host, but for [RealStop], which goes through the running agent.
package rehearse

import (
	"context"
	"errors"
	"sync/atomic"
	"time"

	"ebbline/agent"
	"ebbline/agent/bounded"
	"ebbline/agent/clean"
	"ebbline/agent/probe"
	"ebbline/policy"
	"ebbline/shutdown"
)

const (
	// AtOnce is how many hosts are tried at once; a BMC or a PDU that several share has
	// few sessions.
	AtOnce = 4
	// Within is for one way, or its share of the allowance if that is less.
	Within    = 15 * time.Second
	upsWithin = 5 * time.Second // beside the policy's own timeout for SNMP
)

// Secrets gives the value of a secret when it is needed.
type Secrets = func(policy.Secret) ([]byte, error)

// Parts makes what is tried.
type Parts struct {
	Read   Secrets
	Source func(*policy.UPS) agent.Source // nil where the policy has no way to ask
	BMC    func(b *policy.BMC, ipmi bool) Checker
	Outlet func(*policy.Outlet) Checker
}

// Checker is a BMC or an outlet, asked without effect.
type Checker interface {
	Check(ctx context.Context, v shutdown.Verb) (shutdown.Outcome, string)
}

// Rehearsal is one round over all that a policy names, and what it found.
type Rehearsal struct {
	Policy *policy.Policy
	Parts  Parts

	UPSs    []UPSAnswer // by UPS
	Hosts   []HostFound // by host
	Sensors []Sensed    // by temperature, then by emergency input
}

// UPSAnswer is one UPS's answer.
type UPSAnswer struct {
	Measurement shutdown.Measurement
	Err         error
	Took        time.Duration
}

// HostFound is what was found of one host.
type HostFound struct {
	Ways []Tried
	Seen shutdown.Sighting
	Look string // what the look at it showed, in words
}

// Problem is one thing that is wrong: with a UPS, a sensor, or a host by one way.
type Problem struct {
	UPS, Host, By, Sensor string
	Text                  string
	Next                  string // what to do, where the text does not say it
}

// Run tries everything. After each host it tells how many were tried, from any
// goroutine.
func (r *Rehearsal) Run(ctx context.Context, progress func(hosts int)) {
	p := r.Policy
	r.UPSs, r.Hosts = make([]UPSAnswer, len(p.UPSs)), make([]HostFound, len(p.Hosts))
	bounded.Each(ctx, len(r.UPSs), AtOnce, func(i int) { r.UPSs[i] = r.Parts.poll(ctx, &p.UPSs[i]) })
	r.sense(ctx)
	var done atomic.Int64
	bounded.Each(ctx, len(r.Hosts), AtOnce, func(k int) {
		r.Hosts[k] = r.Parts.visit(ctx, &p.Hosts[k])
		progress(int(done.Add(1)))
	})
}

var errNoSource = errors.New("the policy has no way to ask it: write a block snmp or hid")

func (p *Parts) poll(ctx context.Context, u *policy.UPS) (got UPSAnswer) {
	s := p.Source(u)
	if s == nil {
		return UPSAnswer{shutdown.Nothing, errNoSource, 0}
	}
	ctx, cancel := context.WithTimeout(ctx, max(upsWithin, u.Timeout()))
	defer cancel()
	began := time.Now()
	got.Measurement, got.Err = s.Poll(ctx)
	got.Took = time.Since(began)
	return got
}

// visit looks at a host and tries its ways.
func (p *Parts) visit(ctx context.Context, h *policy.Host) (a HostFound) {
	if h.StaysUp {
		return a
	}
	if h.Self {
		a.Seen, a.Look = shutdown.SeenUp, "the agent runs here"
	} else {
		a.Seen, a.Look = probe.New(h).Look(ctx)
	}
	a.Ways = p.Try(ctx, h)
	return a
}

// Problems says what is wrong with a UPS.
func (u *UPSAnswer) Problems(name string) (list []Problem) {
	wrong := func(text, next string) { list = append(list, Problem{UPS: name, Text: text, Next: next}) }
	if u.Err != nil {
		wrong(clean.OneLine(u.Err.Error()), "While it does not answer, the agent does not know when the input fails.")
		return list
	}
	switch u.Measurement.Source {
	case shutdown.FromBattery:
		wrong("it is on battery now", "Rehearse when the input is back.")
	case shutdown.FromBypass:
		wrong("it is on bypass: no battery stands behind its output", "Bring it back to normal mode.")
	case shutdown.FromNothing:
		wrong("its output is off: it carries nothing", "Switch its output on, if its hosts hang on it.")
	case 0:
		wrong("it answers, and does not say from what it carries the load", "Look at its card: without that an outage is not seen.")
	}
	if b := u.Measurement.Battery; b == shutdown.StatusLow || b == shutdown.StatusDepleted {
		wrong("it says that its battery is "+b.String(), "Let it charge; if that does not help, test the battery.")
	}
	return list
}

// Problems says what is wrong with a host: its ways, and whether it is seen.
func (a *HostFound) Problems(h *policy.Host) (list []Problem) {
	reached := true // by every way; else that it is not seen is no news
	for i := range a.Ways {
		w := &a.Ways[i]
		if w.Readiness == Ready {
			continue
		}
		reached = reached && w.Readiness != Unreachable && w.Readiness != Silent
		text := string(w.Readiness) + ": " + w.Text
		if w.Address != "" && w.Readiness != Unusable {
			text = "at " + w.Address + ", " + text
		}
		list = append(list, Problem{Host: h.Name, By: w.By, Text: text, Next: w.Next})
	}
	if a.Seen != shutdown.SeenUp && reached && canBeSeen(h) {
		list = append(list, Problem{Host: h.Name, By: "probe", Text: "it is not seen up: " + clean.OneLine(a.Look),
			Next: "The agent looks there whether it is down. Correct the probe's address, or open the way to it."})
	}
	return list
}

// canBeSeen tells whether the policy gives an address to look at; other hosts
// are seen by their BMC or outlet alone.
func canBeSeen(h *policy.Host) bool { return h.Self || h.Probe.Address != "" || h.FirstSSH() != nil }
