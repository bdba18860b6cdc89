package main

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"ebbline/agent/message"
	"ebbline/agent/peertest"
	"ebbline/policy"
)

const messagesPolicy = `
site "attic" {
  ride_through = "5s"
  reserve      = "5s"
  restore { stable_for = "2s" }
  sign_of_life {
    url         = "%[5]s/alive/${secret("hook")}"
    failure_url = "%[5]s/failure"
    every       = "10s"
    certificate = "%[6]s"
  }
}

ups "rack" {
  rated_watts = 2700
  battery {
    chemistry = "lfp"
    volts     = 24
    amp_hours = 20
  }
  snmp {
    address    = "%[1]s"
    version    = "2c"
    community  = secret("ups")
    poll_every = "1s"
  }
}

host "board" {
  self     = true
  priority = 100
  fed_by   = ["rack"]
  watts    = 250
  stops_in = "2s"
  gives_up = "5s"
  local { command = ["/usr/bin/touch", "%[2]s"] }
}

message "mail" {
  mail {
    server      = "%[3]s"
    from        = "ebbline@example.org"
    to          = ["operator@example.net"]
    user        = "agent"
    password    = secret("mail")
    certificate = "%[4]s"
  }
}

message "chat" {
  webhook {
    url         = "%[5]s/T/${secret("hook")}"
    certificate = "%[6]s"
  }
}

message "hung" {
  webhook { url = "http://%[7]s/T/${secret("hook")}" }
}

message "file" {
  codes   = ["input-lost"]
  command = ["/bin/sh", "-c", "cat >>%[8]s"]
}
`

// hooks is an HTTPS receiver.
type hooks struct {
	*httptest.Server
	mu   sync.Mutex
	got  []message.Message
	path map[string]int
}

func startHooks(t *testing.T) *hooks {
	h := &hooks{path: map[string]int{}}
	h.Server = httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		text, _ := io.ReadAll(r.Body)
		h.mu.Lock()
		defer h.mu.Unlock()
		h.path[r.URL.Path]++
		var m message.Message
		if r.Method == "POST" && json.Unmarshal(text, &m) == nil {
			h.got = append(h.got, m)
		}
	}))
	t.Cleanup(h.Close)
	return h
}

func (h *hooks) has(code string) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.ContainsFunc(h.got, func(m message.Message) bool { return m.Code == code })
}

func (h *hooks) count(path string) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.path[path]
}

// carries tells whether a letter has the report's first lines in its body, its text
// and its page. Method: the standard library's reader of RFC 2045 parts.
func carries(t *testing.T, letter string) bool {
	m, err := mail.ReadMessage(strings.NewReader(letter))
	if err != nil {
		t.Fatal(err)
	}
	_, with, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	if err != nil {
		t.Fatal(err)
	}
	parts := map[string]string{}
	for r := multipart.NewReader(m.Body, with["boundary"]); ; {
		part, err := r.NextRawPart()
		if err != nil {
			break
		}
		var body io.Reader = part
		switch part.Header.Get("Content-Transfer-Encoding") {
		case "base64":
			body = base64.NewDecoder(base64.StdEncoding, part)
		case "quoted-printable":
			body = quotedprintable.NewReader(part)
		}
		text, err := io.ReadAll(body)
		if err != nil {
			t.Fatal(err)
		}
		parts[part.FileName()] = string(text)
	}
	head, _, _ := strings.Cut(parts["outage-1.txt"], "\n\n")
	plain := strings.ReplaceAll(parts[""], "\r\n", "\n")
	return len(parts) == 3 && strings.Contains(head, "Outage 1 of attic") && strings.Contains(plain, head) && strings.Contains(parts["outage-1.html"], "</html>")
}

