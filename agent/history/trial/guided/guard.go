package guided

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
	"ebbline/agent/history/trial"
	"ebbline/shutdown"
)

// guard is the running agent during a discharge test: it sees an outage, holds,
// and stops everybody in order should the input not come back in time.
type guard struct {
	client *control.Client
	seen   agent.View // when it was found
	ours   bool       // the hold is this test's
}

const releaseWithin = 30 * time.Second // for the agent to see that the input is back

// findGuard asks for the agent.
func findGuard(ctx context.Context, socket string) (*guard, error) {
	g := &guard{client: control.NewClient(socket)}
	var err error
	if g.seen, _, err = g.client.Status(ctx); err != nil {
		return nil, err
	}
	return g, nil
}

// calm says why no test can begin beside what the agent sees.
func (g *guard) calm() error {
	if g.seen.Outage != nil {
		return errors.New("the agent sees an outage, or the recovery from one. Wait until all is normal")
	}
	for _, u := range g.seen.UPSs {
		if u.Phase != shutdown.Normal.String() || u.Fault != "" {
			return fmt.Errorf("the agent sees UPS %s %s, %s; a site is tested when all of it is normal", u.Name, u.Phase, cmp.Or(u.Fault, "from "+u.Source))
		}
	}
	return nil
}

// hold orders it. One that an operator ordered before stays that operator's.
func (g *guard) hold(ctx context.Context) error {
	if held(&g.seen) {
		return nil
	}
	err := g.client.Order(ctx, shutdown.Hold)
	g.ours = err == nil
	return err
}

func held(v *agent.View) bool {
	return slices.ContainsFunc(v.Conditions, func(c agent.Condition) bool { return c.Code == shutdown.HoldInForce.String() })
}

// unsafe says why the test must end, by what the agent sees; "" when it may go on.
func (g *guard) unsafe(ctx context.Context, t *trial.Trial) string {
	ctx, cancel := context.WithTimeout(ctx, guardEvery)
	defer cancel()
	v, _, err := g.client.Status(ctx)
	if err != nil {
		return "the agent does not answer any more, and would stop no host"
	}
	elapsed := int64(0)
	if v.Outage != nil && !v.IfLostNow {
		elapsed = v.Outage.ElapsedSeconds
	}
	for _, h := range v.Hosts {
		if h.Asked != nil {
			return fmt.Sprintf("the agent has begun to stop hosts (%s)", h.Name)
		}
	}
	if n := v.PointOfNoReturn; n != nil && !t.Dummy && time.Duration(*n-elapsed)*time.Second <= t.Needed() {
		return "by the agent, what is left could only just carry the shutdown plan"
	}
	return ""
}

// release ends the hold when the agent sees every input again, for which it waits
// if ours is back, and says how it stands. Said while a UPS is on battery, the same word would mean: begin at
// once. So it is not said then; the hold ends with that outage.
func (g *guard) release(back bool) string {
	if !g.ours {
		return ""
	}
	ctx, cancel := context.WithTimeout(context.Background(), releaseWithin)
	defer cancel()
	for ctx.Err() == nil {
		v, _, err := g.client.Status(ctx)
		if err == nil && !held(&v) {
			return "" // the outage that it saw is over, and the hold with it
		}
		if err == nil && !slices.ContainsFunc(v.UPSs, func(u agent.UPSView) bool { return u.Source != shutdown.FromInput.String() }) {
			if err := g.client.Order(ctx, shutdown.Release); err == nil {
				return ""
			}
		}
		if !back {
			break
		}
		bounded.Pause(ctx, time.Second)
	}
	return "The agent's hold is left in force, for a UPS is not seen on its input. It ends with that outage, or by `ebbline status --release` once every input is back."
}
