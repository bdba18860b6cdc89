package load

import (
	"fmt"
	"strings"

	"ebbline/policy"
	"ebbline/policy/electrical"
)

// expert ends every warning about wiring.
const expert = "Local code and a licensed electrician decide; this counts only what the policy names."

// branchRisks warns of how circuits, PDUs and UPSs are loaded.
func (l *loader) branchRisks(p *policy.Policy) {
	load := electrical.Load(p)
	for i := range p.Circuits {
		c, s := &p.Circuits[i], l.index.sections["circuit "+p.Circuits[i].Name]
		b := &load.Circuits[i]
		l.overload(s, b, overCircuit, c.Amps, c.Lines)
		l.uneven(s, b, c.Lines)
		l.inrushRisk(s, b, c.Amps, p.Site.Restore.Stagger.Seconds())
		if b.Drop.High > electrical.DropPercent {
			l.warn(l.get(s, "wire").at(), longWire, "At its load the voltage falls by %s %% along %s, more than the %d %% that is guidance for a branch circuit. Falling voltage makes supplies draw more current. A thicker wire, a shorter way or twice the voltage mends it. %s", span(b.Drop), s.title, electrical.DropPercent, expert)
		}
	}
	for i := range p.PDUs {
		s := l.index.sections["pdu "+p.PDUs[i].Name]
		b := &load.PDUs[i]
		l.overload(s, b, overPDU, p.PDUs[i].Amps, p.PDUs[i].Lines)
		l.uneven(s, b, p.PDUs[i].Lines)
		l.inrushRisk(s, b, p.PDUs[i].Amps, p.Site.Restore.Stagger.Seconds())
	}
	for i := range p.UPSs {
		u, x := &p.UPSs[i], &load.UPSs[i]
		s := l.declared["ups "+u.Name]
		if va := x.LostVA; u.RatedVA > 0 && va.High > float64(u.RatedVA) {
			l.warn(l.get(s, "rated_va").at(), overVA, "At the worst %s carries %.0f watts, which by their power factor are %s volt-amperes, and it is rated for %d: the larger percentage binds. Measure the power factor and write it into the hosts, or move something elsewhere.", s.title, x.LostWatts, span(va), u.RatedVA)
		}
	}
	for i := range p.Hosts {
		h, s := &p.Hosts[i], l.hosts[i].s
		l.nameplateRisk(s, h.Watts, h.NameplateWatts)
	}
	for i := range p.Loads {
		l.nameplateRisk(l.loads[i].s, p.Loads[i].Watts, p.Loads[i].NameplateWatts)
	}
}

// span writes a band without false digits.
func span(b electrical.Band) string {
	form := "%.0f"
	if b.High < 100 {
		form = "%.1f"
	}
	low, high := fmt.Sprintf(form, b.Low), fmt.Sprintf(form, b.High)
	if low == high {
		return low
	}
	return low + " to " + high
}

// overload tells of the first state in which a line carries too much.
func (l *loader) overload(s *section, b *electrical.Branch, summary string, amps float64, lines int) {
	at := l.get(s, "amps").at()
	of := func(k int) string {
		if lines == 1 {
			return s.title
		}
		return fmt.Sprintf("line L%d of %s", k+1, s.title)
	}
	rule := fmt.Sprintf("of its %g A a load of three hours or more may take %g (80 %%, unless the whole assembly is listed for all of it: then write breaker = \"100%%\")", amps, b.Limit)
	if electrical.RulesFor(b.Volts) == electrical.IEC {
		rule = fmt.Sprintf("%g A for hours is the sensible limit (household sockets of 16 A heat up; common practice, no rule)", b.Limit)
	}
	for _, state := range []struct {
		lines []electrical.Band
		when  string
	}{
		{b.Normal, "With all feeds there"}, {b.After, "While batteries charge after an outage"}, {b.FeedLost, "When another feed is lost"},
	} {
		for k, line := range state.lines {
			if line.High <= b.Limit {
				continue
			}
			verb := "carries"
			if line.Low <= b.Limit {
				verb = "may carry"
			}
			next := "Move something to another circuit."
			if _, larger := electrical.BreakerFor(line.High); larger > 0 && electrical.RulesFor(b.Volts) == electrical.NEC {
				next = fmt.Sprintf("Move something to another circuit; one for this load has a breaker of %g A and the wire for it, never a larger breaker on the same wire.", larger)
			}
			l.warn(at, summary, "%s %s %s %s A, and %s. %s %s", state.when, of(k), verb, span(line), rule, next, expert)
			return
		}
	}
}

func (l *loader) uneven(s *section, b *electrical.Branch, lines int) {
	if !b.Unbalanced() {
		return
	}
	var each []string
	for k, line := range b.Normal {
		each = append(each, fmt.Sprintf("L%d %s A", k+1, span(line)))
	}
	l.warn(s.head, unbalanced, "The lines of %s carry %s: the most loaded is %.0f %% above their mean, and the neutral carries %s A. Move something from it to the others. %s", s.title, strings.Join(each, ", "), b.Uneven, span(b.Neutral), expert)
}

func (l *loader) inrushRisk(s *section, b *electrical.Branch, amps, stagger float64) {
	if !electrical.Trips(b.Together, amps) || b.Starters < 2 {
		return
	}
	l.warn(s.head, highInrush, "When the power comes back %d supplies on %s start with it, with a peak of %.0f A together for a quarter of a cycle; a breaker of %g A may trip from about %.0f A on. One after the other it is %.0f A. Let them be started (wake, bmc or outlet: %g s apart by stagger), or by a PDU that staggers. %s",
		b.Starters, s.title, b.Together, amps, 1.414*electrical.TripsAt*amps, b.Apart, stagger, expert)
}

// nameplateRisk warns of watts that are copied from a label.
func (l *loader) nameplateRisk(s *section, watts, plate int64) {
	switch f := l.get(s, "watts"); {
	case plate == 0:
	case watts > plate:
		l.warn(f.own(), nameplate, "%s draws %d watts by this policy, and its nameplate says %d at the most. Measure it, or copy the label again.", s.title, watts, plate)
	case watts == plate:
		l.warn(f.own(), nameplate, "watts of %s is its nameplate's. What a machine really draws is mostly 40 to 77 %% of that: measure it, for every forecast rests on it.", s.title)
	}
}
