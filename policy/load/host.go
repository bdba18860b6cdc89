package load

import (
	"path"
	"slices"
	"strings"
	"time"

	"ebbline/policy"
)

// Defaults of a host.
const (
	defaultStopsIn  = time.Minute
	defaultStartsIn = 3 * time.Minute
	defaultForced   = 30 * time.Second // a forced method: it acts at once or not at all
	defaultQuietFor = 10 * time.Second
	longestStop     = 6 * time.Hour
	maxMethods      = 16
)

// hostDraft is a host whose references are still names.
type hostDraft struct {
	policy.Host
	s        *section
	unfed    bool // the agent's own, on no UPS: see loader.unfed
	feeds    []word
	needs    []word
	plugs    []word
	runsOn   *word
	start    *section // the command that starts a guest, on the host it runs on
	startCmd string
}

// group is a group with what it takes from the group that it names.
type group struct {
	s     *section
	state uint8 // as of a variable
	whole *section
	depth int
}

func (l *loader) readGroups() {
	for _, s := range l.sections["group"] {
		l.groups[s.name] = &group{s: s}
	}
	for _, s := range l.sections["group"] {
		// A group by itself is read as a host that may leave anything out, so
		// that its mistakes are seen even when no host is in it.
		if whole := l.groupSection(l.groups[s.name], nil); whole != nil && !whole.broken {
			l.parts = append(l.parts, l.host(whole))
		}
	}
}

// groupSection gives a group's section over that of its own group; nil when
// they are in a circle.
func (l *loader) groupSection(g *group, chain []string) *section {
	chain = append(chain, g.s.name)
	switch {
	case g.state == done:
		return g.whole
	case g.state == underWay:
		chain = chain[slices.Index(chain, g.s.name):]
		l.err(l.get(g.s, "group").at(), groupCircle, "These groups take settings from each other: %s. Remove group = ... from one of them.", arrows(chain))
		return nil
	}
	g.state = underWay
	g.whole = l.withGroup(g.s, chain, &g.depth)
	g.state = done
	return g.whole
}

// withGroup gives a section over that of the group it names.
func (l *loader) withGroup(s *section, chain []string, depth *int) *section {
	if s.broken {
		return s
	}
	f := l.get(s, "group")
	w := f.word()
	if w == nil {
		return s
	}
	g := l.groups[w.text]
	if g == nil {
		l.unknown(*w, unknownGroup, "group", []string{"group"})
		return s
	}
	whole := l.groupSection(g, chain)
	if *depth = g.depth + 1; *depth > maxGroupDepth {
		f.bad(tooMuch, "Groups take settings from each other more than %d deep here. Join some of them.", maxGroupDepth)
		return s
	}
	if whole == nil {
		return s
	}
	out := s.over(whole)
	out.broken = whole.broken
	return out
}

func (l *loader) readHost(s *section) {
	depth := 0
	whole := l.withGroup(s, nil, &depth)
	l.index.sections["host "+s.name] = whole
	if h := l.host(whole); !h.unfed {
		l.hosts = append(l.hosts, h)
	}
}

func (l *loader) host(s *section) *hostDraft {
	h := &hostDraft{s: s, Host: policy.Host{Name: s.name, RunsOn: -1}}
	if s.broken {
		return h
	}
	h.Self, h.StaysUp = l.get(s, "self").flag(), l.get(s, "stays_up").flag()
	h.Observe = l.get(s, "observe").flag()
	if f := l.get(s, "fed_by"); h.Self && !s.partial && f.ok && f.value.empty() {
		if l.unfed != nil {
			l.err(l.get(s, "self").own(), selfTwice, "%s is the agent's own host already, and the agent runs on one host. Remove self from one of them.", l.unfed.title)
		} else {
			l.unfed = s
		}
		h.unfed = true
		l.noStop(s, "hangs on no UPS", "write its UPSs into fed_by")
		return h
	}
	runsOn := l.get(s, "runs_on")
	h.runsOn = runsOn.word()
	h.needs = l.get(s, "depends_on").words("the name of a host or load in quotes")
	if runsOn.attr == nil || l.peek(s, "fed_by").attr != nil {
		h.feeds = l.feeds(s)
	}
	h.Watts = l.hostWatts(s, runsOn.attr != nil)
	h.StoppingWatts = l.get(s, "stopping_watts").watts(0, -1)
	h.Plugged, h.plugs = l.plugged(s)
	priority := l.get(s, "priority")
	if !h.StaysUp {
		priority = priority.need()
	}
	h.Priority = priority.whole(1, 1000, 0)
	h.KeepFor = l.get(s, "keep_for").duration(time.Second, 7*day, 0)
	stops := l.get(s, "stops_in")
	h.StopsIn = stops.duration(time.Second, longestStop, defaultStopsIn)
	h.StartsIn = l.get(s, "starts_in").duration(time.Second, longestStop, defaultStartsIn)
	givesUp := l.get(s, "gives_up").duration(time.Second, 2*longestStop, max(2*h.StopsIn, h.StopsIn+30*time.Second))
	h.Probe = l.probe(s.oneOrNone("probe"))
	if h.StaysUp {
		l.noStop(s, "stays up", "stays_up")
		return h
	}
	if stops.attr == nil && !s.partial {
		l.warn(s.head, stopsAssumed, "%s does not say how long it takes to stop; one minute is assumed. Measure it (from the order until it no longer answers) and write stops_in = \"3m\".", s.title)
	}
	h.Methods = l.methods(s, givesUp)
	h.Starts = l.starts(s, h)
	h.Prepare = l.prepare(s)
	l.checkMethods(h)
	return h
}

