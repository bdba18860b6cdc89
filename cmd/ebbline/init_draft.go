package main

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"

	"ebbline/policy/load"
)

// draft is a policy that is being made: blocks with what is known of each.
type draft struct {
	site  string
	upss  []*upsDraft
	loads []*loadDraft
	hosts []*hostDraft
	notes []string // on addresses that fit no block
}

type upsDraft struct {
	name  string
	found *finding // nil while no address is known
}

type loadDraft struct {
	name, about string
}

type hostDraft struct {
	name, about string
	self        bool
	runsOn      string
	dependsOn   []string
	found       *finding   // the SSH server; nil while no address is known
	bmcs        []*finding // its second ways
	twin        string     // another host with the same host key
}

func newDraft(site string) *draft { return &draft{site: site} }

// template is the beginning of a policy: the blocks of a usual room and how they hang together. It
// says nothing of figures.
type template struct {
	name  string
	loads []loadDraft
	hosts []hostDraft
}

const aboutSelf = "The machine that the agent runs on: it goes last. A small board that draws little is best."

var rooms = []template{
	{
		name: "one-ups",
		hosts: []hostDraft{
			{name: "server", about: "A machine that is always on. Copy the block for each further one."},
			{name: "agent", about: aboutSelf, self: true},
		},
	},
	{
		name: "hypervisor",
		loads: []loadDraft{
			{name: "router", about: "It has no shutdown of its own, and is there until the battery ends."},
			{name: "switch", about: "The same. What is reached through it needs it until its own stop."},
		},
		hosts: []hostDraft{
			{name: "guest-1", about: "A guest: its watts are part of the hypervisor's, and it stops before it. Copy the block for each further one.", runsOn: "hypervisor", dependsOn: []string{"storage"}},
			{name: "guest-2", about: "A second guest.", runsOn: "hypervisor"},
			{name: "hypervisor", about: "It stops when its guests are down.", dependsOn: []string{"storage", "switch"}},
			{name: "storage", about: "It stops when all that keep their data on it are down.", dependsOn: []string{"switch"}},
			{name: "agent", about: aboutSelf, self: true},
		},
	},
}

func roomNames() (names []string) {
	for i := range rooms {
		names = append(names, rooms[i].name)
	}
	return names
}

// furnish takes the blocks of a template; without a name the first, if there is
// nothing else to write.
func (d *draft) furnish(name string, empty bool) error {
	if !load.ValidName(d.site) {
		return fmt.Errorf("--site cannot be %q: a name has letters, digits, \"-\", \"_\" or \".\"", d.site)
	}
	if name == "" && !empty {
		return nil
	}
	if name == "" {
		name = rooms[0].name
	}
	i := slices.IndexFunc(rooms, func(r template) bool { return r.name == name })
	if i < 0 {
		return fmt.Errorf("--room has no template %q. Write %s", name, strings.Join(roomNames(), " or "))
	}
	d.upss = append(d.upss, &upsDraft{name: "ups"})
	for _, l := range rooms[i].loads {
		d.loads = append(d.loads, &l)
	}
	for _, h := range rooms[i].hosts {
		d.hosts = append(d.hosts, &h)
	}
	return nil
}

// add puts what an address said into its block: that of its name, or a new one. It
// tells whether there is one for it.
func (d *draft) add(f *finding) bool {
	isNamed := func(u *upsDraft) bool { return f.name != "" && u.name == f.name }
	switch {
	case d.load(f.name) != nil:
		l := d.load(f.name)
		l.about += " It is at " + f.address + "."
	case !f.known():
		d.notes = append(d.notes, f.where()+": what is it? "+sentences(f.lines())+" If it draws power and cannot be shut down, write load \"name\" { fed_by, watts }.")
		return false
	case f.isUPS():
		d.addUPS(f)
	case slices.ContainsFunc(d.upss, isNamed):
		d.notes = append(d.notes, f.where()+": it did not answer as a UPS does: "+sentences(append(f.lines(), f.failed()...)))
		return false
	case f.isBMC() && f.name == "":
		d.notes = append(d.notes, f.where()+" is a BMC. Of which host? Call ebbline init with the host's name before it, such as vault="+f.address+", and it goes into that host's block.")
	case f.isBMC():
		h := d.host(f.name)
		if h == nil {
			h = &hostDraft{name: f.name}
			d.hosts = append(d.hosts, h)
		}
		h.bmcs = append(h.bmcs, f)
	default:
		d.addHost(f)
	}
	return true
}

