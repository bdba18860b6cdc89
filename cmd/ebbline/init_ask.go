package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"ebbline/agent/action/bmc"
	"ebbline/agent/action/ssh"
	"ebbline/agent/bounded"
	"ebbline/agent/clean"
	"ebbline/agent/source/hid"
	"ebbline/agent/source/snmp"
	"ebbline/policy"
	"ebbline/shutdown"
)

const (
	// answersWithin is for each way of asking; some BMCs are slow to encrypt.
	answersWithin = 4 * time.Second
	// cardAnswersWithin is for the first answer of a card, in each version.
	cardAnswersWithin = answersWithin / 2
	// askedWithin is for all questions to one address: a slow card gets that long.
	askedWithin = 15 * time.Second
	// settledAfter is how long a card must have run for what it lacks to count: one
	// that has just started has not read its UPS yet. Common practice, no source.
	settledAfter = 2 * time.Minute
)

// inquiry asks what the user named, and nothing else.
type inquiry struct {
	targets []target
	ways    []policy.SNMP // to ask a card, in order
	read    secrets

	found []finding // in the order of targets; several for USB
}

// finding is what one address said.
type finding struct {
	target
	card     *snmp.Card
	access   policy.SNMP // that the card answered to
	device   *hid.Capabilities
	keys     []string // of an SSH server
	redfish  *bmc.Service
	ipmi     bool
	ethernet string // of the machine there, where it is on this machine's network
	own      bool   // it is this machine's address
	failures []failure
}

// failure is a way of asking that brought nothing.
type failure struct {
	By   string `json:"by"`
	Said string `json:"said"`
}

// usable says why no card can be asked in this way: a secret that cannot be read,
// a kind of key that there is not.
func (q *inquiry) usable() error {
	if len(q.targets) == 0 {
		return nil
	}
	way := q.ways[0]
	for _, name := range []policy.Secret{way.Community, way.AuthKey, way.PrivKey} {
		if name != "" {
			if _, err := q.read(name); err != nil {
				return err
			}
		}
	}
	way.Address = q.targets[0].address
	_, err := snmp.NewClient(way, snmp.Reading, q.read)
	return err
}

func (q *inquiry) run(ctx context.Context, progress io.Writer) {
	own := ownAddresses()
	lists := make([][]finding, len(q.targets))
	var done atomic.Int64
	bounded.Each(ctx, len(q.targets), askedAtOnce, func(i int) {
		ctx, cancel := context.WithTimeout(ctx, askedWithin)
		defer cancel()
		if q.targets[i].usb {
			lists[i] = askUSB(ctx, q.targets[i])
		} else {
			lists[i] = []finding{q.ask(ctx, q.targets[i], own)}
		}
		fmt.Fprintf(progress, "\r%d of %d asked \x1b[K", done.Add(1), len(q.targets))
	})
	fmt.Fprint(progress, "\r\x1b[K")
	for _, list := range lists {
		q.found = append(q.found, list...)
	}
}

// ask asks one address in every way at once.
func (q *inquiry) ask(ctx context.Context, t target, own map[netip.Addr]bool) finding {
	f := finding{target: t}
	ways := []struct {
		by string
		do func(ctx context.Context) error
	}{
		{"SNMP", func(context.Context) error { return q.askCard(ctx, &f) }},
		{"SSH", func(ctx context.Context) (err error) { f.keys, err = ssh.HostKeys(ctx, t.address); return err }},
		{"Redfish", func(ctx context.Context) error {
			s, err := bmc.AskRedfish(ctx, t.address)
			if err == nil {
				f.redfish = &s
			}
			return err
		}},
		{"IPMI", func(ctx context.Context) error {
			err := bmc.AskIPMI(ctx, t.address)
			f.ipmi = err == nil
			return err
		}},
	}
	failed := make([]error, len(ways))
	var wg sync.WaitGroup
	for i, w := range ways {
		wg.Go(func() {
			ctx, cancel := context.WithTimeout(ctx, answersWithin)
			defer cancel()
			failed[i] = w.do(ctx)
		})
	}
	wg.Wait()
	for i, err := range failed {
		if err != nil {
			f.failures = append(f.failures, failure{ways[i].by, shortly(err, t.address)})
		}
	}
	if ip, err := netip.ParseAddr(hostOf(t.address)); err == nil {
		_, _, alone := net.SplitHostPort(t.address)
		f.own = alone != nil && own[ip.Unmap().WithZone("")] // a port may be that of another machine, passed on
		f.ethernet = neighbour(ip.Unmap())
	}
	return f
}

