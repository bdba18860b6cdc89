package main

import (
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"ebbline/agent/peertest"
	"ebbline/policy"
)

var weighed = flag.String("weigh", "", "programs that BenchmarkAgent weighs, with commas between them; this one if it is empty")

// BenchmarkAgent starts the linked program as a service would be and reports what
// it takes of the machine: resident memory, and processor time for each second.
// Programs given by -weigh are measured in turn, so that a former one and this one
// are compared in one run. The rooms: 500 UPSs on one snmpd, polled each second; one
// UPS and four hosts, with a history alone, and with messages, metrics and page too,
// which have been looked at.
func BenchmarkAgent(b *testing.B) {
	card := peertest.StartSNMPD(b, peertest.DefaultUPS())
	for _, program := range programs(b) {
		b.Run(filepath.Base(program), func(b *testing.B) {
			for _, version := range []int{2, 3} {
				b.Run(fmt.Sprintf("ups=500/v%d", version), func(b *testing.B) {
					weigh(b, program, roomToWeigh(card, 500, version), "", 15)
				})
			}
			b.Run("idle", func(b *testing.B) { weigh(b, program, roomToWeigh(card, 1, 3), "", 60) })
			address := freeAddress(b)
			all := strings.Replace(roomToWeigh(card, 1, 3), "# seat", fmt.Sprintf(seatToWeigh, address), 1) + messageToWeigh
			b.Run("idle, all on", func(b *testing.B) { weigh(b, program, all, address, 60) })
		})
	}
}

// programs are those to be weighed: given, or built as the package builds it.
func programs(b *testing.B) []string {
	if *weighed != "" {
		return strings.Split(*weighed, ",")
	}
	program := filepath.Join(b.TempDir(), "ebbline")
	build := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", program, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		b.Fatalf("%v\n%s", err, out)
	}
	return []string{program}
}

const seatToWeigh = `
  metrics { listen = %[1]q }
  page { listen = %[1]q }
`

const messageToWeigh = `
message "hook" {
  severity = "critical"
  webhook { url = "http://127.0.0.1:9/" }
}
message "post" {
  severity = "critical"
  mail {
    server = "127.0.0.1:9"
    from   = "ebbline@example.org"
    to     = ["operator@example.org"]
    tls    = "none"
  }
}
`

// roomToWeigh is a policy of so many UPSs, all of which one card answers for, and of
// four hosts.
func roomToWeigh(card *peertest.Card, n, version int) string {
	access := `version = "2c"
    community = secret("` + string(peertest.ReadCommunity) + `")`
	if version == 3 {
		access = `version = "3"
    user = "sha256-aes"
    auth = "SHA256"
    priv = "AES"
    auth_key = secret("` + string(peertest.AuthKey) + `")
    priv_key = secret("` + string(peertest.PrivKey) + `")`
	}
	var s strings.Builder
	s.WriteString("site \"room\" {\n# seat\n}\n")
	for i := range n {
		fmt.Fprintf(&s, `
ups "rack-%03d" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
    installed = "2026-06-01"
  }
  snmp {
    address    = %q
    poll_every = "1s"
    timeout    = "1s"
    %s
  }
}
`, i, card.Addr, access)
	}
	for k := range 4 {
		fmt.Fprintf(&s, `
host "host-%d" {
  priority = %d
  fed_by   = ["rack-000"]
  watts    = 60
  stops_in = "1m"
  ssh {
    address  = "127.0.0.1:9"
    user     = "ebbline"
    key      = secret("ssh-key")
    host_key = "SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"
    command  = "sudo systemctl poweroff"
  }
  wake { ethernet = "02:00:00:00:00:2%[1]d" }
}
`, k, 10*k+10)
	}
	return s.String()
}

// weigh lets a program run for so many seconds in a room, and reports what it takes
// in the ten that follow. Where an address is given, its page and metrics are asked
// for before that.
func weigh(b *testing.B, program, room, address string, seconds time.Duration) {
	dir := b.TempDir()
	file := filepath.Join(dir, "room.hcl")
	if err := os.WriteFile(file, []byte(room), 0o600); err != nil {
		b.Fatal(err)
	}
	log, err := os.Create(filepath.Join(dir, "log"))
	if err != nil {
		b.Fatal(err)
	}
	cmd := exec.Command(program, "run", file, "--state", dir, "--socket", filepath.Join(dir, "control"), "--secrets", filepath.Join(dir, "secrets"))
	cmd.Stdout, cmd.Stderr = log, log
	cmd.Env = os.Environ()
	for _, name := range []policy.Secret{peertest.ReadCommunity, peertest.AuthKey, peertest.PrivKey} {
		value, err := peertest.Secret(name)
		if err != nil {
			b.Fatal(err)
		}
		cmd.Env = append(cmd.Env, "EBBLINE_SECRET_"+strings.ToUpper(strings.ReplaceAll(string(name), "-", "_"))+"="+string(value))
	}
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	defer func() {
		cmd.Process.Signal(syscall.SIGTERM)
		cmd.Wait()
		if text, err := os.ReadFile(log.Name()); b.Failed() && err == nil {
			b.Logf("%s", text)
		}
	}()
	time.Sleep(seconds * time.Second)
	if address != "" {
		for range 20 {
			lookAt(b, "http://"+address+"/")
			lookAt(b, "http://"+address+"/metrics")
			time.Sleep(100 * time.Millisecond)
		}
		time.Sleep(5 * time.Second)
	}
	const long = 10
	before := ticks(b, cmd.Process.Pid)
	time.Sleep(long * time.Second)
	b.ReportMetric(float64(ticks(b, cmd.Process.Pid)-before)/long, "%core") // a tick is 10 ms
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid))
	if err != nil {
		b.Fatal(err)
	}
	for _, name := range []string{"VmRSS", "RssAnon", "RssFile"} {
		var kb float64
		_, rest, _ := strings.Cut(string(text), name+":")
		fmt.Sscan(rest, &kb)
		b.ReportMetric(kb*1024/1e6, "MB-"+name)
	}
	b.ReportMetric(0, "ns/op")
}

// freeAddress is one of this machine that nothing listens on.
func freeAddress(b *testing.B) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func lookAt(b *testing.B, url string) {
	answer, err := http.Get(url)
	if err != nil {
		b.Fatal(err)
	}
	defer answer.Body.Close()
	if text, err := io.ReadAll(answer.Body); err != nil || answer.StatusCode != http.StatusOK || len(text) < 500 {
		b.Fatalf("%s: %s, %d octets, %v", url, answer.Status, len(text), err)
	}
}

// ticks is the processor time of a process so far, user and system, in 10 ms
// (proc(5), /proc/PID/stat, fields 14 and 15; USER_HZ is 100 on every Linux that Go runs on).
func ticks(b *testing.B, pid int) int64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		b.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), ") ")
	fields := strings.Fields(rest) // from the third on
	user, err1 := strconv.ParseInt(fields[11], 10, 64)
	system, err2 := strconv.ParseInt(fields[12], 10, 64)
	if err1 != nil || err2 != nil {
		b.Fatal(err1, err2)
	}
	return user + system
}
