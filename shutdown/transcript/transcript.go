// Package transcript is the one text form of events and effects: a line of the
// journal, of a scenario and of a test. What it prints it parses again to the
// same value. It must never decide anything.
//
//	at 12.5 measured rack source=battery load_watts=450
//	at 12.5 > poll rack
package transcript

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ebbline/policy"
	"ebbline/shutdown"
)

// Instant prints an instant in seconds, with as many decimals as it has.
func Instant(t shutdown.Instant) string {
	sign := ""
	n := int64(t)
	if n < 0 {
		sign, n = "-", -n
	}
	text := fmt.Sprintf("%s%d.%09d", sign, n/1e9, n%1e9)
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}

// ParseInstant reads what [Instant] prints.
func ParseInstant(text string) (shutdown.Instant, error) {
	body, negative := strings.CutPrefix(text, "-")
	whole, part, _ := strings.Cut(body, ".")
	if len(part) > 9 {
		return 0, fmt.Errorf("instant %q has more than nine decimals", text)
	}
	secs, err := strconv.ParseUint(whole, 10, 33)
	if err != nil {
		return 0, fmt.Errorf("instant %q is not a number of seconds", text)
	}
	nanos, err := strconv.ParseUint(part+strings.Repeat("0", 9-len(part)), 10, 63)
	if err != nil {
		return 0, fmt.Errorf("instant %q is not a number of seconds", text)
	}
	t := shutdown.Instant(secs*1e9 + nanos)
	if negative {
		t = -t
	}
	return t, nil
}

// figures are the numbers of a measurement by their names.
func figures(m *shutdown.Measurement) []struct {
	name  string
	value *int64
} {
	return []struct {
		name  string
		value *int64
	}{
		{"load_watts", &m.LoadWatts}, {"charge_tenths", &m.ChargeTenths}, {"runtime_seconds", &m.RuntimeSeconds},
		{"low_seconds", &m.LowSeconds}, {"on_battery_seconds", &m.OnBatterySecs}, {"battery_millivolts", &m.Millivolts},
		{"battery_tenths_celsius", &m.TemperatureTenthsC}, {"input_tenths_volt", &m.InputDecivolts},
	}
}

// Event prints one event as one line without its end.
func Event(p *policy.Policy, at shutdown.Instant, e *shutdown.Event) string {
	var b strings.Builder
	fmt.Fprintf(&b, "at %s %s", Instant(at), e.Kind)
	switch e.Kind {
	case shutdown.Adopted:
		text, err := json.Marshal(e.Policy)
		if err != nil {
			panic("transcript: a policy that JSON cannot hold: " + err.Error())
		}
		b.WriteString(" " + string(text))
	case shutdown.Measured:
		m := e.Measurement
		fmt.Fprintf(&b, " %s source=%s", p.UPSs[e.UPS].Name, m.Source)
		if m.Input != 0 {
			fmt.Fprintf(&b, " input=%s", m.Input)
		}
		if m.Battery != 0 {
			fmt.Fprintf(&b, " battery=%s", m.Battery)
		}
		if m.Testing {
			b.WriteString(" testing=true")
		}
		for _, f := range figures(&m) {
			if *f.value != shutdown.Unread {
				fmt.Fprintf(&b, " %s=%d", f.name, *f.value)
			}
		}
	case shutdown.Observed:
		fmt.Fprintf(&b, " %s %s", p.Hosts[e.Host].Name, e.Sighting)
	case shutdown.Finished:
		fmt.Fprintf(&b, " %s %s", e.Action.Name(p), e.Outcome)
	case shutdown.Commanded:
		fmt.Fprintf(&b, " %s", e.Order)
		if e.Order == shutdown.Clear {
			fmt.Fprintf(&b, " %s", e.Code)
		}
		if e.Order.OfHost() && e.Host >= 0 {
			fmt.Fprintf(&b, " %s", p.Hosts[e.Host].Name)
		}
	case shutdown.Warmed:
		fmt.Fprintf(&b, " %s tenths_celsius=%d", p.Temperatures[e.Sensor].Name, e.Tenths)
	case shutdown.Touched:
		word := "released"
		if e.Used {
			word = "used"
		}
		fmt.Fprintf(&b, " %s %s", p.Emergencies[e.Sensor].Name, word)
	case shutdown.Restarted:
		fmt.Fprintf(&b, " rebooted=%v", e.Rebooted)
		if e.Orderly {
			b.WriteString(" orderly=true")
		}
	}
	if e.Text != "" {
		fmt.Fprintf(&b, " %q", e.Text)
	}
	return b.String()
}

