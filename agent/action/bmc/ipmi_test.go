package bmc

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os/exec"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	ipmibmc "github.com/bougou/go-ipmi/pkg/bmc"
	"github.com/bougou/go-ipmi/pkg/crypto"
	"github.com/bougou/go-ipmi/pkg/hal/mock"
	"github.com/bougou/go-ipmi/pkg/server"
	"github.com/bougou/go-ipmi/pkg/transport/udp"
	"github.com/bougou/go-ipmi/pkg/types"

	"ebbline/agent/peertest"
	"ebbline/policy"
	"ebbline/shutdown"
)

// ipmiOf gives the BMC under test, and fails the test if it leaves a goroutine.
func ipmiOf(t *testing.T, b *peertest.BMC) *IPMI {
	noGoroutineLeft(t)
	return NewIPMI(b.Policy, b.Secret)
}

// noGoroutineLeft fails a test that ends with more goroutines than it has now.
// Some need a moment to end, so it waits until they have.
func noGoroutineLeft(t *testing.T) {
	t.Helper()
	before := runtime.NumGoroutine()
	t.Cleanup(func() {
		end := time.Now().Add(time.Minute)
		for runtime.NumGoroutine() > before {
			if time.Now().After(end) {
				stacks := make([]byte, 1<<20)
				t.Errorf("%d goroutines were there, %d are left:\n%s", before, runtime.NumGoroutine(), stacks[:runtime.Stack(stacks, true)])
				return
			}
			time.Sleep(5 * time.Millisecond)
		}
	})
}

// want fails unless Do or Look gave this outcome or sighting, and a text of one
// line that contains words and not the password.
func want[T shutdown.Outcome | shutdown.Sighting](t *testing.T, got T, text string, expected T, words string) {
	t.Helper()
	t.Logf("%v: %s", got, text)
	if got != expected || !strings.Contains(text, words) {
		t.Errorf("got %v %q, want %v with %q in it", got, text, expected, words)
	}
	if text == "" || strings.ContainsAny(text, "\n\r") || strings.Contains(text, "secret-test") {
		t.Errorf("text %q is empty, has several lines or the password", text)
	}
}

// ipmitool asks the BMC by an independent client, and gives its answer.
func ipmitool(t *testing.T, address, user, password string, suite int, command ...string) string {
	t.Helper()
	if _, err := exec.LookPath("ipmitool"); err != nil {
		t.Fatal("ipmitool is missing: apt-get install ipmitool")
	}
	host, port, _ := net.SplitHostPort(address)
	args := []string{"-I", "lanplus", "-C", fmt.Sprint(suite), "-H", host, "-p", port, "-U", user, "-P", password}
	out, err := exec.Command("ipmitool", append(args, command...)...).Output()
	if err != nil {
		t.Fatalf("ipmitool %v: %v", command, err)
	}
	return strings.TrimSpace(string(out))
}

// TestIPMIVerbs takes a chassis through all verbs on OpenIPMI's simulator. After
// each, ipmitool has to see the same state, and the simulator the chassis control
// that IPMI 2.0, table 28-4, gives for it.
func TestIPMIVerbs(t *testing.T) {
	b := peertest.StartBMC(t)
	i := ipmiOf(t, b)
	ctx := t.Context()
	for _, step := range []struct {
		verb  shutdown.Verb
		words string
		seen  shutdown.Sighting
		tool  string
		order string // what the simulator was told; "" for nothing
	}{
		{shutdown.VerbStart, "already", 0, "Chassis Power is on", ""},
		{shutdown.VerbShutDown, "control 5", shutdown.SeenOff, "Chassis Power is off", "shutdown 1"},
		{shutdown.VerbShutDown, "already", shutdown.SeenOff, "Chassis Power is off", ""},
		{shutdown.VerbPowerOff, "already", shutdown.SeenOff, "Chassis Power is off", ""},
		{shutdown.VerbStart, "control 1", 0, "Chassis Power is on", "power 1"},
		{shutdown.VerbPowerOff, "control 0", shutdown.SeenOff, "Chassis Power is off", "power 0"},
	} {
		before := len(b.Orders())
		outcome, text := i.Do(ctx, step.verb)
		want(t, outcome, text, shutdown.Accepted, step.words)
		if got := strings.Join(b.Orders()[before:], ","); got != step.order {
			t.Errorf("%v: the BMC was ordered %q, want %q", step.verb, got, step.order)
		}
		seen, text := i.Look(ctx)
		want(t, seen, text, step.seen, "chassis power")
		if got := ipmitool(t, b.Policy.Address, b.Policy.User, b.Password, 3, "power", "status"); got != step.tool {
			t.Errorf("after %v ipmitool says %q, want %q", step.verb, got, step.tool)
		}
	}
}

