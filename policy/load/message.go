package load

import (
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/hashicorp/hcl/v2/hclsyntax"

	"ebbline/policy"
)

// Defaults of messages.
const (
	defaultMessageGivesUp = 24 * time.Hour
	defaultSignEvery      = time.Minute
	maxTo                 = 20
)

func (l *loader) readMessage(s *section) {
	if s.broken {
		return
	}
	m := policy.Message{Name: s.name, GivesUp: l.get(s, "gives_up").duration(time.Minute, 30*day, defaultMessageGivesUp)}
	m.Codes = l.codes(s)
	m.Severity = policy.Severity(1 + slices.Index(policy.Severities(), l.get(s, "severity").choice(policy.Severities()...)))
	switch {
	case m.Severity != 0:
	case len(m.Codes) > 0:
		m.Severity = policy.Info // the codes alone choose
	default:
		m.Severity = policy.Warning
	}
	command := l.get(s, "command")
	m.Command = command.arguments()
	webhook, mail := s.one("webhook"), s.one("mail")
	if webhook != nil {
		m.Webhook = l.webhook(webhook)
	}
	if mail != nil {
		m.Mail = l.mail(mail)
	}
	ways := 0
	for _, there := range []bool{webhook != nil, mail != nil, command.attr != nil} {
		if there {
			ways++
		}
	}
	if ways != 1 {
		l.err(s.head, chooseOne, "%s has %s ways to its receiver. Write one: a block webhook, a block mail, or command = [\"program\", \"argument\"]; for a second receiver, a second message block.", s.title, [...]string{"no", "", "two", "three"}[ways])
	}
	l.messages = append(l.messages, m)
}

// codes reads which codes a receiver hears of.
func (l *loader) codes(s *section) []string {
	var out []string
	for _, w := range l.get(s, "codes").words("a code in quotes, such as \"source-silent\"") {
		if l.opt.Codes != nil && !slices.Contains(l.opt.Codes, w.text) {
			hint := l.meant(w.text, l.opt.Codes)
			if hint == "" {
				hint = " `ebbline help policy` lists them."
			}
			l.err(w.at, unknownCode, "No message has the code %q.%s", w.text, hint)
		}
		out = append(out, w.text)
	}
	slices.Sort(out)
	return out
}

func (l *loader) webhook(s *section) *policy.Webhook {
	h := &policy.Webhook{
		URL:         l.url(s, "url", true),
		Headers:     l.headers(s),
		Template:    l.template(s),
		ContentType: l.get(s, "content_type").text(),
		Certificate: l.certificate(s),
	}
	if f := l.peek(s, "content_type"); f.attr != nil && h.Template == "" {
		l.err(place{f.attr.NameRange, f.block}, doesNotApply, "content_type of %s is that of what a template makes, and there is none. Remove it, or write template.", s.title)
	}
	return h
}

func (l *loader) certificate(s *section) string {
	return l.get(s, "certificate").fingerprint("`openssl x509 -noout -fingerprint -sha256 -in FILE` prints it.")
}

// template reads the template of a body. An error in it is reported on the line
// of the file that has it.
func (l *loader) template(s *section) string {
	f := l.get(s, "template")
	text := f.raw()
	if text == "" || l.opt.Template == nil {
		return text
	}
	line, err := l.opt.Template(text, l.get(s, "content_type").raw())
	if err == nil {
		return text
	}
	at := f.at()
	if e, ok := f.attr.Expr.(*hclsyntax.TemplateExpr); ok && len(e.Parts) > 0 {
		at.at = e.Parts[0].Range()
		if last := e.Parts[len(e.Parts)-1].Range(); last.End.Line > at.at.Start.Line { // a heredoc
			at.at.Start.Line, at.at.Start.Column = at.at.Start.Line+line-1, 1
			at.at.End = at.at.Start
		}
	}
	l.err(at, badTemplate, "The template fails: %v. Mend it; `ebbline help policy` names what a template may use.", err)
	return text
}

// texts reads a text in which secrets may stand, in their places.
func (f field) texts(e hclsyntax.Expression) (text policy.Text, ok bool) {
	parts := []hclsyntax.Expression{e}
	switch t := e.(type) {
	case *hclsyntax.TemplateExpr:
		parts = t.Parts
	case *hclsyntax.TemplateWrapExpr:
		parts = []hclsyntax.Expression{t.Wrapped}
	}
	for _, part := range parts {
		v, ok := f.l.eval(part)
		if !ok {
			return nil, false
		}
		if secret, ok := v.data.(policy.Secret); ok {
			text = append(text, policy.Piece{Secret: secret})
			continue
		}
		plain, ok := f.l.text(v)
		if !ok || !f.printable(value{v.at, plain}) {
			return nil, false
		}
		text = append(text, policy.Piece{Text: plain})
	}
	return text, true
}

// url reads where a request goes. A secret may stand for all of it, or in it.
func (l *loader) url(s *section, name string, need bool) policy.Text {
	f := l.peek(s, name)
	if need {
		f = f.need()
	}
	if f.attr == nil {
		return nil
	}
	f.value.at = f.attr.Expr.Range()
	text, ok := f.texts(f.attr.Expr)
	if !ok || len(text) == 1 && text[0].Secret != "" {
		return text
	}
	var whole strings.Builder
	for _, p := range text {
		whole.WriteString(p.Text)
		if p.Secret != "" {
			whole.WriteByte('x')
		}
	}
	u, err := url.Parse(whole.String())
	switch {
	case err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http":
		f.bad(notURL, "%s of %s is no URL of the kind https://host/path. Write it whole; what is secret in it as ${secret(\"name\")}, or all of it as %s = secret(\"name\").", name, s.title, name)
	case u.User != nil:
		f.bad(notURL, "%s of %s has a user in it. Write headers = { Authorization = secret(\"name\") } instead: a URL ends up in logs on the way.", name, s.title)
	case u.Scheme == "http" && !loopback(u.Hostname()):
		l.warn(f.at(), inTheClear, "%s of %s goes over http: all on the way can read and change it. Write https.", name, s.title)
	}
	return text
}

