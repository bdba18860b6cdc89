package main

import (
	"context"
	"fmt"
	"strings"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"ebbline/agent"
	"ebbline/agent/bounded"
	"ebbline/agent/clean"
	"ebbline/agent/history"
	"ebbline/agent/journal"
	"ebbline/agent/message"
	"ebbline/agent/rehearse"
	"ebbline/policy"
	"ebbline/shutdown"
)

// messagesFile is the queue of messages in the agent's state folder.
const messagesFile = "messages"

// messages is the running agent's way to people.
type messages struct {
	messenger *message.Messenger
	life      *message.Life
	queue     *journal.Journal
	agent     atomic.Pointer[agent.Agent] // nil until it is made
}

// openMessages takes up what waits from before.
func openMessages(path string, read secrets, log *zap.Logger) (*messages, error) {
	queue, past, err := journal.Open(path)
	if err != nil {
		return nil, err
	}
	m := &messages{queue: queue}
	m.messenger = message.New(message.Config{Journal: queue, Past: past, Secrets: read, Log: log, Unsent: func(text string) {
		switch a := m.agent.Load(); {
		case a == nil: // it is told at its first step
		case text == "":
			a.Settle(shutdown.MessageUnsent)
		default:
			a.RaiseWith(shutdown.MessageUnsent, text)
		}
	}})
	m.life = message.NewLife(read, log, func() { m.messenger.Resume(m.agent.Load().News()) }, m.messenger.SignFault)
	return m, nil
}

// adopt puts a policy's receivers to work at once, in an outage too; nil changes
// nothing.
func (m *messages) adopt(p *policy.Policy) {
	if p != nil {
		m.messenger.Adopt(p)
		m.life.Adopt(p.Site.SignOfLife)
	}
}

// mostPage is how large a page goes along; of a larger one the text tells all.
const mostPage = 1 << 20

// report sends the report of an outage. Its message is the same when it is sent again.
func (m *messages) report(o *history.Outage, text string, page []byte) {
	name := fmt.Sprintf("outage-%d", o.Number)
	papers := []message.Attachment{{Name: name + ".txt", Type: "text/plain", Text: text}}
	if len(page) <= mostPage {
		papers = append(papers, message.Attachment{Name: name + ".html", Type: "text/html", Text: string(page)})
	}
	_, rest, _ := strings.Cut(text, "\n") // behind its title
	verdict, _, _ := strings.Cut(rest, "\n")
	m.messenger.TellWith(agent.News{
		At: o.Ended.UTC, Change: agent.Happened, Code: agent.OutageReport, Severity: agent.Severity(agent.OutageReport), Outage: o.Number,
		Text: fmt.Sprintf("Report of outage %d: %s `ebbline history %[1]d` shows the whole.", o.Number, verdict),
	}, papers)
}

func (m *messages) close() {
	m.messenger.Close()
	m.queue.Close()
}

// observers are told one after the other.
type observers []agent.Observer

// Stepped implements [agent.Observer].
func (w observers) Stepped(at shutdown.Instant, e *shutdown.Event, effects []shutdown.Effect, of *policy.Policy, s *shutdown.State) {
	for _, one := range w {
		one.Stepped(at, e, effects, of, s)
	}
}

// receiver is what a rehearsal found of one receiver.
type receiver struct {
	Name  string  `json:"name"`
	To    string  `json:"to"`
	Sent  bool    `json:"sent"`
	Fault string  `json:"fault"` // "" when it was taken
	Took  float64 `json:"took_seconds"`
	run   func(ctx context.Context) error
}

// tryMessages sends each receiver a test, and fetches the sign of life once.
func (c *call) tryMessages(ctx context.Context, p *policy.Policy, read secrets) int {
	var list []*receiver
	test := message.Test(p.Site.Name, time.Now())
	for i := range p.Messages {
		m := &p.Messages[i]
		list = append(list, &receiver{Name: m.Name, To: message.Where(m), run: func(ctx context.Context) error { return message.Try(ctx, m, read, test) }})
	}
	if life := p.Site.SignOfLife; life != nil {
		add := func(name string, to policy.Text) {
			if to != nil {
				list = append(list, &receiver{Name: name, To: message.Host(to), run: func(ctx context.Context) error { return message.TrySign(ctx, to, life.Certificate, read) }})
			}
		}
		add("sign_of_life", life.URL)
		add("sign_of_life (failure)", life.Failure)
	}
	bounded.Each(ctx, len(list), rehearse.AtOnce, func(i int) { list[i].try(ctx) })
	if ctx.Err() != nil {
		return c.fail("interrupted")
	}
	code := exitDone
	for _, r := range list {
		if !r.Sent {
			code = exitFailed
		}
	}
	if c.json {
		printJSON(c.Out, map[string]any{"ready": code == exitDone, "receivers": append([]*receiver{}, list...)})
		return code
	}
	if len(list) == 0 {
		fmt.Fprintf(c.Out, "%s tells nobody: its policy has no message block and no sign_of_life (`ebbline help policy`)\n", p.Site.Name)
		return code
	}
	for _, r := range list {
		if r.Sent {
			fmt.Fprintf(c.Out, "%-20s  taken in %.1fs by %s\n", r.Name, r.Took, r.To)
			continue
		}
		var folded strings.Builder
		hang(&folded, fmt.Sprintf("%-20s  ", r.Name), "NOT taken by "+r.To+": "+r.Fault, 80)
		fmt.Fprint(c.Out, folded.String())
	}
	return code
}

func (r *receiver) try(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, rehearse.Within)
	defer cancel()
	began := time.Now()
	err := r.run(ctx)
	r.Took = time.Since(began).Seconds()
	if r.Sent = err == nil; !r.Sent {
		r.Fault = clean.OneLine(err.Error())
	}
}
