package snmp

import (
	"flag"
	"net"
	"net/netip"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gosnmp/gosnmp"

	"ebbline/agent/peertest"
	"ebbline/shutdown"
)

// lies are what a forger says of a UPS, for each object that is asked for.
type lies map[string]int

var (
	// onBattery is said while the input is there.
	onBattery = lies{objects[outputSource].oid: 5, objects[secondsOnBattery].oid: 600, objects[batteryStatus].oid: 3, objects[minutesRemaining].oid: 1, objects[chargeRemaining].oid: 3, objects[inputVoltage1].oid: 0}
	// allWell is said while it is away.
	allWell = lies{objects[outputSource].oid: 3, objects[secondsOnBattery].oid: 0, objects[batteryStatus].oid: 2, objects[minutesRemaining].oid: 42, objects[chargeRemaining].oid: 100, objects[inputVoltage1].oid: 230}
)

// of gives what is said of an object: 1 of what does not matter.
func (l lies) of(oid string) int {
	if n, ok := l[oid]; ok {
		return n
	}
	return 1
}

// away makes a scripted UPS one on battery, nearly empty.
func away(s *peertest.UPSState) {
	for name, n := range map[string]int64{"upsOutputSource": 5, "upsSecondsOnBattery": 600, "upsBatteryStatus": 3, "upsEstimatedMinutesRemaining": 1, "upsEstimatedChargeRemaining": 3, "upsInputVoltage.1": 0} {
		s.Numbers[name] = n
	}
}

// forgery makes the library's answer to a request, with lies in it; change may
// then spoil it. A v3 one is encrypted and signed with the user's true keys, so
// that nothing but the change is wrong with it; nil stands for a request that
// was no question to the UPS.
func forgery(t *testing.T, request []byte, l lies, change func(*gosnmp.SnmpPacket)) []byte {
	x := &gosnmp.GoSNMP{Version: gosnmp.SnmpVersion(request[4])}
	if request[1] >= 0x80 {
		x.Version = gosnmp.SnmpVersion(request[4+request[1]&0x7f])
	}
	if x.Version == gosnmp.Version3 {
		x.SecurityModel, x.MsgFlags = gosnmp.UserSecurityModel, gosnmp.AuthPriv
		x.SecurityParameters = &gosnmp.UsmSecurityParameters{UserName: "sha256-aes", AuthenticationProtocol: gosnmp.SHA256, AuthenticationPassphrase: "authpass-test",
			PrivacyProtocol: gosnmp.AES, PrivacyPassphrase: "privpass-test"}
	}
	p, err := x.SnmpDecodePacket(append([]byte(nil), request...))
	if err != nil {
		t.Errorf("a request that the library cannot read: %v", err)
		return nil
	}
	if p.PDUType != gosnmp.GetRequest || len(p.Variables) < 3 {
		return nil
	}
	p.PDUType, p.MsgFlags = gosnmp.GetResponse, p.MsgFlags&gosnmp.AuthPriv
	for i := range p.Variables {
		p.Variables[i].Type, p.Variables[i].Value = gosnmp.Integer, l.of(p.Variables[i].Name)
	}
	if change != nil {
		change(p)
	}
	out, err := p.MarshalMsg()
	if err != nil {
		t.Errorf("a forgery that the library cannot write: %v", err)
	}
	return out
}

func usm(p *gosnmp.SnmpPacket) *gosnmp.UsmSecurityParameters {
	return p.SecurityParameters.(*gosnmp.UsmSecurityParameters)
}

// otherKeys makes the keys anew after a change of what they are made from.
func otherKeys(p *gosnmp.SnmpPacket) {
	usm(p).SecretKey, usm(p).PrivacyKey = nil, nil
	usm(p).InitSecurityKeys()
}

// plainText makes an answer that is neither encrypted nor signed.
func plainText(p *gosnmp.SnmpPacket) { p.MsgFlags = gosnmp.NoAuthNoPriv }

// reports makes it a report of one of the usmStats, in plain text.
func reports(number string) func(*gosnmp.SnmpPacket) {
	return func(p *gosnmp.SnmpPacket) {
		plainText(p)
		p.PDUType = gosnmp.Report
		p.Variables = []gosnmp.SnmpPDU{{Name: ".1.3.6.1.6.3.15.1.1." + number + ".0", Type: gosnmp.Counter32, Value: uint32(1)}}
	}
}

