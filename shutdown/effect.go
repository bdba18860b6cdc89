package shutdown

import (
	"cmp"
	"fmt"
	"time"

	"ebbline/policy"
	"ebbline/shutdown/battery"
)

// EffectKind tells which fields of an [Effect] count.
type EffectKind uint8

const (
	Begin   EffectKind = iota + 1 // Action: journaled and synced before it starts
	Cancel                        // Action: best effort; its Finished still comes
	Probe                         // Host, Every: look at the host so often from now on
	Connect                       // Host: open the way to it, so that it is open when needed
	Poll                          // UPS: ask it now
	Notify                        // Notice
)

// Effect is one thing the runner must do, in the order given.
type Effect struct {
	Kind   EffectKind
	Action Action
	Host   int32
	UPS    int32
	Every  time.Duration
	Notice Notice
}

// Code names a notice. Conditions are what an operator must know; they stay
// raised until they are cleared. The others are records of the outage.
type Code uint8

const (
	PhaseEntered Code = iota + 1 // UPS, A: Phase, B: InputAllTheTime and others
	PlanMade                     // A: PlanFits and others, B: PlanLingers and others together, Span: until the point of no return
	HostAsked                    // Host, A: Cause, Name: why it is asked now, Span: the margin of its stop
	HostDown                     // Host, Span: time it took, B: its method, where that took its power
	HostStarted                  // Host
	HostBack                     // Host, Span: time it took
	OutageOver                   // A: its number, Span: how long it took
	OrderTaken                   // A: Order; Host, where it is for one; B: the Code that is cleared, or OrderIdle
	TestSeen                     // UPS: a battery test of its own is under way

	firstCondition
	SourceSilent    // UPS: it does not answer
	PlanDoesNotFit  // A: MissedAtWorst and others
	BatteryLow      // UPS: by its own word
	NoBatteryBehind // UPS: bypass
	OutputIsOff     // UPS, A: OffByOrder where it was ordered
	OutputNotOff    // UPS: it would not take the order to switch off; Name: what it said
	OutputCounts    // UPS: it would not take back the order, the input being back
	// UPS, A: its charge, B: that from which it counts as ready, in percent; Span: how long it has had input
	BatteryUncharged

	// About a host, from here to StoppedHalfway: each raised once, see raise.
	OrderGivenUp    // it goes though B may still be up; A: BlockerLater where that one was asked, or came up, later
	LeftDependent   // it goes though B stays up: B has another feed with input, or is only watched
	HostRefuses     // it answers and says no; Name: what it said
	HostUnreachable // it does not get the order; Name: what failed
	HostGivenUp     // its allowance is used up; A: GivenUpLate and others, B: the method of GivenUpCut, Name: the UPS whose output will go off under it
	HostNotBack     // every start in vain
	NoWayToStart    // down, and the policy has no way to start it
	StoppedHalfway  // asked, still up, input back
	StopFailed      // an operator ordered it off, and it is still up
	KeepInForce     // an operator's

	HoldInForce      // operator
	AbortInForce     // operator
	PolicyWaits      // a new policy waits for the end of the outage; A: WatchWaits where it has hosts that are only to be watched
	ForecastLowered  // UPS: readings speak against the belief
	JournalUnwritten // raised by the runner
	SecretUnreadable // UPS or Host, Name; raised by the runner
	PolicyRefused    // raised by the runner
	HistoryUnwritten // raised by the runner
	BatteryWorn      // UPS, raised by the runner
	TestOverdue      // UPS, raised by the runner
	HostUnready      // Host, raised by the runner
	MemoryRefused    // raised by the runner
	InputUnsteady    // UPS, raised by the runner
	MessageUnsent    // raised by the runner
	UpgradeFailed    // raised by the runner
	NotServed        // raised by the runner
	RoomWarms        // Name, A: its limit, B: what it has, in tenths of a degree; Span: until it may reach the limit
	RoomWarmsFast    // Name, A: the policy's rate, B: what it has
	SensorSilent     // Name
	SensorJumped     // Name, A: what it says, B: what was believed last
	SensorStuck      // Name, A: what it says
	EmergencyOff     // Name, A: InputThere where a UPS has input
	EmergencyUnread  // Name
	Observing        // Host, or none: all are only watched
	SensorBeyond     // Name, A: what it says, B: its limit
	OutputSaidOff    // UPS: it says that its output is off, and carries the agent's own host
	HostCut          // Host, A: how it lost its power: CutNow and others, B: CutNotBack

	// Told once, as those before firstCondition; what was kept has codes by their numbers.
	lastCondition
	EarlyStep   // Host, Span: until its planned stop, negative for none; A: the Outcome, where it is not known to be done, Name: what came back
	OutputGoes  // UPS: it is told to switch its output off; Name: the hosts that may run still
	OutputStays // UPS: it is told to leave its output on; A: StaysForHost where a host needs it, else the input is back
)

