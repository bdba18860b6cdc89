package simulate

import (
	"slices"
	"testing"

	"ebbline/policy"
	"ebbline/policy/load"
)

// Aim: a host is left out only where another stands for it: fed alike, needed by none,
// no less draw, allowance and time that it holds up; and the one that stands is itself
// replayed. Method: the sites of 30 and 300 hosts, each condition looked at anew.
func TestAlike(t *testing.T) {
	for _, n := range []int{30, 300} {
		p := siteOf(t, n)
		spared := Alike(p)
		if len(spared) < n/3 {
			t.Errorf("of %d hosts %d are left out", n, len(spared))
		}
		for _, l := range spared {
			a, b := &p.Hosts[l.Host], &p.Hosts[l.For]
			if a.GivesUp() > b.GivesUp() || a.Watts > b.Watts || a.StoppingWatts > b.StoppingWatts || !slices.Equal(a.FedBy, b.FedBy) || !slices.Equal(a.NeedsLoads, b.NeedsLoads) {
				t.Errorf("%s does not stand for %s", b.Name, a.Name)
			}
			if len(Dependents(p, l.Host))+len(Dependents(p, l.For)) > 0 || longestWait(p, l.Host) > longestWait(p, l.For) {
				t.Errorf("%s holds up more than %s", a.Name, b.Name)
			}
			if slices.ContainsFunc(spared, func(o Spared) bool { return o.Host == l.For }) {
				t.Errorf("%s stands for %s and is left out too", b.Name, a.Name)
			}
		}
	}
}

// longestWait is what may wait for a host, by all ways down from it.
func longestWait(p *policy.Policy, k int) (most int64) {
	for _, d := range p.Hosts[k].DependsOn {
		most = max(most, int64(p.Hosts[d].GivesUp())+longestWait(p, d))
	}
	return most
}

// Aim: what is left out would not have failed where the one that stands for it did not.
// Method: in random rooms and at a site both are replayed under the checkers.
func TestLeftOutIsNoLoss(t *testing.T) {
	pairs := 0
	look := func(name string, p *policy.Policy) {
		d := newThrower(t, p)
		for _, l := range Alike(p) {
			pairs++
			if d.fails(Hanging(p, l.For)) == "" {
				if why := d.fails(Hanging(p, l.Host)); why != "" {
					t.Errorf("%s: %s hangs: %s; with %s in its place nothing fails", name, p.Hosts[l.Host].Name, why, p.Hosts[l.For].Name)
				}
			}
		}
	}
	for seed := *soakRoomSeed; seed < *soakRoomSeed+uint64(*soakRooms); seed++ {
		if p, _, _ := load.Load([]load.File{{Name: "room.hcl", Bytes: []byte(roomText(seed))}}, load.Options{}); p != nil {
			look(p.Site.Name, p)
		}
	}
	look("site of 30", siteOf(t, 30))
	if pairs < 30 {
		t.Errorf("%d pairs: the test shows little", pairs)
	}
	t.Logf("%d pairs", pairs)
}

// fails says what is wrong with a run; "" for nothing.
func (d *thrower) fails(o *Outage) string {
	truth := o.Truth(1)
	d.check.Begin(truth)
	d.runner.Run(truth, &d.run)
	d.check.End(&d.run)
	if v := d.check.Violations; len(v) > 0 {
		return v[0].Promise + ": " + v[0].Text
	}
	if d.run.Cut > 0 {
		return "a host is cut"
	}
	return ""
}
