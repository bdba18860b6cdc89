package shutdown

// wake is the earliest instant at which time alone changes an answer.
func (s *State) wake(at Instant) Instant {
	w := Never
	sooner := func(t Instant) {
		if t > at && t < w {
			w = t
		}
	}
	for i := range s.UPSs {
		s.silenceWake(int32(i), sooner)
	}
	if k := s.scratch(); !k.waked {
		k.waked, k.wake = true, s.otherWake(at)
	}
	return min(w, s.work.wake)
}

// otherWake is the same but for what answers put off.
func (s *State) otherWake(at Instant) Instant {
	w := Never
	sooner := func(t Instant) {
		if t > at && t < w {
			w = t
		}
	}
	for i := range s.UPSs {
		s.upsWake(at, int32(i), sooner)
	}
	s.roomWake(sooner)
	for k := range s.Hosts {
		s.hostWake(at, int32(k), sooner)
	}
	return w
}

// silenceWake is when a UPS counts as silent, and what follows from one answer and
// then silence.
func (s *State) silenceWake(i int32, sooner func(Instant)) {
	u := &s.UPSs[i]
	if s.reachable(i) {
		sooner(u.LastAt.Add(s.silentAfter(i)))
		sooner(s.listened(i).Add(s.silentAfter(i)))
	}
	if u.OnBattery() && !s.sure(s.Now, i) || u.EndHeard != 0 && !s.low(i) {
		sooner(s.sureBySilence(i))
	}
}

func (s *State) upsWake(at Instant, i int32, sooner func(Instant)) {
	u := &s.UPSs[i]
	if u.OffHeard != 0 && !u.Dead() {
		sooner(u.OffHeard.Add(aMoment))
	}
	if u.EndHeard != 0 {
		sooner(u.EndHeard.Add(aMoment))
	}
	if u.Switch.underWay() {
		sooner(u.Switch.Action.Deadline)
	}
	if !s.Outstanding() || u.OnBattery() {
		return
	}
	sooner(u.back().Add(settledFor))
	sooner(s.stableFrom(i))
	if u.Lost != 0 {
		sooner(s.chargedBy(i))
		sooner(s.nextStart(i))
	}
	if u.Switch.Action.ID.Verb != 0 {
		sooner(s.goesOff(i))
		sooner(s.callBackBy(i))
	}
}

func (s *State) hostWake(at Instant, k int32, sooner func(Instant)) {
	h := &s.Hosts[k]
	if h.unlooked(at) {
		sooner(h.SeenFrom.Add(afterBoot))
	}
	switch {
	case s.supposed(k):
		sooner(s.giveUp(k))
	case h.runs() && s.slot(k) >= 0 && s.planned(k):
		sooner(s.startOf(k))
		sooner(s.latestOf(k))
		if p := s.Policy.Hosts[k].Prepare; p != nil && s.unprepared(k) {
			sooner(s.startOf(k).Add(-p.Ahead))
		}
	case stopping(h.State):
		sooner(h.Last.Action.Deadline)
		sooner(s.giveUp(k))
		sooner(s.lateFrom(k))
		if !h.underWay() {
			sooner(s.againAt(k))
		}
		sooner(s.latestOf(k))
	case h.State == Starting:
		sooner(s.startOver(k))
	case h.State == Halfway:
		sooner(s.patience(k))
	case h.State == Late || h.State == GivenUp:
		sooner(h.Last.Action.Deadline)
	}
}
