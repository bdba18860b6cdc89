package simulate

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ebbline/policy"
	"ebbline/shutdown/battery"
	"ebbline/shutdown/plan"
)

// closet is one UPS with a fitted battery that carries the watts given for about
// so long, and the hosts given, each of which may be stopped over SSH.
func closet(watts int64, lasts time.Duration, hosts ...policy.Host) *policy.Policy {
	m := battery.Model{Ohmic: 9 * 60, Diffusion: 64 * 60, Relaxation: 90 * 60}
	store := float64(watts) * m.Phi(lasts.Seconds()) / 3600 / 0.92 // the low factor of a fitted battery
	p := &policy.Policy{
		Site: policy.Site{
			Name: "closet", RideThrough: time.Minute, Reserve: time.Minute, ConfidencePermille: 950,
			Restore: policy.Restore{StableFor: 5 * time.Minute, Stagger: 10 * time.Second},
		},
		UPSs: []policy.UPS{{
			Name: "u", RatedWatts: 4 * watts, EfficiencyPermille: 850,
			Battery: policy.Battery{Chemistry: policy.VRLA, Model: &policy.Model{StoreWattHours: store, Ohmic: 9 * time.Minute, Diffusion: 64 * time.Minute, Relaxation: 90 * time.Minute, FittedDay: day}},
		}},
	}
	for _, h := range hosts {
		h.FedBy, h.RunsOn, h.StartsIn = []int{0}, -1, time.Minute
		if h.StopsIn == 0 {
			h.StopsIn = time.Minute
		}
		h.StoppingWatts = max(h.StoppingWatts, h.Watts)
		h.Methods = []policy.Method{{Kind: policy.BySSH, GivesUp: 2 * h.StopsIn, SSH: &policy.SSH{}}}
		p.Hosts = append(p.Hosts, h)
	}
	return p
}

func checked(t interface{ Fatal(...any) }, p *policy.Policy) *Scene {
	if err := p.Check(); err != nil {
		t.Fatal(err)
	}
	return &Scene{Policy: p, Day: day}
}

// drawCloset draws hosts, who depends on whom, and a battery that carries them
// for 10 to 60 minutes.
func drawCloset(t *rapid.T) *policy.Policy {
	n := rapid.IntRange(1, 6).Draw(t, "hosts")
	var hosts []policy.Host
	sum := int64(0)
	for k := range n {
		h := policy.Host{
			Name: fmt.Sprint("h", k), Priority: int64(rapid.IntRange(1, 100).Draw(t, "priority")), Watts: int64(rapid.IntRange(5, 300).Draw(t, "watts")),
			StopsIn: time.Duration(rapid.IntRange(10, 120).Draw(t, "stops")) * time.Second,
			KeepFor: time.Duration(rapid.IntRange(0, 3).Draw(t, "keep")) * 8 * time.Minute,
		}
		if k > 0 && rapid.Bool().Draw(t, "depends") {
			h.DependsOn = []int{rapid.IntRange(0, k-1).Draw(t, "on")}
		}
		sum += h.Watts
		hosts = append(hosts, h)
	}
	p := closet(sum, time.Duration(rapid.IntRange(10, 60).Draw(t, "lasts"))*time.Minute, hosts...)
	// The core rounds a load up to a hundredth of the rating and counts what it
	// adds as never shed: that alone can move a point of no return by seconds.
	// Here it has nothing to round.
	p.UPSs[0].RatedWatts = 100
	return p
}

func never() bool { return false }

