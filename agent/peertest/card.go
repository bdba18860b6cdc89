package peertest

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"
)

// UPSState is what the scripted UPS is like. Names are those of RFC 1628, a
// table cell is "upsInputVoltage.1". An object without a value is not served.
type UPSState struct {
	Numbers map[string]int64
	Texts   map[string]string // strings, and object identifiers by their RFC 1628 name
	Alarms  map[int]string    // row to alarm, by RFC 1628 name or as an object identifier

	Missing  []string // objects the card does not have; a column stands for its cells
	ReadOnly []string // refused as not writable
	BadValue []string // refused as a wrong value
	Ignored  []string // answered noError, without effect

	StepSeconds int64         // countdowns are rounded up to a multiple of it
	StepDown    bool          // rounded down
	AnswerAfter time.Duration // before every single variable

	// Battery makes the UPS live: what it reports then follows from the charge.
	// Nil leaves all to Numbers and Alarms.
	Battery *Battery
}

// Battery is a store that the load empties, in real time. It holds the load
// until it is empty, whatever the rate. Reported are output source, battery
// status, charge, minutes, seconds on battery, input voltage and the alarms
// that belong to them; the load is the sum of upsOutputPower.
type Battery struct {
	Full        float64 // watt-seconds
	Left        float64 // at first; the card keeps count from there
	ChargeWatts float64 // into the store while the input is there
	InputLost   bool
	Test        bool  // a battery test: on battery with the input there
	TestSeconds int64 // of a test that upsTestId starts; 0 starts none
}

// SetRequest is one SET of one variable as the card saw it.
type SetRequest struct {
	At     time.Time
	Object string
	Value  string
	Result string // "DONE", or the refusal
}

// mibObject is a row of testdata/standards/rfc1628.csv: the card serves the
// published table, not what somebody typed.
type mibObject struct {
	name     string
	oid      []uint32 // with the final 0 of a scalar
	column   bool
	kind     string // of the pass_persist protocol
	writable bool
	low      int64
	high     int64
}

// readMIB gives the readable objects in order, and all named identities.
func readMIB(path string) (objects []mibObject, oids map[string]string, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		return nil, nil, err
	}
	oids = map[string]string{}
	for _, row := range rows[1:] {
		name, oid, kind, syntax, access := row[0], row[1], row[3], row[4], row[6]
		oids[name] = oid
		if access != "read-only" && access != "read-write" {
			continue
		}
		o := mibObject{name: name, column: kind == "column", writable: access == "read-write"}
		if !o.column {
			oid += ".0"
		}
		o.oid = mustOID(oid)
		o.kind, o.low, o.high = syntaxOf(syntax)
		objects = append(objects, o)
	}
	return objects, oids, nil
}

func syntaxOf(syntax string) (kind string, low, high int64) {
	switch {
	case strings.Contains(syntax, "TimeTicks"):
		return "timeticks", 0, 0
	case strings.Contains(syntax, "OBJECT IDENTIFIER"):
		return "objectid", 0, 0
	case strings.HasPrefix(syntax, "DisplayString"):
		return "string", 0, 0
	case strings.HasPrefix(syntax, "Gauge32"):
		return "gauge", 0, 0
	case strings.HasPrefix(syntax, "Counter32"):
		return "counter", 0, 0
	}
	low, high = math.MinInt32, math.MaxInt32
	if _, list, ok := strings.Cut(syntax, "{"); ok { // an enumeration from 1 without gaps
		low, high = 1, int64(strings.Count(list, "("))
	} else if _, span, ok := strings.Cut(syntax, "("); ok {
		fmt.Sscanf(span, "%d..%d)", &low, &high)
	}
	return "integer", low, min(high, math.MaxInt32)
}

func parseOID(text string) ([]uint32, error) {
	var oid []uint32
	for part := range strings.SplitSeq(strings.Trim(strings.TrimSpace(text), "."), ".") {
		n, err := strconv.ParseUint(part, 10, 32)
		if err != nil {
			return nil, err
		}
		oid = append(oid, uint32(n))
	}
	return oid, nil
}

func mustOID(text string) []uint32 {
	oid, err := parseOID(text)
	if err != nil {
		panic(err)
	}
	return oid
}

func dotted(oid []uint32) string {
	var b strings.Builder
	for _, n := range oid {
		fmt.Fprintf(&b, ".%d", n)
	}
	return b.String()
}

