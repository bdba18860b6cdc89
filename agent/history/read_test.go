package history

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"ebbline/shutdown"
)

// Aim: readers and the writer do not disturb each other. Method: three readers
// ask all they can while outages are written; each sees a number that only
// grows, each outage whole, and no error; the writer has none either.
func TestReadWhileWriting(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, path, Options{})
	must(t, s.RecordOutage(anOutage(1, 10_000)))
	must(t, s.Flush(t.Context()))
	ctx, cancel := context.WithCancel(t.Context())
	var readers sync.WaitGroup
	for range 3 {
		readers.Go(func() {
			last := 0
			for ctx.Err() == nil {
				r, err := OpenReader(t.Context(), path)
				if err != nil {
					t.Error(err)
					return
				}
				list, err := r.Outages(t.Context(), 1000)
				_, err2 := r.Samples(t.Context(), "rack", 0, shutdown.Never, 1000)
				_, err3 := r.Predictions(t.Context(), "", 1000)
				_, err4 := r.Tests(t.Context(), "", 1000)
				if err := errors.Join(err, err2, err3, err4, r.Close()); err != nil {
					t.Error(err)
					return
				}
				if len(list) < last {
					t.Errorf("%d outages after %d", len(list), last)
				}
				last = len(list)
				for _, o := range list {
					if len(o.Inputs) != 2 || len(o.Phases) != 4 {
						t.Errorf("half an outage: %+v", o)
					}
				}
			}
		})
	}
	for n := 2; n <= 60; n++ {
		must(t, s.RecordOutage(anOutage(uint32(n), float64(n)*10_000)))
		must(t, s.RecordTest(aTest(float64(n)*10_000+2000)))
		must(t, s.RecordSample(reading(float64(n)*10_000, DuringTest)))
		must(t, s.Flush(t.Context()))
	}
	cancel()
	readers.Wait()
	if h := s.Health(); h != (Health{}) {
		t.Errorf("health %+v", h)
	}
}

// Aim: a person who may read the file and write nothing can read the history,
// while the agent runs and after. Method: a process of user nobody.
func TestReadByOthers(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("acting as another user needs root")
	}
	dir, err := os.MkdirTemp("", "history-test-")
	must(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	must(t, os.Chmod(dir, 0o755))
	path := filepath.Join(dir, "history.db")
	if got := runChild(t, "nobody-read", path); !strings.Contains(got, "The agent begins it") {
		t.Errorf("before there is a history: %s", got)
	}
	must(t, os.WriteFile(path, nil, 0o644)) // as an operator may do who wants it readable
	s := open(t, path, Options{})
	must(t, s.RecordOutage(anOutage(1, 100)))
	must(t, s.Flush(t.Context()))
	if got := runChild(t, "nobody-read", path); got != "outages: 1 <nil>" {
		t.Errorf("while the store is open: %s", got)
	}
	must(t, s.Close(t.Context()))
	if got := runChild(t, "nobody-read", path); got != "outages: 1 <nil>" {
		t.Errorf("after its end: %s", got)
	}
	must(t, os.Chmod(path, 0o600))
	if got := runChild(t, "nobody-read", path); !strings.Contains(got, "cannot be used") {
		t.Errorf("without the right: %s", got)
	}
}

// Aim: a query ends with its context. Method: one that has ended already, and
// every query.
func TestReadEnds(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	filled(t, path)
	r := reader(t, path)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var errs []error
	note := func(_ any, err error) { errs = append(errs, err) }
	note(r.Outages(ctx, 1))
	note(r.Samples(ctx, "rack", 0, shutdown.Never, 1))
	note(r.Tests(ctx, "", 1))
	note(r.Predictions(ctx, "", 1))
	note(r.Score(ctx, "rack", ByModel))
	note(r.Stops(ctx, "vault", 1))
	note(r.StoppingTime(ctx, "vault", 0))
	note(r.Starts(ctx, "vault", 1))
	note(r.Draws(ctx, "vault", 1))
	note(r.DrawSums(ctx, "vault"))
	for i, err := range errs {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("query %d: %v", i, err)
		}
	}
}

// Aim: a word that the program never wrote is an error, not a wrong answer.
// Method: sqlite3 writes one into each column of words.
func TestStrangeWords(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	shell(t, path, string(contents(t, "testdata/version1.sql")))
	shell(t, path, version2+version3+version4+version5+"PRAGMA user_version = 5")
	shell(t, path, "UPDATE outage_phase SET phase = 'lunch' WHERE phase = 'shedding'; UPDATE sample SET source = 'sun', load_watts = 'many'; UPDATE test SET stop = 'bored'; UPDATE prediction SET made_by = 'oracle'; UPDATE stop SET ended = 'well'; UPDATE start SET ended = ''; UPDATE draw SET quality = 'odd'")
	r := reader(t, path)
	ctx := t.Context()
	var errs []error
	note := func(_ any, err error) { errs = append(errs, err) }
	note(r.Outages(ctx, 1))
	note(r.Samples(ctx, "rack", 0, shutdown.Never, 1))
	note(r.Tests(ctx, "", 1))
	note(r.Predictions(ctx, "", 10))
	note(r.Stops(ctx, "vault", 1))
	note(r.Starts(ctx, "vault", 1))
	note(r.Draws(ctx, "vault", 1))
	for i, err := range errs {
		if err == nil || !strings.Contains(err.Error(), "is none of") {
			t.Errorf("query %d: %v", i, err)
		}
	}
}
