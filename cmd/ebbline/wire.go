package main

import (
	"context"
	"io"
	"net"
	"net/netip"
	"strings"
	"sync"
	"time"

	"ebbline/agent"
	"ebbline/agent/action/bmc"
	"ebbline/agent/action/local"
	"ebbline/agent/action/outlet"
	"ebbline/agent/action/output"
	"ebbline/agent/action/ssh"
	"ebbline/agent/action/wake"
	"ebbline/agent/probe"
	"ebbline/agent/rehearse"
	"ebbline/agent/sensor"
	"ebbline/agent/source/hid"
	"ebbline/agent/source/snmp"
	"ebbline/policy"
	"ebbline/shutdown"
)

// secrets gives the value of a secret when it is needed.
type secrets = func(policy.Secret) ([]byte, error)

// wire makes, for a policy, what the agent works with. It opens nothing yet: a
// secret that cannot be read now, or a card that does not answer, must not keep
// the agent from watching over the rest.
func wire(p *policy.Policy, read secrets) (*agent.Parts, error) {
	d := &doer{secrets: read}
	parts := &agent.Parts{Doer: d}
	changed := make(chan string, len(p.UPSs)) // names of UPSs that spoke unasked
	for i := range p.UPSs {
		u := &p.UPSs[i]
		parts.Sources = append(parts.Sources, source(u, read, func() {
			select {
			case changed <- u.Name:
			default: // it is asked soon anyway
			}
		}))
		var s *hid.Switch
		if u.HID != nil && u.Output != nil {
			s = hid.NewSwitch(*u.HID)
		}
		d.switches = append(d.switches, s)
	}
	for k := range p.Hosts {
		h := newReach(&p.Hosts[k], read)
		d.hosts = append(d.hosts, h)
		parts.Lookers = append(parts.Lookers, h.looker())
		parts.Connectors = append(parts.Connectors, h.connector())
	}
	for j := range p.Temperatures {
		parts.Sensors = append(parts.Sensors, sensor.NewThermometer(p.Temperatures[j], read))
	}
	for j := range p.Emergencies {
		s := sensor.NewSwitch(p.Emergencies[j], read)
		if l, is := s.(io.Closer); is {
			d.lines = append(d.lines, l)
		}
		parts.Switches = append(parts.Switches, s)
	}
	parts.Listen = func(ctx context.Context, wake func(string)) error { return listen(ctx, p, read, changed, wake) }
	parts.Lacks = func(id shutdown.ActionID) string {
		for _, s := range secretsFor(p, id) {
			if _, err := read(s); s != "" && err != nil {
				return string(s)
			}
		}
		return ""
	}
	parts.Close = d.close
	return parts, nil
}

// secretsFor are the secrets that an action needs or, with no verb, asking a UPS.
func secretsFor(p *policy.Policy, id shutdown.ActionID) []policy.Secret {
	if id.Host < 0 {
		s := p.UPSs[id.UPS].SNMP
		switch {
		case s == nil:
			return nil
		case id.Verb == 0:
			return []policy.Secret{s.Community, s.AuthKey, s.PrivKey}
		}
		return []policy.Secret{s.Community, s.AuthKey, s.PrivKey, s.WriteWith}
	}
	h := &p.Hosts[id.Host]
	switch id.Verb {
	case shutdown.VerbStart:
		s := &h.Starts[id.Method]
		return secretsOf(s.SSH, s.BMC, s.Outlet)
	case shutdown.VerbPrepare:
		return secretsOf(h.Methods[0].SSH, nil, nil)
	}
	m := &h.Methods[id.Method]
	return secretsOf(m.SSH, m.BMC, m.Outlet)
}

func secretsOf(s *policy.SSH, b *policy.BMC, o *policy.Outlet) []policy.Secret {
	switch {
	case s != nil:
		return []policy.Secret{s.Key}
	case b != nil:
		return []policy.Secret{b.Password}
	case o != nil:
		return o.Secrets()
	}
	return nil
}

// rehearsed makes what a rehearsal tries.
func rehearsed(read secrets) rehearse.Parts {
	return rehearse.Parts{
		Read: read, Source: func(u *policy.UPS) agent.Source { return source(u, read, func() {}) },
		BMC:    func(b *policy.BMC, ipmi bool) rehearse.Checker { return controller(b, ipmi, read) },
		Outlet: func(o *policy.Outlet) rehearse.Checker { return socket(o, read) },
	}
}

