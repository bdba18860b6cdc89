package snmp

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/des"
	"crypto/hmac"
	"crypto/rand"
	"encoding/binary"
	"errors"
	"hash"
	"time"

	"github.com/gosnmp/gosnmp"
)

// Messages of SNMP v3 with the user-based security model (RFC 3412, 3414, 3826,
// 7860). The keys are made by the library, the ciphers and hashes are the
// standard library's.

// engine is the card's SNMP engine, as discovery and its later answers told it,
// with the user's keys for it.
type engine struct {
	id     []byte
	boots  uint32
	time   uint32
	at     time.Time // when time was told
	mac    hash.Hash // nil for a user without authentication
	digest int       // octets of it that a message carries
	priv   []byte
	block  cipher.Block
	iv     [aes.BlockSize]byte // of the running crypt
	sum    [64]byte            // of the running sign
}

const usmModel = 3

// digestSize is how much of its hash a message carries: RFC 3414, 6.3.1 and
// 7.3.1, and RFC 7860, 4.1.
var digestSize = map[gosnmp.SnmpV3AuthProtocol]int{
	gosnmp.MD5: 12, gosnmp.SHA: 12, gosnmp.SHA224: 16, gosnmp.SHA256: 24, gosnmp.SHA384: 32, gosnmp.SHA512: 48,
}

// newEngine makes a user's keys for an engine (RFC 3414, 2.6; an engine's ID has
// 5 to 32 octets, RFC 3411, 5).
func newEngine(user *gosnmp.UsmSecurityParameters, id []byte) (*engine, error) {
	if len(id) < 5 || len(id) > 32 {
		return nil, errors.New("an engine ID has 5 to 32 octets")
	}
	u := user.Copy().(*gosnmp.UsmSecurityParameters)
	u.AuthoritativeEngineID, u.SecretKey, u.PrivacyKey = string(id), nil, nil
	if err := u.InitSecurityKeys(); err != nil {
		return nil, err
	}
	e := &engine{id: []byte(u.AuthoritativeEngineID), priv: u.PrivacyKey, digest: digestSize[u.AuthenticationProtocol]}
	if e.digest > 0 {
		e.mac = hmac.New(u.AuthenticationProtocol.HashType().New, u.SecretKey)
	}
	var err error
	switch u.PrivacyProtocol {
	case gosnmp.AES, gosnmp.AES192, gosnmp.AES256:
		e.block, err = aes.NewCipher(e.priv)
	case gosnmp.DES:
		e.block, err = des.NewCipher(e.priv[:des.BlockSize])
	}
	return e, err
}

// now is the engine's time: a stored one would stand still, and be out of the
// card's window after 150 s.
func (e *engine) now() uint32 { return e.time + uint32(time.Since(e.at)/time.Second) }

// told takes the engine's clock from a message.
func (e *engine) told(s *secured) {
	e.boots, e.time, e.at = uint32(s.boots), uint32(s.time), time.Now()
}

// crypt encrypts or decrypts a scoped PDU in place.
func (e *engine) crypt(text, salt []byte, boots, at uint32, encrypt bool) bool {
	if len(salt) != 8 {
		return false
	}
	iv := &e.iv
	if e.block.BlockSize() == des.BlockSize { // RFC 3414, 8.1.1
		for i := range salt {
			iv[i] = e.priv[des.BlockSize+i] ^ salt[i]
		}
		if len(text)%des.BlockSize != 0 {
			return false
		}
		mode := cipher.NewCBCDecrypter(e.block, iv[:des.BlockSize])
		if encrypt {
			mode = cipher.NewCBCEncrypter(e.block, iv[:des.BlockSize])
		}
		mode.CryptBlocks(text, text)
		return true
	}
	// RFC 3826, 3.1: cipher feedback, 128 bits at a time.
	binary.BigEndian.PutUint32(iv[:], boots)
	binary.BigEndian.PutUint32(iv[4:], at)
	copy(iv[8:], salt)
	for len(text) > 0 {
		e.block.Encrypt(iv[:], iv[:])
		for i := range min(len(iv), len(text)) {
			was := text[i]
			text[i] ^= iv[i]
			iv[i] = was
			if encrypt {
				iv[i] = text[i]
			}
		}
		text = text[min(len(iv), len(text)):]
	}
	return true
}

// salt is new for each message. DES wants the engine's boots in it (RFC 3414,
// 8.1.1.1).
func (e *engine) salt() (s [8]byte) {
	rand.Read(s[:])
	if e.block.BlockSize() == des.BlockSize {
		binary.BigEndian.PutUint32(s[:], e.boots)
	}
	return s
}

// sign writes a message's digest into it. Both ends reckon it with zeros in its
// place.
func (e *engine) sign(message, place []byte) {
	e.mac.Reset()
	e.mac.Write(message)
	copy(place, e.mac.Sum(e.sum[:0]))
}

