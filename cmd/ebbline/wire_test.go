package main

import (
	"context"
	"net"
	"testing"
	"time"

	"ebbline/policy"
)

// Aim: when the listener for notifications has ended, its port is free for the
// next policy's. Method: one after the other on one real port.
func TestTrapPortIsFree(t *testing.T) {
	free, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := free.LocalAddr().String()
	free.Close()
	p := &policy.Policy{Site: policy.Site{Traps: &policy.Traps{Listen: at}}}
	for i := range 50 {
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- listen(ctx, p, nil, nil, func(string) {}) }()
		for refused := true; refused; { // until it listens: the system says when nobody does
			conn, err := net.Dial("udp4", at)
			if err != nil {
				t.Fatal(err)
			}
			conn.Write([]byte("anyone?"))
			time.Sleep(time.Millisecond)
			_, err = conn.Write([]byte("anyone?"))
			refused = err != nil
			conn.Close()
		}
		cancel()
		if err := <-done; err != nil {
			t.Fatalf("listener %d: %v", i, err)
		}
		other, err := net.ListenPacket("udp4", at)
		if err != nil {
			t.Fatalf("after listener %d: %v", i, err)
		}
		other.Close()
	}
}
