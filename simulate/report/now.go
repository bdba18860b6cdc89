package report

import (
	_ "embed" // the page's template
	"html/template"
	"io"
)

// Now is what the page of a running agent shows. Whoever fills it in has worked it
// all out and put it into words; a part that is empty is left out.
type Now struct {
	Site     string
	Headline string
	Finding  Finding  // whether that is good
	Because  []string // sentences
	At       string   // of the agent's last decision, by the clock, with the zone
	Refresh  int      // seconds until the page is read again; 0 is never

	Figures    []Figure
	Conditions []NowCondition // the worst first
	Next       []NowNext
	UPSs       []NowUPS
	Batteries  *Timeline
	Plan       *Timeline // the hosts, on the batteries' axis
	Together   bool      // rows of the plan are of several hosts
	PlanText   string    // what the times of the hosts' table count on: a sentence
	Hosts      []NowHost
	HostsText  string      // how many there are of each state
	Fold       bool        // the hosts' table is closed until it is opened
	Outages    []NowOutage // the last ones, the newest first
	Events     []NowNext   // the last ones, the newest first

	Program string // what made it, with its version
}

// Figure is one named figure.
type Figure struct{ Name, Text string }

// NowCondition is what an operator must know of now.
type NowCondition struct {
	Severity, Code, Of, Since, Text string
	Bad                             bool // critical
}

// NowNext is something that happens, or has, at a time.
type NowNext struct{ At, In, Text string }

// NowUPS is one UPS.
type NowUPS struct {
	Name, Phase string
	Bad         bool // on battery, or it does not answer
	Charge      int  // percent
	Figures     []Figure
	Fault       string // of the last poll
	Basis       string // on what its forecast rests
}

// NowHost is a host's row; a dash for what it has not.
type NowHost struct {
	Name, State, Asked, Off, Latest, Margin, Promised, Why string
	Priority                                               int64
	Broken                                                 bool // its promise is
}

// NowOutage is one that is over.
type NowOutage struct {
	Name, When string
	Report     string // address of its report
}

//go:embed now.html
var nowPage string

var nowTemplate = template.Must(template.Must(template.New("now").Funcs(template.FuncMap{"tie": tie, "typed": typed, "timeline": drawTimeline}).Parse(style)).Parse(nowPage))

// NowHTML writes the page of a running agent: no script, no other file.
func NowHTML(w io.Writer, n *Now) error { return nowTemplate.Execute(w, n) }
