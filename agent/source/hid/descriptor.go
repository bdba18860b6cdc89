package hid

import (
	"encoding/binary"
	"fmt"
	"math"
)

// usage is what a value means: the usage page in the upper half, the usage id
// in the lower.
type usage uint32

// kind is how a report travels.
type kind uint8

const (
	input   kind = iota + 1 // sent by the device of its own accord
	output                  // sent to the device
	feature                 // asked for, and set
)

// String gives the word for error texts.
func (k kind) String() string { return [...]string{"", "input", "output", "feature"}[k] }

// reportKey names a report: each kind has its own ids.
type reportKey struct {
	kind kind
	id   uint8 // 0 where the device numbers no reports
}

// field is one value in a report, and how to read it.
type field struct {
	report                 reportKey
	path                   []usage // the collections around it, outermost first
	usage                  usage
	slot                   int // index of the value
	bit, bits              int // where in the report's data, behind the id
	lmin, lmax, pmin, pmax int64
	unit                   uint32
	exponent               int
}

// slot is one value of the device: by which reports it comes does not matter.
type slot struct {
	usage usage
	path  []usage
}

// layout is a report descriptor, understood.
type layout struct {
	fields   []field
	slots    []slot
	numbered bool              // each report begins with its id
	bytes    map[reportKey]int // length of a report's data
}

// A descriptor comes from outside. Linux itself takes no longer one, and 8 KiB
// for a report; the others are far above any UPS.
const (
	longestDescriptor = 4096
	longestReport     = 8192 * 8 // bits
	mostFields        = 4096
	deepest           = 32 // collections in each other, and pushed states
)

// Items by their prefix byte without the size bits (HID 1.11, section 6.2.2).
const (
	itemInput         = 0x80
	itemOutput        = 0x90
	itemFeature       = 0xB0
	itemCollection    = 0xA0
	itemEndCollection = 0xC0

	itemUsagePage  = 0x04
	itemLogicalMin = 0x14
	itemLogicalMax = 0x24
	itemPhysMin    = 0x34
	itemPhysMax    = 0x44
	itemExponent   = 0x54
	itemUnit       = 0x64
	itemSize       = 0x74
	itemReportID   = 0x84
	itemCount      = 0x94
	itemPush       = 0xA4
	itemPop        = 0xB4

	itemUsage     = 0x08
	itemUsageMin  = 0x18
	itemUsageMax  = 0x28
	itemDelimiter = 0xA8

	longItem = 0xFE

	flagConstant = 1 // padding
	flagVariable = 2 // one value for each usage
)

// item is one short item. Its data counts as signed or unsigned by what it is.
type item struct {
	size     int
	unsigned uint32
	signed   int64
}

// globals last until they are changed, or popped.
type globals struct {
	page                       uint32
	lmin, lmax, pmin, pmax     int64
	lmaxUnsigned, pmaxUnsigned int64
	exponent, bits, count      int
	unit                       uint32
	id                         uint8
}

// span is a run of usages. A short one, of two bytes at most, takes its page
// from elsewhere.
type span struct {
	first, last usage
	short       bool
}

type parser struct {
	globals
	pushed []globals
	usages []span // locals: they end at the next main item
	least  span   // of a usage minimum that waits for its maximum
	path   []usage
	length map[reportKey]int // bits so far
	slots  map[slotKey]int
	seen   map[seenKey]int
	out    layout
}

// slotKey is what a value is known by. The path is written out, because the
// same usage stands under the input, the output, the battery and the summary.
type slotKey struct {
	path  string
	usage usage
	nth   int // where one kind of report has the same path and usage again
}

type seenKey struct {
	kind  kind
	path  string
	usage usage
}

// parse reads a report descriptor. What it does not understand is an error, or
// is passed over where the lengths still add up: arrays, buffers, strings.
func parse(d []byte) (*layout, error) {
	if len(d) > longestDescriptor {
		return nil, fmt.Errorf("report descriptor: %d bytes long, more than the %d that are allowed", len(d), longestDescriptor)
	}
	p := &parser{length: map[reportKey]int{}, slots: map[slotKey]int{}, seen: map[seenKey]int{}}
	for at := 0; at < len(d); {
		n, err := p.next(d[at:])
		if err != nil {
			return nil, fmt.Errorf("report descriptor: byte %d: %w", at, err)
		}
		at += n
	}
	if len(p.path) > 0 {
		return nil, fmt.Errorf("report descriptor: ends within a collection")
	}
	p.out.bytes = map[reportKey]int{}
	for key, bits := range p.length {
		p.out.bytes[key] = (bits + 7) / 8
	}
	return &p.out, nil
}

