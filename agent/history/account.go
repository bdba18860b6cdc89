package history

import (
	"context"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"ebbline/shutdown"
)

// OutageKey names an outage for good: numbers begin anew with a new journal.
type OutageKey struct {
	Site   string
	Number uint32
	Began  shutdown.Instant
}

// Key gives an outage's.
func (o *Outage) Key() OutageKey { return OutageKey{o.Site, o.Number, o.Began.At} }

// OutageHost is a host as it was in an outage: as the policy had it, what the
// first plan had for it, and what was asked of it. How its stop and its return
// went are a [Stop] and a [Start].
type OutageHost struct {
	Host          string
	Priority      int64
	Needs         []string // hosts that it depends on or runs on
	RunsOn        string   // "" for none
	FedBy         []string // UPSs
	Own, StaysUp  bool
	Observed      bool // only watched: when it would have been asked stands where others were
	StopsIn       time.Duration
	GivesUp       time.Duration
	KeepFor       time.Duration
	Planned       bool          // the first plan had it stop
	PlanStop      time.Duration // since the loss of input
	PlanOff       time.Duration // its allowance used up
	Asked         Moment        // none: it was not asked
	WasOff        bool          // when it was asked, by all that was seen
	Why           string
	Margin        time.Duration // of its stop, when it was asked
	Cut           Moment        // its power was gone while it was not known to be off; none: that was not seen
	MarginUnknown bool
}

// Room is the hosts of an outage as the policy had them, and as the first plan did
// where it is known. What an outage has of that already stands.
type Room struct {
	Of    OutageKey
	Hosts []OutageHost // what was asked of them, and cuts, are not looked at
}

// Asking is a host asked to stop in an outage.
type Asking struct {
	Of            OutageKey
	Host          string
	At            Moment
	WasOff        bool
	Why           string
	Margin        time.Duration
	MarginUnknown bool // nothing ends the battery, by the plan
}

// Cut is a host whose power went though it was not known to be off.
type Cut struct {
	Of   OutageKey
	Host string
	At   Moment
}

// LeftOver is what a battery had left, at the load of the moment before, when a
// host on it went off or was given up. The last one of an outage stands.
type LeftOver struct {
	Of                OutageKey
	UPS, Host         string
	At                Moment
	LoadWatts         int64
	Low, Likely, High time.Duration // the reserve is part of them
	Reserve           time.Duration
	ModelTenths       int64 // of a percent: the charge by the model
	OwnTenths         int64 // the UPS's own charge reading; [shutdown.Unread] for none
	OwnSeconds        int64 // its own time left; likewise
}

// InHand is the time left by the low projection beyond the reserve.
func (l *LeftOver) InHand() time.Duration { return l.Low - l.Reserve }

// GivenOrder is an operator's order.
type GivenOrder struct {
	At     Moment
	Outage uint32 // its number; 0 outside of one
	Word   string
	By     string
}

// Action is what the agent ordered beside stops and starts: a UPS's output switched, or
// an early step of a host.
type Action struct {
	Code, UPS, Host string
	At              Moment
	Outage          uint32 // its number; 0 outside of one
	Text            string // what was told of it then
	Ended           Moment // none while it is not known what came of it
	Outcome         string // the word of a [shutdown.Outcome]; "" until then
	Said            string // what came back
}

// actionEnd is what came of an action.
type actionEnd struct {
	code, ups, host string
	at              Moment
	outcome         shutdown.Outcome
	said            string
}

// Condition is what an operator was to know, and for how long.
type Condition struct {
	Code, UPS, Host string
	Raised          Moment
	Over            Moment // none while it is so
	Outage          uint32 // the number of the one in which it was raised; 0 outside of one
	Text            string
}

// over ends a condition that was raised before it.
type over struct {
	code, ups, host string
	at              Moment
}

// standing is all conditions that are so at a moment: others are over.
type standing struct {
	at   Moment
	list []Condition
}

