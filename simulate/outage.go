package simulate

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
	"ebbline/simulate/world"
)

// Outage is one script: what happens to the room, and how the room is.
//
// Its file is lines of words; # begins a comment. A line that begins with "at"
// happens at a time, others hold from the start:
//
//	at 0s    input lost              # of every UPS; "input lost rack" of one
//	at 40s   input back
//	at 5m    ups rack silent 2m      # does not answer
//	at 6m    ups rack tests 30s      # a battery test of its own
//	at 7m    ups rack odd            # one reading that says battery; "odd-good": input; "odd-off": output off; "odd-low": battery low
//	at 8m    ups rack output off     # its output fails
//	at 9m    ups rack draws +120     # watts more
//	at 3m    ups rack claims x0.1    # of the minutes it has, from then on
//	at 2m    host vault hangs        # or freezes, refuses, unreachable, cuts, obeys
//	at 3m    load core-switch dies   # what is reached through it is not
//	at 4m    agent killed 30s        # and started again
//	at 4m    operator hold           # or release, proceed, abort
//	ups rack holds 60%               # of the store that is believed likely
//	ups rack has 312.4Wh, ohmic 9m, diffusion 64m, relaxation 90m   # instead of what is believed; "holds" is then of that
//	ups rack charged 50%
//	ups rack claims x3               # minutes, three times too many; "claims full"
//	ups rack itself draws 150%       # of the watts that it is believed to take itself
//	ups rack low at 2m               # when it says "battery low": so long before it is empty
//	host vault takes 8m              # to stop
//	host vault starts 2m
//	host vault draws 120%            # of the policy's watts
//	host vault off                   # already, before
//	at 1m    cooling fails           # though the input is there; "cooling back"
//	at 5m    sensor inlet silent 2m  # or sticks, repeats, jumps +20, drifts +5K/h, says fahrenheit, mends
//	at 2m    emergency door used     # or released
//	room warms in 37m, loses 60W/K, from 24C, noise 0.2K   # without it, no temperature is read
//	answers lost 10%
//	answers late 10%                 # by up to the time-out
//
// The word "every" in place of a name is every UPS, or every host that may be
// stopped; "takes 150%" is of the policy's time.
type Outage struct {
	Name    string
	Moments []world.Moment // by time
	UPSs    []world.UPSTruth
	Hosts   []world.HostTruth
	Room    world.RoomTruth
	Loss    float64
	Late    float64
	Drawn   Faults // by dice; [Tried] adds what the room itself shows
	Shape   Shape  // of the loss of input, by dice
	Read    string // how a series was read, for people
}

// mark is what some editors put before UTF-8 text.
var mark = []byte("\ufeff")

// Likely is the room as it is believed: nothing happens to it yet. Hosts take
// their expected times.
func Likely(p *policy.Policy) *Outage {
	o := &Outage{}
	for range p.UPSs {
		o.UPSs = append(o.UPSs, world.UPSTruth{Holds: 1, Charge: 1, Optimism: 1, LowAt: usualLow, Own: 1})
	}
	for k := range p.Hosts {
		o.Hosts = append(o.Hosts, world.HostTruth{Takes: p.Hosts[k].StopsIn, Starts: p.Hosts[k].StartsIn, Draws: 1, Mode: world.Obeys})
	}
	return o
}

// usualLow is the runtime at which most UPSs say "battery low" as they come:
// common practice, no source.
const usualLow = 2 * time.Minute

// Truth is the outage as one run's truth.
func (o *Outage) Truth(seed uint64) *world.Truth {
	t := o.TruthOf(seed)
	return &t
}

// TruthOf is Truth for who has a place for it.
func (o *Outage) TruthOf(seed uint64) world.Truth {
	return world.Truth{Moments: o.Moments, UPSs: o.UPSs, Hosts: o.Hosts, Room: o.Room, Loss: o.Loss, Late: o.Late, Seed: seed}
}

// A FileError says what is wrong with an outage file and where.
type FileError struct {
	File string
	Line int
	Text string
}

func (e *FileError) Error() string { return fmt.Sprintf("%s:%d: %s", e.File, e.Line, e.Text) }

// parser reads one outage file.
type parser struct {
	p    *policy.Policy
	o    *Outage
	last time.Duration
}

