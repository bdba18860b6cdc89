package history

import (
	"context"

	"ebbline/shutdown"
)

// RoomReading is one reading of a temperature, and what warmed its room then.
type RoomReading struct {
	Sensor string
	At     Moment
	Tenths int64 // of a degree Celsius
	Watts  int64
}

// RecordRoomReading records a reading of a temperature, where other rows wait that are
// of every day.
func (s *Writer) RecordRoomReading(m RoomReading) error {
	var f faults
	f.name("temperature", m.Sensor)
	f.moment("was read", m.At)
	f.add(m.Tenths < -1000 || m.Tenths > 3000, "%d tenths of a degree are no temperature of air", m.Tenths)
	f.add(m.Watts < 0, "it was warmed by %d W", m.Watts)
	return s.line(f.of("reading of a temperature"), m)
}

// RoomReadings gives the last n readings of a temperature.
func (r *Reader) RoomReadings(ctx context.Context, sensor string, n int) ([]RoomReading, error) {
	var list []RoomReading
	err := r.each(ctx, func(scan func(...any) error) error {
		m, at := RoomReading{Sensor: sensor}, instant{}
		err := scan(&at.ns, &at.ms, &m.Tenths, &m.Watts)
		m.At = at.moment()
		list = append(list, m)
		return err
	}, "SELECT * FROM (SELECT at_ns, at_ms, tenths, watts FROM room_reading WHERE sensor = ? ORDER BY at_ns DESC LIMIT ?) ORDER BY at_ns", sensor, n)
	return list, err
}

// Since is how many seconds after an instant it was read.
func (m *RoomReading) Since(at shutdown.Instant) float64 { return m.At.At.Sub(at).Seconds() }
