package peertest

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	_ "embed"
	"encoding/binary"
	"encoding/pem"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	gossh "golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/knownhosts"
	"golang.org/x/sys/unix"

	"ebbline/policy"
)

// Mode says what a host does when it is told to power off.
type Mode string

const (
	Normal  Mode = "normal" // answers, then stops its services and goes
	Cut     Mode = "cut"    // every process is gone at once: the connection ends without an exit status
	Dark    Mode = "dark"   // the network goes first: no end of the connection is seen
	Hang    Mode = "hang"   // the command never ends, the host stays up
	Refuse  Mode = "refuse" // exit status 1 and a word on stderr
	Ignore  Mode = "ignore" // exit status 0, and the host stays up
	slowFor      = "slow"
)

// Slow answers at once, closes its SSH port, and goes d later.
func Slow(d time.Duration) Mode { return Mode(fmt.Sprintf("%s %.1f", slowFor, d.Seconds())) }

// HostOptions of [StartHosts]; the zero value suits most tests.
type HostOptions struct {
	Mode     Mode     // of every host at first; Normal when ""
	KeyTypes []string // "ed25519", "ecdsa", "rsa"; ed25519 alone when empty

	// Unprivileged makes HostUser a user without rights, who cannot log in
	// either until Allow says how. Otherwise HostUser is root under another
	// name, may run any command, and each is logged.
	Unprivileged bool
	// SSHD is more lines for sshd_config.
	SSHD string
}

// HostUser is the user that exists on every host, and HostKeySecret the name
// of the secret that is its private key.
const (
	HostUser      = "ebbline"
	HostKeySecret = policy.Secret("ssh-key")
	// PowerOff is the hosts' command that powers them off, by its full path.
	PowerOff = "/run/host/poweroff"
)

// Rack is a row of hosts on one network segment. Each has a pid namespace and
// a network namespace of its own with a small init and a real sshd on port 22,
// and ends when its init does. A magic packet for its address boots a host
// that is off, as long as its plug was not pulled. Everything ends with the
// test, or with the test's process.
type Rack struct {
	t      testing.TB
	bridge string
	subnet string // "198.18.7."
	dir    string
	lock   net.Listener // held while the segment is in use
	nic    *os.File     // sees each frame on the segment, as a standby NIC does
	key    []byte       // the client's, PEM
	signer gossh.Signer
	opts   HostOptions
	hosts  []*rackHost
	wg     sync.WaitGroup
}

type rackHost struct {
	rack     *Rack
	index    int
	dir      string
	ethernet net.HardwareAddr
	keys     []gossh.Signer

	mu        sync.Mutex
	init      *os.Process // nil while off
	gone      chan struct{}
	stoppedAt time.Time
	unplugged bool
	closed    bool
}

//go:embed host-init.sh
var hostInit string

//go:embed host-poweroff.sh
var hostPowerOff string

//go:embed host-gate.sh
var hostGate string

// StartHosts boots n hosts, 200 at most, and returns when all answer on port
// 22. It needs root and the tools it names when they are missing.
func StartHosts(t testing.TB, n int, opts HostOptions) *Rack {
	t.Helper()
	needHostTools(t, opts)
	r := &Rack{t: t, dir: t.TempDir(), opts: opts}
	if len(r.opts.KeyTypes) == 0 {
		r.opts.KeyTypes = []string{"ed25519"}
	}
	if r.opts.Mode == "" {
		r.opts.Mode = Normal
	}
	r.key, r.signer = newKey(t, "ed25519")
	t.Cleanup(r.close)
	r.claimSegment()
	for i := range n {
		r.addHost(i)
	}
	r.writeKnownHosts()
	for i := range n {
		r.Boot(i)
	}
	for i := range n {
		r.WaitUp(i)
	}
	r.wg.Go(r.listenForMagic)
	return r
}

