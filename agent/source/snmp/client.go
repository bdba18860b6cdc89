package snmp

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"os"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/gosnmp/gosnmp"

	"ebbline/policy"
)

// Secrets gives the value of a secret.
type Secrets func(policy.Secret) ([]byte, error)

// Access says with which of the policy's communities a [Client] comes.
type Access uint8

const (
	Reading Access = iota + 1
	Writing
)

// Client asks one SNMP agent. One goroutine owns it. It is made for peers that
// lose packets, answer late, restart, are replaced or fall silent: a request
// ends by its context's deadline whatever the peer does.
type Client struct {
	cfg       policy.SNMP
	host      string
	port      uint16
	community string
	user      *gosnmp.UsmSecurityParameters // v3, as a template
	level     gosnmp.SnmpV3MsgFlags

	addr netip.Addr     // of host, kept when a name server is down later
	uses int            // how often addr was taken for a name
	snmp *gosnmp.GoSNMP // nil after any failure
	took time.Duration  // of the last answer to a first try
}

const (
	defaultPort    = 161
	defaultTimeout = 2 * time.Second
	// pause is the least time between two attempts that failed at once: a closed
	// port is told within microseconds, and a card that restarts opens it again.
	pause = 100 * time.Millisecond
	// repetitions of a GETBULK; more make some cards silent.
	repetitions = 10
)

// NewClient makes a client. It sends nothing yet.
func NewClient(cfg policy.SNMP, access Access, secrets Secrets) (*Client, error) {
	if cfg.Timeout <= 0 {
		cfg.Timeout = defaultTimeout
	}
	c := &Client{cfg: cfg, host: cfg.Address, port: defaultPort}
	if host, port, err := net.SplitHostPort(cfg.Address); err == nil {
		n, err := strconv.ParseUint(port, 10, 16)
		if err != nil || n == 0 {
			return nil, fmt.Errorf("address %q: port %q is no number from 1 to 65535", cfg.Address, port)
		}
		c.host, c.port = host, uint16(n)
	}
	c.host = strings.Trim(c.host, "[]")
	if c.host == "" {
		return nil, errors.New(`address: is empty; write the card's, such as "192.0.2.10"`)
	}
	var err error
	switch cfg.Version {
	case 1, 2:
		name := cfg.Community
		if access == Writing && cfg.WriteWith != "" {
			name = cfg.WriteWith
		}
		c.community = "public"
		if name != "" {
			c.community, err = read(secrets, name)
		}
	case 3:
		c.user, c.level, err = securityOf(&cfg, secrets)
	default:
		err = fmt.Errorf("version %d: write 1, 2 or 3", cfg.Version)
	}
	if err != nil {
		return nil, err
	}
	return c, nil
}

func read(secrets Secrets, name policy.Secret) (string, error) {
	value, err := secrets(name)
	if err != nil {
		return "", fmt.Errorf("secret %q: %w", string(name), err)
	}
	return string(value), nil
}

var authProtocols = map[string]gosnmp.SnmpV3AuthProtocol{
	"": gosnmp.NoAuth, "MD5": gosnmp.MD5, "SHA": gosnmp.SHA, "SHA224": gosnmp.SHA224,
	"SHA256": gosnmp.SHA256, "SHA384": gosnmp.SHA384, "SHA512": gosnmp.SHA512,
}

var privProtocols = map[string]gosnmp.SnmpV3PrivProtocol{
	"": gosnmp.NoPriv, "DES": gosnmp.DES, "AES": gosnmp.AES, "AES192": gosnmp.AES192, "AES256": gosnmp.AES256,
}

// securityOf gives the parameters of a policy's v3 user, and the least level
// of security that its messages have.
func securityOf(cfg *policy.SNMP, secrets Secrets) (*gosnmp.UsmSecurityParameters, gosnmp.SnmpV3MsgFlags, error) {
	auth, okAuth := authProtocols[cfg.Auth]
	priv, okPriv := privProtocols[cfg.Priv]
	switch {
	case cfg.User == "":
		return nil, 0, errors.New("user: version 3 needs one")
	case !okAuth:
		return nil, 0, fmt.Errorf("auth %q: write MD5, SHA, SHA224, SHA256, SHA384 or SHA512", cfg.Auth)
	case !okPriv:
		return nil, 0, fmt.Errorf("priv %q: write DES, AES, AES192 or AES256", cfg.Priv)
	case cfg.Priv != "" && cfg.Auth == "":
		return nil, 0, errors.New("priv: SNMP has no privacy without authentication; write auth and auth_key too")
	}
	user, level := &gosnmp.UsmSecurityParameters{UserName: cfg.User, AuthenticationProtocol: auth, PrivacyProtocol: priv}, gosnmp.NoAuthNoPriv
	for _, k := range []struct {
		protocol string
		secret   policy.Secret
		value    *string
		level    gosnmp.SnmpV3MsgFlags
	}{
		{cfg.Auth, cfg.AuthKey, &user.AuthenticationPassphrase, gosnmp.AuthNoPriv},
		{cfg.Priv, cfg.PrivKey, &user.PrivacyPassphrase, gosnmp.AuthPriv},
	} {
		if k.protocol == "" {
			continue
		}
		var err error
		if *k.value, err = read(secrets, k.secret); err != nil {
			return nil, 0, err
		}
		// RFC 3414, 11.2: a passphrase has eight characters at least; agents refuse shorter ones.
		if len(*k.value) < 8 {
			return nil, 0, fmt.Errorf("secret %q: an SNMP v3 passphrase has at least 8 characters", string(k.secret))
		}
		level = k.level
	}
	return user, level, nil
}

