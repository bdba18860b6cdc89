package survey

import (
	"math"
	"strings"
	"testing"
	"time"

	"ebbline/policy/electrical"
)

// Aim: what an agent kept says the same as a recording, and what the UPS counted and
// no poll saw is named. Method: two days of minutes, with hours of silence, one dip of
// which the event is kept too, one event from before the first minute that is left, and
// a count that rises by five and starts anew.
func TestPast(t *testing.T) {
	start := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	zero := time.Duration(start.UnixNano())
	p := &Past{Name: "rack", Began: time.Unix(0, 0).UTC(), Nominal: 120, Every: 2 * time.Second}
	p.Minutes = func(each func(Minute) error) error {
		for i := range 2 * 1440 {
			if i >= 600 && i < 720 {
				continue // silence
			}
			m := Minute{At: zero + time.Duration(i)*time.Minute, Readings: 30, Low: 119, Mean: 120, High: 121, Hertz: 60, Bads: 7}
			switch {
			case i == 1000:
				m.Low = 90
			case i > 2000:
				m.Bads = 2 // since it started anew
			case i > 1000:
				m.Bads = 10
			case i == 10:
				m.Low, m.Mean, m.High, m.Hertz, m.Bads = math.NaN(), math.NaN(), math.NaN(), math.NaN(), math.NaN()
			}
			if err := each(m); err != nil {
				return err
			}
		}
		return nil
	}
	sag := func(at time.Duration) electrical.Event {
		return electrical.Event{From: at, To: at + 4*time.Second, Extreme: 75, Common: 75, Readings: 2}
	}
	p.Events = []electrical.Event{sag(zero - time.Hour), sag(zero + 1000*time.Minute)}
	in := NewInput(0, 0)
	if err := in.Take(p); err != nil {
		t.Fatal(err)
	}
	r := in.Recordings[0]
	if r.Known != 2*24*time.Hour-121*time.Minute || r.Gaps != 1 || r.Hertz != 60 || r.Bads != 5 || !r.Counts || r.First != zero-time.Hour {
		t.Errorf("%+v", r)
	}
	if len(in.Events) != 2 || in.Events[1].Class.String() != "temporary sag" || in.Events[1].Shortest != 2*time.Second {
		t.Errorf("%+v", in.Events)
	}
	if h := in.Hour; h.From != (zero+1000*time.Minute).Truncate(time.Hour) || h.Low[40] != 75 {
		t.Errorf("the worst hour is at %v", start.Add(h.From-zero))
	}
	if in.Limits.OutsideA != 0 || in.Limits.Means != 2*144-12 {
		t.Errorf("%+v", in.Limits)
	}
	if text := strings.Join(in.Unseen(), "\n"); !strings.Contains(text, "counted 5 times") || !strings.Contains(text, "the other 3 have no depth") {
		t.Error(text)
	}
	if err := NewInput(0, 0).Take(&Past{Minutes: func(func(Minute) error) error { return nil }}); err != nil {
		t.Error(err)
	}
}
