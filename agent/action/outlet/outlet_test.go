package outlet

import (
	"context"
	"net/http"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbline/agent/peertest"
	"ebbline/policy"
	"ebbline/shutdown"
)

func TestMain(m *testing.M) { peertest.Main(m) }

// noGoroutineLeft fails a test that ends with more goroutines than it has now.
// Some need a moment to end, so it waits until they have.
func noGoroutineLeft(t *testing.T) {
	t.Helper()
	before := runtime.NumGoroutine()
	t.Cleanup(func() {
		end := time.Now().Add(time.Minute)
		for runtime.NumGoroutine() > before {
			if time.Now().After(end) {
				stacks := make([]byte, 1<<20)
				t.Errorf("%d goroutines were there, %d are left:\n%s", before, runtime.NumGoroutine(), stacks[:runtime.Stack(stacks, true)])
				return
			}
			time.Sleep(5 * time.Millisecond)
		}
	})
}

// want fails unless Do or Look gave this outcome or sighting, and a text of one
// line that contains words and no secret.
func want[T shutdown.Outcome | shutdown.Sighting](t *testing.T, got T, text string, expected T, words string) {
	t.Helper()
	t.Logf("%v: %s", got, text)
	if got != expected || !strings.Contains(text, words) {
		t.Errorf("got %v %q, want %v with %q in it", got, text, expected, words)
	}
	if text == "" || strings.ContainsAny(text, "\n\r") || strings.Contains(text, "-test") {
		t.Errorf("text %q is empty, has several lines or a secret", text)
	}
}

func written(t *testing.T, o *peertest.SwitchedOutlet, expected ...string) {
	t.Helper()
	if got := o.Orders(); !slices.Equal(got, expected) {
		t.Errorf("the PDU was written %q, want %q", got, expected)
	}
}

// TestSNMPVerbs switches an outlet of net-snmp's agent off and on, by SNMP v1,
// v2c with a community of its own for writing, and v3, and by one object that is
// both written and read. What is so already is not written again.
func TestSNMPVerbs(t *testing.T) {
	for name, change := range map[string]func(*policy.Outlet){
		"v2c": func(*policy.Outlet) {},
		"v1":  func(o *policy.Outlet) { o.SNMP.Version = 1 },
		"v3": func(o *policy.Outlet) {
			o.SNMP.Version, o.SNMP.User, o.SNMP.Auth, o.SNMP.Priv = 3, "ebbline", "SHA256", "AES"
			o.SNMP.AuthKey, o.SNMP.PrivKey = peertest.OutletAuth, peertest.OutletPriv
		},
		"one object, no dot": func(o *policy.Outlet) {
			o.OID, o.ReadOID, o.OffReading = strings.TrimPrefix(o.OID, "."), "", o.Off
		},
	} {
		t.Run(name, func(t *testing.T) {
			o := peertest.StartSwitchedOutlet(t)
			change(&o.Policy)
			noGoroutineLeft(t)
			s := NewSNMP(o.Policy, o.Secret)
			for _, step := range []struct {
				verb    shutdown.Verb
				outcome shutdown.Outcome
				words   string
				seen    shutdown.Sighting
				orders  []string
			}{
				{shutdown.VerbStart, shutdown.Accepted, "on already", 0, nil},
				{shutdown.VerbShutDown, shutdown.Refused, "no way to shut-down", 0, nil},
				{shutdown.VerbPowerOff, shutdown.Accepted, "is off; the order was taken", shutdown.SeenOff, []string{"2"}},
				{shutdown.VerbPowerOff, shutdown.Accepted, "off already", shutdown.SeenOff, []string{"2"}},
				{shutdown.VerbStart, shutdown.Accepted, "is on; the order was taken", 0, []string{"2", "1"}},
			} {
				outcome, text := s.Do(t.Context(), step.verb)
				want(t, outcome, text, step.outcome, step.words)
				written(t, o, step.orders...)
				seen, text := s.Look(t.Context())
				want(t, seen, text, step.seen, "the outlet is")
			}
			if !o.On() {
				t.Error("the outlet ended off")
			}
		})
	}
}

// TestSNMPRefused writes with a community that may not, and to an outlet that
// says no: neither may look like a success.
func TestSNMPRefused(t *testing.T) {
	o := peertest.StartSwitchedOutlet(t)
	noGoroutineLeft(t)
	for _, version := range []int{1, 2} {
		at := o.Policy
		card := *at.SNMP
		card.Version, card.WriteWith = version, ""
		at.SNMP = &card
		outcome, text := NewSNMP(at, o.Secret).Do(t.Context(), shutdown.VerbPowerOff)
		want(t, outcome, text, shutdown.Refused, "refused")
	}
	written(t, o)
	o.SetMode("refuse")
	outcome, text := NewSNMP(o.Policy, o.Secret).Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Refused, "refused")
	written(t, o, "2")
	if !o.On() {
		t.Error("the outlet is off")
	}
}

