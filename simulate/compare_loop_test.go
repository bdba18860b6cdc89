package simulate

import (
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
	"ebbline/simulate/world"
)

// plainLoop is the room of compare/site.json as it would be written for this one
// comparison: one UPS, a heap of events, no faults. It shares the battery's equations with
// the product, and nothing else of the simulator. With a core it puts every reading, look
// and tick to it; without, hosts are told to stop by the fixed plan.
type plainLoop struct {
	s      *compareSite
	p      *policy.Policy
	belief battery.Belief
	first  *shutdown.State // nil: no decision code
	state  *shutdown.State

	events  plainEvents
	now     shutdown.Instant
	hosts   []plainHost
	battery battery.Model
	charge  battery.Charge
	at      shutdown.Instant // of charge
	load    float64          // without the UPS's own
	up      int
	version uint32 // of the battery's end
	polls   uint32 // only the last poll that was asked for comes
	worked  int
	cut     int
	last    time.Duration // when the last host was off
	effects []shutdown.Effect
	by      [][]int // by host: those that need it
}

type plainHost struct {
	on, service, stopping, waits, asked bool
	takes                               time.Duration
	looks                               uint32
	every                               time.Duration
}

type plainEvent struct {
	at   shutdown.Instant
	what plainKind
	host int32
	mark uint32
	id   shutdown.ActionID
}

type plainKind uint8

const (
	plainPoll plainKind = iota
	plainDue            // the fixed plan's time for a host
	plainAnswered
	plainRefuses // its service is gone
	plainOff
	plainLook
	plainEmpty
)

// plainEvents is a binary heap by time, without boxing: as fast as a plain one is.
type plainEvents []plainEvent

func (e *plainEvents) push(x plainEvent) {
	h := append(*e, x)
	i := len(h) - 1
	for ; i > 0 && x.at < h[(i-1)/2].at; i = (i - 1) / 2 {
		h[i] = h[(i-1)/2]
	}
	h[i] = x
	*e = h
}

func (e *plainEvents) pop() plainEvent {
	h := *e
	first, x := h[0], h[len(h)-1]
	h = h[:len(h)-1]
	i := 0
	for j := 1; j < len(h); j = 2*i + 1 {
		if j+1 < len(h) && h[j+1].at < h[j].at {
			j++
		}
		if x.at <= h[j].at {
			break
		}
		h[i] = h[j]
		i = j
	}
	if len(h) > 0 {
		h[i] = x
	}
	*e = h
	return first
}

func newPlainLoop(s *compareSite, p *policy.Policy, core bool) (*plainLoop, error) {
	l := &plainLoop{s: s, p: p, hosts: make([]plainHost, len(p.Hosts)), by: make([][]int, len(p.Hosts))}
	var err error
	if l.belief, err = battery.New(&p.UPSs[0], day); err != nil {
		return nil, err
	}
	for k := range p.Hosts {
		for _, j := range s.Hosts[k].Needs {
			l.by[j] = append(l.by[j], k)
		}
	}
	if core {
		l.first, l.state = shutdown.New(), shutdown.New()
		l.first.Step(Epoch(day), &shutdown.Event{Kind: shutdown.Adopted, Policy: p}, nil)
	}
	return l, nil
}

func (l *plainLoop) put(in time.Duration, what plainKind, host int32, mark uint32) {
	l.events.push(plainEvent{at: l.now.Add(in), what: what, host: host, mark: mark})
}

// run lets the input be lost until every host is off.
func (l *plainLoop) run(t *world.Truth) {
	l.now, l.at, l.up, l.worked, l.cut, l.last = Epoch(day), Epoch(day), len(l.hosts), 0, 0, 0
	l.events, l.charge, l.load = l.events[:0], battery.Charge{}, 0
	l.battery = t.UPSs[0].Model(&l.belief)
	for k := range l.hosts {
		l.hosts[k] = plainHost{on: true, service: true, takes: t.Hosts[k].Takes, every: 10 * time.Second}
		l.load += float64(l.p.Hosts[k].Watts)
		if l.state == nil {
			l.put(time.Duration(l.s.Hosts[k].Start*float64(time.Second)), plainDue, int32(k), 0)
		} else {
			l.look(int32(k), 0)
		}
	}
	if l.state != nil {
		l.state.CopyFrom(l.first)
		l.state.Terse(true)
	}
	first := world.NewRandom(t.Seed)
	l.poll(time.Duration(first.Float() * float64(l.p.UPSs[0].PollEvery())))
	l.settle()
	for l.up > 0 {
		if l.state != nil && l.state.Wake < l.events[0].at {
			l.now = max(l.now, l.state.Wake)
			l.tell(&shutdown.Event{Kind: shutdown.Tick})
			continue
		}
		e := l.events.pop()
		l.now = e.at
		l.worked++
		l.happens(&e)
	}
}

