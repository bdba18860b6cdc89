package survey

import (
	"math"
	"strings"
	"testing"

	"ebbline/policy"
	"ebbline/policy/electrical"
	"ebbline/policy/load"
)

func loaded(t *testing.T, hcl string) *policy.Policy {
	t.Helper()
	p, _, diags := load.Load([]load.File{{Name: "x.hcl", Bytes: []byte(hcl)}}, load.Options{})
	if p == nil {
		t.Fatal(diags)
	}
	return p
}

// site is one circuit of 120 V and 20 A over 100 ft of 12 AWG with a UPS whose losses
// do not count in the arithmetic by hand: the example of the tables.
const site = `
site "x" { }
circuit "wall" {
  volts       = 120
  amps        = 20
  wire        = "12 AWG"
  length_feet = 100
  other_watts = OTHER
}
ups "u" {
  class       = "VFD"
  rated_watts = 5000
  rated_va    = 5000
  circuit     = "wall"
  battery {
    chemistry      = "vrla"
    volts          = 48
    amp_hours      = 20
    installed      = "2025-03-01"
    recharge_hours = 10
  }
  hid { serial = "1" }
}
host "a" {
  priority     = 10
  fed_by       = ["u"]
  watts        = WATTS
  power_factor = 1
  stops_in     = "1m"
  self         = true
  local { command = ["true"] }
}
`

func siteOf(t *testing.T, watts, other string) *policy.Policy {
	return loaded(t, strings.NewReplacer("WATTS", watts, "OTHER", other).Replace(site))
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %g, want %g within %g", what, got, want, tolerance)
	}
}

// Aim: the loading of a policy's circuit is that of the worked examples C02 and C10 to
// C12: 16 A may be carried, 1920 W over 100 ft lose 6.176 V, 5.15 % and 98.8 W; at
// 240 V a quarter of each. Method: 1919 W that hang on the circuit beside the UPS, and
// a host of 1 W, whose UPS adds what it loses itself: taken out again.
func TestCircuitByHand(t *testing.T) {
	p := siteOf(t, "1", "1919")
	p.Circuits[0].OtherWatts = 1920
	l := electrical.Load(p)
	b := l.Circuits[0]
	near(t, "limit", b.Limit, 16, 1e-9)
	u := l.UPSs[0]
	near(t, "amperes", b.Normal[0].Low, 16+(1+u.Loss.Low)/120, 0.01)
	amps := 16.0
	ohms := func() float64 { c, _ := electrical.ConductorOf("12 AWG"); return c.Ohms(100 / 3.28084) }()
	near(t, "ohms", ohms, 0.386, 0.0005)
	near(t, "percent, at the worst", b.Drop.Low, 100*b.Worst().Low*ohms/120, 0.01)
	near(t, "watts in the wire at 16 A", electrical.Dissipated(amps, ohms), 98.8, 0.5)
	q, draws, words, cautions := (&Change{Volts: 240}).Apply(p)
	if len(words) != 1 || len(cautions) != 3 || !(draws.Low > 0.9 && draws.High < 1) {
		t.Errorf("%v %v %v", draws, words, cautions)
	}
	then := electrical.Load(q).Circuits[0]
	near(t, "half the current", then.Normal[0].Low/b.Normal[0].Low, 0.5, 1e-9)
	near(t, "a quarter of the percent", then.Drop.Low/b.Drop.Low, 0.25, 1e-9)
	near(t, "a quarter of the loss", then.WireWatts.Low/b.WireWatts.Low, 0.25, 1e-9)
	if p.Circuits[0].Volts != 120 {
		t.Error("the question changed the policy")
	}
}

// Aim: after an outage the charger comes on top. Method: 48 V and 20 Ah, to 90 % in
// 10 h through 80 %: 108 W, and half as much again at first.
func TestCharging(t *testing.T) {
	p := siteOf(t, "600", "0")
	l := electrical.Load(p)
	near(t, "charging", l.UPSs[0].Charge.Low, 108, 1e-9)
	near(t, "at first", l.UPSs[0].Charge.High, 162, 1e-9)
	c := l.Circuits[0]
	near(t, "amperes on top", c.After[0].Low-c.Normal[0].Low, 108.0/120, 1e-9)
}

