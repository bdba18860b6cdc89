package message

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"ebbline/agent"
	"ebbline/agent/journal"
	"ebbline/policy"
)

// post is a fake way to receivers, for what is about order and time; the real
// ways have tests of their own.
type post struct {
	mu    sync.Mutex
	got   map[string][]Message
	tries int
	fault func(receiver string, m *Message) error
	hang  chan struct{} // every send waits until it is closed, or its deadline
}

func (p *post) way(m *policy.Message, _ Secrets) sender { return &box{p, m.Name} }

type box struct {
	post *post
	name string
}

func (b *box) where() string { return "fake " + b.name }

func (b *box) send(ctx context.Context, m *Message) error {
	b.post.mu.Lock()
	defer b.post.mu.Unlock()
	b.post.tries++
	if b.post.hang != nil {
		b.post.mu.Unlock()
		defer b.post.mu.Lock()
		select {
		case <-b.post.hang:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if b.post.fault != nil {
		if err := b.post.fault(b.name, m); err != nil {
			return err
		}
	}
	if b.post.got == nil {
		b.post.got = map[string][]Message{}
	}
	b.post.got[b.name] = append(b.post.got[b.name], *m)
	return nil
}

func (p *post) messages(name string) []Message {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.got[name])
}

func (p *post) texts(name string) (out []string) {
	for _, m := range p.messages(name) {
		out = append(out, m.Text)
	}
	return out
}

// disk is a fake journal: what it was given, and what is wrong with it.
type disk struct {
	mu       sync.Mutex
	snapshot []byte
	lines    []string
	fail     error
	hang     chan struct{}
}

func (d *disk) wait() error {
	d.mu.Lock()
	hang, fail := d.hang, d.fail
	d.mu.Unlock()
	if hang != nil {
		<-hang
	}
	return fail
}

func (d *disk) Append(lines []string, sync bool) error {
	if err := d.wait(); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.lines = append(d.lines, lines...)
	return nil
}

func (d *disk) Cut(snapshot []byte, keep string) error {
	if err := d.wait(); err != nil {
		return err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.snapshot, d.lines = snapshot, nil
	return nil
}

func (d *disk) set(fail error, hang chan struct{}) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fail, d.hang = fail, hang
}

func (d *disk) past() agent.Past {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.snapshot == nil {
		return agent.Past{None: true}
	}
	return agent.Past{Lines: append([]string{snapshotWord + string(d.snapshot)}, d.lines...)}
}

// bench is a messenger over fakes.
type bench struct {
	*Messenger
	post *post
	disk *disk
	mu   sync.Mutex
	said []string // to the agent
}

func start(t *testing.T, p *post, d *disk, receivers ...policy.Message) *bench {
	t.Helper()
	b := &bench{post: p, disk: d}
	b.Messenger = New(Config{Journal: d, Past: d.past(), Log: zap.NewNop(), way: p.way, Unsent: func(text string) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.said = append(b.said, text)
	}})
	b.Adopt(&policy.Policy{Site: policy.Site{Name: "barn"}, Messages: receivers})
	return b
}

func (b *bench) words() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.said)
}

func receiver1(name string, s policy.Severity, codes ...string) policy.Message {
	return policy.Message{Name: name, Severity: s, Codes: codes, GivesUp: time.Hour}
}

func news(n int, s policy.Severity) agent.News {
	return agent.News{At: time.Unix(1_700_000_000+int64(n), 0), Change: agent.Happened, Code: fmt.Sprintf("code-%d", n), Severity: s, Text: fmt.Sprintf("text %d", n)}
}

func same(t *testing.T, what string, got, want []string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("%s: %q, want %q", what, got, want)
	}
}

// Aim: each hears what it asked for, in order. Method: three receivers, by severity
// and by code.
func TestWhoHearsWhat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := start(t, &post{}, &disk{}, receiver1("all", policy.Info), receiver1("bad", policy.Critical), receiver1("one", policy.Info, "code-2"))
		for i, s := range []policy.Severity{policy.Info, policy.Critical, policy.Warning, policy.Critical} {
			b.Tell(news(i, s))
		}
		synctest.Wait()
		same(t, "all", b.post.texts("all"), []string{"text 0", "text 1", "text 2", "text 3"})
		same(t, "bad", b.post.texts("bad"), []string{"text 1", "text 3"})
		same(t, "one", b.post.texts("one"), []string{"text 2"})
		b.Close()
	})
}

