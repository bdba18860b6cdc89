package sensor

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"ebbline/agent/peertest"
	"ebbline/policy"
)

func TestMain(m *testing.M) { peertest.Main(m) }

// Aim: a sensor over SNMP is read by its object and scale; what it does not have, or
// what no room can be, is an error with words and never a reading. Method: net-snmp's
// agent, v1, v2c and v3; the battery's temperature of RFC 1628 (1 degree a count,
// 4.2) stands for a sensor's object.
func TestThermometer(t *testing.T) {
	card := peertest.StartSNMPD(t, peertest.DefaultUPS())
	const oid = "1.3.6.1.2.1.33.1.2.7.0"
	for _, version := range []int{1, 2, 3} {
		cfg := card.SNMP(version)
		for _, c := range []struct {
			count int64
			scale float64
			want  int64
			words string
		}{
			{24, 1, 240, ""}, {245, 0.1, 245, ""}, {24567, 0.001, 246, ""}, {-5, 1, -50, ""},
			{900, 1, 0, "is the temperature of no room"}, {-1000, 1, 0, "is the temperature of no room"},
		} {
			card.Numbers(map[string]int64{"upsBatteryTemperature": c.count})
			got, err := NewThermometer(policy.Temperature{UPS: -1, SNMP: &cfg, OID: oid, Scale: c.scale}, peertest.Secret).Read(t.Context())
			if (err != nil) != (c.words != "") || err != nil && !strings.Contains(err.Error(), c.words) || got != c.want {
				t.Errorf("v%d, %d times %g: %d, %v; want %d %q", version, c.count, c.scale, got, err, c.want, c.words)
			}
		}
		_, err := NewThermometer(policy.Temperature{UPS: -1, SNMP: &cfg, OID: oid + ".1", Scale: 1}, peertest.Secret).Read(t.Context())
		if err == nil || !strings.Contains(err.Error(), "has no integer at") {
			t.Errorf("v%d: an object that is not there: %v", version, err)
		}
	}
}

// Aim: one reader goes on after its device was silent or restarted. Method: snmpd is
// stopped, asked, and started again.
func TestThermometerComesBack(t *testing.T) {
	card := peertest.StartSNMPD(t, peertest.DefaultUPS())
	cfg := card.SNMP(3)
	cfg.Timeout = time.Second
	r := NewThermometer(policy.Temperature{UPS: -1, SNMP: &cfg, OID: "1.3.6.1.2.1.33.1.2.7.0", Scale: 1}, peertest.Secret)
	until := func(what string, ok func(int64, error) bool) {
		t.Helper()
		for end := time.Now().Add(2 * time.Minute); ; {
			if n, err := r.Read(t.Context()); ok(n, err) {
				return
			} else if time.Now().After(end) {
				t.Fatalf("not %s: %d, %v", what, n, err)
			}
		}
	}
	until("read", func(n int64, err error) bool { return err == nil && n == 240 })
	card.Stop()
	until("silent", func(n int64, err error) bool { return err != nil && n == 0 })
	card.Start()
	until("read again", func(n int64, err error) bool { return err == nil && n == 240 })
}

// Aim: a file holds one number or is an error. Method: files as the kernel's hwmon
// writes them, and what else may stand at that path.
func TestFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "temp1_input")
	pipe := filepath.Join(dir, "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		text  string
		want  int64
		words string
	}{
		{"24500\n", 245, ""}, {"24501", 246, ""}, {"-3000\n", -30, ""}, {" 24.5e3 ", 245, ""},
		{"", 0, "is no number"}, {"N/A\n", 0, `holds "N/A", which is no number`}, {"\x1b[31m", 0, "is no number"}, {"24500 25000\n", 0, "is no number"},
		{"nan", 0, "of no room"}, {"1e9\n", 0, "of no room"}, {strings.Repeat("2", 100), 0, "more than one number"},
	} {
		if err := os.WriteFile(path, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		got, err := NewThermometer(policy.Temperature{UPS: -1, File: path, Scale: 0.001}, nil).Read(t.Context())
		if got != c.want || (err != nil) != (c.words != "") || err != nil && !strings.Contains(err.Error(), c.words) {
			t.Errorf("%q: %d, %v; want %d %q", c.text, got, err, c.want, c.words)
		}
	}
	for _, p := range []string{dir, pipe, filepath.Join(dir, "missing")} {
		if _, err := NewThermometer(policy.Temperature{UPS: -1, File: p, Scale: 1}, nil).Read(t.Context()); err == nil {
			t.Errorf("%s was read", p)
		}
	}
}

