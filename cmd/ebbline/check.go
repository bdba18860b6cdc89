package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/hashicorp/hcl/v2"

	"ebbline/agent/action/ssh"
	"ebbline/agent/source/snmp"
	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/shutdown"
)

var checkCommand = command{
	name:  "check",
	about: "says all that is wrong with a policy, and what is risky",
	usage: "[POLICY] [--rights] [--history FILE] [--json]",
	takes: []string{"POLICY"},
	help: `Reads the policy and reports everything that is wrong with it in one run, each
on its line, with what to write instead; then what is risky: a plan that does
not fit, a promised time that cannot be kept, a load over a UPS's rating or a
circuit's limit, a secret that cannot be read, a host whose key known_hosts does
not have, a host or battery that was measured to be otherwise.

With --rights it prints, for each machine to which the agent logs in, the lines
for authorized_keys and for sudoers that suffice, and no more: by the first its
key runs the policy's commands, by the second it is asked whether it might. The
user is yours to make (useradd -m ebbline), without a ForceCommand in
sshd_config, which would stand in for both.

Exit code 78 says that the policy has errors; warnings alone give 0.`,
	set: setCheck,
}

func setCheck(c *call) action {
	pf := c.policyFlags()
	rights := c.flags.Bool("rights", false, "print the least rights that each host must give")
	past := c.historyFlag()
	return func(ctx context.Context) int {
		c.onlyReads(c.historyFiles(*past), nil)
		p, index, diags, err := c.read(pf, true)
		if errors.Is(err, errUsage) {
			return exitUsage
		}
		if err != nil {
			return c.unreadable(err)
		}
		found := &measured{}
		if p != nil {
			q, m, err := c.learned(ctx, p, *past)
			if err != nil {
				return c.fail("%v", err)
			}
			found = m
			diags = append(append(diags, fitting(q, index)...), m.diagnostics(index)...)
			diags = append(append(diags, mistaken(p, index, today())...), c.unreached(p, index, pf)...)
			diags = append(diags, c.shortKeys(p, index, pf)...)
		}
		var least []rightsView
		if *rights && p != nil {
			least = c.rights(p, pf)
		}
		if c.json {
			v := map[string]any{"diagnostics": load.JSON(diags)}
			if list := found.view(); list != nil {
				v["measured"] = list
			}
			if least != nil {
				v["rights"] = least
			}
			printJSON(c.Out, v)
		} else {
			_, color := terminal(c.Out)
			load.Write(c.Out, diags, color && c.Env("NO_COLOR") == "")
			c.sum(p, diags)
			found.calm().show(c.Out, 80)
			showRights(c.Out, least)
		}
		if p == nil || slices.ContainsFunc(diags, func(d *hcl.Diagnostic) bool { return d.Severity == hcl.DiagError }) {
			return exitRefused
		}
		if slices.ContainsFunc(least, func(v rightsView) bool { return v.Error != "" }) {
			return exitFailed
		}
		return exitDone
	}
}

// sum closes the report with a line that says how it stands.
func (c *call) sum(p *policy.Policy, diags hcl.Diagnostics) {
	errs, warnings := 0, 0
	for _, d := range diags {
		if d.Severity == hcl.DiagError {
			errs++
		} else {
			warnings++
		}
	}
	if len(diags) > 0 {
		fmt.Fprintln(c.Out)
	}
	switch {
	case p == nil:
		fmt.Fprintf(c.Out, "%s, %s: the policy is refused\n", count(errs, "error"), count(warnings, "warning"))
	case errs > 0:
		fmt.Fprintf(c.Out, "%s, %s: the agent would take this policy, but not as it is meant\n", count(errs, "error"), count(warnings, "warning"))
	default:
		fmt.Fprintf(c.Out, "%s: %s, %s, %s; no errors, %s\n", p.Site.Name, count(len(p.UPSs), "UPS"), count(len(p.Hosts), "host"), count(len(p.Loads), "load"), count(warnings, "warning"))
	}
}

