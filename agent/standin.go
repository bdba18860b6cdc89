package agent

import (
	"slices"

	"go.uber.org/zap"

	"ebbline/policy"
	"ebbline/shutdown"
)

// wayOf gives who is to carry out an action, and its name there: the workers of the policy
// in force or, where that lacks a secret, the one that waits, if its policy has the same
// way to the same host. A secret is renamed together with the policy that uses
// it; an outage keeps that policy waiting, and the old name is gone.
func (a *Agent) wayOf(c *workers, id shutdown.ActionID) (*workers, shutdown.ActionID) {
	secret := c.lacks(id)
	if secret == "" {
		a.lacking(c.policy, id, "")
		return c, id
	}
	if next := a.newer.Load(); next != nil {
		if other, ok := standIn(c.policy, next.policy, id); ok && next.lacks(other) == "" {
			if id.Verb != 0 { // a UPS is asked every second
				a.voice.info("a secret is gone; the way of the policy that waits is used", zap.String("secret", secret))
			}
			a.lacking(c.policy, id, "")
			return next, other
		}
	}
	a.lacking(c.policy, id, secret)
	return c, id
}

func (c *workers) lacks(id shutdown.ActionID) string {
	if c.parts.Lacks == nil {
		return ""
	}
	return c.parts.Lacks(id)
}

// lacking raises or clears the condition of a secret that cannot be had.
func (a *Agent) lacking(p *policy.Policy, id shutdown.ActionID, secret string) {
	a.mark(shutdown.SecretUnreadable, secret != "", func(now *policy.Policy, n *shutdown.Notice) bool {
		n.Host, n.UPS, n.Name = id.Host, id.UPS, secret
		return now == p
	})
}

// standIn finds an action of one policy in another: the same verb on the same
// host or UPS, and by a way of the same kind in the same place.
func standIn(from, to *policy.Policy, id shutdown.ActionID) (shutdown.ActionID, bool) {
	if id.Host < 0 {
		name := from.UPSs[id.UPS].Name
		id.UPS = int32(slices.IndexFunc(to.UPSs, func(u policy.UPS) bool { return u.Name == name }))
		return id, id.UPS >= 0
	}
	h := &from.Hosts[id.Host]
	id.Host = int32(slices.IndexFunc(to.Hosts, func(o policy.Host) bool { return o.Name == h.Name }))
	if id.Host < 0 {
		return id, false
	}
	o, m := &to.Hosts[id.Host], int(id.Method)
	switch id.Verb {
	case shutdown.VerbPrepare:
		return id, o.Prepare != nil
	case shutdown.VerbStart:
		return id, m < len(o.Starts) && o.Starts[m].Kind == h.Starts[m].Kind
	}
	return id, m < len(o.Methods) && o.Methods[m].Kind == h.Methods[m].Kind && o.Methods[m].Force == h.Methods[m].Force
}
