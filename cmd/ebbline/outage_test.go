package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"ebbline/agent"
	"ebbline/agent/control"
	"ebbline/agent/peertest"
	"ebbline/agent/source/snmp"
	"ebbline/policy"
	"ebbline/shutdown"
)

// The test binary is the UPS behind snmpd, and, asked to, ebbline itself.
func TestMain(m *testing.M) {
	if os.Getenv("EBBLINE_TEST_COMMAND") != "" {
		os.Unsetenv("EBBLINE_TEST_COMMAND")
		main()
	}
	if dir := os.Getenv("EBBLINE_TEST_CONFINED"); dir != "" {
		os.Exit(triesToEscape(dir))
	}
	peertest.Main(m)
}

// room is a real snmpd as UPS, real OpenSSH hosts in namespaces, and ebbline as
// a process of its own.
type room struct {
	t      *testing.T
	card   *peertest.Card
	rack   *peertest.Rack
	folder string
	policy string
	client *control.Client
	names  []string // of the rack's hosts
	agent  *exec.Cmd
	log    *bytes.Buffer
	mu     sync.Mutex
}

const roomPolicy = `
site "room" {
  ride_through = "10s"
  reserve      = "5s"
  restore {
    stable_for = "3s"
    stagger    = "1s"
  }
}

ups "rack" {
  rated_watts    = 2700
  overhead_watts = 1
  battery {
    chemistry = "lfp"
    volts     = 24
    amp_hours = 1
    model {
      store_watt_hours = 11.3
      ohmic            = "1s"
      diffusion        = "0s"
      relaxation       = "1m"
    }
    recharge_hours = 0.1
  }
  snmp {
    address    = "%[1]s"
    version    = "3"
    user       = "sha256-aes"
    auth_key   = secret("ups-auth")
    priv_key   = secret("ups-priv")
    poll_every = "1s"
    timeout    = "1s"
  }
}

group "hosts" {
  fed_by    = ["rack"]
  stops_in  = "3s"
  gives_up  = "15s"
  starts_in = "20s"
  probe { quiet_for = "2s" }
  ssh {
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "%[2]s"
    command     = "%[3]s"
  }
}

host "lab" {
  group    = "hosts"
  priority = 10
  watts    = 60
  ssh { address = "%[4]s" }
  wake {
    ethernet = "%[7]s"
    to       = "%[10]s"
  }
}

host "app" {
  group      = "hosts"
  priority   = 50
  watts      = 60
  depends_on = ["nas"]
  ssh { address = "%[5]s" }
  wake {
    ethernet = "%[8]s"
    to       = "%[10]s"
  }
}

host "nas" {
  group    = "hosts"
  priority = 90
  watts    = 80
  ssh { address = "%[6]s" }
  wake {
    ethernet = "%[9]s"
    to       = "%[10]s"
  }
}

host "board" {
  self      = true
  priority  = 100
  fed_by    = ["rack"]
  watts     = 250
  stops_in  = "2s"
  gives_up  = "5s"
  starts_in = "10s"
  local { command = ["/usr/bin/touch", "%[11]s"] }
}
`

// newRoom is a folder for ebbline and a card, with the secrets by which that is
// asked; r.policy is to be written.
func newRoom(t *testing.T, card *peertest.Card, secrets map[string]policy.Secret) *room {
	t.Helper()
	r := &room{t: t, card: card, folder: t.TempDir(), log: &bytes.Buffer{}}
	r.policy, r.client = filepath.Join(r.folder, "room.hcl"), control.NewClient(r.socket())
	for name, secret := range secrets {
		value, err := peertest.Secret(secret)
		if err != nil {
			t.Fatal(err)
		}
		r.write("secrets/"+name, string(value), 0o600)
	}
	os.MkdirAll(filepath.Join(r.folder, "state"), 0o700)
	os.MkdirAll(filepath.Join(r.folder, "run"), 0o750)
	t.Cleanup(func() {
		r.kill()
		if t.Failed() {
			r.mu.Lock()
			t.Logf("the agent's log:\n%s", r.log)
			r.mu.Unlock()
		}
	})
	return r
}

func startRoom(t *testing.T) *room { return startRoomFor(t, 90*time.Second) }