// Parse reads an outage file. All that is wrong with it is in the errors, each
// with its line.
func Parse(p *policy.Policy, name string, text []byte) (*Outage, []error) {
	if !utf8.Valid(text) {
		return nil, []error{&FileError{name, 1, "the file is not UTF-8 text. Write it again as UTF-8."}}
	}
	q := &parser{p: p, o: Likely(p)}
	q.o.Name = name
	var errs []error
	lines := bufio.NewScanner(bytes.NewReader(bytes.TrimPrefix(text, mark)))
	lines.Buffer(make([]byte, 0, 4096), 1<<20)
	n := 0
	for lines.Scan() {
		n++
		line, _, _ := strings.Cut(lines.Text(), "#")
		if words := strings.Fields(line); len(words) > 0 {
			if err := q.line(words); err != nil {
				errs = append(errs, &FileError{name, n, err.Error()})
			}
		}
	}
	if err := lines.Err(); err != nil {
		errs = append(errs, &FileError{name, n + 1, "the line is longer than a mebibyte. An outage file has one short line for each thing that happens."})
	}
	if len(errs) == 0 && !q.lost() {
		errs = append(errs, &FileError{name, max(n, 1), "no input is ever lost in this file. Write a line such as \"at 0s input lost\"."})
	}
	if len(errs) > 0 {
		return nil, errs
	}
	return q.o, nil
}

// lost tells whether anything that could end in a stop happens.
func (q *parser) lost() bool {
	for i := range q.o.Moments {
		switch q.o.Moments[i].What {
		case world.InputLost, world.OddReading, world.OddNothing, world.Tests, world.Mute, world.OutputFails, world.CoolingFails, world.SensorJumps, world.SensorDrifts, world.SensorRepeats, world.SensorFahrenheit:
			return true
		}
	}
	return false
}

func (q *parser) line(w []string) error {
	at := time.Duration(-1)
	if w[0] == "at" {
		if len(w) < 3 {
			return fmt.Errorf("a line with \"at\" needs a time and what happens, such as \"at 40s input back\"")
		}
		var err error
		if at, err = span(w[1]); err != nil {
			return err
		}
		if at < q.last {
			return fmt.Errorf("the time %s comes after %s. Write the lines in the order of their times", w[1], q.last)
		}
		q.last = at
		w = w[2:]
	}
	switch w[0] {
	case "input":
		return q.input(at, w)
	case "ups":
		return q.ups(at, w)
	case "host":
		return q.host(at, w)
	case "load":
		if len(w) != 3 || w[2] != "dies" || at < 0 {
			return fmt.Errorf("a load can die at a time: \"at 3m load core-switch dies\"")
		}
		for l := range q.p.Loads {
			if q.p.Loads[l].Name == w[1] {
				return q.add(world.Moment{At: at, What: world.PathDies, UPS: -1, Load: int32(l)})
			}
		}
		return unknown("load", w[1], names(len(q.p.Loads), func(i int) string { return q.p.Loads[i].Name }))
	case "agent":
		if len(w) != 3 || w[1] != "killed" || at < 0 {
			return fmt.Errorf("the agent can be killed at a time: \"at 4m agent killed 30s\"")
		}
		d, err := span(w[2])
		if err != nil {
			return err
		}
		return q.add(world.Moment{At: at, What: world.AgentKilled, UPS: -1, For: d})
	case "operator":
		return q.operator(at, w)
	case "cooling", "sensor", "emergency", "room":
		return q.room(at, w)
	case "answers":
		if len(w) != 3 || w[1] != "lost" && w[1] != "late" || at >= 0 {
			return fmt.Errorf("write \"answers lost 10%%\" or \"answers late 10%%\", without a time")
		}
		f, err := percent(w[2], 0, 100)
		if w[1] == "lost" {
			q.o.Loss = f
		} else {
			q.o.Late = f
		}
		return err
	}
	return fmt.Errorf("no line begins with %q. A line begins with at, input, ups, host, load, agent, operator, answers, room, cooling, sensor or emergency", w[0])
}

