package simulate

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/simulate/world"
)

var (
	soakRooms    = flag.Int("soak-rooms", 60, "random rooms in TestSoakRooms")
	soakRoomSeed = flag.Uint64("soak-room-seed", 1, "the first room's seed")
	soakEach     = flag.Int("soak-each", 25, "random outages in each of them")
	soakSkip     = flag.Int("soak-skip", 0, "outages of each room that are left out, from the first on")
	soakLater    = flag.Bool("soak-later", false, "the outages without an operator's orders, but as much later as with them")
	soakOn       = flag.Bool("soak-on", false, "TestSoakRooms goes on after a broken promise, and says one line of each")
)

// Aim: no promise is broken in any room. Method: random policies, each with random
// outages and faults, held against the checkers. Longer: go test ./simulate -run
// SoakRooms -soak-rooms 2000 -soak-each 200.
func TestSoakRooms(t *testing.T) {
	hosts, cut, refused := 0, 0, 0
	for seed := *soakRoomSeed; seed < *soakRoomSeed+uint64(*soakRooms); seed++ {
		text := roomText(seed)
		p, _, diags := load.Load([]load.File{{Name: "room.hcl", Bytes: []byte(text)}}, load.Options{})
		if p == nil {
			t.Logf("room %d is no policy: %v", seed, diags)
			refused++
			continue
		}
		hosts += len(p.Hosts)
		if done := seed - *soakRoomSeed; *soakOn && done > 0 && done%500 == 0 {
			t.Logf("%d rooms so far", done)
		}
		if cut += soakRoom(t, p, text, seed); t.Failed() && !*soakOn {
			return
		}
	}
	if refused*4 > *soakRooms {
		t.Errorf("%d of %d rooms are no policies", refused, *soakRooms)
	}
	t.Logf("%d rooms with %d hosts, %d outages each: %d ended with a host cut, all beyond what the promise covers", *soakRooms, hosts, *soakEach, cut)
}

