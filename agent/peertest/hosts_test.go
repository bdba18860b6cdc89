package peertest

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// command runs a command on host i with OpenSSH's own client, so that the rack
// is judged by another client than the one it serves to test.
func command(t *testing.T, r *Rack, i int, text string) (string, error) {
	t.Helper()
	return commandWithin(t, r, i, text, 2*time.Minute)
}

func commandWithin(t *testing.T, r *Rack, i int, text string, limit time.Duration) (string, error) {
	t.Helper()
	key := filepath.Join(t.TempDir(), "key")
	must(t, os.WriteFile(key, r.key, 0o600))
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	out, err := exec.CommandContext(ctx, "ssh", "-F", "none", "-i", key, "-o", "BatchMode=yes",
		"-o", "UserKnownHostsFile="+r.KnownHosts(), "-o", "StrictHostKeyChecking=yes",
		HostUser+"@"+r.Address(i), text).CombinedOutput()
	return string(out), err
}

// silent tells whether nothing at all answers at an address: no echo reply, no
// open port, no refusal.
func silent(r *Rack, i int) bool {
	conn, err := net.DialTimeout("tcp", r.Address(i)+":22", 3*time.Second)
	if err == nil {
		conn.Close()
		return false
	}
	return !strings.Contains(err.Error(), "refused")
}

// Aim: an orderly power-off ends the whole host, and a magic packet brings it
// back with the same keys. Method: OpenSSH's client sends the command; then no
// process is left and nothing answers; the packet goes out by UDP broadcast.
func TestPowerOffAndMagicPacket(t *testing.T) {
	r := StartHosts(t, 2, HostOptions{})
	if out, err := command(t, r, 0, "hostname >/dev/null; echo up"); err != nil || out != "up\n" {
		t.Fatalf("command said %q, %v", out, err)
	}
	out, err := command(t, r, 0, PowerOff)
	if err != nil || out != "going down\n" {
		t.Fatalf("power-off said %q, %v", out, err)
	}
	asked := r.Commands(0)[1]
	if asked.Text != PowerOff {
		t.Errorf("the host noted %q", asked.Text)
	}
	if at := r.WaitDown(0); !at.After(asked.At) {
		t.Errorf("went down at %v, before it was asked at %v", at, asked.At)
	}
	if r.Up(0) || r.Processes(0) != 0 || !silent(r, 0) {
		t.Error("the host is off and something of it still lives")
	}
	if !r.Up(1) || silent(r, 1) {
		t.Error("its neighbour went with it")
	}

	conn, err := net.Dial("udp", r.Broadcast())
	must(t, err)
	defer conn.Close()
	conn.Write(slices.Concat(bytes.Repeat([]byte{0xff}, 6), bytes.Repeat(r.hosts[0].ethernet, 16)))
	r.WaitUp(0)
	// The kernel may still be looking, in vain, for the Ethernet address that it was
	// asked for while the host was off.
	for end := time.Now().Add(20 * time.Second); silent(r, 0) && time.Now().Before(end); {
		time.Sleep(100 * time.Millisecond)
	}
	if out, err := command(t, r, 0, "echo again"); err != nil || out != "again\n" {
		t.Errorf("after the magic packet: %q, %v", out, err)
	}
}

// Aim: each mode behaves as it says. Method: OpenSSH's client sends the
// power-off; its exit status and the host's life are compared with the mode.
func TestModes(t *testing.T) {
	modes := []struct {
		mode   Mode
		status string // of OpenSSH's client, which gives 255 for a lost connection
		down   bool
	}{
		{Normal, "<nil>", true},
		{Slow(time.Second), "<nil>", true},
		{Cut, "exit status 255", true},
		{Dark, "signal: killed", true}, // it waits until it is stopped
		{Hang, "signal: killed", false},
		{Refuse, "exit status 1", false},
		{Ignore, "<nil>", false},
	}
	r := StartHosts(t, len(modes), HostOptions{})
	for i, m := range modes {
		t.Run(string(m.mode), func(t *testing.T) {
			t.Parallel()
			r.SetMode(i, m.mode)
			limit := 2 * time.Minute
			if m.status == "signal: killed" {
				limit = 8 * time.Second // in which it logs in
			}
			out, err := commandWithin(t, r, i, PowerOff, limit)
			if fmt.Sprint(err) != m.status {
				t.Errorf("ended with %v, want %v; it said %q", err, m.status, out)
			}
			if m.down {
				r.WaitDown(i)
			} else if !r.Up(i) || silent(r, i) {
				t.Error("the host is down")
			}
		})
	}
}

// Aim: a pulled plug leaves nothing, and a magic packet does not help until
// the plug is back. Method: as the names say.
func TestPullPlug(t *testing.T) {
	r := StartHosts(t, 1, HostOptions{})
	r.PullPlug(0)
	if r.Up(0) || !silent(r, 0) || r.StoppedAt(0).IsZero() {
		t.Fatal("the host survived")
	}
	if r.hosts[0].onStandby() {
		t.Error("its network card still listens")
	}
	r.PlugIn(0)
	r.WaitUp(0)
}

// Aim: a frozen host keeps its kernel's answers and nothing else, and thaws.
// Method: a TCP connection is made, but the server's greeting stays away.
func TestFreeze(t *testing.T) {
	r := StartHosts(t, 1, HostOptions{})
	r.Freeze(0)
	conn, err := net.DialTimeout("tcp", r.Address(0)+":22", time.Minute)
	must(t, err)
	defer conn.Close()
	conn.SetReadDeadline(time.Now().Add(500 * time.Millisecond))
	if n, err := conn.Read(make([]byte, 100)); err == nil {
		t.Errorf("a frozen host said %d bytes", n)
	}
	r.Thaw(0)
	conn.SetReadDeadline(time.Now().Add(time.Minute))
	if _, err := conn.Read(make([]byte, 100)); err != nil {
		t.Errorf("after the thaw: %v", err)
	}
}

// Aim: nothing is left of a rack, nor of one whose process died. Method: links
// are counted after a subtest's end; and a bridge without a lock is removed.
func TestNothingIsLeft(t *testing.T) {
	var bridge string
	t.Run("rack", func(t *testing.T) { bridge = StartHosts(t, 2, HostOptions{}).bridge })
	links, err := net.Interfaces()
	must(t, err)
	for _, l := range links {
		if l.Name == bridge || strings.HasPrefix(l.Name, bridge+".") {
			t.Errorf("link %s is left", l.Name)
		}
	}
	ip(t, "link add %s type bridge", bridge)
	StartHosts(t, 0, HostOptions{})
	if _, err := net.InterfaceByName(bridge); err == nil && !inUse(bridge) {
		t.Errorf("the leftover bridge %s was not swept", bridge)
	}
}

func inUse(bridge string) bool {
	_, err := net.InterfaceByName(bridge + ".a")
	return err == nil
}