func (q *parser) operator(at time.Duration, w []string) error {
	m := world.Moment{At: at, What: world.Operator, UPS: -1}
	for o := shutdown.Hold; o <= shutdown.Clear && len(w) >= 2 && at >= 0; o++ {
		if o.String() == w[1] {
			m.Order = o
		}
	}
	rest := w[min(2, len(w)):]
	if m.Order == shutdown.Clear && len(rest) > 0 {
		for _, c := range shutdown.Codes() {
			if c.String() == rest[0] {
				m.Code = c
			}
		}
		if m.Code == 0 {
			return unknown("condition", rest[0], names(len(shutdown.Codes()), func(i int) string { return shutdown.Codes()[i].String() }))
		}
		rest = rest[1:]
	}
	switch {
	case m.Order == shutdown.Clear && m.Code == shutdown.EmergencyOff && len(rest) == 0:
		m.Host = -1
	case m.Order == 0, !m.Order.OfHost() && len(rest) > 0, m.Order.OfHost() && len(rest) != 1:
		return fmt.Errorf("an operator says hold, release, proceed or abort at a time (\"at 4m operator hold\"), stop, start or keep of a host (\"at 4m operator keep vault\"), or clears a condition (\"at 9m operator clear host-given-up vault\", \"at 9m operator clear emergency-off\")")
	case m.Order.OfHost():
		for k := range q.p.Hosts {
			if q.p.Hosts[k].Name == rest[0] {
				m.Host = int32(k)
				return q.add(m)
			}
		}
		return unknown("host", rest[0], names(len(q.p.Hosts), func(k int) string { return q.p.Hosts[k].Name }))
	}
	return q.add(m)
}

func (q *parser) add(m world.Moment) error {
	q.o.Moments = append(q.o.Moments, m)
	return nil
}

func (q *parser) input(at time.Duration, w []string) error {
	if len(w) < 2 || len(w) > 3 || w[1] != "lost" && w[1] != "back" || at < 0 {
		return fmt.Errorf("the input is lost or back at a time: \"at 0s input lost\", \"at 40s input back rack\"")
	}
	m := world.Moment{At: at, What: world.InputLost, UPS: -1}
	if w[1] == "back" {
		m.What = world.InputBack
	}
	if len(w) == 3 {
		i, err := q.upsIndex(w[2])
		if err != nil {
			return err
		}
		m.UPS = i
	}
	return q.add(m)
}

// every stands for all names of a kind.
const every = "every"

// each reads a line once for each name; those that are empty are left out.
func (q *parser) each(n int, at time.Duration, w []string, name func(int) string, read func(time.Duration, []string) error) error {
	line := append([]string(nil), w...)
	for i := range n {
		if line[1] = name(i); line[1] == "" {
			continue
		}
		if err := read(at, line); err != nil {
			return err
		}
	}
	return nil
}

// stoppable is a host's name, if it may be stopped and is not the agent's own.
func (q *parser) stoppable(k int) string {
	if h := &q.p.Hosts[k]; !h.StaysUp && !h.Self {
		return h.Name
	}
	return ""
}

func (q *parser) upsIndex(name string) (int32, error) {
	for i := range q.p.UPSs {
		if q.p.UPSs[i].Name == name {
			return int32(i), nil
		}
	}
	return 0, unknown("UPS", name, names(len(q.p.UPSs), func(i int) string { return q.p.UPSs[i].Name }))
}

