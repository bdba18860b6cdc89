// Package agent is the daemon's body: it feeds the core with what sources and
// lookers see, carries out the core's effects, and records both. One goroutine
// owns the state; everybody else sends to it. It must never decide: what is
// done, and when, is the word of [shutdown.State.Step] alone.
//
// It knows no protocol and no file. What it needs are the small interfaces
// below, and the command wires them.
package agent

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"ebbline/policy"
	"ebbline/shutdown"
)

// Source is one UPS that can be asked.
type Source interface {
	Poll(ctx context.Context) (shutdown.Measurement, error)
}

// Doer carries out actions. It returns by ctx's deadline; when it does not, the
// outcome is Unknown without it.
type Doer interface {
	Do(ctx context.Context, p *policy.Policy, a shutdown.Action) (shutdown.Outcome, string)
}

// Sensor is one temperature, in tenths of a degree Celsius.
type Sensor interface {
	Read(ctx context.Context) (tenths int64, err error)
}

// Switch is one emergency input.
type Switch interface {
	Used(ctx context.Context) (bool, error)
}

// Looker looks at one host. A zero sighting says that nothing was learned.
type Looker interface {
	Look(ctx context.Context) (shutdown.Sighting, string)
}

// Connector opens the way to one host and keeps it open.
type Connector interface {
	Connect(ctx context.Context) error
}

// Journal keeps what happened over a crash. One goroutine calls it.
type Journal interface {
	// Append writes the lines as one, on the disk already when it returns if
	// sync is set. After an error nothing is appended until a Cut has succeeded.
	Append(lines []string, sync bool) error
	// Cut begins the journal again with the snapshot, on the disk, whole or not
	// at all. What it held until then is kept under the name given, if one is.
	Cut(snapshot []byte, keep string) error
}

// Supervisor is whoever watches the process. Its methods must return at once.
type Supervisor interface {
	Ready()
	Alive(status string)
}

// Parts is what works for one policy. An element may be nil: there is no way
// then.
type Parts struct {
	Sources    []Source    // by UPS
	Lookers    []Looker    // by host
	Sensors    []Sensor    // by temperature; nil for one that a UPS reads
	Switches   []Switch    // by emergency input
	Connectors []Connector // by host
	Doer       Doer
	// Listen hears notifications until ctx ends; wake with the name of the UPS
	// that sent one. It may be nil. It is called again after an error.
	Listen func(ctx context.Context, wake func(ups string)) error
	// Lacks names a secret that cannot be had and without which an action cannot be
	// done or, with no verb, a UPS be asked; "" for none. It may be nil.
	Lacks func(id shutdown.ActionID) string
	// Close lets go of what the parts hold; it may be nil.
	Close func()
}

// Past is what a journal held when it was opened.
type Past struct {
	Lines  []string // the first of them is a snapshot, and later ones may be
	Before []string // of the file before, where the first snapshot of this one cannot be read
	Torn   bool     // the last line was cut short, as by a kill in the middle of a write
	Damage string   // what is wrong with the file beyond that, and how much of it is used
	None   bool     // there is no file
}

// Config is all that an agent is made of.
type Config struct {
	// Policy is the operator's, as it stands now; nil when it has errors: then
	// the one in the journal stays in force.
	Policy *policy.Policy
	Wire   func(*policy.Policy) (*Parts, error)

	Journal  Journal
	Past     Past
	Build    string // of this program, for the log
	StandsIn bool   // for a newer program, which does not stay up
	Boot     string // the kernel's id of the running boot; "" when it cannot be read

	Log        *zap.Logger
	Tell       func(n News) // may be nil; called in a goroutine of its own
	Supervisor Supervisor   // may be nil
	Observer   Observer     // may be nil

	// Wall is read once. Elapsed is the time since boot, time asleep included.
	// Both have defaults.
	Wall    func() time.Time
	Elapsed func() time.Duration
}

const (
	heartbeat   = time.Second      // the loop turns at least so often
	stoodStill  = 3 * time.Second  // between two turns: the process was stopped, or the machine slept
	readyAfter  = 5 * time.Second  // ready even if a UPS has not answered by then
	orderWithin = 2 * time.Second  // an operator's word is taken by then, or refused
	endWithin   = 2 * time.Second  // for each thing that the end waits for
	statusEvery = 10 * time.Second // between two words to the supervisor
)

