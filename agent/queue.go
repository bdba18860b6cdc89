package agent

import (
	"context"
	"sync"

	"ebbline/shutdown"
)

// message is one thing for the loop.
type message struct {
	workers *workers // whose numbers the event speaks in; nil for one from outside
	event   shutdown.Event
	parts   *Parts        // of an adopted policy
	order   *hostOrder    // whose event it is; nil for none
	done    chan struct{} // closed when it is worked off; may be nil
}

func (m *message) measures(c *workers, ups int32) bool {
	return m.event.Kind == shutdown.Measured && m.workers == c && m.event.UPS == ups
}

// queue is the one way to the loop. It is bounded: whoever finds it full waits.
// Nothing in it is lost but a measurement that a newer one of the same UPS
// overtakes.
type queue struct {
	room chan struct{} // one element for each waiting message
	wake chan struct{}

	mu    sync.Mutex
	items []message
}

const queueRoom = 1024

func newQueue() *queue {
	return &queue{room: make(chan struct{}, queueRoom), wake: make(chan struct{}, 1)}
}

// put waits for room until ctx ends; false when there was none.
func (q *queue) put(ctx context.Context, m message) bool {
	if !q.overtake(m) {
		select {
		case q.room <- struct{}{}:
		case <-ctx.Done():
			return false
		}
		q.mu.Lock()
		q.items = append(q.items, m)
		q.mu.Unlock()
	}
	select {
	case q.wake <- struct{}{}:
	default:
	}
	return true
}

// overtake puts a measurement in at the end and takes an older one of its UPS
// out.
func (q *queue) overtake(m message) bool {
	if m.event.Kind != shutdown.Measured {
		return false
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	for i := range q.items {
		if q.items[i].measures(m.workers, m.event.UPS) {
			q.items = append(append(q.items[:i], q.items[i+1:]...), m)
			return true
		}
	}
	return false
}

// take gives the oldest message.
func (q *queue) take() (message, bool) {
	return q.first(func(*message) bool { return true })
}

// takeMeasured gives the oldest measurement, ahead of all else.
func (q *queue) takeMeasured() (message, bool) {
	return q.first(func(m *message) bool { return m.event.Kind == shutdown.Measured })
}

// withdraw takes back a message that has not been taken.
func (q *queue) withdraw(done chan struct{}) bool {
	_, ok := q.first(func(m *message) bool { return m.done == done })
	return ok
}

func (q *queue) first(is func(*message) bool) (message, bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for i := range q.items {
		if m := q.items[i]; is(&m) {
			copy(q.items[i:], q.items[i+1:])
			q.items[len(q.items)-1] = message{}
			q.items = q.items[:len(q.items)-1]
			<-q.room
			return m, true
		}
	}
	return message{}, false
}
