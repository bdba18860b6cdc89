package agent

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"go.uber.org/zap"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/transcript"
)

// snapshot is the journal's first word: all that is known, so that what came
// before need not be.
type snapshot struct {
	Build string
	Boot  string
	Epoch shutdown.Instant
	State *shutdown.State
	Board board
}

func (a *Agent) snapshot() *snapshot {
	a.mu.Lock()
	defer a.mu.Unlock()
	return &snapshot{a.config.Build, a.config.Boot, a.clock.epoch, a.state, a.board.clone()}
}

// memory is what a journal tells of the life before.
type memory struct {
	state *shutdown.State
	board board
	boot  string
	epoch shutdown.Instant
	notes []string // for the log
	keep  string   // the journal's file is put aside under this name
}

const damaged = "damaged" // the name under which a journal that cannot be used whole is kept

func (m *memory) sameBoot(boot string) bool { return m.boot != "" && m.boot == boot }

// remember reads the past as far as it can be read. Whatever is wrong with it,
// the agent starts: a bad journal must not leave hosts running into an empty
// battery.
func remember(past *Past, build string) *memory {
	if past.Snapshot == nil {
		m := &memory{state: shutdown.New()}
		m.damage(past)
		return m
	}
	m, err := recall(past.Snapshot, build, past.Lines)
	for lines := past.Lines; err != nil; {
		// A line that the core cannot take, or that is no line: all before it counts.
		var bad *badLine
		if !errors.As(err, &bad) {
			m = &memory{state: shutdown.New(), keep: damaged, notes: []string{"the journal's snapshot cannot be used, nothing is remembered: " + err.Error()}}
			break
		}
		lines = lines[:bad.number]
		text := fmt.Sprintf("the journal's line %d of %d cannot be used; what comes from there on is left out: %v", bad.number+1, len(past.Lines), bad.err)
		if m, err = recall(past.Snapshot, build, lines); err == nil {
			m.keep = damaged
			m.notes = append(m.notes, text)
		}
	}
	m.damage(past)
	return m
}

func (m *memory) damage(past *Past) {
	if past.Torn {
		m.notes = append(m.notes, "the journal's last line was cut short; it is left out")
	}
	if past.Damage != "" {
		m.keep = damaged
		m.notes = append(m.notes, past.Damage)
	}
}

// badLine is a line of the journal that cannot be replayed.
type badLine struct {
	number int
	err    error
}

func (b *badLine) Error() string { return b.err.Error() }

// recall takes the snapshot and replays the lines behind it.
func recall(text []byte, build string, lines []string) (*memory, error) {
	var s snapshot
	if err := json.Unmarshal(text, &s); err != nil {
		return nil, err
	}
	if err := whole(s.State); err != nil {
		return nil, err
	}
	m := &memory{state: s.State, board: s.Board, boot: s.Boot, epoch: s.Epoch}
	if s.Build != build {
		if len(lines) > 0 {
			m.keep = "other-build"
			m.notes = append(m.notes, fmt.Sprintf("another build (%q) wrote the journal: its %d lines since the snapshot are not replayed", s.Build, len(lines)))
		}
		return m, nil
	}
	for n, line := range lines {
		if err := m.replay(line); err != nil {
			return nil, &badLine{n, err}
		}
	}
	return m, nil
}

// whole tells whether a state can be stepped.
func whole(s *shutdown.State) error {
	switch {
	case s == nil:
		return errors.New("it holds no state")
	case s.Policy == nil && len(s.UPSs)+len(s.Hosts)+len(s.Order) == 0:
		return nil
	case s.Policy == nil:
		return errors.New("its state belongs to no policy")
	}
	if err := s.Policy.Check(); err != nil {
		return err
	}
	if s.Next != nil {
		if err := s.Next.Check(); err != nil {
			return err
		}
	}
	if len(s.UPSs) != len(s.Policy.UPSs) || len(s.Hosts) != len(s.Policy.Hosts) {
		return errors.New("its state does not belong to its policy")
	}
	for _, k := range s.Order {
		if k < 0 || int(k) >= len(s.Hosts) {
			return errors.New("its order names a host that is not there")
		}
	}
	return nil
}