// TestSNMPIgnored writes to an outlet that answers well and does nothing, as some
// PDUs do while locked: only the reading tells, and there is one SET.
func TestSNMPIgnored(t *testing.T) {
	o := peertest.StartSwitchedOutlet(t)
	o.SetMode("ignore")
	noGoroutineLeft(t)
	outcome, text := NewSNMP(o.Policy, o.Secret).Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Unknown, "is on still; the order was taken")
	written(t, o, "2")
}

// TestSNMPLate lets the outlet follow only after a while, as PDUs with a
// switching delay do.
func TestSNMPLate(t *testing.T) {
	o := peertest.StartSwitchedOutlet(t)
	o.SetMode("late")
	noGoroutineLeft(t)
	outcome, text := NewSNMP(o.Policy, o.Secret).Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Accepted, "is off; the order was taken")
	written(t, o, "2")
}

// TestSNMPLost loses the SET or its answer. A SET goes out once: repeated, it
// could switch an outlet again that someone has switched back meanwhile.
func TestSNMPLost(t *testing.T) {
	for _, c := range []struct {
		name    string
		answer  bool // it is the answer that is lost
		outcome shutdown.Outcome
		words   string
		orders  []string
	}{
		{"the answer", true, shutdown.Accepted, "is off; no answer to the order", []string{"2"}},
		{"the order", false, shutdown.Unknown, "is on still; no answer to the order", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := peertest.StartSwitchedOutlet(t)
			path := peertest.StartRelay(t, o.Policy.SNMP.Address, 1)
			path.Set(peertest.Path{Drop: func(reply bool, packet []byte) bool {
				return reply == c.answer && strings.Contains(string(packet), peertest.OutletWrite) // the community of a SET
			}})
			o.Policy.SNMP.Address = path.Addr
			outcome, text := NewSNMP(o.Policy, o.Secret).Do(t.Context(), shutdown.VerbPowerOff)
			want(t, outcome, text, c.outcome, c.words)
			written(t, o, c.orders...)
		})
	}
}

// TestSNMPSilent asks a PDU that does not answer, until its time-out, the
// caller's deadline or a cancel. Nothing is written.
func TestSNMPSilent(t *testing.T) {
	o := peertest.StartSwitchedOutlet(t)
	path := peertest.StartRelay(t, o.Policy.SNMP.Address, 1)
	path.Set(peertest.Path{Down: true})
	o.Policy.SNMP.Address = path.Addr
	s := NewSNMP(o.Policy, o.Secret)
	outcome, text := s.Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Unreachable, "no answer")
	seen, text := s.Look(t.Context())
	want(t, seen, text, 0, "no answer")
	ctx, stop := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer stop()
	outcome, text = s.Do(ctx, shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Unreachable, "no answer")
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(50*time.Millisecond, cancel)
	outcome, text = s.Do(ctx, shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Unreachable, "canceled")
	written(t, o)
}

// TestSNMPUnreadable names an object for reading that the PDU does not have. The
// outlet is switched all the same, and nothing is claimed.
func TestSNMPUnreadable(t *testing.T) {
	o := peertest.StartSwitchedOutlet(t)
	o.Policy.ReadOID = ".1.3.6.1.4.1.8072.9999.9999.3.0"
	noGoroutineLeft(t)
	s := NewSNMP(o.Policy, o.Secret)
	seen, text := s.Look(t.Context())
	want(t, seen, text, 0, "has no integer object .1.3.6.1.4.1.8072.9999.9999.3.0")
	outcome, text := s.Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Unknown, "not read back")
	if written(t, o, "2"); o.On() {
		t.Error("the outlet is on")
	}
}

