package hid

import (
	"bytes"
	"encoding/binary"
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ebbline/agent/peertest"
	"ebbline/agent/peertest/uhidups"
)

// row is one usage of testdata/captures/hid/hid-power.csv.
type row struct {
	usage      usage
	name, unit string
}

func published(t *testing.T) []row {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(peertest.ModuleRoot(t), "testdata/captures/hid/hid-power.csv"))
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(text))
	r.Comment = '#'
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []row
	for _, rec := range records[1:] {
		page, err := strconv.ParseUint(rec[0], 0, 16)
		if err != nil {
			t.Fatal(err)
		}
		id, err := strconv.ParseUint(rec[1], 0, 16)
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, row{usage(page<<16 | id), rec[2], rec[4]})
	}
	return rows
}

// Aim: every usage has the number that the HID usage tables give its name.
// Method: testdata/captures/hid/hid-power.csv, whose head names its source.
func TestUsages(t *testing.T) {
	ours := map[string]usage{
		"ChangedStatus": changedStatus, "UPS": ups, "BatterySystem": batterySystem, "Battery": battery, "PowerConverter": powerConverter,
		"Input": inputSide, "Output": outputSide, "Outlet": outlet, "PowerSummary": powerSummary,
		"SwitchOnControl": switchOnControl, "SwitchOffControl": switchOffControl, "ToggleControl": toggleControl, "ModuleReset": moduleReset,
	}
	for _, k := range wanted {
		ours[k.name] = k.usage
	}
	for _, row := range published(t) {
		if u, ok := ours[row.name]; ok && u != row.usage {
			t.Errorf("%s is %06x, in the tables %06x", row.name, u, row.usage)
		}
		delete(ours, row.name)
	}
	if len(ours) > 0 {
		t.Errorf("not in the tables: %v", ours)
	}
}

// feature16 is a descriptor of one 16-bit feature value with a unit.
func feature16(u usage, unit uint32, exponent int) []byte {
	d := []byte{0x05, 0x84, 0x09, 0x04, 0xA1, 0x01, 0x15, 0x00, 0x27, 0xFF, 0xFF, 0, 0, 0x75, 16, 0x95, 1, 0x55, byte(exponent) & 0xF, 0x67}
	d = binary.LittleEndian.AppendUint32(d, unit)
	d = binary.LittleEndian.AppendUint32(append(d, 0x0B), uint32(u))
	return append(d, 0xB1, 0x02, 0xC0)
}

// Aim: a count is scaled into volts, watts, kelvins, seconds and percent by
// each unit and exponent that the usage tables' examples have. Method: the unit
// column of hid-power.csv, such as "unit 0x00F0D121 exp 7 (=1 V), 6 (=0.1 V)";
// a count of 231 must come out as 231 times what stands in the brackets.
func TestUnits(t *testing.T) {
	unit := regexp.MustCompile(`unit (0x[0-9A-F]+) exp (.*)`)
	each := regexp.MustCompile(`(-?\d+)(?: \(=([0-9.]+) )?`)
	checked := 0
	for _, row := range published(t) {
		code, steps := uint64(0), [][]string{{"", "0", "1"}}
		if m := unit.FindStringSubmatch(row.unit); m != nil {
			code, _ = strconv.ParseUint(m[1], 0, 32)
			steps = each.FindAllStringSubmatch(strings.TrimSuffix(m[2], "(subtract 273)"), -1)
		} else if row.unit != "percent; no unit" {
			continue
		}
		for _, step := range steps {
			exponent, _ := strconv.Atoi(step[1])
			one, err := strconv.ParseFloat(step[2], 64)
			if err != nil {
				one = math.Pow10(exponent)
			}
			l, err := parse(feature16(row.usage, uint32(code), exponent))
			if err != nil {
				t.Fatal(err)
			}
			got := l.fields[0].value([]byte{231, 0})
			if want := 231 * one; math.Abs(got-want) > 1e-9*want {
				t.Errorf("%s, unit %#x exponent %d: %v, want %v", row.name, code, exponent, got, want)
			}
			checked++
		}
	}
	if checked < 20 {
		t.Errorf("only %d units were checked", checked)
	}
}

// one is a descriptor of one application collection with these items in it.
func one(items ...byte) []byte {
	return append(append([]byte{0x05, 0x84, 0x09, 0x04, 0xA1, 0x01}, items...), 0xC0)
}

