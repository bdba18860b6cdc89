package hid

import (
	"testing"
	"testing/fstest"

	"ebbline/agent/peertest/uhidups"
	"ebbline/policy"
)

// Aim: what a device on USB calls itself can be shown as it is kept, and one with
// an odd serial is still found by the serial that is shown. Method: a device whose
// name and serial hold a terminal's escape sequences and a mark of direction.
func TestIdentityIsClean(t *testing.T) {
	class := fstest.MapFS{
		"hidraw7/device/uevent":            {Data: []byte("HID_NAME=\x1b[2J\x1b]0;title\x07Odd\u202e UPS\nHID_UNIQ= \x1b[31m4711\x1b[0m \nHID_ID=0003:00001209:00000001\n")},
		"hidraw7/device/report_descriptor": {Data: []byte{0x06}}, // cut short: it counts, so that opening it says why
	}
	want := Identity{Node: "/dev/hidraw7", Name: "Odd UPS", Serial: "4711", Vendor: 0x1209, Product: 1}
	if got := identify(class, "hidraw7"); got != want {
		t.Errorf("%+v", got)
	}
	for _, serial := range []string{"4711", " \x1b[31m4711"} {
		if got, err := find(class, policy.HID{Serial: serial}); err != nil || got != want {
			t.Errorf("by serial %q: %+v, %v", serial, got, err)
		}
	}
}

// Aim: of what is plugged in the UPSs are listed, and nothing else. Method: nodes as
// the kernel shows them, with the virtual UPS's descriptor, a mouse's and a broken one.
func TestPresent(t *testing.T) {
	mouse := []byte{0x05, 0x01, 0x09, 0x02, 0xA1, 0x01, 0x75, 8, 0x95, 2, 0x15, 0x81, 0x25, 0x7F, 0x09, 0x30, 0x09, 0x31, 0x81, 0x06, 0xC0}
	class := fstest.MapFS{
		"hidraw0/device/uevent":            {Data: []byte("HID_NAME=A mouse\n")},
		"hidraw0/device/report_descriptor": {Data: mouse},
		"hidraw1/device/uevent":            {Data: []byte("HID_NAME=Example UPS\nHID_UNIQ=4711\n")},
		"hidraw1/device/report_descriptor": {Data: uhidups.Descriptor(false)},
		"hidraw2/device/report_descriptor": {Data: []byte{0x06}},
	}
	if got, want := present(class), (Identity{Node: "/dev/hidraw1", Name: "Example UPS", Serial: "4711"}); len(got) != 1 || got[0] != want {
		t.Errorf("%+v", got)
	}
	if got := present(fstest.MapFS{}); got != nil {
		t.Errorf("of nothing %+v", got)
	}
}
