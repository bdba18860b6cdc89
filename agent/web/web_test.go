package web

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"ebbline/agent/peertest"
	"ebbline/policy"
)

// These tests speak to the server over real sockets; curl is the client where what
// another program says matters.

func TestMain(m *testing.M) {
	again = 100 * time.Millisecond
	os.Exit(m.Run())
}

// served is a server with a page and figures, and what it complains of.
type served struct {
	*Server
	t       *testing.T
	secrets map[policy.Secret]string

	mu    sync.Mutex
	fault string
	heard int
	paths []string // that were shown
}

func (s *served) shown() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.paths)
}

func serve(t *testing.T, p policy.Site, secrets map[policy.Secret]string) *served {
	t.Helper()
	s := &served{t: t, secrets: secrets}
	noted := func(h http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			s.mu.Lock()
			s.paths = append(s.paths, r.URL.Path)
			s.mu.Unlock()
			h.ServeHTTP(w, r)
		})
	}
	figures := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { io.WriteString(w, "the figures") })
	page := Page(func() []byte {
		return []byte("<!DOCTYPE html><title>t</title><style>p { color: red }</style><p>the page")
	})
	s.Server = New(Config{Metrics: noted(figures), Page: noted(page), Secrets: func(name policy.Secret) ([]byte, error) {
		s.mu.Lock()
		defer s.mu.Unlock()
		v, ok := s.secrets[name]
		if !ok {
			return nil, errors.New("it is nowhere")
		}
		return []byte(v), nil
	}, Fault: func(text string) {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.fault = text
		s.heard++
	}})
	ctx, stop := context.WithCancel(context.Background())
	over := make(chan bool)
	go func() { s.Run(ctx); close(over) }()
	t.Cleanup(func() { stop(); <-over })
	s.Adopt(p)
	return s
}

// put changes a secret.
func (s *served) put(name policy.Secret, value string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.secrets[name] = value
}

// says waits until the fault is one that has the words, or none for "".
func (s *served) says(words string) {
	s.t.Helper()
	got := ""
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		s.mu.Lock()
		got = s.fault
		good := s.heard > 0 && (words == "") == (got == "") && strings.Contains(got, words)
		s.mu.Unlock()
		if good {
			return
		}
	}
	s.t.Fatalf("the fault is %q, want %q", got, words)
}

// free gives an address at which nothing listens.
func free(t *testing.T, host string) string {
	t.Helper()
	ln, err := net.Listen("tcp", net.JoinHostPort(host, "0"))
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}

// curl asks, and gives the status, the headers and the body.
func curl(t *testing.T, args ...string) (status, text string) {
	t.Helper()
	out, err := exec.Command("curl", append([]string{"-s", "-i", "--max-time", "20"}, args...)...).CombinedOutput()
	if err != nil {
		return fmt.Sprint(err), string(out)
	}
	line, _, _ := strings.Cut(string(out), "\r\n")
	_, status, _ = strings.Cut(line, " ")
	return status, string(out)
}

// until waits until an address answers.
func until(t *testing.T, at string) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		c, err := net.Dial("tcp", at)
		if err == nil {
			c.Close()
			return
		}
		if time.Now().After(end) {
			t.Fatal(err)
		}
	}
}

