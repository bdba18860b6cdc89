package plan

import (
	"encoding/json"
	"os"
	"slices"
	"testing"
	"time"
)

// The passes over the dependencies against networkx, an independent library:
// when each host is down at the earliest, its latest start before a common
// deadline, and all that depends on it. The figures come from testdata/graph.py.
func TestGraphAgainstNetworkx(t *testing.T) {
	text, err := os.ReadFile("testdata/graph.json")
	if err != nil {
		t.Fatal(err)
	}
	var sites []struct {
		Stops, Down, Latest []int64
		Deadline            int64
		After, Dependents   [][]int
	}
	if err := json.Unmarshal(text, &sites); err != nil {
		t.Fatal(err)
	}
	for k, s := range sites {
		p := &Problem{Stores: make([]Store, 1)}
		for i := range s.Stops {
			d := time.Duration(s.Stops[i]) * time.Second
			p.Hosts = append(p.Hosts, Host{Watts: 1, Stops: d, Expected: d, After: s.After[i], Feeds: []Feed{{0, 1}}})
		}
		for _, sorted := range []bool{false, true} {
			var w Planner
			w.load(p, sorted)
			clear(w.starts)
			w.dispatch(w.worst, w.starts)
			out := Plan{Stops: make([]Stop, len(p.Hosts)), Stores: []Forecast{{End: time.Duration(s.Deadline) * time.Second}}}
			w.latest(&out)
			for i := range w.hosts {
				o := w.hosts[i].outside
				if got := w.down[i] / second; got != s.Down[o] {
					t.Errorf("site %d: host %d is down at %d, want %d", k, o, got, s.Down[o])
				}
				if got := int64(out.Stops[o].Latest / time.Second); got != s.Latest[o] {
					t.Errorf("site %d: host %d starts at the latest at %d, want %d", k, o, got, s.Latest[o])
				}
			}
		}
		var w Planner
		_, gains := w.Marginal(p, nil)
		for i, g := range gains {
			if !slices.Equal(g.Also, s.Dependents[i]) {
				t.Errorf("site %d: with host %d go %v, want %v", k, i, g.Also, s.Dependents[i])
			}
		}
	}
}
