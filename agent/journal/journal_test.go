package journal

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// open opens a journal that must be free.
func open(t *testing.T, path string) (*Journal, []string, string) {
	t.Helper()
	j, past, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	if past.Lines != nil {
		past.Lines[0] = strings.TrimPrefix(past.Lines[0], Snapshot)
	}
	return j, past.Lines, past.Damage
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// What is written is read again, in order, after a cut only what came since;
// what was cut away is kept where that is wanted. The file is its owner's alone.
func TestWriteAndRead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal")
	j, past, damage := open(t, path)
	if past != nil || damage != "" {
		t.Fatalf("a new journal holds %q, %s", past, damage)
	}
	if err := j.Append([]string{"too early"}, false); err == nil {
		t.Error("an append before the snapshot is taken")
	}
	must(t, j.Cut([]byte(`{"a":1}`), "last-outage")) // there is nothing yet to keep
	must(t, j.Append([]string{"at 1 one", "at 1 > two"}, true))
	must(t, j.Append([]string{"at 2 ünïcode \"…\""}, false))
	if err := j.Append([]string{"one\ntwo"}, false); err == nil {
		t.Error("two lines in one are taken")
	}
	must(t, j.Close())

	j, past, _ = open(t, path)
	if want := []string{`{"a":1}`, "at 1 one", "at 1 > two", "at 2 ünïcode \"…\""}; !slices.Equal(past, want) {
		t.Errorf("read %q, want %q", past, want)
	}
	must(t, j.Cut([]byte(`{"b":2}`), "last-outage"))
	must(t, j.Append([]string{"at 3 three"}, true))
	must(t, j.Cut([]byte(`{"c":3}`), ""))
	must(t, j.Append([]string{"at 4 four"}, true))
	must(t, j.Close())
	_, past, _ = open(t, path)
	if want := []string{`{"c":3}`, "at 4 four"}; !slices.Equal(past, want) {
		t.Errorf("after cuts %q, want %q", past, want)
	}
	_, past, damage = open(t, path+".last-outage")
	if len(past) != 4 || past[0] != `{"a":1}` || damage != "" {
		t.Errorf("the kept journal holds %q, %s", past, damage)
	}
	for _, name := range []string{path, path + ".lock", path + ".last-outage"} {
		info, err := os.Stat(name)
		must(t, err)
		if info.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %o", name, info.Mode().Perm())
		}
	}
	if _, err := os.Stat(path + ".new"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the temporary file is left: %v", err)
	}
}

// Where the first snapshot cannot be read, what the file before held is read too:
// its end is what that snapshot says.
func TestFileBefore(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal")
	j, _, _ := open(t, path)
	must(t, j.Cut([]byte(`{"a":1}`), ""))
	must(t, j.Append([]string{"one"}, true))
	must(t, j.Cut([]byte(`{"b":2}`), ""))
	must(t, j.Append([]string{"two"}, true))
	must(t, j.Close())
	text, err := os.ReadFile(path)
	must(t, err)
	flipped := strings.Replace(string(text), `"b"`, `"c"`, 1)
	for _, c := range []struct {
		text          string
		lines, before []string
	}{
		{string(text), []string{Snapshot + `{"b":2}`, "two"}, nil},
		{flipped, []string{"two"}, []string{Snapshot + `{"a":1}`, "one"}},
		{flipped[:45], nil, []string{Snapshot + `{"a":1}`, "one"}},
		{"", nil, []string{Snapshot + `{"a":1}`, "one"}},
	} {
		must(t, os.WriteFile(path, []byte(c.text), 0o600))
		j, past, err := Open(path)
		must(t, err)
		must(t, j.Close())
		if !slices.Equal(past.Lines, c.lines) || !slices.Equal(past.Before, c.before) {
			t.Errorf("of %q is read %q, and before it %q", c.text, past.Lines, past.Before)
		}
	}
	must(t, os.Remove(path)) // somebody wants to begin anew
	j, past, err := Open(path)
	must(t, err)
	if j.Close(); past.Before != nil || past.Lines != nil {
		t.Errorf("a journal that was taken away is read: %+v", past)
	}
}

// Two agents cannot hold one journal, and the error says what to do.
func TestLock(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal")
	j, _, _ := open(t, path)
	must(t, j.Cut([]byte("{}"), ""))
	_, _, err := Open(path)
	if !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), "Stop that one first") {
		t.Errorf("a second holder: %v", err)
	}
	must(t, j.Close())
	open(t, path)
}

