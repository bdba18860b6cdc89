package plan
import ("syscall";"testing";"time";"fmt";"math/rand/v2")
func vary(n int, seed uint64) *Problem {
	p := room(n)
	r := rand.New(rand.NewPCG(seed, 9))
	for i := range p.Hosts {
		h := &p.Hosts[i]
		h.Watts = float64(20 + r.IntN(400)); h.Stopping = h.Watts
		h.Priority = int64(1+r.IntN(100)); h.Stops = time.Duration(20+r.IntN(200))*time.Second
		if r.IntN(3) > 0 { h.After = nil }
		h.Restart = float64(h.Priority)*float64(r.IntN(600))
	}
	p.Elapsed = time.Duration(r.IntN(300))*time.Second
	if seed%3 == 0 { p.Survival = nil; for k := range 400 { p.Survival = append(p.Survival, 1/(1+float64(k)/50)) } }
	if seed%2 == 0 { p.Stores[0].Base *= 3 }
	p.Stores[0].Model.Store *= 0.8 + r.Float64()
	return p
}
var ref = map[string]float64{}
func TestTune(t *testing.T) {
	for _, n := range []int{8, 30, 100} {
		sum, worst, cnt := 0.0, 1.0, 0.0
		var took time.Duration
		for seed := uint64(1); seed <= 12; seed++ {
			p := vary(n, seed)
			var w Planner; var out Plan
			w.Make(p, &out)
			s := cpu()
			w.Make(p, &out)
			took += cpu()-s
			if !out.Fits { continue }
			v := float64(w.total())/w.scale
			w.prepare(p); w.rank(); w.require(); w.survive(); w.appraise(); w.settle(); w.promise(1<<40, w.floor); w.promise(1<<40, w.held)
			e := float64(w.total())/w.scale
			key := fmt.Sprint(n, seed)
			if REF { fmt.Printf("REF %s %v\n", key, v); continue }
			share := (v-e)/(refs[key]-e)
			sum += share; worst = min(worst, share); cnt++
		}
		fmt.Printf("n %d mean %.5f worst %.5f took %v\n", n, sum/cnt, worst, took/12)
	}
}
func cpu() time.Duration { var r syscall.Rusage; syscall.Getrusage(0, &r); return time.Duration(r.Utime.Nano()) }
