package survey

import (
	"fmt"
	"io"
	"math"
	"math/rand"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"ebbline/policy/electrical"
)

const corpus = "../../testdata/"

func read(t *testing.T, name string) *Input {
	t.Helper()
	f, err := os.Open(corpus + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	in := NewInput(0, 0)
	if err := in.Read(name, f, nil); err != nil {
		t.Fatal(err)
	}
	return in
}

func text(t *testing.T, csv string) (*Input, error) {
	t.Helper()
	in := NewInput(0, 0)
	return in, in.Read("x.csv", strings.NewReader(csv), nil)
}

// Aim: the synthetic traces give the classes that are stated beside them
// (testdata/electrical/README.md, table of traces). Method: depth, length, and the
// four names of each event.
func TestTraces(t *testing.T) {
	type event struct {
		depth          float64
		length         string
		ieee, ieee1366 string
		en, itic       string
	}
	sag := event{78, "120ms", "instantaneous sag", "none", "dip B1", "inside"}
	for name, want := range map[string][]event{
		"syn01-reclose-success":       {{0, "600ms", "momentary interruption", "momentary", "short interruption", "outside"}},
		"syn02-permanent-fault":       {{0, "2h1m1.1s", "sustained interruption", "sustained", "long interruption", "outside"}},
		"syn03-neighbour-feeder-sags": {sag, sag, sag},
		"syn04-undervoltage":          {{86, "1m30s", "undervoltage", "none", "slow variation", "outside"}},
		"syn05-hysteresis":            {{88.5, "200ms", "instantaneous sag", "none", "dip A1", "inside"}},
		"syn06-logger-gap":            nil,
	} {
		in := read(t, "outages/"+name+".csv")
		var got []event
		for i := range in.Events {
			e := &in.Events[i]
			got = append(got, event{e.Extreme, e.Length().String(), e.Class.String(), e.IEEE1366, e.EN50160, strings.Fields(e.ITIC.String())[0]})
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s:\n got %v\nwant %v", name, got, want)
		}
	}
}

// Aim: reclosing sequences are one story, with IEEE 1366's counts (testdata/electrical:
// the earlier operations of syn02 are no momentary events).
func TestStories(t *testing.T) {
	for name, want := range map[string]struct {
		story                            string
		sustained, operations, momentary int
	}{
		"syn01-reclose-success":       {"away for 500 ms and came back", 0, 1, 1},
		"syn02-permanent-fault":       {"tripped 4 times: 3 reclosings in vain", 1, 0, 0},
		"syn03-neighbour-feeder-sags": {"3 sags within 15.9 s and no interruption", 0, 0, 0},
	} {
		in := read(t, "outages/"+name+".csv")
		if len(in.Incidents) != 1 || !strings.Contains(in.Incidents[0].Text, want.story) {
			t.Errorf("%s: %+v", name, in.Incidents)
		}
		sustained, operations, momentary := in.Site()
		if len(sustained) != want.sustained || operations != want.operations || momentary != want.momentary {
			t.Errorf("%s: %d sustained, %d operations, %d momentary", name, len(sustained), operations, momentary)
		}
	}
	// Three trips at 0, 0.6 and 16 s, of which the third holds (IEEE 1366 example B05).
	in, err := text(t, "# step trace\nt_s,vrms_pct\n0,100\n1,0\n1.2,100\n1.6,0\n1.8,100\n17,0\n18,100\n600,100\n")
	if _, operations, momentary := in.Site(); err != nil || len(in.Events) != 3 || operations != 3 || momentary != 1 {
		t.Errorf("%v: %d events, %d operations, %d momentary", err, len(in.Events), operations, momentary)
	}
}

// Aim: a day of one-minute means (household-day.csv) reads as is stated: 1,440 rows,
// all 144 ten-minute means, 234.52 to 244.61 V, within 230 V and 10 %, and no dip.
func TestHousehold(t *testing.T) {
	in := read(t, "electrical/household-day.csv")
	r, l := in.Recordings[0], in.Limits
	if r.Rows != 1440 || r.Nominal != 230 || r.Every != time.Minute || r.Known != 24*time.Hour || r.Gaps+r.Stuck > 0 || len(in.Events) > 0 {
		t.Errorf("%+v, %d events", r, len(in.Events))
	}
	if l.Means != 144 || l.Beyond10+l.BeyondAll != 0 || math.Abs(2.3*l.LowMean-234.52) > 0.005 || math.Abs(2.3*l.HighMean-244.61) > 0.005 {
		t.Errorf("%+v: %.3f to %.3f V", l, 2.3*l.LowMean, 2.3*l.HighMean)
	}
}

// Aim: what is wrong with a recording is told with its line and what to write.
func TestRefused(t *testing.T) {
	for _, c := range []struct{ csv, says string }{
		{"", "x.csv:1: the recording is empty"},
		{"# only a comment\n", "is empty"},
		{"t_s,vrms_pct\n", "x.csv:1: the recording has a header and no row"},
		{"t_s,voltage\n0,230\n", "\"voltage\" has no unit that is known. Write it into the name: \"voltage (V)\""},
		{"time,voltage_v\n0,230\n", "x.csv:2: the time 0 is a number, and the header does not say in what unit"},
		{"t_s,load_w\n0,1\n", "no column is a voltage"},
		{"t_s,battery_v\n0,27\n", "no column is a voltage"},
		{"# a\n# b\nt_s,vrms_pct\n0,100\n2,100\n1,100\n", "x.csv:6: the time goes back: 1 comes after a later one"},
		{"time_local,voltage_v\n2026-10-25T02:59,230\n2026-10-25T02:00,230\n", "x.csv:3: the time goes back"},
		{"t_s,vrms_pct\n0,100\nx,100\n", "x.csv:3: \"x\" is not a time"},
		{"t_s,vrms_pct\n0,-5\n", "x.csv:2: \"-5\" is not a value"},
		{"t_s,vrms_pct\n0,NaN\n", "\"NaN\" is not a value"},
		{"t_s,vrms_pct\n0,1e9\n", "is not a value"},
		{"t_s,vrms_pct\n0\n", "has 1 column"},
		{"t_s,vrms_pct\n0,\"1\n", "x.csv:2: the line is not CSV"},
		{"t_s,vrms_pct\n0,230\n1,230\n", "stands at 230 % of nominal. If the column is in volts"},
		{"t_s,voltage_v\n0,48\n", "near no usual nominal voltage"},
		{"t_s,l1_v,l2_pct\n0,1,1\n", "one voltage is in volts and another in percent"},
		{"t_s,a_v,b_v,c_v,d_v\n", "more than three voltages"},
		{"t_s,vrms_pct\n0,\n1,\n", "no row has a sample"},
		{"\x00\x01\x02,\n", "not UTF-8 text"},
		{"time,volts\n03/01/2026 01:00:00 PM,120\n", "may be read with the day or the month first"},
	} {
		in, err := text(t, c.csv)
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q: %v, not %q", c.csv, err, c.says)
		}
		if len(in.Recordings)+len(in.Events) > 0 {
			t.Errorf("%q: something is left behind", c.csv)
		}
	}
}

