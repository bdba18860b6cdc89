package peertest

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/gosnmp/gosnmp"

	"ebbline/policy"
)

// Names of the secrets of every [Card]; [Secret] gives their values.
const (
	ReadCommunity  = policy.Secret("card-read")
	WriteCommunity = policy.Secret("card-write")
	AuthKey        = policy.Secret("card-auth")
	PrivKey        = policy.Secret("card-priv")
)

// Secret gives the values of the cards' secrets.
func Secret(name policy.Secret) ([]byte, error) {
	value, ok := map[policy.Secret]string{
		ReadCommunity: "read-test", WriteCommunity: "write-test", AuthKey: "authpass-test", PrivKey: "privpass-test",
	}[name]
	if !ok {
		return nil, fmt.Errorf("no secret %q in the test card", name)
	}
	return []byte(value), nil
}

// cardUsers are the v3 users, one for each pair of protocols that snmpd 5.9
// offers; the user's name is the pair in lower case.
var cardUsers = [][2]string{
	{"SHA256", "AES"}, {"SHA", "DES"}, {"MD5", "DES"}, {"SHA", "AES"}, {"SHA512", "AES256"}, {"SHA224", "AES192"}, {"SHA384", "AES"}, {"SHA256", ""},
}

func cardUser(auth, priv string) string { return strings.ToLower(auth + "-" + priv) }

// Card is net-snmp's snmpd with a scripted UPS behind it, as a management card
// that speaks RFC 1628 over SNMP v1, v2c and v3.
type Card struct {
	Addr string // "127.0.0.1:port"

	t    testing.TB
	dir  string
	mib  string
	rack *Rack // on whose segment it stands; nil: on loopback
	cmd  *exec.Cmd
	end  chan struct{} // closed when snmpd has ended

	mu    sync.Mutex
	state UPSState
}

// DefaultUPS is a UPS of 2700 W in normal mode that carries 450 W.
func DefaultUPS() UPSState {
	return UPSState{
		Numbers: map[string]int64{
			"upsBatteryStatus": 2, "upsSecondsOnBattery": 0, "upsEstimatedMinutesRemaining": 42, "upsEstimatedChargeRemaining": 100,
			"upsBatteryVoltage": 819, "upsBatteryCurrent": 0, "upsBatteryTemperature": 24,
			"upsInputLineBads": 0, "upsInputNumLines": 1, "upsInputFrequency.1": 500, "upsInputVoltage.1": 230, "upsInputCurrent.1": 21, "upsInputTruePower.1": 480,
			"upsOutputSource": 3, "upsOutputFrequency": 500, "upsOutputNumLines": 1, "upsOutputVoltage.1": 230, "upsOutputCurrent.1": 20,
			"upsOutputPower.1": 450, "upsOutputPercentLoad.1": 17,
			"upsTestSpinLock": 1, "upsTestResultsSummary": 6, "upsTestStartTime": 0, "upsTestElapsedTime": 0,
			"upsShutdownType": 1, "upsShutdownAfterDelay": -1, "upsStartupAfterDelay": -1, "upsRebootWithDuration": -1, "upsAutoRestart": 2,
			"upsConfigInputVoltage": 230, "upsConfigInputFreq": 500, "upsConfigOutputVoltage": 230, "upsConfigOutputFreq": 500,
			"upsConfigOutputVA": 3000, "upsConfigOutputPower": 2700, "upsConfigLowBattTime": 5, "upsConfigAudibleStatus": 2,
			"upsConfigLowVoltageTransferPoint": 184, "upsConfigHighVoltageTransferPoint": 265,
		},
		Texts: map[string]string{
			"upsIdentManufacturer": "Example Power", "upsIdentModel": "Scripted 3000", "upsIdentUPSSoftwareVersion": "1.0",
			"upsIdentAgentSoftwareVersion": "2.0", "upsIdentName": "rack-a", "upsIdentAttachedDevices": "",
			"upsTestId": "upsTestNoTestsInitiated", "upsTestResultsDetail": "",
		},
		Alarms: map[int]string{},
	}
}

// StartSNMPD starts a card on a free port of 127.0.0.1. It ends with the test.
func StartSNMPD(t testing.TB, state UPSState) *Card {
	t.Helper()
	return startCard(t, nil, state)
}

