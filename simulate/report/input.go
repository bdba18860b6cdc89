package report

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"
)

// InputPoint is one event over the tolerance curve.
type InputPoint struct {
	Length  time.Duration
	Percent float64
	Outside bool
	Label   string
}

// CurveStep is a step of the curve: the limit in percent for events longer than
// From and up to To, in seconds; To 0 for no end.
type CurveStep struct{ From, To, Percent float64 }

// Input is what is drawn of an input: its events over a tolerance curve, and its
// worst hour.
type Input struct {
	Points       []InputPoint
	Lower, Upper []CurveStep
	Hour         string    // when it was; "" for none
	Low, High    []float64 // by minute, in percent; NaN where nothing is known
}

// The axes: lengths from a millisecond to about three hours, by decades.
const (
	shortestEvent = -3.0
	longestEvent  = 4.0
	highestEvent  = 140.0
)

var decades = []string{"1 ms", "10 ms", "100 ms", "1 s", "10 s", "100 s", "1000 s", "3 h"}

func eventAt(d time.Duration) float64 {
	return min(1, max(0, (math.Log10(max(d.Seconds(), 1e-9))-shortestEvent)/(longestEvent-shortestEvent)))
}

func level(steps []CurveStep, part float64) (float64, bool) {
	s := math.Pow(10, shortestEvent+part*(longestEvent-shortestEvent))
	for _, step := range steps {
		if s > step.From && (step.To == 0 || s <= step.To) {
			return step.Percent, true
		}
	}
	return 0, false
}

// inputGlyphs of the two alphabets: curve, event inside, event outside, the hour's
// band, and the 90 and 110 % lines.
var inputGlyphs = [2][]string{{"·", "●", "✗", "█", "┈"}, {".", "o", "X", "#", "-"}}

func (s Style) inputGlyph(i int) string {
	if s.ASCII {
		return inputGlyphs[1][i]
	}
	return inputGlyphs[0][i]
}

// DrawInput draws it for a terminal.
func DrawInput(w io.Writer, in *Input, s Style) {
	width := s.Width
	if width <= 0 {
		width = 80
	}
	columns := max(30, min(72, width-8))
	const rows = 15
	grid := make([][]string, rows)
	for r := range grid {
		grid[r] = strings.Split(strings.Repeat(" ", columns), "")
	}
	row := func(percent float64) int {
		return min(rows-1, max(0, int(math.Round((highestEvent-percent)/highestEvent*(rows-1)))))
	}
	for c := range columns {
		part := (float64(c) + 0.5) / float64(columns)
		for _, curve := range [][]CurveStep{in.Lower, in.Upper} {
			if p, ok := level(curve, part); ok && p <= highestEvent {
				grid[row(p)][c] = s.paint(faint, s.inputGlyph(0))
			}
		}
	}
	in.drawPoints(grid, row, s)
	for r := range grid {
		label := ""
		if p := highestEvent * float64(rows-1-r) / (rows - 1); math.Mod(p, 20) == 0 {
			label = fmt.Sprintf("%.0f %%", p)
		}
		fmt.Fprintln(w, strings.TrimRight(fmt.Sprintf("%6s %s", label, strings.Join(grid[r], "")), " "))
	}
	axis := []rune(strings.Repeat(" ", columns))
	for i, name := range decades {
		at := i * columns / (len(decades) - 1)
		at = min(at, columns-len(name))
		copy(axis[at:], []rune(name))
	}
	fmt.Fprintf(w, "       %s\n", string(axis))
	fmt.Fprintf(w, "%s ITIC curve; %s event inside, %s outside; a digit is so many in one place\n", s.inputGlyph(0), s.inputGlyph(1), s.inputGlyph(2))
	in.drawHour(w, s)
}

// drawPoints puts the events on the grid, those outside on top.
func (in *Input) drawPoints(grid [][]string, row func(float64) int, s Style) {
	columns := len(grid[0])
	count := map[[2]int]int{}
	for _, outside := range []bool{false, true} {
		for i := range in.Points {
			p := &in.Points[i]
			if p.Outside != outside {
				continue
			}
			at := [2]int{row(p.Percent), min(columns-1, int(eventAt(p.Length)*float64(columns)))}
			count[at]++
			mark := s.inputGlyph(1)
			if outside {
				mark = s.inputGlyph(2)
			}
			if n := count[at]; n > 9 {
				mark = "+"
			} else if n > 1 {
				mark = fmt.Sprint(n)
			}
			color := green
			if outside {
				color = red
			}
			grid[at[0]][at[1]] = s.paint(color, mark)
		}
	}
}

// bounds of the hour's axis: all of it, in tens.
func (in *Input) bounds() (low, high float64) {
	low, high = 90, 110
	for i := range in.Low {
		if !math.IsNaN(in.Low[i]) {
			low, high = min(low, math.Floor(in.Low[i]/10)*10), max(high, math.Ceil(in.High[i]/10)*10)
		}
	}
	return low, high
}

