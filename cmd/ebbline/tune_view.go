package main

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/simulate"
)

// tuneView is the document of `tune --json`.
type tuneView struct {
	Site string     `json:"site"`
	Now  standsView `json:"now"`
	// Interrupted tells that what follows is what was known by then.
	Interrupted bool `json:"interrupted,omitempty"`

	Measured []noteView `json:"measured,omitempty"`
	*lookView
	WhatIf *whatIfView `json:"what_if,omitempty"`
}

// standsView says how a plan stands.
type standsView struct {
	Fits            bool   `json:"fits"`
	NoReturnSeconds int64  `json:"point_of_no_return_seconds"`
	InHandSeconds   *int64 `json:"in_hand_seconds"` // after the last stop, low projection, beyond the reserve: the smallest of the UPSs
}

func stands(a *simulate.Answer) standsView {
	noReturn, inHand := a.Limits()
	v := standsView{Fits: a.Fits, NoReturnSeconds: seconds(noReturn)}
	if inHand != simulate.Untested && (a.Fits || inHand < 0) { // what a plan that does not fit leaves elsewhere says nothing
		n := seconds(inHand)
		v.InHandSeconds = &n
	}
	return v
}

// lookView is what is said where no change is asked about.
type lookView struct {
	UPSs     []roomView        `json:"ups"`
	Shed     []shedView        `json:"shed"`
	Promises []promiseTuneView `json:"promises"`
	Better   *orderView        `json:"better"`
	// SearchCut tells that not all orders near this one were tried.
	SearchCut bool `json:"search_cut"`
}

type roomView struct {
	Name                 string   `json:"name"`
	LoadWatts            int64    `json:"load_watts"`
	RuntimeSeconds       threeWay `json:"runtime_seconds"`
	RoomRatingWatts      int64    `json:"room_rating_watts"`
	RoomPromisesWatts    int64    `json:"room_promises_watts"`
	RoomPlanWatts        int64    `json:"room_plan_watts"`
	BatteryPromisesShare int64    `json:"least_battery_promises_percent"`
	BatteryPlanShare     int64    `json:"least_battery_plan_percent"`
	FirstBroken          *string  `json:"first_broken"`
}

type shedView struct {
	Name        string     `json:"name"`
	With        []string   `json:"with"`
	LoadWatts   int64      `json:"load_watts"`
	PrioritySum int64      `json:"priority_sum"`
	Gains       []gainView `json:"gains"`
}

type gainView struct {
	UPS                string   `json:"ups"`
	LongerSeconds      threeWay `json:"longer_seconds"`
	PerPrioritySeconds *float64 `json:"longer_per_priority_seconds"`
}

type promiseTuneView struct {
	Name            string     `json:"name"`
	Priority        int64      `json:"priority"`
	PromisedSeconds int64      `json:"promised_seconds"`
	UpSeconds       int64      `json:"up_seconds"`
	Kept            bool       `json:"kept"`
	Costs           []lossView `json:"costs"`
	LongestSeconds  int64      `json:"longest_seconds"`
	LongestCosts    []lossView `json:"longest_costs"`
}

type lossView struct {
	Name           string `json:"name"`
	EarlierSeconds int64  `json:"earlier_seconds"`
}

type orderView struct {
	Steps         []stepView      `json:"steps"`
	Kept          int             `json:"promises_kept_before"`
	KeptThen      int             `json:"promises_kept_after"`
	GainedSeconds int64           `json:"gained_seconds"`
	LostSeconds   int64           `json:"lost_seconds"`
	Hosts         []orderHostView `json:"hosts"`
}

type stepView struct {
	Change         string `json:"change"`
	Host           string `json:"host"`
	With           string `json:"with,omitempty"`
	KeepForSeconds *int64 `json:"keep_for_seconds,omitempty"`
	Text           string `json:"text"`
}

