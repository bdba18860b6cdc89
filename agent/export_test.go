package agent

import "ebbline/shutdown"

// Recalled is the state that an agent would go on from.
func Recalled(past Past, c *Config) *shutdown.State { return remember(&past, c).state }

// Sound tells whether a state passes for one that can be.
func Sound(s *shutdown.State) error { return sound(s) }

// Format is the number of what this build's snapshot holds.
const Format = format
