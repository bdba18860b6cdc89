package snmp

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"strings"
	"time"

	"github.com/gosnmp/gosnmp"

	"ebbline/policy"
)

// Listener hears the notifications of the policy's cards: v1, v2c and v3 traps,
// v2c and v3 informs, of RFC 1628 or of the maker. What they say is not looked
// at: they can be forged or replayed, and net-snmp's own tools give no true
// engine boots by which one could tell. One is only a reason to poll.
//
// The library's own listener is not used: a malformed packet makes its decoder
// panic, which there ends the whole process, and it looks at neither community
// nor source.
type Listener struct {
	// Ignored, when set, is told of each packet that is no reason to poll, and
	// why. It must not block.
	Ignored func(from netip.Addr, why string)

	conn      *net.UDPConn
	community string
	engineID  string
	cards     []card
	senders   map[netip.Addr]*sender
	resolved  time.Time
}

// card is one policy entry that may send.
type card struct {
	host  string
	user  *gosnmp.UsmSecurityParameters // nil before v3
	level gosnmp.SnmpV3MsgFlags
}

// sender decodes what comes from one address.
type sender struct {
	decoder *gosnmp.GoSNMP
	levels  map[string]gosnmp.SnmpV3MsgFlags // of security, by user
}

// Listen opens the socket for the notifications of the cards given. engineID
// is the agent's own SNMP engine ID, see [EngineID].
func Listen(cfg policy.Traps, cards []policy.SNMP, engineID string, secrets Secrets) (*Listener, error) {
	l := &Listener{engineID: engineID}
	if len(engineID) < 5 || len(engineID) > 32 {
		return nil, fmt.Errorf("engine ID: has %d octets; RFC 3411 wants 5 to 32", len(engineID))
	}
	var err error
	if cfg.Community != "" {
		if l.community, err = read(secrets, cfg.Community); err != nil {
			return nil, err
		}
	}
	for _, s := range cards {
		host := s.Address
		if h, _, err := net.SplitHostPort(host); err == nil {
			host = h
		}
		c := card{host: strings.Trim(host, "[]")}
		if s.Version == 3 {
			if c.user, c.level, err = securityOf(&s, secrets); err != nil {
				return nil, fmt.Errorf("%s: %w", s.Address, err)
			}
		}
		l.cards = append(l.cards, c)
	}
	at, err := net.ResolveUDPAddr("udp", cfg.Listen)
	if err == nil {
		l.conn, err = net.ListenUDP("udp", at)
	}
	if err != nil {
		return nil, fmt.Errorf("traps: %w", err)
	}
	return l, nil
}

// EngineID makes the agent's SNMP engine ID from a text that stays the same,
// such as the machine's ID: cards that send v3 informs learn it by discovery
// and keep it. Its form is RFC 3411's "octets, administratively assigned",
// without an enterprise number.
func EngineID(seed string) string {
	sum := sha256.Sum256([]byte("ebbline SNMP engine " + seed))
	return "\x80\x00\x00\x00\x05" + string(sum[:12])
}

// Addr is where the listener listens.
func (l *Listener) Addr() netip.AddrPort { return l.conn.LocalAddr().(*net.UDPAddr).AddrPort() }

// Serve calls wake with the address of each card that sent something, until
// ctx ends; then the socket is closed. wake must not block; informs are
// acknowledged before it is called.
func (l *Listener) Serve(ctx context.Context, wake func(netip.Addr)) error {
	defer l.conn.Close()
	stop := context.AfterFunc(ctx, func() { l.conn.Close() })
	defer stop()
	l.resolve(ctx)
	packet := make([]byte, 65536)
	for {
		n, from, err := l.conn.ReadFromUDPAddrPort(packet)
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			if errors.Is(err, net.ErrClosed) {
				return err
			}
			time.Sleep(pause) // the system is short of something; what is lost is polled
			continue
		}
		addr := from.Addr().Unmap()
		why := l.take(ctx, packet[:n], from)
		if why == "" {
			wake(addr)
		} else if l.Ignored != nil && why != discovery {
			l.Ignored(addr, why)
		}
	}
}

const discovery = "discovery"