// Aim: the minutes gained are those of the planner's own table. Method: on drawn
// rooms with one UPS, the gains against [plan.Planner.Marginal], with the
// planner's rounding of the load taken out of its problem; both round to
// seconds.
func TestGainsAgainstMarginal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := checked(t, drawCloset(t))
		o, ok := c.ready().IfInputFailed().Outlook()
		if !ok {
			t.Skip("nothing to plan")
		}
		problem := o.Problem
		problem.Stores[0].Base = float64(c.Policy.UPSs[0].OverheadWatts)
		for j, k := range o.Hosts {
			problem.Hosts[j].Watts = float64(c.Policy.Hosts[k].Watts)
		}
		var w plan.Planner
		all, marginal := w.Marginal(&problem, nil)
		if got := c.Answer().UPSs[0].Runtime.Low; !within(got, all) {
			t.Errorf("all up for %v, by the planner %v", got, all)
		}
		for _, g := range c.Gains() {
			m := marginal[slices.Index(o.Hosts, int32(g.Host))]
			var also []int
			for _, j := range m.Also {
				also = append(also, int(o.Hosts[j]))
			}
			slices.Sort(also)
			if !slices.Equal(also, g.With) {
				t.Errorf("with host %d go %v, by the planner %v", g.Host, g.With, also)
			}
			if m.Runtime == plan.Forever {
				if g.More[0].Low != Endless && g.More[0].Low < 6*24*time.Hour { // the planner's for ever is a week
					t.Errorf("host %d gives %v, by the planner for ever", g.Host, g.More[0].Low)
				}
			} else if !within(g.More[0].Low, m.Runtime) {
				t.Errorf("host %d gives %v, by the planner %v", g.Host, g.More[0].Low, m.Runtime)
			}
		}
	})
}

// within is what two roundings down to a second may make.
func within(a, b time.Duration) bool { return math.Abs((a - b).Seconds()) <= 1 }

// Aim: the minutes gained are those that come of discharging the battery, on
// each of two UPSs and with hosts fed by both. Method: a plain discharge by
// seconds of each battery of the corpus's barn, with and without each host and
// what depends on it, found from the policy here again.
func TestGainsAgainstDischarge(t *testing.T) {
	p := readPolicy(t, "barn.hcl")
	c := &Scene{Policy: p, Day: day}
	discharge := func(ups int, off []int) time.Duration {
		b, err := battery.New(&p.UPSs[ups], day)
		if err != nil {
			t.Fatal(err)
		}
		watts := b.OwnAt(p.Site.ConfidencePermille)
		for k := range p.Hosts {
			if h := &p.Hosts[k]; slices.Contains(h.FedBy, ups) && !slices.Contains(off, k) {
				watts += float64(h.Watts) / float64(len(h.FedBy))
			}
		}
		for i := range p.Loads {
			if l := &p.Loads[i]; slices.Contains(l.FedBy, ups) {
				watts += float64(l.Watts) / float64(len(l.FedBy))
			}
		}
		m := b.Scaled(b.LowAt(p.Site.ConfidencePermille))
		charge, left := battery.Charge{}, 0
		for ; m.Left(charge, watts) > 0; left++ {
			charge = m.Advance(charge, watts, 1)
		}
		return time.Duration(left-1) * time.Second
	}
	needs := map[string][]string{"vault": {"mail", "press", "wiki"}, "press": {"mail", "wiki"}, "mail": {"wiki"}}
	gains := c.Gains()
	if len(gains) != len(p.Hosts)-1 {
		t.Errorf("%d gains of %d hosts, of which one is the agent's own", len(gains), len(p.Hosts))
	}
	for _, g := range gains {
		off := []int{g.Host}
		for k := range p.Hosts {
			if slices.Contains(needs[p.Hosts[g.Host].Name], p.Hosts[k].Name) {
				off = append(off, k)
			}
		}
		if !slices.Equal(off[1:], g.With) {
			t.Errorf("with %s go %v, not %v", p.Hosts[g.Host].Name, g.With, off[1:])
		}
		for i := range p.UPSs {
			if want := discharge(i, off) - discharge(i, nil); g.More[i].Low != want {
				t.Errorf("%s off gives UPS %s %v, not %v", p.Hosts[g.Host].Name, p.UPSs[i].Name, g.More[i].Low, want)
			}
		}
	}
}

