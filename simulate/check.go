package simulate

import (
	"fmt"
	"math"
	"slices"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
	"ebbline/simulate/world"
)

// Violation is a promise that a run broke.
type Violation struct {
	Promise string // "P1" to "P10"
	At      time.Duration
	Text    string
}

// Checker watches a run and says which promises it broke. It works out nothing by
// code of the core or the planner: batteries by the section method (superposition of
// load steps, IEEE 485) with a kernel of its own, schedules by a plain longest path.
// What it takes from there is the words (events, effects, codes, the names of
// actions), what the policy says (allowances, poll times), and what is believed of a
// battery at a confidence (battery.New, LowAt, OwnAt): that is what P1 promises to
// count on, and is itself held against published discharges elsewhere.
// It is a [Log]; use one per runner.
type Checker struct {
	Violations []Violation

	p        *policy.Policy
	r        *Runner
	truth    *world.Truth
	low      []battery.Model // what the core may count on
	own      []float64       // and of the UPS's own draw
	likely   []float64
	bounds   []Low
	pnr      []time.Duration // by the checker's own reckoning, from full
	down     []time.Duration // when each host is off, all begun as early as the order allows from zero on
	began    bool
	lost     shutdown.Instant
	inputs   []inputState
	hosts    []hostState
	lastOn   []shutdown.Instant // last start on each UPS
	asks     int
	saidLow  bool // a UPS said so in this run
	timeLeft bool // when a host that draws on was given up last, there was time for all others
}

type inputState struct {
	good    bool
	since   shutdown.Instant
	changed shutdown.Instant // the same, blinks that perhaps nobody saw among it
	before  shutdown.Instant // since when it was good before it was last lost
	heard   shutdown.Instant // the last answer that reached the core
	saw     shutdown.Instant // the last one that said battery
	sawLoss shutdown.Instant // the first one that did
	carried shutdown.Instant // the last one that said that it carries its load
	gap     shutdown.Instant // the last long time without such a one began
	gapTo   shutdown.Instant // and ended
	low     bool             // its last answer said that its battery is low
}

type hostState struct {
	givenUp bool
	forced  bool
	left    bool // it went while what depends on it stayed up on another feed
	noticed bool
	ours    bool              // stopped, or cut, in an outage
	asked   shutdown.ActionID // the last order; a restarted agent begins one again that it does not know the end of
	start   shutdown.ActionID // likewise
	started bool
	notBack bool             // every way to start it was tried, and it was said so
	given   shutdown.Order   // of the host, by an operator
	word    shutdown.Order   // the one that was taken and is in force
	wordAt  shutdown.Instant // when it was taken
	last    shutdown.Order   // the last that was taken, but to keep it
	judged  bool             // a person said of it that it may stay as it is
	told    bool             // an order to stop was begun for the word that was taken last
	held    bool             // when it was asked, its UPS carried what a host elsewhere is reached through
	cut     bool             // it is said that it lost its power, or may have
	doubt   bool             // it is said that it lost its power or was turned off, and nobody knows which
	seen    bool             // a look showed it up
	looked  bool             // it was said that it looked turned off, and no look has shown it up since
}

// NewChecker makes a checker for the runner and has it watch its runs.
func NewChecker(r *Runner, day int64) (*Checker, error) {
	c := &Checker{p: r.Policy, r: r}
	var err error
	if c.bounds, err = LowParts(c.p, day); err != nil {
		return nil, err
	}
	for i := range c.p.UPSs {
		b, err := battery.New(&c.p.UPSs[i], day)
		if err != nil {
			return nil, err
		}
		c.low = append(c.low, b.Scaled(b.LowAt(c.p.Site.ConfidencePermille)))
		c.own = append(c.own, b.OwnAt(c.p.Site.ConfidencePermille))
		c.likely = append(c.likely, b.Likely)
	}
	c.down = c.longest(nil)
	c.pnr = make([]time.Duration, len(c.p.UPSs))
	for i := range c.pnr {
		c.pnr[i] = c.noReturn(i, 1)
	}
	c.inputs = make([]inputState, len(c.p.UPSs))
	c.hosts = make([]hostState, len(c.p.Hosts))
	c.lastOn = make([]shutdown.Instant, len(c.p.UPSs))
	r.Log = c
	return c, nil
}

// Begin readies the checker for a run with the truth given.
func (c *Checker) Begin(t *world.Truth) {
	c.truth, c.Violations, c.began, c.lost, c.asks = t, c.Violations[:0], false, shutdown.Never, 0
	c.saidLow, c.timeLeft = false, false
	for i := range c.inputs {
		c.inputs[i] = inputState{good: true, since: c.r.epoch, carried: c.r.epoch}
		c.lastOn[i] = 0
	}
	for k := range c.hosts {
		c.hosts[k] = hostState{}
	}
}

