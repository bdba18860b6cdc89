package metrics

import (
	"bytes"
	"fmt"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbline/agent"
	"ebbline/agent/peertest"
)

// sample is a view with everything in it, in an outage; one name is none that a policy
// may have, to see that nothing breaks out of a label.
func sample() *agent.View {
	n := func(i int64) *int64 { return &i }
	f := func(x float64) *float64 { return &x }
	yes := true
	return &agent.View{
		At: time.Unix(1_800_000_000, 250e6), TurnAge: 3, Site: "barn", NextPolicy: "ab", Outages: 7, Fits: true,
		Outage:          &agent.OutageView{Number: 7, LostAt: time.Unix(1_799_999_900, 0), ElapsedSeconds: 100, Held: true},
		PointOfNoReturn: n(400), MarginSeconds: n(-3),
		UPSs: []agent.UPSView{
			{Name: "rack", Phase: "ride_through", OnBattery: true, AnswerAgeSeconds: n(2), LoadWatts: 450, ChargePercent: 87.5,
				RuntimeSeconds: agent.ThreeWay{Low: n(600), Likely: n(700)}, MarginSeconds: n(-3), OwnChargePercent: f(88), OwnRuntimeSeconds: n(900),
				OwnTemperatureCelsius: f(25.5), OwnInputVolts: f(0)},
			{Name: "new", Phase: "normal", Fault: "no answer"},
		},
		Hosts: []agent.HostView{
			{Name: "nas", FedBy: []string{"new", "rack"}, Power: "going late", StopSeconds: n(130), LatestStartSeconds: n(90), PromisedSeconds: n(120), PromiseKept: &yes},
			{Name: "a\"b\\c\nd\xff", Power: "off", Off: true},
		},
		Conditions: []agent.Condition{{Code: "source-silent", UPS: "new"}, {Code: "hold-in-force"}},
	}
}

var started = time.Unix(1_799_000_000, 0)

// Aim: Prometheus reads every figure as it is meant, and its linter finds nothing to
// say. Method: promtool, and a real Prometheus that reads the sample; a view of an
// agent without a policy must do as well. The conventions are those of
// https://prometheus.io/docs/practices/naming/.
func TestPrometheusReads(t *testing.T) {
	text := Write(sample(), "1.2", started)
	for _, body := range [][]byte{text, Write(&agent.View{}, "", started)} {
		if err := peertest.LintMetrics(t, body); err != nil {
			t.Errorf("%v\n%s", err, body)
		}
	}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", ContentType)
		w.Write(text)
	}))
	defer server.Close()
	p := peertest.StartPrometheus(t, server.URL+"/metrics", "")
	p.Await("up", func(s []peertest.Sample) bool { return len(s) == 1 && s[0].Value == "1" })
	for expression, want := range map[string]string{
		`ebbline_build_info{version="1.2"}`:                                              "1",
		`ebbline_turn_age_seconds`:                                                       "3",
		`ebbline_policy_waiting`:                                                         "1",
		`ebbline_outages_total`:                                                          "7",
		`ebbline_outage_start_time_seconds`:                                              "1799999900",
		`ebbline_order_active{order="hold"}`:                                             "1",
		`ebbline_plan_margin_seconds`:                                                    "-3",
		`ebbline_plan_no_return_seconds`:                                                 "300", // of 400, 100 are over
		`ebbline_ups_phase{ups="rack",phase="ride_through"}`:                             "1",
		`ebbline_ups_charge_ratio{ups="rack"}`:                                           "0.875",
		`ebbline_ups_runtime_seconds{ups="rack",projection="likely"}`:                    "700",
		`ebbline_ups_own_charge_ratio{ups="rack"}`:                                       "0.88",
		`ebbline_ups_own_input_volts{ups="rack"}`:                                        "0",
		`ebbline_ups_answering{ups="new"}`:                                               "0",
		`ebbline_host_info{host="nas",ups="rack"}`:                                       "1",
		`ebbline_host_state{host="nas",state="going_late"}`:                              "1",
		`ebbline_host_stop_seconds{host="nas"}`:                                          "30",
		`ebbline_host_latest_start_seconds{host="nas"}`:                                  "-10",
		`ebbline_conditions{severity="critical"}`:                                        "1",
		`ebbline_condition{code="source-silent",severity="critical",ups=~"new",host=""}`: "1",
	} {
		if got := p.Ask(expression); len(got) != 1 || got[0].Value != want {
			t.Errorf("%s is %v, want %s", expression, got, want)
		}
	}
	if got := p.Ask(`ebbline_host_off == 1`); len(got) != 1 || got[0].Labels["host"] != "a\"b\\c\nd\ufffd" {
		t.Errorf("a name that no policy may have comes out as %q", got)
	}
	// What nobody knows is absent, not zero.
	for _, expression := range []string{`ebbline_ups_runtime_seconds{projection="high"}`, `ebbline_ups_load_watts{ups="new"}`, `ebbline_ups_own_charge_ratio{ups="new"}`, `ebbline_host_stop_seconds{host!="nas"}`} {
		if got := p.Ask(expression); len(got) > 0 {
			t.Errorf("%s is %v, and is not known", expression, got)
		}
	}
}

// Aim: the linter can complain. Method: figures with a fault that the conventions name.
func TestLintNotices(t *testing.T) {
	if peertest.LintMetrics(t, []byte("# HELP ebbline_outages Outages.\n# TYPE ebbline_outages counter\nebbline_outages 1\n")) == nil {
		t.Error("a counter without _total is not noticed")
	}
}

// Aim: the number of series is bounded by the policy. Method: every label of the
// sample is one of those that take names of the policy or words of this program, and
// an agent whose every text changes adds none.
func TestLabelsAreBounded(t *testing.T) {
	names := regexp.MustCompile(`[{,]([a-z_]+)="`)
	bounded := strings.Fields("version site order ups host phase state projection code severity")
	v := sample()
	first := Write(v, "1.2", started)
	for _, m := range names.FindAllSubmatch(first, -1) {
		if !slices.Contains(bounded, string(m[1])) {
			t.Errorf("the label %s may have any number of values", m[1])
		}
	}
	for i := range v.Conditions {
		v.Conditions[i].Text = fmt.Sprint("something else ", i)
	}
	v.Policy, v.Status, v.UPSs[0].Fault, v.UPSs[0].Basis, v.Hosts[0].Reason = "other", "other", "", "other", "other"
	v.Records = []agent.Record{{Text: "other"}}
	if !bytes.Equal(first, Write(v, "1.2", started)) {
		t.Error("a text is in the figures")
	}
}
