package agent

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"ebbline/shutdown"
)

func measured(ups int32, watts int64) message {
	return message{event: shutdown.Event{Kind: shutdown.Measured, UPS: ups, Measurement: shutdown.Measurement{LoadWatts: watts}}}
}

// A newer measurement takes the place of an older one of its UPS, at the end;
// nothing else is ever lost, and whoever finds the queue full waits for room.
func TestQueue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := newQueue()
		ctx := context.Background()
		q.put(ctx, measured(0, 1))
		q.put(ctx, message{event: shutdown.Event{Kind: shutdown.Finished}})
		q.put(ctx, measured(1, 2))
		q.put(ctx, measured(0, 3))
		q.put(ctx, message{event: shutdown.Event{Kind: shutdown.Finished}})
		var got []int64
		for m, ok := q.take(); ok; m, ok = q.take() {
			got = append(got, m.event.Measurement.LoadWatts)
		}
		if want := []int64{0, 2, 3, 0}; !slices.Equal(got, want) {
			t.Errorf("taken: %v, want %v", got, want)
		}

		done := make(chan struct{})
		q.put(ctx, message{done: done})
		for range queueRoom - 1 {
			q.put(ctx, message{event: shutdown.Event{Kind: shutdown.Observed}})
		}
		short, cancel := context.WithTimeout(ctx, time.Second)
		defer cancel()
		if q.put(short, message{event: shutdown.Event{Kind: shutdown.Finished}}) {
			t.Error("a full queue takes more")
		}
		came := make(chan bool)
		go func() { came <- q.put(ctx, message{event: shutdown.Event{Kind: shutdown.Finished}}) }()
		synctest.Wait()
		if !q.withdraw(done) || q.withdraw(done) {
			t.Error("a message is not taken back, or twice")
		}
		if !<-came {
			t.Error("whoever waits for room does not get it")
		}
		n := 0
		for _, ok := q.take(); ok; _, ok = q.take() {
			n++
		}
		if n != queueRoom {
			t.Errorf("%d messages come out of the full queue, want %d", n, queueRoom)
		}
	})
}
