package agent_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ebbline/agent"
	"ebbline/policy"
	"ebbline/shutdown"
)

// noted is a source that notes when it is asked, and answers after a while that
// differs from one UPS to the other.
type noted struct {
	fakeSource
	mu *sync.Mutex
	at *[]time.Time
}

func (s noted) Poll(ctx context.Context) (shutdown.Measurement, error) {
	s.mu.Lock()
	*s.at = append(*s.at, time.Now())
	s.mu.Unlock()
	time.Sleep(time.Duration(s.ups) * time.Millisecond)
	return s.fakeSource.Poll(ctx)
}

// Aim: many UPSs are asked in few moments, whatever the time that they take to
// answer, and none of them later than the policy says after its last poll; a poll
// out of its turn, as a notification brings, changes neither. Method: 60 UPSs on
// the test's clock; the moments at which the fake sources are asked.
func TestPollsTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := smallRoom(t)
		for i := len(p.UPSs); i < 60; i++ {
			p.UPSs = append(p.UPSs, ups(fmt.Sprintf("z%02d", i), 2))
		}
		check(t, p)
		every := p.UPSs[0].PollEvery()
		var mu sync.Mutex
		asked := make([][]time.Time, len(p.UPSs))
		l := newLab(t, p)
		l.config.Wire = func(p *policy.Policy) (*agent.Parts, error) {
			parts, err := l.life.wire(p)
			for i := range parts.Sources {
				parts.Sources[i] = noted{fakeSource{l.life, i}, &mu, &asked[i]}
			}
			return parts, err
		}
		l.start()
		time.Sleep(10*every + every/2)
		l.agent.Wake(p.UPSs[7].Name)
		time.Sleep(10 * every)
		l.end()
		moments := map[time.Time]int{}
		for i, at := range asked {
			if len(at) < 20 {
				t.Errorf("UPS %d is asked %d times in %v", i, len(at), 20*every)
			}
			for k := 1; k < len(at); k++ {
				if d := at[k].Sub(at[k-1]); d > every {
					t.Errorf("UPS %d is asked %v after its last poll, later than %v", i, d, every)
				}
				moments[at[k]]++
			}
		}
		// Three groups, twenty times each; the one that was woken, once more.
		if len(moments) < 60 || len(moments) > 70 {
			t.Errorf("60 UPSs are asked in %d moments", len(moments))
		}
	})
}
