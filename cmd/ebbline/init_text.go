package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/hashicorp/hcl/v2/hclwrite"
	"github.com/zclconf/go-cty/cty"

	"ebbline/policy"
)

// question is what only the user knows. It stands in the policy as a line that
// begins with [openMark], so that check asks for it until it is answered.
type question struct {
	Line  int    `json:"line"`
	About string `json:"about"` // the block
	Word  string `json:"word"`  // what is left open in it; "" of an address
	Text  string `json:"text"`
}

const openMark = "#?"

// slowPoll is from where on the usual time-out of a poll, a second, is too near.
const slowPoll = 400 * time.Millisecond

// sheet is the policy as it is written, line by line.
type sheet struct {
	lines     []string
	about     string // the block that is being written
	questions []question
	secrets   []string // that it names
}

func (s *sheet) put(format string, args ...any) {
	s.lines = append(s.lines, fmt.Sprintf(format, args...))
}

// note writes a comment.
func (s *sheet) note(text string) {
	for _, part := range fold(text, 84) {
		s.put("# %s", part)
	}
}

// ask leaves a line open: what stands behind the mark, and what is asked.
func (s *sheet) ask(line, text string) {
	s.put("%s %s # %s", openMark, line, text)
	word, _, _ := strings.Cut(line, " ")
	s.questions = append(s.questions, question{len(s.lines), s.about, word, text})
}

// secret names one.
func (s *sheet) secret(attribute string, name policy.Secret) {
	s.put("%s = secret(%s)", attribute, hclText(string(name)))
	if !slices.Contains(s.secrets, string(name)) {
		s.secrets = append(s.secrets, string(name))
	}
}

// quote writes a text as the language does.
func hclText(text string) string {
	return string(hclwrite.TokensForValue(cty.StringVal(text)).Bytes())
}

func hclList(names []string) string {
	var all []string
	for _, n := range names {
		all = append(all, hclText(n))
	}
	return "[" + strings.Join(all, ", ") + "]"
}

// write writes the policy.
func (d *draft) write(now time.Time) *sheet {
	s := &sheet{}
	s.note("A first policy for ebbline, begun by `ebbline init` on " + now.Format(time.DateOnly) + ".")
	s.note("Each line with \"" + openMark + "\" is a question that only you can answer: write the answer into it and take the mark away, or remove the line where it does not apply. Then run ebbline check.")
	s.put("")
	s.put("site %s {", hclText(d.site))
	s.put("ride_through = \"60s\" # no host stops before this, unless the battery cannot carry it")
	s.put("reserve = \"60s\" # battery time never planned away")
	s.note("page {}: shows all to a browser on this machine, at http://127.0.0.1:8633/; for other machines see ebbline help page.")
	s.put("}")
	for _, u := range d.upss {
		d.writeUPS(s, u, now)
	}
	for _, l := range d.loads {
		s.about = fmt.Sprintf("load %q", l.name)
		s.put("")
		s.note(l.about)
		s.put("load %s {", hclText(l.name))
		d.writeFeeds(s)
		s.ask("watts =", "what it draws, in watts, measured at its plug")
		s.put("}")
	}
	d.writeGroup(s)
	for _, h := range d.hosts {
		d.writeHost(s, h)
	}
	s.put("")
	s.note("Who is told of an outage (ebbline help policy); if you want that, write:")
	s.put(`# message "phone" {`)
	s.put(`#   webhook { url = "https://hooks.example.org/${secret("hook")}" } # or mail { server, from, to, user, password }`)
	s.put(`# }`)
	for _, n := range d.notes {
		s.put("")
		for i, part := range fold(n, 84) {
			if i == 0 {
				s.put("%s %s", openMark, part)
				s.questions = append(s.questions, question{len(s.lines), "", "", n})
			} else {
				s.put("#  %s", part)
			}
		}
	}
	return s
}

// text is the policy as a file.
func (s *sheet) text() string {
	return string(hclwrite.Format([]byte(strings.Join(s.lines, "\n") + "\n")))
}

func (d *draft) writeUPS(s *sheet, u *upsDraft, now time.Time) {
	s.about = fmt.Sprintf("UPS %q", u.name)
	s.put("")
	var f upsFacts
	if u.found != nil {
		f = u.found.ups()
		s.note(fmt.Sprintf("%s: %s.", u.found.address, f.name()))
		s.note(fmt.Sprintf("On %s, %s: %s.", now.Format(time.DateOnly), f.by, f.figures()))
		if f.first.LoadWatts > 0 {
			s.note("The watts of all that it feeds should add up to about that load.")
		}
	} else {
		s.note("No UPS was asked: ebbline init ADDRESS reads its ratings from its card, ebbline init usb from one on USB.")
	}
	s.put("ups %s {", hclText(u.name))
	switch {
	case f.rated():
		s.put("rated_watts = %d # as it says itself", f.ratedWatts)
		if f.va > 0 {
			s.put("rated_va = %d", f.va)
		}
	case f.ratedWatts > 0 && f.va > 0:
		s.ask("rated_watts =", fmt.Sprintf("on its nameplate; it says %d W and %d VA itself, which cannot be", f.ratedWatts, f.va))
	default:
		s.ask("rated_watts =", "on its nameplate, in watts, not VA")
	}
	s.note("class = \"VI\": how it is built, by IEC 62040-3: \"VFD\" (standby), \"VI\" (line-interactive) or \"VFI\" (double conversion), if you know it.")
	writeBattery(s, &f)
	writeSource(s, u.found, &f)
	if f.controls || u.found == nil {
		s.note("It can switch its output off when its hosts are down, and on again with the input, so that machines set to start with power do; if you want that, write:")
		s.put(`# output {`)
		s.put(`#   cut_after    = "3m"`)
		s.put(`#   return_after = "1m"`)
		s.put(`# }`)
	}
	s.put("}")
}

