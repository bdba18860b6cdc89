package load

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
)

// Bounds that keep work and memory within reason whatever the file says. No
// room of machines comes near.
const (
	maxNameBytes  = 63
	maxInner      = 32 // blocks in one block
	maxHosts      = 20_000
	maxLoads      = 20_000
	maxUPSs       = 1_000
	maxCircuits   = 10_000 // and as many PDUs
	maxMessages   = 100
	maxSensors    = 100 // and as many emergency switches
	maxVariables  = 1_000
	maxGroupDepth = 10
)

// shape is what a block may hold.
type shape struct {
	named      bool // kind "name" { }
	many       bool // may stand several times in its block
	attributes []string
	blocks     map[string]*shape
}

func attributes(names string) []string { return strings.Fields(names) }

var (
	hostShape = &shape{
		named: true, many: true,
		attributes: attributes(`priority fed_by watts stopping_watts keep_for stops_in gives_up starts_in
			depends_on runs_on self stays_up observe group plugged_into nameplate_watts power_factor inrush_amps`),
		blocks: map[string]*shape{
			"prepare": {attributes: attributes("command ahead gives_up")},
			"ssh":     {many: true, attributes: attributes("address user key host_key known_hosts command gives_up")},
			"local":   {many: true, attributes: attributes("command gives_up")},
			"bmc": {many: true, attributes: attributes(`protocol address user password certificate system suites
				force gives_up`)},
			"outlet": {many: true, attributes: attributes(`protocol address user password certificate name
				version community auth auth_key priv priv_key write_community timeout
				oid off on read_oid off_reading gives_up`)},
			"wake":  {many: true, attributes: attributes("ethernet to")},
			"start": {attributes: attributes("command")},
			"probe": {attributes: attributes("address quiet_for")},
		},
	}

	policyShape = &shape{blocks: map[string]*shape{
		"variable": {named: true, many: true, attributes: attributes("value")},
		"site": {
			named:      true,
			attributes: attributes("ride_through reserve confidence stops_at_once observe"),
			blocks: map[string]*shape{
				"restore":      {attributes: attributes("stable_for stagger charge")},
				"traps":        {attributes: attributes("listen community")},
				"sign_of_life": {attributes: attributes("url failure_url every certificate")},
				"metrics":      {attributes: attributes("listen")},
				"page": {
					attributes: attributes("listen names user password behind"),
					blocks:     map[string]*shape{"tls": {attributes: attributes("chain key clients")}},
				},
			},
		},
		"ups": {
			named: true, many: true,
			attributes: attributes("class rated_watts rated_va overhead_watts efficiency normal_efficiency circuit"),
			blocks: map[string]*shape{
				"battery": {
					attributes: attributes(`chemistry volts amp_hours installed design_years temperature
						end_volts_per_cell chart recharge_hours`),
					blocks: map[string]*shape{
						"model": {attributes: attributes("store_watt_hours ohmic diffusion relaxation fitted")},
					},
				},
				"snmp": {attributes: attributes(`address version community user auth auth_key priv priv_key
					poll_every timeout write_community scale missing delay_step`)},
				"hid":    {attributes: attributes("path serial")},
				"output": {attributes: attributes("cut_after return_after")},
			},
		},
		"load": {named: true, many: true, attributes: attributes("fed_by watts plugged_into nameplate_watts power_factor inrush_amps")},
		"circuit": {
			named: true, many: true,
			attributes: attributes("volts amps lines breaker wire length_metres length_feet other_watts"),
		},
		"pdu": {named: true, many: true, attributes: attributes("fed_by volts amps lines")},
		"temperature": {
			named: true, many: true,
			attributes: attributes("ups limit rate with_input confirmed_by hosts every"),
			blocks: map[string]*shape{
				"snmp": {attributes: attributes("address version community user auth auth_key priv priv_key timeout oid scale")},
				"file": {attributes: attributes("path scale")},
				"room": {attributes: attributes("time_constant watts_per_kelvin usual")},
			},
		},
		"emergency_off": {
			named: true, many: true,
			attributes: attributes("kind cuts every ups oid active command"),
			blocks: map[string]*shape{
				"snmp": {attributes: attributes("address version community user auth auth_key priv priv_key timeout oid active")},
				"gpio": {attributes: attributes("chip line active bias")},
			},
		},
		"message": {
			named: true, many: true,
			attributes: attributes("severity codes gives_up command"),
			blocks: map[string]*shape{
				"webhook": {attributes: attributes("url headers template content_type certificate")},
				"mail":    {attributes: attributes("server from to user password tls certificate")},
			},
		},
		"host":  hostShape,
		"group": hostShape,
	}}
)

