package ssh

import (
	"context"
	"errors"
	"net"
	"slices"
	"sync"

	gossh "golang.org/x/crypto/ssh"
)

// HostKeys asks an SSH server for its host keys, one of each kind, the preferred
// first: "ssh-ed25519 SHA256:…", as ssh-keygen -lf prints them. Nobody logs in. Who
// answers is not known: the keys are for a person to compare. When only some came
// before ctx ended, those are given.
func HostKeys(ctx context.Context, address string) (keys []string, err error) {
	h := &Host{name: address, address: HostPort(address)}
	left := slices.Clone(plainAlgorithms)
	for len(left) > 0 {
		var shown gossh.PublicKey
		var first sync.Once
		config := &gossh.ClientConfig{
			User: "ebbline", ClientVersion: "SSH-2.0-ebbline", HostKeyAlgorithms: left,
			HostKeyCallback: func(_ string, _ net.Addr, key gossh.PublicKey) error {
				first.Do(func() { shown = key })
				return errShown
			},
		}
		l, err := h.handshake(ctx, config, new(Report))
		if err == nil {
			l.close() // it cannot be: the callback takes no key
		}
		if shown == nil {
			if len(keys) > 0 {
				return keys, nil // it has no more kinds, or no more time
			}
			return nil, err
		}
		keys = append(keys, describe(shown))
		tried := algorithmsOf(shown.Type())
		left = slices.DeleteFunc(left, func(a string) bool { return slices.Contains(tried, a) })
	}
	return keys, nil
}

var errShown = errors.New("the key was only to be seen")
