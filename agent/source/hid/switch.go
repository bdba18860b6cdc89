package hid

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
)

// Switch switches the output of one UPS off after a delay, and on again with
// the input, or calls that back, by DelayBeforeShutdown and DelayBeforeStartup.
// The UPS's word is not enough: what it was told is read back, and only a
// countdown that is seen to run counts as accepted. It never decides when.
type Switch struct {
	cfg  policy.HID
	busy chan struct{}
}

const (
	// slack is what a countdown may lose between being set and being read.
	slack = 2 * time.Second
	// coarse is how much longer a countdown may read than asked: some devices
	// count in whole minutes.
	coarse = time.Minute
	// least is the shortest countdown that can be seen to run, and watch how long
	// one is watched for that.
	least = 5 * time.Second
	watch = 2500 * time.Millisecond
	// none is how a countdown reads that does not run, and what stops one. Some
	// devices read 0; 0 is never written, because it means "at once".
	none = -1

	defaultAction = 10 * time.Second
)

// NewSwitch makes a switch. It opens the UPS only while it acts.
func NewSwitch(cfg policy.HID) *Switch {
	return &Switch{cfg: cfg, busy: make(chan struct{}, 1)}
}

// Do carries out one action by the deadline of ctx, or within ten seconds:
// VerbSwitchOff starts the countdown, VerbSwitchOn stops one that runs. The
// text is one line for people.
//
// To do the same twice is harmless: a countdown that runs already is left
// alone. So an agent that was restarted in the middle may try again.
func (w *Switch) Do(ctx context.Context, out policy.Output, verb shutdown.Verb) (shutdown.Outcome, string) {
	if _, ok := ctx.Deadline(); !ok {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, defaultAction)
		defer cancel()
	}
	cfg := w.cfg
	p, err := within(ctx, w.busy, func() (*port, error) { return open(cfg) })
	if err != nil {
		return shutdown.Unreachable, err.Error()
	}
	defer p.close()
	off, on, err := p.layout.countdowns()
	if err != nil {
		return shutdown.Refused, err.Error()
	}
	a := &act{ctx: ctx, busy: w.busy, port: p, off: off, on: on}
	switch verb {
	case shutdown.VerbSwitchOff:
		return a.switchOff(out)
	case shutdown.VerbSwitchOn:
		return a.callBack()
	}
	return shutdown.Refused, fmt.Sprintf("a UPS's output cannot %s", verb)
}

// countdowns finds the two countdowns of the whole output.
func (l *layout) countdowns() (off, on *field, err error) {
	if off = l.control(delayShutdown); off == nil {
		return nil, nil, errors.New("the UPS has no DelayBeforeShutdown, so its output cannot be switched off")
	}
	if on = l.control(delayStartup); on == nil {
		return nil, nil, errors.New("the UPS has no DelayBeforeStartup: its output would stay off when the input is back, so it is not switched off")
	}
	return off, on, nil
}

// control finds the feature field by which the whole UPS is switched. Where
// there are several, those that say they count in seconds come first.
func (l *layout) control(u usage) *field {
	for _, unit := range []uint32{unitSecond, unitNone} {
		for _, want := range []usage{powerSummary, outputSide, ups} {
			for i := range l.fields {
				f := &l.fields[i]
				counts := f.bits >= 8 && f.physical(1) > f.physical(0)
				if f.report.kind == feature && f.usage == u && f.unit == unit && module(f.path) == want && counts {
					return f
				}
			}
		}
	}
	return nil
}

// act is one action on an open UPS.
type act struct {
	ctx     context.Context
	busy    chan struct{}
	port    *port
	off, on *field
}

// switchOff sets the start first, which alone is harmless, and the countdown
// last.
func (a *act) switchOff(out policy.Output) (shutdown.Outcome, string) {
	wasOff, wasOn, err := a.read()
	if err != nil {
		return shutdown.Unreachable, err.Error()
	}
	off := max(out.OffAfter, least)
	if wasOff > 0 && seconds(wasOff) <= off && wasOn > wasOff && a.runs(wasOff) {
		return shutdown.Accepted, running(wasOff, wasOn)
	}
	// The start's countdown runs from now on and waits for the input at its end.
	// It must not end before the switch-off, which would find it spent.
	start := off + coarse + max(out.OnAfter, slack)
	if top := a.on.longest(); start > top {
		start = top
	}
	if top := a.off.longest(); off > top || start < off+coarse+slack {
		return shutdown.Refused, fmt.Sprintf("the UPS counts no further than %v before it switches off and %v before it starts, which is too short for cut_after = %v", top, a.on.longest(), off)
	}
	if outcome, text := a.write(a.on, start); outcome != shutdown.Accepted {
		if outcome == shutdown.Unknown {
			outcome = shutdown.Unreachable // the countdown was never sent
		}
		return outcome, text
	}
	if outcome, text := a.write(a.off, off); outcome != shutdown.Accepted {
		return a.withdraw(outcome, text)
	}
	switch nowOff, nowOn, err := a.read(); {
	case err != nil:
		return shutdown.Unknown, "the countdown was started, and then the UPS fell silent: " + err.Error()
	case nowOff <= 0:
		return shutdown.Unknown, "the countdown was started, and is no longer seen to run"
	case nowOn <= nowOff:
		return a.withdraw(shutdown.Refused, fmt.Sprintf("the UPS would start its output in %d s, before it is off in %d s", nowOn, nowOff))
	default:
		return shutdown.Accepted, running(nowOff, nowOn)
	}
}

// runs tells whether a countdown that read so is seen to run: some devices read
// the delay that was last set when none does.
func (a *act) runs(was int64) bool {
	select {
	case <-time.After(watch):
	case <-a.ctx.Done():
		return false
	}
	off, _, err := a.read()
	return err == nil && off > 0 && off < was
}

