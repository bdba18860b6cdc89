package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"

	sqlite3 "modernc.org/sqlite/lib"

	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// Reader is the reading side, for a command while the agent writes or after.
// What waits in the agent's queue it does not see yet. Every query ends within
// five seconds, and a query for the last n gives them oldest first.
type Reader struct {
	path string
	db   *sql.DB
}

const readWithin = 5 * time.Second

// OpenReader opens a history to be read only; the error is [os.ErrNotExist] when
// there is none yet.
func OpenReader(ctx context.Context, path string) (*Reader, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("history: %w. The agent begins it when it first has something to write", err)
	}
	query := url.Values{"mode": {"ro"}, "_pragma": {fmt.Sprintf("busy_timeout(%d)", busyMillis), "query_only(1)", "cache_size(-512)", "temp_store(memory)"}}
	r, err := openReader(ctx, path, query)
	if c := code(err) & 0xff; (c == sqlite3.SQLITE_CANTOPEN || c == sqlite3.SQLITE_READONLY) && size(path+"-wal") == 0 {
		// No agent has it open, or there would be a log; and one cannot be made
		// here. Then the file stands as it is.
		query.Set("immutable", "1")
		r, err = openReader(ctx, path, query)
	}
	if err != nil {
		return nil, fmt.Errorf("history: %w", explain(path, err))
	}
	return r, nil
}

func openReader(ctx context.Context, path string, query url.Values) (*Reader, error) {
	ctx, cancel := context.WithTimeout(ctx, readWithin)
	defer cancel()
	db, err := connect(path, query)
	if err != nil {
		return nil, err
	}
	version, err := identify(ctx, db)
	switch {
	case err != nil:
	case version == 0:
		err = fmt.Errorf("it is empty: %w", os.ErrNotExist)
	case version > len(steps):
		err = ErrNewer
	case version < len(steps):
		err = ErrOlder
	default:
		return &Reader{path, db}, nil
	}
	db.Close()
	return nil, err
}

// Close lets go of the file.
func (r *Reader) Close() error { return r.db.Close() }

// each runs a query and calls row for each of its rows.
func (r *Reader) each(ctx context.Context, row func(scan func(...any) error) error, query string, args ...any) error {
	ctx, cancel := context.WithTimeout(ctx, readWithin)
	defer cancel()
	rows, err := r.db.QueryContext(ctx, query, args...)
	if err == nil {
		for err == nil && rows.Next() {
			err = row(rows.Scan)
		}
		err = errors.Join(err, rows.Err(), rows.Close())
	}
	if err != nil {
		return fmt.Errorf("history: %w", explain(r.path, err))
	}
	return nil
}

// instant reads a moment's two columns, which may be NULL.
type instant struct{ ns, ms sql.NullInt64 }

func (i instant) moment() Moment {
	if !i.ns.Valid {
		return Moment{}
	}
	return Moment{shutdown.Instant(i.ns.Int64), time.UnixMilli(i.ms.Int64).UTC()}
}

// unread reads a figure that may be NULL.
type unread struct{ to *int64 }

func (u unread) Scan(v any) error {
	switch v := v.(type) {
	case nil:
		*u.to = shutdown.Unread
	case int64:
		*u.to = v
	default:
		return fmt.Errorf("%v is not a whole number", v)
	}
	return nil
}

// zeroed reads a figure whose NULL is zero.
type zeroed struct{ to *int64 }

func (z zeroed) Scan(v any) error {
	if v == nil {
		*z.to = 0
		return nil
	}
	return unread(z).Scan(v)
}

// lasted reads a duration in some unit; NULL is zero.
type lasted struct {
	to   *time.Duration
	unit time.Duration
}

func (l lasted) Scan(v any) error {
	var n int64
	err := zeroed{&n}.Scan(v)
	*l.to = time.Duration(n) * l.unit
	return err
}

// named reads a word into the value that has it; NULL is zero. A word of no
// value is an error: the file was changed by hand.
type named[T ~uint8] struct {
	to    *T
	words []string
}

