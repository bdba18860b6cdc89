package main

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbline/agent/history"
	"ebbline/agent/history/learn"
	"ebbline/agent/history/record"
	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/shutdown"
	"ebbline/simulate"
)

// heard copies what the core is told.
type heard struct {
	at     []shutdown.Instant
	events []shutdown.Event
}

func (h *heard) Event(at shutdown.Instant, e *shutdown.Event) {
	h.at, h.events = append(h.at, at), append(h.events, *e)
}
func (h *heard) Effect(shutdown.Instant, *shutdown.Effect) {}

// remember replays outages of a modelled room, one after the other, into a core with the
// agent's own observer, and gives the history that this leaves.
func remember(t *testing.T, p *policy.Policy, texts ...string) *history.Reader {
	t.Helper()
	path := filepath.Join(t.TempDir(), historyFile)
	store, err := history.Open(path, history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for n, text := range texts {
		o, errs := simulate.Parse(p, "warm", []byte(text))
		if errs != nil {
			t.Fatal(errs)
		}
		r, err := simulate.NewRunner(p, today())
		if err != nil {
			t.Fatal(err)
		}
		h, out := &heard{}, &simulate.Run{}
		r.Log = h
		r.Run(o.Truth(uint64(n+1)), out)
		later := time.Duration(n) * 30 * 24 * time.Hour
		s, now := shutdown.New(), shutdown.Instant(0)
		rec := record.New(store, func() time.Time { return time.Unix(0, int64(now)).UTC() }, nil)
		for i := range h.events {
			now = h.at[i].Add(later)
			of := s.Policy
			if of == nil {
				of = p
			}
			effects := s.Step(now, &h.events[i], nil)
			rec.Stepped(now, &h.events[i], effects, of, s)
			if i%500 == 0 {
				if err := store.Flush(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	if err := store.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	from, err := history.OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { from.Close() })
	return from
}

func attic(t *testing.T) *policy.Policy {
	t.Helper()
	text, err := os.ReadFile("../../testdata/policies/attic.hcl")
	if err != nil {
		t.Fatal(err)
	}
	p, _, diags := load.Load([]load.File{{Name: "attic.hcl", Bytes: text}}, load.Options{})
	if p == nil {
		t.Fatal(diags)
	}
	return p
}

// Aim: the agent learns from its own history how fast a room warms, from an outage and
// from a failure of the cooling, near what the room really is; the plan counts on it and
// says so; and what a broken sensor shows teaches nothing. Method: a modelled room that is
// warmed by 1 kW, with sensors that err by 0.2 K, through the agent's own observer, store
// and reader.
func TestRoomIsLearned(t *testing.T) {
	p := attic(t)
	const room = "room warms in 60m, loses 75W/K, from 22C, noise 0.2K\n"
	for name, texts := range map[string][]string{
		"an outage":              {room + "at 30m input lost\nat 4h input back\n"},
		"the cooling":            {room + "at 30m cooling fails\nat 4h cooling back\nat 9h input lost\nat 9h20s input back\n"},
		"an outage, and cooling": {room + "at 30m input lost\nat 4h input back\n", room + "at 30m cooling fails\nat 4h cooling back\nat 9h input lost\nat 9h20s input back\n"},
	} {
		q, notes := learn.Apply(t.Context(), p, remember(t, p, texts...), today())
		got := q.Temperatures[0].Room
		if got == nil {
			t.Errorf("%s: nothing is learned: %v", name, notes)
			continue
		}
		if math.Abs(got.TimeConstant.Minutes()/60-1) > 0.25 || math.Abs(got.WattsPerKelvin/75-1) > 0.25 || got.Learned != len(texts) {
			t.Errorf("%s: %+v, notes %v", name, got, notes)
		}
		if p.Temperatures[0].Room != nil {
			t.Fatal("the operator's policy has changed")
		}
		s, err := ifInputFailed(q, nil, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		v := planOf(s)
		if len(v.Rooms) == 0 || !strings.Contains(v.Rooms[0].words(), "measured") {
			t.Errorf("%s: the plan says %+v", name, v.Rooms)
		}
	}
	const cool = "room warms in 60m, loses 2000W/K, from 22C, noise 0.2K\n"
	for name, text := range map[string]string{
		"a drift": cool + "at 30m sensor inlet drifts +8K/h\nat 5h input lost\nat 5h20s input back\n",
		"a jump":  cool + "at 30m sensor inlet jumps +12\nat 5h input lost\nat 5h20s input back\n",
		"silence": room + "at 29m sensor ups silent 9h\nat 29m sensor inlet silent 9h\nat 30m input lost\nat 4h input back\n",
	} {
		if q, notes := learn.Apply(t.Context(), p, remember(t, p, text), today()); q.Temperatures[0].Room != nil || q.Temperatures[1].Room != nil {
			t.Errorf("%s taught %+v, %+v: %v", name, q.Temperatures[0].Room, q.Temperatures[1].Room, notes)
		}
	}
}
