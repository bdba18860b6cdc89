// Command noskip reads what `go test -json` prints and shows what `go test`
// would. It fails when a test failed or was skipped, unless the skip stands with
// its reason in a list; and when the list names one that was not skipped, so that
// it never says more than is so.
//
//	go test -json ./... | go run ./cmd/noskip .ci/skips
package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"path"
	"slices"
	"strings"
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: go test -json ./... | noskip LIST")
		os.Exit(64)
	}
	list, err := os.ReadFile(os.Args[1])
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	allowed, err := parse(string(list))
	if err != nil {
		fmt.Fprintf(os.Stderr, "%s: %v\n", os.Args[1], err)
		os.Exit(1)
	}
	good, err := watch(os.Stdin, os.Stdout, allowed)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
	}
	if !good || err != nil {
		os.Exit(1)
	}
}

// test is one test, or a package as a whole where its name is empty.
type test struct{ pkg, name string }

// parse reads the list: on each line a package, a test's full name (a pattern of
// path.Match), a colon and the reason.
func parse(list string) (allowed []test, err error) {
	for i, line := range strings.Split(list, "\n") {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		who, reason, _ := strings.Cut(line, ":")
		words := strings.Fields(who)
		if len(words) != 2 || strings.TrimSpace(reason) == "" {
			return nil, fmt.Errorf("line %d: %q is not PACKAGE TEST: REASON", i+1, line)
		}
		if _, err := path.Match(words[1], ""); err != nil {
			return nil, fmt.Errorf("line %d: %q: %v", i+1, words[1], err)
		}
		allowed = append(allowed, test{words[0], words[1]})
	}
	return allowed, nil
}

// covers tells whether t is of the package, and its name of the pattern, of a
// line of the list.
func (line test) covers(t test) bool {
	like, _ := path.Match(line.name, t.name)
	return line.pkg == t.pkg && like
}

// event is what `go doc test2json` calls TestEvent, as far as it matters here.
type event struct {
	Action, Package, Test, Output string
}

// watch passes on what packages say, and what tests say that failed. It gives
// whether all is as it should be.
func watch(in io.Reader, out io.Writer, allowed []test) (good bool, err error) {
	var passed, failed int
	blamed := map[string]bool{} // packages of which a test failed
	said, skipped := map[test]string{}, map[test]string{}
	lines := bufio.NewScanner(in)
	lines.Buffer(nil, 16<<20)
	for lines.Scan() {
		var e event
		if json.Unmarshal(lines.Bytes(), &e) != nil { // a line of the go command's own
			fmt.Fprintln(out, lines.Text())
			continue
		}
		t := test{e.Package, e.Test}
		switch {
		case e.Action == "build-output" || e.Action == "output" && e.Test == "":
			if e.Output != "PASS\n" {
				io.WriteString(out, e.Output)
			}
		case e.Action == "output":
			said[t] += e.Output
		case e.Action == "fail":
			if t.name != "" || !blamed[t.pkg] {
				failed++
			}
			blamed[t.pkg] = true
			for _, of := range unfinished(said, t) {
				io.WriteString(out, said[of])
				delete(said, of)
			}
		case e.Action == "skip" && e.Test != "":
			skipped[t] = reason(said[t])
			delete(said, t)
		case e.Action == "pass":
			if e.Test != "" {
				passed++
			}
			delete(said, t)
		}
	}
	good = report(out, allowed, skipped, failed == 0) && failed == 0
	fmt.Fprintf(out, "%d passed, %d failed, %d skipped\n", passed, failed, len(skipped))
	return good && passed > 0, lines.Err()
}

// unfinished lists what has to be shown when t failed: itself, or, of a package,
// every test that had not come to its end.
func unfinished(said map[test]string, t test) []test {
	if t.name != "" {
		return []test{t}
	}
	of := slices.DeleteFunc(slices.Collect(maps.Keys(said)), func(x test) bool { return x.pkg != t.pkg })
	slices.SortFunc(of, func(a, b test) int { return strings.Compare(a.name, b.name) })
	return of
}

// reason is what a skipped test said, without the lines around it.
func reason(said string) string {
	var words []string
	for _, line := range strings.Split(said, "\n") {
		if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "===") && !strings.HasPrefix(line, "---") {
			words = append(words, line)
		}
	}
	return strings.Join(words, " ")
}

// report says which skips the list does not have, and, after a run in which all
// tests came to their end, which of the list's were none.
func report(out io.Writer, allowed []test, skipped map[test]string, complete bool) (good bool) {
	good = true
	order := func(a, b test) int { return strings.Compare(a.pkg+" "+a.name, b.pkg+" "+b.name) }
	for _, t := range slices.SortedFunc(maps.Keys(skipped), order) {
		if !slices.ContainsFunc(allowed, func(line test) bool { return line.covers(t) }) {
			good = false
			fmt.Fprintf(out, "SKIPPED %s %s: %s\n", t.pkg, t.name, skipped[t])
		}
	}
	if !good {
		fmt.Fprintln(out, "A test that is skipped proves nothing: let it run, or write the line, with a reason that holds, into the list.")
	}
	for _, line := range allowed {
		if complete && !slices.ContainsFunc(slices.Collect(maps.Keys(skipped)), line.covers) {
			good = false
			fmt.Fprintf(out, "NOT SKIPPED %s %s: take it out of the list\n", line.pkg, line.name)
		}
	}
	return good
}