func needHostTools(t testing.TB, opts HostOptions) {
	t.Helper()
	if os.Getuid() != 0 {
		t.Fatal("test hosts need root, for namespaces and veth links: run the tests as root")
	}
	tools := []string{"/usr/sbin/sshd", "ip", "mount"}
	if opts.Unprivileged {
		tools = append(tools, "/usr/bin/sudo")
	}
	for _, tool := range tools {
		if _, err := exec.LookPath(tool); err != nil {
			t.Fatalf("test hosts need %s: apt-get install openssh-server openssh-client iproute2 mount sudo", tool)
		}
	}
}

// claimSegment takes one of the 512 networks of 198.18.0.0/15, which RFC 2544
// sets aside for tests, so that no real network is in the way.
func (r *Rack) claimSegment() {
	sweepSegments()
	// Start from the pid, so that two test processes seldom meet.
	for i := range 512 {
		n := (os.Getpid() + i) % 512
		if lock := lockSegment(n); lock != nil {
			r.lock, r.bridge = lock, bridgePrefix+strconv.Itoa(n)
			r.subnet = fmt.Sprintf("198.%d.%d.", 18+n/256, n%256)
			break
		}
	}
	if r.lock == nil {
		r.t.Fatal("all 512 test networks are in use")
	}
	// A bridge without a live port has no carrier and drops what is sent, so
	// one port is always plugged in.
	ip(r.t, "link add %[1]s type bridge", r.bridge)
	ip(r.t, "link add %[1]s.a type veth peer name %[1]s.b", r.bridge)
	ip(r.t, "link set %[1]s.a master %[1]s up\nlink set %[1]s.b up", r.bridge)
	ip(r.t, "addr add %s1/24 broadcast %[1]s255 dev %s\nlink set %[2]s up", r.subnet, r.bridge)
	r.nic = openPacketSocket(r.t, r.bridge)
}

const bridgePrefix = "ebseg"

// lockSegment gives nil when another process, or this one, uses the segment.
// The lock is a socket's abstract name, which is the network's as the bridges are:
// all who share it see the lock, whatever root or pids they live in. It ends with
// its process, however that ends.
func lockSegment(n int) net.Listener {
	lock, err := net.Listen("unix", fmt.Sprintf("@ebbline-peertest-%d", n))
	if err != nil {
		return nil
	}
	return lock
}

// sweepSegments removes the bridges that dead test processes left behind: those
// that nobody locks. Their hosts died with them.
func sweepSegments() {
	links, _ := net.Interfaces()
	for _, l := range links {
		n, err := strconv.Atoi(strings.TrimPrefix(l.Name, bridgePrefix))
		if err != nil || !strings.HasPrefix(l.Name, bridgePrefix) {
			continue
		}
		if lock := lockSegment(n); lock != nil {
			removeSegment(l.Name)
			lock.Close()
		}
	}
}

func removeSegment(bridge string) {
	runIP("link del " + bridge + ".a")
	runIP("link del " + bridge)
}

func (r *Rack) addHost(i int) {
	h := &rackHost{rack: r, index: i, dir: filepath.Join(r.dir, fmt.Sprintf("h%d", i))}
	third, fourth, _ := strings.Cut(strings.TrimSuffix(strings.TrimPrefix(r.subnet, "198."), "."), ".")
	a, _ := strconv.Atoi(third)
	b, _ := strconv.Atoi(fourth)
	h.ethernet = net.HardwareAddr{0x02, 0xeb, 0, byte(a), byte(b), byte(i)}
	must(r.t, os.MkdirAll(filepath.Join(h.dir, "home"), 0o755))
	r.hosts = append(r.hosts, h)
	for name, text := range map[string]string{
		"init": hostInit, "poweroff": hostPowerOff, "gate": hostGate,
		"passwd": h.passwd(), "sudoers": "", "authorized_keys": string(gossh.MarshalAuthorizedKey(r.signer.PublicKey())),
	} {
		h.write(name, text, 0o755)
	}
	if r.opts.Unprivileged {
		r.Allow(i, "", "")
	}
	r.SetMode(i, r.opts.Mode)
	r.NewHostKeys(i)
}

