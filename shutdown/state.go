package shutdown

import (
	"math"
	"time"

	"ebbline/policy"
	"ebbline/shutdown/battery"
	"ebbline/shutdown/plan"
)

// Never is an instant that does not come.
const Never Instant = math.MaxInt64

// State is all that the core knows. It is a plain value: sorted slices, no
// maps, no clocks, nothing that a copy would share but the policy, which is
// never changed. [State.Step] changes it in place; take a [State.Clone] first
// where the old one is wanted.
type State struct {
	Policy  *policy.Policy
	Next    *policy.Policy // adopted in an outage; in force when all is Normal
	Day     int64          // of the adoption, for the battery's age
	NextDay int64
	Now     Instant // of the last event
	Wake    Instant // a Tick is wanted then; Never when there is no need
	// HostWake is the part of it that hangs on hosts, as it was decided last.
	HostWake Instant
	Outage   uint32  // counts outages; keeps action names unique
	Began    Instant // when the running outage's input was lost; 0 when all is Normal
	Held     bool    // operator: nobody early
	Going    bool    // operator: all that are affected, at once
	Aborted  bool    // operator: nobody further
	Planned  bool    // Plan fields below and in UPSs and Hosts hold a plan
	Fits     bool    // at worst durations
	FitsExp  bool    // at expected durations
	Return   Instant // the point of no return, by the plan
	Stale    bool    // the plan rests on what is no longer so: another is made
	Worse    bool    // it may no longer be safe: its starts are moved forward
	Slack    bool    // it may leave time over: its starts are moved backward when one has come
	UPSs     []UPS   // by name, as in the policy
	Hosts    []Host  // by name, as in the policy
	Order    []int32 // indices into Hosts: dependents first, own host last

	due  bool // something other than time asks for a decision
	work *work
}

// Phase is where one UPS, with all it feeds, stands in an outage.
type Phase uint8

const (
	Normal      Phase = iota + 1 // input good, charge enough for an outage
	RideThrough                  // on stored energy, waiting for it to pass
	Shedding                     // stops under way; may end early, never undone
	AllDown                      // its hosts down or abandoned; output may go off
	Recovery                     // input back, not yet ready for another outage
)

// String gives the word that people see.
func (p Phase) String() string {
	return [...]string{"", "normal", "ride_through", "shedding", "down", "recovery"}[p]
}

// UPS is one UPS in an outage, or out of one.
type UPS struct {
	Phase    Phase
	Since    Instant // when Phase was entered
	Last     Measurement
	LastAt   Instant // of the last answer; silence is this against now
	GoodAt   Instant // of the last answer with input
	Lost     Instant // when the input was lost; 0 with input
	Back     Instant // when the input came back; 0 without, or when it was never away
	Watched  Instant // since when it has answered without a long silence; 0 for always
	Heard    Instant // of the first answer that said battery
	Readings uint8   // answers in a row that say battery, up to 2
	Dead     bool    // its output is off: it carries nothing
	OffHeard Instant // of the first answer in a row that said so; 0 for none
	TestAt   Instant // since when it has carried its load from the battery and said that it tests it; 0 while it does not
	// From when and until when its output was off in this outage, or may have been
	// unseen. Zero: it never was; it may be still.
	CutFrom, CutTo Instant
	Silent         bool      // the condition is raised
	Lowered        bool      // readings spoke against the belief in this outage
	Low            bool      // its own "battery low" was seen in this outage
	LowEnergy      float64   // joules that it said it had then, less what it gave since
	Output         Switching // where the switching of its output stands
	OutputTry      uint8
	OutputBy       Instant // deadline of the switching action
	Belief         battery.Belief
	Warmth         int64          // the temperature that Belief is at, tenths of a degree Celsius
	Prior          float64        // the low factor on the store before anything was read in this outage
	Factor         float64        // the low one in force
	Likely         float64        // the likely one in force
	Own            float64        // watts of the UPS's own draw, at the low projection
	OwnEnd         Instant        // when the UPS said last that it would be empty; 0 for not
	AtEnd          uint8          // answers in a row with its voltage at the end of a discharge, up to 2
	Charge         battery.Charge // by the model, at ChargeAt
	Beside         battery.Charge // what its own draw may have taken more since the input was lost
	ChargeAt       Instant
	Uncharged      bool    // it is said that it does not charge
	Known          bool    // Charge rests on a reading or on what was seen since one
	Start          float64 // joules taken from it already when the outage began
	StartTenths    int64   // its charge reading then
	Moved          bool    // its gauge has read less than full since the last loss of input
	Load           float64 // watts, last known; of the output
	PlanLoad       float64 // watts the plan counts on, never less than was measured
	Full           float64 // watts with all up, before the outage
	End            Instant // when it is empty under the plan, low projection; Never
	LastDown       Instant // when the plan has its last host down
	Margin         time.Duration
	StartedAt      Instant // of the last start on it, for the stagger
	ReadyFrom      int64   // the charge in whole percent from which it could carry the plan once more; negative before that is worked out
}

