package main

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"ebbline/agent"
	"ebbline/agent/journal"
	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/shutdown"
	"ebbline/simulate"
	"ebbline/simulate/report"
	"ebbline/simulate/world"
)

var demoCommand = command{
	name:  "demo",
	about: "an outage from end to end on a modelled rack, in 45 seconds",
	usage: "[--json]",
	help: `Runs the real agent, with its real loop and journal, against a modelled rack in
miniature, for some 42 seconds: a blink that is ridden through, then an outage
in which one host hangs and is switched off by its outlet, everything goes down
in order, the agent's own host last; the input comes back, the agent starts
again from its journal, and the hosts come back in order. Nothing outside this
process is touched; the journal is kept in memory where there is a place for
files there. While the machine gives the demo no time, the rack's clock
stands still.`,
	set: setDemo,
}

//go:embed demo.hcl
var demoPolicy []byte

// demoScript is what happens to the rack. The battery holds a little less than
// is believed likely, and the UPS claims far too many minutes. On a quiet machine
// all is over after demoLasts.
const demoScript = `
ups shelf holds 97%
ups shelf claims x30
ups shelf low at 2s
host bench hangs
at 500ms input lost
at 2s input back
at 3500ms input lost
at 32500ms input back
`

const (
	demoLasts = 42 * time.Second
	demoMost  = 5 * time.Minute        // by the clock on the wall
	demoTick  = 20 * time.Millisecond  // the rack moves so often
	demoStep  = 100 * time.Millisecond // and by so much at the most: the rest the machine had no time for it
)

func setDemo(c *call) action {
	return func(ctx context.Context) int {
		p, _, diags := load.Load([]load.File{{Name: "demo.hcl", Bytes: demoPolicy}}, load.Options{})
		if p == nil {
			load.Write(c.Err, diags, false)
			return exitFailed
		}
		p.UPSs[0].Battery.RechargeHours = 4.5 / 3600             // in miniature too; the language allows no such charger
		folder, err := os.MkdirTemp("/dev/shm", "ebbline-demo-") // a slow disk is not what it shows
		if err != nil {
			folder, err = os.MkdirTemp("", "ebbline-demo-")
		}
		if err != nil {
			return c.fail("%v", err)
		}
		defer os.RemoveAll(folder)
		d := &demo{p: p, out: c.Out, folder: folder, quiet: c.json, began: time.Now(), waiting: map[shutdown.ActionID]chan shutdown.Outcome{}, boots: make(chan struct{}, 1)}
		if err := d.furnish(); err != nil {
			return c.fail("%v", err)
		}
		d.say("A rack in miniature (a second stands for half a minute): five machines, one UPS\nthat claims far too many minutes, and the agent on a small board, \"lantern\".\nThe real agent runs; only the rack is modelled. It takes %d seconds.\n", int(demoLasts.Seconds()))
		if err := d.play(ctx); err != nil {
			return c.fail("%v", err)
		}
		if ctx.Err() != nil {
			return c.fail("interrupted")
		}
		return d.report(c)
	}
}

// demo is a modelled rack that moves with the clock on the wall, and the real
// agent before it.
type demo struct {
	p      *policy.Policy
	out    io.Writer
	folder string
	quiet  bool
	began  time.Time
	lived  atomic.Int64  // nanoseconds by the rack's clock, which is the agent's too
	boots  chan struct{} // the agent's host is up again

	mu      sync.Mutex // guards the room
	room    *world.World
	epoch   shutdown.Instant // of the room's clock
	waiting map[shutdown.ActionID]chan shutdown.Outcome
	spans   [][]report.Span
	level   []report.Point
	marks   []report.Mark
	over    bool
	silent  []time.Duration // by host: since when a look shows nothing, or none

	saying sync.Mutex
}

func (d *demo) furnish() error {
	o, errs := simulate.Parse(d.p, "demo", []byte(demoScript))
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	day := today()
	room, err := world.New(d.p, day)
	if err != nil {
		return err
	}
	d.room, d.epoch = room, simulate.Epoch(day)
	d.spans = make([][]report.Span, len(d.p.Hosts))
	for range d.p.Hosts {
		d.silent = append(d.silent, none)
	}
	for _, m := range o.Moments {
		switch m.What {
		case world.InputLost:
			d.marks = append(d.marks, report.Mark{At: m.At, Label: "input lost"})
		case world.InputBack:
			d.marks = append(d.marks, report.Mark{At: m.At, Label: "input back"})
		}
	}
	room.Reset(o.Truth(1), d.epoch)
	return nil
}

