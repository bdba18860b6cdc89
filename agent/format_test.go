package agent

import (
	"compress/gzip"
	"encoding"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
	"ebbline/simulate"
)

var rewriteFormat = flag.Bool("rewrite-format", false, "write the fields of the newest format down as they are")

// fieldList gives the fields of a type as its JSON has them, below a path.
func fieldList(t reflect.Type, path string) (list []string) {
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() == reflect.Slice || t.Kind() == reflect.Array {
		return fieldList(t.Elem(), path) // the path says that it is one
	}
	_, text := reflect.New(t).Interface().(encoding.TextMarshaler)
	if t.Kind() != reflect.Struct || text {
		return nil
	}
	for i := range t.NumField() {
		f := t.Field(i)
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case f.Anonymous:
			list = append(list, fieldList(f.Type, path)...)
			continue
		case !f.IsExported() || name == "-":
			continue
		case name == "":
			name = f.Name
		}
		at := strings.TrimPrefix(path+"."+name, ".")
		kind := f.Type
		if kind.Kind() == reflect.Slice || kind.Kind() == reflect.Array {
			at += "[]"
		}
		switch {
		case kind == reflect.TypeFor[*policy.Policy]():
			list = append(list, at+" *")
			continue
		case options != "":
			list = append(list, at+" ?")
		default:
			list = append(list, at)
		}
		list = append(list, fieldList(kind, at)...)
	}
	return list
}