// RecordRoom records the hosts of an outage.
func (s *Writer) RecordRoom(r Room) error { return s.fact(r.check(), r) }

// RecordAsking records that a host was asked to stop.
func (s *Writer) RecordAsking(a Asking) error { return s.fact(a.check(), a) }

// RecordCut records that a host lost its power; the first time stands.
func (s *Writer) RecordCut(c Cut) error {
	var f faults
	f.name("host", c.Host)
	f.moment("was seen", c.At)
	return s.fact(f.of("loss of power"), c)
}

// RecordLeftOver records what a battery had left.
func (s *Writer) RecordLeftOver(l LeftOver) error { return s.fact(l.check(), l) }

// RecordOrder records an operator's order.
func (s *Writer) RecordOrder(o GivenOrder) error {
	var f faults
	f.moment("was given", o.At)
	f.name("order", o.Word)
	f.text("name of who gave it", o.By)
	return s.fact(f.of("order"), o)
}

// RecordAction records that an action was begun.
func (s *Writer) RecordAction(a Action) error {
	var f faults
	f.name("action", a.Code)
	f.moment("was begun", a.At)
	f.text("action", a.Text)
	return s.fact(f.of("action"), a)
}

// RecordActionEnd records what came of the last action of its kind on a UPS or a host,
// and what came back, of which no more is kept than fits.
func (s *Writer) RecordActionEnd(code, ups, host string, at Moment, outcome shutdown.Outcome, said string) error {
	var f faults
	f.moment("ended", at)
	f.add(outcome < shutdown.Accepted || outcome > shutdown.Unknown, "it is not stated what came of it")
	if len(said) > longestText {
		said = strings.ToValidUTF8(said[:longestText], "")
	}
	return s.fact(f.of("end of an action"), actionEnd{code, ups, host, at, outcome, said})
}

// RecordCondition records that a condition was raised.
func (s *Writer) RecordCondition(c Condition) error { return s.fact(c.check(), c) }

// RecordOver records that a condition is over.
func (s *Writer) RecordOver(code, ups, host string, at Moment) error {
	var f faults
	f.moment("was over", at)
	return s.fact(f.of("end of a condition"), over{code, ups, host, at})
}

// RecordStanding records all conditions that are so at a moment: those that were
// not raised yet are, and others are over.
func (s *Writer) RecordStanding(at Moment, list []Condition) error {
	var f faults
	f.moment("was looked at", at)
	err := f.of("list of conditions")
	for i := range list {
		if err == nil {
			err = list[i].check()
		}
	}
	return s.fact(err, standing{at, list})
}

func (f *faults) outage(k OutageKey) {
	f.name("site", k.Site)
	f.add(k.Number == 0 || k.Began <= 0, "the outage %d, begun at %d, is none", k.Number, k.Began)
}

func (r *Room) check() error {
	var f faults
	f.outage(r.Of)
	f.parts("hosts", len(r.Hosts))
	for i := range r.Hosts {
		h := &r.Hosts[i]
		f.name("host", h.Host)
		f.lasts("its stopping time", h.StopsIn)
		f.lasts("its allowance", h.GivesUp)
		f.lasts("its promised time", h.KeepFor)
	}
	return f.of("room of an outage")
}

func (a *Asking) check() error {
	var f faults
	f.outage(a.Of)
	f.name("host", a.Host)
	f.moment("was asked", a.At)
	f.text("reason", a.Why)
	return f.of("asking of a host")
}

func (l *LeftOver) check() error {
	var f faults
	f.outage(l.Of)
	f.name("UPS", l.UPS)
	f.name("host", l.Host)
	f.moment("was so", l.At)
	f.add(l.Low > l.Likely || l.Likely > l.High, "low %v, likely %v and high %v do not rise", l.Low, l.Likely, l.High)
	return f.of("rest of a battery")
}

