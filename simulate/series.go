package simulate

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"sort"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"ebbline/policy"
	"ebbline/policy/electrical"
	"ebbline/simulate/world"
)

// transfer is the part of the nominal voltage below which a UPS goes to its
// battery. Common practice, no source: makers set 80 to 90 %.
const transfer = 0.85

// hysteresis is how far above that the input must be to be good again.
const hysteresis = 0.02

// Series reads a time series of input voltage, or of input on and off, as CSV:
// # begins a comment, one header line, then rows of which the first column is
// the time (seconds, or YYYY-MM-DDThh:mm[:ss] without a zone) and the second
// the value. The header's second name says what it is: vrms_pct (percent of
// nominal), voltage_v (volts), or on (1 or 0). A value holds until the next
// row; an empty one is no sample, and no sample is no outage.
func Series(p *policy.Policy, name string, text []byte) (*Outage, error) {
	o := Likely(p)
	o.Name = name
	if !utf8.Valid(text) {
		return nil, &FileError{name, 1, "the file is not UTF-8 text. Write it again as UTF-8."}
	}
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(text, mark)))
	r.Comment, r.FieldsPerRecord, r.TrimLeadingSpace = '#', -1, true
	head, err := r.Read()
	if err != nil || len(head) < 2 {
		return nil, &FileError{name, 1, "a series needs a header line with a time and a value, such as \"t_s,vrms_pct\"."}
	}
	kind := strings.TrimSpace(head[1])
	if kind != inPercent && kind != inVolts && kind != onOff {
		line, _ := r.FieldPos(1)
		return nil, &FileError{name, line, fmt.Sprintf("the second column is called %q. It is vrms_pct, voltage_v or on.", kind)}
	}
	rows, err := readRows(r, name, kind)
	if err != nil {
		return nil, err
	}
	nominal := 100.0
	switch kind {
	case inPercent:
		o.Read = fmt.Sprintf("the input counts as lost below %g %% of nominal, and as back from %g %% on", 100*transfer, 100*(transfer+hysteresis))
	case onOff:
		nominal = 1
		o.Read = "the input counts as lost at 0, and as back at 1"
	case inVolts:
		nominal = nearest(rows)
		o.Read = fmt.Sprintf("the input counts as lost below %.1f V and as back from %.1f V on (%g and %g %% of %g V, the usual nominal voltage nearest to these)",
			transfer*nominal, (transfer+hysteresis)*nominal, 100*transfer, 100*(transfer+hysteresis), nominal)
	}
	lost := false
	for _, row := range rows {
		part := row.value / nominal
		switch {
		case !lost && part < transfer:
			lost = true
			o.Moments = append(o.Moments, world.Moment{At: row.at, What: world.InputLost, UPS: -1})
		case lost && part >= transfer+hysteresis:
			lost = false
			o.Moments = append(o.Moments, world.Moment{At: row.at, What: world.InputBack, UPS: -1})
		}
	}
	return o, nil
}

// The names of a second column.
const (
	inPercent = "vrms_pct"
	inVolts   = "voltage_v"
	onOff     = "on"
)

type row struct {
	at    time.Duration
	value float64
}

// readRows reads the samples; rows without a value are left out.
func readRows(r *csv.Reader, name, kind string) ([]row, error) {
	var rows []row
	var first time.Time
	last := time.Duration(-1)
	for {
		rec, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			var e *csv.ParseError
			if errors.As(err, &e) {
				return nil, &FileError{name, e.Line, "the line is not CSV: " + e.Err.Error()}
			}
			return nil, err
		}
		line, _ := r.FieldPos(0)
		bad := func(format string, args ...any) error { return &FileError{name, line, fmt.Sprintf(format, args...)} }
		if len(rec) < 2 {
			return nil, bad("the line has %d columns. It needs a time and a value.", len(rec))
		}
		at, err := when(rec[0], &first)
		if err != nil {
			return nil, bad("%v", err)
		}
		if at < last {
			return nil, bad("the time %s comes after a later one. Sort the rows by time.", rec[0])
		}
		last = at
		if strings.TrimSpace(rec[1]) == "" {
			continue
		}
		v, err := strconv.ParseFloat(strings.TrimSpace(rec[1]), 64)
		if err != nil || !(v >= 0 && v < 1e6) {
			return nil, bad("%q is not a value. Write a number from 0 up (1 or 0 for on), or nothing where there is no sample.", rec[1])
		}
		if kind == onOff && v != 0 && v != 1 {
			return nil, bad("%q is neither on nor off. Write 1 or 0, or nothing where there is no sample.", rec[1])
		}
		rows = append(rows, row{at, v})
	}
	if len(rows) == 0 {
		return nil, &FileError{name, 1, "the series has no sample."}
	}
	return rows, nil
}

// when reads a time as the span since the first one, or since zero.
func when(text string, first *time.Time) (time.Duration, error) {
	text = strings.TrimSpace(text)
	if s, err := strconv.ParseFloat(text, 64); err == nil {
		if !(s >= 0 && s <= 366*86400) || math.IsNaN(s) {
			return 0, fmt.Errorf("the time %s is not from 0 s to a year", text)
		}
		return time.Duration(math.Round(s*1000)) * time.Millisecond, nil
	}
	for _, form := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02 15:04"} {
		if t, err := time.Parse(form, text); err == nil {
			if first.IsZero() {
				*first = t
			}
			return t.Sub(*first), nil
		}
	}
	return 0, fmt.Errorf("%q is not a time. Write seconds, or YYYY-MM-DDThh:mm", text)
}

// nearest is the usual nominal voltage nearest to the median of the samples, those
// of long interruptions left out: they are below half of the highest.
func nearest(rows []row) float64 {
	most := 0.0
	for i := range rows {
		most = max(most, rows[i].value)
	}
	var values []float64
	for i := range rows {
		if rows[i].value >= most/2 {
			values = append(values, rows[i].value)
		}
	}
	sort.Float64s(values)
	return electrical.NearestNominal(values[len(values)/2], 0)
}
