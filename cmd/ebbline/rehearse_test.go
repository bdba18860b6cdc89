package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
	gossh "golang.org/x/crypto/ssh"

	"ebbline/agent"
	"ebbline/agent/journal"
	"ebbline/agent/peertest"
	"ebbline/agent/rehearse"
	"ebbline/agent/secret"
	"ebbline/policy"
	"ebbline/policy/load"
)

// stage is a room of real peers to rehearse in: snmpd as the UPS, OpenSSH hosts
// in namespaces, OpenIPMI's simulator; only Redfish is a stand-in.
type stage struct {
	t       *testing.T
	card    *peertest.Card
	rack    *peertest.Rack
	bmc     *peertest.BMC
	redfish *peertest.Redfish
	quiet   net.Listener // takes connections and says nothing
	folder  string
}

func startStage(t *testing.T, hosts int) *stage {
	t.Helper()
	quiet, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { quiet.Close() })
	s := &stage{t: t, card: peertest.StartSNMPD(t, peertest.DefaultUPS()), rack: peertest.StartHosts(t, hosts, peertest.HostOptions{}),
		bmc: peertest.StartBMC(t), redfish: peertest.StartRedfish(t), quiet: quiet, folder: t.TempDir()}
	v3 := s.card.User(s.card.SNMP(3), "SHA256", "AES")
	s.secret("ups-auth", func() ([]byte, error) { return peertest.Secret(v3.AuthKey) })
	s.secret("ups-priv", func() ([]byte, error) { return peertest.Secret(v3.PrivKey) })
	s.secret("ssh-key", func() ([]byte, error) { return s.rack.Secret(peertest.HostKeySecret) })
	s.secret("bmc", func() ([]byte, error) { return s.bmc.Secret("bmc") })
	return s
}

func (s *stage) secret(name string, value func() ([]byte, error)) {
	s.t.Helper()
	v, err := value()
	if err != nil {
		s.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(s.folder, name), v, 0o600); err != nil {
		s.t.Fatal(err)
	}
}

const stagePolicy = `
site "stage" {}

ups "rack" {
  rated_watts = 2700
  battery {
    chemistry = "lfp"
    volts     = 24
    amp_hours = 100
  }
  snmp {
    address  = %q
    version  = "3"
    user     = "sha256-aes"
    auth_key = secret("ups-auth")
    priv_key = secret("ups-priv")
    timeout  = "5s"
    poll_every = "5s"
  }
}

host "board" {
  self     = true
  priority = 100
  fed_by   = ["rack"]
  watts    = 6
  stops_in = "30s"
  local { command = ["/usr/bin/touch", %q] }
}
`

// host writes one host into the policy.
func host(name string, priority int, ssh string, more ...string) string {
	return fmt.Sprintf("\nhost %q {\n  priority = %d\n  fed_by = [\"rack\"]\n  watts = 50\n  stops_in = \"10s\"\n  ssh {\n%s\n  }\n%s\n}\n", name, priority, ssh, strings.Join(more, "\n"))
}

// ssh gives the settings by which host i is reached, or another address.
func (s *stage) ssh(i int, address, user string) string {
	way := s.rack.SSH(i)
	if address == "" {
		address = way.Address
	}
	return fmt.Sprintf("address = %q\nuser = %q\nkey = secret(\"ssh-key\")\nhost_key = %q\ncommand = %q\ngives_up = \"1m\"", address, user, way.HostKey, way.Command)
}

func (s *stage) touched() string { return filepath.Join(s.folder, "touched") }

func (s *stage) write(hosts ...string) string {
	s.t.Helper()
	path := filepath.Join(s.folder, "stage.hcl")
	text := fmt.Sprintf(stagePolicy, s.card.Addr, s.touched()) + strings.Join(hosts, "")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		s.t.Fatal(err)
	}
	return path
}

func (s *stage) load(path string) *policy.Policy {
	s.t.Helper()
	files, err := policyFiles(path)
	if err != nil {
		s.t.Fatal(err)
	}
	p, _, diags := load.Load(files, load.Options{})
	if p == nil {
		s.t.Fatal(diags)
	}
	return p
}

// untouched fails when anybody was told anything.
func (s *stage) untouched() {
	s.t.Helper()
	for i := range 2 {
		if got := s.rack.Commands(i); len(got) > 0 || !s.rack.Up(i) {
			s.t.Errorf("host %d is up: %v, and was sent %v", i, s.rack.Up(i), got)
		}
	}
	if got := s.bmc.Orders(); len(got) > 0 {
		s.t.Errorf("the BMC was ordered %q", got)
	}
	if got := s.redfish.State().Orders; len(got) > 0 {
		s.t.Errorf("the Redfish service was ordered %q", got)
	}
	if got := s.card.Sets(); len(got) > 0 {
		s.t.Errorf("the UPS was sent %v", got)
	}
	if _, err := os.Stat(s.touched()); err == nil {
		s.t.Error("the local command was run")
	}
}

