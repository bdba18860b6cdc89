package agent

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/transcript"
)

// snapshot is all that is known, so that what came before need not be. Whoever changes
// it, or what it holds, raises [format].
type snapshot struct {
	Format int
	Build  string // for the log
	Boot   string
	Epoch  shutdown.Instant
	Failed int // lives in a row that the core ended
	State  *shutdown.State
	Board  board
	Ended  bool // the agent had been told to end, and wrote this last
}

func (a *Agent) snapshot() *snapshot {
	a.mu.Lock()
	defer a.mu.Unlock()
	return &snapshot{format, a.config.Build, a.boot.id, a.boot.epoch, a.failed, a.state, a.board.clone(), a.ended}
}

// boot is one boot of the machine, as the journal knows it, and its epoch.
type boot struct {
	id    string
	epoch shutdown.Instant
}

func (b *boot) is(id string) bool { return b.id != "" && b.id == id }

// resumed is what a journal tells of the life before.
type resumed struct {
	state  *shutdown.State
	board  board
	boot   boot
	ended  bool           // it had been told to end
	failed int            // lives in a row that the core ended
	policy *policy.Policy // of a snapshot that is not used otherwise
	notes  []string       // for the log
	keep   string         // the journal's file is put aside under this name
	lost   bool           // there was a snapshot, and it is not used
	other  bool           // another build wrote it
	given  []shutdown.Effect
}

// Words that begin a line of the journal that is no event and no effect.
const (
	snapshotWord = "snapshot "
	bootWord     = "boot "
	failedWord   = "failed"
)

const (
	badLines   = 5 // lines that cannot be used: with more of them, the journal ends there
	tooMany    = 3 // lives in a row that the core ended: what is remembered is put aside
	livesAgain = 10 * time.Minute
)

// remember reads the past as far as it can be read: the last snapshot that can be
// used, and all lines behind it. They are facts, whatever build wrote them. Whatever
// is wrong with it, the agent starts: a bad journal must not leave hosts running into
// an empty battery.
func remember(past *Past, c *Config) *resumed {
	lines := slices.Concat(past.Before, past.Lines)
	var notes []string
	var first error // of what is wrong with snapshots
	var last []byte // the newest snapshot, that much of it as can be had
	for i := len(lines) - 1; i >= 0; i-- {
		text, is := strings.CutPrefix(lines[i], snapshotWord)
		if !is {
			continue
		}
		m, err := recall([]byte(text), lines[i+1:], c)
		if err == nil {
			m.ended = m.ended && i == len(lines)-1 && !past.Torn
			m.lost = first != nil
			return m.with(past, notes, first)
		}
		if first == nil {
			first, last = err, []byte(text)
		}
		notes = append(notes, fmt.Sprintf("a snapshot of the journal cannot be used: %v", err))
	}
	m := salvage(last)
	if m.lost = first != nil || past.Damage != "" && !past.None; m.lost {
		notes = append(notes, "nothing is remembered of the time before; the agent goes on from what UPSs and hosts show")
	}
	return m.with(past, notes, first)
}

// with notes what is wrong with the past, and under which name it is put aside.
func (m *resumed) with(past *Past, notes []string, first error) *resumed {
	m.notes = append(notes, m.notes...)
	if past.Torn {
		m.notes = append(m.notes, "the journal's last line was cut short; it is left out")
	}
	if past.Damage != "" {
		m.keep = damaged
		m.notes = append(m.notes, past.Damage)
	}
	var r *refused
	if errors.As(first, &r) {
		m.keep = r.as
	}
	return m
}

// salvage takes what can be had of a snapshot that is not used: the clock, the number of
// the outage, so that actions have names of their own, and the policy.
func salvage(text []byte) *resumed {
	m := &resumed{state: shutdown.New()}
	var n numbered
	if json.Unmarshal(text, &n) != nil {
		return m
	}
	var epoch int64
	if json.Unmarshal(n.Epoch, &epoch) == nil && epoch >= 0 && shutdown.Instant(epoch) <= latest {
		m.boot = boot{n.Boot, shutdown.Instant(epoch)}
	}
	var outage uint32
	if json.Unmarshal(n.State.Outage, &outage) == nil && outage < 1e6 {
		m.state.Outage = outage
	}
	m.policy, _ = knownPolicy(n.State.Policy)
	return m
}

// recall takes the snapshot and replays the lines behind it. A line that cannot be
// used is left out.
func recall(text []byte, lines []string, c *Config) (*resumed, error) {
	skip := map[int]bool{}
	var notes []string
	for {
		s, err := decode(text)
		if err != nil {
			return nil, err
		}
		m := &resumed{state: s.State, board: s.Board, boot: boot{s.Boot, s.Epoch}, ended: s.Ended, failed: s.Failed, other: s.Build != c.Build}
		bad := m.replayAll(lines, skip)
		if bad == nil {
			return m.checked(s, notes, len(skip) > 0, c)
		}
		skip[bad.number] = true
		notes = append(notes, fmt.Sprintf("the journal's line %d of %d since the snapshot cannot be used; it is left out: %v", bad.number+1, len(lines), bad.err))
		if len(skip) > badLines {
			lines = lines[:bad.number]
			notes = append(notes, "so many lines cannot be used that what comes from there on is left out")
		}
	}
}

