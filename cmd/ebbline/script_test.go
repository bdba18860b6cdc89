package main

import (
	"crypto/ed25519"
	"crypto/rand"
	"encoding/json"
	"encoding/pem"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/rogpeppe/go-internal/testscript"
	gossh "golang.org/x/crypto/ssh"
)

// Aim: what a user types and sees is a contract: exit codes, one JSON document
// and nothing else on standard output, mistakes on standard error with the next
// step, nothing wider than a terminal. Method: the scripts in testdata/script,
// each in a folder of its own, run ebbline as a process.
func TestScript(t *testing.T) {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	policies, err := filepath.Abs("../../testdata/policies")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: filepath.Join("testdata", "script"),
		Setup: func(e *testscript.Env) error {
			bin := filepath.Join(e.WorkDir, ".bin")
			if err := os.Mkdir(bin, 0o755); err != nil {
				return err
			}
			e.Setenv("PATH", bin)
			e.Setenv("POLICIES", policies)
			key, err := goodKey()
			if err != nil {
				return err
			}
			e.Setenv("GOOD_KEY", string(key))
			e.Setenv("LC_ALL", "C.UTF-8")
			e.Setenv("EBBLINE_TEST_COMMAND", "1") // see TestMain
			return os.Symlink(self, filepath.Join(bin, "ebbline"))
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"exits": exits, "document": document, "fits": fits},
	})
}

// goodKey makes a private key as an operator does.
func goodKey() ([]byte, error) {
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	block, err := gossh.MarshalPrivateKey(key, "")
	if err != nil {
		return nil, err
	}
	return pem.EncodeToMemory(block), nil
}

// exits runs a command that must end with the code given: exits 64 ebbline plan
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE COMMAND ...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	var exit *exec.ExitError
	if err := ts.Exec(args[1], args[2:]...); errors.As(err, &exit) {
		got = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	if got != want {
		ts.Fatalf("%s ends with exit code %d, not %d", strings.Join(args[1:], " "), got, want)
	}
}

// document tells whether standard output is one JSON document with the names
// given at its top, and nothing else.
func document(ts *testscript.TestScript, neg bool, args []string) {
	d := json.NewDecoder(strings.NewReader(ts.ReadFile("stdout")))
	var v map[string]any
	if err := d.Decode(&v); err != nil {
		ts.Fatalf("standard output is no JSON document: %v", err)
	}
	if _, err := d.Token(); err != io.EOF {
		ts.Fatalf("there is something behind the document: %v", err)
	}
	for _, name := range args {
		if _, ok := v[name]; !ok {
			ts.Fatalf("the document has no %q", name)
		}
	}
}

// fits tells whether what was said is no wider than 80 columns, has no colour and
// no blanks at its lines' ends.
func fits(ts *testscript.TestScript, neg bool, args []string) {
	for _, name := range args {
		for line := range strings.Lines(ts.ReadFile(name)) {
			line = strings.TrimSuffix(line, "\n")
			if n := utf8.RuneCountInString(line); n > 80 || strings.Contains(line, "\x1b") || strings.HasSuffix(line, " ") {
				ts.Fatalf("%s has a line of %d columns: %q", name, n, line)
			}
		}
	}
}
