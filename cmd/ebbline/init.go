package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"time"

	"ebbline/policy"
	"ebbline/policy/load"
)

var initCommand = command{
	name:  "init",
	about: "writes a first policy, from what your machines say of themselves",
	usage: "[[NAME=]ADDRESS ...] [usb] [--to FILE] [--room ROOM] [--community SECRET] [--user NAME --auth-key SECRET --priv-key SECRET] [--secrets FOLDER] [--json]",
	takes: []string{"ADDRESS…"},
	help: `Asks each address what it is, without logging in and without a change:
  a UPS    SNMP, UDP 161: its ratings, its load, what its card lacks or says in
           other units than RFC 1628
  a host   SSH, TCP 22: its host keys, which you compare
  a BMC    Redfish, TCP 443: its certificate, which you compare; IPMI, UDP 623
An address with a port is asked at that port alone. "usb" stands for the UPSs on
this machine's USB. No other address is asked.

Then it writes a policy with comments. What only you know is left open: each
such line begins with "#?", and all are listed at the end. Write the answers,
take the marks away, then run ebbline check.

NAME=ADDRESS gives a block its name; a BMC with a host's name goes into that
host's block. Cards are asked with the community "public" unless you name a
secret with another one (--community), or a user and secrets of SNMP v3. A card
that does not answer to that, and has an SSH server, is taken for a host.

--room takes a template: one-ups (one UPS, a server, the agent's board: what
init writes without addresses) or hypervisor (guests, hypervisor, storage,
switch, router). An address with the name of one of its blocks fills it:
  ebbline init --room hypervisor ups=192.0.2.10 storage=192.0.2.22

Cards with SNMP v3, their keys in files of the folder secrets:
  ebbline init 192.0.2.10 --secrets secrets --user ebbline \
          --auth-key ups-auth --priv-key ups-priv --to home.hcl

A file that is there already is never written over. Exit code 1 says that an
address could not be made out; the policy then holds what the others said.`,
	set: setInit,
}

const (
	mostAddresses = 256
	askedAtOnce   = 16 // addresses
)

func setInit(c *call) action {
	q := &inquiry{}
	var user policy.SNMP
	to := c.flags.String("to", "", "write the policy to `FILE`, which must not be there yet; else to standard output")
	roomName := c.flags.String("room", "", "begin with the template `ROOM`: "+strings.Join(roomNames(), " or "))
	site := c.flags.String("site", "home", "`NAME` of the site")
	folder := c.flags.String("secrets", c.Env("EBBLINE_SECRETS"), "`FOLDER` with the secrets, one file each (or EBBLINE_SECRETS)")
	community := c.flags.String("community", "", "`SECRET` that is the cards' community; without it \"public\" is tried")
	c.flags.StringVar(&user.User, "user", "", "`NAME` of the cards' SNMP v3 user")
	authKey := c.flags.String("auth-key", "", "`SECRET` that is the user's key to sign with")
	privKey := c.flags.String("priv-key", "", "`SECRET` that is the user's key to encrypt with")
	c.flags.StringVar(&user.Auth, "auth", "", "`AUTH` of the key to sign with: MD5, SHA, SHA224, SHA256 (the usual), SHA384 or SHA512")
	c.flags.StringVar(&user.Priv, "priv", "", "`PRIV` of the key to encrypt with: DES, AES (the usual), AES192 or AES256")
	return func(ctx context.Context) int {
		user.AuthKey, user.PrivKey = policy.Secret(*authKey), policy.Secret(*privKey)
		secrets := c.secrets(&policyFlags{secrets: *folder})
		q.read = func(name policy.Secret) ([]byte, error) { return secrets.Read(string(name)) }
		var err error
		if q.ways, err = cardWays(*community, user); err == nil {
			q.targets, err = c.targets(c.args)
		}
		d := newDraft(*site)
		if err == nil {
			err = d.furnish(*roomName, len(c.args) == 0)
		}
		if err != nil {
			c.usage("%v", err)
			return exitUsage
		}
		if err := creatable(*to); err != nil {
			return c.fail("%v", err)
		}
		if err := q.usable(); err != nil {
			return c.fail("%v; nothing was asked", err)
		}
		q.run(ctx, c.progress())
		if ctx.Err() != nil {
			return c.fail("interrupted; nothing was written")
		}
		return c.hand(d, q, *to, *folder)
	}
}

