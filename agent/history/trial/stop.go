// Package trial follows one guided discharge test of a UPS's battery: what it
// should show, when it must stop, and what it did show. It is given readings and
// instants; it must never read a clock, touch a UPS or write a record.
package trial

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"ebbline/agent/history"
	"ebbline/shutdown"
)

// Stop is the end that a test is meant to have.
type Stop struct {
	Rule       history.StopRule // StopAtPercent, StopAtVoltage, StopAtTime, StopAtReserve or StopAtCutOff
	Tenths     int64            // of a percent of charge
	Millivolts int64
	Time       time.Duration
}

// Parse reads an end: "40%", "66V", "12m", "reserve" or "empty".
func Parse(text string) (Stop, error) {
	number := func(unit string) (float64, bool) {
		digits, ok := strings.CutSuffix(strings.ToLower(text), unit)
		v, err := strconv.ParseFloat(strings.TrimSpace(digits), 64)
		return v, ok && err == nil
	}
	switch strings.ToLower(text) {
	case "reserve":
		return Stop{Rule: history.StopAtReserve}, nil
	case "empty":
		return Stop{Rule: history.StopAtCutOff}, nil
	}
	if v, ok := number("%"); ok {
		if !(v >= 1 && v <= 95) {
			return Stop{}, fmt.Errorf("%s: a test goes down to a charge from 1 to 95 %%; write empty to go to the battery's end", text)
		}
		return Stop{Rule: history.StopAtPercent, Tenths: int64(math.Round(10 * v))}, nil
	}
	if v, ok := number("v"); ok {
		if !(v >= 1 && v <= 2000) {
			return Stop{}, fmt.Errorf("%s: a battery string has from 1 to 2000 volts", text)
		}
		return Stop{Rule: history.StopAtVoltage, Millivolts: int64(math.Round(1000 * v))}, nil
	}
	if d, err := time.ParseDuration(text); err == nil {
		if d < time.Minute || d > 100*time.Hour {
			return Stop{}, fmt.Errorf("%s: a test lasts from 1m to 100h", text)
		}
		return Stop{Rule: history.StopAtTime, Time: d}, nil
	}
	return Stop{}, fmt.Errorf(`%q is no end of a test: write a charge ("40%%"), volts ("66V"), a time ("12m"), reserve, or empty`, text)
}

// String says it for people.
func (s Stop) String() string {
	switch s.Rule {
	case history.StopAtPercent:
		return fmt.Sprintf("a charge of %g %%", float64(s.Tenths)/10)
	case history.StopAtVoltage:
		return fmt.Sprintf("%g V", float64(s.Millivolts)/1000)
	case history.StopAtTime:
		return "a time of " + shutdown.Spell(s.Time)
	case history.StopAtCutOff:
		return "the battery's end"
	}
	return "what still carries the whole shutdown plan and its reserve"
}