func startCard(t testing.TB, rack *Rack, state UPSState) *Card {
	t.Helper()
	if !hooked {
		t.Fatal("StartSNMPD needs func TestMain(m *testing.M) { peertest.Main(m) } in the package under test")
	}
	if _, err := exec.LookPath(snmpd); err != nil {
		t.Fatal("test cards need net-snmp: apt-get install snmpd snmp")
	}
	c := &Card{t: t, dir: t.TempDir(), mib: filepath.Join(ModuleRoot(t), "testdata/standards/rfc1628.csv"), rack: rack, state: state}
	c.Set(func(*UPSState) {})
	t.Cleanup(c.Stop)
	for range 5 { // another process may take the free port first
		if c.Addr = rack.cardAddr(); rack == nil {
			c.Addr = freeUDP(t)
		}
		c.configure()
		c.launch()
		if c.answers() {
			return c
		}
		c.Stop()
	}
	log, _ := os.ReadFile(filepath.Join(c.dir, "snmpd.log"))
	t.Fatalf("snmpd does not answer; its log says:\n%s", log)
	return nil
}

const snmpd = "/usr/sbin/snmpd"

// ModuleRoot is the directory of go.mod.
func ModuleRoot(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	for err == nil {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		if dir == filepath.Dir(dir) {
			break
		}
		dir = filepath.Dir(dir)
	}
	t.Fatalf("no go.mod above the working directory (%v)", err)
	return ""
}

// freeUDP gives a port that nobody has, for a peer that opens it itself, and
// again after a restart. Meanwhile others might take it: so it is none of those
// that Linux hands out by itself, which are from 32768 on.
func freeUDP(t testing.TB) string {
	t.Helper()
	for range 1000 {
		conn, err := net.ListenPacket("udp4", fmt.Sprintf("127.0.0.1:%d", 10_000+rand.IntN(22_000)))
		if err == nil {
			defer conn.Close()
			return conn.LocalAddr().String()
		}
	}
	t.Fatal("a thousand ports of 127.0.0.1 are taken")
	return ""
}

func (c *Card) configure() {
	var b strings.Builder
	from := "127.0.0.0/8"
	if c.rack != nil {
		from = c.rack.subnet + "0/24"
	}
	fmt.Fprintf(&b, "agentaddress udp:%[1]s\nrocommunity read-test %[2]s\nrwcommunity write-test %[2]s\n", c.Addr, from)
	for _, u := range cardUsers {
		name, level := cardUser(u[0], u[1]), "priv"
		auth := strings.Replace(u[0], "SHA", "SHA-", 1)
		fmt.Fprintf(&b, "createUser %s %s authpass-test", name, strings.TrimSuffix(auth, "-"))
		if u[1] == "" {
			level = "auth"
		} else {
			fmt.Fprintf(&b, " %s privpass-test", u[1])
		}
		fmt.Fprintf(&b, "\nrwuser %s %s\n", name, level)
	}
	exe, err := os.Executable()
	if err != nil {
		c.t.Fatal(err)
	}
	fmt.Fprintf(&b, "pass_persist .1.3.6.1.2.1.33 %s %s %s %s\n", exe, cardRole, c.statePath(), c.mib)
	if err := os.WriteFile(filepath.Join(c.dir, "snmpd.conf"), []byte(b.String()), 0o600); err != nil {
		c.t.Fatal(err)
	}
}

func (c *Card) statePath() string  { return filepath.Join(c.dir, "state.json") }
func (c *Card) persistent() string { return filepath.Join(c.dir, "persist") }

// launch starts snmpd. Its persistent directory keeps the engine ID and counts
// the boots.
func (c *Card) launch() {
	c.t.Helper()
	if err := os.MkdirAll(c.persistent(), 0o700); err != nil {
		c.t.Fatal(err)
	}
	// The modules left out need objects that a card has not, and cost a second.
	c.cmd = exec.Command(snmpd, "-f", "-I", "-smux,-mteTrigger,-mteTriggerConf", "-Lf", filepath.Join(c.dir, "snmpd.log"))
	c.cmd.Env = append(os.Environ(), "MIBS=", "SNMPCONFPATH="+c.dir+":"+c.persistent(), "SNMP_PERSISTENT_DIR="+c.persistent())
	c.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if c.rack != nil {
		c.rack.startInside(c.cmd, cardPlace)
	} else if err := c.cmd.Start(); err != nil {
		c.t.Fatal(err)
	}
	cmd, end := c.cmd, make(chan struct{})
	c.end = end
	go func() { cmd.Wait(); close(end) }()
}

