package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"ebbline/policy/load"
)

// Aim: what lies in a policy folder is read only if it is a regular file, none is
// waited for, and no more is read than the loader takes. Method: pipes without a
// writer, devices without an end and a socket; and files of which six are too much.
func TestPolicyFolder(t *testing.T) {
	good, err := os.ReadFile("../../testdata/policies/first.hcl")
	if err != nil {
		t.Fatal(err)
	}
	for what, put := range map[string]func(path string) error{
		"pipe":           func(path string) error { return syscall.Mkfifo(path, 0o600) },
		"link to device": func(path string) error { return os.Symlink("/dev/zero", path) },
		"link to a pipe": func(path string) error {
			if err := syscall.Mkfifo(path+".pipe", 0o600); err != nil {
				return err
			}
			return os.Symlink(path+".pipe", path)
		},
		"terminal": func(path string) error { return os.Symlink("/dev/ptmx", path) },
	} {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "first.hcl"), good, 0o600); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, "second.hcl")
		if err := put(path); err != nil {
			t.Fatal(err)
		}
		for _, named := range []string{dir, path} {
			if _, err := policyFiles(named); err == nil || !strings.Contains(err.Error(), "second.hcl cannot be read: it is no regular file") {
				t.Errorf("%s: %v", what, err)
			}
		}
	}

	dir := t.TempDir()
	for _, name := range []string{"a", "b", "c", "d", "e", "f"} {
		if err := os.WriteFile(filepath.Join(dir, name+".hcl"), bytes.Repeat([]byte("#"), load.MaxFileBytes), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	files, err := policyFiles(dir)
	if err != nil {
		t.Fatal(err)
	}
	sum := 0
	for _, f := range files {
		sum += len(f.Bytes)
	}
	if sum != load.MaxPolicyBytes+1 {
		t.Errorf("%d bytes are read", sum)
	}
	if p, _, diags := load.Load(files, load.Options{}); p != nil || !strings.Contains(diags.Error(), "Policy too large") {
		t.Errorf("too much is taken: %v", diags)
	}
}