// card is the UPS behind snmpd, and the memory of what was written to it. A
// card that restarts forgets its countdowns, as RFC 1628 lets it.
type card struct {
	path    string
	seen    os.FileInfo // of the state file when it was last read
	state   UPSState
	objects []mibObject
	oids    map[string]string
	rows    []mibRow // of the state, in order

	written map[string]int64 // accepted SETs
	texts   map[string]string
	due     map[string]time.Time // countdowns under way
	off     bool                 // output switched off
	outage  bool                 // it went off in an outage
	test    time.Time            // a test that upsTestId started runs until then

	left   float64 // of the live battery, watt-seconds
	at     time.Time
	lostAt time.Time
	lives  bool
}

type mibRow struct {
	oid  []uint32
	obj  *mibObject
	cell string // name with the row number for a column
}

// serveCard speaks snmpd's pass_persist protocol until its input ends.
func serveCard(path, mib string, in io.Reader, out io.Writer) error {
	objects, oids, err := readMIB(mib)
	if err != nil {
		return err
	}
	c := &card{path: path, objects: objects, oids: oids,
		written: map[string]int64{}, texts: map[string]string{}, due: map[string]time.Time{}}
	lines := bufio.NewScanner(in)
	next := func() string { lines.Scan(); return strings.TrimSpace(lines.Text()) }
	for lines.Scan() {
		answer := "NONE"
		switch strings.TrimSpace(lines.Text()) {
		case "PING":
			answer = "PONG"
		case "get":
			answer = c.get(next(), false)
		case "getnext":
			answer = c.get(next(), true)
		case "set":
			answer = c.set(next(), next())
		case "":
			continue // snmpd sends an empty line after each set
		}
		if _, err := fmt.Fprintln(out, answer); err != nil {
			return err
		}
	}
	return lines.Err()
}

// refresh takes a changed state file and lets time pass.
func (c *card) refresh() {
	info, err := os.Stat(c.path)
	if err == nil && (c.seen == nil || !os.SameFile(info, c.seen) || !info.ModTime().Equal(c.seen.ModTime())) {
		text, err := os.ReadFile(c.path)
		var s UPSState
		if err == nil && json.Unmarshal(text, &s) == nil {
			c.state, c.seen = s, info
			c.order()
		}
	}
	c.advance(time.Now())
	time.Sleep(c.state.AnswerAfter)
}

// order lists every instance that the state may serve.
func (c *card) order() {
	c.rows = c.rows[:0]
	cells := map[string][]uint32{}
	for name := range c.state.Numbers {
		if column, index, ok := strings.Cut(name, "."); ok {
			n, _ := strconv.ParseUint(index, 10, 32)
			cells[column] = append(cells[column], uint32(n))
		}
	}
	ids := []uint32{1, 2} // the live battery's alarms
	for id := range c.state.Alarms {
		if id > 2 {
			ids = append(ids, uint32(id))
		}
	}
	cells["upsAlarmDescr"], cells["upsAlarmTime"] = ids, ids
	for i := range c.objects {
		o := &c.objects[i]
		if slices.Contains(c.state.Missing, o.name) {
			continue
		}
		if !o.column {
			c.rows = append(c.rows, mibRow{o.oid, o, o.name})
		}
		for _, n := range cells[o.name] {
			if o.column {
				c.rows = append(c.rows, mibRow{append(slices.Clone(o.oid), n), o, fmt.Sprintf("%s.%d", o.name, n)})
			}
		}
	}
	slices.SortFunc(c.rows, func(a, b mibRow) int { return slices.Compare(a.oid, b.oid) })
}

func (c *card) get(text string, next bool) string {
	oid, err := parseOID(text)
	if err != nil {
		return "NONE"
	}
	c.refresh()
	i, found := slices.BinarySearchFunc(c.rows, oid, func(r mibRow, oid []uint32) int { return slices.Compare(r.oid, oid) })
	if next && found {
		i++
	} else if !next && !found {
		return "NONE"
	}
	for ; i < len(c.rows); i++ {
		if value, ok := c.value(&c.rows[i]); ok {
			return fmt.Sprintf("%s\n%s\n%s", dotted(c.rows[i].oid), c.rows[i].obj.kind, value)
		}
		if !next {
			break
		}
	}
	return "NONE"
}

