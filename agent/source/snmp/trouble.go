package snmp

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"
	"strings"
	"syscall"

	"github.com/gosnmp/gosnmp"
)

// report is what a v3 card reports instead of an answer: the last number of its
// counter below usmStats (RFC 3414, 5).
type report uint32

const (
	wrongLevel report = iota + 1
	notInTime
	unknownUser
	unknownEngine
	wrongDigest
	notDecrypted
)

// usmStats is 1.3.6.1.6.3.15.1.1, encoded.
const usmStats = "\x2b\x06\x01\x06\x03\x0f\x01\x01"

// trouble is what came of a request beside its answer, for the words of its
// failure. Nothing else may rest on it: most of it anybody can send.
type trouble struct {
	report  report // the last one
	ignored int    // packets that were no true answer
	why     string // of the last of them
	named   bool   // the card named its engine
}

// ignore notes a packet that is not believed.
func (t *trouble) ignore(why string) error {
	t.ignored++
	t.why = why
	return errIgnored
}

// hear notes a report, if it is one of RFC 3414's.
func (t *trouble) hear(a *answer) bool {
	if len(a.names) != 1 {
		return false
	}
	number, ok := strings.CutPrefix(string(a.names[0]), usmStats)
	if !ok || len(number) != 2 || number[1] != 0 || number[0] < byte(wrongLevel) || number[0] > byte(notDecrypted) {
		return false
	}
	t.report = report(number[0])
	return true
}

// silent tells whether an error only says that nothing came.
func silent(err error) bool {
	return err == errSilent || errors.Is(err, context.DeadlineExceeded) ||
		errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, net.ErrClosed)
}

// failed says for people why there was no answer, and what to try.
func (c *Client) failed(err error) error {
	where := net.JoinHostPort(c.host, strconv.Itoa(int(c.port)))
	var lookup *net.DNSError
	switch {
	case errors.Is(err, context.Canceled), errors.As(err, &lookup):
		return fmt.Errorf("%s: %w", where, err)
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("%s: no SNMP agent listens there", where)
	case !silent(err):
		return fmt.Errorf("%s: %w", where, err)
	}
	text := where + ": no answer"
	if c.ignored > 0 {
		text += fmt.Sprintf(" that can be trusted (%d ignored; the last: %s)", c.ignored, c.why)
	}
	return errors.New(text + c.advice())
}

// advice says what may be behind a silence. A card never says that a community
// is wrong; of v3 it reports what was wrong, mostly unsigned.
func (c *Client) advice() string {
	if c.user == nil {
		return "; it is off or out of reach, or it ignores this machine: a wrong community, this SNMP version switched off, or an access list. Compare them with the card's page"
	}
	said := "; it reports, unsigned, "
	switch c.report {
	case unknownUser:
		return fmt.Sprintf("%sthat it does not know the user %q: compare user with the card's page", said, c.user.UserName)
	case wrongDigest:
		return said + "that the digest is wrong: auth_key or auth is not what the card has"
	case notDecrypted:
		return said + "that it cannot decrypt: priv_key or priv is not what the card has"
	case wrongLevel:
		return fmt.Sprintf("%sthat %q cannot have this level of security: compare which of auth_key and priv_key the card has for that user", said, c.user.UserName)
	case notInTime:
		return said + "that the time is out of its window: is its clock running?"
	case unknownEngine:
		return said + "another engine than it named before: was it replaced, or does somebody forge answers?"
	}
	if c.named && c.level == gosnmp.AuthPriv {
		return "; it tells its engine and then falls silent: most often priv_key or priv is not what the card has, or its access list leaves this machine out"
	}
	return "; it is off or out of reach, or SNMP v3 is switched off on it, or its access list leaves this machine out"
}