// Aim: shedding never shortens. Method: on drawn rooms every gain, at each
// projection, is none or more, and that of a host is no less than that of one
// that depends on it.
func TestSheddingNeverShortens(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := checked(t, drawCloset(t))
		gains := c.Gains()
		less := func(a, b time.Duration) bool {
			return b == Endless && a != Endless || b != Endless && a != Endless && a < b
		}
		for _, g := range gains {
			m := g.More[0]
			if less(m.Low, 0) || less(m.Likely, 0) || less(m.High, 0) {
				t.Errorf("host %d off gives %v", g.Host, m)
			}
			for _, w := range gains {
				if slices.Contains(g.With, w.Host) && less(m.Low, w.More[0].Low) {
					t.Errorf("host %d off gives %v, host %d, which goes with it, alone %v", g.Host, m.Low, w.Host, w.More[0].Low)
				}
			}
		}
	})
}

// Aim: nothing that is added makes the point of no return later, and nothing
// that is taken from a battery does. Method: drawn rooms with a drawn host more,
// with less of the battery, with an older one.
func TestWorseIsNeverLater(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := checked(t, drawCloset(t))
		before := c.Answer()
		was, _ := before.Limits()
		compare := func(what string, then *Scene) {
			after := then.Answer()
			if now, _ := after.Limits(); now > was {
				t.Errorf("%s: the point of no return moves from %v to %v", what, was, now)
			}
			if after.Fits && !before.Fits {
				t.Errorf("%s: a plan fits that did not", what)
			}
		}
		h := &NewHost{
			Name: "new", Watts: int64(rapid.IntRange(1, 300).Draw(t, "new watts")), FedBy: []int{0}, Priority: int64(rapid.IntRange(1, 100).Draw(t, "new priority")),
			StopsIn: time.Duration(rapid.IntRange(10, 300).Draw(t, "new stops")) * time.Second,
		}
		if rapid.Bool().Draw(t, "new depends") {
			h.DependsOn = []int{rapid.IntRange(0, len(c.Policy.Hosts)-1).Draw(t, "new on")}
		}
		p, err := Adding(c.Policy, h)
		if err != nil {
			t.Fatal(err)
		}
		compare("a host more", c.with(p))
		compare("less battery", c.Scaled(Scale{0, rapid.Float64Range(0.2, 1).Draw(t, "part"), 1}))
		older, err := Older(c.Policy, 0, int64(rapid.IntRange(1, 4000).Draw(t, "days")))
		if err != nil {
			t.Fatal(err)
		}
		compare("an older battery", c.with(older))
	})
}

// Aim: a host is added where it belongs and changes no other's relations.
// Method: the barn with a host whose name falls in the middle: every host still
// depends on, and runs on, hosts of the same names.
func TestAdding(t *testing.T) {
	p := readPolicy(t, "barn.hcl")
	relations := func(p *policy.Policy, name string) (list []string) {
		for k := range p.Hosts {
			if h := &p.Hosts[k]; h.Name == name {
				for _, on := range h.DependsOn {
					list = append(list, p.Hosts[on].Name)
				}
				if h.RunsOn >= 0 {
					list = append(list, "on "+p.Hosts[h.RunsOn].Name)
				}
			}
		}
		return list
	}
	vault := slices.IndexFunc(p.Hosts, func(h policy.Host) bool { return h.Name == "vault" })
	q, err := Adding(p, &NewHost{Name: "nas", Watts: 45, FedBy: []int{0}, Priority: 30, StopsIn: 2 * time.Minute, DependsOn: []int{vault}})
	if err != nil {
		t.Fatal(err)
	}
	for k := range p.Hosts {
		if name := p.Hosts[k].Name; !slices.Equal(relations(p, name), relations(q, name)) {
			t.Errorf("%s needs %v, and then %v", name, relations(p, name), relations(q, name))
		}
	}
	if got := relations(q, "nas"); !slices.Equal(got, []string{"vault"}) {
		t.Errorf("the new host needs %v", got)
	}
	if len(q.Hosts) != len(p.Hosts)+1 {
		t.Errorf("%d hosts became %d", len(p.Hosts), len(q.Hosts))
	}
	for _, taken := range []string{"vault", "radio"} {
		if _, err := Adding(p, &NewHost{Name: taken, Watts: 1, FedBy: []int{0}, Priority: 1, StopsIn: time.Minute}); err == nil {
			t.Errorf("a second %q was added", taken)
		}
	}
}

