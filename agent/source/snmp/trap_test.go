package snmp

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/gosnmp/gosnmp"

	"ebbline/agent/peertest"
	"ebbline/policy"
)

// trapSecret holds the values behind the secrets of these tests.
func trapSecret(name policy.Secret) ([]byte, error) { return []byte(string(name) + "-secret"), nil }

// v3Card is a card at an address whose v3 user is given.
func v3Card(address, user string) policy.SNMP {
	return policy.SNMP{Address: address, Version: 3, User: user, Auth: "SHA256", AuthKey: policy.Secret(user + "-auth"), Priv: "AES", PrivKey: policy.Secret(user + "-priv")}
}

// v3Sender sends as that card does.
func v3Sender(user string) peertest.Sender {
	return peertest.Sender{User: user, Auth: "SHA-256", AuthKey: user + "-auth-secret", Priv: "AES", PrivKey: user + "-priv-secret", EngineID: "0x80001f8804757073"}
}

// hearing is a running listener with what came of the packets it got.
type hearing struct {
	*Listener
	woken   chan netip.Addr
	ignored chan string
}

func listen(t testing.TB, community policy.Secret, cards ...policy.SNMP) *hearing {
	t.Helper()
	l, err := Listen(policy.Traps{Listen: "127.0.0.1:0", Community: community}, cards, EngineID("test"), trapSecret)
	if err != nil {
		t.Fatal(err)
	}
	h := &hearing{l, make(chan netip.Addr, 10000), make(chan string, 10000)}
	l.Ignored = func(from netip.Addr, why string) { h.ignored <- why }
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- l.Serve(ctx, func(a netip.Addr) { h.woken <- a }) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return h
}

func (h *hearing) expectWake(t *testing.T, what, from string) {
	t.Helper()
	select {
	case a := <-h.woken:
		if a != netip.MustParseAddr(from) {
			t.Errorf("%s: woken for %s, not %s", what, a, from)
		}
	case why := <-h.ignored:
		t.Errorf("%s: ignored: %s", what, why)
	case <-time.After(time.Minute):
		t.Errorf("%s: not heard", what)
	}
}

func (h *hearing) expectIgnored(t *testing.T, what, why string) {
	t.Helper()
	select {
	case a := <-h.woken:
		t.Errorf("%s: woken for %s", what, a)
	case got := <-h.ignored:
		if !strings.Contains(got, why) || strings.Contains(got, "secret") || strings.Contains(got, "\n") {
			t.Errorf("%s: ignored as %q", what, got)
		}
	case <-time.After(time.Minute):
		t.Errorf("%s: not heard", what)
	}
}

// Aim: every notification of RFC 1628 in every form, the three shapes of its
// identifier among them, is a reason to poll the card that sent it, and informs
// are acknowledged. Method: net-snmp's tools, which fail on an inform without
// an answer, with the address of each of two cards.
func TestTrapForms(t *testing.T) {
	h := listen(t, "traps", v3Card("127.0.0.1", "ups"), policy.SNMP{Address: "127.0.0.2:161", Version: 2})
	to := h.Addr().String()
	v3 := v3Sender("ups")
	for _, form := range []string{"v1", "v2c", "v2c-inform", "v3", "v3-inform"} {
		for what := peertest.OnBattery; what <= peertest.AlarmRemoved; what++ {
			s := v3
			s.Community = "traps-secret"
			if err := s.Send(t, to, form, what); err != nil {
				t.Errorf("%s %d: %v", form, what, err)
			}
			h.expectWake(t, fmt.Sprint(form, " ", what), "127.0.0.1")
		}
	}
	relayed := peertest.Sender{From: "127.0.0.2", Community: "traps-secret", Relayed: true}
	if err := relayed.Send(t, to, "v2c", peertest.OnBattery); err != nil {
		t.Error(err)
	}
	h.expectWake(t, "v1 trap turned into v2c", "127.0.0.2")
}

