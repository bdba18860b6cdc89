package battery

import (
	"fmt"
	"math"
	"math/rand"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbline/policy"
)

// kindOf is the kind of each published block: what its data sheet says of it, but
// for those that it leaves out (by the use in the sheet's title).
var kindOf = map[string]string{
	"vrla-7.8a": "high rate", "vrla-7.5b": "high rate", "vrla-40e": "high rate", "vrla-1.3g": "high rate", "vrla-4.5d": "high rate",
	"vrla-67.4j9": "general purpose", "vrla-7j11": "general purpose", "vrla-17.5j12": "general purpose", "vrla-17j15": "general purpose",
	"vrla-115c": "deep cycle", "vrla-103j8": "deep cycle",
	"vrla-165j5": "front terminal",
	"vrla-190j1": "pure lead", "vrla-90j3": "pure lead",
}

// twins are tables of one shape, which count as one battery: half each.
var twins = []string{"vrla-7j11", "vrla-17.5j12", "vrla-7.8a", "vrla-1.3g"}

// witness is one table by which a forecast is judged, and what a user would
// know of the battery: its figures, and the points that stand on a data sheet.
type witness struct {
	Table
	id, kind string
	weight   float64
}

// witnesses gives the tables to an end voltage of UPSs, 1.65 to 1.70 V per cell:
// of constant power, or of constant current where a block has no other.
func witnesses(t *testing.T) (blocks []witness, charts []witness) {
	watts, amps, ups := publishedTables(t)
	for _, x := range slices.Concat(watts, amps) {
		f := strings.Fields(x.Name)
		if len(f) != 3 || !slices.Contains([]string{"1.65", "1.667", "1.67", "1.7"}, f[2]) || kindOf[f[0]] == "" {
			continue
		}
		if f[1] == "cc" && slices.ContainsFunc(watts, func(y Table) bool { return strings.HasPrefix(y.Name, f[0]+" ") }) {
			continue
		}
		w := witness{Table: x, id: f[0], kind: kindOf[f[0]], weight: 1}
		if slices.Contains(twins, w.id) {
			w.weight = 0.5
		}
		blocks = append(blocks, w)
	}
	for _, x := range ups {
		charts = append(charts, witness{Table: x, id: x.Name, kind: "UPS", weight: 1})
	}
	return blocks, charts
}

// at gives the time that a load lasts by the table, between its points by their
// logarithms; false beyond them.
func (w *witness) at(watts float64) (policy.ChartPoint, bool) {
	for i := 1; i < len(w.Points); i++ {
		long, short := w.Points[i-1], w.Points[i]
		if l, s := float64(long.Watts), float64(short.Watts); watts >= l && watts <= s {
			part := math.Log(watts/s) / math.Log(l/s)
			runtime := short.Runtime.Seconds() * math.Pow(long.Runtime.Seconds()/short.Runtime.Seconds(), part)
			return policy.ChartPoint{Watts: int64(watts), Runtime: time.Duration(runtime * float64(time.Second))}, true
		}
	}
	return policy.ChartPoint{}, false
}

// point gives the table's point at so many minutes.
func (w *witness) point(minutes float64) (policy.ChartPoint, bool) {
	for _, p := range w.Points {
		if math.Abs(p.Runtime.Minutes()-minutes) < 1e-6 {
			return p, true
		}
	}
	return policy.ChartPoint{}, false
}

// fullAndHalf is what nearly every UPS's data sheet gives: the minutes at full
// load, here what lasts 5 to 10 min, and at half of it.
func (w *witness) fullAndHalf() []policy.ChartPoint {
	for i := len(w.Points) - 1; i >= 0; i-- {
		p := w.Points[i]
		if p.Runtime >= 5*time.Minute && p.Runtime <= 15*time.Minute {
			if half, ok := w.at(float64(p.Watts) / 2); ok {
				return []policy.ChartPoint{half, p}
			}
		}
	}
	return nil
}

