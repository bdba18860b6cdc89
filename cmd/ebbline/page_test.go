package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap"

	"ebbline/agent"
	"ebbline/agent/journal"
	"ebbline/agent/peertest"
	"ebbline/agent/web"
	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/shutdown"
	"ebbline/simulate/report"
)

var pictures = flag.String("pictures", "", "a folder to leave the pages' pictures in, for looking at")

// roomOf is a policy with so many hosts on one UPS, in chains of four: the hosts of one
// go one after the other.
func roomOf(t *testing.T, hosts int) *policy.Policy {
	t.Helper()
	var b strings.Builder
	fmt.Fprintf(&b, `
site "attic" {
  ride_through  = "2s"
  reserve       = "30s"
  stops_at_once = %d
}
ups "rack" {
  rated_watts = %[2]d
  battery {
    chemistry = "vrla"
    volts     = 48
    amp_hours = %[3]d
    installed = "2026-06-01"
  }
  snmp {
    address = "192.0.2.10"
    version = "2c"
  }
}
`, max(4, hosts/10), 200*hosts, 3+hosts*5/2)
	names := []string{"lab", "app", "nas", "router"}
	for i := range hosts {
		name, needs := names[i%4], ""
		if hosts > 4 {
			name = fmt.Sprintf("%s-%02d", name, i/4+1)
		}
		if i%4 < 3 && (i+1)%4 != 0 && i+1 < hosts {
			next := names[(i+1)%4]
			if hosts > 4 {
				next = fmt.Sprintf("%s-%02d", next, i/4+1)
			}
			needs = fmt.Sprintf("depends_on = [%q]", next)
		}
		fmt.Fprintf(&b, `
host %q {
  priority = %d
  fed_by   = ["rack"]
  watts    = %d
  stops_in = "%ds"
  gives_up = "%[4]ds"
  %[5]s
  ssh {
    address  = "192.0.2.20"
    user     = "ebbline"
    key      = secret("key")
    host_key = "SHA256:47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU"
  }
}
`, name, 10+20*(i%4)+i%7, 60+10*(i%4), 5+3*(i%4), needs)
	}
	p, _, diags := load.Load([]load.File{{Name: "attic.hcl", Bytes: []byte(b.String())}}, load.Options{})
	if p == nil {
		t.Fatal(diags)
	}
	return p
}

// standIns are a UPS and hosts that do as they are told: pages are looked at with
// them, and the decisions that they show are the real core's.
type standIns struct {
	battery atomic.Bool
	silent  atomic.Bool
	asked   []atomic.Bool // these draw nothing
	of      *policy.Policy

	hold  sync.Mutex   // while it is held the agent's loop stands still, at its next step
	later atomic.Int64 // by how much the agent's clock is before this one's
}

// Stepped implements [agent.Observer].
func (s *standIns) Stepped(shutdown.Instant, *shutdown.Event, []shutdown.Effect, *policy.Policy, *shutdown.State) {
	s.hold.Lock()
	defer s.hold.Unlock()
}

func (s *standIns) elapsed() time.Duration {
	return time.Since(processStarted) + time.Hour + time.Duration(s.later.Load())
}

var processStarted = time.Now()

func (s *standIns) Poll(context.Context) (shutdown.Measurement, error) {
	if s.silent.Load() {
		return shutdown.Nothing, errors.New("no answer within 2s")
	}
	watts := policy.UsualWatts(s.of, 0)
	for k := range s.asked {
		if s.asked[k].Load() {
			watts -= int64(s.of.Hosts[k].Watts)
		}
	}
	m := shutdown.Nothing
	m.Source, m.Input, m.Battery, m.LoadWatts, m.ChargeTenths, m.InputDecivolts, m.TemperatureTenthsC = shutdown.FromInput, shutdown.LineGood, shutdown.StatusNormal, watts, 1000, 2304, 241
	if s.battery.Load() {
		m.Source, m.Input, m.InputDecivolts, m.ChargeTenths = shutdown.FromBattery, shutdown.LineBad, 0, shutdown.Unread
	}
	return m, nil
}

func (s *standIns) Do(_ context.Context, _ *policy.Policy, a shutdown.Action) (shutdown.Outcome, string) {
	if a.ID.Host == 1 {
		return shutdown.Refused, "permission denied" // for a condition to see
	}
	if a.ID.Host >= 0 {
		s.asked[a.ID.Host].Store(true)
	}
	return shutdown.Accepted, ""
}