const bootWord = "boot "

// replay takes one line. The core's panic is an error: the same line would
// bring the agent down at every start.
func (m *memory) replay(line string) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("the decision code fails on it: %v", r)
		}
	}()
	if rest, ok := strings.CutPrefix(line, bootWord); ok {
		boot, epoch, _ := strings.Cut(rest, " ")
		n, err := strconv.ParseInt(epoch, 10, 64)
		m.boot, m.epoch = boot, shutdown.Instant(n)
		return err
	}
	if !transcript.Line(line) {
		return nil // an effect: the replay makes it again
	}
	at, e, err := transcript.Parse(m.state.Policy, line)
	if err != nil {
		return err
	}
	before := m.state.Policy
	effects := m.state.Step(at, e, nil)
	for i := range effects {
		if f := &effects[i]; f.Kind == shutdown.Notify {
			m.board.take(at, speaks(e, before, m.state), &f.Notice)
		}
	}
	if m.state.Policy != before {
		m.board.forget(m.state.Policy)
	}
	return nil
}

// speaks is the policy in whose numbers the effects of a step are: the one that
// was in force before it, but for an adoption that is not held back.
func speaks(e *shutdown.Event, before *policy.Policy, after *shutdown.State) *policy.Policy {
	if e.Kind == shutdown.Adopted && after.Next == nil {
		return after.Policy
	}
	return before
}

// start takes up the life before, or begins one.
func (a *Agent) start() error {
	c := &a.config
	m := remember(&c.Past, c.Build)
	c.Past = Past{}
	var fresh *crew
	var err error
	if c.Policy != nil {
		fresh, err = a.crewFor(c.Policy)
	}
	var old *crew
	if m.state.Policy != nil {
		var bad error
		if old, bad = a.crewFor(m.state.Policy); bad != nil {
			m.notes = append(m.notes, "the recorded policy cannot be put to work, nothing is remembered: "+bad.Error())
			*m = memory{state: shutdown.New(), boot: m.boot, epoch: m.epoch, notes: m.notes, keep: damaged}
		}
	}
	switch {
	case old == nil && err != nil:
		return err
	case old == nil && fresh == nil:
		return errors.New("there is no policy: the one in the files has errors, and none is recorded")
	}
	a.clock = newClock(c, m)
	a.state, a.board = m.state, m.board
	a.began = a.clock.now()
	if m.keep != "" {
		a.record.keep = m.keep + wall(a.began).Format("-20060102T150405Z")
	}
	a.lastTurn = a.began
	a.publish(a.began, nil)
	for _, n := range m.notes {
		a.voice.warn(n)
	}
	a.cut("")
	a.append([]string{fmt.Sprintf("%s%s %d", bootWord, c.Boot, a.clock.epoch)}, false)
	if old != nil {
		if m.state.Next != nil {
			a.waiting, _ = a.crewFor(m.state.Next) // else it is tried again when its time comes
		}
		a.employ(old)
		a.step(&shutdown.Event{Kind: shutdown.Restarted, Rebooted: !m.sameBoot(c.Boot)})
	}
	switch {
	case fresh == nil:
		a.voice.fault("the recorded policy stays in force", zap.Error(err))
		a.Raise(shutdown.PolicyRefused)
	case old == nil || !same(c.Policy, a.latest()):
		a.adopt(c.Policy, fresh.parts)
	default:
		fresh.parts.close()
	}
	return nil
}

// latest is the policy that is in force, or waits to be.
func (a *Agent) latest() *policy.Policy {
	if a.state.Next != nil {
		return a.state.Next
	}
	return a.state.Policy
}

func same(p, q *policy.Policy) bool {
	a, err1 := json.Marshal(p)
	b, err2 := json.Marshal(q)
	return err1 == nil && err2 == nil && bytes.Equal(a, b)
}

func (a *Agent) crewFor(p *policy.Policy) (*crew, error) {
	parts, err := a.config.Wire(p)
	if err != nil {
		return nil, err
	}
	return newCrew(p, parts), nil
}