// renamed gives today's names of attributes that had others.
var renamed = map[string]string{"off_after": "cut_after", "on_after": "return_after"}

// everyAttribute lists the attributes of all blocks at the top of a file.
var everyAttribute = func() []string {
	var all []string
	for _, sh := range policyShape.blocks {
		all = append(all, sh.attributes...)
	}
	slices.Sort(all)
	return slices.Compact(all)
}()

// section is a block with those of its groups behind it: what the first layer
// does not say, the next may.
type section struct {
	kind   string
	name   string
	title  string // for people: `ssh in host "vault"`
	nameAt hcl.Range
	head   place // where something missing is reported
	layers []*hclsyntax.Block
	inner  []*section // in the order of the file
	// partial is a group by itself: its hosts may say the rest.
	partial bool
	broken  bool
}

// section checks a block against its shape and gives it without what does not
// belong.
func (l *loader) section(b *hclsyntax.Block, sh *shape, within string) *section {
	s := &section{kind: b.Type, layers: []*hclsyntax.Block{b}}
	s.head = place{b.DefRange(), b.Range()}
	s.title = b.Type
	s.partial = b.Type == "group"
	l.label(s, b, sh)
	if within != "" {
		s.title += " in " + within
	}
	for _, a := range inOrder(b.Body.Attributes) {
		if !slices.Contains(sh.attributes, a.Name) {
			l.strangeAttribute(s, sh, a)
		}
		if name := renamed[a.Name]; slices.Contains(sh.attributes, name) && b.Body.Attributes[name] == nil {
			b.Body.Attributes[name] = a // it is not missing, and its value may be wrong, too
		}
	}
	for _, in := range b.Body.Blocks {
		l.innerSection(s, sh, in)
	}
	return s
}

func (l *loader) innerSection(s *section, sh *shape, in *hclsyntax.Block) {
	p := place{in.TypeRange, s.head.block}
	child := sh.blocks[in.Type]
	switch {
	case child == nil:
		l.strangeBlock(p, sh, in.Type, s.title)
	case !child.many && s.one(in.Type) != nil:
		l.err(p, duplicateBlock, "The block %s is given twice in %s. Remove one of them.", in.Type, s.title)
	case len(s.inner) == maxInner:
		l.err(p, tooMuch, "A block holds at most %d others. Remove some from %s.", maxInner, s.title)
	default:
		c := l.section(in, child, s.title)
		c.partial = s.partial
		s.inner = append(s.inner, c)
	}
}

// label takes the name of a block and checks it.
func (l *loader) label(s *section, b *hclsyntax.Block, sh *shape) {
	want := 0
	if sh.named {
		want = 1
	}
	if len(b.Labels) != want {
		at := b.TypeRange
		if len(b.Labels) > want {
			at = b.LabelRanges[want]
		}
		write := fmt.Sprintf("Write %s { ... }.", b.Type)
		if sh.named {
			write = fmt.Sprintf("Write %s \"name\" { ... }.", b.Type)
		}
		l.err(place{at, b.Range()}, wrongLabels, "A block of this kind has %s. %s", [...]string{"no name", "one name"}[want], write)
	}
	if !sh.named || len(b.Labels) == 0 {
		return
	}
	s.name, s.nameAt = b.Labels[0], b.LabelRanges[0]
	s.title = fmt.Sprintf("%s %q", b.Type, s.name)
	if !ValidName(s.name) {
		l.err(place{s.nameAt, b.Range()}, invalidName, "A name has 1 to %d letters (a to z, A to Z), digits, \"-\", \"_\" or \".\", and begins with a letter or digit. Rename this %s.", maxNameBytes, b.Type)
	}
}

// ValidName tells whether a policy may use a name: it is fit for action names, file
// names and one-line records.
func ValidName(name string) bool {
	for i := range len(name) {
		c := name[i]
		alnum := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9'
		if !alnum && (i == 0 || !strings.ContainsRune("-_.", rune(c))) {
			return false
		}
	}
	return name != "" && len(name) <= maxNameBytes
}

