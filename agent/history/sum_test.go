package history

import (
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func stopsOf(seconds ...float64) []Stop {
	var list []Stop
	for _, s := range seconds {
		list = append(list, Stop{Took: time.Duration(s * float64(time.Second)), Ended: Clean})
	}
	return list
}

// Aim: the plan's stopping time says what its comment says. Method: samples of
// each size class, with the order mixed and stops that did not end by themselves.
func TestStoppingTime(t *testing.T) {
	count := func(n int) (s []float64) {
		for i := range n {
			s = append(s, float64((i*7)%n+1)) // 1 to n; 7 divides none of the n below
		}
		return s
	}
	for _, c := range []struct {
		name   string
		list   []Stop
		policy time.Duration
		want   Stopping
	}{
		{"none", nil, 180 * time.Second, Stopping{Plan: 180 * time.Second, Basis: "the policy; no stop was measured yet"}},
		{"few, the policy's longer", stopsOf(61.2, 40), 180 * time.Second, Stopping{2, 61200 * time.Millisecond, 180 * time.Second, "the longer of the policy's and the longest of 2 measured"}},
		{"few, the policy's shorter", stopsOf(200.1, 40), 180 * time.Second, Stopping{2, 200100 * time.Millisecond, 201 * time.Second, "the longer of the policy's and the longest of 2 measured"}},
		{"eighteen", stopsOf(count(18)...), 180 * time.Second, Stopping{18, 18 * time.Second, 180 * time.Second, "the longer of the policy's and the longest of 18 measured"}},
		{"nineteen: the longest", stopsOf(count(19)...), 180 * time.Second, Stopping{19, 19 * time.Second, 19 * time.Second, "95 % quantile of 19 measured"}},
		{"thirty-nine: the second longest", stopsOf(count(39)...), 180 * time.Second, Stopping{39, 39 * time.Second, 38 * time.Second, "95 % quantile of 39 measured"}},
		{"fifty", stopsOf(count(50)...), 180 * time.Second, Stopping{50, 50 * time.Second, 49 * time.Second, "95 % quantile of 50 measured"}},
		{"fifty, the longest forced", append(stopsOf(count(50)[:49]...), Stop{Took: 300 * time.Second, Ended: Forced}), 0, Stopping{50, 300 * time.Second, 300 * time.Second, "95 % quantile of 50 measured"}},
	} {
		if got := stoppingTime(c.list, c.policy); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

// Aim: the quantile holds what it promises for the next stop. Method: 5,000
// draws of n stops and one more for each of three distributions; it is within
// the plan in 95 % of the cases, less four standard errors of the trial.
func TestStoppingTimeHolds(t *testing.T) {
	const trials, promised = 5_000, 0.95
	slack := 4 * math.Sqrt(promised*(1-promised)/trials)
	for name, draw := range map[string]func(*rand.Rand) float64{
		"uniform":     func(r *rand.Rand) float64 { return 30 + 1000*r.Float64() },
		"exponential": func(r *rand.Rand) float64 { return 30 + 100*r.ExpFloat64() },
		"lognormal":   func(r *rand.Rand) float64 { return 60 * math.Exp(r.NormFloat64()) },
	} {
		rng := rand.New(rand.NewPCG(3, 3))
		for _, n := range []int{19, 25, 39, 50} {
			held := 0
			for range trials {
				var s []float64
				for range n {
					s = append(s, draw(rng))
				}
				next := time.Duration(draw(rng) * float64(time.Second))
				if next <= stoppingTime(stopsOf(s...), 0).Plan {
					held++
				}
			}
			if share := float64(held) / trials; share < promised-slack {
				t.Errorf("%s, %d stops: the next is within the plan in %.4f of the cases", name, n, share)
			}
		}
	}
}

// Aim: no stop more makes the plan shorter than a forced or given-up one bounds
// it, nor a plan from few stops shorter than the policy's. Method: random ones.
func TestStoppingTimeNeverTooShort(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		policy := time.Duration(rapid.Int64Range(0, 600_000).Draw(t, "policy")) * time.Millisecond
		list := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Stop {
			return Stop{Took: time.Duration(rapid.Int64Range(0, 600_000).Draw(t, "took")) * time.Millisecond, Ended: Ending(rapid.IntRange(1, 3).Draw(t, "ended"))}
		}), 0, counted).Draw(t, "stops")
		got := stoppingTime(append([]Stop(nil), list...), policy)
		for _, s := range list {
			if (s.Ended != Clean || len(list) < 19) && got.Plan < s.Took {
				t.Fatalf("plan %v below a stop of %v", got.Plan, s.Took)
			}
		}
		if len(list) < 19 && got.Plan < policy || got.Plan%time.Second != 0 {
			t.Fatalf("plan %v with a policy of %v", got.Plan, policy)
		}
	})
}

