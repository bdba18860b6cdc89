package simulate

import (
	"encoding/json"
	"math"
	"os"
	"testing"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/simulate/world"
)

// compareSite is the site of compare/site.json.
type compareSite struct {
	UPS struct {
		Store      float64 `json:"store_watt_hours"`
		Ohmic      float64 `json:"ohmic_seconds"`
		Diffusion  float64 `json:"diffusion_seconds"`
		Relaxation float64 `json:"relaxation_seconds"`
		Overhead   int64   `json:"overhead_watts"`
	} `json:"ups"`
	Spread struct {
		Stops float64 `json:"stops"`
		Most  float64 `json:"stops_at_most"`
		Store float64 `json:"store"`
	} `json:"spread"`
	Quiet float64 `json:"quiet_seconds"`
	Order float64 `json:"order_seconds"`
	Hosts []struct {
		Name  string  `json:"name"`
		Watts int64   `json:"watts"`
		Stops float64 `json:"stops_seconds"`
		Start float64 `json:"start_seconds"`
		Needs []int   `json:"needs"`
	} `json:"hosts"`
}

func readCompareSite(t testing.TB) (*compareSite, *policy.Policy) {
	t.Helper()
	text, err := os.ReadFile("compare/site.json")
	if err != nil {
		t.Fatal(err)
	}
	s := &compareSite{}
	if err := json.Unmarshal(text, s); err != nil {
		t.Fatal(err)
	}
	span := func(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
	p := &policy.Policy{Site: policy.Site{Name: "compare", RideThrough: time.Minute, Reserve: time.Minute, ConfidencePermille: 950}}
	p.Site.Restore.StableFor, p.Site.Restore.Stagger = 2*time.Minute, 10*time.Second
	p.UPSs = []policy.UPS{{
		Name: "ups", RatedWatts: 3000, OverheadWatts: s.UPS.Overhead, OverheadSet: true, EfficiencyPermille: 1000,
		Battery: policy.Battery{Chemistry: policy.VRLA, Volts: 96, AmpHours: 9, Model: &policy.Model{
			StoreWattHours: s.UPS.Store, Ohmic: span(s.UPS.Ohmic), Diffusion: span(s.UPS.Diffusion), Relaxation: span(s.UPS.Relaxation),
		}},
		SNMP: &policy.SNMP{Address: "192.0.2.10", Version: 2},
	}}
	for k := range s.Hosts {
		h := &s.Hosts[k]
		p.Hosts = append(p.Hosts, policy.Host{
			Name: h.Name, Priority: int64(10 + k), FedBy: []int{0}, Watts: h.Watts, StoppingWatts: h.Watts,
			StopsIn: span(h.Stops), StartsIn: time.Minute, DependsOn: h.Needs, RunsOn: -1,
			Methods: []policy.Method{{Kind: policy.BySSH, GivesUp: span(2 * h.Stops), SSH: &policy.SSH{Address: "192.0.2.20", User: "e"}}},
			Starts:  []policy.Start{{Kind: policy.ByWake, Ethernet: "02:00:00:00:00:20"}},
			Probe:   policy.Probe{Address: "192.0.2.20:22", QuietFor: span(s.Quiet)},
		})
	}
	return s, p
}

// draw fills in a trial's stopping times and store.
func (s *compareSite) draw(d *Dice, seed uint64, o *Outage) {
	d.r = world.NewRandom(seed)
	for k := range o.Hosts {
		o.Hosts[k].Takes = time.Duration(s.Hosts[k].Stops * min(s.Spread.Most, math.Exp(s.Spread.Stops*d.normal())) * float64(time.Second))
	}
	o.UPSs[0].Holds = math.Exp(s.Spread.Store * d.normal())
}

// BenchmarkSameOutage is the outage that compare/compare.py has SimPy do, until the last
// host is off: the room alone under a fixed plan, and with the decision code; by the
// simulator's world, and by a plain loop that was written for this room alone.
func BenchmarkSameOutage(b *testing.B) {
	s, p := readCompareSite(b)
	w, err := world.New(p, day)
	if err != nil {
		b.Fatal(err)
	}
	f := fixedPlan{s: s, w: w}
	f.ready()
	b.Run("room", func(b *testing.B) {
		s.trials(b, p, func(t *world.Truth) (int, bool, time.Duration) {
			f.run(t)
			return w.Events, f.cut(), w.Now.Sub(Epoch(day))
		})
	})
	r := newRunner(b, p)
	b.Run("whole", func(b *testing.B) {
		s.trials(b, p, func(t *world.Truth) (int, bool, time.Duration) {
			return r.untilOff(t)
		})
	})
	for _, core := range []bool{false, true} {
		l, err := newPlainLoop(s, p, core)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(map[bool]string{false: "plain-room", true: "plain-whole"}[core], func(b *testing.B) {
			s.trials(b, p, func(t *world.Truth) (int, bool, time.Duration) {
				l.run(t)
				return l.worked, l.cut > 0, l.last
			})
		})
	}
}

// trials runs one outage after the other and reports what they took and how they ended.
func (s *compareSite) trials(b *testing.B, p *policy.Policy, run func(t *world.Truth) (events int, cut bool, last time.Duration)) {
	dice, err := NewDice(p, day)
	if err != nil {
		b.Fatal(err)
	}
	o := lasting(p, "", 24*time.Hour)
	events, cuts, off := 0, 0, time.Duration(0)
	b.ReportAllocs()
	b.ResetTimer()
	began := processor()
	for i := range b.N {
		s.draw(dice, uint64(i+1), o)
		truth := o.TruthOf(uint64(i + 1))
		n, cut, last := run(&truth)
		events, off = events+n, off+last
		if cut {
			cuts++
		}
	}
	report(b, processor()-began, events, cuts, off)
}

// untilOff is [Runner.Run] as far as there is anything to compare.
func (r *Runner) untilOff(t *world.Truth) (events int, cut bool, last time.Duration) {
	w := r.world
	w.Reset(t, Epoch(day))
	if r.first.Policy == nil {
		r.first.Step(Epoch(day), &r.adopt, nil)
	}
	r.state.CopyFrom(r.first)
	r.state.Terse(true)
	for w.Up > 0 {
		if r.state.Wake < w.Peek() {
			w.Now = max(w.Now, r.state.Wake)
			r.step(&r.tick)
		} else if e := w.Next(); e != nil {
			r.step(e)
		}
	}
	for k := range w.Hosts {
		cut = cut || w.Hosts[k].WasCut
	}
	return w.Events, cut, w.Now.Sub(Epoch(day))
}

// Aim: what is compared is one outage. Method: the same draws by the world and by the plain
// loop, with the decision code and without: as often a host is cut, and the last host is
// off at the same time, but for what the moments of polls and looks make of it.
func TestSameOutage(t *testing.T) {
	s, p := readCompareSite(t)
	w, err := world.New(p, day)
	if err != nil {
		t.Fatal(err)
	}
	f := fixedPlan{s: s, w: w}
	f.ready()
	r := newRunner(t, p)
	dice, err := NewDice(p, day)
	if err != nil {
		t.Fatal(err)
	}
	o := lasting(p, "", 24*time.Hour)
	for _, core := range []bool{false, true} {
		l, err := newPlainLoop(s, p, core)
		if err != nil {
			t.Fatal(err)
		}
		const n = 200
		cuts, other := 0, 0
		var off, gone time.Duration
		for seed := uint64(1); seed <= n; seed++ {
			s.draw(dice, seed, o)
			truth := o.TruthOf(seed)
			var cut bool
			var last time.Duration
			if core {
				_, cut, last = r.untilOff(&truth)
			} else {
				f.run(&truth)
				cut, last = f.cut(), w.Now.Sub(Epoch(day))
			}
			if cut {
				cuts++
			}
			l.run(&truth)
			if l.cut > 0 {
				other++
			}
			off, gone = off+last, gone+l.last
			if !core && (l.cut > 0) != cut || !core && (l.last-last).Abs() > time.Second {
				t.Errorf("seed %d: the world ends at %v, cut %v; the plain loop at %v, cut %v", seed, last, cut, l.last, l.cut > 0)
			}
		}
		t.Logf("core %v: world cut %d, last off %v; plain cut %d, last off %v", core, cuts, off/n, other, gone/n)
		if core && ((off-gone).Abs() > off/50 || cuts+other > n/20) {
			t.Errorf("with the decision code the world ends at %v (%d cut), the plain loop at %v (%d cut)", off/n, cuts, gone/n, other)
		}
	}
}

func report(b *testing.B, used time.Duration, events, cut int, last time.Duration) {
	b.ReportMetric(float64(used.Nanoseconds())/float64(events), "cpu-ns/event")
	b.ReportMetric(float64(used.Nanoseconds())/float64(b.N)/1e3, "cpu-µs/op")
	b.ReportMetric(float64(events)/float64(b.N), "events/op")
	b.ReportMetric(float64(cut)/float64(b.N), "cut/op")
	b.ReportMetric(last.Seconds()/float64(b.N), "last-s")
}

// fixedPlan stops hosts at the planned starts, or when all that need them are
// off; it knows at once.
type fixedPlan struct {
	s     *compareSite
	w     *world.World
	order []int   // hosts by start
	by    [][]int // by host: those that need it
	wait  []int   // their time has come, and one that needs them is up
}

func (f *fixedPlan) ready() {
	n := len(f.s.Hosts)
	f.by = make([][]int, n)
	for k := range f.s.Hosts {
		f.order = append(f.order, k)
		for _, j := range f.s.Hosts[k].Needs {
			f.by[j] = append(f.by[j], k)
		}
	}
	for i := range f.order {
		for j := i; j > 0 && f.s.Hosts[f.order[j]].Start < f.s.Hosts[f.order[j-1]].Start; j-- {
			f.order[j], f.order[j-1] = f.order[j-1], f.order[j]
		}
	}
}

func (f *fixedPlan) run(t *world.Truth) {
	w := f.w
	w.Reset(t, Epoch(day))
	f.wait = f.wait[:0]
	next, up := 0, w.Up
	for up > 0 {
		at := w.Peek()
		if next < len(f.order) {
			if start := Epoch(day).Add(time.Duration(f.s.Hosts[f.order[next]].Start * float64(time.Second))); start <= at {
				w.Now = max(w.Now, start)
				f.wait = append(f.wait, f.order[next])
				next++
				f.tell()
				continue
			}
		}
		w.Next()
		if w.Up < up {
			up = w.Up
			f.tell()
		}
	}
}

// tell stops those that wait for nobody.
func (f *fixedPlan) tell() {
	kept := f.wait[:0]
	for _, k := range f.wait {
		free := true
		for _, j := range f.by[k] {
			free = free && !f.w.Hosts[j].On
		}
		if !free {
			kept = append(kept, k)
			continue
		}
		id := shutdown.ActionID{Outage: 1, Host: int32(k), UPS: -1, Verb: shutdown.VerbShutDown, Try: 1}
		f.w.Do(&shutdown.Effect{Kind: shutdown.Begin, Action: shutdown.Action{ID: id, Deadline: f.w.Now.Add(time.Hour)}})
	}
	f.wait = kept
}

func (f *fixedPlan) cut() bool {
	for k := range f.w.Hosts {
		if f.w.Hosts[k].WasCut {
			return true
		}
	}
	return false
}

// BenchmarkThirtyHosts is one random outage, with all faults, of the site of
// compare/site.json: thirty hosts.
func BenchmarkThirtyHosts(b *testing.B) {
	_, p := readCompareSite(b)
	r := newRunner(b, p)
	dice, err := NewDice(p, day)
	if err != nil {
		b.Fatal(err)
	}
	var o Outage
	var truth world.Truth
	var run Run
	events := 0
	b.ReportAllocs()
	b.ResetTimer()
	began := processor()
	for i := range b.N {
		dice.Draw(uint64(i+1), &o)
		truth = o.TruthOf(uint64(i + 1))
		r.Run(&truth, &run)
		events += run.Events
	}
	used := processor() - began
	b.ReportMetric(float64(used.Nanoseconds())/float64(events), "cpu-ns/event")
	b.ReportMetric(used.Seconds()*1e3/float64(b.N), "cpu-ms/op")
	b.ReportMetric(float64(events)/float64(b.N), "events/op")
}
