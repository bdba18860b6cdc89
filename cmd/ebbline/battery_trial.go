package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"ebbline/agent"
	"ebbline/agent/bounded"
	"ebbline/agent/history"
	"ebbline/agent/history/trial"
	"ebbline/policy"
	"ebbline/shutdown"
)

var batteryTestCommand = command{
	name:  "battery test",
	about: "a guided discharge test of one UPS",
	usage: "UPS [POLICY] [--until END] [--dummy] [--by-hand] [--json]",
	takes: []string{"UPS", "POLICY"},
	help: `Leads through a discharge test, the one way to know what a battery holds. It
writes down what it expects before the start, tells when to cut the input and
when to give it back, follows the UPS in between, records what happened and
judges it: measured against expected, and the capacity by the rate method.

  --until reserve  what still carries the whole shutdown plan (the default; the
                   first test of a battery ends at half its charge)
  --until 40%, 66V, 12m, empty   a charge, a voltage, a time, the battery's end

It tells to stop at once when the plan could not be carried much longer, when
the UPS says that its battery is low, and when it falls silent. It cannot give
the input back: that is for the person at the plug.

The running agent sees an outage. Before the start it is told to hold: it stops
no host early, and all in order at the point of no return, should the input not
come back. The hold ends with the test. Where no agent runs, none stops the
hosts then; --no-agent says that this is known.

--by-hand is for a UPS that says nothing: give its --load, and press Enter when
the input goes and when it is back. Ctrl-C ends a test; what was measured until
then is kept, as it is when this program is killed.`,
}

func init() { batteryTestCommand.set = setBatteryTest }

// guided is one discharge test that a person carries out.
type guided struct {
	c      *call
	out    io.Writer // for people
	own, p *policy.Policy
	ups    *policy.UPS
	i      int
	path   string // of the history
	store  *history.Store
	source agent.Source // nil when it goes by hand
	guard  *guard       // nil when no agent runs
	clock  bootClock
	lines  <-chan string // what the person types
	yes    bool
	trial  *trial.Trial

	dark  bool      // the input was not back at the last reading
	shown time.Time // when a line of progress was last written
	kept  shutdown.Instant
}

const (
	lockSuffix = ".test"          // of the history's name, for the file that a test locks
	plugWithin = 10 * time.Minute // for the input to be cut, once asked
	keepEvery  = 10 * time.Second // the record goes to the disk
	guardEvery = 2 * time.Second
	tellEvery  = 30 * time.Second // where no terminal shows progress
	nagEvery   = 5 * time.Second  // after the word to stop
)

func setBatteryTest(c *call) action {
	pf := c.policyFlags()
	past, socket := c.historyFlag(), c.socketFlag()
	until := c.flags.String("until", "reserve", "`END` of the test: reserve, 40%, 66V, 12m or empty")
	load := c.flags.Float64("load", 0, "`WATTS` on the UPS, where it does not say")
	celsius := c.flags.Float64("celsius", math.NaN(), "`DEGREES` of the battery or room, if the UPS does not say")
	dummy := c.flags.Bool("dummy", false, "nothing on the UPS but a load that may lose its power")
	byHand := c.flags.Bool("by-hand", false, "the UPS says nothing: press Enter at start and end")
	walk := c.flags.Duration("walk", trial.Walk, "`TIME` that it takes you to give the input back")
	noAgent := c.flags.Bool("no-agent", false, "go on though no agent runs to stop the hosts")
	yes := c.flags.Bool("yes", false, "the cautions are known; do not ask")
	return func(ctx context.Context) int {
		stop, err := trial.Parse(*until)
		switch {
		case err != nil:
			c.usage("%v", err)
			return exitUsage
		case len(c.args) == 0:
			c.usage("which UPS? Name it")
			return exitUsage
		case !(*load >= 0 && *load <= 1e7), *walk < time.Second || *walk > time.Hour:
			c.usage("--load takes watts from 0 to 10000000, --walk a time from 1s to 1h")
			return exitUsage
		case c.json && !*yes:
			c.usage("--json asks nothing: say --yes, too")
			return exitUsage
		case *past == noHistory:
			c.usage("a test is written into the history; name its file, or leave --history out")
			return exitUsage
		}
		name := c.args[0]
		c.args = c.args[1:]
		p, found, code := c.policyLearned(ctx, pf, *past)
		if p == nil {
			return code
		}
		g := &guided{c: c, out: c.Out, own: found.own, p: p, yes: *yes, path: c.historyPath(*past), lines: typed(c.In)}
		if c.json {
			g.out = c.Err
		}
		if g.i, err = upsNamed(p, name); err != nil {
			c.usage("%v", err)
			return exitUsage
		}
		g.ups = &p.UPSs[g.i]
		if !*byHand {
			secrets := c.store(pf)
			g.source = source(g.ups, func(s policy.Secret) ([]byte, error) { return secrets.Read(string(s)) }, func() {})
		}
		setup := trial.Setup{
			Policy: p, Own: found.own, UPS: g.i, Day: today(), Stop: stop, Dummy: *dummy, Walk: *walk,
			Load: int64(math.Round(*load)), Celsius: *celsius, CelsiusSet: !math.IsNaN(*celsius),
		}
		if err := g.run(ctx, setup, *socket, *noAgent); err != nil {
			return c.fail("%v", err)
		}
		return exitDone
	}
}

