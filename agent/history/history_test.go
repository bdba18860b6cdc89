package history

import (
	"context"
	"errors"
	"math"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// epoch is when the tests' agent clock stands at its first second.
var epoch = time.Date(2026, 1, 15, 3, 0, 0, 0, time.UTC)

// at is a moment so many seconds into a test, the wall clock an hour off the
// agent's.
func at(seconds float64) Moment {
	d := time.Duration(seconds * float64(time.Second))
	return Moment{shutdown.Instant(epoch.Add(time.Hour + d).UnixNano()), epoch.Add(d)}
}

// open makes a store that is closed at the end of the test.
func open(t testing.TB, path string, o Options) *Writer {
	t.Helper()
	s, err := Open(path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close(context.Background()) })
	return s
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func reader(t testing.TB, path string) *Reader {
	t.Helper()
	r, err := OpenReader(t.Context(), path)
	must(t, err)
	t.Cleanup(func() { r.Close() })
	return r
}

// shell asks Debian's sqlite3, an implementation apart from the one here.
func shell(t testing.TB, path, query string) string {
	t.Helper()
	c := exec.Command("sqlite3", "-batch", "-bail", path)
	c.Stdin = strings.NewReader(query + ";")
	out, err := c.CombinedOutput()
	if errors.Is(err, exec.ErrNotFound) {
		t.Fatal("these tests need sqlite3; on Debian: apt-get install sqlite3")
	}
	if err != nil {
		t.Fatalf("sqlite3 %s %q: %v\n%s", path, query, err, out)
	}
	return strings.TrimSpace(string(out))
}

// reading is a sample in normal mode.
func reading(seconds float64, during During) Sample {
	m := shutdown.Nothing
	m.Source, m.Input, m.Battery = shutdown.FromInput, shutdown.LineGood, shutdown.StatusNormal
	m.LoadWatts, m.ChargeTenths, m.InputDecivolts = 450, 1000, 2300
	if during == DuringOutage {
		m.Source, m.Input = shutdown.FromBattery, shutdown.LineBad
	}
	return Sample{UPS: "rack", Moment: at(seconds), During: during, Measurement: m}
}

func anOutage(number uint32, began float64) Outage {
	return Outage{
		Number: number, Site: "barn", Began: at(began), Ended: at(began + 900),
		Inputs: []Input{{"rack", at(began), at(began + 300)}, {"rack", at(began + 400), at(began + 600)}},
		Phases: []PhaseEntry{
			{"rack", shutdown.RideThrough, at(began)}, {"rack", shutdown.Shedding, at(began + 75)},
			{"rack", shutdown.Recovery, at(began + 600)}, {"rack", shutdown.Normal, at(began + 900)},
		},
	}
}

func aForecast(made float64) Forecast {
	return Forecast{
		Made: at(made), By: ByModel, Basis: "rated figures, 20 months old", LoadWatts: 450, ChargeTenths: 1000,
		Low: 1200 * time.Second, Likely: 1500 * time.Second, High: 1700 * time.Second,
	}
}

func aTest(began float64) Test {
	return Test{
		UPS: "rack", Began: at(began), Seen: at(began + 1400), Ended: at(began + 1400), Forecast: aForecast(began - 1),
		LoadWatts: 452, LeastWatts: 440, MostWatts: 471, ChargeTenths: 1000, EndChargeTenths: 200, EndMillivolts: 68400,
		BatteryTenthsC: 231, AmbientTenthsC: shutdown.Unread, BatteryAgeDays: 610,
		Stop: StopAtPercent, Measured: 1400 * time.Second,
		Verdict:  Verdict{CapacityTenths: 874, RatioPermille: 933, Weak: []string{"load drifted by 12 %", "charge was 98 %"}},
		Segments: []battery.Segment{{Watts: 440, Seconds: 700.5}, {Watts: 464, Seconds: 699.5}},
	}
}

// Aim: what is recorded is what is read, in every field, with figures that
// nobody has among them. Method: one or two of each kind through a real file.
func TestRoundTrip(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, path, Options{})
	on := Outage{Number: 8, Site: "barn", Began: at(5000), Inputs: []Input{{UPS: "rack", Lost: at(5000)}}}
	outages := []Outage{anOutage(7, 100), on}
	bare := Test{
		UPS: "loft", Began: at(9000), Seen: at(9001), LoadWatts: shutdown.Unread, LeastWatts: shutdown.Unread, MostWatts: shutdown.Unread,
		ChargeTenths: shutdown.Unread, EndChargeTenths: shutdown.Unread, EndMillivolts: shutdown.Unread,
		BatteryTenthsC: shutdown.Unread, AmbientTenthsC: -52, BatteryAgeDays: shutdown.Unread,
	}
	tests := []Test{aTest(2000), bare}
	unread := Sample{UPS: "rack", Moment: at(102), During: DuringTest, Measurement: shutdown.Nothing}
	unread.Testing = true
	samples := []Sample{reading(50, DuringNormal), reading(100, DuringOutage), unread}
	prediction := Prediction{"rack", aForecast(101)}
	stops := []Stop{
		{"vault", at(175), 7, "ssh-1", 61 * time.Second, Clean}, {"vault", at(1000), 0, "outlet-2", 300 * time.Second, Forced},
		{"vault", at(1500), 9, "", 301 * time.Second, GivenUp},
	}
	starts := []Start{{"vault", at(700), 7, "wake-1", 93500 * time.Millisecond, Clean}, {"vault", at(800), 7, "bmc-2", time.Hour, GivenUp}}
	draws := []Draw{{"vault", "loft", at(236), false, 41, 2, Shared}, {"vault", "rack", at(236), true, 85, 4, Clear}}
	for _, o := range outages {
		must(t, s.RecordOutage(o))
	}
	for _, r := range tests {
		must(t, s.RecordTest(r))
	}
	for _, r := range samples {
		must(t, s.RecordSample(r))
	}
	must(t, s.RecordPrediction(prediction))
	for _, r := range stops {
		must(t, s.RecordStop(r))
	}
	for _, r := range starts {
		must(t, s.RecordStart(r))
	}
	for _, r := range draws {
		must(t, s.RecordDraw(r))
	}
	must(t, s.Flush(t.Context()))

	r, ctx := reader(t, path), t.Context()
	same := func(what string, got any, err error, want any) {
		t.Helper()
		must(t, err)
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s (-recorded +read):\n%s", what, d)
		}
	}
	o, err := r.Outages(ctx, 10)
	same("outages", o, err, outages)
	o, err = r.Outages(ctx, 1)
	same("the last outage", o, err, outages[1:])
	te, err := r.Tests(ctx, "", 10)
	same("tests", te, err, tests)
	te, err = r.Tests(ctx, "rack", 10)
	same("the rack's tests", te, err, tests[:1])
	sa, err := r.Samples(ctx, "rack", 0, shutdown.Never, 10)
	same("samples", sa, err, samples)
	sa, err = r.Samples(ctx, "rack", at(60).At, at(101).At, 10)
	same("samples of a minute", sa, err, samples[1:2])
	sc, err := r.Predictions(ctx, "", 10)
	same("predictions", sc, err, []Scored{
		{Prediction: prediction},
		{Prediction: Prediction{"rack", tests[0].Forecast}, OfTest: true, Known: true, Lasted: 1400 * time.Second},
	})
	st, err := r.Stops(ctx, "vault", 10)
	same("stops", st, err, stops)
	sr, err := r.Starts(ctx, "vault", 10)
	same("starts", sr, err, starts)
	dr, err := r.Draws(ctx, "vault", 10)
	same("draws", dr, err, draws)
	if h := s.Health(); h != (Health{}) {
		t.Errorf("health %+v after a good write", h)
	}
}