type attained struct{ median, ninetieth, short float64 }

// known is one kind of evidence.
type known struct {
	name string
	from func(w *witness) (chart []policy.ChartPoint, tests []policy.ChartPoint, ok bool)
	told bool // the end voltage

	// What is attained with the kind left out, rounded against us; beside it the low
	// runtime is reached in 95 %, never more than 15 % above, and the bias is within 5 %.
	limit attained
}

func points(w *witness, minutes ...float64) (list []policy.ChartPoint, ok bool) {
	for _, m := range minutes {
		p, found := w.point(m)
		if !found {
			return nil, false
		}
		list = append(list, p)
	}
	slices.SortFunc(list, func(a, b policy.ChartPoint) int { return int(a.Watts - b.Watts) })
	return list, true
}

var evidence = []known{
	{name: "rated only", limit: attained{0.26, 0.72, 0.54}, from: func(w *witness) (_, _ []policy.ChartPoint, ok bool) { return nil, nil, rated(&w.UPS) > 0 }},
	{name: "rated and end volts", told: true, limit: attained{0.26, 0.72, 0.54}, from: func(w *witness) (_, _ []policy.ChartPoint, ok bool) { return nil, nil, rated(&w.UPS) > 0 }},
	{name: "one point, 30 min", limit: attained{0.065, 0.25, 0.27}, from: func(w *witness) (c, _ []policy.ChartPoint, ok bool) { c, ok = points(w, 30); return c, nil, ok }},
	{name: "two points, 10 and 60 min", limit: attained{0.03, 0.085, 0.23}, from: func(w *witness) (c, _ []policy.ChartPoint, ok bool) {
		if c, ok = points(w, 60, 10); !ok {
			c, ok = points(w, 60, 15)
		}
		return c, nil, ok
	}},
	{name: "full and half load", limit: attained{0.03, 0.06, 0.22}, from: func(w *witness) (c, _ []policy.ChartPoint, ok bool) {
		c = w.fullAndHalf()
		return c, nil, c != nil
	}},
	{name: "two points and a test, 20 or 30 min", limit: attained{0.03, 0.13, 0.17}, from: func(w *witness) (c, d []policy.ChartPoint, ok bool) {
		if c, ok = points(w, 60, 10); !ok {
			c, ok = points(w, 60, 15)
		}
		test, found := points(w, 20)
		if !found {
			test, found = points(w, 30)
		}
		return c, test, ok && found
	}},
	{name: "one test, 20 or 30 min", limit: attained{0.066, 0.21, 0.27}, from: func(w *witness) (_, d []policy.ChartPoint, ok bool) {
		test, found := points(w, 20)
		if !found {
			test, found = points(w, 30)
		}
		return nil, test, found && rated(&w.UPS) > 0
	}},
}

// judged is one forecast and its weight.
type judged struct {
	Case
	weight float64
}

// without takes a kind, or the shape of one table, out of the prior while ask runs.
func without(out func(s *shape) bool, ask func()) {
	whole, all := shapes, common
	defer func() { shapes, common = whole, all }()
	shapes = slices.DeleteFunc(slices.Clone(shapes), func(s shape) bool { return out(&s) })
	common = slices.DeleteFunc(slices.Clone(common), func(c kind) bool {
		return !slices.ContainsFunc(shapes, func(s shape) bool { return s.kind == c.name })
	})
	ask()
}

// forecast makes the belief of a witness and asks it for the other points.
func (w *witness) forecast(t *testing.T, k *known, from, to time.Duration) (out []judged) {
	chart, tests, ok := k.from(w)
	if !ok {
		return nil
	}
	u := w.UPS
	u.Battery.Chart = chart
	if k.told {
		fmt.Sscan(w.Name[strings.LastIndex(w.Name, " ")+1:], &u.Battery.EndVolts)
	}
	b, err := tested(&u, tests)
	if err != nil {
		t.Fatalf("%s: %v", w.Name, err)
	}
	for _, p := range w.Points {
		if p.Runtime < from || p.Runtime > to || slices.Contains(chart, p) || slices.Contains(tests, p) {
			continue
		}
		out = append(out, judged{b.project(p), w.weight})
	}
	return out
}

