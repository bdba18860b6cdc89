package shutdown

import (
	"math"

	"ebbline/shutdown/plan"
)

// memo remembers answers of the planner: a simulation asks the standard question at
// the beginning of many outages. It changes no answer: a question is the same
// only if all of it is. Quick ones, in mid-outage, are hardly ever put twice.
type memo struct{ slots []remembered }

// It has few places at first, and twice as many whenever one is wanted that is taken, up
// to what the sets of hosts and the steps of load of a simulated room of some tens of
// hosts fill.
const leastSlots, mostSlots = 16, 2048

// beside is how many places from its own on a question may have.
const beside = 4

type remembered struct {
	hash uint64
	key  []uint64
	plan plan.Plan
}

// place gives the place of a question: the one that it has, or a free one. Where others
// have all that it may have, and the places are not to be more, one of them is forgotten.
func (m *memo) place(hash uint64, key []uint64) *remembered {
	for {
		if slot := m.find(hash, key); slot != nil {
			return slot
		}
		if n := len(m.slots); n == mostSlots {
			return &m.slots[hash%mostSlots]
		}
		before := m.slots
		m.slots = make([]remembered, max(leastSlots, 2*len(before)))
		for i := range before {
			if r := &before[i]; r.key != nil {
				if slot := m.find(r.hash, r.key); slot != nil {
					*slot = *r
				}
			}
		}
	}
}

// find gives the place that a question has, or else the first that is free of those that
// it may have; nil for none.
func (m *memo) find(hash uint64, key []uint64) *remembered {
	for j := range uint64(min(beside, len(m.slots))) {
		slot := &m.slots[(hash+j)%uint64(len(m.slots))]
		if slot.key == nil || slot.hash == hash && same(slot.key, key) {
			return slot
		}
	}
	return nil
}

// make answers the problem in w; all stops are placed by the planner so far.
func (w *work) make() {
	w.answer()
	for j, k := range w.hosts {
		w.plan.Stops[j].Host, w.plan.Stops[j].Why = k, ByPlan
	}
}

// answer answers the problem in w, from memory if it was asked before.
func (w *work) answer() {
	if w.problem.Quick {
		w.planner.Make(&w.problem, &w.plan)
		return
	}
	w.key = w.key[:0]
	add := func(v ...uint64) { w.key = append(w.key, v...) }
	p := &w.problem
	f := math.Float64bits
	add(uint64(p.Floor), uint64(p.Reserve), uint64(p.Elapsed), uint64(p.AtOnce), uint64(len(p.Stores)), uint64(len(p.Hosts)))
	for i := range p.Stores {
		s := &p.Stores[i]
		add(f(s.Model.Energy), f(s.Model.Ohmic), f(s.Model.Diffusion), f(s.Model.Relaxation), f(s.Charge.Delivered), f(s.Charge.Bound), f(s.Base))
	}
	for i := range p.Hosts {
		h := &p.Hosts[i]
		asked := uint64(0)
		if h.Asked {
			asked = 1
		}
		add(f(h.Watts), f(h.Stopping), uint64(h.Stops), uint64(h.Expected), uint64(h.Priority), f(h.Value), uint64(h.Hold), asked, uint64(len(h.Feeds)), uint64(len(h.Needs)), uint64(len(h.After)))
		for _, e := range h.Feeds {
			add(uint64(e.Store), f(e.Part))
		}
		for _, n := range h.Needs {
			add(uint64(n))
		}
		for _, a := range h.After {
			add(uint64(a))
		}
	}
	h := hash(w.key)
	slot := w.memo.place(h, w.key)
	if !same(slot.key, w.key) {
		w.planner.Make(p, &slot.plan)
		slot.hash, slot.key = h, append(slot.key[:0], w.key...)
	}
	q := &slot.plan
	stops, stores, fragile := w.plan.Stops[:0], w.plan.Stores[:0], w.plan.Fragile[:0]
	w.plan = *q
	w.plan.Stops, w.plan.Stores, w.plan.Fragile = append(stops, q.Stops...), append(stores, q.Stores...), append(fragile, q.Fragile...)
}

// hash is FNV-1a over the words.
func hash(key []uint64) uint64 {
	h := uint64(14695981039346656037)
	for _, v := range key {
		for range 8 {
			h = (h ^ v&0xff) * 1099511628211
			v >>= 8
		}
	}
	return h
}

func same(a, b []uint64) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}
