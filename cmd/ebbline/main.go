// Command ebbline brings a room of machines down in order before the UPS
// battery runs out, and back up afterwards. This package is flags, signals,
// exit codes and wiring; it must never decide about the room.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"regexp"
	"slices"
	"strings"
	"syscall"

	"golang.org/x/term"
)

// Exit codes, a contract for scripts. 2 is left to Go's own panics.
const (
	exitDone    = 0
	exitFailed  = 1
	exitUnfit   = 3  // the plan does not fit, or a simulated outage ends badly
	exitUsage   = 64 // sysexits.h, EX_USAGE
	exitRefused = 78 // sysexits.h, EX_CONFIG: the policy has errors, or is not there
)

// Version is set when a release is linked.
var Version = "development"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := Run(ctx, os.Args[1:], Streams{In: os.Stdin, Out: os.Stdout, Err: os.Stderr, Env: os.Getenv, Confine: confine})
	stop()
	os.Exit(code)
}

// Streams are what a command talks to.
type Streams struct {
	In       io.Reader
	Out, Err io.Writer
	Env      func(string) string
	Confine  func(reads, writes []string) error // takes rights from the process, for good; nil: it keeps them
}

// command is one subcommand.
type command struct {
	name  string
	about string // one line
	usage string // arguments after the name
	help  string
	run   func(ctx context.Context, c *call) int
}

// commands in the order that help shows them. It is filled in init because the
// commands' help refers to it.
var commands []command

func init() {
	commands = []command{initCommand, checkCommand, planCommand, simulateCommand, tuneCommand, rehearseCommand, runCommand, statusCommand, batteryCommand, historyCommand, surveyCommand, demoCommand}
}

// call is one call of a command: its flags, arguments and streams.
type call struct {
	Streams
	cmd   *command
	flags *flag.FlagSet
	args  []string
	json  bool

	reads, writes []string // see onlyReads
}

// errUsage stands for a mistake in the command line that was told already.
var errUsage = errors.New("usage")

// Run is the whole program but for the process around it.
func Run(ctx context.Context, args []string, s Streams) int {
	if len(args) == 0 {
		overview(s.Err)
		return exitUsage
	}
	switch args[0] {
	case "help", "-h", "--help", "-help":
		if len(args) == 1 || args[1] == "help" {
			overview(s.Out)
			return exitDone
		}
		if args[1] == "version" {
			fmt.Fprintln(s.Out, "ebbline version\n\nPrints which ebbline this is.")
			return exitDone
		}
		if find(args[1]) == nil {
			return unknownCommand(s, args[1])
		}
		return Run(ctx, append(slices.Clone(args[1:]), "--help"), s)
	case "version", "--version", "-version":
		fmt.Fprintln(s.Out, "ebbline", Version)
		return exitDone
	}
	cmd := find(args[0])
	if cmd == nil {
		return unknownCommand(s, args[0])
	}
	c := &call{Streams: s, cmd: cmd, flags: flag.NewFlagSet(cmd.name, flag.ContinueOnError), args: args[1:]}
	c.flags.SetOutput(io.Discard)
	c.flags.BoolVar(&c.json, "json", false, "print one JSON document and nothing else")
	return cmd.run(ctx, c)
}

func find(name string) *command {
	for i := range commands {
		if commands[i].name == name {
			return &commands[i]
		}
	}
	return nil
}

func commandNames() (all []string) {
	for i := range commands {
		all = append(all, commands[i].name)
	}
	return all
}

