package shutdown

// observed takes what a look at a host showed. True when something may follow from it.
func (s *State) observed(at Instant, k int32, seen Sighting) bool {
	h := &s.Hosts[k]
	was, state := h.Seen, h.State
	if seen != was {
		h.SeenFrom = at
	}
	h.Seen = seen
	if seen == SeenUp && h.Word == StartHost {
		h.Word = 0 // what was wanted, whoever did it
	}
	switch seen {
	case SeenUp:
		h.UpAt = at
		s.fold(k, InUp)
	case SeenRefusing:
		h.UpAt = at
		s.fold(k, InRefusing)
	case SeenOff:
		if (h.State == Up || h.State == Silent) && s.mayBeCut(k) {
			s.fold(k, InCut)
		} else {
			s.fold(k, InOff)
		}
	case SeenSilent:
		switch {
		case s.proof(k):
			s.fold(k, InGone)
		case was == SeenSilent && s.turnedOff(k):
			s.fold(k, InAway)
		default:
			s.fold(k, InSilent)
		}
	}
	// The same again tells something of one that nobody told, and of one that perhaps did
	// not get its order.
	return seen != was || h.State != state || h.State == Silent || h.State == Doubt && at >= s.againAt(k)
}
