package load

import (
	"math"
	"time"

	"ebbline/policy"
)

// Defaults of the site, as the operator is told them.
const (
	defaultRideThrough = 60 * time.Second
	defaultReserve     = 60 * time.Second
	defaultConfidence  = 0.95
	defaultStableFor   = 5 * time.Minute
	defaultStagger     = 10 * time.Second
)

func (l *loader) readSite(s *section) {
	if s.broken {
		return
	}
	// A confidence is rounded up: more sure than was asked for, never less.
	confidence := l.get(s, "confidence").number(0.5, 0.999, defaultConfidence)
	l.site = policy.Site{
		Name:               s.name,
		RideThrough:        l.get(s, "ride_through").duration(time.Second, time.Hour, defaultRideThrough),
		Reserve:            l.get(s, "reserve").duration(time.Second, time.Hour, defaultReserve),
		ConfidencePermille: int64(math.Ceil(steady(confidence * 1000))),
		AtOnce:             int(l.get(s, "stops_at_once").whole(0, 1000, 0)),
		Observe:            l.get(s, "observe").flag(),
	}
	restore := s.oneOrNone("restore")
	l.site.Restore = policy.Restore{
		StableFor: l.get(restore, "stable_for").duration(time.Second, day, defaultStableFor),
		Stagger:   l.get(restore, "stagger").duration(time.Millisecond, time.Hour, defaultStagger),

		ChargePercent: l.get(restore, "charge").percent(1, 100, 0),
	}
	if traps := s.one("traps"); traps != nil {
		l.site.Traps = &policy.Traps{
			Listen:    l.get(traps, "listen").need().address(portAlone),
			Community: l.secret(traps, "community", false),
		}
	}
	if life := s.one("sign_of_life"); life != nil {
		l.site.SignOfLife = l.signOfLife(life)
	}
	if page := s.one("page"); page != nil {
		l.site.Page = l.page(page)
	}
	if metrics := s.one("metrics"); metrics != nil {
		l.site.Metrics = l.metrics(metrics, l.site.Page)
	}
}

// loadDraft is a load whose feeds are still names.
type loadDraft struct {
	policy.Load
	s     *section
	feeds []word
	plugs []word
}

func (l *loader) readLoad(s *section) {
	d := &loadDraft{s: s, Load: policy.Load{Name: s.name}}
	l.loads = append(l.loads, d)
	if s.broken {
		return
	}
	d.Watts = l.get(s, "watts").need().watts(1, 1)
	d.feeds = l.feeds(s)
	d.Plugged, d.plugs = l.plugged(s)
}

// feeds reads fed_by of what must have it.
func (l *loader) feeds(s *section) []word {
	f := l.get(s, "fed_by")
	words := f.words("the name of a UPS in quotes")
	switch {
	case f.attr == nil && !s.partial:
		hint := ""
		if l.get(s, "self").flag() {
			hint = ", or fed_by = [] if the agent runs on a machine that hangs on none of them"
		}
		l.err(s.head, noFeed, "%s has no fed_by, so it is not known whose battery it draws on. Write fed_by = [\"name of a UPS\"]%s.", s.title, hint)
	case f.ok && f.value.empty():
		f.bad(noFeed, "fed_by of %s names no UPS. Write the names of the UPSs that feed it, or remove the block if none does.", s.title)
	}
	return words
}
