// Package sensor reads the temperature of a room and the inputs that say that power
// was cut on purpose. One reading in; what it proves is the core's to say. It must
// never make a reading up: what cannot be read, or cannot be, is an error.
package sensor

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"ebbline/agent/action/local"
	"ebbline/agent/clean"
	"ebbline/agent/source/snmp"
	"ebbline/policy"
	"ebbline/shutdown"
)

// Secrets gives the value of a secret.
type Secrets = func(policy.Secret) ([]byte, error)

// Coldest and warmest air in which a machine stands, in tenths of a degree Celsius:
// what reads beyond them is no reading of a room. Engineering values, no source.
const (
	coldest = -400
	warmest = 1000
)

// Thermometer gives the temperature of the air in tenths of a degree Celsius.
type Thermometer interface {
	Read(ctx context.Context) (tenths int64, err error)
}

// NewThermometer gives the way to read a policy's sensor; nil where the UPS's own
// answers give it.
func NewThermometer(t policy.Temperature, read Secrets) Thermometer {
	switch {
	case t.SNMP != nil:
		return &thermometer{object: object{cfg: *t.SNMP, oid: t.OID, secrets: read}, scale: t.Scale}
	case t.File != "":
		return file{t.File, t.Scale}
	}
	return nil
}

// object is one integer of a device on the network.
type object struct {
	cfg     policy.SNMP
	oid     string
	secrets Secrets

	mu     sync.Mutex
	client *snmp.Client // nil until it was made
}

// read asks for it once. Two policies' workers may ask at once while one takes over.
func (o *object) read(ctx context.Context) (int64, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.client == nil {
		c, err := snmp.NewClient(o.cfg, snmp.Reading, o.secrets)
		if err != nil {
			return 0, err
		}
		o.client = c
	}
	ctx, cancel := context.WithTimeout(ctx, o.cfg.Timeout)
	defer cancel()
	values, err := o.client.Get(ctx, []string{o.oid})
	if err != nil {
		return 0, err
	}
	n, ok := values[0].Integer()
	if !ok {
		return 0, fmt.Errorf("%s has no integer at %s. Look its object identifier up with its maker, the instance at the end", o.cfg.Address, o.oid)
	}
	return n, nil
}

type thermometer struct {
	object
	scale float64
}

// Read implements [Thermometer].
func (t *thermometer) Read(ctx context.Context) (int64, error) {
	n, err := t.read(ctx)
	if err != nil {
		return 0, err
	}
	return tenths(float64(n), t.scale)
}

// file is a file of one number, as the kernel writes for its sensors.
type file struct {
	path  string
	scale float64
}

const mostBytes = 64 // of a number

// Read implements [Thermometer].
func (f file) Read(context.Context) (int64, error) {
	r, err := os.OpenFile(f.path, os.O_RDONLY|unix.O_NONBLOCK, 0) // a pipe must not hold the reader up
	if err != nil {
		return 0, err
	}
	defer r.Close()
	if info, err := r.Stat(); err != nil || !info.Mode().IsRegular() {
		return 0, fmt.Errorf("%s is no plain file", f.path)
	}
	text, err := io.ReadAll(io.LimitReader(r, mostBytes+1))
	if err != nil {
		return 0, err
	}
	if len(text) > mostBytes {
		return 0, fmt.Errorf("%s holds more than one number", f.path)
	}
	n, err := strconv.ParseFloat(strings.TrimSpace(string(text)), 64)
	if err != nil {
		return 0, fmt.Errorf("%s holds %q, which is no number", f.path, clean.Line(string(text), 20))
	}
	return tenths(n, f.scale)
}

// tenths gives a count in tenths of a degree, rounded up: against ourselves.
func tenths(n, scale float64) (int64, error) {
	c := n * scale * 10
	if !(c >= coldest && c <= warmest) {
		return 0, fmt.Errorf("%g, which by its scale is %.4g °C, is the temperature of no room. Check the scale", n, c/10)
	}
	return int64(math.Ceil(c - 1e-6)), nil
}

// Switch tells whether an emergency input says that power was cut on purpose.
type Switch interface {
	Used(ctx context.Context) (bool, error)
}

// NewSwitch gives the way to read a policy's emergency input.
func NewSwitch(e policy.Emergency, read Secrets) Switch {
	switch {
	case e.SNMP != nil:
		return &contact{object: object{cfg: *e.SNMP, oid: e.OID, secrets: read}, active: e.Active}
	case e.GPIO != nil:
		return &line{cfg: *e.GPIO}
	}
	return command{e.Command, e.Every}
}

type contact struct {
	object
	active int64
}

// Used implements [Switch].
func (c *contact) Used(ctx context.Context) (bool, error) {
	n, err := c.read(ctx)
	return err == nil && n == c.active, err
}

// command is a program of the operator's. Its exit status alone says nothing: one
// that fails must not look like a hand on the switch.
type command struct {
	arguments []string
	every     time.Duration
}

const commandWithin = 5 * time.Second

var errWord = errors.New(`prints neither "pressed" nor "released" as its first line`)

// Used implements [Switch].
func (c command) Used(ctx context.Context) (bool, error) {
	outcome, text, said := local.Ask(ctx, c.arguments, time.Now().Add(commandWithin))
	switch {
	case outcome != shutdown.Accepted:
		return false, fmt.Errorf("%s: %s", c.arguments[0], text)
	case said == "pressed":
		return true, nil
	case said == "released":
		return false, nil
	}
	return false, fmt.Errorf("%s %w", c.arguments[0], errWord)
}
