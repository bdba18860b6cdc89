package survey

import (
	"os"
	"testing"
	"time"

	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/shutdown/battery"
	"ebbline/simulate"
)

const today = 20_000 // any day

func site2(t *testing.T, name string) *policy.Policy {
	t.Helper()
	text, err := os.ReadFile(corpus + "policies/" + name)
	if err != nil {
		t.Fatal(err)
	}
	p, _, diags := load.Load([]load.File{{Name: name, Bytes: text}}, load.Options{})
	if p == nil {
		t.Fatal(diags)
	}
	return p
}

// Aim: the size found is the least that keeps every promise when the battery is worn
// and the margin is gone, and no less does. Method: the core's own plan, put to it
// apart from the search: at the size found, and at one a tenth smaller.
func TestLeastSize(t *testing.T) {
	for _, name := range []string{"first.hcl", "loft.hcl", "mill.hcl", "rig.hcl", "barn.hcl"} {
		p := site2(t, name)
		s := NewSizing(p, p, today)
		if len(s.Sizes) != len(p.UPSs) {
			t.Errorf("%s: %+v", name, s)
			continue
		}
		with := func(smaller int) *simulate.Answer {
			c := &simulate.Scene{Policy: fresh(p, today), Day: today}
			for i := range s.Sizes {
				by := s.Sizes[i].Scale * battery.Replace / DesignMargin
				if i == smaller {
					by *= 0.9
				}
				c = c.Scaled(simulate.Scale{UPS: i, Battery: by, Size: 1})
			}
			return c.Answer()
		}
		if !keepsAll(with(-1)) {
			t.Errorf("%s: at the size found a promise breaks", name)
		}
		for i := range s.Sizes {
			if s.Sizes[i].Scale > 1.1*leastScale && keepsAll(with(i)) {
				t.Errorf("%s: UPS %s could be a tenth smaller", name, p.UPSs[i].Name)
			}
		}
	}
}

// Aim: the battery of a plain site by hand. Method: one host of 100 W that is promised
// 30 minutes and stops in two with an allowance of four, a reserve of one, and a fitted
// battery without losses, which holds just its watt-hours: new, the plan counts on the
// low projection; so the size times 0.8 / 1.1 times that factor must hold 100 W and the
// 1 W of the UPS for 35 minutes.
func TestSizeByHand(t *testing.T) {
	p := loaded(t, `
site "x" {
  ride_through = "30s"
  reserve      = "1m"
}
ups "u" {
  rated_watts    = 500
  overhead_watts = 1
  battery {
    chemistry = "lfp"
    model {
      store_watt_hours = 100
      ohmic            = "0s"
      fitted           = "2024-10-04"
    }
  }
  hid { serial = "1" }
}
host "a" {
  priority = 10
  self     = true
  fed_by   = ["u"]
  watts    = 100
  keep_for = "30m"
  stops_in = "2m"
  gives_up = "4m"
  local { command = ["true"] }
}
`)
	s := NewSizing(p, p, today)
	if len(s.Sizes) != 1 {
		t.Fatalf("%+v", s)
	}
	b, err := battery.New(&fresh(p, today).UPSs[0], today)
	if err != nil {
		t.Fatal(err)
	}
	want := 101 * (35.0 / 60) * DesignMargin / battery.Replace / b.LowAt(950)
	near(t, "watt-hours", s.Sizes[0].OutputWh, want, 0.03*want)
	if s.Sizes[0].Low < 35*time.Minute || s.Sizes[0].NeedWatts != 125 || s.Sizes[0].RatedEnough != true {
		t.Errorf("%+v", s.Sizes[0])
	}
}

// Aim: what no battery can keep is said. Method: a promise beyond the planner's week.
func TestNoSize(t *testing.T) {
	p := site2(t, "first.hcl")
	p.Hosts[0].KeepFor = 60 * 24 * time.Hour
	if s := NewSizing(p, p, today); len(s.Sizes) > 0 || len(s.Broken) == 0 {
		t.Errorf("%+v", s)
	}
}

// Aim: two UPSs in the place of one are sound policies with the same battery in all,
// and what fails with one of them is counted. Method: the policies' own checks, and a
// site of three machines.
func TestSplits(t *testing.T) {
	p := site2(t, "first.hcl")
	for _, both := range []bool{true, false} {
		q := parted(p, both)
		if err := q.Check(); err != nil {
			t.Errorf("both %v: %v", both, err)
		}
		one, err1 := battery.New(&p.UPSs[0], today)
		two, err2 := battery.New(&q.UPSs[0], today)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		near(t, "half the store", two.Model.Energy/one.Model.Energy, 0.5, 0.01)
	}
	s := NewSizing(p, p, today)
	if len(s.Splits) != 3 {
		t.Fatalf("%+v", s)
	}
	one, both, parted := s.Splits[0], s.Splits[1], s.Splits[2]
	if both.Scale < one.Scale || parted.Scale == 0 { // each of the two must carry all when the other fails
		t.Errorf("one needs %g, two for all %g, two for a half each %g", one.Scale, both.Scale, parted.Scale)
	}
	if one.MachinesCut != 3 || both.MachinesCut != 0 || parted.MachinesCut == 0 || parted.MachinesCut == 3 || one.Scale != s.Sizes[0].Scale {
		t.Errorf("%+v", s.Splits)
	}
	if both.EachWatts < 0.99*one.EachWatts {
		t.Errorf("each of two that must carry all is rated for %g W, the one for %g", both.EachWatts, one.EachWatts)
	}
}
