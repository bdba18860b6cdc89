package history

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ebbline/shutdown"
)

// Aim: what is told of an outage's hosts and batteries, of actions, orders and conditions is
// read as it was recorded, by the program and by sqlite3; what is told twice is
// there once; histories of versions 1 to 4 take it, and lose nothing.
// A host that was only watched counts as none that was asked.
// Method: one of each into a new file, and into files of the older versions, made by
// sqlite3 from the dump of version 1 and the steps to the later ones.
func TestAccountRoundTrip(t *testing.T) {
	one := string(contents(t, "testdata/version1.sql"))
	for name, dump := range map[string]string{"new": "", "version 1": one, "version 2": one + version2 + "PRAGMA user_version = 2;", "version 3": one + version2 + version3 + "PRAGMA user_version = 3;",
		"version 4": one + version2 + version3 + version4 + "PRAGMA user_version = 4;"} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "history.db")
			if dump != "" {
				shell(t, path, dump)
			}
			s := open(t, path, Options{})
			o := anOutage(9, 500)
			of := o.Key()
			host := OutageHost{Host: "desk", Priority: 10, Needs: []string{"disks", "net"}, RunsOn: "disks", FedBy: []string{"rack", "shelf"},
				StopsIn: time.Minute, GivesUp: 2 * time.Minute, KeepFor: 5 * time.Minute}
			must(t, s.RecordOutage(o))
			seen := OutageHost{Host: "trial", Priority: 5, FedBy: []string{"rack"}, Observed: true, StopsIn: time.Minute, GivesUp: 2 * time.Minute}
			must(t, s.RecordRoom(Room{of, []OutageHost{host, seen}}))
			must(t, s.RecordAsking(Asking{Of: of, Host: "trial", At: at(610), Why: "its turn has come", MarginUnknown: true}))
			host.Planned, host.PlanStop, host.PlanOff = true, 90*time.Second, 150*time.Second
			must(t, s.RecordRoom(Room{of, []OutageHost{host}}))
			must(t, s.RecordAsking(Asking{Of: of, Host: "desk", At: at(600), Why: "its turn has come", Margin: -1500 * time.Millisecond}))
			must(t, s.RecordCut(Cut{of, "desk", at(640)}))
			must(t, s.RecordCut(Cut{of, "desk", at(650)}))
			left := LeftOver{of, "rack", "desk", at(640), 450, 80 * time.Second, 90 * time.Second, 100 * time.Second, time.Minute, 350, 333, 77}
			must(t, s.RecordLeftOver(left))
			order := GivenOrder{at(610), 9, "hold", "root"}
			must(t, s.RecordOrder(order))
			off := Action{Code: "output-goes-off", UPS: "rack", At: at(612), Outage: 9, Text: "UPS rack is told to switch its output off"}
			early := Action{Code: "early-step", Host: "desk", At: at(590), Outage: 9, Text: "desk is given its early step"}
			lost := early // the stop overtook it: what came of it is not known
			lost.At = at(580)
			for _, a := range []Action{off, off, lost, early} {
				must(t, s.RecordAction(a))
			}
			must(t, s.RecordActionEnd("early-step", "", "desk", at(595), shutdown.Unknown, "no answer"))
			must(t, s.RecordActionEnd("early-step", "", "desk", at(599), shutdown.Accepted, "again")) // it has ended
			must(t, s.RecordActionEnd("output-goes-off", "rack", "", at(613), shutdown.Accepted, ""))
			raised := Condition{Code: "battery-low", UPS: "rack", Raised: at(620), Outage: 9, Text: "UPS rack says its battery is low."}
			must(t, s.RecordCondition(raised))
			again := raised
			again.Raised = at(625)
			must(t, s.RecordCondition(again)) // it stands already
			must(t, s.RecordOver("battery-low", "rack", "", at(660)))
			stays := Condition{Code: "battery-replace", UPS: "rack", Raised: at(700), Text: "worn"}
			must(t, s.RecordStanding(at(710), []Condition{stays, {Code: "host-unready", Host: "desk", Raised: at(705), Text: "no key"}}))
			must(t, s.RecordStanding(at(720), []Condition{stays}))
			must(t, s.Flush(t.Context()))

			r, ctx := reader(t, path), t.Context()
			host.Asked, host.Why, host.Margin, host.Cut = at(600), "its turn has come", -1500*time.Millisecond, at(640)
			hosts, err := r.OutageHosts(ctx, of)
			must(t, err)
			seen.Asked, seen.Why, seen.MarginUnknown = at(610), "its turn has come", true
			equal(t, "hosts", []OutageHost{host, seen}, hosts)
			lefts, err := r.LeftOvers(ctx, of)
			must(t, err)
			equal(t, "what was left", []LeftOver{left}, lefts)
			orders, err := r.Orders(ctx, Always, 10)
			must(t, err)
			equal(t, "orders", []GivenOrder{order}, orders)
			off.Ended, off.Outcome = at(613), "accepted"
			early.Ended, early.Outcome, early.Said = at(595), "unknown", "no answer"
			actions, err := r.Actions(ctx, Always, 10)
			must(t, err)
			equal(t, "actions", []Action{lost, early, off}, actions)
			raised.Over = at(660)
			unready := Condition{Code: "host-unready", Host: "desk", Raised: at(705), Over: at(720), Text: "no key"}
			conditions, err := r.Conditions(ctx, Always, 10)
			must(t, err)
			equal(t, "conditions", []Condition{raised, stays, unready}, conditions)
			now, err := r.Conditions(ctx, Span{at(715).At, at(719).At}, 10)
			must(t, err)
			equal(t, "conditions of a span", []Condition{stays, unready}, now)
			sums, err := r.OutageSums(ctx)
			must(t, err)
			equal(t, "sums", map[OutageKey]OutageSum{of: {Asked: 1, Cut: 1, Margin: 20 * time.Second, HasMargin: true}}, sums)
			got := shell(t, path, `PRAGMA user_version; SELECT planned_stop_seconds, asked_seconds, margin_seconds, cut_seconds FROM outage_hosts WHERE NOT observed;
				SELECT host, asked_utc IS NULL, asked_seconds IS NULL, would_be_asked_seconds FROM outage_hosts WHERE observed;
				SELECT last_host, margin_seconds, own_charge_percent FROM outage_margins; SELECT word, by_whom FROM orders;
				SELECT code, ups, host, seconds, outcome, said FROM actions WHERE outcome IS NOT NULL;
				SELECT code, seconds FROM conditions WHERE over_utc IS NOT NULL; PRAGMA integrity_check`)
			if want := "5\n90.0|100.0|-1.5|140.0\ntrial|1|1|110.0\ndesk|20|33.3\nhold|root\nearly-step||desk|5.0|unknown|no answer\noutput-goes-off|rack||1.0|accepted|\nbattery-low|40.0\nhost-unready|15.0\nok"; got != want {
				t.Errorf("sqlite3 says\n%s\nnot\n%s", got, want)
			}
			if dump != "" && shell(t, path, "SELECT count(*) FROM outage WHERE number = 7") != "1" {
				t.Error("the outage that was there is gone")
			}
		})
	}
}

