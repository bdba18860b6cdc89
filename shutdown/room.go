package shutdown

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ebbline/policy"
	"ebbline/shutdown/battery"
	"ebbline/shutdown/heat"
	"ebbline/shutdown/plan"
)

// The heat of rooms is one more end beside the batteries', and an emergency power off
// one more word that outranks the planner.

// Contact is what was heard of one emergency input.
type Contact struct {
	At   Instant // of the last answer; 0 for none since the agent started
	Used Instant // the first answer in a row that says that it was used; 0 while none does. Once proven it stays until a person clears it
}

// proven tells whether power is cut on purpose, by two answers.
func (c *Contact) proven() bool { return c.Used != 0 && c.At >= c.Used.Add(emergencyApart) }

// cutOnPurpose tells whether power is known to be cut on purpose, by any input; a person
// says when that is over.
func (s *State) cutOnPurpose() bool {
	for j := range s.Contacts {
		if s.Contacts[j].proven() {
			return true
		}
	}
	return false
}

const (
	emergencyApart = 3 * time.Second // apart are two answers that prove an emergency power off
	heatModel      = 1.25            // of the load warms a room that is known, at the worst; engineering value, no source
	heatBack       = 50              // tenths of a kelvin below its limit a room is cool enough to start hosts in
	heatMoved      = 15 * time.Second
	heatSoon       = time.Hour   // before a room may reach its limit it is told of
	sensorSilent   = time.Minute // at the least
	usualTenths    = 270         // where nothing was read: the warmest air that is recommended (ASHRAE 2021, table 2.1)
)

// step is what one count of a sensor means, in tenths of a kelvin.
func (s *State) step(j int) int64 {
	t := &s.Policy.Temperatures[j]
	if t.UPS >= 0 {
		return 10 // RFC 1628, 4.2: whole degrees
	}
	n := t.Scale * 10
	if n < 0 {
		n = -n
	}
	return max(1, int64(n))
}

// warmed takes a reading of one sensor. True when something may follow from it, for its
// own room or for one that it confirms.
func (s *State) warmed(at Instant, j int, tenths int64) (news bool) {
	w := s.scratch()
	w.glances = w.glances[:0]
	for i := range s.Rooms {
		if i == j || s.Policy.Temperatures[i].Confirm == j {
			w.glances = append(w.glances, s.heatGlance(at, i))
		}
	}
	s.Rooms[j].Take(time.Duration(at), tenths, s.step(j))
	clear(w.hots)
	before := w.glances
	for i := range s.Rooms {
		if i == j || s.Policy.Temperatures[i].Confirm == j {
			news = news || before[0] != s.heatGlance(at, i)
			before = before[1:]
		}
	}
	return news
}

// warmedBy takes what a UPS says of the temperature by itself.
func (s *State) warmedBy(at Instant, i int32, m *Measurement) (news bool) {
	for j := range s.Rooms {
		if s.Policy.Temperatures[j].UPS == int(i) && m.TemperatureTenthsC != Unread {
			news = s.warmed(at, j, m.TemperatureTenthsC) || news
		}
	}
	return news
}

// heatGlance is all of a sensor that others rest on, as it can be compared.
type heatGlance struct {
	moved                   verdict // on the end that the schedule counts on
	hot, soon, cool         bool    // it ends, and soon; hosts may be started
	jumped, silent, fastest bool
	beyond                  bool
}

func (s *State) heatGlance(at Instant, j int) heatGlance {
	end := s.roomEnd(at, j)
	g := heatGlance{
		hot: end < Never, soon: s.warms(at, j, end), cool: s.coolEnough(at, j),
		jumped: s.Rooms[j].Jumped(), silent: s.sensorSilent(at, j), fastest: s.tooFast(j),
		beyond: s.Rooms[j].Beyond(s.Policy.Temperatures[j].LimitTenths),
	}
	if s.Planned() {
		g.moved = s.reviewRoom(j, end)
	}
	return g
}

// warms tells whether a room's end is so near that it is told of. What was told stays
// until the room is as cool as it was, or has kept to what it has for an hour, or cools
// and is cool enough: an end at the border comes and goes with each reading.
func (s *State) warms(at Instant, j int, end Instant) bool {
	if end.Sub(at) <= heatSoon {
		return true
	}
	i, r := find(s.Notices, &Notice{Code: RoomWarms, UPS: -1, Host: -1}), &s.Rooms[j]
	if i < 0 || !slices.Contains(strings.Split(s.Notices[i].Name, ", "), s.Policy.Temperatures[j].Name) {
		return false
	}
	return !r.Fell(s.step(j)) && !(r.Cools(s.step(j)) && s.coolEnough(at, j))
}

