package electrical

import (
	"math"
	"math/bits"
	"slices"

	"ebbline/policy"
)

// Band is a figure that is known to lie between two.
type Band struct{ Low, High float64 }

// Plus adds a band to another.
func (b Band) Plus(c Band) Band { return Band{b.Low + c.Low, b.High + c.High} }

// Times gives so many of it.
func (b Band) Times(f float64) Band { return Band{b.Low * f, b.High * f} }

func most(a, b Band) Band { return Band{max(a.Low, b.Low), max(a.High, b.High)} }

// What is taken of a supply where nothing is stated.
const (
	leastPowerFactor = 0.90 // 80 PLUS asks for it at full load; lower at light load
	usualInrush      = 40   // A peak for a quarter cycle (server specification)
	// Charging takes 50 to 150 W for hours after an outage, of a UPS of 1 to 1.5 kVA
	// (from memory): the same part of another rating.
	chargeLow, chargeHigh = 0.04, 0.12
	chargeEfficiency      = 0.8 // of a charger and lead-acid together (common practice, no source)
	// TripsAt is by how many times its rating a breaker's magnetic part trips at the
	// least, r.m.s. (B curve of IEC 60898; common practice for others).
	TripsAt = 5
	// UnevenPercent is how far one line may be above the mean (common practice).
	UnevenPercent = 20
	// DropPercent is the guidance for a branch circuit (NEC 210.19, note 4).
	DropPercent = 3
)

// Branch is what a circuit or PDU carries: amperes of each line. Normal is with all
// feeds there, FeedLost the most when another feed has gone, After the most while
// batteries charge after an outage.
type Branch struct {
	Volts, Limit            float64 // and the amperes of one line that a load of hours may take
	Normal, FeedLost, After []Band
	Neutral                 Band
	Uneven                  float64 // percent of the most loaded line above the mean, by the high figures
	Unsaid                  bool    // something on it does not say on which line
	Drop                    Band    // percent of the voltage, of the most loaded line; zero where wire or length is not stated
	WireWatts               Band    // lost in it
	Together, Apart         float64 // peak amperes when all that starts with the power does at once, and one after the other
	Starters                int
}

// Worst is the most that the most loaded line carries in any state.
func (b *Branch) Worst() (worst Band) {
	for _, state := range [][]Band{b.Normal, b.FeedLost, b.After} {
		for _, line := range state {
			if line.High > worst.High {
				worst = line
			}
		}
	}
	return worst
}

// Supply is what a UPS carries at its output, in watts and volt-amperes, and takes
// from its input.
type Supply struct {
	Watts, LostWatts float64
	VA, LostVA       Band
	Loss             Band // conversion, in watts; Likely between
	Likely           float64
	Charge           Band // on top while the battery charges
	Nameplate        float64
	Together, Apart  float64 // as of a branch
	Starters         int
}

// Loading is a whole site.
type Loading struct {
	UPSs     []Supply // by the policy's order
	PDUs     []Branch
	Circuits []Branch
}

// state is one state of a site under reckoning: watts by UPS, and by line of each
// PDU and circuit amperes.
type state struct {
	p        *policy.Policy
	lost     int // UPS that has gone; -1 for none
	watts    []float64
	va       []Band
	pdus     [][]Band
	circuits [][]Band
}

