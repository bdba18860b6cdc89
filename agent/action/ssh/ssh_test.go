package ssh

import (
	"context"
	"fmt"
	"net"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"ebbline/agent/peertest"
	"ebbline/policy"
	"ebbline/shutdown"
)

// soon is a deadline for what must answer, brief one that passes, by which all
// else is done that comes before, and late the time after which a test says that
// something hangs. None is a measurement.
const (
	soon  = 2 * time.Minute
	brief = 5 * time.Second
	late  = time.Minute
)

func do(t *testing.T, h *Host, command string, within time.Duration) (shutdown.Outcome, string) {
	t.Helper()
	type result struct {
		outcome shutdown.Outcome
		text    string
	}
	done := make(chan result, 1)
	go func() {
		o, text := h.Do(context.Background(), command, time.Now().Add(within))
		done <- result{o, text}
	}()
	select {
	case r := <-done:
		return r.outcome, r.text
	case <-time.After(within + late):
		t.Fatalf("Do(%q) did not return by its deadline", command)
		return 0, ""
	}
}

func newHost(r *peertest.Rack, i int) *Host {
	return New(r.SSH(i), fmt.Sprintf("host%d", i), r.Secret)
}

// noLeaks fails the test when goroutines are left at its end.
func noLeaks(t *testing.T) {
	before := runtime.NumGoroutine()
	t.Cleanup(func() {
		for range 500 {
			if runtime.NumGoroutine() <= before {
				return
			}
			time.Sleep(10 * time.Millisecond)
		}
		stacks := make([]byte, 1<<16)
		t.Errorf("%d goroutines before, %d after:\n%s", before, runtime.NumGoroutine(), stacks[:runtime.Stack(stacks, true)])
	})
}

// Aim: each way in which a power-off ends gives the outcome that wire-level
// evidence allows, on a new and on a kept connection: only an exit status
// proves a failure, and a lost connection is neither success nor failure
// (RFC 4254, 6.10: the exit status is recommended, not required).
// Method: real hosts that end in each of these ways.
func TestOutcomes(t *testing.T) {
	noLeaks(t)
	cases := []struct {
		mode    peertest.Mode
		outcome shutdown.Outcome
		text    string
		down    bool
		within  time.Duration
	}{
		{peertest.Normal, shutdown.Accepted, "exit status 0", true, soon},
		{peertest.Slow(time.Second), shutdown.Accepted, "exit status 0", true, soon},
		{peertest.Ignore, shutdown.Accepted, "exit status 0", false, soon},
		{peertest.Cut, shutdown.Unknown, "the connection ended without an exit status, as a host that stops does", true, soon},
		{peertest.Refuse, shutdown.Refused, "exit status 1: a password is required", false, soon},
		{peertest.Dark, shutdown.Unknown, "the command was sent; no exit status by the deadline", true, brief},
		{peertest.Hang, shutdown.Unknown, "the command was sent; no exit status by the deadline", false, brief},
	}
	r := peertest.StartHosts(t, 2*len(cases), peertest.HostOptions{})
	t.Run("all", func(t *testing.T) {
		for i, c := range cases {
			for j, kind := range []string{"new", "kept"} {
				t.Run(kind+" "+string(c.mode), func(t *testing.T) {
					t.Parallel()
					host := 2*i + j
					r.SetMode(host, c.mode)
					h := newHost(r, host)
					defer h.Close()
					if kind == "kept" {
						if err := h.Connect(t.Context()); err != nil {
							t.Fatal(err)
						}
					}
					outcome, text := do(t, h, peertest.PowerOff, c.within)
					if outcome != c.outcome || text != c.text {
						t.Errorf("got %v, %q; want %v, %q", outcome, text, c.outcome, c.text)
					}
					if got := r.Commands(host); len(got) != 1 || got[0].Text != peertest.PowerOff {
						t.Errorf("the host received %v", got)
					}
					if c.down {
						r.WaitDown(host)
					} else if !r.Up(host) {
						t.Error("the host is down")
					}
				})
			}
		}
	})
}

