// Package learn corrects a policy by what the history holds: each battery by its
// tests and outages, each host by its measured stopping times and draws. It reads
// and reckons; it must never write, never decide, and never make a policy worse
// than the operator's own where little was measured.
package learn

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbline/agent/history"
	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// Note says on what a corrected figure rests, or what an operator should know of
// the measurements.
type Note struct {
	UPS, Host   string // "" where it is of none
	Temperature string
	Attribute   string // of the policy, that it concerns; "" for none
	Warning     bool
	Text        string
}

// Apply gives a copy of the policy with what was measured in it, as of a day
// (days since 1970-01-01). What cannot be read, or would make the policy
// inconsistent, is left as the operator wrote it, and a note says so.
func Apply(ctx context.Context, p *policy.Policy, from *history.Reader, day int64) (*policy.Policy, []Note) {
	q := *p
	q.UPSs, q.Hosts, q.Temperatures = slices.Clone(p.UPSs), slices.Clone(p.Hosts), slices.Clone(p.Temperatures)
	var notes []Note
	for i := range q.UPSs {
		r, err := Battery(ctx, from, p, i, day)
		if err != nil {
			notes = append(notes, Note{UPS: q.UPSs[i].Name, Warning: true, Text: fmt.Sprintf("what was measured cannot be used: %v", err)})
			continue
		}
		r.Calibration.Correct(&q.UPSs[i])
		if r.Own.Measured >= enoughOwn {
			q.UPSs[i].OwnPermille = min(max(r.Own.MedianPermille, 100), 3000)
			notes = append(notes, Note{UPS: r.UPS, Text: fmt.Sprintf("it lasted %d %% of its own minutes, median of %d", r.Own.MedianPermille/10, r.Own.Measured)})
		}
		notes = append(notes, r.notes(&q.UPSs[i], day)...)
	}
	for k := range q.Hosts {
		more, err := host(ctx, from, &q, k)
		if err != nil {
			more = []Note{{Host: q.Hosts[k].Name, Warning: true, Text: fmt.Sprintf("what was measured cannot be used: %v", err)}}
		}
		notes = append(notes, more...)
	}
	notes = append(notes, rooms(ctx, from, &q)...)
	if err := q.Check(); err != nil {
		return p, []Note{{Warning: true, Text: fmt.Sprintf("what was measured does not go with the policy and is not used: %v", err)}}
	}
	return &q, notes
}

// notes says what a UPS's belief rests on, and what of it is amiss.
func (r *Record) notes(u *policy.UPS, day int64) []Note {
	var notes []Note
	for _, m := range r.Measured {
		if m.Judged.Refused != "" && m.Judged.Capacity > 0 { // else it says nothing, which is no fault
			notes = append(notes, Note{UPS: r.UPS, Warning: true, Text: fmt.Sprintf("%s is not counted: %s", m.Name(), m.Judged.Refused)})
		}
	}
	if b, err := battery.New(u, day); err == nil && r.Calibration.Model != nil {
		text := b.Basis
		if m := r.Last(); m != nil {
			text += fmt.Sprintf(": %s of a new battery", m.Capacity())
		}
		notes = append(notes, Note{UPS: r.UPS, Attribute: "battery", Text: text})
	}
	if m := r.Calibration.Model; m != nil && m.OwnSpread > 0 && m.OwnSpread < ownSeen {
		notes = append(notes, Note{UPS: r.UPS, Attribute: "overhead_watts", Text: fmt.Sprintf("draws %d W itself, give or take %.0f %%, by what its battery carried for how long", r.Calibration.OverheadWatts, 100*m.OwnSpread)})
	}
	return notes
}

// ownSeen is the spread of a UPS's own draw, of its logarithm, below which it was seen: where
// nothing tells, it is 0.7.
const ownSeen = 0.5

// enoughOwn is how many of a UPS's own predictions must have been measured before
// they are corrected by that.
const enoughOwn = 3

// drawn is when a host's measured draw takes the place of the policy's.
const (
	enoughDraws = 3
	drawNear    = 10 // watts; quartiles no further apart, or a fifth of the draw
	drawMoved   = 15 // watts, and a quarter of the policy's: then it is a warning
	stopMoved   = 10 * time.Second
)

// host puts a host's measured stopping time and draw in.
func host(ctx context.Context, from *history.Reader, q *policy.Policy, k int) ([]Note, error) {
	h := &q.Hosts[k]
	if h.StaysUp {
		return nil, nil
	}
	var notes []Note
	s, err := from.StoppingTime(ctx, h.Name, h.StopsIn)
	if err != nil {
		return nil, err
	}
	if s.Stops > 0 {
		notes = append(notes, stopping(h, s)...)
	}
	sums, err := from.DrawSums(ctx, h.Name)
	if err != nil {
		return nil, err
	}
	return append(notes, draw(q, h, sums)...), nil
}