func (c *Checker) broken(promise, format string, args ...any) {
	at := time.Duration(0)
	if c.lost != shutdown.Never {
		at = c.r.world.Now.Sub(c.lost)
	}
	c.Violations = append(c.Violations, Violation{promise, at, fmt.Sprintf(format, args...)})
}

// Event follows the truth behind each event.
func (c *Checker) Event(at shutdown.Instant, e *shutdown.Event) {
	c.follow(at)
	switch {
	case e.Kind == shutdown.Commanded && e.Order.OfHost():
		c.hosts[e.Host].given = e.Order
	case e.Kind == shutdown.Observed && e.Sighting == shutdown.SeenUp:
		c.hosts[e.Host].seen, c.hosts[e.Host].looked = true, false
		// A start is through; and what was off for an operator was started by somebody.
		if h, w := &c.hosts[e.Host], &c.r.world.Hosts[e.Host]; h.word == shutdown.StartHost || h.word == shutdown.StopHost && w.WasOff && w.OffAt >= h.wordAt {
			h.word = 0
		}
	}
	if e.Kind == shutdown.Measured {
		in := &c.inputs[e.UPS]
		in.heard = at
		if e.Measurement.Source != shutdown.FromNothing {
			silence := max(10*time.Second, 3*c.p.UPSs[e.UPS].PollEvery()+c.p.UPSs[e.UPS].Timeout())
			if at.Sub(in.carried) > silence+time.Second {
				in.gap, in.gapTo = in.carried, at
			}
			in.carried = at.Add(e.Standing)
		}
		if e.Measurement.Source == shutdown.FromBattery {
			in.saw = at
			if in.sawLoss == 0 {
				in.sawLoss = at
			}
		}
		low := e.Measurement.Battery == shutdown.StatusLow || e.Measurement.Battery == shutdown.StatusDepleted
		c.saidLow = c.saidLow || low && in.low // one such reading may be an odd one
		in.low = low
	}
}

// follow notes which inputs changed.
func (c *Checker) follow(at shutdown.Instant) {
	for i := range c.inputs {
		in := &c.inputs[i]
		if good := c.r.world.UPSs[i].Input; good != in.good {
			was := in.since
			in.good, in.since, in.changed = good, at, at
			switch {
			case !good:
				in.before = was
			case in.saw < was && at.Sub(was) < time.Minute:
				in.since = in.before // a blink that no answer told of
			}
			if !good && c.lost == shutdown.Never {
				c.lost = at
			}
		}
	}
}

// Effect checks what the core wants done, before it is done.
func (c *Checker) Effect(at shutdown.Instant, f *shutdown.Effect) {
	c.follow(at)
	switch f.Kind {
	case shutdown.Notify:
		c.note(&f.Notice)
	case shutdown.Begin:
		switch id := f.Action.ID; id.Verb {
		case shutdown.VerbShutDown, shutdown.VerbPowerOff:
			c.stop(at, id.Host, id)
		case shutdown.VerbStart:
			if h := &c.hosts[id.Host]; h.start != id { // see asked
				h.start = id
				c.start(at, id.Host)
			}
		}
	}
}

func (c *Checker) note(n *shutdown.Notice) {
	switch {
	case n.Code == shutdown.OrderTaken && n.Host >= 0:
		c.ordered(n.Host, shutdown.Order(n.A))
	case n.Code == shutdown.HostGivenUp && !n.Clear:
		c.hosts[n.Host].givenUp = true
		c.hosts[n.Host].looked = n.A == shutdown.GivenUpUnseen || n.A == shutdown.GivenUpCut
		if c.r.world.Hosts[n.Host].On {
			c.timeLeft = c.timeFor()
		}
	case n.Code == shutdown.HostCut:
		c.hosts[n.Host].cut, c.hosts[n.Host].doubt = !n.Clear, !n.Clear && n.A == shutdown.CutOrTurned
	case n.Code == shutdown.HostNotBack || n.Code == shutdown.NoWayToStart:
		c.hosts[n.Host].notBack = !n.Clear
	case n.Code == shutdown.OrderGivenUp:
		c.hosts[n.Host].forced = true
	case n.Code == shutdown.LeftDependent:
		c.hosts[n.Host].left = !n.Clear
	case n.Code == shutdown.HostAsked:
		c.hosts[n.Host].noticed = n.A != 0
	}
}

// ordered notes an operator's word that the core took.
func (c *Checker) ordered(k int32, o shutdown.Order) {
	h := &c.hosts[k]
	if h.given != o {
		c.broken("P9", "%s is under an order to %s that no operator gave", c.p.Hosts[k].Name, o)
	}
	h.given, h.word, h.wordAt, h.told = 0, o, c.r.world.Now, false
	switch o {
	case shutdown.KeepHost: // starts nothing, and says nothing of why it may be off
	case shutdown.Clear:
		h.word, h.last, h.judged = 0, o, true
	default:
		h.last, h.judged = o, false
	}
}

