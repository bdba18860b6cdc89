package control

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"

	"ebbline/agent"
	"ebbline/shutdown"
)

// These tests speak over real sockets, and to tell users apart they run this
// test binary again as another user. Only the agent behind is a stand-in.

// askRole is the first argument by which this test binary runs as a client.
const askRole = "ask-the-agent"

func TestMain(m *testing.M) {
	if len(os.Args) == 4 && os.Args[1] == askRole && strings.HasPrefix(os.Args[3], "silent ") {
		os.Exit(saySilence(os.Args[2], strings.TrimPrefix(os.Args[3], "silent ")))
	}
	if len(os.Args) == 4 && os.Args[1] == askRole {
		c := NewClient(os.Args[2])
		var err error
		if os.Args[3] == "status" {
			_, _, err = c.Status(context.Background())
		} else {
			err = c.Order(context.Background(), shutdown.Hold)
		}
		if err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		fmt.Println("done")
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// saySilence opens so many connections, says so, and waits until the agent has
// closed them all.
func saySilence(path, number string) int {
	n, err := strconv.Atoi(number)
	var silent []net.Conn
	for err == nil && len(silent) < n {
		var c net.Conn
		if c, err = net.Dial("unix", path); err == nil {
			silent = append(silent, c)
		}
	}
	if err != nil {
		fmt.Println(err)
		return 1
	}
	fmt.Println("open")
	for _, c := range silent {
		if _, err := c.Read(make([]byte, 1)); !errors.Is(err, io.EOF) && !errors.Is(err, syscall.ECONNRESET) {
			fmt.Println("a silent connection ends with", err)
			return 1
		}
	}
	fmt.Println("closed")
	return 0
}

// asUser makes this test binary a client of the agent, as another user.
func asUser(t *testing.T, path string, uid uint32, groups []uint32, what string) *exec.Cmd {
	t.Helper()
	if os.Getuid() != 0 {
		t.Skip("running as other users needs root")
	}
	exe := filepath.Join(filepath.Dir(path), "client")
	if _, err := os.Stat(exe); err != nil {
		text, err := os.ReadFile(os.Args[0])
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(exe, text, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command(exe, askRole, path, what)
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uid, Gid: 65534, Groups: groups}}
	return cmd
}

// fakeAgent notes what it is told.
type fakeAgent struct {
	mu     sync.Mutex
	orders []string
	fail   error
}

func (f *fakeAgent) View() agent.View { return agent.View{Site: "barn", Status: "rack normal"} }

func (f *fakeAgent) CommandHost(o shutdown.Order, c shutdown.Code, host, by string) error {
	if host == "needed" {
		return fmt.Errorf("%w: web needs it", agent.ErrRefused)
	}
	what := o.String()
	if o == shutdown.Clear {
		what += " " + c.String()
	}
	return f.note(what+" "+host, by)
}

func (f *fakeAgent) Command(o shutdown.Order, by string) error { return f.note(o.String(), by) }

func (f *fakeAgent) note(o, by string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.orders = append(f.orders, o+" by "+by)
	return f.fail
}

func (f *fakeAgent) taken() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.orders)
}

// serve starts a server in a folder of its own that everybody may enter.
func serve(t *testing.T, operators int) (path string, a *fakeAgent) {
	t.Helper()
	dir, err := os.MkdirTemp("/tmp", "ebbline-control") // short: a socket's path has 108 bytes at most
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	path, a = filepath.Join(dir, "agent.sock"), &fakeAgent{}
	start(t, Config{Path: path, OperatorGID: operators}, a)
	return path, a
}

func start(t *testing.T, c Config, a Agent) {
	t.Helper()
	s, err := Listen(c, a)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	over := make(chan error)
	go func() { over <- s.Serve(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-over; err != nil {
			t.Error(err)
		}
		if _, err := os.Lstat(c.Path); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("the socket is left behind: %v", err)
		}
	})
}

