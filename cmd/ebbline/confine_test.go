package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	ll "github.com/landlock-lsm/go-landlock/landlock/syscall"

	"ebbline/agent/history"
	"ebbline/shutdown"
)

// triesToEscape runs a command as a process does, and then tries from within that
// process what the command has given up. It prints a line for what worked.
func triesToEscape(dir string) int {
	code := Run(context.Background(), os.Args[1:], Streams{In: os.Stdin, Out: os.Stderr, Err: os.Stderr, Env: os.Getenv, Confine: confine})
	fmt.Println("ends with", code)
	try := func(what string, err error) {
		switch {
		case err == nil:
			fmt.Println("could", what)
		case !errors.Is(err, os.ErrPermission):
			fmt.Println("for another reason could not", what, err)
		}
	}
	begin := func(path string) error {
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE, 0o600)
		if err == nil {
			f.Close()
		}
		return err
	}
	read := func(path string) error {
		_, err := os.ReadFile(path)
		return err
	}
	try("begin a file beside the policy", begin(filepath.Join(dir, "new")))
	try("write into the policy", begin(filepath.Join(dir, "home.hcl")))
	try("remove the policy", os.Remove(filepath.Join(dir, "home.hcl")))
	try("write into the secret", begin(filepath.Join(dir, "secrets", "ssh-key")))
	try("begin a file beside the secret", begin(filepath.Join(dir, "secrets", "new")))
	try("begin a file for all", begin("/tmp/ebbline-confined"))
	try("read the other file", read(filepath.Join(dir, "other")))
	try("read /etc/passwd", read("/etc/passwd"))
	try("run a program", exec.Command("/bin/true").Run())
	try("read the secret", read(filepath.Join(dir, "secrets", "ssh-key")))
	try("read known_hosts", read(filepath.Join(dir, "known_hosts")))
	single := net.ListenConfig{}
	single.SetMultipathTCP(false)
	l, err := single.Listen(context.Background(), "tcp", "127.0.0.1:0")
	if err == nil {
		l.Close()
	}
	try("open a port", err)
	c, err := net.Dial("tcp", os.Getenv("EBBLINE_TEST_LISTENER"))
	if err == nil {
		c.Close()
	}
	try("open a connection", err)
	return 0
}

// Aim: the commands that only read have given up every right that they do not
// need, and still do their work. Method: each runs as a process, which then tries
// to write, to read elsewhere, to run a program and to connect: the kernel's
// refusals are the proof.
func TestReadersGiveUpRights(t *testing.T) {
	abi, err := ll.LandlockGetABIVersion()
	if err != nil || abi < 4 {
		t.Skipf("this kernel has Landlock's ABI %d (%v); TCP is restricted from 4 on", abi, err)
	}
	first, err := os.ReadFile("../../testdata/policies/first.hcl")
	if err != nil {
		t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	past := filepath.Join(t.TempDir(), "history.db")
	store := beginHistory(t, past)
	key, err := goodKey()
	if err != nil {
		t.Fatal(err)
	}
	const secret, keys = "could read the secret\n", "could read known_hosts\n"
	for _, c := range []struct {
		args  []string
		could string
		made  string
	}{
		{args: []string{"check"}, could: secret + keys},
		{args: []string{"plan"}, could: secret + keys},
		{args: []string{"tune"}, could: secret + keys},
		{args: []string{"simulate"}, could: secret + keys},
		{args: []string{"simulate", "storm.outage", "--report", "reports/page.html", "--smallest", "reports/small.outage"}, could: secret + keys, made: "reports/page.html"},
		{args: []string{"simulate", "--past", "--history", past}, could: secret + keys}, // of an agent that runs
	} {
		dir := t.TempDir()
		for name, text := range map[string]string{
			"home.hcl": pinned.ReplaceAllString(string(first), `known_hosts = "known_hosts"`), "other": "x", "known_hosts": "",
			"secrets/ssh-key": string(key), "secrets/ups-auth": "a", "secrets/ups-priv": "p", "storm.outage": "at 0s input lost\nat 20m input back\n", "reports/old": "",
		} {
			path := filepath.Join(dir, name)
			if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(text), 0o600)); err != nil {
				t.Fatal(err)
			}
		}
		args := append([]string{c.args[0], "home.hcl", "--secrets", "secrets"}, c.args[1:]...)
		if !slices.Contains(c.args, past) {
			args = append(args, "--history", "none")
		}
		cmd := exec.Command(self, args...)
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "EBBLINE_TEST_CONFINED="+dir, "EBBLINE_TEST_LISTENER="+listener.Addr().String())
		var said strings.Builder
		cmd.Stderr = &said
		out, err := cmd.Output()
		if want := "ends with 0\n" + c.could; err != nil || string(out) != want {
			t.Errorf("%q: %v, %s\nwant %s\n%s", c.args, err, out, want, &said)
		}
		if slices.Contains(c.args, past) && !strings.Contains(said.String(), "outage 1 of") {
			t.Errorf("%q: the past is not replayed: %s", c.args, &said)
		}
		if c.made != "" {
			if text, err := os.ReadFile(filepath.Join(dir, c.made)); err != nil || !strings.Contains(string(text), "</html>") {
				t.Errorf("%q: the report: %v", c.args, err)
			}
		}
	}
	if err := store.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
}

var pinned = regexp.MustCompile(`host_key = "[^"]*"`)

// beginHistory makes a history with one outage, and keeps it open as an agent does.
func beginHistory(t *testing.T, path string) *history.Writer {
	t.Helper()
	store, err := history.Open(path, history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	at := func(d time.Duration) history.Moment {
		return history.Moment{At: shutdown.Instant(time.Hour + d), UTC: time.Date(2026, 11, 2, 3, 14, 0, 0, time.UTC).Add(d)}
	}
	err = store.RecordOutage(history.Outage{Number: 1, Site: "home", Began: at(0), Ended: at(time.Hour),
		Inputs: []history.Input{{UPS: "closet", Lost: at(0), Back: at(time.Minute)}}})
	if err := errors.Join(err, store.Flush(t.Context())); err != nil {
		t.Fatal(err)
	}
	return store
}
