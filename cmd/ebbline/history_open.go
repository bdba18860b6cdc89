package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/hashicorp/hcl/v2"

	"ebbline/agent/history"
	"ebbline/agent/history/learn"
	"ebbline/policy"
	"ebbline/policy/load"
)

// historyFile is the history's name in the agent's state folder.
const historyFile = "history.db"

// historyFlag is of every command that uses what the agent has measured.
func (c *call) historyFlag() *string {
	return c.flags.String("history", c.Env("EBBLINE_HISTORY"), "`FILE` of what was measured, or none (EBBLINE_HISTORY)")
}

// noHistory is the word for doing without.
const noHistory = "none"

// openHistory opens the history that the flag names to be read. It is nil
// without an error where there is none and none was named.
func (c *call) openHistory(ctx context.Context, named string) (*history.Reader, string, error) {
	if named == noHistory {
		return nil, "", nil
	}
	path := c.historyPath(named)
	from, err := history.OpenReader(ctx, path)
	if named == "" && errors.Is(err, os.ErrNotExist) {
		return nil, path, nil
	}
	return from, path, err
}

func (c *call) historyPath(named string) string {
	return cmp.Or(named, filepath.Join(c.stateFolder(), historyFile))
}

// historyFiles are what is read of a history, with what SQLite keeps beside it.
func (c *call) historyFiles(named string) []string {
	path := c.historyPath(named)
	return []string{path, path + "-wal", path + "-shm"}
}

// measured is a policy with what was measured in it, and on what that rests.
type measured struct {
	own   *policy.Policy // as it is written
	path  string         // of the history; "" for none
	notes []learn.Note
}

// learned puts into the policy what the history says. A history that was named
// and cannot be read is an error; the agent's is only told of.
func (c *call) learned(ctx context.Context, p *policy.Policy, named string) (*policy.Policy, *measured, error) {
	from, path, err := c.openHistory(ctx, named)
	if err != nil && named != "" {
		return nil, nil, err
	}
	if err != nil {
		fmt.Fprintf(c.Err, "ebbline %s: the figures are the policy's own, for what was measured cannot be read: %v. --history none does without.\n", c.cmd.name, err)
	}
	if err != nil || from == nil {
		return p, &measured{own: p}, nil
	}
	defer from.Close()
	q, notes := learn.Apply(ctx, p, from, today())
	return q, &measured{p, path, notes}, nil
}

// policyLearned reads the policy and what was measured, for a command that needs
// a good one.
func (c *call) policyLearned(ctx context.Context, pf *policyFlags, named string) (*policy.Policy, *measured, int) {
	p, code := c.policyOr(pf, false)
	if p == nil {
		return nil, nil, code
	}
	q, m, err := c.learned(ctx, p, named)
	if err != nil {
		return nil, nil, c.fail("%v", err)
	}
	return q, m, exitDone
}

// acting gives the policy with orders for all, for a command that tests the plan itself,
// and says so where some are only watched.
func (c *call) acting(p *policy.Policy) *policy.Policy {
	if p.Observes() {
		fmt.Fprintf(c.Err, "ebbline %s: the policy has observe = true, with which the agent only watches; here the plan is tried as if orders were given.\n", c.cmd.name)
	}
	return p.Acting()
}

// noteView is one thing measured, in a JSON document.
type noteView struct {
	UPS         string `json:"ups,omitempty"`
	Host        string `json:"host,omitempty"`
	Temperature string `json:"temperature,omitempty"`
	Attribute   string `json:"attribute,omitempty"` // of the policy
	Warning     bool   `json:"warning"`
	Text        string `json:"text"`
}

// view is what JSON documents say of it; nil when nothing was measured.
func (m *measured) view() []noteView {
	var list []noteView
	for _, n := range m.notes {
		list = append(list, noteView{n.UPS, n.Host, n.Temperature, n.Attribute, n.Warning, n.Text})
	}
	return list
}

// show says on what the figures rest, beyond the policy; nothing when that is all.
func (m *measured) show(w io.Writer, width int) {
	if len(m.notes) == 0 {
		return
	}
	fmt.Fprintf(w, "\nmeasured, by %s:\n", m.path)
	for _, n := range m.notes {
		mark := " "
		if n.Warning {
			mark = "!"
		}
		for i, line := range fold(n.String(), width-4) {
			if i > 0 {
				mark, line = " ", "  "+line
			}
			fmt.Fprintf(w, "%s %s\n", mark, line)
		}
	}
}

// calm is it without the warnings, for where these are told otherwise.
func (m *measured) calm() *measured {
	notes := slices.DeleteFunc(slices.Clone(m.notes), func(n learn.Note) bool { return n.Warning })
	return &measured{m.own, m.path, notes}
}

// diagnostics are the warnings, each on the line of the policy that it is about.
func (m *measured) diagnostics(index *load.Index) hcl.Diagnostics {
	var diags hcl.Diagnostics
	for _, n := range m.notes {
		if !n.Warning {
			continue
		}
		d := &hcl.Diagnostic{Severity: hcl.DiagWarning, Summary: "What was measured speaks against the policy", Detail: strings.TrimSuffix(n.String(), ".") + "."}
		kind, name := "host", n.Host
		if n.UPS != "" {
			kind, name = "ups", n.UPS
		}
		if n.Temperature != "" {
			kind, name = "temperature", n.Temperature
		}
		if at, ok := index.At(kind, name, n.Attribute); ok {
			d.Subject = &at
		} else if at, ok := index.At(kind, name, ""); ok {
			d.Subject = &at
		}
		diags = append(diags, d)
	}
	return diags
}
