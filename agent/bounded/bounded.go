// Package bounded is for work that ends with its context: pieces of which only so
// many are done at once, and pauses; and for what only so many may have at a time.
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

// Places counts what is open at a time, of all and of each who opens it. The zero value
// is ready.
type Places[K comparable] struct {
	mu   sync.Mutex
	open int
	of   map[K]int
}

// Enter takes a place, of so many for all and so many for each; false when there is none
// left. leave gives it back, once, however often it is called.
func (p *Places[K]) Enter(who K, all, each int) (leave func(), ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.open >= all || p.of[who] >= each {
		return nil, false
	}
	if p.of == nil {
		p.of = map[K]int{}
	}
	p.open++
	p.of[who]++
	return sync.OnceFunc(func() { p.leave(who) }), true
}

func (p *Places[K]) leave(who K) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.open--
	if p.of[who]--; p.of[who] == 0 {
		delete(p.of, who)
	}
}

// Open is how many places are taken.
func (p *Places[K]) Open() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.open
}
