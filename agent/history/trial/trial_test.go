package trial

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbline/agent/history"
	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

const day = 20_000

var began = shutdown.Instant(day * 24 * int64(time.Hour)).Add(12 * time.Hour)

// moment is so long after the start of the test, on both clocks.
func moment(after time.Duration) history.Moment {
	at := began.Add(after)
	return history.Moment{At: at, UTC: time.Unix(0, int64(at)).UTC()}
}

// bench is a UPS with a load of known watts on it and nothing else. Its battery
// is that of a worked example: new ones sustain 300 W for 10 min, 228 for 15, 186
// for 20 and 138 for 30 (illustrative table beside IEEE 450's rate method).
func bench() *policy.Policy {
	b := policy.Battery{Chemistry: policy.VRLA, Volts: 24, InstalledDay: day}
	for _, p := range [][2]int64{{138, 30}, {186, 20}, {228, 15}, {300, 10}} {
		b.Chart = append(b.Chart, policy.ChartPoint{Watts: p[0], Runtime: time.Duration(p[1]) * time.Minute})
	}
	return &policy.Policy{
		Site: policy.Site{Name: "bench", RideThrough: time.Minute, Reserve: time.Minute, ConfidencePermille: 950},
		UPSs: []policy.UPS{{Name: "rack", RatedWatts: 300, Battery: b}},
	}
}

// room is the same with a host of 186 W on it.
func room() *policy.Policy {
	p := bench()
	p.Hosts = []policy.Host{{
		Name: "disks", Priority: 10, Watts: 186, StoppingWatts: 186, StopsIn: time.Minute, StartsIn: time.Minute, RunsOn: -1, FedBy: []int{0},
		Methods: []policy.Method{{Kind: policy.BySSH, GivesUp: 2 * time.Minute, SSH: &policy.SSH{Address: "192.0.2.1"}}},
	}}
	return p
}

// reading is the UPS in normal mode, full, with the worked example's load.
func reading(change ...func(*shutdown.Measurement)) shutdown.Measurement {
	m := shutdown.Nothing
	m.Source, m.Input, m.Battery = shutdown.FromInput, shutdown.LineGood, shutdown.StatusNormal
	m.LoadWatts, m.ChargeTenths, m.TemperatureTenthsC, m.Millivolts = 186, 1000, 250, 27_000
	for _, c := range change {
		c(&m)
	}
	return m
}

func celsius(tenths int64) func(*shutdown.Measurement) {
	return func(m *shutdown.Measurement) { m.TemperatureTenthsC = tenths }
}

func charge(tenths int64) func(*shutdown.Measurement) {
	return func(m *shutdown.Measurement) { m.ChargeTenths = tenths }
}

func setup(p *policy.Policy, end string, change ...func(*Setup)) Setup {
	stop, err := Parse(end)
	if err != nil {
		panic(err)
	}
	s := Setup{Policy: p, Own: p, Day: day, Stop: stop, Dummy: len(p.Hosts) == 0}
	for _, c := range change {
		c(&s)
	}
	return s
}

