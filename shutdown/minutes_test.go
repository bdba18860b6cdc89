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
		p := home()
		p.UPSs[0].OwnPermille = permille
		s := New()
		at := DayBegins(20100)
		s.Step(at, &Event{Kind: Adopted, Policy: p}, nil)
		m := Nothing
		m.Source, m.LoadWatts, m.RuntimeSeconds = FromBattery, 200, 240
		for range 4 {
			at = at.Add(2 * time.Second)
			s.Step(at, &Event{Kind: Measured, UPS: 0, Measurement: m}, nil)
		}
		return s.UPSs[0].Holds[low] / s.prior(0)
	}
	unknown, honest, half, twice := factor(0), factor(1000), factor(500), factor(2000)
	if !(half < honest && honest < twice && honest < unknown) {
		t.Errorf("the low projection is at %.3f of what it was by a UPS nobody measured, %.3f by an honest one, %.3f by one that lasts half its claims, %.3f by one that lasts twice them", unknown, honest, half, twice)
	}
}

// Aim: a card that counts in whole minutes, which RFC 1628's object does, gives no
// cause to complain of its battery; one that says less than its steps explain
// does. Method: discharges of three to eleven minutes in which a card that is known
// to be honest says what is probably left, cut off to the minute, the last two as
// none, since RFC 1628 knows no 0; and some in which it says half of that.
func TestOwnMinutesInSteps(t *testing.T) {
	for _, c := range []struct {
		watts   int64
		worth   time.Duration // halves of what is left
		lowered bool
	}{{400, 2, false}, {500, 2, false}, {600, 2, false}, {700, 2, false}, {800, 2, false}, {400, 1, true}, {500, 1, true}} {
		p := home()
		p.UPSs[0].OwnPermille = 1000
		// With a chart: beside the label alone, half of what is likely would be no surprise.
		p.UPSs[0].Battery.Chart = []policy.ChartPoint{{Watts: 450, Runtime: 12 * time.Minute}, {Watts: 900, Runtime: 4 * time.Minute}}
		s := New()
		at := DayBegins(20100)
		s.Step(at, &Event{Kind: Adopted, Policy: p}, nil)
		m := Nothing
		m.Source, m.LoadWatts = FromBattery, c.watts
		lowered, answers := false, 0
		for likely := time.Hour; likely > 10*time.Second; answers++ {
			for _, e := range s.Step(at, &Event{Kind: Measured, UPS: 0, Measurement: m}, nil) {
				lowered = lowered || e.Kind == Notify && e.Notice.Code == ForecastLowered && e.Notice.B == ByMinutes
			}
			_, likely, _ = s.Runtime(0)
			m.RuntimeSeconds = int64((likely * c.worth / 2).Truncate(time.Minute) / time.Second)
			if m.RuntimeSeconds == 60 {
				m.RuntimeSeconds = 0
			}
			at = at.Add(2 * time.Second)
		}
		if lowered != c.lowered || answers < 60 {
			t.Errorf("%d W, a card that says %d halves of what is left, in %d answers: the forecast is lowered by it %v, want %v", c.watts, c.worth, answers, lowered, c.lowered)
		}
	}
}

// Aim: a discharge is at its end at the voltage that the policy states, but never
// taken to go on below 1.67 V per cell. Method: twelve cells, two readings in a row.
func TestStatedEndVoltage(t *testing.T) {
	for _, c := range []struct {
		stated     float64
		millivolts int64
		low        bool
	}{
		{0, 20030, true}, {0, 20050, false},
		{1.75, 21000, true}, {1.75, 21010, false},
		{1.60, 20030, true}, {1.60, 20050, false},
	} {
		p := home()
		p.UPSs[0].Battery.EndVolts = c.stated
		s := New()
		at := DayBegins(20100)
		s.Step(at, &Event{Kind: Adopted, Policy: p}, nil)
		m := Nothing
		m.Source, m.LoadWatts, m.Millivolts = FromBattery, 200, c.millivolts
		for range 2 {
			at = at.Add(2 * time.Second)
			s.Step(at, &Event{Kind: Measured, UPS: 0, Measurement: m}, nil)
		}
		if s.low(0) != c.low {
			t.Errorf("ends at %g V per cell, reads %d mV: at its end %v, want %v", c.stated, c.millivolts, !c.low, c.low)
		}
	}
}

// Aim: in an outage at a light load the ends that are projected stay where they are,
// the low one with the more that the UPS may draw itself from the loss on; the next
// outage begins with what may be gone. Method: the end at the loss, and hours later.
func TestOwnDrawWhileItLasts(t *testing.T) {
	p := home()
	p.UPSs[0].OverheadWatts = 18 // the usual one
	s := New()
	at := DayBegins(20100)
	s.Step(at, &Event{Kind: Adopted, Policy: p}, nil)
	s.Step(at, &Event{Kind: Commanded, Order: Hold}, nil)
	m := Nothing
	m.Source, m.LoadWatts = FromBattery, 10
	s.Step(at, &Event{Kind: Measured, UPS: 0, Measurement: m}, nil)
	least, probable, _ := s.Runtime(0)
	if least < 90*time.Minute || probable-least < least/2 {
		t.Fatalf("it lasts from %v, probably %v: no light load", least, probable)
	}
	lowEnd, likelyEnd := at.Add(least), at.Add(probable)
	for at < lowEnd.Add(-10*time.Minute) {
		at = at.Add(2 * time.Second)
		s.Step(at, &Event{Kind: Measured, UPS: 0, Measurement: m}, nil)
	}
	least, probable, _ = s.Runtime(0)
	for _, d := range []time.Duration{at.Add(least).Sub(lowEnd), at.Add(probable).Sub(likelyEnd)} {
		if d.Abs() > 2*time.Second {
			t.Errorf("an end has moved by %v", d)
		}
	}
	u := &s.UPSs[0]
	taken := u.Taken[low]
	m.Source, m.LoadWatts = FromInput, 10
	s.Step(at.Add(time.Second), &Event{Kind: Measured, UPS: 0, Measurement: m}, nil)
	if u.Taken[likely].Delivered < taken.Delivered || u.Taken[likely] != u.Taken[low] {
		t.Errorf("%+v was taken, and with the input back it is %+v", taken, u.Taken)
	}
}

func home() *policy.Policy {
	return &policy.Policy{
		Site: policy.Site{Name: "home", RideThrough: time.Minute, Reserve: time.Minute, ConfidencePermille: 950, Restore: policy.Restore{StableFor: time.Minute, Stagger: time.Second}},
		UPSs: []policy.UPS{{Name: "u", RatedWatts: 900, OverheadWatts: 10, EfficiencyPermille: 850, SNMP: &policy.SNMP{PollEvery: 2 * time.Second, Timeout: time.Second},
			Battery: policy.Battery{Chemistry: policy.VRLA, Volts: 24, AmpHours: 9, InstalledDay: 20000}}},
		Hosts: []policy.Host{{Name: "h", Priority: 1, Watts: 200, StoppingWatts: 200, StopsIn: 30 * time.Second, StartsIn: time.Minute, RunsOn: -1, FedBy: []int{0},
			Methods: []policy.Method{{Kind: policy.BySSH, GivesUp: time.Minute, SSH: &policy.SSH{Address: "192.0.2.1"}}}, Probe: policy.Probe{QuietFor: time.Second}}},
	}
}
