package load

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"path"
	"slices"
	"strings"
	"time"

	"ebbline/policy"
)

// Defaults of sensors and emergency switches.
const (
	defaultSensorEvery = 10 * time.Second
	defaultSwitchEvery = 2 * time.Second
)

// temperatureDraft is a sensor whose hosts and second sensor are still names.
type temperatureDraft struct {
	policy.Temperature
	s       *section
	ups     *word
	confirm *word
	hosts   []word
	named   bool // it says which hosts
}

func (l *loader) readTemperature(s *section) {
	d := &temperatureDraft{s: s, Temperature: policy.Temperature{Name: s.name, UPS: -1, Confirm: -1, Scale: 1}}
	l.temperatures = append(l.temperatures, d)
	if s.broken {
		return
	}
	d.LimitTenths = int64(math.Floor(steady(l.get(s, "limit").need().number(15, 70, 35) * 10)))
	d.RateTenths = int64(math.Floor(steady(l.get(s, "rate").number(0.5, 1000, 0) * 10)))
	d.WithInput = l.get(s, "with_input").flag()
	d.Every = l.get(s, "every").duration(time.Second, 5*time.Minute, defaultSensorEvery)
	d.confirm = l.get(s, "confirmed_by").word()
	f := l.get(s, "hosts")
	d.hosts, d.named = f.words("the name of a host in quotes"), f.ok
	if f.ok && f.value.empty() {
		f.bad(outOfRange, "hosts of %s names none, so that its limit would mean nothing. Name the hosts that stand there, or leave it out for all.", s.title)
	}
	d.ups = l.get(s, "ups").word()
	snmp, file := s.one("snmp"), s.one("file")
	if n := ways(d.ups != nil, snmp != nil, file != nil); n != 1 {
		l.err(s.head, chooseOne, "%s is read in %s ways. Write one: ups = \"name\" for the UPS's own reading, a block snmp with the sensor's oid, or a block file with its path.", s.title, [...]string{"no", "", "two", "three"}[n])
	}
	if snmp != nil {
		d.SNMP, d.OID = l.sensor(snmp)
		d.Scale = l.get(snmp, "scale").number(-1000, 1000, 1)
	}
	if file != nil {
		d.File = l.path(file, "path")
		d.Scale = l.get(file, "scale").number(-1000, 1000, 1)
	}
	if d.Scale == 0 {
		l.err(s.head, outOfRange, "scale of %s is 0, so that it would always read 0 °C. Write what one count means in degrees, such as 0.1.", s.title)
	}
	if room := s.one("room"); room != nil {
		d.Room = &policy.HeatRoom{
			TimeConstant:   l.get(room, "time_constant").need().duration(time.Minute, 48*time.Hour, 0),
			UsualTenths:    int64(math.Ceil(steady(l.get(room, "usual").number(0, 60, 0) * 10))),
			WattsPerKelvin: l.get(room, "watts_per_kelvin").need().number(0.1, 1e6, 0),
		}
	}
}

// ways counts how many are true.
func ways(is ...bool) (n int) {
	for _, yes := range is {
		if yes {
			n++
		}
	}
	return n
}

// sensor reads how one object of a device on the network is read.
func (l *loader) sensor(s *section) (*policy.SNMP, string) {
	c := l.snmp(s)
	c.Timeout = l.get(s, "timeout").duration(100*time.Millisecond, 10*time.Second, defaultTimeout)
	return c, l.get(s, "oid").need().oid()
}

// path reads the path of a file, which is the same wherever the agent runs.
func (l *loader) path(s *section, name string) string {
	f := l.get(s, name).need()
	text := f.text()
	if text != "" && (!path.IsAbs(text) || path.Clean(text) != text) {
		f.bad(notPath, "%s of %s is %q. Write the whole path, from \"/\" on and without \"..\".", name, s.title, text)
	}
	return text
}

// resolveTemperatures sorts the sensors and turns the names in them into indices.
func (l *loader) resolveTemperatures() {
	slices.SortFunc(l.temperatures, func(a, b *temperatureDraft) int { return cmp.Compare(a.Name, b.Name) })
	for _, d := range l.temperatures {
		if d.ups != nil {
			if i, ok := l.upsAt(d.ups.text); ok {
				d.UPS = i
				if u := &l.upss[i]; u.SNMP == nil && u.HID == nil {
					l.err(d.ups.at, doesNotApply, "UPS %q is not read, so that it gives no temperature. Write a block snmp or hid in it, or another source here.", u.Name)
				}
			} else {
				l.unknown(*d.ups, unknownUPS, "UPS", []string{"ups"})
			}
		}
		for _, w := range d.hosts {
			if k, ok := l.hostAt(w.text); ok {
				d.Hosts = append(d.Hosts, k)
			} else if !l.isUnfed(w.text) {
				l.unknown(w, unknownHost, "host", []string{"host"})
			}
		}
		l.guestsToo(d)
	}
	for i, d := range l.temperatures {
		l.confirmed(i, d)
	}
}