// farAway is a post that does not reach the receiver "far" while it is away.
func farAway() (p *post, away *bool) {
	p, away = &post{}, new(bool)
	*away = true
	p.fault = func(name string, _ *Message) error {
		if *away && name == "far" {
			return errors.New("connection refused. Is it up?")
		}
		return nil
	}
	return p, away
}

// Aim: a receiver that is away gets all when it is back, in order, though the agent
// was started again meanwhile; the condition says so, and is over then. Another
// receiver does not wait for it.
func TestAwayAndBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, away := farAway()
		d := &disk{}
		receivers := []policy.Message{receiver1("far", policy.Info), receiver1("near", policy.Info)}
		b := start(t, p, d, receivers...)
		b.Tell(news(1, policy.Warning))
		b.Tell(news(2, policy.Critical))
		time.Sleep(time.Minute)
		same(t, "near", p.texts("near"), []string{"text 1", "text 2"})
		if said := b.words(); len(said) != 1 || !strings.Contains(said[0], `"far" (fake far): connection refused`) {
			t.Errorf("the agent was told %q", said)
		}
		b.Close()
		b = start(t, p, d, receivers...)
		b.Tell(news(3, policy.Info))
		time.Sleep(time.Minute)
		p.mu.Lock()
		*away = false
		p.mu.Unlock()
		time.Sleep(longPause + time.Minute)
		same(t, "far", p.texts("far"), []string{"text 1", "text 2", "text 3"})
		same(t, "near", p.texts("near"), []string{"text 1", "text 2", "text 3"})
		if said := b.words(); said[len(said)-1] != "" {
			t.Errorf("the condition stands: %q", said)
		}
		b.Close()
		if m, _ := recall(d.past()); len(m.Waiting) != 0 {
			t.Errorf("%d messages still wait", len(m.Waiting))
		}
	})
}

// Aim: who hears that messages do not get through hears that it is over, and who could
// not hear the one does not hear the other, though the agent was started again meanwhile.
// Method: the condition is told as the agent does, to one that is away and one that is not.
func TestUnsentIsToldInPairs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, away := farAway()
		d := &disk{}
		receivers := []policy.Message{receiver1("far", policy.Info), receiver1("near", policy.Info)}
		unsent := agent.News{At: time.Unix(1_700_000_000, 0), Change: agent.Raised, Code: "message-unsent", Severity: policy.Warning, Text: "raised"}
		b := start(t, p, d, receivers...)
		b.Tell(news(1, policy.Info))
		time.Sleep(time.Minute)
		if said := b.words(); len(said) != 1 || !strings.Contains(said[0], "Is it up? They are kept") {
			t.Errorf("the agent was told %q", said)
		}
		b.Tell(unsent)
		time.Sleep(time.Minute)
		b.Close()
		b = start(t, p, d, receivers...)
		p.mu.Lock()
		*away = false
		p.mu.Unlock()
		time.Sleep(longPause + time.Minute)
		unsent.Change, unsent.Text = agent.Over, "over"
		b.Tell(unsent)
		time.Sleep(time.Minute)
		same(t, "near", p.texts("near"), []string{"text 1", "raised", "over"})
		same(t, "far", p.texts("far"), []string{"text 1"})
		b.Close()
		if m, _ := recall(d.past()); len(m.Untold) != 0 {
			t.Errorf("%v are still not told", m.Untold)
		}
	})
}

// Aim: news come at once to a receiver whose last failure was long ago, and its pause
// has grown: the switch to it may live for a minute only.
func TestNewsCutThePauseShort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		away := true
		p := &post{}
		p.fault = func(string, *Message) error {
			if away {
				return errors.New("away")
			}
			return nil
		}
		b := start(t, p, &disk{}, receiver1("far", policy.Info))
		b.Tell(news(1, policy.Info))
		time.Sleep(20 * time.Minute)
		p.mu.Lock()
		away = false
		p.mu.Unlock()
		b.Tell(news(2, policy.Warning))
		time.Sleep(2 * firstPause)
		same(t, "far", p.texts("far"), []string{"text 1", "text 2"})
		b.Close()
	})
}

