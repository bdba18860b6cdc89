package shutdown

import (
	"testing"
	"time"

	"ebbline/policy"
)

// Aim: power that was cut on purpose stays cut until a person says otherwise: neither the
// input's release nor a new policy, with or without that input, ends it; one answer alone
// begins nothing. Method: the core, with one emergency input.
func TestEmergencyOutlastsItsInputAndItsPolicy(t *testing.T) {
	p, without := home(), home()
	p.Emergencies = []policy.Emergency{{Name: "door", Every: time.Second}}
	s, at := New(), DayBegins(20100)
	s.Step(at, &Event{Kind: Adopted, Policy: p}, nil)
	touch := func(after time.Duration, used, want bool) {
		t.Helper()
		at = at.Add(after)
		if s.Step(at, &Event{Kind: Touched, Used: used}, nil); s.cutOnPurpose() != want {
			t.Fatalf("power is cut on purpose: %v, want %v; %+v", !want, want, s.Contacts)
		}
	}
	touch(time.Second, true, false)
	touch(time.Second, false, false) // an odd one
	touch(time.Second, true, false)
	touch(2*time.Second, true, false)
	touch(time.Second, true, true)
	touch(time.Minute, false, true)
	touch(time.Second, true, true)
	touch(time.Second, false, true)
	if s.Step(at, &Event{Kind: Adopted, Policy: without}, nil); s.Policy != p || s.Next != without || !s.cutOnPurpose() {
		t.Fatal("a new policy does not wait")
	}
	if s.Step(at, &Event{Kind: Commanded, Order: Clear, Code: EmergencyOff, Host: -1}, nil); s.cutOnPurpose() || s.Busy() {
		t.Fatal("a person's word does not end it")
	}
	if s.Step(at, &Event{Kind: Adopted, Policy: s.Next}, nil); s.Policy != without {
		t.Fatal("the policy that waited is not adopted")
	}
}
