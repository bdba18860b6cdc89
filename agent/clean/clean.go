// Package clean makes what a device or a command said fit to be shown: on a
// terminal, in a log, on a page. It is applied once, where the text comes in.
package clean

import (
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"
)

// most is how many characters of a text are kept. RFC 1628's strings have 255
// octets at most.
const most = 255

// escapes are a terminal's control sequences (ECMA-48, 5.4 and 5.6): those that
// begin with CSI, the strings up to their terminator, and the short ones.
var escapes = regexp.MustCompile("(?:\x1b\\[|\u009b)[0-?]*[ -/]*[@-~]?|(?:\x1b[PX\\]^_]|[\u0090\u0098\u009d-\u009f])[^\x07\x1b\u009c\n]*(?:\x07|\x1b\\\\|\u009c)?|\x1b[ -/]*[0-~]?")

// Text gives one line of valid UTF-8: without escape sequences, control
// characters, marks that change the direction of writing, or characters that
// are not seen; each run of blanks is one space. It ends after 255 characters.
func Text(said string) string { return Line(said, most) }

// Line is Text for a text that may have another number of characters.
func Line(said string, most int) string {
	// Each character takes four octets at most, and an escape sequence some.
	said = said[:min(len(said), 16*most)]
	said = escapes.ReplaceAllString(strings.ToValidUTF8(said, ""), "")
	words := strings.FieldsFunc(said, func(r rune) bool { return r == ' ' || r == utf8.RuneError || !unicode.IsPrint(r) })
	said = strings.Join(words, " ")
	if utf8.RuneCountInString(said) > most {
		said = string([]rune(said)[:most]) + "…"
	}
	return said
}

// OneLine makes one line of a text that may be of any length: what cannot be printed
// is a space, and each run of spaces one.
func OneLine(text string) string {
	return strings.Join(strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || !unicode.IsPrint(r) }), " ")
}
