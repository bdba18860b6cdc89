// Package ssh stops hosts by a command over SSH. It logs in with a key, needs
// no shell and no terminal on the other side, and every wait of it ends: with
// a frozen host, a silent network, a full queue. It must never talk to a host
// whose key it cannot verify, and never take a lost connection for a success
// or for a failure.
package ssh

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	gossh "golang.org/x/crypto/ssh"

	"ebbline/agent/bounded"
	"ebbline/policy"
	"ebbline/shutdown"
)

// ForcedCommand is what is asked of a host whose policy names no command: its
// authorized_keys decides what that does. See [Host.Grant].
const ForcedCommand = "ebbline stop"

const (
	loginLimit   = 20 * time.Second // for one login, whatever the deadline: it holds one of few slots
	staleAfter   = 5 * time.Second  // an open connection that takes no command by then is dead
	retryFirst   = time.Second
	retryLast    = 30 * time.Second
	retryRefused = 5 * time.Minute // repeated refused logins get the agent's address blocked on some hosts
)

// Host is one host as it is reached over SSH. Its methods may be called from
// several goroutines.
type Host struct {
	name    string
	config  policy.SSH
	address string // host:port
	secrets func(policy.Secret) ([]byte, error)
	// A kept connection is asked this often for a sign of life, which may take
	// this long.
	keepaliveEvery, keepaliveLimit time.Duration

	mu       sync.Mutex
	link     *link   // the kept connection; nil while there is none
	keeper   *keeper // nil while no connection is to be kept
	fault    error
	pinned   []string // algorithms of the pinned key, once it was seen
	lastAddr string   // where the last login went, for when the name service is down
}

// New makes a Host; nothing is sent yet. The secret is read at each login, so
// that a new key needs no restart.
func New(config policy.SSH, name string, secrets func(policy.Secret) ([]byte, error)) *Host {
	return &Host{
		name: name, config: config, address: HostPort(config.Address), secrets: secrets,
		keepaliveEvery: 15 * time.Second, keepaliveLimit: 10 * time.Second,
	}
}

// keeper looks after the kept connection in a goroutine of its own.
type keeper struct {
	stop  context.CancelFunc
	tried chan struct{} // closed after the first login
	done  chan struct{} // closed when the goroutine has ended
}

// Connect opens a connection and keeps it open, opening it again when it is
// lost, until Close. It returns when the first try has ended, with its error;
// later tries go on all the same, and after ctx has ended too.
func (h *Host) Connect(ctx context.Context) error {
	h.mu.Lock()
	k := h.keeper
	if k == nil {
		k = &keeper{tried: make(chan struct{}), done: make(chan struct{})}
		var keep context.Context
		keep, k.stop = context.WithCancel(context.Background())
		h.keeper = k
		go h.keep(keep, k)
	}
	h.mu.Unlock()
	select {
	case <-k.tried:
	case <-ctx.Done():
		return fmt.Errorf("%s: ssh: %w", h.name, ctx.Err())
	}
	if h.current() != nil {
		return nil
	}
	if err := h.Fault(); err != nil {
		return fmt.Errorf("%s: ssh: %w", h.name, err)
	}
	return fmt.Errorf("%s: ssh: the connection was lost at once", h.name)
}

// Close ends the kept connection, if there is one. Connect may follow.
func (h *Host) Close() {
	h.mu.Lock()
	k, l := h.keeper, h.link
	h.keeper, h.link = nil, nil
	h.mu.Unlock()
	if k == nil {
		return
	}
	k.stop()
	if l != nil {
		l.close()
	}
	<-k.done
}

// Fault is what went wrong with the last login; nil when it went well. A
// [HostKeyError] among it wants an operator.
func (h *Host) Fault() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.fault
}

// Do runs a command on the kept connection, or on a new one, and returns by
// the deadline at the latest. The text says in one line what came back.
//
//	Accepted     exit status 0
//	Refused      another exit status, a refused login, no right to run commands
//	Unreachable  the command was not sent
//	Unknown      it was sent, and what became of it is not known
func (h *Host) Do(ctx context.Context, command string, deadline time.Time) (shutdown.Outcome, string) {
	ctx, cancel := context.WithDeadline(ctx, deadline)
	defer cancel()
	if err := ctx.Err(); err != nil {
		return shutdown.Unreachable, "not sent: " + err.Error()
	}
	if command == "" {
		command = ForcedCommand
	}
	if s, ok := h.sessionOnKept(ctx); ok {
		return s.run(ctx, command)
	}
	l, err := h.login(ctx, new(Report))
	if err != nil {
		return outcomeOf(err), err.Error()
	}
	kept := h.adopt(l)
	s, err := l.session(ctx)
	if !kept || err != nil {
		defer l.close()
	}
	if err != nil {
		return outcomeOf(err), err.Error()
	}
	return s.run(ctx, command)
}