// Aim: each kind of item does what HID 1.11, section 6.2.2 says. Method: short
// descriptors, with the fields that they describe worked out by hand. That the
// whole agrees with Linux's own reading of a descriptor is tested in the guest.
func TestParse(t *testing.T) {
	const summary = usage(0x840024)
	type F = field
	in, feat := func(id uint8) reportKey { return reportKey{input, id} }, func(id uint8) reportKey { return reportKey{feature, id} }
	app := []usage{ups}
	for _, c := range []struct {
		name string
		d    []byte
		want []field
	}{
		{"long item is passed over", one(0xFE, 3, 0x10, 0x85, 0x09, 0xC0, 0x09, 0x30, 0x75, 8, 0x95, 1, 0xB1, 2), []F{
			{report: feat(0), path: app, usage: voltage, bits: 8}}},
		{"push and pop", one(0x75, 8, 0x95, 1, 0x25, 9, 0xA4, 0x05, 0x85, 0x75, 16, 0x25, 5, 0x09, 0x66, 0xB1, 2, 0xB4, 0x09, 0x30, 0xB1, 2), []F{
			{report: feat(0), path: app, usage: remainingCapacity, bits: 16, lmax: 5},
			{report: feat(0), path: app, usage: voltage, slot: 1, bit: 16, bits: 8, lmax: 9}}},
		{"range of usages", one(0x19, 0x30, 0x29, 0x32, 0x75, 4, 0x95, 3, 0x81, 2), []F{
			{report: in(0), path: app, usage: 0x840030, bits: 4},
			{report: in(0), path: app, usage: 0x840031, slot: 1, bit: 4, bits: 4},
			{report: in(0), path: app, usage: 0x840032, slot: 2, bit: 8, bits: 4}}},
		{"the last usage repeats", one(0x09, 0x30, 0x09, 0x31, 0x75, 8, 0x95, 3, 0x81, 2), []F{
			{report: in(0), path: app, usage: 0x840030, bits: 8},
			{report: in(0), path: app, usage: 0x840031, slot: 1, bit: 8, bits: 8},
			{report: in(0), path: app, usage: 0x840031, slot: 2, bit: 16, bits: 8}}},
		{"usage of 4 bytes has its own page", one(0x0B, 0xD0, 0, 0x85, 0, 0x75, 1, 0x95, 1, 0x81, 2), []F{
			{report: in(0), path: app, usage: acPresent, bits: 1}}},
		{"usages of two pages", one(0x05, 0x85, 0x09, 0xD0, 0x05, 0x84, 0x09, 0x69, 0x75, 1, 0x95, 2, 0x81, 2), []F{
			{report: in(0), path: app, usage: acPresent, bits: 1},
			{report: in(0), path: app, usage: shutdownImminent, slot: 1, bit: 1, bits: 1}}},
		{"page after the usage", one(0x09, 0x66, 0x05, 0x85, 0x75, 8, 0x95, 1, 0x81, 2), []F{
			{report: in(0), path: app, usage: remainingCapacity, bits: 8}}},
		{"each report id has its own offsets, input and feature share a value", one(0x75, 8, 0x95, 1, 0x85, 1, 0x09, 0x30, 0xB1, 2, 0x85, 2, 0x09, 0x35, 0xB1, 2, 0x85, 1, 0x09, 0x35, 0x81, 2), []F{
			{report: feat(1), path: app, usage: voltage, bits: 8},
			{report: feat(2), path: app, usage: percentLoad, slot: 1, bits: 8},
			{report: in(1), path: app, usage: percentLoad, slot: 1, bits: 8}}},
		{"same path and usage again is another value", one(0x75, 8, 0x95, 1, 0x09, 0x30, 0xB1, 2, 0x09, 0x30, 0xB1, 2), []F{
			{report: feat(0), path: app, usage: voltage, bits: 8},
			{report: feat(0), path: app, usage: voltage, slot: 1, bit: 8, bits: 8}}},
		{"padding, arrays and buffers take room", one(0x75, 3, 0x95, 1, 0xB1, 3, 0x09, 0x30, 0xB1, 0, 0x75, 40, 0x09, 0x31, 0xB1, 2, 0x75, 8, 0x09, 0x30, 0xB1, 2), []F{
			{report: feat(0), path: app, usage: voltage, bit: 46, bits: 8}}},
		{"nested collections", one(0x09, 0x24, 0xA1, 0, 0x09, 0x02, 0xA1, 2, 0x75, 1, 0x95, 1, 0x09, 0x69, 0xB1, 2, 0xC0, 0x09, 0x30, 0xB1, 2, 0xC0), []F{
			{report: feat(0), path: []usage{ups, summary, 0x840002}, usage: shutdownImminent, bits: 1},
			{report: feat(0), path: []usage{ups, summary}, usage: voltage, slot: 1, bit: 1, bits: 1}}},
		{"signs of limits", one(0x15, 0xFF, 0x26, 0xFF, 0xFF, 0x75, 16, 0x95, 1, 0x09, 0x57, 0xB1, 2, 0x15, 0, 0x36, 0xFE, 0xFF, 0x46, 0xFF, 0x7F, 0x09, 0x56, 0xB1, 2), []F{
			{report: feat(0), path: app, usage: delayShutdown, bits: 16, lmin: -1, lmax: -1},
			{report: feat(0), path: app, usage: delayStartup, slot: 1, bit: 16, bits: 16, lmax: 65535, pmin: -2, pmax: 32767}}},
		{"exponents as nibble and as byte", one(0x75, 8, 0x95, 1, 0x55, 0x0E, 0x09, 0x30, 0xB1, 2, 0x55, 0xFD, 0x09, 0x31, 0xB1, 2, 0x55, 7, 0x66, 0x01, 0x10, 0x09, 0x32, 0xB1, 2), []F{
			{report: feat(0), path: app, usage: 0x840030, bits: 8, exponent: -2},
			{report: feat(0), path: app, usage: 0x840031, slot: 1, bit: 8, bits: 8, exponent: -3},
			{report: feat(0), path: app, usage: 0x840032, slot: 2, bit: 16, bits: 8, exponent: 7, unit: unitSecond}}},
	} {
		l, err := parse(c.d)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if diff := cmp.Diff(c.want, l.fields, cmp.AllowUnexported(field{}, reportKey{})); diff != "" {
			t.Errorf("%s: (-want +got)\n%s", c.name, diff)
		}
	}
}

