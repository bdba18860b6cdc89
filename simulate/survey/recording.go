// Package survey looks at a site by daylight: what its input really does, by
// recordings of the voltage; how its circuits and UPSs are loaded and what they
// lose; which UPS its promises call for. It works out and words what it found; it
// reads what it is given, never a file or a clock, and decides nothing.
//
// A recording is read row by row and never held: memory does not grow with it, but
// for the events found, of which so many are kept (mostEvents) and all are counted.
package survey

import (
	"bufio"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"ebbline/policy/electrical"
)

// Error is what is wrong with a recording, and where.
type Error struct {
	Name string
	Line int
	Text string // what is wrong, and what to write instead
}

// Error says it with its place.
func (e *Error) Error() string { return fmt.Sprintf("%s:%d: %s", e.Name, e.Line, e.Text) }

// row is one moment of a recording: a value for each line of the supply, NaN for
// no sample, and the frequency in hertz, NaN where it is not recorded.
type row struct {
	at     time.Duration
	values [3]float64
	hertz  float64
}

// kind is what a column holds.
type kind uint8

const (
	other kind = iota
	seconds
	milliseconds
	date
	volts
	percent
	frequency
)

// reader reads one recording.
type reader struct {
	name    string
	csv     *csv.Reader
	skipped int // lines before the header
	comment string
	comma   bool // decimal comma
	columns []kind
	scales  []float64 // of a column to volts, percent or hertz
	apart   bool      // the date stands in the first column, the time of day in the second
	lines   int       // of the supply
	form    string
	first   time.Time
	last    time.Duration
	rows    int
}

// open reads as far as the header.
func open(name string, from io.Reader) (*reader, error) {
	r := &reader{name: name, last: math.MinInt64}
	in := bufio.NewReaderSize(from, 1<<16)
	if mark, _ := in.Peek(3); string(mark) == "\ufeff" {
		in.Discard(3)
	}
	for {
		b, err := in.Peek(1)
		if err != nil {
			return nil, r.bad(1, "the recording is empty. It needs a header line with a time and a voltage, such as \"t_s,voltage_v\".")
		}
		if b[0] != '#' && b[0] != '\n' && b[0] != '\r' {
			break
		}
		line, err := in.ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		if len(r.comment) < 4096 {
			r.comment += line[:min(len(line), 1024)]
		}
		r.skipped++
	}
	head, _ := in.Peek(4096)
	if i := slices.Index(head, '\n'); i >= 0 {
		head = head[:i]
	}
	if i := slices.Index(head, 0); i >= 0 || !utf8.Valid(head[:max(0, len(head)-4)]) {
		return nil, r.bad(1, "this is not UTF-8 text. Export the recording as CSV.")
	}
	r.csv = csv.NewReader(in)
	r.csv.Comment, r.csv.FieldsPerRecord, r.csv.TrimLeadingSpace, r.csv.ReuseRecord = '#', -1, true, true
	switch text := string(head); {
	case strings.Contains(text, ",") && !strings.Contains(text, ";"):
	case strings.Contains(text, ";"):
		r.csv.Comma, r.comma = ';', true
	case strings.Contains(text, "\t"):
		r.csv.Comma = '\t'
	}
	names, err := r.csv.Read()
	if err != nil {
		return nil, r.fault(err)
	}
	return r, r.header(names)
}

func (r *reader) bad(line int, format string, args ...any) error {
	return &Error{r.name, r.skipped + line, fmt.Sprintf(format, args...)}
}

// fault puts what package csv says into a place and words.
func (r *reader) fault(err error) error {
	var e *csv.ParseError
	if errors.As(err, &e) {
		return r.bad(e.Line, "the line is not CSV: %v.", e.Err)
	}
	return fmt.Errorf("%s: %w", r.name, err)
}

// unitOf matches "name_v", "name (V)", "name [V]".
var unitOf = regexp.MustCompile(`^(.*?)[ _]*[\[(_ ]\s*(s|sec|seconds|ms|v|volt|volts|mv|kv|pct|percent|%|pu|p\.u\.|hz)\s*[\])]?$`)

// times gives what a unit's count is of volts or percent; 0 for a unit that is neither.
var times = map[string]float64{"v": 1, "volt": 1, "volts": 1, "mv": 0.001, "kv": 1000, "pct": 1, "percent": 1, "%": 1, "pu": 100, "p.u.": 100}

// notInput are names of a voltage that is not the input's.
var notInput = regexp.MustCompile(`batt|output|out_|_out|bypass|nominal`)