// Aim: an operator can read the history with the ordinary tool. Method: every
// view, asked by Debian's sqlite3 while the store has the file open; columns
// and one row each, as people see them.
func TestViews(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, path, Options{})
	must(t, s.RecordOutage(anOutage(7, 100)))
	must(t, s.RecordTest(aTest(2000)))
	must(t, s.RecordSample(reading(50, DuringNormal)))
	must(t, s.RecordPrediction(Prediction{"rack", aForecast(101)}))
	must(t, s.RecordEnd(End{UPS: "rack", Since: at(100).At, At: at(1401), Measured: true}))
	must(t, s.RecordStop(Stop{"vault", at(175), 7, "ssh-1", 61 * time.Second, Clean}))
	must(t, s.RecordStart(Start{"vault", at(700), 7, "wake-1", 93 * time.Second, Clean}))
	must(t, s.RecordDraw(Draw{"vault", "rack", at(236), false, 85, 4, Clear}))
	must(t, s.Flush(t.Context()))
	for _, c := range []struct{ query, want string }{
		{"PRAGMA integrity_check", "ok"},
		{"SELECT * FROM outages LIMIT 1", "7|barn|2026-01-15T03:01:40Z|2026-01-15T03:16:40Z|900.0|rack|2026-01-15T03:01:40Z|2026-01-15T03:06:40Z|300.0"},
		{"SELECT * FROM phases LIMIT 1 OFFSET 1", "7|barn|rack|shedding|2026-01-15T03:02:55Z|75.0"},
		{"SELECT * FROM samples", "2026-01-15T03:00:50Z|rack|normal|input|good|normal|0|450|100.0|||||230.0"},
		{"SELECT ups, began_utc, stop, measured_seconds, predicted_low_seconds, predicted_likely_seconds, load_watts, capacity_percent, measured_over_likely, censored, weak FROM tests",
			"rack|2026-01-15T03:33:20Z|percent|1400.0|1200|1500|452|87.4|0.933|0|load drifted by 12 %; charge was 98 %"},
		{"SELECT * FROM predictions_scored LIMIT 1", "rack|2026-01-15T03:01:41Z|model|outage|rated figures, 20 months old|450|100.0|1200|1500|1700|measured|1300|0.867|1|1"},
		{"SELECT occasion, outcome, outcome_seconds FROM predictions_scored", "outage|measured|1300\ntest|measured|1400"},
		{"SELECT * FROM stopping_times", "vault|2026-01-15T03:02:55Z|7|ssh-1|61.0|clean"},
		{"SELECT * FROM starts", "vault|2026-01-15T03:11:40Z|7|wake-1|93.0|back"},
		{"SELECT * FROM draws", "vault|rack|2026-01-15T03:03:56Z|stopped|85|4|clear"},
	} {
		if got := shell(t, path, c.query); got != c.want {
			t.Errorf("%s\n got %s\nwant %s", c.query, got, c.want)
		}
	}
}

