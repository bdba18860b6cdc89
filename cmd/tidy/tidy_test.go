// Package tidy keeps the rules of the layout: which package may import which,
// what the pure ones may never call, and that each says what it is for. It
// holds tests only.
package tidy

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

const root = "../.."

// file is one parsed source file.
type file struct {
	dir, name string
	ast       *ast.File
	test      bool
}

var fset = token.NewFileSet()

func sources(t *testing.T) []file {
	t.Helper()
	var files []file
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (d.Name() == "testdata" || strings.HasPrefix(d.Name(), ".") && path != root) {
			return filepath.SkipDir
		}
		if !strings.HasSuffix(path, ".go") {
			return nil
		}
		f, err := parser.ParseFile(fset, path, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		rel, _ := filepath.Rel(root, filepath.Dir(path))
		files = append(files, file{filepath.ToSlash(rel), filepath.Base(path), f, strings.HasSuffix(path, "_test.go")})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// directions says, for a folder and all below it, what it may import of this
// module. The longest prefix counts.
var directions = []struct {
	dir    string
	may    []string
	reason string
}{
	{"policy", nil, "a policy is plain values"},
	{"policy/load", []string{"policy", "policy/electrical"}, "reading a policy decides nothing"},
	{"policy/electrical", []string{"policy"}, "tables and arithmetic know nobody who uses them"},
	{"shutdown/battery", []string{"policy"}, "the battery knows nothing of plans"},
	{"shutdown/heat", []string{"shutdown/battery"}, "a room knows nothing of hosts"},
	{"shutdown/plan", []string{"policy", "shutdown/battery"}, "the planner knows nothing of outages"},
	{"shutdown", []string{"policy", "shutdown/battery", "shutdown/heat", "shutdown/plan"}, "the core is driven, it drives nobody"},
	{"shutdown/transcript", []string{"policy", "shutdown"}, "the text form decides nothing"},
	{"simulate/world", []string{"policy", "shutdown", "shutdown/battery"}, "the modelled room sees effects, not the planner"},
	{"simulate/report", []string{"shutdown"}, "a drawing works out nothing"},
	{"simulate/survey", []string{"policy", "policy/electrical", "shutdown", "shutdown/battery", "simulate"}, "a survey asks the core through scenes"},
	{"simulate", []string{"policy", "policy/electrical", "shutdown", "shutdown/battery", "shutdown/plan", "shutdown/transcript", "simulate/world", "simulate/report"}, "the simulator never imports the agent"},
	{"agent", []string{"policy", "shutdown", "shutdown/battery", "shutdown/heat", "shutdown/plan", "shutdown/transcript", "agent/bounded"}, "the agent says what it needs in interfaces and imports none of its adapters"},
	{"agent/journal", []string{"policy", "shutdown", "shutdown/transcript"}, "the journal keeps, it does not decide"},
	{"agent/control", []string{"agent", "agent/bounded", "policy", "shutdown"}, "the socket speaks for the agent"},
	{"agent/clean", nil, "text in, text out"},
	{"agent/source", []string{"policy", "policy/electrical", "shutdown", "agent/source/snmp", "agent/clean"}, "one UPS in, measurements out"},
	{"agent/action", []string{"policy", "shutdown", "agent/action", "agent/bounded", "agent/certificate", "agent/source/snmp", "agent/clean"}, "one action in, one outcome out"},
	{"agent/probe", []string{"policy", "shutdown"}, "a look at a host"},
	{"agent/sensor", []string{"policy", "shutdown", "agent/source/snmp", "agent/action/local", "agent/clean"}, "one reading in"},
	{"agent/secret", []string{"policy"}, "secrets know nobody"},
	{"agent/rehearse", []string{"policy", "shutdown", "agent", "agent/bounded", "agent/clean", "agent/control", "agent/probe", "agent/sensor", "agent/action/local", "agent/action/ssh", "agent/action/wake"}, "a rehearsal tries the ways that others make"},
	{"agent/bounded", nil, "work under a context, whatever it is"},
	{"agent/history", []string{"policy", "policy/electrical", "shutdown", "shutdown/battery", "shutdown/heat", "agent/history", "agent/history/learn"}, "the history keeps and reckons, it does not decide"},
	{"agent/history/trial/guided", []string{"policy", "shutdown", "agent", "agent/bounded", "agent/control", "agent/history", "agent/history/trial"}, "a guided test follows a UPS beside the agent"},
	{"agent/message", []string{"policy", "shutdown", "agent", "agent/action/local", "agent/certificate", "agent/clean"}, "messages tell what the agent decided"},
	{"agent/certificate", nil, "whom to believe in TLS"},
	{"agent/metrics", []string{"policy", "agent"}, "figures of what the agent shows"},
	{"agent/web", []string{"policy", "agent/bounded"}, "a guard stands before pages, and knows none"},
	{"agent/systemd", nil, "a few lines to the service manager"},
	{"agent/peertest", []string{"policy", "shutdown", "shutdown/battery", "agent"}, "peers for tests"},
	{"cmd", []string{"policy", "shutdown", "simulate", "agent", "cmd", "testdata/outages"}, "cmd wires all"},
}

func within(path, dir string) bool { return path == dir || strings.HasPrefix(path, dir+"/") }

// Aim: no package imports against the direction of the design. Method: every
// import of this module in a file that is not a test is looked up in the table;
// where a rule names a folder, what is below it is meant only for cmd, agent
// and action.
func TestDirections(t *testing.T) {
	for _, f := range sources(t) {
		if f.test {
			continue
		}
		best := -1
		for i, d := range directions {
			if within(f.dir, d.dir) && (best < 0 || len(d.dir) > len(directions[best].dir)) {
				best = i
			}
		}
		if best < 0 {
			t.Errorf("%s has no rule in directions: add one with its reason", f.dir)
			continue
		}
		rule := directions[best]
		for _, im := range f.ast.Imports {
			path, ours := strings.CutPrefix(strings.Trim(im.Path.Value, `"`), "ebbline/")
			if !ours {
				continue
			}
			ok := within(path, f.dir) && rule.dir != "agent"
			for _, may := range rule.may {
				deep := rule.dir == "cmd" || rule.dir == "agent/action" && may == "agent/action"
				ok = ok || path == may || deep && within(path, may)
			}
			if !ok {
				t.Errorf("%s/%s imports %s: %s", f.dir, f.name, path, rule.reason)
			}
		}
	}
}

// Aim: deciding stays pure. Method: in policy, shutdown and simulate no file
// that is not a test imports what has IO, a clock, randomness or a logger; none
// starts a goroutine, selects, or calls the clock.
func TestPure(t *testing.T) {
	banned := map[string]string{
		"os": "files are the caller's", "net": "the network is the agent's", "net/http": "the network is the agent's",
		"math/rand": "chance is an argument", "math/rand/v2": "chance is an argument", "crypto/rand": "chance is an argument",
		"log": "the core tells by effects", "log/slog": "the core tells by effects", "sync": "one goroutine owns the state",
		"sync/atomic": "one goroutine owns the state", "context": "nothing here waits", "go.uber.org/zap": "the core tells by effects",
		"os/exec": "doing is the agent's", "syscall": "doing is the agent's", "unsafe": "plain values only",
	}
	clock := map[string]bool{"Now": true, "Since": true, "Until": true, "Sleep": true, "After": true, "AfterFunc": true, "NewTimer": true, "NewTicker": true, "Tick": true}
	for _, f := range sources(t) {
		if f.test || !(within(f.dir, "policy") || within(f.dir, "shutdown") || within(f.dir, "simulate")) {
			continue
		}
		for _, im := range f.ast.Imports {
			path := strings.Trim(im.Path.Value, `"`)
			if why, bad := banned[path]; bad {
				t.Errorf("%s/%s imports %s: %s", f.dir, f.name, path, why)
			}
			if within(f.dir, "shutdown") && strings.Contains(strings.SplitN(path, "/", 2)[0], ".") {
				t.Errorf("%s/%s imports %s: shutdown builds with the standard library alone", f.dir, f.name, path)
			}
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.GoStmt:
				t.Errorf("%s: a goroutine in a pure package", fset.Position(n.Pos()))
			case *ast.SelectStmt:
				t.Errorf("%s: a select in a pure package", fset.Position(n.Pos()))
			case *ast.SelectorExpr:
				if x, ok := n.X.(*ast.Ident); ok && x.Name == "time" && clock[n.Sel.Name] {
					t.Errorf("%s: time.%s in a pure package: time is an argument", fset.Position(n.Pos()), n.Sel.Name)
				}
			}
			return true
		})
	}
}

