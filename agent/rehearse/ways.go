package rehearse

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"syscall"
	"time"

	"ebbline/agent/action/local"
	"ebbline/agent/action/ssh"
	"ebbline/agent/action/wake"
	"ebbline/agent/clean"
	"ebbline/policy"
	"ebbline/shutdown"
)

// Readiness is how a try ended; the words are in the JSON document.
type Readiness string

const (
	Ready       Readiness = "ready"
	WrongKey    Readiness = "wrong-key"   // it shows another host key, or one that nobody knows
	Refused     Readiness = "refused"     // it answers, and would not do it
	Unreachable Readiness = "unreachable" // it does not answer
	Silent      Readiness = "silent"      // it takes the connection and says nothing that can be used
	Unusable    Readiness = "unusable"    // nothing was sent: a secret or file cannot be read
)

// Tried is one way to a host after it was tried.
type Tried struct {
	Stops     bool // else it starts the host
	By        string
	Address   string
	Readiness Readiness
	Text      string // in one line
	Next      string // to do; "" when there is nothing, or the text says it
	Key       string // the host key that was shown
	MayRun    bool   // over SSH: the host says that it would run the command
	Took      time.Duration
}

// try is one way to a host that is to be tried. It has no effect on the host.
type try struct {
	stops       bool
	by, address string
	within      time.Duration
	run         func(ctx context.Context) Tried
}

// Try tries a host's ways, one after the other: a BMC has few sessions.
func (p *Parts) Try(ctx context.Context, h *policy.Host) (list []Tried) {
	for _, t := range p.tries(h) {
		list = append(list, t.do(ctx))
	}
	return list
}

// do tries one way. A fault in a part must end neither the agent nor a rehearsal.
func (t *try) do(ctx context.Context) (got Tried) {
	ctx, cancel := context.WithTimeout(ctx, t.within)
	defer cancel()
	began := time.Now()
	defer func() {
		if f := recover(); f != nil {
			got = Tried{Readiness: Unusable, Text: fmt.Sprintf("a fault in this program: %v", f)}
		}
		got.Stops, got.By, got.Address, got.Took = t.stops, t.by, t.address, time.Since(began)
		got.Text = clean.OneLine(got.Text)
	}()
	return t.run(ctx)
}

// checked tries a BMC or an outlet, if its secrets can be read.
func checked(s Checker, v shutdown.Verb, read Secrets, needs ...policy.Secret) func(ctx context.Context) Tried {
	return func(ctx context.Context) Tried {
		for _, name := range needs {
			if name == "" {
				continue
			}
			if _, err := read(name); err != nil {
				return Tried{Readiness: Unusable, Text: err.Error()}
			}
		}
		o, text := s.Check(ctx, v)
		return judged(o, text, "Log in there as this user by another way: the password, its rights, and the names that the policy gives, must be the same.")
	}
}

