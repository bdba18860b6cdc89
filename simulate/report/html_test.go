package report

import (
	"bytes"
	"flag"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
)

var rewrite = flag.Bool("rewrite", false, "write what comes out as what is expected")

// sample shows how a report is filled in: figures of a made-up site, as
// `ebbline simulate` works them out. Every field is used.
func sample() *Document {
	m, s := time.Minute, time.Second
	fall := func(until time.Duration, to float64) []Point {
		var points []Point
		for t := time.Duration(0); t <= until; t += m {
			points = append(points, Point{At: t, Left: 1 - (1-to)*math.Pow(float64(t)/float64(until), 0.8)})
		}
		return points
	}
	plan := &Timeline{
		Title:  "The plan of barn if the input failed now",
		Length: 70 * m,
		Bars: []Bar{
			{Name: "bench", Note: "10", Right: "1m18s", Spans: []Span{{0, 78 * s, IsUp}, {78 * s, 158 * s, IsStopping}}},
			{Name: "wiki", Note: "30", Right: "12m39s", Spans: []Span{{0, 759 * s, IsUp}, {759 * s, 849 * s, IsStopping}}},
			{Name: "press", Note: "60", Right: "15m39s", Spans: []Span{{0, 939 * s, IsUp}, {939 * s, 1419 * s, IsStopping}}},
			{Name: "vault", Note: "90", Right: "53m00s", Spans: []Span{{0, 53 * m, IsUp}, {53 * m, 3510 * s, IsStopping}}},
		},
		Bands: []Band{
			{Name: "rack", Note: "381 W", Right: "margin 9m21s", Low: fall(66*m, 0.1), Likely: fall(70*m, 0.3), High: fall(70*m, 0.42)},
			{Name: "shelf", Note: "200 W", Right: "margin 8m16s", Low: fall(12*m, 0), Likely: fall(20*m, 0.02), High: fall(27*m, 0)},
		},
		Marks: []Mark{{At: 613 * s, Label: "point of no return"}},
	}
	worst := &Timeline{
		Title:  "The outage of seed 4711",
		Length: 40 * m,
		Bars: []Bar{
			{Name: "bench", Note: "10", Right: "clean 1m18s", Spans: []Span{{0, 80 * s, IsUp}, {80 * s, 140 * s, IsStopping}, {35 * m, 37 * m, IsStarting}, {37 * m, 40 * m, IsUp}}},
			{Name: "wiki", Note: "30", Right: "clean 6m02s", Spans: []Span{{0, 362 * s, IsUp}, {362 * s, 400 * s, IsStopping}}},
			{Name: "press", Note: "60", Right: "clean 7m30s", Spans: []Span{{0, 450 * s, IsUp}, {450 * s, 930 * s, IsStopping}}},
			{Name: "vault", Note: "90", Right: "cut", Spans: []Span{{0, 20 * m, IsUp}, {20 * m, 1434 * s, IsStopping}, {1434 * s, 1434 * s, WasCut}}},
		},
		Bands: []Band{
			{Name: "rack", Right: "truly left", Low: fall(1434*s, 0)},
			{Name: "shelf", Right: "truly left", Low: fall(20*m, 0.1)},
		},
		Marks: []Mark{{At: 0, Label: "input lost"}, {At: 31 * m, Label: "input back"}},
	}
	var margins []time.Duration
	for i := range 500 {
		margins = append(margins, time.Duration(float64(540*s)*(1+0.8*math.Sin(float64(i)*1.7)*math.Sin(float64(i)*0.61))))
	}
	margins = append(margins, -14*s)
	return &Document{
		Site: "barn", Verdict: Fails,
		Because: "3 promises were broken in 10000 outages, and in 1 a host lost its power while it was up. Not proven either, because some hosts draw more while they stop than while they are up.",
		Evidence: []Evidence{
			{Kind: "Worst case by construction", Finding: Open, Text: "One replay at the bounds would be a proof if no host drew more while it stops than while it is up; bench does. All 4 corners of quick and slow stops were replayed instead."},
			{Kind: "Every combination", Finding: Against, Figure: "0.012 % of them fail", Text: "All 400 combinations of stopping times and batteries, each with its chance."},
			{Kind: "Random outages", Finding: Against, Figure: "0.03 % failed; 0.01 to 0.09 % at 95 %", Text: "3 of 10000 outages failed, with faults denser than in life."},
			{Kind: "This site's own outages", Finding: Untried},
		},
		Outages:  10000,
		Seed:     1,
		Cut:      1,
		InHand:   InHand{Known: true, Worst: -14 * s, P05: 151 * s, Median: 512 * s},
		NoReturn: 613 * s, Reserve: 90 * s,
		Plan:      plan,
		Histogram: Bins(margins, 24),
		Hosts: []HostRow{
			{Name: "vault", Priority: 90, Promised: 20 * m, Kept: 6120, Of: 6121, Least: 20 * m, Median: 49 * m, Best: 53 * m},
			{Name: "press", Priority: 60, Promised: 10 * m, Kept: 6300, Of: 6305, Least: 450 * s, Median: 15 * m, Best: 16 * m},
			{Name: "wiki", Priority: 30, Least: 362 * s, Median: 720 * s, Best: 15 * m},
			{Name: "bench", Priority: 10, Least: 75 * s, Median: 78 * s, Best: 25 * m},
		},
		HostsNote: "Over the outages that outlasted the host. The best possible is the latest stop that any plan could have given it, had the battery and every host's stopping time been known beforehand. The tick in each bar is the least.",
		Faults: []FaultRow{
			{Name: "a UPS falls silent", Outages: 1003, Cut: 0, Drawn: "each outage with 10 %: 3 s to 20 min; worst: 20 min"},
			{Name: "a host hangs", Outages: 601, Cut: 1, Beyond: true},
			{Name: "the agent is killed", Outages: 987},
			{Name: "a reading that is wrong", Outages: 1020, Failed: 1},
		},
		Broken:     []BrokenRow{{Promise: "P6", Outage: "random 77", Seed: 77, Text: "press waited for bench, which hangs, longer than its allowance"}},
		MoreBroken: 2,
		Smallest: &Smallest{
			Why: "P6 broken: press waited for bench, which hangs, longer than its allowance", Text: "host bench hangs\nat 0s input lost\nat 1h input back\n",
			Whole: "ebbline simulate barn.hcl --random 1 --seed 77",
		},
		Worst: &Worst{
			Name: "random 4711", Seed: 4711, InHand: -14 * s, Tested: true,
			Faults:  []string{"battery below its low projection *", "UPS's gauge stays at 100 %, never \"low\""},
			Text:    "ups rack holds 61%\nhost vault hangs\nat 0s input lost\nat 31m input back\n",
			Command: "ebbline simulate barn.hcl --random 1 --seed 4711", Run: worst,
		},
		Repeat:      []string{"ebbline simulate barn.hcl --random 10000 --seed 1 --report barn.html"},
		Fingerprint: "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
		Program:     "ebbline 1.0", Day: "2026-01-01",
	}
}

