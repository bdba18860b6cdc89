package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"ebbline/policy"
	"ebbline/simulate"
	"ebbline/testdata/outages"
)

var simulateCommand = command{
	name:  "simulate",
	about: "replays outages against the real decision code",
	usage: "[POLICY] [OUTAGE ...] [--random N] [--seed S] [--report FILE.html] [--json] [...]",
	takes: []string{"POLICY", "OUTAGE…"},
	help: `Replays outages against the very code that the agent decides with, in a modelled
room, and says whether every host is off in time and every promise is kept.

An outage is a script (lines such as "at 0s input lost"; ebbline help outage
tells of its form), a CSV time series of the input's voltage, or one of the
named ones (--names lists them). With --random N it draws N outages, rooms and
faults from the seed. With neither, it replays the outages that every plan
should survive; the name of one of these, in quotes, replays that alone.

It tells three kinds of evidence apart: the worst case by construction, where
one replay at the bounds proves the plan; every combination of stopping times
and batteries of a small site, by exact chances; and what was seen in so many
random outages, with the bound that this gives.

One random outage in three is aimed: drawn until the room is within the bounds
and a battery is outlasted. So the bound on a host cut there is a quarter to a
third of what as many at large would give, and that on promises half as wide
again. Were a host cut where by arithmetic none can be, the bound would be that
of the outages at large alone, and say so.

A million can be spread over machines: --random 1000000 --part 3/10 replays one
part, and --join part-* shows, to the byte, what one run would have shown.

What a run has in hand is the battery time that was left, at the load of the
moment before, when the last host went off (margin_seconds in JSON). Exit code 3
says that a promise was broken, or that a host lost its power while it was up in
a room no worse than the one that plans are made for, or in an outage that you
named.`,
	set: setSimulate,
}

// mostRandom bounds --random: each outage takes some bytes until the end.
const mostRandom = 20_000_000

// simulateFlags are the command's own.
type simulateFlags struct {
	policy                *policyFlags
	random, workers       *int
	seed                  *uint64
	smallest, page, date  *string
	detail, lines, faults *bool
	listed, seen, joined  *bool
	piece, history        *string
}

func (c *call) simulateFlags() *simulateFlags {
	return &simulateFlags{
		policy:   c.policyFlags(),
		random:   c.flags.Int("random", 0, "draw so many outages (`N`)"),
		seed:     c.flags.Uint64("seed", 1, "`S` of the first random outage; the others follow it"),
		detail:   c.flags.Bool("detail", false, "show every run"),
		lines:    c.flags.Bool("transcript", false, "print every event and what the core answered (of one outage)"),
		faults:   c.flags.Bool("faults", false, "show the faults and outages that random ones are drawn from, and how often each was tried"),
		smallest: c.flags.String("smallest", "", "write the smallest failing outage that is found to `FILE`"),
		page:     c.flags.String("report", "", "write a page for people to `FILE.html`, too"),
		date:     c.flags.String("day", "", "`DATE` on which it happens, for the batteries' age (2026-01-31); today if not given"),
		listed:   c.flags.Bool("names", false, "list the named outages"),
		workers:  c.flags.Int("workers", runtime.NumCPU(), "`N` runs at a time; the result is the same with any"),
		seen:     c.flags.Bool("past", false, "replay the outages that the agent has seen, too"),
		piece:    c.flags.String("part", "", "draw and replay only `K/N`, the Kth of N parts of the random outages, and print it for --join"),
		joined:   c.flags.Bool("join", false, "show what all parts together give: their files stand in the place of outages"),
		history:  c.historyFlag(),
	}
}

// check tells what of the flags does not go together; and which part is asked for, and for
// which day.
func (f *simulateFlags) check() (one part, day int64, err error) {
	switch {
	case *f.random < 0 || *f.random > mostRandom:
		return one, 0, fmt.Errorf("--random takes a number from 0 to %d", mostRandom)
	case *f.workers < 1 || *f.workers > 1024:
		return one, 0, errors.New("--workers takes a number from 1 to 1024")
	}
	shown := *f.detail || *f.lines || *f.seen
	if *f.piece != "" {
		if one, err = readPart(*f.piece); err != nil {
			return one, 0, err
		}
		if *f.random == 0 || *f.joined || shown || *f.faults || *f.smallest != "" || *f.page != "" {
			return one, 0, errors.New("--part needs --random, and is only drawn and replayed: what is to be shown is said where the parts are joined")
		}
	}
	if *f.joined && (*f.random > 0 || shown) {
		return one, 0, errors.New("--join takes the outages from the parts: leave out --random, --detail, --transcript and --past")
	}
	day, err = dayOf(*f.date)
	return one, day, err
}