// header finds the columns by their names, which end in their unit.
func (r *reader) header(names []string) error {
	voltage := regexp.MustCompile(`^(u|v|l)\d?n?$|volt|vrms|urms|rms`)
	var without string
	for i, name := range names {
		text := strings.ToLower(strings.TrimSpace(name))
		stem, unit := text, ""
		if m := unitOf.FindStringSubmatch(text); m != nil {
			stem, unit = m[1], m[2]
		} else if text == "volts" || text == "volt" {
			unit = text
		}
		k, scale := other, 1.0
		switch {
		case i == 1 && text == "time" && strings.EqualFold(strings.TrimSpace(names[0]), "date"):
			r.apart = true
		case i == 0 && (unit == "s" || unit == "sec" || unit == "seconds"):
			k = seconds
		case i == 0 && unit == "ms":
			k = milliseconds
		case i == 0:
			k = date
		case notInput.MatchString(text):
		case strings.HasSuffix(unit, "v") || strings.HasPrefix(unit, "volt"):
			k, scale = volts, times[unit]
		case times[unit] > 0 && voltage.MatchString(stem):
			k, scale = percent, times[unit]
		case unit == "hz":
			k = frequency
		case unit == "" && voltage.MatchString(stem) && without == "":
			without = strings.TrimSpace(name)
		}
		if (k == volts || k == percent) && r.lines > 0 && !slices.Contains(r.columns, k) {
			return r.bad(1, "one voltage is in volts and another in percent. Write all in one unit.")
		}
		if k == volts || k == percent {
			if r.lines++; r.lines > 3 {
				return r.bad(1, "there are more than three voltages. A supply has at most three lines: remove what is no input voltage.")
			}
		}
		r.columns, r.scales = append(r.columns, k), append(r.scales, scale)
	}
	if r.lines == 0 && without != "" {
		return r.bad(1, "the column %q has no unit that is known. Write it into the name: \"%s (V)\" for volts, or \"%s (%%)\" for percent of nominal.", clip(without), clip(without), clip(without))
	}
	if r.lines == 0 {
		return r.bad(1, "no column is a voltage. Name one so that it ends in its unit, such as voltage_v (volts) or vrms_pct (percent of nominal), behind a time such as t_s (seconds) or time_utc.")
	}
	return nil
}

func clip(text string) string {
	if len(text) > 40 {
		text = strings.ToValidUTF8(text[:40], "") + "…"
	}
	return text
}

// inPercent tells whether the voltages are percent of nominal.
func (r *reader) inPercent() bool { return slices.Contains(r.columns, percent) }

// next reads a row; io.EOF at the end.
func (r *reader) next() (row, error) {
	out := row{hertz: math.NaN()}
	rec, err := r.csv.Read()
	if err != nil {
		if errors.Is(err, io.EOF) {
			return out, io.EOF
		}
		return out, r.fault(err)
	}
	line, _ := r.csv.FieldPos(0)
	if len(rec) < 2 {
		return out, r.bad(line, "the line has %d column. It needs a time and a voltage, or nothing behind the separator where there is no sample.", len(rec))
	}
	when := rec[0]
	if r.apart {
		when += " " + rec[1]
	}
	if out.at, err = r.time(when); err != nil {
		return out, r.bad(line, "%v.", err)
	}
	if out.at < r.last {
		return out, r.bad(line, "the time goes back: %s comes after a later one. Sort the rows by time; where a clock was set back, as at the end of summer time, write UTC, or cut the recording there.", strings.TrimSpace(when))
	}
	r.last = out.at
	r.rows++
	n := 0
	for i, k := range r.columns {
		if k != volts && k != percent && k != frequency {
			continue
		}
		v := math.NaN()
		if i < len(rec) {
			if v, err = r.value(rec[i]); err != nil {
				return out, r.bad(line, "%v.", err)
			}
			v *= r.scales[i]
		}
		if k == frequency {
			out.hertz = v
			continue
		}
		out.values[n] = v
		n++
	}
	return out, nil
}