func (q *parser) ups(at time.Duration, w []string) error {
	if len(w) < 3 {
		return fmt.Errorf("a line on a UPS needs its name and what it does, such as \"ups rack holds 60%%\"")
	}
	i, err := q.upsIndex(w[1])
	if err != nil && w[1] == every {
		return q.each(len(q.p.UPSs), at, w, func(i int) string { return q.p.UPSs[i].Name }, q.ups)
	}
	if err != nil {
		return err
	}
	m := world.Moment{At: at, UPS: i}
	word := strings.Join(w[2:], " ")
	switch {
	case w[2] == "odd" && len(w) == 3:
		m.What = world.OddReading
	case w[2] == "odd-good" && len(w) == 3:
		m.What = world.OddGood
	case w[2] == "odd-off" && len(w) == 3:
		m.What = world.OddNothing
	case w[2] == "odd-low" && len(w) == 3:
		m.What = world.OddLow
	case len(w) == 5 && w[2] == "tests" && w[4] == "low", len(w) == 5 && w[2] == "claims" && (w[3] == "test" || w[3] == "good-test"):
		m.What, m.Number = world.Tests, 1
		length := w[3]
		if w[2] == "claims" {
			m.What, length = world.ClaimsTest, w[4]
			if w[3] == "test" {
				m.Number = 0
			}
		}
		if m.For, err = span(length); err != nil {
			return err
		}
	case word == "output off":
		m.What = world.OutputFails
	case w[2] == "silent" && len(w) == 4, w[2] == "tests" && len(w) == 4:
		m.What = world.Mute
		if w[2] == "tests" {
			m.What = world.Tests
		}
		if m.For, err = span(w[3]); err != nil {
			return err
		}
	case w[2] == "draws" && len(w) == 4:
		m.What = world.ExtraLoad
		if m.Number, err = strconv.ParseFloat(w[3], 64); err != nil || !(math.Abs(m.Number) <= 1e6) {
			return fmt.Errorf("%q is not a number of watts. Write \"+120\"", w[3])
		}
		if q.extra(i)+m.Number < -q.fixed(int(i)) {
			return fmt.Errorf("with %s W more, UPS %s would carry less than nothing once its hosts are off. Write \"host NAME draws 80%%\" for a host that draws less", w[3], w[1])
		}
	case w[2] == "holds" && len(w) == 4 && at < 0:
		q.o.UPSs[i].Holds, err = percent(w[3], 1, 1000)
		return err
	case w[2] == "has" && len(w) >= 4 && at < 0:
		q.o.UPSs[i].Battery, err = has(w[3:])
		return err
	case w[2] == "charged" && len(w) == 4 && at < 0:
		q.o.UPSs[i].Charge, err = percent(w[3], 0, 100)
		return err
	case w[2] == "low" && len(w) == 5 && w[3] == "at" && at < 0:
		q.o.UPSs[i].LowAt, err = span(w[4])
		return err
	case len(w) == 5 && w[2] == "itself" && w[3] == "draws" && at < 0:
		q.o.UPSs[i].Own, err = percent(w[4], 0, 1000)
		return err
	case word == "claims full" && at < 0:
		q.o.UPSs[i].ClaimsFull = true
		return nil
	case w[2] == "claims" && len(w) == 4:
		f, err := strconv.ParseFloat(strings.TrimPrefix(w[3], "x"), 64)
		if err != nil || !(f > 0 && f <= 1000) {
			return fmt.Errorf("%q is not a factor on the minutes it claims. Write \"x3\"", w[3])
		}
		if at < 0 {
			q.o.UPSs[i].Optimism = f
			return nil
		}
		m.What, m.Number = world.Claims, f
	default:
		return fmt.Errorf("a UPS can be silent or test for a time, be odd, odd-good, odd-off or odd-low, claim a test or a good-test for a time, have its \"output off\", draw more watts, hold or be charged to a percentage, claim minutes, be \"low at\" a time, or \"itself draws\" a percentage: not %q", word)
	}
	if at < 0 {
		return fmt.Errorf("%q happens at a time. Begin the line with one, such as \"at 5m\"", word)
	}
	return q.add(m)
}

// extra is what the lines so far have a UPS carry more.
func (q *parser) extra(ups int32) float64 {
	sum := 0.0
	for i := range q.o.Moments {
		if m := &q.o.Moments[i]; m.What == world.ExtraLoad && m.UPS == ups {
			sum += m.Number
		}
	}
	return sum
}

// fixed is what a UPS carries when every host is off.
func (q *parser) fixed(ups int) float64 {
	sum := 0.0
	for l := range q.p.Loads {
		if p := &q.p.Loads[l]; feeds(p.FedBy, ups) {
			sum += float64(p.Watts) / float64(len(p.FedBy))
		}
	}
	return sum
}

// modes are the words for how a host takes an order.
var modes = [...]struct {
	word string
	mode world.Mode
}{
	{"obeys", world.Obeys}, {"hangs", world.Hangs}, {"freezes", world.Freezes}, {"refuses", world.Refuses},
	{"unreachable", world.Unreachable}, {"cuts", world.CutsLink}, {"off", world.WasOff},
}

func modeOf(word string) world.Mode {
	for _, m := range modes {
		if m.word == word {
			return m.mode
		}
	}
	return 0
}