// rehearse runs the command in this process.
func (s *stage) rehearse(want int, args ...string) (stdout, stderr string) {
	s.t.Helper()
	var out, err bytes.Buffer
	args = append([]string{"rehearse", "--secrets", s.folder, "--history", "none"}, args...)
	if code := Run(s.t.Context(), args, Streams{In: strings.NewReader(""), Out: &out, Err: &err, Env: func(string) string { return "" }}); code != want {
		s.t.Errorf("exit code %d, want %d:\n%s%s", code, want, &out, &err)
	}
	for _, name := range []string{"ups-auth", "ups-priv", "ssh-key", "bmc"} {
		value, _ := os.ReadFile(filepath.Join(s.folder, name))
		if text := strings.TrimSpace(string(value)); text == "" || strings.Contains(out.String()+err.String(), text) {
			s.t.Errorf("the secret %s is empty or was printed", name)
		}
	}
	return out.String(), err.String()
}

// controllers gives a host's further ways: IPMI, and Redfish with user.
func (s *stage) controllers(user string) string {
	return fmt.Sprintf(`
  bmc {
    protocol = "ipmi"
    address  = %q
    user     = "admin"
    password = secret("bmc")
    suites   = [3]
    gives_up = "1m"
  }
  outlet {
    protocol    = "redfish"
    address     = %q
    user        = %q
    password    = secret("bmc")
    certificate = %q
    name        = "A1"
    gives_up    = "1m"
  }
  wake { ethernet = "02:00:00:00:00:20" }`, s.bmc.Policy.Address, s.redfish.Policy.Address, user, s.redfish.Policy.Certificate)
}

// Aim: a rehearsal tells a host that is ready from each way in which one is not,
// says for each what to do, gives the hosts in the order of the plan, and tells
// nobody anything. Method: real sshd with a wrong pin, an unknown user, a port
// where nobody listens, and a listener that says nothing; ipmi_sim, a Redfish
// stand-in and snmpd. Every peer keeps a list of the orders that it got: all stay
// empty.
func TestRehearse(t *testing.T) {
	t.Parallel()
	s := startStage(t, 2)
	shown := gossh.FingerprintSHA256(s.rack.HostKeys(0)[0])
	path := s.write(
		host("good", 60, s.ssh(0, "", peertest.HostUser), s.controllers("admin")),
		host("reinstalled", 50, s.ssh(1, s.rack.Address(0), peertest.HostUser)),
		host("stranger", 40, s.ssh(0, "", "stranger")),
		host("nobody", 30, s.ssh(0, s.rack.Address(0)+":2222", peertest.HostUser)),
		host("quiet", 20, strings.ReplaceAll(s.ssh(0, s.quiet.Addr().String(), peertest.HostUser), "1m", "4s")),
		host("locked", 10, s.ssh(1, "", peertest.HostUser), s.controllers("nobody")),
	)
	stdout, _ := s.rehearse(exitFailed, path, "--json")
	var v rehearsalView
	if err := json.Unmarshal([]byte(stdout), &v); err != nil {
		t.Fatal(err)
	}
	verdicts := map[string]string{}
	var order []string
	for _, h := range v.Hosts {
		order = append(order, h.Name)
		for _, w := range h.Ways {
			verdicts[h.Name] += fmt.Sprintf("%s %s: %s, ", w.For, w.By, w.Verdict)
			if w.By == "ssh" && w.Verdict != rehearse.Unreachable && w.Verdict != rehearse.Silent && !strings.Contains(w.HostKey, "SHA256:") {
				t.Errorf("%s: the host key that was shown is %q", h.Name, w.HostKey)
			}
		}
	}
	for name, want := range map[string]string{
		"good":        "stop ssh: ready, stop ipmi: ready, stop outlet: ready, start wake: ready, start bmc: ready, start outlet: ready, ",
		"reinstalled": "stop ssh: wrong-key, ",
		"stranger":    "stop ssh: refused, ",
		"nobody":      "stop ssh: unreachable, ",
		"quiet":       "stop ssh: silent, ",
		"locked":      "stop ssh: ready, stop ipmi: ready, stop outlet: refused, start wake: ready, start bmc: ready, start outlet: refused, ",
		"board":       "stop local: ready, ",
	} {
		if verdicts[name] != want {
			t.Errorf("%s: %q, want %q", name, verdicts[name], want)
		}
	}
	if want := s.planned(path); !slices.Equal(order, want) {
		t.Errorf("the order is %q, the plan's %q", order, want)
	}
	if u := v.UPSs[0]; !u.Answered || u.Source != "input" || u.LoadWatts == nil || u.ChargePercent == nil {
		t.Errorf("of the UPS: %+v", u)
	}
	if v.Ready || !v.host("good").Ready || !v.host("board").Ready || v.host("locked").Ready {
		t.Errorf("ready: all %v, good %v, board %v, locked %v", v.Ready, v.host("good").Ready, v.host("board").Ready, v.host("locked").Ready)
	}

	text, _ := s.rehearse(exitFailed, path)
	t.Logf("\n%s", text)
	flat := strings.Join(strings.Fields(text), " ")
	for _, want := range []string{shown, "ssh-keygen -lf", "authorized_keys", "nothing listens there", "its SSH server hangs", "user or password was refused", "5 of 7 hosts not ready"} {
		if !strings.Contains(flat, want) {
			t.Errorf("it does not say %q", want)
		}
	}
	for line := range strings.Lines(text) {
		if utf8.RuneCountInString(line) > 81 {
			t.Errorf("wider than 80 columns: %q", line)
		}
	}
	s.untouched()
}

