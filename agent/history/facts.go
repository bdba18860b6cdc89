package history

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// Moment is one instant on both clocks: the agent's, which all times here are
// reckoned by, and the wall's as it stood, for people. The zero moment is none.
type Moment struct {
	At  shutdown.Instant
	UTC time.Time
}

// When gives the moment of another instant, with the wall clock as it stands at m.
func (m Moment) When(at shutdown.Instant) Moment {
	return Moment{at, m.UTC.Add(at.Sub(m.At))}
}

func (m Moment) known() bool { return m.At != 0 }

// Outage is one outage as far as it has gone. It may be recorded again and
// again: what is recorded later adds to what was before and never takes away.
type Outage struct {
	Number uint32
	Site   string
	Began  Moment
	Ended  Moment // none while it is on
	Inputs []Input
	Phases []PhaseEntry
}

// Input is one time that a UPS lost its input. An outage may have several.
type Input struct {
	UPS  string
	Lost Moment
	Back Moment // none while it is away
}

// PhaseEntry is when a UPS entered a phase.
type PhaseEntry struct {
	UPS     string
	Phase   shutdown.Phase
	Entered Moment
}

// During is what goes on around a sample. It decides how long it is kept.
type During uint8

const (
	DuringNormal During = iota + 1 // thinned, and the first to go
	DuringOutage                   // until all is normal again
	DuringTest
)

// Sample is one reading of one UPS.
type Sample struct {
	UPS string
	Moment
	During During
	shutdown.Measurement
}

// Maker is who made a prediction.
type Maker uint8

const (
	ByModel Maker = iota + 1 // the battery model, at the load of that moment
	ByPlan                   // the battery model, under the plan of that moment
	ByUPS                    // the UPS itself; its one figure stands in all three places
)

// String gives the word in the file.
func (m Maker) String() string { return [...]string{"", "model", "plan", "ups"}[m] }

// Forecast is a prediction of how long a battery lasts from the moment made.
type Forecast struct {
	Made              Moment
	By                Maker
	Basis             string // what it rests on: "rated figures, 20 months old"
	LoadWatts         int64
	ChargeTenths      int64
	Low, Likely, High time.Duration
}

// Prediction is a forecast for one UPS in an outage. A discharge test brings
// its own forecast along; do not record that one twice.
type Prediction struct {
	UPS string
	Forecast
}

// StopRule is what ended a discharge test.
type StopRule uint8

const (
	StopAtPercent  StopRule = iota + 1 // the charge it was to go down to
	StopAtVoltage                      // the voltage it was to go down to
	StopAtTime                         // the time it was to last
	StopAtCutOff                       // the battery was empty
	StopUnsafe                         // a limit was passed, or the input failed
	StopByOperator                     // called off
	StopKilled                         // whoever followed it ended before the test did
	StopAtReserve                      // what was left could just carry the shutdown plan
)

var stopRules = [...]string{"", "percent", "voltage", "time", "cut-off", "unsafe", "operator", "killed", "reserve"}

// String gives the word in the file.
func (r StopRule) String() string { return stopRules[r] }

// Test is one guided discharge test as far as it has gone. It may be recorded
// again as it goes on; the forecast that was recorded first stands. Figures that
// nobody has are [shutdown.Unread].
type Test struct {
	UPS      string
	Began    Moment
	Seen     Moment   // of the last reading that this rests on
	Ended    Moment   // none while it runs
	Forecast Forecast // of the time to the stop planned, made before the start; zero when none was

	LoadWatts       int64 // mean
	LeastWatts      int64
	MostWatts       int64
	ChargeTenths    int64 // at the start
	EndChargeTenths int64
	EndMillivolts   int64
	BatteryTenthsC  int64 // at the start
	AmbientTenthsC  int64
	BatteryAgeDays  int64
	Stop            StopRule // zero while it runs
	Measured        time.Duration
	Verdict         Verdict
	Segments        []battery.Segment
}

// Verdict is what a test says of the battery.
type Verdict struct {
	CapacityTenths int64    // percent of rated by the rate method; 0 when not worked out
	RatioPermille  int64    // measured over likely; 0 when not worked out
	Censored       bool     // cut short: what was measured is only a lower bound
	Weak           []string // why it counts for less; none for a sound test
}

// Ending is how the stop or the start of a host ended.
type Ending uint8

const (
	Clean   Ending = iota + 1 // down after an orderly stop, or back
	Forced                    // power was cut: an orderly stop takes at least so long
	GivenUp                   // the allowance was used up: it takes at least so long
)

