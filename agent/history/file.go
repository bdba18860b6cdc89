package history

import (
	"bytes"
	"context"
	"database/sql"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

const (
	applicationID = 0x6562626c // "ebbl"
	mark          = "ebbline history"
	headBytes     = 64 << 10 // the mark stands in the schema, which is written first
	mostSetAside  = 3
	busyMillis    = 500
	lookWithin    = 5 * time.Second
	fileMode      = 0o640
)

// steps[i] brings a file of version i to version i+1. They only ever add.
var steps = []string{version1, version2, version3, version4, version5}

//go:embed version1.sql
var version1 string

//go:embed version2.sql
var version2 string

//go:embed version3.sql
var version3 string

//go:embed version4.sql
var version4 string

//go:embed version5.sql
var version5 string

var (
	// ErrForeign says that the file is not a history.
	ErrForeign = errors.New("not an ebbline history")
	// ErrNewer says that a newer version wrote the file.
	ErrNewer = errors.New("of a newer version")
	// ErrOlder says that the file is to be brought up to date before it can be
	// read, which the agent does.
	ErrOlder = errors.New("of an older version")
	// ErrDamaged says that the file is a history and cannot be read any more.
	ErrDamaged = errors.New("damaged")
)

// file is the database of the writing side, open or not. One goroutine uses it.
type file struct {
	path     string
	steps    []string
	maxBytes int64
	maxAge   time.Duration
	logPages int // of the log, before they are carried over into the file

	db   *sql.DB
	info os.FileInfo // of what is open
}

// connect opens a connection, which makes no file. The path may hold anything.
func connect(path string, query url.Values) (*sql.DB, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	if size(path) == 1 {
		return nil, ErrForeign // SQLite takes it for empty and would write over it
	}
	dsn := url.URL{Scheme: "file", OmitHost: true, Path: abs, RawQuery: query.Encode()}
	db, err := sql.Open("sqlite", dsn.String())
	if err == nil {
		db.SetMaxOpenConns(1)
	}
	return db, err
}

// ready opens the file if it is not open, or no longer the one at the path. A
// damaged one is set aside, and setAside names it.
func (f *file) ready(ctx context.Context) (setAside string, err error) {
	if f.db != nil {
		if now, err := os.Stat(f.path); err == nil && os.SameFile(now, f.info) {
			return "", nil
		}
		// It was moved away. SQLite leaves the log of such a file behind, so what is in it is carried over first.
		if f.carryOver(ctx) != nil {
			return "", fmt.Errorf("%s was moved away while another program reads it. End that program's transaction", f.path)
		}
		f.close()
	}
	err = f.open(ctx)
	if errors.Is(err, ErrDamaged) {
		return f.renew(ctx)
	}
	return "", err
}

// renew sets the file aside and begins a new one.
func (f *file) renew(ctx context.Context) (setAside string, err error) {
	f.close()
	if setAside, err = moveAside(f.path); err != nil {
		return "", err
	}
	return setAside, f.open(ctx)
}

func (f *file) open(ctx context.Context) error {
	if err := create(f.path); err != nil {
		return err
	}
	killed := present(f.path + "-wal")
	// A mebibyte of cache and of log is plenty, and what grew beyond is given back.
	db, err := connect(f.path, url.Values{"mode": {"rw"}, "_txlock": {"immediate"}, "_pragma": {
		fmt.Sprintf("busy_timeout(%d)", busyMillis), "synchronous(full)", "cache_size(-512)", "temp_store(memory)",
		fmt.Sprintf("wal_autocheckpoint(%d)", f.logPages), fmt.Sprintf("journal_size_limit(%d)", logBytes),
	}})
	if err != nil {
		return f.explain(err)
	}
	if err = f.prepare(ctx, db, killed); err == nil {
		f.info, err = os.Stat(f.path)
	}
	if err != nil {
		db.Close()
		return f.explain(err)
	}
	f.db = db
	return nil
}

// create makes an empty file, for the owner and the group, if there is none.
// Root makes it for the owner of its folder: that is the agent's user.
func create(path string) error {
	h, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, fileMode)
	switch {
	case err == nil:
		if folder, err := os.Stat(filepath.Dir(path)); err == nil && os.Geteuid() == 0 {
			if owner, ok := folder.Sys().(*syscall.Stat_t); ok {
				h.Chown(int(owner.Uid), int(owner.Gid)) // else the agent says that it cannot write
			}
		}
		return h.Close()
	case errors.Is(err, os.ErrExist):
		if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
			return fmt.Errorf("%s is no file. Give another path", path)
		}
		return nil
	case errors.Is(err, os.ErrNotExist):
		return fmt.Errorf("%s cannot be begun: its folder does not exist. Make the folder, owned by the agent's user: %w", path, err)
	}
	return fmt.Errorf("%s cannot be begun. Let the agent's user write in its folder, on a disk that takes files: %w", path, err)
}