// stopOrdered checks P2 and P4 at the first order to stop that an operator's word is
// behind: none that needs the host is up as far as anyone can see, and power is taken
// by force only where no feed has input.
func (c *Checker) stopOrdered(at shutdown.Instant, k int32, id shutdown.ActionID) {
	p := &c.p.Hosts[k]
	if p.Methods[id.Method].Force && id != c.hosts[k].asked {
		for _, i := range p.FedBy {
			if c.hasInput(at, i) {
				c.broken("P4", "the power of %s was taken for an operator's order while UPS %s has had input", p.Name, c.p.UPSs[i].Name)
			}
		}
	}
	for j := range c.p.Hosts {
		w := &c.r.world.Hosts[j]
		if slices.Contains(c.p.Hosts[j].DependsOn, int(k)) && id.Try == 1 && w.On && c.r.world.Sight(int32(j)) == shutdown.SeenUp && !c.wasOff(j) && w.BackAt == shutdown.Never {
			c.broken("P2", "%s was asked to stop by an operator's order while %s, which depends on it, is up", p.Name, c.p.Hosts[j].Name)
		}
	}
}

// hasInput tells whether a UPS has had input for as long as the core needs to know.
func (c *Checker) hasInput(at shutdown.Instant, i int) bool {
	in := &c.inputs[i]
	slack := c.p.UPSs[i].PollEvery() + c.p.UPSs[i].Timeout() + time.Second
	known := in.heard.Sub(in.changed) > time.Second // the core can know only what an answer told it
	return in.good && known && at.Sub(in.changed) > slack && !c.faulty(i)
}

// stop checks P2, P4 and P9 at an order to stop.
func (c *Checker) stop(at shutdown.Instant, k int32, id shutdown.ActionID) {
	h, p := &c.hosts[k], &c.p.Hosts[k]
	c.asks++
	if p.Self {
		h.held = slices.ContainsFunc(p.FedBy, c.reachedThrough)
	}
	if p.StaysUp {
		c.broken("P4", "%s is never to be stopped and was asked to", p.Name)
	}
	if !h.noticed {
		c.broken("P9", "%s was asked to stop without a reason given", p.Name)
	}
	// One that was never told of an operator's word is told when it is seen up again, though
	// its battery ended meanwhile: the word stands until it was carried out.
	ordered := h.word == shutdown.StopHost || id.Ordered && h.last == shutdown.StopHost && !h.told
	h.told = h.told || id.Ordered
	if ordered {
		c.stopOrdered(at, k, id)
	}
	if ordered && id.Ordered {
		h.asked, h.ours = id, true
		return // the operator has judged what is up where the agent cannot see it
	}
	for _, i := range p.FedBy {
		if !ordered && id.Method == 0 && id.Try == 1 && id != h.asked && c.hasInput(at, i) && !c.heats(int(k)) {
			c.broken("P4", "%s was asked to stop while UPS %s has had input for %s", p.Name, c.p.UPSs[i].Name, at.Sub(c.inputs[i].since))
		}
	}
	again := h.asked.Verb != 0 && h.asked.Outage == id.Outage
	h.asked = id
	if h.forced || h.left && again {
		return // the first order had its reason, and cannot be taken back
	}
	for j := range c.p.Hosts {
		q := &c.p.Hosts[j]
		if c.wasOff(j) {
			continue
		}
		if w := &c.r.world.Hosts[j]; len(q.Starts) == 0 && (w.Starting || w.BackAt != shutdown.Never && c.r.world.Sight(int32(j)) == shutdown.SeenSilent) {
			continue // with its power, by itself: nobody can see that yet, or at all
		}
		if j == int(k) || q.StaysUp || c.hosts[j].givenUp || c.hosts[j].notBack || !c.r.world.Hosts[j].On || !c.needs(j, int(k)) || !c.allLost(q) && !c.stoppedWarm(j, int(k), at) || c.hidden(j) {
			continue
		}
		c.broken("P2", "%s was asked to stop while %s, which depends on it, is up", p.Name, q.Name)
	}
	h.ours = true
}

// wasOff tells whether a host was off at first, and no look has shown it up since: an
// operator may have had it started, or it came up with its power.
func (c *Checker) wasOff(k int) bool {
	return c.truth.Hosts[k].Mode == world.WasOff && !c.hosts[k].seen
}

// hidden tells whether a host is behind a way to it that died: it looks like one that is
// off.
func (c *Checker) hidden(j int) bool {
	return c.has(world.PathDies) && !c.r.world.PathTo(int32(j))
}

// needs tells whether j depends on k: all depend on the agent's own host.
func (c *Checker) needs(j, k int) bool {
	if c.p.Hosts[k].Self {
		return true
	}
	for _, d := range c.p.Hosts[j].DependsOn {
		if d == k {
			return true
		}
	}
	return false
}

// allLost tells whether every feed of a host is without input, and has said so.
func (c *Checker) allLost(p *policy.Host) bool {
	for _, i := range p.FedBy {
		if in := &c.inputs[i]; in.good || in.saw < in.since || c.claimsInput(i) {
			return false
		}
	}
	return true
}

