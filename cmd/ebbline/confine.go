package main

import (
	"fmt"
	"os"
	"path/filepath"

	"github.com/landlock-lsm/go-landlock/landlock"
	ll "github.com/landlock-lsm/go-landlock/landlock/syscall"

	"ebbline/policy"
)

// onlyReads gives up what a command that only reads never needs, before it reads
// what others may have written: it writes no file but those named (an empty name
// is none), and opens no connection and no port. When the policy is known,
// [call.read] gives up to read anything but what is read from then on, these files
// among it.
func (c *call) onlyReads(reads, writes []string) {
	if c.Confine == nil {
		return // a test within its own process, which has more to do
	}
	c.reads = append([]string{}, reads...)
	c.confine(nil, writes)
	c.writes = writes
}

// onlyReadsOf keeps of the right to read what is needed after the policy.
func (c *call) onlyReadsOf(p *policy.Policy, f *policyFlags) {
	if c.Confine == nil || c.reads == nil {
		return
	}
	reads := append(c.reads, f.secrets, c.Env("CREDENTIALS_DIRECTORY"), "/proc/self", "/etc/localtime", "/usr/share/zoneinfo")
	for k := range p.Hosts {
		for m := range p.Hosts[k].Methods {
			if s := p.Hosts[k].Methods[m].SSH; s != nil {
				reads = append(reads, s.KnownHosts)
			}
		}
	}
	c.confine(reads, c.writes)
}

func (c *call) confine(reads, writes []string) {
	if err := c.Confine(reads, writes); err != nil {
		fmt.Fprintf(c.Err, "ebbline %s: it keeps rights that it does not need: %v\n", c.cmd.name, err)
	}
}

// confine takes rights from the whole process for good, as far as the kernel knows
// to: Landlock is there from Linux 5.13 on, for TCP from 6.7 on, for UDP later. No
// list of files to read means all.
func confine(reads, writes []string) error {
	const (
		look  landlock.AccessFSSet = ll.AccessFSReadFile | ll.AccessFSReadDir
		write landlock.AccessFSSet = ll.AccessFSReadFile | ll.AccessFSWriteFile | ll.AccessFSTruncate
		begin landlock.AccessFSSet = ll.AccessFSMakeReg | ll.AccessFSRemoveFile
	)
	var rules []landlock.Rule
	allow := func(path string, folder, file landlock.AccessFSSet) {
		info, err := os.Stat(path)
		switch {
		case path == "" || err != nil: // what is not there cannot be opened
		case info.IsDir():
			rules = append(rules, landlock.PathAccess(folder, path).IgnoreIfMissing())
		default:
			rules = append(rules, landlock.PathAccess(file, path).IgnoreIfMissing())
		}
	}
	if reads == nil {
		reads = []string{"/"}
	}
	for _, path := range reads {
		allow(path, look, ll.AccessFSReadFile)
	}
	for _, path := range writes {
		if path == "" {
			continue
		}
		if place, err := filepath.EvalSymlinks(path); err == nil {
			path = place
		}
		allow(filepath.Dir(path), write|begin, 0) // a file is begun beside it
		allow(path, 0, write)
	}
	return landlock.V11.BestEffort().Restrict(rules...)
}
