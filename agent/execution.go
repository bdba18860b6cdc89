package agent

import (
	"context"
	"strings"
	"time"
	"unicode/utf8"

	"go.uber.org/zap"

	"ebbline/policy"
	"ebbline/shutdown"
)

// execution is one action under way. It is over when it leaves the loop's list,
// and that happens once: by its own end or by its deadline.
type execution struct {
	action shutdown.Action
	cancel context.CancelFunc
}

// ahead is by how much an action's own deadline comes before the core's, so
// that it can still say what it knows.
const ahead = 200 * time.Millisecond

// begin starts an action in a goroutine of its own.
func (a *Agent) begin(action shutdown.Action) {
	c, now := a.workers, a.clock.now()
	name := action.ID.Name(c.policy)
	left := action.Deadline.Sub(now)
	ctx, cancel := context.WithTimeout(c.ctx, left-min(ahead, left/10))
	a.executions = append(a.executions, &execution{action, cancel})
	if left <= 0 {
		return // its end is the loop's next turn
	}
	a.voice.info("begin", zap.String("action", name), zap.Duration("within", left))
	a.gone.Go(func() {
		defer cancel()
		o, text := a.perform(ctx, c, action)
		a.voice.info("ended", zap.String("action", name), zap.Stringer("outcome", o), zap.String("text", text))
		a.queue.put(c.ctx, message{workers: c, event: shutdown.Event{
			Kind: shutdown.Finished, Action: action.ID, Host: action.ID.Host, UPS: action.ID.UPS, Outcome: o, Text: brief(text)}})
	})
}

// perform carries out an action and survives its panic. What is only watched gets no
// order; the core begins none, and if it did, it would end here.
func (a *Agent) perform(ctx context.Context, c *workers, action shutdown.Action) (o shutdown.Outcome, text string) {
	if onlyWatched(c.policy, action.ID) {
		a.voice.fault("an order to what is only watched is not given", zap.String("action", action.ID.Name(c.policy)))
		return shutdown.Refused, "only watched (observe): no order is given"
	}
	c, action.ID = a.wayOf(c, action.ID)
	fault := a.voice.safely(func() { o, text = c.parts.do(ctx, c.policy, action) })
	switch {
	case fault != nil:
		return shutdown.Unknown, fault.Error()
	case o < shutdown.Accepted || o > shutdown.Unknown:
		return shutdown.Unknown, "no outcome was given: " + text
	}
	return o, text
}

// onlyWatched tells whether an action is on a host or UPS that gets no order.
func onlyWatched(p *policy.Policy, id shutdown.ActionID) bool {
	if id.Host < 0 {
		return p.Watched(int(id.UPS))
	}
	return p.Hosts[id.Host].Observe
}

func (p *Parts) do(ctx context.Context, pol *policy.Policy, action shutdown.Action) (shutdown.Outcome, string) {
	if p.Doer == nil {
		return shutdown.Unreachable, "there is no way to do it"
	}
	return p.Doer.Do(ctx, pol, action)
}

// finish ends an execution and tells the core.
func (a *Agent) finish(f *execution, o shutdown.Outcome, text string) {
	for i := range a.executions {
		if a.executions[i] == f {
			a.executions = append(a.executions[:i], a.executions[i+1:]...)
			break
		}
	}
	f.cancel()
	id := f.action.ID
	a.step(&shutdown.Event{Kind: shutdown.Finished, Action: id, Host: id.Host, Outcome: o, Text: text})
}

// brief makes a text fit for one line of the journal.
func brief(text string) string {
	const most = 400
	text = strings.ToValidUTF8(text, "?")
	for i := range text {
		if i > most && utf8.RuneStart(text[i]) {
			return text[:i] + "…"
		}
	}
	return text
}
