package learn

import (
	"fmt"

	"ebbline/policy"
	"ebbline/shutdown"
	"ebbline/shutdown/battery"
)

// Due is a condition of a battery: what is to be done, and when it is over.
type Due struct {
	Code shutdown.Code
	Text string
}

const (
	// TestOverdue is how long a test may lie back, in days: a quarter, and a month
	// to get round to it. Common practice, no source.
	TestOverdue = 120
)

// Dues says what is to be done for a battery by what is known of it: replace it,
// test it.
func Dues(u *policy.UPS, r *Record, day int64) []Due {
	var list []Due
	m := r.Last()
	worn := false
	if m != nil {
		_, high := m.Judged.Range()
		worn = m.Judged.Capacity < battery.Replace && (m.Discharge.Ended == battery.AtCutOff || high < battery.Replace)
	}
	switch a := &r.Ageing; {
	case worn:
		list = append(list, Due{shutdown.BatteryWorn, fmt.Sprintf("%s found %s of a new battery; below 80 %% a battery falls fast. Replace it, all blocks together, and write the date as installed", m.Name(), m.Capacity())})
	case a.Likely != 0 && a.Likely <= day && (m == nil || m.Discharge.Ended == battery.AtCutOff):
		list = append(list, Due{shutdown.BatteryWorn, fmt.Sprintf("by %s it is down to 80 %% of a new battery. Test it, or replace it and write the date as installed", a.By)})
	}
	last, since := u.Battery.InstalledDay, "it was installed"
	for k := range r.Measured {
		if t := &r.Measured[k]; t.Test != nil && t.Judged.Used {
			last, since = t.Discharge.Day, "its last test"
		}
	}
	switch {
	case last == 0: // nobody knows for how long
	case day-last > TestOverdue:
		list = append(list, Due{shutdown.TestOverdue, fmt.Sprintf("%d days have passed since %s; a battery is tested every quarter. Test it: ebbline battery test %s", day-last, since, u.Name)})
	}
	return list
}
