package ssh

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	gossh "golang.org/x/crypto/ssh"

	"ebbline/agent/peertest"
	"ebbline/policy"
	"ebbline/shutdown"
)

// Aim: the lines of a Grant suffice to power a host off, and to learn beforehand
// that they do, and allow nothing else. Method: a real sshd and a real sudo, the
// user without any right but those; visudo judges the line first.
func TestGrantSufficesAndNoMore(t *testing.T) {
	r := peertest.StartHosts(t, 1, peertest.HostOptions{Unprivileged: true})
	config := r.SSH(0)
	config.Command = "sudo " + peertest.PowerOff
	const further, mistyped = "echo ready", "no-such-program now"
	h := New(config, "x", r.Secret)
	if outcome, text := do(t, h, config.Command, soon); outcome != shutdown.Refused {
		t.Errorf("without a line: %v, %s", outcome, text)
	}
	// Further commands that the user's own rights suffice for.
	grant, err := h.Grant(config.Command, further, mistyped)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "sudoers")
	writeFile(t, path, grant.Sudoers+"\n")
	if out, err := exec.Command("visudo", "-c", "-f", path).CombinedOutput(); err != nil {
		t.Fatalf("visudo: %s", out)
	}
	own, _, _ := strings.Cut(grant.AuthorizedKeys, "\n")
	r.Allow(0, own, "")
	if err := h.May(t.Context(), config.Command); !errors.Is(err, ErrNotAsked) {
		t.Errorf("may it, without the second line: %v", err)
	}
	r.Allow(0, grant.AuthorizedKeys, "")
	if outcome, text := do(t, h, config.Command, soon); outcome != shutdown.Refused || !strings.Contains(text, "sudo:") {
		t.Errorf("without the line of sudoers: %v, %s", outcome, text)
	}
	may := func(command, want string) {
		t.Helper()
		switch err := h.May(t.Context(), command); {
		case want == "" && err != nil:
			t.Errorf("may it %q: %v", command, err)
		case want != "" && (!errors.Is(err, errRefused) || !strings.Contains(err.Error(), want)):
			t.Errorf("may it %q: %v, want %q", command, err, want)
		}
	}
	may(config.Command, "sudo: a password is required")
	r.Allow(0, grant.AuthorizedKeys, mayElse)
	may(config.Command, "exit status 1")
	r.Allow(0, grant.AuthorizedKeys, grant.Sudoers)
	if rep := h.Check(t.Context()); rep.Err != nil {
		t.Errorf("check: %v", rep.Err)
	}
	may(config.Command, "")
	may(further, "")
	may(mistyped, "exit status 127")
	may("sudo -n id", "this key may not run that")
	if outcome, text := do(t, h, further, soon); outcome != shutdown.Accepted {
		t.Errorf("the further command: %v, %s", outcome, text)
	}
	for _, other := range []string{"true", "sh", "sudo -n id", peertest.PowerOff, config.Command + " now", config.Command + ";id", "", "ebbline check " + config.Command} {
		if outcome, text := do(t, h, other, soon); outcome != shutdown.Refused || text != "exit status 126: this key may not run that" {
			t.Errorf("%q: %v, %s", other, outcome, text)
		}
	}
	// The key that may ask can do nothing else, with the very order either.
	asks, err := h.askerKey()
	if err != nil {
		t.Fatal(err)
	}
	block, err := gossh.MarshalPrivateKey(asks, "")
	if err != nil {
		t.Fatal(err)
	}
	only := New(config, "x", func(policy.Secret) ([]byte, error) { return pem.EncodeToMemory(block), nil })
	for _, order := range []string{config.Command, further, "", "sh"} {
		if outcome, text := do(t, only, order, soon); outcome != shutdown.Refused || text != "exit status 126: this key may not run that" {
			t.Errorf("the key that may ask, told %q: %v, %s", order, outcome, text)
		}
	}
	if !r.Up(0) {
		t.Fatal("one of these powered the host off")
	}
	if outcome, text := do(t, h, config.Command, soon); outcome != shutdown.Accepted {
		t.Errorf("the command: %v, %s", outcome, text)
	}
	r.WaitDown(0)
}

