// Package guided leads a person through a discharge test of one UPS: it finds the
// agent and has it hold, waits for the loss of input, follows the UPS, tells when to
// give the input back, and keeps the record. What the test is, and when it must stop,
// is for package trial; how a person sees it, for a [Person].
package guided

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"

	"ebbline/agent"
	"ebbline/agent/bounded"
	"ebbline/agent/history"
	"ebbline/agent/history/trial"
	"ebbline/policy"
	"ebbline/shutdown"
)

// Person is who carries the test out.
type Person interface {
	Say(format string, args ...any)
	// Cautions shows what the test means and what is predicted of it; recent is a
	// caution about the last outage, or "".
	Cautions(t *trial.Trial, agentRuns bool, recent string)
	Advise(t *trial.Trial, a trial.Advice) // at every reading
	Unkept(r *history.Test)                // its record could not be written
}

// Test is one discharge test that a person carries out.
type Test struct {
	Setup   trial.Setup
	History string       // its file
	Source  agent.Source // nil when it goes by hand
	Socket  string       // of the agent
	NoAgent bool         // go on though none runs
	Yes     bool         // the cautions are known
	Person  Person
	Lines   <-chan string // what the person types; closed at its end

	// Trial is the test as it goes; nil before there is one.
	Trial *trial.Trial

	ups    *policy.UPS
	writer *history.Writer
	guard  *guard // nil when no agent runs
	clock  bootClock
	dark   bool // the input was not back at the last reading
	kept   shutdown.Instant
}

const (
	// LockSuffix goes behind the history's name, for the file that a test locks.
	LockSuffix = ".test"

	plugWithin = 10 * time.Minute // for the input to be cut, once asked
	keepEvery  = 10 * time.Second // the record goes to the disk
	guardEvery = 2 * time.Second
)

// Run is the whole test. Its error says why there is none, or that its record
// could not be kept.
func (g *Test) Run(ctx context.Context) (history.Test, error) {
	s := &g.Setup
	g.ups = &s.Policy.UPSs[s.UPS]
	none := history.Test{}
	unlock, err := lockTests(g.History)
	if err != nil {
		return none, err
	}
	defer unlock()
	if err := g.look(ctx); err != nil {
		return none, err
	}
	if g.writer, err = history.Open(g.History, history.Options{}); err != nil {
		return none, err
	}
	defer g.writer.Close(context.Background())
	g.writer.CloseUnfinishedTests(g.clock.now()) // nobody follows those: the lock is ours
	tests, recent := g.before(ctx)
	s.First = tests == 0
	if err := g.prepare(ctx); err != nil {
		return none, err
	}
	g.Person.Cautions(g.Trial, g.guard != nil, recent)
	if !g.Yes {
		if !g.confirmed(ctx) {
			return none, errors.New("nothing was begun")
		}
		// Much may have happened until the answer.
		if err := errors.Join(g.look(ctx), g.prepare(ctx)); err != nil {
			return none, err
		}
	}
	// Only now: a prediction that nobody will measure is none.
	if err := g.keep(ctx); err != nil {
		return none, fmt.Errorf("the prediction must be written before the start, and cannot be: %w", err)
	}
	if g.guard != nil {
		if err := g.guard.hold(ctx); err != nil {
			g.end(history.StopByOperator, false)
			return none, fmt.Errorf("the agent does not take the order to hold, and would stop hosts in the test: %w", err)
		}
	}
	rule, followed, err := g.discharge(ctx)
	r := g.end(rule, followed)
	if g.guard != nil {
		if text := g.guard.release(!g.dark); text != "" {
			g.Person.Say("%s\n", text)
		}
	}
	if g.dark {
		g.Person.Say("\nUPS %s is still on battery: GIVE THE INPUT BACK.\n", g.ups.Name)
	}
	return r, err
}

// look finds the agent, and says why no test can begin beside it.
func (g *Test) look(ctx context.Context) (err error) {
	if g.guard, err = findGuard(ctx, g.Socket); err != nil && !g.NoAgent {
		return fmt.Errorf("%w. Without an agent the hosts crash, should the input not come back; --no-agent says that you know", err)
	}
	g.clock = newBootClock(g.guard)
	if g.guard == nil {
		return nil
	}
	if h := g.only(); g.Setup.Dummy && h != "" {
		return fmt.Errorf("the policy says that %s hangs on UPS %s alone, and the agent would stop it in a test of a dummy load. Stop the agent for the test, and say --no-agent", h, g.ups.Name)
	}
	return g.guard.calm()
}

