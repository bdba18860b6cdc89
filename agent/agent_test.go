package agent_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"ebbline/agent"
	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/transcript"
)

// The whole life of one outage: who is stopped, in what order, who is brought
// back, and that the journal is cut back at its end. Method: a fake room on a
// fake clock. A goroutine left behind fails the bubble.
func TestOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		l.start()
		time.Sleep(10 * time.Second)
		if v := l.agent.View(); v.Outage != nil || v.UPSs[0].Phase != "normal" || v.UPSs[0].LoadWatts != 580 {
			t.Fatalf("before the outage: %+v", v)
		}
		l.room.input(false)
		l.off(time.Hour, "web", "db", "vault")
		l.room.input(true)
		l.off(2 * time.Hour)
		l.until(time.Minute, "the outage is over", func() bool { return l.agent.View().Outage == nil })
		want := []string{"outage-1/web/ssh-1/1", "outage-1/db/ssh-1/1", "outage-1/vault/ssh-1/1",
			"outage-1/vault/start-wake-1/2", "outage-1/db/start-wake-1/2", "outage-1/web/start-wake-1/2"}
		if got := l.room.names(); !slices.Equal(got, want) {
			t.Errorf("actions %q, want %q", got, want)
		}
		synctest.Wait()
		if !slices.Contains(l.journal.kept, "last-outage") {
			t.Errorf("the outage's journal is not kept: %q", l.journal.kept)
		}
		l.end()
	})
}

// Every action that begins has exactly one end, by its deadline at the latest,
// whatever it does: obey, refuse, hang and not return, panic, lose its link.
// Method: a host of each kind; the ends are read out of the journal.
func TestOneEndForEachBegin(t *testing.T) {
	for how, m := range map[string]mode{"obeys": obeys, "refuses": refuses, "hangs": hangs, "panics": panics, "deaf": deaf, "cut": cutsShort} {
		t.Run(how, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := newLab(t, smallRoom(t))
				l.room.hosts[0].mode, l.room.hosts[3].mode = m, m
				l.start()
				l.room.input(false)
				l.until(time.Hour, "the storage box behind them is off", func() bool { return l.room.isOff("vault") })
				time.Sleep(2 * time.Second)
				l.stop()
				<-l.over
				checkEnds(t, l.room.policy, l.journal.all)
			})
		})
	}
}

// checkEnds reads a journal's begins and ends.
func checkEnds(t *testing.T, p *policy.Policy, lines []string) {
	t.Helper()
	open := map[string]shutdown.Instant{}
	n := 0
	for _, line := range lines {
		f := strings.Fields(line)
		switch {
		case len(f) == 8 && f[2] == ">" && f[3] == "begin": // at T > begin NAME VERB by D
			if _, twice := open[f[4]]; twice {
				t.Errorf("%s begins while it is under way", f[4])
			}
			by, err := transcript.ParseInstant(f[7])
			if err != nil {
				t.Fatal(err)
			}
			open[f[4]] = by
			n++
		case len(f) > 3 && f[2] == "finished":
			by, begun := open[f[3]]
			if !begun {
				t.Errorf("%s ends and is not under way", f[3])
			}
			if at, _ := transcript.ParseInstant(f[1]); at > by {
				t.Errorf("%s ends at %s, after its deadline %s", f[3], f[1], transcript.Instant(by))
			}
			delete(open, f[3])
		}
	}
	for name := range open {
		t.Errorf("%s never ends", name)
	}
	if n < 3 {
		t.Errorf("only %d actions began; the test is about more", n)
	}
}

