package record

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbline/agent/history"
	"ebbline/agent/history/learn"
	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// room is a stand-in for an agent and what it watches: the real core, stepped
// once a second, with a UPS whose battery is a model of its own and hosts that
// take the time they are given. The real peers are the business of the command's
// tests.
type room struct {
	t      *testing.T
	policy *policy.Policy
	state  *shutdown.State
	writer *history.Writer
	path   string
	rec    *Recorder
	over   int

	at      shutdown.Instant
	battery battery.Model
	charge  battery.Charge
	lost    bool
	empty   bool
	hosts   []body
	more    int64               // watts of something else
	ordered []shutdown.ActionID // of the output, and not answered yet
	dark    shutdown.Instant    // when the output goes off until the input is back; 0 for never
}

type body struct {
	up       bool
	went     shutdown.Instant // off
	takes    time.Duration
	off, on  shutdown.Instant
	begun    shutdown.ActionID
	inFlight bool
	deaf     bool // its early step is not known to be done
}

const day = 20_000

var start = shutdown.Instant(day * 24 * int64(time.Hour))

func newRoom(t *testing.T) *room {
	host := func(name string, priority, watts int64, stops time.Duration) policy.Host {
		return policy.Host{
			Name: name, Priority: priority, Watts: watts, StoppingWatts: watts, StopsIn: stops, StartsIn: time.Minute, RunsOn: -1, FedBy: []int{0},
			Methods: []policy.Method{{Kind: policy.BySSH, GivesUp: 4 * stops, SSH: &policy.SSH{Address: "192.0.2.1"}}},
			Starts:  []policy.Start{{Kind: policy.ByWake, Ethernet: "02:00:00:00:00:20"}},
			Probe:   policy.Probe{QuietFor: time.Second},
		}
	}
	p := &policy.Policy{
		Site: policy.Site{Name: "barn", RideThrough: time.Minute, Reserve: 90 * time.Second, ConfidencePermille: 950,
			Restore: policy.Restore{StableFor: 30 * time.Second, Stagger: 2 * time.Minute}},
		UPSs: []policy.UPS{{
			Name: "rack", RatedWatts: 2700, OverheadWatts: 54, EfficiencyPermille: 880,
			Battery: policy.Battery{Chemistry: policy.VRLA, Volts: 72, AmpHours: 14, InstalledDay: day - 200, TemperatureC: 25, TemperatureSet: true, RechargeHours: 0.2},
			SNMP:    &policy.SNMP{Address: "192.0.2.10", Version: 2, PollEvery: time.Second, Timeout: time.Second},
		}},
		Hosts: []policy.Host{host("desk", 10, 120, 30*time.Second), host("disks", 50, 80, time.Minute)},
	}
	p.Hosts[0].KeepFor, p.Hosts[1].KeepFor = 5*time.Minute, 12*time.Minute
	if err := p.Check(); err != nil {
		t.Fatal(err)
	}
	label, err := battery.New(&p.UPSs[0], day)
	if err != nil {
		t.Fatal(err)
	}
	r := &room{t: t, policy: p, path: filepath.Join(t.TempDir(), "history"), at: start, battery: label.Model, more: 1000}
	r.battery.Energy *= 0.9
	if r.writer, err = history.Open(r.path, history.Options{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.writer.Close(context.Background()) })
	r.hosts = []body{{up: true, takes: 20 * time.Second}, {up: true, takes: 45 * time.Second}}
	r.begin()
	return r
}

// begin is an agent's start.
func (r *room) begin() {
	r.rec = New(r.writer, func() time.Time { return time.Unix(0, int64(r.at)).Add(time.Hour) }, func() { r.over++ })
	if r.state == nil {
		r.state = shutdown.New()
		r.step(&shutdown.Event{Kind: shutdown.Adopted, Policy: r.policy})
		return
	}
	r.step(&shutdown.Event{Kind: shutdown.Restarted})
}

func (r *room) step(e *shutdown.Event) {
	before := r.state.Policy
	effects := r.state.Step(r.at, e, nil)
	of := before
	if e.Kind == shutdown.Adopted {
		of = r.state.Policy
	}
	for _, f := range effects {
		if f.Kind != shutdown.Begin {
			continue
		}
		if f.Action.ID.Host < 0 {
			r.ordered = append(r.ordered, f.Action.ID)
			continue
		}
		h := &r.hosts[f.Action.ID.Host]
		h.begun, h.inFlight = f.Action.ID, true
		switch {
		case f.Action.ID.Verb == shutdown.VerbPrepare:
		case f.Action.ID.Verb == shutdown.VerbStart:
			h.on = r.at.Add(h.takes)
		case h.takes > 0:
			h.off = r.at.Add(h.takes)
		}
	}
	r.rec.Stepped(r.at, e, effects, of, r.state)
	for r.rec.busy.Load() { // a second here is none
		runtime.Gosched()
	}
}

