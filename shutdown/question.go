package shutdown

import (
	"math"
	"time"

	"ebbline/shutdown/battery"
	"ebbline/shutdown/plan"
)

// work is scratch space, and what is kept beside the facts that it was worked out
// from. Thrown away at any moment, it changes no byte of what is decided.
type work struct {
	deeds      []Effect  // those that are done, after those that are said
	out        []Effect  // of the step under way
	order      []int32   // indices into hosts: dependents first, own host last
	dependents [][]int32 // by host: in order, then those that stay up
	own        int32     // host that the agent runs on; -1 for none
	beliefs    []believed
	watched    []bool  // by UPS: it gets no order
	drawsOn    []bool  // by host: it is only watched, and others are not
	slots      []int32 // policy host to its place in the schedule, -1; while placed
	placed     bool
	readies    []readiness // what readyFrom found, sorted
	tally      tally
	hots       []hot        // by temperature
	glances    []heatGlance // scratch of warmed
	holding    []Notice     // scratch of conditions
	waited     []bool
	wake       Instant // the earliest thing that time alone brings, but for silences; while waked
	waked      bool
	comeback   []int32 // hosts in the order in which they come back

	planner  plan.Planner
	problem  plan.Problem
	second   plan.Problem // whether a battery could carry a second outage
	plan     plan.Plan
	hosts    []int32   // problem host to policy host
	place    []int32   // policy host to problem host, -1
	stores   []int32   // problem store to UPS; those of rooms follow
	rooms    []int32   // temperature to problem store, -1
	loads    []float64 // by problem store: watts that the problem counts on
	store    []int32   // UPS to problem store, -1
	lack     []float64 // by UPS: watts that the load lacks of what the policy explains
	turn     []int32
	after    []int
	feeds    []plan.Feed
	needs    []int
	starts   []time.Duration
	kept     []bool
	latest   []Instant // of hosts, in the schedule that is replaced
	memo     memo
	keeper   guard
	key      []uint64
	terse    bool
	ended    ActionID // the order that ended in this step
	said     string   // and what came back, "" for nothing
	reading  *Reading // of this step, once one was wanted
	tellings int      // of reasons, in this step
}

func (s *State) scratch() *work {
	if s.work == nil {
		s.makeWork()
	}
	return s.work
}

func (s *State) makeWork() {
	n, m := len(s.Hosts), len(s.UPSs)
	w := &work{place: make([]int32, n), slots: make([]int32, n), store: make([]int32, m), lack: make([]float64, m), beliefs: make([]believed, m), watched: make([]bool, m), drawsOn: make([]bool, n), own: -1, dependents: make([][]int32, n)}
	if s.Policy != nil {
		depends := func(k int) {
			for _, d := range s.Policy.Hosts[k].DependsOn {
				w.dependents[d] = append(w.dependents[d], int32(k))
			}
		}
		for _, k := range s.Policy.Order() {
			w.order = append(w.order, int32(k))
			depends(k)
		}
		for k := range s.Policy.Hosts {
			if s.Policy.Hosts[k].StaysUp {
				depends(k)
			}
			if s.Policy.Hosts[k].Self {
				w.own = int32(k)
			}
			w.drawsOn[k] = s.Policy.Hosts[k].Observe && !s.Policy.Site.Observe
		}
		for i := range w.watched {
			w.watched[i] = s.Policy.Watched(i)
		}
	}
	s.work = w
}

// Order gives the hosts in the order in which they stop: dependents first, the
// agent's own last, without those that stay up. It is not to be changed.
func (s *State) Order() []int32 { return s.scratch().order }

// Terse leaves out reasons and margins where they are not read. What is decided is the
// same.
func (s *State) Terse(yes bool) { s.scratch().terse = yes }

// question brings the batteries to now and poses the question to the planner.
func (s *State) question(at Instant) *work {
	w := s.scratch()
	for i := range s.UPSs {
		if s.UPSs[i].OnBattery() {
			s.drain(int32(i), at, s.UPSs[i].Load)
		}
	}
	s.pose(at, w, false)
	return w
}

