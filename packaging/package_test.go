package packaging

import (
	"bytes"
	"debug/elf"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
)

// Aim: two builds in two folders give the same bytes; the packages for both
// processors are as Debian wants them and hold what a machine needs; what
// packaging/man and packaging/completion hold goes along. Method: the real tools,
// lintian last. The man page and the completions are stand-ins.
func TestPackage(t *testing.T) {
	if testing.Short() {
		t.Skip("it links the program four times")
	}
	packages := buildAll(t)
	t.Run("same bytes", func(t *testing.T) {
		a, err := os.ReadFile(packages.first)
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(packages.again)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a, b) {
			t.Errorf("the packages differ: %d and %d bytes", len(a), len(b))
		}
	})
	t.Run("contents", func(t *testing.T) {
		contents(t, packages.first, runtime.GOARCH)
		contents(t, packages.other, packages.otherArch)
	})
	t.Run("lintian", func(t *testing.T) {
		lintian(t, packages.first)
		lintian(t, packages.other, "/usr/share/man/man1/ebbline.1.gz", "/usr/share/bash-completion/completions/ebbline",
			"/usr/share/zsh/vendor-completions/_ebbline", "/usr/share/fish/vendor_completions.d/ebbline.fish")
	})
	t.Run("life", func(t *testing.T) { life(t, packages.first, packages.newer) })
}

// built are packages of this tree: the first; another of the same in another
// folder; a newer version, for this processor and for the other one.
type built struct{ first, again, newer, other, otherArch string }

func buildAll(t *testing.T) (b built) {
	t.Helper()
	b.otherArch = map[string]string{"amd64": "arm64", "arm64": "amd64"}[runtime.GOARCH]
	b.first = build(t, "..", nil)
	copied := tree(t)
	b.again = build(t, copied, []string{"TZ=Asia/Kolkata", "LC_ALL=C.UTF-8", "GOFLAGS=-tags=other", "XZ_OPT=-0", "HOME=" + os.Getenv("HOME")})
	later(t, copied, "0.2.0")
	for _, folder := range []string{"man", "completion"} {
		if err := os.MkdirAll(filepath.Join(copied, "packaging", folder), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	write(t, filepath.Join(copied, "packaging/man/ebbline.1"), ".TH ebbline 1\n.SH NAME\nebbline \\- brings a room of machines down in order\n.SH DESCRIPTION\nA stand\\-in.\n")
	for _, shell := range []string{"bash", "zsh", "fish"} {
		write(t, filepath.Join(copied, "packaging/completion/ebbline."+shell), "# a stand-in\n")
	}
	b.newer = build(t, copied, nil)
	b.other = build(t, copied, nil, b.otherArch)
	return b
}

// build makes a package with a tree's own command and gives its path.
func build(t *testing.T, tree string, env []string, args ...string) string {
	t.Helper()
	tool(t, "dpkg-deb")
	command, err := filepath.Abs(filepath.Join(tree, "packaging/build-deb"))
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(command, args...)
	cmd.Dir, cmd.Env = t.TempDir(), append(os.Environ(), env...)
	var told bytes.Buffer
	cmd.Stderr = &told
	name, err := cmd.Output()
	if err != nil {
		t.Fatalf("build-deb: %v\n%s", err, told.Bytes())
	}
	return filepath.Join(cmd.Dir, strings.TrimSpace(string(name)))
}

// tree copies the repository into another folder, with other times and modes.
func tree(t *testing.T) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "else where")
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		target := filepath.Join(to, strings.TrimPrefix(path, ".."))
		switch {
		case err != nil:
			return err
		case d.Name() == ".git" && d.IsDir():
			return fs.SkipDir
		case d.IsDir():
			return os.MkdirAll(target, 0o700)
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		return os.WriteFile(target, text, 0o700)
	})
	if err != nil {
		t.Fatal(err)
	}
	return to
}