// Condition tells whether the code is one of a condition.
func (c Code) Condition() bool { return c > firstCondition && c < lastCondition }

// OfRunner tells whether the code is one of a condition that the core knows nothing of.
func (c Code) OfRunner() bool { return c >= JournalUnwritten && c <= UpgradeFailed }

// codes is what is known of each code: its stable name, and how severe it is to those
// who are told. What is not named is a warning, if it is a condition, and else only told.
var codes = [...]struct {
	name   string
	severe policy.Severity
}{
	PhaseEntered: {name: "phase"}, PlanMade: {name: "plan"}, HostAsked: {name: "host-asked"}, HostDown: {name: "host-down"},
	HostStarted: {name: "host-started"}, HostBack: {name: "host-back"}, OutageOver: {"outage-over", policy.Warning},
	OrderTaken: {"order-taken", policy.Warning}, TestSeen: {name: "battery-test-seen"},

	SourceSilent: {"source-silent", policy.Critical}, PlanDoesNotFit: {"plan-does-not-fit", policy.Critical},
	BatteryLow: {"battery-low", policy.Critical}, NoBatteryBehind: {"no-battery-behind", policy.Critical},
	OutputIsOff: {"output-off", policy.Critical}, OutputNotOff: {name: "output-not-switched"}, OutputCounts: {name: "output-still-counts"},
	BatteryUncharged: {name: "battery-not-charging"},

	OrderGivenUp: {"order-given-up", policy.Critical}, LeftDependent: {name: "left-dependent"},
	HostRefuses: {"host-refuses", policy.Critical}, HostUnreachable: {"host-unreachable", policy.Critical},
	HostGivenUp: {"host-given-up", policy.Critical}, HostNotBack: {"host-not-back", policy.Critical},
	NoWayToStart: {name: "no-way-to-start"}, StoppedHalfway: {name: "stopped-halfway"},
	StopFailed: {name: "stop-failed"}, KeepInForce: {name: "keep-in-force"},

	HoldInForce: {name: "hold-in-force"}, AbortInForce: {"abort-in-force", policy.Critical},
	PolicyWaits: {"policy-waits", policy.Info}, ForecastLowered: {name: "forecast-lowered"},

	JournalUnwritten: {"journal-unwritable", policy.Critical}, SecretUnreadable: {name: "secret-unreadable"}, PolicyRefused: {name: "policy-refused"},
	HistoryUnwritten: {name: "history-unwritable"}, BatteryWorn: {name: "battery-replace"}, TestOverdue: {name: "battery-test-overdue"},
	HostUnready: {name: "host-unready"}, MemoryRefused: {name: "memory-refused"}, InputUnsteady: {name: "input-unsteady"}, MessageUnsent: {name: "message-unsent"},
	UpgradeFailed: {name: "upgrade-failed"}, NotServed: {name: "page-not-served"},

	RoomWarms: {"room-warms", policy.Critical}, RoomWarmsFast: {name: "room-warms-fast"},
	SensorSilent: {name: "sensor-silent"}, SensorJumped: {name: "sensor-jumped"}, SensorStuck: {name: "sensor-stuck"},
	EmergencyOff: {"emergency-off", policy.Critical}, EmergencyUnread: {name: "emergency-off-unread"},
	Observing:    {"observing", policy.Info},
	SensorBeyond: {"sensor-beyond-limit", policy.Critical}, OutputSaidOff: {name: "output-off-not-so"},
	HostCut: {"host-cut", policy.Critical},

	EarlyStep: {name: "early-step"}, OutputGoes: {"output-goes-off", policy.Critical}, OutputStays: {"output-stays-on", policy.Warning},
}