func writeBattery(s *sheet, f *upsFacts) {
	about := s.about
	s.about = "battery of " + about
	volts := "the whole string's nominal volts: a block of 12 V times the blocks in a row"
	if f.first.Millivolts > 0 {
		volts += fmt.Sprintf("; it reads %.1f V now", float64(f.first.Millivolts)/1000)
	}
	s.put("battery {")
	s.note("The data sheet of the UPS says these, and the invoice of its battery. Do not open it to look: a battery cannot be switched off.")
	if f.needsReplacement {
		s.note("It says itself that its battery needs replacement.")
	}
	s.ask(`chemistry = ""`, `"vrla" (lead-acid) or "lfp" (lithium iron phosphate)`)
	s.ask("volts =", volts)
	s.ask("amp_hours =", "20-hour rating of one block; strings side by side add up")
	s.ask(`installed = ""`, `when it was put in, as "2025-03-01"`)
	s.note("chart = { \"200\" = \"31m\", \"450\" = \"10m\" }: the maker's runtime chart, watts to time, if there is one: it sharpens the forecast.")
	s.put("}")
	s.about = about
}

// writeSource writes how the UPS is asked.
func writeSource(s *sheet, u *finding, f *upsFacts) {
	switch {
	case u == nil:
		s.ask(`hid { serial = "" }`, "how it is asked: hid on USB; of one with a card snmp { address, version, ... } (ebbline help policy)")
	case u.device != nil:
		s.put("hid {")
		if serial := u.device.Device.Serial; serial != "" {
			s.put("serial = %s", hclText(serial))
		} else {
			s.note("It has no serial number, and the node changes with each plugging in: a link by udev makes a better path.")
			s.put("path = %s", hclText(u.device.Device.Node))
		}
		s.put("}")
	default:
		writeSNMP(s, u, f)
	}
}

func writeSNMP(s *sheet, u *finding, f *upsFacts) {
	a := u.access
	s.put("snmp {")
	s.put("address = %s", hclText(u.address))
	s.put("version = %q", [...]string{1: "1", 2: "2c", 3: "3"}[a.Version])
	switch {
	case a.Version == 3:
		s.put("user = %s", hclText(a.User))
		if a.Auth != "" {
			s.put("auth = %q", a.Auth)
			s.secret("auth_key", a.AuthKey)
		}
		if a.Priv != "" {
			s.put("priv = %q", a.Priv)
			s.secret("priv_key", a.PrivKey)
		}
	case a.Community == "":
		s.note("It answers to the community \"public\", which is no secret. Better: a user of SNMP v3 in the card, then user, auth_key and priv_key here.")
	default:
		s.secret("community", a.Community)
	}
	c := f.card
	if c.Took > slowPoll {
		wait := min(10*time.Second, (3*c.Took).Round(time.Second)+time.Second)
		s.note(fmt.Sprintf("It is slow: all that a poll asks took %s.", c.Took.Round(10*time.Millisecond)))
		s.put("timeout = %q", wait)
		s.put("poll_every = %q", max(2*time.Second, wait))
	}
	if len(c.Missing) > 0 {
		s.note("Its card does not have these, so they are not asked for.")
		missing := "missing = " + hclList(c.Missing)
		if f.young() {
			s.ask(missing, fmt.Sprintf("asked %s after the card's start: it may have them later", c.Runs.Round(time.Second)))
		} else {
			s.put("%s", missing)
		}
	}
	if len(c.NoEvidence) > 0 {
		s.note("It did not have " + strings.Join(c.NoEvidence, ", ") + ", by which an outage is known. They are asked for all the same.")
	}
	if len(c.Scale) > 0 {
		var pairs []string
		for _, x := range c.Scale {
			s.note(x.Object + ": " + x.Why + ". Compare it with the UPS's display.")
			pairs = append(pairs, fmt.Sprintf("%s = %g", x.Object, x.Factor))
		}
		s.put("scale = { %s }", strings.Join(pairs, ", "))
	}
	for _, o := range c.Odd {
		s.note(o + ", which is not used.")
	}
	s.put("}")
}

