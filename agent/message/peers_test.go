package message

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbline/agent"
	"ebbline/agent/peertest"
	"ebbline/policy"
)

func secretsOf(values map[string]string) Secrets {
	return func(name policy.Secret) ([]byte, error) {
		v, ok := values[string(name)]
		if !ok {
			return nil, fmt.Errorf("no secret %q", name)
		}
		return []byte(v), nil
	}
}

func sample() *Message {
	m := of(agent.News{At: time.Unix(1_700_000_000, 0), Change: agent.Happened, Code: agent.InputLost, Severity: policy.Warning, UPS: "rack", Text: "UPS rack: on battery; riding through", Outage: 1}, "barn")
	return &m
}

func text(parts ...string) (t policy.Text) {
	for _, p := range parts {
		if name, ok := strings.CutPrefix(p, "secret:"); ok {
			t = append(t, policy.Piece{Secret: policy.Secret(name)})
		} else {
			t = append(t, policy.Piece{Text: p})
		}
	}
	return t
}

// hunter is in every secret of these tests, and may be in no error.
const hunter = "hunter2"

// Aim: what a webhook's receiver gets, and what becomes of each of its answers. Method:
// net/http's server over real TCP. No error may hold the secret of the URL.
func TestWebhook(t *testing.T) {
	var got *http.Request
	var body []byte
	answer, location := 200, ""
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		got = r
		body, _ = io.ReadAll(r.Body)
		if location != "" {
			w.Header().Set("Location", location)
		}
		w.WriteHeader(answer)
		fmt.Fprint(w, "the receiver's words "+hunter)
	}))
	defer s.Close()
	p := &policy.Message{Name: "chat", Webhook: &policy.Webhook{URL: text(s.URL+"/T/", "secret:hook", "?a=1"),
		Headers: []policy.Header{{Name: "Authorization", Value: text("Bearer ", "secret:bearer")}}}}
	read := secretsOf(map[string]string{"hook": hunter, "bearer": hunter + "-b"})
	if err := Try(t.Context(), p, read, sample()); err != nil {
		t.Fatal(err)
	}
	if got.Method != "POST" || got.URL.Path != "/T/"+hunter || got.URL.RawQuery != "a=1" || got.Header.Get("Authorization") != "Bearer "+hunter+"-b" ||
		got.Header.Get("Content-Type") != "application/json" || got.Header.Get("Idempotency-Key") != `"`+sample().ID+`"` {
		t.Errorf("the receiver got %s %s %v", got.Method, got.URL, got.Header)
	}
	var m Message
	if err := json.Unmarshal(body, &m); err != nil || m.Code != agent.InputLost || m.ID != sample().ID {
		t.Errorf("the receiver got %s: %v", body, err)
	}
	for _, c := range []struct {
		answer   int
		location string
		says     string
		unwanted bool
	}{
		{204, "", "", false},
		{302, "https://elsewhere.example/" + hunter, "it sends us to https://elsewhere.example, and", false},
		{308, "https://elsewhere.example/" + hunter, "Write the address where it is to go", false},
		{403, "", "Look at the secrets", false},
		{404, "", "nothing that takes messages", false},
		{422, "", "does not take this message", true},
		{429, "", "HTTP 429", false},
		{500, "", "HTTP 500", false},
	} {
		answer, location = c.answer, c.location
		err := Try(t.Context(), p, read, sample())
		_, no := err.(unwanted)
		if (err == nil) != (c.says == "") || no != c.unwanted || err != nil && (!strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), hunter)) {
			t.Errorf("%d: %v", c.answer, err)
		}
	}
	answer, location = 200, ""
	p.Webhook.Template, p.Webhook.ContentType = "{{.Site}}: {{.Title}}", "text/plain"
	if err := Try(t.Context(), p, read, sample()); err != nil || string(body) != "barn: UPS rack: on battery; riding through" || got.Header.Get("Content-Type") != "text/plain" {
		t.Errorf("by a template: %q, %v", body, err)
	}
	s.Close()
	if err := Try(t.Context(), p, read, sample()); err == nil || strings.Contains(err.Error(), hunter) {
		t.Errorf("nothing listens: %v", err)
	}
	if err := Try(t.Context(), p, secretsOf(nil), sample()); err == nil || !strings.Contains(err.Error(), `no secret "hook"`) {
		t.Errorf("without the secret: %v", err)
	}
}

