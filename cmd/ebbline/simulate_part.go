package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"ebbline/simulate"
)

// A simulation's part is lines of JSON: its head, one line for each outage, and a last
// line by which a file that was cut off is known. Parts made by the same program, of the
// same policy as it was read, on the same day, join to what one run would have given.

// partFormat changes with what the lines mean.
const partFormat = 2

// mostParts is how many parts there may be.
const mostParts = 100_000

// part is which part of the random outages is drawn: number from 1, of all.
type part struct{ number, of int }

// partHead is a part's first line.
type partHead struct {
	Format  int    `json:"part_format"`
	Program string `json:"program"`
	Policy  string `json:"policy_sha256"`
	Day     string `json:"day"`
	Random  int    `json:"random"`
	Seed    uint64 `json:"seed"`
	Part    int    `json:"part"`
	Of      int    `json:"of"`
}

// partRun is one outage's line.
type partRun struct {
	InHand time.Duration        `json:"margin_ns"`
	Failed bool                 `json:"failed,omitempty"`
	Shape  simulate.Shape       `json:"shape,omitempty"`
	Faults simulate.Faults      `json:"faults,omitempty"`
	Kind   simulate.Kind        `json:"kind"`
	Aimed  uint64               `json:"aimed_seed,omitempty"`
	Cut    int32                `json:"cut,omitempty"`
	Broken []simulate.Violation `json:"broken,omitempty"`
	Length time.Duration        `json:"length_ns,omitempty"`
	Stayed []time.Duration      `json:"stayed_ns,omitempty"`
	Best   []time.Duration      `json:"best_ns,omitempty"`
}

// partEnd is a part's last line.
type partEnd struct {
	Outages *int `json:"outages"`
}

// readPart reads "3/10".
func readPart(text string) (part, error) {
	number, of, ok := strings.Cut(text, "/")
	k, err := strconv.Atoi(number)
	n, e := strconv.Atoi(of)
	if !ok || err != nil || e != nil || k < 1 || n < k || n > mostParts {
		return part{}, fmt.Errorf("--part takes a part and how many there are, such as 3/10, not %q", text)
	}
	return part{k, n}, nil
}

// range of the outages, of so many.
func (p part) bounds(n int) (from, to int) { return n * (p.number - 1) / p.of, n * p.number / p.of }

// runPart draws and replays one part alone, and prints it.
func (s *simulation) runPart(ctx context.Context, p part, out io.Writer) error {
	h, err := s.head(s.random, p)
	if err != nil {
		return err
	}
	from, to := p.bounds(s.random)
	s.first, s.random = from, to-from
	if err := s.hire(); err != nil {
		return err
	}
	s.runs = make([]simulate.Result, s.random)
	s.each(ctx, len(s.runs), "outages", s.one)
	fmt.Fprint(s.progress, "\r\x1b[K")
	if ctx.Err() != nil {
		return errors.New("the part was interrupted, and nothing is printed of it. Run it again")
	}
	return s.writePart(out, &h)
}

// head tells what a part must have in common with the others.
func (s *simulation) head(random int, p part) (partHead, error) {
	text, err := json.Marshal(s.p)
	if err != nil {
		return partHead{}, err
	}
	sum := sha256.Sum256(text)
	day := time.Unix(s.day*86400, 0).UTC().Format(time.DateOnly)
	return partHead{partFormat, Version, hex.EncodeToString(sum[:]), day, random, s.seed, p.number, p.of}, nil
}

// writePart writes a part that was run.
func (s *simulation) writePart(out io.Writer, h *partHead) error {
	w := bufio.NewWriter(out)
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	err := enc.Encode(h)
	for i := range s.runs {
		o := &s.runs[i]
		err = errors.Join(err, enc.Encode(&partRun{o.InHand, o.Failed, o.Shape, o.Faults, o.Kind, o.Aimed, o.Cut, o.Broken, o.Length, o.Stayed, o.Best}))
		if err != nil {
			return err
		}
	}
	n := len(s.runs)
	return errors.Join(enc.Encode(&partEnd{&n}), w.Flush())
}

