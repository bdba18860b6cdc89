package report

import (
	"fmt"
	"html"
	"html/template"
	"strings"
	"time"
	"unicode/utf8"

	"ebbline/shutdown"
)

// svg is a drawing under way. Coordinates are whole numbers, so that the same
// figures give the same bytes. Colours are classes: the page has them, for
// light, dark and paper.
type svg struct {
	strings.Builder
	width, height int
}

// newSVG begins a drawing that says what it shows: a title, and a description
// for those who cannot see it.
func newSVG(id string, width, height int, title, desc string) *svg {
	s := &svg{width: width, height: height}
	fmt.Fprintf(s, `<svg viewBox="0 0 %d %d" role="img" aria-labelledby="%s-title %s-desc" xmlns="http://www.w3.org/2000/svg">`, width, height, id, id)
	fmt.Fprintf(s, `<title id="%s-title">%s</title><desc id="%s-desc">%s</desc>`, id, html.EscapeString(title), id, html.EscapeString(desc))
	return s
}

func (s *svg) html() template.HTML { return template.HTML(s.String() + "</svg>") }

func (s *svg) rect(class string, x, y, w, h int) {
	fmt.Fprintf(s, `<rect class="%s" x="%d" y="%d" width="%d" height="%d"/>`, class, x, y, w, h)
}

func (s *svg) line(class string, x1, y1, x2, y2 int) {
	fmt.Fprintf(s, `<line class="%s" x1="%d" y1="%d" x2="%d" y2="%d"/>`, class, x1, y1, x2, y2)
}

// text writes at a point: anchor is start, middle or end.
func (s *svg) text(class, anchor string, x, y int, text string) {
	fmt.Fprintf(s, `<text class="%s" text-anchor="%s" x="%d" y="%d">%s</text>`, class, anchor, x, y, html.EscapeString(text))
}

// dot is a point that says what it is when it is pointed at.
func (s *svg) dot(class string, x, y, r int, title string) {
	fmt.Fprintf(s, `<circle class="%s" cx="%d" cy="%d" r="%d"><title>%s</title></circle>`, class, x, y, r, html.EscapeString(title))
}

type xy struct{ x, y int }

func (s *svg) path(class string, points []xy, closed bool) {
	if len(points) == 0 {
		return
	}
	fmt.Fprintf(s, `<path class="%s" d="`, class)
	for i, p := range points {
		fmt.Fprintf(s, "%c%d %d", "ML"[min(i, 1)], p.x, p.y)
	}
	if closed {
		s.WriteString("Z")
	}
	s.WriteString(`"/>`)
}

// hatch defines the pattern of a stopping host, so that it differs from an up
// one without colour.
func (s *svg) hatch(id string) {
	fmt.Fprintf(s, `<defs><pattern id="%s" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">`+
		`<rect class="hatch" x="0" y="0" width="3" height="6"/></pattern></defs>`, id)
}

// clip cuts a name to so many letters.
func clip(name string, letters int) string {
	if utf8.RuneCountInString(name) <= letters {
		return name
	}
	return string([]rune(name)[:letters-1]) + "…"
}

// Measures of a timeline, in its own units.
const (
	chartWidth  = 760
	chartLeft   = 150
	chartRight  = 120
	chartPlot   = chartWidth - chartLeft - chartRight
	axisHeight  = 28
	rowHeight   = 26
	barHeight   = 16
	curveHeight = 96
	markHeight  = 20
	manyBars    = 40 // more than these are drawn closer together
	narrowRow   = 17
	scaleHeight = 22
)

// timeline draws the hosts' bars over the batteries' curves on one scale of time.
type timeline struct {
	*svg
	t   *Timeline
	id  string
	row int // height of a host's
}

// drawTimeline draws a timeline. The id makes its parts' names its own on the
// page.
func drawTimeline(id string, t *Timeline) template.HTML {
	row := rowHeight
	if len(t.Bars) > manyBars {
		row = narrowRow
	}
	height := axisHeight + len(t.Bars)*row + max(0, len(t.Bars)-1)/manyBars*scaleHeight + len(t.Bands)*curveHeight + len(t.Marks)*markHeight + 8
	d := &timeline{newSVG(id, chartWidth, height, t.Title, t.words()), t, id, row}
	d.hatch(id + "-hatch")
	d.axis(height)
	y := axisHeight
	for i := range t.Bars {
		if i > 0 && i%manyBars == 0 {
			d.scale(y + scaleHeight - 4) // the one at the top is out of sight
			y += scaleHeight
		}
		d.bar(y, &t.Bars[i])
		y += row
	}
	for i := range t.Bands {
		d.band(y, &t.Bands[i])
		y += curveHeight
	}
	for i := range t.Marks {
		d.mark(y, &t.Marks[i])
		y += markHeight
	}
	return d.html()
}