func setSimulate(c *call) action {
	f := c.simulateFlags()
	return func(ctx context.Context) int {
		if *f.listed {
			return c.listOutages()
		}
		one, day, err := f.check()
		if err != nil {
			c.usage("%v", err)
			return exitUsage
		}
		path, files := c.Env("EBBLINE_POLICY"), c.args
		if len(c.args) > 0 && (path == "" || looksLikePolicy(c.args[0])) {
			path, files = c.args[0], c.args[1:]
		} else {
			c.args = nil
		}
		c.onlyReads(append(c.historyFiles(*f.history), files...), []string{*f.page, *f.smallest})
		p, found, code := c.policyLearned(ctx, f.policy, *f.history)
		if p == nil {
			return code
		}
		p = c.acting(p)
		if err := apart([]string{*f.page, *f.smallest}, append([]string{path, *f.history}, files...)); err != nil {
			return c.fail("%v", err)
		}
		job := &simulation{p: p, path: path, site: f.policy.site, day: day, seed: *f.seed, random: *f.random, atOnce: *f.workers, detail: *f.detail, seen: *f.seen, history: *f.history, progress: c.progress()}
		switch {
		case *f.joined:
			err = job.join(files)
		case *f.piece != "" && len(files) > 0:
			c.usage("--part is of random outages: %q is named", files[0])
			return exitUsage
		case *f.piece != "":
			if err := job.runPart(ctx, one, c.Out); err != nil {
				return c.fail("%v", err)
			}
			return exitDone
		default:
			err = job.outages(files)
		}
		if err != nil {
			return c.fail("%v", err)
		}
		return c.simulated(ctx, f, job, found)
	}
}

// simulated replays what a job holds, and shows it.
func (c *call) simulated(ctx context.Context, f *simulateFlags, job *simulation, found *measured) int {
	if *f.seen {
		list, err := c.past(ctx, job.p, *f.history)
		if err != nil {
			return c.fail("%v", err)
		}
		job.named = append(job.named, list...)
		job.words = append(job.words, make([]string, len(list))...)
	}
	if err := writable(*f.smallest); err != nil {
		return c.fail("%v", err)
	}
	if *f.lines {
		if job.count() != 1 {
			c.usage("--transcript shows one outage; %d are to be replayed", job.count())
			return exitUsage
		}
		return c.transcript(job)
	}
	paper, err := newPaper(*f.page)
	if err != nil {
		return c.fail("%v", err)
	}
	defer paper.close()
	if err := job.run(ctx); err != nil {
		return c.fail("%v", err)
	}
	if err := job.writeSmallest(*f.smallest); err != nil {
		return c.fail("%v", err)
	}
	v := job.view()
	v.Measured = found.view()
	if err := job.writeReport(paper, v); err != nil {
		return c.fail("%v", err)
	}
	if c.json {
		printJSON(c.Out, v)
	} else {
		c.showRuns(job, v, *f.faults)
		width, _ := terminal(c.Out)
		found.show(c.Out, width)
	}
	switch {
	case v.Verdict == simulate.Fails:
		return exitUnfit
	case job.stopped:
		return exitFailed
	}
	return exitDone
}

// dayOf reads a date as days since 1970-01-01.
func dayOf(text string) (int64, error) {
	if text == "" {
		return today(), nil
	}
	t, err := time.Parse(time.DateOnly, text)
	if err != nil || t.Year() < 1970 || t.Year() >= 2200 {
		return 0, fmt.Errorf("--day takes a date such as 2026-01-31, not %q", text)
	}
	return t.Unix() / 86400, nil
}

// on gives the flags that make a command happen at the same site, on the same
// day, by the same measurements.
func (s *simulation) on() string {
	text := ""
	if s.site != "" {
		text = " --site " + quoted(s.site)
	}
	text += " --day " + time.Unix(s.day*86400, 0).UTC().Format(time.DateOnly)
	if s.history != "" {
		text += " --history " + quoted(s.history)
	}
	return text
}

// listOutages names the outages that come with the binary, with their first line.
func (c *call) listOutages() int {
	for _, name := range outageNames() {
		text, err := outages.Files.ReadFile(name + ".outage")
		if err != nil {
			return c.fail("%v", err)
		}
		first, _, _ := strings.Cut(string(text), "\n")
		fmt.Fprintf(c.Out, "%-20s %s\n", name, strings.TrimSpace(strings.TrimPrefix(first, "#")))
	}
	return exitDone
}

func outageNames() []string {
	entries, err := outages.Files.ReadDir(".")
	if err != nil {
		panic("outages: " + err.Error()) // it is in the binary
	}
	var names []string
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".outage"))
	}
	return names
}

// looksLikePolicy tells a policy's path from an outage's.
func looksLikePolicy(path string) bool {
	info, err := os.Stat(path)
	return strings.HasSuffix(path, ".hcl") || err == nil && info.IsDir()
}

// progress gives where long work shows how far it is: standard error, when it
// is a terminal.
func (c *call) progress() io.Writer {
	if _, ok := terminal(c.Err); ok {
		return c.Err
	}
	return io.Discard
}

// apart refuses to write over what is read, and two things into one file.
func apart(written, read []string) error {
	for i, path := range written {
		if path == "" {
			continue
		}
		if strings.EqualFold(filepath.Ext(path), ".hcl") {
			return fmt.Errorf("%s cannot be written: its name is that of a policy. Name another file", path)
		}
		for _, other := range append(slices.Clone(read), written[:i]...) {
			if other != "" && same(path, other) {
				return fmt.Errorf("%s cannot be written: it would take the place of %s. Name another file", path, other)
			}
		}
	}
	return nil
}

