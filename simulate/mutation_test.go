package simulate

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// mutations are faults put into the core, each in one place. The text must be
// there once: where the core has changed, write down its successor.
var mutations = []struct {
	name, file, from, to string
	caught               *regexp.Regexp
}{
	{
		"an order reversed", "question.go",
		"w.dependents[d] = append(w.dependents[d], int32(k))",
		"w.dependents[k] = append(w.dependents[k], int32(d))",
		regexp.MustCompile(`P2 broken at .* was asked to stop while .*, which depends on it, is up`),
	},
	{
		"a deadline ignored", "orders.go",
		"case at < start && (!late || blocker < 0 && !own):",
		"case at < start.Add(time.Hour):",
		regexp.MustCompile(`P1 broken at .* lost its power while it was up, though there was time`),
	},
	{
		"silence read as good", "ups.go",
		"case u.OnBattery():\n\t\ts.discharge(i, load, secs)",
		"case u.OnBattery() && at.Sub(u.LastAt) > 10*time.Second:\n\tcase u.OnBattery():\n\t\ts.discharge(i, load, secs)",
		regexp.MustCompile(`P1 broken at .* lost its power while it was up, though there was time`),
	},
	{
		"a stopped host forgotten", "host.go",
		"Told: {InGone: Off,",
		"Told: {InGone: TurnedOff,",
		regexp.MustCompile(`P8 broken at .* is off though all is over, and nobody was told`),
	},
	{
		"a test of the UPS's own read as a loss", "evidence.go",
		"test := m.Testing && m.Input == LineGood",
		"test := m.Testing && m.Input == LineGood && m.LoadWatts < 0",
		regexp.MustCompile(`P[34] broken at`),
	},
	{
		"one sensor's word for heat is enough", "room.go",
		"s.sensorSilent(at, t.Confirm) || !s.Rooms[t.Confirm].Rose(s.step(t.Confirm))",
		"s.sensorSilent(at, t.Confirm)",
		regexp.MustCompile(`P4 broken at .* was asked to stop while UPS rack has had input`),
	},
	{
		"a room's end forgotten", "room.go",
		"\tr, c := &s.Rooms[j], s.Policy.Temperatures[j].Confirm\n",
		"\tif lost < Never {\n\t\treturn Never\n\t}\n\tr, c := &s.Rooms[j], s.Policy.Temperatures[j].Confirm\n",
		regexp.MustCompile(`P1 broken at .* above the limit of .* though there was time`),
	},
}

// Aim: the soak and the list of standard outages are worth something: a core with a fault
// in it does not pass them. Method: for each mutation this package's own tests
// are built with a changed copy of one file of the core (go test -overlay; the
// core has no hooks for this) and run; they must build, and fail for the
// promise that the fault breaks.
func TestMutationsAreCaught(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the tests once per mutation")
	}
	core, err := filepath.Abs("../shutdown")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range mutations {
		t.Run(m.name, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(core, m.file)
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if n := strings.Count(string(text), m.from); n != 1 {
				t.Fatalf("%s has %d times, not once: %s", m.file, n, m.from)
			}
			dir := t.TempDir()
			changed, overlay := filepath.Join(dir, m.file), filepath.Join(dir, "overlay.json")
			if err := os.WriteFile(changed, []byte(strings.Replace(string(text), m.from, m.to, 1)), 0o600); err != nil {
				t.Fatal(err)
			}
			list, err := json.Marshal(map[string]any{"Replace": map[string]string{path: changed}})
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(overlay, list, 0o600); err != nil {
				t.Fatal(err)
			}
			cmd := exec.Command("go", "test", "-overlay", overlay, "-vet=off", "-count=1", "-timeout", "120s", "-run", "^(TestSoak|TestStandard)$", "-soak", "250", ".")
			out, err := cmd.CombinedOutput()
			if strings.Contains(string(out), "[build failed]") || strings.Contains(string(out), "[setup failed]") {
				t.Fatalf("the changed core does not build:\n%s", out)
			}
			if err == nil {
				t.Fatalf("the changed core passes:\n%s", out)
			}
			caught := m.caught.Find(out)
			if caught == nil {
				t.Fatalf("it fails, but not by %s:\n%.2000s", m.caught, out)
			}
			t.Logf("caught: %s", caught)
		})
	}
}
