package hid

import (
	"cmp"
	"context"
	"math"
	"slices"
	"sync"
	"time"
)

// talk is one UPS from being plugged in to being unplugged: what it is asked,
// and what it said.
type talk struct {
	*port
	reports []*report // in the order in which they are asked for
	doubt   bool      // the report asked first was not answered

	mu    sync.Mutex // guards what the UPS may send at any time
	held  []reading  // by slot
	ended bool
}

// report is one report that is asked for.
type report struct {
	key   reportKey
	role  role      // the most urgent of what is in it
	asked time.Time // last
	next  time.Time // not to be asked before
}

// reading is one value and when it came.
type reading struct {
	value float64
	at    time.Time
	sent  bool // unasked: it holds until the UPS says otherwise
}

const (
	// keep is how long a figure stands that was not read again.
	keep = 10 * time.Second
	// relearn is how often what stays as it is gets read again.
	relearn = 10 * time.Minute
	// shun is how long a report is left alone that can be done without and that
	// the UPS refuses, or that it does not answer while it answers others.
	shun = time.Minute
	// patience is how long a report is waited for before it gets that blame.
	// Devices answer within some tens of milliseconds (from memory).
	patience = 400 * time.Millisecond
)

func newTalk(p *port) *talk {
	t := &talk{port: p, reports: p.layout.reports(), held: make([]reading, len(p.layout.slots))}
	for i := range t.held {
		t.held[i].value = math.NaN()
	}
	return t
}

// reports lists what is to be asked for. A value that comes in a feature report
// is not asked for as an input report: some devices do not answer that.
func (l *layout) reports() []*report {
	var all []*report
	featured := map[int]bool{}
	for _, f := range l.fields {
		if f.report.kind == feature {
			featured[f.slot] = true
		}
	}
	for _, f := range l.fields {
		role := l.slots[f.slot].role()
		if role == 0 || role == control || f.report.kind == output || f.report.kind == input && featured[f.slot] {
			continue
		}
		i := slices.IndexFunc(all, func(r *report) bool { return r.key == f.report })
		if i < 0 {
			all = append(all, &report{key: f.report, role: role})
		} else {
			all[i].role = min(all[i].role, role)
		}
	}
	return all
}

// order puts the evidence first, what stays as it is last, and what was asked
// the longest time ago before the rest: a slow UPS gets through all of it in
// several polls. In doubt only the time counts.
func (t *talk) order() {
	urgency := func(r *report) int {
		switch {
		case t.doubt:
			return 0
		case r.role == evidence:
			return 1
		case r.role == fixed:
			return 3
		}
		return 2
	}
	slices.SortStableFunc(t.reports, func(a, b *report) int {
		return cmp.Or(cmp.Compare(urgency(a), urgency(b)), a.asked.Compare(b.asked))
	})
}

// ask asks for every report that is due, until one is not answered. It gives
// the last error, which is no news where others were answered.
func (t *talk) ask(ctx context.Context, busy chan struct{}) (last error) {
	t.order()
	answered := false
	for _, r := range t.reports {
		now := time.Now()
		if now.Before(r.next) {
			continue
		}
		p, key := t.port, r.key
		data, err := within(ctx, busy, func() ([]byte, error) { return p.get(key) })
		switch {
		case err == nil:
			answered, r.asked = true, now
			t.take(key, data, false)
			if r.role == fixed {
				r.next = now.Add(relearn)
			}
		case gone(err) || err == errHung:
			return err
		case err == errSilent:
			r.asked = now
			t.doubt = !answered
			if answered && time.Since(now) >= patience {
				r.next = now.Add(shun)
			}
			return err
		default:
			last, r.asked = err, now
			if r.role == fixed || key.kind == input {
				r.next = now.Add(shun)
			}
		}
	}
	t.doubt = false
	return last
}

// take notes the values of one report and tells whether a bit of the UPS's
// state has changed.
func (t *talk) take(key reportKey, data []byte, sent bool) (changed bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := time.Now()
	for i := range t.layout.fields {
		f := &t.layout.fields[i]
		role := t.layout.slots[f.slot].role()
		if f.report != key || role == 0 {
			continue
		}
		v := f.value(data)
		h := &t.held[f.slot]
		changed = changed || role <= status && v != h.value && !math.IsNaN(v)
		*h = reading{v, now, sent}
	}
	return changed
}

// readings gives what holds in a poll that began then, and whether the UPS has
// said anything since. Evidence that was asked for must be of this poll.
func (t *talk) readings(began time.Time) (r *readings, contact bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	r = &readings{slots: t.layout.slots, value: make([]float64, len(t.held))}
	for i, h := range t.held {
		role, old := r.slots[i].role(), began.Sub(h.at)
		contact = contact || old <= 0
		r.value[i] = math.NaN()
		if h.sent || old <= 0 || role == fixed || role != evidence && old <= keep {
			r.value[i] = h.value
		}
	}
	return r, contact
}

func (t *talk) end() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.ended = true
}

func (t *talk) over() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.ended
}
