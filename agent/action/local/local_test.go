package local

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"ebbline/shutdown"
)

// Aim: each way in which a command ends gives the right outcome and its words,
// in one line. Method: real programs.
func TestOutcomes(t *testing.T) {
	t.Setenv("EBBLINE_SECRET_SSH_KEY", "hunter2")
	t.Setenv("CREDENTIALS_DIRECTORY", "/hunter2")
	notExecutable := filepath.Join(t.TempDir(), "script")
	if err := os.WriteFile(notExecutable, []byte("#!/bin/sh\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		command []string
		outcome shutdown.Outcome
		text    string
	}{
		{[]string{"true"}, shutdown.Accepted, "exit status 0"},
		{[]string{"false"}, shutdown.Refused, "exit status 1"},
		{[]string{"sh", "-c", "echo out; echo first >&2; echo second >&2; exit 3"}, shutdown.Refused, "exit status 3: first"},
		{[]string{"sh", "-c", "echo 'only out'; exit 4"}, shutdown.Refused, "exit status 4: only out"},
		{[]string{"sh", "-c", "kill -TERM $$"}, shutdown.Unknown, "ended by a signal: terminated"},
		{nil, shutdown.Refused, "the local command is empty"},
		{[]string{""}, shutdown.Refused, "the local command is empty"},
		{[]string{"/no/such/program"}, shutdown.Refused, "not started: fork/exec /no/such/program: no such file or directory"},
		{[]string{"no-such-program"}, shutdown.Refused, `not started: exec: "no-such-program": executable file not found in $PATH`},
		{[]string{notExecutable}, shutdown.Refused, "permission denied"},
		// Arguments are not read by a shell.
		{[]string{"test", "$HOME; exit 9", "=", "$HOME; exit 9"}, shutdown.Accepted, "exit status 0"},
		// Secrets are not in the environment, the rest is.
		{[]string{"sh", "-c", `env | grep -q hunter2 && exit 5; test -n "$PATH"`}, shutdown.Accepted, "exit status 0"},
		// Much output does not block, and nothing waits for input.
		{[]string{"head", "-c", "1000000", "/dev/zero"}, shutdown.Accepted, "exit status 0"},
		{[]string{"cat"}, shutdown.Accepted, "exit status 0"},
		// A child that keeps the output open keeps nobody waiting.
		{[]string{"sh", "-c", "sleep 5 & exit 0"}, shutdown.Accepted, "exit status 0"},
		{[]string{"sh", "-c", "sleep 5 & exit 6"}, shutdown.Refused, "exit status 6"},
	} {
		outcome, text := Do(t.Context(), c.command, time.Now().Add(2*time.Minute))
		if outcome != c.outcome || !strings.Contains(text, c.text) {
			t.Errorf("%q: got %v, %q; want %v, %q", c.command, outcome, text, c.outcome, c.text)
		}
	}
}

// Aim: at the deadline, or when it is called off, the command and its children
// are gone. Method: a shell that ignores SIGTERM, with a child; their pids are
// asked for afterwards.
func TestDeadlineKillsTheGroup(t *testing.T) {
	for _, how := range []string{"deadline", "called off"} {
		pids := filepath.Join(t.TempDir(), "pids")
		ctx, cancel := context.WithCancel(t.Context())
		deadline := time.Now().Add(5 * time.Second) // by then the shell has begun
		if how == "called off" {
			deadline = deadline.Add(time.Hour)
			go func() {
				for text := []byte(nil); !bytes.HasSuffix(text, []byte("\n")) && ctx.Err() == nil; time.Sleep(5 * time.Millisecond) {
					text, _ = os.ReadFile(pids)
				}
				cancel()
			}()
		}
		script := fmt.Sprintf("trap '' TERM; sleep 100 & echo $$ $! >%s; wait", pids)
		outcome, text := Do(ctx, []string{"sh", "-c", script}, deadline)
		cancel()
		if outcome != shutdown.Unknown || !strings.HasPrefix(text, "killed") {
			t.Errorf("%s: %v, %q", how, outcome, text)
		}
		written, err := os.ReadFile(pids)
		if err != nil {
			t.Fatal(err)
		}
		for _, field := range strings.Fields(string(written)) {
			pid, _ := strconv.Atoi(field)
			for end := time.Now().Add(time.Minute); alive(pid); time.Sleep(5 * time.Millisecond) {
				if time.Now().After(end) {
					t.Fatalf("%s: process %d lives", how, pid)
				}
			}
		}
	}
	if outcome, text := Do(t.Context(), []string{"true"}, time.Now().Add(-time.Second)); outcome != shutdown.Refused {
		t.Errorf("a deadline in the past: %v, %q", outcome, text)
	}
}

// alive is false for a zombie too: its parent, not we, has to collect it.
func alive(pid int) bool {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err == nil && syscall.Kill(pid, 0) == nil && !strings.Contains(string(stat), ") Z ")
}

// Aim: a check tells a program that is there from one that is not, and from a
// file that nobody may run; it runs none of them.
func TestCheck(t *testing.T) {
	folder := t.TempDir()
	trace, script, plain := filepath.Join(folder, "trace"), filepath.Join(folder, "script"), filepath.Join(folder, "plain")
	for path, mode := range map[string]os.FileMode{script: 0o755, plain: 0o644} {
		if err := os.WriteFile(path, []byte("#!/bin/sh\ntouch "+trace+"\n"), mode); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		command []string
		want    shutdown.Outcome
	}{
		{[]string{script, "now"}, shutdown.Accepted}, {[]string{"sh"}, shutdown.Accepted},
		{[]string{plain}, shutdown.Refused}, {[]string{filepath.Join(folder, "missing")}, shutdown.Refused}, {nil, shutdown.Refused},
	} {
		if got, text := Check(c.command); got != c.want || text == "" {
			t.Errorf("%q: %v %q, want %v", c.command, got, text, c.want)
		}
	}
	if _, err := os.Stat(trace); err == nil {
		t.Error("a check ran the command")
	}
}