// sensorSilent tells whether a sensor has not answered for too long.
func (s *State) sensorSilent(at Instant, j int) bool {
	return at >= s.sensorSilentAt(j)
}

func (s *State) sensorSilentAt(j int) Instant {
	every := s.Policy.Temperatures[j].Every
	if u := s.Policy.Temperatures[j].UPS; u >= 0 {
		every = s.Policy.UPSs[u].PollEvery()
	}
	return max(Instant(s.Rooms[j].Heard()), s.Alive).Add(max(3*every, sensorSilent))
}

// roomEnd is when a room may reach its limit, if nothing is stopped; Never while
// nothing shows that. On battery cooling has ended too, for all that is known: one
// sensor is enough, unless the one that is to confirm it does not warm; and a room that
// is known is taken to warm before a sensor shows it.
func (s *State) roomEnd(at Instant, j int) Instant {
	lost := s.firstAway()
	if lost == Never {
		return s.hotEnd(at, j)
	}
	r, c := &s.Rooms[j], s.Policy.Temperatures[j].Confirm
	end, ok := r.Crosses(s.Policy.Temperatures[j].LimitTenths, s.step(j), false)
	switch {
	case !ok && !r.Rose(s.step(j)):
		return s.modelEnd(j, lost)
	case ok && c >= 0 && !s.sensorSilent(at, c) && s.Rooms[c].Denies(s.step(c)):
		return Never
	}
	return endOr(end, ok)
}

// hotEnd is the same for hosts that have input: it takes a policy that says so, and two
// sensors that answer and warm.
func (s *State) hotEnd(at Instant, j int) Instant {
	w := s.scratch()
	for len(w.hots) < len(s.Rooms) {
		w.hots = append(w.hots, hot{})
	}
	if h := &w.hots[j]; !h.known || h.at != at {
		*h = hot{true, at, s.findHot(at, j)}
	}
	return w.hots[j].end
}

// hot is an answer of hotEnd beside the instant that it was asked at; a reading makes it
// unknown.
type hot struct {
	known   bool
	at, end Instant
}

func (s *State) findHot(at Instant, j int) Instant {
	t := &s.Policy.Temperatures[j]
	if !t.WithInput || s.sensorSilent(at, j) || s.sensorSilent(at, t.Confirm) || !s.Rooms[t.Confirm].Rose(s.step(t.Confirm)) {
		return Never
	}
	return endOr(s.Rooms[j].Crosses(t.LimitTenths, s.step(j), true))
}

func endOr(end time.Duration, ok bool) Instant {
	if !ok {
		return Never
	}
	return Instant(end)
}

// modelEnd is when a room whose warming the policy states, or that was learned, may
// reach its limit, from the loss of input on; Never where nothing is known of it, or
// where its sensor has shown since that it does not warm so.
func (s *State) modelEnd(j int, lost Instant) Instant {
	t, r := &s.Policy.Temperatures[j], &s.Rooms[j]
	if t.Room == nil {
		return Never
	}
	watts := float64(heatModel * s.heatOf(j))
	from := s.fromTenths(j)
	if r.Last.At != 0 && !r.Jumped() && Instant(r.Last.At) > lost {
		// What it has not warmed by now is taken for what its sensor is late by.
		lost, from = Instant(r.Last.At), max(from, r.Last.Tenths)
	}
	secs := roomOf(t.Room).Until(watts, 0, float64(t.LimitTenths-from)/10)
	if !(secs < 7*24*3600) {
		return Never
	}
	return lost.Add(battery.Whole(secs))
}

func roomOf(r *policy.HeatRoom) heat.Room {
	return heat.Room{TimeConstant: r.TimeConstant.Seconds(), WattsPerKelvin: r.WattsPerKelvin}
}

// fromTenths is what a room has before it warms: as read, or as the policy says.
func (s *State) fromTenths(j int) int64 {
	switch r, t := &s.Rooms[j], &s.Policy.Temperatures[j]; {
	case r.Last.At != 0 && !r.Jumped():
		return r.Last.Tenths
	case t.Room != nil && t.Room.UsualTenths != 0:
		return t.Room.UsualTenths
	}
	return usualTenths
}

