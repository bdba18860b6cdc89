package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"time"
)

// corner is a curve with one corner, at half a second and 70 to 80 %.
func corner() *Input {
	in := &Input{Lower: []CurveStep{{0.02, 0.5, 70}, {0.5, 0, 80}}, Upper: []CurveStep{{0, 0, 120}}, Hour: "2026-01-01 <12:00>"}
	for i := range 60 {
		in.Low, in.High = append(in.Low, 95), append(in.High, 101)
		if i == 30 {
			in.Low[i] = 40
		}
		if i > 50 {
			in.Low[i], in.High[i] = math.NaN(), math.NaN()
		}
	}
	in.Points = []InputPoint{{500 * time.Millisecond, 80, true, "on the corner & <beyond>"}, {time.Hour, 0, true, "off"}, {time.Nanosecond, 200, false, "beyond both axes"}}
	return in
}

// Aim: an event is drawn where the curve says it is. Method: one that lies on a corner
// of the curve has the corner's coordinates; and the file is XML whatever labels hold.
func TestInputSVG(t *testing.T) {
	var b bytes.Buffer
	if err := InputSVG(&b, corner()); err != nil {
		t.Fatal(err)
	}
	text := b.String()
	var x, y int
	if _, err := fmt.Sscanf(text[strings.Index(text, `<circle class="o" cx=`):], `<circle class="o" cx="%d" cy="%d"`, &x, &y); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(text, fmt.Sprintf("L%d %d", x, y)) {
		t.Errorf("the event is at %d, %d and the curve has no corner there: %s", x, y, text)
	}
	for d := xml.NewDecoder(&b); ; {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

// Aim: the terminal's drawing is no wider than it, in both alphabets, and shows each
// event and the minute that dips. Method: what its lines hold.
func TestDrawInput(t *testing.T) {
	for _, s := range []Style{{Width: 80}, {Width: 60, ASCII: true}} {
		var b bytes.Buffer
		DrawInput(&b, corner(), s)
		for line := range strings.Lines(b.String()) {
			if n := len([]rune(strings.TrimSuffix(line, "\n"))); n > 80 {
				t.Errorf("a line of %d columns: %q", n, line)
			}
		}
		body, _, _ := strings.Cut(b.String(), "1 ms")
		if n := strings.Count(body, s.inputGlyph(2)); n != 2 {
			t.Errorf("%d events outside are drawn, not 2:\n%s", n, b.String())
		}
		if s.ASCII && strings.ContainsFunc(b.String(), func(r rune) bool { return r > 127 }) {
			t.Error("letters that a terminal may not have")
		}
	}
}
