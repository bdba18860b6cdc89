package bmc

import (
	"context"
	"encoding/json"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"ebbline/agent/peertest"
)

// Aim: a BMC's IPMI is seen without a login, and nothing is ordered. Method:
// OpenIPMI's simulator; a port where nothing listens, one that is silent, and one
// that answers with an old pong.
func TestAskIPMI(t *testing.T) {
	b := peertest.StartBMC(t)
	if err := AskIPMI(t.Context(), b.Policy.Address); err != nil {
		t.Error(err)
	}
	if len(b.Orders()) > 0 {
		t.Errorf("it was ordered %v", b.Orders())
	}
	conn, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	answers := make(chan []byte, 1)
	go func() {
		d := make([]byte, 64)
		for answer := range answers {
			for {
				_, from, err := conn.ReadFrom(d)
				if err != nil {
					return
				}
				conn.WriteTo(answer, from)
				if len(answers) > 0 {
					break
				}
			}
		}
	}()
	pong := []byte{6, 0, 0xff, 6, 0, 0, 0x11, 0xbe, 0x40, 0xfe, 0, 16, 0, 0, 0x11, 0xbe, 0, 0, 0, 0, 0x81, 0, 0, 0, 0, 0, 0, 0}
	for _, odd := range [][]byte{pong, pong[:20], nil, []byte("SSH-2.0-odd\r\nand some more of it")} {
		answers <- odd
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		if err := AskIPMI(ctx, conn.LocalAddr().String()); err == nil {
			t.Errorf("%x was taken for a BMC", odd)
		}
		cancel()
	}
	close(answers)
	conn.Close()
	if err := AskIPMI(t.Context(), conn.LocalAddr().String()); err == nil {
		t.Error("a closed port was taken for a BMC")
	}
}

// Aim: a Redfish service says what it is to one who is not logged in; its
// certificate comes as the policy writes it. Method: the stand-in, whose fingerprint
// is made apart from this code; then web servers that are none.
func TestAskRedfish(t *testing.T) {
	r := peertest.StartRedfish(t)
	s, err := AskRedfish(t.Context(), r.Policy.Address)
	if err != nil || s.Certificate != r.Policy.Certificate || s.Trusted || !s.Systems || !s.PowerEquipment {
		t.Errorf("%+v, %v", s, err)
	}
	if r.State().Logins > 0 {
		t.Error("it logged in")
	}
	r.Set(func(s *peertest.RedfishState) {
		s.Before = func(w http.ResponseWriter, q *http.Request) bool {
			json.NewEncoder(w).Encode(map[string]any{"RedfishVersion": "1.6.0", "Vendor": "Odd\x1b[31m", "Product": "Board\n2", "Systems": map[string]string{"@odata.id": "/redfish/v1/Systems"}})
			return true
		}
	})
	if s, err := AskRedfish(t.Context(), r.Policy.Address); err != nil || s.Version != "1.6.0" || s.Vendor != "Odd" || s.Product != "Board 2" {
		t.Errorf("%+v, %v", s, err)
	}
	for name, page := range map[string]http.HandlerFunc{
		"a page":     func(w http.ResponseWriter, _ *http.Request) { w.Write([]byte("<html>welcome</html>")) },
		"other JSON": func(w http.ResponseWriter, _ *http.Request) { w.Write([]byte(`{"status": "ok"}`)) },
		"elsewhere": func(w http.ResponseWriter, q *http.Request) {
			http.Redirect(w, q, "https://other.example/", http.StatusFound)
		},
		"no such page": http.NotFound,
	} {
		server := httptest.NewTLSServer(page)
		if s, err := AskRedfish(t.Context(), strings.TrimPrefix(server.URL, "https://")); err == nil {
			t.Errorf("%s was taken for a Redfish service: %+v", name, s)
		}
		server.Close()
	}
}