// hand writes the policy, and tells what was found and what is open.
func (c *call) hand(d *draft, q *inquiry, to, folder string) int {
	v := &initView{File: to, Folder: folder, Found: q.found}
	for i := range q.found {
		if !d.add(&q.found[i]) {
			v.unknown++
		}
	}
	d.complete()
	if v.unknown < len(q.found) || len(q.found) == 0 {
		sheet := d.write(time.Now())
		v.Policy, v.Questions, v.Secrets = sheet.text(), sheet.questions, sheet.secrets
	}
	code := exitDone
	if v.unknown > 0 {
		code = exitFailed
	}
	if v.Policy != "" && to != "" {
		if err := createNew(to, v.Policy); err != nil {
			c.fail("the policy cannot be written to %s: %v; it stands on standard output instead", to, err)
			to, v.File, code = "", "", exitFailed
		}
	}
	switch {
	case c.json:
		printJSON(c.Out, v.document())
	case to != "":
		v.show(c.Out)
	default:
		io.WriteString(c.Out, v.Policy)
		v.show(c.Err)
	}
	return code
}

// creatable says why a file cannot be made, before anything is asked. It makes
// none yet: what is interrupted leaves nothing.
func creatable(name string) error {
	if name == "" {
		return nil
	}
	info, err := os.Lstat(name)
	switch {
	case err == nil && info.IsDir():
		return fmt.Errorf("%s is a folder: name a file in it, such as %s", name, filepath.Join(name, "home.hcl"))
	case err == nil:
		return fmt.Errorf("%s is there already, and is never written over: name another file, or move it away", name)
	case !errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s cannot be written: %w", name, reason(err))
	}
	if info, err = os.Stat(filepath.Dir(name)); err != nil || !info.IsDir() {
		return fmt.Errorf("%s cannot be written: there is no folder %s; make it first", name, filepath.Dir(name))
	}
	return nil
}

// createNew writes a file that is not there yet, whole or not at all.
func createNew(name, text string) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return reason(err)
	}
	_, err = f.WriteString(text)
	err = errors.Join(err, f.Sync(), f.Close())
	if err != nil {
		os.Remove(name) // it is this call's
	}
	return err
}

// cardWays gives the ways to ask a card, in order.
func cardWays(community string, user policy.SNMP) ([]policy.SNMP, error) {
	switch {
	case user.User == "" && (user.AuthKey != "" || user.PrivKey != "" || user.Auth != "" || user.Priv != ""):
		return nil, errors.New("--auth-key, --priv-key, --auth and --priv belong to a user of SNMP v3: name it with --user")
	case user.User == "":
		v2 := policy.SNMP{Version: 2, Community: policy.Secret(community), Timeout: cardAnswersWithin}
		v1 := v2
		v1.Version = 1
		return []policy.SNMP{v2, v1}, nil
	case community != "":
		return nil, errors.New("--community is of SNMP v1 and v2c, --user of v3: give one of them")
	case user.Auth != "" && user.AuthKey == "" || user.Priv != "" && user.PrivKey == "":
		return nil, errors.New("--auth needs --auth-key, and --priv needs --priv-key")
	case user.PrivKey != "" && user.AuthKey == "":
		return nil, errors.New("SNMP does not encrypt without signing: give --auth-key too")
	}
	user.Version, user.Timeout = 3, cardAnswersWithin
	if user.AuthKey != "" && user.Auth == "" {
		user.Auth = "SHA256"
	}
	if user.PrivKey != "" && user.Priv == "" {
		user.Priv = "AES"
	}
	return []policy.SNMP{user}, nil
}

// target is what the user named.
type target struct {
	name    string // "" when the user gave none
	address string // as written, or a device on USB
	usb     bool
}