func (q *parser) host(at time.Duration, w []string) error {
	if len(w) < 3 {
		return fmt.Errorf("a line on a host needs its name and what it does, such as \"host vault takes 8m\"")
	}
	k := int32(-1)
	for j := range q.p.Hosts {
		if q.p.Hosts[j].Name == w[1] {
			k = int32(j)
		}
	}
	if k < 0 && w[1] == every {
		return q.each(len(q.p.Hosts), at, w, q.stoppable, q.host)
	}
	if k < 0 {
		return unknown("host", w[1], names(len(q.p.Hosts), func(i int) string { return q.p.Hosts[i].Name }))
	}
	t := &q.o.Hosts[k]
	var err error
	switch mode := modeOf(w[2]); {
	case mode == world.WasOff && at >= 0:
		return fmt.Errorf("a host is off from before the outage: write the line without a time")
	case mode != 0 && len(w) == 3 && at >= 0:
		return q.add(world.Moment{At: at, What: world.HostMode, UPS: -1, Host: k, Mode: mode})
	case mode != 0 && len(w) == 3:
		t.Mode = mode
		return nil
	case len(w) == 4 && at < 0 && w[2] == "takes" && strings.HasSuffix(w[3], "%"):
		part, err := percent(w[3], 0, 10000)
		t.Takes = time.Duration(float64(q.p.Hosts[k].StopsIn) * part).Round(time.Second)
		return err
	case len(w) == 4 && at < 0 && w[2] == "takes":
		t.Takes, err = span(w[3])
		return err
	case len(w) == 4 && at < 0 && w[2] == "starts":
		t.Starts, err = span(w[3])
		return err
	case len(w) == 4 && at < 0 && w[2] == "draws":
		t.Draws, err = percent(w[3], 0, 1000)
		return err
	}
	return fmt.Errorf("a host obeys, hangs, freezes, refuses, is unreachable or cuts the link (at a time or from the start), or is off, takes or starts in a time, or draws a percentage (from the start): not %q", strings.Join(w[2:], " "))
}

// span reads a duration with its unit.
func span(text string) (time.Duration, error) {
	d, err := time.ParseDuration(text)
	if err != nil {
		if _, e := strconv.ParseFloat(text, 64); e == nil {
			return 0, fmt.Errorf("the duration %q has no unit. Write %q", text, text+"s")
		}
		return 0, fmt.Errorf("%q is not a duration. Write one such as \"90s\", \"5m\" or \"1h30m\"", text)
	}
	if d < 0 {
		return 0, fmt.Errorf("the duration %s is negative. Times count forward from the start of the file", text)
	}
	if d > 30*24*time.Hour {
		return 0, fmt.Errorf("the duration %s is longer than 30 days", text)
	}
	return d, nil
}

// percent reads "60%" as 0.6.
func percent(text string, low, high float64) (float64, error) {
	body, ok := strings.CutSuffix(text, "%")
	f, err := strconv.ParseFloat(body, 64)
	if !ok || err != nil || !(f >= low && f <= high) {
		return 0, fmt.Errorf("%q is not a percentage from %g%% to %g%%", text, low, high)
	}
	return f / 100, nil
}

func names(n int, name func(int) string) []string {
	var list []string
	for i := range n {
		list = append(list, name(i))
	}
	sort.Strings(list)
	return list
}

// unknown says that a name is not in the policy, and which are.
func unknown(what, name string, have []string) error {
	if len(have) == 0 {
		return fmt.Errorf("the policy has no %s %q; it has none at all", what, name)
	}
	if len(have) > 12 {
		have = append(have[:12:12], "…")
	}
	return fmt.Errorf("the policy has no %s %q. It has %s", what, name, strings.Join(have, ", "))
}

// tenths writes seconds to a tenth of one.
func tenths(seconds float64) string {
	return short(time.Duration(math.Round(10*seconds)) * 100 * time.Millisecond)
}

