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
	Ended bool // the agent had been told to end, and wrote this last
}

func (a *Agent) snapshot() *snapshot {
	a.mu.Lock()
	defer a.mu.Unlock()
	return &snapshot{a.config.Build, a.boot.id, a.boot.epoch, a.state, a.board.clone(), a.ended}
}

// boot is one boot of the machine, as the journal knows it, and its epoch.
type boot struct {
	id    string
	epoch shutdown.Instant
}

// memory is what a journal tells of the life before.
type memory struct {
	state *shutdown.State
	board board
	boot  boot
	ended bool     // it had been told to end
	notes []string // for the log
	keep  string   // the journal's file is put aside under this name
}

const damaged = "damaged" // the name under which a journal that cannot be used whole is kept

func (b *boot) is(id string) bool { return b.id != "" && b.id == id }

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
	m.ended = m.ended && len(past.Lines) == 0 && !past.Torn
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
	m := &memory{state: s.State, board: s.Board, boot: boot{s.Boot, s.Epoch}, ended: s.Ended}
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
		id, epoch, _ := strings.Cut(rest, " ")
		n, err := strconv.ParseInt(epoch, 10, 64)
		m.boot = boot{id, shutdown.Instant(n)}
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
	m := remember(&a.config.Past, a.config.Build)
	a.config.Past = Past{}
	old, fresh, err := a.crews(m)
	if old == nil && fresh == nil {
		return fmt.Errorf("there is no policy to work by, and none is recorded: %w", err)
	}
	a.resume(m)
	if old != nil {
		if m.state.Next != nil {
			a.waiting, _ = a.crewFor(m.state.Next) // else it is tried again when its time comes
		}
		a.employ(old)
		a.ended = false
		a.step(&shutdown.Event{Kind: shutdown.Restarted, Rebooted: !m.boot.is(a.config.Boot), Orderly: m.ended})
	}
	if fresh == nil {
		a.voice.fault("the recorded policy stays in force", zap.Error(err))
		a.Raise(shutdown.PolicyRefused)
	} else {
		a.Settle(shutdown.PolicyRefused) // from before this start
	}
	switch {
	case fresh == nil:
	case old == nil || !same(fresh.policy, a.latest()):
		a.adopt(fresh.policy, fresh.parts)
	default:
		fresh.parts.close()
	}
	// Only now: killed before this, the next start must see the boot as new still.
	a.boot = boot{a.config.Boot, a.clock.epoch}
	a.append([]string{fmt.Sprintf("%s%s %d", bootWord, a.boot.id, a.boot.epoch)}, false)
	return nil
}

// crews makes what works for the recorded policy and for the operator's. A
// recorded one that cannot be put to work any more is forgotten with all else.
func (a *Agent) crews(m *memory) (old, fresh *crew, err error) {
	err = errors.New("the policy has errors")
	if a.config.Policy != nil {
		fresh, err = a.crewFor(a.config.Policy)
	}
	if m.state.Policy != nil {
		var bad error
		if old, bad = a.crewFor(m.state.Policy); bad != nil {
			m.notes = append(m.notes, "the recorded policy cannot be put to work, nothing is remembered: "+bad.Error())
			*m = memory{state: shutdown.New(), boot: m.boot, notes: m.notes, keep: damaged}
		}
	}
	return old, fresh, err
}

// resume takes over what is remembered, and begins the journal again with it.
func (a *Agent) resume(m *memory) {
	a.clock, a.state, a.boot = newClock(&a.config, m), m.state, m.boot
	a.ended = m.ended // killed before the start is through, the next still knows
	a.began = a.clock.now()
	a.lastTurn = a.began
	a.mu.Lock() // somebody may look already
	a.board = m.board
	a.mu.Unlock()
	a.publish(a.began, nil)
	for _, n := range m.notes {
		a.voice.warn(n)
	}
	if m.keep != "" {
		m.keep += wall(a.began).Format("-20060102T150405Z")
	}
	a.cut(m.keep)
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