// The status and an order go the whole way, and the agent learns who gave it.
func TestStatusAndOrder(t *testing.T) {
	path, a := serve(t, -1)
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o660 {
		t.Errorf("the socket's mode is %v, %v", info.Mode(), err)
	}
	c := NewClient(path)
	v, raw, err := c.Status(context.Background())
	if err != nil || v.Site != "barn" || !strings.Contains(string(raw), `"status": "rack normal"`) {
		t.Errorf("status: %+v, %s, %v", v, raw, err)
	}
	if err := c.Order(context.Background(), shutdown.Abort); err != nil {
		t.Fatal(err)
	}
	me, err := user.Current()
	if err != nil {
		t.Fatal(err)
	}
	want := fmt.Sprintf("abort by user %s (%s), process %d", me.Uid, me.Username, os.Getpid())
	if got := a.taken(); !slices.Equal(got, []string{want}) {
		t.Errorf("orders %q, want %q", got, want)
	}
	a.fail = errors.New("the agent is busy")
	if err := c.Order(context.Background(), shutdown.Hold); err == nil || !strings.Contains(err.Error(), "busy") {
		t.Errorf("an order that is not taken: %v", err)
	}
}

// Who may do what: another user without the socket's group cannot connect; with
// it, the status; with the operators' group too, an order. Method: this binary
// as user 65534 with the groups given.
func TestWhoMay(t *testing.T) {
	const operators = 61234
	path, a := serve(t, operators)
	for _, c := range []struct {
		what   string
		groups []uint32
		may    bool
		says   string
	}{
		{"status", nil, false, "you may not speak"},
		{"status", []uint32{0}, true, "done"},
		{"order", []uint32{0}, false, "user 65534"},
		{"order", []uint32{operators}, false, "you may not speak"},
		{"order", []uint32{0, operators}, true, "done"},
	} {
		out, err := asUser(t, path, 65534, c.groups, c.what).CombinedOutput()
		if (err == nil) != c.may || !strings.Contains(string(out), c.says) {
			t.Errorf("%s with groups %v: %v, %s", c.what, c.groups, err, out)
		}
	}
	if n := len(a.taken()); n != 1 {
		t.Errorf("%d orders were taken: %q", n, a.taken())
	}
}

// A folder in which others may write, or that is another's, is refused; so is a
// socket at which somebody listens, and a file; a stale socket is replaced.
func TestPlaces(t *testing.T) {
	listen := func(path string) error {
		s, err := Listen(Config{Path: path, OperatorGID: -1}, &fakeAgent{})
		if err == nil {
			s.ln.Close()
		}
		return err
	}
	dir := t.TempDir()
	refused := func(path, says string) {
		t.Helper()
		if err := listen(path); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v, want %q", path, err, says)
		}
	}
	refused(filepath.Join(dir, "none", "s"), "install -d")
	open := filepath.Join(dir, "open")
	if err := os.Mkdir(open, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(open, 0o777); err != nil {
		t.Fatal(err)
	}
	refused(filepath.Join(open, "s"), "chmod go-w")
	if os.Getuid() == 0 {
		other := filepath.Join(dir, "other")
		if err := os.Mkdir(other, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.Chown(other, 65534, 65534); err != nil {
			t.Fatal(err)
		}
		refused(filepath.Join(other, "s"), "belongs to user 65534")
	}
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	refused(file, "no socket")

	taken := filepath.Join(dir, "taken")
	ln, err := net.ListenUnix("unix", &net.UnixAddr{Name: taken, Net: "unix"})
	if err != nil {
		t.Fatal(err)
	}
	refused(taken, "somebody listens")
	ln.SetUnlinkOnClose(false)
	ln.Close()
	if err := listen(taken); err != nil {
		t.Errorf("a stale socket: %v", err)
	}
}

// Requests that are no good get an answer that says what is wrong, and reach no
// agent.
func TestBadRequests(t *testing.T) {
	path, a := serve(t, -1)
	client := http.Client{Transport: &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return net.Dial("unix", path)
	}}}
	defer client.CloseIdleConnections()
	for _, c := range []struct {
		method, path, body string
		code               int
		says               string
	}{
		{"POST", orderPath, `{"order": "explode"}`, 400, "There are hold, release, proceed and abort"},
		{"POST", orderPath, `{"order": "stop"}`, 400, "stop needs a host"},
		{"POST", orderPath, `{"order": "hold", "host": "web"}`, 400, "hold is for all hosts"},
		{"POST", orderPath, `{"order": "clear", "host": "web"}`, 400, "that needs one"},
		{"POST", orderPath, `{"order": "stop", "host": "web", "condition": "host-given-up"}`, 400, "is for the order clear"},
		{"POST", orderPath, `{"order": "clear", "host": "web", "condition": "phase"}`, 400, "no condition is called"},
		{"POST", orderPath, `{"order": "stop", "host": "needed"}`, 409, "web needs it"},
		{"POST", orderPath, `{"order": "hold"`, 400, "an order is written"},
		{"POST", orderPath, `{"order": "hold", "by": "root"}`, 400, "unknown field"},
		{"POST", orderPath, `{"order": "hold"}{"order": "abort"}`, 400, "nothing behind it"},
		{"POST", orderPath, `{"order": "` + strings.Repeat("x", 600) + `"}`, 400, "too large"},
		{"GET", orderPath, "", 405, ""},
		{"POST", statusPath, "", 405, ""},
		{"GET", "/", "", 404, ""},
	} {
		req, err := http.NewRequest(c.method, "http://agent"+c.path, strings.NewReader(c.body))
		if err != nil {
			t.Fatal(err)
		}
		resp, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		text, _ := io.ReadAll(resp.Body)
		resp.Body.Close()
		if resp.StatusCode != c.code || !strings.Contains(string(text), c.says) {
			t.Errorf("%s %s %.40s: %d %s, want %d %q", c.method, c.path, c.body, resp.StatusCode, text, c.code, c.says)
		}
	}
	if got := a.taken(); len(got) > 0 {
		t.Errorf("orders were taken: %q", got)
	}
}

