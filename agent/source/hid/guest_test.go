package hid

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"ebbline/agent/peertest"
	"ebbline/agent/peertest/uhidups"
	"ebbline/policy"
)

func TestMain(m *testing.M) { peertest.GuestMain(m) }

func TestKernel(t *testing.T) { peertest.RunGuest(t, "^TestGuest") }

func TestGuestX(t *testing.T) {
	peertest.OnlyInGuest(t)
	u := uhidups.PlugIn(t, "SN1", uhidups.Descriptor(false), uhidups.Normal())
	time.Sleep(500 * time.Millisecond)
	for _, p := range []string{"/sys/kernel/debug/hid/*/rdesc", "/sys/class/hidraw/*/device/uevent"} {
		m, _ := filepath.Glob(p)
		for _, f := range m {
			b, _ := os.ReadFile(f)
			fmt.Println(f, string(b))
		}
	}
	s := New(policy.HID{Serial: "SN1"}, Rated{Watts: 900, BatteryVolts: 24}, func() { fmt.Println("changed") })
	m, err := s.Poll(t.Context())
	fmt.Printf("%+v %v\n", m, err)
	c, err := s.Probe(t.Context())
	fmt.Printf("%+v %v\n", c, err)
	u.Set(func(s *uhidups.State) { s.Fail() })
	time.Sleep(100 * time.Millisecond)
	m, err = s.Poll(t.Context())
	fmt.Printf("%+v %v\n", m, err)
}