// A UPS whose poll hangs for good, or that is silent, holds up no other, raises
// the condition, and clears it when it answers. Method: two UPSs, one each way.
func TestSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := twoUPSs(t)
		l := newLab(t, p)
		l.room.upss[0].silent = true
		l.start()
		time.Sleep(15 * time.Second)
		if !l.raised(shutdown.SourceSilent) {
			t.Error("a silent UPS raises no condition")
		}
		if v := l.agent.View(); v.UPSs[0].Fault == "" || v.UPSs[1].Fault != "" || v.UPSs[1].LoadWatts == 0 {
			t.Errorf("faults %q and %q, load %d", v.UPSs[0].Fault, v.UPSs[1].Fault, v.UPSs[1].LoadWatts)
		}
		l.room.set(func() { l.room.upss[0].silent = false })
		time.Sleep(5 * time.Second)
		if l.raised(shutdown.SourceSilent) {
			t.Error("it answers again, and the condition stays")
		}
		l.room.set(func() { l.room.upss[0].hangs = true })
		asked := l.room.asked(1)
		time.Sleep(20 * time.Second)
		if !l.raised(shutdown.SourceSilent) {
			t.Error("a hanging UPS raises no condition")
		}
		if n := l.room.asked(1) - asked; n < 9 || n > 11 {
			t.Errorf("beside it the other UPS was asked %d times in 20 s, want 10", n)
		}
		l.stop()
		if took := since(func() { <-l.over }); took > 5*time.Second {
			t.Errorf("the end took %v", took)
		}
	})
}

func since(f func()) time.Duration {
	began := time.Now()
	f()
	return time.Since(began)
}

// twoUPSs feeds each host of the small room from one of two.
func twoUPSs(t testing.TB) *policy.Policy {
	p := smallRoom(t)
	p.UPSs = []policy.UPS{ups("left", 1), ups("right", 1)}
	p.Hosts[0].FedBy, p.Hosts[3].FedBy = []int{1}, []int{1}
	check(t, p)
	return p
}

// A trap, and an effect, make a UPS be asked at once; a storm of them does not
// make more than four polls a second.
func TestWake(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		l.start()
		time.Sleep(3 * time.Second) // polls at 0 and 2 s
		l.agent.Wake("rack")
		l.agent.Wake("no such")
		time.Sleep(50 * time.Millisecond)
		if n := l.room.asked(0); n != 3 {
			t.Errorf("after a trap the UPS was asked %d times, want 3", n)
		}
		for range 100 {
			l.agent.Wake("rack")
			time.Sleep(10 * time.Millisecond)
		}
		if n := l.room.asked(0); n < 6 || n > 8 {
			t.Errorf("after a storm of one second it was asked %d times, want 3 and 4 more", n)
		}
		l.end()
	})
}

// A new policy listens where the old one did, as soon as that has let go of the
// port. Method: a port that takes 50 ms to be let go of; a third policy is adopted
// while the second still waits for it.
func TestListensOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		port, failed, heard := make(chan struct{}, 1), atomic.Int64{}, atomic.Int64{}
		wire := l.config.Wire
		l.config.Wire = func(p *policy.Policy) (*agent.Parts, error) {
			parts, err := wire(p)
			parts.Listen = func(ctx context.Context, wake func(string)) error {
				select {
				case port <- struct{}{}:
				default:
					failed.Add(1)
					return errors.New("the port is taken")
				}
				heard.Add(1)
				<-ctx.Done()
				time.Sleep(50 * time.Millisecond)
				<-port
				return nil
			}
			return parts, err
		}
		l.start()
		time.Sleep(time.Second)
		for _, name := range []string{"second", "third"} {
			p := smallRoom(t)
			p.Fingerprint = name
			if err := l.agent.Adopt(p); err != nil {
				t.Fatal(err)
			}
		}
		time.Sleep(time.Second)
		if failed.Load() != 0 || heard.Load() < 2 || len(port) != 1 {
			t.Errorf("%d attempts found the port taken, %d had it; it is listened at now: %v", failed.Load(), heard.Load(), len(port) == 1)
		}
		l.end()
	})
}

