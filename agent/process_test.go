package agent_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"ebbline/agent"
	"ebbline/agent/journal"
	"ebbline/policy"
	"ebbline/shutdown"
)

// These tests run the agent in a process of its own, which the kernel stops and
// kills. The room is a folder: it outlives the process. It is a stand-in; what
// is real here are the process, its clocks, its signals and its journal.

// folderRole is the first argument by which this test binary runs as an agent.
const folderRole = "agent-in-a-folder"

func TestMain(m *testing.M) {
	roles := map[string]func(string) error{folderRole: runInFolder, idleRole: runIdle}
	if len(os.Args) == 3 && roles[os.Args[1]] != nil {
		if err := roles[os.Args[1]](os.Args[2]); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// folder is a room as files: "lost" while the input is away, "off-NAME" for a
// host that is off, "acts" with a line for each order.
type folder string

func (f folder) path(name string) string { return filepath.Join(string(f), name) }

func (f folder) has(name string) bool {
	_, err := os.Stat(f.path(name))
	return err == nil
}

func (f folder) put(t *testing.T, name string) {
	t.Helper()
	if err := os.WriteFile(f.path(name), nil, 0o600); err != nil {
		t.Fatal(err)
	}
}

func (f folder) acts(t *testing.T) []string {
	t.Helper()
	text, err := os.ReadFile(f.path("acts"))
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	return strings.Fields(string(text))
}

// quickRoom is the small room with everything in seconds, and a battery that
// wants everybody off soon.
func quickRoom(t testing.TB) *policy.Policy {
	p := smallRoom(t)
	p.Site.RideThrough, p.Site.Reserve = 3*time.Second, time.Second
	p.Site.Restore = policy.Restore{StableFor: time.Second, Stagger: 100 * time.Millisecond}
	p.UPSs[0].Battery.Model = &policy.Model{StoreWattHours: 5, Ohmic: time.Second}
	p.UPSs[0].SNMP.PollEvery, p.UPSs[0].SNMP.Timeout = 300*time.Millisecond, 200*time.Millisecond
	for k := range p.Hosts {
		p.Hosts[k].StopsIn, p.Hosts[k].StartsIn = time.Second, time.Second
		for m := range p.Hosts[k].Methods {
			p.Hosts[k].Methods[m].GivesUp = 2 * time.Second
		}
	}
	check(t, p)
	return p
}

func (f folder) Poll(ctx context.Context) (shutdown.Measurement, error) {
	m := shutdown.Nothing
	m.Source, m.Input, m.Battery, m.LoadWatts = shutdown.FromInput, shutdown.LineGood, shutdown.StatusNormal, 320
	if f.has("lost") {
		m.Source, m.Input = shutdown.FromBattery, shutdown.LineBad
	}
	return m, nil
}

type folderHost struct {
	folder
	name string
}

func (h folderHost) Look(ctx context.Context) (shutdown.Sighting, string) {
	if h.has("off-" + h.name) {
		return shutdown.SeenOff, ""
	}
	return shutdown.SeenUp, ""
}

func (f folder) Do(ctx context.Context, p *policy.Policy, a shutdown.Action) (shutdown.Outcome, string) {
	acts, err := os.OpenFile(f.path("acts"), os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o600)
	if err != nil {
		return shutdown.Unreachable, err.Error()
	}
	defer acts.Close()
	fmt.Fprintln(acts, a.ID.Name(p))
	if pause(ctx, 200*time.Millisecond) != nil {
		return shutdown.Unknown, ""
	}
	if err := os.WriteFile(f.path("off-"+p.Hosts[a.ID.Host].Name), nil, 0o600); err != nil {
		return shutdown.Unknown, err.Error()
	}
	return shutdown.Accepted, ""
}

func runInFolder(path string) error {
	f := folder(path)
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	j, past, err := journal.Open(f.path("journal"))
	if err != nil {
		return err
	}
	defer j.Close()
	if past.Damage != "" {
		return errors.New(past.Damage)
	}
	var b testing.B
	p := quickRoom(&b)
	return agent.New(agent.Config{
		Policy: p, Journal: j, Past: past, Build: os.Args[0], Boot: "boot-1", Supervisor: printer{},
		Wire: func(p *policy.Policy) (*agent.Parts, error) {
			parts := &agent.Parts{Sources: []agent.Source{f}, Doer: f}
			for k := range p.Hosts {
				parts.Lookers = append(parts.Lookers, folderHost{f, p.Hosts[k].Name})
			}
			return parts, nil
		},
	}).Run(ctx)
}

// printer tells the parent how things stand.
type printer struct{}

func (printer) Ready()              { fmt.Println("ready") }
func (printer) Alive(status string) {}

// process starts the agent and waits until it is ready.
func (f folder) process(t *testing.T) *exec.Cmd {
	t.Helper()
	return f.processOf(t, os.Args[0])
}

func (f folder) processOf(t *testing.T, program string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(program, folderRole, string(f))
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill() })
	if line, err := bufio.NewReader(out).ReadString('\n'); line != "ready\n" {
		t.Fatalf("the agent says %q, %v", line, err)
	}
	return cmd
}

// eventually waits for what must come; nothing is concluded from how long it
// took.
func eventually(t *testing.T, what string, so func() bool) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if so() {
			return
		}
	}
	t.Fatalf("after two minutes still not: %s", what)
}