// faulty tells whether the script makes a UPS lie about its input, or fall
// silent: then one answer and silence are all that there is to go by.
func (c *Checker) faulty(i int) bool {
	for j := range c.truth.Moments {
		m := &c.truth.Moments[j]
		if (m.UPS < 0 || int(m.UPS) == i) && (m.What == world.Mute || m.What == world.OutputFails) {
			return true
		}
	}
	return c.truth.Loss > 0
}

// claimsInput tells whether the script has a UPS say that it only tests when its
// input is away.
func (c *Checker) claimsInput(i int) bool {
	for j := range c.truth.Moments {
		if m := &c.truth.Moments[j]; m.What == world.ClaimsTest && m.Number > 0 && (m.UPS < 0 || int(m.UPS) == i) {
			return true
		}
	}
	return false
}

// has tells whether the script has such a moment.
func (c *Checker) has(what world.What) bool {
	for i := range c.truth.Moments {
		if c.truth.Moments[i].What == what {
			return true
		}
	}
	return false
}

// start checks P8 at an order to start.
func (c *Checker) start(at shutdown.Instant, k int32) {
	p, w := &c.p.Hosts[k], c.r.world
	site := &c.p.Site
	first := !c.hosts[k].started // of several tries
	c.hosts[k].started = true
	unseen := w.Sight(k) == shutdown.SeenSilent // for all that anyone can see, it was cut
	for _, f := range p.FedBy {
		unseen = unseen && (c.faulty(int(f)) || c.has(world.PathDies))
	}
	unseen = unseen || !w.PathTo(k)
	switch c.hosts[k].word {
	case shutdown.StartHost:
		c.startOrdered(at, k, first)
		return
	case shutdown.StopHost:
		c.broken("P8", "%s is started though an operator wants it off", p.Name)
	}
	if !w.Hosts[k].WasOff && !c.hosts[k].ours && !unseen {
		c.broken("P8", "%s is started and was never stopped", p.Name)
	}
	if c.wasOff(int(k)) && !c.hosts[k].ours {
		c.broken("P8", "%s is started and was off before the outage", p.Name)
	}
	stable := false
	for _, i := range p.FedBy {
		in := &c.inputs[i]
		blur := c.p.UPSs[i].PollEvery() + c.p.UPSs[i].Timeout() + time.Second
		if !in.good && at.Sub(in.since) <= blur {
			return // lost a moment ago: nobody knows yet
		}
		if !c.has(world.OddGood) {
			blur = 0 // a reading that says input, a moment before it is true, begins the count
		}
		stable = stable || in.good && at.Sub(in.since)+blur >= site.Restore.StableFor || c.claimsInput(i)
	}
	if !stable {
		c.broken("P8", "%s is started before the input of any feed has been good for %s", p.Name, site.Restore.StableFor)
	}
	for _, d := range p.DependsOn {
		if c.hosts[d].word == shutdown.StopHost || c.hosts[d].judged || c.hosts[d].looked {
			continue // it is not waited for, as one that was turned off
		}
		if w.Hosts[d].LastCut && (c.lies(&c.p.Hosts[d]) || !c.cutShows(d)) || c.hidden(d) {
			continue // nobody could see its UPS give out, or itself before that: it looks turned off
		}
		if q := &w.Hosts[d]; q.WasOff && !q.Service && !c.wasOff(d) && c.truth.Hosts[d].Mode != world.Unreachable {
			c.broken("P8", "%s is started before %s, on which it depends, is up", p.Name, c.p.Hosts[d].Name)
		}
	}
	if !first {
		return
	}
	for _, i := range p.FedBy {
		if last := c.lastOn[i]; last != 0 && at.Sub(last) < site.Restore.Stagger && len(p.FedBy) == 1 {
			c.broken("P8", "%s is started %s after another host on UPS %s", p.Name, at.Sub(last), c.p.UPSs[i].Name)
		}
		c.lastOn[i] = at
	}
	if !c.lies(p) && !c.couldCarry(k) {
		c.broken("P8", "%s is started before any battery that feeds it could carry a second outage with it and those that are up (%.0f %% full)", p.Name, 100*c.fullest(p))
	}
}

// startOrdered checks at an order to start that an operator's word is behind that the
// host has input.
func (c *Checker) startOrdered(at shutdown.Instant, k int32, first bool) {
	any := false
	for _, i := range c.p.Hosts[k].FedBy {
		in := &c.inputs[i]
		any = any || in.good || at.Sub(in.since) <= 15*time.Second || c.claimsInput(i) || c.has(world.OddGood)
		if first {
			c.lastOn[i] = at
		}
	}
	if !any {
		c.broken("P8", "%s is started by an operator's order, and no feed of it has input", c.p.Hosts[k].Name)
	}
}

// lies tells whether a UPS that feeds the host always claims to be full: then
// after a boot of the agent's host nobody knows better.
func (c *Checker) lies(p *policy.Host) bool {
	for _, i := range p.FedBy {
		if c.truth.UPSs[i].ClaimsFull {
			return true
		}
	}
	return false
}

