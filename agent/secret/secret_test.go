package secret

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

func write(t *testing.T, dir, name, value string, mode os.FileMode) {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, []byte(value), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, mode); err != nil {
		t.Fatal(err)
	}
}

// Aim: a secret is found in the first place that has it, in the stated order.
// Method: the same name in all three, taken away one by one.
func TestOrder(t *testing.T) {
	credentials, dir := t.TempDir(), t.TempDir()
	s := Places{Credentials: credentials, Folder: dir, Env: os.Getenv}
	t.Setenv("EBBLINE_SECRET_UPS_AUTH", "from the environment\n")
	write(t, credentials, "ups-auth", "from systemd\n", 0o400)
	write(t, credentials, "secrets_ups-auth", "from systemd, of a folder\n", 0o400)
	write(t, dir, "ups-auth", "from the directory\r\n", 0o640)
	for _, want := range []string{"from systemd", "from systemd, of a folder", "from the directory", "from the environment", ""} {
		value, err := s.Read("ups-auth")
		if string(value) != want || (err == nil) != (want != "") {
			t.Fatalf("got %q, %v; want %q", value, err, want)
		}
		if (s.Readable("ups-auth") == nil) != (err == nil) {
			t.Errorf("%q: Readable and Read disagree", want)
		}
		switch want {
		case "from systemd":
			os.Remove(filepath.Join(credentials, "ups-auth"))
		case "from systemd, of a folder":
			os.Remove(filepath.Join(credentials, "secrets_ups-auth"))
		case "from the directory":
			os.Remove(filepath.Join(dir, "ups-auth"))
		case "from the environment":
			os.Unsetenv("EBBLINE_SECRET_UPS_AUTH")
		}
	}
	_, err := s.Read("ups-auth")
	for _, part := range []string{credentials, dir, "EBBLINE_SECRET_UPS_AUTH"} {
		if !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), part) {
			t.Errorf("%v does not name %s", err, part)
		}
	}
}

// Aim: what cannot be a secret is refused, with the next step and never with
// the value. Method: a table of files and variables.
func TestRefused(t *testing.T) {
	dir := t.TempDir()
	const value = "hunter2"
	write(t, dir, "world-readable", value, 0o644)
	write(t, dir, "world-writable", value, 0o602)
	write(t, dir, "empty", "", 0o600)
	write(t, dir, "newline", "\n", 0o600)
	write(t, dir, "long", strings.Repeat(value, 64<<10), 0o600)
	write(t, dir, "in-a-directory", value, 0o600)
	if err := os.Mkdir(filepath.Join(dir, "directory"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mkfifo(filepath.Join(dir, "pipe"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("loop", filepath.Join(dir, "loop")); err != nil {
		t.Fatal(err)
	}
	env := map[string]string{
		"EBBLINE_SECRET_BLANK":          "\n",
		"EBBLINE_SECRET_WORLD_READABLE": "a good value further on",
	}
	s := Places{Folder: dir, Env: func(name string) string { return env[name] }}
	for name, text := range map[string]string{
		"world-readable": "chmod o= " + dir + "/world-readable",
		"world-writable": "chmod o= " + dir + "/world-writable",
		"empty":          "is empty", "newline": "is empty", "blank": "$EBBLINE_SECRET_BLANK is empty",
		"long": "is longer than 64 KiB", "directory": "is no file", "pipe": "is no file", "loop": "too many levels",
		"": "no path", ".": "no path", "..": "no path", ".hidden": "no path", "../x": "no path", "/etc/shadow": "no path",
		"a b": "no path", "a\n": "no path", "x/in-a-directory": "no path", strings.Repeat("a", 65): "64 at most",
	} {
		got, err := s.Read(name)
		if err == nil || got != nil || !strings.Contains(err.Error(), text) {
			t.Errorf("%q: got %v, want %q", name, err, text)
		}
		if err != nil && strings.Contains(err.Error(), value) {
			t.Errorf("%q: the value is in %v", name, err)
		}
	}
}

// Aim: a value comes as it is but for one newline at its end. Method: a table.
func TestValueIsKept(t *testing.T) {
	dir := t.TempDir()
	for stored, want := range map[string]string{
		"a": "a", "a\n": "a", "a\n\n": "a\n", "a\r\n": "a", " a ": " a ", "a\nb\n": "a\nb", "\x00\xff": "\x00\xff",
		strings.Repeat("x", 64<<10): strings.Repeat("x", 64<<10),
	} {
		write(t, dir, "x.y_z-1", stored, 0o600)
		if got, err := (&Places{Folder: dir}).Read("x.y_z-1"); string(got) != want || err != nil {
			t.Errorf("%q: got %q, %v", stored, got, err)
		}
	}
}