// startRoomFor is a room whose battery carries 450 W for so long.
func startRoomFor(t *testing.T, lasts time.Duration) *room {
	t.Helper()
	state := peertest.DefaultUPS()
	state.Numbers["upsOutputPower.1"] = 450
	state.Numbers["upsConfigLowBattTime"] = 1
	full := 450 * lasts.Seconds() // 4 times as fast back, or faster
	state.Battery = &peertest.Battery{Full: full, Left: full, ChargeWatts: max(1800, full/20)}
	card := peertest.StartSNMPD(t, state)
	v3 := card.User(card.SNMP(3), "SHA256", "AES")
	r := newRoom(t, card, map[string]policy.Secret{"ups-auth": v3.AuthKey, "ups-priv": v3.PrivKey})
	r.rack, r.names = peertest.StartHosts(t, 3, peertest.HostOptions{}), []string{"lab", "app", "nas"}
	text := fmt.Sprintf(roomPolicy, r.card.Addr, r.rack.KnownHosts(), peertest.PowerOff,
		r.rack.Address(0), r.rack.Address(1), r.rack.Address(2), r.rack.Ethernet(0), r.rack.Ethernet(1), r.rack.Ethernet(2), r.rack.Broadcast(), r.stopped())
	r.write("room.hcl", text, 0o644)
	key, err := r.rack.Secret(peertest.HostKeySecret)
	if err != nil {
		t.Fatal(err)
	}
	r.write("secrets/ssh-key", string(key), 0o600)
	go r.weigh()
	return r
}

func (r *room) stopped() string { return filepath.Join(r.folder, "board-stopped") }

func (r *room) write(name, text string, mode os.FileMode) {
	r.t.Helper()
	path := filepath.Join(r.folder, name)
	os.MkdirAll(filepath.Dir(path), 0o700)
	if err := os.WriteFile(path, []byte(text), mode); err != nil {
		r.t.Fatal(err)
	}
}

// weigh lets the UPS's load follow the hosts that are up.
func (r *room) weigh() {
	last := int64(-1)
	for r.t.Context().Err() == nil {
		watts := int64(250)
		for i, w := range []int64{60, 60, 80} {
			if r.rack.Up(i) {
				watts += w
			}
		}
		if watts != last {
			r.card.Set(func(s *peertest.UPSState) { s.Numbers["upsOutputPower.1"] = watts })
			last = watts
		}
		time.Sleep(100 * time.Millisecond)
	}
}

// locked writes the agent's log.
func (r *room) Write(p []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.log.Write(p)
}

// command is ebbline as a process of its own.
func (r *room) command(args ...string) *exec.Cmd {
	exe, err := os.Executable()
	if err != nil {
		r.t.Fatal(err)
	}
	cmd := exec.Command(exe, args...)
	cmd.Env = append(os.Environ(), "EBBLINE_TEST_COMMAND=1", "EBBLINE_STATE="+filepath.Join(r.folder, "state"),
		"EBBLINE_SOCKET="+r.socket(), "EBBLINE_SECRETS="+filepath.Join(r.folder, "secrets"))
	return cmd
}

// start starts the agent, in a boot of the name given: it sees a boot id of its
// own, by a mount that no other process has.
func (r *room) start(boot string) {
	r.t.Helper()
	r.write("boot-"+boot, boot+"\n", 0o644)
	cmd := r.command("run", r.policy)
	script := fmt.Sprintf("mount --bind %s /proc/sys/kernel/random/boot_id && exec \"$@\"", filepath.Join(r.folder, "boot-"+boot))
	cmd.Args = append([]string{"unshare", "-m", "sh", "-c", script, "sh"}, cmd.Args...)
	path, err := exec.LookPath("unshare")
	if err != nil {
		r.t.Fatal("the test needs unshare: apt-get install util-linux")
	}
	cmd.Args[6], cmd.Path = cmd.Path, path
	cmd.Stdout, cmd.Stderr = r, r
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	// Its death signal comes when the thread ends that started it: others of this
	// program end with their goroutines. This one lasts as long as the test.
	started := make(chan error)
	go func() {
		runtime.LockOSThread()
		started <- cmd.Start()
		<-r.t.Context().Done()
	}()
	if err := <-started; err != nil {
		r.t.Fatal(err)
	}
	r.agent = cmd
}

// kill ends the agent as the power does.
func (r *room) kill() {
	if r.agent != nil {
		r.agent.Process.Kill()
		r.agent.Wait()
		r.agent = nil
	}
}

func (r *room) socket() string { return filepath.Join(r.folder, "run/control") }

// status asks the running agent, without a process of its own for each time: on
// a busy machine that takes longer than what the test waits for.
func (r *room) status() (agent.View, error) {
	v, _, err := r.client.Status(r.t.Context())
	return v, err
}

// until waits for something, and fails when it does not come in time: the limit
// is far beyond what it takes.
func (r *room) until(what string, limit time.Duration, ok func() bool) {
	r.t.Helper()
	for end := time.Now().Add(limit); !ok(); time.Sleep(100 * time.Millisecond) {
		if time.Now().After(end) {
			v, err := r.status()
			text, _ := json.MarshalIndent(v, "", " ")
			r.t.Fatalf("not within %s: %s\n%v\n%s", limit, what, err, text)
		}
	}
}

