package simulate

import (
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"ebbline/simulate/world"
)

// Aim: the bounds on a chance are right. Method: the exact intervals by scipy
// (testdata/interval.py); none seen in n by the rule of three (1-0.05^(1/n) is
// about 3/n: Hanley and Lippman-Hand 1983).
func TestChance(t *testing.T) {
	text, err := os.ReadFile("testdata/interval.json")
	if err != nil {
		t.Fatal(err)
	}
	var rows []struct {
		Seen, Trials int
		Low, High    float64
	}
	if err := json.Unmarshal(text, &rows); err != nil || len(rows) < 30 {
		t.Fatal(err, len(rows))
	}
	for _, r := range rows {
		low, high := Chance(r.Seen, r.Trials)
		if math.Abs(low-r.Low) > 1e-9*r.Low+1e-12 || math.Abs(high-r.High) > 1e-9*r.High {
			t.Errorf("%d of %d: %.12g to %.12g, want %.12g to %.12g", r.Seen, r.Trials, low, high, r.Low, r.High)
		}
	}
	for _, n := range []int{1, 10, 3000, 3_000_000} {
		low, high := Chance(0, n)
		if exact := 1 - math.Pow(0.05, 1/float64(n)); low != 0 || high < exact || high > 1 {
			t.Errorf("none of %d: %g to %g, the exact bound is %g", n, low, high, exact)
		}
	}
	if low, high := Chance(0, 0); low != 0 || high != 1 {
		t.Errorf("nothing tried gives %g to %g", low, high)
	}
}

// Aim: sustained outages are as long as the published ones. Method: the
// quantiles of the table (its source is in testdata/outages/README.md) against
// what 20,000 draws give; none outside of what is drawn from.
func TestLengths(t *testing.T) {
	for _, q := range posted {
		if got := Length(q.part); math.Abs(got.Minutes()-q.minutes) > 0.02*q.minutes {
			t.Errorf("the length at %g is %v, want %g min", q.part, got, q.minutes)
		}
	}
	r := world.NewRandom(7)
	const n = 20_000
	var below [len(posted)]int
	for range n {
		l := Length(r.Float())
		for i, q := range posted {
			if l.Minutes() <= q.minutes {
				below[i]++
			}
		}
	}
	for i, q := range posted {
		sigma := math.Sqrt(n * q.part * (1 - q.part))
		if got := float64(below[i]); i > 0 && math.Abs(got-n*q.part) > 4*sigma {
			t.Errorf("%g of %d are at most %g min long, want %g", got, n, q.minutes, n*q.part)
		}
	}
}

// Aim: every fault and shape is drawn about as often as the table says. Method:
// 4,000 draws for the policy that has loads and two UPSs, and, for what sensors do, as many
// for one that reads temperatures.
func TestDiceDrawWhatTheTableSays(t *testing.T) {
	drawnAsSaid(t, "barn.hcl", 0, CoolingFails)
	drawnAsSaid(t, "attic.hcl", CoolingFails, numFaults)
}

func drawnAsSaid(t *testing.T, name string, from, to Fault) {
	p := readPolicy(t, name)
	j, dice := newJudge(t, p)
	const n = 4000
	var faults [numFaults]int
	var shapes [Sustained + 1]int
	var o Outage
	for seed := uint64(1); seed <= n; seed++ {
		dice.Draw(seed, &o)
		shapes[o.Shape]++
		for f, got := Fault(0), j.Tried(&o); f < numFaults; f++ {
			if got.Has(f) {
				faults[f]++
			}
		}
	}
	for s := Blink; s <= Sustained; s++ {
		part := Shapes[s].Part
		if got, sigma := float64(shapes[s]), math.Sqrt(n*part*(1-part)); math.Abs(got-n*part) > 5*sigma {
			t.Errorf("%s: %g of %d, want %g", s, got, n, n*part)
		}
	}
	for f := from; f < to; f++ {
		if faults[f] == 0 {
			t.Errorf("%q was never drawn in %d", Catalogue[f].Name, n)
		}
		if part := Catalogue[f].Chance; Catalogue[f].Each == "outage" && part > 0 && f != LostAgain && f != OneInput && f != OtherLoad {
			// LostAgain counts sequences of shots too; OneInput is drawn twice where
			// there are two losses; a host may draw less.
			if got, sigma := float64(faults[f]), math.Sqrt(n*part*(1-part)); math.Abs(got-n*part) > 5*sigma {
				t.Errorf("%q: %g of %d, want %g", Catalogue[f].Name, got, n, n*part)
			}
		}
	}
}

// Aim: where one replay is called a proof its conditions hold, and where one
// fails it is named. Method: a policy without peaks, one with, one with a limit.
func TestConditions(t *testing.T) {
	all := func(cs []Condition) (ok bool, text string) {
		ok = true
		for _, c := range cs {
			if ok = ok && c.Holds; !c.Holds {
				text += c.Name + ": " + c.Text + "\n"
			}
		}
		return ok, text
	}
	rig, barn := readPolicy(t, "rig.hcl"), readPolicy(t, "barn.hcl")
	if fits, _ := Fits(rig, day); !fits {
		t.Fatal("rig does not fit")
	}
	if ok, text := all(Conditions(rig, true)); !ok {
		t.Errorf("rig: %s", text)
	}
	if ok, text := all(Conditions(barn, true)); ok || !strings.Contains(text, "no-peaks: bench draws more while stopping") {
		t.Errorf("barn: %v %s", ok, text)
	}
	limited := *rig
	limited.Site.AtOnce = 2
	if ok, text := all(Conditions(&limited, true)); ok || !strings.Contains(text, "no-limit: stops_at_once limits them to 2") {
		t.Errorf("limited: %v %s", ok, text)
	}
	if ok, text := all(Conditions(rig, false)); ok || !strings.Contains(text, "fits: no plan is safe") {
		t.Errorf("does not fit: %v %s", ok, text)
	}
}

