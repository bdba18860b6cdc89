package snmp

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/gosnmp/gosnmp"

	"ebbline/agent/clean"
)

// The messages of SNMP v1 and v2c, and the PDU of all versions, in the BER that
// RFC 3417 allows (section 8). The library's own exchange and decoder are not
// used here: it takes an answer with request id 0 for any request, compares no
// community, ends a try at the first packet that it cannot read, and panics on
// some that are malformed. What is below reads a packet of any content without
// a panic and without keeping anything of it.

// Value is an object's value, as a card answered it or as it is to be written.
type Value struct {
	Type   gosnmp.Asn1BER // NoSuchObject where the card does not have the object
	number int64
	octets []byte // a string's; an object identifier's as encoded
}

// Int makes the value of an INTEGER.
func Int(n int64) Value { return Value{Type: gosnmp.Integer, number: n} }

// ObjectID makes the value of an OBJECT IDENTIFIER from its dotted form.
func ObjectID(dotted string) Value {
	octets, err := appendOID(nil, dotted)
	if err != nil {
		return Value{Type: gosnmp.Null}
	}
	return Value{Type: gosnmp.ObjectIdentifier, octets: octets}
}

// Integer gives the value if it is a whole number of any of SNMP's kinds.
func (v Value) Integer() (int64, bool) {
	switch v.Type {
	case gosnmp.Integer:
		return v.number, true
	case gosnmp.Gauge32, gosnmp.Counter32, gosnmp.Uinteger32:
		return v.number, v.number >= 0 && v.number <= math.MaxUint32
	}
	return 0, false
}

// Text gives a string, fit to be shown: what a card sends may hold anything.
func (v Value) Text() (string, bool) {
	if v.Type != gosnmp.OctetString {
		return "", false
	}
	return clean.Text(string(v.octets)), true
}

// OID gives an object identifier in its dotted form, with a leading dot.
func (v Value) OID() (string, bool) {
	if v.Type != gosnmp.ObjectIdentifier {
		return "", false
	}
	var b strings.Builder
	for rest, first := v.octets, true; len(rest) > 0; first = false {
		var n uint32
		var ok bool
		if n, rest, ok = subID(rest); !ok {
			return "", false
		}
		if first {
			root := min(n/40, 2)
			b.WriteString("." + strconv.Itoa(int(root)))
			n -= 40 * root
		}
		b.WriteString("." + strconv.FormatUint(uint64(n), 10))
	}
	return b.String(), b.Len() > 0
}

// keep gives the value a memory of its own.
func (v Value) keep() Value {
	v.octets = bytes.Clone(v.octets)
	return v
}

// subID takes one number of an encoded object identifier.
func subID(b []byte) (n uint32, rest []byte, ok bool) {
	for i, c := range b {
		if n > math.MaxUint32>>7 || i == 0 && c == 0x80 {
			return 0, nil, false
		}
		n = n<<7 | uint32(c&0x7f)
		if c < 0x80 {
			return n, b[i+1:], true
		}
	}
	return 0, nil, false
}

// after tells whether one encoded object identifier comes after another.
func after(a, b []byte) bool {
	for len(a) > 0 && len(b) > 0 {
		x, restA, okA := subID(a)
		y, restB, okB := subID(b)
		if !okA || !okB {
			return false
		}
		if x != y {
			return x > y
		}
		a, b = restA, restB
	}
	return len(a) > 0
}

// appendOID appends a dotted object identifier, encoded, without tag and length.
func appendOID(to []byte, dotted string) ([]byte, error) {
	wrong := func() error { return fmt.Errorf("object identifier %q: write numbers with dots between them", dotted) }
	var root uint64
	place := 0
	for part := range strings.SplitSeq(strings.TrimPrefix(dotted, "."), ".") {
		n, err := strconv.ParseUint(part, 10, 32)
		if err != nil || place == 0 && n > 2 || place == 1 && root < 2 && n > 39 {
			return to, wrong()
		}
		if place++; place == 1 {
			root = n
			continue
		}
		if place == 2 {
			n += 40 * root
		}
		for shift := 28; shift > 0; shift -= 7 {
			if n>>shift > 0 {
				to = append(to, byte(n>>shift)|0x80)
			}
		}
		to = append(to, byte(n)&0x7f)
	}
	if place < 2 {
		return to, wrong()
	}
	return to, nil
}

// builder makes a message from its end to its beginning, so that each length is
// known when it is written.
type builder struct {
	buf  [2048]byte
	at   int // where the message begins
	full bool
}

func (b *builder) reset() { b.at, b.full = len(b.buf), false }

func (b *builder) bytes() []byte { return b.buf[b.at:] }

func (b *builder) put(c byte) {
	if b.at == 0 {
		b.full = true
		return
	}
	b.at--
	b.buf[b.at] = c
}

func (b *builder) raw(p []byte) {
	if len(p) > b.at {
		b.full = true
		return
	}
	b.at -= copy(b.buf[b.at-len(p):], p)
}

// wrap makes what was written since end the content of an element.
func (b *builder) wrap(tag byte, end int) {
	n := end - b.at
	short := n < 0x80
	size := byte(0)
	for rest := n; ; size++ {
		b.put(byte(rest))
		if rest >>= 8; rest == 0 {
			break
		}
	}
	if !short {
		b.put(0x81 + size)
	}
	b.put(tag)
}

func (b *builder) octets(tag byte, p []byte) {
	end := b.at
	b.raw(p)
	b.wrap(tag, end)
}