// onceBroken are rooms and outages in which a fault of the core broke a promise.
var onceBroken = []struct {
	name         string
	room, outage uint64
}{
	{"on a UPS whose battery was low, the way to a host went with the first answer missing, and its silence proved it down", 85, 85014},
	{"out of sight since the switch to it lost its power, a host counted as off", 783, 783007},
	{"after a dead agent's minute a host was started at once, the loss unseen", 178, 178023},
	{"after a boot the charge that would come back by itself counted as there", 1131, 1131021},
	{"a host that took twice its allowance to go down was forgotten", 2158, 2158013},
	{"a host elsewhere needed the switch, and the agent's host was left off for good", 2234, 2234023},
	{"the gauge was read with the outage's belief, and the charge with the one before", 2292, 2292012},
	{"one reading that says input, then silence: a dependent counted as provided for", 2777, 2777039},
	{"a silent UPS was thought to carry on what had gone down meanwhile, and its plan broke in the end", 6491, 6491010},
	{"out of sight behind a silent UPS whose battery had been low, a host that hung counted as off", 6492, 6492003},
	{"after a boot a gauge's fall was counted from before it, and the battery at a third", 8840, 8840013},
	{"a test that was none, and a load with another feed kept the output on under the agent's host", 200386, 200386024},
	{"hosts that come with their power did not count for a second outage", 400199, 400199019},
	{"at the boot of the agent's host, before a UPS was heard, a host was started", 400204, 400204014},
	{"told to start, and asked in vain when the input was lost again, a host counted as off", 400267, 400267001},
	{"a UPS silent beyond its battery's end seemed charged by its gauge", 400298, 400298020},
	{"out of sight behind a UPS that was never heard, a host seemed cut", 400908, 400908009},
	{"a UPS gave out; what was reached through it was proven down before the UPS counted as silent", 401306, 401306022},
	{"a host on which a guest still answered was proven down by its silence", 401159, 401159020},
	{"a host was started before one that had been given up, silent, on a UPS without input", 401816, 401816003},
	{"an order that hung counted as an answer, and the host as up", 403102, 403102018},
	{"a host was started before one that was going late", 405494, 405494006},
	{"a short silence of one feed hid the long gap in which a host had lost its power", 411318, 411318010},
	{"by a UPS that said it was testing, its input good, hosts were started from its battery", 407284, 407284014},
	{"an odd reading of the other feed kept the output on under the agent's host", 501011, 501011020},
	{"for a host that only seemed turned off the next outage waits, and its time did not count", 501226, 501226009},
	{"the same with two feeds, and twice", 501315, 501315018},
	{"an answer from before the agent was killed and an odd one long after it made a loss sure", 400451, 400451006},
	{"where no plan fitted the agent's host went with the others, and was off when the input came back a second later", 700773, 700773010},
	{"the same after a blink of two UPSs", 700422, 700422013},
	{"the same at a charge that an earlier outage had left", 710252, 710252014},
	{"a blink of half a second and one odd reading a second later made a loss sure", 700560, 700560020},
	{"its input lost again, a host that had lost its power counted as up, and one that needs it was started", 711050, 711050018},
	{"one odd answer that said input, then a dead agent's seconds: the input counted as there all the while", 750076, 750076018},
	{"the plan counted on what a host would free that was off all the time", 710301, 710301020},
	{"by the modelled room: its service going a moment after the way to it, a host was silent at once", 4000546, 4000546016},
	{"waited for in vain, with no way to start it, a host that was up out of sight had no part in the next outage", 2001707, 2001707012},
	{"a host was started at a charge that the battery's gauge did not show", 8001397, 8001397002},
	{"by the checker: a UPS fell silent a second after the loss, before it had been asked", 20001435, 20001435020},
	{"an odd answer said input, and that it was bad; the UPS gave out then, and the input counted as back from the odd one on", 36001818, 36001818018},
	{"a host given up, silent for an hour, counted as up when its UPS gave out with the way to it", 42011590, 42011590007},
	{"a host given up, out of sight behind an output that failed, counted as up though its own UPS had given out and come back", 46006411, 46006411020},
	{"the same with blinks before it", 46011166, 46011166012},
	{"by the room: a host was said to be silent a second after the agent began to look", 57004189, 57004189000},
	{"the agent was killed, a host that was off came up with its power meanwhile, and what it needs was asked before it was looked at", 54017497, 54017497016},
	{"the agent was dead for minutes, hosts drew on that long beyond their starts, and the plan did not count it: the battery gave out under the agent's host", 54011920, 54011920020},
}

// onceBrokenLater are some that did when they came [untilLoss] later.
var onceBrokenLater = []struct {
	name         string
	room, outage uint64
}{
	{"five answers missing while a host waited for another hid the loss in which it had lost its power", 2, 2021},
	{"a BMC took the order for a host behind a UPS that had given out, and its older silence proved it down", 239, 239005},
	{"by a UPS that said on battery that it was testing, hosts were started", 302, 302017},
	{"the plan counted on the watts by which the load is rounded up, as if a host that was off drew them", 710598, 710598005},
	{"a host that had been started in vain, and was up out of sight, had no part in the next outage", 2101841, 2101841006},
	{"a UPS had said on battery that it was testing; in a true test after a boot it was not believed", 4100443, 4100443019},
	{"for a host with another feed, on a UPS that said it was testing, the agent's host left its output on, and stayed off", 2101652, 2101652009},
	{"the load was rounded up beyond what the policy explains, no plan fitted, and a guest was cut with its host", 8101647, 8101647001},
	{"the same with another host beside it", 9101079, 9101079018},
	{"a time without output that went on when the agent was there again counted from there, and a host with another feed seemed turned off", 9102262, 9102262007},
	{"the agent's host took longer than its time, its output was called back a moment before it went, and it stayed off", 9102430, 9102430020},
	{"a battery that said once that it was low, and then that it was not: a host went before its guest as if no time were left", 21000581, 21000581024},
	{"a host went at the end of its allowance, and was given up before its silence could prove that: no plan fitted for a second", 21001389, 21001389024},
	{"a UPS had said in a loss that it was testing, and nothing of its input; in a true test a moment later, after the agent was killed, hosts were stopped", 31004029, 31004029000},
	{"a host that overran was given up, no plan fitted for a moment, and a guest elsewhere was cut with its host", 31003841, 31003841018},
	{"after \"battery low\" on one of two feeds, a guest was cut with its host", 31005435, 31005435012},
	{"by the checker: \"battery low\" once, and then silence", 33001274, 33001274021},
	{"a host that overran was given up, no plan fitted for a moment, and guests were cut with their host; and by the checker: one that was off was given up later", 31005847, 31005847023},
	{"by the checker: what a host out of sight draws to the end was no part of what the battery can carry", 37004855, 37004855021},
	{"by the checker: a host that its user had turned off came up with its power, and nobody could see that yet", 33001852, 33001852011},
	{"by the checker: a host whose power blinked unseen looked turned off, and came up with its power", 43004306, 43004306022},
	{"a host given up, silent for an hour, counted as up: its UPS gave out with the way to it, and hosts that need it were started", 43013042, 43013042003},
	{"a host given up, out of sight behind an output that failed, counted as up though its own UPS had given out and come back", 48008646, 48008646002},
	{"an order that had not reached a host counted as one that may have, after a boot of the agent's host, and its silence as proof", 48019670, 48019670007},
}

