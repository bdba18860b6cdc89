// Package journal is the agent's memory on disk: one file that begins with a
// snapshot and grows by lines, later snapshots among them. Each line carries a
// checksum over itself and all before it, so that a file cut short or damaged shows
// what of it is good. The file before stays beside it: its end says what the
// snapshot at the beginning of this one does. The package never asks what a line
// means, and never deletes one that it cannot read.
//
//	3f0a91c2 ebbline journal 1
//	88d1f03b snapshot {…}
//	51e7aa90 at 12.5 measured rack source=battery load_watts=450
package journal

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

const (
	header    = "ebbline journal 1"
	before    = ".before" // behind its path: the file before
	sumDigits = 8
	room      = 5 << 20  // asked of the disk ahead, so that a disk that fills up in an outage does not matter
	most      = 64 << 20 // longer than this no journal of the agent gets
	chains    = 12       // checksums from which a line behind damaged ones may go on
)

// ErrInUse says that another agent holds the journal.
var ErrInUse = errors.New("in use")

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Past is what a journal held when it was opened. As an alias it is what the
// agent takes too, without either package knowing the other.
type Past = struct {
	Lines  []string // the first of them begins with [Snapshot]; nil for a new journal
	Before []string // of the file before, where the first snapshot of this one cannot be read
	Torn   bool     // the last line was cut short, as by a kill in the middle of a write
	Damage string   // what is wrong with the file beyond that, and how much of it is used
	None   bool     // there is no file
}

// Snapshot is how a line begins that holds a snapshot.
const Snapshot = "snapshot "

// Journal is the file. One goroutine uses it.
type Journal struct {
	path string
	lock *os.File // nil when it could not be made; it is tried again
	file *os.File // nil before the first Cut
	sum  uint32   // of all that was written
	size int64
}

// Open takes hold of the journal and reads what it holds; nothing is written
// before the first Cut. The only error is [ErrInUse]: whatever else is wrong is
// in the past's Damage, and Cut tries again.
func Open(path string) (*Journal, Past, error) {
	j := &Journal{path: path}
	lockErr := j.hold()
	if errors.Is(lockErr, ErrInUse) {
		return nil, Past{}, lockErr
	}
	data, err := readAll(path)
	switch {
	case errors.Is(err, os.ErrNotExist) && lockErr == nil:
		return j, Past{None: true}, nil
	case errors.Is(err, os.ErrNotExist):
		return j, Past{Damage: lockErr.Error(), None: true}, nil
	case err != nil:
		return j, Past{Damage: fmt.Sprintf("the journal %s cannot be read: %v", path, err)}, nil
	}
	past := parse(data)
	if past.Damage != "" {
		past.Damage = fmt.Sprintf("the journal %s is damaged: %s", path, past.Damage)
	}
	if len(past.Lines) == 0 || !strings.HasPrefix(past.Lines[0], Snapshot) {
		past.Before = earlier(path)
	}
	return j, past, nil
}

// earlier gives what can be read of the file before this one.
func earlier(path string) []string {
	now, err1 := os.Stat(path)
	old, err2 := os.Stat(path + before)
	if err1 != nil || err2 != nil || os.SameFile(now, old) { // the same: killed in the middle of a Cut
		return nil
	}
	data, err := readAll(path + before)
	if err != nil {
		return nil
	}
	past := parse(data)
	return past.Lines
}

// hold takes the lock. It is a file of its own because a Cut replaces the
// journal's.
func (j *Journal) hold() error {
	path := j.path + ".lock"
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		if there, e := os.Open(path); e == nil { // a disk that went read-only still locks
			f, err = there, nil
		}
	}
	if errors.Is(err, os.ErrNotExist) {
		folder := filepath.Dir(path)
		return fmt.Errorf("the journal's folder %s is not there. The service unit makes it; by hand: install -d -m 0700 %s", folder, folder)
	}
	if err != nil {
		return fmt.Errorf("the journal's lock cannot be made: %w. Its folder and disk must let the agent's user write", err)
	}
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if err == nil {
		j.lock = f
		return nil
	}
	f.Close()
	if errors.Is(err, unix.EWOULDBLOCK) {
		return fmt.Errorf("the journal %s is %w: another agent holds %s. Stop that one first, or give this one a journal of its own", j.path, ErrInUse, path)
	}
	return fmt.Errorf("the journal's lock %s cannot be taken: %w", path, err)
}

func readAll(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if len(data) > most {
		return nil, fmt.Errorf("it is longer than %d bytes; no agent wrote it", most)
	}
	return data, err
}

// parse reads all of a journal that is good: before a damaged line, and behind it.
func parse(data []byte) (past Past) {
	if len(data) == 0 {
		past.Damage = "it is empty"
		return past
	}
	sums := []uint32{0} // what the next line's checksum may go on from
	first, lost := 0, 0 // damaged line; bytes
	begin := data
	for n := 1; len(data) > 0; n++ {
		end := bytes.IndexByte(data, '\n')
		if end < 0 {
			past.Torn = true
			break
		}
		text, next, ok := check(sums, data[:end])
		switch {
		case ok && n == 1 && string(text) != header:
			past.Damage = fmt.Sprintf("it begins with %.40q, not with %q; it is not used", text, header)
			return past
		case !ok:
			if lost == 0 {
				first = n
			}
			lost += end + 1
		case n > 1:
			past.Lines = append(past.Lines, string(text))
		}
		sums, data = next, data[end+1:]
	}
	switch {
	case lost > 0 && len(past.Lines) == 0:
		past.Damage = fmt.Sprintf("it begins with %.40q, and no line of it matches its checksum; it is not used", begin)
	case lost > 0:
		past.Damage = fmt.Sprintf("line %d does not match its checksum; it is left out, with %d bytes in all", first, lost)
	case len(past.Lines) == 0:
		past.Damage = fmt.Sprintf("it ends after %d bytes, before its first snapshot does", len(begin))
	}
	return past
}

