package redfish

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"ebbline/policy"
	"ebbline/shutdown"
)

// hostile answers every request with the next piece of a text. It stands in for a
// service that is not to be trusted: no real one says what a fuzzer makes up.
type hostile struct {
	pieces []string
	host   string
	posts  int
	left   bool // a request went to another host
}

func (h *hostile) RoundTrip(r *http.Request) (*http.Response, error) {
	h.left = h.left || r.URL.Host != h.host
	if r.Method == http.MethodPost && !strings.Contains(r.URL.Path, "Sessions") {
		h.posts++
	}
	a := &http.Response{StatusCode: http.StatusOK, Header: http.Header{}, Request: r}
	body := "{}"
	if len(h.pieces) > 0 {
		body, h.pieces = h.pieces[0], h.pieces[1:]
	}
	switch head, rest, ok := strings.Cut(body, "\n"); {
	case ok && strings.HasPrefix(head, "http"):
		a.StatusCode, body = http.StatusServiceUnavailable, rest
	case ok && strings.HasPrefix(head, "to "):
		a.StatusCode, body = http.StatusFound, rest
		a.Header.Set("Location", strings.TrimPrefix(head, "to "))
	case ok && strings.HasPrefix(head, "token"):
		a.Header.Set("X-Auth-Token", "t")
		body = rest
	}
	a.Body = io.NopCloser(strings.NewReader(body))
	return a, nil
}

// Aim: whatever a service answers, nothing panics, nothing goes to another host,
// every exchange ends, an order is told of as taken only if one was sent or the
// service says that the state is so, and what is said is one line that a terminal
// can show. Method: the fuzzer makes up the answers, one behind the other.
func FuzzAnswers(f *testing.F) {
	const between = "\n--\n"
	f.Add([]byte(strings.Join([]string{
		`{"Systems":{"@odata.id":"/redfish/v1/Systems"},"Links":{"Sessions":{"@odata.id":"/redfish/v1/Sessions"}}}`, "token\n{}",
		`{"Members":[{"@odata.id":"/redfish/v1/Systems/1"}]}`,
		`{"PowerState":"On","Actions":{"#ComputerSystem.Reset":{"target":"/redfish/v1/Systems/1/Reset","ResetType@Redfish.AllowableValues":["GracefulShutdown"]}}}`, `{}`}, between)), false)
	f.Add([]byte(strings.Join([]string{
		`{"PowerEquipment":{"@odata.id":"/p"}}`, `{"RackPDUs":{"@odata.id":"/p/r"}}`, `{"Members":[{"@odata.id":"/p/r/1"}]}`, `{"Outlets":{"@odata.id":"/o"}}`,
		`{"Members":[{"@odata.id":"/o/A1"}],"Members@odata.nextLink":"/o"}`, `{"PowerState":"On","PowerControlLocked":true}`}, between)), true)
	f.Add([]byte("to http://192.0.2.9/\n{}"), false)
	f.Add([]byte("http\n{\"error\":{\"message\":\"\\u001b[2J\"}}"), false)
	f.Fuzz(func(t *testing.T, text []byte, outlet bool) {
		if len(text) > 1<<16 {
			return
		}
		target := System(policy.BMC{}, nil)
		if outlet {
			target = Outlet(policy.BMC{}, "A1", nil)
		}
		h := &hostile{pieces: strings.Split(string(text), between), host: "192.0.2.1"}
		s := &session{base: &url.URL{Scheme: "https", Host: h.host}, user: "u", password: "p"}
		s.http = &http.Client{Transport: h, CheckRedirect: s.redirect}
		ctx := context.Background()
		err := s.login(ctx)
		said := ""
		if err == nil {
			var ref string
			if ref, err = target.find(ctx, s); err == nil {
				var outcome shutdown.Outcome
				outcome, said, err = target.order(ctx, s, ref, Off, []string{"GracefulShutdown", "ForceOff"})
				if err == nil && outcome == shutdown.Accepted && h.posts == 0 && !bytes.Contains(text, []byte("Off")) && !bytes.Contains(text, []byte(`\u`)) {
					t.Errorf("taken, and nothing was sent: %s", said)
				}
			}
		}
		if err != nil {
			_, said = failure(err)
		}
		if said = line(said); strings.ContainsFunc(said, func(r rune) bool { return r < ' ' || r == 0x7f }) {
			t.Errorf("it says %q", said)
		}
		if h.left {
			t.Error("a request went to another host")
		}
		if h.posts > 1 {
			t.Errorf("%d orders were sent", h.posts)
		}
	})
}
