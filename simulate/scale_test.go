package simulate

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ebbline/policy"
	"ebbline/policy/load"
	"ebbline/simulate/world"
)

var sites = flag.String("sites", "", "a folder for the policies of 30, 100 and 300 hosts that figures are measured with")

// siteText writes the policy of a site of n hosts: for every ten one store, two
// hypervisors, five guests on them that need the store, and two servers; for every fifty
// one UPS, whose battery carries all for some 25 minutes. Draws, times and priorities
// differ from host to host, as measured ones do.
func siteText(n int) string { return siteWith(n, max(1, n/50)) }

// siteWith is the same of so many UPSs, each with the same number of hosts, in tens.
func siteWith(n, upss int) string {
	r := world.NewRandom(uint64(n))
	var b strings.Builder
	whole := func(from, to int) int { return from + int(r.Float()*float64(to-from+1)) }
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("site \"of-%d\" {\n  ride_through = \"75s\"\n  reserve = \"90s\"\n  restore {\n    stable_for = \"5m\"\n    stagger = \"5s\"\n  }\n}", n)
	each := n / upss
	for u := range upss {
		line("ups \"u%d\" {\n  class = \"VFI\"\n  rated_watts = %d\n  battery {\n    chemistry = \"vrla\"\n    volts = 192\n    amp_hours = %d\n    installed = \"2025-06-01\"\n  }", u, 260*each, max(9, 45*each/50))
		line("  snmp {\n    address = \"192.0.2.%d\"\n    version = \"2c\"\n    community = secret(\"c\")\n  }\n}", 10+u)
		line("load \"switch%d\" {\n  fed_by = [\"u%d\"]\n  watts = 60\n}", u, u)
	}
	for k := range n {
		ten, ups := k/10*10, k/each%upss
		stops, watts, priority := whole(60, 180), whole(150, 400), whole(20, 40)
		depends, feed := fmt.Sprintf("\"switch%d\"", ups), fmt.Sprintf("fed_by = [\"u%d\"]", ups)
		switch k % 10 {
		case 0:
			priority, watts = whole(85, 95), whole(120, 200)
		case 1, 2:
			priority = whole(60, 70)
			depends += fmt.Sprintf(", \"h%d\"", ten)
		case 3, 4, 5, 6, 7:
			priority, watts, stops = whole(30, 58), whole(8, 25), whole(20, 90)
			feed = fmt.Sprintf("runs_on = \"h%d\"", ten+1+k%2)
			depends += fmt.Sprintf(", \"h%d\"", ten)
		}
		keep := ""
		if k%10 == 0 || k%10 == 3 {
			keep = fmt.Sprintf("\n  keep_for = \"%dm\"", whole(8, 20))
		}
		line("host \"h%d\" {\n  %s\n  priority = %d\n  watts = %d\n  stops_in = \"%ds\"\n  gives_up = \"%ds\"%s\n  depends_on = [%s]", k, feed, priority, watts, stops, 2*stops, keep, depends)
		line("  ssh {\n    address = \"192.0.2.%d\"\n    user = \"e\"\n    key = secret(\"k\")\n    known_hosts = \"/k\"\n    command = \"sudo systemctl poweroff\"\n  }", 100+k%100)
		if k%10 >= 3 && k%10 <= 7 {
			line("  start {\n    command = \"sudo start-guest h%d\"\n  }\n}", k)
		} else {
			line("  wake {\n    ethernet = \"02:00:00:00:%02x:%02x\"\n  }\n}", k/256, k%256)
		}
	}
	return b.String()
}

func siteOf(t testing.TB, n int) *policy.Policy { return loadSite(t, siteText(n)) }

func loadSite(t testing.TB, text string) *policy.Policy {
	t.Helper()
	p, _, diags := load.Load([]load.File{{Name: "site.hcl", Bytes: []byte(text)}}, load.Options{})
	if p == nil {
		t.Fatal(diags)
	}
	return p
}

// Aim: the sites are policies whose plan fits, so that what is measured with them is a
// plan's work. With -sites FOLDER it writes them.
func TestSites(t *testing.T) {
	for _, n := range []int{30, 100, 300} {
		p := siteOf(t, n)
		if fits, noReturn := Fits(p, day); !fits {
			t.Errorf("the plan of %d hosts does not fit (%v)", n, noReturn)
		}
		if *sites != "" {
			if err := os.WriteFile(filepath.Join(*sites, fmt.Sprintf("site-%d.hcl", n)), []byte(siteText(n)), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}