// Allow gives host i a new authorized_keys and new lines of sudoers(5). It is
// for hosts that are Unprivileged.
func (r *Rack) Allow(i int, authorizedKeys, sudoers string) {
	h := r.hosts[i]
	h.write("authorized_keys", authorizedKeys+"\n", 0o644)
	// A running host has this very file mounted, so it is not replaced.
	path := filepath.Join(h.dir, "sudoers")
	must(r.t, os.WriteFile(path, []byte(sudoers+"\n"), 0o440))
	must(r.t, os.Chmod(path, 0o440)) // sudo refuses one that others may write
}

// passwd lists few users, all with a light shell: bash would read a .bashrc.
func (h *rackHost) passwd() string {
	uid := 0
	if h.rack.opts.Unprivileged {
		uid = 4711
	}
	return fmt.Sprintf(`root:*:0:0::/run/host/home:/bin/sh
sshd:*:65533:65534::/run/sshd:/usr/sbin/nologin
%s:*:%d:%[2]d::/run/host/home:/bin/sh
`, HostUser, uid)
}

// NewHostKeys gives host i new host keys, as a reinstallation does. A running
// sshd shows them after the next boot; known_hosts is left as it is.
func (r *Rack) NewHostKeys(i int) {
	h := r.hosts[i]
	var config strings.Builder
	h.keys = nil
	for _, kind := range r.opts.KeyTypes {
		text, signer := newKey(r.t, kind)
		h.write("key_"+kind, string(text), 0o600)
		fmt.Fprintf(&config, "HostKey /run/host/key_%s\n", kind)
		h.keys = append(h.keys, signer)
	}
	config.WriteString(`AuthorizedKeysFile /run/host/authorized_keys
PidFile /run/host/sshd.pid
StrictModes no
UsePAM no
PasswordAuthentication no
PermitRootLogin prohibit-password
UseDNS no
PrintMotd no
MaxStartups 1000
SetEnv PATH=/run/host:/usr/sbin:/usr/bin:/sbin:/bin
` + r.opts.SSHD + "\n")
	if !r.opts.Unprivileged {
		config.WriteString("ForceCommand /run/host/gate\n")
	}
	h.write("sshd_config", config.String(), 0o644)
}

func (r *Rack) writeKnownHosts() {
	var b strings.Builder
	for i, h := range r.hosts {
		for _, k := range h.keys {
			fmt.Fprintln(&b, knownhosts.Line([]string{r.Address(i)}, k.PublicKey()))
		}
	}
	must(r.t, os.WriteFile(r.KnownHosts(), []byte(b.String()), 0o644))
}

// KnownHosts is the path of a known_hosts file with all first host keys.
func (r *Rack) KnownHosts() string { return filepath.Join(r.dir, "known_hosts") }

// HostKeys gives host i's public keys, in the order of HostOptions.KeyTypes.
func (r *Rack) HostKeys(i int) []gossh.PublicKey {
	var keys []gossh.PublicKey
	for _, s := range r.hosts[i].keys {
		keys = append(keys, s.PublicKey())
	}
	return keys
}

// ClientKey is the public key that the hosts know.
func (r *Rack) ClientKey() gossh.PublicKey { return r.signer.PublicKey() }

// Secret gives the value of [HostKeySecret].
func (r *Rack) Secret(name policy.Secret) ([]byte, error) {
	if name != HostKeySecret {
		return nil, fmt.Errorf("no secret %q in the test rack", name)
	}
	return r.key, nil
}

// SSH is the way to stop host i, its first host key pinned.
func (r *Rack) SSH(i int) policy.SSH {
	return policy.SSH{
		Address: r.Address(i), User: HostUser, Key: HostKeySecret, Command: PowerOff,
		HostKey: gossh.FingerprintSHA256(r.hosts[i].keys[0].PublicKey()),
	}
}

// Address is host i's IP address.
func (r *Rack) Address(i int) string { return r.subnet + strconv.Itoa(10+i) }

// Ethernet is the hardware address for which host i's standby NIC listens.
func (r *Rack) Ethernet(i int) string { return r.hosts[i].ethernet.String() }