func unknownCommand(s Streams, name string) int {
	fmt.Fprintf(s.Err, "ebbline: no command is called %q.", name)
	for _, known := range append(commandNames(), "help", "version") {
		if near(name, known) {
			fmt.Fprintf(s.Err, " Did you mean %q?", known)
		}
	}
	fmt.Fprintln(s.Err, " `ebbline help` lists them.")
	return exitUsage
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

func overview(w io.Writer) {
	fmt.Fprint(w, `ebbline brings a room of machines down in order before the UPS battery runs
out, and back up afterwards.

  ebbline COMMAND [POLICY] [flags]

`)
	for i := range commands {
		fmt.Fprintf(w, "  %-10s %s\n", commands[i].name, commands[i].about)
	}
	fmt.Fprint(w, `  help       about a command: ebbline help COMMAND
  version    which ebbline this is

The policy is a file or a folder of .hcl files; without the argument the
environment variable EBBLINE_POLICY names it. All but run take --json.
Exit codes: 0 done, 1 failed, 3 the plan does not fit or an outage ends badly,
64 the command line is wrong, 78 the policy is refused.

Advice from measured data; not an electrical inspection. Do not rely on it for
life safety. Local codes, the maker's manual and licensed practice come first.
`)
}

func (c *call) help(w io.Writer) {
	c.command(w, "ebbline ")
	fmt.Fprintf(w, "\n%s\n", strings.TrimSpace(c.cmd.help))
	fmt.Fprintln(w, "\nFlags:")
	c.flags.VisitAll(func(f *flag.Flag) {
		name, about := flag.UnquoteUsage(f)
		head := "  --" + f.Name
		if name != "" {
			head += " " + name
		}
		about = strings.TrimPrefix(about, name+" ") // it stands before it
		for _, line := range fold(about, 80-25) {
			fmt.Fprintf(w, "%-24s %s\n", head, line)
			head = ""
		}
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

// parse reads flags wherever they stand among the arguments. At most max
// arguments may be left.
func (c *call) parse(max int) error {
	var left []string
	rest := c.args
	for {
		err := c.flags.Parse(rest)
		if errors.Is(err, flag.ErrHelp) {
			c.help(c.Out)
			return err
		}
		if err != nil {
			return c.usage("%s", c.flagError(err))
		}
		rest = c.flags.Args()
		if len(rest) == 0 {
			break
		}
		left, rest = append(left, rest[0]), rest[1:]
	}
	if len(left) > max {
		return c.usage("too many arguments: %s", strings.Join(left[max:], " "))
	}
	c.args = left
	return nil
}

// usage tells a mistake in the command line.
func (c *call) usage(format string, args ...any) error {
	fmt.Fprintf(c.Err, "ebbline %s: %s\n", c.cmd.name, fmt.Sprintf(format, args...))
	c.command(c.Err, "The command is: ebbline ")
	fmt.Fprintf(c.Err, "More: ebbline %s --help\n", c.cmd.name)
	return errUsage
}

var badFlag = regexp.MustCompile(`(?s)^invalid (?:boolean )?value (".*") for (?:flag )?-([^:]+): (.*)$`)

// flagError puts what package flag says into our words.
func (c *call) flagError(err error) string {
	text := err.Error()
	if name, ok := strings.CutPrefix(text, "flag provided but not defined: -"); ok {
		text = "no flag is called --" + name
		c.flags.VisitAll(func(f *flag.Flag) {
			if near(name, f.Name) {
				text += ". Did you mean --" + f.Name + "?"
			}
		})
		return text
	}
	if name, ok := strings.CutPrefix(text, "flag needs an argument: -"); ok {
		return "--" + name + " needs a value behind it"
	}
	m := badFlag.FindStringSubmatch(text)
	if m == nil {
		return text
	}
	value, name, why := m[1], m[2], m[3]
	if why == "value out of range" {
		why = "it is too large"
	} else if getter, ok := c.flags.Lookup(name).Value.(flag.Getter); ok {
		switch getter.Get().(type) {
		case bool:
			why = "write --" + name + " alone"
		case int:
			why = "write a whole number"
		case uint64:
			why = "write a whole number, from 0 up"
		}
	}
	return fmt.Sprintf("--%s cannot be %s: %s", name, value, why)
}

// usageCode gives the exit code for an error of parse.
func usageCode(err error) int {
	if errors.Is(err, flag.ErrHelp) {
		return exitDone
	}
	return exitUsage
}

// fail tells what went wrong at run time.
func (c *call) fail(format string, args ...any) int {
	fmt.Fprintf(c.Err, "ebbline %s: %s\n", c.cmd.name, fmt.Sprintf(format, args...))
	return exitFailed
}

// terminal tells whether w is a terminal, and how wide.
func terminal(w io.Writer) (width int, ok bool) {
	f, isFile := w.(*os.File)
	if !isFile || !term.IsTerminal(int(f.Fd())) {
		return 80, false
	}
	width, _, err := term.GetSize(int(f.Fd()))
	if err != nil || width < 40 {
		width = 80
	}
	return width, true
}