type orderHostView struct {
	Name            string `json:"name"`
	Priority        int64  `json:"priority_before"`
	PriorityThen    int64  `json:"priority_after"`
	UpSeconds       int64  `json:"up_before_seconds"`
	UpThenSeconds   int64  `json:"up_after_seconds"`
	PromisedSeconds int64  `json:"promised_seconds"`
	Kept            bool   `json:"kept_before"`
	KeptThen        bool   `json:"kept_after"`
}

type whatIfView struct {
	Changes     []string    `json:"changes"`
	After       standsView  `json:"after"`
	UPSs        []thenView  `json:"ups"`
	Moved       []movedView `json:"moved"`
	Broken      []string    `json:"broken"`
	FirstBroken *string     `json:"first_broken"`
	KeptNow     []string    `json:"kept_now"`
	NotKept     []string    `json:"added_not_kept"`
}

type thenView struct {
	Name                 string   `json:"name"`
	RatedWatts           int64    `json:"rated_watts"`
	LoadBeforeWatts      int64    `json:"load_before_watts"`
	LoadAfterWatts       int64    `json:"load_after_watts"`
	RuntimeBeforeSeconds threeWay `json:"runtime_before_seconds"`
	RuntimeAfterSeconds  threeWay `json:"runtime_after_seconds"`
}

// movedView is until when a host is up and when it is down at the latest; null
// where it is off, or not there.
type movedView struct {
	Name              string `json:"name"`
	UpBeforeSeconds   *int64 `json:"up_before_seconds"`
	UpAfterSeconds    *int64 `json:"up_after_seconds"`
	DownBeforeSeconds *int64 `json:"down_before_seconds"`
	DownAfterSeconds  *int64 `json:"down_after_seconds"`
}

// fits tells whether the plan that was asked about fits.
func (v *tuneView) fits() bool {
	if v.WhatIf != nil {
		return v.WhatIf.After.Fits
	}
	return v.Now.Fits
}

func threeSeconds(t simulate.Three) threeWay {
	return threeWay{ending(t.Low), ending(t.Likely), ending(t.High)}
}

// look fills in what is said of the policy as it is. An interruption ends it early. Its
// pieces rest on nothing but the scene and the answer to it, so all cores share them; the
// longest, the search for a better order, comes early, so that the others fill its time.
func (v *tuneView) look(ctx context.Context, c *simulate.Scene, step func(string, ...any)) {
	p, now := c.Policy, c.Answer()
	v.Now = stands(now)
	v.lookView = &lookView{Shed: []shedView{}, Promises: []promiseTuneView{}}
	rooms, promises := make([]*roomView, len(p.UPSs)), make([]*promiseTuneView, len(p.Hosts))
	pieces := []piece{
		{"what shedding brings", func() { v.Shed = v.shed(c) }},
		{"a better order", func() {
			o := c.Better(now, func() bool { return ctx.Err() != nil })
			if v.SearchCut = o.Cut; len(o.Steps) > 0 {
				v.Better = orderOf(c, now, o)
			}
		}},
	}
	for i := range p.UPSs {
		pieces = append(pieces, piece{"room of UPS " + p.UPSs[i].Name, func() { rooms[i] = roomLeft(c, now, i) }})
	}
	asking := sync.Pool{New: func() any { return c.Promises(now) }} // one question at a time for each
	for k := range p.Hosts {
		if now.Stays[k].Planned && !p.Hosts[k].Self {
			pieces = append(pieces, piece{"promises to " + p.Hosts[k].Name, func() {
				asked := asking.Get().(*simulate.Promises)
				promises[k] = promiseOf(c, now, asked.Of(k))
				asking.Put(asked)
			}})
		}
	}
	v.Interrupted = !onAllCores(ctx, pieces, step)
	for _, r := range rooms {
		if r != nil { // not interrupted before
			v.UPSs = append(v.UPSs, *r)
		}
	}
	for _, f := range promises {
		if f != nil {
			v.Promises = append(v.Promises, *f)
		}
	}
	slices.SortStableFunc(v.Promises, func(a, b promiseTuneView) int { return int(b.Priority - a.Priority) })
}