// heatOf is what warms a room now, in watts: what the UPSs of its hosts carry, and what
// they take themselves.
func (s *State) heatOf(j int) float64 {
	sum := 0.0
	for i := range s.UPSs {
		for _, k := range s.Policy.Temperatures[j].Hosts {
			if s.fedBy(int32(k), int32(i)) {
				sum += s.UPSs[i].Load + s.belief(int32(i)).OverheadWatts
				break
			}
		}
	}
	return sum
}

// RoomWatts is what warms a temperature's room now, in watts.
func (s *State) RoomWatts(j int) float64 { return s.heatOf(j) }

// RoomNow is what a sensor said last, in tenths of a degree Celsius; false where it is not
// believed, or says nothing.
func (s *State) RoomNow(j int) (tenths int64, ok bool) {
	r := &s.Rooms[j]
	ok = r.Last.At != 0 && r.Odd.At == 0 && !r.Jumped() && !s.sensorSilent(s.Now, j) && !s.stoodStill(s.Now, j) && !r.Beyond(s.Policy.Temperatures[j].LimitTenths)
	return r.Last.Tenths, ok
}

// RoomBasis says on what it rests when a room may reach its limit; "" where nothing is
// known of it.
func (s *State) RoomBasis(j int) string {
	switch room := s.Policy.Temperatures[j].Room; {
	case s.Rooms[j].Rose(s.step(j)):
		return "by what its sensor showed in the last minutes"
	case room == nil:
		return ""
	case room.Learned == 1:
		return "by how the room warmed once, measured"
	case room.Learned > 1:
		return fmt.Sprintf("by how the room warmed %d times, measured", room.Learned)
	}
	return "by the policy's figures of the room"
}

// firstAway is when the first input was lost that is away; Never while none is. Whether
// that is sure is asked of whoever is to go.
func (s *State) firstAway() Instant {
	t := Never
	for i := range s.UPSs {
		if u := &s.UPSs[i]; u.OnBattery() {
			t = min(t, u.Lost)
		}
	}
	return t
}

// heated tells whether a host is to go though it has input, since its room gets too
// warm.
func (s *State) heated(k int32) bool {
	for j := range s.Rooms {
		if s.Policy.Temperatures[j].WithInput && !s.Policy.Hosts[k].Self && s.standsIn(j, k) && s.hotEnd(s.Now, j) < Never {
			return true
		}
	}
	return false
}

// standsIn tells whether a host is planned to be off before a room is too warm. The
// agent's own is planned so, and stays: see [State.maybeAsk].
func (s *State) standsIn(j int, k int32) bool {
	return dependsOn(s.Policy.Temperatures[j].Hosts, k)
}

// coolEnough tells whether hosts may be started in a room. A sensor that cannot be
// believed holds nobody back.
func (s *State) coolEnough(at Instant, j int) bool {
	r, limit := &s.Rooms[j], s.Policy.Temperatures[j].LimitTenths
	if r.Last.At == 0 || r.Jumped() || r.Beyond(limit) || s.sensorSilent(at, j) || s.stoodStill(at, j) {
		return true
	}
	return r.Last.Tenths <= limit-heatBack && s.roomEnd(at, j) == Never
}

// coolFor tells whether every room in which a host stands is cool enough to start it.
func (s *State) coolFor(at Instant, k int32) bool {
	for j := range s.Rooms {
		if s.standsIn(j, k) && !s.coolEnough(at, j) {
			return false
		}
	}
	return true
}

// stoodStill tells whether a sensor says the same for longer than air does.
func (s *State) stoodStill(at Instant, j int) bool {
	var other *heat.Sensor
	if c := s.Policy.Temperatures[j].Confirm; c >= 0 {
		other = &s.Rooms[c]
	}
	return s.Rooms[j].StandsStill(time.Duration(at), s.step(j), other)
}

// tooFast tells whether a room warms faster than the policy wants to be told of.
func (s *State) tooFast(j int) bool {
	rate := s.Policy.Temperatures[j].RateTenths
	return rate > 0 && s.Rooms[j].HourRate(s.step(j)) >= float64(rate)
}

// poseRooms writes the ends of rooms to the planner, as stores that last until then
// whatever is stopped: to stop somebody never makes a room warmer.
func (s *State) poseRooms(at Instant, w *work) {
	w.rooms = w.rooms[:0]
	for j := range s.Rooms {
		end, place := s.roomEnd(at, j), int32(-1)
		if end < Never && len(w.problem.Stores) < 64 {
			place = int32(len(w.problem.Stores))
			left := max(0, end.Sub(at)).Truncate(time.Second)
			w.problem.Stores = append(w.problem.Stores, plan.Store{Model: battery.Model{Energy: left.Seconds()}, Base: 1})
		}
		w.rooms = append(w.rooms, place)
	}
}