// Aim: whoever is not a card of the policy, or cannot prove it as the policy
// asks, wakes nobody. Method: net-snmp's tools with one thing wrong at a time,
// and two packets that they cannot make: a v3 trap under a security model that
// the library does not authenticate, and one that is no notification.
func TestForgedTraps(t *testing.T) {
	h := listen(t, "traps", v3Card("127.0.0.1", "ups"), policy.SNMP{Address: "127.0.0.2", Version: 2})
	to := h.Addr().String()
	good := v3Sender("ups")
	good.Community = "traps-secret"
	send := func(form string, change func(*peertest.Sender)) {
		s := good
		change(&s)
		if err := s.Send(t, to, form, peertest.OnBattery); err != nil && !strings.HasSuffix(form, "inform") {
			t.Fatal(err)
		}
	}
	send("v1", func(s *peertest.Sender) { s.Community = "public" })
	h.expectIgnored(t, "v1 community", "wrong community")
	send("v2c", func(s *peertest.Sender) { s.Community = "traps" })
	h.expectIgnored(t, "v2c community", "wrong community")
	send("v2c", func(s *peertest.Sender) { s.From = "127.0.0.3" })
	h.expectIgnored(t, "stranger", "not the address of a UPS")
	send("v3", func(s *peertest.Sender) { s.From = "127.0.0.2" })
	h.expectIgnored(t, "another card's user", "")
	send("v3", func(s *peertest.Sender) { s.AuthKey = "another-key" })
	h.expectIgnored(t, "v3 auth key", "")
	send("v3", func(s *peertest.Sender) { s.PrivKey = "another-key" })
	h.expectIgnored(t, "v3 priv key", "")
	send("v3", func(s *peertest.Sender) { s.User = "nobody" })
	h.expectIgnored(t, "v3 user", "")
	send("v3", func(s *peertest.Sender) { s.Level = "noAuthNoPriv" })
	h.expectIgnored(t, "v3 without authentication", "")
	send("v3", func(s *peertest.Sender) { s.Level = "authNoPriv" })
	h.expectIgnored(t, "v3 without privacy", "less security")
	s := good
	s.Community = "public"
	if err := s.Send(t, to, "v2c-inform", peertest.OnBattery); err == nil {
		t.Error("an inform with the wrong community was acknowledged")
	}

	raw, err := net.Dial("udp4", to)
	if err != nil {
		t.Fatal(err)
	}
	defer raw.Close()
	for len(h.ignored) > 0 {
		<-h.ignored
	}
	raw.Write(forgedModel(t))
	h.expectIgnored(t, "another security model", "security model")
	request, err := (&gosnmp.GoSNMP{Version: gosnmp.Version2c, Community: "traps-secret"}).SnmpEncodePacket(gosnmp.GetRequest, []gosnmp.SnmpPDU{{Name: objects[0].oid, Type: gosnmp.Null}}, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	raw.Write(request)
	h.expectIgnored(t, "a request", "no notification")
	if len(h.woken) != 0 {
		t.Errorf("woken %d times in all", len(h.woken))
	}
}

// forgedModel is a v3 trap for user "ups" in plain text, with flags that claim
// authentication and privacy and a security model that is none of USM's.
func forgedModel(t *testing.T) []byte {
	user := &gosnmp.UsmSecurityParameters{UserName: "ups", AuthoritativeEngineID: "\x80\x00\x00\x00\x05abcdefgh",
		AuthenticationProtocol: gosnmp.SHA256, AuthenticationPassphrase: "not the key", PrivacyProtocol: gosnmp.AES, PrivacyPassphrase: "not the key", PrivacyParameters: make([]byte, 8)}
	if err := user.InitSecurityKeys(); err != nil {
		t.Fatal(err)
	}
	p := &gosnmp.SnmpPacket{Version: gosnmp.Version3, MsgFlags: gosnmp.AuthNoPriv, SecurityModel: 2, SecurityParameters: user, PDUType: gosnmp.SNMPv2Trap,
		Variables: []gosnmp.SnmpPDU{{Name: ".1.3.6.1.2.1.1.3.0", Type: gosnmp.TimeTicks, Value: uint32(1)}}}
	out, err := p.MarshalMsg()
	if err != nil {
		t.Fatal(err)
	}
	at := strings.Index(string(out), "\x04\x01\x01\x02\x01\x02") // flags auth, model 2
	if at < 0 {
		t.Fatal("the flags are not where they were")
	}
	out[at+2] = byte(gosnmp.AuthPriv)
	return out
}

// Aim: several cards with users of their own behind one address, and no
// community asked for. Method: v3 traps and informs of both, one after the
// other and again; then a v1 trap with any community.
func TestSeveralUsers(t *testing.T) {
	h := listen(t, "", v3Card("127.0.0.1:1161", "one"), v3Card("localhost:1162", "two"))
	to := h.Addr().String()
	for range 2 {
		for _, user := range []string{"one", "two"} {
			for _, form := range []string{"v3-inform", "v3"} {
				if err := v3Sender(user).Send(t, to, form, peertest.AlarmAdded); err != nil {
					t.Errorf("%s %s: %v", user, form, err)
				}
				h.expectWake(t, user+" "+form, "127.0.0.1")
			}
		}
	}
	if err := (peertest.Sender{Community: "anything"}).Send(t, to, "v1", peertest.OnBattery); err != nil {
		t.Error(err)
	}
	h.expectWake(t, "any community", "127.0.0.1")
}

// Aim: an inform is acknowledged whatever the agent does with it. Method: wake
// does not return until the sender has its answer and has ended.
func TestInformIsAnsweredFirst(t *testing.T) {
	l, err := Listen(policy.Traps{Listen: "127.0.0.1:0"}, []policy.SNMP{{Address: "127.0.0.1", Version: 2}}, EngineID("test"), trapSecret)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	sent, woken, done := make(chan bool), make(chan bool), make(chan error)
	go func() {
		done <- l.Serve(ctx, func(netip.Addr) { <-sent; woken <- true })
	}()
	if err := (peertest.Sender{Community: "any"}).Send(t, l.Addr().String(), "v2c-inform", peertest.OnBattery); err != nil {
		t.Error(err)
	}
	close(sent)
	<-woken
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// Aim: no packet ends the listener, which the library's decoder would by a
// panic. Method: a captured trap with bytes cut off and changed, 2000 times from
// a card's own address; then a good trap is still heard. The panic is shown to
// be there, so that this test tells when it is gone.
func TestMalformedTraps(t *testing.T) {
	h := listen(t, "traps", v3Card("127.0.0.1", "ups"))
	raw, err := net.Dial("udp4", h.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer raw.Close()
	whole := forgedModel(t)
	panics := false
	for i := range 2000 {
		p := append([]byte(nil), whole[:2+i%(len(whole)-2)]...)
		p[1] = byte(len(p) - 2) // the outermost length is right, or nothing is decoded
		if i >= len(whole) && len(p) > 2 {
			p[2+i*7%(len(p)-2)] = byte(i * 31)
		}
		raw.Write(p)
		<-h.ignored // one at a time, so that none is lost to a full buffer
		func() {
			defer func() {
				if recover() != nil {
					panics = true
				}
			}()
			h.newSender().decoder.UnmarshalTrap(p, false)
		}()
	}
	if !panics {
		t.Error("the library's decoder no longer panics")
	}
	good := v3Sender("ups")
	if err := good.Send(t, h.Addr().String(), "v3", peertest.OnBattery); err != nil {
		t.Fatal(err)
	}
	h.expectWake(t, "after garbage", "127.0.0.1")
}

// Aim: a listener that cannot work says why. Method: a taken port, a bad engine
// ID, a card without a user.
func TestListenRefuses(t *testing.T) {
	first, err := Listen(policy.Traps{Listen: "127.0.0.1:0"}, nil, EngineID("a"), trapSecret)
	if err != nil {
		t.Fatal(err)
	}
	defer first.conn.Close()
	if _, err := Listen(policy.Traps{Listen: first.Addr().String()}, nil, EngineID("a"), trapSecret); err == nil {
		t.Error("two listeners on one port")
	}
	if _, err := Listen(policy.Traps{Listen: "127.0.0.1:0"}, nil, "abc", trapSecret); err == nil {
		t.Error("an engine ID of three octets")
	}
	if _, err := Listen(policy.Traps{Listen: "127.0.0.1:0"}, []policy.SNMP{{Address: "192.0.2.7", Version: 3}}, EngineID("a"), trapSecret); err == nil || !strings.Contains(err.Error(), "192.0.2.7") {
		t.Errorf("a v3 card without a user: %v", err)
	}
	if a, b := EngineID("one"), EngineID("two"); a == b || a != EngineID("one") || len(a) < 5 || len(a) > 32 || a[0]&0x80 == 0 {
		t.Errorf("engine IDs % x and % x", a, b)
	}
}

// FuzzTrap: no packet makes a panic escape or wakes anyone without the
// community or a user's key. Method: bytes from the fuzzer into the judge of
// packets; no seed holds a secret.
func FuzzTrap(f *testing.F) {
	l, err := Listen(policy.Traps{Listen: "127.0.0.1:0", Community: "traps"}, []policy.SNMP{v3Card("127.0.0.1", "ups")}, EngineID("test"), trapSecret)
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { l.conn.Close() })
	l.resolve(f.Context())
	v2, err := (&gosnmp.GoSNMP{Version: gosnmp.Version2c, Community: "public"}).SnmpEncodePacket(gosnmp.SNMPv2Trap, []gosnmp.SnmpPDU{{Name: ".1.3.6.1.2.1.1.3.0", Type: gosnmp.TimeTicks, Value: uint32(1)}}, 0, 0)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(v2)
	f.Add([]byte("\x30\x10\x02\x01\x03\x30\x0b"))
	from := netip.MustParseAddrPort("127.0.0.1:9")
	f.Fuzz(func(t *testing.T, packet []byte) {
		if why := l.take(context.Background(), packet, from); why == "" {
			t.Errorf("woken by % x", packet)
		}
	})
}