// tally sums up forecasts: of the likely one the median, 90 % and worst error
// without its sign and its median with it; of the low one how often it was
// reached, its worst, and where it stood in the median.
type tally struct {
	cases                                             int
	median, ninetieth, worst, bias, held, over, short float64
}

func weigh(cases []judged) tally {
	at := func(part float64, of func(Case) float64) float64 {
		type item struct{ v, w float64 }
		var list []item
		sum := 0.0
		for _, c := range cases {
			list = append(list, item{of(c.Case), c.weight})
			sum += c.weight
		}
		slices.SortFunc(list, func(a, b item) int {
			switch {
			case a.v < b.v:
				return -1
			case a.v > b.v:
				return 1
			}
			return 0
		})
		run := 0.0
		for _, i := range list {
			if run += i.w; run >= part*sum-1e-9 {
				return i.v
			}
		}
		return math.NaN()
	}
	likely := func(c Case) float64 { return c.Likely/c.Published - 1 }
	low := func(c Case) float64 { return c.Low/c.Published - 1 }
	size := func(c Case) float64 { return math.Abs(likely(c)) }
	s := tally{cases: len(cases), median: at(0.5, size), ninetieth: at(0.9, size), worst: at(1, size), bias: at(0.5, likely), over: at(1, low), short: at(0.5, low)}
	var all, held float64
	for _, c := range cases {
		all += c.weight
		if c.Low <= c.Published {
			held += c.weight
		}
	}
	s.held = held / all
	return s
}

func (s tally) String() string {
	return fmt.Sprintf("likely %.1f/%.1f/%.0f %% (%+.1f), low held in %.0f %%, worst %+.0f %%, median %+.0f %%, of %d", 100*s.median, 100*s.ninetieth, 100*s.worst, 100*s.bias, 100*s.held, 100*s.over, 100*s.short, s.cases)
}

// Aim: what a forecast is worth for a battery of a kind that the prior never saw.
// Method: every published block of a kind with the kind taken out of the prior,
// by what a user knows of it, asked for all the other runtimes from 5 to 60 min;
// the charts of UPSs from 3 to 180 min by their full and half load.
func TestKinds(t *testing.T) {
	blocks, charts := witnesses(t)
	var order []string
	for _, w := range blocks {
		if !slices.Contains(order, w.kind) {
			order = append(order, w.kind)
		}
	}
	ways := []struct {
		name string
		out  func(w *witness, s *shape) bool
	}{
		{"all in the prior", func(*witness, *shape) bool { return false }},
		{"its table left out", func(w *witness, s *shape) bool { return slices.Contains(strings.Fields(s.of), w.id) }},
		{"its kind left out", func(w *witness, s *shape) bool { return s.kind == w.kind }},
	}
	for i := range evidence {
		k := &evidence[i]
		for _, way := range ways {
			all, tables := []judged(nil), 0
			for _, kind := range order {
				var of []judged
				n := 0
				for j := range blocks {
					w := &blocks[j]
					if w.kind != kind {
						continue
					}
					without(func(s *shape) bool { return way.out(w, s) }, func() {
						if c := w.forecast(t, k, 5*time.Minute, time.Hour); len(c) > 0 {
							of = append(of, c...)
							n++
						}
					})
				}
				if len(of) > 0 {
					t.Logf("  %s, %s, %s, %d tables: %v", k.name, way.name, kind, n, weigh(of))
				}
				all, tables = append(all, of...), tables+n
			}
			sum := weigh(all)
			t.Logf("%s, %s, all %d tables: %v", k.name, way.name, tables, sum)
			if l := k.limit; sum.held < 0.95 || sum.over > 0.15 || way.name == "its kind left out" && (sum.median > l.median || sum.ninetieth > l.ninetieth || sum.short < -l.short || math.Abs(sum.bias) > 0.05) {
				t.Errorf("%s, %s: %v; want no more than %+v", k.name, way.name, sum, l)
			}
		}
	}
	var of []judged
	for j := range charts {
		w := &charts[j]
		full := w.Points[len(w.Points)-1]
		half, ok := w.at(float64(full.Watts) / 2)
		if !ok {
			t.Fatalf("%s has no half load", w.Name)
		}
		k := known{name: "UPS charts", from: func(*witness) (c, d []policy.ChartPoint, ok bool) {
			return []policy.ChartPoint{half, full}, nil, true
		}}
		c := w.forecast(t, &k, 3*time.Minute, 3*time.Hour)
		t.Logf("  UPS charts, %s: %v", w.Name, weigh(c))
		of = append(of, c...)
	}
	sum := weigh(of)
	t.Logf("UPS charts, full and half load: %v", sum)
	if sum.median > 0.055 || sum.ninetieth > 0.11 || sum.held < 0.95 || sum.short < -0.23 || math.Abs(sum.bias) > 0.05 {
		t.Errorf("UPS charts: %v", sum)
	}
}