// Stop is one host's stopping time, measured.
type Stop struct {
	Host   string
	Asked  Moment
	Outage uint32 // its number; 0 outside of one
	Method string
	Took   time.Duration // from asked to proven down
	Ended  Ending
}

// Start is one host's starting time, measured.
type Start struct {
	Host   string
	Told   Moment
	Outage uint32
	Method string
	Took   time.Duration // from told to answering again
	Ended  Ending        // Clean or GivenUp
}

// Quality is what a measured draw is worth.
type Quality uint8

const (
	Clear  Quality = iota + 1 // nothing else changed about then
	Shared                    // other changes lie close by
)

// String gives the word in the file.
func (q Quality) String() string { return [...]string{"", "clear", "shared"}[q] }

// Draw is the step in a UPS's load when a host stopped or started. A host with
// two feeds has one on each.
type Draw struct {
	Host, UPS  string
	At         Moment
	Started    bool // else it stopped
	Watts      int64
	NoiseWatts int64 // how far the load wandered by itself about then
	Quality    Quality
}

// End is what came of the predictions for a UPS that were made since an instant
// and whose outcome is open: the battery's end, if it was measured; else the
// battery lasted at least until then.
type End struct {
	UPS      string
	By       Maker // zero: whoever made them
	Since    shutdown.Instant
	At       Moment
	Measured bool
}

// kill closes the tests that nobody will end any more.
type kill struct{ before shutdown.Instant }

const (
	longestName = 200
	longestText = 1000
	mostParts   = 10_000 // inputs, phases or segments in one record
	longest     = 100 * 365 * 24 * time.Hour
)

// faults collects what is wrong with a record.
type faults []error

func (f *faults) add(wrong bool, format string, args ...any) {
	if wrong {
		*f = append(*f, fmt.Errorf(format, args...))
	}
}

func (f *faults) name(what, s string) {
	f.add(s == "" || len(s) > longestName, "the %s's name has %d bytes; it must have 1 to %d", what, len(s), longestName)
}

func (f *faults) text(what, s string) {
	f.add(len(s) > longestText, "the %s has %d bytes; at most %d are kept", what, len(s), longestText)
}

func (f *faults) moment(what string, m Moment) {
	f.add(m.At <= 0 || m.UTC.Year() < 1970 || m.UTC.Year() > 9999, "the moment it %s (%d, %v) is not on both clocks", what, m.At, m.UTC)
}

// after asks for a moment that may be missing, and is not before another.
func (f *faults) after(what string, m, from Moment) {
	if m.known() {
		f.moment(what, m)
		f.add(m.At < from.At, "it %s %v before it began", what, from.At.Sub(m.At))
	}
}

func (f *faults) lasts(what string, d time.Duration) {
	f.add(d < 0 || d > longest, "%s is %v; a duration from 0 to %v is meant", what, d, longest)
}

func (f *faults) parts(what string, n int) {
	f.add(n > mostParts, "it has %d %s; at most %d are kept", n, what, mostParts)
}

func (f faults) of(record string) error {
	if len(f) == 0 {
		return nil
	}
	return fmt.Errorf("history: the %s is refused: %w", record, errors.Join(f...))
}

func (o *Outage) check() error {
	var f faults
	f.name("site", o.Site)
	f.add(o.Number == 0, "its number is 0; outages count from 1")
	f.moment("began", o.Began)
	f.after("ended", o.Ended, o.Began)
	f.parts("losses of input", len(o.Inputs))
	f.parts("phases", len(o.Phases))
	for _, i := range o.Inputs {
		f.name("UPS", i.UPS)
		f.moment("lost the input of "+i.UPS, i.Lost)
		f.after("got back the input of "+i.UPS, i.Back, i.Lost)
	}
	for _, p := range o.Phases {
		f.name("UPS", p.UPS)
		f.moment("saw "+p.UPS+" enter a phase", p.Entered)
		f.add(p.Phase < shutdown.Normal || p.Phase > shutdown.Recovery, "no phase has the number %d", p.Phase)
	}
	return f.of("outage")
}

func (s *Sample) check() error {
	var f faults
	f.name("UPS", s.UPS)
	f.moment("was read", s.Moment)
	f.add(s.During < DuringNormal || s.During > DuringTest, "it is not stated what goes on around it")
	f.add(s.Source > shutdown.FromNothing || s.Input > shutdown.LineBad || s.Battery > shutdown.StatusDepleted,
		"its source %d, input %d or battery %d is none", s.Source, s.Input, s.Battery)
	return f.of("sample")
}

