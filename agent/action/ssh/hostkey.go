package ssh

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"slices"
	"strings"
	"sync"

	gossh "golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/knownhosts"
	"golang.org/x/sys/unix"
)

// ErrHostKey is matched by every [HostKeyError].
var ErrHostKey = errors.New("host key not verified")

// HostKeyError says that the host did not prove to be the one that the policy
// names. Nothing was sent to it.
type HostKeyError struct {
	Address string
	Shown   []string // "ssh-ed25519 SHA256:…", the keys that came
	Wanted  string   // the pinned fingerprint, or the known_hosts file
	Why     KeyProblem
	Cause   error // for a certificate: what is wrong with it
}

// KeyProblem says in what way a host key is not the right one.
type KeyProblem uint8

const (
	KeyDiffers     KeyProblem = iota + 1 // another key than the one known
	KeyUnknown                           // no key is known for the address
	KeyRevoked                           // the file revokes it
	KeyUncertified                       // its certificate is not accepted
)

// Error says what came, and what to do.
func (e *HostKeyError) Error() string {
	host, port, _ := net.SplitHostPort(e.Address)
	shown := "it has no key of a known type"
	if len(e.Shown) > 0 {
		shown = "it shows " + strings.Join(e.Shown, ", ")
	}
	const compare = "compare with the host's own console: ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub"
	switch e.Why {
	case KeyUnknown:
		return fmt.Sprintf("the host key of %s is not known: %s has no line for it, %s; ssh-keyscan -p %s %s prints the line to add; first %s",
			e.Address, e.Wanted, shown, port, host, compare)
	case KeyRevoked:
		return fmt.Sprintf("the host key of %s is revoked in %s: %s; give the host a new key", e.Address, e.Wanted, shown)
	case KeyUncertified:
		return fmt.Sprintf("the host certificate of %s is not accepted: %v; %s; sign the host's key anew with the authority in %s",
			e.Address, e.Cause, shown, e.Wanted)
	}
	return fmt.Sprintf("the host key of %s differs: wanted is %s, %s; was the host reinstalled? %s; take the new key into the policy only if they agree, else another machine answers in its place",
		e.Address, e.Wanted, shown, compare)
}

// Is makes errors.Is(err, ErrHostKey) true.
func (e *HostKeyError) Is(target error) bool { return target == ErrHostKey }

// verifier judges the host keys of one login.
type verifier struct {
	address    string
	wanted     string   // for people
	algorithms []string // to ask for, the preferred first
	check      gossh.HostKeyCallback
	pinned     bool
	stranger   bool     // the file has no line for the address
	shown      []string // the keys so far, all of them wrong
}

// plainAlgorithms are those of host keys without certificates, Ed25519 first.
var plainAlgorithms = append([]string{gossh.KeyAlgoED25519},
	slices.DeleteFunc(gossh.SupportedAlgorithms().HostKeys, func(a string) bool {
		return isCertificate(a) || a == gossh.KeyAlgoED25519
	})...)

func isCertificate(algorithm string) bool { return strings.Contains(algorithm, "-cert-v01@") }

// algorithmsOf gives the signature algorithms of a key type. ssh-rsa itself
// signs with SHA-1, which is refused today.
func algorithmsOf(keyType string) []string {
	if keyType == gossh.KeyAlgoRSA {
		return []string{gossh.KeyAlgoRSASHA512, gossh.KeyAlgoRSASHA256}
	}
	return []string{keyType}
}

// describe gives a key's type and fingerprint, as ssh-keygen -lf does.
func describe(key gossh.PublicKey) string {
	if c, ok := key.(*gossh.Certificate); ok {
		return c.Type() + " " + gossh.FingerprintSHA256(c.Key)
	}
	return key.Type() + " " + gossh.FingerprintSHA256(key)
}

