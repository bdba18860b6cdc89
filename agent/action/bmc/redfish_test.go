package bmc

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"ebbline/agent/peertest"
	"ebbline/policy"
	"ebbline/shutdown"
)

// service starts the Redfish stand-in, and fails the test if a session or a
// goroutine is left.
func service(t *testing.T, change func(*peertest.RedfishState)) *peertest.Redfish {
	r := peertest.StartRedfish(t)
	if change != nil {
		r.Set(change)
	}
	noGoroutineLeft(t)
	t.Cleanup(func() {
		if n := r.Sessions(); n > 0 {
			t.Errorf("%d sessions are left open", n)
		}
	})
	return r
}

func ordered(t *testing.T, r *peertest.Redfish, expected ...string) {
	t.Helper()
	if got := r.State().Orders; !slices.Equal(got, expected) {
		t.Errorf("the service was ordered %q, want %q", got, expected)
	}
}

// isReset tells the request of an order.
func isReset(q *http.Request) bool { return strings.HasSuffix(q.URL.Path, "/ComputerSystem.Reset") }

// TestRedfishVerbs takes a system through all verbs. The values of ResetType are
// those of DMTF's ComputerSystem schema.
func TestRedfishVerbs(t *testing.T) {
	r := service(t, nil)
	b := NewRedfish(r.Policy, r.Secret)
	for _, step := range []struct {
		verb  shutdown.Verb
		words string
		seen  shutdown.Sighting
		order string
	}{
		{shutdown.VerbStart, "already", 0, ""},
		{shutdown.VerbShutDown, "took GracefulShutdown", shutdown.SeenOff, "system 1 GracefulShutdown"},
		{shutdown.VerbShutDown, "already", shutdown.SeenOff, ""},
		{shutdown.VerbPowerOff, "already", shutdown.SeenOff, ""},
		{shutdown.VerbStart, "took On", 0, "system 1 On"},
		{shutdown.VerbPowerOff, "took ForceOff", shutdown.SeenOff, "system 1 ForceOff"},
	} {
		before := len(r.State().Orders)
		outcome, text := b.Do(t.Context(), step.verb)
		want(t, outcome, text, shutdown.Accepted, step.words)
		if got := strings.Join(r.State().Orders[before:], ","); got != step.order {
			t.Errorf("%v: the service was ordered %q, want %q", step.verb, got, step.order)
		}
		seen, text := b.Look(t.Context())
		want(t, seen, text, step.seen, "power state")
	}
	outcome, text := b.Do(t.Context(), shutdown.VerbPrepare)
	want(t, outcome, text, shutdown.Refused, "no way to prepare")
	if got := r.State(); got.Logins != 12 {
		t.Errorf("%d logins for 12 actions", got.Logins)
	}
}

