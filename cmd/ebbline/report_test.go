package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// reported runs `ebbline simulate` and gives what it says.
func reported(args ...string) (code int, out, err string) {
	var stdout, stderr bytes.Buffer
	code = Run(context.Background(), append([]string{"simulate"}, args...), Streams{
		In: strings.NewReader(""), Out: &stdout, Err: &stderr, Env: func(string) string { return "" },
	})
	return code, stdout.String(), stderr.String()
}

// leftovers fails the test if a folder holds anything but what is named.
func leftovers(t *testing.T, folder string, but ...string) {
	t.Helper()
	entries, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	if len(entries) != len(but) {
		t.Errorf("%s holds %v, not %v", folder, entries, but)
	}
}

// Aim: the report is of this run, and the same command gives the same report.
// Method: drawn outages of the corpus's barn, with one worker and with three:
// the same bytes, in which stand the verdict's figures as the command's text has
// them, every host, the policy's fingerprint, and the command that made it.
func TestReport(t *testing.T) {
	folder := t.TempDir()
	path, policy := filepath.Join(folder, "barn.html"), tunePath("barn.hcl")
	code, out, errs := reported(policy, "--random", "60", "--seed", "40", "--report", path, "--workers", "3")
	if code != exitDone || errs != "" {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	page, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	_, worst, _ := strings.Cut(out, "\nin hand ")
	worst, _, _ = strings.Cut(strings.TrimPrefix(strings.TrimSpace(worst), "worst "), ",")
	for _, want := range []string{
		"<dt>outages tried</dt><dd>60</dd>", "<dt>in hand at worst</dt><dd>" + worst + "</dd>", tunePolicy(t, "barn.hcl").Fingerprint,
		"ebbline simulate " + policy + " --random 60 --seed 40 --day ", "point of no return", "Worst case by construction",
	} {
		if !strings.Contains(string(page), want) {
			t.Errorf("the report does not have %q", want)
		}
	}
	for _, h := range tunePolicy(t, "barn.hcl").Hosts {
		if !strings.Contains(string(page), ">"+h.Name+"</text>") || !strings.Contains(string(page), `<th scope="row">`+h.Name+"</th>") {
			t.Errorf("the report does not show %s", h.Name)
		}
	}
	if code, _, errs := reported(policy, "--random", "60", "--seed", "40", "--report", path, "--workers", "1"); code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	if again, err := os.ReadFile(path); err != nil || !bytes.Equal(again, page) {
		t.Errorf("a second run gives another report (%v)", err)
	}
	leftovers(t, folder, "barn.html")
}

// Aim: a report that cannot be written is told before the work, and what was
// there stays. Method: paths that lead nowhere, to a folder, to something that
// is no file, and through a file; nothing is printed, nothing is left behind. A
// run that is refused leaves an older report alone.
func TestReportRefused(t *testing.T) {
	folder := t.TempDir()
	old := filepath.Join(folder, "old.html")
	if err := os.WriteFile(old, []byte("old"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{filepath.Join(folder, "nowhere", "x.html"), folder, os.DevNull, filepath.Join(old, "x.html")} {
		code, out, errs := reported(tunePath("first.hcl"), "--random", "1000000", "--report", path)
		if code != exitFailed || out != "" || !strings.Contains(errs, "the report "+path+" cannot be written") || !strings.Contains(errs, "Name a file in a folder") {
			t.Errorf("%s: exit code %d, %q, %q", path, code, out, errs)
		}
	}
	if code, _, _ := reported(filepath.Join(folder, "nosuch.hcl"), "--report", old); code == exitDone {
		t.Error("a policy that is not there was simulated")
	}
	if text, err := os.ReadFile(old); err != nil || string(text) != "old" {
		t.Errorf("the older report is %q (%v)", text, err)
	}
	leftovers(t, folder, "old.html")
}

// Aim: an interrupted run loses nothing that it has found. Method: one that is
// interrupted before its first outage: the report is written, and says so.
func TestReportInterrupted(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	path := filepath.Join(t.TempDir(), "part.html")
	var stdout, stderr bytes.Buffer
	code := Run(ctx, []string{"simulate", tunePath("first.hcl"), "--random", "5000", "--report", path}, Streams{
		In: strings.NewReader(""), Out: &stdout, Err: &stderr, Env: func(string) string { return "" },
	})
	if page, err := os.ReadFile(path); err != nil || code != exitFailed || !bytes.Contains(page, []byte("It was interrupted: 5000 more were to be tried.")) {
		t.Errorf("exit code %d, %v: %s%s", code, err, &stdout, &stderr)
	}
}

// Aim: a link to a report stays a link. Method: one that leads to an older
// report in another folder.
func TestReportThroughLink(t *testing.T) {
	folder, place := t.TempDir(), t.TempDir()
	link, real := filepath.Join(folder, "latest.html"), filepath.Join(place, "real.html")
	if err := os.WriteFile(real, []byte("old"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(real, link); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := reported(tunePath("first.hcl"), "--report", link); code == exitUsage || errs != "" {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	if to, err := os.Readlink(link); err != nil || to != real {
		t.Errorf("the link leads to %q (%v)", to, err)
	}
	if text, err := os.ReadFile(real); err != nil || !bytes.HasPrefix(text, []byte("<!DOCTYPE html>")) {
		t.Errorf("the file has %.20q (%v)", text, err)
	}
	leftovers(t, place, "real.html")
}
