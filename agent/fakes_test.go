package agent_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"ebbline/agent"
	"ebbline/policy"
	"ebbline/shutdown"
)

// What is below is a stand-in for a room: UPSs, hosts and links as plain
// values, on the test's clock. The agent's tests are about the agent; the real
// peers are the business of the packages that speak to them.

// room is a fake room. It lives on while agents die.
type room struct {
	policy *policy.Policy
	mu     sync.Mutex
	upss   []fakeUPS
	hosts  []fakeHost
	begun  []begun       // every action that reached somebody
	freed  chan struct{} // closed at the end of the test: what hangs returns
}

type fakeUPS struct {
	lost   bool
	silent bool // does not answer in time
	hangs  bool // a poll does not return at all, whatever its context says
	asked  int
}

type fakeHost struct {
	off    bool
	takes  time.Duration // from the order to being off
	starts time.Duration
	mode   mode
	cycle  int // times that it was switched on again
	stops  int
}

type mode uint8

const (
	obeys     mode = iota
	hangs          // takes the order, does not stop, and the action does not return
	refuses        // says no
	deaf           // does not get the order
	panics         // the action panics
	cutsShort      // stops at once, and the link drops: Unknown
)

// begun is one action as it reached the room.
type begun struct {
	name  string
	verb  shutdown.Verb
	cycle int // of the host: the same name in another cycle means another thing
	at    time.Time
}

func newRoom(p *policy.Policy) *room {
	r := &room{policy: p, upss: make([]fakeUPS, len(p.UPSs)), hosts: make([]fakeHost, len(p.Hosts)), freed: make(chan struct{})}
	for k := range p.Hosts {
		r.hosts[k].takes, r.hosts[k].starts = p.Hosts[k].StopsIn, p.Hosts[k].StartsIn-5*time.Second
	}
	return r
}

func (r *room) set(f func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f()
}

// input takes the input of every UPS away, or gives it back.
func (r *room) input(there bool) {
	r.set(func() {
		for i := range r.upss {
			r.upss[i].lost = !there
		}
	})
}

// life is one agent's connection to the room. A dead one reaches nobody.
type life struct {
	room *room
	mu   sync.Mutex
	dead bool
}

func (l *life) die() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.dead = true
}

func (l *life) alive() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return !l.dead
}

// wire gives the fake parts of the room's policy.
func (l *life) wire(p *policy.Policy) (*agent.Parts, error) {
	parts := &agent.Parts{Doer: fakeDoer{l}}
	for i := range p.UPSs {
		parts.Sources = append(parts.Sources, fakeSource{l, i})
	}
	for k := range p.Hosts {
		parts.Lookers = append(parts.Lookers, &fakeLooker{life: l, host: k})
		parts.Connectors = append(parts.Connectors, fakeConnector{})
	}
	return parts, nil
}

// fakeSource answers for a UPS after a hundredth of a second.
type fakeSource struct {
	life *life
	ups  int
}

func (s fakeSource) Poll(ctx context.Context) (shutdown.Measurement, error) {
	r := s.life.room
	r.mu.Lock()
	u := r.upss[s.ups]
	r.upss[s.ups].asked++
	r.mu.Unlock()
	if u.hangs {
		<-r.freed
	}
	if u.silent {
		<-ctx.Done()
		return shutdown.Nothing, ctx.Err()
	}
	if err := pause(ctx, 10*time.Millisecond); err != nil {
		return shutdown.Nothing, err
	}
	m := shutdown.Nothing
	m.Source, m.Input, m.Battery = shutdown.FromInput, shutdown.LineGood, shutdown.StatusNormal
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.upss[s.ups].lost {
		m.Source, m.Input = shutdown.FromBattery, shutdown.LineBad
	}
	m.LoadWatts = 0
	for k := range r.hosts {
		if p := &r.policy.Hosts[k]; !r.hosts[k].off && slices.Contains(p.FedBy, s.ups) {
			m.LoadWatts += p.Watts / int64(len(p.FedBy))
		}
	}
	return m, nil
}

// fakeLooker looks at a host. What it saw before it tells again only at each
// tenth look, which keeps journals short.
type fakeLooker struct {
	life *life
	host int
	last shutdown.Sighting
	n    int
}

func (l *fakeLooker) Look(ctx context.Context) (shutdown.Sighting, string) {
	if err := pause(ctx, time.Millisecond); err != nil {
		return 0, ""
	}
	r := l.life.room
	r.mu.Lock()
	defer r.mu.Unlock()
	seen := shutdown.SeenUp
	if r.hosts[l.host].off {
		seen = shutdown.SeenSilent
	}
	if l.n++; seen == l.last && l.n%10 != 0 {
		return 0, ""
	}
	l.last = seen
	return seen, ""
}

type fakeConnector struct{}

func (fakeConnector) Connect(ctx context.Context) error { return nil }

// fakeDoer carries out actions on the room's hosts.
type fakeDoer struct{ life *life }