// Agent is one running daemon. Its exported methods may be called from any
// goroutine.
type Agent struct {
	config Config
	queue  *queue
	voice  *voice
	gone   sync.WaitGroup // goroutines that touch hosts and UPSs

	// Of the loop alone.
	clock      clock
	boot       boot // that the journal knows
	ended      bool // it was told to end
	failed     int  // lives in a row that the core ended, before this one
	stirred    bool // something has happened of which the next snapshot is to tell
	forgot     bool // MemoryRefused is raised
	taken      bool // the core took the last order
	state      *shutdown.State
	effects    []shutdown.Effect
	record     *recorder
	executions []*execution
	waiting    *workers // for a policy that the core holds back; see wait
	lastTurn   shutdown.Instant
	aliveAt    shutdown.Instant
	aliveText  string
	began      shutdown.Instant
	ready      bool

	mu      sync.Mutex // guards what others read
	seen    shutdown.State
	seenAt  time.Duration // since boot
	board   board
	workers *workers

	turned atomic.Int64 // when the loop last turned, since boot

	newer   atomic.Pointer[workers] // the one that waits, for who is not the loop
	lost    ifLost
	why     reasons
	courses courses
}

// New makes an agent; nothing runs yet.
func New(c Config) *Agent {
	if c.Log == nil {
		c.Log = zap.NewNop()
	}
	if c.Wall == nil {
		c.Wall = time.Now
	}
	if c.Elapsed == nil {
		c.Elapsed = sinceBoot
	}
	a := &Agent{config: c, queue: newQueue(), voice: newVoice(c.Log, c.Tell), record: newRecorder(c.Journal)}
	a.turned.Store(int64(c.Elapsed()))
	return a
}

// Run lives until ctx ends, and is then gone within five seconds.
func (a *Agent) Run(ctx context.Context) error {
	a.voice.start()
	defer a.voice.stop(endWithin / 2)
	go a.record.write()
	defer a.record.stop(endWithin)
	if err := a.start(); err != nil {
		return err
	}
	a.loop(ctx)
	a.end()
	return nil
}

// loop turns until ctx ends: what came, what is due, and when to look again.
func (a *Agent) loop(ctx context.Context) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-a.queue.wake:
		case r := <-a.record.results:
			a.written(r)
		case <-timer.C:
		}
		for ctx.Err() == nil && a.turn(ctx) {
		}
		now := a.clock.now()
		a.turned.Store(int64(a.config.Elapsed()))
		a.alive(now)
		a.mend(now)
		a.jot(now)
		timer.Reset(min(heartbeat, max(0, a.due().Sub(now))))
	}
}

// due is when time alone gives the loop something to do.
func (a *Agent) due() shutdown.Instant {
	t := a.state.Wake
	for _, f := range a.executions {
		t = min(t, f.action.Deadline)
	}
	return t
}

// turn does the next thing, if there is one. Of two that are due at once, an
// action's end comes before what came in, and that before the clock: the core
// then moves on from what is known.
func (a *Agent) turn(ctx context.Context) bool {
	now := a.clock.now()
	if gap := now.Sub(a.lastTurn); gap >= stoodStill {
		a.stalled(ctx, gap)
		now = a.clock.now()
	}
	a.lastTurn = now
	for _, f := range a.executions {
		if now >= f.action.Deadline {
			a.finish(f, shutdown.Unknown, "no answer by its deadline")
			return true
		}
	}
	if m, ok := a.queue.take(); ok {
		a.take(m)
		return true
	}
	if now >= a.state.Wake {
		a.step(&shutdown.Event{Kind: shutdown.Tick})
		return true
	}
	return false
}

// take works off one message.
func (a *Agent) take(m message) {
	if m.done != nil {
		defer close(m.done)
	}
	switch {
	case m.workers != nil && m.workers != a.workers:
		return // of a policy that is no longer in force: its numbers mean other things
	case m.event.Kind == shutdown.Finished:
		for _, f := range a.executions {
			if f.action.ID == m.event.Action {
				a.finish(f, m.event.Outcome, m.event.Text)
				return
			}
		}
		return // it came after its deadline, and Unknown was its outcome
	case m.event.Kind == shutdown.Adopted:
		a.adopt(m.event.Policy, m.parts)
	case m.order != nil:
		m.order.refused = a.ordered(m.order, &m.event)
	default:
		a.step(&m.event)
	}
}

// step asks the core, records its answer and carries it out.
func (a *Agent) step(e *shutdown.Event) {
	at := max(a.clock.now(), a.state.Now)
	before, out := a.state.Policy, a.state.Outstanding()
	a.decide(at, e)
	of := speaks(e, before, a.state)
	a.write(at, e, before, of)
	a.publish(at, of)
	if of != before {
		a.change()
	}
	for i := range a.effects {
		a.do(&a.effects[i])
	}
	a.observer(at, e, of)
	if a.state.Policy != a.workers.policy {
		a.change()
	}
	switch r := a.record; {
	case out && !a.state.Outstanding():
		a.cut("last-outage")
	case r.size > r.most && !r.gap:
		a.cut("")
	}
	if next := a.state.Next; next != nil && !a.state.Busy() {
		a.step(&shutdown.Event{Kind: shutdown.Adopted, Policy: next})
	}
}

