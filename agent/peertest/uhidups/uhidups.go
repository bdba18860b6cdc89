// Package uhidups is a virtual UPS on USB, made with Linux uhid: the kernel's
// own HID core and hidraw stand between it and its reader. It is a stand-in for
// a real UPS, which no test can bring along: it answers at once, counts its
// delays as the HID tables say, and never stalls or resets its bus. It needs
// /dev/uhid and root, and so runs in the machine of peertest.RunGuest. Only
// tests may import it.
package uhidups

import (
	"bytes"
	"encoding/binary"
	"os"
	"slices"
	"sync"
	"testing"
	"time"
)

// Report ids of the virtual UPS.
const (
	IDStatus = iota + 1
	IDCharge
	IDRuntime
	IDBattery // voltage, temperature
	IDInput
	IDLoad // percent, watts
	IDTest
	IDConfig
	IDShutdown
	IDStartup
)

// Vendor and Product are the USB ids of every virtual UPS.
const (
	Vendor  = 0x1209
	Product = 0x0001
)

// State is what the UPS has to say, in the units of its reports.
type State struct {
	AC, Charging, Discharging, Low, TimeLow, Imminent bool

	ChargePercent     uint8
	RuntimeSeconds    uint16
	BatteryCentivolts uint16
	BatteryKelvin     uint16
	InputDecivolts    uint16
	LoadPercent       uint8
	LoadWatts         uint16
	Test              uint8 // 5 while one is in progress

	Silent  bool    // it answers nothing
	Deaf    []uint8 // reports that it does not answer
	Refused []uint8 // reports that it answers with an error
	Stuck   []uint8 // delays that it takes and does nothing about
	Idle    int16   // what a countdown reads that does not run
}

// Normal is a UPS of 900 W in normal mode that carries 200 W.
func Normal() State {
	return State{
		AC: true, ChargePercent: 100, RuntimeSeconds: 1800, BatteryCentivolts: 2730, BatteryKelvin: 298,
		InputDecivolts: 2305, LoadPercent: 23, LoadWatts: 200, Test: 6, Idle: -1,
	}
}

// Fail takes the input away.
func (s *State) Fail() { s.AC, s.Discharging, s.InputDecivolts = false, true, 0 }

