// Package bounded is for work that ends with its context: pieces of which only so
// many are done at once, and pauses.
package bounded

import (
	"context"
	"sync"
	"sync/atomic"
	"time"
)

// Each does n pieces of work, so many at once; it begins none after ctx.
func Each(ctx context.Context, n, atOnce int, work func(i int)) {
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(n, atOnce) {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < n && ctx.Err() == nil; i = int(next.Add(1)) - 1 {
				work(i)
			}
		})
	}
	wg.Wait()
}

// Pause waits, or until ctx ends; it tells whether to go on.
func Pause(ctx context.Context, d time.Duration) (goOn bool) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
	return ctx.Err() == nil
}