// words says what a timeline shows.
func (t *Timeline) words() string {
	var b strings.Builder
	if len(t.Bars) > manyBars {
		return fmt.Sprintf("%d hosts; the table below says of each what is drawn.", len(t.Bars))
	}
	for i := range t.Bars {
		bar := &t.Bars[i]
		b.WriteString(bar.Name)
		if bar.More > 0 {
			fmt.Fprintf(&b, " and %d more", bar.More)
		}
		b.WriteByte(':')
		for _, s := range bar.Spans {
			switch s.Kind {
			case IsUp:
				fmt.Fprintf(&b, " up until %s,", t.time(s.To))
			case IsStopping:
				fmt.Fprintf(&b, " stopping until %s,", t.time(s.To))
			case IsStarting:
				fmt.Fprintf(&b, " starting from %s,", t.time(s.From))
			case WasCut:
				fmt.Fprintf(&b, " lost its power at %s,", t.time(s.From))
			}
		}
		b.WriteString(" " + bar.Right + ". ")
	}
	for i := range t.Bands {
		if band := &t.Bands[i]; len(band.Low) > 0 {
			last := band.Low[len(band.Low)-1]
			fmt.Fprintf(&b, "Battery of %s: %d percent left at %s. ", band.Name, int(last.Left*100), t.time(last.At))
		}
	}
	for i := range t.Marks {
		fmt.Fprintf(&b, "%s at %s. ", t.Marks[i].Label, t.time(t.Marks[i].At))
	}
	return strings.TrimSpace(b.String())
}

// time writes a time of the axis: the clock's where it has one.
func (t *Timeline) time(at time.Duration) string {
	if t.Zero.IsZero() {
		return shutdown.Spell(at)
	}
	return t.Zero.Add(at).Format(time.TimeOnly)
}

// x is a time's place.
func (d *timeline) x(t time.Duration) int {
	if d.t.Length <= 0 {
		return chartLeft
	}
	part := float64(max(0, min(t, d.t.Length))) / float64(d.t.Length)
	return chartLeft + int(part*chartPlot+0.5)
}

func (d *timeline) axis(height int) {
	d.ticks(func(t time.Duration) {
		d.line("grid", d.x(t), axisHeight-8, d.x(t), height-8)
		d.label(t, axisHeight-14)
	})
}

// scale writes the times of the axis.
func (d *timeline) scale(y int) {
	d.ticks(func(t time.Duration) { d.label(t, y) })
}

func (d *timeline) label(t time.Duration, y int) {
	text := Short(t)
	if !d.t.Zero.IsZero() {
		text = strings.TrimSuffix(d.t.time(t), ":00")
	}
	d.text("scale", "middle", d.x(t), y, text)
}

// ticks are at round distances, and on a clock at round times.
func (d *timeline) ticks(at func(t time.Duration)) {
	step := Step(d.t.Length, chartPlot/70)
	first := time.Duration(0)
	if z := d.t.Zero; !z.IsZero() {
		past := z.Sub(time.Date(z.Year(), z.Month(), z.Day(), 0, 0, 0, 0, z.Location()))
		first = (step - past%step) % step
	}
	for t := first; t <= d.t.Length; t += step {
		at(t)
	}
}

func (d *timeline) bar(y int, b *Bar) {
	mid, high := y+d.row/2+5, d.row*barHeight/rowHeight
	more := ""
	if b.More > 0 {
		more = fmt.Sprintf(" +%d", b.More)
	}
	d.text("name", "start", 4, mid, clip(b.Name, 15-len(more))+more)
	d.text("scale", "end", chartLeft-10, mid, b.Note)
	d.text("scale", "end", chartWidth-4, mid, b.Right)
	top := y + (d.row-high)/2
	for _, s := range b.Spans {
		from, to := d.x(s.From), max(d.x(s.From)+2, d.x(s.To))
		switch s.Kind {
		case IsUp:
			d.rect("up", from, top, to-from, high)
		case IsStopping:
			fmt.Fprintf(d, `<rect class="stopping" fill="url(#%s-hatch)" x="%d" y="%d" width="%d" height="%d"/>`, d.id, from, top, to-from, high)
		case IsStarting:
			d.rect("starting", from, top, to-from, high)
		case WasCut:
			d.line("cut", from-6, top+2, from+6, top+high-2)
			d.line("cut", from-6, top+high-2, from+6, top+2)
		}
	}
}

