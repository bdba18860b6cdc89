package plan

import (
	"math/rand/v2"
	"testing"
	"time"

	"ebbline/shutdown/battery"
)

// room makes a site of n hosts in five layers, each needing two of the next, on
// one lead-acid battery that carries it for about 20 minutes.
func room(n int) *Problem {
	r := rand.New(rand.NewPCG(1, uint64(n)))
	p := &Problem{Floor: 75 * time.Second, Reserve: 90 * time.Second, Elapsed: 2 * time.Second}
	sum := 0.0
	for i := range n {
		h := Host{
			Watts: float64(20 + r.IntN(400)), Stops: time.Duration(60+r.IntN(240)) * time.Second,
			Priority: int64(10 * (1 + i*5/n)), Feeds: []Feed{{0, 1}},
		}
		h.Stopping, h.Expected = h.Watts, h.Stops/3
		if i > n*9/10 {
			h.Hold = 15 * time.Minute
		}
		layer := i * 5 / n
		if first := (layer - 1) * n / 5; layer > 0 {
			h.After = append(h.After, first+r.IntN(max(1, n/5)), first+r.IntN(max(1, n/5)))
		}
		sum += h.Watts
		p.Hosts = append(p.Hosts, h)
	}
	m := battery.Model{Ohmic: 9 * 60, Diffusion: 64 * 60, Relaxation: 90 * 60}
	m.Store = 1.1 * sum * m.Phi(20*60)
	p.Stores = []Store{{Model: m, Base: 0.05 * sum}}
	return p
}

func benchmarkMake(b *testing.B, p *Problem) {
	var w Planner
	var out Plan
	w.Make(p, &out)
	if !out.Fits {
		b.Fatal("does not fit")
	}
	for b.Loop() {
		w.Make(p, &out)
	}
	b.ReportMetric(float64(w.spent)/float64(len(p.Hosts)), "replays")
}

func BenchmarkMake8(b *testing.B)    { benchmarkMake(b, room(8)) }
func BenchmarkMake30(b *testing.B)   { benchmarkMake(b, room(30)) }
func BenchmarkMake100(b *testing.B)  { benchmarkMake(b, room(100)) }
func BenchmarkMake1000(b *testing.B) { benchmarkMake(b, room(1000)) }

func BenchmarkQuick30(b *testing.B)  { p := room(30); p.Quick = true; benchmarkMake(b, p) }
func BenchmarkQuick100(b *testing.B) { p := room(100); p.Quick = true; benchmarkMake(b, p) }

func benchmarkNoReturn(b *testing.B, n int) {
	var w Planner
	p := room(n)
	for b.Loop() {
		if w.NoReturn(p) < 0 {
			b.Fatal("does not fit")
		}
	}
}

func BenchmarkNoReturn30(b *testing.B)    { benchmarkNoReturn(b, 30) }
func BenchmarkNoReturn100(b *testing.B)   { benchmarkNoReturn(b, 100) }
func BenchmarkNoReturn1000(b *testing.B)  { benchmarkNoReturn(b, 1000) }
func BenchmarkNoReturn10000(b *testing.B) { benchmarkNoReturn(b, 10000) }

func BenchmarkSafe30(b *testing.B) {
	var w Planner
	var out Plan
	p := room(30)
	w.Make(p, &out)
	starts := make([]time.Duration, len(p.Hosts))
	for i := range starts {
		starts[i] = out.Stops[i].Start
	}
	for b.Loop() {
		if !w.Safe(p, starts) {
			b.Fatal("not safe")
		}
	}
}