func (h *Host) verifier() (*verifier, error) {
	if h.config.HostKey == "" {
		return h.knownHostsVerifier()
	}
	want := strings.TrimRight(h.config.HostKey, "=")
	v := &verifier{address: h.address, wanted: want, pinned: true}
	v.check = func(_ string, _ net.Addr, key gossh.PublicKey) error {
		if gossh.FingerprintSHA256(key) != want {
			return v.problem(KeyDiffers, key)
		}
		return nil
	}
	h.mu.Lock()
	v.algorithms = h.pinned
	h.mu.Unlock()
	if v.algorithms == nil {
		v.algorithms = slices.Clone(plainAlgorithms)
	}
	return v, nil
}

func (v *verifier) problem(why KeyProblem, key gossh.PublicKey) *HostKeyError {
	return &HostKeyError{Address: v.address, Shown: []string{describe(key)}, Wanted: v.wanted, Why: why}
}

// judge picks the host key's part out of a failed login, nil when it had none,
// and says whether to try once more. A fingerprint does not tell of what type
// its key is, and a server shows one key a connection: so a wrong one is asked
// for another, until there are no more.
func (v *verifier) judge(err error, shown gossh.PublicKey) (*HostKeyError, bool) {
	var none *gossh.AlgorithmNegotiationError
	if errors.As(err, &none) && none.What == "host key" {
		return &HostKeyError{Address: v.address, Shown: v.shown, Wanted: v.wanted, Why: KeyDiffers}, false
	}
	var wrong *HostKeyError
	if !errors.As(err, &wrong) {
		return nil, false
	}
	v.shown = append(v.shown, wrong.Shown...)
	wrong.Shown = v.shown
	tried := algorithmsOf(shown.Type())
	v.algorithms = slices.DeleteFunc(slices.Clone(v.algorithms), func(a string) bool { return slices.Contains(tried, a) })
	return wrong, v.pinned && len(v.algorithms) > 0
}

// knownFile is one known_hosts file as it was read.
type knownFile struct {
	info        os.FileInfo
	check       gossh.HostKeyCallback
	authorities map[int]bool // lines with @cert-authority
}

// knownFiles keeps what was read, for all hosts together: reading a long file
// costs more than a login.
var knownFiles struct {
	sync.Mutex
	byPath map[string]*knownFile
}

// readKnownHosts reads a file again whenever it has changed.
func readKnownHosts(path string) (*knownFile, error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("read known hosts: %w; ssh-keyscan prints the lines for it, to be compared with each host's own console", err)
	}
	if err != nil {
		return nil, fmt.Errorf("read known hosts: %w", err)
	}
	knownFiles.Lock()
	defer knownFiles.Unlock()
	if f := knownFiles.byPath[path]; f != nil && os.SameFile(f.info, info) &&
		f.info.ModTime().Equal(info.ModTime()) && f.info.Size() == info.Size() {
		return f, nil
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("read known hosts: %s is no regular file", path)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read known hosts: %w", err)
	}
	f := &knownFile{info: info, authorities: make(map[int]bool)}
	for i, line := range bytes.Split(text, []byte("\n")) {
		if bytes.HasPrefix(bytes.TrimSpace(line), []byte("@cert-authority")) {
			f.authorities[i+1] = true
		}
	}
	if f.check, err = knownIn(lowerHosts(text)); err != nil {
		return nil, fmt.Errorf("read known hosts: %s: %w", path, err)
	}
	if knownFiles.byPath == nil {
		knownFiles.byPath = make(map[string]*knownFile)
	}
	knownFiles.byPath[path] = f
	return f, nil
}

// knownIn gives the library a text; it takes only files.
func knownIn(text []byte) (gossh.HostKeyCallback, error) {
	fd, err := unix.MemfdCreate("known_hosts", unix.MFD_CLOEXEC)
	if err != nil {
		return nil, err
	}
	f := os.NewFile(uintptr(fd), "known_hosts")
	defer f.Close()
	if _, err := f.Write(text); err != nil {
		return nil, err
	}
	path := fmt.Sprintf("/proc/self/fd/%d", f.Fd())
	check, err := knownhosts.New(path)
	if err != nil {
		return nil, errors.New(strings.ReplaceAll(err.Error(), path+":", "line "))
	}
	return check, nil
}

