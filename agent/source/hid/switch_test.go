package hid

import (
	"bytes"
	"strings"
	"testing"
	"time"
)

// Aim: writing one countdown starts nothing else that shares its report: what
// reads as a result ("test passed", 1) would start it when written back (1 is
// "quick test"), and a countdown that reads 0 would run out at once. What runs,
// and what is a mere setting, stays. Method: one report of all the controls.
func TestCompose(t *testing.T) {
	l, err := parse(one(0x15, 0xFF, 0x26, 0xFF, 0x7F, 0x66, 0x01, 0x10, 0x75, 16, 0x95, 1, 0x85, 1,
		0x09, 0x57, 0xB1, 2, 0x09, 0x56, 0xB1, 2, 0x09, 0x55, 0xB1, 2, // DelayBeforeShutdown, -Startup, -Reboot
		0x65, 0, 0x15, 0, 0x25, 6, 0x75, 8, 0x09, 0x58, 0xB1, 2, 0x09, 0x51, 0xB1, 2, 0x09, 0x5A, 0xB1, 2)) // Test, SwitchOffControl, AudibleAlarmControl
	if err != nil {
		t.Fatal(err)
	}
	a := &act{port: &port{layout: l}}
	if a.off, a.on, err = l.countdowns(); err != nil {
		t.Fatal(err)
	}
	was := []byte{0, 0, 0x2C, 0x01, 0, 0, 1, 3, 2}
	for _, c := range []struct {
		f    *field
		d    time.Duration
		want []byte
	}{
		{a.off, 90 * time.Second, []byte{90, 0, 0x2C, 0x01, 0xFF, 0xFF, 0, 0, 2}},
		{a.off, none, []byte{0xFF, 0xFF, 0x2C, 0x01, 0xFF, 0xFF, 0, 0, 2}},
		{a.on, 256 * time.Second, []byte{0xFF, 0xFF, 0, 1, 0xFF, 0xFF, 0, 0, 2}},
	} {
		if got := a.compose(c.f, was, c.d); !bytes.Equal(got, c.want) {
			t.Errorf("%s of %v: %x, want %x", c.f.usage.known().name, c.d, got, c.want)
		}
	}
	if got := a.compose(a.on, was[:1], time.Second); len(got) != len(was) {
		t.Errorf("of a report cut short: %x", got)
	}
}

// Aim: a countdown is written and read in the device's own steps, rounded up,
// and -1 is none with or without a sign.
func TestCountdown(t *testing.T) {
	second := field{usage: delayShutdown, bits: 16, lmin: -1, lmax: 32767, unit: unitSecond}
	bare := field{usage: delayShutdown, bits: 16, lmax: 65535}
	minute := field{usage: delayShutdown, bits: 8, lmax: 100, pmax: 6000, unit: unitSecond}
	tenth := field{usage: delayShutdown, bits: 16, lmin: -1, lmax: 32767, unit: unitSecond, exponent: -1}
	for _, c := range []struct {
		name    string
		f       field
		d       time.Duration
		raw     int64
		left    int64
		longest time.Duration
	}{
		{"seconds", second, 90 * time.Second, 90, 90, 32767 * time.Second},
		{"without unit and sign", bare, 90 * time.Second, 90, 90, 32767 * time.Second},
		{"minutes", minute, 90 * time.Second, 2, 120, 100 * time.Minute},
		{"tenths", tenth, 1500 * time.Millisecond, 15, 1, 3276700 * time.Millisecond},
		{"none", second, none, -1, none, 32767 * time.Second},
		{"none without a sign", bare, none, -1, none, 32767 * time.Second},
	} {
		data := make([]byte, 2)
		c.f.put(data, c.f.logical(c.d))
		left, err := c.f.left(data)
		if got := c.f.logical(c.d); got != c.raw || left != c.left || err != nil || c.f.longest() != c.longest {
			t.Errorf("%s: written %d, reads %d %v, longest %v; want %d, %d, %v", c.name, got, left, err, c.f.longest(), c.raw, c.left, c.longest)
		}
	}
	volts := field{usage: delayShutdown, bits: 16, lmax: 100, unit: unitVolt}
	if _, err := volts.left([]byte{1, 0}); err == nil {
		t.Error("a countdown in volts was read")
	}
}

// Aim: only the whole output is switched, by the countdown that says it counts
// in seconds, and not at all where it would stay off.
func TestCountdowns(t *testing.T) {
	outletOnly := one(0x75, 16, 0x95, 1, 0x09, 0x20, 0xA1, 0, 0x09, 0x57, 0xB1, 2, 0x09, 0x56, 0xB1, 2, 0xC0)
	noStart := one(0x75, 16, 0x95, 1, 0x09, 0x57, 0xB1, 2)
	inputOnly := one(0x75, 16, 0x95, 1, 0x09, 0x57, 0x81, 2, 0x09, 0x56, 0xB1, 2)
	for _, c := range []struct {
		d    []byte
		want string
	}{{outletOnly, "no DelayBeforeShutdown"}, {noStart, "no DelayBeforeStartup"}, {inputOnly, "no DelayBeforeShutdown"}} {
		l, err := parse(c.d)
		if err != nil {
			t.Fatal(err)
		}
		if _, _, err := l.countdowns(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%x: %v, want %q", c.d, err, c.want)
		}
	}
	l, err := parse(one(0x75, 16, 0x95, 1, 0x85, 1, 0x09, 0x57, 0xB1, 2, 0x66, 0x01, 0x10, 0x85, 2, 0x09, 0x57, 0xB1, 2, 0x09, 0x56, 0xB1, 2))
	if err != nil {
		t.Fatal(err)
	}
	if off, _, err := l.countdowns(); err != nil || off.report.id != 2 {
		t.Errorf("%v by %+v, want report 2, in seconds", err, off)
	}
}

// Aim: only a countdown that reads as it was set is taken for it: not one that
// would end early, or that does not run; one rounded to minutes is.
func TestTook(t *testing.T) {
	const d = 90 * time.Second
	for _, c := range []struct {
		d     time.Duration
		reads int64
		want  bool
	}{
		{d, 90, true}, {d, 89, true}, {d, 87, false}, {d, 120, true}, {d, 60, false}, {d, 151, false}, {d, 0, false}, {d, none, false},
		{none, none, true}, {none, 0, true}, {none, 5, false},
	} {
		if got := took(c.d, time.Now(), c.reads); got != c.want {
			t.Errorf("%v reads %d: %v, want %v", c.d, c.reads, got, c.want)
		}
	}
}
