package policy

import "time"

// Temperature is one sensor, and the limit of what stands where it measures. Exactly
// one of UPS, SNMP and File says how it is read.
type Temperature struct {
	Name        string
	UPS         int           // whose own reading it is; -1 for none
	SNMP        *SNMP         `json:",omitempty"` // with OID
	OID         string        `json:",omitempty"`
	File        string        `json:",omitempty"` // holds one number
	Scale       float64       // degrees Celsius for each one that SNMP or the file counts
	Every       time.Duration // between two readings
	LimitTenths int64         // tenths of a degree Celsius at which all its hosts are off
	RateTenths  int64         // tenths of a kelvin an hour from which a rise is told of; 0 for never
	WithInput   bool          // it may stop hosts though their input is there
	Confirm     int           // index of the sensor that must say so too then; -1 for none
	Hosts       []int         // that stand there, sorted; all that are stopped where the policy names none
	Room        *HeatRoom     `json:",omitempty"` // as far as it is known; nil: what it does is measured
}

// HeatRoom is a room as one store of heat with one loss to its surroundings.
type HeatRoom struct {
	TimeConstant   time.Duration // of its warming, 63 % of the way to where it ends
	UsualTenths    int64         `json:",omitzero"` // before it warms, where nothing was read; 0 when not stated
	WattsPerKelvin float64       // that it loses for each kelvin above its surroundings
	Learned        int           `json:",omitzero"` // from so many times that it was measured while it warmed; 0 where the operator states it
}

// EmergencyKind is what an emergency input stands for.
type EmergencyKind uint8

const (
	BySwitch EmergencyKind = iota + 1 // an emergency power off
	ByFire                            // a fire alarm or an extinguishing system
)

// String gives the policy language's word.
func (k EmergencyKind) String() string { return [...]string{"", "switch", "fire"}[k] }

// Acts is where an emergency power off cuts.
type Acts uint8

const (
	OnInput  Acts = iota + 1 // before the UPS, which goes on without
	OnOutput                 // behind it
	OnBoth
)

// String gives the policy language's word, or "" when it was not stated.
func (a Acts) String() string { return [...]string{"", "input", "output", "both"}[a] }

// Emergency is an input that says that power was cut on purpose. Exactly one of SNMP,
// GPIO and Command says how it is read.
type Emergency struct {
	Name    string
	Kind    EmergencyKind
	Cuts    Acts          // zero when it was not stated
	Every   time.Duration // between two readings
	SNMP    *SNMP         `json:",omitempty"` // a contact of a card, or a switch
	OID     string        `json:",omitempty"`
	Active  int64         `json:",omitzero"` // what OID says when it was used
	GPIO    *GPIO         `json:",omitempty"`
	Command []string      `json:",omitempty"` // prints "pressed" or "released"
}

// GPIO is a line of a character device of the agent's own host.
type GPIO struct {
	Chip      string // "/dev/gpiochip0"
	Line      uint32
	ActiveLow bool   // the line is at low level when the switch was used
	Bias      string // "pull_up", "pull_down", "disabled"; "" leaves it as it is
}
