package simulate
import ("testing";"fmt";"ebbline/policy/load";"ebbline/shutdown")
func TestZZ(t *testing.T) {
	text := roomText(69)
	p, _, _ := load.Load([]load.File{{Name: "room.hcl", Bytes: []byte(text)}}, load.Options{})
	r := newRunner(t, p)
	c, _ := NewChecker(r, day)
	s := shutdown.New()
	s.Step(Start, &shutdown.Event{Kind: shutdown.Adopted, Policy: p, Day: day}, nil)
	for pc := int64(8); pc <= 24; pc += 1 {
		fmt.Println(pc, s.ZZ(1, pc), c.safe(1, float64(pc)/100, 0, c.reserve(1), true), c.reserve(1), s.Reaction()+p.Site.Reserve)
	}
	for k := range p.Hosts { fmt.Println(p.Hosts[k].Name, p.Hosts[k].FedBy, p.Hosts[k].DependsOn, p.Hosts[k].Watts, p.Hosts[k].StoppingWatts, p.Hosts[k].GivesUp(), c.down[k]) }
}
