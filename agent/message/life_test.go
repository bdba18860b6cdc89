package message

import (
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"ebbline/policy"
	"ebbline/shutdown"
)

// Aim: a sign comes after every UPS was polled and decided on, and no oftener than the policy
// says; with a UPS that does not answer the failure's address is fetched in its place, after some
// patience; with no step at all, as of a loop that hangs, neither is. Method: steps by hand, a
// real HTTP server; what it is asked for is waited for, one after the other.
func TestSignOfLife(t *testing.T) {
	asked := make(chan string, 100)
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked <- r.URL.Path
		if strings.Contains(r.URL.Path, "failure") {
			w.WriteHeader(500)
		}
	}))
	defer s.Close()
	faults := make(chan string, 100)
	l := NewLife(secretsOf(map[string]string{"key": hunter}), zap.NewNop(), func() {}, func(text string) { faults <- text })
	l.Adopt(&policy.SignOfLife{URL: text(s.URL+"/alive/", "secret:key"), Failure: text(s.URL + "/failure"), Every: time.Minute})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	go l.Run(ctx)

	p := &policy.Policy{UPSs: []policy.UPS{{Name: "left"}, {Name: "right"}}}
	state := &shutdown.State{Policy: p, UPSs: make([]shutdown.UPS, 2)}
	now := shutdown.Instant(1e18)
	measured := func(ups int32) {
		l.Stepped(now, &shutdown.Event{Kind: shutdown.Measured, UPS: ups}, nil, p, state)
	}
	next := func(want string) {
		t.Helper()
		select {
		case got := <-asked:
			if got != want {
				t.Fatalf("%s was fetched, want %s", got, want)
			}
		case <-time.After(time.Minute):
			t.Fatalf("%s was not fetched", want)
		}
	}
	none := func() {
		t.Helper()
		select {
		case s := <-l.signs:
			t.Fatalf("a sign: %+v", s)
		case got := <-asked:
			t.Fatalf("%s was fetched", got)
		default:
		}
	}
	measured(0)
	none()
	measured(1)
	next("/alive/" + hunter)
	for range 59 { // steps of the clock and answers of both, within the minute
		now = now.Add(time.Second)
		measured(0)
		measured(1)
	}
	none()
	now = now.Add(time.Second)
	measured(0)
	next("/alive/" + hunter)
	now = now.Add(time.Minute)
	measured(0) // only one of them answers from here on
	none()
	now = now.Add(patience)
	l.Stepped(now, &shutdown.Event{Kind: shutdown.Tick}, nil, p, state)
	next("/failure")
	if text := <-faults; !strings.Contains(text, "HTTP 500") {
		t.Errorf("its fault is %q", text)
	}
	now = now.Add(time.Hour) // and then nothing: the loop hangs
	none()
	measured(0)
	measured(1)
	next("/failure") // the other had not answered by its time
	now = now.Add(time.Minute)
	measured(0)
	measured(1)
	next("/alive/" + hunter)
	if text := <-faults; text != "" {
		t.Errorf("its fault is %q", text)
	}
}
