// Package aftermath tells an outage from the records of the history: what became of
// each host and each battery, how that compares with what was predicted, and what
// to change. It reads and judges; it must never write, and never decide.
package aftermath

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"ebbline/agent/history"
	"ebbline/shutdown"
)

// Account is one outage as the records have it.
type Account struct {
	Outage     history.Outage
	Running    bool           // it is the last one, and its end is not recorded
	Followed   bool           // the input was lost again before all was normal: another outage goes on with its hosts
	Last       history.Moment // the last that is recorded of it
	Full       bool           // hosts, margins and conditions were recorded, as they are where a host was asked to stop
	Hosts      []Host         // in the order in which they were asked, then the others
	Batteries  []Battery      // of the UPSs that lost their input, by name
	Orders     []history.GivenOrder
	Actions    []history.Action    // what was ordered of outputs, and early steps
	Conditions []history.Condition // that were so in it
	Steps      []Step              // what to do, the most urgent first
	Others     []history.Moment    // beginnings of other outages with its number
}

// Fate is what became of a host in an outage.
type Fate uint8

// The fates. The good ones come before Unseen.
const (
	StayedUp  Fate = iota + 1 // it was not asked, or is never stopped
	WentOff                   // asked, and proven off
	WithHost                  // a guest whose host went off; its own stop was not seen
	WasOff                    // off before it was asked
	GoesLast                  // the agent's own host, told to stop: nothing sees it go off
	Spared                    // asked, and the input was back before it went
	Watched                   // only watched: it would have been asked
	Stopping                  // asked; it is not off yet, and the outage is on
	Unseen                    // asked, and it was not seen whether it went in order
	GaveUp                    // its allowance was used up
	LostPower                 // its power went while it was not known to be off
)

// Host is one host in an outage.
type Host struct {
	history.OutageHost
	Fate    Fate
	Off     history.Moment // when it was proven off; none: it was not
	Took    time.Duration  // from asked to that, or to being given up
	Method  string         // by which it stopped
	Forced  bool           // by having its power taken
	Late    bool           // proven off after its allowance was used up
	Ahead   []string       // hosts that need it and were not off when it was asked
	Told    history.Moment // to start; none: it was not
	BackAt  history.Moment // when it answered again; none: that was not seen
	NotBack bool           // every way to start it was tried, or there is none
	Ordered bool           // an operator ordered it off: it is not brought back
	Back    bool           // it is up again, by all that is known
}

// Stopped tells whether the host was asked to stop while it was up, or lost its power.
func (h *Host) Stopped() bool {
	return h.Fate != StayedUp && h.Fate != WasOff && h.Fate != Spared && h.Fate != Watched
}

// Battery is one UPS in one loss of its input.
type Battery struct {
	UPS       string
	Lost      history.Moment
	Back      history.Moment    // none while the input is away
	Left      *history.LeftOver // when its last host went off; nil: none did
	Predicted []history.Scored  // the first by the model, by the plan and by the UPS itself, as far as there are
	Lowered   bool              // readings spoke against the forecast
	Tested    history.Moment    // its last discharge test; none: it never was
}

// Measured is the battery's time from the loss of input to its end, if that was seen.
func (b *Battery) Measured() (time.Duration, bool) {
	for i := range b.Predicted {
		if p := &b.Predicted[i]; p.Known && !p.AtLeast {
			return p.Made.At.Sub(b.Lost.At) + p.Lasted, true
		}
	}
	return 0, false
}

const (
	mostOutages = 10_000
	mostRecords = 10_000
)

// ErrNone says that the history holds no such outage.
var ErrNone = errors.New("no such outage")