// Aim: the longest promise is one that can be made and no longer one can.
// Method: on drawn rooms the promise is written into the policy: it is kept and
// so is every other that was; a minute and a hundredth more is not. (Between the
// two the grid of the planner decides, which may break another promise by a few
// seconds and keep it again a minute further on.)
func TestLongestPromise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := checked(t, drawCloset(t))
		now := c.Answer()
		if !now.Fits {
			t.Skip("no plan fits: nothing can be promised")
		}
		k := rapid.IntRange(0, len(c.Policy.Hosts)-1).Draw(t, "host")
		longest := c.Promises(now).Of(k).Longest
		if longest > 4*time.Hour {
			t.Skip("the planner's steps are coarse where a small host goes on for most of a day")
		}
		if a := c.promising(k, longest); !a.Stays[k].Kept || !keepsAll(now, a, k) {
			t.Errorf("host %d is promised %v and has %v", k, longest, a.Stays[k].Up)
		}
		if a := c.promising(k, longest+longest/100+time.Minute); a.Stays[k].Kept && keepsAll(now, a, k) {
			t.Errorf("host %d could be promised more than %v", k, longest)
		}
	})
}

// Aim: the room on a UPS ends where a promise breaks, and that promise is named.
// Method: a room with two promises, of which that of the lower priority must
// break first: a load of so many watts more leaves it, one watt more does not.
func TestRoom(t *testing.T) {
	c := checked(t, closet(300, 20*time.Minute,
		policy.Host{Name: "hall", Priority: 20, Watts: 200},
		policy.Host{Name: "lamp", Priority: 90, Watts: 50, KeepFor: 30 * time.Minute},
		policy.Host{Name: "safe", Priority: 50, Watts: 50, KeepFor: 5 * time.Minute},
	))
	now := c.Answer()
	r := c.Room(now, 0)
	if r.KeepWatts <= 0 || r.KeepWatts >= r.FitWatts {
		t.Fatalf("the room is %+v", r)
	}
	if r.First < 0 || c.Policy.Hosts[r.First].Name != "safe" {
		t.Errorf("the first promise to break is of host %d", r.First)
	}
	for _, x := range []struct {
		watts     int64
		keeps, ok bool
	}{{r.KeepWatts, true, true}, {r.KeepWatts + 1, false, true}, {r.FitWatts, false, true}, {r.FitWatts + 1, false, false}} {
		p := *c.Policy
		p.Loads = []policy.Load{{Name: "fan", FedBy: []int{0}, Watts: x.watts}}
		a := checked(t, &p).Answer()
		if a.Fits != x.ok || (len(Broken(now, a)) == 0) != x.keeps {
			t.Errorf("%d W more: fits %v, broken %v", x.watts, a.Fits, Broken(now, a))
		}
	}
	for _, x := range []struct {
		percent int64
		keeps   bool
	}{{r.KeepPercent, true}, {r.KeepPercent - 1, false}} {
		a := c.Scaled(Scale{0, float64(x.percent) / 100, 1}).Answer()
		if (len(Broken(now, a)) == 0) != x.keeps {
			t.Errorf("%d %% of the battery: broken %v", x.percent, Broken(now, a))
		}
	}
}

// permutations calls do with every order of n things.
func permutations(n int, do func([]int)) {
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	var from func(k int)
	from = func(k int) {
		if k == n {
			do(order)
			return
		}
		for i := k; i < n; i++ {
			order[k], order[i] = order[i], order[k]
			from(k + 1)
			order[k], order[i] = order[i], order[k]
		}
	}
	from(0)
}