// Effect prints one effect as one line without its end.
func Effect(p *policy.Policy, at shutdown.Instant, f *shutdown.Effect) string {
	head := "at " + Instant(at) + " > "
	switch f.Kind {
	case shutdown.Begin:
		return fmt.Sprintf("%sbegin %s %s by %s", head, f.Action.ID.Name(p), f.Action.ID.Verb, Instant(f.Action.Deadline))
	case shutdown.Cancel:
		return head + "cancel " + f.Action.ID.Name(p)
	case shutdown.Probe:
		return fmt.Sprintf("%sprobe %s every %s", head, p.Hosts[f.Host].Name, f.Every)
	case shutdown.Connect:
		return head + "connect " + p.Hosts[f.Host].Name
	case shutdown.Poll:
		return head + "poll " + p.UPSs[f.UPS].Name
	}
	n := &f.Notice
	text := head + "note " + n.Code.String()
	if n.UPS >= 0 {
		text += " " + p.UPSs[n.UPS].Name
	}
	if n.Host >= 0 {
		text += " " + p.Hosts[n.Host].Name
	}
	return fmt.Sprintf("%s %q", text, n.Text(p))
}

// ParseBegin reads the effect line of an action that was begun; false for any other.
func ParseBegin(p *policy.Policy, text string) (shutdown.Instant, shutdown.Action, bool) {
	f := strings.Fields(text)
	if p == nil || len(f) != 8 || f[0] != "at" || f[2] != ">" || f[3] != "begin" || f[6] != "by" {
		return 0, shutdown.Action{}, false
	}
	at, err1 := ParseInstant(f[1])
	id, err2 := ParseAction(p, f[4])
	by, err3 := ParseInstant(f[7])
	return at, shutdown.Action{ID: id, Deadline: by}, err1 == nil && err2 == nil && err3 == nil && id.Verb.String() == f[5]
}

// Line tells an event line from an effect line.
func Line(text string) (event bool) {
	f := strings.SplitN(text, " ", 4)
	return len(f) >= 3 && f[0] == "at" && f[2] != ">"
}

// Parse reads an event line. The policy gives names their meaning; it may be
// nil for a line that adopts one.
func Parse(p *policy.Policy, text string) (shutdown.Instant, *shutdown.Event, error) {
	head := strings.SplitN(text, " ", 4)
	if len(head) < 3 || head[0] != "at" {
		return 0, nil, fmt.Errorf("a line begins with \"at\", an instant and a word, not %.40q", text)
	}
	at, err := ParseInstant(head[1])
	if err != nil {
		return 0, nil, err
	}
	rest := ""
	if len(head) == 4 {
		rest = head[3]
	}
	e := &shutdown.Event{}
	for k := shutdown.Adopted; k <= shutdown.Touched; k++ {
		if k.String() == head[2] {
			e.Kind = k
		}
	}
	if e.Kind == 0 {
		return 0, nil, fmt.Errorf("no event is called %.40q", head[2])
	}
	if e.Kind == shutdown.Adopted {
		return at, e, parseAdopted(e, rest)
	}
	if p == nil {
		return 0, nil, fmt.Errorf("%s comes before any policy is adopted", e.Kind)
	}
	if i := strings.Index(rest, "\""); i >= 0 {
		if e.Text, err = strconv.Unquote(strings.TrimSpace(rest[i:])); err != nil {
			return 0, nil, fmt.Errorf("the text at the end of the line is not quoted as it should be")
		}
		rest = rest[:i]
	}
	return at, e, parseFields(p, e, strings.Fields(rest))
}