// typed gives what a person types, line by line; it is closed at the end of the
// input.
func typed(in io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		if in == nil {
			return
		}
		for s := bufio.NewScanner(in); s.Scan(); {
			lines <- strings.ToLower(strings.TrimSpace(s.Text()))
		}
	}()
	return lines
}

// run is the whole test. Its error says why there is none, or that its record
// could not be kept.
func (g *guided) run(ctx context.Context, s trial.Setup, socket string, noAgent bool) error {
	unlock, err := lockTests(g.path)
	if err != nil {
		return err
	}
	defer unlock()
	if err := g.look(ctx, &s, socket, noAgent); err != nil {
		return err
	}
	if g.store, err = history.Open(g.path, history.Options{}); err != nil {
		return err
	}
	defer g.store.Close(context.Background())
	g.store.CloseUnfinishedTests(g.clock.now()) // nobody follows those: the lock is ours
	tests, recent := g.before(ctx)
	s.First = tests == 0
	if err := g.prepare(ctx, s); err != nil {
		return err
	}
	g.cautions(recent)
	if !g.yes {
		if !g.confirmed(ctx) {
			return errors.New("nothing was begun")
		}
		// Much may have happened until the answer.
		if err := errors.Join(g.look(ctx, &s, socket, noAgent), g.prepare(ctx, s)); err != nil {
			return err
		}
	}
	// Only now: a prediction that nobody will measure is none.
	if err := g.keep(ctx); err != nil {
		return fmt.Errorf("the prediction must be written before the start, and cannot be: %w", err)
	}
	if g.guard != nil {
		if err := g.guard.hold(ctx); err != nil {
			g.end(history.StopByOperator, false)
			return fmt.Errorf("the agent does not take the order to hold, and would stop hosts in the test: %w", err)
		}
	}
	rule, followed, err := g.discharge(ctx)
	r := g.end(rule, followed)
	if g.guard != nil {
		g.sayln(g.guard.release(!g.dark))
	}
	if g.dark {
		g.say("\nUPS %s is still on battery: GIVE THE INPUT BACK.\n", g.ups.Name)
	}
	if err != nil {
		return err
	}
	return g.verdict(r)
}

// look finds the agent, and says why no test can begin beside it.
func (g *guided) look(ctx context.Context, s *trial.Setup, socket string, noAgent bool) (err error) {
	if g.guard, err = findGuard(ctx, socket); err != nil && !noAgent {
		return fmt.Errorf("%w. Without an agent the hosts crash, should the input not come back; --no-agent says that you know", err)
	}
	g.clock = newBootClock(g.guard)
	if g.guard == nil {
		return nil
	}
	if h := g.only(); s.Dummy && h != "" {
		return fmt.Errorf("the policy says that %s hangs on UPS %s alone, and the agent would stop it in a test of a dummy load. Stop the agent for the test, and say --no-agent", h, g.ups.Name)
	}
	return g.guard.calm()
}

