package load

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/hashicorp/hcl/v2"

	"ebbline/policy"
)

var rewrite = flag.Bool("rewrite", false, "write the goldens anew instead of comparing")

const corpus = "../../testdata/policies"

// fakeSecret reads no secret whose name begins with "unreadable".
func fakeSecret(name string) error {
	if strings.HasPrefix(name, "unreadable") {
		return errors.New("no such file")
	}
	return nil
}

// fakeTemplate knows the templates of the corpus that fail, and in which line.
func fakeTemplate(text, contentType string) (line int, err error) {
	for line := range strings.Lines(text) {
		if strings.Contains(line, "{{.Nobody}}") {
			return 1 + strings.Count(text[:strings.Index(text, line)], "\n"), errors.New("there is no Nobody")
		}
	}
	return 0, nil
}

// asked is what the corpus is read with.
var asked = Options{Secret: fakeSecret, Codes: []string{"input-lost", "outage-over", "source-silent"}, Template: fakeTemplate}

func readFile(t testing.TB, path string) File {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return File{filepath.Base(path), b}
}

func readFolder(t testing.TB, path string) []File {
	t.Helper()
	if st, err := os.Stat(path); err != nil {
		t.Fatal(err)
	} else if !st.IsDir() {
		return []File{readFile(t, path)}
	}
	names, err := filepath.Glob(filepath.Join(path, "*.hcl"))
	if err != nil || len(names) == 0 {
		t.Fatalf("%s: no files (%v)", path, err)
	}
	var files []File
	for _, n := range names {
		files = append(files, readFile(t, n))
	}
	return files
}

var mark = regexp.MustCompile(`# (ERROR|WARNING): ([^#]*)`)

// marks gives what a marked file expects: "line severity: summary".
func marks(f File) []string {
	var out []string
	for i, line := range strings.Split(string(f.Bytes), "\n") {
		for _, m := range mark.FindAllStringSubmatch(line, -1) {
			out = append(out, fmt.Sprintf("%d %s: %s", i+1, strings.ToLower(m[1]), strings.TrimSpace(m[2])))
		}
	}
	slices.Sort(out)
	return out
}

// Aim: each diagnostic sits on the line that it blames, with its summary, and
// nothing else is reported. Method: files whose lines say what they deserve.
func TestMarkedFiles(t *testing.T) {
	for _, folder := range []string{"errors", "warnings"} {
		paths, _ := filepath.Glob(filepath.Join(corpus, folder, "*.hcl"))
		if len(paths) < 3 {
			t.Fatalf("only %d files in %s", len(paths), folder)
		}
		for _, path := range paths {
			t.Run(folder+"/"+filepath.Base(path), func(t *testing.T) {
				f := readFile(t, path)
				p, _, diags := Load([]File{f}, asked)
				var got []string
				for _, d := range JSON(diags) {
					got = append(got, fmt.Sprintf("%d %s: %s", d.Line, d.Severity, d.Summary))
				}
				slices.Sort(got)
				if diff := cmp.Diff(marks(f), got); diff != "" {
					t.Errorf("(-marked +reported)\n%s", diff)
				}
				if (p == nil) != (folder == "errors") {
					t.Errorf("policy is there: %v", p != nil)
				}
				checkForm(t, f, diags)
			})
		}
	}
}

// checkForm checks what every diagnostic promises: full sentences that end with
// a next step, places inside the file, and a context around the subject.
func checkForm(t *testing.T, f File, diags hcl.Diagnostics) {
	t.Helper()
	for _, d := range diags {
		if !strings.HasSuffix(d.Detail, ".") && !strings.HasSuffix(d.Detail, "?") || len(d.Detail) < 30 {
			t.Errorf("no sentence: %s: %s", d.Summary, d.Detail)
		}
		if d.Subject == nil || d.Subject.Filename != f.Name || d.Subject.End.Byte > len(f.Bytes) || d.Subject.Start.Byte > d.Subject.End.Byte {
			t.Errorf("%s: subject %v", d.Summary, d.Subject)
		}
		if c := d.Context; c != nil && (c.Start.Byte > d.Subject.Start.Byte || c.End.Byte < d.Subject.End.Byte) {
			t.Errorf("%s: context %v is not around %v", d.Summary, c, d.Subject)
		}
	}
}

