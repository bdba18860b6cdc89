package agent_test

import (
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"go.uber.org/zap"

	"ebbline/agent"
	"ebbline/agent/message"
	"ebbline/policy"
	"ebbline/shutdown/transcript"
)

// Aim: messages are never in the way of a decision. Method: one outage to its end, alone
// and with a messenger whose receiver hangs and whose disk hangs: both journals hold
// the same decisions, to the byte and the instant.
func TestMessagesHang(t *testing.T) {
	live := func(t *testing.T, hang bool) (lines []string) {
		synctest.Test(t, func(t *testing.T) {
			l := newLab(t, smallRoom(t))
			if hang {
				disk := &memory{block: l.room.freed}
				m := message.New(message.Config{Journal: disk, Log: zap.NewNop(), Unsent: func(string) {},
					Secrets: func(policy.Secret) ([]byte, error) { <-l.room.freed; return nil, errors.New("the end") }})
				m.Adopt(&policy.Policy{Messages: []policy.Message{
					{Name: "hook", Severity: policy.Info, GivesUp: time.Hour, Webhook: &policy.Webhook{URL: policy.Text{{Secret: "hangs"}}}},
				}})
				told := 0
				l.config.Tell = func(n agent.News) { told++; m.Tell(n) }
				defer func() {
					if told < 10 {
						t.Errorf("only %d pieces of news came", told)
					}
				}()
				t.Cleanup(m.Close)
			}
			l.start()
			time.Sleep(10 * time.Second)
			l.room.input(false)
			l.off(time.Hour, "web", "db", "vault")
			l.room.input(true)
			l.off(2 * time.Hour)
			l.until(time.Minute, "the outage is over", func() bool { return l.agent.View().Outage == nil })
			l.end()
			// What the hosts' looks of one instant find comes in any order; what is decided
			// does not.
			lines = slices.DeleteFunc(l.journal.lived(), transcript.Line)
		})
		return lines
	}
	free, hung := live(t, false), live(t, true)
	if len(free) < 20 || !slices.Equal(free, hung) {
		t.Errorf("%d lines alone, %d with receivers that hang:\n%s", len(free), len(hung), gocmp.Diff(free, hung))
	}
}