// poseHeated has a host that has input live as long as the first of its rooms, and draw
// on no battery.
func (s *State) poseHeated(k int32, q *plan.Host, w *work) {
	q.Watts, q.Stopping = 0, 0
	for j, place := range w.rooms {
		if place >= 0 && s.standsIn(j, k) {
			w.feeds = append(w.feeds, plan.Feed{Store: int(place), Part: 1})
			q.Feeds = w.feeds[len(w.feeds)-1 : len(w.feeds) : len(w.feeds)]
			return
		}
	}
}

// needRooms has a host be off before its rooms are too warm.
func (s *State) needRooms(k int32, w *work) {
	for j, place := range w.rooms {
		if place >= 0 && s.standsIn(j, k) {
			w.needs = append(w.needs, int(place))
		}
	}
}

// reviewRoom compares a room's end with the one that the schedule counts on.
func (s *State) reviewRoom(j int, end Instant) verdict {
	was := s.endCounted(j)
	switch {
	case (end < Never) != (was < Never):
		return anew
	case end < was.Add(-heatMoved):
		return worse
	case was < Never && end.Sub(was) > max(time.Minute, was.Sub(s.Schedule.At)/10):
		return slack
	}
	return holds
}

func (s *State) reviewRooms(at Instant) verdict {
	r := holds
	for j := range s.Rooms {
		switch v := s.reviewRoom(j, s.roomEnd(at, j)); v {
		case anew:
			return anew
		default:
			r = max(r, v)
		}
	}
	return r
}

// anyHot tells whether a room ends that may stop hosts that have input.
func (s *State) anyHot() bool {
	for k := range s.Hosts {
		if s.heated(int32(k)) && s.planned(int32(k)) {
			return true
		}
	}
	return false
}

// endOfHeat is the first end of the rooms in which a host stands, by the schedule in
// force; Never for none.
func (s *State) endOfHeat(k int32) Instant {
	end := Never
	for j := range s.Rooms {
		if s.standsIn(j, k) {
			end = min(end, s.endCounted(j))
		}
	}
	return end
}

// endCounted is the end of a room that the schedule in force counts on; Never for none.
func (s *State) endCounted(j int) Instant {
	if !s.Planned() {
		return Never
	}
	e := &s.Schedule.Rests[len(s.UPSs)+j]
	if e.Load < 0 {
		return Never
	}
	return s.Schedule.At.Add(time.Duration(math.Round(e.Holds * float64(time.Second))))
}

// RoomEnd is when a room may reach its limit by the schedule in force; false when none
// is counted on.
func (s *State) RoomEnd(j int) (Instant, bool) {
	end := s.endCounted(j)
	return end, end < Never
}

// touched takes an answer of one emergency input. True when something may follow.
func (s *State) touched(at Instant, j int, used bool) bool {
	c, was := &s.Contacts[j], s.cutOnPurpose()
	switch {
	case used && c.Used == 0:
		c.Used = at
	case !used && !c.proven():
		c.Used = 0
	}
	c.At = at
	if was || !s.cutOnPurpose() {
		return false
	}
	s.dropSchedule()
	return true
}

// clearEmergency is a person's word that all is well again. What an input says still is
// heard anew.
func (s *State) clearEmergency() {
	for j := range s.Contacts {
		s.Contacts[j].Used = 0
	}
}