// Aim: a record may come again, as after a restart that replays a journal, and
// changes nothing; what comes later adds. Method: parts of an outage in turn,
// then all of it twice, over two lives of the store.
func TestRecordedAgain(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	whole := anOutage(7, 100)
	early := Outage{Number: 7, Site: "barn", Began: whole.Began, Inputs: []Input{{UPS: "rack", Lost: at(100)}}, Phases: whole.Phases[:1]}
	stepped := early
	stepped.Began.UTC = stepped.Began.UTC.Add(time.Hour) // the wall clock was set right meanwhile
	for _, flushBetween := range []bool{false, true} {
		s := open(t, path, Options{})
		for _, o := range []Outage{early, whole, stepped, whole, early} {
			must(t, s.RecordOutage(o))
			if flushBetween {
				must(t, s.Flush(t.Context()))
			}
		}
		must(t, s.RecordStop(Stop{"vault", at(175), 7, "ssh-1", 61 * time.Second, Clean}))
		must(t, s.RecordDraw(Draw{"vault", "rack", at(236), false, 85, 4, Clear}))
		must(t, s.Close(t.Context()))
	}
	r := reader(t, path)
	got, err := r.Outages(t.Context(), 10)
	must(t, err)
	if d := cmp.Diff([]Outage{whole}, got); d != "" {
		t.Errorf("(-recorded +read):\n%s", d)
	}
	if n := shell(t, path, "SELECT (SELECT count(*) FROM stop) + (SELECT count(*) FROM draw)"); n != "2" {
		t.Errorf("%s stops and draws, recorded twice each; want 2", n)
	}
}