// Cut at any byte behind the snapshot, a journal gives all whole lines before
// that and no damage; with any one byte changed it gives every line but the one
// changed (an end changed costs three), and says what is wrong, unless the change
// only cuts the last line.
func TestEveryByte(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal")
	j, _, _ := open(t, path)
	must(t, j.Cut([]byte(`{"state":"s"}`), ""))
	lines := []string{Snapshot + `{"state":"s"}`}
	for i := range 5 {
		lines = append(lines, fmt.Sprintf("at %d measured rack source=battery", i))
	}
	must(t, j.Append(lines[1:], true))
	text, err := os.ReadFile(path)
	must(t, err)
	start := strings.Index(string(text), lines[1]) - sumDigits - 1
	for n := range text {
		past := parse(text[:n])
		if n >= start && (past.Damage != "" || past.Torn != (n > 0 && text[n-1] != '\n') || !slices.Equal(past.Lines, lines[:len(past.Lines)])) {
			t.Errorf("cut after %d bytes: %+v", n, past)
		}
		if n < start && (past.Damage == "" || len(past.Lines) > 0) {
			t.Errorf("cut after %d bytes, in the snapshot, it is taken for good", n)
		}
	}
	for n := range text {
		for _, bit := range []byte{1, 0x20, 0x80} {
			bad := slices.Clone(text)
			bad[n] ^= bit
			past := parse(bad)
			last := n == len(text)-1
			if past.Damage == "" && !(last && past.Torn) {
				t.Errorf("byte %d changed by %#x: no damage is seen", n, bit)
			}
			if want := without(lines, string(text), n); !slices.Equal(past.Lines, want) {
				t.Errorf("byte %d changed by %#x: lines %q, want %q", n, bit, past.Lines, want)
			}
		}
	}
}

// without gives the lines less the one that a byte of the text is in; where that byte
// is its end, less the next, which it has run into, and the one that was checked by that.
func without(lines []string, text string, at int) (left []string) {
	line := strings.Count(text[:at], "\n") // 0 is the header's
	for i, l := range lines {
		if i+1 != line && !(text[at] == '\n' && (i == line || i == line+1)) {
			left = append(left, l)
		}
	}
	return left
}

// Lines that are missing, doubled or exchanged are damage too: the checksum runs
// on from line to line.
func TestLinesOutOfOrder(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal")
	j, _, _ := open(t, path)
	must(t, j.Cut([]byte(`{}`), ""))
	must(t, j.Append([]string{"one", "two", "three"}, true))
	text, err := os.ReadFile(path)
	must(t, err)
	l := strings.SplitAfter(string(text), "\n")
	for name, bad := range map[string]string{
		"missing": l[0] + l[1] + l[2] + l[4], "doubled": l[0] + l[1] + l[2] + l[2] + l[3] + l[4], "exchanged": l[0] + l[1] + l[3] + l[2] + l[4],
	} {
		past := parse([]byte(bad))
		if in := slices.IndexFunc(past.Lines, func(l string) bool { return l == "three" }); past.Damage == "" || in >= 0 && in < 2 {
			t.Errorf("%s: %q, damage %q", name, past.Lines, past.Damage)
		}
	}
}

// Files that are no journal are said to be none; what cannot be opened does not
// keep the agent from starting.
func TestForeignFiles(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{"empty": "", "text": "hello\nworld\n", "zeros": strings.Repeat("\x00", 5000), "version": "8ff3aa02 ebbline journal 9\n"} {
		path := filepath.Join(dir, name)
		must(t, os.WriteFile(path, []byte(text), 0o644))
		j, past, damage := open(t, path)
		if past != nil || !strings.Contains(damage, path) {
			t.Errorf("%s: %q, %s", name, past, damage)
		}
		must(t, j.Cut([]byte("{}"), "damaged-1"))
		kept, err := os.ReadFile(path + ".damaged-1")
		if err != nil || string(kept) != text {
			t.Errorf("%s: kept %q, %v", name, kept, err)
		}
	}
	j, _, damage := open(t, filepath.Join(dir, "no", "such", "folder"))
	if damage == "" || j.Cut([]byte("{}"), "") == nil {
		t.Errorf("in a folder that is not there: %q", damage)
	}
	must(t, os.MkdirAll(filepath.Join(dir, "no", "such"), 0o700))
	must(t, j.Cut([]byte("{}"), ""))
	must(t, j.Append([]string{"it goes on"}, true))
}

