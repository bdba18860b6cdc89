package snmp

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gosnmp/gosnmp"

	"ebbline/agent/peertest"
	"ebbline/policy"
	"ebbline/shutdown"
)

// What SNMP libraries get wrong, and cards do, and the tests that hold this
// package to better:
//
//	one client, one goroutine           TestPollsSideBySide
//	a cancelled context ends nothing    TestCancel, TestDeadline
//	retries repeat a SET                TestSetOnce
//	no error is no success              TestMissingObjects, TestRefusedSet
//	restarted card, replaced card       TestRestart, TestReplace
//	a refusal burns every retry         TestClosedPort
//	the listener checks nothing         TestForgedTraps
//	several users, informs              TestTrapForms, TestSeveralUsers
//	the handler holds up the answer     TestInformIsAnsweredFirst
//	stacks in errors, many repetitions  TestErrorsAreOneLine, TestAlarmTable
//	engine time stands still            engine.now
//	senders always say boots 1          TestTrapForms, which sends again and again
//	an answer of anybody is believed    forged_test.go

// rated is the scripted UPS's nameplate.
var rated = Rated{Watts: 2700, BatteryVolts: 72}

func newSource(t testing.TB, cfg policy.SNMP) *Source {
	t.Helper()
	s, err := New(cfg, peertest.Secret, rated)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func poll(t testing.TB, s *Source) shutdown.Measurement {
	t.Helper()
	m, err := s.Poll(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// normal is what the scripted UPS reports.
var normal = shutdown.Measurement{
	Source: shutdown.FromInput, Input: shutdown.LineGood, Battery: shutdown.StatusNormal, LoadWatts: 450, ChargeTenths: 1000, RuntimeSeconds: 2520,
	LowSeconds: 300, OnBatterySecs: 0, Millivolts: 81900, TemperatureTenthsC: 240, InputDecivolts: 2300,
}

// Aim: every version, and every pair of v3 protocols that net-snmp offers,
// gives the same whole truth, from the first poll on. Method: one card.
func TestPollEveryVersion(t *testing.T) {
	c := peertest.StartSNMPD(t, peertest.DefaultUPS())
	ways := []policy.SNMP{c.SNMP(1), c.SNMP(2)}
	for _, pair := range [][2]string{{"SHA256", "AES"}, {"SHA", "DES"}, {"MD5", "DES"}, {"SHA", "AES"}, {"SHA512", "AES256"}, {"SHA224", "AES192"}, {"SHA384", "AES"}, {"SHA256", ""}} {
		ways = append(ways, c.User(c.SNMP(3), pair[0], pair[1]))
	}
	for _, cfg := range ways {
		if m := poll(t, newSource(t, cfg)); m != normal {
			t.Errorf("version %d %s %s: %+v", cfg.Version, cfg.Auth, cfg.Priv, m)
		}
	}
}

// Aim: the probe says what the card is and has. Method: a card without some
// objects, in each version; the nameplate's values.
func TestProbe(t *testing.T) {
	state := peertest.DefaultUPS()
	state.Missing = []string{"upsEstimatedMinutesRemaining", "upsConfigLowVoltageTransferPoint", "upsOutputPercentLoad", "upsTestResultsSummary"}
	state.Numbers["upsAutoRestart"] = 1
	state.Texts["upsIdentModel"] = "Odd\x1b[31m\x00 3000"
	c := peertest.StartSNMPD(t, state)
	for version := 1; version <= 3; version++ {
		got, err := newSource(t, c.SNMP(version)).Probe(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if got.Manufacturer != "Example Power" || got.Firmware != "1.0" || got.CardFirmware != "2.0" || got.Name != "rack-a" || !strings.HasPrefix(got.Model, "Odd") || strings.ContainsAny(got.Model, "\x1b\x00") {
			t.Errorf("v%d: identity %q %q %q %q %q", version, got.Manufacturer, got.Model, got.Firmware, got.CardFirmware, got.Name)
		}
		if got.RatedWatts != 2700 || got.RatedVA != 3000 || got.LowSeconds != 300 || got.NominalVolts != 230 || got.LowTransfer != shutdown.Unread || got.HighTransfer != 265 ||
			got.InputLines != 1 || got.OutputLines != 1 || !got.Controls || !got.AutoRestart {
			t.Errorf("v%d: %+v", version, got)
		}
		slices.Sort(got.Absent)
		if want := slices.Sorted(slices.Values(state.Missing)); !slices.Equal(got.Absent, want) {
			t.Errorf("v%d: absent %v", version, got.Absent)
		}
		if len(got.Objects)+len(got.Absent) != 20 || got.First.LoadWatts != 450 {
			t.Errorf("v%d: has %v, first %+v", version, got.Objects, got.First)
		}
	}
}

// Aim: an outage is seen by any one piece of evidence, on the wire. Method: the
// card says it by one object at a time, in v1 and v2c.
func TestOnBattery(t *testing.T) {
	c := peertest.StartSNMPD(t, peertest.DefaultUPS())
	for name, change := range map[string]func(*peertest.UPSState){
		"source":  func(s *peertest.UPSState) { s.Numbers["upsOutputSource"] = 5 },
		"seconds": func(s *peertest.UPSState) { s.Numbers["upsSecondsOnBattery"] = 2 },
		"alarm":   func(s *peertest.UPSState) { s.Alarms = map[int]string{70000: "upsAlarmOnBattery"} },
		"a compliance-text card": func(s *peertest.UPSState) {
			s.Numbers["upsOutputSource"], s.Alarms = 4, map[int]string{3: "upsAlarmOnBattery"}
		},
		"alarm, count not served": func(s *peertest.UPSState) {
			s.Missing, s.Alarms = []string{"upsAlarmsPresent"}, map[int]string{3: "upsAlarmOnBattery"}
		},
	} {
		c.Set(func(s *peertest.UPSState) { *s = peertest.DefaultUPS(); change(s) })
		for version := 1; version <= 2; version++ {
			if m := poll(t, newSource(t, c.SNMP(version))); m.Source != shutdown.FromBattery {
				t.Errorf("v%d, %s: %+v", version, name, m)
			}
		}
	}
}

// Aim: a long, sparse alarm table with makers' alarms in it is read to its end,
// ten rows at a time. Method: 40 rows, the one that counts is the last; every
// GETBULK that passes asks for ten repetitions at most.
func TestAlarmTable(t *testing.T) {
	state := peertest.DefaultUPS()
	for i := range 39 {
		state.Alarms[100+i*i] = fmt.Sprintf("1.3.6.1.4.1.99999.3.%d", i)
	}
	state.Alarms[1<<31-1] = "upsAlarmOnBattery"
	c := peertest.StartSNMPD(t, state)
	relay := peertest.StartRelay(t, c.Addr, 1)
	var bulks atomic.Int32
	relay.Set(peertest.Path{Drop: func(reply bool, p []byte) bool {
		q, err := (&gosnmp.GoSNMP{}).SnmpDecodePacket(p)
		if reply || err != nil || q.PDUType != gosnmp.GetBulkRequest {
			return false
		}
		bulks.Add(1)
		// The library decodes no repetitions: INTEGER non-repeaters 0, INTEGER
		// max-repetitions, then the variables.
		if !bytes.Contains(p, []byte{2, 1, 0, 2, 1, 10, 0x30}) {
			t.Errorf("a GETBULK with other repetitions than ten: % x", p)
		}
		return false
	}})
	for version := 1; version <= 2; version++ {
		cfg := c.SNMP(version)
		cfg.Address = relay.Addr
		if m := poll(t, newSource(t, cfg)); m.Source != shutdown.FromBattery {
			t.Errorf("v%d: %+v", version, m)
		}
	}
	if bulks.Load() < 4 {
		t.Errorf("%d GETBULK requests for 40 rows", bulks.Load())
	}
}

// Aim: a card that has lost its UPS serves old values: that is silence, not
// good news. Method: the alarm for it.
func TestCardWithoutItsUPS(t *testing.T) {
	state := peertest.DefaultUPS()
	state.Alarms[9] = "upsAlarmCommunicationsLost"
	c := peertest.StartSNMPD(t, state)
	if m, err := newSource(t, c.SNMP(2)).Poll(t.Context()); err == nil || m != shutdown.Nothing {
		t.Errorf("%+v, %v", m, err)
	}
}

// counter counts the requests that pass a relay.
func counter(relay *peertest.Relay, p peertest.Path) *atomic.Int32 {
	var n atomic.Int32
	p.Drop = func(reply bool, _ []byte) bool {
		if !reply {
			n.Add(1)
		}
		return false
	}
	relay.Set(p)
	return &n
}

// Aim: missing objects are unread in every version, without an error, and the
// card is not asked for them each time; what comes back later is found again.
// Method: a card without seven objects; the requests of the second poll are
// counted; then the objects appear.
func TestMissingObjects(t *testing.T) {
	missing := []string{"upsEstimatedMinutesRemaining", "upsEstimatedChargeRemaining", "upsBatteryTemperature", "upsBatteryVoltage",
		"upsOutputPower", "upsConfigOutputPower", "upsSecondsOnBattery"}
	want := normal
	want.RuntimeSeconds, want.ChargeTenths, want.TemperatureTenthsC, want.Millivolts, want.OnBatterySecs = shutdown.Unread, shutdown.Unread, shutdown.Unread, shutdown.Unread, shutdown.Unread
	want.LoadWatts = 459 // 17 % of the policy's 2700 W
	for version := 1; version <= 3; version++ {
		state := peertest.DefaultUPS()
		state.Missing = missing
		c := peertest.StartSNMPD(t, state)
		relay := peertest.StartRelay(t, c.Addr, 1)
		requests := counter(relay, peertest.Path{})
		cfg := c.SNMP(version)
		cfg.Address = relay.Addr
		s := newSource(t, cfg)
		if m := poll(t, s); m != want {
			t.Errorf("v%d, first poll: %+v", version, m)
		}
		first := requests.Swap(0)
		if m := poll(t, s); m != want {
			t.Errorf("v%d, second poll: %+v", version, m)
		}
		if n := requests.Load(); n != 1 {
			t.Errorf("v%d: %d requests in the second poll, %d in the first", version, n, first)
		}
		c.Set(func(s *peertest.UPSState) { s.Missing = nil })
		s.relearn = time.Now()
		poll(t, s)
		if m := poll(t, s); m != normal {
			t.Errorf("v%d, all there: %+v", version, m)
		}
	}
}

// Aim: what the policy declares missing is neither asked nor believed, and its
// scale applies. Method: a card in tenths of volts with a stuck source.
func TestPolicyOverrides(t *testing.T) {
	state := peertest.DefaultUPS()
	state.Numbers["upsOutputSource"], state.Numbers["upsInputVoltage.1"], state.Numbers["upsOutputPower.1"] = 5, 2312, 45
	state.Alarms[1] = "upsAlarmOnBattery"
	c := peertest.StartSNMPD(t, state)
	cfg := c.SNMP(2)
	cfg.Missing = []string{"upsAlarmDescr", "upsOutputSource"}
	cfg.Scale = map[string]float64{"upsInputVoltage": 0.1, "upsOutputPower": 10}
	m := poll(t, newSource(t, cfg))
	if m.Source != 0 || m.InputDecivolts != 2312 || m.Input != shutdown.LineGood || m.LoadWatts != 450 {
		t.Errorf("%+v", m)
	}
}

// Aim: a path that loses, doubles and reorders packets costs polls, never the
// truth. Method: 30 polls through 20 % loss each way, doubles and overtaking;
// every answer must be the whole truth, and most must come. With four tries a
// poll fails by chance with 0.36^4 = 2 %, so more than ten of 30 do not.
func TestLossyPath(t *testing.T) {
	c := peertest.StartSNMPD(t, peertest.DefaultUPS())
	for version := 2; version <= 3; version++ {
		relay := peertest.StartRelay(t, c.Addr, uint64(version))
		relay.Set(peertest.Path{Loss: 0.2, Duplicate: 0.3, Jitter: 20 * time.Millisecond})
		cfg := c.SNMP(version)
		cfg.Address, cfg.Timeout = relay.Addr, 2*time.Second
		s := newSource(t, cfg)
		failed := 0
		for range 30 {
			m, err := s.Poll(t.Context())
			if err != nil {
				failed++
				continue
			}
			m.LowSeconds = normal.LowSeconds // read with the ratings, which may be lost for a while
			if m != normal {
				t.Fatalf("v%d: %+v", version, m)
			}
		}
		if failed > 10 {
			t.Errorf("v%d: %d of 30 polls failed", version, failed)
		}
	}
}

// Aim: a card that answers late is not asked over and over for the same. Method:
// a path of 1.2 s and a timeout of 4 s: the first poll repeats its request and
// takes the first answer, then one request does. A machine that is busy makes
// some answers later still: one such poll of ten is enough, since without that
// care there is none.
func TestSlowCard(t *testing.T) {
	c := peertest.StartSNMPD(t, peertest.DefaultUPS())
	relay := peertest.StartRelay(t, c.Addr, 1)
	requests := counter(relay, peertest.Path{Delay: 600 * time.Millisecond})
	cfg := c.SNMP(2)
	cfg.Address, cfg.Timeout = relay.Addr, 4*time.Second
	s := newSource(t, cfg)
	poll(t, s)
	if requests.Swap(0) < 2 {
		t.Error("the first request was not repeated: the test tests nothing")
	}
	for try := 1; ; try++ {
		poll(t, s)
		n := requests.Swap(0)
		if n == 1 {
			return
		}
		if try == 10 {
			t.Fatalf("%d requests in poll %d, and never one", n, 1+try)
		}
	}
}

// Aim: a v1 card so slow that what it lacks is not found out within one poll is
// known after a few. Method: seven missing objects behind 200 ms, and a timeout
// that leaves room for eight requests. A busy machine adds its own delay to each:
// while that keeps anything from being learned, card and timeout become slower.
func TestSlowV1Card(t *testing.T) {
	state := peertest.DefaultUPS()
	state.Missing = []string{"upsSecondsOnBattery", "upsEstimatedMinutesRemaining", "upsEstimatedChargeRemaining", "upsBatteryTemperature", "upsBatteryVoltage", "upsOutputPower", "upsTestResultsSummary"}
	c := peertest.StartSNMPD(t, state)
	relay := peertest.StartRelay(t, c.Addr, 1)
	cfg := c.SNMP(1)
	cfg.Address = relay.Addr
	s := newSource(t, cfg)
	delay := 100 * time.Millisecond
	for n := range 60 {
		relay.Set(peertest.Path{Delay: delay})
		s.cfg.Timeout = 17 * delay
		known := s.absent
		m, err := s.Poll(t.Context())
		switch {
		case err == nil && n == 0:
			t.Fatal("the first poll succeeds: the test tests nothing")
		case err == nil:
			if m.Source != shutdown.FromInput || m.LoadWatts != 459 {
				t.Errorf("%+v", m)
			}
			return
		case n > 0 && s.absent == known:
			delay = min(2*delay, 2*time.Second)
		}
	}
	t.Error("60 polls were not enough")
}

// Aim: a poll ends by its deadline when the peer hangs, floods or answers
// nonsense, and the next poll of a card that recovered succeeds. Method: a
// stopped snmpd; for floods a stand-in on a bare socket, since no real agent
// does that. A poll that does not end fails the test by the test's own timeout.
func TestDeadline(t *testing.T) {
	for version := 1; version <= 3; version++ {
		c := peertest.StartSNMPD(t, peertest.DefaultUPS())
		s := newSource(t, c.SNMP(version))
		poll(t, s)
		c.Hang()
		s.cfg.Timeout = 300 * time.Millisecond
		for range 3 {
			if m, err := s.Poll(t.Context()); err == nil || m != shutdown.Nothing || !strings.Contains(err.Error(), "no answer") {
				t.Errorf("v%d, hung: %+v, %v", version, m, err)
			}
		}
		c.Resume()
		for s.cfg.Timeout = time.Minute; ; { // it answers what is queued first
			if m := poll(t, s); m == normal {
				break
			}
		}
	}
	// Each answer carries another request's identifier, so it is passed over.
	other, _ := (&gosnmp.GoSNMP{Version: gosnmp.Version2c, Community: "read-test"}).SnmpEncodePacket(gosnmp.GetResponse,
		[]gosnmp.SnmpPDU{{Name: objects[0].oid, Type: gosnmp.Integer, Value: 3}}, 0, 0)
	for name, answer := range map[string][]byte{"flood of strange answers": other, "flood of garbage": []byte("\x30\x84\xff\xff\xff\xff garbage"), "flood of empty packets": {}} {
		for version := 1; version <= 3; version++ {
			s := newSource(t, policy.SNMP{Address: flood(t, answer), Version: version, User: "u", Timeout: 300 * time.Millisecond})
			if m, err := s.Poll(t.Context()); err == nil || m != shutdown.Nothing {
				t.Errorf("v%d, %s: %+v, %v", version, name, m, err)
			}
		}
	}
}

// flood answers every packet with the same answer for ever.
func flood(t *testing.T, answer []byte) string {
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	var running sync.WaitGroup
	running.Go(func() {
		_, to, err := conn.ReadFromUDPAddrPort(make([]byte, 65536))
		for err == nil {
			_, err = conn.WriteToUDPAddrPort(answer, to)
			if errors.Is(err, net.ErrClosed) {
				return
			}
			conn.SetReadDeadline(time.Now().Add(50 * time.Microsecond)) // a newer socket of the client
			if _, newer, e := conn.ReadFromUDPAddrPort(make([]byte, 65536)); e == nil {
				to = newer
			}
			err = nil
		}
	})
	t.Cleanup(func() { conn.Close(); running.Wait() })
	return conn.LocalAddr().String()
}

// Aim: a peer whose every answer fails at once is not asked in a tight loop.
// Method: a stand-in that answers garbage and counts: in two seconds there is
// room for 21 attempts of four tries.
func TestPacing(t *testing.T) {
	peer, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var requests atomic.Int32
	go func() {
		for {
			_, from, err := peer.ReadFrom(make([]byte, 2000))
			if err != nil {
				return
			}
			requests.Add(1)
			peer.WriteTo([]byte("garbage"), from)
		}
	}()
	defer peer.Close()
	s := newSource(t, policy.SNMP{Address: peer.LocalAddr().String(), Version: 2, Timeout: 2 * time.Second})
	if _, err := s.Poll(t.Context()); err == nil {
		t.Error("garbage was understood")
	}
	if n := requests.Load(); n < 4 || n > 84 {
		t.Errorf("%d requests", n)
	}
}

// Aim: a cancelled poll ends at once. Method: a silent socket and a timeout of
// an hour; the poll is cancelled when its first packet has come.
func TestCancel(t *testing.T) {
	silent, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	for version := 1; version <= 3; version++ {
		s := newSource(t, policy.SNMP{Address: silent.LocalAddr().String(), Version: version, User: "u", Timeout: time.Hour})
		ctx, cancel := context.WithCancel(t.Context())
		go func() {
			silent.ReadFrom(make([]byte, 2000))
			cancel()
		}()
		if _, err := s.Poll(ctx); !errors.Is(err, context.Canceled) {
			t.Errorf("v%d: %v", version, err)
		}
	}
}

// Aim: a closed port, which the system tells within microseconds, does not use
// up the poll: it goes on until its deadline. Method: the card starts while the
// poll runs; that same poll succeeds.
func TestClosedPort(t *testing.T) {
	for version := 1; version <= 3; version++ {
		c := peertest.StartSNMPD(t, peertest.DefaultUPS())
		c.Stop()
		cfg := c.SNMP(version)
		cfg.Timeout = time.Second
		if _, err := newSource(t, cfg).Poll(t.Context()); err == nil || !strings.Contains(err.Error(), "no SNMP agent listens there") {
			t.Errorf("v%d, closed: %v", version, err)
		}
		cfg.Timeout = time.Minute
		s := newSource(t, cfg)
		done := make(chan error)
		go func() { _, err := s.Poll(t.Context()); done <- err }()
		c.Start()
		if err := <-done; err != nil {
			t.Errorf("v%d: %v", version, err)
		}
	}
}

// Aim: a card that restarted (same engine ID, one boot more) costs no poll.
// Method: one poll before, one after.
func TestRestart(t *testing.T) {
	for version := 2; version <= 3; version++ {
		c := peertest.StartSNMPD(t, peertest.DefaultUPS())
		s := newSource(t, c.SNMP(version))
		poll(t, s)
		c.Restart()
		if m := poll(t, s); m != normal {
			t.Errorf("v%d: %+v", version, m)
		}
	}
}

// Aim: a replaced card (new engine ID) costs no poll either. Method: one poll
// before, one after.
func TestReplace(t *testing.T) {
	c := peertest.StartSNMPD(t, peertest.DefaultUPS())
	s := newSource(t, c.SNMP(3))
	poll(t, s)
	c.Replace()
	if m := poll(t, s); m != normal {
		t.Errorf("%+v", m)
	}
}

// Aim: wrong credentials give an error that says what to look at and shows no
// secret. Method: one thing wrong at a time, against a real card.
func TestWrongCredentials(t *testing.T) {
	c := peertest.StartSNMPD(t, peertest.DefaultUPS())
	secret := func(name policy.Secret) ([]byte, error) {
		if value, err := peertest.Secret(name); err == nil {
			return value, nil
		}
		return []byte("wrong-secret-" + string(name)), nil
	}
	for _, k := range []struct {
		name string
		cfg  policy.SNMP
		want string
	}{
		{"community", policy.SNMP{Version: 2, Community: "x"}, "a wrong community"},
		{"user", policy.SNMP{Version: 3, User: "nobody", Auth: "SHA256", AuthKey: "x"}, `does not know the user "nobody"`},
		{"user without a key", policy.SNMP{Version: 3, User: "nobody"}, `does not know the user "nobody"`},
		{"authentication key", policy.SNMP{Version: 3, User: "sha256-aes", Auth: "SHA256", AuthKey: "x", Priv: "AES", PrivKey: peertest.PrivKey}, "auth_key or auth is not"},
		{"authentication protocol", policy.SNMP{Version: 3, User: "sha256-aes", Auth: "SHA", AuthKey: peertest.AuthKey}, "auth_key or auth is not"},
		{"privacy key", policy.SNMP{Version: 3, User: "sha256-aes", Auth: "SHA256", AuthKey: peertest.AuthKey, Priv: "AES", PrivKey: "x"}, "priv_key or priv is not"},
		{"privacy protocol", policy.SNMP{Version: 3, User: "sha256-aes", Auth: "SHA256", AuthKey: peertest.AuthKey, Priv: "DES", PrivKey: peertest.PrivKey}, "priv_key or priv is not"},
		{"more than the user has", policy.SNMP{Version: 3, User: "sha256-", Auth: "SHA256", AuthKey: peertest.AuthKey, Priv: "AES", PrivKey: peertest.PrivKey}, "this level of security"},
		{"level", policy.SNMP{Version: 3, User: "sha256-aes"}, "the view of this user"},
	} {
		k.cfg.Address, k.cfg.Timeout = c.Addr, 2*time.Second
		s, err := New(k.cfg, secret, rated)
		if err != nil {
			t.Fatal(err)
		}
		_, err = s.Poll(t.Context())
		if err == nil || !strings.Contains(err.Error(), k.want) || !strings.HasPrefix(err.Error(), c.Addr) || strings.Contains(err.Error(), "wrong-") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", k.name, err)
		}
	}
}

// Aim: a policy that cannot work is refused with what to write instead, and a
// secret that cannot be read is named, not shown. Method: one fault at a time.
func TestNewRefuses(t *testing.T) {
	secret := func(name policy.Secret) ([]byte, error) {
		if name == "short" {
			return []byte("seven77"), nil
		}
		return nil, errors.New("no such file")
	}
	for _, k := range []struct {
		cfg  policy.SNMP
		want string
	}{
		{policy.SNMP{Version: 2}, "address"},
		{policy.SNMP{Address: "192.0.2.1:snmp", Version: 2}, `port "snmp"`},
		{policy.SNMP{Address: "192.0.2.1", Version: 4}, "write 1, 2 or 3"},
		{policy.SNMP{Address: "192.0.2.1", Version: 3}, "user"},
		{policy.SNMP{Address: "192.0.2.1", Version: 3, User: "u", Auth: "SHA3"}, "SHA256"},
		{policy.SNMP{Address: "192.0.2.1", Version: 3, User: "u", Auth: "SHA", Priv: "3DES", AuthKey: "a"}, "AES"},
		{policy.SNMP{Address: "192.0.2.1", Version: 3, User: "u", Priv: "AES", PrivKey: "a"}, "auth_key"},
		{policy.SNMP{Address: "192.0.2.1", Version: 3, User: "u", Auth: "SHA", AuthKey: "short"}, "at least 8 characters"},
		{policy.SNMP{Address: "192.0.2.1", Version: 2, Community: "away"}, `secret "away": no such file`},
	} {
		if _, err := New(k.cfg, secret, rated); err == nil || !strings.Contains(err.Error(), k.want) || strings.Contains(err.Error(), "seven77") {
			t.Errorf("%+v: %v", k.cfg, err)
		}
	}
}

// Aim: an agent that answers and is no UPS is an error, and not a UPS without
// figures. Method: snmpd without an object of the subtree.
func TestNoUPSThere(t *testing.T) {
	c := peertest.StartSNMPD(t, peertest.DefaultUPS())
	c.Set(func(s *peertest.UPSState) { s.Numbers, s.Missing = nil, []string{"upsAlarmsPresent"} })
	for version := 1; version <= 3; version++ {
		s := newSource(t, c.SNMP(version))
		for range 2 {
			if _, err := s.Poll(t.Context()); err == nil || !strings.Contains(err.Error(), "check that it is a UPS") {
				t.Errorf("v%d: %v", version, err)
			}
		}
	}
}

// Aim: sources share nothing, also when made of one policy with one v3 user.
// Method: eight at once on one card, under the race detector.
func TestPollsSideBySide(t *testing.T) {
	c := peertest.StartSNMPD(t, peertest.DefaultUPS())
	cfg := c.SNMP(3)
	cfg.Timeout = time.Minute
	var all sync.WaitGroup
	for range 8 {
		s := newSource(t, cfg)
		all.Go(func() {
			for range 10 {
				if m, err := s.Poll(t.Context()); err != nil || m != normal {
					t.Errorf("%+v, %v", m, err)
				}
			}
		})
	}
	all.Wait()
}

// Aim: a SET is sent once, though its answer is lost. Method: a path that loses
// all answers; the card's own list of what it got.
func TestSetOnce(t *testing.T) {
	c := peertest.StartSNMPD(t, peertest.DefaultUPS())
	relay := peertest.StartRelay(t, c.Addr, 1)
	for version := 1; version <= 3; version++ {
		relay.Set(peertest.Path{})
		cfg := c.SNMP(version)
		cfg.Address, cfg.Timeout = relay.Addr, 3*time.Second
		client, err := NewClient(cfg, Writing, peertest.Secret)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := client.Get(t.Context(), []string{shutdownAfterDelay}); err != nil { // v3: discovery is behind us
			t.Fatal(err)
		}
		relay.Set(peertest.Path{Drop: func(reply bool, _ []byte) bool { return reply }})
		err = client.Set(t.Context(), Setting{shutdownAfterDelay, Int(90)})
		if refused := (*RefusedError)(nil); err == nil || errors.As(err, &refused) {
			t.Errorf("v%d: %v", version, err)
		}
		if n := len(c.Sets()); n != version {
			t.Errorf("v%d: the card got %d SETs in all", version, n)
		}
	}
}

// Aim: a refusal of a SET is an error with its reason, though the library says
// nil. Method: each of the card's refusals.
func TestRefusedSet(t *testing.T) {
	state := peertest.DefaultUPS()
	state.ReadOnly = []string{"upsAutoRestart"}
	c := peertest.StartSNMPD(t, state)
	for version, want := range map[int]gosnmp.SNMPError{1: gosnmp.NoSuchName, 2: gosnmp.NotWritable, 3: gosnmp.NotWritable} {
		client, err := NewClient(c.SNMP(version), Writing, peertest.Secret)
		if err != nil {
			t.Fatal(err)
		}
		var refused *RefusedError
		if err := client.Set(t.Context(), Setting{autoRestart, Int(1)}); !errors.As(err, &refused) || refused.Status != want {
			t.Errorf("v%d: %v", version, err)
		}
	}
}

// Aim: no error that is shown carries the library's stack dump. Method: an
// error of the form that its recover makes.
func TestErrorsAreOneLine(t *testing.T) {
	err := brief{fmt.Errorf("recover: %v Stack:%v", "index out of range", "goroutine 7 [running]:\nmain.main()")}
	if want := "recover: index out of range"; err.Error() != want {
		t.Errorf("%q, not %q", err, want)
	}
}

// Aim: a name server that is away takes no card with it. Method: a name that
// resolves once; then the address holds although the lookup fails.
func TestAddressIsKept(t *testing.T) {
	c, err := NewClient(policy.SNMP{Address: "localhost:10161", Version: 2}, Reading, peertest.Secret)
	if err != nil {
		t.Fatal(err)
	}
	first, err := c.resolve(t.Context())
	if err != nil || !first.IsLoopback() {
		t.Fatal(first, err)
	}
	c.host = "name.invalid" // RFC 6761: never resolves
	for c.misses = range 25 {
		if addr, err := c.resolve(t.Context()); err != nil || addr != first {
			t.Fatal(addr, err)
		}
	}
}