func prepare(t *testing.T, s Setup, m shutdown.Measurement) *Trial {
	t.Helper()
	tr, err := New(s, moment(-time.Second), m)
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

// discharge reads every two seconds until the test is told to stop, or for so
// long at most; at says what is read.
func discharge(tr *Trial, most time.Duration, at func(time.Duration) shutdown.Measurement) (Advice, time.Duration) {
	tr.Begin(began)
	for d := time.Duration(0); d <= most; d += 2 * time.Second {
		if a := tr.Read(moment(d), at(d)); a.Stop != 0 {
			return a, d
		}
	}
	return Advice{}, most
}

// steady is a battery that is empty after so long, with a gauge that counts.
func steady(empty time.Duration, m shutdown.Measurement) func(time.Duration) shutdown.Measurement {
	return func(d time.Duration) shutdown.Measurement {
		n := m
		n.Source, n.Input = shutdown.FromBattery, shutdown.LineBad
		if n.ChargeTenths != shutdown.Unread {
			n.ChargeTenths = m.ChargeTenths * int64(max(0, empty-d)) / int64(empty)
		}
		if d >= empty {
			n.Source, n.LoadWatts = shutdown.FromNothing, 0
		}
		return n
	}
}

// Aim: a full test is judged by the rate method, as published: 186 W held for
// 15.0 min, which new ones hold for 20, is 81.6 % by rate (186/228), 75.0 % by
// time; and a colder or warmer battery by IEEE 450's rate factors (the same
// sources as the battery's own test).
func TestRateMethod(t *testing.T) {
	for tenths, want := range map[int64]float64{250: 81.6, 200: 81.58 * 1.056, 300: 81.58 * 0.956} {
		m := reading(celsius(tenths))
		tr := prepare(t, setup(bench(), "empty"), m)
		if a, _ := discharge(tr, time.Hour, steady(15*time.Minute, m)); a.Stop != history.StopAtCutOff {
			t.Fatalf("at %d tenths of a degree it ends by %v: %s", tenths, a.Stop, a.Text)
		}
		r := tr.End(moment(15*time.Minute), history.StopAtCutOff, true)
		if got := float64(r.Verdict.CapacityTenths) / 10; got < want-0.6 || got > want+0.6 {
			t.Errorf("at %d tenths of a degree the capacity is %.1f %%, want %.1f", tenths, got, want)
		}
		if r.Measured != 15*time.Minute || r.Verdict.Censored || len(r.Verdict.Weak) > 0 {
			t.Errorf("measured %v, verdict %+v", r.Measured, r.Verdict)
		}
	}
}

// Aim: what makes a test weak is said: a load that drifted by more than a tenth,
// a battery that was not full, a temperature beyond 15 to 35 degrees, a UPS that
// was silent.
func TestWeak(t *testing.T) {
	for name, c := range map[string]struct {
		start shutdown.Measurement
		at    func(time.Duration, *shutdown.Measurement)
		want  string
	}{
		"sound": {start: reading()},
		"cold":  {start: reading(celsius(80)), want: "8 °C is outside of 15 to 35"},
		"part":  {start: reading(charge(850)), want: "the battery was not full: 85 %"},
		"drift": {start: reading(), want: "the load drifted from 186 to 220 W", at: func(d time.Duration, m *shutdown.Measurement) {
			if d > 5*time.Minute && m.LoadWatts > 0 {
				m.LoadWatts = 220
			}
		}},
	} {
		t.Run(name, func(t *testing.T) {
			tr := prepare(t, setup(bench(), "empty"), c.start)
			b := steady(12*time.Minute, c.start)
			discharge(tr, time.Hour, func(d time.Duration) shutdown.Measurement {
				m := b(d)
				if c.at != nil {
					c.at(d, &m)
				}
				return m
			})
			r := tr.End(moment(12*time.Minute), history.StopAtCutOff, true)
			if got := strings.Join(r.Verdict.Weak, "; "); got != c.want {
				t.Errorf("weak for %q, want %q", got, c.want)
			}
		})
	}
	tr := prepare(t, setup(bench(), "empty"), reading())
	tr.Begin(began)
	on := steady(12*time.Minute, reading())
	tr.Read(moment(0), on(0))
	tr.Read(moment(time.Minute), on(time.Minute))
	if r := tr.End(moment(time.Minute), history.StopByOperator, true); !slices.Contains(r.Verdict.Weak, "the UPS was silent for more than 30s") {
		t.Errorf("a minute without a reading: weak for %q", r.Verdict.Weak)
	}
}

// Aim: a load that drifted counts as it was: its time is in the segments.
func TestSegments(t *testing.T) {
	tr := prepare(t, setup(bench(), "12m"), reading())
	a, _ := discharge(tr, time.Hour, func(d time.Duration) shutdown.Measurement {
		m := reading(charge(shutdown.Unread))
		m.Source = shutdown.FromBattery
		if d >= 4*time.Minute {
			m.LoadWatts = 100
		}
		return m
	})
	r := tr.End(moment(12*time.Minute), 0, true)
	want := []battery.Segment{{Watts: 186, Seconds: 240}, {Watts: 100, Seconds: 480}}
	if a.Stop != history.StopAtTime || !slices.Equal(r.Segments, want) || r.LoadWatts != 129 || r.LeastWatts != 100 || r.MostWatts != 186 {
		t.Errorf("it ends by %v; segments %v, mean %d W, from %d to %d", a.Stop, r.Segments, r.LoadWatts, r.LeastWatts, r.MostWatts)
	}
}

// Aim: a test that was cut short is a lower bound, and says nothing of the
// capacity unless the UPS told a charge at its end that means something.
func TestCensored(t *testing.T) {
	for name, c := range map[string]struct {
		start    shutdown.Measurement
		capacity bool
	}{
		"no gauge":            {reading(charge(shutdown.Unread)), false},
		"a gauge that counts": {reading(), true},
	} {
		tr := prepare(t, setup(bench(), "empty"), c.start)
		discharge(tr, 9*time.Minute, steady(15*time.Minute, c.start))
		r := tr.End(moment(9*time.Minute), history.StopByOperator, true)
		if !r.Verdict.Censored || r.Verdict.RatioPermille != 0 || (r.Verdict.CapacityTenths > 0) != c.capacity {
			t.Errorf("%s: %+v", name, r.Verdict)
		}
	}
}

// Aim: a test to a charge ends at it, and was predicted for it. What the operator
// dallies afterwards is not the test's.
func TestToCharge(t *testing.T) {
	tr := prepare(t, setup(bench(), "40%"), reading())
	f := tr.Forecast()
	low, _, high := tr.Runtime()
	if f.Low >= low || f.High >= high || f.Made.At >= began {
		t.Errorf("predicted %v to %v for 40 %%, and %v to %v for the whole", f.Low, f.High, low, high)
	}
	on := steady(20*time.Minute, reading())
	a, at := discharge(tr, time.Hour, on)
	if a.Stop != history.StopAtPercent || at != 12*time.Minute {
		t.Fatalf("it ends by %v after %v: %s", a.Stop, at, a.Text)
	}
	for d := at; d < at+time.Minute; d += 2 * time.Second {
		if again := tr.Read(moment(d), on(d)); again != a {
			t.Fatalf("after the word to stop it says %+v", again)
		}
	}
	r := tr.End(moment(at+time.Minute), history.StopByOperator, true)
	if r.Stop != history.StopAtPercent || r.Measured != at || r.EndChargeTenths != 400 || r.Verdict.Censored || r.Verdict.RatioPermille == 0 {
		t.Errorf("%v after %v at %d tenths: %+v", r.Stop, r.Measured, r.EndChargeTenths, r.Verdict)
	}
}

// Aim: where hosts hang on the UPS, a test stops while what is left still carries
// the whole shutdown plan and the way to the plug; at once when the UPS says that
// its battery is low; and the first one at half the charge. Method: the plan is
// that of the real core.
func TestSafe(t *testing.T) {
	again := setup(room(), "reserve")
	tr := prepare(t, again, reading())
	a, at := discharge(tr, time.Hour, steady(19*time.Minute, reading()))
	// The host needs its whole allowance and the reserve: 3 min of some 20.
	if a.Stop != history.StopAtReserve || at < 5*time.Minute || at > 15*time.Minute {
		t.Errorf("a test to the reserve ends by %v after %v: %s", a.Stop, at, a.Text)
	}
	tr = prepare(t, setup(room(), "30m"), reading())
	if a, at := discharge(tr, time.Hour, steady(19*time.Minute, reading())); a.Stop != history.StopUnsafe || at > 15*time.Minute {
		t.Errorf("a test for a time beyond ends by %v after %v: %s", a.Stop, at, a.Text)
	}
	quick := room()
	quick.Site.Reserve, quick.Hosts[0].StopsIn, quick.Hosts[0].Methods[0].GivesUp = 10*time.Second, 10*time.Second, 20*time.Second
	tr = prepare(t, setup(quick, "reserve", func(s *Setup) { s.First = true }), reading())
	if a, at := discharge(tr, time.Hour, steady(16*time.Minute, reading())); a.Stop != history.StopAtPercent || at != 8*time.Minute {
		t.Errorf("the first test ends by %v after %v: %s", a.Stop, at, a.Text)
	}
	tr = prepare(t, again, reading())
	weak := steady(19*time.Minute, reading())
	if a, at := discharge(tr, time.Hour, func(d time.Duration) shutdown.Measurement {
		m := weak(d)
		if d >= 90*time.Second {
			m.Battery = shutdown.StatusLow
		}
		return m
	}); a.Stop != history.StopUnsafe || at != 90*time.Second {
		t.Errorf("at the UPS's word it ends by %v after %v: %s", a.Stop, at, a.Text)
	}
	if tr.Blind(tr.last.Add(5*time.Second)) || !tr.Blind(tr.last.Add(30*time.Second)) {
		t.Error("a silence of 30 s must end a test, and one of 5 s not")
	}
}

// Aim: no test that shows nothing, or that is not safe, begins; and the error
// says what to do.
func TestRefused(t *testing.T) {
	none := func(m *shutdown.Measurement) { m.LoadWatts = shutdown.Unread }
	from := func(s shutdown.Source, testing bool) func(*shutdown.Measurement) {
		return func(m *shutdown.Measurement) { m.Source, m.Testing = s, testing }
	}
	tight := room()
	tight.Hosts[0].Methods[0].GivesUp = 25 * time.Minute
	for _, c := range []struct {
		s    Setup
		m    shutdown.Measurement
		want string
	}{
		{setup(bench(), "empty"), reading(none), "give them with --load"},
		{setup(bench(), "empty"), reading(func(m *shutdown.Measurement) { m.LoadWatts = 0 }), "A test without a load shows nothing"},
		{setup(bench(), "empty"), reading(from(shutdown.FromBattery, false)), "is on battery already"},
		{setup(bench(), "empty"), reading(from(shutdown.FromBattery, true)), "tests its battery by itself already"},
		{setup(bench(), "empty"), reading(from(shutdown.FromBypass, false)), "not in normal mode"},
		{setup(bench(), "empty"), reading(charge(700)), "at 70 %"},
		{setup(bench(), "40%"), reading(charge(shutdown.Unread)), "does not say its charge"},
		{setup(bench(), "22V"), reading(func(m *shutdown.Measurement) { m.Millivolts = shutdown.Unread }), "does not say its battery's voltage"},
		{setup(room(), "empty"), reading(), "--dummy"},
		{setup(tight, "reserve"), reading(), "is not safe"},
	} {
		_, err := New(c.s, moment(0), c.m)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v; want %q in it", err, c.want)
		}
	}
	for _, text := range []string{"", "x", "0%", "99%", "-3V", "5s", "1e9h", "12", "NaN%"} {
		if s, err := Parse(text); err == nil {
			t.Errorf("%q is read as %v", text, s)
		}
	}
}

