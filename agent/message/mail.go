package message

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"

	"github.com/wneessen/go-mail"

	"ebbline/agent"
	"ebbline/agent/certificate"
	"ebbline/agent/clean"
	"ebbline/policy"
)

// mailer is a mail by SMTP (RFC 5321).
type mailer struct {
	policy *policy.Mail
	read   Secrets
}

func (w *mailer) where() string { return "mail server " + w.policy.Server }

func (w *mailer) send(ctx context.Context, m *Message) error {
	letter, err := w.letter(m)
	if err != nil {
		return unwanted{err}
	}
	client, closeAll, err := w.client(ctx)
	if err != nil {
		return err
	}
	defer closeAll()
	return smtpFault(client.DialAndSendWithContext(ctx, letter))
}

// letter writes a message as a mail. Its Message-ID is the message's, so that a
// repeat is known for one.
func (w *mailer) letter(m *Message) (*mail.Msg, error) {
	l := mail.NewMsg()
	if err := errors.Join(l.From(w.policy.From), l.To(w.policy.To...)); err != nil {
		return nil, err
	}
	mark := m.Severity
	switch {
	case m.Test:
		mark = "TEST"
	case m.Change == agent.Over:
		mark = "over"
	}
	l.Subject(clean.Line(fmt.Sprintf("[%s] %s: %s", m.Site, mark, m.Title), mostTitle))
	_, domain, _ := strings.Cut(w.policy.From, "@")
	l.SetMessageIDWithValue(m.ID + "@" + domain)
	l.SetDateWithValue(m.At)
	l.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no vacation answers
	if m.Severity == policy.Critical.String() && m.Change != agent.Over {
		l.SetImportance(mail.ImportanceHigh)
	}
	l.SetBodyString(mail.TypeTextPlain, body(m))
	for _, a := range m.Attachments {
		if err := l.AttachReader(a.Name, strings.NewReader(a.Text), mail.WithFileContentType(mail.ContentType(a.Type))); err != nil {
			return nil, err
		}
	}
	return l, nil
}

func body(m *Message) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\n", m.Text)
	line := func(name, text string) {
		if text != "" {
			fmt.Fprintf(&b, "%-9s %s\n", name, text)
		}
	}
	for _, a := range m.Attachments {
		if a.Type == "text/plain" { // what matters of it stands first
			head, _, _ := strings.Cut(a.Text, "\n\n")
			fmt.Fprintf(&b, "%s\n\n", head)
		}
	}
	line("site", m.Site)
	line("at", m.At.Format(time.RFC3339))
	line("code", m.Code+" ("+string(m.Change)+")")
	line("severity", m.Severity)
	line("UPS", m.UPS)
	line("host", m.Host)
	if m.Outage > 0 {
		line("outage", strconv.FormatUint(uint64(m.Outage), 10))
	}
	if m.Dropped > 0 {
		line("lost", fmt.Sprintf("%d earlier messages could not be sent to you in time; the agent's log has what they said", m.Dropped))
	}
	line("id", m.ID)
	return b.String()
}

// client makes what speaks SMTP, and what closes its connection: that is ours, so
// that none stays open whatever becomes of STARTTLS.
func (w *mailer) client(ctx context.Context) (*mail.Client, func(), error) {
	name, number, err := net.SplitHostPort(w.policy.Server)
	if err != nil {
		return nil, nil, err
	}
	port, err := strconv.Atoi(number)
	if err != nil {
		return nil, nil, err
	}
	config, err := certificate.Verified(w.policy.Certificate)
	if err != nil {
		return nil, nil, err
	}
	config.ServerName = name
	var open []net.Conn
	dial := func(ctx context.Context, network, address string) (net.Conn, error) {
		c, err := (&net.Dialer{}).DialContext(ctx, network, address)
		if err != nil {
			return nil, err
		}
		open = append(open, c)
		return c, nil
	}
	options := []mail.Option{mail.WithPort(port), mail.WithTLSConfig(config), mail.WithoutNoop()}
	if deadline, ok := ctx.Deadline(); ok {
		options = append(options, mail.WithTimeout(max(time.Millisecond, time.Until(deadline))))
	}
	switch w.policy.TLS {
	case policy.Implicit:
		options = append(options, mail.WithSSL())
	case policy.Clear:
		options = append(options, mail.WithTLSPolicy(mail.NoTLS), mail.WithDialContextFunc(dial))
	default:
		options = append(options, mail.WithTLSPolicy(mail.TLSMandatory), mail.WithDialContextFunc(dial))
	}
	if w.policy.User != "" {
		password, err := w.read(w.policy.Password)
		if err != nil {
			return nil, nil, err
		}
		options = append(options, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(w.policy.User), mail.WithPassword(string(password)))
	}
	client, err := mail.NewClient(name, options...)
	return client, func() {
		for _, c := range open {
			c.Close()
		}
	}, err
}

// smtpFault says in words what a mail server answered.
func smtpFault(err error) error {
	if err == nil {
		return nil
	}
	var sending *mail.SendError
	var network *net.OpError
	said := clean.Line(certificate.Advice(err).Error(), mostText)
	switch {
	case certificate.Refused(err):
		return errors.New(said)
	case errors.As(err, &sending) && !sending.IsTemp() && sending.ErrorCode() >= 500:
		return unwanted{fmt.Errorf("%s: the server does not take this mail. Look at its from and to", said)}
	case errors.Is(err, context.DeadlineExceeded):
		return errors.New("no answer in time. " + notReached)
	case errors.As(err, &network) && network.Op == "dial":
		return errors.New(said + ". " + notReached)
	}
	return fmt.Errorf("%s. Look at server, user, password and tls", said)
}
