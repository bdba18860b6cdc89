package report

import (
	_ "embed" // the page's template
	"html"
	"html/template"
	"io"
	"strings"
)

// Outage is what the report of one outage shows. Whoever fills it in has worked it
// all out and put it into words.
type Outage struct {
	Title     string
	Verdict   string
	Finding   Finding // whether that is good
	Facts     []Fact  // what is needed first
	Steps     []string
	Run       *Timeline // nil where no host was touched
	Hosts     []OutageHost
	Batteries []OutageBattery
	Events    []OutageEvent
	Notes     []string
	Program   string // what made it, with its version
	Repeat    string // the command that makes it again
	Made      string // when
}

// Fact is one named line.
type Fact struct{ Name, Text string }

// OutageHost is a host's row: times since the loss of input, a dash for none.
type OutageHost struct {
	Name                                                   string
	Priority                                               int64
	Planned, Asked, Took, Counted, Off, Back, Margin, Fate string
	Why                                                    string // why it was asked then; "" for none
	Bad                                                    bool
}

// OutageBattery is a battery's part: each prediction beside what was measured.
type OutageBattery struct {
	UPS       string
	Forecasts []Forecast
	Left      string // whole sentences: what it had left when its last host went off
}

// Forecast is one prediction in words.
type Forecast struct {
	By, Made, Load, Low, Likely, High, Measured, Basis string
	Bad                                                bool
}

// OutageEvent is an action, an order or a condition.
type OutageEvent struct{ At, What, Until, Text string }

//go:embed outage.html
var outagePage string

var outageTemplate = template.Must(template.Must(template.New("outage").Funcs(template.FuncMap{"tie": tie, "timeline": drawTimeline, "typed": typed}).Parse(style)).Parse(outagePage))

// typed sets what stands in backquotes, to be typed, apart.
func typed(text string) template.HTML {
	var b strings.Builder
	for i, part := range strings.Split(tie(text), "`") {
		if part = html.EscapeString(part); i%2 == 1 {
			part = "<code>" + part + "</code>"
		}
		b.WriteString(part)
	}
	return template.HTML(b.String())
}

// OutageHTML writes the report of an outage as one page that needs nothing else: no
// script, no other file, no network.
func OutageHTML(w io.Writer, o *Outage) error { return outageTemplate.Execute(w, o) }
