package load

import (
	"bytes"
	"fmt"
	"runtime/debug"
	"slices"
	"strings"
	"testing"

	"github.com/hashicorp/hcl/v2"
)

// hostileCase is a file that is no text, too much, or made to hang or crash.
type hostileCase struct {
	name  string
	files []File
	site  string
	want  string // a summary that must be among the errors
	line  int    // of it; 0: not checked
	say   string // must be in its detail
}

func one(text string) []File { return []File{{"p.hcl", []byte(text)}} }

// hostile lists them. Marked files cannot hold these: they are binary, huge or
// have no line of their own.
func hostile() []hostileCase {
	deep := strings.Repeat
	site := "site \"s\" {\n}\n"
	var doubling strings.Builder
	doubling.WriteString(site + "variable \"v0\" {\n  value = \"" + deep("x", 1000) + "\"\n}\n")
	for i := range 40 {
		fmt.Fprintf(&doubling, "variable \"v%d\" {\n  value = \"${var.v%d}${var.v%d}\"\n}\n", i+1, i, i)
	}
	var spending strings.Builder
	spending.WriteString(site + "variable \"v\" {\n  value = \"" + deep("x", 60000) + "\"\n}\n")
	for i := range 999 {
		fmt.Fprintf(&spending, "variable \"w%d\" {\n  value = [upper(var.v), upper(var.v)]\n}\n", i)
	}
	names := "[" + deep(`"n", `, 999) + "]"
	many := func(kind string, n int) string {
		var b strings.Builder
		b.WriteString(site)
		for i := range n {
			fmt.Fprintf(&b, "%s \"x%d\" {\n}\n", kind, i)
		}
		return b.String()
	}
	groups := site
	for i := range 15 {
		groups += fmt.Sprintf("group \"g%d\" {\n  group = \"g%d\"\n}\n", i, i+1)
	}
	groups += "group \"g15\" {\n}\n"
	references := "variable \"all\" {\n  value = " + strings.Replace(names, `"n"`, `"first"`, 1) + "\n}\ngroup \"g\" {\n  depends_on = var.all\n}\n"
	for i := range 1100 {
		references += fmt.Sprintf("host \"h%d\" {\n  group = \"g\"\n}\n", i)
	}
	return []hostileCase{
		{name: "no file", want: noPolicy, say: "ebbline init"},
		{name: "empty", files: one(""), want: fileEmpty, line: 1},
		{name: "blank", files: one(" \n\t\n"), want: fileEmpty, line: 1},
		{name: "only a byte order mark", files: one("\ufeff"), want: fileEmpty},
		{name: "comment only", files: one("# nothing\n"), want: noSite},
		{name: "Latin-1", files: one("# a\n# K\xfcche\n"), want: notUTF8, line: 2, say: "offset 7"},
		{name: "UTF-16", files: one("\xff\xfes\x00i\x00"), want: notUTF8, line: 1, say: "UTF-16"},
		{name: "cut rune", files: one("# \xe2\x82"), want: notUTF8, say: "offset 2"},
		{name: "zero byte", files: one("# a\n\x00"), want: nulByte, line: 2, say: "offset 4"},
		{name: "50 MB", files: one(deep("x", 50_000_000)), want: fileTooLarge, say: "50000000"},
		{name: "50 MB of zeros", files: one(string(make([]byte, 50_000_000))), want: fileTooLarge},
		{name: "17 MB in files", files: slices.Repeat(one("\x00"+deep("x", 4_000_000)), 5), want: tooMuch},
		{name: "braces", files: one(deep("a {\n", 100_000)), want: tooDeep},
		{name: "brackets", files: one("a = " + deep("[", 200_000)), want: tooDeep},
		{name: "parentheses", files: one("a = " + deep("(", 200_000)), want: tooDeep},
		{name: "templates", files: one("a = " + deep(`"${`, 200_000)), want: tooDeep},
		{name: "template conditions", files: one(`a = "` + deep(`%{ if x }`, 100_000)), want: notInLanguage},
		{name: "maps", files: one("a = " + deep("{a=", 200_000)), want: tooDeep},
		{name: "calls", files: one("a = " + deep("f(", 200_000)), want: tooDeep},
		{name: "negations", files: one("a = " + deep("!", 200_000)), want: notInLanguage},
		{name: "minuses", files: one("a = " + deep("-", 200_000)), want: notInLanguage},
		{name: "sums", files: one("a = 1" + deep("+1", 200_000)), want: notInLanguage},
		{name: "conditions", files: one("a = " + deep("a?b:", 200_000)), want: notInLanguage},
		{name: "indices", files: one("a = b" + deep("[c]", 200_000)), want: notInLanguage},
		{name: "calls indexed", files: one("a = f()" + deep("[c]", 200_000)), want: notInLanguage},
		{name: "splats", files: one("a = b" + deep(".*", 200_000)), want: notInLanguage},
		{name: "scopes", files: one("a = a" + deep("::a", 200_000) + "()"), want: notInLanguage},
		{name: "dots", files: one("a = b" + deep(".c", 200_000) + "\n"), want: unknownAttr},
		{name: "labels", files: one("host" + deep(" a", 200_000) + " {\n}\n"), want: wrongLabels},
		{name: "digits", files: one("a = 1" + deep("0", 200_000)), want: outOfRange},
		{name: "exponent", files: one(site + "variable \"a\" {\n  value = \"x${1e999999999}\"\n}\n"), want: outOfRange, line: 4},
		{name: "small exponent", files: one(site + "load \"a\" {\n  watts = 1e-999999999\n}\n"), want: outOfRange, line: 4},
		{name: "too large exponent", files: one(site + "load \"a\" {\n  watts = 1e99999999999\n}\n"), want: syntaxError, line: 4},
		{name: "doubling", files: one(doubling.String()), want: valueTooLong},
		{name: "spending", files: one(spending.String()), want: tooMuch},
		{name: "long list", files: one(site + "variable \"a\" {\n  value = [" + deep("1,", 1001) + "]\n}\n"), want: valueTooLong, line: 4},
		{name: "long map", files: one(site + "variable \"a\" {\n  value = {" + deep("a=1,", 1001) + "}\n}\n"), want: valueTooLong, line: 4},
		{name: "long concat", files: one(site + "variable \"a\" {\n  value = [" + deep("1,", 900) + "]\n}\nvariable \"b\" {\n  value = concat(" + deep("var.a,", 900) + "var.a)\n}\n"), want: valueTooLong, line: 7},
		{name: "hosts", files: one(many("host", maxHosts+1)), want: tooMuch},
		{name: "UPSs", files: one(many("ups", maxUPSs+1)), want: tooMuch},
		{name: "variables", files: one(many("variable", maxVariables+1)), want: tooMuch},
		{name: "inner blocks", files: one(site + "host \"a\" {\n" + deep("  ssh {\n  }\n", 33) + "}\n"), want: tooMuch},
		{name: "methods", files: one(site + "host \"a\" {\n" + deep("  ssh {\n  }\n", 17) + "}\n"), want: tooMuch, line: 3},
		{name: "groups of groups", files: one(groups), want: tooMuch},
		{name: "references by a group", files: one(site + references), want: duplicateEntry},
		{name: "unknown attributes", files: one(site + "host \"a\" {\n" + attributesUpTo(5_000) + "}\n"), want: tooManyToShow},
		{name: "syntax errors", files: one(deep("a b c\n", 5_000)), want: tooManyToShow},
		{name: "heredocs", files: one("a = " + deep("<<A\n", 200_000)), want: valueTooLong},
		{name: "dollars", files: one("a = \"" + deep("$$", 200_000) + "\"\n"), want: valueTooLong},
		{name: "escaped templates", files: one("a = \"" + deep("%%{", 200_000) + "\"\n"), want: valueTooLong},
		{name: "quotes", files: one("a = " + deep(`"`, 200_001)), want: syntaxError},
		{name: "no such site", files: one(site), site: "t", want: unknownSite},
		{name: "two sites", files: []File{{"a.hcl", []byte(site)}, {"b.hcl", []byte("site \"t\" {\n}\n")}}, want: severalSites, say: `"s", "t"`},
		{name: "two files with one site", files: []File{{"a.hcl", []byte(site)}, {"b.hcl", []byte(site)}}, want: duplicateBlock, say: "a.hcl:1"},
	}
}