// TestIPMIRefused asks for what a BMC cannot do, and for what this one does not
// do: the answer has to be a refusal, and the power stays.
func TestIPMIRefused(t *testing.T) {
	b := peertest.StartBMC(t)
	i := ipmiOf(t, b)
	outcome, text := i.Do(t.Context(), shutdown.VerbPrepare)
	want(t, outcome, text, shutdown.Refused, "no way to prepare")
	b.Refuse()
	outcome, text = i.Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Refused, "completion code 0x")
	if !b.On() {
		t.Error("the power is off")
	}
	b.SetPower(false) // so that there is nothing to do
	outcome, text = i.Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Accepted, "already")
}

// TestIPMIDeafHost orders a soft shutdown that the host ignores: the order was
// taken, and the look afterwards must not find it off.
func TestIPMIDeafHost(t *testing.T) {
	b := peertest.StartBMC(t)
	b.Deafen()
	i := ipmiOf(t, b)
	outcome, text := i.Do(t.Context(), shutdown.VerbShutDown)
	want(t, outcome, text, shutdown.Accepted, "control 5")
	seen, text := i.Look(t.Context())
	want(t, seen, text, 0, "power is on")
}

// TestIPMISuites checks that the named cipher suites are tried, in their order,
// and no others. The simulator has suite 3 and turns 17 down.
func TestIPMISuites(t *testing.T) {
	b := peertest.StartBMC(t)
	for _, c := range []struct {
		suites  []int
		outcome shutdown.Outcome
		words   string
		offered []byte // authentication algorithms: 1 SHA1, 3 SHA256 (IPMI 2.0, table 13-17)
	}{
		{nil, shutdown.Accepted, "already", []byte{3, 1}},
		{[]int{3, 17}, shutdown.Accepted, "already", []byte{1}},
		{[]int{17}, shutdown.Refused, "none of the cipher suites", []byte{3}},
		{[]int{0}, shutdown.Unreachable, "name 17 or 3", nil},
	} {
		var offered []byte
		at := b.Policy
		at.Suites = c.suites
		at.Address = relay(t, at.Address, func(n, try int, request []byte, ask func() []byte) [][]byte {
			if request[5] == openRequest && try == 1 {
				offered = append(offered, request[headerSize+12])
			}
			return [][]byte{ask()}
		})
		outcome, text := NewIPMI(at, b.Secret).Do(t.Context(), shutdown.VerbStart)
		want(t, outcome, text, c.outcome, c.words)
		if !bytes.Equal(offered, c.offered) {
			t.Errorf("suites %v: offered the algorithms %v, want %v", c.suites, offered, c.offered)
		}
	}
}

