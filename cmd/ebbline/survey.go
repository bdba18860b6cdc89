package main

import (
	"fmt"
	"os"
	"strings"

	"ebbline/policy"
)

var surveyCommand = command{
	name:  "survey",
	about: "the electrical side: input, circuits, losses, the right UPS",
	usage: "input | power | ups",
	under: []*command{&surveyInputCommand, &surveyPowerCommand, &surveyUPSCommand},
	help:  `Looks at the site's electricity from what was measured and what the policy says.`,
}

// caution stands under every survey.
const caution = "Advice from measured data; not an electrical inspection. Local code, the maker's\nmanual and a licensed electrician come first."

// optionalPolicy reads the policy for a command that can do without: the argument
// that is no recording, or EBBLINE_POLICY.
func (c *call) optionalPolicy(pf *policyFlags) (p *policy.Policy, recordings []string, code int) {
	var named []string
	for _, a := range c.args {
		if info, err := os.Stat(a); err == nil && info.IsDir() || strings.HasSuffix(a, ".hcl") {
			named = append(named, a)
		} else {
			recordings = append(recordings, a)
		}
	}
	if len(named) > 1 {
		c.usage("one policy at a time, not %s", strings.Join(named, " and "))
		return nil, nil, exitUsage
	}
	if len(named) == 0 && c.Env("EBBLINE_POLICY") == "" {
		return nil, recordings, exitDone
	}
	c.args = named
	p, code = c.policyOr(pf, false)
	return p, recordings, code
}

// money writes an amount a year without false digits: whole units from ten up.
func money(v float64) string {
	if v > -0.05 && v < 0.05 {
		return "0"
	}
	if v >= 10 || v <= -10 {
		return fmt.Sprintf("%.0f", v)
	}
	return fmt.Sprintf("%.1f", v)
}

// between writes a range, one figure where both ends round to the same.
func between(low, high float64) string {
	a, b := money(low), money(high)
	if a == b {
		return a
	}
	return a + " to " + b
}
