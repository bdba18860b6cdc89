package peertest

import (
	"math/rand/v2"
	"net"
	"net/netip"
	"sync"
	"testing"
	"time"
)

// Path is what a [Relay] does to packets. The zero value passes all.
type Path struct {
	Loss      float64 // chance that a packet is lost, each way
	Duplicate float64 // chance that it comes twice
	Delay     time.Duration
	Jitter    time.Duration // up to so much more, so packets overtake each other
	Down      bool          // all is lost
	// Drop, when set, is shown every packet and loses those it names. It runs
	// in the relay's goroutines, one call at a time.
	Drop func(reply bool, packet []byte) bool
	// Asked, when set, is shown every request that is not dropped, before it is
	// sent on, and where its answer will go. It runs as Drop does.
	Asked func(client netip.AddrPort, request []byte)
}

// Relay is a UDP path between a client and a peer that loses, delays and
// repeats packets.
type Relay struct {
	Addr string

	mu      sync.Mutex
	path    Path
	random  *rand.Rand
	front   *net.UDPConn
	backs   map[netip.AddrPort]*net.UDPConn
	peer    *net.UDPAddr
	running sync.WaitGroup
}

// StartRelay relays to a peer's "address:port". It ends with the test.
func StartRelay(t testing.TB, to string, seed uint64) *Relay {
	t.Helper()
	peer, err := net.ResolveUDPAddr("udp4", to)
	if err != nil {
		t.Fatal(err)
	}
	front, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	r := &Relay{Addr: front.LocalAddr().String(), random: rand.New(rand.NewPCG(seed, 1)),
		front: front, backs: map[netip.AddrPort]*net.UDPConn{}, peer: peer}
	r.running.Go(r.requests)
	t.Cleanup(r.close)
	return r
}

// Inject sends a packet to a client as if it came from the peer.
func (r *Relay) Inject(client netip.AddrPort, packet []byte) {
	r.front.WriteToUDPAddrPort(packet, client)
}

// Set changes the path.
func (r *Relay) Set(p Path) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.path = p
}

func (r *Relay) close() {
	r.front.Close()
	r.mu.Lock()
	for _, back := range r.backs {
		back.Close()
	}
	r.mu.Unlock()
	r.running.Wait()
}

func (r *Relay) requests() {
	buf := make([]byte, 65536)
	for {
		n, client, err := r.front.ReadFromUDPAddrPort(buf)
		if err != nil {
			return
		}
		packet := append([]byte(nil), buf[:n]...)
		if back := r.back(client); back != nil {
			r.pass(false, packet, func(p Path) {
				if p.Asked != nil {
					p.Asked(client, packet)
				}
				back.Write(packet)
			})
		}
	}
}

// back is the socket by which a client's packets reach the peer.
func (r *Relay) back(client netip.AddrPort) *net.UDPConn {
	r.mu.Lock()
	defer r.mu.Unlock()
	back := r.backs[client]
	if back == nil {
		var err error
		if back, err = net.DialUDP("udp4", nil, r.peer); err != nil {
			return nil
		}
		r.backs[client] = back
		r.running.Go(func() { r.replies(client, back) })
	}
	return back
}

func (r *Relay) replies(client netip.AddrPort, back *net.UDPConn) {
	buf := make([]byte, 65536)
	for {
		n, err := back.Read(buf)
		if err != nil {
			r.mu.Lock()
			delete(r.backs, client) // the peer's port is closed; the next request tries again
			r.mu.Unlock()
			back.Close()
			return
		}
		packet := append([]byte(nil), buf[:n]...)
		r.pass(true, packet, func(Path) { r.front.WriteToUDPAddrPort(packet, client) })
	}
}

// pass sends a packet on, or not, by the path as it is when the packet comes.
func (r *Relay) pass(reply bool, packet []byte, send func(Path)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	p := r.path
	if p.Down || r.random.Float64() < p.Loss || p.Drop != nil && p.Drop(reply, packet) {
		return
	}
	times := 1
	if r.random.Float64() < p.Duplicate {
		times = 2
	}
	for range times {
		if d := p.Delay + time.Duration(r.random.Float64()*float64(p.Jitter)); d > 0 {
			time.AfterFunc(d, func() { send(p) })
		} else {
			send(p)
		}
	}
}