// Aim: the order of a map is never the order of a decision. Method: no map type
// in the core, its planner, its battery and the modelled room.
func TestNoMapsInTheCore(t *testing.T) {
	for _, f := range sources(t) {
		if f.test || !(f.dir == "shutdown" || f.dir == "shutdown/plan" || f.dir == "shutdown/battery" || within(f.dir, "simulate/world")) {
			continue
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			if m, ok := n.(*ast.MapType); ok {
				t.Errorf("%s: a map in the core: order is data, use a sorted slice", fset.Position(m.Pos()))
			}
			return true
		})
	}
}

// Aim: each package says what it is for, once.
func TestPackageComments(t *testing.T) {
	docs := map[string]int{}
	for _, f := range sources(t) {
		if _, ok := docs[f.dir]; !ok {
			docs[f.dir] = 0
		}
		if f.ast.Doc != nil && !strings.HasSuffix(f.ast.Name.Name, "_test") {
			docs[f.dir]++
		}
	}
	for dir, n := range docs {
		if n != 1 {
			t.Errorf("%s has %d package comments, not one", dir, n)
		}
	}
}

// Aim: nothing in the repository carries a path of a machine it was made on, or
// the name of a package registry. Method: every file kept by git is searched.
func TestNoStrayPaths(t *testing.T) {
	stray := regexp.MustCompile(`/work` + `/|/roo` + `t/\.|\.\./sha` + `red|proxy\.gol` + `ang\.org|registry\.np` + `mjs`)
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.Name() == ".git" { // a file in a second working tree
			if d.IsDir() {
				return filepath.SkipDir
			}
			return nil
		}
		if d.IsDir() {
			return nil
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		if m := stray.Find(text); m != nil && len(text) < 8<<20 {
			t.Errorf("%s speaks of %q", path, m)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