// Aim: how far published points lie about a smooth curve, which is what the belief, and the
// simulator's dice, take for the spread of a chart's points; and how far a label is from what
// its block gives in 20 hours. Method: each table to an end voltage of UPSs and each chart of
// a UPS from 3 min to 10 h about its own fit, in watts.
func TestSpreadOfPoints(t *testing.T) {
	blocks, charts := witnesses(t)
	sum, n, least, most := 0.0, 0.0, math.Inf(1), 0.0
	type label struct{ sum, n float64 }
	labels := map[string]label{}
	for _, w := range slices.Concat(blocks, charts) {
		f := fitting{overhead: float64(w.UPS.OverheadWatts), spread: 2, balance: 1, usual: Model{Ohmic: 15 * 60, Diffusion: 60 * 60, Relaxation: relaxation}}
		if w.kind == "UPS" {
			f.usual.Relaxation, f.own = 40*60, sought
		}
		for _, p := range w.Points {
			if p.Runtime >= 3*time.Minute && p.Runtime <= 10*time.Hour {
				f.chart = append(f.chart, p)
			}
		}
		x := f.solve()
		m, squares := f.model(x), 0.0
		for _, p := range f.chart {
			off := math.Log((float64(p.Watts) + f.overhead*exp(x[ownDraw])) * m.Phi(p.Runtime.Seconds()) / m.Energy)
			squares += off * off
		}
		free := float64(len(f.chart) - 3)
		if r := rated(&w.UPS); r > 0 {
			l := labels[w.id]
			labels[w.id] = label{l.sum + math.Log(m.Energy/m.Phi(rating)*rating/r), l.n + 1}
		}
		off := math.Sqrt(squares / free)
		sum, n, least, most = sum+squares, n+free, min(least, off), max(most, off)
		t.Logf("%s: %.1f %% of %d points", w.Name, 100*off, len(f.chart))
	}
	mean, square := 0.0, 0.0
	for _, l := range labels {
		mean += l.sum / l.n / float64(len(labels))
	}
	for _, l := range labels {
		square += (l.sum/l.n - mean) * (l.sum/l.n - mean) / float64(len(labels)-1)
	}
	all, beside := math.Sqrt(sum/n), math.Sqrt(square)
	t.Logf("points %.1f %% about the fits, %.1f to %.1f %% by table; the labels of %d blocks %.1f %% about what they give in 20 h", 100*all, 100*least, 100*most, len(labels), 100*beside)
	if all > 1.05*fitSpread || most > 0.035 || beside > 0.075 {
		t.Errorf("%v, %v, %v", all, most, beside)
	}
}