// An order is recorded with the name of who gave it, holds, and comes to an end.
func TestOrders(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		l.start()
		l.room.input(false)
		time.Sleep(5 * time.Second)
		if err := l.agent.Command(shutdown.Hold, "user 1000 (anna), process 7"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(5 * time.Minute)
		if got := l.power(); got != "web up; db up; vault up; keeper up; " || !l.raised(shutdown.HoldInForce) {
			t.Errorf("under a hold: %s", got)
		}
		if !slices.ContainsFunc(l.journal.lived(), func(s string) bool {
			return strings.HasSuffix(s, `commanded hold "user 1000 (anna), process 7"`)
		}) {
			t.Error("the journal does not say who gave the order")
		}
		if err := l.agent.Command(0, "nobody"); err == nil {
			t.Error("an order that is none is taken")
		}
		if err := l.agent.Command(shutdown.Proceed, "user 0 (root), process 8"); err != nil {
			t.Fatal(err)
		}
		if l.raised(shutdown.HoldInForce) {
			t.Error("the hold is still in force")
		}
		l.end()
		if err := l.agent.Command(shutdown.Hold, "too late"); err == nil {
			t.Error("an agent that has ended takes an order")
		}
	})
}

// No action reaches a host before the journal has it on the disk: the event that
// led to it, and its beginning. Method: the fake doer looks.
func TestJournalFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		wire := l.config.Wire
		n := 0
		l.config.Wire = func(p *policy.Policy) (*agent.Parts, error) {
			parts, err := wire(p)
			do := parts.Doer
			parts.Doer = doFunc(func(ctx context.Context, p *policy.Policy, a shutdown.Action) (shutdown.Outcome, string) {
				l.journal.mu.Lock()
				sure := strings.Join(l.journal.all[:l.journal.durable], "\n")
				l.journal.mu.Unlock()
				if !strings.Contains(sure, "> begin "+a.ID.Name(p)+" ") {
					t.Errorf("%s begins, and the disk does not have it", a.ID.Name(p))
				}
				n++
				return do.Do(ctx, p, a)
			})
			return parts, err
		}
		l.start()
		l.room.input(false)
		l.off(time.Hour, "web", "db", "vault")
		l.room.input(true)
		l.off(2 * time.Hour)
		l.end()
		if n != 6 {
			t.Errorf("%d actions, want 6", n)
		}
	})
}

type doFunc func(ctx context.Context, p *policy.Policy, a shutdown.Action) (shutdown.Outcome, string)

func (f doFunc) Do(ctx context.Context, p *policy.Policy, a shutdown.Action) (shutdown.Outcome, string) {
	return f(ctx, p, a)
}

// A disk that is full does not keep a host running: the room is stopped as
// without it, the condition is raised, and when the disk works again the journal
// begins with a fresh snapshot from which another agent goes on. The log says
// what is wrong once and each hour, not at each try, and when it is over.
func TestJournalFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		core, logs := observer.New(zap.InfoLevel)
		l.config.Log = zap.New(core)
		says := func(text string) int { return logs.FilterMessage(text).Len() }
		l.start()
		time.Sleep(5 * time.Second)
		l.room.input(false)
		time.Sleep(10 * time.Second)
		l.journal.set(errFake, nil)
		l.off(time.Hour, "web", "db")
		time.Sleep(2 * time.Second)
		if !l.raised(shutdown.JournalUnwritten) {
			t.Error("the condition is not raised")
		}
		if n := says("the journal is not written"); n != 1 {
			t.Errorf("the log says %d times that the journal is not written", n)
		}
		l.journal.set(errors.New("another fault of the fake disk"), nil)
		time.Sleep(2*time.Hour + time.Minute)
		if n := says("the journal is not written"); n != 4 {
			t.Errorf("with another fault for two hours it says so %d times, want 4", n)
		}
		l.journal.set(nil, nil)
		time.Sleep(10 * time.Second)
		if l.raised(shutdown.JournalUnwritten) {
			t.Error("the disk works again, and the condition stays")
		}
		if n := says("the journal is written again"); n != 1 {
			t.Errorf("the log says %d times that the journal is written again", n)
		}
		past, want := l.journal.past(), l.power()
		l.end()
		l.config.Past = past
		l.life = &life{room: l.room}
		l.start()
		time.Sleep(100 * time.Millisecond)
		if got := l.power(); got != want || got[:16] != "web off; db off;" {
			t.Errorf("the next agent remembers %s, want %s", got, want)
		}
		l.end()
	})
}

