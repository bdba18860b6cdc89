package load

import (
	"bytes"
	"encoding/json"
	"path/filepath"
	"testing"

	"github.com/hashicorp/hcl/v2"
)

// Aim: whatever a file holds, the loader neither panics nor answers by halves:
// a policy or an error, never both or neither; a policy passes the checks of
// package policy; places lie inside the file; a second reading says the same.
// Method: the fuzzer, from the corpus on, with the file both alone and beside
// a whole policy. Run it with
//
//	go test ./policy/load -run '^$' -fuzz FuzzLoad -fuzztime 5m -fuzzminimizetime 10x
func FuzzLoad(f *testing.F) {
	for _, pattern := range []string{"*.hcl", "errors/*.hcl", "warnings/*.hcl", "good/*.hcl", "good/sites/*.hcl"} {
		paths, _ := filepath.Glob(filepath.Join(corpus, pattern))
		for _, path := range paths {
			f.Add(readFile(f, path).Bytes)
		}
	}
	for _, h := range hostile() {
		if len(h.files) == 1 && len(h.files[0].Bytes) < 10_000 {
			f.Add(h.files[0].Bytes)
		}
	}
	whole := readFile(f, filepath.Join(corpus, "barn.hcl"))
	f.Fuzz(func(t *testing.T, text []byte) {
		fuzzed := File{"fuzzed.hcl", text}
		for _, files := range [][]File{{fuzzed}, {fuzzed, whole}} {
			p, index, diags := Load(files, Options{Secret: fakeSecret})
			if (p == nil) != diags.HasErrors() || index == nil {
				t.Fatalf("policy %v, index %v, diagnostics %v", p != nil, index != nil, diags)
			}
			if p != nil {
				if err := p.Check(); err != nil {
					t.Fatal(err)
				}
				if stopped := len(p.Order()); stopped > len(p.Hosts) {
					t.Fatalf("%d hosts in order of %d", stopped, len(p.Hosts))
				}
			}
			for _, d := range diags {
				r := d.Subject
				if r == nil || r.Start.Byte > r.End.Byte || r.Filename == "fuzzed.hcl" && r.End.Byte > len(text) || r.Start.Line < 1 {
					t.Fatalf("%s is at %v", d.Summary, r)
				}
			}
			said := says(t, diags)
			if _, _, again := Load(files, Options{Secret: fakeSecret}); says(t, again) != said {
				t.Fatal("a second reading says something else")
			}
		}
	})
}

// says renders diagnostics in both forms.
func says(t *testing.T, diags hcl.Diagnostics) string {
	var b bytes.Buffer
	if err := Write(&b, diags, true); err != nil {
		t.Fatal(err)
	}
	if err := json.NewEncoder(&b).Encode(JSON(diags)); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// Aim: as FuzzLoad's, behind the parser, where random bytes seldom come.
// Method: every line of whole policies is left out, given twice, and its value
// replaced by some odd ones, others on the next line.
func TestMutatedPolicies(t *testing.T) {
	odd := []string{
		`""`, `"0s"`, `"1s"`, `-1`, `0`, `1`, `1e15`, `0.5`, `true`, `[]`, `{}`, `["vault"]`, `["hyper", "rack", "left"]`, `{ "1" = "1s" }`,
		`secret("x")`, `var.net`, `"hyper"`, `"snmp"`, `"3"`, `[[[]]]`, `[{}]`, `null`,
	}
	policies := 0
	for _, name := range []string{"good/everything.hcl", "good/groups.hcl"} {
		lines := bytes.Split(readFile(t, filepath.Join(corpus, name)).Bytes, []byte("\n"))
		try := func(i int, instead ...string) {
			var b bytes.Buffer
			for k, line := range lines {
				if k != i {
					b.Write(line)
					b.WriteByte('\n')
				}
				for _, s := range instead {
					if k == i {
						b.WriteString(s + "\n")
					}
				}
			}
			p, _, diags := Load([]File{{name, b.Bytes()}}, Options{})
			if (p == nil) != diags.HasErrors() {
				t.Fatalf("%s:%d %q: policy %v, %v", name, i+1, instead, p != nil, diags)
			}
			if p == nil {
				return
			}
			policies++
			if err := p.Check(); err != nil {
				t.Errorf("%s:%d %q: %v", name, i+1, instead, err)
			}
		}
		for i, line := range lines {
			try(i)
			try(i, string(line), string(line))
			if key, _, ok := bytes.Cut(line, []byte(" = ")); ok {
				for k := range 2 {
					try(i, string(key)+" = "+odd[(2*i+k)%len(odd)])
				}
			}
		}
	}
	if policies < 100 {
		t.Errorf("only %d of the mutations were policies: the test shows little", policies)
	}
}

// Aim: the same of the files of a folder, of which one may be another site's.
// Method: the fuzzer, with two files and the name of a site.
func FuzzFolder(f *testing.F) {
	for _, folder := range []string{"good/sites"} {
		files := readFolder(f, filepath.Join(corpus, folder))
		for i := range files {
			f.Add(files[i].Bytes, files[(i+1)%len(files)].Bytes, "attic")
		}
	}
	f.Add([]byte("site \"a\" {}\n"), []byte("ups \"u\" {"), "")
	f.Fuzz(func(t *testing.T, first, second []byte, site string) {
		files := []File{{"a.hcl", first}, {"b.hcl", second}}
		p, index, diags := Load(files, Options{Site: site, Secret: fakeSecret})
		if (p == nil) != diags.HasErrors() || index == nil {
			t.Fatalf("policy %v, index %v, diagnostics %v", p != nil, index != nil, diags)
		}
		if p != nil && (p.Check() != nil || site != "" && p.Site.Name != site) {
			t.Fatalf("site %q: %v", p.Site.Name, p.Check())
		}
		Sites(files)
		files[0], files[1] = files[1], files[0]
		if _, _, again := Load(files, Options{Site: site, Secret: fakeSecret}); says(t, again) != says(t, diags) {
			t.Fatal("in another order they say something else")
		}
	})
}
