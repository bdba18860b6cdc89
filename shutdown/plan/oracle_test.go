package plan

import (
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"sort"
	"testing"
	"time"

	"ebbline/shutdown/battery"
)

var oracle = flag.String("oracle", "../../testdata/oracle", "folder of shed-oracle/1 instances to check the planner against")

// instance is one problem of the oracle with its proved answers; the fields are
// described in testdata/oracle/README.md.
type instance struct {
	ID        string
	Slot      float64   `json:"slot_s"`
	Horizon   int       `json:"horizon_slots"`
	Rule      string    `json:"feed_rule"`
	AtOnce    int       `json:"max_concurrent"`
	Survival  []float64 `json:"outage_survival"`
	Batteries []well
	Hosts     []machine
	Answers   *answers
	MILP      map[string]optimum `json:"answers_milp"`
}

type well struct {
	ID         string
	Model      string
	C          float64
	K          float64 `json:"k_per_h"`
	Y1         float64 `json:"y1_wh"`
	Y2         float64 `json:"y2_wh"`
	E          float64 `json:"e_wh"`
	Exponent   float64
	Ref        float64 `json:"ref_w"`
	Reserve    float64 `json:"reserve_wh"`
	Efficiency float64
	Base       float64 `json:"base_w"`
}

type machine struct {
	ID       string
	Up       float64 `json:"up_w"`
	Down     float64 `json:"down_w"`
	Length   int     `json:"dur_slots"`
	Priority int
	Value    float64
	Restart  float64  `json:"restart_cost"`
	Needs    []string `json:"depends_on"`
	Feeds    map[string]float64
	Lengths  [][2]float64 `json:"dur_pmf"`

	needs []int     // Needs as indices
	parts []float64 // Feeds, per battery
}

type optimum struct {
	Value   float64
	Witness []int
}

type answers struct {
	Feasible bool
	NoReturn int             `json:"point_of_no_return_slot"`
	NRStarts []int           `json:"point_of_no_return_witness"`
	Without  map[string]*int `json:"point_of_no_return_without"`
	Lex      struct {
		Classes []int
		Sums    []int `json:"sum_start_slots"`
		Witness []int
	}
	Expected optimum `json:"expected_value"`
	Uptime   optimum `json:"weighted_uptime"`
	AllUp    float64 `json:"runtime_all_up_s"`
	Gains    map[string]struct {
		Also []string `json:"also_sheds"`
		Gain *float64 `json:"gain_s"`
	} `json:"marginal_gain"`
	Asap *struct {
		Margin float64 `json:"margin_wh"`
		Safe   bool
		Starts []int
		Trace  [][][2]float64
	}
	Random []struct {
		Plan         []int
		Combinations int
		Safe         float64 `json:"p_safe"`
		MeanFinish   float64 `json:"mean_finish_slot"`
		WorstFinish  int     `json:"worst_finish_slot"`
	} `json:"random_durations"`
}

