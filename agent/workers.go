package agent

import (
	"context"
	"sync"
	"time"

	"go.uber.org/zap"

	"ebbline/agent/bounded"
	"ebbline/policy"
	"ebbline/shutdown"
)

// workers are what works for one policy: a poller for each UPS, a looker and a
// connector for each host. It speaks in that policy's numbers.
type workers struct {
	policy *policy.Policy
	parts  *Parts
	epoch  time.Time // the beats of the polls are counted from it
	ctx    context.Context
	stop   context.CancelFunc
	polls  []chan struct{}      // by UPS: ask now
	rates  []chan time.Duration // by host: look so often
	opens  []chan struct{}      // by host: connect
	heard  chan struct{}        // closed when it listens no more

	mu     sync.Mutex
	begun  []uint64 // by UPS: polls begun
	ended  []uint64 // by UPS: polls ended
	faults []string // by UPS: what was wrong with the last poll
}

const (
	lookers    = 64                     // looks at hosts at the same time
	openers    = 16                     // connections being opened at the same time
	lookSoon   = time.Second            // between looks that together prove a silence
	lookWithin = 10 * time.Second       // one look; then its place is given to another host
	openWithin = 30 * time.Second       // one connection
	pollApart  = 250 * time.Millisecond // between two polls of one UPS, whatever wakes it
	listenWait = 5 * time.Second        // before listening is tried again

	// pollTogether is how many UPSs are asked in one moment. To wake up costs this
	// machine several times what a poll does, and those of a moment share that.
	pollTogether = 25
)

func newWorkers(p *policy.Policy, parts *Parts) *workers {
	n := len(p.UPSs)
	c := &workers{policy: p, parts: parts, epoch: time.Now(), begun: make([]uint64, n), ended: make([]uint64, n), faults: make([]string, n), heard: make(chan struct{})}
	c.ctx, c.stop = context.WithCancel(context.Background())
	for range p.UPSs {
		c.polls = append(c.polls, make(chan struct{}, 1))
	}
	for range p.Hosts {
		c.rates = append(c.rates, make(chan time.Duration, 1))
		c.opens = append(c.opens, make(chan struct{}, 1))
	}
	return c
}

// employ puts workers to work in the place of the one before.
func (a *Agent) employ(c *workers) {
	before := a.workers
	a.dismiss()
	a.mu.Lock()
	a.workers = c
	a.mu.Unlock()
	for i, s := range c.parts.Sources {
		if s != nil {
			a.gone.Go(func() { a.pollEach(c, int32(i), s) })
		}
	}
	for j, s := range c.parts.Sensors {
		if t := &c.policy.Temperatures[j]; s != nil {
			a.gone.Go(func() {
				a.readEach(c, "temperature", t.Name, t.Every, func(ctx context.Context) (e shutdown.Event, err error) {
					e = shutdown.Event{Kind: shutdown.Warmed, Sensor: int32(j)}
					e.Tenths, err = s.Read(ctx)
					return e, err
				})
			})
		}
	}
	for j, s := range c.parts.Switches {
		x := &c.policy.Emergencies[j]
		a.gone.Go(func() {
			a.readEach(c, "emergency_off", x.Name, x.Every, func(ctx context.Context) (e shutdown.Event, err error) {
				e = shutdown.Event{Kind: shutdown.Touched, Sensor: int32(j)}
				e.Used, err = s.Used(ctx)
				return e, err
			})
		})
	}
	places, doors := make(chan struct{}, lookers), make(chan struct{}, openers)
	for k, l := range c.parts.Lookers {
		if l != nil {
			a.gone.Go(func() { a.lookEach(c, int32(k), l, places) })
		}
	}
	for k, o := range c.parts.Connectors {
		if o != nil {
			a.gone.Go(func() { a.openEach(c, int32(k), o, doors) })
		}
	}
	a.gone.Go(func() {
		defer close(c.heard)
		if before != nil { // it lets go of the port first
			closes(before.heard, endWithin)
		}
		if c.parts.Listen != nil {
			a.listen(c)
		}
	})
}

// dismiss lets the workers go, and with them their actions: nothing is left that could
// be told of their end.
func (a *Agent) dismiss() {
	if a.workers == nil {
		return
	}
	a.workers.stop()
	a.executions = nil
	a.gone.Go(a.workers.parts.close) // it may wait for the network
}

