package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbline/policy"
)

// Aim: the columns of a plan agree with what it says of each UPS: where the last
// host is down is the latest time in the column, for the agent's own host too,
// which an output block lets go early. Method: the plans of the corpus.
func TestPlanAgreesWithItself(t *testing.T) {
	for _, name := range []string{"first", "loft", "rig", "mill"} {
		var out, errs bytes.Buffer
		Run(context.Background(), []string{"plan", "../../testdata/policies/" + name + ".hcl", "--json", "--history", "none"},
			Streams{In: strings.NewReader(""), Out: &out, Err: &errs, Env: func(string) string { return "" }})
		var v planView
		if err := json.Unmarshal(out.Bytes(), &v); err != nil {
			t.Fatalf("%s: %v: %s", name, err, &errs)
		}
		for _, u := range v.UPSs {
			last := int64(0)
			for _, h := range v.Hosts {
				if len(h.UPSs) == 1 && h.UPSs[0] == u.Name {
					last = max(last, h.DownSeconds)
				}
			}
			if last != u.LastDownSeconds {
				t.Errorf("%s: the last host on %s is down by %d s in the column, by %d s in the text", name, u.Name, last, u.LastDownSeconds)
			}
		}
	}
}

// Aim: the plan says when a room is too warm, as the published form has it, and that
// the hosts go before. Method: the room of worked example F03 (1 kW, 30 m³ of air and 200
// kg of steel, 60 W/K: 8 K take 24.4 minutes; ASHRAE Transactions 117-1, 2011, for the
// form), with a battery that lasts for a day; the load is the kilowatt less what the UPS
// takes itself.
func TestPlanForARoom(t *testing.T) {
	p := tunePolicy(t, "attic.hcl")
	h := &p.Temperatures[0]
	h.LimitTenths, h.WithInput = 320, false
	h.Room = &policy.HeatRoom{TimeConstant: 2237 * time.Second, WattsPerKelvin: 60, UsualTenths: 240}
	load := 1000 - p.UPSs[0].OverheadWatts
	s, err := ifInputFailedOn(20454, p, pairs{{"rack", fmt.Sprint(load)}}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	v := planOf(s)
	if len(v.Rooms) != 1 || v.Rooms[0].ReachesSeconds.Likely == nil || !v.Rooms[0].BeforeBattery {
		t.Fatalf("it says %+v of rooms", v.Rooms)
	}
	low, likely := float64(*v.Rooms[0].ReachesSeconds.Low), float64(*v.Rooms[0].ReachesSeconds.Likely)
	if math.Abs(likely/60-24.4) > 0.005*24.4 || low >= likely {
		t.Errorf("at %.1f minutes, %.1f at the earliest; want 24.4", likely/60, low/60)
	}
	for i := range v.Hosts {
		if host := &v.Hosts[i]; float64(host.DownSeconds)+float64(v.ReserveSeconds) > low {
			t.Errorf("%s is down at %d s, and the room may be too warm at %.0f", host.Name, host.DownSeconds, low)
		}
	}
	if text := v.Rooms[0].words(); !strings.Contains(text, "reaches 32 °C at") || !strings.Contains(text, "before the battery's end") {
		t.Errorf("it says %q", text)
	}
	if !slices.Equal(v.RoomsUnknown, []string{"ups"}) {
		t.Errorf("of %v it is not known how fast they warm, not of the other temperature", v.RoomsUnknown)
	}
}
