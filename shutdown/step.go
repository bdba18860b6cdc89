package shutdown

// Step is the whole decision: a function of the state, the instant and the event
// alone. It changes s in place and appends what is to be done to out.
func (s *State) Step(at Instant, e *Event, out []Effect) []Effect {
	if s.Policy == nil && e.Kind != Adopted {
		return out
	}
	before := s.Now
	s.Now = max(before, at) // a clock that goes back moves nothing
	s.scratch().out = out
	news := s.learn(s.Now, before, e)
	switch {
	case news || s.Now >= s.Wake:
		s.decide(s.Now)
	case e.Kind == Measured:
		s.Wake = s.wake(s.Now) // an answer puts off the silence of its UPS
	}
	return s.takeEffects()
}

// Heard takes an event that another build's core has seen already: what it says is a
// fact, and where hosts stand follows from it; but what was to be done then that build
// has decided, and [State.Begun] tells it. What an operator should know by now is
// appended to out.
func (s *State) Heard(at Instant, e *Event, out []Effect) []Effect {
	if s.Policy == nil && e.Kind != Adopted {
		return out
	}
	before := s.Now
	s.Now = max(before, at)
	s.scratch().out = out
	s.learn(s.Now, before, e)
	s.presume(s.Now)
	s.age(s.Now)
	s.tell(s.Now)
	s.Wake = s.Now // all else is decided at the next event
	out = s.work.out
	s.work.out, s.work.deeds, s.work.waked = nil, s.work.deeds[:0], false
	return out
}

// learn takes what was said or seen into the facts. True when something follows from
// it other than by time.
func (s *State) learn(at, before Instant, e *Event) bool {
	s.scratch().said = ""
	s.askAgain(before, at)
	switch e.Kind {
	case Adopted:
		s.adopted(at, e)
	case Measured:
		wrong := s.saysOffWrongly(e.UPS)
		if s.UPSs[e.UPS].loneOff(at, s.Alive, &e.Measurement) {
			s.work.waked = false // when to wake is worked out anew: the UPS is asked for another answer
			return false         // as if this one had not come: it puts off no silence
		}
		m := &e.Measurement
		if m.Source == FromNothing && s.mustCarry(e.UPS) {
			m = s.corrected(e.UPS, m)
		}
		news := s.answered(at, e.UPS, m)
		s.UPSs[e.UPS].LastAt = at.Add(e.Standing)
		return news || wrong != s.saysOffWrongly(e.UPS)
	case Observed:
		return s.observed(at, e.Host, e.Sighting)
	case Finished:
		return s.finished(at, e)
	case Warmed:
		return s.warmed(at, int(e.Sensor), e.Tenths)
	case Touched:
		return s.touched(at, int(e.Sensor), e.Used)
	case Commanded:
		s.commanded(s.Now, e)
	case Restarted:
		s.restarted(at, at.Sub(before), e.Rebooted, e.Orderly)
	case Tick:
		return false
	}
	return true
}

// decide draws what follows, from above: where the hosts stand, who should be off from
// when on, what is to be begun for that, and what an operator is to know.
func (s *State) decide(at Instant) {
	s.presume(at)
	s.age(at)
	s.intend(at)
	s.switchOutputs(at)
	s.stop(at)
	s.bringBack(at)
	s.conclude(at)
	s.look(at)
	s.tell(at)
	s.work.waked = false // what was worked out for the last one is old
	s.Wake = s.wake(at)
}

// emit adds an effect to those of the step.
func (s *State) emit(f Effect) {
	w := s.scratch()
	if f.Kind == Notify {
		w.out = append(w.out, f)
	} else {
		w.deeds = append(w.deeds, f)
	}
}

// takeEffects gives the step's effects: what is so first, then what is to be done.
func (s *State) takeEffects() []Effect {
	w := s.work
	out := append(w.out, w.deeds...)
	w.out, w.deeds = nil, w.deeds[:0]
	return out
}
