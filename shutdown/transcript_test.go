package shutdown_test

import (
	"encoding/json"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/cockroachdb/datadriven"

	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/shutdown"
	"ebbline/shutdown/transcript"
)

// day is 2026-01-01: the policies of the corpus are younger. Pages begin with it, and count
// from there.
const day = 20454

var pageBegins = shutdown.DayBegins(day)

// instant reads an instant of a page.
func instant(t *testing.T, d *datadriven.TestData, text string) shutdown.Instant {
	at, err := transcript.ParseInstant(text)
	if err != nil {
		d.Fatalf(t, "%v", err)
	}
	return pageBegins + at
}

// onPage prints one as a page has it.
func onPage(t shutdown.Instant) string { return transcript.Instant(t - pageBegins) }

func readPolicy(t testing.TB, path string) *policy.Policy {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	p, _, diags := load.Load([]load.File{{Name: path, Bytes: text}}, load.Options{})
	if p == nil {
		t.Fatal(diags)
	}
	return p
}

// Aim: every behaviour of the core is a conversation that a reviewer can read.
// Method: each file of testdata/transcripts adopts a policy and gives events;
// what came out, and how things stand, is compared with what the file records
// (go test ./shutdown -run Transcripts -rewrite writes it; only commit what you
// can explain).
//
//	policy FILE [observe]    adopt it, all UPSs with input and full, all hosts seen up; with the
//	                         site only watched, or with observe=HOST that host
//	step                     event lines, as in the journal; prints the effects
//	until INSTANT            time passes up to the instant
//	poll EVERY UNTIL         the same lines again and again
//	warm EVERY UNTIL         readings as sensors show them between two temperatures, and the same answer of UPSs
//	hosts                    how each host stands, and an operator's word for it
//	plan                     who stops when
//	upss                     how each UPS stands
//	conditions               what holds now, as status says it
//	adopt FILE [observe]     another policy
//	clone                    the state goes through its JSON form and back
//
// Between the lines the room goes on as a real one does: every two seconds each UPS
// answers as it did last, every eight each sensor and contact that the page has spoken
// of, and each host is seen as it was last, as often as the core has it looked at. An
// order that nothing is said of ends as the agent ends it: a magic packet is sent three
// times in two seconds, and accepted; no login to a host out of sight succeeds within
// twenty seconds; any other ends without an answer shortly before its deadline, or when it
// is cancelled. A command that says silent, or silent=NAME, has all UPSs, or the UPS or
// temperature of that name, say nothing but what its lines have them say; while the agent
// is dead (until "restarted") nothing is heard.
func TestTranscripts(t *testing.T) {
	datadriven.Walk(t, "../testdata/transcripts", func(t *testing.T, path string) {
		var s *shutdown.State
		r := &room{}
		datadriven.RunTest(t, path, func(t *testing.T, d *datadriven.TestData) string {
			if d.Cmd == "policy" {
				s = begin(policyOf(t, d))
				*r = room{s: s}
				for i := range s.UPSs {
					r.note(pageBegins, &shutdown.Event{Kind: shutdown.Measured, UPS: int32(i), Measurement: s.UPSs[i].Last})
				}
				for k := range s.Hosts {
					r.note(pageBegins, &shutdown.Event{Kind: shutdown.Observed, Host: int32(k), Sighting: shutdown.SeenUp})
				}
				return ""
			}
			var b strings.Builder
			r.silent = r.hushed(d)
			switch d.Cmd {
			case "step":
				for line := range strings.Lines(d.Input) {
					step(t, d, r, strings.TrimSpace(line), &b)
				}
			case "until":
				r.pass(instant(t, d, d.CmdArgs[0].Key), &b)
			case "poll":
				poll(t, d, r, &b)
			case "warm":
				warm(t, d, r, &b)
			case "hosts":
				for k := range s.Hosts {
					h := &s.Hosts[k]
					fmt.Fprintf(&b, "%s: %s", s.Policy.Hosts[k].Name, s.ShownAs(int32(k)))
					if h.Word != 0 && h.State != shutdown.Off {
						fmt.Fprintf(&b, "; operator: %s", h.Word)
					}
					b.WriteString("\n")
				}
			case "plan":
				fmt.Fprintf(&b, "fits %v, point of no return at %s\n", s.Schedule.Plan.Fits, whole(s.Return()))
				r := s.Read()
				for _, k := range s.Order() {
					if o, _ := s.StopOf(k); r.Cause(k) != 0 {
						fmt.Fprintf(&b, "%s at %s, latest %s", s.Policy.Hosts[k].Name, whole(s.Schedule.At.Add(o.Asked)), whole(s.Schedule.At.Add(o.Latest)))
						if margin, ok := r.Margin(k); ok {
							fmt.Fprintf(&b, ", margin %s", shutdown.Spell(margin))
						}
						fmt.Fprintf(&b, ": %s\n", r.Why(k))
					}
				}
			case "upss":
				for i := range s.UPSs {
					fmt.Fprintf(&b, "%s: %s, charge %.0f %%\n", s.Policy.UPSs[i].Name, s.Phase(int32(i)).Words(), s.ChargePercent(int32(i)))
				}
			case "conditions":
				for _, n := range s.Conditions() {
					fmt.Fprintf(&b, "%s: %s\n", n.Code, strings.TrimSpace(n.Text(s.Policy)+" "+n.Ending(s.Policy)))
				}
			case "adopt":
				before := s.Policy.Fingerprint
				r.give(s.Now, &shutdown.Event{Kind: shutdown.Adopted, Policy: policyOf(t, d)}, &b)
				if s.Policy.Fingerprint != before {
					r.again = nil // what was said before is of the other policy's parts
				}
			case "clone":
				text, err := json.Marshal(s)
				if err != nil {
					d.Fatalf(t, "%v", err)
				}
				s = &shutdown.State{}
				if err := json.Unmarshal(text, s); err != nil {
					d.Fatalf(t, "%v", err)
				}
				r.s = s
			default:
				d.Fatalf(t, "no command is called %s", d.Cmd)
			}
			return b.String()
		})
	})
}

