package snmp

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/gosnmp/gosnmp"

	"ebbline/agent/peertest"
	"ebbline/shutdown"
)

func TestMain(m *testing.M) { peertest.Main(m) }

// published is a row of testdata/standards/rfc1628.csv.
type published struct{ name, oid, kind, syntax, access string }

// enumeration gives the numbers of a published enumeration by name.
func (p published) enumeration() map[string]int {
	values := map[string]int{}
	for _, m := range regexp.MustCompile(`(\w+)\((\d+)\)`).FindAllStringSubmatch(p.syntax, -1) {
		values[m[1]], _ = strconv.Atoi(m[2])
	}
	return values
}

func rfc1628(t testing.TB) map[string]published {
	t.Helper()
	f, err := os.Open(filepath.Join(peertest.ModuleRoot(t), "testdata/standards/rfc1628.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	table := map[string]published{}
	for _, row := range rows[1:] {
		table[row[0]] = published{row[0], row[1], row[3], row[4], row[6]}
	}
	return table
}

// Aim: every object that is named here has the published identifier and is a
// published integer. Method: the table of RFC 1628, row by row.
func TestObjectsAreRFC1628s(t *testing.T) {
	table := rfc1628(t)
	lines := map[string]int{}
	for i := range objects {
		o := &objects[i]
		p, ok := table[o.name]
		want := "." + p.oid + ".0"
		if p.kind == "column" {
			lines[o.name]++
			want = "." + p.oid + "." + strconv.Itoa(lines[o.name])
		}
		if !ok || o.oid != want {
			t.Errorf("%s is %s here, %s in the RFC", o.name, o.oid, want)
		}
		if !strings.Contains(p.syntax, "INTEGER") && p.syntax != "Integer32" && p.syntax != "Gauge32" {
			t.Errorf("%s is no integer but %s", o.name, p.syntax)
		}
		for name, n := range p.enumeration() {
			if float64(n) < o.low || float64(n) > o.top {
				t.Errorf("%s: %s(%d) is outside the span here", o.name, name, n)
			}
		}
	}
	for name, oid := range map[string]string{
		"upsIdentManufacturer": identManufacturer, "upsIdentModel": identModel, "upsIdentUPSSoftwareVersion": identUPSSoftware,
		"upsIdentAgentSoftwareVersion": identAgent, "upsIdentName": identName,
		"upsShutdownAfterDelay": shutdownAfterDelay, "upsAutoRestart": autoRestart,
	} {
		if want := "." + table[name].oid + ".0"; oid != want {
			t.Errorf("%s is %s here, %s in the RFC", name, oid, want)
		}
	}
	if want := "." + table["upsAlarmDescr"].oid; alarmDescr != want {
		t.Errorf("upsAlarmDescr is %s here, %s in the RFC", alarmDescr, want)
	}
}

// Aim: the numbers of the RFC's enumerations mean here what their published
// names say. Method: each published name, by its number, through measure.
func TestEnumerationsAreRFC1628s(t *testing.T) {
	table := rfc1628(t)
	sources := map[string]shutdown.Source{"other": 0, "none": shutdown.FromNothing, "normal": shutdown.FromInput, "bypass": shutdown.FromBypass,
		"battery": shutdown.FromBattery, "booster": shutdown.FromInput, "reducer": shutdown.FromInput}
	stores := map[string]shutdown.BatteryStatus{"unknown": 0, "batteryNormal": shutdown.StatusNormal, "batteryLow": shutdown.StatusLow, "batteryDepleted": shutdown.StatusDepleted}
	check := func(object string, i index, want int, right func(name string, m shutdown.Measurement) bool) {
		values := table[object].enumeration()
		if len(values) != want {
			t.Errorf("%s: %d published values, not %d", object, len(values), want)
		}
		for name, n := range values {
			f := unread()
			f[i] = float64(n)
			if m := measure(&f, 0, Rated{}); !right(name, m) {
				t.Errorf("%s %s(%d) gives %+v", object, name, n, m)
			}
		}
	}
	check("upsOutputSource", outputSource, 7, func(name string, m shutdown.Measurement) bool { return m.Source == sources[name] })
	check("upsBatteryStatus", batteryStatus, 4, func(name string, m shutdown.Measurement) bool { return m.Battery == stores[name] })
	check("upsTestResultsSummary", testResults, 6, func(name string, m shutdown.Measurement) bool { return m.Testing == (name == "inProgress") })
}

// Aim: the 24 well-known alarms have their published numbers, and those that
// count do what their names say; a maker's alarm does nothing. Method: each
// published identifier as a row of the alarm table, through measure.
func TestAlarmsAreRFC1628s(t *testing.T) {
	type effect struct {
		source  shutdown.Source
		line    shutdown.Line
		battery shutdown.BatteryStatus
		testing bool
	}
	off := effect{source: shutdown.FromNothing}
	effects := map[string]effect{
		"upsAlarmOnBattery":       {source: shutdown.FromBattery},
		"upsAlarmLowBattery":      {battery: shutdown.StatusLow},
		"upsAlarmDepletedBattery": {battery: shutdown.StatusDepleted},
		"upsAlarmInputBad":        {line: shutdown.LineBad},
		"upsAlarmOnBypass":        {source: shutdown.FromBypass},
		"upsAlarmTestInProgress":  {testing: true},
		// The output is off, whatever the reason.
		"upsAlarmOutputOffAsRequested": off, "upsAlarmUpsOffAsRequested": off, "upsAlarmUpsOutputOff": off, "upsAlarmUpsSystemOff": off,
	}
	seen := 0
	for name, p := range rfc1628(t) {
		if p.kind != "alarm" {
			continue
		}
		seen++
		set := alarmSet([]Value{ObjectID(p.oid)})
		f := unread()
		m := measure(&f, set, Rated{})
		if got := (effect{m.Source, m.Input, m.Battery, m.Testing}); got != effects[name] {
			t.Errorf("%s gives %+v, not %+v", name, got, effects[name])
		}
		if set.has(alarmCommunications) != (name == "upsAlarmCommunicationsLost") {
			t.Errorf("%s and lost communications are confused", name)
		}
	}
	if seen != 24 {
		t.Errorf("%d alarms in the table, not 24", seen)
	}
	for _, odd := range []Value{ObjectID(".1.3.6.1.4.1.99999.2"), ObjectID(knownAlarm + "25"), ObjectID(knownAlarm + "2.1"), {Type: gosnmp.ObjectIdentifier}, Int(2)} {
		if set := alarmSet([]Value{odd}); set != 0 {
			t.Errorf("%+v counts as an alarm", odd)
		}
	}
}
