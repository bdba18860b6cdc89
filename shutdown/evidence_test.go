package shutdown

import (
	"fmt"
	"testing"
	"time"
)

// Aim: an agent that runs is not told by a UPS that its own host has no power. Method:
// the agent's host on one UPS or on two, in every pair of what the UPS said before and
// what it says of its input beside "output off", given three times a second apart: its
// word is doubted where no other UPS carries that host, and then no host is without
// power, the input is what it says of that, and the load goes on; elsewhere it counts.
func TestOffOfTheOwnFeed(t *testing.T) {
	off := Measurement{Source: FromNothing, LoadWatts: 0, ChargeTenths: Unread, RuntimeSeconds: Unread, LowSeconds: Unread,
		OnBatterySecs: Unread, Millivolts: Unread, TemperatureTenthsC: Unread, InputDecivolts: Unread}
	for _, fed := range [][]int{{0}, {0, 1}, {1}} {
		for _, other := range []Source{FromInput, FromBattery, FromNothing} {
			for _, before := range []Source{0, FromInput, FromBattery, FromBypass} {
				for _, line := range []Line{0, LineGood, LineBad} {
					p := home()
					p.UPSs = append(p.UPSs, p.UPSs[0])
					p.UPSs[1].Name = "v"
					p.Hosts = append(p.Hosts, p.Hosts[0])
					p.Hosts[1].Name, p.Hosts[1].Self, p.Hosts[1].FedBy = "own", true, fed
					name := fmt.Sprintf("own host on %v, the other UPS from %s, before from %s, input %s", fed, other, before, line)
					s := New()
					at := DayBegins(20100)
					step := func(i int32, m Measurement) {
						at = at.Add(time.Second)
						s.Step(at, &Event{Kind: Measured, UPS: i, Measurement: m}, nil)
					}
					s.Step(at, &Event{Kind: Adopted, Policy: p}, nil)
					m := Nothing
					m.Source, m.LoadWatts = other, 300
					for range 3 {
						step(1, m)
					}
					if m.Source = before; before != 0 {
						step(0, m)
					}
					m = off
					m.Input = line
					for range 3 {
						step(0, m)
					}
					wrong := len(fed) == 1 && fed[0] == 0 || len(fed) == 2 && other == FromNothing
					u := &s.UPSs[0]
					if u.Dead() == wrong || s.toldOf(OutputSaidOff, 0) != wrong || s.toldOf(OutputIsOff, 0) == wrong {
						t.Errorf("%s: off %v, said to be doubtful %v", name, u.Dead(), s.toldOf(OutputSaidOff, 0))
					}
					if !wrong {
						continue
					}
					if s.Hosts[0].State == Dark || s.Hosts[1].State == Dark {
						t.Errorf("%s: the host is %s, the agent's own %s", name, s.Hosts[0].State, s.Hosts[1].State)
					}
					if away := line == LineBad || line == 0 && before == FromBattery; u.OnBattery() != away {
						t.Errorf("%s: on battery %v", name, u.OnBattery())
					}
					if before != 0 && u.Load <= 0 {
						t.Errorf("%s: its load is %.0f W", name, u.Load)
					}
					m.Source, m.LoadWatts = FromInput, 300
					step(0, m)
					if s.toldOf(OutputSaidOff, 0) {
						t.Errorf("%s: doubted though it says no more so", name)
					}
				}
			}
		}
	}
}

// Aim: a card's own count of seconds on battery dates a loss only where it can be that.
// Method: the first answers after adoption are of a UPS on battery; the count is a minute's,
// a day's and one second, and the most that RFC 1628 lets it be.
func TestSecondsOnBattery(t *testing.T) {
	for _, c := range []struct {
		count int64
		want  time.Duration
	}{{60, time.Minute}, {24*3600 + 1, 0}, {1<<31 - 1, 0}} {
		s, at := New(), DayBegins(20100)
		s.Step(at, &Event{Kind: Adopted, Policy: home()}, nil)
		m := Nothing
		m.Source, m.Input, m.LoadWatts, m.ChargeTenths, m.OnBatterySecs = FromBattery, LineBad, 100, 1000, c.count
		s.Step(at, &Event{Kind: Measured, Measurement: m}, nil)
		if got := at.Sub(s.Began); got != c.want {
			t.Errorf("after a count of %d s the loss is %s old, want %s", c.count, got, c.want)
		}
	}
}