func write(t testing.TB, d *Document) string {
	t.Helper()
	var b bytes.Buffer
	if err := HTML(&b, d); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// Aim: the page is what it was, to the byte. Method: a golden file; -rewrite
// accepts what comes out.
func TestPageGolden(t *testing.T) {
	const path = "testdata/report.html"
	got := write(t, sample())
	if *rewrite {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs from what comes out; look at it, then accept it with -rewrite", path)
	}
}

// Aim: a report of which nothing is known but its verdict is a page all the
// same, with no empty part. Method: an almost empty document.
func TestPageOfLittle(t *testing.T) {
	got := write(t, &Document{Site: "home", Verdict: Proven, NoReturn: -1})
	for _, not := range []string{"<h2>Margins", "<h2>On what", "<h2>The plan", "worst margin", "<table", "<svg"} {
		if strings.Contains(got, not) {
			t.Errorf("an empty document has %q", not)
		}
	}
	if !strings.Contains(got, `<p class="verdict good">Proven</p>`) || !strings.Contains(got, "<dd>none</dd>") {
		t.Error("the verdict or the missing point of no return is not told")
	}
}

// Aim: a name cannot become markup, in the page or in a drawing. Method: names
// of letters that mean something in HTML; none is found as it was.
func TestPageEscapes(t *testing.T) {
	const bad = `<i onload="x">&'`
	d := sample()
	d.Site, d.Because, d.Fingerprint, d.HostsNote = bad, bad, bad, bad
	d.Evidence[0].Kind, d.Evidence[0].Figure, d.Evidence[0].Text = bad, bad, bad
	d.Plan.Title, d.Plan.Bars[0].Name, d.Plan.Bars[0].Note, d.Plan.Bars[0].Right = bad, bad, bad, bad
	d.Plan.Bands[0].Name, d.Plan.Bands[0].Note, d.Plan.Bands[0].Right, d.Plan.Marks[0].Label = bad, bad, bad, bad
	d.Smallest.Why, d.Smallest.Text, d.Smallest.Whole, d.Faults[0].Drawn = bad, bad, bad, bad
	d.Worst.Faults = []string{bad}
	d.Hosts[0].Name, d.Faults[0].Name, d.Broken[0].Text, d.Worst.Text, d.Worst.Command, d.Repeat[0] = bad, bad, bad, bad, bad, bad
	if got := write(t, d); strings.Contains(got, "<i ") {
		t.Error("a name became an element")
	}
}

// Aim: no line of text begins with a percent sign. Method: the sample's page holds
// no figure that may part from it, but in a file.
func TestPageTies(t *testing.T) {
	for line := range strings.Lines(write(t, sample())) {
		if strings.Contains(line, " %") && strings.HasPrefix(line, "<") && !strings.Contains(line, "<svg") { // which wraps nothing
			t.Errorf("a figure may part from its sign: %s", line)
		}
	}
}

// Aim: the page needs nothing but itself and runs nothing. Method: it is
// searched for scripts and for addresses of other things; the one address is
// the name of the SVG language.
func TestPageStandsAlone(t *testing.T) {
	got := strings.ReplaceAll(write(t, sample()), "http://www.w3.org/2000/svg", "")
	for _, not := range []string{"<script", "javascript:", "http:", "https:", "//", "@import", "url(http", "<iframe", "<img", " on"} {
		if at := strings.Index(got, not); at >= 0 && not != " on" {
			t.Errorf("the page has %q: %s", not, got[max(0, at-40):min(len(got), at+60)])
		}
	}
	if m := regexp.MustCompile(`<[^>]+\son[a-z]+=`).FindString(got); m != "" {
		t.Errorf("an element has a handler: %s", m)
	}
}

// Aim: those who cannot see the drawings are told what they show, and tables
// have headers. Method: every svg has a title and a description that it names;
// every table a head; ids are used once.
func TestPageIsAccessible(t *testing.T) {
	got := write(t, sample())
	svgs := regexp.MustCompile(`<svg[^>]*aria-labelledby="(\S+) (\S+)"[^>]*><title id="(\S+)">([^<]+)</title><desc id="(\S+)">([^<]+)</desc>`).FindAllStringSubmatch(got, -1)
	if n := strings.Count(got, "<svg"); len(svgs) != n || n < 5 {
		t.Errorf("%d of %d drawings say what they show", len(svgs), n)
	}
	for _, m := range svgs {
		if m[1] != m[3] || m[2] != m[5] {
			t.Errorf("the drawing's title is %s and it names %s; its description %s and %s", m[3], m[1], m[5], m[2])
		}
	}
	if strings.Count(got, "<table") != strings.Count(got, "<thead") {
		t.Error("a table has no head")
	}
	if strings.Contains(strings.ReplaceAll(got, "<th scope=", ""), "<th>") {
		t.Error("a header does not say what it heads")
	}
	seen := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]+)"`).FindAllStringSubmatch(got, -1) {
		if seen[m[1]] {
			t.Errorf("the id %s is used twice", m[1])
		}
		seen[m[1]] = true
	}
	if !strings.Contains(got, `<html lang="en">`) {
		t.Error("the page does not say its language")
	}
}

