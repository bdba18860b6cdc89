package history

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// numbers gives the numbers of the outages in a file, by Debian's sqlite3, after
// its integrity check.
func numbers(t *testing.T, path string) []int {
	t.Helper()
	if got := shell(t, path, "PRAGMA integrity_check"); got != "ok" {
		t.Fatalf("%s: integrity check: %s", path, got)
	}
	var list []int
	for _, f := range strings.Fields(shell(t, path, "SELECT number FROM outage ORDER BY number")) {
		n, err := strconv.Atoi(f)
		must(t, err)
		list = append(list, n)
	}
	return list
}

// wholeUpTo asks that the outages are 1 to some n without a gap, each with all
// that was written in one transaction with it, and gives n.
func wholeUpTo(t *testing.T, path string) int {
	t.Helper()
	list := numbers(t, path)
	for i, n := range list {
		if n != i+1 {
			t.Fatalf("%s: the outages are %v", path, list)
		}
	}
	n := len(list)
	want := fmt.Sprintf("%d|%d|%d|%d|%d", 2*n, 4*n, n, 2*n, 50*n)
	got := shell(t, path, `SELECT (SELECT count(*) FROM outage_input), (SELECT count(*) FROM outage_phase),
		(SELECT count(*) FROM test), (SELECT count(*) FROM test_segment), (SELECT count(*) FROM sample WHERE during = 2)`)
	if got != want {
		t.Fatalf("%s: %d outages, and losses|phases|tests|segments|samples are %s, want %s", path, n, got, want)
	}
	return n
}

// Aim: kill -9 at any point loses nothing that was flushed, and leaves nothing
// half done. Method: a process that writes without pause is killed after some
// lines and a random while, over and over on one file, each life going on with
// what the one before left; some are killed while they begin the file. Debian's
// sqlite3 checks it.
func TestKilled(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	path := filepath.Join(t.TempDir(), "history.db")
	flushed := 0
	for life := range 25 {
		c := startChild(t, "write", path)
		if life >= 5 {
			for range rng.IntN(20) {
				if c.lines.Scan() {
					flushed, _ = strconv.Atoi(c.lines.Text())
				}
			}
		}
		time.Sleep(time.Duration(rng.IntN(60_000)) * time.Microsecond)
		must(t, c.Process.Kill())
		flushed = c.said(t, flushed)
		c.Wait()
		if _, err := os.Stat(path); err != nil && flushed == 0 {
			continue // killed before it began
		}
		if life%2 == 0 {
			continue // the next life recovers it, not sqlite3
		}
		if flushed == 0 && shell(t, path, "SELECT count(*) FROM sqlite_schema") == "0" {
			continue // rolled back to an empty file
		}
		// Each of the two lives since the last look may have died between writing
		// one and saying so.
		n := wholeUpTo(t, path)
		if n < flushed || n > flushed+2 {
			t.Fatalf("life %d: %d outages in the file, %d were flushed", life, n, flushed)
		}
		flushed = n
	}
	if n := wholeUpTo(t, path); n < flushed || flushed < 20 {
		t.Errorf("%d outages in the file, %d were flushed", n, flushed)
	}
}

// Aim: what lies on the disk is whole at every instant. Method: the writer is
// stopped in its tracks, the file and its log are copied and it goes on; the
// copies hold all that was flushed by then. Then the copied log is cut at random
// places, as by a disk that lost its last sectors, and each cut leaves the
// outages up to some number; that is with a log that is never carried over,
// since what was carried over was synced before and cannot be lost.
func TestCopiedAndCut(t *testing.T) {
	for _, role := range []string{"write", "write-one-log"} {
		t.Run(role, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(2, 2))
			dir := t.TempDir()
			path := filepath.Join(dir, "history.db")
			c := startChild(t, role, path)
			flushed, cuts, shorter := 0, 0, 0
			for round := range 6 {
				for range 1 + rng.IntN(mostInOneLog/6) {
					if !c.lines.Scan() {
						t.Fatal("the writing process ended")
					}
					flushed, _ = strconv.Atoi(c.lines.Text())
				}
				time.Sleep(time.Duration(rng.IntN(20_000)) * time.Microsecond)
				stop(t, c.Process.Pid)
				log, err := os.ReadFile(path + "-wal")
				must(t, err)
				data, err := os.ReadFile(path)
				must(t, err)
				must(t, syscall.Kill(c.Process.Pid, syscall.SIGCONT))
				copied := func(name string, log []byte) string {
					p := filepath.Join(dir, fmt.Sprintf("%s-%d", name, round))
					must(t, os.WriteFile(p, data, 0o600))
					must(t, os.WriteFile(p+"-wal", log, 0o600))
					return p
				}
				all := wholeUpTo(t, copied("whole", log))
				if all < flushed {
					t.Fatalf("round %d: the copy has %d outages, %d were flushed", round, all, flushed)
				}
				if role != "write-one-log" {
					continue
				}
				for range 12 {
					at := rng.IntN(len(log) + 1)
					n := wholeUpTo(t, copied(fmt.Sprintf("cut-%d", cuts), log[:at]))
					if want := commits(log[:at]); n != max(0, want-1) && n != want {
						// The first transaction is not of an outage where the file begins in it.
						t.Fatalf("round %d: the log cut at %d of %d has %d outages and %d whole transactions", round, at, len(log), n, want)
					}
					cuts++
					if n < all {
						shorter++
					}
				}
			}
			if role == "write-one-log" && shorter < cuts/2 {
				t.Errorf("only %d of %d cuts lost anything: the test cuts in the wrong place", shorter, cuts)
			}
		})
	}
}

// commits counts the whole transactions in a log: SQLite file format, 4.1, a
// frame that ends one has the size of the database in its second field.
func commits(log []byte) (n int) {
	const header, frame = 32, 24 + 4096
	for at := header; at+frame <= len(log); at += frame {
		if binary.BigEndian.Uint32(log[at+4:]) != 0 {
			n++
		}
	}
	return n
}

// stop stops a process and waits until it stands.
func stop(t *testing.T, pid int) {
	t.Helper()
	must(t, syscall.Kill(pid, syscall.SIGSTOP))
	for range 60_000 {
		stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		must(t, err)
		if _, rest, _ := strings.Cut(string(stat), ") "); strings.HasPrefix(rest, "T") {
			return
		}
		time.Sleep(time.Millisecond)
	}
	t.Fatal("the writing process does not stop")
}