// hostWatts reads the draw: a machine draws something, a guest's share may be
// nothing. -1 stands for a figure that is wrong.
func (l *loader) hostWatts(s *section, guest bool) int64 {
	f := l.get(s, "watts")
	switch {
	case !guest:
		return f.need().watts(1, -1)
	case f.attr == nil:
		return 0
	}
	return f.watts(0, -1)
}

// noStop reports ways to stop a host that is never stopped, unless they are
// those of its group.
func (l *loader) noStop(s *section, why, instead string) {
	for _, in := range s.layers[0].Body.Blocks {
		if in.Type != "probe" && hostShape.blocks[in.Type] != nil {
			l.err(place{in.DefRange(), s.layers[0].Range()}, doesNotApply, "%s %s, so it is never stopped or started. Remove this block, or %s.", s.title, why, instead)
		}
	}
}

func (l *loader) probe(s *section) policy.Probe {
	return policy.Probe{
		Address:  l.get(s, "address").address(portNeeded),
		QuietFor: l.get(s, "quiet_for").duration(time.Second, 10*time.Minute, defaultQuietFor),
	}
}

func (l *loader) prepare(s *section) *policy.Prepare {
	p := s.one("prepare")
	if p == nil {
		return nil
	}
	if s.one("ssh") == nil && !s.partial {
		l.err(p.head, noSSH, "%s runs its command over SSH, and the host has no block ssh. Write one, or remove prepare.", p.title)
	}
	ahead := l.get(p, "ahead").need().duration(time.Second, day, 0)
	return &policy.Prepare{
		Command: l.get(p, "command").need().text(),
		Ahead:   ahead,
		GivesUp: l.get(p, "gives_up").duration(time.Second, day, ahead),
	}
}

// methods reads the ways to stop a host in the order written.
func (l *loader) methods(s *section, givesUp time.Duration) []policy.Method {
	var out []policy.Method
	for _, in := range s.inner {
		var m policy.Method
		switch in.kind {
		case "ssh":
			m = policy.Method{Kind: policy.BySSH, SSH: l.ssh(in)}
		case "local":
			m = policy.Method{Kind: policy.ByLocal, Local: l.local(in)}
		case "bmc":
			b, kind := l.bmc(in)
			m = policy.Method{Kind: kind, BMC: b, Force: l.get(in, "force").flag()}
		case "outlet":
			m = policy.Method{Kind: policy.ByOutlet, Outlet: l.outlet(in), Force: true}
		default:
			continue
		}
		if m.Force {
			m.GivesUp = l.get(in, "gives_up").duration(time.Second, 2*longestStop, defaultForced)
		} else {
			m.GivesUp = l.get(in, "gives_up").duration(time.Second, 2*longestStop, givesUp)
		}
		out = append(out, m)
	}
	if len(out) > maxMethods {
		l.err(s.head, tooMuch, "A host has at most %d ways to stop it. Remove some from %s.", maxMethods, s.title)
	}
	return out
}

