package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"github.com/hashicorp/hcl/v2"
	gossh "golang.org/x/crypto/ssh"

	"ebbline/agent/action/bmc"
	"ebbline/agent/clean"
	"ebbline/agent/peertest"
	"ebbline/agent/source/hid"
	"ebbline/agent/source/snmp"
	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/shutdown"
)

// initSaid is the JSON document of init.
type initSaid struct {
	File      string
	Policy    string
	Secrets   []string
	Questions []question
	Addresses []struct {
		Address, Name, Kind string
		HostKeys            []string `json:"host_keys"`
		Ethernet            string
		Failures            []failure
		UPS                 struct {
			RatedWatts int64 `json:"rated_watts"`
			LoadWatts  int64 `json:"load_watts"`
			Missing    []string
			Scale      map[string]float64
		}
		Redfish struct{ Certificate string }
		IPMI    bool
	}
}

// failures tells in which ways an address did not answer.
func (s *initSaid) failures(i int) string {
	f := finding{failures: s.Addresses[i].Failures}
	return strings.Join(f.failed(), "; ")
}

// initJSON calls ebbline init.
func initJSON(t *testing.T, args ...string) (int, initSaid, string) {
	t.Helper()
	code, out, errs := called(t, append([]string{"init", "--json"}, args...)...)
	var said initSaid
	if out != "" {
		d := json.NewDecoder(strings.NewReader(out))
		if err := d.Decode(&said); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
	}
	return code, said, errs
}

// called runs a command within this process.
func called(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = Run(t.Context(), args, Streams{In: strings.NewReader(""), Out: &o, Err: &e, Env: func(string) string { return "" }})
	return code, o.String(), e.String()
}

// answers are what a user knows, by the open word.
var answers = map[string]string{
	"chemistry": `"vrla"`, "volts": "72", "amp_hours": "9", "installed": `"2025-03-01"`, "rated_watts": "2700",
	"priority": "50", "watts": "60", "stops_in": `"2m"`, "user": `"admin"`, "address": `"192.0.2.77"`,
	"host_key": `"SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"`,
}

// answer writes an answer into every open line, as a user does: what stands there
// to be compared or chosen is taken, what is empty is filled in.
func answer(t *testing.T, text string) string {
	t.Helper()
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		line, open := strings.CutPrefix(strings.TrimSpace(line), openMark+" ")
		if !open {
			continue
		}
		line, _, _ = strings.Cut(line, " # ")
		word, value, attribute := strings.Cut(line, " =")
		value = strings.TrimSpace(value)
		switch known, ok := answers[word]; {
		case !attribute:
			line = "" // on an address that fits nowhere
		case strings.HasPrefix(word, "hid "):
			line = `hid { serial = "4711" }`
		case strings.HasPrefix(word, "start "):
			line = `start { command = "start-guest" }`
		case (value == "" || value == `""`) && !ok:
			t.Fatalf("nothing is known of %q", line)
		case value == "" || value == `""`:
			line = word + " = " + known
		}
		lines[i] = line
	}
	return strings.Join(lines, "\n")
}

func loaded(text string) (*policy.Policy, hcl.Diagnostics) {
	p, _, diags := load.Load([]load.File{{Name: "home.hcl", Bytes: []byte(text)}}, load.Options{})
	return p, diags
}

// onlyOpen fails unless all that the loader finds wrong with a policy is open in it:
// each error is of a block that has a question, and each of its lines that is open
// begins with the mark.
func onlyOpen(t *testing.T, text string, questions []question) {
	t.Helper()
	lines := strings.Split(text, "\n")
	for _, q := range questions {
		if line := strings.TrimSpace(lines[q.Line-1]); !strings.HasPrefix(line, openMark+" "+q.Word) {
			t.Errorf("question %+v is not in its line: %q", q, line)
		}
	}
	open := map[string]bool{}
	for _, q := range questions {
		open[q.Word] = true
	}
	_, diags := loaded(text)
	for _, d := range diags {
		word := ""
		for w := range open {
			if w != "" && regexp.MustCompile(`\b`+w+`\b`).MatchString(d.Detail) {
				word = w
			}
		}
		if word == "" && !(open["hid"] && d.Summary == "UPS not read") && !(open["stops_in"] && d.Summary == "Stopping time assumed") {
			t.Errorf("nothing of this was left open: %v", d)
		}
	}
}

