package agent_test

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"ebbline/agent"
	"ebbline/policy"
	"ebbline/shutdown"
)

// halfway gives the journal of an agent that was killed about a minute into an
// outage, with one host off and one asked; and of one that ended there cleanly.
func halfway(t *testing.T) (past, clean agent.Past, after time.Duration) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		l.room.hosts[0].mode = deaf
		l.start()
		began := time.Now()
		l.room.input(false)
		l.until(time.Hour, "web is off and db is asked", func() bool { return l.power() == "web off; db asked; vault up; keeper up; " })
		time.Sleep(100 * time.Millisecond)
		after = time.Since(began)
		past = l.journal.past()
		l.end()
		clean = l.journal.past()
	})
	return past, clean, after
}

// changed gives a journal from its last snapshot on, with that changed; without a
// change it cannot be read.
func changed(t *testing.T, past agent.Past, change func(s map[string]any)) agent.Past {
	t.Helper()
	last := len(past.Lines) - 1
	for !strings.HasPrefix(past.Lines[last], snapshotWord) {
		last--
	}
	past.Lines = slices.Clone(past.Lines[last:])
	text := strings.TrimPrefix(past.Lines[0], snapshotWord)
	past.Lines[0] = snapshotWord + "{"
	if change == nil {
		return past
	}
	var s map[string]any
	d := json.NewDecoder(strings.NewReader(text))
	d.UseNumber()
	if err := d.Decode(&s); err != nil {
		t.Fatal(err)
	}
	change(s)
	again, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	past.Lines[0] = snapshotWord + string(again)
	return past
}

