package battery

import (
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand"
	"os"
	"os/exec"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"ebbline/policy"
)

// digest runs everything that reaches a decision on the same figures and gives
// a sum over the bits of all results.
func digest() string {
	sum := fnv.New64a()
	add := func(values ...float64) {
		for _, v := range values {
			binary.Write(sum, binary.LittleEndian, math.Float64bits(v))
		}
	}
	random := rand.New(rand.NewSource(1))
	for range 2000 {
		u := rack()
		u.OverheadWatts = 53 + int64(random.Intn(3)) // the usual one is 54
		u.Battery.TemperatureC = float64(60*random.Float64()) - 20
		u.Battery.InstalledDay -= int64(random.Intn(3000))
		u.Battery.Chemistry = policy.Chemistry(1 + random.Intn(2))
		if u.Battery.Chemistry == policy.VRLA && random.Intn(2) > 0 {
			u.Battery.EndVolts = 1.5 + float64(0.4*random.Float64())
		}
		watts, minutes := 100.0, 50+float64(100*random.Float64())
		for range random.Intn(7) {
			u.Battery.Chart = append(u.Battery.Chart, policy.ChartPoint{Watts: int64(watts), Runtime: time.Duration(minutes * float64(time.Minute))})
			watts, minutes = watts*(1.2+random.Float64()), minutes*(0.2+float64(0.6*random.Float64()))
		}
		if len(u.Battery.Chart) > 0 && random.Intn(3) == 0 {
			u.Battery.Volts = 0 // its chart alone
		}
		b, err := New(&u, newToday)
		if err != nil {
			panic(err)
		}
		add(b.Model.Energy, b.Model.Ohmic, b.Model.Diffusion, b.OverheadWatts, b.OwnSpread, b.LowOwn, b.LowStore, b.Low, b.Likely, b.High)
		m := b.Scaled(b.LowAt(int64(500 + random.Intn(500))))
		c := m.At(random.Float64())
		var segments []Segment
		for range 4 {
			s := Segment{1500 * random.Float64(), 600 * random.Float64()}
			segments = append(segments, s)
			add(m.Runtime(c, s.Watts), m.Left(c, s.Watts))
			c = m.Advance(c, s.Watts, s.Seconds)
			rest := b.Recharge(c, 90000*random.Float64())
			add(c.Delivered, c.Bound, rest.Delivered, rest.Bound, rest.Floated)
		}
		low, likely, high := b.Project(c, 500)
		add(low.Seconds(), likely.Seconds(), high.Seconds())
		var found []Discharge
		for range random.Intn(5) {
			found = append(found, Discharge{
				Day: newToday - int64(random.Intn(800)), Segments: segments[:1+random.Intn(4)], StartCharge: 0.75 + float64(0.25*random.Float64()),
				Ended: Ended(1 + random.Intn(3)), Reading: random.Float64(), Celsius: float64(40 * random.Float64()), CelsiusSet: random.Intn(2) > 0,
				Weak: random.Intn(4) == 0, Outage: random.Intn(4) == 0,
			})
		}
		cal, err := Calibrate(&u, found, newToday)
		if err != nil {
			panic(err)
		}
		for _, j := range cal.Judged {
			add(j.Capacity)
		}
		var tests []Tested
		for i := range 4 {
			tests = append(tests, Tested{newToday + int64(100*i), 0.8 + float64(0.3*random.Float64())})
		}
		age := Age(&u.Battery, tests)
		add(age.PerYear, age.Spread, float64(age.From), float64(age.Likely), float64(age.To))
		if m := cal.Model; m != nil {
			add(m.StoreWattHours, m.Ohmic.Seconds(), m.Diffusion.Seconds(), m.Low, m.Likely, m.High, m.OwnSpread, m.LowOwn, m.LowStore)
		}
	}
	return fmt.Sprintf("%016x", sum.Sum64())
}

// Aim: one machine's projection is another's, to the last bit; the replay of a
// journal depends on it. Method: the digest of one machine (amd64, GOAMD64=v1) is
// part of the test, so that every machine that runs this answers for itself.
func TestSameBits(t *testing.T) {
	const want = "849382f7a2e28e72"
	if got := digest(); got != want {
		t.Errorf("digest %s, want %s: either the arithmetic was changed on purpose, or this machine (%s) computes otherwise", got, want, runtime.GOARCH)
	}
}

// Aim: the instruction set, with its fused multiply-add, changes no bit. Method:
// this package's tests built for the other one of GOAMD64 v1 and v3, and the
// digest run there.
func TestSameBitsElsewhere(t *testing.T) {
	if testing.Short() || runtime.GOARCH != "amd64" {
		t.Skip("builds twice, for amd64")
	}
	t.Parallel()
	if cpu, err := os.ReadFile("/proc/cpuinfo"); err != nil || !strings.Contains(string(cpu), " fma ") || !strings.Contains(string(cpu), " avx2 ") {
		t.Skip("this processor does not run GOAMD64=v3")
	}
	here, err := exec.Command("go", "env", "GOAMD64").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, level := range []string{"v1", "v3"} {
		if level == strings.TrimSpace(string(here)) {
			continue // TestSameBits
		}
		cmd := exec.Command("go", "test", "-count=1", "-run=^TestSameBits$", ".")
		cmd.Env = append(os.Environ(), "GOAMD64="+level)
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("GOAMD64=%s: %v\n%s", level, err, out)
		}
	}
}

// Aim: no compiler fuses a product into a sum here. Method: the package is
// compiled for processors that have the instruction, and its listing must not
// hold it. This stands in for running on them.
func TestNothingFused(t *testing.T) {
	if testing.Short() {
		t.Skip("builds for several processors")
	}
	t.Parallel()
	fused := regexp.MustCompile(`(?m)^.*\t(F(N?)M(ADD|SUB)[DS]?|VFN?M(ADD|SUB)\d*S[DS])\t.*$`)
	for _, target := range [][]string{{"GOARCH=amd64", "GOAMD64=v3"}, {"GOARCH=arm64"}} {
		cmd := exec.Command("go", "build", "-gcflags=-S", ".")
		cmd.Env = append(append(os.Environ(), "GOOS=linux", "CGO_ENABLED=0"), target...)
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Errorf("%v: %v\n%s", target, err, out)
		}
		if !strings.Contains(string(out), "TEXT\tebbline/shutdown/battery.expNeg") {
			t.Errorf("%v: no listing", target)
		}
		if found := fused.FindString(string(out)); found != "" {
			t.Errorf("%v: %s", target, found)
		}
	}
}
