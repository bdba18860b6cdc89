package simulate

import (
	"flag"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"ebbline/policy"
	"ebbline/shutdown/battery"
	"ebbline/simulate/world"
)

var coverRooms = flag.Int("cover-rooms", 2000, "drawn batteries for each evidence in TestCoverage; half as many where the own draw is not stated")

// lasts are the runtimes at which the low battery is held against those drawn, in seconds.
var lasts = [...]float64{180, 300, 600, 1200, 3600, 4 * 3600, 10 * 3600}

// cover says, by runtime, in what part of the rooms the load at the UPS's output that the low
// battery carries for so long is carried, and where it stands in the median over what the
// room's battery carries; and of the time for which a tenth of the rating and a thirtieth are
// carried once a heavy load was, for half and for nine tenths of the time that the low battery
// carries that.
type cover struct {
	held, stands         [len(lasts)]float64
	heldThen, standsThen [4]float64
}

// covered is that for a policy's first UPS after a discharge to the end at a part of its
// rating, 0 for none.
func covered(t *testing.T, p *policy.Policy, dice *Dice, rooms int, test float64) (out cover) {
	fresh, err := battery.New(&p.UPSs[0], day)
	if err != nil {
		t.Fatal(err)
	}
	stands, then, n := [len(lasts)][]float64{}, [4][]float64{}, 0
	for k := range rooms {
		if k%100 == 0 { // dice hold a few of all that there may be
			dice.r = world.NewRandom(uint64(k))
			dice.cells[0] = dice.batteries(&p.UPSs[0], &fresh, day)
		}
		is := dice.pick(0)
		u, b := p.UPSs[0], fresh
		own := fresh.OverheadWatts * is.own
		if test > 0 {
			watts := math.Round(test * float64(u.RatedWatts))
			c, err := battery.Calibrate(&u, []battery.Discharge{{
				Day: day, Segments: []battery.Segment{{Watts: watts, Seconds: is.Runtime(battery.Charge{}, watts+own)}},
				StartCharge: 1, Ended: battery.AtCutOff, Celsius: 25, CelsiusSet: true,
			}}, day)
			if err != nil {
				t.Fatal(err)
			}
			if c.Correct(&u); c.Model == nil {
				continue // it lasts for a moment
			}
			if b, err = battery.New(&u, day); err != nil {
				t.Fatal(err)
			}
		}
		n++
		low, counted := b.Scaled(b.LowAt(950)), b.OwnAt(950)
		for i, part := range [...]float64{0.5, 0.9} {
			heavy := 0.6 * float64(u.RatedWatts)
			spent := part * low.Runtime(battery.Charge{}, heavy+counted)
			a, z := low.Advance(battery.Charge{}, heavy+counted, spent), is.Advance(battery.Charge{}, heavy+own, spent)
			for j, light := range [...]float64{0.1, 0.033} {
				watts := light * float64(u.RatedWatts)
				left, there := low.Runtime(a, watts+counted), is.Runtime(z, watts+own)
				if k := 2*i + j; left <= 1.001*there {
					out.heldThen[k]++
				}
				then[2*i+j] = append(then[2*i+j], (left+spent)/(there+spent))
			}
		}
		for i, s := range lasts {
			there, low := is.Energy/is.Phi(s)-own, low.Energy/low.Phi(s)-counted
			if stands[i] = append(stands[i], low/there); low <= max(0, 1.001*there) {
				out.held[i]++
			}
		}
	}
	for i := range then {
		out.heldThen[i] /= float64(n)
		slices.Sort(then[i])
		out.standsThen[i] = then[i][n/2]
	}
	for i := range lasts {
		out.held[i] /= float64(n)
		slices.Sort(stands[i])
		out.stands[i] = stands[i][n/2]
	}
	return out
}

// Aim: what is called 95 % certain is so in the rooms that dice draw, at every load, whatever
// it rests on: neither may the dice draw what no battery is, nor may the belief be too sure.
// Method: batteries drawn as for random outages, by the label and by the sheet's minutes at
// full and half load, before and after a discharge to the end at 40, 70 and 100 % of the
// rating, with the UPS's own draw stated and not; asked for steady loads, and for light ones
// after a heavy one.
func TestCoverage(t *testing.T) {
	unstated := func(name string) *policy.Policy {
		p := *readPolicy(t, name)
		p.UPSs = slices.Clone(p.UPSs)
		u := &p.UPSs[0]
		u.OverheadSet, u.OverheadWatts = false, (2*u.RatedWatts+99)/100
		return &p
	}
	for _, room := range []struct {
		name  string
		p     *policy.Policy
		rooms int
	}{
		{"rig", readPolicy(t, "rig.hcl"), *coverRooms}, {"loft", readPolicy(t, "loft.hcl"), *coverRooms},
		{"rig, own draw not stated", unstated("rig.hcl"), *coverRooms / 2},
		{"loft, own draw not stated", unstated("loft.hcl"), *coverRooms / 2},
	} {
		for _, known := range []struct {
			name string
			p    *policy.Policy
		}{{"label", room.p}, {"sheet", sheetOf(t, room.p)}} {
			dice, err := NewDice(known.p, day)
			if err != nil {
				t.Fatal(err)
			}
			for _, test := range []float64{0, 0.4, 0.7, 1} {
				c := covered(t, known.p, dice, room.rooms, test)
				var line strings.Builder
				for i, s := range lasts {
					if fmt.Fprintf(&line, " %5.1f,%3.0f", 100*c.held[i], 100*c.stands[i]); c.held[i] < 0.94 {
						t.Errorf("%s, %s, test at %.0f %%: the low battery lasts %.0f s in %.1f %%", room.name, known.name, 100*test, s, 100*c.held[i])
					}
				}
				line.WriteString(" |")
				for i := range c.heldThen {
					if fmt.Fprintf(&line, " %5.1f,%3.0f", 100*c.heldThen[i], 100*c.standsThen[i]); c.heldThen[i] < 0.94 {
						t.Errorf("%s, %s, test at %.0f %%: the low battery lasts at a light load after a heavy one in %.1f %%", room.name, known.name, 100*test, 100*c.heldThen[i])
					}
				}
				t.Logf("%s, %s, test at %.0f %%:%s", room.name, known.name, 100*test, line.String())
			}
		}
	}
}
