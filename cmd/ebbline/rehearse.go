package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"
	"unicode"

	"ebbline/agent/action/local"
	"ebbline/agent/action/ssh"
	"ebbline/agent/action/wake"
	"ebbline/agent/probe"
	"ebbline/policy"
	"ebbline/shutdown"
)

var rehearseCommand = command{
	name:  "rehearse",
	about: "tries the way to every UPS and host, and turns nothing off",
	usage: "[POLICY] [--messages | --really HOST] [--secrets FOLDER] [--history FILE] [--json]",
	takes: []string{"POLICY"},
	help: `Asks every UPS once, and tries every way to stop or start a host without effect:
  ssh, host   logs in with the key, verifies the host key, runs no command; then
  prepare     asks, by a key that can do no more, whether the command might run
  bmc         logs in, reads the power state and whether it takes the order
  outlet      reads the outlet's state; no SNMP SET is ever sent
  local       looks whether the command's program is there
  wake        looks whether there is a network to send on; sends nothing
and looks whether the host is seen up. Every temperature and emergency input of
the policy is read once. The hosts come in the order in which they
would stop if the input failed now, at the load and charge that the UPSs say;
then all that is wrong, with what to do next.

Run it on the agent's host, as the agent's user, with the agent's secrets: what
works from elsewhere proves little. Whether a command may be run is known where
the host has the lines that ebbline check --rights prints. What it cannot prove:
that a BMC or PDU lets this user give the order.

With --messages it tries the receivers of messages instead: each is sent one
that is marked as a test, and the sign of life is fetched once.

With --really HOST it stops that host for real, through the running agent, once
its name is typed (or with --yes), measures how long it takes until it is proven
down, and has it started again by its ways. The time that a host takes to stop
is what a plan rests on most; this is how it is known before the first outage.

Exit code 1 says that something is wrong.`,
	set: setRehearse,
}

const (
	rehearsedAtOnce = 4                // hosts; a BMC or a PDU that several share has few sessions
	tryWithin       = 15 * time.Second // one way, or its share of the allowance if that is less
	tryUPSWithin    = 5 * time.Second  // beside the policy's own timeout for SNMP
)

func setRehearse(c *call) action {
	pf := c.policyFlags()
	messages := c.flags.Bool("messages", false, "send each receiver of messages a test, and try nothing else")
	really := c.flags.String("really", "", "stop `HOST` for real, measure it, and start it again")
	yes := c.flags.Bool("yes", false, "with --really: do not ask")
	socket := c.socketFlag()
	past := c.historyFlag()
	return func(ctx context.Context) int {
		p, _, code := c.policyLearned(ctx, pf, *past)
		if p == nil {
			return code
		}
		store := c.store(pf)
		if c.flags.Changed("really") {
			return c.really(ctx, p, func(name policy.Secret) ([]byte, error) { return store.Read(string(name)) }, *really, *socket, *yes)
		}
		if *messages {
			return c.tryMessages(ctx, p, func(name policy.Secret) ([]byte, error) { return store.Read(string(name)) })
		}
		r := &rehearsal{p: p, read: func(name policy.Secret) ([]byte, error) { return store.Read(string(name)) }}
		r.run(ctx, c.progress())
		if ctx.Err() != nil {
			return c.fail("interrupted; nothing was turned off")
		}
		v := r.view()
		if c.json {
			printJSON(c.Out, v)
		} else {
			width, _ := terminal(c.Out)
			v.show(c.Out, width)
		}
		if !v.Ready {
			return exitFailed
		}
		return exitDone
	}
}

// rehearsal is one run of the command, and what it found.
type rehearsal struct {
	p     *policy.Policy
	read  secrets
	upss  []polled   // by UPS
	hosts []attended // by host

	sensors []sensed // by temperature, then by emergency input
}

// polled is one UPS's answer.
type polled struct {
	said shutdown.Measurement
	err  error
	took time.Duration
}

// attended is what was found of one host.
type attended struct {
	ways []tried
	seen shutdown.Sighting
	look string // what the look at it showed, in words
}

func (r *rehearsal) run(ctx context.Context, progress io.Writer) {
	r.upss, r.hosts = make([]polled, len(r.p.UPSs)), make([]attended, len(r.p.Hosts))
	few(ctx, len(r.upss), rehearsedAtOnce, func(i int) { r.upss[i] = poll(ctx, &r.p.UPSs[i], r.read) })
	r.sense(ctx)
	var done atomic.Int64
	few(ctx, len(r.hosts), rehearsedAtOnce, func(k int) {
		r.hosts[k] = attend(ctx, &r.p.Hosts[k], r.read)
		fmt.Fprintf(progress, "\r%d of %s tried \x1b[K", done.Add(1), count(len(r.hosts), "host"))
	})
	fmt.Fprint(progress, "\r\x1b[K")
}

