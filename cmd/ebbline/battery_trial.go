package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"ebbline/agent/history"
	"ebbline/agent/history/trial"
	"ebbline/agent/history/trial/guided"
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

// tester shows a guided test to the person who carries it out.
type tester struct {
	c      *call
	out    io.Writer // for people
	own, p *policy.Policy
	ups    *policy.UPS
	i      int
	path   string    // of the history
	shown  time.Time // when a line of progress was last written
}

const (
	tellEvery = 30 * time.Second // where no terminal shows progress
	nagEvery  = 5 * time.Second  // after the word to stop
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
		i, err := upsNamed(p, name)
		if err != nil {
			c.usage("%v", err)
			return exitUsage
		}
		g := &tester{c: c, out: c.Out, own: found.own, p: p, i: i, ups: &p.UPSs[i], path: c.historyPath(*past)}
		if c.json {
			g.out = c.Err
		}
		test := &guided.Test{
			Setup: trial.Setup{
				Policy: p, Own: found.own, UPS: i, Day: today(), Stop: stop, Dummy: *dummy, Walk: *walk,
				Load: int64(math.Round(*load)), Celsius: *celsius, CelsiusSet: !math.IsNaN(*celsius),
			},
			History: g.path, Socket: *socket, NoAgent: *noAgent, Yes: *yes, Person: g, Lines: typed(c.In),
		}
		if !*byHand {
			secrets := c.secrets(pf)
			test.Source = source(g.ups, func(s policy.Secret) ([]byte, error) { return secrets.Read(string(s)) }, func() {})
		}
		r, err := test.Run(ctx)
		if err == nil {
			err = g.verdict(test.Trial, &r)
		}
		if err != nil {
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

// Advise implements [guided.Person]: it tells the person what the trial says.
func (g *tester) Advise(t *trial.Trial, a trial.Advice) {
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
		g.Say("%sGIVE THE INPUT BACK NOW: %s.\n", bell, a.Text)
		return
	}
	r := t.Record()
	text := fmt.Sprintf("on battery %s, %d W", shutdown.Spell(t.Took()), t.Watts())
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
		g.Say("\r\x1b[K%s", text)
		return
	}
	g.Say("%s\n", text)
}

// Unkept implements [guided.Person].
func (g *tester) Unkept(r *history.Test) {
	fmt.Fprintf(g.c.Err, "ebbline battery test: the record is not in the history. Keep this:\n")
	printJSON(g.c.Err, testViewOf(r))
}

// Say implements [guided.Person].
func (g *tester) Say(format string, args ...any) { fmt.Fprintf(g.out, format, args...) }
