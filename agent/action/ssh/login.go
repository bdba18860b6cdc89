package ssh

import (
	"context"
	"crypto/ed25519"
	"crypto/hkdf"
	"crypto/sha256"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"time"

	gossh "golang.org/x/crypto/ssh"
)

// loginsAtOnce bounds the logins under way of all hosts together: each costs
// both ends a millisecond or more of processor time, and a crowd of them makes
// each one late.
const loginsAtOnce = 64

// slots are taken first come, first served, as senders on a channel are.
var slots = make(chan struct{}, loginsAtOnce)

// errRefused marks a host that answered, as the right one, and said no.
var errRefused = errors.New("refused")

// HostPort adds the SSH port to an address that has none.
func HostPort(address string) string {
	if _, _, err := net.SplitHostPort(address); err == nil {
		return address
	}
	return net.JoinHostPort(strings.Trim(address, "[]"), "22")
}

// login opens a connection to the right host, as the right user, and notes in
// r how far it came.
func (h *Host) login(ctx context.Context, r *Report) (*link, error) {
	ctx, cancel := context.WithTimeout(ctx, loginLimit)
	defer cancel()
	signer, err := h.signer()
	var l *link
	if err == nil {
		l, err = h.tryLogin(ctx, r, signer)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if !errors.Is(err, context.Canceled) { // the caller's wish is no fault
		h.fault = err
	}
	return l, err
}

func (h *Host) tryLogin(ctx context.Context, r *Report, signer gossh.Signer) (*link, error) {
	v, err := h.verifier()
	if err != nil {
		return nil, err
	}
	config := &gossh.ClientConfig{
		User:          h.config.User,
		Auth:          []gossh.AuthMethod{gossh.PublicKeys(signer)},
		ClientVersion: "SSH-2.0-ebbline",
	}
	for {
		var shown gossh.PublicKey
		var first sync.Once // a later exchange of keys calls again
		config.HostKeyAlgorithms = v.algorithms
		config.HostKeyCallback = func(address string, remote net.Addr, key gossh.PublicKey) error {
			first.Do(func() { shown = key })
			return v.check(address, remote, key)
		}
		l, err := h.handshake(ctx, config, r)
		if shown != nil {
			r.Key = describe(shown)
		}
		if err == nil {
			r.Verified, r.LoggedIn = true, true
			h.remember(l, shown)
			return l, nil
		}
		wrong, again := v.judge(err, shown)
		if again {
			continue
		}
		if wrong != nil {
			return nil, wrong
		}
		r.Verified = shown != nil
		if r.Verified && !lost(err) {
			err = fmt.Errorf("%w: the host does not let user %q in with this key: add the key to that user's authorized_keys (%v)",
				errRefused, h.config.User, err)
		}
		return nil, err
	}
}

// handshake makes one connection and logs in over it.
func (h *Host) handshake(ctx context.Context, config *gossh.ClientConfig, r *Report) (*link, error) {
	conn, err := h.dial(ctx)
	if err != nil {
		return nil, err
	}
	r.Reached = true
	// Only now does it cost anybody anything, so only now it takes a slot: hosts
	// that are off hold none.
	select {
	case slots <- struct{}{}:
		defer func() { <-slots }()
	case <-ctx.Done():
		conn.Close()
		return nil, fmt.Errorf("wait for one of %d logins: %w", loginsAtOnce, ctx.Err())
	}
	// The library's own timeout covers the TCP connection only (golang/go#51926).
	// A deadline in the past ends every read and write of the handshake.
	stop := context.AfterFunc(ctx, func() { conn.SetDeadline(time.Unix(1, 0)) })
	c, chans, reqs, err := gossh.NewClientConn(conn, h.address, config)
	if !stop() || err != nil {
		conn.Close()
		if ctx.Err() != nil {
			err = fmt.Errorf("the host answers, its SSH server does not: %w", ctx.Err())
		}
		return nil, err
	}
	return newLink(c, chans, reqs), nil
}

// dial connects, by the last good address when the name cannot be looked up: a
// site's name server may be among the first to stop.
func (h *Host) dial(ctx context.Context) (net.Conn, error) {
	var d net.Dialer
	conn, err := d.DialContext(ctx, "tcp", h.address)
	var noName *net.DNSError
	if errors.As(err, &noName) {
		h.mu.Lock()
		last := h.lastAddr
		h.mu.Unlock()
		if last != "" {
			return d.DialContext(ctx, "tcp", last)
		}
	}
	return conn, err
}

func (h *Host) remember(l *link, key gossh.PublicKey) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.lastAddr = l.client.RemoteAddr().String()
	h.pinned = algorithmsOf(key.Type())
}

// signer reads the private key.
func (h *Host) signer() (gossh.Signer, error) {
	key, err := h.privateKey()
	if err != nil {
		return nil, err
	}
	return gossh.NewSignerFromKey(key)
}

// askerKey is the key that may only ask; see [Host.May]. It is made from the
// agent's own, so that there is no second secret to look after; the way back is
// not to be found (RFC 5869).
func (h *Host) askerKey() (ed25519.PrivateKey, error) {
	key, err := h.privateKey()
	if err != nil {
		return nil, err
	}
	if k, ok := key.(*ed25519.PrivateKey); ok {
		key = *k
	}
	whole, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, fmt.Errorf("the private key %q cannot be used to ask for its rights: make one with ssh-keygen -t ed25519 -N ''", string(h.config.Key))
	}
	seed, err := hkdf.Key(sha256.New, whole, nil, "ebbline asks what its key may run", ed25519.SeedSize)
	if err != nil {
		return nil, err
	}
	return ed25519.NewKeyFromSeed(seed), nil
}

func (h *Host) asker() (gossh.Signer, error) {
	key, err := h.askerKey()
	if err != nil {
		return nil, err
	}
	return gossh.NewSignerFromKey(key)
}

func (h *Host) privateKey() (any, error) {
	text, err := h.secrets(h.config.Key)
	if err != nil {
		return nil, err
	}
	key, err := gossh.ParseRawPrivateKey(text)
	var locked *gossh.PassphraseMissingError
	if errors.As(err, &locked) {
		return nil, fmt.Errorf("the private key %q is protected by a passphrase, and nobody is there to type it: "+
			"make a key for the agent alone with ssh-keygen -t ed25519 -N '' and keep it as a secret", string(h.config.Key))
	}
	if err != nil {
		// The library's words are not repeated: they may quote what it read.
		return nil, fmt.Errorf("the secret %q is no private key that can be read: it must be the whole file that ssh-keygen -t ed25519 writes", string(h.config.Key))
	}
	return key, nil
}

// lost tells a connection that broke from a server that answered.
func lost(err error) bool {
	var network net.Error
	return errors.As(err, &network) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) ||
		errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled)
}
