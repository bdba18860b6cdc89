package outlet

import (
	"context"
	"errors"
	"fmt"
	"time"

	"ebbline/agent/action/internal/firstline"
	"ebbline/agent/source/snmp"
	"ebbline/policy"
	"ebbline/shutdown"
)

const (
	atMost       = 20 * time.Second // for a whole action, whatever its caller allows
	answerWithin = 2 * time.Second  // each reading, when the policy does not say
	readings     = 4                // after an order, until the outlet has followed
	between      = 500 * time.Millisecond
)

// SNMP is an outlet that one SNMP integer object switches.
type SNMP struct {
	outlet policy.Outlet
	secret func(policy.Secret) ([]byte, error)
}

// NewSNMP gives the outlet that o names.
func NewSNMP(o policy.Outlet, secret func(policy.Secret) ([]byte, error)) *SNMP {
	return &SNMP{o, secret}
}

// errUnreadable means that the PDU answers, but not with the outlet's state.
var errUnreadable = errors.New("has no integer object")

// Do switches the outlet off or on: one SET, never repeated, and then the
// outlet's own reading decides. Accepted means that it was read back so.
func (s *SNMP) Do(ctx context.Context, verb shutdown.Verb) (shutdown.Outcome, string) {
	want, value := true, s.outlet.On
	switch verb {
	case shutdown.VerbStart:
	case shutdown.VerbPowerOff:
		want, value = false, s.outlet.Off
	default:
		return shutdown.Refused, noWay(verb)
	}
	ctx, stop := context.WithTimeout(ctx, atMost)
	defer stop()
	on, err := s.read(ctx)
	switch {
	case err == nil && on == want:
		return shutdown.Accepted, state(on) + " already"
	case err != nil && !errors.Is(err, errUnreadable): // one that cannot be read can still be switched
		return shutdown.Unreachable, firstline.Line(err.Error())
	}
	writer, err := snmp.NewClient(*s.outlet.SNMP, snmp.Writing, s.secret)
	if err != nil {
		return shutdown.Unreachable, firstline.Line(err.Error())
	}
	lost := writer.Set(ctx, snmp.Setting{OID: s.outlet.OID, Value: snmp.Int(value)})
	if refused := (*snmp.RefusedError)(nil); errors.As(lost, &refused) {
		return shutdown.Refused, firstline.Line(lost.Error())
	}
	return s.followed(ctx, want, lost)
}

// followed reads until the outlet has followed the order, whose answer may be
// lost: a PDU may take a moment, and one that ignores an order says nothing.
func (s *SNMP) followed(ctx context.Context, want bool, lost error) (shutdown.Outcome, string) {
	order := "the order was taken"
	if lost != nil {
		order = "no answer to the order (" + firstline.Line(lost.Error()) + ")"
	}
	for n := 1; ; n++ {
		on, err := s.read(ctx)
		switch {
		case err != nil:
			return shutdown.Unknown, order + ", and not read back: " + firstline.Line(err.Error())
		case on == want:
			return shutdown.Accepted, state(on) + "; " + order
		case n == readings:
			return shutdown.Unknown, state(on) + " still; " + order
		}
		select {
		case <-ctx.Done():
		case <-time.After(between):
		}
	}
}

// Check reads the outlet's state, and what an order would be written with; it
// writes nothing. Whether the PDU would take an order, only the order shows.
//
//	Accepted     the outlet's state was read
//	Refused      the PDU answers, and has no such outlet or does not show it
//	Unreachable  no usable answer
func (s *SNMP) Check(ctx context.Context, _ shutdown.Verb) (shutdown.Outcome, string) {
	ctx, stop := context.WithTimeout(ctx, atMost)
	defer stop()
	on, err := s.read(ctx)
	if err == nil {
		_, err = snmp.NewClient(*s.outlet.SNMP, snmp.Writing, s.secret)
	}
	switch {
	case errors.Is(err, errUnreadable):
		return shutdown.Refused, firstline.Line(err.Error())
	case err != nil:
		return shutdown.Unreachable, firstline.Line(err.Error())
	}
	return shutdown.Accepted, state(on)
}

// Look gives SeenOff when the outlet is off, and nothing otherwise.
func (s *SNMP) Look(ctx context.Context) (shutdown.Sighting, string) {
	ctx, stop := context.WithTimeout(ctx, atMost)
	defer stop()
	on, err := s.read(ctx)
	switch {
	case err != nil:
		return 0, firstline.Line(err.Error())
	case on:
		return 0, state(on)
	}
	return shutdown.SeenOff, state(on)
}

// read tells whether the outlet has power. Any other reading than the one for
// off counts as on, so that a strange one never proves a host off.
func (s *SNMP) read(ctx context.Context) (on bool, err error) {
	within := answerWithin
	if s.outlet.SNMP.Timeout > 0 {
		within = s.outlet.SNMP.Timeout
	}
	ctx, stop := context.WithTimeout(ctx, within)
	defer stop()
	reader, err := snmp.NewClient(*s.outlet.SNMP, snmp.Reading, s.secret)
	if err != nil {
		return false, err
	}
	oid := s.outlet.ReadOID
	if oid == "" {
		oid = s.outlet.OID
	}
	answers, err := reader.Get(ctx, []string{oid})
	if err != nil {
		return false, err
	}
	reading, ok := answers[0].Integer()
	if !ok {
		return false, fmt.Errorf("%s %w %s", s.outlet.SNMP.Address, errUnreadable, oid)
	}
	return reading != s.outlet.OffReading, nil
}

func state(on bool) string {
	if on {
		return "the outlet is on"
	}
	return "the outlet is off"
}
