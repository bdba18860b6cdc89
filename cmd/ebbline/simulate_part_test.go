package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

const partPolicy = "../../testdata/policies/rig.hcl"

// parts makes the parts of a simulation, and gives their files.
func parts(t *testing.T, policy string, of int, args ...string) []string {
	t.Helper()
	var files []string
	for k := 1; k <= of; k++ {
		code, out, errs := simulated(context.Background(), append([]string{policy, "--part", fmt.Sprintf("%d/%d", k, of)}, args...)...)
		if code != exitDone {
			t.Fatalf("part %d: exit code %d: %s", k, code, errs)
		}
		files = append(files, filepath.Join(t.TempDir(), fmt.Sprintf("part-%d", k)))
		if err := os.WriteFile(files[k-1], []byte(out), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return files
}

// Aim: parts that are joined give the bytes of the whole, as text, as JSON and with the
// smallest failing outage, in whatever order they are given. Method: a plan that holds and
// one that fails, drawn as a whole and in parts, one of them empty.
func TestPartsJoin(t *testing.T) {
	for _, c := range []struct {
		policy string
		random string
		of     int
	}{{partPolicy, "300", 4}, {smallBattery(t, "3"), "60", 7}, {partPolicy, "3", 5}, {partPolicy, "1", 2}} {
		whole := []string{c.policy, "--random", c.random, "--seed", "77"}
		files := parts(t, c.policy, c.of, whole[1:]...)
		files[0], files[1] = files[1], files[0]
		for _, form := range [][]string{nil, {"--json"}, {"--faults"}} {
			code, want, _ := simulated(context.Background(), append(whole, form...)...)
			joined, got, errs := simulated(context.Background(), append(append([]string{c.policy, "--join"}, form...), files...)...)
			if got != want || joined != code || errs != "" {
				t.Errorf("%s %v: exit codes %d and %d; joined:\n%s%s\nwhole:\n%s", c.random, form, joined, code, got, errs, want)
			}
		}
	}
}

// Aim: what does not belong together, or is damaged, is refused in words, and nothing is
// joined of it.
func TestPartsThatDoNotJoin(t *testing.T) {
	files := parts(t, partPolicy, 3, "--random", "12")
	other := parts(t, partPolicy, 3, "--random", "15")
	text, err := os.ReadFile(files[1])
	if err != nil {
		t.Fatal(err)
	}
	damaged := func(name string, change func(string) string) string {
		path := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(path, []byte(change(string(text))), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	short := damaged("short", func(s string) string { return s[:len(s)/2] })
	odd := damaged("odd", func(s string) string { return strings.Replace(s, `"shape":`, `"shape":9`, 1) })
	fewer := damaged("fewer", func(s string) string {
		lines := strings.SplitAfter(s, "\n")
		return strings.Join(append(lines[:1:1], append(lines[2:len(lines)-2], "{\"outages\":3}\n")...), "")
	})
	older := damaged("older", func(s string) string { return strings.Replace(s, `"program":"`, `"program":"older `, 1) })
	for _, c := range []struct {
		policy string
		files  []string
		want   string
	}{
		{partPolicy, nil, "--join takes the files of all parts"},
		{partPolicy, files[:2], "parts are missing: 3/3. Make them with --random 12 --seed 1 --day 2026-01-01"},
		{partPolicy, []string{files[0], files[1], files[1]}, "are both part 2 of 3"},
		{partPolicy, []string{files[0], other[1], files[2]}, "of 15 outages from seed 1 on, not of 12"},
		{partPolicy, []string{files[0], short, files[2]}, "the file was cut off"},
		{partPolicy, []string{files[0], odd, files[2]}, "odd:2: the line is no outage's"},
		{partPolicy, []string{files[0], fewer, files[2]}, "part 2 of 3 of 12 outages has 4, and this one has 3"},
		{partPolicy, []string{older}, "it was made by \"older "},
		{partPolicy, []string{partPolicy}, "no part of a simulation"},
		{partPolicy, []string{"nowhere"}, "cannot be read"},
		{"../../testdata/policies/loft.hcl", files, "made of another policy"},
	} {
		code, out, errs := simulated(context.Background(), append([]string{c.policy, "--join"}, c.files...)...)
		if code == exitDone || out != "" || !strings.Contains(errs, c.want) {
			t.Errorf("%v: exit code %d, %q, want %q", c.files, code, errs, c.want)
		}
	}
}

// Aim: the example for a cluster does what it says. Method: its own lines, run by a shell in
// several processes at once with fewer outages, each with the number that the engine would
// give it; the parts are joined.
func TestExampleOfParts(t *testing.T) {
	manifest, err := os.ReadFile("../../packaging/simulate-parts.yaml")
	if err != nil {
		t.Fatal(err)
	}
	_, script, ok := strings.Cut(string(manifest), "- |\n")
	if script, _, _ = strings.Cut(script, "          resources:"); !ok || !strings.Contains(script, "--random 1000000") {
		t.Fatal("the example has no script")
	}
	script = strings.Replace(script, "--random 1000000", "--random 200", 1)
	dir := t.TempDir()
	if out, err := exec.Command("go", "build", "-o", filepath.Join(dir, "ebbline"), ".").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	text, err := os.ReadFile(partPolicy)
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, "policy.hcl"), text, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	run := func(script string, env ...string) string {
		cmd := exec.Command("sh", "-ec", script)
		cmd.Dir, cmd.Env = dir, append(os.Environ(), env...)
		out, err := cmd.Output()
		if err != nil {
			t.Errorf("%s: %v", script, err)
		}
		return string(out)
	}
	var wg sync.WaitGroup
	for k := range 10 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			run(script, fmt.Sprintf("JOB_COMPLETION_INDEX=%d", k))
		}()
	}
	wg.Wait()
	whole := run("./ebbline simulate policy.hcl --random 200 --day 2026-01-01")
	if joined := run("./ebbline simulate policy.hcl --join part-*"); joined != whole || whole == "" {
		t.Errorf("joined:\n%s\nwhole:\n%s", joined, whole)
	}
}
