package history

import (
	"time"

	"ebbline/shutdown"
)

// What a change is in normal mode, against the sample kept last. A change of
// load, charge or temperature is kept no more often than changesEvery; a change
// of state at once, and of the input by a tenth, which is a dip or a swell by EN
// 50160 (from memory). The other figures are engineering values, no source.
const (
	changesEvery       = 30 * time.Second
	recoverEvery       = 30 * time.Second // in an outage with the input back: recharging takes hours
	loadWatts          = 10               // and a twentieth of the load
	chargeTenths       = 10
	temperatureTenthsC = 20 // tenths of a degree
	keptBeforehand     = 16 // samples passed over in normal mode that an event brings back
)

// thinner decides which samples are kept.
type thinner struct {
	every time.Duration // one in normal mode, at least
	lanes map[string]*lane
}

// lane is one UPS.
type lane struct {
	kept   Sample
	passed []Sample // since the sample before, oldest first
}

// take gives the samples to keep now that this one has come: none, this one, or
// at the start of an event also those from just before.
func (t *thinner) take(s Sample) []Sample {
	l, old := t.lanes[s.UPS]
	if !old {
		l = &lane{kept: s}
		t.lanes[s.UPS] = l
		return []Sample{s}
	}
	since := s.At.Sub(l.kept.At)
	var keep bool
	switch {
	case s.During == DuringTest || s.Testing || s.Source == shutdown.FromBattery:
		keep = true
	case s.During == DuringOutage:
		keep = since >= recoverEvery || flipped(&l.kept, &s)
	default:
		keep = since >= t.every || flipped(&l.kept, &s) || since >= changesEvery && drifted(&l.kept, &s)
	}
	if s.During == DuringNormal && !keep {
		trimFront(&l.passed, len(l.passed)+1-keptBeforehand)
		l.passed = append(l.passed, s)
		return nil
	}
	var out []Sample
	if s.During != DuringNormal {
		for _, p := range l.passed {
			p.During = s.During
			out = append(out, p)
		}
		l.passed = l.passed[:0]
	}
	if keep {
		l.kept = s
		out = append(out, s)
	}
	return out
}

// flipped tells whether a state changed, or the input by a tenth.
func flipped(a, b *Sample) bool {
	return a.Source != b.Source || a.Input != b.Input || a.Battery != b.Battery || a.Testing != b.Testing ||
		a.During != b.During || moved(a.InputDecivolts, b.InputDecivolts, 1+a.InputDecivolts/10)
}

// drifted tells whether a figure moved by more than noise.
func drifted(a, b *Sample) bool {
	return moved(a.LoadWatts, b.LoadWatts, max(loadWatts, a.LoadWatts/20)) ||
		moved(a.ChargeTenths, b.ChargeTenths, chargeTenths) || moved(a.TemperatureTenthsC, b.TemperatureTenthsC, temperatureTenthsC)
}

// moved tells whether a figure changed by so much, or came or went.
func moved(a, b, by int64) bool {
	if a == shutdown.Unread || b == shutdown.Unread {
		return a != b
	}
	return max(a, b)-min(a, b) >= by
}
