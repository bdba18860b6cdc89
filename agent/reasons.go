package agent

import (
	"cmp"
	"slices"
	"sync"

	"ebbline/policy"
	"ebbline/shutdown"
)

// reasons keeps why each host stops when it does, and the margins, as they were worked
// out last: that takes a replay of the plan for each question, so it is done anew when
// something changed, or it is old.
type reasons struct {
	mu     sync.Mutex
	policy *policy.Policy
	at     shutdown.Instant // when it was worked out
	plan   shutdown.Instant // of the schedule that it was worked out for
	hosts  []shutdown.HostState
	told   []reason // by host
}

// reason is what is told of one planned stop.
type reason struct {
	why    string
	margin *int64 // seconds
}

const (
	reasonsFor = 5e9 // nanoseconds: so old they are told
	// mostReasons bounds how many are worked out, times the number of hosts: those that go
	// first. A room of three hundred is told whole.
	mostReasons = 100_000
)

// of gives those of a state's schedule.
func (l *reasons) of(s *shutdown.State) []reason {
	l.mu.Lock()
	defer l.mu.Unlock()
	same := l.policy == s.Policy && l.plan == s.Schedule.At && s.Now >= l.at && s.Now-l.at < reasonsFor && len(l.hosts) == len(s.Hosts)
	for k := range s.Hosts {
		same = same && l.hosts[k] == s.Hosts[k].State
	}
	if same {
		return l.told
	}
	l.policy, l.at, l.plan, l.hosts, l.told = s.Policy, s.Now, s.Schedule.At, l.hosts[:0], make([]reason, len(s.Hosts))
	r := s.Read()
	var order []int32
	starts := make([]int64, len(s.Hosts))
	for k := range s.Hosts {
		l.hosts = append(l.hosts, s.Hosts[k].State)
		if r.Cause(int32(k)) != 0 {
			o, _ := s.StopOf(int32(k))
			order, starts[k] = append(order, int32(k)), int64(o.Asked)
		}
	}
	slices.SortStableFunc(order, func(a, b int32) int { return cmp.Compare(starts[a], starts[b]) })
	for n, k := range order {
		if n >= max(1, mostReasons/len(order)) {
			l.told[k].why = "worked out when its turn is nearer"
			continue
		}
		l.told[k].why = r.Why(k)
		if margin, ok := r.Margin(k); ok {
			l.told[k].margin = ending(margin)
		}
	}
	return l.told
}