// A process that is stopped (SIGSTOP) while the input comes back stops nobody
// when it goes on, though the ride-through ended meanwhile; and it is ready for
// the next outage.
func TestStoppedProcess(t *testing.T) {
	if testing.Short() {
		t.Skip("it takes ten seconds")
	}
	var f folder
	var cmd *exec.Cmd
	stopped := func() (inTime bool) {
		f = folder(t.TempDir())
		cmd = f.process(t)
		f.put(t, "lost")
		eventually(t, "the outage is in the journal", func() bool {
			text, _ := os.ReadFile(f.path("journal"))
			return strings.Count(string(text), "source=battery") >= 2
		})
		signalTo(t, cmd, syscall.SIGSTOP)
		return len(f.acts(t)) == 0 // else this test was slower than the ride-through
	}
	for try := 0; !stopped(); try++ {
		if try == 5 {
			t.Fatal("the ride-through was over each time before the process was stopped")
		}
		cmd.Process.Kill()
	}
	time.Sleep(5 * time.Second) // longer than the ride-through and than stoodStill
	if err := os.Remove(f.path("lost")); err != nil {
		t.Fatal(err)
	}
	signalTo(t, cmd, syscall.SIGCONT)
	time.Sleep(2 * time.Second)
	if acts := f.acts(t); len(acts) > 0 {
		t.Errorf("with the input back %q was done", acts)
	}
	f.put(t, "lost")
	eventually(t, "a host is asked in the second outage", func() bool { return len(f.acts(t)) > 0 })
	signalTo(t, cmd, syscall.SIGTERM)
	if err := cmd.Wait(); err != nil {
		t.Errorf("the agent ended with %v", err)
	}
}

func signalTo(t *testing.T, cmd *exec.Cmd, s syscall.Signal) {
	t.Helper()
	if err := cmd.Process.Signal(s); err != nil {
		t.Fatal(err)
	}
}

// An agent that is killed again and again in an outage gets every host off all
// the same, in order, and its journal is never damaged.
func TestKilledProcess(t *testing.T) {
	if testing.Short() {
		t.Skip("it takes ten seconds")
	}
	f := folder(t.TempDir())
	cmd := f.process(t)
	f.put(t, "lost")
	kills := 0
	eventually(t, "all are off", func() bool {
		time.Sleep(time.Duration(100+70*kills) * time.Millisecond)
		signalTo(t, cmd, syscall.SIGKILL)
		cmd.Wait()
		kills++
		cmd = f.process(t)
		return f.has("off-vault") && f.has("off-web") && f.has("off-db")
	})
	first := map[string]int{}
	for i, name := range f.acts(t) {
		host := strings.Split(name, "/")[1]
		if _, ok := first[host]; !ok {
			first[host] = i
		}
		if !strings.HasPrefix(name, "outage-1/") {
			t.Errorf("%s is begun in the first outage", name)
		}
	}
	if !(first["web"] < first["db"] && first["db"] < first["vault"]) {
		t.Errorf("after %d kills the order was %q", kills, f.acts(t))
	}
	t.Logf("%d kills, %d orders", kills, len(f.acts(t)))
}

// Two agents never share a journal.
func TestSecondAgent(t *testing.T) {
	f := folder(t.TempDir())
	f.process(t)
	out, err := exec.Command(os.Args[0], folderRole, string(f)).CombinedOutput()
	if err == nil || !strings.Contains(string(out), "another agent holds") {
		t.Errorf("a second agent: %v, %s", err, out)
	}
	if !slices.Contains([]int{1}, exitCode(err)) {
		t.Errorf("it ends with %v", err)
	}
}

func exitCode(err error) int {
	var e *exec.ExitError
	if errors.As(err, &e) {
		return e.ExitCode()
	}
	return 0
}

// An agent that is killed every half second acts all the same: what its lives heard of
// the input together is as good as what one of them heard. Every other life is another
// program's, the same with other content and time: what is remembered does not depend on
// that, and the hosts that were stopped are in the journal at the end.
func TestKilledEveryHalfSecond(t *testing.T) {
	if testing.Short() {
		t.Skip("it takes ten seconds")
	}
	f := folder(t.TempDir())
	text, err := os.ReadFile(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	other := filepath.Join(t.TempDir(), "other")
	if err := os.WriteFile(other, append(text, "another build"...), 0o700); err != nil {
		t.Fatal(err)
	}
	cmd := f.process(t)
	f.put(t, "lost")
	kills := 0
	eventually(t, "a host is asked, and all are off", func() bool {
		time.Sleep(500 * time.Millisecond)
		signalTo(t, cmd, syscall.SIGKILL)
		cmd.Wait()
		kills++
		cmd = f.processOf(t, []string{os.Args[0], other}[kills%2])
		return f.has("off-vault") && f.has("off-web") && f.has("off-db")
	})
	signalTo(t, cmd, syscall.SIGKILL)
	cmd.Wait()
	j, past, err := journal.Open(f.path("journal"))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	s := agent.Recalled(past, &agent.Config{Boot: "boot-1"})
	for k := range s.Hosts {
		if name := s.Policy.Hosts[k].Name; f.has("off-"+name) && s.Hosts[k].State == shutdown.Up {
			t.Errorf("%s is off, and nothing is known of the order", name)
		}
	}
	t.Logf("%d kills, %d orders", kills, len(f.acts(t)))
}