// TestIPMISuite17 does the same as the simulator cannot do, against the BMC of
// the library that is under test too. That makes it no independent peer, so
// ipmitool, which is one, has to agree with that BMC first.
func TestIPMISuite17(t *testing.T) {
	conn, err := udp.Listen("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	hal := mock.New()
	managed := ipmibmc.New(ipmibmc.DeviceInfo{IPMIVersion: 0x20}, [16]byte{1}, hal)
	managed.SetCipherSuites([]types.CipherSuiteID{17})
	user, err := managed.Users.Add(2, "admin")
	if err != nil {
		t.Fatal(err)
	}
	user.SetPassword([]byte("secret-test"))
	user.Enabled = true
	user.ChannelAccess[1] = ipmibmc.UserChannelAccess{MaxPrivilege: ipmibmc.PrivilegeLevelAdministrator, Enabled: true}
	serve := server.NewServer(managed, conn)
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = serve.Serve(context.Background())
	}()
	t.Cleanup(func() {
		serve.Close()
		conn.Close()
		<-done
	})
	address := conn.LocalAddr().String()
	ipmitool(t, address, "admin", "secret-test", 17, "power", "on")
	i := NewIPMI(policy.BMC{Address: address, User: "admin", Password: "bmc", Suites: []int{17}}, secretTest)
	outcome, text := i.Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Accepted, "control 0")
	seen, text := i.Look(t.Context())
	want(t, seen, text, shutdown.SeenOff, "power is off")
	if got := ipmitool(t, address, "admin", "secret-test", 17, "power", "status"); got != "Chassis Power is off" {
		t.Errorf("ipmitool says %q", got)
	}
}

func secretTest(policy.Secret) ([]byte, error) { return []byte("secret-test"), nil }

// TestIPMIWrongPassword checks that a refused login is tried once, whatever
// suites are named: more would lock the account.
func TestIPMIWrongPassword(t *testing.T) {
	b := peertest.StartBMC(t)
	for _, c := range []struct{ user, password, words string }{
		{"admin", "wrong", "user or password"},
		{"nobody", "secret-test", "Unauthorized name"},
	} {
		var asked []byte
		at := b.Policy
		at.User, at.Suites = c.user, []int{3, 17, 3}
		at.Address = relay(t, at.Address, func(n, try int, request []byte, ask func() []byte) [][]byte {
			if try == 1 {
				asked = append(asked, request[5])
			}
			return [][]byte{ask()}
		})
		i := NewIPMI(at, func(policy.Secret) ([]byte, error) { return []byte(c.password), nil })
		outcome, text := i.Do(t.Context(), shutdown.VerbPowerOff)
		want(t, outcome, text, shutdown.Refused, c.words)
		if !bytes.Equal(asked, []byte{openRequest, rakp1}) {
			t.Errorf("%s: sent the messages %#v, want one open session request and one RAKP message 1", c.user, asked)
		}
	}
	if len(b.Orders()) > 0 {
		t.Errorf("the BMC was ordered %q", b.Orders())
	}
}

// TestIPMISecrets checks the errors of secrets that cannot be used.
func TestIPMISecrets(t *testing.T) {
	b := peertest.StartBMC(t)
	long := strings.Repeat("secret-test", 2)
	outcome, text := NewIPMI(b.Policy, func(policy.Secret) ([]byte, error) { return []byte(long), nil }).Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Unreachable, `secret "bmc" is longer than the 20 bytes`)
	at := b.Policy
	at.User = "administrator-of-all"
	outcome, text = NewIPMI(at, b.Secret).Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Unreachable, "longer than the 16 bytes")
	outcome, text = NewIPMI(b.Policy, func(policy.Secret) ([]byte, error) { return nil, errors.New("no such file") }).Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Unreachable, `read secret "bmc": no such file`)
}

// TestIPMIRestart restarts the BMC between two actions: each has a session of
// its own, so none is asked for that the BMC has forgotten.
func TestIPMIRestart(t *testing.T) {
	b := peertest.StartBMC(t)
	i := ipmiOf(t, b)
	seen, text := i.Look(t.Context())
	want(t, seen, text, 0, "power is on")
	b.Restart()
	outcome, text := i.Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Accepted, "control 0")
}

