// Package policy is a checked policy as plain Go values: one site, its UPSs,
// hosts and loads, who feeds whom, who needs whom, and how each host is
// stopped and started again. It never reads a file, a clock or a secret: a
// [Secret] is a name, and its value stays with whoever uses it.
//
// Things refer to each other by index into the sorted slices, so that the core
// compares integers; names are for people. [Policy.Finish] turns names into
// indices and says what is inconsistent.
package policy

import (
	"math"
	"slices"
	"time"
)

// Policy is everything the operator decided, whole and consistent. Slices are
// sorted by name.
type Policy struct {
	Site     Site
	UPSs     []UPS
	Hosts    []Host
	Loads    []Load
	Circuits []Circuit `json:",omitempty"`
	PDUs     []PDU     `json:",omitempty"`
	// Temperatures are the sensors of the rooms that the hosts stand in.
	Temperatures []Temperature `json:",omitempty"`
	// Emergencies are the inputs that say that power was cut on purpose.
	Emergencies []Emergency `json:",omitempty"`
	Messages    []Message   `json:",omitzero"` // who is told of what
	Fingerprint string      // hex SHA-256 of the files it came from; "" when made in a test
}

// Site holds what is common to all.
type Site struct {
	Name               string
	RideThrough        time.Duration // nobody stops before this unless the battery cannot carry it
	Reserve            time.Duration // battery time never planned away
	ConfidencePermille int64         // how sure the plan must be that the battery lasts, 500 to 999
	AtOnce             int           // stops under way at the same time, at most; 0 is no limit
	Observe            bool          `json:",omitzero"` // everything is decided and shown, and no order is given; it holds for every host
	Restore            Restore
	Traps              *Traps
	SignOfLife         *SignOfLife `json:",omitzero"`
	Metrics            *Metrics    `json:",omitzero"`
	Page               *Page       `json:",omitzero"`
}

// Restore says when and how the hosts that an outage stopped come back.
type Restore struct {
	StableFor time.Duration // input good this long before anything starts
	Stagger   time.Duration // between two starts on one UPS
	// ChargePercent is the charge from which hosts come back; 0 lets each wait for as
	// much as a second outage would take with it.
	ChargePercent int64 `json:",omitzero"`
}

// Traps is where the agent listens for SNMP notifications. One is only ever a
// reason to poll at once.
type Traps struct {
	Listen    string // "address:port"
	Community Secret // "" accepts any; a v3 notification is checked with its UPS's user
}

// Secret names a secret. The value is read by the agent from a file, a systemd
// credential or the environment, and is never held here.
type Secret string

// Class is a UPS's input dependency by IEC 62040-3.
type Class uint8

const (
	VFD Class = iota + 1 // output follows input voltage and frequency
	VI                   // output voltage is regulated
	VFI                  // output is independent of the input
)

// String gives the standard's code, or "" when the class was not stated.
func (c Class) String() string {
	return [...]string{"", "VFD", "VI", "VFI"}[c]
}

// UPS is one uninterruptible power supply and how to talk to it.
type UPS struct {
	Name               string
	Class              Class // zero when not stated
	RatedWatts         int64 // nameplate active power
	RatedVA            int64 // nameplate apparent power; 0 when not stated
	OverheadWatts      int64 // drawn by the UPS itself from its battery; Default when not stated
	OverheadSet        bool  `json:",omitzero"` // it is stated
	EfficiencyPermille int64 // battery to output
	NormalPermille     int64 `json:",omitzero"` // input to output in normal mode; 0 when not stated
	Battery            Battery
	SNMP               *SNMP
	HID                *HID
	Output             *Output // nil: its output is never switched
	// OwnPermille is what its own minutes have been worth: measured over claimed
	// runtime, the median. Worked out from measurements; 0 for unknown.
	OwnPermille int64 `json:",omitzero"`
	Circuit     *Tap  `json:",omitempty"` // that its input hangs on; nil when not stated
	// StoreScale and SizeScale suppose another battery, and another UPS, so many times
	// as large, to see what it would change; 0 is as it is. An operator does not write
	// them.
	StoreScale float64 `json:",omitzero"`
	SizeScale  float64 `json:",omitzero"`
}

