// Package plan finds who stops when. It is given the batteries and hosts as
// they stand now, time zero, and answers with a start for every host such that
// all are off before the battery's conservative end less the reserve, in
// order, at worst durations; then the promised times are kept from the highest
// priority down; and what battery is left goes where it is worth most. It must
// never read a clock, draw a random number or depend on the order of a map.
package plan

import (
	"time"

	"ebbline/shutdown/battery"
)

// Problem is the site at time zero. Planning does not change it.
type Problem struct {
	Stores []Store
	Hosts  []Host

	// Floor is a time that every host is kept up, as far as the batteries can
	// carry it: what is left of the ride-through.
	Floor time.Duration
	// Reserve is battery time never planned away: when the last host that a
	// store must carry is down, that store could have carried the load of the
	// moment before for so long again.
	Reserve time.Duration
	// AtOnce bounds the stops under way at the same time; 0 is no limit.
	AtOnce int
	// Slot is the grid of the starts; 0 lets the planner choose one. Starts are
	// multiples of it.
	Slot time.Duration
	// Survival is the chance that the outage is still on after each slot, first
	// 1; empty takes the built-in curve, from Elapsed on. Past its end its last
	// value holds.
	Survival []float64
	// Elapsed is how long the outage has lasted already.
	Elapsed time.Duration
	// EachLost asks that the plan also hold when any one store with a host that
	// another store feeds too gives out at time zero. A loss that no plan
	// survives is reported in Plan.Fragile and asks for nothing.
	EachLost bool
}

// Store is one battery as the plan may count on it: the low projection.
type Store struct {
	Model  battery.Model
	Charge battery.Charge
	Base   float64 // watts that no stop takes away while the store lasts
}

// Host is one host that is to be stopped, or is stopping.
type Host struct {
	Watts    float64       // while up
	Stopping float64       // while it stops
	Stops    time.Duration // its whole allowance, the worst it may take
	Expected time.Duration // what it takes as a rule
	Feeds    []Feed        // one, or several for a redundant supply: it lives while one of them does
	Needs    []int         // stores that must last until it is down, though they need not feed it
	After    []int         // hosts that must be down before it may stop: those that depend on it
	Priority int64         // higher is kept longer
	Value    float64       // per second of up-time; 0 takes Priority
	Restart  float64       // cost of having been stopped, in the unit of Value times seconds
	Hold     time.Duration // promised time up, from time zero

	// Asked hosts are stopping since before time zero: they start at zero and
	// Stops and Expected are what is left.
	Asked bool
}

// Feed is the part of a host's draw on one store while all its stores last.
// When one gives out the others share by their parts.
type Feed struct {
	Store int
	Part  float64
}

// Plan is the answer. It is a value; it is shown, kept and replayed.
type Plan struct {
	// Fits says that every host is off in time at worst durations. A plan that
	// does not fit is still the best there is: dependents first, all at once,
	// each at its latest start at the latest.
	Fits bool
	// FitsExpected says the same at expected durations; a plan that does not fit
	// but fits so is made at those.
	FitsExpected bool
	// NoReturn is the latest time at which, with nothing started, a safe plan
	// still exists; negative when there is none even now.
	NoReturn time.Duration
	Stops    []Stop     // in the order of Problem.Hosts
	Stores   []Forecast // in the order of Problem.Stores
	// Fragile names the stores whose loss at time zero no plan survives
	// (only with EachLost).
	Fragile []int
	// Proven is empty when one replay at worst durations proves the plan for
	// every shorter duration (no host draws more while stopping than while up,
	// and no limit on stops at once); otherwise it says which condition fails
	// and what was done instead.
	Unproven string
}

// Stop is one host's place in the plan.
type Stop struct {
	Start time.Duration // asked
	Down  time.Duration // its allowance used up, at the latest
	// Latest is the start after which, even alone and at its expected time, it
	// would be too late for it and for all that must follow it: the moment at
	// which it goes though a dependent may still be up.
	Latest time.Duration
	Kept   bool // the promised time is kept
	Why    Reason
	// Other is the host or store that Why speaks of, -1 for none.
	Other int
}

// Reason says why a host goes then and not later.
type Reason uint8

const (
	ForBattery  Reason = iota + 1 // later, and the batteries would not carry all to the end
	ForPromise                    // its watts keep the promised time of Other
	ForOrder                      // Other must follow, and needs the time
	ForWorth                      // its watts are worth more to Other
	ForNoReturn                   // no plan fits: at once
	BeforeAll                     // already asked
)

// Forecast is one store under the plan, at the projection the problem gave.
type Forecast struct {
	// End is when it would be empty if the last host it must carry never went
	// down: the plan, with the load before the last stop held on.
	// A negative value stands for never.
	End      time.Duration
	LastDown time.Duration // when the last host it must carry is down, at worst
	Margin   time.Duration // End - Reserve - LastDown
}