func (m *memory) set(fail error, block chan struct{}) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.fail, m.block = fail, block
}

// A disk that hangs holds the first action up by a quarter of a second, and no
// other; the end of the agent too is bounded. Method: two UPSs with a host each
// and hardly a battery, lost one after the other; the times at which the orders
// reach the room, with and without a hanging disk, on the fake clock.
func TestJournalHangs(t *testing.T) {
	p := smallRoom(t)
	p.UPSs = []policy.UPS{ups("left", 0.01), ups("right", 0.01)}
	p.Hosts = []policy.Host{host("a", 50, 100), host("b", 50, 100)}
	p.Hosts[1].FedBy = []int{1}
	check(t, p)
	asked := func(t *testing.T, hang bool) (at []time.Duration) {
		synctest.Test(t, func(t *testing.T) {
			l := newLab(t, p)
			core, logs := observer.New(zap.ErrorLevel)
			l.config.Log = zap.New(core)
			l.start()
			time.Sleep(5 * time.Second)
			began := time.Now()
			if hang {
				block := make(chan struct{})
				defer close(block)
				l.journal.set(nil, block)
			}
			for i := range l.room.upss {
				l.room.set(func() { l.room.upss[i].lost = true })
				time.Sleep(time.Minute)
			}
			if hang != l.raised(shutdown.JournalUnwritten) {
				t.Errorf("disk hangs %v, condition %v", hang, !hang)
			}
			said := logs.FilterMessage("the journal is not written").All()
			if hang != (len(said) == 1) || hang && !strings.Contains(fmt.Sprint(said[0].ContextMap()), "the disk takes longer than") {
				t.Errorf("disk hangs %v, and the log says %v", hang, said)
			}
			synctest.Wait()
			for _, b := range l.room.begun {
				at = append(at, b.at.Sub(began))
			}
			l.stop()
			if took := since(func() { <-l.over }); took > 5*time.Second {
				t.Errorf("the end took %v", took)
			}
		})
		return at
	}
	free, hung := asked(t, false), asked(t, true)
	if len(free) != 2 || len(hung) != 2 {
		t.Fatalf("orders at %v without and %v with a hanging disk", free, hung)
	}
	if d := hung[0] - free[0]; d != 250*time.Millisecond {
		t.Errorf("the first order came %v later", d)
	}
	if d := hung[1] - free[1]; d != 0 {
		t.Errorf("the second order came %v later", d)
	}
}

// Whoever takes messages and log lines may hang: nothing waits for it.
func TestNotifyHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		l.config.Tell = func(agent.News) { <-l.room.freed }
		l.start()
		l.room.input(false)
		l.off(time.Hour, "web", "db")
		l.stop()
		<-l.over
	})
}

// A policy that comes in an outage waits for its end; until then the parts of
// the old one work. Then the new one's do, and its new host is looked at.
func TestAdoptInOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		l.start()
		time.Sleep(5 * time.Second)
		l.room.input(false)
		time.Sleep(10 * time.Second)
		bigger := smallRoom(t)
		bigger.Fingerprint = "new"
		// "aux" sorts before all others: every number means another host.
		bigger.Hosts = append([]policy.Host{host("aux", 10, 10)}, bigger.Hosts...)
		bigger.Hosts[1].DependsOn, bigger.Hosts[4].DependsOn = []int{3}, []int{1, 3}
		check(t, bigger)
		l.room.set(func() {
			l.room.policy = bigger
			l.room.hosts = slices.Insert(l.room.hosts, 0, fakeHost{takes: time.Second})
		})
		if err := l.agent.Adopt(bigger); err != nil {
			t.Fatal(err)
		}
		if !l.raised(shutdown.PolicyWaits) || l.agent.View().NextPolicy != "new" {
			t.Error("the new policy does not wait")
		}
		time.Sleep(time.Second)
		l.room.input(true)
		time.Sleep(3 * time.Minute)
		if v := l.agent.View(); v.Policy != "new" || v.Outage != nil {
			t.Fatalf("after the outage the policy is %q, %s", v.Policy, v.Status)
		}
		time.Sleep(time.Minute)
		for _, h := range l.agent.View().Hosts {
			if h.Name == "aux" && h.Seen != "up" {
				t.Errorf("the new host is seen %q after a minute", h.Seen)
			}
		}
		if l.raised(shutdown.PolicyWaits) {
			t.Error("the condition stays")
		}
		l.end()
	})
}

