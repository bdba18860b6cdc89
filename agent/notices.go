package agent

import (
	"cmp"
	"fmt"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"ebbline/policy"
	"ebbline/shutdown"
)

// Condition is something that an operator must know, for as long as it is so.
type Condition struct {
	Code  string    `json:"code"` // stable: "source-silent"
	UPS   string    `json:"ups,omitempty"`
	Host  string    `json:"host,omitempty"`
	Text  string    `json:"text"` // what is so, and the next step
	Since time.Time `json:"since"`

	Because string `json:"because,omitempty"` // in a view: the condition that explains it, "source-silent of UPS rack"
}

// Record is something that happened.
type Record struct {
	At   time.Time `json:"at"`
	Code string    `json:"code"`
	UPS  string    `json:"ups,omitempty"`
	Host string    `json:"host,omitempty"`
	Text string    `json:"text"`
	Took float64   `json:"took_seconds,omitempty"` // of a host that is down or back, since it was told
}

// board holds the conditions that are raised and the last records.
type board struct {
	Conditions []Condition
	Records    []Record
}

const recordsKept = 200

// wall is an instant as a time of day. Instants count from the wall's time at
// the start of a boot.
func wall(t shutdown.Instant) time.Time { return time.Unix(0, int64(t)).UTC() }

// textOf is what a person is told of a notice: what is so, the next step, and how a
// condition ends that only a person ends.
func textOf(p *policy.Policy, n *shutdown.Notice) string {
	return strings.TrimSpace(n.Text(p) + " " + n.Ending(p))
}

// tells tells whether a notice of a code is among effects.
func tells(effects []shutdown.Effect, c shutdown.Code) bool {
	return slices.ContainsFunc(effects, func(f shutdown.Effect) bool { return f.Kind == shutdown.Notify && f.Notice.Code == c })
}

// take puts a notice on the board; false when it says nothing new.
func (b *board) take(at shutdown.Instant, p *policy.Policy, n *shutdown.Notice) bool {
	ups, host := n.Names(p)
	if !n.Code.Condition() {
		r := Record{At: wall(at), Code: n.Code.String(), UPS: ups, Host: host, Text: n.Text(p)}
		if n.Code == shutdown.HostDown || n.Code == shutdown.HostBack {
			r.Took = max(0, n.Span).Round(time.Millisecond).Seconds()
		}
		b.Records = append(b.Records, r)
		if over := len(b.Records) - recordsKept; over > 0 {
			b.Records = slices.Delete(b.Records, 0, over)
		}
		return true
	}
	new := Condition{Code: n.Code.String(), UPS: ups, Host: host, Since: wall(at)}
	i, there := slices.BinarySearchFunc(b.Conditions, new, compare)
	switch {
	case n.Clear && there:
		b.Conditions = slices.Delete(b.Conditions, i, i+1)
	case n.Clear:
		return false
	case there:
		b.Conditions[i].Text = textOf(p, n)
		return false
	default:
		new.Text = textOf(p, n)
		b.Conditions = slices.Insert(b.Conditions, i, new)
	}
	return true
}

// say gives a condition about neither a UPS nor a host another text.
func (b *board) say(c shutdown.Code, text string) {
	if i, there := slices.BinarySearchFunc(b.Conditions, Condition{Code: c.String()}, compare); there {
		b.Conditions[i].Text = text
	}
}

// compare puts conditions in order, each code once for each object.
func compare(a, b Condition) int {
	return cmp.Or(cmp.Compare(a.Code, b.Code), cmp.Compare(a.UPS, b.UPS), cmp.Compare(a.Host, b.Host))
}

// forget takes away what is said of names that the policy no longer has.
func (b *board) forget(p *policy.Policy) {
	has := func(n int, name func(int) string, want string) bool {
		for i := range n {
			if name(i) == want {
				return true
			}
		}
		return want == ""
	}
	b.Conditions = slices.DeleteFunc(b.Conditions, func(c Condition) bool {
		return !has(len(p.UPSs), func(i int) string { return p.UPSs[i].Name }, c.UPS) ||
			!has(len(p.Hosts), func(i int) string { return p.Hosts[i].Name }, c.Host)
	})
}

// settle takes a condition away from whatever it is raised of.
func (b *board) settle(c shutdown.Code) {
	b.Conditions = slices.DeleteFunc(b.Conditions, func(r Condition) bool { return r.Code == c.String() })
}

// raised tells whether a condition is, of whatever it may be.
func (b *board) raised(c shutdown.Code) bool {
	return slices.ContainsFunc(b.Conditions, func(r Condition) bool { return r.Code == c.String() })
}

func (b *board) clone() board {
	return board{slices.Clone(b.Conditions), slices.Clone(b.Records)}
}

// Raise raises a condition that the core does not know of, such as
// [shutdown.PolicyRefused].
func (a *Agent) Raise(c shutdown.Code) { a.note(c, false, "") }

// RaiseWith does the same with a text of its own, which may change while the
// condition stands.
func (a *Agent) RaiseWith(c shutdown.Code, text string) { a.note(c, false, text) }

// Settle clears one.
func (a *Agent) Settle(c shutdown.Code) { a.note(c, true, "") }