// Aim: a message that cannot be sent in its time, and one that the receiver will never
// take, make way for the next, and the receiver learns how many it lost.
func TestGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, d := &post{}, &disk{}
		p.fault = func(_ string, m *Message) error {
			switch m.Text {
			case "text 1":
				return unwanted{errors.New("HTTP 422")}
			case "text 2":
				return errors.New("away")
			}
			return nil
		}
		b := start(t, p, d, receiver1("far", policy.Info))
		b.Tell(news(1, policy.Info))
		b.Tell(news(2, policy.Info))
		time.Sleep(2 * time.Hour)
		b.Tell(news(3, policy.Info))
		time.Sleep(time.Minute)
		same(t, "far", p.texts("far"), []string{"text 3"})
		if lost := p.messages("far")[0].Dropped; lost != 2 {
			t.Errorf("it says that %d were lost, not 2", lost)
		}
		if said := b.words(); said[len(said)-1] != "" {
			t.Errorf("the condition stands: %q", said)
		}
		b.Close()
	})
}

// Aim: the queue is bounded; of too many the least severe are dropped, the oldest first,
// and it is said. Method: a receiver that hangs, and more messages than it may have.
func TestBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, d := &post{hang: make(chan struct{})}, &disk{}
		b := start(t, p, d, receiver1("far", policy.Info))
		for i := range 2 * mostWaiting {
			s := policy.Info
			if i%4 == 1 {
				s = policy.Critical
			}
			b.Tell(news(i, s))
		}
		synctest.Wait()
		b.mu.Lock()
		last := b.said[len(b.said)-1]
		b.mu.Unlock()
		if !strings.Contains(last, `messages wait for "far", and that is the most`) {
			t.Errorf("the agent was told %q", last)
		}
		close(p.hang)
		time.Sleep(time.Minute)
		critical, lost := 0, 0
		for _, m := range p.messages("far") {
			if m.Severity == "critical" {
				critical++
			}
			lost += m.Dropped
		}
		if n := len(p.messages("far")); n != mostWaiting || critical != mostWaiting/2 || n+lost != 2*mostWaiting {
			t.Errorf("%d arrived, %d of them critical; they say that %d were lost", n, critical, lost)
		}
		b.Close()
	})
}

// Aim: what goes with messages takes no room without bound: of many that wait the later
// go without, and none is lost. Method: a receiver that hangs, and reports for it.
func TestFewPapers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, d := &post{hang: make(chan struct{})}, &disk{}
		b := start(t, p, d, receiver1("far", policy.Info))
		for i := range 2 * mostPapers {
			b.TellWith(news(i, policy.Info), []Attachment{{"outage.txt", "text/plain", "all of it"}})
		}
		close(p.hang)
		time.Sleep(time.Minute)
		with := 0
		for _, m := range p.messages("far") {
			with += len(m.Attachments)
		}
		if n := len(p.messages("far")); n != 2*mostPapers || with != mostPapers {
			t.Errorf("%d messages came, %d of them with a report", n, with)
		}
		b.Close()
	})
}

