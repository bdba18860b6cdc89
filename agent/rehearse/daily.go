package rehearse

import (
	"context"
	"time"

	"go.uber.org/zap"

	"ebbline/agent"
	"ebbline/agent/bounded"
	"ebbline/policy"
	"ebbline/shutdown"
)

const (
	dailyLook   = time.Minute    // after the start, and between two looks whether it is time
	dailyEvery  = 24 * time.Hour // for a policy that has not changed
	dailySooner = time.Hour      // after a round in which a host failed. Not more often: a refused password brings an account nearer to its lock
	dailyAtOnce = 2              // hosts
	calmEvery   = time.Second    // a round ends so soon after the begin of an outage
)

// Daily is the running agent's own rehearsal: it tries the ways to the hosts
// while all is well, so that a key that was changed is known before the night.
// It never works in an outage, where the hosts have other things to do.
type Daily struct {
	Parts Parts
	Log   *zap.Logger

	bad map[string]bool // hosts whose way failed when it was last tried
}

// Run lives until ctx ends.
func (d *Daily) Run(ctx context.Context, a *agent.Agent) {
	tick := time.NewTicker(dailyLook)
	defer tick.Stop()
	var of *policy.Policy // that the last round was for
	var at time.Time
	every := dailyEvery
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		p, _ := a.Calm()
		if p == nil {
			if every == dailySooner {
				at = time.Time{} // after an outage what failed may be mended, or fail otherwise
			}
			continue
		}
		if p == of && time.Since(at) < every {
			continue
		}
		failed, whole := d.Round(ctx, a)
		if !whole {
			continue // an outage came in between, or another policy
		}
		of, at, every = p, time.Now(), dailyEvery
		if failed {
			every = dailySooner
		}
	}
}

// Round tries every host that is not off, raises and clears its condition, and
// tells whether one failed, and whether it came to its end.
func (d *Daily) Round(ctx context.Context, a *agent.Agent) (failed, whole bool) {
	p, on := a.Calm()
	if p == nil {
		return false, false
	}
	calm := func() bool { now, _ := a.Calm(); return now == p }
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		tick := time.NewTicker(calmEvery)
		defer tick.Stop()
		for calm() {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
		}
		cancel()
	}()
	bad := make([]bool, len(p.Hosts))
	bounded.Each(ctx, len(p.Hosts), dailyAtOnce, func(k int) {
		h := &p.Hosts[k]
		if !on[k] { // nothing can be said of it; one that failed is tried again when it is up
			a.MarkHost(shutdown.HostUnready, h.Name, false)
			bad[k] = d.bad[h.Name]
			return
		}
		ways := d.Parts.Try(ctx, h)
		if ctx.Err() != nil || !calm() {
			return // what was cut short says nothing
		}
		for i := range ways {
			if w := &ways[i]; w.Readiness != Ready {
				bad[k] = true
				d.Log.Warn("a way to a host fails", zap.String("host", h.Name), zap.String("by", w.By), zap.String("address", w.Address),
					zap.String("verdict", string(w.Readiness)), zap.String("said", w.Text))
			}
		}
		a.MarkHost(shutdown.HostUnready, h.Name, bad[k])
	})
	if ctx.Err() != nil {
		return false, false
	}
	d.bad = map[string]bool{}
	for k, b := range bad {
		failed = failed || b
		d.bad[p.Hosts[k].Name] = b
	}
	return failed, true
}
