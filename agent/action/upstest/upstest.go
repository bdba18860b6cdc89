// Package upstest starts, stops and reads the tests that a UPS makes of itself,
// by the test group of RFC 1628. What it says of a test is what the card reads
// afterwards, not what it answered. It never decides when.
package upstest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbline/agent/bounded"
	"ebbline/agent/source/snmp"
	"ebbline/policy"
)

// Kind is one of the tests that RFC 1628 names.
type Kind uint8

const (
	None    Kind = iota + 1
	Aborted      // the order to stop one; or the last was stopped
	General      // upsTestGeneralSystemsTest: the maker's standard test
	Quick        // upsTestQuickBatteryTest: enough to tell whether the battery is to be replaced
	Deep         // upsTestDeepBatteryCalibration: discharges to a level that the maker set; little charge is left
)

var (
	kinds  = [...]string{"unread", "no tests initiated", "abort test in progress", "general systems test", "quick battery test", "deep battery calibration"}
	before = map[string]Kind{"general": General, "quick": Quick, "deep": Deep} // names that they had
)

// String gives the name of RFC 1628, section 3 (upsWellKnownTests), in words.
func (k Kind) String() string { return kinds[k] }

// Name is the same as one word, as it is typed.
func (k Kind) Name() string { return strings.ReplaceAll(kinds[k], " ", "-") }

// Names are those of the tests that can be started.
func Names() (all []string) {
	for k := General; k <= Deep; k++ {
		all = append(all, k.Name())
	}
	return all
}

// ParseKind reads the name of a test that can be started.
func ParseKind(text string) (Kind, error) {
	for k := General; k <= Deep; k++ {
		if k.Name() == text {
			return k, nil
		}
	}
	if k, ok := before[text]; ok {
		return 0, fmt.Errorf("the test %q is called %q, as RFC 1628 names it", text, k.Name())
	}
	return 0, fmt.Errorf("no test is called %q: there are %s", text, strings.Join(Names(), ", "))
}

// Summary is what came of the running or last test.
type Summary uint8

const (
	Passed Summary = iota + 1
	Warned
	Failed
	WasAborted
	Running
	Never
)

// String gives the words for people.
func (s Summary) String() string {
	return [...]string{"unread", "passed", "passed with a warning", "FAILED", "was stopped", "is running", "none was made"}[s]
}

// Result is the test group as read.
type Result struct {
	Kind    Kind // zero for a maker's own test, or when it is not said
	Other   string
	Summary Summary
	Detail  string
	Elapsed time.Duration
}

// Objects of the group.
const (
	group   = ".1.3.6.1.2.1.33.1.7."
	id      = group + "1.0" // upsTestId
	lock    = group + "2.0" // upsTestSpinLock
	summary = group + "3.0" // upsTestResultsSummary
	detail  = group + "4.0" // upsTestResultsDetail
	elapsed = group + "6.0" // upsTestElapsedTime
	known   = group + "7."  // upsWellKnownTests
)

// Read says how the running or the last test stands.
func Read(ctx context.Context, cfg policy.SNMP, secrets snmp.Secrets) (Result, error) {
	c, err := snmp.NewClient(cfg, snmp.Reading, secrets)
	if err != nil {
		return Result{}, err
	}
	r, _, err := read(ctx, c)
	return r, err
}

func read(ctx context.Context, c *snmp.Client) (r Result, spin int64, err error) {
	answers, err := c.Get(ctx, []string{id, lock, summary, detail, elapsed})
	if err != nil {
		return r, 0, err
	}
	if oid, ok := answers[0].OID(); ok {
		if n, ours := strings.CutPrefix(oid, known); ours && len(n) == 1 && n[0] >= '1' && n[0] <= '5' {
			r.Kind = Kind(n[0] - '0')
		} else {
			r.Other = oid
		}
	}
	spin, locks := answers[1].Integer()
	if !locks {
		spin = -1
	}
	n, ok := answers[2].Integer()
	if !ok || n < 1 || n > int64(Never) {
		return r, spin, errors.New("the card has no upsTestResultsSummary: it does not tell of tests")
	}
	r.Summary = Summary(n)
	r.Detail, _ = answers[3].Text()
	if n, ok := answers[4].Integer(); ok && n >= 0 {
		r.Elapsed = time.Duration(n) * 10 * time.Millisecond
	}
	return r, spin, nil
}

// Start starts a test, or with [Aborted] stops the one that runs. The spin lock
// keeps two managers from starting one each: it goes with the order in one
// message, with the value that was just read.
func Start(ctx context.Context, cfg policy.SNMP, kind Kind, secrets snmp.Secrets) (Result, error) {
	reader, err := snmp.NewClient(cfg, snmp.Reading, secrets)
	if err != nil {
		return Result{}, err
	}
	writer, err := snmp.NewClient(cfg, snmp.Writing, secrets)
	if err != nil {
		return Result{}, err
	}
	was, spin, err := read(ctx, reader)
	switch {
	case err != nil:
		return was, err
	case kind != Aborted && was.Summary == Running:
		return was, errors.New("a test is running already")
	case kind == Aborted && was.Summary != Running:
		return was, errors.New("no test is running")
	}
	order := []snmp.Setting{{OID: id, Value: snmp.ObjectID(fmt.Sprintf("%s%d", known, kind))}}
	if spin >= 0 {
		order = slices.Insert(order, 0, snmp.Setting{OID: lock, Value: snmp.Int(spin)})
	}
	sent := writer.Set(ctx, order...)
	now, _, err := read(ctx, reader)
	began := now.Summary == Running && now.Kind == kind
	if kind == Aborted {
		began = now.Summary == WasAborted
	}
	var refused *snmp.RefusedError
	switch {
	case err != nil:
		return now, fmt.Errorf("the order was sent, and then the card fell silent: %w", err)
	case began, sent == nil && kind != Aborted && now.Summary != Never && now != was:
		return now, nil // it may be over already
	case errors.As(sent, &refused):
		return now, fmt.Errorf("%w; another manager may have been first, or the community or user may not write (write_community names another)", refused)
	case sent != nil:
		return now, fmt.Errorf("the order was lost on its way: %w", sent)
	}
	return now, fmt.Errorf("the card took the order and reads: %s, %s", now.Kind, now.Summary)
}

// Run is [Start], and waits for the end of the test that it started: it reads every so
// often. A lost answer is no end.
func Run(ctx context.Context, cfg policy.SNMP, kind Kind, secrets snmp.Secrets, every time.Duration) (Result, error) {
	r, err := Start(ctx, cfg, kind, secrets)
	for err == nil && kind != Aborted && r.Summary == Running && ctx.Err() == nil {
		bounded.Pause(ctx, every)
		if now, failed := Read(ctx, cfg, secrets); failed == nil {
			r = now
		}
	}
	return r, err
}