func (in *Input) drawHour(w io.Writer, s Style) {
	if in.Hour == "" {
		return
	}
	low, high := in.bounds()
	step := 2.0
	for _, wider := range []float64{5, 10, 20, 50} {
		if high-low > 10*step {
			step = wider
		}
	}
	low = math.Floor(low/step) * step
	rows := int(math.Ceil((high - low) / step))
	fmt.Fprintf(w, "\nThe worst hour, %s: lowest to highest in each minute\n", in.Hour)
	for r := range rows {
		top, bottom := high-step*float64(r), high-step*float64(r+1)
		var line strings.Builder
		for i := range in.Low {
			switch {
			case math.IsNaN(in.Low[i]):
				line.WriteString(" ")
			case in.Low[i] <= top && in.High[i] >= bottom:
				color := green
				if in.Low[i] < 90 && bottom < 90 || in.High[i] > 110 && top > 110 {
					color = red
				}
				line.WriteString(s.paint(color, s.inputGlyph(3)))
			case 90 <= top && 90 > bottom || 110 < top && 110 >= bottom:
				line.WriteString(s.paint(faint, s.inputGlyph(4)))
			default:
				line.WriteString(" ")
			}
		}
		fmt.Fprintln(w, strings.TrimRight(fmt.Sprintf("%4.0f %% %s", top, line.String()), " "))
	}
	fmt.Fprintf(w, "%4.0f %% 0 min%49s\n", low, "60")
}

const inputColours = `<style>text{font:13px sans-serif;fill:#222}.t{font-weight:bold;font-size:15px}.n{fill:#666}.a{stroke:#999}.g{stroke:#ddd}.c{fill:none;stroke:#37474f;stroke-width:2}` +
	`.i{fill:#2e7d32;fill-opacity:.7}.o{fill:#c62828;fill-opacity:.7}.l{stroke:#c62828;stroke-dasharray:4 3}.h{fill:#1565c0}` +
	`@media(prefers-color-scheme:dark){svg{background:#16191c}text{fill:#eee}.n{fill:#aaa}.g{stroke:#333}.c{stroke:#b0bec5}.i{fill:#81c784}.o{fill:#ef9a9a}.h{fill:#90caf9}}</style>`

// InputSVG draws the same as one file that stands alone.
func InputSVG(w io.Writer, in *Input) error {
	const left, top, plot, height, hour = 60, 40, chartWidth - 90, 300, 140
	total := top + height + 50
	if in.Hour != "" {
		total += hour + 60
	}
	s := newSVG("input", chartWidth, total, "The input: events over the ITIC curve", "Each sag, swell and interruption by its length and its voltage in percent of nominal; then the lowest and highest voltage in each minute of the worst hour.")
	s.WriteString(inputColours)
	s.text("t", "start", 10, 22, "Events over the ITIC (CBEMA) curve")
	x := func(part float64) int { return left + int(math.Round(part*plot)) }
	y := func(percent float64) int {
		return top + int(math.Round((highestEvent-max(0, min(highestEvent, percent)))/highestEvent*height))
	}
	for p := 0.0; p <= highestEvent; p += 20 {
		s.line("g", left, y(p), left+plot, y(p))
		s.text("n", "end", left-6, y(p)+4, fmt.Sprintf("%.0f %%", p))
	}
	for i, name := range decades {
		at := x(float64(i) / float64(len(decades)-1))
		s.line("g", at, top, at, top+height)
		s.text("n", "middle", at, top+height+18, name)
	}
	for _, curve := range [][]CurveStep{in.Lower, in.Upper} {
		var line []xy
		for _, step := range curve {
			to := 1.0
			if step.To > 0 {
				to = (math.Log10(step.To) - shortestEvent) / (longestEvent - shortestEvent)
			}
			from := 0.0
			if step.From > 0 {
				from = max(0, (math.Log10(step.From)-shortestEvent)/(longestEvent-shortestEvent))
			}
			if to > 0 {
				line = append(line, xy{x(from), y(step.Percent)}, xy{x(to), y(step.Percent)})
			}
		}
		s.path("c", line, false)
	}
	for i := range in.Points {
		p := &in.Points[i]
		class := "i"
		if p.Outside {
			class = "o"
		}
		s.dot(class, x(eventAt(p.Length)), y(p.Percent), 5, p.Label)
	}
	if in.Hour != "" {
		in.svgHour(s, top+height+60, left, plot, hour)
	}
	s.text("n", "start", 10, total-8, "green: inside the curve, red: outside; advice from measured data, not an electrical inspection")
	_, err := io.WriteString(w, s.String()+"</svg>\n")
	return err
}

func (in *Input) svgHour(s *svg, top, left, plot, height int) {
	low, high := in.bounds()
	y := func(percent float64) int { return top + int(math.Round((high-percent)/(high-low)*float64(height))) }
	s.text("t", "start", 10, top-12, "The worst hour, "+in.Hour)
	for p := low; p <= high; p += max(10, math.Ceil((high-low)/60)*10) {
		s.line("g", left, y(p), left+plot, y(p))
		s.text("n", "end", left-6, y(p)+4, fmt.Sprintf("%.0f %%", p))
	}
	for i := range in.Low {
		if !math.IsNaN(in.Low[i]) {
			a := left + i*plot/len(in.Low)
			s.rect("h", a, y(in.High[i])-1, left+(i+1)*plot/len(in.Low)-a, max(2, y(in.Low[i])-y(in.High[i])+2))
		}
	}
	for _, p := range []float64{90, 110} {
		s.line("l", left, y(p), left+plot, y(p))
	}
	s.text("n", "start", left, top+height+18, "0 min")
	s.text("n", "end", left+plot, top+height+18, "60 min")
}
