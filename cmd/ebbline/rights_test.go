package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbline/agent/peertest"
	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/shutdown"
)

// rightsPolicy has a hypervisor that is prepared, stopped and told to start and to
// stop its guest, all over one login.
const rightsPolicy = `
site "hall" {}

ups "rack" {
  rated_watts = 2700
  battery {
    chemistry = "lfp"
    volts     = 24
    amp_hours = 100
  }
}

host "hyper" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 200
  stops_in = "30s"
  prepare {
    command = "sudo -n %[1]s early"
    ahead   = "1m"
  }
  ssh {
    address  = "%[2]s"
    user     = "%[3]s"
    key      = secret("ssh-key")
    host_key = "%[4]s"
    command  = "sudo %[1]s"
  }
}

host "web" {
  priority = 10
  runs_on  = "hyper"
  stops_in = "10s"
  ssh {
    address  = "%[2]s:22"
    user     = "%[3]s"
    key      = secret("ssh-key")
    host_key = "%[4]s"
    command  = "sudo %[1]s web"
  }
  start { command = "echo web starts" }
}
`

// Aim: the lines of check --rights let through every order that the policy gives,
// a guest's start among them, and rehearse tells for each whether they do, without
// giving one. Method: a real sshd and a real sudo; every command that could run by
// mistake would power the host off.
func TestRights(t *testing.T) {
	t.Parallel()
	rack := peertest.StartHosts(t, 1, peertest.HostOptions{Unprivileged: true})
	dir := t.TempDir()
	key, err := rack.Secret(peertest.HostKeySecret)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "hall.hcl")
	way := rack.SSH(0)
	text := fmt.Sprintf(rightsPolicy, peertest.PowerOff, way.Address, way.User, way.HostKey)
	for name, value := range map[string][]byte{path: []byte(text), filepath.Join(dir, "ssh-key"): key} {
		if err := os.WriteFile(name, value, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	run := func(args ...string) []byte {
		t.Helper()
		var out, errs bytes.Buffer
		args = append(args, path, "--secrets", dir, "--history", "none")
		Run(t.Context(), args, Streams{In: strings.NewReader(""), Out: &out, Err: &errs, Env: func(string) string { return "" }})
		if errs.Len() > 0 {
			t.Errorf("%q: %s", args, &errs)
		}
		return out.Bytes()
	}
	var least struct {
		Rights []rightsView `json:"rights"`
	}
	if err := json.Unmarshal(run("check", "--rights", "--json"), &least); err != nil {
		t.Fatal(err)
	}
	if len(least.Rights) != 1 || !slices.Equal(least.Rights[0].Hosts, []string{"hyper", "web"}) || len(least.Rights[0].AuthorizedKeys) != 2 {
		t.Fatalf("the rights are %+v", least.Rights)
	}
	lines, sudoers := strings.Join(least.Rights[0].AuthorizedKeys, "\n"), least.Rights[0].Sudoers
	if shown := string(run("check", "--rights")); !strings.Contains(shown, "For hyper, web: on ") || !strings.Contains(shown, sudoers) {
		t.Errorf("it prints %s", shown)
	}

	// rehearsed gives each way's verdict, with a star where the host says yes.
	rehearsed := func() (list []string, text string) {
		t.Helper()
		var v rehearsalView
		if err := json.Unmarshal(run("rehearse", "--json"), &v); err != nil {
			t.Fatal(err)
		}
		for _, h := range v.Hosts {
			for _, w := range h.Ways {
				yes := ""
				if w.MayRun {
					yes = "*"
				}
				list = append(list, fmt.Sprintf("%s %s %s %s%s", h.Name, w.For, w.By, w.Verdict, yes))
			}
		}
		slices.Sort(list)
		return list, strings.Join(strings.Fields(string(run("rehearse"))), " ")
	}
	expect := func(when, said string, want ...string) {
		t.Helper()
		got, text := rehearsed()
		if !slices.Equal(got, want) || !strings.Contains(text, said) {
			t.Errorf("%s: %q, want %q;\n%s\nwant %q", when, got, want, text, said)
		}
	}
	own := strings.Split(lines, "\n")[0]
	rack.Allow(0, own, sudoers)
	expect("without the second line", "was not to be asked of web, hyper",
		"hyper stop prepare ready", "hyper stop ssh ready", "web start host ready", "web stop ssh ready")
	rack.Allow(0, lines, sudoers)
	expect("with all lines", "Not tried: the orders themselves.",
		"hyper stop prepare ready*", "hyper stop ssh ready*", "web start host ready*", "web stop ssh ready*")
	rack.Allow(0, lines, peertest.HostUser+" ALL=(root) NOPASSWD: "+peertest.PowerOff+` ""`)
	expect("a former line of sudoers", "ebbline check --rights",
		"hyper stop prepare refused", "hyper stop ssh ready*", "web start host ready*", "web stop ssh refused")
	rack.Allow(0, strings.ReplaceAll(lines, "echo web starts", "echo db starts"), sudoers)
	expect("a former line of authorized_keys", "this key may not run that",
		"hyper stop prepare ready*", "hyper stop ssh ready*", "web start host refused", "web stop ssh ready*")
	if !rack.Up(0) {
		t.Fatal("an order was given")
	}

	files, err := policyFiles(path)
	if err != nil {
		t.Fatal(err)
	}
	p, _, diags := load.Load(files, load.Options{})
	if p == nil {
		t.Fatal(diags)
	}
	k, err := hostNamed(p, "web")
	if err != nil {
		t.Fatal(err)
	}
	rack.Allow(0, lines, sudoers)
	reach := newReach(&p.Hosts[k], func(policy.Secret) ([]byte, error) { return key, nil })
	soon := time.Now().Add(time.Minute)
	if outcome, text := reach.starts[0](t.Context(), shutdown.VerbStart, soon); outcome != shutdown.Accepted {
		t.Errorf("the guest's start: %v, %s", outcome, text)
	}
	if outcome, text := reach.methods[0](t.Context(), shutdown.VerbShutDown, soon); outcome != shutdown.Accepted {
		t.Errorf("the guest's stop, which powers the host off: %v, %s", outcome, text)
	}
	rack.WaitDown(0)
}
