package hid

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ebbline/agent/peertest"
	"ebbline/agent/peertest/uhidups"
	"ebbline/policy"
	"ebbline/shutdown"
)

func TestMain(m *testing.M) { peertest.GuestMain(m) }

// Aim: discovery, polls, silence, unplugging and switching work against the
// hidraw of a real kernel. Method: the tests named TestGuest... run in a virtual
// machine with Debian's kernel, against virtual UPSs on uhid. That covers no
// real USB: neither its timing, nor devices that stall or reset their bus.
func TestKernel(t *testing.T) { peertest.RunGuest(t, "^TestGuest") }

// guest is a virtual UPS and its reader.
type guest struct {
	*testing.T
	ups     *uhidups.UPS
	source  *Source
	changed atomic.Int64
	others  int // plugged in by occupy
}

func plugIn(t *testing.T, serial string, descriptor []byte) *guest {
	t.Helper()
	peertest.OnlyInGuest(t)
	g := &guest{T: t, ups: uhidups.PlugIn(t, serial, descriptor, uhidups.Normal())}
	g.source = New(policy.HID{Serial: serial}, rated, func() { g.changed.Add(1) })
	t.Cleanup(g.source.Close)
	g.until("the UPS is found", func() bool {
		_, err := g.source.Poll(t.Context())
		return err == nil
	})
	return g
}

// until waits for what the kernel and the virtual UPS do in their own time.
func (g *guest) until(what string, done func() bool) {
	g.Helper()
	for end := time.Now().Add(time.Minute); !done(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			g.Fatalf("it never came that %s", what)
		}
	}
}

func (g *guest) poll() shutdown.Measurement {
	g.Helper()
	m, err := g.source.Poll(g.Context())
	if err != nil {
		g.Fatal(err)
	}
	return m
}

// briefly polls with little time, for a UPS that does not answer.
func (g *guest) briefly() error {
	ctx, cancel := context.WithTimeout(g.Context(), 1500*time.Millisecond)
	defer cancel()
	_, err := g.source.Poll(ctx)
	return err
}

func (g *guest) fails(err error, want string) {
	g.Helper()
	if err == nil || !strings.Contains(err.Error(), want) {
		g.Errorf("%v, want %q", err, want)
	}
}

// change changes the UPS, and waits until that was heard, without a poll.
func (g *guest) change(change func(*uhidups.State)) {
	g.Helper()
	before := g.changed.Load()
	g.ups.Set(change)
	g.until("the change is heard", func() bool { return g.changed.Load() > before })
}

// Aim: an outage is seen from its first report to its end, with every figure.
func TestGuestOutage(t *testing.T) {
	g := plugIn(t, "SN1", uhidups.Descriptor(false))
	want := shutdown.Measurement{
		Source: shutdown.FromInput, Input: shutdown.LineGood, Battery: shutdown.StatusNormal, LoadWatts: 200, ChargeTenths: 1000, RuntimeSeconds: 1800,
		LowSeconds: shutdown.Unread, OnBatterySecs: shutdown.Unread, Millivolts: 27300, TemperatureTenthsC: 248, InputDecivolts: 2305,
	}
	if m := g.poll(); m != want {
		t.Errorf("in normal mode %+v", m)
	}
	g.change((*uhidups.State).Fail)
	want.Source, want.Input, want.InputDecivolts = shutdown.FromBattery, shutdown.LineBad, 0
	if m := g.poll(); m != want {
		t.Errorf("on battery %+v", m)
	}
	g.change(func(s *uhidups.State) { s.Low, s.ChargePercent, s.RuntimeSeconds = true, 12, 95 })
	want.Battery, want.ChargeTenths, want.RuntimeSeconds = shutdown.StatusLow, 120, 95
	if m := g.poll(); m != want {
		t.Errorf("battery low %+v", m)
	}
	g.change(func(s *uhidups.State) { *s = uhidups.Normal(); s.Test = 5; s.Charging = true })
	if m := g.poll(); m.Source != shutdown.FromInput || m.Battery != shutdown.StatusNormal || !m.Testing {
		t.Errorf("input back, testing %+v", m)
	}
}