var changes = []struct {
	name     string
	versions []int
	change   func(*gosnmp.SnmpPacket)
}{
	{"request id 0", []int{1, 2, 3}, func(p *gosnmp.SnmpPacket) { p.RequestID = 0 }},
	{"another request id", []int{1, 2, 3}, func(p *gosnmp.SnmpPacket) { p.RequestID ^= 1 }},
	{"another community", []int{1, 2}, func(p *gosnmp.SnmpPacket) { p.Community = "public" }},
	{"the beginning of the community", []int{1, 2}, func(p *gosnmp.SnmpPacket) { p.Community = p.Community[:4] }},
	{"version 1", []int{2}, func(p *gosnmp.SnmpPacket) { p.Version = gosnmp.Version1 }},
	{"version 2c", []int{1}, func(p *gosnmp.SnmpPacket) { p.Version = gosnmp.Version2c }},
	{"no answer but a request", []int{1, 2, 3}, func(p *gosnmp.SnmpPacket) { p.PDUType = gosnmp.SetRequest }},
	{"one object fewer", []int{1, 2, 3}, func(p *gosnmp.SnmpPacket) { p.Variables = p.Variables[:len(p.Variables)-1] }},
	{"one object more", []int{1, 2, 3}, func(p *gosnmp.SnmpPacket) { p.Variables = append(p.Variables, p.Variables[0]) }},
	{"one object twice", []int{1, 2, 3}, func(p *gosnmp.SnmpPacket) { p.Variables[2] = p.Variables[1] }},
	{"objects in another order", []int{1, 2, 3}, func(p *gosnmp.SnmpPacket) { p.Variables[0], p.Variables[1] = p.Variables[1], p.Variables[0] }},
	{"another message id", []int{3}, func(p *gosnmp.SnmpPacket) { p.MsgID ^= 1 }},
	{"another engine", []int{3}, func(p *gosnmp.SnmpPacket) { usm(p).AuthoritativeEngineID += "x"; otherKeys(p) }},
	{"another user", []int{3}, func(p *gosnmp.SnmpPacket) { usm(p).UserName = "sha256-" }},
	{"another authentication key", []int{3}, func(p *gosnmp.SnmpPacket) { usm(p).AuthenticationPassphrase = "authpass-tesT"; otherKeys(p) }},
	{"not encrypted", []int{3}, func(p *gosnmp.SnmpPacket) { p.MsgFlags = gosnmp.AuthNoPriv }},
	{"not signed", []int{3}, plainText},
	{"version 2c, downgraded", []int{3}, func(p *gosnmp.SnmpPacket) { p.Version, p.Community = gosnmp.Version2c, "read-test" }},
	{"unsigned report: no such level", []int{3}, reports("1")},
	{"unsigned report: out of its time window", []int{3}, reports("2")},
	{"unsigned report: no such user", []int{3}, reports("3")},
	{"unsigned report: another engine", []int{3}, func(p *gosnmp.SnmpPacket) { reports("4")(p); usm(p).AuthoritativeEngineID += "x" }},
	{"unsigned report: wrong digest", []int{3}, reports("5")},
	{"unsigned report: cannot decrypt", []int{3}, reports("6")},
}

// Aim: an answer with one thing wrong is not believed, does not end the poll and
// does not lead it astray: the true one, which comes after it, is taken. Method:
// a relay before a real card that answers each question with a lie of the
// library's making before it passes it on. That the same lie with nothing wrong
// is believed shows that each change alone is what is refused.
func TestForgedAnswers(t *testing.T) {
	c := peertest.StartSNMPD(t, peertest.DefaultUPS())
	relay := peertest.StartRelay(t, c.Addr, 1)
	forged := func(version int, change func(*gosnmp.SnmpPacket)) shutdown.Measurement {
		cfg := c.SNMP(version)
		cfg.Address = relay.Addr
		s := newSource(t, cfg)
		relay.Set(peertest.Path{})
		poll(t, s) // it learns the ratings, and in v3 the engine
		var lied atomic.Int32
		relay.Set(peertest.Path{Asked: func(client netip.AddrPort, request []byte) {
			if lie := forgery(t, request, onBattery, change); lie != nil {
				relay.Inject(client, lie)
				lied.Add(1)
			}
		}})
		m := poll(t, s)
		if lied.Load() == 0 {
			t.Error("nothing was forged: the test tests nothing")
		}
		return m
	}
	for version := 1; version <= 3; version++ {
		if m := forged(version, nil); m.Source != shutdown.FromBattery || m.Battery != shutdown.StatusLow {
			t.Errorf("v%d, a perfect forgery gives %+v: the test tests nothing", version, m)
		}
	}
	for _, k := range changes {
		for _, version := range k.versions {
			if m := forged(version, k.change); m != normal {
				t.Errorf("v%d, %s: %+v", version, k.name, m)
			}
		}
	}
}