func (r *room) load() int64 {
	watts := r.more
	for k := range r.hosts {
		if r.hosts[k].up {
			watts += r.policy.Hosts[k].Watts
		}
	}
	return watts
}

// run lets time pass, a second at a time.
func (r *room) run(seconds int) {
	for range seconds {
		r.at = r.at.Add(time.Second)
		load := float64(r.load() + r.policy.UPSs[0].OverheadWatts)
		if r.lost && !r.empty {
			r.charge = r.battery.Advance(r.charge, load, 1)
			r.empty = r.battery.Left(r.charge, load) <= 0
		} else if !r.lost {
			r.charge, r.empty = battery.Charge{}, false // a quick charger: what the tests are about is the discharge
		}
		r.switched()
		for k := range r.hosts {
			h := &r.hosts[k]
			if h.inFlight {
				h.inFlight = false
				e := shutdown.Event{Kind: shutdown.Finished, Action: h.begun, Host: int32(k), Outcome: shutdown.Accepted}
				if h.begun.Verb == shutdown.VerbPrepare && h.deaf {
					e.Outcome, e.Text = shutdown.Unknown, "the connection broke"
				}
				r.step(&e)
			}
			if h.up && h.off != 0 && r.at >= h.off || r.empty {
				if h.up {
					h.went = r.at
				}
				h.up, h.off = false, 0
			}
			if !h.up && h.on != 0 && r.at >= h.on && !r.empty {
				h.up, h.on = true, 0
			}
			seen := shutdown.SeenSilent
			switch {
			case h.up:
				seen = shutdown.SeenUp
			case r.at < h.went.Add(r.policy.Hosts[k].Probe.QuietFor):
				continue // a silence so short is none
			}
			r.step(&shutdown.Event{Kind: shutdown.Observed, Host: int32(k), Sighting: seen})
		}
		r.step(&shutdown.Event{Kind: shutdown.Measured, Measurement: r.measurement()})
		if r.at >= r.state.Wake {
			r.step(&shutdown.Event{Kind: shutdown.Tick})
		}
	}
}

// switched answers the orders to the output, which the UPS takes.
func (r *room) switched() {
	for _, id := range r.ordered {
		if r.dark = 0; id.Verb == shutdown.VerbSwitchOff {
			r.dark = r.at.Add(r.policy.UPSs[0].Output.OffAfter)
		}
		r.step(&shutdown.Event{Kind: shutdown.Finished, Action: id, Outcome: shutdown.Accepted})
	}
	r.ordered = nil
	if !r.lost {
		r.dark = 0
	}
}

func (r *room) measurement() shutdown.Measurement {
	m := shutdown.Nothing
	m.Source, m.Input, m.Battery = shutdown.FromInput, shutdown.LineGood, shutdown.StatusNormal
	m.LoadWatts, m.ChargeTenths, m.TemperatureTenthsC = r.load(), int64(1000*(1-r.charge.Delivered/r.battery.Full())), 250
	switch {
	case r.empty, r.dark != 0 && r.at >= r.dark:
		m.Source, m.Input, m.LoadWatts = shutdown.FromNothing, shutdown.LineBad, 0
	case r.lost:
		m.Source, m.Input = shutdown.FromBattery, shutdown.LineBad
		m.RuntimeSeconds = 1800
	}
	return m
}

// reader reads what was recorded.
func (r *room) reader() *history.Reader {
	r.t.Helper()
	if err := r.writer.Flush(r.t.Context()); err != nil {
		r.t.Fatal(err)
	}
	from, err := history.OpenReader(r.t.Context(), r.path)
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { from.Close() })
	return from
}