func (v *rehearsalView) host(name string) *attendedView {
	for i := range v.Hosts {
		if v.Hosts[i].Name == name {
			return &v.Hosts[i]
		}
	}
	return &attendedView{}
}

// planned is the order of `ebbline plan`, at the load and charge of the card.
func (s *stage) planned(path string) (names []string) {
	s.t.Helper()
	var out, err bytes.Buffer
	state := peertest.DefaultUPS().Numbers
	Run(s.t.Context(), []string{"plan", path, "--json", "--history", "none", "--load", fmt.Sprintf("rack=%d", state["upsOutputPower.1"]), "--charge", fmt.Sprintf("rack=%d", state["upsEstimatedChargeRemaining"])},
		Streams{In: strings.NewReader(""), Out: &out, Err: &err, Env: func(string) string { return "" }})
	var v planView
	if e := json.Unmarshal(out.Bytes(), &v); e != nil {
		s.t.Fatalf("%v: %s%s", e, &out, &err)
	}
	for _, h := range v.Hosts {
		names = append(names, h.Name)
	}
	return names
}

// Aim: with all well it says so, and ends with 0; a UPS that is on battery, or
// silent, is told of, with 1.
func TestRehearseUPS(t *testing.T) {
	t.Parallel()
	s := startStage(t, 2)
	path := s.write(host("good", 60, s.ssh(0, "", peertest.HostUser)))
	if text, _ := s.rehearse(exitDone, path); !strings.Contains(text, "2 hosts: all ready") {
		t.Errorf("it says:\n%s", text)
	}
	s.card.Numbers(map[string]int64{"upsOutputSource": 5, "upsSecondsOnBattery": 20})
	if text, _ := s.rehearse(exitFailed, path); !strings.Contains(text, "UPS rack: it is on battery now") {
		t.Errorf("it says:\n%s", text)
	}
	s.card.Stop()
	if text, _ := s.rehearse(exitFailed, path); !strings.Contains(text, "no SNMP agent listens there") {
		t.Errorf("it says:\n%s", text)
	}
	s.untouched()
}

// Aim: a temperature and an emergency input are read once; one that cannot be read, is
// at its limit or says that it is used is told of, with 1. Method: a file of the
// kernel's form, and a real program as a switch.
func TestRehearseSensors(t *testing.T) {
	t.Parallel()
	s := startStage(t, 2)
	at := filepath.Join(t.TempDir(), "temp1_input")
	for _, c := range []struct {
		file, word string
		code       int
		want       string
	}{
		{"24500\n", "released", exitDone, "temperature inlet: 24.5 °C; limit 32.0 °C"},
		{"24500\n", "released", exitDone, "emergency_off door: released"},
		{"32000\n", "released", exitFailed, "it is at its limit now"},
		{"none\n", "released", exitFailed, "which is no number"},
		{"24500\n", "pressed", exitFailed, "emergency_off door: it says that it is used now"},
		{"24500\n", "open", exitFailed, "prints neither"},
	} {
		if err := os.WriteFile(at, []byte(c.file), 0o600); err != nil {
			t.Fatal(err)
		}
		path := s.write(host("good", 60, s.ssh(0, "", peertest.HostUser)),
			fmt.Sprintf("temperature \"inlet\" {\n  limit = 32\n  file {\n    path  = %q\n    scale = 0.001\n  }\n}\nemergency_off \"door\" {\n  cuts    = \"both\"\n  command = [\"/bin/echo\", %q]\n}\n", at, c.word))
		if text, _ := s.rehearse(c.code, path); !strings.Contains(strings.Join(strings.Fields(text), " "), c.want) {
			t.Errorf("%q, %s: it says:\n%s", c.file, c.word, text)
		}
	}
}