// Switching is where the switching of a UPS's output stands.
type Switching uint8

const (
	OutputOn       Switching = iota // nothing asked
	OutputAsking                    // the action is under way
	OutputCounting                  // the UPS counts down
	OutputCalling                   // it is asked to stop counting
	OutputRefused                   // it would not, or nobody knows
)

// Power is what is known of a host.
type Power uint8

const (
	Up        Power = iota + 1 // running, or not known to be otherwise
	Asked                      // told to stop, or being told
	Down                       // proven off
	Abandoned                  // its allowance is used up; it may still draw power
	Starting                   // told to start, not seen up yet
)

// String gives the word that people see.
func (p Power) String() string {
	return [...]string{"", "up", "asked", "down", "abandoned", "starting"}[p]
}

// Host is one host in an outage, or out of one.
type Host struct {
	Power     Power
	Was       Power  // before its UPS's word that the output is off made it Down; 0 where more than that word shows it
	Method    uint8  // index into Methods while Asked, into Starts while Starting
	Try       uint8  // of the action last begun
	Rounds    uint8  // of starts tried through
	InFlight  bool   // that action has not finished
	Told      bool   // it took an order to stop, or may have
	Alive     bool   // seen up since it was last off
	Near      bool   // it was in sight when it was asked, or since
	Dark      bool   // it was off before it was asked, by all that is known: it is not brought back
	Stopped   bool   // an outage stopped it: recovery brings it back
	Prepared  bool   // the early step was begun
	Preparing bool   // and has not ended
	Raised    uint16 // conditions raised about it: see raise
	Forced    bool   // went at its latest start though a dependent may have been up
	Lost      bool   // every start was tried in vain
	Verb      Verb   // of the action last begun
	Outage    uint32
	Seen      Sighting
	SeenAt    Instant
	UpAt      Instant // when it was last seen up, or refusing
	AskedAt   Instant
	DownAt    Instant
	Deadline  Instant // when Asked or Starting moves on to the next method
	GiveUp    Instant // when the whole allowance is used up
	Doubt     Instant // a host still up then did not get the order: where its outcome was unknown
	Retry     Instant // when the method is tried again; 0: not
	Start     Instant // by the plan
	Latest    Instant // by the plan
	Stop      Instant // by the plan: allowance used up
	Promise   Instant // until when it is promised time on battery
	Kept      bool    // by the plan
	Why       plan.Reason
	Other     int32 // host or UPS that Why speaks of; -1 for none
}

// work is scratch space. It holds nothing that a decision rests on.
type work struct {
	planner plan.Planner
	problem plan.Problem
	plan    plan.Plan
	hosts   []int32   // problem host to policy host
	place   []int32   // policy host to problem host, -1
	stores  []int32   // problem store to UPS
	store   []int32   // UPS to problem store, -1
	lack    []float64 // by UPS: watts that the load lacks of what the policy explains
	turn    []int32
	after   []int
	feeds   []plan.Feed
	needs   []int
	starts  []time.Duration
	kept    []bool
	memo    memo
	keeper  guard
	readies []readiness
	key     []uint64
	terse   bool
}

// Terse leaves out the planner's reasons, where nobody reads them. What is decided is
// the same.
func (s *State) Terse(yes bool) { s.scratch().terse = yes }

// New gives the state before any policy.
func New() *State { return &State{Wake: Never} }

// Clone gives an independent copy.
func (s *State) Clone() *State {
	c := *s
	c.UPSs = append([]UPS(nil), s.UPSs...)
	c.Hosts = append([]Host(nil), s.Hosts...)
	c.Order = append([]int32(nil), s.Order...)
	c.work = nil
	return &c
}