// Aim: an answer from another address or port is not believed. Method: the
// perfect forgery, which the relay's own socket would get believed, from another
// port of the card's machine and from another machine.
func TestForgedSource(t *testing.T) {
	c := peertest.StartSNMPD(t, peertest.DefaultUPS())
	relay := peertest.StartRelay(t, c.Addr, 1)
	for _, from := range []string{"127.0.0.1:0", "127.0.0.2:0"} {
		stranger, err := net.ListenPacket("udp4", from)
		if err != nil {
			t.Fatal(err)
		}
		defer stranger.Close()
		for version := 1; version <= 3; version++ {
			cfg := c.SNMP(version)
			cfg.Address = relay.Addr
			s := newSource(t, cfg)
			lied := false
			relay.Set(peertest.Path{Asked: func(client netip.AddrPort, request []byte) {
				if lie := forgery(t, request, onBattery, nil); lie != nil {
					_, err := stranger.WriteTo(lie, net.UDPAddrFromAddrPort(client))
					lied = err == nil
				}
			}})
			if m := poll(t, s); m != normal || !lied {
				t.Errorf("v%d, from %s: %+v", version, from, m)
			}
			relay.Set(peertest.Path{})
		}
	}
}

// Aim: what waits before the question is asked is no answer to it, and where one
// round's answer had to go tells nothing of the next. Method: after a poll, lies
// are sent to where it was asked from: with the ids of that round and with 0.
func TestQueuedBeforeTheQuestion(t *testing.T) {
	c := peertest.StartSNMPD(t, peertest.DefaultUPS())
	relay := peertest.StartRelay(t, c.Addr, 1)
	for version := 1; version <= 3; version++ {
		cfg := c.SNMP(version)
		cfg.Address = relay.Addr
		s := newSource(t, cfg)
		var last netip.AddrPort
		var queued [][]byte
		relay.Set(peertest.Path{Asked: func(client netip.AddrPort, request []byte) {
			last = client
			for _, change := range []func(*gosnmp.SnmpPacket){nil, func(p *gosnmp.SnmpPacket) { p.RequestID = 0 }} {
				if lie := forgery(t, request, onBattery, change); lie != nil {
					queued = append(queued, lie)
				}
			}
		}})
		poll(t, s)
		poll(t, s) // without the ratings, so what is queued are the very objects asked for next
		if len(queued) == 0 {
			t.Fatal("nothing is queued: the test tests nothing")
		}
		port := last
		for _, lie := range queued {
			relay.Inject(port, lie)
		}
		if m := poll(t, s); m != normal {
			t.Errorf("v%d: %+v", version, m)
		}
		if last == port {
			t.Errorf("v%d: two rounds from port %d", version, port.Port())
		}
		relay.Set(peertest.Path{})
	}
}

// Aim: an answer that comes when its round is over is not the next one's. Method:
// the card's true answer to one poll is kept back until it has failed; then the
// input fails, and the next poll is shown the old answer first.
func TestStaleAnswer(t *testing.T) {
	for version := 1; version <= 3; version++ {
		c := peertest.StartSNMPD(t, peertest.DefaultUPS())
		relay := peertest.StartRelay(t, c.Addr, 1)
		cfg := c.SNMP(version)
		cfg.Address = relay.Addr
		s := newSource(t, cfg)
		poll(t, s)
		var stale [][]byte
		relay.Set(peertest.Path{Drop: func(reply bool, packet []byte) bool {
			if reply {
				stale = append(stale, packet)
			}
			return reply
		}})
		s.cfg.Timeout = 400 * time.Millisecond
		if _, err := s.Poll(t.Context()); err == nil {
			t.Fatal("a poll without an answer succeeds: the test tests nothing")
		}
		s.cfg.Timeout = cfg.Timeout
		c.Set(away)
		relay.Set(peertest.Path{Asked: func(client netip.AddrPort, _ []byte) {
			for _, old := range stale {
				relay.Inject(client, old)
			}
		}})
		if m := poll(t, s); len(stale) == 0 || m.Source != shutdown.FromBattery || m.Battery != shutdown.StatusLow {
			t.Errorf("v%d, %d stale answers: %+v", version, len(stale), m)
		}
	}
}

var floodFor = flag.Duration("flood", 4*time.Second, "how long each forger of TestForgerFloods sends")

