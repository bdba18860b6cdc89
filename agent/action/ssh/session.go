package ssh

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"time"

	gossh "golang.org/x/crypto/ssh"

	"ebbline/agent/action/internal/firstline"
	"ebbline/shutdown"
)

// stderrGrace is how long the words that go with a failure are waited for. They
// may arrive after the exit status does.
const stderrGrace = time.Second

// session is one opened channel, on which no command was sent yet.
type session struct {
	channel  gossh.Channel
	requests <-chan *gossh.Request
}

// session opens a channel. When ctx ends first the caller must close the link:
// the library cannot take an opening back.
func (l *link) session(ctx context.Context) (session, error) {
	type opened struct {
		session
		err error
	}
	done := make(chan opened, 1)
	go func() {
		channel, requests, err := l.client.OpenChannel("session", nil)
		done <- opened{session{channel, requests}, err}
	}()
	select {
	case o := <-done:
		var refused *gossh.OpenChannelError
		if errors.As(o.err, &refused) {
			return session{}, fmt.Errorf("%w: no session: %s", errRefused, firstline.Line(refused.Message))
		}
		if o.err != nil {
			return session{}, fmt.Errorf("open a session: %w", o.err)
		}
		return o.session, nil
	case <-ctx.Done():
		return session{}, fmt.Errorf("open a session: no answer: %w", ctx.Err())
	}
}

// run sends the command and waits for what becomes of it, no longer than ctx.
func (s session) run(ctx context.Context, command string) (shutdown.Outcome, string) {
	type result struct {
		outcome shutdown.Outcome
		text    string
	}
	// Closing wakes neither the sender nor the waiter when the peer is silent
	// (golang/go#21699), so both are left behind and end with the connection.
	context.AfterFunc(ctx, func() { s.channel.Close() })
	done := make(chan result, 1)
	go func() {
		outcome, text := s.exec(command)
		done <- result{outcome, text}
	}()
	select {
	case r := <-done:
		return r.outcome, r.text
	case <-ctx.Done():
		return shutdown.Unknown, "the command was sent; no exit status by the deadline"
	}
}

// exec is the exchange of RFC 4254, 6.5 and 6.10. It does not wait for the end
// of the channel, as the library's own sessions do: a command that leaves a
// child behind with its output open has done its work all the same.
func (s session) exec(command string) (shutdown.Outcome, string) {
	var stderr firstline.Buffer
	stderrRead := make(chan struct{})
	go func() {
		io.CopyBuffer(&stderr, s.channel.Stderr(), make([]byte, 512))
		close(stderrRead)
	}()
	go io.Copy(io.Discard, s.channel)

	taken, err := s.channel.SendRequest("exec", true, gossh.Marshal(struct{ Command string }{command}))
	if err != nil {
		return shutdown.Unknown, "the connection was lost while the command was sent"
	}
	if !taken {
		return shutdown.Refused, "the SSH server runs no command for this user and key"
	}
	s.channel.CloseWrite()
	for request := range s.requests {
		switch request.Type {
		case "exit-status":
			if len(request.Payload) < 4 {
				return shutdown.Unknown, "the SSH server sent an exit status without a number"
			}
			status := binary.BigEndian.Uint32(request.Payload)
			if status != 0 {
				select {
				case <-stderrRead:
				case <-time.After(stderrGrace):
				}
			}
			return judge(status, stderr.Line())
		case "exit-signal":
			return shutdown.Unknown, "the command was ended by a signal, as a host that stops does"
		}
	}
	return shutdown.Unknown, "the connection ended without an exit status, as a host that stops does"
}

// judge says what an exit status means. Only a status is proof of a failure; and
// 128 plus SIGHUP, SIGKILL or SIGTERM is how a shell reports that its command
// was killed (POSIX, 2.8.2), which a stop that is under way does to its own
// session.
func judge(status uint32, stderr string) (shutdown.Outcome, string) {
	text := fmt.Sprintf("exit status %d", status)
	if stderr != "" && status != 0 {
		text += ": " + stderr
	}
	switch status {
	case 0:
		return shutdown.Accepted, text
	case 128 + 1, 128 + 9, 128 + 15:
		return shutdown.Unknown, text
	}
	return shutdown.Refused, text
}
