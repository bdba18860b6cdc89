package agent_test

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"ebbline/agent"
	"ebbline/agent/journal"
	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/transcript"
)

var every = flag.Bool("every", false, "kill the agent at every event, not only at those that lead to something")

// killer is a journal on the disk whose agent is killed at one of its writes:
// before it, in the middle of it after so many bytes, or when it is written and
// nothing of it is done yet.
type killer struct {
	*journal.Journal
	path  string
	at    int // the append, from 1; 0: never
	bytes int // of it that are written; -1: all
	kill  func()
	n     int
	dead  atomic.Bool
	acts  []act
}

// act is one append.
type act struct {
	size    int
	effects bool
	begins  bool // an action, or ends one
}

func (k *killer) Append(lines []string, sync bool) error {
	if k.dead.Load() {
		return nil // a dead agent writes nothing
	}
	k.n++
	before := size(k.path)
	if err := k.Journal.Append(lines, sync); err != nil {
		return err
	}
	text := strings.Join(lines, "\n")
	k.acts = append(k.acts, act{int(size(k.path) - before), len(lines) > 1, strings.Contains(text, "> begin ") || strings.Contains(text, " finished ")})
	if k.n == k.at {
		k.dead.Store(true)
		if k.bytes >= 0 {
			if err := os.Truncate(k.path, before+int64(k.bytes)); err != nil {
				return err
			}
		}
		k.kill()
	}
	return nil
}

func (k *killer) Cut(snapshot []byte, keep string) error {
	if k.dead.Load() {
		return nil
	}
	return k.Journal.Cut(snapshot, keep)
}