func running(off, on int64) string {
	return fmt.Sprintf("output off in %d s, on again with the input, not before %d s", off, on)
}

// withdraw makes sure that a switch-off that did not come about as asked does
// not come about otherwise.
func (a *act) withdraw(outcome shutdown.Outcome, text string) (shutdown.Outcome, string) {
	if outcome == shutdown.Unknown {
		return outcome, text
	}
	off, _, err := a.read()
	if err == nil && off <= 0 {
		return outcome, text
	}
	if back, _ := a.write(a.off, none); back != shutdown.Accepted {
		return shutdown.Unknown, text + "; and the countdown could not be stopped"
	}
	return shutdown.Refused, text + "; the countdown was stopped"
}

// callBack stops a countdown. A start that is due later stays: it does nothing
// to an output that is on, and helps one that went off meanwhile.
func (a *act) callBack() (shutdown.Outcome, string) {
	was, _, err := a.read()
	switch {
	case err != nil:
		return shutdown.Unreachable, err.Error()
	case was <= 0:
		return shutdown.Accepted, "no countdown runs"
	}
	outcome, text := a.write(a.off, none)
	if outcome == shutdown.Accepted {
		text = fmt.Sprintf("the switch-off was called back %d s before its time", was)
	}
	return outcome, text
}

// read gives the seconds that are left of both countdowns.
func (a *act) read() (off, on int64, err error) {
	offData, err := a.report(a.off)
	if err != nil {
		return 0, 0, err
	}
	onData, err := a.report(a.on)
	if err != nil {
		return 0, 0, err
	}
	if off, err = a.off.left(offData); err == nil {
		on, err = a.on.left(onData)
	}
	return off, on, err
}

func (a *act) report(f *field) ([]byte, error) {
	p, key := a.port, f.report
	return within(a.ctx, a.busy, func() ([]byte, error) { return p.get(key) })
}

// write sends, reads back and decides. Accepted is what was read, not what the
// UPS answered; Unknown is one that could not be read afterwards.
func (a *act) write(f *field, d time.Duration) (shutdown.Outcome, string) {
	name := f.usage.known().name
	data, err := a.report(f)
	if err != nil {
		return shutdown.Unreachable, err.Error()
	}
	p, key, begun := a.port, f.report, time.Now()
	data = a.compose(f, data, d)
	_, sent := within(a.ctx, a.busy, func() (struct{}, error) { return struct{}{}, p.set(key, data) })
	if sent == errHung {
		return shutdown.Unreachable, sent.Error()
	}
	data, err = a.report(f)
	if err != nil {
		return shutdown.Unknown, fmt.Sprintf("%s was sent, and then the UPS fell silent: %v", name, err)
	}
	reads, err := f.left(data)
	switch {
	case err == nil && took(d, begun, reads):
		return shutdown.Accepted, ""
	case sent != nil:
		return shutdown.Refused, fmt.Sprintf("%s: the UPS does not take %s: %v", name, text(d), sent)
	case err != nil:
		return shutdown.Refused, err.Error()
	}
	return shutdown.Refused, fmt.Sprintf("%s: the UPS took %s and reads %d s", name, text(d), reads)
}

func text(d time.Duration) string {
	if d < 0 {
		return "-1 (none)"
	}
	return d.String()
}

// took tells whether a countdown reads as one of d that began then. One that
// is shorter would switch too early.
func took(d time.Duration, begun time.Time, reads int64) bool {
	if d < 0 {
		return reads <= 0
	}
	left := d - time.Since(begun)
	return reads > 0 && seconds(reads) >= left-slack && seconds(reads) <= d+coarse
}

// compose puts a countdown into its report. Whatever else in that report
// switches something and does not run is told to do nothing.
func (a *act) compose(f *field, data []byte, d time.Duration) []byte {
	data = append([]byte(nil), data...)
	if short := a.port.layout.bytes[f.report] - len(data); short > 0 {
		data = append(data, make([]byte, short)...)
	}
	for i := range a.port.layout.fields {
		g := &a.port.layout.fields[i]
		if g.report != f.report {
			continue
		}
		n, ok := neutral(g.usage)
		if left, err := g.left(data); ok && (n == 0 || err != nil || left <= 0) {
			g.put(data, n)
		}
	}
	f.put(data, f.logical(d))
	return data
}

// left gives the seconds that are left of a countdown; none if it does not run.
func (f *field) left(data []byte) (int64, error) {
	n, ok := f.raw(data)
	if !ok {
		return 0, fmt.Errorf("%s cannot be read: the report is cut short", f.usage.known().name)
	}
	if n < 0 || n == 1<<f.bits-1 {
		return none, nil // all ones is -1, whatever the descriptor says of the sign
	}
	s := f.physical(float64(n))
	if math.IsNaN(s) {
		return 0, fmt.Errorf("%s cannot be read: its unit is not the second", f.usage.known().name)
	}
	return int64(math.Floor(s)), nil
}

// logical gives the raw number for a countdown, rounded up.
func (f *field) logical(d time.Duration) int64 {
	if d < 0 {
		return none
	}
	zero := f.physical(0)
	return int64(math.Ceil((d.Seconds() - zero) / (f.physical(1) - zero)))
}

// longest is as far as a countdown counts, by its own limits and its bits.
func (f *field) longest() time.Duration {
	top := int64(1)<<(f.bits-1) - 1
	if f.lmin < f.lmax {
		top = min(top, f.lmax)
	}
	return time.Duration(max(0, min(f.physical(float64(top)), 1e6)) * float64(time.Second))
}

func seconds(n int64) time.Duration { return time.Duration(n) * time.Second }
