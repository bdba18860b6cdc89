package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"
	"unicode/utf8"

	"ebbline/agent/history"
	"ebbline/shutdown"
	"ebbline/simulate"
)

// simulated runs the command and gives what it says.
func simulated(ctx context.Context, args ...string) (code int, out, err string) {
	var stdout, stderr bytes.Buffer
	code = Run(ctx, append([]string{"simulate", "--day", "2026-01-01"}, args...), Streams{
		In: strings.NewReader(""), Out: &stdout, Err: &stderr, Env: func(string) string { return "" },
	})
	return code, stdout.String(), stderr.String()
}

func viewed(t *testing.T, ctx context.Context, args ...string) (int, *runsView) {
	t.Helper()
	code, out, errs := simulated(ctx, append(args, "--json")...)
	v := &runsView{}
	if err := json.Unmarshal([]byte(out), v); err != nil {
		t.Fatalf("%v: %v\n%s%s", args, err, out, errs)
	}
	return code, v
}

// smallBattery is the loft with a battery that is deliberately too small.
func smallBattery(t *testing.T, ampHours string) string {
	t.Helper()
	text, err := os.ReadFile("../../testdata/policies/loft.hcl")
	if err != nil {
		t.Fatal(err)
	}
	small := strings.Replace(string(text), "value = 24", "value = "+ampHours, 1)
	if small == string(text) {
		t.Fatal("the loft's amp_hours are not 24 any more")
	}
	path := filepath.Join(t.TempDir(), "small.hcl")
	if err := os.WriteFile(path, []byte(small), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// Aim: a battery that is too small is found out, with a small outage that shows
// it, and that fails when its file is replayed. Method: the loft with a tenth of
// its battery, random outages as a user asks for them (fewer than the 10,000 of
// README, since the first failing one is among them), the file that is written.
func TestSmallBatteryIsFoundOut(t *testing.T) {
	path := smallBattery(t, "2.2")
	file := filepath.Join(t.TempDir(), "small.outage")
	code, v := viewed(t, context.Background(), path, "--random", "400", "--smallest", file)
	if code != exitUnfit || v.Verdict != simulate.Fails || v.Proven || v.Evidence.Random.Within.Seen == 0 {
		t.Fatalf("exit code %d, verdict %q, proven %v, %+v", code, v.Verdict, v.Proven, v.Evidence.Random)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	lines := 0
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, "#") {
			lines++
		}
	}
	if lines > 6 {
		t.Errorf("the smallest has %d lines:\n%s", lines, text)
	}
	if !strings.Contains(string(text), "# Replay it: ebbline simulate "+path+" "+file) {
		t.Errorf("the file does not say how to replay it:\n%s", text)
	}
	seed := strconv.FormatUint(v.Smallest.Seed, 10)
	if code, v := viewed(t, context.Background(), path, file, "--seed", seed); code != exitUnfit || v.Verdict != simulate.Fails {
		t.Errorf("its replay: exit code %d, verdict %q\n%s", code, v.Verdict, text)
	}
	if code, _ := viewed(t, context.Background(), path, "--random", "1", "--seed", strconv.FormatUint(v.Smallest.Of, 10)); code != exitUnfit {
		t.Errorf("the replay of the whole: exit code %d", code)
	}
	t.Logf("%s", text)
}

// Aim: the three kinds of evidence are told apart, each where it is due. Method:
// a policy for which one replay is a proof and every combination can be tried;
// one with a peak; one that does not fit.
func TestEvidence(t *testing.T) {
	_, v := viewed(t, context.Background(), "../../testdata/policies/rig.hcl", "--random", "200")
	e := &v.Evidence
	if v.Verdict != simulate.Proven || !v.Proven || !e.WorstCase.Proven || e.WorstCase.Cut > 0 || *e.WorstCase.InHand < 0 {
		t.Errorf("rig: %q, worst case %+v", v.Verdict, e.WorstCase)
	}
	if x := e.Exhaustive; x == nil || x.Outcomes != 243 || x.Failure != 0 {
		t.Errorf("rig: exhaustive %+v (4 hosts and a battery with 3 classes each are 243)", x)
	}
	if r := e.Random; r == nil || r.All.Outages != 200 || r.All.AtMost != 3.0/134 || *r.All.Large != 134 || r.Within.Outages+r.Beyond.Outages != 200 || r.Within.Seen > 0 || r.Fails.Outages+r.Others.Outages != r.Beyond.Outages {
		t.Errorf("rig: random %+v", r)
	}
	if v.Worst == nil || !strings.Contains(v.Worst.Command, "rig.hcl --random 1 --seed "+strconv.FormatUint(v.Worst.Seed, 10)+" --day ") {
		t.Errorf("rig: the worst %+v", v.Worst)
	} else if _, again := viewed(t, context.Background(), "../../testdata/policies/rig.hcl", "--random", "1", "--seed", strconv.FormatUint(v.Worst.Seed, 10)); *again.InHand.Worst != *v.Worst.InHand {
		t.Errorf("rig: the worst again has %d s in hand, not %d", *again.InHand.Worst, *v.Worst.InHand)
	}
	if v.Stayed == nil || v.Stayed.Share <= 0 || v.Stayed.Share > 1.02 || len(v.Stayed.Hosts) != 4 {
		t.Errorf("rig: stayed up %+v", v.Stayed)
	}

	_, v = viewed(t, context.Background(), "../../testdata/policies/barn.hcl")
	w := &v.Evidence.WorstCase
	if v.Verdict != simulate.Holds || v.Proven || w.Corners != 64 || w.Failed != 0 || !strings.Contains(v.Because, "bench draws more while stopping") || w.Instead == "" {
		t.Errorf("barn: %q because %q, worst case %+v", v.Verdict, v.Because, w)
	}
	if v.Evidence.Exhaustive != nil || v.Evidence.WhyNot == "" || v.Evidence.Random != nil {
		t.Errorf("barn: %+v", v.Evidence)
	}

	code, v := viewed(t, context.Background(), smallBattery(t, "2.2"))
	if w := &v.Evidence.WorstCase; code != exitUnfit || v.Verdict != simulate.Fails || w.Proven || w.Cut == 0 || !strings.Contains(v.Because, "no plan is safe") {
		t.Errorf("small: exit code %d, %q because %q, worst case %+v", code, v.Verdict, v.Because, w)
	}
}

// Aim: every third random outage is aimed, the bound on a host cut is the sharper for it,
// and each is found again by the seed that is shown. Method: a small simulation with every
// run in it, each of them alone, and the bound of the same without aim.
func TestAimedAgain(t *testing.T) {
	const rig = "../../testdata/policies/rig.hcl"
	_, v := viewed(t, context.Background(), rig, "--random", "9", "--seed", "40", "--detail")
	for i, run := range v.Runs {
		if aimed := i%3 == 2; aimed != (run.Seed != uint64(40+i)) {
			t.Errorf("run %d is of seed %d", i, run.Seed)
		}
		_, again := viewed(t, context.Background(), rig, "--random", "1", "--seed", strconv.FormatUint(run.Seed, 10), "--detail")
		if !reflect.DeepEqual(again.Runs, v.Runs[i:i+1]) {
			t.Errorf("run %d was\n%+v\nagain\n%+v", i, run, again.Runs)
		}
	}
	_, v = viewed(t, context.Background(), rig, "--random", "900")
	within := &v.Evidence.Random.Within
	_, plain := simulate.Chance(0, 900*(within.Outages-within.Aimed)/600)
	if !within.Weighed || within.Aimed != 300 || within.Seen > 0 || within.AtMost > plain/2 {
		t.Errorf("of 900: %+v; without aim the bound is about %g", within, plain)
	}
}

// Aim: the same bytes with any number of workers. Method: the whole document.
func TestAnyNumberOfWorkers(t *testing.T) {
	var first string
	for _, workers := range []string{"1", "2", "5"} {
		_, out, errs := simulated(context.Background(), "../../testdata/policies/rig.hcl", "--random", "150", "--json", "--detail", "--workers", workers)
		if len(out) < 10_000 {
			t.Fatal(out, errs)
		}
		if first == "" {
			first = out
		} else if out != first {
			t.Errorf("%s workers give another document", workers)
		}
	}
}

// after is a context that is over when its error was asked for so many times.
type after struct {
	context.Context
	left atomic.Int64
}

func (a *after) Err() error {
	if a.left.Add(-1) < 0 {
		return context.Canceled
	}
	return nil
}

// Aim: an interrupted run gives what is known so far and loses no finished
// trial. Method: an interruption after so many looks whether there is one; the
// outages told of are those of the whole run, one by one.
func TestInterrupted(t *testing.T) {
	args := []string{"../../testdata/policies/rig.hcl", "--random", "300", "--detail", "--workers", "2"}
	_, whole := viewed(t, context.Background(), args...)
	ctx := &after{Context: context.Background()}
	ctx.left.Store(243 + 100) // past the combinations, into the random ones
	code, part := viewed(t, ctx, args...)
	if code != exitFailed || !part.Interrupted || part.Outages == 0 || part.Outages >= 300 || len(part.Runs) != part.Outages {
		t.Fatalf("exit code %d, interrupted %v, %d outages, %d runs", code, part.Interrupted, part.Outages, len(part.Runs))
	}
	if r := part.Evidence.Random; r.All.Outages != part.Outages || r.All.Large == nil || *r.All.Large >= part.Outages || r.All.AtMost != 3/float64(*r.All.Large) {
		t.Errorf("the bound is not that of what was done: %+v of %d", r.All, part.Outages)
	}
	byName := map[string]runView{}
	for _, r := range whole.Runs {
		byName[r.Outage] = r
	}
	for _, r := range part.Runs {
		a, _ := json.Marshal(r)
		b, _ := json.Marshal(byName[r.Outage])
		if !bytes.Equal(a, b) {
			t.Errorf("%s differs from the whole run's", r.Outage)
		}
	}
	ctx.left.Store(100)
	if _, out, _ := simulated(ctx, args[:3]...); !strings.Contains(out, "interrupted: ") || !strings.Contains(out, "it was interrupted") {
		t.Errorf("the text does not say so:\n%s", out)
	}
	t.Logf("%d of 300 outages before the interruption", part.Outages)
}

// Aim: who interrupts at once gets no verdict, and no wrong reason. Method: a policy
// whose combinations of quick and slow stops are to be tried.
func TestInterruptedAtOnce(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	code, out, _ := simulated(ctx, "../../testdata/policies/barn.hcl", "--random", "50")
	flat := strings.Join(strings.Fields(out), " ")
	if code != exitFailed || !strings.Contains(flat, "NO VERDICT: no outage was replayed") || strings.Contains(flat, "HOLDS") ||
		!strings.Contains(flat, "were to be tried, and that was interrupted") || strings.Contains(flat, "too many hosts") {
		t.Errorf("exit code %d:\n%s", code, out)
	}
}

// Aim: bad input gets a clear word and the right exit code. Method: one mistake
// each.
func TestSimulateBadInput(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	rig := "../../testdata/policies/rig.hcl"
	text, err := os.ReadFile(rig)
	if err != nil {
		t.Fatal(err)
	}
	own, night, link := write("own.hcl", string(text)), write("night.outage", "at 0s input lost\n"), filepath.Join(dir, "link")
	if err := os.Link(night, link); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{rig, write("order.outage", "at 5m input lost\nat 2m input back\n")}, exitFailed, "order.outage:2: the time 2m comes after 5m0s. Write the lines in the order"},
		{[]string{rig, write("negative.outage", "at 0s input lost\nhost web takes -5m\n")}, exitFailed, "negative.outage:2: the duration -5m is negative"},
		{[]string{rig, write("host.outage", "at 0s input lost\nhost wbe hangs\n")}, exitFailed, "host.outage:2: the policy has no host \"wbe\". It has"},
		{[]string{rig, write("series.csv", "t_s,vrms_pct\n5,100\n3,0\n")}, exitFailed, "series.csv:3: the time 3 comes after a later one"},
		{[]string{rig, filepath.Join(dir, "none.outage")}, exitFailed, "none.outage cannot be read: no such file"},
		{[]string{rig, "nihgt"}, exitFailed, "no outage of that name. Named ones are"},
		{[]string{rig, dir + "/"}, exitFailed, "it is a folder"},
		{[]string{rig, "--seed", "soon"}, exitUsage, "--seed cannot be \"soon\": write a whole number"},
		{[]string{rig, "--seed", "-1"}, exitUsage, "--seed cannot be \"-1\": write a whole number, from 0 up"},
		{[]string{rig, "--seed", "99999999999999999999"}, exitUsage, "it is too large"},
		{[]string{rig, "--day", "yesterday"}, exitUsage, "--day takes a date such as 2026-01-31, not \"yesterday\""},
		{[]string{rig, "--random", "-5"}, exitUsage, "--random takes a number from 0 to"},
		{[]string{rig, "--random", "many"}, exitUsage, "--random cannot be \"many\": write a whole number"},
		{[]string{rig, "--workers", "0"}, exitUsage, "--workers takes a number from 1"},
		{[]string{rig, "--smallest", filepath.Join(dir, "no", "such", "x.outage")}, exitFailed, "x.outage cannot be written: no such file or directory. Name a file in a folder"},
		{[]string{rig, "--report", dir}, exitFailed, "it is there already and no ordinary file. Name a file"},
		{[]string{rig, "--report", filepath.Join(dir, "no", "x.html")}, exitFailed, "x.html cannot be written: no such file or directory"},
		{[]string{rig, "--random", "2", "--transcript"}, exitUsage, "--transcript shows one outage; 2 are"},
		{[]string{rig, write("torn.csv", "t_s,on\n\"x\ny"), "--random", "5"}, exitFailed, "torn.csv:3: the line is not CSV"},
		{[]string{rig, write("noise.csv", "t_s,on\n\x8b\x00\"\n")}, exitFailed, "noise.csv:1: the file is not UTF-8 text"},
		{[]string{own, "--random", "5", "--report", own}, exitFailed, "own.hcl cannot be written: its name is that of a policy. Name another file"},
		{[]string{own, "--random", "5", "--smallest", filepath.Join(dir, "other.hcl")}, exitFailed, "other.hcl cannot be written: its name is that of a policy"},
		{[]string{rig, night, "--report", filepath.Join(dir, ".", "night.outage")}, exitFailed, "it would take the place of " + night},
		{[]string{rig, night, "--smallest", link}, exitFailed, "it would take the place of " + night},
		{[]string{rig, "--random", "5", "--smallest", filepath.Join(dir, "x"), "--report", filepath.Join(dir, "x")}, exitFailed, "it would take the place of " + filepath.Join(dir, "x")},
		{[]string{write("bare.hcl", "site \"bare\" {\n}\n"), "--random", "5"}, exitRefused, "The policy declares no UPS"},
		{[]string{filepath.Join(dir, "none.hcl")}, exitRefused, "none.hcl cannot be read"},
		{nil, exitUsage, "no policy is named"},
	} {
		code, out, errs := simulated(context.Background(), c.args...)
		if code != c.code || !strings.Contains(errs, c.want) || out != "" {
			t.Errorf("%v: exit code %d, want %d\n%s%swant %q", c.args, code, c.code, out, errs, c.want)
		}
	}
}