// check takes a line apart and tells whether its checksum goes on from one of those
// given. Behind a damaged line the next one's may go on from what that says, from what
// is worked out of it, or from the line before it: any may be what was written.
func check(from []uint32, line []byte) (text []byte, next []uint32, ok bool) {
	if len(line) <= sumDigits {
		return nil, from, false
	}
	text, next = line[sumDigits+1:], slices.Clone(from)
	for _, sum := range from {
		sum = crc32.Update(sum, castagnoli, text)
		if string(line[:sumDigits+1]) == fmt.Sprintf("%0*x ", sumDigits, sum) {
			return text, []uint32{sum}, true
		}
		next = append(next, sum)
	}
	if said, err := strconv.ParseUint(string(line[:sumDigits]), 16, 32); err == nil {
		next = append(next, uint32(said))
	}
	return nil, next[max(0, len(next)-chains):], false
}

// appendLine writes one line behind another, and gives the new checksum.
func appendLine(to []byte, before uint32, text string) ([]byte, uint32) {
	sum := crc32.Update(before, castagnoli, []byte(text))
	to = fmt.Appendf(to, "%0*x ", sumDigits, sum)
	return append(append(to, text...), '\n'), sum
}

// Append writes the lines with one call, on the disk already when it returns if
// sync is set. After an error the end of the file is not sure: only a Cut may
// follow.
func (j *Journal) Append(lines []string, sync bool) error {
	if j.file == nil {
		return errors.New("the journal has not begun")
	}
	var text []byte
	sum := j.sum
	for _, l := range lines {
		if strings.Contains(l, "\n") {
			return fmt.Errorf("a line of the journal has an end in its middle: %.40q", l)
		}
		text, sum = appendLine(text, sum, l)
	}
	if j.size+int64(len(text)) > most {
		return fmt.Errorf("the journal %s has grown to %d bytes and was not cut back", j.path, j.size)
	}
	if _, err := j.file.Write(text); err != nil {
		return err
	}
	j.sum, j.size = sum, j.size+int64(len(text))
	if sync {
		return unix.Fdatasync(int(j.file.Fd()))
	}
	return nil
}

// Cut begins the journal again with the snapshot: on the disk, whole or not at
// all. What it held is the file before, and is kept as the path with the name added
// too, if one is given.
// After an error the old file goes on.
func (j *Journal) Cut(snapshot []byte, keep string) error {
	if j.lock == nil {
		if err := j.hold(); err != nil {
			return err
		}
	}
	text, sum := appendLine(nil, 0, header)
	text, sum = appendLine(text, sum, Snapshot+string(snapshot))
	path := j.path + ".new"
	f, err := create(path, text)
	if err != nil {
		return err
	}
	if keep != "" {
		err = j.keep(j.path + "." + keep)
	}
	if err == nil {
		err = j.keep(j.path + before)
	}
	if err == nil {
		err = os.Rename(path, j.path)
	}
	if err != nil {
		f.Close()
		return errors.Join(err, os.Remove(path))
	}
	j.leave()
	j.file, j.sum, j.size = f, sum, int64(len(text))
	return syncFolder(filepath.Dir(j.path))
}

// create makes a file that holds the text, on the disk, with room behind it.
func create(path string, text []byte) (*os.File, error) {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL|os.O_APPEND, 0o600)
	if err != nil {
		return nil, err
	}
	if _, err = f.Write(text); err == nil {
		if unix.Fallocate(int(f.Fd()), unix.FALLOC_FL_KEEP_SIZE, 0, int64(len(text))+room) != nil {
			f.Truncate(int64(len(text))) // not every file system does it, and it may have got half of it
		}
		err = f.Sync()
	}
	if err != nil {
		f.Close()
		return nil, errors.Join(err, os.Remove(path))
	}
	return f, nil
}

// keep gives the present file a second name. There is a moment without a
// journal only on a file system that has no links.
func (j *Journal) keep(as string) error {
	if err := os.Remove(as); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	err := os.Link(j.path, as)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		err = os.Rename(j.path, as)
	}
	if errors.Is(err, os.ErrNotExist) {
		return nil // there is none to keep
	}
	return err
}

// leave lets go of the file in use, and of the room behind it.
func (j *Journal) leave() {
	if j.file != nil {
		j.file.Truncate(j.size)
		j.file.Close()
	}
}

func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// Close lets go of the journal.
func (j *Journal) Close() error {
	j.leave()
	j.file = nil
	if j.lock == nil {
		return nil
	}
	lock := j.lock
	j.lock = nil
	return lock.Close()
}
