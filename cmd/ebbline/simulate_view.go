package main

import (
	"fmt"
	"sort"
	"strings"
	"time"

	"ebbline/simulate"
)

// runsView is the document of `simulate --json`.
type runsView struct {
	Outages     int              `json:"outages"`
	Interrupted bool             `json:"interrupted"`
	Seed        uint64           `json:"seed"`
	Verdict     simulate.Verdict `json:"verdict"`
	Proven      bool             `json:"proven"`
	Because     string           `json:"because"`
	InHand      inHandView       `json:"margin_seconds"`
	Cut         int              `json:"outages_with_a_host_cut"`
	Failed      int              `json:"outages_failed"`
	Evidence    evidenceView     `json:"evidence"`
	Worst       *worstView       `json:"worst"`
	Violations  []violationView  `json:"violations"`
	Smallest    *smallestView    `json:"smallest,omitempty"`
	Stayed      *stayedView      `json:"stayed_up,omitempty"`
	Shapes      []triedView      `json:"shapes_tried,omitempty"`
	Faults      []triedView      `json:"faults_tried"`
	Measured    []noteView       `json:"measured,omitempty"`
	Runs        []runView        `json:"runs,omitempty"`
}

// evidenceView keeps the three kinds of evidence apart.
type evidenceView struct {
	WorstCase  worstCaseView   `json:"worst_case"`
	Exhaustive *exhaustiveView `json:"exhaustive"`
	WhyNot     string          `json:"not_exhaustive_because,omitempty"`
	Random     *randomView     `json:"random"`
}

type worstCaseView struct {
	Proven     bool            `json:"proven"`
	Conditions []conditionView `json:"conditions"`
	InHand     *int64          `json:"margin_seconds"`
	Cut        int             `json:"hosts_cut"`
	Instead    string          `json:"instead,omitempty"`
	Corners    int             `json:"corners,omitempty"`
	Failed     int             `json:"corners_failed,omitempty"`
}

type conditionView struct {
	Name  string `json:"name"`
	Holds bool   `json:"holds"`
	Text  string `json:"text"`
}

type exhaustiveView struct {
	Outcomes int     `json:"outcomes"`
	Failure  float64 `json:"failure_probability"`
	InHand   *int64  `json:"worst_margin_seconds"`
}

// randomView is what was seen in random outages: of those in rooms no worse than
// plans are made for, and of the others.
type randomView struct {
	All    seenView   `json:"promise_broken"`
	Within withinView `json:"host_cut_within_the_bounds"`
	Beyond seenView   `json:"host_cut_beyond_the_bounds"`
	Fails  seenView   `json:"host_cut_where_an_output_fails"`
	Others seenView   `json:"host_cut_beyond_the_bounds_otherwise"`
}

// seenView is how often something was seen, and what that says of its chance.
type seenView struct {
	Outages int     `json:"outages"`
	Seen    int     `json:"seen"`
	AtLeast float64 `json:"probability_at_least"`
	AtMost  float64 `json:"probability_at_most"`
	Large   *int    `json:"bounded_by_outages_at_large,omitempty"` // where others were aimed
}

// withinView is the same of rooms within the bounds, where some outages were aimed.
type withinView struct {
	seenView
	Aimed    int     `json:"aimed"`
	Outlasts float64 `json:"part_that_outlasts_a_battery"`
	Weighed  bool    `json:"aimed_outages_weighed"`
	tally    simulate.Tally
}

func (v *seenView) add(seen bool) {
	if v.Outages++; seen {
		v.Seen++
	}
}

func (v *seenView) bound() { v.AtLeast, v.AtMost = simulate.Chance(v.Seen, v.Outages) }

// boundBy bounds the chance by the outages drawn at large alone.
func (v *seenView) boundBy(large *seenView) {
	v.AtLeast, v.AtMost = simulate.Chance(large.Seen, large.Outages)
	if large.Outages < v.Outages {
		v.Large = &large.Outages
	}
}

type worstView struct {
	Outage  string `json:"outage"`
	Seed    uint64 `json:"seed"`
	InHand  *int64 `json:"margin_seconds"`
	Command string `json:"command"`
}

