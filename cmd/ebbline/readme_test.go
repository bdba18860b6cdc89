package main

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"ebbline/agent"
	"ebbline/agent/message"
	"ebbline/policy/load"
)

var (
	fenced = regexp.MustCompile("(?ms)^```(\\w+)\n(.*?)^```$")
	span   = regexp.MustCompile("`([^`\n]+)`")
	parted = regexp.MustCompile(`\s*(?:&&|[;|])\s*`)
	inTree = regexp.MustCompile(`\b(?:\./)?((?:testdata|packaging|simulate|shutdown|agent|cmd)/[\w./-]*\w)`)
	told   = regexp.MustCompile("`ebbline ([a-z]+)[^`\n]*`|\\\\\"ebbline ([a-z]+)")
	bench  = regexp.MustCompile(`go test .*-bench '?([\w\\|]+)'?.* \./([\w/]+)`)
)

// readme gives code by language, and what stands in backquotes in the text, of
// documents.
func readme(t *testing.T, documents ...string) (text string, code map[string][]string, spans []string) {
	t.Helper()
	var all []byte
	for _, name := range documents {
		one, err := os.ReadFile("../../" + name)
		if err != nil {
			t.Fatal(err)
		}
		all = append(append(all, one...), '\n')
	}
	code = map[string][]string{}
	for _, m := range fenced.FindAllStringSubmatch(string(all), -1) {
		code[m[1]] = append(code[m[1]], m[2])
	}
	for _, m := range span.FindAllStringSubmatch(fenced.ReplaceAllString(string(all), ""), -1) {
		spans = append(spans, m[1])
	}
	return string(all), code, spans
}

// shown gives what README lets somebody type, a command each, without comments:
// all of its shell code, lines behind a prompt, and what stands in backquotes.
func shown(code map[string][]string, spans []string) (commands []string) {
	lines := strings.Split(strings.Join(code["sh"], ""), "\n")
	for _, line := range strings.Split(strings.Join(code["text"], ""), "\n") {
		if line, ok := strings.CutPrefix(line, "$ "); ok {
			lines = append(lines, line)
		}
	}
	for _, line := range append(lines, spans...) {
		line, _, _ = strings.Cut(line, " #")
		commands = append(commands, parted.Split(strings.TrimSpace(line), -1)...)
	}
	return commands
}

// Aim: every policy in README is one that is taken, without a warning. Method:
// the loader; what is no whole policy follows the first one.
func TestReadmePolicies(t *testing.T) {
	_, code, _ := readme(t, "README.md")
	if len(code["hcl"]) == 0 {
		t.Fatal("README shows no policy")
	}
	for _, text := range code["hcl"] {
		if !strings.Contains(text, "site \"") {
			text = code["hcl"][0] + text
		}
		_, _, diags := load.Load([]load.File{{Name: "README.hcl", Bytes: []byte(text)}}, load.Options{Codes: agent.Codes(), Template: message.CheckTemplate})
		for _, d := range diags {
			t.Error(d)
		}
	}
}

// sources are the files of this program that may tell people what to type.
func sources(t *testing.T) (files []string) {
	t.Helper()
	err := filepath.WalkDir("../..", func(path string, _ fs.DirEntry, err error) error {
		if strings.HasSuffix(path, ".go") && !strings.HasSuffix(path, "_test.go") || strings.HasPrefix(path, "../../packaging/") && filepath.Ext(path) != "" {
			files = append(files, path)
		}
		return err
	})
	if err != nil || len(files) < 50 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	return files
}

// Aim: every command, flag, file and benchmark in README and DEVELOPERS exists, and every
// command of which the program's own words tell. Method: each
// ebbline command is run with --help behind it, which reads the flags before it
// as always; a flag in the text is one of some command's.
func TestReadmeCommands(t *testing.T) {
	text, code, spans := readme(t, "README.md", "DEVELOPERS.md")
	run := func(args ...string) (int, string) {
		var out bytes.Buffer
		code := Run(t.Context(), args, Streams{In: strings.NewReader(""), Out: &out, Err: &out, Env: func(string) string { return "" }})
		return code, out.String()
	}
	helps := ""
	all := plainProgram()
	for _, c := range all.calls {
		_, help := run(append(strings.Fields(c.cmd.name), "--help")...)
		helps += help + "\n"
	}
	tried, benchmarks := 0, 0
	for _, line := range shown(code, spans) {
		words := strings.Fields(strings.Replace(line, "go run ./cmd/ebbline", "ebbline", 1))
		switch {
		case len(words) > 1 && words[0] == "ebbline" && words[1] == "help":
			tried++
		case len(words) > 1 && words[0] == "ebbline":
			tried++
			if code, said := run(append(words[1:], "--help")...); code != exitDone {
				t.Errorf("%s: exit code %d: %s", line, code, said)
			}
		case len(words) > 0 && strings.HasPrefix(words[0], "--"):
			for _, w := range words {
				name, _, _ := strings.Cut(w, "=")
				if strings.HasPrefix(w, "--") && !strings.Contains(helps, "\n  "+name+" ") && !strings.Contains(helps, "\n  "+name+"\n") {
					t.Errorf("%s: no command has %s", line, name)
				}
			}
		}
		if m := bench.FindStringSubmatch(line); m != nil {
			benchmarks++
			name := regexp.MustCompile(`func Benchmark\w*(?:` + strings.ReplaceAll(m[1], `\|`, "|") + `)`)
			found := false
			files, _ := filepath.Glob(filepath.Join("../..", m[2], "*_test.go"))
			for _, file := range files {
				source, err := os.ReadFile(file)
				found = found || err == nil && name.Match(source)
			}
			if !found {
				t.Errorf("%s: no such benchmark in %s", line, m[2])
			}
		}
	}
	for _, file := range sources(t) {
		source, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range told.FindAllStringSubmatch(string(source), -1) {
			if name := m[1] + m[2]; all.find(name) == nil {
				t.Errorf("%s tells people of ebbline %s", file, name)
			}
		}
	}
	for _, m := range inTree.FindAllStringSubmatch(text, -1) {
		if _, err := os.Stat(filepath.Join("../..", m[1])); err != nil {
			t.Errorf("they name %v", err)
		}
	}
	if tried < 10 || benchmarks == 0 {
		t.Errorf("%d commands and %d benchmarks were found: the test reads them wrongly", tried, benchmarks)
	}
}