// Aim: a certificate that nobody known has signed is refused, with its fingerprint, and
// taken when the policy names it; another than the named one is refused.
func TestCertificate(t *testing.T) {
	s := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	defer s.Close()
	sum := sha256.Sum256(s.Certificate().Raw)
	print := "SHA256:" + base64.RawStdEncoding.EncodeToString(sum[:])
	p := &policy.Message{Name: "chat", Webhook: &policy.Webhook{URL: text(s.URL)}}
	if err := Try(t.Context(), p, nil, sample()); err == nil || !strings.Contains(err.Error(), print) {
		t.Errorf("unknown certificate: %v", err)
	}
	p.Webhook.Certificate = print
	if err := Try(t.Context(), p, nil, sample()); err != nil {
		t.Errorf("named certificate: %v", err)
	}
	p.Webhook.Certificate = "SHA256:" + strings.Repeat("A", 43)
	if err := Try(t.Context(), p, nil, sample()); err == nil || !strings.Contains(err.Error(), "not the one in the policy") {
		t.Errorf("another certificate: %v", err)
	}
}

// Aim: a receiver that takes the connection and says nothing is left at the deadline, by
// each way.
func TestSilentReceivers(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for name, p := range map[string]*policy.Message{
		"webhook": {Webhook: &policy.Webhook{URL: text("http://" + l.Addr().String())}},
		"mail":    {Mail: &policy.Mail{Server: l.Addr().String(), From: "a@example.org", To: []string{"b@example.org"}, TLS: policy.StartTLS}},
		"smtps":   {Mail: &policy.Mail{Server: l.Addr().String(), From: "a@example.org", To: []string{"b@example.org"}, TLS: policy.Implicit}},
		"command": {Command: []string{"sleep", "60"}},
	} {
		t.Run(name, func(t *testing.T) {
			ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
			defer cancel()
			if err := Try(ctx, p, nil, sample()); err == nil {
				t.Error("it was taken")
			}
		})
	}
}

// Aim: a command gets the message on its standard input, and no secret of ours.
func TestCommand(t *testing.T) {
	t.Setenv("EBBLINE_SECRET_X", hunter)
	out := filepath.Join(t.TempDir(), "out")
	p := &policy.Message{Command: []string{"/bin/sh", "-c", "cat >" + out + "; env >>" + out}}
	if err := Try(t.Context(), p, nil, sample()); err != nil {
		t.Fatal(err)
	}
	got, _ := os.ReadFile(out)
	var m Message
	if err := json.NewDecoder(strings.NewReader(string(got))).Decode(&m); err != nil || m.ID != sample().ID || strings.Contains(string(got), hunter) {
		t.Errorf("%v: %s", err, got)
	}
	p.Command = []string{"/bin/sh", "-c", "echo it does not work; exit 3"}
	if err := Try(t.Context(), p, nil, sample()); err == nil || !strings.Contains(err.Error(), "exit status 3: it does not work") {
		t.Errorf("a command that fails: %v", err)
	}
}

// Aim: mail reaches a real server, over TLS and with a login, both by STARTTLS and from the
// first byte; a wrong password, a wrong certificate, a server without TLS and an address that it
// does not serve are said for what they are. Method: Debian's Exim.
func TestMail(t *testing.T) {
	s := peertest.StartSMTPD(t)
	base := policy.Mail{Server: s.Addr, From: "ebbline@example.org", To: []string{s.To}, User: s.User, Password: "mail", TLS: policy.StartTLS, Certificate: s.Certificate}
	read := secretsOf(map[string]string{"mail": s.Password, "wrong": hunter})
	for name, change := range map[string]func(m *policy.Mail){
		"":                      func(m *policy.Mail) {},
		"implicit":              func(m *policy.Mail) { m.Server, m.TLS = s.TLSAddr, policy.Implicit },
		"no:not the one":        func(m *policy.Mail) { m.Certificate = "SHA256:" + strings.Repeat("A", 43) },
		"no:its fingerprint is": func(m *policy.Mail) { m.Certificate = "" },
		"no:535":                func(m *policy.Mail) { m.Password = "wrong" },
		"no:STARTTLS":           func(m *policy.Mail) { m.Server = s.ClearAddr },
		"no:Invalid recipient":  func(m *policy.Mail) { m.To = []string{"nobody@elsewhere.example"}; m.User = "" },
	} {
		t.Run(name, func(t *testing.T) {
			mail, msg := base, sample()
			msg.ID += fmt.Sprint(len(name))
			change(&mail)
			err := Try(t.Context(), &policy.Message{Mail: &mail}, read, msg)
			says, bad := strings.CutPrefix(name, "no:")
			switch {
			case !bad && err != nil:
				t.Error(err)
			case bad && (err == nil || !strings.Contains(err.Error(), says) || strings.Contains(err.Error(), hunter)):
				t.Errorf("it says: %v", err)
			case !bad:
				letter := s.Letter(t, msg.ID)
				for _, want := range []string{"Subject: [barn] warning: UPS rack: on battery; riding through", "Message-ID: <" + msg.ID + "@example.org>", "Auto-Submitted: auto-generated", "To: <" + s.To + ">"} {
					if !strings.Contains(letter, want) {
						t.Errorf("no %q in\n%s", want, letter)
					}
				}
			}
		})
	}
}
