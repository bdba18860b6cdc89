package snmp

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/binary"
	"errors"
	"net"
	"net/netip"
	"os"
	"slices"
	"time"

	"github.com/gosnmp/gosnmp"
	"golang.org/x/sys/unix"
)

// question is one request.
type question struct {
	kind        gosnmp.PDUType
	repetitions int64    // of a GETBULK
	names       [][]byte // of the objects, encoded
	values      []Value  // to be written; none of what is read
}

// about makes a question about objects.
func about(kind gosnmp.PDUType, oids ...string) (*question, error) {
	q := &question{kind: kind, names: make([][]byte, len(oids))}
	all := make([]byte, 0, 16*len(oids)) // most names fit
	for i, oid := range oids {
		with, err := appendOID(all, oid)
		if err != nil {
			return nil, err
		}
		q.names[i], all = with[len(all):len(with):len(with)], with
	}
	return q, nil
}

// answered tells whether these are the objects asked for, or, of a walk, objects
// that follow it. A refusal names those asked for, or none.
func (q *question) answered(a *answer) bool {
	walk := q.kind == gosnmp.GetNextRequest || q.kind == gosnmp.GetBulkRequest
	switch {
	case a.status != gosnmp.NoError && len(a.names) == 0:
		return true
	case a.status != gosnmp.NoError || !walk:
		return slices.EqualFunc(a.names, q.names, bytes.Equal)
	}
	last := q.names[0]
	for i, name := range a.names {
		if a.values[i].Type == gosnmp.EndOfMibView {
			return i > 0 || bytes.Equal(name, last)
		}
		if !after(name, last) {
			return false
		}
		last = name
	}
	return len(a.names) > 0 && int64(len(a.names)) <= max(1, q.repetitions)
}

// sent is one message that is on its way.
type sent struct {
	msgID, id uint32
	at        time.Time
}

const (
	// tries of one round: an answer to any of them counts.
	tries = 4
	// turns bounds a round in which each try gives a reason for the next.
	turns = 2 * tries
)

// ask makes one request, again and again until it is answered or the context's
// deadline has come. After any failure it starts over with a new socket and, in
// v3, a new discovery: a card that was replaced has another engine ID.
func (c *Client) ask(ctx context.Context, q *question) error {
	if _, ok := ctx.Deadline(); !ok {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, c.cfg.Timeout)
		defer cancel()
	}
	c.trouble = trouble{}
	var failure error
	for {
		begun := time.Now()
		err := c.try(ctx, q)
		if err == nil {
			return nil
		}
		// What the system said tells more than that the time was then over.
		if failure == nil || !silent(err) {
			failure = err
		}
		wait := time.NewTimer(max(0, pause-time.Since(begun)))
		select {
		case <-ctx.Done():
			wait.Stop()
			if errors.Is(ctx.Err(), context.Canceled) {
				failure = ctx.Err()
			}
			return c.failed(failure)
		case <-wait.C:
		}
	}
}

var errSilent = errors.New("no answer")

// try is one round: a few messages, and the first true answer to one of them. It
// has a socket, and so a port, of its own: who has not seen a message of this
// very round does not know where an answer must go.
func (c *Client) try(ctx context.Context, q *question) (err error) {
	addr, err := c.resolve(ctx)
	if err != nil {
		return err
	}
	// Connected: the system passes on what comes from this address and port alone.
	conn, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(netip.AddrPortFrom(addr, c.port)))
	if err != nil {
		return err
	}
	defer conn.Close()
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	defer stop()
	drain(conn)
	defer func() {
		if err != nil {
			c.engine = nil
			c.misses++
		}
	}()
	// A slow card is asked less often, so that it does not drown in repeats: three
	// times its last answering time.
	patience := min(max(c.cfg.Timeout/4, 3*c.took), c.cfg.Timeout)
	end, _ := ctx.Deadline()
	c.sent = c.sent[:0]
	for lost, turn := 0, 0; lost < tries && turn < turns; turn++ {
		order := q.kind == gosnmp.SetRequest && !c.discovering()
		if err := c.send(conn, q); err != nil {
			return err
		}
		until := time.Now().Add(patience)
		last := !until.Before(end) || order
		if last {
			until = end
		}
		switch err := c.await(conn, q, until); {
		case err == errAgain:
		case errors.Is(err, os.ErrDeadlineExceeded) && !last:
			lost++
			if c.report == unknownEngine {
				c.engine = nil // whoever said so: to ask for the engine again harms nothing
			}
		default:
			return err
		}
	}
	return errSilent
}

// discovering tells whether the next message asks for the card's engine.
func (c *Client) discovering() bool { return c.user != nil && c.engine == nil }

// drain throws away what is in a new socket before anything was asked.
func drain(conn *net.UDPConn) {
	raw, err := conn.SyscallConn()
	if err != nil {
		return
	}
	var none [1]byte
	raw.Read(func(fd uintptr) bool {
		for range 1000 { // a flood has no end, and what is left has no id of ours
			if _, err := unix.Read(int(fd), none[:]); err != nil { // it never blocks: the socket is the net package's
				break
			}
		}
		return true
	})
}