// Aim: users who may only look, and say nothing, lock nobody out who may give
// orders, nor another user who may look; and their connections are closed. Method:
// this binary as four users of the socket's group with 400 connections each, while
// the test, as root, asks and orders.
func TestSilentConnections(t *testing.T) {
	const operators = 61234
	path, a := serve(t, operators)
	root := NewClient(path)
	asked := func(when string) {
		t.Helper()
		if _, _, err := root.Status(context.Background()); err != nil {
			t.Errorf("status, %s: %v", when, err)
		}
		if err := root.Order(context.Background(), shutdown.Hold); err != nil {
			t.Errorf("order, %s: %v", when, err)
		}
		if out, err := asUser(t, path, 65521, []uint32{0, operators}, "order").CombinedOutput(); err != nil {
			t.Errorf("an operator's order, %s: %v, %s", when, err, out)
		}
	}
	for uid := uint32(65530); uid < 65534; uid++ {
		cmd := asUser(t, path, uid, []uint32{0}, "silent 400")
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		said := bufio.NewReader(out)
		if line, err := said.ReadString('\n'); line != "open\n" {
			t.Fatalf("user %d: %q, %v", uid, line, err)
		}
		asked(fmt.Sprintf("with %d users silent", uid-65529))
		defer func() {
			if line, err := said.ReadString('\n'); line != "closed\n" {
				t.Errorf("user %d: %q, %v", uid, line, err)
			}
			if err := cmd.Wait(); err != nil {
				t.Errorf("user %d: %v", uid, err)
			}
		}()
	}
	if n := len(a.taken()); n != 8 {
		t.Errorf("%d orders were taken, want 8", n)
	}
}

// Aim: the places are shared out as the comment at them says. Method: users come
// and go at the list of places alone.
func TestPlacesAreShared(t *testing.T) {
	l := &limited{mayOrder: func(p peer) bool { return p.uid == 0 }}
	places := map[uint32][]func(){}
	user := func(uid uint32) peer { return peer{known: true, uid: uid} }
	enter := func(uid uint32, want int) {
		t.Helper()
		got := 0
		for range 2 * connections {
			if leave, ok := l.enter(user(uid)); ok {
				got++
				places[uid] = append(places[uid], leave)
			}
		}
		if got != want {
			t.Errorf("user %d has %d places, want %d", uid, got, want)
		}
	}
	enter(1, perUser)
	enter(2, perUser)
	enter(3, perUser)
	enter(4, 0)
	enter(0, perUser)
	places[2][0]()
	enter(4, 0) // the user with the right to order has taken what was left for the others
	for _, leave := range places[0] {
		leave()
	}
	enter(4, 1)
	if _, ok := l.enter(peer{}); ok {
		t.Error("one whom the kernel does not name has a place")
	}
	for _, list := range places {
		for _, leave := range list {
			leave() // one whose place was given back already has none to give
		}
	}
	if n := l.places.Open(); n != 0 {
		t.Errorf("all have left, and %d are open", n)
	}
}