func instances(t testing.TB) []*instance {
	t.Helper()
	var all []*instance
	err := filepath.WalkDir(*oracle, func(path string, _ os.DirEntry, err error) error {
		if err != nil || filepath.Ext(path) != ".json" {
			return err
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		in := &instance{}
		if err := json.Unmarshal(text, in); err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		for i := range in.Hosts {
			h := &in.Hosts[i]
			for _, id := range h.Needs {
				h.needs = append(h.needs, in.host(id))
			}
			for u := range in.Batteries {
				h.parts = append(h.parts, h.Feeds[in.Batteries[u].ID])
			}
		}
		all = append(all, in)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) == 0 {
		t.Fatal("no instances in " + *oracle)
	}
	sort.Slice(all, func(i, j int) bool { return all[i].ID < all[j].ID })
	return all
}

func (in *instance) slot() time.Duration { return time.Duration(in.Slot * float64(time.Second)) }

func (in *instance) host(id string) int {
	for i := range in.Hosts {
		if in.Hosts[i].ID == id {
			return i
		}
	}
	return -1
}

// simple tells whether the condition M1 holds: no host draws more while it
// stops, and no limit on stops at once.
func (in *instance) simple() bool {
	for i := range in.Hosts {
		if in.Hosts[i].Down > in.Hosts[i].Up {
			return false
		}
	}
	return in.AtOnce == 0
}

// problem puts the instance to the planner. With q the energy drawn, x what rest
// would bring back and Y all that is in the wells at first, the available well
// holds c(Y - q - x): it is above the reserve R while q + x <= Y - R/c. Energies
// become output energies by the efficiency.
func (in *instance) problem() *Problem {
	p := &Problem{Slot: in.slot(), Horizon: time.Duration(in.Horizon) * in.slot(), AtOnce: in.AtOnce, Survival: in.Survival}
	for i := range in.Batteries {
		b := &in.Batteries[i]
		output := 3600 * b.Efficiency
		s := Store{Base: b.Base}
		if b.Model == "kibam" {
			s.Model = battery.Model{
				Energy:     (b.Y1 + b.Y2 - b.Reserve/b.C) * output,
				Diffusion:  (1 - b.C) / (b.C * b.K) * 3600,
				Relaxation: 3600 / b.K,
			}
			s.Charge.Bound = (b.Y1 + b.Y2 - b.Y1/b.C) * output
		} else {
			s.Model = battery.Model{Energy: (b.E - b.Reserve) * output, Exponent: b.Exponent, Reference: b.Ref * b.Efficiency}
		}
		p.Stores = append(p.Stores, s)
	}
	p.Hosts = make([]Host, len(in.Hosts))
	for i := range in.Hosts {
		h, q := &in.Hosts[i], &p.Hosts[i]
		*q = Host{
			Watts: h.Up, Stopping: h.Down, Stops: time.Duration(h.Length) * in.slot(), Priority: int64(1000 - h.Priority),
			Value: max(h.Value/in.Slot, 1e-9), Restart: h.Restart, // 0 would take the priority
		}
		for u := range in.Batteries {
			if part := h.parts[u]; part > 0 {
				q.Feeds = append(q.Feeds, Feed{u, part})
				if in.Rule == "all" {
					q.Needs = append(q.Needs, u)
				}
			}
		}
	}
	for i := range in.Hosts {
		for _, j := range in.Hosts[i].needs {
			p.Hosts[j].After = append(p.Hosts[j].After, i)
		}
	}
	return p
}

// times turns slots into times.
func (in *instance) times(slots []int) []time.Duration {
	var t []time.Duration
	for _, s := range slots {
		t = append(t, time.Duration(s)*in.slot())
	}
	return t
}

// slots turns a plan's starts into slots.
func (in *instance) slots(out *Plan) []int {
	var s []int
	for i := range out.Stops {
		s = append(s, int(out.Stops[i].Asked/in.slot()))
	}
	return s
}

// actual is when hosts really start and end when they are to start in the slots
// given and take so long: a host waits for those that depend on it.
func (in *instance) actual(starts, lengths []int) (begun, end []int) {
	begun, end = append([]int(nil), starts...), make([]int, len(starts))
	for again := true; again; {
		again = false
		for i := range in.Hosts {
			end[i] = begun[i] + lengths[i]
			for _, j := range in.Hosts[i].needs {
				if begun[j] < end[i] {
					begun[j], again = end[i], true
				}
			}
		}
	}
	return begun, end
}

func (in *instance) lengths() []int {
	var d []int
	for i := range in.Hosts {
		d = append(d, in.Hosts[i].Length)
	}
	return d
}

// level is a battery in the dumb replay: both wells, or for Peukert y1 alone.
type level struct{ y1, y2 float64 }

// step is the battery's slot as the oracle's README writes it.
func (b *well) step(l level, watts, slot float64) level {
	dt := slot / 3600
	if b.Model != "kibam" {
		if watts > 0 {
			l.y1 -= watts * math.Pow(watts/b.Ref, b.Exponent-1) * dt
		}
		return l
	}
	e := math.Exp(-b.K * dt)
	y0, r := l.y1+l.y2, b.K*dt-1+e
	return level{
		l.y1*e + (y0*b.K*b.C-watts)*(1-e)/b.K - watts*b.C*r/b.K,
		l.y2*e + y0*(1-b.C)*(1-e) - watts*(1-b.C)*r/b.K,
	}
}

// safe replays starts slot by slot, written from the README and nothing else.
// It is the check on the planner's replay, so it shares no code with it. slack
// is how far a battery may be below its reserve.
func (in *instance) safe(starts, lengths []int, slack float64) bool {
	begun, end := in.actual(starts, lengths)
	last := 0
	for _, e := range end {
		last = max(last, e)
	}
	levels := make([]level, len(in.Batteries))
	alive := make([]bool, len(in.Batteries))
	for u := range in.Batteries {
		b := &in.Batteries[u]
		levels[u], alive[u] = level{b.Y1, b.Y2}, true
		if b.Model != "kibam" {
			levels[u].y1 = b.E
		}
	}
	for k := range last {
		for again := true; again; {
			again = false
			next := append([]level(nil), levels...)
			for u := range in.Batteries {
				if !alive[u] {
					continue
				}
				b := &in.Batteries[u]
				load, any := 0.0, false
				for i := range in.Hosts {
					h := &in.Hosts[i]
					part := h.parts[u]
					if k >= end[i] || part == 0 {
						continue
					}
					any = true
					sum := 0.0
					for v := range in.Batteries {
						if alive[v] || in.Rule == "all" {
							sum += h.parts[v]
						}
					}
					if k < begun[i] {
						load += h.Up * part / sum
					} else {
						load += h.Down * part / sum
					}
				}
				if !any {
					next[u] = b.step(levels[u], 0, in.Slot)
					continue
				}
				next[u] = b.step(levels[u], (load+b.Base)/b.Efficiency, in.Slot)
				if next[u].y1 < b.Reserve-slack {
					if in.Rule == "all" {
						return false
					}
					alive[u], again = false, true
				}
			}
			if !again {
				levels = next
			}
		}
		for i := range in.Hosts {
			fed := false
			for u := range in.Batteries {
				fed = fed || alive[u] && in.Hosts[i].parts[u] > 0
			}
			if k < end[i] && !fed {
				return false
			}
		}
	}
	return true
}

// expected and uptime are the two values by which the oracle compares plans.
func (in *instance) expected(starts []int) float64 {
	sum := 0.0
	for i, s := range starts {
		h := &in.Hosts[i]
		for k := range s {
			sum += h.Value * in.Survival[min(k, in.Horizon)]
		}
		sum -= h.Restart * in.Survival[min(s, in.Horizon)]
	}
	return sum
}

func (in *instance) uptime(starts []int) float64 {
	sum := 0.0
	for i, s := range starts {
		sum += in.Hosts[i].Value * float64(s)
	}
	return sum
}
