package history

import (
	"context"
	"database/sql"
	"math"
	"time"

	"ebbline/policy/electrical"
	"ebbline/shutdown"
)

// InputMinute is a UPS's input in one minute: tenths of a volt of its worst line,
// hundredths of a hertz, and how often it left its tolerance by the UPS's own count.
// [shutdown.Unread] is a figure that nobody has.
type InputMinute struct {
	UPS             string
	Began           Moment
	Readings        int64
	Low, Mean, High int64
	Hertz           int64
	Bads            int64
}

// InputEvent is a sag, a swell or an interruption of a UPS's input as polls saw it.
// The event's times are those of the agent's clock.
type InputEvent struct {
	UPS     string
	Began   Moment
	Nominal float64 // volts
	Event   electrical.Event
}

// LineReading is what a UPS said of its lines at a moment.
type LineReading struct {
	UPS   string
	At    Moment
	Lines electrical.Lines
}

// RecordInput records a minute of an input. Such rows wait for the disk in a place
// of their own, so that they crowd out no other record.
func (s *Writer) RecordInput(m InputMinute) error { return s.line(m.check(), m) }

// RecordInputEvent records an event of an input.
func (s *Writer) RecordInputEvent(e InputEvent) error { return s.line(e.check(), e) }

// RecordLines records what a UPS says of its lines.
func (s *Writer) RecordLines(l LineReading) error { return s.line(l.check(), l) }

func (s *Writer) line(err error, f any) error {
	return s.put(err, false, func(w *waiting) { w.lines = append(w.lines, f) })
}

func (m *InputMinute) check() error {
	var f faults
	f.name("UPS", m.UPS)
	f.moment("began", m.Began)
	f.add(m.Readings < 0, "it has %d readings", m.Readings)
	return f.of("minute of an input")
}

func (e *InputEvent) check() error {
	var f faults
	f.name("UPS", e.UPS)
	f.moment("began", e.Began)
	f.lasts("the event", e.Event.Length())
	f.add(!(e.Nominal > 0 && e.Nominal < 1e4), "its nominal voltage is %g V", e.Nominal)
	return f.of("event of an input")
}

func (l *LineReading) check() error {
	var f faults
	f.name("UPS", l.UPS)
	f.moment("was read", l.At)
	f.parts("lines", len(l.Lines.Input)+len(l.Lines.Output))
	return f.of("reading of lines")
}

// real is a figure that may be NaN.
func real(v float64) any {
	if math.IsNaN(v) {
		return nil
	}
	return v
}

func (t *transaction) lines(list []any) {
	for _, f := range list {
		switch f := f.(type) {
		case InputMinute:
			t.exec("INSERT OR REPLACE INTO input_minute VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
				f.Began.ns(), f.UPS, f.Began.ms(), f.Readings, figure(f.Low), figure(f.Mean), figure(f.High), figure(f.Hertz), figure(f.Bads))
		case InputEvent:
			e := &f.Event
			t.exec("INSERT OR REPLACE INTO input_event VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
				f.Began.ns(), f.UPS, e.Swell, f.Began.ms(), upMilliseconds(e.Length()), f.Nominal, e.Percent(), e.Zero.Milliseconds(), e.Zeros, e.Readings, e.Open)
		case LineReading:
			t.sides(&f)
		case RoomReading:
			t.exec("INSERT OR REPLACE INTO room_reading VALUES (?, ?, ?, ?, ?)", f.At.ns(), f.Sensor, f.At.ms(), f.Tenths, f.Watts)
		}
	}
}

func (t *transaction) sides(l *LineReading) {
	for side, list := range map[string][]electrical.Phase{"input": l.Lines.Input, "output": l.Lines.Output} {
		for k, p := range list {
			t.exec("INSERT OR REPLACE INTO line_reading VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
				l.At.ns(), l.UPS, side, k+1, l.At.ms(), real(p.Volts), real(p.Amps), real(p.Watts), real(p.Percent))
		}
	}
}