// peaks tells whether a host on a UPS draws more while it stops.
func (c *Checker) peaks(i int) bool {
	return slices.ContainsFunc(c.p.Hosts, func(h policy.Host) bool { return feeds(h.FedBy, i) && h.StoppingWatts > h.Watts })
}

// fullest is how full the fullest of a host's batteries truly is.
func (c *Checker) fullest(p *policy.Host) float64 {
	most := 0.0
	for _, i := range p.FedBy {
		u := &c.r.world.UPSs[i]
		most = max(most, 1-u.Charge.Delivered/full(&u.Model))
	}
	return most
}

// gauged is how full a battery is by a gauge that counts to zero at the load of the
// moment: nobody can know better.
func (c *Checker) gauged(i int) float64 {
	u := &c.r.world.UPSs[i]
	total := u.Model.Energy - u.Model.Ohmic*(u.Load+float64(c.p.UPSs[i].OverheadWatts))
	return 1 - (u.Charge.Delivered+u.Charge.Bound)/total
}

// couldCarry tells whether one feed's battery, as it really is but at the low
// store, could see off again the host and those that are up; or is nearly full where
// no charge would do, or as full as the policy asks for.
func (c *Checker) couldCarry(k int32) bool {
	up := make([]bool, len(c.p.Hosts)) // seen or not
	for j := range up {
		up[j] = j == int(k) || c.r.world.Hosts[j].On
	}
	down := c.longest(up)
	for _, i := range c.p.Hosts[k].FedBy {
		u := &c.r.world.UPSs[i]
		part := max(1-u.Charge.Delivered/full(&u.Model), c.gauged(i))
		if c.peaks(i) {
			return true // a plan may stagger them; this reckoning has all stop at once
		}
		// The core counts what came back by the maker's recharge time, and the battery that is
		// there holds more or less than was believed: a twentieth of it for that, here as where
		// 85 % is asked for below.
		if need := c.p.Site.Restore.ChargePercent; need > 0 {
			if u.Input && part >= float64(need)/100-0.05 {
				return true
			}
			continue
		}
		if u.Input && (part >= 0.80 || c.safe(i, part, 0, c.reserve(i), true, down, up)) {
			return true
		}
	}
	return false
}

// End checks what only the whole run shows: P1, P3, P6, and of P8 the agent's own host.
func (c *Checker) End(out *Run) {
	if out.Stranded {
		c.stranded()
	}
	if out.Over && c.r.world.Agent {
		c.leftOff()
	}
	c.tooWarm()
	if out.Cut > 0 && c.bound() {
		for k := range out.Hosts {
			h := &out.Hosts[k]
			switch {
			case h.End != world.Cut || !c.behaves(k) || c.byItsFeeds(k):
			case c.besideBad(k) && c.timeLeft:
				c.broken("P1", "%s lost its power while it was up, beside a host that was given up; when that was, there was time for all others, with its draw", c.p.Hosts[k].Name)
			case !c.besideBad(k):
				c.broken("P1", "%s lost its power while it was up, though there was time: by the checker's reckoning all could be off when begun %s after the loss", c.p.Hosts[k].Name, c.least())
			case h.Asked < 0:
				c.broken("P6", "%s lost its power and was never asked to stop, while another host did not go down", c.p.Hosts[k].Name)
			}
		}
	}
	if c.asks > 0 && !c.saidLow && c.short() { // a UPS's word that its battery is low outranks all
		c.broken("P3", "a host was asked to stop in an interruption shorter than the ride-through, which the battery could carry")
	}
}

// leftOff checks that no host which the outage stopped, or cut, is still off when
// it is over, unless it was said so. One that was out of sight before, since the
// way to it had died, looks like one that somebody had turned off.
func (c *Checker) leftOff() {
	if c.has(world.PathDies) {
		return
	}
	for k := range c.p.Hosts {
		h := &c.r.world.Hosts[k]
		if c.hosts[k].judged || c.offByWord(k) {
			continue
		}
		if h.On || !h.WasOff || h.LastCut && !c.cutShows(k) || c.hosts[k].doubt && c.cutAlone(k) || c.hosts[k].notBack || c.wasOff(k) || c.truth.Hosts[k].Mode == world.Unreachable {
			continue
		}
		if (c.hosts[k].givenUp || c.hosts[k].cut) && !c.r.world.PathTo(int32(k)) {
			continue // it was said that it is not off in time, or lost its power, and the way to it has none: it is seen to when that is back
		}
		c.broken("P8", "%s is off though all is over, and nobody was told", c.p.Hosts[k].Name)
	}
}

// offByWord tells whether an operator wanted a host off, or one that it needs: an order to
// start it waits for that one.
func (c *Checker) offByWord(k int) bool {
	return c.hosts[k].last == shutdown.StopHost || slices.ContainsFunc(c.p.Hosts[k].DependsOn, func(d int) bool {
		return !c.r.world.Hosts[d].On && c.offByWord(d)
	})
}