// Aim: a prediction for a test is the one made before it, for good. Method: a
// later forecast is refused, another early one is not taken, in the queue and
// in the file.
func TestForecastStands(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, path, Options{})
	late := aTest(2000)
	late.Forecast.Made = at(2000.5)
	if err := s.RecordTest(late); err == nil || !strings.Contains(err.Error(), "500ms after it began") {
		t.Errorf("a prediction made after the start: %v", err)
	}
	first := aTest(2000)
	first.Ended, first.Stop = Moment{}, 0
	must(t, s.RecordTest(first))
	better := aTest(2000)
	better.Forecast.Likely = 1400 * time.Second
	for range 2 {
		must(t, s.RecordTest(better))
		must(t, s.RecordTest(first)) // a late word from before its end
		must(t, s.Flush(t.Context()))
		got, err := reader(t, path).Tests(t.Context(), "rack", 1)
		must(t, err)
		if d := cmp.Diff([]Test{aTest(2000)}, got); d != "" {
			t.Errorf("(-first forecast, last end +read):\n%s", d)
		}
	}
}

// Aim: a test that the agent did not live to end is seen to be one, and is
// closed as a lower bound. Method: three tests, one ended, one unfinished, one
// that begins later.
func TestUnfinishedTest(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, path, Options{})
	var all []Test
	for i, began := range []float64{1000, 5000, 9000} {
		r := aTest(began)
		if i > 0 {
			r.Ended, r.Stop, r.Seen, r.Measured = Moment{}, 0, at(began+600), 600*time.Second
			r.Verdict = Verdict{Weak: []string{"charge was 98 %"}}
		}
		all = append(all, r)
		must(t, s.RecordTest(r))
	}
	must(t, s.Flush(t.Context()))
	if got := shell(t, path, "SELECT stop, outcome FROM tests JOIN predictions_scored USING (ups) WHERE made_utc = '2026-01-15T04:23:19Z' AND began_utc = '2026-01-15T04:23:20Z'"); got != "unfinished|" {
		t.Errorf("while unfinished: %q", got)
	}
	must(t, s.CloseUnfinishedTests(at(9000).At))
	must(t, s.Flush(t.Context()))
	all[1].Ended, all[1].Stop = all[1].Seen, StopKilled
	all[1].Verdict = Verdict{Censored: true, Weak: []string{"charge was 98 %", "whoever followed it ended before the test did"}}
	got, err := reader(t, path).Tests(t.Context(), "rack", 10)
	must(t, err)
	if d := cmp.Diff(all, got); d != "" {
		t.Errorf("(-expected +read):\n%s", d)
	}
	p, err := reader(t, path).Predictions(t.Context(), "rack", 10)
	must(t, err)
	if !p[1].AtLeast || p[1].Lasted != 600*time.Second {
		t.Errorf("the killed test's prediction: %+v; want at least 600 s", p[1])
	}
}