func (d *timeline) band(y int, b *Band) {
	top, bottom := y+10, y+curveHeight-14
	at := func(p Point) xy { return xy{d.x(p.At), bottom - int(max(0, min(p.Left, 1))*float64(bottom-top)+0.5)} }
	line := func(points []Point) []xy {
		var out []xy
		for _, p := range points {
			if q := at(p); len(out) == 0 || out[len(out)-1] != q {
				out = append(out, q)
			}
			if p.At >= d.t.Length {
				break
			}
		}
		return out
	}
	low, likely, high := line(b.Low), line(b.Likely), line(b.High)
	if len(low) > 0 && len(high) > 0 {
		area := append([]xy(nil), high...)
		area = append(area, xy{high[len(high)-1].x, low[len(low)-1].y}) // an empty one stays empty
		for i := len(low) - 1; i >= 0; i-- {
			area = append(area, low[i])
		}
		d.path("band", area, true)
	}
	d.line("grid", chartLeft, bottom, chartLeft+chartPlot, bottom)
	d.line("grid", chartLeft, top, chartLeft+chartPlot, top)
	d.path("likely", likely, false)
	d.path("low", low, false)
	d.text("name", "start", 4, top+14, clip(b.Name, 15))
	d.text("scale", "start", 4, top+32, b.Note)
	d.text("scale", "end", chartLeft-6, top+5, "100 %")
	d.text("scale", "end", chartLeft-6, bottom+5, "0 %")
	d.text("scale", "end", chartWidth-4, top+14, b.Right)
}

func (d *timeline) mark(y int, m *Mark) {
	x := d.x(m.At)
	d.line("mark", x, axisHeight-8, x, y+markHeight-6)
	label := fmt.Sprintf("%s %s", m.Label, d.t.time(m.At))
	if x > chartLeft+chartPlot/2 {
		d.text("marked", "end", x-6, y+markHeight-6, label)
	} else {
		d.text("marked", "start", x+6, y+markHeight-6, label)
	}
}

// Measures of a histogram.
const (
	histogramHeight = 220
	histogramTop    = 24
	histogramBottom = histogramHeight - 44
	histogramLeft   = 60
	histogramPlot   = chartWidth - histogramLeft - 16
)

// drawHistogram draws how many outages ended with which margin. A margin below
// zero is a host that lost its power.
func drawHistogram(bins []Bin) template.HTML {
	most, sum := 1, 0
	for _, b := range bins {
		most, sum = max(most, b.Count), sum+b.Count
	}
	title := fmt.Sprintf("In hand in %d outages", sum)
	desc := "How many outages ended with how much battery time to spare; the same figures stand in the table below."
	s := newSVG("margins", chartWidth, histogramHeight, title, desc)
	s.line("grid", histogramLeft, histogramTop, histogramLeft+histogramPlot, histogramTop)
	s.text("scale", "end", histogramLeft-6, histogramTop+5, fmt.Sprint(most))
	s.text("scale", "end", histogramLeft-6, histogramBottom+5, "0")
	every := max(1, (len(bins)*90+histogramPlot-1)/histogramPlot) // a label takes 90 units
	for i, b := range bins {
		x, next := histogramX(i, len(bins)), histogramX(i+1, len(bins))
		class := "up"
		if b.From < 0 {
			class = "lost"
		}
		if h := (b.Count*(histogramBottom-histogramTop) + most/2) / most; b.Count > 0 {
			s.rect(class, x+1, histogramBottom-max(h, 1), max(1, next-x-2), max(h, 1))
			if len(bins) <= 16 {
				s.text("scale", "middle", (x+next)/2, histogramBottom-max(h, 1)-5, fmt.Sprint(b.Count))
			}
		}
		if i%every == 0 {
			s.line("tick", x, histogramBottom, x, histogramBottom+5)
			s.text("scale", "middle", x, histogramBottom+20, Short(b.From))
		}
		if i == len(bins)-1 && b.To-b.From > bins[0].To-bins[0].From {
			s.text("scale", "end", next, histogramBottom+36, "and more")
		}
	}
	s.line("axis", histogramLeft, histogramBottom, histogramLeft+histogramPlot, histogramBottom)
	s.text("scale", "middle", histogramLeft+histogramPlot/2, histogramHeight-6, "battery time left when the last host was off")
	return s.html()
}

func histogramX(i, n int) int { return histogramLeft + histogramPlot*i/max(1, n) }

// drawShare draws a time as a part of the best there could be, with a tick at
// the least.
func drawShare(id string, h *HostRow) template.HTML {
	const width, height = 120, 14
	s := newSVG(id, width, height, "Time up of "+h.Name, fmt.Sprintf("median %s, least %s, best possible %s",
		shutdown.Spell(h.Median), shutdown.Spell(h.Least), shutdown.Spell(h.Best)))
	part := func(d time.Duration) int {
		if h.Best <= 0 {
			return 0
		}
		return int(max(0, min(1, float64(d)/float64(h.Best)))*width + 0.5)
	}
	s.rect("rest", 0, 2, width, height-4)
	s.rect("up", 0, 2, part(h.Median), height-4)
	x := min(part(h.Least), width-2)
	s.rect("tickmark", x, 0, 2, height)
	return s.html()
}
