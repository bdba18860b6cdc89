package message

import (
	"context"
	"net/http"
	"strings"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"ebbline/agent/clean"
	"ebbline/policy"
	"ebbline/shutdown"
)

// Life gives the sign of life: an address is fetched after real polls that the
// agent has decided on. No timer fetches it: an agent whose loop hangs, or whose
// polls have stopped, gives none, and whoever waits for it knows.
type Life struct {
	secrets Secrets
	log     *zap.Logger
	began   func()            // called once, at the agent's first step
	fault   func(text string) // told what keeps a sign from getting through; "" when it does
	config  atomic.Pointer[policy.SignOfLife]
	signs   chan sign

	// Of the agent's loop alone.
	running bool
	policy  *policy.Policy
	seen    []bool // by UPS: an answer of it was decided on since the last sign
	last    shutdown.Instant
}

// sign is one sign to give.
type sign struct {
	config *policy.SignOfLife
	fault  string // why the agent cannot do its work; "" when it can
}

// patience is how long beyond its time a sign waits for UPSs that have not
// answered, before it is one of failure.
const patience = 15 * time.Second

// NewLife makes an observer of the agent's steps; Run gives the signs. It calls
// began in a goroutine of its own once the agent has taken its first step, and
// fault with what keeps a sign from getting through, "" when it does again.
func NewLife(read Secrets, log *zap.Logger, began func(), fault func(string)) *Life {
	return &Life{secrets: read, log: log, began: began, fault: fault, signs: make(chan sign, 1)}
}

// Adopt takes a policy's block; nil gives no sign.
func (l *Life) Adopt(s *policy.SignOfLife) { l.config.Store(s) }

// Stepped sees one step of the agent's loop, and never waits.
func (l *Life) Stepped(at shutdown.Instant, e *shutdown.Event, effects []shutdown.Effect, of *policy.Policy, s *shutdown.State) {
	if s.Policy == nil {
		return
	}
	if !l.running {
		go l.began()
	}
	l.running = true
	if s.Policy != l.policy {
		l.policy, l.seen = s.Policy, make([]bool, len(s.UPSs))
	}
	if e.Kind == shutdown.Measured && of == s.Policy {
		l.seen[e.UPS] = true
	}
	config := l.config.Load()
	if config == nil || l.last != 0 && at.Sub(l.last) < config.Every {
		return
	}
	var missing []string
	for i, seen := range l.seen {
		if !seen {
			missing = append(missing, s.Policy.UPSs[i].Name)
		}
	}
	given := sign{config: config}
	if len(missing) > 0 {
		if l.last == 0 {
			l.last = at.Add(-config.Every) // of the agent's start
		}
		if at.Sub(l.last) < config.Every+patience {
			return
		}
		given.fault = "no answer from " + strings.Join(missing, ", ")
	}
	select {
	case l.signs <- given:
	default: // the last one is still under way: the receiver hangs
	}
	l.last = at
	clear(l.seen)
}

// Run fetches the addresses until ctx ends.
func (l *Life) Run(ctx context.Context) {
	said := ""
	for {
		select {
		case <-ctx.Done():
			return
		case s := <-l.signs:
			to, text := s.config.URL, ""
			if s.fault != "" {
				to = s.config.Failure
			}
			if to != nil {
				text = l.fetch(ctx, to, s.config.Certificate)
			}
			switch {
			case text == said || ctx.Err() != nil:
			case text != "":
				l.log.Warn("the sign of life does not get through", zap.String("to", host(to)), zap.String("error", text))
			default:
				l.log.Info("the sign of life gets through again")
			}
			if text != said {
				l.fault(text)
			}
			said = text
		}
	}
}

func (l *Life) fetch(ctx context.Context, to policy.Text, certificate string) (fault string) {
	ctx, cancel := context.WithTimeout(ctx, sendWithin)
	defer cancel()
	r := request{method: http.MethodGet, url: to, certificate: certificate, read: l.secrets}
	if err := r.do(ctx); err != nil {
		return clean.Line(err.Error(), mostText)
	}
	return ""
}

// TrySign fetches one of the addresses once.
func TrySign(ctx context.Context, to policy.Text, certificate string, read Secrets) error {
	r := request{method: http.MethodGet, url: to, certificate: certificate, read: read}
	return r.do(ctx)
}

// Host says where a URL goes, without what is secret.
func Host(to policy.Text) string { return host(to) }
