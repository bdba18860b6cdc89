package heat

import "time"

// What is believed of a sensor. Nothing here is known from one answer.
//
//	on its path     it differs from the last by no more than a room can in that time
//	off its path    not believed; a second answer there says that it has jumped
//	jumped          not believed until it has kept to a path of its own for ten minutes;
//	                then it counts from where it is, as a sensor just begun
//	warming         it is more than a kelvin above its lowest of the last hour
//	beyond          its path began at the limit or above it, which no room that is looked after
//	                does: its unit, scale or place is wrong. What it rises from there counts
const (
	fastest   = 5 * 10          // tenths of a kelvin a minute: a kilowatt in 30 m³ of air alone gives 1.7 K, and walls and steel take most of it
	longGap   = 3 * time.Minute // what is longer gives the room no more leave
	settles   = 10 * time.Minute
	marksKept = 12
	markApart = 20 * time.Second
	hour      = time.Hour
	leastRise = 10              // tenths of a kelvin
	nearLimit = 20              // tenths of a kelvin
	farLimit  = 50              // likewise
	lineSpan  = 2 * time.Minute // that a line rests on
	bearsOut  = 3 * time.Second // apart are two answers that together prove something
	flatAfter = 24 * time.Hour  // without the least change a fine sensor stands still
	otherRose = 3 * leastRise   // and so does one beside which another has risen by so much
	coarse    = 5               // tenths of a kelvin: a sensor of such steps may well stand still for days
)

// Kept is one reading that is kept: when, by the agent's clock, in tenths of a degree.
type Kept struct {
	At     time.Duration
	Tenths int64
}

// Sensor is what was heard of one sensor. It is a plain value.
type Sensor struct {
	Last   Kept            // that is believed; At is 0 for none yet
	First  int64           // where the path began that it is on
	Odd    Kept            // the last off its path; At is 0 while it is on it
	OddFor time.Duration   // since when it is on another path, once it has jumped; 0 while it has not
	Same   time.Duration   // since when it says the same
	Lows   [2]Kept         // the lowest of this hour and of the one before, the last of equals
	Hour   time.Duration   // when this hour of the lows began; before the first answer, since when one is waited for
	Marks  [marksKept]Kept // of the last minutes, oldest first; At is 0 for none
}

// Take takes an answer.
func (s *Sensor) Take(at time.Duration, tenths, step int64) {
	r := Kept{at, tenths}
	switch {
	case s.Last.At == 0:
		s.begin(r)
	case s.OddFor != 0:
		switch {
		case !onPath(s.Odd, r, step):
			s.OddFor = at // another jump
		case at-s.OddFor >= settles:
			s.begin(r)
			return
		}
		s.Odd = r
	case onPath(s.Last, r, step):
		s.believe(r)
	case s.Odd.At != 0 && onPath(s.Odd, r, step):
		if at-s.Odd.At >= bearsOut {
			s.OddFor, s.Odd = at, r
		}
	default:
		s.Odd = r
	}
}

// onPath tells whether a room can come from one reading to another.
func onPath(a, b Kept, step int64) bool {
	gap := min(max(0, b.At-a.At), longGap)
	most := 5 + step + int64(float64(fastest*gap.Minutes()))
	return b.Tenths-a.Tenths <= most && a.Tenths-b.Tenths <= most
}

// begin takes a reading as the first.
func (s *Sensor) begin(r Kept) {
	*s = Sensor{Last: r, First: r.Tenths, Same: r.At, Lows: [2]Kept{r, r}, Hour: r.At}
	s.Marks[marksKept-1] = r
}

func (s *Sensor) believe(r Kept) {
	if r.Tenths != s.Last.Tenths {
		s.Same = r.At
	}
	s.Last, s.Odd = r, Kept{}
	if r.At-s.Hour >= hour {
		s.Lows[1], s.Lows[0], s.Hour = s.Lows[0], r, r.At
	}
	if r.Tenths <= s.Lows[0].Tenths {
		s.Lows[0] = r
	}
	if r.At-s.Marks[marksKept-1].At >= markApart {
		copy(s.Marks[:], s.Marks[1:])
		s.Marks[marksKept-1] = r
	}
}

// Jumped tells whether it has left its path, and is not believed.
func (s *Sensor) Jumped() bool { return s.OddFor != 0 }

// Heard is when it last answered, believed or not; or since when it is waited for.
func (s *Sensor) Heard() time.Duration {
	if s.Last.At == 0 {
		return s.Hour
	}
	return max(s.Last.At, s.Odd.At)
}

// HourRate is how fast it warms, at the least, in tenths of a kelvin an hour.
func (s *Sensor) HourRate(step int64) float64 {
	line, ok := s.line(step)
	if !ok || !s.Rose(step) {
		return 0
	}
	return max(0, 3600*(line.Slope-2*line.Error))
}

