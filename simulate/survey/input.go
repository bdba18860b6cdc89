package survey

import (
	"cmp"
	"errors"
	"io"
	"math"
	"slices"
	"time"

	"ebbline/policy/electrical"
)

const (
	mostEvents = 10_000 // kept one by one
	looksAt    = 2000   // rows by which a recording is settled
	tooFar     = 3      // intervals without a row are a gap

	// A sensor that says one value so often and so long is stuck: the voltage of a
	// real supply wanders by tenths of a volt within a minute (engineering values, no
	// source). One in whole volts, or one that is made up, may stand still for longer.
	stuckRows  = 60
	stuckAfter = 2 * time.Minute
	stuckDull  = 3 * time.Hour
)

// Recording is what one recording is.
type Recording struct {
	Name      string
	Began     time.Time     // of which its times count; zero where they are no dates
	First     time.Duration // its first row
	Nominal   float64       // volts, or 100 of a recording in percent
	InPercent bool
	Lines     int
	Hertz     float64       // nominal; 0 where nothing says it
	Every     time.Duration // between rows; 0 of one of changes, where a value holds until the next
	Rows      int
	Span      time.Duration // from the first row to the end
	Known     time.Duration // of it, in which the voltage is known
	Gaps      int
	Stuck     int           // stretches in which its sensor stood still
	StuckFor  time.Duration // they are not known
	Minutes   bool          // an agent kept it: polls, summed up by the minute
	Counts    bool          // the UPS counts bad inputs itself
	Bads      int           // how many it counted in that time
}

// Found is one event with what is said of it.
type Found struct {
	electrical.Event
	Recording int
	Class     electrical.Class
	EN50160   string
	IEEE1366  string
	ITIC      electrical.Place
	Incident  int // of all incidents, from 0
	// Shortest and Longest bound its length, which is known to the interval between
	// readings. Longest is 0 where nobody knows.
	Shortest, Longest time.Duration
	Doubtful          bool // within these bounds it may be of another class
}

// Input is what the recordings of an input say.
type Input struct {
	Recordings []Recording
	Events     []Found // the first so many
	Uncounted  int     // events beyond those: they are in no figure but this
	Incidents  []Incident
	Limits     Limits
	Hour       Hour
	Frequency  Frequency

	nominal, hertz float64
}

// NewInput makes a survey. Nominal volts and hertz that are not zero stand for
// every recording.
func NewInput(nominal, hertz float64) *Input {
	return &Input{nominal: nominal, hertz: hertz, Frequency: Frequency{Low: math.Inf(1), High: math.Inf(-1)},
		Limits: Limits{LowMean: math.Inf(1), HighMean: math.Inf(-1)}, Hour: Hour{Recording: -1}}
}

// Known is for how long the voltage is known.
func (in *Input) Known() time.Duration {
	var sum time.Duration
	for i := range in.Recordings {
		sum += in.Recordings[i].Known
	}
	return sum
}

// Limits is for how long the voltage stood outside limits that are for steady
// voltage: interruptions, and events of up to a minute, are not in it.
type Limits struct {
	OutsideA, OutsideB time.Duration // of ANSI C84.1, utilization
	// Means are ten-minute means (EN 50160), of each line, of windows at least half
	// known and without an interruption; Beyond10 are not within 10 % of nominal,
	// BeyondAll not within +10 and -15 %.
	Means, Beyond10, BeyondAll int
	LowMean, HighMean          float64 // percent
}

// Frequency is what was recorded of it, in hertz; Known is 0 where it was not.
type Frequency struct {
	Known, Outside time.Duration // and farther than 1 % from nominal
	Low, High      float64
}

// take takes a frequency that held for a while.
func (f *Frequency) take(hertz, nominal float64, d time.Duration) {
	f.Known += d
	f.Low, f.High = min(f.Low, hertz), max(f.High, hertz)
	if math.Abs(hertz-nominal) > 0.01*nominal {
		f.Outside += d
	}
}

