package history

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbline/shutdown"
)

// Aim: the file and its log stay below the limit whatever is written, the least
// wanted goes first, and outages and tests stay. Method: a limit smaller than
// Options allow, so that ten times as many bytes are soon written: a quarter
// each of normal samples, of samples of an outage, of tests, and of predictions,
// with outages and tests among them; long names make few rows of them. The sizes
// are looked at after each batch.
func TestSizeBounded(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	const limit = 4 << 20
	s := newWriter(&file{path: path, steps: steps, maxBytes: limit, maxAge: usualAge, logPages: logPages}, Options{NormalEvery: time.Second})
	go s.run(s.file.write)
	t.Cleanup(func() { s.Close(context.Background()) })
	name := strings.Repeat("u", 900)
	rows := 10 * limit / len(name) / 4
	kept := 0
	check := func() {
		t.Helper()
		must(t, s.Flush(t.Context()))
		if n := size(path) + size(path+"-wal"); n > limit {
			t.Fatalf("the file and its log have %d bytes, over the limit of %d", n, limit)
		}
	}
	clock := 0.0
	write := func(during During) {
		for i := range rows {
			clock++
			if during == 0 {
				f := aForecast(clock)
				f.Basis = name
				must(t, s.RecordPrediction(Prediction{"rack", f}))
			} else {
				r := reading(clock, during)
				r.UPS = name
				must(t, s.put(nil, false, func(w *waiting) { w.sample(r) })) // a longer name than is let in
			}
			if i%500 == 0 {
				kept++
				must(t, s.RecordOutage(anOutage(uint32(kept), clock)))
				must(t, s.RecordTest(aTest(clock)))
				check()
			}
		}
		check()
	}
	count := func() (n [4]int) {
		out := shell(t, path, "SELECT (SELECT count(*) FROM sample WHERE during = 1), (SELECT count(*) FROM sample WHERE during = 2), (SELECT count(*) FROM sample WHERE during = 3), (SELECT count(*) FROM prediction)")
		_, err := fmt.Sscanf(out, "%d|%d|%d|%d", &n[0], &n[1], &n[2], &n[3])
		must(t, err)
		return n
	}
	write(DuringNormal)
	if n := count(); n[0] < 200 || n[0] > rows/2 {
		t.Errorf("%d normal samples of %d are left; want some, and less than half", n[0], rows)
	}
	write(DuringOutage)
	write(DuringTest)
	if n := count(); n[0] != 0 || n[1] != 0 || n[2] < 200 {
		t.Errorf("samples of normal mode, outages, tests: %v; want those of tests alone", n)
	}
	write(0)
	if n := count(); n[2] != 0 || n[3] < 200 {
		t.Errorf("samples of tests and predictions: %v; want the last predictions alone", n[2:])
	}
	last := shell(t, path, "SELECT max(made_ns) FROM prediction")
	if last != fmt.Sprint(int64(at(clock).At)) {
		t.Errorf("the last prediction is of %s, want %d", last, at(clock).At)
	}
	if got, want := shell(t, path, "SELECT (SELECT count(*) FROM outage), (SELECT count(*) FROM test); PRAGMA integrity_check"), fmt.Sprintf("%d|%d\nok", kept, kept); got != want {
		t.Errorf("outages|tests %q, want %q", got, want)
	}
	if h := s.Health(); h != (Health{}) {
		t.Errorf("health %+v", h)
	}
}

// Aim: normal samples go by age, others do not. Method: three years at one a
// day, kept for 400 days.
func TestAge(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, path, Options{})
	const day = 24 * 3600
	for d := range 1000 {
		must(t, s.RecordSample(reading(float64(d)*day, DuringNormal)))
		if d%300 == 0 {
			must(t, s.RecordSample(reading(float64(d)*day+1, DuringTest)))
		}
	}
	must(t, s.Flush(t.Context()))
	r := reader(t, path)
	list, err := r.Samples(t.Context(), "rack", 0, shutdown.Never, 10_000)
	must(t, err)
	normal, test := 0, 0
	for _, l := range list {
		switch l.During {
		case DuringNormal:
			if normal == 0 && l.At.Sub(at(599*day).At) != 0 {
				t.Errorf("the oldest normal sample is of %v; want that of day 599", l.UTC)
			}
			normal++
		case DuringTest:
			test++
		}
	}
	if normal != 401 || test < 4 {
		t.Errorf("%d normal samples and %d of tests; want 401 and at least 4", normal, test)
	}
}
