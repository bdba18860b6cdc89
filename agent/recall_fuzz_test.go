package agent

import (
	"encoding/json"
	"testing"

	"ebbline/shutdown"
)

// Aim: whatever stands in a journal as its snapshot and the line behind it,
// reading it panics nowhere, and what is taken belongs together. Method: the
// fuzzer, from the snapshot of a state that has seen something.
func FuzzRecall(f *testing.F) {
	p := kept(f, "first")
	s := shutdown.New()
	s.Step(0, &shutdown.Event{Kind: shutdown.Adopted, Policy: p}, nil)
	seen, err := json.Marshal(&snapshot{Format: format, Build: "b", Boot: "1", State: s})
	if err != nil {
		f.Fatal(err)
	}
	for _, line := range []string{"", "at 1 tick", "at 2 measured closet source=battery load_watts=450", "boot 2 5", "at 3 > begin", "at 1e300 tick"} {
		f.Add(seen, line)
	}
	f.Add([]byte(`{"Build":"b","State":{}}`), "at 1 tick")
	f.Add([]byte(`{"Build":"b","State":null}`), "at 1 tick")
	f.Fuzz(func(t *testing.T, text []byte, line string) {
		m := remember(&Past{Lines: []string{snapshotWord + string(text), line}}, &Config{Policy: p})
		if m == nil || m.state == nil {
			t.Fatal("nothing is remembered, not even nothing")
		}
		if err := sound(m.state); err != nil {
			t.Errorf("taken, and %v", err)
		}
	})
}
