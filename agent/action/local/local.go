// Package local runs a command on the agent's own host, as an argument list:
// no shell reads it. It must never leave the command running past its
// deadline, nor hand it a secret.
package local

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"

	"ebbline/agent/action/internal/firstline"
	"ebbline/shutdown"
)

// outputGrace is how long a child that the command left behind may hold its
// output open before it is cut off.
const outputGrace = time.Second

// Do runs the command and returns by the deadline at the latest; the command
// and its children are killed then. The text says in one line what came back.
//
//	Accepted  exit status 0
//	Refused   another exit status, or it could not be started
//	Unknown   it was killed, by the deadline or by another
func Do(ctx context.Context, command []string, deadline time.Time) (shutdown.Outcome, string) {
	return Feed(ctx, command, nil, deadline)
}

// Feed is Do for a command that reads input on its standard input.
func Feed(ctx context.Context, command []string, input []byte, deadline time.Time) (shutdown.Outcome, string) {
	outcome, text, _ := run(ctx, command, input, deadline)
	return outcome, text
}

// Ask is Do for a command that answers: it gives the first line that the command
// wrote too.
func Ask(ctx context.Context, command []string, deadline time.Time) (outcome shutdown.Outcome, text, line string) {
	return run(ctx, command, nil, deadline)
}

func run(ctx context.Context, command []string, input []byte, deadline time.Time) (outcome shutdown.Outcome, text, line string) {
	if len(command) == 0 || command[0] == "" {
		return shutdown.Refused, nothing, ""
	}
	ctx, cancel := context.WithDeadline(ctx, deadline)
	defer cancel()
	var stdout, stderr firstline.Buffer
	cmd := exec.CommandContext(ctx, command[0], command[1:]...)
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	if input != nil {
		cmd.Stdin = bytes.NewReader(input)
	}
	cmd.Env = withoutSecrets(os.Environ())
	cmd.WaitDelay = outputGrace
	// A process group of its own: a signal at the agent's terminal does not
	// reach it, and its children are killed with it.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }

	err := cmd.Run()
	outcome, text = ended(ctx, cmd, err, stderr.Line(), stdout.Line())
	return outcome, text, stdout.Line()
}

// ended says how a command ended.
func ended(ctx context.Context, cmd *exec.Cmd, err error, lines ...string) (shutdown.Outcome, string) {
	var exit *exec.ExitError
	switch {
	case err == nil || errors.Is(err, exec.ErrWaitDelay) && cmd.ProcessState.Success():
		return shutdown.Accepted, "exit status 0"
	case ctx.Err() != nil && cmd.ProcessState != nil && !cmd.ProcessState.Exited():
		return shutdown.Unknown, "killed: it had not ended by the deadline"
	case cmd.ProcessState == nil && ctx.Err() != nil:
		return shutdown.Refused, "not started: the deadline had passed"
	case errors.As(err, &exit) && !exit.Exited():
		return shutdown.Unknown, "ended by a signal: " + exit.Sys().(syscall.WaitStatus).Signal().String()
	case cmd.ProcessState != nil:
		return shutdown.Refused, withWords(cmd.ProcessState.String(), lines...)
	}
	return shutdown.Refused, "not started: " + err.Error()
}

// Check looks whether the command's program is there and may be run; it runs
// nothing.
func Check(command []string) (shutdown.Outcome, string) {
	if len(command) == 0 || command[0] == "" {
		return shutdown.Refused, nothing
	}
	path, err := exec.LookPath(command[0])
	if err != nil {
		return shutdown.Refused, err.Error()
	}
	return shutdown.Accepted, path + " is there"
}

const nothing = "the local command is empty: name a program and its arguments"

// withWords adds the first thing that was said to a status.
func withWords(status string, lines ...string) string {
	for _, line := range lines {
		if line != "" {
			return status + ": " + line
		}
	}
	return status
}

// withoutSecrets keeps the agent's own secrets from its children.
func withoutSecrets(environ []string) []string {
	var kept []string
	for _, entry := range environ {
		if !strings.HasPrefix(entry, "EBBLINE_SECRET_") && !strings.HasPrefix(entry, "CREDENTIALS_DIRECTORY=") {
			kept = append(kept, entry)
		}
	}
	return kept
}
