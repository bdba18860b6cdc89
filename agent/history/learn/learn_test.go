package learn

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbline/agent/history"
	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

const day = 20_000

var noon = shutdown.Instant(day * 24 * int64(time.Hour)).Add(12 * time.Hour)

func at(after time.Duration) history.Moment {
	i := noon.Add(after)
	return history.Moment{At: i, UTC: time.Unix(0, int64(i)).UTC()}
}

// home is a UPS that carries 180 W for a quarter of an hour by its figures, and a
// host.
func home() *policy.Policy {
	return &policy.Policy{
		Site: policy.Site{Name: "home", RideThrough: time.Minute, Reserve: time.Minute, ConfidencePermille: 950,
			Restore: policy.Restore{StableFor: time.Minute, Stagger: time.Second}},
		UPSs: []policy.UPS{{Name: "rack", RatedWatts: 900, OverheadWatts: 18, EfficiencyPermille: 850,
			Battery: policy.Battery{Chemistry: policy.VRLA, Volts: 24, AmpHours: 9, InstalledDay: day - 100, TemperatureC: 25, TemperatureSet: true}}},
		Hosts: []policy.Host{{Name: "desk", Priority: 10, Watts: 100, StoppingWatts: 100, StopsIn: 30 * time.Second, StartsIn: time.Minute, RunsOn: -1, FedBy: []int{0},
			Methods: []policy.Method{{Kind: policy.BySSH, GivesUp: 2 * time.Minute, SSH: &policy.SSH{Address: "192.0.2.1"}}}, Probe: policy.Probe{QuietFor: time.Second}}},
	}
}

