package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"ebbline/agent/control"
	"ebbline/agent/rehearse"
	"ebbline/policy"
	"ebbline/shutdown"
)

// reallyView is the JSON document.
type reallyView struct {
	Host      string     `json:"host"`
	Asked     *time.Time `json:"asked_at"`
	Down      *float64   `json:"down_seconds"` // from asked to proven down
	Counted   float64    `json:"counted_on_seconds"`
	Allowance float64    `json:"allowance_seconds"`
	Started   *time.Time `json:"started_at"`
	Back      *float64   `json:"back_seconds"` // from told to start to seen up
	StartsIn  float64    `json:"starts_in_seconds"`
	Done      bool       `json:"done"` // it went down in its time, and is back
	Text      string     `json:"text"`
}

// realStop shows a real stop to a person.
type realStop struct {
	c    *call
	h    *policy.Host
	out  io.Writer // for people, while it goes on
	told string
}

// really does the whole of it and gives the exit code.
func (c *call) really(ctx context.Context, p *policy.Policy, parts rehearse.Parts, name, socket string, yes bool) int {
	k := slices.IndexFunc(p.Hosts, func(h policy.Host) bool { return h.Name == name })
	if k < 0 {
		c.usage("the policy has no host called %q", name)
		return exitUsage
	}
	h := &p.Hosts[k]
	r := &realStop{c: c, h: h, out: c.Out}
	if c.json {
		r.out = c.Err
	}
	stop := &rehearse.RealStop{Host: h, Client: control.NewClient(socket), Parts: parts, Tell: r.tell}
	if err := stop.Refuses(ctx); err != nil {
		return c.fail("%v. Nothing was stopped", err)
	}
	r.cautions()
	if !yes && !r.agreed(ctx) {
		return c.fail("the name of the host was not typed. Nothing was stopped")
	}
	err := stop.Run(ctx)
	v := reallyView{
		Host: name, Counted: h.StopsIn.Seconds(), Allowance: h.GivesUp().Seconds(), StartsIn: h.StartsIn.Seconds(),
		Asked: stop.Asked, Down: stop.DownSeconds, Started: stop.Started, Back: stop.BackSeconds, Done: err == nil,
	}
	if err != nil {
		v.Text = err.Error()
	} else {
		v.Text = r.verdict(*v.Down)
	}
	if c.json {
		printJSON(c.Out, v)
	}
	if err != nil {
		return c.fail("%v", err)
	}
	return exitDone
}

// cautions say what is about to happen, and what must be seen to before.
func (r *realStop) cautions() {
	var stops, starts []string
	for i := range r.h.Methods {
		if m := &r.h.Methods[i]; !m.Force {
			way := m.Kind.String()
			if m.SSH != nil {
				way += fmt.Sprintf(" (%s)", m.SSH.Command)
			}
			stops = append(stops, way)
		}
	}
	for i := range r.h.Starts {
		starts = append(starts, r.h.Starts[i].Kind.String())
	}
	width, _ := terminal(r.out)
	say := func(text string) { hang(r.out, "  - ", text, width) }
	fmt.Fprintf(r.out, "This stops %s FOR REAL, now, and starts it again.\n", r.h.Name)
	say("All that it serves ends, and work that is open on it is lost. Tell who uses it. Not with a backup, an update or a storage check running on it, not with a storm warning, never unattended.")
	say(fmt.Sprintf("It is asked by %s, and has %s; no force is used. Counted on are %s.", strings.Join(stops, ", then "), shutdown.Spell(r.h.GivesUp()), shutdown.Spell(r.h.StopsIn)))
	say(fmt.Sprintf("It is started by %s, and has %s for each try. A machine that was never started so may stay off: have a way to it by hand, a key to its room or a console.", strings.Join(starts, ", then "), shutdown.Spell(r.h.StartsIn)))
	say("Hosts that need it must be off before; the agent refuses otherwise. If the input fails meanwhile, the agent goes on by its plan, and this command starts the host when the input is back.")
}

// agreed asks for the host's name.
func (r *realStop) agreed(ctx context.Context) bool {
	fmt.Fprintf(r.out, "Type the host's name to stop it: ")
	select {
	case line := <-typed(r.c.In):
		return strings.EqualFold(line, r.h.Name)
	case <-ctx.Done():
		return false
	}
}

// verdict says what the measured time means for the plan.
func (r *realStop) verdict(downSeconds float64) string {
	text := "The agent counts on what it measures: `ebbline history stops` has this one, and `ebbline plan` says on what it rests."
	if took := time.Duration(downSeconds * float64(time.Second)); took > r.h.StopsIn {
		text = fmt.Sprintf("It took longer than was counted on (%s): write stops_in = %q for %s. The agent counts on the measured time from now on.", shutdown.Spell(r.h.StopsIn), upTo5(took), r.h.Name)
	}
	width, _ := terminal(r.out)
	for _, line := range fold(text, width) {
		fmt.Fprintln(r.out, line)
	}
	return text
}

// upTo5 rounds a time up to five seconds, as a policy writes it.
func upTo5(d time.Duration) string {
	const step = 5 * time.Second
	return shutdown.Spell((d + step - 1).Truncate(step))
}

// tell shows what goes on, once.
func (r *realStop) tell(at time.Time, what string) {
	if what != r.told {
		r.told = what
		fmt.Fprintf(r.out, "%s  %s\n", at.Local().Format(time.TimeOnly), what)
	}
}