func (p *Parts) close() {
	if p.Close != nil {
		p.Close()
	}
}

// poll, look and connect pass a wish on to the goroutine that it concerns. The
// newest counts.

func (c *workers) poll(i int32) { replace(c.polls[i], struct{}{}) }

func (c *workers) look(k int32, every time.Duration) { replace(c.rates[k], every) }

func (c *workers) connect(k int32) { replace(c.opens[k], struct{}{}) }

func replace[T any](ch chan T, v T) {
	select {
	case <-ch:
	default:
	}
	select {
	case ch <- v:
	default: // another sender was quicker, with the same wish
	}
}

// pollEach asks one UPS as often as the policy says and whenever it is woken. A
// poll that fails is no event: the core counts silence by time.
func (a *Agent) pollEach(c *workers, i int32, s Source) {
	u := &c.policy.UPSs[i]
	for c.ctx.Err() == nil {
		began := time.Now()
		c.beginPoll(i)
		ctx, cancel := context.WithTimeout(c.ctx, u.Timeout())
		var m shutdown.Measurement
		var err error
		if fault := a.voice.safely(func() { m, err = s.Poll(ctx) }); fault != nil {
			err = fault
		}
		if err != nil {
			if t := a.sourceFor(c, i); t != nil && t != s {
				if fault := a.voice.safely(func() { m, err = t.Poll(ctx) }); fault != nil {
					err = fault
				}
			}
		}
		cancel()
		if err == nil {
			a.queue.put(c.ctx, message{workers: c, event: shutdown.Event{Kind: shutdown.Measured, UPS: i, Measurement: m}})
		}
		if was := c.endPoll(i, err); err != nil && was == "" && c.ctx.Err() == nil {
			a.voice.warn("a UPS does not answer", zap.String("ups", u.Name), zap.Error(err))
		} else if err == nil && was != "" {
			a.lacking(c.policy, shutdown.ActionID{Host: -1, UPS: i}, "")
			a.voice.info("a UPS answers again", zap.String("ups", u.Name))
		}
		bounded.Pause(c.ctx, pollApart-time.Since(began))
		timer := time.NewTimer(time.Until(began.Add(c.pause(i, u.PollEvery(), began))))
		select {
		case <-timer.C:
		case <-c.polls[i]:
		case <-c.ctx.Done():
		}
		timer.Stop()
	}
}

// pause is the time from the beginning of one poll of a UPS to the next: to the
// latest moment that its group is asked in, and no longer than every.
func (c *workers) pause(i int32, every time.Duration, began time.Time) time.Duration {
	groups := (len(c.polls) + pollTogether - 1) / pollTogether
	beat := every * time.Duration(int(i)/pollTogether) / time.Duration(groups)
	return every - (began.Sub(c.epoch)+every-beat)%every
}

const readWithin = 10 * time.Second // one sensor or emergency input

// readEach reads one sensor or emergency input as often as the policy says. A reading
// that fails is no event: the core counts silence by time.
func (a *Agent) readEach(c *workers, kind, name string, every time.Duration, read func(context.Context) (shutdown.Event, error)) {
	was := false
	for c.ctx.Err() == nil {
		began := time.Now()
		ctx, cancel := context.WithTimeout(c.ctx, readWithin)
		var e shutdown.Event
		var err error
		if fault := a.voice.safely(func() { e, err = read(ctx) }); fault != nil {
			err = fault
		}
		cancel()
		switch {
		case err == nil:
			a.queue.put(c.ctx, message{workers: c, event: e})
			if was {
				a.voice.info("it is read again", zap.String(kind, name))
			}
		case !was && c.ctx.Err() == nil:
			a.voice.warn("it cannot be read", zap.String(kind, name), zap.Error(err))
		}
		was = err != nil
		if !bounded.Pause(c.ctx, max(pollApart, every-time.Since(began))) {
			return
		}
	}
}

// sourceFor gives the way to ask a UPS; see wayOf.
func (a *Agent) sourceFor(c *workers, i int32) Source {
	by, id := a.wayOf(c, shutdown.ActionID{Host: -1, UPS: i})
	return by.parts.Sources[id.UPS]
}

