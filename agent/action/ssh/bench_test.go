package ssh

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"sync"
	"syscall"
	"testing"
	"time"

	gossh "golang.org/x/crypto/ssh"

	"ebbline/agent/peertest"
	"ebbline/shutdown"
)

// BenchmarkFanOut sends a command to n hosts, 64 at a time: first with a login
// each, then over open connections. One real sshd plays all hosts, so the wall
// times are mostly its own; the client's processor time and its memory are what
// is measured, and beside them, since other load on the machine moves both, the
// same logins by the bare library and, for 50 hosts, by OpenSSH's client with
// the same key exchange. Run it with
//
//	go test -run '^$' -bench FanOut -benchtime 1x -count 3 ./agent/action/ssh
func BenchmarkFanOut(b *testing.B) {
	// A host without a log of commands starts only a shell for each.
	r := peertest.StartHosts(b, 1, peertest.HostOptions{Unprivileged: true})
	r.Allow(0, publicLine(r.ClientKey()), "")
	for _, n := range []int{50, 500} {
		b.Run(fmt.Sprintf("hosts=%d", n), func(b *testing.B) {
			var bare, openSSH, cold, warm cost
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
				bare = bare.plus(measure(func() { atOnce(hosts, func(*Host) { bareLibrary(b, r) }) }))
				cold = cold.plus(measure(func() { atOnce(hosts, command) }))
				if n == 50 {
					openSSH = openSSH.plus(measure(func() { atOnce(hosts, func(*Host) { openSSHClient(b, r) }) }))
				}
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
			b.ReportMetric(1e3*bare.cpu/all, "bare-cpu-ms/host")
			b.ReportMetric(1e3*cold.cpu/all, "cold-cpu-ms/host")
			b.ReportMetric(1e3*warm.cpu/all, "warm-cpu-ms/host")
			b.ReportMetric(cold.wall/float64(b.N), "cold-s")
			b.ReportMetric(warm.wall/float64(b.N), "warm-s")
			b.ReportMetric(warm.wall/cold.wall, "warm/cold")
			b.ReportMetric(memory/all/1024, "KiB/connection")
			if n == 50 {
				b.ReportMetric(openSSH.children/cold.cpu, "openssh-cpu/cold-cpu")
				b.ReportMetric(openSSH.wall/cold.wall, "openssh-wall/cold-wall")
			}
		})
	}
}

// bareLibrary is the least that the library can do for a command.
func bareLibrary(b *testing.B, r *peertest.Rack) {
	key, _ := r.Secret(peertest.HostKeySecret)
	signer, err := gossh.ParsePrivateKey(key)
	if err != nil {
		b.Error(err)
		return
	}
	client, err := gossh.Dial("tcp", r.Address(0)+":22", &gossh.ClientConfig{
		User: peertest.HostUser, Auth: []gossh.AuthMethod{gossh.PublicKeys(signer)},
		HostKeyCallback:   gossh.FixedHostKey(r.HostKeys(0)[0]),
		HostKeyAlgorithms: []string{gossh.KeyAlgoED25519},
	})
	if err != nil {
		b.Error(err)
		return
	}
	defer client.Close()
	session, err := client.NewSession()
	if err != nil {
		b.Error(err)
		return
	}
	if err := session.Run("true"); err != nil {
		b.Error(err)
	}
}

func openSSHClient(b *testing.B, r *peertest.Rack) {
	key := filepath.Join(b.TempDir(), "key")
	text, _ := r.Secret(peertest.HostKeySecret)
	if err := os.WriteFile(key, text, 0o600); err != nil {
		b.Error(err)
	}
	out, err := exec.Command("ssh", "-F", "none", "-i", key, "-o", "BatchMode=yes", "-o", "KexAlgorithms=curve25519-sha256",
		"-o", "UserKnownHostsFile="+r.KnownHosts(), peertest.HostUser+"@"+r.Address(0), "true").CombinedOutput()
	if err != nil {
		b.Errorf("%v: %s", err, out)
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

// cost is in seconds: passed, of the processor, of the processor for programs
// that were started.
type cost struct{ wall, cpu, children float64 }

func (c cost) plus(d cost) cost {
	return cost{c.wall + d.wall, c.cpu + d.cpu, c.children + d.children}
}

func measure(f func()) cost {
	cpu := func(who int) float64 {
		var u syscall.Rusage
		syscall.Getrusage(who, &u)
		return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
	}
	start, own, children := time.Now(), cpu(syscall.RUSAGE_SELF), cpu(syscall.RUSAGE_CHILDREN)
	f()
	return cost{time.Since(start).Seconds(), cpu(syscall.RUSAGE_SELF) - own, cpu(syscall.RUSAGE_CHILDREN) - children}
}

// inUse is the memory of live objects and stacks.
func inUse() float64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return float64(m.HeapAlloc + m.StackInuse)
}
