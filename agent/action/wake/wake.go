// Package wake starts hosts by Wake-on-LAN. A magic packet is never answered:
// that it was sent proves nothing, and the caller must look at the host.
package wake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"time"

	"ebbline/shutdown"
)

// A packet is lost like any other, and a sleeping network card needs its time:
// common practice, no source.
const (
	times = 3
	apart = time.Second
	port  = "9" // "discard"
)

// Packet is the payload that wakes the card with this address: six bytes 0xFF,
// then the address 16 times.
func Packet(ethernet net.HardwareAddr) []byte {
	return slices.Concat(bytes.Repeat([]byte{0xff}, 6), bytes.Repeat(ethernet, 16))
}

// Send sends the packet three times, a second apart, to an address or, when it
// is "", to the broadcast address of each network that this machine is on.
//
//	Accepted     sent at least once, which proves nothing
//	Refused      an address is not one
//	Unreachable  nothing could be sent
func Send(ctx context.Context, ethernet, to string) (shutdown.Outcome, string) {
	card, err := net.ParseMAC(ethernet)
	if err != nil || len(card) != 6 {
		return shutdown.Refused, notEthernet(ethernet)
	}
	if to != "" {
		to = withPort(to)
	}
	var sent int
	var last error
	for i := range times {
		if i > 0 {
			select {
			case <-time.After(apart):
			case <-ctx.Done():
			}
		}
		if ctx.Err() != nil {
			break
		}
		if last = broadcast(ctx, Packet(card), to); last == nil {
			sent++
		}
	}
	switch {
	case sent > 0:
		return shutdown.Accepted, fmt.Sprintf("magic packet sent %d times", sent)
	case last == nil:
		last = ctx.Err()
	}
	return shutdown.Unreachable, "send a magic packet: " + last.Error()
}

// Check looks whether a packet could be sent, and sends none: connecting a
// datagram socket only chooses the way.
func Check(ctx context.Context, ethernet, to string) (shutdown.Outcome, string) {
	card, err := net.ParseMAC(ethernet)
	if err != nil || len(card) != 6 {
		return shutdown.Refused, notEthernet(ethernet)
	}
	if to != "" {
		conn, err := (&net.Dialer{}).DialContext(ctx, "udp", withPort(to))
		if err != nil {
			return shutdown.Unreachable, "no way to " + to + ": " + err.Error()
		}
		conn.Close()
		return shutdown.Accepted, "there is a way to " + to
	}
	list, err := networks()
	switch {
	case err != nil:
		return shutdown.Unreachable, err.Error()
	case len(list) == 0:
		return shutdown.Unreachable, errNoNetwork.Error()
	}
	return shutdown.Accepted, "there is a network to send to"
}

var errNoNetwork = errors.New("no network card with an IPv4 broadcast address is up: name the address to send to")

func notEthernet(text string) string {
	return fmt.Sprintf("%q is no Ethernet address: write six pairs of hexadecimal digits, as in 02:00:00:00:00:20", text)
}

func withPort(to string) string {
	if _, _, err := net.SplitHostPort(to); err != nil {
		return net.JoinHostPort(to, port)
	}
	return to
}

// broadcast sends once; it fails when no packet left on any network.
func broadcast(ctx context.Context, packet []byte, to string) error {
	if to != "" {
		return send(ctx, packet, netip.Addr{}, to)
	}
	networks, err := networks()
	if err != nil {
		return err
	}
	err = errNoNetwork
	sent := false
	for _, n := range networks {
		if err = send(ctx, packet, n.own, net.JoinHostPort(n.broadcast.String(), port)); err == nil {
			sent = true
		}
	}
	if sent {
		return nil
	}
	return err
}

func send(ctx context.Context, packet []byte, from netip.Addr, to string) error {
	var d net.Dialer
	if from.IsValid() {
		d.LocalAddr = net.UDPAddrFromAddrPort(netip.AddrPortFrom(from, 0))
	}
	conn, err := d.DialContext(ctx, "udp", to)
	if err != nil {
		return err
	}
	defer conn.Close()
	_, err = conn.Write(packet)
	return err
}

// network is one IPv4 network of this machine.
type network struct{ own, broadcast netip.Addr }

func networks() ([]network, error) {
	cards, err := net.Interfaces()
	if err != nil {
		return nil, err
	}
	var list []network
	for _, card := range cards {
		if card.Flags&net.FlagUp == 0 || card.Flags&net.FlagBroadcast == 0 {
			continue
		}
		addresses, err := card.Addrs()
		if err != nil {
			continue // the card went away meanwhile
		}
		for _, a := range addresses {
			if n, ok := networkOf(a); ok {
				list = append(list, n)
			}
		}
	}
	return list, nil
}

// networkOf computes the directed broadcast address (RFC 919, 922).
func networkOf(address net.Addr) (network, bool) {
	prefix, err := netip.ParsePrefix(address.String())
	if err != nil || !prefix.Addr().Is4() || prefix.Bits() > 30 {
		return network{}, false
	}
	last := prefix.Addr().As4()
	for bit := prefix.Bits(); bit < 32; bit++ {
		last[bit/8] |= 1 << (7 - bit%8)
	}
	return network{prefix.Addr(), netip.AddrFrom4(last)}, true
}