// guestsToo adds the guests of the hosts that are named, or every host where none is.
func (l *loader) guestsToo(d *temperatureDraft) {
	in := map[int]bool{}
	for _, k := range d.Hosts {
		in[k] = true
	}
	for range l.hosts { // guests may have guests
		more := len(in)
		for k, h := range l.hosts {
			if !d.named || h.RunsOn >= 0 && in[h.RunsOn] {
				in[k] = true
			}
		}
		if len(in) == more {
			break
		}
	}
	d.Hosts = slices.Sorted(maps.Keys(in))
}

// confirmed finds the second sensor, without which no heat stops a host that has
// input: one that drifts looks just like a room that warms.
func (l *loader) confirmed(i int, d *temperatureDraft) {
	if d.confirm == nil {
		if d.WithInput && !d.s.broken {
			l.err(d.s.head, notConfirmed, "%s may stop hosts that have input, and a sensor that drifts looks just like a room that warms. Write confirmed_by = \"name\" of another temperature that sees the same air, such as the UPS's own.", d.s.title)
		}
		return
	}
	j, ok := slices.BinarySearchFunc(l.temperatures, d.confirm.text, func(t *temperatureDraft, n string) int { return cmp.Compare(t.Name, n) })
	switch {
	case !ok:
		l.unknown(*d.confirm, unknownSensor, "temperature", []string{"temperature"})
	case j == i:
		l.err(d.confirm.at, notConfirmed, "%s confirms itself. Name another temperature, read in another way.", d.s.title)
	case l.sameSensor(d, l.temperatures[j]):
		l.err(d.confirm.at, notConfirmed, "%s and %q are one sensor, which cannot confirm itself. Name one that is read in another way.", d.s.title, l.temperatures[j].Name)
	default:
		d.Confirm = j
	}
}

func (l *loader) sameSensor(a, b *temperatureDraft) bool {
	switch {
	case a.UPS >= 0 || b.UPS >= 0:
		return a.UPS == b.UPS
	case a.SNMP != nil && b.SNMP != nil:
		return a.SNMP.Address == b.SNMP.Address && a.OID == b.OID
	}
	return a.File == b.File && a.File != ""
}

// emergencyDraft is an emergency switch whose UPS is still a name.
type emergencyDraft struct {
	policy.Emergency
	s   *section
	ups *word
}

func (l *loader) readEmergency(s *section) {
	d := &emergencyDraft{s: s, Emergency: policy.Emergency{Name: s.name, Kind: policy.BySwitch}}
	l.emergencies = append(l.emergencies, d)
	if s.broken {
		return
	}
	if l.get(s, "kind").choice("switch", "fire") == "fire" {
		d.Kind = policy.ByFire
	}
	d.Cuts = map[string]policy.Acts{"input": policy.OnInput, "output": policy.OnOutput, "both": policy.OnBoth}[l.get(s, "cuts").choice("input", "output", "both")]
	d.Every = l.get(s, "every").duration(500*time.Millisecond, time.Minute, defaultSwitchEvery)
	d.ups = l.get(s, "ups").word()
	command := l.get(s, "command")
	snmp, gpio := s.one("snmp"), s.one("gpio")
	if n := ways(d.ups != nil, snmp != nil, gpio != nil, command.attr != nil); n != 1 {
		l.err(s.head, chooseOne, "%s is read in %s ways. Write one: ups = \"name\" with the oid of a contact on its card, a block snmp, a block gpio, or command = [\"program\", \"argument\"] that prints pressed or released.", s.title, [...]string{"no", "", "two", "three", "four"}[n])
	}
	switch {
	case d.ups != nil:
		d.OID = l.get(s, "oid").need().oid()
		d.Active = l.get(s, "active").need().whole(math.MinInt32, math.MaxInt32, 0)
	default:
		l.reject(s, "without ups", "oid", "active")
	}
	if snmp != nil {
		d.SNMP, d.OID = l.sensor(snmp)
		d.Active = l.get(snmp, "active").need().whole(math.MinInt32, math.MaxInt32, 0)
	}
	if gpio != nil {
		d.GPIO = l.gpio(gpio)
	}
	if command.attr != nil {
		d.Command = command.arguments()
	}
}