// Aim: no summary exists that no test has seen, and none is written outside the
// list. Method: the constants of diagnostic.go against what the corpus and the
// table of hostile files give.
func TestEverySummaryIsTested(t *testing.T) {
	src, err := parser.ParseFile(token.NewFileSet(), "diagnostic.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	listed := map[string]bool{}
	for _, decl := range src.Decls {
		g, ok := decl.(*ast.GenDecl)
		if !ok || g.Tok != token.CONST || len(g.Specs) < 10 {
			continue
		}
		for _, spec := range g.Specs {
			s, err := strconv.Unquote(spec.(*ast.ValueSpec).Values[0].(*ast.BasicLit).Value)
			if err != nil {
				t.Fatal(err)
			}
			listed[s] = false
		}
	}
	see := func(diags hcl.Diagnostics) {
		for _, d := range diags {
			if _, ok := listed[d.Summary]; !ok {
				t.Errorf("summary %q is not in the list", d.Summary)
			}
			listed[d.Summary] = true
		}
	}
	for _, folder := range []string{"errors", "warnings"} {
		paths, _ := filepath.Glob(filepath.Join(corpus, folder, "*.hcl"))
		for _, path := range paths {
			_, _, diags := Load([]File{readFile(t, path)}, asked)
			see(diags)
		}
	}
	for _, h := range hostile() {
		if seen, ok := listed[h.want]; !seen || !ok {
			_, _, diags := Load(h.files, Options{Site: h.site})
			see(diags)
		}
	}
	for s, seen := range listed {
		if !seen {
			t.Errorf("no test gives %q", s)
		}
	}
}

// Aim: a good policy means what it says. Method: the policies of the corpus
// against goldens that were read by a person; and all of them pass the checks
// of package policy.
func TestGoodPolicies(t *testing.T) {
	for _, c := range []struct{ path, site, golden string }{
		{"barn.hcl", "", "good/barn.json"},
		{"first.hcl", "", "good/first.json"},
		{"good/everything.hcl", "", "good/everything.json"},
		{"good/groups.hcl", "", "good/groups.json"},
		{"good/room.hcl", "", "good/room.json"},
		{"good/unfed.hcl", "", "good/unfed.json"},
		{"good/sites", "attic", "good/sites-attic.json"},
		{"good/sites", "cellar", "good/sites-cellar.json"},
	} {
		t.Run(c.golden, func(t *testing.T) {
			files := readFolder(t, filepath.Join(corpus, c.path))
			p, _, diags := Load(files, Options{Site: c.site, Secret: fakeSecret})
			var text bytes.Buffer
			if err := Write(&text, diags, false); err != nil {
				t.Fatal(err)
			}
			var marked, got []string
			for _, f := range files {
				marked = append(marked, marks(f)...)
			}
			for _, d := range JSON(diags) {
				got = append(got, fmt.Sprintf("%d %s: %s", d.Line, d.Severity, d.Summary))
			}
			if !slices.Equal(got, marked) {
				t.Errorf("a policy of the corpus has something to complain of that is not marked:\n%s", &text)
			}
			if p == nil {
				t.Fatal("no policy")
			}
			if err := p.Check(); err != nil {
				t.Errorf("the loader's policy does not pass the check: %v", err)
			}
			p.Fingerprint = "" // has a test of its own, and would change with every comment
			plain, err := json.MarshalIndent(p, "", "  ")
			if err != nil {
				t.Fatal(err)
			}
			golden(t, c.golden, append(plain, '\n'))
		})
	}
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join(corpus, name)
	if *rewrite {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("%s (-golden +got):\n%s", name, diff)
	}
}

// Aim: what people see. Method: whole renderings of marked files as goldens,
// one of them in colour.
func TestRenderings(t *testing.T) {
	for _, name := range []string{"names", "durations", "circles", "syntax", "shape", "self", "guests", "renamed"} {
		_, _, diags := Load([]File{readFile(t, filepath.Join(corpus, "errors", name+".hcl"))}, Options{Secret: fakeSecret})
		var b bytes.Buffer
		if err := Write(&b, diags, name == "self"); err != nil {
			t.Fatal(err)
		}
		for _, line := range strings.Split(b.String(), "\n") {
			if strings.HasPrefix(line, rule) && len([]rune(line)) > width && strings.Count(line, " ") > 3 {
				t.Errorf("longer than %d columns: %s", width, line)
			}
		}
		golden(t, "renderings/"+name+".txt", b.Bytes())
	}
	_, _, diags := Load([]File{readFile(t, filepath.Join(corpus, "warnings/risks.hcl"))}, Options{})
	var b bytes.Buffer
	if err := Write(&b, diags, false); err != nil {
		t.Fatal(err)
	}
	golden(t, "renderings/risks.txt", b.Bytes())
}

// Aim: a secret written into the policy by mistake is never repeated. Method:
// the corpus's file of such mistakes, and passwords that the parser trips over,
// which its own messages would quote; no piece of them may be in any message.
// (library-notes: hcl diagnostics quote the source line; "${" in a password.)
func TestNoSecretIsPrinted(t *testing.T) {
	base := readFile(t, filepath.Join(corpus, "errors/secrets.hcl"))
	texts := []string{string(base.Bytes)}
	for _, password := range []string{
		`"hunter2`, `"hunter2${`, `"hunter2%{hunter2}"`, `"hunter2\hunter2"`, `'hunter2'`, `"%{ if hunter2 }"`, `hunter2 hunter2`,
		"<<hunter2\nhunter2", `"hunter2" "hunter2"`, `"a"hunter2`, `hunter2.0.1`, `"${hunter2}"`, `"${hunter2("x")}"`, `["hunter2"]`,
		`secret(hunter2)`, `secret("${hunter2}")`, `secret("hunter2!")`, `secret("hunter2", "b")`,
		`{ hunter2 = hunter2 }`, "`hunter2`", `"hunter2" + 1`, `hunter2()`, `"%{for hunter2 in hunter2}x%{endfor}"`, `(hunter2)`, `("hunter2")`,
	} {
		texts = append(texts, "host \"vault\" {\n  bmc {\n    password = "+password+"\n  }\n}\n")
	}
	for _, text := range texts {
		_, _, diags := Load([]File{{"p.hcl", []byte(text)}}, Options{Secret: fakeSecret})
		if !diags.HasErrors() {
			t.Errorf("accepted: %s", text)
		}
		var b bytes.Buffer
		if err := Write(&b, diags, true); err != nil {
			t.Fatal(err)
		}
		j, err := json.Marshal(JSON(diags))
		if err != nil {
			t.Fatal(err)
		}
		for _, out := range []string{b.String(), string(j)} {
			if strings.Contains(out, "hunter") || strings.Contains(out, "hunt$") || strings.Contains(out, "4711") {
				t.Errorf("the secret of\n%s\nis in\n%s", text, out)
			}
		}
	}
}

// Aim: whether a secret can be read is asked once for each name, and not at all
// when nobody can say.
func TestSecretsAreAskedOnce(t *testing.T) {
	asked := map[string]int{}
	f := readFile(t, filepath.Join(corpus, "barn.hcl"))
	if p, _, _ := Load([]File{f}, Options{Secret: func(name string) error { asked[name]++; return nil }}); p == nil {
		t.Fatal("no policy")
	}
	want := map[string]int{"press-bmc": 1, "ssh-key": 1, "trap-community": 1, "ups-auth": 1, "ups-priv": 1, "vault-bmc": 1}
	if diff := cmp.Diff(want, asked); diff != "" {
		t.Error(diff)
	}
}

// Aim: a folder of several sites. Method: the corpus's folder; the list of its
// sites, a choice, no choice, a wrong one, and a broken file of another site.
func TestSites(t *testing.T) {
	files := readFolder(t, filepath.Join(corpus, "good/sites"))
	if got := Sites(files); !slices.Equal(got, []string{"attic", "cellar"}) {
		t.Errorf("sites are %q", got)
	}
	for site, want := range map[string]string{
		"":      `These files hold several sites: "attic", "cellar".`,
		"atic":  `Did you mean "attic"?`,
		"house": `There are: attic, cellar.`,
	} {
		p, _, diags := Load(files, Options{Site: site})
		if p != nil || len(diags) != 1 || !strings.Contains(diags[0].Detail, want) {
			t.Errorf("site %q: %v", site, diags)
		}
	}
	broken := append(slices.Clone(files), File{"z.hcl", []byte("site \"cellar2\" {\n}\nhost {\n x y z\n}\n")})
	if p, _, diags := Load(broken, Options{Site: "attic"}); p == nil {
		t.Errorf("a broken file of another site spoils this one: %v", diags)
	}
	if p, _, _ := Load(broken, Options{Site: "cellar2"}); p != nil {
		t.Error("a broken file was accepted")
	}
}

// Aim: a policy's fingerprint is that of its files, in the order of their
// names: of one file it is what sha256sum prints (FIPS 180-4 by package
// crypto/sha256).
// Aim: one mistake in a file's syntax is told once, however much is turned inside
// out by it. Method: a good policy of which one quote is missing, each in turn.
func TestMissingQuote(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(corpus, "first.hcl"))
	if err != nil {
		t.Fatal(err)
	}
	for i, c := range text {
		if c != '"' {
			continue
		}
		broken := slices.Concat(text[:i], text[i+1:])
		line := 1 + bytes.Count(text[:i], []byte("\n"))
		p, _, diags := Load([]File{{"first.hcl", broken}}, Options{})
		if p != nil || len(diags) != 1 || diags[0].Subject.Start.Line != line {
			t.Errorf("without the quote at byte %d, on line %d: %v", i, line, diags)
		}
	}
}