// Severity is how severe the code is to those who are told.
func (c Code) Severity() policy.Severity {
	switch {
	case codes[c].severe != 0:
		return codes[c].severe
	case c.Condition():
		return policy.Warning
	}
	return policy.Info
}

// Codes lists every code there is.
func Codes() []Code {
	var all []Code
	for c := range codes {
		if codes[c].name != "" {
			all = append(all, Code(c))
		}
	}
	return all
}

// String gives the stable code that people and programs see.
func (c Code) String() string { return codes[c].name }

// Notice is one thing worth telling. Its words are made when they are wanted,
// so that a simulation spends nothing on them.
type Notice struct {
	Code  Code
	Clear bool  // the condition is over
	UPS   int32 // -1 for none
	Host  int32 // -1 for none
	A, B  int64
	Span  time.Duration // see the Code
	Name  string        // of the secret, with SecretUnreadable; see the Code
	Since Instant       // of what an operator was told and still holds: when it was told first
}

// Names gives the UPS and the host that the notice is about; "" for none.
func (n *Notice) Names(p *policy.Policy) (ups, host string) {
	if n.UPS >= 0 {
		ups = p.UPSs[n.UPS].Name
	}
	if n.Host >= 0 {
		host = p.Hosts[n.Host].Name
	}
	return ups, host
}