// join reads the parts of one simulation, which then has all its outages.
func (s *simulation) join(files []string) error {
	if len(files) == 0 {
		return errors.New("--join takes the files of all parts, such as part-*.json")
	}
	var first partHead
	var names []string // by part
	for _, name := range files {
		text, err := readLimited(name, 8<<30)
		if err != nil {
			return fmt.Errorf("the part %s cannot be read: %w", name, reason(err))
		}
		h, runs, err := s.readLines(name, text)
		if err != nil {
			return err
		}
		if names == nil {
			first, names = h, make([]string, h.Of)
			s.random, s.seed = h.Random, h.Seed
			if s.day, err = dayOf(h.Day); err != nil || h.Day == "" {
				return fmt.Errorf("%s: %q is no day. Make the part again with --part", name, h.Day)
			}
			s.runs = make([]simulate.Result, h.Random)
		}
		p, alike := part{h.Part, h.Of}, h
		if alike.Part = first.Part; alike != first {
			return fmt.Errorf("%s is no part of the simulation that %s is one of: %s", name, files[0], h.differs(&first))
		}
		if other := names[p.number-1]; other != "" {
			return fmt.Errorf("%s and %s are both part %d of %d. Give each part once", other, name, p.number, p.of)
		}
		from, to := p.bounds(h.Random)
		if names[p.number-1] = name; len(runs) != to-from {
			return fmt.Errorf("%s: part %d of %d of %d outages has %d, and this one has %d. Make it again", name, p.number, p.of, h.Random, to-from, len(runs))
		}
		copy(s.runs[from:], runs)
	}
	var missing []string
	for k, name := range names {
		if name == "" {
			missing = append(missing, fmt.Sprintf("%d/%d", k+1, len(names)))
		}
	}
	if len(missing) > 0 {
		return fmt.Errorf("parts are missing: %s. Make them with --random %d --seed %d --day %s --part PART/%d", strings.Join(missing, ", "), s.random, s.seed, first.Day, first.Of)
	}
	s.joined = len(s.runs) > 1 // of one, all is shown: it is replayed
	return nil
}

// joins tells what keeps a part from being one of this program and policy.
func (s *simulation) joins(name string, h *partHead) error {
	own, err := s.head(h.Random, part{h.Part, h.Of})
	if err != nil {
		return err
	}
	if own.Day, own.Seed = h.Day, h.Seed; *h != own {
		return fmt.Errorf("%s cannot be joined here: %s. Join with the program and the policy that the parts were made with", name, h.differs(&own))
	}
	return nil
}

// differs says in what two heads differ.
func (h *partHead) differs(o *partHead) string {
	switch {
	case h.Format != o.Format:
		return fmt.Sprintf("its format is %d, not %d", h.Format, o.Format)
	case h.Program != o.Program:
		return fmt.Sprintf("it was made by %q, not by %q", h.Program, o.Program)
	case h.Policy != o.Policy:
		return "it was made of another policy"
	case h.Day != o.Day:
		return fmt.Sprintf("it is of the day %s, not of %s", h.Day, o.Day)
	case h.Random != o.Random || h.Seed != o.Seed:
		return fmt.Sprintf("it is of %d outages from seed %d on, not of %d from %d on", h.Random, h.Seed, o.Random, o.Seed)
	}
	return fmt.Sprintf("it is one of %d parts, not of %d", h.Of, o.Of)
}

// readLines reads a part's file.
func (s *simulation) readLines(name string, text []byte) (h partHead, runs []simulate.Result, err error) {
	at := 0
	bad := func(format string, args ...any) (partHead, []simulate.Result, error) {
		return h, nil, &simulate.FileError{File: name, Line: max(at, 1), Text: fmt.Sprintf(format, args...) + ". Make the part again with --part"}
	}
	lines := bytes.Split(bytes.TrimSuffix(text, []byte("\n")), []byte("\n"))
	if strictly(lines[0], &h) != nil || h.Format == 0 {
		return bad("the file is no part of a simulation")
	}
	if h.Of < 1 || h.Of > mostParts || h.Part < 1 || h.Part > h.Of || h.Random < 1 || h.Random > mostRandom {
		return bad("part %d of %d of %d outages cannot be", h.Part, h.Of, h.Random)
	}
	if err := s.joins(name, &h); err != nil {
		return h, nil, err
	}
	var end partEnd
	if at = len(lines); strictly(lines[len(lines)-1], &end) != nil || end.Outages == nil || *end.Outages != len(lines)-2 {
		return bad("the file was cut off")
	}
	for k, line := range lines[1 : len(lines)-1] {
		var r partRun
		if at = k + 2; strictly(line, &r) != nil || !s.possible(&r) {
			return bad("the line is no outage's")
		}
		runs = append(runs, simulate.Result{Done: true, Failed: r.Failed, Shape: r.Shape, Faults: r.Faults, Kind: r.Kind, Aimed: r.Aimed, Cut: r.Cut, InHand: r.InHand,
			Broken: r.Broken, Length: r.Length, Stayed: r.Stayed, Best: r.Best})
	}
	return h, runs, nil
}

// possible tells whether a line's figures are those of a run.
func (s *simulation) possible(r *partRun) bool {
	n := len(s.p.Hosts)
	compared := r.Length > 0
	return int(r.Shape) < len(simulate.Shapes) && r.Kind >= simulate.Carried && r.Kind <= simulate.OutputFailed && r.Cut >= 0 && int(r.Cut) <= n &&
		(len(r.Stayed) == n && len(r.Best) == n || !compared && len(r.Stayed) == 0 && len(r.Best) == 0)
}

// strictly reads one line that holds nothing else.
func strictly(line []byte, into any) error {
	d := json.NewDecoder(bytes.NewReader(line))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return err
	}
	if d.More() {
		return errors.New("more than one value")
	}
	return nil
}
