package web

import (
	"net/http"
	"sync"
	"time"
)

// fresh is how long what was made is shown: readers, however many, cost the agent one
// look at itself in that time.
const fresh = time.Second

// cached shows what is made at most once a second.
type cached struct {
	kind   string
	render func() []byte
	head   func(body []byte, h http.Header) // sets more headers; may be nil

	mu   sync.Mutex
	body []byte
	at   time.Time
}

// Cached shows what render gives, of a content type.
func Cached(contentType string, render func() []byte) http.Handler {
	return &cached{kind: contentType, render: render}
}

// ServeHTTP implements [http.Handler].
func (c *cached) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	c.mu.Lock()
	if c.body == nil || time.Since(c.at) >= fresh {
		c.body, c.at = c.render(), time.Now()
	}
	body := c.body
	c.mu.Unlock()
	w.Header().Set("Content-Type", c.kind)
	if c.head != nil {
		c.head(body, w.Header())
	}
	w.Write(body) // who has gone away needs no answer
}