type smallestView struct {
	Text    string `json:"text"`
	Why     string `json:"why"`
	Of      uint64 `json:"of_seed"`
	Seed    uint64 `json:"seed"`
	Outages string `json:"command_of_the_whole"`
}

// stayedView is how long hosts stayed up against the best that was possible.
type stayedView struct {
	Outages int              `json:"outages"`
	Share   float64          `json:"share_of_the_best"`
	Hosts   []hostStayedView `json:"hosts"`
}

type hostStayedView struct {
	Name   string `json:"name"`
	Median int64  `json:"median_seconds"`
	Best   int64  `json:"median_best_seconds"`
}

type triedView struct {
	Name    string `json:"name"`
	Outages int    `json:"outages"`
	Cut     int    `json:"cut"`
	Failed  int    `json:"failed"`
	Broken  int    `json:"promise_broken"`
	Beyond  bool   `json:"beyond_the_bounds,omitempty"`
	Drawn   string `json:"drawn,omitempty"`
}

type inHandView struct {
	Worst  *int64 `json:"worst"`
	P05    *int64 `json:"p05"`
	Median *int64 `json:"median"`
}

type violationView struct {
	Promise string `json:"promise"`
	Outage  string `json:"outage"`
	Seed    uint64 `json:"seed"`
	Text    string `json:"text"`
}

type runView struct {
	Outage string        `json:"outage"`
	Seed   uint64        `json:"seed"`
	InHand *int64        `json:"margin_seconds"`
	Over   bool          `json:"back_to_normal"`
	Hosts  []hostRunView `json:"hosts"`
}

type hostRunView struct {
	Name    string `json:"name"`
	Asked   *int64 `json:"asked_seconds"`
	Down    *int64 `json:"down_seconds"`
	End     string `json:"end"`
	Started *int64 `json:"started_seconds"`
}

// secondsOf is what is in hand, for JSON: null when no host went off on battery.
func secondsOf(d time.Duration) *int64 {
	if d == simulate.Untested {
		return nil
	}
	n := seconds(d)
	return &n
}

func (s *simulation) view() *runsView {
	v := &runsView{Seed: s.seed, Interrupted: s.stopped, Proven: s.proof.Proven, Violations: []violationView{}, Faults: []triedView{}}
	var inHand, aimed []time.Duration
	worst := -1
	for i := range s.runs {
		o := &s.runs[i]
		if !o.Done {
			continue // interrupted
		}
		name, seed := s.nameOf(i)
		v.Outages++
		if o.Cut > 0 {
			v.Cut++
		}
		if o.Failed {
			v.Failed++
		}
		if o.InHand != simulate.Untested {
			if i >= len(s.named) && simulate.Aimed(s.place(i)) {
				aimed = append(aimed, o.InHand)
			} else {
				inHand = append(inHand, o.InHand)
			}
			if worst < 0 || o.InHand < s.runs[worst].InHand {
				worst = i
			}
		}
		for _, x := range o.Broken {
			v.Violations = append(v.Violations, violationView{x.Promise, name, seed, x.Text})
		}
		if o.Run != nil && (s.detail || len(s.runs) == 1) {
			v.Runs = append(v.Runs, s.runOf(o, name, seed))
		}
	}
	if len(inHand) == 0 {
		inHand = aimed
	}
	sort.Slice(inHand, func(a, b int) bool { return inHand[a] < inHand[b] })
	at := func(q float64) *int64 {
		if len(inHand) == 0 {
			return nil
		}
		return secondsOf(inHand[int(q*float64(len(inHand)-1))])
	}
	v.InHand = inHandView{nil, at(0.05), at(0.5)}
	if worst >= 0 {
		v.InHand.Worst = secondsOf(s.runs[worst].InHand)
		name, seed := s.nameOf(worst)
		v.Worst = &worstView{name, seed, secondsOf(s.runs[worst].InHand), s.again(worst)}
	}
	s.evidence(v)
	s.verdict(v)
	s.tried(v)
	s.stayed(v)
	if m := s.smallest; m != nil {
		_, of := s.nameOf(m.of)
		v.Smallest = &smallestView{m.text, m.why, of, m.seed, s.again(m.of)}
	}
	return v
}

