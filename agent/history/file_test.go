package history

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ebbline/shutdown"
)

// filled makes a history of some thousand samples, closed.
func filled(t *testing.T, path string) {
	t.Helper()
	s := open(t, path, Options{})
	must(t, s.RecordOutage(anOutage(1, 100)))
	for i := range 4000 {
		must(t, s.RecordSample(reading(float64(i), DuringTest)))
	}
	must(t, s.Flush(t.Context()))
	must(t, s.Close(t.Context()))
}

// problem records an outage and gives what Health says of it, which must be the
// same as Flush says.
func problem(t *testing.T, s *Writer, number uint32) string {
	t.Helper()
	must(t, s.RecordOutage(anOutage(number, float64(number)*1000)))
	err := s.Flush(t.Context())
	h := s.Health()
	if (err == nil) != (h.Problem == "") {
		t.Fatalf("flush says %v, health %+v", err, h)
	}
	if strings.Contains(h.Problem, "\n") {
		t.Errorf("the problem has a line break: %q", h.Problem)
	}
	return h.Problem
}

func contents(t *testing.T, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	must(t, err)
	return data
}

// Aim: a file of another program, or of a newer version, is refused and stays
// as it is, and once it is moved away the history begins with what waited.
// Method: a text, databases by sqlite3, a history with a version of the future.
func TestRefusedFile(t *testing.T) {
	for _, c := range []struct {
		name, word string
		is         error
		make       func(path string)
	}{
		{"text", "is not an ebbline history", ErrForeign, func(p string) { must(t, os.WriteFile(p, bytes.Repeat([]byte("root:x:0:0\n"), 99), 0o600)) }},
		{"short", "is not an ebbline history", ErrForeign, func(p string) { must(t, os.WriteFile(p, []byte("x"), 0o600)) }},
		{"database", "is not an ebbline history", ErrForeign, func(p string) { shell(t, p, "CREATE TABLE letters (a); INSERT INTO letters VALUES ('dear')") }},
		{"versioned", "is not an ebbline history", ErrForeign, func(p string) { shell(t, p, "PRAGMA user_version = 1") }},
		{"program", "is not an ebbline history", ErrForeign, func(p string) {
			shell(t, p, "PRAGMA application_id = 252006673; PRAGMA user_version = 1; CREATE TABLE sample (a)")
		}},
		{"newer", "is of a newer version of ebbline", ErrNewer, func(p string) { filled(t, p); shell(t, p, "PRAGMA user_version = 99") }},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "history.db")
			c.make(path)
			before := contents(t, path)
			s := open(t, path, Options{})
			for n := range 2 {
				if got := problem(t, s, uint32(n+1)); !strings.Contains(got, path+" "+c.word) || !strings.Contains(got, "left alone") {
					t.Errorf("problem %q, want %q in it", got, c.word)
				}
			}
			if _, err := OpenReader(t.Context(), path); !errors.Is(err, c.is) {
				t.Errorf("reader: %v, want %v", err, c.is)
			}
			if !bytes.Equal(before, contents(t, path)) {
				t.Error("the file has changed")
			}
			must(t, os.Rename(path, path+".old"))
			if got := problem(t, s, 3); got != "" {
				t.Errorf("once moved away: %q", got)
			}
			if got := numbers(t, path); len(got) != 3 {
				t.Errorf("outages %v; want the three that waited", got)
			}
			if h := s.Health(); h.SetAside != "" {
				t.Errorf("set aside: %q", h.SetAside)
			}
		})
	}
}

