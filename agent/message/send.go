package message

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"text/template"
	"time"

	"ebbline/agent/action/local"
	"ebbline/agent/certificate"
	"ebbline/agent/clean"
	"ebbline/policy"
	"ebbline/shutdown"
)

// Secrets gives the value of a secret when it is needed.
type Secrets = func(policy.Secret) ([]byte, error)

// sender is one way to a receiver. send returns by ctx's deadline; nil says that
// the message was taken.
type sender interface {
	send(ctx context.Context, m *Message) error
	where() string // for people: the host, never the secret parts
}

// unwanted is the answer of a receiver that understood this message and will not
// take it, however often it is sent.
type unwanted struct{ error }

// way makes the way that the policy names.
func way(p *policy.Message, read Secrets) sender {
	switch {
	case p.Webhook != nil:
		h := &webhook{policy: p.Webhook, read: read}
		if p.Webhook.Template != "" {
			h.template, h.broken = parse(p.Webhook.Template)
		}
		return h
	case p.Mail != nil:
		return &mailer{p.Mail, read}
	}
	return &command{p.Command}
}

// Try sends one message once, by the receiver's way.
func Try(ctx context.Context, p *policy.Message, read Secrets, m *Message) error {
	return way(p, read).send(ctx, m)
}

// Where says where a receiver is, without what is secret.
func Where(p *policy.Message) string { return way(p, nil).where() }

// command is a program on the agent's own host. It gets the message as JSON on its
// standard input: arguments are seen by every user.
type command struct{ line []string }

func (c *command) where() string { return "command " + c.line[0] }

func (c *command) send(ctx context.Context, m *Message) error {
	text, err := json.Marshal(m)
	if err != nil {
		return err
	}
	deadline, ok := ctx.Deadline()
	if !ok {
		deadline = time.Now().Add(sendWithin)
	}
	o, said := local.Feed(ctx, c.line, append(text, '\n'), deadline)
	if o != shutdown.Accepted {
		return fmt.Errorf("%s. Run it by hand as the agent's user", said)
	}
	return nil
}

// webhook is an HTTP POST.
type webhook struct {
	policy   *policy.Webhook
	read     Secrets
	template *template.Template
	broken   error
}

func (h *webhook) where() string { return "webhook " + host(h.policy.URL) }

// host is where a URL goes, as far as no secret hides it.
func host(t policy.Text) string {
	var b strings.Builder
	for _, p := range t {
		if p.Secret != "" {
			break
		}
		b.WriteString(p.Text)
	}
	if u, err := url.Parse(b.String()); err == nil && u.Host != "" {
		return u.Host
	}
	return "with a secret URL"
}

func (h *webhook) send(ctx context.Context, m *Message) error {
	body, err := json.Marshal(m)
	kind := jsonType
	if h.template != nil {
		body, err = fill(h.template, m)
		if h.policy.ContentType != "" {
			kind = h.policy.ContentType
		}
	}
	if err := errors.Join(err, h.broken); err != nil {
		return unwanted{fmt.Errorf("its template fails: %w. Run `ebbline check`", err)}
	}
	r := request{method: http.MethodPost, url: h.policy.URL, headers: h.policy.Headers, certificate: h.policy.Certificate, read: h.read}
	r.body, r.kind, r.id = body, kind, m.ID
	return r.do(ctx)
}

// request is one HTTP request to an address of the policy's.
type request struct {
	method      string
	url         policy.Text
	headers     []policy.Header
	certificate string
	read        Secrets
	body        []byte
	kind, id    string
}

// value puts the secrets into a text.
func value(t policy.Text, read Secrets) (string, error) {
	var b strings.Builder
	for _, p := range t {
		if p.Secret == "" {
			b.WriteString(p.Text)
			continue
		}
		v, err := read(p.Secret)
		if err != nil {
			return "", err
		}
		b.Write(v)
	}
	return b.String(), nil
}

// do sends the request. Its errors name no more of the URL than its host.
func (r *request) do(ctx context.Context) error {
	req, err := r.make(ctx)
	if err != nil {
		return err
	}
	tls, err := certificate.Verified(r.certificate)
	if err != nil {
		return err
	}
	transport := &http.Transport{Proxy: http.ProxyFromEnvironment, TLSClientConfig: tls, DisableKeepAlives: true, MaxResponseHeaderBytes: 64 << 10}
	client := http.Client{Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	answer, err := client.Do(req)
	if err != nil {
		return plain(err)
	}
	defer answer.Body.Close()
	io.Copy(io.Discard, io.LimitReader(answer.Body, 64<<10)) // so that the other side sees its answer taken
	return judge(answer)
}

func (r *request) make(ctx context.Context) (*http.Request, error) {
	address, err := value(r.url, r.read)
	if err != nil {
		return nil, err
	}
	u, err := url.Parse(address)
	if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" {
		return nil, errors.New("its URL, with the secrets in it, is none of the kind https://host/path. Look at the secrets")
	}
	req, err := http.NewRequestWithContext(ctx, r.method, "", bytes.NewReader(r.body))
	if err != nil {
		return nil, err
	}
	req.URL, req.Host = u, u.Host
	req.Header.Set("User-Agent", "ebbline")
	if r.kind != "" {
		req.Header.Set("Content-Type", r.kind)
		req.Header.Set("Idempotency-Key", `"`+r.id+`"`)
	}
	for _, h := range r.headers {
		v, err := value(h.Value, r.read)
		if err != nil {
			return nil, err
		}
		if strings.ContainsFunc(v, func(c rune) bool { return c < ' ' || c == 0x7f }) {
			return nil, fmt.Errorf("the header %s, with the secrets in it, has a control character. Look at the secrets", h.Name)
		}
		req.Header.Set(h.Name, v)
	}
	return req, nil
}

// judge reads an answer's status (RFC 9110, 15).
func judge(a *http.Response) error {
	status := fmt.Sprintf("HTTP %d %s", a.StatusCode, http.StatusText(a.StatusCode))
	switch code := a.StatusCode; {
	case code >= 200 && code < 300:
		return nil
	case code >= 300 && code < 400:
		to := "another address"
		if u, err := a.Location(); err == nil {
			to = clean.Line(u.Scheme+"://"+u.Host, mostTitle)
		}
		return fmt.Errorf("%s: it sends us to %s, and a message goes nowhere but to the URL of the policy. Write the address where it is to go", status, to)
	case code == 401 || code == 403:
		return fmt.Errorf("%s: it does not let us in. Look at the secrets in its URL and headers", status)
	case code == 404 || code == 405 || code == 410:
		return fmt.Errorf("%s: there is nothing that takes messages at this URL. Look at it", status)
	case code == 400 || code == 413 || code == 415 || code == 422:
		return unwanted{fmt.Errorf("%s: it does not take this message. Look at what it expects, and write template", status)}
	}
	return fmt.Errorf("%s. Look at the receiver's own log", status)
}

const notReached = "Is it up, the address right, and the way to it open from here?"

// plain says an error without the URL in which it happened, and what to do.
func plain(err error) error {
	var request *url.Error
	if errors.As(err, &request) {
		err = request.Err
	}
	var network *net.OpError
	said := clean.Line(certificate.Advice(err).Error(), mostText)
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		return errors.New("no answer in time. " + notReached)
	case errors.As(err, &network) && network.Op == "dial":
		return errors.New(said + ". " + notReached)
	}
	return errors.New(said)
}