func (c *card) value(r *mibRow) (string, bool) {
	switch r.obj.kind {
	case "string":
		text, ok := c.texts[r.cell]
		if !ok {
			text, ok = c.state.Texts[r.cell]
		}
		return text, ok
	case "objectid":
		text, ok := c.texts[r.cell], c.texts[r.cell] != ""
		if !ok {
			text, ok = c.state.Texts[r.cell]
		}
		if r.obj.name == "upsAlarmDescr" {
			text, ok = c.alarms()[int(r.oid[len(r.oid)-1])]
		}
		if known := c.oids[text]; known != "" {
			text = known
		}
		return "." + strings.Trim(text, "."), ok
	}
	if r.obj.name == "upsAlarmTime" {
		_, ok := c.alarms()[int(r.oid[len(r.oid)-1])]
		return "12345", ok
	}
	n, ok := c.number(r.cell)
	return strconv.FormatInt(n, 10), ok
}

// number is what an integer object reads now.
func (c *card) number(name string) (int64, bool) {
	n, ok := c.state.Numbers[name]
	if slices.Contains(countdowns, name) {
		if !ok {
			return 0, false
		}
		due, running := c.due[name]
		if !running {
			return -1, true
		}
		return max(0, int64(math.Ceil(time.Until(due).Seconds()))), true
	}
	if live, ok := c.live(name); ok {
		return live, true
	}
	if w, ok := c.written[name]; ok {
		return w, true
	}
	if name == "upsAlarmsPresent" && !ok {
		return int64(len(c.alarms())), true
	}
	return n, ok
}

var countdowns = []string{"upsShutdownAfterDelay", "upsStartupAfterDelay", "upsRebootWithDuration"}

func (c *card) alarms() map[int]string {
	b := c.state.Battery
	if b == nil {
		return c.state.Alarms
	}
	all := map[int]string{}
	for id, name := range c.state.Alarms {
		all[id] = name
	}
	if c.onBattery() {
		all[1] = "upsAlarmOnBattery"
	}
	if b.InputLost {
		all[2] = "upsAlarmInputBad"
	}
	return all
}

func (c *card) onBattery() bool {
	b := c.state.Battery
	return b != nil && (b.InputLost || b.Test || !c.test.IsZero()) && !c.off
}

func (c *card) load() float64 {
	if c.off {
		return 0
	}
	sum := 0.0
	for line := 1; line <= 3; line++ {
		sum += float64(c.state.Numbers["upsOutputPower."+strconv.Itoa(line)])
	}
	return sum
}

// live gives the objects that follow from the battery, and what a switched-off
// output shows.
func (c *card) live(name string) (int64, bool) {
	if _, has := c.state.Numbers[name]; !has {
		return 0, false
	}
	column, _, _ := strings.Cut(name, ".")
	if c.off {
		switch column {
		case "upsOutputSource":
			return 2, true
		case "upsOutputPower", "upsOutputPercentLoad", "upsOutputVoltage", "upsOutputCurrent":
			return 0, true
		}
	}
	b := c.state.Battery
	if b == nil {
		return 0, false
	}
	runtime := math.Inf(1)
	if load := c.load(); load > 0 {
		runtime = c.left / load
	}
	switch column {
	case "upsOutputSource":
		if c.onBattery() {
			return 5, true
		}
		return 3, true
	case "upsSecondsOnBattery":
		if c.onBattery() {
			return int64(time.Since(c.lostAt).Seconds()), true
		}
		return 0, true
	case "upsEstimatedChargeRemaining":
		return int64(100 * c.left / b.Full), true
	case "upsEstimatedMinutesRemaining":
		return int64(min(max(1, runtime/60), 9999)), true
	case "upsBatteryStatus":
		low := float64(60 * c.state.Numbers["upsConfigLowBattTime"])
		switch {
		case c.left <= 0:
			return 4, true
		case runtime <= low:
			return 3, true
		}
		return 2, true
	case "upsInputVoltage":
		if b.InputLost {
			return 0, true
		}
	case "upsTestResultsSummary":
		if b.Test || !c.test.IsZero() {
			return 5, true
		}
	}
	return 0, false
}

