package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"time"

	sqlite3 "modernc.org/sqlite/lib"

	"ebbline/shutdown"
)

const (
	logBytes   = 1 << 20 // the log's usual size
	logPages   = 256     // the same in pages
	logMost    = 2 << 20 // beyond this a reader holds it, and no more samples are written
	batchMost  = 1 << 20 // what one batch may take in the file or the log, amply
	chunk      = 1000    // rows that go at once when room is short
	mostChunks = 50      // after one batch
)

// write puts a batch into the file, all or nothing; then it makes room.
func (f *file) write(ctx context.Context, b *batch) (out outcome, err error) {
	if out.setAside, err = f.ready(ctx); err != nil {
		return out, err
	}
	err = f.store(ctx, b, &out)
	if errors.Is(err, ErrDamaged) {
		if out.setAside, err = f.renew(ctx); err == nil {
			err = f.store(ctx, b, &out)
		}
	}
	if err != nil {
		f.close() // whatever it was, the next attempt begins afresh
		return out, err
	}
	if out.full != "" {
		return out, nil // making room would only make the log grow
	}
	if err := f.prune(ctx, b); err != nil {
		f.close()
		out.full = fmt.Sprintf("The history %v", f.explain(err))
	}
	return out, nil
}

// store writes a batch in one transaction.
func (f *file) store(ctx context.Context, b *batch, out *outcome) error {
	if f.logHeld(ctx) {
		out.samples = uint64(len(b.event) + len(b.normal) + len(b.lines))
		out.full = fmt.Sprintf("The history %s: a program has been reading it for long, so its log grows; no samples are written. End that program's transaction.", f.path)
		b = &batch{outages: b.outages, tests: b.tests, facts: b.facts}
	}
	sql, err := f.db.BeginTx(ctx, nil)
	if err != nil {
		return f.explain(err)
	}
	defer sql.Rollback()
	tx := &transaction{Tx: sql, ctx: ctx}
	for i := range b.outages {
		tx.outage(&b.outages[i])
	}
	for i := range b.tests {
		tx.test(&b.tests[i])
	}
	for _, fact := range b.facts {
		tx.fact(fact)
	}
	tx.samples(b.event)
	tx.samples(b.normal)
	tx.lines(b.lines)
	if tx.err == nil {
		tx.err = sql.Commit()
	}
	if tx.err != nil {
		return f.explain(tx.err)
	}
	out.records = tx.refused
	return nil
}

// logHeld tells whether the log has outgrown its bound because a reader keeps it
// from being carried over.
func (f *file) logHeld(ctx context.Context) bool {
	return size(f.path+"-wal") > logMost && f.carryOver(ctx) != nil
}

func size(path string) int64 {
	info, err := os.Stat(path)
	if err != nil {
		return 0
	}
	return info.Size()
}

// transaction writes records until one fails.
type transaction struct {
	*sql.Tx
	ctx     context.Context
	err     error
	refused uint64
}

// exec runs one statement. A row that breaks a rule of the schema is left out
// and counted: it would be refused for ever, and hold up all behind it.
func (t *transaction) exec(query string, args ...any) {
	if t.err != nil {
		return
	}
	_, err := t.ExecContext(t.ctx, query, args...)
	t.result(err)
}

func (t *transaction) result(err error) {
	switch code(err) & 0xff {
	case sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH, sqlite3.SQLITE_TOOBIG:
		t.refused++
	default:
		t.err = err
	}
}

// row gives the id of the row that a query names.
func (t *transaction) row(query string, args ...any) (id int64) {
	if t.err == nil {
		t.err = t.QueryRowContext(t.ctx, query, args...).Scan(&id)
	}
	return id
}

// figure is a value that may be unread.
func figure(v int64) any {
	if v == shutdown.Unread {
		return nil
	}
	return v
}

// word is a word that may be missing: the enumerations call their zero unread.
func word[T ~uint8](v T, name string) any {
	if v == 0 {
		return nil
	}
	return name
}

func (m Moment) ns() any {
	if !m.known() {
		return nil
	}
	return int64(m.At)
}

func (m Moment) ms() any {
	if !m.known() {
		return nil
	}
	return m.UTC.UnixMilli()
}

func (t *transaction) outage(o *Outage) {
	// What was said of its beginning stands: a wall clock set right in the
	// middle does not move it.
	t.exec(`INSERT INTO outage (number, site, began_ns, began_ms, ended_ns, ended_ms) VALUES (?, ?, ?, ?, ?, ?)
		ON CONFLICT DO UPDATE SET ended_ns = coalesce(excluded.ended_ns, ended_ns), ended_ms = coalesce(excluded.ended_ms, ended_ms)`,
		o.Number, o.Site, o.Began.ns(), o.Began.ms(), o.Ended.ns(), o.Ended.ms())
	id := t.row("SELECT id FROM outage WHERE site = ? AND number = ? AND began_ns = ?", o.Site, o.Number, o.Began.ns())
	for _, i := range o.Inputs {
		t.exec(`INSERT INTO outage_input VALUES (?, ?, ?, ?, ?, ?)
			ON CONFLICT DO UPDATE SET back_ns = coalesce(excluded.back_ns, back_ns), back_ms = coalesce(excluded.back_ms, back_ms)`,
			id, i.UPS, i.Lost.ns(), i.Lost.ms(), i.Back.ns(), i.Back.ms())
	}
	for _, p := range o.Phases {
		t.exec("INSERT INTO outage_phase VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING", id, p.UPS, p.Entered.ns(), p.Phase.String(), p.Entered.ms())
	}
}

