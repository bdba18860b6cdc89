// Package probe looks whether a host is up. It tells an answer from silence,
// and silence from not having been able to look; it must never take the one for
// the other, since what is proven down loses its power.
package probe

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"strings"
	"sync"
	"syscall"
	"time"

	"golang.org/x/net/icmp"
	"golang.org/x/net/ipv4"
	"golang.org/x/net/ipv6"

	"ebbline/policy"
	"ebbline/shutdown"
)

const (
	budget      = time.Second // for one look, half of it at most to look a name up
	fewestLooks = 3           // one lost packet, or two, is no silence
)

// Host is one host that is looked at. Its method may be called from several
// goroutines.
type Host struct {
	address  string // host:port; "" when there is nothing to look at
	greets   bool   // it is an SSH server, which speaks first
	quietFor time.Duration
	budget   time.Duration // for one look

	mu     sync.Mutex
	lastIP netip.Addr // for when the name service is down
	silent int        // looks without an answer, in a row
	since  time.Time  // the start of the first of them
	last   time.Time  // the start of the last of them
}

// New makes a Host of the policy's.
func New(host *policy.Host) *Host {
	return &Host{address: address(host), greets: host.Probe.Address == "", quietFor: host.Probe.QuietFor, budget: budget}
}

// address is that of the probe, or of the first SSH method when there is none.
func address(host *policy.Host) string {
	if host.Probe.Address != "" {
		return host.Probe.Address
	}
	for i := range host.Methods {
		if s := host.Methods[i].SSH; s != nil {
			if _, _, err := net.SplitHostPort(s.Address); err == nil {
				return s.Address
			}
			return net.JoinHostPort(strings.Trim(s.Address, "[]"), "22")
		}
	}
	return ""
}