// send sends the question, or, of v3, what has to be asked before it.
func (c *Client) send(conn *net.UDPConn, q *question) error {
	var random [8]byte
	rand.Read(random[:])
	s := sent{identifier(random[:4]), identifier(random[4:]), time.Now()}
	if c.user == nil {
		c.out.plain(c.version(), c.community, q, s.id)
	} else {
		c.out.secured(c.engine, c.user.UserName, c.level, q, s.msgID, s.id)
	}
	if c.out.full {
		return errors.New("the request is too long for one message")
	}
	c.sent = append(c.sent, s)
	_, err := conn.Write(c.out.bytes())
	return err
}

// version is the number that a message has for the policy's version.
func (c *Client) version() int64 { return [...]int64{1: 0, 2: 1, 3: 3}[c.cfg.Version] }

// identifier makes 31 random bits, never 0, which some take for "any".
func identifier(random []byte) uint32 { return max(1, binary.BigEndian.Uint32(random)&0x7fffffff) }

var (
	errAgain   = errors.New("ask again")
	errIgnored = errors.New("ignored")
)

// await reads until the true answer has come; what else comes is passed over.
func (c *Client) await(conn *net.UDPConn, q *question, until time.Time) error {
	conn.SetReadDeadline(until)
	for {
		n, err := conn.Read(c.in[:])
		if err != nil {
			return err
		}
		if err := c.judge(q, c.in[:n]); err != errIgnored {
			return err
		}
	}
}

// judge tells whether a packet is the true answer; if it is, c.answer holds it.
// It is one if it has the request's version and the id of a message of this
// round, is whole, and names exactly the objects asked for, no more and no
// fewer; of v1 and v2c, if the community is the one that was sent; of v3, if the
// message id, the engine and the user are those that were sent, and it has the
// whole level of security and the digest that the user's key makes. That a
// replayed answer has this message's two random ids cannot be, so the engine's
// clock is taken as it is: some cards begin it anew at each start.
func (c *Client) judge(q *question, packet []byte) error {
	if len(packet) == len(c.in) {
		return c.ignore("a packet is too long")
	}
	outer := cursor{rest: packet}
	m := outer.inner()
	version := m.integer()
	if !outer.done() || m.bad {
		return c.ignore("a packet is malformed")
	}
	if version != c.version() {
		return c.ignore("a packet has another SNMP version")
	}
	if c.user != nil {
		return c.judgeSecured(q, packet, &m)
	}
	if subtle.ConstantTimeCompare(m.string(), []byte(c.community)) != 1 {
		return c.ignore("a packet has another community")
	}
	if !c.answer.read(&m) {
		return c.ignore("a packet is malformed")
	}
	return c.believe(q)
}

// believe makes the last checks of a PDU whose wrapping is in order.
func (c *Client) believe(q *question) error {
	a := &c.answer
	i := slices.IndexFunc(c.sent, func(s sent) bool { return int64(s.id) == a.id })
	switch {
	case a.kind != gosnmp.GetResponse:
		return c.ignore("a packet is no answer")
	case i < 0:
		return c.ignore("an answer has another request id")
	case !q.answered(a):
		return c.ignore("an answer has other objects than were asked for")
	}
	if i == 0 {
		c.took = time.Since(c.sent[i].at)
	}
	return nil
}

// judgeSecured is judge for v3.
func (c *Client) judgeSecured(q *question, packet []byte, m *cursor) error {
	var s secured
	if !s.read(m) {
		return c.ignore("a packet is malformed")
	}
	i := slices.IndexFunc(c.sent, func(o sent) bool { return int64(o.msgID) == s.msgID })
	if i < 0 {
		return c.ignore("a packet has another message id")
	}
	signed := s.flags&gosnmp.AuthNoPriv != 0
	if !signed {
		if !s.pdu(nil, &c.answer) {
			return c.ignore("a packet is malformed")
		}
		if c.answer.kind == gosnmp.Report {
			return c.unsigned(&s)
		}
	}
	e := c.engine
	switch {
	case !signed && c.level != gosnmp.NoAuthNoPriv:
		return c.ignore("a packet is not signed")
	case e == nil || !bytes.Equal(s.engine, e.id):
		return c.ignore("a packet is from another engine")
	case string(s.user) != c.user.UserName:
		return c.ignore("a packet has another user")
	case signed && !e.signed(packet, s.digest):
		return c.ignore("a packet is not signed with the user's key")
	case signed && !s.pdu(e, &c.answer):
		return c.ignore("a packet cannot be decrypted")
	case c.answer.kind == gosnmp.Report:
		// Signed, and to the message just sent: the card's true clock (RFC 3414, 3.2, 7).
		if c.hear(&c.answer) && c.report == notInTime && i == len(c.sent)-1 {
			c.engine.told(&s)
			return errAgain
		}
		return c.ignore("a signed report")
	case s.flags != c.level:
		return c.ignore("a packet has another level of security")
	}
	err := c.believe(q)
	if err == nil {
		c.engine.told(&s)
	}
	return err
}

// unsigned takes a report that nobody signed. Only discovery may take one
// further, since there is no other way to begin: the user's keys are then made
// for the engine that it names, and only what they sign is believed. Any other
// is kept for the words of a failure alone.
func (c *Client) unsigned(s *secured) error {
	if !c.hear(&c.answer) {
		return c.ignore("a report of nothing known")
	}
	if c.engine != nil {
		return errIgnored
	}
	e, err := newEngine(c.user, s.engine)
	if err != nil {
		return c.ignore("a report that names no engine")
	}
	e.told(s)
	c.engine, c.named, c.report = e, true, 0
	return errAgain
}