// few does n pieces of work, so many at once; it begins none after ctx.
func few(ctx context.Context, n, atOnce int, work func(i int)) {
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(n, atOnce) {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < n && ctx.Err() == nil; i = int(next.Add(1)) - 1 {
				work(i)
			}
		})
	}
	wg.Wait()
}

var errNoSource = errors.New("the policy has no way to ask it: write a block snmp or hid")

func poll(ctx context.Context, u *policy.UPS, read secrets) (got polled) {
	s := source(u, read, func() {})
	if s == nil {
		return polled{shutdown.Nothing, errNoSource, 0}
	}
	ctx, cancel := context.WithTimeout(ctx, max(tryUPSWithin, u.Timeout()))
	defer cancel()
	began := time.Now()
	got.said, got.err = s.Poll(ctx)
	got.took = time.Since(began)
	return got
}

func attend(ctx context.Context, h *policy.Host, read secrets) (a attended) {
	if h.StaysUp {
		return a
	}
	if h.Self {
		a.seen, a.look = selfLook{}.Look(ctx)
	} else {
		a.seen, a.look = probe.New(h).Look(ctx)
	}
	a.ways = tryAll(ctx, h, read)
	return a
}

// verdict is how a try ended; the words are in the JSON document.
type verdict string

const (
	ready       verdict = "ready"
	wrongKey    verdict = "wrong-key"   // it shows another host key, or one that nobody knows
	refused     verdict = "refused"     // it answers, and would not do it
	unreachable verdict = "unreachable" // it does not answer
	silent      verdict = "silent"      // it takes the connection and says nothing that can be used
	unusable    verdict = "unusable"    // nothing was sent: a secret or file cannot be read
)

// tried is one way to a host after it was tried.
type tried struct {
	stops   bool // else it starts the host
	by      string
	address string
	verdict verdict
	said    string // in one line
	next    string // to do; "" when there is nothing, or said says it
	key     string // the host key that was shown
	may     bool   // over SSH: the host says that it would run the command
	took    time.Duration
}

// try is one way to a host that is to be tried. It has no effect on the host.
type try struct {
	stops       bool
	by, address string
	within      time.Duration
	run         func(ctx context.Context) tried
}

// tryAll tries a host's ways, one after the other: a BMC has few sessions.
func tryAll(ctx context.Context, h *policy.Host, read secrets) (list []tried) {
	for _, t := range triesOf(h, read) {
		list = append(list, t.do(ctx))
	}
	return list
}

// do tries one way. A fault in a part must end neither the agent nor a rehearsal.
func (t *try) do(ctx context.Context) (got tried) {
	ctx, cancel := context.WithTimeout(ctx, t.within)
	defer cancel()
	began := time.Now()
	defer func() {
		if f := recover(); f != nil {
			got = tried{verdict: unusable, said: fmt.Sprintf("a fault in this program: %v", f)}
		}
		got.stops, got.by, got.address, got.took = t.stops, t.by, t.address, time.Since(began)
		got.said = printable(got.said)
	}()
	return t.run(ctx)
}

// printable makes one line of it: parts are the other side's words.
func printable(text string) string {
	return strings.Join(strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || !unicode.IsPrint(r) }), " ")
}

// checked tries a BMC or an outlet, if its secrets can be read.
func checked(s switchable, v shutdown.Verb, read secrets, needs ...policy.Secret) func(ctx context.Context) tried {
	return func(ctx context.Context) tried {
		for _, name := range needs {
			if name == "" {
				continue
			}
			if _, err := read(name); err != nil {
				return tried{verdict: unusable, said: err.Error()}
			}
		}
		o, text := s.Check(ctx, v)
		return judged(o, text, "Log in there as this user by another way: the password, its rights, and the names that the policy gives, must be the same.")
	}
}