// take judges one packet, and answers an inform or a discovery. It gives why
// the packet is no reason to poll, "" when it is one.
func (l *Listener) take(ctx context.Context, packet []byte, from netip.AddrPort) (why string) {
	defer func() {
		if recover() != nil { // the library's decoder, on a malformed packet
			why = "malformed"
		}
	}()
	s := l.senders[from.Addr().Unmap()]
	if s == nil && time.Since(l.resolved) > time.Minute {
		l.resolve(ctx) // a card's name may have got another address
		s = l.senders[from.Addr().Unmap()]
	}
	if s == nil {
		return "not the address of a UPS in the policy"
	}
	p, err := s.decoder.UnmarshalTrap(packet, false)
	if err != nil {
		return brief{err}.Error()
	}
	usm, _ := p.SecurityParameters.(*gosnmp.UsmSecurityParameters)
	switch {
	case p.Version != gosnmp.Version3:
		if l.community != "" && subtle.ConstantTimeCompare([]byte(p.Community), []byte(l.community)) != 1 {
			return "wrong community"
		}
	case usm == nil || p.SecurityModel != gosnmp.UserSecurityModel:
		return "not the user-based security model" // the library authenticates no other
	case p.PDUType == gosnmp.GetRequest && usm.UserName == "" && len(p.Variables) == 0:
		l.report(p, usm, from)
		return discovery
	default:
		level, ok := s.levels[usm.UserName]
		if !ok {
			return "not the user of this UPS"
		}
		if p.MsgFlags&level != level {
			return "less security than the policy's user has"
		}
	}
	switch p.PDUType {
	case gosnmp.Trap, gosnmp.SNMPv2Trap:
	case gosnmp.InformRequest:
		p.PDUType, p.Error, p.ErrorIndex = gosnmp.GetResponse, gosnmp.NoError, 0
		l.answer(p, from)
	default:
		return "no notification"
	}
	return ""
}

// report tells a card that wants to send an inform this engine's ID
// (RFC 3414, 3.2, 3b).
func (l *Listener) report(p *gosnmp.SnmpPacket, usm *gosnmp.UsmSecurityParameters, to netip.AddrPort) {
	usm.AuthoritativeEngineID = l.engineID
	p.PDUType = gosnmp.Report
	p.ContextEngineID = l.engineID
	const usmStatsUnknownEngineIDs = ".1.3.6.1.6.3.15.1.1.4.0"
	p.Variables = []gosnmp.SnmpPDU{{Name: usmStatsUnknownEngineIDs, Type: gosnmp.Counter32, Value: uint32(1)}}
	l.answer(p, to)
}

func (l *Listener) answer(p *gosnmp.SnmpPacket, to netip.AddrPort) {
	p.MsgFlags &= gosnmp.AuthPriv // RFC 3412, 6.4: nothing is to be reported about an answer
	if out, err := p.MarshalMsg(); err == nil {
		l.conn.WriteToUDPAddrPort(out, to)
	}
}

// resolve makes a decoder for each address of a card. A name that does not
// resolve is tried again later; until then its card is polled as always.
func (l *Listener) resolve(ctx context.Context) {
	l.resolved = time.Now()
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	senders, failed := map[netip.Addr]*sender{}, false
	for _, c := range l.cards {
		addrs, err := net.DefaultResolver.LookupNetIP(ctx, "ip", c.host) // an address is its own answer
		failed = failed || err != nil
		for _, a := range addrs {
			a = a.Unmap()
			if senders[a] == nil {
				senders[a] = l.newSender()
			}
			if c.user != nil {
				senders[a].add(c)
			}
		}
	}
	for a, s := range l.senders {
		if senders[a] == nil && failed {
			senders[a] = s // the name server is away: what was known holds
		}
	}
	l.senders = senders
}

// newSender makes a decoder. The entry without a user lets it read the
// discovery that a card makes before it sends an inform.
func (l *Listener) newSender() *sender {
	x := &gosnmp.GoSNMP{Version: gosnmp.Version3, SecurityModel: gosnmp.UserSecurityModel}
	table := gosnmp.NewSnmpV3SecurityParametersTable(gosnmp.Logger{})
	table.Add("", &gosnmp.UsmSecurityParameters{AuthoritativeEngineID: l.engineID, AuthenticationProtocol: gosnmp.NoAuth, PrivacyProtocol: gosnmp.NoPriv})
	x.SetTrapSecurityParametersTable(table)
	return &sender{decoder: x, levels: map[string]gosnmp.SnmpV3MsgFlags{}}
}

func (s *sender) add(c card) {
	user := c.user.Copy().(*gosnmp.UsmSecurityParameters)
	if s.decoder.GetTrapSecurityParametersTable().Add(user.UserName, user) == nil {
		s.levels[user.UserName] = max(c.level, s.levels[user.UserName])
	}
}

// MachineID is a seed for [EngineID]: what systemd made for this machine, or
// else its name.
func MachineID() string {
	if id, err := os.ReadFile("/etc/machine-id"); err == nil && len(id) > 8 {
		return strings.TrimSpace(string(id))
	}
	name, _ := os.Hostname()
	return name
}

// brief cuts an error to one line: the library puts a whole stack into some.
type brief struct{ error }

// Error gives the first line, without a stack.
func (b brief) Error() string {
	text, _, _ := strings.Cut(b.error.Error(), "Stack:")
	text, _, _ = strings.Cut(text, "\n")
	return strings.TrimSpace(text)
}
