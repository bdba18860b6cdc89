package shutdown

import (
	"testing"
	"time"

	"ebbline/policy"
)

// Aim: a UPS's own minutes weigh by how they have deserved it. Method: the same
// claim of four minutes, by a UPS that nobody measured, by an honest one, whose word
// weighs more, by one that lasts half its claims, and by one that lasts twice them.
func TestOwnMinutesByWorth(t *testing.T) {
	factor := func(permille int64) float64 {
		p := &policy.Policy{
			Site: policy.Site{Name: "home", RideThrough: time.Minute, Reserve: time.Minute, ConfidencePermille: 950, Restore: policy.Restore{StableFor: time.Minute, Stagger: time.Second}},
			UPSs: []policy.UPS{{Name: "u", RatedWatts: 900, OverheadWatts: 10, EfficiencyPermille: 850, OwnPermille: permille, SNMP: &policy.SNMP{PollEvery: 2 * time.Second, Timeout: time.Second},
				Battery: policy.Battery{Chemistry: policy.VRLA, Volts: 24, AmpHours: 9, InstalledDay: 20000}}},
			Hosts: []policy.Host{{Name: "h", Priority: 1, Watts: 200, StoppingWatts: 200, StopsIn: 30 * time.Second, StartsIn: time.Minute, RunsOn: -1, FedBy: []int{0},
				Methods: []policy.Method{{Kind: policy.BySSH, GivesUp: time.Minute, SSH: &policy.SSH{Address: "192.0.2.1"}}}, Probe: policy.Probe{QuietFor: time.Second}}},
		}
		s := New()
		at := Instant(1000 * time.Hour)
		s.Step(at, &Event{Kind: Adopted, Policy: p, Day: 20100}, nil)
		m := Nothing
		m.Source, m.LoadWatts, m.RuntimeSeconds = FromBattery, 200, 240
		for range 4 {
			at = at.Add(2 * time.Second)
			s.Step(at, &Event{Kind: Measured, UPS: 0, Measurement: m}, nil)
		}
		return s.UPSs[0].Factor / s.UPSs[0].Prior
	}
	unknown, honest, half, twice := factor(0), factor(1000), factor(500), factor(2000)
	if !(half < honest && honest < twice && honest < unknown) {
		t.Errorf("the low projection is at %.3f of what it was by a UPS nobody measured, %.3f by an honest one, %.3f by one that lasts half its claims, %.3f by one that lasts twice them", unknown, honest, half, twice)
	}
}