// play runs the agent, and again when its host has come back, until the outage
// is over and everything is up.
func (d *demo) play(outer context.Context) error {
	ctx, cancel := context.WithTimeout(outer, demoMost)
	defer cancel()
	var wg sync.WaitGroup
	defer wg.Wait()
	moving, stop := context.WithCancel(ctx)
	defer stop()
	wg.Go(func() { d.move(moving) })
	for boot := 1; ctx.Err() == nil; boot++ {
		if err := d.live(ctx, strconv.Itoa(boot)); err != nil {
			return err
		}
		if d.finished() {
			return nil
		}
		d.say("%8s  the agent's host is off\n", d.clock())
		select {
		case <-d.boots:
			d.say("%8s  the agent's host has started; the agent goes on from its journal\n", d.clock())
		case <-ctx.Done():
		}
	}
	if outer.Err() != nil {
		return errors.New("it was stopped before the outage came to its end")
	}
	return fmt.Errorf("the outage did not come to its end: in %s this machine had time for %s of it. Try again when it has less to do", demoMost, d.now().Round(time.Second))
}

func (d *demo) finished() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.over
}

// live is one life of the agent: until its host is off, or all is done.
func (d *demo) live(ctx context.Context, boot string) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	j, past, err := journal.Open(filepath.Join(d.folder, "journal"))
	if err != nil {
		return err
	}
	defer j.Close()
	a := agent.New(agent.Config{
		Policy: d.p, Wire: d.parts, Journal: j, Past: past, Build: "demo", Boot: boot, Log: zap.NewNop(),
		Wall: func() time.Time { return d.began.Add(d.now()) }, Elapsed: d.now,
		Tell: func(n agent.News) { d.tell(n, cancel) },
	})
	go d.watch(ctx, cancel, a)
	return a.Run(ctx)
}

// watch ends the agent's life with its host's, and now and then tells how the
// battery stands.
func (d *demo) watch(ctx context.Context, cancel func(), a *agent.Agent) {
	tick := time.NewTicker(demoTick)
	defer tick.Stop()
	told := time.Time{}
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		d.mu.Lock()
		alive := d.room.Agent
		d.mu.Unlock()
		if !alive {
			cancel()
			return
		}
		if v := a.View(); v.Outage != nil && time.Since(told) > 4*time.Second && len(v.UPSs) == 1 && v.UPSs[0].Phase != "recovery" {
			told = time.Now()
			u := &v.UPSs[0]
			if u.OwnRuntimeSeconds == nil || u.RuntimeSeconds.Low == nil || u.RuntimeSeconds.Likely == nil {
				continue
			}
			d.say("%8s  battery: the UPS says %s, ebbline %ds to %ds at %d W\n", d.clock(), shutdown.Spell(time.Duration(*u.OwnRuntimeSeconds)*time.Second), *u.RuntimeSeconds.Low, *u.RuntimeSeconds.Likely, u.LoadWatts)
		}
	}
}

func (d *demo) now() time.Duration { return time.Duration(d.lived.Load()) }

func (d *demo) clock() string { return fmt.Sprintf("%.1fs", d.now().Seconds()) }

func (d *demo) say(format string, args ...any) {
	if d.quiet {
		return
	}
	d.saying.Lock()
	defer d.saying.Unlock()
	fmt.Fprintf(d.out, format, args...)
}

// tell passes a notice on, and ends the demo after the second outage's end.
func (d *demo) tell(n agent.News, end func()) {
	if n.Code != shutdown.PlanMade.String() {
		var folded strings.Builder
		hang(&folded, fmt.Sprintf("%8s  ", d.clock()), n.Text, 80)
		d.say("%s", folded.String())
	}
	if n.Code == agent.OutageOver && n.Outage >= 2 {
		d.mu.Lock()
		d.over = true
		d.mu.Unlock()
		end()
	}
}

// move lets the room go with the clock on the wall, as long as the machine has
// time for it.
func (d *demo) move(ctx context.Context) {
	for last := time.Now(); ctx.Err() == nil; {
		d.mu.Lock()
		passed := time.Since(last)
		last = last.Add(passed)
		d.lived.Add(int64(min(passed, demoStep)))
		now := d.epoch.Add(d.now())
		for d.room.Peek() <= now {
			e := d.room.Next()
			if e == nil {
				continue
			}
			switch e.Kind {
			case shutdown.Finished:
				if ch := d.waiting[e.Action]; ch != nil {
					ch <- e.Outcome
					delete(d.waiting, e.Action)
				}
			case shutdown.Restarted:
				d.boots <- struct{}{}
			}
		}
		d.room.Update(now)
		d.note(now.Sub(d.epoch))
		d.mu.Unlock()
		select {
		case <-ctx.Done():
		case <-time.After(demoTick):
		}
	}
}

