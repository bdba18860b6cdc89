package shutdown

// A host that is only watched is decided about as any other, and no order is given to
// it. So it is never asked, told or started: what is kept of the decision is when it
// would have been asked. Where it stands is what is seen of it; when it goes out of
// sight, or its power ends, that is none of our doing, and it is not brought back.
//
// From when it would have been asked, until its allowance would have been used up, it
// counts in the schedule as one that stops; then as one that is off, where all hosts are
// only watched: the others are decided about as if it were, though its watts still drain
// the battery. Where other hosts are really stopped, it is counted on to draw to the
// end, as it will: see [State.drawsOn].

// supposed tells whether a host that is only watched would have been asked to stop by
// now, in this loss of its input.
func (s *State) supposed(k int32) bool {
	h := &s.Hosts[k]
	return s.Began != 0 && h.Asked >= s.Began && s.Policy.Hosts[k].Observe && h.Asked >= s.lostAt(k)
}

// supposedOff tells whether it would be off by now, or have used up its allowance.
func (s *State) supposedOff(k int32) bool { return s.supposed(k) && s.Now >= s.giveUp(k) }

// unasked tells whether a host runs and is not asked to stop, or would not be.
func (s *State) unasked(k int32) bool { return s.Hosts[k].runs() && !s.supposed(k) }

// going tells whether a host is being stopped, or would be.
func (s *State) going(k int32) bool {
	return stopping(s.Hosts[k].State) || s.Hosts[k].runs() && s.supposed(k)
}

// drawsOn tells whether a host draws to the end whatever is decided about it, and
// whatever it needs is kept as long as can be: it is only watched, and others are not.
func (s *State) drawsOn(k int32) bool { return s.scratch().drawsOn[k] }

// switched tells whether a UPS's output is one to be switched off, or would be if orders
// were given.
func (s *State) switched(i int32) bool {
	return s.Policy.UPSs[i].Output != nil && (s.Policy.Site.Observe || !s.watched(i))
}

// watched tells whether a UPS gets no order; see [policy.Policy.Watched].
func (s *State) watched(i int32) bool { return s.scratch().watched[i] }

// suppose notes that a host would be asked to stop now.
func (s *State) suppose(at Instant, k int32) {
	if !s.away(k) {
		s.reopen(at, k)
	}
	s.Hosts[k].Asked = at
}

// WouldBeAsked tells when a host that is only watched would have been asked to stop in
// the outage that is on; false for not.
func (s *State) WouldBeAsked(k int32) (at Instant, is bool) {
	h := &s.Hosts[k]
	return h.Asked, s.Policy.Hosts[k].Observe && s.Began != 0 && h.Asked >= s.Began
}