// decide asks the core. A panic of it ends the agent, and the service manager starts
// it again. The journal is told first: what is remembered must not bring down every
// life after this one.
func (a *Agent) decide(at shutdown.Instant, e *shutdown.Event) {
	defer func() {
		if r := recover(); r != nil {
			if at.Sub(a.began) < livesAgain {
				a.append([]string{failedWord}, true)
			}
			panic(r)
		}
	}()
	a.effects = a.state.Step(at, e, a.effects[:0])
	a.taken = e.Kind == shutdown.Commanded && tells(a.effects, shutdown.OrderTaken)
	if a.forgot && e.Kind == shutdown.Observed && a.allSeen() {
		a.forgot = false
		a.Settle(shutdown.MemoryRefused)
	}
}

// allSeen tells whether every host has been seen up since the agent began.
func (a *Agent) allSeen() bool {
	return !slices.ContainsFunc(a.state.Hosts, func(h shutdown.Host) bool { return h.UpAt < a.began })
}

// do carries out one effect. It never waits.
func (a *Agent) do(f *shutdown.Effect) {
	switch f.Kind {
	case shutdown.Begin:
		a.begin(f.Action)
	case shutdown.Cancel:
		for _, g := range a.executions {
			if g.action.ID == f.Action.ID {
				g.cancel()
			}
		}
	case shutdown.Probe:
		a.workers.look(f.Host, f.Every)
	case shutdown.Connect:
		a.workers.connect(f.Host)
	case shutdown.Poll:
		a.workers.poll(f.UPS)
	}
}

// stalled is the first turn after the process stood still. What it knows is
// old: an outage may have begun or ended meanwhile. Every UPS is asked, and the
// answers are heard before the clock is.
func (a *Agent) stalled(ctx context.Context, d time.Duration) {
	a.voice.warn("the process stood still; every UPS is asked before anything is decided", zap.Duration("for", d))
	a.workers.askAll(ctx)
	for m, ok := a.queue.takeMeasured(); ok; m, ok = a.queue.takeMeasured() {
		a.take(m)
	}
}

// alive tells the supervisor that the loop turns.
func (a *Agent) alive(now shutdown.Instant) {
	s := a.config.Supervisor
	if s == nil {
		return
	}
	becomes := !a.ready && (a.workers.polled(once) || now >= a.began.Add(readyAfter))
	if now.Sub(a.began) >= livesAgain {
		a.failed = 0
	}
	if becomes || a.aliveText == "" || now.Sub(a.aliveAt) >= statusEvery {
		a.aliveText, a.aliveAt = statusLine(a.state), now
	}
	s.Alive(a.aliveText)
	if becomes {
		a.ready = true
		s.Ready()
	}
}

// Wake asks a UPS at once: it may have news. A name that the policy does not
// have wakes nobody.
func (a *Agent) Wake(ups string) {
	a.mu.Lock()
	c := a.workers
	a.mu.Unlock()
	for i := 0; c != nil && i < len(c.policy.UPSs); i++ {
		if c.policy.UPSs[i].Name == ups {
			c.poll(int32(i))
		}
	}
}

// Adopt puts a new policy in force, whole or not at all: when its parts cannot
// be made the old one stays. In an outage the core holds it back until all is
// normal.
func (a *Agent) Adopt(p *policy.Policy) error {
	parts, err := a.config.Wire(p)
	if err != nil {
		a.Raise(shutdown.PolicyRefused)
		return fmt.Errorf("the new policy is refused: %w", err)
	}
	m := message{event: shutdown.Event{Kind: shutdown.Adopted, Policy: p}, parts: parts}
	if err := a.send(m); err != nil {
		parts.close()
		return fmt.Errorf("the new policy is not adopted: %w", err)
	}
	a.Settle(shutdown.PolicyRefused)
	return nil
}

// Command gives an operator's order; by says whose. When it returns without an
// error the order is recorded and in force.
func (a *Agent) Command(o shutdown.Order, by string) error {
	if o < shutdown.Hold || o > shutdown.Clear {
		return fmt.Errorf("no order has the number %d", o)
	}
	a.voice.warn("operator", zap.Stringer("order", o), zap.String("by", by))
	m := message{event: shutdown.Event{Kind: shutdown.Commanded, Order: o, Text: brief(by)}}
	if err := a.send(m); err != nil {
		return fmt.Errorf("the order to %s is not taken: %w", o, err)
	}
	return nil
}

// hostOrder is an operator's order for one host, or about a condition.
type hostOrder struct {
	host    string // "" for none
	refused string // why, once it is worked off; "": it is in force
}