// Aim: a UPS that answers nothing costs a poll its deadline and no more: the
// request goes on in the kernel, no second one is begun. When it answers again
// all but the evidence, that is left alone, and what of it comes in input
// reports counts. Method: the request is seen to be still under way when Poll
// returns; the UPS counts what it is asked. The kernel takes 5 s twice here.
func TestGuestSilent(t *testing.T) {
	g := plugIn(t, "SN1", uhidups.Descriptor(false))
	asked := func() (n int) {
		for id := range uint8(20) {
			n += g.ups.Asked(id)
		}
		return n
	}
	g.ups.Set(func(s *uhidups.State) { s.Silent = true })
	before := asked()
	g.fails(g.briefly(), "does not answer")
	g.fails(g.briefly(), "has not answered the request before")
	if len(g.source.busy) != 1 || asked() != before+1 {
		t.Errorf("requests under way: %d, new ones: %d, want 1 and 1", len(g.source.busy), asked()-before)
	}
	g.change(func(s *uhidups.State) { s.Silent = false; s.Deaf = []uint8{uhidups.IDStatus}; s.Fail() })
	g.until("the evidence is left alone", func() bool {
		g.briefly()
		return slices.ContainsFunc(g.source.ups.reports, func(r *report) bool { return r.role == evidence && r.next.After(time.Now()) })
	})
	before = g.ups.Asked(uhidups.IDStatus)
	if m := g.poll(); m.Source != shutdown.FromBattery || m.ChargeTenths != 1000 || m.LoadWatts != 200 || g.ups.Asked(uhidups.IDStatus) != before {
		t.Errorf("%+v, asked again %d times", m, g.ups.Asked(uhidups.IDStatus)-before)
	}
}

// Aim: a report that the UPS refuses leaves the rest alone; without the
// evidence there is no measurement.
func TestGuestRefusedReport(t *testing.T) {
	g := plugIn(t, "SN1", uhidups.Descriptor(false))
	g.ups.Set(func(s *uhidups.State) { s.Refused = []uint8{uhidups.IDInput} })
	if m := g.poll(); m.Source != shutdown.FromInput || m.LoadWatts != 200 {
		t.Errorf("%+v", m)
	}
	g.ups.Set(func(s *uhidups.State) { s.Refused = []uint8{uhidups.IDStatus} })
	g.fails(g.briefly(), "input/output error")
}

// Aim: a UPS whose state stands in an input report alone is asked for it at the
// start, and believed when it sends it.
func TestGuestInputReportOnly(t *testing.T) {
	g := plugIn(t, "SN1", uhidups.Descriptor(true))
	if m := g.poll(); m.Source != shutdown.FromInput || m.Battery != shutdown.StatusNormal {
		t.Errorf("asked %+v", m)
	}
	g.ups.Set(func(s *uhidups.State) { s.Refused = []uint8{uhidups.IDStatus} })
	g.change((*uhidups.State).Fail)
	if m := g.poll(); m.Source != shutdown.FromBattery {
		t.Errorf("sent %+v", m)
	}
	g.ups.Send([]byte{uhidups.IDStatus}) // cut short: no news
	g.ups.Send([]byte{200, 1, 2, 3})     // no such report
	g.change(func(s *uhidups.State) { *s = uhidups.Normal() })
	if m := g.poll(); m.Source != shutdown.FromInput {
		t.Errorf("sent %+v", m)
	}
}

// Aim: a UPS that is unplugged is known to be gone at once, and found again by
// its serial under another number. Method: another device takes the old number;
// the second time a request hangs while the UPS is unplugged.
func TestGuestReplug(t *testing.T) {
	g := plugIn(t, "SN1", uhidups.Descriptor(false))
	for _, silent := range []bool{false, true} {
		before, node := g.changed.Load(), g.source.ups.Node
		if silent {
			g.ups.Set(func(s *uhidups.State) { s.Silent = true })
			g.fails(g.briefly(), "does not answer")
		}
		g.ups.Unplug()
		g.until("the unplugging is heard", func() bool { return g.changed.Load() > before })
		g.occupy(node)
		g.fails(g.briefly(), "no UPS on USB has it")
		g.ups = uhidups.PlugIn(t, "SN1", uhidups.Descriptor(false), uhidups.Normal())
		g.until("it is found again", func() bool { return g.briefly() == nil })
	}
}

