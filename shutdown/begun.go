package shutdown

// Begun takes note that an action was begun, where this build of the core would not
// have begun it then: another did, or a line of the journal was lost. Whoever decided
// it, it is a fact.
func (s *State) Begun(at Instant, a Action) {
	id := a.ID
	s.Outage = max(s.Outage, id.Outage)
	if s.Began == 0 {
		s.Began = at
	}
	if id.Host < 0 {
		u := &s.UPSs[id.UPS]
		u.Output, u.OutputTry, u.OutputBy = OutputAsking, id.Try, a.Deadline
		if id.Verb == VerbSwitchOn {
			u.Output = OutputCalling
		}
		return
	}
	h := &s.Hosts[id.Host]
	switch {
	case id.Verb == VerbPrepare:
		h.Prepared, h.Preparing = true, true
		return
	case id.Verb == VerbStart && h.Power != Starting:
		h.Power, h.Stopped, h.AskedAt, h.Told = Starting, true, at, false
		for _, f := range s.Policy.Hosts[id.Host].FedBy {
			s.UPSs[f].StartedAt = at
		}
	case id.Verb != VerbStart && h.Power != Asked:
		s.turnTo(at, id.Host)
	}
	h.Outage, h.Verb, h.Method, h.Try = id.Outage, id.Verb, id.Method, id.Try
	h.InFlight, h.Retry, h.Deadline = true, 0, a.Deadline
}