// Text is the notice for people: what is so and, for a condition, the next step.
func (n *Notice) Text(p *policy.Policy) string {
	ups, host := n.Names(p)
	other := ""
	if n.Host >= 0 && n.B >= 0 && n.B < int64(len(p.Hosts)) {
		other = p.Hosts[n.B].Name
	}
	if n.Clear {
		return fmt.Sprintf("%s: over", n.subject(ups, host))
	}
	switch n.Code {
	case PhaseEntered:
		return "UPS " + ups + ": " + phaseText(n, p)
	case PlanMade:
		return planText(n, p)
	case HostAsked:
		asked := "is asked to stop"
		if p.Hosts[n.Host].Observe {
			asked = "would be asked to stop, but is only watched"
		}
		text := fmt.Sprintf("%s %s: %s", host, asked, n.Name)
		if n.Span < battery.Unending {
			text += "; margin " + Spell(n.Span)
		}
		return text
	case HostDown:
		if n.B >= 0 {
			return fmt.Sprintf("%s is off, %s after it was asked: its power was cut %s. Check its file systems.", host, Spell(n.Span), cutBy(p, n.Host, n.B))
		}
		return fmt.Sprintf("%s is down, %s after it was asked", host, Spell(n.Span))
	case HostStarted:
		return fmt.Sprintf("%s is told to start", host)
	case HostBack:
		return fmt.Sprintf("%s is back, %s after it was told to start", host, Spell(n.Span))
	case OutageOver:
		return fmt.Sprintf("outage %d is over after %s", n.A, Spell(n.Span))
	case OrderTaken:
		return "operator: " + n.OrderText(p) + orderMeans(n)
	case TestSeen:
		return fmt.Sprintf("UPS %s tests its battery; no host is stopped for that. After %s it counts as on battery: for a longer test, give `ebbline status --hold`", ups, minutes(testAtMost))
	case EarlyStep:
		switch {
		case Outcome(n.A) == Unknown:
			return fmt.Sprintf("%s may not have done its early step%s; it is stopped all the same", host, quoted(": ", n.Name))
		case n.A != 0:
			return fmt.Sprintf("%s did not do its early step%s; it is stopped all the same", host, quoted(": ", n.Name))
		case n.Span < 0:
			return host + " is given its early step; it is asked to stop at the same time"
		}
		return fmt.Sprintf("%s is given its early step; its stop is planned in %s", host, Spell(n.Span))
	case OutputGoes:
		text := fmt.Sprintf("UPS %s is told to switch its output off and, with the input, on again", ups)
		if o := p.UPSs[n.UPS].Output; o != nil {
			text = fmt.Sprintf("UPS %s is told to switch its output off in %s and, with the input, on again", ups, Spell(o.OffAfter))
		}
		if n.Name != "" {
			text += ". What may run still loses its power then: " + n.Name + "."
		}
		return text
	case OutputStays:
		if n.A == StaysForHost {
			return fmt.Sprintf("UPS %s is told to leave its output on: a host that may run has no other feed any more", ups)
		}
		return fmt.Sprintf("UPS %s is told to leave its output on: its input is back", ups)
	case SourceSilent:
		return fmt.Sprintf("UPS %s has not answered for %s. If it is on battery, that is counted as draining on. Look at its management card and the way to it.", ups, Spell(n.Span))
	case PlanDoesNotFit:
		if p.Site.Observe {
			return "If orders were given, and hosts took as long as they may, not every one would be off in time. `ebbline plan` shows by day what is missing."
		}
		switch n.A {
		case MissedAtWorst:
			return "If hosts take as long as they may, not every one is off in time; if they take as long as expected, they are, and the plan is for that. To gain time now, stop what can be spared: `ebbline status --stop HOST`. `ebbline plan` shows by day what is missing."
		case MissedByAbort:
			return "Not every host can be off in time, and an operator's abort keeps those up that are. `ebbline status --release` ends the abort: then they are stopped at once, in order."
		case MissedGivenUp:
			return "Not every host could be stopped in time. Those that were given up may run still, and lose their power when the battery ends. Shut them down by hand if you can, or look at them after the outage; `ebbline plan` shows by day what is missing."
		}
		return "Not every host can be off in time. All go at once, in order. `ebbline plan` shows by day what is missing."
	case BatteryLow:
		if n.A > 0 {
			return fmt.Sprintf("UPS %s: its battery is down to %.1f V, where a discharge ends: that outranks the projection. Test the battery once the input is back.", ups, float64(n.A)/1000)
		}
		return fmt.Sprintf("UPS %s says its battery is low: its word outranks the projection. Test the battery once the input is back.", ups)
	case NoBatteryBehind:
		return fmt.Sprintf("UPS %s is on bypass: no battery stands behind its output. Bring it back to normal mode.", ups)
	case OutputIsOff:
		if n.A == OffByOrder {
			return fmt.Sprintf("The output of UPS %s is off, as it was ordered: it carries nothing. It comes on again with the input; if it does not then, switch it on there.", ups)
		}
		return fmt.Sprintf("The output of UPS %s is off: it carries nothing, and what it alone feeds has no power. Find out why before you switch it on again: an empty battery, an overload, a fault, or a person who switched it off.", ups)
	case OutputSaidOff:
		return fmt.Sprintf("UPS %s says that its output is off, but %s runs, the agent with it, and no other UPS carries that: either this answer is wrong or the policy's fed_by. All that hangs on the UPS counts as carried. Look at the UPS, its management card, and fed_by.", ups, ownName(p))
	case OrderGivenUp:
		if n.A == BlockerLater {
			return fmt.Sprintf("%s is being stopped, and %s, which depends on it, may be up again: it was asked, or came up, later. Look at both after the outage.", host, other)
		}
		return fmt.Sprintf("%s goes though %s, which depends on it, may still be up: that one was waited for as long as could be. Look at both after the outage.", host, other)
	case LeftDependent:
		if p.Hosts[n.B].Observe {
			return fmt.Sprintf("%s goes though %s, which depends on it, is only watched and stays up: the battery ends.", host, other)
		}
		return fmt.Sprintf("%s goes though %s, which depends on it, stays up on another feed: its own battery ends.", host, other)
	case HostRefuses:
		return fmt.Sprintf("%s answers and refuses the order to stop%s. Check the account's right to run the command there (`ebbline check` prints the line that suffices).", host, quoted(": ", n.Name))
	case HostUnreachable:
		return fmt.Sprintf("%s does not get the order to stop%s. Check the address, the way to it, its host key, and its secret (secret-unreadable names one that is missing).", host, quoted(": ", n.Name))
	case HostGivenUp:
		return givenUpText(n, p)
	case HostCut:
		return cutText(n, &p.Hosts[n.Host], p)
	case HostNotBack:
		return fmt.Sprintf("%s did not come back: every way to start it was tried. What depends on it waits. Start it by hand.", host)
	case NoWayToStart:
		return fmt.Sprintf("%s is down and the policy has no way to start it. Start it by hand, or give it a wake block.", host)
	case OutputNotOff:
		return fmt.Sprintf("UPS %s has not confirmed the order to switch its output off and on again: it refused it, or did not answer%s. Hosts set to start with power may stay off: after the outage, start by hand what does.", ups, quoted(": ", n.Name))
	case OutputCounts:
		return fmt.Sprintf("UPS %s did not take back the order to switch its output off. It will go off and on again although the input is back: no host is started on it before. Cancel that at the UPS if you can.", ups)
	case StoppedHalfway:
		return fmt.Sprintf("%s was asked to stop, the input came back, and it is still up. It may be half stopped: look at its services.", host)
	case StopFailed:
		return fmt.Sprintf("%s was ordered to stop and is not off after all the time that it is given. An order uses no force. It may be half stopped: look at it.", host)
	case KeepInForce:
		return fmt.Sprintf("Keep: %s is not stopped before the point of no return.", host)
	case BatteryUncharged:
		return fmt.Sprintf("UPS %s has had input for %s, and its battery is at %d %%; from %d %% on it could carry another outage. It takes no charge, or its gauge is wrong: look at both. A host that is off waits for that; start by hand what cannot wait.", ups, Spell(n.Span), n.A, n.B)
	case RoomWarms:
		if n.Span >= battery.Unending {
			return fmt.Sprintf("Temperature %s: %.1f °C, after a rise; now it rises no further towards its limit of %.1f °C. See to the cooling.", n.Name, float64(n.B)/10, float64(n.A)/10)
		}
		return fmt.Sprintf("Temperature %s: %.1f °C and rising. At the earliest it reaches its limit of %.1f °C in %s. Hosts that heat may stop are stopped before; the agent's own stays up. See to the cooling, or stop what is not needed.", n.Name, float64(n.B)/10, float64(n.A)/10, Spell(n.Span))
	case RoomWarmsFast:
		return fmt.Sprintf("Temperature %s: %.1f °C, rising by more than %.1f kelvin an hour. That stops nothing by itself. See to the cooling.", n.Name, float64(n.B)/10, float64(n.A)/10)
	case SensorSilent:
		return fmt.Sprintf("Temperature %s is not read; the log says why. Its limit protects nothing until it is. Look at the sensor and the way to it.", n.Name)
	case SensorJumped:
		return fmt.Sprintf("Temperature %s: from %.1f °C it jumped to %.1f, which no room does. It is not believed, and stops nothing, until it has kept to a path for ten minutes. Look at the sensor.", n.Name, float64(n.B)/10, float64(n.A)/10)
	case SensorStuck:
		return fmt.Sprintf("Temperature %s says %.1f °C without the least change, for longer than air does. Its limit may protect nothing. Look at the sensor.", n.Name, float64(n.A)/10)
	case SensorBeyond:
		return fmt.Sprintf("Temperature %s says %.1f °C, and began no lower than its limit of %.1f °C. No room that is looked after begins so: it stops nothing until it has risen by three kelvin more. Look at the room; then at the sensor's unit, its scale in the policy, and its limit.", n.Name, float64(n.A)/10, float64(n.B)/10)
	case EmergencyOff:
		text := fmt.Sprintf("Emergency power off, by %s: power was cut on purpose. Nothing is started, woken or switched on until a person has looked and says so: `ebbline status --clear emergency-off`.", cmp.Or(n.Name, "an input that says no more so"))
		if n.A == InputThere {
			text += " A UPS has input all the same, and what hangs on it is live."
		}
		return text
	case EmergencyUnread:
		return fmt.Sprintf("Emergency input %s is not read; the log says why. If it is used now, nothing is known of it, and hosts come back with the input. Look at the contact and the way to it.", n.Name)
	case HoldInForce:
		return "Hold: no host is stopped before the point of no return; then they go all the same, in order. `ebbline status --release` ends it: the plan is in force again."
	case AbortInForce:
		return "Abort: no further host is stopped, and those that are up lose their power when the battery ends. A stop that has begun goes on, but no other way is tried. `ebbline status --release` ends it: the plan is in force again."
	case PolicyWaits:
		text := "A new policy is read and waits for the end of the outage, of a stop or start that was ordered, or of an emergency power off."
		if n.A == WatchWaits {
			text += " Its observe waits too: orders are given as before. To have no further host stopped now: `ebbline status --abort`."
		}
		return text
	case ForecastLowered:
		what := "its charge reading falls faster than was counted on"
		if n.B == ByMinutes {
			what = "by its own word it has " + Spell(n.Span) + " left, fewer than was counted on"
		}
		return fmt.Sprintf("UPS %s: %s. Its battery is now counted on for %d %% of what it was. Test it after the outage.", ups, what, n.A/10)
	case JournalUnwritten:
		return "The journal is not on its disk; the agent acts on without it. After a crash now it would not know what was asked. The log says why; most often the disk is full or too slow, or the folder is not there."
	case SecretUnreadable:
		what := "the order to " + host
		if ups != "" {
			what = "UPS " + ups
		}
		return fmt.Sprintf("The secret %q for %s cannot be read, and no newer policy has another way. Put it where the agent looks (`ebbline help policy` names the places), under this name also while a policy that renames it waits for the end of the outage.", n.Name, what)
	case HistoryUnwritten:
		return "The history cannot be written; the agent acts on without it, and what is measured meanwhile may be lost. The log says why; most often its disk is full."
	case BatteryWorn:
		return fmt.Sprintf("The battery of UPS %s is worn: it is, or is about to be, down to 80 %% of a new one. `ebbline battery` shows why; replace it, and write the date as installed.", ups)
	case TestOverdue:
		return fmt.Sprintf("The battery of UPS %s has not been tested for more than a quarter: the forecast widens. Test it: `ebbline battery test %s`.", ups, ups)
	case HostUnready:
		return fmt.Sprintf("%s may not stop or start as planned: a way to it (its address, key, password or rights) failed when it was last tried. Run `ebbline rehearse`: it says which, and what to do.", host)
	case MemoryRefused:
		return "What the agent had kept of the time before this start cannot be used; the log says why. It lies beside the journal, under a name that says so. The agent goes on from what UPSs and hosts show; a host that an outage stopped before may not be brought back. Look at each host that is down, and start by hand what should be up. This ends when every host has been seen up, or with `ebbline status --clear memory-refused`."
	case InputUnsteady:
		return fmt.Sprintf("The input of UPS %s sagged or failed three times or more within an hour. That stops no host, but often comes before a loss. `ebbline survey input` tells of each; save open work, and ask the utility if it goes on.", ups)
	case MessageUnsent:
		return "A message does not get through; it is kept and tried again. The log says which and why; `ebbline rehearse --messages` tries every receiver."
	case NotServed:
		return "The page or the figures for Prometheus cannot be served. The log says why; it is tried again every few seconds."
	case UpgradeFailed:
		return "The program that was installed last does not stay up; the one that it replaced does the work. `journalctl -u ebbline` says why. Install one that works; or, when what kept it down is mended, `systemctl restart ebbline`."
	case Observing:
		if host != "" {
			return fmt.Sprintf("%s is only watched (observe): what would be done to it is decided and shown, and not done. When its battery is empty it loses its power. To have it stopped in time, remove observe from the policy and reload.", host)
		}
		return "Only watching (observe): everything is decided and shown, and no order is given. When a battery is empty, what hangs on it loses its power. To have hosts stopped in time, remove observe from the policy and reload."
	case PolicyRefused:
		return "The new policy has errors and is refused; the old one stays in force. Run `ebbline check`."
	}
	return n.Code.String()
}