// Get reads objects. Answer i belongs to oids[i]; what the agent does not have
// has type NoSuchObject there. An agent that fails a whole request for one
// object, as v1 does, is asked again for the halves.
func (c *Client) Get(ctx context.Context, oids []string) ([]gosnmp.SnmpPDU, error) {
	answers := make([]gosnmp.SnmpPDU, len(oids))
	return answers, c.get(ctx, oids, answers)
}

func (c *Client) get(ctx context.Context, oids []string, answers []gosnmp.SnmpPDU) error {
	p, err := c.ask(ctx, func(x *gosnmp.GoSNMP) (*gosnmp.SnmpPacket, error) { return x.Get(oids) })
	if err != nil {
		return err
	}
	if p.Error != gosnmp.NoError && len(oids) > 1 {
		half := len(oids) / 2
		if err := c.get(ctx, oids[:half], answers[:half]); err != nil {
			return err
		}
		return c.get(ctx, oids[half:], answers[half:])
	}
	for i, oid := range oids {
		answers[i] = gosnmp.SnmpPDU{Name: oid, Type: gosnmp.NoSuchObject}
		if p.Error == gosnmp.NoError && i < len(p.Variables) && p.Variables[i].Name == oid {
			answers[i] = p.Variables[i]
		}
	}
	return nil
}

// Walk reads a column of a table, most rows at the most.
func (c *Client) Walk(ctx context.Context, column string, most int) (rows []gosnmp.SnmpPDU, err error) {
	full := errors.New("enough rows")
	_, err = c.ask(ctx, func(x *gosnmp.GoSNMP) (*gosnmp.SnmpPacket, error) {
		rows = rows[:0]
		walk := x.BulkWalk
		if c.cfg.Version == 1 {
			walk = x.Walk
		}
		err := walk(column, func(v gosnmp.SnmpPDU) error {
			rows = append(rows, v)
			if len(rows) >= most {
				return full
			}
			return nil
		})
		if err == full {
			err = nil
		}
		return nil, err
	})
	return rows, err
}

// RefusedError is an agent's refusal of a SET.
type RefusedError struct{ Status gosnmp.SNMPError }

// Error says it with RFC 3416's name for the status.
func (e *RefusedError) Error() string { return "the card refused it: " + e.Status.String() }

// Set writes an integer object once. A SET is never sent twice: repeated, it
// would start a countdown again. Without an answer (any error but
// [RefusedError]) the object may have been written: read it back.
func (c *Client) Set(ctx context.Context, oid string, value int64) error {
	return c.Write(ctx, gosnmp.SnmpPDU{Name: oid, Type: gosnmp.Integer, Value: int(value)})
}

// Write writes objects of any type once, all or none of them; else it is [Client.Set].
func (c *Client) Write(ctx context.Context, values ...gosnmp.SnmpPDU) error {
	ctx, cancel := context.WithTimeout(ctx, c.cfg.Timeout)
	defer cancel()
	x, err := c.open(ctx)
	if err != nil {
		return c.failed(err)
	}
	x.Retries, x.Timeout = 0, c.cfg.Timeout
	conn := x.Conn
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	p, err := x.Set(values)
	if !stop() || err != nil {
		c.Close()
	}
	switch {
	case err != nil:
		return c.failed(err)
	case p.Error != gosnmp.NoError:
		return &RefusedError{p.Error}
	}
	return nil
}

// Close drops the socket. The next request opens another.
func (c *Client) Close() {
	if c.snmp != nil {
		c.snmp.Close()
		c.snmp = nil
	}
}

// ask makes one request, again and again until it is answered or the context's
// deadline has come. After any failure it starts over with a new socket and,
// in v3, a new discovery: a card that was replaced has another engine ID, and
// the library does not recover from that.
func (c *Client) ask(ctx context.Context, request func(*gosnmp.GoSNMP) (*gosnmp.SnmpPacket, error)) (*gosnmp.SnmpPacket, error) {
	if _, ok := ctx.Deadline(); !ok {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, c.cfg.Timeout)
		defer cancel()
	}
	var failure error
	for {
		begun := time.Now()
		p, err := c.try(ctx, request)
		if err == nil {
			return p, nil
		}
		// What the peer said tells more than that the time was then over.
		if failure == nil || !silent(err) {
			failure = err
		}
		wait := time.NewTimer(max(0, pause-time.Since(begun)))
		select {
		case <-ctx.Done():
			wait.Stop()
			if errors.Is(ctx.Err(), context.Canceled) {
				failure = ctx.Err()
			}
			return nil, c.failed(failure)
		case <-wait.C:
		}
	}
}

