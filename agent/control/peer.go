package control

import (
	"fmt"
	"net"
	"os/user"
	"strconv"
	"unsafe"

	"golang.org/x/sys/unix"

	"ebbline/agent/bounded"
)

// peer is who is at the other end of a connection, by the kernel's word.
type peer struct {
	known bool
	uid   uint32
	pid   int32
	gids  []uint32 // its own group and the others it belongs to
}

type peerKey struct{}

func (p peer) String() string {
	if !p.known {
		return "somebody unknown"
	}
	name := ""
	if u, err := user.LookupId(strconv.Itoa(int(p.uid))); err == nil {
		name = " (" + u.Username + ")"
	}
	return fmt.Sprintf("user %d%s, process %d", p.uid, name, p.pid)
}

// peerOf asks the kernel; the zero value when it does not say.
func peerOf(conn *net.UnixConn) (p peer) {
	raw, err := conn.SyscallConn()
	if err != nil {
		return p
	}
	raw.Control(func(fd uintptr) {
		cred, err := unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED)
		if err != nil {
			return
		}
		p = peer{known: true, uid: cred.Uid, pid: cred.Pid, gids: append(groupsOf(fd), cred.Gid)}
	})
	return p
}

// groupsOf gives the other groups of the process that connected. The system
// library has no call for it.
func groupsOf(fd uintptr) []uint32 {
	gids := make([]uint32, 256)
	size := uint32(len(gids)) * 4
	_, _, errno := unix.Syscall6(unix.SYS_GETSOCKOPT, fd, unix.SOL_SOCKET, unix.SO_PEERGROUPS,
		uintptr(unsafe.Pointer(&gids[0])), uintptr(unsafe.Pointer(&size)), 0)
	if errno != 0 {
		return nil // one with more groups than that is known by its own group alone
	}
	return gids[:size/4]
}

// How many connections are open at the same time. Those who may only look fill
// few enough of them that there is always room for an order.
const (
	connections = 32
	keptBack    = 8 // of these, for those who may give orders
	perUser     = 8
)

// limited closes a connection for which there is no room as soon as it comes.
// It makes none wait: behind those who say nothing a wait would be long.
type limited struct {
	*net.UnixListener
	mayOrder func(peer) bool
	places   bounded.Places[uint32] // by user
}

func (l *limited) Accept() (net.Conn, error) {
	for {
		c, err := l.AcceptUnix()
		if err != nil {
			return nil, err
		}
		p := peerOf(c)
		if leave, ok := l.enter(p); ok {
			return &place{UnixConn: c, peer: p, leave: leave}, nil
		}
		c.Close()
	}
}

func (l *limited) enter(p peer) (leave func(), ok bool) {
	most := connections
	if !l.mayOrder(p) {
		most -= keptBack
	}
	if !p.known {
		return nil, false
	}
	return l.places.Enter(p.uid, most, perUser)
}

// place is a connection that gives its place back when it ends.
type place struct {
	*net.UnixConn
	peer  peer
	leave func()
}

func (p *place) Close() error {
	p.leave()
	return p.UnixConn.Close()
}