// Ending says how a person ends a condition that no look at the host ends; "" for all
// others.
func (n *Notice) Ending(p *policy.Policy) string {
	if n.Clear || n.Host < 0 || !judged(n.Code) {
		return ""
	}
	what := "Seen to?"
	switch n.Code {
	case HostGivenUp:
		what = "To have it asked again:"
	case HostNotBack, NoWayToStart:
		what = "If it is to stay off:"
	case KeepInForce:
		what = "To end it:"
	}
	return fmt.Sprintf("%s `ebbline status --clear %s:%s`.", what, n.Code, p.Hosts[n.Host].Name)
}

func (n *Notice) subject(ups, host string) string {
	switch {
	case host != "":
		return n.Code.String() + " of " + host
	case ups != "":
		return n.Code.String() + " of UPS " + ups
	case n.Name != "":
		return n.Code.String() + " of " + n.Name // a sensor, or an emergency input
	}
	return n.Code.String()
}

// cutBy says what took a host's power, by the number of its method.
func cutBy(p *policy.Policy, k int32, method int64) string {
	if ways := p.Hosts[k].Methods; method < int64(len(ways)) && ways[method].Kind == policy.ByOutlet {
		return "at its outlet"
	}
	return "by its BMC"
}

// cutText says how a host lost its power, and what is to be done.
func cutText(n *Notice, h *policy.Host, p *policy.Policy) string {
	then := "It is brought back with the others."
	switch {
	case h.Observe:
		then = "It is only watched, and not brought back: start it by hand."
	case n.B == CutNotBack:
		then = "It could not be started: start it by hand."
	}
	then += " Look at it then: what it was doing may be lost."
	switch {
	case n.A == CutNow:
		return fmt.Sprintf("%s lost its power: what feeds it says that it carries nothing. %s", h.Name, then)
	case n.A == CutOff && h.RunsOn >= 0:
		return fmt.Sprintf("%s went off with %s, which it runs on, and was not stopped before. %s", h.Name, p.Hosts[h.RunsOn].Name, then)
	case n.A == CutOff:
		return fmt.Sprintf("%s is off, and was not stopped: it lost its power. %s", h.Name, then)
	case n.A == CutOrTurned && h.Observe:
		return fmt.Sprintf("%s went off while what feeds it carried nothing, or did not answer. %s", h.Name, then)
	case n.A == CutOrTurned:
		return fmt.Sprintf("%s went off while what feeds it did not answer. Either a person turned it off, or it lost its power: from here that looks the same. It is not brought back. If it should be up: `ebbline status --start %s`.", h.Name, h.Name)
	}
	return fmt.Sprintf("%s may have lost its power: it went out of sight while what feeds it did not answer, or carried nothing. %s", h.Name, then)
}

