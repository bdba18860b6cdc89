package agent

import (
	"ebbline/policy"
	"ebbline/shutdown"
)

// Observer sees every step of the core, after what follows from it was begun. It
// is for keeping records: nothing that it does bears on a decision, and the loop
// waits for it, so it must return at once.
type Observer interface {
	// Stepped tells of one step: the event, the answer in the numbers of the policy
	// given, and the state after it. All of it is to be read only, and not to be
	// kept: the loop uses it again.
	Stepped(at shutdown.Instant, e *shutdown.Event, effects []shutdown.Effect, of *policy.Policy, s *shutdown.State)
}

// observer tells the observer, and survives its panic.
func (a *Agent) observer(at shutdown.Instant, e *shutdown.Event, of *policy.Policy) {
	if w := a.config.Observer; w != nil {
		a.voice.safely(func() { w.Stepped(at, e, a.effects, of, a.state) })
	}
}
