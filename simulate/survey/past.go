package survey

import (
	"math"
	"time"

	"ebbline/policy/electrical"
)

// Minute is one minute of an input as an agent kept it: the worst line's voltage in
// volts, lowest, mean and highest, the frequency in hertz, and the UPS's own count
// of bad inputs; NaN is not known.
type Minute struct {
	At              time.Duration
	Readings        int
	Low, Mean, High float64
	Hertz, Bads     float64
}

// Past is what an agent kept of one UPS's input.
type Past struct {
	Name    string
	Began   time.Time // of the wall's clock where At is zero
	Nominal float64   // volts
	Every   time.Duration
	Minutes func(each func(Minute) error) error // oldest first
	Events  []electrical.Event                  // by their beginning
}

// counted is the UPS's own count against what was seen.
type counted struct {
	known bool
	last  float64
	bads  int
}

// Take takes what an agent kept.
func (in *Input) Take(p *Past) error {
	m := in.meter(Recording{Name: p.Name, Began: p.Began, Nominal: p.Nominal, Lines: 1, Hertz: in.hertz, Every: p.Every}, true)
	m.rec.Minutes = true
	var count counted
	from := time.Duration(math.MinInt64)
	err := p.Minutes(func(x Minute) error {
		m.rec.Began = p.Began // known by the first of them at the latest
		if m.rec.Hertz == 0 && !math.IsNaN(x.Hertz) {
			m.rec.Hertz = 50
			if x.Hertz > 55 {
				m.rec.Hertz = 60
			}
		}
		if !m.began {
			m.began, m.first = true, x.At
		} else if x.At-from > 2*time.Minute {
			m.rec.Gaps++
		}
		from = x.At
		m.rec.Rows++
		m.rec.Span = x.At + time.Minute - m.first
		m.minute(&x)
		count.take(x.Bads)
		return nil
	})
	if err != nil {
		return err
	}
	m.closeWindow()
	m.closeHour()
	m.rec.Bads, m.rec.Counts, m.rec.First = count.bads, count.known, m.first
	if len(p.Events) > 0 && (m.rec.Rows == 0 || p.Events[0].From < m.first) {
		m.rec.First = p.Events[0].From // the minutes of then are let go
	}
	if m.rec.Rows == 0 && len(p.Events) == 0 {
		in.Recordings = in.Recordings[:len(in.Recordings)-1]
		return nil
	}
	events := p.Events
	if over := len(events) - mostEvents; over > 0 {
		in.Uncounted += over
		events = events[:mostEvents]
	}
	in.judge(events, len(in.Recordings)-1)
	return nil
}

// minute counts one: its mean for the steady voltage, its extremes for the hour.
func (m *meter) minute(x *Minute) {
	if math.IsNaN(x.Low) || math.IsNaN(x.Mean) || math.IsNaN(x.High) || m.rec.Nominal == 0 {
		return
	}
	p := [3]float64{100 * x.Low / m.rec.Nominal, 100 * x.Mean / m.rec.Nominal, 100 * x.High / m.rec.Nominal}
	m.rec.Known += time.Minute
	if p[0] >= electrical.InterruptedBelow {
		m.outside(p[1], p[1], time.Minute)
	}
	m.means(p[1:2], x.At, x.At+time.Minute)
	m.hours(p[0], p[2], x.At, x.At+time.Minute)
	if f := &m.in.Frequency; !math.IsNaN(x.Hertz) && m.rec.Hertz > 0 {
		f.take(x.Hertz, m.rec.Hertz, time.Minute)
	}
}

func (c *counted) take(bads float64) {
	switch {
	case math.IsNaN(bads):
		return
	case c.known && bads > c.last:
		c.bads += int(bads - c.last)
	case c.known && bads < c.last: // the UPS or its card started anew
		c.bads += int(bads)
	}
	c.known, c.last = true, bads
}