// source gives the way to ask a UPS; nil when the policy has none.
func source(u *policy.UPS, read secrets, changed func()) agent.Source {
	switch {
	case u.SNMP != nil:
		return &lateSource{open: func() (agent.Source, error) {
			return snmp.New(*u.SNMP, read, snmp.Rated{Watts: u.RatedWatts, BatteryVolts: u.Battery.Volts})
		}}
	case u.HID != nil:
		return &lateSource{open: func() (agent.Source, error) {
			return hid.New(*u.HID, hid.Rated{Watts: u.RatedWatts, BatteryVolts: u.Battery.Volts}, changed), nil
		}}
	}
	return nil
}

// lateSource is opened at its first poll, and again at each until that works. Two
// policies' workers may ask at once while one takes over from the other.
type lateSource struct {
	mu     sync.Mutex
	open   func() (agent.Source, error)
	source agent.Source
}

func (l *lateSource) Poll(ctx context.Context) (shutdown.Measurement, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.source == nil {
		s, err := l.open()
		if err != nil {
			return shutdown.Nothing, err
		}
		l.source = s
	}
	return l.source.Poll(ctx)
}

// reach is every way to one host.
type reach struct {
	policy  *policy.Host
	methods []way // by the policy's methods
	starts  []way // by the policy's ways to start it
	first   *ssh.Host
	eyes    []eye // BMC and outlet: what proves a host off by another channel
	probe   *probe.Host
	all     []*ssh.Host
}

// way carries out one verb by its deadline.
type way func(ctx context.Context, v shutdown.Verb, deadline time.Time) (shutdown.Outcome, string)

type eye interface {
	Look(ctx context.Context) (shutdown.Sighting, string)
}

// switchable is a BMC or an outlet.
type switchable interface {
	eye
	rehearse.Checker
	Do(ctx context.Context, v shutdown.Verb) (shutdown.Outcome, string)
}

func newReach(h *policy.Host, read secrets) *reach {
	r := &reach{policy: h, probe: probe.New(h)}
	for i := range h.Methods {
		m := &h.Methods[i]
		switch m.Kind {
		case policy.BySSH:
			r.methods = append(r.methods, r.command(*m.SSH, read))
		case policy.ByLocal:
			command := m.Local.Command
			r.methods = append(r.methods, func(ctx context.Context, _ shutdown.Verb, deadline time.Time) (shutdown.Outcome, string) {
				return local.Do(ctx, command, deadline)
			})
		case policy.ByRedfish, policy.ByIPMI:
			c := controller(m.BMC, m.Kind == policy.ByIPMI, read)
			r.eyes = append(r.eyes, c)
			r.methods = append(r.methods, direct(c))
		case policy.ByOutlet:
			o := socket(m.Outlet, read)
			if len(h.FedBy) == 1 { // with a second supply, an outlet that is off proves nothing
				r.eyes = append(r.eyes, o)
			}
			r.methods = append(r.methods, direct(o))
		}
	}
	for i := range h.Starts {
		s := &h.Starts[i]
		switch s.Kind {
		case policy.ByWake:
			r.starts = append(r.starts, func(ctx context.Context, _ shutdown.Verb, _ time.Time) (shutdown.Outcome, string) {
				return wake.Send(ctx, s.Ethernet, s.To)
			})
		case policy.ByBMC:
			r.starts = append(r.starts, direct(controller(s.BMC, s.IPMI, read)))
		case policy.ByOutletOn:
			r.starts = append(r.starts, direct(socket(s.Outlet, read)))
		case policy.ByHost:
			host := ssh.New(*s.SSH, h.Name+" (its host)", read)
			r.all = append(r.all, host)
			command := s.SSH.Command
			r.starts = append(r.starts, func(ctx context.Context, _ shutdown.Verb, deadline time.Time) (shutdown.Outcome, string) {
				return host.Do(ctx, command, deadline)
			})
		}
	}
	return r
}

func (r *reach) command(cfg policy.SSH, read secrets) way {
	host := ssh.New(cfg, r.policy.Name, read)
	r.all = append(r.all, host)
	if r.first == nil {
		r.first = host
	}
	return func(ctx context.Context, v shutdown.Verb, deadline time.Time) (shutdown.Outcome, string) {
		return host.Do(ctx, cfg.Command, deadline)
	}
}

func direct(s switchable) way {
	return func(ctx context.Context, v shutdown.Verb, _ time.Time) (shutdown.Outcome, string) {
		return s.Do(ctx, v)
	}
}

func controller(b *policy.BMC, ipmi bool, read secrets) switchable {
	if ipmi {
		return bmc.NewIPMI(*b, read)
	}
	return bmc.NewRedfish(*b, read)
}

func socket(o *policy.Outlet, read secrets) switchable {
	if o.SNMP != nil {
		return outlet.NewSNMP(*o, read)
	}
	return outlet.NewRedfish(*o, read)
}