// mayElse lets the user run something else as root.
const mayElse = peertest.HostUser + " ALL=(root) NOPASSWD: /usr/bin/id"

// Each kind of key that ssh-keygen makes gives a key that asks, always the same.
func TestAsker(t *testing.T) {
	for _, kind := range []string{"ed25519", "ecdsa", "rsa"} {
		path := filepath.Join(t.TempDir(), "key")
		if out, err := exec.Command("ssh-keygen", "-q", "-t", kind, "-N", "", "-f", path).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		h := New(policy.SSH{User: "ebbline", Address: "192.0.2.1"}, "x", func(policy.Secret) ([]byte, error) { return os.ReadFile(path) })
		first, err := h.askerKey()
		if err != nil {
			t.Errorf("%s: %v", kind, err)
			continue
		}
		// The same key, written anew: the file's bytes differ.
		if out, err := exec.Command("ssh-keygen", "-q", "-p", "-N", "", "-C", "again", "-f", path).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		again, err := h.askerKey()
		if err != nil || !bytes.Equal(first, again) {
			t.Errorf("%s: written anew it gives another key, %v", kind, err)
		}
		if own, err := h.signer(); err != nil || describe(own.PublicKey()) == fingerprint(t, first) {
			t.Errorf("%s: the key that asks is the agent's own, %v", kind, err)
		}
	}
}

func fingerprint(t *testing.T, key ed25519.PrivateKey) string {
	t.Helper()
	public, err := gossh.NewPublicKey(key.Public())
	if err != nil {
		t.Fatal(err)
	}
	return describe(public)
}

// sudoRule is what sudo's own parser makes of a line.
type sudoRule struct {
	UserList []map[string]any `json:"User_List"`
	HostList []map[string]any `json:"Host_List"`
	Specs    []struct {
		Runas    []map[string]any    `json:"runasusers"`
		Options  []map[string]any    `json:"Options"`
		Commands []map[string]string `json:"Commands"`
	} `json:"Cmnd_Specs"`
}

// asSudoReads gives the one rule in a line, by cvtsudoers(1).
func asSudoReads(t *testing.T, line string) sudoRule {
	t.Helper()
	path := filepath.Join(t.TempDir(), "sudoers")
	writeFile(t, path, line+"\n")
	if out, err := exec.Command("visudo", "-c", "-f", path).CombinedOutput(); err != nil {
		t.Fatalf("%s: visudo (apt-get install sudo): %v: %s", line, err, out)
	}
	out, err := exec.Command("cvtsudoers", "-f", "json", path).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: cvtsudoers: %v: %s", line, err, out)
	}
	var all map[string]json.RawMessage
	var rules []sudoRule
	if err := json.Unmarshal(out, &all); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(all["User_Specs"], &rules); err != nil || len(rules) != 1 || len(all) != 1 {
		t.Fatalf("%s: sudo reads %s, %v", line, out, err)
	}
	return rules[0]
}