// Aim: a damaged history is set aside whole, said so, and a new one begun with
// nothing lost of what came. Method: one kind of damage each.
func TestDamaged(t *testing.T) {
	root := func(table string) func(path string, data []byte) []byte {
		return func(path string, data []byte) []byte {
			page, err := strconv.Atoi(shell(t, path, "SELECT rootpage FROM sqlite_schema WHERE name = '"+table+"'"))
			must(t, err)
			copy(data[(page-1)*4096:page*4096], bytes.Repeat([]byte{0xa5}, 4096))
			return data
		}
	}
	for _, c := range []struct {
		name     string
		unclean  bool // a log lies beside it, as after a kill
		noReader bool // a reader sees it, too
		damage   func(path string, data []byte) []byte
	}{
		{"head-zeroed", false, true, func(_ string, d []byte) []byte { clear(d[:100]); return d }},
		{"all-zeros", false, true, func(_ string, d []byte) []byte { clear(d); return d }},
		{"half", true, true, func(_ string, d []byte) []byte { return d[:len(d)/2/4096*4096] }},
		{"sample-table", false, false, root("sample")},
		{"page-looked-for", true, false, root("draw")},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "history.db")
			filled(t, path)
			damaged := c.damage(path, contents(t, path))
			must(t, os.WriteFile(path, damaged, 0o600))
			if c.unclean {
				must(t, os.WriteFile(path+"-wal", nil, 0o600))
			}
			if c.noReader {
				if _, err := OpenReader(t.Context(), path); !errors.Is(err, ErrDamaged) {
					t.Errorf("reader: %v; want %v", err, ErrDamaged)
				}
			}
			s := open(t, path, Options{})
			must(t, s.RecordSample(reading(9999, DuringTest)))
			if got := problem(t, s, 2); got != "" {
				t.Fatalf("problem %q", got)
			}
			if h := s.Health(); h.SetAside != path+".damaged-1" {
				t.Fatalf("health %+v; want the damaged file set aside", h)
			}
			if !bytes.Equal(damaged, contents(t, path+".damaged-1")) {
				t.Error("the file set aside is not the damaged one")
			}
			if got := numbers(t, path); len(got) != 1 || got[0] != 2 {
				t.Errorf("outages %v in the new file, want the one recorded", got)
			}
		})
	}
}

// Aim: a disk that damages file after file does not fill with them. Method:
// three lie there already.
func TestFourthDamaged(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	filled(t, path)
	data := contents(t, path)
	clear(data[:100])
	must(t, os.WriteFile(path, data, 0o600))
	for i := range mostSetAside {
		must(t, os.WriteFile(fmt.Sprintf("%s.damaged-%d", path, i+1), nil, 0o600))
	}
	s := open(t, path, Options{})
	if got := problem(t, s, 2); !strings.Contains(got, "3 damaged ones lie beside it. Look at the disk") {
		t.Errorf("problem %q", got)
	}
	if !bytes.Equal(data, contents(t, path)) {
		t.Error("the file has changed")
	}
	must(t, os.Remove(path+".damaged-2"))
	if got := problem(t, s, 3); got != "" || s.Health().SetAside != path+".damaged-2" {
		t.Errorf("with room again: %q, %+v", got, s.Health())
	}
}

