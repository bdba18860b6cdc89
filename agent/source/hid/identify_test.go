package hid

import (
	"testing"
	"testing/fstest"

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
