package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"ebbline/agent"
	"ebbline/agent/control"
	"ebbline/policy"
	"ebbline/shutdown"
)

const (
	reallyLook  = 500 * time.Millisecond // between two questions how the host stands
	reallyAgain = 5 * time.Second        // before a start that was not taken is ordered again
	agentGone   = time.Minute            // an agent that does not answer for so long is not waited for
)

// realStop stops one host for real, by orders to the running agent, and has it started
// again.
type realStop struct {
	c      *call
	p      *policy.Policy // as it was learned
	h      *policy.Host
	client *control.Client
	out    io.Writer // for people, while it goes on
	seen   agent.View
	told   string
	view   reallyView
}

// reallyView is the JSON document.
type reallyView struct {
	Host      string     `json:"host"`
	Asked     *time.Time `json:"asked_at"`
	Down      *float64   `json:"down_seconds"` // from asked to proven down
	Counted   float64    `json:"counted_on_seconds"`
	Allowance float64    `json:"allowance_seconds"`
	Started   *time.Time `json:"started_at"`
	Back      *float64   `json:"back_seconds"` // from told to start to seen up
	StartsIn  float64    `json:"starts_in_seconds"`
	Done      bool       `json:"done"` // it went down in its time, and is back
	Text      string     `json:"text"`
}

// really does the whole of it and gives the exit code.
func (c *call) really(ctx context.Context, p *policy.Policy, read secrets, name, socket string, yes bool) int {
	k := slices.IndexFunc(p.Hosts, func(h policy.Host) bool { return h.Name == name })
	if k < 0 {
		c.usage("the policy has no host called %q", name)
		return exitUsage
	}
	r := &realStop{c: c, p: p, h: &p.Hosts[k], client: control.NewClient(socket), out: c.Out}
	if c.json {
		r.out = c.Err
	}
	r.view = reallyView{Host: name, Counted: r.h.StopsIn.Seconds(), Allowance: r.h.GivesUp().Seconds(), StartsIn: r.h.StartsIn.Seconds()}
	if err := r.refuses(ctx, read); err != nil {
		return c.fail("%v. Nothing was stopped", err)
	}
	r.cautions()
	if !yes && !r.agreed(ctx) {
		return c.fail("the name of the host was not typed. Nothing was stopped")
	}
	err := r.run(ctx)
	if c.json {
		r.view.Done = err == nil
		if err != nil {
			r.view.Text = err.Error()
		}
		printJSON(c.Out, r.view)
	}
	if err != nil {
		return c.fail("%v", err)
	}
	return exitDone
}

// refuses says what speaks against it before anything is asked or done.
func (r *realStop) refuses(ctx context.Context, read secrets) error {
	name := r.h.Name
	switch {
	case r.h.Self:
		return fmt.Errorf("the agent runs on %s: nothing would start it again", name)
	case r.h.Observe:
		return fmt.Errorf("%s is only watched, says the policy (observe): no order is given to it. Remove observe, and reload the agent", name)
	case r.h.StaysUp:
		return fmt.Errorf("%s is never to be stopped, says the policy (stays_up)", name)
	case len(r.h.Starts) == 0:
		return fmt.Errorf("the policy has no way to start %s again: give it a wake block, a BMC or an outlet", name)
	}
	if err := r.look(ctx); err != nil {
		return fmt.Errorf("a real stop is ordered through the running agent, and there is none to be had: %w", err)
	}
	v, h := &r.seen, r.host()
	switch {
	case h == nil:
		return fmt.Errorf("the running agent works by a policy without %s. Have it read this one: systemctl reload ebbline", name)
	case v.Outage != nil:
		return fmt.Errorf("outage %d is on", v.Outage.Number)
	case h.Power != shutdown.Up.String():
		return fmt.Errorf("%s is not up, as far as the agent can see: %s", name, h.Power)
	}
	for _, t := range tryAll(ctx, r.h, read) {
		if t.verdict != ready {
			what := "stop"
			if !t.stops {
				what = "start"
			}
			return fmt.Errorf("a way to %s %s is not ready (%s: %s)", what, name, t.by, t.said)
		}
	}
	return ctx.Err()
}