// ErrRefused is that of an order which is not taken as things stand; its text says why.
var ErrRefused = errors.New("the order is not taken")

// CommandHost gives an operator's order for one host, named as in the policy; for
// [shutdown.Clear] it is about a condition, which may be of no host. When it returns
// without an error the order is recorded and in force.
func (a *Agent) CommandHost(o shutdown.Order, c shutdown.Code, host, by string) error {
	if !o.OfHost() {
		return fmt.Errorf("no order for one host has the number %d", o)
	}
	a.voice.warn("operator", zap.Stringer("order", o), zap.String("host", host), zap.String("by", by))
	m := message{event: shutdown.Event{Kind: shutdown.Commanded, Order: o, Code: c, Text: brief(by)}, order: &hostOrder{host: host}}
	if err := a.send(m); err != nil {
		return fmt.Errorf("the order to %s is not taken: %w", o, err)
	}
	if why := m.order.refused; why != "" {
		return fmt.Errorf("%w: %s", ErrRefused, why)
	}
	return nil
}

// ordered gives the core an order for one host, and says why it is not taken.
func (a *Agent) ordered(o *hostOrder, e *shutdown.Event) (refused string) {
	e.Host = -1
	for k := range a.state.Hosts {
		if a.state.Policy.Hosts[k].Name == o.host {
			e.Host = int32(k)
		}
	}
	memory := e.Order == shutdown.Clear && e.Code == shutdown.MemoryRefused
	switch {
	case e.Host < 0 && (o.host != "" || e.Order != shutdown.Clear):
		return fmt.Sprintf("No host of the policy in force is called %q. `ebbline status` lists them.", o.host)
	case memory && !a.forgot:
		return e.Code.String() + " is not so now. `ebbline status` shows what is."
	}
	switch a.step(e); {
	case !a.taken:
		return a.state.Objection(e)
	case memory:
		a.forgot = false
		a.Settle(shutdown.MemoryRefused)
	}
	return ""
}

// send hands a message to the loop and waits until it is worked off.
func (a *Agent) send(m message) error {
	ctx, cancel := context.WithTimeout(context.Background(), orderWithin)
	defer cancel()
	m.done = make(chan struct{})
	late := errors.New("the agent is busy or about to end; try again")
	if !a.queue.put(ctx, m) {
		return late
	}
	select {
	case <-m.done:
		return nil
	case <-ctx.Done():
		if a.queue.withdraw(m.done) {
			return late
		}
		<-m.done
		return nil
	}
}

// adopt takes a policy whose parts are made.
func (a *Agent) adopt(p *policy.Policy, parts *Parts) {
	if a.waiting != nil && a.waiting.parts != parts {
		a.gone.Go(a.waiting.parts.close)
	}
	a.wait(newWorkers(p, parts))
	a.step(&shutdown.Event{Kind: shutdown.Adopted, Policy: p})
}

// wait has workers wait for its policy to be in force.
func (a *Agent) wait(c *workers) {
	a.waiting = c
	a.newer.Store(c)
}

// change puts the parts of the policy in force to work and ends the old ones.
func (a *Agent) change() {
	next := a.waiting
	a.wait(nil)
	if next == nil || next.policy != a.state.Policy {
		var err error
		if next, err = a.workersFor(a.state.Policy); err != nil {
			a.voice.fault("the policy now in force cannot be put to work", zap.Error(err))
			a.Raise(shutdown.PolicyRefused)
			next = newWorkers(a.state.Policy, &Parts{})
		}
	}
	a.employ(next)
	a.mu.Lock()
	a.board.settle(shutdown.SecretUnreadable) // said of the ways of before
	a.board.forget(next.policy)
	a.mu.Unlock()
}

// publish lets others see the state, and puts the step's notices on the board.
func (a *Agent) publish(at shutdown.Instant, of *policy.Policy) {
	var fresh []News
	a.mu.Lock()
	a.seen.CopyFrom(a.state)
	a.seenAt = a.config.Elapsed()
	for i := range a.effects {
		if f := &a.effects[i]; f.Kind == shutdown.Notify && a.board.take(at, of, &f.Notice) {
			fresh = append(fresh, newsOf(at, of, &f.Notice, a.outage()))
		}
	}
	a.mu.Unlock()
	a.voice.tell(fresh...)
}

// end stops cleanly, in an outage too: what was begun is in the journal, and is
// begun again under its name at the next start.
func (a *Agent) end() {
	a.dismiss()
	if a.waiting != nil {
		a.gone.Go(a.waiting.parts.close)
	}
	a.ended = true
	a.cut("")
	if !waitFor(&a.gone, endWithin) {
		a.voice.warn("something hangs and is left behind")
	}
}