// Aim: what is wrong with the place is said with what to do, is tried again, and
// clears by itself. Method: one fault each, and its end.
func TestPlace(t *testing.T) {
	t.Run("no folder", func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "state", "history.db")
		s := open(t, path, Options{})
		if got := problem(t, s, 1); !strings.Contains(got, "its folder does not exist. Make the folder") {
			t.Errorf("problem %q", got)
		}
		if _, err := OpenReader(t.Context(), path); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("reader: %v", err)
		}
		must(t, os.Mkdir(filepath.Dir(path), 0o700))
		if got := problem(t, s, 2); got != "" || len(numbers(t, path)) != 2 {
			t.Errorf("with the folder: %q", got)
		}
	})
	t.Run("a folder", func(t *testing.T) {
		path := t.TempDir()
		s := open(t, path, Options{})
		if got := problem(t, s, 1); !strings.Contains(got, "is no file. Give another path") {
			t.Errorf("problem %q", got)
		}
	})
	t.Run("strange name", func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "a?mode=memory&b#c%20d 'e\";é")
		s := open(t, path, Options{})
		if got := problem(t, s, 1); got != "" || len(numbers(t, path)) != 1 {
			t.Errorf("problem %q", got)
		}
		reader(t, path)
	})
	t.Run("read-only disk", func(t *testing.T) {
		dir := mount(t, "4m")
		path := filepath.Join(dir, "history.db")
		filled(t, path)
		must(t, syscall.Mount("", dir, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""))
		s := open(t, path, Options{})
		if got := problem(t, s, 2); !strings.Contains(got, "on a disk that can be written") {
			t.Errorf("problem %q", got)
		}
		other := open(t, filepath.Join(dir, "other.db"), Options{})
		if got := problem(t, other, 1); !strings.Contains(got, "on a disk that takes files") {
			t.Errorf("problem %q", got)
		}
		r := reader(t, path)
		list, err := r.Outages(t.Context(), 10)
		must(t, errors.Join(err, r.Close()))
		if len(list) != 1 {
			t.Errorf("the reader sees %d outages, want 1", len(list))
		}
		must(t, syscall.Mount("", dir, "", syscall.MS_REMOUNT, ""))
		if got := problem(t, s, 3); got != "" || len(numbers(t, path)) != 3 {
			t.Errorf("writable again: %q", got)
		}
		must(t, s.Close(t.Context()))
	})
	t.Run("no permission", func(t *testing.T) {
		if os.Getuid() != 0 {
			t.Skip("acting as another user needs root")
		}
		dir, err := os.MkdirTemp("", "history-test-")
		must(t, err)
		t.Cleanup(func() { os.RemoveAll(dir) })
		must(t, os.Chmod(dir, 0o755))
		path := filepath.Join(dir, "history.db")
		if got := runChild(t, "nobody-record", path); !strings.Contains(got, "Let the agent's user write in its folder") {
			t.Errorf("no right to the folder: %s", got)
		}
		filled(t, path)
		must(t, os.Chmod(path, 0o644))
		if got := runChild(t, "nobody-record", path); !strings.Contains(got, "Let the agent's user read and write it and its folder") {
			t.Errorf("no right to write the file: %s", got)
		}
		must(t, os.Chmod(path, 0o600))
		if got := runChild(t, "nobody-record", path); !strings.Contains(got, "Let the agent's user read and write it") {
			t.Errorf("no right to read the file: %s", got)
		}
		must(t, os.Chmod(dir, 0o777))
		must(t, os.Chmod(path, 0o666))
		if got := runChild(t, "nobody-record", path); !strings.Contains(got, "flushed: <nil>") {
			t.Errorf("with all rights: %s", got)
		}
	})
}

// Aim: a full disk is told, loses nothing that was flushed or waits, and clears.
// Method: a file system of two megabytes, filled by another file in the middle
// of writing.
func TestDiskFull(t *testing.T) {
	dir := mount(t, "2m")
	path, filler := filepath.Join(dir, "history.db"), filepath.Join(dir, "filler")
	s := open(t, path, Options{})
	if got := problem(t, s, 1); got != "" {
		t.Fatal(got)
	}
	_, err := exec.Command("dd", "if=/dev/zero", "of="+filler, "bs=4k").CombinedOutput()
	if err == nil {
		t.Fatal("the disk is not full")
	}
	for i := range 3000 {
		must(t, s.RecordSample(reading(float64(i), DuringTest)))
	}
	if got := problem(t, s, 2); !strings.Contains(got, "free some space") && !strings.Contains(got, "fails or is full") {
		t.Errorf("problem %q", got)
	}
	if got := numbers(t, path); len(got) != 1 {
		t.Errorf("outages %v while the disk is full; want the first", got)
	}
	must(t, os.Remove(filler))
	if got := problem(t, s, 3); got != "" {
		t.Errorf("with room again: %q", got)
	}
	if got := shell(t, path, "SELECT count(*), (SELECT count(*) FROM outage) FROM sample"); got != "3000|3" {
		t.Errorf("samples|outages are %s, want 3000|3", got)
	}
	numbers(t, path)
	must(t, s.Close(t.Context()))
}