// sessionOnKept opens a session on the kept connection. Until it is open
// nothing was sent, so a connection that fails here costs a login, not doubt.
func (h *Host) sessionOnKept(ctx context.Context) (session, bool) {
	l := h.current()
	if l == nil {
		return session{}, false
	}
	end, _ := ctx.Deadline()
	ctx, cancel := context.WithTimeout(ctx, min(staleAfter, time.Until(end)/2))
	defer cancel()
	s, err := l.session(ctx)
	if err == nil {
		return s, true
	}
	if !errors.Is(err, errRefused) { // one that only has too many sessions lives
		l.close()
	}
	return session{}, false
}

// outcomeOf says what an error before the command was sent means for it.
func outcomeOf(err error) shutdown.Outcome {
	if errors.Is(err, errRefused) {
		return shutdown.Refused
	}
	return shutdown.Unreachable
}

// Report is what a rehearsal found, in the order in which a login goes.
type Report struct {
	Reached  bool          // something answered at the address
	Key      string        // the host key that was shown: its type and SHA-256 fingerprint
	Verified bool          // it is the one that the policy names
	LoggedIn bool          // the host let the user in
	Refused  bool          // it did not, and said so
	Took     time.Duration // the whole login
	Err      error         // nil when all is well
}

// Check logs in and runs nothing: with a forced command any command at all,
// "true" as well, would power the host off.
func (h *Host) Check(ctx context.Context) Report {
	var r Report
	start := time.Now()
	l, err := h.login(ctx, &r)
	r.Took = time.Since(start)
	if err != nil {
		r.Refused = errors.Is(err, errRefused)
		r.Err = fmt.Errorf("%s: ssh: %w", h.name, err)
		return r
	}
	l.close()
	return r
}

// ErrNotAsked says that it is not known whether a command may be run: the host
// has no line by which it could be asked.
var ErrNotAsked = errors.New("its authorized_keys has no line by which that could be asked")

// May asks whether the host would let a command run. It logs in with a key that
// has a line of its own in authorized_keys, as [Host.Grant] writes it, and can do
// nothing but ask; so the answer costs the host nothing whatever its other lines
// say. nil means yes.
func (h *Host) May(ctx context.Context, command string) error {
	if command == "" {
		command = ForcedCommand
	}
	asker, err := h.asker()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, loginLimit)
	defer cancel()
	l, err := h.tryLogin(ctx, new(Report), asker)
	if errors.Is(err, errRefused) {
		return ErrNotAsked
	}
	if err != nil {
		return err
	}
	defer l.close()
	s, err := l.session(ctx)
	if err != nil {
		return err
	}
	switch outcome, text := s.run(ctx, asks+command); outcome {
	case shutdown.Accepted:
		return nil
	case shutdown.Refused:
		return fmt.Errorf("%w: the host would not run %q: %s", errRefused, command, text)
	default:
		return fmt.Errorf("whether the host would run %q is not known: %s", command, text)
	}
}

// keep looks after the kept connection until ctx ends.
func (h *Host) keep(ctx context.Context, k *keeper) {
	defer close(k.done)
	retry := h.reconnect(ctx, 0)
	close(k.tried)
	for ctx.Err() == nil {
		l := h.current()
		if l == nil {
			if bounded.Pause(ctx, retry) {
				retry = h.reconnect(ctx, retry)
			}
			continue
		}
		select {
		case <-ctx.Done():
		case <-l.gone:
		case <-time.After(h.keepaliveEvery):
			l.keepalive(h.keepaliveLimit)
		}
	}
}

// reconnect tries once and says how long to wait before the next try.
func (h *Host) reconnect(ctx context.Context, waited time.Duration) time.Duration {
	l, err := h.login(ctx, new(Report))
	switch {
	case errors.Is(err, errRefused) || errors.Is(err, ErrHostKey):
		return retryRefused
	case err != nil:
		return min(max(2*waited, retryFirst), retryLast)
	}
	if !h.adopt(l) {
		l.close()
	}
	return retryFirst
}

// current gives the kept connection if it lives.
func (h *Host) current() *link {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.link != nil && h.link.ended() {
		h.link = nil
	}
	return h.link
}

// adopt makes l the kept connection, when one is to be kept and there is none.
func (h *Host) adopt(l *link) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.keeper == nil || h.link != nil && !h.link.ended() {
		return false
	}
	h.link = l
	return true
}

// link is one open connection.
type link struct {
	client *gossh.Client
	gone   chan struct{} // closed when the connection has ended
}

func newLink(c gossh.Conn, chans <-chan gossh.NewChannel, reqs <-chan *gossh.Request) *link {
	l := &link{client: gossh.NewClient(c, chans, reqs), gone: make(chan struct{})}
	go func() {
		l.client.Wait()
		close(l.gone)
	}()
	return l
}

func (l *link) close() { l.client.Close() }

func (l *link) ended() bool {
	select {
	case <-l.gone:
		return true
	default:
		return false
	}
}

// keepalive ends the connection unless the other side answers in time. Nothing
// in the library would notice a silent peer (golang/go#19338).
func (l *link) keepalive(limit time.Duration) {
	timer := time.AfterFunc(limit, l.close)
	defer timer.Stop()
	if _, _, err := l.client.SendRequest("keepalive@openssh.com", true, nil); err != nil {
		l.close()
	}
}