// onceBrokenSaid are some that did when an operator gave orders in them.
var onceBrokenSaid = []struct {
	name         string
	room, outage uint64
}{
	{"an order to start stayed in force though the host had been seen up, and started it in the next outage", 700159, 700159019},
	{"where no plan fitted the agent's host went with the others, a blink of one of two UPSs before the input came back", 700422, 700422007},
	{"behind a UPS that fell silent while there was input a host out of sight seemed cut", 700004, 700004019},
	{"by one odd answer that said input the gauge counted, read under load, and no plan fitted any more", 730075, 730075021},
	{"a word to keep a host took the place of the order by which it was being started", 700502, 700502023},
	{"behind a silent UPS a guest that had lost its power counted as up, and what needs it was started", 700389, 700389017},
	{"a UPS had said for an hour that it was testing; in a true test after a boot it was not believed", 7002998, 7002998003},
	{"an odd answer that said input, just before the agent ended for seconds: the input counted from there on", 7000359, 7000359017},
	{"on the battery, by its own word in a test, a UPS gave out with the way to a host, whose silence proved it down", 2002265, 2002265011},
	{"by the checker: an operator's order that had never reached a host was spent when its battery ended", 2002884, 2002884021},
	{"a host that was off, and to be started, hid in the load what another drew that was up out of sight", 2000625, 2000625011},
	{"for a host whose other feed was back for a moment the agent's host left its output on, and stayed off", 2000309, 2000309021},
	{"a battery that the low projection had empty was silent, and with it the way to a host that hung, whose silence proved it down", 9001663, 9001663001},
	{"hosts that lost their power while their UPS was silent, after a dead agent's minutes, seemed turned off", 7000336, 7000336007},
	{"a BMC that had not answered was told again to take a host's power, for an operator's order, with the input back", 18000059, 18000059021},
	{"by the checker: an output had to stay on, when the agent's host went, for a host elsewhere that lost its power later", 18000272, 18000272005},
	{"a host that came up, being started, was not asked before its time to stop was over", 20003741, 20003741009},
	{"a guest was started on a battery that had given out at a light load, beyond what its gauge shows", 30004655, 30004655001},
	{"a battery gave out at once with the way to hosts, whose silence proved them down", 24000656, 24000656009},
	{"a UPS had said in a loss that it was testing, and nothing of its input; a true test, which says that the input is there, was not believed", 28000224, 28000224010},
	{"an output was switched off under the way to hosts elsewhere, whose other feed had given out, and was silent", 32001094, 32001094002},
	{"a host that was being started was asked in vain in the next loss; spared, with the way to it dark, it counted as up, and stayed off unsaid", 40100249, 40100249023},
	{"by the checker: a guest was to start, and its host was stopped by a later order", 40000083, 40000083005},
	{"by the checker: a host that an operator had stopped late was to be kept", 62000041, 62000041011},
	{"by the checker: what a host out of sight would draw counted where only its being up is known", 44000124, 44000124003},
	{"by the checker: started again in mid-outage, the agent began an operator's start once more that it had begun", 44000999, 44000999017},
	{"an order that had not reached a host counted as one that may have, after a boot of the agent's host, and its silence as proof", 46004946, 46004946005},
	{"the agent's host booted, on another feed, while an output was still to go off: that was forgotten, and a host was started on it", 54004108, 54004108023},
}