// policyOf reads the policy that a command names, and who of it is only watched.
func policyOf(t *testing.T, d *datadriven.TestData) *policy.Policy {
	p := readPolicy(t, "../testdata/policies/"+d.CmdArgs[0].Key)
	for _, a := range d.CmdArgs[1:] {
		if a.Key != "observe" {
			d.Fatalf(t, "no policy is changed by %s", a.Key)
		}
		p.Fingerprint += " observed" // it is another
		p.Site.Observe = p.Site.Observe || len(a.Vals) == 0
		for k := range p.Hosts {
			h := &p.Hosts[k]
			h.Observe = h.Observe || p.Site.Observe || slices.Contains(a.Vals, h.Name)
		}
	}
	if err := p.Check(); err != nil {
		d.Fatalf(t, "%v", err)
	}
	return p
}

var spans = regexp.MustCompile(`\d+\.\.\d+`)

// warm gives the lines of the input again and again until an instant; in each a "A..B"
// goes from the one to the other.
func warm(t *testing.T, d *datadriven.TestData, r *room, b *strings.Builder) {
	every, err := time.ParseDuration(d.CmdArgs[0].Key)
	if err != nil {
		d.Fatalf(t, "%v", err)
	}
	until := instant(t, d, d.CmdArgs[1].Key)
	from := r.s.Now
	for at := from.Add(every); at <= until; at = at.Add(every) {
		for line := range strings.Lines(d.Input) {
			line = strings.TrimSpace(line)
			line = spans.ReplaceAllStringFunc(line, func(span string) string {
				var low, high int64
				if _, err := fmt.Sscanf(span, "%d..%d", &low, &high); err != nil {
					d.Fatalf(t, "%v", err)
				}
				return fmt.Sprint(low + (high-low)*int64(at-from)/int64(until-from))
			})
			step(t, d, r, "at "+onPage(at)+" "+line, b)
		}
	}
}

