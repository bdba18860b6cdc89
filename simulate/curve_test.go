package simulate

import (
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"ebbline/policy"
)

var curveFile = flag.String("curve", "", "a file for the drawing (SVG) of BenchmarkCurve")

// panel is one curve: what it is over, and a point for each site or number of outages.
type panel struct {
	title, over, unit string
	points            []point
}

type point struct{ x, y float64 }

// BenchmarkCurve measures how the simulator's cost grows: with hosts, with UPSs, and with
// outages, by processor time on one core. An outage is three hours long, in a room that dice
// draw; those of the last curve are random ones altogether. Each curve's figures are
// printed, and drawn into the file that -curve names.
func BenchmarkCurve(b *testing.B) {
	for range b.N {
		hosts := panel{title: "hosts, one UPS for every 50", over: "hosts", unit: "ms an outage"}
		for _, n := range []int{10, 30, 100, 300, 1000} {
			few := max(1, min(20, 300/n))
			hosts.add(float64(n), 1e3*costOf(b, loadSite(b, siteText(n)), few, true)/float64(few))
		}
		upss := panel{title: "UPSs, 500 hosts in all", over: "UPSs", unit: "ms an outage"}
		for _, n := range []int{1, 5, 10, 25, 50} {
			upss.add(float64(n), 1e3*costOf(b, loadSite(b, siteWith(500, n)), 1, true))
		}
		outages := panel{title: "outages of 30 hosts, making ready with them", over: "outages", unit: "s in all"}
		for _, n := range []int{1, 10, 100, 1000} {
			outages.add(float64(n), costOf(b, loadSite(b, siteText(30)), n, false))
		}
		if *curveFile == "" {
			continue
		}
		if err := os.WriteFile(*curveFile, []byte(drawCurves([]panel{hosts, upss, outages})), 0o644); err != nil {
			b.Fatal(err)
		}
	}
}

// costOf is the processor time, in seconds, of so many outages of a site, making ready with
// it where they are not long ones.
func costOf(b *testing.B, p *policy.Policy, outages int, long bool) float64 {
	began := processor()
	r := newRunner(b, p)
	dice, err := NewDice(p, day)
	if err != nil {
		b.Fatal(err)
	}
	if long {
		began = processor()
	}
	var o Outage
	var run Run
	for seed := range outages {
		dice.Draw(uint64(seed+1), &o)
		if long {
			o.Moments = append(o.Moments[:0], loss(0, 3*time.Hour)...)
		}
		truth := o.TruthOf(uint64(seed + 1))
		r.Run(&truth, &run)
	}
	return (processor() - began).Seconds()
}

// processor is the time for which this process has computed.
func processor() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func (c *panel) add(x, y float64) {
	c.points = append(c.points, point{x, y})
	fmt.Printf("%s: %g %s, %.3g %s\n", c.title, x, c.over, y, c.unit)
}

// drawCurves draws panels side by side, both scales logarithmic.
func drawCurves(panels []panel) string {
	const wide, high, left, top, plot, deep = 300, 270, 56, 46, 220, 170
	var s strings.Builder
	fmt.Fprintf(&s, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" font-family="sans-serif" font-size="11" role="img">`+"\n", wide*len(panels), high)
	fmt.Fprintf(&s, "<title>What simulated outages cost, on one core</title>\n<rect width=\"100%%\" height=\"100%%\" fill=\"#fff\"/>\n")
	for i, c := range panels {
		fmt.Fprintf(&s, "<g transform=\"translate(%d 0)\">\n<text x=\"%d\" y=\"18\" font-weight=\"bold\">%s</text>\n<text x=\"%d\" y=\"36\" fill=\"#555\">%s</text>\n", wide*i, left, c.title, left, c.unit)
		last := len(c.points) - 1
		least, most := c.points[0].y, c.points[0].y
		for _, p := range c.points {
			least, most = min(least, p.y), max(most, p.y)
		}
		low, up := math.Floor(math.Log10(least)), math.Ceil(math.Log10(most))
		up = max(up, low+1)
		x := func(v float64) float64 {
			return left + plot*math.Log(v/c.points[0].x)/math.Log(c.points[last].x/c.points[0].x)
		}
		y := func(v float64) float64 { return top + deep*(up-math.Log10(v))/(up-low) }
		for e := low; e <= up; e++ {
			v := math.Pow(10, e)
			fmt.Fprintf(&s, "<path d=\"M%d %.0fh%d\" stroke=\"#ddd\"/><text x=\"%d\" y=\"%.0f\" text-anchor=\"end\">%g</text>\n", left, y(v), plot, left-6, y(v)+4, v)
		}
		var line strings.Builder
		for k, p := range c.points {
			fmt.Fprintf(&line, "%c%.1f %.1f", "ML"[min(k, 1)], x(p.x), y(p.y))
			fmt.Fprintf(&s, "<text x=\"%.0f\" y=\"%d\" text-anchor=\"middle\">%g</text><circle cx=\"%.1f\" cy=\"%.1f\" r=\"3\" fill=\"#06c\"><title>%g %s: %.3g %s</title></circle>\n",
				x(p.x), top+deep+18, p.x, x(p.x), y(p.y), p.x, c.over, p.y, c.unit)
		}
		fmt.Fprintf(&s, "<path d=\"%s\" fill=\"none\" stroke=\"#06c\" stroke-width=\"1.5\"/>\n<text x=\"%d\" y=\"%d\" text-anchor=\"middle\" fill=\"#555\">%s</text>\n</g>\n", line.String(), left+plot/2, top+deep+38, c.over)
	}
	return s.String() + "</svg>\n"
}
