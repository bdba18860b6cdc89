// Package load reads the policy language: HCL files in, a [policy.Policy] and
// diagnostics that point into the files out. It is given bytes and never opens
// a file, reads a clock or sees the value of a secret, and no message of it
// quotes what was written where a secret belongs.
//
// A policy is whole or absent: with any error there is none. All that is wrong
// is said in one pass, in this order of work: the bytes (source.go), the shape
// of blocks (grammar.go), values (value.go, field.go), the things themselves
// (site.go, ups.go, host.go), names and what follows from them (resolve.go),
// and what is risky though allowed (risk.go).
package load

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"

	"ebbline/policy"
)

// File is one policy file: the name that messages call it, and its contents.
type File struct {
	Name  string
	Bytes []byte
}

// Options are what the files do not say.
type Options struct {
	// Site chooses one of several sites that share a folder; "" when there is
	// one.
	Site string
	// Secret says why a secret cannot be read; nil means that nobody asks. Its
	// error must not hold the value.
	Secret func(name string) error
	// Codes are what a message may be about; nil means that nobody asks.
	Codes []string
	// Template says what is wrong with the template of a message, and in which of
	// its lines, counted from 1; nil means that nobody asks.
	Template func(text, contentType string) (line int, err error)
}

// Load reads the files of a policy. With any error the policy is nil; the
// index covers what could be read, and is never nil.
func Load(files []File, opt Options) (*policy.Policy, *Index, hcl.Diagnostics) {
	l := newLoader(opt)
	mine, ok := l.choose(l.sources(files), opt.Site)
	if !ok {
		return nil, l.index, l.sorted()
	}
	for _, s := range mine {
		l.collect(s)
	}
	l.readAll()
	l.resolve()
	if l.failed() {
		return nil, l.index, l.sorted()
	}
	p := l.finished(mine)
	l.risks(p)
	return p, l.index, l.sorted()
}

