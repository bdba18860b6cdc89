package main

import (
	"slices"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"ebbline/agent/history/learn"
)

// What was measured is logged when it is new, and all of it once a day.
func TestMeasuredIsToldOnce(t *testing.T) {
	core, lines := observer.New(zap.InfoLevel)
	m := &historian{log: zap.New(core)}
	start := time.Date(2026, 11, 2, 3, 14, 0, 0, time.UTC)
	note := func(host, text string) learn.Note { return learn.Note{Host: host, Text: text} }
	for _, c := range []struct {
		after time.Duration
		notes []learn.Note
		want  int
	}{
		{0, []learn.Note{note("desk", "takes 40s"), note("disks", "takes 2m")}, 2},
		{30 * time.Second, []learn.Note{note("desk", "takes 40s"), note("disks", "takes 2m")}, 0},
		{time.Hour, []learn.Note{note("desk", "takes 50s"), note("disks", "takes 2m")}, 1},
		{2 * time.Hour, nil, 0},
		{3 * time.Hour, []learn.Note{note("desk", "takes 50s")}, 1},
		{24 * time.Hour, []learn.Note{note("desk", "takes 50s")}, 1},
		{25 * time.Hour, []learn.Note{note("desk", "takes 50s")}, 0},
	} {
		m.tell(c.notes, start.Add(c.after))
		if got := lines.TakeAll(); len(got) != c.want || slices.ContainsFunc(got, func(e observer.LoggedEntry) bool { return len(e.Message) < 20 }) {
			t.Errorf("after %v: %d lines, want %d: %v", c.after, len(got), c.want, got)
		}
	}
}
