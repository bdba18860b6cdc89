package policy

import "time"

// Severity says how much a message matters.
type Severity uint8

const (
	Info     Severity = iota + 1 // what happens, as each host asked to stop
	Warning                      // what an operator should know today: the input is lost, a UPS is silent
	Critical                     // what an operator should know now: hosts are being stopped, or are lost
)

var severities = [...]string{"", "info", "warning", "critical"}

// String gives the policy language's word.
func (s Severity) String() string { return severities[s] }

// Severities are the policy language's words, rising.
func Severities() []string { return severities[1:] }

// Message is one receiver: what it is told of, and by which of the three ways.
type Message struct {
	Name     string
	Severity Severity      // this and worse
	Codes    []string      // only these; all when empty; sorted
	GivesUp  time.Duration // how long one message is tried
	Webhook  *Webhook      `json:",omitzero"`
	Mail     *Mail         `json:",omitzero"`
	Command  []string      `json:",omitzero"` // an argument list: no shell; the message comes on its standard input
}

// Text is a text with secrets in it, by their names.
type Text []Piece

// Piece is some text, or else a secret.
type Piece struct {
	Text   string `json:",omitzero"`
	Secret Secret `json:",omitzero"`
}

// Webhook is an HTTP POST.
type Webhook struct {
	URL         Text
	Headers     []Header `json:",omitzero"` // sorted by name
	Template    string   `json:",omitzero"` // of the body, in Go's text/template; "" sends the message as JSON
	ContentType string   `json:",omitzero"` // of what the template makes; "" is application/json
	Certificate string   `json:",omitzero"` // "SHA256:…", for a self-signed one
}

// Header is one header of an HTTP request.
type Header struct {
	Name  string
	Value Text
}

// TLS says how a mail server is spoken to.
type TLS uint8

const (
	StartTLS TLS = iota + 1 // TLS is asked for before anything else, and required (RFC 3207)
	Implicit                // TLS from the first byte (RFC 8314)
	Clear                   // none
)

var tlsWords = [...]string{"", "starttls", "implicit", "none"}

// String gives the policy language's word.
func (t TLS) String() string { return tlsWords[t] }

// Mail is a mail by SMTP.
type Mail struct {
	Server      string // host:port
	From        string
	To          []string
	User        string // "" logs in as none
	Password    Secret
	TLS         TLS
	Certificate string `json:",omitzero"` // "SHA256:…", for a self-signed one
}

// SignOfLife is fetched again and again while the agent sees and decides: when
// it stays away, others know that the agent is dead.
type SignOfLife struct {
	URL         Text
	Failure     Text          `json:",omitzero"` // fetched in its place while the agent lives and cannot do its work
	Every       time.Duration // at most so often
	Certificate string        `json:",omitzero"`
}
