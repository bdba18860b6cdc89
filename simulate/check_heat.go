package simulate

import (
	"time"

	"ebbline/policy/electrical"
	"ebbline/shutdown"
	"ebbline/simulate/world"
)

// seenWarm is by how many kelvin the air must really be warmer than while it is cooled
// for a stop by heat to have a cause: sensors that err by 0.3 K see a kelvin at that.
const seenWarm = 0.4

// heats tells whether a host that has input may be stopped for heat: the policy says so
// of a room in which it stands, and the air there has really warmed.
func (c *Checker) heats(k int) bool {
	for j := range c.p.Temperatures {
		if t := &c.p.Temperatures[j]; t.WithInput && !c.p.Hosts[k].Self && feeds(t.Hosts, k) {
			return c.r.world.Air() > c.truth.Room.From+seenWarm
		}
	}
	return false
}

// slowRoom is in how long a room must reach a limit, with all up, so that there is time
// for a sensor to show it, and for every host.
const slowRoom = 25 * time.Minute

// tooWarm checks that no host ran in air above its limit, where sensors, hosts and the
// agent did what they should, and the room was slow enough.
func (c *Checker) tooWarm() {
	if c.truth.Room.TimeConstant == 0 || c.truth.Loss > 0 || c.truth.Late > 0 {
		return
	}
	fails := false
	for i := range c.truth.Moments {
		switch m := &c.truth.Moments[i]; m.What {
		case world.InputLost, world.InputBack, world.CoolingBack, world.OddReading, world.OddGood, world.OddNothing, world.OddLow, world.Claims:
		case world.CoolingFails:
			fails = true
		default:
			return
		}
	}
	watts, longest := 0.0, time.Duration(0)
	for i := range c.p.UPSs {
		watts += c.own[i]
	}
	for l := range c.p.Loads {
		watts += float64(c.p.Loads[l].Watts)
	}
	for k := range c.p.Hosts {
		h := &c.p.Hosts[k]
		if c.truth.Hosts[k].Draws > 1 || !h.StaysUp && !h.Self && !c.behaves(k) {
			return
		}
		watts += float64(h.Watts)
		longest = max(longest, c.down[k])
	}
	for j := range c.p.Temperatures {
		t := &c.p.Temperatures[j]
		if len(t.Hosts) < len(c.p.Hosts) || fails && !t.WithInput {
			continue
		}
		limit := float64(t.LimitTenths) / 10
		r := &c.truth.Room
		room := electrical.Room{JoulesPerKelvin: r.TimeConstant.Seconds() * r.WattsPerKelvin, WattsPerKelvin: r.WattsPerKelvin}
		if hottest := c.r.world.Hottest(); hottest > limit && room.Minutes(watts, limit-r.From) > (slowRoom+2*longest).Minutes() {
			c.broken("P1", "a host ran at %.1f °C, above the limit of %g of temperature %s, though there was time", hottest, limit, t.Name)
		}
	}
}

// heatOnly tells whether a moment of the script concerns a room alone, and no input.
func heatOnly(w world.What) bool {
	_, sensor := sensorFault(w)
	return sensor || w == world.SensorMends || w == world.CoolingFails || w == world.CoolingBack
}

// stoppedWarm tells whether a host that depends on another must be off first though it
// has input: both go for heat.
func (c *Checker) stoppedWarm(j, k int, at shutdown.Instant) bool {
	for _, i := range c.p.Hosts[k].FedBy {
		if c.hasInput(at, i) {
			return c.heats(j) && c.heats(k)
		}
	}
	return false
}