func (c *Condition) check() error {
	var f faults
	f.name("condition", c.Code)
	f.moment("was raised", c.Raised)
	f.text("condition", c.Text)
	return f.of("condition")
}

// ofOutage is the outage of a row, by its key.
const ofOutage = "(SELECT id FROM outage WHERE site = ? AND number = ? AND began_ns = ?)"

func (k OutageKey) args(more ...any) []any {
	return append([]any{k.Site, k.Number, int64(k.Began)}, more...)
}

// account writes what is known of an outage, of orders and of conditions; false for
// other facts.
func (t *transaction) account(f any) bool {
	switch f := f.(type) {
	case Room:
		t.room(&f)
	case Asking:
		t.exec("UPDATE outage_host SET asked_ns = ?, asked_ms = ?, was_off = ?, why = ?, margin_ms = ? WHERE host = ? AND outage = "+ofOutage,
			append([]any{f.At.ns(), f.At.ms(), f.WasOff, f.Why, millis(f.Margin, f.MarginUnknown), f.Host}, f.Of.args()...)...)
	case Cut:
		t.exec("UPDATE outage_host SET cut_ns = ?, cut_ms = ? WHERE host = ? AND cut_ns IS NULL AND outage = "+ofOutage,
			append([]any{f.At.ns(), f.At.ms(), f.Host}, f.Of.args()...)...)
	case LeftOver:
		t.exec("INSERT OR REPLACE INTO outage_ups SELECT id, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ? FROM outage WHERE site = ? AND number = ? AND began_ns = ?",
			append([]any{f.UPS, f.At.ns(), f.At.ms(), f.Host, figure(f.LoadWatts), seconds(f.Low), seconds(f.Likely), seconds(f.High), seconds(f.Reserve),
				f.ModelTenths, figure(f.OwnTenths), figure(f.OwnSeconds)}, f.Of.args()...)...)
	case GivenOrder:
		t.exec("INSERT INTO given_order VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING", f.At.ns(), f.At.ms(), f.Outage, f.Word, f.By)
	case Action:
		t.exec("INSERT INTO agent_action VALUES (?, ?, ?, ?, ?, ?, ?, NULL, NULL, NULL, '') ON CONFLICT DO NOTHING", f.At.ns(), f.Code, f.UPS, f.Host, f.At.ms(), f.Outage, f.Text)
	case actionEnd:
		t.exec(`UPDATE agent_action SET ended_ns = ?4, ended_ms = ?5, outcome = ?6, said = ?7 WHERE code = ?1 AND ups = ?2 AND host = ?3 AND ended_ns IS NULL
			AND at_ns = (SELECT max(at_ns) FROM agent_action WHERE code = ?1 AND ups = ?2 AND host = ?3 AND at_ns <= ?4)`,
			f.code, f.ups, f.host, f.at.ns(), f.at.ms(), f.outcome.String(), f.said)
	case Condition:
		t.condition(&f)
	case over:
		t.exec("UPDATE condition SET over_ns = ?, over_ms = ? WHERE code = ? AND ups = ? AND host = ? AND over_ns IS NULL AND raised_ns <= ?",
			f.at.ns(), f.at.ms(), f.code, f.ups, f.host, f.at.ns())
	case standing:
		t.standing(&f)
	default:
		return false
	}
	return true
}

func (t *transaction) room(r *Room) {
	for i := range r.Hosts {
		h := &r.Hosts[i]
		t.exec(`INSERT INTO outage_host (outage, host, priority, needs, runs_on, fed_by, own, stays_up, observed, stops_in_ms, gives_up_ms, keep_ms, plan_stop_ms, plan_off_ms)
			SELECT id, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ? FROM outage WHERE site = ? AND number = ? AND began_ns = ?
			ON CONFLICT DO UPDATE SET plan_stop_ms = coalesce(plan_stop_ms, excluded.plan_stop_ms), plan_off_ms = coalesce(plan_off_ms, excluded.plan_off_ms)`,
			append([]any{h.Host, h.Priority, strings.Join(h.Needs, "\n"), h.RunsOn, strings.Join(h.FedBy, "\n"), h.Own, h.StaysUp, h.Observed,
				h.StopsIn.Milliseconds(), h.GivesUp.Milliseconds(), h.KeepFor.Milliseconds(), millis(h.PlanStop, !h.Planned), millis(h.PlanOff, !h.Planned)},
				r.Of.args()...)...)
	}
}