// Aim: another program that holds the file is told and holds nobody up for
// good. Method: sqlite3 in the middle of a transaction that writes.
func TestLocked(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	filled(t, path)
	holder := holdWith(t, path, "BEGIN IMMEDIATE;")
	s := open(t, path, Options{})
	if got := problem(t, s, 2); !strings.Contains(got, "Another program holds it") {
		t.Errorf("problem %q", got)
	}
	holder.release(t)
	if got := problem(t, s, 3); got != "" || len(numbers(t, path)) != 3 {
		t.Errorf("once released: %q", got)
	}
}

// Aim: a program that reads without end stops samples, not outages, and the log
// stays near its bound. Method: sqlite3 in the middle of a transaction that reads.
func TestLogHeld(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	filled(t, path)
	s := open(t, path, Options{})
	must(t, s.Flush(t.Context()))
	holder := holdWith(t, path, "BEGIN; SELECT count(*) FROM sample;")
	n, most := uint32(1), int64(0)
	for second, dropped := 10_000.0, 0; dropped < 3 && second < 100_000; n++ {
		for range 4000 {
			second++
			must(t, s.RecordSample(reading(second, DuringTest)))
		}
		must(t, s.RecordOutage(anOutage(n+1, float64(n)*1000)))
		must(t, s.Flush(t.Context()))
		most = max(most, size(path+"-wal"))
		if s.Health().DroppedSamples > 0 {
			dropped++
		}
	}
	h := s.Health()
	if !strings.Contains(h.Problem, "a program has been reading it for long") || h.DroppedSamples == 0 {
		t.Errorf("health %+v", h)
	}
	if most > logMost+batchMost {
		t.Errorf("the log grew to %d bytes", most)
	}
	if got := shell(t, path, "SELECT count(*) FROM outage"); got != fmt.Sprint(n) {
		t.Errorf("%s outages, want %d", got, n)
	}
	holder.release(t)
	must(t, s.RecordSample(reading(200_000, DuringTest)))
	if got := problem(t, s, n+1); got != "" {
		t.Errorf("once released: %q", got)
	}
	if got := shell(t, path, "SELECT max(at_utc) FROM samples"); got != "2026-01-17T10:33:20Z" {
		t.Errorf("the last sample is of %s", got)
	}
	if got := size(path + "-wal"); got > logBytes+batchMost {
		t.Errorf("the log keeps %d bytes", got)
	}
}

// Aim: a history that an operator moves away is not written on in secret.
// Method: the file is renamed while it is open.
func TestMovedAway(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, path, Options{})
	if got := problem(t, s, 1); got != "" {
		t.Fatal(got)
	}
	must(t, os.Rename(path, path+".old"))
	if got := problem(t, s, 2); got != "" {
		t.Errorf("problem %q", got)
	}
	if old, now := fmt.Sprint(numbers(t, path+".old")), fmt.Sprint(numbers(t, path)); old != "[1]" || now != "[2]" {
		t.Errorf("outages %s in the old file and %s in the new one", old, now)
	}
}

// Aim: a row that the file does not take holds up nothing. Method: sqlite3 adds
// a rule to the schema that one record breaks.
func TestRowRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	filled(t, path)
	shell(t, path, "CREATE TRIGGER no BEFORE INSERT ON stop WHEN NEW.host = 'vault' BEGIN SELECT raise(ABORT, 'no'); END")
	s := open(t, path, Options{})
	must(t, s.RecordStop(Stop{"vault", at(1), 1, "ssh-1", 1, Clean}))
	must(t, s.RecordStop(Stop{"attic", at(1), 1, "ssh-1", 1, Clean}))
	if got := problem(t, s, 2); got != "" || s.Health().DroppedRecords != 1 {
		t.Errorf("problem %q, health %+v; want one record dropped", got, s.Health())
	}
	if got := shell(t, path, "SELECT host FROM stop"); got != "attic" {
		t.Errorf("stops of %s", got)
	}
}