// Aim: the replay at the bounds bounds every milder room (F6), by the core as it
// decides. Method: rooms within the bounds, drawn: batteries that hold the low
// projection or more, hosts that take any part of their first allowance and draw
// the policy's watts; none is cut, and none ends with less than no time.
func TestBoundsBoundMilderRooms(t *testing.T) {
	for _, name := range []string{"rig.hcl", "first.hcl", "loft.hcl"} {
		p := readPolicy(t, name)
		low, err := LowParts(p, day)
		if err != nil {
			t.Fatal(err)
		}
		r := newRunner(t, p)
		var run Run
		o := Bounds(p, low)
		r.Run(o.Truth(1), &run)
		if !Within(&run, 0) {
			t.Fatalf("%s: in the replay at the bounds %d hosts are cut, in hand %v", name, run.Cut, run.InHand)
		}
		dice := world.NewRandom(11)
		worst := Bounds(p, low)
		for range 150 {
			for i := range o.UPSs {
				o.UPSs[i].Holds = 1 + dice.Float()
			}
			for k := range o.Hosts {
				o.Hosts[k].Takes = time.Duration(float64(worst.Hosts[k].Takes) * dice.Float())
			}
			if r.Run(o.Truth(dice.Uint64()), &run); !Within(&run, 0) {
				t.Fatalf("%s: a milder room has %d hosts cut, in hand %v\n%s", name, run.Cut, run.InHand, o.Text(p))
			}
		}
	}
}

// Aim: hindsight is a bound. Method: in outages in which nothing is wrong but
// battery and stopping times, no run is worth more, by priority and time, than
// what the planner finds when it is told all; and when the battery carries all
// to the end, everybody could have stayed up.
func TestHindsight(t *testing.T) {
	p := readPolicy(t, "rig.hcl")
	h := NewHindsight(p, day)
	r := newRunner(t, p)
	dice := world.NewRandom(3)
	best, stayed := make([]time.Duration, len(p.Hosts)), make([]time.Duration, len(p.Hosts))
	var run Run
	long := 0
	for range 60 {
		length := time.Duration(float64(4*time.Hour) * dice.Float()).Truncate(time.Minute)
		o := lasting(p, "", length+time.Minute)
		o.UPSs[0].Holds = 0.8 + 0.4*dice.Float()
		for k := range o.Hosts {
			o.Hosts[k].Takes = time.Duration(float64(o.Hosts[k].Takes) * (0.5 + dice.Float()))
		}
		truth := o.Truth(dice.Uint64())
		r.Run(truth, &run)
		h.Best(truth, o.Length(), best)
		all := true
		for k := range run.Hosts {
			stayed[k] = run.Hosts[k].Stayed(o.Length())
			all = all && best[k] == o.Length()
			if best[k] > o.Length() {
				t.Errorf("in an outage of %v %s could stay up for %v", o.Length(), p.Hosts[k].Name, best[k])
			}
		}
		if !all {
			long++
		}
		if share := Share(p, stayed, best); share > 1.02 {
			t.Errorf("in an outage of %v the run is worth %.3f of the best\nstayed %v\nbest   %v", o.Length(), share, stayed, best)
		}
	}
	if long < 10 {
		t.Errorf("only %d outages outlast the battery: the test shows little", long)
	}
}

// Aim: a failing outage becomes one that a person reads, the same each time,
// that fails in the same way. Method: an outage with much in it, of which one
// thing matters: that the agent's killing and a loss of twenty minutes come
// together (asked of the script alone, so that the answer is known).
func TestShrink(t *testing.T) {
	p := readPolicy(t, "barn.hcl")
	o := parse(t, p, `
ups rack holds 61.234%
ups shelf claims x3.21
host vault takes 8m13.123s
host press hangs
host bench draws 121.7%
answers lost 10%
answers late 7%
at 0s input lost
at 40s input back
at 1m2.3s input lost
at 2m host vault refuses
at 4m4.567s agent killed 31.5s
at 5m ups rack silent 2m
at 1h7m input back
at 2h input lost shelf
at 3h input back shelf
`)
	fails := func(o *Outage) bool {
		killed, length := false, time.Duration(0)
		var lost time.Duration
		for _, m := range o.Moments {
			switch m.What {
			case world.AgentKilled:
				killed = killed || m.For >= 10*time.Second
			case world.InputLost:
				lost = m.At
			case world.InputBack:
				length = max(length, m.At-lost)
			}
		}
		return killed && length >= 20*time.Minute && o.UPSs[0].Holds < 0.8
	}
	least := Shrink(p, o, fails)
	got := least.Text(p)
	if want := "ups rack holds 60%\nat 0s input lost\nat 1s agent killed 10s\nat 20m input back\n"; !fails(least) || got != want {
		t.Errorf("made smaller:\n%swant:\n%s", got, want)
	}
	if again := Shrink(p, o, fails).Text(p); again != got {
		t.Errorf("a second time:\n%s\nfirst:\n%s", again, got)
	}
	if reread := parse(t, p, got); !fails(reread) {
		t.Error("its file does not fail")
	}
}
