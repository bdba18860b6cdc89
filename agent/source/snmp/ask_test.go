package snmp

import (
	"context"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbline/agent/peertest"
	"ebbline/policy"
)

func ask(t *testing.T, cfg policy.SNMP) *Card {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	card, err := Ask(ctx, cfg, peertest.Secret)
	if err != nil {
		t.Fatal(err)
	}
	return card
}

// Aim: a card that is asked with nothing known of it says what a policy needs:
// what it lacks, and what it says in other units. What cannot be told for sure is
// not scaled, and what is evidence of an outage is never called missing. Method:
// net-snmp's agent in each version, with a UPS that lacks objects and has a card's
// usual habits; the wanted values are the UPS's own.
func TestAsk(t *testing.T) {
	state := peertest.DefaultUPS()
	state.Missing = []string{"upsEstimatedMinutesRemaining", "upsConfigLowBattTime", "upsSecondsOnBattery"}
	state.Numbers["upsBatteryVoltage"] = 82       // whole volts, of a string of 72: but 8.2 V could be one too
	state.Numbers["upsBatteryTemperature"] = 243  // 24.3 degrees
	state.Numbers["upsOutputPower.1"] = 4500      // 450 W beside 17 % of 2700
	state.Numbers["upsInputVoltage.1"] = 2301     // 230.1 V
	state.Numbers["upsConfigInputVoltage"] = 2300 // 230 V
	state.Numbers["upsEstimatedChargeRemaining"] = 1 << 20
	c := peertest.StartSNMPD(t, state)
	for version := 1; version <= 3; version++ {
		card := ask(t, c.SNMP(version))
		if !card.UPS || card.Model != "Scripted 3000" || card.RatedWatts != 2700 || card.Description == "" || card.Runs <= 0 || card.Runs > time.Hour {
			t.Errorf("v%d: %+v", version, card)
		}
		if want := []string{"upsEstimatedMinutesRemaining", "upsConfigLowBattTime"}; !slices.Equal(card.Missing, want) {
			t.Errorf("v%d: missing %v", version, card.Missing)
		}
		if want := []string{"upsSecondsOnBattery"}; !slices.Equal(card.NoEvidence, want) {
			t.Errorf("v%d: evidence that is not there: %v", version, card.NoEvidence)
		}
		scale := map[string]float64{}
		for _, s := range card.Scale {
			scale[s.Object] = s.Factor
		}
		if len(scale) != 4 || scale["upsBatteryTemperature"] != 0.1 || scale["upsOutputPower"] != 0.1 || scale["upsInputVoltage"] != 0.1 || scale["upsConfigInputVoltage"] != 0.1 {
			t.Errorf("v%d: scale %v", version, card.Scale)
		}
		if want := []string{"upsEstimatedChargeRemaining reads 1048576"}; !slices.Equal(card.Odd, want) {
			t.Errorf("v%d: not used: %q", version, card.Odd)
		}
		if m := card.First; m.LoadWatts != 450 || m.TemperatureTenthsC != 243 || m.InputDecivolts != 2301 || card.NominalVolts != 230 {
			t.Errorf("v%d: with what it found it reads %+v", version, m)
		}
	}

	c.Set(func(s *peertest.UPSState) { *s = peertest.DefaultUPS() })
	if card := ask(t, c.SNMP(2)); len(card.Missing)+len(card.Scale)+len(card.Odd)+len(card.NoEvidence) > 0 {
		t.Errorf("of a card by the book: %+v", card)
	}
	if len(c.Sets()) > 0 {
		t.Errorf("it was written to: %v", c.Sets())
	}

	c.Set(func(s *peertest.UPSState) { *s = peertest.UPSState{} })
	if card := ask(t, c.SNMP(2)); card.UPS || !strings.Contains(card.Description, "Linux") {
		t.Errorf("an agent without a UPS: %+v", card)
	}
}

// Aim: a card that says that it has lost its UPS is no source of a policy; one with
// another community is silent.
func TestAskWithoutAnAnswer(t *testing.T) {
	state := peertest.DefaultUPS()
	state.Alarms[3] = "upsAlarmCommunicationsLost"
	state.Numbers["upsAlarmsPresent"], state.Numbers["upsOutputSource"] = 1, 2
	c := peertest.StartSNMPD(t, state)
	card, err := Ask(t.Context(), c.SNMP(2), peertest.Secret)
	if err == nil || card == nil || !strings.Contains(err.Error(), "lost contact with its UPS") {
		t.Errorf("%+v, %v", card, err)
	}
	cfg := c.SNMP(2)
	cfg.Community, cfg.Timeout = "wrong", time.Second
	wrong := func(policy.Secret) ([]byte, error) { return []byte("not-this-one"), nil }
	if card, err := Ask(t.Context(), cfg, wrong); card != nil || err == nil || strings.Contains(err.Error(), "not-this-one") || !strings.Contains(err.Error(), "no answer") {
		t.Errorf("%+v, %v", card, err)
	}
}

// Aim: a factor is given only where nothing else can be. Method: readings in pairs
// that contradict each other in more than one way, beside ones that leave one way.
func TestUnits(t *testing.T) {
	reading := func(values map[string]float64) *raw {
		var r raw
		for i := range r {
			r[i] = math.NaN()
			if v, ok := values[objects[i].name]; ok && i != int(outputPower2) && i != int(outputPower3) {
				r[i] = v
			}
		}
		return &r
	}
	for _, c := range []struct {
		name   string
		values map[string]float64
		want   []Scaled // without their reasons
	}{
		{"whole volts", map[string]float64{"upsBatteryVoltage": 27}, []Scaled{{Object: "upsBatteryVoltage", Factor: 10}}},
		{"27.3 or 273 V", map[string]float64{"upsBatteryVoltage": 27300}, nil},
		{"a brownout", map[string]float64{"upsInputVoltage": 80, "upsConfigInputVoltage": 230}, nil},
		{"no input", map[string]float64{"upsInputVoltage": 0}, nil},
		{"24.0 degrees", map[string]float64{"upsBatteryTemperature": 240}, []Scaled{{Object: "upsBatteryTemperature", Factor: 0.1}}},
		{"60 or 6 degrees", map[string]float64{"upsBatteryTemperature": 600}, nil},
		{"no sensor", map[string]float64{"upsBatteryTemperature": -1}, nil},
		{"a load that agrees", map[string]float64{"upsOutputPower": 450, "upsOutputPercentLoad": 17, "upsConfigOutputPower": 2700}, nil},
		{"tenths of a watt", map[string]float64{"upsOutputPower": 4500, "upsOutputPercentLoad": 17, "upsConfigOutputPower": 2700}, []Scaled{{Object: "upsOutputPower", Factor: 0.1}}},
		{"tenths of a percent, or tens of watts", map[string]float64{"upsOutputPower": 135, "upsOutputPercentLoad": 50, "upsConfigOutputPower": 2700}, nil},
		{"tenths of a percent", map[string]float64{"upsOutputPower": 900, "upsOutputPercentLoad": 340, "upsConfigOutputPower": 2700}, []Scaled{{Object: "upsOutputPercentLoad", Factor: 0.1}}},
		{"too little load to tell", map[string]float64{"upsOutputPower": 1000, "upsOutputPercentLoad": 4, "upsConfigOutputPower": 2700}, nil},
		{"no rating", map[string]float64{"upsOutputPower": 4500, "upsOutputPercentLoad": 17}, nil},
	} {
		got := reading(c.values).scale()
		for i := range got {
			if got[i].Why == "" {
				t.Errorf("%s: no reason is given", c.name)
			}
			got[i].Why = ""
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}