// TestRedfishAnswers gives every kind of answer to an order, and checks what is
// made of it and which order was sent.
func TestRedfishAnswers(t *testing.T) {
	for _, c := range []struct {
		name    string
		change  func(*peertest.RedfishState)
		verb    shutdown.Verb
		outcome shutdown.Outcome
		words   string
		orders  []string
	}{
		{"200", func(s *peertest.RedfishState) { s.Reply = 200 }, shutdown.VerbPowerOff, shutdown.Accepted, "took ForceOff", []string{"system 1 ForceOff"}},
		{"202 with a task", func(s *peertest.RedfishState) { s.Reply = 202 }, shutdown.VerbPowerOff, shutdown.Accepted, "took ForceOff", []string{"system 1 ForceOff"}},
		{"202 with a task that failed", func(s *peertest.RedfishState) { s.Reply, s.Task, s.Ignore = 202, "Exception", true }, shutdown.VerbPowerOff, shutdown.Refused, "task ended at once: Exception", []string{"system 1 ForceOff"}},
		{"taken, nothing done", func(s *peertest.RedfishState) { s.Ignore = true }, shutdown.VerbPowerOff, shutdown.Accepted, "took ForceOff", []string{"system 1 ForceOff"}},
		{"400", func(s *peertest.RedfishState) { s.Fail = 400 }, shutdown.VerbPowerOff, shutdown.Refused, "A general error has occurred. (HTTP 400)", []string{"system 1 ForceOff"}},
		{"409", func(s *peertest.RedfishState) { s.Fail = 409 }, shutdown.VerbPowerOff, shutdown.Refused, "HTTP 409", []string{"system 1 ForceOff"}},
		{"500", func(s *peertest.RedfishState) { s.Fail = 500 }, shutdown.VerbPowerOff, shutdown.Unknown, "HTTP 500", []string{"system 1 ForceOff"}},
		{"503", func(s *peertest.RedfishState) { s.Fail = 503 }, shutdown.VerbPowerOff, shutdown.Refused, "HTTP 503", []string{"system 1 ForceOff"}},
		{"GracefulShutdown is not offered", func(s *peertest.RedfishState) { s.Allowed = []string{"On", "ForceOff"} }, shutdown.VerbShutDown, shutdown.Refused, "does not take GracefulShutdown, only On, ForceOff", nil},
		{"the same in an ActionInfo", func(s *peertest.RedfishState) { s.Allowed, s.ActionInfo = []string{"On", "ForceOff"}, true }, shutdown.VerbShutDown, shutdown.Refused, "does not take GracefulShutdown, only On, ForceOff", nil},
		{"offered in an ActionInfo", func(s *peertest.RedfishState) { s.ActionInfo = true }, shutdown.VerbShutDown, shutdown.Accepted, "took GracefulShutdown", []string{"system 1 GracefulShutdown"}},
		{"no values are named", func(s *peertest.RedfishState) { s.Allowed = nil }, shutdown.VerbShutDown, shutdown.Accepted, "took GracefulShutdown", []string{"system 1 GracefulShutdown"}},
		{"only ForceOn is offered", func(s *peertest.RedfishState) { s.Allowed, s.Systems["1"] = []string{"ForceOn"}, "Off" }, shutdown.VerbStart, shutdown.Accepted, "took ForceOn", []string{"system 1 ForceOn"}},
		{"stopping already", func(s *peertest.RedfishState) { s.Systems["1"] = "PoweringOff" }, shutdown.VerbShutDown, shutdown.Accepted, "PoweringOff already", nil},
		{"stopping, but too slowly", func(s *peertest.RedfishState) { s.Systems["1"] = "PoweringOff" }, shutdown.VerbPowerOff, shutdown.Accepted, "took ForceOff", []string{"system 1 ForceOff"}},
		{"paused", func(s *peertest.RedfishState) { s.Systems["1"] = "Paused" }, shutdown.VerbPowerOff, shutdown.Accepted, "took ForceOff", []string{"system 1 ForceOff"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := service(t, c.change)
			outcome, text := NewRedfish(r.Policy, r.Secret).Do(t.Context(), c.verb)
			want(t, outcome, text, c.outcome, c.words)
			ordered(t, r, c.orders...)
		})
	}
}

// TestRedfishOnTheWay looks at systems between on and off: none is proven off.
func TestRedfishOnTheWay(t *testing.T) {
	for _, state := range []string{"On", "PoweringOn", "PoweringOff", "Paused", ""} {
		r := service(t, func(s *peertest.RedfishState) { s.Systems["1"] = state })
		seen, text := NewRedfish(r.Policy, r.Secret).Look(t.Context())
		want(t, seen, text, 0, `"`+state+`"`)
	}
}

// TestRedfishLost cuts the connection instead of answering an order, before or
// after it was carried out, and lets a host switch itself off just before the
// order, which the service then refuses. The state decides.
func TestRedfishLost(t *testing.T) {
	for _, c := range []struct {
		name    string
		off     bool // by the time of the order
		answer  bool
		outcome shutdown.Outcome
		words   string
	}{
		{"order lost", false, false, shutdown.Unknown, "connection was closed"},
		{"answer lost", true, false, shutdown.Accepted, "is Off"},
		{"so already, 409", true, true, shutdown.Accepted, "HTTP 409"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := service(t, nil)
			r.Set(func(s *peertest.RedfishState) {
				s.Before = func(w http.ResponseWriter, q *http.Request) bool {
					if !isReset(q) {
						return false
					}
					if c.off {
						r.Set(func(s *peertest.RedfishState) { s.Systems["1"] = "Off" })
					}
					if c.answer {
						return false
					}
					cut(w)
					return true
				}
			})
			outcome, text := NewRedfish(r.Policy, r.Secret).Do(t.Context(), shutdown.VerbPowerOff)
			want(t, outcome, text, c.outcome, c.words)
		})
	}
}

// cut ends the connection without an answer.
func cut(w http.ResponseWriter) {
	conn, _, err := w.(http.Hijacker).Hijack()
	if err == nil {
		conn.Close()
	}
}

