package bmc

import (
	"context"
	"errors"
	"fmt"

	"github.com/bougou/go-ipmi/pkg/client"
	"github.com/bougou/go-ipmi/pkg/command/chassis"
	"github.com/bougou/go-ipmi/pkg/types"

	"ebbline/policy"
	"ebbline/shutdown"
)

// IPMI is a host's BMC over IPMI 2.0 (RMCP+), with a user and password; the
// second key that some can be given (KG) is not supported.
type IPMI struct {
	at     policy.BMC
	secret func(policy.Secret) ([]byte, error)
}

// NewIPMI gives the BMC that b names.
func NewIPMI(b policy.BMC, secret func(policy.Secret) ([]byte, error)) *IPMI {
	return &IPMI{b, secret}
}

// Do gives the order that verb asks for. It ends at most a second after ctx, to
// end its session.
func (i *IPMI) Do(ctx context.Context, verb shutdown.Verb) (outcome shutdown.Outcome, text string) {
	var want bool
	var order chassis.ChassisControl
	switch verb {
	case shutdown.VerbShutDown:
		want, order = false, chassis.ChassisControlSoftShutdown
	case shutdown.VerbPowerOff:
		want, order = false, chassis.ChassisControlPowerDown
	case shutdown.VerbStart:
		want, order = true, chassis.ChassisControlPowerUp
	default:
		return shutdown.Refused, "a BMC has no way to " + verb.String()
	}
	err := i.use(ctx, func(ctx context.Context, c *client.Client) error {
		status, err := c.GetChassisStatus(ctx)
		switch {
		case err != nil:
			return err
		case status.PowerIsOn == want:
			outcome, text = shutdown.Accepted, power(want)+" already"
			return nil
		}
		outcome, text = control(ctx, c, order)
		if outcome == shutdown.Accepted {
			return nil
		}
		// Some BMCs refuse what is so already, and a lost answer says nothing: the state decides.
		if status, err := c.GetChassisStatus(ctx); err == nil && status.PowerIsOn == want {
			outcome, text = shutdown.Accepted, power(want)+"; to the order it said: "+text
		}
		return nil
	})
	if err != nil {
		return failure(err)
	}
	return outcome, text
}

// Check logs in with the right to give orders, and reads the chassis power.
//
//	Accepted     an order would reach a BMC that takes them from this user
//	Refused      it answers, and would not take one
//	Unreachable  no usable answer
func (i *IPMI) Check(ctx context.Context, _ shutdown.Verb) (outcome shutdown.Outcome, text string) {
	err := i.use(ctx, func(ctx context.Context, c *client.Client) error {
		status, err := c.GetChassisStatus(ctx)
		if err == nil {
			outcome, text = shutdown.Accepted, power(status.PowerIsOn)
		}
		return err
	})
	if err != nil {
		return failure(err)
	}
	return outcome, text
}

// Look gives SeenOff when the chassis power is off, and nothing otherwise.
func (i *IPMI) Look(ctx context.Context) (seen shutdown.Sighting, text string) {
	err := i.use(ctx, func(ctx context.Context, c *client.Client) error {
		status, err := c.GetChassisStatus(ctx)
		if err != nil {
			return err
		}
		if !status.PowerIsOn {
			seen = shutdown.SeenOff
		}
		text = power(status.PowerIsOn)
		return nil
	})
	if err != nil {
		_, text = failure(err)
	}
	return seen, text
}

func power(on bool) string {
	if on {
		return "chassis power is on"
	}
	return "chassis power is off"
}

// control sends the order, once. A BMC ought to drop a repeated datagram by its
// sequence number (IPMI 2.0, 6.12.14), but OpenIPMI's simulator does not and
// obeys twice, so the library must not repeat this one when the answer is lost.
func control(ctx context.Context, c *client.Client, order chassis.ChassisControl) (shutdown.Outcome, string) {
	c.WithRetry(0)
	_, err := c.ChassisControl(ctx, order)
	c.WithRetry(repeats)
	name := fmt.Sprintf("chassis control %d", order)
	var code *types.ResponseError
	switch {
	case err == nil:
		return shutdown.Accepted, name + " was taken"
	case errors.As(err, &code) && code.CompletionCode() != types.CodeProcessTimeout:
		return shutdown.Refused, fmt.Sprintf("%s: %s", name, plain(err))
	}
	return shutdown.Unknown, fmt.Sprintf("%s: %s", name, plain(err))
}
