// Package redfish speaks the small part of Redfish (DMTF DSP0266) that powers a
// system or an outlet: log in, follow links, post one action. It never follows
// a link or a redirect to another host, never goes without the check of the
// certificate, and never leaves its session behind: BMCs have few.
//
// It is not gofish: that library moves its API between minor versions (its
// package redfish became schemas in 0.22), and a dozen fields are all that is
// needed here.
package redfish

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode"

	"ebbline/agent/certificate"
	"ebbline/policy"
	"ebbline/shutdown"
)

// Target is one system or one outlet at a service.
type Target struct {
	at        policy.BMC
	secret    func(policy.Secret) ([]byte, error)
	kind      string // for people
	action    string
	parameter string
	find      func(context.Context, *session) (string, error)
}

// System is the system that b names, or the only one.
func System(b policy.BMC, secret func(policy.Secret) ([]byte, error)) *Target {
	return &Target{
		at: b, secret: secret, kind: "system", action: "#ComputerSystem.Reset", parameter: "ResetType",
		find: func(ctx context.Context, s *session) (string, error) {
			return s.member(ctx, s.root.Systems, b.System, "system", "system = %q")
		},
	}
}

// Outlet is the outlet called name of the only rack PDU, or "PDU/OUTLET" of one of
// several at the same service.
func Outlet(b policy.BMC, name string, secret func(policy.Secret) ([]byte, error)) *Target {
	parent, id, several := strings.Cut(name, "/")
	if !several {
		parent, id = "", name
	}
	return &Target{
		at: b, secret: secret, kind: "outlet", action: "#Outlet.PowerControl", parameter: "PowerState",
		find: func(ctx context.Context, s *session) (string, error) {
			if s.root.PowerEquipment.ID == "" {
				return "", &refusal{text: "it has no power equipment: is this the address of a rack PDU?"}
			}
			var equipment struct{ RackPDUs link }
			if err := s.get(ctx, s.root.PowerEquipment.ID, &equipment); err != nil {
				return "", err
			}
			ref, err := s.member(ctx, equipment.RackPDUs, parent, "rack PDU", `name = "%s/OUTLET"`)
			if err != nil {
				return "", err
			}
			var pdu struct{ Outlets link }
			if err := s.get(ctx, ref, &pdu); err != nil {
				return "", err
			}
			return s.member(ctx, pdu.Outlets, id, "outlet", "name = %q")
		},
	}
}

// The values of PowerState that are decided on; the others are PoweringOn,
// PoweringOff and Paused.
const (
	On  = "On"
	Off = "Off"
)

// resource is what systems and outlets have in common.
type resource struct {
	PowerState         string
	PowerControlLocked bool
	Actions            map[string]json.RawMessage
}

// Order brings the target into the state On or Off, with the first of values
// that it takes. Accepted means that the order was taken, or that there was
// nothing to do. It ends at most a second after ctx, to log out.
func (t *Target) Order(ctx context.Context, want string, values ...string) (outcome shutdown.Outcome, text string) {
	err := use(ctx, &t.at, t.secret, func(ctx context.Context, s *session) error {
		ref, err := t.find(ctx, s)
		if err != nil {
			return err
		}
		outcome, text, err = t.order(ctx, s, ref, want, values)
		return err
	})
	if err != nil {
		return failure(err)
	}
	return outcome, line(text)
}

// Check goes as far as an order without giving it: it logs in, finds the target
// and reads its state and, unless that is wanted already, whether it takes one of
// values.
//
//	Accepted     it answers, and offers the order; whether this user may give it, only the order shows
//	Refused      it answers, and would not take the order
//	Unreachable  no usable answer
func (t *Target) Check(ctx context.Context, want string, values ...string) (outcome shutdown.Outcome, text string) {
	err := use(ctx, &t.at, t.secret, func(ctx context.Context, s *session) error {
		ref, r, err := t.read(ctx, s)
		if err != nil {
			return err
		}
		name := t.kind + " " + lastSegment(ref)
		switch {
		case r.PowerControlLocked:
			return locked(name)
		case r.PowerState == want: // some services offer only what changes something
			text = fmt.Sprintf("%s is %s", name, want)
			return nil
		}
		_, allowed, err := t.offer(ctx, s, &r)
		if err != nil {
			return err
		}
		value, err := choose(name, values, allowed)
		text = fmt.Sprintf("%s is %s, offers %s", name, r.PowerState, value)
		return err
	})
	if err != nil {
		return failure(err)
	}
	return shutdown.Accepted, line(text)
}

func locked(name string) error {
	return &refusal{text: name + " is locked: unlock its power control at the PDU"}
}

// failure gives the outcome and the text of an error before any order was sent.
func failure(err error) (shutdown.Outcome, string) {
	if refused := (*refusal)(nil); errors.As(err, &refused) {
		return shutdown.Refused, plain(err)
	}
	return shutdown.Unreachable, plain(err)
}

// read finds the target and reads its state.
func (t *Target) read(ctx context.Context, s *session) (ref string, r resource, err error) {
	if ref, err = t.find(ctx, s); err == nil {
		err = s.get(ctx, ref, &r)
	}
	return ref, r, err
}

// Look reads the target's state. That power is on proves nothing about a host.
func (t *Target) Look(ctx context.Context) (seen shutdown.Sighting, text string) {
	err := use(ctx, &t.at, t.secret, func(ctx context.Context, s *session) error {
		ref, r, err := t.read(ctx, s)
		if err != nil {
			return err
		}
		if r.PowerState == Off {
			seen = shutdown.SeenOff
		}
		text = fmt.Sprintf("%s %s: power state %q", t.kind, lastSegment(ref), r.PowerState)
		return nil
	})
	if err != nil {
		return 0, plain(err)
	}
	return seen, line(text)
}

