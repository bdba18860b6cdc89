package main

import (
	"encoding/json"
	"os/exec"
	"strings"
	"testing"
	"time"

	"ebbline/agent/peertest"
	"ebbline/shutdown"
)

// ordered runs ebbline, with what is typed, and gives what it wrote and its exit code.
func (r *room) ordered(typed string, args ...string) (out, errs string, code int) {
	r.t.Helper()
	cmd := r.command(args...)
	var o, e strings.Builder
	cmd.Stdin, cmd.Stdout, cmd.Stderr = strings.NewReader(typed), &o, &e
	if err := cmd.Run(); err != nil {
		if _, is := err.(*exec.ExitError); !is {
			r.t.Fatal(err)
		}
	}
	return o.String(), e.String(), cmd.ProcessState.ExitCode()
}

func (r *room) power(host string) string {
	v, err := r.status()
	if err != nil {
		return err.Error()
	}
	for i := range v.Hosts {
		if h := &v.Hosts[i]; h.Name == host {
			return strings.TrimSpace(h.Power + " " + h.Ordered)
		}
	}
	return "none"
}

func (r *room) calm() {
	r.t.Helper()
	r.until("all is normal and every host is seen up", time.Minute, func() bool {
		return r.phase() == "normal" && r.power("lab") == "up" && r.power("app") == "up" && r.power("nas") == "up"
	})
}

// Aim: orders for one host by daylight reach the real host and no other, and those that
// cannot be carried out are refused with the reason; what a host says that refuses one is in
// its condition; a host that hangs is not forced, and
// what was ordered outlives the agent. Method: the room of the outage test, its UPS with
// input; ebbline status as a process; the agent is killed once the host is off.
func TestOrdersForOneHost(t *testing.T) {
	t.Parallel()
	r := startRoom(t)
	r.start("one")
	r.calm()
	refused := func(why string, args ...string) {
		t.Helper()
		if _, errs, code := r.ordered("", append([]string{"status"}, args...)...); code != exitFailed || !strings.Contains(errs, why) {
			t.Errorf("%v: exit code %d, %s", args, code, errs)
		}
	}
	taken := func(args ...string) {
		t.Helper()
		if _, errs, code := r.ordered("", append([]string{"status"}, args...)...); code != exitDone {
			t.Fatalf("%v: exit code %d, %s", args, code, errs)
		}
	}
	refused("app needs nas, and app is up. Stop app first", "--stop", "nas")
	refused("The agent runs on board", "--stop", "board")
	refused("No host of the policy in force is called \"desk\"", "--stop", "desk")
	refused("app is up", "--start", "app")
	refused("is not one that a person's word ends", "--clear", "source-silent:app")
	refused("host-given-up of app is not so now", "--clear", "host-given-up:app")
	refused("memory-refused is not so now", "--clear", "memory-refused")
	if _, errs, code := r.ordered("", "status", "--stop", "app", "--hold"); code != exitUsage || !strings.Contains(errs, "one order at a time") {
		t.Errorf("two orders: exit code %d, %s", code, errs)
	}

	taken("--stop", "app")
	r.until("app is off by the order", time.Minute, func() bool { return r.power("app") == "off stop" })
	if r.rack.Up(1) || !r.rack.Up(0) || !r.rack.Up(2) {
		t.Errorf("up: lab %v, app %v, nas %v", r.rack.Up(0), r.rack.Up(1), r.rack.Up(2))
	}
	r.kill()
	r.start("one")
	r.until("the agent knows it after its death", time.Minute, func() bool { return r.power("app") == "off stop" && r.power("nas") == "up" })
	taken("--start", "app")
	r.until("app is up", time.Minute, func() bool { return r.rack.Up(1) && r.power("app") == "up" })

	stands := func(code shutdown.Code, says string) bool {
		v, _ := r.status()
		for _, c := range v.Conditions {
			if c.Code == code.String() && c.Host == "lab" && strings.Contains(c.Text, says) {
				return true
			}
		}
		return false
	}
	r.rack.SetMode(0, peertest.Refuse)
	taken("--stop", "lab")
	r.until("what the host said is told", time.Minute, func() bool {
		return stands(shutdown.HostRefuses, `refuses the order to stop: "exit status 1: a password is required". Check`)
	})
	r.rack.SetMode(0, peertest.Ignore) // it is asked once more
	r.until("the stop has failed", 2*time.Minute, func() bool { return stands(shutdown.StopFailed, "--clear stop-failed:lab") })
	if !r.rack.Up(0) || r.phase() != "normal" {
		t.Errorf("lab up: %v, UPS %s", r.rack.Up(0), r.phase())
	}
	taken("--clear", "stop-failed:lab")
	r.until("the condition is over", time.Minute, func() bool { return !stands(shutdown.StopFailed, "") && r.power("lab") == "up" })
	out, errs, code := r.ordered("", "history", "orders")
	for _, want := range []string{"stop app", "start app", "stop lab", "clear stop-failed lab", "root"} {
		if !strings.Contains(out, want) {
			t.Errorf("the history, exit code %d, does not have %q: %s%s", code, want, out, errs)
		}
	}
}