// Find gives the account of an outage: its number, of several with that number the
// last; the beginning of its UTC time ("2026-11-28T08"); or "last".
func Find(ctx context.Context, from *history.Reader, which string) (*Account, error) {
	list, err := from.Outages(ctx, mostOutages)
	if err != nil {
		return nil, err
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("%w: the history holds none yet", ErrNone)
	}
	at := -1
	n, numberErr := strconv.ParseUint(which, 10, 32)
	for i := range list {
		o := &list[i]
		if which == "last" || numberErr == nil && o.Number == uint32(n) || numberErr != nil && strings.HasPrefix(Stamp(o.Began), which) {
			at = i
		}
	}
	if at < 0 {
		return nil, fmt.Errorf("%w: it holds %d, from outage %d of %s to outage %d of %s; `ebbline history outages` lists them",
			ErrNone, len(list), list[0].Number, Stamp(list[0].Began), list[len(list)-1].Number, Stamp(list[len(list)-1].Began))
	}
	return of(ctx, from, list, at)
}

// Stamp is a moment as programs read it: RFC 3339, UTC, whole seconds.
func Stamp(m history.Moment) string { return m.UTC.UTC().Format(time.RFC3339) }

// of tells the outage in a place of the list.
func of(ctx context.Context, from *history.Reader, list []history.Outage, at int) (*Account, error) {
	a := &Account{Outage: list[at], Last: list[at].Began}
	o := &a.Outage
	ended := o.Ended.At != 0
	a.Running = !ended && at == len(list)-1
	for i := range list {
		a.Followed = a.Followed || i != at && ended && list[i].Site == o.Site && list[i].Began.At == o.Ended.At
		if i != at && list[i].Number == o.Number && list[i].Site == o.Site {
			a.Others = append(a.Others, list[i].Began)
		}
	}
	span := history.Span{From: o.Began.At, To: shutdown.Never}
	switch {
	case ended:
		span.To = o.Ended.At
	case at < len(list)-1:
		span.To = list[at+1].Began.At
	}
	return a, errors.Join(a.records(ctx, from, span), a.batteries(ctx, from, span), a.finish())
}

// records reads what was recorded in the outage's time.
func (a *Account) records(ctx context.Context, from *history.Reader, in history.Span) error {
	hosts, err := from.OutageHosts(ctx, a.Outage.Key())
	if err != nil {
		return err
	}
	stops, err := from.StopsIn(ctx, in, mostRecords)
	if err != nil {
		return err
	}
	starts, err := from.StartsIn(ctx, in, mostRecords)
	if err != nil {
		return err
	}
	if a.Orders, err = from.Orders(ctx, in, mostRecords); err != nil {
		return err
	}
	if a.Actions, err = from.Actions(ctx, in, mostRecords); err != nil {
		return err
	}
	if a.Conditions, err = from.Conditions(ctx, in, mostRecords); err != nil {
		return err
	}
	a.Full = len(hosts) > 0
	if !a.Full {
		hosts = asStopped(stops)
	}
	for _, h := range hosts {
		a.Hosts = append(a.Hosts, Host{OutageHost: h})
	}
	for k := range a.Hosts {
		a.Hosts[k].moves(stops, starts)
	}
	return nil
}

// asStopped makes of stops what is known of the hosts of an outage that an older
// version recorded.
func asStopped(stops []history.Stop) []history.OutageHost {
	var list []history.OutageHost
	for _, s := range stops {
		h := history.OutageHost{Host: s.Host, Asked: s.Asked, MarginUnknown: true}
		if i := slices.IndexFunc(list, func(o history.OutageHost) bool { return o.Host == s.Host }); i >= 0 {
			list[i] = h
		} else {
			list = append(list, h)
		}
	}
	return list
}

// moves puts in how the host's last stop and start in the outage went.
func (h *Host) moves(stops []history.Stop, starts []history.Start) {
	for i := range stops {
		s := &stops[i]
		if s.Host != h.Host || h.Asked.At == 0 || s.Asked.At < h.Asked.At {
			continue
		}
		h.Took, h.Method, h.Forced = s.Took, s.Method, s.Ended == history.Forced
		if s.Ended == history.GivenUp {
			h.Fate = GaveUp
		} else {
			h.Fate, h.Off = WentOff, s.Asked.When(s.Asked.At.Add(s.Took))
		}
	}
	for i := range starts {
		s := &starts[i]
		if s.Host != h.Host {
			continue
		}
		h.Told, h.NotBack, h.BackAt = s.Told, s.Ended == history.GivenUp, history.Moment{}
		if !h.NotBack {
			h.BackAt = s.Told.When(s.Told.At.Add(s.Took))
		}
	}
}