func (n named[T]) Scan(v any) error {
	*n.to = 0
	if v == nil {
		return nil
	}
	i := slices.Index(n.words, fmt.Sprint(v))
	if i < 1 {
		return fmt.Errorf("%q is none of %s", v, strings.Join(n.words[1:], ", "))
	}
	*n.to = T(i)
	return nil
}

// words lists what an enumeration calls its values from zero to the last one.
func words[T interface {
	~uint8
	String() string
}](last T) []string {
	var list []string
	for v := T(0); v <= last; v++ {
		list = append(list, v.String())
	}
	return list
}

// Outages gives the last n outages.
func (r *Reader) Outages(ctx context.Context, n int) ([]Outage, error) {
	var list []Outage
	ids := map[int64]int{}
	err := r.each(ctx, func(scan func(...any) error) error {
		var o Outage
		var id int64
		var began, ended instant
		err := scan(&id, &o.Number, line{&o.Site}, &began.ns, &began.ms, &ended.ns, &ended.ms)
		o.Began, o.Ended = began.moment(), ended.moment()
		ids[id] = len(list)
		list = append(list, o)
		return err
	}, "SELECT * FROM (SELECT id, number, site, began_ns, began_ms, ended_ns, ended_ms FROM outage ORDER BY began_ns DESC LIMIT ?) ORDER BY began_ns", n)
	if err != nil || len(list) == 0 {
		return nil, err
	}
	first := int64(list[0].Began.At)
	err = r.each(ctx, func(scan func(...any) error) error {
		var in Input
		var id int64
		var lost, back instant
		err := scan(&id, line{&in.UPS}, &lost.ns, &lost.ms, &back.ns, &back.ms)
		in.Lost, in.Back = lost.moment(), back.moment()
		if i, ok := ids[id]; ok {
			list[i].Inputs = append(list[i].Inputs, in)
		}
		return err
	}, "SELECT i.* FROM outage_input i JOIN outage o ON o.id = i.outage WHERE o.began_ns >= ? ORDER BY lost_ns, ups", first)
	if err != nil {
		return nil, err
	}
	phases := words(shutdown.Recovery)
	err = r.each(ctx, func(scan func(...any) error) error {
		var e PhaseEntry
		var id int64
		var entered instant
		err := scan(&id, line{&e.UPS}, &entered.ns, named[shutdown.Phase]{&e.Phase, phases}, &entered.ms)
		e.Entered = entered.moment()
		if i, ok := ids[id]; ok {
			list[i].Phases = append(list[i].Phases, e)
		}
		return err
	}, "SELECT p.* FROM outage_phase p JOIN outage o ON o.id = p.outage WHERE o.began_ns >= ? ORDER BY entered_ns, ups", first)
	return list, err
}

// Samples gives a UPS's samples from one instant to another, the last n of them.
func (r *Reader) Samples(ctx context.Context, ups string, from, to shutdown.Instant, n int) ([]Sample, error) {
	var list []Sample
	sources, lines, stores := words(shutdown.FromNothing), words(shutdown.LineBad), words(shutdown.StatusDepleted)
	err := r.each(ctx, func(scan func(...any) error) error {
		s := Sample{UPS: ups}
		var at instant
		err := scan(&s.During, &at.ns, &at.ms, named[shutdown.Source]{&s.Source, sources}, named[shutdown.Line]{&s.Input, lines},
			named[shutdown.BatteryStatus]{&s.Battery, stores}, &s.Testing, unread{&s.LoadWatts}, unread{&s.ChargeTenths}, unread{&s.RuntimeSeconds},
			unread{&s.LowSeconds}, unread{&s.OnBatterySecs}, unread{&s.Millivolts}, unread{&s.TemperatureTenthsC}, unread{&s.InputDecivolts})
		s.Moment = at.moment()
		list = append(list, s)
		return err
	}, `SELECT during, at_ns, at_ms, source, input, battery, testing, load_watts, charge_tenths, runtime_seconds,
		low_seconds, on_battery_seconds, battery_millivolts, battery_tenths_c, input_tenths_of_volt
		FROM sample WHERE during IN (1, 2, 3) AND at_ns BETWEEN ? AND ? AND ups = ? ORDER BY at_ns DESC LIMIT ?`, int64(from), int64(to), ups, n)
	slices.Reverse(list)
	return list, err
}