// CopyFrom makes s an independent copy of o, in the memory that s has.
func (s *State) CopyFrom(o *State) {
	ups, hosts, order, w := s.UPSs, s.Hosts, s.Order, s.work
	if s.Policy != o.Policy {
		w = nil
	}
	*s = *o
	s.UPSs = append(ups[:0], o.UPSs...)
	s.Hosts = append(hosts[:0], o.Hosts...)
	s.Order = append(order[:0], o.Order...)
	s.work = w
}

// OnBattery tells whether the UPS carries its load from the battery.
func (u *UPS) OnBattery() bool {
	return u.Phase == RideThrough || u.Phase == Shedding || u.Phase == AllDown
}

// good tells whether the UPS has input and carries its load.
func (u *UPS) good() bool { return !u.OnBattery() && !u.Dead }

// confirmed tells whether the loss of input is more than an odd reading or a
// blink: two answers a second or more apart say so, or one and then silence. After a boot of the agent's own host
// what was known is old: it takes a new answer, or a long silence.
func (u *UPS) confirmed(now Instant, silent time.Duration) bool {
	if u.Readings == 0 {
		silent = afterBoot
	}
	return u.Readings >= 2 && u.LastAt >= u.Heard.Add(aMoment) || now.Sub(u.LastAt) >= silent
}

// off tells whether a host is off although nobody here asked it, by all that is
// known.
func (h *Host) off() bool { return !h.Alive && (h.Seen == SeenSilent || h.Seen == SeenOff) }

// unseen tells whether a host was not seen yet since the agent, or its host,
// started, and is given the time for that.
func (h *Host) unseen(at Instant) bool {
	return h.Seen == 0 && h.SeenAt != 0 && at < h.SeenAt.Add(afterBoot)
}

// ran tells whether a host that loses its power was up, by all that is known,
// before it was asked to stop.
func (h *Host) ran() bool {
	if h.Power == Asked || h.Power == Abandoned {
		return !h.Dark
	}
	return !h.off()
}

// affected tells whether no feed of the host has good input. Only such a host
// is ever stopped.
func (s *State) affected(k int32) bool {
	for _, f := range s.Policy.Hosts[k].FedBy {
		if s.UPSs[f].good() {
			return false
		}
	}
	return true
}

// Outstanding tells whether any UPS is out of normal mode.
func (s *State) Outstanding() bool { return s.Began != 0 }

// Waits tells whether a policy of the operator's waits for the end of the
// outage. The one in force with other figures, as they were learned since, is
// none: nobody need know.
func (s *State) Waits() bool {
	return s.Next != nil && (s.Next.Fingerprint != s.Policy.Fingerprint || s.Next.Fingerprint == "")
}

// adopt puts a policy in force and carries over what is known by name.
func (s *State) adopt(p *policy.Policy, day int64, at Instant) {
	old := *s
	s.Policy, s.Day, s.Next = p, day, nil
	s.UPSs = make([]UPS, len(p.UPSs))
	s.Hosts = make([]Host, len(p.Hosts))
	s.work = nil
	for i := range p.UPSs {
		u := &s.UPSs[i]
		*u = UPS{Phase: Normal, Since: at, Last: Nothing, LastAt: at, ChargeAt: at, ReadyFrom: -1}
		b, err := battery.New(&p.UPSs[i], day)
		if err != nil {
			// The loader refuses such a policy; a policy made in code is a fault in the program.
			panic("shutdown: " + p.UPSs[i].Name + ": " + err.Error())
		}
		if old.Policy != nil {
			for j := range old.Policy.UPSs {
				if old.Policy.UPSs[j].Name == p.UPSs[i].Name {
					*u = old.UPSs[j]
				}
			}
		}
		u.Belief, u.Warmth = b, Unread
		u.afresh(p.Site.ConfidencePermille)
		u.ReadyFrom = -1
	}
	for k := range p.Hosts {
		h := &s.Hosts[k]
		*h = Host{Power: Up, Other: -1}
		if old.Policy != nil {
			for j := range old.Policy.Hosts {
				if old.Policy.Hosts[j].Name == p.Hosts[k].Name {
					o := &old.Hosts[j]
					h.Power, h.Was, h.Alive, h.Seen, h.SeenAt, h.UpAt = o.Power, o.Was, o.Alive, o.Seen, o.SeenAt, o.UpAt
					if o.Lost { // what is said of it stays so until it is up
						h.Lost, h.Stopped, h.Raised = true, o.Stopped, o.Raised
					}
				}
			}
		}
	}
	s.Order = s.Order[:0]
	for _, k := range p.Order() {
		s.Order = append(s.Order, int32(k))
	}
	s.due, s.Stale = true, true
}
