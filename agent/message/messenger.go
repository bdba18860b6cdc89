package message

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"ebbline/agent"
	"ebbline/agent/clean"
	"ebbline/policy"
	"ebbline/shutdown"
)

// Config is what a messenger is made of.
type Config struct {
	Journal Journal
	Past    agent.Past
	Secrets Secrets
	Log     *zap.Logger
	// Unsent is told what does not get through, in words for people; "" when all
	// does again. It must return at once.
	Unsent func(text string)
	way    func(*policy.Message, Secrets) sender // of tests
}

const (
	sendWithin  = 15 * time.Second // one try
	diskWithin  = time.Second      // a message waits so long for the disk, then it goes without
	closeWithin = 3 * time.Second
	firstPause  = 2 * time.Second // after a try that failed; doubled after each
	longPause   = 5 * time.Minute // and no longer than this
	saidAfter   = 2               // tries in vain, until the condition is raised
	unwantedFor = 3               // tries of a message that the receiver understood and will not take
	mostWaiting = 500             // messages for one receiver
	mostPapers  = 10              // of them with attachments, which take room; the others go without
)

// Messenger sends messages. Its exported methods may be called from any
// goroutine; none of them waits.
type Messenger struct {
	config  Config
	damaged bool
	quit    chan struct{}
	over    sync.WaitGroup

	mu         sync.Mutex
	news       *sync.Cond // lines to be written, or the end
	backlog    backlog
	lines      []string // to be written
	gap        bool     // not all lines are there
	unkept     []chan struct{}
	broken     string // what is wrong with the disk
	sign       string // what is wrong with the sign of life
	unsentText string // what Unsent was told last
	ended      bool
	site       string
	policy     []policy.Message
	receivers  []*receiver
}

// receiver is one message block at work.
type receiver struct {
	m      *Messenger
	policy policy.Message
	way    sender
	wake   chan struct{}
	cancel context.CancelFunc
	gone   chan struct{} // closed when its goroutine has ended

	// Under m.mu.
	tries int    // of the first that waits, in vain
	fault string // why
}

// New makes a messenger; nothing is sent before Adopt.
func New(c Config) *Messenger {
	if c.way == nil {
		c.way = way
	}
	m := &Messenger{config: c, quit: make(chan struct{})}
	m.news = sync.NewCond(&m.mu)
	past, notes := recall(c.Past)
	m.backlog, m.damaged = *past, len(notes) > 0
	for _, e := range m.backlog.Waiting {
		e.kept, e.since = make(chan struct{}), time.Now()
		close(e.kept)
	}
	for _, n := range notes {
		c.Log.Warn(n)
	}
	if n := len(m.backlog.Waiting); n > 0 {
		c.Log.Info("messages wait from before", zap.Int("messages", n))
	}
	m.over.Go(m.write)
	return m
}

// Adopt puts the receivers of a policy to work. What waits for one that the
// policy no longer has is dropped.
func (m *Messenger) Adopt(p *policy.Policy) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.ended {
		return
	}
	if m.site == p.Site.Name && reflect.DeepEqual(m.policy, p.Messages) {
		return
	}
	m.site, m.policy = p.Site.Name, p.Messages
	old := m.receivers
	m.receivers = nil
	for i := range p.Messages {
		ctx, cancel := context.WithCancel(context.Background())
		r := &receiver{m: m, policy: p.Messages[i], way: m.config.way(&p.Messages[i], m.config.Secrets), wake: make(chan struct{}, 1), cancel: cancel, gone: make(chan struct{})}
		m.receivers = append(m.receivers, r)
		before := make(chan struct{})
		close(before)
		for _, o := range old {
			if o.policy.Name == r.policy.Name {
				before = o.gone // two at once would send out of order
			}
		}
		m.over.Go(func() { r.run(ctx, before) })
	}
	for _, o := range old {
		o.cancel()
	}
	for _, e := range slices.Clone(m.backlog.Waiting) {
		if !slices.ContainsFunc(m.receivers, func(r *receiver) bool { return r.policy.Name == e.Receiver }) {
			m.config.Log.Warn("a message is dropped: the policy no longer has its receiver", zap.String("receiver", e.Receiver), zap.String("text", e.Message.Text))
			m.record(change{Done: e.Number})
		}
	}
	m.report()
}

// Tell takes news and queues them for those who want to hear of them.
func (m *Messenger) Tell(n agent.News) { m.TellWith(n, nil) }

// TellWith is Tell of news with texts that go along.
func (m *Messenger) TellWith(n agent.News, papers []Attachment) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.tell(n, papers...)
}

// what names what a condition is, apart from when.
func what(code, ups, host string) string { return code + " " + ups + " " + host }

// unsentKey is the condition that messages do not get through.
var unsentKey = what(shutdown.MessageUnsent.String(), "", "")