// note keeps how things stand, for the drawing.
func (d *demo) note(t time.Duration) {
	for k := range d.room.Hosts {
		h := &d.room.Hosts[k]
		kind := report.Kind(0)
		switch {
		case h.On && h.Stopping:
			kind = report.IsStopping
		case h.On && h.Starting:
			kind = report.IsStarting
		case h.On:
			kind = report.IsUp
		}
		s := d.spans[k]
		if n := len(s); n > 0 {
			s[n-1].To = t
		}
		if n := len(s); n == 0 || s[n-1].Kind != kind {
			s = append(s, report.Span{From: t, To: t, Kind: kind})
		}
		d.spans[k] = s
	}
	d.level = append(d.level, report.Point{At: t, Left: d.room.Left(0)})
}

// parts are the modelled rack's answers to the agent.
func (d *demo) parts(p *policy.Policy) (*agent.Parts, error) {
	parts := &agent.Parts{Doer: d}
	for i := range p.UPSs {
		parts.Sources = append(parts.Sources, demoSource{d, int32(i)})
	}
	for k := range p.Hosts {
		parts.Lookers = append(parts.Lookers, demoLook{d, int32(k)})
		parts.Connectors = append(parts.Connectors, nil)
	}
	return parts, nil
}

type demoSource struct {
	d   *demo
	ups int32
}

func (s demoSource) Poll(context.Context) (shutdown.Measurement, error) {
	s.d.mu.Lock()
	defer s.d.mu.Unlock()
	return s.d.room.Reading(s.ups), nil
}

type demoLook struct {
	d    *demo
	host int32
}

// none is no time at all.
const none time.Duration = -1

// Look tells silence only when it has lasted for the policy's quiet time.
func (l demoLook) Look(context.Context) (shutdown.Sighting, string) {
	l.d.mu.Lock()
	defer l.d.mu.Unlock()
	seen := l.d.room.Sight(l.host)
	since := &l.d.silent[l.host]
	if seen != shutdown.SeenSilent {
		*since = none
		return seen, ""
	}
	if *since == none {
		*since = l.d.now()
	}
	if l.d.now()-*since < l.d.p.Hosts[l.host].Probe.QuietFor {
		return 0, ""
	}
	return seen, ""
}

// Do implements [agent.Doer].
func (d *demo) Do(ctx context.Context, p *policy.Policy, a shutdown.Action) (shutdown.Outcome, string) {
	answer := make(chan shutdown.Outcome, 1)
	d.mu.Lock()
	d.waiting[a.ID] = answer
	in := time.Minute
	if end, ok := ctx.Deadline(); ok {
		in = time.Until(end)
	}
	a.Deadline = d.room.Now.Add(in)
	d.room.Do(&shutdown.Effect{Kind: shutdown.Begin, Action: a})
	d.mu.Unlock()
	select {
	case o := <-answer:
		return o, ""
	case <-ctx.Done():
		return shutdown.Unknown, "no answer"
	}
}

// demoView is the document of `demo --json`.
type demoView struct {
	Seconds float64       `json:"lasted_seconds"`
	Hosts   []hostRunView `json:"hosts"`
}

// report draws what happened and says how it ended.
func (d *demo) report(c *call) int {
	d.mu.Lock()
	defer d.mu.Unlock()
	v := demoView{Seconds: d.now().Seconds(), Hosts: []hostRunView{}}
	some := func(t shutdown.Instant) *int64 {
		if t == shutdown.Never {
			return nil
		}
		n := seconds(t.Sub(d.epoch))
		return &n
	}
	back := true
	for k := range d.room.Hosts {
		h := &d.room.Hosts[k]
		v.Hosts = append(v.Hosts, hostRunView{d.p.Hosts[k].Name, some(h.AskedAt), some(h.OffAt), h.Went().String(), some(min(h.StartAt, h.BackAt))})
		back = back && h.On && h.Service && !h.WasCut
	}
	if c.json {
		printJSON(c.Out, v)
	} else {
		d.draw(c)
	}
	if took := time.Since(d.began); took-d.now() > 2*time.Second {
		d.say("\nThis machine was busy: it took %d seconds for these %d.\n", int(took.Seconds()), int(v.Seconds))
	}
	if !back {
		return c.fail("not every machine went down in order and came back")
	}
	d.say("%s", "\nEvery machine was off before the battery's end, in order, and is back up.\nNext: write a policy of your own (ebbline init), then: ebbline plan, check,\nrehearse.\n")
	return exitDone
}

func (d *demo) draw(c *call) {
	width, color := terminal(c.Out)
	chart := &report.Chart{Title: "\nWhat happened", Length: d.now(), Marks: d.marks[len(d.marks)-2:]} // the blink's are too near
	for _, k := range byPriority(d.p) {
		chart.Bars = append(chart.Bars, report.Bar{Name: d.p.Hosts[k].Name, Note: strconv.FormatInt(d.p.Hosts[k].Priority, 10), Spans: d.spans[k]})
	}
	chart.Curves = []report.Curve{{Name: "battery", Low: d.level}}
	d.saying.Lock()
	defer d.saying.Unlock()
	report.Draw(c.Out, chart, c.style(width, color))
}