// TestIPMIHung freezes the BMC, and tries with a deadline, with none and with a
// cancelled context. Nothing was ordered, so the host is unreachable; when the
// BMC comes back, what is old must not be carried out.
func TestIPMIHung(t *testing.T) {
	b := peertest.StartBMC(t)
	i := ipmiOf(t, b)
	b.Freeze()
	ctx, stop := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer stop()
	outcome, text := i.Do(ctx, shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Unreachable, "deadline")
	outcome, text = i.Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Unreachable, "no answer")
	seen, text := i.Look(t.Context())
	want(t, seen, text, 0, "no answer")
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(100*time.Millisecond, cancel)
	outcome, text = i.Do(ctx, shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Unreachable, "called off")
	b.Thaw()
	seen, text = i.Look(t.Context())
	want(t, seen, text, 0, "power is on")
	if len(b.Orders()) > 0 {
		t.Errorf("the BMC was ordered %q", b.Orders())
	}
}

// TestIPMIGone asks an address where nobody listens.
func TestIPMIGone(t *testing.T) {
	noGoroutineLeft(t)
	// A socket with a peer keeps its port, and refuses what others send there.
	conn, err := net.Dial("udp", "127.0.0.1:9")
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	i := NewIPMI(policy.BMC{Address: conn.LocalAddr().String(), User: "admin", Password: "bmc"}, secretTest)
	outcome, text := i.Do(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Unreachable, "connection refused")
}

// TestIPMILost loses the chassis control or its answer, which is the sixth
// exchange of an action: open session, two RAKP messages, privilege level, status,
// control. The order must arrive once, and what is not known must not be claimed.
func TestIPMILost(t *testing.T) {
	for _, c := range []struct {
		name    string
		lose    func(n, try int, ask func() []byte) [][]byte
		deaf    bool
		outcome shutdown.Outcome
		words   string
		orders  []string
	}{
		{"the request", func(n, try int, ask func() []byte) [][]byte {
			if n == 6 {
				return nil
			}
			return [][]byte{ask()}
		}, false, shutdown.Unknown, "control 5", nil},
		{"its answers", func(n, try int, ask func() []byte) [][]byte {
			if d := ask(); n != 6 {
				return [][]byte{d}
			}
			return nil
		}, false, shutdown.Accepted, "power is off", []string{"shutdown 1"}},
		{"its answers, from a host that does not follow", func(n, try int, ask func() []byte) [][]byte {
			if d := ask(); n != 6 {
				return [][]byte{d}
			}
			return nil
		}, true, shutdown.Unknown, "control 5", []string{"shutdown 1"}},
		{"all from there on", func(n, try int, ask func() []byte) [][]byte {
			if d := ask(); n < 6 {
				return [][]byte{d}
			}
			return nil
		}, false, shutdown.Unknown, "control 5", []string{"shutdown 1"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := peertest.StartBMC(t)
			if c.deaf {
				b.Deafen()
			}
			noGoroutineLeft(t)
			at := b.Policy
			at.Address = relay(t, at.Address, func(n, try int, request []byte, ask func() []byte) [][]byte { return c.lose(n, try, ask) })
			outcome, text := NewIPMI(at, b.Secret).Do(t.Context(), shutdown.VerbShutDown)
			want(t, outcome, text, c.outcome, c.words)
			if !slices.Equal(b.Orders(), c.orders) {
				t.Errorf("the BMC was ordered %q, want %q", b.Orders(), c.orders)
			}
		})
	}
}