// occupy has another device take a node. Linux gives the lowest number that is
// free, and one is free only when the last who has it open lets go: so others are
// plugged in until one has it.
func (g *guest) occupy(node string) {
	g.Helper()
	g.until("another device has the number", func() bool {
		g.briefly() // here the reader lets go
		g.others++
		serial := fmt.Sprintf("other %d", g.others)
		uhidups.PlugIn(g.T, serial, uhidups.Descriptor(false), uhidups.Normal())
		g.until("it is there", func() bool { return nodeOf(serial, "") != "" })
		return "/dev/"+nodeOf(serial, "") == node
	})
}

// Aim: the policy's path and serial find one UPS or say why not.
func TestGuestFind(t *testing.T) {
	g := plugIn(t, "SN1", uhidups.Descriptor(false))
	node := g.source.ups.Node
	link := filepath.Join(t.TempDir(), "rack-ups")
	if err := os.Symlink(node, link); err != nil {
		t.Fatal(err)
	}
	c, err := New(policy.HID{Path: link}, rated, nil).Probe(t.Context())
	want := Capabilities{
		Device:     Identity{Node: link, Name: "Example Virtual UPS", Serial: "SN1", Vendor: uhidups.Vendor, Product: uhidups.Product},
		RatedWatts: 900, RatedVA: shutdown.Unread, LowSeconds: shutdown.Unread, NominalVolts: shutdown.Unread, LowTransfer: 184, HighTransfer: 265, Controls: true,
		Usages: []string{"ACPresent", "Discharging", "BelowRemainingCapacityLimit", "RemainingTimeLimitExpired", "ShutdownImminent", "Test", "RemainingCapacity",
			"RunTimeToEmpty", "Voltage", "ActivePower", "PercentLoad", "Temperature", "LowVoltageTransfer", "HighVoltageTransfer", "ConfigActivePower"},
		Absent: []string{"ShutdownRequested", "FullyDischarged", "TerminateDischarge", "CommunicationLost", "AwaitingPower", "VoltageOutOfRange", "FrequencyOutOfRange",
			"RelativeStateOfCharge", "CapacityMode", "FullChargeCapacity", "DesignCapacity", "RemainingTimeLimit", "ConfigVoltage", "ConfigApparentPower", "NeedReplacement"},
		First: g.poll(),
	}
	if diff := cmp.Diff(want, c); err != nil || diff != "" {
		t.Errorf("%v (-want +got)\n%s", err, diff)
	}
	look := func(cfg policy.HID) error { _, err := New(cfg, rated, nil).Poll(t.Context()); return err }
	g.fails(look(policy.HID{Serial: "SN2"}), `no UPS on USB has it; there are: [/dev/hidraw`)
	if list := Present(); len(list) != 1 || list[0].Node != node || list[0].Serial != "SN1" {
		t.Errorf("plugged in are %+v", list)
	}
	g.fails(look(policy.HID{Path: "/dev/hidraw99"}), "no such device")
	g.fails(look(policy.HID{Path: "/dev/null"}), "it is no hidraw device")

	mouse := []byte{0x05, 0x01, 0x09, 0x02, 0xA1, 0x01, 0x75, 8, 0x95, 2, 0x15, 0x81, 0x25, 0x7F, 0x09, 0x30, 0x09, 0x31, 0x81, 0x06, 0xC0}
	uhidups.PlugIn(t, "SN1", mouse, uhidups.State{})
	g.until("the mouse is there", func() bool { return nodeOf("SN1", node) != "" })
	if m := g.poll(); m.Source != shutdown.FromInput {
		t.Errorf("beside a mouse of the same serial %+v", m)
	}
	g.fails(look(policy.HID{Path: "/dev/" + nodeOf("SN1", node)}), "is no UPS")
	uhidups.PlugIn(t, "SN1", uhidups.Descriptor(false), uhidups.Normal())
	var err2 error
	g.until("the double is there", func() bool { err2 = look(policy.HID{Serial: "SN1"}); return err2 != nil })
	g.fails(err2, "2 devices have it")

	// Another user has no access, and is told how to get it. That the rule works
	// is not tested: there is no udev in the guest.
	cmd := exec.Command(os.Args[0], "-test.run=^TestPartUnprivileged$", "-test.v")
	cmd.Env = append(os.Environ(), "HID_NODE="+node)
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("without access: %v\n%s", err, out)
	}
}

