package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/hashicorp/hcl/v2"

	"ebbline/agent"
	"ebbline/agent/message"
	"ebbline/agent/secret"
	"ebbline/policy"
	"ebbline/policy/load"
)

// Of one policy file, and of all in a folder, one byte more is read than the
// loader takes, so that it can say that there is too much.
const (
	largest    = load.MaxFileBytes + 1
	largestSum = load.MaxPolicyBytes + 1
)

// policyFlags are the flags of every command that reads a policy.
type policyFlags struct {
	site    string
	secrets string
}

func (c *call) policyFlags() *policyFlags {
	f := &policyFlags{}
	c.flags.StringVar(&f.site, "site", c.Env("EBBLINE_SITE"), "`SITE` by its name, where several share a folder (or EBBLINE_SITE)")
	c.flags.StringVar(&f.secrets, "secrets", c.Env("EBBLINE_SECRETS"), "`FOLDER` with the secrets, one file each (or EBBLINE_SECRETS)")
	return f
}

// read reads the policy that the argument or EBBLINE_POLICY names.
func (c *call) read(f *policyFlags, checkSecrets bool) (*policy.Policy, *load.Index, hcl.Diagnostics, error) {
	path := c.Env("EBBLINE_POLICY")
	if len(c.args) > 0 {
		path = c.args[0]
	}
	if path == "" {
		return nil, nil, nil, c.usage("no policy is named. Give its path, or set EBBLINE_POLICY")
	}
	files, err := policyFiles(path)
	if err != nil {
		return nil, nil, nil, err
	}
	opt := load.Options{Site: f.site, Codes: agent.Codes(), Template: message.CheckTemplate}
	if checkSecrets {
		opt.Secret = c.secrets(f).Readable
	}
	p, index, diags := load.Load(files, opt)
	if p != nil {
		c.onlyReadsOf(p, f)
	}
	return p, index, diags, nil
}

func (c *call) secrets(f *policyFlags) *secret.Places {
	return &secret.Places{Credentials: c.Env("CREDENTIALS_DIRECTORY"), Folder: f.secrets, Env: c.Env}
}

// policyFiles reads one file, or all .hcl files of a folder.
func policyFiles(path string) ([]load.File, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("the policy %s cannot be read: %w. Name a file, or a folder of .hcl files", path, reason(err))
	}
	names := []string{path}
	if info.IsDir() {
		if names, err = filepath.Glob(filepath.Join(path, "*.hcl")); err != nil {
			return nil, err
		}
		if len(names) == 0 {
			return nil, fmt.Errorf("the folder %s holds no .hcl file. Put the policy there, or name its file", path)
		}
	}
	var files []load.File
	left := int64(largestSum)
	for _, name := range names {
		text, err := readLimited(name, min(largest, left))
		if err != nil {
			return nil, fmt.Errorf("the policy file %s cannot be read: %w", name, reason(err))
		}
		files = append(files, load.File{Name: name, Bytes: text})
		if left -= int64(len(text)); left == 0 {
			break // the loader refuses what is there already
		}
	}
	return files, nil
}

// readLimited reads a regular file's first bytes, at most so many. It does not
// wait: a pipe may have no writer, and a device no end.
func readLimited(name string, most int64) ([]byte, error) {
	f, err := os.OpenFile(name, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	switch info, err := f.Stat(); {
	case err != nil:
		return nil, err
	case info.IsDir():
		return nil, errors.New("it is a folder")
	case !info.Mode().IsRegular():
		return nil, errors.New("it is no regular file, but a pipe, a device or the like. Write its contents into a file")
	}
	return io.ReadAll(io.LimitReader(f, most))
}

// reason is an error without the path that the message names already.
func reason(err error) error {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// policyOr reads the policy for a command that needs a good one: errors are
// told and end the command; warnings are the business of check.
func (c *call) policyOr(f *policyFlags, checkSecrets bool) (*policy.Policy, int) {
	p, _, diags, err := c.read(f, checkSecrets)
	switch {
	case errors.Is(err, errUsage):
		return nil, exitUsage
	case err != nil:
		return nil, c.unreadable(err)
	case p == nil:
		var bad hcl.Diagnostics
		for _, d := range diags {
			if d.Severity == hcl.DiagError {
				bad = append(bad, d)
			}
		}
		if c.json {
			printJSON(c.Out, map[string]any{"diagnostics": load.JSON(bad)})
		}
		_, color := terminal(c.Err)
		load.Write(c.Err, bad, color && c.Env("NO_COLOR") == "")
		return nil, exitRefused
	}
	return p, exitDone
}

// unreadable tells that there is no policy to read.
func (c *call) unreadable(err error) int {
	if c.json {
		printJSON(c.Out, map[string]any{"diagnostics": []load.Diagnostic{{Severity: "error", Summary: "Policy cannot be read", Detail: err.Error() + "."}}})
	}
	c.fail("%v", err)
	return exitRefused
}

// today is the day that a battery's age is counted to.
func today() int64 { return time.Now().Unix() / 86400 }

// pairs reads "name=value" flags that may be given several times.
type pairs []pair

type pair struct{ name, value string }

func (p *pairs) String() string { return "" }

func (p *pairs) Type() string { return "pairs" }

func (p *pairs) Set(text string) error {
	name, value, ok := strings.Cut(text, "=")
	if !ok || name == "" || value == "" {
		return fmt.Errorf("write name=value")
	}
	*p = append(*p, pair{name, value})
	return nil
}

// words reads a flag that may be given several times.
type words []string

func (w *words) String() string { return "" }

func (w *words) Type() string { return "words" }

func (w *words) Set(text string) error {
	*w = append(*w, text)
	return nil
}

func upsNamed(p *policy.Policy, name string) (int, error) {
	var all []string
	for i := range p.UPSs {
		all = append(all, p.UPSs[i].Name)
	}
	return named("UPS", name, all)
}

func hostNamed(p *policy.Policy, name string) (int, error) {
	var all []string
	for k := range p.Hosts {
		all = append(all, p.Hosts[k].Name)
	}
	return named("host", name, all)
}

// named finds a name, or says which one may have been meant.
func named(kind, name string, all []string) (int, error) {
	for i, have := range all {
		if have == name {
			return i, nil
		}
	}
	for _, have := range all {
		if near(name, have) {
			return 0, fmt.Errorf("the policy has no %s %q. Did you mean %q?", kind, name, have)
		}
	}
	return 0, fmt.Errorf("the policy has no %s %q. It has %s", kind, name, strings.Join(all, ", "))
}