// value reads a figure from 0 up; NaN for no sample.
func (r *reader) value(text string) (float64, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return math.NaN(), nil
	}
	number := text
	if r.comma {
		number = strings.Replace(text, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || !(v >= 0 && v < 1e6) {
		return 0, fmt.Errorf("%q is not a value. Write a number from 0 up, or nothing where there is no sample", clip(text))
	}
	return v, nil
}

// since1970 is from which on seconds are taken to count since 1970, and not since the
// recording began: 31 years of it, September 2001.
const since1970 = 1e9

var forms = []string{
	"2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02 15:04", time.RFC3339,
	"2006-01-02 15:04:05Z07:00", "2006/01/02 15:04:05", "02.01.2006 15:04:05",
}

// time reads a time as the span since the first.
func (r *reader) time(text string) (time.Duration, error) {
	text = strings.TrimSpace(text)
	if k := r.columns[0]; k != date {
		if r.comma {
			text = strings.Replace(text, ",", ".", 1)
		}
		v, err := strconv.ParseFloat(text, 64)
		if k == milliseconds {
			v /= 1000
		}
		if err != nil || !(v >= 0 && v < 8e9) { // to the year 2223, as seconds since 1970
			return 0, fmt.Errorf("%q is not a time in seconds from 0 up", clip(text))
		}
		whole := math.Floor(v)
		if r.rows == 0 && whole >= since1970 {
			r.first = time.Unix(int64(whole), 0).UTC()
		}
		if !r.first.IsZero() {
			v, whole = v-float64(r.first.Unix()), whole-float64(r.first.Unix())
		}
		return time.Duration(whole)*time.Second + time.Duration(math.Round((v-whole)*1e6))*time.Microsecond, nil
	}
	for i := range forms {
		form := forms[i]
		if i == 0 && r.form != "" {
			form = r.form
		}
		t, err := time.Parse(form, text)
		if err != nil {
			continue
		}
		r.form = form
		if r.first.IsZero() {
			r.first = t
		}
		return t.Sub(r.first), nil
	}
	if strings.Count(text[:min(len(text), 10)], "/") == 2 {
		return 0, fmt.Errorf("%q may be read with the day or the month first. Write YYYY-MM-DDThh:mm:ss, with hours from 0 to 23", clip(text))
	}
	if _, err := strconv.ParseFloat(text, 64); err == nil {
		return 0, fmt.Errorf("the time %s is a number, and the header does not say in what unit. Name the column t_s for seconds or t_ms for milliseconds", clip(text))
	}
	return 0, fmt.Errorf("%q is not a time. Write YYYY-MM-DDThh:mm:ss, or seconds in a column t_s", clip(text))
}

var (
	hertzIn   = regexp.MustCompile(`\b([56]0) ?Hz\b`)
	nominalIn = regexp.MustCompile(`(?i)\b(?:nominal (\d{2,3}) ?V|(\d{2,3}) ?V nominal)\b`)
)

// stated is a figure that the recording's comment states; 0 for none.
func (r *reader) stated(as *regexp.Regexp) float64 {
	for _, text := range as.FindStringSubmatch(r.comment) {
		if v, err := strconv.ParseFloat(text, 64); err == nil {
			return v
		}
	}
	return 0
}

// measured is the nominal frequency that recorded ones are near to; 0 for none.
func measured(list []row) float64 {
	for i := range list {
		if h := list[i].hertz; h >= 55 {
			return 60
		} else if h > 40 {
			return 50
		}
	}
	return 0
}

// steps tells whether the comment says that a value holds until the next row.
func (r *reader) steps() bool {
	text := strings.ToLower(r.comment)
	return strings.Contains(text, "step trace") || strings.Contains(text, "holds until")
}

// settled is what the beginning of a recording says of the whole.
type settled struct {
	nominal, hertz float64
	every          time.Duration // between rows of a recording at even intervals; 0 for one of changes
	lively         bool          // its values wander, as those of a real supply do
}

// settle looks at the first rows. Nominal and hertz that are known, not zero, stand.
func (r *reader) settle(list []row, nominal, hertz float64) (settled, error) {
	s := settled{nominal: nominal, hertz: cmp.Or(hertz, r.stated(hertzIn), measured(list))}
	middle := median(list)
	switch {
	case math.IsNaN(middle):
	case r.inPercent():
		s.nominal = 100
		if middle > 160 {
			return s, r.bad(1, "the voltage stands at %.0f %% of nominal. If the column is in volts, name it so that it ends in _v.", middle)
		}
	case nominal == 0:
		if s.nominal = r.stated(nominalIn); s.nominal == 0 {
			s.nominal = electrical.NearestNominal(middle, s.hertz)
		}
		if middle < 0.8*s.nominal || middle > 1.2*s.nominal {
			return s, r.bad(1, "the voltage stands at %.4g V, which is near no usual nominal voltage. Say which is meant, such as --nominal 230, or check the unit.", middle)
		}
	}
	if s.hertz == 0 && !r.inPercent() {
		s.hertz = electrical.UsualHertz(s.nominal)
	}
	if !r.steps() {
		s.every = even(list)
	}
	var distinct []float64
	for i := range list {
		distinct = append(distinct, list[i].values[0])
	}
	slices.Sort(distinct)
	s.lively = len(slices.Compact(distinct)) >= 20
	return s, nil
}

// median is the middle of the first line's samples, those of long interruptions
// left out: they are below half of the highest.
func median(list []row) float64 {
	most := 0.0
	for i := range list {
		if v := list[i].values[0]; v > most {
			most = v
		}
	}
	var values []float64
	for i := range list {
		if v := list[i].values[0]; v >= most/2 {
			values = append(values, v)
		}
	}
	if len(values) == 0 || most == 0 {
		return math.NaN()
	}
	slices.Sort(values)
	return values[len(values)/2]
}

// even is the interval of a recording at even intervals: eight of ten or more are
// within a tenth of the usual one; 0 when they are not, or are too few to tell.
func even(list []row) time.Duration {
	var spans []time.Duration
	for i := 1; i < len(list); i++ {
		spans = append(spans, list[i].at-list[i-1].at)
	}
	if len(spans) < 9 {
		return 0
	}
	slices.Sort(spans)
	usual, alike := spans[len(spans)/2], 0
	for _, d := range spans {
		if (d - usual).Abs() <= usual/10 {
			alike++
		}
	}
	if usual == 0 || 10*alike < 8*len(spans) {
		return 0
	}
	return usual
}
