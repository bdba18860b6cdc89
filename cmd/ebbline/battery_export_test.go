package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbline/agent/history"
	"ebbline/agent/history/learn"
	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// Aim: what is exported is enough to learn from, and gives nothing away. Method: a history
// with a test and an outage in which the load falls twice; the table, read again, makes the
// same battery of the same figures as the history does. Neither it nor the JSON holds a name,
// an address or a date of the policy or the history.
func TestBatteryExport(t *testing.T) {
	policyFile, historyFile := closet(t, map[int]time.Duration{200: 26 * time.Minute})
	fallingLoad(t, historyFile)
	table, errs, code := says(t, "battery", "export", policyFile, "--history", historyFile)
	if code != exitDone || errs != "" {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	document, _, _ := says(t, "battery", "export", policyFile, "--history", historyFile, "--json")
	for _, secret := range []string{"closet", "desk", "home", "192.0.2", time.Now().Format("2006"), time.Now().AddDate(0, 0, -200).Format("2006")} {
		if strings.Contains(table, secret) || strings.Contains(document, secret) {
			t.Errorf("%q is exported:\n%s", secret, table)
		}
	}

	p, installed := loadedPolicy(t, policyFile)
	var found []battery.Discharge
	rows, err := csv.NewReader(strings.NewReader(table)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, cells := range rows[1:] {
		row := map[string]string{}
		for i, name := range rows[0] {
			row[name] = cells[i]
		}
		number := func(column string) float64 {
			v, err := strconv.ParseFloat(row[column], 64)
			if err != nil {
				t.Fatalf("%s: %v in %v", column, err, cells)
			}
			return v
		}
		if n := int(number("discharge")); n > len(found) {
			d := battery.Discharge{
				Day: installed + int64(number("age_days")), StartCharge: number("start_percent") / 100, Celsius: number("celsius"), CelsiusSet: true,
				Ended: map[string]battery.Ended{"cut-off": battery.AtCutOff, "reading": battery.AtReading, "early": battery.Early}[row["ended"]],
				Weak:  row["weak"] == "true", Outage: row["kind"] == "outage",
			}
			if d.Ended == battery.AtReading {
				d.Reading = number("end_percent") / 100
			}
			found = append(found, d)
		}
		d := &found[len(found)-1]
		switch row["what"] {
		case "load":
			d.Segments = append(d.Segments, battery.Segment{Watts: number("value"), Seconds: number("seconds")})
		case "charge":
			d.Gauge = append(d.Gauge, battery.Gauged{Seconds: number("at_seconds"), Charge: number("value") / 100})
		}
	}
	if len(found) != 2 || len(found[1].Segments) != 3 || len(found[1].Gauge) < 3 {
		t.Fatalf("the table holds %+v", found)
	}
	from, err := history.OpenReader(t.Context(), historyFile)
	if err != nil {
		t.Fatal(err)
	}
	defer from.Close()
	r, err := learn.Battery(t.Context(), from, p, 0, today())
	if err != nil {
		t.Fatal(err)
	}
	again, err := battery.Calibrate(&p.UPSs[0], found, today())
	if err != nil {
		t.Fatal(err)
	}
	for i := range again.Judged {
		if a, b := again.Judged[i].Capacity, r.Calibration.Judged[i].Capacity; math.Abs(a-b) > 1e-3 {
			t.Errorf("discharge %d shows %v of a new battery by the table, %v by the history", i+1, a, b)
		}
	}
	if a, b := again.Model.StoreWattHours, r.Calibration.Model.StoreWattHours; math.Abs(a/b-1) > 1e-3 {
		t.Errorf("%v Wh by the table, %v by the history", a, b)
	}
	var v struct{ Discharges []exportedView }
	if err := json.Unmarshal([]byte(document), &v); err != nil || len(v.Discharges) != 2 || len(v.Discharges[1].Loads) != 3 {
		t.Errorf("the document (%v): %s", err, document)
	}
}

// Aim: nothing to export is said, and where to look.
func TestBatteryExportNothing(t *testing.T) {
	policyFile, historyFile := closet(t, nil)
	if out, errs, code := says(t, "battery", "export", policyFile, "--history", historyFile); code != exitDone || strings.Count(out, "\n") != 1 || !strings.Contains(errs, "battery test UPS") {
		t.Errorf("exit code %d\n%s%s", code, out, errs)
	}
	if _, errs, code := says(t, "battery", "export", policyFile); code == exitDone || !strings.Contains(errs, "--history") {
		t.Errorf("without a history: exit code %d: %s", code, errs)
	}
}

func loadedPolicy(t *testing.T, file string) (*policy.Policy, int64) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	p, _, diags := load.Load([]load.File{{Name: "home.hcl", Bytes: text}}, load.Options{})
	if p == nil {
		t.Fatal(diags)
	}
	return p, p.UPSs[0].Battery.InstalledDay
}

// fallingLoad puts an outage of 40 days ago into a history: 240, 120 and 60 W, the gauge
// read every 10 s, until the battery is empty.
func fallingLoad(t *testing.T, file string) {
	t.Helper()
	store, err := history.Open(file, history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	lost := moment(40 * 24 * time.Hour)
	reading := func(after time.Duration, source shutdown.Source, watts, tenths int64) {
		m := shutdown.Nothing
		m.Source, m.LoadWatts, m.ChargeTenths, m.TemperatureTenthsC = source, watts, tenths, 250
		if err := store.RecordSample(history.Sample{UPS: "closet", Moment: lost.When(lost.At.Add(after)), During: history.DuringOutage, Measurement: m}); err != nil {
			t.Fatal(err)
		}
	}
	const long = 32 * time.Minute
	reading(-10*time.Second, shutdown.FromInput, 240, 1000)
	for d := time.Duration(0); d < long; d += 10 * time.Second {
		watts := int64(240)
		switch {
		case d >= 12*time.Minute:
			watts = 60
		case d >= 6*time.Minute:
			watts = 120
		}
		reading(d, shutdown.FromBattery, watts, 1000-1000*int64(d)/int64(long))
	}
	reading(long, shutdown.FromNothing, 0, 0)
	o := history.Outage{Number: 1, Site: "home", Began: lost, Ended: lost.When(lost.At.Add(2 * long)),
		Inputs: []history.Input{{UPS: "closet", Lost: lost, Back: lost.When(lost.At.Add(long))}}}
	if err := store.RecordOutage(o); err != nil {
		t.Fatal(err)
	}
	if err := store.Close(t.Context()); err != nil {
		t.Fatal(fmt.Errorf("close: %w", err))
	}
}
