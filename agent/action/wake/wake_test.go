package wake

import (
	"context"
	"encoding/hex"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"ebbline/agent/peertest"
	"ebbline/shutdown"
)

// Aim: the payload is the magic packet. Method: six bytes 0xFF and 16 times the
// address, 102 bytes, written out by hand.
func TestPacket(t *testing.T) {
	card, _ := net.ParseMAC("02:00:00:00:00:20")
	want := "ffffffffffff" + strings.Repeat("020000000020", 16)
	if got := hex.EncodeToString(Packet(card)); got != want || len(got) != 2*102 {
		t.Errorf("got %s", got)
	}
}

// Aim: an address that is none is refused with what to write, and a network
// that is not there is told from a packet that was sent. Method: a table;
// nothing leaves this machine.
func TestBadAddresses(t *testing.T) {
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for _, c := range []struct {
		ctx          context.Context
		ethernet, to string
		outcome      shutdown.Outcome
		text         string
	}{
		{t.Context(), "02:00:00:00:00", "127.0.0.1", shutdown.Refused, "six pairs"},
		{t.Context(), "02:00:00:00:00:00:00:20", "127.0.0.1", shutdown.Refused, "six pairs"},
		{t.Context(), "vault", "127.0.0.1", shutdown.Refused, "six pairs"},
		{t.Context(), "", "127.0.0.1", shutdown.Refused, "six pairs"},
		{ended, "02:00:00:00:00:20", "127.0.0.1", shutdown.Unreachable, "context canceled"},
	} {
		outcome, text := Send(c.ctx, c.ethernet, c.to)
		if outcome != c.outcome || !strings.Contains(text, c.text) {
			t.Errorf("%q: got %v, %q", c.ethernet, outcome, text)
		}
	}
	short, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if outcome, text := Send(short, "02:00:00:00:00:20", "no..name"); outcome != shutdown.Unreachable {
		t.Errorf("no such name: %v, %q", outcome, text)
	}
	// Called off after the first packet: it was sent all the same.
	if outcome, text := Send(short, "02-00-00-00-00-20", "127.0.0.1"); outcome != shutdown.Accepted && short.Err() == nil {
		t.Errorf("called off: %v, %q", outcome, text)
	}
}

// Aim: the broadcast address of a network is right. Method: examples computed
// by hand from RFC 922: the host part all ones.
func TestBroadcastAddress(t *testing.T) {
	for prefix, want := range map[string]string{
		"192.0.2.20/24": "192.0.2.255", "10.1.2.3/8": "10.255.255.255", "192.0.2.130/25": "192.0.2.255",
		"192.0.2.20/25": "192.0.2.127", "172.16.5.4/20": "172.16.15.255", "192.0.2.1/30": "192.0.2.3",
		"192.0.2.1/31": "", "192.0.2.1/32": "", "2001:db8::1/64": "",
	} {
		ip, n, err := net.ParseCIDR(prefix)
		if err != nil {
			t.Fatal(err)
		}
		got := ""
		if found, ok := networkOf(&net.IPNet{IP: ip, Mask: n.Mask}); ok {
			got = found.broadcast.String()
		}
		if got != want {
			t.Errorf("%s: got %q, want %q", prefix, got, want)
		}
	}
}

// inHost is set when the test binary runs again in a host's network namespace,
// to the part it has there.
var inHost = os.Getenv("EBBLINE_WAKE_TEST_PART")

// TestPartInHost is no test by itself: it is the other end of those below.
func TestPartInHost(t *testing.T) {
	switch part, ethernet, _ := strings.Cut(inHost, " "); part {
	case "receive":
		conn, err := net.ListenUDP("udp4", &net.UDPAddr{Port: 9})
		if err != nil {
			t.Fatal(err)
		}
		fmt.Println("listening")
		conn.SetReadDeadline(time.Now().Add(time.Minute))
		for range times {
			buf := make([]byte, 2000)
			n, from, err := conn.ReadFromUDP(buf)
			if err != nil {
				t.Fatal(err)
			}
			fmt.Println("got", hex.EncodeToString(buf[:n]), from.IP)
		}
	case "send":
		fmt.Println(Send(context.Background(), ethernet, ""))
	default:
		t.Skip("a part of other tests, which run it in a network namespace")
	}
}

