// Package hid reads one UPS on USB through Linux hidraw (USB HID, usage pages
// Power Device and Battery System), hears what it sends of its own accord, and
// switches its output. A poll tells the truth as far as it is known; what the
// UPS sends unasked refreshes it, and is a reason to poll. The package never
// decides anything, and only [Switch] writes to a UPS.
package hid

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"time"

	"ebbline/policy"
	"ebbline/shutdown"
)

// Rated is what the policy says of the UPS, to judge readings by. Zero is not
// known.
type Rated struct {
	Watts        int64
	BatteryVolts float64 // of the whole string
}

// Source is one UPS. One goroutine calls its methods.
type Source struct {
	cfg     policy.HID
	rated   Rated
	changed func()
	busy    chan struct{} // full while the kernel works on a request

	ups   *talk     // nil while the UPS is not there
	apart time.Time // since when the evidence contradicts itself; zero: it does not
}

const (
	defaultTimeout = 2 * time.Second
	// settle is how long ACPresent and Discharging may contradict each other: at
	// a transfer they change one after the other.
	settle = 3 * time.Second
)

// New makes a source. It opens nothing yet. When the UPS sends a change of its
// state, or is unplugged, changed is called, which is a reason to poll at once;
// it must not block, and may be nil.
func New(cfg policy.HID, rated Rated, changed func()) *Source {
	if changed == nil {
		changed = func() {}
	}
	return &Source{cfg: cfg, rated: rated, changed: changed, busy: make(chan struct{}, 1)}
}

// Close lets go of the UPS. A later poll would open it again.
func (s *Source) Close() {
	if s.ups != nil {
		s.ups.close()
		s.ups = nil
	}
}

// Poll asks the UPS once and says what it is told, by the deadline of ctx, or
// within two seconds. An error means that nothing is known: it is not there, it
// does not answer, or it does not say whether the input is there.
func (s *Source) Poll(ctx context.Context) (shutdown.Measurement, error) {
	r, err := s.read(ctx)
	if err != nil {
		return shutdown.Nothing, err
	}
	return measure(r, s.rated, s.settled(r)), nil
}

// settled tells whether a contradiction of the evidence has lasted for a while.
func (s *Source) settled(r *readings) bool {
	switch now := time.Now(); {
	case !r.apart():
		s.apart = time.Time{}
	case s.apart.IsZero():
		s.apart = now
	default:
		return now.Sub(s.apart) >= settle
	}
	return false
}

// read gives the values as they stand now.
func (s *Source) read(ctx context.Context) (*readings, error) {
	if _, ok := ctx.Deadline(); !ok {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, defaultTimeout)
		defer cancel()
	}
	if err := s.connect(ctx); err != nil {
		return nil, err
	}
	began := time.Now()
	err := s.ups.ask(ctx, s.busy)
	if gone(err) {
		s.Close()
		return nil, fmt.Errorf("%s: the UPS was unplugged", naming(s.cfg))
	}
	r, contact := s.ups.readings(began)
	ac, out := r.mains()
	switch {
	case r.any(communicationLost):
		err = errors.New("the UPS says that its power part does not answer it, so its readings are old")
	case contact && !(math.IsNaN(ac) && math.IsNaN(out)):
		return r, nil // the error of another report is no news
	case err == nil:
		err = errors.New("the UPS does not say whether its input is there (ACPresent, Discharging)")
	}
	return nil, fmt.Errorf("%s: %w", naming(s.cfg), err)
}

func naming(cfg policy.HID) string {
	if cfg.Path != "" {
		return cfg.Path
	}
	return fmt.Sprintf("serial %q", cfg.Serial)
}

// connect opens the UPS if it is not open, wherever it is plugged in now.
func (s *Source) connect(ctx context.Context) error {
	if s.ups != nil {
		return nil
	}
	cfg := s.cfg
	p, err := within(ctx, s.busy, func() (*port, error) { return open(cfg) })
	if err != nil {
		return err
	}
	s.ups, s.apart = newTalk(p), time.Time{}
	go s.listen(s.ups)
	return nil
}

// listen takes what the UPS sends of its own accord, until it is unplugged or
// let go of.
func (s *Source) listen(t *talk) {
	buf := make([]byte, 1+longestReport/8)
	for {
		n, err := t.file.Read(buf)
		if err != nil {
			if !errors.Is(err, os.ErrClosed) {
				s.changed()
			}
			return
		}
		key, data := reportKey{kind: input}, buf[:n]
		if t.layout.numbered && n > 0 {
			key.id, data = buf[0], buf[1:n]
		}
		if t.take(key, data, true) {
			s.changed()
		}
	}
}

// Capabilities is what a UPS is and has. Figures that it does not have are
// [shutdown.Unread].
type Capabilities struct {
	Device Identity

	RatedWatts, RatedVA       int64
	LowSeconds                int64    // its own threshold for "battery low", as runtime
	NominalVolts              int64    // of the input
	LowTransfer, HighTransfer int64    // volts between which it stays on the input
	Usages, Absent            []string // HID names that a measurement is made of, which it has and has not
	Controls                  bool     // its output can be switched off, and on again with the input
	NeedsReplacement          bool     // the UPS says so of its battery
	First                     shutdown.Measurement
}

// Probe asks what the UPS is and has. It takes as long as ctx allows, or two
// seconds.
func (s *Source) Probe(ctx context.Context) (Capabilities, error) {
	s.Close() // so that all is read anew
	r, err := s.read(ctx)
	if err != nil {
		return Capabilities{}, err
	}
	_, _, uncontrolled := s.ups.layout.countdowns()
	c := Capabilities{
		Device:     s.ups.Identity,
		RatedWatts: down(r.get(configActivePower, anywhere)), RatedVA: down(r.get(configApparentPower, anywhere)),
		LowSeconds: down(r.get(timeLimit, anywhere)), NominalVolts: down(r.get(configVoltage, inputSide)),
		LowTransfer: down(r.get(lowTransfer, anywhere)), HighTransfer: down(r.get(highTransfer, anywhere)),
		Controls: uncontrolled == nil, NeedsReplacement: r.any(needReplacement),
		First: measure(r, s.rated, s.settled(r)),
	}
	for _, k := range wanted {
		switch {
		case k.role == control:
		case math.IsNaN(r.get(k.usage, anywhere)):
			c.Absent = append(c.Absent, k.name)
		default:
			c.Usages = append(c.Usages, k.name)
		}
	}
	return c, nil
}