// A disk that is full makes an append and a cut fail, leaves the old file as it
// was, and once there is room a cut mends all. Method: a real file system of
// 128 KiB.
func TestFullDisk(t *testing.T) {
	dir := smallDisk(t)
	path := filepath.Join(dir, "journal")
	j, _, _ := open(t, path)
	must(t, j.Cut([]byte("{}"), ""))
	must(t, j.Append([]string{"before"}, true))
	filler := filepath.Join(dir, "filler")
	f, err := os.Create(filler)
	must(t, err)
	for err == nil {
		_, err = f.Write(make([]byte, 4096))
	}
	f.Close()
	err = nil
	for n := 0; err == nil && n < 200; n++ {
		err = j.Append([]string{strings.Repeat("x", 1000)}, false)
	}
	if !errors.Is(err, unix.ENOSPC) {
		t.Fatalf("on a full disk an append gives %v", err)
	}
	if err := j.Cut([]byte(`{"new":1}`), ""); !errors.Is(err, unix.ENOSPC) {
		t.Errorf("on a full disk a cut gives %v", err)
	}
	text, err := os.ReadFile(path)
	must(t, err)
	if past := parse(text); past.Damage != "" || past.Lines[1] != "before" {
		t.Errorf("the old file: %+v", past)
	}
	must(t, os.Remove(filler))
	must(t, j.Cut([]byte(`{"new":1}`), ""))
	must(t, j.Append([]string{"after"}, true))
	must(t, j.Close())
	if _, past, damage := open(t, path); !slices.Equal(past, []string{`{"new":1}`, "after"}) {
		t.Errorf("then it holds %q, %s", past, damage)
	}
}

// smallDisk mounts a file system in memory.
func smallDisk(t *testing.T) string {
	if os.Getuid() != 0 {
		t.Skip("mounting needs root")
	}
	dir := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=128k,mode=0700", "ebbline-test", dir).CombinedOutput(); err != nil {
		t.Skipf("mounting is not possible here: %s", out)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// A disk that turns read-only is still read and locked; nothing is written.
func TestReadOnlyDisk(t *testing.T) {
	dir := smallDisk(t)
	path := filepath.Join(dir, "journal")
	j, _, _ := open(t, path)
	must(t, j.Cut([]byte("{}"), ""))
	must(t, j.Append([]string{"one"}, true))
	must(t, j.Close())
	must(t, unix.Mount("", dir, "", unix.MS_REMOUNT|unix.MS_RDONLY, ""))
	j, past, damage := open(t, path)
	if !slices.Equal(past, []string{"{}", "one"}) || damage != "" {
		t.Errorf("it holds %q, %s", past, damage)
	}
	if err := j.Cut([]byte("{}"), ""); !errors.Is(err, unix.EROFS) {
		t.Errorf("a cut gives %v", err)
	}
	if _, _, err := Open(path); !errors.Is(err, ErrInUse) {
		t.Errorf("a second holder: %v", err)
	}
	// A folder in which nothing can be begun is there all the same.
	if _, _, damage := open(t, filepath.Join(dir, "other")); !strings.Contains(damage, "read-only file system") || strings.Contains(damage, "is not there") {
		t.Errorf("a journal that cannot be begun: %s", damage)
	}
}

// Nothing in a file makes the reader fail, and what it reads, written again, it
// reads again.
func FuzzParse(f *testing.F) {
	text, sum := appendLine(nil, 0, header)
	text, sum = appendLine(text, sum, Snapshot+"{}")
	text, _ = appendLine(text, sum, "at 1 tick")
	f.Add(text)
	f.Add(text[:len(text)-3])
	f.Add([]byte("00000000 \n"))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, data []byte) {
		past := parse(data)
		if past.Lines == nil && past.Damage == "" {
			t.Fatalf("nothing is read of %q, and nobody is told", data)
		}
		again, sum := appendLine(nil, 0, header)
		for _, l := range past.Lines {
			again, sum = appendLine(again, sum, l)
			if !strings.Contains(string(data), l+"\n") {
				t.Fatalf("%q was read of %q", l, data)
			}
		}
		if past.Damage == "" && (len(again) > len(data) || string(data[:len(again)]) != string(again) || !past.Torn && len(again) != len(data)) {
			t.Fatalf("%q was read as %q, and nobody is told", data, again)
		}
	})
}

// What an event costs: appended without a sync, and on the disk.
func BenchmarkAppend(b *testing.B) {
	for name, sync := range map[string]bool{"unsynced": false, "synced": true} {
		b.Run(name, func(b *testing.B) {
			j, _, err := Open(filepath.Join(b.TempDir(), "journal"))
			if err != nil {
				b.Fatal(err)
			}
			defer j.Close()
			if err := j.Cut([]byte("{}"), ""); err != nil {
				b.Fatal(err)
			}
			line := []string{"at 1792930000.123456789 measured rack source=battery input=bad battery=normal load_watts=450 charge_tenths=870 runtime_seconds=1260"}
			for b.Loop() {
				if j.size > most/2 {
					b.StopTimer()
					if err := j.Cut([]byte("{}"), ""); err != nil {
						b.Fatal(err)
					}
					b.StartTimer()
				}
				if err := j.Append(line, sync); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