func (c *Forecast) check(f *faults) {
	f.moment("was predicted", c.Made)
	f.add(c.By < ByModel || c.By > ByUPS, "it is not stated who predicted")
	f.text("basis", c.Basis)
	f.lasts("the low prediction", c.Low)
	f.lasts("the high prediction", c.High)
	f.add(c.Low > c.Likely || c.Likely > c.High, "low %v, likely %v and high %v do not rise", c.Low, c.Likely, c.High)
}

func (p *Prediction) check() error {
	var f faults
	f.name("UPS", p.UPS)
	p.Forecast.check(&f)
	return f.of("prediction")
}

func (e *End) check() error {
	var f faults
	f.name("UPS", e.UPS)
	f.add(e.By > ByUPS, "no maker has the number %d", e.By)
	f.moment("ended", e.At)
	f.add(e.At.At < e.Since, "it ends before the predictions meant begin")
	return f.of("end of a discharge")
}

func (t *Test) check() error {
	var f faults
	f.name("UPS", t.UPS)
	f.moment("began", t.Began)
	f.moment("was last seen", t.Seen)
	f.after("was last seen", t.Seen, t.Began)
	f.after("ended", t.Ended, t.Began)
	f.add(t.Stop > StopAtReserve, "no stop has the number %d", t.Stop)
	f.add(t.Ended.known() != (t.Stop != 0), "an ended test states what stopped it, and a running one does not")
	if t.forecast() {
		t.Forecast.check(&f)
		f.add(t.Forecast.Made.At > t.Began.At, "its prediction was made %v after it began; only one made before counts", t.Forecast.Made.At.Sub(t.Began.At))
	}
	f.lasts("its measured time", t.Measured)
	f.add(t.Verdict.CapacityTenths < 0 || t.Verdict.RatioPermille < 0, "its verdict is below zero")
	f.text("list of reasons", t.weak())
	for _, w := range t.Verdict.Weak {
		f.add(w == "" || strings.Contains(w, "\n"), "the reason %q is not one line", w)
	}
	f.parts("segments", len(t.Segments))
	for _, s := range t.Segments {
		sound := s.Watts >= 0 && s.Seconds >= 0 && !math.IsInf(s.Watts, 0) && !math.IsInf(s.Seconds, 0)
		f.add(!sound, "a segment cannot hold %g W for %g s", s.Watts, s.Seconds)
	}
	return f.of("test")
}

func (t *Test) forecast() bool { return t.Forecast.Made.known() }

func (t *Test) weak() string { return strings.Join(t.Verdict.Weak, "\n") }

func (s *Stop) check() error {
	var f faults
	f.name("host", s.Host)
	f.moment("was asked", s.Asked)
	f.text("method", s.Method)
	f.lasts("the time it took", s.Took)
	f.add(s.Ended < Clean || s.Ended > GivenUp, "it is not stated how it ended")
	return f.of("stop of a host")
}

func (s *Start) check() error {
	var f faults
	f.name("host", s.Host)
	f.moment("was told", s.Told)
	f.text("method", s.Method)
	f.lasts("the time it took", s.Took)
	f.add(s.Ended != Clean && s.Ended != GivenUp, "it is not stated how it ended")
	return f.of("start of a host")
}

func (d *Draw) check() error {
	var f faults
	f.name("host", d.Host)
	f.name("UPS", d.UPS)
	f.moment("was seen", d.At)
	f.add(d.Watts < 0 || d.NoiseWatts < 0, "%d W with %d W of noise is no draw; state both without their sign", d.Watts, d.NoiseWatts)
	f.add(d.Quality < Clear || d.Quality > Shared, "its quality is not stated")
	return f.of("draw")
}

// same tells whether two records are of one outage.
func (o *Outage) same(p *Outage) bool {
	return o.Site == p.Site && o.Number == p.Number && o.Began.At == p.Began.At
}

// absorb adds a later record of the same outage.
func (o *Outage) absorb(p Outage) {
	if p.Ended.known() {
		o.Ended = p.Ended
	}
	for _, in := range p.Inputs {
		i := slices.IndexFunc(o.Inputs, func(i Input) bool { return i.UPS == in.UPS && i.Lost.At == in.Lost.At })
		switch {
		case i < 0:
			o.Inputs = append(o.Inputs, in)
		case in.Back.known():
			o.Inputs[i].Back = in.Back
		}
	}
	for _, e := range p.Phases {
		if !slices.ContainsFunc(o.Phases, func(f PhaseEntry) bool {
			return f.UPS == e.UPS && f.Entered.At == e.Entered.At && f.Phase == e.Phase
		}) {
			o.Phases = append(o.Phases, e)
		}
	}
}