func (l *loader) strangeAttribute(s *section, sh *shape, a *hclsyntax.Attribute) {
	p := place{a.NameRange, s.head.block}
	hint := l.meant(a.Name, sh.attributes)
	switch {
	case slices.Contains(sh.attributes, renamed[a.Name]):
		hint = fmt.Sprintf(" It is called %s now: write %s = ... instead.", renamed[a.Name], renamed[a.Name])
	case sh.blocks[a.Name] != nil:
		hint = fmt.Sprintf(" It is a block: write %s { ... } without \"=\".", a.Name)
	case hint == "":
		hint = known(" Known here: %s.", sh.attributes)
	}
	l.err(p, unknownAttr, "%s has no attribute %q.%s", s.title, a.Name, hint)
}

func (l *loader) strangeBlock(p place, sh *shape, kind, within string) {
	names := slices.Sorted(maps.Keys(sh.blocks))
	hint := l.meant(kind, names)
	switch {
	case hint != "":
	case slices.Contains(sh.attributes, kind):
		hint = fmt.Sprintf(" It is an attribute: write %s = value.", kind)
	case within == "" && len(homes(kind)) > 0:
		hint = fmt.Sprintf(" It belongs inside a block %s.", strings.Join(homes(kind), " or "))
	default:
		hint = known(" Known here: %s.", names)
	}
	if within == "" {
		within = "A policy"
	}
	l.err(p, unknownBlock, "%s has no block %q.%s", within, kind, hint)
}

// homes names the blocks at the top of a policy that have this attribute or
// block.
func homes(name string) []string {
	var in []string
	for _, kind := range slices.Sorted(maps.Keys(policyShape.blocks)) {
		sh := policyShape.blocks[kind]
		if sh.blocks[name] != nil || slices.Contains(sh.attributes, name) {
			in = append(in, kind)
		}
	}
	return in
}

// known lists what there is, when it is short enough to be of use.
func known(format string, names []string) string {
	names = slices.DeleteFunc(slices.Clone(names), func(n string) bool { return !ValidName(n) })
	if len(names) == 0 || len(names) > 20 {
		return ""
	}
	slices.Sort(names)
	return fmt.Sprintf(format, strings.Join(names, ", "))
}

// inOrder gives a body's attributes in the order of the file.
func inOrder(m hclsyntax.Attributes) []*hclsyntax.Attribute {
	return slices.SortedFunc(maps.Values(m), func(a, b *hclsyntax.Attribute) int {
		return cmp.Compare(a.NameRange.Start.Byte, b.NameRange.Start.Byte)
	})
}

// one gives the only block of a kind, or nil.
func (s *section) one(kind string) *section {
	for _, in := range s.inner {
		if in.kind == kind {
			return in
		}
	}
	return nil
}

// oneOrNone gives the only block of a kind, or one with nothing in it.
func (s *section) oneOrNone(kind string) *section {
	if in := s.one(kind); in != nil {
		return in
	}
	return &section{kind: kind, title: kind + " in " + s.title, head: s.head, partial: s.partial}
}

// all gives the blocks of a kind.
func (s *section) all(kind string) []*section {
	var out []*section
	for _, in := range s.inner {
		if in.kind == kind {
			out = append(out, in)
		}
	}
	return out
}

// over gives s with what the group says where s does not. The n-th block of a
// kind is completed by the group's n-th of that kind, or by its last; blocks of
// the group that complete none follow the own ones.
func (s *section) over(group *section) *section {
	out := *s
	out.layers = slices.Concat(s.layers, group.layers)
	out.inner = nil
	count := map[string]int{}
	for _, own := range s.inner {
		if others := group.all(own.kind); len(others) > 0 {
			own = own.over(others[min(count[own.kind], len(others)-1)])
		}
		count[own.kind]++
		out.inner = append(out.inner, own)
	}
	for _, other := range group.inner {
		if count[other.kind]--; count[other.kind] < 0 {
			out.inner = append(out.inner, other.movedTo(s))
		}
	}
	return &out
}

// movedTo gives a group's block as one of the host's own: what is missing in it
// is missing in the host.
func (s *section) movedTo(host *section) *section {
	out := *s
	out.head, out.partial = host.head, host.partial
	out.title = s.kind + " in " + host.title
	out.inner = nil
	for _, in := range s.inner {
		out.inner = append(out.inner, in.movedTo(&out))
	}
	return &out
}