// cutShows tells whether the core can know that a host was cut, and start it: for
// long enough its UPSs did not answer then, or said that they carry nothing, and one
// carries its load now.
func (c *Checker) cutShows(k int) bool {
	on := false
	for _, f := range c.p.Hosts[k].FedBy {
		in := &c.inputs[f]
		if off := c.r.world.Hosts[k].OffAt; off < in.gap || off > in.gapTo {
			return false
		}
		on = on || !c.r.world.UPSs[f].Dead
	}
	return on
}

// cutAlone tells whether no other machine lost its power when a host did: a silent UPS
// does not tell that from one that somebody turned off.
func (c *Checker) cutAlone(k int) bool {
	w := c.r.world
	for j := range w.Hosts {
		if p := &c.p.Hosts[j]; j != k && p.RunsOn != k && c.p.Hosts[k].RunsOn != j && w.Hosts[j].LastCut && w.Hosts[j].OffAt == w.Hosts[k].OffAt {
			return false
		}
	}
	return w.Hosts[k].LastCut
}

// stranded checks that the agent's own host does not stay off where its UPSs
// could start it, with the input there and their outputs on.
func (c *Checker) stranded() {
	for k := range c.p.Hosts {
		p := &c.p.Hosts[k]
		if !p.Self || c.r.world.Hosts[k].On {
			continue
		}
		could := true
		for _, f := range p.FedBy {
			u := &c.r.world.UPSs[f]
			could = could && c.p.UPSs[f].Output != nil && u.Input && !u.Dead && !c.faulty(f)
			// Where it had to go before the others were off, and one of them may
			// take longer than the output's countdown, switching off would cut it.
			could = could && !c.hosts[k].held && !c.reachedThrough(f) && !(c.hosts[k].forced && c.slowest(f) > c.p.UPSs[f].Output.OffAfter)
		}
		if could {
			c.broken("P8", "%s, the agent's own host, is off, and nothing will start it", p.Name)
		}
	}
}

// reachedThrough tells whether a host that is up elsewhere needs a load of this
// UPS: its output must stay on then.
func (c *Checker) reachedThrough(i int) bool {
	for k := range c.p.Hosts {
		q := &c.p.Hosts[k]
		for _, l := range q.NeedsLoads {
			if c.r.world.Hosts[k].On && !slices.Contains(q.FedBy, i) && slices.Contains(c.p.Loads[l].FedBy, i) {
				return true
			}
		}
	}
	return false
}

// slowest is the longest allowance of the hosts that a UPS feeds.
func (c *Checker) slowest(i int) time.Duration {
	longest := time.Duration(0)
	for k := range c.p.Hosts {
		if h := &c.p.Hosts[k]; !h.Self && slices.Contains(h.FedBy, i) {
			longest = max(longest, h.GivesUp())
		}
	}
	return longest
}

// behaves tells whether a host keeps within what the policy says of it.
func (c *Checker) behaves(k int) bool {
	t, p := &c.truth.Hosts[k], &c.p.Hosts[k]
	if !t.Mode.Goes() || p.StaysUp || len(p.Methods) == 0 {
		return false
	}
	if p.RunsOn >= 0 && !c.behaves(p.RunsOn) {
		return false
	}
	for i := range c.truth.Moments {
		if m := &c.truth.Moments[i]; m.What == world.HostMode && int(m.Host) == k || m.What == world.PathDies {
			return false
		}
	}
	return t.Takes+5*time.Second <= p.Methods[0].GivesUp
}

// besideBad tells whether a host that draws on after its allowance shares a UPS
// with this one. What it takes then is paid from the reserve, and beyond that by
// the others (no schedule has it off); they must still have been asked, and where
// there was time for them when it was given up, they must be off.
func (c *Checker) besideBad(k int) bool {
	for j := range c.p.Hosts {
		if j == k || c.truth.Hosts[j].Mode == world.WasOff || c.behaves(j) {
			continue
		}
		for _, f := range c.p.Hosts[j].FedBy {
			if slices.Contains(c.p.Hosts[k].FedBy, f) {
				return true
			}
		}
	}
	return false
}

// timeFor tells whether the batteries that carry hosts, at their load of now and
// counted at their low store, last until all could be off that are up, all begun
// now, and the reserve.
func (c *Checker) timeFor() bool {
	need, any := slices.Max(c.down), false
	for i := range c.r.world.UPSs {
		u := &c.r.world.UPSs[i]
		if u.Input || u.Dead {
			continue
		}
		any = true
		if !carries(&c.low[i], &u.Model, &u.Charge, u.Load+c.own[i], (need + c.reserve(i)).Seconds()) {
			return false
		}
	}
	return any
}