// Load works out how a site is loaded. What its hosts draw is the policy's word.
func Load(p *policy.Policy) Loading {
	out := Loading{UPSs: make([]Supply, len(p.UPSs)), PDUs: make([]Branch, len(p.PDUs)), Circuits: make([]Branch, len(p.Circuits))}
	normal := newState(p, -1)
	normal.carry()
	for i := range p.UPSs {
		s := &out.UPSs[i]
		s.Watts, s.VA = normal.watts[i], normal.va[i]
		s.LostWatts, s.LostVA = s.Watts, s.VA
		s.Loss.Low, s.Likely, s.Loss.High = UPSLoss(&p.UPSs[i], s.Watts)
		s.Charge = Charging(&p.UPSs[i])
	}
	for i := range out.PDUs {
		d := &p.PDUs[i]
		out.PDUs[i] = Branch{Volts: d.Volts, Limit: limitOf(d.Volts, d.Amps, 1000*ContinuousPart), Normal: normal.pdus[i], FeedLost: slices.Clone(normal.pdus[i])}
	}
	normal.inputs(&out, false)
	after := newState(p, -1)
	after.carry()
	after.inputs(&out, true)
	for i := range out.Circuits {
		c := &p.Circuits[i]
		out.Circuits[i] = Branch{Volts: c.Volts, Limit: limitOf(c.Volts, c.Amps, float64(c.PartPermille)), Normal: normal.circuits[i],
			FeedLost: slices.Clone(normal.circuits[i]), After: after.circuits[i]}
	}
	shares := make([]bool, len(p.UPSs)) // something on it may have another supply
	for _, feeds := range feedsOf(p) {
		for _, u := range feeds {
			shares[u] = shares[u] || len(feeds) > 1 || len(p.PDUs) > 0
		}
	}
	for lost := range p.UPSs {
		if !shares[lost] {
			continue
		}
		s := newState(p, lost)
		s.carry()
		s.inputs(&out, false)
		for i := range s.watts {
			u := &out.UPSs[i]
			u.LostWatts, u.LostVA = max(u.LostWatts, s.watts[i]), most(u.LostVA, s.va[i])
		}
		raise(out.PDUs, s.pdus)
		raise(out.Circuits, s.circuits)
	}
	out.finish(p)
	return out
}

// feedsOf lists the feeds of every host and load.
func feedsOf(p *policy.Policy) (list [][]int) {
	for i := range p.Hosts {
		list = append(list, p.Hosts[i].FedBy)
	}
	for i := range p.Loads {
		list = append(list, p.Loads[i].FedBy)
	}
	return list
}

func raise(list []Branch, lines [][]Band) {
	for i := range list {
		for k := range list[i].FeedLost {
			list[i].FeedLost[k] = most(list[i].FeedLost[k], lines[i][k])
		}
	}
}

// limitOf is what one line of a branch may carry for hours. Under IEC rules there is
// no 80 %; a household socket of 16 A is good for some 10 A all the same.
func limitOf(volts, amps, partPermille float64) float64 {
	if RulesFor(volts) == IEC && partPermille < 1000 && amps <= 16 {
		return min(amps, HouseholdAmps)
	}
	limit, _ := Continuous(volts, amps, partPermille/1000)
	return limit
}

func newState(p *policy.Policy, lost int) *state {
	s := &state{p: p, lost: lost, watts: make([]float64, len(p.UPSs)), va: make([]Band, len(p.UPSs))}
	for i := range p.PDUs {
		s.pdus = append(s.pdus, make([]Band, p.PDUs[i].Lines))
	}
	for i := range p.Circuits {
		s.circuits = append(s.circuits, make([]Band, p.Circuits[i].Lines))
	}
	return s
}

// carry puts every host and load on what feeds it: in equal parts on all of its
// supplies that are there.
func (s *state) carry() {
	for i := range s.p.Hosts {
		h := &s.p.Hosts[i]
		m := h
		for m.RunsOn >= 0 {
			m = &s.p.Hosts[m.RunsOn] // a guest draws through its machine's plugs
		}
		s.put(float64(h.Watts), h.FedBy, &m.Plugged)
	}
	for i := range s.p.Loads {
		s.put(float64(s.p.Loads[i].Watts), s.p.Loads[i].FedBy, &s.p.Loads[i].Plugged)
	}
	for i := range s.p.Circuits {
		c := &s.p.Circuits[i]
		s.line(s.circuits[i], 0, c.Volts, apparent(float64(c.OtherWatts), 0))
	}
}

// apparent is a load's volt-amperes by its power factor, or by the least and the
// best there is.
func apparent(watts, powerFactor float64) Band {
	if powerFactor > 0 {
		return Band{watts / powerFactor, watts / powerFactor}
	}
	return Band{watts, watts / leastPowerFactor}
}