// raised tells whether a condition of a host was raised in the outage.
func (a *Account) raised(code shutdown.Code, host string) bool {
	return slices.ContainsFunc(a.Conditions, func(c history.Condition) bool {
		return c.Code == code.String() && c.Host == host && c.Raised.At >= a.Outage.Began.At
	})
}

// finish works out what became of each host, and what to do.
func (a *Account) finish() error {
	for k := range a.Hosts {
		a.fate(&a.Hosts[k])
	}
	for k := range a.Hosts {
		h := &a.Hosts[k]
		if h.RunsOn != "" && (h.Fate == Unseen || h.Fate == Stopping || h.Fate == Spared) {
			if on := a.host(h.RunsOn); on != nil && on.Off.At > h.Asked.At {
				h.Fate = WithHost
			}
		}
		a.ahead(h)
		a.backs(h)
	}
	a.last()
	a.advise()
	return nil
}

func (a *Account) fate(h *Host) {
	asked, over := h.Asked.At != 0, a.Outage.Ended.At != 0 && !a.Followed
	switch {
	case h.Cut.At != 0:
		h.Fate, h.Off = LostPower, history.Moment{}
	case asked && h.Observed:
		h.Fate = Watched
	case asked && h.WasOff:
		h.Fate = WasOff
	case h.Fate != 0: // by its stop
		h.Late = h.Fate == WentOff && a.raised(shutdown.HostGivenUp, h.Host)
	case !asked && h.Told.At != 0: // brought back, though it was not asked to stop
		h.Fate = LostPower
	case !asked:
		h.Fate = StayedUp
	case h.Own:
		h.Fate = GoesLast
	case a.Running:
		h.Fate = Stopping
	case over && h.Told.At == 0 && !a.raised(shutdown.NoWayToStart, h.Host) && !a.raised(shutdown.HostNotBack, h.Host):
		h.Fate = Spared
	default:
		h.Fate = Unseen
	}
}

func (a *Account) host(name string) *Host {
	if i := slices.IndexFunc(a.Hosts, func(h Host) bool { return h.Host == name }); i >= 0 {
		return &a.Hosts[i]
	}
	return nil
}

// rounding is what a stopping time is rounded up by in the history, at most: one
// that went off in the very step in which the next was asked is not out of order.
const rounding = time.Millisecond

// ahead finds the hosts that needed this one and were not off when it was asked.
func (a *Account) ahead(h *Host) {
	if h.Asked.At == 0 || h.Fate == WasOff || h.Fate == StayedUp || h.Fate == Watched {
		return
	}
	for k := range a.Hosts {
		d := &a.Hosts[k]
		if !slices.Contains(d.Needs, h.Host) || d.Fate == WasOff || d.Own {
			continue
		}
		before := d.Off.At != 0 && d.Off.At.Sub(h.Asked.At) <= rounding
		givenUp := d.Asked.At != 0 && (d.Fate == GaveUp || d.Late) && d.Asked.At.Add(d.GivesUp).Sub(h.Asked.At) <= rounding
		if !before && !givenUp {
			h.Ahead = append(h.Ahead, d.Host)
		}
	}
}

// backs tells whether a host that went is up again. When all is normal no host
// waits to be started any more but those that cannot be.
func (a *Account) backs(h *Host) {
	if !h.Stopped() {
		return
	}
	h.NotBack = h.NotBack || a.raised(shutdown.NoWayToStart, h.Host) && h.BackAt.At == 0
	h.Ordered = a.orderedOff(h.Host) && h.BackAt.At == 0
	h.Back = h.BackAt.At != 0 || !h.NotBack && !h.Ordered && a.Outage.Ended.At != 0 && !a.Followed
}

// orderedOff tells whether the last that an operator said of a host in the outage is
// that it should be off.
func (a *Account) orderedOff(host string) bool {
	for _, o := range slices.Backward(a.Orders) {
		if word, of, _ := strings.Cut(o.Word, " "); of == host {
			return word == shutdown.StopHost.String()
		}
	}
	return false
}