// Aim: a file of an older version goes forward, whole or not at all, and loses
// nothing. Method: a history of version 1 as sqlite3 dumped it
// (testdata/version1.sql), opened by a program with one more step, and first by
// one whose step fails.
func TestMigrates(t *testing.T) {
	defer func(was []string) { steps = was }(steps)
	steps = []string{version1}
	path := filepath.Join(t.TempDir(), "history.db")
	dump := string(contents(t, "testdata/version1.sql"))
	shell(t, path, dump)
	ages := func(wanted ...string) *Writer {
		s := newWriter(&file{path: path, steps: wanted, maxBytes: usualBytes, maxAge: usualAge, logPages: logPages}, Options{})
		go s.run(s.file.write)
		t.Cleanup(func() { s.Close(context.Background()) }) // the test's own is over by then
		return s
	}
	step := "ALTER TABLE stop ADD COLUMN why TEXT NOT NULL DEFAULT 'unknown';"
	bad := ages(version1, step+"INSERT INTO nowhere VALUES (1);")
	if got := problem(t, bad, 8); !strings.Contains(got, "step to version 2") {
		t.Errorf("problem %q", got)
	}
	before := reader(t, path)
	want, err := before.Outages(t.Context(), 10)
	must(t, errors.Join(err, before.Close()))
	if d := cmp.Diff([]Outage{anOutage(7, 100)}, want); d != "" {
		t.Errorf("version 1 does not read as it was recorded:\n%s", d)
	}
	good := ages(version1, step)
	if got := problem(t, good, 8); got != "" {
		t.Errorf("problem %q", got)
	}
	if got := shell(t, path, "PRAGMA user_version; SELECT host, why FROM stop; SELECT count(*) FROM outage"); got != "2\nvault|unknown\n2" {
		t.Errorf("after the step: %q", got)
	}
	if _, err := OpenReader(t.Context(), path); !errors.Is(err, ErrNewer) {
		t.Errorf("a reader of version 1: %v", err)
	}
	steps = []string{version1, step, ""}
	if _, err := OpenReader(t.Context(), path); !errors.Is(err, ErrOlder) || !strings.Contains(err.Error(), "Start the agent once") {
		t.Errorf("a reader of version 3: %v", err)
	}
}

// Aim: the schema of version 1 does not change any more. Method: the one in the
// program against the one that sqlite3 dumped.
func TestSchemaStands(t *testing.T) {
	dir := t.TempDir()
	dumped, fresh := filepath.Join(dir, "dumped"), filepath.Join(dir, "fresh")
	shell(t, dumped, string(contents(t, "testdata/version1.sql")))
	s := newWriter(&file{path: fresh, steps: []string{version1}, maxBytes: usualBytes, maxAge: usualAge, logPages: logPages}, Options{})
	go s.run(func(ctx context.Context, b *batch) (outcome, error) {
		_, err := s.file.ready(ctx)
		return outcome{}, err
	})
	t.Cleanup(func() { s.Close(context.Background()) })
	must(t, s.RecordSample(reading(1, DuringNormal)))
	must(t, s.Flush(t.Context()))
	const query = "PRAGMA application_id; PRAGMA user_version; SELECT type, name, sql FROM sqlite_schema ORDER BY type, name"
	if d := cmp.Diff(shell(t, dumped, query), shell(t, fresh, query)); d != "" {
		t.Errorf("version 1 has changed; make a step to a new version instead (-dumped +program):\n%s", d)
	}
}

