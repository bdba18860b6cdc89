package snmp

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strconv"
	"strings"
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
// ends by its context's deadline whatever the peer does. It is made for
// strangers too: see [Client.judge] for what an answer must be to be believed.
type Client struct {
	cfg       policy.SNMP
	host      string
	port      uint16
	community string
	user      *gosnmp.UsmSecurityParameters // v3
	level     gosnmp.SnmpV3MsgFlags

	addr   netip.Addr    // of host, kept when a name server is down later
	misses int           // rounds without an answer since addr was looked up
	took   time.Duration // of the last answer to a first try
	engine *engine       // v3; nil until it is discovered, and after any failure

	out    builder
	in     [mostAnswer]byte
	answer answer
	sent   []sent // of the running try
	trouble
}

const (
	defaultPort    = 161
	defaultTimeout = 2 * time.Second
	// pause is the least time between two attempts that failed at once: a closed
	// port is told within microseconds, and a card that restarts opens it again.
	pause = 100 * time.Millisecond
	// repetitions of a GETBULK; more make some cards silent.
	repetitions = 10
	// mostAnswer is the longest answer that is taken, in octets.
	mostAnswer = 8192
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

// ShortKeyError is a v3 passphrase that no card takes.
type ShortKeyError struct{ Secret policy.Secret }

// Error names the secret.
func (e *ShortKeyError) Error() string {
	return fmt.Sprintf("secret %q: an SNMP v3 passphrase has at least 8 characters (RFC 3414, 11.2); give the card and the secret a longer one", string(e.Secret))
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
			return nil, 0, &ShortKeyError{k.secret}
		}
		level = k.level
	}
	return user, level, nil
}

// Get reads objects. Value i belongs to oids[i]; what the agent does not have
// has type NoSuchObject there, and what was not asked before the deadline has
// none. An agent that fails a whole request for one object, as v1 does, is asked
// again for the halves.
func (c *Client) Get(ctx context.Context, oids []string) ([]Value, error) {
	values := make([]Value, len(oids))
	q, err := about(gosnmp.GetRequest, oids...)
	if err != nil {
		return values, err
	}
	return values, c.get(ctx, q, values)
}

func (c *Client) get(ctx context.Context, q *question, values []Value) error {
	if err := c.ask(ctx, q); err != nil {
		return err
	}
	if c.answer.status != gosnmp.NoError && len(values) > 1 {
		half := len(values) / 2
		if err := c.get(ctx, &question{kind: q.kind, names: q.names[:half]}, values[:half]); err != nil {
			return err
		}
		return c.get(ctx, &question{kind: q.kind, names: q.names[half:]}, values[half:])
	}
	for i := range values {
		values[i] = Value{Type: gosnmp.NoSuchObject}
		if c.answer.status == gosnmp.NoError {
			values[i] = c.answer.values[i].keep()
		}
	}
	return nil
}

// Walk reads a column of a table, most rows at the most.
func (c *Client) Walk(ctx context.Context, column string, most int) (rows []Value, err error) {
	q, err := about(gosnmp.GetBulkRequest, column)
	if err != nil {
		return nil, err
	}
	q.repetitions = repetitions
	if c.cfg.Version == 1 {
		q.kind, q.repetitions = gosnmp.GetNextRequest, 0
	}
	whole := q.names[0]
	for {
		if err := c.ask(ctx, q); err != nil {
			return rows, err
		}
		if c.answer.status != gosnmp.NoError {
			return rows, nil // v1 says so at the end of all it has
		}
		for i, name := range c.answer.names {
			v := c.answer.values[i]
			if !bytes.HasPrefix(name, whole) || v.Type == gosnmp.EndOfMibView {
				return rows, nil
			}
			rows = append(rows, v.keep())
			q.names[0] = bytes.Clone(name)
			if len(rows) == most {
				return rows, nil
			}
		}
	}
}

// RefusedError is an agent's refusal of a SET.
type RefusedError struct{ Status gosnmp.SNMPError }

// Error says it with RFC 3416's name for the status.
func (e *RefusedError) Error() string { return "the card refused it: " + e.Status.String() }

// Setting is an object and the value that it is to have.
type Setting struct {
	OID   string
	Value Value
}

// Set writes objects once, all or none of them. A SET is never sent twice:
// repeated, it would start a countdown again. Without an answer (any error but
// [RefusedError]) the objects may have been written: read them back.
func (c *Client) Set(ctx context.Context, values ...Setting) error {
	oids := make([]string, len(values))
	for i := range values {
		oids[i] = values[i].OID
	}
	q, err := about(gosnmp.SetRequest, oids...)
	if err != nil {
		return err
	}
	for i := range values {
		q.values = append(q.values, values[i].Value)
	}
	ctx, cancel := context.WithTimeout(ctx, c.cfg.Timeout)
	defer cancel()
	c.trouble = trouble{}
	if err := c.try(ctx, q); err != nil {
		return c.failed(err)
	}
	if c.answer.status != gosnmp.NoError {
		return &RefusedError{c.answer.status}
	}
	return nil
}

// resolve gives the agent's address. A name is looked up again after some
// failures only, and its old address holds: in an outage the name server may
// be the first to go.
func (c *Client) resolve(ctx context.Context) (netip.Addr, error) {
	if addr, err := netip.ParseAddr(c.host); err == nil {
		return addr, nil
	}
	if c.addr.IsValid() && c.misses < 10 {
		return c.addr, nil
	}
	c.misses = 0
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
