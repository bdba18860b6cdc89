package output

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gosnmp/gosnmp"

	"ebbline/agent/peertest"
	"ebbline/policy"
	"ebbline/shutdown"
)

func TestMain(m *testing.M) { peertest.Main(m) }

// sets lists what the card was written, "object=value".
func sets(c *peertest.Card) string {
	var all []string
	for _, s := range c.Sets() {
		all = append(all, strings.TrimPrefix(s.Object, "ups")+"="+s.Value)
	}
	return strings.Join(all, " ")
}

// expect does one action and looks at the outcome, the text and the SETs.
func expect(t *testing.T, c *peertest.Card, cfg policy.SNMP, out policy.Output, verb shutdown.Verb, want shutdown.Outcome, says, wrote string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	outcome, text := Do(ctx, cfg, out, verb, peertest.Secret)
	if outcome != want || !strings.Contains(text, says) || text == "" || strings.ContainsAny(text, "\n") || strings.Contains(text, "-test") {
		t.Errorf("%v, %q; not %v with %q", outcome, text, want, says)
	}
	if got := sets(c); got != wrote {
		t.Errorf("the card was written %q, not %q", got, wrote)
	}
}

var minute = policy.Output{OffAfter: time.Minute, OnAfter: 30 * time.Second}

// Aim: the objects and values written are RFC 1628's. Method: its table.
func TestObjectsAreRFC1628s(t *testing.T) {
	f, err := os.Open(filepath.Join(peertest.ModuleRoot(t), "testdata/standards/rfc1628.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	means := map[string]string{kindName: fmt.Sprintf("output(%d)", outputOnly), restartName: fmt.Sprintf("on(%d)", on), offName: fmt.Sprintf("(%d..", aborted), onName: fmt.Sprintf("(%d..", aborted)}
	seen := 0
	for _, row := range rows {
		oid, ours := objectID[row[0]]
		if !ours {
			continue
		}
		seen++
		if oid != "."+row[2] || row[6] != "read-write" || !strings.Contains(row[4], means[row[0]]) {
			t.Errorf("%s is %s here; %v in the RFC", row[0], oid, row[:7])
		}
	}
	if seen != len(objectID) {
		t.Errorf("%d of %d objects are in the RFC", seen, len(objectID))
	}
}

// Aim: switching off sets what is harmless first and the countdown last, and is
// accepted once it runs; done again it writes nothing; called back it stops.
// Method: a good card in each version, its own list of what it was written.
func TestSwitchOffAndBack(t *testing.T) {
	for version := 1; version <= 3; version++ {
		state := peertest.DefaultUPS()
		state.Numbers["upsShutdownType"] = 2
		c := peertest.StartSNMPD(t, state)
		cfg := c.SNMP(version)
		wrote := "AutoRestart=1 StartupAfterDelay=90 ShutdownType=1 ShutdownAfterDelay=60"
		expect(t, c, cfg, minute, shutdown.VerbSwitchOff, shutdown.Accepted, "on again with the input, not before", wrote)
		expect(t, c, cfg, minute, shutdown.VerbSwitchOff, shutdown.Accepted, "runs already", wrote)
		expect(t, c, cfg, minute, shutdown.VerbSwitchOn, shutdown.Accepted, "called back", wrote+" ShutdownAfterDelay=-1")
		expect(t, c, cfg, minute, shutdown.VerbSwitchOn, shutdown.Accepted, "no countdown runs", wrote+" ShutdownAfterDelay=-1")
	}
}

// Aim: without a delay for the return, auto restart alone is set; what the card
// has already is not written. Method: two cards.
func TestOnlyWhatIsNeeded(t *testing.T) {
	c := peertest.StartSNMPD(t, peertest.DefaultUPS())
	out := policy.Output{OffAfter: 45 * time.Second}
	expect(t, c, c.SNMP(2), out, shutdown.VerbSwitchOff, shutdown.Accepted, "output off in", "AutoRestart=1 ShutdownAfterDelay=45")
	state := peertest.DefaultUPS()
	state.Numbers["upsAutoRestart"] = 1
	c = peertest.StartSNMPD(t, state)
	expect(t, c, c.SNMP(2), policy.Output{}, shutdown.VerbSwitchOff, shutdown.Accepted, "output off in", "ShutdownAfterDelay=5")
}

// Aim: the countdowns that a live UPS runs do what the text promises: off, and
// on again after the input is back. Method: a UPS with a battery, unplugged;
// its output is watched through both countdowns.
func TestOutputGoesOffAndOn(t *testing.T) {
	state := peertest.DefaultUPS()
	state.Battery = &peertest.Battery{Full: 1e6, Left: 1e6, InputLost: true}
	c := peertest.StartSNMPD(t, state)
	expect(t, c, c.SNMP(2), policy.Output{OffAfter: time.Second, OnAfter: time.Second}, shutdown.VerbSwitchOff, shutdown.Accepted, "output off in",
		"AutoRestart=1 StartupAfterDelay=7 ShutdownAfterDelay=5")
	waitSource(t, c, 2)
	c.PlugIn()
	waitSource(t, c, 3)
}

// waitSource returns when upsOutputSource reads want.
func waitSource(t *testing.T, c *peertest.Card, want int) {
	t.Helper()
	x := client(t, c)
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if p, err := x.Get([]string{".1.3.6.1.2.1.33.1.4.1.0"}); err == nil && p.Variables[0].Value == want {
			return
		}
	}
	t.Fatalf("the output source never became %d", want)
}

func client(t *testing.T, c *peertest.Card) *gosnmp.GoSNMP {
	host, port, _ := strings.Cut(c.Addr, ":")
	x := &gosnmp.GoSNMP{Target: host, Version: gosnmp.Version2c, Community: "write-test", Timeout: time.Second}
	fmt.Sscan(port, &x.Port)
	if err := x.Connect(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { x.Close() })
	return x
}

// Aim: a card that counts in steps is accepted if it rounds up to the step that
// the policy states, and not otherwise; what it should not do is stopped.
// Method: a minute card, asked for 70 s with and without the step, and one that
// rounds down.
func TestSteps(t *testing.T) {
	state := peertest.DefaultUPS()
	state.StepSeconds, state.Numbers["upsAutoRestart"] = 60, 1
	out := policy.Output{OffAfter: 70 * time.Second}
	c := peertest.StartSNMPD(t, state)
	cfg := c.SNMP(2)
	cfg.DelayStep = time.Minute
	expect(t, c, cfg, out, shutdown.VerbSwitchOff, shutdown.Accepted, "output off in 1", "ShutdownAfterDelay=120")
	out.OnAfter = 10 * time.Second
	c = peertest.StartSNMPD(t, state)
	cfg.Address = c.Addr
	expect(t, c, cfg, out, shutdown.VerbSwitchOff, shutdown.Accepted, "not before 1", "StartupAfterDelay=180 ShutdownAfterDelay=120")
	cfg.DelayStep, out.OnAfter = 0, 0
	c = peertest.StartSNMPD(t, state)
	cfg.Address = c.Addr
	expect(t, c, cfg, out, shutdown.VerbSwitchOff, shutdown.Refused, "took 70 and reads 1", "ShutdownAfterDelay=70 ShutdownAfterDelay=-1")
	state.StepDown = true
	c = peertest.StartSNMPD(t, state)
	cfg.Address = c.Addr
	expect(t, c, cfg, out, shutdown.VerbSwitchOff, shutdown.Refused, "took 70 and reads 6", "ShutdownAfterDelay=70 ShutdownAfterDelay=-1")
}

// Aim: an output that would not come back is never switched off, and a card's
// refusals and silent disregard are told apart from success. Method: one habit
// of real cards at a time.
func TestCardsThatDoNot(t *testing.T) {
	for name, k := range map[string]struct {
		change func(*peertest.UPSState)
		out    policy.Output
		want   shutdown.Outcome
		says   string
		wrote  string
	}{
		"no countdown": {func(s *peertest.UPSState) { s.Missing = []string{"upsShutdownAfterDelay"} }, minute, shutdown.Refused, "no upsShutdownAfterDelay", ""},
		"read-only": {func(s *peertest.UPSState) {
			s.ReadOnly = []string{"upsShutdownType", "upsShutdownAfterDelay", "upsStartupAfterDelay", "upsAutoRestart"}
		}, minute, shutdown.Refused, "would stay off", "AutoRestart=1 StartupAfterDelay=90 StartupAfterDelay=-1"},
		"countdown read-only": {func(s *peertest.UPSState) { s.ReadOnly = []string{"upsShutdownAfterDelay"} }, minute,
			shutdown.Refused, "upsShutdownAfterDelay = 60: the card refused it: NotWritable", "AutoRestart=1 StartupAfterDelay=90 ShutdownAfterDelay=60"},
		"countdown a wrong value": {func(s *peertest.UPSState) { s.BadValue = []string{"upsShutdownAfterDelay"} }, minute,
			shutdown.Refused, "WrongValue", "AutoRestart=1 StartupAfterDelay=90 ShutdownAfterDelay=60"},
		"countdown ignored": {func(s *peertest.UPSState) { s.Ignored = []string{"upsShutdownAfterDelay"} }, minute,
			shutdown.Refused, "took 60 and reads -1", "AutoRestart=1 StartupAfterDelay=90 ShutdownAfterDelay=60"},
		"no auto restart: the start's delay does": {func(s *peertest.UPSState) { s.Missing = []string{"upsAutoRestart"} }, policy.Output{OffAfter: time.Minute},
			shutdown.Accepted, "on again", "StartupAfterDelay=62 ShutdownAfterDelay=60"},
		"auto restart ignored: the start's delay does": {func(s *peertest.UPSState) { s.Ignored = []string{"upsAutoRestart"} }, policy.Output{OffAfter: time.Minute},
			shutdown.Accepted, "on again", "AutoRestart=1 StartupAfterDelay=62 ShutdownAfterDelay=60"},
		"no start delay: auto restart does": {func(s *peertest.UPSState) { s.Missing = []string{"upsStartupAfterDelay"} }, minute,
			shutdown.Accepted, "on again with the input", "AutoRestart=1 ShutdownAfterDelay=60"},
		"start delay ignored: auto restart does": {func(s *peertest.UPSState) { s.Ignored = []string{"upsStartupAfterDelay"} }, minute,
			shutdown.Accepted, "on again with the input", "AutoRestart=1 StartupAfterDelay=90 StartupAfterDelay=-1 ShutdownAfterDelay=60"},
		"only the whole UPS": {func(s *peertest.UPSState) {
			s.Numbers["upsShutdownType"], s.ReadOnly = 2, []string{"upsShutdownType"}
		}, minute, shutdown.Refused, "the whole UPS", "AutoRestart=1 StartupAfterDelay=90 ShutdownType=1"},
	} {
		t.Run(name, func(t *testing.T) {
			state := peertest.DefaultUPS()
			k.change(&state)
			c := peertest.StartSNMPD(t, state)
			expect(t, c, c.SNMP(2), k.out, shutdown.VerbSwitchOff, k.want, k.says, k.wrote)
			if k.want == shutdown.Refused {
				waitSource(t, c, 3)
			}
		})
	}
}

// Aim: a reply that is lost on the way back neither repeats the order nor hides
// that it was taken; an order lost on the way out is sent again once it is seen
// not to be in force. Method: a relay that loses the first answer to each SET,
// then one that loses the first SET of each object.
func TestLostPackets(t *testing.T) {
	isSet := func(p []byte) bool {
		q, err := (&gosnmp.GoSNMP{}).SnmpDecodePacket(p)
		return err == nil && q.PDUType == gosnmp.SetRequest
	}
	state := peertest.DefaultUPS()
	state.Numbers["upsAutoRestart"] = 1
	for _, lose := range []string{"answers", "orders"} {
		c := peertest.StartSNMPD(t, state)
		relay := peertest.StartRelay(t, c.Addr, 1)
		var pending bool
		dropped := map[string]bool{}
		relay.Set(peertest.Path{Drop: func(reply bool, p []byte) bool {
			if !reply {
				pending = isSet(p)
				if pending && lose == "orders" {
					object := string(p[len(p)-18 : len(p)-3])
					again := dropped[object]
					dropped[object] = true
					return !again
				}
				return false
			}
			return pending && lose == "answers"
		}})
		cfg := c.SNMP(2)
		cfg.Address, cfg.Timeout = relay.Addr, 2*time.Second
		expect(t, c, cfg, minute, shutdown.VerbSwitchOff, shutdown.Accepted, "output off in", "StartupAfterDelay=90 ShutdownAfterDelay=60")
		if lose == "orders" && len(dropped) != 2 {
			t.Errorf("%d orders were lost: the test tests nothing", len(dropped))
		}
	}
}

// Aim: Unreachable is a card that never got the order, Unknown one that may
// have. Method: a stopped card; one that takes no SET because its community is
// another; one that falls silent at the last SET.
func TestSilence(t *testing.T) {
	state := peertest.DefaultUPS()
	state.Numbers["upsAutoRestart"] = 1
	c := peertest.StartSNMPD(t, state)
	cfg := c.SNMP(2)
	cfg.Timeout = time.Second
	out := policy.Output{OffAfter: time.Minute}

	cfg.WriteWith = "" // snmpd answers a SET with the reading community as it does any other: noAccess
	expect(t, c, cfg, out, shutdown.VerbSwitchOff, shutdown.Refused, "NoAccess", "")
	cfg.WriteWith = peertest.AuthKey // no community at all: silence
	expect(t, c, cfg, out, shutdown.VerbSwitchOff, shutdown.Unreachable, "write_community", "")

	cfg.WriteWith = peertest.WriteCommunity
	relay := peertest.StartRelay(t, c.Addr, 1)
	var last atomic.Bool
	relay.Set(peertest.Path{Drop: func(reply bool, p []byte) bool {
		if !reply && bytes.Contains(p, []byte{0x21, 1, 8, 2, 0, 2, 1, 60}) {
			last.Store(true)
		}
		return reply && last.Load()
	}})
	cfg.Address = relay.Addr
	ctx, cancel := context.WithTimeout(t.Context(), 8*time.Second)
	defer cancel()
	if outcome, text := Do(ctx, cfg, out, shutdown.VerbSwitchOff, peertest.Secret); outcome != shutdown.Unknown || !strings.Contains(text, "fell silent") {
		t.Errorf("silent after the order: %v, %q", outcome, text)
	}
	if got := sets(c); got != "ShutdownAfterDelay=60" {
		t.Errorf("the card was written %q", got)
	}

	c.Stop()
	cfg.Address = c.Addr
	for _, verb := range []shutdown.Verb{shutdown.VerbSwitchOff, shutdown.VerbSwitchOn} {
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
		defer cancel()
		if outcome, text := Do(ctx, cfg, out, verb, peertest.Secret); outcome != shutdown.Unreachable || !strings.Contains(text, "no SNMP agent listens there") {
			t.Errorf("stopped, %v: %v, %q", verb, outcome, text)
		}
	}
	if outcome, text := Do(t.Context(), policy.SNMP{Address: c.Addr, Version: 3}, out, shutdown.VerbSwitchOff, peertest.Secret); outcome != shutdown.Unreachable || !strings.Contains(text, "user") {
		t.Errorf("no way to ask: %v, %q", outcome, text)
	}
	if outcome, text := Do(t.Context(), cfg, out, shutdown.VerbShutDown, peertest.Secret); outcome != shutdown.Refused {
		t.Errorf("another verb: %v, %q", outcome, text)
	}
}

// Aim: a card that restarts has forgotten its countdown, and asking again sets
// it again. Method: a restart between two orders.
func TestCardRestartForgets(t *testing.T) {
	state := peertest.DefaultUPS()
	state.Numbers["upsAutoRestart"] = 1
	c := peertest.StartSNMPD(t, state)
	out := policy.Output{OffAfter: time.Minute}
	expect(t, c, c.SNMP(3), out, shutdown.VerbSwitchOff, shutdown.Accepted, "output off in", "ShutdownAfterDelay=60")
	c.Restart()
	expect(t, c, c.SNMP(3), out, shutdown.VerbSwitchOn, shutdown.Accepted, "no countdown runs", "ShutdownAfterDelay=60")
	expect(t, c, c.SNMP(3), out, shutdown.VerbSwitchOff, shutdown.Accepted, "output off in", "ShutdownAfterDelay=60 ShutdownAfterDelay=60")
}
