package control

import (
	"fmt"
	"net"
	"os/user"
	"strconv"
	"sync"
	"unsafe"

	"golang.org/x/sys/unix"
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
func peerOf(conn net.Conn) (p peer) {
	c, ok := conn.(interface{ unix() *net.UnixConn })
	if !ok {
		return p
	}
	raw, err := c.unix().SyscallConn()
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

// limited accepts no more than so many connections at the same time.
type limited struct {
	*net.UnixListener
	places chan struct{}
}

func (l *limited) Accept() (net.Conn, error) {
	l.places <- struct{}{}
	c, err := l.AcceptUnix()
	if err != nil {
		<-l.places
		return nil, err
	}
	return &place{UnixConn: c, places: l.places}, nil
}

// place is a connection that gives its place back when it ends.
type place struct {
	*net.UnixConn
	places chan struct{}
	once   sync.Once
}

func (p *place) unix() *net.UnixConn { return p.UnixConn }

func (p *place) Close() error {
	p.once.Do(func() { <-p.places })
	return p.UnixConn.Close()
}