// Aim: an outage that ends in time leaves its record: when it was and in which
// phases, the hosts' stopping and starting times, what was predicted and that the
// battery lasted at least as long. Method: the input is away for ten minutes;
// the agent is killed and started again in the middle.
func TestOutageIsRecorded(t *testing.T) {
	r := newRoom(t)
	r.run(60)
	r.lost = true
	r.run(120)
	r.begin()
	r.run(480)
	r.lost = false
	r.run(1500)
	if r.over != 1 {
		t.Errorf("told %d times that an outage is over", r.over)
	}
	from, ctx := r.reader(), t.Context()
	outages, err := from.Outages(ctx, 10)
	if err != nil {
		t.Fatal(err)
	}
	if len(outages) != 1 || len(outages[0].Inputs) != 1 || outages[0].Ended.At == 0 {
		t.Fatalf("%+v", outages)
	}
	in := outages[0].Inputs[0]
	if lost, away := in.Lost.At.Sub(start), in.Back.At.Sub(in.Lost.At); lost != 61*time.Second || away != 600*time.Second {
		t.Errorf("lost after %v for %v", lost, away)
	}
	if utc := in.Lost.UTC.UnixNano() - int64(in.Lost.At); utc != int64(time.Hour) {
		t.Errorf("the wall clock is %v ahead of the agent's", time.Duration(utc))
	}
	var phases []string
	for _, e := range outages[0].Phases {
		phases = append(phases, e.Phase.String())
	}
	if got := strings.Join(phases, " "); got != "ride_through shedding down recovery normal" {
		t.Errorf("phases: %s", got)
	}
	for k, want := range []time.Duration{20 * time.Second, 45 * time.Second} {
		name := r.policy.Hosts[k].Name
		stops, err := from.Stops(ctx, name, 10)
		if err != nil || len(stops) != 1 || stops[0].Ended != history.Clean || stops[0].Method != "ssh" || (stops[0].Took-want).Abs() > 2*time.Second || stops[0].Outage != 1 {
			t.Errorf("%s: %+v, %v", name, stops, err)
		}
		starts, err := from.Starts(ctx, name, 10)
		if err != nil || len(starts) != 1 || starts[0].Ended != history.Clean || starts[0].Method != "wake" || (starts[0].Took-want).Abs() > 2*time.Second {
			t.Errorf("%s: %+v, %v", name, starts, err)
		}
	}
	for by, name := range map[history.Maker]string{history.ByModel: "model", history.ByPlan: "plan", history.ByUPS: "UPS"} {
		s, err := from.Score(ctx, "rack", by)
		if err != nil || s.AtLeast == 0 || s.Measured != 0 || s.Open != 0 {
			t.Errorf("by the %s: %+v, %v", name, s, err)
		}
	}
	samples, err := from.Samples(ctx, "rack", start, r.at, 5000)
	onBattery := 0
	for _, s := range samples {
		if s.Source == shutdown.FromBattery {
			onBattery++
		}
	}
	if err != nil || onBattery != 600 {
		t.Errorf("%d readings on battery, %v", onBattery, err)
	}
}

// Aim: the input lost again before all is normal is an outage of its own, with its
// beginning and its end, and each counts for the battery. Method: six losses of
// 90 s, 20 s apart; and six with the time between them that makes all normal.
func TestSixOutages(t *testing.T) {
	for name, apart := range map[string]int{"in recovery": 20, "in normal mode": 400} {
		t.Run(name, func(t *testing.T) {
			r := newRoom(t)
			r.run(60)
			for range 6 {
				r.lost = true
				r.run(90)
				r.lost = false
				r.run(apart)
			}
			r.run(1500)
			from, ctx := r.reader(), t.Context()
			outages, err := from.Outages(ctx, 10)
			if err != nil {
				t.Fatal(err)
			}
			var numbers []uint32
			for i, o := range outages {
				numbers = append(numbers, o.Number)
				lost := shutdown.Instant(61*time.Second) + shutdown.Instant(i*(90+apart))*shutdown.Instant(time.Second)
				if len(o.Inputs) != 1 || o.Began != o.Inputs[0].Lost || o.Began.At.Sub(start) != time.Duration(lost) || o.Ended.At <= o.Inputs[0].Back.At {
					t.Errorf("outage %d, lost after %v: %+v", o.Number, time.Duration(lost), o)
				}
			}
			if !slices.Equal(numbers, []uint32{1, 2, 3, 4, 5, 6}) {
				t.Errorf("the outages are %v", numbers)
			}
			record, err := learn.Battery(ctx, from, r.policy, 0, day)
			if err != nil || len(record.Measured) != 6 {
				t.Errorf("%d discharges of 6, %v", len(record.Measured), err)
			}
			if s := record.Model; s.Open > 0 || s.AtLeast < 6 {
				t.Errorf("of the model's predictions: %+v", s)
			}
		})
	}
}

