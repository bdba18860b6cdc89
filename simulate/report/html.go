package report

import (
	_ "embed" // the page's template and style
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"ebbline/shutdown"
)

// Document is what the report of simulations shows. Whoever fills it in has
// worked it all out; a part that is empty is left out.
type Document struct {
	Site    string
	Verdict Verdict
	Because string // whole sentences: why the verdict is what it is

	Evidence []Evidence // of each kind, the strongest first

	Outages  int    // how many were tried
	Seed     uint64 // of the first
	Cut      int    // outages in which a host lost its power while it was up
	InHand   InHand
	NoReturn time.Duration // of the plan; negative when there is none
	Reserve  time.Duration

	Plan       *Timeline // the plan if the input failed now; its batteries with their bands
	Histogram  []Bin     // margins; see [Bins]
	Hosts      []HostRow
	HostsNote  string // how the best possible was found: a sentence
	Faults     []FaultRow
	Broken     []BrokenRow // promises; the first few will do
	MoreBroken int         // how many more there are
	Smallest   *Smallest
	Worst      *Worst

	Repeat      []string // the commands that make this report again
	Fingerprint string   // of the policy: hex SHA-256
	Program     string   // what made it, with its version
	Day         string   // to which the batteries' age is counted: 2026-01-01
}

// Verdict is what the simulations say of the plan.
type Verdict uint8

const (
	Proven    Verdict = iota + 1 // for every room milder than the bounds
	Holds                        // in all that was tried
	Fails                        // a promise was broken, or a host cut in a room no worse than the plan is made for
	NoVerdict                    // nothing was tried
)

// String gives the word at the head of the report.
func (v Verdict) String() string {
	return [...]string{"", "Proven", "Holds", "Fails", "No verdict"}[v]
}

// Good tells whether nothing failed.
func (v Verdict) Good() bool { return v == Proven || v == Holds }

// Evidence is one kind of ground for the verdict, told apart from the others: a
// proof, an exact probability, a bound from what was drawn.
type Evidence struct {
	Kind    string // "worst case by construction", "every combination", "random outages"
	Finding Finding
	Figure  string // the number that it gives: "at most 0.03 % fail, at 95 %"
	Text    string // whole sentences: what was done, and what would have had to hold
}

// Finding is what one kind of evidence came to.
type Finding uint8

// The findings. What was not tried says nothing for or against.
const (
	Untried Finding = iota + 1
	Supports
	Open // tried, and it settles nothing
	Against
)

// String gives the word for it.
func (f Finding) String() string {
	return [...]string{"", "not tried", "holds", "open", "fails"}[f]
}

// InHand is the battery times that were left when the last host was off.
type InHand struct {
	Known              bool // a host went off on battery at all
	Worst, P05, Median time.Duration
}

// Timeline is hosts' bars over batteries on one scale of time, from the loss of
// input on.
type Timeline struct {
	Title  string
	Zero   time.Time // where it begins by the clock; zero counts from its beginning
	Length time.Duration
	Bars   []Bar
	Bands  []Band
	Marks  []Mark
}

// Band is one battery by the three projections. Where only the truth is to be
// shown it is Low.
type Band struct {
	Name, Note, Right string
	Low, Likely, High []Point
}

// Bin is how many outages ended with a margin from one value up to another.
type Bin struct {
	From, To time.Duration
	Count    int
}

// HostRow is how long one host stayed up in the outages that outlasted it,
// against the best that a plan could have given it there.
type HostRow struct {
	Name                string
	Priority            int64
	Promised            time.Duration // 0 when nothing is
	Kept, Of            int           // outages that kept the promise, of those that could tell
	Least, Median, Best time.Duration
}

// FaultRow is one kind of fault, and in how many outages it occurred.
type FaultRow struct {
	Name    string
	Drawn   string // how
	Beyond  bool   // it makes the room worse than the one that a plan is made for
	Outages int
	Cut     int // of them: with a host cut
	Failed  int // of them: counted as a failure of the plan
}

// Smallest is a failing outage, made small.
type Smallest struct {
	Why   string // what fails, in a sentence without its full stop
	Text  string // its file
	Whole string // the command that replays the outage it was made from
}

// BrokenRow is one promise that one outage broke.
type BrokenRow struct {
	Promise string // "P1"
	Outage  string
	Seed    uint64
	Text    string
}

// Worst is the outage with the least in hand, and all that it takes to see it
// again.
type Worst struct {
	Name    string
	Seed    uint64
	InHand  time.Duration
	Tested  bool     // a host went off on battery: something was in hand, or lacked
	Faults  []string // what was wrong in it, besides the loss of input; with a * what no plan is made for
	Text    string   // its file
	Command string   // that replays it
	Run     *Timeline
}

// Bins sorts margins into at most n bins of one round width; one of them begins
// at zero. Where a few lie far above all others, the last bin is as wide as it
// takes to hold the highest twentieth: what counts is near zero.
func Bins(margins []time.Duration, n int) []Bin {
	if len(margins) == 0 || n < 2 {
		return nil
	}
	margins = slices.Sorted(slices.Values(margins))
	low, high, top := margins[0], margins[(len(margins)-1)*95/100], margins[len(margins)-1]
	if high-low > (top-low)/2 {
		high = top
	}
	width := Step(high-low, n-3)
	first := int64(math.Floor(float64(low) / float64(width)))
	last := int64(math.Floor(float64(high) / float64(width)))
	if high < top {
		last++
	}
	bins := make([]Bin, last-first+1)
	for i := range bins {
		from := time.Duration(first+int64(i)) * width
		bins[i] = Bin{From: from, To: from + width}
	}
	for _, m := range margins {
		at := int64(math.Floor(float64(m) / float64(width)))
		bins[min(at, last)-first].Count++
		bins[last-first].To = max(bins[last-first].To, time.Duration(at+1)*width)
	}
	return bins
}

// promises says what the promises' numbers mean to somebody who has never heard
// of them.
var promises = map[string]string{
	"P1": "in time", "P2": "in order", "P3": "not too soon", "P4": "no false alarm", "P5": "silence is not good news",
	"P6": "one bad host harms no other", "P7": "nothing is lost in a crash", "P8": "the right hosts come back",
	"P9": "every decision can be explained", "P10": "the wall clock does not matter",
}

//go:embed page.html
var page string

// style is that of every page.
//
//go:embed style.html
var style string

var pageTemplate = template.Must(template.Must(template.New("page").Funcs(template.FuncMap{
	"spell":     shutdown.Spell,
	"tie":       tie,
	"promise":   func(code string) string { return promises[code] },
	"timeline":  drawTimeline,
	"histogram": drawHistogram,
	"share":     func(i int, h HostRow) template.HTML { return drawShare(fmt.Sprintf("host-%d", i), &h) },
	"part": func(n, of int) string {
		if of == 0 {
			return "-"
		}
		return fmt.Sprintf("%.1f\u00a0%%", 100*float64(n)/float64(of))
	},
	"percent": func(d, of time.Duration) string {
		if of <= 0 {
			return "-"
		}
		return fmt.Sprintf("%d\u00a0%%", int(100*float64(d)/float64(of)))
	},
}).Parse(style)).Parse(page))

// tie keeps a figure and its percent sign on one line.
func tie(text string) string { return strings.ReplaceAll(text, " %", "\u00a0%") }

// HTML writes the report as one page that needs nothing else: no script, no
// other file, no network.
func HTML(w io.Writer, d *Document) error { return pageTemplate.Execute(w, d) }