func whole(t shutdown.Instant) string {
	return onPage(t / shutdown.Instant(time.Second) * shutdown.Instant(time.Second))
}

// begin gives the state of a quiet room.
func begin(p *policy.Policy) *shutdown.State {
	s := shutdown.New()
	s.Step(pageBegins, &shutdown.Event{Kind: shutdown.Adopted, Policy: p}, nil)
	for i := range p.UPSs {
		m := shutdown.Nothing
		m.Source, m.ChargeTenths = shutdown.FromInput, 1000
		s.Step(pageBegins, &shutdown.Event{Kind: shutdown.Measured, UPS: int32(i), Measurement: m}, nil)
	}
	for k := range p.Hosts {
		s.Step(pageBegins, &shutdown.Event{Kind: shutdown.Observed, Host: int32(k), Sighting: shutdown.SeenUp}, nil)
	}
	return s
}

// room is what goes on around the core between a page's lines.
type room struct {
	s      *shutdown.State
	again  []standing
	silent []string // UPSs and temperatures that say only what the page has them say
	begun  []order
}

// order is one that was begun, and how and when it ends if the page says nothing of it.
type order struct {
	id      shutdown.ActionID
	outcome shutdown.Outcome
	ends    shutdown.Instant
}

// standing is what a source says again and again, and when it said it last.
type standing struct {
	event shutdown.Event
	at    shutdown.Instant
}

// due is when a source says the same once more.
func (r *room) due(n *standing) shutdown.Instant {
	switch n.event.Kind {
	case shutdown.Observed:
		return n.at.Add(max(time.Second, r.s.Hosts[n.event.Host].Every)) // as often as the core asks for
	case shutdown.Measured:
		return n.at.Add(2 * time.Second)
	}
	return n.at.Add(8 * time.Second)
}

// hushed tells what is silent during a command: what it names, or all UPSs.
func (r *room) hushed(d *datadriven.TestData) []string {
	var names []string
	for _, a := range d.CmdArgs {
		if a.Key != "silent" {
			continue
		}
		names = append(names, a.Vals...)
		for i := range r.s.Policy.UPSs {
			if len(a.Vals) == 0 {
				names = append(names, r.s.Policy.UPSs[i].Name)
			}
		}
	}
	return names
}

// mute tells whether what says an event again and again is silent.
func (r *room) mute(e *shutdown.Event) bool {
	switch e.Kind {
	case shutdown.Measured:
		return slices.Contains(r.silent, r.s.Policy.UPSs[e.UPS].Name)
	case shutdown.Warmed:
		return slices.Contains(r.silent, r.s.Policy.Temperatures[e.Sensor].Name)
	}
	return false
}

// note keeps what a source said, to say it again.
func (r *room) note(at shutdown.Instant, e *shutdown.Event) {
	n := standing{*e, at}
	switch e.Kind {
	case shutdown.Finished:
		r.begun = slices.DeleteFunc(r.begun, func(o order) bool { return o.id == e.Action })
		return
	case shutdown.Measured, shutdown.Observed, shutdown.Warmed, shutdown.Touched:
	default:
		return
	}
	for i := range r.again {
		if o := &r.again[i].event; o.Kind == e.Kind && o.UPS == e.UPS && o.Sensor == e.Sensor && o.Host == e.Host {
			r.again[i] = n
			return
		}
	}
	r.again = append(r.again, n)
}

// pass lets time pass: what is due before an instant happens.
func (r *room) pass(until shutdown.Instant, b *strings.Builder) {
	for range 1000000 {
		next, e := until, (*shutdown.Event)(nil)
		for i := range r.again {
			n := &r.again[i]
			if at := r.due(n); at < next && !r.mute(&n.event) {
				next, e = at, &n.event
			}
		}
		for _, o := range r.begun {
			if o.ends < next {
				next, e = o.ends, &shutdown.Event{Kind: shutdown.Finished, Host: o.id.Host, UPS: o.id.UPS, Action: o.id, Outcome: o.outcome}
			}
		}
		r.tick(next, b)
		if e == nil {
			for i := range r.again {
				if n := &r.again[i]; r.mute(&n.event) {
					n.at = max(n.at, until)
				}
			}
			return
		}
		said := *e
		r.give(max(next, r.s.Now), &said, b)
	}
	panic("time does not pass")
}