func attributesUpTo(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "  a%d = 1\n", i)
	}
	return b.String()
}

// Aim: nothing that a file can hold crashes the loader or takes it long, and
// each such file gets a clear error. Method: the table above, on a small stack:
// a recursion that is not bounded overflows it and ends the test, work that is
// not bounded runs into the test's deadline.
func TestHostileFiles(t *testing.T) {
	defer debug.SetMaxStack(debug.SetMaxStack(16 << 20))
	for _, c := range hostile() {
		t.Run(c.name, func(t *testing.T) {
			p, index, diags := Load(c.files, Options{Site: c.site})
			if p != nil || index == nil {
				t.Errorf("policy %v, index %v", p, index)
			}
			i := slices.IndexFunc(diags, func(d *hcl.Diagnostic) bool {
				return d.Summary == c.want && strings.Contains(d.Detail, c.say) && (c.line == 0 || start(d).Start.Line == c.line)
			})
			if i < 0 {
				var b bytes.Buffer
				_ = Write(&b, diags[:min(len(diags), 5)], false)
				t.Errorf("want %q at line %d, got %d:\n%s", c.want, c.line, len(diags), &b)
			}
			if len(diags) > 2*maxShown+2 {
				t.Errorf("%d diagnostics", len(diags))
			}
		})
	}
}