// answers waits until the UPS behind the card answers; it is false when that
// takes too long, or snmpd has ended.
func (c *Card) answers() bool {
	host, port := c.hostPort()
	x := &gosnmp.GoSNMP{Target: host, Port: port, Version: gosnmp.Version2c, Community: "read-test", Timeout: 500 * time.Millisecond}
	if x.Connect() != nil {
		return false
	}
	defer x.Close()
	for end := time.Now().Add(startsWithin); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		select {
		case <-c.end:
			return false
		default:
		}
		if _, err := x.Get([]string{".1.3.6.1.2.1.33.1.4.1.0"}); err == nil {
			return true
		}
	}
	return false
}

func (c *Card) hostPort() (string, uint16) {
	a, err := net.ResolveUDPAddr("udp", c.Addr)
	if err != nil {
		c.t.Fatal(err)
	}
	return a.IP.String(), uint16(a.Port)
}

// SNMP is how the policy reaches the card: version 1, 2 or 3, v3 with SHA-256
// and AES.
func (c *Card) SNMP(version int) policy.SNMP {
	s := policy.SNMP{Address: c.Addr, Version: version, PollEvery: time.Second, Timeout: 10 * time.Second}
	if version == 3 {
		return c.User(s, "SHA256", "AES")
	}
	s.Community, s.WriteWith = ReadCommunity, WriteCommunity
	return s
}

// User gives s the card's v3 user with these protocols.
func (c *Card) User(s policy.SNMP, auth, priv string) policy.SNMP {
	s.User, s.Auth, s.Priv, s.AuthKey = cardUser(auth, priv), auth, priv, AuthKey
	if priv != "" {
		s.PrivKey = PrivKey
	}
	return s
}

// Set changes the UPS, in effect from the next request on.
func (c *Card) Set(change func(*UPSState)) {
	c.t.Helper()
	c.mu.Lock()
	defer c.mu.Unlock()
	change(&c.state)
	text, err := json.Marshal(c.state)
	if err == nil {
		err = os.WriteFile(c.statePath()+".new", text, 0o600)
	}
	if err == nil {
		err = os.Rename(c.statePath()+".new", c.statePath())
	}
	if err != nil {
		c.t.Fatal(err)
	}
}

// Numbers sets objects of the UPS.
func (c *Card) Numbers(values map[string]int64) {
	c.t.Helper()
	c.Set(func(s *UPSState) {
		for name, n := range values {
			s.Numbers[name] = n
		}
	})
}

// Unplug and PlugIn take the input of a UPS with a [Battery] away and give it
// back.
func (c *Card) Unplug() { c.Set(func(s *UPSState) { s.Battery.InputLost = true }) }

// PlugIn undoes Unplug.
func (c *Card) PlugIn() { c.Set(func(s *UPSState) { s.Battery.InputLost = false }) }

// Sets lists the SETs that reached the UPS, oldest first.
func (c *Card) Sets() []SetRequest {
	c.t.Helper()
	all, err := readSets(c.statePath())
	if err != nil {
		c.t.Fatal(err)
	}
	return all
}

// Hang stops the card where it stands: requests queue up, none is answered
// until Resume.
func (c *Card) Hang() { c.cmd.Process.Signal(syscall.SIGSTOP) }

// Resume undoes Hang.
func (c *Card) Resume() { c.cmd.Process.Signal(syscall.SIGCONT) }

// Stop ends the card: its port is closed. Start brings it back.
func (c *Card) Stop() {
	if c.cmd == nil {
		return
	}
	// SIGTERM lets it write its boots down; a hung one, or one that waits for
	// its UPS, is killed.
	c.cmd.Process.Signal(syscall.SIGTERM)
	select {
	case <-c.end:
	case <-time.After(3 * time.Second):
		syscall.Kill(-c.cmd.Process.Pid, syscall.SIGKILL)
		<-c.end
	}
	c.cmd = nil
}