func parseAdopted(e *shutdown.Event, rest string) error {
	if strings.HasPrefix(rest, "day=") { // as former builds wrote it; an instant says it
		_, rest, _ = strings.Cut(rest, " ")
	}
	e.Policy = &policy.Policy{}
	if err := json.Unmarshal([]byte(rest), e.Policy); err != nil {
		return fmt.Errorf("the adopted policy cannot be read: %w", err)
	}
	return e.Policy.Check()
}

func parseFields(p *policy.Policy, e *shutdown.Event, f []string) error {
	if n := len(f); e.Kind == shutdown.Restarted && n == 2 && f[1] == "orderly=true" {
		e.Orderly, f = true, f[:1]
	}
	want := map[shutdown.Kind]int{shutdown.Measured: 1, shutdown.Observed: 2, shutdown.Finished: 2, shutdown.Commanded: 1, shutdown.Restarted: 1, shutdown.Warmed: 2, shutdown.Touched: 2}[e.Kind]
	if more := e.Kind == shutdown.Measured || e.Kind == shutdown.Commanded; len(f) < want || !more && len(f) != want {
		return fmt.Errorf("%s wants %d words, not %d", e.Kind, want, len(f))
	}
	switch e.Kind {
	case shutdown.Measured:
		return parseMeasurement(p, e, f)
	case shutdown.Observed:
		k, ok := hostIndex(p, f[0])
		if !ok {
			return fmt.Errorf("no host is called %q", f[0])
		}
		e.Host = k
		e.Sighting = word(f[1], shutdown.SeenUp, shutdown.SeenOff)
		if e.Sighting == 0 {
			return fmt.Errorf("a host is seen up, refusing, silent or off, not %q", f[1])
		}
	case shutdown.Finished:
		id, err := ParseAction(p, f[0])
		if err != nil {
			return err
		}
		e.Action, e.Host = id, id.Host
		e.Outcome = word(f[1], shutdown.Accepted, shutdown.Unknown)
		if e.Outcome == 0 {
			return fmt.Errorf("an action ends accepted, refused, unreachable or unknown, not %q", f[1])
		}
	case shutdown.Commanded:
		return parseOrder(p, e, f)
	case shutdown.Warmed, shutdown.Touched:
		return parseSensor(p, e, f)
	case shutdown.Restarted:
		e.Rebooted = f[0] == "rebooted=true"
	}
	return nil
}

// parseSensor reads what a temperature or an emergency input says.
func parseSensor(p *policy.Policy, e *shutdown.Event, f []string) error {
	if e.Kind == shutdown.Touched {
		j := slices.IndexFunc(p.Emergencies, func(c policy.Emergency) bool { return c.Name == f[0] })
		if j < 0 || f[1] != "used" && f[1] != "released" {
			return fmt.Errorf("no emergency input is called %q, or it is not used or released but %q", f[0], f[1])
		}
		e.Sensor, e.Used = int32(j), f[1] == "used"
		return nil
	}
	j := slices.IndexFunc(p.Temperatures, func(t policy.Temperature) bool { return t.Name == f[0] })
	n, err := strconv.ParseInt(strings.TrimPrefix(f[1], "tenths_celsius="), 10, 32)
	if j < 0 || err != nil {
		return fmt.Errorf("no temperature is called %q, or %q is none", f[0], f[1])
	}
	e.Sensor, e.Tenths = int32(j), n
	return nil
}

// parseOrder reads an operator's word: of the outage, of one host, or of a condition.
func parseOrder(p *policy.Policy, e *shutdown.Event, f []string) error {
	e.Order = word(f[0], shutdown.Hold, shutdown.Clear)
	if e.Order == 0 {
		return fmt.Errorf("an operator says hold, release, proceed, abort, stop, start, keep or clear, not %q", f[0])
	}
	f = f[1:]
	if e.Order == shutdown.Clear {
		if len(f) == 0 {
			return errors.New("clear wants a condition")
		}
		for _, c := range shutdown.Codes() {
			if c.String() == f[0] && c.Condition() {
				e.Code = c
			}
		}
		if e.Code == 0 {
			return fmt.Errorf("no condition is called %q", f[0])
		}
		f = f[1:]
	}
	switch {
	case e.Order.OfHost() && len(f) == 1:
		k, ok := hostIndex(p, f[0])
		if !ok {
			return fmt.Errorf("no host is called %q", f[0])
		}
		e.Host = k
	case len(f) > 0:
		return fmt.Errorf("%s says nothing of %q", e.Order, f[0])
	case e.Order == shutdown.Clear:
		e.Host = -1
	case e.Order.OfHost():
		return fmt.Errorf("%s wants a host", e.Order)
	}
	return nil
}

