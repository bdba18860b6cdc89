package ssh

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	gossh "golang.org/x/crypto/ssh"

	"ebbline/agent/peertest"
	"ebbline/policy"
)

// keygen runs OpenSSH's ssh-keygen, the independent judge of keys here.
func keygen(t *testing.T, args ...string) string {
	t.Helper()
	out, err := exec.Command("ssh-keygen", args...).CombinedOutput()
	if err != nil {
		t.Fatalf("ssh-keygen %v: %v: %s", args, err, out)
	}
	return string(out)
}

func lockedKey(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "locked")
	keygen(t, "-q", "-t", "ed25519", "-N", "a passphrase", "-f", path)
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func writeFile(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func publicLine(key gossh.PublicKey) string {
	return strings.TrimSpace(string(gossh.MarshalAuthorizedKey(key)))
}

var threeKeys = peertest.HostOptions{KeyTypes: []string{"ed25519", "ecdsa", "rsa"}}

// Aim: a pin of any of a host's keys is found, whatever the client would ask
// for by itself (trap 5: golang/go#36126), and found at once the second time; a
// pin of none of them is refused with all keys shown. Method: a host with three
// keys; fingerprints from ssh-keygen.
func TestPinnedKeyOfThree(t *testing.T) {
	r := peertest.StartHosts(t, 1, threeKeys)
	var all []string
	for _, key := range r.HostKeys(0) {
		path := filepath.Join(t.TempDir(), "key.pub")
		writeFile(t, path, publicLine(key))
		fingerprint := strings.Fields(keygen(t, "-lf", path))[1]
		all = append(all, key.Type()+" "+fingerprint)
		config := r.SSH(0)
		config.HostKey = fingerprint
		h := New(config, "x", r.Secret)
		for range 2 {
			if rep := h.Check(t.Context()); rep.Err != nil || rep.Key != key.Type()+" "+fingerprint {
				t.Errorf("%s: %+v", key.Type(), rep)
			}
		}
		if want := algorithmsOf(key.Type()); fmt.Sprint(h.pinned) != fmt.Sprint(want) {
			t.Errorf("%s: the next login asks for %v, want %v", key.Type(), h.pinned, want)
		}
	}
	config := r.SSH(0)
	config.HostKey = "SHA256:AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
	rep := New(config, "x", r.Secret).Check(t.Context())
	var wrong *HostKeyError
	if !errors.As(rep.Err, &wrong) || wrong.Why != KeyDiffers || fmt.Sprint(slices.Sorted(slices.Values(wrong.Shown))) != fmt.Sprint(slices.Sorted(slices.Values(all))) {
		t.Errorf("a pin of none: %v", rep.Err)
	}
	if !rep.Reached || rep.Verified || rep.LoggedIn {
		t.Errorf("a pin of none: %+v", rep)
	}
}

// Aim: names in a known_hosts file and in the policy are compared without their
// case, patterns and exceptions too. Method: ssh-keygen -F says whether OpenSSH
// knows the host, by its name in small letters, which is how ssh(1) looks it up.
func TestKnownHostsCase(t *testing.T) {
	r := peertest.StartHosts(t, 0, peertest.HostOptions{})
	key := publicLine(r.ClientKey())
	for _, names := range []string{
		"Vault.Example", "vault.example", "*.EXAMPLE", "[VAULT.example]:2222", "other,VAULT.Example",
		"*.example,!VAULT.example", "@cert-authority  *.Example", "@revoked\tVAULT.example", "  Vault.example",
		"Fault.example", "# Vault.example", "VAULT.example\t",
	} {
		path := filepath.Join(t.TempDir(), "known_hosts")
		writeFile(t, path, names+" "+key+"\n")
		for _, address := range []string{"Vault.example", "VAULT.EXAMPLE", "vault.example:2222"} {
			asked := strings.ToLower(address)
			if host, port, ok := strings.Cut(asked, ":"); ok {
				asked = "[" + host + "]:" + port
			}
			known := exec.Command("ssh-keygen", "-F", asked, "-f", path).Run() == nil && !strings.HasPrefix(names, "@revoked")
			err := New(policy.SSH{Address: address, KnownHosts: path}, "x", r.Secret).Unverified()
			if (err == nil) != known {
				t.Errorf("%q in the file, %q in the policy: OpenSSH knows it: %v; here: %v", names, address, known, err)
			}
		}
		if strings.HasPrefix(strings.TrimSpace(names), "#") || strings.HasPrefix(names, "@") {
			continue
		}
		keygen(t, "-q", "-H", "-f", path)
		if strings.Contains(names, "*") {
			continue // ssh-keygen leaves patterns as they are
		}
		err := New(policy.SSH{Address: "VAULT.example", KnownHosts: path}, "x", r.Secret).Unverified()
		if known := exec.Command("ssh-keygen", "-F", "vault.example", "-f", path).Run() == nil; (err == nil) != known {
			t.Errorf("%q, hashed: OpenSSH knows it: %v; here: %v", names, known, err)
		}
	}
}

// Aim: known_hosts files of every shape that OpenSSH writes work, and name the
// keys to ask for (trap 5: golang/go#36126, #33366, skeema/knownhosts#11).
// Method: one host with three keys on two ports; files written here, hashed and
// signed by ssh-keygen.
func TestKnownHosts(t *testing.T) {
	r := peertest.StartHosts(t, 1, peertest.HostOptions{KeyTypes: threeKeys.KeyTypes, SSHD: "Port 22\nPort 2222"})
	keys := r.HostKeys(0)
	ed, ecdsa, rsa := publicLine(keys[0]), publicLine(keys[1]), publicLine(keys[2])
	other := publicLine(peertest.StartHosts(t, 0, peertest.HostOptions{}).ClientKey())
	addr := r.Address(0)
	for _, c := range []struct {
		name string
		text string
		port string
		hash bool
		show gossh.PublicKey // nil: refused
		why  KeyProblem
	}{
		{name: "all", text: addr + " " + rsa + "\n" + addr + " " + ed + "\n" + addr + " " + ecdsa, show: keys[2]},
		{name: "ed25519 only", text: addr + " " + ed, show: keys[0]},
		{name: "ecdsa only", text: addr + " " + ecdsa, show: keys[1]},
		{name: "rsa only", text: addr + " " + rsa, show: keys[2]},
		{name: "hashed", text: addr + " " + ecdsa + "\n" + addr + " " + rsa, hash: true, show: keys[1]},
		{name: "port", text: "[" + addr + "]:2222 " + ecdsa, port: ":2222", show: keys[1]},
		{name: "hashed port", text: "[" + addr + "]:2222 " + rsa, port: ":2222", hash: true, show: keys[2]},
		{name: "several of one type", text: addr + " " + other + "\n" + addr + " " + ed, show: keys[0]},
		{name: "comment, junk and pattern", text: "# a comment\n\nnot a line\n198.* " + ed, show: keys[0]},
		{name: "other port only", text: "[" + addr + "]:2222 " + ed, why: KeyUnknown},
		{name: "other host only", text: "192.0.2.9 " + ed, why: KeyUnknown},
		{name: "empty", text: "", why: KeyUnknown},
		{name: "other key", text: addr + " " + other, why: KeyDiffers},
		{name: "revoked", text: "@revoked * " + ed + "\n" + addr + " " + ed, why: KeyRevoked},
		{name: "authority that signed nothing", text: "@cert-authority " + addr + " " + other, why: KeyDiffers},
	} {
		t.Run(c.name, func(t *testing.T) {
			config := r.SSH(0)
			config.HostKey, config.KnownHosts = "", filepath.Join(t.TempDir(), "known_hosts")
			config.Address += c.port
			writeFile(t, config.KnownHosts, c.text+"\n")
			if c.hash {
				keygen(t, "-q", "-H", "-f", config.KnownHosts)
				if text, _ := os.ReadFile(config.KnownHosts); strings.Contains(string(text), addr) {
					t.Fatal("ssh-keygen did not hash")
				}
			}
			rep := New(config, "x", r.Secret).Check(t.Context())
			if c.show != nil {
				if rep.Err != nil || rep.Key != describe(c.show) {
					t.Errorf("got %+v, want the key %s", rep, describe(c.show))
				}
				return
			}
			var wrong *HostKeyError
			if !errors.As(rep.Err, &wrong) || wrong.Why != c.why || rep.Verified {
				t.Errorf("got %v, want problem %d", rep.Err, c.why)
			}
		})
	}
}

// Aim: a host that shows a certificate is trusted by its authority (trap 5:
// golang/go#33366). Method: ssh-keygen signs a host key, sshd shows it; then the
// certificate is for another host.
func TestCertificate(t *testing.T) {
	dir := t.TempDir()
	authority := filepath.Join(dir, "authority")
	keygen(t, "-q", "-t", "ed25519", "-N", "", "-f", authority)
	// sshd reads the certificate at its start; the file is written before the
	// host's second boot, when the host key is known.
	cert := filepath.Join(dir, "cert.pub")
	r := peertest.StartHosts(t, 1, peertest.HostOptions{SSHD: "HostCertificate " + cert})
	ca, err := os.ReadFile(authority + ".pub")
	if err != nil {
		t.Fatal(err)
	}
	known := filepath.Join(dir, "known_hosts")
	writeFile(t, known, "@cert-authority "+r.Address(0)+" "+string(ca))
	config := r.SSH(0)
	config.HostKey, config.KnownHosts = "", known
	for _, c := range []struct {
		principal string
		good      bool
	}{{r.Address(0), true}, {"192.0.2.99", false}} {
		key := filepath.Join(dir, "key.pub")
		writeFile(t, key, publicLine(r.HostKeys(0)[0])+"\n")
		keygen(t, "-q", "-s", authority, "-h", "-I", "test host", "-n", c.principal, key)
		if err := os.Rename(filepath.Join(dir, "key-cert.pub"), cert); err != nil {
			t.Fatal(err)
		}
		r.PullPlug(0)
		r.PlugIn(0)
		r.WaitUp(0)
		rep := New(config, "x", r.Secret).Check(t.Context())
		if c.good {
			if rep.Err != nil || !strings.HasPrefix(rep.Key, gossh.CertAlgoED25519v01+" ") {
				t.Errorf("certificate for %s: %+v", c.principal, rep)
			}
			continue
		}
		var wrong *HostKeyError
		if !errors.As(rep.Err, &wrong) || wrong.Why != KeyUncertified {
			t.Errorf("certificate for %s: %v", c.principal, rep.Err)
		}
	}
}

// Aim: known_hosts is read again when it changes (trap 6), however it is
// written, and a missing one is a clear error. Method: one Host, the file
// replaced under it.
func TestKnownHostsIsReread(t *testing.T) {
	r := peertest.StartHosts(t, 1, peertest.HostOptions{})
	config := r.SSH(0)
	config.HostKey, config.KnownHosts = "", filepath.Join(t.TempDir(), "known_hosts")
	h := New(config, "x", r.Secret)
	if err := h.Check(t.Context()).Err; !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
	none := config
	none.KnownHosts = ""
	if err := New(none, "x", r.Secret).Check(t.Context()).Err; err == nil || !strings.Contains(err.Error(), "host_key or a known_hosts") {
		t.Errorf("no file named: %v", err)
	}
	good, err := os.ReadFile(r.KnownHosts())
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		writeFile(t, config.KnownHosts, "# nothing yet\n")
		if err := h.Check(t.Context()).Err; !errors.Is(err, ErrHostKey) {
			t.Errorf("an empty file: %v", err)
		}
		writeFile(t, config.KnownHosts+".new", string(good))
		if err := os.Rename(config.KnownHosts+".new", config.KnownHosts); err != nil {
			t.Fatal(err)
		}
		if err := h.Check(t.Context()).Err; err != nil {
			t.Errorf("a good file: %v", err)
		}
	}
}