// same tells whether two paths are of one file, whether or not that is there.
func same(a, b string) bool {
	if filepath.Clean(a) == filepath.Clean(b) {
		return true
	}
	is, err := os.Stat(a)
	of, e := os.Stat(b)
	return err == nil && e == nil && os.SameFile(is, of)
}

// writable tells before the work whether a file can be written at its end. It
// leaves no trace.
func writable(path string) error {
	if path == "" {
		return nil
	}
	_, err := os.Stat(path)
	isNew := errors.Is(err, os.ErrNotExist)
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE, 0o644)
	if err != nil {
		return fmt.Errorf("%s cannot be written: %w. Name a file in a folder that you may write to", path, reason(err))
	}
	f.Close()
	if isNew {
		os.Remove(path)
	}
	return nil
}

// outages reads those that are named, or takes those that every plan should
// survive.
func (s *simulation) outages(names []string) error {
	var errs []error
	s.given = len(names) > 0
	for _, name := range names {
		o, bad := s.outage(name)
		if errs = append(errs, bad...); o != nil {
			s.named, s.words = append(s.named, o), append(s.words, name)
		}
	}
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	if len(names) == 0 && s.random == 0 {
		list, err := s.standard()
		if err != nil {
			return err
		}
		s.named = list
		for _, o := range list {
			s.words = append(s.words, o.Name)
		}
	}
	return nil
}

// standard are the outages that every plan should survive.
func (s *simulation) standard() ([]*simulate.Outage, error) {
	low, err := simulate.LowParts(s.p, s.day)
	if err != nil {
		return nil, err
	}
	return simulate.Standard(s.p, low), nil
}

// outage reads one file, or one of the named ones.
func (s *simulation) outage(name string) (*simulate.Outage, []error) {
	text, err := readLimited(name, 64<<20)
	if errors.Is(err, os.ErrNotExist) {
		list, e := s.standard()
		if e != nil {
			return nil, []error{e}
		}
		if i := slices.IndexFunc(list, func(o *simulate.Outage) bool { return o.Name == name }); i >= 0 {
			return list[i], nil
		}
	}
	if errors.Is(err, os.ErrNotExist) && !strings.ContainsAny(name, `/\.`) {
		if text, err = outages.Files.ReadFile(name + ".outage"); err != nil {
			return nil, []error{fmt.Errorf("there is no file %s here, and no outage of that name. Named ones are %s", name, strings.Join(outageNames(), ", "))}
		}
	}
	if err != nil {
		return nil, []error{fmt.Errorf("the outage file %s cannot be read: %w", name, reason(err))}
	}
	if strings.EqualFold(filepath.Ext(name), ".csv") {
		o, err := simulate.Series(s.p, name, text)
		if err != nil {
			return nil, []error{err}
		}
		return o, nil
	}
	return simulate.Parse(s.p, name, text)
}

// simulation is one call's outages and what became of them.
type simulation struct {
	p        *policy.Policy
	path     string // of the policy, as it was named
	site     string // as it was named
	day      int64
	seed     uint64
	random   int
	atOnce   int // replays
	detail   bool
	given    bool   // outages were named
	seen     bool   // the outages of the history are among those named
	history  string // as it was named
	named    []*simulate.Outage
	first    int      // random outages before these, in another part
	joined   bool     // the runs were read from parts
	words    []string // that name each of these on the command line; "" for one of the history
	progress io.Writer

	workers    []*simulate.Replayer
	runs       []simulate.Result
	proof      simulate.Proof
	exhaustive simulate.Exhaustive
	smallest   *smallest
	stopped    bool // interrupted
	took       time.Duration
}

func (s *simulation) count() int { return len(s.named) + s.random }

// place is a run's place among all random outages, those of other parts with them.
func (s *simulation) place(i int) int { return s.first + i - len(s.named) }

// nameOf gives a run's outage and seed.
func (s *simulation) nameOf(i int) (string, uint64) {
	if i < len(s.named) {
		return s.named[i].Name, s.seed
	}
	seed := s.seed + uint64(s.place(i))
	if i < len(s.runs) && s.runs[i].Aimed != 0 {
		seed = s.runs[i].Aimed
	}
	return fmt.Sprintf("random %d", seed), seed
}

// again is the command that replays a run.
func (s *simulation) again(i int) string {
	_, seed := s.nameOf(i)
	if i >= len(s.named) {
		return fmt.Sprintf("ebbline simulate %s --random 1 --seed %d", quoted(s.path), seed) + s.on()
	}
	text := "ebbline simulate " + quoted(s.path)
	if word := s.words[i]; word != "" {
		text += " " + quoted(word)
	} else {
		text += " --past"
	}
	if seed != 1 {
		text += fmt.Sprintf(" --seed %d", seed)
	}
	return text + s.on()
}

// quoted writes a path for a shell.
func quoted(path string) string {
	if strings.ContainsAny(path, " \t'\"$`\\*?[](){}<>|&;#~!") {
		return "'" + strings.ReplaceAll(path, "'", `'\''`) + "'"
	}
	return path
}