// prepare makes the trial from a reading of now, or says why there can be none.
func (g *Test) prepare(ctx context.Context) error {
	m, err := g.read(ctx)
	if err != nil {
		return fmt.Errorf("UPS %s cannot be read: %w. For a UPS that says nothing there are --by-hand and --load", g.ups.Name, err)
	}
	g.Trial, err = trial.New(g.Setup, g.clock.moment(), m)
	return err
}

// before says how many tests of this battery there were, and how long ago the
// last outage ended, if that is less than a week.
func (g *Test) before(ctx context.Context) (tests int, recent string) {
	from, err := history.OpenReader(ctx, g.History)
	if err != nil {
		return 0, ""
	}
	defer from.Close()
	list, _ := from.Tests(ctx, g.ups.Name, 100)
	for _, t := range list {
		if t.Ended.At != 0 && t.Measured >= time.Minute && t.Began.UTC.Unix()/86400 >= g.ups.Battery.InstalledDay {
			tests++
		}
	}
	if outages, _ := from.Outages(ctx, 1); len(outages) == 1 {
		if ago := g.clock.now().Sub(outages[0].Began.At); ago < 7*24*time.Hour {
			recent = fmt.Sprintf("The last outage began %s ago; a battery is full again a week after one.", shutdown.Spell(ago))
		}
	}
	return tests, recent
}

// only is a host that the policy feeds from this UPS alone and would stop; "" for
// none.
func (g *Test) only() string {
	for k := range g.Setup.Policy.Hosts {
		if h := &g.Setup.Policy.Hosts[k]; !h.StaysUp && len(h.FedBy) == 1 && h.FedBy[0] == g.Setup.UPS {
			return h.Name
		}
	}
	return ""
}

// read asks the UPS. One that goes by hand says nothing.
func (g *Test) read(ctx context.Context) (shutdown.Measurement, error) {
	if g.Source == nil {
		return shutdown.Nothing, nil
	}
	var m shutdown.Measurement
	var err error
	for range 3 { // a card's first answer may take its time
		if m, err = g.Source.Poll(ctx); err == nil || ctx.Err() != nil {
			break
		}
	}
	return m, err
}

// keep has the record on the disk.
func (g *Test) keep(ctx context.Context) error {
	if err := g.writer.RecordTest(g.Trial.Record()); err != nil {
		return err
	}
	g.kept = g.clock.now()
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	return g.writer.Flush(ctx)
}

// discharge waits for the loss of input and follows the UPS until the input is
// back, or the person gives up. It says what ended the test.
func (g *Test) discharge(ctx context.Context) (rule history.StopRule, followed bool, err error) {
	if g.Source == nil {
		g.Person.Say("\nCut the input of UPS %s now, and press Enter at that moment.\n", g.ups.Name)
		if _, ok := g.line(ctx); !ok {
			return history.StopByOperator, false, errors.New("it was called off before the input was cut")
		}
		g.Trial.Begin(g.clock.now())
		g.Person.Say("Press Enter when the input is back. If the battery ends first, type empty and Enter at that moment.\n")
	} else {
		g.Person.Say("\nCut the input of UPS %s now, best by its breaker: the earth stays connected.\n", g.ups.Name)
		if err := g.await(ctx); err != nil {
			return history.StopByOperator, false, err
		}
	}
	if err := g.keep(ctx); err != nil {
		g.Person.Say("The record cannot be written now; it is tried again: %v\n", err)
	}
	rule, followed = g.follow(ctx)
	return rule, followed, nil
}

// await waits until the UPS is on battery.
func (g *Test) await(ctx context.Context) error {
	for end := time.Now().Add(plugWithin); time.Now().Before(end); {
		m, err := g.Source.Poll(ctx)
		switch {
		case ctx.Err() != nil:
			return errors.New("it was called off before the input was cut")
		case err != nil:
		case m.Testing:
			return fmt.Errorf("UPS %s has begun a test of its own; wait for its end", g.ups.Name)
		case m.Source == shutdown.FromBattery:
			g.Trial.Begin(g.clock.now())
			g.dark = true
			g.sample(m)
			g.Person.Advise(g.Trial, g.Trial.Read(g.clock.moment(), m))
			return nil
		}
		bounded.Pause(ctx, time.Second)
	}
	return fmt.Errorf("UPS %s was not on battery within %s", g.ups.Name, shutdown.Spell(plugWithin))
}

