package redfish

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"path"
	"slices"
	"strings"
	"time"

	"ebbline/agent/certificate"
	"ebbline/policy"
)

const (
	atMost   = 30 * time.Second // for the whole of an action, whatever its caller allows
	closing  = time.Second      // for deleting the session, even when the time is up
	maxBody  = 1 << 20          // bytes; the largest resource asked for has a few thousand
	maxPages = 20               // of one collection
)

// link is a reference to another resource.
type link struct {
	ID string `json:"@odata.id"`
}

// root is what is needed of the service root.
type root struct {
	Systems        link
	PowerEquipment link
	Links          struct{ Sessions link }
}

// session is a login at one service.
type session struct {
	root     root
	base     *url.URL
	http     *http.Client
	user     string
	password string
	token    string // "" with HTTP Basic
	basic    bool
	own      string // the session's own resource, to be deleted
}

// refusal is an answer that says no, or that lacks what is needed.
type refusal struct {
	status int // of HTTP; 0 when it is not the status that says no
	text   string
}

func (r *refusal) Error() string {
	if r.status == 0 {
		return r.text
	}
	return fmt.Sprintf("%s (HTTP %d)", r.text, r.status)
}

// use logs in, runs work and logs out, whatever work returns. It ends at most
// [closing] after ctx.
func use(ctx context.Context, b *policy.BMC, secret func(policy.Secret) ([]byte, error), work func(context.Context, *session) error) error {
	ctx, stop := context.WithTimeout(ctx, atMost)
	defer stop()
	base, err := baseURL(b.Address)
	if err != nil {
		return err
	}
	transport, err := newTransport(base, b.Certificate)
	if err != nil {
		return err
	}
	defer transport.CloseIdleConnections()
	password, err := secret(b.Password)
	if err != nil {
		return fmt.Errorf("read secret %q: %w", b.Password, err)
	}
	s := &session{base: base, user: b.User, password: string(password)}
	s.http = &http.Client{Transport: transport, CheckRedirect: s.redirect}
	if err := s.login(ctx); err != nil {
		return err
	}
	defer s.logout(ctx)
	return work(ctx, s)
}

// baseURL reads the policy's address. The address is not in the error: someone
// may have put a password into it.
func baseURL(address string) (*url.URL, error) {
	if ip, err := netip.ParseAddr(address); err == nil && ip.Is6() {
		address = "[" + strings.ReplaceAll(address, "%", "%25") + "]"
	}
	if !strings.Contains(address, "://") {
		address = "https://" + address
	}
	u, err := url.Parse(address)
	if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" ||
		u.User != nil || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "" {
		return nil, errors.New(`the address is not one of a Redfish service: write "192.0.2.20", "192.0.2.20:8443" or "http://192.0.2.20", without user or path`)
	}
	return &url.URL{Scheme: u.Scheme, Host: u.Host}, nil
}

func newTransport(base *url.URL, fingerprint string) (*http.Transport, error) {
	t := &http.Transport{ // and no Proxy: the environment's is not for a BMC
		DialContext:            (&net.Dialer{}).DialContext,
		DisableCompression:     true,
		MaxResponseHeaderBytes: 64 << 10,
	}
	var err error
	switch {
	case base.Scheme == "https":
		t.TLSClientConfig, err = certificate.Verified(fingerprint)
	case fingerprint != "":
		err = errors.New("a certificate is named, but http:// uses none: write the address without it")
	}
	return t, err
}

// redirect lets a reading follow to another path, and nothing else: the token
// must not go to another host, and a POST that comes back as a GET would look
// as if the order had been taken.
func (s *session) redirect(next *http.Request, before []*http.Request) error {
	const enough = 3
	switch {
	case before[0].Method != http.MethodGet || len(before) > enough:
		return http.ErrUseLastResponse
	case next.URL.Host != s.base.Host || next.URL.Scheme != s.base.Scheme:
		return &refusal{text: fmt.Sprintf("it redirects to %s, which is not followed", next.URL.Host)}
	}
	return nil
}

// login opens a session. HTTP Basic is for services that have no sessions, or
// none left; it is not tried after a refused password, since that would only
// bring the account nearer to its lock.
func (s *session) login(ctx context.Context) error {
	if err := s.get(ctx, "/redfish/v1/", &s.root); err != nil {
		return err
	}
	sessions := s.root.Links.Sessions.ID
	if sessions == "" {
		s.basic = true
		return nil
	}
	a, err := s.send(ctx, http.MethodPost, sessions, map[string]string{"UserName": s.user, "Password": s.password})
	if err != nil {
		return err
	}
	if a.status == http.StatusUnauthorized || a.status == http.StatusForbidden {
		return &refusal{a.status, "the user or password was refused"}
	}
	if s.token = a.header.Get("X-Auth-Token"); a.status >= 300 || s.token == "" {
		s.basic = true
		return nil
	}
	var body link
	if s.own = a.header.Get("Location"); s.own == "" && json.Unmarshal(a.body, &body) == nil {
		s.own = body.ID
	}
	return nil
}