// Whatever a journal is like, the agent starts, uses what is good of it, says
// what is not, and keeps it aside.
func TestBadJournals(t *testing.T) {
	good, clean, after := halfway(t)
	const remembered, forgotten = "web off; db stopping; vault up; keeper up; ", "web turned off; db up; vault up; keeper up; "
	with := func(past agent.Past, more ...string) agent.Past {
		past.Lines = append(slices.Clone(past.Lines), more...)
		return past
	}
	torn, flipped := good, good
	torn.Torn, flipped.Damage = true, "line 900 does not match"
	ups := func(s map[string]any) map[string]any {
		return s["State"].(map[string]any)["UPSs"].([]any)[0].(map[string]any)
	}
	web := func(s map[string]any) map[string]any {
		return s["State"].(map[string]any)["Hosts"].([]any)[3].(map[string]any)
	}
	tests := []struct {
		name string
		past agent.Past
		want string // who is how
		says string // in the log
		kept string // the name under which the journal is put aside begins so
	}{
		{"whole", good, remembered, "", ""},
		{"ended cleanly", clean, remembered, "", ""},
		{"none", agent.Past{}, forgotten, "", ""},
		{"torn", torn, remembered, "cut short", ""},
		{"damaged", flipped, remembered, "line 900", "damaged-"},
		{"a line that is none", with(good, "at noon measured"), remembered, "cannot be used; it is left out", "damaged-"},
		{"a host that is none", with(good, "at 946688460 observed nobody up"), remembered, "no host is called", "damaged-"},
		{"a last snapshot that is none", with(good, snapshotWord+"{"), remembered, "a snapshot of the journal cannot be used", "damaged-"},
		{"no snapshot", changed(t, good, nil), forgotten, "nothing is remembered", "damaged-"},
		{"another build", changed(t, good, func(s map[string]any) { s["Build"] = "build-0" }), remembered, "another build", ""},
		{"a newer format", changed(t, good, func(s map[string]any) { s["Format"] = 99 }), forgotten, "format 99, of a newer build", "newer-format-"},
		{"a field renamed", changed(t, good, func(s map[string]any) { web(s)["Halted"] = web(s)["UpAt"]; delete(web(s), "UpAt") }), forgotten, `no field "State.Hosts[].Halted"`, "unknown-fields-"},
		{"a field in other letters", changed(t, good, func(s map[string]any) { web(s)["upAt"] = web(s)["UpAt"]; delete(web(s), "UpAt") }), forgotten, `no field "State.Hosts[].upAt"`, "unknown-fields-"},
		{"a field missing", changed(t, good, func(s map[string]any) { delete(ups(s), "Lost") }), forgotten, `"State.UPSs[].Lost" is missing`, "unknown-fields-"},
		{"a word of the policy that is none", changed(t, good, func(s map[string]any) { s["State"].(map[string]any)["Policy"].(map[string]any)["Moon"] = 1 }), forgotten, "Moon", "unknown-fields-"},
		{"no place for a UPS", changed(t, good, func(s map[string]any) { s["State"].(map[string]any)["UPSs"] = nil }), forgotten, "does not belong", "impossible-"},
		{"a host that is not there", changed(t, good, func(s map[string]any) {
			s["State"].(map[string]any)["Schedule"].(map[string]any)["Plan"].(map[string]any)["Stops"] = []map[string]any{{"Asked": 0, "Down": 0, "Latest": 0, "Kept": false, "Host": 77, "Why": 1}}
		}), forgotten, "its schedule", "impossible-"},
		{"a state that there is not", changed(t, good, func(s map[string]any) { web(s)["State"] = 99 }), forgotten, "host web: State cannot be 99", "impossible-"},
		{"a method that there is not", changed(t, good, func(s map[string]any) {
			web(s)["Last"].(map[string]any)["Action"].(map[string]any)["ID"].(map[string]any)["Method"] = 7
		}), forgotten, "the last order to host web is none", "impossible-"},
		{"an answer that there is not", changed(t, good, func(s map[string]any) { ups(s)["Says"] = 200 }), forgotten, "UPS rack: Says cannot be 200", "impossible-"},
		{"a load below zero", changed(t, good, func(s map[string]any) { ups(s)["Load"] = -3 }), forgotten, "Load cannot be -3", "impossible-"},
		{"more than a number", changed(t, good, func(s map[string]any) { ups(s)["Load"] = json.Number("1e999") }), forgotten, "a value of it is none", "impossible-"},
		{"a time to come", changed(t, good, func(s map[string]any) { ups(s)["LastAt"] = json.Number("8000000000000000000") }), forgotten, "LastAt cannot be", "impossible-"},
		{"lives that the core ended", with(changed(t, good, func(map[string]any) {}), "failed", "failed", "failed"), forgotten, "failed in the last 3 lives", "impossible-"},
	}
	for _, c := range tests {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := newLab(t, smallRoom(t))
				core, logs := observer.New(zap.WarnLevel)
				l.config.Log = zap.New(core)
				l.config.Past = c.past
				l.room.upss[0].silent, l.room.hosts[3].off = true, true // nothing new is learned
				// The time goes on from the journal's.
				begin := time.Now()
				l.config.Elapsed = func() time.Duration { return time.Since(begin) + time.Hour + after }
				l.start()
				time.Sleep(500 * time.Millisecond)
				if got := l.power(); got != c.want {
					t.Errorf("it remembers %s, want %s", got, c.want)
				}
				said := ""
				for _, e := range logs.All() {
					said += e.Message + "\n"
				}
				if !strings.Contains(said, c.says) {
					t.Errorf("the log says %q, and not %q", said, c.says)
				}
				synctest.Wait()
				kept := strings.Join(l.journal.kept, " ")
				if !strings.HasPrefix(kept, c.kept) || c.kept == "" && kept != "" {
					t.Errorf("put aside as %q, want %q", kept, c.kept)
				}
				if got := l.raised(shutdown.MemoryRefused); got != (c.want == forgotten && c.name != "none" || strings.HasPrefix(c.name, "a last")) {
					t.Errorf("memory-refused raised: %v", got)
				}
				l.end()
			})
		})
	}
}

