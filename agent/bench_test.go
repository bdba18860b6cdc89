package agent_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbline/agent"
	"ebbline/agent/journal"
	"ebbline/policy"
	"ebbline/shutdown"
)

// bigRoom is ten UPSs with five hosts each.
func bigRoom(t testing.TB) *policy.Policy {
	p := smallRoom(t)
	p.UPSs, p.Hosts = nil, nil
	for i := range 10 {
		p.UPSs = append(p.UPSs, ups(fmt.Sprintf("ups%d", i), 2))
		for k := range 5 {
			h := host(fmt.Sprintf("host%d%d", i, k), int64(10*k+10), 60)
			h.FedBy = []int{i}
			if k < 4 {
				h.DependsOn = []int{5*i + 4}
			}
			p.Hosts = append(p.Hosts, h)
		}
	}
	check(t, p)
	return p
}

// stage is a stand-in for ten UPSs and fifty hosts on the real clock, which
// says when the agent acted.
type stage struct {
	lost    chan struct{} // closed: the next answers say so
	said    chan time.Time
	opened  chan time.Time
	ordered chan time.Time
}

func (s *stage) Poll(ctx context.Context) (shutdown.Measurement, error) {
	m := shutdown.Nothing
	m.Source, m.Input, m.LoadWatts = shutdown.FromInput, shutdown.LineGood, 300
	select {
	case <-s.lost:
		m.Source, m.Input = shutdown.FromBattery, shutdown.LineBad
		note(s.said)
	default:
	}
	return m, nil
}

func (s *stage) Look(ctx context.Context) (shutdown.Sighting, string) { return shutdown.SeenUp, "" }

func (s *stage) Connect(ctx context.Context) error {
	note(s.opened)
	return nil
}

func (s *stage) Do(ctx context.Context, p *policy.Policy, a shutdown.Action) (shutdown.Outcome, string) {
	note(s.ordered)
	return shutdown.Accepted, ""
}

// note keeps the first time.
func note(ch chan time.Time) {
	select {
	case ch <- time.Now():
	default:
	}
}

func (s *stage) wire(p *policy.Policy) (*agent.Parts, error) {
	parts := &agent.Parts{Doer: s}
	for range p.UPSs {
		parts.Sources = append(parts.Sources, s)
	}
	for range p.Hosts {
		parts.Lookers = append(parts.Lookers, s)
		parts.Connectors = append(parts.Connectors, s)
	}
	return parts, nil
}

func newStage() *stage {
	return &stage{make(chan struct{}), make(chan time.Time, 1), make(chan time.Time, 1), make(chan time.Time, 1)}
}

// BenchmarkDecision is the time from a UPS's answer "on battery" to the agent's
// first act on it, and from an operator's order to the first host's, with ten
// UPSs, fifty hosts, and the journal on this machine's disk.
func BenchmarkDecision(b *testing.B) {
	var decided, ordered, worst time.Duration
	n := 0
	for b.Loop() {
		s := newStage()
		j, past, err := journal.Open(filepath.Join(b.TempDir(), "journal"))
		if err != nil {
			b.Fatal(err)
		}
		a := agent.New(agent.Config{Policy: bigRoom(b), Wire: s.wire, Journal: j, Past: past, Boot: "boot-1"})
		ctx, stop := context.WithCancel(context.Background())
		over := make(chan error)
		go func() { over <- a.Run(ctx) }()
		time.Sleep(300 * time.Millisecond)
		close(s.lost)
		a.Wake("ups0")
		said := <-s.said
		d := (<-s.opened).Sub(said)
		decided, worst = decided+d, max(worst, d)
		// A second answer, so that the loss is sure; then the order.
		time.Sleep(300 * time.Millisecond)
		a.Wake("ups0")
		time.Sleep(100 * time.Millisecond)
		began := time.Now()
		if err := a.Command(shutdown.Proceed, "benchmark"); err != nil {
			b.Fatal(err)
		}
		ordered += (<-s.ordered).Sub(began)
		n++
		stop()
		if err := <-over; err != nil {
			b.Fatal(err)
		}
		j.Close()
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(decided.Seconds()*1000/float64(n), "ms/decision")
	b.ReportMetric(worst.Seconds()*1000, "ms/decision-worst")
	b.ReportMetric(ordered.Seconds()*1000/float64(n), "ms/order")
}

// idleRole is the first argument by which this test binary runs as an agent
// with nothing to do.
const idleRole = "idle-agent"

func runIdle(dir string) error {
	j, past, err := journal.Open(filepath.Join(dir, "journal"))
	if err != nil {
		return err
	}
	defer j.Close()
	ctx, stop := context.WithTimeout(context.Background(), 30*time.Second)
	defer stop()
	var b testing.B
	return agent.New(agent.Config{Policy: bigRoom(&b), Wire: newStage().wire, Journal: j, Past: past, Boot: "boot-1"}).Run(ctx)
}

// BenchmarkIdleMemory is what an agent with ten UPSs and fifty hosts, and
// nothing to do, holds of the machine's memory after twenty seconds. The test
// binary brings the testing package; it does not bring SNMP, SSH and HTTP.
func BenchmarkIdleMemory(b *testing.B) {
	for b.Loop() {
		dir := b.TempDir()
		cmd := exec.Command(os.Args[0], idleRole, dir)
		cmd.Stderr = os.Stderr
		if err := cmd.Start(); err != nil {
			b.Fatal(err)
		}
		size := func() int64 {
			info, err := os.Stat(filepath.Join(dir, "journal"))
			if err != nil {
				b.Fatal(err)
			}
			return info.Size()
		}
		time.Sleep(10 * time.Second)
		before := size()
		time.Sleep(10 * time.Second)
		b.ReportMetric(float64(size()-before)/10, "journal-bytes/s")
		text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid))
		if err != nil {
			b.Fatal(err)
		}
		for _, name := range []string{"VmRSS", "RssAnon"} {
			var kb float64
			_, rest, _ := strings.Cut(string(text), name+":")
			fmt.Sscan(rest, &kb)
			b.ReportMetric(kb/1024, "MiB-"+name)
		}
		cmd.Process.Kill()
		cmd.Wait()
	}
	b.ReportMetric(0, "ns/op")
}
