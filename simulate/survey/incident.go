package survey

import (
	"fmt"
	"strings"
	"time"

	"ebbline/policy/electrical"
	"ebbline/shutdown"
	"ebbline/simulate"
)

// Incident is what hangs together: all events within five minutes of the first, by
// which IEEE 1366 counts a recloser's operations as one.
type Incident struct {
	Recording   int
	First, Last int // events, of the survey's
	Trips       int // stretches without any voltage
	Sustained   bool
	Text        string // told as one story
}

// gather makes incidents of the events from one on; they are of one recording.
func (in *Input) gather(from int) {
	for i := from; i < len(in.Events); {
		inc := Incident{Recording: in.Events[i].Recording, First: i, Last: i}
		for start := in.Events[i].From; i < len(in.Events) && in.Events[i].From-start <= electrical.MomentaryWindow; i++ {
			e := &in.Events[i]
			e.Incident = len(in.Incidents)
			inc.Last = i
			if e.Class.Shape == electrical.Interruption {
				inc.Trips += max(1, e.Zeros)
			}
			inc.Sustained = inc.Sustained || e.IEEE1366 == "sustained"
		}
		inc.Text = in.story(&inc)
		in.Incidents = append(in.Incidents, inc)
	}
}

// recloserWithin is the longest rest of a recloser's usual sequences, and a little
// (open intervals of 0.3 to 0.5, 10 to 15 and 30 to 45 s: two relay manuals and a
// textbook; slow European ones to 180 s, from memory).
const recloserWithin = 3 * time.Minute

func (in *Input) story(inc *Incident) string {
	events := in.Events[inc.First : inc.Last+1]
	last := &events[len(events)-1]
	zero, sags, swells := time.Duration(0), 0, 0
	for i := range events {
		switch e := &events[i]; {
		case e.Swell:
			swells++
		case e.Class.Shape == electrical.Interruption:
			zero += e.Zero
		default:
			sags++
		}
	}
	span := Lasting(last.To - events[0].From)
	before := ""
	if sags > 0 {
		before = fmt.Sprintf(", with %s beside", plural(sags, "sag"))
	}
	switch {
	case inc.Trips > 1 && inc.Sustained:
		return fmt.Sprintf("The supply tripped %d times: %d reclosings in vain, then it stayed away; %s without voltage in all%s. A lasting fault, until it was mended or switched.", inc.Trips, inc.Trips-1, Lasting(zero), before)
	case inc.Sustained:
		return fmt.Sprintf("The supply was away for %s%s.", Lasting(zero), before)
	case inc.Trips > 1:
		return fmt.Sprintf("The supply tripped %d times within %s and came back%s: a recloser at work on a passing fault.", inc.Trips, span, before)
	case inc.Trips == 1 && zero <= recloserWithin && !last.Open:
		return fmt.Sprintf("The supply was away for %s and came back%s, as when a recloser's first try holds.", Lasting(zero), before)
	case inc.Trips == 1:
		return fmt.Sprintf("The supply was away for %s%s.", Lasting(zero), before)
	case sags > 1 && !anyLong(events):
		return fmt.Sprintf("%s within %s and no interruption: most likely a fault on a neighbouring feeder, whose recloser tried %d times. Yours stayed closed.", capital(plural(sags, "sag")), span, sags)
	case sags > 0 && swells > 0:
		return fmt.Sprintf("%s and %s within %s.", capital(plural(sags, "sag")), plural(swells, "swell"), span)
	}
	return ""
}

func anyLong(events []Found) bool {
	for i := range events {
		if events[i].Length() > 5*time.Second { // no fault is cleared so late
			return true
		}
	}
	return false
}

func capital(text string) string { return strings.ToUpper(text[:1]) + text[1:] }

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// Lasting writes a length: in milliseconds below a second, in tenths below a
// minute.
func Lasting(d time.Duration) string {
	switch {
	case d < time.Second:
		return fmt.Sprintf("%d ms", d.Round(time.Millisecond)/time.Millisecond)
	case d < time.Minute:
		return fmt.Sprintf("%.1f s", d.Seconds())
	}
	return shutdown.Spell(d)
}

// Count is how often something was seen, and how often a year that is. The
// interval, exact for a Poisson count at 95 %, is of the incidents: the events of
// one are not independent.
type Count struct {
	What              string
	Events, Incidents int
	Low, Year, High   float64 // incidents a year
}

const year = 8766 * time.Hour // 365.25 days

// Counts counts each class that was seen, then what bears on the load: interruptions
// and all that lies outside the ITIC curve, seen or not.
func (in *Input) Counts() []Count {
	var classes []electrical.Class
	for s := electrical.Sag; s <= electrical.Overvoltage; s++ {
		for l := electrical.Instantaneous; l <= electrical.Sustained; l++ {
			classes = append(classes, electrical.Class{Length: l, Shape: s})
		}
	}
	var list []Count
	for _, c := range classes {
		if n := in.count(c.String(), func(f *Found) bool { return f.Class == c }); n.Events > 0 {
			list = append(list, n)
		}
	}
	return append(list,
		in.count("any interruption", func(f *Found) bool { return f.Class.Shape == electrical.Interruption }),
		in.count("outside the ITIC curve", func(f *Found) bool { return f.ITIC != electrical.Inside }),
		in.count("any event", func(*Found) bool { return true }))
}

// Rates tells whether enough is known to speak of a year at all: a day.
func (in *Input) Rates() bool { return in.Known() >= 24*time.Hour }

func (in *Input) count(what string, is func(*Found) bool) Count {
	c := Count{What: what}
	last := -1
	for i := range in.Events {
		if f := &in.Events[i]; is(f) {
			c.Events++
			if f.Incident != last {
				c.Incidents++
				last = f.Incident
			}
		}
	}
	years := in.Known().Hours() / year.Hours()
	low, high := simulate.Rate(c.Incidents)
	c.Low, c.Year, c.High = low/years, float64(c.Incidents)/years, high/years
	return c
}

// Site are the site's own indices by IEEE 1366, as one customer, of the time that
// is known: sustained interruptions, their minutes, momentary operations and
// momentary events.
func (in *Input) Site() (sustained []electrical.Outage, operations int, momentary int) {
	for i := range in.Incidents {
		inc := &in.Incidents[i]
		var list []electrical.Operation
		for k := inc.First; k <= inc.Last; k++ {
			e := &in.Events[k]
			switch e.IEEE1366 {
			case "sustained":
				sustained = append(sustained, electrical.Outage{Customers: 1, Lasted: e.Zero})
				list = append(list, electrical.Operation{At: e.From, Customers: 1, Sustained: true})
			case "momentary":
				for range max(1, e.Zeros) {
					list = append(list, electrical.Operation{At: e.From, Customers: 1})
				}
			}
		}
		all, events := electrical.MomentaryIndices(1, list)
		operations += int(all)
		momentary += int(events)
	}
	return sustained, operations, momentary
}
