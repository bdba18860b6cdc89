package main

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/spf13/pflag"

	"ebbline/policy/load"
	"ebbline/simulate"
)

// plainProgram is the program without an environment.
func plainProgram() *program {
	return newProgram(Streams{Env: func(string) string { return "" }})
}

// Aim: every command and topic has a manual page that is well formed and says all
// that help says. Method: mandoc's lint of each page, and what it shows of it.
func TestManual(t *testing.T) {
	mandoc, err := exec.LookPath("mandoc")
	if err != nil {
		t.Skip("mandoc is not installed here")
	}
	p := plainProgram()
	papers, err := p.papers()
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	shown := map[string]string{}
	for name, text := range papers {
		if !strings.HasPrefix(name, "man/") {
			continue
		}
		path := filepath.Join(folder, filepath.Base(name))
		if err := os.WriteFile(path, text, 0o644); err != nil {
			t.Fatal(err)
		}
		out, _ := exec.Command(mandoc, "-T", "lint", "-W", "warning", path).CombinedOutput()
		for line := range strings.Lines(string(out)) {
			// A page without a date is the same on each day.
			if !strings.Contains(line, "missing date") && !strings.Contains(line, "mandoc.db") {
				t.Error(line)
			}
		}
		ascii, err := exec.Command(mandoc, "-T", "ascii", "-O", "width=80", path).Output()
		if err != nil {
			t.Fatal(err)
		}
		struck := regexp.MustCompile(".\x08").ReplaceAllString(string(ascii), "")
		shown[filepath.Base(name)] = strings.Join(strings.Fields(struck), " ")
	}
	for _, c := range p.calls {
		if c.cmd.about == "" || c.cmd.name == "help" || c.cmd.name == "version" {
			continue
		}
		page := shown["ebbline-"+strings.ReplaceAll(c.cmd.name, " ", "-")+".1"]
		c.eachFlag(func(head, about string) {
			if !strings.Contains(page, head+" "+strings.Join(strings.Fields(about), " ")) {
				t.Errorf("the page of %s lacks %s", c.cmd.name, head)
			}
		})
	}
	for _, topic := range topics {
		page := shown["ebbline-"+topic.name+"."+topic.section]
		for word := range strings.FieldsSeq(strings.NewReplacer("`", "", "\u2026", "").Replace(topic.text)) {
			if !strings.Contains(page, word) {
				t.Errorf("ebbline-%s lacks %q", topic.name, word)
			}
		}
	}
}

// Aim: what help says fits a terminal, and its examples are right. Method: every
// help text is measured; the policy's example is checked, and each line of the
// outage's is read for a policy with its names.
func TestHelp(t *testing.T) {
	p := plainProgram()
	texts := map[string]string{}
	for _, c := range p.calls {
		var b bytes.Buffer
		c.help(&b)
		texts[c.cmd.name] = b.String()
	}
	for _, topic := range topics {
		texts["topic "+topic.name] = topic.text
	}
	for name, text := range texts {
		for line := range strings.Lines(text) {
			if line = strings.TrimSuffix(line, "\n"); utf8.RuneCountInString(line) > 80 || strings.TrimRight(line, " ") != line {
				t.Errorf("help %s: %q", name, line)
			}
		}
	}

	_, example, _ := strings.Cut(policyHelp, "\nExample\n")
	files := []load.File{{Name: "help.hcl", Bytes: []byte(strings.ReplaceAll(example, "\n    ", "\n"))}}
	if q, _, diags := load.Load(files, load.Options{}); q == nil || len(diags) > 0 {
		t.Errorf("the example of a policy: %v", diags)
	}
	files[0].Bytes = append(files[0].Bytes, "load \"core-switch\" {\n  fed_by = [\"closet\"]\n  watts = 12\n}\ntemperature \"inlet\" {\n  limit = 32\n  file {\n    path = \"/sys/class/hwmon/hwmon0/temp1_input\"\n  }\n}\nemergency_off \"door\" {\n  command = [\"/usr/local/bin/door\"]\n}\n"...)
	q, _, diags := load.Load(files, load.Options{})
	if q == nil {
		t.Fatal(diags)
	}
	script, _, _ := strings.Cut(outageHelp, "\nSeries\n")
	lines := 0
	for _, m := range regexp.MustCompile(`(?m)^ {2,4}((?:at [0-9]|ups|host|answers|room) ?.*)$`).FindAllStringSubmatch(script, -1) {
		if _, errs := simulate.Parse(q, "help", []byte("at 0s input lost\n"+m[1]+"\n")); len(errs) > 0 {
			t.Errorf("%s: %v", m[1], errs)
		}
		lines++
	}
	if lines < 20 {
		t.Errorf("only %d lines of outages were tried", lines)
	}
}