func partInHost(t *testing.T, r *peertest.Rack, host int, part string) *exec.Cmd {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := r.Inside(host, exe, "-test.run=^TestPartInHost$", "-test.v")
	cmd.Env = append(os.Environ(), "EBBLINE_WAKE_TEST_PART="+part)
	return cmd
}

// Aim: what is sent arrives on the other side of a network, three times, and
// to the broadcast address of each network when none is named. Method: the
// receiver is in one host's network namespace; the sender without an address is
// in another's, which has two networks, so that nothing leaves the test.
func TestReceived(t *testing.T) {
	r := peertest.StartHosts(t, 2, peertest.HostOptions{})
	add := r.Inside(1, "sh", "-c", "ip link add more type veth peer name far && ip addr add 198.51.100.5/25 dev more && ip link set more up && ip link set far up")
	if out, err := add.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	const card = "02:00:00:00:00:20"
	mac, _ := net.ParseMAC(card)
	for _, sender := range []struct{ name, from string }{
		{"named", strings.TrimSuffix(r.Broadcast(), "255:9") + "1"},
		{"every network", r.Address(1)},
	} {
		var heard strings.Builder
		receiver := partInHost(t, r, 0, "receive")
		out, err := receiver.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := receiver.Start(); err != nil {
			t.Fatal(err)
		}
		buf := make([]byte, 4096)
		for !strings.Contains(heard.String(), "listening") {
			n, err := out.Read(buf)
			heard.Write(buf[:n])
			if err != nil {
				t.Fatalf("the receiver does not listen: %s", heard.String())
			}
		}
		if sender.name == "named" {
			if outcome, text := Send(t.Context(), card, strings.TrimSuffix(r.Broadcast(), ":9")); outcome != shutdown.Accepted {
				t.Errorf("%v, %s", outcome, text)
			}
		} else {
			said, err := partInHost(t, r, 1, "send "+card).CombinedOutput()
			if err != nil || !strings.Contains(string(said), "accepted magic packet sent 3 times") {
				t.Errorf("the sender: %v: %s", err, said)
			}
		}
		for {
			n, err := out.Read(buf)
			heard.Write(buf[:n])
			if err != nil {
				break
			}
		}
		receiver.Wait()
		want := fmt.Sprintf("got %x %s\n", Packet(mac), sender.from)
		if got := strings.Count(heard.String(), want); got != times {
			t.Errorf("%s: arrived %d times, want %d:\n%s", sender.name, got, times, heard.String())
		}
	}
}

// Aim: a host that was powered off comes back, and only that one. Method: two
// hosts are off; a packet goes to the broadcast address for one of them.
func TestWakesAHost(t *testing.T) {
	r := peertest.StartHosts(t, 2, peertest.HostOptions{})
	r.PowerOff(0)
	r.PowerOff(1)
	if outcome, text := Send(t.Context(), r.Ethernet(1), r.Broadcast()); outcome != shutdown.Accepted {
		t.Fatalf("%v, %s", outcome, text)
	}
	r.WaitUp(1)
	if r.Up(0) {
		t.Error("its neighbour woke too")
	}
}

// Aim: a check says whether there is a way for a packet, and sends none. Method:
// a socket of the test's own is the target; it hears nothing.
func TestCheck(t *testing.T) {
	heard, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer heard.Close()
	const card = "02:00:00:00:00:20"
	for _, c := range []struct {
		card, to string
		want     shutdown.Outcome
	}{
		{card, heard.LocalAddr().String(), shutdown.Accepted}, {card, "127.0.0.1", shutdown.Accepted},
		{"02:00", "", shutdown.Refused}, {card, "127.0.0.1:no-such-port", shutdown.Unreachable},
	} {
		if got, text := Check(t.Context(), c.card, c.to); got != c.want || text == "" {
			t.Errorf("%s to %q: %v %q, want %v", c.card, c.to, got, text, c.want)
		}
	}
	heard.SetReadDeadline(time.Now().Add(200 * time.Millisecond)) // loopback delivers before Write returns
	if n, _, err := heard.ReadFrom(make([]byte, 200)); err == nil {
		t.Errorf("a check sent %d bytes", n)
	}
}