// Hosts that nothing starts again are told of in one message, with their number.
func TestManyWithoutReturn(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(corpus, "warnings", "chart.hcl"))
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte(`  output {
    cut_after    = "2m"
    return_after = "30s"
  }
`), nil, 1)
	for i := range 300 {
		text = fmt.Appendf(text, `
host "h%03d" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 1
  stops_in = "1m"
  ssh {
    address  = "192.0.2.20:%d"
    user     = "ebbline"
    key      = secret("ssh-key")
    host_key = "SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"
  }
}
`, i, 1000+i)
	}
	p, _, diags := Load([]File{{"many.hcl", text}}, Options{})
	if p == nil {
		t.Fatal(diags)
	}
	var said []string
	for _, d := range diags {
		if d.Summary == noWayBack {
			said = append(said, d.Detail)
		}
	}
	if len(said) != 1 || !strings.HasPrefix(said[0], `Nothing starts 300 hosts again after an outage: "h000", "h001", "h002", "h003", "h004" and 295 more.`) {
		t.Errorf("it says %q", said)
	}
}

// A known_hosts file is looked for beside the policy's file that names it, wherever
// the command is called.
func TestKnownHostsBesideThePolicy(t *testing.T) {
	barn, err := os.ReadFile(filepath.Join(corpus, "first.hcl"))
	if err != nil {
		t.Fatal(err)
	}
	for written, want := range map[string]string{
		"/etc/ebbline/known_hosts": "/etc/ebbline/known_hosts",
		"known_hosts":              "policies/home/known_hosts",
		"../known_hosts":           "policies/known_hosts",
	} {
		text := regexp.MustCompile(`host_key = "[^"]*"`).ReplaceAllString(string(barn), `known_hosts = "`+written+`"`)
		p, _, diags := Load([]File{{"policies/home/first.hcl", []byte(text)}}, Options{})
		if p == nil {
			t.Fatal(diags)
		}
		n := 0
		for i := range p.Hosts {
			for m := range p.Hosts[i].Methods {
				if s := p.Hosts[i].Methods[m].SSH; s != nil {
					if n++; s.KnownHosts != want {
						t.Errorf("%s: %s is at %q, want %q", written, p.Hosts[i].Name, s.KnownHosts, want)
					}
				}
			}
		}
		if n == 0 {
			t.Error("no host has a known_hosts file")
		}
	}
}