// cautions say what is about to happen, and what must be seen to before.
func (r *realStop) cautions() {
	var stops, starts []string
	for i := range r.h.Methods {
		if m := &r.h.Methods[i]; !m.Force {
			way := m.Kind.String()
			if m.SSH != nil {
				way += fmt.Sprintf(" (%s)", m.SSH.Command)
			}
			stops = append(stops, way)
		}
	}
	for i := range r.h.Starts {
		starts = append(starts, r.h.Starts[i].Kind.String())
	}
	width, _ := terminal(r.out)
	say := func(text string) { hang(r.out, "  - ", text, width) }
	fmt.Fprintf(r.out, "This stops %s FOR REAL, now, and starts it again.\n", r.h.Name)
	say("All that it serves ends, and work that is open on it is lost. Tell who uses it. Not with a backup, an update or a storage check running on it, not with a storm warning, never unattended.")
	say(fmt.Sprintf("It is asked by %s, and has %s; no force is used. Counted on are %s.", strings.Join(stops, ", then "), shutdown.Spell(r.h.GivesUp()), shutdown.Spell(r.h.StopsIn)))
	say(fmt.Sprintf("It is started by %s, and has %s for each try. A machine that was never started so may stay off: have a way to it by hand, a key to its room or a console.", strings.Join(starts, ", then "), shutdown.Spell(r.h.StartsIn)))
	say("Hosts that need it must be off before; the agent refuses otherwise. If the input fails meanwhile, the agent goes on by its plan, and this command starts the host when the input is back.")
}

// agreed asks for the host's name.
func (r *realStop) agreed(ctx context.Context) bool {
	fmt.Fprintf(r.out, "Type the host's name to stop it: ")
	select {
	case line := <-typed(r.c.In):
		return strings.EqualFold(line, r.h.Name)
	case <-ctx.Done():
		return false
	}
}

// run orders the stop, waits for the proof, orders the start, and waits for the host.
func (r *realStop) run(ctx context.Context) error {
	name, began := r.h.Name, r.seen.At
	if err := r.client.Give(ctx, control.Order{Order: shutdown.StopHost, Host: name}); err != nil {
		return fmt.Errorf("%w Nothing was stopped", err)
	}
	if err := r.wait(ctx, func() bool { return r.record(shutdown.HostAsked, began) != nil }); err != nil {
		return r.left(err)
	}
	asked := r.record(shutdown.HostAsked, began).At
	r.view.Asked = &asked
	r.say("%s  %s is asked to stop", clock(asked), name)
	err := r.wait(ctx, func() bool { return r.record(shutdown.HostDown, asked) != nil || r.condition(shutdown.StopFailed) })
	down := r.record(shutdown.HostDown, asked)
	switch {
	case err != nil:
		return r.left(err)
	case down == nil:
		return fmt.Errorf("%s was asked and is still up after all the time that it is given, %s. Look at it: it may be half stopped. Then `ebbline status --clear %s:%s`", name, shutdown.Spell(r.h.GivesUp()), shutdown.StopFailed, name)
	}
	r.view.Down = &down.Took
	r.say("%s  %s is down, %s after it was asked; %s was counted on", clock(down.At), name, tenth(down.Took), shutdown.Spell(r.h.StopsIn))
	if err := r.start(ctx); err != nil {
		return r.left(err)
	}
	started := r.seen.At
	r.view.Started = &started
	r.say("%s  %s is told to start", clock(started), name)
	err = r.wait(ctx, func() bool {
		return r.record(shutdown.HostBack, down.At) != nil || r.condition(shutdown.HostNotBack) || r.host() != nil && r.host().Power == shutdown.Up.String()
	})
	switch h := r.host(); {
	case err != nil:
		return r.left(err)
	case h == nil || h.Power != shutdown.Up.String():
		return fmt.Errorf("%s DID NOT COME BACK: every way to start it was tried. Start it by hand, and see why: `ebbline rehearse` tries the ways", name)
	}
	if back := r.record(shutdown.HostBack, down.At); back != nil {
		r.view.Back = &back.Took
		r.say("%s  %s is back, %s after it was told to start; %s was counted on", clock(back.At), name, tenth(back.Took), shutdown.Spell(r.h.StartsIn))
	}
	r.verdict()
	return nil
}

