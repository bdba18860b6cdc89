package main

import (
	"context"
	"fmt"

	"ebbline/agent/rehearse"
	"ebbline/policy"
)

var rehearseCommand = command{
	name:  "rehearse",
	about: "tries the way to every UPS and host, and turns nothing off",
	usage: "[POLICY] [--messages | --really HOST] [--secrets FOLDER] [--history FILE] [--json]",
	takes: []string{"POLICY"},
	help: `Asks every UPS once, and tries every way to stop or start a host without effect:
  ssh, host   logs in with the key, verifies the host key, runs no command; then
  prepare     asks, by a key that can do no more, whether the command might run
  bmc         logs in, reads the power state and whether it takes the order
  outlet      reads the outlet's state; no SNMP SET is ever sent
  local       looks whether the command's program is there
  wake        looks whether there is a network to send on; sends nothing
and looks whether the host is seen up. Every temperature and emergency input of
the policy is read once. The hosts come in the order in which they
would stop if the input failed now, at the load and charge that the UPSs say;
then all that is wrong, with what to do next.

Run it on the agent's host, as the agent's user, with the agent's secrets: what
works from elsewhere proves little. Whether a command may be run is known where
the host has the lines that ebbline check --rights prints. What it cannot prove:
that a BMC or PDU lets this user give the order.

With --messages it tries the receivers of messages instead: each is sent one
that is marked as a test, and the sign of life is fetched once.

With --really HOST it stops that host for real, through the running agent, once
its name is typed (or with --yes), measures how long it takes until it is proven
down, and has it started again by its ways. The time that a host takes to stop
is what a plan rests on most; this is how it is known before the first outage.

Exit code 1 says that something is wrong.`,
	set: setRehearse,
}

func setRehearse(c *call) action {
	pf := c.policyFlags()
	messages := c.flags.Bool("messages", false, "send each receiver of messages a test, and try nothing else")
	really := c.flags.String("really", "", "stop `HOST` for real, measure it, and start it again")
	yes := c.flags.Bool("yes", false, "with --really: do not ask")
	socket := c.socketFlag()
	past := c.historyFlag()
	return func(ctx context.Context) int {
		p, _, code := c.policyLearned(ctx, pf, *past)
		if p == nil {
			return code
		}
		secrets := c.secrets(pf)
		read := func(name policy.Secret) ([]byte, error) { return secrets.Read(string(name)) }
		if c.flags.Changed("really") {
			return c.really(ctx, p, rehearsed(read), *really, *socket, *yes)
		}
		if *messages {
			return c.tryMessages(ctx, p, read)
		}
		r := &rehearse.Rehearsal{Policy: p, Parts: rehearsed(read)}
		progress := c.progress()
		r.Run(ctx, func(done int) { fmt.Fprintf(progress, "\r%d of %s tried \x1b[K", done, count(len(p.Hosts), "host")) })
		fmt.Fprint(progress, "\r\x1b[K")
		if ctx.Err() != nil {
			return c.fail("interrupted; nothing was turned off")
		}
		v := viewOfRehearsal(r)
		if c.json {
			printJSON(c.Out, v)
		} else {
			width, _ := terminal(c.Out)
			v.show(c.Out, width)
		}
		if !v.Ready {
			return exitFailed
		}
		return exitDone
	}
}
