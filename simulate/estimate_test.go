package simulate

import (
	"encoding/json"
	"math"
	"os"
	"testing"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/simulate/world"
)

// emptied is told of every step of a run, and sees whether a battery ran out.
type emptied struct {
	w   *world.World
	any bool
}

func (e *emptied) look() {
	for i := range e.w.UPSs {
		e.any = e.any || e.w.UPSs[i].Empty
	}
}
func (e *emptied) Event(shutdown.Instant, *shutdown.Event)   { e.look() }
func (e *emptied) Effect(shutdown.Instant, *shutdown.Effect) { e.look() }

// alone lets an outage pass in which the agent does nothing, and tells whether a battery
// ran out.
func alone(w *world.World, o *Outage, seed uint64) bool {
	truth := o.TruthOf(seed)
	w.Reset(&truth, Epoch(day))
	e := emptied{w: w}
	end := Epoch(day).Add(o.Moments[len(o.Moments)-1].At)
	for w.Peek() <= end && !e.any {
		w.Next()
		e.look()
	}
	return e.any
}

func newJudge(t testing.TB, p *policy.Policy) (*Judge, *Dice) {
	t.Helper()
	low, err := LowParts(p, day)
	if err != nil {
		t.Fatal(err)
	}
	dice, err := NewDice(p, day)
	if err != nil {
		t.Fatal(err)
	}
	return NewJudge(p, low), dice
}

// Aim: where an outage is told to be carried, no battery runs out, whatever is decided; and
// where it is told to outlast a battery, it does when nothing is stopped. Method: drawn
// outages replayed in the world alone and with the core, batteries looked at after every
// event. The second for one interruption of a site of one UPS without peaks, where what may
// hang on the battery is what does.
func TestKind(t *testing.T) {
	for _, name := range []string{"rig.hcl", "first.hcl", "loft.hcl", "barn.hcl"} {
		p := readPolicy(t, name)
		j, dice := newJudge(t, p)
		r := newRunner(t, p)
		e := &emptied{w: r.world}
		r.Log = e
		w, err := world.New(p, day)
		if err != nil {
			t.Fatal(err)
		}
		var o Outage
		var run Run
		var carried, replayed, ran int
		for seed := uint64(1); seed <= 1500; seed++ {
			dice.Draw(seed, &o)
			switch kind := j.Kind(&o); {
			case kind == Carried:
				if carried++; alone(w, &o, seed) {
					t.Errorf("%s, seed %d: a battery runs out that was to carry the outage\n%s", name, seed, o.Text(p))
				}
				if replayed < 150 {
					replayed++
					e.any = false
					if r.Run(o.Truth(seed), &run); e.any {
						t.Errorf("%s, seed %d: a battery runs out under the core that was to carry the outage\n%s", name, seed, o.Text(p))
					}
				}
			case kind == Outlasts && name == "rig.hcl" && (o.Shape == Sustained || o.Shape == Middling) && !j.Tried(&o).Has(LostAgain) && !j.Tried(&o).Has(LoadDrifts) && !j.Tried(&o).Has(OffHost):
				if ran++; !alone(w, &o, seed) {
					t.Errorf("%s, seed %d: no battery runs out, and one was to be outlasted\n%s", name, seed, o.Text(p))
				}
			}
		}
		if carried < 500 || name == "rig.hcl" && ran < 100 {
			t.Errorf("%s: %d carried, %d outlasting: the test shows little", name, carried, ran)
		}
	}
}

// Aim: an aimed outage is one of the dice's own, of the seed that is given, and what was
// aimed at; the others are as they would be alone. Method: drawn again by seed.
func TestSample(t *testing.T) {
	p := readPolicy(t, "rig.hcl")
	j, dice := newJudge(t, p)
	var o, again Outage
	seen := map[uint64]bool{}
	for place := range 300 {
		own := uint64(1000 + place)
		seed, aimed := dice.Sample(place, own, j, &o)
		if aimed != (place%3 == 2) || aimed == (seed == own) || seen[seed] {
			t.Fatalf("place %d: seed %d of %d, aimed %v", place, seed, own, aimed)
		}
		seen[seed] = true
		if aimed && (j.Kind(&o) != Outlasts || Beyond(j.Tried(&o)) != 0) {
			t.Errorf("seed %d is not what was aimed at", seed)
		}
		if dice.Draw(seed, &again); again.Text(p) != o.Text(p) {
			t.Errorf("seed %d gives another outage alone", seed)
		}
	}
	never := func(uint64) bool { return false }
	if seed := sample(2, 77, never); seed != 77 {
		t.Errorf("where nothing is found the seed is %d", seed)
	}
}

