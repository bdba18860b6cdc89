// Command room is the agent with its real journal, control socket, service
// manager and own host, and a UPS that is a stand-in: a file takes its input
// away. The test of the service unit runs it in a container.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"syscall"
	"time"

	"go.uber.org/zap"

	"ebbline/agent"
	"ebbline/agent/control"
	"ebbline/agent/journal"
	"ebbline/agent/systemd"
	"ebbline/policy"
	"ebbline/shutdown"
)

const (
	socket = "/run/ebbline/agent.sock"
	state  = "/var/lib/ebbline/journal"
	lost   = "/run/out/lost"
)

func main() {
	run := runAgent
	if len(os.Args) == 2 && os.Args[1] == "status" {
		run = status
	}
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func status() error {
	v, _, err := control.NewClient(socket).Status(context.Background())
	fmt.Println(v.Status)
	return err
}

func runAgent() error {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	manager, err := systemd.FromEnvironment()
	if err != nil {
		return err
	}
	if _, err := os.ReadFile(os.Getenv("CREDENTIALS_DIRECTORY") + "/ups-auth"); err != nil {
		return err
	}
	j, past, err := journal.Open(state)
	if err != nil {
		return err
	}
	defer j.Close()
	p := room()
	if err := p.Check(); err != nil {
		return err
	}
	config := zap.NewProductionConfig()
	config.Sampling = nil
	log, err := config.Build()
	if err != nil {
		return err
	}
	boot, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return err
	}
	a := agent.New(agent.Config{Policy: p, Wire: wire, Journal: j, Past: past, Boot: string(boot[:36]), Log: log, Supervisor: manager})
	server, err := control.Listen(control.Config{Path: socket, OperatorGID: -1, Log: log}, a)
	if err != nil {
		return err
	}
	served := make(chan error, 1)
	go func() { served <- server.Serve(ctx) }()
	return errors.Join(a.Run(ctx), func() error { stop(); return <-served }())
}

// room is one UPS and the own host, with times of seconds.
func room() *policy.Policy {
	return &policy.Policy{
		Site: policy.Site{Name: "container", RideThrough: 2 * time.Second, Reserve: time.Second, ConfidencePermille: 950,
			Restore: policy.Restore{StableFor: time.Second, Stagger: time.Second}},
		UPSs: []policy.UPS{{Name: "rack", RatedWatts: 1000, EfficiencyPermille: 880,
			Battery: policy.Battery{Chemistry: policy.VRLA, Model: &policy.Model{StoreWattHours: 0.5}},
			SNMP:    &policy.SNMP{Address: "192.0.2.1", Version: 2, PollEvery: 500 * time.Millisecond, Timeout: 500 * time.Millisecond}}},
		Hosts: []policy.Host{{Name: "keeper", Priority: 90, FedBy: []int{0}, Watts: 300, StoppingWatts: 300, RunsOn: -1, Self: true,
			StopsIn: 2 * time.Second, StartsIn: time.Second,
			Methods: []policy.Method{{Kind: policy.ByLocal, GivesUp: 30 * time.Second, Local: &policy.Local{Command: []string{"systemctl", "poweroff"}}}}}},
	}
}

func wire(*policy.Policy) (*agent.Parts, error) {
	return &agent.Parts{Sources: []agent.Source{ups{}}, Doer: ups{}}, nil
}

type ups struct{}

func (ups) Poll(context.Context) (shutdown.Measurement, error) {
	m := shutdown.Nothing
	m.Source, m.LoadWatts = shutdown.FromInput, 300
	if _, err := os.Stat(lost); err == nil {
		m.Source = shutdown.FromBattery
	}
	return m, nil
}

func (ups) Do(ctx context.Context, p *policy.Policy, a shutdown.Action) (shutdown.Outcome, string) {
	words := p.Hosts[a.ID.Host].Methods[a.ID.Method].Local.Command
	out, err := exec.CommandContext(ctx, words[0], words[1:]...).CombinedOutput()
	if err != nil {
		return shutdown.Refused, string(out)
	}
	return shutdown.Accepted, string(out)
}