// TestIPMIForged answers the status request of a running host with forged
// datagrams that say "off", or that cannot be read, before the true answer and
// instead of it. None may be believed, and none may end the process.
func TestIPMIForged(t *testing.T) {
	b := peertest.StartBMC(t)
	off := []byte{0x81, 0x04, 0x7b, 0x20, 3 << 2, 0x01, 0x00, 0x00, 0x00, 0x00, 0} // table 28-3: bit 0 of the second byte is not set
	header := func(flags byte, size int) []byte {
		return []byte{6, 0, 0xff, 7, 6, flags, 0xa3, 0xa2, 0xa1, 0xa0, 9, 0, 0, 0, byte(size), 0}
	}
	signature := append([]byte{0xff, 0xff, 2, 7}, make([]byte, 12)...)
	for name, forged := range map[string][]byte{
		"IPMI 1.5":          append([]byte{6, 0, 0xff, 7, 0, 0, 0, 0, 0, 0, 0, 0, 0, byte(len(off))}, off...),
		"plain":             append(header(0x00, len(off)), off...),
		"signed wrongly":    slices.Concat(header(0x40, len(off)), off, signature),
		"encrypted badly":   slices.Concat(header(0xc0, 32), make([]byte, 32), signature),
		"encrypted, short":  slices.Concat(header(0xc0, 4), make([]byte, 4), signature),
		"longer than it is": slices.Concat(header(0xc0, 200), make([]byte, 32), signature),
		"empty":             {},
		"cut":               header(0xc0, 32)[:7],
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel() // each waits for answers that do not come
			for _, truth := range []bool{true, false} {
				at := b.Policy
				at.Address = relay(t, at.Address, func(n, try int, request []byte, ask func() []byte) [][]byte {
					switch d := ask(); {
					case n != 5:
						return [][]byte{d}
					case truth:
						return [][]byte{forged, d}
					}
					return [][]byte{forged}
				})
				seen, text := NewIPMI(at, b.Secret).Look(t.Context())
				if truth {
					want(t, seen, text, 0, "power is on")
				} else {
					want(t, seen, text, 0, "")
				}
			}
		})
	}
}

// TestIPMIDowngraded answers an open session request with weaker algorithms than
// were asked for: none may be taken, or the password would protect nothing.
func TestIPMIDowngraded(t *testing.T) {
	b := peertest.StartBMC(t)
	for name, where := range map[string]int{"authentication": 16, "integrity": 24, "confidentiality": 32} { // IPMI 2.0, table 13-10
		t.Run(name, func(t *testing.T) {
			t.Parallel() // each waits for answers that do not come
			at := b.Policy
			var messages []byte
			at.Address = relay(t, at.Address, func(n, try int, request []byte, ask func() []byte) [][]byte {
				messages = append(messages, request[5])
				d := ask()
				d[headerSize+where] = 0
				return [][]byte{d}
			})
			seen, text := NewIPMI(at, b.Secret).Look(t.Context())
			want(t, seen, text, 0, "no answer")
			if slices.Contains(messages, rakp1) {
				t.Error("the session was gone on with")
			}
		})
	}
}

// TestIPMIGarbled spoils the answers of a running host at random, one to three
// bytes or the length, and lets the true one follow. Whatever comes of it, the
// host is not seen off, and the process lives. The seed is in the failure.
func TestIPMIGarbled(t *testing.T) {
	b := peertest.StartBMC(t)
	noGoroutineLeft(t)
	for seed := range uint64(500) {
		random := rand.New(rand.NewPCG(seed, 1))
		spoil := 1 + random.IntN(7) // the exchange whose answer is spoilt
		at := b.Policy
		at.Address = relay(t, at.Address, func(n, try int, request []byte, ask func() []byte) [][]byte {
			d := ask()
			if n != spoil || len(d) == 0 {
				return [][]byte{d}
			}
			bad := bytes.Clone(d)
			for range 1 + random.IntN(3) {
				bad[random.IntN(len(bad))] ^= byte(1 + random.IntN(255))
			}
			return [][]byte{bad[:len(bad)-random.IntN(2)*random.IntN(len(bad))], d}
		})
		ctx, stop := context.WithTimeout(t.Context(), 3*time.Second)
		if seen, text := NewIPMI(at, b.Secret).Look(ctx); seen != 0 {
			t.Errorf("seed %d: seen %v: %s", seed, seen, text)
		}
		stop()
	}
}

// TestIPMITogether runs many actions, four at a time: each has its own session.
// The simulator does not have so many, so that none may be left open.
func TestIPMITogether(t *testing.T) {
	b := peertest.StartBMC(t)
	i := ipmiOf(t, b)
	var all sync.WaitGroup
	for range 4 {
		all.Go(func() {
			for range 20 {
				seen, text := i.Look(t.Context())
				want(t, seen, text, 0, "power is on")
			}
		})
	}
	all.Wait()
}

