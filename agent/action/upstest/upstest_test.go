package upstest

import (
	"strings"
	"testing"
	"time"

	"ebbline/agent/peertest"
)

func TestMain(m *testing.M) { peertest.Main(m) }

// card is a real snmpd as a UPS whose own tests take so many seconds.
func card(t *testing.T, seconds int64, change ...func(*peertest.UPSState)) *peertest.Card {
	state := peertest.DefaultUPS()
	state.Battery = &peertest.Battery{Full: 450 * 600, Left: 450 * 600, TestSeconds: seconds}
	for _, c := range change {
		c(&state)
	}
	return peertest.StartSNMPD(t, state)
}

// Aim: a UPS's own test is started, seen to run, not started twice, and read when
// it is over; over v2c and over v3. Method: net-snmp's snmpd, whose card keeps the
// spin lock as RFC 2579's TestAndIncr says.
func TestStartAndRead(t *testing.T) {
	c := card(t, 6)
	for _, version := range []int{2, 3} {
		cfg := c.SNMP(version)
		r, err := Start(t.Context(), cfg, Quick, peertest.Secret)
		if err != nil || r.Summary != Running || r.Kind != Quick {
			t.Fatalf("v%d: started: %+v, %v", version, r, err)
		}
		if _, err := Start(t.Context(), cfg, Quick, peertest.Secret); err == nil || !strings.Contains(err.Error(), "running already") {
			t.Errorf("v%d: a second one at once: %v", version, err)
		}
		for end := time.Now().Add(time.Minute); r.Summary == Running && time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
			if r, err = Read(t.Context(), cfg, peertest.Secret); err != nil {
				t.Fatal(err)
			}
		}
		if r.Summary != Passed || r.Kind != Quick || r.Elapsed != 6*time.Second {
			t.Errorf("v%d: at its end: %+v", version, r)
		}
	}
}

// Aim: what the card says of a test can be shown on a terminal. Method: a detail
// with escape sequences and a mark of direction.
func TestDetailIsClean(t *testing.T) {
	c := card(t, 6, func(s *peertest.UPSState) {
		s.Texts["upsTestResultsDetail"] = "\x1b[2J\x1b[31mreplace\x1b[0m \u202ecell 3\x07"
		s.Numbers["upsTestResultsSummary"] = 2
	})
	for version := 1; version <= 3; version++ {
		if r, err := Read(t.Context(), c.SNMP(version), peertest.Secret); err != nil || r.Detail != "replace cell 3" {
			t.Errorf("v%d: %q, %v", version, r.Detail, err)
		}
	}
}

// Aim: a test is stopped by the order that RFC 1628 has for it, and there must be
// one.
func TestStop(t *testing.T) {
	c := card(t, 600)
	if _, err := Start(t.Context(), c.SNMP(2), Aborted, peertest.Secret); err == nil || !strings.Contains(err.Error(), "no test is running") {
		t.Errorf("nothing to stop: %v", err)
	}
	if _, err := Start(t.Context(), c.SNMP(2), Deep, peertest.Secret); err != nil {
		t.Fatal(err)
	}
	r, err := Start(t.Context(), c.SNMP(2), Aborted, peertest.Secret)
	if err != nil || r.Summary != WasAborted {
		t.Errorf("%+v, %v", r, err)
	}
}

// Aim: a card that has no such tests, refuses them, or takes the order without
// effect is told from one that does them.
func TestUnable(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*peertest.UPSState)
		want   string
	}{
		"no group": {func(s *peertest.UPSState) { s.Missing = []string{"upsTestResultsSummary"} }, "does not tell of tests"},
		"refuses":  {func(s *peertest.UPSState) { s.ReadOnly = []string{"upsTestId"} }, "refused"},
		"ignores":  {func(s *peertest.UPSState) { s.Ignored = []string{"upsTestId"} }, "took the order and reads"},
	} {
		_, err := Start(t.Context(), card(t, 2, c.change).SNMP(2), Quick, peertest.Secret)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := ParseKind("none"); err == nil {
		t.Error("none is no test that can be started")
	}
}
