package report

import (
	"bytes"
	"encoding/xml"
	"io"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

// Aim: the drawings of batteries hold for odd figures: nothing predicted, nothing
// measured, tests on one day, a capacity above 100 %, a name that is markup; they
// keep to the terminal's width and to ASCII, and the SVG is well formed.
func TestBatteryDrawings(t *testing.T) {
	list := []Battery{
		{Name: "empty", Limit: 80},
		{Name: `a<b>&"`, Limit: 80,
			Discharges: []Discharge{{Label: "one"}, {Label: "two", Low: time.Minute, Likely: 2 * time.Minute, High: 3 * time.Minute, Measured: time.Hour, AtLeast: true, Right: "1h <"}},
			Tests:      []Capacity{{20_000, 120}, {20_000, 20}}, Falls: &Capacity{20_000, 80}},
		{Name: "usual", Limit: 80,
			Discharges: []Discharge{{Label: "2026-01-01 test", Low: 8 * time.Minute, Likely: 10 * time.Minute, High: 12 * time.Minute, Measured: 7 * time.Minute, Right: "7m00s 70 %"}},
			Tests:      []Capacity{{20_000, 95}, {20_100, 90}, {20_200, 84}}, Falls: &Capacity{20_300, 80}},
	}
	for _, width := range []int{40, 80, 200} {
		for i := range list {
			var text bytes.Buffer
			DrawBattery(&text, &list[i], Style{Width: width, ASCII: true})
			for _, line := range strings.Split(text.String(), "\n") {
				if n := utf8.RuneCountInString(line); width >= 80 && n > width {
					t.Errorf("%d columns where there are %d: %s", n, width, line)
				}
				if strings.IndexFunc(line, func(r rune) bool { return r > 126 }) >= 0 {
					t.Errorf("not ASCII: %s", line)
				}
			}
		}
	}
	var svg bytes.Buffer
	if err := BatterySVG(&svg, list); err != nil {
		t.Fatal(err)
	}
	for d := xml.NewDecoder(&svg); ; {
		if _, err := d.Token(); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
}