// Aim: commands and users are written into the lines as sshd and sudo read them,
// and one that cannot be is refused with the reason. Method: a table; sudo's own
// parser says what it reads in each line.
func TestGrantLines(t *testing.T) {
	r := peertest.StartHosts(t, 0, peertest.HostOptions{})
	for _, c := range []struct {
		user, command, run, sudo, err string // sudo: the command as sudo reads it
	}{
		{command: "", run: "exec sudo -n /usr/bin/systemctl poweroff", sudo: "/usr/bin/systemctl poweroff"},
		{command: "sudo systemctl poweroff", run: "exec sudo -n /usr/bin/systemctl poweroff", sudo: "/usr/bin/systemctl poweroff"},
		{command: "sudo -n shutdown -h now", run: "exec sudo -n /usr/sbin/shutdown -h now", sudo: "/usr/sbin/shutdown -h now"},
		{command: "sudo poweroff", run: "exec sudo -n /usr/sbin/poweroff", sudo: `/usr/sbin/poweroff ""`},
		{command: "sudo /opt/stop --mode=a,b x:y", run: "exec sudo -n /opt/stop --mode=a,b x:y", sudo: "/opt/stop --mode=a,b x:y"},
		{command: "sudo /opt/stop 50% @all +x %y", run: "exec sudo -n /opt/stop 50% @all +x %y", sudo: "/opt/stop 50% @all +x %y"},
		{command: "poweroff", run: "exec poweroff"},
		{command: "virsh shutdown web-1", run: "exec virsh shutdown web-1"},
		{user: "_svc.stop-1", command: "sudo poweroff", run: "exec sudo -n /usr/sbin/poweroff", sudo: `/usr/sbin/poweroff ""`},
		{command: "sudo stop-all", err: "write its full path"},
		{command: "sudo -u guest /bin/x", err: "write its full path"},
		{command: "sudo /opt/", err: `write the program's own path, "/opt"`},
		{command: "sudo /opt/../bin/sh", err: `write the program's own path, "/bin/sh"`},
		{command: "sudo systemctl poweroff; reboot", err: "put it into a script"},
		{command: "sudo /opt/stop *", err: "put it into a script"},
		{command: `sudo /opt/stop \`, err: "put it into a script"},
		{command: "sudo /opt/stop ^.*$", err: "put it into a script"},
		{command: "sudo /opt/stop !x", err: "put it into a script"},
		{command: "sudo /opt/stop #x", err: "put it into a script"},
		{command: `sudo /opt/stop "x y"`, err: "put it into a script"},
		{command: "poweroff') sh;; 'x", err: "put it into a script"},
		{command: "poweroff\" ssh-ed25519 AAAA", err: "put it into a script"},
		{command: "echo $HOME", err: "put it into a script"},
		{command: "-c poweroff", err: "put it into a script"},
		{command: "A=b poweroff", err: "put it into a script"},
		{command: "poweroff  now", err: "put it into a script"},
		{command: "powerоff", err: "put it into a script"}, // a Cyrillic letter
		{command: "a\nb", err: "put it into a script"},
		{user: "ALL", err: "small letters"},
		{user: "BACKUP", err: "small letters"}, // would be an alias
		{user: "Defaults", err: "small letters"},
		{user: "%wheel", err: "small letters"},
		{user: "#0", err: "small letters"},
		{user: "+hosts", err: "small letters"},
		{user: "!root", err: "small letters"},
		{user: "a,root", err: "small letters"},
		{user: "a b", err: "small letters"},
		{user: "a\nroot ALL", err: "small letters"},
		{user: "../root", err: "small letters"},
		{user: "ebbline ALL=(ALL) NOPASSWD: ALL #", err: "small letters"},
	} {
		if c.user == "" {
			c.user = "ebbline"
		}
		h := New(policy.SSH{User: c.user, Key: peertest.HostKeySecret}, "x", r.Secret)
		grant, err := h.Grant(c.command)
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) {
				t.Errorf("%q as %q: got %v, want %q", c.command, c.user, err, c.err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%q as %q: %v", c.command, c.user, err)
			continue
		}
		asked := c.command
		if asked == "" {
			asked = ForcedCommand
		}
		line, second, _ := strings.Cut(grant.AuthorizedKeys, "\n")
		want := `restrict,command="case \"$SSH_ORIGINAL_COMMAND\" in '` + asked + `') ` + c.run +
			`;; *) echo \"this key may not run that\" >&2; exit 126;; esac" ` + publicLine(r.ClientKey()) + ` ebbline`
		if line != want {
			t.Errorf("%q: got\n%s\nwant\n%s", c.command, line, want)
		}
		if !strings.HasPrefix(second, `restrict,command="case \"$SSH_ORIGINAL_COMMAND\" in 'ebbline check `+asked+`') `) {
			t.Errorf("%q: the second line is %s", c.command, second)
		}
		if c.sudo == "" {
			if grant.Sudoers != "" {
				t.Errorf("%q: got %s", c.command, grant.Sudoers)
			}
			continue
		}
		rule := asSudoReads(t, grant.Sudoers)
		got := fmt.Sprint(rule.UserList, rule.HostList, rule.Specs)
		read := fmt.Sprintf("[map[username:%s]] [map[hostname:ALL]] [{[map[username:root]] [map[authenticate:false]] [map[command:%s]]}]", c.user, c.sudo)
		if got != read {
			t.Errorf("%q as %q: sudo reads %s, want %s", c.command, c.user, got, read)
		}
	}
}