// Aim: the bound is what it is said to be. Method: scipy (testdata/estimate.py); and what
// aimed outages may not count for is left to those at large.
func TestTallyBound(t *testing.T) {
	text, err := os.ReadFile("testdata/estimate.json")
	if err != nil {
		t.Fatal(err)
	}
	var rows []struct {
		Large, Last, Tested, Cut int
		Low, High                float64
	}
	if err := json.Unmarshal(text, &rows); err != nil || len(rows) < 9 {
		t.Fatal(err, len(rows))
	}
	for _, r := range rows {
		y := Tally{Large: r.Large, LargeLast: r.Last, Tested: r.Tested, TestedCut: r.Cut}
		if r.Tested == r.Last {
			t.Fatal("a row without aimed outages")
		}
		low, high := y.Bound()
		if math.Abs(low-r.Low) > 1e-9*r.Low || math.Abs(high-r.High) > 1e-9*r.High {
			t.Errorf("%+v: %.12g to %.12g, want %.12g to %.12g", y, low, high, r.Low, r.High)
		}
	}
	var amiss, none, empty Tally
	for place := range 900 {
		amiss.Add(Outlasts, Aimed(place), false)
		none.Add(Carried, Aimed(place), false)
	}
	amiss.Add(Carried, false, true)
	for _, c := range []struct {
		y    Tally
		k, n int
	}{{amiss, 1, 601}, {none, 0, 600}, {empty, 0, 0}} {
		low, high := c.y.Bound()
		if wantLow, wantHigh := Chance(c.k, c.n); low != wantLow || high != wantHigh || c.y.Weighed() {
			t.Errorf("%+v: %g to %g, want those of %d in %d", c.y, low, high, c.k, c.n)
		}
	}
}

// small is a small site with exact chances: its batteries and stopping times, and an
// outage that is short, or outlasts them.
type small struct {
	Space
	chance                []float64
	within, outlasts, cut []bool
	exact                 float64 // that a host is cut, in a room within the bounds
}

// trySmall replays every combination. The battery is too small for hosts that
// stop so slowly, so that one is cut within the bounds too.
func trySmall(t *testing.T) *small {
	t.Helper()
	p := *readPolicy(t, "rig.hcl")
	p.UPSs = append([]policy.UPS(nil), p.UPSs...)
	p.UPSs[0].Battery.AmpHours = 5
	p.Hosts = append([]policy.Host(nil), p.Hosts...)
	for k := range p.Hosts {
		h := &p.Hosts[k]
		h.StopsIn *= 2
		h.Methods = append([]policy.Method(nil), h.Methods...)
		for i := range h.Methods {
			h.Methods[i].GivesUp *= 2
		}
	}
	s, err := NewSmall(&p, day)
	if err != nil {
		t.Fatal(err)
	}
	j, _ := newJudge(t, &p)
	r := newRunner(t, &p)
	lengths := []time.Duration{10 * time.Second, 8 * time.Hour}
	y := &small{Space: Space{append([][]float64{{0.85, 0.15}}, s.Chances...)}}
	n, pick := y.Count(5000), make([]int, len(y.Chances))
	var run Run
	all, cut := 0.0, 0.0
	for i := range n {
		chance := y.Pick(i, pick)
		o := s.Room(pick[1:])
		o.Moments = loss(0, lengths[pick[0]])
		within := Beyond(j.Tried(o)) == 0
		r.Run(o.Truth(uint64(i)), &run)
		y.chance, y.within = append(y.chance, chance), append(y.within, within)
		y.outlasts, y.cut = append(y.outlasts, j.Kind(o) == Outlasts), append(y.cut, run.Cut > 0)
		if within {
			all += chance
			if run.Cut > 0 {
				cut += chance
			}
		}
	}
	y.exact = cut / all
	return y
}

// tally samples as random outages are sampled.
func (y *small) tally(dice *world.Random, n int) (tally Tally) {
	pick, i := make([]int, len(y.Chances)), 0
	draw := func(seed uint64) bool {
		r := world.NewRandom(seed)
		y.Draw(&r, pick)
		i = 0
		for k, c := range y.Chances {
			i = i*len(c) + pick[k]
		}
		return y.within[i] && y.outlasts[i]
	}
	for place := range n {
		if sample(place, dice.Uint64(), draw); y.within[i] {
			tally.Add(map[bool]Kind{true: Outlasts, false: Carried}[y.outlasts[i]], Aimed(place), y.cut[i])
		}
	}
	return tally
}

