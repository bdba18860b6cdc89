package peertest

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// bootsWithin bounds a virtual machine's whole life; no test waits for it.
const bootsWithin = 15 * time.Minute

// guestModules are what Debian's cloud kernel needs for hidraw and uhid, in
// the order in which they are loaded.
var guestModules = []string{"hid", "hid-generic", "uhid"}

// guestEnd is the guest's last line, with the exit code of its tests.
var guestEnd = regexp.MustCompile(`(?m)^guest: exit code (\d+)\r?$`)

// RunGuest runs tests of the calling package in a virtual machine with Debian's
// cloud kernel, which has hidraw and uhid where the machine at hand may not. The
// test binary, built statically, is the machine's init: its package needs
//
//	func TestMain(m *testing.M) { peertest.GuestMain(m) }
//
// and the tests begin with [OnlyInGuest]. It needs qemu-system-x86, and apt to
// download the kernel package (Debian 12, amd64), which it does not install.
// QEMU interprets, so it takes most of a minute; -short skips it.
func RunGuest(t *testing.T, tests string) {
	t.Helper()
	if testing.Short() {
		t.Skip("a virtual machine takes most of a minute")
	}
	if _, err := exec.LookPath("qemu-system-x86_64"); err != nil {
		t.Fatal("the virtual machine needs QEMU: apt-get install --no-install-recommends qemu-system-x86")
	}
	dir := t.TempDir()
	build := exec.Command("go", "test", "-c", "-ldflags=-s -w", "-o", filepath.Join(dir, "init"), ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=amd64", "GOFLAGS=")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("building the guest: %v\n%s", err, out)
	}
	kernel := guestKernel(t, dir)
	ctx, cancel := context.WithTimeout(t.Context(), bootsWithin)
	defer cancel()
	cmd := exec.CommandContext(ctx, "qemu-system-x86_64", "-accel", "tcg", "-cpu", "max", "-m", "384", "-nodefaults", "-no-reboot",
		"-display", "none", "-serial", "stdio", "-kernel", kernel, "-initrd", filepath.Join(dir, "initrd"),
		"-append", "console=ttyS0 quiet panic=-1 rdinit=/init -- -test.v -test.run="+tests)
	out, err := cmd.CombinedOutput()
	end := guestEnd.FindSubmatch(out)
	switch {
	case end == nil:
		t.Fatalf("the guest did not end: %v\n%s", err, out)
	case string(end[1]) != "0":
		t.Fatalf("tests failed in the guest:\n%s", out)
	case bytes.Contains(out, []byte("--- SKIP")):
		t.Fatalf("tests were skipped in the guest:\n%s", out)
	}
	t.Logf("in the guest:\n%s", out)
}

// guestKernel downloads the kernel, gives its path, and writes the guest's
// files into one archive.
func guestKernel(t *testing.T, dir string) (kernel string) {
	t.Helper()
	const script = `set -e
pkg=$(apt-cache depends linux-image-cloud-amd64 | awk '/Depends: linux-image/ { print $2; exit }')
apt-get download -q "$pkg" >&2
for p in *.deb; do dpkg-deb --fsys-tarfile "$p" | tar -x --wildcards './boot/vmlinuz-*' '*/drivers/hid/*.ko'; done`
	cmd := exec.Command("sh", "-c", script)
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("the kernel package linux-image-cloud-amd64 cannot be downloaded (apt-get update may help): %v\n%s", err, out)
	}
	kernels, _ := filepath.Glob(filepath.Join(dir, "boot/vmlinuz-*"))
	if len(kernels) != 1 {
		t.Fatalf("the kernel package has %d kernels", len(kernels))
	}
	var archive bytes.Buffer
	for _, d := range []string{"proc", "sys", "dev", "tmp"} {
		newc(&archive, d, unix.S_IFDIR|0o777, nil)
	}
	for _, name := range guestModules {
		found, _ := filepath.Glob(filepath.Join(dir, "lib/modules/*/kernel/drivers/hid", name+".ko"))
		if len(found) != 1 {
			t.Fatalf("the kernel package has no module %s.ko", name)
		}
		newcFile(t, &archive, name+".ko", found[0])
	}
	newcFile(t, &archive, "init", filepath.Join(dir, "init"))
	newc(&archive, "TRAILER!!!", 0, nil)
	if err := os.WriteFile(filepath.Join(dir, "initrd"), archive.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return kernels[0]
}

func newcFile(t *testing.T, archive *bytes.Buffer, name, from string) {
	t.Helper()
	data, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	newc(archive, name, unix.S_IFREG|0o755, data)
}

// newc adds one file to an initial RAM disk: the "newc" form of cpio
// (Documentation/driver-api/early-userspace/buffer-format.rst of Linux).
func newc(archive *bytes.Buffer, name string, mode uint32, data []byte) {
	pad := func() { archive.Write(make([]byte, -archive.Len()&3)) }
	fmt.Fprintf(archive, "070701%08x%08x%08x%08x%08x%08x%08x", archive.Len(), mode, 0, 0, 1, 0, len(data))
	fmt.Fprintf(archive, "%08x%08x%08x%08x%08x%08x", 0, 0, 0, 0, len(name)+1, 0)
	archive.WriteString(name + "\x00")
	pad()
	archive.Write(data)
	pad()
}

// OnlyInGuest skips a test outside of the virtual machine.
func OnlyInGuest(t *testing.T) {
	t.Helper()
	if os.Getenv(guestMark) == "" {
		t.Skip("runs in the virtual machine of another test of this package")
	}
}

const guestMark = "PEERTEST_GUEST"

// GuestMain runs a package's tests, or, as the init of a virtual machine, sets
// the machine up, runs those that are asked for, and switches it off.
func GuestMain(m *testing.M) {
	if os.Getpid() != 1 {
		os.Exit(m.Run())
	}
	os.Setenv(guestMark, "yes")
	code := 1
	if err := setUpGuest(); err != nil {
		fmt.Println("guest:", err)
	} else {
		code = m.Run()
	}
	fmt.Printf("guest: exit code %d\n", code)
	unix.Sync()
	unix.Reboot(unix.LINUX_REBOOT_CMD_POWER_OFF)
}

func setUpGuest() error {
	for _, fs := range []string{"proc:/proc", "sysfs:/sys", "devtmpfs:/dev", "debugfs:/sys/kernel/debug"} {
		kind, dir, _ := strings.Cut(fs, ":")
		if err := unix.Mount(kind, dir, kind, 0, ""); err != nil {
			return fmt.Errorf("mount %s: %w", dir, err)
		}
	}
	for _, name := range guestModules {
		f, err := os.Open("/" + name + ".ko")
		if err != nil {
			return err
		}
		err = unix.FinitModule(int(f.Fd()), "", 0)
		f.Close()
		if err != nil {
			return fmt.Errorf("load %s.ko: %w", name, err)
		}
	}
	return nil
}
