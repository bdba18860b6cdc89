package peertest

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

func TestMain(m *testing.M) { Main(m) }

// netSNMP runs one of net-snmp's tools against a card, so that the card is
// judged by another client than the one it serves to test.
func netSNMP(t *testing.T, c *Card, tool string, args ...string) (string, error) {
	t.Helper()
	cmd := exec.Command(tool, append([]string{"-t", "2", "-r", "1", "-On", "-Oe"}, args...)...)
	cmd.Env = append(os.Environ(), "MIBS=", "SNMP_PERSISTENT_DIR="+t.TempDir())
	for i, a := range cmd.Args {
		if a == "CARD" {
			cmd.Args[i] = c.Addr
		}
	}
	out, err := cmd.Output()
	if failed, ok := err.(*exec.ExitError); ok {
		out = append(out, failed.Stderr...)
	}
	return strings.TrimSpace(string(out)), err
}

const ups = ".1.3.6.1.2.1.33.1."

// Aim: the card answers in every version and with every pair of protocols that
// it claims. Method: net-snmp's snmpget reads one object with each.
func TestCardAnswersEveryVersion(t *testing.T) {
	c := StartSNMPD(t, DefaultUPS())
	want := ups + "4.1.0 = INTEGER: 3"
	for _, v := range []string{"1", "2c"} {
		if out, err := netSNMP(t, c, "snmpget", "-v"+v, "-c", "read-test", "CARD", ups+"4.1.0"); err != nil || out != want {
			t.Errorf("v%s: %q, %v", v, out, err)
		}
	}
	for _, u := range cardUsers {
		auth := strings.TrimSuffix(strings.Replace(u[0], "SHA", "SHA-", 1), "-")
		args := []string{"-v3", "-u", cardUser(u[0], u[1]), "-a", auth, "-A", "authpass-test", "-l", "authNoPriv"}
		if u[1] != "" {
			args = append(args, "-x", strings.Replace(strings.Replace(u[1], "AES1", "AES-1", 1), "AES2", "AES-2", 1), "-X", "privpass-test", "-l", "authPriv")
		}
		if out, err := netSNMP(t, c, "snmpget", append(args, "CARD", ups+"4.1.0")...); err != nil || out != want {
			t.Errorf("%v: %q, %v", u, out, err)
		}
	}
}

// Aim: the whole subtree is served in order, tables and sparse alarm rows too,
// and a missing object is missing. Method: net-snmp's snmpbulkwalk, which stops
// with an error at the first object out of order; counted against the state.
func TestCardServesTheTable(t *testing.T) {
	c := StartSNMPD(t, DefaultUPS())
	c.Set(func(s *UPSState) {
		s.Alarms = map[int]string{7: "upsAlarmOnBattery", 4000000: "upsAlarmInputBad"}
		s.Missing = []string{"upsOutputPower"}
	})
	out, err := netSNMP(t, c, "snmpbulkwalk", "-v2c", "-c", "read-test", "CARD", ".1.3.6.1.2.1.33")
	if err != nil {
		t.Fatal(err, out)
	}
	s := DefaultUPS()
	// upsAlarmsPresent, and two rows of two columns, come on top; one cell is missing.
	if got, want := len(strings.Split(out, "\n")), len(s.Numbers)+len(s.Texts)+1+4-1; got != want {
		t.Errorf("%d lines, not %d:\n%s", got, want, out)
	}
	for _, line := range []string{
		ups + "6.2.1.2.7 = OID: " + ups + "6.3.2", ups + "6.2.1.2.4000000 = OID: " + ups + "6.3.6",
		ups + "6.1.0 = Gauge32: 2", ups + "3.1.0 = Counter32: 0", ups + `1.1.0 = STRING: "Example Power"`,
	} {
		if !strings.Contains(out, line) {
			t.Errorf("not served: %s", line)
		}
	}
	if strings.Contains(out, ups+"4.4.1.4") {
		t.Error("a missing column is served")
	}
}