// checkMethods reports ways that do not suit the host, and those that give up
// before the host is expected to be down.
func (l *loader) checkMethods(h *hostDraft) {
	s := h.s
	if len(h.Methods) == 0 && !s.partial {
		way := "ssh { ... } (or bmc, outlet)"
		if h.Self {
			way = "local { command = [\"systemctl\", \"poweroff\"] }"
		}
		l.err(s.head, noMethod, "There is no way to stop %s. Write %s, or stays_up = true if it is never to be stopped.", s.title, way)
	}
	for _, in := range s.inner {
		switch in.kind {
		case "local":
			if !h.Self && !s.partial {
				l.err(in.head, localElsewhere, "%s runs on the host of the agent itself, and that is not this one. Write ssh { ... }, or self = true if the agent runs here.", in.title)
			}
		case "ssh", "bmc", "outlet":
			if h.Self {
				l.err(in.head, selfRemote, "The agent runs on this host and cannot watch it stop from outside. Keep only local { command = [\"systemctl\", \"poweroff\"] }.")
			}
		default:
			continue
		}
		l.checkAllowance(h, in)
	}
}

func (l *loader) checkAllowance(h *hostDraft, in *section) {
	f := l.get(in, "gives_up")
	if in.kind == "outlet" || l.get(in, "force").flag() || h.s.partial {
		return
	}
	if f.attr == nil {
		f = l.get(h.s, "gives_up")
	}
	if f.ok && f.duration(1, 2*longestStop, h.StopsIn) < h.StopsIn {
		l.warn(f.own(), givesUpEarly, "%s is expected to take %s to stop, and is given up before that. Write a gives_up of twice stops_in or so.", h.s.title, short(h.StopsIn))
	}
}

func (l *loader) ssh(s *section) *policy.SSH {
	a := &policy.SSH{
		Address: l.get(s, "address").need().address(portOptional),
		User:    l.get(s, "user").need().text(),
		Key:     l.secret(s, "key", true),
		Command: l.get(s, "command").text(),
	}
	switch l.exactlyOne(s, "host_key", "known_hosts") {
	case "host_key":
		a.HostKey = l.get(s, "host_key").fingerprint("Copy it from \"ssh-keygen -l -f /etc/ssh/ssh_host_ed25519_key.pub\" on that host.")
	case "known_hosts":
		f := l.get(s, "known_hosts")
		if a.KnownHosts = f.text(); a.KnownHosts != "" && !path.IsAbs(a.KnownHosts) {
			a.KnownHosts = path.Join(path.Dir(f.attr.SrcRange.Filename), a.KnownHosts) // beside the file that says it
		}
	}
	return a
}

func (l *loader) local(s *section) *policy.Local {
	return &policy.Local{Command: l.get(s, "command").need().arguments()}
}

// arguments gives a program and its arguments; nil when absent.
func (f field) arguments() (out []string) {
	list, ok := f.value.data.([]value)
	const such = "a list of the program and its arguments, such as [\"systemctl\", \"poweroff\"]"
	if f.ok && !ok {
		f.wrong(f.value, such)
	} else if f.ok && len(list) == 0 {
		f.bad(notText, "command of %s is empty. Write %s.", f.s.title, such)
	}
	if f.l.references += len(list); f.l.references > maxReferences {
		return nil // as in words
	}
	for i, v := range list {
		text, ok := v.data.(string)
		if !ok {
			f.wrong(v, "a text in quotes")
		} else if f.printable(v) && i == 0 && text == "" {
			f.wrong(v, "the name of a program")
		}
		out = append(out, text)
	}
	return out
}

func (l *loader) bmc(s *section) (*policy.BMC, policy.MethodKind) {
	switch l.get(s, "protocol").need().choice("redfish", "ipmi") {
	case "redfish":
		l.reject(s, "with protocol = \"redfish\"", "suites")
		b := l.redfish(s)
		b.System = l.get(s, "system").text()
		return b, policy.ByRedfish
	case "ipmi":
		l.reject(s, "with protocol = \"ipmi\"", "certificate", "system")
		b := l.login(s)
		b.Address = l.get(s, "address").need().address(portOptional)
		b.Suites = l.suites(s)
		return b, policy.ByIPMI
	}
	return l.login(s), policy.ByRedfish
}

func (l *loader) login(s *section) *policy.BMC {
	return &policy.BMC{
		User:     l.get(s, "user").need().text(),
		Password: l.secret(s, "password", true),
	}
}

