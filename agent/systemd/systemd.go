// Package systemd tells the service manager how the agent is: ready, alive, and
// the margin in words. It speaks the sd_notify(3) protocol and nothing else, and
// never holds its caller up.
package systemd

import (
	"fmt"
	"net"
	"os"
	"strconv"
	"time"

	"golang.org/x/sys/unix"
)

// Notifier is the way to the service manager. Its zero value has none, and is
// silent. One goroutine at a time uses it.
type Notifier struct {
	conn   *net.UnixConn
	every  time.Duration // between two signs of life; zero when none are wanted
	alive  time.Time
	status string
}

// writeWithin is how long a service manager that does not read is waited for.
const writeWithin = 20 * time.Millisecond

// FromEnvironment takes the service manager's address from the environment, and
// away from it: the commands that the agent runs must not speak in its name.
func FromEnvironment() (*Notifier, error) {
	address, usec, pid := os.Getenv("NOTIFY_SOCKET"), os.Getenv("WATCHDOG_USEC"), os.Getenv("WATCHDOG_PID")
	for _, name := range []string{"NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"} {
		os.Unsetenv(name)
	}
	n := &Notifier{}
	if address == "" {
		return n, nil
	}
	if us, err := strconv.ParseInt(usec, 10, 64); err == nil && us > 0 && (pid == "" || pid == strconv.Itoa(os.Getpid())) {
		n.every = time.Duration(us) * time.Microsecond / 4
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: address, Net: "unixgram"})
	if err != nil {
		return n, fmt.Errorf("systemd: the socket in NOTIFY_SOCKET: %w", err)
	}
	n.conn = conn
	return n, nil
}

// Ready says that the agent does its work, at the start and after a reload.
func (n *Notifier) Ready() { n.send("READY=1") }

// Alive says that the loop turns, as often as the watchdog wants it, and how
// things stand when that has changed.
func (n *Notifier) Alive(status string) {
	if n.every > 0 && time.Since(n.alive) >= n.every {
		n.alive = time.Now()
		n.send("WATCHDOG=1")
	}
	if status != n.status {
		n.status = status
		n.send("STATUS=" + status)
	}
}

// Reloading says that a new policy is read; Ready ends it.
func (n *Notifier) Reloading() {
	var t unix.Timespec
	if unix.ClockGettime(unix.CLOCK_MONOTONIC, &t) == nil {
		n.send(fmt.Sprintf("RELOADING=1\nMONOTONIC_USEC=%d", t.Nano()/1000))
	}
}

// Stopping says that the agent is about to end.
func (n *Notifier) Stopping() { n.send("STOPPING=1") }

func (n *Notifier) send(text string) {
	if n.conn == nil {
		return
	}
	n.conn.SetWriteDeadline(time.Now().Add(writeWithin))
	n.conn.Write([]byte(text)) // who does not hear it restarts us; there is nothing better to do
}