func (c *workers) beginPoll(i int32) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.begun[i]++
}

// endPoll notes the end of a poll and gives the fault of the one before.
func (c *workers) endPoll(i int32, err error) (was string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	was, c.faults[i] = c.faults[i], ""
	if err != nil {
		c.faults[i] = brief(err.Error())
	}
	c.ended[i]++
	return was
}

// polled tells whether of each UPS so many polls have ended.
func (c *workers) polled(times func(i int) uint64) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i, s := range c.parts.Sources {
		if s != nil && c.ended[i] < times(i) {
			return false
		}
	}
	return true
}

func once(int) uint64 { return 1 }

// askAll asks every UPS afresh and waits for the answers, as long as two polls
// may take: one may be under way.
func (c *workers) askAll(ctx context.Context) {
	c.mu.Lock()
	want := append([]uint64(nil), c.begun...)
	c.mu.Unlock()
	patience := pollApart
	for i := range c.polls {
		want[i]++
		patience = max(patience, 2*c.policy.UPSs[i].Timeout()+pollApart)
		c.poll(int32(i))
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	for !c.polled(func(i int) uint64 { return want[i] }) && bounded.Pause(ctx, 10*time.Millisecond) {
	}
}

// lookEach looks at one host as often as the core last said, and never twice at
// once. A silence is several looks close together: where one learnt nothing, the
// next ones follow at once.
func (a *Agent) lookEach(c *workers, k int32, l Looker, places chan struct{}) {
	var every time.Duration
	select {
	case every = <-c.rates[k]:
	case <-c.ctx.Done():
		return
	}
	soon := 0 // looks close together that are left
	for {
		began := time.Now()
		var seen shutdown.Sighting
		var text string
		a.inPlace(c.ctx, places, lookWithin, func(ctx context.Context) { seen, text = l.Look(ctx) })
		if seen >= shutdown.SeenUp && seen <= shutdown.SeenOff {
			a.queue.put(c.ctx, message{workers: c, event: shutdown.Event{Kind: shutdown.Observed, Host: k, Sighting: seen, Text: brief(text)}})
		}
		wait := every
		if seen == 0 && soon > 0 {
			soon, wait = soon-1, min(every, lookSoon)
		} else {
			soon = int(c.policy.Hosts[k].Probe.QuietFor/lookSoon) + 5
		}
		for waiting := true; waiting; {
			timer := time.NewTimer(wait - time.Since(began))
			select {
			case <-timer.C:
				waiting = false
			case every = <-c.rates[k]:
				wait = every
			case <-c.ctx.Done():
				return
			}
			timer.Stop()
		}
	}
}

// openEach opens the way to one host when it is asked to. A way that does not
// open is no event: the action that needs it says so.
func (a *Agent) openEach(c *workers, k int32, o Connector, doors chan struct{}) {
	for {
		select {
		case <-c.opens[k]:
		case <-c.ctx.Done():
			return
		}
		var err error
		a.inPlace(c.ctx, doors, openWithin, func(ctx context.Context) { err = o.Connect(ctx) })
		if err != nil && c.ctx.Err() == nil {
			a.voice.warn("no way to a host", zap.String("host", c.policy.Hosts[k].Name), zap.Error(err))
		}
	}
}

// inPlace runs f once a place is free, and gives the place back in time even if
// f hangs.
func (a *Agent) inPlace(ctx context.Context, places chan struct{}, within time.Duration, f func(context.Context)) {
	select {
	case places <- struct{}{}:
	case <-ctx.Done():
		return
	}
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	leave := sync.OnceFunc(func() { <-places })
	defer leave()
	defer context.AfterFunc(ctx, leave)()
	a.voice.safely(func() { f(ctx) }) // what fails has learned nothing, and opened nothing
}

// listen hears notifications, again after an error: a port may be taken for a
// while.
func (a *Agent) listen(c *workers) {
	for {
		var err error
		if fault := a.voice.safely(func() { err = c.parts.Listen(c.ctx, a.Wake) }); fault != nil {
			err = fault
		}
		if c.ctx.Err() != nil {
			return
		}
		a.voice.warn("notifications are not heard; polling goes on", zap.Error(err))
		if !bounded.Pause(c.ctx, listenWait) {
			return
		}
	}
}