// condition raises one, unless it stands already.
func (t *transaction) condition(c *Condition) {
	t.exec(`INSERT INTO condition SELECT ?1, ?2, ?3, ?4, ?5, NULL, NULL, ?6, ?7
		WHERE NOT EXISTS (SELECT 1 FROM condition WHERE code = ?2 AND ups = ?3 AND host = ?4 AND over_ns IS NULL)
		ON CONFLICT DO NOTHING`,
		c.Raised.ns(), c.Code, c.UPS, c.Host, c.Raised.ms(), c.Outage, c.Text)
}

func (t *transaction) standing(s *standing) {
	keep := make([]string, 0, 3*len(s.list))
	args := []any{s.at.ns(), s.at.ms(), s.at.ns()}
	for i := range s.list {
		c := &s.list[i]
		t.condition(c)
		keep = append(keep, "(?, ?, ?)")
		args = append(args, c.Code, c.UPS, c.Host)
	}
	query := "UPDATE condition SET over_ns = ?, over_ms = ? WHERE over_ns IS NULL AND raised_ns <= ?"
	if len(keep) > 0 {
		query += " AND (code, ups, host) NOT IN (VALUES " + strings.Join(keep, ", ") + ")"
	}
	t.exec(query, args...)
}

// millis is a duration that may be missing.
func millis(d time.Duration, missing bool) any {
	if missing {
		return nil
	}
	return d.Milliseconds()
}

// OutageHosts gives the hosts of an outage in the order in which they were asked,
// then the others; none of an outage that stopped no host.
func (r *Reader) OutageHosts(ctx context.Context, k OutageKey) ([]OutageHost, error) {
	var list []OutageHost
	err := r.each(ctx, func(scan func(...any) error) error {
		var h OutageHost
		var asked, cut instant
		var wasOff *bool
		var stop, off, margin *int64
		ms := func(to *time.Duration) lasted { return lasted{to, time.Millisecond} }
		err := scan(line{&h.Host}, &h.Priority, names{&h.Needs}, line{&h.RunsOn}, names{&h.FedBy}, &h.Own, &h.StaysUp, &h.Observed, ms(&h.StopsIn), ms(&h.GivesUp), ms(&h.KeepFor),
			&stop, &off, &asked.ns, &asked.ms, &wasOff, line{&h.Why}, &margin, &cut.ns, &cut.ms)
		h.Asked, h.Cut = asked.moment(), cut.moment()
		if stop != nil && off != nil {
			h.Planned, h.PlanStop, h.PlanOff = true, time.Duration(*stop)*time.Millisecond, time.Duration(*off)*time.Millisecond
		}
		if h.MarginUnknown = margin == nil; margin != nil {
			h.Margin = time.Duration(*margin) * time.Millisecond
		}
		h.WasOff = wasOff != nil && *wasOff
		list = append(list, h)
		return err
	}, `SELECT host, priority, needs, runs_on, fed_by, own, stays_up, observed, stops_in_ms, gives_up_ms, keep_ms, plan_stop_ms, plan_off_ms,
		asked_ns, asked_ms, was_off, why, margin_ms, cut_ns, cut_ms FROM outage_host WHERE outage = `+ofOutage+`
		ORDER BY asked_ns IS NULL, asked_ns, own, priority, host`, k.args()...)
	return list, err
}

// names reads a list, one name a line.
type names struct{ to *[]string }