// Aim: the outcome goes to the predictions meant, once. Method: predictions
// before, within and after a discharge, on two UPSs; two ends.
func TestOutcome(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, path, Options{})
	for _, p := range []struct {
		ups  string
		made float64
	}{{"rack", 50}, {"rack", 100}, {"rack", 160.9}, {"rack", 2000}, {"loft", 100}} {
		must(t, s.RecordPrediction(Prediction{p.ups, aForecast(p.made)}))
	}
	must(t, s.RecordEnd(End{UPS: "rack", Since: at(100).At, At: at(1400), Measured: true}))
	must(t, s.RecordEnd(End{UPS: "rack", By: ByUPS, Since: at(100).At, At: at(3000)})) // of which there is none
	must(t, s.RecordEnd(End{UPS: "rack", By: ByModel, Since: at(100).At, At: at(3000)}))
	must(t, s.Flush(t.Context()))
	got := shell(t, path, "SELECT ups, made_utc, outcome, outcome_seconds, low_held, inside FROM predictions_scored")
	want := strings.Join([]string{
		"rack|2026-01-15T03:00:50Z||||", "loft|2026-01-15T03:01:40Z||||", "rack|2026-01-15T03:01:40Z|measured|1300|1|1",
		"rack|2026-01-15T03:02:40Z|measured|1239|1|1", "rack|2026-01-15T03:33:20Z|at_least|1000||",
	}, "\n")
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// Aim: bad input is refused with what is wrong, and the store goes on. Method:
// one fault each.
func TestRefused(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "history.db"), Options{})
	spoil := func(f func(*Test)) error { r := aTest(2000); f(&r); return s.RecordTest(r) }
	for _, c := range []struct {
		err  error
		want string
	}{
		{s.RecordOutage(Outage{Number: 1, Began: at(1)}), "the site's name has 0 bytes"},
		{s.RecordOutage(Outage{Site: "barn", Began: at(1)}), "outages count from 1"},
		{s.RecordOutage(Outage{Site: "barn", Number: 1}), "not on both clocks"},
		{s.RecordOutage(Outage{Site: "barn", Number: 1, Began: at(5), Ended: at(4)}), "it ended 1s before it began"},
		{s.RecordOutage(Outage{Site: "barn", Number: 1, Began: at(5), Phases: []PhaseEntry{{"rack", 0, at(5)}}}), "no phase has the number 0"},
		{s.RecordSample(Sample{UPS: strings.Repeat("x", 201), Moment: at(1), During: DuringNormal}), "201 bytes; it must have 1 to 200"},
		{s.RecordSample(Sample{UPS: "rack", Moment: at(1)}), "not stated what goes on"},
		{s.RecordSample(Sample{UPS: "rack", Moment: at(1), During: DuringTest, Measurement: shutdown.Measurement{Source: 9}}), "its source 9"},
		{spoil(func(r *Test) { r.Stop = 0 }), "an ended test states what stopped it"},
		{spoil(func(r *Test) { r.Segments[0].Watts = math.NaN() }), "cannot hold NaN W"},
		{spoil(func(r *Test) { r.Segments[0].Seconds = math.Inf(1) }), "for +Inf s"},
		{spoil(func(r *Test) { r.Verdict.Weak = []string{"a\nb"} }), "is not one line"},
		{spoil(func(r *Test) { r.Measured = -1 }), "its measured time is -1ns"},
		{spoil(func(r *Test) { r.Segments = make([]battery.Segment, mostParts+1) }), "10001 segments; at most 10000"},
		{spoil(func(r *Test) { r.Forecast.Low = r.Forecast.High }), "do not rise"},
		{s.RecordPrediction(Prediction{"rack", Forecast{Made: at(1)}}), "not stated who predicted"},
		{s.RecordEnd(End{UPS: "rack", Since: at(2).At, At: at(1), Measured: true}), "before the predictions meant begin"},
		{s.RecordStop(Stop{Host: "vault", Asked: at(1)}), "not stated how it ended"},
		{s.RecordStart(Start{Host: "vault", Told: at(1), Ended: Forced}), "not stated how it ended"},
		{s.RecordDraw(Draw{Host: "vault", UPS: "rack", At: at(1), Watts: -3, Quality: Clear}), "state both without their sign"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.want) {
			t.Errorf("%v; want %q in it", c.err, c.want)
		}
	}
	if h := s.Health(); h.Waiting != 0 {
		t.Errorf("%d refused records wait", h.Waiting)
	}
	if _, err := Open("x", Options{MaxBytes: 100}); err == nil || !strings.Contains(err.Error(), "8388608 or more") {
		t.Errorf("a size of 100 bytes: %v", err)
	}
	must(t, s.Close(t.Context()))
	if err := s.RecordSample(reading(1, DuringNormal)); !errors.Is(err, ErrClosed) {
		t.Errorf("after the end: %v", err)
	}
	if err := s.Flush(t.Context()); !errors.Is(err, ErrClosed) {
		t.Errorf("flush after the end: %v", err)
	}
	must(t, s.Close(t.Context()))
}