// start orders the start, again and again while it is not taken, as with the input away.
func (r *realStop) start(ctx context.Context) error {
	for {
		err := r.client.Give(ctx, control.Order{Order: shutdown.StartHost, Host: r.h.Name})
		if err == nil {
			return r.look(ctx)
		}
		r.say("%s  not started yet: %v", clock(time.Now()), err)
		if !pause(ctx, reallyAgain) {
			return ctx.Err()
		}
		if r.look(ctx) == nil && r.host() != nil && r.host().Power == shutdown.Up.String() {
			return nil // somebody started it
		}
	}
}

// verdict says what the measured time means for the plan.
func (r *realStop) verdict() {
	r.view.Text = "The agent counts on what it measures: `ebbline history stops` has this one, and `ebbline plan` says on what it rests."
	if took := time.Duration(*r.view.Down * float64(time.Second)); took > r.h.StopsIn {
		r.view.Text = fmt.Sprintf("It took longer than was counted on (%s): write stops_in = %q for %s. The agent counts on the measured time from now on.", shutdown.Spell(r.h.StopsIn), upTo5(took), r.h.Name)
	}
	width, _ := terminal(r.out)
	for _, line := range fold(r.view.Text, width) {
		fmt.Fprintln(r.out, line)
	}
}

// upTo5 rounds a time up to five seconds, as a policy writes it.
func upTo5(d time.Duration) string {
	const step = 5 * time.Second
	return shutdown.Spell((d + step - 1).Truncate(step))
}

// left says how a host stands that is no longer followed.
func (r *realStop) left(err error) error {
	if errors.Is(err, context.Canceled) {
		err = errors.New("interrupted")
	}
	return fmt.Errorf("%w. %s was ordered to stop: `ebbline status` shows how it stands, and `ebbline status --start %s` starts it", err, r.h.Name, r.h.Name)
}

// wait asks the agent until something is so, or an agent is gone for good.
func (r *realStop) wait(ctx context.Context, so func() bool) error {
	answered := time.Now()
	for {
		err := r.look(ctx)
		switch {
		case err == nil && so():
			return nil
		case err == nil:
			answered = time.Now()
		case time.Since(answered) >= agentGone:
			return err
		}
		if !pause(ctx, reallyLook) {
			return ctx.Err()
		}
	}
}

func (r *realStop) look(ctx context.Context) error {
	v, _, err := r.client.Status(ctx)
	if err == nil {
		r.seen = v
	}
	return err
}

func (r *realStop) host() *agent.HostView {
	if k := slices.IndexFunc(r.seen.Hosts, func(h agent.HostView) bool { return h.Name == r.h.Name }); k >= 0 {
		return &r.seen.Hosts[k]
	}
	return nil
}

// record is the first of a code about the host since a time; nil for none.
func (r *realStop) record(code shutdown.Code, since time.Time) *agent.Record {
	for i := range r.seen.Records {
		if x := &r.seen.Records[i]; x.Host == r.h.Name && x.Code == code.String() && !x.At.Before(since) {
			return x
		}
	}
	return nil
}

func (r *realStop) condition(code shutdown.Code) bool {
	return slices.ContainsFunc(r.seen.Conditions, func(x agent.Condition) bool { return x.Code == code.String() && x.Host == r.h.Name })
}

// say tells what goes on, once.
func (r *realStop) say(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if _, what, _ := strings.Cut(text, "  "); what != r.told {
		r.told = what
		fmt.Fprintln(r.out, text)
	}
}

// tenth writes seconds to a tenth below ten, whole ones above, rounded up.
func tenth(seconds float64) string {
	if d := time.Duration(seconds * float64(time.Second)); d < 10*time.Second {
		return cmp.Or((d + 99*time.Millisecond).Truncate(100*time.Millisecond).String(), "0s")
	} else {
		return shutdown.Spell(d + time.Second - 1)
	}
}
