package survey

import (
	"cmp"
	"math"
	"slices"
	"time"

	"ebbline/policy"
	"ebbline/policy/electrical"
	"ebbline/shutdown/battery"
	"ebbline/simulate"
)

// What is left over, so that a UPS that suffices today does so for years.
const (
	// LoadPart is the part of a rating that the worst load may take (common practice,
	// no source).
	LoadPart = 0.8
	// DesignMargin is on a battery's size for what nobody has thought of (IEEE 485, 10
	// to 15 %, from memory); that it is counted on down to [battery.Replace] of a new
	// one's capacity comes on top.
	DesignMargin = 1.10

	leastScale, mostScale = 1.0 / 64, 64
	scaleStep             = 1.02 // to which a size is found
)

// Size is what one UPS must be for every promise, and what it is.
type Size struct {
	UPS               int
	Watts             float64 // its load at the worst: all that it may have to carry
	VA                electrical.Band
	NeedWatts, NeedVA float64
	RatedEnough       bool          // 0 VA stated counts as none
	Scale             float64       // of a battery such as the policy describes, new
	LabelWh, OutputWh float64       // of that: as on the label, and at the output (0 label where it is not stated)
	HasLabelWh, HasWh float64       // the same of what it has now: new, less what tests and age took
	Low, Likely, High time.Duration // of it, new, at its load with all feeds there
	BatteryEnough     bool
}

// Sizing is the answer for a site.
type Sizing struct {
	Kept   int      // promises kept as it is
	All    int      // hosts with a promised time
	Fits   bool     // the plan as it is
	Sizes  []Size   // by the policy's order; empty where no battery keeps all
	Broken []string // then: hosts whose promise no battery keeps
	Unfit  bool     // or no plan fits at all
	Splits []Split
}

// fresh is the policy with batteries as new as on the day.
func fresh(p *policy.Policy, day int64) *policy.Policy {
	q := *p
	q.UPSs = slices.Clone(p.UPSs)
	for i := range q.UPSs {
		b := &q.UPSs[i].Battery
		b.InstalledDay = day
		if b.Model != nil {
			m := *b.Model
			m.FittedDay, b.Model = day, &m
		}
	}
	return &q
}

// scene is the question to the core with batteries of other sizes, at the end of
// their life and with the margin taken off.
func scene(p *policy.Policy, day int64, scales []float64) *simulate.Scene {
	c := &simulate.Scene{Policy: p, Day: day}
	for i, s := range scales {
		c = c.Scaled(simulate.Scale{UPS: i, Battery: s * battery.Replace / DesignMargin, Size: 1})
	}
	return c
}

// keptBy counts the promises that a plan keeps.
func keptBy(a *simulate.Answer) (kept, all int, broken []string) {
	for k := range a.Stays {
		h := &a.Scene.Policy.Hosts[k]
		if h.KeepFor == 0 || !a.Stays[k].Planned {
			continue
		}
		all++
		if a.Stays[k].Kept {
			kept++
		} else {
			broken = append(broken, h.Name)
		}
	}
	return kept, all, broken
}

func keepsAll(a *simulate.Answer) bool {
	kept, all, _ := keptBy(a)
	return a.Fits && kept == all
}

// NewSizing works it out: own is the policy as it is written, learned the same with
// what was measured.
func NewSizing(own, learned *policy.Policy, day int64) Sizing {
	now := (&simulate.Scene{Policy: learned, Day: day}).Answer()
	out := Sizing{Fits: now.Fits}
	out.Kept, out.All, _ = keptBy(now)
	p := fresh(own, day)
	if a := scene(p, day, alike(len(p.UPSs), mostScale)).Answer(); !keepsAll(a) {
		_, _, out.Broken = keptBy(a)
		out.Unfit = !a.Fits
		return out
	}
	// All alike first, then each as small as the others' size lets it be.
	all := together(p, day)
	scales := alike(len(p.UPSs), all)
	for i := 0; len(scales) > 1 && i < len(scales); i++ { // one alone is found: another search would end a step apart
		scales[i] = least(all, func(s float64) bool {
			try := slices.Clone(scales)
			try[i] = s
			return keepsAll(scene(p, day, try).Answer())
		})
	}
	load := electrical.Load(own)
	for i := range p.UPSs {
		out.Sizes = append(out.Sizes, sizeOf(own, learned, p, day, i, scales[i], &load.UPSs[i]))
	}
	if len(p.UPSs) == 1 {
		out.Splits = splits(p, day)
	}
	return out
}

func alike(n int, scale float64) []float64 { return slices.Repeat([]float64{scale}, n) }

// together is the least size of all batteries, in the same proportion, that keeps
// every promise; it must be known that the largest does.
func together(p *policy.Policy, day int64) float64 {
	return least(mostScale, func(s float64) bool { return keepsAll(scene(p, day, alike(len(p.UPSs), s)).Answer()) })
}

// least is the smallest size for which a condition holds, as far as a search by halves
// tells; it holds for the largest.
func least(largest float64, holds func(float64) bool) float64 {
	low, high := leastScale, largest
	if low >= high || holds(low) {
		return low
	}
	for high/low > scaleStep {
		if mid := math.Sqrt(low * high); holds(mid) {
			high = mid
		} else {
			low = mid
		}
	}
	return high
}

