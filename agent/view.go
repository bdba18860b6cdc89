package agent

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// View is what the agent knows, decides and why: the document of
// `ebbline status --json`. Planned times count in seconds from the loss of
// input, as in `ebbline plan --json`; a null is a figure that nobody has.
type View struct {
	At         time.Time `json:"at"`               // by the agent's clock, which a step of the wall's does not move
	DecidedAt  time.Time `json:"decided_at"`       // when it last decided, by the same
	TurnAge    int64     `json:"turn_age_seconds"` // since its loop last turned; that is once a second, unless it hangs
	Site       string    `json:"site"`
	Policy     string    `json:"policy"`      // fingerprint of the one in force
	NextPolicy string    `json:"next_policy"` // of the one that waits for the end of the outage; "" for none
	Status     string    `json:"status"`      // all of it in one line
	Observing  string    `json:"observing"`   // "site" or "hosts" while no order is given to all or some; "" for orders to all

	Outage  *OutageView `json:"outage"`  // null when all is normal
	Outages uint32      `json:"outages"` // how many there have been, this one included
	// IfLostNow says that no UPS is on battery: the plan below is the one for the
	// input of every UPS failing now.
	IfLostNow             bool        `json:"if_lost_now"`
	Fits                  bool        `json:"fits"`
	FitsExpected          bool        `json:"fits_at_expected_durations"`
	PointOfNoReturn       *int64      `json:"point_of_no_return_seconds"`
	MarginSeconds         *int64      `json:"margin_seconds"`  // the smallest of the stops
	InHandSeconds         *int64      `json:"in_hand_seconds"` // the smallest of the UPSs
	UPSs                  []UPSView   `json:"ups"`
	Rooms                 []RoomView  `json:"rooms"`
	Hosts                 []HostView  `json:"hosts"` // in stopping order, then those that stay up
	Conditions            []Condition `json:"conditions"`
	Records               []Record    `json:"records"` // the last ones, oldest first
	NextDecisionInSeconds *int64      `json:"next_decision_in_seconds"`
}

// OutageView is the outage that is on.
type OutageView struct {
	Number         uint32    `json:"number"`
	LostAt         time.Time `json:"lost_at"`
	ElapsedSeconds int64     `json:"elapsed_seconds"`
	Held           bool      `json:"held"`
	Proceeding     bool      `json:"proceeding"`
	Aborted        bool      `json:"aborted"`
	InputStayed    bool      `json:"input_stayed"` // no UPS has lost its input: hosts are stopped for heat
}

// ThreeWay is a figure at the low, the likely and the high projection, in whole
// seconds; null where it never ends.
type ThreeWay struct {
	Low    *int64 `json:"low"`
	Likely *int64 `json:"likely"`
	High   *int64 `json:"high"`
}

// UPSView is one UPS.
type UPSView struct {
	Name             string    `json:"name"`
	Phase            string    `json:"phase"`
	OnBattery        bool      `json:"on_battery"`
	Since            time.Time `json:"since"`
	AnswerAgeSeconds *int64    `json:"answer_age_seconds"`
	Fault            string    `json:"fault"` // of the last poll; "" when it went well
	Source           string    `json:"source"`
	LoadWatts        int64     `json:"load_watts"`
	ChargePercent    float64   `json:"charge_percent"`  // by the model
	RuntimeSeconds   ThreeWay  `json:"runtime_seconds"` // if nothing is shed
	Basis            string    `json:"basis"`           // what the projection rests on
	EndSeconds       *int64    `json:"end_seconds"`     // the battery's end under the plan, low projection; null too where that is past
	LastDownSeconds  *int64    `json:"last_down_seconds"`
	MarginSeconds    *int64    `json:"margin_seconds"`  // the smallest of the stops on it; where no plan fits and it is short, by how much, negative
	InHandSeconds    *int64    `json:"in_hand_seconds"` // what the battery has after the last stop on it, low projection, beyond the reserve; null where no stop is left that rests on this battery

	// What the UPS says of itself; it is weighed, not believed.
	OwnInput              string   `json:"own_input"`
	OwnInputVolts         *float64 `json:"own_input_volts"`
	OwnChargePercent      *float64 `json:"own_charge_percent"`
	OwnRuntimeSeconds     *int64   `json:"own_runtime_seconds"`
	OwnBattery            string   `json:"own_battery"`
	OwnTemperatureCelsius *float64 `json:"own_temperature_celsius"`
}

// RoomView is one temperature.
type RoomView struct {
	Name         string   `json:"name"`
	Celsius      *float64 `json:"celsius"` // as believed last; null before the first reading
	LimitCelsius float64  `json:"limit_celsius"`
	Basis        string   `json:"basis"`         // on what LimitSeconds rests; "" where nothing is known
	LimitSeconds *int64   `json:"limit_seconds"` // until it may reach that, at the earliest; null where nothing shows that it will
}