// Aim: headers as loggers write them.
func TestHeaders(t *testing.T) {
	for _, csv := range []string{
		"\ufefft_s,vrms_pct\n0,100\n1,50\n2,100\n",
		"Time_ms;Voltage (V)\n0;230,0\n1000;115,0\n2000;230,0\n",
		"timestamp_ms,volts\n1767225600000,230\n1767225601000,115\n1767225602000,230\n",
		"Date,Time,RMS voltage (kV)\n2026-01-01,00:00:00,0.230\n2026-01-01,00:00:01,0.115\n2026-01-01,00:00:02,0.230\n",
		"time,Vrms [p.u.],note\n2026-01-01T00:00:00+02:00,1,\n2026-01-01T00:00:01+02:00,0.5,x\n2026-01-01T00:00:02+02:00,1,\n",
		"Date/Time\tVoltage (mV)\n2026-01-01 00:00:00\t230000\n2026-01-01 00:00:01\t115000\n2026-01-01 00:00:02\t230000\n",
		"time_utc,U [V],frequency_hz\n2026-01-01T00:00:00Z,230,50\n2026-01-01T00:00:01Z,115,50\n2026-01-01T00:00:02Z,230,50\n",
		"t_s\tl1_v\tl2_v\tl3_v\n0\t230\t230\t230\n1\t230\t115\t230\n2\t230\t230\t230\n",
		"2026\n", // not one
	} {
		in, err := text(t, csv)
		if csv == "2026\n" {
			if err == nil {
				t.Error("a header of a number is taken")
			}
			continue
		}
		if err != nil || len(in.Events) != 1 || in.Events[0].Extreme != 50 || in.Events[0].Length() != time.Second {
			t.Errorf("%q: %v, %+v", csv, err, in.Events)
		}
	}
}