// Aim: from a real room to a policy that check takes and by which every host and the
// UPS are reached, with nothing written by hand but the answers. Method: net-snmp's
// agent as the card, at its usual port, with objects missing and in other units;
// OpenSSH hosts in namespaces; OpenIPMI's simulator; Redfish is a stand-in. The
// policy that was written, with its questions answered, is rehearsed.
func TestInitAsksARoom(t *testing.T) {
	s := startStage(t, 2)
	state := peertest.DefaultUPS()
	state.Missing = []string{"upsEstimatedMinutesRemaining"}
	state.Numbers["upsOutputPower.1"] = 4500
	state.Texts["upsIdentModel"] = "Odd\x1b[2J\"${x}\n} 3000"
	state.Texts["upsIdentName"] = "Rack A"
	card := s.rack.StartCard(state)
	upsAt := strings.TrimSuffix(card.Addr, ":161")
	file, secrets := filepath.Join(t.TempDir(), "home.hcl"), s.folder
	args := []string{upsAt, "vault=" + s.rack.Address(0), s.rack.Address(1), "vault=" + s.bmc.Policy.Address, s.redfish.Policy.Address,
		s.rack.Address(1), "--to", file, "--secrets", secrets, "--user", "sha256-aes", "--auth-key", "ups-auth", "--priv-key", "ups-priv"}
	code, said, errs := initJSON(t, args...)
	if code != exitDone || said.File != file || !strings.Contains(errs, s.rack.Address(1)+" is named twice, and asked once") {
		t.Fatalf("exit code %d, file %q: %s", code, said.File, errs)
	}
	var kinds []string
	for _, a := range said.Addresses {
		kinds = append(kinds, a.Kind)
	}
	if want := []string{"ups", "host", "host", "bmc", "bmc"}; !slices.Equal(kinds, want) {
		t.Fatalf("%v, want %v: %+v", kinds, want, said.Addresses)
	}
	s.saidTrue(said, state.Missing)
	text, err := os.ReadFile(file)
	if err != nil || string(text) != said.Policy {
		t.Fatalf("the file is not what the document has: %v", err)
	}
	onlyOpen(t, said.Policy, said.Questions)
	if strings.ContainsRune(said.Policy, '\x1b') {
		t.Error("what the card said is not clean")
	}
	filled := answer(t, said.Policy)
	p, diags := loaded(filled)
	if p == nil || len(p.UPSs) != 1 || p.UPSs[0].Name != "rack-a" || p.UPSs[0].RatedVA != 3000 {
		t.Fatalf("%v\n%s", diags, filled)
	}
	s.prove(filled, secrets)
	if orders := slices.Concat(s.bmc.Orders(), s.redfish.State().Orders); len(orders) > 0 || len(card.Sets()) > 0 {
		t.Errorf("something was ordered: %v, %v", orders, card.Sets())
	}
	s.again(args, said.Policy)
}

// saidTrue compares what init said with what the peers are.
func (s *stage) saidTrue(said initSaid, missing []string) {
	t := s.t
	t.Helper()
	ups := said.Addresses[0].UPS
	if ups.RatedWatts != 2700 || ups.LoadWatts != 450 || ups.Scale["upsOutputPower"] != 0.1 || !slices.Equal(ups.Missing, missing) {
		t.Errorf("%+v", ups)
	}
	for i := range 2 {
		a := said.Addresses[1+i]
		if len(a.HostKeys) != 1 || a.HostKeys[0] != s.rack.HostKeys(i)[0].Type()+" "+gossh.FingerprintSHA256(s.rack.HostKeys(i)[0]) || a.Ethernet != s.rack.Ethernet(i) {
			t.Errorf("host %d: %+v", i, a)
		}
	}
	if !said.Addresses[3].IPMI || said.Addresses[4].Redfish.Certificate != s.redfish.Policy.Certificate {
		t.Errorf("BMCs: %+v", said.Addresses[3:])
	}
}

