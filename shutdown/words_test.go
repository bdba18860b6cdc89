package shutdown

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"ebbline/policy"
	"ebbline/shutdown/battery"
)

// Aim: what a host, or a UPS, said when it did not take an order reaches the operator: in the
// condition as it is told, and in it as it stands, after a new start of the agent too; and no
// more of it than is read on a telephone. Method: a host that refuses with a text, and with a
// long one; one that is not reached; a UPS that refuses to switch its output off.
func TestWhatWasSaidIsTold(t *testing.T) {
	for _, c := range []struct {
		outcome Outcome
		said    string
		code    Code
		want    string
	}{
		{Refused, "exit status 1: sudo: a password is required", HostRefuses, `: "exit status 1: sudo: a password is required". Check`},
		{Refused, "", HostRefuses, "the order to stop. Check"},
		{Refused, strings.Repeat("ü", 300), HostRefuses, `: "` + strings.Repeat("ü", 160) + `…". Check`},
		{Unreachable, "not sent: connection refused", HostUnreachable, `: "not sent: connection refused". Check`},
	} {
		r := newRig(t, 100)
		r.answers(10 * time.Second)
		r.step(&Event{Kind: Commanded, Order: Proceed})
		r.out = r.out[:0]
		r.step(&Event{Kind: Finished, Host: 0, Action: r.s.Hosts[0].Last.Action.ID, Outcome: c.outcome, Text: c.said})
		told := ""
		for i := range r.out {
			if n := &r.out[i].Notice; r.out[i].Kind == Notify && n.Code == c.code {
				told = n.Text(r.s.Policy)
			}
		}
		if !strings.Contains(told, c.want) {
			t.Errorf("%s with %q: told is %q", c.outcome, c.said, told)
		}
		r.answers(4 * time.Second)
		text, err := json.Marshal(r.s)
		if err != nil {
			t.Fatal(err)
		}
		s := New()
		if err := json.Unmarshal(text, s); err != nil {
			t.Fatal(err)
		}
		stands := false
		for _, n := range s.Conditions() {
			stands = stands || n.Code == c.code && n.Text(s.Policy) == told
		}
		if !stands {
			t.Errorf("%s with %q: after a new start there are %v", c.outcome, c.said, s.Conditions())
		}
	}
}

// Aim: of a host that was told to be brought back, and is not after all, that is told anew;
// of one that only changes how it lost its power, it is not. Method: each pair of ways, on a
// host that gets orders and on one that is only watched.
func TestCutIsToldAnew(t *testing.T) {
	for _, observed := range []bool{false, true} {
		s := New()
		p := home()
		p.Hosts[0].Observe = observed
		s.Step(DayBegins(20100), &Event{Kind: Adopted, Policy: p}, nil)
		for told := int64(CutNow); told <= CutOrTurned; told++ {
			for now := int64(CutNow); now <= CutOrTurned; now++ {
				want := !observed && told != now && now == CutOrTurned
				if got := s.toldAnew(&Notice{Code: HostCut, A: told}, &Notice{Code: HostCut, A: now}); got != want {
					t.Errorf("observed %v, told %d and now %d: told anew %v", observed, told, now, got)
				}
			}
		}
	}
}

// Aim: no text of a plan says of a host that is only watched, was given up, or is kept up by an
// abort, that it is off in time. Method: every text of a plan, in words: "every host is off"
// stands alone only where all hosts get their orders.
func TestPlanClaimsNoMoreThanIsSo(t *testing.T) {
	for _, watched := range []string{"none", "one", "all"} {
		p := home()
		p.Hosts = append(p.Hosts, p.Hosts[0])
		p.Hosts[1].Observe = watched != "none"
		p.Site.Observe, p.Hosts[0].Observe = watched == "all", watched == "all"
		for b := int64(0); b <= PlanLingers|PlanAborted; b++ {
			for _, a := range []int64{0, PlanFits, PlanFitsExpected} {
				for _, span := range []time.Duration{0, time.Minute, battery.Unending} {
					n := &Notice{Code: PlanMade, UPS: -1, Host: -1, A: a, B: b, Span: span}
					text, what := n.Text(p), fmt.Sprintf("watched %s, A %d, B %d, %v", watched, a, b, span)
					is := func(part string) bool { return strings.Contains(text, part) }
					switch {
					case b&PlanLingers != 0 && !is("given up"):
						t.Errorf("%s: a host that was given up is counted in: %q", what, text)
					case watched == "one" && !is("only watched"):
						t.Errorf("%s: a host that is only watched is counted in: %q", what, text)
					case (watched == "all" || b&PlanAborted != 0) && (is(" is off") || is(" is left") || is("is kept") || !is("if orders were given") && !is("if the abort were ended")):
						t.Errorf("%s: it is said to be done: %q", what, text)
					}
				}
			}
		}
	}
}

// Aim: no notice is without words, and each condition ends as a sentence. Method: each code,
// raised of a UPS and a host.
func TestEachCodeHasWords(t *testing.T) {
	p := home()
	p.Temperatures = []policy.Temperature{{Name: "inlet"}}
	for _, c := range Codes() {
		n := &Notice{Code: c, UPS: 0, Host: 0, A: 1, B: 0, Name: "x"}
		if text := n.Text(p); text == c.String() || strings.Contains(text, "%!") || c.Condition() && !strings.HasSuffix(text, ".") {
			t.Errorf("%s says %q", c, text)
		}
	}
}
