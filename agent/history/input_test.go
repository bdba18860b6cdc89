package history

import (
	"context"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ebbline/policy/electrical"
	"ebbline/shutdown"
)

func aMinute(s float64) InputMinute {
	return InputMinute{"rack", at(s), 30, 2290, 2301, 2310, 4998, 7}
}

// Aim: what is said of an input and of lines is read as it was recorded, by the
// program and by sqlite3, and a history of version 1 takes it too. Method: one of
// each, into a new file and into one of version 1 as sqlite3 dumped it.
func TestInputRoundTrip(t *testing.T) {
	for name, dump := range map[string]string{"new": "", "version 1": string(contents(t, "testdata/version1.sql"))} {
		path := filepath.Join(t.TempDir(), "history.db")
		if dump != "" {
			shell(t, path, dump)
		}
		s := open(t, path, Options{})
		unread := aMinute(160)
		unread.Low, unread.Hertz, unread.Bads = shutdown.Unread, shutdown.Unread, shutdown.Unread
		must(t, s.RecordInput(aMinute(100)))
		must(t, s.RecordInput(unread))
		from := time.Duration(at(130).At)
		event := InputEvent{"rack", at(130), 230, electrical.Event{From: from, To: from + 4*time.Second, Extreme: 3, Common: 3, Zero: 2 * time.Second, Zeros: 1, Readings: 2}}
		must(t, s.RecordInputEvent(event))
		nan := math.NaN()
		out := []electrical.Phase{{Volts: 120, Amps: 5, Watts: 540, Percent: 40}, {Volts: 121, Amps: nan, Watts: 100, Percent: nan}}
		must(t, s.RecordLines(LineReading{"rack", at(100), electrical.Lines{Output: out}}))
		must(t, s.Flush(t.Context()))
		r := reader(t, path)
		var minutes []InputMinute
		must(t, r.InputMinutes(t.Context(), "rack", 0, func(m InputMinute) error { minutes = append(minutes, m); return nil }))
		if d := cmp.Diff([]InputMinute{aMinute(100), unread}, minutes); d != "" {
			t.Errorf("%s, minutes:\n%s", name, d)
		}
		events, err := r.InputEvents(t.Context(), "rack", 10)
		must(t, err)
		if d := cmp.Diff([]InputEvent{event}, events); d != "" {
			t.Errorf("%s, events:\n%s", name, d)
		}
		sums, err := r.LineSums(t.Context(), "rack", 0)
		must(t, err)
		want := []LineSum{{"output", 1, 1, out[0], out[0], 600}, {"output", 2, 1, out[1], out[1], nan}}
		if d := cmp.Diff(want, sums, cmpopts.EquateNaNs()); d != "" {
			t.Errorf("%s, lines:\n%s", name, d)
		}
		if got := shell(t, path, "SELECT low_volts, hertz FROM input_minutes LIMIT 1; SELECT kind, seconds FROM input_events; SELECT va FROM line_readings WHERE line = 1; PRAGMA integrity_check"); got != "229.0|49.98\nsag|4.0\n600.0\nok" {
			t.Errorf("%s, by sqlite3: %s", name, got)
		}
	}
}

// Aim: minutes of inputs are bounded like all else, and go before anything else
// does. Method: a small limit; so many minutes that they would fill it three times,
// with an outage and samples among them.
func TestInputBounded(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	const limit = 4 << 20
	s := newWriter(&file{path: path, steps: steps, maxBytes: limit, maxAge: usualAge, logPages: logPages}, Options{NormalEvery: time.Second})
	go s.run(s.file.write)
	t.Cleanup(func() { s.Close(context.Background()) })
	must(t, s.RecordOutage(anOutage(1, 1)))
	must(t, s.RecordSample(reading(1, DuringNormal)))
	m := aMinute(0)
	m.UPS = strings.Repeat("u", 190)
	rows := 3 * limit / 230
	for i := range rows {
		m.Began = at(float64(60 * i))
		must(t, s.RecordInput(m))
		if i%2000 == 0 {
			must(t, s.Flush(t.Context()))
			if n := size(path) + size(path+"-wal"); n > limit {
				t.Fatalf("the file and its log have %d bytes, over the limit of %d", n, limit)
			}
		}
	}
	must(t, s.Flush(t.Context()))
	if got := shell(t, path, "SELECT (SELECT count(*) FROM outage), (SELECT count(*) FROM sample), (SELECT count(*) BETWEEN 100 AND 20000 FROM input_minute)"); got != "1|1|1" {
		t.Errorf("outages, samples, minutes within bounds: %s", got)
	}
	// While the disk is away they wait without crowding out anything.
	w := waiting{}
	w.facts = append(w.facts, Stop{})
	for range 3 * mostLines {
		w.lines = append(w.lines, m)
		w.trim()
	}
	if len(w.lines) != mostLines || len(w.facts) != 1 || w.droppedSamples != 2*mostLines || w.droppedRecords != 0 {
		t.Errorf("%d wait, %d facts, %d and %d dropped", len(w.lines), len(w.facts), w.droppedSamples, w.droppedRecords)
	}
}
