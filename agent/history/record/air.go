package record

import (
	"time"

	"ebbline/agent/history"
	"ebbline/shutdown"
)

// What is kept of a room's air.
const (
	airSoonest = time.Minute
	airLatest  = 15 * time.Minute
	airMoved   = 3 // tenths of a kelvin
)

// warmed keeps a reading of a temperature that the core believes.
func (r *Recorder) warmed(e *shutdown.Event, s *shutdown.State) {
	for j := range s.Policy.Temperatures {
		t := &s.Policy.Temperatures[j]
		switch {
		case e.Kind == shutdown.Warmed && int(e.Sensor) == j:
		case e.Kind == shutdown.Measured && t.UPS == int(e.UPS):
		default:
			continue
		}
		tenths, believed := s.RoomNow(j)
		if !believed {
			continue
		}
		m := history.RoomReading{Sensor: t.Name, At: r.when(r.at), Tenths: tenths, Watts: int64(s.RoomWatts(j) + 0.5)}
		was, some := r.air[t.Name]
		after, moved := m.At.At.Sub(was.At.At), max(m.Tenths-was.Tenths, was.Tenths-m.Tenths) >= airMoved
		if some && (after < airSoonest || after < airLatest && !moved && !s.Outstanding()) {
			continue
		}
		if r.air == nil {
			r.air = map[string]history.RoomReading{}
		}
		r.air[t.Name] = m
		r.writer.RecordRoomReading(m)
	}
}
