// Package snmp reads one UPS through its management card, RFC 1628 over SNMP
// v1, v2c or v3, and hears the notifications that the card sends. A poll tells
// the truth as far as it is known; a notification is only ever a reason to
// poll. It never decides anything, and never writes to a card: [Client] can,
// for the packages that act.
package snmp

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/gosnmp/gosnmp"

	"ebbline/policy"
	"ebbline/shutdown"
)

// Rated is what the policy says of the UPS, to judge readings by. Zero is not
// known.
type Rated struct {
	Watts        int64
	BatteryVolts float64 // of the whole string
}

// Source is one UPS. One goroutine calls its methods.
type Source struct {
	client *Client
	cfg    policy.SNMP
	rated  Rated

	asked   []index // all the policy does not declare missing
	scale   [count]float64
	alarms  bool        // the alarm table may be asked
	absent  [count]bool // the card said that it has no such object
	known   figures     // the last of each fixed object
	relearn time.Time   // when to look at both again
	usual   selection   // what a poll asks for, as absent has it
}

// selection is some of the objects, and the question that asks for them: a poll
// puts the same one each time.
type selection struct {
	without  [count]bool // absent, when it was made
	which    []index
	question *question
	answers  []Value
}

const (
	// relearnAfter is how often a card is asked again for what it did not have, and
	// for its ratings: a card that has just started has not read its UPS yet.
	relearnAfter = 10 * time.Minute
	// relearnSoon is the same while evidence on the source is absent.
	relearnSoon = 10 * time.Second
	// relearnFailed is the same when asking failed.
	relearnFailed = time.Minute
	mostAlarms    = 64
)

// New makes a source. It sends nothing yet; it reads the secrets.
func New(cfg policy.SNMP, secrets Secrets, rated Rated) (*Source, error) {
	client, err := NewClient(cfg, Reading, secrets)
	if err != nil {
		return nil, err
	}
	s := &Source{client: client, cfg: client.cfg, rated: rated, known: unread(), alarms: !slices.Contains(cfg.Missing, "upsAlarmDescr")}
	for i := range objects {
		s.scale[i] = 1
		if factor, ok := cfg.Scale[objects[i].name]; ok {
			s.scale[i] = factor
		}
		if !slices.Contains(cfg.Missing, objects[i].name) {
			s.asked = append(s.asked, index(i))
		}
	}
	return s, nil
}

// Poll asks the card once and says what it is told, within the policy's
// timeout. An error means that nothing is known: no answer, or none that can
// be used.
func (s *Source) Poll(ctx context.Context) (shutdown.Measurement, error) {
	if end, ok := ctx.Deadline(); !ok || time.Until(end) > s.cfg.Timeout {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, s.cfg.Timeout)
		defer cancel()
	}
	if s.usual.question == nil || s.usual.without != s.absent {
		s.usual = s.choose(func(i index) bool { return i < fixed && !s.absent[i] })
	}
	f := s.known
	if err := s.fill(ctx, &f, &s.usual); err != nil {
		return shutdown.Nothing, err
	}
	if !slices.ContainsFunc(f[:fixed], func(v float64) bool { return !math.IsNaN(v) }) {
		s.absent = [count]bool{}
		return shutdown.Nothing, fmt.Errorf("%s: answers, but has none of the UPS objects of RFC 1628; check that it is a UPS, and the view of this user or community", s.cfg.Address)
	}
	set, err := s.readAlarms(ctx, &f)
	if err != nil {
		return shutdown.Nothing, err
	}
	if set.has(alarmCommunications) {
		return shutdown.Nothing, fmt.Errorf("%s: the card has lost contact with its UPS, so its readings are old", s.cfg.Address)
	}
	if !time.Now().Before(s.relearn) {
		// Last, and whatever comes of it: this is not worth a poll.
		s.learn(ctx, &f)
	}
	return measure(&f, set, s.rated), nil
}

// learn asks for the fixed objects, and again for what the card did not have.
func (s *Source) learn(ctx context.Context, f *figures) {
	rest := s.choose(func(i index) bool { return i >= fixed || s.absent[i] })
	err := s.fill(ctx, f, &rest)
	copy(s.known[fixed:], f[fixed:])
	wait := relearnAfter
	if slices.Contains(s.absent[:evidence], true) {
		wait = relearnSoon
	} else if err != nil {
		wait = relearnFailed
	}
	s.relearn = time.Now().Add(wait)
}