// HostView is one host.
type HostView struct {
	Name               string     `json:"name"`
	Priority           int64      `json:"priority"`
	FedBy              []string   `json:"fed_by"`
	Power              string     `json:"power"`
	Off                bool       `json:"off"`
	Seen               string     `json:"seen"`    // at the last look; "" before the first
	SeenAt             *time.Time `json:"seen_at"` // when it last answered; of one that does not, since when it shows what it does
	StaysUp            bool       `json:"stays_up"`
	Observed           bool       `json:"observed"`               // it is only watched
	WouldBeAsked       *int64     `json:"would_be_asked_seconds"` // when it would have been asked to stop; null where it is not only watched
	Ordered            string     `json:"ordered"`                // by an operator, for this host: "stop", "start" or "keep"; "" for nothing
	Asked              *int64     `json:"asked_seconds"`
	Down               *int64     `json:"down_seconds"` // when it went off, or its allowance is used up
	StopSeconds        *int64     `json:"stop_seconds"`
	LatestStartSeconds *int64     `json:"latest_start_seconds"`
	PromisedSeconds    *int64     `json:"promised_seconds"`
	PromiseKept        *bool      `json:"promise_kept"`
	MarginSeconds      *int64     `json:"margin_seconds"` // between its planned start and its point of no return
	Reason             string     `json:"reason"`
}

// Calm gives the policy in force, and by host whether it is not off; nil while
// there is an outage, or no policy yet. Nobody changes the policy.
func (a *Agent) Calm() (p *policy.Policy, on []bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.seen.Policy == nil || a.seen.Outstanding() {
		return nil, nil
	}
	for k := range a.seen.Hosts {
		h := &a.seen.Hosts[k]
		on = append(on, !h.IsOff() && !h.Stopping() && h.State != shutdown.Starting) // the last two by an operator's order
	}
	return a.seen.Policy, on
}

// Conditions gives those that are raised as of the last step, and when that was; 0
// before the first.
func (a *Agent) Conditions() ([]Condition, shutdown.Instant) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return slices.Clone(a.board.Conditions), a.seen.Now
}

// View gives what the agent knows as of its last step, and how old that is.
func (a *Agent) View() View {
	a.mu.Lock()
	s := a.seen.Clone()
	now := s.Now.Add(a.config.Elapsed() - a.seenAt)
	b := a.board.clone()
	c := a.workers
	a.mu.Unlock()
	planned := s
	if s.Policy != nil && !onBattery(s) {
		planned = a.lost.of(s)
	}
	v := view(s, planned, a.why.of(planned), now)
	v.TurnAge = *seconds(a.config.Elapsed() - time.Duration(a.turned.Load()))
	v.Conditions, v.Records = append([]Condition{}, b.Conditions...), append([]Record{}, b.Records...)
	asNow(v.Conditions, s)
	if c != nil && c.policy == s.Policy {
		c.mu.Lock()
		for i := range v.UPSs {
			v.UPSs[i].Fault = c.faults[i]
		}
		c.mu.Unlock()
	}
	return v
}

// asNow has the core's conditions say what they say now, and what lies behind them.
func asNow(list []Condition, s *shutdown.State) {
	for _, n := range s.Conditions() {
		c := Condition{Code: n.Code.String()}
		c.UPS, c.Host = n.Names(s.Policy)
		i, there := slices.BinarySearchFunc(list, c, compare)
		if !there {
			continue
		}
		list[i].Text = textOf(s.Policy, &n)
		if code, ups, ok := s.Behind(&n); ok {
			list[i].Because = code.String() + " of UPS " + s.Policy.UPSs[ups].Name
		}
	}
}