// Aim: one address shows the page and the figures, and nothing else; no method but
// GET and HEAD does anything; another name than ours is refused, and with it a site
// that lets its own name mean this address. Method: curl.
func TestOneAddress(t *testing.T) {
	at := free(t, "127.0.0.1")
	_, port, _ := net.SplitHostPort(at)
	serve(t, policy.Site{Metrics: &policy.Metrics{Listen: at}, Page: &policy.Page{Listen: at, Names: []string{"power.example"}}}, nil)
	until(t, at)
	for _, c := range []struct {
		want, body string
		args       []string
	}{
		{"200 OK", "the page", []string{"http://" + at + "/"}},
		{"200 OK", "the figures", []string{"http://" + at + "/metrics"}},
		{"200 OK", "the figures", []string{"http://localhost:" + port + "/metrics", "-4"}},
		{"200 OK", "the page", []string{"http://" + at + "/", "-H", "Host: Power.Example:1234"}},
		{"200 OK", "the page", []string{"http://" + at + "/", "-H", "Host: [::1]:8633"}},
		{"200 OK", "", []string{"-I", "http://" + at + "/"}},
		{"421 Misdirected Request", "names", []string{"http://" + at + "/", "-H", "Host: evil.example"}},
		{"421 Misdirected Request", "names", []string{"http://" + at + "/metrics", "-H", "Host: 127.0.0.1.evil.example"}},
		{"405 Method Not Allowed", "", []string{"-X", "POST", "-d", "order=abort", "http://" + at + "/"}},
		{"405 Method Not Allowed", "", []string{"-X", "DELETE", "http://" + at + "/metrics"}},
		{"431 Request Header Fields Too Large", "", []string{"http://" + at + "/", "-H", "X: " + strings.Repeat("x", 20_000)}},
	} {
		if status, text := curl(t, c.args...); status != c.want && !(strings.HasPrefix(c.want, "431") && status == "exit status 56") || !strings.Contains(text, c.body) { // 56: it was closed on us while we sent
			t.Errorf("%.120v: %s\n%s", c.args, status, text)
		}
	}
	_, text := curl(t, "http://"+at+"/")
	for _, h := range []string{"Cache-Control: no-store", "X-Content-Type-Options: nosniff", "default-src 'none'", "frame-ancestors 'none'", "style-src 'sha256-", "Referrer-Policy: no-referrer"} {
		if !strings.Contains(text, h) {
			t.Errorf("no %s in\n%s", h, text)
		}
	}
	if strings.Contains(text, "unsafe") || strings.Contains(text, "Server:") {
		t.Errorf("the headers are\n%s", text)
	}
}

// Aim: another site's page can neither show nor load what is here, in a browser that
// has its password; a link from it leads here. Method: a real Chromium opens a page of
// another site that tries every way there is without a script; what comes through to
// the page and the figures is counted. The page itself, and what it opens, do.
func TestOtherSites(t *testing.T) {
	at := free(t, "127.0.0.1")
	served := serve(t, policy.Site{Metrics: &policy.Metrics{Listen: at}, Page: &policy.Page{Listen: at}}, nil)
	until(t, at)
	lure := http.NewServeMux()
	lure.HandleFunc("GET /", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		fmt.Fprintf(w, `<!DOCTYPE html><title>lure</title><link rel="stylesheet" href="http://%[1]s/a"><img src="http://%[1]s/metrics"><iframe src="http://%[1]s/b"></iframe><object data="http://%[1]s/c"></object><video src="http://%[1]s/d"></video>`, at)
	})
	lure.HandleFunc("GET /link", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		fmt.Fprintf(w, `<!DOCTYPE html><meta http-equiv="refresh" content="0; url=http://%s/linked">`, at)
	})
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	site := http.Server{Handler: lure}
	go site.Serve(ln)
	defer site.Close()
	_, port, _ := net.SplitHostPort(ln.Addr().String())

	b := peertest.OpenBrowser(t, "")
	b.Open("http://localhost:"+port+"/", 1100, "light")
	tried := map[string]bool{}
	for _, e := range b.Events {
		var r struct{ Request struct{ URL string } }
		if e.Method == "Network.requestWillBeSent" && json.Unmarshal(e.Params, &r) == nil {
			if path, ours := strings.CutPrefix(r.Request.URL, "http://"+at); ours {
				tried[path] = true
			}
		}
	}
	for _, path := range []string{"/a", "/b", "/metrics"} {
		if !tried[path] {
			t.Errorf("the lure does not ask for %s: %v", path, tried)
		}
	}
	if got := served.shown(); len(got) > 0 {
		t.Errorf("another site is given %v", got)
	}
	b.Open("http://"+at+"/", 1100, "light")
	if got := served.shown(); !slices.Equal(got, []string{"/"}) {
		t.Errorf("the page itself is given %v", got)
	}
	b.Open("http://localhost:"+port+"/link", 1100, "light")
	for end := time.Now().Add(30 * time.Second); !slices.Contains(served.shown(), "/linked"); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("a link from elsewhere leads nowhere: %v", served.shown())
		}
	}
}

