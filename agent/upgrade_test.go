package agent_test

import (
	"bytes"
	"compress/gzip"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"ebbline/agent"
	"ebbline/agent/journal"
	"ebbline/policy"
	"ebbline/shutdown"
)

var recordLife = flag.String("record-life", "", "a folder: TestRecordLife writes there what this build's journal is in an outage")

// upgrades are the outages in which a build gives way to the next. The journals of the
// builds before in them are in testdata/former, by format: "3-all.gz".
var upgrades = []script{
	{name: "all", lasts: 20 * time.Minute, every: 5 * time.Second, modes: map[int]mode{2: cutsShort}, takes: map[int]time.Duration{2: 7 * time.Second},
		events: []moment{{5 * time.Second, false}, {9 * time.Minute, true}}},
	{name: "again", lasts: 10 * time.Minute, every: 5 * time.Second, takes: map[int]time.Duration{2: 7 * time.Second}, partly: true,
		events: []moment{{5 * time.Second, false}, {time.Minute, true}, {2 * time.Minute, false}, {4 * time.Minute, true}}},
}

// uncut is a journal that is not cut back once it is begun.
type uncut struct {
	*journal.Journal
	begun bool
}

func (u *uncut) Cut(snapshot []byte, keep string) error {
	if u.begun {
		return nil
	}
	u.begun = true
	return u.Journal.Cut(snapshot, keep)
}