// fastFolder is one in memory, where there is such a thing: a kill, unlike a
// loss of power, does not ask what is on the disk.
func fastFolder(t *testing.T) string {
	dir, err := os.MkdirTemp("/dev/shm", "ebbline")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

func size(path string) int64 {
	info, err := os.Stat(path)
	if err != nil {
		return 0
	}
	return info.Size()
}

// script is what happens to the room.
type script struct {
	name   string
	lasts  time.Duration
	events []moment
	modes  map[int]mode
	takes  map[int]time.Duration // to be off, where it is not what the policy says
	every  time.Duration         // between polls; 0: as the room has it
	// partly: the input comes back while hosts are being stopped. Who was asked
	// by then may differ by the seconds that the agent was dead.
	partly bool
}

// forcedRoom is three hosts, each needed by the one before, on a battery that
// leaves no choice but to stop them all, and is soon charged again.
func forcedRoom(t testing.TB) *policy.Policy {
	p := smallRoom(t)
	p.UPSs[0].Battery.Model, p.UPSs[0].Battery.RechargeHours = &policy.Model{StoreWattHours: 50, Ohmic: time.Minute}, 0.1
	p.Hosts = []policy.Host{host("db", 50, 120, 1), host("vault", 80, 200), host("web", 20, 100, 0, 1)}
	check(t, p)
	return p
}

// room is the policy of the script's room.
func (s *script) room(t testing.TB) *policy.Policy {
	p := forcedRoom(t)
	if s.every > 0 {
		p.UPSs[0].SNMP.PollEvery = s.every
	}
	return p
}

// prepare makes the room's hosts what the script says they are.
func (s *script) prepare(r *room) {
	for k, m := range s.modes {
		r.hosts[k].mode = m
	}
	for k, d := range s.takes {
		r.hosts[k].takes = d
	}
}

type moment struct {
	at    time.Duration
	input bool
}

// end is what became of the room.
type end struct {
	stopped []string // hosts that went off
	up      []string // hosts that are up at the end
	acts    []act
	lives   int
}

// run plays a script through one agent after the other: the first is killed at
// the append given, and another comes two seconds later.
func (s *script) run(t *testing.T, at, cut int) (e end) { return s.play(t, at, cut, nil) }

// play is run; where a former build's life is given, the room has lived through that
// instead of a first one.
func (s *script) play(t *testing.T, at, cut int, past *formerLife) (e end) {
	p := s.room(t)
	r := newRoom(p)
	defer close(r.freed)
	s.prepare(r)
	began := time.Now()
	for _, m := range s.events {
		time.AfterFunc(m.at, func() { r.input(m.input) })
	}
	wentOff := map[string]bool{}
	look := func() {
		r.set(func() {
			for h := range r.hosts {
				if !r.hosts[h].off {
					continue
				}
				wentOff[p.Hosts[h].Name] = true
				for d := range p.Hosts {
					if !r.hosts[d].off && r.hosts[d].mode == obeys && slices.Contains(p.Hosts[d].DependsOn, h) {
						t.Errorf("%s: killed at append %d: %s is off and %s, which needs it, is up", s.name, at, p.Hosts[h].Name, p.Hosts[d].Name)
					}
				}
			}
		})
	}
	watch := time.NewTicker(time.Second)
	defer watch.Stop()
	path := filepath.Join(fastFolder(t), "journal")
	if past != nil {
		e.lives++
		past.live(t, r, path, look)
	}
	for time.Since(began) < s.lasts {
		e.lives++
		if e.lives > 3 {
			t.Fatalf("%s: killed at append %d, it lives for the %dth time", s.name, at, e.lives)
		}
		j, past, err := journal.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		if past.Damage != "" {
			t.Fatalf("%s: killed at append %d after %d bytes: %s", s.name, at, cut, past.Damage)
		}
		ctx, stop := context.WithCancel(context.Background())
		l := &life{room: r}
		k := &killer{Journal: j, path: path, bytes: cut, kill: func() { l.die(); stop() }}
		if e.lives == 1 {
			k.at = at
		}
		a := agent.New(agent.Config{Policy: p, Wire: l.wire, Journal: k, Past: past, Build: fmt.Sprint("build-", e.lives), Boot: "boot-1",
			Wall: time.Now, Elapsed: func() time.Duration { return time.Since(began) + time.Hour }})
		over := make(chan error, 1)
		go func() { over <- a.Run(ctx) }()
		for ended := false; !ended; {
			select {
			case err := <-over:
				if err != nil {
					t.Fatal(err)
				}
				ended = true
			case <-watch.C:
				look()
				if time.Since(began) >= s.lasts {
					stop()
				}
			}
		}
		stop()
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		if e.lives == 1 {
			e.acts = k.acts
		}
		time.Sleep(2 * time.Second)
	}
	e.stopped = slices.Sorted(maps.Keys(wentOff))
	for h := range r.hosts {
		if !r.hosts[h].off {
			e.up = append(e.up, p.Hosts[h].Name)
		}
	}
	if past != nil {
		past.tookOver(t, r, path)
	}
	meanings := map[string]string{}
	for _, b := range r.begun {
		meaning := fmt.Sprintf("%s in the host's cycle %d", b.verb, b.cycle)
		if was, ok := meanings[b.name]; ok && was != meaning {
			t.Errorf("%s: killed at append %d: %s is begun as %s and as %s", s.name, at, b.name, was, meaning)
		}
		meanings[b.name] = meaning
	}
	return e
}

// Killed at any event and started again, the agent ends the outage with the same
// hosts off and the same brought back, nobody goes before who needs it, and no
// action name means two things (P7); each life is another build's.
// Method: scripts through the real agent and journal over a fake room; the agent
// is killed before, after and in the middle of the writing of every event that
// leads to something (with -every: after each of all events).
func TestKilledAtEveryEvent(t *testing.T) {
	minutes := func(n float64) time.Duration { return time.Duration(n * float64(time.Minute)) }
	scripts := []script{
		{name: "all go, all come back", lasts: minutes(25), events: []moment{{5 * time.Second, false}, {minutes(12), true}}},
		{name: "one refuses, one cuts its link", lasts: minutes(25), modes: map[int]mode{0: refuses, 2: cutsShort},
			events: []moment{{5 * time.Second, false}, {minutes(12), true}}},
		{name: "the input comes back in the middle", lasts: minutes(9), partly: true, events: []moment{{5 * time.Second, false}, {minutes(1), true}}},
		{name: "it comes back and goes again", lasts: minutes(20), partly: true,
			events: []moment{{5 * time.Second, false}, {minutes(1), true}, {minutes(2.5), false}, {minutes(4), true}}},
	}
	for _, s := range scripts {
		t.Run(s.name, func(t *testing.T) {
			t.Parallel()
			var want end
			synctest.Test(t, func(t *testing.T) { want = s.run(t, 0, -1) })
			if want.lives != 1 || !s.partly && len(want.stopped) < 2 || len(want.stopped) == 0 {
				t.Fatalf("without a kill %q were stopped, up at the end %q", want.stopped, want.up)
			}
			runs := 0
			try := func(at, cut int) {
				runs++
				var got end
				synctest.Test(t, func(t *testing.T) { got = s.run(t, at, cut) })
				// What is due at the same instant may come in another order, so that one
				// run has a few events fewer than another, and is over before the kill.
				if got.lives != 2 && at < len(want.acts)*9/10 {
					t.Errorf("killed at append %d: %d lives", at, got.lives)
				}
				if !slices.Equal(got.up, want.up) || !s.partly && !slices.Equal(got.stopped, want.stopped) {
					t.Errorf("killed at append %d after %d bytes: stopped %q, up at the end %q; without a kill %q and %q",
						at, cut, got.stopped, got.up, want.stopped, want.up)
				}
			}
			for i, a := range want.acts {
				switch {
				case a.begins:
					try(i+1, 0)
					try(i+1, a.size/2)
				case a.effects && *every:
					try(i+1, a.size/2)
				case !a.effects && !*every:
					continue
				}
				try(i+1, -1)
			}
			t.Logf("%d kills", runs)
		})
	}
}

// outageJournal gives the folder with the journal of an agent that was killed in an outage,
// and of the one that came after it, killed too, when it had asked another host.
func outageJournal(t *testing.T) string {
	dir := fastFolder(t)
	path := filepath.Join(dir, "journal")
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, forcedRoom(t))
		for orders := range 2 {
			j, past, err := journal.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			k := &killer{Journal: j, path: path}
			l.life = &life{room: l.room}
			l.config.Wire, l.config.Journal, l.config.Past = l.life.wire, k, past
			l.start()
			time.Sleep(2 * time.Second)
			l.room.input(false)
			l.until(time.Hour, "one more is asked", func() bool { return len(l.room.names()) > orders })
			time.Sleep(3 * time.Second)
			k.dead.Store(true)
			l.life.die()
			l.stop()
			<-l.over
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
		}
	})
	return dir
}