// byItsFeeds tells whether the script itself took a host's power.
func (c *Checker) byItsFeeds(k int) bool {
	for i := range c.truth.Moments {
		m := &c.truth.Moments[i]
		for _, f := range c.p.Hosts[k].FedBy {
			if m.What == world.OutputFails && (m.UPS < 0 || int(m.UPS) == f) {
				return true
			}
		}
	}
	return false
}

// bound tells whether the run is one in which P1 binds: the battery holds at
// least what the low projection says, from full; hosts draw no more than the
// policy says; a bad host's draw after its allowance is its own; the agent was
// back in time; nobody told it to stop; and by the checker's own reckoning all
// could be off.
func (c *Checker) bound() bool {
	if c.p.Site.AtOnce > 0 {
		return false // its reckoning has all stop at once
	}
	for i := range c.truth.UPSs {
		if t := &c.truth.UPSs[i]; !c.bounds[i].bears(t) || t.Charge < 1 || c.pnr[i] < 10*time.Second {
			return false
		}
	}
	bad := 0
	for k := range c.truth.Hosts {
		if t := &c.truth.Hosts[k]; t.Draws > 1 {
			return false
		} else if !t.Mode.Goes() && t.Mode != world.WasOff || t.Takes+5*time.Second > c.p.Hosts[k].GivesUp() && !c.p.Hosts[k].StaysUp {
			bad++
		}
	}
	losses := 0
	for i := range c.truth.Moments {
		switch m := &c.truth.Moments[i]; m.What {
		case world.InputLost:
			losses++
		case world.HostMode:
			bad++
		case world.Operator:
			if !m.Order.OfHost() || m.Order == shutdown.Clear {
				return false
			}
		case world.ExtraLoad, world.OutputFails, world.PathDies:
			return false
		case world.ClaimsTest:
			if m.Number > 0 {
				return false // by all that can be seen the input is there
			}
		case world.AgentKilled:
			if m.At+m.For+30*time.Second > c.least() {
				return false
			}
		case world.Mute:
			if c.has(world.OddLow) {
				return false // the word that the battery is low, and then silence, outranks the projection
			}
			for i := range c.inputs {
				if saw := c.inputs[i].sawLoss; (m.UPS < 0 || int(m.UPS) == i) && (saw == 0 || saw > c.r.epoch.Add(m.At)) {
					return false // the loss itself was not seen
				}
			}
		}
	}
	if bad > 0 {
		// Hosts that draw on past their allowance are not planned for; a battery
		// as believed likely must bear one.
		for i := range c.truth.UPSs {
			if !c.bounds[i].asLikely(&c.truth.UPSs[i]) {
				return false
			}
		}
	}
	return losses == 1 && bad <= 1 && c.truth.Loss < 0.3
}

// least is the smallest point of no return of the UPSs.
func (c *Checker) least() time.Duration {
	d := time.Duration(math.MaxInt64)
	for _, t := range c.pnr {
		d = min(d, t)
	}
	return d
}

// short tells whether every interruption of the run ended within the
// ride-through, less what it takes to notice, on batteries that carry it.
func (c *Checker) short() bool {
	site := &c.p.Site
	if c.truth.Loss > 0 || len(c.truth.Moments) == 0 || c.p.Site.AtOnce > 0 {
		return false
	}
	var lost [64]time.Duration
	var out [64]bool
	n, losses := len(c.p.UPSs), 0
	if n > len(lost) {
		return false
	}
	for i := range c.truth.Moments {
		m := &c.truth.Moments[i]
		switch m.What {
		case world.InputLost, world.InputBack:
		case world.Tests, world.OddReading, world.OddNothing, world.OddLow, world.ClaimsTest, world.HostMode:
			continue
		default:
			if !heatOnly(m.What) || m.What == world.CoolingFails {
				return false
			}
			continue
		}
		for u := range n {
			if m.UPS >= 0 && int(m.UPS) != u {
				continue
			}
			if m.What == world.InputLost && !out[u] {
				out[u], lost[u] = true, m.At
				losses++
			}
			if m.What == world.InputBack && out[u] {
				out[u] = false
				if m.At-lost[u] >= site.RideThrough-3*time.Second {
					return false
				}
			}
		}
	}
	for u := range n {
		t, pnr := &c.truth.UPSs[u], c.pnr[u]
		if slices.ContainsFunc(c.truth.Hosts, func(h world.HostTruth) bool { return h.Mode == world.Unreachable }) {
			pnr = c.noReturn(u, 1) // with what draws on out of sight
		}
		if out[u] || t.Charge < 1 || !c.bounds[u].bears(t) || pnr < 2*site.RideThrough+10*time.Second {
			return false
		}
	}
	for k := range c.truth.Hosts {
		if c.truth.Hosts[k].Draws > 1 {
			return false
		}
	}
	return losses > 0 && losses <= 2
}