// pose writes the question to the planner: one store per UPS on battery, one host
// per host that all its feeds leave on battery and that is not off yet; as things are
// now, or, for the standard question, as they are at the moment of the loss with full
// batteries.
func (s *State) pose(at Instant, w *work, standard bool) {
	p, site := &w.problem, &s.Policy.Site
	*p = plan.Problem{Stores: p.Stores[:0], Hosts: p.Hosts[:0], Reserve: site.Reserve + s.Reaction(), AtOnce: site.AtOnce, Quick: !standard}
	w.stores, w.loads, w.hosts, w.feeds, w.needs = w.stores[:0], w.loads[:0], w.hosts[:0], w.feeds[:0], w.needs[:0]
	for i := range s.UPSs {
		w.store[i] = -1
		if u := &s.UPSs[i]; u.OnBattery() && !u.Dead() {
			s.poseStore(at, int32(i), w, standard)
		}
	}
	s.poseRooms(at, w)
	if standard {
		p.Floor, p.Elapsed = site.RideThrough, 0
	}
	for k := range s.Hosts {
		w.place[k] = -1
		if s.planned(int32(k)) {
			w.place[k] = int32(len(w.hosts))
			w.hosts = append(w.hosts, int32(k))
			q := s.poseHost(at, int32(k), w)
			if standard && q.Hold < forever {
				q.Hold = s.Policy.Hosts[k].KeepFor
			}
			p.Hosts = append(p.Hosts, q)
		}
	}
	w.after = w.after[:0]
	s.poseAfter(p, w)
	for i := range w.stores {
		// What draws and is not planned goes on drawing; but one that looks turned off, asked
		// or not, and one that was given up, no more than the measured load leaves for it.
		for k := range s.Hosts {
			off := s.Hosts[k].looksOff() || s.Hosts[k].givenUp()
			switch {
			case s.drawsOn(int32(k)):
			case w.place[k] >= 0 && !off, s.supposedOff(int32(k)):
				continue
			}
			watts := s.part(int32(k), w.stores[i])
			if off {
				less := min(watts, w.lack[w.stores[i]])
				w.lack[w.stores[i]] -= less
				watts -= less
			}
			p.Stores[i].Base += watts
		}
	}
	s.wanting(w)
}

func (s *State) poseStore(at Instant, i int32, w *work, standard bool) {
	p, site, u := &w.problem, &s.Policy.Site, &s.UPSs[i]
	w.store[i] = int32(len(p.Stores))
	w.stores = append(w.stores, i)
	p.Floor = max(p.Floor, up(u.Lost.Add(site.RideThrough).Sub(at)))
	p.Elapsed = max(p.Elapsed, at.Sub(u.Lost).Truncate(time.Second))
	model, charge, _ := s.store(i)
	charge.Delivered, charge.Bound = coarse(charge.Delivered, model.Energy), coarse(charge.Bound, model.Energy)
	step := s.Policy.UPSs[i].RatedWatts / 100
	if standard {
		charge, step = battery.Charge{}, 2*step
	}
	p.Stores = append(p.Stores, plan.Store{Model: model, Charge: charge, Base: s.base(i, w, step)})
}

// wanting takes off the hosts what the measured load lacks of what they should draw
// by the policy: first off those that are asked, which may be off already, then off
// those of the lowest priority. So a host that is planned to stay is never thought to
// draw less than the policy says because another has gone.
func (s *State) wanting(w *work) {
	w.turn = w.turn[:0]
	for j := range w.hosts {
		w.turn = append(w.turn, int32(j))
	}
	rank := func(j int32) int64 {
		if w.problem.Hosts[j].Asked {
			return -1
		}
		return w.problem.Hosts[j].Priority
	}
	for a := 1; a < len(w.turn); a++ {
		for b := a; b > 0 && rank(w.turn[b]) < rank(w.turn[b-1]); b-- {
			w.turn[b], w.turn[b-1] = w.turn[b-1], w.turn[b]
		}
	}
	for _, j := range w.turn {
		h := &w.problem.Hosts[j]
		less := h.Watts
		if h.Asked {
			less = h.Stopping
		}
		if less <= 0 {
			continue
		}
		for _, f := range h.Feeds {
			less = min(less, w.lack[w.stores[f.Store]]/f.Part)
		}
		if less <= 0 {
			continue
		}
		h.Watts, h.Stopping = max(0, h.Watts-less), max(0, h.Stopping-less)
		for _, f := range h.Feeds {
			w.lack[w.stores[f.Store]] -= float64(less * f.Part)
		}
	}
}

// coarse rounds what was taken from a store up to a thousandth of it, so that much
// the same question has the same answer, which is remembered.
func coarse(taken, store float64) float64 {
	step := store / 1000
	if !(step > 0) {
		return taken
	}
	return float64(math.Ceil(taken/step) * step)
}

// base gives what a UPS's battery carries besides hosts, in watts, and notes what the
// load lacks of what the policy explains. The load that is counted on is the measured
// one, rounded up to a multiple of step, so that a flicker of the reading does not
// make a new plan; but not beyond what the policy explains, if that explains it. What it
// does not explain goes on for ever.
func (s *State) base(i int32, w *work, watts int64) float64 {
	step := float64(max(1, watts))
	load, model := float64(math.Ceil(s.UPSs[i].Load/step)*step), s.modelled(i)
	if s.UPSs[i].Load <= model {
		load = min(load, model)
	}
	w.loads = append(w.loads, load)
	w.lack[i] = max(0, model-load)
	return s.own(i) + s.loads(i) + max(0, load-model)
}