func TestFingerprint(t *testing.T) {
	files := readFolder(t, filepath.Join(corpus, "good/sites"))
	a, _, _ := Load(files, Options{Site: "attic"})
	slices.Reverse(files)
	b, _, _ := Load(files, Options{Site: "attic"})
	c, _, _ := Load(files, Options{Site: "cellar"})
	if a.Fingerprint != b.Fingerprint || a.Fingerprint == c.Fingerprint || len(a.Fingerprint) != 64 {
		t.Errorf("fingerprints %q %q %q", a.Fingerprint, b.Fingerprint, c.Fingerprint)
	}
	if diff := cmp.Diff(a, b); diff != "" {
		t.Errorf("the order of the files matters: %s", diff)
	}
}

// Aim: later checks can point into the file. Method: places of things,
// attributes, nested ones, those of a group, and what nobody wrote.
func TestIndex(t *testing.T) {
	f := readFile(t, filepath.Join(corpus, "barn.hcl"))
	_, index, _ := Load([]File{f}, Options{})
	line := func(text string) int { // of the first line that has it
		before, _, ok := strings.Cut(string(f.Bytes), text)
		if !ok {
			t.Fatalf("no %q in the file", text)
		}
		return 1 + strings.Count(before, "\n")
	}
	for _, c := range []struct {
		kind, name, attribute string
		want                  int
	}{
		{"site", "barn", "", line(`site "barn"`)},
		{"site", "barn", "restore.stagger", line("stagger    =")},
		{"ups", "rack", "", line(`ups "rack"`)},
		{"ups", "rack", "battery.chart", line("chart     =")},
		{"ups", "rack", "battery", line("  battery {")},
		{"ups", "rack", "class", line("class          =")},
		{"host", "vault", "keep_for", line("keep_for   =")},
		{"host", "vault", "no_such", line(`host "vault"`)},
		{"host", "mail", "stops_in", line(`stops_in = "45s"`)}, // of its group
		{"load", "radio", "watts", line("watts  = 12")},
	} {
		got, ok := index.At(c.kind, c.name, c.attribute)
		if !ok || got.Start.Line != c.want || got.Filename != "barn.hcl" {
			t.Errorf("%s %s %s: at %v, want line %d", c.kind, c.name, c.attribute, got, c.want)
		}
	}
	if _, ok := index.At("host", "nobody", ""); ok {
		t.Error("a host that is not there has a place")
	}
}