// TestRedfishLogin checks the ways in: a session, HTTP Basic where there is none
// or none left, and one attempt only with a refused password, since accounts
// are locked by a few. The stand-in's refusal has the password in it.
func TestRedfishLogin(t *testing.T) {
	for _, c := range []struct {
		name     string
		sessions int // status of a login; 0 lets it be made
		password string
		outcome  shutdown.Outcome
		words    string
		attempts int // at most
	}{
		{"session", 0, "secret-test", shutdown.Accepted, "ForceOff", 1},
		{"no session service", 404, "secret-test", shutdown.Accepted, "ForceOff", 5},
		{"no session left", 503, "secret-test", shutdown.Accepted, "ForceOff", 5},
		{"wrong password", 0, "wrong-secret-test", shutdown.Refused, "user or password was refused (HTTP 401)", 1},
		{"wrong password, no session service", 404, "wrong-secret-test", shutdown.Refused, "user or password was refused (HTTP 401)", 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := service(t, func(s *peertest.RedfishState) { s.NoSessions = c.sessions })
			outcome, text := NewRedfish(r.Policy, func(policy.Secret) ([]byte, error) { return []byte(c.password), nil }).Do(t.Context(), shutdown.VerbPowerOff)
			want(t, outcome, text, c.outcome, c.words)
			if got := r.State().Logins; got > c.attempts {
				t.Errorf("the password was sent %d times, want %d at most", got, c.attempts)
			}
		})
	}
	r := service(t, nil)
	outcome, text := NewRedfish(r.Policy, func(policy.Secret) ([]byte, error) { return nil, errors.New("no such file") }).Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Unreachable, `read secret "bmc": no such file`)
}

// TestRedfishCertificate checks that the password goes to nobody but the owner
// of the named certificate, in each of the forms in which it can be named.
func TestRedfishCertificate(t *testing.T) {
	r := service(t, nil)
	digest, err := base64.RawStdEncoding.DecodeString(strings.TrimPrefix(r.Policy.Certificate, "SHA256:"))
	if err != nil {
		t.Fatal(err)
	}
	colons := strings.ToUpper(hex.EncodeToString(digest[:1]))
	for _, d := range digest[1:] {
		colons += ":" + strings.ToUpper(hex.EncodeToString([]byte{d}))
	}
	other := sha256.Sum256([]byte("another certificate"))
	for _, c := range []struct {
		address, certificate string
		outcome              shutdown.Outcome
		words                string
	}{
		{"", r.Policy.Certificate, shutdown.Accepted, "already"},
		{"", "SHA256:" + hex.EncodeToString(digest), shutdown.Accepted, "already"},
		{"", "SHA256:" + colons, shutdown.Accepted, "already"},
		{"https://" + r.Policy.Address + "/", r.Policy.Certificate, shutdown.Accepted, "already"},
		{"", "SHA256:" + base64.RawStdEncoding.EncodeToString(other[:]), shutdown.Unreachable, "its certificate is " + r.Policy.Certificate},
		{"", "", shutdown.Unreachable, r.Policy.Certificate}, // as advice: it is signed by nobody known
		{"", "SHA256:" + hex.EncodeToString(digest[:31]), shutdown.Unreachable, "64 hexadecimal digits or 43 of base64"},
		{"", hex.EncodeToString(digest), shutdown.Unreachable, `write "SHA256:"`},
		{"http://" + r.Policy.Address, r.Policy.Certificate, shutdown.Unreachable, "http:// uses none"},
		{"http://" + r.Policy.Address, "", shutdown.Refused, "HTTP 400"}, // it speaks TLS
		{"https://admin:secret-test@" + r.Policy.Address, r.Policy.Certificate, shutdown.Unreachable, "without user"},
		{"ftp://" + r.Policy.Address, "", shutdown.Unreachable, `write "192.0.2.20"`},
		{"", r.Policy.Certificate, shutdown.Accepted, "already"},
	} {
		at := r.Policy
		at.Certificate = c.certificate
		if c.address != "" {
			at.Address = c.address
		}
		before := r.State().Logins
		outcome, text := NewRedfish(at, r.Secret).Do(t.Context(), shutdown.VerbStart)
		want(t, outcome, text, c.outcome, c.words)
		if got := r.State().Logins - before; got > 0 != (c.outcome == shutdown.Accepted) {
			t.Errorf("certificate %q at %q: %d logins", c.certificate, at.Address, got)
		}
	}
}