// later gives a tree a version on top of its changelog.
func later(t *testing.T, tree, version string) {
	t.Helper()
	path := filepath.Join(tree, "packaging/debian/changelog")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	write(t, path, fmt.Sprintf("ebbline (%s) unstable; urgency=medium\n\n  * For a test.\n\n"+
		" -- The ebbline maintainers <maintainers@ebbline.example>  Mon, 30 Nov 2026 09:00:00 +0000\n\n%s", version, text))
}

// unpack gives a package's files, its own scripts in DEBIAN.
func unpack(t *testing.T, deb string) string {
	t.Helper()
	root := filepath.Join(t.TempDir(), "root")
	if out, err := exec.Command("dpkg-deb", "-R", deb, root).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return root
}

// contents looks at what is in a package: a program for its processor that needs
// no library and carries no symbols and no path of this machine; all owned by
// root; the licence of every module that is linked.
func contents(t *testing.T, deb, architecture string) {
	t.Helper()
	root := unpack(t, deb)
	control, err := os.ReadFile(filepath.Join(root, "DEBIAN/control"))
	if err != nil || !strings.Contains(string(control), "\nArchitecture: "+architecture+"\n") {
		t.Errorf("control: %v\n%s", err, control)
	}
	program := filepath.Join(root, "usr/bin/ebbline")
	f, err := elf.Open(program)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	want := map[string]elf.Machine{"amd64": elf.EM_X86_64, "arm64": elf.EM_AARCH64}[architecture]
	libraries, _ := f.ImportedLibraries()
	if f.Machine != want || len(libraries) > 0 || f.Section(".symtab") != nil {
		t.Errorf("the program is for %s, needs %v, symbols: %v", f.Machine, libraries, f.Section(".symtab") != nil)
	}
	text, err := os.ReadFile(program)
	if err != nil {
		t.Fatal(err)
	}
	here, err := filepath.Abs("..")
	if err != nil {
		t.Fatal(err)
	}
	goroot, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, folder := range []string{here, strings.TrimSpace(string(goroot))} {
		if bytes.Contains(text, []byte(folder+"/")) {
			t.Errorf("the program names %s, a folder of the machine that built it", folder)
		}
	}
	list, err := exec.Command("dpkg-deb", "-c", deb).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, list)
	}
	for line := range strings.Lines(string(list)) {
		if !strings.Contains(line, " root/root ") {
			t.Errorf("not owned by root: %s", line)
		}
	}
	licences, err := os.ReadFile(filepath.Join(root, "usr/share/doc/ebbline/copyright"))
	if err != nil {
		t.Fatal(err)
	}
	modules, err := exec.Command("go", "version", "-m", program).Output()
	if err != nil {
		t.Fatal(err)
	}
	linked := regexp.MustCompile(`(?m)^\tdep\t(\S+)\t(\S+)`).FindAllStringSubmatch(string(modules), -1)
	if len(linked) < 10 {
		t.Fatalf("the program names %d modules", len(linked))
	}
	for _, m := range linked {
		if !strings.Contains(string(licences), "\n"+m[1]+" "+m[2]+"\n") {
			t.Errorf("no licence of %s %s", m[1], m[2])
		}
	}
}

// lintian finds nothing, and the files are there. As long as the tree has no man
// page, lintian may miss it.
func lintian(t *testing.T, deb string, files ...string) {
	t.Helper()
	args := []string{"--allow-root", "--fail-on", "warning,error", "--tag-display-limit", "0"}
	if pages, _ := filepath.Glob("man/*.1"); len(pages) == 0 && len(files) == 0 {
		args = append(args, "--suppress-tags", "no-manual-page")
	}
	out, err := exec.Command(tool(t, "lintian"), append(args, deb)...).CombinedOutput()
	if err != nil || len(bytes.TrimSpace(out)) > 0 {
		t.Errorf("lintian: %v\n%s", err, out)
	}
	list, err := exec.Command("dpkg-deb", "--fsys-tarfile", deb).Output()
	if err != nil {
		t.Fatal(err)
	}
	tar := exec.Command("tar", "-t")
	tar.Stdin = bytes.NewReader(list)
	names, err := tar.Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		if !slices.Contains(strings.Split(string(names), "\n"), "."+file) {
			t.Errorf("%s is not in the package", file)
		}
	}
}
