package bounded

import "testing"

// Aim: places are given to all and to each up to their limits, and come back once for each
// that was given. Method: more come than there is room for; some leave, one twice.
func TestPlaces(t *testing.T) {
	const all, each = 20, 8
	var p Places[int]
	var leave []func()
	for range 3 * each {
		if l, ok := p.Enter(1, all, each); ok {
			leave = append(leave, l)
		}
	}
	if len(leave) != each {
		t.Errorf("one has %d places of %d", len(leave), each)
	}
	for who := range 100 {
		p.Enter(100+who, all, each)
	}
	if p.Open() != all {
		t.Errorf("%d places of %d are taken", p.Open(), all)
	}
	leave[0]()
	leave[0]()
	if p.Open() != all-1 {
		t.Errorf("one was given back, and %d of %d are taken", p.Open(), all)
	}
	if _, ok := p.Enter(2, all, each); !ok {
		t.Error("a place that was given back is not there")
	}
	if _, ok := p.Enter(3, all, each); ok {
		t.Error("there is one place too many")
	}
	for _, l := range leave {
		l()
	}
	if _, still := p.of[1]; still {
		t.Error("one who has left is counted still")
	}
}
