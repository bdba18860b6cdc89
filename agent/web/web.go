// Package web is what a browser and Prometheus see of the agent: read only, on the
// addresses that the policy names. It must never take an order, nor be reached from
// another machine without a guard; and nothing that it is sent may hold up a decision:
// connections, their time and their size are bounded, and what is shown is made at
// most once a second, whoever asks.
package web

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"ebbline/agent/bounded"
	"ebbline/policy"
)

// Secrets gives the value of a secret when it is needed.
type Secrets = func(policy.Secret) ([]byte, error)

// Config is what a server is made of.
type Config struct {
	Metrics http.Handler // at /metrics
	Page    http.Handler // everything else; GET and HEAD alone
	Secrets Secrets
	Log     *zap.Logger
	// Fault is told what is not served and the next step; "" when all is.
	Fault func(text string)
}

const (
	requestTime = 5 * time.Second  // from the connection to the end of the request, TLS included
	answerTime  = 30 * time.Second // to take the answer
	longestHead = 8 << 10          // bytes of a request's headers
	connections = 64
	perAddress  = 16
)

// again is how long a listener that failed waits before it is tried anew; tests have
// it shorter.
var again = 5 * time.Second

// Server serves what the policies that it is given ask for, one after the other.
type Server struct {
	config Config
	next   chan policy.Site // the newest that Run has not taken up

	mu     sync.Mutex
	faults map[string]string // by address
}

// New makes a server; Run serves.
func New(c Config) *Server {
	if c.Log == nil {
		c.Log = zap.NewNop()
	}
	return &Server{config: c, next: make(chan policy.Site, 1), faults: map[string]string{}}
}

// Adopt puts a policy's addresses in the place of those before, and reads secrets
// anew.
func (s *Server) Adopt(p policy.Site) {
	s.mu.Lock()
	defer s.mu.Unlock()
	select {
	case <-s.next:
	default:
	}
	s.next <- p
}

// Run serves until ctx ends.
func (s *Server) Run(ctx context.Context) {
	stop := func() {}
	defer func() { stop() }()
	for {
		select {
		case <-ctx.Done():
			return
		case p := <-s.next:
			stop()
			stop = s.serve(ctx, &p)
		}
	}
}

// serve opens the doors of a policy; what it gives closes them.
func (s *Server) serve(ctx context.Context, p *policy.Site) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	var open sync.WaitGroup
	for _, d := range doors(p) {
		open.Go(func() { s.keep(ctx, d) })
	}
	return func() {
		cancel()
		open.Wait()
		s.mu.Lock()
		clear(s.faults)
		s.mu.Unlock()
		s.config.Fault("")
	}
}

// door is one address and what is behind it.
type door struct {
	listen  string
	page    *policy.Page // nil for none
	metrics bool
}

func doors(p *policy.Site) []door {
	var all []door
	if p.Page != nil {
		all = append(all, door{p.Page.Listen, p.Page, p.Metrics != nil && p.Metrics.Listen == p.Page.Listen})
	}
	if p.Metrics != nil && (p.Page == nil || p.Page.Listen != p.Metrics.Listen) {
		all = append(all, door{p.Metrics.Listen, nil, true})
	}
	return all
}

// what names what a door shows.
func (d *door) what() string {
	switch {
	case d.page == nil:
		return "the figures for Prometheus"
	case d.metrics:
		return "the page and the figures for Prometheus"
	}
	return "the page"
}

// keep serves a door until ctx ends, and tries again when it cannot.
func (s *Server) keep(ctx context.Context, d door) {
	for {
		err := s.once(ctx, d)
		if ctx.Err() != nil {
			return
		}
		s.fault(d.listen, fmt.Sprintf("%s cannot be served at %s: %v.", d.what(), d.listen, err))
		select {
		case <-ctx.Done():
			return
		case <-time.After(again):
		}
	}
}

// fault tells what a door's fault is; "" for none. What stands already is told again:
// whoever hears it may not have been ready.
func (s *Server) fault(listen, text string) {
	s.mu.Lock()
	if s.faults[listen] != text {
		s.config.Log.Warn("page and metrics", zap.String("address", listen), zap.String("fault", text))
	}
	s.faults[listen] = text
	var all []string
	for _, f := range s.faults {
		if f != "" {
			all = append(all, f)
		}
	}
	s.mu.Unlock()
	slices.Sort(all)
	text = strings.Join(all, " ")
	if text != "" {
		text = strings.ToUpper(text[:1]) + text[1:] + " It is tried again every few seconds."
	}
	s.config.Fault(text)
}

