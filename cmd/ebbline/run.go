package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"io"
	"os"
	"os/signal"
	"os/user"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"ebbline/agent"
	"ebbline/agent/control"
	"ebbline/agent/journal"
	"ebbline/agent/rehearse"
	"ebbline/agent/systemd"
	"ebbline/policy"
	"ebbline/shutdown"
)

var runCommand = command{
	name:  "run",
	about: "the agent",
	usage: "[POLICY] [--state FOLDER] [--socket PATH] [--secrets FOLDER]",
	takes: []string{"POLICY"},
	help: `Watches the UPSs and acts: rides through, sheds, brings everything down in order
and back up afterwards. It stays in the foreground; the unit in packaging/ runs
it under systemd. SIGHUP reads the policy again, whole or not at all; SIGTERM
ends it, and its journal lets the next start go on where it was.

What it measures goes into history.db in its state folder: how long batteries
lasted and hosts took to stop. From that it corrects the policy's figures at
each start and reload and after each outage; the log says which.

A minute after the start and once a day it tries the ways to the hosts as
"ebbline rehearse" does; a host whose way fails gets the condition host-unready.

Secrets are read from systemd credentials, from --secrets, or from the
environment (EBBLINE_SECRET_ and the name in capitals); never from the policy.`,
	set: setRun,
}

const (
	defaultState  = "/var/lib/ebbline"
	defaultSocket = "/run/ebbline/control"
	operators     = "ebbline-operators" // the group that may give orders

	// collects is the runtime's GOGC of an agent that is given none. An idle one uses
	// 1 MB of heap; at the usual 100 garbage is let grow to 4 MB before it is collected,
	// at 50 to 2 MB. The agent makes so little of it that twice the collections do not show.
	collects = 50
)

// stateFolder and socketPath are the flags' defaults: what the service manager
// gives, what the environment says, or the usual place.
func (c *call) stateFolder() string {
	return cmp.Or(c.Env("EBBLINE_STATE"), c.Env("STATE_DIRECTORY"), defaultState)
}

func (c *call) socketPath() string {
	if dir := c.Env("RUNTIME_DIRECTORY"); dir != "" && c.Env("EBBLINE_SOCKET") == "" {
		return filepath.Join(dir, "control")
	}
	return cmp.Or(c.Env("EBBLINE_SOCKET"), defaultSocket)
}

func (c *call) socketFlag() *string {
	return c.flags.String("socket", c.socketPath(), "`PATH` of the control socket (or EBBLINE_SOCKET)")
}

func setRun(c *call) action {
	pf := c.policyFlags()
	state := c.flags.String("state", c.stateFolder(), "`FOLDER` for the journal and the history (or EBBLINE_STATE)")
	socket := c.socketFlag()
	return func(ctx context.Context) int { return c.runAgent(ctx, pf, *state, *socket) }
}

func (c *call) runAgent(ctx context.Context, pf *policyFlags, state, socket string) int {
	if c.json {
		c.usage("the agent prints a log, not a document; ask it with `ebbline status --json`")
		return exitUsage
	}
	if c.Env("GOGC") == "" {
		debug.SetGCPercent(collects)
	}
	log := newLog(c.Err)
	defer log.Sync() // on a terminal or a pipe it fails, which means nothing
	notifier, err := systemd.FromEnvironment()
	if err != nil {
		log.Warn("the service manager cannot be told how the agent is", zap.Error(err))
	}
	j, past, err := journal.Open(filepath.Join(state, "journal"))
	if errors.Is(err, journal.ErrInUse) {
		return c.fail("%v", err)
	}
	defer j.Close()
	p, code := c.policyOr(pf, false)
	if p == nil && (code == exitUsage || len(past.Lines)+len(past.Before) == 0) {
		return code
	}
	historian, err := openHistorian(filepath.Join(state, historyFile), log)
	if err != nil {
		return c.fail("%v", err)
	}
	secrets := c.secrets(pf)
	read := func(name policy.Secret) ([]byte, error) { return secrets.Read(string(name)) }
	tell, err := openMessages(filepath.Join(state, messagesFile), read, log)
	if err != nil {
		return c.fail("%v", err)
	}
	defer tell.close()
	var show *seat
	adopt := func(p *policy.Policy) {
		tell.adopt(p)
		show.adopt(p)
	}
	a := agent.New(agent.Config{
		Policy: historian.learned(ctx, p), Wire: func(q *policy.Policy) (*agent.Parts, error) {
			if p == nil {
				adopt(q) // the recorded one
			}
			return wire(q, read)
		},
		Journal: j, Past: past, Build: buildID(), Boot: bootID(), Log: log, Supervisor: notifier,
		StandsIn: c.Env("EBBLINE_UPGRADE_FAILED") != "", // packaging/start says so
		Observer: observers{historian.rec, tell.life}, Tell: tell.messenger.Tell,
	})
	tell.agent.Store(a)
	historian.reported = tell.report
	show = newSeat(a, state, read, log)
	adopt(p)
	server, err := control.Listen(control.Config{Path: socket, OperatorGID: groupID(operators), Log: log, Metrics: show.metrics}, a)
	if err != nil {
		// Without the socket nobody can look; the hosts still go down in time.
		log.Error("there is no control socket; status and orders are not to be had", zap.Error(err))
	}
	inner, cancel := context.WithCancel(ctx)
	var wg sync.WaitGroup
	if server != nil {
		wg.Go(func() {
			if err := server.Serve(inner); err != nil {
				log.Error("the control socket ended", zap.Error(err))
			}
		})
	}
	wg.Go(func() { historian.watch(inner, a) })
	wg.Go(func() { (&rehearse.Daily{Parts: rehearsed(read), Log: log}).Run(inner, a) })
	wg.Go(func() { (&meters{read: read, heard: historian.rec.Lines}).run(inner, a) })
	wg.Go(func() { tell.life.Run(inner) })
	wg.Go(func() { show.server.Run(inner) })
	wg.Go(func() { c.reloads(inner, a, pf, historian, adopt, notifier, log) })
	log.Info("ebbline starts", zap.String("version", Version), zap.String("state", state))
	err = a.Run(ctx)
	notifier.Stopping()
	cancel()
	wg.Wait()
	historian.close()
	if err != nil {
		return c.fail("%v", err)
	}
	log.Info("ebbline ends")
	return exitDone
}