// Aim: the better order of a badly ordered policy is found. Method: rooms
// ordered badly on purpose: a glutton above all others whose promise breaks
// theirs, and hosts ranked by their draw. What every permutation of the
// priorities would bring is worked out; the order that is found keeps as many
// promises as the best of them, and of those that break none and lose little it
// gains nearly as much as the best.
func TestBadOrders(t *testing.T) {
	for name, p := range map[string]*policy.Policy{
		"a glutton": closet(450, 16*time.Minute,
			policy.Host{Name: "ant", Priority: 10, Watts: 20, KeepFor: 25 * time.Minute},
			policy.Host{Name: "bee", Priority: 20, Watts: 20, KeepFor: 25 * time.Minute},
			policy.Host{Name: "cat", Priority: 30, Watts: 30, KeepFor: 25 * time.Minute},
			policy.Host{Name: "elk", Priority: 90, Watts: 380, KeepFor: time.Hour},
		),
		"ranked by draw": closet(450, 16*time.Minute,
			policy.Host{Name: "ant", Priority: 1, Watts: 10},
			policy.Host{Name: "bee", Priority: 2, Watts: 15},
			policy.Host{Name: "dog", Priority: 60, Watts: 125},
			policy.Host{Name: "elk", Priority: 90, Watts: 300},
		),
	} {
		c := checked(t, p)
		now := c.Answer()
		found := c.Better(now, never)
		if len(found.Steps) == 0 {
			t.Errorf("%s: no better order was found", name)
			continue
		}
		most, best := 0, time.Duration(0)
		permutations(len(p.Hosts), func(order []int) {
			q := *p
			q.Hosts = slices.Clone(p.Hosts)
			for k, i := range order {
				q.Hosts[k].Priority = p.Hosts[i].Priority
			}
			o := weigh(now, c.with(&q).Answer())
			most = max(most, o.KeptThen)
			if o.betters(now) {
				best = max(best, o.Gained-o.Forgone)
			}
		})
		if found.KeptThen < most {
			t.Errorf("%s: the order keeps %d promises, the best one %d", name, found.KeptThen, most)
		}
		if net := found.Gained - found.Forgone; found.KeptThen == found.Kept && net < best*9/10 {
			t.Errorf("%s: the order brings %v, the best one %v", name, net, best)
		}
		// What is told is what the policy with the steps taken would do.
		q := c.Policy
		for _, s := range found.Steps {
			q = taking(q, s)
		}
		again := weigh(now, c.with(q).Answer())
		if again.KeptThen != found.KeptThen || again.Gained != found.Gained || again.Forgone != found.Forgone {
			t.Errorf("%s: told %+v, done %+v", name, found, again)
		}
		if found.KeptThen == found.Kept && (found.KeptThen < now.kept() || found.Gained < worthwhile*found.Forgone) {
			t.Errorf("%s: not worth it: %v gained, %v lost", name, found.Gained, found.Forgone)
		}
	}
}

// kept counts the promises that are kept.
func (a *Answer) kept() int {
	n := 0
	for k := range a.Stays {
		if a.Scene.Policy.Hosts[k].KeepFor > 0 && a.Stays[k].Kept {
			n++
		}
	}
	return n
}

// Aim: a good order is left alone. Method: a room in which the light and
// important goes last, and every promise is kept.
func TestGoodOrderIsLeftAlone(t *testing.T) {
	c := checked(t, closet(450, 20*time.Minute,
		policy.Host{Name: "desk", Priority: 10, Watts: 300},
		policy.Host{Name: "disk", Priority: 50, Watts: 100, KeepFor: 10 * time.Minute},
		policy.Host{Name: "gate", Priority: 90, Watts: 50, KeepFor: 30 * time.Minute},
	))
	if o := c.Better(c.Answer(), never); len(o.Steps) > 0 {
		t.Errorf("found %+v: %v gained, %v lost", o.Steps, o.Gained, o.Forgone)
	}
}

