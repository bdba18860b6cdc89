package load

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"time"

	"ebbline/policy"
)

// Defaults of a UPS.
const (
	defaultEfficiency      = 0.85
	defaultOverheadPercent = 2 // of the rated watts
	defaultDesignYears     = 5 // the shorter of the two usual ones
	defaultPollEvery       = 2 * time.Second
	defaultTimeout         = time.Second
)

func (l *loader) ups(s *section) policy.UPS {
	u := policy.UPS{Name: s.name}
	if s.broken {
		return u
	}
	u.Class = map[string]policy.Class{"VFD": policy.VFD, "VI": policy.VI, "VFI": policy.VFI}[l.get(s, "class").choice("VFD", "VI", "VFI")]
	u.RatedWatts = l.get(s, "rated_watts").need().watts(1, 0)
	va := l.get(s, "rated_va")
	u.RatedVA = va.watts(1, 0)
	if u.RatedVA > 0 && u.RatedVA < u.RatedWatts {
		va.bad(outOfRange, "rated_va of %s is below its rated_watts, and volt-amperes are never fewer than watts. Copy both from the nameplate.", s.title)
	}
	own := l.get(s, "overhead_watts")
	u.OverheadWatts, u.OverheadSet = own.watts(0, (u.RatedWatts*defaultOverheadPercent+99)/100), own.ok
	u.EfficiencyPermille = int64(math.Floor(steady(l.get(s, "efficiency").number(0.5, 1, defaultEfficiency) * 1000)))
	u.NormalPermille = int64(math.Floor(steady(l.get(s, "normal_efficiency").number(0.5, 1, 0) * 1000)))
	if w := l.get(s, "circuit").word(); w != nil {
		l.taps = append(l.taps, circuitOf{s, *w})
	}
	if b := s.one("battery"); b != nil {
		u.Battery = l.battery(b, u.RatedWatts)
	} else {
		l.err(s.head, missingBlock, "%s has no battery, and without one nothing can be forecast. Write battery { chemistry, volts and amp_hours, each on a line }.", s.title)
	}
	snmp, hid := s.one("snmp"), s.one("hid")
	if snmp != nil {
		u.SNMP = l.cardSNMP(snmp)
	}
	if hid != nil {
		u.HID = l.hid(hid)
	}
	switch {
	case snmp != nil && hid != nil:
		l.err(hid.head, chooseOne, "%s is read over SNMP and over USB. Keep the block snmp or the block hid.", s.title)
	case snmp == nil && hid == nil:
		l.warn(s.head, unseenUPS, "ebbline cannot see %s: it will not know when the input fails. Write a block snmp or hid in it.", s.title)
	}
	if out := s.one("output"); out != nil {
		u.Output = l.output(out, snmp == nil && hid == nil)
	}
	return u
}

func (l *loader) output(s *section, unseen bool) *policy.Output {
	if unseen {
		l.err(s.head, doesNotApply, "%s cannot be switched: ebbline has no way to reach the UPS. Write a block snmp or hid beside it, or remove it.", s.title)
	}
	return &policy.Output{
		OffAfter: l.get(s, "cut_after").need().duration(time.Second, time.Hour, 0),
		OnAfter:  l.get(s, "return_after").need().duration(time.Second, day, 0),
	}
}

func (l *loader) hid(s *section) *policy.HID {
	h := &policy.HID{Path: l.get(s, "path").text(), Serial: l.get(s, "serial").text()}
	l.exactlyOne(s, "path", "serial")
	return h
}