func (c *Client) try(ctx context.Context, request func(*gosnmp.GoSNMP) (*gosnmp.SnmpPacket, error)) (*gosnmp.SnmpPacket, error) {
	x, err := c.open(ctx)
	if err != nil {
		return nil, err
	}
	// An answer to any of the tries counts. A slow card is tried less often, so
	// that it does not drown in repeats: three times its last answering time.
	x.Retries, x.Timeout = 3, min(max(c.cfg.Timeout/4, 3*c.took), c.cfg.Timeout)
	first := rand.Uint32N(1<<31 - 64)
	x.SetRequestID(first)
	// The library looks at a deadline but not at a cancelled context.
	conn, begun := x.Conn, time.Now()
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	p, err := request(x)
	if !stop() || err != nil {
		c.Close()
	}
	if err == nil && p != nil && p.RequestID == first+1 {
		c.took = time.Since(begun)
	}
	return p, err
}

// open gives the library's client, ready for one request.
func (c *Client) open(ctx context.Context) (*gosnmp.GoSNMP, error) {
	if c.snmp != nil {
		c.snmp.Context = ctx
		return c.snmp, nil
	}
	addr, err := c.resolve(ctx)
	if err != nil {
		return nil, err
	}
	x := &gosnmp.GoSNMP{
		Target: addr.String(), Port: c.port, Transport: "udp", Context: ctx, Timeout: c.cfg.Timeout,
		Community: c.community, MaxOids: gosnmp.MaxOids, MaxRepetitions: repetitions,
		Version: map[int]gosnmp.SnmpVersion{1: gosnmp.Version1, 2: gosnmp.Version2c, 3: gosnmp.Version3}[c.cfg.Version],
	}
	if c.user != nil {
		x.SecurityModel, x.MsgFlags, x.SecurityParameters = gosnmp.UserSecurityModel, c.level, c.user.Copy()
	}
	if err := x.Connect(); err != nil {
		return nil, err
	}
	c.snmp = x
	return x, nil
}

// resolve gives the agent's address. A name is looked up again after some
// failures only, and its old address holds: in an outage the name server may
// be the first to go.
func (c *Client) resolve(ctx context.Context) (netip.Addr, error) {
	if addr, err := netip.ParseAddr(c.host); err == nil {
		return addr, nil
	}
	c.uses++
	if c.addr.IsValid() && c.uses%10 != 0 {
		return c.addr, nil
	}
	ctx, cancel := context.WithTimeout(ctx, c.cfg.Timeout/2)
	defer cancel()
	found, err := net.DefaultResolver.LookupNetIP(ctx, "ip", c.host)
	if err == nil && len(found) > 0 {
		c.addr = found[0].Unmap()
	} else if !c.addr.IsValid() {
		return c.addr, err
	}
	return c.addr, nil
}

// silent tells whether an error only says that nothing came.
func silent(err error) bool {
	return errors.Is(err, gosnmp.ErrMaxRetriesExceeded) || errors.Is(err, context.DeadlineExceeded) ||
		errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, net.ErrClosed)
}

// failed says for people why there was no answer.
func (c *Client) failed(err error) error {
	where := net.JoinHostPort(c.host, strconv.Itoa(int(c.port)))
	var lookup *net.DNSError
	switch {
	case errors.Is(err, context.Canceled):
		return fmt.Errorf("%s: %w", where, err)
	case silent(err):
		return fmt.Errorf("%s: no answer", where)
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("%s: no SNMP agent listens there", where)
	case errors.Is(err, gosnmp.ErrUnknownUsername):
		return fmt.Errorf("%s: the card does not know the user %q: %w", where, c.cfg.User, err)
	case errors.Is(err, gosnmp.ErrUnknownSecurityLevel):
		return fmt.Errorf("%s: the card wants another level of security for %q: %w", where, c.cfg.User, err)
	case errors.As(err, &lookup):
		return fmt.Errorf("%s: %w", where, err)
	case c.cfg.Version == 3:
		return fmt.Errorf("%s: answered, but not in a way that can be trusted (check user, keys and protocols): %w", where, brief{err})
	}
	return fmt.Errorf("%s: %w", where, brief{err})
}

// brief cuts an error to one line: the library puts a whole stack into some.
type brief struct{ error }

// Error gives the first line, without a stack.
func (b brief) Error() string {
	text, _, _ := strings.Cut(b.error.Error(), "Stack:")
	text, _, _ = strings.Cut(text, "\n")
	return strings.TrimSpace(text)
}

// Unwrap gives the whole error.
func (b brief) Unwrap() error { return b.error }