// stopping puts the measured stopping time in. It is never more than the whole
// allowance, which is the operator's word.
func stopping(h *policy.Host, s history.Stopping) []Note {
	was, allowance := h.StopsIn, h.GivesUp()
	h.StopsIn = min(s.Plan, allowance)
	var notes []Note
	if s.Most > allowance {
		notes = append(notes, Note{Host: h.Name, Attribute: "gives_up", Warning: true, Text: fmt.Sprintf(
			"a stop took %s, longer than its whole allowance of %s: the plan does not count on that. Raise gives_up, or find out why it took so long", shutdown.Spell(s.Most), shutdown.Spell(allowance))})
	}
	n := Note{Host: h.Name, Attribute: "stops_in", Text: fmt.Sprintf("stops in %s: %s", shutdown.Spell(h.StopsIn), s.Basis)}
	if h.StopsIn != was {
		n.Text += fmt.Sprintf("; the policy says %s", shutdown.Spell(was))
	}
	if h.StopsIn-was > max(stopMoved, was/4) {
		n.Warning = true
		n.Text += fmt.Sprintf(". Write stops_in = %q", h.StopsIn)
	}
	return append(notes, n)
}

// draw puts the measured draw in when it is known on every feed and its spread is
// small.
func draw(q *policy.Policy, h *policy.Host, sums []history.DrawSum) []Note {
	var watts, spread int64
	draws := 0
	for _, f := range h.FedBy {
		i := slices.IndexFunc(sums, func(s history.DrawSum) bool { return s.UPS == q.UPSs[f].Name })
		if i < 0 || sums[i].Quality != history.Clear || sums[i].Draws < enoughDraws {
			return nil
		}
		watts += sums[i].MedianWatts
		spread += sums[i].HighWatts - sums[i].LowWatts
		draws = max(draws, sums[i].Draws)
	}
	if watts == 0 || spread > max(drawNear, watts/5) {
		return nil
	}
	was := h.Watts
	h.StoppingWatts = max(0, h.StoppingWatts+watts-was)
	h.Watts = watts
	n := Note{Host: h.Name, Attribute: "watts", Text: fmt.Sprintf("draws %d W, give or take %d: median of %d measured; the policy says %d W", watts, (spread+1)/2, draws, was)}
	if moved := max(watts-was, was-watts); moved > max(drawMoved, was/4) {
		n.Warning = true
		n.Text += fmt.Sprintf(". Write watts = %d", watts)
	}
	return []Note{n}
}

// String is the note for people, on one line.
func (n Note) String() string {
	of := "the history"
	switch {
	case n.UPS != "":
		of = "UPS " + n.UPS
	case n.Host != "":
		of = "host " + n.Host
	case n.Temperature != "":
		of = "temperature " + n.Temperature
	}
	return of + ": " + strings.TrimSuffix(n.Text, ".")
}

// Tests gives, of a record, the capacities found by day, which a trend rests on:
// those of discharges to the battery's end, or, where there is none, those that
// were stopped at a charge reading. The two differ by what the gauge makes of it.
func (r *Record) Tests() []battery.Tested {
	if list := r.ended(battery.AtCutOff); len(list) > 0 {
		return list
	}
	return r.ended(battery.AtReading)
}

func (r *Record) ended(how battery.Ended) []battery.Tested {
	var list []battery.Tested
	for _, m := range r.Measured {
		if m.Judged.Used && m.found() && m.Discharge.Ended == how {
			list = append(list, battery.Tested{Day: m.Discharge.Day, Capacity: m.Judged.Capacity})
		}
	}
	slices.SortStableFunc(list, func(a, b battery.Tested) int { return int(a.Day - b.Day) })
	return list
}

// Last is the last discharge that found a capacity; nil when there is none.
func (r *Record) Last() *Measured {
	for i := len(r.Measured) - 1; i >= 0; i-- {
		if m := &r.Measured[i]; m.Judged.Used && m.found() {
			return m
		}
	}
	return nil
}

// found tells whether a discharge says what the capacity is, and not only that
// it is no less.
func (m *Measured) found() bool { return m.Judged.Capacity > 0 && !m.Judged.AtLeast }

// Found is the capacity that a discharge found, as a part of a new battery's; 0
// for none.
func (m *Measured) Found() float64 {
	if m.found() {
		return m.Judged.Capacity
	}
	return 0
}

// Capacity says what a discharge found, for people: a part of a new battery's, or
// a range where it was stopped at a charge reading. "" when it found none.
func (m *Measured) Capacity() string {
	switch {
	case !m.found():
		return ""
	case m.Discharge.Ended == battery.AtReading:
		low, high := m.Judged.Range()
		return fmt.Sprintf("%.0f to %.0f %%", 100*low, 100*high)
	}
	return fmt.Sprintf("%.0f %%", 100*m.Judged.Capacity)
}