// Aim: an address that is taken is told with the next step, and served as soon as it is
// free; the other address is served meanwhile; another policy ends the fault.
func TestAddressTaken(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at, figures := taken.Addr().String(), free(t, "127.0.0.1")
	site := policy.Site{Page: &policy.Page{Listen: at}, Metrics: &policy.Metrics{Listen: figures}}
	s := serve(t, site, nil)
	s.says("The page cannot be served at " + at + ": bind: address already in use. Take what has")
	until(t, figures)
	if status, _ := curl(t, "http://"+figures+"/metrics"); status != "200 OK" {
		t.Errorf("the figures: %s", status)
	}
	if status, _ := curl(t, "http://"+figures+"/"); status != "404 Not Found" {
		t.Errorf("the page on the figures' address: %s", status)
	}
	taken.Close()
	s.says("")
	if status, _ := curl(t, "http://"+at+"/"); status != "200 OK" {
		t.Errorf("the page: %s", status)
	}
	if _, text := curl(t, "http://"+at+"/metrics"); strings.Contains(text, "the figures") {
		t.Error("the figures are on the page's address, which is not theirs")
	}
	again, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	s.Adopt(policy.Site{Page: &policy.Page{Listen: again.Addr().String()}})
	s.says("address already in use")
	s.Adopt(policy.Site{})
	s.says("")
	if _, err := net.Dial("tcp", figures); err == nil {
		t.Error("the old address is still served")
	}
}

// Aim: beyond this machine nothing is shown without a guard, whatever name the address
// had when the policy was checked. Method: an address of all interfaces.
func TestNoGuard(t *testing.T) {
	_, port, _ := net.SplitHostPort(free(t, "127.0.0.1"))
	at := "0.0.0.0:" + port
	s := serve(t, policy.Site{Page: &policy.Page{Listen: at}}, nil)
	s.says("has no guard. Give it TLS and a password")
	if c, err := net.Dial("tcp", "127.0.0.1:"+port); err == nil {
		c.Close()
		t.Error("it listens")
	}
}

// papers are an authority's certificate, a server's and a client's with their keys.
type papers struct{ authority, chain, key, client, clientKey string }

