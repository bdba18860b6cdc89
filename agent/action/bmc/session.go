package bmc

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
	"time"

	"github.com/bougou/go-ipmi/pkg/client"
	"github.com/bougou/go-ipmi/pkg/types"

	"ebbline/agent/action/internal/firstline"
	"ebbline/shutdown"
)

const (
	atMost       = 20 * time.Second // for a whole action, whatever its caller allows
	answerWithin = time.Second      // for each datagram
	closing      = time.Second      // for ending the session, even when the time is up
	handshakes   = 2                // for one cipher suite, when datagrams are lost
	repeats      = 1                // of a question in a session
)

// use runs work in a session of its own: BMCs have few sessions, drop an idle
// one, and after their own restart answer none of the old ones.
func (i *IPMI) use(ctx context.Context, work func(context.Context, *client.Client) error) (err error) {
	ctx, stop := context.WithTimeout(ctx, atMost)
	defer stop()
	defer func() {
		// The socket's deadline is the same, and may be the first to pass: then the
		// library tells of a silent BMC alone.
		if d, _ := ctx.Deadline(); err != nil && !time.Now().Before(d) {
			err = errors.Join(err, context.DeadlineExceeded)
		}
	}()
	password, err := i.secret(i.at.Password)
	if err != nil {
		return &unusable{fmt.Sprintf("read secret %q: %v", i.at.Password, err)}
	}
	if len(password) > 20 { // IPMI 2.0, 22.30: the library would cut it without a word
		return &unusable{fmt.Sprintf("secret %q is longer than the 20 bytes that IPMI 2.0 allows", i.at.Password)}
	}
	if len(i.at.User) > 16 { // IPMI 2.0, table 13-11
		return &unusable{fmt.Sprintf("user %q is longer than the 16 bytes that IPMI 2.0 allows", i.at.User)}
	}
	c, conn, err := i.connect(ctx, string(password))
	if err != nil {
		return err
	}
	defer conn.Close()
	defer func() {
		ctx, stop := context.WithTimeout(context.WithoutCancel(ctx), closing)
		defer stop()
		// A failure changes nothing that is known: the BMC ends an idle session by itself.
		_ = c.Close(ctx)
	}()
	if _, err := c.SetSessionPrivilegeLevel(ctx, types.PrivilegeLevelOperator); err != nil {
		return err
	}
	return work(ctx, c)
}

// connect tries the cipher suites in their order. They are named, because the
// question which ones a BMC has is not answered by all. A refused password ends
// it: with the next suite it would only bring the account nearer to its lock.
func (i *IPMI) connect(ctx context.Context, password string) (*client.Client, net.Conn, error) {
	suites := i.at.Suites
	if len(suites) == 0 {
		suites = []int{17, 3} // common practice: the stronger one first
	}
	var err error
next:
	for _, suite := range suites {
		for range handshakes {
			var c *client.Client
			var conn net.Conn
			c, conn, err = i.handshake(ctx, suite, password)
			switch {
			case err == nil:
				return c, conn, nil
			case noSuchSuite(err):
				continue next
			case ctx.Err() != nil || !silent(err):
				return nil, nil, err
			}
		}
	}
	return nil, nil, err
}

// handshake opens a session step by step, and not by the library's Connect: that
// hides the kind of each error, and starts a goroutine that asks for ever.
func (i *IPMI) handshake(ctx context.Context, suite int, password string) (*client.Client, net.Conn, error) {
	algorithms, ok := suitesAllowed[suite]
	if !ok {
		return nil, nil, &unusable{fmt.Sprintf("cipher suite %d is not used here: name 17 or 3, which sign and encrypt", suite)}
	}
	c, err := client.NewClient("", 0, i.at.User, password)
	if err != nil {
		return nil, nil, err
	}
	address := i.at.Address
	if _, _, err := net.SplitHostPort(address); err != nil {
		address = net.JoinHostPort(strings.Trim(address, "[]"), "623")
	}
	udp, err := (&net.Dialer{}).DialContext(ctx, "udp", address)
	if err != nil {
		return nil, nil, err
	}
	conn := &guard{Conn: udp, algorithms: algorithms, user: i.at.User, password: password}
	c.WithUDPProxy(dialed{conn}).WithTimeout(answerWithin).WithRetry(0).
		WithCipherSuiteID(types.CipherSuiteID(suite)).
		WithMaxPrivilegeLevel(types.PrivilegeLevelOperator) // enough for chassis control
	_, err = c.OpenSession(ctx)
	if err == nil {
		_, err = c.RAKPMessage1(ctx)
	}
	if err == nil {
		_, err = c.RAKPMessage3(ctx)
	}
	if err != nil {
		conn.Close()
		return nil, nil, err
	}
	return c.WithRetry(repeats), conn, nil
}

// dialed hands the library a connection that is there already.
type dialed struct{ net.Conn }

func (d dialed) Dial(network, address string) (net.Conn, error) { return d.Conn, nil }

func silent(err error) bool { return errors.Is(err, os.ErrDeadlineExceeded) }

// noSuchSuite tells the answers by which BMCs turn a cipher suite down
// (IPMI 2.0, table 13-15).
func noSuchSuite(err error) bool {
	var status *types.RmcpStatusError
	if !errors.As(err, &status) {
		return false
	}
	switch status.StatusCode() {
	case types.RmcpStatusCodeInvalidAuthAlg, types.RmcpStatusCodeInvalidIntegrityAlg,
		types.RmcpStatusCodeNoMatchingAuthPayload, types.RmcpStatusCodeNoMatchingIntegrityPayload,
		types.RmcpStatusCodeInvalidConfidentAlg, types.RmcpStatusCodeNoCipherSuiteMatch,
		types.RmcpStatusCodeIllegalParameter:
		return true
	}
	return false
}

// unusable is an error of what the policy says.
type unusable struct{ text string }

func (u *unusable) Error() string { return u.text }

// failure gives the outcome and the text of an error before any order was sent.
func failure(err error) (shutdown.Outcome, string) {
	var status *types.RmcpStatusError
	var code *types.ResponseError
	if errors.Is(err, client.ErrRAKPAuthentication) || errors.As(err, &status) || errors.As(err, &code) {
		return shutdown.Refused, plain(err)
	}
	return shutdown.Unreachable, plain(err)
}

// plain says an error in one line, in words for people: the library's are for
// those who develop it.
func plain(err error) string {
	var own *unusable
	var status *types.RmcpStatusError
	var code *types.ResponseError
	var network *net.OpError
	switch {
	case errors.As(err, &own):
		return firstline.Line(own.text)
	case errors.Is(err, client.ErrRAKPAuthentication):
		return "the user or password was refused"
	case noSuchSuite(err):
		return "it takes none of the cipher suites that are named"
	case errors.As(err, &status):
		return "no session: " + status.Error()
	case errors.As(err, &code):
		return fmt.Sprintf("completion code %#02x", uint8(code.CompletionCode()))
	case errors.Is(err, context.Canceled):
		return "called off"
	case errors.Is(err, context.DeadlineExceeded):
		return "no answer before the deadline"
	case errors.As(err, &network) && !network.Timeout():
		return network.Error()
	}
	return "no answer that could be used"
}
