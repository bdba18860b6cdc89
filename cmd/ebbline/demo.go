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
	about: "an outage from end to end on a modelled rack, in under a minute",
	usage: "[--json]",
	help: `Runs the real agent, with its real loop and journal, against a modelled rack in
miniature: a blink that is ridden through, then an outage in which one host
hangs and is switched off by its outlet, everything goes down in order, the
agent's own host last; the input comes back, the agent starts again from its
journal, and the hosts come back in order. Nothing outside this process is
touched.`,
	run: runDemo,
}

//go:embed demo.hcl
var demoPolicy []byte

// demoScript is what happens to the rack. The battery holds a little less than
// is believed likely, and the UPS claims far too many minutes.
const demoScript = `
ups shelf holds 97%
ups shelf claims x30
ups shelf low at 2s
host bench hangs
at 1s  input lost
at 2500ms input back
at 4s  input lost
at 41s input back
`

func runDemo(ctx context.Context, c *call) int {
	if err := c.parse(0); err != nil {
		return usageCode(err)
	}
	p, _, diags := load.Load([]load.File{{Name: "demo.hcl", Bytes: demoPolicy}}, load.Options{})
	if p == nil {
		load.Write(c.Err, diags, false)
		return exitFailed
	}
	p.UPSs[0].Battery.RechargeHours = 3.0 / 3600 // in miniature too; the language allows no such charger
	folder, err := os.MkdirTemp("", "ebbline-demo-")
	if err != nil {
		return c.fail("%v", err)
	}
	defer os.RemoveAll(folder)
	d := &demo{p: p, out: c.Out, folder: folder, quiet: c.json, began: time.Now(), waiting: map[shutdown.ActionID]chan shutdown.Outcome{}, boots: make(chan struct{}, 1)}
	if err := d.furnish(); err != nil {
		return c.fail("%v", err)
	}
	d.say("%s", "A rack in miniature (a second stands for half a minute): five machines, one UPS\nthat claims far too many minutes, and the agent on a small board, \"lantern\".\nThe real agent runs; only the rack is modelled.\n")
	if err := d.play(ctx); err != nil {
		return c.fail("%v", err)
	}
	if ctx.Err() != nil {
		return c.fail("interrupted")
	}
	return d.report(c)
}

// demo is a modelled rack that moves with the clock on the wall, and the real
// agent before it.
type demo struct {
	p      *policy.Policy
	out    io.Writer
	folder string
	quiet  bool
	began  time.Time
	boots  chan struct{} // the agent's host is up again

	mu      sync.Mutex // guards the room
	room    *world.World
	waiting map[shutdown.ActionID]chan shutdown.Outcome
	spans   [][]report.Span
	level   []report.Point
	over    bool
	silent  []time.Time // by host: since when a look shows nothing

	saying sync.Mutex
}

func (d *demo) furnish() error {
	o, errs := simulate.Parse(d.p, "demo", []byte(demoScript))
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	room, err := world.New(d.p, today())
	if err != nil {
		return err
	}
	d.room = room
	d.spans = make([][]report.Span, len(d.p.Hosts))
	d.silent = make([]time.Time, len(d.p.Hosts))
	room.Reset(o.Truth(1), simulate.Start)
	return nil
}

// play runs the agent, and again when its host has come back, until the outage
// is over and everything is up.
func (d *demo) play(outer context.Context) error {
	ctx, cancel := context.WithTimeout(outer, 2*time.Minute)
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
	return errors.New("the outage did not come to its end in two minutes")
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
		Notify: func(n shutdown.Notice, text string) { d.tell(n, text, cancel) },
	})
	go d.watch(ctx, cancel, a)
	return a.Run(ctx)
}

// watch ends the agent's life with its host's, and now and then tells how the
// battery stands.
func (d *demo) watch(ctx context.Context, cancel func(), a *agent.Agent) {
	tick := time.NewTicker(20 * time.Millisecond)
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

func (d *demo) clock() string { return fmt.Sprintf("%.1fs", time.Since(d.began).Seconds()) }

func (d *demo) say(format string, args ...any) {
	if d.quiet {
		return
	}
	d.saying.Lock()
	defer d.saying.Unlock()
	fmt.Fprintf(d.out, format, args...)
}

// tell passes a notice on, and ends the demo after the second outage's end.
func (d *demo) tell(n shutdown.Notice, text string, end func()) {
	if n.Code != shutdown.PlanMade {
		var folded strings.Builder
		hang(&folded, fmt.Sprintf("%8s  ", d.clock()), text, 80)
		d.say("%s", folded.String())
	}
	if n.Code == shutdown.OutageOver && n.A >= 2 {
		d.mu.Lock()
		d.over = true
		d.mu.Unlock()
		end()
	}
}

// move lets the room go with the clock.
func (d *demo) move(ctx context.Context) {
	for ctx.Err() == nil {
		d.mu.Lock()
		now := simulate.Start.Add(time.Since(d.began))
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
		d.note(now.Sub(simulate.Start))
		d.mu.Unlock()
		select {
		case <-ctx.Done():
		case <-time.After(20 * time.Millisecond):
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

// Look tells silence only when it has lasted for the policy's quiet time.
func (l demoLook) Look(context.Context) (shutdown.Sighting, string) {
	l.d.mu.Lock()
	defer l.d.mu.Unlock()
	seen := l.d.room.Sight(l.host)
	since := &l.d.silent[l.host]
	if seen != shutdown.SeenSilent {
		*since = time.Time{}
		return seen, ""
	}
	if since.IsZero() {
		*since = time.Now()
	}
	if time.Since(*since) < l.d.p.Hosts[l.host].Probe.QuietFor {
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
	v := demoView{Seconds: time.Since(d.began).Seconds(), Hosts: []hostRunView{}}
	some := func(t shutdown.Instant) *int64 {
		if t == shutdown.Never {
			return nil
		}
		n := seconds(t.Sub(simulate.Start))
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
	if !back {
		return c.fail("not every machine went down in order and came back")
	}
	d.say("%s", "\nEvery machine was off before the battery's end, in order, and is back up.\nNext: write a policy of your own (README), then: ebbline plan, check, rehearse.\n")
	return exitDone
}

func (d *demo) draw(c *call) {
	width, color := terminal(c.Out)
	length := time.Since(d.began)
	chart := &report.Chart{Title: "\nWhat happened", Length: length}
	for _, k := range byPriority(d.p) {
		chart.Bars = append(chart.Bars, report.Bar{Name: d.p.Hosts[k].Name, Note: strconv.FormatInt(d.p.Hosts[k].Priority, 10), Spans: d.spans[k]})
	}
	chart.Curves = []report.Curve{{Name: "battery", Low: d.level}}
	chart.Marks = []report.Mark{{At: 4 * time.Second, Label: "input lost"}, {At: 41 * time.Second, Label: "input back"}}
	d.saying.Lock()
	defer d.saying.Unlock()
	report.Draw(c.Out, chart, c.style(width, color))
}