// Aim: the command that replays the worst outage does so, to the second. Method:
// what a user may run, with other seeds than the first; the command it names is
// taken as a shell takes it, and the least in hand must be the same.
func TestWorstAgain(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a folder")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	file, barn := filepath.Join(dir, "it's long.outage"), "../../testdata/policies/barn.hcl"
	if err := os.WriteFile(file, []byte("at 0s input lost\nat 3h input back\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{barn}, {barn, "--seed", "9"}, {barn, "sags", file, "--seed", "3"}, {barn, "night", "--random", "120", "--seed", "7", "--site", "barn"},
	} {
		_, v := viewed(t, context.Background(), args...)
		out, err := exec.Command("sh", "-c", "printf '%s\\n' "+strings.TrimPrefix(v.Worst.Command, "ebbline simulate ")).Output()
		if err != nil {
			t.Fatal(err)
		}
		again := strings.Split(strings.TrimSpace(string(out)), "\n")
		_, w := viewed(t, context.Background(), again...)
		if w.Outages != 1 || *w.InHand.Worst != *v.Worst.InHand {
			t.Errorf("%q: the worst is %+v with %d s; %q replays %d with %d s", args, *v.Worst, *v.Worst.InHand, again, w.Outages, *w.InHand.Worst)
		}
	}
}

// Aim: who replays one drawn outage sees what was drawn, and one in which a room
// worse than plans are made for cuts hosts is told from one that holds; a single
// outage gives no chance and no quantiles. Method: a drawn outage in which the
// UPS's output fails.
func TestOneDrawn(t *testing.T) {
	_, out, _ := simulated(context.Background(), "../../testdata/policies/first.hcl", "--random", "1", "--seed", "2")
	for _, want := range []string{"  UPS's output fails *\n", "  at 9m17.05s ups closet output off\n", "│ ups closet output off 9m17s\n",
		"2 hosts cut, which is no failure: the room is worse than any plan is made for\n(UPS's output fails)\n", "\nin hand     -2m10s\n"} {
		if !strings.Contains(out, want) {
			t.Errorf("there is no %q", want)
		}
	}
	for _, no := range []string{"at 95 %", "median -", "worst -"} {
		if strings.Contains(out, no) {
			t.Errorf("it says %q", no)
		}
	}
	if t.Failed() {
		t.Log(out)
	}
}

// Aim: the drawing's times are one clock's, hosts that stay up are drawn as up to
// its end, a long list of losses stays short, and it says how a series was read.
// Method: a series whose input is lost an hour in, one that is never lost, and one
// that flaps a hundred times.
func TestSeriesDrawn(t *testing.T) {
	dir, policy := t.TempDir(), "../../testdata/policies/first.hcl"
	drawn := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		_, out, _ := simulated(context.Background(), policy, path)
		return out
	}
	late := drawn("late.csv", "t_s,on\n0,1\n3600,0\n18000,1\n")
	_, asked, _ := strings.Cut(late, "desk is asked to stop")
	before, _, _ := strings.Cut(late, "  desk is asked to stop")
	at := before[strings.LastIndex(before, "\n")+1:]
	if at = strings.TrimSpace(at); !strings.HasPrefix(at, "1h01m") || !strings.Contains(late, "clean "+at+"\n") || asked == "" {
		t.Errorf("desk is asked at %q by the notes; the drawing has another time:\n%s", at, late)
	}
	if !strings.Contains(late, "the input counts as lost at 0, and as back at 1\n") {
		t.Errorf("it does not say how the series was read:\n%s", late)
	}
	calm := drawn("calm.csv", "t_s,vrms_pct\n0,100\n60,86\n")
	bar, _, _ := strings.Cut(calm[strings.Index(calm, "board 100"):], "\n")
	if strings.Count(bar, "█") < 50 || !strings.Contains(calm, "the input is never lost\n") {
		t.Errorf("the input is never lost:\n%s", calm)
	}
	var text strings.Builder
	for i := range 100 {
		fmt.Fprintf(&text, "%d,0\n%d,1\n", 10*i+5, 10*i+6)
	}
	if flaps := drawn("flaps.csv", "t_s,on\n0,1\n"+text.String()); strings.Count(flaps, "│ input") > 12 || !strings.Contains(flaps, "marked are the first 12 of the 200 things that happen") {
		t.Errorf("a hundred losses:\n%s", flaps)
	}
}