// askCard asks over SNMP, in the first way that is answered.
func (q *inquiry) askCard(ctx context.Context, f *finding) (err error) {
	for _, way := range q.ways {
		way.Address = f.address
		card, failed := snmp.Ask(ctx, way, q.read)
		if failed == nil {
			f.card, f.access = card, way
			return nil
		}
		if err = failed; card != nil {
			return err // it answers, and cannot say now what is to be written
		}
	}
	return err
}

// shortly says what went wrong with a way, for people who know the address.
func shortly(err error, address string) string {
	var lookup *net.DNSError
	var network net.Error
	var system syscall.Errno
	switch {
	case errors.As(err, &lookup):
		return "the name cannot be looked up: " + clean.Text(lookup.Err)
	case errors.Is(err, syscall.ECONNREFUSED):
		return "nothing listens there"
	case errors.Is(err, context.DeadlineExceeded), errors.As(err, &network) && network.Timeout():
		return "no answer"
	case errors.As(err, &network) && errors.As(err, &system):
		return system.Error()
	}
	text := clean.Text(err.Error())
	if where, what, ok := strings.Cut(text, ": "); ok && hostOf(where) == hostOf(address) {
		return what
	}
	return text
}

func askUSB(ctx context.Context, t target) (list []finding) {
	for _, d := range hid.Present() {
		f := finding{target: target{t.name, d.Node, true}}
		s := hid.New(policy.HID{Path: d.Node}, hid.Rated{}, nil)
		c, err := s.Probe(ctx)
		s.Close()
		if err != nil {
			f.failures = append(f.failures, failure{"USB", shortly(err, d.Node)})
		} else {
			f.device = &c
		}
		list = append(list, f)
	}
	if len(list) == 0 {
		list = []finding{{target: t, failures: []failure{{"USB", "no UPS on USB is plugged in here"}}}}
	}
	return list
}

func hostOf(address string) string {
	if host, _, err := net.SplitHostPort(address); err == nil {
		return host
	}
	return strings.Trim(address, "[]")
}

func ownAddresses() map[netip.Addr]bool {
	own := map[netip.Addr]bool{}
	list, _ := net.InterfaceAddrs() // without them none is taken for this machine's
	for _, a := range list {
		if p, err := netip.ParsePrefix(a.String()); err == nil {
			own[p.Addr().Unmap().WithZone("")] = true
		}
	}
	return own
}

// neighbour gives the Ethernet address that an IPv4 address has on this machine's
// own network, where the kernel has just spoken with it (proc(5), /proc/net/arp).
func neighbour(ip netip.Addr) string {
	const complete, none = "0x2", "00:00:00:00:00:00"
	text, _ := os.ReadFile("/proc/net/arp")
	for line := range strings.Lines(string(text)) {
		if w := strings.Fields(line); len(w) == 6 && w[0] == ip.String() && w[2] == complete && w[3] != none {
			return w[3]
		}
	}
	return ""
}

// What an address is: a UPS's card may have an SSH server or a web service beside
// it, and a BMC an SSH server.
func (f *finding) isUPS() bool { return f.card != nil && f.card.UPS || f.device != nil }
func (f *finding) isBMC() bool {
	return !f.isUPS() && (f.redfish != nil && f.redfish.Systems || f.ipmi)
}
func (f *finding) isHost() bool { return !f.isUPS() && !f.isBMC() && len(f.keys) > 0 }
func (f *finding) known() bool  { return f.isUPS() || f.isBMC() || f.isHost() }