// count writes "1 host", "2 hosts", "no hosts".
func count(n int, what string) string {
	switch {
	case n == 1:
		return "1 " + what
	case what == "UPS":
		return fmt.Sprintf("%d UPSs", n)
	case n == 0:
		return "no " + what + "s"
	}
	if strings.HasSuffix(what, "ch") {
		what += "e"
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// fitting says what the plan for this policy is short of.
func fitting(p *policy.Policy, index *load.Index) hcl.Diagnostics {
	s, err := ifInputFailed(p, nil, nil, nil)
	if err != nil {
		return nil
	}
	v := planOf(s)
	var diags hcl.Diagnostics
	warn := func(kind, name, attribute, summary, detail string) {
		d := &hcl.Diagnostic{Severity: hcl.DiagWarning, Summary: summary, Detail: detail}
		if at, ok := index.At(kind, name, attribute); ok {
			d.Subject = &at
		}
		diags = append(diags, d)
	}
	for i := range v.UPSs {
		u := &v.UPSs[i]
		if v.Fits || u.InHandSeconds == nil || *u.InHandSeconds >= 0 {
			continue
		}
		short := time.Duration(-*u.InHandSeconds) * time.Second
		detail := fmt.Sprintf("With every allowance used up, the last host on UPS %q is off %s later than its battery's low projection less the reserve allows. ", u.Name, shutdown.Spell(short))
		if v.FitsExpected {
			detail += "At the expected stopping times the plan fits. Shorten gives_up where a host never takes so long, or loosen depends_on; `ebbline plan` shows the order and the times."
		} else {
			detail += "Even at the expected stopping times it does not fit. Shed load, shorten the chain of dependencies, or fit a bigger battery; `ebbline plan` shows the order and the times."
		}
		warn("ups", u.Name, "battery", "The plan does not fit", detail)
	}
	for i := range v.UPSs {
		if u := &v.UPSs[i]; u.Gain != nil && u.Gain.Chart > 0 {
			warn("ups", u.Name, "battery", "Battery not measured",
				fmt.Sprintf("The forecast of UPS %q rests on %s. At %d W: %s.", u.Name, u.Basis, u.LoadWatts, u.Gain.words()))
		}
	}
	for _, h := range v.Hosts {
		if h.PromiseKept || h.PromisedSeconds == 0 {
			continue
		}
		promised, kept := time.Duration(h.PromisedSeconds)*time.Second, time.Duration(h.StopSeconds)*time.Second
		warn("host", h.Name, "keep_for", "A promised time cannot be kept",
			fmt.Sprintf("Host %q is promised %s on battery and must be asked to stop after %s. Promise less, give it a higher priority, or let others go earlier; `ebbline plan` shows for whom its time goes.",
				h.Name, shutdown.Spell(promised), shutdown.Spell(kept)))
	}
	if v.Fits && v.NoReturnSeconds < v.RideThroughSeconds {
		warn("site", p.Site.Name, "ride_through", "The battery cannot carry the ride-through",
			fmt.Sprintf("With nothing started, a safe plan exists only for %s after the loss of input, less than ride_through. Some hosts will be stopped before it is over. Shorten it, or fit a bigger battery.",
				shutdown.Spell(time.Duration(v.NoReturnSeconds)*time.Second)))
	}
	for k := range p.Hosts {
		if h := &p.Hosts[k]; h.Self {
			for _, f := range h.FedBy {
				if u := &p.UPSs[f]; u.Output == nil {
					warn("ups", u.Name, "", "Nothing starts the agent's host again",
						fmt.Sprintf("The agent runs on %q, and UPS %q, which feeds it, has no output block. When the agent has stopped its own host and the input returns before the battery is flat, the power never goes off and on, and nothing starts it. Add an output block with cut_after = \"3m\" and return_after = \"1m\" to that UPS and set the machine to start with power, or feed it elsewhere.", h.Name, u.Name))
				}
			}
		}
	}
	for _, name := range v.Fragile {
		warn("ups", name, "", "A shared host hangs on this UPS",
			fmt.Sprintf("If UPS %q gave out at the start of an outage, no plan would have every host off in time that another UPS feeds too. A bigger battery on the other UPS, or less load there, would change that.", name))
	}
	return diags
}

// mistaken says what cannot be so, though the agent could work with it: a wrong
// clock or a nameplate's watts must not keep it from running.
func mistaken(p *policy.Policy, index *load.Index, today int64) (diags hcl.Diagnostics) {
	wrong := func(ups, attribute, summary, format string, args ...any) {
		d := &hcl.Diagnostic{Severity: hcl.DiagError, Summary: summary, Detail: fmt.Sprintf(format, args...)}
		if at, ok := index.At("ups", ups, attribute); ok {
			d.Subject = &at
		}
		diags = append(diags, d)
	}
	for i := range p.UPSs {
		u := &p.UPSs[i]
		future := func(attribute, what string, day int64) {
			if day > today {
				wrong(u.Name, attribute, "Date in the future", "The battery of UPS %q is said to have been %s on %s, and today is %s. Correct the date, or this machine's clock.", u.Name, what, dateOf(day), dateOf(today))
			}
		}
		future("battery.installed", "installed", u.Battery.InstalledDay)
		if m := u.Battery.Model; m != nil {
			future("battery.model.fitted", "measured", m.FittedDay)
		}
		if load := policy.UsualWatts(p, i); load > u.RatedWatts {
			wrong(u.Name, "rated_watts", "Load above the rating", "All that UPS %q feeds draws %d watts, %d %% of the %d that it is rated for: it would switch off, or be on bypass. Correct the watts (what is drawn, not what is on the nameplates), or move something to another UPS.",
				u.Name, load, load*100/u.RatedWatts, u.RatedWatts)
		}
	}
	return diags
}

func dateOf(day int64) string { return time.Unix(day*86400, 0).UTC().Format(time.DateOnly) }

// unreached says which hosts would not be told to stop: nothing here tells whether
// they are the ones meant, or the key is none.
func (c *call) unreached(p *policy.Policy, index *load.Index, pf *policyFlags) (diags hcl.Diagnostics) {
	secrets := c.secrets(pf)
	hosts := map[string]int{} // by what is wrong, the place of what says so
	say := func(severity hcl.DiagnosticSeverity, host, summary string, err error) {
		said := fmt.Sprintf(" could not be told to stop: %v.", err)
		if i, ok := hosts[said]; ok { // one file, or one key, is missing for all of them
			names := strings.TrimPrefix(strings.TrimPrefix(strings.TrimSuffix(diags[i].Detail, said), "Hosts "), "Host ")
			diags[i].Detail = fmt.Sprintf("Hosts %s, %q%s", names, host, said)
			return
		}
		hosts[said] = len(diags)
		d := &hcl.Diagnostic{Severity: severity, Summary: summary, Detail: fmt.Sprintf("Host %q%s", host, said)}
		if at, ok := index.At("host", host, ""); ok {
			d.Subject = &at
		}
		diags = append(diags, d)
	}
	for k := range p.Hosts {
		h := &p.Hosts[k]
		for m := range h.Methods {
			if h.Methods[m].SSH == nil {
				continue
			}
			host := ssh.New(*h.Methods[m].SSH, h.Name, func(s policy.Secret) ([]byte, error) { return secrets.Read(string(s)) })
			if err := host.Unverified(); err != nil {
				say(hcl.DiagWarning, h.Name, "Host key unknown", err)
			}
			if err := host.NoKey(); err != nil {
				say(hcl.DiagError, h.Name, "Key cannot be used", err)
			}
		}
	}
	return diags
}

// shortKeys says which SNMP v3 keys no card can have.
func (c *call) shortKeys(p *policy.Policy, index *load.Index, pf *policyFlags) (diags hcl.Diagnostics) {
	secrets := c.secrets(pf)
	try := func(s *policy.SNMP, kind, name string) {
		_, err := snmp.NewClient(*s, snmp.Reading, func(s policy.Secret) ([]byte, error) { return secrets.Read(string(s)) })
		var short *snmp.ShortKeyError
		if !errors.As(err, &short) {
			return // a secret that cannot be read is reported elsewhere
		}
		d := &hcl.Diagnostic{Severity: hcl.DiagError, Summary: "SNMP key too short", Detail: sentence(short.Error())}
		if at, ok := index.At(kind, name, ""); ok {
			d.Subject = &at
		}
		diags = append(diags, d)
	}
	for i := range p.UPSs {
		if u := &p.UPSs[i]; u.SNMP != nil {
			try(u.SNMP, "ups", u.Name)
		}
	}
	for k := range p.Hosts {
		for m := range p.Hosts[k].Methods {
			if o := p.Hosts[k].Methods[m].Outlet; o != nil && o.SNMP != nil {
				try(o.SNMP, "host", p.Hosts[k].Name)
			}
		}
	}
	return diags
}

// account is one login by which commands are run: one user of one machine, with
// one key. sshd takes the first line of a key, so that all its commands must stand
// in it, those for the machine's guests among them.
type account struct {
	ssh      policy.SSH
	hosts    []string // whom its commands stop or start
	commands []string
}

// accounts lists the logins of a policy, with every command that the agent may
// send over them.
func accounts(p *policy.Policy) (list []*account) {
	add := func(host string, s *policy.SSH, command string) {
		at := slices.IndexFunc(list, func(a *account) bool {
			return strings.EqualFold(ssh.HostPort(a.ssh.Address), ssh.HostPort(s.Address)) && a.ssh.User == s.User && a.ssh.Key == s.Key
		})
		if at < 0 {
			at, list = len(list), append(list, &account{ssh: *s})
		}
		a := list[at]
		if !slices.Contains(a.hosts, host) {
			a.hosts = append(a.hosts, host)
		}
		if !slices.Contains(a.commands, command) {
			a.commands = append(a.commands, command)
		}
	}
	for k := range p.Hosts {
		h := &p.Hosts[k]
		for m := range h.Methods {
			if s := h.Methods[m].SSH; s != nil {
				add(h.Name, s, s.Command)
			}
		}
		if first := h.FirstSSH(); h.Prepare != nil && first != nil {
			add(h.Name, first, h.Prepare.Command)
		}
		for i := range h.Starts {
			if s := h.Starts[i].SSH; s != nil {
				add(h.Name, s, s.Command)
			}
		}
	}
	return list
}

// rightsView is what one machine must allow, in the document of `check --rights`.
type rightsView struct {
	Hosts          []string `json:"hosts"` // whom the commands stop or start
	Address        string   `json:"address"`
	User           string   `json:"user"`
	AuthorizedKeys []string `json:"authorized_keys,omitempty"` // lines
	Sudoers        string   `json:"sudoers,omitempty"`         // line
	Error          string   `json:"error,omitempty"`
}

// rights says what each machine must allow the agent, and no more.
func (c *call) rights(p *policy.Policy, pf *policyFlags) (list []rightsView) {
	secrets := c.secrets(pf)
	for _, a := range accounts(p) {
		v := rightsView{Hosts: a.hosts, Address: a.ssh.Address, User: a.ssh.User}
		host := ssh.New(a.ssh, strings.Join(a.hosts, ", "), func(s policy.Secret) ([]byte, error) { return secrets.Read(string(s)) })
		if g, err := host.Grant(a.commands...); err != nil {
			v.Error = err.Error()
		} else {
			v.AuthorizedKeys, v.Sudoers = strings.Split(g.AuthorizedKeys, "\n"), g.Sudoers
		}
		list = append(list, v)
	}
	return list
}

// showRights prints the lines as they are to be copied.
func showRights(w io.Writer, list []rightsView) {
	for _, v := range list {
		if v.Error != "" {
			fmt.Fprintf(w, "\n%s\n", v.Error)
			continue
		}
		fmt.Fprintf(w, "\nFor %s: on %s, in ~%s/.ssh/authorized_keys:\n", strings.Join(v.Hosts, ", "), v.Address, v.User)
		for _, line := range v.AuthorizedKeys {
			fmt.Fprintf(w, "  %s\n", line)
		}
		if v.Sudoers != "" {
			fmt.Fprintf(w, "and in /etc/sudoers.d/ebbline:\n  %s\n", v.Sudoers)
		}
	}
}