// Aim: a countdown runs, ends by switching the output off, and the card's odd
// habits are as asked for. Method: net-snmp's snmpset and snmpget.
func TestCardCountdownAndHabits(t *testing.T) {
	c := StartSNMPD(t, DefaultUPS())
	set := func(object string, n int) string {
		out, err := netSNMP(t, c, "snmpset", "-v2c", "-c", "write-test", "CARD", ups+object, "i", fmt.Sprint(n))
		if err != nil && !strings.Contains(out, "notWritable") && !strings.Contains(out, "wrongValue") {
			t.Fatal(out, err)
		}
		return out
	}
	get := func(object string) string {
		out, err := netSNMP(t, c, "snmpget", "-v2c", "-c", "read-test", "CARD", ups+object)
		if err != nil {
			t.Fatal(out, err)
		}
		_, value, _ := strings.Cut(out, ": ")
		return value
	}
	set("8.2.0", 1)
	for end := time.Now().Add(time.Minute); get("4.1.0") != "2"; time.Sleep(100 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the output is still on after the countdown")
		}
	}
	set("8.3.0", 0)
	if get("4.1.0") != "3" {
		t.Error("an immediate start leaves the output off")
	}
	c.Set(func(s *UPSState) { s.StepSeconds = 60 })
	set("8.2.0", 61)
	if v := get("8.2.0"); v != "120" && !strings.HasPrefix(v, "11") && !strings.HasPrefix(v, "10") { // it counts down
		t.Errorf("minute card reads %s after 61", v)
	}
	set("8.2.0", -1)
	if v := get("8.2.0"); v != "-1" {
		t.Errorf("after an abort: %s", v)
	}
	c.Set(func(s *UPSState) {
		s.ReadOnly, s.BadValue, s.Ignored = []string{"upsAutoRestart"}, []string{"upsShutdownType"}, []string{"upsShutdownAfterDelay"}
	})
	if out := set("8.5.0", 1); !strings.Contains(out, "notWritable") {
		t.Errorf("read-only: %s", out)
	}
	if out := set("8.1.0", 2); !strings.Contains(out, "wrongValue") {
		t.Errorf("bad value: %s", out)
	}
	if set("8.2.0", 90); get("8.2.0") != "-1" {
		t.Error("an ignored SET took effect")
	}
	var results []string
	for _, s := range c.Sets() {
		results = append(results, s.Object+"="+s.Value+" "+s.Result)
	}
	want := "upsShutdownAfterDelay=1 DONE,upsStartupAfterDelay=0 DONE,upsShutdownAfterDelay=61 DONE,upsShutdownAfterDelay=-1 DONE," +
		"upsAutoRestart=1 not-writable,upsShutdownType=2 wrong-value,upsShutdownAfterDelay=90 DONE"
	if got := strings.Join(results, ","); got != want {
		t.Errorf("the card saw %s", got)
	}
}

// Aim: a live UPS empties, says so, switches off, and comes back with the input
// as its auto restart says. Method: 2700 watt-seconds at 450 W; what it reports
// is read with net-snmp until it is off.
func TestCardDischarges(t *testing.T) {
	s := DefaultUPS()
	s.Numbers["upsAutoRestart"] = 1
	s.Battery = &Battery{Full: 2700, Left: 2700, ChargeWatts: 100}
	c := StartSNMPD(t, s)
	read := func() string {
		out, err := netSNMP(t, c, "snmpget", "-v2c", "-c", "read-test", "-Ov", "CARD", ups+"4.1.0", ups+"2.1.0", ups+"2.4.0", ups+"3.3.1.3.1", ups+"6.1.0")
		if err != nil {
			t.Fatal(out, err)
		}
		return strings.ReplaceAll(strings.NewReplacer("INTEGER: ", "", "Gauge32: ", "").Replace(out), "\n", " ")
	}
	if got := read(); got != "3 3 100 230 0" { // 6 s at this load is below the 5 minutes of "low"
		t.Fatalf("plugged in: %s", got)
	}
	c.Unplug()
	if got := read(); !strings.HasPrefix(got, "5 3 ") || !strings.HasSuffix(got, " 0 2") {
		t.Fatalf("unplugged: %s", got)
	}
	for end := time.Now().Add(2 * time.Minute); !strings.HasPrefix(read(), "2 4 0 0"); time.Sleep(100 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("never empty: %s", read())
		}
	}
	c.PlugIn()
	if got := read(); !strings.HasPrefix(got, "3 ") {
		t.Fatalf("input back: %s", got)
	}
}