type standInHost struct {
	s *standIns
	k int
}

func (h standInHost) Look(context.Context) (shutdown.Sighting, string) {
	if h.s.asked[h.k].Load() {
		return shutdown.SeenOff, ""
	}
	return shutdown.SeenUp, ""
}

// runRoom runs an agent with stand-ins for all that it reaches.
func runRoom(t *testing.T, p *policy.Policy) (*agent.Agent, *standIns) {
	t.Helper()
	j, past, err := journal.Open(filepath.Join(t.TempDir(), "journal"))
	if err != nil {
		t.Fatal(err)
	}
	s := &standIns{asked: make([]atomic.Bool, len(p.Hosts)), of: p}
	a := agent.New(agent.Config{Observer: s, Elapsed: s.elapsed, Policy: p, Journal: j, Past: past, Log: zap.NewNop(), Wire: func(p *policy.Policy) (*agent.Parts, error) {
		parts := &agent.Parts{Sources: []agent.Source{s}, Doer: s, Connectors: make([]agent.Connector, len(p.Hosts))}
		for k := range p.Hosts {
			parts.Lookers = append(parts.Lookers, standInHost{s, k})
		}
		return parts, nil
	}})
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan error)
	go func() { over <- a.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
		j.Close()
	})
	return a, s
}

func untilTrue(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); !ok(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("not within two minutes: %s", what)
		}
	}
}

// Aim: people see at a glance how things stand, on a phone and on a desk, in light and
// dark, with 4 and with 300 hosts, in a normal hour and in the middle of an outage.
// Method: a real agent whose UPS and hosts are stand-ins, its page by the server's own
// handler, in a real Chromium with scripts off. It must ask for nothing but the page,
// complain of nothing, be no wider than the window, have its headline on the first
// screen, say each host's name, and every drawing and table must have its words.
func TestPageInChromium(t *testing.T) {
	b := peertest.OpenBrowser(t, *pictures)
	for _, hosts := range []int{4, 300} {
		p := roomOf(t, hosts)
		a, s := runRoom(t, p)
		reports := t.TempDir()
		os.Mkdir(filepath.Join(reports, reportsFolder), 0o755)
		var past bytes.Buffer
		if err := report.OutageHTML(&past, &report.Outage{Title: "Outage 3 of attic", Verdict: "No host was stopped", Finding: report.Supports}); err != nil {
			t.Fatal(err)
		}
		os.WriteFile(filepath.Join(reports, reportsFolder, "20260803T021500Z-outage-3.html"), past.Bytes(), 0o644)
		seat := newSeat(a, reports, nil, zap.NewNop())
		server := httptest.NewServer(seat.pages())
		defer server.Close()
		untilTrue(t, "normal mode", func() bool {
			v := a.View()
			return len(v.UPSs) == 1 && v.UPSs[0].Phase == "normal" && v.UPSs[0].AnswerAgeSeconds != nil
		})
		look(t, b, server.URL, fmt.Sprintf("normal-%d", hosts), "Normal", p)
		checkCourse(t, a)
		s.battery.Store(true)
		untilTrue(t, "a quarter of the hosts are off", func() bool {
			v, off := a.View(), 0
			for _, h := range v.Hosts {
				if h.Off {
					off++
				}
			}
			return off >= len(p.Hosts)/4
		})
		look(t, b, server.URL, fmt.Sprintf("outage-%d", hosts), "On battery for", p)
		if hosts == 4 {
			stuck(t, b, server.URL, p, a, s)
			b.Open(server.URL+"/outages/20260803T021500Z-outage-3", 390, "light")
			if got := b.Ask(`(v => v.innerText + " " + getComputedStyle(v).color)(document.querySelector(".verdict"))`); got != "No host was stopped rgb(31, 107, 71)" {
				t.Errorf("the report of an outage is shown as %s", got)
			}
			for _, e := range b.Events {
				if e.Method == "Log.entryAdded" {
					t.Errorf("of the report the browser complains: %s", e.Params)
				}
			}
		}
	}
}

