package record

import (
	"context"
	"math"
	"path/filepath"
	"testing"
	"time"

	"ebbline/agent/history"
	"ebbline/policy/electrical"
	"ebbline/shutdown"
)

// watched is an input over a store of its own, told by the second.
type watched struct {
	*Recorder
	t     *testing.T
	path  string
	clock time.Duration
}

func watch(t *testing.T) *watched {
	path := filepath.Join(t.TempDir(), "history.db")
	writer, err := history.Open(path, history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { writer.Close(context.Background()) })
	return &watched{Recorder: New(writer, time.Now, nil), t: t, path: path}
}

var midnight = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// read tells of the voltage, in tenths, for so many polls two seconds apart.
func (w *watched) read(volts int64, polls int) {
	for range polls {
		w.clock += 2 * time.Second
		m := shutdown.Nothing
		m.Source, m.Input, m.InputDecivolts = shutdown.FromInput, shutdown.LineGood, volts
		if volts < 1000 {
			m.Source, m.Input = shutdown.FromBattery, shutdown.LineBad
		}
		at := midnight.Add(w.clock)
		w.inputs.get(w.writer, "rack").take(history.Moment{At: shutdown.Instant(at.UnixNano()), UTC: at}, &m)
	}
}

func (w *watched) unsteady() (is bool) {
	w.Inputs(func(_ string, on bool) { is = on })
	return is
}

func lines(bads float64) electrical.Lines {
	return electrical.Lines{Nominal: 120, Hertz: 60, Bads: bads}
}

// Aim: an input is kept by the minute and each event as polls saw it; three sags
// within an hour make it unsteady, and an hour later it is so no more. Method: polls
// each two seconds with sags in them, and what the file holds.
func TestInputKept(t *testing.T) {
	w := watch(t)
	w.read(1200, 60)
	for i := range 3 {
		if w.unsteady() {
			t.Errorf("unsteady after %d sags", i)
		}
		w.read(1000, 2) // 83 %
		w.read(1200, 300)
	}
	if !w.unsteady() {
		t.Error("three sags in half an hour, and it is steady")
	}
	w.read(1200, 1500)
	if w.unsteady() {
		t.Error("it is unsteady though the first sag is more than an hour ago")
	}
	if err := w.writer.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	r, err := history.OpenReader(t.Context(), w.path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	events, err := r.InputEvents(t.Context(), "rack", 100)
	if err != nil || len(events) != 3 {
		t.Fatalf("%v: %d events", err, len(events))
	}
	for _, e := range events {
		if e.Nominal != 120 || math.Abs(e.Event.Extreme-83.333) > 0.001 || e.Event.Length() != 4*time.Second || e.Event.Open {
			t.Errorf("%+v", e)
		}
	}
	minutes, low := 0, int64(9999)
	if err := r.InputMinutes(t.Context(), "rack", 0, func(m history.InputMinute) error {
		minutes++
		low = min(low, m.Low)
		if m.Readings != 30 || m.High != 1200 || m.Mean > 1200 || m.Mean < 1180 {
			t.Errorf("%+v", m)
		}
		return nil
	}); err != nil || minutes < 80 || low != 1000 {
		t.Errorf("%v: %d minutes, lowest %d", err, minutes, low)
	}
}

// Aim: sags that no poll saw, but the UPS counted, make an input unsteady too; the
// count of one that polls saw is no second sag, and one that starts anew none at all.
func TestInputCounted(t *testing.T) {
	w := watch(t)
	w.read(1200, 60)
	w.Lines("rack", lines(7))
	w.read(1000, 2)
	w.read(1200, 30)
	w.Lines("rack", lines(8)) // the one that was seen
	w.read(1200, 30)
	w.Lines("rack", lines(0))
	if w.unsteady() {
		t.Error("one sag, counted twice")
	}
	w.read(1200, 30)
	w.Lines("rack", lines(2)) // two that nobody saw
	if !w.unsteady() {
		t.Error("three sags, two of them by the UPS's count alone")
	}
}

// Aim: silence is no event, and a voltage that is not read is none. Method: a sag
// that is under way when the UPS falls silent, and then good readings.
func TestInputSilent(t *testing.T) {
	w := watch(t)
	w.read(1200, 60)
	w.read(1000, 3)
	w.clock += time.Hour
	w.read(1200, 60)
	w.read(shutdown.Unread, 30)
	w.read(1200, 60)
	if err := w.writer.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	r, err := history.OpenReader(t.Context(), w.path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	events, err := r.InputEvents(t.Context(), "rack", 100)
	if err != nil || len(events) != 1 || !events[0].Event.Open || events[0].Event.Length() != 4*time.Second {
		t.Errorf("%v: %+v", err, events)
	}
}
