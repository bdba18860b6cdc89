// Package outlet cuts and gives the power of a host by a switched outlet of a
// rack PDU, over Redfish or as one SNMP integer object. An outlet cannot stop a
// host in an orderly way, and one that is off says nothing of a host with a
// second supply elsewhere.
package outlet

import (
	"context"

	"ebbline/agent/action/bmc/redfish"
	"ebbline/policy"
	"ebbline/shutdown"
)

// Redfish is an outlet of a PDU that speaks Redfish.
type Redfish struct{ outlet *redfish.Target }

// NewRedfish gives the outlet that o names.
func NewRedfish(o policy.Outlet, secret func(policy.Secret) ([]byte, error)) *Redfish {
	return &Redfish{redfish.Outlet(*o.BMC, o.Name, secret)}
}

// Do switches the outlet off or on.
func (r *Redfish) Do(ctx context.Context, verb shutdown.Verb) (shutdown.Outcome, string) {
	switch verb {
	case shutdown.VerbPowerOff:
		return r.outlet.Order(ctx, redfish.Off, "Off")
	case shutdown.VerbStart:
		return r.outlet.Order(ctx, redfish.On, "On")
	}
	return shutdown.Refused, noWay(verb)
}

// Check goes as far as Do without giving the order: see [redfish.Target.Check].
func (r *Redfish) Check(ctx context.Context, verb shutdown.Verb) (shutdown.Outcome, string) {
	switch verb {
	case shutdown.VerbPowerOff:
		return r.outlet.Check(ctx, redfish.Off, "Off")
	case shutdown.VerbStart:
		return r.outlet.Check(ctx, redfish.On, "On")
	}
	return shutdown.Refused, noWay(verb)
}

// Look gives SeenOff when the outlet is off, and nothing otherwise.
func (r *Redfish) Look(ctx context.Context) (shutdown.Sighting, string) {
	return r.outlet.Look(ctx)
}

func noWay(verb shutdown.Verb) string {
	return "an outlet can only be switched, it has no way to " + verb.String()
}