// Conditions outlive a crash, and are not told twice.
func TestConditionsOutliveACrash(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		l.room.upss[0].silent = true
		l.start()
		time.Sleep(15 * time.Second)
		since := l.agent.View().Conditions
		if len(since) != 1 || since[0].Code != "source-silent" {
			t.Fatalf("conditions: %+v", since)
		}
		past := l.journal.past()
		told := l.heard()
		l.end()
		l.config.Past = past
		l.life = &life{room: l.room}
		l.start()
		time.Sleep(5 * time.Second)
		got := l.agent.View().Conditions
		if len(got) != 1 || got[0].Code != since[0].Code || got[0].UPS != since[0].UPS || !got[0].Since.Equal(since[0].Since) {
			t.Errorf("after the crash: %+v, before it: %+v", got, since)
		}
		if want := "has not answered for 15s."; len(got) == 1 && !strings.Contains(got[0].Text, want) {
			t.Errorf("as of the last step it does not say %q: %s", want, got[0].Text)
		}
		if again := l.heard(); again != told {
			t.Errorf("told again: %d notices, then %d", told, again)
		}
		l.room.set(func() { l.room.upss[0].silent = false })
		time.Sleep(5 * time.Second)
		if got := l.agent.View().Conditions; len(got) != 0 {
			t.Errorf("the UPS answers: %+v", got)
		}
		l.end()
	})
}

// A host's condition says which condition of a UPS explains it, while all that carries
// it is silent. Method: a host that gets no order, on a UPS that answers and then not.
func TestConditionsHaveCauses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		l.room.hosts[3].mode = deaf
		l.start()
		l.room.input(false)
		cause := func() string {
			for _, c := range l.agent.View().Conditions {
				if c.Code == "host-given-up" && c.Host == "web" {
					return c.Because
				}
			}
			return "not raised"
		}
		l.until(time.Hour, "web is given up", func() bool { return cause() != "not raised" })
		if got := cause(); got != "" {
			t.Errorf("while the UPS answers: %s", got)
		}
		l.room.set(func() { l.room.upss[0].silent = true })
		time.Sleep(15 * time.Second)
		if got := cause(); got != "source-silent of UPS rack" {
			t.Errorf("the UPS is silent: %s", got)
		}
		l.end()
	})
}

// With a policy in error the agent starts on the recorded one, and says so until
// it starts on one without; with none recorded it does not start. A policy that was changed while the agent was
// dead is adopted, in an outage after its end.
func TestPolicyAtTheStart(t *testing.T) {
	past, _, after := halfway(t)
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		begin := time.Now()
		l.config.Elapsed = func() time.Duration { return time.Since(begin) + time.Hour + after }
		l.room.hosts[3].off = true
		l.config.Policy = nil
		l.start()
		if err := <-l.over; err == nil || !strings.Contains(err.Error(), "no policy") {
			t.Errorf("without any policy: %v", err)
		}
		l.config.Past = past
		l.journal = &memory{}
		l.config.Journal = l.journal
		l.start()
		time.Sleep(500 * time.Millisecond)
		if got := l.power(); got[:7] != "web off" || !l.raised(shutdown.PolicyRefused) {
			t.Errorf("on the recorded policy: %s, condition %v", got, l.raised(shutdown.PolicyRefused))
		}
		l.end()
		l.config.Policy, l.config.Past = smallRoom(t), l.journal.past()
		l.start()
		time.Sleep(500 * time.Millisecond)
		if l.raised(shutdown.PolicyRefused) {
			t.Error("with its errors mended the policy is said to be refused still")
		}
		l.end()
		changed := smallRoom(t)
		changed.Fingerprint = "changed"
		changed.Site.Reserve++
		l.config.Policy = changed
		l.config.Past = past
		l.journal = &memory{}
		l.config.Journal = l.journal
		l.room.input(false)
		l.start()
		time.Sleep(500 * time.Millisecond)
		if v := l.agent.View(); v.NextPolicy != "changed" || v.Policy == "changed" {
			t.Errorf("in the outage the policies are %q and then %q", v.Policy, v.NextPolicy)
		}
		l.room.input(true)
		l.until(2*time.Hour, "the changed policy is in force", func() bool { return l.agent.View().Policy == "changed" })
		l.end()
	})
}

