package learn

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"ebbline/agent/history"
	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/heat"
)

// What a room is learned from. Engineering values, no source.
const (
	airRead    = 20_000           // readings, the last: some weeks of a room that moves
	airGap     = 20 * time.Minute // without a reading for longer, another stretch begins
	airLoad    = 0.10             // and with a load that differs by more
	airSettled = 5 * time.Minute  // for so long, at the least, it had not moved before it warmed
	airRest    = 10               // tenths of a kelvin that it may have moved then
	airRise    = 40               // tenths of a kelvin that a warming is, at the least
	airBeside  = 15               // and that the second sensor must have risen by
	airOff     = 0.5              // kelvin that readings may lie beside the curve, as a root of the mean square
	airKept    = 5                // warmings that count, the last
	airDiffers = 1.0 / 3          // from the policy's figure: then it is a warning
)

// warming is one time that a room warmed.
type warming struct {
	room   heat.Room
	usual  int64 // tenths of a degree, before
	beside bool  // a second sensor saw it too
}

// rooms puts in how fast rooms warm. One warming that a second sensor saw, or two, make
// it known: what one sensor shows once may be the sensor.
func rooms(ctx context.Context, from *history.Reader, q *policy.Policy) []Note {
	var notes []Note
	read := make([][]history.RoomReading, len(q.Temperatures))
	for j := range q.Temperatures {
		list, err := from.RoomReadings(ctx, q.Temperatures[j].Name, airRead)
		if err != nil {
			return []Note{{Temperature: q.Temperatures[j].Name, Warning: true, Text: fmt.Sprintf("what was measured cannot be used: %v", err)}}
		}
		read[j] = list
	}
	for j := range q.Temperatures {
		t := &q.Temperatures[j]
		var beside []history.RoomReading
		if t.Confirm >= 0 {
			beside = read[t.Confirm]
		}
		list := warmings(read[j], beside)
		list = list[max(0, len(list)-airKept):]
		if len(list) == 0 || len(list) == 1 && !list[0].beside {
			continue
		}
		notes = append(notes, learnRoom(t, list))
	}
	return notes
}

// learnRoom puts the middle of what was measured into the policy.
func learnRoom(t *policy.Temperature, list []warming) Note {
	middle := func(of func(*warming) float64) float64 {
		var v []float64
		for i := range list {
			v = append(v, of(&list[i]))
		}
		slices.Sort(v)
		return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
	}
	was := t.Room
	t.Room = &policy.HeatRoom{
		TimeConstant:   time.Duration(middle(func(w *warming) float64 { return w.room.TimeConstant })) * time.Second,
		WattsPerKelvin: math.Round(100*middle(func(w *warming) float64 { return w.room.WattsPerKelvin })) / 100,
		UsualTenths:    int64(math.Ceil(middle(func(w *warming) float64 { return float64(w.usual) }))),
		Learned:        len(list),
	}
	times := "once, and a second sensor saw it"
	if len(list) > 1 {
		times = fmt.Sprintf("%d times", len(list))
	}
	n := Note{Temperature: t.Name, Attribute: "room", Text: fmt.Sprintf("warms with a time constant of %s and loses %g W for each kelvin: it was measured while it warmed %s",
		shutdown.Spell(t.Room.TimeConstant), t.Room.WattsPerKelvin, times)}
	if was == nil {
		return n
	}
	if was.UsualTenths != 0 {
		t.Room.UsualTenths = was.UsualTenths
	}
	n.Text += fmt.Sprintf("; the policy says %s and %g W", shutdown.Spell(was.TimeConstant), was.WattsPerKelvin)
	differs := func(a, b float64) bool { return math.Abs(a-b) > airDiffers*b }
	if differs(t.Room.TimeConstant.Seconds(), was.TimeConstant.Seconds()) || differs(t.Room.WattsPerKelvin, was.WattsPerKelvin) {
		n.Warning = true
		n.Text += fmt.Sprintf(". Write time_constant = %q and watts_per_kelvin = %g", t.Room.TimeConstant, t.Room.WattsPerKelvin)
	}
	return n
}

// warmings finds the times that a room warmed from rest at much the same load.
func warmings(list, beside []history.RoomReading) (found []warming) {
	for begin, i := 0, 1; i <= len(list); i++ {
		if i < len(list) && list[i].At.At.Sub(list[i-1].At.At) <= airGap && math.Abs(float64(list[i].Watts-list[begin].Watts)) <= airLoad*float64(list[begin].Watts) {
			continue
		}
		if w, ok := warmed(list[begin:i], beside); ok {
			found = append(found, w)
		}
		begin = i
	}
	return found
}

// warmed reads a stretch as one warming, from where it rests to its warmest.
func warmed(list, beside []history.RoomReading) (w warming, ok bool) {
	top, rest := 0, 0
	for i := range list {
		if list[i].Tenths > list[top].Tenths {
			top = i
		}
	}
	for i := range list[:top] {
		if list[i].Tenths <= list[rest].Tenths+2 {
			rest = i
		}
	}
	if list[top].Tenths-list[rest].Tenths < airRise {
		return w, false
	}
	settled := false
	for _, m := range list[:rest] {
		settled = settled || -m.Since(list[rest].At.At) >= airSettled.Seconds() && max(m.Tenths-list[rest].Tenths, list[rest].Tenths-m.Tenths) <= airRest
	}
	var marks []heat.Mark
	watts := 0.0
	for _, m := range list[rest : top+1] {
		marks = append(marks, heat.Mark{Secs: m.Since(list[rest].At.At), Degrees: float64(m.Tenths) / 10})
		watts += float64(m.Watts) / float64(top+1-rest)
	}
	if w.room, ok = heat.Fit(marks, watts); !ok || !settled {
		return w, false
	}
	off := 0.0
	for _, m := range marks {
		d := m.Degrees - marks[0].Degrees - w.room.After(watts, 0, m.Secs)
		off += d * d / float64(len(marks))
	}
	w.usual = list[rest].Tenths
	w.beside = rises(beside, list[rest].At.At, list[top].At.At)
	return w, math.Sqrt(off) <= airOff
}

// rises tells whether a sensor rose between two moments.
func rises(list []history.RoomReading, from, to shutdown.Instant) bool {
	var first, last *history.RoomReading
	for i := range list {
		if at := list[i].At.At; at <= from || first == nil {
			first = &list[i]
		} else if at <= to {
			last = &list[i]
		}
	}
	return first != nil && last != nil && last.At.At > from && last.Tenths-first.Tenths >= airBeside
}
