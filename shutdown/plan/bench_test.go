package plan

import (
	"fmt"
	"math/rand/v2"
	"syscall"
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
	m.Energy = 1.1 * sum * m.Phi(20*60)
	p.Stores = []Store{{Model: m, Base: 0.05 * sum}}
	return p
}

// sizes runs a benchmark for rooms of several sizes.
func sizes(b *testing.B, ns []int, run func(b *testing.B, w *Planner, p *Problem)) {
	for _, n := range ns {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.ReportAllocs()
			began := coreTime()
			run(b, &Planner{}, room(n))
			b.ReportMetric(float64(coreTime()-began)/float64(time.Millisecond)/float64(b.N), "core-ms/op")
		})
	}
}

// coreTime is the time that this process has had on any core: what others do on a busy
// machine counts less in it.
func coreTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// The whole plan: point of no return, promises, worth, reasons, forecasts. The
// goal is 20 ms for 100 hosts.
func BenchmarkMake(b *testing.B) {
	sizes(b, []int{8, 30, 100, 300, 1000}, func(b *testing.B, w *Planner, p *Problem) {
		var out Plan
		for b.Loop() {
			w.Make(p, &out)
		}
	})
}

func BenchmarkMakeQuick(b *testing.B) {
	sizes(b, []int{8, 30, 100, 300, 1000}, func(b *testing.B, w *Planner, p *Problem) {
		var out Plan
		p.Quick = true
		for b.Loop() {
			w.Make(p, &out)
		}
	})
}

// The whole plan for the oracle's larger instances, which took a mixed-integer
// program 1.6 to 2.6 s at 100 hosts.
func BenchmarkMakeOracle(b *testing.B) {
	for _, in := range instances(b) {
		if in.MILP == nil {
			continue
		}
		b.Run(in.ID, func(b *testing.B) {
			var w Planner
			var out Plan
			p := in.problem()
			for b.Loop() {
				w.Make(p, &out)
			}
		})
	}
}

// The goal is 50 ms for 10,000 hosts.
func BenchmarkNoReturn(b *testing.B) {
	sizes(b, []int{30, 100, 1000, 10000}, func(b *testing.B, w *Planner, p *Problem) {
		for b.Loop() {
			if w.NoReturn(p) < 0 {
				b.Fatal("nothing fits")
			}
		}
	})
}

// The backward pass alone. The goal is 200 times the speed of networkx, which
// takes 82 us for 100 hosts, 0.84 ms for 1,000 and 14 ms for 10,000.
func BenchmarkBackwardPass(b *testing.B) {
	sizes(b, []int{100, 1000, 10000}, func(b *testing.B, w *Planner, p *Problem) {
		w.load(p, false)
		w.deadline[0] = int64(time.Hour)
		for b.Loop() {
			w.goBack()
		}
	})
}

func BenchmarkSafe(b *testing.B) {
	sizes(b, []int{30, 100}, func(b *testing.B, w *Planner, p *Problem) {
		plan := starts(Make(p))
		for b.Loop() {
			if !w.Safe(p, plan) {
				b.Fatal("not safe")
			}
		}
	})
}

// A poll on which nothing became worse.
func BenchmarkTighten(b *testing.B) {
	sizes(b, []int{30, 100}, func(b *testing.B, w *Planner, p *Problem) {
		out := Make(p)
		for b.Loop() {
			if !w.Tighten(p, out) {
				b.Fatal("not safe")
			}
		}
	})
}

// A poll on which the battery turned out a tenth weaker.
func BenchmarkTightenWorse(b *testing.B) {
	sizes(b, []int{30, 100}, func(b *testing.B, w *Planner, p *Problem) {
		first := Make(p)
		p.Stores[0].Model.Energy *= 0.9
		out := *first
		for b.Loop() {
			out.Stops = append(out.Stops[:0:0], first.Stops...)
			if !w.Tighten(p, &out) {
				b.Fatal("not safe")
			}
		}
	})
}

func BenchmarkMarginal(b *testing.B) {
	sizes(b, []int{30, 100, 1000}, func(b *testing.B, w *Planner, p *Problem) {
		var gains []Gain
		for b.Loop() {
			_, gains = w.Marginal(p, gains)
		}
	})
}
