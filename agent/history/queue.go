package history

// What may wait for the disk. Memory must end somewhere, even when the disk is
// away for months.
const (
	mostSamples = 4096 // two hours on battery of one UPS, read every two seconds
	mostFacts   = 4096 // predictions, stops, starts and draws
	mostLines   = 4096 // minutes of inputs: two days of one UPS
	mostKept    = 4096 // outages, and as many tests, each counted once: years
)

// batch is what waits for the disk, each kind oldest first.
type batch struct {
	outages []Outage
	tests   []Test
	facts   []any
	event   []Sample // of outages and tests
	normal  []Sample
	lines   []any // of inputs and lines, for the survey
}

func (b *batch) size() int {
	return len(b.outages) + len(b.tests) + len(b.facts) + len(b.event) + len(b.normal) + len(b.lines)
}

// waiting is a batch with its bounds.
type waiting struct {
	batch
	droppedSamples uint64
	droppedRecords uint64
}

// outage adds one, to what waits of the same outage if there is any.
func (w *waiting) outage(o Outage) {
	for i := range w.outages {
		if w.outages[i].same(&o) {
			w.outages[i].absorb(o)
			return
		}
	}
	w.outages = append(w.outages, o)
}

// test adds one, in place of what waits of the same test. What was said first
// of its forecast, and of its end, stands.
func (w *waiting) test(t Test) {
	for i := range w.tests {
		old := &w.tests[i]
		if old.UPS == t.UPS && old.Began.At == t.Began.At {
			if old.forecast() {
				t.Forecast = old.Forecast
			}
			if t.Ended.known() || !old.Ended.known() {
				*old = t
			}
			return
		}
	}
	w.tests = append(w.tests, t)
}

func (w *waiting) sample(s Sample) {
	if s.During == DuringNormal {
		w.normal = append(w.normal, s)
	} else {
		w.event = append(w.event, s)
	}
}

// add puts a later batch behind what waits.
func (w *waiting) add(b batch) {
	for _, o := range b.outages {
		w.outage(o)
	}
	for _, t := range b.tests {
		w.test(t)
	}
	w.facts = append(w.facts, b.facts...)
	w.event = append(w.event, b.event...)
	w.normal = append(w.normal, b.normal...)
	w.lines = append(w.lines, b.lines...)
	w.trim()
}

// trim makes room: the oldest normal samples go first, then those of events.
// Outages and tests stay, but for a bound that they never come near.
func (w *waiting) trim() {
	over := len(w.normal) + len(w.event) - mostSamples
	n := trimFront(&w.normal, over)
	n += trimFront(&w.event, over-n)
	n += trimFront(&w.lines, len(w.lines)-mostLines)
	w.droppedSamples += uint64(n)
	n = trimFront(&w.facts, len(w.facts)-mostFacts)
	n += trimFront(&w.outages, len(w.outages)-mostKept)
	n += trimFront(&w.tests, len(w.tests)-mostKept)
	w.droppedRecords += uint64(n)
}

// trimFront takes up to n from the front and says how many it took.
func trimFront[T any](list *[]T, n int) int {
	n = min(max(n, 0), len(*list))
	clear((*list)[:n]) // what is behind the front is still held
	*list = (*list)[n:]
	return n
}

// take empties the queue.
func (w *waiting) take() batch {
	b := w.batch
	w.batch = batch{}
	return b
}

// giveBack puts a batch that was not written before what came meanwhile.
func (w *waiting) giveBack(b batch) {
	later := w.take()
	w.batch = b
	w.add(later)
}
