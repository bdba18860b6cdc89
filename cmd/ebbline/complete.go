package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"ebbline/agent"
	"ebbline/agent/action/upstest"
	"ebbline/agent/control"
	"ebbline/policy"
)

// completeWithin is how long a shell waits for what an agent or a history knows.
const (
	completeWithin = 500 * time.Millisecond
	mostCompleted  = 50 // outages
)

// offer is what a shell is told may stand somewhere. A tab stands before what is
// told of a word.
type offer func(c *call, args []string) ([]string, cobra.ShellCompDirective)

// offers are by the word in capitals that stands for an argument or for a flag's
// value. Nil: only the user knows.
var offers = map[string]offer{
	"POLICY":    endings("hcl"),
	"FILE":      files,
	"FILE.html": files,
	"CSV":       files,
	"PATH":      files,
	"FOLDER":    folders,

	"HOST": hostNames,

	"CONDITION:HOST": conditionOffers,

	"UPS":         upsNames,
	"UPS=WATTS":   upsValues,
	"UPS=PERCENT": upsValues,
	"UPS=FACTOR":  upsValues,
	"UPS=AGE":     upsValues,
	"SITE":        siteNames,
	"OUTAGE":      outageOffers,
	"WHICH":       recorded,

	"COMMAND": commandOffers,
	"SHELL":   fixed("bash", "zsh", "fish"),
	"CLASS":   fixed("VFD", "VI", "VFI"),
	"HZ":      fixed("50", "60"),
	"END":     fixed("reserve", "40%", "12m", "empty"),
	"TEST":    fixed(upstest.Names()...),
	"ROOM":    fixed(roomNames()...),
	"AUTH":    fixed("MD5", "SHA", "SHA224", "SHA256", "SHA384", "SHA512"),
	"PRIV":    fixed("DES", "AES", "AES192", "AES256"),

	"ADDRESS": nil, "NAME": nil, "SECRET": nil, "NAME=WATTS,...": nil, "N": nil, "S": nil, "K/N": nil, "DATE": nil,
	"V": nil, "W": nil, "P": nil, "WATTS": nil, "DEGREES": nil, "TIME": nil,
}

// completes gives a command what its shell is told. Names are of the policy that
// the line names, or EBBLINE_POLICY; without one, of the running agent.
func (c *call) completes(cc *cobra.Command) {
	cc.ValidArgsFunction = func(_ *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		takes := c.cmd.takes
		at := len(args)
		if len(takes) > 0 && strings.HasSuffix(takes[len(takes)-1], "…") {
			at = min(at, len(takes)-1)
		}
		switch {
		case at >= len(takes):
			return nil, cobra.ShellCompDirectiveNoFileComp
		case len(args) == 0 && len(c.cmd.under) > 0:
			return nil, cobra.ShellCompDirectiveDefault // beside the commands under it, which no list of endings may be
		}
		if takes[at] == "POLICY" && at+1 < len(takes) && c.Env("EBBLINE_POLICY") != "" {
			at++ // the policy is known, and may be left out
		}
		return offered(c, strings.TrimSuffix(takes[at], "…"), args)
	}
	c.flags.VisitAll(func(f *pflag.Flag) {
		kind, _ := pflag.UnquoteUsage(f)
		if f.Value.Type() == "bool" {
			return
		}
		err := cc.RegisterFlagCompletionFunc(f.Name, func(_ *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
			return offered(c, kind, args)
		})
		if err != nil {
			panic(err) // a flag twice
		}
	})
}