// forever is a promise that is kept as far as can be.
const forever = time.Duration(math.MaxInt64 / 4)

// poseHost is one host as the planner sees it.
func (s *State) poseHost(at Instant, k int32, w *work) plan.Host {
	p, h := &s.Policy.Hosts[k], &s.Hosts[k]
	q := plan.Host{Stops: s.allowance(k), Expected: p.StopsIn, Priority: p.Priority, Asked: s.going(k)}
	if q.Asked {
		q.Stops = max(0, s.giveUp(k).Sub(at))
		q.Expected = max(0, h.Asked.Add(p.StopsIn).Sub(at))
	}
	q.Expected = min(q.Expected, q.Stops)
	first := len(w.feeds)
	var lost Instant
	for _, f := range p.FedBy {
		if w.store[f] >= 0 {
			w.feeds = append(w.feeds, plan.Feed{Store: int(w.store[f]), Part: 1})
			lost = max(lost, s.UPSs[f].Lost)
		}
	}
	q.Feeds = w.feeds[first:len(w.feeds):len(w.feeds)]
	for j := range q.Feeds {
		q.Feeds[j].Part = 1 / float64(len(q.Feeds))
	}
	if !h.looksOff() && !s.drawsOn(k) { // to have that one go frees nothing that can be counted on
		q.Watts, q.Stopping = float64(p.Watts), float64(p.StoppingWatts)
	}
	if len(q.Feeds) == 0 {
		s.poseHeated(k, &q, w)
	}
	q.Hold = max(0, up(lost.Add(p.KeepFor).Sub(at)))
	if p.Self {
		q.Value = 1e-6 // it is kept for the others' sake: no reason to shed anybody
	}
	if s.carriesOther(k) {
		q.Hold = forever // one that stays up needs it: as late as can be
	}
	need := len(w.needs)
	for _, l := range p.NeedsLoads {
		if store := s.lasting(s.Policy.Loads[l].FedBy, w); store >= 0 {
			w.needs = append(w.needs, store)
		}
	}
	s.needRooms(k, w)
	q.Needs = w.needs[need:len(w.needs):len(w.needs)]
	return q
}

// lasting gives the store on which a load hangs: that of its feeds which lasts longest;
// -1 where one of them has input, or none is left.
func (s *State) lasting(feeds []int, w *work) int {
	best, most := -1, -1.0
	for _, f := range feeds {
		if s.UPSs[f].good() {
			return -1
		}
		if w.store[f] < 0 {
			continue
		}
		m, c, watts := s.store(int32(f))
		if secs := m.Runtime(c, watts); secs > most {
			best, most = int(w.store[f]), secs
		}
	}
	return best
}

// up rounds up to whole seconds: the same question, put a moment later, then has the
// same answer, which is remembered.
func up(d time.Duration) time.Duration {
	return (d + time.Second - 1) / time.Second * time.Second
}

// allowance is the longest that stopping a host may take.
func (s *State) allowance(k int32) time.Duration {
	d := s.Policy.Hosts[k].GivesUp()
	if s.Policy.Hosts[k].Self && s.switches() {
		d += orderLost
	}
	return d
}

// switches tells whether any UPS's output is to be switched off.
func (s *State) switches() bool {
	for i := range s.Policy.UPSs {
		if s.switched(int32(i)) {
			return true
		}
	}
	return false
}

// carriesOther tells whether a host that stays up, since another feed has input or it is
// only watched, depends on this one.
func (s *State) carriesOther(k int32) bool {
	for _, i := range s.scratch().dependents[k] {
		if s.Hosts[i].runs() && (!s.affected(i) || s.drawsOn(i)) {
			return true
		}
	}
	return false
}

// poseAfter writes down for the hosts of a question who must be down before whom: those
// that depend on a host, and all others before the agent's own.
func (s *State) poseAfter(p *plan.Problem, w *work) {
	for j := range p.Hosts {
		first, k := len(w.after), w.hosts[j]
		if s.Policy.Hosts[k].Self {
			for i := range p.Hosts {
				if i != j {
					w.after = append(w.after, i)
				}
			}
		} else {
			for _, i := range w.dependents[k] {
				if place := w.place[i]; place >= 0 {
					w.after = append(w.after, int(place))
				}
			}
		}
		p.Hosts[j].After = w.after[first:len(w.after):len(w.after)]
	}
}

// Reaction is the longest that the agent may take from a fact to its being known and
// acted on. It is planned away besides the reserve.
func (s *State) Reaction() time.Duration {
	var d time.Duration
	for i := range s.Policy.UPSs {
		d = max(d, s.late(int32(i)))
	}
	return d + time.Second
}
