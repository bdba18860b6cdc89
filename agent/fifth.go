package agent

import (
	"encoding/json"

	"ebbline/shutdown"
)

// fifth is what snapshots of the formats 4 and 5 have that this one does not. All else is
// the same under the same name, but for Holds: what readings of this outage leave of a
// battery was given with what its age and temperature leave, without an outage those alone.
// Two fields were no facts, and are left out: Day, on which the policy was adopted, since
// when batteries had not aged, and Every, which a runner that starts was not told.
type fifth struct {
	State *struct {
		Hosts []struct {
			Ours bool // it ran when an outage stopped or cut it; its state says that
		}
	}
}

// fromFifth makes a snapshot of this format out of one.
func fromFifth(text []byte) (*snapshot, error) {
	s, err := asItIs(text)
	if err != nil || s.State == nil {
		return s, err
	}
	var f fifth
	if err := json.Unmarshal(text, &f); err != nil {
		return nil, err
	}
	s.Format = format
	for k := range f.State.Hosts {
		if h := &s.State.Hosts[k]; h.Stopping() && !f.State.Hosts[k].Ours {
			h.State = shutdown.AskedOff
		}
	}
	withoutReadings(s.State)
	return s, nil
}

// withoutReadings has no reading speak against a battery whose UPS has input.
func withoutReadings(s *shutdown.State) {
	for i := range s.UPSs {
		if u := &s.UPSs[i]; !u.OnBattery() {
			u.Holds = [2]float64{shutdown.Unlimited, shutdown.Unlimited}
		}
	}
}
