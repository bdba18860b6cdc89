package survey

import (
	"fmt"
	"time"

	"ebbline/policy/electrical"
)

// What a UPS of each class does with its input, in percent of nominal: within which
// it stays on the input, and within which its output is as good as if there were
// nothing. VFD and VI: makers' usual settings (common practice, no source; the
// bracket of VI is our rule set's). The breaks are glossaries' and makers' figures.
type behaviour struct {
	class     string
	low, high float64       // on the input between these
	regulates bool          // what it stays on the input with is regulated away
	gap       time.Duration // the longest break when it goes to its battery
	gapWords  string
}

var behaviours = []behaviour{
	{"VFD", 85, 115, false, 12 * time.Millisecond, "a break of 2 to 10 ms, of older ones 12"},
	{"VI", 75, 125, true, 10 * time.Millisecond, "a break of 2 to 6 ms, of relays 4 to 10"},
	{"VFI", 75, 125, true, 0, "no break"},
}

// Topology is what a UPS of one class would have made of the events recorded.
type Topology struct {
	Class string
	// Passed would have reached the load as they were; Harmful of them lie outside the
	// ITIC curve.
	Passed, Harmful int
	// ToBattery would have been carried from the battery, after a break of up to
	// Break; batteries wear by such cycles.
	ToBattery int
	Break     time.Duration
	Words     string
}

// Topologies says it for each class.
func (in *Input) Topologies() []Topology {
	var list []Topology
	for _, b := range behaviours {
		t := Topology{Class: b.class, Break: b.gap, Words: b.gapWords}
		for i := range in.Events {
			f := &in.Events[i]
			p := f.Percent()
			switch {
			case p < b.low || p > b.high:
				t.ToBattery++
			case !b.regulates:
				t.Passed++
				if f.ITIC != electrical.Inside {
					t.Harmful++
				}
			}
		}
		list = append(list, t)
	}
	return list
}

// Advice is which class the recordings call for.
type Advice struct {
	Class string // the least that suffices by the likely figures
	Sure  bool   // and within the intervals too
	Why   []string
	Basis string
}

// From what on a class is called for, in incidents a year. Weekly is our rule set's
// (judgement); how many deep sags are many it does not say: one a month here.
const (
	weekly  = 52.0
	monthly = 12.0
)

// Advice weighs the recordings by our rule set (judgement, no standard).
func (in *Input) Advice() Advice {
	a := Advice{Class: "VFD", Sure: true, Basis: "a rule set of judgement, not a standard"}
	out := in.count("", func(f *Found) bool { return f.Class.Shape != electrical.Interruption })
	deep := in.count("", func(f *Found) bool { return f.Class.Shape == electrical.Sag && f.Extreme < 70 })
	steady := in.Limits.Means > 0 && 20*in.Limits.Beyond10 > in.Limits.Means
	f := &in.Frequency
	drift := f.Known > 0 && f.Outside.Seconds() > 0.005*f.Known.Seconds()
	switch {
	case drift:
		a.Class = "VFI"
		a.Why = append(a.Why, fmt.Sprintf("the frequency was more than 1 %% from nominal for %s of %s: only VFI keeps that from the load", Lasting(f.Outside), Lasting(f.Known)))
	case deep.Year > monthly:
		a.Class = "VFI"
		a.Sure = deep.Low > monthly
		a.Why = append(a.Why, fmt.Sprintf("%s with sags below 70 %%, more than one a month", plural(deep.Incidents, "incident")))
	case out.Year > weekly || steady:
		a.Class = "VI"
		a.Sure = (out.Low > weekly || steady) && deep.High <= monthly
		if out.Year > weekly {
			a.Why = append(a.Why, fmt.Sprintf("%s of sags or swells, more than one a week: regulation spares the battery their cycles", plural(out.Incidents, "incident")))
		}
		if steady {
			a.Why = append(a.Why, fmt.Sprintf("%d of %d ten-minute means are more than 10 %% from nominal", in.Limits.Beyond10, in.Limits.Means))
		}
	default:
		a.Sure = out.High <= weekly && deep.High <= monthly
		a.Why = append(a.Why, "sags and swells are rarer than one a week: VFI's losses buy little here")
	}
	if !in.Rates() && !drift && !steady {
		return Advice{Basis: a.Basis, Why: []string{"less than a day is known: that says nothing of a year"}}
	}
	if a.Class != "VFI" && f.Known == 0 {
		a.Why = append(a.Why, "the frequency was not recorded: behind a generator or an inverter VFI may be needed all the same")
	}
	if a.Class == "VFD" {
		a.Why = append(a.Why, "its transfer must end at least 2 ms before the supplies' hold-up does (10 to 20 ms, by data sheets)")
	}
	if !a.Sure {
		a.Why = append(a.Why, fmt.Sprintf("%s are too short to be sure: at the other end of the interval another class is called for", Days(in.Known())))
	}
	return a
}

// Days writes a length of recordings.
func Days(d time.Duration) string {
	if d < 48*time.Hour {
		return Lasting(d)
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}

// American tells whether ANSI C84.1 may apply: some recording is of 60 Hz, or
// nothing says its frequency.
func (in *Input) American() bool {
	for i := range in.Recordings {
		if in.Recordings[i].Hertz != 50 {
			return true
		}
	}
	return false
}

// Unseen says what these recordings cannot have shown.
func (in *Input) Unseen() []string {
	var list []string
	every := time.Duration(0)
	for i := range in.Recordings {
		every = max(every, in.Recordings[i].Every)
	}
	switch {
	case every >= 100*time.Millisecond:
		list = append(list, fmt.Sprintf("With a reading each %s most sags fall between two (typical ones last 50 to 170 ms): the counts are a lower bound. A value may be an instant or a mean; a sag of one reading may have been deeper and of any length up to %s.", Lasting(every), Lasting(2*every)))
	case every > 0:
		list = append(list, fmt.Sprintf("Events shorter than the %s between readings.", Lasting(every)))
	default:
		list = append(list, "What the recorder did not write down: how fast it looked is not in the recording.")
	}
	for i := range in.Recordings {
		r := &in.Recordings[i]
		if !r.Minutes {
			continue
		}
		seen := 0
		for k := range in.Events {
			if in.Events[k].Recording == i {
				seen++
			}
		}
		switch {
		case !r.Counts:
			list = append(list, fmt.Sprintf("%s: its UPS keeps no count of bad inputs (upsInputLineBads), so nothing tells how many sags the polls missed.", r.Name))
		case r.Bads > seen:
			list = append(list, fmt.Sprintf("%s: the UPS itself counted %d times that the input left its tolerance (upsInputLineBads), polls saw %d: the other %d have no depth and no length here.", r.Name, r.Bads, seen, r.Bads-seen))
		default:
			list = append(list, fmt.Sprintf("%s: the UPS itself counted %d times that the input left its tolerance (upsInputLineBads), no more than the %d seen; what tolerance that is, its maker says.", r.Name, r.Bads, seen))
		}
	}
	list = append(list, "Transients below half a cycle, harmonics and flicker: r.m.s. values do not show them.")
	var gaps time.Duration
	for i := range in.Recordings {
		gaps += in.Recordings[i].Span - in.Recordings[i].Known
	}
	if gaps > 0 {
		list = append(list, fmt.Sprintf("%s without a believable sample. If the recorder loses its own supply with the input, they are where the interruptions are.", capital(Lasting(gaps))))
	}
	if k := in.Known(); k > 0 && k < 30*24*time.Hour {
		list = append(list, fmt.Sprintf("The rest of the year: %s say little of storms and seasons, which the intervals do not know of.", Days(in.Known())))
	}
	return list
}