func (m *Messenger) tell(n agent.News, papers ...Attachment) {
	if m.ended {
		return
	}
	msg := of(n, m.site)
	key := what(n.Code, n.UPS, n.Host)
	untold := m.backlog.Untold
	switch _, told := m.backlog.Standing[key]; {
	case n.Change == agent.Raised && told, n.Change == agent.Over && !told:
		return
	case n.Change == agent.Raised:
		m.record(change{Raised: key, ID: msg.ID})
	case n.Change == agent.Over:
		m.record(change{Over: key})
	case n.Code == agent.InputLost && n.Outage > 0:
		m.record(change{Outage: n.Outage})
	}
	msg.Attachments = append(msg.Attachments, papers...)
	for _, r := range m.receivers {
		switch {
		case !r.wants(n):
		case key == unsentKey && n.Change == agent.Raised && r.fault != "": // not told by the way that fails
			m.record(change{Untold: r.policy.Name})
		case key == unsentKey && n.Change == agent.Over && slices.Contains(untold, r.policy.Name):
		default:
			m.queue(r, msg)
		}
	}
}

// Resume compares what stands now with what was told before the agent's last
// end: what began or ended meanwhile, or was not told before a crash, is told.
func (m *Messenger) Resume(standing []agent.News, outage uint32) {
	m.mu.Lock()
	defer m.mu.Unlock()
	now := map[string]bool{}
	for _, n := range standing {
		now[what(n.Code, n.UPS, n.Host)] = true
		m.tell(n)
	}
	for key := range m.backlog.Standing {
		if part := strings.Split(key, " "); !now[key] && len(part) == 3 {
			n := agent.News{At: time.Now(), Change: agent.Over, Code: part[0], Severity: agent.Severity(part[0]), UPS: part[1], Host: part[2], Outage: outage}
			n.Text = strings.TrimSpace(n.Code+" "+n.UPS+n.Host) + ": over"
			m.tell(n)
		}
	}
	if outage > 0 && outage != m.backlog.Outage {
		m.tell(agent.News{At: time.Now(), Change: agent.Happened, Code: agent.InputLost, Severity: policy.Warning, Text: fmt.Sprintf("outage %d is on; the agent was started again in it", outage), Outage: outage})
	}
	m.unsentText = m.unsent()
	m.config.Unsent(m.unsentText) // what the agent remembers may be of its life before
}

// SignFault takes what keeps the sign of life from getting through; "" when it
// does.
func (m *Messenger) SignFault(text string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.sign = text
	m.report()
}

// wants tells whether the receiver is to hear of it.
func (r *receiver) wants(n agent.News) bool {
	return n.Severity >= r.policy.Severity && (len(r.policy.Codes) == 0 || slices.Contains(r.policy.Codes, n.Code))
}

// queue puts a message behind the others of a receiver. When it has too many, the
// least severe of them is dropped, the oldest first.
func (m *Messenger) queue(r *receiver, msg Message) {
	if m.backlog.waiting(r.policy.Name) >= mostWaiting {
		waiting := slices.DeleteFunc(slices.Clone(m.backlog.Waiting), func(e *entry) bool { return e.Receiver != r.policy.Name })
		rank := func(e *entry) int { return slices.Index(policy.Severities(), e.Message.Severity) }
		least := slices.MinFunc(waiting[1:], func(a, b *entry) int { return rank(a) - rank(b) }) // the first is under way
		m.config.Log.Warn("a message is dropped: too many wait", zap.String("receiver", r.policy.Name), zap.String("text", least.Message.Text))
		m.record(change{Drop: least.Number})
	}
	if m.backlog.papers(r.policy.Name) >= mostPapers {
		msg.Attachments = []Attachment{}
	}
	msg.Dropped = m.backlog.Dropped[r.policy.Name]
	m.record(change{Queue: &entry{Number: m.backlog.Next, Receiver: r.policy.Name, Message: msg, kept: make(chan struct{}), since: time.Now()}})
	m.report()
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// run sends what waits for a receiver, one after the other, until ctx ends.
func (r *receiver) run(ctx context.Context, before chan struct{}) {
	defer close(r.gone)
	<-before
	pause := firstPause
	for ctx.Err() == nil {
		e := r.first()
		if e == nil {
			select {
			case <-r.wake:
			case <-ctx.Done():
			}
			continue
		}
		r.whenKept(ctx, e)
		err := r.try(ctx, e)
		if ctx.Err() != nil {
			return // if it arrived all the same, it is known for a repeat by its id
		}
		if r.settle(e, err) {
			pause = firstPause
			continue
		}
		if r.rest(ctx, pause) {
			pause = firstPause // there is news: it must not wait for long
		} else {
			pause = min(2*pause, longPause)
		}
	}
}

// rest waits before the next try; it is true when there is news, which cuts a long
// wait short.
func (r *receiver) rest(ctx context.Context, pause time.Duration) (news bool) {
	timer := time.NewTimer(firstPause)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
		return false
	}
	timer.Reset(pause - firstPause)
	select {
	case <-r.wake:
		return true
	case <-timer.C:
	case <-ctx.Done():
	}
	return false
}