// After a boot the agent's own host is up again, whatever it was asked. Method:
// a short battery, so that the own host goes too; the agent dies with it.
func TestOwnHost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := smallRoom(t)
		p.UPSs[0] = ups("rack", 1)
		check(t, p)
		l := newLab(t, p)
		l.start()
		time.Sleep(5 * time.Second)
		l.room.input(false)
		for range 100_000 {
			time.Sleep(100 * time.Millisecond)
			if l.room.isOff("keeper") {
				break
			}
		}
		l.end()
		if names := l.room.names(); len(names) != 4 || names[3] != "outage-1/keeper/local-1/1" {
			t.Fatalf("before the own host is off: %q", names)
		}
		time.Sleep(2 * time.Hour)
		l.room.input(true)
		l.room.set(func() { l.room.hosts[1].off = false })
		l.config.Boot = "boot-2"
		l.again()
		// The battery counts as empty: nobody saw it meanwhile, and it says nothing.
		time.Sleep(2 * time.Hour)
		if got := l.power(); got != "web up; db up; vault up; keeper up; " || l.agent.View().Outage != nil {
			t.Errorf("two hours after the boot: %s, %s", got, l.agent.View().Status)
		}
		l.end()
	})
}

// Killed at any write of its start after a boot, the agent still knows at the
// next start that the machine has booted: its own host is up, and was not asked.
func TestKilledWhileStarting(t *testing.T) {
	for n := 1; n <= 5; n++ {
		synctest.Test(t, func(t *testing.T) {
			l := newLab(t, smallRoom(t))
			l.start()
			time.Sleep(5 * time.Second)
			l.room.input(false)
			time.Sleep(5 * time.Second)
			if err := l.agent.Command(shutdown.Proceed, "test"); err != nil {
				t.Fatal(err)
			}
			l.until(time.Hour, "the own host is off", func() bool { return l.room.isOff("keeper") })
			l.end()
			time.Sleep(time.Minute)
			l.room.input(true)
			l.room.set(func() { l.room.hosts[1].off = false })
			orders := len(l.room.names())
			l.config.Boot = "boot-2"
			l.journal.killAt(n)
			l.again()
			l.life.die()
			time.Sleep(10 * time.Millisecond)
			l.stop()
			<-l.over
			l.journal.killAt(0)
			l.again()
			time.Sleep(10 * time.Second)
			for _, h := range l.agent.View().Hosts {
				if h.Name == "keeper" && h.Power != "up" {
					t.Errorf("killed at write %d: the own host is %s", n, h.Power)
				}
			}
			if !strings.Contains(strings.Join(l.journal.lived(), "\n"), "restarted rebooted=true") {
				t.Errorf("killed at write %d: nobody learns of the boot", n)
			}
			if got := l.room.names()[orders:]; len(got) > 0 {
				t.Errorf("killed at write %d: %q was done with the input back", n, got)
			}
			l.end()
		})
	}
}

// What an agent knows when it starts again is old. Method: the input comes back
// while the agent is dead, and the ride-through ends meanwhile: nobody is stopped.
func TestInputBackWhileDead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, forcedRoom(t))
		l.start()
		time.Sleep(5 * time.Second)
		l.room.input(false)
		time.Sleep(15 * time.Second)
		l.end()
		l.room.input(true)
		time.Sleep(time.Minute)
		l.again()
		time.Sleep(10 * time.Second)
		if n := l.room.names(); len(n) > 0 {
			t.Errorf("with the input back %q was done", n)
		}
		l.end()
	})
}