// Aim: traps of the library that a policy could fall into (library notes: two
// blocks with one label are accepted, 80 and "80" are taken for each other, a
// "$" begins a template), and files as editors write them.
func TestLibraryTraps(t *testing.T) {
	base := string(readFile(t, corpus+"/first.hcl").Bytes)
	for _, c := range []struct{ name, old, new, want string }{
		{"byte order mark", "# One UPS", "\ufeff# One UPS", ""},
		{"Windows line ends", "\n", "\r\n", ""},
		{"dollar escaped", `"sudo systemctl poweroff"`, `"echo $${HOME} %%{x}"`, ""},
		{"dollar alone", `"sudo systemctl poweroff"`, `"echo $HOME 100%"`, ""},
		{"dollar not escaped", `"sudo systemctl poweroff"`, `"echo ${HOME}"`, unknownVar},
		{"number in quotes", "watts    = 120", `watts    = "120"`, wrongType},
		{"text without quotes", `stops_in = "2m"`, "stops_in = 2", noUnit},
		{"same label", `host "disks"`, `host "desk"`, duplicateName},
		{"bare label", `host "disks"`, `host disks`, ""},
		{"heredoc", `"sudo systemctl poweroff"`, "<<EOT\nsudo\nEOT", notText},
	} {
		text := strings.ReplaceAll(base, c.old, c.new)
		if text == base {
			t.Fatalf("%s: nothing replaced", c.name)
		}
		p, _, diags := Load(one(text), Options{})
		if c.want == "" && (p == nil || len(diags) > 0) {
			t.Errorf("%s: %v", c.name, diags)
		}
		if c.want != "" && (p != nil || diags[0].Summary != c.want) {
			t.Errorf("%s: want %q, got %v", c.name, c.want, diags)
		}
	}
}

// Aim: a room of 20,000 hosts, which share one group, loads.
func TestLargestPolicy(t *testing.T) {
	p, _, diags := Load(largest(maxHosts), Options{})
	if p == nil {
		t.Fatal(diags[:min(3, len(diags))])
	}
	if len(p.Hosts) != maxHosts {
		t.Errorf("%d hosts", len(p.Hosts))
	}
	if err := p.Check(); err != nil {
		t.Error(err)
	}
	if order := p.Order(); len(order) != maxHosts || p.Hosts[order[0]].Name != fmt.Sprintf("h%05d", maxHosts-1) {
		t.Errorf("order of %d begins with %s", len(order), p.Hosts[order[0]].Name)
	}
}

// largest makes a policy whose hosts depend on each other in one long chain.
func largest(hosts int) []File {
	var b strings.Builder
	b.Write([]byte("site \"s\" {\n}\nups \"u\" {\n rated_watts = 1000000\n battery {\n  chemistry = \"vrla\"\n  volts = 480\n  amp_hours = 1000\n }\n hid {\n  serial = \"1\"\n }\n}\n" +
		"group \"g\" {\n fed_by = [\"u\"]\n watts = 20\n priority = 5\n stops_in = \"1m\"\n ssh {\n  user = \"e\"\n  key = secret(\"k\")\n  known_hosts = \"/k\"\n }\n}\n"))
	for i := range hosts {
		fmt.Fprintf(&b, "host \"h%05d\" {\n group = \"g\"\n", i)
		if i > 0 {
			fmt.Fprintf(&b, " depends_on = [\"h%05d\"]\n", i-1)
		}
		fmt.Fprintf(&b, " ssh {\n  address = \"h%05d\"\n }\n}\n", i)
	}
	return []File{{"large.hcl", []byte(b.String())}}
}

func BenchmarkLoad(b *testing.B) {
	for _, n := range []int{10, 1000, maxHosts} {
		files := largest(n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if p, _, _ := Load(files, Options{}); p == nil {
					b.Fatal("no policy")
				}
			}
		})
	}
}