// PollEvery is how often the UPS is asked.
func (u *UPS) PollEvery() time.Duration {
	if u.SNMP != nil && u.SNMP.PollEvery > 0 {
		return u.SNMP.PollEvery
	}
	return 2 * time.Second
}

// UsualWatts is what a UPS carries while all is well, rounded up: a redundant
// supply shares it with the other feeds.
func UsualWatts(p *Policy, ups int) int64 {
	sum := 0.0
	share := func(watts int64, feeds []int) {
		if slices.Contains(feeds, ups) {
			sum += float64(watts) / float64(len(feeds))
		}
	}
	for i := range p.Hosts {
		share(p.Hosts[i].Watts, p.Hosts[i].FedBy)
	}
	for i := range p.Loads {
		share(p.Loads[i].Watts, p.Loads[i].FedBy)
	}
	return int64(math.Ceil(sum - 1e-6)) // a float's dust is no watt
}

// Timeout is how long one answer may take.
func (u *UPS) Timeout() time.Duration {
	if u.SNMP != nil && u.SNMP.Timeout > 0 {
		return u.SNMP.Timeout
	}
	return time.Second
}

// Chemistry of a battery.
type Chemistry uint8

const (
	VRLA Chemistry = iota + 1 // valve-regulated lead-acid
	LFP                       // lithium iron phosphate
)

// String gives the policy language's word.
func (c Chemistry) String() string { return [...]string{"", "vrla", "lfp"}[c] }

// Battery is what the operator knows about a UPS's battery. The floats are the
// operator's own figures; nothing here computes with them.
type Battery struct {
	Chemistry      Chemistry
	Volts          float64 // nominal, whole string
	AmpHours       float64 // 20-hour rating
	InstalledDay   int64   // days since 1970-01-01; 0 when not stated
	DesignYears    int64   // design life, 5 or 10 years for most blocks
	TemperatureC   float64 // of the battery, where no sensor says it; NaN never: see TemperatureSet
	TemperatureSet bool
	Chart          []ChartPoint // maker's runtime chart, load rising; empty when there is none
	Model          *Model       // a fitted battery; nil when there is none
	RechargeHours  float64      // to 90 % from empty; 0 when not stated
	EndVolts       float64      `json:",omitzero"` // per lead-acid cell, at which the UPS ends a discharge; 0 when not stated
}

// ChartPoint is one row of a maker's runtime chart: output watts, time.
type ChartPoint struct {
	Watts   int64
	Runtime time.Duration
}

// Model is a fitted battery in output power (testdata/battery names the form).
type Model struct {
	StoreWattHours               float64
	Ohmic, Diffusion, Relaxation time.Duration
	FittedDay                    int64 // of the last measurement, days since 1970-01-01; 0 when not stated: it is believed no more than a chart

	// How much of the store there is, with 95 % certainty, probably, and with 5 %
	// certainty; all zero for what a fitted model usually leaves. They and what
	// follows are worked out from measurements; an operator does not write them.
	Low, Likely, High float64 `json:",omitzero"`
	LowOhmic          float64 `json:",omitzero"` // the losses of the low battery over these; 0 for 1
	LowDiffusion      float64 `json:",omitzero"`
	LowOwn            float64 `json:",omitzero"` // what the UPS draws itself beside the low battery, over what it likely does
	LowStore          float64 `json:",omitzero"` // the low battery's store over that by Low; 0 for 1
	Basis             string  `json:",omitzero"` // what it rests on: "2 tests"; "" for an operator's own
	OwnSpread         float64 `json:",omitzero"` // of the logarithm of what the UPS itself draws
	SeenWatts         float64 `json:",omitzero"` // builds before wrote it; not used
}

// SNMP is how an RFC 1628 management card is reached.
type SNMP struct {
	Address   string // host, or host:port; 161 when no port is given
	Version   int    // 1, 2 (v2c) or 3
	Community Secret // v1, v2c; "" is the usual "public"
	User      string // v3
	Auth      string // "MD5", "SHA", "SHA224", "SHA256", "SHA384", "SHA512"; "" without authentication
	AuthKey   Secret
	Priv      string // "DES", "AES", "AES192", "AES256"; "" without privacy
	PrivKey   Secret
	PollEvery time.Duration
	Timeout   time.Duration      // for one whole poll
	WriteWith Secret             // community for SET, where the card wants another; "" is Community
	Scale     map[string]float64 // RFC 1628 object name to factor, for cards that count in other units
	Missing   []string           // RFC 1628 object names not to be asked or believed, sorted
	DelayStep time.Duration      // the card rounds countdowns up to this; 0 is one second
}