func (l *loader) battery(s *section, ratedWatts int64) policy.Battery {
	var b policy.Battery
	b.Chemistry = map[string]policy.Chemistry{"vrla": policy.VRLA, "lfp": policy.LFP}[l.get(s, "chemistry").need().choice("vrla", "lfp")]
	chart, model := l.get(s, "chart"), s.one("model")
	volts, hours := l.get(s, "volts"), l.get(s, "amp_hours")
	if chart.attr == nil && model == nil {
		volts, hours = volts.need(), hours.need()
	}
	b.Volts = volts.number(1, 2000, 0)
	b.AmpHours = hours.number(0.1, 100_000, 0)
	b.InstalledDay = l.get(s, "installed").date()
	b.DesignYears = l.get(s, "design_years").whole(1, 30, defaultDesignYears)
	t := l.get(s, "temperature")
	b.TemperatureC, b.TemperatureSet = t.number(-40, 80, 0), t.ok
	b.RechargeHours = l.get(s, "recharge_hours").number(0.1, 240, 0)
	if b.Chemistry == policy.LFP {
		l.reject(s, "with chemistry = \"lfp\": it is about lead-acid cells", "end_volts_per_cell")
	} else {
		b.EndVolts = l.get(s, "end_volts_per_cell").number(1.5, 1.9, 0)
	}
	b.Chart = chart.chart()
	if model != nil {
		b.Model = l.model(model, ratedWatts)
	}
	if model != nil && chart.attr != nil {
		l.err(model.head, chooseOne, "%s has a maker's chart and a fitted model, and they may disagree. Keep the model when it comes from this battery, and else the chart.", s.title)
	}
	return b
}

// chart reads a maker's runtime chart. A load is rounded down: the time then
// belongs to a smaller load than the maker's, and promises less.
func (f field) chart() []policy.ChartPoint {
	if !f.ok {
		return nil
	}
	rows, ok := f.value.data.([]entry)
	if !ok {
		f.wrong(f.value, "a map of watts to time, such as { \"1350\" = \"12m\" }")
		return nil
	}
	if len(rows) == 0 {
		f.bad(outOfRange, "The chart of %s has no point. Write at least one, such as { \"1350\" = \"12m\" }, or leave it out.", f.s.title)
	}
	type row struct {
		policy.ChartPoint
		at value
	}
	var points []row
	for _, r := range rows {
		key := r.key.data.(string)
		w, err := strconv.ParseFloat(key, 64)
		if err != nil || !(w >= 1 && w <= maxWatts) {
			f.l.err(place{r.key.at, f.block}, outOfRange, "%q is no load in watts, from 1 to %d. Write the watts alone, in quotes, before the time.", key, maxWatts)
			continue
		}
		if d, ok := f.span(r.value, time.Second, 1000*time.Hour); ok {
			points = append(points, row{policy.ChartPoint{Watts: int64(math.Floor(steady(w))), Runtime: d}, r.value})
		}
	}
	slices.SortStableFunc(points, func(a, b row) int { return cmp.Compare(a.Watts, b.Watts) })
	var out []policy.ChartPoint
	for i, p := range points {
		if i > 0 && (p.Watts == points[i-1].Watts || p.Runtime >= points[i-1].Runtime) {
			b := points[i-1]
			f.l.err(place{p.at.at, f.block}, chartNotFall, "By this chart %d watts last %s and %d watts last %s, but a greater load must last a shorter time. Copy the two rows again.", b.Watts, short(b.Runtime), p.Watts, short(p.Runtime))
		}
		out = append(out, p.ChartPoint)
	}
	return out
}

func (l *loader) model(s *section, ratedWatts int64) *policy.Model {
	const longest = 1000 * time.Hour
	m := &policy.Model{
		StoreWattHours: l.get(s, "store_watt_hours").need().number(0.1, 1e7, 0),
		Ohmic:          l.get(s, "ohmic").need().duration(0, longest, 0),
		Diffusion:      l.get(s, "diffusion").duration(0, longest, 0),
		FittedDay:      l.get(s, "fitted").date(),
	}
	relaxation := l.get(s, "relaxation")
	if m.Diffusion > 0 {
		relaxation = relaxation.need()
	}
	m.Relaxation = relaxation.duration(time.Second, longest, 0)
	// By the model a load of more than store/ohmic cannot be carried at all.
	if most := m.StoreWattHours / m.Ohmic.Hours(); m.Ohmic > 0 && m.StoreWattHours > 0 && most < float64(ratedWatts)/10 {
		l.err(s.head, badModel, "By these figures the battery cannot carry more than %.0f watts, and the UPS is rated for %d. Check store_watt_hours (watt-hours, not watt-minutes) and ohmic.", math.Floor(most), ratedWatts)
	}
	return m
}