// givenUpText says why a host was given up, what becomes of it, and what is to be done.
func givenUpText(n *Notice, p *policy.Policy) string {
	host := p.Hosts[n.Host].Name
	switch n.A {
	case GivenUpCut:
		return fmt.Sprintf("%s looked turned off before, and was asked to stop all the same, without an answer. Its power was cut %s: switch that on again before you start it.", host, cutBy(p, n.Host, n.B))
	case GivenUpUnseen:
		return fmt.Sprintf("%s looked turned off before, was asked to stop all the same, and did not answer: no host waits for it. If it is up, out of sight, it loses its power when the battery ends.", host)
	case GivenUpByAbort:
		return fmt.Sprintf("%s is not off after all the time that it is given, and an operator's abort keeps its other ways from being tried. Look at it; `ebbline status --release` ends the abort.", host)
	}
	if p.Hosts[n.Host].Self {
		return fmt.Sprintf("%s, which the agent runs on, was told to shut down and still runs after all the time that it is given. It is told again and again, until the battery ends. See what keeps it up; then shut it down there.", host)
	}
	text := host + " is not off after all the time that it is given, and is given up: no host waits for it any longer. "
	if n.A == GivenUpLate {
		text += "It got the order to stop, or may have, and may go down yet."
	} else {
		text += "No order to stop is known to have reached it."
	}
	if n.Name != "" {
		text += " If it still runs when the agent's own host must go, the output of UPS " + n.Name + " goes off under it."
	}
	return text + " Shut it down by hand if you can; else look at it after the outage."
}