// Aim: what a command says and how it ends is read right. Method: one host,
// commands whose end is known.
func TestCommands(t *testing.T) {
	noLeaks(t)
	r := peertest.StartHosts(t, 1, peertest.HostOptions{})
	h := newHost(r, 0)
	if err := h.Connect(t.Context()); err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	for _, c := range []struct {
		command string
		outcome shutdown.Outcome
		text    string
	}{
		{"true", shutdown.Accepted, "exit status 0"},
		{"echo noise >&2", shutdown.Accepted, "exit status 0"},
		{"exit 3", shutdown.Refused, "exit status 3"},
		{`printf '\033[1mfirst\033[0m\nsecond\n' >&2; exit 3`, shutdown.Refused, "exit status 3: first"},
		{"/no/such/program", shutdown.Refused, "exit status 127: /bin/sh: 1: /no/such/program: not found"},
		// The host's own stop kills the command: no failure.
		{"kill -TERM $PPID", shutdown.Unknown, "the command was ended by a signal, as a host that stops does"},
		{"kill -TERM $$", shutdown.Unknown, "exit status 143: Terminated"},
		// A child that keeps the output open keeps nobody waiting.
		{"sleep 100 & exit 0", shutdown.Accepted, "exit status 0"},
		{"sleep 100 >&2 & exit 4", shutdown.Refused, "exit status 4"},
		// More output than the channel's window, which is 2 MiB.
		{"head -c 8000000 /dev/zero", shutdown.Accepted, "exit status 0"},
		{"head -c 8000000 /dev/zero >&2; exit 5", shutdown.Refused, "exit status 5"},
		// Nothing is typed into a command's standard input.
		{"cat", shutdown.Accepted, "exit status 0"},
	} {
		if outcome, text := do(t, h, c.command, soon); outcome != c.outcome || text != c.text {
			t.Errorf("%s: got %v, %q; want %v, %q", c.command, outcome, text, c.outcome, c.text)
		}
	}
}

// Aim: a host that cannot be reached never got the order. Method: a port
// where nobody listens, a host without power, a name that is none.
func TestUnreachable(t *testing.T) {
	noLeaks(t)
	r := peertest.StartHosts(t, 2, peertest.HostOptions{})
	closed := r.SSH(0)
	closed.Address += ":2222"
	r.PullPlug(1)
	nameless := r.SSH(0)
	nameless.Address = "no..name"
	for _, c := range []struct {
		config policy.SSH
		text   string
	}{
		{closed, "connection refused"},
		{r.SSH(1), ""},
		{nameless, "no such host"},
	} {
		outcome, text := do(t, New(c.config, "x", r.Secret), "true", brief)
		if outcome != shutdown.Unreachable || !strings.Contains(text, c.text) {
			t.Errorf("%s: got %v, %q", c.config.Address, outcome, text)
		}
	}
	// With the name service gone the last address serves.
	h := New(nameless, "x", r.Secret)
	h.lastAddr = HostPort(r.Address(0))
	if outcome, text := do(t, h, "true", soon); outcome != shutdown.Accepted {
		t.Errorf("by the last address: %v, %q", outcome, text)
	}
}

// Aim: a user, a key or a secret that is not right gives a clear error with the
// next step, and never the secret. Method: one table against one host.
func TestLoginRefused(t *testing.T) {
	noLeaks(t)
	r := peertest.StartHosts(t, 2, peertest.HostOptions{})
	good, _ := r.Secret(peertest.HostKeySecret)
	value := func(text string) func(policy.Secret) ([]byte, error) {
		return func(policy.Secret) ([]byte, error) { return []byte(text), nil }
	}
	// Another rack's key is a good key that this host does not know.
	other := peertest.StartHosts(t, 0, peertest.HostOptions{})
	stranger := r.SSH(0)
	stranger.User = "nobody-here"
	for _, c := range []struct {
		name    string
		config  policy.SSH
		secrets func(policy.Secret) ([]byte, error)
		outcome shutdown.Outcome
		text    string
	}{
		{"unknown key", r.SSH(0), other.Secret, shutdown.Refused, "add the key to that user's authorized_keys"},
		{"unknown user", stranger, r.Secret, shutdown.Refused, `does not let user "nobody-here" in`},
		{"no key at all", r.SSH(0), value("hunter2 hunter2"), shutdown.Unreachable, `the secret "ssh-key" is no private key`},
		{"half a key", r.SSH(0), value(string(good[:len(good)/2])), shutdown.Unreachable, `the secret "ssh-key" is no private key`},
		{"passphrase", r.SSH(0), value(lockedKey(t)), shutdown.Unreachable, "protected by a passphrase"},
		{"no newline at the end", r.SSH(0), value(strings.TrimSpace(string(good))), shutdown.Accepted, "exit status 0"},
		{"no secret", r.SSH(0), func(policy.Secret) ([]byte, error) { return nil, fmt.Errorf("no such secret") },
			shutdown.Unreachable, "no such secret"},
	} {
		h := New(c.config, "x", c.secrets)
		outcome, text := do(t, h, "true", soon)
		if outcome != c.outcome || !strings.Contains(text, c.text) {
			t.Errorf("%s: got %v, %q", c.name, outcome, text)
		}
		if strings.Contains(text, "hunter2") || strings.ContainsAny(text, "\n\r") {
			t.Errorf("%s: unfit text %q", c.name, text)
		}
		if (h.Fault() == nil) != (c.outcome == shutdown.Accepted) {
			t.Errorf("%s: fault %v", c.name, h.Fault())
		}
	}
}

