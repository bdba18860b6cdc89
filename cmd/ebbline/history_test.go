package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode/utf8"

	"ebbline/agent/history"
	"ebbline/agent/peertest"
	"ebbline/policy/electrical"
	"ebbline/shutdown"
)

var papers = flag.String("papers", "", "a folder to leave the report of a real outage in, for looking at")

// ask runs ebbline and gives what it prints.
func (r *room) ask(args ...string) string {
	r.t.Helper()
	out, err := r.command(args...).Output()
	if err != nil {
		r.t.Fatalf("ebbline %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return string(out)
}

// sqlite3 asks the agent's history.
func (r *room) sqlite3(query string) string {
	r.t.Helper()
	out, err := r.counted(query)
	if err != nil {
		r.t.Fatalf("sqlite3: %v\n%s", err, out)
	}
	return out
}

// counted is the same for a history that may not be there yet.
func (r *room) counted(query string) (string, error) {
	out, err := exec.Command("sqlite3", filepath.Join(r.folder, "state", historyFile), query).CombinedOutput()
	return strings.TrimSpace(string(out)), err
}

// recorded waits until the history has what a count asks for: it is written beside the
// decisions, and what is not there when the agent is killed is lost.
func (r *room) recorded(count string) {
	r.t.Helper()
	r.until("the history has it: "+count, time.Minute, func() bool {
		out, err := r.counted(count)
		return err == nil && out != "0"
	})
}

// Aim: after an outage the history says what really happened: which host stopped
// when and how long it took, in which order, what the battery had left, what came
// back, and that app needs more time than was counted on; while it is on it is shown
// as such; sqlite3 reads the same numbers; the agent has written text and page.
// Method: a real agent over net-snmp's snmpd and OpenSSH hosts, whose own records say
// when they stopped; app takes seven seconds where three are counted on; lab cannot
// be woken, for it has lost its power meanwhile.
func TestHistoryOfAnOutage(t *testing.T) {
	t.Parallel()
	r := startRoom(t)
	r.rack.SetMode(1, peertest.Slow(7*time.Second))
	r.start("one")
	r.until("normal mode", time.Minute, func() bool { return r.phase() == "normal" })
	r.condition()
	r.ask("status", "--hold")
	r.ask("status", "--proceed")
	r.card.Unplug()
	r.until("the first host is asked", time.Minute, func() bool { return len(r.rack.Commands(0)) > 0 })
	r.until("the history shows the outage that is on", time.Minute, func() bool {
		out, err := r.command("history", "last").Output()
		return err == nil && strings.Contains(string(out), "STILL ON") && strings.Contains(string(out), "still away after")
	})
	for i, name := range r.names {
		r.until(name+" is down", 2*time.Minute, func() bool { return !r.rack.Up(i) })
	}
	r.until("the agent's own host is told to stop", 2*time.Minute, func() bool {
		_, err := os.Stat(r.stopped())
		return err == nil
	})
	var stopped [3]time.Time
	for i := range stopped {
		stopped[i] = r.rack.StoppedAt(i)
	}
	r.recorded("SELECT count(*) FROM stop WHERE host = 'nas'") // a host that goes down in order takes longer than that
	r.kill()
	r.card.PlugIn()
	r.start("two")
	r.until("all is normal", 5*time.Minute, func() bool { return r.phase() == "normal" })
	pages := func() []string {
		list, _ := filepath.Glob(filepath.Join(r.folder, "state", reportsFolder, "*-outage-1.html"))
		return list
	}
	r.until("the agent writes its report", time.Minute, func() bool { return len(pages()) == 1 })

	var d outageDocument
	if err := json.Unmarshal([]byte(r.ask("history", "1", "--json")), &d); err != nil {
		t.Fatal(err)
	}
	if d.Running || d.InTime == nil || !*d.InTime || d.Margin == nil || len(d.Hosts) != 4 || !d.Complete {
		t.Errorf("%+v", d)
	}
	for i, name := range r.names {
		r.compare(&d, name, stopped[i])
	}
	text, _ := os.ReadFile(strings.TrimSuffix(pages()[0], "html") + "txt")
	r.reads(string(text))
	page, _ := os.ReadFile(pages()[0])
	for _, want := range []string{"All stopped hosts were off in time", "Write stops_in", "<svg", "Batteries: predicted against measured"} {
		if !strings.Contains(string(page), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if *papers != "" {
		for name, text := range map[string][]byte{"outage.html": page, "outage.txt": text, "history.txt": []byte(r.ask("history"))} {
			os.WriteFile(filepath.Join(*papers, name), text, 0o644)
		}
	}
	r.lists()
}

// condition has a condition raised that the core does not know of, and settled
// again, and waits until the history has both.
func (r *room) condition() {
	r.t.Helper()
	good, err := os.ReadFile(r.policy)
	if err != nil {
		r.t.Fatal(err)
	}
	reload := func(text []byte, want string) {
		os.WriteFile(r.policy, text, 0o644)
		r.agent.Process.Signal(syscall.SIGHUP)
		r.until("the history has "+want, time.Minute, func() bool {
			out, err := r.command("history", "conditions", "--csv").Output()
			return err == nil && strings.Contains(string(out), want)
		})
	}
	reload([]byte("nonsense {"), ",,,policy-refused,") // no end, no UPS, no host
	reload(good, "policy-refused")
	r.until("that it is over", time.Minute, func() bool {
		return r.sqlite3("SELECT count(*) FROM conditions WHERE code = 'policy-refused' AND over_utc IS NOT NULL") == "1"
	})
}

// compare holds what is told of a host against its own record of when it stopped,
// and against what sqlite3 reads.
func (r *room) compare(d *outageDocument, name string, stopped time.Time) {
	r.t.Helper()
	for i := range d.Hosts {
		h := &d.Hosts[i]
		if h.Name != name {
			continue
		}
		var asked, took int64
		fmt.Sscanf(r.sqlite3("SELECT asked_ms, took_ms FROM stop WHERE host = '"+name+"'"), "%d|%d", &asked, &took)
		if at := stopped.UnixMilli(); at < asked || at > asked+took {
			r.t.Errorf("%s stopped at %v; told is from %v to %v", name, stopped, time.UnixMilli(asked), time.UnixMilli(asked+took))
		}
		if h.Fate != "off" || h.InOrder == nil || !*h.InOrder || h.Back == nil || !*h.Back || h.Planned == nil || h.Reason == "" {
			r.t.Errorf("%s: %+v", name, h)
		}
		want := r.sqlite3("SELECT printf('%.1f %.1f %.1f', asked_seconds, took_seconds, margin_seconds) FROM outage_hosts WHERE host = '" + name + "'")
		if got := fmt.Sprintf("%.1f %.1f %.1f", *h.Asked, *h.Took, *h.Margin); got != want && !near10(got, want) {
			r.t.Errorf("%s: told %s, by sqlite3 %s", name, got, want)
		}
		return
	}
	r.t.Errorf("nothing is told of %s", name)
}

// near10 tells whether figures differ by a tenth at most: one rounds, the other
// rounds down.
func near10(a, b string) bool {
	var x, y [3]float64
	fmt.Sscan(a, &x[0], &x[1], &x[2])
	fmt.Sscan(b, &y[0], &y[1], &y[2])
	for i := range x {
		if x[i]-y[i] > 0.11 || y[i]-x[i] > 0.11 {
			return false
		}
	}
	return true
}

// reads holds the text to what it is to say, and to its form: what is needed first
// in ten lines, 80 columns.
func (r *room) reads(text string) {
	r.t.Helper()
	head := strings.Join(strings.Split(text, "\n")[:headLines], "\n")
	for _, want := range []string{"Outage 1 of room, ", ", all normal after ", "All stopped hosts were off in time", "hosts   4 of 4 were to stop; 3 off in time, board told last; in order",
		"beyond the 5s reserve, on UPS rack when nas went off", "back    4 of 4", "next    1. Write stops_in = "} {
		if !strings.Contains(head, want) {
			r.t.Errorf("the head does not say %q:\n%s", want, head)
		}
	}
	// It takes nine or ten seconds, and a loaded machine more; those for which it must be silent are no part of it.
	if !regexp.MustCompile(`for host app:\s+it\s+took \d+s`).MatchString(head) {
		r.t.Errorf("the head does not say how long app took:\n%s", head)
	}
	if !regexp.MustCompile(`\d{4}-\d\d-\d\d \d\d:\d\d:\d\d [+-]\d\d:\d\d`).MatchString(head) {
		r.t.Errorf("the head does not say the time with its offset:\n%s", head)
	}
	for line := range strings.Lines(text) {
		if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > 80 {
			r.t.Errorf("a line of %d columns: %q", n, line)
		}
	}
}

// lists asks for the lists, as text, JSON and CSV.
func (r *room) lists() {
	r.t.Helper()
	text := r.ask("history")
	for _, want := range []string{"1 outage", "3 stops", "3 starts", "2 orders", "hold", "conditions\n", "policy-refused", "ebbline history last"} {
		if !strings.Contains(text, want) {
			r.t.Errorf("the overview does not say %q:\n%s", want, text)
		}
	}
	rows, err := csv.NewReader(strings.NewReader(r.ask("history", "stops", "--csv"))).ReadAll()
	if err != nil || len(rows) != 4 || rows[1][0] != "stop" {
		r.t.Errorf("%v, %v", rows, err)
	}
	var all map[string][]map[string]any
	whole := r.ask("history", "--json")
	json.Unmarshal([]byte(whole), &all) // "history" is a text: the rest is read all the same
	for _, kind := range kinds {
		if _, there := all[kind]; !there {
			r.t.Errorf("the document has no %s:\n%s", kind, whole)
		}
	}
	if got, want := fmt.Sprint(len(all["stops"])), r.sqlite3("SELECT count(*) FROM stopping_times"); got != want {
		r.t.Errorf("%s stops, by sqlite3 %s", got, want)
	}
}

// Aim: what cannot be shown is told with the next step, and nothing else is printed.
// Method: histories that are missing, damaged, of another program, of a newer and of
// an older version; words that name nothing; flags that do not go together.
func TestHistoryRefuses(t *testing.T) {
	dir := t.TempDir()
	good := filledHistory(t, filepath.Join(dir, "good.db"))
	change := func(name, query string) string {
		path := filepath.Join(dir, name)
		text, err := os.ReadFile(good)
		if err != nil {
			t.Fatal(err)
		}
		os.WriteFile(path, text, 0o644)
		if out, err := exec.Command("sqlite3", path, query).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		return path
	}
	damaged := change("damaged.db", "")
	text, _ := os.ReadFile(damaged)
	for i := 100; i < len(text); i++ { // the header stays
		text[i] = 'x'
	}
	os.WriteFile(damaged, text, 0o644)
	os.WriteFile(filepath.Join(dir, "text"), []byte("not a database, and long enough to be looked at as one, if anything did that here\n"), 0o644)
	for _, c := range []struct {
		args string
		code int
		want string
	}{
		{"--history " + filepath.Join(dir, "none.db"), exitFailed, "The agent begins it when it first has something to write"},
		{"--history " + damaged, exitFailed, "is damaged. The agent sets it aside"},
		{"--history " + filepath.Join(dir, "text"), exitFailed, "is not an ebbline history"},
		{"--history " + change("newer.db", "PRAGMA user_version = 99"), exitFailed, "is of a newer version of ebbline than this one"},
		{"last --history " + change("older.db", "PRAGMA user_version = 2"), exitFailed, "Start the agent once; it brings the file up to date"},
		{"7 --history " + good, exitFailed, "no such outage: it holds 2, from outage 3 of"},
		{"2031-01-01 --history " + good, exitFailed, "no such outage"},
		{"outage --history " + good, exitUsage, "Did you mean \"outages\"?"},
		{"nonsense --history " + good, exitUsage, "It is the number of an outage, last, or one of outages,"},
		{"-- -3", exitUsage, "there is no kind"},
		{"--report x.html --history " + good, exitUsage, "--report is of one outage"},
		{"3 --csv --json --history " + good, exitUsage, "--csv goes with neither"},
		{"--history none", exitUsage, "leaves nothing to show"},
		{"3 --report " + filepath.Join(dir, "no/page.html") + " --history " + good, exitFailed, "cannot be written"},
	} {
		var out, wrong bytes.Buffer
		code := Run(t.Context(), append([]string{"history"}, strings.Fields(c.args)...), Streams{Out: &out, Err: &wrong, Env: func(string) string { return "" }})
		if code != c.code || (out.Len() > 0) != strings.Contains(c.args, "--json") || !strings.Contains(wrong.String(), c.want) {
			t.Errorf("history %s: exit code %d, printed %q, told %q", c.args, code, out.String(), wrong.String())
		}
	}
}

// filledHistory writes a history of two outages with one number each, of which the
// last is on, a sag and a test.
func filledHistory(t *testing.T, path string) string {
	t.Helper()
	s, err := history.Open(path, history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	base := time.Date(2026, 11, 28, 2, 14, 7, 0, time.UTC)
	at := func(d time.Duration) history.Moment {
		return history.Moment{At: shutdown.Instant(base.UnixNano()), UTC: base}.When(shutdown.Instant(base.UnixNano()).Add(d))
	}
	const hour = time.Hour
	first := history.Outage{Number: 3, Site: "barn", Began: at(0), Ended: at(hour), Inputs: []history.Input{{UPS: "rack", Lost: at(0), Back: at(hour / 2)}}}
	next := history.Outage{Number: 4, Site: "barn", Began: at(5 * hour), Inputs: []history.Input{{UPS: "rack", Lost: at(5 * hour)}}}
	sag := history.InputEvent{UPS: "rack", Began: at(-hour), Nominal: 230, Event: electrical.Event{From: time.Duration(at(-hour).At), To: time.Duration(at(-hour).At) + 1500*time.Millisecond, Extreme: 62.5, Readings: 2}}
	test := history.Test{UPS: "rack", Began: at(-2 * hour), Seen: at(-hour), Ended: at(-hour), Stop: history.StopAtCutOff, Measured: 20 * time.Minute, LoadWatts: 450}
	wrong := errors.Join(s.RecordOutage(first), s.RecordOutage(next), s.RecordInputEvent(sag), s.RecordTest(test),
		s.RecordRoom(history.Room{Of: first.Key(), Hosts: []history.OutageHost{{Host: "desk", Priority: 10, FedBy: []string{"rack"}, StopsIn: time.Minute, GivesUp: 2 * time.Minute}}}),
		s.RecordAsking(history.Asking{Of: first.Key(), Host: "desk", At: at(hour / 4), Why: "its turn has come", Margin: time.Minute}),
		s.RecordStop(history.Stop{Host: "desk", Asked: at(hour / 4), Outage: 3, Method: "ssh", Took: 2 * time.Minute, Ended: history.GivenUp}),
		s.RecordAction(history.Action{Code: "early-step", Host: "desk", At: at(hour / 5), Outage: 3, Text: "desk is given its early step; its stop is planned in 3m00s"}),
		s.RecordActionEnd("early-step", "", "desk", at(hour/5+20*time.Second), shutdown.Unknown, "the connection broke"),
		s.RecordAction(history.Action{Code: "output-goes-off", UPS: "rack", At: at(hour / 3), Outage: 3, Text: "UPS rack is told to switch its output off in 1m00s and, with the input, on again. What may run still loses its power then: desk."}),
		s.RecordActionEnd("output-goes-off", "rack", "", at(hour/3+2*time.Second), shutdown.Accepted, ""),
		s.RecordOrder(history.GivenOrder{At: at(hour / 4), Outage: 3, Word: "hold", By: "root"}),
		s.Close(t.Context()))
	if wrong != nil {
		t.Fatal(wrong)
	}
	return path
}

// Aim: the lists and a report are as they are shown here, to the letter, in a time
// zone that has another offset in summer. Method: a filled history, in a process whose
// zone is Berlin's.
func TestHistoryText(t *testing.T) {
	good := filledHistory(t, filepath.Join(t.TempDir(), "good.db"))
	show := func(args ...string) string {
		exe, _ := os.Executable()
		cmd := exec.Command(exe, append(args, "--history", good)...)
		cmd.Env = append(os.Environ(), "EBBLINE_TEST_COMMAND=1", "TZ=Europe/Berlin", "LC_ALL=C.UTF-8")
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("%v: %v\n%s", args, err, out)
		}
		return strings.ReplaceAll(string(out), good, "history.db")
	}
	for _, c := range []struct {
		args string
		want []string
	}{
		{"history", []string{"     3  2026-11-28 03:14:07 +01:00  rack         1h00m00s      1    0         -\n", "     4  2026-11-28 08:14:07 +01:00  rack               on      -    -         -\n",
			"  2026-11-28 02:14:07 +01:00  rack          sag            62.5 %       1.5s\n", "  2026-11-28 01:14:07 +01:00  rack            450 W     20m00s  cut-off\n",
			"  2026-11-28 03:29:07 +01:00  desk                  2m00s  ssh            3  given up\n",
			"\n2 actions\n", "  2026-11-28 03:26:07 +01:00  desk              early-step             3  not known to be done\n", "  2026-11-28 03:34:07 +01:00  rack              output-goes-off        3  order taken\n"}},
		{"history 3", []string{"Outage 3 of barn, 2026-11-28 03:14:07 +01:00, all normal after 1h00m00s\n1 host NOT OFF within the allowance.\n",
			"lost    given up: desk\n", "next    1. Look at desk: the whole allowance was used up, and nothing saw it\n        off.", "! ",
			"\nActions, orders and conditions\n  03:26:07  early-step, not known to be done after 20s\n      desk is given its early step; its stop is planned in 3m00s. What came\n      back: the connection broke\n" +
				"  03:29:07  order: hold\n      by root\n  03:34:07  output-goes-off, order taken after 2s\n      UPS rack is told to switch its output off in 1m00s and, with the input, on\n      again. What may run still loses its power then: desk.\n",
			"output of rack told to go off at 20m00s"}},
		{"history 3 --json", []string{`"code": "output-goes-off"`, `"outcome": "unknown"`, `"said": "the connection broke"`}},
		{"history last", []string{"Outage 4 of barn, 2026-11-28 08:14:07 +01:00: STILL ON\nNo host was stopped so far.\n", "hosts   none was asked to stop so far\n", "this is as far as it was recorded, last at 2026-11-28 08:14:07\n+01:00, "}},
		{"history sags --csv", []string{"kind,at,until,seconds,outage,ups,host,what,text\nsag,2026-11-28T01:14:07Z,,1.5,,rack,,sag,62.5 % of nominal\n"}},
		{"history 3 --csv", []string{"outage,2026-11-28T02:14:07Z,2026-11-28T03:14:07Z,3600,3,,,outage,\"1 hosts asked, 0 without power\"\n", "stop,2026-11-28T02:29:07Z,,120,3,,desk,given_up,ssh\n",
			"action,2026-11-28T02:26:07Z,2026-11-28T02:26:27Z,20,3,,desk,early-step,not known to be done. desk is given", "action,2026-11-28T02:34:07Z,2026-11-28T02:34:09Z,2,3,rack,,output-goes-off,\"order taken. UPS rack is told"}},
	} {
		got := show(strings.Fields(c.args)...)
		for _, want := range c.want {
			if !strings.Contains(got, want) {
				t.Errorf("%s does not say %q:\n%s", c.args, want, got)
			}
		}
	}
}

// Aim: reports do not pile up for good. Method: more files than are kept, and one
// that is no report.
func TestReportsAreForgotten(t *testing.T) {
	dir := t.TempDir()
	for i := range reportsKept + 5 {
		for _, end := range []string{".txt", ".html"} {
			os.WriteFile(filepath.Join(dir, fmt.Sprintf("20261128T%06dZ-outage-%d%s", i, i, end)), nil, 0o644)
		}
	}
	os.WriteFile(filepath.Join(dir, "mine.html"), nil, 0o644)
	if err := forgetReports(dir); err != nil {
		t.Fatal(err)
	}
	left, _ := os.ReadDir(dir)
	if len(left) != 2*reportsKept+1 || left[0].Name() != "20261128T000005Z-outage-5.html" {
		t.Errorf("%d files are left, from %s on", len(left), left[0].Name())
	}
}