// Aim: none of them does again. Method: the room's dice, the checkers.
func TestOnceBroken(t *testing.T) {
	try := func(name string, room, outage uint64, later, said bool) {
		p, _, diags := load.Load([]load.File{{Name: "room.hcl", Bytes: []byte(roomText(room))}}, load.Options{})
		if p == nil {
			t.Fatal(diags)
		}
		d := newThrower(t, p)
		d.later, d.said = later, said
		for _, v := range d.throw(outage) {
			t.Errorf("%s (room %d, outage %d): %s broken at %s: %s", name, room, outage, v.Promise, v.At, v.Text)
		}
	}
	for _, c := range onceBroken {
		try(c.name, c.room, c.outage, false, false)
	}
	for _, c := range onceBrokenLater {
		try(c.name, c.room, c.outage, true, false)
	}
	for _, c := range onceBrokenSaid {
		try(c.name, c.room, c.outage, false, true)
	}
}

// thrower throws random outages at the core, and has them checked.
type thrower struct {
	runner *Runner
	check  *Checker
	dice   *Dice
	outage Outage
	run    Run
	said   bool // an operator gives orders for single hosts
	later  bool // the same outage without them, as much later as with them
}

func newThrower(t *testing.T, p *policy.Policy) *thrower {
	t.Helper()
	d := &thrower{runner: newRunner(t, p)}
	var err error
	if d.check, err = NewChecker(d.runner, day); err != nil {
		t.Fatal(err)
	}
	if d.dice, err = NewDice(p, day); err != nil {
		t.Fatal(err)
	}
	return d
}

func (d *thrower) throw(seed uint64) []Violation {
	d.dice.Draw(seed, &d.outage)
	if d.said {
		d.dice.Operate(seed, &d.outage)
	} else if d.later {
		d.outage.later()
	}
	truth := d.outage.Truth(seed)
	d.check.Begin(truth)
	d.runner.Run(truth, &d.run)
	d.check.End(&d.run)
	return d.check.Violations
}

func soakRoom(t *testing.T, p *policy.Policy, text string, room uint64) (cut int) {
	d := newThrower(t, p)
	for seed := room*1000 + uint64(*soakSkip); seed < room*1000+uint64(*soakEach); seed++ {
		d.said, d.later = seed%2 == 1 && !*soakLater, *soakLater
		violations := d.throw(seed)
		if d.run.Cut > 0 {
			cut++
		}
		for _, v := range violations {
			t.Errorf("room %d, outage %d: %s broken at %s: %s", room, seed, v.Promise, v.At, v.Text)
		}
		if t.Failed() && !*soakOn {
			t.Logf("%s\n%s", d.outage.Text(p), text)
			if *soakText != "" {
				os.WriteFile(*soakText, []byte(transcriptOf(d.runner, &d.outage, seed)), 0o644)
			}
			return cut
		}
	}
	return cut
}

