package web

import (
	"crypto/sha256"
	"crypto/subtle"
	"crypto/tls"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"time"
)

// guard stands before what a door shows: who asks, by which name, and how.
type guard struct {
	tls      *tls.Config
	names    []string // by which it may be asked, besides addresses
	user     string
	password []byte // nil asks for none
	realm    string
	behind   http.Handler
}

// guard makes a door's, of the secrets as they are now.
func (s *Server) guard(d *door) (*guard, error) {
	mux := http.NewServeMux()
	if d.metrics {
		mux.Handle("GET /metrics", s.config.Metrics)
	}
	g := &guard{names: []string{"localhost"}, realm: "ebbline", behind: mux}
	if d.page == nil {
		return g, nil
	}
	mux.Handle("GET /", s.config.Page)
	g.names = append(g.names, d.page.Names...)
	if u, err := url.Parse(d.page.Behind); err == nil && d.page.Behind != "" {
		g.names = append(g.names, strings.ToLower(u.Hostname()))
	}
	if name, _, err := net.SplitHostPort(d.listen); err == nil && name != "" {
		g.names = append(g.names, strings.ToLower(name))
	}
	if p := d.page.Password; p != "" {
		text, err := s.config.Secrets(p)
		switch {
		case err != nil:
			return nil, fmt.Errorf("the secret %q cannot be read: %w. Put it where the agent looks for secrets", p, err)
		case len(text) == 0:
			return nil, fmt.Errorf("the secret %q is empty. Write the password into it", p)
		}
		g.user, g.password = d.page.User, text
	}
	var err error
	if d.page.TLS != nil {
		g.tls, err = s.identity(d.page.TLS)
	}
	return g, err
}

// wrongWait is how long a wrong password waits for its answer: a connection can try
// one a second, and there are few of them.
const wrongWait = time.Second

// ServeHTTP implements [http.Handler].
func (g *guard) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Cache-Control", "no-store")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'")
	if !g.called(r.Host) {
		http.Error(w, "This address is not known by the name in your request. If it should be, write it in the policy: page { names = [\"name\"] }.", http.StatusMisdirectedRequest)
		return
	}
	if foreign(r.Header) {
		http.Error(w, "Another site asked for this in your browser. Open the page itself.", http.StatusForbidden)
		return
	}
	if g.password != nil {
		user, password, given := r.BasicAuth()
		if !given || !alike(user, g.user) || !alike(password, string(g.password)) {
			if given {
				select {
				case <-time.After(wrongWait):
				case <-r.Context().Done():
				}
			}
			h.Set("WWW-Authenticate", fmt.Sprintf("Basic realm=%q, charset=\"UTF-8\"", g.realm))
			http.Error(w, "Say who you are: the policy names the user, and the secret is the password.", http.StatusUnauthorized)
			return
		}
	}
	g.behind.ServeHTTP(w, r)
}

// foreign tells whether another site's page asks, in the reader's browser and with the
// password that it keeps (Fetch Metadata Request Headers, W3C, section 2). Such a page
// may lead here by a link, and show or read nothing. What sends no such headers is no
// browser, or one so old that the other headers must do.
func foreign(h http.Header) bool {
	switch h.Get("Sec-Fetch-Site") {
	case "", "same-origin", "none": // none: the reader typed it, or has it among the bookmarks
		return false
	}
	return h.Get("Sec-Fetch-Mode") != "navigate" || h.Get("Sec-Fetch-Dest") != "document"
}

// alike compares in a time that says nothing of where two texts differ.
func alike(a, b string) bool {
	x, y := sha256.Sum256([]byte(a)), sha256.Sum256([]byte(b))
	return subtle.ConstantTimeCompare(x[:], y[:]) == 1
}

// called tells whether a name is ours. A site in the reader's browser can let a
// name of its own mean this address, and would then read what the reader may
// (DNS rebinding); it cannot do that with an address, or with a name that is ours.
func (g *guard) called(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	_, err := netip.ParseAddr(strings.Trim(name, "[]"))
	return err == nil || slices.Contains(g.names, strings.ToLower(name))
}
