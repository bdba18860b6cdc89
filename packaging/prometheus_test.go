package packaging

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"ebbline/agent"
	"ebbline/agent/metrics"
	"ebbline/agent/peertest"
)

// Aim: the rules alert when they should and not when they should not. Method:
// promtool, with the figures of ebbline.test.yml.
func TestAlertRules(t *testing.T) {
	for _, args := range [][]string{{"check", "rules", "prometheus/ebbline.rules.yml"}, {"test", "rules", "prometheus/ebbline.test.yml"}} {
		if err := peertest.PromTool(t, args...); err != nil {
			t.Error(err)
		}
	}
}

// Aim: rules and dashboard speak of figures that there are. Method: a real Prometheus
// reads an agent's figures with everything in them; every expression of the dashboard
// gives something, and the alerts that these figures call for are raised. (How the
// dashboard looks is not tested: Debian has no program that shows it.)
func TestDashboardAndAlerts(t *testing.T) {
	var lock sync.Mutex // of the view, which changes on the way
	n, f := int64(50), 21.5
	view := agent.View{
		At: time.Now(), Site: "home", Fits: true, Outage: &agent.OutageView{Number: 1, LostAt: time.Now()}, PointOfNoReturn: &n, MarginSeconds: &n,
		UPSs: []agent.UPSView{{Name: "rack", Phase: "ride_through", OnBattery: true, AnswerAgeSeconds: &n, LoadWatts: 300,
			RuntimeSeconds: agent.ThreeWay{Low: &n}, OwnChargePercent: &f, OwnTemperatureCelsius: &f, OwnInputVolts: &f}},
		Hosts:      []agent.HostView{{Name: "nas", FedBy: []string{"rack"}, Power: "asked"}},
		Conditions: []agent.Condition{{Code: "battery-low", UPS: "rack"}},
	}
	agentAt := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		lock.Lock()
		defer lock.Unlock()
		view.At = time.Now()
		w.Header().Set("Content-Type", metrics.ContentType)
		w.Write(metrics.Write(&view, "1", time.Now()))
	}))
	defer agentAt.Close()
	p := peertest.StartPrometheus(t, agentAt.URL+"/metrics", "", "prometheus/ebbline.rules.yml")
	p.Await(`ALERTS{alertname="EbblineOnBattery",alertstate="firing",ups="rack"}`, func(s []peertest.Sample) bool { return len(s) == 1 })
	p.Await(`ALERTS{alertname="EbblineLittleTime",alertstate="firing"}`, func(s []peertest.Sample) bool { return len(s) == 1 })
	p.Await(`ALERTS{alertname="EbblineCondition",code="battery-low"}`, func(s []peertest.Sample) bool { return len(s) == 1 })
	if got := p.Ask(`ALERTS{alertname=~"EbblineGone|EbblineStandsStill|EbblinePlanDoesNotFit|EbblineOutageOnlyWatched|EbblineOnlyWatches"}`); len(got) > 0 {
		t.Errorf("without need: %v", got)
	}
	lock.Lock()
	view.Observing, view.Hosts = "site", []agent.HostView{{Name: "nas", FedBy: []string{"rack"}, Power: "up", Observed: true}}
	lock.Unlock()
	p.Await(`ALERTS{alertname="EbblineOutageOnlyWatched",alertstate="firing"}`, func(s []peertest.Sample) bool { return len(s) == 1 })
	p.Await(`ALERTS{alertname="EbblineOnlyWatches",alertstate="pending"}`, func(s []peertest.Sample) bool { return len(s) == 1 })
	p.Await(`ALERTS{alertname="EbblineLittleTime"}`, func(s []peertest.Sample) bool { return len(s) == 0 })
	lock.Lock()
	view.Observing, view.Hosts[0].Power = "hosts", "asked"
	lock.Unlock()
	p.Await(`ALERTS{alertname="EbblineOnlyWatches",alertstate="pending",host="nas"}`, func(s []peertest.Sample) bool { return len(s) == 1 })
	p.Await(`ALERTS{alertname="EbblineOutageOnlyWatched"}`, func(s []peertest.Sample) bool { return len(s) == 0 })

	text, err := os.ReadFile("prometheus/ebbline-dashboard.json")
	if err != nil {
		t.Fatal(err)
	}
	var board struct {
		Panels []struct {
			Title   string
			Targets []struct{ Expr string }
		}
	}
	if err := json.Unmarshal(text, &board); err != nil {
		t.Fatal(err)
	}
	asked := 0
	for _, panel := range board.Panels {
		for _, x := range panel.Targets {
			asked++
			expression := strings.ReplaceAll(x.Expr, "$instance", ".+")
			if len(p.Ask(expression)) == 0 {
				t.Errorf("%s: %s gives nothing", panel.Title, expression)
			}
		}
	}
	if asked < 10 {
		t.Errorf("the dashboard asks for %d things", asked)
	}
}
