package shutdown

// Decide draws all that follows once more, whether it is time for that or not.
func (s *State) Decide(at Instant) []Effect {
	s.Now = at
	s.decide(at)
	return s.takeEffects()
}

// Next gives the state that follows in the host's table.
func Next(from HostState, in Input) HostState { return next(from, in) }

// NumStates and NumInputs bound the host's table.
const (
	NumStates = numStates
	NumInputs = numInputs
)