// Aim: the estimate is right, and its bound holds as often as it says. Method: a small site
// of which every combination is replayed, so that the chance is known exactly; a thousand
// simulations of some outages each, by fixed seeds: their mean is within four standard
// errors, and 95 % at the least have the chance within their bounds, 95 % below their upper
// one.
func TestTallyMeetsExactChances(t *testing.T) {
	y := trySmall(t)
	if y.exact < 0.005 || y.exact > 0.2 {
		t.Fatalf("the chance is %g: the test shows little", y.exact)
	}
	for _, n := range []int{60, 600} {
		const times = 1000
		dice := world.NewRandom(uint64(n))
		var sum, squares float64
		covered, below, plain := 0, 0, 0
		width, plainWidth := 0.0, 0.0
		for range times {
			tally := y.tally(&dice, n)
			if n >= 600 && !tally.Weighed() {
				t.Fatalf("aimed outages do not count: %+v", tally)
			}
			is := tally.Likely()
			sum += is
			squares += is * is
			low, high := tally.Bound()
			if y.exact <= high {
				below++
				if low <= y.exact {
					covered++
				}
			}
			// As many, all drawn at large.
			large := 0
			for range n {
				i := 0
				for _, c := range y.Chances {
					x, k := dice.Float(), 0
					for ; k < len(c)-1 && x >= c[k]; k++ {
						x -= c[k]
					}
					i = i*len(c) + k
				}
				if y.within[i] {
					large++
				}
			}
			pl, ph := Chance(int(math.Round(y.exact*float64(large))), large)
			width, plainWidth = width+high-low, plainWidth+ph-pl
			plain += large
		}
		mean := sum / times
		sigma := math.Sqrt((squares/times - mean*mean) / times)
		t.Logf("%d outages: chance %.5f, mean of the estimates %.5f (standard error %.5f), %d of %d covered, %d below; bounds %.2f as wide as without aim", n, y.exact, mean, sigma, covered, times, below, width/plainWidth)
		if math.Abs(mean-y.exact) > 4*sigma {
			t.Errorf("%d outages: the mean of the estimates is %g, the chance %g, the standard error %g", n, mean, y.exact, sigma)
		}
		if covered < 950 || below < 950 {
			t.Errorf("%d outages: of %d bounds %d have the chance between them, %d below the upper", n, times, covered, below)
		}
	}
}

// Aim: the bounds hold as often as they say, for rare chances and common ones, few outages
// and many. Method: made-up rooms of which a part is within the bounds, a part of these
// outlasts a battery, and in a part of these a host is cut; a thousand simulations each, by
// fixed seeds.
func TestTallyCovers(t *testing.T) {
	for _, c := range []struct {
		within, outlasts, cut float64
		n                     int
	}{{0.3, 0.4, 0.0005, 6000}, {0.2, 0.3, 0.003, 3000}, {0.3, 0.02, 0.3, 300}, {0.3, 0.4, 0.02, 30}, {1, 1, 0.01, 900}} {
		const times = 1000
		r := world.NewRandom(uint64(c.n))
		covered, below := 0, 0
		sum, squares := 0.0, 0.0
		for range times {
			var y Tally
			for place := range c.n {
				kind := Outlasts
				if !Aimed(place) {
					if r.Float() >= c.within {
						continue
					}
					if r.Float() >= c.outlasts {
						kind = Carried
					}
				}
				y.Add(kind, Aimed(place), kind == Outlasts && r.Float() < c.cut)
			}
			exact := c.outlasts * c.cut
			sum, squares = sum+y.Likely(), squares+y.Likely()*y.Likely()
			low, high := y.Bound()
			if exact <= high {
				below++
				if low <= exact {
					covered++
				}
			}
		}
		if covered < 950 || below < 950 {
			t.Errorf("%+v: of %d bounds %d have the chance between them, %d below the upper", c, times, covered, below)
		}
		mean := sum / times
		sigma := math.Sqrt((squares/times - mean*mean) / times)
		if math.Abs(mean-c.outlasts*c.cut) > 4*sigma {
			t.Errorf("%+v: the mean of the estimates is %g, the standard error %g", c, mean, sigma)
		}
		t.Logf("%+v: %d of %d covered, %d below", c, covered, times, below)
	}
}