func (d fakeDoer) Do(ctx context.Context, p *policy.Policy, a shutdown.Action) (shutdown.Outcome, string) {
	r := d.life.room
	if !d.life.alive() {
		<-ctx.Done()
		return shutdown.Unreachable, "this agent is dead"
	}
	k := a.ID.Host
	r.mu.Lock()
	h := &r.hosts[k]
	how := h.mode
	r.reached(int(k), a.ID.Name(p), a.ID.Verb)
	r.mu.Unlock()
	switch how {
	case hangs:
		<-r.freed // an action that does not heed its context at all
	case panics:
		panic("a fake fault")
	case refuses:
		return shutdown.Refused, "sudo: a password is required"
	case deaf:
		<-ctx.Done()
		return shutdown.Unreachable, "no answer"
	}
	if err := pause(ctx, 100*time.Millisecond); err != nil || !d.life.alive() {
		return shutdown.Unreachable, "cut off"
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.carryOut(int(k), a.ID.Verb)
	if how == cutsShort {
		return shutdown.Unknown, "the link dropped"
	}
	return shutdown.Accepted, ""
}

// reached notes that an order has reached the room, which is locked.
func (r *room) reached(k int, name string, verb shutdown.Verb) {
	r.begun = append(r.begun, begun{name, verb, r.hosts[k].cycle, time.Now()})
}

// carryOut is what an order does to a host. The room is locked.
func (r *room) carryOut(k int, verb shutdown.Verb) {
	h := &r.hosts[k]
	switch verb {
	case shutdown.VerbShutDown, shutdown.VerbPowerOff:
		h.stops++
		n := h.stops
		r.after(h.takes, func() {
			if h.stops == n && !h.off {
				h.off = true
			}
		})
	case shutdown.VerbStart:
		r.after(h.starts, func() {
			if h.off {
				h.off = false
				h.cycle++
			}
		})
	}
}

// after does something to the room later.
func (r *room) after(d time.Duration, f func()) { time.AfterFunc(d, func() { r.set(f) }) }

func pause(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// memory is a fake journal: it keeps what it is given.
type memory struct {
	mu       sync.Mutex
	snapshot []byte
	lines    []string // since the snapshot
	all      []string // since ever
	kept     []string
	fail     error         // of every call
	block    chan struct{} // every call waits until it is closed
	durable  int           // lines of all that a sync has covered
	calls    int
	deadly   int // the call at which the agent is killed, before it is carried out; 0: never
}

func (m *memory) enter() error {
	m.mu.Lock()
	block := m.block
	m.mu.Unlock()
	if block != nil {
		<-block
	}
	m.mu.Lock()
	if m.calls++; m.deadly != 0 && m.calls >= m.deadly {
		return errKilled
	}
	return m.fail
}

// killAt sets the deadly call, counted from here on.
func (m *memory) killAt(call int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.calls, m.deadly = 0, call
}

var errKilled = errors.New("the agent is dead")

func (m *memory) Append(lines []string, sync bool) error {
	err := m.enter()
	defer m.mu.Unlock()
	if err != nil {
		return err
	}
	m.lines = append(m.lines, lines...)
	m.all = append(m.all, lines...)
	if sync {
		m.durable = len(m.all)
	}
	return nil
}

func (m *memory) Cut(snapshot []byte, keep string) error {
	err := m.enter()
	defer m.mu.Unlock()
	if err != nil {
		return err
	}
	m.snapshot, m.lines = snapshot, nil
	if keep != "" {
		m.kept = append(m.kept, keep)
	}
	return nil
}

func (m *memory) past() agent.Past {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.snapshot == nil {
		return agent.Past{None: true}
	}
	return agent.Past{Lines: append([]string{snapshotWord + string(m.snapshot)}, m.lines...)}
}

// lived is all that was ever appended, but for snapshots.
func (m *memory) lived() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(m.all), func(l string) bool { return strings.HasPrefix(l, snapshotWord) })
}

const snapshotWord = "snapshot "

var errFake = errors.New("no space left on the fake disk")

// lab is what most tests start from: a room, an agent in it, and its end.
type lab struct {
	t       *testing.T
	room    *room
	life    *life
	journal *memory
	config  agent.Config
	agent   *agent.Agent
	stop    context.CancelFunc
	over    chan error

	mu   sync.Mutex
	told int
}

// newLab prepares an agent; start starts it. Inside a bubble of testing/synctest.
func newLab(t *testing.T, p *policy.Policy) *lab {
	l := &lab{t: t, room: newRoom(p), journal: &memory{}}
	t.Cleanup(func() {
		close(l.room.freed)
		if l.stop != nil {
			l.stop() // of a test that ended early
		}
	})
	begin := time.Now()
	l.life = &life{room: l.room}
	l.config = agent.Config{
		Policy: p, Wire: l.life.wire, Journal: l.journal, Build: "build-1", Boot: "boot-1",
		Wall:    time.Now,
		Elapsed: func() time.Duration { return time.Since(begin) + time.Hour },
		Tell: func(agent.News) {
			l.mu.Lock()
			defer l.mu.Unlock()
			l.told++
		},
	}
	return l
}