func (s *session) logout(ctx context.Context) {
	if s.own == "" {
		return
	}
	ctx, stop := context.WithTimeout(context.WithoutCancel(ctx), closing)
	defer stop()
	// A failure changes nothing that is known: the service ends an idle session by itself.
	_, _ = s.send(ctx, http.MethodDelete, s.own, nil)
}

// get reads one resource.
func (s *session) get(ctx context.Context, ref string, into any) error {
	a, err := s.send(ctx, http.MethodGet, ref, nil)
	switch {
	case err != nil:
		return err
	case a.status == http.StatusUnauthorized:
		return &refusal{a.status, "the user or password was refused"}
	case a.status >= 300:
		return &refusal{a.status, "reading " + ref + ": " + a.message()}
	case a.cut != nil:
		return fmt.Errorf("reading %s: %w", ref, a.cut)
	}
	if err := json.Unmarshal(a.body, into); err != nil {
		return &refusal{text: "reading " + ref + ": the answer is not the JSON that Redfish asks for"}
	}
	return nil
}

// member finds the member of a collection whose id is name, or the only one
// when no name is given. What is its kind, and form how the policy names one of
// several, for errors.
func (s *session) member(ctx context.Context, collection link, name, what, form string) (string, error) {
	var refs, ids []string
	next := collection.ID
	for pages := 0; next != "" && pages < maxPages; pages++ {
		var page struct {
			Members []link
			Next    string `json:"Members@odata.nextLink"`
		}
		if err := s.get(ctx, next, &page); err != nil {
			return "", err
		}
		for _, m := range page.Members {
			refs, ids = append(refs, m.ID), append(ids, lastSegment(m.ID))
		}
		next = page.Next
	}
	switch i := slices.Index(ids, name); {
	case len(ids) == 0:
		return "", &refusal{text: "it has no " + what}
	case name != "" && i >= 0:
		return refs[i], nil
	case name != "":
		return "", &refusal{text: fmt.Sprintf("it has no %s %q, but %s", what, name, some(ids))}
	case len(ids) > 1:
		return "", &refusal{text: fmt.Sprintf("it has more than one %s (%s): write "+form, what, some(ids), ids[0])}
	}
	return refs[0], nil
}

// some lists ids for people, not all of a large rack.
func some(ids []string) string {
	const enough = 10
	if len(ids) > enough {
		return strings.Join(ids[:enough], ", ") + ", …"
	}
	return strings.Join(ids, ", ")
}

func lastSegment(ref string) string {
	u, err := url.Parse(ref)
	if err != nil {
		return ref
	}
	return path.Base(u.Path)
}

// answer is what came back, good or bad. Cut says why the body is not whole.
type answer struct {
	status int
	header http.Header
	body   []byte
	cut    error
}

// message gives the service's own words, if it has any.
func (a *answer) message() string {
	var body struct {
		Error struct {
			Message  string
			Extended []struct{ Message string } `json:"@Message.ExtendedInfo"`
		}
	}
	text := ""
	if json.Unmarshal(a.body, &body) == nil {
		text = body.Error.Message
		if len(body.Error.Extended) > 0 && body.Error.Extended[0].Message != "" {
			text = body.Error.Extended[0].Message
		}
	}
	if text == "" {
		return http.StatusText(a.status)
	}
	return text
}

// send makes one request. Of ref only the path counts: some services name
// themselves by an address that is not theirs, and nothing goes to another host.
func (s *session) send(ctx context.Context, method, ref string, body any) (*answer, error) {
	u, err := url.Parse(ref)
	if err != nil || !strings.HasPrefix(u.Path, "/") {
		return nil, &refusal{text: fmt.Sprintf("it refers to %q, which is not a path", ref)}
	}
	target := url.URL{Scheme: s.base.Scheme, Host: s.base.Host, Path: u.Path, RawPath: u.RawPath, RawQuery: u.RawQuery}
	var content []byte
	if body != nil {
		content, _ = json.Marshal(body) // a map of strings always can
	}
	request, err := http.NewRequestWithContext(ctx, method, target.String(), bytes.NewReader(content))
	if err != nil {
		return nil, err
	}
	request.Header.Set("Accept", "application/json")
	request.Header.Set("OData-Version", "4.0")
	if body != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	switch {
	case s.basic:
		request.SetBasicAuth(s.user, s.password)
	case s.token != "":
		request.Header.Set("X-Auth-Token", s.token)
	}
	response, err := s.http.Do(request)
	if err != nil {
		return nil, err
	}
	defer response.Body.Close()
	a := &answer{status: response.StatusCode, header: response.Header}
	a.body, a.cut = io.ReadAll(io.LimitReader(response.Body, maxBody+1))
	if len(a.body) > maxBody {
		a.body, a.cut = nil, &refusal{text: "the answer is longer than 1 MiB"}
	}
	return a, nil
}