// Broadcast is where a magic packet for any host of the rack may be sent.
func (r *Rack) Broadcast() string { return r.subnet + "255:9" }

// SetMode says what host i does when it is next told to power off.
func (r *Rack) SetMode(i int, m Mode) { r.hosts[i].write("mode", string(m)+"\n", 0o644) }

// Received is one command that a host was sent.
type Received struct {
	At   time.Time
	Text string // "" when a shell was asked for
}

// Commands lists what host i was sent, oldest first. An Unprivileged host keeps
// no such list.
func (r *Rack) Commands(i int) []Received {
	text, err := os.ReadFile(filepath.Join(r.hosts[i].dir, "commands.log"))
	if err != nil {
		return nil
	}
	var list []Received
	for line := range strings.Lines(string(text)) {
		stamp, command, _ := strings.Cut(strings.TrimSuffix(line, "\n"), " ")
		seconds, nanos, _ := strings.Cut(stamp, ".")
		s, _ := strconv.ParseInt(seconds, 10, 64)
		n, _ := strconv.ParseInt(nanos, 10, 64)
		list = append(list, Received{time.Unix(s, n), command})
	}
	return list
}

// Boot starts host i; one that is up stays as it is. It does not wait for its
// sshd: see WaitUp.
func (r *Rack) Boot(i int) {
	if err := r.hosts[i].boot(); err != nil {
		r.t.Errorf("boot host %d: %v", i, err)
	}
}

func (h *rackHost) boot() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.init != nil || h.closed {
		return nil
	}
	cmd := exec.Command("/bin/sh", filepath.Join(h.dir, "init"), h.dir, h.rack.Address(h.index))
	cmd.SysProcAttr = &syscall.SysProcAttr{
		Cloneflags: syscall.CLONE_NEWPID | syscall.CLONE_NEWNET | syscall.CLONE_NEWNS | syscall.CLONE_NEWUTS | syscall.CLONE_NEWIPC,
		Pdeathsig:  syscall.SIGKILL,
	}
	plugged, err := cmd.StdinPipe()
	if err != nil {
		return err
	}
	out, err := os.OpenFile(filepath.Join(h.dir, "init.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	defer out.Close()
	cmd.Stdout, cmd.Stderr = out, out

	gone := make(chan struct{})
	started := make(chan error)
	h.rack.wg.Go(func() {
		// The death signal is tied to the thread that started the process, so
		// the thread stays with it.
		runtime.LockOSThread()
		err := cmd.Start()
		started <- err
		if err == nil {
			cmd.Wait()
			h.ended(gone)
		}
	})
	if err := <-started; err != nil {
		return err
	}
	h.init, h.gone = cmd.Process, gone
	link := h.link()
	err = runIP(fmt.Sprintf("link add %s type veth peer name eth0 address %s netns %d\nlink set %s master %s up",
		link, h.ethernet, cmd.Process.Pid, link, h.rack.bridge))
	if err != nil {
		cmd.Process.Kill()
		return err
	}
	_, err = io.WriteString(plugged, "go\n")
	return err
}

func (h *rackHost) link() string { return fmt.Sprintf("%s.%d", h.rack.bridge, h.index) }

// ended notes the end of a host and makes its network silent: the kernel
// removes the namespace, and the link with it, only some time later.
func (h *rackHost) ended(gone chan struct{}) {
	at := time.Now()
	runIP("link del " + h.link())
	h.mu.Lock()
	defer h.mu.Unlock()
	h.init, h.stoppedAt = nil, at
	os.Remove(filepath.Join(h.dir, "sshd.pid"))
	close(gone)
}

// WaitUp returns when host i's sshd listens. It does not ask by network, which
// would leave the kernel waiting a second for an address that nobody has yet.
func (r *Rack) WaitUp(i int) {
	r.t.Helper()
	h := r.hosts[i]
	for end := time.Now().Add(startsWithin); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if _, err := os.Stat(filepath.Join(h.dir, "sshd.pid")); err == nil && r.Up(i) {
			return
		}
	}
	console, _ := os.ReadFile(filepath.Join(h.dir, "init.log"))
	log, _ := os.ReadFile(filepath.Join(h.dir, "sshd.log"))
	r.t.Fatalf("host %d's sshd does not listen after %v; its console and log say:\n%s\n%s", i, startsWithin, console, log)
}

