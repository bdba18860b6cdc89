// Command ebbline brings a room of machines down in order before the UPS
// battery runs out, and back up afterwards. This package is flags, signals,
// exit codes and wiring; it must never decide about the room.
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/spf13/pflag"
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

// command is one command as people see it.
type command struct {
	name  string   // behind those of the commands above it: "battery test"
	about string   // one line; none: it is not shown
	was   []string // names that it had
	usage string   // arguments after the name
	takes []string // what its arguments are: a key of [offers] each; "…" behind the last: any number of it
	help  string
	under []*command // what may stand in the place of its first argument

	// set defines the flags of a call and gives what is done with them; nil where
	// only the commands under it do something.
	set func(c *call) action
}

// action is what a call does, once its flags and arguments are read. It gives the
// exit code.
type action func(ctx context.Context) int

// commands in the order that help shows them.
func commands() []*command {
	return []*command{&initCommand, &checkCommand, &planCommand, &simulateCommand, &tuneCommand, &rehearseCommand,
		&runCommand, &statusCommand, &batteryCommand, &historyCommand, &surveyCommand, &demoCommand}
}

// call is one call of a command: its flags, arguments and streams.
type call struct {
	Streams
	cmd   *command
	flags *pflag.FlagSet
	args  []string
	json  bool
	wrong string // what was told last of what went wrong

	reads, writes []string // see onlyReads
}

// usage tells a mistake in the command line.
func (c *call) usage(format string, args ...any) error {
	c.tell(format, args...)
	c.command(c.Err, "The command is: ebbline ")
	fmt.Fprintf(c.Err, "More: ebbline %s --help\n", c.cmd.name)
	return errUsage
}

// fail tells what went wrong at run time.
func (c *call) fail(format string, args ...any) int {
	c.tell(format, args...)
	return exitFailed
}

func (c *call) tell(format string, args ...any) {
	c.wrong = fmt.Sprintf(format, args...)
	fmt.Fprintf(c.Err, "%s: %s\n", strings.TrimSpace("ebbline "+c.cmd.name), c.wrong)
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