// checked is the last look at what was recalled before it is used.
func (m *resumed) checked(s *snapshot, notes []string, skipped bool, c *Config) (*resumed, error) {
	if err := sound(m.state); err != nil {
		return nil, &refused{impossible, "after the lines behind it " + err.Error()}
	}
	if m.failed >= tooMany {
		return nil, &refused{impossible, fmt.Sprintf("the decision code failed in the last %d lives, which all began with it", m.failed)}
	}
	if err := rehearse(m.state, !m.boot.is(c.Boot), m.ended); err != nil {
		return nil, &refused{impossible, err.Error()}
	}
	if s.Build != c.Build {
		notes = append(notes, fmt.Sprintf("another build (%q) wrote the journal; what it saw and began is taken over", s.Build))
	}
	m.notes = notes
	if skipped {
		m.keep = damaged
	}
	return m, nil
}

// badLine is a line of the journal that cannot be replayed.
type badLine struct {
	number int
	err    error
}

func (m *resumed) replayAll(lines []string, skip map[int]bool) *badLine {
	for n, line := range lines {
		if skip[n] {
			continue
		}
		if err := m.replay(line); err != nil {
			return &badLine{n, err}
		}
	}
	return nil
}

// replay takes one line. The core's panic is an error: the same line would
// bring the agent down at every start.
func (m *resumed) replay(line string) (err error) {
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
	switch {
	case line == failedWord:
		m.failed++
		return nil
	case strings.HasPrefix(line, snapshotWord):
		return nil // of what is known already
	case !transcript.Line(line):
		m.begun(line)
		return nil
	}
	at, e, err := transcript.Parse(m.state.Policy, line)
	if err != nil {
		return err
	}
	before := m.state.Policy
	if m.other {
		m.given = m.state.Heard(at, e, m.given[:0]) // what it began is in the lines
	} else {
		m.given = m.state.Step(at, e, m.given[:0])
	}
	for i := range m.given {
		if f := &m.given[i]; f.Kind == shutdown.Notify {
			m.board.take(at, speaks(e, before, m.state), &f.Notice)
		}
	}
	if m.state.Policy != before {
		m.board.forget(m.state.Policy)
	}
	return nil
}

// begun takes an effect's line. The replay makes most of them again; an action that
// it does not make, and that was begun, is a fact.
func (m *resumed) begun(line string) {
	at, action, is := transcript.ParseBegin(m.state.Policy, line)
	if !is || slices.ContainsFunc(m.given, func(f shutdown.Effect) bool { return f.Kind == shutdown.Begin && f.Action.ID == action.ID }) {
		return
	}
	m.state.Begun(at, action)
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
	m := remember(&a.config.Past, &a.config)
	a.config.Past = Past{}
	old, fresh, err := a.bothWorkers(m)
	if old == nil && fresh == nil {
		return fmt.Errorf("there is no policy to work by, and none is recorded: %w", err)
	}
	a.resume(m)
	if m.lost {
		a.Raise(shutdown.MemoryRefused)
	} else if m.ended {
		a.Settle(shutdown.MemoryRefused) // somebody saw to it
	}
	if a.config.StandsIn {
		a.Raise(shutdown.UpgradeFailed)
	} else {
		a.Settle(shutdown.UpgradeFailed)
	}
	a.mu.Lock()
	a.forgot = a.board.raised(shutdown.MemoryRefused)
	a.mu.Unlock()
	if old != nil {
		if m.state.Next != nil {
			next, _ := a.workersFor(m.state.Next) // else it is tried again when its time comes
			a.wait(next)
		}
		if fresh != nil && !same(fresh.policy, a.latest()) {
			if a.waiting != nil {
				a.gone.Go(a.waiting.parts.close)
			}
			a.wait(fresh) // it stands in for what has lost its secret, in the very first step
		}
		a.employ(old)
		a.ended = false
		a.step(&shutdown.Event{Kind: shutdown.Restarted, Rebooted: !m.boot.is(a.config.Boot), Orderly: m.ended})
	}
	if err != nil {
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

// bothWorkers makes what works for the recorded policy and for the operator's. A
// recorded one that cannot be put to work any more is forgotten with all else.
func (a *Agent) bothWorkers(m *resumed) (old, fresh *workers, err error) {
	err = errors.New("the policy has errors")
	if a.config.Policy != nil {
		fresh, err = a.workersFor(a.config.Policy)
	}
	if m.state.Policy != nil {
		var bad error
		if old, bad = a.workersFor(m.state.Policy); bad != nil {
			m.notes = append(m.notes, "the recorded policy cannot be put to work, nothing is remembered: "+bad.Error())
			*m = resumed{state: shutdown.New(), boot: m.boot, notes: m.notes, keep: damaged, lost: true}
		}
	}
	if old == nil && fresh == nil && m.policy != nil {
		if fresh, bad := a.workersFor(m.policy); bad == nil {
			return nil, fresh, err // err says that it is not the operator's
		}
	}
	return old, fresh, err
}

// resume takes over what is remembered, and begins the journal again with it.
func (a *Agent) resume(m *resumed) {
	a.clock, a.state, a.boot = newClock(&a.config, m), m.state, m.boot
	a.failed = m.failed
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

func (a *Agent) workersFor(p *policy.Policy) (*workers, error) {
	parts, err := a.config.Wire(p)
	if err != nil {
		return nil, err
	}
	return newWorkers(p, parts), nil
}
