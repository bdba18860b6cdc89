package record

import (
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"ebbline/agent/history"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

const (
	again      = 30 * time.Second // after the first prediction; then twice as long each time
	movedParts = 10               // a load moved by a tenth makes another question of it
	movedWatts = 10
	planMoved  = 20               // an end moved by a twentieth of what is left is another plan
	apart      = 10 * time.Second // predictions for one reason
)

// forecasts is what was predicted for one UPS in the loss of input that is on.
type forecasts struct {
	lost  shutdown.Instant // the loss that it is of; 0 when none is on
	since shutdown.Instant // from when on the predictions can be compared
	next  shutdown.Instant // when the next is due by time
	every time.Duration
	made  shutdown.Instant
	open  []float64 // loads of those by the model and the UPS itself whose outcome is open
	plan  shutdown.Instant
	end   shutdown.Instant // by the plan, when that was last predicted
}

// foresee works out what a plan predicts, away from the agent's loop: one at a
// time, and what comes meanwhile is left out.
type foresee struct {
	busy atomic.Bool
	mu   sync.Mutex
	ends int // counts ends: what was foreseen before one is not recorded after it
}

// end says what came of predictions.
func (r *Recorder) end(e history.End) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.ends++
	r.writer.RecordEnd(e)
}

// predict makes the predictions that are due for a UPS, and says what came of
// those before.
func (r *Recorder) predict(i int32, e *shutdown.Event, s *shutdown.State) {
	u, f := &s.UPSs[i], &r.upss[i].forecasts
	name := s.Policy.UPSs[i].Name
	on := u.OnBattery() && !u.Dead()
	if f.lost != 0 && (!on || f.lost != u.Lost) {
		r.ended(name, i, f, s)
	}
	if !on {
		return
	}
	measured := e.Kind == shutdown.Measured && e.UPS == i
	if f.lost == 0 {
		*f = forecasts{lost: u.Lost, since: max(u.Lost, r.upss[i].booted), next: r.at, every: again}
	}
	if measured && u.Last.Source != shutdown.FromNothing {
		r.compare(name, f, u.Load)
	}
	if u.Last.Battery == shutdown.StatusDepleted && measured {
		r.end(history.End{UPS: name, Since: f.since, At: r.when(r.at), Measured: true})
		f.open, f.next = nil, shutdown.Never // it carries on beyond its word, perhaps; that is no prediction
		return
	}
	if s.Phase(i) == shutdown.AllDown && r.upss[i].phase != shutdown.AllDown {
		// The plan has come to its end before the battery has.
		r.end(history.End{UPS: name, By: history.ByPlan, Since: f.since, At: r.when(r.at)})
	}
	end, _, _, planned := s.ForecastOf(i)
	due := r.at >= f.next
	replanned := planned && end != f.end && r.at.Sub(f.plan) >= apart && f.next != shutdown.Never &&
		(end == shutdown.Never || f.end == shutdown.Never || max(end, f.end).Sub(min(end, f.end)) > end.Sub(r.at)/planMoved)
	if due {
		r.byModel(name, i, f, s)
		r.byUPS(name, i, s)
		for f.next <= r.at {
			f.next, f.every = f.next.Add(f.every), 2*f.every
		}
	}
	// Where no order is given the load does not fall as the plan has it: that is no error
	// of the battery.
	if planned && !s.Policy.Site.Observe && (due || replanned) && s.Phase(i) != shutdown.AllDown {
		f.plan, f.end = r.at, end
		r.byPlan(i, s)
	}
}

// ended says what came of the predictions of a loss of input: the battery's end,
// when its output went off by itself; else it lasted at least until now.
func (r *Recorder) ended(name string, i int32, f *forecasts, s *shutdown.State) {
	u := &s.UPSs[i]
	measured := u.Dead() && !s.OutputCounts(i)
	at := r.at
	if back := u.Back(); back != 0 {
		at = max(f.lost, back)
	}
	r.end(history.End{UPS: name, Since: f.since, At: r.when(at), Measured: measured})
	*f = forecasts{}
}

// compare closes the predictions that were made at a load which is no longer
// carried: what is known of them is that it lasted until now.
func (r *Recorder) compare(name string, f *forecasts, watts float64) {
	if !slices.ContainsFunc(f.open, func(m float64) bool { return max(watts-m, m-watts) > max(movedWatts, m/movedParts) }) {
		return
	}
	for _, by := range [...]history.Maker{history.ByModel, history.ByUPS} {
		r.end(history.End{UPS: name, By: by, Since: f.since, At: r.when(r.at)})
	}
	f.open = nil
	f.next = min(f.next, max(r.at, f.made.Add(apart))) // another load is another question
}

func (r *Recorder) forecast(by history.Maker, i int32, s *shutdown.State, low, likely, high time.Duration) history.Forecast {
	u := &s.UPSs[i]
	return history.Forecast{
		Made: r.when(r.at), By: by, Basis: s.Belief(i).Basis, LoadWatts: int64(u.Load + 0.5), ChargeTenths: u.Last.ChargeTenths,
		Low: low, Likely: likely, High: high,
	}
}

func (r *Recorder) byModel(name string, i int32, f *forecasts, s *shutdown.State) {
	low, likely, high := s.Runtime(i)
	if high >= battery.Unending {
		return
	}
	r.writer.RecordPrediction(history.Prediction{UPS: name, Forecast: r.forecast(history.ByModel, i, s, low, likely, high)})
	f.open, f.made = append(f.open, s.UPSs[i].Load), r.at
}

func (r *Recorder) byUPS(name string, i int32, s *shutdown.State) {
	if n := s.UPSs[i].Last.RuntimeSeconds; n != shutdown.Unread && n >= 0 {
		d := time.Duration(n) * time.Second
		r.writer.RecordPrediction(history.Prediction{UPS: name, Forecast: r.forecast(history.ByUPS, i, s, d, d, d)})
	}
}

// byPlan predicts the battery's end under the plan in force, if the last host
// that it carries never went down.
func (r *Recorder) byPlan(i int32, s *shutdown.State) {
	if !r.busy.CompareAndSwap(false, true) {
		return
	}
	c, f, before := s.Clone(), r.forecast(history.ByPlan, i, s, 0, 0, 0), r.ends
	go func() {
		defer r.busy.Store(false)
		ends, ok := underPlan(c, i)
		r.mu.Lock()
		defer r.mu.Unlock()
		if ok && r.ends == before {
			f.Low, f.Likely, f.High = ends[0], ends[1], ends[2]
			r.writer.RecordPrediction(history.Prediction{UPS: c.Policy.UPSs[i].Name, Forecast: f})
		}
	}()
}

// underPlan gives a UPS's end under the plan at the low, the likely and the high
// projection; false when there is none to speak of.
func underPlan(s *shutdown.State, i int32) (ends [3]time.Duration, ok bool) {
	o, ok := s.Outlook()
	if !ok {
		return ends, false
	}
	for store, u := range o.UPSs {
		if u != i {
			continue
		}
		low, likely, high := o.Problem, o.With(s, func(b *battery.Belief) float64 { return b.Likely }), o.With(s, func(b *battery.Belief) float64 { return b.High })
		last := o.Plan.Stores[store].LastDown
		_, ends[0] = o.Curve(&low, store, time.Minute, last)
		_, ends[1] = o.Curve(&likely, store, time.Minute, last)
		_, ends[2] = o.Curve(&high, store, time.Minute, last)
		ends[1] = max(ends[0], ends[1])
		ends[2] = max(ends[1], ends[2])
		return ends, last > 0 && ends[0] >= 0 && ends[2] < battery.Unending
	}
	return ends, false
}