// Sites lists the names of the sites in the files, sorted. Files that cannot
// be read have none; [Load] says why.
func Sites(files []File) []string {
	var names []string
	for _, f := range files {
		if s := parse(f); s.site != "" {
			names = append(names, s.site)
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// loader holds what is known while a policy is read.
type loader struct {
	evaluator
	index      *Index
	references int // so far, see maxReferences

	declared map[string]*section // by space and name; hosts and loads share a space
	sections map[string][]*section
	groups   map[string]*group

	opt   Options
	site  policy.Site
	upss  []policy.UPS
	loads []*loadDraft
	hosts []*hostDraft
	parts []*hostDraft // groups by themselves, for the names in them
	unfed *section     // the agent's own host when no UPS feeds it: it is no part of the policy, for an outage does not touch it

	messages []policy.Message
	circuits []policy.Circuit
	pdus     []*pduDraft
	taps     []circuitOf

	temperatures []*temperatureDraft
	emergencies  []*emergencyDraft
}

func newLoader(opt Options) *loader {
	return &loader{
		evaluator: evaluator{
			report:    &report{},
			variables: map[string]*variable{},
			known:     map[*hclsyntax.Attribute]cached{},
			readable:  opt.Secret,
			secrets:   map[string]error{},
		},
		opt:      opt,
		index:    &Index{map[string]*section{}},
		declared: map[string]*section{},
		sections: map[string][]*section{},
		groups:   map[string]*group{},
	}
}

// sources parses the files in the order of their names.
func (l *loader) sources(files []File) []*source {
	files = slices.SortedFunc(slices.Values(files), func(a, b File) int { return cmp.Compare(a.Name, b.Name) })
	size := 0
	var all []*source
	for _, f := range files {
		if size += min(len(f.Bytes), MaxFileBytes); size > MaxPolicyBytes {
			l.err(place{at: position(f, 0)}, tooMuch, "The files of the policy have more than %d bytes together. Keep only those of one policy in the folder.", MaxPolicyBytes)
			l.incomplete = true
			break
		}
		all = append(all, parse(f))
	}
	return all
}

// choose gives the files of one site: those with its block and those with none.
func (l *loader) choose(sources []*source, want string) ([]*source, bool) {
	var names []string
	for _, s := range sources {
		if s.site != "" {
			names = append(names, s.site)
		}
	}
	slices.Sort(names)
	names = slices.Compact(names)
	several := want == "" && len(names) > 1
	if want == "" && len(names) == 1 {
		want = names[0]
	}
	var mine []*source
	for _, s := range sources {
		if s.site != "" && s.site != want && !several {
			continue
		}
		mine = append(mine, s)
		l.incomplete = l.incomplete || s.incomplete
		for _, d := range s.diags {
			l.add(d)
		}
	}
	if len(sources) == 0 {
		l.add(&hcl.Diagnostic{Severity: hcl.DiagError, Summary: noPolicy,
			Detail: "There is no policy file. Name one, or a folder with files that end in .hcl; `ebbline init` writes a first one."})
		return nil, false
	}
	top := place{at: position(sources[0].file, 0)}
	switch {
	case several:
		l.err(top, severalSites, "These files hold several sites: %s. Say which one is meant.", quoted(names))
		return nil, false
	case want != "" && !slices.Contains(names, want) && !l.incomplete:
		l.err(top, unknownSite, "No site %q is in these files.%s%s", want, l.meant(want, names), known(" There are: %s. Choose one of them.", names))
		return nil, false
	case want == "" && !l.incomplete:
		l.err(top, noSite, "No file has a site block, which names the site and begins a policy. Write site \"name\" { }.")
	}
	return mine, true
}

// collect takes the blocks at the top of a file.
func (l *loader) collect(s *source) {
	for _, a := range s.loose {
		hint := l.meant(a.Name, everyAttribute)
		switch in := homes(a.Name); {
		case len(in) > 0:
			hint = fmt.Sprintf(" It belongs inside a block %s.", strings.Join(in, " or "))
		case policyShape.blocks[a.Name] != nil:
			hint = fmt.Sprintf(" It is a block: write %s \"name\" { ... } without \"=\".", a.Name)
		case hint == "":
			hint = " Write it inside a block."
		}
		l.err(place{a.NameRange, a.SrcRange}, unknownAttr, "At the top of a file there are only blocks, and %q is an attribute.%s", a.Name, hint)
	}
	for _, it := range s.items {
		if sh := policyShape.blocks[it.Type]; sh == nil {
			l.strangeBlock(place{it.TypeRange, it.Range()}, policyShape, it.Type, "")
		} else {
			l.declare(l.topSection(it, sh))
		}
	}
}

func (l *loader) topSection(it item, sh *shape) *section {
	if !it.broken {
		return l.section(it.Block, sh, "")
	}
	s := &section{kind: it.Type, title: it.Type, broken: true, layers: []*hclsyntax.Block{it.Block}}
	s.head = place{it.DefRange(), it.Range()}
	if len(it.Labels) > 0 {
		s.name, s.nameAt = it.Labels[0], it.LabelRanges[0]
		s.title = fmt.Sprintf("%s %q", s.kind, s.name)
	}
	return s
}

// most is how many blocks of a kind a policy may have.
var most = map[string]int{"site": 1, "variable": maxVariables, "ups": maxUPSs, "host": maxHosts, "load": maxLoads, "group": maxHosts, "circuit": maxCircuits, "pdu": maxCircuits, "message": maxMessages, "temperature": maxSensors, "emergency_off": maxSensors}

func (l *loader) declare(s *section) {
	space := s.kind
	if space == "load" {
		space = "host" // depends_on names either
	}
	if s.kind == "circuit" {
		space = "ups" // fed_by of a PDU names either
	}
	first := l.declared[space+" "+s.name]
	switch {
	case s.kind == "site" && len(l.sections["site"]) > 0:
		l.err(s.head, duplicateBlock, "The site is declared already (%s). Remove one of the two, or give this one another name and a file of its own.", where(l.sections["site"][0].head.at))
	case first != nil && s.name != "":
		l.err(place{s.nameAt, s.head.block}, duplicateName, "%s is declared already (%s)%s. Rename one of them.", first.title, where(first.nameAt), sharing(first, s))
	case len(l.sections[s.kind]) > most[s.kind]:
		// Said of the first that is too many.
	default:
		if len(l.sections[s.kind]) == most[s.kind] {
			l.err(s.head, tooMuch, "A policy has at most %d blocks of the kind %s. Remove some.", most[s.kind], s.kind)
		}
		l.declared[space+" "+s.name] = s
		l.sections[s.kind] = append(l.sections[s.kind], s)
		l.index.sections[s.kind+" "+s.name] = s
	}
}

func sharing(a, b *section) string {
	switch {
	case a.kind == b.kind:
	case a.kind == "circuit" || b.kind == "circuit":
		return ", and a PDU's fed_by could not tell them apart"
	default:
		return ", and depends_on could not tell them apart"
	}
	return ""
}

// where writes a place for a text.
func where(r hcl.Range) string { return fmt.Sprintf("%s:%d", r.Filename, r.Start.Line) }

// readAll turns sections into what they describe; names in them stay names.
func (l *loader) readAll() {
	for _, s := range l.sections["variable"] {
		l.variables[s.name] = &variable{s: s}
		l.names = append(l.names, s.name)
	}
	for _, s := range l.sections["variable"] {
		l.variable(l.variables[s.name], s.head.at)
	}
	for _, s := range l.sections["site"] {
		l.readSite(s)
	}
	for _, s := range l.sections["circuit"] {
		l.readCircuit(s)
	}
	for _, s := range l.sections["pdu"] {
		l.readPDU(s)
	}
	for _, s := range l.sections["ups"] {
		l.upss = append(l.upss, l.ups(s))
	}
	for _, s := range l.sections["load"] {
		l.readLoad(s)
	}
	for _, s := range l.sections["message"] {
		l.readMessage(s)
	}
	for _, s := range l.sections["temperature"] {
		l.readTemperature(s)
	}
	for _, s := range l.sections["emergency_off"] {
		l.readEmergency(s)
	}
	l.readGroups()
	for _, s := range l.sections["host"] {
		l.readHost(s)
	}
	if sites := l.sections["site"]; len(l.sections["ups"]) == 0 && len(sites) > 0 && !l.failed() { // a mistake in the syntax may have swallowed it
		l.err(sites[0].head, noUPS, "The policy declares no UPS, so there is nothing to watch. Write ups \"name\" { ... } with its rated_watts, its battery, and snmp or hid.")
	}
}

// finished puts the policy together.
func (l *loader) finished(files []*source) *policy.Policy {
	p := &policy.Policy{Site: l.site, UPSs: l.upss, Messages: l.messages}
	for _, d := range l.loads {
		p.Loads = append(p.Loads, d.Load)
	}
	for _, h := range l.hosts {
		p.Hosts = append(p.Hosts, h.Host)
	}
	p.Circuits = l.circuits
	for _, d := range l.pdus {
		p.PDUs = append(p.PDUs, d.PDU)
	}
	for _, d := range l.temperatures {
		p.Temperatures = append(p.Temperatures, d.Temperature)
	}
	for _, d := range l.emergencies {
		p.Emergencies = append(p.Emergencies, d.Emergency)
	}
	sum := sha256.New()
	for _, s := range files {
		sum.Write(s.file.Bytes)
	}
	p.Fingerprint = hex.EncodeToString(sum.Sum(nil))
	return p
}

// Index says where things stand in the files, for what is found out later: a
// plan that does not fit still points at a line.
type Index struct {
	sections map[string]*section // "kind name"
}

// At gives the place of a "site", "ups", "host", "load", "circuit", "pdu",
// "temperature" or "emergency_off" by its name, and of
// one of its attributes ("watts", "battery.chart") or blocks ("battery"). An
// attribute that nobody wrote is where its block begins; false means that there
// is no such thing.
func (x *Index) At(kind, name, attribute string) (hcl.Range, bool) {
	s := x.sections[kind+" "+name]
	if s == nil {
		return hcl.Range{}, false
	}
	for attribute != "" {
		first, rest, _ := strings.Cut(attribute, ".")
		for _, layer := range s.layers {
			if a := layer.Body.Attributes[first]; a != nil {
				return a.SrcRange, true
			}
		}
		in := s.one(first)
		if in == nil {
			break
		}
		s, attribute = in, rest
	}
	return s.head.at, true
}