// Aim: what a promise costs is told. Method: one whose cost is plain: the
// battery cannot carry both the promise and the heavy host for so long.
func TestPromiseCosts(t *testing.T) {
	c := checked(t, closet(400, 15*time.Minute,
		policy.Host{Name: "hall", Priority: 80, Watts: 300},
		policy.Host{Name: "lamp", Priority: 1, Watts: 100, KeepFor: 20 * time.Minute},
	))
	now := c.Answer()
	p := c.Promises(now).Of(1)
	if !now.Stays[1].Kept || len(p.Cost) != 1 || p.Cost[0].Host != 0 || p.Cost[0].By < time.Minute {
		t.Errorf("kept: %v, cost: %v", now.Stays[1].Kept, p.Cost)
	}
	if without := c.promising(1, 0); without.Stays[0].Up-now.Stays[0].Up != p.Cost[0].By {
		t.Errorf("the heavy host goes %v earlier, told: %v", without.Stays[0].Up-now.Stays[0].Up, p.Cost[0].By)
	}
	if p.Longest < 20*time.Minute {
		t.Errorf("the longest promise is %v, and 20 minutes are kept", p.Longest)
	}
}

// Aim: an answer has no host that is off, and hosts that moved are told by name.
// Method: the barn with its hypervisor off, guests with it.
func TestMoves(t *testing.T) {
	p := readPolicy(t, "barn.hcl")
	c := &Scene{Policy: p, Day: day}
	press := slices.IndexFunc(p.Hosts, func(h policy.Host) bool { return h.Name == "press" })
	then := *c
	then.Off = append([]int{press}, Dependents(p, press)...)
	before, after := c.Answer(), then.Answer()
	gone := map[string]bool{}
	for _, m := range Moves(before, after) {
		if !m.Before.Planned {
			t.Errorf("%s was not there before", m.Name)
		}
		if !m.Then.Planned {
			gone[m.Name] = true
		}
	}
	if len(gone) != 3 || !gone["press"] || !gone["mail"] || !gone["wiki"] {
		t.Errorf("gone are %v", gone)
	}
	for _, k := range Broken(before, after) {
		if gone[p.Hosts[k].Name] {
			t.Errorf("the promise to %s, which is off, counts as broken", p.Hosts[k].Name)
		}
	}
}

// Aim: for a room of twelve hosts whose better order is known, tune finds it.
// Method: the mill of the corpus, ranked with its two big machines on top. Known
// without any search: of all sets of its seven promises, the largest that a plan
// can keep at all, by planning with each set alone; and the order that its words
// give, what the mill needs before the big ones, which keeps more than the mill's
// own. What is found keeps as many promises as the largest set, among them all
// those of the hosts that the mill needs.
func TestMill(t *testing.T) {
	p := readPolicy(t, "mill.hcl")
	c := checked(t, p)
	now := c.Answer()
	var promised []int
	for k := range p.Hosts {
		if p.Hosts[k].KeepFor > 0 {
			promised = append(promised, k)
		}
	}
	if len(p.Hosts) != 12 || len(promised) != 7 {
		t.Fatalf("%d hosts, %d promises", len(p.Hosts), len(promised))
	}
	most := 0
	for set := range 1 << len(promised) {
		q, n := *p, 0
		q.Hosts = slices.Clone(p.Hosts)
		for i, k := range promised {
			if set>>i&1 == 0 {
				q.Hosts[k].KeepFor = 0
			} else {
				n++
			}
		}
		if n > most && c.with(&q).Answer().kept() == n {
			most = n
		}
	}
	big := func(k int) bool { return p.Hosts[k].Name == "render" || p.Hosts[k].Name == "kiln-model" }
	known := *p
	known.Hosts = slices.Clone(p.Hosts)
	for k := range known.Hosts {
		if big(k) {
			known.Hosts[k].Priority, known.Hosts[k].KeepFor = 1, 0
		}
	}
	better := c.with(&known).Answer()
	found := c.Better(now, never)
	if found.Cut || better.kept() <= found.Kept || better.kept() > most || found.KeptThen != most {
		t.Errorf("%d promises are kept, %d by the order found, %d by the known one; %d can be (search cut: %v)", found.Kept, found.KeptThen, better.kept(), most, found.Cut)
	}
	for _, k := range promised {
		if then := found.Then.Stays[k]; !big(k) && then.Up < p.Hosts[k].KeepFor {
			t.Errorf("%s is up for %v by the order found, promised %v", p.Hosts[k].Name, then.Up, p.Hosts[k].KeepFor)
		}
	}
}
