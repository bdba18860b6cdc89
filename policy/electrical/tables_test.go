package electrical

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// Each test here has one aim: a table of this package says what the published one
// in testdata/electrical says, row by row; its comment lines give the source and
// whether the text was seen.

func TestITICTable(t *testing.T) {
	for _, row := range rows(t, "itic.csv") {
		from, level := number(t, row["t_from_s"]), number(t, row["limit_pct"])
		to := 2 * max(from, 1) // any longer time
		if row["t_to_s"] != "" {
			to = number(t, row["t_to_s"])
		}
		for _, at := range []float64{(from + to) / 2, to} { // a corner belongs to the shorter step
			length := time.Duration(math.Round(at * 1e9))
			off, beyond := 0.5, Prohibited
			if row["boundary"] == "lower" {
				off, beyond = -0.5, NoDamage
			}
			if got := ITIC(level, length); got != Inside {
				t.Errorf("%g %% for %v: %v, and the limit itself is inside", level, length, got)
			}
			if got := ITIC(level+off, length); level+off >= 0 && got != beyond {
				t.Errorf("%g %% for %v: %v, not %v", level+off, length, got, beyond)
			}
		}
	}
}

func TestIEEE1159Table(t *testing.T) {
	for _, hertz := range []float64{50, 60} {
		seconds := func(text string) float64 {
			text = strings.TrimPrefix(text, ">")
			var n float64
			var unit string
			fmt.Sscan(text, &n, &unit)
			return n * map[string]float64{"cycle": 1 / hertz, "cycles": 1 / hertz, "s": 1, "min": 60, "ms": 0.001}[unit]
		}
		for _, row := range rows(t, "ieee1159.csv") {
			if row["duration_class"] == "transient" {
				continue // no class of the r.m.s. voltage
			}
			from, to := seconds(row["min_duration"]), 7200.0
			if row["max_duration"] != "" {
				to = seconds(row["max_duration"])
			}
			want := row["duration_class"] + " " + row["kind"]
			if row["duration_class"] == "long duration" {
				want = row["kind"]
			}
			percent := 50 * (number(t, row["min_pu"]) + number(t, row["max_pu"]))
			if row["kind"] == "interruption" { // its row has 0 to 0.1
				percent = 5
			}
			for _, s := range []float64{from + 1e-6, (from + to) / 2, to} {
				if got := IEEE1159(percent, time.Duration(math.Round(s*1e9)), hertz).String(); got != want {
					t.Errorf("%g %% for %g s at %g Hz: %s, not %s (%s)", percent, s, hertz, got, want, row["category"])
				}
			}
		}
	}
}

func TestF47Table(t *testing.T) {
	for _, row := range rows(t, "semi-f47.csv") {
		if row["kind"] != "required" {
			continue
		}
		percent, s := number(t, row["remaining_pct"]), number(t, row["duration_s"])
		length := time.Duration(math.Round(s * 1e9))
		if inside, required := F47(percent, length); !inside || !required {
			t.Errorf("%g %% for %g s is a point of the curve", percent, s)
		}
		if inside, _ := F47(percent-1, length); inside {
			t.Errorf("%g %% for %g s is beyond it", percent-1, s)
		}
	}
	if _, required := F47(0, 40*time.Millisecond); required {
		t.Error("sags of less than 50 ms have no required level")
	}
}

// The table of one outage under four names (voltage-standards, read and memory).
func TestFourNames(t *testing.T) {
	for _, c := range []struct {
		length                 time.Duration
		ieee1159, en, ieee1366 string
		itic                   Place
	}{
		{15 * time.Millisecond, "momentary interruption", "short interruption", "momentary", Inside},
		{2 * time.Second, "momentary interruption", "short interruption", "momentary", NoDamage},
		{30 * time.Second, "temporary interruption", "short interruption", "momentary", NoDamage},
		{2 * time.Minute, "sustained interruption", "short interruption", "momentary", NoDamage},
		{4 * time.Minute, "sustained interruption", "long interruption", "momentary", NoDamage},
		{6 * time.Minute, "sustained interruption", "long interruption", "sustained", NoDamage},
	} {
		if got := IEEE1159(0, c.length, 60).String(); got != c.ieee1159 {
			t.Errorf("%v: IEEE 1159 %s", c.length, got)
		}
		if got := EN50160(0, c.length); got != c.en {
			t.Errorf("%v: EN 50160 %s", c.length, got)
		}
		if got := IEEE1366(0, c.length); got != c.ieee1366 {
			t.Errorf("%v: IEEE 1366 %s", c.length, got)
		}
		if got := ITIC(0, c.length); got != c.itic {
			t.Errorf("%v: ITIC %v", c.length, got)
		}
	}
}

func TestCircuitTable(t *testing.T) {
	list := rows(t, "circuits.csv")
	if len(list) != len(Receptacles) {
		t.Fatalf("%d rows, %d receptacles", len(list), len(Receptacles))
	}
	for i, row := range list {
		r := Receptacles[i]
		amps := 0.0
		if row["breaker_a"] != "-" {
			amps = number(t, row["breaker_a"])
		}
		want := Receptacle{row["region"], number(t, row["volts"]), amps, row["receptacle"],
			number(t, row["continuous_limit_a"]), number(t, row["continuous_va"]), number(t, row["full_va"])}
		if r != want {
			t.Errorf("%+v, published %+v", r, want)
		}
		if row["region"] == "US" {
			if a, va := Continuous(r.Volts, r.Amps, ContinuousPart); a != r.ContinuousAmps || va != r.ContinuousVA {
				t.Errorf("%s: %g A, %g VA", r.Name, a, va)
			}
		}
	}
}

