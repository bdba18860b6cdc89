package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// errUsage stands for a mistake in the command line that was told already.
var errUsage = errors.New("usage")

// program is one run of ebbline: the tree of its commands, and what came of the one
// that was called.
type program struct {
	call  // of ebbline itself; others are made from it
	root  *cobra.Command
	calls []*call // one for each command
	code  int
}

// Run is the whole program but for the process around it.
func Run(ctx context.Context, args []string, s Streams) int {
	out := &counted{to: s.Out}
	document := slices.Contains(args, "--json") || slices.Contains(args, "--json=true")
	if document {
		s.Out = out // where commands print a document none asks how wide a terminal is
	}
	p := newProgram(s)
	if !p.mistyped(args) {
		p.root.SetArgs(args)
		if err := p.root.ExecuteContext(ctx); err != nil && !errors.Is(err, errUsage) {
			p.usage("%v", err)
		}
	}
	if document && p.code != exitDone && out.n == 0 {
		printJSON(out, map[string]any{"error": p.wrong, "exit_code": p.code})
	}
	return p.code
}

// counted tells how much was written through it.
type counted struct {
	to io.Writer
	n  int
}

func (c *counted) Write(b []byte) (int, error) {
	c.n += len(b)
	return c.to.Write(b)
}

func init() { cobra.EnableCommandSorting = false } // the order of the list

func newProgram(s Streams) *program {
	p := &program{call: call{Streams: s, cmd: &command{}}, code: exitUsage}
	p.root = &cobra.Command{
		Use: "ebbline", SilenceErrors: true, SilenceUsage: true, Args: cobra.ArbitraryArgs,
		DisableFlagParsing: true, // mistyped has seen to its arguments
		CompletionOptions:  cobra.CompletionOptions{DisableDefaultCmd: true},
		Run: func(_ *cobra.Command, args []string) {
			if len(args) == 0 {
				p.overview(p.Err)
				return
			}
			p.code = exitDone
			if strings.HasSuffix(args[0], "version") {
				p.version()
			} else {
				p.overview(p.Out)
			}
		},
	}
	p.root.SetOut(s.Out)
	p.root.SetErr(s.Err)
	for _, cmd := range append(commands(), p.helpCommand(), p.versionCommand(), p.completionCommand(), p.manualCommand()) {
		p.root.AddCommand(p.add(cmd))
	}
	p.root.SetHelpCommand(p.root.Commands()[slices.IndexFunc(p.root.Commands(), func(cc *cobra.Command) bool { return cc.Name() == "help" })])
	return p
}

// add makes a command of the tree.
func (p *program) add(cmd *command) *cobra.Command {
	words := strings.Fields(cmd.name)
	cc := &cobra.Command{
		Use: words[len(words)-1], Short: cmd.about, Args: cobra.ArbitraryArgs, Hidden: cmd.about == "",
		SuggestFor: cmd.was,
	}
	c := &call{Streams: p.Streams, cmd: cmd, flags: cc.Flags()}
	p.calls = append(p.calls, c)
	c.flags.BoolVar(&c.json, "json", false, "print one JSON document and nothing else, of errors too")
	c.flags.BoolP("help", "h", false, "tell what the command does")
	do := action(func(context.Context) int {
		c.usage("say which: %s", strings.Join(subNames(cc), ", "))
		return exitUsage
	})
	if cmd.set != nil {
		do = cmd.set(c)
	}
	cc.SetFlagErrorFunc(func(_ *cobra.Command, err error) error {
		err = c.usage("%s", c.flagError(err))
		p.wrong = c.wrong
		return err
	})
	cc.SetHelpFunc(func(*cobra.Command, []string) {
		c.help(c.Out)
		p.code = exitDone
	})
	cc.Run = func(cc *cobra.Command, args []string) {
		if most := len(cmd.takes); len(args) > most && (most == 0 || !strings.HasSuffix(cmd.takes[most-1], "…")) {
			c.usage("too many arguments: %s", strings.Join(args[most:], " "))
		} else {
			c.args = args
			p.code = do(cc.Context())
		}
		p.wrong = c.wrong
	}
	c.completes(cc)
	for _, sub := range cmd.under {
		cc.AddCommand(p.add(sub))
	}
	return cc
}

// find gives the call of a command; nil when none is called so.
func (p *program) find(name string) *call {
	for _, c := range p.calls {
		if c.cmd.name == name {
			return c
		}
	}
	return nil
}

// subNames are those of the commands under one, in the order of the help.
func subNames(cc *cobra.Command) (all []string) {
	for _, sub := range cc.Commands() {
		if !sub.Hidden {
			all = append(all, sub.Name())
		}
	}
	return all
}