// choose makes a selection.
func (s *Source) choose(chosen func(index) bool) selection {
	l := selection{without: s.absent, question: &question{kind: gosnmp.GetRequest}}
	for _, i := range s.asked {
		if chosen(i) {
			l.which = append(l.which, i)
			l.question.names = append(l.question.names, objectNames[i])
		}
	}
	l.answers = make([]Value, len(l.which))
	return l
}

// fill asks for the objects of a selection and notes which of them the card has.
func (s *Source) fill(ctx context.Context, f *figures, l *selection) error {
	if len(l.which) == 0 {
		return nil
	}
	clear(l.answers)
	err := s.client.get(ctx, l.question, l.answers)
	for k, i := range l.which {
		if l.answers[k].Type == 0 {
			// Not asked before the deadline. What is known by now is kept, so that a
			// slow v1 card is learned over several polls.
			continue
		}
		s.absent[i] = l.answers[k].Type == gosnmp.NoSuchObject || l.answers[k].Type == gosnmp.NoSuchInstance
		f[i] = objects[i].figure(l.answers[k], s.scale[i])
	}
	return err
}

// readAlarms walks the alarm table, unless the card says that it is empty and
// nothing else speaks against that.
func (s *Source) readAlarms(ctx context.Context, f *figures) (alarms, error) {
	calm := f[alarmsPresent] == 0 && f[outputSource] == 3 && f[batteryStatus] == 2 && !(f[secondsOnBattery] > 0)
	if calm || !s.alarms {
		return 0, nil
	}
	rows, err := s.client.Walk(ctx, alarmDescr, mostAlarms)
	return alarmSet(rows), err
}

// Capabilities is what a card is and has. Figures that it does not have are
// [shutdown.Unread].
type Capabilities struct {
	Manufacturer, Model, Firmware string // of the UPS
	CardFirmware, Name            string

	RatedWatts, RatedVA       int64
	LowSeconds                int64 // its own threshold for "battery low", as runtime
	NominalVolts              int64 // of the input
	LowTransfer, HighTransfer int64 // volts between which it stays on the input
	InputLines, OutputLines   int64
	Objects, Absent           []string // RFC 1628 names that a measurement is made of, which it has and has not
	Controls                  bool     // its control group can be read
	AutoRestart               bool     // it says that it starts again with the input
	First                     shutdown.Measurement
}

// Probe asks what the card is and has. It takes several requests and all the
// time that ctx gives it, or five times the policy's timeout.
func (s *Source) Probe(ctx context.Context) (Capabilities, error) {
	if _, ok := ctx.Deadline(); !ok {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, 5*s.cfg.Timeout)
		defer cancel()
	}
	f, all := unread(), s.choose(func(index) bool { return true })
	if err := s.fill(ctx, &f, &all); err != nil {
		return Capabilities{}, err
	}
	copy(s.known[fixed:], f[fixed:])
	s.relearn = time.Now().Add(relearnAfter)
	extra, err := s.client.Get(ctx, []string{identManufacturer, identModel, identUPSSoftware, identAgent, identName, shutdownAfterDelay, autoRestart})
	if err != nil {
		return Capabilities{}, err
	}
	c := Capabilities{
		RatedWatts: whole(f[ratedPower]), RatedVA: whole(f[ratedVA]), LowSeconds: whole(f[lowBatteryTime] * 60),
		NominalVolts: whole(f[nominalInput]), LowTransfer: whole(f[lowTransfer]), HighTransfer: whole(f[highTransfer]),
		InputLines: whole(f[inputLines]), OutputLines: whole(f[outputLines]),
	}
	for i, text := range []*string{&c.Manufacturer, &c.Model, &c.Firmware, &c.CardFirmware, &c.Name} {
		*text, _ = extra[i].Text()
	}
	for i := range objects {
		list := &c.Objects
		if math.IsNaN(f[i]) {
			list = &c.Absent
		}
		if n := objects[i].name; !slices.Contains(c.Objects, n) && !slices.Contains(*list, n) {
			*list = append(*list, n)
		}
	}
	_, c.Controls = extra[5].Integer()
	restart, _ := extra[6].Integer()
	c.AutoRestart = restart == 1
	if c.First, err = s.Poll(ctx); err != nil {
		return Capabilities{}, err
	}
	return c, nil
}