var beginLine = regexp.MustCompile(`> begin outage-1/(\w+)/ssh-1/`)

// Wherever the journal of an outage is cut, or whichever byte of it is changed, a host
// whose order was whole on the disk is still known as one that was told to stop, in the
// second life's journal also those that the first had told. Method: every line end,
// every byte of the last dozen lines, every 101st byte elsewhere.
func TestCutOrChangedAnywhere(t *testing.T) {
	dir := outageJournal(t)
	path := filepath.Join(dir, "journal")
	second, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	first, err := os.ReadFile(path + ".before")
	if err != nil {
		t.Fatal(err)
	}
	c := &agent.Config{Boot: "boot-1"}
	known := func(what string, want []string) {
		t.Helper()
		j, past, err := journal.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer j.Close()
		s := agent.Recalled(past, c)
		for _, name := range want {
			k := -1
			if s.Policy != nil {
				k = slices.IndexFunc(s.Policy.Hosts, func(h policy.Host) bool { return h.Name == name })
			}
			if k < 0 || s.Hosts[k].State == shutdown.Up {
				t.Fatalf("%s: nothing is known of the order to %s", what, name)
			}
		}
	}
	names := func(text []byte) (list []string) {
		for _, m := range beginLine.FindAllSubmatch(text, -1) {
			list = append(list, string(m[1]))
		}
		return list
	}
	for life, text := range map[string][]byte{"first": first, "second": second} {
		if err := os.Remove(path + ".before"); err != nil {
			t.Fatal(err)
		}
		older := []string(nil)
		if life == "second" {
			older = names(first)
		}
		if err := os.WriteFile(path+".before", map[string][]byte{"first": nil, "second": first}[life], 0o600); err != nil {
			t.Fatal(err)
		}
		if len(names(text)) == 0 {
			t.Fatalf("nobody is asked in the %s life; the test is about that", life)
		}
		end, tail := 0, len(text)-2000
		for n := range len(text) {
			if n > 0 && text[n-1] == '\n' {
				end = n
			} else if n < tail && n%101 != 0 {
				continue
			}
			if err := os.WriteFile(path, text[:n], 0o600); err != nil {
				t.Fatal(err)
			}
			known(fmt.Sprintf("the %s, cut after %d of %d bytes", life, n, len(text)), append(names(text[:end]), older...))
			if n%7 != 0 {
				continue
			}
			bad := slices.Clone(text)
			bad[n] ^= 0x20
			if bad[n] == '\n' || text[n] == '\n' {
				continue // three lines are lost at once
			}
			if err := os.WriteFile(path, bad, 0o600); err != nil {
				t.Fatal(err)
			}
			left := append(slices.Clone(text[:bytes.LastIndexByte(text[:n], '\n')+1]), text[n+bytes.IndexByte(text[n:], '\n')+1:]...)
			known(fmt.Sprintf("the %s, with byte %d of %d changed", life, n, len(text)), append(names(left), older...))
		}
	}
}