// TestRedfishOutlet switches an outlet of the Redfish stand-in. The names are
// those of DMTF's schemas PowerEquipment, PowerDistribution and Outlet.
func TestRedfishOutlet(t *testing.T) {
	r := peertest.StartRedfish(t)
	noGoroutineLeft(t)
	o := NewRedfish(policy.Outlet{BMC: &r.Policy, Name: "A2"}, r.Secret)
	for _, step := range []struct {
		change  func(*peertest.RedfishState)
		verb    shutdown.Verb
		outcome shutdown.Outcome
		words   string
		seen    shutdown.Sighting
		order   string
	}{
		{nil, shutdown.VerbStart, shutdown.Accepted, "outlet A2 is On already", 0, ""},
		{nil, shutdown.VerbShutDown, shutdown.Refused, "no way to shut-down", 0, ""},
		{func(s *peertest.RedfishState) { s.Locked = true }, shutdown.VerbPowerOff, shutdown.Refused, "is locked", 0, ""},
		{func(s *peertest.RedfishState) { s.Locked, s.Fail = false, 403 }, shutdown.VerbPowerOff, shutdown.Refused, "HTTP 403", 0, "outlet A2 Off"},
		{func(s *peertest.RedfishState) { s.Fail, s.Ignore = 0, true }, shutdown.VerbPowerOff, shutdown.Accepted, "took Off", 0, "outlet A2 Off"},
		{func(s *peertest.RedfishState) { s.Ignore = false }, shutdown.VerbPowerOff, shutdown.Accepted, "took Off", shutdown.SeenOff, "outlet A2 Off"},
		{nil, shutdown.VerbPowerOff, shutdown.Accepted, "is Off already", shutdown.SeenOff, ""},
		{nil, shutdown.VerbStart, shutdown.Accepted, "took On", 0, "outlet A2 On"},
	} {
		if step.change != nil {
			r.Set(step.change)
		}
		before := len(r.State().Orders)
		outcome, text := o.Do(t.Context(), step.verb)
		want(t, outcome, text, step.outcome, step.words)
		if got := strings.Join(r.State().Orders[before:], ","); got != step.order {
			t.Errorf("the PDU was ordered %q, want %q", got, step.order)
		}
		seen, text := o.Look(t.Context())
		want(t, seen, text, step.seen, "outlet A2")
	}
	if r.State().Outlets["A1"] != "On" || r.Sessions() > 0 {
		t.Errorf("the other outlet is %s, %d sessions are open", r.State().Outlets["A1"], r.Sessions())
	}
	outcome, text := NewRedfish(policy.Outlet{BMC: &r.Policy, Name: "B7"}, r.Secret).Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Refused, `no outlet "B7", but A1, A2`)
	r.Set(func(s *peertest.RedfishState) {
		s.Before = func(w http.ResponseWriter, q *http.Request) bool {
			if q.URL.Path != "/redfish/v1/" {
				return false
			}
			_, _ = w.Write([]byte(`{"Links": {"Sessions": {"@odata.id": "/redfish/v1/SessionService/Sessions"}}}`))
			return true
		}
	})
	outcome, text = o.Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Refused, "no power equipment")
}

// TestRedfishSeveralPDUs names an outlet at a service with two rack PDUs.
func TestRedfishSeveralPDUs(t *testing.T) {
	r := peertest.StartRedfish(t)
	r.Set(func(s *peertest.RedfishState) {
		s.Before = func(w http.ResponseWriter, q *http.Request) bool {
			if !strings.HasSuffix(q.URL.Path, "/RackPDUs") {
				return false
			}
			_, _ = w.Write([]byte(`{"Members": [{"@odata.id": "/redfish/v1/PowerEquipment/RackPDUs/0"}, {"@odata.id": "/redfish/v1/PowerEquipment/RackPDUs/1"}]}`))
			return true
		}
	})
	noGoroutineLeft(t)
	for _, c := range []struct {
		name    string
		outcome shutdown.Outcome
		words   string
	}{
		{"A1", shutdown.Refused, `more than one rack PDU (0, 1): write name = "0/OUTLET"`},
		{"0/A1", shutdown.Refused, "not found"},
		{"1/A1", shutdown.Accepted, "outlet A1 took Off"},
	} {
		outcome, text := NewRedfish(policy.Outlet{BMC: &r.Policy, Name: c.name}, r.Secret).Do(t.Context(), shutdown.VerbPowerOff)
		want(t, outcome, text, c.outcome, c.words)
	}
}

// Aim: a check reads an outlet and writes nothing, on a real snmpd.
func TestSNMPCheck(t *testing.T) {
	o := peertest.StartSwitchedOutlet(t)
	noGoroutineLeft(t)
	outcome, text := NewSNMP(o.Policy, o.Secret).Check(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Accepted, "the outlet is on")
	other := o.Policy
	other.OID, other.ReadOID = ".1.3.6.1.4.1.99999.1.0", ""
	outcome, text = NewSNMP(other, o.Secret).Check(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Refused, "has no integer object")
	written(t, o)
}

// Aim: the same over Redfish.
func TestRedfishOutletCheck(t *testing.T) {
	r := peertest.StartRedfish(t)
	s := NewRedfish(policy.Outlet{BMC: &r.Policy, Name: "A1"}, r.Secret)
	outcome, text := s.Check(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Accepted, "outlet A1 is On")
	outcome, text = s.Check(t.Context(), shutdown.VerbStart)
	want(t, outcome, text, shutdown.Accepted, "outlet A1 is On")
	outcome, text = s.Check(t.Context(), shutdown.VerbShutDown)
	want(t, outcome, text, shutdown.Refused, "no way to")
	if got := r.State().Orders; len(got) > 0 {
		t.Errorf("a check gave the orders %q", got)
	}
}