// orderMeans says what follows from an operator's word for all.
func orderMeans(n *Notice) string {
	idle := n.B == OrderIdle
	switch o := Order(n.A); {
	case o == Proceed && idle:
		return "; no UPS is on battery, and nothing begins"
	case o == Proceed:
		return "; all hosts on battery are stopped now, in order"
	case o == Release && idle:
		return "; there was no hold or abort to end"
	case o == Release:
		return "; the hold or abort is over, and the plan is in force again"
	}
	return ""
}

// OrderText is an operator's word, of an [OrderTaken]: "clear host-cut bench".
func (n *Notice) OrderText(p *policy.Policy) string {
	text := Order(n.A).String()
	if Order(n.A) == Clear {
		text += " " + Code(n.B).String()
	}
	if n.Host >= 0 {
		text += " " + p.Hosts[n.Host].Name
	}
	return text
}

// quoted gives what a host or UPS said, behind a head; "" where it said nothing.
func quoted(head, said string) string {
	const most = 160 // characters: a message is read on a telephone
	if said == "" {
		return ""
	}
	if r := []rune(said); len(r) > most {
		said = string(r[:most]) + "…"
	}
	return head + `"` + said + `"`
}

// aWeek is as far as a plan looks ahead.
const aWeek = 7 * 24 * time.Hour

// ownName names the host that the agent runs on.
func ownName(p *policy.Policy) string {
	for k := range p.Hosts {
		if p.Hosts[k].Self {
			return p.Hosts[k].Name
		}
	}
	return "its own host"
}