// Figures that were learned in an outage wait for its end too, but no operator
// need know of that; and a new policy that is taken back waits no longer. Method:
// the policy in force with another reserve; then a new one; then the one in force.
func TestLearnedWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		with := func(fingerprint string, reserve time.Duration) *policy.Policy {
			p := smallRoom(t)
			p.Fingerprint, p.Site.Reserve = fingerprint, reserve
			return p
		}
		l := newLab(t, with("own", time.Minute))
		l.start()
		time.Sleep(5 * time.Second)
		l.room.input(false)
		time.Sleep(10 * time.Second)
		for _, c := range []struct {
			policy *policy.Policy
			next   string
		}{{with("own", 61*time.Second), ""}, {with("new", time.Minute), "new"}, {with("own", 62*time.Second), ""}} {
			if err := l.agent.Adopt(c.policy); err != nil {
				t.Fatal(err)
			}
			if v := l.agent.View(); l.raised(shutdown.PolicyWaits) != (c.next != "") || v.NextPolicy != c.next {
				t.Errorf("policy-waits is raised: %v, and %q waits; want %q", l.raised(shutdown.PolicyWaits), v.NextPolicy, c.next)
			}
		}
		l.room.input(true)
		l.until(time.Hour, "the outage is over", func() bool { return l.agent.View().Outage == nil })
		if p, _ := l.agent.Calm(); p.Site.Reserve != 62*time.Second {
			t.Errorf("after the outage the reserve is %v: what was learned last is not in force", p.Site.Reserve)
		}
		l.end()
	})
}

// Between the input's return and the end of the outage the view is about the
// next loss of input: whether the plan would fit, and by when. A loss before all
// is normal is an outage of its own, with its own number and beginning.
func TestLostAgainInRecovery(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, forcedRoom(t))
		l.start()
		time.Sleep(5 * time.Second)
		if v := l.agent.View(); !v.Fits || !v.IfLostNow || v.Outage != nil {
			t.Fatalf("with the input there: fits %v, if lost now %v, outage %v", v.Fits, v.IfLostNow, v.Outage)
		}
		first := time.Now()
		l.room.input(false)
		l.until(time.Hour, "web is off", func() bool { return l.room.isOff("web") })
		l.room.input(true)
		l.until(time.Minute, "the agent sees the input", func() bool { return l.agent.View().IfLostNow })
		time.Sleep(20 * time.Second)
		v := l.agent.View()
		if v.Outage == nil || v.Outage.Number != 1 || v.PointOfNoReturn == nil || v.MarginSeconds == nil || v.Fits != (*v.MarginSeconds >= 0) {
			t.Errorf("in recovery: outage %+v, fits %v, margin %v, point of no return %v", v.Outage, v.Fits, v.MarginSeconds, v.PointOfNoReturn)
		}
		for _, h := range v.Hosts {
			switch since := time.Since(first); {
			case h.Power == "off" && (h.Asked == nil || *h.Asked < 0 || time.Duration(*h.Asked)*time.Second > since):
				t.Errorf("%s was asked at %v, which is no time since the loss %v ago", h.Name, h.Asked, since)
			case h.Power == "up" && (h.StopSeconds == nil || *h.StopSeconds < 0):
				t.Errorf("%s would stop at %v if the input failed now", h.Name, h.StopSeconds)
			}
		}
		again := time.Now()
		l.room.input(false)
		l.until(time.Minute, "the agent sees the loss", func() bool { return !l.agent.View().IfLostNow })
		v = l.agent.View()
		if o := v.Outage; o == nil || o.Number != 2 || o.LostAt.Before(again) || o.LostAt.After(time.Now()) {
			t.Errorf("lost again at %v, the outage is %+v", again, o)
		}
		for _, h := range v.Hosts {
			if h.Asked != nil && *h.Asked < 0 {
				t.Errorf("%s was asked %d s before this outage, and is shown in it", h.Name, -*h.Asked)
			}
		}
		l.end()
	})
}

