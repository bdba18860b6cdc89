package control

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"time"

	"golang.org/x/sys/unix"

	"ebbline/agent"
	"ebbline/shutdown"
)

// Client speaks to the agent at a socket.
type Client struct{ path string }

const (
	clientTime    = 10 * time.Second
	longestAnswer = 64 << 20
)

// NewClient makes a client; nothing is connected yet.
func NewClient(path string) *Client { return &Client{path} }

// Status asks for what the agent knows; raw is the document as it came.
func (c *Client) Status(ctx context.Context) (v agent.View, raw []byte, err error) {
	raw, err = c.ask(ctx, http.MethodGet, statusPath, nil)
	if err != nil {
		return v, nil, err
	}
	if err := json.Unmarshal(raw, &v); err != nil {
		return v, nil, fmt.Errorf("the agent's answer cannot be read; is it of another version? %w", err)
	}
	return v, raw, nil
}

// Order gives the agent an order. Without an error it is in force.
func (c *Client) Order(ctx context.Context, o shutdown.Order) error {
	return c.Give(ctx, Order{Order: o})
}

// Give gives the agent an order, which may be for one host. Without an error it is in
// force.
func (c *Client) Give(ctx context.Context, o Order) error {
	text := order{Order: o.Order.String(), Host: o.Host}
	if o.Condition != 0 {
		text.Condition = o.Condition.String()
	}
	body, err := json.Marshal(text)
	if err != nil {
		return err
	}
	_, err = c.ask(ctx, http.MethodPost, orderPath, body)
	return err
}

func (c *Client) ask(ctx context.Context, method, path string, body []byte) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, clientTime)
	defer cancel()
	resp, err := c.exchange(ctx, method, path, body)
	if err != nil {
		return nil, c.explain(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(io.LimitReader(resp.Body, longestAnswer))
	if err != nil {
		return nil, fmt.Errorf("the answer of the agent at %s broke off: %w", c.path, err)
	}
	if resp.StatusCode != http.StatusOK {
		var a answer
		if json.Unmarshal(text, &a) != nil || a.Error == "" {
			a.Error = resp.Status
		}
		return nil, errors.New(a.Error)
	}
	return text, nil
}

// exchange has one question and its answer on a connection of its own, which ends
// with ctx. http.Transport would do it too, but names an agent that closes at once
// by an error that cannot be told from others.
func (c *Client) exchange(ctx context.Context, method, path string, body []byte) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, method, "http://agent"+path, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	req.Close = true
	conn, err := new(net.Dialer).DialContext(ctx, "unix", c.path)
	if err != nil {
		return nil, err
	}
	context.AfterFunc(ctx, func() { conn.Close() })
	unsent := req.Write(conn) // what refuses a question may have answered already
	resp, err := http.ReadResponse(bufio.NewReader(conn), req)
	switch {
	case err == nil:
		return resp, nil
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case unsent != nil:
		return nil, unsent
	}
	return nil, err
}

// ErrNoAgent is told, by [errors.Is], of a socket where no agent listens: it does not
// run, or is being restarted.
var ErrNoAgent = errors.New("no agent listens")

type noAgent string

func (path noAgent) Error() string {
	return fmt.Sprintf("no agent listens at %s. Is it running? (systemctl status ebbline)", string(path))
}

func (noAgent) Is(target error) bool { return target == ErrNoAgent }

// explain says what to do about an agent that cannot be asked.
func (c *Client) explain(err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, unix.ECONNREFUSED):
		return noAgent(c.path)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("you may not speak to the agent at %s. Become root, or a member of the group that owns the socket", c.path)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, unix.ECONNRESET), errors.Is(err, unix.EPIPE):
		return fmt.Errorf("the agent at %s has closed the connection: it takes %d of a user at the same time. End other calls of ebbline status and try again", c.path, perUser)
	}
	return fmt.Errorf("the agent at %s does not answer: %w", c.path, err)
}
