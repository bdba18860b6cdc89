// Package message tells people, and programs of theirs, what the agent sees and
// does: by webhook, by mail, or by a command on the agent's own host; and it
// gives the sign of life. What is to be sent is on the disk first, goes to each
// receiver in order, and is repeated until it was taken. Nothing here may hold
// up the agent, and no secret may get into a log, an error or a process list.
package message

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	"ebbline/agent"
	"ebbline/agent/clean"
	"ebbline/policy"
)

// Message is what a receiver is sent: the JSON of a webhook and of a command's
// standard input, and what a template has to write with.
type Message struct {
	ID       string       `json:"id"` // the same each time it is sent, and to each receiver
	Site     string       `json:"site"`
	Change   agent.Change `json:"change"`   // "raised", "over", "happened"
	Code     string       `json:"code"`     // stable: "input-lost"
	Severity string       `json:"severity"` // "info", "warning", "critical"
	UPS      string       `json:"ups"`      // "" for none
	Host     string       `json:"host"`     // "" for none
	Title    string       `json:"title"`    // one short line
	Text     string       `json:"text"`     // what is so, and the next step
	At       time.Time    `json:"at"`       // when it was so, not when it was sent
	Outage   uint32       `json:"outage"`   // its number; 0 for none
	Test     bool         `json:"test"`     // sent by "ebbline rehearse --messages": nothing has happened
	Dropped  int          `json:"lost"`     // messages before this one that this receiver will not get

	Attachments []Attachment `json:"attachments"` // as the report after an outage
}

// Attachment is a text that goes with a message.
type Attachment struct {
	Name string `json:"name"` // "outage-3.txt"
	Type string `json:"type"` // "text/plain"
	Text string `json:"text"`
}

const (
	mostTitle = 120  // characters
	mostText  = 2000 // likewise
)

// of makes the message that tells some news.
func of(n agent.News, site string) Message {
	at := n.At
	if at.Year() < 2000 { // told before the agent had a clock
		at = time.Now()
	}
	text := clean.Line(n.Text, mostText)
	m := Message{
		Site: site, Change: n.Change, Code: n.Code, Severity: n.Severity.String(), UPS: n.UPS, Host: n.Host,
		Text: text, Title: title(n, text), At: at.UTC().Truncate(time.Millisecond), Outage: n.Outage,
		Attachments: []Attachment{},
	}
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\n%d\n%s\n%s\n%s\n%s", site, at.UnixNano(), n.Change, n.Code, n.UPS, n.Host))
	m.ID = hex.EncodeToString(sum[:12])
	return m
}

// title is the first sentence.
func title(n agent.News, text string) string {
	if n.Change == agent.Raised {
		if first, _, more := strings.Cut(text, ". "); more {
			text = first
		}
	}
	return clean.Line(strings.TrimSuffix(text, "."), mostTitle)
}

// Test is the message that a rehearsal sends.
func Test(site string, at time.Time) *Message {
	m := of(agent.News{At: at, Change: agent.Happened, Code: "test", Severity: policy.Info, Text: "Test of ebbline's messages: nothing has happened, nothing is to be done."}, site)
	m.Test = true
	return &m
}