func (n names) Scan(v any) error {
	*n.to = nil
	for line := range strings.Lines(fmt.Sprint(v)) {
		*n.to = append(*n.to, printable(strings.TrimSuffix(line, "\n")))
	}
	return nil
}

// line reads a text as one line that can be shown, whoever wrote it; NULL is "".
type line struct{ to *string }

func (l line) Scan(v any) error {
	*l.to = ""
	if v != nil {
		*l.to = printable(fmt.Sprint(v))
	}
	return nil
}

func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, text)
}

// LeftOvers gives, of an outage, what each battery had left when its last host
// went off.
func (r *Reader) LeftOvers(ctx context.Context, k OutageKey) ([]LeftOver, error) {
	var list []LeftOver
	err := r.each(ctx, func(scan func(...any) error) error {
		l := LeftOver{Of: k}
		var at instant
		s := func(to *time.Duration) lasted { return lasted{to, time.Second} }
		err := scan(line{&l.UPS}, &at.ns, &at.ms, line{&l.Host}, unread{&l.LoadWatts}, s(&l.Low), s(&l.Likely), s(&l.High), s(&l.Reserve), &l.ModelTenths, unread{&l.OwnTenths}, unread{&l.OwnSeconds})
		l.At = at.moment()
		list = append(list, l)
		return err
	}, `SELECT ups, at_ns, at_ms, host, load_watts, low_seconds, likely_seconds, high_seconds, reserve_seconds, model_tenths, own_tenths, own_seconds
		FROM outage_ups WHERE outage = `+ofOutage+" ORDER BY ups", k.args()...)
	return list, err
}

// Span is a part of the history, by the agent's clock, its ends among it.
type Span struct{ From, To shutdown.Instant }

// Always is all of it.
var Always = Span{0, shutdown.Never}

// Orders gives the last n orders of a span.
func (r *Reader) Orders(ctx context.Context, in Span, n int) ([]GivenOrder, error) {
	var list []GivenOrder
	err := r.each(ctx, func(scan func(...any) error) error {
		var o GivenOrder
		var at instant
		err := scan(&at.ns, &at.ms, &o.Outage, line{&o.Word}, line{&o.By})
		o.At = at.moment()
		list = append(list, o)
		return err
	}, "SELECT * FROM (SELECT at_ns, at_ms, outage, word, by_whom FROM given_order WHERE at_ns BETWEEN ? AND ? ORDER BY at_ns DESC LIMIT ?) ORDER BY at_ns",
		int64(in.From), int64(in.To), n)
	return list, err
}

// Actions gives the last n actions of a span, by when they were begun.
func (r *Reader) Actions(ctx context.Context, in Span, n int) ([]Action, error) {
	var list []Action
	err := r.each(ctx, func(scan func(...any) error) error {
		var a Action
		var at, ended instant
		err := scan(line{&a.Code}, line{&a.UPS}, line{&a.Host}, &at.ns, &at.ms, &a.Outage, line{&a.Text}, &ended.ns, &ended.ms, line{&a.Outcome}, line{&a.Said})
		a.At, a.Ended = at.moment(), ended.moment()
		list = append(list, a)
		return err
	}, `SELECT * FROM (SELECT code, ups, host, at_ns, at_ms, outage, text, ended_ns, ended_ms, outcome, said FROM agent_action
		WHERE at_ns BETWEEN ? AND ? ORDER BY at_ns DESC, code, ups, host LIMIT ?) ORDER BY at_ns, code, ups, host`, int64(in.From), int64(in.To), n)
	return list, err
}