// noReturn is the latest time at which all hosts on one UPS can be begun, as
// early as the order allows, and be off before its low store is empty, with
// every allowance used up and the reserve kept. Negative when never. Hosts with
// two feeds draw their whole here: the other may fail.
func (c *Checker) noReturn(i int, charge float64) time.Duration {
	reserve := c.reserve(i)
	if !c.safe(i, charge, 0, reserve, false, c.down, nil) {
		return -1
	}
	low, high := time.Duration(0), 48*time.Hour
	for high-low > time.Second {
		mid := (low + high) / 2
		if c.safe(i, charge, mid, reserve, false, c.down, nil) {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// reserve is the policy's, and what the agent may take to notice.
func (c *Checker) reserve(i int) time.Duration {
	return c.p.Site.Reserve + c.p.UPSs[i].PollEvery() + c.p.UPSs[i].Timeout() + 2*time.Second
}

// safe replays "all that count, or all, as early as the order allows, from a time on";
// with shared set, hosts with several feeds draw only their part here.
func (c *Checker) safe(i int, charge float64, from, reserve time.Duration, shared bool, down []time.Duration, counts []bool) bool {
	type change struct {
		at    float64
		watts float64
	}
	m := &c.low[i]
	var changes []change
	load := c.own[i]
	for l := range c.p.Loads {
		if q := &c.p.Loads[l]; feeds(q.FedBy, i) {
			load += draw(float64(q.Watts), q.FedBy, shared)
		}
	}
	for k := range c.p.Hosts {
		q := &c.p.Hosts[k]
		if !feeds(q.FedBy, i) || counts != nil && !counts[k] {
			continue
		}
		load += draw(float64(q.Watts), q.FedBy, shared)
		if q.StaysUp || counts == nil && c.truth != nil && c.truth.Hosts[k].Mode == world.Unreachable {
			continue // it draws on, which is not known before it was asked
		}
		at := (from + down[k]).Seconds()
		stopping := draw(float64(q.StoppingWatts), q.FedBy, shared)
		changes = append(changes,
			change{at - q.GivesUp().Seconds(), draw(float64(q.Watts), q.FedBy, shared) - stopping}, // from when it is asked
			change{at, stopping})
	}
	gone := (1 - charge) * full(m)
	for _, moment := range changes {
		// Until then, and for the reserve more, with the load as it was before. Each
		// step of the load is a load of its own from its time on (superposition).
		t := moment.at + reserve.Seconds()
		sum := gone + load*phi(m, t)
		for _, ch := range changes {
			if ch.at < moment.at {
				sum -= ch.watts * phi(m, t-ch.at)
			}
		}
		if sum > m.Energy {
			return false
		}
	}
	return true
}

// longest gives when each host that counts, or each, is off, begun as early as the
// order allows from zero on, every allowance used up.
func (c *Checker) longest(counts []bool) []time.Duration {
	down, from := make([]time.Duration, len(c.p.Hosts)), make([]time.Duration, len(c.p.Hosts))
	self := slices.IndexFunc(c.p.Hosts, func(h policy.Host) bool { return h.Self })
	for moved := true; moved; {
		moved = false
		for k := range c.p.Hosts {
			q := &c.p.Hosts[k]
			if q.StaysUp || counts != nil && !counts[k] {
				continue
			}
			end := from[k] + q.GivesUp()
			if q.Self {
				end += 10 * time.Second // for the orders to switch outputs off
			}
			if end == down[k] {
				continue
			}
			down[k], moved = end, true
			for _, d := range q.DependsOn {
				from[d] = max(from[d], end)
			}
			if self >= 0 && self != k {
				from[self] = max(from[self], end)
			}
		}
	}
	return down
}

// phi is the section method's kernel: a constant load of Energy/Phi(t) watts lasts t
// seconds (IEEE 485, in closed form).
func phi(m *battery.Model, seconds float64) float64 {
	if m.Diffusion == 0 {
		return m.Ohmic + seconds
	}
	return m.Ohmic + seconds + m.Diffusion*(1-math.Exp(-seconds/m.Relaxation))
}

// full is what a full battery gives at the 20-hour rate, in joules.
func full(m *battery.Model) float64 {
	const hours20 = 20 * 3600
	return m.Energy * hours20 / phi(m, hours20)
}

// carries tells whether the battery, counted as the model says, lasts so many seconds
// more at a load. What rest would bring back was reckoned by the true one's losses.
func carries(m, truth *battery.Model, q *battery.Charge, watts, seconds float64) bool {
	bound := q.Bound
	if truth.Diffusion > 0 {
		bound *= m.Diffusion / truth.Diffusion
	}
	left := m.Energy - q.Delivered - m.Ohmic*watts
	if left <= bound {
		return false
	}
	fade := 1.0
	if m.Diffusion > 0 {
		fade = math.Exp(-seconds / m.Relaxation)
	}
	return left-watts*seconds-bound*fade-m.Diffusion*watts*(1-fade) >= 0
}

func draw(watts float64, feeds []int, shared bool) float64 {
	if shared {
		return watts / float64(len(feeds))
	}
	return watts
}

func feeds(list []int, i int) bool {
	for _, f := range list {
		if f == i {
			return true
		}
	}
	return false
}
