package rehearse

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"ebbline/agent"
	"ebbline/agent/bounded"
	"ebbline/agent/control"
	"ebbline/policy"
	"ebbline/shutdown"
)

const (
	stopLook   = 500 * time.Millisecond // between two questions how the host stands
	startAgain = 5 * time.Second        // before a start that was not taken is ordered again
	agentGone  = time.Minute            // an agent that does not answer for so long is not waited for
)

// RealStop stops one host for real, by orders to the running agent, and has it
// started again.
type RealStop struct {
	Host   *policy.Host // as it was learned
	Client *control.Client
	Parts  Parts
	Tell   func(at time.Time, what string) // what goes on; it may be the same again

	// What was measured; nil where it has not come to that.
	Asked, Started           *time.Time
	DownSeconds, BackSeconds *float64 // from asked to proven down, from told to start to seen up

	seen agent.View
}

// Refuses says what speaks against it before anything is asked or done.
func (r *RealStop) Refuses(ctx context.Context) error {
	name := r.Host.Name
	switch {
	case r.Host.Self:
		return fmt.Errorf("the agent runs on %s: nothing would start it again", name)
	case r.Host.Observe:
		return fmt.Errorf("%s is only watched, says the policy (observe): no order is given to it. Remove observe, and reload the agent", name)
	case r.Host.StaysUp:
		return fmt.Errorf("%s is never to be stopped, says the policy (stays_up)", name)
	case len(r.Host.Starts) == 0:
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
	for _, t := range r.Parts.Try(ctx, r.Host) {
		if t.Readiness != Ready {
			what := "stop"
			if !t.Stops {
				what = "start"
			}
			return fmt.Errorf("a way to %s %s is not ready (%s: %s)", what, name, t.By, t.Text)
		}
	}
	return ctx.Err()
}

// Run orders the stop, waits for the proof, orders the start, and waits for the host.
func (r *RealStop) Run(ctx context.Context) error {
	name, began := r.Host.Name, r.seen.At
	if err := r.Client.Give(ctx, control.Order{Order: shutdown.StopHost, Host: name}); err != nil {
		return fmt.Errorf("%w Nothing was stopped", err)
	}
	if err := r.wait(ctx, func() bool { return r.record(shutdown.HostAsked, began) != nil }); err != nil {
		return r.left(err)
	}
	asked := r.record(shutdown.HostAsked, began).At
	r.Asked = &asked
	r.say(asked, "%s is asked to stop", name)
	err := r.wait(ctx, func() bool { return r.record(shutdown.HostDown, asked) != nil || r.condition(shutdown.StopFailed) })
	down := r.record(shutdown.HostDown, asked)
	switch {
	case err != nil:
		return r.left(err)
	case down == nil:
		return fmt.Errorf("%s was asked and is still up after all the time that it is given, %s. Look at it: it may be half stopped. Then `ebbline status --clear %s:%s`", name, shutdown.Spell(r.Host.GivesUp()), shutdown.StopFailed, name)
	}
	r.DownSeconds = &down.Took
	r.say(down.At, "%s is down, %s after it was asked; %s was counted on", name, tenth(down.Took), shutdown.Spell(r.Host.StopsIn))
	if err := r.start(ctx); err != nil {
		return r.left(err)
	}
	started := r.seen.At
	r.Started = &started
	r.say(started, "%s is told to start", name)
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
		r.BackSeconds = &back.Took
		r.say(back.At, "%s is back, %s after it was told to start; %s was counted on", name, tenth(back.Took), shutdown.Spell(r.Host.StartsIn))
	}
	return nil
}

// start orders the start, again and again while it is not taken, as with the input away.
func (r *RealStop) start(ctx context.Context) error {
	for {
		err := r.Client.Give(ctx, control.Order{Order: shutdown.StartHost, Host: r.Host.Name})
		if err == nil {
			return r.look(ctx)
		}
		r.say(time.Now(), "not started yet: %v", err)
		if !bounded.Pause(ctx, startAgain) {
			return ctx.Err()
		}
		if r.look(ctx) == nil && r.host() != nil && r.host().Power == shutdown.Up.String() {
			return nil // somebody started it
		}
	}
}

// left says how a host stands that is no longer followed.
func (r *RealStop) left(err error) error {
	if errors.Is(err, context.Canceled) {
		err = errors.New("interrupted")
	}
	return fmt.Errorf("%w. %s was ordered to stop: `ebbline status` shows how it stands, and `ebbline status --start %s` starts it", err, r.Host.Name, r.Host.Name)
}

// wait asks the agent until something is so, or an agent is gone for good.
func (r *RealStop) wait(ctx context.Context, so func() bool) error {
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
		if !bounded.Pause(ctx, stopLook) {
			return ctx.Err()
		}
	}
}

func (r *RealStop) look(ctx context.Context) error {
	v, _, err := r.Client.Status(ctx)
	if err == nil {
		r.seen = v
	}
	return err
}

func (r *RealStop) host() *agent.HostView {
	if k := slices.IndexFunc(r.seen.Hosts, func(h agent.HostView) bool { return h.Name == r.Host.Name }); k >= 0 {
		return &r.seen.Hosts[k]
	}
	return nil
}

// record is the first of a code about the host since a time; nil for none.
func (r *RealStop) record(code shutdown.Code, since time.Time) *agent.Record {
	for i := range r.seen.Records {
		if x := &r.seen.Records[i]; x.Host == r.Host.Name && x.Code == code.String() && !x.At.Before(since) {
			return x
		}
	}
	return nil
}

func (r *RealStop) condition(code shutdown.Code) bool {
	return slices.ContainsFunc(r.seen.Conditions, func(x agent.Condition) bool { return x.Code == code.String() && x.Host == r.Host.Name })
}

func (r *RealStop) say(at time.Time, format string, args ...any) {
	r.Tell(at, fmt.Sprintf(format, args...))
}

// tenth writes seconds to a tenth below ten, whole ones above, rounded up.
func tenth(seconds float64) string {
	if d := time.Duration(seconds * float64(time.Second)); d < 10*time.Second {
		return cmp.Or((d + 99*time.Millisecond).Truncate(100*time.Millisecond).String(), "0s")
	} else {
		return shutdown.Spell(d + time.Second - 1)
	}
}
