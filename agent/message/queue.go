package message

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbline/agent"
)

// Journal keeps what is to be sent over a crash, as the agent's own keeps what
// happened: agent/journal writes both.
type Journal = agent.Journal

// entry is one message that waits for one receiver.
type entry struct {
	Number   uint64  `json:"number"`
	Receiver string  `json:"receiver"`
	Message  Message `json:"message"`

	kept  chan struct{} // closed when it is on the disk, or the disk would not take it
	since time.Time     // in this life of the agent: its time to be sent counts from here
}

// backlog is what outlives the agent.
type backlog struct {
	Next     uint64            `json:"next"`
	Waiting  []*entry          `json:"waiting"`
	Standing map[string]string `json:"standing"` // conditions that were told and not yet said to be over: their message by what they are
	Outage   uint32            `json:"outage"`   // the last that was told
	Dropped  map[string]int    `json:"lost"`     // by receiver, since its last message
	Untold   []string          `json:"untold"`   // receivers that were not told that messages do not get through, since theirs did not
}

// change is one line of the queue's journal: only what it names has changed.
type change struct {
	Queue  *entry `json:"queue,omitempty"`
	Done   uint64 `json:"done,omitempty"`
	Drop   uint64 `json:"drop,omitempty"` // given up: as Done, and the receiver has lost one
	Raised string `json:"raised,omitempty"`
	ID     string `json:"id,omitempty"` // of Raised
	Over   string `json:"over,omitempty"`
	Outage uint32 `json:"outage,omitempty"`
	Untold string `json:"untold,omitempty"`
}

// apply is the one way in which the backlog changes, now and when it is read again.
func (m *backlog) apply(c change) {
	if c.Queue != nil {
		m.Waiting = append(m.Waiting, c.Queue)
		m.Next = max(m.Next, c.Queue.Number+1)
		if c.Queue.Message.Dropped > 0 {
			delete(m.Dropped, c.Queue.Receiver)
		}
	}
	if number := max(c.Done, c.Drop); number > 0 {
		m.Waiting = slices.DeleteFunc(m.Waiting, func(e *entry) bool {
			if e.Number == number && c.Drop > 0 {
				m.Dropped[e.Receiver] += 1 + e.Message.Dropped
			}
			return e.Number == number
		})
	}
	if c.Raised != "" {
		m.Standing[c.Raised] = c.ID
	}
	if c.Over != "" {
		delete(m.Standing, c.Over)
	}
	if c.Over == unsentKey {
		m.Untold = nil
	}
	if c.Untold != "" {
		m.Untold = append(m.Untold, c.Untold)
	}
	if c.Outage > 0 {
		m.Outage = c.Outage
	}
}

// waiting is how many messages wait for a receiver.
func (m *backlog) waiting(receiver string) (n int) {
	for _, e := range m.Waiting {
		if e.Receiver == receiver {
			n++
		}
	}
	return n
}

// papers is how many of them have attachments.
func (m *backlog) papers(receiver string) (n int) {
	for _, e := range m.Waiting {
		if e.Receiver == receiver && len(e.Message.Attachments) > 0 {
			n++
		}
	}
	return n
}

// snapshotWord is how a line of the journal begins that holds a whole backlog.
const snapshotWord = "snapshot "

func newBacklog() *backlog {
	return &backlog{Next: 1, Standing: map[string]string{}, Dropped: map[string]int{}}
}

// recall reads what a journal held. What cannot be read is left out, and said.
func recall(past agent.Past) (m *backlog, notes []string) {
	m = newBacklog()
	for i, line := range slices.Concat(past.Before, past.Lines) {
		var err error
		if text, whole := strings.CutPrefix(line, snapshotWord); whole {
			next := newBacklog()
			if err = json.Unmarshal([]byte(text), next); err == nil && next.Standing != nil && next.Dropped != nil {
				next.Waiting = slices.DeleteFunc(next.Waiting, func(e *entry) bool { return e == nil })
				m = next
			}
		} else {
			var c change
			if err = json.Unmarshal([]byte(line), &c); err == nil {
				m.apply(c)
			}
		}
		if err != nil {
			notes = append(notes, fmt.Sprintf("line %d of the queue of messages cannot be read and is left out: %v", i+1, err))
		}
	}
	if past.Damage != "" {
		notes = append(notes, past.Damage)
	}
	slices.SortStableFunc(m.Waiting, func(a, b *entry) int { return cmp.Compare(a.Number, b.Number) })
	return m, notes
}

const (
	diskRetry = 5 * time.Second // between attempts to begin the queue's file again
	cutAfter  = 1 << 20         // bytes since the snapshot
)

// write is the goroutine that keeps the queue on the disk. The disk may fail, fill
// or hang: then messages go without it, and the agent hears of it.
func (m *Messenger) write() {
	begun := false
	size := 0
	for {
		lines, kept, snapshot, ok := m.unsaved(!begun || size > cutAfter)
		if !ok {
			return
		}
		var err error
		if snapshot != nil {
			keep := ""
			if m.damaged && !begun {
				keep = "damaged"
			}
			err = m.config.Journal.Cut(snapshot, keep)
			begun, size = err == nil, 0
		} else {
			err = m.config.Journal.Append(lines, true)
			for _, l := range lines {
				size += len(l)
			}
			begun = err == nil
		}
		for _, k := range kept {
			close(k)
		}
		m.disk(err)
		if err != nil && !m.pause(diskRetry) {
			return
		}
	}
}

// pause waits, and is false when the messenger ends meanwhile.
func (m *Messenger) pause(d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-m.quit:
		return false
	}
}

// unsaved waits for something to write: lines, or the whole as a snapshot. It is
// not ok when there is nothing more and the messenger ends.
func (m *Messenger) unsaved(whole bool) (lines []string, kept []chan struct{}, snapshot []byte, ok bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for len(m.lines) == 0 && !m.gap && !whole && !m.ended {
		m.news.Wait()
	}
	if len(m.lines) == 0 && !m.gap && m.ended {
		return nil, nil, nil, false
	}
	lines, kept, whole = m.lines, m.unkept, whole || m.gap
	m.lines, m.unkept, m.gap = nil, nil, false
	if whole {
		text, err := json.Marshal(&m.backlog)
		if err != nil {
			text = []byte("{}") // of plain values it does not happen
		}
		snapshot = text
	}
	return lines, kept, snapshot, true
}

// record applies a change and has it written. The caller holds m.mu.
func (m *Messenger) record(c change) {
	m.backlog.apply(c)
	line, err := json.Marshal(c)
	if err != nil {
		return
	}
	if m.broken == "" {
		m.lines = append(m.lines, string(line))
	} else {
		m.lines, m.gap = nil, true // the disk would not take them: the next write is of the whole
	}
	if c.Queue != nil {
		m.unkept = append(m.unkept, c.Queue.kept)
	}
	m.news.Broadcast()
}

var errHung = errors.New("the disk does not answer")