func (s *state) put(watts float64, feeds []int, plugs *policy.Plugged) {
	var ways []int // UPSs that are there, then circuits behind PDUs
	for _, f := range feeds {
		if f != s.lost {
			ways = append(ways, f)
		}
	}
	direct := 0
	for _, t := range plugs.Into {
		if s.p.PDUs[t.At].Circuit != nil {
			direct++
		}
	}
	n := float64(len(ways) + direct)
	if n == 0 {
		return // it has lost its power
	}
	va := apparent(watts/n, plugs.PowerFactor)
	for _, u := range ways {
		s.watts[u] += watts / n
		s.va[u] = s.va[u].Plus(va)
	}
	for _, t := range plugs.Into {
		d := &s.p.PDUs[t.At]
		if d.UPS >= 0 && d.UPS == s.lost {
			continue
		}
		share := va
		if d.UPS >= 0 { // several plugs on one UPS share what it gives
			same := 0
			for _, o := range plugs.Into {
				if s.p.PDUs[o.At].UPS == d.UPS {
					same++
				}
			}
			share = va.Times(1 / float64(same))
		}
		s.line(s.pdus[t.At], t.Lines, d.Volts, share)
		if d.Circuit != nil {
			c := d.Circuit
			lines := c.Lines
			if lines == 0 {
				lines = t.Lines
			}
			s.line(s.circuits[c.At], lines, s.p.Circuits[c.At].Volts, share)
		}
	}
}

// line adds a load to lines: all of it on one, between two at the voltage between
// them, or shared out where nothing is stated.
func (s *state) line(lines []Band, on uint8, volts float64, va Band) {
	if on == 0 || len(lines) == 1 {
		for k := range lines {
			lines[k] = lines[k].Plus(va.Times(1 / (volts * float64(len(lines)))))
		}
		return
	}
	n := bits.OnesCount8(on)
	across := volts * float64(n) // two legs of a split phase, or three phases together
	if n == 2 && len(lines) == 3 {
		across = volts * math.Sqrt(3)
	}
	for k := range lines {
		if on&(1<<k) != 0 {
			lines[k] = lines[k].Plus(va.Times(1 / across))
		}
	}
}

// inputs puts what UPSs take on their circuits.
func (s *state) inputs(out *Loading, charging bool) {
	for i := range s.p.UPSs {
		u := &s.p.UPSs[i]
		if u.Circuit == nil || i == s.lost {
			continue
		}
		low, _, high := UPSLoss(u, s.watts[i])
		va := s.va[i].Plus(Band{low, high / leastPowerFactor})
		if charging {
			c := Charging(u)
			va = va.Plus(Band{c.Low, c.High / leastPowerFactor})
		}
		s.line(s.circuits[u.Circuit.At], u.Circuit.Lines, s.p.Circuits[u.Circuit.At].Volts, va)
	}
}

// UPSLoss is what a UPS loses at a load, in watts: by the efficiency that its policy
// states, else by its class, or between the best and the worst class where it does not
// state one either.
func UPSLoss(u *policy.UPS, watts float64) (low, likely, high float64) {
	if u.NormalPermille > 0 {
		_, loss := InputWatts(watts, float64(u.NormalPermille)/1000)
		return loss, loss, loss
	}
	if u.Class != 0 {
		return LossRange(u.Class.String(), watts, float64(u.RatedWatts))
	}
	low, likely, _ = LossRange("VFD", watts, float64(u.RatedWatts))
	_, other, high := LossRange("VFI", watts, float64(u.RatedWatts))
	return low, (likely + other) / 2, high
}

// Charging is what a UPS takes on top while its battery charges after an outage.
func Charging(u *policy.UPS) Band {
	b := &u.Battery
	if hours, wh := b.RechargeHours, b.Volts*b.AmpHours; hours > 0 && wh > 0 {
		w := 0.9 * wh / hours / chargeEfficiency // to 90 %
		return Band{w, 1.5 * w}                  // more at first
	}
	return Band{chargeLow * float64(u.RatedWatts), chargeHigh * float64(u.RatedWatts)}
}

