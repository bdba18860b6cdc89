package ssh

import (
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"ebbline/agent/peertest"
	"ebbline/policy"
	"ebbline/shutdown"
)

// Aim: the two lines of a Grant suffice to power a host off, and allow nothing
// else. Method: a real sshd and a real sudo, the user without any right but
// those; visudo judges the line first.
func TestGrantSufficesAndNoMore(t *testing.T) {
	r := peertest.StartHosts(t, 1, peertest.HostOptions{Unprivileged: true})
	config := r.SSH(0)
	config.Command = "sudo " + peertest.PowerOff
	h := New(config, "x", r.Secret)
	if outcome, text := do(t, h, config.Command, soon); outcome != shutdown.Refused {
		t.Errorf("without a line: %v, %s", outcome, text)
	}
	// A further command that the user's own rights suffice for.
	grant, err := h.Grant("echo ready")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "sudoers")
	writeFile(t, path, grant.Sudoers+"\n")
	if out, err := exec.Command("visudo", "-c", "-f", path).CombinedOutput(); err != nil {
		t.Fatalf("visudo: %s", out)
	}
	r.Allow(0, grant.AuthorizedKeys, "")
	if outcome, text := do(t, h, config.Command, soon); outcome != shutdown.Refused || !strings.Contains(text, "sudo:") {
		t.Errorf("without the line of sudoers: %v, %s", outcome, text)
	}
	r.Allow(0, grant.AuthorizedKeys, grant.Sudoers)
	if rep := h.Check(t.Context()); rep.Err != nil {
		t.Errorf("check: %v", rep.Err)
	}
	if outcome, text := do(t, h, "echo ready", soon); outcome != shutdown.Accepted {
		t.Errorf("the further command: %v, %s", outcome, text)
	}
	for _, other := range []string{"true", "sh", "sudo -n id", peertest.PowerOff, config.Command + " now", config.Command + ";id", ""} {
		if outcome, text := do(t, h, other, soon); outcome != shutdown.Refused || text != "exit status 126: this key may not run that" {
			t.Errorf("%q: %v, %s", other, outcome, text)
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

// Aim: commands are written into the lines as sshd and sudo read them, and one
// that cannot be is refused with the reason. Method: a table; visudo reads each
// line.
func TestGrantLines(t *testing.T) {
	r := peertest.StartHosts(t, 0, peertest.HostOptions{})
	key := publicLine(r.ClientKey())
	for _, c := range []struct {
		command, stop, run, sudoers, err string
	}{
		{command: "", stop: "ebbline stop", run: "sudo -n /usr/bin/systemctl poweroff", sudoers: "/usr/bin/systemctl poweroff"},
		{command: "sudo systemctl poweroff", stop: "sudo systemctl poweroff", run: "sudo -n /usr/bin/systemctl poweroff", sudoers: "/usr/bin/systemctl poweroff"},
		{command: "sudo -n shutdown -h now", stop: "sudo -n shutdown -h now", run: "sudo -n /usr/sbin/shutdown -h now", sudoers: "/usr/sbin/shutdown -h now"},
		{command: "sudo poweroff", stop: "sudo poweroff", run: "sudo -n /usr/sbin/poweroff", sudoers: `/usr/sbin/poweroff ""`},
		{command: "sudo /opt/stop --mode=a,b x:y", stop: "sudo /opt/stop --mode=a,b x:y", run: "sudo -n /opt/stop --mode=a,b x:y", sudoers: `/opt/stop --mode\=a\,b x\:y`},
		{command: "poweroff", stop: "poweroff", run: "poweroff"},
		{command: "sudo stop-all", err: "write its full path"},
		{command: "sudo -u guest /bin/x", err: "write its full path"},
		{command: "sudo systemctl poweroff; reboot", err: "put it into a script"},
		{command: "echo $HOME", err: "put it into a script"},
		{command: "a\nb", err: "put it into a script"},
	} {
		config := policy.SSH{User: "ebbline", Key: peertest.HostKeySecret, Command: c.command}
		grant, err := New(config, "x", r.Secret).Grant()
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) {
				t.Errorf("%q: got %v, want %q", c.command, err, c.err)
			}
			continue
		}
		line := `restrict,command="case \"$SSH_ORIGINAL_COMMAND\" in '` + c.stop + `') exec ` + c.run +
			`;; *) echo \"this key may not run that\" >&2; exit 126;; esac" ` + key + ` ebbline`
		if err != nil || grant.AuthorizedKeys != line {
			t.Errorf("%q: %v, got\n%s\nwant\n%s", c.command, err, grant.AuthorizedKeys, line)
		}
		sudoers := ""
		if c.sudoers != "" {
			sudoers = "ebbline ALL=(root) NOPASSWD: " + c.sudoers
		}
		if grant.Sudoers != sudoers {
			t.Errorf("%q: got %s, want %s", c.command, grant.Sudoers, sudoers)
		}
		path := filepath.Join(t.TempDir(), "sudoers")
		writeFile(t, path, grant.Sudoers+"\n")
		if out, err := exec.Command("visudo", "-c", "-f", path).CombinedOutput(); err != nil {
			t.Errorf("%q: visudo (apt-get install sudo): %v: %s", c.command, err, out)
		}
	}
}