// targets reads the arguments. One that is named twice is asked once.
func (c *call) targets(args []string) (list []target, err error) {
	names := map[string]string{} // by where it is
	for _, arg := range args {
		t := target{address: arg}
		if name, address, ok := strings.Cut(arg, "="); ok {
			t.name, t.address = name, address
			if !load.ValidName(name) {
				return nil, fmt.Errorf("%q is no name for a block: write letters, digits, \"-\", \"_\" or \".\", such as vault=192.0.2.20", name)
			}
		}
		t.usb = t.address == "usb"
		if why := load.BadAddress(t.address); why != "" {
			return nil, fmt.Errorf("the address %q %s. Write a machine's address, such as 192.0.2.10 or vault.example, or usb", t.address, why)
		}
		before, twice := names[samePlace(t.address)]
		switch {
		case twice && before != t.name:
			return nil, fmt.Errorf("%s is named twice, as %q and as %q: give it one name", t.address, before, t.name)
		case twice:
			fmt.Fprintf(c.Err, "ebbline init: %s is named twice, and asked once\n", t.address)
			continue
		}
		names[samePlace(t.address)] = t.name
		list = append(list, t)
	}
	return list, nil
}

// samePlace is an address in the one form by which two are the same.
func samePlace(address string) string {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		host, port = strings.Trim(address, "[]"), ""
	}
	if ip, err := netip.ParseAddr(host); err == nil {
		host = ip.Unmap().String()
	}
	return strings.ToLower(host) + " " + port
}

// initView is what was found, for people and as a document.
type initView struct {
	File      string
	Folder    string // of the secrets
	Policy    string
	Questions []question
	Secrets   []string
	Found     []finding
	unknown   int
}

func (v *initView) document() map[string]any {
	addresses := []map[string]any{}
	for i := range v.Found {
		addresses = append(addresses, v.Found[i].document())
	}
	doc := map[string]any{"addresses": addresses, "policy": v.Policy, "questions": append([]question{}, v.Questions...), "secrets": append([]string{}, v.Secrets...)}
	if v.File != "" && v.Policy != "" {
		doc["file"] = v.File
	}
	return doc
}

// show tells all in 80 columns.
func (v *initView) show(w io.Writer) {
	var b bytes.Buffer
	for i := range v.Found {
		f := &v.Found[i]
		fmt.Fprintln(&b, f.where())
		for _, line := range f.lines() {
			for _, part := range fold(line, 76) {
				fmt.Fprintln(&b, "   ", part)
			}
		}
	}
	if len(v.Found) > 0 {
		fmt.Fprintln(&b)
	}
	if v.unknown > 0 {
		fmt.Fprintf(&b, "%d of %d could not be made out.\n", v.unknown, len(v.Found))
	}
	if v.Policy == "" {
		fmt.Fprintln(&b, "Nothing was written.")
		w.Write(b.Bytes())
		return
	}
	file := "the policy"
	if v.File != "" {
		file = v.File
		fmt.Fprintf(&b, "%s is written.\n", file)
	}
	fmt.Fprintf(&b, "%s left that only you can answer. Each is a line with \"#?\":\n\n", openWords(len(v.Questions)))
	v.showQuestions(&b)
	if v.File == "" {
		file = "POLICY"
	}
	steps := "Write the answers, take the marks away, then: ebbline check " + file
	if len(v.Secrets) > 0 {
		steps += " --secrets " + cmp.Or(v.Folder, "FOLDER") + ", with a file in that folder for each secret that the policy names: " + strings.Join(v.Secrets, ", ")
	}
	steps += "."
	fmt.Fprintf(&b, "\n%s\n", strings.Join(fold(steps, 80), "\n"))
	w.Write(b.Bytes())
}

// showQuestions lists what is open, by block; the words stand in the policy.
func (v *initView) showQuestions(w io.Writer) {
	const indent, glue = "  ", "\x00"
	list := v.Questions
	for len(list) > 0 {
		q, n := list[0], 1
		text := fmt.Sprintf("line %d: %s", q.Line, q.Text)
		if q.Word != "" {
			var words []string
			for n = 0; n < len(list) && list[n].About == q.About; n++ {
				words = append(words, fmt.Sprintf("%s"+glue+"(line"+glue+"%d)", list[n].Word, list[n].Line))
			}
			text = q.About + ": " + strings.Join(words, ", ")
		}
		for i, part := range fold(text, 80-2*len(indent)) {
			if i > 0 {
				part = indent + part
			}
			fmt.Fprintln(w, indent+strings.ReplaceAll(part, glue, " "))
		}
		list = list[n:]
	}
}

func openWords(n int) string {
	if n == 1 {
		return "1 question is"
	}
	return count(n, "question") + " are"
}
