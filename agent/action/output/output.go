// Package output switches a UPS's output off after a delay, and on again with
// the input, or calls that back, by the control group of RFC 1628. A card's
// word is not enough: what it was told is read back, and only a countdown that
// is seen to run counts as accepted. It never decides when.
package output

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"ebbline/agent/source/snmp"
	"ebbline/policy"
	"ebbline/shutdown"
)

const (
	// slack is what a countdown may lose between being set and being read.
	slack = 2 * time.Second
	// least is the shortest countdown that can be seen to run.
	least = 5 * time.Second
	// attempts to write one object whose answers are lost. Each is a decision
	// taken after reading the object back, never a blind repeat.
	attempts = 3

	on         = 1  // upsAutoRestart
	outputOnly = 1  // upsShutdownType
	aborted    = -1 // the countdowns: none runs; written: stop it
)

// Do carries out one action on one UPS's output by the deadline of ctx, or
// within ten of the policy's timeouts: VerbSwitchOff starts the countdown,
// VerbSwitchOn stops one that runs. The text is one line for people.
//
// To do the same twice is harmless: a countdown that runs already is left
// alone. So an agent that was restarted in the middle may try again.
func Do(ctx context.Context, cfg policy.SNMP, out policy.Output, verb shutdown.Verb, secrets snmp.Secrets) (shutdown.Outcome, string) {
	reader, err := snmp.NewClient(cfg, snmp.Reading, secrets)
	if err != nil {
		return shutdown.Unreachable, err.Error()
	}
	writer, err := snmp.NewClient(cfg, snmp.Writing, secrets)
	if err != nil {
		return shutdown.Unreachable, err.Error()
	}
	if _, ok := ctx.Deadline(); !ok {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, 10*max(cfg.Timeout, time.Second))
		defer cancel()
	}
	c := &control{reader: reader, writer: writer, missing: cfg.Missing, step: max(cfg.DelayStep, time.Second)}
	switch verb {
	case shutdown.VerbSwitchOff:
		return c.switchOff(ctx, out)
	case shutdown.VerbSwitchOn:
		return c.callBack(ctx)
	}
	return shutdown.Refused, fmt.Sprintf("a UPS's output cannot %s", verb)
}

// control is the control group of one card.
type control struct {
	reader, writer *snmp.Client
	missing        []string // objects not to be believed
	step           time.Duration
}

// group is the control group as read; unread where the card does not have it.
type group struct{ kind, off, on, restart int64 }

// returns tells whether the output would come on again with the input.
func (g *group) returns() bool { return g.restart == on || g.on > g.off }

// Objects of the group, by RFC 1628's names.
const (
	kindName    = "upsShutdownType"
	offName     = "upsShutdownAfterDelay"
	onName      = "upsStartupAfterDelay"
	restartName = "upsAutoRestart"
)

var objectID = map[string]string{kindName: upsControl + "1.0", offName: upsControl + "2.0", onName: upsControl + "3.0", restartName: upsControl + "5.0"}

const upsControl = ".1.3.6.1.2.1.33.1.8."

func (c *control) read(ctx context.Context) (group, error) {
	names := []string{kindName, offName, onName, restartName}
	oids := make([]string, len(names))
	for i, name := range names {
		oids[i] = objectID[name]
	}
	answers, err := c.reader.Get(ctx, oids)
	if err != nil {
		return group{}, err
	}
	var n [4]int64
	for i, name := range names {
		n[i] = shutdown.Unread
		if v, ok := answers[i].Integer(); ok && !slices.Contains(c.missing, name) {
			n[i] = v
		}
	}
	return group{n[0], n[1], n[2], n[3]}, nil
}

// switchOff sets what is harmless first and the countdown last.
func (c *control) switchOff(ctx context.Context, out policy.Output) (shutdown.Outcome, string) {
	was, err := c.read(ctx)
	if err != nil {
		return shutdown.Unreachable, err.Error()
	}
	if was.off == shutdown.Unread {
		return shutdown.Refused, "the card has no upsShutdownAfterDelay, so its output cannot be switched off"
	}
	off := c.up(max(out.OffAfter, least))
	if was.off > 0 && seconds(was.off) <= off && was.returns() {
		return shutdown.Accepted, fmt.Sprintf("a countdown runs already: output off in %d s", was.off)
	}
	if outcome, text := c.arrangeReturn(ctx, &was, off, out.OnAfter); outcome != shutdown.Accepted {
		return outcome, text
	}
	if was.kind != outputOnly && was.kind != shutdown.Unread {
		switch outcome, text := c.write(ctx, setting{kindName, outputOnly, is(outputOnly)}); outcome {
		case shutdown.Refused:
			return shutdown.Refused, text + ": it would switch off the whole UPS, not its output"
		case shutdown.Unreachable, shutdown.Unknown:
			return shutdown.Unreachable, text // the countdown was never sent
		}
	}
	outcome, text := c.write(ctx, setting{offName, whole(off), c.counting(off)})
	if outcome != shutdown.Accepted {
		return c.withdraw(ctx, outcome, text)
	}
	return c.confirm(ctx)
}