// prepare makes sure that the file is ours, whole and of this version. The
// schema of a new one is made before it gets its log, so that the file itself
// says at any moment what it is.
func (f *file) prepare(ctx context.Context, db *sql.DB, killed bool) error {
	version, err := identify(ctx, db)
	if err != nil {
		return err
	}
	if version > len(f.steps) {
		return ErrNewer
	}
	if killed && version > 0 {
		if err := f.look(ctx, db); err != nil {
			return err
		}
	}
	if version < len(f.steps) {
		if err := migrate(ctx, db, version, f.steps); err != nil {
			return err
		}
	}
	_, err = db.ExecContext(ctx, "PRAGMA journal_mode = wal")
	return err
}

// look searches for damage after an end that was not clean. A disk too slow for
// it is believed; what it holds is found damaged when it is used.
func (f *file) look(ctx context.Context, db *sql.DB) error {
	ctx, cancel := context.WithTimeout(ctx, lookWithin)
	defer cancel()
	var verdict string
	err := db.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&verdict)
	switch {
	case ctx.Err() != nil:
		return nil
	case err == nil && verdict != "ok":
		return fmt.Errorf("%w: %s", ErrDamaged, verdict)
	}
	return err
}

// identify gives the version of a history, 0 for an empty file.
func identify(ctx context.Context, db *sql.DB) (version int, err error) {
	var id, objects int
	for _, q := range []struct {
		sql string
		to  *int
	}{{"PRAGMA application_id", &id}, {"PRAGMA user_version", &version}, {"SELECT count(*) FROM sqlite_schema", &objects}} {
		if err := db.QueryRowContext(ctx, q.sql).Scan(q.to); err != nil {
			return 0, err
		}
	}
	switch {
	case id == 0 && version == 0 && objects == 0:
		return 0, nil
	case id != applicationID || version < 1:
		return 0, ErrForeign
	}
	return version, nil
}

// migrate does the steps from a version on, all or none.
func migrate(ctx context.Context, db *sql.DB, version int, steps []string) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	for i, s := range steps[version:] {
		if _, err := tx.ExecContext(ctx, s); err != nil {
			return fmt.Errorf("step to version %d: %w", version+i+1, err)
		}
	}
	if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, len(steps))); err != nil {
		return err
	}
	return tx.Commit()
}

// carryOver empties the log into the file, unless a reader needs it.
func (f *file) carryOver(ctx context.Context) error {
	var busy, pages, done int
	err := f.db.QueryRowContext(ctx, "PRAGMA wal_checkpoint(truncate)").Scan(&busy, &pages, &done)
	if err == nil && busy != 0 {
		err = errors.New("a reader holds it")
	}
	return err
}

// close lets go of the file; what is in the log is carried over.
func (f *file) close() {
	if f.db != nil {
		f.db.Close()
		f.db = nil
	}
}