// What a snapshot holds is what is written down for its format, so that none changes
// without a number of its own: another build would take it for what it is not.
func TestFormatIsWrittenDown(t *testing.T) {
	path := fmt.Sprintf("formats/%d.txt", format)
	list := fieldList(reflect.TypeFor[snapshot](), "")
	if *rewriteFormat {
		if err := os.WriteFile(path, []byte(strings.Join(list, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	was := strings.Split(strings.TrimSpace(string(text)), "\n")
	for _, f := range list {
		if !slices.Contains(was, f) {
			t.Errorf("%s is new in the snapshot, or means another thing, and format %d does not have it: raise format, list its fields with -rewrite-format, and say in importers how the one before is read", f, format)
		}
	}
	for _, f := range was {
		if !slices.Contains(list, f) {
			t.Errorf("%s of format %d is no longer in the snapshot: raise format, list its fields with -rewrite-format, and say in importers how the one before is read", f, format)
		}
	}
	// A policy may come to know more words. One that is gone, or is called otherwise, was
	// recorded under its name by the builds before.
	words, err := os.ReadFile("formats/policy.words")
	if *rewriteFormat {
		words, err = []byte(strings.Join(fieldList(reflect.TypeFor[policy.Policy](), ""), "\n")+"\n"), nil
		if err := os.WriteFile("formats/policy.words", words, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	for w := range strings.Lines(string(words)) {
		if w = strings.TrimSpace(w); !slices.Contains(fieldList(reflect.TypeFor[policy.Policy](), ""), w) {
			t.Errorf("the policy's %s is gone or renamed: what builds before recorded says it. Raise format, and carry it over in importers", w)
		}
	}
	for n := 1; n <= format; n++ {
		if importers[n] == nil || len(fieldsOf(n)[""]) == 0 {
			t.Errorf("format %d is not read any more", n)
		}
	}
}

// keeper is a log of a replayed outage that steps a core of its own, and asks at each
// event whether what it knows would be refused at a start.
type keeper struct {
	t     *testing.T
	state *shutdown.State
	seed  uint64
	n     int
}

func (k *keeper) Event(at shutdown.Instant, e *shutdown.Event) {
	k.state.Step(at, e, nil)
	if k.n++; k.t.Failed() {
		return
	}
	if err := sound(k.state); err != nil {
		k.t.Fatalf("outage %d, after %d events: %v", k.seed, k.n, err)
	}
	if k.n%199 != 0 {
		return
	}
	text, err := json.Marshal(&snapshot{Format: format, State: k.state})
	if err == nil {
		_, err = decode(text)
	}
	if err != nil {
		k.t.Fatalf("outage %d, after %d events: %v", k.seed, k.n, err)
	}
}

func (k *keeper) Effect(shutdown.Instant, *shutdown.Effect) {}

// No state that the core comes to is refused at a start. Method: random outages with all
// their faults.
func TestNoStateIsRefused(t *testing.T) {
	const day = 20454 // 2026-01-01
	for _, name := range []string{"barn", "first", "loft", "mill", "rig"} {
		p := kept(t, name)
		dice, err1 := simulate.NewDice(p, day)
		runner, err2 := simulate.NewRunner(p, day)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		events := 0
		var o simulate.Outage
		var out simulate.Run
		for seed := range uint64(15) {
			dice.Draw(seed, &o)
			k := &keeper{t: t, state: shutdown.New(), seed: seed}
			runner.Log = k
			runner.Run(o.Truth(seed), &out)
			events += k.n
		}
		if events < 2000 {
			t.Errorf("%s: %d events; the test is about more", name, events)
		}
	}
}

// The journal of a build without format numbers, killed in an outage, is read as that
// build left it. testdata/journal-format-1 is its file: web was off, db was asked.
func TestFormatOne(t *testing.T) {
	text, err := os.ReadFile("testdata/journal-format-1")
	if err != nil {
		t.Fatal(err)
	}
	var past Past
	for line := range strings.Lines(string(text)) {
		past.Lines = append(past.Lines, strings.TrimSpace(line)[9:]) // behind the checksum
	}
	past.Lines = past.Lines[1:] // the header
	m := remember(&past, &Config{Boot: "boot-1", Build: "this"})
	if m.lost || m.state.Outage != 1 || !m.state.Outstanding() {
		t.Fatalf("lost: %v; %q", m.lost, m.notes)
	}
	for k, want := range map[string]shutdown.HostState{"db": shutdown.Told, "vault": shutdown.Up, "web": shutdown.Off} {
		i := slices.IndexFunc(m.state.Policy.Hosts, func(h policy.Host) bool { return h.Name == k })
		if h := &m.state.Hosts[i]; h.State != want {
			t.Errorf("%s is %s", k, h.State)
		}
	}
}

// formerSnapshots gives the snapshots of a build before, one a line.
func formerSnapshots(t *testing.T, format int) string {
	file, err := os.Open(fmt.Sprintf("testdata/former/%d-snapshots.gz", format))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	z, err := gzip.NewReader(file)
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// What format 4 said in other fields is what a state of this format says. Method: four
// snapshots of the build before, in testdata/former/4-snapshots.gz: of a host whose early
// step was begun; of a schedule that rests on a room's end; of power that is cut on
// purpose, as its input says still, and as it says no more.
func TestFormatFour(t *testing.T) {
	early, ends, cut := 0, 0, 0
	for line := range strings.Lines(formerSnapshots(t, 4)) {
		var was struct {
			State struct {
				Outage    uint32
				Emergency shutdown.Instant
				UPSs      []struct{ Last struct{ TemperatureC int64 } }
				Hosts     []struct{ Seen, SeenFrom, SeenAt, Prepared shutdown.Instant }
				Schedule  struct {
					At    shutdown.Instant
					Hosts []int32
					Rooms []shutdown.Instant
					Plan  struct {
						Stops []struct{ Start time.Duration }
					}
				}
			}
		}
		s, err := decode([]byte(line))
		if err != nil || json.Unmarshal([]byte(line), &was) != nil {
			t.Fatal(err)
		}
		for i, u := range was.State.UPSs {
			if got := s.State.UPSs[i].Last.TemperatureTenthsC; got != u.Last.TemperatureC {
				t.Errorf("a battery at %d tenths of a degree is at %d", u.Last.TemperatureC, got)
			}
		}
		for k, h := range was.State.Hosts {
			last := s.State.Hosts[k].Last
			if h.Prepared == 0 || s.State.Hosts[k].Stopping() {
				continue
			}
			early++
			name := fmt.Sprintf("outage-%d/%s/prepare/1", was.State.Outage, s.State.Policy.Hosts[k].Name)
			if due := h.Prepared.Add(s.State.Policy.Hosts[k].Prepare.GivesUp); last.Action.ID.Name(s.State.Policy) != name || last.Action.Deadline != due {
				t.Errorf("the last order is %+v and not %s by %d", last.Action, name, due)
			}
		}
		for j, k := range was.State.Schedule.Hosts {
			if o, ok := s.State.StopOf(k); !ok || o.Asked != was.State.Schedule.Plan.Stops[j].Start || o.Why == 0 {
				t.Errorf("host %d is to stop %+v", k, o)
			}
		}
		for j, end := range was.State.Schedule.Rooms {
			ends++
			if got, _ := s.State.RoomEnd(j); got != end {
				t.Errorf("a room ends at %d and not at %d", got, end)
			}
		}
		held := slices.ContainsFunc(s.State.Conditions(), func(n shutdown.Notice) bool { return n.Code == shutdown.EmergencyOff })
		if held != (was.State.Emergency != 0) {
			t.Errorf("power is cut on purpose: %v", held)
		}
		if held {
			cut++
		}
	}
	if early != 1 || ends == 0 || cut != 2 {
		t.Errorf("%d early steps, %d rooms, %d emergencies", early, ends, cut)
	}
}

// What format 5 said in other fields is what a state of this format says; and batteries are
// as old as the outage has them, whenever their policy was adopted. Method: three snapshots
// of the build before, in testdata/former/5-snapshots.gz, with a day of two years before:
// of a host that looked turned off and is asked all the same; of hosts that wait for the
// charge, the input being back; of a battery, beside one with input, against which its
// readings speak.
func TestFormatFive(t *testing.T) {
	off, input, lowered := 0, 0, 0
	for line := range strings.Lines(formerSnapshots(t, 5)) {
		line = regexp.MustCompile(`"Day":\d+`).ReplaceAllString(line, `"Day":19724`)
		var was struct {
			State struct {
				UPSs  []struct{ Holds [2]float64 }
				Hosts []struct {
					State shutdown.HostState
					Ours  bool
				}
			}
		}
		s, err := decode([]byte(line))
		if err != nil || json.Unmarshal([]byte(line), &was) != nil {
			t.Fatal(err)
		}
		for k, h := range was.State.Hosts {
			want := h.State
			if (want == shutdown.Asked || want == shutdown.Told || want == shutdown.Doubt) && !h.Ours {
				want = shutdown.AskedOff
				off++
			}
			if got := s.State.Hosts[k].State; got != want {
				t.Errorf("a host that was %s, ours %v, is %s, want %s", h.State, h.Ours, got, want)
			}
		}
		for i, u := range was.State.UPSs {
			p := &s.State.Policy.UPSs[i]
			b, err := battery.New(p, s.State.Began.Day())
			if err != nil {
				t.Fatal(err)
			}
			if t := s.State.UPSs[i].Warmth; t != shutdown.Unread {
				b = b.AtTemperature(float64(t) / 10)
			}
			prior := b.LowAt(s.State.Policy.Site.ConfidencePermille)
			if got := s.State.Belief(int32(i)); got.Factors != b.Factors {
				t.Errorf("%s is believed to hold %v, on that day %v", p.Name, got.Factors, b.Factors)
			}
			got := s.State.UPSs[i].Holds
			switch on := s.State.UPSs[i].OnBattery(); {
			case !on:
				input++
				if got[0] < prior || got[1] < b.Likely {
					t.Errorf("%s has input, and readings leave %v of its battery", p.Name, got)
				}
			case got != u.Holds:
				t.Errorf("readings left %v of the battery of %s, and now %v", u.Holds, p.Name, got)
			case got[0] < 0.9*prior:
				lowered++
			}
		}
	}
	if off != 1 || input != 2 || lowered != 1 {
		t.Errorf("%d hosts that looked turned off, %d UPSs with input, %d batteries with readings against them", off, input, lowered)
	}
}

// kept is one of the policies in testdata.
func kept(t testing.TB, name string) *policy.Policy {
	t.Helper()
	text, err := os.ReadFile("../testdata/policies/" + name + ".hcl")
	if err != nil {
		t.Fatal(err)
	}
	p, _, diags := load.Load([]load.File{{Name: name, Bytes: text}}, load.Options{})
	if p == nil {
		t.Fatal(diags)
	}
	return p
}