// Aim: a disk that is full or hangs keeps no message back, and costs none once it is
// well again. Method: fakes on a fake clock.
func TestDiskFails(t *testing.T) {
	for name, broken := range map[string]func() (chan struct{}, error){
		"full":  func() (chan struct{}, error) { return nil, errors.New("no space left on device") },
		"hangs": func() (chan struct{}, error) { return make(chan struct{}), nil },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p, d := &post{}, &disk{}
				away := false
				p.fault = func(string, *Message) error {
					if away {
						return errors.New("away")
					}
					return nil
				}
				b := start(t, p, d, receiver1("far", policy.Info))
				synctest.Wait()
				hang, fail := broken()
				d.set(fail, hang)
				b.Tell(news(1, policy.Critical))
				time.Sleep(10 * time.Second)
				same(t, "with the disk broken", p.texts("far"), []string{"text 1"})
				if said := b.words(); len(said) == 0 || !strings.Contains(said[len(said)-1], "The queue of messages cannot be written") {
					t.Errorf("the agent was told %q", said)
				}
				p.mu.Lock()
				away = true
				p.mu.Unlock()
				b.Tell(news(2, policy.Critical))
				b.Tell(news(3, policy.Critical))
				time.Sleep(time.Minute)
				d.set(nil, nil)
				if hang != nil {
					close(hang)
				}
				time.Sleep(time.Minute)
				b.Close()
				m, notes := recall(d.past())
				if len(m.Waiting) != 2 || len(notes) > 0 {
					t.Errorf("on the disk wait %d messages, want 2; %q", len(m.Waiting), notes)
				}
			})
		})
	}
}

// Aim: after a crash what was told is not told twice, and what was not is told; what
// ended meanwhile is over.
func TestResume(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, d := &post{}, &disk{}
		raised := func(code string) agent.News {
			return agent.News{At: time.Unix(1_700_000_000, 0), Change: agent.Raised, Code: code, Severity: policy.Critical, UPS: "rack", Text: code}
		}
		b := start(t, p, d, receiver1("far", policy.Info))
		b.Tell(raised("source-silent"))
		b.Tell(raised("battery-low"))
		b.Tell(agent.News{At: time.Unix(1_700_000_001, 0), Change: agent.Happened, Code: agent.InputLost, Severity: policy.Warning, Text: "lost", Outage: 3})
		synctest.Wait()
		b.Close()
		b = start(t, p, d, receiver1("far", policy.Info))
		b.Resume([]agent.News{raised("source-silent"), raised("output-off")}, 3)
		synctest.Wait()
		same(t, "far", p.texts("far"), []string{"source-silent", "battery-low", "lost", "output-off", "battery-low rack: over"})
		b.Resume([]agent.News{raised("source-silent"), raised("output-off")}, 4)
		synctest.Wait()
		if got := p.texts("far"); len(got) != 6 || !strings.HasPrefix(got[5], "outage 4 is on") {
			t.Errorf("a new outage: %q", got)
		}
		b.Close()
	})
}

// Aim: killed at any byte of its file, or with any byte of it damaged, the queue starts,
// in order, with every message that was whole on the disk before that place.
// Method: the real journal; a file with five messages cut at each byte, and with each
// byte turned over.
func TestCutAnywhere(t *testing.T) {
	path := filepath.Join(t.TempDir(), "messages")
	open := func() (*journal.Journal, *backlog, []string) {
		j, past, err := journal.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		m, notes := recall(past)
		return j, m, notes
	}
	j, _, _ := open()
	p := &post{fault: func(string, *Message) error { return errors.New("away") }}
	m := New(Config{Journal: j, Log: zap.NewNop(), way: p.way, Unsent: func(string) {}})
	m.Adopt(&policy.Policy{Site: policy.Site{Name: "barn"}, Messages: []policy.Message{receiver1("far", policy.Info)}})
	holds := func(lines int) (text []byte) {
		for end := time.Now().Add(time.Minute); strings.Count(string(text), "\n") != lines; time.Sleep(10 * time.Millisecond) {
			if text, _ = os.ReadFile(path); time.Now().After(end) {
				t.Fatalf("the queue's file has not %d lines:\n%s", lines, text)
			}
		}
		return text
	}
	holds(2) // a header and a snapshot
	for i := range 5 {
		m.Tell(news(i, policy.Info))
	}
	whole := holds(7)
	m.Close()
	j.Close()
	most := 0
	for _, damage := range []bool{false, true} {
		for at := range whole {
			text := slices.Clone(whole[:at])
			if damage {
				text = slices.Clone(whole)
				text[at] ^= 0x40
			}
			if err := os.WriteFile(path, text, 0o600); err != nil {
				t.Fatal(err)
			}
			j, m, _ := open()
			last := uint64(0)
			for _, e := range m.Waiting {
				if e.Number <= last || e.Message.Text != fmt.Sprintf("text %d", e.Number-1) {
					t.Fatalf("damage %v at byte %d: behind message %d is %+v", damage, at, last, e)
				}
				last = e.Number
			}
			most = max(most, len(m.Waiting))
			// What is whole before that place is there.
			if n := strings.Count(string(whole[:at]), "\n") - 2; len(m.Waiting) < n {
				t.Fatalf("damage %v at byte %d: %d messages, want %d", damage, at, len(m.Waiting), n)
			}
			j.Close()
		}
	}
	if most < 4 {
		t.Errorf("at most %d messages were found", most)
	}
}

