package history

import (
	"context"
	"fmt"
	"slices"
	"time"
)

// counted is how many of a host's last stops and draws are weighed: what it was
// long ago, with other disks in it, says little.
const counted = 50

// Stopping is what to plan for the stop of a host.
type Stopping struct {
	Stops int // measured ones that it rests on
	Most  time.Duration
	Plan  time.Duration // in whole seconds, rounded up
	Basis string
}

// StoppingTime gives the time in which a host's next stop ends with a chance of
// 95 %, from the last 50 measured ones and the policy's figure.
//
// With 19 or more it is the smallest of those measured that the next one stays
// within with that chance, if all are alike: of n in order the k-th holds with
// k/(n+1), whatever their distribution (order statistics; from memory). With 19
// that is the longest, and with fewer even the longest holds less often: then it
// is the longer of the longest and the policy's. A stop that was forced or given
// up counts as if it had ended then, which is too short: so the longest of those
// bounds it from below.
func (r *Reader) StoppingTime(ctx context.Context, host string, policy time.Duration) (Stopping, error) {
	list, err := r.Stops(ctx, host, counted)
	if err != nil {
		return Stopping{}, err
	}
	return stoppingTime(list, policy), nil
}

func stoppingTime(list []Stop, policy time.Duration) Stopping {
	const enough = 19 // the least n for which n/(n+1) is 95 %
	n := len(list)
	if n == 0 {
		return Stopping{Plan: wholeUp(policy), Basis: "the policy; no stop was measured yet"}
	}
	slices.SortFunc(list, func(a, b Stop) int { return int(a.Took - b.Took) })
	s := Stopping{Stops: n, Most: list[n-1].Took}
	if n < enough {
		s.Plan = wholeUp(max(s.Most, policy))
		s.Basis = fmt.Sprintf("the longer of the policy's and the longest of %d measured", n)
		return s
	}
	k := (95*(n+1) + 99) / 100
	s.Plan = list[k-1].Took
	for _, stop := range list {
		if stop.Ended != Clean {
			s.Plan = max(s.Plan, stop.Took)
		}
	}
	s.Plan = wholeUp(s.Plan)
	s.Basis = fmt.Sprintf("95 %% quantile of %d measured", n)
	return s
}

func wholeUp(d time.Duration) time.Duration {
	return (d + time.Second - 1).Truncate(time.Second)
}

// DrawSum is what a host was seen to draw on one feed.
type DrawSum struct {
	UPS                              string
	Draws                            int
	LowWatts, MedianWatts, HighWatts int64 // quartiles, outward; the median upward
	Quality                          Quality
}

// DrawSums gives a host's draw on each feed, by UPS, from the last 50 measured:
// from the clear ones alone if there are any.
func (r *Reader) DrawSums(ctx context.Context, host string) ([]DrawSum, error) {
	list, err := r.Draws(ctx, host, counted)
	if err != nil {
		return nil, err
	}
	return drawSums(list), nil
}

func drawSums(list []Draw) []DrawSum {
	var sums []DrawSum
	slices.SortFunc(list, func(a, b Draw) int { return int(a.Watts - b.Watts) })
	for _, quality := range []Quality{Clear, Shared} {
		watts := map[string][]int64{}
		for _, d := range list {
			if d.Quality == quality {
				watts[d.UPS] = append(watts[d.UPS], d.Watts)
			}
		}
		for ups, w := range watts {
			if slices.ContainsFunc(sums, func(s DrawSum) bool { return s.UPS == ups }) {
				continue
			}
			n := len(w)
			sums = append(sums, DrawSum{ups, n, w[(n-1)/4], w[n/2], w[n-1-(n-1)/4], quality})
		}
	}
	slices.SortFunc(sums, func(a, b DrawSum) int {
		if a.UPS < b.UPS {
			return -1
		}
		return 1
	})
	return sums
}

// Score is how well predictions did. Coverage is taken over those whose end was
// measured; the others would flatter it, for a battery that outlasts the outage
// shows only when a prediction was too low.
type Score struct {
	Measured       int   // predictions whose end was measured
	MedianPermille int64 // of measured over likely: above 1000 it lasted longer; 0 without any
	LowHeld        int   // of Measured: it lasted at least as long as the low prediction
	Inside         int   // of Measured: and no longer than the high one
	AtLeast        int   // predictions of which only a lower bound is known
	PastHigh       int   // of AtLeast: the bound is beyond the high prediction already
	Open           int   // nothing is known yet
}

// Score sums up the last thousand predictions for a UPS by one maker.
func (r *Reader) Score(ctx context.Context, ups string, by Maker) (Score, error) {
	list, err := r.Predictions(ctx, ups, 1000)
	if err != nil {
		return Score{}, err
	}
	return score(list, by), nil
}

func score(list []Scored, by Maker) Score {
	var s Score
	var ratios []int64
	for _, p := range list {
		switch {
		case p.By != by:
		case !p.Known:
			s.Open++
		case p.AtLeast:
			s.AtLeast++
			if p.Lasted > p.High {
				s.PastHigh++
			}
		default:
			s.Measured++
			if p.Likely > 0 {
				ratios = append(ratios, int64(1000*p.Lasted.Seconds()/p.Likely.Seconds()))
			}
			if p.Lasted >= p.Low {
				s.LowHeld++
				if p.Lasted <= p.High {
					s.Inside++
				}
			}
		}
	}
	if n := len(ratios); n > 0 {
		slices.Sort(ratios)
		s.MedianPermille = (ratios[(n-1)/2] + ratios[n/2]) / 2
	}
	return s
}