func loopback(host string) bool {
	return host == "localhost" || host == "::1" || strings.HasPrefix(host, "127.")
}

// headers reads the headers of a request; a value may hold secrets.
func (l *loader) headers(s *section) []policy.Header {
	f := l.peek(s, "headers")
	if f.attr == nil {
		return nil
	}
	f.value.at = f.attr.Expr.Range()
	object, ok := f.attr.Expr.(*hclsyntax.ObjectConsExpr)
	if !ok {
		f.bad(wrongType, "headers of %s must be a map. Write headers = { Authorization = \"Bearer ${secret(\"name\")}\" }.", s.title)
		return nil
	}
	var out []policy.Header
	for _, item := range object.Items {
		key, ok := l.eval(item.KeyExpr)
		name, isText := key.data.(string)
		if !ok || !isText || !headerName(name) {
			f.bad(notText, "A header of %s has no name that HTTP allows. Write letters, digits and \"-\" alone.", s.title)
			continue
		}
		if slices.ContainsFunc(out, func(h policy.Header) bool { return strings.EqualFold(h.Name, name) }) {
			f.bad(duplicateEntry, "The header %s is given twice in %s. Remove one of them.", name, s.title)
			continue
		}
		one := f
		one.name, one.value.at = "the header "+name, item.ValueExpr.Range()
		text, ok := one.texts(item.ValueExpr)
		secret := slices.ContainsFunc(text, func(p policy.Piece) bool { return p.Secret != "" })
		switch {
		case !ok:
		case admits(name) && !secret:
			one.bad(secretExpected, "The header %s of %s must not stand in the policy: it lets in whoever reads it. Put what is secret where ebbline looks for secrets and write %s = \"... ${secret(\"name\")}\".", name, s.title, name)
		default:
			out = append(out, policy.Header{Name: name, Value: text})
		}
	}
	slices.SortFunc(out, func(a, b policy.Header) int { return strings.Compare(a.Name, b.Name) })
	return out
}

// admits tells whether a header of this name is likely to be what a receiver lets
// a sender in by.
func admits(name string) bool {
	name = strings.ToLower(name)
	return slices.ContainsFunc([]string{"auth", "token", "key", "secret", "cookie", "password"}, func(w string) bool { return strings.Contains(name, w) })
}

// headerName tells whether HTTP allows a header of this name (RFC 9110, 5.6.2), by
// the part of it that is in use.
func headerName(name string) bool {
	return name != "" && len(name) <= 100 && !strings.ContainsFunc(name, func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_')
	})
}

func (l *loader) mail(s *section) *policy.Mail {
	m := &policy.Mail{
		Server:      l.get(s, "server").need().address(portNeeded),
		From:        l.get(s, "from").need().mailbox(),
		Password:    l.secret(s, "password", l.peek(s, "user").attr != nil),
		User:        l.get(s, "user").text(),
		Certificate: l.certificate(s),
	}
	if l.peek(s, "password").attr != nil {
		l.get(s, "user").need()
	}
	to := l.get(s, "to").need()
	for _, w := range to.words("a mail address in quotes") {
		one := to
		one.value = value{w.at.at, w.text}
		m.To = append(m.To, one.mailbox())
	}
	if to.ok && (to.value.empty() || len(m.To) > maxTo) {
		to.bad(outOfRange, "to of %s must name 1 to %d addresses. Write a mailing list's address for more.", s.title, maxTo)
	}
	tls := l.get(s, "tls")
	m.TLS = map[string]policy.TLS{"implicit": policy.Implicit, "none": policy.Clear}[tls.choice("starttls", "implicit", "none")]
	if m.TLS == 0 {
		m.TLS = policy.StartTLS
	}
	if m.TLS == policy.Clear {
		if m.Password != "" {
			tls.bad(doesNotApply, "%s would send its password in the clear. Write tls = \"starttls\" or \"implicit\", or leave user and password out.", s.title)
		} else if host, _, _ := strings.Cut(m.Server, ":"); !loopback(host) {
			l.warn(tls.at(), inTheClear, "%s goes without TLS: all on the way can read and change it. Write tls = \"starttls\" or \"implicit\".", s.title)
		}
	}
	return m
}

// mailbox reads one mail address without a name before it.
func (f field) mailbox() string {
	text := f.raw()
	if text == "" && !f.ok {
		return ""
	}
	local, host, found := strings.Cut(text, "@")
	good := found && local != "" && len(local) <= 64 && !strings.ContainsFunc(local, func(r rune) bool {
		return r <= ' ' || r >= 0x7f || strings.ContainsRune("<>()[]:;,\\\"", r)
	})
	if !good || badHost(host) != "" {
		if _, isText := f.value.data.(string); isText {
			f.bad(notMailbox, "%s of %s is %q, which is no mail address. Write name@host alone, such as \"operator@example.org\".", f.name, f.s.title, text)
		}
		return ""
	}
	return text
}

func (l *loader) signOfLife(s *section) *policy.SignOfLife {
	return &policy.SignOfLife{
		URL:         l.url(s, "url", true),
		Failure:     l.url(s, "failure_url", false),
		Every:       l.get(s, "every").duration(10*time.Second, time.Hour, defaultSignEvery),
		Certificate: l.certificate(s),
	}
}
