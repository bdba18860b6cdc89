package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"ebbline/agent/action/upstest"
	"ebbline/policy"
	"ebbline/shutdown"
)

var upsTestCommand = command{
	name:  "battery ups-test",
	was:   []string{"selftest", "self-test"},
	about: "the tests that a UPS makes of itself",
	usage: "UPS [POLICY] [--start TEST | --stop] [--json]",
	takes: []string{"UPS", "POLICY"},
	help: `Reads what came of the test that a UPS last made of itself, over SNMP; starts
one, or stops the one that runs. It waits for the end of a test that it started.

  quick-battery-test        seconds to minutes: tells a battery that is broken,
                            not what it holds
  general-systems-test      the maker's standard test
  deep-battery-calibration  discharges to a level that the maker set; little
                            charge is left for hours. The test that ebbline
                            learns from is ` + "`ebbline battery test`" + `.

The tests have the names of RFC 1628. The running agent sees such a test and
stops no host for it. Exit code 1 says that the UPS found its battery bad, or
that the test could not be started.`,
}

func init() { upsTestCommand.set = setUPSTest }

// upsTestView is the document of `battery ups-test --json`.
type upsTestView struct {
	UPS     string  `json:"ups"`
	Test    string  `json:"test"`
	Result  string  `json:"result"`
	Detail  string  `json:"detail,omitempty"`
	Seconds float64 `json:"elapsed_seconds"`
}

func setUPSTest(c *call) action {
	pf := c.policyFlags()
	start := c.flags.String("start", "", "start a `TEST`: "+strings.Join(upstest.Names(), ", "))
	stop := c.flags.Bool("stop", false, "stop the test that runs")
	yes := c.flags.Bool("yes", false, "do not ask before a deep battery calibration")
	return func(ctx context.Context) int {
		kind, err := upstest.Kind(0), error(nil)
		if *start != "" {
			kind, err = upstest.ParseKind(*start)
		}
		switch {
		case err != nil:
			c.usage("%v", err)
			return exitUsage
		case len(c.args) == 0:
			c.usage("which UPS? Name it")
			return exitUsage
		case *stop && *start != "":
			c.usage("--start and --stop do not go together")
			return exitUsage
		case *stop:
			kind = upstest.Aborted
		}
		name := c.args[0]
		c.args = c.args[1:]
		p, code := c.policyOr(pf, false)
		if p == nil {
			return code
		}
		i, err := upsNamed(p, name)
		if err != nil {
			c.usage("%v", err)
			return exitUsage
		}
		u := &p.UPSs[i]
		if u.SNMP == nil {
			return c.fail("UPS %s has no snmp block; only over SNMP can its own tests be reached", u.Name)
		}
		secrets := c.secrets(pf)
		read := func(s policy.Secret) ([]byte, error) { return secrets.Read(string(s)) }
		var r upstest.Result
		if kind == 0 {
			r, err = upstest.Read(ctx, *u.SNMP, read)
		} else {
			if kind != upstest.Aborted && p.Watched(i) {
				return c.fail("UPS %s gets no order while what it feeds is only watched (observe): a test takes its load from the battery", u.Name)
			}
			if err := c.mayTest(ctx, u, kind, read, *yes); err != nil {
				return c.fail("%v", err)
			}
			r, err = upstest.Run(ctx, *u.SNMP, kind, read, u.PollEvery())
		}
		if err != nil {
			return c.fail("UPS %s: %v", u.Name, err)
		}
		c.showUPSTest(u.Name, &r)
		if r.Summary == upstest.Failed {
			return exitFailed
		}
		return exitDone
	}
}

// mayTest says why a test of the UPS's own must not begin now.
func (c *call) mayTest(ctx context.Context, u *policy.UPS, kind upstest.Kind, read secrets, yes bool) error {
	if kind == upstest.Aborted {
		return nil
	}
	m, err := source(u, read, func() {}).Poll(ctx)
	switch {
	case err != nil:
		return fmt.Errorf("UPS %s cannot be read: %w", u.Name, err)
	case m.Source != shutdown.FromInput:
		return fmt.Errorf("UPS %s is fed from %s; a test begins in normal mode", u.Name, m.Source)
	case kind == upstest.Deep && !yes:
		fmt.Fprintf(c.Err, "A deep battery calibration leaves little charge; hosts are as good as unprotected for hours.\nNever with a storm warning, and never unattended. Type yes to go on: ")
		if line := <-typed(c.In); line != "yes" {
			return fmt.Errorf("nothing was begun")
		}
	}
	return nil
}

func (c *call) showUPSTest(ups string, r *upstest.Result) {
	kind, name := r.Kind.String(), r.Kind.Name()
	if r.Other != "" {
		kind, name = "test "+r.Other, r.Other
	}
	if c.json {
		printJSON(c.Out, upsTestView{ups, name, r.Summary.String(), r.Detail, r.Elapsed.Seconds()})
		return
	}
	if r.Summary == upstest.Never {
		fmt.Fprintf(c.Out, "UPS %s has made no test of its own since its card started\n", ups)
		return
	}
	fmt.Fprintf(c.Out, "UPS %s: its own %s %s", ups, kind, r.Summary)
	if r.Elapsed > 0 {
		fmt.Fprintf(c.Out, ", after %s", r.Elapsed.Round(time.Second))
	}
	if r.Detail != "" {
		fmt.Fprintf(c.Out, ": %s", r.Detail)
	}
	fmt.Fprintln(c.Out)
}