// view is the state for people as it is now, with the plan of another: on battery its
// own.
func view(s, planned *shutdown.State, told []reason, now shutdown.Instant) View {
	v := View{At: wall(now), DecidedAt: wall(s.Now), UPSs: []UPSView{}, Rooms: []RoomView{}, Hosts: []HostView{}, Status: statusLine(s)}
	if s.Policy == nil {
		return v
	}
	v.Site, v.Policy = s.Policy.Site.Name, s.Policy.Fingerprint
	v.Observing = observing(s.Policy)
	if s.Waits() {
		v.NextPolicy = s.Next.Fingerprint
	}
	if s.Wake != shutdown.Never {
		v.NextDecisionInSeconds = seconds(s.Wake.Sub(now))
	}
	v.IfLostNow, v.Outages = planned != s, s.Outage
	zero := planned.Began // the loss of input
	if v.IfLostNow {
		zero = planned.Now // what would be it
	}
	if s.Outstanding() {
		v.Outage = &OutageView{s.Outage, wall(s.Began), *seconds(now.Sub(s.Began)), s.Word == shutdown.Hold, s.Word == shutdown.Proceed, s.Word == shutdown.Abort, s.InputStayed()}
	}
	v.Fits, v.FitsExpected = planned.Planned() && planned.Schedule.Plan.Fits, planned.Planned() && planned.Schedule.Plan.FitsExpected
	if planned.Planned() {
		v.PointOfNoReturn = seconds(planned.Return().Sub(zero))
	}
	for i := range s.UPSs {
		u := viewUPS(s, planned, int32(i), zero, now)
		v.InHandSeconds = least(v.InHandSeconds, u.InHandSeconds)
		if !v.Fits && u.InHandSeconds != nil && *u.InHandSeconds < 0 {
			u.MarginSeconds = u.InHandSeconds
			v.MarginSeconds = least(v.MarginSeconds, u.MarginSeconds)
		}
		v.UPSs = append(v.UPSs, u)
	}
	for j := range s.Rooms {
		v.Rooms = append(v.Rooms, viewRoom(s, j, now))
	}
	for _, k := range s.Order() {
		h := viewHost(s, planned, told, k, zero)
		v.MarginSeconds = least(v.MarginSeconds, h.MarginSeconds)
		for _, f := range s.Policy.Hosts[k].FedBy {
			v.UPSs[f].MarginSeconds = least(v.UPSs[f].MarginSeconds, h.MarginSeconds)
		}
		v.Hosts = append(v.Hosts, h)
	}
	for k := range s.Hosts {
		if s.Policy.Hosts[k].StaysUp {
			v.Hosts = append(v.Hosts, viewHost(s, planned, told, int32(k), zero))
		}
	}
	return v
}

// ifLost keeps the state as it would be if the input of every UPS failed now:
// the real core's answer, on a copy. Each UPS costs the core a plan, so it is
// made anew only when it is old.
type ifLost struct {
	mu    sync.Mutex
	state *shutdown.State
	from  shutdown.Instant
}

const ifLostFor = 5 * time.Second

func (l *ifLost) of(s *shutdown.State) *shutdown.State {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.state != nil && l.state.Policy == s.Policy && s.Now.Sub(l.from) < ifLostFor {
		return l.state
	}
	c := s.IfInputFailed()
	l.state, l.from = c, s.Now
	return c
}

func viewRoom(s *shutdown.State, j int, now shutdown.Instant) RoomView {
	t := &s.Policy.Temperatures[j]
	v := RoomView{Name: t.Name, LimitCelsius: float64(t.LimitTenths) / 10}
	end, _, n, is, ok := s.RoomOutlook(j)
	if is {
		v.Celsius = tenths(n)
	}
	if ok {
		v.LimitSeconds, v.Basis = seconds(max(0, end.Sub(now))), s.RoomBasis(j)
	}
	return v
}

func viewUPS(s, planned *shutdown.State, i int32, zero, now shutdown.Instant) UPSView {
	u := &s.UPSs[i]
	v := UPSView{
		Name: s.Policy.UPSs[i].Name, Phase: s.Phase(i).String(), Since: wall(s.Since(i)), OnBattery: u.OnBattery(), Source: u.Last.Source.String(),
		LoadWatts: int64(math.Ceil(u.Load)), ChargePercent: math.Floor(10*s.ChargePercent(i)) / 10,
		Basis: s.Belief(i).Basis, OwnBattery: u.Last.Battery.String(),
		OwnRuntimeSeconds: read(u.Last.RuntimeSeconds), OwnChargePercent: tenths(u.Last.ChargeTenths), OwnTemperatureCelsius: tenths(u.Last.TemperatureTenthsC),
	}
	v.OwnInput, v.OwnInputVolts = u.Last.Input.String(), tenths(u.Last.InputDecivolts)
	if u.Last != shutdown.Nothing { // else its load is not known either
		v.AnswerAgeSeconds = seconds(now.Sub(u.LastAt))
		low, likely, high := s.Runtime(i)
		runs := func(d time.Duration) *int64 {
			if d < battery.Unending && u.OnBattery() {
				d = max(0, d-now.Sub(s.Now)) // it has gone on since
			}
			return ending(d)
		}
		v.RuntimeSeconds = ThreeWay{runs(low), runs(likely), runs(high)}
	}
	if end, lastDown, inHand, ok := planned.ForecastOf(i); ok {
		v.InHandSeconds, v.LastDownSeconds = ending(inHand), seconds(lastDown.Sub(zero))
		if end != shutdown.Never && end >= now { // else the load fell below what the plan, which was kept, counts on
			v.EndSeconds = seconds(end.Sub(zero))
		}
	}
	return v
}

// off tells whether a host runs no more, by all that is known.
func off(h shutdown.HostState) bool {
	return h == shutdown.Off || h == shutdown.Dark || h == shutdown.TurnedOff
}