func (l *loader) gpio(s *section) *policy.GPIO {
	g := &policy.GPIO{
		Chip:      l.path(s, "chip"),
		Line:      uint32(l.get(s, "line").need().whole(0, 65535, 0)),
		ActiveLow: l.get(s, "active").need().choice("high", "low") == "low",
		Bias:      l.get(s, "bias").choice("pull_up", "pull_down", "disabled"),
	}
	if f := l.get(s, "chip"); g.Chip != "" && !strings.HasPrefix(g.Chip, "/dev/") {
		f.bad(notPath, "chip of %s is %q, which is no device. Write the character device, such as \"/dev/gpiochip0\".", s.title, g.Chip)
	}
	return g
}

// resolveEmergencies sorts the switches; one on a UPS's card is read as the card is.
func (l *loader) resolveEmergencies() {
	slices.SortFunc(l.emergencies, func(a, b *emergencyDraft) int { return cmp.Compare(a.Name, b.Name) })
	for _, d := range l.emergencies {
		if d.ups == nil {
			continue
		}
		i, ok := l.upsAt(d.ups.text)
		switch {
		case !ok:
			l.unknown(*d.ups, unknownUPS, "UPS", []string{"ups"})
		case l.upss[i].SNMP == nil:
			l.err(d.ups.at, doesNotApply, "UPS %q has no block snmp, so that its card has no contact that can be read. Write a block snmp, gpio or command here.", l.upss[i].Name)
		default:
			d.SNMP = l.upss[i].SNMP
		}
	}
}

// warmest is the highest inlet temperature of the usual class of machines (ASHRAE
// thermal guidelines, 5th ed. 2021, table 2.1: class A2 35 °C, A3 40, A4 45).
const warmest = 45

// heatRisks warns of limits and sensors that may not do what is expected of them.
func (l *loader) heatRisks(p *policy.Policy) {
	for i := range p.Temperatures {
		t, s := &p.Temperatures[i], l.temperatures[i].s
		if limit := l.get(s, "limit"); t.LimitTenths > warmest*10 {
			l.warn(limit.at(), pastInlet, "At %g °C hardly a machine may run: by the usual classes the air at its inlet may have 35 to %d °C, less at altitude. Limits are at the inlet, and a sensor of the room reads low. Write the lowest that your machines' makers state, less what the sensor reads too low.", float64(t.LimitTenths)/10, warmest)
		}
		if t.UPS >= 0 && p.UPSs[t.UPS].SNMP != nil && p.UPSs[t.UPS].SNMP.Scale["upsBatteryTemperature"] == 0 {
			l.warn(l.get(s, "ups").at(), coarseSensor, "A card counts whole degrees, near the battery, which is warmer than the air and follows it late. A rise is seen minutes later than by a sensor at the inlet. Put a sensor where the machines draw their air, and keep this one as confirmed_by.")
		}
		if t.WithInput {
			continue
		}
		if j := t.Confirm; j < 0 && len(p.Temperatures) == 1 {
			l.warn(s.head, oneSensor, "%s stands alone. On battery that is enough to stop its hosts before the battery's end, for then cooling has most likely ended too; but a sensor that drifts stops them too early. A second one, named in confirmed_by, rules that out.", s.title)
		}
	}
}

// emergencyRisks asks where the emergency switch acts, for a UPS goes on without input.
func (l *loader) emergencyRisks(p *policy.Policy) {
	const licensed = "Local code (in North America NEC 645.10 where a room is run under article 645) and a licensed electrician decide; do not rely on ebbline for the safety of people."
	for i := range p.Emergencies {
		e, s := &p.Emergencies[i], l.emergencies[i].s
		switch e.Cuts {
		case 0:
			l.warn(s.head, emergencyActs, "Does %s cut the input of the UPSs, their output, or both? A UPS goes on without input: its output and the machines stay live until its battery is flat. Find out, with whoever installed it, and write cuts = \"input\", \"output\" or \"both\". %s", s.title, licensed)
		case policy.OnInput:
			l.warn(l.get(s, "cuts").at(), emergencyWays, "%s cuts the input alone: %s on from the battery, live at its output, until ebbline has stopped the machines and the battery is flat. Have it act on the output too, or on the UPS's own contact for emergency power off. %s", s.title, goOn(p), licensed)
		}
	}
}

func goOn(p *policy.Policy) string {
	if len(p.UPSs) == 1 {
		return fmt.Sprintf("UPS %q goes", p.UPSs[0].Name)
	}
	return "the UPSs go"
}
