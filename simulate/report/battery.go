package report

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"ebbline/shutdown"
)

// Discharge is one measured discharge beside what was predicted of it.
type Discharge struct {
	Label             string // when, what, at which load
	Low, Likely, High time.Duration
	Measured          time.Duration
	AtLeast           bool // it was cut short: the battery holds at least so long
	Right             string
}

// Capacity is what a test found, in percent of a new battery's.
type Capacity struct {
	Day     int64 // since 1970-01-01
	Percent float64
}

// Battery is what is drawn of one UPS's battery.
type Battery struct {
	Name       string
	Discharges []Discharge
	Tests      []Capacity // by day
	Limit      float64    // percent at which it is to be replaced
	Falls      *Capacity  // when it comes down to the limit, probably; nil when nobody can tell
}

// glyphs of the two alphabets: range, likely, measured, at least, and the limit.
var batteryGlyphs = [2][]string{{"░", "│", "●", "▶", "┈"}, {"-", "|", "o", ">", "."}}

func (s Style) batteryGlyph(i int) string {
	if s.ASCII {
		return batteryGlyphs[1][i]
	}
	return batteryGlyphs[0][i]
}

// longest is the end of the axis of times.
func (b *Battery) longest() time.Duration {
	d := time.Minute
	for _, x := range b.Discharges {
		d = max(d, x.High, x.Measured)
	}
	return d
}

// DrawBattery draws the discharges, and the tests' capacities over the years, for
// a terminal.
func DrawBattery(w io.Writer, b *Battery, s Style) {
	if len(b.Discharges) == 0 {
		return
	}
	width := s.Width
	if width <= 0 {
		width = 80
	}
	left, right := 0, 0
	for i := range b.Discharges {
		left = max(left, utf8.RuneCountInString(b.Discharges[i].Label))
		right = max(right, utf8.RuneCountInString(b.Discharges[i].Right))
	}
	columns := max(10, min(60, width-left-right-2))
	end := b.longest()
	at := func(d time.Duration) int {
		return min(columns-1, int(math.Round(float64(columns-1)*d.Seconds()/end.Seconds())))
	}
	for i := range b.Discharges {
		x := &b.Discharges[i]
		cells := make([]string, columns)
		for c := range cells {
			cells[c] = " "
			if x.High > 0 && c >= at(x.Low) && c <= at(x.High) {
				cells[c] = s.paint(faint, s.batteryGlyph(0))
			}
		}
		if x.High > 0 {
			cells[at(x.Likely)] = s.paint(cyan, s.batteryGlyph(1))
		}
		mark, color := s.batteryGlyph(2), green
		if x.AtLeast {
			mark = s.batteryGlyph(3)
		} else if x.Measured < x.Low {
			color = red
		}
		cells[at(x.Measured)] = s.paint(color, mark)
		fmt.Fprintf(w, "%s%s %s %s\n", x.Label, strings.Repeat(" ", left-utf8.RuneCountInString(x.Label)), strings.Join(cells, ""), x.Right)
	}
	last := shutdown.Spell(end)
	fmt.Fprintf(w, "%*s 0%*s\n", left, "", columns-1, last)
	fmt.Fprintf(w, "%s predicted, low to high; %s likely; %s measured, %s at least\n", s.batteryGlyph(0), s.batteryGlyph(1), s.batteryGlyph(2), s.batteryGlyph(3))
	if len(b.Tests) > 1 {
		fmt.Fprintln(w)
		b.drawTrend(w, s, width)
	}
}

// span is the axes of the trend: days and percent.
func (b *Battery) span() (from, to int64, low, high float64) {
	from, to = b.Tests[0].Day, b.Tests[len(b.Tests)-1].Day
	low, high = b.Limit, 100
	for _, t := range b.Tests {
		low, high = min(low, t.Percent), max(high, t.Percent)
	}
	if f := b.Falls; f != nil && f.Day > to && f.Day-from < 4*(to-from)+366 {
		to = f.Day
	}
	return from, max(to, from+1), math.Floor(low/10) * 10, math.Ceil(high/10) * 10
}

func (b *Battery) drawTrend(w io.Writer, s Style, width int) {
	const rows = 7
	from, to, low, high := b.span()
	columns := min(72, width-8)
	grid := make([][]string, rows)
	row := func(percent float64) int {
		return min(rows-1, max(0, int(math.Round((high-percent)/(high-low)*(rows-1)))))
	}
	column := func(day int64) int { return int((day - from) * int64(columns-1) / (to - from)) }
	for r := range grid {
		grid[r] = make([]string, columns)
		for c := range grid[r] {
			grid[r][c] = " "
			if r == row(b.Limit) {
				grid[r][c] = s.paint(faint, s.batteryGlyph(4))
			}
		}
	}
	if f := b.Falls; f != nil && f.Day >= from && f.Day <= to {
		grid[row(f.Percent)][column(f.Day)] = s.paint(yellow, "?")
	}
	for _, t := range b.Tests {
		color := green
		if t.Percent < b.Limit {
			color = red
		}
		grid[row(t.Percent)][column(t.Day)] = s.paint(color, s.batteryGlyph(2))
	}
	for r := range grid {
		label := ""
		if r == 0 || r == rows-1 || r == row(b.Limit) {
			label = fmt.Sprintf("%.0f %%", high-(high-low)*float64(r)/(rows-1))
		}
		if r == row(b.Limit) {
			label = fmt.Sprintf("%.0f %%", b.Limit)
		}
		fmt.Fprintln(w, strings.TrimRight(fmt.Sprintf("%6s %s", label, strings.Join(grid[r], "")), " "))
	}
	fmt.Fprintf(w, "       %s%*s\n", Date(from), columns-10, Date(to))
	fmt.Fprintf(w, "%s capacity found; %s to be replaced below", s.batteryGlyph(2), s.batteryGlyph(4))
	if b.Falls != nil {
		fmt.Fprint(w, "; ? when that is, probably")
	}
	fmt.Fprintln(w)
}