// triesOf lists a host's ways to stop and to start it, as [newReach] does.
func triesOf(h *policy.Host, read secrets) (list []try) {
	if h.StaysUp {
		return nil
	}
	add := func(stops bool, by, address string, within time.Duration, run func(ctx context.Context) tried) {
		if within <= 0 || within > tryWithin {
			within = tryWithin
		}
		list = append(list, try{stops, by, address, within, run})
	}
	if first := firstSSH(h); h.Prepare != nil && first != nil {
		early := *first
		early.Command = h.Prepare.Command
		add(true, "prepare", ssh.HostPort(early.Address), h.Prepare.GivesUp, login(early, h.Name, read))
	}
	for i := range h.Methods {
		m := &h.Methods[i]
		verb := shutdown.VerbShutDown
		if m.Force || m.Kind == policy.ByOutlet {
			verb = shutdown.VerbPowerOff
		}
		switch m.Kind {
		case policy.BySSH:
			add(true, m.Kind.String(), ssh.HostPort(m.SSH.Address), m.GivesUp, login(*m.SSH, h.Name, read))
		case policy.ByLocal:
			add(true, m.Kind.String(), "", m.GivesUp, func(context.Context) tried {
				o, text := local.Check(m.Local.Command)
				return judged(o, text, "Install the program, or write its full path into the policy; it must be executable for the agent's user.")
			})
		case policy.ByRedfish, policy.ByIPMI:
			add(true, m.Kind.String(), m.BMC.Address, m.GivesUp, checked(controller(m.BMC, m.Kind == policy.ByIPMI, read), verb, read, m.BMC.Password))
		case policy.ByOutlet:
			add(true, m.Kind.String(), outletAddress(m.Outlet), m.GivesUp, checked(socket(m.Outlet, read), verb, read, outletSecrets(m.Outlet)...))
		}
	}
	for i := range h.Starts {
		s := &h.Starts[i]
		switch s.Kind {
		case policy.ByWake:
			add(false, s.Kind.String(), s.To, 0, func(ctx context.Context) tried {
				o, text := wake.Check(ctx, s.Ethernet, s.To)
				return judged(o, text, "")
			})
		case policy.ByBMC:
			add(false, s.Kind.String(), s.BMC.Address, 0, checked(controller(s.BMC, s.IPMI, read), shutdown.VerbStart, read, s.BMC.Password))
		case policy.ByOutletOn:
			add(false, s.Kind.String(), outletAddress(s.Outlet), 0, checked(socket(s.Outlet, read), shutdown.VerbStart, read, outletSecrets(s.Outlet)...))
		case policy.ByHost:
			add(false, s.Kind.String(), ssh.HostPort(s.SSH.Address), 0, login(*s.SSH, h.Name, read))
		}
	}
	return list
}

// firstSSH is the way that the early step takes, too; nil when there is none.
func firstSSH(h *policy.Host) *policy.SSH {
	for i := range h.Methods {
		if h.Methods[i].SSH != nil {
			return h.Methods[i].SSH
		}
	}
	return nil
}

func outletAddress(o *policy.Outlet) string {
	if o.SNMP != nil {
		return o.SNMP.Address
	}
	return o.BMC.Address
}

func outletSecrets(o *policy.Outlet) []policy.Secret {
	if s := o.SNMP; s != nil {
		return []policy.Secret{s.Community, s.WriteWith, s.AuthKey, s.PrivKey}
	}
	return []policy.Secret{o.BMC.Password}
}

// judged puts an outcome into a verdict, with what to do after a refusal.
func judged(o shutdown.Outcome, text, ifRefused string) tried {
	switch o {
	case shutdown.Accepted:
		return tried{verdict: ready, said: text}
	case shutdown.Refused:
		return tried{verdict: refused, said: text, next: ifRefused}
	}
	return tried{verdict: unreachable, said: text, next: notReached}
}

const notReached = "Is it on, the address right, and the way to it open from here?"

// login logs in and out again, and asks whether the command may be run.
func login(cfg policy.SSH, name string, read secrets) func(ctx context.Context) tried {
	return func(ctx context.Context) tried {
		host := ssh.New(cfg, name, read)
		r := host.Check(ctx)
		t := tried{key: r.Key}
		if r.Err == nil {
			t.verdict, t.said = ready, "logged in, "+r.Key
			switch err := host.May(ctx, cfg.Command); {
			case err == nil:
				t.may = true
			case !errors.Is(err, ssh.ErrNotAsked):
				t.verdict, t.said = refused, "logged in, but "+strings.TrimPrefix(err.Error(), "refused: ")
				t.next = "`ebbline check --rights` prints the lines for authorized_keys and sudoers; after a change of the policy both change."
			}
			return t
		}
		t.said = strings.TrimPrefix(strings.TrimPrefix(r.Err.Error(), name+": ssh: "), "refused: ")
		var network *net.OpError
		var lookup *net.DNSError
		switch {
		case errors.Is(r.Err, ssh.ErrHostKey):
			t.verdict = wrongKey // the error says what to compare and where
		case r.Refused:
			t.verdict, t.next = refused, "`ebbline check --rights` prints the line for authorized_keys. If it is there: may this user log in (AllowUsers), and who may write to the folder and the file?"
		case r.Reached:
			t.verdict, t.next = silent, "Look at the host: its SSH server hangs, or something else listens at that port."
		case errors.As(r.Err, &lookup):
			t.verdict, t.next = unreachable, "Correct the name, or write the address as a number: in an outage a name server may go early."
		case errors.Is(r.Err, syscall.ECONNREFUSED):
			t.verdict, t.next = unreachable, "The machine answers, nothing listens there: is its SSH server running, at this port?"
		case errors.As(r.Err, &network) || errors.Is(r.Err, context.DeadlineExceeded):
			t.verdict, t.next = unreachable, notReached
		default:
			t.verdict = unusable
		}
		return t
	}
}