// Aim: the whole way. A loss of input reaches a webhook, a mailbox and a command while a
// fourth receiver hangs; that one is a condition; the report comes with the message of it; the sign of life is fetched; after a kill in
// the outage nothing is told twice under another id; no secret is in the log. A rehearsal sends
// each receiver a test.
// Method: ebbline as a process, net-snmp's snmpd as the UPS, Debian's Exim with TLS and login,
// net/http's server with TLS, a socket that never answers.
func TestMessagesFromEndToEnd(t *testing.T) {
	t.Parallel()
	state := peertest.DefaultUPS()
	state.Battery = &peertest.Battery{Full: 450 * 3600, Left: 450 * 3600, ChargeWatts: 1800}
	card, smtp, h := peertest.StartSNMPD(t, state), peertest.StartSMTPD(t), startHooks(t)
	silent, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	r := newRoom(t, card, map[string]policy.Secret{"ups": card.SNMP(2).Community})
	const secret = "hunter2"
	r.write("secrets/hook", secret, 0o600)
	r.write("secrets/mail", smtp.Password, 0o600)
	sum := sha256.Sum256(h.Certificate().Raw)
	file := filepath.Join(r.folder, "told")
	r.write("room.hcl", fmt.Sprintf(messagesPolicy, card.Addr, r.stopped(), smtp.Addr, smtp.Certificate, h.URL,
		"SHA256:"+base64.RawStdEncoding.EncodeToString(sum[:]), silent.Addr(), file), 0o644)
	if out, err := r.command("check", r.policy).CombinedOutput(); err != nil {
		t.Fatalf("check: %v\n%s", err, out)
	}
	out, err := r.command("rehearse", "--messages", r.policy).CombinedOutput()
	if exit := fmt.Sprint(err); exit != "exit status 1" || strings.Count(string(out), "taken in") != 5 || !strings.Contains(string(out), "NOT taken by webhook "+silent.Addr().String()) {
		t.Errorf("rehearse --messages: %v\n%s", err, out)
	}
	smtp.Letter(t, "[attic] TEST: Test of ebbline's messages")

	r.start("one")
	r.until("normal mode", time.Minute, func() bool { return r.phase() == "normal" })
	r.until("a sign of life", time.Minute, func() bool { return h.count("/alive/"+secret) > 1 }) // one was the rehearsal's
	card.Unplug()
	began := time.Now()
	r.until("the webhook is told", time.Minute, func() bool { return h.has("input-lost") })
	letter := smtp.Letter(t, "Subject: [attic] warning: UPS rack: on battery")
	t.Logf("webhook and mail came %s after the input was lost", time.Since(began).Round(100*time.Millisecond))
	r.until("the command is told", time.Minute, func() bool {
		text, _ := os.ReadFile(file)
		return strings.Contains(string(text), `"code":"input-lost"`)
	})
	r.until("the hanging receiver is a condition", 2*time.Minute, func() bool {
		v, err := r.status()
		return err == nil && len(v.Conditions) > 0 && strings.Contains(fmt.Sprint(v.Conditions), `Messages do not reach "hung"`)
	})
	r.kill()
	r.start("one")
	r.until("still on battery", time.Minute, func() bool { return r.phase() != "" && r.phase() != "normal" })
	card.PlugIn()
	r.until("the webhook is told of the end", 2*time.Minute, func() bool { return h.has("outage-over") || h.has("input-back") })
	r.until("the webhook has the report", 2*time.Minute, func() bool { return h.has("outage-report") })
	if report := smtp.Letter(t, "Subject: [attic] warning: Report of outage 1"); !carries(t, report) {
		t.Errorf("the letter does not carry the report:\n%s", report)
	}
	h.mu.Lock()
	for _, m := range h.got {
		if m.Code == "outage-report" && (len(m.Attachments) != 2 || m.Attachments[0].Name != "outage-1.txt" || !strings.Contains(m.Attachments[1].Text, "</html>")) {
			t.Errorf("the webhook has %d attachments", len(m.Attachments))
		}
	}
	ids := map[string]bool{}
	for _, m := range h.got {
		if m.Code == "input-lost" {
			ids[m.ID] = true
		}
		if m.Code == "input-lost" && !strings.Contains(letter, m.ID) {
			t.Errorf("the mail has not the id of the webhook's message:\n%s", letter)
		}
	}
	h.mu.Unlock()
	if len(ids) != 1 {
		t.Errorf("the loss of input was told with %d ids", len(ids))
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, bad := range []string{secret, smtp.Password} {
		if strings.Contains(r.log.String(), bad) {
			t.Errorf("a secret is in the log:\n%s", r.log)
		}
	}
}
