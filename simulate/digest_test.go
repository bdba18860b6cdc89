package simulate

import (
	"bytes"
	"crypto/sha256"
	"flag"
	"fmt"
	"hash"
	"os"
	"slices"
	"strings"
	"testing"

	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/shutdown"
	"ebbline/shutdown/transcript"
	"ebbline/testdata/outages"
)

var (
	digestSeeds = flag.Int("digest", 0, "outages per policy in TestDigests; 0 for the few of the short list")
	digestWrite = flag.Bool("digest-write", false, "write down what TestDigests finds")
	digestDump  = flag.String("digest-dump", "", "a file for every line that TestDigests digests")
)

// digestClasses are the kinds of lines that have a digest each: a change of the
// core's words changes notices alone, one of what it does changes orders.
var digestClasses = [...]string{"events", "orders", "looks", "notices"}

// digest is the SHA-256 of each class of lines. It is a [Log].
type digest struct {
	p    *policy.Policy
	sums [len(digestClasses)]hash.Hash
	all  *os.File
}

func newDigest() *digest {
	d := &digest{}
	for i := range d.sums {
		d.sums[i] = sha256.New()
	}
	return d
}

func (d *digest) line(class int, text string) {
	d.sums[class].Write([]byte(text))
	d.sums[class].Write([]byte{'\n'})
	if d.all != nil {
		d.all.WriteString(digestClasses[class] + " " + text + "\n")
	}
}

// Event implements [Log].
func (d *digest) Event(at shutdown.Instant, e *shutdown.Event) {
	if e.Kind != shutdown.Adopted {
		d.line(0, transcript.Event(d.p, at-Epoch(day), e))
	}
}

// Effect implements [Log].
func (d *digest) Effect(at shutdown.Instant, f *shutdown.Effect) {
	class := 2
	switch f.Kind {
	case shutdown.Begin, shutdown.Cancel:
		class = 1
	case shutdown.Notify:
		class = 3
	}
	g := *f
	g.Action.Deadline -= Epoch(day)
	d.line(class, transcript.Effect(d.p, at-Epoch(day), &g))
}

func (d *digest) String() string {
	var parts []string
	for i, s := range d.sums {
		parts = append(parts, fmt.Sprintf("%s %x", digestClasses[i], s.Sum(nil)[:12]))
	}
	return strings.Join(parts, " ")
}

const digestFile = "testdata/digests"

// Aim: a change that only moves code changes nothing, and one that changes what is
// done says which lines. Method: a digest of all lines of each class, for random
// outages of four policies, for random rooms, and for a restart at every event of
// the named outages; testdata/digests holds what they are. The long list: go test
// ./simulate -run Digests -digest 20000 -timeout 2h; -digest-write writes it down.
func TestDigests(t *testing.T) {
	rooms, seeds, name := 40, 100, "short"
	if *digestSeeds > 0 {
		rooms, seeds, name = 700, *digestSeeds, "long"
	}
	known, err := os.ReadFile(digestFile)
	if err != nil && !*digestWrite {
		t.Fatal(err)
	}
	var dump *os.File
	if *digestDump != "" {
		if dump, err = os.Create(*digestDump); err != nil {
			t.Fatal(err)
		}
		defer dump.Close()
	}
	var lines []string
	take := func(what string, d *digest) {
		line := fmt.Sprintf("%s %s %s", name, what, d)
		lines = append(lines, line)
		if !*digestWrite && !slices.Contains(strings.Split(string(known), "\n"), line) {
			t.Errorf("%s is not as %s has it: %s", what, digestFile, d)
		}
	}
	for _, file := range []string{"rig.hcl", "barn.hcl", "first.hcl", "loft.hcl"} {
		d := newDigest()
		d.all = dump
		digestOutages(t, readPolicy(t, file), d, 1, uint64(seeds))
		take(fmt.Sprintf("%s, outages 1 to %d:", file, seeds), d)
	}
	d := newDigest()
	d.all = dump
	for room := uint64(1); room <= uint64(rooms); room++ {
		if p, _, _ := load.Load([]load.File{{Name: "room.hcl", Bytes: []byte(roomText(room))}}, load.Options{}); p != nil {
			digestOutages(t, p, d, room*1000, room*1000+4)
		}
	}
	take(fmt.Sprintf("rooms 1 to %d, five outages each:", rooms), d)
	d = newDigest()
	digestRestarts(t, d, name == "long")
	take("restarts in the named outages:", d)
	if *digestWrite {
		writeDigests(t, known, name, lines)
	}
}

func digestOutages(t *testing.T, p *policy.Policy, d *digest, from, to uint64) {
	r := newRunner(t, p)
	r.Log, d.p = d, p
	dice, err := NewDice(p, day)
	if err != nil {
		t.Fatal(err)
	}
	var o Outage
	var run Run
	for seed := from; seed <= to; seed++ {
		d.line(0, fmt.Sprintf("outage %d", seed))
		dice.Draw(seed, &o)
		r.Run(o.Truth(seed), &run)
	}
}

// digestRestarts kills the agent in the named outages: at every event where the
// outage has no more than a few hundred, else at so many of them, evenly.
func digestRestarts(t *testing.T, d *digest, all bool) {
	p := readPolicy(t, "rig.hcl")
	d.p = p
	r := newRunner(t, p)
	files, err := outages.Files.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		text, err := outages.Files.ReadFile(f.Name())
		if err != nil {
			t.Fatal(err)
		}
		o, errs := Parse(p, f.Name(), text)
		if len(errs) > 0 {
			continue // of another room
		}
		var run Run
		r.Log, r.crashAt = nil, 0
		r.Run(o.Truth(1), &run)
		events, step := r.steps, max(1, r.steps/4)
		if all {
			step = max(1, events/400)
		}
		r.Log = d
		for at := 1; at <= events; at += step {
			for _, lost := range []bool{true, false} {
				r.crashAt, r.crashLost = at, lost
				r.Run(o.Truth(1), &run)
			}
		}
	}
}

// writeDigests puts a list in the place of the one of its name.
func writeDigests(t *testing.T, known []byte, name string, lines []string) {
	var text bytes.Buffer
	for line := range strings.Lines(string(known)) {
		if !strings.HasPrefix(line, name+" ") {
			text.WriteString(line)
		}
	}
	text.WriteString(strings.Join(lines, "\n") + "\n")
	if err := os.MkdirAll("testdata", 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(digestFile, text.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}
