package agent

import (
	"errors"
	"slices"
	"testing"
)

// brittle is a journal that fails at the calls named; a stand-in.
type brittle struct {
	fails []int
	calls int
	held  []string
}

var errBrittle = errors.New("a fake failure")

func (b *brittle) call(text string) error {
	b.calls++
	if slices.Contains(b.fails, b.calls) {
		return errBrittle
	}
	b.held = append(b.held, text)
	return nil
}

func (b *brittle) Append(lines []string, sync bool) error { return b.call(lines[0]) }

func (b *brittle) Cut(snapshot []byte, keep string) error { return b.call(string(snapshot)) }

// Behind a write that failed nothing is written until the journal has begun
// again, for a journal with a hole replays to something that never was; a cut
// that fails without need leaves the old journal going on.
func TestNoHoles(t *testing.T) {
	line := func(s string) job { return job{lines: []string{s}} }
	cut := func(s string, mends bool) job { return job{snapshot: []byte(s), mends: mends} }
	for name, c := range map[string]struct {
		fails []int
		jobs  []job
		held  []string
	}{
		"an append fails":       {[]int{2}, []job{line("1"), line("2"), line("3"), line("4"), cut("S", true), line("5")}, []string{"1", "S", "5"}},
		"the cut after it too":  {[]int{2, 3}, []job{line("1"), line("2"), line("3"), cut("S", true), line("4"), cut("T", true), line("5")}, []string{"1", "T", "5"}},
		"a needless cut fails":  {[]int{2}, []job{line("1"), cut("S", false), line("2")}, []string{"1", "2"}},
		"a needed cut fails":    {[]int{2}, []job{line("1"), cut("S", true), line("2"), cut("T", true), line("3")}, []string{"1", "T", "3"}},
		"both, in either order": {[]int{2, 3}, []job{line("1"), line("2"), cut("S", false), line("3")}, []string{"1"}},
	} {
		b := &brittle{fails: c.fails}
		r := newRecorder(b)
		for _, j := range c.jobs {
			r.put(j)
		}
		close(r.jobs)
		r.write()
		if !slices.Equal(b.held, c.held) {
			t.Errorf("%s: the journal holds %q, want %q", name, b.held, c.held)
		}
		if len(r.results) != len(c.jobs) {
			t.Errorf("%s: %d results of %d jobs", name, len(r.results), len(c.jobs))
		}
	}
}