// A client without a place says why.
func TestNoPlace(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	ln, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			c.Close()
		}
	}()
	if _, _, err := NewClient(path).Status(context.Background()); err == nil || !strings.Contains(err.Error(), "it takes 8 of a user") {
		t.Errorf("closed at once: %v", err)
	}
}

// Without an agent the client says where it looked and what to do.
func TestNoAgent(t *testing.T) {
	path := filepath.Join(t.TempDir(), "none.sock")
	if _, _, err := NewClient(path).Status(context.Background()); err == nil || !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), "systemctl status ebbline") {
		t.Errorf("no socket: %v", err)
	}
}

// Nothing in a request's body makes the reader fail, and only whole orders come out.
func FuzzOrder(f *testing.F) {
	f.Add([]byte(`{"order":"hold"}`))
	f.Add([]byte(`{"order":"proceed"} `))
	f.Add([]byte(`{"order":"stop","host":"web"}`))
	f.Add([]byte(`{"order":"clear","condition":"host-given-up","host":"web"}`))
	f.Add([]byte(`[1]`))
	f.Fuzz(func(t *testing.T, body []byte) {
		o, err := readOrder(bytes.NewReader(body))
		one := o.Order.OfHost() && (o.Host != "" || o.Order == shutdown.Clear) && (o.Order == shutdown.Clear) == (o.Condition != 0)
		all := o.Order >= shutdown.Hold && o.Order <= shutdown.Release && o.Host == "" && o.Condition == 0
		if err == nil && !one && !all {
			t.Errorf("%q gives %+v", body, o)
		}
		if err == nil && !bytes.Contains(bytes.ToLower(body), []byte(`order`)) && !bytes.Contains(body, []byte(`\u`)) {
			t.Errorf("%q gives the order %s", body, o.Order)
		}
	})
}

// Aim: whatever is sent to the socket, the server lives, and an order reaches the
// agent only from a POST to its path that names it. Method: the fuzzer's bytes
// over a real socket; then an ordinary question is answered.
func FuzzConnection(f *testing.F) {
	f.Add([]byte("GET /status HTTP/1.1\r\nHost: a\r\n\r\n"))
	f.Add([]byte("POST /order HTTP/1.1\r\nHost: a\r\nContent-Length: 16\r\n\r\n{\"order\":\"hold\"}"))
	f.Add([]byte("POST /order HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: chunked\r\n\r\n10\r\n{\"order\":\"hold\"}\r\n0\r\n\r\n"))
	f.Add([]byte("PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"))
	f.Add([]byte{0x16, 3, 1})
	path := filepath.Join(f.TempDir(), "s")
	a := &fakeAgent{}
	s, err := Listen(Config{Path: path, OperatorGID: -1}, a)
	if err != nil {
		f.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	over := make(chan error)
	go func() { over <- s.Serve(ctx) }()
	f.Cleanup(func() { stop(); <-over })
	f.Fuzz(func(t *testing.T, text []byte) {
		before := len(a.taken())
		c, err := net.Dial("unix", path)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		c.Write(text)
		c.(*net.UnixConn).CloseWrite()
		io.Copy(io.Discard, c)
		if n := len(a.taken()); n > before && !(bytes.HasPrefix(text, []byte("POST")) && bytes.Contains(text, []byte("/order"))) {
			t.Errorf("%q is taken for an order", text)
		}
		if _, _, err := NewClient(path).Status(context.Background()); err != nil {
			t.Errorf("after %q: %v", text, err)
		}
	})
}