// A policy whose parts cannot be made leaves the old one in force, and a good
// one takes the condition away. What the old parts held is let go of.
func TestAdoptRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		var closed []string
		var mu sync.Mutex
		l.config.Wire = func(p *policy.Policy) (*agent.Parts, error) {
			if p.Site.Name == "bad" {
				return nil, errors.New("rack: no such cipher")
			}
			parts, err := l.life.wire(p)
			parts.Close = func() {
				mu.Lock()
				defer mu.Unlock()
				closed = append(closed, p.Fingerprint)
			}
			return parts, err
		}
		l.config.Policy.Fingerprint = "first"
		l.start()
		time.Sleep(time.Second)
		bad, good := smallRoom(t), smallRoom(t)
		bad.Site.Name, good.Fingerprint = "bad", "second"
		if err := l.agent.Adopt(bad); err == nil || !strings.Contains(err.Error(), "no such cipher") {
			t.Errorf("a policy that cannot work is adopted: %v", err)
		}
		if !l.raised(shutdown.PolicyRefused) || l.agent.View().Policy != "first" {
			t.Error("the old policy is not in force, or nobody is told")
		}
		if err := l.agent.Adopt(good); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		synctest.Wait()
		if l.raised(shutdown.PolicyRefused) || l.agent.View().Policy != "second" || !slices.Equal(closed, []string{"first"}) {
			t.Errorf("the good policy: in force %q, closed %q", l.agent.View().Policy, closed)
		}
		l.end()
		if !slices.Equal(closed, []string{"first", "second"}) {
			t.Errorf("closed at the end: %q", closed)
		}
	})
}

// The wall clock may be set while the agent runs and while it is dead: within a
// boot no instant moves. Method: one agent with a steady wall clock, and one
// whose wall clock goes back by an hour between two lives; the orders come at
// the same times. Another boot begins no earlier than the journal ended.
func TestWallClockSteps(t *testing.T) {
	asked := func(t *testing.T, step time.Duration) (at []time.Duration) {
		synctest.Test(t, func(t *testing.T) {
			l := newLab(t, smallRoom(t))
			l.start()
			time.Sleep(5 * time.Second)
			began := time.Now()
			l.room.input(false)
			time.Sleep(10 * time.Second)
			l.end()
			l.config.Wall = func() time.Time { return time.Now().Add(step) }
			l.again()
			l.off(time.Hour, "web", "db", "vault")
			synctest.Wait()
			for _, b := range l.room.begun {
				at = append(at, b.at.Sub(began))
			}
			before := l.agent.View().At
			l.end()
			l.config.Boot = "boot-2"
			l.config.Elapsed = func() time.Duration { return time.Second }
			l.again()
			time.Sleep(time.Second)
			if now := l.agent.View().At; now.Before(before) {
				t.Errorf("after the boot the agent's time is %v, before it was %v", now, before)
			}
			l.stop()
			<-l.over
		})
		return at
	}
	steady := asked(t, 0)
	if len(steady) != 3 {
		t.Fatalf("orders at %v", steady)
	}
	for _, step := range []time.Duration{-time.Hour, time.Hour} {
		if got := asked(t, step); !slices.Equal(got, steady) {
			t.Errorf("with a step of %v orders come at %v, without one at %v", step, got, steady)
		}
	}
}

