package main

import (
	_ "embed"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"ebbline/agent"
	"ebbline/policy"
)

// helpTopic is what help tells of that is no command. Its text stands as it is
// printed, in 80 columns.
type helpTopic struct {
	name, about, text string
	section           string // of the manual
}

var (
	//go:embed help/policy.txt
	policyHelp string
	//go:embed help/outage.txt
	outageHelp string
	//go:embed help/agent.txt
	agentHelp string

	topics = []helpTopic{
		{"policy", "the language of the policy", strings.Replace(policyHelp, "CODES\n", codesHelp(), 1), "5"},
		{"outage", "files of outages, which simulate replays", outageHelp, "5"},
		{"agent", "what the agent does in an outage, and what it keeps", agentHelp, "7"},
	}
)

// codesHelp lists the codes of messages by their severity, the worst first.
func codesHelp() string {
	var b strings.Builder
	for _, s := range slices.Backward(policy.Severities()) {
		var list []string
		for _, code := range agent.Codes() {
			if agent.Severity(code).String() == s {
				list = append(list, code)
			}
		}
		fmt.Fprintf(&b, "  %s\n", s)
		for _, line := range fold(strings.Join(list, ", "), 76) {
			fmt.Fprintf(&b, "    %s\n", line)
		}
	}
	return b.String()
}

func topic(name string) *helpTopic {
	for i := range topics {
		if topics[i].name == name {
			return &topics[i]
		}
	}
	return nil
}

func topicNames() (all []string) {
	for _, t := range topics {
		all = append(all, t.name)
	}
	return all
}

const (
	overviewHead = `ebbline brings a room of machines down in order before the UPS battery runs
out, and back up afterwards.`
	overviewFoot = `The policy is a file or a folder of .hcl files; without the argument the
environment variable EBBLINE_POLICY names it. All but run take --json; of an
error they then print "error" and "exit_code", of a policy that is refused its
"diagnostics".

Exit codes:
  0   done
  1   failed
  3   the plan does not fit, or a simulated outage ends badly
  64  the command line is wrong
  78  the policy has errors, or is not there`
	overviewCaution = `Advice from measured data; not an electrical inspection. Do not rely on it for
life safety. Local codes, the maker's manual and licensed practice come first.`
)

func (p *program) overview(w io.Writer) {
	fmt.Fprintf(w, "%s\n\n  ebbline COMMAND [POLICY] [flags]\n\n", overviewHead)
	for _, cc := range p.root.Commands() {
		if !cc.Hidden {
			fmt.Fprintf(w, "  %-10s %s\n", cc.Name(), cc.Short)
		}
	}
	fmt.Fprintf(w, "\n%s\n\n%s\n", overviewFoot, overviewCaution)
}

func (c *call) help(w io.Writer) {
	c.command(w, "ebbline ")
	fmt.Fprintf(w, "\n%s\n", strings.TrimSpace(c.cmd.help))
	if len(c.cmd.under) > 0 {
		fmt.Fprintln(w, "\nCommands under it, each with its own --help:")
		for _, sub := range c.cmd.under {
			beside(w, "  "+sub.name, sub.about)
		}
	}
	fmt.Fprintln(w, "\nFlags:")
	c.eachFlag(func(head, about string) {
		beside(w, "  "+head, about)
	})
}

// beside writes what a word is for in a column of its own.
func beside(w io.Writer, word, about string) {
	for _, line := range fold(about, 80-25) {
		fmt.Fprintf(w, "%-24s %s\n", word, line)
		word = ""
	}
}

// eachFlag gives each flag as it is written, and what it is for.
func (c *call) eachFlag(do func(head, about string)) {
	c.flags.VisitAll(func(f *pflag.Flag) {
		name, about := pflag.UnquoteUsage(f)
		head := "--" + f.Name
		if name != "" {
			head += " " + name
		}
		do(head, strings.TrimPrefix(about, name+" ")) // it stands before it
	})
}

// command writes how the command is called, in lines that end between two of its
// parts.
func (c *call) command(w io.Writer, head string) {
	const glue = "\x00"
	parts := strings.ReplaceAll(strings.ReplaceAll(c.cmd.name+" "+c.cmd.usage, " ", glue), glue+"[", " [")
	for i, line := range fold(parts, 80-len(head)) {
		if i > 0 {
			head = strings.Repeat(" ", len(head))
		}
		fmt.Fprintf(w, "%s%s\n", head, strings.ReplaceAll(line, glue, " "))
	}
}
