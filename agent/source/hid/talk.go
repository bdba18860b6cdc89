package hid

import (
	"cmp"
	"context"
	"math"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// talk is one UPS from being plugged in to being unplugged: what it is asked,
// and what it said.
type talk struct {
	*port
	reports []*report // in the order in which they are asked for

	mu   sync.Mutex // guards what the UPS may send at any time
	held []reading  // by slot
}

// report is one report that is asked for.
type report struct {
	key     reportKey
	role    role      // the most urgent of what is in it
	asked   time.Time // last
	next    time.Time // not to be asked before
	strikes int       // how often in a row it was not answered in time

	late   bool        // not answered in time, while others were
	failed atomic.Bool // the kernel gave the last request up
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
	// the UPS refuses, or that it never answers while it answers others; then
	// twice as long each time, up to relearn. Asking for one of the latter costs
	// the polls of 5 s.
	shun = time.Minute
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

// order puts last what was not answered: a UPS that does not answer one report
// would else never come to another. Then the evidence goes first, what stays as
// it is last, and of the rest first what was asked the longest time ago, so
// that a slow UPS gets through it in several polls.
func (t *talk) order() {
	urgency := map[role]int{evidence: 1, status: 2, figure: 2, fixed: 3}
	slices.SortStableFunc(t.reports, func(a, b *report) int {
		return cmp.Or(cmp.Compare(a.strikes, b.strikes), cmp.Compare(urgency[a.role], urgency[b.role]), a.asked.Compare(b.asked))
	})
}

// ask asks for every report that is due, until one is not answered. It gives
// the last error, which is no news where others were answered.
func (t *talk) ask(ctx context.Context, busy chan struct{}) (last error) {
	// A request before may still hang.
	if _, err := within(ctx, busy, func() (none struct{}, _ error) { return none, nil }); err != nil {
		return err
	}
	t.order()
	answered := false
	for _, r := range t.reports {
		now := time.Now()
		if r.late && r.failed.Load() {
			r.next = now.Add(min(shun<<min(r.strikes-1, 8), relearn))
		}
		r.late = false
		if now.Before(r.next) {
			continue
		}
		p := t.port
		data, err := within(ctx, busy, func() ([]byte, error) {
			data, err := p.get(r.key)
			r.failed.Store(err != nil)
			return data, err
		})
		switch {
		case gone(err) || err == errHung:
			return err
		case err == errSilent:
			r.asked, r.late = now, answered
			r.strikes++
			return err
		case err == nil:
			answered = true
			t.take(r.key, data, false)
			if r.role == fixed {
				r.next = now.Add(relearn)
			}
		default:
			last = err
			if r.role == fixed || r.key.kind == input {
				r.next = now.Add(shun)
			}
		}
		r.asked, r.strikes = now, 0
	}
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