// Aim: it is said who lost power in an outage that was named, and that a host
// which would not go down is no failure. Method: a battery that is too small; a
// host that hangs.
func TestWhoWasCut(t *testing.T) {
	code, out, _ := simulated(context.Background(), smallBattery(t, "2.2"))
	if flat := strings.Join(strings.Fields(out), " "); code != exitUnfit || !strings.Contains(flat, `in "at the bounds: low battery, longest stops" anvil, backup, board, build, desk, forge, gate, mail, photos, trial, vault, wiki lost power while up`) {
		t.Errorf("exit code %d:\n%s", code, out)
	}
	code, out, _ = simulated(context.Background(), "../../testdata/policies/first.hcl")
	if code != exitDone || strings.Contains(out, "lost power while up") || !strings.Contains(out, "\ncut: power lost while up. For a host that would not go down that is no failure.\n") {
		t.Errorf("exit code %d:\n%s", code, out)
	}
	for line := range strings.Lines(out) {
		if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > 80 && !strings.HasPrefix(line, "  ebbline ") {
			t.Errorf("%d columns: %s", n, line)
		}
	}
}

// Aim: each named outage can be replayed by its name, with any policy, keeps
// every promise there, and is listed. Method: all of them.
func TestNamedOutages(t *testing.T) {
	_, list, _ := simulated(context.Background(), "--names")
	readme, err := os.ReadFile("../../testdata/outages/README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range outageNames() {
		if !strings.Contains(list, name+" ") {
			t.Errorf("--names does not list %s:\n%s", name, list)
		}
		if !strings.Contains(string(readme), "| "+name+" |") {
			t.Errorf("testdata/outages/README.md does not list %s", name)
		}
		for _, file := range []string{"loft.hcl", "barn.hcl", "rig.hcl"} {
			s := &simulation{p: tunePolicy(t, file), day: 20454, seed: 1, detail: true}
			o, bad := s.outage(name)
			if len(bad) > 0 {
				t.Errorf("%s with %s: %v", name, file, bad)
				continue
			}
			w, err := simulate.NewReplayer(s.p, s.day)
			if err != nil {
				t.Fatal(err)
			}
			if _, broken := w.Replay(o, 1); len(broken) > 0 {
				t.Errorf("%s with %s: %+v", name, file, broken)
			}
		}
	}
}