// Aim: a host whose key has changed gets no command; the error is one that
// code can recognize, shows the new fingerprint as ssh-keygen does, and the
// next step. Method: a host gets new keys and boots; pin and known_hosts.
func TestHostKeyChanged(t *testing.T) {
	r := peertest.StartHosts(t, 1, peertest.HostOptions{})
	pinned := r.SSH(0)
	filed := pinned
	filed.HostKey, filed.KnownHosts = "", r.KnownHosts()
	r.PullPlug(0)
	r.NewHostKeys(0)
	r.PlugIn(0)
	r.WaitUp(0)
	path := filepath.Join(t.TempDir(), "key.pub")
	writeFile(t, path, publicLine(r.HostKeys(0)[0]))
	fingerprint := strings.Fields(keygen(t, "-lf", path))[1]
	for _, config := range []struct {
		name string
		host *Host
	}{{"pinned", New(pinned, "x", r.Secret)}, {"known_hosts", New(filed, "x", r.Secret)}} {
		ctx, cancel := context.WithTimeout(t.Context(), soon)
		err := config.host.Connect(ctx)
		cancel()
		if !errors.Is(err, ErrHostKey) || !errors.Is(config.host.Fault(), ErrHostKey) {
			t.Errorf("%s: %v", config.name, err)
		}
		outcome, text := config.host.Do(t.Context(), peertest.PowerOff, time.Now().Add(soon))
		for _, part := range []string{"differs", fingerprint, "ssh-keygen -lf"} {
			if !strings.Contains(text, part) {
				t.Errorf("%s: %v, %q lacks %q", config.name, outcome, text, part)
			}
		}
		config.host.Close()
	}
	if got := r.Commands(0); len(got) != 0 {
		t.Errorf("the host received %v", got)
	}
}