// Fuzz: whatever lies at the path, nothing panics, and its bytes are still on
// the disk afterwards unless it was an empty file or a database that could be
// written. A whole file is too much for the fuzzer to work on, so that it works on
// the edits: pieces of three bytes, of which each puts a byte in a place of a
// sound file (0), or cuts it off there (255 at the end).
func FuzzFileAtPath(f *testing.F) {
	fast := memoryFolder(f)
	sound := filepath.Join(fast, "sound")
	s, err := Open(sound, Options{})
	must(f, err)
	must(f, s.RecordOutage(anOutage(1, 100)))
	must(f, s.Close(f.Context()))
	data, err := os.ReadFile(sound)
	must(f, err)
	f.Add([]byte{})
	f.Add([]byte{0, 18, 2})    // the version of the format for writing
	f.Add([]byte{0, 68, 1})    // the application
	f.Add([]byte{0, 100, 255}) // cut off
	f.Add([]byte{16, 0, 255})  // after the first page
	f.Add([]byte{0, 0, 'x', 0, 1, 255})
	f.Add([]byte{0, 28, 1, 16, 0, 0, 16, 3, 255})
	f.Fuzz(func(t *testing.T, edits []byte) {
		data := bytes.Clone(data)
		for ; len(edits) >= 3 && len(data) > 0; edits = edits[3:] {
			place := (int(edits[0])<<8 | int(edits[1])) % len(data)
			if data[place] = edits[2]; edits[2] == 255 {
				data = data[:place]
			}
		}
		dir, err := os.MkdirTemp(fast, "run")
		must(t, err)
		defer os.RemoveAll(dir)
		atPath(t, filepath.Join(dir, "history.db"), data)
	})
}

// memoryFolder is a folder in memory where there is one: a sync of the disk for
// each of a fuzzer's files would leave it a few runs a second.
func memoryFolder(tb testing.TB) string {
	dir, err := os.MkdirTemp("/dev/shm", "ebbline-history")
	if err != nil {
		return tb.TempDir()
	}
	tb.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// What lies at the path besides edited histories: texts, and beginnings of files.
func TestFileAtPath(t *testing.T) {
	for i, data := range [][]byte{nil, []byte("x"), []byte("SQLite format 3\x00"), make([]byte, 4096), []byte("-- " + mark)} {
		atPath(t, filepath.Join(t.TempDir(), fmt.Sprint("history", i)), data)
	}
}

func atPath(t *testing.T, path string, data []byte) {
	t.Helper()
	must(t, os.WriteFile(path, data, 0o600))
	if r, err := OpenReader(t.Context(), path); err == nil {
		r.Outages(t.Context(), 10)
		r.Samples(t.Context(), "rack", 0, shutdown.Never, 10)
		r.Close()
	}
	s := open(t, path, Options{})
	must(t, s.RecordOutage(anOutage(2, 5000)))
	err := s.Flush(t.Context())
	h := s.Health()
	s.Close(t.Context())
	switch {
	case h.SetAside != "":
		if !bytes.Equal(contents(t, h.SetAside), data) {
			t.Errorf("set aside, and not the same bytes")
		}
	case err != nil:
		if !bytes.Equal(contents(t, path), data) {
			t.Errorf("refused with %v, and not the same bytes", err)
		}
	case len(data) > 0 && !bytes.HasPrefix(data, []byte("SQLite format 3\x00")):
		t.Error("what was no database is written over")
	}
}

// Aim: what root begins beside the agent, such as a test, the agent can write.
func TestRootBeginsForTheAgent(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root can give a file away")
	}
	const agent = 12345
	folder := filepath.Join(t.TempDir(), "state")
	if err := errors.Join(os.Mkdir(folder, 0o700), os.Chown(folder, agent, agent)); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(folder, "history.db")
	s, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close(t.Context())
	if err := errors.Join(s.CloseUnfinishedTests(1), s.Flush(t.Context())); err != nil {
		t.Fatal(err)
	}
	for _, part := range []string{"", "-wal", "-shm"} {
		info, err := os.Stat(path + part)
		if err != nil {
			t.Fatal(err)
		}
		if owner := info.Sys().(*syscall.Stat_t); owner.Uid != agent {
			t.Errorf("history.db%s belongs to %d", part, owner.Uid)
		}
	}
}