// Aim: a load of the operator's own stands in place of what the UPS says, and a
// UPS that says nothing at all can be tested by the clock.
func TestByHand(t *testing.T) {
	tr := prepare(t, setup(bench(), "empty", func(s *Setup) { s.Load, s.Celsius, s.CelsiusSet = 186, 25, true }), shutdown.Nothing)
	discharge(tr, 14*time.Minute, func(time.Duration) shutdown.Measurement { return shutdown.Nothing })
	r := tr.End(moment(15*time.Minute), history.StopAtCutOff, true)
	if r.Measured != 15*time.Minute || r.LoadWatts != 186 || r.Verdict.CapacityTenths < 810 || r.Verdict.CapacityTenths > 822 {
		t.Errorf("measured %v at %d W: %+v", r.Measured, r.LoadWatts, r.Verdict)
	}
}

// Aim: a step of the wall's clock in the middle moves nothing. Method: the clock
// goes back by a day, and forward by a year.
func TestClockJumps(t *testing.T) {
	for _, jump := range []time.Duration{-24 * time.Hour, 365 * 24 * time.Hour} {
		tr := prepare(t, setup(bench(), "empty"), reading())
		tr.Begin(began)
		on := steady(15*time.Minute, reading())
		for d := time.Duration(0); d <= 15*time.Minute; d += 2 * time.Second {
			m := moment(d)
			if d > 7*time.Minute {
				m.UTC = m.UTC.Add(jump)
			}
			tr.Read(m, on(d))
		}
		end := moment(15 * time.Minute)
		end.UTC = end.UTC.Add(jump)
		r := tr.End(end, history.StopAtCutOff, true)
		if r.Measured != 15*time.Minute || r.Verdict.CapacityTenths < 810 || r.Verdict.CapacityTenths > 822 {
			t.Errorf("with a jump of %v it measures %v, %+v", jump, r.Measured, r.Verdict)
		}
	}
}

// Aim: whoever follows a test may be killed at any time, and what was measured
// until then stays, as a lower bound. Method: the record as it is after each
// reading goes into a real history, and the next test closes it.
func TestKilled(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	store, err := history.Open(path, history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	tr := prepare(t, setup(bench(), "empty"), reading())
	tr.Begin(began)
	on := steady(15*time.Minute, reading())
	for d := time.Duration(0); d <= 6*time.Minute; d += 10 * time.Second {
		tr.Read(moment(d), on(d))
		if err := store.RecordTest(tr.Record()); err != nil {
			t.Fatal(err)
		}
	}
	if err := store.CloseUnfinishedTests(moment(time.Hour).At); err != nil {
		t.Fatal(err)
	}
	if err := store.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	from, err := history.OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer from.Close()
	tests, err := from.Tests(t.Context(), "rack", 10)
	if err != nil || len(tests) != 1 {
		t.Fatalf("%d tests, %v", len(tests), err)
	}
	r := tests[0]
	if r.Stop != history.StopKilled || r.Measured != 6*time.Minute || !r.Verdict.Censored || r.Forecast.Likely == 0 || len(r.Segments) != 1 {
		t.Errorf("%+v", r)
	}
}
