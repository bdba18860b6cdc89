package simulate

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"ebbline/shutdown/battery"
	"ebbline/simulate/world"
)

// Aim: the blocks that dice draw from are the published ones. Method: each against its
// discharge tables to 1.65 to 1.70 V per cell, constant power where there is one, from 5 min
// to 2 h: the power over the rated energy lies within 12 % everywhere and within 4 % in the
// mean.
func TestBlocks(t *testing.T) {
	rated := map[string]float64{"vrla-190j1": 190, "vrla-90j3": 90}
	read := func(name string) [][]string {
		f, err := os.Open("../testdata/battery/" + name)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		r := csv.NewReader(f)
		r.Comment = '#'
		rows, err := r.ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		return rows[1:]
	}
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, r := range append(read("rated_capacity.csv"), read("rated_capacity_2.csv")...) {
		if r[2] == "20" {
			rated[r[0]] = number(r[3])
		}
	}
	rows := append(read("discharge_tables.csv"), read("discharge_tables_2.csv")...)
	for _, k := range blocks {
		kind := "cc"
		for _, r := range rows {
			if r[0] == k.of && r[1] == "cp" {
				kind = "cp"
			}
		}
		m := battery.Model{Ohmic: 60 * k.ohmic, Diffusion: 60 * k.diffusion, Relaxation: relaxes}
		const hours20 = 20 * 3600
		m.Energy = k.rated * m.Phi(hours20) / hours20 * 3600
		worst, mean, n := 0.0, 0.0, 0.0
		for _, r := range rows {
			if r[0] != k.of || r[1] != kind || !strings.Contains(" 1.65 1.667 1.67 1.7 ", " "+r[3]+" ") {
				continue
			}
			minutes, watts := number(r[4]), number(r[5])
			if r[6] == "A" {
				watts *= 2 * number(r[2])
			}
			if minutes < 5 || minutes > 120 {
				continue
			}
			off := math.Log(m.Energy / m.Phi(60*minutes) / (watts / (rated[k.of] * 2 * number(r[2]))))
			worst, mean, n = max(worst, math.Abs(off)), mean+off, n+1
		}
		if n < 5 || worst > 0.12 || math.Abs(mean/n) > 0.04 {
			t.Errorf("%s: %.0f points, worst %.3f, mean %.3f", k.of, n, worst, mean/n)
		}
	}
}

// Aim: dice do not ask the core what a battery is like. Method: in rooms of a policy with a
// label alone and of one with a chart, the part of the batteries that carry less for half an
// hour than the low projection is near the 5 % that it promises, and the batteries are the
// same for a policy that believes with another confidence.
func TestDiceKnowBatteries(t *testing.T) {
	for _, name := range []string{"rig.hcl", "barn.hcl", "mill.hcl"} {
		p := readPolicy(t, name)
		low, err := LowParts(p, day)
		if err != nil {
			t.Fatal(err)
		}
		bold := *p
		bold.Site.ConfidencePermille = 600
		dice, err := NewDice(p, day)
		if err != nil {
			t.Fatal(err)
		}
		other, err := NewDice(&bold, day)
		if err != nil {
			t.Fatal(err)
		}
		var o, q Outage
		const n = 4000
		weak, below := make([]int, len(p.UPSs)), make([]int, len(p.UPSs))
		for seed := range uint64(n) {
			dice.Draw(seed, &o)
			other.Draw(seed, &q)
			for i := range o.UPSs {
				if o.UPSs[i].Battery != q.UPSs[i].Battery {
					t.Fatalf("%s, seed %d: another confidence draws another battery", name, seed)
				}
				m := o.UPSs[i].Battery
				if !low[i].bears(&world.UPSTruth{Battery: m, Holds: 1, Own: o.UPSs[i].Own}) {
					below[i]++
				}
				own := low[i].likely.OverheadWatts // beside the load that is asked for
				if m.Energy/m.Phi(1800)-own*o.UPSs[i].Own < low[i].Battery.Energy/low[i].Battery.Phi(1800)-own*low[i].Own {
					weak[i]++
				}
			}
		}
		for i := range weak {
			part := float64(weak[i]) / n
			t.Logf("%s, %s: %.1f %% weaker than counted on for half an hour, %.1f %% at some load, or draw more", name, p.UPSs[i].Name, 100*part, 100*float64(below[i])/n)
			if part < 0.002 || part > 0.12 || below[i] > n/5 {
				t.Errorf("%s, %s: %.1f %% weaker than counted on", name, p.UPSs[i].Name, 100*part)
			}
		}
	}
}

// Aim: a battery as it really is can be written down and read again, and nonsense is refused.
func TestHas(t *testing.T) {
	p := readPolicy(t, "rig.hcl")
	o := parse(t, p, "ups u has 312.4Wh, ohmic 9m30.5s, diffusion 1h4m, relaxation 90m\nat 0s input lost\n")
	want := battery.Model{Energy: 312.4 * 3600, Ohmic: 570.5, Diffusion: 3840, Relaxation: 5400}
	if o.UPSs[0].Battery != want {
		t.Errorf("%+v", o.UPSs[0].Battery)
	}
	if again := parse(t, p, o.Text(p)); again.UPSs[0] != o.UPSs[0] {
		t.Errorf("%+v, written and read %+v", o.UPSs[0], again.UPSs[0])
	}
	if m := o.UPSs[0]; m.Model(nil) != want {
		t.Error("the room has another battery")
	}
	for _, bad := range []string{"has 312.4Wh", "has -3Wh, ohmic 9m, diffusion 64m, relaxation 90m", "has 3Wh, ohmic 9m, diffusion 64m, relaxation 0s", "has 3Wh, ohmic nine, diffusion 64m, relaxation 90m", "has 3Wh, diffusion 9m, ohmic 64m, relaxation 90m"} {
		if _, errs := Parse(p, "bad", []byte("at 0s input lost\nups u "+bad)); len(errs) == 0 {
			t.Errorf("%q is read", bad)
		}
	}
}