func (s *simulation) evidence(v *runsView) {
	p := &s.proof
	w := worstCaseView{Proven: p.Proven, InHand: secondsOf(p.InHand), Cut: p.Cut, Instead: instead(p), Corners: p.Corners, Failed: p.Failed}
	for _, c := range p.Conditions {
		w.Conditions = append(w.Conditions, conditionView(c))
	}
	v.Evidence = evidenceView{WorstCase: w, WhyNot: s.whyNotExhaustive()}
	if x := &s.exhaustive; x.Outcomes > 0 {
		v.Evidence.Exhaustive = &exhaustiveView{x.Outcomes, x.Bad, secondsOf(x.InHand)}
	}
	v.Evidence.Random = s.randomly()
}

// randomly sums up the random outages; nil where there was none.
func (s *simulation) randomly() *randomView {
	r, large := &randomView{}, seenView{}
	for i := len(s.named); i < len(s.runs); i++ {
		o := &s.runs[i]
		if !o.Done {
			continue
		}
		aimed, cut := simulate.Aimed(s.place(i)), o.Cut > 0
		r.All.add(len(o.Broken) > 0)
		if !aimed {
			large.add(len(o.Broken) > 0)
		}
		switch {
		case simulate.Beyond(o.Faults) == 0:
			r.Within.add(cut)
			r.Within.tally.Add(o.Kind, aimed, cut)
		case aimed: // none was found
		case o.Kind == simulate.OutputFailed:
			r.Beyond.add(cut)
			r.Fails.add(cut)
		default:
			r.Beyond.add(cut)
			r.Others.add(cut)
		}
	}
	if r.All.Outages == 0 {
		return nil
	}
	r.All.boundBy(&large)
	r.Within.bound()
	r.Beyond.bound()
	r.Fails.bound()
	r.Others.bound()
	return r
}

// bound weighs aimed outages, where they count.
func (v *withinView) bound() {
	t := &v.tally
	v.Aimed, v.Weighed = v.Outages-t.Large, t.Weighed()
	if t.Large > 0 {
		v.Outlasts = float64(t.LargeLast) / float64(t.Large)
	}
	if v.AtLeast, v.AtMost = t.Bound(); !v.Weighed && v.Aimed > 0 {
		v.Large = &t.Large
	}
}

// whyNotExhaustive says why not every combination was tried; "" when it was.
func (s *simulation) whyNotExhaustive() string {
	switch x := &s.exhaustive; {
	case x.TooMany:
		return fmt.Sprintf("%s and %s have more than %d combinations of stopping times and batteries", count(len(s.p.Hosts), "host"), count(len(s.p.UPSs), "UPS"), simulate.MostExact)
	case x.Outcomes == 0:
		return "it was interrupted"
	}
	return ""
}

// instead says what was done where one replay proves nothing.
func instead(p *simulate.Proof) string {
	switch {
	case p.Proven:
		return ""
	case p.Corners > 0:
		return fmt.Sprintf("every host quick or at its whole allowance, in all %d combinations, at the low battery: %s; what lies between is not covered", p.Corners, failedOf(p.Failed))
	}
	if p.Stopped {
		return "the combinations of quick and slow stops were to be tried, and that was interrupted"
	}
	for _, c := range p.Conditions {
		if !c.Holds && c.Name != "fits" {
			return "stops staggered and the plan replayed as it stands, at worst durations; too many hosts to try every combination of quick and slow stops"
		}
	}
	if len(p.Conditions) > 0 && !p.Conditions[len(p.Conditions)-1].Holds {
		return "the plan that comes nearest was put to the outages below"
	}
	return ""
}

func failedOf(n int) string {
	if n == 0 {
		return "none failed"
	}
	return fmt.Sprintf("%d failed", n)
}

// verdict sums up.
func (s *simulation) verdict(v *runsView) {
	p := &s.proof
	var doubts []string
	for _, c := range p.Conditions {
		if !c.Holds {
			doubts = append(doubts, c.Text)
		}
	}
	if len(doubts) == 0 && !p.Proven {
		doubts = append(doubts, fmt.Sprintf("in the replay at the bounds %s lost power and %s broken", count(p.Cut, "host"), count(p.Broken, "promise")))
	}
	v.Because = strings.Join(doubts, "; ")
	if v.Verdict = p.Verdict(v.Failed); v.Verdict == simulate.Proven {
		v.Because = "no host draws more while stopping than while up and stops are not limited, so one replay at the low battery and the longest stops bounds every milder room"
	}
}