// TestRecordLife writes down this build's journals of the outages above, for the builds
// to come: go test ./agent -run RecordLife -record-life FOLDER, before its format goes.
func TestRecordLife(t *testing.T) {
	for _, s := range upgrades {
		var text []byte
		synctest.Test(t, func(t *testing.T) { text = s.record(t) })
		if n := strings.Count(string(text), "> begin outage-"); n < 2 {
			t.Errorf("%s: %d orders", s.name, n)
		}
		if *recordLife == "" {
			continue
		}
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		z.Write(text)
		z.Close()
		if err := os.WriteFile(filepath.Join(*recordLife, fmt.Sprintf("%d-%s.gz", agent.Format, s.name)), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// record gives the whole journal of one life.
func (s *script) record(t *testing.T) []byte {
	l := newLab(t, s.room(t))
	s.prepare(l.room)
	for _, e := range s.events {
		time.AfterFunc(e.at, func() { l.room.input(e.input) })
	}
	path := filepath.Join(fastFolder(t), "journal")
	j, past, err := journal.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	l.config.Wire, l.config.Journal, l.config.Past = l.life.wire, &uncut{Journal: j}, past
	l.start()
	time.Sleep(s.lasts)
	l.life.die()
	l.end()
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// recorded gives the lines of such a journal, as they are in the file.
func recorded(t *testing.T, format int, name string) []string {
	packed, err := os.ReadFile(fmt.Sprintf("testdata/former/%d-%s.gz", format, name))
	if err != nil {
		t.Fatal(err)
	}
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	return slices.Collect(strings.Lines(string(text)))
}

// formerLife is a life of a former build, as its journal tells it, up to a kill.
type formerLife struct {
	lines []string // as they are in the file
	dies  time.Duration
	down  map[string]int // hosts that it knew to be off then, and in which of their cycles
}

var (
	atLine      = regexp.MustCompile(`^[0-9a-f]{8} at ([0-9.]+) `)
	beganLine   = regexp.MustCompile(`> begin (outage-\d+/(\w+)/\S+) (shut-down|power-off|start) by`)
	verbs       = []shutdown.Verb{shutdown.VerbShutDown, shutdown.VerbPowerOff, shutdown.VerbStart}
	hostIsLine  = regexp.MustCompile(`> note host-(down|started) (\w+) `)
	bubbleBegan = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC) // when a bubble's clock begins
)

// writtenAt gives how long into the outage's script a line was written; ok is false for a
// line without a time.
func writtenAt(line string) (d time.Duration, ok bool) {
	m := atLine.FindStringSubmatch(line)
	if m == nil {
		return 0, false
	}
	secs, frac, _ := strings.Cut(m[1], ".")
	n, _ := strconv.ParseInt(secs, 10, 64)
	ns, _ := strconv.ParseInt((frac + "000000000")[:9], 10, 64)
	return time.Unix(n, ns).Sub(bubbleBegan), true
}

// live has the room live through it: what its orders did to hosts, until it dies. An
// order needs a tenth of a second to arrive, as in fakeDoer.
func (f *formerLife) live(t *testing.T, r *room, path string, look func()) {
	f.down = map[string]int{}
	knew := map[string]bool{}
	for _, line := range f.lines {
		if m := hostIsLine.FindStringSubmatch(line); m != nil {
			knew[m[2]] = m[1] == "down"
		}
		at, _ := writtenAt(line)
		m := beganLine.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		if at+100*time.Millisecond > f.dies {
			continue
		}
		name, host := m[1], slices.IndexFunc(r.policy.Hosts, func(h policy.Host) bool { return h.Name == m[2] })
		verb := verbs[slices.IndexFunc(verbs, func(v shutdown.Verb) bool { return v.String() == m[3] })]
		time.AfterFunc(at, func() { r.set(func() { r.reached(host, name, verb) }) })
		time.AfterFunc(at+100*time.Millisecond, func() { r.set(func() { r.carryOut(host, verb) }) })
	}
	for began := time.Now(); time.Since(began) < f.dies; time.Sleep(min(time.Second, f.dies-time.Since(began))) {
		look()
	}
	r.set(func() {
		for k := range r.hosts {
			if name := r.policy.Hosts[k].Name; knew[name] {
				f.down[name] = r.hosts[k].cycle
			}
		}
	})
	if err := os.WriteFile(path, []byte(strings.Join(f.lines, "")), 0o600); err != nil {
		t.Fatal(err)
	}
	time.Sleep(2 * time.Second)
}

// tookOver checks what the next build made of it: nothing of the journal was put aside,
// and no host was told to stop that was known to be off.
func (f *formerLife) tookOver(t *testing.T, r *room, path string) {
	files, err := filepath.Glob(path + ".*")
	for _, name := range files {
		if !slices.Contains([]string{"before", "last-outage", "lock"}, strings.TrimPrefix(name, path+".")) {
			t.Errorf("dead at %v: there is %s", f.dies, name)
		}
	}
	if err != nil {
		t.Error(err)
	}
	for _, b := range r.begun {
		name := strings.Split(b.name, "/")[1]
		cycle, knew := f.down[name]
		if knew && b.cycle == cycle && b.verb != shutdown.VerbStart && b.at.Sub(bubbleBegan) > f.dies {
			t.Errorf("dead at %v: %s is begun though %s was known to be off", f.dies, b.name, name)
		}
	}
}

// A build that gives way to the next at any event of an outage loses nothing: the hosts
// that it stopped are brought back, those that it had not come to are stopped as they would
// have been, none goes before who needs it, none that was known to be off is told to stop
// again, no action's name means two things, and nothing is refused of its journal. Method:
// the journals that the builds of each format before wrote in two outages, cut behind every
// event; the room is as its orders had left it by then, and by the next event.
func TestUpgradedAtEveryEvent(t *testing.T) {
	for _, s := range upgrades {
		var want end
		synctest.Test(t, func(t *testing.T) { want = s.run(t, 0, -1) })
		if len(want.up) != 3 || len(want.stopped) == 0 {
			t.Fatalf("%s: without an upgrade %q were stopped, up at the end %q", s.name, want.stopped, want.up)
		}
		for n := 1; n < agent.Format; n++ {
			lines := recorded(t, n, s.name)
			t.Run(fmt.Sprintf("format %d, %s", n, s.name), func(t *testing.T) {
				t.Parallel()
				s.upgrade(t, lines, &want)
			})
		}
	}
}

func (s *script) upgrade(t *testing.T, lines []string, want *end) {
	runs := 0
	for i := 3; i < len(lines); i++ {
		next, is := writtenAt(lines[i])
		if strings.Contains(lines[i], " > ") || !is {
			continue // it belongs to the event before, or is a snapshot of that
		}
		last := i - 1
		at, is := writtenAt(lines[last])
		for !is {
			last--
			at, is = writtenAt(lines[last])
		}
		for _, dies := range []time.Duration{at, next - time.Millisecond} {
			begins := strings.Contains(lines[i-1], "> begin ") || strings.HasPrefix(lines[i-1][9:], snapshotWord)
			if dies <= 0 || dies > at && !begins || !begins && i%4 != 0 && !*every {
				continue
			}
			runs++
			f := &formerLife{lines: lines[:i], dies: dies}
			var got end
			synctest.Test(t, func(t *testing.T) { got = s.play(t, i, -1, f) })
			if !slices.Equal(got.up, want.up) || !s.partly && !slices.Equal(got.stopped, want.stopped) {
				t.Errorf("%s: upgraded behind line %d, at %v: stopped %q, up at the end %q; without %q and %q", s.name, i, dies, got.stopped, got.up, want.stopped, want.up)
			}
		}
	}
	t.Logf("%d upgrades", runs)
}

// A journal of a former build that is damaged, or says what cannot be, is refused in
// words and kept aside, and the agent starts from what is seen. Method: the last snapshot
// of each format's journal with one thing changed, and none before it that can be read.
func TestBadFormerJournals(t *testing.T) {
	part := func(s map[string]any, list string, n int) map[string]any {
		return s["State"].(map[string]any)[list].([]any)[n].(map[string]any)
	}
	type test struct {
		name   string
		change func(s map[string]any)
		says   string
		kept   string
	}
	both := []test{
		{"as it is", func(s map[string]any) {}, "", ""},
		{"cut short", nil, "cannot be read", "damaged-"},
		{"a host too many", func(s map[string]any) {
			s["State"].(map[string]any)["Hosts"] = append(s["State"].(map[string]any)["Hosts"].([]any), part(s, "Hosts", 0))
		}, "does not belong to its policy", "impossible-"},
		{"hosts without a policy", func(s map[string]any) { s["State"].(map[string]any)["Policy"] = nil }, "belongs to no policy", "impossible-"},
		{"no state", func(s map[string]any) { s["State"] = nil }, "cannot be read: EOF", "unknown-fields-"},
	}
	conclusions := append(both, []test{ // formats 1 to 3
		{"a field renamed", func(s map[string]any) { part(s, "Hosts", 0)["Halted"] = 1; delete(part(s, "Hosts", 0), "Told") }, `no field "State.Hosts[].Halted"`, "unknown-fields-"},
		{"a field missing", func(s map[string]any) { delete(part(s, "UPSs", 0), "Charge") }, `"State.UPSs[].Charge" is missing`, "unknown-fields-"},
		{"a field of the next format", func(s map[string]any) { part(s, "UPSs", 0)["Taken"] = nil }, `no field "State.UPSs[].Taken"`, "unknown-fields-"},
		{"a power that there is not", func(s map[string]any) { part(s, "Hosts", 0)["Power"] = 9 }, "host db: Power cannot be 9", "impossible-"},
		{"a phase that there is not", func(s map[string]any) { part(s, "UPSs", 0)["Phase"] = 6 }, "UPS rack: Phase cannot be 6", "impossible-"},
		{"a switching that there is not", func(s map[string]any) { part(s, "UPSs", 0)["Output"] = 5 }, "UPS rack: Output cannot be 5", "impossible-"},
		{"a method that there is not", func(s map[string]any) { part(s, "Hosts", 1)["Power"], part(s, "Hosts", 1)["Method"] = 2, 7 }, "host vault: Method cannot be 7", "impossible-"},
		{"energy below nothing", func(s map[string]any) { part(s, "UPSs", 0)["Charge"].(map[string]any)["Delivered"] = -5 }, "Taken.Delivered cannot be -5", "impossible-"},
		{"a charge that is none", func(s map[string]any) { part(s, "UPSs", 0)["Charge"].(map[string]any)["Delivered"] = "half" }, "a value of it is none", "impossible-"},
	}...)
	schedule := func(s map[string]any) map[string]any {
		return s["State"].(map[string]any)["Schedule"].(map[string]any)
	}
	facts := append(both, []test{ // formats 4 and 5
		{"a field missing", func(s map[string]any) { delete(part(s, "Hosts", 0), "Ours") }, `"State.Hosts[].Ours" is missing`, "unknown-fields-"},
		{"a field that never was", func(s map[string]any) { schedule(s)["Stops"] = nil }, `no field "State.Schedule.Stops"`, "unknown-fields-"},
		{"a state that there is not", func(s map[string]any) { part(s, "Hosts", 0)["State"] = 99 }, "host db: State cannot be 99", "impossible-"},
		{"an input that there is not", func(s map[string]any) { part(s, "UPSs", 0)["Says"] = 9 }, "UPS rack: Says cannot be 9", "impossible-"},
		{"energy below nothing", func(s map[string]any) { part(s, "UPSs", 0)["LowLeft"] = -5 }, "LowLeft cannot be -5", "impossible-"},
		{"a charge that is none", func(s map[string]any) { part(s, "UPSs", 0)["Load"] = "half" }, "a value of it is none", "impossible-"},
		{"a host that is neither ours nor not", func(s map[string]any) { part(s, "Hosts", 0)["Ours"] = "half" }, "a value of it is none", "impossible-"},
	}...)
	fourth := slices.Concat(facts, []test{
		{"a field of format 5", func(s map[string]any) { s["State"].(map[string]any)["Notices"] = nil }, `no field "State.Notices"`, "unknown-fields-"},
		{"a stop of no host", func(s map[string]any) { schedule(s)["Hosts"] = append(schedule(s)["Hosts"].([]any), 0) }, "its schedule is not whole", "impossible-"},
		{"a stop of a host that there is not", func(s map[string]any) {
			for j := range schedule(s)["Hosts"].([]any) {
				schedule(s)["Hosts"].([]any)[j] = 7
			}
		}, "a host that is not there", "impossible-"},
	})
	fifth := slices.Concat(facts, []test{
		{"a field of format 4", func(s map[string]any) { s["State"].(map[string]any)["Told"] = nil }, `no field "State.Told"`, "unknown-fields-"},
		{"no day", func(s map[string]any) { delete(s["State"].(map[string]any), "Day") }, `"State.Day" is missing`, "unknown-fields-"},
		{"a stop of a host that there is not", func(s map[string]any) {
			for _, stop := range schedule(s)["Plan"].(map[string]any)["Stops"].([]any) {
				stop.(map[string]any)["Host"] = 7
			}
		}, "a host that is not there", "impossible-"},
	})
	for n := 1; n < agent.Format; n++ {
		for _, c := range [...][]test{{}, conclusions, conclusions, conclusions, fourth, fifth}[n] {
			t.Run(fmt.Sprintf("format %d, %s", n, c.name), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					l := newLab(t, forcedRoom(t))
					core, logs := observer.New(zap.WarnLevel)
					l.config.Log, l.config.Past = zap.New(core), changed(t, formerPast(t, n), c.change)
					l.room.hosts[2].off = true // else all are seen up, and nothing is left to be done
					begin := time.Now()
					l.config.Elapsed = func() time.Duration { return time.Since(begin) + time.Hour + 6*time.Minute } // behind the journal's
					l.start()
					time.Sleep(500 * time.Millisecond)
					said := ""
					for _, e := range logs.All() {
						said += e.Message + "\n"
					}
					if !strings.Contains(said, c.says) {
						t.Errorf("the log says %q, and not %q", said, c.says)
					}
					synctest.Wait()
					if kept := strings.Join(l.journal.kept, " "); !strings.HasPrefix(kept, c.kept) || c.kept == "" && kept != "" {
						t.Errorf("put aside as %q, want %q", kept, c.kept)
					}
					if got := l.raised(shutdown.MemoryRefused); got != (c.kept != "") {
						t.Errorf("memory-refused raised: %v", got)
					}
					time.Sleep(10 * time.Second) // nothing is asked of anybody meanwhile: the input is there
					if orders := l.room.names(); len(orders) > 0 && c.kept != "" {
						t.Errorf("of a journal that is not used came %q", orders)
					}
					l.end()
				})
			})
		}
	}
}

// formerPast is what a journal of a format held when its agent was killed in an outage,
// behind a snapshot that has a host off in it.
func formerPast(t *testing.T, format int) (past agent.Past) {
	var lines []string
	if format == 1 { // the builds without a number wrote snapshots at a start only
		text, err := os.ReadFile("testdata/journal-format-1")
		if err != nil {
			t.Fatal(err)
		}
		lines = slices.Collect(strings.Lines(string(text)))
	} else {
		lines = recorded(t, format, "all")
		end := slices.IndexFunc(lines, func(l string) bool { return strings.Contains(l, "> note host-down db ") })
		for !strings.HasPrefix(lines[end][9:], snapshotWord) {
			end++
		}
		lines = lines[:end+1]
	}
	for _, l := range lines[1:] { // without the header and the checksums
		past.Lines = append(past.Lines, strings.TrimSpace(l)[9:])
	}
	return past
}