func viewHost(s, planned *shutdown.State, told []reason, k int32, zero shutdown.Instant) HostView {
	h, p := &s.Hosts[k], &s.Policy.Hosts[k]
	v := HostView{Name: p.Name, Priority: p.Priority, Power: h.State.String(), Off: off(h.State), Seen: h.Seen.String(), StaysUp: p.StaysUp, Observed: p.Observe, Ordered: h.Word.String()}
	for _, f := range p.FedBy {
		v.FedBy = append(v.FedBy, s.Policy.UPSs[f].Name)
	}
	if h.Seen != 0 {
		at := wall(h.SeenFrom)
		if h.Seen == shutdown.SeenUp || h.Seen == shutdown.SeenRefusing {
			at = wall(h.UpAt)
		}
		v.SeenAt = &at
	}
	in := func(t shutdown.Instant) *int64 { return seconds(t.Sub(zero)) }
	was := func(t shutdown.Instant) *int64 { return seconds(t.Sub(s.Began)) }
	if at, is := s.WouldBeAsked(k); is {
		v.WouldBeAsked = was(at)
	}
	stop, inPlan := planned.StopOf(k)
	from := planned.Schedule.At
	switch {
	case v.WouldBeAsked != nil && planned == s:
		v.Down = was(s.GiveUp(k))
	case s.Outstanding() && h.Stopping():
		v.Asked, v.Down = was(h.Asked), was(s.GiveUp(k))
	case s.Outstanding() && h.State == shutdown.Off && h.Asked >= s.Began:
		v.Asked, v.Down = was(h.Asked), was(h.SeenFrom)
	case inPlan && h.State != shutdown.Off: // that one may have been told to stop before the loss
		v.StopSeconds, v.LatestStartSeconds, v.Down = in(from.Add(stop.Asked)), in(from.Add(stop.Latest)), in(from.Add(stop.Down))
		v.PromisedSeconds, v.PromiseKept = in(planned.PromisedUntil(k)), &stop.Kept
		v.Reason, v.MarginSeconds = told[k].why, told[k].margin
	}
	return v
}

// observing tells who is only watched.
func observing(p *policy.Policy) string {
	switch {
	case p.Site.Observe:
		return "site"
	case p.Observes():
		return "hosts"
	}
	return ""
}

// least is the smaller of two figures, of which either may not be there.
func least(a, b *int64) *int64 {
	if a == nil || b != nil && *b < *a {
		return b
	}
	return a
}

func onBattery(s *shutdown.State) bool {
	return slices.ContainsFunc(s.UPSs, func(u shutdown.UPS) bool { return u.OnBattery() })
}

// statusLine is the state in one line: in an outage what is in hand, the runtimes
// otherwise.
func statusLine(s *shutdown.State) string {
	if s.Policy == nil {
		return "no policy yet"
	}
	var parts []string
	switch observing(s.Policy) {
	case "site":
		parts = append(parts, "only watching")
	case "hosts":
		parts = append(parts, "some hosts only watched")
	}
	if s.Outstanding() {
		parts = append(parts, fmt.Sprintf("outage %d for %s", s.Outage, shutdown.Spell(s.Now.Sub(s.Began))))
	}
	for i := range s.UPSs {
		u := &s.UPSs[i]
		_, _, inHand, _ := s.ForecastOf(int32(i))
		text := s.Policy.UPSs[i].Name + " " + s.Phase(int32(i)).Words()
		low, _, _ := s.Runtime(int32(i))
		switch {
		case s.Silent(int32(i)):
			text += ", silent"
		case u.OnBattery() && inHand < 0:
			text += ", " + shutdown.Spell(-inHand) + " short after the last stop"
		case u.OnBattery() && inHand != 0 && inHand < battery.Unending:
			text += ", " + shutdown.Spell(inHand) + " in hand after the last stop"
		case low < battery.Unending:
			text += fmt.Sprintf(", %s at %.0f W", shutdown.Spell(low), math.Ceil(u.Load))
		}
		parts = append(parts, text)
	}
	if s.Outstanding() {
		off, all := 0, 0
		for _, k := range s.Order() {
			all++
			if s.Hosts[k].IsOff() {
				off++
			}
		}
		parts = append(parts, fmt.Sprintf("%d of %d hosts off", off, all))
	}
	return strings.Join(parts, "; ")
}

// seconds rounds down, whatever the sign.
func seconds(d time.Duration) *int64 {
	n := int64(math.Floor(d.Seconds()))
	return &n
}

func ending(d time.Duration) *int64 {
	if d >= battery.Unending {
		return nil
	}
	return seconds(d)
}

func read(n int64) *int64 {
	if n == shutdown.Unread {
		return nil
	}
	return &n
}

func tenths(n int64) *float64 {
	if n == shutdown.Unread {
		return nil
	}
	f := float64(n) / 10
	return &f
}
