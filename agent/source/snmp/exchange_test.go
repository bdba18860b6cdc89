package snmp

import (
	"bytes"
	"errors"
	"net"
	"os"
	"testing"
	"time"

	"github.com/gosnmp/gosnmp"

	"ebbline/agent/peertest"
	"ebbline/policy"
)

// Aim: what waits in a socket before anything is asked is thrown away, and what
// comes later is not. Method: three packets before, one after.
func TestDrain(t *testing.T) {
	peer, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer peer.Close()
	conn, err := net.DialUDP("udp4", nil, peer.LocalAddr().(*net.UDPAddr))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	for _, text := range []string{"one", "two", "three"} {
		peer.WriteTo([]byte(text), conn.LocalAddr())
	}
	drain(conn)
	peer.WriteTo([]byte("after"), conn.LocalAddr())
	buf := make([]byte, 100)
	conn.SetReadDeadline(time.Now().Add(time.Minute))
	if n, err := conn.Read(buf); err != nil || string(buf[:n]) != "after" {
		t.Errorf("read %q, %v", buf[:n], err)
	}
	conn.SetReadDeadline(time.Now())
	if _, err := conn.Read(buf); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("something is left: %v", err)
	}
}

// Aim: what is written is what the standard's encoding says, by the eyes of
// another implementation. Method: the library decodes questions of each kind; its
// own encoding of the same gives the same values back.
func TestMessagesByTheLibrary(t *testing.T) {
	oids := []string{".1.3.6.1.2.1.33.1.4.1.0", ".1.3.6.1.4.1.4294967295.128.16383.16384.2097151", "0.0", "2.999.1"}
	for _, kind := range []gosnmp.PDUType{gosnmp.GetRequest, gosnmp.GetNextRequest, gosnmp.GetBulkRequest, gosnmp.SetRequest} {
		q, err := about(kind, oids...)
		if err != nil {
			t.Fatal(err)
		}
		if kind == gosnmp.GetBulkRequest {
			q.repetitions = 300
		}
		if kind == gosnmp.SetRequest {
			q.values = []Value{Int(-1), Int(1<<31 - 1), Int(-1 << 31), ObjectID(oids[1])}
		}
		var b builder
		b.plain(1, string(bytes.Repeat([]byte("x"), 200)), q, 1<<31-1)
		p, err := (&gosnmp.GoSNMP{Version: gosnmp.Version2c}).SnmpDecodePacket(b.bytes())
		if err != nil || p.Version != gosnmp.Version2c || len(p.Community) != 200 || p.PDUType != kind || p.RequestID != 1<<31-1 || len(p.Variables) != len(oids) || p.MaxRepetitions != uint32(q.repetitions) {
			t.Errorf("%v: %v, %+v", kind, err, p)
			continue
		}
		for i, oid := range []string{oids[0], oids[1], ".0.0", ".2.999.1"} {
			v := p.Variables[i]
			if v.Name != oid {
				t.Errorf("%v: %q became %q", kind, oid, v.Name)
			}
			if want := []any{-1, 1<<31 - 1, -1 << 31, oids[1]}[i]; kind == gosnmp.SetRequest && v.Value != want {
				t.Errorf("%v became %v", want, v.Value)
			}
			if text, ok := ObjectID(oid).OID(); !ok || text != oid {
				t.Errorf("%q is read back as %q", oid, text)
			}
		}
	}
	for _, wrong := range []string{"", "1", "1.", "3.1", "1.40", "1.3.x", "1.3.4294967296", "1..3"} {
		if _, err := appendOID(nil, wrong); err == nil {
			t.Errorf("%q is taken", wrong)
		}
	}
}

// Aim: object identifiers are in the order of their numbers, not of their octets.
// Method: neighbours on both sides of each change of length.
func TestOrderOfObjects(t *testing.T) {
	row := []string{"1.3", "1.3.0", "1.3.1", "1.3.127", "1.3.128", "1.3.128.5", "1.3.255", "1.3.256", "1.3.16383", "1.3.16384", "1.3.2097151", "1.3.2097152", "1.4"}
	for i, a := range row {
		for j, b := range row {
			if got := after(ObjectID(a).octets, ObjectID(b).octets); got != (i > j) {
				t.Errorf("%s after %s: %v", a, b, got)
			}
		}
	}
}

// FuzzAnswer: no packet makes a panic, in any version, and none is believed:
// nobody without the community, the ids or the key can make one. Method: bytes
// from the fuzzer, and some of a true answer's, to a client that waits; the ids and
// the community are new each time, and no seed holds a true digest.
func FuzzAnswer(f *testing.F) {
	var clients []*Client
	for version := 1; version <= 3; version++ {
		cfg := policy.SNMP{Address: "192.0.2.1", Version: version, Community: peertest.ReadCommunity, User: "ups", Auth: "SHA256", AuthKey: peertest.AuthKey, Priv: "AES", PrivKey: peertest.PrivKey}
		c, err := NewClient(cfg, Reading, peertest.Secret)
		if err != nil {
			f.Fatal(err)
		}
		c.sent = []sent{{msgID: 77, id: 99}}
		clients = append(clients, c)
	}
	q, err := about(gosnmp.GetResponse, objects[0].oid)
	if err != nil {
		f.Fatal(err)
	}
	e, err := newEngine(clients[2].user, []byte("\x80\x00\x00\x00\x05abcdefgh"))
	if err != nil {
		f.Fatal(err)
	}
	var b builder
	for version := range 2 {
		b.plain(int64(version), "another", q, 99)
		f.Add(bytes.Clone(b.bytes()))
	}
	for _, level := range []gosnmp.SnmpV3MsgFlags{gosnmp.NoAuthNoPriv, gosnmp.AuthNoPriv, gosnmp.AuthPriv} {
		b.secured(e, "ups", level, q, 77, 99)
		spoilt := bytes.Clone(b.bytes())
		spoilt[len(spoilt)-1] ^= 1
		f.Add(spoilt)
	}
	f.Add([]byte("\x30\x84\xff\xff\xff\xff"))
	f.Add([]byte{})
	ask, err := about(gosnmp.GetRequest, objects[0].oid)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, packet []byte) {
		for i, c := range clients {
			for _, known := range []*engine{nil, e} {
				c.engine, c.community = known, "read-test"
				if i < 2 && bytes.Contains(packet, []byte(c.community)) {
					continue // the fuzzer reads the program
				}
				err := c.judge(ask, bytes.Clone(packet))
				if err == nil || err == errAgain && (i < 2 || known != nil) {
					t.Errorf("v%d believes % x", i+1, packet)
				}
			}
		}
	})
}