// Tests gives the last n discharge tests of a UPS, or of all when ups is "". An
// unfinished one has no end.
func (r *Reader) Tests(ctx context.Context, ups string, n int) ([]Test, error) {
	var list []Test
	ids := map[int64]int{}
	makers := words(ByUPS)
	err := r.each(ctx, func(scan func(...any) error) error {
		var t Test
		var id int64
		var began, seen, ended, made instant
		var basis sql.NullString
		var weak string
		c := &t.Forecast
		err := scan(&id, line{&t.UPS}, &began.ns, &began.ms, &seen.ns, &seen.ms, &ended.ns, &ended.ms,
			&made.ns, &made.ms, named[Maker]{&c.By, makers}, &basis, unread{&c.LoadWatts}, unread{&c.ChargeTenths},
			lasted{&c.Low, time.Second}, lasted{&c.Likely, time.Second}, lasted{&c.High, time.Second},
			unread{&t.LoadWatts}, unread{&t.LeastWatts}, unread{&t.MostWatts}, unread{&t.ChargeTenths}, unread{&t.EndChargeTenths}, unread{&t.EndMillivolts},
			unread{&t.BatteryTenthsC}, unread{&t.AmbientTenthsC}, unread{&t.BatteryAgeDays}, named[StopRule]{&t.Stop, stopRules[:]},
			lasted{&t.Measured, time.Millisecond}, zeroed{&t.Verdict.CapacityTenths}, zeroed{&t.Verdict.RatioPermille}, &t.Verdict.Censored, &weak)
		t.Began, t.Seen, t.Ended = began.moment(), seen.moment(), ended.moment()
		if c.Made = made.moment(); !t.forecast() {
			t.Forecast = Forecast{} // no figures of none, not unread ones
		}
		c.Basis = basis.String
		if weak != "" {
			t.Verdict.Weak = strings.Split(weak, "\n")
		}
		ids[id] = len(list)
		list = append(list, t)
		return err
	}, `SELECT * FROM (SELECT id, ups, began_ns, began_ms, seen_ns, seen_ms, ended_ns, ended_ms,
		forecast_ns, forecast_ms, forecast_by, forecast_basis, forecast_watts, forecast_tenths, low_seconds, likely_seconds, high_seconds,
		load_watts, least_watts, most_watts, charge_tenths, end_charge_tenths, end_millivolts, battery_tenths_c, ambient_tenths_c, battery_age_days,
		stop, measured_ms, capacity_tenths, ratio_permille, censored, weak
		FROM test WHERE ?1 IN (ups, '') ORDER BY began_ns DESC LIMIT ?2) ORDER BY began_ns`, ups, n)
	if err != nil || len(list) == 0 {
		return nil, err
	}
	err = r.each(ctx, func(scan func(...any) error) error {
		var s battery.Segment
		var id int64
		err := scan(&id, &s.Watts, &s.Seconds)
		if i, ok := ids[id]; ok {
			list[i].Segments = append(list[i].Segments, s)
		}
		return err
	}, "SELECT s.test, s.watts, s.seconds FROM test_segment s JOIN test t ON t.id = s.test WHERE t.began_ns >= ? AND ?2 IN (t.ups, '') ORDER BY s.test, s.n",
		int64(list[0].Began.At), ups)
	return list, err
}

// Scored is a prediction and what came of it.
type Scored struct {
	Prediction
	OfTest  bool          // a discharge test's own; else made in an outage
	Known   bool          // something came of it
	AtLeast bool          // the discharge ended earlier than the battery: Lasted is a lower bound
	Lasted  time.Duration // from the prediction on
}

// Predictions gives the last n predictions for a UPS, or for all when ups is "".
func (r *Reader) Predictions(ctx context.Context, ups string, n int) ([]Scored, error) {
	return r.predictions(ctx, ups, Always, n)
}