// order gives an error only when nothing was sent.
func (t *Target) order(ctx context.Context, s *session, ref, want string, values []string) (shutdown.Outcome, string, error) {
	var r resource
	if err := s.get(ctx, ref, &r); err != nil {
		return 0, "", err
	}
	name := t.kind + " " + lastSegment(ref)
	switch {
	case r.PowerState == want:
		return shutdown.Accepted, fmt.Sprintf("%s is %s already", name, want), nil
	case r.PowerState == "Powering"+want && values[0] != "ForceOff": // which is for a stop that takes too long
		return shutdown.Accepted, fmt.Sprintf("%s is %s already", name, r.PowerState), nil
	case r.PowerControlLocked:
		return 0, "", locked(name)
	}
	target, allowed, err := t.offer(ctx, s, &r)
	if err != nil {
		return 0, "", err
	}
	value, err := choose(name, values, allowed)
	if err != nil {
		return 0, "", err
	}
	outcome, text := s.post(ctx, target, t.parameter, value)
	if outcome == shutdown.Accepted {
		return outcome, fmt.Sprintf("%s took %s", name, value), nil
	}
	// Some services refuse what is so already, and a lost answer says nothing: the state decides.
	if err := s.get(ctx, ref, &r); err == nil && (r.PowerState == want || r.PowerState == "Powering"+want) {
		return shutdown.Accepted, fmt.Sprintf("%s is %s; to %s it said: %s", name, r.PowerState, value, text), nil
	}
	return outcome, fmt.Sprintf("%s, %s: %s", name, value, text), nil
}

// choose gives the first of values that the target takes. A service that names
// none gets the usual one: it can still refuse.
func choose(name string, values, allowed []string) (string, error) {
	if len(allowed) == 0 {
		return values[0], nil
	}
	i := slices.IndexFunc(values, func(v string) bool { return slices.Contains(allowed, v) })
	if i < 0 {
		return "", &refusal{text: fmt.Sprintf("%s does not take %s, only %s", name, strings.Join(values, " or "), some(allowed))}
	}
	return values[i], nil
}

// offer reads what the resource says of the action: where to post it, and the
// values that its parameter takes, none when the service does not say.
func (t *Target) offer(ctx context.Context, s *session, r *resource) (target string, allowed []string, err error) {
	var action struct {
		Target string
		Info   string   `json:"@Redfish.ActionInfo"`
		Resets []string `json:"ResetType@Redfish.AllowableValues"`
		States []string `json:"PowerState@Redfish.AllowableValues"`
	}
	if json.Unmarshal(r.Actions[t.action], &action) != nil || action.Target == "" {
		return "", nil, &refusal{text: fmt.Sprintf("the %s offers no action %s", t.kind, t.action)}
	}
	allowed = append(action.Resets, action.States...)
	if len(allowed) > 0 || action.Info == "" {
		return action.Target, allowed, nil
	}
	var info struct {
		Parameters []struct {
			Name            string
			AllowableValues []string
		}
	}
	if err := s.get(ctx, action.Info, &info); err != nil {
		return "", nil, err
	}
	for _, p := range info.Parameters {
		if p.Name == t.parameter {
			allowed = p.AllowableValues
		}
	}
	return action.Target, allowed, nil
}

// post sends the order, once.
func (s *session) post(ctx context.Context, target, parameter, value string) (shutdown.Outcome, string) {
	a, err := s.send(ctx, http.MethodPost, target, map[string]string{parameter: value})
	var refused *refusal
	var network *net.OpError
	switch {
	case errors.As(err, &refused):
		return shutdown.Refused, plain(err)
	case errors.As(err, &network) && network.Op == "dial":
		return shutdown.Unreachable, plain(err)
	case err != nil:
		return shutdown.Unknown, plain(err)
	}
	var task struct{ TaskState string }
	_ = json.Unmarshal(a.body, &task) // most answers have no body
	text := fmt.Sprintf("%s (HTTP %d)", a.message(), a.status)
	switch {
	case a.status < 300 && slices.Contains([]string{"Exception", "Killed", "Cancelled"}, task.TaskState):
		return shutdown.Refused, "its task ended at once: " + task.TaskState // Task's states are from memory
	case a.status < 300:
		return shutdown.Accepted, text
	case a.status >= 500 && a.status != http.StatusNotImplemented && a.status != http.StatusServiceUnavailable:
		return shutdown.Unknown, text // it failed on the way, and does not say how far it got
	}
	return shutdown.Refused, text
}

// plain says an error in one line, in words for people.
func plain(err error) string {
	var request *url.Error
	if errors.As(err, &request) {
		err = request.Err // without the request that it happened in
	}
	switch {
	case errors.Is(err, context.Canceled):
		return "called off"
	case errors.Is(err, context.DeadlineExceeded):
		return "no answer before the deadline"
	case errors.Is(err, io.EOF):
		return "the connection was closed"
	}
	return line(certificate.Advice(err).Error())
}

// line makes one printable line of bearable length: parts of the text are the
// other side's words.
func line(text string) string {
	const enough = 300
	words := strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || !unicode.IsPrint(r) })
	runes := []rune(strings.Join(words, " "))
	return string(runes[:min(len(runes), enough)])
}