// has reads a battery as it really is.
func has(w []string) (battery.Model, error) {
	const want = "Write \"ups NAME has 312.4Wh, ohmic 9m, diffusion 64m, relaxation 90m\""
	var m battery.Model
	wh, err := strconv.ParseFloat(strings.TrimSuffix(strings.TrimSuffix(w[0], ","), "Wh"), 64)
	if err != nil || !(wh > 0 && wh < 1e9) || len(w) != 7 {
		return m, fmt.Errorf("%q is no battery. %s", strings.Join(w, " "), want)
	}
	m.Energy = float64(wh * 3600)
	for k, into := range [...]*float64{&m.Ohmic, &m.Diffusion, &m.Relaxation} {
		d, err := time.ParseDuration(strings.TrimSuffix(w[2+2*k], ","))
		if w[1+2*k] != [...]string{"ohmic", "diffusion", "relaxation"}[k] || err != nil || d < 0 || d > 1000*time.Hour {
			return m, fmt.Errorf("%q is no battery. %s", strings.Join(w, " "), want)
		}
		*into = d.Seconds()
	}
	if m.Diffusion > 0 && m.Relaxation <= 0 {
		return m, fmt.Errorf("a battery with a diffusion loss relaxes in some time. %s", want)
	}
	return m, nil
}

// Text writes the outage as a file that [Parse] reads again. What is as
// believed is left out.
func (o *Outage) Text(p *policy.Policy) string {
	var b strings.Builder
	for i := range o.UPSs {
		u, name := &o.UPSs[i], p.UPSs[i].Name
		if m := &u.Battery; *m != (battery.Model{}) {
			fmt.Fprintf(&b, "ups %s has %sWh, ohmic %s, diffusion %s, relaxation %s\n", name, strconv.FormatFloat(math.Round(m.Energy/36)/100, 'f', -1, 64), tenths(m.Ohmic), tenths(m.Diffusion), tenths(m.Relaxation))
		}
		if u.Holds != 1 {
			fmt.Fprintf(&b, "ups %s holds %s%%\n", name, percentage(u.Holds))
		}
		if u.Charge != 1 {
			fmt.Fprintf(&b, "ups %s charged %s%%\n", name, percentage(u.Charge))
		}
		if u.Optimism != 1 {
			fmt.Fprintf(&b, "ups %s claims x%s\n", name, number(u.Optimism))
		}
		if u.Own != 1 {
			fmt.Fprintf(&b, "ups %s itself draws %s%%\n", name, percentage(u.Own))
		}
		if u.LowAt != usualLow {
			fmt.Fprintf(&b, "ups %s low at %s\n", name, short(u.LowAt))
		}
		if u.ClaimsFull {
			fmt.Fprintf(&b, "ups %s claims full\n", name)
		}
	}
	for k := range o.Hosts {
		h, q := &o.Hosts[k], &p.Hosts[k]
		if h.Mode != world.Obeys {
			fmt.Fprintf(&b, "host %s %s\n", q.Name, modeName(h.Mode))
		}
		if h.Takes != q.StopsIn {
			fmt.Fprintf(&b, "host %s takes %s\n", q.Name, short(h.Takes))
		}
		if h.Starts != q.StartsIn {
			fmt.Fprintf(&b, "host %s starts %s\n", q.Name, short(h.Starts))
		}
		if h.Draws != 1 {
			fmt.Fprintf(&b, "host %s draws %s%%\n", q.Name, percentage(h.Draws))
		}
	}
	if r := &o.Room; r.TimeConstant != 0 {
		fmt.Fprintf(&b, "room warms in %s, loses %sW/K, from %sC, noise %sK\n", short(r.TimeConstant), number(r.WattsPerKelvin), number(r.From), number(r.Noise))
	}
	if o.Loss != 0 {
		fmt.Fprintf(&b, "answers lost %s%%\n", percentage(o.Loss))
	}
	if o.Late != 0 {
		fmt.Fprintf(&b, "answers late %s%%\n", percentage(o.Late))
	}
	for i := range o.Moments {
		fmt.Fprintf(&b, "at %s %s\n", short(o.Moments[i].At), MomentText(p, &o.Moments[i]))
	}
	return b.String()
}

// short writes a duration without the zeros at its end.
func short(d time.Duration) string {
	text := d.String()
	if strings.HasSuffix(text, "m0s") {
		text = strings.TrimSuffix(text, "0s")
	}
	if strings.HasSuffix(text, "h0m") {
		text = strings.TrimSuffix(text, "0m")
	}
	return text
}