// Descriptor is the virtual UPS's report descriptor. With pushed, the state of
// the UPS stands in an input report alone.
func Descriptor(pushed bool) []byte {
	var d []byte
	add := func(b ...byte) { d = append(d, b...) }
	id := func(n byte) { add(0x85, n) }
	power := func() { add(0x05, 0x84) }
	battery := func() { add(0x05, 0x85) }
	begin := func(u byte) { power(); add(0x09, u, 0xA1, 0x00) } // a physical collection
	end := func() { add(0xC0) }
	size := func(n, count byte) { add(0x75, n, 0x95, count) }
	unitless := func() { add(0x65, 0x00, 0x55, 0x00) }
	seconds := func() { add(0x66, 0x01, 0x10, 0x55, 0x00) }
	volts := func(exponent byte) { add(0x67, 0x21, 0xD1, 0xF0, 0x00, 0x55, exponent) }
	watts := func() { add(0x67, 0x21, 0xD1, 0x00, 0x00, 0x55, 0x07) }
	both := func(u byte) { add(0x09, u, 0xB1, 0x82, 0x09, u, 0x81, 0x82) } // feature and input

	add(0x05, 0x84, 0x09, 0x04, 0xA1, 0x01, 0x15, 0x00) // UPS, application; logical minimum 0
	begin(0x24)                                         // PowerSummary
	id(IDStatus)
	bits := []byte{0x05, 0x85, 0x09, 0xD0, 0x09, 0x44, 0x09, 0x45, 0x09, 0x42, 0x09, 0x43, 0x05, 0x84, 0x09, 0x69}
	add(0x09, 0x02, 0xA1, 0x02, 0x25, 0x01) // PresentStatus, logical; one bit each
	for _, main := range []byte{0x81, 0xB1} {
		if main == 0xB1 && pushed {
			continue
		}
		add(bits...)
		size(1, 6)
		add(main, 0x82)
		size(1, 2)
		add(main, 0x03) // padding
	}
	end()
	battery()
	id(IDCharge)
	add(0x25, 100)
	size(8, 1)
	both(0x66) // RemainingCapacity
	id(IDRuntime)
	add(0x27, 0xFF, 0xFF, 0, 0)
	size(16, 1)
	seconds()
	both(0x68) // RunTimeToEmpty
	power()
	add(0x15, 0xFF, 0x26, 0xFF, 0x7F) // -1 to 32767
	id(IDShutdown)
	add(0x09, 0x57, 0xB1, 0x82)
	id(IDStartup)
	add(0x09, 0x56, 0xB1, 0x82)
	add(0x15, 0x00)
	end()

	begin(0x12) // Battery
	id(IDBattery)
	add(0x27, 0xFF, 0xFF, 0, 0)
	volts(5)
	add(0x09, 0x30, 0xB1, 0x82)                   // Voltage, 0.01 V
	add(0x67, 0x01, 0x00, 0x01, 0x00, 0x55, 0x00) // kelvin
	add(0x09, 0x36, 0xB1, 0x82)                   // Temperature
	unitless()
	id(IDTest)
	add(0x25, 6)
	size(8, 1)
	add(0x09, 0x58, 0xB1, 0x82) // Test
	end()

	begin(0x1A) // Input
	id(IDInput)
	add(0x27, 0xFF, 0xFF, 0, 0)
	size(16, 1)
	volts(6)
	add(0x09, 0x30, 0xB1, 0x82) // Voltage, 0.1 V
	end()

	begin(0x1C) // Output
	id(IDLoad)
	unitless()
	add(0x26, 0xFF, 0x00)
	size(8, 1)
	add(0x09, 0x35, 0xB1, 0x82) // PercentLoad
	add(0x27, 0xFF, 0xFF, 0, 0)
	size(16, 1)
	watts()
	add(0x09, 0x34, 0xB1, 0x82) // ActivePower
	id(IDConfig)
	add(0x09, 0x44, 0xB1, 0x82) // ConfigActivePower
	volts(7)
	add(0x09, 0x53, 0xB1, 0x82, 0x09, 0x54, 0xB1, 0x82) // LowVoltageTransfer, HighVoltageTransfer
	end()
	return append(d, 0xC0)
}

// UPS is a virtual UPS that is plugged in.
type UPS struct {
	t    testing.TB
	file *os.File
	done chan struct{}

	mu    sync.Mutex
	state State
	due   map[uint8]time.Time // when a countdown ends; none runs without an entry
	sets  [][]byte
	asked map[uint8]int
}

// Types of uhid events (include/uapi/linux/uhid.h), and the kinds of reports.
const (
	uhidGetReport      = 9
	uhidGetReportReply = 10
	uhidCreate2        = 11
	uhidInput2         = 12
	uhidSetReport      = 13
	uhidSetReportReply = 14

	failed = 5 // EIO
)