func equal(t *testing.T, what string, want, got any) {
	t.Helper()
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("%s:\n%s", what, d)
	}
}

// Aim: what a changed file says is one line that can be shown. Method: sqlite3
// writes escape sequences and line breaks where names and reasons stand.
func TestAccountIsPrintable(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, path, Options{})
	o := anOutage(9, 500)
	must(t, s.RecordOutage(o))
	must(t, s.RecordRoom(Room{o.Key(), []OutageHost{{Host: "desk", Needs: []string{"x"}, FedBy: []string{"y"}}}}))
	must(t, s.RecordOrder(GivenOrder{at(610), 9, "hold", "root"}))
	must(t, s.Flush(t.Context()))
	shell(t, path, `UPDATE outage_host SET host = char(27) || '[2Jdesk', why = 'a' || char(10) || 'b'; UPDATE given_order SET by_whom = char(8238) || 'toor'`)
	r := reader(t, path)
	hosts, err := r.OutageHosts(t.Context(), o.Key())
	must(t, err)
	orders, err := r.Orders(t.Context(), Always, 1)
	must(t, err)
	if hosts[0].Host != " [2Jdesk" || hosts[0].Why != "a b" || orders[0].By != " toor" {
		t.Errorf("%q, %q, %q", hosts[0].Host, hosts[0].Why, orders[0].By)
	}
}

// Aim: a record of an outage that is not there, or that makes no sense, harms
// nothing. Method: such records, then a good one.
func TestAccountRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, path, Options{})
	of := OutageKey{"barn", 3, at(5).At}
	for i, err := range []error{
		s.RecordRoom(Room{OutageKey{}, nil}), s.RecordAsking(Asking{Of: of, At: at(1)}), s.RecordCut(Cut{Of: of, Host: "desk"}), s.RecordOrder(GivenOrder{At: at(1)}),
		s.RecordLeftOver(LeftOver{Of: of, UPS: "a", Host: "b", At: at(1), Low: 2}), s.RecordCondition(Condition{Raised: at(1)}), s.RecordStanding(Moment{}, nil),
		s.RecordAction(Action{At: at(1)}), s.RecordActionEnd("early-step", "", "desk", at(1), 0, ""),
	} {
		if err == nil {
			t.Errorf("record %d is taken", i)
		}
	}
	must(t, s.RecordRoom(Room{of, []OutageHost{{Host: "desk"}}}))
	must(t, s.RecordAsking(Asking{Of: of, Host: "desk", At: at(7)}))
	must(t, s.RecordStop(Stop{"desk", at(7), 3, "ssh", time.Second, Clean}))
	must(t, s.Flush(t.Context()))
	if got := shell(t, path, "SELECT (SELECT count(*) FROM outage_host), (SELECT count(*) FROM stop)"); got != "0|1" {
		t.Errorf("rows: %s", got)
	}
}

// Aim: when room is short the oldest conditions that are over go, and none that
// stands. Method: the statement that does it, for two of three that are over.
func TestConditionsGo(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	s := open(t, path, Options{})
	for i, code := range []string{"stands", "first", "second", "third"} {
		must(t, s.RecordCondition(Condition{Code: code, Raised: at(float64(100 + i)), Text: "x"}))
		if i > 0 {
			must(t, s.RecordOver(code, "", "", at(200)))
		}
	}
	must(t, s.Close(t.Context()))
	query := strings.NewReplacer("?1", "9223372036854775807", "?2", "2").Replace(prunings[len(prunings)-1])
	if got := shell(t, path, query+"; SELECT code FROM condition ORDER BY raised_ns"); got != "stands\nthird" {
		t.Errorf("left are %q", got)
	}
}