// next takes one item and gives its length.
func (p *parser) next(d []byte) (int, error) {
	if d[0] == longItem {
		if len(d) < 3 || len(d) < 3+int(d[1]) {
			return 0, fmt.Errorf("the long item is cut short")
		}
		return 3 + int(d[1]), nil
	}
	it := item{size: [4]int{0, 1, 2, 4}[d[0]&3]}
	if len(d) < 1+it.size {
		return 0, fmt.Errorf("the item is cut short")
	}
	switch it.size {
	case 1:
		it.unsigned, it.signed = uint32(d[1]), int64(int8(d[1]))
	case 2:
		n := binary.LittleEndian.Uint16(d[1:])
		it.unsigned, it.signed = uint32(n), int64(int16(n))
	case 4:
		n := binary.LittleEndian.Uint32(d[1:])
		it.unsigned, it.signed = n, int64(int32(n))
	}
	return 1 + it.size, p.take(d[0]&^3, it)
}

func (p *parser) take(tag byte, it item) error {
	switch tag {
	case itemInput, itemOutput, itemFeature, itemCollection, itemEndCollection:
		err := p.main(tag, it)
		p.usages, p.least = p.usages[:0], span{}
		return err
	case itemUsage:
		u := p.whole(it)
		p.usages = append(p.usages, span{u, u, it.size < 4})
	case itemUsageMin:
		u := p.whole(it)
		p.least = span{u, u, it.size < 4}
	case itemUsageMax:
		if u := p.whole(it); u >= p.least.first {
			p.usages = append(p.usages, span{p.least.first, u, p.least.short})
		}
	case itemDelimiter:
		return fmt.Errorf("it gives one value several meanings (delimiter), which is not supported")
	default:
		return p.global(tag, it)
	}
	return nil
}

// whole gives a usage item its page, unless it brings its own.
func (p *parser) whole(it item) usage {
	if it.size == 4 {
		return usage(it.unsigned)
	}
	return usage(p.page<<16 | it.unsigned)
}

func (p *parser) global(tag byte, it item) error {
	switch tag {
	case itemUsagePage:
		p.page = it.unsigned & 0xFFFF
	case itemLogicalMin:
		p.lmin = it.signed
	case itemLogicalMax:
		p.lmax, p.lmaxUnsigned = it.signed, int64(it.unsigned)
	case itemPhysMin:
		p.pmin = it.signed
	case itemPhysMax:
		p.pmax, p.pmaxUnsigned = it.signed, int64(it.unsigned)
	case itemExponent:
		// A nibble by the standard; many devices write a signed byte.
		if p.exponent = int(it.signed); it.unsigned <= 0xF {
			p.exponent = int(int8(it.unsigned<<4) >> 4)
		}
	case itemUnit:
		p.unit = it.unsigned
	case itemSize, itemCount:
		if it.unsigned > longestReport {
			return fmt.Errorf("a size or count of %d is too large", it.unsigned)
		}
		if tag == itemSize {
			p.bits = int(it.unsigned)
		} else {
			p.count = int(it.unsigned)
		}
	case itemReportID:
		if it.unsigned == 0 || it.unsigned > 255 {
			return fmt.Errorf("report id %d: only 1 to 255 are allowed", it.unsigned)
		}
		p.id, p.out.numbered = uint8(it.unsigned), true
	case itemPush:
		if len(p.pushed) == deepest {
			return fmt.Errorf("more than %d states are pushed", deepest)
		}
		p.pushed = append(p.pushed, p.globals)
	case itemPop:
		if len(p.pushed) == 0 {
			return fmt.Errorf("a pop without a push")
		}
		p.globals = p.pushed[len(p.pushed)-1]
		p.pushed = p.pushed[:len(p.pushed)-1]
	}
	return nil // designators, strings and what is reserved say nothing of a value
}

func (p *parser) main(tag byte, it item) error {
	p.lastPage()
	switch tag {
	case itemCollection:
		if len(p.path) == deepest {
			return fmt.Errorf("more than %d collections in each other", deepest)
		}
		// Fields share the path of their collection, so it is never changed.
		p.path = append(p.path[:len(p.path):len(p.path)], p.usageAt(0))
	case itemEndCollection:
		if len(p.path) == 0 {
			return fmt.Errorf("the end of a collection that has not begun")
		}
		p.path = p.path[:len(p.path)-1]
	case itemInput:
		return p.values(input, it.unsigned)
	case itemOutput:
		return p.values(output, it.unsigned)
	case itemFeature:
		return p.values(feature, it.unsigned)
	}
	return nil
}

// lastPage gives short usages the page that stands when their main item comes,
// as HID 1.11 has it, but only where they were all followed by a new page: the
// usages of several pages before one main item each keep theirs, as Linux does.
func (p *parser) lastPage() {
	for i := len(p.usages) - 1; i >= 0; i-- {
		s := &p.usages[i]
		if !s.short {
			continue
		}
		if uint32(s.first>>16) == p.page {
			return
		}
		s.first, s.last = usage(p.page<<16)|s.first&0xFFFF, usage(p.page<<16)|s.last&0xFFFF
	}
}