// signed tells whether a message that came carries the digest that its
// contents and the user's key make. It leaves zeros in its place.
func (e *engine) signed(message, place []byte) bool {
	if e.mac == nil || len(place) != e.digest {
		return false
	}
	var said, want [64]byte
	copy(said[:], place)
	clear(place)
	e.sign(message, want[:e.digest])
	return hmac.Equal(said[:], want[:])
}

// secured writes a v3 message for an engine, or, when e is nil, the one that asks
// a card for its engine: without a user, and with no objects (RFC 3414, 4).
func (b *builder) secured(e *engine, user string, level gosnmp.SnmpV3MsgFlags, q *question, msgID, id uint32) {
	b.reset()
	var salt [8]byte
	if e == nil {
		e, user, level, q = &engine{}, "", gosnmp.NoAuthNoPriv, &question{kind: gosnmp.GetRequest}
	}
	boots, now := e.boots, uint32(0)
	if e.id != nil {
		now = e.now()
	}
	end := b.at
	b.pdu(q, id)
	b.octets(byte(gosnmp.OctetString), nil) // the default context
	b.octets(byte(gosnmp.OctetString), e.id)
	b.wrap(byte(gosnmp.Sequence), end)
	if level == gosnmp.AuthPriv {
		salt = e.salt()
		b.pad(end, e.block.BlockSize())
		e.crypt(b.bytes(), salt[:], boots, now, true)
		b.wrap(byte(gosnmp.OctetString), end)
	}
	end = b.at
	b.octets(byte(gosnmp.OctetString), salt[:8*int(level>>1&1)])
	place := b.at - e.digest*int(level&1)
	b.octets(byte(gosnmp.OctetString), make([]byte, b.at-place))
	b.octets(byte(gosnmp.OctetString), []byte(user))
	b.integer(int64(now))
	b.integer(int64(boots))
	b.octets(byte(gosnmp.OctetString), e.id)
	b.wrap(byte(gosnmp.Sequence), end)
	b.wrap(byte(gosnmp.OctetString), end)
	end = b.at
	b.integer(usmModel)
	b.octets(byte(gosnmp.OctetString), []byte{byte(level | gosnmp.Reportable)})
	b.integer(mostAnswer)
	b.integer(int64(msgID))
	b.wrap(byte(gosnmp.Sequence), end)
	b.integer(3)
	b.wrap(byte(gosnmp.Sequence), len(b.buf))
	if level&gosnmp.AuthNoPriv != 0 && !b.full {
		e.sign(b.bytes(), b.buf[place:place+e.digest])
	}
}

// pad fills up what was written since end to whole blocks of DES; AES needs none.
func (b *builder) pad(end, block int) {
	n := (block - (end-b.at)%block) % block
	if block != des.BlockSize || n == 0 || n > b.at {
		return
	}
	copy(b.buf[b.at-n:], b.buf[b.at:end])
	b.at -= n
	clear(b.buf[end-n : end])
}

// secured is the header of a v3 message that came, and what it secures. All of
// it lies in the packet.
type secured struct {
	msgID       int64
	flags       gosnmp.SnmpV3MsgFlags
	engine      []byte
	boots, time int64
	user        []byte
	digest      []byte
	salt        []byte
	scoped      cursor // the scoped PDU, encrypted or not
}

// read takes what follows the version in a message.
func (s *secured) read(m *cursor) bool {
	head := m.inner()
	s.msgID = head.integer()
	head.integer() // what the card could take
	flags := head.string()
	model := head.integer()
	security := cursor{rest: m.string()}
	params := security.inner()
	s.engine, s.boots, s.time = params.string(), params.integer(), params.integer()
	s.user, s.digest, s.salt = params.string(), params.string(), params.string()
	s.scoped = *m
	if len(flags) != 1 || model != usmModel {
		return false
	}
	s.flags = gosnmp.SnmpV3MsgFlags(flags[0]) & gosnmp.AuthPriv
	const times = 1<<31 - 1
	return head.done() && security.done() && params.done() && !m.bad &&
		s.boots >= 0 && s.boots <= times && s.time >= 0 && s.time <= times
}

// pdu reads the scoped PDU, which the flags may say is encrypted for e. The
// padding of a block cipher may follow it.
func (s *secured) pdu(e *engine, a *answer) bool {
	scoped := s.scoped
	private := s.flags == gosnmp.AuthPriv
	if private {
		text := scoped.string()
		if !scoped.done() || e == nil || e.block == nil || !e.crypt(text, s.salt, uint32(s.boots), uint32(s.time), false) {
			return false
		}
		scoped = cursor{rest: text}
	}
	body := scoped.inner()
	if scoped.bad || len(scoped.rest) > 0 && (!private || len(scoped.rest) >= des.BlockSize) {
		return false
	}
	body.string() // the context's engine; a report may come from another
	body.string()
	return a.read(&body)
}