// Aim: a real stop of one host by daylight stops that host, measures it, brings it back,
// and the plan counts on what was measured; nothing is stopped where the host's name is
// not typed or something speaks against it. Method: real OpenSSH hosts, of which one
// takes twice as long as the policy says; ebbline rehearse as a process.
func TestReally(t *testing.T) {
	t.Parallel()
	r := startRoom(t)
	if _, errs, code := r.ordered("", "rehearse", r.policy, "--really", "app", "--yes"); code != exitFailed || !strings.Contains(errs, "no agent listens") {
		t.Errorf("without an agent: exit code %d, %s", code, errs)
	}
	r.start("one")
	r.calm()
	for _, c := range []struct{ typed, host, says string }{
		{"lab\n", "app", "was not typed"},
		{"", "app", "was not typed"},
		{"", "board", "the agent runs on board"},
		{"nas\n", "nas", "app needs nas, and app is up"},
	} {
		if out, errs, code := r.ordered(c.typed, "rehearse", r.policy, "--really", c.host); code != exitFailed || !strings.Contains(errs, c.says) || !strings.Contains(errs, "Nothing was stopped") {
			t.Errorf("%s, typed %q: exit code %d, %s%s", c.host, c.typed, code, out, errs)
		}
	}
	for i, name := range r.names {
		if n := len(r.rack.Commands(i)); n > 0 {
			t.Fatalf("%s was asked to stop: %v", name, r.rack.Commands(i))
		}
	}

	r.rack.SetMode(1, peertest.Slow(6*time.Second))
	began := time.Now()
	out, errs, code := r.ordered("app\n", "rehearse", r.policy, "--really", "app", "--json")
	var v reallyView
	if err := json.Unmarshal([]byte(out), &v); err != nil || code != exitDone || !v.Done || v.Down == nil || v.Back == nil {
		t.Fatalf("exit code %d, %v\n%s%s", code, err, out, errs)
	}
	// It went no sooner than it can, and all of it happened while the command ran.
	if *v.Down < 5 || *v.Down+*v.Back > time.Since(began).Seconds() || v.Counted != 3 {
		t.Errorf("down after %v s, back after %v s, counted on %v s", *v.Down, *v.Back, v.Counted)
	}
	for _, want := range []string{"FOR REAL", "app is asked to stop", "app is down", "app is back", "write stops_in"} {
		if !strings.Contains(errs, want) {
			t.Errorf("%q is not in\n%s", want, errs)
		}
	}
	if !r.rack.Up(1) || len(r.rack.Commands(1)) != 1 || len(r.rack.Commands(0))+len(r.rack.Commands(2)) > 0 {
		t.Errorf("up %v; commands %v, %v, %v", r.rack.Up(1), r.rack.Commands(0), r.rack.Commands(1), r.rack.Commands(2))
	}
	r.until("the agent counts on it", time.Minute, func() bool {
		r.mu.Lock()
		defer r.mu.Unlock()
		return strings.Contains(r.log.String(), "host app: stops in")
	})
	if now, err := r.status(); err != nil || now.Outage != nil || now.UPSs[0].Phase != "normal" {
		t.Errorf("afterwards: %+v, %v", now, err)
	}
}