// redfish reads where a Redfish service is. Its address may begin with
// "http://", for one that has no certificate at all.
func (l *loader) redfish(s *section) *policy.BMC {
	b := l.login(s)
	f := l.get(s, "address").need()
	text, _ := f.value.data.(string)
	rest, clear := strings.CutPrefix(text, "http://")
	if clear {
		f.value.data = rest
		l.warn(f.at(), weakCrypto, "Over http:// anybody on the network can read the password of %s. Write the address without it, and certificate = \"SHA256:...\" for a certificate that is self-signed.", s.title)
	}
	if b.Address = f.address(portOptional); clear && b.Address != "" {
		b.Address = text
	}
	if c := l.get(s, "certificate"); clear && c.attr != nil {
		l.reject(s, "over http://, which has none", "certificate")
	} else {
		b.Certificate = c.fingerprint("Copy it from what \"openssl x509 -noout -fingerprint -sha256\" prints, with \"SHA256:\" before it.")
	}
	return b
}

// suites reads the IPMI cipher suites. Suite 0 has no authentication at all.
func (l *loader) suites(s *section) []int {
	f := l.get(s, "suites")
	if !f.ok {
		return []int{17, 3}
	}
	list, ok := f.value.data.([]value)
	if !ok || len(list) == 0 || len(list) > 17 {
		f.wrong(f.value, "a list of cipher suites, such as [17, 3]")
		return nil
	}
	var out []int
	for _, v := range list {
		one := f
		one.value = v
		out = append(out, int(one.whole(1, 17, 3)))
	}
	return out
}

func (l *loader) outlet(s *section) *policy.Outlet {
	o := &policy.Outlet{}
	overSNMP := strings.Fields("version community auth auth_key priv priv_key write_community timeout oid off on read_oid off_reading")
	overRedfish := strings.Fields("password certificate name")
	switch l.get(s, "protocol").need().choice("redfish", "snmp") {
	case "redfish":
		l.reject(s, "with protocol = \"redfish\"", overSNMP...)
		o.BMC = l.redfish(s)
		o.Name = l.get(s, "name").need().text()
	case "snmp":
		l.reject(s, "with protocol = \"snmp\"", overRedfish...)
		o.SNMP = l.snmp(s)
		o.SNMP.Timeout = l.get(s, "timeout").duration(100*time.Millisecond, 10*time.Second, defaultTimeout)
		l.outletObject(s, o)
	}
	return o
}

// outletObject reads the one SNMP object that switches an outlet.
func (l *loader) outletObject(s *section, o *policy.Outlet) {
	const low, high = -1 << 31, 1<<31 - 1 // SNMP's INTEGER
	o.OID = l.get(s, "oid").need().oid()
	off, on := l.get(s, "off").need(), l.get(s, "on").need()
	o.Off, o.On = off.whole(low, high, 0), on.whole(low, high, 0)
	if off.ok && on.ok && o.Off == o.On {
		on.bad(outOfRange, "on and off of %s are the same number, so switching it off would change nothing. Write the two values of the object.", s.title)
	}
	o.ReadOID = l.get(s, "read_oid").oid()
	o.OffReading = l.get(s, "off_reading").whole(low, high, o.Off)
}

// starts reads the ways to start a host: the cheapest first, the guest's
// command last, which is added when its host is known.
func (l *loader) starts(s *section, h *hostDraft) []policy.Start {
	var out []policy.Start
	for _, w := range s.all("wake") {
		out = append(out, policy.Start{
			Kind:     policy.ByWake,
			Ethernet: l.get(w, "ethernet").need().ethernet(),
			To:       l.get(w, "to").address(portNeeded),
		})
	}
	for _, m := range h.Methods {
		if m.BMC != nil && !slices.ContainsFunc(out, func(o policy.Start) bool { return sameBMC(o, m) }) {
			out = append(out, policy.Start{Kind: policy.ByBMC, BMC: m.BMC, IPMI: m.Kind == policy.ByIPMI})
		}
	}
	for _, m := range h.Methods {
		if m.Outlet != nil {
			out = append(out, policy.Start{Kind: policy.ByOutletOn, Outlet: m.Outlet})
		}
	}
	if h.start = s.one("start"); h.start != nil {
		h.startCmd = l.get(h.start, "command").need().text()
	}
	return out
}

// sameBMC says that a controller is in the list already: an orderly and a
// forced stop by it are one way to start.
func sameBMC(o policy.Start, m policy.Method) bool {
	return o.BMC != nil && o.IPMI == (m.Kind == policy.ByIPMI) && o.BMC.Address == m.BMC.Address && o.BMC.System == m.BMC.System
}