// Aim: that no order is given stands on the first screen, in a normal hour and in the
// middle of an outage, and no row says that a host was asked, or is off, that was not.
// Method: as above, with a whole site that is only watched and with one host of it.
func TestPageOfWatchedInChromium(t *testing.T) {
	b := peertest.OpenBrowser(t, *pictures)
	for _, of := range []string{"site", "hosts"} {
		p := roomOf(t, 4)
		p.Site.Observe = of == "site"
		for k := range p.Hosts {
			p.Hosts[k].Observe = of == "site" || p.Hosts[k].Name == "app"
		}
		a, s := runRoom(t, p)
		server := httptest.NewServer(newSeat(a, t.TempDir(), nil, zap.NewNop()).pages())
		defer server.Close()
		untilTrue(t, "normal mode", func() bool {
			v := a.View()
			return len(v.UPSs) == 1 && v.UPSs[0].Phase == "normal" && v.UPSs[0].AnswerAgeSeconds != nil
		})
		look(t, b, server.URL, "watched-"+of+"-normal", "Normal", p)
		s.battery.Store(true)
		untilTrue(t, "lab would have been asked, or was", func() bool {
			return slices.ContainsFunc(a.View().Hosts, func(h agent.HostView) bool { return h.Name == "lab" && (h.WouldBeAsked != nil || h.Asked != nil) })
		})
		look(t, b, server.URL, "watched-"+of+"-outage", "On battery for", p)
		b.Open(server.URL+"/still", 390, "light")
		if got := b.Ask(`[...document.querySelectorAll("header p")].some(x => x.innerText.startsWith("ONLY WATCH") && x.getBoundingClientRect().bottom <= innerHeight)`); got != "true" {
			t.Errorf("%s: the first screen does not say that no order is given", of)
		}
		watched := b.Ask(`[...document.querySelectorAll("details.table tbody tr")].filter(r => r.cells[1].innerText == "up (watched)" && /^(-|\(.*\))$/.test(r.cells[2].innerText)).map(r => r.cells[0].innerText).sort().join()`)
		if want := map[string]string{"site": hostList(p), "hosts": "app"}[of]; watched != want {
			t.Errorf("%s: shown as only watched are %s, not %s", of, watched, want)
		}
	}
}

// checkCourse holds the drawn course of a battery to the plan that is shown beside it:
// the low projection lies lowest, and is not empty before the last host is off.
func checkCourse(t *testing.T, a *agent.Agent) {
	t.Helper()
	v, c := a.View(), a.Courses(3*time.Hour)
	if len(c) != 1 || len(c[0].Low) < 50 {
		t.Fatalf("courses: %v", c)
	}
	for i, low := range c[0].Low {
		if likely, high := c[0].Likely[i], c[0].High[i]; low.At != likely.At || low.At != high.At || low.Part > likely.Part || likely.Part > high.Part {
			t.Fatalf("low %v, likely %v, high %v", low, likely, high)
		}
		if low.Part <= 0 && int64(low.At.Seconds()) < *v.UPSs[0].LastDownSeconds {
			t.Errorf("empty after %s, and the last host is off after %ds", low.At, *v.UPSs[0].LastDownSeconds)
		}
	}
}

// stuck looks at a UPS that answers no more, and at an agent that stands still and goes
// on again.
func stuck(t *testing.T, b *peertest.Browser, url string, p *policy.Policy, a *agent.Agent, s *standIns) {
	s.silent.Store(true)
	untilTrue(t, "the UPS is silent", func() bool {
		return slices.ContainsFunc(a.View().Conditions, func(c agent.Condition) bool { return c.Code == "source-silent" })
	})
	look(t, b, url, "silent", "On battery for", p)
	if got := b.Ask(`document.querySelector(".upss h3").innerText`); !strings.HasPrefix(got, "rack: does not answer; counts as on battery, ") {
		t.Errorf("a silent UPS is shown as %q", got)
	}
	s.hold.Lock()
	was := a.View().DecidedAt
	untilTrue(t, "the loop is held", func() bool { return a.View().TurnAge > 2 })
	s.later.Store(int64(time.Minute))
	look(t, b, url, "still", "The agent stands still", p)
	if v := a.View(); v.At.Sub(v.DecidedAt) < time.Minute || v.DecidedAt.Sub(was) > time.Minute || *v.UPSs[0].AnswerAgeSeconds < 60 {
		t.Errorf("decided at %s, now %s, answered %ds ago", v.DecidedAt, v.At, *v.UPSs[0].AnswerAgeSeconds)
	}
	s.hold.Unlock()
	untilTrue(t, "the loop turns", func() bool { return a.View().TurnAge < standsStill })
	look(t, b, url, "silent", "On battery for", p)
}

