package history

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// roleVariable makes the test binary a process of its own, for tests that kill
// it or run it as another user.
const roleVariable = "EBBLINE_HISTORY_TEST_ROLE"

func TestMain(m *testing.M) {
	role := os.Getenv(roleVariable)
	if role == "" {
		os.Exit(m.Run())
	}
	if err := play(role, os.Args[1]); err != nil {
		fmt.Println("error:", err)
		os.Exit(1)
	}
}

// play is the child.
func play(role, path string) error {
	if name, ok := strings.CutPrefix(role, "nobody-"); ok {
		const nobody = 65534
		if err := errors.Join(syscall.Setgroups(nil), syscall.Setgid(nobody), syscall.Setuid(nobody)); err != nil {
			return err
		}
		role = name
	}
	ctx := context.Background()
	switch role {
	case "write":
		return keepWriting(ctx, path, logPages, math.MaxInt)
	case "write-one-log":
		// The log is never carried over, so that a cut of it at any place is one that a disk could leave.
		return keepWriting(ctx, path, 0, mostInOneLog)
	case "record":
		s, err := Open(path, Options{})
		if err != nil {
			return err
		}
		if err := s.RecordOutage(anOutage(1, 100)); err != nil {
			return err
		}
		fmt.Println("flushed:", s.Flush(ctx))
		return s.Close(ctx)
	case "read":
		r, err := OpenReader(ctx, path)
		if err != nil {
			return err
		}
		defer r.Close()
		list, err := r.Outages(ctx, 10)
		fmt.Println("outages:", len(list), err)
		return nil
	}
	return fmt.Errorf("no role %q", role)
}

// mostInOneLog is how many outages are sure to find room in a log that is never
// carried over.
const mostInOneLog = 30

// keepWriting records outages numbered from where the file ends, each with a
// test and samples, and says the number of each once it is flushed.
func keepWriting(ctx context.Context, path string, pages, most int) error {
	n := 0
	if r, err := OpenReader(ctx, path); err == nil {
		list, err := r.Outages(ctx, 1)
		if err != nil {
			return err
		}
		for _, o := range list {
			n = int(o.Number)
		}
		r.Close()
	}
	s := newWriter(&file{path: path, steps: steps, maxBytes: usualBytes, maxAge: usualAge, logPages: pages}, Options{NormalEvery: usualEvery})
	go s.run(s.file.write)
	for n < most {
		n++
		began := float64(n) * 10_000
		err := s.put(nil, true, func(w *waiting) { // as one, so that they are written as one
			w.outage(anOutage(uint32(n), began))
			w.test(aTest(began + 2000))
			for i := range 50 {
				w.sample(reading(began+float64(i), DuringOutage))
			}
		})
		if err != nil {
			return err
		}
		if err := s.Flush(ctx); err != nil {
			return err
		}
		if h := s.Health(); h != (Health{}) {
			return fmt.Errorf("%+v", h)
		}
		fmt.Println(n)
	}
	select {} // it is killed
}

// child is a running child; its output is read line by line.
type child struct {
	*exec.Cmd
	lines *bufio.Scanner
}

func startChild(t *testing.T, role, path string) *child {
	t.Helper()
	c := &child{Cmd: exec.Command(os.Args[0], path)}
	c.Env = append(os.Environ(), roleVariable+"="+role)
	c.Stderr = os.Stderr
	out, err := c.StdoutPipe()
	must(t, err)
	must(t, c.Start())
	c.lines = bufio.NewScanner(out)
	t.Cleanup(func() { c.Process.Kill(); c.Wait() })
	return c
}

// said gives the last number that the child says before its end.
func (c *child) said(t *testing.T, last int) int {
	t.Helper()
	for c.lines.Scan() {
		n, err := strconv.Atoi(c.lines.Text())
		if err != nil {
			t.Fatalf("the writing process says %q", c.lines.Text())
		}
		last = n
	}
	return last
}

// runChild gives all that a child says.
func runChild(t *testing.T, role, path string) string {
	t.Helper()
	c := startChild(t, role, path)
	var all []string
	for c.lines.Scan() {
		all = append(all, c.lines.Text())
	}
	return strings.Join(all, "\n")
}

// session is an sqlite3 that holds a transaction.
type session struct {
	*exec.Cmd
	in  io.WriteCloser
	out *bufio.Scanner
}

// holdWith starts sqlite3 on the file and has it begin what the SQL says; it
// returns when it has.
func holdWith(t *testing.T, path, sql string) *session {
	t.Helper()
	s := &session{Cmd: exec.Command("sqlite3", "-batch", "-bail", path)}
	var err error
	s.in, err = s.StdinPipe()
	must(t, err)
	out, err := s.StdoutPipe()
	must(t, err)
	must(t, s.Start())
	t.Cleanup(func() { s.Process.Kill(); s.Wait() })
	s.out = bufio.NewScanner(out)
	fmt.Fprintf(s.in, "%s\nSELECT 'held';\n", sql)
	for s.out.Scan() && s.out.Text() != "held" {
	}
	return s
}

func (s *session) release(t *testing.T) {
	t.Helper()
	s.in.Close()
	must(t, s.Wait())
}

// mount puts a small file system of its own under a new folder.
func mount(t *testing.T, size string) string {
	t.Helper()
	if os.Getuid() != 0 {
		t.Skip("mounting a file system needs root")
	}
	dir := t.TempDir()
	must(t, syscall.Mount("history-test", dir, "tmpfs", 0, "size="+size))
	t.Cleanup(func() {
		// A process that a test killed may take a moment to let go.
		for range 1000 {
			if syscall.Unmount(dir, 0) == nil {
				return
			}
			time.Sleep(50 * time.Millisecond)
		}
		t.Errorf("%s cannot be unmounted", dir)
	})
	return dir
}
