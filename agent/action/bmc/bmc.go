// Package bmc stops, powers off, starts and looks at hosts through their
// baseboard management controllers, over Redfish or IPMI. It sends an order
// once, says what is known of it, and never takes power that is on for a host
// that is up.
package bmc

import (
	"context"

	"ebbline/agent/action/bmc/redfish"
	"ebbline/policy"
	"ebbline/shutdown"
)

// Redfish is a host's BMC over Redfish.
type Redfish struct{ system *redfish.Target }

// NewRedfish gives the BMC that b names.
func NewRedfish(b policy.BMC, secret func(policy.Secret) ([]byte, error)) *Redfish {
	return &Redfish{redfish.System(b, secret)}
}

// Do gives the order that verb asks for.
func (r *Redfish) Do(ctx context.Context, verb shutdown.Verb) (shutdown.Outcome, string) {
	return r.with(verb, func(want string, values ...string) (shutdown.Outcome, string) {
		return r.system.Order(ctx, want, values...)
	})
}

// Check goes as far as Do without giving the order: see [redfish.Target.Check].
func (r *Redfish) Check(ctx context.Context, verb shutdown.Verb) (shutdown.Outcome, string) {
	return r.with(verb, func(want string, values ...string) (shutdown.Outcome, string) {
		return r.system.Check(ctx, want, values...)
	})
}

// with calls f with the state that verb asks for and the orders that lead there.
func (r *Redfish) with(verb shutdown.Verb, f func(want string, values ...string) (shutdown.Outcome, string)) (shutdown.Outcome, string) {
	switch verb {
	case shutdown.VerbShutDown:
		return f(redfish.Off, "GracefulShutdown")
	case shutdown.VerbPowerOff:
		return f(redfish.Off, "ForceOff")
	case shutdown.VerbStart:
		return f(redfish.On, "On", "ForceOn")
	}
	return shutdown.Refused, "a BMC has no way to " + verb.String()
}

// Look gives SeenOff when the host's power is off, and nothing otherwise.
func (r *Redfish) Look(ctx context.Context) (shutdown.Sighting, string) {
	return r.system.Look(ctx)
}