// Hour is the worst hour: the lowest and the highest voltage in each minute, in
// percent; NaN where nothing is known.
type Hour struct {
	Recording int // -1 for none
	From      time.Duration
	Low, High [60]float64
	worth     float64
	spread    float64
}

// run is a value that holds for a while.
type run struct {
	from, to time.Duration
	rows     int
	values   [3]float64
	hertz    float64
}

// meter follows one recording.
type meter struct {
	in      *Input
	rec     *Recording
	lively  bool
	detect  electrical.Detector
	run     run
	began   bool
	found   []electrical.Event
	first   time.Duration
	dropped int

	pendingA, pendingB time.Duration // outside while an event is under way
	window             window
	hour               Hour
	hourAt             int64
}

// Read takes a recording. What is wrong with it is an [Error], and then nothing of
// it counts. Tell is called now and then with the rows so far; it may be nil, and
// an error of it ends the reading.
func (in *Input) Read(name string, from io.Reader, tell func(rows int) error) error {
	r, err := open(name, from)
	if err != nil {
		return err
	}
	var head []row
	for len(head) < looksAt {
		next, err := r.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		head = append(head, next)
	}
	if len(head) == 0 {
		return r.bad(1, "the recording has a header and no row.")
	}
	s, err := r.settle(head, in.nominal, in.hertz)
	if err != nil {
		return err
	}
	trial := *in // so that a recording with an error leaves nothing behind
	m := trial.meter(Recording{Name: name, Began: r.first, Nominal: s.nominal, InPercent: r.inPercent(), Lines: r.lines, Hertz: s.hertz, Every: s.every}, s.lively)
	for i := range head {
		m.take(&head[i])
	}
	for {
		next, err := r.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		m.take(&next)
		if tell != nil && r.rows%(1<<16) == 0 {
			if err := tell(r.rows); err != nil {
				return err
			}
		}
	}
	m.rec.Rows = r.rows
	if !m.end() {
		return r.bad(1, "no row has a sample.")
	}
	*in = trial
	return nil
}

// meter begins a recording.
func (in *Input) meter(rec Recording, lively bool) *meter {
	in.Recordings = append(slices.Clone(in.Recordings), rec)
	in.Events, in.Incidents = slices.Clone(in.Events), slices.Clone(in.Incidents)
	m := &meter{in: in, rec: &in.Recordings[len(in.Recordings)-1], lively: lively, hourAt: -1}
	m.detect.Found = func(e electrical.Event) {
		if len(m.found) < mostEvents {
			m.found = append(m.found, e)
		} else {
			m.dropped++
		}
		m.settlePending(&e)
	}
	return m
}

// take takes a row: what was before it held until now, or until there was a gap.
func (m *meter) take(r *row) {
	if !m.began {
		m.began, m.first = true, r.at
		m.run = run{from: r.at, to: r.at, rows: 1, values: r.values, hertz: r.hertz}
		return
	}
	held := r.at
	if e := m.rec.Every; e > 0 && r.at-m.run.to > tooFar*e {
		held = m.run.to + e
	}
	if held == r.at && m.run.same(r, m.rec.Lines) {
		m.run.to = r.at
		m.run.rows++
		return
	}
	m.commit(held)
	if held < r.at {
		m.gap(held)
	}
	m.run = run{from: r.at, to: r.at, rows: 1, values: r.values, hertz: r.hertz}
}

func (r *run) same(o *row, lines int) bool {
	for i := range lines {
		if r.values[i] != o.values[i] && !(math.IsNaN(r.values[i]) && math.IsNaN(o.values[i])) {
			return false
		}
	}
	return r.hertz == o.hertz || math.IsNaN(r.hertz) && math.IsNaN(o.hertz)
}

func (m *meter) gap(at time.Duration) {
	m.detect.Gap(at)
	m.rec.Gaps++
}