// lowerHosts puts the names in a known_hosts file into small letters, as sshd(8)
// and ssh(1) compare them; the library compares letter by letter. Hashed names
// are of small letters already.
func lowerHosts(text []byte) []byte {
	lines := bytes.Split(text, []byte("\n"))
	for i, line := range lines {
		at := len(line) - len(bytes.TrimLeft(line, " \t"))
		if bytes.HasPrefix(line[at:], []byte("@")) { // a marker stands before the names
			word := line[at:]
			if end := bytes.IndexAny(word, " \t"); end >= 0 {
				at += end + len(word[end:]) - len(bytes.TrimLeft(word[end:], " \t"))
			}
		}
		names := line[at:]
		if end := bytes.IndexAny(names, " \t"); end >= 0 {
			names = names[:end]
		}
		if !bytes.HasPrefix(names, []byte("|")) && !bytes.HasPrefix(names, []byte("#")) {
			lines[i] = slices.Concat(line[:at], bytes.ToLower(names), line[at+len(names):])
		}
	}
	return bytes.Join(lines, []byte("\n"))
}

// knownHostsVerifier asks only for the kinds of keys that the file has for the
// host. The client would else choose a kind by its own taste before the file
// is asked, and find a good host's key wrong (golang/go#36126).
func (h *Host) knownHostsVerifier() (*verifier, error) {
	if h.config.KnownHosts == "" {
		return nil, errors.New("no host key is known: give the policy a host_key or a known_hosts file")
	}
	file, err := readKnownHosts(h.config.KnownHosts)
	if err != nil {
		return nil, err
	}
	v := &verifier{address: h.address, wanted: h.config.KnownHosts}
	v.check = func(address string, remote net.Addr, key gossh.PublicKey) error {
		return v.translate(file.check(strings.ToLower(address), remote, key), key)
	}
	var known *knownhosts.KeyError
	if errors.As(file.check(strings.ToLower(h.address), &net.TCPAddr{}, dummyKey), &known) {
		for _, k := range known.Want {
			if file.authorities[k.Line] {
				v.algorithms = append(v.algorithms, certificateAlgorithms...)
			} else {
				v.algorithms = append(v.algorithms, algorithmsOf(k.Key.Type())...)
			}
		}
	}
	if v.algorithms == nil {
		// Not known at all: any key, so that the error can show what came.
		v.algorithms, v.stranger = plainAlgorithms, true
	}
	return v, nil
}

// NoKey says why the agent's own key cannot be used.
func (h *Host) NoKey() error {
	_, err := h.signer()
	return err
}

// Unverified says why the host could not prove now that it is the one meant: no
// known_hosts file that can be read has a line for it. Nothing is sent.
func (h *Host) Unverified() error {
	v, err := h.verifier()
	if err != nil || !v.stranger {
		return err
	}
	host, port, err := net.SplitHostPort(h.address)
	if err != nil {
		return err
	}
	return fmt.Errorf("%s has no line for %s; ssh-keyscan -p %s %s prints it; compare it with the host's own console before you add it", v.wanted, h.address, port, host)
}

// translate puts the library's verdict into this package's words.
func (v *verifier) translate(err error, key gossh.PublicKey) error {
	var revoked *knownhosts.RevokedError
	var known *knownhosts.KeyError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &revoked):
		return v.problem(KeyRevoked, key)
	case errors.As(err, &known) && len(known.Want) == 0:
		return v.problem(KeyUnknown, key)
	case errors.As(err, &known):
		return v.problem(KeyDiffers, key)
	}
	problem := v.problem(KeyUncertified, key)
	problem.Cause = err
	return problem
}

var certificateAlgorithms = slices.DeleteFunc(gossh.SupportedAlgorithms().HostKeys,
	func(a string) bool { return !isCertificate(a) })

// dummyKey is nobody's: the file's answer to it lists the keys it has.
var dummyKey = func() gossh.PublicKey {
	key, err := gossh.NewPublicKey(ed25519.PublicKey(make([]byte, ed25519.PublicKeySize)))
	if err != nil {
		panic(err)
	}
	return key
}()