// Aim: on three lines one that is dead is a sag of the supply, and an interruption
// is one of all (IEC 61000-4-30).
func TestThreeLines(t *testing.T) {
	in, err := text(t, "# step trace 50 Hz\nt_s,l1_v,l2_v,l3_v\n0,230,230,230\n1,0,230,230\n3,230,230,230\n10,0,230,0\n10.5,0,0,0\n11,230,0,230\n12,230,230,230\n20,230,230,230\n")
	if err != nil || len(in.Events) != 2 {
		t.Fatalf("%v: %+v", err, in.Events)
	}
	if c := in.Events[0].Class.String(); c != "momentary sag" || in.Events[0].Extreme != 0 {
		t.Errorf("one line dead: %s", c)
	}
	if e := in.Events[1]; e.Class.String() != "momentary interruption" || e.Length() != 2*time.Second || e.Zero != 500*time.Millisecond {
		t.Errorf("all dead in turn: %s, %v, %v", e.Class, e.Length(), e.Zero)
	}
}

// second gives a recording at even intervals, from a function of the row.
func second(rows int, value func(i int) string) string {
	var b strings.Builder
	b.WriteString("t_s,voltage_v\n")
	for i := range rows {
		if v := value(i); v != "skip" {
			fmt.Fprintf(&b, "%d,%s\n", i, v)
		}
	}
	return b.String()
}

func wandering(i int) string {
	return fmt.Sprintf("%.1f", 120+2*math.Sin(float64(i)/7)+math.Sin(float64(i)*1.7))
}

// Aim: gaps are gaps and a stuck sensor is no evidence: neither counts as time in
// which the voltage is known, nor as an event. Method: recordings by the second,
// with rows left out, with a value that stands still, and one that never moves.
func TestGapsAndStuck(t *testing.T) {
	in, err := text(t, second(3600, func(i int) string {
		if i >= 1000 && i < 1100 {
			return "skip"
		}
		return wandering(i)
	}))
	if r := in.Recordings[0]; err != nil || r.Gaps != 1 || r.Known != 3500*time.Second || r.Span != time.Hour || len(in.Events) > 0 {
		t.Errorf("gap: %v, %+v", err, r)
	}
	in, err = text(t, second(3600, func(i int) string {
		if i >= 1000 && i < 2500 {
			return "83.2" // an undervoltage, if it were believed
		}
		return wandering(i)
	}))
	if r := in.Recordings[0]; err != nil || r.Stuck != 1 || r.StuckFor != 1500*time.Second || r.Known != 2100*time.Second || len(in.Events) > 0 {
		t.Errorf("stuck: %v, %+v, %d events", err, r, len(in.Events))
	}
	in, err = text(t, second(300, func(int) string { return "120.3" }))
	if r := in.Recordings[0]; err != nil || r.Stuck != 1 || r.Known != 0 {
		t.Errorf("never moved: %v, %+v", err, r)
	}
	// No voltage at all is no stuck sensor.
	in, err = text(t, second(3600, func(i int) string {
		if i >= 1000 && i < 2500 {
			return "0"
		}
		return wandering(i)
	}))
	if err != nil || in.Recordings[0].Stuck != 0 || len(in.Events) != 1 || in.Events[0].Class.String() != "sustained interruption" {
		t.Errorf("interruption: %v, %+v", err, in.Events)
	}
	// A sag of one reading by the second may have been shorter than half a second, or
	// nearly two: its class is in doubt.
	in, err = text(t, second(100, func(i int) string {
		if i == 50 {
			return "80"
		}
		return wandering(i)
	}))
	if err != nil || len(in.Events) != 1 || !in.Events[0].Doubtful || in.Events[0].Shortest != 0 || in.Events[0].Longest != 2*time.Second {
		t.Errorf("one reading: %v, %+v", err, in.Events)
	}
	// What begins before the recording, or ends after it, lasted at least so long.
	in, err = text(t, "# step trace 60 Hz\nt_s,vrms_pct\n0,50\n10,100\n20,50\n30,\n40,100\n50,100\n")
	if err != nil || len(in.Events) != 2 || !in.Events[0].Open || !in.Events[1].Open || in.Events[1].Length() != 10*time.Second {
		t.Errorf("open: %v, %+v", err, in.Events)
	}
}