func newPapers(t *testing.T) papers {
	t.Helper()
	authorityKey, _ := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	authority := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "authority"}, NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	make := func(n int64, parent *x509.Certificate, c *x509.Certificate, key *ecdsa.PrivateKey) (string, string) {
		c.SerialNumber, c.NotAfter = big.NewInt(n), time.Now().Add(time.Hour)
		der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, authorityKey)
		if err != nil {
			t.Fatal(err)
		}
		pkcs8, err := x509.MarshalPKCS8PrivateKey(key)
		if err != nil {
			t.Fatal(err)
		}
		return string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})), string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8}))
	}
	var p papers
	p.authority, _ = make(1, authority, authority, authorityKey)
	serverKey, _ := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	p.chain, p.key = make(2, authority, &x509.Certificate{DNSNames: []string{"localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}, serverKey)
	clientKey, _ := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	p.client, p.clientKey = make(3, authority, &x509.Certificate{ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}, clientKey)
	return p
}

// Aim: with TLS and a password, or a client certificate, only who has them sees the
// page, and what is wrong with a secret is told without its value. Method: curl.
func TestGuards(t *testing.T) {
	p := newPapers(t)
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	ca := file("ca", p.authority)
	_, port, _ := net.SplitHostPort(free(t, "127.0.0.1"))
	url := "https://127.0.0.1:" + port + "/"
	page := policy.Page{Listen: "0.0.0.0:" + port, User: "ebbline", Password: "word", TLS: &policy.PageTLS{Chain: "chain", Key: "key"}}
	s := serve(t, policy.Site{Page: &page, Metrics: &policy.Metrics{Listen: page.Listen}}, map[policy.Secret]string{"chain": p.chain, "key": p.key, "word": "", "clients": p.authority})
	s.says(`the secret "word" is empty`)
	s.put("word", "grün:2")
	s.put("key", p.chain)
	s.says(`"chain" and "key" are no certificate and its key`)
	s.put("key", p.key)
	s.says("")
	for _, c := range []struct {
		want string
		args []string
	}{
		{"200 OK", []string{"--cacert", ca, "-u", "ebbline:grün:2", url}},
		{"200 OK", []string{"--cacert", ca, "-u", "ebbline:grün:2", url + "metrics"}},
		{"401 Unauthorized", []string{"--cacert", ca, url}},
		{"401 Unauthorized", []string{"--cacert", ca, "-u", "ebbline:grün", url + "metrics"}},
		{"401 Unauthorized", []string{"--cacert", ca, "-u", "root:grün:2", url}},
		{"400 Bad Request", []string{strings.Replace(url, "https", "http", 1)}},
		{"exit status 60", []string{"-u", "ebbline:grün:2", url}}, // an unknown authority
		{"exit status 35", []string{"--tls-max", "1.1", "--cacert", ca, url}},
	} {
		if status, text := curl(t, c.args...); status != c.want {
			t.Errorf("%v: %s, want %s\n%s", c.args, status, c.want, text)
		}
	}
	page.Password, page.TLS = "", &policy.PageTLS{Chain: "chain", Key: "key", Clients: "clients"}
	s.Adopt(policy.Site{Page: &page})
	client := []string{"--cacert", ca, "--cert", file("client", p.client), "--key", file("client-key", p.clientKey), url}
	status, text := curl(t, client...)
	for end := time.Now().Add(30 * time.Second); status != "200 OK" && time.Now().Before(end); { // the doors before are closing
		status, text = curl(t, client...)
	}
	if status != "200 OK" {
		t.Errorf("with a client certificate: %s\n%s", status, text)
	}
	other := newPapers(t)
	for _, args := range [][]string{{"--cacert", ca, url}, {"--cacert", ca, "--cert", file("other", other.client), "--key", file("other-key", other.clientKey), url}} {
		if status, _ := curl(t, args...); !strings.HasPrefix(status, "exit status") {
			t.Errorf("%v: %s", args, status)
		}
	}
}

// Aim: connections that say nothing, or never read, or never end their TLS, take few
// places and give them back; others are served meanwhile. Method: a crowd from one
// address, and another address that asks.
func TestCrowd(t *testing.T) {
	at := free(t, "127.0.0.1")
	serve(t, policy.Site{Page: &policy.Page{Listen: at}}, nil)
	until(t, at)
	var crowd []net.Conn
	for i := range 300 {
		c, err := net.Dial("tcp", at)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		switch i % 3 {
		case 1:
			io.WriteString(c, "GET / HTTP/1.1\r\nHost: localhost\r\nX: ")
		case 2:
			c.Write([]byte{22, 3, 1, 2}) // TLS where there is none
		}
		crowd = append(crowd, c)
	}
	if status, text := curl(t, "--interface", "127.0.0.2", "http://"+at+"/"); status != "200 OK" {
		t.Errorf("with a crowd: %s\n%s", status, text)
	}
	for i, c := range crowd {
		c.SetReadDeadline(time.Now().Add(time.Minute))
		if _, err := io.Copy(io.Discard, c); err != nil && !strings.Contains(err.Error(), "reset") {
			t.Fatalf("connection %d is not closed: %v", i, err)
		}
	}
	if status, _ := curl(t, "http://"+at+"/"); status != "200 OK" {
		t.Errorf("after the crowd: %s", status)
	}
}

// Aim: readers cost the agent one look at itself a second, however many they are.
func TestCached(t *testing.T) {
	made := 0
	h := Cached("text/plain", func() []byte { made++; return []byte("x") }).(*cached)
	server := http.Server{Handler: h}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go server.Serve(ln)
	defer server.Close()
	began := time.Now()
	var crowd sync.WaitGroup
	for range 50 {
		crowd.Go(func() {
			for range 20 {
				resp, err := http.Get("http://" + ln.Addr().String())
				if err != nil {
					t.Error(err)
					return
				}
				resp.Body.Close()
			}
		})
	}
	crowd.Wait()
	if most := 1 + int(time.Since(began)/fresh); made > most {
		t.Errorf("made %d times in %s, at most %d is right", made, time.Since(began), most)
	}
}

// Aim: a connection that ends HTTP/2's way is not offered it: one connection is one
// question.
func TestNoHTTP2(t *testing.T) {
	p := newPapers(t)
	at := free(t, "127.0.0.1")
	s := serve(t, policy.Site{Page: &policy.Page{Listen: at, TLS: &policy.PageTLS{Chain: "chain", Key: "key"}}}, map[policy.Secret]string{"chain": p.chain, "key": p.key})
	s.says("")
	c, err := tls.Dial("tcp", at, &tls.Config{InsecureSkipVerify: true, NextProtos: []string{"h2", "http/1.1"}}) // what it speaks is the question here
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if got := c.ConnectionState().NegotiatedProtocol; !slices.Contains([]string{"", "http/1.1"}, got) {
		t.Errorf("it speaks %s", got)
	}
}