// arrangeReturn sees to it that the output comes on again with the input:
// upsAutoRestart does it when the output goes off during an outage. If the
// input is back before that, only upsStartupAfterDelay does. Accepted means
// that one of them is in force.
func (c *control) arrangeReturn(ctx context.Context, was *group, off, onAfter time.Duration) (shutdown.Outcome, string) {
	restarts := was.restart == on
	if !restarts && was.restart != shutdown.Unread {
		switch outcome, text := c.write(ctx, setting{restartName, on, is(on)}); outcome {
		case shutdown.Accepted:
			restarts = true
		case shutdown.Unreachable, shutdown.Unknown:
			return shutdown.Unreachable, text
		}
	}
	if (onAfter > 0 || !restarts) && was.on != shutdown.Unread {
		// The start's countdown runs from now on and waits for the input at its
		// end. It must not end before the switch-off, which would find it spent.
		start := c.up(off + max(onAfter, c.step, slack))
		switch outcome, text := c.write(ctx, setting{onName, whole(start), c.counting(start)}); outcome {
		case shutdown.Accepted:
			restarts = true
		case shutdown.Unreachable, shutdown.Unknown:
			return shutdown.Unreachable, text
		case shutdown.Refused:
			c.write(ctx, setting{onName, aborted, is(aborted)})
		}
	}
	if !restarts {
		return shutdown.Refused, "the card takes neither upsAutoRestart nor upsStartupAfterDelay: the output would stay off when the input is back, so it was not switched off"
	}
	return shutdown.Accepted, ""
}

// confirm reads the whole group back once more: it is what the card will do.
func (c *control) confirm(ctx context.Context) (shutdown.Outcome, string) {
	now, err := c.read(ctx)
	switch {
	case err != nil:
		return shutdown.Unknown, "the countdown was started, and then the card fell silent: " + err.Error()
	case now.off < 0:
		return shutdown.Unknown, "the countdown was started, and is no longer seen to run"
	case now.on >= 0 && now.on <= now.off:
		return c.withdraw(ctx, shutdown.Refused, fmt.Sprintf("the card would start the output in %d s, before it is off in %d s", now.on, now.off))
	case !now.returns():
		return c.withdraw(ctx, shutdown.Refused, "the output would stay off when the input is back")
	}
	text := fmt.Sprintf("output off in %d s, on again with the input", now.off)
	if now.on > now.off {
		text += fmt.Sprintf(", not before %d s", now.on)
	}
	return shutdown.Accepted, text
}

// withdraw makes sure that a switch-off that did not come about as asked does
// not come about otherwise.
func (c *control) withdraw(ctx context.Context, outcome shutdown.Outcome, text string) (shutdown.Outcome, string) {
	if outcome == shutdown.Unknown {
		return outcome, text
	}
	now, err := c.read(ctx)
	if err == nil && now.off < 0 {
		return outcome, text
	}
	if back, _ := c.write(ctx, setting{offName, aborted, is(aborted)}); back != shutdown.Accepted {
		return shutdown.Unknown, text + "; and the countdown could not be stopped"
	}
	return shutdown.Refused, text + "; the countdown was stopped"
}

// callBack stops a countdown. A start that is due later stays: it does nothing
// to an output that is on, and helps one that went off meanwhile.
func (c *control) callBack(ctx context.Context) (shutdown.Outcome, string) {
	was, err := c.read(ctx)
	switch {
	case err != nil:
		return shutdown.Unreachable, err.Error()
	case was.off == aborted:
		return shutdown.Accepted, "no countdown runs"
	case was.off == shutdown.Unread:
		return shutdown.Refused, "the card has no upsShutdownAfterDelay"
	}
	outcome, text := c.write(ctx, setting{offName, aborted, is(aborted)})
	if outcome == shutdown.Accepted {
		text = fmt.Sprintf("the switch-off was called back %d s before its time", was.off)
	}
	return outcome, text
}

// setting is one object to be written, and what it must read afterwards.
type setting struct {
	name  string
	value int64
	took  func(int64) bool
}

// write sends, reads back and decides. Accepted is what was read, not what the
// card answered; Unknown is a card that could not be read afterwards;
// Unreachable is one that can be read and never took the order.
func (c *control) write(ctx context.Context, s setting) (shutdown.Outcome, string) {
	text := ""
	for range attempts {
		sent := c.writer.Set(ctx, snmp.Setting{OID: objectID[s.name], Value: snmp.Int(s.value)})
		answers, err := c.reader.Get(ctx, []string{objectID[s.name]})
		if err != nil {
			return shutdown.Unknown, fmt.Sprintf("%s was sent, and then the card fell silent: %v", s.name, err)
		}
		reads, ok := answers[0].Integer()
		if ok && s.took(reads) {
			return shutdown.Accepted, ""
		}
		var refused *snmp.RefusedError
		switch {
		case errors.As(sent, &refused):
			return shutdown.Refused, fmt.Sprintf("%s = %d: %v", s.name, s.value, refused)
		case !ok:
			return shutdown.Refused, s.name + " cannot be read back"
		case sent == nil:
			return shutdown.Refused, fmt.Sprintf("%s: the card took %d and reads %d", s.name, s.value, reads)
		}
		// The order was lost on its way. It is not in force, so it may go again.
		text = fmt.Sprintf("%s = %d: %v", s.name, s.value, sent)
	}
	return shutdown.Unreachable, text + "; if the card wants another community for writing, write_community names it"
}

func is(want int64) func(int64) bool { return func(n int64) bool { return n == want } }

// counting accepts a countdown of d that has just begun, rounded up to the
// card's step at most. A card that rounds down would switch off too early.
func (c *control) counting(d time.Duration) func(int64) bool {
	begun := time.Now()
	return func(n int64) bool {
		left := d - time.Since(begun)
		return n >= 0 && seconds(n) >= left-slack && seconds(n) <= c.up(d)
	}
}

// up rounds up to the card's step.
func (c *control) up(d time.Duration) time.Duration { return (d + c.step - 1) / c.step * c.step }

func seconds(n int64) time.Duration { return time.Duration(n) * time.Second }

func whole(d time.Duration) int64 { return int64(d / time.Second) }
