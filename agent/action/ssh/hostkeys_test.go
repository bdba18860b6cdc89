package ssh

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbline/agent/peertest"
)

// Aim: all of a host's keys come, the preferred first, without a login. Method: a
// host with three keys; the fingerprints are ssh-keygen's.
func TestHostKeys(t *testing.T) {
	r := peertest.StartHosts(t, 1, threeKeys)
	var want []string
	for _, key := range r.HostKeys(0) {
		path := filepath.Join(t.TempDir(), "key.pub")
		if err := os.WriteFile(path, []byte(publicLine(key)+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		want = append(want, key.Type()+" "+strings.Fields(keygen(t, "-lf", path))[1])
	}
	got, err := HostKeys(t.Context(), r.Address(0))
	if err != nil || !slices.Equal(slices.Sorted(slices.Values(got)), slices.Sorted(slices.Values(want))) || !strings.HasPrefix(got[0], "ssh-ed25519 ") {
		t.Errorf("%v, %v; want %v", got, err, want)
	}
	if c := r.Commands(0); len(c) > 0 {
		t.Errorf("it was told %v", c)
	}
}

// Aim: what is no SSH server ends in an error, by the deadline, whatever it says.
func TestHostKeysOfSomethingElse(t *testing.T) {
	for _, says := range []string{"", "220 mail.example ESMTP\r\n", strings.Repeat("x", 1<<20), "SSH-2.0-odd\r\n"} {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		go func() {
			for {
				conn, err := l.Accept()
				if err != nil {
					return
				}
				conn.Write([]byte(says)) // and hold it
				defer conn.Close()
			}
		}()
		ctx, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
		if keys, err := HostKeys(ctx, l.Addr().String()); err == nil || keys != nil {
			t.Errorf("of one that says %.20q: %v, %v", says, keys, err)
		}
		cancel()
	}
}