// Aim: the low runtime holds for copies, and not only for data sheets. Method: each block
// with its kind taken out of the prior, the label read with the usual efficiency, and the
// sheet's minutes at full and half load where they are given, in UPSs whose efficiency and of
// batteries whose store lie at 5, 15 ... 95 % of their spreads, before and after a test;
// asked for all runtimes from 3 min to 10 h.
func TestCopies(t *testing.T) {
	blocks, _ := witnesses(t)
	chances := []float64{0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95}
	for _, sheet := range []bool{false, true} {
		for _, minutes := range []float64{0, 15, 60} {
			var all, short, long []judged
			for j := range blocks {
				w := &blocks[j]
				test, ok := w.point(minutes)
				if minutes > 0 && !ok || w.fullAndHalf() == nil || rated(&w.UPS) == 0 {
					continue
				}
				without(func(s *shape) bool { return s.kind == w.kind }, func() {
					for i, chance := range chances {
						of := exp(copySpread * quantile(chance))
						efficient := 0.85 * exp(lossySpread*quantile(chances[(3*i+1)%10]))
						watts := func(p policy.ChartPoint, part float64) policy.ChartPoint {
							return policy.ChartPoint{Watts: int64(float64(p.Watts) * part), Runtime: p.Runtime}
						}
						u := w.UPS
						u.EfficiencyPermille = 0
						if sheet {
							for _, p := range w.fullAndHalf() {
								u.Battery.Chart = append(u.Battery.Chart[:len(u.Battery.Chart):len(u.Battery.Chart)], watts(p, efficient))
							}
						}
						var tests []policy.ChartPoint
						if minutes > 0 {
							tests = append(tests, watts(test, efficient*of))
						}
						b, err := tested(&u, tests)
						if err != nil {
							t.Fatal(err)
						}
						for _, p := range w.Points {
							if p.Runtime < 3*time.Minute || p.Runtime > 10*time.Hour {
								continue
							}
							c := judged{b.project(watts(p, efficient*of)), w.weight}
							switch all = append(all, c); {
							case p.Runtime <= 10*time.Minute:
								short = append(short, c)
							case p.Runtime >= 2*time.Hour:
								long = append(long, c)
							}
						}
					}
				})
			}
			s := [3]tally{weigh(all), weigh(short), weigh(long)}
			t.Logf("sheet %v, test of %.0f min: low held in %.1f %%, at %.0f %%; 3 to 10 min %.1f %%, at %.0f %%; 2 to 10 h %.1f %%, at %.0f %%; of %d", sheet, minutes,
				100*s[0].held, 100+100*s[0].short, 100*s[1].held, 100+100*s[1].short, 100*s[2].held, 100+100*s[2].short, s[0].cases)
			if s[0].held < 0.96 || s[1].held < 0.96 || s[2].held < 0.96 {
				t.Errorf("sheet %v, test of %.0f min: low held in %v, %v, %v", sheet, minutes, s[0].held, s[1].held, s[2].held)
			}
		}
	}
}

