package plan
import ("testing";"math/rand/v2";"math";"fmt";"os";"strconv")
func genInstance(seed uint64) *instance {
	r := rand.New(rand.NewPCG(seed, 77))
	fam := []string{"basic","deps","peak","conc","all","any","peukert","lowsoc"}[r.IntN(8)]
	n := 3 + r.IntN(3)
	in := &instance{ID: fmt.Sprint(fam, "-", seed), Slot: []float64{30,60,120}[r.IntN(3)], Horizon: []int{0,0,0,16,12,9}[n], Rule: "all"}
	k := in.Horizon
	_ = k
	nb := 1
	if fam == "all" || fam == "any" { nb = 2; in.Rule = fam }
	if fam == "conc" { in.AtOnce = 1 + r.IntN(2) }
	for i := range n {
		h := machine{ID: fmt.Sprint("h", i), Up: float64(50+5*r.IntN(100)), Length: 1+r.IntN(4), Priority: 1+r.IntN(4), Value: float64(1+r.IntN(200))/10, Restart: float64(r.IntN(100)), Feeds: map[string]float64{}}
		h.Down = math.Round(h.Up*(0.5+0.5*r.Float64()))
		if fam == "peak" { h.Down = math.Round(h.Up*(1+0.7*r.Float64())) }
		if fam != "basic" && i > 0 && r.IntN(2) == 0 { j := r.IntN(i); h.needs = append(h.needs, j); h.Needs = append(h.Needs, fmt.Sprint("h", j)) }
		for u := range nb { h.parts = append(h.parts, 0); _ = u }
		switch { case nb == 1: h.parts[0] = 1
		case r.IntN(3) == 0: h.parts[r.IntN(2)] = 1
		default: h.parts[0], h.parts[1] = 0.5, 0.5 }
		in.Hosts = append(in.Hosts, h)
	}
	// size
	sum := 0.0; work := 0.0
	for i := range in.Hosts { sum += in.Hosts[i].Up; work += in.Hosts[i].Up*float64(in.Hosts[i].Length)*in.Slot/3600 }
	wh := work*1.2 + sum*in.Slot/3600*float64(in.Horizon)*(0.15+0.4*r.Float64())
	for u := range nb {
		b := well{ID: string(rune('A'+u)), Model: "kibam", C: 0.25+0.4*r.Float64(), K: 1+5*r.Float64(), Efficiency: 0.85+0.1*r.Float64(), Base: float64(10*r.IntN(5))}
		e := wh/float64(nb)*(0.7+0.6*r.Float64())/b.Efficiency
		b.Y1 = e*(0.5+0.3*r.Float64()); b.Y2 = b.Y1*(1-b.C)/b.C
		if fam == "lowsoc" { b.Y2 *= 0.6+0.4*r.Float64() }
		b.Reserve = b.Y1*0.1*r.Float64()
		if fam == "peukert" { b.Model, b.E, b.Exponent, b.Ref = "peukert", e, 1+0.3*r.Float64(), sum }
		in.Batteries = append(in.Batteries, b)
		for i := range in.Hosts { if in.Hosts[i].parts[u] > 0 { in.Hosts[i].Feeds[b.ID] = in.Hosts[i].parts[u] } }
	}
	tau := 1+20*r.Float64()
	floor := r.Float64()*0.6
	for k := range in.Horizon+1 { in.Survival = append(in.Survival, floor+(1-floor)*math.Exp(-float64(k)/tau)) }
	return in
}
func TestGen(t *testing.T) {
	N, _ := strconv.Atoi(os.Getenv("GEN"))
	sums := [2]float64{}; cnt := [2]int{}; least := [2]float64{1,1}
	pnrEq, pnrN := 0, 0
	for seed := uint64(1); seed <= uint64(N); seed++ {
		in := genInstance(seed)
		n := len(in.Hosts)
		s := make([]int, n)
		bestV := [2]float64{math.Inf(-1), math.Inf(-1)}
		pnr := -1
		var rec func(i int)
		lengths := in.lengths()
		rec = func(i int) {
			if i == n {
				ev, wu := in.expected(s), in.uptime(s)
				mn := s[0]; for _, x := range s { mn = min(mn, x) }
				if ev <= bestV[0] && wu <= bestV[1] && mn <= pnr { return }
				if in.allowed(s) { bestV[0] = max(bestV[0], ev); bestV[1] = max(bestV[1], wu); pnr = max(pnr, mn) }
				return
			}
			// host i needs j: j after i; needs index < i
			for v := in.Horizon; v >= 0; v-- {
				ok := true
				for _, j := range in.Hosts[i].needs { if s[j] < v + lengths[i] { ok = false } }
				if !ok { continue }
				s[i] = v
				rec(i+1)
			}
		}
		rec(0)
		p := in.problem()
		var w Planner
		got := inSlots(w.NoReturn(p), in.slot())
		if got > pnr { t.Error(in.ID, "pnr", got, pnr) }
		if in.simple() && got != pnr { t.Error(in.ID, "pnr", got, pnr) }
		if !in.simple() { pnrN++; if got == pnr { pnrEq++ } else { fmt.Println("  pnr", in.ID, got, pnr) } }
		if pnr < 0 { continue }
		for obj := range 2 {
			q := in.problem()
			if obj == 1 { q.Survival = []float64{1}; for i := range q.Hosts { q.Hosts[i].Restart = 0 } }
			out := Make(q)
			if !out.Fits { fmt.Println("  nofit", in.ID); sums[obj] += 0; cnt[obj]++; continue }
			st := in.slots(out)
			if !in.allowed(st) { t.Error(in.ID, "not allowed", st) }
			f := []func([]int)float64{in.expected, in.uptime}[obj]
			v, e := f(st), f(in.earliest())
			if v > bestV[obj]+1e-6 { t.Error(in.ID, "above", v, bestV[obj]) }
			share := 1.0
			if bestV[obj] > e+1e-9 { share = (v-e)/(bestV[obj]-e) }
			if share < 0.97 { fmt.Printf("  %s obj %d share %.4f\n", in.ID, obj, share) }
			sums[obj] += share; cnt[obj]++; least[obj] = min(least[obj], share)
		}
	}
	for o := range 2 { fmt.Printf("obj %d mean %.5f least %.4f of %d\n", o, sums[o]/float64(cnt[o]), least[o], cnt[o]) }
	fmt.Println("pnr equal outside M1", pnrEq, pnrN)
}