func step(t *testing.T, d *datadriven.TestData, r *room, line string, b *strings.Builder) {
	at, e, err := transcript.Parse(r.s.Policy, line)
	if err != nil {
		d.Fatalf(t, "%q: %v", line, err)
	}
	at += pageBegins
	if e.Kind == shutdown.Restarted {
		r.begun = nil
		for i := range r.again {
			r.again[i].at = at
		}
		r.give(at, e, b)
		return
	}
	r.pass(at, b)
	r.give(at, e, b)
}

func (r *room) give(at shutdown.Instant, e *shutdown.Event, b *strings.Builder) {
	if why := r.s.Objection(e); why != "" {
		fmt.Fprintf(b, "at %s refused: %s\n", onPage(at), why)
	}
	r.note(at, e)
	for _, f := range r.s.Step(at, e, nil) {
		switch f.Kind {
		case shutdown.Probe, shutdown.Connect:
			continue // how often a host is looked at is tested where it matters
		case shutdown.Begin:
			r.begun = append(r.begun, r.order(at, f.Action))
		case shutdown.Cancel:
			for i := range r.begun {
				if o := &r.begun[i]; o.id == f.Action.ID {
					o.ends = min(o.ends, at.Add(time.Second))
				}
			}
		}
		if f.Kind == shutdown.Begin {
			f.Action.Deadline -= pageBegins
		}
		b.WriteString(transcript.Effect(r.s.Policy, at-pageBegins, &f) + "\n")
	}
}

// order gives how the agent ends one that is begun now; ahead and login are what it has.
func (r *room) order(at shutdown.Instant, a shutdown.Action) order {
	const ahead, login = 200 * time.Millisecond, 20 * time.Second
	left := a.Deadline.Sub(at)
	end := a.Deadline.Add(-min(ahead, left/10))
	switch a.ID.Verb {
	case shutdown.VerbStart:
		if r.s.Policy.Hosts[a.ID.Host].Starts[a.ID.Method].Kind == policy.ByWake {
			return order{a.ID, shutdown.Accepted, min(end, at.Add(2*time.Second))}
		}
	case shutdown.VerbShutDown:
		seen := r.s.Hosts[a.ID.Host].Seen
		bySSH := r.s.Policy.Hosts[a.ID.Host].Methods[a.ID.Method].Kind == policy.BySSH
		if bySSH && (seen == shutdown.SeenSilent || seen == shutdown.SeenOff) {
			return order{a.ID, shutdown.Unreachable, min(end, at.Add(login))}
		}
	}
	return order{a.ID, shutdown.Unknown, end}
}

// tick wakes the core whenever it wants to be, up to an instant.
func (r *room) tick(until shutdown.Instant, b *strings.Builder) {
	for range 100000 {
		if r.s.Wake > until {
			return
		}
		r.give(r.s.Wake, &shutdown.Event{Kind: shutdown.Tick}, b)
	}
	panic("the core wakes itself for ever")
}

func poll(t *testing.T, d *datadriven.TestData, r *room, b *strings.Builder) {
	every, err := time.ParseDuration(d.CmdArgs[0].Key)
	if err != nil {
		d.Fatalf(t, "%v", err)
	}
	until := instant(t, d, d.CmdArgs[1].Key)
	for at := r.s.Now.Add(every); at <= until; at = at.Add(every) {
		for line := range strings.Lines(d.Input) {
			step(t, d, r, "at "+onPage(at)+" "+strings.TrimSpace(line), b)
		}
	}
}