func (t *transaction) test(r *Test) {
	t.exec("INSERT INTO test (ups, began_ns, began_ms, seen_ns, seen_ms, measured_ms, censored, weak) VALUES (?, ?, ?, ?, ?, 0, 0, '') ON CONFLICT DO NOTHING",
		r.UPS, r.Began.ns(), r.Began.ms(), r.Seen.ns(), r.Seen.ms())
	id := t.row("SELECT id FROM test WHERE ups = ? AND began_ns = ?", r.UPS, r.Began.ns())
	if c := &r.Forecast; r.forecast() {
		// Once: a prediction is not mended when the result comes in.
		t.exec(`UPDATE test SET forecast_ns = ?, forecast_ms = ?, forecast_by = ?, forecast_basis = ?, forecast_watts = ?, forecast_tenths = ?,
			low_seconds = ?, likely_seconds = ?, high_seconds = ? WHERE id = ? AND forecast_ns IS NULL AND ended_ns IS NULL`,
			c.Made.ns(), c.Made.ms(), c.By.String(), c.Basis, figure(c.LoadWatts), figure(c.ChargeTenths),
			seconds(c.Low), seconds(c.Likely), seconds(c.High), id)
	}
	if !r.Ended.known() && t.row("SELECT ended_ns IS NOT NULL FROM test WHERE id = ?", id) == 1 {
		return // a late word from before its end
	}
	t.exec(`UPDATE test SET seen_ns = ?, seen_ms = ?, ended_ns = ?, ended_ms = ?, load_watts = ?, least_watts = ?, most_watts = ?,
		charge_tenths = ?, end_charge_tenths = ?, end_millivolts = ?, battery_tenths_c = ?, ambient_tenths_c = ?, battery_age_days = ?,
		stop = ?, measured_ms = ?, capacity_tenths = ?, ratio_permille = ?, censored = ?, weak = ? WHERE id = ?`,
		r.Seen.ns(), r.Seen.ms(), r.Ended.ns(), r.Ended.ms(), figure(r.LoadWatts), figure(r.LeastWatts), figure(r.MostWatts),
		figure(r.ChargeTenths), figure(r.EndChargeTenths), figure(r.EndMillivolts), figure(r.BatteryTenthsC), figure(r.AmbientTenthsC), figure(r.BatteryAgeDays),
		word(r.Stop, r.Stop.String()), r.Measured.Milliseconds(), stated(r.Verdict.CapacityTenths), stated(r.Verdict.RatioPermille), r.Verdict.Censored, r.weak(), id)
	t.exec("DELETE FROM test_segment WHERE test = ?", id)
	for n, s := range r.Segments {
		t.exec("INSERT INTO test_segment VALUES (?, ?, ?, ?)", id, n, s.Watts, s.Seconds)
	}
}

// stated is a figure whose zero says that it was not worked out.
func stated(v int64) any {
	if v == 0 {
		return nil
	}
	return v
}

func seconds(d time.Duration) int64 { return int64(d / time.Second) }

// upMilliseconds rounds a stopping time up.
func upMilliseconds(d time.Duration) int64 {
	return int64((d + time.Millisecond - 1) / time.Millisecond)
}

func (t *transaction) fact(f any) {
	if t.account(f) {
		return
	}
	switch f := f.(type) {
	case Prediction:
		t.exec("INSERT INTO prediction VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, NULL, NULL) ON CONFLICT DO NOTHING",
			f.Made.ns(), f.UPS, f.By.String(), f.Made.ms(), f.Basis, figure(f.LoadWatts), figure(f.ChargeTenths),
			seconds(f.Low), seconds(f.Likely), seconds(f.High))
	case End:
		what := "at_least"
		if f.Measured {
			what = "measured"
		}
		t.exec(`UPDATE prediction SET outcome = ?, outcome_seconds = (? - made_ns) / 1000000000
			WHERE ups = ? AND ? IN (made_by, '') AND made_ns BETWEEN ? AND ? AND outcome IS NULL`,
			what, f.At.ns(), f.UPS, f.By.String(), int64(f.Since), f.At.ns())
	case kill:
		t.exec(`UPDATE test SET ended_ns = seen_ns, ended_ms = seen_ms, stop = ?, censored = 1,
			weak = weak || CASE weak WHEN '' THEN '' ELSE char(10) END || ? WHERE ended_ns IS NULL AND began_ns < ?`,
			StopKilled.String(), "whoever followed it ended before the test did", int64(f.before))
	case Stop:
		t.exec("INSERT INTO stop VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET method = excluded.method, took_ms = excluded.took_ms, ended = excluded.ended",
			f.Host, f.Asked.ns(), f.Asked.ms(), f.Outage, f.Method, upMilliseconds(f.Took), stopEndings[f.Ended])
	case Start:
		t.exec("INSERT INTO start VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET method = excluded.method, took_ms = excluded.took_ms, ended = excluded.ended",
			f.Host, f.Told.ns(), f.Told.ms(), f.Outage, f.Method, upMilliseconds(f.Took), startEndings[f.Ended])
	case Draw:
		change := "stopped"
		if f.Started {
			change = "started"
		}
		t.exec("INSERT OR REPLACE INTO draw VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
			f.Host, f.UPS, f.At.ns(), f.At.ms(), change, f.Watts, f.NoiseWatts, f.Quality.String())
	}
}