// Aim: a draw is summed by feed, from clear ones if there are any. Method: two
// feeds, one of them with clear and shared draws.
func TestDrawSums(t *testing.T) {
	var list []Draw
	for _, w := range []int64{90, 85, 300, 84, 86} {
		list = append(list, Draw{Host: "vault", UPS: "rack", Watts: w, Quality: Clear}, Draw{Host: "vault", UPS: "loft", Watts: w / 2, Quality: Shared})
	}
	list = append(list, Draw{Host: "vault", UPS: "rack", Watts: 4000, Quality: Shared})
	want := []DrawSum{
		{UPS: "loft", Draws: 5, LowWatts: 42, MedianWatts: 43, HighWatts: 45, Quality: Shared},
		{UPS: "rack", Draws: 5, LowWatts: 85, MedianWatts: 86, HighWatts: 90, Quality: Clear},
	}
	if d := cmp.Diff(want, drawSums(list)); d != "" {
		t.Error(d)
	}
	if got := drawSums([]Draw{{Host: "vault", UPS: "rack", Watts: 90, Quality: Clear}}); got[0] != (DrawSum{"rack", 1, 90, 90, 90, Clear}) {
		t.Errorf("one draw: %+v", got)
	}
}

// Aim: bias and coverage come out of the file, by the program's sum and by SQL.
// Method: five predictions by hand, one of them a test's.
func TestScore(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, path, Options{})
	for i, end := range []struct {
		after    float64
		measured bool
	}{{1200, true}, {1199, true}, {1800, true}, {1701, false}} { // low 1200, likely 1500, high 1700
		from := float64(i+1) * 10_000
		must(t, s.RecordPrediction(Prediction{"rack", aForecast(from)}))
		must(t, s.RecordEnd(End{UPS: "rack", Since: at(from).At, At: at(from + end.after), Measured: end.measured}))
	}
	own := Forecast{Made: at(60_000), By: ByUPS, Basis: "its own estimate"}
	must(t, s.RecordPrediction(Prediction{"rack", own}))
	must(t, s.RecordTest(aTest(70_000))) // measured 1400
	must(t, s.Flush(t.Context()))
	r := reader(t, path)
	got, err := r.Score(t.Context(), "rack", ByModel)
	must(t, err)
	// Ratios 0.800, 0.799, 1.200 and 0.933.
	want := Score{Measured: 4, MedianPermille: (800 + 933) / 2, LowHeld: 3, Inside: 2, AtLeast: 1, PastHigh: 1}
	if got != want {
		t.Errorf("score %+v, want %+v", got, want)
	}
	if got, err := r.Score(t.Context(), "rack", ByUPS); err != nil || got != (Score{Open: 1}) {
		t.Errorf("the UPS's own: %+v, %v", got, err)
	}
	if got := shell(t, path, "SELECT count(*), sum(low_held), sum(inside) FROM predictions_scored WHERE outcome = 'measured' AND made_by = 'model'"); got != "4|3|2" {
		t.Errorf("by SQL: measured|held|inside are %s, want 4|3|2", got)
	}
}
