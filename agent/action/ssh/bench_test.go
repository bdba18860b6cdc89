package ssh

import (
	"context"
	"fmt"
	"runtime"
	"sync"
	"syscall"
	"testing"
	"time"

	"ebbline/agent/peertest"
	"ebbline/shutdown"
)

// BenchmarkFanOut sends a command to n hosts, 64 at a time: first with a login
// each, then over open connections. One real sshd plays all hosts, so the wall
// times are mostly its own; the client's processor time, its share of it and
// its memory are what is measured. Run it with
//
//	go test -run '^$' -bench FanOut -benchtime 1x -count 3 ./agent/action/ssh
func BenchmarkFanOut(b *testing.B) {
	// A host without a log of commands starts only a shell for each.
	r := peertest.StartHosts(b, 1, peertest.HostOptions{Unprivileged: true})
	r.Allow(0, publicLine(r.ClientKey()), "")
	for _, n := range []int{50, 500} {
		b.Run(fmt.Sprintf("hosts=%d", n), func(b *testing.B) {
			var cold, warm cost
			var memory float64
			for b.Loop() {
				hosts := make([]*Host, n)
				for i := range hosts {
					hosts[i] = newHost(r, 0)
				}
				command := func(h *Host) {
					if o, text := h.Do(context.Background(), "true", time.Now().Add(2*time.Minute)); o != shutdown.Accepted {
						b.Errorf("%v, %s", o, text)
					}
				}
				cold = cold.plus(measure(func() { atOnce(hosts, command) }))
				empty := inUse()
				atOnce(hosts, func(h *Host) {
					if err := h.Connect(context.Background()); err != nil {
						b.Error(err)
					}
				})
				memory += inUse() - empty
				warm = warm.plus(measure(func() { atOnce(hosts, command) }))
				for _, h := range hosts {
					h.Close()
				}
			}
			all := float64(b.N * n)
			b.ReportMetric(1e3*cold.cpu/all, "cold-cpu-ms/host")
			b.ReportMetric(1e3*warm.cpu/all, "warm-cpu-ms/host")
			b.ReportMetric(cold.wall/float64(b.N), "cold-s")
			b.ReportMetric(warm.wall/float64(b.N), "warm-s")
			b.ReportMetric(warm.wall/cold.wall, "warm/cold")
			b.ReportMetric(memory/all/1024, "KiB/connection")
		})
	}
}

// BenchmarkOneLogin is the latency of a login, with nothing else going on.
func BenchmarkOneLogin(b *testing.B) {
	r := peertest.StartHosts(b, 1, peertest.HostOptions{})
	h := newHost(r, 0)
	for b.Loop() {
		if rep := h.Check(context.Background()); rep.Err != nil {
			b.Fatal(rep.Err)
		}
	}
}

func atOnce(hosts []*Host, do func(*Host)) {
	var workers sync.WaitGroup
	queue := make(chan *Host)
	for range loginsAtOnce {
		workers.Go(func() {
			for h := range queue {
				do(h)
			}
		})
	}
	for _, h := range hosts {
		queue <- h
	}
	close(queue)
	workers.Wait()
}

type cost struct{ wall, cpu float64 } // seconds

func (c cost) plus(d cost) cost { return cost{c.wall + d.wall, c.cpu + d.cpu} }

func measure(f func()) cost {
	cpu := func() float64 {
		var u syscall.Rusage
		syscall.Getrusage(syscall.RUSAGE_SELF, &u)
		return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
	}
	start, before := time.Now(), cpu()
	f()
	return cost{time.Since(start).Seconds(), cpu() - before}
}

// inUse is the memory of live objects and stacks.
func inUse() float64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return float64(m.HeapAlloc + m.StackInuse)
}
