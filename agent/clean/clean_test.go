package clean

import (
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"
)

// Aim: whatever a device says can be shown. Method: a table of awkward texts;
// the escape sequences are ECMA-48's, the marks of direction Unicode's (UAX 9).
func TestText(t *testing.T) {
	for _, c := range []struct{ said, want string }{
		{"", ""},
		{"Example Power 3000", "Example Power 3000"},
		{"Größe 3 kVA", "Größe 3 kVA"},
		{" two  blanks\tand a tab ", "two blanks and a tab"},
		{"two\r\nlines", "two lines"},
		{"\x1b[31mred\x1b[0m\x00\x07", "red"},
		{"\x1b[2J\x1b[1;1Hall is well", "all is well"},
		{"\x1b]0;a title\x07named", "named"},
		{"\x1b]8;;http://example.org\x1b\\a link\x1b]8;;\x1b\\", "a link"},
		{"a title without an end \x1b]0;x\nnext", "a title without an end next"},
		{"\x1bcreset", "reset"},
		{"\x1b(0lines\x1b(B", "lines"},
		{"\u009b31mC1 in UTF-8", "C1 in UTF-8"},
		{"\x9b31mC1 as an octet", "31mC1 as an octet"},
		{"cut short \x1b[", "cut short"},
		{"bad \xff\xfe octets", "bad octets"},
		{"right-to-left \u202eoverride\u202c", "right-to-left override"},
		{"isolate \u2066x\u2069", "isolate x"},
		{"zero\u200bwidth", "zero width"},
		{"\ufeffmark", "mark"},
		{strings.Repeat("ü", 300), strings.Repeat("ü", 255) + "…"},
	} {
		if got := Text(c.said); got != c.want {
			t.Errorf("%q: got %q, want %q", c.said, got, c.want)
		}
	}
}

// FuzzText: nothing but what can be shown comes out, it is bounded, and it is
// left as it is when it is cleaned again.
func FuzzText(f *testing.F) {
	for _, seed := range []string{"", "plain", "\x1b[31m", "\x1b\x1b[[31m31m", "\x1b]\x1b]x\x07", "a\u202eb", "\xff\x9b", "\u0090\x1b\\", strings.Repeat("\x1b[1m", 2000) + "x"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, said string) {
		got := Text(said)
		if !utf8.ValidString(got) || utf8.RuneCountInString(got) > most+1 {
			t.Fatalf("%q", got)
		}
		for _, r := range got {
			if !unicode.IsPrint(r) {
				t.Fatalf("%q holds %q", got, r)
			}
		}
		if again := Text(got); again != got && utf8.RuneCountInString(got) <= most {
			t.Fatalf("%q becomes %q", got, again)
		}
	})
}