// The power goes before any UPS could say so, the agent's host with it: after the
// boot the others are brought back. Where the agent had been told to end, somebody
// was at work, and what is off stays off.
func TestPowerLostUnseen(t *testing.T) {
	for _, told := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			l := newLab(t, smallRoom(t))
			l.start()
			time.Sleep(time.Minute)
			if told {
				l.end()
			} else {
				l.journal.killAt(1) // nothing is written any more
				l.life.die()
				l.stop()
				<-l.over
				l.journal.killAt(0)
			}
			l.room.set(func() {
				for _, k := range []int{0, 2, 3} {
					l.room.hosts[k].off = true
				}
			})
			time.Sleep(time.Hour)
			l.config.Boot = "boot-2"
			l.again()
			time.Sleep(2 * time.Hour)
			for _, name := range []string{"db", "vault", "web"} {
				if off := l.room.isOff(name); off != told {
					t.Errorf("the agent had been told to end: %v; two hours after the boot %s is off: %v", told, name, off)
				}
			}
			l.end()
		})
	}
}

// A secret is renamed together with the policy, and the agent is killed in the outage:
// the policy in force lacks its secret, the newer one waits for the outage's end. Its way
// to the same hosts and UPSs is used. Where it has none, a condition names the secret.
func TestRenamedSecret(t *testing.T) {
	for _, renamed := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			l := newLab(t, smallRoom(t))
			l.start()
			time.Sleep(5 * time.Second)
			l.room.input(false)
			time.Sleep(5 * time.Second)
			l.journal.killAt(1)
			l.life.die()
			l.stop()
			<-l.over
			l.journal.killAt(0)
			p := smallRoom(t)
			p.Fingerprint = "renamed"
			l.config.Policy = p
			l.life = &life{room: l.room}
			l.config.Wire = func(p *policy.Policy) (*agent.Parts, error) {
				parts, err := l.life.wire(p)
				if p.Fingerprint == "renamed" && renamed {
					return parts, err
				}
				parts.Lacks = func(shutdown.ActionID) string { return "ssh-key" }
				parts.Sources, parts.Doer = []agent.Source{nothingHeard{}}, nil
				return parts, err
			}
			l.config.Past = l.journal.past()
			l.start()
			time.Sleep(5 * time.Second)
			if err := l.agent.Command(shutdown.Proceed, "test"); err != nil {
				t.Fatal(err)
			}
			time.Sleep(4 * time.Minute)
			said := ""
			for _, c := range l.agent.View().Conditions {
				if c.Code == shutdown.SecretUnreadable.String() {
					said += c.Text + "\n"
				}
			}
			if off := l.room.isOff("web") && l.room.isOff("db") && l.room.isOff("vault"); off != renamed {
				t.Errorf("renamed in the newer policy: %v; all are off: %v; %s", renamed, off, l.power())
			}
			if named := strings.Contains(said, `"ssh-key" for the order to web`) && strings.Contains(said, `"ssh-key" for UPS rack`); named == renamed {
				t.Errorf("renamed in the newer policy: %v; said of secrets: %s", renamed, said)
			}
			l.stop()
			<-l.over
		})
	}
}

// nothingHeard is a UPS that cannot be asked.
type nothingHeard struct{}

func (nothingHeard) Poll(context.Context) (shutdown.Measurement, error) {
	return shutdown.Nothing, errors.New("no secret")
}

// An order that was begun is a fact, also where this build would not have given it: its
// line alone makes the host one that was told. Method: hosts go at an operator's word, and
// the line with that word is taken out of the journal.
func TestBegunIsAFact(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		l.start()
		time.Sleep(5 * time.Second)
		l.room.input(false)
		time.Sleep(5 * time.Second)
		if err := l.agent.Command(shutdown.Proceed, "test"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * time.Second)
		past := l.journal.past()
		l.end()
		first := true
		past.Lines = slices.DeleteFunc(past.Lines, func(line string) bool {
			later := strings.HasPrefix(line, snapshotWord) && !first
			first = first && !strings.HasPrefix(line, snapshotWord)
			return later || strings.Contains(line, " commanded ")
		})
		s := agent.Recalled(past, &agent.Config{Boot: "boot-1"})
		if h := s.Hosts[3]; h.State != shutdown.Told && h.State != shutdown.Doubt || s.Word == shutdown.Proceed {
			t.Errorf("web is %s; the word that is known: %s", h.State, s.Word)
		}
	})
}