// Aim: the standard example that other packages use keeps the parts that they
// rely on.
func TestBarnHasItAll(t *testing.T) {
	p, _, _ := Load([]File{readFile(t, filepath.Join(corpus, "barn.hcl"))}, Options{})
	guests, twoFeeds, self := 0, 0, 0
	for _, h := range p.Hosts {
		if h.RunsOn >= 0 {
			guests++
		}
		if len(h.FedBy) == 2 {
			twoFeeds++
		}
		if h.Self {
			self++
		}
	}
	if len(p.UPSs) != 2 || len(p.Hosts) < 5 || guests != 2 || twoFeeds != 2 || self != 1 {
		t.Errorf("%d UPSs, %d hosts, %d guests, %d with two feeds, %d own", len(p.UPSs), len(p.Hosts), guests, twoFeeds, self)
	}
	var names []string
	for _, i := range p.Order() {
		names = append(names, p.Hosts[i].Name)
	}
	if want := []string{"bench", "wiki", "mail", "press", "vault", "gate"}; !slices.Equal(names, want) {
		t.Errorf("order is %q, want %q", names, want)
	}
	press := p.Hosts[slices.IndexFunc(p.Hosts, func(h policy.Host) bool { return h.Name == "press" })]
	if press.Watts != 310-40-35 {
		t.Errorf("the host draws %d watts besides its guests", press.Watts)
	}
}

// Aim: help tells of the whole language. Method: each block and attribute of the
// shapes by which a policy is read is a word of the text that help and manual show.
func TestHelpTellsOfAll(t *testing.T) {
	text, err := os.ReadFile("../../cmd/ebbline/help/policy.txt")
	if err != nil {
		t.Fatal(err)
	}
	words := map[string]bool{}
	for _, w := range regexp.MustCompile(`[a-z_]+`).FindAllString(string(text), -1) {
		words[w] = true
	}
	var check func(name string, sh *shape)
	check = func(name string, sh *shape) {
		for _, a := range sh.attributes {
			if !words[a] {
				t.Errorf("help does not tell of %s in %s", a, name)
			}
		}
		for kind, in := range sh.blocks {
			if !words[kind] {
				t.Errorf("help does not tell of the block %s", kind)
			}
			check(kind, in)
		}
	}
	check("a policy", policyShape)
	for _, name := range slices.Sorted(maps.Keys(functions)) {
		if !words[name] {
			t.Errorf("help does not tell of the function %s", name)
		}
	}
}