// Aim: normal mode is thinned, an event is dense and brings what was just
// before. Method: an hour of a reading each two seconds, with one change of
// each kind, an outage of a minute and the recharging behind it; what is kept is
// listed by second.
func TestThinning(t *testing.T) {
	thin := thinner{every: 5 * time.Minute, lanes: map[string]*lane{}}
	var kept []float64
	take := func(seconds float64, during During, change func(*Sample)) {
		s := reading(seconds, during)
		change(&s)
		for _, k := range thin.take(s) {
			kept = append(kept, k.At.Sub(at(0).At).Seconds())
			if k.During != during {
				t.Errorf("the sample of second %g is kept as during %d, not %d", seconds, k.During, during)
			}
		}
	}
	expect := func(what string, want ...float64) {
		t.Helper()
		if !slices.Equal(kept, want) {
			t.Errorf("%s: kept %v, want %v", what, kept, want)
		}
		kept = nil
	}
	same := func(*Sample) {}
	for s := 0.0; s < 1000; s += 2 {
		take(s, DuringNormal, func(m *Sample) { m.LoadWatts += int64(s) % 7 }) // noise
	}
	expect("steady", 0, 300, 600, 900)
	take(1000, DuringNormal, func(m *Sample) { m.InputDecivolts = 2010 })
	expect("a dip to 87 %", 1000)
	for s := 1002.0; s < 1100; s += 2 {
		take(s, DuringNormal, same)
	}
	expect("its end", 1002)
	for s := 1100.0; s < 1140; s += 2 {
		take(s, DuringNormal, func(m *Sample) { m.LoadWatts = 400 + 60*(int64(s)/2%2) })
	}
	expect("a restless load", 1100, 1130)
	for s := 1140.0; s < 1200; s += 2 {
		take(s, DuringNormal, func(m *Sample) { m.LoadWatts = 400 })
	}
	kept = nil
	for s := 1200.0; s < 1206; s += 2 {
		take(s, DuringOutage, same)
	}
	// Sixteen from before, and then each.
	var want []float64
	for s := 1168.0; s < 1206; s += 2 {
		want = append(want, s)
	}
	expect("the start of an outage", want...)
	for s := 1206.0; s < 1300; s += 2 {
		take(s, DuringOutage, func(m *Sample) { m.Source, m.Input = shutdown.FromInput, shutdown.LineGood })
	}
	expect("recharging", 1206, 1236, 1266, 1296)
	take(1300, DuringNormal, same)
	expect("normal again", 1300)
}