// writeFeeds says whose battery a block draws on: with one UPS it can only be that.
func (d *draft) writeFeeds(s *sheet) {
	var names []string
	for _, u := range d.upss {
		names = append(names, u.name)
	}
	if len(names) == 1 {
		s.put("fed_by = %s", hclList(names))
		return
	}
	s.ask("fed_by = "+hclList(names), "keep the one that it is plugged into, or both for two supplies")
}

// writeGroup writes what the hosts with SSH have in common.
func (d *draft) writeGroup(s *sheet) {
	for _, h := range d.hosts {
		if !h.self && !h.onlyBMC() {
			s.put("")
			s.note("How the hosts are stopped over SSH. Make the user on each of them; `ebbline check --rights` then prints the lines that let the agent's key run this command and nothing else. A host that is stopped by another command says so in its own block.")
			s.put("group \"ssh\" {")
			s.put("ssh {")
			s.put("user = \"ebbline\"")
			s.secret("key", "ssh-key")
			s.put("command = \"sudo systemctl poweroff\"")
			s.put("}")
			s.put("}")
			return
		}
	}
}

func (h *hostDraft) onlyBMC() bool { return h.found == nil && len(h.bmcs) > 0 }

func (d *draft) writeHost(s *sheet, h *hostDraft) {
	s.about = fmt.Sprintf("host %q", h.name)
	s.put("")
	if h.about != "" {
		s.note(h.about)
	}
	if h.found != nil && h.self {
		s.note(h.found.address + " is an address of the machine that init was run on; it is taken for the agent's own. If the agent will run elsewhere, move self and local to that host.")
	}
	if h.twin != "" {
		s.note(fmt.Sprintf("It shows the same host key as host %q: if they are one machine, remove one block; if not, give one of them new keys.", h.twin))
	}
	s.put("host %s {", hclText(h.name))
	switch {
	case h.self:
		s.put("self = true")
	case !h.onlyBMC():
		s.put("group = \"ssh\"")
	}
	if h.self {
		s.put("priority = 100")
	} else {
		s.ask("priority =", "1 to 1000; higher is kept longer")
	}
	if h.runsOn != "" {
		s.put("runs_on = %s", hclText(h.runsOn))
	} else {
		d.writeFeeds(s)
		s.ask("watts =", "what it draws, in watts, measured at its plug")
	}
	s.ask(`stops_in = ""`, `from the order until it is off, measured, as "2m"`)
	if len(h.dependsOn) > 0 {
		s.put("depends_on = %s # what it needs: that stops only when this is down, and starts before it", hclList(h.dependsOn))
	}
	if h.self {
		s.put("local {")
		s.put("command = [\"systemctl\", \"poweroff\"]")
		s.put("}")
	} else {
		if !h.onlyBMC() {
			writeSSH(s, h.found)
		}
		for _, b := range h.bmcs {
			writeBMC(s, b)
		}
		writeStart(s, h)
	}
	s.put("}")
}

func writeSSH(s *sheet, f *finding) {
	s.put("ssh {")
	if f == nil {
		s.ask(`address = ""`, "its own, of the SSH server")
		s.ask(`host_key = ""`, "as ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub prints it on its console")
	} else {
		s.put("address = %s", hclText(f.address))
		for _, k := range f.keys {
			s.note("It shows " + k)
		}
		_, key, _ := strings.Cut(f.keys[0], " ")
		s.ask("host_key = "+hclText(key), "compare it on the host's own console: ssh-keygen -lf "+keyFile(f.keys[0]))
	}
	s.put("}")
}

// keyFile is where OpenSSH keeps a host key of this type (sshd_config(5), HostKey).
func keyFile(key string) string {
	kind, _, _ := strings.Cut(key, " ")
	kind, _, _ = strings.Cut(strings.TrimPrefix(kind, "ssh-"), "-")
	return "/etc/ssh/ssh_host_" + kind + "_key.pub"
}

func writeBMC(s *sheet, f *finding) {
	s.note("Its BMC: " + f.controller() + ".")
	s.put("bmc {")
	if f.redfish != nil {
		s.put("protocol = \"redfish\"")
	} else {
		s.put("protocol = \"ipmi\"")
	}
	s.put("address = %s", hclText(f.address))
	s.ask(`user = ""`, "one that may switch this machine and nothing else")
	s.note("One secret for each BMC, if they differ.")
	s.secret("password", "bmc")
	if r := f.redfish; r != nil && r.Certificate != "" && !r.Trusted {
		s.ask("certificate = "+hclText(r.Certificate), "compare it on the BMC's own page or console")
	}
	s.put("}")
}

// writeStart says how the host comes up again.
func writeStart(s *sheet, h *hostDraft) {
	switch {
	case h.runsOn != "":
		s.ask(`start { command = "" }`, "what starts it on "+h.runsOn+"; remove the line if that does it by itself")
	case h.found != nil && h.found.ethernet != "":
		s.ask("wake { ethernet = "+hclText(h.found.ethernet)+" }", "the address that this machine sees; keep it if it wakes on LAN")
	case len(h.bmcs) == 0:
		s.note("wake { ethernet = \"02:00:00:00:00:21\" }: if it wakes on LAN; without, it starts with its power.")
	}
}
