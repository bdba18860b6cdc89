package probe

import (
	"context"
	"net"
	"net/netip"
	"os"
	"strings"
	"testing"
	"time"

	"ebbline/agent/action/ssh"
	"ebbline/agent/peertest"
	"ebbline/policy"
	"ebbline/shutdown"
)

func hostAt(address string, quietFor time.Duration) *Host {
	return New(&policy.Host{Probe: policy.Probe{Address: address, QuietFor: quietFor}})
}

// look fails the test when a look does not end.
func look(t *testing.T, h *Host) (shutdown.Sighting, string) {
	t.Helper()
	type result struct {
		seen shutdown.Sighting
		text string
	}
	done := make(chan result, 1)
	go func() {
		seen, text := h.Look(context.Background())
		done <- result{seen, text}
	}()
	select {
	case r := <-done:
		return r.seen, r.text
	case <-time.After(time.Minute):
		t.Fatal("a look does not end")
		return 0, ""
	}
}

func expect(t *testing.T, what string, h *Host, want shutdown.Sighting, text string) {
	t.Helper()
	if seen, said := look(t, h); seen != want || !strings.Contains(said, text) {
		t.Errorf("%s: got %v, %q; want %v, %q", what, seen, said, want, text)
	}
}

// Aim: a host without a probe of its own is looked at where SSH reaches it.
// Method: a table.
func TestAddress(t *testing.T) {
	for _, c := range []struct{ probe, ssh, want string }{
		{"192.0.2.20:443", "192.0.2.20", "192.0.2.20:443"},
		{"", "192.0.2.20", "192.0.2.20:22"},
		{"", "vault:2222", "vault:2222"},
		{"", "2001:db8::1", "[2001:db8::1]:22"},
		{"", "[2001:db8::1]", "[2001:db8::1]:22"},
	} {
		host := policy.Host{Probe: policy.Probe{Address: c.probe}, Methods: []policy.Method{{Kind: policy.ByRedfish}, {SSH: &policy.SSH{Address: c.ssh}}}}
		if got := New(&host).address; got != c.want {
			t.Errorf("%q, %q: got %q, want %q", c.probe, c.ssh, got, c.want)
		}
	}
}

