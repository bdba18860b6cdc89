package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"slices"
	"time"

	"go.uber.org/zap"

	"ebbline/agent"
	"ebbline/agent/history"
	"ebbline/agent/history/learn"
	"ebbline/agent/history/record"
	"ebbline/agent/history/trial/guided"
	"ebbline/policy"
	"ebbline/shutdown"
)

const (
	learnWithin = 2 * time.Second // the history may hold a start up so long: an outage may be on
	healthEvery = 5 * time.Second
	learnFirst  = 30 * time.Second // after the start
	learnEvery  = 24 * time.Hour
)

// historian is the running agent's history: what it records, and the policy
// corrected by it. Nothing that is wrong with it stops the agent; a condition
// says so. One goroutine at a time calls learned and again.
type historian struct {
	path   string
	writer *history.Writer
	log    *zap.Logger
	rec    *record.Recorder
	over   chan struct{} // an outage or a test has ended

	own  *policy.Policy // as the operator wrote it
	used *policy.Policy // as it was learned last

	told    []string  // the last notes, as they were logged
	toldAll time.Time // when all were

	held conditions // of watch alone

	reported func(o *history.Outage, text string, page []byte) // told of the report of each outage; may be nil
	last     uint32                                            // the outage that it was told of
}

func openHistorian(path string, log *zap.Logger) (*historian, error) {
	writer, err := history.Open(path, history.Options{})
	if err != nil {
		return nil, err
	}
	m := &historian{path: path, writer: writer, log: log, over: make(chan struct{}, 1)}
	m.rec = record.New(writer, time.Now, m.learnAgain)
	return m, nil
}

func (m *historian) learnAgain() {
	select {
	case m.over <- struct{}{}:
	default: // it is to be already
	}
}

// changed is when a file last changed; zero when there is none.
func changed(path string) time.Time {
	info, err := os.Stat(path)
	if err != nil {
		return time.Time{}
	}
	return info.ModTime()
}

// learned is the operator's policy with what was measured in it; nil stays nil.
func (m *historian) learned(ctx context.Context, own *policy.Policy) *policy.Policy {
	if own == nil {
		return nil
	}
	m.own, m.used = own, own
	ctx, cancel := context.WithTimeout(ctx, learnWithin)
	defer cancel()
	from, err := history.OpenReader(ctx, m.path)
	if errors.Is(err, os.ErrNotExist) {
		return own
	}
	if err != nil {
		m.log.Warn("what was measured cannot be read; the policy's own figures stand", zap.Error(err))
		return own
	}
	defer from.Close()
	used, notes := learn.Apply(ctx, own, from, today())
	m.tell(notes, time.Now())
	m.used = used
	return used
}

// tell logs what was measured: what is new at once, the rest once a day.
func (m *historian) tell(notes []learn.Note, at time.Time) {
	if at.Sub(m.toldAll) >= learnEvery {
		m.told, m.toldAll = nil, at
	}
	var now []string
	for _, n := range notes {
		text := n.String()
		now = append(now, text)
		say := m.log.Info
		if n.Warning {
			say = m.log.Warn
		}
		if !slices.Contains(m.told, text) {
			say("measured: " + text)
		}
	}
	m.told = now
}

// again learns from the outage that has just ended, or from a test that another
// program recorded. The core would hold a policy back that comes in an outage.
func (m *historian) again(ctx context.Context, a *agent.Agent) {
	flush, cancel := context.WithTimeout(ctx, learnWithin)
	defer cancel()
	if err := m.writer.Flush(flush); err != nil {
		return // the condition says why
	}
	m.reports(ctx)
	if m.own == nil {
		return // the recorded policy is in force, for the operator's has errors
	}
	before := m.used
	if now := m.learned(ctx, m.own); !alike(before, now) {
		if err := a.Adopt(now); err != nil {
			m.log.Error("what was measured is not put to use", zap.Error(err))
		}
	}
	m.dues(ctx, a)
}

// dues raises and clears what is to be done for the batteries.
func (m *historian) dues(ctx context.Context, a *agent.Agent) {
	ctx, cancel := context.WithTimeout(ctx, learnWithin)
	defer cancel()
	from, err := history.OpenReader(ctx, m.path)
	if err != nil {
		return // nothing is known yet, or a condition says why
	}
	defer from.Close()
	for i := range m.own.UPSs {
		r, err := learn.Battery(ctx, from, m.own, i, today())
		if err != nil {
			continue
		}
		due := learn.Dues(&m.own.UPSs[i], r, today())
		for _, code := range []shutdown.Code{shutdown.BatteryWorn, shutdown.TestOverdue} {
			a.Mark(code, r.UPS, slices.ContainsFunc(due, func(d learn.Due) bool { return d.Code == code }))
		}
	}
}

func alike(p, q *policy.Policy) bool {
	a, err1 := json.Marshal(p)
	b, err2 := json.Marshal(q)
	return err1 == nil && err2 == nil && bytes.Equal(a, b)
}

// watch raises and settles the conditions that the history cannot be written and
// that an input is unsteady, and sees that a test was recorded beside this program.
func (m *historian) watch(ctx context.Context, a *agent.Agent) {
	tick := time.NewTicker(healthEvery)
	defer tick.Stop()
	var was history.Health
	tested := changed(m.path + guided.LockSuffix)
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if now := changed(m.path + guided.LockSuffix); !now.Equal(tested) {
			tested = now
			m.learnAgain()
		}
		m.heard(a)
		m.rec.Inputs(func(ups string, unsteady bool) { a.Mark(shutdown.InputUnsteady, ups, unsteady) })
		h := m.writer.Health()
		switch {
		case h.Problem != "" && h.Problem != was.Problem:
			m.log.Warn(h.Problem)
			a.Raise(shutdown.HistoryUnwritten)
		case h.Problem == "":
			a.Settle(shutdown.HistoryUnwritten) // from before this start, too
		}
		if h.SetAside != was.SetAside {
			m.log.Warn("the history was damaged; a new one is begun", zap.String("kept_as", h.SetAside))
		}
		if h.DroppedRecords != was.DroppedRecords || h.DroppedSamples != was.DroppedSamples {
			m.log.Warn("what was measured is lost for want of room", zap.Uint64("records", h.DroppedRecords), zap.Uint64("samples", h.DroppedSamples))
		}
		was = h
	}
}

// close writes what waits.
func (m *historian) close() {
	m.rec.End()
	if err := m.writer.Close(context.Background()); err != nil {
		m.log.Warn(err.Error())
	}
}