// Conditions gives the last n conditions that were so in a span.
func (r *Reader) Conditions(ctx context.Context, in Span, n int) ([]Condition, error) {
	var list []Condition
	err := r.each(ctx, func(scan func(...any) error) error {
		var c Condition
		var raised, over instant
		err := scan(line{&c.Code}, line{&c.UPS}, line{&c.Host}, &raised.ns, &raised.ms, &over.ns, &over.ms, &c.Outage, line{&c.Text})
		c.Raised, c.Over = raised.moment(), over.moment()
		list = append(list, c)
		return err
	}, `SELECT * FROM (SELECT code, ups, host, raised_ns, raised_ms, over_ns, over_ms, outage, text FROM condition
		WHERE raised_ns <= ? AND (over_ns IS NULL OR over_ns >= ?) ORDER BY raised_ns DESC, code, ups, host LIMIT ?) ORDER BY raised_ns, code, ups, host`,
		int64(in.To), int64(in.From), n)
	return list, err
}

// StopsIn gives the last n stops of all hosts of a span, by when they were asked.
func (r *Reader) StopsIn(ctx context.Context, in Span, n int) ([]Stop, error) {
	var list []Stop
	err := r.moves(ctx, "stop", "asked", stopEndings[:], in, n, func(host string, at Moment, outage uint32, method string, took time.Duration, ended Ending) {
		list = append(list, Stop{host, at, outage, method, took, ended})
	})
	return list, err
}

// StartsIn gives the last n starts of all hosts of a span, by when they were told.
func (r *Reader) StartsIn(ctx context.Context, in Span, n int) ([]Start, error) {
	var list []Start
	err := r.moves(ctx, "start", "told", startEndings[:], in, n, func(host string, at Moment, outage uint32, method string, took time.Duration, ended Ending) {
		list = append(list, Start{host, at, outage, method, took, ended})
	})
	return list, err
}

// moves reads stops or starts, which are alike.
func (r *Reader) moves(ctx context.Context, table, began string, endings []string, in Span, n int,
	each func(host string, at Moment, outage uint32, method string, took time.Duration, ended Ending)) error {
	return r.each(ctx, func(scan func(...any) error) error {
		var host, method string
		var at instant
		var outage uint32
		var took time.Duration
		var ended Ending
		err := scan(line{&host}, &at.ns, &at.ms, &outage, line{&method}, lastedIn(&took), named[Ending]{&ended, endings})
		each(host, at.moment(), outage, method, took, ended)
		return err
	}, fmt.Sprintf(`SELECT * FROM (SELECT host, %[2]s_ns AS began, %[2]s_ms, outage, method, took_ms, ended FROM %[1]s
		WHERE %[2]s_ns BETWEEN ? AND ? ORDER BY %[2]s_ns DESC, host LIMIT ?) ORDER BY began, host`, table, began), int64(in.From), int64(in.To), n)
}

// OutageSum is an outage's hosts and margin in figures, for a list.
type OutageSum struct {
	Asked, Cut int           // hosts
	Margin     time.Duration // the least of its batteries', when their last hosts went off
	HasMargin  bool
}

// OutageSums gives the sums of the outages in which a host was asked to stop or
// lost its power.
func (r *Reader) OutageSums(ctx context.Context) (map[OutageKey]OutageSum, error) {
	sums := map[OutageKey]OutageSum{}
	err := r.each(ctx, func(scan func(...any) error) error {
		var k OutageKey
		var s OutageSum
		var margin *int64
		err := scan(&k.Site, &k.Number, &k.Began, &s.Asked, &s.Cut, &margin)
		if s.HasMargin = margin != nil; s.HasMargin {
			s.Margin = time.Duration(*margin) * time.Second
		}
		sums[k] = s
		return err
	}, `SELECT o.site, o.number, o.began_ns, h.asked, h.cut, u.margin
		FROM (SELECT outage, count(CASE WHEN NOT observed THEN asked_ns END) AS asked, count(cut_ns) AS cut FROM outage_host GROUP BY outage) h JOIN outage o ON o.id = h.outage
		LEFT JOIN (SELECT outage, min(low_seconds - reserve_seconds) AS margin FROM outage_ups GROUP BY outage) u ON u.outage = o.id`)
	return sums, err
}
