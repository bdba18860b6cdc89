// Package firstline keeps the beginning of what a command or a device said, and
// gives its first line in a form that is fit for a log: short, printable, one
// line.
package firstline

import (
	"strings"
	"sync"

	"ebbline/agent/clean"
)

const keptBytes = 4096 // a talkative command takes no more memory than this

// Buffer is an io.Writer that keeps the first bytes and takes the rest. It may
// be read while it is written.
type Buffer struct {
	mu   sync.Mutex
	kept []byte
}

// Write never fails, so that the writer is never stopped by us.
func (b *Buffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.kept = append(b.kept, p[:min(len(p), keptBytes-len(b.kept))]...)
	return len(p), nil
}

// Line gives the first line that is not blank; "" when there is none.
func (b *Buffer) Line() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return Line(string(b.kept))
}

// Line gives the first line of text that is not blank, fit to be shown.
func Line(text string) string {
	for line := range strings.Lines(text) {
		if line = clean.Text(line); line != "" {
			return line
		}
	}
	return ""
}