// tries lists a host's ways to stop and to start it, as the agent goes them.
func (p *Parts) tries(h *policy.Host) (list []try) {
	if h.StaysUp {
		return nil
	}
	add := func(stops bool, by, address string, within time.Duration, run func(ctx context.Context) Tried) {
		if within <= 0 || within > Within {
			within = Within
		}
		list = append(list, try{stops, by, address, within, run})
	}
	if first := h.FirstSSH(); h.Prepare != nil && first != nil {
		early := *first
		early.Command = h.Prepare.Command
		add(true, "prepare", ssh.HostPort(early.Address), h.Prepare.GivesUp, login(early, h.Name, p.Read))
	}
	for i := range h.Methods {
		m := &h.Methods[i]
		verb := shutdown.VerbShutDown
		if m.Force || m.Kind == policy.ByOutlet {
			verb = shutdown.VerbPowerOff
		}
		switch m.Kind {
		case policy.BySSH:
			add(true, m.Kind.String(), ssh.HostPort(m.SSH.Address), m.GivesUp, login(*m.SSH, h.Name, p.Read))
		case policy.ByLocal:
			add(true, m.Kind.String(), "", m.GivesUp, func(context.Context) Tried {
				o, text := local.Check(m.Local.Command)
				return judged(o, text, "Install the program, or write its full path into the policy; it must be executable for the agent's user.")
			})
		case policy.ByRedfish, policy.ByIPMI:
			add(true, m.Kind.String(), m.BMC.Address, m.GivesUp, checked(p.BMC(m.BMC, m.Kind == policy.ByIPMI), verb, p.Read, m.BMC.Password))
		case policy.ByOutlet:
			add(true, m.Kind.String(), outletAddress(m.Outlet), m.GivesUp, checked(p.Outlet(m.Outlet), verb, p.Read, m.Outlet.Secrets()...))
		}
	}
	for i := range h.Starts {
		s := &h.Starts[i]
		switch s.Kind {
		case policy.ByWake:
			add(false, s.Kind.String(), s.To, 0, func(ctx context.Context) Tried {
				o, text := wake.Check(ctx, s.Ethernet, s.To)
				return judged(o, text, "")
			})
		case policy.ByBMC:
			add(false, s.Kind.String(), s.BMC.Address, 0, checked(p.BMC(s.BMC, s.IPMI), shutdown.VerbStart, p.Read, s.BMC.Password))
		case policy.ByOutletOn:
			add(false, s.Kind.String(), outletAddress(s.Outlet), 0, checked(p.Outlet(s.Outlet), shutdown.VerbStart, p.Read, s.Outlet.Secrets()...))
		case policy.ByHost:
			add(false, s.Kind.String(), ssh.HostPort(s.SSH.Address), 0, login(*s.SSH, h.Name, p.Read))
		}
	}
	return list
}

func outletAddress(o *policy.Outlet) string {
	if o.SNMP != nil {
		return o.SNMP.Address
	}
	return o.BMC.Address
}

// judged says how ready a way is by what came of a try, with what to do after a refusal.
func judged(o shutdown.Outcome, text, ifRefused string) Tried {
	switch o {
	case shutdown.Accepted:
		return Tried{Readiness: Ready, Text: text}
	case shutdown.Refused:
		return Tried{Readiness: Refused, Text: text, Next: ifRefused}
	}
	return Tried{Readiness: Unreachable, Text: text, Next: notReached}
}

const notReached = "Is it on, the address right, and the way to it open from here?"

// login logs in and out again, and asks whether the command may be run.
func login(cfg policy.SSH, name string, read Secrets) func(ctx context.Context) Tried {
	return func(ctx context.Context) Tried {
		host := ssh.New(cfg, name, read)
		r := host.Check(ctx)
		t := Tried{Key: r.Key}
		if r.Err == nil {
			t.Readiness, t.Text = Ready, "logged in, "+r.Key
			switch err := host.May(ctx, cfg.Command); {
			case err == nil:
				t.MayRun = true
			case !errors.Is(err, ssh.ErrNotAsked):
				t.Readiness, t.Text = Refused, "logged in, but "+strings.TrimPrefix(err.Error(), "refused: ")
				t.Next = "`ebbline check --rights` prints the lines for authorized_keys and sudoers; after a change of the policy both change."
			}
			return t
		}
		t.Text = strings.TrimPrefix(strings.TrimPrefix(r.Err.Error(), name+": ssh: "), "refused: ")
		var network *net.OpError
		var lookup *net.DNSError
		switch {
		case errors.Is(r.Err, ssh.ErrHostKey):
			t.Readiness = WrongKey // the error says what to compare and where
		case r.Refused:
			t.Readiness, t.Next = Refused, "`ebbline check --rights` prints the line for authorized_keys. If it is there: may this user log in (AllowUsers), and who may write to the folder and the file?"
		case r.Reached:
			t.Readiness, t.Next = Silent, "Look at the host: its SSH server hangs, or something else listens at that port."
		case errors.As(r.Err, &lookup):
			t.Readiness, t.Next = Unreachable, "Correct the name, or write the address as a number: in an outage a name server may go early."
		case errors.Is(r.Err, syscall.ECONNREFUSED):
			t.Readiness, t.Next = Unreachable, "The machine answers, nothing listens there: is its SSH server running, at this port?"
		case errors.As(r.Err, &network) || errors.Is(r.Err, context.DeadlineExceeded):
			t.Readiness, t.Next = Unreachable, notReached
		default:
			t.Readiness = Unusable
		}
		return t
	}
}
