package agent

import (
	"time"

	"golang.org/x/sys/unix"

	"ebbline/shutdown"
)

// clock gives the instant: an epoch, and the time since the machine's boot. A
// step of the wall clock moves neither, and within one boot the epoch outlives
// the process.
type clock struct {
	epoch   shutdown.Instant
	elapsed func() time.Duration
}

func (c *clock) now() shutdown.Instant { return c.epoch.Add(c.elapsed()) }

// newClock goes on with the epoch of the journal in the same boot; else it
// takes the wall's time, but never one before the last recorded instant.
func newClock(c *Config, m *resumed) clock {
	elapsed := c.Elapsed()
	epoch := m.boot.epoch
	if !m.boot.is(c.Boot) {
		epoch = shutdown.Instant(c.Wall().UnixNano()).Add(-elapsed)
	}
	return clock{max(epoch, m.state.Now.Add(-elapsed)), c.Elapsed}
}

// sinceBoot is the time since the machine's boot, time asleep included.
func sinceBoot() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &t); err != nil {
		panic("agent: the kernel gives no time since boot: " + err.Error())
	}
	return time.Duration(t.Nano())
}