// sentences makes lines one text.
func sentences(lines []string) string {
	var b strings.Builder
	for _, line := range lines {
		b.WriteString(strings.TrimSuffix(line, ".") + ". ")
	}
	return strings.TrimSpace(b.String())
}

func (d *draft) addUPS(f *finding) {
	for _, u := range d.upss {
		if u.found == nil && (f.name == "" || f.name == u.name) {
			u.found = f
			return
		}
	}
	u := f.ups()
	name := d.free(asName(u.identity), "ups-"+lastPart(f.address))
	if f.name != "" {
		name = d.free(f.name)
	}
	d.upss = append(d.upss, &upsDraft{name: name, found: f})
}

func (d *draft) addHost(f *finding) {
	h := d.host(f.name)
	if f.own && h == nil && f.name == "" {
		h = d.self()
	}
	if h == nil || h.found != nil {
		h = &hostDraft{name: d.nameFor(f)}
		d.hosts = append(d.hosts, h)
	}
	h.found = f
	if f.own && d.self() == nil {
		h.self = true
	}
	for _, o := range d.hosts {
		if o != h && o.found != nil && slices.ContainsFunc(o.found.keys, func(k string) bool { return slices.Contains(f.keys, k) }) {
			h.twin = o.name
		}
	}
}

// nameFor gives a new host its name: the user's, or what its address begins with.
func (d *draft) nameFor(f *finding) string {
	if f.name != "" {
		return d.free(f.name)
	}
	name := ""
	if _, err := netip.ParseAddr(hostOf(f.address)); err != nil {
		name, _, _ = strings.Cut(hostOf(f.address), ".")
	}
	return d.free(asName(name), "host-"+lastPart(f.address))
}

// complete adds what no policy does without.
func (d *draft) complete() {
	if len(d.upss) == 0 {
		d.upss = append(d.upss, &upsDraft{name: d.free("ups")})
	}
	if d.self() == nil {
		d.hosts = append(d.hosts, &hostDraft{name: d.free("agent"), about: aboutSelf, self: true})
	}
}

func (d *draft) host(name string) *hostDraft {
	for _, h := range d.hosts {
		if h.name == name {
			return h
		}
	}
	return nil
}

func (d *draft) load(name string) *loadDraft {
	for _, l := range d.loads {
		if l.name == name {
			return l
		}
	}
	return nil
}

func (d *draft) self() *hostDraft {
	for _, h := range d.hosts {
		if h.self {
			return h
		}
	}
	return nil
}

func (d *draft) taken(name string) bool {
	return d.host(name) != nil ||
		d.load(name) != nil ||
		slices.ContainsFunc(d.upss, func(u *upsDraft) bool { return u.name == name })
}

// free gives the first of names that no block has, or the last with a number.
func (d *draft) free(names ...string) string {
	last := ""
	for _, n := range names {
		if load.ValidName(n) && !d.taken(n) {
			return n
		}
		if n != "" {
			last = n
		}
	}
	for i := 2; ; i++ {
		if n := fmt.Sprintf("%s-%d", last, i); !d.taken(n) {
			return n
		}
	}
}

// asName makes a block's name of what a device calls itself; "" if nothing is left.
func asName(text string) string {
	name := strings.Trim(strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9', r == '-', r == '_', r == '.':
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return '-'
	}, text), "-_.")
	return name[:min(len(name), 40)]
}

// lastPart is what tells an address from its neighbours.
func lastPart(address string) string {
	host := hostOf(address)
	if i := strings.LastIndexAny(host, ".:/"); i >= 0 && i < len(host)-1 {
		host = host[i+1:]
	}
	return asName(host)
}