// nodeOf gives a node with a serial that is not the one named.
func nodeOf(serial, not string) string {
	nodes, _ := os.ReadDir(classDir)
	for _, node := range nodes {
		if d := identify(os.DirFS(classDir), node.Name()); d.Node != not && d.Serial == serial {
			return node.Name()
		}
	}
	return ""
}

func TestPartUnprivileged(t *testing.T) {
	peertest.OnlyInGuest(t)
	node := os.Getenv("HID_NODE")
	if node == "" {
		t.Skip("a part of TestGuestFind")
	}
	_, err := New(policy.HID{Path: node}, rated, nil).Poll(t.Context())
	want := node + `: permission denied; write this line into /etc/udev/rules.d/60-ebbline.rules and plug the UPS in again: KERNEL=="hidraw*", ATTRS{idVendor}=="1209", ATTRS{idProduct}=="0001", GROUP="ebbline", MODE="0660"`
	if err == nil || err.Error() != want {
		t.Errorf("%v\nwant %s", err, want)
	}
}

// Aim: the output is switched off by two countdowns, the start's first; a
// repeat leaves them alone; they can be called back. What the UPS does not do,
// or cannot tell, is not called done.
func TestGuestSwitch(t *testing.T) {
	g := plugIn(t, "SN1", uhidups.Descriptor(false))
	w := NewSwitch(policy.HID{Serial: "SN1"})
	out, patience := policy.Output{OffAfter: 90 * time.Second, OnAfter: 2 * time.Minute}, time.Minute
	do := func(verb shutdown.Verb, outcome shutdown.Outcome, text string) {
		t.Helper()
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		defer cancel()
		if got, said := w.Do(ctx, out, verb); got != outcome || !regexp.MustCompile(text).MatchString(said) {
			t.Errorf("%v: %v, %q, want %v, %q", verb, got, said, outcome, text)
		}
	}
	do(shutdown.VerbSwitchOn, shutdown.Accepted, "no countdown runs")
	do(shutdown.VerbSwitchOff, shutdown.Accepted, `^output off in (90|8\d) s, on again with the input, not before 2[67]\d s$`)
	// 270 s for the start: the delays of 90 and 120 s, and a minute by which the
	// UPS may round up.
	want := [][]byte{{uhidups.IDStartup, 0x0E, 0x01}, {uhidups.IDShutdown, 90, 0}}
	if got := g.ups.Sets(); !slices.EqualFunc(got, want, bytes.Equal) {
		t.Errorf("written %x, want %x", got, want)
	}
	do(shutdown.VerbSwitchOff, shutdown.Accepted, "^output off in")
	if got := g.ups.Sets(); len(got) != 2 {
		t.Errorf("a repeat wrote %x", got)
	}
	do(shutdown.VerbSwitchOn, shutdown.Accepted, "called back 8?9?.* s before its time")
	do(shutdown.VerbSwitchOn, shutdown.Accepted, "no countdown runs")
	if got := g.ups.Sets(); len(got) != 3 || !bytes.Equal(got[2], []byte{uhidups.IDShutdown, 0xFF, 0xFF}) {
		t.Errorf("called back with %x", got)
	}
	do(shutdown.VerbStart, shutdown.Refused, "cannot start")

	out.OffAfter = 10 * time.Hour
	do(shutdown.VerbSwitchOff, shutdown.Refused, "counts no further than 9h6m7s")
	out.OffAfter, out.OnAfter = time.Hour, 24*time.Hour
	do(shutdown.VerbSwitchOff, shutdown.Accepted, "not before 3276[67] s")
	do(shutdown.VerbSwitchOn, shutdown.Accepted, "called back")

	// A delay that only stands there is no countdown.
	g.ups.Set(func(s *uhidups.State) { s.Idle = 20 })
	out.OffAfter = time.Minute
	do(shutdown.VerbSwitchOff, shutdown.Accepted, "^output off in (60|5.) s")
	g.ups.Set(func(s *uhidups.State) { s.Idle = -1 })
	do(shutdown.VerbSwitchOn, shutdown.Accepted, "called back")

	g.ups.Set(func(s *uhidups.State) { s.Stuck = []uint8{uhidups.IDShutdown} })
	out.OffAfter, out.OnAfter = 30*time.Minute, 11*time.Hour
	do(shutdown.VerbSwitchOff, shutdown.Refused, "DelayBeforeShutdown: the UPS took 30m0s and reads -1 s")
	sets := len(g.ups.Sets())
	g.ups.Set(func(s *uhidups.State) { s.Stuck = nil; s.Refused = []uint8{uhidups.IDShutdown} })
	do(shutdown.VerbSwitchOff, shutdown.Unreachable, "input/output error")
	g.ups.Set(func(s *uhidups.State) { s.Refused = nil; s.Silent = true })
	patience = 500 * time.Millisecond
	do(shutdown.VerbSwitchOff, shutdown.Unreachable, "does not answer")
	do(shutdown.VerbSwitchOff, shutdown.Unreachable, "has not answered the request before")
	if got := g.ups.Sets(); len(got) != sets {
		t.Errorf("written while the UPS did not answer: %x", got[sets:])
	}
}

