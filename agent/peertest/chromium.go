package peertest

import (
	"bufio"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// Browser is a headless Chromium that is spoken to over a pair of pipes, in its
// DevTools protocol: one JSON object after the other, each ended by a zero byte.
type Browser struct {
	Events []Answer // since the last page was opened

	t        testing.TB
	to       *os.File
	answers  chan Answer
	target   string // the page that is open
	session  string
	last     int
	pictures string
}

// Answer is what the browser says, asked or not.
type Answer struct {
	ID     int             `json:"id"`
	Page   string          `json:"sessionId"`
	Method string          `json:"method"`
	Params json.RawMessage `json:"params"`
	Result json.RawMessage `json:"result"`
	Error  *struct {
		Message string `json:"message"`
	} `json:"error"`
}

// browserPatience is how long an answer may take: it ends a test that hangs, and
// measures nothing.
const browserPatience = time.Minute

// OpenBrowser starts one, of Debian's package chromium. Where pictures is not "", it is
// a folder to leave them in.
func OpenBrowser(t testing.TB, pictures string) *Browser {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal("the page is looked at in Chromium, which is not here: apt-get install -y --no-install-recommends chromium")
	}
	fromUs, to, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	from, fromIt, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", "--user-data-dir="+t.TempDir(), "--remote-debugging-pipe", "about:blank")
	cmd.ExtraFiles = []*os.File{fromUs, fromIt}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	fromUs.Close()
	fromIt.Close()
	b := &Browser{t: t, to: to, answers: make(chan Answer, 1000), pictures: pictures}
	go b.listen(from)
	t.Cleanup(func() {
		b.call("Browser.close", nil)
		ended := time.AfterFunc(browserPatience, func() { cmd.Process.Kill() })
		cmd.Wait()
		ended.Stop()
		to.Close()
	})
	return b
}

func (b *Browser) listen(from *os.File) {
	defer close(b.answers)
	r := bufio.NewReader(from)
	for {
		text, err := r.ReadBytes(0)
		if err != nil {
			return
		}
		var a Answer
		if json.Unmarshal(text[:len(text)-1], &a) == nil {
			b.answers <- a
		}
	}
}

// next waits for whatever the browser says next; events are kept.
func (b *Browser) next() Answer {
	b.t.Helper()
	select {
	case a, ok := <-b.answers:
		if !ok {
			b.t.Fatal("Chromium has ended")
		}
		if a.Method != "" && a.Page == b.session {
			b.Events = append(b.Events, a)
		}
		return a
	case <-time.After(browserPatience):
		b.t.Fatal("Chromium says nothing")
	}
	panic("not reached")
}

// call asks the browser for something and gives its answer.
func (b *Browser) call(method string, params map[string]any) json.RawMessage {
	b.t.Helper()
	b.last++
	id := b.last
	request := map[string]any{"id": id, "method": method}
	if params != nil {
		request["params"] = params
	}
	if b.session != "" && !strings.HasPrefix(method, "Browser.") {
		request["sessionId"] = b.session
	}
	text, err := json.Marshal(request)
	if err != nil {
		b.t.Fatal(err)
	}
	if _, err := b.to.Write(append(text, 0)); err != nil {
		b.t.Fatal(err)
	}
	for {
		if a := b.next(); a.ID == id && a.Method == "" {
			if a.Error != nil {
				b.t.Fatalf("%s: %s", method, a.Error.Message)
			}
			return a.Result
		}
	}
}

// field reads one string of an Answer.
func field(t testing.TB, result json.RawMessage, name string) string {
	t.Helper()
	var m map[string]any
	if err := json.Unmarshal(result, &m); err != nil {
		t.Fatal(err)
	}
	s, _ := m[name].(string)
	return s
}

// Open opens a page that runs no script, as wide as said.
func (b *Browser) Open(address string, width int, scheme string) {
	b.t.Helper()
	b.session = ""
	if b.target != "" {
		b.call("Target.closeTarget", map[string]any{"targetId": b.target}) // it may read itself again
	}
	b.target = field(b.t, b.call("Target.createTarget", map[string]any{"url": "about:blank"}), "targetId")
	b.session = field(b.t, b.call("Target.attachToTarget", map[string]any{"targetId": b.target, "flatten": true}), "sessionId")
	for _, domain := range []string{"Page", "Network", "Log", "Runtime"} {
		b.call(domain+".enable", nil)
	}
	b.call("Emulation.setScriptExecutionDisabled", map[string]any{"value": true})
	b.call("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": 844, "deviceScaleFactor": 1, "mobile": width < 600})
	b.call("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]any{{"name": "prefers-color-scheme", "value": scheme}}})
	b.Events = nil
	b.call("Page.navigate", map[string]any{"url": address})
	loaded := func(a Answer) bool { return a.Method == "Page.loadEventFired" }
	for !slices.ContainsFunc(b.Events, loaded) {
		b.next()
	}
}

// Ask evaluates an expression of ours in the page and gives its text. (The page
// itself runs none.)
func (b *Browser) Ask(expression string) string {
	b.t.Helper()
	var r struct {
		Result struct {
			Value any `json:"value"`
		} `json:"result"`
	}
	if err := json.Unmarshal(b.call("Runtime.evaluate", map[string]any{"expression": expression, "returnByValue": true}), &r); err != nil {
		b.t.Fatal(err)
	}
	return fmt.Sprint(r.Result.Value)
}

// TooWide asks whether the page is wider than its window.
func TooWide(window int) string {
	return fmt.Sprintf("document.documentElement.scrollWidth > %d", window)
}

// Keep writes a picture or a print of the page, where they are wanted.
func (b *Browser) Keep(name, method string, params map[string]any) {
	b.t.Helper()
	if b.pictures == "" {
		return
	}
	data, err := base64.StdEncoding.DecodeString(field(b.t, b.call(method, params), "data"))
	if err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(b.pictures, name), data, 0o644); err != nil {
		b.t.Fatal(err)
	}
}