func (f *finding) where() string {
	if f.name != "" {
		return f.name + "=" + f.address
	}
	return f.address
}

// lines tell for people what was found.
func (f *finding) lines() (list []string) {
	add := func(format string, args ...any) { list = append(list, fmt.Sprintf(format, args...)) }
	switch {
	case f.isUPS():
		u := f.ups()
		add("UPS: %s, %s", u.name(), u.by)
		add("%s", u.figures())
		for _, s := range u.quirks() {
			add("%s", s)
		}
	case f.isBMC():
		add("BMC: %s", f.controller())
	case f.isHost():
		add("SSH server, with the host keys %s", strings.Join(f.keys, ", "))
	}
	if f.card != nil && !f.card.UPS {
		add("It answers SNMP, and not as a UPS does by RFC 1628: %s", f.card.Description)
	}
	if f.redfish != nil && !f.isBMC() {
		add("It answers over %s", f.controller())
		if f.redfish.PowerEquipment {
			add("It has outlets: write a block outlet (`ebbline help policy`) for hosts that are plugged into them.")
		}
	}
	if !f.known() {
		list = append(list, f.failed()...)
	}
	if !f.isHost() && len(f.keys) > 0 {
		add("An SSH server answers there too, with the host keys %s", strings.Join(f.keys, ", "))
	}
	if f.own {
		add("It is an address of this machine.")
	}
	return list
}

// failed says which ways of asking brought nothing.
func (f *finding) failed() (list []string) {
	var said []string
	by := map[string][]string{}
	for _, s := range f.failures {
		if by[s.Said] == nil {
			said = append(said, s.Said)
		}
		by[s.Said] = append(by[s.Said], s.By)
	}
	for _, s := range said {
		list = append(list, strings.Join(by[s], ", ")+": "+s)
	}
	return list
}

// controller says which protocols a BMC speaks, and as what.
func (f *finding) controller() string {
	var parts []string
	if r := f.redfish; r != nil {
		text := strings.Join(strings.Fields("Redfish "+r.Version), " ")
		if name := strings.TrimSpace(r.Vendor + " " + r.Product); name != "" {
			text += " (" + name + ")"
		}
		switch {
		case r.Trusted:
			text += ", with a certificate that this machine trusts"
		case r.Certificate != "":
			text += ", with the certificate " + r.Certificate
		}
		parts = append(parts, text)
	}
	if f.ipmi {
		parts = append(parts, "IPMI")
	}
	return strings.Join(parts, "; ")
}

// upsFacts are a UPS's, whichever way it was asked.
type upsFacts struct {
	title              string // by itself
	by                 string
	ratedWatts, va     int64
	first              shutdown.Measurement
	controls           bool
	card               *snmp.Card // nil on USB
	needsReplacement   bool
	identity, firmware string
}

func (f *finding) ups() upsFacts {
	if d := f.device; d != nil {
		return upsFacts{title: d.Device.Name, by: "read over USB at " + d.Device.Node, ratedWatts: d.RatedWatts, va: d.RatedVA,
			first: d.First, controls: d.Controls, needsReplacement: d.NeedsReplacement}
	}
	c := f.card
	version := [...]string{1: "v1", 2: "v2c", 3: "v3"}[f.access.Version]
	return upsFacts{title: strings.TrimSpace(c.Manufacturer + " " + c.Model), by: "read over SNMP " + version, ratedWatts: c.RatedWatts, va: c.RatedVA,
		first: c.First, controls: c.Controls, card: c, identity: c.Name, firmware: c.Firmware}
}

func (u *upsFacts) name() string {
	text := u.title
	if text == "" {
		text = "without a name of its own"
	}
	if u.firmware != "" {
		text += ", firmware " + u.firmware
	}
	return text
}

// rated tells whether both ratings can be true.
func (u *upsFacts) rated() bool { return u.ratedWatts > 0 && (u.va <= 0 || u.va >= u.ratedWatts) }