// WaitDown returns when host i has ended, with the time at which it did.
func (r *Rack) WaitDown(i int) time.Time {
	r.t.Helper()
	h := r.hosts[i]
	h.mu.Lock()
	gone := h.gone
	h.mu.Unlock()
	select {
	case <-gone:
	case <-time.After(startsWithin):
		r.t.Fatalf("host %d is still up after %v", i, startsWithin)
	}
	return r.StoppedAt(i)
}

// Up tells whether host i lives.
func (r *Rack) Up(i int) bool {
	h := r.hosts[i]
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.init != nil
}

// StoppedAt is when host i last ended; zero when it never did.
func (r *Rack) StoppedAt(i int) time.Time {
	h := r.hosts[i]
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.stoppedAt
}

// PullPlug ends host i at once, its network first, and takes its standby
// power: it starts again only when plugged in.
func (r *Rack) PullPlug(i int) {
	h := r.hosts[i]
	h.mu.Lock()
	h.unplugged = true
	if h.init != nil {
		runIP("link del " + h.link())
	}
	h.mu.Unlock()
	r.PowerOff(i)
}

// PowerOff ends host i at once, as its power button does when it is held. Its
// standby power stays.
func (r *Rack) PowerOff(i int) {
	h := r.hosts[i]
	h.mu.Lock()
	init, gone := h.init, h.gone
	h.mu.Unlock()
	if init != nil {
		init.Kill()
		<-gone
	}
}

// PlugIn gives host i its power back, and boots it as a host does that is set
// to start with the power.
func (r *Rack) PlugIn(i int) {
	h := r.hosts[i]
	h.mu.Lock()
	h.unplugged = false
	h.mu.Unlock()
	r.Boot(i)
}

// Unlink takes host i's network cable out, and Link puts it in again.
func (r *Rack) Unlink(i int) { ip(r.t, "link set %s down", r.hosts[i].link()) }

// Link undoes Unlink.
func (r *Rack) Link(i int) { ip(r.t, "link set %s up", r.hosts[i].link()) }

// SwitchOff cuts the power of the switch that joins the rack to the test: the
// test's own network card loses its link, which the kernel says a moment later.
func (r *Rack) SwitchOff() {
	r.t.Helper()
	r.setSwitch("down")
	for end := time.Now().Add(startsWithin); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if card, err := net.InterfaceByName(r.bridge); err == nil && card.Flags&net.FlagRunning == 0 {
			return
		}
	}
	r.t.Fatalf("%s still has a link 30 s after its switch went off", r.bridge)
}

// SwitchOn undoes SwitchOff.
func (r *Rack) SwitchOn() { r.setSwitch("up") }

func (r *Rack) setSwitch(state string) {
	ip(r.t, "link set %s.b %s", r.bridge, state)
	for _, h := range r.hosts {
		if r.Up(h.index) {
			ip(r.t, "link set %s %s", h.link(), state)
		}
	}
}

// Freeze stops every process of host i where it stands; its kernel still
// answers.
func (r *Rack) Freeze(i int) { r.hosts[i].signal(syscall.SIGSTOP) }

// Thaw undoes Freeze.
func (r *Rack) Thaw(i int) { r.hosts[i].signal(syscall.SIGCONT) }

func (h *rackHost) signal(sig syscall.Signal) {
	for _, pid := range h.processes() {
		syscall.Kill(pid, sig)
	}
}

// processes lists the live processes of a host by their pids outside of it.
func (h *rackHost) processes() []int {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.init == nil {
		return nil
	}
	own, err := os.Readlink(fmt.Sprintf("/proc/%d/ns/pid", h.init.Pid))
	if err != nil {
		return nil
	}
	all, _ := filepath.Glob("/proc/[0-9]*/ns/pid")
	var pids []int
	for _, path := range all {
		if ns, err := os.Readlink(path); err == nil && ns == own {
			pid, _ := strconv.Atoi(strings.Split(path, "/")[2])
			pids = append(pids, pid)
		}
	}
	return pids
}

