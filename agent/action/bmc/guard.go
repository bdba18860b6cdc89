package bmc

import (
	"crypto/hmac"
	"encoding/binary"
	"net"

	"github.com/bougou/go-ipmi/pkg/crypto"
	"github.com/bougou/go-ipmi/pkg/types"
)

// guard stands between the library and the network, and lets only those answers
// in that a BMC which knows the password can have given. The library (0.9.1)
// does not check the signature of an answer, takes unsigned ones and even ones
// in the older IPMI 1.5 format, and a datagram that it cannot decrypt panics in
// a goroutine of its own: a single forged one would end the agent, or turn a
// running host into one proven off.
//
// Layouts are those of IPMI 2.0: table 13-8 (packet), 13.18 (open session), 13.20
// to 13.23 (RAKP messages).
type guard struct {
	net.Conn
	algorithms algorithms
	user       string
	password   string
	console    [16]byte // the console's random number
	role       byte
	signing    []byte // K1; nil until RAKP message 2
	encrypting []byte // K2
	awaited    byte   // payload type of the next answer
}

// algorithms are those of one cipher suite, as they stand in the answer to an
// open session request.
type algorithms struct {
	auth      types.AuthAlg
	integrity types.IntegrityAlg
	secrecy   types.CryptAlg
}

// suitesAllowed are the cipher suites with HMAC-SHA signatures and AES (IPMI 2.0,
// table 22-20). The others sign or encrypt with MD5, RC4 or not at all.
var suitesAllowed = map[int]algorithms{
	3:  {types.AuthAlg_HMAC_SHA1, types.IntegrityAlg_HMAC_SHA1_96, types.CryptAlg_AES_CBC_128},
	17: {types.AuthAlg_HMAC_SHA256, types.IntegrityAlg_HMAC_SHA256_128, types.CryptAlg_AES_CBC_128},
}

const (
	headerSize = 16 // RMCP and RMCP+ header, up to the payload

	openRequest = 0x10
	openAnswer  = 0x11
	rakp1       = 0x12
	rakp2       = 0x13
	rakp4       = 0x15
	inSession   = 0xC0 // an IPMI message, encrypted and signed
)

// Write notes what the keys are made from, and which answer comes next.
func (g *guard) Write(d []byte) (int, error) {
	if len(d) > headerSize {
		g.awaited = d[5]
		if d[5] >= openRequest && d[5] != inSession {
			g.awaited++ // the answers to the messages of a handshake have the next number
		}
		if p := d[headerSize:]; d[5] == rakp1 && len(p) > 24 {
			copy(g.console[:], p[8:24])
			g.role = p[24]
		}
	}
	return g.Conn.Write(d)
}

// Read gives the next genuine answer and drops the others. Until the keys are
// agreed any refusal counts as genuine: a forged one can make an action fail,
// which is said, but never succeed.
func (g *guard) Read(d []byte) (int, error) {
	for {
		n, err := g.Conn.Read(d)
		if n = complete(d, n); err != nil || g.genuine(d[:n]) {
			return n, err
		}
	}
}

// complete fills up a refusal that ends after its status, as that of OpenIPMI's
// simulator does: the library does not see the status of one so short.
func complete(d []byte, n int) int {
	const short, whole = headerSize + 2, headerSize + 8
	if n != short || len(d) < whole || d[14] != 2 || d[17] == 0 {
		return n
	}
	clear(d[short:whole])
	d[14] = whole - headerSize
	return whole
}

func (g *guard) genuine(d []byte) bool {
	if len(d) < headerSize || d[0] != types.RmcpVersion || d[3] != types.MessageClassIPMI ||
		d[4] != byte(types.AuthTypeRMCPPlus) || d[5] != g.awaited {
		return false
	}
	size := int(binary.LittleEndian.Uint16(d[14:16]))
	if size < 8 || len(d) < headerSize+size {
		return false
	}
	payload := d[headerSize : headerSize+size]
	refused := payload[1] != 0
	switch d[5] {
	case openAnswer:
		return refused || size >= 36 &&
			g.algorithms == algorithms{types.AuthAlg(payload[16]), types.IntegrityAlg(payload[24]), types.CryptAlg(payload[32])}
	case rakp2:
		if !refused && size >= 40 {
			g.agree(payload[8:24])
		}
		return true
	case rakp4:
		return true
	}
	return d[5] == inSession && g.signed(d) && g.readable(payload)
}

// agree makes the session's keys from the two random numbers and the password.
// The library makes them too, and keeps them to itself.
func (g *guard) agree(managed []byte) {
	key := crypto.PadPassword20([]byte(g.password))
	_, g.signing, g.encrypting, _ = crypto.DeriveSessionKeys(g.algorithms.auth, g.console[:], managed, g.role, g.user, key)
}

func (g *guard) signed(d []byte) bool {
	size, _ := crypto.IntegrityAuthCodeLen(g.algorithms.integrity)
	if g.signing == nil || len(d) < headerSize+size {
		return false
	}
	text, code := d[4:len(d)-size], d[len(d)-size:] // from the authentication type on: 13.28.4
	want, err := crypto.SessionIntegrityAuthCode(g.algorithms.integrity, text, g.signing, "")
	return err == nil && hmac.Equal(want, code)
}

// readable tells whether the payload is an encrypted IPMI message, whole.
func (g *guard) readable(payload []byte) bool {
	const block, message = 16, 8
	if len(payload) < 2*block || len(payload)%block != 0 {
		return false
	}
	plain, err := crypto.DecryptAESPayload(payload, g.encrypting)
	return err == nil && len(plain) >= message
}