// fill puts a text into every text of a value, and something into all else.
func fill(v reflect.Value, text string) {
	switch v.Kind() {
	case reflect.String:
		v.SetString(text)
	case reflect.Int64, reflect.Uint32:
		if v.CanInt() {
			v.SetInt(90)
		} else {
			v.SetUint(3)
		}
	case reflect.Float64:
		v.SetFloat(12.5)
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), text)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 3, 3))
		for i := range v.Len() {
			fill(v.Index(i), text)
		}
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[time.Time]() {
			v.Set(reflect.ValueOf(time.Unix(1_800_000_000, 0)))
			return
		}
		for i := range v.NumField() {
			fill(v.Field(i), text)
		}
	}
}

// Aim: whatever stands in a text, it is shown and not obeyed, and pushes nothing off the
// page. Method: every text of a view is one that a browser would obey, or that has no
// place to break; Chromium must find no element of it, and the page as wide as its
// window.
func TestPageOfAnyText(t *testing.T) {
	b := peertest.OpenBrowser(t, *pictures)
	for _, text := range []string{
		`</title></style><script>document.title = "obeyed"</script><img src=x onerror="x"><a href="javascript:x">`,
		"`<b>typed</b>`", strings.Repeat("unbroken", 30), "", "{{.}}",
	} {
		var v agent.View
		fill(reflect.ValueOf(&v).Elem(), text)
		v.TurnAge = 0
		// A name of the policy is letters, digits, "-", "_" and "."; these are worse.
		page := &paint{v: &v, zone: time.UTC, version: text, courses: func(time.Duration) []agent.Course {
			return []agent.Course{{UPS: text, From: v.At, Low: []shutdown.Left{{At: 0, Part: 1}, {At: time.Minute, Part: 0}}}}
		}, outages: []report.NowOutage{{Name: text, When: text, Report: "/outages/" + text}}}
		server := httptest.NewServer(web.Page(page.html))
		for _, width := range []int{390, 1100} {
			b.Open(server.URL, width, "light")
			if got := b.Ask(`document.querySelectorAll("script, img, b, style + title, [onerror]").length + [...document.links].filter(a => a.protocol != "http:").length`); got != "0" {
				t.Errorf("%.20q is obeyed: %s", text, got)
			}
			if b.Ask(peertest.TooWide(width)) != "false" {
				t.Errorf("with %.20q the page is %s wide, the window %d", text, b.Ask("document.documentElement.scrollWidth"), width)
			}
			b.Keep(fmt.Sprintf("text-%d-%d.png", len(text), width), "Page.captureScreenshot", map[string]any{"captureBeyondViewport": true})
		}
		if shown := strings.ReplaceAll(text, "`", ""); !strings.Contains(b.Ask("document.body.textContent"), shown) {
			t.Errorf("%.20q is not shown", text)
		}
		server.Close()
	}
}

// pictured is how much of a page is kept as a picture.
const pictured = 3600

