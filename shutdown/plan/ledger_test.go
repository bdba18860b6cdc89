package plan

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Aim: the ledger says of a change of a safe plan what a replay of all of it says, and
// what it writes down of a change that is safe is what the replay would have written.
// Method: sites drawn at random, with peaks and limits or without; random pushes and
// pulls from the plan that there is. Where a store that is a millionth better or worse
// changes the replay's answer, rounding decides and neither is right.
func TestLedger(t *testing.T) {
	var w Planner
	verdicts := map[verdict]int{}
	look := func(t *rapid.T) {
		p := draw(t, 9, rapid.Bool().Draw(t, "simple"))
		w.prepare(p, true)
		if _, ok := w.require(); !ok {
			return
		}
		w.settle()
		for range 12 {
			i := int32(rapid.IntRange(0, len(w.hosts)-1).Draw(t, "host"))
			by := rapid.IntRange(1, 40).Draw(t, "slots")
			ok := false
			if rapid.IntRange(0, 3).Draw(t, "forward") == 0 {
				ok = w.pull(i, max(0, w.start[i]-by))
			} else {
				ok = !w.hosts[i].Asked && w.push(i, w.start[i]+by)
			}
			if !ok || len(w.now.ways) == 0 {
				w.back()
				continue
			}
			v := w.judge(&w.now)
			verdicts[v]++
			w.revert(&w.now)
			better, worse := w.soundWith(1+1e-6), w.soundWith(1-1e-6)
			switch {
			case v == harmless && !better:
				t.Fatalf("%+v leave a safe plan by the ledger, and none by a replay", w.undo)
			case v == tooMuch && worse:
				t.Fatalf("%+v are too much by the ledger, and safe by a replay", w.undo)
			}
			if !w.try() {
				w.back()
				continue
			}
			w.keep()
			if v == harmless && worse {
				w.sameAsReplayed(t)
			}
		}
	}
	// What is drawn differs each time, and one verdict is rare.
	for range 50 {
		rapid.Check(t, look)
		if t.Failed() || verdicts[harmless] > 0 && verdicts[tooMuch] > 0 && verdicts[unsure] > 0 {
			return
		}
	}
	t.Errorf("verdicts %v: the test does not show all", verdicts)
}

// soundWith replays the plan with stores that many times as large.
func (w *Planner) soundWith(factor float64) bool {
	for u := range w.stores {
		w.stores[u].Energy *= factor
	}
	ok := w.sound()
	for u := range w.stores {
		w.stores[u].Energy = w.p.Stores[u].Model.Energy
	}
	return ok
}

// sameAsReplayed compares the ledger with one that is made anew.
func (w *Planner) sameAsReplayed(t *rapid.T) {
	w.coming.empty()
	w.coming.whole, w.noting = true, true
	if w.sound(); len(w.coming.ways) != len(w.now.ways) {
		t.Fatalf("%d ways, replayed %d", len(w.now.ways), len(w.coming.ways))
	}
	w.noting = false
	for k := range w.now.ways {
		a, b := &w.now.ways[k], &w.coming.ways[k]
		if len(a.marks) != len(b.marks) {
			t.Fatalf("%d marks, replayed %d", len(a.marks), len(b.marks))
		}
		for j := range a.marks {
			m, n := &a.marks[j], &b.marks[j]
			if m.at != n.at || math.Abs(m.left-n.left) > 1e-9*w.stores[a.store].Energy {
				t.Fatalf("at %v %v J are left, replayed at %v %v J", time.Duration(m.at), m.left, time.Duration(n.at), n.left)
			}
		}
	}
}

// Aim: in a room of a thousand each host has a reason why it does not go later, and a
// margin. Method: the site of the benchmarks.
func TestReasonsOfMany(t *testing.T) {
	p := room(1000)
	out := Make(p)
	if !out.Fits {
		t.Fatal("the plan does not fit")
	}
	var w Planner
	for i := 0; i < len(out.Stops); i += 29 {
		if d := w.Why(p, out, i); d.Reason == 0 {
			t.Errorf("host %d has no reason", i)
		}
		if w.Margin(p, out, i) < 0 {
			t.Errorf("host %d has no margin", i)
		}
	}
}