// prepare makes the trial from a reading of now, or says why there can be none.
func (g *guided) prepare(ctx context.Context, s trial.Setup) error {
	m, err := g.read(ctx)
	if err != nil {
		return fmt.Errorf("UPS %s cannot be read: %w. For a UPS that says nothing there are --by-hand and --load", g.ups.Name, err)
	}
	g.trial, err = trial.New(s, g.clock.moment(), m)
	return err
}

// before says how many tests of this battery there were, and how long ago the
// last outage ended, if that is less than a week.
func (g *guided) before(ctx context.Context) (tests int, recent string) {
	from, err := history.OpenReader(ctx, g.path)
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
func (g *guided) only() string {
	for k := range g.p.Hosts {
		if h := &g.p.Hosts[k]; !h.StaysUp && len(h.FedBy) == 1 && h.FedBy[0] == g.i {
			return h.Name
		}
	}
	return ""
}

// read asks the UPS. One that goes by hand says nothing.
func (g *guided) read(ctx context.Context) (shutdown.Measurement, error) {
	if g.source == nil {
		return shutdown.Nothing, nil
	}
	var m shutdown.Measurement
	var err error
	for range 3 { // a card's first answer may take its time
		if m, err = g.source.Poll(ctx); err == nil || ctx.Err() != nil {
			break
		}
	}
	return m, err
}

// keep has the record on the disk.
func (g *guided) keep(ctx context.Context) error {
	if err := g.store.RecordTest(g.trial.Record()); err != nil {
		return err
	}
	g.kept = g.clock.now()
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	return g.store.Flush(ctx)
}

// discharge waits for the loss of input and follows the UPS until the input is
// back, or the person gives up. It says what ended the test.
func (g *guided) discharge(ctx context.Context) (rule history.StopRule, followed bool, err error) {
	if g.source == nil {
		g.say("\nCut the input of UPS %s now, and press Enter at that moment.\n", g.ups.Name)
		if _, ok := g.line(ctx); !ok {
			return history.StopByOperator, false, errors.New("it was called off before the input was cut")
		}
		g.trial.Begin(g.clock.now())
		g.say("Press Enter when the input is back. If the battery ends first, type empty and Enter at that moment.\n")
	} else {
		g.say("\nCut the input of UPS %s now, best by its breaker: the earth stays connected.\n", g.ups.Name)
		if err := g.await(ctx); err != nil {
			return history.StopByOperator, false, err
		}
	}
	if err := g.keep(ctx); err != nil {
		g.say("The record cannot be written now; it is tried again: %v\n", err)
	}
	rule, followed = g.follow(ctx)
	return rule, followed, nil
}

// await waits until the UPS is on battery.
func (g *guided) await(ctx context.Context) error {
	for end := time.Now().Add(plugWithin); time.Now().Before(end); {
		m, err := g.source.Poll(ctx)
		switch {
		case ctx.Err() != nil:
			return errors.New("it was called off before the input was cut")
		case err != nil:
		case m.Testing:
			return fmt.Errorf("UPS %s has begun a test of its own; wait for its end", g.ups.Name)
		case m.Source == shutdown.FromBattery:
			g.trial.Begin(g.clock.now())
			g.dark = true
			g.sample(m)
			g.advise(g.trial.Read(g.clock.moment(), m))
			return nil
		}
		bounded.Pause(ctx, time.Second)
	}
	return fmt.Errorf("UPS %s was not on battery within %s", g.ups.Name, shutdown.Spell(plugWithin))
}

// follow reads on until the input is back. A UPS that goes by hand is followed by
// the clock alone.
func (g *guided) follow(ctx context.Context) (rule history.StopRule, followed bool) {
	every := g.ups.PollEvery()
	if g.source == nil {
		every = time.Second
	}
	looked := g.clock.now()
	for {
		m, err := shutdown.Nothing, error(nil)
		if g.source != nil {
			m, err = g.source.Poll(ctx)
		}
		now := g.clock.moment()
		switch {
		case ctx.Err() != nil:
			return history.StopByOperator, true
		case err != nil && g.trial.Blind(now.At):
			g.advise(g.trial.Halt(history.StopUnsafe, "the UPS does not answer: "+err.Error()))
		case err != nil:
		case g.source != nil && (m.Source == shutdown.FromInput || m.Source == shutdown.FromBypass):
			g.dark = false
			g.sample(m)
			return history.StopByOperator, true
		default:
			g.sample(m)
			g.advise(g.trial.Read(now, m))
		}
		if g.guard != nil && now.At.Sub(looked) >= guardEvery {
			looked = now.At
			if why := g.guard.unsafe(ctx, g.trial); why != "" && ctx.Err() == nil {
				g.advise(g.trial.Halt(history.StopUnsafe, why))
			}
		}
		if now.At.Sub(g.kept) >= keepEvery {
			g.kept = now.At
			g.store.RecordTest(g.trial.Record())
		}
		select {
		case line, ok := <-g.lines:
			if g.source == nil && ok && line == "empty" {
				return history.StopAtCutOff, true
			}
			if g.source == nil {
				return history.StopByOperator, true
			}
			if !ok {
				g.lines = nil
			}
		case <-ctx.Done():
		case <-time.After(every):
		}
	}
}

// advise tells the person what the trial says.
func (g *guided) advise(a trial.Advice) {
	_, terminal := terminal(g.out)
	every := tellEvery
	if terminal {
		every = 0
	}
	if a.Stop != 0 {
		every = nagEvery
	}
	if time.Since(g.shown) < every {
		return
	}
	g.shown = time.Now()
	if a.Stop != 0 {
		bell := ""
		if terminal {
			bell = "\r\x1b[K\a"
		}
		g.say("%sGIVE THE INPUT BACK NOW: %s.\n", bell, a.Text)
		return
	}
	r := g.trial.Record()
	text := fmt.Sprintf("on battery %s, %d W", shutdown.Spell(g.trial.Took()), g.trial.Watts())
	if r.EndChargeTenths != shutdown.Unread {
		text += fmt.Sprintf(", %g %%", float64(r.EndChargeTenths)/10)
	}
	if r.EndMillivolts != shutdown.Unread {
		text += fmt.Sprintf(", %g V", float64(r.EndMillivolts)/1000)
	}
	if a.Until >= 0 {
		text += "; to be stopped within " + shutdown.Spell(a.Until)
	}
	if terminal {
		g.say("\r\x1b[K%s", text)
		return
	}
	g.say("%s\n", text)
}

func (g *guided) sample(m shutdown.Measurement) {
	if g.source != nil {
		g.store.RecordSample(history.Sample{UPS: g.ups.Name, Moment: g.clock.moment(), During: history.DuringTest, Measurement: m})
	}
}

// end closes the trial and has its record on the disk, if it takes minutes: what
// was measured must not be lost because a disk is full.
func (g *guided) end(rule history.StopRule, followed bool) history.Test {
	r := g.trial.End(g.clock.moment(), rule, followed)
	err := g.keep(context.Background())
	for tries := 0; err != nil && tries < 12; tries++ {
		g.say("\nThe record of the test cannot be written, and is tried again every 5 s: %v\n", err)
		time.Sleep(5 * time.Second)
		err = g.keep(context.Background())
	}
	if err != nil {
		fmt.Fprintf(g.c.Err, "ebbline battery test: the record is not in the history. Keep this:\n")
		printJSON(g.c.Err, testViewOf(&r))
	}
	return r
}

func (g *guided) line(ctx context.Context) (string, bool) {
	select {
	case line, ok := <-g.lines:
		return line, ok
	case <-ctx.Done():
		return "", false
	}
}

func (g *guided) confirmed(ctx context.Context) bool {
	g.say("\nType yes to go on: ")
	line, _ := g.line(ctx)
	return line == "yes"
}

func (g *guided) say(format string, args ...any) { fmt.Fprintf(g.out, format, args...) }

func (g *guided) sayln(text string) {
	if text != "" {
		g.say("%s\n", text)
	}
}

// lockTests makes sure that no other test runs. The time of the file that it
// locks tells the agent that there is a test to learn from.
func lockTests(path string) (unlock func(), err error) {
	path += lockSuffix
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
