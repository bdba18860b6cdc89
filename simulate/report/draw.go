// Package report shows plans and outages: as a drawing for a terminal, as the
// documented JSON, and as SVG. It must never decide or work out anything about
// the room; it is given figures and draws them.
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

// Kind is what a host does during a part of its bar.
type Kind uint8

const (
	IsUp       Kind = iota + 1
	IsStopping      // asked, its allowance or its real time running
	IsStarting
	WasCut // its power went while it was up: drawn as one mark
)

// Span is a part of a host's bar.
type Span struct {
	From, To time.Duration
	Kind     Kind
}

// Bar is one host's line.
type Bar struct {
	Name  string
	More  int    // hosts that the row stands for besides
	Note  string // right of the name: its priority
	Spans []Span
	Right string // right of the bar
}

// Point is a battery at a time: the part of its store left at the load then.
type Point struct {
	At   time.Duration
	Left float64 // 0 to 1
}

// Curve is one battery's line under the bars.
type Curve struct {
	Name   string
	Low    []Point
	Likely []Point // may be empty
	Right  string
}

// Mark is a moment worth a line: the point of no return, input lost or back.
type Mark struct {
	At    time.Duration
	Label string
}

// Chart is a whole drawing.
type Chart struct {
	Title  string
	Length time.Duration // of the time axis
	Bars   []Bar
	Curves []Curve
	Marks  []Mark
}

// Style is how a terminal is drawn to.
type Style struct {
	Width int  // columns; 80 when 0
	Color bool // only on a terminal
	ASCII bool // where the terminal has no other letters
}

// glyphs of the two alphabets: up, stopping, starting, cut, mark, and the
// battery's eighths from empty to full.
var glyphs = [2][]string{
	{"█", "▒", "░", "✗", "│", " ", "▁", "▂", "▃", "▄", "▅", "▆", "▇", "█"},
	{"#", "=", "-", "X", "|", " ", ".", ".", ":", ":", "+", "+", "#", "#"},
}

const (
	red    = "31"
	yellow = "33"
	green  = "32"
	cyan   = "36"
	faint  = "2"
	bold   = "1"
)

func (s Style) paint(code, text string) string {
	if !s.Color || text == "" {
		return text
	}
	return "\x1b[" + code + "m" + text + "\x1b[0m"
}

func (s Style) glyph(i int) string {
	if s.ASCII {
		return glyphs[1][i]
	}
	return glyphs[0][i]
}

// Draw draws a chart for a terminal.
func Draw(w io.Writer, c *Chart, s Style) {
	width := s.Width
	if width <= 0 {
		width = 80
	}
	left, right := 4, 0
	for i := range c.Bars {
		left = max(left, utf8.RuneCountInString(c.Bars[i].Name)+1+utf8.RuneCountInString(c.Bars[i].Note))
		right = max(right, utf8.RuneCountInString(c.Bars[i].Right))
	}
	for i := range c.Curves {
		left = max(left, utf8.RuneCountInString(c.Curves[i].Name))
		right = max(right, utf8.RuneCountInString(c.Curves[i].Right))
	}
	left = min(left, 24)
	plot := width - left - 2
	if right > 0 {
		plot -= right + 1
	}
	if plot < 20 { // too narrow for the words at the right: they go
		plot, right = max(10, width-left-2), 0
	}
	d := &drawing{w: w, c: c, s: s, left: left, plot: plot, right: right}
	if c.Title != "" {
		fmt.Fprintln(w, s.paint(bold, c.Title))
	}
	d.axis()
	for i := range c.Bars {
		d.bar(&c.Bars[i])
	}
	for i := range c.Curves {
		d.curve(&c.Curves[i])
	}
	d.marks()
}

type drawing struct {
	w                 io.Writer
	c                 *Chart
	s                 Style
	left, plot, right int
}

func (d *drawing) column(t time.Duration) int {
	if d.c.Length <= 0 {
		return 0
	}
	return int(float64(t) / float64(d.c.Length) * float64(d.plot))
}

func (d *drawing) line(left, mid, right string) {
	pad := d.left - utf8.RuneCountInString(left)
	if pad < 0 {
		left, pad = string([]rune(left)[:d.left-1])+"~", 0
	}
	text := left + strings.Repeat(" ", pad) + "  " + mid
	if d.right > 0 && right != "" {
		text += " " + right
	}
	fmt.Fprintln(d.w, strings.TrimRight(text, " "))
}

// axis writes the time scale: round steps, as many as fit.
func (d *drawing) axis() {
	row := []rune(strings.Repeat(" ", d.plot))
	step := Step(d.c.Length, d.plot/9)
	for t := time.Duration(0); t <= d.c.Length; t += step {
		label := []rune(Short(t))
		at := d.column(t)
		if at+len(label) > d.plot {
			break
		}
		copy(row[at:], label)
	}
	d.line("", d.s.paint(faint, string(row)), "")
}

// Step is a round distance of scale marks, so that not more than n fit.
func Step(length time.Duration, n int) time.Duration {
	for _, s := range []time.Duration{time.Second, 2 * time.Second, 5 * time.Second, 10 * time.Second, 20 * time.Second, 30 * time.Second,
		time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute,
		time.Hour, 2 * time.Hour, 4 * time.Hour, 6 * time.Hour, 12 * time.Hour, 24 * time.Hour, 48 * time.Hour} {
		if n > 0 && length/s <= time.Duration(n) {
			return s
		}
	}
	return max(7*24*time.Hour, length)
}

