package report

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// sampleOutage shows how the report of an outage is filled in: a made-up bad night
// in which every field is used.
func sampleOutage() *Outage {
	m, s := time.Minute, time.Second
	return &Outage{
		Title: "Outage 12 of barn, 2026-11-28 03:14:07 +01:00, all normal after 2h11m09s", Verdict: "1 host LOST POWER while up", Finding: Against,
		Facts: []Fact{
			{"input", "lost on rack, shelf at 03:14:07, back at 04:02:11, after 48m04s"},
			{"hosts", "5 of 6 were to stop; 3 off in time; OUT OF ORDER: vault"},
			{"lost", "without power: vault; given up: press-with-a-very-long-name.example.org"},
			{"margin", "NONE: 12s of the 1m30s reserve left on UPS rack when wiki went off"},
			{"back", "4 of 5, the last seen at 05:20:12; NOT BACK: bench"},
		},
		Steps: []string{
			"Start bench by hand: every way to start it was tried in vain. Then see why: `ebbline rehearse` tries its ways.",
			"Look at the disks and services of vault: it lost its power while it was up; it had been asked to stop and was not off yet.",
			`Write stops_in = "2m15s" for host wiki: it took 2m11s; 1m30s was counted on.`,
		},
		Run: &Timeline{
			Title: "What happened, since the loss of input", Length: 50 * m,
			Bars: []Bar{
				{Name: "bench", Note: "10", Right: "off 1m40s", Spans: []Span{{0, 78 * s, IsUp}, {78 * s, 100 * s, IsStopping}}},
				{Name: "vault", Note: "90", Right: "cut", Spans: []Span{{0, 20 * m, IsUp}, {20 * m, 24 * m, IsStopping}, {24 * m, 24 * m, WasCut}, {44 * m, 46 * m, IsStarting}, {46 * m, 50 * m, IsUp}}},
			},
			Bands: []Band{{Name: "rack", Right: "its gauge", Low: []Point{{0, 1}, {24 * m, 0.02}, {40 * m, 0.02}, {50 * m, 0.2}}}},
			Marks: []Mark{{At: 40 * m, Label: "input of rack back at"}},
		},
		Hosts: []OutageHost{
			{Name: "bench", Priority: 10, Planned: "1m18s", Asked: "1m18s", Took: "22s", Counted: "30s", Off: "1m40s", Back: "-", Margin: "9m21s", Fate: "off, in order; NOT BACK", Why: "if it stayed longer, vault would have to stop sooner", Bad: true},
			{Name: "press-with-a-very-long-name.example.org", Priority: 60, Planned: "15m39s", Asked: "15m30s", Took: "8m00s", Counted: "4m00s", Off: "-", Back: "-", Margin: "-12s", Fate: "GIVEN UP, not off", Bad: true},
			{Name: "vault", Priority: 90, Planned: "20m00s", Asked: "20m00s", Took: "-", Counted: "3m00s", Off: "-", Back: "46m00s", Margin: "2s", Fate: "LOST POWER at 24m00s", Bad: true},
		},
		Batteries: []OutageBattery{{UPS: "rack", Left: "When wiki went off, 22m10s after the loss of input, it had 12s (low) to 3m02s (high) left at 381 W; the reserve of 1m30s is part of that.",
			Forecasts: []Forecast{{By: "the model, at that load", Made: "0s", Load: "812 W", Low: "26m00s", Likely: "31m00s", High: "35m00s", Measured: "24m01s, below the low", Basis: "rated figures, 20 months old", Bad: true}}}},
		Events: []OutageEvent{
			{At: "03:20:00", What: "order: hold", Text: "by root"},
			{At: "03:36:11", What: "host-given-up", Until: "for 12m10s", Text: "press has used up its whole allowance <b>and</b> is given up; what it depends on goes on in time. Look at it after the outage."},
		},
		Notes:   []string{"Times of day are local, with their offset from UTC at the head."},
		Program: "ebbline 1.0", Repeat: "ebbline history 2026-11-28T02:14:07Z --report outage.html", Made: "2026-11-28 05:25:19 +01:00",
	}
}

func writeOutage(t testing.TB, o *Outage) string {
	t.Helper()
	var b bytes.Buffer
	if err := OutageHTML(&b, o); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// Aim: an outage's page is seen as it is meant, whole, on a phone and on a desk, in
// light and dark; with much on it, and with nothing but its head. Method: as for the
// page of simulations, in a real Chromium.
func TestOutagePageInChromium(t *testing.T) {
	b := openBrowser(t)
	quiet := &Outage{Title: "Outage 13 of barn, 2026-11-28 09:00:00 +01:00, all normal after 22s", Verdict: "No host was stopped", Finding: Supports, Program: "ebbline 1.0", Repeat: "ebbline history 13", Made: "2026-11-28 09:01:00 +01:00"}
	for name, o := range map[string]*Outage{"outage-": sampleOutage(), "quiet-": quiet} {
		path := filepath.Join(t.TempDir(), name+"page.html")
		if err := os.WriteFile(path, []byte(writeOutage(t, o)), 0o644); err != nil {
			t.Fatal(err)
		}
		b.look(path, name, o.Verdict)
		b.keep(name+"print.pdf", "Page.printToPDF", map[string]any{"printBackground": false})
	}
}

// Aim: everything that is filled in stands on the page, and texts are shown and not
// obeyed. Method: each text of the sample is looked for, as HTML has it.
func TestOutagePage(t *testing.T) {
	o := sampleOutage()
	page := strings.ReplaceAll(writeOutage(t, o), "\u00a0", " ")
	for _, f := range o.Facts {
		if !strings.Contains(page, "<dt>"+f.Name+"</dt><dd>"+f.Text+"</dd>") {
			t.Errorf("the fact %q is not there", f.Text)
		}
	}
	for _, want := range []string{"1 host LOST POWER while up", `class="verdict bad"`, "Start bench by hand", "why then: if it stayed longer, vault", "24m01s, below the low",
		"&lt;b&gt;and&lt;/b&gt;", "see why: <code>ebbline rehearse</code> tries", "order: hold", "rated figures, 20 months old", "2026-11-28T02:14:07Z", `<tr class="bad"><th scope="row">press-with`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not have %q", want)
		}
	}
	if strings.Contains(page, "<b>and") || strings.Contains(page, "<script") {
		t.Error("a text is obeyed")
	}
}