func (b *builder) integer(n int64) {
	end := b.at
	for {
		c := byte(n)
		b.put(c)
		if n >>= 8; n == 0 && c < 0x80 || n == -1 && c >= 0x80 {
			break
		}
	}
	b.wrap(byte(gosnmp.Integer), end)
}

// pdu writes a question's PDU under a request id.
func (b *builder) pdu(q *question, id uint32) {
	end := b.at
	for i := len(q.names) - 1; i >= 0; i-- {
		variable := b.at
		v := Value{Type: gosnmp.Null}
		if q.values != nil {
			v = q.values[i]
		}
		if v.Type == gosnmp.Integer {
			b.integer(v.number)
		} else {
			b.octets(byte(v.Type), v.octets)
		}
		b.octets(byte(gosnmp.ObjectIdentifier), q.names[i])
		b.wrap(byte(gosnmp.Sequence), variable)
	}
	b.wrap(byte(gosnmp.Sequence), end)
	b.integer(q.repetitions) // or an error index, 0
	b.integer(0)             // no non-repeaters, or no error status
	b.integer(int64(id))
	b.wrap(byte(q.kind), end)
}

// plain writes a message of v1 or v2c.
func (b *builder) plain(version int64, community string, q *question, id uint32) {
	b.reset()
	b.pdu(q, id)
	b.octets(byte(gosnmp.OctetString), []byte(community))
	b.integer(version)
	b.wrap(byte(gosnmp.Sequence), len(b.buf))
}

// cursor reads the elements of a message, one after the other. What it gives
// after a fault is empty; bad tells of it at the end.
type cursor struct {
	rest []byte
	bad  bool
}

// any takes the next element whatever it is.
func (c *cursor) any() (tag byte, body []byte) {
	b := c.rest
	c.rest = nil
	if len(b) < 2 {
		c.bad = true
		return 0, nil
	}
	tag, n, b := b[0], int(b[1]), b[2:]
	if n >= 0x80 {
		octets := n & 0x7f
		if octets == 0 || octets > 4 || octets > len(b) { // 0 would be BER's indefinite form
			c.bad = true
			return 0, nil
		}
		n = 0
		for _, x := range b[:octets] {
			n = n<<8 | int(x)
		}
		b = b[octets:]
	}
	if n < 0 || n > len(b) {
		c.bad = true
		return 0, nil
	}
	c.rest = b[n:]
	return tag, b[:n]
}

// next takes the next element, which must have this tag.
func (c *cursor) next(tag byte) []byte {
	got, body := c.any()
	if got != tag {
		c.bad, c.rest = true, nil
		return nil
	}
	return body
}

// integer takes an INTEGER.
func (c *cursor) integer() int64 {
	n, ok := signed(c.next(byte(gosnmp.Integer)))
	c.bad = c.bad || !ok
	return n
}

// string takes an OCTET STRING.
func (c *cursor) string() []byte { return c.next(byte(gosnmp.OctetString)) }

// inner opens a sequence.
func (c *cursor) inner() cursor {
	body := c.next(byte(gosnmp.Sequence))
	return cursor{rest: body, bad: c.bad}
}

// done tells whether all was read, and read well.
func (c *cursor) done() bool { return !c.bad && len(c.rest) == 0 }

func signed(b []byte) (n int64, ok bool) {
	if len(b) == 0 || len(b) > 8 {
		return 0, false
	}
	n = int64(int8(b[0]))
	for _, c := range b[1:] {
		n = n<<8 | int64(c)
	}
	return n, true
}

// unsigned reads a counter or gauge; some agents leave out its leading zero.
func unsigned(b []byte) (n int64, ok bool) {
	if len(b) == 0 || len(b) > 9 || len(b) == 9 && b[0] != 0 {
		return 0, false
	}
	for _, c := range b {
		n = n<<8 | int64(c)
	}
	return n, n >= 0
}

// answer is a PDU that came. Its names and octets lie in the packet.
type answer struct {
	kind   gosnmp.PDUType
	id     int64
	status gosnmp.SNMPError
	names  [][]byte
	values []Value
}

// read takes the PDU that the rest of a message is.
func (a *answer) read(m *cursor) bool {
	tag, body := m.any()
	if !m.done() {
		return false
	}
	p := cursor{rest: body}
	a.kind, a.id = gosnmp.PDUType(tag), p.integer()
	status := p.integer()
	p.integer() // the error index
	list := p.inner()
	a.names, a.values = a.names[:0], a.values[:0]
	for !list.bad && len(list.rest) > 0 {
		v := list.inner()
		name := v.next(byte(gosnmp.ObjectIdentifier))
		tag, body := v.any()
		if !v.done() {
			return false
		}
		a.names, a.values = append(a.names, name), append(a.values, value(tag, body))
	}
	a.status = gosnmp.SNMPError(status)
	return p.done() && !list.bad && status >= 0 && status <= math.MaxUint8
}

// value reads one variable's. What is none of SNMP's kinds, or malformed, has a
// type that nothing asks for.
func value(tag byte, body []byte) Value {
	v := Value{Type: gosnmp.Asn1BER(tag)}
	ok := true
	switch v.Type {
	case gosnmp.Integer:
		v.number, ok = signed(body)
	case gosnmp.Gauge32, gosnmp.Counter32, gosnmp.TimeTicks, gosnmp.Uinteger32, gosnmp.Counter64:
		v.number, ok = unsigned(body)
	case gosnmp.OctetString, gosnmp.ObjectIdentifier:
		v.octets = body
	}
	if !ok {
		v = Value{Type: gosnmp.UnknownType}
	}
	return v
}