// Aim: the report is a whole page with what it is for. Method: the one of a
// policy that fails, looked at for each part; the command in it makes it again.
func TestReportIsWritten(t *testing.T) {
	dir := t.TempDir()
	path := smallBattery(t, "2.2")
	page := filepath.Join(dir, "page.html")
	args := []string{path, "--random", "200", "--report", page}
	if code, _, errs := simulated(context.Background(), args...); code != exitUnfit || errs != "" {
		t.Fatalf("exit code %d\n%s", code, errs)
	}
	first, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"loft: does the plan finish", ">Fails<", "Worst case by construction", "No proof:", "The smallest outage that fails", "The plan", "In hand", "How long each host stayed up", "battery below its low projection", "The worst outage", "--random 200 --seed 1 --day ", " --report " + page, "vault", "</html>"} {
		if !strings.Contains(string(first), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	simulated(context.Background(), args...)
	if again, err := os.ReadFile(page); err != nil || !bytes.Equal(first, again) {
		t.Errorf("made again it differs: %v", err)
	}
}

// Aim: the outages of the agent's history are replayed as they came and went.
// Method: a history with one that has ended, one that is on, and one of another
// site.
func TestSimulatePast(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	store, err := history.Open(path, history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	day := time.Date(2026, 11, 2, 3, 14, 0, 0, time.UTC)
	at := func(d time.Duration) history.Moment {
		return history.Moment{At: shutdown.Instant(time.Hour + d), UTC: day.Add(d)}
	}
	for _, o := range []history.Outage{
		{Number: 1, Site: "rig", Began: at(0), Ended: at(3 * time.Hour), Inputs: []history.Input{
			{UPS: "u", Lost: at(0), Back: at(40 * time.Second)}, {UPS: "u", Lost: at(time.Minute), Back: at(2 * time.Hour)}, {UPS: "gone", Lost: at(0), Back: at(time.Hour)}}},
		{Number: 2, Site: "elsewhere", Began: at(4 * time.Hour), Ended: at(5 * time.Hour), Inputs: []history.Input{{UPS: "u", Lost: at(4 * time.Hour), Back: at(5 * time.Hour)}}},
		{Number: 3, Site: "rig", Began: at(6 * time.Hour), Inputs: []history.Input{{UPS: "u", Lost: at(6 * time.Hour)}}},
	} {
		if err := store.RecordOutage(o); err != nil {
			t.Fatal(err)
		}
	}
	if err := store.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	policy := "../../testdata/policies/rig.hcl"
	code, v := viewed(t, t.Context(), policy, "--past", "--history", path, "--detail")
	if code != exitDone || len(v.Runs) == 0 {
		t.Fatalf("exit %d, %d runs", code, len(v.Runs))
	}
	last := v.Runs[len(v.Runs)-1]
	if last.Outage != "outage 1 of 2026-11-02 03:14" {
		t.Errorf("the last of %d runs is %q", len(v.Runs), last.Outage)
	}
	code, _, errs := simulated(t.Context(), policy, "--past", "--history", "none")
	if code != exitFailed || !strings.Contains(errs, "--history FILE") {
		t.Errorf("without a history: exit %d, %s", code, errs)
	}
}