// Aim: aimed outages are worth what they cost the others. Method: which outages are drawn
// at four sites, if no host is cut in any: the bound with aim is at most 0.42 of that of as
// many at large; the more of those are within the bounds, the less there is to win.
func TestAimPays(t *testing.T) {
	const n = 3000
	for _, name := range []string{"rig.hcl", "first.hcl", "loft.hcl", "barn.hcl"} {
		j, dice := newJudge(t, readPolicy(t, name))
		var o Outage
		var y Tally
		large := 0
		for place := range n {
			seed := uint64(1 + place)
			if dice.Draw(seed, &o); Beyond(j.Tried(&o)) == 0 {
				large++
			}
			if _, aimed := dice.Sample(place, seed, j, &o); Beyond(j.Tried(&o)) == 0 {
				y.Add(j.Kind(&o), aimed, false)
			}
		}
		_, plain := Chance(0, large)
		_, high := y.Bound()
		t.Logf("%s: of %d outages none cut: at most %.4f %%, without aim %.4f %%: %.2f of it", name, n, 100*high, 100*plain, high/plain)
		if high > 0.42*plain {
			t.Errorf("%s: with aim a host is cut in at most %g, without in %g", name, high, plain)
		}
	}
}

// BenchmarkStrata measures what sorting outages would save: the variance of the chance of a
// host cut, for as many replays, as a part of that of plain draws. Sorted by how long the
// input is away, each length by its share (stratified); by the kind of outage, of which a failing output is one; and by
// an output that fails and by whether battery, host and length are bad together (weak, or not full; hung,
// or lost; outlasting), each as often as serves best (Neyman 1934), which is the most that
// importance sampling of these could save.
func BenchmarkStrata(b *testing.B) {
	p := readPolicy(b, "rig.hcl")
	j, dice := newJudge(b, p)
	r := newRunner(b, p)
	const n = 6000
	var o Outage
	var run Run
	for range b.N {
		var all, lengths, fails, rare strata
		for seed := uint64(1); seed <= n; seed++ {
			dice.Draw(seed, &o)
			faults, kind := j.Tried(&o), j.Kind(&o)
			r.Run(o.Truth(seed), &run)
			bad := 0
			for _, is := range [...]bool{faults.Has(WeakBattery) || faults.Has(PartCharged), faults.Has(HungHost) || faults.Has(LostHost) || faults.Has(FrozenHost), kind == Outlasts} {
				if is {
					bad++
				}
			}
			away := o.Moments[len(o.Moments)-1].At
			all.add(0, run.Cut > 0)
			lengths.add(int(max(0, math.Log2(away.Minutes()+1))), run.Cut > 0)
			fails.add(int(kind), run.Cut > 0)
			if kind == OutputFailed {
				bad = 4
			}
			rare.add(bad, run.Cut > 0)
		}
		plain := all.byShare()
		b.ReportMetric(lengths.byShare()/plain, "lengths")
		b.ReportMetric(fails.byShare()/plain, "kinds")
		b.ReportMetric(fails.atBest()/plain, "kinds-at-best")
		b.ReportMetric(rare.byShare()/plain, "rare-by-share")
		b.ReportMetric(rare.aThird()/plain, "rare-third-at-best")
		b.ReportMetric(rare.atBest()/plain, "rare-at-best")
	}
}

// strata counts outages and those with a host cut, by stratum.
type strata [20]struct{ n, cut float64 }

func (s *strata) add(i int, cut bool) {
	if s[i].n++; cut {
		s[i].cut++
	}
}

// byShare is the variance of one draw with each stratum by its share.
func (s *strata) byShare() (v float64) {
	all := 0.0
	for _, x := range s {
		if x.n > 0 {
			v, all = v+x.cut*(1-x.cut/x.n), all+x.n
		}
	}
	return v / all
}

// atBest is that with the shares that make it least.
func (s *strata) atBest() float64 {
	root, all := 0.0, 0.0
	for _, x := range s {
		if x.n > 0 {
			root, all = root+math.Sqrt(x.cut*(x.n-x.cut)), all+x.n
		}
	}
	return root * root / all / all
}

// aThird is that where two thirds are drawn at large, and one as serves best.
func (s *strata) aThird() (v float64) {
	root, all := 0.0, 0.0
	for _, x := range s {
		if x.n > 0 {
			root, all = root+math.Sqrt(x.cut*(x.n-x.cut)), all+x.n
		}
	}
	for _, x := range s {
		if is := x.cut * (x.n - x.cut); is > 0 {
			v += is / (2*x.n/all/3 + math.Sqrt(is)/root/3)
		}
	}
	return v / all / all
}