// Aim: what no forecast can beat that knows the label alone, or one point of 30 min beside
// it, however it is made: a limit for what TestKinds asks of one that never saw the battery.
// Method: the kernel that does best on the very tables by which it is judged (a fit of each
// block alone is within a few percent of its table), found by search at random from a fixed
// start. From the label: the losses and the part of the label that leave the low runtime
// least short, with 95 % of the cases reached and never more than 15 % above, or the likely
// one least off with a bias within 5 %. From one point: the losses as they may depend on
// what the point says of the label.
func TestBounds(t *testing.T) {
	blocks, charts := witnesses(t)
	type asked struct {
		watts, seconds, weight float64 // watts over the rated energy in joules, or over those that last 30 min
		says                   float64 // of the label, by the point
	}
	var label, point []asked
	for _, w := range blocks {
		thirty, ok := w.point(30)
		for _, p := range w.Points {
			if p.Runtime < 5*time.Minute || p.Runtime > time.Hour {
				continue
			}
			label = append(label, asked{float64(p.Watts) / rated(&w.UPS), p.Runtime.Seconds(), w.weight, 0})
			if ok && p != thirty {
				point = append(point, asked{float64(p.Watts) / float64(thirty.Watts), p.Runtime.Seconds(), w.weight, math.Log(float64(thirty.Watts)*1800/rated(&w.UPS)) + 0.6})
			}
		}
	}
	type try [5]float64
	sum := func(list []asked, x try, store func(m *Model) float64) tally {
		var cases []judged
		for _, a := range list {
			m := Model{Ohmic: 60 * math.Exp(x[1]+x[3]*a.says), Diffusion: 60 * math.Exp(x[2]+x[4]*a.says), Relaxation: relaxation}
			m.Energy = store(&m)
			s := m.Runtime(Charge{}, a.watts)
			cases = append(cases, judged{Case{Published: a.seconds, Low: s, Likely: s}, a.weight})
		}
		return weigh(cases)
	}
	search := func(start, step try, worth func(x try) float64) float64 {
		random := rand.New(rand.NewSource(1))
		best, at := worth(start), start
		for i := range 2500 {
			x := at
			for k := range x {
				x[k] += step[k] * math.Exp(-4*random.Float64()) * random.NormFloat64()
			}
			if i%5 == 0 { // and from the start again
				for k := range x {
					x[k] = start[k] + step[k]*random.NormFloat64()
				}
			}
			if w := worth(x); w < best {
				best, at = w, x
			}
		}
		return best
	}
	of := func(x try) func(*Model) float64 { return func(*Model) float64 { return math.Exp(x[0]) } }
	through := func(m *Model) float64 { return m.Phi(1800) }
	low := search(try{0, 3.1, 4.3}, try{0.2, 0.6, 0.6}, func(x try) float64 {
		if s := sum(label, x, of(x)); s.held >= 0.95 && s.over <= 0.15 {
			return -s.short
		}
		return math.Inf(1)
	})
	never := search(try{0, 3.1, 4.3}, try{0.2, 0.6, 0.6}, func(x try) float64 {
		if s := sum(label, x, of(x)); s.over <= 0 {
			return -s.short
		}
		return math.Inf(1)
	})
	unbiased := func(s tally, v float64) float64 {
		if math.Abs(s.bias) <= 0.05 {
			return v
		}
		return math.Inf(1)
	}
	likely := search(try{0, 2.5, 4.2}, try{0.2, 1, 1}, func(x try) float64 { s := sum(label, x, of(x)); return unbiased(s, s.median) })
	ninetieth := search(try{0, 3.3, 4.9}, try{0, 0.6, 0.6, 2, 2}, func(x try) float64 { s := sum(point, x, through); return unbiased(s, s.ninetieth) })
	median := search(try{0, 3.3, 4.9}, try{0, 0.6, 0.6, 2, 2}, func(x try) float64 { s := sum(point, x, through); return unbiased(s, s.median) })
	t.Logf("rated only, %d cases: low %.1f %% short in the median, never above %.1f %%; likely off by %.1f %% in the median", len(label), 100*low, 100*never, 100*likely)
	t.Logf("one point, %d cases: likely off by %.1f %% in the median, or by %.1f %% at the 90 %% mark", len(point), 100*median, 100*ninetieth)
	if low < 0.36 || never < 0.42 || likely < 0.13 || ninetieth < 0.15 {
		t.Error("there is a better one: the prior may aim at more")
	}
	// And from a UPS's chart: all its points, asked for the same again.
	var all []judged
	for j := range charts {
		w := &charts[j]
		u := w.UPS
		u.Battery.Chart = w.Points
		b, err := New(&u, newToday)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range w.Points {
			if p.Runtime >= 3*time.Minute && p.Runtime <= 3*time.Hour {
				all = append(all, judged{b.project(p), 1})
			}
		}
	}
	t.Logf("UPS charts by all of their points: %v", weigh(all))
}

