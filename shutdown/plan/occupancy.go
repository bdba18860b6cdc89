package plan

import "math/bits"

// occupancy counts the stops under way in each slot. Those of 64 slots lie side by side,
// a word for each binary digit: a stop of many slots is taken in, or looked for room
// for, at about the cost of one of few.
type occupancy struct {
	digits int
	words  []uint64 // of 64 slots: so many words as there are digits, the lowest first
}

// vacate empties so many slots, for counts up to most.
func (c *occupancy) vacate(slots, most int) {
	c.digits = bits.Len(uint(most))
	c.words = resize(c.words, (slots+63)/64*c.digits)
	clear(c.words)
}

// add counts one more in the slots from one up to another.
func (c *occupancy) add(from, to int) {
	for at := from; at < to; at = at&^63 + 64 {
		carry, digits := span(at, to), c.of(at)
		for d := 0; carry != 0; d++ {
			digits[d], carry = digits[d]^carry, digits[d]&carry
		}
	}
}

// sub counts one less.
func (c *occupancy) sub(from, to int) {
	for at := from; at < to; at = at&^63 + 64 {
		borrow, digits := span(at, to), c.of(at)
		for d := 0; borrow != 0; d++ {
			digits[d], borrow = digits[d]^borrow, borrow&^digits[d]
		}
	}
}

// of are the digits of the 64 slots among which one is.
func (c *occupancy) of(slot int) []uint64 { return c.words[slot/64*c.digits:][:c.digits] }

// span has a bit for each slot from one up to another, or up to the end of its word.
func span(from, to int) uint64 {
	m := ^uint64(0) << (from & 63)
	if to-from&^63 < 64 {
		m &= 1<<(to&63) - 1
	}
	return m
}

// full has a bit for each of the 64 slots that has so many or more.
func (c *occupancy) full(slot, room int) uint64 {
	m := ^uint64(0)
	for d, w := range c.of(slot) {
		if room>>d&1 == 1 {
			m &= w
		} else {
			m |= w
		}
	}
	if room>>c.digits != 0 {
		return 0
	}
	return m
}

// firstFull is the first slot from one up to another that has so many or more, or the
// other.
func (c *occupancy) firstFull(from, to, room int) int { return c.first(from, to, room, 0) }

// firstFree is the first that has fewer, likewise.
func (c *occupancy) firstFree(from, to, room int) int { return c.first(from, to, room, ^uint64(0)) }

func (c *occupancy) first(from, to, room int, turn uint64) int {
	for at := from; at < to; at = at&^63 + 64 {
		if m := (c.full(at, room) ^ turn) & span(at, to); m != 0 {
			return at&^63 + bits.TrailingZeros64(m)
		}
	}
	return to
}

// lastFull is the last full one, or the one before the first.
func (c *occupancy) lastFull(from, to, room int) int {
	for end := to; end > from; {
		at := max(from, (end-1)&^63)
		if m := c.full(at, room) & span(at, end); m != 0 {
			return at&^63 + 63 - bits.LeadingZeros64(m)
		}
		end = at
	}
	return from - 1
}
