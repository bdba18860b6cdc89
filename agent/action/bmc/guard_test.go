package bmc

import (
	"encoding/binary"
	"io"
	"net"
	"testing"

	"github.com/bougou/go-ipmi/pkg/types"
)

// datagrams is a connection on which come the pieces of a text, each after a byte
// with its length.
type datagrams struct {
	net.Conn
	rest []byte
}

func (d *datagrams) Read(b []byte) (int, error) {
	if len(d.rest) == 0 {
		return 0, io.EOF
	}
	n := min(int(d.rest[0]), len(d.rest)-1)
	n, d.rest = copy(b, d.rest[1:1+n]), d.rest[1+n:]
	return n, nil
}

func (d *datagrams) Write(b []byte) (int, error) { return len(b), nil }

// packet is an RMCP+ packet with a payload.
func packet(kind byte, payload []byte) []byte {
	d := make([]byte, headerSize, headerSize+len(payload))
	d[0], d[3], d[4], d[5] = types.RmcpVersion, types.MessageClassIPMI, byte(types.AuthTypeRMCPPlus), kind
	binary.LittleEndian.PutUint16(d[14:], uint16(len(payload)))
	return append(d, payload...)
}

// Aim: whatever arrives in place of a BMC's answers, nothing panics, no more is
// read than there is, and nothing that is not signed with the password passes for
// an answer in the session. Method: the fuzzer makes up the datagrams, at each
// step of a login and after it.
func FuzzGuard(f *testing.F) {
	piece := func(d []byte) []byte { return append([]byte{byte(len(d))}, d...) }
	answer := make([]byte, 36)
	answer[16], answer[24], answer[32] = byte(suitesAllowed[17].auth), byte(suitesAllowed[17].integrity), byte(suitesAllowed[17].secrecy)
	f.Add(byte(0), piece(packet(openAnswer, answer)))
	f.Add(byte(1), piece(packet(rakp2, make([]byte, 72))))
	f.Add(byte(2), piece(packet(rakp4, make([]byte, 40))))
	f.Add(byte(3), append(piece(packet(rakp2, make([]byte, 72))), piece(packet(inSession, make([]byte, 64)))...))
	f.Add(byte(3), piece(packet(inSession, []byte{0, 1})))
	f.Fuzz(func(t *testing.T, step byte, text []byte) {
		for _, suite := range suitesAllowed {
			in := &datagrams{rest: text}
			g := &guard{Conn: in, algorithms: suite, user: "admin", password: "a password"}
			send := func(kind byte) {
				if _, err := g.Write(packet(kind, make([]byte, 32))); err != nil {
					t.Fatal(err)
				}
			}
			send([]byte{openRequest, rakp1, rakp1 + 2, rakp1}[step%4])
			if step%4 == 3 { // the keys may be agreed on whatever comes first
				g.Read(make([]byte, 300))
				send(inSession)
			}
			for {
				b := make([]byte, 300)
				n, err := g.Read(b)
				if err != nil {
					break
				}
				if n > len(b) || b[5] == inSession {
					t.Fatalf("%d bytes pass, of the kind %#x", n, b[5])
				}
			}
		}
	})
}