// once opens a door and serves it until that fails or ctx ends.
func (s *Server) once(ctx context.Context, d door) error {
	g, err := s.guard(&d)
	if err != nil {
		return err
	}
	ln, err := new(net.ListenConfig).Listen(ctx, "tcp", d.listen)
	if err != nil {
		return fmt.Errorf("%w. Take what has this address away, or write another one as listen", bare(err))
	}
	defer ln.Close()
	// The policy was checked; a name in it may mean another address by now.
	if at, ok := ln.Addr().(*net.TCPAddr); d.page != nil && !d.page.Guarded() && !(ok && at.IP.IsLoopback()) {
		return fmt.Errorf("it is %s, which other machines can reach, and it has no guard. Give it TLS and a password, or listen at 127.0.0.1", ln.Addr())
	}
	server := http.Server{
		Handler: g, ReadHeaderTimeout: requestTime, ReadTimeout: requestTime, WriteTimeout: answerTime,
		MaxHeaderBytes: longestHead, ErrorLog: zap.NewStdLog(zap.NewNop()), // strangers do not fill the log
		TLSConfig: g.tls, TLSNextProto: map[string]func(*http.Server, *tls.Conn, http.Handler){}, // no HTTP/2: one connection is one question
	}
	server.SetKeepAlivesEnabled(false) // one that says nothing has no place for longer than a request takes
	stop := context.AfterFunc(ctx, func() { server.Close() })
	defer stop()
	s.fault(d.listen, "")
	s.config.Log.Info("page and metrics", zap.String("serves", d.what()), zap.String("address", ln.Addr().String()))
	few := &limited{Listener: ln}
	if g.tls != nil {
		return server.ServeTLS(few, "", "")
	}
	return server.Serve(few)
}

// bare is a listener's error without the address, which the message has already.
func bare(err error) error {
	var op *net.OpError
	if errors.As(err, &op) {
		return op.Err
	}
	return err
}

// identity reads by what the page proves who it is, and whom it lets in.
func (s *Server) identity(t *policy.PageTLS) (*tls.Config, error) {
	read := func(name policy.Secret) ([]byte, error) {
		text, err := s.config.Secrets(name)
		if err != nil {
			return nil, fmt.Errorf("the secret %q cannot be read: %w. Put it where the agent looks for secrets", name, err)
		}
		return text, nil
	}
	chain, err := read(t.Chain)
	if err != nil {
		return nil, err
	}
	key, err := read(t.Key)
	if err != nil {
		return nil, err
	}
	own, err := tls.X509KeyPair(chain, key)
	if err != nil {
		return nil, fmt.Errorf("the secrets %q and %q are no certificate and its key: %w. Both are PEM, the certificate before those above it", t.Chain, t.Key, err)
	}
	c := &tls.Config{Certificates: []tls.Certificate{own}, MinVersion: tls.VersionTLS12}
	if t.Clients == "" {
		return c, nil
	}
	authorities, err := read(t.Clients)
	if err != nil {
		return nil, err
	}
	c.ClientCAs, c.ClientAuth = x509.NewCertPool(), tls.RequireAndVerifyClientCert
	if !c.ClientCAs.AppendCertsFromPEM(authorities) {
		return nil, fmt.Errorf("the secret %q has no certificate of an authority. It is PEM", t.Clients)
	}
	return c, nil
}

// limited closes a connection for which there is no room as soon as it comes: those
// who say nothing, or read slowly, keep others out for a few seconds at most.
type limited struct {
	net.Listener
	places bounded.Places[string] // by the other side's address
}

// Accept implements [net.Listener].
func (l *limited) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		from, _, _ := net.SplitHostPort(c.RemoteAddr().String())
		if leave, ok := l.places.Enter(from, connections, perAddress); ok {
			return &place{c, leave}, nil
		}
		c.Close()
	}
}

// place is a connection that gives its place back when it ends.
type place struct {
	net.Conn
	leave func()
}

// Close implements [net.Conn].
func (p *place) Close() error {
	p.leave()
	return p.Conn.Close()
}