// piece is a part of the work that needs no other part's result.
type piece struct {
	name string
	work func()
}

// onAllCores does pieces of work in their order on all cores, says which, and tells whether
// none was interrupted or left out.
func onAllCores(ctx context.Context, pieces []piece, step func(string, ...any)) (whole bool) {
	defer step("")
	var wg sync.WaitGroup
	var mu sync.Mutex
	take := func() *piece {
		mu.Lock()
		defer mu.Unlock()
		if ctx.Err() != nil || len(pieces) == 0 {
			return nil
		}
		p := &pieces[0]
		pieces = pieces[1:]
		step("%s", p.name)
		return p
	}
	for range min(runtime.NumCPU(), len(pieces)) {
		wg.Go(func() {
			for p := take(); p != nil; p = take() {
				p.work()
			}
		})
	}
	wg.Wait()
	return ctx.Err() == nil
}

// roomLeft looks into one UPS.
func roomLeft(c *simulate.Scene, now *simulate.Answer, i int) *roomView {
	p, r, u := c.Policy, c.Room(now, i), &now.UPSs[i]
	room := &roomView{
		Name: p.UPSs[i].Name, LoadWatts: int64(math.Ceil(u.Load)), RuntimeSeconds: threeSeconds(u.Runtime),
		RoomRatingWatts: r.MostWatts, RoomPromisesWatts: r.KeepWatts, RoomPlanWatts: r.FitWatts,
		BatteryPromisesShare: r.KeepPercent, BatteryPlanShare: r.FitPercent,
	}
	if r.First >= 0 {
		room.FirstBroken = &p.Hosts[r.First].Name
	}
	return room
}