// looker gives how the host is looked at. The agent's own is up while the agent
// lives.
func (r *reach) looker() agent.Looker {
	if r.policy.Self {
		return selfLook{}
	}
	return r
}

type selfLook struct{}

func (selfLook) Look(context.Context) (shutdown.Sighting, string) {
	return shutdown.SeenUp, "the agent runs here"
}

// Look asks the host's service first, and only when that does not answer what
// its BMC or outlet says: they have few sessions.
func (r *reach) Look(ctx context.Context) (shutdown.Sighting, string) {
	seen, text := r.probe.Look(ctx)
	if seen == shutdown.SeenUp {
		return seen, text
	}
	for _, e := range r.eyes {
		if s, t := e.Look(ctx); s == shutdown.SeenOff {
			return s, t
		}
	}
	return seen, text
}

func (r *reach) connector() agent.Connector {
	if r.first == nil {
		return nil
	}
	return r.first
}

// doer carries out the core's actions.
type doer struct {
	hosts    []*reach
	switches []*hid.Switch // by UPS; nil for one without
	secrets  secrets
	lines    []io.Closer // GPIO lines that are held
}

// Do implements [agent.Doer].
func (d *doer) Do(ctx context.Context, p *policy.Policy, a shutdown.Action) (shutdown.Outcome, string) {
	id := a.ID
	deadline, ok := ctx.Deadline()
	if !ok {
		deadline = time.Now().Add(time.Minute)
	}
	switch id.Verb {
	case shutdown.VerbSwitchOff, shutdown.VerbSwitchOn:
		u := &p.UPSs[id.UPS]
		switch {
		case u.Output != nil && d.switches[id.UPS] != nil:
			return d.switches[id.UPS].Do(ctx, *u.Output, id.Verb)
		case u.Output == nil || u.SNMP == nil:
			return shutdown.Refused, "the policy has no way to switch this UPS's output"
		}
		return output.Do(ctx, *u.SNMP, *u.Output, id.Verb, d.secrets)
	case shutdown.VerbPrepare:
		h := d.hosts[id.Host]
		if h.first == nil {
			return shutdown.Refused, "the early step needs an ssh block"
		}
		return h.first.Do(ctx, p.Hosts[id.Host].Prepare.Command, deadline)
	case shutdown.VerbStart:
		return d.hosts[id.Host].starts[id.Method](ctx, id.Verb, deadline)
	}
	return d.hosts[id.Host].methods[id.Method](ctx, id.Verb, deadline)
}

func (d *doer) close() {
	var wg sync.WaitGroup
	for _, l := range d.lines {
		_ = l.Close()
	}
	for _, h := range d.hosts {
		for _, s := range h.all {
			wg.Go(s.Close)
		}
	}
	wg.Wait()
}

// listen passes on every reason to ask a UPS at once: cards' notifications, and
// what a UPS on USB says unasked.
func listen(ctx context.Context, p *policy.Policy, read secrets, changed <-chan string, wake func(string)) error {
	var ended chan error // nil for ever without a listener
	if p.Site.Traps != nil {
		l, err := notifications(p, read)
		if err != nil {
			return err
		}
		ended = make(chan error, 1)
		go func() { ended <- l.Serve(ctx, func(from netip.Addr) { wakeFrom(p, from, wake) }) }()
	}
	for {
		select {
		case name := <-changed:
			wake(name)
		case err := <-ended:
			return err
		case <-ctx.Done():
			if ended != nil {
				return <-ended // the port is free then
			}
			return nil
		}
	}
}

// notifications opens the port at which the cards' notifications arrive.
func notifications(p *policy.Policy, read secrets) (*snmp.Listener, error) {
	var cards []policy.SNMP
	for i := range p.UPSs {
		if p.UPSs[i].SNMP != nil {
			cards = append(cards, *p.UPSs[i].SNMP)
		}
	}
	return snmp.Listen(*p.Site.Traps, cards, snmp.EngineID(snmp.MachineID()), read)
}

func wakeFrom(p *policy.Policy, from netip.Addr, wake func(string)) {
	for i := range p.UPSs {
		if s := p.UPSs[i].SNMP; s != nil && isFrom(s.Address, from) {
			wake(p.UPSs[i].Name)
		}
	}
}

// isFrom tells whether a card at this address may have sent from that one. A
// name is taken for any: to ask once too often costs nothing.
func isFrom(address string, from netip.Addr) bool {
	host := address
	if h, _, err := net.SplitHostPort(address); err == nil {
		host = h
	}
	ip, err := netip.ParseAddr(strings.Trim(host, "[]"))
	return err != nil || ip.Unmap() == from.Unmap()
}