// ofRooms are the conditions of rooms and emergency inputs, one of a kind.
func (s *State) ofRooms(at Instant) {
	for j := range s.Rooms {
		r, t := &s.Rooms[j], &s.Policy.Temperatures[j]
		switch end := s.roomEnd(at, j); {
		case s.sensorSilent(at, j):
			s.holdsOf(SensorSilent, t.Name)
		case r.Jumped():
			n := s.holdsOf(SensorJumped, t.Name)
			n.A, n.B = r.Odd.Tenths, r.Last.Tenths
		case s.stoodStill(at, j):
			s.holdsOf(SensorStuck, t.Name).A = r.Last.Tenths
		case r.Beyond(t.LimitTenths):
			n := s.holdsOf(SensorBeyond, t.Name)
			n.A, n.B = r.Last.Tenths, t.LimitTenths
		case s.warms(at, j, end):
			n := s.holdsOf(RoomWarms, t.Name)
			n.A, n.B, n.Span = t.LimitTenths, s.fromTenths(j), battery.Unending
			if end < Never {
				n.Span = max(0, end.Sub(at))
			}
		case s.tooFast(j):
			n := s.holdsOf(RoomWarmsFast, t.Name)
			n.A, n.B = t.RateTenths, r.Last.Tenths
		}
	}
	for j := range s.Contacts {
		if at >= s.contactSilentAt(j) {
			s.holdsOf(EmergencyUnread, s.Policy.Emergencies[j].Name)
		}
	}
	if s.cutOnPurpose() {
		n := s.holdsThat(EmergencyOff, -1, -1)
		for j := range s.Contacts {
			if s.Contacts[j].proven() {
				n.Name = s.Policy.Emergencies[j].Name
			}
		}
		for i := range s.UPSs {
			if u := &s.UPSs[i]; u.From != 0 && u.good() {
				n.A = InputThere
			}
		}
	}
}

// holdsOf notes that something holds of one that is neither UPS nor host; of several,
// it names them all.
func (s *State) holdsOf(c Code, name string) *Notice {
	w := s.scratch()
	if i := find(w.holding, &Notice{Code: c, UPS: -1, Host: -1}); i >= 0 {
		w.holding[i].Name += ", " + name
		return &w.holding[i]
	}
	n := s.holdsThat(c, -1, -1)
	n.Name = name
	return n
}

func (s *State) contactSilentAt(j int) Instant {
	return max(s.Contacts[j].At, s.Alive).Add(max(3*s.Policy.Emergencies[j].Every, sensorSilent))
}

// roomWake is when time alone changes what is known of rooms and emergency inputs.
func (s *State) roomWake(sooner func(Instant)) {
	for j := range s.Rooms {
		sooner(s.sensorSilentAt(j))
		sooner(Instant(s.Rooms[j].StillAt()))
		if end := s.roomEnd(s.Now, j); end < Never {
			sooner(end.Add(-heatSoon))
		}
	}
	for j := range s.Contacts {
		sooner(s.contactSilentAt(j))
	}
}

// Furnish gives a state that was read, and heard nothing of rooms and emergency inputs
// that its policy has, a place for them.
func (s *State) Furnish() {
	if s.Policy != nil && len(s.Rooms) == 0 && len(s.Contacts) == 0 && len(s.Schedule.Rests) <= len(s.UPSs) {
		s.readopt(s.Now, &State{})
		for range s.Rooms {
			if s.Planned() {
				s.Schedule.Rests = append(s.Schedule.Rests, Rest{Load: -1})
			}
		}
	}
}

// RoomOutlook is when a room reaches its limit from now on, at the earliest and, where it
// is known how it warms, likely; from which temperature, and whether that was read. False
// where it does not, for all that is known.
func (s *State) RoomOutlook(j int) (end, probable Instant, tenths int64, read, ok bool) {
	end, probable, tenths, read = s.roomEnd(s.Now, j), Never, s.fromTenths(j), s.Rooms[j].Last.At != 0
	if t := &s.Policy.Temperatures[j]; t.Room != nil && s.anyOnBattery() && !s.Rooms[j].Rose(s.step(j)) {
		if secs := roomOf(t.Room).Until(s.heatOf(j), 0, float64(t.LimitTenths-tenths)/10); secs < 7*24*3600 {
			probable = max(end, s.firstAway().Add(battery.Whole(secs)))
		}
	}
	return end, probable, tenths, read, end < Never
}

// readopt keeps of sensors and emergency inputs what was heard of those of the same
// name.
func (s *State) readopt(at Instant, old *State) {
	s.Rooms, s.Contacts = nil, nil
	for j := range s.Policy.Temperatures {
		r := heat.Sensor{Hour: time.Duration(at)}
		for i := range old.Rooms {
			if a, b := &old.Policy.Temperatures[i], &s.Policy.Temperatures[j]; a.Name == b.Name && a.UPS == b.UPS && a.OID == b.OID && a.File == b.File && a.Scale == b.Scale {
				r = old.Rooms[i]
			}
		}
		s.Rooms = append(s.Rooms, r)
	}
	for range s.Policy.Emergencies {
		s.Contacts = append(s.Contacts, Contact{At: at})
	}
}
