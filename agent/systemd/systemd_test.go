package systemd

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"
)

// manager listens as a service manager does. It is a stand-in: the protocol is
// sd_notify(3); the real one is met when the unit runs.
func manager(t *testing.T, name string, watchdog time.Duration) (heard func(within time.Duration) string) {
	t.Helper()
	ln, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { ln.Close() })
	t.Setenv("NOTIFY_SOCKET", name)
	t.Setenv("WATCHDOG_USEC", strconv.Itoa(int(watchdog.Microseconds())))
	t.Setenv("WATCHDOG_PID", strconv.Itoa(os.Getpid()))
	return func(within time.Duration) string {
		ln.SetReadDeadline(time.Now().Add(within))
		text := make([]byte, 4096)
		n, err := ln.Read(text)
		if err != nil {
			return ""
		}
		return string(text[:n])
	}
}

// What was said is in the socket when the notifier's method returns: more than
// that is not waited for where nothing is to come.
const (
	surely  = time.Minute
	nothing = 50 * time.Millisecond
)

// Each word is said as the protocol has it, over a socket with a path and over
// an abstract one; the environment is cleared, so that no command inherits it.
func TestWords(t *testing.T) {
	for _, name := range []string{filepath.Join(t.TempDir(), "notify"), fmt.Sprintf("@ebbline-test-%d", os.Getpid())} {
		heard := manager(t, name, 0)
		n, err := FromEnvironment()
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"} {
			if _, there := os.LookupEnv(name); there {
				t.Errorf("%s is still in the environment", name)
			}
		}
		n.Ready()
		n.Alive("rack normal, 27m52s at 320 W")
		n.Alive("rack normal, 27m52s at 320 W")
		n.Reloading()
		n.Stopping()
		for _, want := range []string{`READY=1`, `STATUS=rack normal, 27m52s at 320 W`, `RELOADING=1\nMONOTONIC_USEC=[0-9]+`, `STOPPING=1`} {
			if got := heard(surely); !regexp.MustCompile("^" + want + "$").MatchString(got) {
				t.Errorf("heard %q, want %q", got, want)
			}
		}
		if got := heard(nothing); got != "" {
			t.Errorf("and then %q", got)
		}
	}
}

// The watchdog is kicked as often as a quarter of its time, however often the
// loop turns, and not for another process.
func TestWatchdog(t *testing.T) {
	heard := manager(t, filepath.Join(t.TempDir(), "notify"), time.Hour)
	n, err := FromEnvironment()
	if err != nil {
		t.Fatal(err)
	}
	for range 1000 {
		n.Alive("")
	}
	if got := heard(surely); got != "WATCHDOG=1" {
		t.Errorf("heard %q first", got)
	}
	if got := heard(nothing); got != "" {
		t.Errorf("a thousand turns at once kick it again: %q", got)
	}
	if n.every != 15*time.Minute {
		t.Errorf("it is kicked every %v", n.every)
	}
	n.alive = n.alive.Add(-n.every)
	n.Alive("")
	if got := heard(surely); got != "WATCHDOG=1" {
		t.Errorf("heard %q later", got)
	}

	heard = manager(t, filepath.Join(t.TempDir(), "notify"), time.Millisecond)
	t.Setenv("WATCHDOG_PID", "1")
	if n, err = FromEnvironment(); err != nil {
		t.Fatal(err)
	}
	n.Alive("")
	if got := heard(nothing); got != "" {
		t.Errorf("the watchdog of another process is kicked: %q", got)
	}
}

// Without a service manager, and with one that does not read, nothing fails and
// nothing waits.
func TestNobodyListens(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	n, err := FromEnvironment()
	if err != nil {
		t.Fatal(err)
	}
	n.Ready()
	n.Alive("fine")

	manager(t, filepath.Join(t.TempDir(), "notify"), 0)
	if n, err = FromEnvironment(); err != nil {
		t.Fatal(err)
	}
	// The kernel keeps few datagrams for who does not read them. That this loop
	// ends is the test.
	for i := range 50 {
		n.Alive(strconv.Itoa(i))
	}

	t.Setenv("NOTIFY_SOCKET", filepath.Join(t.TempDir(), "nobody"))
	if _, err := FromEnvironment(); err == nil {
		t.Error("a socket that is not there gives no error")
	}
}
