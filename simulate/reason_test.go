package simulate

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// Aim: no reason that is given when a host is asked is contradicted by the facts. Method:
// outages that are drawn, of policies and of random rooms; the state that gave it is asked
// who is up. What is checked is read from the text, as an operator reads it: every host
// that it names is up or stopping, or is said to be off by then; "others" are up; a margin
// is not negative, and is there where a plan fits; the reason is none that says nothing.
func TestReasonsAreTrue(t *testing.T) {
	type room struct {
		p *policy.Policy
		n uint64
	}
	var rooms []room
	for _, name := range []string{"rig.hcl", "barn.hcl", "loft.hcl", "mill.hcl"} {
		rooms = append(rooms, room{readPolicy(t, name), 60})
	}
	for seed := uint64(1); seed <= 40; seed++ {
		if p, _, _ := load.Load([]load.File{{Name: "room.hcl", Bytes: []byte(roomText(seed))}}, load.Options{}); p != nil {
			rooms = append(rooms, room{p, 8})
		}
	}
	seen := map[string]int{}
	for i, x := range rooms {
		dice, err := NewDice(x.p, day)
		if err != nil {
			t.Fatal(err)
		}
		r := newRunner(t, x.p)
		c := &reasonCheck{t: t, r: r, seen: seen}
		r.Log, r.Reasons = c, true
		o := &Outage{}
		for seed := uint64(1); seed <= x.n; seed++ {
			dice.Draw(seed, o)
			c.name = fmt.Sprintf("room %d, seed %d", i, seed)
			var run Run
			r.Run(o.Truth(seed), &run)
		}
	}
	for text, n := range seen {
		t.Logf("%6d %s", n, text)
	}
	if len(seen) < 8 {
		t.Errorf("only %d kinds of reasons were given", len(seen))
	}
}

type reasonCheck struct {
	t    *testing.T
	r    *Runner
	name string
	seen map[string]int
}

func (c *reasonCheck) Event(shutdown.Instant, *shutdown.Event) {}

var figures = regexp.MustCompile(`\b(\d+h)?(\d+m)?\d+s\b|\b\d+ min\b`)

func (c *reasonCheck) Effect(at shutdown.Instant, f *shutdown.Effect) {
	n := &f.Notice
	if f.Kind != shutdown.Notify || n.Code != shutdown.HostAsked {
		return
	}
	s := c.r.State()
	p := s.Policy
	bad := func(format string, a ...any) {
		c.t.Errorf("%s at %v: %s: %s (%s)", c.name, at.Sub(Epoch(day)).Round(time.Second), p.Hosts[n.Host].Name, fmt.Sprintf(format, a...), n.Text(p))
	}
	words := strings.FieldsFunc(n.Name, func(r rune) bool { return strings.ContainsRune(" ,;:", r) })
	kind := figures.ReplaceAllString(n.Name, "N")
	left := 0
	for k := range p.Hosts {
		h := &s.Hosts[k]
		if !h.IsOff() && int32(k) != n.Host && !p.Hosts[k].StaysUp {
			left++
		}
		for _, word := range words {
			if word != p.Hosts[k].Name {
				continue
			}
			if kind = strings.ReplaceAll(kind, word, "HOST"); h.IsOff() || int32(k) == n.Host {
				bad("it names %s, which is %s", word, h.State)
			}
		}
	}
	c.seen[kind]++
	switch {
	case strings.TrimSpace(n.Name) == "":
		bad("no reason")
	case left == 0 && (strings.Contains(n.Name, "others") || strings.Contains(n.Name, "hosts go")):
		bad("it speaks of others, and none is left")
	case n.Span < 0:
		bad("its margin is %v", n.Span)
	case s.Planned() && s.Schedule.Plan.Fits && n.Span == battery.Unending && shutdown.Cause(n.A) == shutdown.ByPlan:
		bad("the plan fits, and it has no margin")
	}
}

// Aim: the same of every page of conversations with the core. Method: the text; hosts that
// were down before are not named, and no margin is negative.
func TestReasonsOfTranscripts(t *testing.T) {
	files, err := os.ReadDir("../testdata/transcripts")
	if err != nil || len(files) == 0 {
		t.Fatal(err)
	}
	asked := regexp.MustCompile(`note host-asked \S+ "(\S+) is asked to stop: (.*)"`)
	down := regexp.MustCompile(`note host-down (\S+) `)
	found := 0
	for _, f := range files {
		text, err := os.ReadFile("../testdata/transcripts/" + f.Name())
		if err != nil {
			t.Fatal(err)
		}
		off := map[string]bool{}
		for line := range strings.Lines(string(text)) {
			if strings.HasPrefix(line, "policy ") {
				clear(off)
			}
			if m := down.FindStringSubmatch(line); m != nil {
				off[m[1]] = true
			}
			m := asked.FindStringSubmatch(line)
			if m == nil {
				continue
			}
			found++
			for _, word := range strings.FieldsFunc(m[2], func(r rune) bool { return strings.ContainsRune(" ,;:", r) }) {
				if off[word] {
					t.Errorf("%s: it names %s, which is down: %s", f.Name(), word, line)
				}
			}
			if strings.Contains(m[2], "margin -") || m[2] == "" {
				t.Errorf("%s: %s", f.Name(), line)
			}
		}
	}
	if found < 20 {
		t.Errorf("only %d reasons in %d pages", found, len(files))
	}
}