// Aim: a descriptor that is damaged or made to do harm is refused with its
// place. Method: one fault each.
func TestHostileDescriptors(t *testing.T) {
	many := func(n int, items ...byte) []byte { return bytes.Repeat(items, n) }
	for _, c := range []struct {
		name, want string
		d          []byte
	}{
		{"too long", "4097 bytes long", make([]byte, longestDescriptor+1)},
		{"item cut short", "byte 2: the item is cut short", []byte{0x05, 0x84, 0x27, 1, 2}},
		{"long item cut short", "byte 0: the long item is cut short", []byte{0xFE, 9, 1}},
		{"end without begin", "byte 0: the end of a collection that has not begun", []byte{0xC0}},
		{"no end", "ends within a collection", []byte{0xA1, 1}},
		{"pop without push", "byte 0: a pop without a push", []byte{0xB4}},
		{"pushes", "more than 32 states", many(40, 0xA4)},
		{"collections", "more than 32 collections", many(40, 0xA1, 0)},
		{"report id 0", "report id 0", []byte{0x85, 0}},
		{"report id 256", "report id 256", []byte{0x86, 0, 1}},
		{"alternate usages", "several meanings", []byte{0xA9, 1}},
		{"huge count", "too large", []byte{0x97, 0xFF, 0xFF, 0xFF, 0xFF}},
		{"huge report", "longer than 8192 bytes", []byte{0x76, 0xFF, 0x7F, 0x96, 0xFF, 0x7F, 0x81, 2}},
		{"many reports of one bit", "more than 4096 values", append([]byte{0x75, 1, 0x96, 0, 4}, many(100, 0x81, 2)...)},
	} {
		_, err := parse(c.d)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// Aim: what is not a value is not read as one. Method: one field, one report.
func TestValue(t *testing.T) {
	for _, c := range []struct {
		name string
		f    field
		data []byte
		want float64
	}{
		{"in the middle of bytes", field{bit: 3, bits: 10, lmax: 1000}, []byte{0x48, 0x1A}, 841},
		{"signed by its minimum", field{bits: 8, lmin: -100, lmax: 100}, []byte{0x9C}, -100},
		{"unsigned", field{bits: 8, lmax: 200}, []byte{0x9C}, 156},
		{"32 bits", field{bits: 32, lmax: math.MaxUint32}, []byte{0xFE, 0xFF, 0xFF, 0xFF}, math.MaxUint32 - 1},
		{"above its maximum", field{bits: 8, lmax: 100}, []byte{101}, math.NaN()},
		{"below its minimum", field{bits: 8, lmin: 10, lmax: 100}, []byte{9}, math.NaN()},
		{"no limits", field{bits: 8}, []byte{101}, 101},
		{"all ones", field{bits: 16, lmax: 65535}, []byte{0xFF, 0xFF}, math.NaN()},
		{"all ones of a signed one", field{bits: 16, lmin: -1, lmax: 32767}, []byte{0xFF, 0x7F}, math.NaN()},
		{"report cut short", field{bit: 8, bits: 16, lmax: 65535}, []byte{1, 2}, math.NaN()},
		{"a bit with the limits of a number", field{bits: 1, lmin: 0, lmax: 0}, []byte{1}, 1},
		{"a signed bit", field{bits: 1, lmin: -1}, []byte{1}, 1},
		// HID 1.11, 6.2.2.7: the physical limits scale the logical ones.
		{"physical limits", field{bits: 8, lmin: 0, lmax: 200, pmin: 100, pmax: 300}, []byte{50}, 150},
		{"percent with a unit left over", field{usage: remainingCapacity, bits: 8, lmax: 100, unit: unitVolt, exponent: 5}, []byte{87}, 87},
		{"voltage in seconds", field{usage: voltage, bits: 8, lmax: 100, unit: unitSecond}, []byte{87}, math.NaN()},
		{"voltage without a unit", field{usage: voltage, bits: 16, lmax: 9999, exponent: -1}, []byte{0x06, 0x09}, 231},
		{"minutes by physical limits", field{usage: runTimeToEmpty, bits: 8, lmax: 100, pmax: 6000, unit: unitSecond}, []byte{21}, 1260},
		{"exponent beyond reason", field{usage: voltage, bits: 8, lmax: 100, exponent: 1 << 30}, []byte{1}, math.NaN()},
	} {
		if got := c.f.value(c.data); got != c.want && !(math.IsNaN(got) && math.IsNaN(c.want)) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// seeds are the descriptors of the virtual UPS, whole and cut.
func seeds() [][]byte {
	d := uhidups.Descriptor(false)
	return [][]byte{d, uhidups.Descriptor(true), d[:len(d)/2], one(0xFE, 1, 2, 3), feature16(voltage, unitVolt, 5)}
}

// FuzzDescriptor's aim: no descriptor makes the parser panic or use memory
// beyond its limits, and what it accepts holds together.
func FuzzDescriptor(f *testing.F) {
	for _, d := range seeds() {
		f.Add(d)
	}
	f.Fuzz(func(t *testing.T, d []byte) {
		l, err := parse(d)
		if err != nil {
			return
		}
		if len(l.fields) > mostFields || len(l.slots) > len(l.fields) {
			t.Fatalf("%d fields, %d values", len(l.fields), len(l.slots))
		}
		for i := range l.fields {
			g := &l.fields[i]
			if g.bits < 1 || g.bits > 32 || g.bit+g.bits > 8*l.bytes[g.report] || l.bytes[g.report] > longestReport/8 || g.slot >= len(l.slots) {
				t.Fatalf("%+v in a report of %d bytes", g, l.bytes[g.report])
			}
			if l.slots[g.slot].usage != g.usage || !slices.Equal(l.slots[g.slot].path, g.path) || len(g.path) > deepest {
				t.Fatalf("%+v has the value of %+v", g, l.slots[g.slot])
			}
		}
		l.countdowns()
		for _, r := range l.reports() {
			if l.bytes[r.key] == 0 {
				t.Fatalf("%v is asked for and has no values", r.key)
			}
		}
	})
}

// FuzzReport's aim: no report makes its reader panic, and no measurement has a
// figure that cannot be true. Written values read back.
func FuzzReport(f *testing.F) {
	for _, d := range seeds() {
		f.Add(d, uint8(uhidups.IDStatus), []byte{1})
		f.Add(d, uint8(uhidups.IDBattery), []byte{0xAA, 0x0A, 0x2A, 0x01})
		f.Add(d, uint8(uhidups.IDShutdown), []byte{0xFF, 0xFF})
	}
	f.Fuzz(func(t *testing.T, d []byte, id uint8, data []byte) {
		l, err := parse(d)
		if err != nil {
			return
		}
		talk := newTalk(&port{layout: l})
		talk.take(reportKey{feature, id}, data, false)
		talk.take(reportKey{input, id}, data, true)
		r, _ := talk.readings(time.Time{})
		checkPlausible(t, measure(r, Rated{Watts: 900, BatteryVolts: 24}, true))
		for i := range l.fields {
			g := &l.fields[i]
			n, ok := g.raw(data)
			if !ok {
				continue
			}
			if back := slices.Clone(data); true {
				g.put(back, n)
				if !bytes.Equal(back, data) {
					t.Fatalf("%+v: %x reads %d, which writes %x", g, data, n, back)
				}
			}
			g.left(data)
		}
		a := &act{port: talk.port}
		if a.off, a.on, err = l.countdowns(); err == nil {
			a.compose(a.off, data, a.off.longest())
		}
	})
}