// Aim: for each argument and flag it is said what a shell may offer in its place.
// Method: the words in capitals of all commands, against the table.
func TestOffers(t *testing.T) {
	known := func(c *call, word string) {
		if _, ok := offers[word]; !ok {
			t.Errorf("%s: nothing is said of %s", c.cmd.name, word)
		}
	}
	for _, c := range plainProgram().calls {
		for _, word := range c.cmd.takes {
			known(c, strings.TrimSuffix(word, "…"))
		}
		c.flags.VisitAll(func(f *pflag.Flag) {
			if kind, _ := pflag.UnquoteUsage(f); f.Value.Type() != "bool" {
				known(c, kind)
			}
		})
	}
}

// Aim: shells complete commands, flags, fixed words, files, and the names of a
// policy. Method: bash with bash-completion, zsh in a terminal, fish, each with
// what `ebbline completion` prints.
func TestCompletion(t *testing.T) {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	bin := t.TempDir()
	if err := os.Symlink(self, filepath.Join(bin, "ebbline")); err != nil {
		t.Fatal(err)
	}
	room := filepath.Join(t.TempDir(), "room.hcl")
	text, err := os.ReadFile("../../testdata/policies/first.hcl")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(room, text, 0o644); err != nil {
		t.Fatal(err)
	}
	for shell, script := range map[string]string{
		"bash": `source /usr/share/bash-completion/bash_completion
source <(ebbline completion bash)
complete_it() {
  read -ra COMP_WORDS <<<"$1"; [[ $1 != *" " ]] || COMP_WORDS+=("")
  COMP_LINE=$1 COMP_POINT=${#1} COMP_CWORD=$((${#COMP_WORDS[@]} - 1)) COMP_TYPE=9
  __start_ebbline; echo "${COMPREPLY[@]}"
}
`,
		// What is typed does not hold what is looked for: only completion writes it.
		"zsh": `zmodload zsh/zpty
complete_it() {
  zpty terminal zsh -f -i
  zpty -w terminal 'autoload -U compinit; compinit -u -D; source <(ebbline completion zsh); print REA""DY'
  zpty -r terminal out '*READY*'
  zpty -n -w terminal "$1"$'\t\t'
  zpty -r terminal out "*$2*"; print -r -- "$2"
  zpty -d terminal
}
`,
		"fish": `ebbline completion fish | source
function complete_it; complete -C $argv[1]; end
`,
	} {
		t.Run(shell, func(t *testing.T) {
			path, err := exec.LookPath(shell)
			if err != nil {
				t.Skipf("%s is not installed here", shell)
			}
			for _, c := range [][2]string{
				{"ebbline sta", "status"},
				{"ebbline battery ", "ups-test"},
				{"ebbline tune --bat", "battery"},
				{"ebbline plan " + room + " --off de", "desk"},
				{"ebbline simulate " + strings.TrimSuffix(room, ".hcl"), "room.hcl"},
				{"ebbline tune " + room + " --battery ", "closet="},
				{"ebbline battery ups-test closet --start quick", "quick-battery-test"},
				{"ebbline help poli", "policy"},
			} {
				ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
				cmd := exec.CommandContext(ctx, path, "-c", script+"complete_it '"+c[0]+"' '"+c[1]+"'\n")
				cmd.Env = []string{"PATH=" + bin + ":" + os.Getenv("PATH"), "HOME=" + t.TempDir(), "LC_ALL=C.UTF-8", "TERM=xterm", "EBBLINE_TEST_COMMAND=1"}
				out, err := cmd.CombinedOutput()
				cancel()
				if err != nil || !strings.Contains(string(out), c[1]) {
					t.Errorf("%q: %v: %q", c[0], err, out)
				}
			}
		})
	}
}
