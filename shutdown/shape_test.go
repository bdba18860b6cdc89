package shutdown_test

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/simulate"
)

// Aim: what is kept stays small enough to be known by heart. Method: the fields of
// State and of all structs of this package that it holds, each struct once; and the same
// with those of the packages below it, so that none goes out of sight by moving there.
// Words of events and effects, and the policy, have their own places and are not counted.
func TestKeptFields(t *testing.T) {
	for _, c := range []struct {
		below bool
		most  int
	}{{false, 50}, {true, 79}} {
		n := keptFields(c.below)
		if n > c.most {
			t.Errorf("%d fields are kept, with those of packages below: %v; at most %d", n, c.below, c.most)
		}
		t.Logf("%d fields are kept, with those of packages below: %v", n, c.below)
	}
}

func keptFields(below bool) (n int) {
	seen := map[reflect.Type]bool{
		reflect.TypeFor[shutdown.Measurement](): true, reflect.TypeFor[shutdown.Action](): true, reflect.TypeFor[shutdown.Notice](): true, reflect.TypeFor[policy.Policy](): true,
	}
	var count func(reflect.Type)
	count = func(k reflect.Type) {
		for k.Kind() == reflect.Slice || k.Kind() == reflect.Array || k.Kind() == reflect.Pointer {
			k = k.Elem()
		}
		if k.Kind() != reflect.Struct || seen[k] || k.PkgPath() != "ebbline/shutdown" && !below {
			return
		}
		seen[k] = true
		for i := range k.NumField() {
			if f := k.Field(i); f.IsExported() && f.Tag.Get("json") != "-" {
				n++
				count(f.Type)
			}
		}
	}
	count(reflect.TypeFor[shutdown.State]())
	return n
}

// Aim: no function is longer than a screen. Method: the source.
func TestNoLongFunctions(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range files {
		set := token.NewFileSet()
		f, err := parser.ParseFile(set, name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range f.Decls {
			fn, is := d.(*ast.FuncDecl)
			if !is || strings.HasSuffix(name, "_test.go") {
				continue
			}
			if n := set.Position(fn.End()).Line - set.Position(fn.Pos()).Line + 1; n > 60 && fn.Name.Name != "Text" { // a list of texts
				t.Errorf("%s: %s has %d lines", name, fn.Name.Name, n)
			}
		}
	}
}

// twin steps a copy of the core's state that has none of its caches beside the core.
type twin struct {
	t      *testing.T
	r      *simulate.Runner
	copied *shutdown.State
	want   []shutdown.Effect
	got    []shutdown.Effect
	events int
}

func (w *twin) text(s *shutdown.State) string {
	text, err := json.Marshal(s)
	if err != nil {
		w.t.Fatal(err)
	}
	return strings.ReplaceAll(string(text), "[]", "null") // an empty list is one, whatever memory it has
}

func (w *twin) Event(at shutdown.Instant, e *shutdown.Event) {
	s := w.r.State()
	if w.copied != nil && e.Kind != shutdown.Adopted {
		if a, b := w.text(s), w.text(w.copied); a != b {
			w.t.Fatalf("event %d: without its caches the state is\n%s\nand not\n%s", w.events, b, a)
		}
		if !reflect.DeepEqual(w.got, w.want) {
			w.t.Fatalf("event %d: without its caches it does %+v and not %+v", w.events, w.want, w.got)
		}
	}
	if e.Kind == shutdown.Adopted || s.Policy == nil {
		w.copied = nil
		return
	}
	w.events++
	w.got, w.copied = nil, s.Clone()
	w.want = w.copied.Step(at, e, nil)
	if early := s.Clone(); at < s.Wake {
		before := w.text(early)
		early.Now = at
		effects := early.Decide(at)
		early.Now = s.Now
		if after := w.text(early); after != before || len(effects) > 0 {
			w.t.Fatalf("event %d at %v, %v before it is due: a decision does %+v and leaves\n%s\nof\n%s", w.events, at.Sub(simulate.Epoch(day)), s.Wake.Sub(at), effects, after, before)
		}
	}
}

func (w *twin) Effect(at shutdown.Instant, f *shutdown.Effect) { w.got = append(w.got, *f) }

// Aim: caches beside the facts could be thrown away at any moment, and a decision before
// its time changes nothing. Method: random outages, an operator's orders for single hosts
// in some; at every event a copy of the state
// without its caches is stepped too, and another is made to decide at that moment.
func TestCachesAndEarlyTicks(t *testing.T) {
	for _, name := range []string{"rig.hcl", "barn.hcl", "loft.hcl"} {
		p := readPolicy(t, "../testdata/policies/"+name)
		dice, err1 := simulate.NewDice(p, day)
		r, err2 := simulate.NewRunner(p, day)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		r.Reasons = true // the copies work them out
		var o simulate.Outage
		var run simulate.Run
		for seed := range uint64(5) {
			dice.Draw(seed+1, &o)
			if seed%2 == 1 {
				dice.Operate(seed+1, &o)
			}
			w := &twin{t: t, r: r}
			r.Log = w
			r.Run(o.Truth(seed+1), &run)
		}
	}
	p := readPolicy(t, "../testdata/policies/attic.hcl")
	r, err := simulate.NewRunner(p, day)
	if err != nil {
		t.Fatal(err)
	}
	r.Reasons = true
	for _, text := range []string{
		"room warms in 60m, loses 40W/K, from 24C, noise 0.1K\nat 1m input lost\nat 20m sensor inlet silent 5m\nat 40m input back\n",
		"room warms in 60m, loses 40W/K, from 24C, noise 0.1K\nat 1m cooling fails\nat 50m cooling back\nat 51m sensor ups jumps +30\nat 55m emergency door used\nat 56m emergency door released\nat 57m operator clear emergency-off\n",
	} {
		o, errs := simulate.Parse(p, "heat", []byte(text))
		if errs != nil {
			t.Fatal(errs)
		}
		var run simulate.Run
		r.Log = &twin{t: t, r: r}
		r.Run(o.Truth(1), &run)
	}
}

// Aim: every pair of the host's table is meant. Method: whatever the state and the
// input, what follows is a state; what was off before it was asked never becomes one
// that is brought back, unless it is seen up; and nothing that proves a host off leaves it
// up.
func TestHostTable(t *testing.T) {
	for from := shutdown.Unseen; from < shutdown.NumStates; from++ {
		for in := shutdown.InUp; in < shutdown.NumInputs; in++ {
			off := from == shutdown.TurnedOff || from == shutdown.AskedOff
			ran := in == shutdown.InUp || in == shutdown.InRefusing || in == shutdown.InOwn || in == shutdown.InStarted
			switch to := shutdown.Next(from, in); {
			case to < shutdown.Unseen || to >= shutdown.NumStates:
				t.Errorf("%s, %s: no state follows", from, in)
			case off && !ran && to != shutdown.TurnedOff && to != shutdown.AskedOff:
				t.Errorf("%s, %s: a host that was off before becomes %s", from, in, to)
			case in == shutdown.InOff && (to == shutdown.Up || to == shutdown.Silent || to == shutdown.Asked || to == shutdown.Told):
				t.Errorf("%s, %s: proven off, it is %s", from, in, to)
			case in == shutdown.InUp && to != shutdown.Up && to != from && from != shutdown.AskedOff:
				t.Errorf("%s, %s: it is %s", from, in, to)
			case to == shutdown.Starting && in != shutdown.InStarted && in != shutdown.InBack && in != shutdown.InCut && from != shutdown.Starting:
				t.Errorf("%s, %s: it starts", from, in)
			}
		}
	}
}