func parseMeasurement(p *policy.Policy, e *shutdown.Event, f []string) error {
	e.UPS = -1
	for i := range p.UPSs {
		if p.UPSs[i].Name == f[0] {
			e.UPS = int32(i)
		}
	}
	if e.UPS < 0 {
		return fmt.Errorf("no UPS is called %q", f[0])
	}
	m := &e.Measurement
	*m = shutdown.Nothing
	for _, pair := range f[1:] {
		key, value, _ := strings.Cut(pair, "=")
		known := true
		switch key {
		case "source":
			m.Source = word(value, shutdown.FromInput, shutdown.FromNothing)
			known = m.Source != 0 || value == shutdown.Source(0).String()
		case "input":
			m.Input = word(value, shutdown.LineGood, shutdown.LineBad)
			known = m.Input != 0
		case "battery":
			m.Battery = word(value, shutdown.StatusNormal, shutdown.StatusDepleted)
			known = m.Battery != 0
		case "testing":
			m.Testing = value == "true"
		default:
			known = false
			for _, g := range figures(m) {
				if g.name == key {
					n, err := strconv.ParseInt(value, 10, 64)
					*g.value, known = n, err == nil
				}
			}
		}
		if !known {
			return fmt.Errorf("a measurement has no %q", pair)
		}
	}
	return nil
}

// ParseAction reads an action's name.
func ParseAction(p *policy.Policy, name string) (shutdown.ActionID, error) {
	bad := fmt.Errorf("no action is called %q", name)
	f := strings.Split(name, "/")
	if len(f) != 4 {
		return shutdown.ActionID{}, bad
	}
	of, text, _ := strings.Cut(f[0], "-")
	outage, err1 := strconv.ParseUint(text, 10, 32)
	try, err2 := strconv.ParseUint(f[3], 10, 8)
	if err1 != nil || err2 != nil || of != "outage" && of != "order" {
		return shutdown.ActionID{}, bad
	}
	id := shutdown.ActionID{Outage: uint32(outage), Host: -1, UPS: -1, Try: uint8(try), Ordered: of == "order"}
	if v := word(f[2], shutdown.VerbSwitchOff, shutdown.VerbSwitchOn); v != 0 && !id.Ordered {
		id.Verb = v
		for i := range p.UPSs {
			if p.UPSs[i].Name == f[1] {
				id.UPS = int32(i)
				return id, nil
			}
		}
		return id, bad
	}
	k, ok := hostIndex(p, f[1])
	if !ok {
		return id, bad
	}
	id.Host = k
	if f[2] == "prepare" {
		id.Verb = shutdown.VerbPrepare
		return id, nil
	}
	h := &p.Hosts[k]
	number, err := strconv.ParseUint(f[2][strings.LastIndex(f[2], "-")+1:], 10, 8)
	if err != nil || number == 0 {
		return id, bad
	}
	id.Method = uint8(number - 1)
	switch {
	case strings.HasPrefix(f[2], "start-") && int(id.Method) < len(h.Starts):
		id.Verb = shutdown.VerbStart
	case int(id.Method) < len(h.Methods) && h.Methods[id.Method].Force:
		id.Verb = shutdown.VerbPowerOff
	case int(id.Method) < len(h.Methods):
		id.Verb = shutdown.VerbShutDown
	}
	if id.Verb == 0 || id.Name(p) != name {
		return id, bad
	}
	return id, nil
}

func hostIndex(p *policy.Policy, name string) (int32, bool) {
	for k := range p.Hosts {
		if p.Hosts[k].Name == name {
			return int32(k), true
		}
	}
	return -1, false
}

// word finds the value between first and last that prints as text; zero when
// there is none.
func word[T interface {
	~uint8
	fmt.Stringer
}](text string, first, last T) T {
	for v := first; v <= last; v++ {
		if v.String() == text {
			return v
		}
	}
	return 0
}