func (l *lab) start() {
	ctx, stop := context.WithCancel(context.Background())
	l.agent, l.stop, l.over = agent.New(l.config), stop, make(chan error, 1)
	a, over := l.agent, l.over
	go func() { over <- a.Run(ctx) }()
}

func (l *lab) end() {
	l.t.Helper()
	l.stop()
	if err := <-l.over; err != nil {
		l.t.Errorf("the agent ended with %v", err)
	}
}

// again starts another agent on the same journal.
func (l *lab) again() {
	l.life = &life{room: l.room}
	l.config.Wire = l.life.wire
	l.config.Past = l.journal.past()
	l.start()
}

// heard is how many notices were passed on.
func (l *lab) heard() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.told
}

// until lets the fake time go on until something is so, for so long at most.
func (l *lab) until(most time.Duration, what string, so func() bool) {
	l.t.Helper()
	for began := time.Now(); !so(); time.Sleep(time.Second) {
		if time.Since(began) > most {
			l.t.Fatalf("after %v still not: %s; %s", most, what, l.power())
		}
	}
}

// off waits until just these hosts, and all of them, are off.
func (l *lab) off(most time.Duration, names ...string) {
	l.t.Helper()
	l.until(most, fmt.Sprintf("%q are off", names), func() bool {
		for k := range l.room.policy.Hosts {
			name := l.room.policy.Hosts[k].Name
			if l.room.isOff(name) != slices.Contains(names, name) {
				return false
			}
		}
		return true
	})
}

func (r *room) isOff(name string) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	for k := range r.hosts {
		if r.policy.Hosts[k].Name == name {
			return r.hosts[k].off
		}
	}
	return false
}

func (l *lab) power() string {
	text := ""
	for _, h := range l.agent.View().Hosts {
		text += h.Name + " " + h.Power + "; "
	}
	return text
}

func (l *lab) raised(code shutdown.Code) bool {
	return slices.ContainsFunc(l.agent.View().Conditions, func(c agent.Condition) bool { return c.Code == code.String() })
}

// smallRoom is a policy of one UPS and four hosts: two machines on a storage
// box, and the agent's own.
func smallRoom(t testing.TB) *policy.Policy {
	p := &policy.Policy{
		Site: policy.Site{Name: "barn", RideThrough: 30 * time.Second, Reserve: time.Minute, ConfidencePermille: 950,
			Restore: policy.Restore{StableFor: time.Minute, Stagger: 5 * time.Second}},
		UPSs: []policy.UPS{ups("rack", 2)},
		Hosts: []policy.Host{
			host("db", 50, 120, 1),     // 0
			host("keeper", 90, 60),     // 1, the agent's own
			host("vault", 80, 300),     // 2
			host("web", 20, 100, 0, 2), // 3, needs db and vault
		},
	}
	p.Hosts[0].DependsOn = []int{2}
	p.Hosts[1].Self = true
	p.Hosts[1].Methods = []policy.Method{{Kind: policy.ByLocal, GivesUp: 40 * time.Second, Local: &policy.Local{Command: []string{"systemctl", "poweroff"}}}}
	p.Hosts[1].Starts = nil
	check(t, p)
	return p
}

// ups is one with a fitted battery that carries 300 W for about so many times
// ten minutes.
func ups(name string, tens float64) policy.UPS {
	return policy.UPS{
		Name: name, RatedWatts: 2000, EfficiencyPermille: 880,
		Battery: policy.Battery{Chemistry: policy.VRLA, Volts: 48, AmpHours: 9, RechargeHours: 1,
			Model: &policy.Model{StoreWattHours: 60 * tens, Ohmic: time.Minute}},
		SNMP: &policy.SNMP{Address: "192.0.2.10", Version: 2, PollEvery: 2 * time.Second, Timeout: time.Second},
	}
}

func host(name string, priority, watts int64, needs ...int) policy.Host {
	return policy.Host{
		Name: name, Priority: priority, FedBy: []int{0}, Watts: watts, StoppingWatts: watts, RunsOn: -1, DependsOn: needs,
		StopsIn: 20 * time.Second, StartsIn: 30 * time.Second,
		Methods: []policy.Method{
			{Kind: policy.BySSH, GivesUp: 40 * time.Second, SSH: &policy.SSH{Address: name, User: "u", Key: "k"}},
			{Kind: policy.ByRedfish, Force: true, GivesUp: 20 * time.Second, BMC: &policy.BMC{Address: name + "-bmc", User: "u", Password: "p"}},
		},
		Starts: []policy.Start{{Kind: policy.ByWake, Ethernet: "02:00:00:00:00:01"}},
	}
}

func check(t testing.TB, p *policy.Policy) {
	t.Helper()
	if err := p.Check(); err != nil {
		t.Fatal(err)
	}
}

// names gives what reached the room, in order.
func (r *room) names() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	var out []string
	for _, b := range r.begun {
		out = append(out, fmt.Sprint(b.name))
	}
	return out
}

// asked tells how often a UPS was asked.
func (r *room) asked(i int) int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.upss[i].asked
}