// advance lets countdowns end and the battery drain up to now.
func (c *card) advance(now time.Time) {
	b := c.state.Battery
	if b != nil && !c.lives {
		c.lives, c.left, c.at = true, b.Left, now
	}
	if b != nil {
		passed := now.Sub(c.at).Seconds()
		switch {
		case c.onBattery():
			if c.lostAt.IsZero() {
				c.lostAt = now
			}
			c.left = max(0, c.left-c.load()*passed)
			if c.left == 0 {
				c.off, c.outage = true, true
			}
		case !b.InputLost:
			c.lostAt = time.Time{}
			c.left = min(b.Full, c.left+b.ChargeWatts*passed)
		}
		c.at = now
	}
	if !c.test.IsZero() && now.After(c.test) {
		c.test, c.written["upsTestResultsSummary"] = time.Time{}, 1
	}
	input := b == nil || !b.InputLost
	for name, due := range c.due {
		if due.After(now) {
			continue
		}
		switch {
		case name == "upsShutdownAfterDelay":
			c.off, c.outage = true, !input
			delete(c.due, name)
		case input: // a start without mains waits for them
			c.off = false
			delete(c.due, name)
		}
	}
	restart, _ := c.number("upsAutoRestart")
	if c.off && c.outage && b != nil && input && restart == 1 {
		c.off, c.outage = false, false
	}
}

func (c *card) set(text, typed string) string {
	kind, value, _ := strings.Cut(typed, " ")
	value = strings.Trim(strings.TrimSpace(value), `"`)
	oid, err := parseOID(text)
	if err != nil {
		return "not-writable"
	}
	c.refresh()
	i, found := slices.BinarySearchFunc(c.rows, oid, func(r mibRow, oid []uint32) int { return slices.Compare(r.oid, oid) })
	name, result := text, "not-writable"
	if found {
		name = c.rows[i].cell
		result = c.write(&c.rows[i], kind, value)
	}
	c.record(SetRequest{At: time.Now(), Object: name, Value: value, Result: result})
	return result
}

func (c *card) write(r *mibRow, kind, value string) string {
	name := r.obj.name
	_, has := c.value(r)
	n, err := strconv.ParseInt(value, 10, 64)
	switch {
	case !has || !r.obj.writable || slices.Contains(c.state.ReadOnly, name):
		return "not-writable"
	case (r.obj.kind == "integer") != (kind == "integer"), r.obj.kind == "integer" && err != nil:
		return "wrong-type"
	case slices.Contains(c.state.BadValue, name), r.obj.kind == "integer" && (n < r.obj.low || n > r.obj.high):
		return "wrong-value"
	case slices.Contains(c.state.Ignored, name):
	case name == "upsTestSpinLock": // TestAndIncr, RFC 2579
		if now, _ := c.number(name); now != n {
			return "wrong-value"
		}
		c.written[name] = n + 1
	case name == "upsTestId" && c.state.Battery != nil && c.state.Battery.TestSeconds > 0:
		c.texts[name] = value
		if strings.HasSuffix(value, ".2") { // upsTestAbortTestInProgress
			c.test, c.written["upsTestResultsSummary"] = time.Time{}, 4
			break
		}
		c.test = time.Now().Add(time.Duration(c.state.Battery.TestSeconds) * time.Second)
		c.written["upsTestElapsedTime"] = 100 * c.state.Battery.TestSeconds
	case r.obj.kind != "integer":
		c.texts[name] = value
	case slices.Contains(countdowns, name):
		c.count(name, n)
	default:
		c.written[name] = n
	}
	return "DONE"
}

// count starts a countdown, or ends it for a negative n.
func (c *card) count(name string, n int64) {
	delete(c.due, name)
	if n < 0 {
		return
	}
	if step := max(1, c.state.StepSeconds); c.state.StepDown {
		n = n / step * step
	} else {
		n = (n + step - 1) / step * step
	}
	if name == "upsRebootWithDuration" {
		c.off = true
	}
	c.due[name] = time.Now().Add(time.Duration(n) * time.Second)
}

func (c *card) record(s SetRequest) {
	line, _ := json.Marshal(s)
	f, err := os.OpenFile(c.path+".sets", os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err == nil {
		f.Write(append(line, '\n'))
		f.Close()
	}
}

// readSets reads what record wrote.
func readSets(path string) ([]SetRequest, error) {
	f, err := os.Open(path + ".sets")
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	defer f.Close()
	var all []SetRequest
	for d := json.NewDecoder(f); ; {
		var s SetRequest
		if err := d.Decode(&s); err == io.EOF {
			return all, nil
		} else if err != nil {
			return nil, err
		}
		all = append(all, s)
	}
}
