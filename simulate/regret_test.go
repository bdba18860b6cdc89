package simulate

import (
	"flag"
	"testing"
	"time"

	"ebbline/policy"
	"ebbline/shutdown/battery"
)

var regretOutages = flag.Int("regret-outages", 900, "random outages in TestKnownBattery; about one in three is compared")

// Aim: how much of the hosts' time that hindsight would have given is lost because the battery
// is not known, and how much because the outage's length is not: no belief about a battery can
// win back the latter. Method: random outages of two rooms, decided by the core as the policy
// stands, with a label alone; by a policy that has the minutes at full and at half load, too,
// as the label makes them likely, in rooms drawn for that; and by one that states the very
// battery of each room. The hosts' times over those with hindsight, weighed by priority.
func TestKnownBattery(t *testing.T) {
	for _, name := range []string{"rig.hcl", "loft.hcl"} {
		p := readPolicy(t, name)
		label, n := regret(t, p, nil)
		chart, _ := regret(t, sheetOf(t, p), nil)
		known, _ := regret(t, p, knowing)
		t.Logf("%s: of the time with hindsight hosts get %.1f %% by the label, %.1f %% with the sheet's minutes, %.1f %% where the battery is known, over %d outages", name, 100*label, 100*chart, 100*known, n)
		if n < *regretOutages/5 || known < label || chart < label-0.01 {
			t.Errorf("%s: %v, %v, %v of %d outages", name, label, chart, known, n)
		}
	}
}

// regret is the share reached over the outages that can be compared; decide gives the policy
// that the core has in a room.
func regret(t *testing.T, p *policy.Policy, decide func(p *policy.Policy, o *Outage, h *Hindsight, seed uint64) *policy.Policy) (share float64, n int) {
	dice, err := NewDice(p, day)
	if err != nil {
		t.Fatal(err)
	}
	runner, err := NewRunner(p, day)
	if err != nil {
		t.Fatal(err)
	}
	h := NewHindsight(p, day)
	best, stayed := make([]time.Duration, len(p.Hosts)), make([]time.Duration, len(p.Hosts))
	var run Run
	var o Outage
	for seed := range uint64(*regretOutages) {
		dice.Draw(seed, &o)
		truth := o.TruthOf(seed)
		runner.Run(&truth, &run) // by the policy as it is, so that the same outages are compared
		length, asked := o.Length(), false
		for k := range run.Hosts {
			asked = asked || run.Hosts[k].Asked >= 0
		}
		if length == 0 || !asked {
			continue
		}
		if decide != nil {
			r, err := NewRunner(decide(p, &o, h, seed), day)
			if err != nil {
				t.Fatal(err)
			}
			r.Run(&truth, &run)
		}
		h.Best(&truth, length, best)
		for k := range run.Hosts {
			stayed[k] = run.Hosts[k].Stayed(length)
		}
		share, n = share+Share(p, stayed, best), n+1
	}
	return share / float64(n), n
}

// knowing is the policy with the battery of the room in it.
func knowing(p *policy.Policy, o *Outage, h *Hindsight, seed uint64) *policy.Policy {
	truth, q := o.TruthOf(seed), *p
	m := truth.UPSs[0].Model(&h.beliefs[0])
	q.UPSs = append([]policy.UPS(nil), p.UPSs...)
	of := func(seconds float64) time.Duration { return time.Duration(seconds * float64(time.Second)) }
	b := &q.UPSs[0].Battery
	b.TemperatureSet, b.TemperatureC = true, 25
	b.Model = &policy.Model{
		StoreWattHours: m.Energy / 3600, Ohmic: of(m.Ohmic), Diffusion: of(m.Diffusion), Relaxation: of(m.Relaxation),
		FittedDay: day, Low: 0.999999, Likely: 1, High: 1.000001, Basis: "the room",
	}
	return &q
}

// sheetOf is the policy with what a data sheet probably says of its UPS.
func sheetOf(t *testing.T, p *policy.Policy) *policy.Policy {
	q := *p
	q.UPSs = append([]policy.UPS(nil), p.UPSs...)
	u := &q.UPSs[0]
	fresh := *u
	fresh.Battery.InstalledDay = day
	b, err := battery.New(&fresh, day)
	if err != nil {
		t.Fatal(err)
	}
	for _, watts := range []int64{u.RatedWatts / 2, u.RatedWatts} {
		_, likely, _ := b.Project(battery.Charge{}, float64(watts))
		u.Battery.Chart = append(u.Battery.Chart, policy.ChartPoint{Watts: watts, Runtime: likely})
	}
	return &q
}