// Aim: words of a UPS or a host cannot do harm in a message: no control character, no
// escape sequence, no second line for a mail's header, no right-to-left override.
func TestClean(t *testing.T) {
	n := news(1, policy.Warning)
	n.Text = "fan\x1b[2J\x07 failed\r\nBcc: x@example.org\u202e\u0000 end\xff"
	m := of(n, "barn")
	for _, text := range []string{m.Text, m.Title} {
		for _, r := range text {
			if r < ' ' || r == 0x7f || r == '\u202e' || r == '\ufffd' {
				t.Errorf("%q has %U", text, r)
			}
		}
	}
	l, err := (&mailer{policy: &policy.Mail{From: "a@example.org", To: []string{"b@example.org"}}}).letter(&m)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if _, err := l.WriteTo(&b); err != nil {
		t.Fatal(err)
	}
	head, _, _ := strings.Cut(b.String(), "\r\n\r\n")
	if strings.Contains(head, "\nBcc:") || strings.Contains(head, "\x1b") {
		t.Errorf("the mail's header:\n%s", head)
	}
	long := of(agent.News{Text: strings.Repeat("ä", 5000)}, "barn")
	if len([]rune(long.Text)) > mostText+1 || len([]rune(long.Title)) > mostTitle+1 {
		t.Errorf("%d and %d characters", len([]rune(long.Text)), len([]rune(long.Title)))
	}
}

// Aim: the JSON of a message keeps its names: receivers are written for them.
func TestJSON(t *testing.T) {
	n := agent.News{At: time.Unix(1_700_000_000, 0), Change: agent.Raised, Code: "source-silent", Severity: policy.Critical, UPS: "rack", Text: "UPS rack has not answered. Look at it.", Outage: 7}
	text, err := json.Marshal(of(n, "barn"))
	if err != nil {
		t.Fatal(err)
	}
	want := `{"id":"ID","site":"barn","change":"raised","code":"source-silent","severity":"critical","ups":"rack","host":"","title":"UPS rack has not answered","text":"UPS rack has not answered. Look at it.","at":"2023-11-14T22:13:20Z","outage":7,"test":false,"lost":0,"attachments":[]}`
	if got := strings.Replace(string(text), of(n, "barn").ID, "ID", 1); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// Aim: a template with an error is refused with its line; one that makes no JSON of
// every text too; a good one does what it says.
func TestTemplates(t *testing.T) {
	for _, c := range []struct {
		text, kind string
		line       int
		says       string
	}{
		{`{"text": {{json .Text}}, "priority": {{if eq .Severity "critical"}}5{{else}}3{{end}}}`, "", 0, ""},
		{"{{.Site}}: {{.Title}}", "text/plain", 0, ""},
		{"{{.Site}}: {{.Title}}", "", 1, "json .Text"},
		{"{\n\"a\": \"{{.Text}}\"}", "", 1, "json .Text"},
		{"{\n\"a\": {{json .Txt}}}", "", 2, "Txt"},
		{"a\n\n{{if}}", "text/plain", 3, "missing value"},
		{"{{shell .Text}}", "text/plain", 1, "shell"},
		{`{{define "a"}}{{template "a"}}{{template "a"}}{{end}}{{template "a"}}`, "text/plain", 1, "depth"},
	} {
		line, err := CheckTemplate(c.text, c.kind)
		if line != c.line || (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q: line %d, %v", c.text, line, err)
		}
	}
}