// roomText writes a policy of a random room: one to three UPSs, two to nine hosts
// with one or two feeds, loads, guests, who depends on whom, promises, allowances,
// ways to stop and to start.
func roomText(seed uint64) string {
	r := world.NewRandom(seed)
	var b strings.Builder
	whole := func(from, to int) int { return from + int(r.Float()*float64(to-from+1)) }
	maybe := func(chance float64) bool { return r.Float() < chance }
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }

	line("site \"room-%d\" {\n  ride_through = \"%ds\"\n  reserve = \"%ds\"", seed, whole(20, 120), whole(30, 120))
	if maybe(0.2) {
		line("  stops_at_once = %d", whole(1, 3))
	}
	line("  restore {\n    stable_for = \"%ds\"\n    stagger = \"%ds\"\n  }\n}", whole(30, 300), whole(2, 20))
	upss := whole(1, 3)
	for i := range upss {
		rated := whole(4, 30) * 100
		line("ups \"u%d\" {\n  rated_watts = %d\n  overhead_watts = %d", i, rated, whole(5, 40))
		line("  battery {\n    chemistry = %q\n    volts = 48\n    amp_hours = %d\n    installed = \"2025-0%d-01\"", []string{"vrla", "vrla", "lfp"}[whole(0, 2)], whole(3, 20), whole(1, 9))
		line("  }\n  snmp {\n    address = \"192.0.2.%d\"\n    version = \"2c\"\n    community = secret(\"c\")\n  }", 10+i)
		if maybe(0.5) {
			line("  output {\n    cut_after = \"%ds\"\n    return_after = \"30s\"\n  }", whole(60, 400))
		}
		line("}")
	}
	feeds := func() string {
		first := whole(0, upss-1)
		if upss > 1 && maybe(0.3) {
			return fmt.Sprintf("[\"u%d\", \"u%d\"]", first, (first+1)%upss)
		}
		return fmt.Sprintf("[\"u%d\"]", first)
	}
	loads := whole(0, 2)
	for l := range loads {
		line("load \"l%d\" {\n  fed_by = %s\n  watts = %d\n}", l, feeds(), whole(5, 60))
	}
	hosts := whole(2, 9)
	fed := make([]string, hosts)
	guest := make([]bool, hosts)
	allowance := 0
	for k := range hosts { // a later one may depend on an earlier one, which has the higher priority
		stops := whole(10, 180)
		gives := stops + whole(5, 120)
		allowance = max(allowance, gives)
		on := -1
		if k > 0 && maybe(0.25) {
			if on = whole(0, k-1); guest[on] {
				on = -1
			}
		}
		watts := whole(60, 200)
		if on >= 0 {
			watts = 6 // among the host's
		}
		line("host \"h%d\" {\n  priority = %d\n  watts = %d\n  stops_in = \"%ds\"\n  starts_in = \"%ds\"", k, 95-k*9-whole(0, 4), watts, stops, whole(30, 240))
		if on >= 0 {
			guest[k], fed[k] = true, fed[on]
			line("  runs_on = \"h%d\"", on)
		} else {
			fed[k] = feeds()
			line("  fed_by = %s", fed[k])
		}
		var needs []string
		for j := range k {
			if j != on && maybe(0.2) {
				needs = append(needs, fmt.Sprintf("%q", fmt.Sprintf("h%d", j)))
			}
		}
		if loads > 0 && maybe(0.3) {
			needs = append(needs, `"l0"`)
		}
		if len(needs) > 0 {
			line("  depends_on = [%s]", strings.Join(needs, ", "))
		}
		if maybe(0.3) {
			line("  keep_for = \"%dm\"", whole(1, 30))
		}
		if maybe(0.15) && on < 0 {
			line("  stopping_watts = %d", whole(20, 260))
		}
		line("  ssh {\n    address = \"192.0.2.%d\"\n    user = \"e\"\n    key = secret(\"k\")\n    known_hosts = \"/k\"\n    command = \"sudo systemctl poweroff\"\n    gives_up = \"%ds\"\n  }", 100+k, gives)
		if on < 0 && maybe(0.3) {
			line("  bmc {\n    protocol = \"redfish\"\n    address = \"192.0.2.%d\"\n    user = \"e\"\n    password = secret(\"p\")\n    force = %v\n    gives_up = \"%ds\"\n  }", 200+k, maybe(0.5), whole(10, 60))
		}
		switch {
		case on >= 0:
			line("  start {\n    command = \"sudo start-guest h%d\"\n  }", k)
		case maybe(0.7):
			line("  wake {\n    ethernet = \"02:00:00:00:01:%02x\"\n  }", k)
		}
		line("}")
	}
	if maybe(0.8) {
		line("host \"own\" {\n  self = true\n  priority = 100\n  fed_by = %s\n  watts = %d\n  stops_in = \"20s\"\n  starts_in = \"%ds\"\n  local {\n    command = [\"systemctl\", \"poweroff\"]\n    gives_up = \"50s\"\n  }\n}", feeds(), whole(5, 30), whole(40, 180))
	}
	return b.String()
}