// Aim: the agent's own rehearsal raises host-unready for the host whose way
// fails, for no other, and clears it when the way works again; the log says why.
// It ends when an outage begins, and raises nothing then; in one it does nothing.
// Method: the real agent before the real peers; a host whose plug is pulled.
func TestRehearseInTheAgent(t *testing.T) {
	t.Parallel()
	s := startStage(t, 3)
	path := s.write(
		host("good", 60, s.ssh(0, "", peertest.HostUser), s.controllers("admin")),
		host("stranger", 40, s.ssh(1, "", "stranger")),
		host("pulled", 20, s.ssh(2, "", peertest.HostUser)),
	)
	p := s.load(path)
	j, past, err := journal.Open(filepath.Join(t.TempDir(), "journal"))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	secrets := &secret.Places{Folder: s.folder, Env: func(string) string { return "" }}
	read := func(name policy.Secret) ([]byte, error) { return secrets.Read(string(name)) }
	a := agent.New(agent.Config{Policy: p, Wire: func(p *policy.Policy) (*agent.Parts, error) { return wire(p, read) }, Journal: j, Past: past, Build: "b", Boot: "boot"})
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- a.Run(ctx) }()
	defer func() { stop(); <-ended }()
	until := func(what string, ok func(v agent.View) bool) {
		t.Helper()
		for end := time.Now().Add(2 * time.Minute); !ok(a.View()); time.Sleep(50 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("not within two minutes: %s", what)
			}
		}
	}
	until("the UPS answers", func(v agent.View) bool { return len(v.UPSs) == 1 && v.UPSs[0].AnswerAgeSeconds != nil })

	core, lines := observer.New(zap.WarnLevel)
	d := &rehearse.Daily{Parts: rehearsed(read), Log: zap.New(core)}
	unready := func() (names []string) {
		for _, c := range a.View().Conditions {
			if c.Code == "host-unready" {
				names = append(names, c.Host)
			}
		}
		return names
	}
	s.rack.PullPlug(2)
	if failed, whole := d.Round(t.Context(), a); !failed || !whole {
		t.Errorf("a round with two bad hosts: failed %v, whole %v", failed, whole)
	}
	if got := unready(); !slices.Equal(got, []string{"pulled", "stranger"}) {
		t.Errorf("unready are %q", got)
	}
	said := map[string]string{}
	for _, l := range lines.TakeAll() {
		m := l.ContextMap()
		said[fmt.Sprint(m["host"], " ", m["verdict"])] = fmt.Sprint(m["said"])
	}
	if len(said) != 2 || !strings.Contains(said["stranger refused"], "authorized_keys") || said["pulled unreachable"] == "" {
		t.Errorf("the log says %q", said)
	}
	s.rack.PlugIn(2)
	s.rack.Boot(2)
	s.rack.WaitUp(2)
	d.Round(t.Context(), a)
	if got := unready(); !slices.Equal(got, []string{"stranger"}) {
		t.Errorf("with its plug in again, unready are %q", got)
	}
	s.untouched()

	// A policy with a host at which a try lasts; the input fails meanwhile.
	q := s.load(s.write(host("quiet", 20, strings.ReplaceAll(s.ssh(0, s.quiet.Addr().String(), peertest.HostUser), "1m", "5m"))))
	if err := a.Adopt(q); err != nil {
		t.Fatal(err)
	}
	until("the new policy is in force", func(v agent.View) bool { return v.Policy == q.Fingerprint && v.UPSs[0].AnswerAgeSeconds != nil })
	lines.TakeAll()
	s.card.Numbers(map[string]int64{"upsOutputSource": 5, "upsSecondsOnBattery": 20})
	if failed, whole := d.Round(t.Context(), a); failed || whole || len(unready()) > 0 {
		t.Errorf("the outage began, and the round: failed %v, whole %v; unready are %q", failed, whole, unready())
	}
	until("the outage is seen", func(v agent.View) bool { return v.Outage != nil })
	if failed, whole := d.Round(t.Context(), a); failed || whole || lines.Len() > 0 {
		t.Errorf("it rehearsed in an outage: failed %v, whole %v, %d lines", failed, whole, lines.Len())
	}
}