var (
	stopEndings  = [...]string{"", "clean", "forced", "given_up"}
	startEndings = [...]string{"", "back", "", "given_up"}
)

func (t *transaction) samples(list []Sample) {
	if t.err != nil || len(list) == 0 {
		return
	}
	put, err := t.PrepareContext(t.ctx, "INSERT OR REPLACE INTO sample VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)")
	if err != nil {
		t.err = err
		return
	}
	defer put.Close()
	for i := range list {
		s := &list[i]
		_, err := put.ExecContext(t.ctx, s.During, s.ns(), s.UPS, s.ms(),
			word(s.Source, s.Source.String()), word(s.Input, s.Input.String()), word(s.Battery, s.Battery.String()), s.Testing,
			figure(s.LoadWatts), figure(s.ChargeTenths), figure(s.RuntimeSeconds), figure(s.LowSeconds), figure(s.OnBatterySecs),
			figure(s.Millivolts), figure(s.TemperatureTenthsC), figure(s.InputDecivolts))
		if t.result(err); t.err != nil {
			return
		}
	}
}

// prune lets old normal samples go, and makes room if it is short.
func (f *file) prune(ctx context.Context, b *batch) error {
	if n := len(b.normal); n > 0 {
		// Some at a time: were the clock set far ahead once by a fault, not all would go with it.
		for _, aged := range prunings[:agedOut] {
			if _, err := f.cut(ctx, aged, b.normal[n-1].At.Add(-f.maxAge)); err != nil {
				return err
			}
		}
	}
	cuts := prunings[:]
	for range mostChunks {
		used, err := f.used(ctx)
		if err != nil || used <= f.maxBytes-logMost-batchMost || len(cuts) == 0 {
			return err
		}
		n, err := f.cut(ctx, cuts[0], shutdown.Never)
		if err != nil {
			return err
		}
		if n == 0 {
			cuts = cuts[1:]
		}
	}
	return nil
}

// prunings let the oldest rows go, of those before an instant so many, in the
// order in which they are missed least.
var prunings = [...]string{
	oldest("input_minute", "at_ns"),
	oldest("line_reading", "at_ns"),
	oldest("room_reading", "at_ns"),
	"DELETE FROM sample WHERE during = 1 AND at_ns < ? AND at_ns <= (SELECT max(at_ns) FROM (SELECT at_ns FROM sample WHERE during = 1 ORDER BY at_ns LIMIT ?))",
	"DELETE FROM sample WHERE during = 2 AND at_ns < ? AND at_ns <= (SELECT max(at_ns) FROM (SELECT at_ns FROM sample WHERE during = 2 ORDER BY at_ns LIMIT ?))",
	"DELETE FROM sample WHERE during = 3 AND at_ns < ? AND at_ns <= (SELECT max(at_ns) FROM (SELECT at_ns FROM sample WHERE during = 3 ORDER BY at_ns LIMIT ?))",
	oldest("prediction", "made_ns"),
	oldest("input_event", "began_ns"),
	"DELETE FROM condition WHERE over_ns < ?1 AND raised_ns <= (SELECT max(raised_ns) FROM (SELECT raised_ns FROM condition WHERE over_ns IS NOT NULL ORDER BY raised_ns LIMIT ?2))",
}

// agedOut is how many of them age lets go, too: what is of every day.
const agedOut = 4

func oldest(table, at string) string {
	return fmt.Sprintf("DELETE FROM %[1]s WHERE %[2]s < ? AND %[2]s <= (SELECT max(%[2]s) FROM (SELECT %[2]s FROM %[1]s ORDER BY %[2]s LIMIT ?))", table, at)
}

func (f *file) cut(ctx context.Context, query string, before shutdown.Instant) (int64, error) {
	r, err := f.db.ExecContext(ctx, query, int64(before), chunk)
	if err != nil {
		return 0, err
	}
	return r.RowsAffected()
}

// used is the part of the file that holds anything. The file never shrinks; the
// rest of it is filled before it grows.
func (f *file) used(ctx context.Context) (int64, error) {
	var pages, free, bytes int64
	err := f.db.QueryRowContext(ctx, "SELECT page_count, freelist_count, page_size FROM pragma_page_count, pragma_freelist_count, pragma_page_size").Scan(&pages, &free, &bytes)
	return (pages - free) * bytes, err
}