// The state as JSON is the state: after every event of an outage, a copy that
// went through JSON is equal, and answers the next event with the same effects: all is
// recorded but scratch space, and what the runner was told of looks at hosts, which one that
// starts was not. Method: the events of an agent's journal, stepped twice.
func TestStateRoundTrip(t *testing.T) {
	var lines []string
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, twoUPSs(t))
		l.room.hosts[0].mode = refuses
		l.start()
		l.room.input(false)
		l.until(time.Hour, "four actions begin", func() bool { return len(l.room.names()) >= 4 })
		l.room.input(true)
		time.Sleep(3 * time.Minute)
		lines = l.journal.lived()
		l.end()
	})
	s := shutdown.New()
	events := 0
	for _, line := range lines {
		if !strings.HasPrefix(line, "at ") || !transcript.Line(line) {
			continue
		}
		at, e, err := transcript.Parse(s.Policy, line)
		if err != nil {
			t.Fatal(err)
		}
		text, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		var copied shutdown.State
		if err := json.Unmarshal(text, &copied); err != nil {
			t.Fatal(err)
		}
		if err := agent.Sound(&copied); err != nil {
			t.Fatalf("before %q: %v", line, err)
		}
		if again, err := json.Marshal(&copied); err != nil || !bytes.Equal(again, text) {
			t.Fatalf("before %q the copy is %s\nand not %s", line, again, text)
		}
		for k := range copied.Hosts {
			copied.Hosts[k].Every = s.Hosts[k].Every
		}
		f := *e
		want, got := s.Step(at, e, nil), copied.Step(at, &f, nil)
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("%q: the copy answers otherwise:\n%s", line, d)
		}
		events++
	}
	if n := strings.Count(strings.Join(lines, "\n"), "> begin "); events < 100 || n < 4 {
		t.Fatalf("%d events, %d actions: the test is about more", events, n)
	}
}

// What the agent does is what the core says: the events of its journal, put
// through the core by hand, give the same bytes, line by line.
func TestSameCode(t *testing.T) {
	var lines []string
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, twoUPSs(t))
		l.room.hosts[0].mode = cutsShort
		l.start()
		l.room.input(false)
		l.until(time.Hour, "four actions begin", func() bool { return len(l.room.names()) >= 4 })
		l.room.input(true)
		time.Sleep(4 * time.Minute)
		lines = l.journal.lived()
		l.end()
	})
	s := shutdown.New()
	var again []string
	for _, line := range lines {
		switch {
		case strings.HasPrefix(line, "boot "):
			again = append(again, line)
		case transcript.Line(line):
			at, e, err := transcript.Parse(s.Policy, line)
			if err != nil {
				t.Fatal(err)
			}
			before := s.Policy
			effects := s.Step(at, e, nil)
			again = append(again, transcript.Event(before, at, e))
			for i := range effects {
				again = append(again, transcript.Effect(s.Policy, at, &effects[i]))
			}
		}
	}
	if d := cmp.Diff(again, lines); d != "" {
		t.Errorf("the core by hand (-) and the agent (+) differ:\n%s", d)
	}
	if n := strings.Count(strings.Join(lines, "\n"), "> begin "); n < 4 {
		t.Errorf("%d actions began; the test is about more", n)
	}
}