func (v *tuneView) shed(c *simulate.Scene) []shedView {
	list := []shedView{}
	for _, g := range c.Gains() {
		s := shedView{Name: c.Policy.Hosts[g.Host].Name, With: names(c.Policy, g.With), LoadWatts: g.Watts, PrioritySum: g.Priority}
		if s.With == nil {
			s.With = []string{}
		}
		for i, t := range g.More {
			if t.Low == 0 && t.Likely == 0 && t.High == 0 {
				continue
			}
			gain := gainView{UPS: c.Policy.UPSs[i].Name, LongerSeconds: threeSeconds(t)}
			if t.Low != simulate.Endless {
				per := math.Round(t.Low.Seconds()/float64(g.Priority)*10) / 10
				gain.PerPrioritySeconds = &per
			}
			s.Gains = append(s.Gains, gain)
		}
		list = append(list, s)
	}
	slices.SortStableFunc(list, func(a, b shedView) int {
		switch x, y := a.best(), b.best(); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	return list
}

// best is the most that a unit of its priority brings, in seconds.
func (s *shedView) best() float64 {
	best := 0.0
	for _, g := range s.Gains {
		if g.PerPrioritySeconds == nil {
			return math.Inf(1)
		}
		best = max(best, *g.PerPrioritySeconds)
	}
	return best
}

func promiseOf(c *simulate.Scene, now *simulate.Answer, p simulate.Promise) *promiseTuneView {
	k := p.Host
	h := &c.Policy.Hosts[k]
	losses := func(list []simulate.Loss) []lossView {
		out := []lossView{}
		for _, l := range list {
			out = append(out, lossView{c.Policy.Hosts[l.Host].Name, seconds(l.By)})
		}
		return out
	}
	return &promiseTuneView{
		Name: h.Name, Priority: h.Priority, PromisedSeconds: seconds(h.KeepFor), UpSeconds: seconds(now.Stays[k].Up), Kept: now.Stays[k].Kept,
		Costs: losses(p.Cost), LongestSeconds: seconds(p.Longest), LongestCosts: losses(p.Price),
	}
}

func orderOf(c *simulate.Scene, now *simulate.Answer, o *simulate.Order) *orderView {
	v := &orderView{Kept: o.Kept, KeptThen: o.KeptThen, GainedSeconds: seconds(o.Gained), LostSeconds: seconds(o.Forgone)}
	p, q := c.Policy, o.Then.Scene.Policy
	for _, s := range o.Steps {
		step := stepView{Host: p.Hosts[s.Host].Name}
		switch s.Kind {
		case simulate.Exchange:
			step.Change, step.With = "exchange", p.Hosts[s.With].Name
			step.Text = fmt.Sprintf("let %s and %s exchange their priorities", step.Host, step.With)
		case simulate.Dropping:
			step.Change = "drop"
			step.Text = fmt.Sprintf("drop the keep_for of %s", step.Host)
		case simulate.Promising:
			n := seconds(s.Keep)
			step.Change, step.KeepForSeconds = "promise", &n
			step.Text = fmt.Sprintf("promise %s a keep_for of %s", step.Host, shutdown.Spell(s.Keep))
		}
		v.Steps = append(v.Steps, step)
	}
	for k := range p.Hosts {
		a, b, h := &now.Stays[k], &o.Then.Stays[k], &p.Hosts[k]
		if !a.Planned {
			continue
		}
		v.Hosts = append(v.Hosts, orderHostView{
			Name: h.Name, Priority: h.Priority, PriorityThen: q.Hosts[k].Priority, UpSeconds: seconds(a.Up), UpThenSeconds: seconds(b.Up),
			PromisedSeconds: seconds(h.KeepFor), Kept: a.Kept, KeptThen: b.Up >= h.KeepFor,
		})
	}
	slices.SortStableFunc(v.Hosts, func(a, b orderHostView) int { return int(b.PriorityThen - a.PriorityThen) })
	return v
}

// compare fills in what a change does.
func (v *tuneView) compare(before, after *simulate.Scene, changes []string) {
	a, b := before.Answer(), after.Answer()
	v.Now = stands(a)
	w := &whatIfView{Changes: changes, After: stands(b), Moved: []movedView{}, Broken: []string{}, KeptNow: []string{}, NotKept: []string{}}
	for i := range a.UPSs {
		u := &before.Policy.UPSs[i]
		w.UPSs = append(w.UPSs, thenView{
			u.Name, after.RatedWatts(i), int64(math.Ceil(a.UPSs[i].Load)), int64(math.Ceil(b.UPSs[i].Load)),
			threeSeconds(a.UPSs[i].Runtime), threeSeconds(b.UPSs[i].Runtime),
		})
	}
	some := func(s simulate.Stay, d time.Duration) *int64 {
		if !s.Planned {
			return nil
		}
		n := seconds(d)
		return &n
	}
	for _, m := range simulate.Moves(a, b) {
		w.Moved = append(w.Moved, movedView{m.Name, some(m.Before, m.Before.Up), some(m.Then, m.Then.Up), some(m.Before, m.Before.Down), some(m.Then, m.Then.Down)})
	}
	w.Broken = append(w.Broken, names(after.Policy, simulate.Broken(a, b))...)
	if len(w.Broken) > 0 {
		w.FirstBroken = &w.Broken[0]
	}
	for k := range b.Stays {
		h, then := &after.Policy.Hosts[k], &b.Stays[k]
		if h.KeepFor == 0 || !then.Planned {
			continue
		}
		was := slices.IndexFunc(before.Policy.Hosts, func(x policy.Host) bool { return x.Name == h.Name })
		switch {
		case was < 0 && !then.Kept:
			w.NotKept = append(w.NotKept, h.Name)
		case was >= 0 && !a.Stays[was].Kept && then.Kept:
			w.KeptNow = append(w.KeptNow, h.Name)
		}
	}
	v.WhatIf = w
}