func (r *room) phase() string {
	v, err := r.status()
	if err != nil || len(v.UPSs) == 0 {
		return ""
	}
	return v.UPSs[0].Phase
}

// charge asks the UPS itself.
func (r *room) charge() int64 {
	r.t.Helper()
	s, err := snmp.New(r.card.SNMP(2), peertest.Secret, snmp.Rated{})
	if err != nil {
		r.t.Fatal(err)
	}
	m, err := s.Poll(context.Background())
	if err != nil {
		r.t.Fatal(err)
	}
	return m.ChargeTenths
}

// Aim: one outage from end to end on real peers. The input fails; a short
// interruption is ridden through; in a long one everything goes down in order
// and in time, though the agent is killed with SIGKILL in the middle; its own
// host goes last; when the input is back the agent starts in a new boot, magic
// packets arrive, and the hosts start again in order.
// Method: net-snmp's snmpd over SNMPv3 as the UPS, with a battery that empties;
// OpenSSH hosts in their own pid and network namespaces, whose power-off ends
// every process of theirs; ebbline as a process. Only the agent's own host is a
// stand-in: its power-off command writes a file, and the test then kills the
// agent.
func TestOutageFromEndToEnd(t *testing.T) {
	t.Parallel()
	r := startRoom(t)
	if out, err := r.command("check", r.policy).CombinedOutput(); err != nil {
		t.Fatalf("check: %v\n%s", err, out)
	}
	if out, err := r.command("plan", r.policy).CombinedOutput(); err != nil {
		t.Fatalf("plan: %v\n%s", err, out)
	}
	r.start("one")
	r.until("normal mode with the UPS's own figures", time.Minute, func() bool {
		v, err := r.status()
		return err == nil && len(v.UPSs) == 1 && v.UPSs[0].Phase == "normal" && v.UPSs[0].OwnChargePercent != nil
	})

	// A blink.
	r.card.Unplug()
	r.until("the blink is seen", time.Minute, func() bool { return r.phase() == "ride_through" })
	r.card.PlugIn()
	r.until("the blink is over", time.Minute, func() bool { return r.phase() == "normal" })
	for i, name := range r.names {
		if len(r.rack.Commands(i)) > 0 {
			t.Fatalf("%s was asked to stop in a blink: %v", name, r.rack.Commands(i))
		}
	}

	// The outage; the agent is killed as soon as the first host was asked.
	r.card.Unplug()
	r.until("the first host is asked", time.Minute, func() bool { return len(r.rack.Commands(0)) > 0 })
	r.kill()
	time.Sleep(2 * time.Second)
	r.start("one")
	for i, name := range r.names {
		r.until(name+" is down", 2*time.Minute, func() bool { return !r.rack.Up(i) })
	}
	r.until("the agent's own host is told to stop", 2*time.Minute, func() bool {
		_, err := os.Stat(r.stopped())
		return err == nil
	})
	if c := r.charge(); c <= 0 {
		t.Errorf("everything is down, and the battery at %d tenths of a percent", c)
	}
	if !r.rack.StoppedAt(1).Before(r.rack.StoppedAt(2)) {
		t.Errorf("app, which depends on nas, went at %s, nas at %s", r.rack.StoppedAt(1), r.rack.StoppedAt(2))
	}
	for i, name := range r.names {
		// Once, or twice where the kill fell between the order and its record.
		if n := len(r.rack.Commands(i)); n < 1 || n > 2 {
			t.Errorf("%s was asked %d times: %v", name, n, r.rack.Commands(i))
		}
	}
	r.kill()

	// The input is back; the agent's host boots.
	r.card.PlugIn()
	r.start("two")
	for i, name := range r.names {
		r.until(name+" is up again", 3*time.Minute, func() bool { return r.rack.Up(i) })
	}
	r.until("all is normal", 3*time.Minute, func() bool { return r.phase() == "normal" })
	var v agent.View
	if out, err := r.command("status", "--json").Output(); err != nil || json.Unmarshal(out, &v) != nil {
		t.Fatalf("status: %v\n%s", err, out)
	}
	for _, c := range v.Conditions {
		t.Errorf("a condition is left: %s %s %s: %s", c.Code, c.UPS, c.Host, c.Text)
	}
	for _, h := range v.Hosts {
		if h.Power != shutdown.Up.String() {
			t.Errorf("%s is %s", h.Name, h.Power)
		}
	}
	if !inOrder(v.Records, "nas is back", "app is told to start") {
		t.Errorf("app was started before nas, on which it depends, was back: %v", v.Records)
	}
}

// inOrder tells whether records with these texts came in this order.
func inOrder(records []agent.Record, texts ...string) bool {
	for _, r := range records {
		if len(texts) > 0 && strings.HasPrefix(r.Text, texts[0]) {
			texts = texts[1:]
		}
	}
	return len(texts) == 0
}