func TestConductorTable(t *testing.T) {
	list := rows(t, "conductors.csv")
	if len(list) != len(Conductors) {
		t.Fatalf("%d rows, %d conductors", len(list), len(Conductors))
	}
	for i, row := range list {
		c := Conductors[i]
		value := func(column string) float64 {
			if row[column] == "" {
				return 0
			}
			return number(t, row[column])
		}
		want := Conductor{row["size"], value("cu_dc_ohm_per_kft"), value("cu_dc_ohm_per_km"), value("al_dc_ohm_per_kft"), value("cu_ac_ohm_per_kft_pvc"), value("x_ohm_per_kft_pvc")}
		if c != want {
			t.Errorf("%+v, published %+v", c, want)
		}
		if km := c.CopperKft * FeetPerKm / 1000; c.CopperKft > 0 && math.Abs(km-c.CopperKm) > 0.002*km {
			t.Errorf("%s: %g ohm/kft are %g ohm/km, not %g", c.Size, c.CopperKft, km, c.CopperKm)
		}
	}
}

func TestSupplyTable(t *testing.T) {
	list := rows(t, "psu-efficiency.csv")
	if len(list) != len(SupplyLevels) {
		t.Fatalf("%d rows, %d levels", len(list), len(SupplyLevels))
	}
	for _, row := range list {
		for column, part := range map[string]float64{"load10": 0.1, "load20": 0.2, "load50": 0.5, "load100": 1} {
			e, ok := SupplyEfficiency(row["category"], row["level"], part)
			switch {
			case row[column] == "" && ok:
				t.Errorf("%s %s at %g: %g, and nothing is published", row["category"], row["level"], part, e)
			case row[column] != "" && (!ok || math.Abs(100*e-number(t, row[column])) > 1e-9):
				t.Errorf("%s %s at %g: %g, published %s", row["category"], row["level"], part, e, row[column])
			}
		}
	}
}

// The formulas of the table are compared by their values, and at the limits of the
// ranges they join as the table's comment says.
func TestRatingTable(t *testing.T) {
	n := 0
	for _, row := range rows(t, "ups-efficiency.csv") {
		if row["scheme"] == "field" || row["scheme"] == "model" {
			continue
		}
		r := Ratings[n]
		n++
		if r.Scheme != row["scheme"] || r.Class != row["class"] || r.From != number(t, row["p_from_w"]) {
			t.Fatalf("row %d is of %s %s", n, row["scheme"], row["class"])
		}
		at := r.From + 123
		if got, want := r.Of(at), evaluate(t, row["expression"], at); math.Abs(got-want) > 1e-12 {
			t.Errorf("%s %s from %g W: %g, by %s %g", r.Scheme, r.Class, r.From, got, row["expression"], want)
		}
		if n > 1 && Ratings[n-2].To == r.From && r.From > 0 {
			gap := math.Abs(Ratings[n-2].Of(r.From) - r.Of(r.From))
			if most := map[string]float64{"DOE": 0.0025, "ES2": 0.006}[r.Scheme]; gap > most+0.00005 { // as rounded
				t.Errorf("%s %s: the pieces are %g apart at %g W", r.Scheme, r.Class, gap, r.From)
			}
		}
	}
	if n != len(Ratings) {
		t.Errorf("%d rows, %d formulas", n, len(Ratings))
	}
}

// evaluate works out "-1.20e-6*P^2 + 7.17e-4*P + 0.862 - EMOD" without EMOD.
func evaluate(t *testing.T, text string, p float64) float64 {
	text, _, _ = strings.Cut(text, " - EMOD")
	sum := 0.0
	for _, term := range strings.Split(text, " + ") {
		factor, of, _ := strings.Cut(term, "*")
		sum += number(t, factor) * map[string]float64{"": 1, "P": p, "P^2": p * p, "ln(P)": math.Log(p)}[of]
	}
	return sum
}

func TestTemperatureTable(t *testing.T) {
	list := rows(t, "temperature-factors.csv")
	if len(list) != len(Factors) {
		t.Fatalf("%d rows, %d factors", len(list), len(Factors))
	}
	for _, row := range list {
		f := number(t, row["temp_f"])
		byTime, byRate := TemperatureFactors(f)
		if byTime != number(t, row["kt_time"]) || byRate != number(t, row["k_rate"]) {
			t.Errorf("%g F: %g and %g", f, byTime, byRate)
		}
		if c := number(t, row["temp_c"]); math.Abs(Fahrenheit(c)-f) > 0.1 {
			t.Errorf("%g C are %g F", c, Fahrenheit(c))
		}
	}
}

// The national indices fulfil CAIDI = SAIDI / SAIFI as rounded (EIA, table 11.1).
func TestNationalIndices(t *testing.T) {
	for _, row := range rows(t, "eia861-us-reliability.csv") {
		for _, of := range []string{"all", "no_major"} {
			saidi, saifi, caidi := number(t, row["saidi_"+of]), number(t, row["saifi_"+of]), number(t, row["caidi_"+of])
			if got := saidi / saifi; math.Abs(got-caidi) > 0.003*caidi {
				t.Errorf("%s: %g min, published %g", row["year"], got, caidi)
			}
		}
	}
}

// Phasors by hand: equal lines cancel, one line alone returns through the neutral;
// 10, 10 and 0 A leave 10 A.
func TestNeutral(t *testing.T) {
	for _, c := range []struct {
		want  float64
		lines []float64
	}{{0, []float64{12, 12, 12}}, {12, []float64{12, 0, 0}}, {10, []float64{10, 10, 0}}, {4, []float64{10, 6}}, {7, []float64{7}}} {
		if got := NeutralAmps(c.lines...); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%v: %g, not %g", c.lines, got, c.want)
		}
	}
}
