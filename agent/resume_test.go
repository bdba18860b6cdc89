package agent_test

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"ebbline/agent"
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
		l.until(time.Hour, "web is down and db asked", func() bool { return l.power() == "web down; db asked; vault up; keeper up; " })
		time.Sleep(100 * time.Millisecond)
		after = time.Since(began)
		past = l.journal.past()
		l.end()
		clean = l.journal.past()
	})
	return past, clean, after
}

// Whatever a journal is like, the agent starts, uses what is good of it, says
// what is not, and keeps it aside.
func TestBadJournals(t *testing.T) {
	good, clean, after := halfway(t)
	const remembered, forgotten = "web down; db asked; vault up; keeper up; ", "web up; db up; vault up; keeper up; "
	n := len(good.Lines)
	// What the decision code cannot take: a UPS without a place in the state.
	var s map[string]any
	d := json.NewDecoder(bytes.NewReader(clean.Snapshot))
	d.UseNumber()
	if err := d.Decode(&s); err != nil {
		t.Fatal(err)
	}
	s["State"].(map[string]any)["UPSs"] = nil
	misfit, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
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
		{"torn", agent.Past{Snapshot: good.Snapshot, Lines: good.Lines, Torn: true}, remembered, "cut short", ""},
		{"damaged", agent.Past{Snapshot: good.Snapshot, Lines: good.Lines, Damage: "line 900 does not match"}, remembered, "line 900", "damaged-"},
		{"a line that is none", agent.Past{Snapshot: good.Snapshot, Lines: append(slices.Clone(good.Lines), "at noon measured", good.Lines[n-1])}, remembered, "cannot be used; what comes from there", "damaged-"},
		{"a host that is none", agent.Past{Snapshot: good.Snapshot, Lines: append(slices.Clone(good.Lines), "at 946688460 observed nobody up")}, remembered, "no host is called", "damaged-"},
		{"no snapshot", agent.Past{Snapshot: []byte("{"), Lines: good.Lines}, forgotten, "nothing is remembered", "damaged-"},
		{"a misfit", agent.Past{Snapshot: misfit, Lines: good.Lines}, forgotten, "does not belong", "damaged-"},
		{"another build", agent.Past{Snapshot: bytes.Replace(good.Snapshot, []byte("build-1"), []byte("build-0"), 1), Lines: good.Lines}, forgotten, "another build", "other-build-"},
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
		if got := l.agent.View().Conditions; !slices.Equal(got, since) {
			t.Errorf("after the crash: %+v, before it: %+v", got, since)
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
		if got := l.power(); got[:8] != "web down" || !l.raised(shutdown.PolicyRefused) {
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
