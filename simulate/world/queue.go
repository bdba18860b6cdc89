package world

import "ebbline/shutdown"

// kind tells what an item of the queue does when its time has come.
type kind uint8

const (
	doMoment  kind = iota + 1 // index: into Moments
	doLate                    // index: UPS; mark: its late answers: one arrives
	doEmpty                   // index: UPS; mark: its version
	doOutput                  // index: UPS; mark: its countdown
	doLook                    // index: host; mark: its look
	doGone                    // index: host; mark: its version: off now
	doService                 // index: host; mark: its version: the service is gone
	doUp                      // index: host; mark: its version: answers now
	doFinish                  // index: into the actions begun; outcome; mark: the agent's life
	doSense                   // index: temperature
	doTouch                   // index: emergency input
	doAgent                   // the agent starts again; mark: its life
)

// item is one thing to come.
type item struct {
	at      shutdown.Instant
	order   uint32 // of being put in: ties go first come, first served
	mark    uint32
	index   int32
	kind    kind
	outcome shutdown.Outcome
}

// queue is a heap by time, then by order of arrival; each item has four below it, as
// an item is soon compared and slowly fetched.
type queue struct {
	items []item
	next  uint32
}

func (q *queue) reset() { q.items, q.next = q.items[:0], 0 }

func (q *queue) put(it item) {
	it.order = q.next
	q.next++
	q.items = append(q.items, it)
	i := len(q.items) - 1
	for i > 0 {
		up := (i - 1) / 4
		if !it.before(&q.items[up]) {
			break
		}
		q.items[i] = q.items[up]
		i = up
	}
	q.items[i] = it
}

func (a *item) before(b *item) bool { return a.at < b.at || a.at == b.at && a.order < b.order }

// take removes the first item; the queue must not be empty.
func (q *queue) take() item {
	first := q.items[0]
	n := len(q.items) - 1
	last := q.items[n]
	q.items = q.items[:n]
	if n == 0 {
		return first
	}
	i := 0
	for {
		first := 4*i + 1
		if first >= n {
			break
		}
		down := first
		for k := first + 1; k < min(first+4, n); k++ {
			if q.items[k].before(&q.items[down]) {
				down = k
			}
		}
		if !q.items[down].before(&last) {
			break
		}
		q.items[i] = q.items[down]
		i = down
	}
	q.items[i] = last
	return first
}

// Random is a stream of numbers that a seed gives in full (splitmix64, Steele,
// Lea and Flood 2014).
type Random struct{ state uint64 }

// NewRandom gives the stream of a seed.
func NewRandom(seed uint64) Random { return Random{seed} }

// Uint64 is the next number.
func (r *Random) Uint64() uint64 {
	r.state += 0x9e3779b97f4a7c15
	z := r.state
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// Float is the next number in [0, 1).
func (r *Random) Float() float64 { return float64(r.Uint64()>>11) / (1 << 53) }