// twoFeeds is two UPSs on the legs of one panel, with hosts on one or both, on a PDU
// of two lines.
const twoFeeds = `
site "x" { }
circuit "panel" {
  volts = 120
  amps  = 30
  lines = 2
}
ups "left" {
  class       = "VI"
  rated_watts = 1500
  rated_va    = 1500
  circuit     = "panel:L1"
  battery {
    chemistry = "vrla"
    volts     = 48
    amp_hours = 9
    installed = "2025-03-01"
  }
  hid { serial = "1" }
}
ups "right" {
  class       = "VI"
  rated_watts = 1500
  rated_va    = 1500
  circuit     = "panel:L2"
  battery {
    chemistry = "vrla"
    volts     = 48
    amp_hours = 9
    installed = "2025-03-01"
  }
  hid { serial = "2" }
}
pdu "strip" {
  fed_by = "left"
  amps   = 15
}
group "g" {
  priority = 10
  stops_in = "1m"
  power_factor = 1
  ssh {
    user     = "ebbline"
    key      = secret("key")
    host_key = "SHA256:AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
  }
}
host "both" {
  group        = "g"
  fed_by       = ["left", "right"]
  plugged_into = ["strip"]
  watts        = 480
  ssh { address = "192.0.2.1" }
}
host "one" {
  group  = "g"
  fed_by = ["left"]
  plugged_into = ["strip"]
  watts  = 600
  ssh { address = "192.0.2.2" }
}
host "guest" {
  group   = "g"
  runs_on = "one"
  watts   = 120
  ssh { address = "192.0.2.3" }
}
`

// Aim: what the loss of a second feed puts on the other, and what goes through a PDU.
// Method: by hand. Normal: left carries 240 + 600, right 240; right lost: left 1080;
// left lost: right 480. The strip carries what left does, 7 A, then 9. A guest is
// part of its machine.
func TestSecondFeed(t *testing.T) {
	l := electrical.Load(loaded(t, twoFeeds))
	near(t, "left", l.UPSs[0].Watts, 840, 1e-9)
	near(t, "right", l.UPSs[1].Watts, 240, 1e-9)
	near(t, "left alone", l.UPSs[0].LostWatts, 1080, 1e-9)
	near(t, "right alone", l.UPSs[1].LostWatts, 480, 1e-9)
	near(t, "strip", l.PDUs[0].Normal[0].High, 7, 1e-9)
	near(t, "strip with right lost", l.PDUs[0].FeedLost[0].High, 9, 1e-9)
	c := l.Circuits[0]
	if !c.Unbalanced() || c.Uneven < 40 {
		t.Errorf("the legs carry %v, %g %% above the mean", c.Normal, c.Uneven)
	}
	near(t, "neutral", c.Neutral.Low, c.Normal[0].Low-c.Normal[1].Low, 1e-9)
	if c.Starters != 3 || c.Together != 120 { // a host with two supplies has two peaks
		t.Errorf("%d start, with %g A", c.Starters, c.Together)
	}
}

// Aim: what supplies gain at twice the voltage is what the published points say.
// Method: Gold, 300 of 600 W: 333.3 and 326.1 W (worked example D02) lie between the
// least and the most; and these are found by hand: 80 PLUS at 50 %, 80/85, and
// Titanium at 50 %, 94/96, or Gold at 100 %, 87/89.
func TestSupplyGain(t *testing.T) {
	b := SupplyGain()
	if gold := 326.087 / 333.333; !(b.Low < gold && gold < b.High) {
		t.Errorf("%v", b)
	}
	near(t, "most saved", b.Low, 80.0/85, 1e-9)
	if b.High < 94.0/96 || b.High >= 1 {
		t.Errorf("least saved: %g", b.High)
	}
}

// Aim: what changes leave of the input. Method: a host that is off takes its watts
// away, double conversion loses more than standby.
func TestChanges(t *testing.T) {
	p := loaded(t, twoFeeds)
	now := NewPower(p, Unchanged)
	near(t, "load", now.Load.Low, 1080, 1e-9)
	off, _, _, _ := (&Change{Off: []int{0}}).Apply(p)
	near(t, "without both", NewPower(off, Unchanged).Load.Low, 600, 1e-9)
	double, _, _, _ := (&Change{Class: policy.VFI}).Apply(p)
	if then := NewPower(double, Unchanged); !(then.Likely > now.Likely && then.Loss.High > now.Loss.High) {
		t.Errorf("VFI loses %v, VI %v", then.Loss, now.Loss)
	}
}

// Aim: a site whose policy states an efficiency costs what worked example D04 says.
// Method: 600 W through 0.93 at 0.17 a kWh: 45.16 W, 154.1 BTU/h, 395.6 kWh, 67.25.
func TestStatedEfficiency(t *testing.T) {
	p := siteOf(t, "600", "0")
	p.UPSs[0].NormalPermille = 930
	w := NewPower(p, Unchanged)
	if w.Loss.Low != w.Loss.High {
		t.Errorf("it is stated, and yet %v", w.Loss)
	}
	near(t, "loss", w.Loss.Low, 45.16, 0.005)
	near(t, "heat", electrical.BTU(w.Loss.Low), 154.1, 0.05)
	near(t, "energy", electrical.YearKWh(w.Loss.Low, 0), 395.6, 0.05)
	near(t, "cost", 0.17*electrical.YearKWh(w.Loss.Low, 0), 67.25, 0.01)
}