// TestRedfishSeveralSystems needs the name of one, and no other may be ordered.
func TestRedfishSeveralSystems(t *testing.T) {
	for _, c := range []struct {
		name    string
		outcome shutdown.Outcome
		words   string
		orders  []string
	}{
		{"", shutdown.Refused, `more than one system (blade 1, blade 2): write system = "blade 1"`, nil},
		{"blade 2", shutdown.Accepted, "system blade 2 took", []string{"system blade 2 ForceOff"}},
		{"blade", shutdown.Refused, `no system "blade", but blade 1, blade 2`, nil},
	} {
		r := service(t, func(s *peertest.RedfishState) { s.Systems = map[string]string{"blade 1": "On", "blade 2": "On"} })
		at := r.Policy
		at.System = c.name
		outcome, text := NewRedfish(at, r.Secret).Do(t.Context(), shutdown.VerbPowerOff)
		want(t, outcome, text, c.outcome, c.words)
		ordered(t, r, c.orders...)
	}
	r := service(t, func(s *peertest.RedfishState) { s.Systems = nil })
	outcome, text := NewRedfish(r.Policy, r.Secret).Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Refused, "no system")
}

// TestRedfishSlow lets the service hang at each step of an action until the
// action hangs up, by deadline and by cancel. Only from the order on may it have
// been taken, and the session is ended even so.
func TestRedfishSlow(t *testing.T) {
	for _, c := range []struct {
		name    string
		at      func(*http.Request) bool
		outcome shutdown.Outcome
	}{
		{"root", func(q *http.Request) bool { return q.URL.Path == "/redfish/v1/" }, shutdown.Unreachable},
		{"system", func(q *http.Request) bool { return q.URL.Path == "/redfish/v1/Systems/1" }, shutdown.Unreachable},
		{"order", isReset, shutdown.Unknown},
	} {
		for _, cancelled := range []bool{false, true} {
			t.Run(c.name, func(t *testing.T) {
				r := service(t, nil)
				ctx, stop := context.WithCancel(t.Context())
				words := "called off"
				defer stop()
				if !cancelled {
					e := expiring{t.Context(), make(chan struct{})}
					ctx, stop = e, sync.OnceFunc(func() { close(e.over) })
					words = "no answer before the deadline"
				}
				r.Set(func(s *peertest.RedfishState) {
					s.Before = func(w http.ResponseWriter, q *http.Request) bool {
						if !c.at(q) {
							return false
						}
						stop()
						<-q.Context().Done()
						panic(http.ErrAbortHandler) // no late answer
					}
				})
				outcome, text := NewRedfish(r.Policy, r.Secret).Do(ctx, shutdown.VerbPowerOff)
				want(t, outcome, text, c.outcome, words)
			})
		}
	}
}

// expiring is a context whose deadline passes when over is closed: at the step
// that a test is about, however long those before it took.
type expiring struct {
	context.Context
	over chan struct{}
}

func (e expiring) Done() <-chan struct{} { return e.over }

func (e expiring) Err() error {
	select {
	case <-e.over:
		return context.DeadlineExceeded
	default:
		return nil
	}
}

// TestRedfishNonsense answers with too much, with what is not JSON, with JSON of
// another kind and with less than is needed. All are clear errors, and nothing
// is ordered.
func TestRedfishNonsense(t *testing.T) {
	for name, c := range map[string]struct {
		body    string
		endless bool
		words   string
	}{
		"endless":          {`{"PowerState": "`, true, "longer than 1 MiB"},
		"a page":           {"<html>Please enable\nJavaScript</html>", false, "not the JSON"},
		"a list":           {`["On"]`, false, "not the JSON"},
		"another type":     {`{"PowerState": 1}`, false, "not the JSON"},
		"no actions":       {`{"PowerState": "On"}`, false, "offers no action #ComputerSystem.Reset"},
		"a strange action": {`{"PowerState": "On", "Actions": {"#ComputerSystem.Reset": 7}}`, false, "offers no action"},
		"a strange target": {`{"PowerState": "On", "Actions": {"#ComputerSystem.Reset": {"target": "mailto:admin"}}}`, false, "not a path"},
	} {
		t.Run(name, func(t *testing.T) {
			var sent atomic.Int64
			r := service(t, func(s *peertest.RedfishState) {
				s.Before = func(w http.ResponseWriter, q *http.Request) bool {
					if q.URL.Path != "/redfish/v1/Systems/1" {
						return false
					}
					_, err := w.Write([]byte(c.body))
					for c.endless && err == nil {
						_, err = w.Write(make([]byte, 4096))
						sent.Add(4096)
					}
					return true
				}
			})
			outcome, text := NewRedfish(r.Policy, r.Secret).Do(t.Context(), shutdown.VerbPowerOff)
			want(t, outcome, text, shutdown.Refused, c.words)
			ordered(t, r)
			if n := sent.Load(); n > 32<<20 { // the rest of what is more than 1 MiB is in buffers on the way
				t.Errorf("%d bytes were taken", n)
			}
		})
	}
}