func (r *receiver) first() *entry {
	r.m.mu.Lock()
	defer r.m.mu.Unlock()
	for _, e := range r.m.backlog.Waiting {
		if e.Receiver == r.policy.Name {
			return e
		}
	}
	return nil
}

// whenKept waits until the message is on the disk, for as long as a disk may take.
func (r *receiver) whenKept(ctx context.Context, e *entry) {
	timer := time.NewTimer(diskWithin)
	defer timer.Stop()
	select {
	case <-e.kept:
	case <-timer.C:
		r.m.disk(errHung)
	case <-ctx.Done():
	}
}

// try sends once. A fault in a way ends no other.
func (r *receiver) try(ctx context.Context, e *entry) (err error) {
	ctx, cancel := context.WithTimeout(ctx, sendWithin)
	defer cancel()
	defer func() {
		if f := recover(); f != nil {
			err = fmt.Errorf("a fault in this program: %v", f)
		}
	}()
	msg := e.Message
	return r.way.send(ctx, &msg)
}

// settle takes the outcome of a try, and is true when the message waits no more.
func (r *receiver) settle(e *entry, err error) (done bool) {
	m := r.m
	m.mu.Lock()
	defer m.mu.Unlock()
	log := m.config.Log.With(zap.String("receiver", r.policy.Name), zap.String("code", e.Message.Code), zap.String("id", e.Message.ID))
	if err == nil {
		log.Info("message sent", zap.Int("tries", r.tries+1))
		r.tries, r.fault = 0, ""
		m.record(change{Done: e.Number})
		m.report()
		return true
	}
	r.tries++
	if text := clean.Line(err.Error(), mostText); text != r.fault {
		r.fault = text
		log.Warn("message not sent; it is tried again", zap.String("to", r.way.where()), zap.String("error", text))
	}
	var no unwanted
	late := time.Since(e.since) > r.policy.GivesUp
	if late || errors.As(err, &no) && r.tries >= unwantedFor {
		log.Error("message given up", zap.Int("tries", r.tries), zap.String("text", e.Message.Text))
		m.record(change{Drop: e.Number})
		m.report()
		r.tries = saidAfter // the receiver is not well until it has taken one
		return true
	}
	m.report()
	return false
}

// disk takes how the last write went.
func (m *Messenger) disk(err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	broken := ""
	if err != nil {
		broken = clean.Line(err.Error(), mostText)
	}
	if broken == m.broken {
		return
	}
	m.broken = broken
	if broken != "" {
		m.config.Log.Error("the queue of messages is not written; they are sent without it", zap.String("error", broken))
	}
	m.report()
}

// report says what does not get through, when that has changed. The caller holds
// m.mu.
func (m *Messenger) report() {
	if text := m.unsent(); text != m.unsentText && !m.ended {
		m.unsentText = text
		m.config.Unsent(text)
	}
}

// ended is a text with an end.
func ended(text string) string {
	if strings.HasSuffix(text, ".") || strings.HasSuffix(text, "?") {
		return text
	}
	return text + "."
}

// unsent is what does not get through, for people.
func (m *Messenger) unsent() string {
	var parts []string
	for _, r := range m.receivers {
		if r.fault != "" && r.tries >= saidAfter {
			parts = append(parts, fmt.Sprintf("Messages do not reach %q (%s): %s They are kept and tried again.", r.policy.Name, r.way.where(), ended(r.fault)))
		}
		if m.backlog.waiting(r.policy.Name) >= mostWaiting {
			parts = append(parts, fmt.Sprintf("%d messages wait for %q, and that is the most: for each new one the least severe is dropped, and it is told how many.", mostWaiting, r.policy.Name))
		}
	}
	if m.sign != "" {
		parts = append(parts, "The sign of life does not get through: "+strings.TrimSuffix(m.sign, ".")+".")
	}
	if m.broken != "" && len(m.receivers) > 0 {
		parts = append(parts, fmt.Sprintf("The queue of messages cannot be written (%s): a message that waits is lost in a crash. Make room, or mend the folder of the agent's state.", m.broken))
	}
	return strings.Join(parts, " ")
}

// Close ends the sending; what waits is on the disk for the next start, if the
// disk answers.
func (m *Messenger) Close() {
	m.mu.Lock()
	m.ended = true
	for _, r := range m.receivers {
		r.cancel()
	}
	m.news.Broadcast()
	m.mu.Unlock()
	close(m.quit)
	done := make(chan struct{})
	go func() {
		m.over.Wait()
		close(done)
	}()
	timer := time.NewTimer(closeWithin)
	defer timer.Stop()
	select {
	case <-done:
	case <-timer.C:
		m.config.Log.Warn("a message under way hangs and is left behind")
	}
}