// Short writes a duration for a scale: "90s", "5m", "1h30m".
func Short(d time.Duration) string {
	switch {
	case d < 2*time.Minute && d%time.Minute != 0:
		return fmt.Sprintf("%ds", d/time.Second)
	case d < time.Hour && d%time.Minute != 0:
		return fmt.Sprintf("%dm%02ds", d/time.Minute, d/time.Second%60)
	case d < time.Hour:
		return fmt.Sprintf("%dm", d/time.Minute)
	case d%time.Hour == 0:
		return fmt.Sprintf("%dh", d/time.Hour)
	}
	return fmt.Sprintf("%dh%02dm", d/time.Hour, d/time.Minute%60)
}

func (d *drawing) bar(b *Bar) {
	cells := make([]Kind, d.plot)
	for _, sp := range b.Spans {
		from, to := d.column(sp.From), d.column(sp.To)
		if sp.Kind == WasCut || to <= from {
			to = from + 1 // a stop too short for a column is drawn all the same
		}
		for i := max(0, from); i < min(to, d.plot); i++ {
			cells[i] = max(cells[i], sp.Kind)
		}
	}
	var mid strings.Builder
	for i := 0; i < d.plot; {
		j := i
		for j < d.plot && cells[j] == cells[i] {
			j++
		}
		mid.WriteString(d.cells(cells[i], i, j))
		i = j
	}
	note := strings.Repeat(" ", max(1, d.left-utf8.RuneCountInString(b.Name)-utf8.RuneCountInString(b.Note))) + b.Note
	d.line(b.Name+note, mid.String(), b.Right)
}

func (d *drawing) cells(k Kind, from, to int) string {
	switch k {
	case IsUp:
		return d.s.paint(green, strings.Repeat(d.s.glyph(0), to-from))
	case IsStopping:
		return d.s.paint(yellow, strings.Repeat(d.s.glyph(1), to-from))
	case IsStarting:
		return d.s.paint(cyan, strings.Repeat(d.s.glyph(2), to-from))
	case WasCut:
		return d.s.paint(red, strings.Repeat(d.s.glyph(3), to-from))
	}
	var b strings.Builder
	for i := from; i < to; i++ {
		b.WriteString(d.blank(i))
	}
	return b.String()
}

// blank is an empty cell: a mark's line where one runs.
func (d *drawing) blank(col int) string {
	for i := range d.c.Marks {
		if d.column(d.c.Marks[i].At) == col {
			return d.s.paint(faint, d.s.glyph(4))
		}
	}
	return " "
}

const rows = 4 // of a battery's curve

// curve draws what is left of a battery: the low projection filled, the likely
// one as a line above it.
func (d *drawing) curve(cv *Curve) {
	low, likely := d.sample(cv.Low), d.sample(cv.Likely)
	for r := rows - 1; r >= 0; r-- {
		var mid strings.Builder
		for i := range d.plot {
			fill := low[i]*rows - float64(r)
			line := likely[i]*rows - float64(r)
			switch {
			case fill > 0:
				mid.WriteString(d.s.paint(cyan, d.s.glyph(5+int(math.Ceil(min(fill, 1)*8)))))
			case len(cv.Likely) > 0 && line > 0 && line <= 1:
				mid.WriteString(d.s.paint(faint, "·"))
			default:
				mid.WriteString(d.blank(i))
			}
		}
		name, right := "", ""
		switch r {
		case rows - 1:
			name, right = cv.Name, cv.Right
		case 0:
			name = "  0 %"
		}
		if d.s.ASCII {
			d.line(name, strings.ReplaceAll(mid.String(), "·", "'"), right)
		} else {
			d.line(name, mid.String(), right)
		}
	}
}

// sample gives a curve's value in the middle of each column; after its last
// point it is zero.
func (d *drawing) sample(p []Point) []float64 {
	out := make([]float64, d.plot)
	if len(p) == 0 {
		return out
	}
	j := 0
	for i := range out {
		t := time.Duration((float64(i) + 0.5) / float64(d.plot) * float64(d.c.Length))
		for j+1 < len(p) && p[j+1].At <= t {
			j++
		}
		switch {
		case j+1 < len(p) && p[j+1].At > p[j].At:
			f := float64(t-p[j].At) / float64(p[j+1].At-p[j].At)
			out[i] = p[j].Left + max(0, f)*(p[j+1].Left-p[j].Left)
		case t <= p[len(p)-1].At:
			out[i] = p[j].Left
		}
		out[i] = min(1, max(0, out[i]))
	}
	return out
}

// marks writes the marks' labels under the drawing, each at its column, on as
// many lines as it takes.
func (d *drawing) marks() {
	for i := range d.c.Marks {
		m := &d.c.Marks[i]
		col := min(d.column(m.At), d.plot-1)
		label := fmt.Sprintf("%s %s", m.Label, shutdown.Spell(m.At))
		n := utf8.RuneCountInString(label)
		text := strings.Repeat(" ", max(0, col)) + d.s.glyph(4) + " " + label
		if col+2+n > d.plot+d.right && col-n-1 >= 0 {
			text = strings.Repeat(" ", col-n-1) + label + " " + d.s.glyph(4)
		}
		d.line("", d.s.paint(faint, text), "")
	}
}
