package firstline

import (
	"fmt"
	"strings"
	"testing"
)

// Aim: whatever a command says, what is kept is one short printable line.
// Method: a table of awkward outputs.
func TestLine(t *testing.T) {
	for _, c := range []struct{ said, line string }{
		{"", ""},
		{"\n\r\n  \n", ""},
		{"sudo: a password is required\n", "sudo: a password is required"},
		{"\r\n\tfirst\r\nsecond", "first"},
		{"a\tb", "a b"},
		{"\x1b[31mred\x1b[0m\x00\x07", "red"},
		{"bad \xff\xfe bytes", "bad bytes"},
		{"right-to-left \u202e override", "right-to-left override"},
		{strings.Repeat("ü", 300), strings.Repeat("ü", 255) + "…"},
	} {
		var b Buffer
		fmt.Fprint(&b, c.said)
		if got := b.Line(); got != c.line {
			t.Errorf("%q: got %q, want %q", c.said, got, c.line)
		}
	}
}

// Aim: memory stays bounded and the writer is never told to stop. Method: one
// MiB in pieces.
func TestBufferIsBounded(t *testing.T) {
	var b Buffer
	for range 1024 {
		if n, err := b.Write(make([]byte, 1024)); n != 1024 || err != nil {
			t.Fatalf("Write: %d, %v", n, err)
		}
	}
	if len(b.kept) != keptBytes {
		t.Errorf("kept %d bytes", len(b.kept))
	}
}