// HID is a UPS on USB, read through hidraw.
type HID struct {
	Path   string // device node; "" when Serial finds it
	Serial string
}

// Output says how a UPS's output is switched off when all it feeds is down. The
// fields keep the names that the journal has for them.
type Output struct {
	OffAfter time.Duration // cut_after: the UPS waits this long after the command
	OnAfter  time.Duration // return_after: and this long after the input is back
}

// Load draws power and is never shut down.
type Load struct {
	Name  string
	FedBy []int // indices into UPSs
	Watts int64
	Plugged
}

// Circuit is a branch circuit behind one breaker. Nothing that shuts down rests on
// it: it is for what checks and surveys say.
type Circuit struct {
	Name         string
	Volts        float64 // of one line to neutral; of a circuit of one line what its load gets
	Amps         float64 // the breaker's rating
	Lines        int     // 1; 2 for both legs of a split phase; 3 phases
	PartPermille int64   // of the breaker that a load of hours may take: 800, or 1000 where the assembly is listed for it
	Wire         string  // "12 AWG", "2.5 mm2"; "" when not stated
	Metres       float64 // one way; 0 when not stated
	OtherWatts   int64   // what else hangs on it
}

// PDU is a strip of outlets on a UPS or on a circuit.
type PDU struct {
	Name    string
	UPS     int  // that feeds it; -1 for none
	Circuit *Tap // that feeds it; nil for none
	Volts   float64
	Amps    float64 // its rating
	Lines   int
}

// Tap is a place on a circuit or PDU.
type Tap struct {
	At int // index of the circuit or PDU
	// Lines are the lines that it is on, a bit each from the first: two of them for
	// a load between lines; 0 when not stated.
	Lines uint8
}

// Plugged is what a host or load says of its plugs.
type Plugged struct {
	Into           []Tap   `json:",omitempty"` // PDUs, one for each supply; empty when not stated
	NameplateWatts int64   `json:",omitzero"`
	PowerFactor    float64 `json:",omitzero"` // 0 when not stated
	InrushAmps     float64 `json:",omitzero"` // peak when it is switched on; 0 when not stated
}

// Host is one machine that is shut down in its turn, or a guest on one.
type Host struct {
	Name          string
	Priority      int64         // higher is kept longer
	FedBy         []int         // indices into UPSs; a guest has its host's
	Watts         int64         // its own draw while up; a guest's share is not also its host's
	StoppingWatts int64         // while it stops; Watts when not stated
	KeepFor       time.Duration // time on battery promised to it, if the battery can
	StopsIn       time.Duration // expected
	StartsIn      time.Duration // expected, to answering again
	DependsOn     []int         // hosts it needs, its own host when it is a guest among them: they stop only when it is down
	NeedsLoads    []int         // loads it needs, such as the switch by which it is reached
	RunsOn        int           // index of the host it is a guest of; -1 for a machine
	Self          bool          // the agent runs here: last
	StaysUp       bool          // never stopped by ebbline
	Observe       bool          `json:",omitzero"` // what would be done to it is decided and shown, and not done
	Prepare       *Prepare
	Methods       []Method // ways to stop it, in the order tried; empty only with StaysUp
	Starts        []Start  // ways to start it, in the order tried; empty: it starts with the power
	Probe         Probe
	Plugged
}

// FirstSSH is the way that the early step takes, too; nil when there is none.
func (h *Host) FirstSSH() *SSH {
	for i := range h.Methods {
		if h.Methods[i].SSH != nil {
			return h.Methods[i].SSH
		}
	}
	return nil
}

// Watched tells whether a UPS gets no order, since a host that is only watched hangs on
// it, or needs a load that does; or since all are.
func (p *Policy) Watched(ups int) bool {
	return p.Site.Observe || slices.ContainsFunc(p.Hosts, func(h Host) bool {
		return h.Observe && (slices.Contains(h.FedBy, ups) || slices.ContainsFunc(h.NeedsLoads, func(l int) bool { return slices.Contains(p.Loads[l].FedBy, ups) }))
	})
}