// Words is the phase for people, the same word wherever they read it.
func (p Phase) Words() string {
	return [...]string{"", "normal", "riding through", "stopping hosts", "nothing to stop", "input is back", "not heard yet"}[p]
}

// phaseText says which phase a UPS has come to.
func phaseText(n *Notice, p *policy.Policy) string {
	phase := Phase(n.A)
	switch {
	case n.B == OutputGone:
		return "its output is off; what it alone feeds has no power"
	case n.B == InputAllTheTime && phase == Recovery:
		return "has input; hosts that were stopped wait, or are being brought back"
	case n.B == InputAllTheTime:
		return "has input; " + phase.Words()
	case phase == Recovery:
		text := phase.Words() + "; "
		switch n.B {
		case PersonFirst:
			return text + "power was cut on purpose, and nothing is started until a person says so"
		case CoolFirst:
			return text + "waiting until it is stable, the battery could carry another outage, and the room is cool"
		}
		return text + "waiting until it is stable and the battery could carry another outage"
	case phase == Normal || phase == Unheard:
		return phase.Words()
	case p.Site.Observe:
		return "on battery; only watching, no host is stopped"
	}
	text := "on battery; "
	if n.B == TestTooLong {
		text = "has said for longer than a battery test takes (" + minutes(testAtMost) + ") that it tests its battery: it counts as on battery; "
	}
	text += phase.Words()
	switch n.B {
	case SomeLinger:
		text += ", but hosts that were given up may run still"
	case TestTooLong:
		text += ". If it is a test, `ebbline status --hold` keeps hosts up until the point of no return."
	}
	return text
}

// planText says what comes of a plan, and for whom.
func planText(n *Notice, p *policy.Policy) string {
	given, is, plan := n.B > 0 && n.B&PlanLingers != 0, "is", "plan: "
	switch {
	case p.Site.Observe:
		plan, is = "plan, if orders were given: ", "would be"
	case n.B > 0 && n.B&PlanAborted != 0:
		plan, is = "plan, if the abort were ended: ", "would be"
	}
	watched := p.Observes() && !p.Site.Observe
	every := EveryHost(given, watched)
	switch {
	case n.Span >= battery.Unending && given && watched:
		return plan + "no host " + is + " left to stop, but those that were given up may run still, and those only watched get no order"
	case n.Span >= battery.Unending && given:
		return plan + "no host " + is + " left to stop, but those that were given up may run still"
	case n.Span >= battery.Unending && watched:
		return plan + "no host " + is + " left to stop but those only watched, which get no order"
	case n.Span >= battery.Unending:
		return plan + "no host " + is + " left to stop"
	case n.A == PlanFits && (n.Span >= aWeek || n.Span <= 0):
		return fmt.Sprintf("%s%s %s off in time", plan, every, is)
	case n.A == PlanFits:
		return fmt.Sprintf("%s%s %s off in time; a safe plan still exists for %s", plan, every, is, Spell(n.Span))
	case n.A == PlanFitsExpected:
		return fmt.Sprintf("%s%s %s off in time if each takes as long as expected; nothing %s left for one that takes longer", plan, every, is, is)
	}
	return fmt.Sprintf("%sthere is none by which %s %s off in time; the order %s kept as far as the time reaches", plan, every, is, is)
}

// EveryHost names those of whom it is said that they are off in time: not the ones that were
// given up, where there are such, nor those only watched beside others.
func EveryHost(given, watched bool) string {
	switch {
	case given && watched:
		return "every host but those given up or only watched"
	case given:
		return "every host but those given up"
	case watched:
		return "every host but those only watched"
	}
	return "every host"
}

// Spell writes a duration in whole seconds, as "1h02m03s", rounded down: what is
// short by less than a second is short.
func Spell(d time.Duration) string {
	sign := ""
	if d < 0 {
		sign, d = "-", -d+time.Second-1
	}
	s := int64(d / time.Second)
	switch {
	case s >= 3600:
		return fmt.Sprintf("%s%dh%02dm%02ds", sign, s/3600, s/60%60, s%60)
	case s >= 60:
		return fmt.Sprintf("%s%dm%02ds", sign, s/60, s%60)
	}
	return fmt.Sprintf("%s%ds", sign, s)
}
