package load

import (
	"net/url"
	"slices"
	"strings"

	"github.com/hashicorp/hcl/v2"

	"ebbline/policy"
)

// defaultListen is where page and metrics are found when the policy does not say.
const defaultListen = "127.0.0.1:8633"

// listen reads an address to listen at.
func (l *loader) listen(s *section) string {
	f := l.get(s, "listen")
	if f.attr == nil {
		return defaultListen
	}
	return f.address(portAlone)
}

// beyond tells whether others can reach what listens there.
func beyond(listen string) bool {
	port := strings.LastIndexByte(listen, ':')
	return port >= 0 && !policy.Loopback(strings.Trim(listen[:port], "[]"))
}

func (l *loader) page(s *section) *policy.Page {
	before := l.count[hcl.DiagError]
	p := &policy.Page{Listen: l.listen(s), Names: l.hostNames(s), Behind: l.proxy(s)}
	if tls := s.one("tls"); tls != nil {
		p.TLS = &policy.PageTLS{
			Chain:   l.secret(tls, "chain", true),
			Key:     l.secret(tls, "key", true),
			Clients: l.secret(tls, "clients", false),
		}
	}
	user := l.get(s, "user")
	p.Password = l.secret(s, "password", user.attr != nil)
	if p.User = user.text(); p.User == "" && p.Password != "" {
		p.User = "ebbline"
	}
	if strings.Contains(p.User, ":") {
		user.bad(notText, "user of %s has a \":\", which ends a user's name where a browser asks for it. Write another name.", s.title)
	}
	// Only when all of it was read: a password that is written wrongly is not a missing
	// one.
	at := l.peek(s, "listen").here()
	switch {
	case l.count[hcl.DiagError] > before || !beyond(p.Listen):
	case !p.Guarded():
		l.err(at, openPage, "%s listens at %s, which other machines can reach, and %s. Write in it a block tls with chain = secret(\"name\") and key = secret(\"name\"), and password = secret(\"name\") or, in tls, clients = secret(\"name\"); or behind = \"https://name\" if a reverse proxy does both; or listen = \"%s\".", s.title, p.Listen, lacks(p), defaultListen)
	case p.TLS == nil:
		l.warn(at, inTheClear, "%s listens at %s for the proxy: whoever else reaches that goes round the proxy and needs no password. Let a firewall pass only the proxy, or run it on this machine and write listen = \"%s\".", s.title, p.Listen, defaultListen)
	}
	return p
}

// lacks says what a page that is open to all lacks.
func lacks(p *policy.Page) string {
	switch {
	case p.TLS != nil:
		return "asks for no password and no client certificate"
	case p.Password != "":
		return "has no TLS: all on the way could read the password"
	}
	return "has neither TLS nor a password"
}

// here is where an attribute stands, or its block where it is left out.
func (f field) here() place {
	if f.attr == nil {
		return f.s.head
	}
	return place{f.attr.Expr.Range(), f.block}
}

// hostNames reads the names by which browsers may ask for the page.
func (l *loader) hostNames(s *section) []string {
	var out []string
	for _, w := range l.get(s, "names").words("a name in quotes, such as \"power.example.org\"") {
		if why := badHost(w.text); why != "" {
			l.err(w.at, notAddress, "The name %q in names of %s %s. Write the name that stands in the browser between \"https://\" and the port.", w.text, s.title, why)
			continue
		}
		out = append(out, strings.ToLower(w.text))
	}
	slices.Sort(out)
	return out
}

// proxy reads the address by which a reverse proxy shows the page.
func (l *loader) proxy(s *section) string {
	f := l.get(s, "behind")
	text := f.text()
	if text == "" {
		return ""
	}
	if u, err := url.Parse(text); err != nil || u.Scheme != "https" || u.Host == "" || u.User != nil || badHost(u.Hostname()) != "" {
		f.bad(notURL, "behind of %s is no URL of the kind https://name. Write the one by which people reach the proxy, without user and password; it has TLS.", s.title)
		return ""
	}
	return text
}

func (l *loader) metrics(s *section, page *policy.Page) *policy.Metrics {
	m := &policy.Metrics{Listen: l.listen(s)}
	if beyond(m.Listen) && (page == nil || page.Listen != m.Listen) {
		l.warn(l.peek(s, "listen").here(), inTheClear, "%s listens at %s: whoever reaches that reads the figures, with the names of hosts. Let a firewall pass only Prometheus, or give metrics the address of a page block, whose TLS and password then hold for them too.", s.title, m.Listen)
	}
	return m
}