// Processes counts the live processes of host i.
func (r *Rack) Processes(i int) int { return len(r.hosts[i].processes()) }

// Inside makes a command that runs in host i's network namespace.
func (r *Rack) Inside(i int, name string, args ...string) *exec.Cmd {
	h := r.hosts[i]
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.init == nil {
		r.t.Fatalf("host %d is off", i)
	}
	args = append([]string{"--net=/proc/" + strconv.Itoa(h.init.Pid) + "/ns/net", name}, args...)
	return exec.Command("nsenter", args...)
}

func (r *Rack) close() {
	for _, h := range r.hosts {
		h.mu.Lock()
		h.closed = true
		if h.init != nil {
			h.init.Kill()
		}
		h.mu.Unlock()
	}
	if r.nic != nil {
		r.nic.Close()
	}
	r.wg.Wait()
	if r.lock != nil {
		removeSegment(r.bridge)
		r.lock.Close()
	}
}

// openPacketSocket hears every frame on a link, sent ones too.
func openPacketSocket(t testing.TB, link string) *os.File {
	dev, err := net.InterfaceByName(link)
	must(t, err)
	all := binary.BigEndian.Uint16(binary.NativeEndian.AppendUint16(nil, unix.ETH_P_ALL))
	fd, err := unix.Socket(unix.AF_PACKET, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, int(all))
	must(t, err)
	must(t, unix.Bind(fd, &unix.SockaddrLinklayer{Protocol: all, Ifindex: dev.Index}))
	return os.NewFile(uintptr(fd), link)
}

// listenForMagic boots the host for which a magic packet is seen: six bytes
// 0xFF and its address 16 times, anywhere in a frame.
func (r *Rack) listenForMagic() {
	frame := make([]byte, 65536)
	for {
		n, err := r.nic.Read(frame)
		if err != nil {
			return
		}
		for i, h := range r.hosts {
			pattern := slices.Concat(bytes.Repeat([]byte{0xff}, 6), bytes.Repeat(h.ethernet, 16))
			if bytes.Contains(frame[:n], pattern) && h.onStandby() {
				r.Boot(i)
			}
		}
	}
}

func (h *rackHost) onStandby() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.init == nil && !h.unplugged && !h.closed
}

func (h *rackHost) write(name, text string, perm os.FileMode) {
	h.rack.t.Helper()
	// Written aside and renamed, so that a host never reads half of it.
	path := filepath.Join(h.dir, name)
	must(h.rack.t, os.WriteFile(path+".new", []byte(text), perm))
	must(h.rack.t, os.Rename(path+".new", path))
}

// ip runs lines of ip(8) and fails the test when one fails.
func ip(t testing.TB, format string, args ...any) {
	t.Helper()
	must(t, runIP(fmt.Sprintf(format, args...)))
}

func runIP(lines string) error {
	cmd := exec.Command("ip", "-batch", "-")
	cmd.Stdin = strings.NewReader(lines + "\n")
	out, err := cmd.CombinedOutput()
	if err != nil {
		return fmt.Errorf("ip %s: %w: %s", strings.ReplaceAll(lines, "\n", "; "), err, bytes.TrimSpace(out))
	}
	return nil
}

func newKey(t testing.TB, kind string) ([]byte, gossh.Signer) {
	t.Helper()
	var key crypto.Signer
	var err error
	switch kind {
	case "ed25519":
		_, key, err = ed25519.GenerateKey(rand.Reader)
	case "ecdsa":
		key, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	case "rsa":
		key, err = rsa.GenerateKey(rand.Reader, 2048)
	default:
		t.Fatalf("key type %q: use ed25519, ecdsa or rsa", kind)
	}
	must(t, err)
	block, err := gossh.MarshalPrivateKey(key, "")
	must(t, err)
	signer, err := gossh.NewSignerFromSigner(key)
	must(t, err)
	return pem.EncodeToMemory(block), signer
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