// A process that stood still knows old things only. Method: the time since boot
// jumps by 100 s while the input, lost before, comes back: nobody is stopped.
func TestStoodStill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, forcedRoom(t))
		var jump atomic.Int64
		elapsed := l.config.Elapsed
		l.config.Elapsed = func() time.Duration { return elapsed() + time.Duration(jump.Load()) }
		l.start()
		time.Sleep(5 * time.Second)
		l.room.input(false)
		time.Sleep(10 * time.Second)
		if l.agent.View().Outage == nil {
			t.Fatal("no outage was seen")
		}
		l.room.input(true)
		jump.Store(int64(100 * time.Second))
		time.Sleep(10 * time.Second)
		if n := l.room.names(); len(n) > 0 {
			t.Errorf("with the input back %q was done", n)
		}
		l.end()
	})
}

// The agent ends in the middle of an outage, with an action that hangs, within
// five seconds; another one goes on where it was, under the same names.
func TestEndInOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		l.room.hosts[3].mode = hangs
		l.start()
		time.Sleep(5 * time.Second)
		l.room.input(false)
		l.until(time.Hour, "something begins", func() bool { return len(l.room.names()) > 0 })
		if got := l.room.names(); !slices.Equal(got, []string{"outage-1/web/ssh-1/1"}) {
			t.Fatalf("begun before the end: %q", got)
		}
		l.stop()
		if took := since(func() { <-l.over }); took > 5*time.Second {
			t.Errorf("the end took %v", took)
		}
		l.room.set(func() { l.room.hosts[3].mode = obeys })
		l.again()
		time.Sleep(time.Second)
		if got := l.room.names(); !slices.Equal(got, []string{"outage-1/web/ssh-1/1", "outage-1/web/ssh-1/1"}) {
			t.Errorf("begun before and after: %q", got)
		}
		l.off(time.Hour, "web", "db", "vault")
		l.end()
	})
}

// The supervisor hears "ready" after the first round of polls, after five
// seconds when a UPS is silent, and signs of life only while the loop turns.
func TestSupervisor(t *testing.T) {
	for _, silent := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			l := newLab(t, smallRoom(t))
			l.room.upss[0].hangs = silent
			s := &fakeSupervisor{}
			l.config.Supervisor = s
			began := time.Now()
			l.start()
			time.Sleep(20 * time.Second)
			s.mu.Lock()
			ready, beats, last := s.ready.Sub(began), s.beats, s.last
			s.mu.Unlock()
			if want := map[bool]time.Duration{false: time.Second, true: 5*time.Second + 10*time.Millisecond}[silent]; ready <= 0 || ready > want {
				t.Errorf("silent %v: ready after %v", silent, ready)
			}
			if beats < 20 {
				t.Errorf("%d signs of life in 20 s", beats)
			}
			if !silent && !strings.HasPrefix(last, "rack normal, ") {
				t.Errorf("the status says %q", last)
			}
			l.stop()
			<-l.over
			s.mu.Lock()
			beats = s.beats
			s.mu.Unlock()
			time.Sleep(5 * time.Second)
			if s.beats != beats {
				t.Error("signs of life of a dead loop")
			}
		})
	}
}

type fakeSupervisor struct {
	mu    sync.Mutex
	ready time.Time
	beats int
	last  string
}

func (s *fakeSupervisor) Ready() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.ready = time.Now()
}

func (s *fakeSupervisor) Alive(status string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.beats++
	s.last = status
}