// Aim: a battery that gives out shows how good the forecast was, and what it
// holds. Method: a battery of 0.9 of its label's store, hosts that do not stop,
// the input away until the output goes off; then what is learned from it.
func TestBatteryEnds(t *testing.T) {
	r := newRoom(t)
	for k := range r.hosts {
		r.hosts[k].takes = 0 // told in vain
	}
	r.run(60)
	r.lost = true
	lasted := 0
	for ; !r.empty && lasted < 7200; lasted++ {
		r.run(1)
	}
	r.run(30)
	from, ctx := r.reader(), t.Context()
	s, err := from.Score(ctx, "rack", history.ByModel)
	if err != nil || s.Measured < 4 || s.LowHeld != s.Measured || s.Inside != s.Measured || s.AtLeast != 0 {
		t.Errorf("%+v, %v", s, err)
	}
	list, err := from.Predictions(ctx, "rack", 100)
	if err != nil {
		t.Fatal(err)
	}
	var apart []string
	for _, p := range list {
		if p.By == history.ByModel {
			apart = append(apart, p.Made.At.Sub(start.Add(61*time.Second)).String())
			if left := time.Duration(lasted)*time.Second - p.Made.At.Sub(start.Add(61*time.Second)); (p.Lasted - left).Abs() > 2*time.Second {
				t.Errorf("made %v before the end, kept as %v", left, p.Lasted)
			}
		}
	}
	if got := strings.Join(apart, " "); !strings.HasPrefix(got, "0s 30s 1m30s 3m30s 7m30s") {
		t.Errorf("predicted at %s", got)
	}
	rec, err := learn.Battery(ctx, from, r.policy, 0, day+1)
	if err != nil {
		t.Fatal(err)
	}
	if len(rec.Measured) != 1 || !rec.Measured[0].Judged.Used || math.Abs(rec.Measured[0].Judged.Capacity-0.9) > 0.02 || rec.Measured[0].Discharge.Ended != battery.AtCutOff {
		t.Errorf("%+v", rec.Measured)
	}
	q, notes := learn.Apply(ctx, r.policy, from, day+1)
	b, err := battery.New(&q.UPSs[0], day+1)
	if err != nil || !strings.HasPrefix(b.Basis, "1 outage, last") {
		t.Errorf("it rests on %q, %v; %v", b.Basis, err, notes)
	}
	_, likely, _ := b.Project(battery.Charge{}, 1200)
	if off := likely.Seconds()/float64(lasted) - 1; math.Abs(off) > 0.05 {
		t.Errorf("it lasted %d s, and is now projected to last %v", lasted, likely)
	}
}

// Aim: a host's draw is what the load falls by when it alone stops, and rises by
// when it alone starts, on noise; and two at once are told apart from that.
// Method: loads that wander by 6 W; hosts that stop one after the other, and at
// the same time.
func TestDraws(t *testing.T) {
	for _, together := range []bool{false, true} {
		t.Run(fmt.Sprintf("together %v", together), func(t *testing.T) {
			r := newRoom(t)
			wander := []int64{1000, 1003, 998, 1001, 1004}
			pass := func(seconds int) {
				for i := range seconds {
					r.more = wander[i%len(wander)]
					r.run(1)
				}
			}
			pass(60)
			r.lost = true
			if together {
				pass(2)
				r.step(&shutdown.Event{Kind: shutdown.Commanded, Order: shutdown.Proceed})
			}
			pass(900)
			r.lost = false
			pass(1500)
			for k, want := range []int64{120, 80} {
				draws, err := r.reader().Draws(t.Context(), r.policy.Hosts[k].Name, 10)
				if err != nil {
					t.Fatal(err)
				}
				if !together && len(draws) != 2 {
					t.Errorf("%s: %+v", r.policy.Hosts[k].Name, draws)
				}
				for _, d := range draws {
					// They stop at once then, and start one after the other as ever.
					if (d.Quality == history.Shared) != (together && !d.Started) {
						t.Errorf("%s: %+v", r.policy.Hosts[k].Name, d)
					}
					if !together && (d.Watts < want-6 || d.Watts > want+6 || d.NoiseWatts < 1 || d.NoiseWatts > 6) {
						t.Errorf("%s: %+v, want %d W", r.policy.Hosts[k].Name, d, want)
					}
				}
			}
		})
	}
}