// last finds the last that is recorded.
func (a *Account) last() {
	later := func(m history.Moment) {
		if m.At > a.Last.At {
			a.Last = m
		}
	}
	for _, i := range a.Outage.Inputs {
		later(i.Lost)
		later(i.Back)
	}
	for _, p := range a.Outage.Phases {
		later(p.Entered)
	}
	for i := range a.Actions {
		later(a.Actions[i].At)
		later(a.Actions[i].Ended)
	}
	for k := range a.Hosts {
		h := &a.Hosts[k]
		for _, m := range []history.Moment{h.Asked, h.Off, h.Cut, h.Told, h.BackAt} {
			later(m)
		}
	}
	later(a.Outage.Ended)
}

// batteries reads what was predicted of each battery, and what came of it.
func (a *Account) batteries(ctx context.Context, from *history.Reader, in history.Span) error {
	left, err := from.LeftOvers(ctx, a.Outage.Key())
	if err != nil {
		return err
	}
	for _, i := range a.Outage.Inputs {
		b := Battery{UPS: i.UPS, Lost: i.Lost, Back: i.Back}
		for k := range left {
			if l := &left[k]; l.UPS == i.UPS && l.At.At >= i.Lost.At && (i.Back.At == 0 || l.At.At <= i.Back.At) {
				b.Left = l
			}
		}
		predicted, err := from.PredictionsIn(ctx, i.UPS, history.Span{From: i.Lost.At, To: upTo(i.Back.At, in.To)})
		if err != nil {
			return err
		}
		for _, by := range []history.Maker{history.ByModel, history.ByPlan, history.ByUPS} {
			if p := first(predicted, by); p != nil {
				b.Predicted = append(b.Predicted, *p)
			}
		}
		tests, err := from.Tests(ctx, i.UPS, 1)
		if err != nil {
			return err
		}
		if len(tests) > 0 {
			b.Tested = tests[0].Began
		}
		samples, err := from.Samples(ctx, i.UPS, i.Lost.At, in.To, 1)
		if err != nil {
			return err
		}
		if len(samples) > 0 && samples[0].At > a.Last.At {
			a.Last = samples[0].Moment
		}
		b.Lowered = slices.ContainsFunc(a.Conditions, func(c history.Condition) bool {
			return c.Code == shutdown.ForecastLowered.String() && c.UPS == i.UPS && c.Raised.At >= i.Lost.At
		})
		a.Batteries = append(a.Batteries, b)
	}
	return nil
}

func upTo(at, limit shutdown.Instant) shutdown.Instant {
	if at == 0 {
		return limit
	}
	return at
}

// first gives the first prediction by a maker whose end was measured, else the first.
func first(list []history.Scored, by history.Maker) *history.Scored {
	var found *history.Scored
	for i := range list {
		p := &list[i]
		if p.By == by && !p.OfTest && (found == nil || p.Known && !p.AtLeast && (found.AtLeast || !found.Known)) {
			found = p
		}
	}
	return found
}

// Count gives how many hosts have one of the fates.
func (a *Account) Count(fates ...Fate) int { return len(a.Which(fates...)) }

// Which gives the names of the hosts that have one of the fates.
func (a *Account) Which(fates ...Fate) []string {
	return a.names(func(h *Host) bool { return slices.Contains(fates, h.Fate) })
}

func (a *Account) names(is func(h *Host) bool) []string {
	var list []string
	for k := range a.Hosts {
		if is(&a.Hosts[k]) {
			list = append(list, a.Hosts[k].Host)
		}
	}
	return list
}

// Stopped gives the names of the hosts that were stopped or lost their power.
func (a *Account) Stopped() []string { return a.names((*Host).Stopped) }

// LeastInHand gives the battery that had least left beyond its reserve when its last
// host went off; nil where none did.
func (a *Account) LeastInHand() *history.LeftOver {
	var least *history.LeftOver
	for i := range a.Batteries {
		if l := a.Batteries[i].Left; l != nil && (least == nil || l.InHand() < least.InHand()) {
			least = l
		}
	}
	return least
}