// mistyped tells of a word where a command is meant and none is called so. What
// follows such a word may be anything, so that this comes before flags are read.
func (p *program) mistyped(args []string) bool {
	at, rest, _ := p.root.Find(args)
	word := ""
	for _, a := range rest {
		if !strings.HasPrefix(a, "-") {
			word = a
			break
		}
	}
	if at == p.root && word == "" && len(rest) > 0 && !slices.Contains([]string{"-h", "--help", "-help", "--version", "-version"}, rest[0]) {
		word = rest[0]
	}
	if word == "" || len(at.Commands()) == 0 && at != p.root || strings.HasPrefix(word, "__complete") {
		return false
	}
	meant, renamed := meantBy(at, word)
	full := func(name string) string { return strings.TrimPrefix(at.CommandPath()+" "+name, "ebbline ") }
	if c := p.find(strings.TrimSpace(full(""))); c != nil && c.cmd.set != nil {
		if _, err := os.Stat(word); len(meant) == 0 || err == nil {
			return false // an argument
		}
	}
	text := fmt.Sprintf("no command is called %q.", full(word))
	for i, name := range meant {
		meant[i] = strconv.Quote(full(name))
	}
	switch {
	case renamed:
		text = fmt.Sprintf("%q is called %s now.", full(word), meant[0])
	case len(meant) > 0:
		text += " Did you mean " + strings.Join(meant, " or ") + "?"
	}
	if topic(word) != nil {
		text += " `ebbline help " + word + "` tells of it."
	}
	more := "ebbline help"
	if at != p.root {
		more = at.CommandPath() + " --help"
	}
	p.tell("%s `%s` lists them.", text, more)
	return true
}

// meantBy gives the commands under one that a word may mean; that it is the former
// name of the only one.
func meantBy(at *cobra.Command, word string) (names []string, renamed bool) {
	for _, sub := range at.Commands() {
		switch {
		case sub.Hidden:
		case slices.Contains(sub.SuggestFor, word):
			return []string{sub.Name()}, true
		case near(word, sub.Name()) || strings.HasPrefix(sub.Name(), word):
			names = append(names, sub.Name())
		}
	}
	return names, false
}

// flagError puts into our words what is wrong with a flag.
func (c *call) flagError(err error) string {
	var unknown *pflag.NotExistError
	var bare *pflag.ValueRequiredError
	var bad *pflag.InvalidValueError
	switch {
	case errors.As(err, &unknown):
		name, dashes := unknown.GetSpecifiedName(), "--"
		if letters := unknown.GetSpecifiedShortnames(); letters != "" {
			name, dashes = letters, "-"
		}
		text := "no flag is called " + dashes + name
		c.flags.VisitAll(func(f *pflag.Flag) {
			if near(name, f.Name) {
				text += ". Did you mean --" + f.Name + "?"
			}
		})
		return text
	case errors.As(err, &bare):
		return "--" + bare.GetFlag().Name + " needs a value behind it"
	case errors.As(err, &bad):
		name := bad.GetFlag().Name
		why := bad.Unwrap().Error()
		switch kind := bad.GetFlag().Value.Type(); {
		case errors.Is(err, strconv.ErrRange):
			why = "it is too large"
		case kind == "bool":
			why = "write --" + name + " alone"
		case kind == "int":
			why = "write a whole number"
		case kind == "uint64":
			why = "write a whole number, from 0 up"
		case kind == "float64":
			why = "write a number"
		case kind == "duration":
			why = "write a time with its unit, such as 90s"
		}
		return fmt.Sprintf("--%s cannot be %q: %s", name, bad.GetValue(), why)
	}
	return err.Error()
}

// near tells whether two words differ by less than three edits.
func near(a, b string) bool {
	prev := make([]int, len(b)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diag := prev[0]
		prev[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			diag, prev[j] = prev[j], min(prev[j]+1, prev[j-1]+1, diag+cost)
		}
	}
	return prev[len(b)] < 3
}

func (p *program) versionCommand() *command {
	return &command{
		name: "version", about: "which ebbline this is", usage: "[--json]", help: "Prints which ebbline this is.",
		set: func(c *call) action {
			return func(context.Context) int {
				if c.json {
					printJSON(c.Out, map[string]string{"version": Version})
				} else {
					p.version()
				}
				return exitDone
			}
		},
	}
}

func (p *program) version() { fmt.Fprintln(p.Out, "ebbline", Version) }

func (p *program) helpCommand() *command {
	return &command{
		name: "help", about: "about a command, or about: " + strings.Join(topicNames(), ", "), usage: "[COMMAND | TOPIC]",
		takes: []string{"COMMAND…"}, help: "Tells what a command does, or of a topic: " + strings.Join(topicNames(), ", ") + ".",
		set: func(c *call) action {
			return func(context.Context) int {
				if len(c.args) == 0 || c.args[0] == "help" {
					p.overview(c.Out)
					return exitDone
				}
				if t := topic(c.args[0]); t != nil && len(c.args) == 1 {
					fmt.Fprint(c.Out, t.text)
					return exitDone
				}
				if p.mistyped(c.args) {
					c.wrong = p.wrong
					return exitUsage
				}
				cc, rest, err := p.root.Find(c.args)
				if err != nil || len(rest) > 0 {
					c.usage("too many arguments: %s", strings.Join(rest, " "))
					return exitUsage
				}
				cc.Help()
				return exitDone
			}
		},
	}
}
