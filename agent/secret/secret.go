// Package secret reads the values of secrets, when they are needed and from
// where the operator put them. It must never put a value into an error.
package secret

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
)

const limitBytes = 64 << 10

// Places is where secrets are looked for, in this order: a file of the secret's
// name in Credentials, one named "secrets_" and the secret's name there, one of its
// name in Folder, the environment variable EBBLINE_SECRET_ and the name in capitals
// with _ for - and dots.
type Places struct {
	Credentials string              // systemd's (systemd.exec(5), $CREDENTIALS_DIRECTORY); "" for none
	Folder      string              // the operator's; "" for none
	Env         func(string) string // os.Getenv, as a rule; nil for none
}

// fromFolder is what systemd puts before the names of files that it loads as a
// folder, by LoadCredential=secrets:/etc/ebbline/secrets of our unit.
const fromFolder = "secrets_"

// valid names are file names without surprises.
var valid = regexp.MustCompile(`^[A-Za-z0-9_][A-Za-z0-9_.-]{0,63}$`)

// Read gives a secret's value, without one newline at its end. The first place that
// has it counts, even when what is there cannot be used.
func (s *Places) Read(name string) ([]byte, error) {
	if !valid.MatchString(name) {
		return nil, fmt.Errorf("secret %q: a name is of letters, digits, _, - and dots, 64 at most, and no path", name)
	}
	for _, place := range []struct{ dir, file string }{{s.Credentials, name}, {s.Credentials, fromFolder + name}, {s.Folder, name}} {
		if place.dir == "" {
			continue
		}
		value, err := readFile(filepath.Join(place.dir, place.file))
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("secret %q: %w", name, err)
		}
		return value, nil
	}
	if s.Env != nil && s.Env(variable(name)) != "" {
		value, err := check([]byte(s.Env(variable(name))))
		if err != nil {
			return nil, fmt.Errorf("secret %q: $%s %w", name, variable(name), err)
		}
		return value, nil
	}
	credentials := "none"
	if s.Credentials != "" {
		credentials = s.Credentials + ", filled when the service starts: after a new secret, systemctl restart ebbline"
	}
	return nil, absent(fmt.Sprintf("secret %q is nowhere: give it as a file of that name in the folder of secrets (--secrets FOLDER; here: %s), in the environment as %s, or as a systemd credential (here: %s)",
		name, cmp.Or(s.Folder, "none"), variable(name), credentials))
}

// absent says that no place has a secret, and what to do; it is [os.ErrNotExist].
type absent string

func (a absent) Error() string        { return string(a) }
func (a absent) Is(target error) bool { return target == os.ErrNotExist }

// Readable tells whether the secret of this name can be read, and why not.
func (s *Places) Readable(name string) error {
	_, err := s.Read(name)
	return err
}

func variable(name string) string {
	return "EBBLINE_SECRET_" + strings.ToUpper(strings.NewReplacer("-", "_", ".", "_").Replace(name))
}

func readFile(path string) ([]byte, error) {
	// Opening a pipe would wait for a writer.
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no file", path)
	}
	if mode := info.Mode().Perm(); mode&0o007 != 0 {
		return nil, fmt.Errorf("%s is open to every user of this machine (mode %04o): chmod o= %[1]s", path, mode)
	}
	value, err := io.ReadAll(io.LimitReader(f, limitBytes+1))
	if err != nil {
		return nil, err
	}
	if value, err = check(value); err != nil {
		return nil, fmt.Errorf("%s %w", path, err)
	}
	return value, nil
}

// check takes one newline away, which editors add and echo too.
func check(value []byte) ([]byte, error) {
	if len(value) > limitBytes {
		return nil, fmt.Errorf("is longer than %d KiB: is it the right file?", limitBytes>>10)
	}
	value = bytes.TrimSuffix(bytes.TrimSuffix(value, []byte("\n")), []byte("\r"))
	if len(value) == 0 {
		return nil, errors.New("is empty: write the secret into it")
	}
	return value, nil
}