// Start starts a stopped card: same engine ID, one boot more.
func (c *Card) Start() {
	c.t.Helper()
	c.launch()
	if !c.answers() {
		c.t.Fatal("the restarted card does not answer")
	}
}

// Restart is a card that restarts: same engine ID, one boot more, countdowns
// forgotten.
func (c *Card) Restart() {
	c.t.Helper()
	c.Stop()
	c.Start()
}

// Replace is a new card in the place of the old one, or a factory reset: a new
// engine ID.
func (c *Card) Replace() {
	c.t.Helper()
	c.Stop()
	if err := os.RemoveAll(c.persistent()); err != nil {
		c.t.Fatal(err)
	}
	c.Start()
}

// Notification is what a card tells of its own accord.
type Notification int

// The notifications of RFC 1628 by their number.
const (
	OnBattery Notification = iota + 1
	TestCompleted
	AlarmAdded
	AlarmRemoved
)

// Sender sends notifications with net-snmp's own tools.
type Sender struct {
	From      string // source address; chosen by the system when ""
	Community string // v1, v2c
	User      string // v3
	Auth      string // by net-snmp's name, "SHA-256"
	AuthKey   string
	Priv      string
	PrivKey   string
	Level     string // "authPriv" when ""
	EngineID  string // of v3 traps, "0x…"; informs discover the receiver's
	Relayed   bool   // with the ".0." that a relay makes of a v1 trap
}

// Send sends one notification in one of the forms "v1", "v2c", "v3",
// "v2c-inform" and "v3-inform". An inform that is not acknowledged is an error.
func (s Sender) Send(t testing.TB, to, form string, what Notification) error {
	t.Helper()
	const ups = ".1.3.6.1.2.1.33"
	tool, args := "snmptrap", []string{}
	version, inform := strings.CutSuffix(form, "-inform")
	if inform {
		tool, args = "snmpinform", []string{"-t", "5", "-r", "1"}
	}
	if _, err := exec.LookPath(tool); err != nil {
		t.Fatal("test senders need net-snmp: apt-get install snmp")
	}
	args = append(args, "-"+version)
	if version == "v3" {
		level := s.Level
		if level == "" {
			level = "authPriv"
		}
		args = append(args, "-u", s.User, "-l", level)
		if level != "noAuthNoPriv" {
			args = append(args, "-a", s.Auth, "-A", s.AuthKey)
		}
		if level == "authPriv" {
			args = append(args, "-x", s.Priv, "-X", s.PrivKey)
		}
		if !inform {
			args = append(args, "-e", s.EngineID)
		}
	} else {
		args = append(args, "-c", s.Community)
	}
	args = append(args, to)
	middle := ".2."
	if s.Relayed {
		middle = ".2.0."
	}
	if version == "v1" {
		args = append(args, ups+".2", "127.0.0.1", "6", fmt.Sprint(int(what)), "")
	} else {
		args = append(args, "", ups+middle+fmt.Sprint(int(what)))
	}
	switch what {
	case OnBattery:
		args = append(args, ups+".1.2.3.0", "i", "20", ups+".1.2.2.0", "i", "5", ups+".1.9.7.0", "i", "5")
	case TestCompleted:
		args = append(args, ups+".1.7.1.0", "o", ups+".1.7.7.4", ups+".1.7.3.0", "i", "1")
	default:
		args = append(args, ups+".1.6.2.1.1.1", "i", "1", ups+".1.6.2.1.2.1", "o", ups+".1.6.3.2")
	}
	dir := t.TempDir()
	if s.From != "" {
		if err := os.WriteFile(filepath.Join(dir, "snmp.conf"), []byte("clientaddr "+s.From+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command(tool, args...)
	cmd.Env = append(os.Environ(), "MIBS=", "SNMPCONFPATH="+dir, "SNMP_PERSISTENT_DIR="+dir)
	if out, err := cmd.CombinedOutput(); err != nil {
		return errors.Join(err, errors.New(strings.TrimSpace(string(out))))
	}
	return nil
}
