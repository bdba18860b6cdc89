package packaging

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbline/agent"
	"ebbline/agent/peertest"
)

func TestMain(m *testing.M) { peertest.Main(m) }

// container is a Debian that has booted: this machine's programs and list of
// packages, with an /etc and a /var of its own, and its network.
type container struct {
	t    *testing.T
	out  string // a folder of both, /run/out inside
	init string // its first process, as this machine counts
}

// boot starts a container. It ends with the test.
func boot(t *testing.T) *container {
	t.Helper()
	nspawn, unshare := tool(t, "systemd-nspawn"), tool(t, "unshare")
	for _, name := range []string{"nsenter", "/usr/bin/dbus-daemon", "/usr/bin/deb-systemd-invoke"} {
		tool(t, name)
	}
	dir := t.TempDir()
	c := &container{t: t, out: filepath.Join(dir, "out")}
	for _, d := range []string{"out", "root", "layer"} {
		if err := os.Mkdir(filepath.Join(dir, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	setUp, err := filepath.Abs("testdata/package/root.sh")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(unshare, "--mount", "--pid", "--fork", "--kill-child", "--mount-proc", "sh", "-euc",
		`sh -eu "$1" "$2/root" "$2/layer"; mount -t cgroup2 none /sys/fs/cgroup 2>/dev/null || :
		exec "$3" -q -D "$2/root" --register=no --keep-unit --console=pipe --bind="$2/out:/run/out" --boot`, "sh", setUp, dir, nspawn)
	var console bytes.Buffer
	cmd.Stdout, cmd.Stderr = &console, &console
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() { cmd.Wait(); close(ended) }()
	t.Cleanup(func() {
		cmd.Process.Kill() // and with it all of its pid namespace
		<-ended
	})
	until(t, "the container has booted", func() string {
		select {
		case <-ended:
			t.Fatalf("no container boots here:\n%s", console.String())
		default:
		}
		c.init = first(strconv.Itoa(cmd.Process.Pid))
		if c.init == "" {
			return "no first process"
		}
		out, _ := c.run("systemctl is-system-running")
		if s := strings.TrimSpace(out); s != "running" && s != "degraded" {
			return out
		}
		return ""
	})
	return c
}

// first finds the first process of a container among the descendants of one: it
// is called systemd.
func first(pid string) string {
	children, _ := filepath.Glob("/proc/" + pid + "/task/*/children")
	for _, file := range children {
		text, _ := os.ReadFile(file)
		for _, child := range strings.Fields(string(text)) {
			if name, _ := os.ReadFile("/proc/" + child + "/comm"); string(name) == "systemd\n" {
				return child
			}
			if found := first(child); found != "" {
				return found
			}
		}
	}
	return ""
}

// run runs a script inside, as root, and gives what it said and its exit code.
func (c *container) run(script string) (string, int) {
	cmd := exec.Command("nsenter", "-t", c.init, "--mount", "--uts", "--ipc", "--pid", "--root", "--wd", "sh", "-c", script)
	cmd.Env = []string{"PATH=/usr/sbin:/usr/bin:/sbin:/bin", "LANG=C.UTF-8", "DEBIAN_FRONTEND=noninteractive"}
	out, err := cmd.CombinedOutput()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		c.t.Fatal(err)
	}
	return string(out), cmd.ProcessState.ExitCode()
}

// must runs what has to succeed.
func (c *container) must(script string) string {
	c.t.Helper()
	out, code := c.run(script)
	if code != 0 {
		log, _ := c.run("journalctl -n 60 --no-pager")
		c.t.Fatalf("%s: exit code %d\n%s\n%s", script, code, out, log)
	}
	return out
}

// give puts a file into the container.
func (c *container) give(path, text string, mode string) {
	c.t.Helper()
	write(c.t, filepath.Join(c.out, "file"), text)
	c.must("install -D -m " + mode + " /run/out/file " + path)
}

// status is what the agent inside says.
func (c *container) status() (v agent.View, err error) {
	out, code := c.run("ebbline status --json")
	if code != 0 {
		return v, errors.New(out)
	}
	return v, json.Unmarshal([]byte(out), &v)
}

// until waits until a question has no objection any more. The limit is far beyond
// what it takes.
func until(t *testing.T, what string, objection func() string) {
	t.Helper()
	for end := time.Now().Add(5 * time.Minute); ; time.Sleep(200 * time.Millisecond) {
		said := objection()
		if said == "" {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("not within five minutes: %s: %s", what, said)
		}
	}
}

// has tells whether a text has what a pattern says, and fails if not.
func has(t *testing.T, what, text, pattern string) {
	t.Helper()
	if !regexp.MustCompile(pattern).MatchString(text) {
		t.Errorf("%s: no %q in\n%s", what, pattern, text)
	}
}

// life installs a package, upgrades it in the middle of an outage, to one that works
// and to one that does not, tries to remove it there, and removes it in the end.
// Real are systemd, dpkg, the UPS's card (net-snmp, over SNMPv3) and the hosts
// (OpenSSH in namespaces, magic packets).
func life(t *testing.T, old, newer string) {
	if os.Getuid() != 0 {
		t.Skip("it boots a container, as root")
	}
	state := peertest.DefaultUPS()
	state.Numbers["upsOutputPower.1"] = 200
	state.Battery = &peertest.Battery{Full: 200 * 5400, Left: 200 * 5400, ChargeWatts: 40000}
	card := peertest.StartSNMPD(t, state)
	rack := peertest.StartHosts(t, 2, peertest.HostOptions{})
	c := boot(t)
	for name, from := range map[string]string{"old.deb": old, "newer.deb": newer, "broken.deb": broken(t, newer)} {
		copyTo(t, from, filepath.Join(c.out, name))
	}
	before := c.files()

	has(t, "a first installation", c.must("dpkg -i /run/out/old.deb"), `(?s)put the policy into /etc/ebbline`)
	has(t, "it starts nothing", c.must("systemctl is-active ebbline; systemctl is-enabled ebbline; id ebbline; stat -c '%a %U' /etc/ebbline/secrets"),
		`^inactive\ndisabled\nuid=\d+\(ebbline\).*\n700 root\n`)
	c.furnish(card, rack)
	c.must("systemctl daemon-reload && systemctl enable --now ebbline")
	until(t, "all is normal", c.normally(func(v *agent.View) bool { return v.UPSs[0].OwnChargePercent != nil }))

	// The outage; lab goes first.
	card.Unplug()
	until(t, "lab is down", func() string {
		if len(rack.Commands(0)) == 0 || rack.Up(0) {
			return "up"
		}
		return ""
	})
	card.Set(func(s *peertest.UPSState) { s.Numbers["upsOutputPower.1"] = 100 })
	until(t, "the agent knows that", c.off("lab"))
	running := c.must("systemctl show -p MainPID --value ebbline")
	has(t, "an upgrade in an outage", c.must("dpkg -i /run/out/newer.deb"), `an outage is under way.*systemctl restart ebbline`)
	c.goesOn("after the upgrade", running)
	said, code := c.run("dpkg -r ebbline")
	has(t, "removal in an outage", said, `NOT REMOVED: an outage is under way.*systemctl stop ebbline`)
	if code == 0 {
		t.Error("the package is removed in an outage")
	}
	c.goesOn("after the removal that was refused", running)
	has(t, "it is still installed", c.must("dpkg-query -W -f '${Status} ${Version}' ebbline"), `install ok installed 0\.2\.0`)

	// Restarted in the outage, it goes on with the new program.
	c.must("systemctl restart ebbline")
	has(t, "the program", c.program(), `^/usr/bin/ebbline$`)
	has(t, "its version", c.must("journalctl -u ebbline -o cat"), `(?s)"version":"0\.1\.0".*"version":"0\.2\.0"`)
	until(t, "the outage goes on", c.off("lab"))

	// One that does not work, and the agent crashes.
	running = c.must("systemctl show -p MainPID --value ebbline")
	c.must("dpkg -i /run/out/broken.deb")
	c.goesOn("after the broken upgrade", running)
	c.must("systemctl kill -s KILL --kill-who=main ebbline")
	until(t, "the program before does the work", c.off("lab"))
	has(t, "the program", c.program(), `^/usr/lib/ebbline/before-upgrade$`)
	if v, err := c.status(); err != nil || !raised(&v, "upgrade-failed") {
		t.Errorf("no condition upgrade-failed: %v, %v", v.Conditions, err)
	}
	if v, err := c.status(); err != nil || v.Outage == nil || v.Outage.Number != 1 {
		t.Errorf("it is not the first outage any more: %v, %v", v.Outage, err)
	}
	if n, m := len(rack.Commands(0)), len(rack.Commands(1)); n != 1 || m != 0 {
		t.Errorf("lab was asked %d times to stop, nas %d times", n, m)
	}

	card.PlugIn()
	until(t, "lab is back, all is normal", c.normally(func(*agent.View) bool { return rack.Up(0) }))

	// With all normal, an upgrade restarts the agent, and says how that went.
	has(t, "a broken upgrade", c.must("dpkg -i /run/out/broken.deb"), `version 0\.3\.0 does not stay up; the one before it does the work`)
	until(t, "all is normal", c.normally(func(v *agent.View) bool { return raised(v, "upgrade-failed") }))
	said = c.must("dpkg -i --force-downgrade /run/out/newer.deb")
	if strings.Contains(said, "outage") || strings.Contains(said, "stay up") {
		t.Errorf("an upgrade with all normal: %s", said)
	}
	has(t, "the program", c.program(), `^/usr/bin/ebbline$`)
	until(t, "all is normal", c.normally(func(v *agent.View) bool { return !raised(v, "upgrade-failed") }))

	running = c.must("systemctl show -p MainPID --value ebbline")
	c.must("dpkg -r ebbline")
	has(t, "removed", c.must("systemctl is-active ebbline; ls /var/lib/ebbline; ls /proc/"+strings.TrimSpace(running)+" 2>&1 || :"),
		`(?s)^inactive\n.*journal\n.*No such file`)
	c.must("dpkg -P ebbline")
	var left []string
	for file := range c.files() {
		if !before[file] {
			left = append(left, file)
		}
	}
	slices.Sort(left)
	if !slices.Equal(left, written) {
		t.Errorf("a purge leaves\n%q\nwant\n%q", left, written)
	}
	if n := len(rack.Commands(1)); n != 0 {
		t.Errorf("nas was asked to stop: %v", rack.Commands(1))
	}
}

// written is what a user of the package writes, and all that a purge leaves.
var written = []string{
	"/etc/ebbline", "/etc/ebbline/known_hosts", "/etc/ebbline/room.hcl", "/etc/ebbline/secrets", "/etc/ebbline/secrets/ssh-key",
	"/etc/ebbline/secrets/ups-auth", "/etc/ebbline/secrets/ups-priv", "/etc/ebbline/variables.hcl",
}

// furnish gives the agent its policy and its secrets.
func (c *container) furnish(card *peertest.Card, rack *peertest.Rack) {
	c.t.Helper()
	v3 := card.User(card.SNMP(3), "SHA256", "AES")
	auth, err := peertest.Secret(v3.AuthKey)
	if err != nil {
		c.t.Fatal(err)
	}
	priv, err := peertest.Secret(v3.PrivKey)
	if err != nil {
		c.t.Fatal(err)
	}
	key, err := rack.Secret(peertest.HostKeySecret)
	if err != nil {
		c.t.Fatal(err)
	}
	known, err := os.ReadFile(rack.KnownHosts())
	if err != nil {
		c.t.Fatal(err)
	}
	room, err := os.ReadFile("testdata/package/room.hcl")
	if err != nil {
		c.t.Fatal(err)
	}
	variables := ""
	for name, value := range map[string]string{
		"card": card.Addr, "power_off": peertest.PowerOff, "lab": rack.Address(0), "nas": rack.Address(1),
		"lab_ethernet": rack.Ethernet(0), "nas_ethernet": rack.Ethernet(1), "broadcast": rack.Broadcast(),
	} {
		variables += fmt.Sprintf("variable %q { value = %q }\n", name, value)
	}
	c.give("/etc/ebbline/room.hcl", string(room), "0644")
	c.give("/etc/ebbline/variables.hcl", variables, "0644")
	c.give("/etc/ebbline/known_hosts", string(known), "0644")
	for name, value := range map[string][]byte{"ups-auth": auth, "ups-priv": priv, "ssh-key": key} {
		c.give("/etc/ebbline/secrets/"+name, string(value), "0600")
	}
}

// broken makes of a package a later version whose agent ends at once; its other
// commands work.
func broken(t *testing.T, deb string) string {
	t.Helper()
	root := unpack(t, deb)
	program, control := filepath.Join(root, "usr/bin/ebbline"), filepath.Join(root, "DEBIAN/control")
	if err := os.Rename(program, filepath.Join(root, "usr/lib/ebbline/works")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(program, []byte("#!/bin/sh\n[ \"$1\" != run ] || { echo broken >&2; exit 1; }\nexec /usr/lib/ebbline/works \"$@\"\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(control)
	if err != nil {
		t.Fatal(err)
	}
	write(t, control, strings.Replace(string(text), "Version: 0.2.0\n", "Version: 0.3.0\n", 1))
	to := filepath.Join(t.TempDir(), "broken.deb")
	if out, err := exec.Command("dpkg-deb", "-Znone", "-b", root, to).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return to
}

// files are all files of the container that a package may bring or leave.
func (c *container) files() map[string]bool {
	all := map[string]bool{}
	for file := range strings.Lines(c.must("find /etc /opt /srv /usr /var /root -xdev ! -path '/var/lib/dpkg/*' ! -path '/var/log/*' ! -path '/var/cache/*' ! -path '/var/tmp/*' ! -name 'passwd*' ! -name 'group*' ! -name 'shadow*' ! -name 'gshadow*' 2>/dev/null || :")) { // files may vanish meanwhile
		all[strings.TrimSpace(file)] = true
	}
	return all
}

// program is the file that the running agent was started from.
func (c *container) program() string {
	return strings.TrimSpace(c.must("readlink /proc/$(systemctl show -p MainPID --value ebbline)/exe"))
}

// goesOn checks that the agent that ran is the one that runs, in its outage.
func (c *container) goesOn(when, pid string) {
	c.t.Helper()
	if now := c.must("systemctl show -p MainPID --value ebbline"); now != pid {
		c.t.Errorf("%s another agent runs", when)
	}
	if v, err := c.status(); err != nil || v.Outage == nil {
		c.t.Errorf("%s the agent knows of no outage: %v", when, err)
	}
}

// normally objects until the agent says that all is normal, and so is what else is
// asked of its word.
func (c *container) normally(and func(*agent.View) bool) func() string {
	return func() string {
		v, err := c.status()
		switch {
		case err != nil:
			return err.Error()
		case v.Outage != nil || len(v.UPSs) == 0 || v.UPSs[0].Phase != "normal" || !and(&v):
			return fmt.Sprintf("%+v", v)
		}
		return ""
	}
}

// off objects until the agent says that, in an outage, a host is down.
func (c *container) off(host string) func() string {
	return func() string {
		v, err := c.status()
		if err != nil {
			return err.Error()
		}
		for _, h := range v.Hosts {
			if h.Name == host && h.Off && v.Outage != nil {
				return ""
			}
		}
		return fmt.Sprintf("%+v", v)
	}
}

func raised(v *agent.View, code string) bool {
	for _, c := range v.Conditions {
		if c.Code == code {
			return true
		}
	}
	return false
}