// moveAside renames a damaged file and its log, so that they can be looked into
// together.
func moveAside(path string) (string, error) {
	for i := 1; i <= mostSetAside; i++ {
		to := fmt.Sprintf("%s.damaged-%d", path, i)
		if present(to) || present(to+"-wal") {
			continue
		}
		for _, part := range []string{"-wal", "-shm", "-journal", ""} {
			if err := os.Rename(path+part, to+part); err != nil && !errors.Is(err, os.ErrNotExist) {
				return "", fmt.Errorf("%s is damaged and cannot be set aside. Let the agent's user write in its folder: %w", path, err)
			}
		}
		return to, nil
	}
	return "", fmt.Errorf("%s is %w, and %d damaged ones lie beside it. Look at the disk, then move them away", path, ErrDamaged, mostSetAside)
}

func present(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// ours tells whether a file that SQLite cannot read was a history: it carries
// the application's id or the mark of the schema, or zeros are all that a power
// cut has left of it. Only such a file is looked at from here: closing one drops
// the locks that SQLite holds on it in this process.
func ours(path string) bool {
	h, err := os.Open(path)
	if err != nil {
		return false
	}
	defer h.Close()
	head, err := io.ReadAll(io.LimitReader(h, headBytes))
	if err != nil {
		return false
	}
	const at = 68 // SQLite file format, 1.3: the application id's place in the header
	id := []byte{applicationID >> 24, applicationID >> 16 & 0xff, applicationID >> 8 & 0xff, applicationID & 0xff}
	magic := bytes.HasPrefix(head, []byte("SQLite format 3\x00"))
	return magic && len(head) >= at+4 && slices.Equal(head[at:at+4], id) ||
		bytes.Contains(head, []byte(mark)) || len(bytes.Trim(head, "\x00")) == 0
}

// code is SQLite's result code, extended; 0 for another error.
func code(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code()
	}
	return 0
}

// explain says what is wrong with the file and what to do. A file that SQLite
// finds broken is ErrDamaged if it was ours, and ErrForeign if it was not.
func (f *file) explain(err error) error { return explain(f.path, err) }

func explain(path string, err error) error {
	primary := code(err) & 0xff
	if primary == sqlite3.SQLITE_NOTADB || primary == sqlite3.SQLITE_CORRUPT {
		if ours(path) {
			err = fmt.Errorf("%w: %w", ErrDamaged, err)
		} else {
			err = fmt.Errorf("%w: %w", ErrForeign, err)
		}
	}
	switch {
	case errors.Is(err, ErrForeign):
		return fmt.Errorf("%s is %w; it is left alone. Give another path, or move the file away", path, err)
	case errors.Is(err, ErrNewer):
		return fmt.Errorf("%s is %w of ebbline than this one; it is left alone. Run that version, or give another path", path, err)
	case errors.Is(err, ErrOlder):
		return fmt.Errorf("%s is %w. Start the agent once; it brings the file up to date: %w", path, ErrOlder, err)
	case errors.Is(err, ErrDamaged):
		return fmt.Errorf("%s is damaged. The agent sets it aside and begins a new one when it next writes: %w", path, err)
	}
	next := ""
	switch primary {
	case sqlite3.SQLITE_FULL:
		next = "The disk is full: free some space"
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		next = "Another program holds it: end that program's transaction"
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN:
		next = "Let the agent's user read and write it and its folder, on a disk that can be written"
	case sqlite3.SQLITE_IOERR:
		next = "The disk fails or is full: look at it"
	case sqlite3.SQLITE_INTERRUPT:
		next = "The disk is too slow: look at it"
	case sqlite3.SQLITE_ERROR, sqlite3.SQLITE_SCHEMA:
		next = "It was changed by hand: move it away, and a new one is begun"
	}
	if errors.Is(err, context.DeadlineExceeded) {
		next = "The disk is too slow: look at it"
	}
	if next != "" {
		next = " " + next + "."
	}
	return fmt.Errorf("%s cannot be used.%s (%w)", path, next, plain{err})
}

// plain is an error without line breaks, which a condition's text cannot hold.
type plain struct{ error }

func (p plain) Error() string { return strings.Join(strings.Fields(p.error.Error()), " ") }
func (p plain) Unwrap() error { return p.error }