// again calls init a second time: for people, on standard output, in lines that fit;
// then into the same file, which stays as it is.
func (s *stage) again(args []string, policy string) {
	t := s.t
	t.Helper()
	to := slices.Index(args, "--to")
	code, out, errs := called(t, append([]string{"init"}, slices.Delete(slices.Clone(args), to, to+2)...)...)
	t.Logf("%s%s", out, errs)
	if p, diags := loaded(answer(t, out)); code != exitDone || p == nil {
		t.Errorf("exit code %d, %v", code, diags)
	}
	for line := range strings.Lines(errs) {
		if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > 80 {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	if code, _, errs := initJSON(t, args...); code != exitFailed || !strings.Contains(errs, "is never written over") {
		t.Errorf("exit code %d: %s", code, errs)
	}
	if text, _ := os.ReadFile(args[to+1]); string(text) != policy {
		t.Error("it was written over")
	}
}

// prove checks and rehearses a policy whose questions are answered.
func (s *stage) prove(filled, secrets string) {
	s.t.Helper()
	path := filepath.Join(s.folder, "answered.hcl")
	if err := os.WriteFile(path, []byte(filled), 0o644); err != nil {
		s.t.Fatal(err)
	}
	if code, out, errs := called(s.t, "check", path, "--secrets", secrets, "--history", "none"); code != exitDone {
		s.t.Errorf("check: exit code %d: %s%s", code, out, errs)
	}
	code, out, errs := called(s.t, "rehearse", path, "--secrets", secrets, "--history", "none", "--json")
	var v rehearsalView
	if err := json.Unmarshal([]byte(out), &v); err != nil {
		s.t.Fatalf("rehearse: exit code %d: %s%s", code, out, errs)
	}
	ready := map[string]int{}
	for _, u := range v.UPSs {
		if u.Answered && u.LoadWatts != nil && *u.LoadWatts == 450 {
			ready["ups"]++
		}
	}
	for _, h := range v.Hosts {
		for _, w := range h.Ways {
			if w.Verdict == "ready" {
				ready[w.By]++
			}
		}
	}
	if ready["ups"] != 1 || ready["ssh"] != 2 || ready["ipmi"] < 1 {
		s.t.Errorf("rehearse reaches %v: %s", ready, out)
	}
}

// Aim: what does not answer, or not as anything known, is told with what was tried,
// nothing is made up of it, and where nothing is left nothing is written; all within
// the time that one address may take. Method: a card with another community, one that
// hangs, one that says it has lost its UPS, a port that holds its connections, one
// where nothing listens, an IPv6 address.
func TestInitWithoutAnswers(t *testing.T) {
	card := peertest.StartSNMPD(t, peertest.DefaultUPS())
	lost := peertest.StartSNMPD(t, peertest.DefaultUPS())
	lost.Set(func(s *peertest.UPSState) {
		s.Alarms[3] = "upsAlarmCommunicationsLost"
		s.Numbers["upsAlarmsPresent"], s.Numbers["upsOutputSource"] = 1, 2
	})
	none := peertest.StartSNMPD(t, peertest.UPSState{})
	quiet, err := net.Listen("tcp", "[::1]:0")
	if err != nil {
		t.Fatal(err)
	}
	defer quiet.Close()
	file, secrets := filepath.Join(t.TempDir(), "home.hcl"), t.TempDir()
	if err := os.WriteFile(filepath.Join(secrets, "card"), []byte("read-test\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	code, said, _ := initJSON(t, card.Addr, "[::1]:1", quiet.Addr().String(), "--to", file)
	if code != exitFailed || said.Policy != "" || said.File != "" || len(said.Questions) > 0 {
		t.Errorf("exit code %d, %+v", code, said)
	}
	if _, err := os.Stat(file); err == nil {
		t.Error("a policy of nothing was written")
	}
	for i, want := range []string{"a wrong community", "SSH, Redfish, IPMI: nothing listens there", "SSH, Redfish: no answer"} {
		if got := said.failures(i); !strings.Contains(got, want) || said.Addresses[i].Kind != "unknown" {
			t.Errorf("%s: %s, want %q", said.Addresses[i].Address, got, want)
		}
	}

	// The right community: of the three only the first can be used. It is slow.
	card.Set(func(s *peertest.UPSState) { s.AnswerAfter = 50 * time.Millisecond })
	code, said, errs := initJSON(t, "rack="+card.Addr, lost.Addr, none.Addr, "--community", "card", "--secrets", secrets, "--to", file)
	if code != exitFailed || said.File != file || said.Addresses[0].Kind != "ups" || said.Addresses[1].Kind != "unknown" || said.Addresses[2].Kind != "unknown" {
		t.Fatalf("exit code %d, %+v: %s", code, said, errs)
	}
	if got := said.failures(1); !strings.Contains(got, "lost contact with its UPS") {
		t.Error(got)
	}
	onlyOpen(t, said.Policy, said.Questions)
	p, diags := loaded(answer(t, said.Policy))
	if p == nil || p.UPSs[0].SNMP.Community != "card" || p.UPSs[0].SNMP.Timeout < 2*time.Second || p.UPSs[0].SNMP.PollEvery < p.UPSs[0].SNMP.Timeout || len(p.Hosts) != 1 || !p.Hosts[0].Self {
		t.Errorf("%+v, %v\n%s", p, diags, said.Policy)
	}
	if n := strings.Count(said.Policy, openMark+" "+lost.Addr) + strings.Count(said.Policy, openMark+" "+none.Addr); n != 2 || !strings.Contains(said.Policy, "not as a UPS does by RFC 1628") {
		t.Errorf("%d of the others are told of:\n%s", n, said.Policy)
	}

	card.Hang()
	defer card.Resume()
	if code, said, _ := initJSON(t, card.Addr, "--community", "card", "--secrets", secrets); code != exitFailed || !strings.Contains(said.failures(0), "SNMP: ") {
		t.Errorf("of one that hangs: exit code %d, %+v", code, said)
	}
}

// Aim: an IPv6 address is asked and written like any other, and an SSH server that is
// reached by two addresses is told of. Method: a real host, through a relay on ::1.
func TestInitIPv6(t *testing.T) {
	rack := peertest.StartHosts(t, 1, peertest.HostOptions{})
	l, err := net.Listen("tcp", "[::1]:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer in.Close()
				if out, err := net.Dial("tcp", rack.Address(0)+":22"); err == nil {
					defer out.Close()
					go io.Copy(out, in)
					io.Copy(in, out)
				}
			}()
		}
	}()
	code, said, errs := initJSON(t, rack.Address(0), "six="+l.Addr().String())
	if code != exitDone || said.Addresses[1].Kind != "host" {
		t.Fatalf("exit code %d, %+v: %s", code, said.Addresses, errs)
	}
	if !strings.Contains(said.Policy, `address = "`+l.Addr().String()+`"`) || !strings.Contains(said.Policy, "It shows the same host key as host") {
		t.Error(said.Policy)
	}
	onlyOpen(t, said.Policy, said.Questions)
	if p, diags := loaded(answer(t, said.Policy)); p == nil {
		t.Errorf("%v", diags)
	}
}

// Aim: each template is a policy but for what it asks, and an address with the name of
// a block fills it. Method: the loader; a card and a BMC that are named so.
func TestInitRooms(t *testing.T) {
	for _, name := range append(roomNames(), "") {
		args := []string{}
		if name != "" {
			args = []string{"--room", name}
		}
		code, said, errs := initJSON(t, args...)
		if code != exitDone || errs != "" {
			t.Fatalf("%s: exit code %d: %s", name, code, errs)
		}
		onlyOpen(t, said.Policy, said.Questions)
		filled := answer(t, said.Policy)
		p, diags := loaded(strings.ReplaceAll(filled, "192.0.2.77", "192.0.2.78"))
		if p == nil || diags.HasErrors() {
			t.Errorf("%s: %v\n%s", name, diags, filled)
		}
	}

	card, b := peertest.StartSNMPD(t, peertest.DefaultUPS()), peertest.StartBMC(t)
	secrets := t.TempDir()
	if err := os.WriteFile(filepath.Join(secrets, "card"), []byte("read-test"), 0o600); err != nil {
		t.Fatal(err)
	}
	code, said, errs := initJSON(t, "--room", "hypervisor", "ups="+card.Addr, "storage="+b.Policy.Address, "switch=127.0.0.1:1", "--community", "card", "--secrets", secrets)
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	if !strings.Contains(said.Policy, "127.0.0.1:1.") {
		t.Error("the switch's address is not in the policy")
	}
	p, diags := loaded(answer(t, said.Policy))
	if p == nil || len(p.UPSs) != 1 || p.UPSs[0].Name != "ups" || p.UPSs[0].SNMP == nil || len(p.Hosts) != 5 {
		t.Fatalf("%v\n%s", diags, said.Policy)
	}
	if code, said, _ := initJSON(t, "--room", "one-ups", "ups="+b.Policy.Address); code != exitFailed || said.Policy != "" {
		t.Errorf("a BMC that was named as the UPS: exit code %d\n%s", code, said.Policy)
	}
	for k := range p.Hosts {
		if h := &p.Hosts[k]; h.Name == "storage" && (len(h.Methods) == 0 || h.Methods[len(h.Methods)-1].BMC == nil) {
			t.Errorf("its BMC is not in it: %+v", h.Methods)
		}
	}
}

// Aim: a UPS on USB is written by its serial, one without by its path with what to
// mind; two UPSs make it a question which one feeds a host; figures that cannot be are
// not written. Method: what the HID source says (its own tests ask a real kernel: there
// is no hidraw here).
func TestInitUSB(t *testing.T) {
	device := func(node, serial string, watts, va int64) *finding {
		c := &hid.Capabilities{Device: hid.Identity{Node: node, Name: "Example UPS", Serial: serial}, RatedWatts: watts, RatedVA: va, First: shutdown.Nothing}
		return &finding{target: target{address: node, usb: true}, device: c}
	}
	d := newDraft("home")
	d.add(device("/dev/hidraw0", `47"${11}`, 900, 1000))
	d.add(device("/dev/hidraw1", "", 900, 700))
	d.add(&finding{target: target{address: "192.0.2.21"}, keys: []string{"ssh-ed25519 SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"}})
	d.complete()
	s := d.write(time.Date(2026, 11, 30, 0, 0, 0, 0, time.UTC))
	onlyOpen(t, s.text(), s.questions)
	p, diags := loaded(answer(t, s.text()))
	if p == nil {
		t.Fatalf("%v\n%s", diags, s.text())
	}
	got := []any{*p.UPSs[0].HID, *p.UPSs[1].HID, p.UPSs[0].RatedWatts, p.UPSs[1].RatedWatts, len(p.Hosts[0].FedBy)}
	want := []any{policy.HID{Serial: `47"${11}`}, policy.HID{Path: "/dev/hidraw1"}, int64(900), int64(2700), 2}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	if !strings.Contains(s.text(), "it says 900 W and 700 VA itself, which cannot be") {
		t.Error(s.text())
	}
	if code, said, _ := initJSON(t, "usb"); len(hid.Present()) == 0 && (code != exitFailed || len(said.Addresses) != 1 || said.Policy != "") {
		t.Errorf("with none plugged in: exit code %d, %+v", code, said)
	}
}

// Aim: names of blocks never collide, whatever addresses and devices are called.
func TestInitNames(t *testing.T) {
	d := newDraft("home")
	for _, address := range []string{"192.0.2.21", "198.51.100.21", "[2001:db8::21]:22", "vault.example", "vault.other", "agent", "2001:db8::"} {
		sum := sha256.Sum256([]byte(address))
		d.add(&finding{target: target{address: address}, keys: []string{"ssh-ed25519 SHA256:" + base64.RawStdEncoding.EncodeToString(sum[:])}})
	}
	d.add(&finding{target: target{name: "boards", address: "192.0.2.40"}, redfish: &bmc.Service{Systems: true}})
	d.complete()
	var got []string
	for _, h := range d.hosts {
		got = append(got, h.name)
	}
	want := []string{"host-21", "host-21-2", "host-21-3", "vault", "host-other", "agent", "host-2001-db8", "boards", "agent-2"}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%v, want %v", got, want)
	}
	if p, diags := loaded(answer(t, d.write(time.Now()).text())); p == nil {
		t.Errorf("%v", diags)
	}
}

// Aim: a host at an address of this machine is taken for the agent's own, in a template
// too, and is not told to stop over SSH; a second one is a host like any other. Method:
// the loader.
func TestInitOwnHost(t *testing.T) {
	for _, room := range []string{"", "hypervisor"} {
		d := newDraft("home")
		if err := d.furnish(room, false); err != nil {
			t.Fatal(err)
		}
		for i, address := range []string{"192.0.2.5", "198.51.100.5"} {
			sum := sha256.Sum256([]byte{byte(i)})
			d.add(&finding{target: target{address: address}, own: i == 0, keys: []string{"ssh-ed25519 SHA256:" + base64.RawStdEncoding.EncodeToString(sum[:])}})
		}
		d.complete()
		text := d.write(time.Now()).text()
		p, diags := loaded(answer(t, text))
		if p == nil {
			t.Fatalf("%v\n%s", diags, text)
		}
		var own, over []string
		for k := range p.Hosts {
			if h := &p.Hosts[k]; h.Self {
				own = append(own, h.Methods[0].Kind.String())
			} else if s := h.Methods[0].SSH; s != nil && s.Address == "198.51.100.5" {
				over = append(over, h.Name)
			}
		}
		if !slices.Equal(own, []string{"local"}) || len(over) != 1 || strings.Contains(text, `address = "192.0.2.5"`) || !strings.Contains(text, "# 192.0.2.5 is an address of the machine that init was run on") {
			t.Errorf("%q: own %v, over SSH %v\n%s", room, own, over, text)
		}
	}
}

// Aim: whatever devices say of themselves, the policy has the blocks that were meant,
// and no question is hidden or added. Method: their texts, as they come in, at random.
func FuzzInitText(f *testing.F) {
	f.Add("Example", "Scripted 3000", "rack-a", "Linux", "4711")
	f.Add("}\nhost \"x\" {", "#? watts = 1", "../..", "\x1b[2J\u2028#?", "${secret(\"a\")}%{if}")
	f.Fuzz(func(t *testing.T, maker, model, name, description, serial string) {
		card := &snmp.Card{UPS: true, Description: clean.Text(description), Capabilities: snmp.Capabilities{
			Manufacturer: clean.Text(maker), Model: clean.Text(model), Name: clean.Text(name), RatedWatts: 2700, RatedVA: 3000, First: shutdown.Nothing}}
		device := &hid.Capabilities{Device: hid.Identity{Node: "/dev/hidraw0", Name: clean.Text(model), Serial: clean.Text(serial)}, RatedWatts: 900, RatedVA: shutdown.Unread, First: shutdown.Nothing}
		d := newDraft("home")
		d.add(&finding{target: target{address: "192.0.2.10"}, card: card, access: policy.SNMP{Version: 2}})
		d.add(&finding{target: target{address: "/dev/hidraw0", usb: true}, device: device})
		d.add(&finding{target: target{name: "vault", address: "192.0.2.30"}, redfish: &bmc.Service{Systems: true, Vendor: clean.Text(maker), Product: clean.Text(model)}})
		d.add(&finding{target: target{address: "192.0.2.40"}, card: &snmp.Card{Description: clean.Text(description)}})
		d.complete()
		s := d.write(time.Now())
		onlyOpen(t, s.text(), s.questions)
		if n := len(regexp.MustCompile(`(?m)^\s*#\?`).FindAllString(s.text(), -1)); n != len(s.questions) {
			t.Errorf("%d lines are marked for %d questions", n, len(s.questions))
		}
		p, diags := loaded(answer(t, s.text()))
		if p == nil || len(p.UPSs) != 2 || len(p.Hosts) != 2 || len(p.Loads) != 0 {
			t.Fatalf("%v\n%s", diags, s.text())
		}
		if serial = clean.Text(serial); serial != "" && p.UPSs[1].HID.Serial != serial {
			t.Errorf("serial %q became %q", serial, p.UPSs[1].HID.Serial)
		}
	})
}
