package main

import (
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"time"

	"go.uber.org/zap"

	"ebbline/agent"
	"ebbline/agent/metrics"
	"ebbline/agent/web"
	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/simulate/report"
)

// seat is what the running agent shows to those who look: its figures and its page.
type seat struct {
	agent   *agent.Agent
	started time.Time
	reports string // folder with the reports of outages
	metrics http.Handler
	server  *web.Server
}

func newSeat(a *agent.Agent, state string, read secrets, log *zap.Logger) *seat {
	s := &seat{agent: a, started: time.Now(), reports: filepath.Join(state, reportsFolder)}
	s.metrics = web.Cached(metrics.ContentType, func() []byte {
		v := a.View()
		return metrics.Write(&v, Version, s.started)
	})
	s.server = web.New(web.Config{Metrics: s.metrics, Page: s.pages(), Secrets: read, Log: log, Fault: s.fault})
	return s
}

// adopt serves what a policy says, at once, in an outage too; nil changes nothing.
func (s *seat) adopt(p *policy.Policy) {
	if p != nil {
		s.server.Adopt(p.Site)
	}
}

// fault raises the condition that something is not served; "" settles it.
func (s *seat) fault(text string) {
	switch {
	case text == "":
		s.agent.Settle(shutdown.NotServed)
	case s.agent.View().Site != "": // else it has not begun, and will be told again
		s.agent.RaiseWith(shutdown.NotServed, text)
	}
}

// pages are what a browser finds: how things stand, read again by itself or not, and
// the reports of outages.
func (s *seat) pages() http.Handler {
	mux := http.NewServeMux()
	page := func(still bool) http.Handler {
		return web.Page(func() []byte {
			v := s.agent.View()
			return (&paint{v: &v, courses: s.agent.Courses, outages: pastOutages(s.reports), zone: time.Local, still: still, version: Version}).html()
		})
	}
	mux.Handle("GET /{$}", page(false))
	mux.Handle("GET /still", page(true))
	mux.HandleFunc("GET /outages/{name}", s.report)
	return mux
}

// reportName is what the report of an outage is called: when it began, in UTC, and its
// number.
var reportName = regexp.MustCompile(`^(\d{8}T\d{6}Z)-outage-(\d+)$`)

const (
	reportTime    = "20060102T150405Z"
	longestReport = 16 << 20
	outagesShown  = 10
)

// pastOutages lists the last outages that have a report, the newest first.
func pastOutages(folder string) []report.NowOutage {
	names, _ := filepath.Glob(filepath.Join(folder, "*Z-outage-*.html"))
	slices.Sort(names)
	var out []report.NowOutage
	for _, path := range slices.Backward(names) {
		base := filepath.Base(path)
		name := base[:len(base)-len(".html")]
		m := reportName.FindStringSubmatch(name)
		if m == nil {
			continue
		}
		if began, err := time.Parse(reportTime, m[1]); err == nil && len(out) < outagesShown {
			out = append(out, report.NowOutage{Name: "Outage " + m[2], When: began.Local().Format("Mon 2 Jan 2006 15:04:05"), Report: "/outages/" + name})
		}
	}
	return out
}

// report shows the report of one outage.
func (s *seat) report(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	if !reportName.MatchString(name) { // no other file is reached by it
		http.NotFound(w, r)
		return
	}
	body, err := readLimited(filepath.Join(s.reports, name+".html"), longestReport)
	switch {
	case errors.Is(err, os.ErrNotExist):
		http.Error(w, "There is no report of this outage any more. `ebbline history` makes it again.", http.StatusNotFound)
	case err != nil:
		http.Error(w, fmt.Sprintf("The report cannot be read: %v.", reason(err)), http.StatusInternalServerError)
	default:
		web.Report(w, body)
	}
}