// Aim: a restart keeps the engine ID and counts a boot, a replacement has a new
// engine ID, a stopped card's port is closed, a hung one is silent. Method: the
// engine's own objects (RFC 3411) by snmpget; the bare socket.
func TestCardLives(t *testing.T) {
	c := StartSNMPD(t, DefaultUPS())
	engine := func() (id, boots string, ok bool) {
		out, err := netSNMP(t, c, "snmpget", "-v2c", "-c", "read-test", "-Ov", "CARD", ".1.3.6.1.6.3.10.2.1.1.0", ".1.3.6.1.6.3.10.2.1.2.0")
		if err != nil {
			t.Fatal(out, err)
		}
		return strings.Cut(out, "INTEGER: ")
	}
	id, boots, _ := engine()
	c.Restart()
	if id2, boots2, _ := engine(); id2 != id || boots != "1" || boots2 != "2" {
		t.Errorf("restart: %s %s, then %s %s", id, boots, id2, boots2)
	}
	c.Replace()
	if id2, boots2, _ := engine(); id2 == id || boots2 != "1" {
		t.Errorf("replacement: %s, then %s %s", id, id2, boots2)
	}
	send := func() error {
		conn, err := net.Dial("udp", c.Addr)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		conn.SetDeadline(time.Now().Add(300 * time.Millisecond))
		conn.Write([]byte("\x30\x26\x02\x01\x01\x04\x09read-test\xa0\x16\x02\x01\x01\x02\x01\x00\x02\x01\x00\x30\x0b\x30\x09\x06\x05\x2b\x06\x01\x02\x01\x05\x00"))
		_, err = conn.Read(make([]byte, 100))
		return err
	}
	c.Hang()
	if err := send(); !os.IsTimeout(err) {
		t.Errorf("hung: %v", err)
	}
	c.Resume()
	c.Stop()
	if err := send(); err == nil || os.IsTimeout(err) {
		t.Errorf("stopped: %v", err)
	}
}

// Aim: the relay loses, doubles and filters as told. Method: an echo server
// behind it, 60 packets, so that no socket buffer overflows.
func TestRelay(t *testing.T) {
	echo, err := net.ListenPacket("udp4", "127.0.0.1:0")
	must(t, err)
	defer echo.Close()
	go func() {
		buf := make([]byte, 100)
		for {
			n, from, err := echo.ReadFrom(buf)
			if err != nil {
				return
			}
			echo.WriteTo(buf[:n], from)
		}
	}()
	r := StartRelay(t, echo.LocalAddr().String(), 7)
	count := func(p Path) int {
		r.Set(p)
		conn, err := net.Dial("udp4", r.Addr)
		must(t, err)
		defer conn.Close()
		for i := range 60 {
			conn.Write([]byte{byte(i)})
		}
		got := 0
		for {
			conn.SetReadDeadline(time.Now().Add(1500 * time.Millisecond))
			if _, err := conn.Read(make([]byte, 100)); err != nil {
				return got
			}
			got++
		}
	}
	if n := count(Path{}); n != 60 {
		t.Errorf("a clear path passed %d of 60", n)
	}
	if n := count(Path{Loss: 0.5}); n < 1 || n > 30 { // 15 expected, standard deviation 3.4
		t.Errorf("half lost each way passed %d of 60", n)
	}
	if n := count(Path{Duplicate: 1}); n != 240 {
		t.Errorf("all doubled each way passed %d", n)
	}
	if n := count(Path{Down: true}); n != 0 {
		t.Errorf("a path that is down passed %d", n)
	}
	if n := count(Path{Drop: func(reply bool, p []byte) bool { return reply && p[0] >= 40 }}); n != 40 {
		t.Errorf("replies from 40 on dropped: %d passed", n)
	}
}