// Aim: a contact is used when its object has the policy's value, and not when it
// cannot be read. Method: net-snmp's agent with an object that is set.
func TestContact(t *testing.T) {
	card := peertest.StartSNMPD(t, peertest.DefaultUPS())
	cfg := card.SNMP(3)
	s := NewSwitch(policy.Emergency{SNMP: &cfg, OID: "1.3.6.1.2.1.33.1.3.1.0", Active: 7}, peertest.Secret)
	for _, c := range []struct {
		count int64
		want  bool
	}{{0, false}, {7, true}, {8, false}} {
		card.Numbers(map[string]int64{"upsInputLineBads": c.count})
		if got, err := s.Used(t.Context()); err != nil || got != c.want {
			t.Errorf("at %d: %v, %v", c.count, got, err)
		}
	}
	missing := NewSwitch(policy.Emergency{SNMP: &cfg, OID: "1.3.6.1.2.1.33.1.3.9.0"}, peertest.Secret) // active is 0, as an unread one is
	if got, err := missing.Used(t.Context()); got || err == nil {
		t.Errorf("an object that is not there: %v, %v", got, err)
	}
}

// Aim: a command says "pressed" in words, and nothing that fails looks like that.
// Method: real programs.
func TestCommand(t *testing.T) {
	for _, c := range []struct {
		script string
		used   bool
		words  string
	}{
		{"echo pressed", true, ""}, {"echo released", false, ""}, {"echo pressed; echo more", true, ""},
		{"exit 1", false, "exit status 1"}, {"echo pressed; exit 1", false, "exit status 1"}, {"", false, "prints neither"},
		{"echo PRESSED", false, "prints neither"}, {"echo not pressed", false, "prints neither"}, {"kill -KILL $$", false, "ended by a signal"},
	} {
		got, err := NewSwitch(policy.Emergency{Command: []string{"/bin/sh", "-c", c.script}}, nil).Used(t.Context())
		if got != c.used || (err != nil) != (c.words != "") || err != nil && !strings.Contains(err.Error(), c.words) {
			t.Errorf("%q: %v, %v; want %v %q", c.script, got, err, c.used, c.words)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if got, err := NewSwitch(policy.Emergency{Command: []string{"/bin/sh", "-c", "echo pressed"}}, nil).Used(ctx); got || err == nil {
		t.Errorf("called off: %v, %v", got, err)
	}
}

// Aim: the kernel is asked for a line as its interface says. Method: a stand-in for
// the system call, since no kernel at hand has a line: the requests' numbers hold the
// sizes of what they pass (include/uapi/asm-generic/ioctl.h), and the flags are those
// of include/uapi/linux/gpio.h. This shows nothing of a real chip.
func TestLine(t *testing.T) {
	for request, size := range map[uint]uintptr{
		unix.GPIO_V2_GET_LINE_IOCTL: unsafe.Sizeof(unix.GPIOV2LineRequest{}), unix.GPIO_V2_LINE_GET_VALUES_IOCTL: unsafe.Sizeof(unix.GPIOV2LineValues{}),
	} {
		if got := uintptr(request >> 16 & 0x3fff); got != size {
			t.Errorf("request %#x passes %d bytes, and the struct has %d", request, got, size)
		}
	}
	chip := filepath.Join(t.TempDir(), "gpiochip0")
	if err := os.WriteFile(chip, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	var asked unix.GPIOV2LineRequest
	var level uint64
	var gone error
	real := ask
	t.Cleanup(func() { ask = real })
	ask = func(fd int, request uint, arg unsafe.Pointer) error {
		switch request {
		case unix.GPIO_V2_GET_LINE_IOCTL:
			r := (*unix.GPIOV2LineRequest)(arg)
			asked = *r
			held, err := syscall.Dup(fd)
			r.Fd = int32(held)
			return err
		case unix.GPIO_V2_LINE_GET_VALUES_IOCTL:
			(*unix.GPIOV2LineValues)(arg).Bits = level
			return gone
		}
		return unix.ENOTTY
	}
	l := NewSwitch(policy.Emergency{GPIO: &policy.GPIO{Chip: chip, Line: 17, ActiveLow: true, Bias: "pull_up"}}, nil).(*line)
	defer l.Close()
	check := func(want, fails bool) {
		t.Helper()
		if got, err := l.Used(t.Context()); got != want || (err != nil) != fails {
			t.Errorf("%v, %v; want %v, failing %v", got, err, want, fails)
		}
	}
	check(false, false)
	if asked.Num_lines != 1 || asked.Offsets[0] != 17 || asked.Config.Flags != 1<<1|1<<2|1<<8 || !bytes.HasPrefix(asked.Consumer[:], []byte("ebbline\x00")) {
		t.Errorf("asked for %d lines, the first %d, flags %#x, as %q", asked.Num_lines, asked.Offsets[0], asked.Config.Flags, asked.Consumer)
	}
	level = 1
	check(true, false)
	level, gone = 1, unix.ENODEV
	check(false, true) // what cannot be read is no hand on the switch
	gone = nil
	check(true, false) // held anew
	if _, err := NewSwitch(policy.Emergency{GPIO: &policy.GPIO{Chip: chip + "1"}}, nil).Used(t.Context()); err == nil {
		t.Error("a chip that is not there was read")
	}
	ask = real // a plain file is no chip
	if got, err := NewSwitch(policy.Emergency{GPIO: &policy.GPIO{Chip: chip}}, nil).Used(t.Context()); got || err == nil {
		t.Errorf("a plain file: %v, %v", got, err)
	}
}