// Aim: text stands out from what is behind it. Method: the contrast ratio of
// WCAG 2.1 (success criterion 1.4.3: 4.5 to 1 for text) of every text colour on
// both backgrounds, in light, dark and print; 3 to 1 (1.4.11) for what is drawn.
func TestPageContrast(t *testing.T) {
	blocks := regexp.MustCompile(`:root \{([^}]*)\}`).FindAllStringSubmatch(style, -1)
	if len(blocks) != 3 {
		t.Fatalf("the style has %d sets of colours, not light, dark and print", len(blocks))
	}
	for i, b := range blocks {
		color := map[string]float64{}
		for _, m := range regexp.MustCompile(`--(\w+): #([0-9a-f]{6});`).FindAllStringSubmatch(b[1], -1) {
			color[m[1]] = luminance(t, m[2])
		}
		for _, back := range []string{"page", "wash"} {
			for _, ink := range []string{"ink", "soft", "good", "warn", "bad", "calm"} {
				if r := contrast(color[ink], color[back]); r < 4.5 {
					t.Errorf("set %d: %s on %s has a contrast of %.2f", i, ink, back, r)
				}
			}
		}
		for _, line := range []string{"calm", "warn"} {
			if r := contrast(color[line], color["band"]); r < 3 {
				t.Errorf("set %d: %s on band has a contrast of %.2f", i, line, r)
			}
		}
	}
}