// follow reads on until the input is back. A UPS that goes by hand is followed by
// the clock alone.
func (g *Test) follow(ctx context.Context) (rule history.StopRule, followed bool) {
	every := g.ups.PollEvery()
	if g.Source == nil {
		every = time.Second
	}
	looked := g.clock.now()
	for {
		m, err := shutdown.Nothing, error(nil)
		if g.Source != nil {
			m, err = g.Source.Poll(ctx)
		}
		now := g.clock.moment()
		switch {
		case ctx.Err() != nil:
			return history.StopByOperator, true
		case err != nil && g.Trial.Blind(now.At):
			g.Person.Advise(g.Trial, g.Trial.Halt(history.StopUnsafe, "the UPS does not answer: "+err.Error()))
		case err != nil:
		case g.Source != nil && (m.Source == shutdown.FromInput || m.Source == shutdown.FromBypass):
			g.dark = false
			g.sample(m)
			return history.StopByOperator, true
		default:
			g.sample(m)
			g.Person.Advise(g.Trial, g.Trial.Read(now, m))
		}
		if g.guard != nil && now.At.Sub(looked) >= guardEvery {
			looked = now.At
			if why := g.guard.unsafe(ctx, g.Trial); why != "" && ctx.Err() == nil {
				g.Person.Advise(g.Trial, g.Trial.Halt(history.StopUnsafe, why))
			}
		}
		if now.At.Sub(g.kept) >= keepEvery {
			g.kept = now.At
			g.writer.RecordTest(g.Trial.Record())
		}
		select {
		case line, ok := <-g.Lines:
			if g.Source == nil && ok && line == "empty" {
				return history.StopAtCutOff, true
			}
			if g.Source == nil {
				return history.StopByOperator, true
			}
			if !ok {
				g.Lines = nil
			}
		case <-ctx.Done():
		case <-time.After(every):
		}
	}
}

func (g *Test) sample(m shutdown.Measurement) {
	if g.Source != nil {
		g.writer.RecordSample(history.Sample{UPS: g.ups.Name, Moment: g.clock.moment(), During: history.DuringTest, Measurement: m})
	}
}

// end closes the trial and has its record on the disk, if it takes minutes: what
// was measured must not be lost because a disk is full.
func (g *Test) end(rule history.StopRule, followed bool) history.Test {
	r := g.Trial.End(g.clock.moment(), rule, followed)
	err := g.keep(context.Background())
	for tries := 0; err != nil && tries < 12; tries++ {
		g.Person.Say("\nThe record of the test cannot be written, and is tried again every 5 s: %v\n", err)
		time.Sleep(5 * time.Second)
		err = g.keep(context.Background())
	}
	if err != nil {
		g.Person.Unkept(&r)
	}
	return r
}

func (g *Test) line(ctx context.Context) (string, bool) {
	select {
	case line, ok := <-g.Lines:
		return line, ok
	case <-ctx.Done():
		return "", false
	}
}

func (g *Test) confirmed(ctx context.Context) bool {
	g.Person.Say("\nType yes to go on: ")
	line, _ := g.line(ctx)
	return line == "yes"
}

// lockTests makes sure that no other test runs. The time of the file that it
// locks tells the agent that there is a test to learn from.
func lockTests(path string) (unlock func(), err error) {
	path += LockSuffix
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, fmt.Errorf("a test is written into the agent's history, and its folder cannot be written in. Run this as root or as the agent's user, or name another --history: %w", err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		f.Close()
		return nil, errors.New("another test runs. One at a time: a site that tests two batteries at once has none to rely on")
	}
	return func() {
		os.Chtimes(path, time.Now(), time.Now()) // else the agent learns of it within a day
		f.Close()
	}, nil
}

// bootClock gives the agent's instants: they go on whatever the wall's clock does.
type bootClock struct{ zero shutdown.Instant }

func newBootClock(g *guard) bootClock {
	at := shutdown.Instant(time.Now().UnixNano())
	if g != nil {
		at = shutdown.Instant(g.seen.At.UnixNano())
	}
	return bootClock{at.Add(-sinceBoot())}
}

func (c bootClock) now() shutdown.Instant { return c.zero.Add(sinceBoot()) }

func (c bootClock) moment() history.Moment { return history.Moment{At: c.now(), UTC: time.Now().UTC()} }

// sinceBoot is the time since the machine's boot, time asleep included.
func sinceBoot() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &t); err != nil {
		panic("the kernel gives no time since boot: " + err.Error())
	}
	return time.Duration(t.Nano())
}
