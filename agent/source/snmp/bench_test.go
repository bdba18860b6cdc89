package snmp

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"runtime"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/gosnmp/gosnmp"

	"ebbline/agent/peertest"
	"ebbline/policy"
)

// cpu is the processor time that this process has used, kernel time included.
// The card and its UPS are other processes.
func cpu() time.Duration {
	var r syscall.Rusage
	syscall.Getrusage(syscall.RUSAGE_SELF, &r)
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}

// eachSecond lets n workers do one thing a second each, for five seconds, and
// reports the processor time of one and the share of a core of all. Workers of
// a group do it in the same instant: that spares most of the wake-ups.
func eachSecond(b *testing.B, n, group int, worker func() func() error) {
	var all sync.WaitGroup
	var done, failed atomic.Int64
	ctx, cancel := context.WithCancel(b.Context())
	ready := make(chan struct{}, n)
	start := make(chan struct{})
	for i := range n {
		all.Go(func() {
			do := worker()
			ready <- struct{}{}
			<-start
			time.Sleep(time.Duration(i/group*group) * time.Second / time.Duration(n))
			for tick := time.NewTicker(time.Second); ; {
				select {
				case <-ctx.Done():
					return
				case <-tick.C:
				}
				if do() != nil {
					failed.Add(1)
				}
				done.Add(1)
			}
		})
		<-ready // one after the other, so that the first polls do not drown the card
	}
	close(start)
	time.Sleep(2 * time.Second)
	failed.Store(0)
	used, before := cpu(), done.Load()
	time.Sleep(5 * time.Second)
	used, before = cpu()-used, done.Load()-before
	cancel()
	all.Wait()
	b.ReportMetric(float64(used.Microseconds())/float64(before), "µs-cpu/op")
	b.ReportMetric(100*used.Seconds()/5, "%core")
	b.ReportMetric(float64(failed.Load()), "failed")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkPoll is the processor time of polling 1, 50 and 500 UPSs each second
// on one snmpd, spread evenly and in groups of 25, with the heap that each
// takes. Run it with -benchtime 1x, and beside BenchmarkBareUDP, which is what
// the machine takes for the same packets without SNMP.
func BenchmarkPoll(b *testing.B) {
	c := peertest.StartSNMPD(b, peertest.DefaultUPS())
	for _, version := range []int{2, 3} {
		for _, n := range []int{1, 50, 500} {
			for _, group := range []int{1, 25} {
				b.Run(fmt.Sprintf("v%d/ups=%d/group=%d", version, n, group), func(b *testing.B) {
					before := heap()
					var sources []*Source
					eachSecond(b, n, group, func() func() error {
						s := newSource(b, c.SNMP(version))
						s.Poll(b.Context())
						sources = append(sources, s) // one worker after the other begins
						return func() error { _, err := s.Poll(b.Context()); return err }
					})
					b.ReportMetric(float64(heap()-before)/float64(n)/1024, "KiB/ups")
					runtime.KeepAlive(sources)
				})
			}
		}
	}
}

// BenchmarkOnePoll is one poll after the other, with what it allocates.
func BenchmarkOnePoll(b *testing.B) {
	c := peertest.StartSNMPD(b, peertest.DefaultUPS())
	for _, version := range []int{2, 3} {
		b.Run(fmt.Sprintf("v%d", version), func(b *testing.B) {
			s := newSource(b, c.SNMP(version))
			poll(b, s)
			b.ReportAllocs()
			used := cpu()
			for b.Loop() {
				poll(b, s)
			}
			b.ReportMetric(float64((cpu()-used).Microseconds())/float64(b.N), "µs-cpu/op")
		})
	}
}

func heap() int64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// BenchmarkBareUDP exchanges packets of a poll's size with another process.
func BenchmarkBareUDP(b *testing.B) {
	echo := exec.Command(os.Args[0], "-test.run=^TestEcho$", "-test.v")
	echo.Env = append(os.Environ(), "EBBLINE_ECHO=1")
	out, err := echo.StdoutPipe()
	if err == nil {
		err = echo.Start()
	}
	if err != nil {
		b.Fatal(err)
	}
	defer func() { echo.Process.Kill(); echo.Wait() }()
	at := ""
	for lines := bufio.NewScanner(out); at == "" && lines.Scan(); {
		if addr, err := netip.ParseAddrPort(lines.Text()); err == nil {
			at = addr.String()
		}
	}
	for _, n := range []int{1, 50, 500} {
		for _, group := range []int{1, 25} {
			b.Run(fmt.Sprintf("ups=%d/group=%d", n, group), func(b *testing.B) {
				eachSecond(b, n, group, func() func() error {
					conn, err := net.Dial("udp4", at)
					if err != nil {
						b.Error(err)
					}
					b.Cleanup(func() { conn.Close() })
					buf := make([]byte, 2000)
					return func() error {
						conn.SetDeadline(time.Now().Add(time.Second))
						conn.Write(buf[:300])
						_, err := conn.Read(buf)
						return err
					}
				})
			})
		}
	}
}

// TestEcho is the other process of BenchmarkBareUDP, and no test.
func TestEcho(t *testing.T) {
	if os.Getenv("EBBLINE_ECHO") == "" {
		t.Skip("it only serves BenchmarkBareUDP")
	}
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	fmt.Println(conn.LocalAddr())
	buf := make([]byte, 2000)
	for {
		n, from, err := conn.ReadFromUDPAddrPort(buf)
		if err != nil {
			t.Fatal(err)
		}
		conn.WriteToUDPAddrPort(buf[:n], from)
	}
}

// BenchmarkTrap is the time from a trap leaving the sender's socket to the call
// of wake, v2c and v3.
func BenchmarkTrap(b *testing.B) {
	for _, version := range []int{2, 3} {
		b.Run(fmt.Sprintf("v%d", version), func(b *testing.B) {
			h := listen(b, "traps", v3Card("127.0.0.1", "ups"))
			x := &gosnmp.GoSNMP{Version: gosnmp.Version2c, Community: "traps-secret"}
			if version == 3 {
				user, level, err := securityOf(&policy.SNMP{User: "ups", Auth: "SHA256", AuthKey: "ups-auth", Priv: "AES", PrivKey: "ups-priv"}, trapSecret)
				if err != nil {
					b.Fatal(err)
				}
				user.AuthoritativeEngineID = EngineID("the card")
				if err := user.InitSecurityKeys(); err != nil {
					b.Fatal(err)
				}
				x = &gosnmp.GoSNMP{Version: gosnmp.Version3, SecurityModel: gosnmp.UserSecurityModel, MsgFlags: level, SecurityParameters: user}
			}
			packet, err := x.SnmpEncodePacket(gosnmp.SNMPv2Trap, []gosnmp.SnmpPDU{
				{Name: ".1.3.6.1.2.1.1.3.0", Type: gosnmp.TimeTicks, Value: uint32(1)},
				{Name: ".1.3.6.1.6.3.1.1.4.1.0", Type: gosnmp.ObjectIdentifier, Value: ".1.3.6.1.2.1.33.2.1"},
			}, 0, 0)
			if err != nil {
				b.Fatal(err)
			}
			conn, err := net.Dial("udp4", h.Addr().String())
			if err != nil {
				b.Fatal(err)
			}
			defer conn.Close()
			for b.Loop() {
				conn.Write(packet)
				select {
				case <-h.woken:
				case why := <-h.ignored:
					b.Fatal(why)
				}
			}
		})
	}
}