// luminance is the relative luminance of WCAG 2.1.
func luminance(t *testing.T, hex string) float64 {
	n, err := strconv.ParseUint(hex, 16, 32)
	if err != nil {
		t.Fatal(err)
	}
	part := func(shift uint) float64 {
		c := float64(n>>shift&255) / 255
		if c <= 0.03928 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*part(16) + 0.7152*part(8) + 0.0722*part(0)
}

func contrast(a, b float64) float64 { return (max(a, b) + 0.05) / (min(a, b) + 0.05) }

// Aim: every margin is in the one bin that holds it, and none of the bins has
// margins on both sides of zero. Method: margins of all kinds, counted again.
func TestBins(t *testing.T) {
	s := time.Second
	for _, margins := range [][]time.Duration{
		{0}, {-s}, {5 * s, 5 * s}, {-14 * s, 0, 3 * time.Minute, 9 * time.Hour}, {-3 * time.Hour, -s, s}, {-time.Nanosecond, time.Nanosecond}, {20 * 24 * time.Hour, 0},
	} {
		bins := Bins(margins, 20)
		if len(bins) > 20 {
			t.Errorf("%v: %d bins", margins, len(bins))
		}
		for i, b := range bins {
			n := 0
			for _, m := range margins {
				if b.From <= m && m < b.To {
					n++
				}
			}
			if n != b.Count || b.From < 0 && b.To > 0 || i > 0 && bins[i-1].To != b.From {
				t.Errorf("%v: bin %d is %+v and holds %d", margins, i, b, n)
			}
		}
		sum := 0
		for _, b := range bins {
			sum += b.Count
		}
		if sum != len(margins) {
			t.Errorf("%v: %d in bins", margins, sum)
		}
	}
	if Bins(nil, 20) != nil {
		t.Error("no margins have bins")
	}
}

// Aim: no figure, however odd, breaks a drawing. Method: times without a
// length, points out of range, no bins, a best of nothing: every coordinate is
// a whole number within the drawing.
func TestDrawingsOfOddFigures(t *testing.T) {
	odd := &Timeline{
		Title: "odd", Length: 0,
		Bars:  []Bar{{Name: strings.Repeat("long", 20), Spans: []Span{{-time.Hour, 5 * time.Hour, IsUp}, {time.Hour, time.Hour, WasCut}}}},
		Bands: []Band{{Name: "u"}, {Name: "v", Low: []Point{{0, 7}, {time.Hour, -3}}, High: []Point{{0, math.Inf(1)}}}},
		Marks: []Mark{{At: -time.Hour, Label: "early"}, {At: 100 * time.Hour, Label: "late"}},
	}
	long := *odd
	long.Length = 30 * 24 * time.Hour
	all := string(drawTimeline("a", odd)) + string(drawTimeline("b", &long)) + string(drawHistogram(nil)) +
		string(drawHistogram([]Bin{{0, time.Second, 0}})) + string(drawShare("c", &HostRow{Name: "x", Median: time.Hour}))
	for _, m := range regexp.MustCompile(` (x|y|x1|x2|y1|y2|width|height)="([^"]*)"`).FindAllStringSubmatch(all, -1) {
		if n, err := strconv.Atoi(m[2]); err != nil || n < 0 || n > chartWidth {
			t.Errorf("%s is %q", m[1], m[2])
		}
	}
	if strings.Contains(all, "NaN") || strings.Contains(all, "Inf") {
		t.Error("a coordinate is no number")
	}
}