// usageAt gives the usage of the nth value; the last one serves all the rest.
func (p *parser) usageAt(n int) usage {
	for _, s := range p.usages {
		run := int(s.last-s.first) + 1
		if n < run {
			return s.first + usage(n)
		}
		n -= run
	}
	if len(p.usages) == 0 {
		return 0
	}
	return p.usages[len(p.usages)-1].last
}

// values adds the fields of one input, output or feature item.
func (p *parser) values(k kind, flags uint32) error {
	key := reportKey{k, p.id}
	at := p.length[key]
	p.length[key] = at + p.bits*p.count
	if p.length[key] > longestReport {
		return fmt.Errorf("%s report %d is longer than %d bytes", k, p.id, longestReport/8)
	}
	if flags&flagConstant != 0 || flags&flagVariable == 0 || p.bits == 0 || p.bits > 32 {
		return nil
	}
	if len(p.out.fields)+p.count > mostFields {
		return fmt.Errorf("more than %d values", mostFields)
	}
	f := field{report: key, path: p.path, bits: p.bits, lmin: p.lmin, lmax: p.lmax, pmin: p.pmin, pmax: p.pmax, unit: p.unit, exponent: p.exponent}
	// A maximum of two bytes FFFF beside a minimum of 0 is meant as 65535.
	if f.lmin >= 0 {
		f.lmax = p.lmaxUnsigned
	}
	if f.pmin >= 0 {
		f.pmax = p.pmaxUnsigned
	}
	path := fmt.Sprintf("%x", p.path)
	for i := range p.count {
		f.usage, f.bit = p.usageAt(i), at+i*p.bits
		f.slot = p.slot(k, path, f.usage)
		p.out.fields = append(p.out.fields, f)
	}
	return nil
}

// slot numbers the values: an input and a feature field with the same path and
// usage carry the same one.
func (p *parser) slot(k kind, path string, u usage) int {
	seen := seenKey{k, path, u}
	key := slotKey{path, u, p.seen[seen]}
	p.seen[seen]++
	n, ok := p.slots[key]
	if !ok {
		n = len(p.out.slots)
		p.slots[key] = n
		p.out.slots = append(p.out.slots, slot{u, p.path})
	}
	return n
}

// raw takes a field's bits out of a report's data, signed exactly if its
// logical minimum is below 0. It tells whether the report is long enough.
func (f *field) raw(data []byte) (int64, bool) {
	if f.bit+f.bits > 8*len(data) {
		return 0, false
	}
	n := uint64(0)
	for i, b := range data[f.bit/8 : (f.bit+f.bits+7)/8] {
		n |= uint64(b) << (8 * i)
	}
	n = n >> (f.bit % 8) & (1<<f.bits - 1)
	if f.lmin < 0 {
		return int64(n<<(64-f.bits)) >> (64 - f.bits), true
	}
	return int64(n), true
}

// put is the opposite of raw.
func (f *field) put(data []byte, n int64) {
	for i := range f.bits {
		at := f.bit + i
		data[at/8] &^= 1 << (at % 8)
		data[at/8] |= byte(n>>i&1) << (at % 8)
	}
}

// value reads a field as a number in SI units; NaN where it says nothing: cut
// off, outside its own limits (HID 1.11, 5.10: a null value; from memory), or
// all ones, with which devices mean "unknown" (common practice, no source).
func (f *field) value(data []byte) float64 {
	n, ok := f.raw(data)
	if !ok {
		return math.NaN()
	}
	if f.bits == 1 {
		return math.Abs(float64(n)) // whatever limits were left over from the fields before
	}
	ones := int64(1)<<f.bits - 1
	if f.lmin < 0 {
		ones >>= 1
	}
	if f.bits >= 8 && n == ones || f.lmin < f.lmax && (n < f.lmin || n > f.lmax) {
		return math.NaN()
	}
	return f.physical(float64(n))
}

// physical scales a raw number (HID 1.11, 6.2.2.7).
func (f *field) physical(n float64) float64 {
	want := f.usage.known().unit
	if want == unitNone {
		if f.unit != 0 {
			return n // unit and exponent are left over from a field before
		}
	} else if f.unit != 0 && f.unit != want {
		return math.NaN()
	}
	if slope, ok := f.slope(); ok {
		n = (n-float64(f.lmin))*slope + float64(f.pmin)
	}
	// Volt and watt count in 1e-7, as they are made of centimetre and gram.
	power := f.exponent
	if f.unit == unitVolt || f.unit == unitWatt {
		power -= 7
	}
	switch {
	case power < -20 || power > 20:
		return math.NaN()
	case power < 0:
		return n / math.Pow10(-power)
	}
	return n * math.Pow10(power)
}

// slope gives the physical units to one logical unit, where the device says so.
func (f *field) slope() (float64, bool) {
	if f.pmin == 0 && f.pmax == 0 || f.lmin >= f.lmax {
		return 1, false
	}
	return float64(f.pmax-f.pmin) / float64(f.lmax-f.lmin), true
}