func sizeOf(own, learned, p *policy.Policy, day int64, i int, scale float64, load *electrical.Supply) Size {
	u := &own.UPSs[i]
	s := Size{UPS: i, Watts: load.LostWatts, VA: load.LostVA, Scale: scale}
	s.NeedWatts, s.NeedVA = load.LostWatts/LoadPart, load.LostVA.High/LoadPart
	s.RatedEnough = float64(u.RatedWatts) >= s.NeedWatts && (u.RatedVA == 0 || float64(u.RatedVA) >= s.NeedVA)
	new, err := battery.New(&p.UPSs[i], day)
	if err != nil {
		return s
	}
	label := u.Battery.Volts * u.Battery.AmpHours
	s.LabelWh, s.OutputWh = scale*label, scale*new.Model.Energy/3600
	s.HasLabelWh, s.HasWh = label, new.Model.Energy/3600
	if has, err := battery.New(&learned.UPSs[i], day); err == nil {
		s.HasWh = has.Model.Energy * has.Likely / 3600
	}
	// What is there by what is known of it, against what is needed when it is worn.
	s.BatteryEnough = s.HasWh >= s.OutputWh*battery.Replace
	new.Model.Energy *= scale
	s.Low, s.Likely, s.High = new.Project(battery.Charge{}, load.Watts)
	return s
}

// Split is one UPS, or two smaller ones in its place.
type Split struct {
	UPSs                  int
	Both                  bool    // every machine has two supplies, one on each; else each hangs on one
	Scale                 float64 // of all batteries together against the one that the policy describes, to keep every promise; 0 where none does
	EachWatts             float64 // what each must be rated for
	LossLow, LossHigh     float64 // watts lost in all
	MachinesCut, Machines int     // machines that lose their power at once when one UPS fails with the input there
}

// splits compares one UPS with two.
func splits(p *policy.Policy, day int64) (list []Split) {
	add := func(q *policy.Policy, s Split) {
		s.UPSs = len(q.UPSs)
		if keepsAll(scene(q, day, alike(s.UPSs, mostScale)).Answer()) {
			s.Scale = together(q, day)
		}
		load := electrical.Load(q)
		for i := range load.UPSs {
			s.EachWatts = max(s.EachWatts, load.UPSs[i].LostWatts/LoadPart)
			s.LossLow, s.LossHigh = s.LossLow+load.UPSs[i].Loss.Low, s.LossHigh+load.UPSs[i].Loss.High
		}
		on := make([]int, s.UPSs) // machines that hang on it alone
		for i := range q.Hosts {
			if h := &q.Hosts[i]; h.RunsOn < 0 {
				s.Machines++
				if len(h.FedBy) == 1 {
					on[h.FedBy[0]]++
				}
			}
		}
		s.MachinesCut = slices.Max(on)
		list = append(list, s)
	}
	add(p, Split{})
	add(parted(p, true), Split{Both: true})
	add(parted(p, false), Split{})
	return list
}

// parted is the policy with its one UPS in two halves: hosts on both, or the heaviest
// first each on the one that carries less.
func parted(p *policy.Policy, both bool) *policy.Policy {
	q := *p
	q.UPSs = []policy.UPS{half(&p.UPSs[0], "-1"), half(&p.UPSs[0], "-2")}
	q.Hosts, q.Loads, q.PDUs, q.Circuits = slices.Clone(p.Hosts), slices.Clone(p.Loads), nil, nil
	for i := range q.Loads {
		q.Loads[i].FedBy, q.Loads[i].Into = []int{0, 1}, nil // what all need is on both, or a transfer switch
	}
	watts := make([]int64, len(p.Hosts)) // with guests
	for i := range p.Hosts {
		watts[machine(p, i)] += p.Hosts[i].Watts
	}
	var order []int
	for i := range p.Hosts {
		if p.Hosts[i].RunsOn < 0 {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(watts[b], watts[a]) })
	var carried [2]int64
	side := make([]int, len(p.Hosts))
	for _, i := range order {
		if carried[1] < carried[0] {
			side[i] = 1
		}
		carried[side[i]] += watts[i]
	}
	for i := range q.Hosts {
		q.Hosts[i].Into = nil
		q.Hosts[i].FedBy = []int{0, 1}
		if !both {
			q.Hosts[i].FedBy = []int{side[machine(p, i)]}
		}
	}
	return &q
}

func machine(p *policy.Policy, i int) int {
	for p.Hosts[i].RunsOn >= 0 {
		i = p.Hosts[i].RunsOn
	}
	return i
}

// half is a UPS of half the rating, half the battery, and half of what it takes.
func half(u *policy.UPS, suffix string) policy.UPS {
	h := *u
	h.Name += suffix
	h.RatedWatts, h.RatedVA, h.OverheadWatts = (u.RatedWatts+1)/2, (u.RatedVA+1)/2, (u.OverheadWatts+1)/2
	h.Circuit, h.SNMP, h.HID = nil, u.SNMP, u.HID
	b := &h.Battery
	b.AmpHours /= 2
	b.Chart = slices.Clone(b.Chart)
	for i := range b.Chart {
		b.Chart[i].Watts = (b.Chart[i].Watts + 1) / 2
	}
	if b.Model != nil {
		m := *b.Model
		m.StoreWattHours /= 2
		b.Model = &m
	}
	return h
}