// cardSNMP reads how a UPS's management card is reached.
func (l *loader) cardSNMP(s *section) *policy.SNMP {
	c := l.snmp(s)
	c.PollEvery = l.get(s, "poll_every").duration(500*time.Millisecond, time.Minute, defaultPollEvery)
	c.Timeout = l.get(s, "timeout").duration(100*time.Millisecond, 10*time.Second, min(defaultTimeout, c.PollEvery))
	if t := l.get(s, "timeout"); c.Timeout > c.PollEvery {
		t.bad(outOfRange, "timeout of %s is longer than the %s from one poll to the next. Write a shorter timeout or a longer poll_every.", s.title, short(c.PollEvery))
	}
	c.DelayStep = l.get(s, "delay_step").duration(time.Second, time.Hour, 0)
	c.Scale = l.scale(s)
	f := l.get(s, "missing")
	for _, w := range f.words("the name of an RFC 1628 object in quotes") {
		l.object(w)
		c.Missing = append(c.Missing, w.text)
	}
	slices.Sort(c.Missing)
	return c
}

func (l *loader) scale(s *section) map[string]float64 {
	f := l.get(s, "scale")
	if !f.ok {
		return nil
	}
	entries, ok := f.value.data.([]entry)
	if !ok {
		f.wrong(f.value, "a map of RFC 1628 objects to factors, such as { upsOutputPower = 0.1 }")
		return nil
	}
	out := map[string]float64{}
	for _, e := range entries {
		name := e.key.data.(string)
		l.object(word{name, place{e.key.at, f.block}})
		one := f
		one.value, one.name = e.value, "scale for "+name
		out[name] = one.number(1e-6, 1e6, 1)
	}
	return out
}

// object refuses a name that is no object of the standard, which would be
// ignored in silence.
func (l *loader) object(w word) {
	if slices.Contains(rfc1628Objects, w.text) {
		return
	}
	hint := l.meant(w.text, rfc1628Objects)
	if hint == "" {
		hint = " Write its name from the standard, such as upsOutputPower."
	}
	l.err(w.at, unknownObject, "RFC 1628 has no object %q that is read.%s", w.text, hint)
}

// rfc1628Objects are the objects of RFC 1628 that hold a value (section 4).
var rfc1628Objects = attributes(`
	upsIdentManufacturer upsIdentModel upsIdentUPSSoftwareVersion upsIdentAgentSoftwareVersion
	upsIdentName upsIdentAttachedDevices
	upsBatteryStatus upsSecondsOnBattery upsEstimatedMinutesRemaining upsEstimatedChargeRemaining
	upsBatteryVoltage upsBatteryCurrent upsBatteryTemperature
	upsInputLineBads upsInputNumLines upsInputFrequency upsInputVoltage upsInputCurrent upsInputTruePower
	upsOutputSource upsOutputFrequency upsOutputNumLines upsOutputVoltage upsOutputCurrent
	upsOutputPower upsOutputPercentLoad
	upsBypassFrequency upsBypassNumLines upsBypassVoltage upsBypassCurrent upsBypassPower
	upsAlarmsPresent upsAlarmDescr upsAlarmTime
	upsTestId upsTestSpinLock upsTestResultsSummary upsTestResultsDetail upsTestStartTime upsTestElapsedTime
	upsShutdownType upsShutdownAfterDelay upsStartupAfterDelay upsRebootWithDuration upsAutoRestart
	upsConfigInputVoltage upsConfigInputFreq upsConfigOutputVoltage upsConfigOutputFreq
	upsConfigOutputVA upsConfigOutputPower upsConfigLowBattTime upsConfigAudibleStatus
	upsConfigLowVoltageTransferPoint upsConfigHighVoltageTransferPoint`)