// relay stands between the action and the BMC. For each request pass gets its
// number, from 1, how often it has come, and a function that asks the BMC; what
// it gives is what the action receives.
func relay(t *testing.T, to string, pass func(n, try int, request []byte, ask func() []byte) [][]byte) string {
	t.Helper()
	front, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	back, err := net.Dial("udp", to)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	t.Cleanup(func() {
		front.Close()
		back.Close()
		<-done
	})
	go func() {
		defer close(done)
		buf := make([]byte, 4096)
		var request []byte
		for n, try := 0, 0; ; {
			size, from, err := front.ReadFrom(buf)
			if err != nil {
				return
			}
			if try++; !bytes.Equal(request, buf[:size]) {
				n, try, request = n+1, 1, bytes.Clone(buf[:size])
			}
			ask := func() []byte {
				_, _ = back.Write(request)
				within := time.Minute
				if try > 1 {
					within = 300 * time.Millisecond // a repeat gets no answer
				}
				_ = back.SetReadDeadline(time.Now().Add(within))
				size, err := back.Read(buf)
				if err != nil {
					return nil
				}
				return bytes.Clone(buf[:size])
			}
			for _, d := range pass(n, try, request, ask) {
				if d != nil {
					_, _ = front.WriteTo(d, from)
				}
			}
		}
	}()
	return front.LocalAddr().String()
}

// TestGuardUnreadable signs answers properly, as a faulty BMC would, that cannot
// be decrypted or are no whole message: the library must not get them. The one
// that can be read is let in, so the signatures are right.
func TestGuardUnreadable(t *testing.T) {
	g := &guard{algorithms: suitesAllowed[17], user: "admin", password: "secret-test", awaited: inSession}
	g.agree(make([]byte, 16))
	iv := make([]byte, 16)
	whole, err := crypto.EncryptAESPayload(make([]byte, 8), g.encrypting, iv)
	if err != nil {
		t.Fatal(err)
	}
	cut, err := crypto.EncryptAESPayload(make([]byte, 7), g.encrypting, iv)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name    string
		payload []byte
		genuine bool
	}{
		{"whole", whole, true},
		{"too few bytes for a message", cut, false},
		{"no block", iv, false},
		{"half a block", append(bytes.Clone(whole), 1, 2, 3, 4, 5, 6, 7, 8), false},
		{"wrong padding", append(bytes.Clone(iv), bytes.Repeat([]byte{7}, 16)...), false},
	} {
		d := append([]byte{6, 0, 0xff, 7, 6, inSession, 0, 0, 0, 0, 0, 0, 0, 0, byte(len(c.payload)), 0}, c.payload...)
		d = append(d, 0xff, 0xff, 2, 7)
		code, err := crypto.SessionIntegrityAuthCode(g.algorithms.integrity, d[4:], g.signing, "")
		if err != nil {
			t.Fatal(err)
		}
		if got := g.genuine(append(d, code...)); got != c.genuine {
			t.Errorf("%s: let in is %t, want %t", c.name, got, c.genuine)
		}
	}
}

// Aim: a check says whether an order would get through, and gives none. Method:
// ipmi_sim with the right and a wrong password, and one that does not answer;
// its own list of orders stays empty.
func TestIPMICheck(t *testing.T) {
	b := peertest.StartBMC(t)
	i := ipmiOf(t, b)
	outcome, text := i.Check(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Accepted, "power is on")
	outcome, text = NewIPMI(b.Policy, func(policy.Secret) ([]byte, error) { return []byte("another"), nil }).Check(t.Context(), shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Refused, "user or password")
	b.Freeze()
	ctx, stop := context.WithTimeout(t.Context(), 2*time.Second)
	defer stop()
	outcome, text = i.Check(ctx, shutdown.VerbPowerOff)
	want(t, outcome, text, shutdown.Unreachable, "no answer")
	b.Thaw()
	if got := b.Orders(); len(got) > 0 || !b.On() {
		t.Errorf("a check gave the orders %q", got)
	}
}