func look(t *testing.T, b *peertest.Browser, url, name, headline string, p *policy.Policy) {
	untilTrue(t, name+" is shown", func() bool { // what is shown may be a second old
		r, err := http.Get(url + "/still")
		if err != nil {
			return false
		}
		defer r.Body.Close()
		body, _ := io.ReadAll(r.Body)
		return strings.Contains(string(body), ">"+headline)
	})
	for _, width := range []int{390, 1100} {
		for _, scheme := range []string{"light", "dark"} {
			b.Open(url+"/still", width, scheme)
			where := fmt.Sprintf("%s-%s-%d", name, scheme, width)
			for _, e := range b.Events {
				switch e.Method {
				case "Network.requestWillBeSent":
					var r struct{ Request struct{ URL string } }
					if json.Unmarshal(e.Params, &r); r.Request.URL != url+"/still" && !strings.HasPrefix(r.Request.URL, "data:") {
						t.Errorf("%s: the page asks for %s", where, r.Request.URL)
					}
				case "Log.entryAdded", "Runtime.consoleAPICalled", "Runtime.exceptionThrown":
					t.Errorf("%s: the browser complains: %s", where, e.Params)
				}
			}
			if b.Ask(peertest.TooWide(width)) != "false" {
				t.Errorf("%s: the page is %s wide", where, b.Ask("document.documentElement.scrollWidth"))
			}
			got := b.Ask(`(() => { const v = document.querySelector(".verdict"), r = v.getBoundingClientRect();
				return [r.top >= 0 && r.bottom <= innerHeight && r.right <= innerWidth, v.innerText].join("|") })()`)
			if !strings.HasPrefix(got, "true|"+headline) {
				t.Errorf("%s: on the first screen the headline is %q", where, got)
			}
			if got := b.Ask(`[...document.querySelectorAll("details.table tbody th")].map(x => x.innerText).sort().join()`); got != hostList(p) {
				t.Errorf("%s: the hosts are %.200s", where, got)
			}
			// Landmarks, headings, headers of tables, words for drawings, and a place to
			// reach each part that scrolls by the keyboard.
			for what, wrong := range map[string]string{
				"one main and one h1":         `document.querySelectorAll("main").length + document.querySelectorAll("h1").length != 2`,
				"a heading for each section":  `[...document.querySelectorAll("section")].some(s => !document.getElementById(s.getAttribute("aria-labelledby")))`,
				"no heading level left out":   `[...document.querySelectorAll("h1,h2,h3")].some((h, i, all) => i > 0 && h.tagName[1] - all[i-1].tagName[1] > 1)`,
				"headers of tables":           `[...document.querySelectorAll("table")].some(x => [...x.querySelectorAll("th")].some(h => !h.scope) || !x.querySelector("thead th"))`,
				"words for drawings":          `[...document.querySelectorAll("svg")].some(s => !s.querySelector("title").textContent || !s.querySelector("desc").textContent)`,
				"ids that are one's own":      `[...document.querySelectorAll("[id]")].some((x, i, all) => [...all].findIndex(y => y.id == x.id) != i)`,
				"the keyboard":                `[...document.querySelectorAll(".scroll")].some(s => s.tabIndex != 0 || !s.getAttribute("aria-label"))`,
				"regions that differ by name": `(() => { const names = [...document.querySelectorAll("[role=region]")].map(s => s.getAttribute("aria-label")); return new Set(names).size != names.length })()`,
				"links that lead somewhere":   `[...document.querySelectorAll('a[href^="#"]')].some(a => !document.querySelector(a.getAttribute("href")))`,
			} {
				if b.Ask(wrong) != "false" {
					t.Errorf("%s: %s", where, what)
				}
			}
			b.Keep(where+".png", "Page.captureScreenshot", map[string]any{"captureBeyondViewport": true, "clip": map[string]any{"x": 0, "y": 0, "width": width, "height": pictured, "scale": 1}})
		}
	}
	b.Open(url, 1100, "light") // as it is read again by itself
	if got := b.Ask(`document.querySelector("details.table").open`); got != fmt.Sprint(len(p.Hosts) <= folded) {
		t.Errorf("%s: the hosts' table is open: %s", name, got)
	}
	b.Keep(name+".png", "Page.captureScreenshot", map[string]any{"captureBeyondViewport": true, "clip": map[string]any{"x": 0, "y": 0, "width": 1100, "height": pictured, "scale": 1}})
	b.Open(url+"/still", 1100, "light")
	b.Keep(name+".pdf", "Page.printToPDF", map[string]any{"printBackground": false})
}

func hostList(p *policy.Policy) string {
	var names []string
	for i := range p.Hosts {
		names = append(names, p.Hosts[i].Name)
	}
	slices.Sort(names)
	return strings.Join(names, ",")
}

// Aim: no other file is reached through the reports' address, and what is not there is
// said so.
func TestReportsAddress(t *testing.T) {
	dir := t.TempDir()
	os.WriteFile(filepath.Join(dir, "secret.html"), []byte("secret"), 0o644)
	os.Mkdir(filepath.Join(dir, reportsFolder), 0o755)
	seat := newSeat(nil, dir, nil, zap.NewNop())
	for path, want := range map[string]int{
		"/outages/20260803T021500Z-outage-9": 404, "/outages/..%2fsecret": 404, "/outages/../secret.html": 404, "/outages/": 404, "/nothing": 404,
	} {
		w := httptest.NewRecorder()
		seat.pages().ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
		if w.Code != want && w.Code/100 != 3 || strings.Contains(w.Body.String(), "secret\n") {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
}
