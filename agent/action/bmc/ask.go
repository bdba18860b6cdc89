package bmc

import (
	"context"
	"crypto/rand"
	"errors"
	"net"
	"os"
	"strings"
	"time"

	"github.com/bougou/go-ipmi/pkg/types"

	"ebbline/agent/action/bmc/redfish"
)

// Service is what a Redfish service says of itself to anybody.
type Service = redfish.Service

// AskRedfish reads the root of a Redfish service, without a login.
func AskRedfish(ctx context.Context, address string) (Service, error) {
	return redfish.Ask(ctx, address)
}

// AskIPMI tells whether a BMC answers there that speaks IPMI: a presence ping and
// its pong (IPMI 2.0, 13.2.3 and 13.2.4), for which no login is needed. It ends with
// ctx, and at the latest after four pings.
func AskIPMI(ctx context.Context, address string) error {
	const (
		pings   = 4 // a datagram may be lost
		each    = time.Second
		asf     = 4542 // IANA's number of the Alerting Standards Forum
		pong    = 0x40
		hasIPMI = 0x80 // bit 7 of the supported entities
	)
	if _, _, err := net.SplitHostPort(address); err != nil {
		address = net.JoinHostPort(strings.Trim(address, "[]"), "623")
	}
	conn, err := (&net.Dialer{}).DialContext(ctx, "udp", address)
	if err != nil {
		return err
	}
	defer conn.Close()
	stop := context.AfterFunc(ctx, func() { conn.SetDeadline(time.Unix(1, 0)) })
	defer stop()
	var tag [1]byte
	rand.Read(tag[:])
	tag[0] &= 0x7f // 0xff would ask for no answer
	ping := []byte{types.RmcpVersion, 0, 0xff, types.MessageClassASF, 0, 0, asf >> 8, asf & 0xff, 0x80, tag[0], 0, 0}
	for range pings {
		if _, err := conn.Write(ping); err != nil {
			return err
		}
		conn.SetReadDeadline(time.Now().Add(each))
		if ctx.Err() != nil {
			return ctx.Err()
		}
		var d [64]byte
		n, err := conn.Read(d[:])
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded):
		case err != nil:
			return err
		case n >= 24 && d[0] == types.RmcpVersion && d[3] == types.MessageClassASF && d[8] == pong && d[9] == tag[0]:
			if d[20]&hasIPMI == 0 {
				return errors.New("it answers a presence ping, and does not speak IPMI")
			}
			return nil
		}
	}
	return os.ErrDeadlineExceeded
}