// low is its lowest of the last hour, and up to two.
func (s *Sensor) low() Kept {
	if s.Lows[1].Tenths < s.Lows[0].Tenths {
		return s.Lows[1]
	}
	return s.Lows[0]
}

// Rose tells whether it is believed, and is warming or has warmed within the hour: by
// what it said in the last minutes together, for one answer may be noise.
func (s *Sensor) Rose(step int64) bool { return s.rose(leastRise + step/2) }

// Fell tells whether it is not above its lowest by even a third of what [Sensor.Rose]
// asks for: between the two it may be either, which noise does not change.
func (s *Sensor) Fell(step int64) bool { return !s.rose((leastRise + step/2) / 3) }

// Cools tells whether it is clearly falling, by more than noise makes of it.
func (s *Sensor) Cools(step int64) bool {
	line, ok := s.line(step)
	return ok && line.Slope < -6*line.Error
}

// rose tells whether it is believed, and by how much at the least what it said in the
// last minutes is above its lowest.
func (s *Sensor) rose(by int64) bool {
	if s.Last.At == 0 || s.Jumped() {
		return false
	}
	sum, n := s.Last.Tenths, int64(1)
	for _, k := range s.Marks {
		if k.At != 0 && s.Last.At-k.At <= lineSpan {
			sum, n = sum+k.Tenths, n+1
		}
	}
	return sum-n*s.low().Tenths >= n*by
}

// Denies tells whether it is believed, and has not warmed: not within the hour, nor since
// its path began.
func (s *Sensor) Denies(step int64) bool {
	return s.Last.At != 0 && !s.Jumped() && !s.Rose(step) && s.Last.Tenths-s.First < leastRise+step/2
}

// StandsStill tells whether it says the same for longer than air does: beside another
// that has risen meanwhile, or for a day, where it counts finely.
func (s *Sensor) StandsStill(now time.Duration, step int64, other *Sensor) bool {
	if s.Last.At == 0 || s.Jumped() {
		return false
	}
	if other != nil && other.Last.At != 0 && !other.Jumped() {
		if low := other.low(); s.Same <= low.At && other.Last.Tenths-low.Tenths >= otherRose {
			return true
		}
	}
	return step < coarse && now-s.Same >= flatAfter
}

// StillAt is when it counts as standing still, if it goes on to say the same.
func (s *Sensor) StillAt() time.Duration { return s.Same + flatAfter }

// line is the line through what it said in the last minutes.
func (s *Sensor) line(step int64) (Trend, bool) {
	var marks []Mark
	var kept [marksKept + 1]Mark
	marks = kept[:0]
	last := s.Last.At
	for _, k := range s.Marks {
		if k.At != 0 && last-k.At <= 2*longGap {
			marks = append(marks, Mark{(k.At - last).Seconds(), float64(k.Tenths)})
		}
	}
	if len(marks) == 0 || -marks[0].Secs < lineSpan.Seconds() {
		return Trend{}, false
	}
	return Lay(marks, float64(step))
}

// Crosses is the earliest time at which the room may reach a limit, by what the sensor
// shows; false where it does not warm, or is not believed. Sure asks for a line that is
// clearly rising besides, and that it is warming now.
func (s *Sensor) Crosses(limit, step int64, sure bool) (time.Duration, bool) {
	creeps := !sure && s.creeps(limit, step)
	switch {
	case !creeps && !s.Rose(step), s.Beyond(limit):
		return 0, false
	case s.Last.Tenths >= limit:
		return s.Last.At, true
	}
	low := s.low()
	slope := float64(s.Last.Tenths-low.Tenths+step) / max(1, (s.Last.At-low.At).Seconds())
	from := float64(s.Last.Tenths) + float64(step)/2
	if line, ok := s.line(step); ok {
		clear, upper := line.Slope > 2*line.Error, line.Slope+2*line.Error
		switch {
		case upper <= 0 || sure && !clear:
			return 0, false
		case clear || creeps:
			slope = upper
		default:
			slope = min(slope, upper)
		}
		from = max(from, line.Degrees)
	} else if sure {
		return 0, false
	}
	left := max(0, float64(limit)-from) / slope
	if !(left >= 0 && left < 7*24*3600) {
		return 0, false
	}
	return s.Last.At + time.Duration(left)*time.Second, true
}

// Beyond tells whether it is believed, and on a path that began at the limit or above
// it, from which it has not risen by what no wrong unit makes of a room that is cooled.
func (s *Sensor) Beyond(limit int64) bool {
	return s.Last.At != 0 && !s.Jumped() && s.First >= limit && s.Last.Tenths >= limit && s.Last.Tenths-s.First < otherRose
}

// creeps tells whether it came near the limit from below, however long ago: a room may
// take its last kelvin so slowly that no hour shows it.
func (s *Sensor) creeps(limit, step int64) bool {
	return s.Last.At != 0 && !s.Jumped() && limit-s.Last.Tenths <= nearLimit && limit-s.First >= farLimit
}