// read fills a history and reads it.
func read(t *testing.T, fill func(*history.Writer)) *history.Reader {
	t.Helper()
	path := filepath.Join(t.TempDir(), "history.db")
	store, err := history.Open(path, history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	fill(store)
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

// tested is a discharge test at 180 W that ended so, at a charge.
func tested(ago, took time.Duration, stop history.StopRule, endTenths int64) history.Test {
	return history.Test{
		UPS: "rack", Began: at(-ago), Seen: at(took - ago), Ended: at(took - ago), Stop: stop, Measured: took,
		LoadWatts: 180, LeastWatts: 180, MostWatts: 180, ChargeTenths: 1000, EndChargeTenths: endTenths, EndMillivolts: shutdown.Unread,
		BatteryTenthsC: 250, AmbientTenthsC: shutdown.Unread, BatteryAgeDays: shutdown.Unread,
		Segments: []battery.Segment{{Watts: 180, Seconds: took.Seconds()}},
	}
}

// full is how long a new battery of the policy carries 180 W.
func full(t *testing.T) time.Duration {
	u := home().UPSs[0]
	u.Battery.InstalledDay = day
	b, err := battery.New(&u, day)
	if err != nil {
		t.Fatal(err)
	}
	_, likely, _ := b.Project(battery.Charge{}, 180)
	return likely
}

// Aim: a battery is called worn by a discharge to its end that shows less than
// 80 %, and by one stopped at a charge only if whatever the gauge means shows it: a
// good battery with a gauge that counts is not. Method: at half the charge half of
// the time has passed where the gauge counts, four fifths where it follows the
// voltage (testdata/battery/README.md).
func TestWorn(t *testing.T) {
	whole := full(t)
	for name, c := range map[string]struct {
		test history.Test
		worn bool
	}{
		"to its end, good":      {tested(time.Hour, whole*95/100, history.StopAtCutOff, 0), false},
		"to its end, worn":      {tested(time.Hour, whole/2, history.StopAtCutOff, 0), true},
		"to half, good":         {tested(time.Hour, whole/2, history.StopAtPercent, 500), false},
		"to half, worn for all": {tested(time.Hour, whole/4, history.StopAtPercent, 500), true},
		"a minute":              {tested(time.Hour, time.Minute, history.StopByOperator, 950), false},
	} {
		p := home()
		from := read(t, func(s *history.Writer) { s.RecordTest(c.test) })
		r, err := Battery(t.Context(), from, p, 0, day)
		if err != nil {
			t.Fatal(err)
		}
		worn := false
		for _, d := range Dues(&p.UPSs[0], r, day) {
			worn = worn || d.Code == shutdown.BatteryWorn
		}
		if worn != c.worn {
			t.Errorf("%s: worn %v; found %q", name, worn, r.Measured[0].Capacity())
		}
	}
}

// Aim: an outage counts from its own beginning, though another one ended within
// the minute before it; and what says nothing of a battery is no warning.
func TestOutagesCloseBy(t *testing.T) {
	p := home()
	from := read(t, func(s *history.Writer) {
		o := history.Outage{Number: 1, Site: "home", Began: at(0), Ended: at(time.Hour)}
		reading := func(d time.Duration, source shutdown.Source, tenths int64) {
			m := shutdown.Nothing
			m.Source, m.LoadWatts, m.ChargeTenths, m.TemperatureTenthsC = source, 180, tenths, 250
			if source == shutdown.FromNothing {
				m.LoadWatts = 0
			}
			s.RecordSample(history.Sample{UPS: "rack", Moment: at(d), During: history.DuringOutage, Measurement: m})
		}
		loss := func(lost, back time.Duration, from int64) {
			o.Inputs = append(o.Inputs, history.Input{UPS: "rack", Lost: at(lost), Back: at(back)})
			for d := lost; d < back; d += 10 * time.Second {
				reading(d, shutdown.FromBattery, from)
			}
		}
		reading(-10*time.Second, shutdown.FromInput, 1000)
		loss(0, 90*time.Second, 970)
		reading(90*time.Second, shutdown.FromInput, 970)
		loss(100*time.Second, 15*time.Minute, 400)
		reading(15*time.Minute-time.Second, shutdown.FromNothing, 0)
		reading(15*time.Minute, shutdown.FromInput, 0)
		s.RecordOutage(o)
	})
	r, err := Battery(t.Context(), from, p, 0, day)
	if err != nil || len(r.Measured) != 2 {
		t.Fatalf("%d discharges, %v", len(r.Measured), err)
	}
	first, second := &r.Measured[0], &r.Measured[1]
	if d := &first.Discharge; d.StartCharge != 1 || d.Ended == battery.AtCutOff || first.Seconds() < 80 {
		t.Errorf("the first: %+v", d)
	}
	if d := &second.Discharge; d.StartCharge != 0.97 || d.Ended != battery.AtCutOff || second.Seconds() < 780 || !second.Judged.Used {
		t.Errorf("the second: %+v, %+v", d, second.Judged)
	}
	_, notes := Apply(t.Context(), p, from, day)
	for _, n := range notes {
		if n.Warning {
			t.Errorf("a warning: %s", n)
		}
	}
}

// Aim: what a UPS said on the way of a test to the end, or of an outage to the
// end, narrows what a test says that was stopped at a charge. Method: a test
// stopped at 50 % after half of the time of a new battery, with a test to the end
// that left no readings; with one whose readings counted; and with an outage whose
// readings lagged until 50 % meant that five sixths were gone.
func TestGaugeLearned(t *testing.T) {
	whole := full(t)
	capacity := func(fill func(*history.Writer, func(history.During))) (low, high float64) {
		from := read(t, func(s *history.Writer) {
			s.RecordTest(tested(time.Hour, whole/2, history.StopAtPercent, 500))
			fill(s, func(during history.During) {
				for d := time.Duration(0); d < whole; d += 5 * time.Second {
					m := shutdown.Nothing
					part := d.Seconds() / whole.Seconds()
					m.Source, m.LoadWatts, m.ChargeTenths = shutdown.FromBattery, 180, int64(1000*(1-part))
					if during == history.DuringOutage {
						m.ChargeTenths = int64(1000 * (1 - part*part*part*part))
					}
					s.RecordSample(history.Sample{UPS: "rack", Moment: at(d - 30*time.Hour), During: during, Measurement: m})
				}
			})
		})
		r, err := Battery(t.Context(), from, home(), 0, day)
		if err != nil || len(r.Measured) != 2 {
			t.Fatalf("%d discharges, %v", len(r.Measured), err)
		}
		return r.Measured[1].Judged.Range()
	}
	test := tested(30*time.Hour, whole, history.StopAtCutOff, 0)
	low, high := capacity(func(s *history.Writer, _ func(history.During)) { s.RecordTest(test) })
	counts, most := capacity(func(s *history.Writer, readings func(history.During)) {
		s.RecordTest(test)
		readings(history.DuringTest)
	})
	if counts < low || counts > 1 || most < 1 || most-counts > 0.7*(high-low) {
		t.Errorf("%v to %v with a gauge known to count, %v to %v without", counts, most, low, high)
	}
	least, sags := capacity(func(s *history.Writer, readings func(history.During)) {
		s.RecordOutage(history.Outage{Number: 1, Site: "home", Began: at(-30 * time.Hour), Ended: at(whole - 29*time.Hour),
			Inputs: []history.Input{{UPS: "rack", Lost: at(-30 * time.Hour), Back: at(whole - 29*time.Hour)}}})
		readings(history.DuringOutage)
		m := shutdown.Nothing
		m.Source, m.LoadWatts = shutdown.FromNothing, 0
		s.RecordSample(history.Sample{UPS: "rack", Moment: at(whole - 30*time.Hour), During: history.DuringOutage, Measurement: m})
	})
	if sags >= counts || least >= sags {
		t.Errorf("%v to %v with a gauge known to lag, %v to %v with one that counts", least, sags, counts, most)
	}
}

// Aim: an absurd test is refused, said, and kept; the forecast stays as it was.
func TestAbsurd(t *testing.T) {
	p := home()
	from := read(t, func(s *history.Writer) { s.RecordTest(tested(time.Hour, 10*full(t), history.StopAtCutOff, 0)) })
	q, notes := Apply(t.Context(), p, from, day)
	if q.UPSs[0].Battery.Model != nil || len(notes) != 1 || !notes[0].Warning || !strings.Contains(notes[0].Text, "which none does") {
		t.Errorf("%+v\n%v", q.UPSs[0].Battery, notes)
	}
	if tests, err := from.Tests(t.Context(), "rack", 10); err != nil || len(tests) != 1 {
		t.Errorf("%d tests, %v", len(tests), err)
	}
}

// Aim: a stop that took longer than the whole allowance is a warning, and the plan
// keeps to the allowance; so is one far beyond what the policy expects.
func TestStops(t *testing.T) {
	for took, want := range map[time.Duration]struct {
		plan    time.Duration
		warning string
	}{
		20 * time.Second: {30 * time.Second, ""},
		35 * time.Second: {35 * time.Second, ""},
		80 * time.Second: {80 * time.Second, `Write stops_in = "1m20s"`},
		3 * time.Minute:  {2 * time.Minute, "longer than its whole allowance"},
	} {
		from := read(t, func(s *history.Writer) {
			s.RecordStop(history.Stop{Host: "desk", Asked: at(-time.Hour), Outage: 1, Method: "ssh", Took: took, Ended: history.Clean})
		})
		q, notes := Apply(t.Context(), home(), from, day)
		warnings := ""
		for _, n := range notes {
			if n.Warning {
				warnings += n.Text
			}
		}
		if q.Hosts[0].StopsIn != want.plan || (want.warning == "") != (warnings == "") || !strings.Contains(warnings, want.warning) {
			t.Errorf("a stop of %v: planned for %v; %q", took, q.Hosts[0].StopsIn, warnings)
		}
	}
}

// Aim: a discharge of hours at a light load, beside one at a heavy load, shows what the UPS
// itself draws, and that is said; the heavy one alone shows nothing of it. Method: a
// battery as its figures have it, in a UPS that draws three times what is usual.
func TestOwnDrawIsSaid(t *testing.T) {
	p := home()
	u := p.UPSs[0]
	u.Battery.InstalledDay = day
	b, err := battery.New(&u, day)
	if err != nil {
		t.Fatal(err)
	}
	carried := func(ago time.Duration, watts int64) history.Test {
		took := time.Duration(b.Model.Runtime(battery.Charge{}, float64(watts)+54)) * time.Second
		x := tested(ago, took, history.StopAtCutOff, 0)
		x.LoadWatts, x.LeastWatts, x.MostWatts = watts, watts, watts
		x.Segments = []battery.Segment{{Watts: float64(watts), Seconds: took.Seconds()}}
		return x
	}
	for _, c := range []struct {
		loads []int64
		said  bool
	}{{[]int64{300}, false}, {[]int64{300, 20}, true}} {
		from := read(t, func(s *history.Writer) {
			for i, watts := range c.loads {
				if err := s.RecordTest(carried(time.Duration(10-i)*24*time.Hour, watts)); err != nil {
					t.Fatal(err)
				}
			}
		})
		q, notes := Apply(t.Context(), home(), from, day)
		said := ""
		for _, n := range notes {
			if n.Attribute == "overhead_watts" {
				said = n.String()
			}
		}
		own := q.UPSs[0].OverheadWatts
		t.Logf("%v: %d W; %s", c.loads, own, said)
		if (said != "") != c.said || c.said && (own < 40 || own > 70 || !strings.Contains(said, "draws ")) {
			t.Errorf("after discharges at %v W the UPS draws %d W itself; said: %q", c.loads, own, said)
		}
	}
}