// finish works out what follows from the amperes.
func (l *Loading) finish(p *policy.Policy) {
	for i := range p.PDUs {
		l.PDUs[i].settle()
	}
	for i := range p.Circuits {
		c, b := &p.Circuits[i], &l.Circuits[i]
		b.settle()
		if w, ok := ConductorOf(c.Wire); ok && c.Metres > 0 {
			worst, ohms := b.Worst(), w.Ohms(c.Metres)
			b.Drop = worst.Times(100 * ohms / c.Volts)
			for _, line := range b.Normal { // each line loses in its own conductor and, alone, in the neutral
				b.WireWatts.Low += Dissipated(line.Low, ohms/2)
				b.WireWatts.High += Dissipated(line.High, ohms)
			}
			if len(b.Normal) == 1 {
				b.WireWatts.Low = Dissipated(b.Normal[0].Low, ohms)
			}
		}
	}
	l.inrush(p)
	for i := range p.Hosts {
		for _, u := range p.Hosts[i].FedBy {
			l.UPSs[u].Nameplate += float64(p.Hosts[i].NameplateWatts) / float64(len(p.Hosts[i].FedBy))
		}
	}
}

func (b *Branch) settle() {
	var low, high []float64
	for _, line := range b.Normal {
		low, high = append(low, line.Low), append(high, line.High)
	}
	if len(high) > 1 {
		b.Neutral = Band{NeutralAmps(low...), NeutralAmps(high...)}
		b.Uneven = Unbalance(high...)
	}
}

// inrush adds the peaks of what starts with the power: hosts that nothing else
// starts, and loads. One after the other, each comes on beside what runs by then.
func (l *Loading) inrush(p *policy.Policy) {
	ups := make([][]float64, len(p.UPSs))
	pdus := make([][]float64, len(p.PDUs))
	add := func(feeds []int, plugs *policy.Plugged, starts bool) {
		peak := plugs.InrushAmps
		if peak == 0 {
			peak = usualInrush
		}
		if !starts {
			return
		}
		for _, u := range feeds {
			ups[u] = append(ups[u], peak)
		}
		for _, t := range plugs.Into {
			pdus[t.At] = append(pdus[t.At], peak)
		}
	}
	draws := make([]int64, len(p.Hosts)) // with guests; one that is off draws nothing
	for i := range p.Hosts {
		m := i
		for p.Hosts[m].RunsOn >= 0 {
			m = p.Hosts[m].RunsOn
		}
		draws[m] += p.Hosts[i].Watts
	}
	for i := range p.Hosts {
		h := &p.Hosts[i]
		add(h.FedBy, &h.Plugged, h.RunsOn < 0 && draws[i] > 0 && (len(h.Starts) == 0 || h.StaysUp))
	}
	for i := range p.Loads {
		add(p.Loads[i].FedBy, &p.Loads[i].Plugged, p.Loads[i].InrushAmps > 0)
	}
	circuits := make([][]float64, len(p.Circuits))
	for i := range p.UPSs {
		s := &l.UPSs[i]
		s.Starters = len(ups[i])
		s.Together, s.Apart = Inrush(ups[i], 0)
		if c := p.UPSs[i].Circuit; c != nil {
			circuits[c.At] = append(circuits[c.At], ups[i]...)
			s.Apart += math.Sqrt2 * s.VA.High / p.Circuits[c.At].Volts
		}
	}
	for i := range p.PDUs {
		b := &l.PDUs[i]
		b.Starters = len(pdus[i])
		b.Together, b.Apart = Inrush(pdus[i], math.Sqrt2*b.Worst().High)
		if c := p.PDUs[i].Circuit; c != nil {
			circuits[c.At] = append(circuits[c.At], pdus[i]...)
		}
	}
	for i := range p.Circuits {
		b := &l.Circuits[i]
		b.Starters = len(circuits[i])
		b.Together, b.Apart = Inrush(circuits[i], math.Sqrt2*b.Worst().High)
	}
}

// Unbalanced tells whether one line carries notably more than the others: more than
// [UnevenPercent] above their mean, and a quarter of what it may carry.
func (b *Branch) Unbalanced() bool {
	worst := Band{}
	for _, line := range b.Normal {
		worst = most(worst, line)
	}
	return b.Uneven > UnevenPercent && worst.High > b.Limit/4
}

// Trips tells whether a peak may trip a breaker of so many amperes.
func Trips(peak, breakerAmps float64) bool { return peak > math.Sqrt2*TripsAt*breakerAmps }