// Aim: a descriptor means to us what it means to Linux. Method: random valid
// descriptors, and the virtual UPS's; the kernel prints its own reading of each
// in debugfs. Arrays and padding are left out, as parse leaves them out.
func TestGuestAgreesWithLinux(t *testing.T) {
	peertest.OnlyInGuest(t)
	all := [][]byte{uhidups.Descriptor(false), uhidups.Descriptor(true)}
	for seed := range uint64(20) {
		all = append(all, randomDescriptor(rand.New(rand.NewPCG(seed, 0))))
	}
	values := 0
	for i, d := range all {
		l, err := parse(d)
		if err != nil {
			t.Fatalf("descriptor %d: %v: %x", i, err, d)
		}
		var ours []string
		for _, f := range l.fields {
			ours = append(ours, fmt.Sprintf("%s %d: %06x at %d size %d logical %d..%d physical %d..%d exponent %d",
				f.report.kind, f.report.id, uint32(f.usage), f.bit, f.bits, f.lmin, f.lmax, f.pmin, f.pmax, f.exponent))
		}
		theirs := linuxReading(t, fmt.Sprint("SN", i), d)
		slices.Sort(ours)
		slices.Sort(theirs)
		if diff := cmp.Diff(theirs, ours); diff != "" {
			t.Errorf("descriptor %d, %x: (-linux +ours)\n%s", i, d, diff)
		}
		values += len(ours)
	}
	t.Logf("%d values of %d descriptors agree", values, len(all))
}

// randomDescriptor makes a descriptor of all kinds of items that Linux takes:
// logical limits in order, lengths within its bounds. Its usages are vendors',
// which Linux prints as numbers.
func randomDescriptor(r *rand.Rand) []byte {
	d := []byte{0x06, 0x00, 0xFF, 0x09, 0x01, 0xA1, 0x01}
	add := func(b ...byte) { d = append(d, b...) }
	little := func(prefix byte, n int32) { // the shortest form, or a longer one
		switch {
		case n == int32(int8(n)) && r.IntN(4) > 0:
			add(prefix|1, byte(n))
		case n == int32(int16(n)) && r.IntN(4) > 0:
			add(prefix|2, byte(n), byte(n>>8))
		default:
			add(prefix|3, byte(n), byte(n>>8), byte(n>>16), byte(n>>24))
		}
	}
	limits := func() {
		low := int32(0)
		if r.IntN(3) == 0 {
			low = -r.Int32N(100)
		}
		little(itemLogicalMin, low)
		switch {
		case low == 0 && r.IntN(3) == 0: // as if it were unsigned
			add(itemLogicalMax|1, byte(128+r.IntN(128)))
		case low == 0 && r.IntN(3) == 0:
			add(itemLogicalMax|2, 0xFF, 0xFF)
		default:
			little(itemLogicalMax, low+1+r.Int32N(90))
		}
	}
	limits()
	little(itemSize, 8)
	little(itemCount, 1)
	open, pushed := 1, 0
	for range 60 {
		switch r.IntN(16) {
		case 0:
			little(itemReportID, 1+r.Int32N(200))
		case 1:
			limits()
		case 2:
			little(itemPhysMin, -r.Int32N(50))
			little(itemPhysMax, 1+r.Int32N(1000))
		case 3:
			little(itemExponent, r.Int32N(16))
		case 4:
			add(0x67, 0x21, 0xD1, 0xF0, 0x00)
		case 5:
			little(itemSize, 1+r.Int32N(32))
		case 6:
			little(itemCount, 1+r.Int32N(6))
		case 7:
			if pushed < 3 {
				add(itemPush)
				pushed++
			}
		case 8:
			if pushed > 0 {
				add(itemPop)
				pushed--
			}
		case 9:
			if open < 4 {
				add(0x09, byte(1+r.IntN(200)), 0xA1, byte(r.IntN(3)))
				open++
			}
		case 10:
			if open > 1 {
				add(itemEndCollection)
				open--
			}
		default:
			for range 1 + r.IntN(3) {
				switch r.IntN(5) {
				case 0:
					low := byte(1 + r.IntN(100))
					add(0x19, low, 0x29, low+byte(r.IntN(4)))
				case 1:
					add(0x0B, byte(1+r.IntN(200)), 0, byte(r.IntN(3)), 0xFF)
				case 2:
					add(0x06, byte(r.IntN(3)), 0xFF, 0x09, byte(1+r.IntN(200)))
				case 3:
					add(0x09, byte(1+r.IntN(200)), 0x06, byte(r.IntN(3)), 0xFF)
				default:
					add(0x09, byte(1+r.IntN(200)))
				}
			}
			add([]byte{0x81, 0x91, 0xB1}[r.IntN(3)], []byte{2, 2, 2, 0, 3}[r.IntN(5)])
		}
	}
	return append(d, bytes.Repeat([]byte{itemEndCollection}, open)...)
}