// commit counts the run, which held until the instant.
func (m *meter) commit(until time.Duration) {
	r := &m.run
	n := m.rec.Lines
	var p [3]float64
	for i := range n {
		p[i] = 100 * r.values[i] / m.rec.Nominal
	}
	low, high := slices.Min(p[:n]), slices.Max(p[:n])
	switch {
	case math.IsNaN(low) || math.IsNaN(high):
		m.gap(r.from)
		return
	case m.stuck(until-r.from) && low >= electrical.InterruptedBelow:
		m.rec.Stuck++
		m.rec.StuckFor += until - r.from
		m.detect.Gap(r.from)
		return
	}
	m.detect.Take(r.from, r.rows, p[:n]...)
	m.rec.Known += until - r.from
	m.outside(low, high, until-r.from)
	m.means(p[:n], r.from, until)
	m.hours(low, high, r.from, until)
	if f := &m.in.Frequency; !math.IsNaN(r.hertz) && m.rec.Hertz > 0 {
		f.take(r.hertz, m.rec.Hertz, until-r.from)
	}
}

// stuck tells whether the run is one of a sensor that stands still.
func (m *meter) stuck(held time.Duration) bool {
	if m.rec.Every == 0 || m.run.rows < stuckRows {
		return false
	}
	whole := m.run.from == m.first && m.rec.Rows > 0 // the last run is the first
	return whole || held >= stuckDull || m.lively && held >= stuckAfter
}

// end closes the recording; false when there was nothing in it.
func (m *meter) end() bool {
	until := m.run.to + m.rec.Every
	m.commit(until)
	m.detect.Gap(until)
	m.rec.Span, m.rec.First = until-m.first, m.first
	m.closeWindow()
	m.closeHour()
	m.in.Uncounted += m.dropped
	slices.SortStableFunc(m.found, func(a, b electrical.Event) int { return cmp.Compare(a.From, b.From) })
	m.in.judge(m.found, len(m.in.Recordings)-1)
	return m.rec.Known > 0 || m.rec.Stuck > 0 || m.in.Uncounted > 0
}

// judge says what each event of a recording is, and what hangs together.
func (in *Input) judge(events []electrical.Event, of int) {
	rec := &in.Recordings[of]
	hertz := rec.Hertz
	if hertz == 0 {
		hertz = 60
	}
	at := len(in.Events)
	for _, e := range events {
		p, d := e.Percent(), e.Length()
		f := Found{Event: e, Recording: of, Class: electrical.IEEE1159(p, d, hertz), EN50160: electrical.EN50160(p, d),
			IEEE1366: electrical.IEEE1366(p, d), ITIC: electrical.ITIC(p, d), Shortest: max(0, d-rec.Every), Longest: d + rec.Every}
		if f.Class.Shape == electrical.Nothing {
			continue // shorter than half a cycle
		}
		if e.Open {
			f.Shortest, f.Longest = d, 0
		}
		other := 60.0
		if hertz == 60 {
			other = 50
		}
		longest := f.Longest
		if longest == 0 {
			longest = 365 * 24 * time.Hour
		}
		f.Doubtful = electrical.IEEE1159(p, f.Shortest, hertz) != f.Class || electrical.IEEE1159(p, longest, hertz) != f.Class ||
			rec.Hertz == 0 && electrical.IEEE1159(p, d, other) != f.Class
		in.Events = append(in.Events, f)
	}
	in.gather(at)
}

// Bounds of ANSI C84.1's utilization voltage in percent: the same for its 120 and
// its 240 V.
var rangeA, rangeB = func() (a, b electrical.Range) {
	r, _ := electrical.ANSIC84(120)
	part := func(r electrical.Range) electrical.Range {
		return electrical.Range{Low: r.Low / 1.2, High: r.High / 1.2}
	}
	return part(r.UtilizationA), part(r.UtilizationB)
}()

