package main

import (
	"context"
	"time"

	"ebbline/agent"
	"ebbline/agent/bounded"
	"ebbline/agent/source/snmp"
	"ebbline/policy"
	"ebbline/policy/electrical"
)

const (
	metersEvery  = time.Minute
	metersAtOnce = 4 // UPSs
)

// meters read what UPSs say of their lines, their frequency and their own count of
// bad inputs, for the survey: by connections of their own, so that no decision waits
// for them, and never in an outage. A card that does not answer has been told of.
type meters struct {
	read  secrets
	heard func(ups string, l electrical.Lines)

	of      *policy.Policy // that the readers are for
	readers []*snmp.LineReader
}

// run lives until ctx ends.
func (m *meters) run(ctx context.Context, a *agent.Agent) {
	tick := time.NewTicker(metersEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if p, _ := a.Calm(); p != nil {
			m.employ(p)
			m.round(ctx)
		}
	}
}

// employ makes the readers for a policy in the place of those before.
func (m *meters) employ(p *policy.Policy) {
	if p == m.of {
		return
	}
	m.of, m.readers = p, nil
	for i := 0; p != nil && i < len(p.UPSs); i++ {
		var r *snmp.LineReader
		if u := &p.UPSs[i]; u.SNMP != nil {
			r, _ = snmp.NewLineReader(*u.SNMP, m.read) // a secret that is missing is told of by the polls
		}
		m.readers = append(m.readers, r)
	}
}

func (m *meters) round(ctx context.Context) {
	bounded.Each(ctx, len(m.readers), metersAtOnce, func(i int) {
		if m.readers[i] == nil {
			return
		}
		if l, err := m.readers[i].Read(ctx); err == nil {
			m.heard(m.of.UPSs[i].Name, l)
		}
	})
}
