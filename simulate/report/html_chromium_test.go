package report

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"ebbline/agent/peertest"
)

var pictures = flag.String("pictures", "", "a folder to leave the pages' pictures in, for looking at")

// Aim: people see the report as it is meant: whole, on a phone and on a desk, in
// light and dark, with no script, no network and no complaint of the browser's.
// Method: a real Chromium opens the sample from a file with scripts turned off.
// It must ask for nothing but that file and log nothing; the page must be no
// wider than the window; the verdict must stand on the first screen; and the
// colours must follow the scheme that is preferred.
func TestPageInChromium(t *testing.T) {
	b := peertest.OpenBrowser(t, *pictures)
	d := sample()
	path := filepath.Join(t.TempDir(), "report.html")
	if err := os.WriteFile(path, []byte(write(t, d)), 0o644); err != nil {
		t.Fatal(err)
	}
	look(t, b, path, "", d.Verdict.String())
	b.Keep("print.pdf", "Page.printToPDF", map[string]any{"printBackground": false})
}

// look opens a page in all widths and schemes and holds it to what the test of it
// says; want is its verdict.
func look(t *testing.T, b *peertest.Browser, path, prefix, want string) {
	t.Helper()
	grounds := map[string]string{"light": "rgb(255, 255, 255)", "dark": "rgb(20, 24, 29)"}
	for _, width := range []int{390, 1100} {
		for _, scheme := range []string{"light", "dark"} {
			b.Open("file://"+path, width, scheme)
			name := fmt.Sprintf("%s%s-%d", prefix, scheme, width)
			for _, e := range b.Events {
				switch e.Method {
				case "Network.requestWillBeSent":
					var r struct{ Request struct{ URL string } }
					if json.Unmarshal(e.Params, &r); r.Request.URL != "file://"+path && !strings.HasPrefix(r.Request.URL, "data:") {
						t.Errorf("%s: the page asks for %s", name, r.Request.URL)
					}
				case "Log.entryAdded", "Runtime.consoleAPICalled", "Runtime.exceptionThrown":
					t.Errorf("%s: the browser complains: %s", name, e.Params)
				}
			}
			if b.Ask(peertest.TooWide(width)) != "false" {
				t.Errorf("%s: the page is %s wide", name, b.Ask("document.documentElement.scrollWidth"))
			}
			verdict := b.Ask(`(() => { const v = document.querySelector(".verdict"), r = v.getBoundingClientRect();
				return [v.innerText, r.top >= 0 && r.bottom <= innerHeight && r.left >= 0 && r.right <= innerWidth].join("|") })()`)
			if verdict != want+"|true" {
				t.Errorf("%s: on the first screen the verdict is %q", name, verdict)
			}
			if got := b.Ask("getComputedStyle(document.body).backgroundColor"); got != grounds[scheme] {
				t.Errorf("%s: the ground is %s, not %s", name, got, grounds[scheme])
			}
			if got := b.Ask(`[...document.querySelectorAll("svg")].filter(s => s.getBoundingClientRect().width < 40).length`); got != "0" {
				t.Errorf("%s: %s drawings have no size", name, got)
			}
			// Each part that is cut off has a shadow at its edge, and says so in words
			// where that is known beforehand; none that is whole does.
			got := b.Ask(`[...document.querySelectorAll(".scroll")].filter(s => {
				const cut = s.scrollWidth > s.clientWidth, style = getComputedStyle(s);
				return !style.backgroundAttachment.includes("local") || s.matches(".wide") && cut !== (getComputedStyle(s, "::before").content !== "none") })
				.map(s => s.getAttribute("aria-label") + " " + s.scrollWidth + " in " + s.clientWidth).join("; ")`)
			if got != "" {
				t.Errorf("%s: cut off without a sign, or a sign without need: %s", name, got)
			}
			b.Keep(name+".png", "Page.captureScreenshot", map[string]any{"captureBeyondViewport": true})
		}
	}
}

// Aim: the checks of the test above can fail. Method: a page that is too wide,
// loads something and has no dark colours; each is noticed.
func TestChromiumNotices(t *testing.T) {
	b := peertest.OpenBrowser(t, *pictures)
	folder := t.TempDir()
	path := filepath.Join(folder, "bad.html")
	bad := `<!DOCTYPE html><meta name="viewport" content="width=device-width"><img src="other.png"><div style="width:900px">wide</div><script>document.title = "ran"</script>`
	if err := os.WriteFile(path, []byte(bad), 0o644); err != nil {
		t.Fatal(err)
	}
	b.Open("file://"+path, 390, "dark")
	asked := slices.ContainsFunc(b.Events, func(e peertest.Answer) bool {
		return e.Method == "Network.requestWillBeSent" && strings.Contains(string(e.Params), "other.png")
	})
	if !asked {
		t.Error("a request for another file was not noticed")
	}
	if b.Ask(peertest.TooWide(390)) != "true" {
		t.Error("a page that is too wide was not noticed")
	}
	if b.Ask("document.title") == "ran" {
		t.Error("a script ran though scripts are off")
	}
}
