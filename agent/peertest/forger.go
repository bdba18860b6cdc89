package peertest

import (
	"encoding/binary"
	"fmt"
	"io"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// forgerRole is the first argument by which a test binary is started again as a
// forger.
const forgerRole = "peertest-forger"

// Places on a rack's segment for what is no host.
const (
	cardPlace   = 250
	forgerPlace = 251
)

// StartCard starts a card with a network namespace of its own on the segment, at
// the usual port. It ends with the test.
func (r *Rack) StartCard(state UPSState) *Card {
	r.t.Helper()
	return startCard(r.t, r, state)
}

func (r *Rack) cardAddr() string {
	if r == nil {
		return ""
	}
	return fmt.Sprintf("%s%d:161", r.subnet, cardPlace)
}

// startInside starts a program in a network namespace of its own, with one link
// to the segment. The program is the namespace: it ends with it.
func (r *Rack) startInside(cmd *exec.Cmd, place int) {
	r.t.Helper()
	const setUp = `read -r _; ip link set lo up; ip addr add "$0/24" dev eth0; ip link set eth0 up; exec "$@"`
	cmd.Args = append([]string{"sh", "-c", setUp, r.subnet + strconv.Itoa(place), cmd.Path}, cmd.Args[1:]...)
	cmd.Path = "/bin/sh"
	if cmd.SysProcAttr == nil {
		cmd.SysProcAttr = &syscall.SysProcAttr{}
	}
	cmd.SysProcAttr.Cloneflags = syscall.CLONE_NEWNET
	plugged, err := cmd.StdinPipe()
	must(r.t, err)
	must(r.t, cmd.Start())
	link := fmt.Sprintf("%s.p%d", r.bridge, place)
	runIP("link del " + link) // of one that has just ended
	ip(r.t, "link add %s type veth peer name eth0 netns %d\nlink set %s master %s up", link, cmd.Process.Pid, link, r.bridge)
	_, err = io.WriteString(plugged, "go\n")
	must(r.t, err)
}

// Forge lets a stranger in a namespace of its own, who sees nothing of what the
// others say, send packets under the card's address and port to this machine's:
// to every port that Linux hands out by itself, over and over, so many a second,
// for as long as said. It returns how to wait for the end.
func (r *Rack) Forge(card *Card, packet []byte, aSecond int, d time.Duration) (wait func()) {
	r.t.Helper()
	exe, err := os.Executable()
	must(r.t, err)
	file := filepath.Join(r.t.TempDir(), "packet")
	must(r.t, os.WriteFile(file, packet, 0o600))
	cmd := exec.Command(exe, forgerRole, card.Addr, r.subnet+"1", file, strconv.Itoa(aSecond), d.String())
	cmd.Stderr = os.Stderr
	r.startInside(cmd, forgerPlace)
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	r.t.Cleanup(func() { cmd.Process.Kill() })
	return func() { must(r.t, <-ended) }
}

// forge is that stranger. The packets have an IPv4 and a UDP header of its own
// making (RFC 791, 768), and no UDP checksum, which means that there is none.
func forge(from, to, file, aSecond, lasts string) error {
	packet, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	as, err := netip.ParseAddrPort(from)
	if err != nil {
		return err
	}
	victim, err := netip.ParseAddr(to)
	if err != nil {
		return err
	}
	rate, err := strconv.Atoi(aSecond)
	if err != nil {
		return err
	}
	d, err := time.ParseDuration(lasts)
	if err != nil {
		return err
	}
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_RAW, unix.IPPROTO_RAW)
	if err != nil {
		return err
	}
	const headers = 28
	src, dst := as.Addr().As4(), victim.As4()
	b := make([]byte, headers, headers+len(packet))
	b[0], b[8], b[9] = 0x45, 64, unix.IPPROTO_UDP // the kernel fills in length and checksum
	copy(b[12:], src[:])
	copy(b[16:], dst[:])
	binary.BigEndian.PutUint16(b[20:], as.Port())
	binary.BigEndian.PutUint16(b[24:], uint16(8+len(packet)))
	b = append(b, packet...)
	const first, last = 32768, 60999 // net.ipv4.ip_local_port_range
	began, sent, port := time.Now(), 0, first
	for time.Since(began) < d {
		for range max(0, int(time.Since(began).Seconds()*float64(rate))-sent) {
			binary.BigEndian.PutUint16(b[22:], uint16(port))
			if err := unix.Sendto(fd, b, 0, &unix.SockaddrInet4{Addr: dst}); err != nil && err != unix.ENOBUFS {
				return err
			}
			sent++
			if port++; port > last {
				port = first
			}
		}
		time.Sleep(5 * time.Millisecond)
	}
	return nil
}