func (l *plainLoop) happens(e *plainEvent) {
	switch e.what {
	case plainPoll:
		if e.mark == l.polls {
			l.reading()
		}
	case plainDue:
		l.hosts[e.host].waits = true
		l.due()
	case plainAnswered:
		l.tell(&shutdown.Event{Kind: shutdown.Finished, Action: e.id, Host: e.id.Host, Outcome: shutdown.Accepted})
	case plainRefuses:
		l.hosts[e.host].service = false
		l.look(e.host, 0)
	case plainOff:
		if l.hosts[e.host].on {
			l.off(e.host)
			l.settle()
			l.look(e.host, l.p.Hosts[e.host].Probe.QuietFor)
			l.due()
		}
	case plainLook:
		if e.mark == l.hosts[e.host].looks {
			l.looked(e.host)
		}
	case plainEmpty:
		if e.mark == l.version {
			for k := range l.hosts {
				if l.hosts[k].on {
					l.cut++
					l.off(int32(k))
				}
			}
		}
	}
}

func (l *plainLoop) off(k int32) {
	l.update()
	l.hosts[k].on = false
	l.load -= float64(l.p.Hosts[k].Watts)
	l.up--
	l.last = l.now.Sub(Epoch(day))
}

func (l *plainLoop) watts() float64 { return l.load + l.belief.OverheadWatts }

func (l *plainLoop) update() {
	l.charge = l.battery.Advance(l.charge, l.watts(), l.now.Sub(l.at).Seconds())
	l.at = l.now
}

// settle works out when the battery is empty.
func (l *plainLoop) settle() {
	l.update()
	l.version++
	l.put(time.Duration(l.battery.Runtime(l.charge, l.watts())*float64(time.Second)), plainEmpty, 0, l.version)
}

func (l *plainLoop) poll(in time.Duration) {
	l.polls++
	l.put(in, plainPoll, 0, l.polls)
}

// reading is what the UPS answers, every two seconds.
func (l *plainLoop) reading() {
	l.update()
	l.poll(l.p.UPSs[0].PollEvery())
	left := max(0, l.battery.Left(l.charge, l.watts()))
	m := shutdown.Nothing
	m.Source, m.Input, m.Battery = shutdown.FromBattery, shutdown.LineBad, shutdown.StatusNormal
	m.LoadWatts, m.OnBatterySecs = int64(l.load), int64(l.now.Sub(Epoch(day))/time.Second)
	m.ChargeTenths = int64(1000 * left / (l.battery.Energy - l.battery.Ohmic*l.watts()))
	m.RuntimeSeconds = int64(left/l.watts()) / 60 * 60
	if left < l.watts()*usualLow.Seconds() {
		m.Battery = shutdown.StatusLow
	}
	l.tell(&shutdown.Event{Kind: shutdown.Measured, Measurement: m})
}

func (l *plainLoop) look(k int32, in time.Duration) {
	l.hosts[k].looks++
	l.put(in, plainLook, k, l.hosts[k].looks)
}

func (l *plainLoop) looked(k int32) {
	h := &l.hosts[k]
	seen := shutdown.SeenSilent
	switch {
	case h.on && h.service:
		seen = shutdown.SeenUp
	case h.on:
		seen = shutdown.SeenRefusing
	}
	if h.asked && h.on {
		l.look(k, h.every)
	}
	l.tell(&shutdown.Event{Kind: shutdown.Observed, Host: k, Sighting: seen})
}

// due tells hosts to stop whose time has come by the fixed plan and that no other needs.
func (l *plainLoop) due() {
	for k := range l.hosts {
		h := &l.hosts[k]
		free := h.waits
		for _, j := range l.by[k] {
			free = free && !l.hosts[j].on
		}
		if free {
			h.waits, h.asked = false, true
			l.stop(int32(k))
			l.look(int32(k), h.every)
		}
	}
}

// stop: the order is answered, the service goes halfway, then the host.
func (l *plainLoop) stop(k int32) {
	h := &l.hosts[k]
	if h.stopping || !h.on {
		return
	}
	h.stopping = true
	answered := time.Duration(l.s.Order * float64(time.Second))
	l.put(answered+h.takes/2, plainRefuses, k, 0)
	l.put(answered+h.takes, plainOff, k, 0)
}

// tell puts an event to the core, if there is one, and does what it wants.
func (l *plainLoop) tell(e *shutdown.Event) {
	if l.state == nil {
		return
	}
	l.effects = l.state.Step(l.now, e, l.effects[:0])
	for i := range l.effects {
		switch f := &l.effects[i]; f.Kind {
		case shutdown.Poll:
			l.poll(10 * time.Millisecond)
		case shutdown.Probe:
			h := &l.hosts[f.Host]
			h.every = max(10*time.Second, f.Every)
			l.look(f.Host, min(10*time.Second, f.Every))
		case shutdown.Begin:
			k := f.Action.ID.Host
			l.events.push(plainEvent{at: l.now.Add(time.Duration(l.s.Order * float64(time.Second))), what: plainAnswered, id: f.Action.ID})
			l.hosts[k].asked = true
			l.stop(k)
			l.look(k, 10*time.Second)
		}
	}
}