// TestRedfishElsewhere has the service point to another host, by a redirect and
// by a link. Nothing may arrive there; what is on the service's own host is
// followed.
func TestRedfishElsewhere(t *testing.T) {
	var stolen atomic.Int64
	other := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { stolen.Add(1) }))
	defer other.Close()
	systems := func(q *http.Request) bool { return q.URL.Path == "/redfish/v1/Systems" }
	for _, c := range []struct {
		name    string
		at      func(*http.Request) bool
		answer  func(http.ResponseWriter, *http.Request)
		outcome shutdown.Outcome
		words   string
	}{
		{"redirect elsewhere", systems, func(w http.ResponseWriter, q *http.Request) {
			http.Redirect(w, q, other.URL+q.URL.Path, http.StatusPermanentRedirect)
		}, shutdown.Refused, "is not followed"},
		{"redirect of the login", func(q *http.Request) bool { return strings.HasSuffix(q.URL.Path, "/Sessions") }, func(w http.ResponseWriter, q *http.Request) {
			http.Redirect(w, q, other.URL+q.URL.Path, http.StatusTemporaryRedirect)
		}, shutdown.Accepted, "took"}, // by HTTP Basic
		{"redirect of the order", isReset, func(w http.ResponseWriter, q *http.Request) {
			http.Redirect(w, q, "/redfish/v1/Systems/1", http.StatusSeeOther)
		}, shutdown.Refused, "HTTP 303"},
		{"redirect at home", systems, func(w http.ResponseWriter, q *http.Request) {
			http.Redirect(w, q, "/redfish/v1/Systems/", http.StatusPermanentRedirect)
		}, shutdown.Accepted, "took"},
		{"redirect for ever", systems, func(w http.ResponseWriter, q *http.Request) {
			http.Redirect(w, q, "/redfish/v1/Systems", http.StatusPermanentRedirect)
		}, shutdown.Refused, "HTTP 308"},
		{"link elsewhere", systems, func(w http.ResponseWriter, q *http.Request) {
			_, _ = w.Write([]byte(`{"Members": [{"@odata.id": "` + other.URL + `/redfish/v1/Systems/1"}]}`))
		}, shutdown.Accepted, "took"},
		{"pages for ever", systems, func(w http.ResponseWriter, q *http.Request) {
			_, _ = w.Write([]byte(`{"Members": [], "Members@odata.nextLink": "/redfish/v1/Systems"}`))
		}, shutdown.Refused, "no system"},
		{"two pages", systems, func(w http.ResponseWriter, q *http.Request) {
			_, _ = w.Write([]byte(`{"Members": [], "Members@odata.nextLink": "/redfish/v1/Systems/"}`))
		}, shutdown.Accepted, "took"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := service(t, func(s *peertest.RedfishState) {
				s.Before = func(w http.ResponseWriter, q *http.Request) bool {
					if !c.at(q) {
						return false
					}
					c.answer(w, q)
					return true
				}
			})
			outcome, text := NewRedfish(r.Policy, r.Secret).Do(t.Context(), shutdown.VerbPowerOff)
			want(t, outcome, text, c.outcome, c.words)
		})
	}
	if n := stolen.Load(); n > 0 {
		t.Errorf("%d requests went to another host", n)
	}
}

// Aim: a check finds what an order would stumble over, and gives none: the wrong
// password, an order that the service does not offer.
func TestRedfishCheck(t *testing.T) {
	r := service(t, nil)
	b := NewRedfish(r.Policy, r.Secret)
	for _, step := range []struct {
		verb    shutdown.Verb
		outcome shutdown.Outcome
		words   string
	}{
		{shutdown.VerbShutDown, shutdown.Accepted, "offers GracefulShutdown"},
		{shutdown.VerbPowerOff, shutdown.Accepted, "offers ForceOff"},
		{shutdown.VerbStart, shutdown.Accepted, "is On"},
		{shutdown.VerbPrepare, shutdown.Refused, "no way to prepare"},
	} {
		outcome, text := b.Check(t.Context(), step.verb)
		want(t, outcome, text, step.outcome, step.words)
	}
	r.Set(func(s *peertest.RedfishState) { s.Allowed = []string{"On", "ForceOff"} })
	outcome, text := b.Check(t.Context(), shutdown.VerbShutDown)
	want(t, outcome, text, shutdown.Refused, "does not take GracefulShutdown")
	outcome, text = NewRedfish(r.Policy, func(policy.Secret) ([]byte, error) { return []byte("another"), nil }).Check(t.Context(), shutdown.VerbShutDown)
	want(t, outcome, text, shutdown.Refused, "user or password")
	ordered(t, r)
}
