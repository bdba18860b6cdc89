package plan

import (
	"testing"

	"pgregory.net/rapid"
)

// Aim: stops are counted as one counts them slot by slot. Method: random stops put in
// and taken out, beside a plain list of numbers.
func TestOccupancy(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		slots, most := rapid.IntRange(1, 300).Draw(t, "slots"), rapid.IntRange(1, 9).Draw(t, "most")
		var c occupancy
		c.vacate(slots, most)
		plain := make([]int, slots)
		type stop struct{ from, to int }
		var in []stop
		for range rapid.IntRange(1, 30).Draw(t, "steps") {
			if len(in) == most || len(in) > 0 && rapid.Bool().Draw(t, "out") {
				k := rapid.IntRange(0, len(in)-1).Draw(t, "which")
				s := in[k]
				in = append(in[:k], in[k+1:]...)
				c.sub(s.from, s.to)
				for i := s.from; i < s.to; i++ {
					plain[i]--
				}
				continue
			}
			from := rapid.IntRange(0, slots).Draw(t, "from")
			s := stop{from, rapid.IntRange(from, slots).Draw(t, "to")}
			in = append(in, s)
			c.add(s.from, s.to)
			for i := s.from; i < s.to; i++ {
				plain[i]++
			}
		}
		room := rapid.IntRange(1, 20).Draw(t, "room")
		from := rapid.IntRange(0, slots).Draw(t, "look from")
		to := rapid.IntRange(from, slots).Draw(t, "look to")
		first, last, free := to, from-1, to
		for i := to - 1; i >= from; i-- {
			if plain[i] < room {
				free = i
				continue
			}
			first, last = i, max(last, i)
		}
		if got := c.firstFull(from, to, room); got != first {
			t.Errorf("first full is %d, want %d", got, first)
		}
		if got := c.lastFull(from, to, room); got != last {
			t.Errorf("last full is %d, want %d", got, last)
		}
		if got := c.firstFree(from, to, room); got != free {
			t.Errorf("first free is %d, want %d", got, free)
		}
	})
}
