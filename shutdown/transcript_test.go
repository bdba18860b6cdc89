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

// day is 2026-01-01: the policies of the corpus are younger.
const day = 20454

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
//	until INSTANT            ticks, whenever the core wants one, up to the instant
//	poll UPS EVERY UNTIL     the same answer again and again, ticks between
//	warm EVERY UNTIL         readings as sensors show them between two temperatures, and the same answer of UPSs
//	hosts                    how each host stands, and an operator's word for it
//	plan                     who stops when
//	upss                     how each UPS stands
//	adopt FILE [observe]     another policy
//	clone                    the state goes through its JSON form and back
func TestTranscripts(t *testing.T) {
	datadriven.Walk(t, "../testdata/transcripts", func(t *testing.T, path string) {
		var s *shutdown.State
		datadriven.RunTest(t, path, func(t *testing.T, d *datadriven.TestData) string {
			if d.Cmd == "policy" {
				s = begin(policyOf(t, d))
				return ""
			}
			var b strings.Builder
			switch d.Cmd {
			case "step":
				for line := range strings.Lines(d.Input) {
					step(t, d, s, strings.TrimSpace(line), &b)
				}
			case "until":
				at, err := transcript.ParseInstant(d.CmdArgs[0].Key)
				if err != nil {
					d.Fatalf(t, "%v", err)
				}
				ticks(s, at, &b)
			case "poll":
				poll(t, d, s, &b)
			case "warm":
				warm(t, d, s, &b)
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
					fmt.Fprintf(&b, "%s: %s, charge %.0f %%\n", s.Policy.UPSs[i].Name, s.Phase(int32(i)), s.ChargePercent(int32(i)))
				}
			case "adopt":
				give(s, s.Now, &shutdown.Event{Kind: shutdown.Adopted, Policy: policyOf(t, d), Day: day}, &b)
			case "clone":
				text, err := json.Marshal(s)
				if err != nil {
					d.Fatalf(t, "%v", err)
				}
				s = &shutdown.State{}
				if err := json.Unmarshal(text, s); err != nil {
					d.Fatalf(t, "%v", err)
				}
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
func warm(t *testing.T, d *datadriven.TestData, s *shutdown.State, b *strings.Builder) {
	every, err1 := time.ParseDuration(d.CmdArgs[0].Key)
	until, err2 := transcript.ParseInstant(d.CmdArgs[1].Key)
	if err1 != nil || err2 != nil {
		d.Fatalf(t, "warm wants how often and until when")
	}
	from := s.Now
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
			step(t, d, s, "at "+transcript.Instant(at)+" "+line, b)
		}
	}
}

func whole(t shutdown.Instant) string {
	return transcript.Instant(t / shutdown.Instant(time.Second) * shutdown.Instant(time.Second))
}

// begin gives the state of a quiet room.
func begin(p *policy.Policy) *shutdown.State {
	s := shutdown.New()
	s.Step(0, &shutdown.Event{Kind: shutdown.Adopted, Policy: p, Day: day}, nil)
	for i := range p.UPSs {
		m := shutdown.Nothing
		m.Source, m.ChargeTenths = shutdown.FromInput, 1000
		s.Step(0, &shutdown.Event{Kind: shutdown.Measured, UPS: int32(i), Measurement: m}, nil)
	}
	for k := range p.Hosts {
		s.Step(0, &shutdown.Event{Kind: shutdown.Observed, Host: int32(k), Sighting: shutdown.SeenUp}, nil)
	}
	return s
}

func step(t *testing.T, d *datadriven.TestData, s *shutdown.State, line string, b *strings.Builder) {
	at, e, err := transcript.Parse(s.Policy, line)
	if err != nil {
		d.Fatalf(t, "%q: %v", line, err)
	}
	ticks(s, at, b)
	give(s, at, e, b)
}

func give(s *shutdown.State, at shutdown.Instant, e *shutdown.Event, b *strings.Builder) {
	if why := s.Objection(e); why != "" {
		fmt.Fprintf(b, "at %s refused: %s\n", transcript.Instant(at), why)
	}
	for _, f := range s.Step(at, e, nil) {
		if f.Kind == shutdown.Probe || f.Kind == shutdown.Connect {
			continue // who is looked at how often is tested where it matters
		}
		b.WriteString(transcript.Effect(s.Policy, at, &f) + "\n")
	}
}

// ticks lets time pass.
func ticks(s *shutdown.State, until shutdown.Instant, b *strings.Builder) {
	for range 100000 {
		if s.Wake > until {
			return
		}
		at := s.Wake
		give(s, at, &shutdown.Event{Kind: shutdown.Tick}, b)
	}
	panic("the core wakes itself for ever")
}

func poll(t *testing.T, d *datadriven.TestData, s *shutdown.State, b *strings.Builder) {
	every, err1 := time.ParseDuration(d.CmdArgs[0].Key)
	until, err2 := transcript.ParseInstant(d.CmdArgs[1].Key)
	if err1 != nil || err2 != nil {
		d.Fatalf(t, "poll wants how often and until when")
	}
	for at := s.Now.Add(every); at <= until; at = at.Add(every) {
		for line := range strings.Lines(d.Input) {
			step(t, d, s, "at "+transcript.Instant(at)+" "+strings.TrimSpace(line), b)
		}
	}
}
