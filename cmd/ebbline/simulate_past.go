package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbline/agent/history"
	"ebbline/policy"
	"ebbline/simulate"
)

// mostPast is how many of the outages that the agent has seen are replayed.
const mostPast = 1000

// past gives the outages that the history holds of this site, as they came and
// went at the UPSs that the policy knows. Nothing else of those nights is in them.
func (c *call) past(ctx context.Context, p *policy.Policy, named string) ([]*simulate.Outage, error) {
	from, path, err := c.openHistory(ctx, named)
	if err != nil {
		return nil, err
	}
	if from == nil {
		return nil, errors.New("--past replays outages of the history, and there is none. Name it with --history FILE")
	}
	defer from.Close()
	list, err := from.Outages(ctx, mostPast)
	if err != nil {
		return nil, err
	}
	var outages []*simulate.Outage
	for i := range list {
		o := &list[i]
		text := pastText(p, o)
		if o.Site != p.Site.Name || text == "" {
			continue
		}
		read, errs := simulate.Parse(p, fmt.Sprintf("outage %d of %s", o.Number, o.Began.UTC.Format("2006-01-02 15:04")), []byte(text))
		if len(errs) > 0 {
			return nil, errors.Join(errs...)
		}
		outages = append(outages, read)
	}
	if len(outages) == 0 {
		return nil, fmt.Errorf("%s holds no outage of site %q that has ended", path, p.Site.Name)
	}
	return outages, nil
}

// pastText writes an outage that has ended as the lines of an outage file; ""
// for one that is still on or touched no UPS of the policy.
func pastText(p *policy.Policy, o *history.Outage) string {
	type line struct {
		at   time.Duration
		text string
	}
	var lines []line
	for _, in := range o.Inputs {
		if in.Back.At == 0 {
			return ""
		}
		if !slices.ContainsFunc(p.UPSs, func(u policy.UPS) bool { return u.Name == in.UPS }) {
			continue
		}
		lines = append(lines,
			line{in.Lost.At.Sub(o.Began.At), "input lost " + in.UPS},
			line{in.Back.At.Sub(o.Began.At), "input back " + in.UPS})
	}
	slices.SortStableFunc(lines, func(a, b line) int { return cmp.Compare(a.at, b.at) })
	var text strings.Builder
	for _, l := range lines {
		fmt.Fprintf(&text, "at %s %s\n", max(0, l.at-max(0, lines[0].at)), l.text)
	}
	return text.String()
}
