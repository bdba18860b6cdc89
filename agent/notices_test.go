package agent

import (
	"strings"
	"testing"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
)

// The board holds each condition once for each object, since it was first
// raised, until it is cleared or its object is gone, and the last 200 records.
func TestBoard(t *testing.T) {
	p := &policy.Policy{UPSs: []policy.UPS{{Name: "a"}, {Name: "b"}}}
	silent := func(ups int32, clear bool) *shutdown.Notice {
		return &shutdown.Notice{Code: shutdown.SourceSilent, UPS: ups, Host: -1, B: -1, Clear: clear}
	}
	var b board
	start := shutdown.Instant(time.Hour)
	for i, c := range []struct {
		notice *shutdown.Notice
		news   bool
		raised int
	}{
		{silent(1, false), true, 1}, {silent(0, false), true, 2}, {silent(1, false), false, 2},
		{silent(1, true), true, 1}, {silent(1, true), false, 1},
	} {
		if news := b.take(start.Add(time.Duration(i)*time.Second), p, c.notice); news != c.news || len(b.Conditions) != c.raised {
			t.Errorf("notice %d: news %v, %d raised; want %v, %d", i, news, len(b.Conditions), c.news, c.raised)
		}
	}
	if c := b.Conditions[0]; c.UPS != "a" || !c.Since.Equal(wall(start.Add(time.Second))) || c.Code != "source-silent" {
		t.Errorf("left is %+v", c)
	}
	b.forget(&policy.Policy{UPSs: []policy.UPS{{Name: "b"}}})
	if len(b.Conditions) != 0 {
		t.Errorf("of a UPS that is gone: %+v", b.Conditions)
	}
	for i := range 300 {
		b.take(start, p, &shutdown.Notice{Code: shutdown.OutageOver, UPS: -1, Host: -1, A: int64(i)})
	}
	if n := len(b.Records); n != recordsKept || b.Records[n-1].Text != "outage 299 is over after 0s" {
		t.Errorf("%d records, the last says %q", n, b.Records[n-1].Text)
	}
}

// Aim: a condition of one host is that host's alone, and gone when it is cleared.
func TestMarkHost(t *testing.T) {
	a := New(Config{})
	a.seen.Policy = &policy.Policy{Hosts: []policy.Host{{Name: "a"}, {Name: "b"}}}
	a.MarkHost(shutdown.HostUnready, "nobody", true)
	a.MarkHost(shutdown.HostUnready, "b", true)
	a.MarkHost(shutdown.HostUnready, "a", false)
	if c := a.board.Conditions; len(c) != 1 || c[0].Code != "host-unready" || c[0].Host != "b" || c[0].UPS != "" {
		t.Errorf("%+v", c)
	}
	a.MarkHost(shutdown.HostUnready, "b", false)
	if c := a.board.Conditions; len(c) != 0 {
		t.Errorf("%+v", c)
	}
}

// Aim: a condition of one UPS that the core does not know of is raised once,
// stays for that UPS alone, and is cleared; a name that the policy does not have
// raises none.
func TestMark(t *testing.T) {
	a := New(Config{})
	a.Mark(shutdown.BatteryWorn, "b", true) // before there is a policy
	a.seen.Policy = &policy.Policy{UPSs: []policy.UPS{{Name: "a"}, {Name: "b"}}}
	a.Mark(shutdown.BatteryWorn, "nobody", true)
	if n := len(a.board.Conditions); n != 0 {
		t.Fatalf("%d conditions of nobody", n)
	}
	for range 2 {
		a.Mark(shutdown.BatteryWorn, "b", true)
		a.Mark(shutdown.TestOverdue, "a", true)
	}
	if c := a.board.Conditions; len(c) != 2 || c[0].Code != "battery-replace" || c[0].UPS != "b" || c[1].Code != "battery-test-overdue" || c[1].UPS != "a" {
		t.Errorf("%+v", c)
	}
	a.Mark(shutdown.BatteryWorn, "a", false)
	a.Mark(shutdown.BatteryWorn, "b", false)
	if c := a.board.Conditions; len(c) != 1 || c[0].UPS != "a" {
		t.Errorf("%+v", c)
	}
}

// Aim: a UPS on which nothing is left to stop has no margin, rather than one of
// fifty years. Method: its state, shown.
func TestNothingLeftHasNoMargin(t *testing.T) {
	s := shutdown.New()
	s.Step(1, &shutdown.Event{Kind: shutdown.Adopted, Policy: &policy.Policy{Site: policy.Site{ConfidencePermille: 950}, UPSs: []policy.UPS{{
		Name: "attic", RatedWatts: 900, OverheadWatts: 10, EfficiencyPermille: 850, Battery: policy.Battery{Chemistry: policy.VRLA, Volts: 24, AmpHours: 9},
	}}}}, nil)
	m := shutdown.Nothing
	m.Source, m.LoadWatts = shutdown.FromBattery, 5
	s.Step(2, &shutdown.Event{Kind: shutdown.Measured, Measurement: m}, nil)
	if s.Phase(0) != shutdown.AllDown || !s.Planned() {
		t.Fatalf("it is %s", s.Phase(0))
	}
	if v := view(s, s, new(reasons).of(s), s.Now); v.UPSs[0].MarginSeconds != nil || v.InHandSeconds != nil || v.MarginSeconds != nil || strings.Contains(v.Status, "in hand") {
		t.Errorf("the margin is %v: %s", v.UPSs[0].MarginSeconds, v.Status)
	}
}

// A message of a loss of input says that nothing will be stopped, where that is so: it
// may have been forgotten. Others do not.
func TestLossIsToldAsWatched(t *testing.T) {
	n := &shutdown.Notice{Code: shutdown.PhaseEntered, A: int64(shutdown.RideThrough), B: -1, Host: -1}
	p := &policy.Policy{UPSs: []policy.UPS{{Name: "rack"}}}
	for _, watched := range []bool{false, true} {
		p.Site.Observe = watched
		w := newsOf(0, p, n, 1)
		if w.Code != InputLost || strings.Contains(w.Text, "no host is stopped") != watched {
			t.Errorf("watched %v: %+v", watched, w)
		}
	}
}