// Date writes a day.
func Date(day int64) string { return time.Unix(day*86400, 0).UTC().Format("2006-01-02") }

// batteryColours are those of a drawing that stands alone.
const batteryColours = `<style>text{font:13px sans-serif;fill:#222}.t{font-weight:bold;font-size:15px}.n{fill:#666}.r{fill:#cfd8dc}.l{stroke:#37474f;stroke-width:2}` +
	`.m{fill:#2e7d32}.b{fill:#c62828}.a{stroke:#999}.g{stroke:#c62828;stroke-dasharray:4 3}.p{fill:none;stroke:#2e7d32;stroke-width:2}` +
	`@media(prefers-color-scheme:dark){svg{background:#16191c}text{fill:#eee}.n{fill:#aaa}.r{fill:#455a64}.l{stroke:#b0bec5}.m{fill:#81c784}.b{fill:#ef9a9a}.a{stroke:#777}.p{stroke:#81c784}}</style>`

const (
	batteryLabel = 230
	batteryRight = 150
	batteryPlot  = chartWidth - batteryLabel - batteryRight
	trendHeight  = 150
)

// BatterySVG draws the same as one file that stands alone.
func BatterySVG(w io.Writer, list []Battery) error {
	height := 30
	for i := range list {
		height += 60 + rowHeight*len(list[i].Discharges)
		if len(list[i].Tests) > 1 {
			height += trendHeight + 50
		}
	}
	s := newSVG("battery", chartWidth, height, "Batteries: predicted against measured", "Each discharge test and outage: the predicted range of its length and what was measured; then the capacity found by each test.")
	s.WriteString(batteryColours)
	y := 10
	for i := range list {
		y = list[i].svg(s, y)
	}
	s.text("n", "start", 10, height-8, "band: predicted, low to high; line: likely; dot: measured; triangle: at least; dashes: to be replaced below")
	_, err := io.WriteString(w, s.String()+"</svg>\n")
	return err
}

func (b *Battery) svg(s *svg, y int) int {
	s.text("t", "start", 10, y+16, "UPS "+clip(b.Name, 40))
	y += 28
	end := b.longest()
	x := func(d time.Duration) int {
		return batteryLabel + int(math.Round(batteryPlot*min(1, d.Seconds()/end.Seconds())))
	}
	for i := range b.Discharges {
		d := &b.Discharges[i]
		s.text("n", "start", 10, y+15, d.Label)
		if d.High > 0 {
			s.rect("r", x(d.Low), y+4, max(1, x(d.High)-x(d.Low)), barHeight)
			s.line("l", x(d.Likely), y+2, x(d.Likely), y+barHeight+6)
		}
		class := "m"
		if d.Measured < d.Low && !d.AtLeast {
			class = "b"
		}
		at, mid := x(d.Measured), y+4+barHeight/2
		if d.AtLeast {
			s.path(class, []xy{{at - 4, mid - 6}, {at + 6, mid}, {at - 4, mid + 6}}, true)
		} else {
			s.dot(class, at, mid, 6, "measured "+shutdown.Spell(d.Measured))
		}
		s.text("", "start", chartWidth-batteryRight+10, y+15, d.Right)
		y += rowHeight
	}
	s.line("a", batteryLabel, y, batteryLabel+batteryPlot, y)
	s.text("n", "start", batteryLabel, y+16, "0")
	s.text("n", "end", batteryLabel+batteryPlot, y+16, shutdown.Spell(end))
	y += 32
	if len(b.Tests) > 1 {
		y = b.svgTrend(s, y)
	}
	return y
}

func (b *Battery) svgTrend(s *svg, y int) int {
	from, to, low, high := b.span()
	y += 10
	x := func(day int64) int { return 60 + int((day-from)*(chartWidth-90)/(to-from)) }
	at := func(percent float64) int { return y + int(math.Round((high-percent)/(high-low)*trendHeight)) }
	for p := low; p <= high; p += 10 {
		s.line("a", 55, at(p), 60, at(p))
		s.text("n", "end", 50, at(p)+4, fmt.Sprintf("%.0f %%", p))
	}
	s.line("g", 60, at(b.Limit), chartWidth-30, at(b.Limit))
	var line []xy
	for _, t := range b.Tests {
		line = append(line, xy{x(t.Day), at(t.Percent)})
	}
	s.path("p", line, false)
	for _, t := range b.Tests {
		s.dot("m", x(t.Day), at(t.Percent), 5, fmt.Sprintf("%s: %.0f %%", Date(t.Day), t.Percent))
	}
	if f := b.Falls; f != nil && f.Day >= from && f.Day <= to {
		s.text("", "middle", x(f.Day), at(f.Percent)-6, "?")
	}
	s.text("n", "start", 60, y+trendHeight+20, Date(from))
	s.text("n", "end", chartWidth-30, y+trendHeight+20, Date(to))
	return y + trendHeight + 40
}