// Looks never overlap at one host, at most 64 run at the same time, and one
// that hangs gives its place to the others. Method: a hundred hosts, most of
// which hang.
func TestLooks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := smallRoom(t)
		p.Hosts = nil
		for k := range 100 {
			p.Hosts = append(p.Hosts, host(fmt.Sprintf("h%02d", k), 50, 1))
		}
		check(t, p)
		l := newLab(t, p)
		var now, most, seen atomic.Int32
		wire := l.config.Wire
		l.config.Wire = func(p *policy.Policy) (*agent.Parts, error) {
			parts, err := wire(p)
			for k := range parts.Lookers {
				parts.Lookers[k] = lookFunc(func(ctx context.Context) (shutdown.Sighting, string) {
					n := now.Add(1)
					defer now.Add(-1)
					for m := most.Load(); n > m && !most.CompareAndSwap(m, n); m = most.Load() {
					}
					if k < 90 {
						<-l.room.freed
						return 0, ""
					}
					seen.Add(1)
					return shutdown.SeenUp, ""
				})
			}
			return parts, err
		}
		l.start()
		time.Sleep(9 * time.Second)
		if most.Load() > 64 {
			t.Errorf("%d looks at the same time", most.Load())
		}
		time.Sleep(25 * time.Second)
		for _, h := range l.agent.View().Hosts {
			if h.Name >= "h90" && h.Seen != "up" {
				t.Errorf("%s is seen %q behind hosts whose looks hang", h.Name, h.Seen)
			}
		}
		if now.Load() > 90 {
			t.Errorf("%d looks hang at 90 hosts: they overlap", now.Load())
		}
		l.stop()
		<-l.over
	})
}

// A host that gives no answer is looked at again at once, as often as its silence
// takes to be proven, and then no more than any other. Method: looks that learn
// nothing, in normal mode, where looks are half a minute apart.
func TestLooksForSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		var looks []time.Time
		wire := l.config.Wire
		l.config.Wire = func(p *policy.Policy) (*agent.Parts, error) {
			parts, err := wire(p)
			parts.Lookers[0] = lookFunc(func(ctx context.Context) (shutdown.Sighting, string) {
				looks = append(looks, time.Now())
				if len(looks) < 3 {
					return shutdown.SeenUp, ""
				}
				return 0, ""
			})
			return parts, err
		}
		l.start()
		time.Sleep(5 * time.Minute)
		l.end()
		quiet := l.room.policy.Hosts[0].Probe.QuietFor
		row, longest := looks[2], time.Duration(0)
		for i := 3; i < len(looks); i++ {
			if looks[i].Sub(looks[i-1]) > 2*time.Second {
				longest, row = max(longest, looks[i-1].Sub(row)), looks[i]
			}
		}
		if longest < quiet || len(looks) > 300/2 {
			t.Errorf("%d looks in five minutes, the longest row of them took %v; a silence takes %v", len(looks), longest, quiet)
		}
	})
}

type lookFunc func(ctx context.Context) (shutdown.Sighting, string)

func (f lookFunc) Look(ctx context.Context) (shutdown.Sighting, string) { return f(ctx) }

// The status document has the names that it promises, in snake case and with
// the unit last, before and during an outage.
func TestViewJSON(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, smallRoom(t))
		l.start()
		time.Sleep(5 * time.Second)
		want := []string{"point_of_no_return_seconds", "margin_seconds", "load_watts", "charge_percent", "runtime_seconds",
			"latest_start_seconds", "stop_seconds", "reason", "phase", "since", "conditions", "outage", "policy", "own_runtime_seconds", "basis"}
		v := l.agent.View()
		text, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range want {
			if !strings.Contains(string(text), `"`+name+`":`) {
				t.Errorf("the document has no %q", name)
			}
		}
		// In normal mode the plan is the one for a loss of input now.
		if v.Outage != nil || !v.Fits || v.PointOfNoReturn == nil || *v.PointOfNoReturn < 60 || v.Hosts[0].StopSeconds == nil || v.Hosts[0].Reason == "" {
			t.Errorf("normal: %s", text)
		}
		l.room.input(false)
		time.Sleep(20 * time.Second)
		w := l.agent.View()
		if w.Outage == nil || w.MarginSeconds == nil || w.UPSs[0].Phase != "ride_through" || w.UPSs[0].RuntimeSeconds.Low == nil {
			t.Errorf("in the outage: %+v", w)
		}
		if w.Hosts[0].Name != "web" || *w.Hosts[0].StopSeconds < 29 || *w.Hosts[0].StopSeconds > *w.Hosts[0].LatestStartSeconds {
			t.Errorf("the first to go: %+v", w.Hosts[0])
		}
		l.end()
	})
}