// Aim: the time outside ANSI C84.1 counts steady voltage, not events of up to a
// minute. Method: worked by hand: 105 V (87.5 %, an undervoltage, outside B) for two
// minutes, 100 V for ten seconds (an event), 109 V for a minute (outside A alone).
func TestC84(t *testing.T) {
	in, err := text(t, "# step trace 60 Hz\nt_s,voltage_v\n0,120\n100,105\n220,120\n300,100\n310,120\n400,109\n460,120\n1000,120\n")
	if err != nil {
		t.Fatal(err)
	}
	if l := in.Limits; l.OutsideA != 3*time.Minute || l.OutsideB != 2*time.Minute {
		t.Errorf("outside A %v, B %v", l.OutsideA, l.OutsideB)
	}
	r, ok := electrical.ANSIC84(120)
	if !ok || math.Abs(rangeB.Low*1.2-r.UtilizationB.Low) > 1e-9 {
		t.Error("the range in percent is another")
	}
}

// endless gives rows by the tenth of a second without holding them.
type endless struct {
	left int
	i    int
	rest []byte
}

func (e *endless) Read(b []byte) (int, error) {
	if len(e.rest) == 0 {
		if e.left == 0 {
			return 0, io.EOF
		}
		for len(e.rest) < 1<<15 && e.left > 0 {
			v := 230 + rand.Float64()
			if e.i%1000 == 0 {
				v = 150
			}
			e.rest = fmt.Appendf(e.rest, "%d.%d,%.1f\n", e.i/10, e.i%10, v)
			e.i++
			e.left--
		}
	}
	n := copy(b, e.rest)
	e.rest = e.rest[n:]
	return n, nil
}

// Aim: memory is bounded however long a recording is. Method: ten million rows with
// a sag in every thousandth (a million of them in -short), the heap in between.
func TestTenMillionRows(t *testing.T) {
	rows := 10_000_000
	if testing.Short() {
		rows = 1_000_000
	}
	in := NewInput(0, 50)
	most := uint64(0)
	err := in.Read("long.csv", io.MultiReader(strings.NewReader("t_s,voltage_v\n"), &endless{left: rows}), func(int) error {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		most = max(most, m.HeapAlloc)
		return nil
	})
	if err != nil || in.Recordings[0].Rows != rows || len(in.Events)+in.Uncounted != rows/1000 || most > 32<<20 {
		t.Errorf("%v: %d rows, %d events, %d MiB", err, in.Recordings[0].Rows, len(in.Events)+in.Uncounted, most>>20)
	}
	if rows > mostEvents*1000 {
		t.Logf("%d events kept", len(in.Events))
	}
}