// Aim: what cannot be written waits within bounds, and what matters most stays.
// Method: a writer that fails; far more of everything than there is room for.
func TestQueueBounds(t *testing.T) {
	s := newWriter(&file{path: "nowhere"}, Options{})
	go s.run(func(context.Context, *batch) (outcome, error) { return outcome{}, errors.New("nowhere: no disk") })
	t.Cleanup(func() { s.Close(context.Background()) })
	must(t, s.RecordOutage(anOutage(1, 100)))
	must(t, s.RecordTest(aTest(2000)))
	if err := s.Flush(t.Context()); err == nil {
		t.Fatal("a write that failed is no error")
	}
	for i := range 100 {
		must(t, s.RecordSample(reading(float64(400*i), DuringNormal)))
	}
	for i := range mostSamples - 50 {
		must(t, s.RecordSample(reading(50_000+float64(i), DuringTest)))
		if i%500 == 0 {
			s.Flush(t.Context())
		}
	}
	s.mu.Lock()
	normal, event := len(s.queue.normal), len(s.queue.event)
	oldest := s.queue.normal[0].At
	s.mu.Unlock()
	if normal != 50 || event != mostSamples-50 || oldest != at(400*50).At {
		t.Errorf("%d normal samples from %v on and %d of a test wait; want the last 50 normal ones and %d", normal, oldest, event, mostSamples-50)
	}
	for i := range 20_000 {
		must(t, s.RecordSample(reading(100_000+float64(i), DuringTest)))
		must(t, s.RecordStop(Stop{"vault", at(float64(i)), 1, "ssh-1", time.Second, Clean}))
	}
	for i := range 2000 { // one more outage in the queue, however often it is recorded
		must(t, s.RecordOutage(Outage{Number: 2, Site: "barn", Began: at(50), Inputs: []Input{{UPS: "rack", Lost: at(float64(50 + i%3))}}}))
	}
	s.Flush(t.Context())
	h := s.Health()
	want := Health{Problem: "The history nowhere: no disk", Waiting: 2 + 1 + mostSamples + mostFacts, DroppedSamples: 100 + 20_000 - 50, DroppedRecords: 20_000 - mostFacts}
	if h != want {
		t.Errorf("health\n%+v\nwant\n%+v", h, want)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.queue.outages) != 2 || len(s.queue.outages[1].Inputs) != 3 || len(s.queue.tests) != 1 {
		t.Errorf("%d outages and %d tests wait; want 2 and 1, the second outage with three losses", len(s.queue.outages), len(s.queue.tests))
	}
}

// Aim: a disk that hangs holds nobody up, and is told. Method: a writer that
// never returns, in virtual time.
func TestDiskHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newWriter(&file{path: "h.db"}, Options{})
		hang := make(chan struct{})
		go s.run(func(context.Context, *batch) (outcome, error) { <-hang; return outcome{}, nil })
		must(t, s.RecordOutage(anOutage(1, 100)))
		synctest.Wait()
		began := time.Now()
		must(t, s.RecordOutage(anOutage(2, 5000)))
		must(t, s.RecordSample(reading(1, DuringNormal)))
		if h := s.Health(); h.Problem != "" || h.Waiting != 3 {
			t.Errorf("at once: %+v; want no problem and 3 waiting", h)
		}
		if d := time.Since(began); d != 0 {
			t.Errorf("recording waited %v", d)
		}
		time.Sleep(writeWithin + 1)
		if h := s.Health(); !strings.Contains(h.Problem, "has not answered for 10s") {
			t.Errorf("after ten seconds: %+v", h)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := s.Flush(ctx); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("flush: %v", err)
		}
		began = time.Now()
		if err := s.Close(t.Context()); err == nil || time.Since(began) != closeWithin {
			t.Errorf("close: %v after %v; want an error after %v", err, time.Since(began), closeWithin)
		}
		close(hang)
	})
}

// Aim: samples are written though nothing urgent comes, and urgent records soon.
// Method: a writer that counts, in virtual time.
func TestWhenWritten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newWriter(&file{path: "h.db"}, Options{})
		var mu sync.Mutex
		var sizes []int
		go s.run(func(_ context.Context, b *batch) (outcome, error) {
			mu.Lock()
			defer mu.Unlock()
			sizes = append(sizes, b.size())
			return outcome{}, nil
		})
		written := func() []int {
			mu.Lock()
			defer mu.Unlock()
			return slices.Clone(sizes)
		}
		for i := range 3 {
			must(t, s.RecordSample(reading(float64(i), DuringTest)))
		}
		synctest.Wait()
		atOnce := written()
		time.Sleep(gatherFor)
		synctest.Wait()
		later := written()
		must(t, s.RecordOutage(anOutage(1, 100)))
		synctest.Wait()
		urgent := written()
		must(t, s.Close(t.Context()))
		if len(atOnce) != 0 || !slices.Equal(later, []int{3}) || !slices.Equal(urgent, []int{3, 1}) {
			t.Errorf("batches %v at once, %v after ten seconds, %v with an outage; want none, 3, and 3 and 1", atOnce, later, urgent)
		}
	})
}