// Look looks once and takes a second at most. Zero means that nothing was
// learnt. The text says in one line what came back.
//
//	SeenUp        the service took a connection, and greeted if it is SSH
//	SeenRefusing  it did not, but the machine answered: by a refusal, or an echo reply
//	SeenSilent    no answer at all for the policy's quiet time, in three looks or more
//
// A look that could not be made, for want of a route, a name or a live network
// card of our own, proves nothing, and the silence begins anew after it.
func (h *Host) Look(ctx context.Context) (shutdown.Sighting, string) {
	start := time.Now()
	look, cancel := context.WithTimeout(ctx, h.budget)
	defer cancel()
	seen, text := h.ask(look)
	if seen == shutdown.SeenSilent && ctx.Err() != nil {
		seen, text = 0, "could not look: "+ctx.Err().Error()
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if seen != shutdown.SeenSilent {
		h.silent = 0
		return seen, text
	}
	// Between two looks that are far apart it may have answered.
	if h.silent == 0 || start.Sub(h.last) > max(h.quietFor, 10*h.budget) {
		h.silent, h.since = 0, start
	}
	h.silent++
	h.last = start
	quiet := time.Since(h.since)
	text = fmt.Sprintf("no answer from %s for %v, %d looks (%s)", h.address, quiet.Truncate(time.Second), h.silent, text)
	if h.silent < fewestLooks || quiet < h.quietFor {
		return 0, text
	}
	return shutdown.SeenSilent, text
}

// ask makes one look. SeenSilent stands for no answer to this one.
func (h *Host) ask(ctx context.Context) (shutdown.Sighting, string) {
	name, port, err := net.SplitHostPort(h.address)
	if err != nil {
		return 0, "there is no address to look at: give the host a probe with an address, as host:port"
	}
	ip, err := h.resolve(ctx, name)
	if err != nil {
		return 0, "could not look: " + err.Error()
	}
	echoed := make(chan bool, 1)
	go func() { echoed <- echo(ctx, ip) }()

	var d net.Dialer
	conn, err := d.DialContext(ctx, "tcp", net.JoinHostPort(ip.String(), port))
	switch {
	case err == nil:
		defer conn.Close()
		if h.greets && !greeted(ctx, conn) {
			// Something in between took the connection, or the service hangs.
			return shutdown.SeenRefusing, "it takes connections and does not greet as SSH does"
		}
		return shutdown.SeenUp, "it takes connections"
	case errors.Is(err, syscall.ECONNREFUSED) && isOwn(ip):
		// Our own kernel refuses for whatever stands behind an address of ours, a
		// forwarded port as a rule: there is no other machine that could answer.
		return shutdown.SeenSilent, "nobody listens there, at an address of this machine"
	case errors.Is(err, syscall.ECONNREFUSED) || errors.Is(err, syscall.ECONNRESET):
		return shutdown.SeenRefusing, "it refuses connections"
	case <-echoed:
		return shutdown.SeenRefusing, "it answers an echo request, its service does not"
	case !isNoAnswer(err):
		return 0, "could not look: " + err.Error()
	case !cardIsLive(ip):
		return 0, "could not look: our own network card towards it has no link"
	}
	return shutdown.SeenSilent, err.Error()
}

// greeted tells whether the other side says what every SSH server says first
// (RFC 4253, 4.2).
func greeted(ctx context.Context, conn net.Conn) bool {
	if end, ok := ctx.Deadline(); ok {
		conn.SetReadDeadline(end)
	}
	first := make([]byte, 4)
	_, err := io.ReadFull(conn, first)
	return err == nil && string(first) == "SSH-"
}

// isOwn tells whether the address is one of this machine.
func isOwn(ip netip.Addr) bool {
	if ip.IsLoopback() {
		return true
	}
	addresses, err := net.InterfaceAddrs()
	if err != nil {
		return false
	}
	for _, a := range addresses {
		if n, ok := a.(*net.IPNet); ok && n.IP.Equal(ip.AsSlice()) {
			return true
		}
	}
	return false
}

// isNoAnswer tells silence from a fault on our side. No route is a fault; a
// host that nobody on its network finds is silence.
func isNoAnswer(err error) bool {
	var network net.Error
	return errors.Is(err, syscall.EHOSTUNREACH) || errors.Is(err, syscall.EHOSTDOWN) ||
		errors.As(err, &network) && network.Timeout()
}

// cardIsLive is false when the card by which ip is reached has lost its link,
// as all cards do when a switch loses its power. Every host would else seem
// silent, and be taken for off.
func cardIsLive(ip netip.Addr) bool {
	// Connecting a datagram socket sends nothing; it chooses our own address.
	conn, err := net.DialUDP("udp", nil, net.UDPAddrFromAddrPort(netip.AddrPortFrom(ip, 9)))
	if err != nil {
		return false
	}
	own := conn.LocalAddr().(*net.UDPAddr).IP
	conn.Close()
	cards, err := net.Interfaces()
	if err != nil {
		return false
	}
	for _, card := range cards {
		addresses, _ := card.Addrs()
		for _, a := range addresses {
			if n, ok := a.(*net.IPNet); ok && n.IP.Equal(own) {
				return card.Flags&net.FlagRunning != 0
			}
		}
	}
	return false
}

// resolve looks the name up, or takes the last address when it cannot: a
// site's name server may be among the first to stop.
func (h *Host) resolve(ctx context.Context, name string) (netip.Addr, error) {
	ctx, cancel := context.WithTimeout(ctx, h.budget/2)
	defer cancel()
	found, err := net.DefaultResolver.LookupNetIP(ctx, "ip", name)
	h.mu.Lock()
	defer h.mu.Unlock()
	if err == nil {
		h.lastIP = found[0].Unmap()
	}
	if !h.lastIP.IsValid() {
		return netip.Addr{}, err
	}
	return h.lastIP, nil
}

// echo tells whether the machine answers an ICMP echo request (RFC 792, 4443)
// before ctx ends. Without the right to send one it does not.
func echo(ctx context.Context, ip netip.Addr) bool {
	family := echoFamilies[ip.Is4()]
	conn, to, err := family.open(ip)
	if err != nil {
		return false
	}
	defer conn.Close()
	defer context.AfterFunc(ctx, func() { conn.SetDeadline(time.Unix(1, 0)) })()

	token := make([]byte, 16)
	rand.Read(token)
	request := icmp.Message{Type: family.request, Body: &icmp.Echo{
		ID: int(token[0])<<8 | int(token[1]), Seq: 1, Data: token,
	}}
	packet, err := request.Marshal(nil)
	if err != nil {
		return false
	}
	if _, err := conn.WriteTo(packet, to); err != nil {
		return false
	}
	// A raw socket hears the answers to everybody's requests.
	answer := make([]byte, 1500)
	for {
		n, _, err := conn.ReadFrom(answer)
		if err != nil {
			return false
		}
		m, err := icmp.ParseMessage(family.protocol, answer[:n])
		if err != nil || m.Type != family.reply {
			continue
		}
		if e, ok := m.Body.(*icmp.Echo); ok && bytes.Equal(e.Data, token) {
			return true
		}
	}
}

type echoFamily struct {
	datagram, raw, any string
	protocol           int
	request, reply     icmp.Type
}

var echoFamilies = map[bool]echoFamily{
	true:  {"udp4", "ip4:icmp", "0.0.0.0", 1, ipv4.ICMPTypeEcho, ipv4.ICMPTypeEchoReply},
	false: {"udp6", "ip6:ipv6-icmp", "::", 58, ipv6.ICMPTypeEchoRequest, ipv6.ICMPTypeEchoReply},
}

// open takes the socket that needs no rights, or else the one that needs them.
func (f echoFamily) open(ip netip.Addr) (*icmp.PacketConn, net.Addr, error) {
	if conn, err := icmp.ListenPacket(f.datagram, f.any); err == nil {
		return conn, &net.UDPAddr{IP: ip.AsSlice(), Zone: ip.Zone()}, nil
	}
	conn, err := icmp.ListenPacket(f.raw, f.any)
	return conn, &net.IPAddr{IP: ip.AsSlice(), Zone: ip.Zone()}, err
}
