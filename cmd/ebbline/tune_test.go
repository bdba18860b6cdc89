package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/simulate"
	"ebbline/simulate/report"
)

var rewriteTune = flag.Bool("rewrite-tune", false, "write what `ebbline tune` shows as what is expected")

// tunePolicies are those of the corpus that the tests below look at.
var tunePolicies = []string{"barn.hcl", "first.hcl", "rig.hcl"}

func tunePath(name string) string { return filepath.Join("../../testdata/policies", name) }

func tunePolicy(t *testing.T, name string) *policy.Policy {
	t.Helper()
	text, err := os.ReadFile(tunePath(name))
	if err != nil {
		t.Fatal(err)
	}
	p, _, diags := load.Load([]load.File{{Name: name, Bytes: text}}, load.Options{})
	if p == nil {
		t.Fatal(diags)
	}
	return p
}

// tuned runs the command and gives what it says.
func tuned(env map[string]string, args ...string) (code int, out, err string) {
	var stdout, stderr bytes.Buffer
	code = Run(context.Background(), append([]string{"tune"}, args...), Streams{
		In: strings.NewReader(""), Out: &stdout, Err: &stderr, Env: func(name string) string { return env[name] },
	})
	return code, stdout.String(), stderr.String()
}

// Aim: tune and plan speak of the same plan. Method: for each policy of the
// corpus what tune says of the present, beside what plan says.
func TestTuneAgreesWithPlan(t *testing.T) {
	for _, name := range tunePolicies {
		p := tunePolicy(t, name)
		s, err := ifInputFailed(p, nil, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		plan := planOf(s)
		v := &tuneView{}
		v.look(context.Background(), &simulate.Scene{Policy: p, Day: today()}, func(string, ...any) {})
		if v.Now.Fits != plan.Fits || v.Now.NoReturnSeconds != plan.NoReturnSeconds || *v.Now.InHandSeconds != *plan.InHandSeconds {
			t.Errorf("%s: tune says %+v with %d s in hand, plan %v %d %d", name, v.Now, *v.Now.InHandSeconds, plan.Fits, plan.NoReturnSeconds, *plan.InHandSeconds)
		}
		for _, h := range v.Promises {
			i := slices.IndexFunc(plan.Hosts, func(q planHostView) bool { return q.Name == h.Name })
			if q := plan.Hosts[i]; h.UpSeconds != q.StopSeconds || h.PromisedSeconds != q.PromisedSeconds || h.Kept != q.PromiseKept {
				t.Errorf("%s: tune says %+v, plan %+v", name, h, q)
			}
		}
		for i, u := range v.UPSs {
			q := plan.UPSs[i]
			if u.LoadWatts != q.LoadWatts || *u.RuntimeSeconds.Low != *q.RuntimeSeconds.Low || *u.RuntimeSeconds.Likely != *q.RuntimeSeconds.Likely || *u.RuntimeSeconds.High != *q.RuntimeSeconds.High {
				t.Errorf("%s: tune says %+v, plan %+v", name, u, q)
			}
		}
	}
}

// Aim: the room for more load is what a measured load would show. Method: plan
// is told, as a reading, so many watts: with one more than tune says the promise that it
// names breaks; with less by the hundredth of the rating to which a load beyond the
// policy's is rounded up, the promises hold.
func TestTuneRoomByReadings(t *testing.T) {
	p := tunePolicy(t, "barn.hcl")
	c := &simulate.Scene{Policy: p, Day: today()}
	now := c.Answer()
	r := c.Room(now, 0)
	if r.First < 0 {
		t.Fatalf("no promise breaks: %+v", r)
	}
	kept := func(watts int64) bool {
		s, err := ifInputFailed(p, pairs{{p.UPSs[0].Name, strconv.FormatFloat(now.UPSs[0].Load+float64(watts), 'f', -1, 64)}}, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		o, _ := s.StopOf(int32(r.First))
		return o.Kept
	}
	less := r.KeepWatts - p.UPSs[0].RatedWatts/100
	if !kept(less) || kept(r.KeepWatts+1) {
		t.Errorf("with %d W more the promise to %s is kept: %v; with %d: %v", less, p.Hosts[r.First].Name, kept(less), r.KeepWatts+1, kept(r.KeepWatts+1))
	}
}

// Aim: a question put wrongly is told so, with what to write instead. Method: one
// mistake each; the exit code is 64, nothing is printed as an answer.
func TestTuneUsage(t *testing.T) {
	for _, x := range []struct{ flag, value, want string }{
		{"--off", "prss", `no host "prss". Did you mean "press"?`},
		{"--off", "zzzzzzzz", `no host "zzzzzzzz". It has bench, gate`},
		{"--battery", "shlf=50%", `no UPS "shlf". Did you mean "shelf"?`},
		{"--battery", "rack=0", "Write a percentage from 1 to 100"},
		{"--battery", "rack=101", "Write a percentage from 1 to 100"},
		{"--battery", "rack=NaN", "Write a percentage from 1 to 100"},
		{"--battery", "rack", "write name=value"},
		{"--bigger", "rack=-1", "Write a number from 0.1 to 100"},
		{"--bigger", "rack=Inf", "Write a number from 0.1 to 100"},
		{"--older", "rack=5", "such as 5y, 18mo or 200d"},
		{"--older", "rack=-5y", "such as 5y, 18mo or 200d"},
		{"--older", "rack=1e99y", "such as 5y, 18mo or 200d"},
		{"--older", "rak=5y", `Did you mean "rack"?`},
		{"--add", "nas", "write NAME=WATTS"},
		{"--add", "a b=45", "is no name of a host"},
		{"--add", "=45", "write NAME=WATTS"},
		{"--add", "nas=45,", "write NAME=WATTS"},
		{"--add", "nas=45", "has 2 UPSs. Say which feeds it, such as ups=rack"},
		{"--add", "nas=much,ups=rack", `"much" is not a number of watts`},
		{"--add", "nas=-4,ups=rack", `"-4" is not a number of watts`},
		{"--add", "nas=NaN,ups=rack", `"NaN" is not a number of watts`},
		{"--add", "nas=4,ups=rak", `Did you mean "rack"?`},
		{"--add", "nas=4,ups=rack,priority=0", "not a priority from 1"},
		{"--add", "nas=4,ups=rack,priority=high", "not a priority from 1"},
		{"--add", "nas=4,ups=rack,stops=2", "Write 1s to 12h, such as 2m"},
		{"--add", "nas=4,ups=rack,stops=-2m", "Write 1s to 12h, such as 2m"},
		{"--add", "nas=4,ups=rack,keep=9999h", "Write 1s to 168h, such as 10m"},
		{"--add", "nas=4,ups=rack,depends=valt", `Did you mean "vault"?`},
		{"--add", "nas=4,ups=rack,colour=red", `"colour" is nothing that is known of a host`},
		{"--add", "vault=4,ups=rack", `has a "vault" already`},
		{"--older", "u=5y", "no UPS \"u\""},
		{"--nonsense", "x", "no flag is called --nonsense"},
	} {
		code, out, err := tuned(nil, tunePath("barn.hcl"), x.flag, x.value)
		if code != exitUsage || out != "" || !strings.Contains(err, x.want) {
			t.Errorf("%s %s: exit code %d, %q, and %q without %q", x.flag, x.value, code, out, err, x.want)
		}
	}
	if code, _, err := tuned(nil, tunePath("barn.hcl"), "too", "many"); code != exitUsage || !strings.Contains(err, "too many arguments") {
		t.Errorf("too many arguments: %d %s", code, err)
	}
	if code, _, err := tuned(nil); code != exitUsage || !strings.Contains(err, "EBBLINE_POLICY") {
		t.Errorf("no policy: %d %s", code, err)
	}
}

// Aim: a battery of unknown age is not made older by guesswork. Method: a policy
// that does not say when it was put in.
func TestTuneUnknownAge(t *testing.T) {
	text, err := os.ReadFile(tunePath("first.hcl"))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "home.hcl")
	text = regexp.MustCompile(`(?m)^ *installed .*$`).ReplaceAll(text, nil)
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, err := tuned(nil, path, "--older", "closet=5y"); code != exitUsage || !strings.Contains(err, `Write installed = "2025-03-01" there`) {
		t.Errorf("exit code %d: %s", code, err)
	}
}

// Aim: who interrupts a long look gets what is known by then, and is told so.
// Method: an interruption after so many looks whether there is one, up to the end:
// never less is said, and each promise as the whole run has it.
func TestTuneInterrupted(t *testing.T) {
	look := func(ctx context.Context) *tuneView {
		v := &tuneView{}
		v.look(ctx, &simulate.Scene{Policy: tunePolicy(t, "mill.hcl"), Day: 20454}, func(string, ...any) {})
		return v
	}
	whole := look(context.Background())
	known := -1
	for left := int64(0); ; left += left + 1 {
		ctx := &after{Context: context.Background()}
		ctx.left.Store(left)
		v := look(ctx)
		if !v.Interrupted {
			break
		}
		if n := len(v.UPSs) + len(v.Promises); n < known {
			t.Errorf("after %d looks %d things are known, and %d before", left, n, known)
		} else {
			known = n
		}
		for _, p := range v.Promises {
			if !slices.ContainsFunc(whole.Promises, func(w promiseTuneView) bool { return reflect.DeepEqual(p, w) }) {
				t.Errorf("after %d looks: %+v", left, p)
			}
		}
		var text bytes.Buffer
		v.show(&text, report.Style{})
		if !strings.Contains(text.String(), "interrupted: what follows is what was known by then\n") || v.Better == nil && strings.Contains(text.String(), "No better order") {
			t.Errorf("after %d looks:\n%s", left, text.String())
		}
	}
	if known != len(whole.UPSs)+len(whole.Promises) {
		t.Errorf("%d things were known at last", known)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	var out, errs bytes.Buffer
	code := Run(ctx, []string{"tune", tunePath("mill.hcl")}, Streams{In: strings.NewReader(""), Out: &out, Err: &errs, Env: func(string) string { return "" }})
	if code != exitFailed || !strings.Contains(out.String(), "interrupted") {
		t.Errorf("exit code %d: %s%s", code, &out, &errs)
	}
}

// Aim: it is said what becomes of every promised time. Method: a host that is added
// with one that no order keeps; a UPS so big that those are kept which were not.
func TestTunePromises(t *testing.T) {
	_, out, _ := tuned(nil, tunePath("barn.hcl"), "--add", "nas=400,ups=rack,keep=60m,priority=95")
	if !strings.Contains(out, "\nA promised time that cannot be kept from the start: of nas\n") || strings.Contains(out, "No promised time breaks") {
		t.Error(out)
	}
	_, out, _ = tuned(nil, tunePath("mill.hcl"), "--bigger", "floor=1.5")
	if !strings.Contains(out, "\nPromised times that are kept now and were not: of doors, gauges, orders, phones,") || !strings.Contains(out, "\nNo promised time breaks.\n") {
		t.Error(out)
	}
}

// Aim: what is asked is what is answered. Method: the changes in words and what
// they must do to figures that are plain: the load, the time, a host that is
// there or not; and the exit code when no plan fits.
func TestTuneWhatIf(t *testing.T) {
	ask := func(args ...string) (code int, w *whatIfView) {
		t.Helper()
		code, out, err := tuned(nil, append([]string{tunePath("barn.hcl"), "--json"}, args...)...)
		var v struct {
			WhatIf *whatIfView `json:"what_if"`
		}
		if err := json.Unmarshal([]byte(out), &v); err != nil || v.WhatIf == nil {
			t.Fatalf("%v: %v: %s", args, err, out)
		}
		if err != "" {
			t.Errorf("%v: told %q", args, err)
		}
		return code, v.WhatIf
	}
	moved := func(w *whatIfView, name string) (m movedView) {
		for _, x := range w.Moved {
			if x.Name == name {
				m = x
			}
		}
		return m
	}
	_, w := ask("--add", "nas=45,ups=rack,priority=30,stops=2m,keep=10m,depends=vault")
	if u := w.UPSs[0]; u.LoadAfterWatts != u.LoadBeforeWatts+45 || *u.RuntimeAfterSeconds.Low >= *u.RuntimeBeforeSeconds.Low {
		t.Errorf("a host more: %+v", u)
	}
	if m := moved(w, "nas"); m.UpBeforeSeconds != nil || m.UpAfterSeconds == nil {
		t.Errorf("a host more moves: %+v", m)
	}
	_, w = ask("--add", "nas=45,ups=rack,ups=shelf")
	if a, b := w.UPSs[0].LoadAfterWatts-w.UPSs[0].LoadBeforeWatts, w.UPSs[1].LoadAfterWatts-w.UPSs[1].LoadBeforeWatts; a < 22 || a > 23 || b < 22 || b > 23 || !strings.Contains(w.Changes[0], "rack and shelf, priority 10") {
		t.Errorf("a host with two feeds: %+v", w)
	}
	_, w = ask("--battery", "rack=50%")
	if u := w.UPSs[0]; *u.RuntimeAfterSeconds.Low >= *u.RuntimeBeforeSeconds.Low/2 || u.RatedWatts != 2700 {
		t.Errorf("half a battery: %+v", u)
	}
	_, w = ask("--bigger", "rack=2")
	// Two of the same side by side carry half the load each.
	alone := func(watts string) int64 {
		s, err := ifInputFailed(tunePolicy(t, "barn.hcl"), pairs{{"rack", watts}}, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		return *planOf(s).UPSs[0].RuntimeSeconds.Low
	}
	if u := w.UPSs[0]; u.LoadBeforeWatts != 381 || *u.RuntimeAfterSeconds.Low > alone("190") || *u.RuntimeAfterSeconds.Low < alone("191") || u.RatedWatts != 5400 {
		t.Errorf("twice the UPS lasts %d s, one with half the load %d to %d s: %+v", *u.RuntimeAfterSeconds.Low, alone("191"), alone("190"), u)
	}
	_, w = ask("--older", "rack=5y", "--bigger", "shelf=2")
	if a, b := w.UPSs[0], w.UPSs[1]; *a.RuntimeAfterSeconds.Low >= *a.RuntimeBeforeSeconds.Low || 2**b.RuntimeAfterSeconds.Low <= 3**b.RuntimeBeforeSeconds.Low || len(w.Changes) != 2 {
		t.Errorf("older and bigger: %+v", w)
	}
	_, w = ask("--off", "press")
	if m := moved(w, "wiki"); m.UpBeforeSeconds == nil || m.UpAfterSeconds != nil || w.Changes[0] != "press is off, and with it mail, wiki" {
		t.Errorf("off: %+v %v", m, w.Changes)
	}
	if code, w := ask("--battery", "rack=2%", "--battery", "shelf=2%"); code != exitUnfit || w.After.Fits || w.After.NoReturnSeconds >= 0 || len(w.Broken) == 0 || *w.FirstBroken != w.Broken[0] {
		t.Errorf("next to no battery: exit code %d, %+v", code, w)
	}
}

// Aim: what people read fits a terminal of 80 columns, and one without letters
// other than ASCII; no colour goes where no terminal is. Method: every line of
// what is said of the corpus.
func TestTuneWidth(t *testing.T) {
	calls := [][]string{{"barn.hcl", "--battery", "rack=50%", "--add", "a-host-with-a-name-that-is-much-too-long=45,ups=rack,depends=vault", "--older", "shelf=5y"}, {"barn.hcl", "--off", "press"}, {"barn.hcl", "--add", "oven=9000,ups=shelf"}}
	for _, name := range tunePolicies {
		calls = append(calls, []string{name})
	}
	for _, args := range calls {
		for _, locale := range []string{"C", "en_GB.UTF-8"} {
			_, out, err := tuned(map[string]string{"LC_ALL": locale}, append([]string{tunePath(args[0])}, args[1:]...)...)
			if err != "" {
				t.Errorf("%v: %s", args, err)
			}
			for line := range strings.Lines(out) {
				line = strings.TrimSuffix(line, "\n")
				if n := utf8.RuneCountInString(line); n > 80 || strings.HasSuffix(line, " ") || strings.Contains(line, "\x1b") {
					t.Errorf("%v: a line of %d columns: %q", args, n, line)
				}
				if locale == "C" && len(line) != utf8.RuneCountInString(line) {
					t.Errorf("%v: not ASCII: %q", args, line)
				}
			}
		}
	}
}

// Aim: every number of the document carries its unit as the last word. Method:
// the names of all numbers in the documents of both kinds; those without a unit
// are counts and priorities.
func TestTuneJSONNames(t *testing.T) {
	named := regexp.MustCompile(`^[a-z]+(_[a-z]+)*$`)
	bare := []string{"priority", "priority_sum", "priority_before", "priority_after", "promises_kept_before", "promises_kept_after", "low", "likely", "high"}
	var walk func(key string, v any)
	walk = func(key string, v any) {
		if key != "" && !named.MatchString(key) {
			t.Errorf("the name %q is not in snake case", key)
		}
		switch v := v.(type) {
		case map[string]any:
			for k, x := range v {
				walk(k, x)
			}
		case []any:
			for _, x := range v {
				walk(key, x)
			}
		case float64:
			unit := key[strings.LastIndex(key, "_")+1:]
			if !slices.Contains([]string{"seconds", "watts", "percent"}, unit) && !slices.Contains(bare, key) {
				t.Errorf("the number %q has no unit", key)
			}
		}
	}
	for _, args := range [][]string{{}, {"--battery", "rack=50%"}} {
		_, out, _ := tuned(nil, append([]string{tunePath("barn.hcl"), "--json"}, args...)...)
		var v any
		if err := json.Unmarshal([]byte(out), &v); err != nil {
			t.Fatal(err)
		}
		walk("", v)
	}
}

// tuneSample is a document with one of everything, of made-up figures: what the
// core answers may change, how it is shown should not by accident.
func tuneSample() (look, whatIf *tuneView) {
	n := func(v int64) *int64 { return &v }
	f := func(v float64) *float64 { return &v }
	s := func(v string) *string { return &v }
	three := func(a, b, c int64) threeWay { return threeWay{n(a), n(b), n(c)} }
	now := standsView{Fits: true, NoReturnSeconds: 613, InHandSeconds: n(322)}
	look = &tuneView{Site: "barn", Now: now, lookView: &lookView{
		UPSs: []roomView{
			{"rack", 381, three(1981, 2804, 3440), 2319, 186, 537, 70, 43, s("mail")},
			{"a-shelf-in-the-far-corner", 200, threeWay{}, 277, 277, 277, 48, 48, nil},
			{"unfit", 900, three(61, 70, 80), 100, -1, -1, 101, 101, nil},
		},
		Shed: []shedView{
			{"press", []string{"mail", "wiki"}, 310, 140, []gainView{{"rack", three(6453, 7000, 8000), f(46.1)}, {"a-shelf-in-the-far-corner", three(30, 31, 32), f(0.2)}}},
			{"bench", []string{}, 141, 10, []gainView{{"unfit", threeWay{}, nil}}},
			{"idle", []string{}, 0, 5, nil},
		},
		Promises: []promiseTuneView{
			{"vault", 90, 1200, 1599, true, []lossView{}, 1848, []lossView{{"press", 12}}},
			{"press", 60, 1800, 1119, false, []lossView{{"bench", 45}, {"mail", 426}, {"wiki", 720}}, 1476, []lossView{}},
			{"bench", 10, 0, 267, true, []lossView{}, 506, []lossView{}},
		},
		Better: &orderView{
			Steps: []stepView{
				{"exchange", "vault", "mail", nil, "let vault and mail exchange their priorities"},
				{"drop", "press", "", nil, "drop the keep_for of press"},
				{"promise", "bench", "", n(600), "promise bench a keep_for of 10m00s"},
			},
			Kept: 1, KeptThen: 2, GainedSeconds: 1537, LostSeconds: 60,
			Hosts: []orderHostView{
				{"mail", 50, 90, 1029, 1340, 600, false, true},
				{"press", 60, 60, 1119, 1059, 1000, true, true},
				{"vault", 90, 50, 1599, 1599, 0, true, true},
			},
		},
	}}
	whatIf = &tuneView{Site: "barn", Now: now,
		WhatIf: &whatIfView{
			Changes: []string{"nas is there: 45 W on rack, priority 30", "50 % is left of the battery of UPS rack"},
			After:   standsView{Fits: false, NoReturnSeconds: -1, InHandSeconds: n(-31)},
			UPSs:    []thenView{{"rack", 400, 381, 426, three(1981, 2804, 3440), three(715, 900, 1000)}},
			Moved:   []movedView{{"bench", n(267), n(0), n(360), n(60)}, {"nas", nil, n(0), nil, n(240)}, {"mail", n(1029), nil, n(1140), nil}},
			Broken:  []string{"mail", "press"}, FirstBroken: s("mail"), KeptNow: []string{}, NotKept: []string{"nas"},
		},
	}
	return look, whatIf
}

// Aim: what people and programs read is what it was, to the byte. Method: golden
// files of the sample; -rewrite-tune accepts what comes out.
func TestTuneGolden(t *testing.T) {
	look, whatIf := tuneSample()
	for name, v := range map[string]*tuneView{"look": look, "what-if": whatIf} {
		var text, ascii, doc bytes.Buffer
		v.show(&text, report.Style{Width: 80})
		v.show(&ascii, report.Style{Width: 80, ASCII: true})
		printJSON(&doc, v)
		for path, got := range map[string][]byte{name + ".txt": text.Bytes(), name + ".ascii.txt": ascii.Bytes(), name + ".json": doc.Bytes()} {
			path = filepath.Join("testdata", "tune", path)
			if *rewriteTune {
				if err := os.WriteFile(path, got, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got, want) {
				t.Errorf("%s: now\n%s", path, got)
			}
		}
	}
}