// linuxReading plugs a descriptor in and gives the kernel's reading of its
// variable fields.
func linuxReading(t *testing.T, serial string, d []byte) (values []string) {
	t.Helper()
	u := uhidups.PlugIn(t, serial, d, uhidups.State{})
	defer u.Unplug()
	g := &guest{T: t}
	g.until("the device is there", func() bool { return nodeOf(serial, "") != "" })
	device, err := os.Readlink(filepath.Join(classDir, nodeOf(serial, ""), "device"))
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join("/sys/kernel/debug/hid", filepath.Base(device), "rdesc"))
	if err != nil {
		t.Fatal(err)
	}
	report := regexp.MustCompile(`^(INPUT|OUTPUT|FEATURE)(?:\((\d+)\))?\[`)
	setting := regexp.MustCompile(`^(Logical Minimum|Logical Maximum|Physical Minimum|Physical Maximum|Unit Exponent|Report Size|Report Count|Report Offset)\((-?\d+)\)$`)
	named := regexp.MustCompile(`^(Power Device|Battery System|[0-9a-f]{4})\.(\w+)$`)
	where, n, usages := "", map[string]int{}, []string(nil)
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		if m := report.FindStringSubmatch(line); m != nil {
			id, _ := strconv.Atoi(m[2])
			where = fmt.Sprintf("%s %d", strings.ToLower(m[1]), id)
		} else if strings.HasPrefix(line, "Field(") {
			n, usages = map[string]int{}, nil
		} else if m := setting.FindStringSubmatch(line); m != nil {
			n[m[1]], _ = strconv.Atoi(m[2])
		} else if m := named.FindStringSubmatch(line); m != nil {
			usages = append(usages, fmt.Sprintf("%06x", usageByName(m[1], m[2])))
		} else if strings.HasPrefix(line, "Flags(") && strings.Contains(line, "Variable") && !strings.Contains(line, "Constant") {
			for i := range n["Report Count"] {
				values = append(values, fmt.Sprintf("%s: %s at %d size %d logical %d..%d physical %d..%d exponent %d", where, usages[i], n["Report Offset"]+i*n["Report Size"],
					n["Report Size"], n["Logical Minimum"], n["Logical Maximum"], n["Physical Minimum"], n["Physical Maximum"], n["Unit Exponent"]))
			}
		}
	}
	return values
}

// usageByName reads a usage as the kernel prints it: page and id each by name,
// if it knows one, or else as a number.
func usageByName(page, id string) usage {
	if number, ok := map[string]string{"Power Device": "84", "Battery System": "85"}[page]; ok {
		page = number
	}
	p, _ := strconv.ParseUint(page, 16, 16)
	if n, err := strconv.ParseUint(id, 16, 16); err == nil && len(id) == 4 {
		return usage(p<<16 | n)
	}
	for _, k := range append(wanted, known{usage: 0x850044, name: "Charging"}) {
		if k.name == id {
			return k.usage
		}
	}
	return 0
}