// Mark raises or clears a condition of one UPS that the core does not know of,
// such as [shutdown.BatteryWorn].
func (a *Agent) Mark(c shutdown.Code, ups string, on bool) {
	a.mark(c, on, func(p *policy.Policy, n *shutdown.Notice) bool {
		n.UPS = int32(slices.IndexFunc(p.UPSs, func(u policy.UPS) bool { return u.Name == ups }))
		return n.UPS >= 0
	})
}

// MarkHost does the same for a host, as with [shutdown.HostUnready].
func (a *Agent) MarkHost(c shutdown.Code, host string, on bool) {
	a.mark(c, on, func(p *policy.Policy, n *shutdown.Notice) bool {
		n.Host = int32(slices.IndexFunc(p.Hosts, func(h policy.Host) bool { return h.Name == host }))
		return n.Host >= 0
	})
}

// mark raises or clears a condition of what find names in the notice, if the
// policy has it.
func (a *Agent) mark(c shutdown.Code, on bool, find func(*policy.Policy, *shutdown.Notice) bool) {
	a.mu.Lock()
	p, at, fresh := a.seen.Policy, a.seen.Now, false
	n := shutdown.Notice{Code: c, Clear: !on, UPS: -1, Host: -1, B: -1}
	if p != nil && find(p, &n) {
		fresh = a.board.take(at, p, &n)
	}
	outage := a.outage()
	a.mu.Unlock()
	if fresh {
		a.voice.tell(newsOf(at, p, &n, outage))
	}
}

func (a *Agent) note(c shutdown.Code, clear bool, text string) {
	n := shutdown.Notice{Code: c, Clear: clear, UPS: -1, Host: -1, B: -1}
	a.mu.Lock()
	// Without a policy there is no clock yet, and nobody to be told twice.
	at := a.seen.Now
	fresh := a.board.take(at, nil, &n)
	w := newsOf(at, nil, &n, a.outage())
	if text != "" {
		w.Text = text
		a.board.say(c, text)
	}
	a.mu.Unlock()
	if fresh {
		a.voice.tell(w)
	}
}

// voice is the way to the log and to messages. Neither can hold the loop up:
// what they do not take is dropped and counted.
type voice struct {
	log     *zap.Logger
	hook    func(News)
	lines   chan line
	notices chan News
	dropped atomic.Int64
	quit    chan struct{}
	over    sync.WaitGroup
}

type line struct {
	level  zapcore.Level
	text   string
	fields []zap.Field
}

func newVoice(log *zap.Logger, hook func(News)) *voice {
	return &voice{log: log, hook: hook, lines: make(chan line, 512), notices: make(chan News, 1024), quit: make(chan struct{})}
}

func (v *voice) info(text string, f ...zap.Field)  { v.say(zapcore.InfoLevel, text, f) }
func (v *voice) warn(text string, f ...zap.Field)  { v.say(zapcore.WarnLevel, text, f) }
func (v *voice) fault(text string, f ...zap.Field) { v.say(zapcore.ErrorLevel, text, f) }

func (v *voice) say(level zapcore.Level, text string, f []zap.Field) {
	select {
	case v.lines <- line{level, text, f}:
	default:
		v.dropped.Add(1)
	}
}

// safely survives the panic of a part, and tells of it: one bad part stops no
// other.
func (v *voice) safely(f func()) (fault error) {
	defer func() {
		if r := recover(); r != nil {
			v.fault("a fault in this program", zap.Any("panic", r), zap.ByteString("stack", debug.Stack()))
			fault = fmt.Errorf("a fault in this program: %v", r)
		}
	}()
	f()
	return nil
}

// tell passes news on.
func (v *voice) tell(news ...News) {
	for _, n := range news {
		level := zapcore.InfoLevel
		if n.Change == Raised {
			level = zapcore.WarnLevel
		}
		v.say(level, n.Text, []zap.Field{zap.String("code", n.Code), zap.Bool("clear", n.Change == Over)})
		if v.hook == nil {
			continue
		}
		select {
		case v.notices <- n:
		default:
			v.dropped.Add(1)
		}
	}
}

func (v *voice) start() {
	v.over.Go(func() { deliver(v.lines, v.quit, v.write) })
	v.over.Go(func() { deliver(v.notices, v.quit, v.hook) })
}

func (v *voice) write(l line) {
	if n := v.dropped.Swap(0); n > 0 {
		l.fields = append(l.fields, zap.Int64("lines_dropped", n))
	}
	if e := v.log.Check(l.level, l.text); e != nil {
		e.Write(l.fields...)
	}
}

// stop delivers what waits, for as long as is given.
func (v *voice) stop(within time.Duration) {
	close(v.quit)
	waitFor(&v.over, within)
}

// deliver hands on what comes until it is told to quit, and then what waits.
func deliver[T any](ch chan T, quit chan struct{}, to func(T)) {
	for {
		select {
		case v := <-ch:
			to(v)
			continue
		default:
		}
		select {
		case v := <-ch:
			to(v)
		case <-quit:
			if len(ch) == 0 {
				return
			}
		}
	}
}

// waitFor waits for a group, and is false when that took too long.
func waitFor(g *sync.WaitGroup, within time.Duration) bool {
	done := make(chan struct{})
	go func() {
		g.Wait()
		close(done)
	}()
	return closes(done, within)
}

// closes waits until a channel is closed, and is false when that takes too long.
func closes(done <-chan struct{}, within time.Duration) bool {
	timer := time.NewTimer(within)
	defer timer.Stop()
	select {
	case <-done:
		return true
	case <-timer.C:
		return false
	}
}