// InputMinutes calls each for every minute of a UPS's input since an instant,
// oldest first, without holding them.
func (r *Reader) InputMinutes(ctx context.Context, ups string, since shutdown.Instant, each func(InputMinute) error) error {
	for {
		n, last := 0, since
		err := r.each(ctx, func(scan func(...any) error) error {
			m := InputMinute{UPS: ups}
			var at instant
			if err := scan(&at.ns, &at.ms, &m.Readings, unread{&m.Low}, unread{&m.Mean}, unread{&m.High}, unread{&m.Hertz}, unread{&m.Bads}); err != nil {
				return err
			}
			m.Began = at.moment()
			n, last = n+1, m.Began.At
			return each(m)
		}, `SELECT at_ns, at_ms, readings, low_tenths, mean_tenths, high_tenths, hertz_hundredths, line_bads
			FROM input_minute WHERE at_ns > ? AND ups = ? ORDER BY at_ns LIMIT 10000`, int64(since), ups)
		if err != nil || n < 10000 {
			return err
		}
		since = last // a query may last five seconds, so a year is asked for in parts
	}
}

// InputEvents gives the last n events of a UPS's input, or of all when ups is "".
func (r *Reader) InputEvents(ctx context.Context, ups string, n int) ([]InputEvent, error) {
	var list []InputEvent
	err := r.each(ctx, func(scan func(...any) error) error {
		var e InputEvent
		var at instant
		var lasted, zero time.Duration
		err := scan(line{&e.UPS}, &at.ns, &at.ms, lastedIn(&lasted), &e.Nominal, &e.Event.Extreme, &e.Event.Swell, lastedIn(&zero), &e.Event.Zeros, &e.Event.Readings, &e.Event.Open)
		e.Began = at.moment()
		e.Event.From, e.Event.To, e.Event.Zero = time.Duration(e.Began.At), time.Duration(e.Began.At)+lasted, zero
		e.Event.Common = e.Event.Extreme // it is kept so that it classes alike
		list = append(list, e)
		return err
	}, `SELECT * FROM (SELECT ups, began_ns, began_ms, lasted_ms, nominal_volts, percent, swell, without_ms, trips, readings, open
		FROM input_event WHERE ?1 IN (ups, '') ORDER BY began_ns DESC LIMIT ?2) ORDER BY began_ns, ups`, ups, n)
	return list, err
}

// NominalInput is the usual nominal voltage that a UPS's input is nearest to, by the
// middle of what was kept of it last; 0 where nothing was.
func (r *Reader) NominalInput(ctx context.Context, ups string) (float64, error) {
	var volts, hertz sql.NullFloat64
	err := r.each(ctx, func(scan func(...any) error) error { return scan(&volts, &hertz) },
		`SELECT mean_tenths / 10.0, hertz_hundredths / 100.0 FROM (SELECT * FROM input_minute WHERE ups = ? AND mean_tenths > 500 ORDER BY at_ns DESC LIMIT 1001)
		ORDER BY mean_tenths LIMIT 1 OFFSET (SELECT count(*) / 2 FROM (SELECT 1 FROM input_minute WHERE ups = ? AND mean_tenths > 500 ORDER BY at_ns DESC LIMIT 1001))`, ups, ups)
	if err != nil || !volts.Valid {
		return 0, err
	}
	return electrical.NearestNominal(volts.Float64, math.Round(hertz.Float64/10)*10), nil
}

func lastedIn(to *time.Duration) lasted { return lasted{to, time.Millisecond} }

// LineSum is what was read of one line: the mean and the most of its last n readings.
type LineSum struct {
	Side       string // "input" or "output"
	Line       int    // from 1
	Readings   int
	Mean, Most electrical.Phase // the most of each figure by itself
	MostVA     float64
}

// LineSums sums up the readings of a UPS's lines since an instant.
func (r *Reader) LineSums(ctx context.Context, ups string, since shutdown.Instant) ([]LineSum, error) {
	var list []LineSum
	err := r.each(ctx, func(scan func(...any) error) error {
		var s LineSum
		var v [9]sql.NullFloat64
		err := scan(&s.Side, &s.Line, &s.Readings, &v[0], &v[1], &v[2], &v[3], &v[4], &v[5], &v[6], &v[7], &v[8])
		get := func(i int) float64 {
			if !v[i].Valid {
				return math.NaN()
			}
			return v[i].Float64
		}
		s.Mean = electrical.Phase{Volts: get(0), Amps: get(1), Watts: get(2), Percent: get(3)}
		s.Most = electrical.Phase{Volts: get(4), Amps: get(5), Watts: get(6), Percent: get(7)}
		s.MostVA = get(8)
		list = append(list, s)
		return err
	}, `SELECT side, line, count(*), avg(volts), avg(amps), avg(watts), avg(percent), max(volts), max(amps), max(watts), max(percent), max(volts * amps)
		FROM line_reading WHERE ups = ? AND at_ns >= ? GROUP BY side, line ORDER BY side, line`, ups, int64(since))
	return list, err
}