// Aim: whether a likely runtime from the label of a kind never seen could be within 15 % by
// other weights of the kinds, or it is the kinds that lie so far apart. Method: the parts of
// the kinds that do best on the very tables by which they are judged, with the kind under test
// left out, found by search at random from what a longer one found.
func TestBoundOfWeights(t *testing.T) {
	blocks, _ := witnesses(t)
	usual := common
	defer func() { common = usual }()
	forecasts := func(parts [6]float64) tally {
		common = slices.Clone(usual)
		for i := range common {
			common[i].part = parts[i]
		}
		var all []judged
		for j := range blocks {
			w := &blocks[j]
			without(func(s *shape) bool { return s.kind == w.kind }, func() { all = append(all, w.forecast(t, &evidence[0], 5*time.Minute, time.Hour)...) })
		}
		return weigh(all)
	}
	at := [6]float64{0.19, 0.006, 0.67, 0.1, 0.002, 0.03} // in the order of common: of no sense but for these tables
	best, random := forecasts(at), rand.New(rand.NewSource(1))
	for range 60 {
		x := at
		for i := range x {
			x[i] *= math.Exp(math.Exp(-3*random.Float64()) * random.NormFloat64())
		}
		if s := forecasts(x); s.median < best.median && math.Abs(s.bias) <= 0.05 {
			best, at = s, x
		}
	}
	t.Logf("rated only, its kind left out, with parts %.3f: %v", at, best)
	if best.median < 0.18 {
		t.Error("there are better parts: the prior may aim at more")
	}
}

// Aim: what two charts of UPSs can say of a third. Method: relaxation times and own draws over
// all that is thinkable; with each the losses that meet all points of one chart best are what
// the other is foretold by, from its full and half load. If any pair foretold both within 3 %
// in the median and 8 % at the 90 % mark, the shape that UPSs' charts are believed to have
// could be asked for that.
func TestBoundOfCharts(t *testing.T) {
	_, charts := witnesses(t)
	median, ninetieth := math.Inf(1), math.Inf(1)
	for _, minutes := range []float64{10, 15, 20, 25, 30, 40, 60, 90} {
		for _, part := range []float64{0.01, 0.02, 0.03, 0.04, 0.05, 0.06, 0.07} {
			var all []judged
			for j := range charts {
				from, to := &charts[j], &charts[1-j]
				wide := fitting{chart: from.Points, overhead: part * float64(from.UPS.RatedWatts), spread: 3, balance: 2,
					usual: Model{Ohmic: 6 * 60, Diffusion: 40 * 60, Relaxation: minutes * 60}}
				full := to.Points[len(to.Points)-1]
				half, ok := to.at(float64(full.Watts) / 2)
				if !ok {
					t.Fatalf("%s has no half load", to.Name)
				}
				f := fitting{chart: []policy.ChartPoint{half, full}, overhead: part * float64(to.UPS.RatedWatts), usual: wide.model(wide.solve()), spread: 0.5, balance: 0.15}
				m := f.model(f.solve())
				for _, p := range to.Points {
					if p != full && p != half && p.Runtime >= 3*time.Minute && p.Runtime <= 3*time.Hour {
						s := m.Runtime(Charge{}, float64(p.Watts)+f.overhead)
						all = append(all, judged{Case{Published: p.Runtime.Seconds(), Low: s, Likely: s}, 1})
					}
				}
			}
			s := weigh(all)
			median, ninetieth = min(median, s.median), min(ninetieth, s.ninetieth)
			t.Logf("relaxation %.0f min, own draw %.0f %%: %v", minutes, 100*part, s)
			if s.median <= 0.03 && s.ninetieth <= 0.08 {
				t.Error("there is a shape: the charts may be asked for more")
			}
		}
	}
	t.Logf("at best %.1f %% in the median, or %.1f %% at the 90 %% mark", 100*median, 100*ninetieth)
}