// outside counts the time beyond ANSI C84.1. In an event it waits for its end.
func (m *meter) outside(low, high float64, d time.Duration) {
	a, b := &m.in.Limits.OutsideA, &m.in.Limits.OutsideB
	if m.detect.Sag() != nil || m.detect.Swell() != nil {
		a, b = &m.pendingA, &m.pendingB
	}
	if !rangeA.Has(low) || !rangeA.Has(high) {
		*a += d
	}
	if !rangeB.Has(low) || !rangeB.Has(high) {
		*b += d
	}
}

// settlePending counts what an event that has ended was outside, if it was long.
func (m *meter) settlePending(e *electrical.Event) {
	if e.Length() > time.Minute && e.Percent() >= electrical.InterruptedBelow {
		m.in.Limits.OutsideA += m.pendingA
		m.in.Limits.OutsideB += m.pendingB
	}
	m.pendingA, m.pendingB = 0, 0
}

// window is ten minutes under way.
type window struct {
	at          int64
	known       time.Duration
	sums        [3]float64 // percent seconds
	interrupted bool
}

const meanOver = 10 * time.Minute

// means counts ten-minute means.
func (m *meter) means(p []float64, from, to time.Duration) {
	for from < to {
		k := int64(from / meanOver)
		if k != m.window.at {
			m.closeWindow()
			m.window.at = k
		}
		end := min(to, time.Duration(k+1)*meanOver)
		w := &m.window
		w.known += end - from
		for i, v := range p {
			w.sums[i] += v * (end - from).Seconds()
			w.interrupted = w.interrupted || v < electrical.ShortBelow
		}
		from = end
	}
}

func (m *meter) closeWindow() {
	w, l := &m.window, &m.in.Limits
	if 2*w.known >= meanOver && !w.interrupted {
		usual, all := electrical.SlowRange(100)
		for _, sum := range w.sums[:m.rec.Lines] {
			mean := sum / w.known.Seconds()
			l.Means++
			l.LowMean, l.HighMean = min(l.LowMean, mean), max(l.HighMean, mean)
			if !usual.Has(mean) {
				l.Beyond10++
			}
			if !all.Has(mean) {
				l.BeyondAll++
			}
		}
	}
	*w = window{}
}

// hours keeps the worst hour. A value that holds for many hours makes each of them
// alike: the first whole one stands for all.
func (m *meter) hours(low, high float64, from, to time.Duration) {
	if to-from > 3*time.Hour {
		first := (from/time.Hour + 2) * time.Hour
		m.hours(low, high, from, first)
		m.hours(low, high, to.Truncate(time.Hour), to)
		return
	}
	for {
		k := int64(from / time.Hour)
		if k != m.hourAt {
			m.closeHour()
			m.hourAt = k
			m.hour = Hour{Recording: len(m.in.Recordings) - 1, From: time.Duration(k) * time.Hour}
			for i := range m.hour.Low {
				m.hour.Low[i], m.hour.High[i] = math.NaN(), math.NaN()
			}
		}
		slot := int(from % time.Hour / time.Minute)
		end := min(to, from.Truncate(time.Minute)+time.Minute)
		h := &m.hour
		if !(h.Low[slot] <= low) {
			h.Low[slot] = low
		}
		if !(h.High[slot] >= high) {
			h.High[slot] = high
		}
		h.worth += (max(0, electrical.SagBelow-low) + max(0, high-electrical.SwellAbove)) * (end - from).Seconds()
		if from = end; from >= to {
			return
		}
	}
}

func (m *meter) closeHour() {
	if m.hourAt < 0 {
		return
	}
	low, high := math.Inf(1), math.Inf(-1)
	for i := range m.hour.Low {
		if !math.IsNaN(m.hour.Low[i]) {
			low, high = min(low, m.hour.Low[i]), max(high, m.hour.High[i])
		}
	}
	m.hour.spread = high - low
	best := &m.in.Hour
	if best.Recording < 0 || m.hour.worth > best.worth || m.hour.worth == best.worth && m.hour.spread > best.spread {
		*best = m.hour
	}
}
