package report

import (
	"bufio"
	"encoding/base64"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

var pictures = flag.String("pictures", "", "a folder to leave the pages' pictures in, for looking at")

// browser is a headless Chromium that is spoken to over a pair of pipes, in its
// DevTools protocol: one JSON object after the other, each ended by a zero byte.
type browser struct {
	t       *testing.T
	to      *os.File
	answers chan answer
	session string
	last    int
	events  []answer
}

type answer struct {
	ID     int             `json:"id"`
	Method string          `json:"method"`
	Params json.RawMessage `json:"params"`
	Result json.RawMessage `json:"result"`
	Error  *struct {
		Message string `json:"message"`
	} `json:"error"`
}

// patience is how long an answer may take: it ends a test that hangs, and
// measures nothing.
const patience = time.Minute

func openBrowser(t *testing.T) *browser {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal("the report is looked at in Chromium, which is not here: apt-get install -y --no-install-recommends chromium")
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
	b := &browser{t: t, to: to, answers: make(chan answer, 1000)}
	go b.listen(from)
	t.Cleanup(func() {
		b.call("Browser.close", nil)
		ended := time.AfterFunc(patience, func() { cmd.Process.Kill() })
		cmd.Wait()
		ended.Stop()
		to.Close()
	})
	return b
}

func (b *browser) listen(from *os.File) {
	defer close(b.answers)
	r := bufio.NewReader(from)
	for {
		text, err := r.ReadBytes(0)
		if err != nil {
			return
		}
		var a answer
		if json.Unmarshal(text[:len(text)-1], &a) == nil {
			b.answers <- a
		}
	}
}

// next waits for whatever the browser says next; events are kept.
func (b *browser) next() answer {
	b.t.Helper()
	select {
	case a, ok := <-b.answers:
		if !ok {
			b.t.Fatal("Chromium has ended")
		}
		if a.Method != "" {
			b.events = append(b.events, a)
		}
		return a
	case <-time.After(patience):
		b.t.Fatal("Chromium says nothing")
	}
	panic("not reached")
}

// call asks the browser for something and gives its answer.
func (b *browser) call(method string, params map[string]any) json.RawMessage {
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

// field reads one string of an answer.
func field(t *testing.T, result json.RawMessage, name string) string {
	t.Helper()
	var m map[string]any
	if err := json.Unmarshal(result, &m); err != nil {
		t.Fatal(err)
	}
	s, _ := m[name].(string)
	return s
}

// open opens a page that runs no script, as wide as said.
func (b *browser) open(address string, width int, scheme string) {
	b.t.Helper()
	b.session = ""
	target := field(b.t, b.call("Target.createTarget", map[string]any{"url": "about:blank"}), "targetId")
	b.session = field(b.t, b.call("Target.attachToTarget", map[string]any{"targetId": target, "flatten": true}), "sessionId")
	for _, domain := range []string{"Page", "Network", "Log", "Runtime"} {
		b.call(domain+".enable", nil)
	}
	b.call("Emulation.setScriptExecutionDisabled", map[string]any{"value": true})
	b.call("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": 844, "deviceScaleFactor": 1, "mobile": width < 600})
	b.call("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]any{{"name": "prefers-color-scheme", "value": scheme}}})
	b.events = nil
	b.call("Page.navigate", map[string]any{"url": address})
	loaded := func(a answer) bool { return a.Method == "Page.loadEventFired" }
	for !slices.ContainsFunc(b.events, loaded) {
		b.next()
	}
}

// ask evaluates an expression of ours in the page and gives its text. (The page
// itself runs none.)
func (b *browser) ask(expression string) string {
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

// tooWide asks whether the page is wider than its window.
func tooWide(window int) string {
	return fmt.Sprintf("document.documentElement.scrollWidth > %d", window)
}

// keep writes a picture or a print of the page, where they are wanted.
func (b *browser) keep(name, method string, params map[string]any) {
	b.t.Helper()
	if *pictures == "" {
		return
	}
	data, err := base64.StdEncoding.DecodeString(field(b.t, b.call(method, params), "data"))
	if err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(*pictures, name), data, 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// Aim: people see the report as it is meant: whole, on a phone and on a desk, in
// light and dark, with no script, no network and no complaint of the browser's.
// Method: a real Chromium opens the sample from a file with scripts turned off.
// It must ask for nothing but that file and log nothing; the page must be no
// wider than the window; the verdict must stand on the first screen; and the
// colours must follow the scheme that is preferred.
func TestPageInChromium(t *testing.T) {
	b := openBrowser(t)
	d := sample()
	path := filepath.Join(t.TempDir(), "report.html")
	if err := os.WriteFile(path, []byte(write(t, d)), 0o644); err != nil {
		t.Fatal(err)
	}
	b.look(path, "", d.Verdict.String())
	b.keep("print.pdf", "Page.printToPDF", map[string]any{"printBackground": false})
}

// look opens a page in all widths and schemes and holds it to what the test of it
// says; want is its verdict.
func (b *browser) look(path, prefix, want string) {
	b.t.Helper()
	grounds := map[string]string{"light": "rgb(255, 255, 255)", "dark": "rgb(20, 24, 29)"}
	for _, width := range []int{390, 1100} {
		for _, scheme := range []string{"light", "dark"} {
			b.open("file://"+path, width, scheme)
			name := fmt.Sprintf("%s%s-%d", prefix, scheme, width)
			for _, e := range b.events {
				switch e.Method {
				case "Network.requestWillBeSent":
					var r struct{ Request struct{ URL string } }
					if json.Unmarshal(e.Params, &r); r.Request.URL != "file://"+path && !strings.HasPrefix(r.Request.URL, "data:") {
						b.t.Errorf("%s: the page asks for %s", name, r.Request.URL)
					}
				case "Log.entryAdded", "Runtime.consoleAPICalled", "Runtime.exceptionThrown":
					b.t.Errorf("%s: the browser complains: %s", name, e.Params)
				}
			}
			if b.ask(tooWide(width)) != "false" {
				b.t.Errorf("%s: the page is %s wide", name, b.ask("document.documentElement.scrollWidth"))
			}
			verdict := b.ask(`(() => { const v = document.querySelector(".verdict"), r = v.getBoundingClientRect();
				return [v.innerText, r.top >= 0 && r.bottom <= innerHeight && r.left >= 0 && r.right <= innerWidth].join("|") })()`)
			if verdict != want+"|true" {
				b.t.Errorf("%s: on the first screen the verdict is %q", name, verdict)
			}
			if got := b.ask("getComputedStyle(document.body).backgroundColor"); got != grounds[scheme] {
				b.t.Errorf("%s: the ground is %s, not %s", name, got, grounds[scheme])
			}
			if got := b.ask(`[...document.querySelectorAll("svg")].filter(s => s.getBoundingClientRect().width < 40).length`); got != "0" {
				b.t.Errorf("%s: %s drawings have no size", name, got)
			}
			// Each part that is cut off has a shadow at its edge, and says so in words
			// where that is known beforehand; none that is whole does.
			got := b.ask(`[...document.querySelectorAll(".scroll")].filter(s => {
				const cut = s.scrollWidth > s.clientWidth, style = getComputedStyle(s);
				return !style.backgroundAttachment.includes("local") || s.matches(".wide") && cut !== (getComputedStyle(s, "::before").content !== "none") })
				.map(s => s.getAttribute("aria-label") + " " + s.scrollWidth + " in " + s.clientWidth).join("; ")`)
			if got != "" {
				b.t.Errorf("%s: cut off without a sign, or a sign without need: %s", name, got)
			}
			b.keep(name+".png", "Page.captureScreenshot", map[string]any{"captureBeyondViewport": true})
		}
	}
}

// Aim: the checks of the test above can fail. Method: a page that is too wide,
// loads something and has no dark colours; each is noticed.
func TestChromiumNotices(t *testing.T) {
	b := openBrowser(t)
	folder := t.TempDir()
	path := filepath.Join(folder, "bad.html")
	bad := `<!DOCTYPE html><meta name="viewport" content="width=device-width"><img src="other.png"><div style="width:900px">wide</div><script>document.title = "ran"</script>`
	if err := os.WriteFile(path, []byte(bad), 0o644); err != nil {
		t.Fatal(err)
	}
	b.open("file://"+path, 390, "dark")
	asked := slices.ContainsFunc(b.events, func(e answer) bool {
		return e.Method == "Network.requestWillBeSent" && strings.Contains(string(e.Params), "other.png")
	})
	if !asked {
		t.Error("a request for another file was not noticed")
	}
	if b.ask(tooWide(390)) != "true" {
		t.Error("a page that is too wide was not noticed")
	}
	if b.ask("document.title") == "ran" {
		t.Error("a script ran though scripts are off")
	}
}