// PredictionsIn gives the predictions for a UPS that were made in a span. They grow
// fewer as an outage goes on, so that all of one are few.
func (r *Reader) PredictionsIn(ctx context.Context, ups string, in Span) ([]Scored, error) {
	return r.predictions(ctx, ups, in, 100_000)
}

func (r *Reader) predictions(ctx context.Context, ups string, in Span, n int) ([]Scored, error) {
	var list []Scored
	makers := words(ByUPS)
	err := r.each(ctx, func(scan func(...any) error) error {
		var s Scored
		var made instant
		var outcome sql.NullString
		err := scan(&s.UPS, &made.ns, &made.ms, named[Maker]{&s.By, makers}, &s.OfTest, &s.Basis, unread{&s.LoadWatts}, unread{&s.ChargeTenths},
			lasted{&s.Low, time.Second}, lasted{&s.Likely, time.Second}, lasted{&s.High, time.Second}, &outcome, lasted{&s.Lasted, time.Second})
		s.Made, s.Known, s.AtLeast = made.moment(), outcome.Valid, outcome.String == "at_least"
		list = append(list, s)
		return err
	}, `SELECT * FROM (SELECT ups, made_ns, made_ms, made_by, occasion = 'test', basis, load_watts, charge_tenths, low_seconds, likely_seconds, high_seconds,
		outcome, outcome_seconds FROM predictions WHERE ?1 IN (ups, '') AND made_ns BETWEEN ?3 AND ?4 ORDER BY made_ns DESC LIMIT ?2) ORDER BY made_ns, ups, made_by`,
		ups, n, int64(in.From), int64(in.To))
	return list, err
}

// Stops gives the last n stopping times of a host.
func (r *Reader) Stops(ctx context.Context, host string, n int) ([]Stop, error) {
	var list []Stop
	err := r.each(ctx, func(scan func(...any) error) error {
		s := Stop{Host: host}
		var asked instant
		err := scan(&asked.ns, &asked.ms, &s.Outage, &s.Method, lasted{&s.Took, time.Millisecond}, named[Ending]{&s.Ended, stopEndings[:]})
		s.Asked = asked.moment()
		list = append(list, s)
		return err
	}, "SELECT asked_ns, asked_ms, outage, method, took_ms, ended FROM stop WHERE host = ? ORDER BY asked_ns DESC LIMIT ?", host, n)
	slices.Reverse(list)
	return list, err
}

// Starts gives the last n starting times of a host.
func (r *Reader) Starts(ctx context.Context, host string, n int) ([]Start, error) {
	var list []Start
	err := r.each(ctx, func(scan func(...any) error) error {
		s := Start{Host: host}
		var told instant
		err := scan(&told.ns, &told.ms, &s.Outage, &s.Method, lasted{&s.Took, time.Millisecond}, named[Ending]{&s.Ended, startEndings[:]})
		s.Told = told.moment()
		list = append(list, s)
		return err
	}, "SELECT told_ns, told_ms, outage, method, took_ms, ended FROM start WHERE host = ? ORDER BY told_ns DESC LIMIT ?", host, n)
	slices.Reverse(list)
	return list, err
}

// Draws gives the last n draws of a host, on all its feeds.
func (r *Reader) Draws(ctx context.Context, host string, n int) ([]Draw, error) {
	var list []Draw
	qualities := words(Shared)
	err := r.each(ctx, func(scan func(...any) error) error {
		d := Draw{Host: host}
		var at instant
		err := scan(&d.UPS, &at.ns, &at.ms, &d.Started, &d.Watts, &d.NoiseWatts, named[Quality]{&d.Quality, qualities})
		d.At = at.moment()
		list = append(list, d)
		return err
	}, "SELECT ups, at_ns, at_ms, change = 'started', watts, noise_watts, quality FROM draw WHERE host = ? ORDER BY at_ns DESC, ups DESC LIMIT ?", host, n)
	slices.Reverse(list)
	return list, err
}
