// Package packaging holds what a distribution installs beside the binary; only
// its tests are Go. They put the files before the real systemd.
package packaging

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// tool finds a program or skips the test.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Skipf("%s is not installed here", name)
	}
	return path
}

// unit gives a copy of the service unit with another program to start.
func unit(t *testing.T, path, program string, more string) {
	t.Helper()
	text, err := os.ReadFile("ebbline.service")
	if err != nil {
		t.Fatal(err)
	}
	start := regexp.MustCompile(`(?m)^ExecStart=.*$`)
	if len(start.FindAll(text, -1)) != 1 {
		t.Fatal("the unit does not start one program")
	}
	text = start.ReplaceAll(text, []byte("ExecStart="+program))
	text = bytes.ReplaceAll(text, []byte("/usr/lib/ebbline/start"), []byte("/bin/true"))
	if err := os.WriteFile(path, append(text, more...), 0o644); err != nil {
		t.Fatal(err)
	}
}

// systemd knows every word of the unit, and rates its exposure: 2.0 and below
// is what it calls OK; a step back is seen here.
func TestUnit(t *testing.T) {
	analyze := tool(t, "systemd-analyze")
	path := filepath.Join(t.TempDir(), "ebbline.service")
	unit(t, path, "/bin/true", "")
	out, err := exec.Command(analyze, "verify", "--man=no", path).CombinedOutput()
	if err != nil || len(bytes.TrimSpace(out)) > 0 {
		t.Errorf("verify: %v\n%s", err, out)
	}
	out, err = exec.Command(analyze, "security", "--offline=true", "--threshold=15", "--no-pager", path).CombinedOutput()
	if err != nil {
		t.Errorf("security: %v\n%s", err, out)
	}
	text, err := os.ReadFile("ebbline.service")
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{"Type=notify", "WatchdogSec=30", "Restart=always", "User=ebbline", "CapabilityBoundingSet=", "NoNewPrivileges=yes"} {
		if !strings.Contains("\n"+string(text), "\n"+line+"\n") {
			t.Errorf("the unit has no line %q", line)
		}
	}
}

