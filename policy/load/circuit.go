package load

import (
	"cmp"
	"slices"
	"strings"

	"ebbline/policy"
	"ebbline/policy/electrical"
)

// pduDraft is a PDU whose feed is still a name.
type pduDraft struct {
	policy.PDU
	s    *section
	feed *word
	said bool // its own volts
}

// circuitOf is a UPS's circuit, still a name.
type circuitOf struct {
	ups *section
	w   word
}

const feetPerMetre = electrical.FeetPerKm / 1000

func (l *loader) readCircuit(s *section) {
	c := policy.Circuit{Name: s.name, Lines: 1, PartPermille: 1000 * electrical.ContinuousPart}
	if !s.broken {
		c.Volts = l.get(s, "volts").need().number(90, 700, 120)
		c.Amps = l.get(s, "amps").need().number(1, 1000, 20)
		c.Lines = int(l.get(s, "lines").whole(1, 3, 1))
		if l.get(s, "breaker").choice("80%", "100%") == "100%" {
			c.PartPermille = 1000
		}
		f := l.get(s, "wire")
		if c.Wire = f.raw(); c.Wire != "" {
			var sizes []string
			for _, w := range electrical.Conductors {
				sizes = append(sizes, w.Size)
			}
			if !slices.Contains(sizes, c.Wire) {
				f.bad(unknownWire, "wire of %s cannot be %q.%s Known: %s, of copper.", s.title, c.Wire, l.meant(c.Wire, sizes), strings.Join(sizes, ", "))
			}
		}
		c.Metres = l.get(s, "length_metres").number(0.1, 10_000, 0)
		if f := l.get(s, "length_feet"); f.ok && c.Metres > 0 {
			f.bad(chooseOne, "%s has its length in metres and in feet. Keep one of them.", s.title)
		} else if f.ok {
			c.Metres = f.number(0.3, 30_000, 0) / feetPerMetre
		}
		c.OtherWatts = l.get(s, "other_watts").watts(0, 0)
	}
	l.circuits = append(l.circuits, c)
}

func (l *loader) readPDU(s *section) {
	d := &pduDraft{s: s, PDU: policy.PDU{Name: s.name, UPS: -1, Lines: 1}}
	l.pdus = append(l.pdus, d)
	if s.broken {
		return
	}
	d.feed = l.get(s, "fed_by").need().word()
	f := l.get(s, "volts")
	d.Volts, d.said = f.number(90, 700, 0), f.ok
	d.Amps = l.get(s, "amps").need().number(1, 1000, 20)
	d.Lines = int(l.get(s, "lines").whole(1, 3, 1))
}

// plugged reads what a host or load says of its plugs.
func (l *loader) plugged(s *section) (policy.Plugged, []word) {
	return policy.Plugged{
		NameplateWatts: l.get(s, "nameplate_watts").watts(1, 0),
		PowerFactor:    l.get(s, "power_factor").number(0.3, 1, 0),
		InrushAmps:     l.get(s, "inrush_amps").number(0, 10_000, 0),
	}, l.get(s, "plugged_into").words("the name of a PDU in quotes, with \":L1\" behind it where it has several lines")
}

// resolveBranches sorts circuits and PDUs and turns the names in them and in UPSs
// into places.
func (l *loader) resolveBranches() {
	slices.SortFunc(l.circuits, func(a, b policy.Circuit) int { return cmp.Compare(a.Name, b.Name) })
	slices.SortFunc(l.pdus, func(a, b *pduDraft) int { return cmp.Compare(a.Name, b.Name) })
	for _, t := range l.taps {
		if i, ok := l.upsAt(t.ups.name); ok {
			l.upss[i].Circuit = l.circuitTap(t.w)
		}
	}
	for _, d := range l.pdus {
		if d.feed == nil {
			continue
		}
		if i, ok := l.upsAt(d.feed.text); ok {
			d.UPS = i
			if c := l.upss[i].Circuit; !d.said && c != nil {
				d.Volts = l.circuits[c.At].Volts
			}
		} else if name, _, _ := strings.Cut(d.feed.text, ":"); l.index.sections["circuit "+name] == nil {
			l.unknown(*d.feed, unknownUPS, "UPS or circuit", []string{"ups", "circuit"})
		} else if d.Circuit = l.circuitTap(*d.feed); d.Circuit != nil && !d.said {
			d.Volts = l.circuits[d.Circuit.At].Volts
		}
		if d.Volts == 0 && !d.said && (d.UPS >= 0 || d.Circuit != nil) {
			l.err(d.s.head, missingAttr, "%s has no volts, and no circuit behind it says them. Write volts = 120, or what it is.", d.s.title)
		}
	}
}

func (l *loader) circuitTap(w word) *policy.Tap {
	name, line, _ := strings.Cut(w.text, ":")
	i, ok := slices.BinarySearchFunc(l.circuits, name, func(c policy.Circuit, n string) int { return cmp.Compare(c.Name, n) })
	if !ok {
		w.text = name
		l.unknown(w, unknownCircuit, "circuit", []string{"circuit"})
		return nil
	}
	return l.tap(w, line, i, l.circuits[i].Lines)
}

// plugs turns names of PDUs into places.
func (l *loader) plugs(words []word) []policy.Tap {
	var out []policy.Tap
	for _, w := range words {
		name, line, _ := strings.Cut(w.text, ":")
		i, ok := slices.BinarySearchFunc(l.pdus, name, func(d *pduDraft, n string) int { return cmp.Compare(d.Name, n) })
		if !ok {
			w.text = name
			l.unknown(w, unknownPDU, "PDU", []string{"pdu"})
		} else if t := l.tap(w, line, i, l.pdus[i].Lines); t != nil {
			out = append(out, *t)
		}
	}
	return out
}

// tap reads the lines behind a name: "L1", or "L1-L2" for a load between two.
func (l *loader) tap(w word, line string, at, lines int) *policy.Tap {
	t := &policy.Tap{At: at}
	if lines == 1 && line == "" {
		t.Lines = 1
		return t
	}
	if line == "" {
		return t
	}
	for _, part := range strings.Split(line, "-") {
		k := slices.Index([]string{"L1", "L2", "L3"}[:lines], part)
		if k < 0 || t.Lines&(1<<k) != 0 {
			l.err(w.at, badLine, "%q names no line of it: there %s. Write \":L1\" behind the name, or \":L1-L2\" for a load between two lines.", w.text,
				[...]string{"", "is L1 alone", "are L1 and L2", "are L1, L2 and L3"}[lines])
			return nil
		}
		t.Lines |= 1 << k
	}
	return t
}

// checkPlugs makes sure that plugs and feeds tell one story.
func (l *loader) checkPlugs(s *section, feeds []int, into []policy.Tap, words []word) {
	if len(into) != len(words) || s.broken {
		return
	}
	for k, t := range into {
		d := l.pdus[t.At]
		if d.UPS >= 0 && !slices.Contains(feeds, d.UPS) {
			l.err(words[k].at, plugElsewhere, "%s is plugged into PDU %q, which hangs on UPS %q, and its fed_by does not name that UPS. Add it there, or name the PDU that it is really plugged into.", s.title, d.Name, l.upss[d.UPS].Name)
		}
	}
}