// Aim: who sees nothing of what the card and this machine say can neither have a
// host stopped nor hide that the input failed. Method: three machines on one
// segment: this one, a real card, and a stranger who sends 30,000 lies a second
// under the card's address to every port of this one, with the id that one
// library takes for any; the UPS is polled five times a second meanwhile, in both
// directions.
func TestForgerFloods(t *testing.T) {
	rack := peertest.StartHosts(t, 0, peertest.HostOptions{})
	c := rack.StartCard(peertest.DefaultUPS())
	for name, k := range map[string]struct {
		lies  lies
		truth func(*peertest.UPSState)
		is    func(shutdown.Measurement) bool
	}{
		"on battery, low, said while the input is there": {onBattery, func(*peertest.UPSState) {}, func(m shutdown.Measurement) bool { return m == normal }},
		"input good, said while it is away": {allWell, away, func(m shutdown.Measurement) bool {
			return m.Source == shutdown.FromBattery && m.Battery == shutdown.StatusLow
		}},
	} {
		for _, version := range []int{1, 2} {
			c.Set(func(s *peertest.UPSState) { *s = peertest.DefaultUPS(); k.truth(s) })
			cfg := c.SNMP(version)
			cfg.Timeout = time.Second
			s := newSource(t, cfg)
			poll(t, s)
			wait := rack.Forge(c, blind(t, s, version, k.lies), 30_000, *floodFor)
			polls, believed, failed := 0, 0, 0
			for end := time.Now().Add(*floodFor); time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
				polls++
				if m, err := s.Poll(t.Context()); err != nil {
					failed++
				} else if !k.is(m) {
					believed++
				}
			}
			wait()
			t.Logf("v%d, %s: %d polls, %d failed, %d believed a lie", version, name, polls, failed, believed)
			if believed > 0 || failed > polls/2 {
				t.Errorf("v%d, %s: of %d polls %d failed and %d believed a lie", version, name, polls, failed, believed)
			}
		}
	}
}

// blind is the best that a stranger can send who knows the program and the kind
// of UPS, but neither ids nor community: the objects that are asked of such a UPS.
func blind(t *testing.T, s *Source, version int, l lies) []byte {
	p := &gosnmp.SnmpPacket{Version: gosnmp.SnmpVersion(version - 1), Community: "public", PDUType: gosnmp.GetResponse}
	for i := range index(fixed) {
		if s.absent[i] {
			continue
		}
		p.Variables = append(p.Variables, gosnmp.SnmpPDU{Name: objects[i].oid, Type: gosnmp.Integer, Value: l.of(objects[i].oid)})
	}
	out, err := p.MarshalMsg()
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Aim: the answers to a SET and to a walk are held to the same. Method: refusals
// of a SET that the card takes, and rows of the alarm table that it has not, each
// with request id 0 and with another community.
func TestForgedSetAndWalk(t *testing.T) {
	c := peertest.StartSNMPD(t, peertest.DefaultUPS())
	c.Set(func(s *peertest.UPSState) { s.Alarms[7] = "upsAlarmFanFailure" })
	relay := peertest.StartRelay(t, c.Addr, 1)
	lied := 0
	for _, change := range []func(*gosnmp.SnmpPacket){
		func(p *gosnmp.SnmpPacket) { p.RequestID = 0 },
		func(p *gosnmp.SnmpPacket) { p.Community = "public" },
	} {
		relay.Set(peertest.Path{Asked: func(client netip.AddrPort, request []byte) {
			p, err := (&gosnmp.GoSNMP{}).SnmpDecodePacket(append([]byte(nil), request...))
			if err != nil {
				t.Error(err)
				return
			}
			switch p.PDUType {
			case gosnmp.SetRequest:
				p.Error = gosnmp.NoAccess
			case gosnmp.GetBulkRequest:
				p.Variables = []gosnmp.SnmpPDU{{Name: alarmDescr + ".9", Type: gosnmp.ObjectIdentifier, Value: knownAlarm + "2"}, {Name: upsMIB + "7", Type: gosnmp.Null}}
			default:
				return
			}
			p.PDUType = gosnmp.GetResponse
			change(p)
			lie, err := p.MarshalMsg()
			if err != nil {
				t.Error(err)
			}
			relay.Inject(client, lie)
			lied++
		}})
		cfg := c.SNMP(2)
		cfg.Address = relay.Addr
		client, err := NewClient(cfg, Writing, peertest.Secret)
		if err != nil {
			t.Fatal(err)
		}
		if err := client.Set(t.Context(), Setting{autoRestart, Int(1)}); err != nil {
			t.Errorf("the card took it, and the client says: %v", err)
		}
		if m := poll(t, newSource(t, cfg)); m.Source != shutdown.FromInput {
			t.Errorf("a forged alarm is believed: %+v", m)
		}
	}
	if lied < 4 || len(c.Sets()) != 2 {
		t.Errorf("%d lies, %d SETs at the card", lied, len(c.Sets()))
	}
}