// The user and the folders are made as they should be. Method: the real tools,
// in a root of their own.
func TestUserAndFolders(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("it needs root")
	}
	sysusers, tmpfiles := tool(t, "systemd-sysusers"), tool(t, "systemd-tmpfiles")
	root := t.TempDir()
	if err := os.Mkdir(filepath.Join(root, "etc"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(root, "etc/passwd"), []byte("root:x:0:0::/root:/bin/sh\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(root, "etc/group"), []byte("root:x:0:\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for tool, file := range map[string]string{sysusers: "ebbline.sysusers", tmpfiles: "ebbline.tmpfiles"} {
		full, err := filepath.Abs(file)
		if err != nil {
			t.Fatal(err)
		}
		args := []string{"--root=" + root, full}
		if tool == tmpfiles {
			args = append([]string{"--create"}, args...)
		}
		if out, err := exec.Command(tool, args...).CombinedOutput(); err != nil {
			t.Errorf("%s: %v\n%s", file, err, out)
		}
	}
	passwd, err := os.ReadFile(filepath.Join(root, "etc/passwd"))
	if err != nil || !regexp.MustCompile(`(?m)^ebbline:x:\d+:\d+:ebbline agent:/var/lib/ebbline:.*nologin$`).Match(passwd) {
		t.Errorf("users: %s, %v", passwd, err)
	}
	group, err := os.ReadFile(filepath.Join(root, "etc/group"))
	if err != nil || !strings.Contains(string(group), "\nebbline-operators:") {
		t.Errorf("groups: %s, %v", group, err)
	}
	info, err := os.Stat(filepath.Join(root, "etc/ebbline/secrets"))
	if err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("the secrets' folder: %v, %v", info, err)
	}
}

// The unit does its work under the real systemd, D-Bus, logind and polkit: it
// starts when the agent says so, with no privilege at all, is restarted after a
// kill and when its loop stands still, and the agent powers its own host off by
// the polkit rule, and by nothing but that. Method: a container that boots from
// this machine's /usr; the agent is the real one, its UPS a stand-in.
func TestUnderSystemd(t *testing.T) {
	if testing.Short() || os.Getuid() != 0 {
		t.Skip("it boots a container: half a minute, as root")
	}
	nspawn, unshare := tool(t, "systemd-nspawn"), tool(t, "unshare")
	for _, path := range []string{"/usr/lib/polkit-1/polkitd", "/usr/bin/dbus-daemon", "/usr/bin/setpriv"} {
		tool(t, path)
	}
	dir := t.TempDir()
	out := filepath.Join(dir, "out")
	if err := os.Mkdir(out, 0o755); err != nil {
		t.Fatal(err)
	}
	for name, source := range map[string]string{"ebbline": "./testdata/room", "itself": "../cmd/ebbline"} {
		build := exec.Command("go", "build", "-o", filepath.Join(out, name), source)
		build.Env = append(os.Environ(), "CGO_ENABLED=0")
		if text, err := build.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
	}
	copyTo(t, "50-ebbline.rules", filepath.Join(out, "50-ebbline.rules"))
	copyTo(t, "testdata/container/steps.sh", filepath.Join(out, "steps.sh"))
	copyTo(t, "testdata/container/policy.hcl", filepath.Join(out, "policy.hcl"))
	files := map[string]string{
		"/etc/systemd/system/ebbline.service":        filepath.Join(dir, "ebbline.service"),
		"/etc/systemd/system/ebbline-itself.service": filepath.Join(dir, "itself.service"),
		"/etc/systemd/system/steps.service":          filepath.Join(dir, "steps.service"),
		"/etc/sysusers.d/ebbline.conf":               filepath.Join(dir, "sysusers"),
		"/etc/tmpfiles.d/ebbline.conf":               filepath.Join(dir, "tmpfiles"),
		"/etc/systemd/system-preset/00-test.preset":  filepath.Join(dir, "preset"),
	}
	// A first boot would start all that can be installed, before the steps do.
	write(t, files["/etc/systemd/system-preset/00-test.preset"], "disable ebbline*\n")
	unit(t, files["/etc/systemd/system/ebbline-itself.service"], "/run/out/itself run /etc/ebbline",
		"\n[Service]\nStateDirectory=\nStateDirectory=ebbline-itself\nRuntimeDirectory=\nRuntimeDirectory=ebbline-itself\n")
	unit(t, files["/etc/systemd/system/ebbline.service"], "/run/out/ebbline",
		"\n[Service]\nWatchdogSec=10\nLoadCredential=ups-auth:/etc/ebbline/secrets/ups-auth\n")
	write(t, files["/etc/systemd/system/steps.service"],
		"[Unit]\nAfter=dbus.service systemd-logind.service\nWants=systemd-logind.service\n[Service]\nType=oneshot\nExecStart=/bin/sh /run/out/steps.sh\n")
	text, err := os.ReadFile("ebbline.sysusers")
	if err != nil {
		t.Fatal(err)
	}
	// Debian makes these two users in its packages' scripts, which have not run here.
	write(t, files["/etc/sysusers.d/ebbline.conf"], string(text)+"u messagebus - - -\nu polkitd - - -\n")
	copyTo(t, "ebbline.tmpfiles", files["/etc/tmpfiles.d/ebbline.conf"])

	args := nspawn + " -q -D / --volatile=yes --register=no --keep-unit --console=pipe --boot --bind=" + out + ":/run/out"
	for inside, outside := range files {
		args += " --bind-ro=" + outside + ":" + inside
	}
	script := "mount -t cgroup2 none /sys/fs/cgroup 2>/dev/null; exec " + args + " systemd.wants=steps.service"
	cmd := exec.Command(unshare, "--mount", "--pid", "--fork", "--kill-child", "--mount-proc", "sh", "-c", script)
	var console bytes.Buffer
	cmd.Stdout, cmd.Stderr = &console, &console
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	limit := time.AfterFunc(10*time.Minute, func() { cmd.Process.Kill() })
	err = cmd.Wait()
	if !limit.Stop() {
		t.Errorf("the container did not end in ten minutes")
	}
	if _, none := os.Stat(filepath.Join(out, "1-folders")); none != nil {
		t.Skipf("no container boots here: %v\n%s", err, console.String())
	}
	for _, want := range []struct{ step, text string }{
		{"1-folders", `/etc/ebbline/secrets 700 root`},
		{"2-user", `uid=\d+\(ebbline\)`},
		{"3-itself", `exit 0\nreload 0\n`}, {"3-itself", `(?m)^container: no outage, `}, {"3-itself", `Result=success\n`}, {"3-itself", `NRestarts=0\n`}, {"3-itself", `the policy is read again`},
		{"4-started", `exit 0`}, {"4-started", `ActiveState=active`}, {"4-started", `NRestarts=0\n`}, {"4-started", `StatusText=rack normal, `},
		{"5-status", `(?m)^rack normal, `}, {"5-status", `agent.sock 660 ebbline ebbline`}, {"5-status", `/var/lib/ebbline 700 ebbline`}, {"5-status", `journal 600 ebbline`},
		{"6-privileges", `CapEff:\s+0{16}\n`}, {"6-privileges", `CapBnd:\s+0{16}\n`}, {"6-privileges", `NoNewPrivs:\s+1\n`}, {"6-privileges", `Seccomp:\s+2\n`},
		{"7-killed", `ActiveState=active`}, {"7-killed", `NRestarts=1\n`}, {"7-killed", `(?m)^rack normal, `},
		{"8-stopped", `ActiveState=active`}, {"8-stopped", `NRestarts=2\n`},
		{"9-refused", `exit 1`}, {"10-reboot", `exit 1`},
	} {
		got, err := os.ReadFile(filepath.Join(out, want.step))
		if err != nil || !regexp.MustCompile(want.text).Match(got) {
			t.Errorf("%s: %v, no %q in\n%s", want.step, err, want.text, got)
		}
	}
	if _, err := os.Stat(filepath.Join(out, "11-up")); err == nil {
		log, _ := os.ReadFile(filepath.Join(out, "log"))
		t.Errorf("the agent did not power its own host off:\n%s", log)
	}
}

func copyTo(t *testing.T, from, to string) {
	t.Helper()
	text, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	write(t, to, string(text))
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}