func offered(c *call, kind string, args []string) ([]string, cobra.ShellCompDirective) {
	do := offers[kind]
	if do == nil {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	return do(c, args)
}

func files(*call, []string) ([]string, cobra.ShellCompDirective) {
	return nil, cobra.ShellCompDirectiveDefault
}

func folders(*call, []string) ([]string, cobra.ShellCompDirective) {
	return nil, cobra.ShellCompDirectiveFilterDirs
}

func endings(of ...string) offer {
	return func(*call, []string) ([]string, cobra.ShellCompDirective) {
		return of, cobra.ShellCompDirectiveFilterFileExt
	}
}

func fixed(list ...string) offer {
	return func(*call, []string) ([]string, cobra.ShellCompDirective) {
		return list, cobra.ShellCompDirectiveNoFileComp
	}
}

// completedPolicy is the policy that the line names; nil without one, or when it
// has errors.
func (c *call) completedPolicy(args []string) *policy.Policy {
	quiet := *c
	quiet.Out, quiet.Err, quiet.args, quiet.Confine = io.Discard, io.Discard, nil, nil
	if i := slices.IndexFunc(args, looksLikePolicy); i >= 0 {
		quiet.args = args[i : i+1]
	}
	f := &policyFlags{site: c.Env("EBBLINE_SITE")}
	if flag := c.flags.Lookup("site"); flag != nil {
		f.site = flag.Value.String()
	}
	p, _, _, err := quiet.read(f, false)
	if err != nil {
		return nil
	}
	return p
}

// completedView is what the running agent says; nil without one.
func (c *call) completedView() *agent.View {
	socket := c.socketPath()
	if flag := c.flags.Lookup("socket"); flag != nil {
		socket = flag.Value.String()
	}
	ctx, cancel := context.WithTimeout(context.Background(), completeWithin)
	defer cancel()
	v, _, err := control.NewClient(socket).Status(ctx)
	if err != nil {
		return nil
	}
	return &v
}

// completedNames are the hosts and UPSs of the running agent; nil without one.
func (c *call) completedNames() (hosts, upss []string) {
	v := c.completedView()
	if v == nil {
		return nil, nil
	}
	for i := range v.Hosts {
		hosts = append(hosts, v.Hosts[i].Name)
	}
	for i := range v.UPSs {
		upss = append(upss, v.UPSs[i].Name)
	}
	return hosts, upss
}

func hostNames(c *call, args []string) (list []string, _ cobra.ShellCompDirective) {
	p := c.completedPolicy(args)
	if p == nil {
		list, _ = c.completedNames()
		return list, cobra.ShellCompDirectiveNoFileComp
	}
	for k := range p.Hosts {
		list = append(list, fmt.Sprintf("%s\tpriority %d", p.Hosts[k].Name, p.Hosts[k].Priority))
	}
	return list, cobra.ShellCompDirectiveNoFileComp
}

// conditionOffers are the conditions that stand, as the running agent says.
func conditionOffers(c *call, _ []string) (list []string, _ cobra.ShellCompDirective) {
	if v := c.completedView(); v != nil {
		for i := range v.Conditions {
			list = append(list, strings.TrimSuffix(v.Conditions[i].Code+":"+v.Conditions[i].Host, ":"))
		}
	}
	return list, cobra.ShellCompDirectiveNoFileComp
}

func upsNames(c *call, args []string) (list []string, _ cobra.ShellCompDirective) {
	p := c.completedPolicy(args)
	if p == nil {
		_, list = c.completedNames()
		return list, cobra.ShellCompDirectiveNoFileComp
	}
	for i := range p.UPSs {
		list = append(list, p.UPSs[i].Name)
	}
	return list, cobra.ShellCompDirectiveNoFileComp
}

// upsValues are names with the sign behind which the value stands.
func upsValues(c *call, args []string) ([]string, cobra.ShellCompDirective) {
	list, how := upsNames(c, args)
	for i := range list {
		list[i] += "="
	}
	return list, how | cobra.ShellCompDirectiveNoSpace
}

func siteNames(c *call, args []string) ([]string, cobra.ShellCompDirective) {
	path := c.Env("EBBLINE_POLICY")
	if i := slices.IndexFunc(args, looksLikePolicy); i >= 0 {
		path = args[i]
	}
	files, err := policyFiles(path)
	if err != nil {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	var list []string
	for _, f := range files {
		for line := range bytes.Lines(f.Bytes) {
			if rest, ok := bytes.CutPrefix(line, []byte(`site "`)); ok {
				name, _, _ := bytes.Cut(rest, []byte(`"`))
				list = append(list, string(name))
			}
		}
	}
	return list, cobra.ShellCompDirectiveNoFileComp
}

// outageOffers are the named outages; files are as good.
func outageOffers(*call, []string) ([]string, cobra.ShellCompDirective) {
	return outageNames(), cobra.ShellCompDirectiveDefault
}

// recorded are the outages in the history, and the kinds of records.
func recorded(c *call, _ []string) ([]string, cobra.ShellCompDirective) {
	list := append([]string{"last\tthe report of the last outage"}, kinds...)
	ctx, cancel := context.WithTimeout(context.Background(), completeWithin)
	defer cancel()
	named := ""
	if flag := c.flags.Lookup("history"); flag != nil {
		named = flag.Value.String()
	}
	from, _, err := c.openHistory(ctx, named)
	if err != nil || from == nil {
		return list, cobra.ShellCompDirectiveNoFileComp
	}
	defer from.Close()
	outages, err := from.Outages(ctx, mostCompleted)
	if err != nil {
		return list, cobra.ShellCompDirectiveNoFileComp
	}
	for i := len(outages) - 1; i >= 0; i-- {
		o := &outages[i]
		list = append(list, fmt.Sprintf("%d\tof %s", o.Number, o.Began.UTC.Local().Format("2006-01-02 15:04")))
	}
	return list, cobra.ShellCompDirectiveNoFileComp | cobra.ShellCompDirectiveKeepOrder
}

// commandOffers are commands by their words, and at first the topics of help.
func commandOffers(c *call, args []string) (list []string, _ cobra.ShellCompDirective) {
	at := commands()
	if len(args) == 0 {
		for _, t := range topics {
			list = append(list, t.name+"\t"+t.about)
		}
	}
	for i, word := range args {
		under := slices.IndexFunc(at, func(cmd *command) bool {
			return strings.Fields(cmd.name)[min(i, len(strings.Fields(cmd.name))-1)] == word
		})
		if under < 0 {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		at = at[under].under
	}
	for _, cmd := range at {
		words := strings.Fields(cmd.name)
		list = append(list, words[len(words)-1]+"\t"+cmd.about)
	}
	return list, cobra.ShellCompDirectiveNoFileComp
}

// completionCommand prints what a shell needs to complete ebbline's words.
func (p *program) completionCommand() *command {
	return &command{
		name: "completion", about: "what a shell needs to complete commands, flags and names", usage: "SHELL", takes: []string{"SHELL"},
		help: `Prints what bash, zsh or fish needs to complete ebbline's commands and flags,
and the names of hosts, UPSs and outages. The Debian package brings it along. By
hand:

  bash  ebbline completion bash > /etc/bash_completion.d/ebbline
        (needs the package bash-completion)
  zsh   ebbline completion zsh > "${fpath[1]}/_ebbline"
  fish  ebbline completion fish > ~/.config/fish/completions/ebbline.fish

Names are of the policy that the line names, or of EBBLINE_POLICY; without one,
of the running agent.`,
		set: func(c *call) action {
			return func(context.Context) int {
				if len(c.args) == 0 {
					c.usage("for which shell? bash, zsh or fish")
					return exitUsage
				}
				text, err := p.completion(c.args[0])
				if err != nil {
					c.usage("%v", err)
					return exitUsage
				}
				c.Out.Write(text)
				return exitDone
			}
		},
	}
}

func (p *program) completion(shell string) ([]byte, error) {
	var text bytes.Buffer
	var err error
	switch shell {
	case "bash":
		err = p.root.GenBashCompletionV2(&text, true)
	case "zsh":
		err = p.root.GenZshCompletion(&text)
	case "fish":
		err = p.root.GenFishCompletion(&text, true)
	default:
		err = fmt.Errorf("there is no completion for %q; there is for bash, zsh and fish", shell)
	}
	return text.Bytes(), err
}