// snmp reads what a card and an outlet have in common: address and access.
func (l *loader) snmp(s *section) *policy.SNMP {
	c := &policy.SNMP{
		Address:   l.get(s, "address").need().address(portOptional),
		WriteWith: l.secret(s, "write_community", false),
	}
	version := l.snmpVersion(s)
	c.Version = map[string]int{"1": 1, "2c": 2, "3": 3}[version]
	switch version {
	case "1", "2c":
		l.reject(s, "with version = \""+version+"\", which knows a community and no users", "user", "auth", "auth_key", "priv", "priv_key")
		c.Community = l.secret(s, "community", false)
	case "3":
		l.reject(s, "with version = \"3\", which knows users and no community", "community", "write_community")
		l.snmpUser(s, c)
	}
	return c
}

// snmpVersion is as written, or else what the way in that is written goes with.
func (l *loader) snmpVersion(s *section) string {
	written := l.get(s, "version")
	if written.attr != nil || s.partial {
		return written.choice("1", "2c", "3")
	}
	for _, guess := range [][2]string{{"user", "3"}, {"community", "2c"}} {
		if l.peek(s, guess[0]).attr != nil {
			l.warn(s.head, versionGuessed, "%s has no version; it has a %s, so it is taken to be \"%s\". Write version = \"%[3]s\" in it.", s.title, guess[0], guess[1])
			return guess[1]
		}
	}
	written.need()
	return ""
}

func (l *loader) snmpUser(s *section, c *policy.SNMP) {
	c.User = l.get(s, "user").need().text()
	auth := l.get(s, "auth")
	priv := l.get(s, "priv")
	c.Auth = auth.choice("MD5", "SHA", "SHA224", "SHA256", "SHA384", "SHA512")
	c.Priv = priv.choice("DES", "AES", "AES192", "AES256")
	authKey := l.peek(s, "auth_key")
	privKey := l.peek(s, "priv_key")
	c.AuthKey = l.secret(s, "auth_key", auth.attr != nil)
	c.PrivKey = l.secret(s, "priv_key", priv.attr != nil)
	if authKey.attr != nil && auth.attr == nil {
		c.Auth = "SHA256"
	}
	if privKey.attr != nil && priv.attr == nil {
		c.Priv = "AES"
	}
	if privKey.attr != nil && authKey.attr == nil && !s.partial {
		l.err(place{privKey.attr.NameRange, privKey.block}, doesNotApply, "SNMP has no privacy without authentication. Write auth_key = secret(\"name\") beside priv_key.")
	}
	if c.Auth == "MD5" {
		l.warn(auth.at(), weakCrypto, "MD5 can be forged with little effort. Set the card and %s to auth = \"SHA256\" if the card knows it.", s.title)
	}
	if c.Priv == "DES" {
		l.warn(priv.at(), weakCrypto, "DES can be read with little effort. Set the card and %s to priv = \"AES\" if the card knows it.", s.title)
	}
}

// reject reports attributes that mean nothing beside what was chosen.
func (l *loader) reject(s *section, why string, names ...string) {
	for _, name := range names {
		if f := l.peek(s, name); f.attr != nil {
			l.err(place{f.attr.NameRange, f.block}, doesNotApply, "%s of %s means nothing %s. Remove it.", name, s.title, why)
		}
	}
}

// exactlyOne reports two attributes of which one was to be chosen. With a group
// behind, the nearest layer that has any of them decides.
func (l *loader) exactlyOne(s *section, a, b string) (chosen string) {
	for _, layer := range s.layers {
		x, y := layer.Body.Attributes[a], layer.Body.Attributes[b]
		switch {
		case x != nil && y != nil:
			l.err(place{y.NameRange, layer.Range()}, chooseOne, "%s has both %s and %s. Keep one of them.", s.title, a, b)
			return a
		case x != nil:
			return a
		case y != nil:
			return b
		}
	}
	if !s.partial {
		l.err(s.head, chooseOne, "%s has neither %s nor %s. Write one of them.", s.title, a, b)
	}
	return ""
}