// PlugIn plugs in a UPS with a report descriptor, [Descriptor]'s or any other.
// It is unplugged with the end of the test.
func PlugIn(t testing.TB, serial string, descriptor []byte, s State) *UPS {
	t.Helper()
	file, err := os.OpenFile("/dev/uhid", os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	var name [128]byte
	var phys, uniq [64]byte
	var data [4096]byte
	copy(name[:], "Example Virtual UPS")
	copy(uniq[:], serial)
	copy(data[:], descriptor)
	const busUSB = 3
	create := event(uhidCreate2, name, phys, uniq, uint16(len(descriptor)), uint16(busUSB), uint32(Vendor), uint32(Product), uint32(1), uint32(0), data)
	if _, err := file.Write(create); err != nil {
		t.Fatal("uhid:", err)
	}
	u := &UPS{t: t, file: file, done: make(chan struct{}), state: s, due: map[uint8]time.Time{}, asked: map[uint8]int{}}
	go u.serve()
	t.Cleanup(u.Unplug)
	return u
}

// Unplug unplugs the UPS.
func (u *UPS) Unplug() {
	u.file.Close()
	<-u.done
}

// Set changes the state, and sends an input report for what of it has changed.
func (u *UPS) Set(change func(*State)) {
	u.mu.Lock()
	was := u.state
	change(&u.state)
	is := u.state
	u.mu.Unlock()
	for _, id := range []uint8{IDStatus, IDCharge, IDRuntime} {
		if r := is.report(id); !is.Silent && !bytes.Equal(r, was.report(id)) {
			u.Send(r)
		}
	}
}

// Send sends an input report as it is.
func (u *UPS) Send(report []byte) { u.file.Write(event(uhidInput2, uint16(len(report)), report)) }

// Sets lists the feature reports that were written, oldest first.
func (u *UPS) Sets() [][]byte {
	u.mu.Lock()
	defer u.mu.Unlock()
	return slices.Clone(u.sets)
}

// Asked is how often a report was asked for.
func (u *UPS) Asked(id uint8) int {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.asked[id]
}

// event lays out one struct uhid_event.
func event(kind uint32, parts ...any) []byte {
	var b bytes.Buffer
	binary.Write(&b, binary.LittleEndian, kind)
	for _, p := range parts {
		binary.Write(&b, binary.LittleEndian, p)
	}
	return b.Bytes()
}

// serve answers the kernel until the UPS is unplugged.
func (u *UPS) serve() {
	defer close(u.done)
	buf := make([]byte, 4380)
	for {
		n, err := u.file.Read(buf)
		if err != nil || n < 10 {
			return
		}
		request, id := binary.LittleEndian.Uint32(buf[4:]), buf[8]
		switch binary.LittleEndian.Uint32(buf) {
		case uhidGetReport: // u32 request, u8 report id, u8 kind
			if report, ok := u.get(id); !ok {
				continue
			} else if report == nil {
				u.file.Write(event(uhidGetReportReply, request, uint16(failed), uint16(0)))
			} else {
				u.file.Write(event(uhidGetReportReply, request, uint16(0), uint16(len(report)), report))
			}
		case uhidSetReport: // the same, then u16 length and data
			length := int(binary.LittleEndian.Uint16(buf[10:]))
			code := uint16(0)
			if !u.set(slices.Clone(buf[12 : 12+length])) {
				code = failed
			}
			u.file.Write(event(uhidSetReportReply, request, code))
		}
	}
}

// get gives a report, or nil for an error; ok is false for no answer at all.
func (u *UPS) get(id uint8) (report []byte, ok bool) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.asked[id]++
	if u.state.Silent || slices.Contains(u.state.Deaf, id) {
		return nil, false
	}
	if slices.Contains(u.state.Refused, id) {
		return nil, true
	}
	if id == IDShutdown || id == IDStartup {
		left := u.state.Idle
		if due, runs := u.due[id]; runs && time.Now().Before(due) {
			left = int16(time.Until(due) / time.Second)
		}
		return little(id, uint16(left)), true
	}
	return u.state.report(id), true
}

func (u *UPS) set(report []byte) bool {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.sets = append(u.sets, report)
	id := report[0]
	if id != IDShutdown && id != IDStartup || len(report) != 3 {
		return false
	}
	n := int16(binary.LittleEndian.Uint16(report[1:]))
	switch {
	case slices.Contains(u.state.Stuck, id):
	case n < 0:
		delete(u.due, id)
	default:
		u.due[id] = time.Now().Add(time.Duration(n)*time.Second + 500*time.Millisecond)
	}
	return true
}

func (s *State) report(id uint8) []byte {
	switch id {
	case IDStatus:
		var b byte
		for i, set := range []bool{s.AC, s.Charging, s.Discharging, s.Low, s.TimeLow, s.Imminent} {
			if set {
				b |= 1 << i
			}
		}
		return []byte{id, b}
	case IDCharge:
		return []byte{id, s.ChargePercent}
	case IDRuntime:
		return little(id, s.RuntimeSeconds)
	case IDBattery:
		return little(id, s.BatteryCentivolts, s.BatteryKelvin)
	case IDInput:
		return little(id, s.InputDecivolts)
	case IDLoad:
		return append([]byte{id, s.LoadPercent}, little(id, s.LoadWatts)[1:]...)
	case IDTest:
		return []byte{id, s.Test}
	case IDConfig:
		return little(id, 900, 184, 265)
	}
	return nil
}

func little(id uint8, words ...uint16) []byte {
	b := []byte{id}
	for _, w := range words {
		b = binary.LittleEndian.AppendUint16(b, w)
	}
	return b
}