// Observes tells whether any host is only watched.
func (p *Policy) Observes() bool {
	return p.Site.Observe || slices.ContainsFunc(p.Hosts, func(h Host) bool { return h.Observe })
}

// Acting gives the policy as it is with orders for all: itself, where no host is only
// watched.
func (p *Policy) Acting() *Policy {
	if !p.Observes() {
		return p
	}
	q := *p
	q.Site.Observe, q.Hosts = false, slices.Clone(p.Hosts)
	for i := range q.Hosts {
		q.Hosts[i].Observe = false
	}
	return &q
}

// GivesUp is the host's whole allowance: every method tried to its end.
func (h *Host) GivesUp() time.Duration {
	var sum time.Duration
	for i := range h.Methods {
		sum += h.Methods[i].GivesUp
	}
	return sum
}

// Prepare is an early step before the stop. The stop never waits for it.
type Prepare struct {
	Ahead   time.Duration // begun this long before the planned stop
	GivesUp time.Duration
	Command string // over the host's first SSH method
}

// MethodKind says by which way a host is stopped.
type MethodKind uint8

const (
	BySSH     MethodKind = iota + 1 // a command over SSH
	ByLocal                         // a command on the agent's own host
	ByRedfish                       // a BMC over Redfish
	ByIPMI                          // a BMC over IPMI
	ByOutlet                        // a switched outlet: power off, not shut down
)

// String gives the word used in action names.
func (k MethodKind) String() string {
	return [...]string{"", "ssh", "local", "redfish", "ipmi", "outlet"}[k]
}

// Method is one way to stop a host, with its own share of the allowance.
type Method struct {
	Kind    MethodKind
	GivesUp time.Duration
	Force   bool // power off, not an orderly stop
	SSH     *SSH
	Local   *Local
	BMC     *BMC
	Outlet  *Outlet
}

// SSH is a command over SSH, host key always verified.
type SSH struct {
	Address    string // host, or host:port; 22 when no port is given
	User       string
	Key        Secret
	HostKey    string // "SHA256:…" fingerprint; "" when KnownHosts is used
	KnownHosts string // path
	Command    string // "" lets a forced command decide
}

// Local is a command on the agent's own host, as an argument list: no shell.
type Local struct{ Command []string }

// BMC is a baseboard management controller.
type BMC struct {
	Address     string
	User        string
	Password    Secret
	Certificate string // Redfish: "SHA256:…" of the certificate, for a self-signed one
	System      string // Redfish: which system, where there are several
	Suites      []int  // IPMI cipher suites, in the order tried
}

// Outlet is a switched outlet of a rack PDU: over Redfish, or as one SNMP
// integer object that switches it.
type Outlet struct {
	BMC        *BMC
	Name       string // Redfish outlet id
	SNMP       *SNMP
	OID        string
	Off, On    int64
	ReadOID    string // where its state is read; OID when ""
	OffReading int64  // what ReadOID says when it is off
}

// Secrets are the names of those that asking and switching the outlet take; some may
// be empty.
func (o *Outlet) Secrets() []Secret {
	if s := o.SNMP; s != nil {
		return []Secret{s.Community, s.WriteWith, s.AuthKey, s.PrivKey}
	}
	return []Secret{o.BMC.Password}
}

// StartKind says by which way a host is started.
type StartKind uint8

const (
	ByWake StartKind = iota + 1 // Wake-on-LAN
	ByBMC                       // Redfish or IPMI
	ByOutletOn
	ByHost // a command over SSH on the host a guest runs on
)

// String gives the word used in action names.
func (k StartKind) String() string {
	return [...]string{"", "wake", "bmc", "outlet", "host"}[k]
}

// Start is one way to start a host.
type Start struct {
	Kind     StartKind
	Ethernet string // ByWake: the host's address, "02:00:00:00:00:20"
	To       string // ByWake: "address:port" to send to; broadcast, port 9, when ""
	BMC      *BMC
	IPMI     bool
	Outlet   *Outlet
	SSH      *SSH // ByHost
}

// Probe is how the agent looks whether a host is up.
type Probe struct {
	Address  string        // host:port of a TCP service; the SSH address when ""
	QuietFor time.Duration // no answer at all for this long is proof enough that a stopped host is off
}