// figures says what it read.
func (u *upsFacts) figures() string {
	var parts []string
	add := func(n int64, format string, value any) {
		if n != shutdown.Unread {
			parts = append(parts, fmt.Sprintf(format, value))
		}
	}
	add(u.ratedWatts, "rated %d W", u.ratedWatts)
	add(u.va, "rated %d VA", u.va)
	add(u.first.LoadWatts, "carries %d W now", u.first.LoadWatts)
	add(u.first.ChargeTenths, "charge %.0f %%", float64(u.first.ChargeTenths)/10)
	add(u.first.Millivolts, "battery at %.1f V", float64(u.first.Millivolts)/1000)
	if len(parts) == 0 {
		return "it gives no figures"
	}
	return strings.Join(parts, ", ")
}

// quirks says what its card lacks or says in its own way.
func (u *upsFacts) quirks() (list []string) {
	if u.needsReplacement {
		list = append(list, "It says that its battery needs replacement.")
	}
	c := u.card
	if c == nil {
		return list
	}
	if len(c.Missing) > 0 {
		text := "It lacks " + strings.Join(c.Missing, ", ") + "."
		if u.young() {
			text += fmt.Sprintf(" But it has run for %s only: ask it again later.", c.Runs.Round(time.Second))
		}
		list = append(list, text)
	}
	if len(c.NoEvidence) > 0 {
		list = append(list, fmt.Sprintf("It lacks %s, by which an outage is known: if it still does a few minutes after its start, look for newer firmware.", strings.Join(c.NoEvidence, ", ")))
	}
	for _, s := range c.Scale {
		list = append(list, fmt.Sprintf("%s: %s; scaled by %g.", s.Object, s.Why, s.Factor))
	}
	for _, s := range c.Odd {
		list = append(list, s+", which is not used.")
	}
	return list
}

// young tells that a card may lack objects only because it has just started.
func (u *upsFacts) young() bool {
	return u.card != nil && u.card.Runs > 0 && u.card.Runs < settledAfter
}

// document is the finding in the JSON document.
func (f *finding) document() map[string]any {
	doc := map[string]any{"address": f.address, "kind": "unknown"}
	put := func(name string, value any, ok bool) {
		if ok {
			doc[name] = value
		}
	}
	put("name", f.name, f.name != "")
	put("host_keys", f.keys, len(f.keys) > 0)
	put("ethernet", f.ethernet, f.ethernet != "")
	put("this_machine", true, f.own)
	put("ipmi", true, f.ipmi)
	put("failures", f.failures, len(f.failures) > 0)
	if f.card != nil {
		put("description", f.card.Description, f.card.Description != "")
	}
	if r := f.redfish; r != nil {
		doc["redfish"] = map[string]any{"version": r.Version, "vendor": r.Vendor, "product": r.Product, "certificate": r.Certificate, "trusted": r.Trusted}
	}
	switch {
	case f.isUPS():
		doc["kind"], doc["ups"] = "ups", f.upsDocument()
	case f.isBMC():
		doc["kind"] = "bmc"
	case f.isHost():
		doc["kind"] = "host"
	}
	return doc
}

func (f *finding) upsDocument() map[string]any {
	u := f.ups()
	doc := map[string]any{"name": u.title, "controls": u.controls}
	put := func(name string, n int64, value any) {
		if n != shutdown.Unread {
			doc[name] = value
		}
	}
	put("rated_watts", u.ratedWatts, u.ratedWatts)
	put("rated_va", u.va, u.va)
	put("load_watts", u.first.LoadWatts, u.first.LoadWatts)
	put("charge_percent", u.first.ChargeTenths, float64(u.first.ChargeTenths)/10)
	put("battery_volts", u.first.Millivolts, float64(u.first.Millivolts)/1000)
	if c := u.card; c != nil {
		scale := map[string]float64{}
		for _, s := range c.Scale {
			scale[s.Object] = s.Factor
		}
		doc["identity"], doc["firmware"], doc["missing"], doc["scale"], doc["not_used"] = u.identity, u.firmware, words(c.Missing), scale, words(c.Odd)
	}
	return doc
}