// reloads reads the policy again at each SIGHUP, and learns again after each
// outage and once a day.
func (c *call) reloads(ctx context.Context, a *agent.Agent, pf *policyFlags, m *historian, adopt func(*policy.Policy), n *systemd.Notifier, log *zap.Logger) {
	hups := make(chan os.Signal, 1)
	signal.Notify(hups, syscall.SIGHUP)
	defer signal.Stop(hups)
	daily := time.NewTimer(learnFirst)
	defer daily.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-m.over:
			m.again(ctx, a)
			continue
		case <-daily.C:
			m.again(ctx, a)
			daily.Reset(learnEvery)
			continue
		case <-hups:
		}
		n.Reloading()
		c.reload(ctx, a, pf, m, adopt, log)
		n.Ready()
	}
}

func (c *call) reload(ctx context.Context, a *agent.Agent, pf *policyFlags, m *historian, adopt func(*policy.Policy), log *zap.Logger) {
	var told bytes.Buffer
	quiet := *c
	quiet.Err, quiet.Out = &told, io.Discard
	p, _ := quiet.policyOr(pf, false)
	if p == nil {
		log.Error("the new policy is refused; the old one stays in force", zap.String("diagnostics", told.String()))
		a.Raise(shutdown.PolicyRefused)
		return
	}
	if err := a.Adopt(m.learned(ctx, p)); err != nil {
		log.Error("the new policy is refused; the old one stays in force", zap.Error(err))
		return
	}
	adopt(p)
	log.Info("the policy is read again", zap.String("fingerprint", p.Fingerprint))
}

// newLog writes each line at once and drops none: an outage is when lines repeat.
func newLog(w io.Writer) *zap.Logger {
	enc := zap.NewProductionEncoderConfig()
	enc.EncodeTime = zapcore.ISO8601TimeEncoder
	enc.EncodeDuration = zapcore.StringDurationEncoder
	encoder := zapcore.NewJSONEncoder(enc)
	if _, ok := terminal(w); ok {
		encoder = zapcore.NewConsoleEncoder(enc)
	}
	return zap.New(zapcore.NewCore(encoder, zapcore.Lock(zapcore.AddSync(w)), zapcore.InfoLevel))
}

// buildID says by its content which program this is, for the log. What it remembers is
// told by the format of that, not by this.
func buildID() string {
	id := Version
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" || s.Key == "vcs.modified" && s.Value == "true" {
				id += " " + strings.TrimSuffix(s.Key+" "+s.Value, " true")
			}
		}
	}
	return id
}

// bootID is the kernel's name for this boot; "" when it cannot be read.
func bootID() string {
	text, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(text))
}

func groupID(name string) int {
	g, err := user.LookupGroup(name)
	if err != nil {
		return -1
	}
	id, err := strconv.Atoi(g.Gid)
	if err != nil {
		return -1
	}
	return id
}