// tried counts shapes and faults.
func (s *simulation) tried(v *runsView) {
	var shapes [len(simulate.Shapes)]triedView
	var faults [len(simulate.Catalogue)]triedView
	for i := range s.runs {
		o := &s.runs[i]
		if !o.Done {
			continue
		}
		shapes[o.Shape].count(o)
		for f := range faults {
			if o.Faults.Has(simulate.Fault(f)) {
				faults[f].count(o)
			}
		}
	}
	for k := range simulate.Shapes {
		if a := &simulate.Shapes[k]; k > 0 && shapes[k].Outages > 0 {
			shapes[k].Name, shapes[k].Drawn = a.Name, fmt.Sprintf("%g %% of outages: %s", 100*a.Part, a.Spread)
			v.Shapes = append(v.Shapes, shapes[k])
		}
	}
	for f := range simulate.Catalogue {
		a := &simulate.Catalogue[f]
		if !simulate.Fault(f).Applies(s.p) {
			continue
		}
		t := faults[f]
		t.Name, t.Beyond, t.Drawn = a.Name, a.Beyond, drawnHow(a)
		v.Faults = append(v.Faults, t)
	}
}

func (t *triedView) count(o *simulate.Result) {
	t.Outages++
	if o.Cut > 0 {
		t.Cut++
	}
	if o.Failed {
		t.Failed++
	}
	if len(o.Broken) > 0 {
		t.Broken++
	}
}

// drawnHow says how a fault is drawn and what its worst is.
func drawnHow(a *simulate.About) string {
	var parts []string
	if a.Chance > 0 {
		parts = append(parts, strings.TrimSuffix(fmt.Sprintf("each %s with %g %%: %s", a.Each, 100*a.Chance, a.Spread), ": "))
	} else {
		parts = append(parts, a.Spread)
	}
	if a.Worst != "" {
		parts = append(parts, "worst: "+a.Worst)
	}
	return strings.Join(parts, "; ")
}

// stayed sums up how long hosts stayed up in the outages that outlasted some of
// them.
func (s *simulation) stayed(v *runsView) {
	stayed, best := make([][]time.Duration, len(s.p.Hosts)), make([][]time.Duration, len(s.p.Hosts))
	share, n := 0.0, 0
	for i := range s.runs {
		o := &s.runs[i]
		if !o.Done || o.Length == 0 {
			continue
		}
		n++
		share += simulate.Share(s.p, o.Stayed, o.Best)
		for k := range o.Best {
			if o.Best[k] >= 0 {
				stayed[k], best[k] = append(stayed[k], o.Stayed[k]), append(best[k], o.Best[k])
			}
		}
	}
	if n == 0 {
		return
	}
	v.Stayed = &stayedView{Outages: n, Share: share / float64(n)}
	for _, k := range byPriority(s.p) {
		if len(best[k]) > 0 {
			v.Stayed.Hosts = append(v.Stayed.Hosts, hostStayedView{s.p.Hosts[k].Name, seconds(median(stayed[k])), seconds(median(best[k]))})
		}
	}
}

func median(d []time.Duration) time.Duration {
	sort.Slice(d, func(a, b int) bool { return d[a] < d[b] })
	return d[len(d)/2]
}

func (s *simulation) runOf(o *simulate.Result, name string, seed uint64) runView {
	v := runView{Outage: name, Seed: seed, Over: o.Run.Over, Hosts: []hostRunView{}, InHand: secondsOf(o.InHand)}
	some := func(d time.Duration) *int64 {
		if d < 0 {
			return nil
		}
		n := seconds(d)
		return &n
	}
	for k := range o.Run.Hosts {
		h := &o.Run.Hosts[k]
		v.Hosts = append(v.Hosts, hostRunView{s.p.Hosts[k].Name, some(h.Asked), some(h.Down), h.End.String(), some(h.Started)})
	}
	return v
}