// Aim: every wait ends with a frozen host, whose kernel goes on answering
// (library traps 1 and 2: golang/go#51926, #21699). Method: a host is stopped
// by SIGSTOP before the login, with a kept connection, and after the command.
func TestFrozenHost(t *testing.T) {
	noLeaks(t)
	r := peertest.StartHosts(t, 3, peertest.HostOptions{})
	before, kept, after := newHost(r, 0), newHost(r, 1), newHost(r, 2)

	r.Freeze(0)
	outcome, text := do(t, before, "true", brief)
	if outcome != shutdown.Unreachable || !strings.Contains(text, "the host answers, its SSH server does not") {
		t.Errorf("frozen before the login: %v, %q", outcome, text)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	if err := before.Connect(ctx); err == nil {
		t.Error("connected to a frozen host")
	}
	before.Close()

	if err := kept.Connect(t.Context()); err != nil {
		t.Fatal(err)
	}
	r.Freeze(1)
	outcome, _ = do(t, kept, "true", 2*time.Second)
	if outcome != shutdown.Unreachable {
		t.Errorf("frozen while kept: %v", outcome)
	}
	r.Thaw(1)
	kept.Close()
	if got := r.Commands(1); len(got) != 0 {
		t.Errorf("the host received %v after all", got)
	}

	frozen := make(chan struct{})
	go func() {
		defer close(frozen)
		for end := time.Now().Add(late); len(r.Commands(2)) == 0 && time.Now().Before(end); {
			time.Sleep(5 * time.Millisecond)
		}
		r.Freeze(2)
	}()
	outcome, _ = do(t, after, "sleep 100", brief)
	if outcome != shutdown.Unknown {
		t.Errorf("frozen after the command: %v", outcome)
	}
	<-frozen
}

// Aim: a kept connection notices a silent peer by itself (trap 3:
// golang/go#19338), comes back when the host does, and needs no new login for a
// command. Method: a host is frozen and thawed, its cable pulled, its plug
// pulled; short keepalive times.
func TestKeptConnection(t *testing.T) {
	noLeaks(t)
	r := peertest.StartHosts(t, 1, peertest.HostOptions{})
	h := newHost(r, 0)
	if err := h.Connect(t.Context()); err != nil {
		t.Fatal(err)
	}
	defer func() { h.Close() }()
	if err := h.Connect(t.Context()); err != nil {
		t.Errorf("connecting again: %v", err)
	}
	eventually := func(what string, want bool) {
		t.Helper()
		for end := time.Now().Add(late); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
			if (h.current() != nil) == want {
				return
			}
		}
		t.Fatalf("%s: connected is not %t", what, want)
	}
	first := h.current()
	if outcome, text := do(t, h, "true", soon); outcome != shutdown.Accepted {
		t.Errorf("%v, %s", outcome, text)
	}
	if o, text := h.Do(t.Context(), "echo late", time.Now().Add(-time.Second)); o != shutdown.Unreachable {
		t.Errorf("a deadline in the past: %v, %s", o, text)
	}
	if h.current() != first {
		t.Error("the command took a new connection")
	}
	if got := r.Commands(0); len(got) != 1 {
		t.Errorf("the host received %v", got)
	}
	h.Close()
	h = newHost(r, 0)
	h.keepaliveEvery, h.keepaliveLimit = 50*time.Millisecond, 500*time.Millisecond
	if err := h.Connect(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, fault := range []struct {
		name     string
		do, undo func()
	}{
		{"frozen", func() { r.Freeze(0) }, func() { r.Thaw(0) }},
		{"cable", func() { r.Unlink(0) }, func() { r.Link(0) }},
		{"plug", func() { r.PullPlug(0) }, func() { r.PlugIn(0); r.WaitUp(0) }},
	} {
		fault.do()
		eventually(fault.name, false)
		fault.undo()
		eventually("after "+fault.name, true)
	}
	if outcome, text := do(t, h, "echo last", soon); outcome != shutdown.Accepted {
		t.Errorf("%v, %s", outcome, text)
	}
}

// Aim: a kept connection that died unseen costs a login and no doubt: the
// command arrives, once. Method: the host restarts, faster than any keepalive.
// Whether that goes unseen lies with TCP: any late packet of ours, such as a
// delayed acknowledgement (up to 200 ms in Linux, net/tcp.h), meets the new host
// and is answered with a reset. Hence the pause, and more than one try.
func TestStaleConnection(t *testing.T) {
	noLeaks(t)
	r := peertest.StartHosts(t, 1, peertest.HostOptions{})
	h := newHost(r, 0)
	if err := h.Connect(t.Context()); err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	restart := func() (unseen bool) {
		before := h.current()
		time.Sleep(300 * time.Millisecond)
		r.PullPlug(0) // its network goes first: no end of the connection is seen
		r.PlugIn(0)
		r.WaitUp(0)
		return before != nil && h.current() == before
	}
	for try := 0; !restart(); try++ {
		if try == 5 {
			t.Fatal("the loss was seen each time; this test is about one that is not")
		}
	}
	if outcome, text := do(t, h, "echo once", soon); outcome != shutdown.Accepted {
		t.Errorf("%v, %s", outcome, text)
	}
	if got := r.Commands(0); len(got) != 1 || got[0].Text != "echo once" {
		t.Errorf("the host received %v", got)
	}
}

// Aim: without a command the host's own forced command decides, and a
// rehearsal sends none at all: with a forced command any would power the host
// off. Method: the host's log of commands.
func TestForcedCommandAndCheck(t *testing.T) {
	noLeaks(t)
	r := peertest.StartHosts(t, 1, peertest.HostOptions{})
	h := newHost(r, 0)
	rep := h.Check(t.Context())
	key := "ssh-ed25519 " + r.SSH(0).HostKey
	if rep.Err != nil || !rep.Reached || !rep.Verified || !rep.LoggedIn || rep.Key != key || rep.Took <= 0 {
		t.Errorf("check: %+v", rep)
	}
	if got := r.Commands(0); len(got) != 0 {
		t.Fatalf("the check sent %v", got)
	}
	if outcome, text := do(t, h, "", soon); outcome != shutdown.Accepted {
		t.Errorf("%v, %s", outcome, text)
	}
	if got := r.Commands(0); len(got) != 1 || got[0].Text != ForcedCommand {
		t.Errorf("the host received %v", got)
	}
	r.WaitDown(0)

	ctx, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
	defer cancel()
	if rep := h.Check(ctx); rep.Err == nil || rep.Reached || rep.Verified || rep.LoggedIn {
		t.Errorf("check of a host that is off: %+v", rep)
	}
}

// Aim: many hosts at once, some bad: each good one gets its command, and
// nothing is left. Method: 30 hosts, of which three are frozen, one is off and
// one has another key; all connected and told at the same time.
func TestThirtyHosts(t *testing.T) {
	noLeaks(t)
	const n = 30
	r := peertest.StartHosts(t, n, peertest.HostOptions{})
	for i := range 3 {
		r.Freeze(i)
	}
	r.PullPlug(3)
	r.PullPlug(4)
	r.NewHostKeys(4)
	wrong := r.SSH(5).HostKey
	r.PlugIn(4)
	r.WaitUp(4)
	hosts := make([]*Host, n)
	outcomes := make([]shutdown.Outcome, n)
	texts := make([]string, n)
	var all sync.WaitGroup
	for i := range n {
		config := r.SSH(i)
		if i == 4 {
			config.HostKey = wrong
		}
		hosts[i] = New(config, fmt.Sprint(i), r.Secret)
		all.Go(func() {
			within := soon
			if i < 5 {
				within = brief
			}
			ctx, cancel := context.WithTimeout(context.Background(), within)
			defer cancel()
			hosts[i].Connect(ctx)
			outcomes[i], texts[i] = hosts[i].Do(context.Background(), peertest.PowerOff, time.Now().Add(within))
		})
	}
	all.Wait()
	for i := range n {
		hosts[i].Close()
		want := shutdown.Accepted
		if i < 5 {
			want = shutdown.Unreachable
		}
		if outcomes[i] != want {
			t.Errorf("host %d: %v, %s", i, outcomes[i], texts[i])
		}
		if i >= 5 {
			r.WaitDown(i)
		}
	}
}

// Aim: 64 logins at once and no more, first come, first served (trap 7).
// Method: a listener that stands in for 70 hosts, takes connections and says
// nothing: a client that is logging in has sent its version line.
func TestLoginsAreBounded(t *testing.T) {
	noLeaks(t)
	silent, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	rack := peertest.StartHosts(t, 0, peertest.HostOptions{})
	config := policy.SSH{Address: silent.Addr().String(), User: "x", Key: peertest.HostKeySecret, HostKey: "SHA256:x"}
	ctx, cancel := context.WithCancel(t.Context())
	var clients sync.WaitGroup
	begin := func() net.Conn {
		clients.Go(func() { New(config, "x", rack.Secret).Check(ctx) })
		conn, err := silent.Accept()
		if err != nil {
			t.Fatal(err)
		}
		return conn
	}
	began := func(c net.Conn, wait time.Duration) bool {
		c.SetReadDeadline(time.Now().Add(wait))
		n, _ := c.Read(make([]byte, 8))
		return n > 0
	}
	var conns []net.Conn
	for range loginsAtOnce + 6 {
		conn := begin()
		defer conn.Close()
		conns = append(conns, conn)
		// Only when one is served, or waits, the next may come, so that the order
		// is known.
		if len(conns) <= loginsAtOnce {
			if !began(conn, late) {
				t.Fatalf("login %d did not begin", len(conns))
			}
			continue
		}
		for waiting() < len(conns)-loginsAtOnce {
			time.Sleep(time.Millisecond)
		}
	}
	for i, c := range conns[loginsAtOnce:] {
		if began(c, 20*time.Millisecond) {
			t.Errorf("login %d began beyond the bound", loginsAtOnce+i)
		}
	}
	for i, c := range conns[loginsAtOnce:] {
		conns[i].Close()
		if !began(c, late) {
			t.Errorf("login %d did not get the slot", loginsAtOnce+i)
		}
		for j, later := range conns[loginsAtOnce+i+1:] {
			if began(later, time.Millisecond) {
				t.Errorf("login %d came before %d", loginsAtOnce+i+1+j, loginsAtOnce+i)
			}
		}
	}
	cancel()
	clients.Wait()
}

// waiting counts the logins that wait for a slot.
func waiting() int {
	stacks := make([]byte, 1<<20)
	n := 0
	for one := range strings.SplitSeq(string(stacks[:runtime.Stack(stacks, true)]), "\n\n") {
		first, _, _ := strings.Cut(one, "\n")
		if strings.Contains(first, "[select") && strings.Contains(one, "\nebbline/agent/action/ssh.(*Host).handshake(") {
			n++
		}
	}
	return n
}

// Aim: the SSH port is added where there is none. Method: a table.
func TestHostPort(t *testing.T) {
	for address, want := range map[string]string{
		"vault": "vault:22", "192.0.2.20": "192.0.2.20:22", "192.0.2.20:2222": "192.0.2.20:2222",
		"2001:db8::1": "[2001:db8::1]:22", "[2001:db8::1]": "[2001:db8::1]:22", "[2001:db8::1]:2222": "[2001:db8::1]:2222",
	} {
		if got := HostPort(address); got != want {
			t.Errorf("%s: got %s, want %s", address, got, want)
		}
	}
}
