package snmp

import (
	"math"
	"testing"

	"ebbline/agent/peertest"
	"ebbline/policy/electrical"
)

// Aim: what RFC 1628 has of each line is read, in volts, amperes, watts and hertz,
// and what a card lacks is not made up. Method: net-snmp as a card, in each version:
// with an input counter, a second output line, and without currents.
func TestLines(t *testing.T) {
	state := peertest.DefaultUPS()
	state.Numbers["upsInputLineBads"], state.Numbers["upsInputFrequency.1"] = 41, 499
	state.Missing = []string{"upsInputTruePower"}
	c := peertest.StartSNMPD(t, state)
	for version := 1; version <= 3; version++ {
		cfg := c.SNMP(version)
		r, err := NewLineReader(cfg, peertest.Secret)
		if err != nil {
			t.Fatal(err)
		}
		l, err := r.Read(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if l.Bads != 41 || math.Abs(l.Hertz-49.9) > 1e-9 || l.Nominal != 230 || len(l.Input) != 1 || len(l.Output) != 1 {
			t.Fatalf("v%d: %+v", version, l)
		}
		if in := l.Input[0]; in.Volts != 230 || !math.IsNaN(in.Watts) {
			t.Errorf("v%d: input %+v", version, in)
		}
		if out := l.Output[0]; out.Volts != 230 || out.Watts != 450 || out.Percent <= 0 {
			t.Errorf("v%d: output %+v", version, out)
		}
	}
	cfg := c.SNMP(2)
	cfg.Scale, cfg.Missing = map[string]float64{"upsInputFrequency": 10}, []string{"upsInputLineBads"}
	r, err := NewLineReader(cfg, peertest.Secret)
	if err != nil {
		t.Fatal(err)
	}
	if l, err := r.Read(t.Context()); err != nil || !math.IsNaN(l.Bads) || !math.IsNaN(l.Hertz) {
		t.Errorf("declared missing, and scaled beyond what can be: %v, %+v", err, l)
	}
}

// Power factor is watts over volt-amperes, and never more than one.
func TestPhase(t *testing.T) {
	p := electrical.Phase{Volts: 120, Amps: 5, Watts: 540}
	if p.VA() != 600 || p.PowerFactor() != 0.9 {
		t.Errorf("%g VA, %g", p.VA(), p.PowerFactor())
	}
	p.Amps = math.NaN()
	if !math.IsNaN(p.PowerFactor()) {
		t.Error("a power factor of nothing")
	}
}