// Aim: each state of a host is seen for what it is, through a whole orderly
// stop: up, its service gone, silent, and up again. Method: a real host that
// closes its SSH port first and goes some seconds later. While it lives a look has
// more time than the agent's: on a loaded machine a second is too little for an answer.
func TestThroughAStop(t *testing.T) {
	r := peertest.StartHosts(t, 1, peertest.HostOptions{Mode: peertest.Slow(6 * time.Second)})
	h := New(&policy.Host{
		Methods: []policy.Method{{Kind: policy.ByLocal}, {Kind: policy.BySSH, SSH: &policy.SSH{Address: r.Address(0)}}},
		Probe:   policy.Probe{QuietFor: 2 * time.Second},
	})
	const patient = 20 * time.Second
	h.budget = patient
	expect(t, "up", h, shutdown.SeenUp, "takes connections")
	stop := ssh.New(r.SSH(0), "x", r.Secret)
	if outcome, text := stop.Do(t.Context(), peertest.PowerOff, time.Now().Add(2*time.Minute)); outcome != shutdown.Accepted {
		t.Fatalf("%v, %s", outcome, text)
	}
	story := []shutdown.Sighting{shutdown.SeenUp}
	var silentAt time.Time
	for story[len(story)-1] != shutdown.SeenSilent {
		if !r.StoppedAt(0).IsZero() {
			h.budget = budget
		}
		seen, text := look(t, h)
		if seen == 0 {
			if !strings.HasPrefix(text, "no answer") {
				t.Errorf("nothing learnt, and the text is %q", text)
			}
			if silentAt.IsZero() {
				silentAt = time.Now()
			}
			continue
		}
		if story[len(story)-1] != seen {
			story = append(story, seen)
		}
		if len(story) > 5 {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	if len(story) != 3 || story[1] != shutdown.SeenRefusing || story[2] != shutdown.SeenSilent {
		t.Errorf("seen in turn: %v", story)
	}
	if silentAt.Before(r.StoppedAt(0)) {
		t.Error("no answer was reported before the host went down")
	}
	expect(t, "still silent", h, shutdown.SeenSilent, "no answer from "+r.Address(0)+":22")
	r.Boot(0)
	r.WaitUp(0)
	h.budget = patient
	for range 30 { // the kernel may still hold the address for dead
		if seen, _ := look(t, h); seen == shutdown.SeenUp {
			break
		}
	}
	expect(t, "up again", h, shutdown.SeenUp, "")
}

// Aim: silence needs three looks and the quiet time, both, without a break.
// Method: a host off from the start; hosts with one of the two missing.
func TestSilenceTakesLooksAndTime(t *testing.T) {
	r := peertest.StartHosts(t, 1, peertest.HostOptions{})
	address := r.Address(0) + ":22"
	noTime, muchTime, broken := hostAt(address, 0), hostAt(address, time.Hour), hostAt(address, 0)
	r.PowerOff(0)
	expect(t, "first", noTime, 0, "1 looks")
	expect(t, "second", noTime, 0, "2 looks")
	expect(t, "third", noTime, shutdown.SeenSilent, "3 looks")
	for range fewestLooks {
		expect(t, "long quiet time", muchTime, 0, "no answer")
	}
	expect(t, "before the answer", broken, 0, "1 looks")
	expect(t, "before the answer", broken, 0, "2 looks")
	r.Boot(0)
	r.WaitUp(0)
	for range 30 {
		if seen, _ := look(t, broken); seen == shutdown.SeenUp {
			break
		}
	}
	expect(t, "an answer", broken, shutdown.SeenUp, "")
	r.PowerOff(0)
	expect(t, "after the answer", broken, 0, "1 looks")
	// Too long ago to be the same silence.
	broken.last = broken.last.Add(-time.Minute)
	expect(t, "after a long time", broken, 0, "1 looks")
}

// Aim: a machine whose service hangs is not silent, since its kernel still
// answers. Method: a frozen host, which goes on taking connections until its
// sshd's queue is full, and drops them then.
func TestEchoCountsAsAnswer(t *testing.T) {
	r := peertest.StartHosts(t, 1, peertest.HostOptions{})
	h := hostAt(r.Address(0)+":22", 0)
	r.Freeze(0)
	expect(t, "frozen", h, shutdown.SeenUp, "")
	for full := false; !full; {
		conn, err := net.DialTimeout("tcp", r.Address(0)+":22", 5*time.Second) // a kernel that answers does so at once
		if full = err != nil; !full {
			defer conn.Close()
		}
	}
	for range fewestLooks {
		expect(t, "queue full", h, shutdown.SeenRefusing, "echo")
	}
}

// inHost is set when the test binary runs again in a host's network namespace,
// to the address of the test's side.
var inHost = os.Getenv("EBBLINE_PROBE_TEST_FROM_HOST")

// TestPartInHost is no test by itself: TestCouldNotLook runs it where there is
// no route to anywhere, and where the kernel lets everybody send echo requests.
func TestPartInHost(t *testing.T) {
	if inHost == "" {
		t.Skip("a part of TestCouldNotLook, which runs it in a network namespace")
	}
	h := hostAt("192.0.2.1:22", 0)
	for range fewestLooks {
		expect(t, "no route", h, 0, "could not look")
	}
	if err := os.WriteFile("/proc/sys/net/ipv4/ping_group_range", []byte("0 1000"), 0); err != nil {
		t.Fatal(err)
	}
	conn, _, err := echoFamilies[true].open(hostIP(t, inHost))
	if err != nil {
		t.Fatal(err)
	}
	conn.Close()
	if conn.LocalAddr().Network() != "udp" {
		t.Errorf("a socket of the kind %q was opened", conn.LocalAddr().Network())
	}
	if !echo(t.Context(), hostIP(t, inHost)) {
		t.Error("no echo without rights")
	}
}

// Aim: echo requests work for IPv6 too. Method: the loopback address.
func TestEchoIPv6(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	if !echo(ctx, hostIP(t, "::1")) {
		t.Error("no echo from ::1")
	}
}

// Aim: not having been able to look is no silence. Method: no address, no name,
// no route, a look called off, and a switch that has lost its power so that
// every host behind it is silent.
func TestCouldNotLook(t *testing.T) {
	expect(t, "no address", New(&policy.Host{}), 0, "no address to look at")
	expect(t, "no name", hostAt("no..name:22", 0), 0, "could not look: lookup no..name")
	r := peertest.StartHosts(t, 2, peertest.HostOptions{})
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	elsewhere := r.Inside(0, exe, "-test.run=^TestPartInHost$")
	elsewhere.Env = append(os.Environ(), "EBBLINE_PROBE_TEST_FROM_HOST="+strings.TrimSuffix(r.Broadcast(), "255:9")+"1")
	if out, err := elsewhere.CombinedOutput(); err != nil {
		t.Errorf("without a route: %v: %s", err, out)
	}

	h := hostAt(r.Address(0)+":22", 0)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for range fewestLooks {
		// An echo reply may win the race; silence must not.
		if seen, text := h.Look(ended); seen == shutdown.SeenSilent || h.silent != 0 {
			t.Errorf("called off: %v, %q", seen, text)
		}
	}
	// With the name service gone the last address serves.
	h.address = "no..name:22"
	h.lastIP = hostIP(t, r.Address(0))
	expect(t, "by the last address", h, shutdown.SeenUp, "")

	h = hostAt(r.Address(1)+":22", 0)
	expect(t, "before", h, shutdown.SeenUp, "")
	r.SwitchOff()
	for range fewestLooks + 1 {
		expect(t, "no link", h, 0, "could not look: our own network card towards it has no link")
	}
	r.SwitchOn()
	for range 30 {
		if seen, _ := look(t, h); seen == shutdown.SeenUp {
			return
		}
	}
	expect(t, "the link is back", h, shutdown.SeenUp, "")
}

func hostIP(t *testing.T, text string) netip.Addr {
	t.Helper()
	ip, err := netip.ParseAddr(text)
	if err != nil {
		t.Fatal(err)
	}
	return ip
}
