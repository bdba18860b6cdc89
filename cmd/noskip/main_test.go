package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Aim: failures and skips are seen, wherever they stand, and a list that says
// too much. Method: the real `go test -json` of a module with one test a kind.
func TestWatch(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	head := "package x\n\nimport \"testing\"\n\n"
	write("go.mod", "module x\n\ngo 1.26\n")
	write("fine/x_test.go", head+"func TestFine(t *testing.T) { t.Log(\"chatter\") }\n")
	write("skip/x_test.go", head+"func TestSkip(t *testing.T) { t.Run(\"deep\", func(t *testing.T) { t.Skip(\"no tool\") }) }\n")
	write("fail/x_test.go", head+"func TestFail(t *testing.T) { t.Run(\"deep\", func(t *testing.T) { t.Error(\"broken\") }) }\n")
	write("dies/x_test.go", head+"import \"os\"\n\nfunc TestDies(t *testing.T) { println(\"last words\"); os.Exit(3) }\n")
	write("bad/x_test.go", head+"func TestBad(t *testing.T) { undefined() }\n")
	for _, c := range []struct {
		packages, list string
		good           bool
		want           string
	}{
		{"fine", "", true, "ok  \tx/fine"},
		{"fine", "", true, "\n1 passed, 0 failed, 0 skipped\n"},
		{"fine skip", "", false, "SKIPPED x/skip TestSkip/deep: x_test.go:5: no tool\n"},
		{"fine skip", "# why\n\nx/skip TestSkip/deep: there is no such tool\n", true, "1 skipped"},
		{"fine skip", "x/skip TestS*/d*: there is no such tool\n", true, "1 skipped"},
		{"fine skip", "x/skip TestS*: a star stops at a part of the name\n", false, "NOT SKIPPED x/skip TestS*"},
		{"fine skip", "x/fine TestSkip/deep: of another package\n", false, "SKIPPED x/skip TestSkip/deep"},
		{"fine", "x/skip TestSkip/deep: there is no such tool\n", false, "NOT SKIPPED x/skip TestSkip/deep"},
		{"fine fail", "", false, "x_test.go:5: broken"},
		{"fine fail", "", false, "1 passed, 2 failed, 0 skipped"}, // the test and its part
		{"fine dies", "", false, "last words"},
		{"fine bad", "", false, "1 passed, 1 failed, 0 skipped"},
		{"fine bad", "", false, "undefined: undefined"},
		{"nothing", "", false, "0 passed"},
	} {
		args := []string{"test", "-json"}
		for _, p := range strings.Fields(c.packages) {
			args = append(args, "./"+p)
		}
		cmd := exec.Command("go", args...)
		cmd.Dir, cmd.Env = dir, append(os.Environ(), "GOFLAGS=", "GOWORK=off")
		in, _ := cmd.Output() // it fails where a test does
		allowed, err := parse(c.list)
		if err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		good, err := watch(bytes.NewReader(in), &out, allowed)
		if err != nil || good != c.good || !strings.Contains("\n"+out.String(), c.want) || strings.Contains(out.String(), "chatter") {
			t.Errorf("%s: good is %v, %v; want %v and %q in\n%s", c.packages, good, err, c.good, c.want, out.String())
		}
	}
	for _, list := range []string{"x TestX", "x TestX:", "TestX: why", "x TestX and more: why", "x Test[: why"} {
		if _, err := parse(list); err == nil || !strings.Contains(err.Error(), "line 1") {
			t.Errorf("%q is taken for a list: %v", list, err)
		}
	}
}