func number(f float64) string { return strconv.FormatFloat(f, 'g', -1, 64) }

// percentage writes a part so that it reads again as the same number: short where
// that does.
func percentage(part float64) string {
	short := strconv.FormatFloat(100*part, 'g', 12, 64)
	if f, err := strconv.ParseFloat(short, 64); err == nil && f/100 == part {
		return short
	}
	return number(100 * part)
}

func modeName(m world.Mode) string {
	for _, v := range modes {
		if v.mode == m {
			return v.word
		}
	}
	return ""
}

// MomentText is one moment in the words of an outage file, without its time.
func MomentText(p *policy.Policy, m *world.Moment) string {
	ups := every
	if m.UPS >= 0 {
		ups = p.UPSs[m.UPS].Name
	}
	switch m.What {
	case world.InputLost, world.InputBack:
		word := "input lost"
		if m.What == world.InputBack {
			word = "input back"
		}
		if m.UPS >= 0 {
			word += " " + ups
		}
		return word
	case world.Mute:
		return fmt.Sprintf("ups %s silent %s", ups, short(m.For))
	case world.OddReading:
		return fmt.Sprintf("ups %s odd", ups)
	case world.OddGood:
		return fmt.Sprintf("ups %s odd-good", ups)
	case world.OddNothing:
		return fmt.Sprintf("ups %s odd-off", ups)
	case world.OddLow:
		return fmt.Sprintf("ups %s odd-low", ups)
	case world.ClaimsTest:
		if m.Number > 0 {
			return fmt.Sprintf("ups %s claims good-test %s", ups, short(m.For))
		}
		return fmt.Sprintf("ups %s claims test %s", ups, short(m.For))
	case world.Tests:
		if m.Number > 0 {
			return fmt.Sprintf("ups %s tests %s low", ups, short(m.For))
		}
		return fmt.Sprintf("ups %s tests %s", ups, short(m.For))
	case world.OutputFails:
		return fmt.Sprintf("ups %s output off", ups)
	case world.Claims:
		return fmt.Sprintf("ups %s claims x%s", ups, number(m.Number))
	case world.ExtraLoad:
		return fmt.Sprintf("ups %s draws %+g", ups, m.Number)
	case world.HostMode:
		return fmt.Sprintf("host %s %s", p.Hosts[m.Host].Name, modeName(m.Mode))
	case world.PathDies:
		return fmt.Sprintf("load %s dies", p.Loads[m.Load].Name)
	case world.AgentKilled:
		return fmt.Sprintf("agent killed %s", short(m.For))
	case world.CoolingFails:
		return "cooling fails"
	case world.CoolingBack:
		return "cooling back"
	case world.SensorSilent:
		return fmt.Sprintf("sensor %s silent %s", p.Temperatures[m.Sensor].Name, short(m.For))
	case world.SensorSticks:
		return fmt.Sprintf("sensor %s sticks", p.Temperatures[m.Sensor].Name)
	case world.SensorJumps:
		return fmt.Sprintf("sensor %s jumps %+g", p.Temperatures[m.Sensor].Name, m.Number)
	case world.SensorDrifts:
		return fmt.Sprintf("sensor %s drifts %+gK/h", p.Temperatures[m.Sensor].Name, m.Number)
	case world.SensorRepeats:
		return fmt.Sprintf("sensor %s repeats", p.Temperatures[m.Sensor].Name)
	case world.SensorFahrenheit:
		return fmt.Sprintf("sensor %s says fahrenheit", p.Temperatures[m.Sensor].Name)
	case world.SensorMends:
		return fmt.Sprintf("sensor %s mends", p.Temperatures[m.Sensor].Name)
	case world.EmergencyUsed:
		return fmt.Sprintf("emergency %s used", p.Emergencies[m.Sensor].Name)
	case world.EmergencyReleased:
		return fmt.Sprintf("emergency %s released", p.Emergencies[m.Sensor].Name)
	case world.Operator:
		text := "operator " + m.Order.String()
		if m.Order == shutdown.Clear {
			text += " " + m.Code.String()
		}
		if m.Order.OfHost() && m.Host >= 0 {
			text += " " + p.Hosts[m.Host].Name
		}
		return text
	}
	return ""
}
