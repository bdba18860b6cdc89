package electrical

import "time"

// Outage is a sustained interruption of so many customers (IEEE 1366).
type Outage struct {
	Customers int
	Lasted    time.Duration
}

// Indices are IEEE 1366's: interruptions a customer, minutes a customer, minutes an
// interruption, and the part of the time with supply, of a year of 8760 h. For a
// single site, one customer, they are its own counts.
type Indices struct {
	SAIFI, SAIDI, CAIDI, ASAI float64
}

// Reliability works them out for so many customers served, over a year.
func Reliability(served int, outages []Outage) Indices {
	n, minutes := 0.0, 0.0
	for _, o := range outages {
		n += float64(o.Customers)
		minutes += float64(o.Customers) * o.Lasted.Minutes()
	}
	i := Indices{SAIFI: n / float64(served), SAIDI: minutes / float64(served)}
	if n > 0 {
		i.CAIDI = minutes / n
	}
	i.ASAI = Availability(i.SAIDI)
	return i
}

// Availability is ASAI for so many minutes without supply in a year.
func Availability(saidiMinutes float64) float64 {
	return (HoursPerYear - saidiMinutes/60) / HoursPerYear
}

// Operation is one opening of a switch that interrupts so many customers.
type Operation struct {
	At        time.Duration
	Customers int
	Sustained bool // it locked out: longer than five minutes
}

// MomentaryWindow is within which of the first all operations are one momentary
// event (IEEE 1366; the grouping from memory).
const MomentaryWindow = 5 * time.Minute

// MomentaryIndices gives MAIFI, which counts operations, and MAIFI_E, which counts events:
// all operations within five minutes of the first are one, and those that lead to a
// lockout are part of the sustained interruption.
func MomentaryIndices(served int, operations []Operation) (maifi, maifiE float64) {
	for i := 0; i < len(operations); {
		first, customers, locked := operations[i].At, 0, false
		for ; i < len(operations) && operations[i].At-first <= MomentaryWindow; i++ {
			o := operations[i]
			if !o.Sustained {
				maifi += float64(o.Customers)
			}
			customers, locked = max(customers, o.Customers), locked || o.Sustained
		}
		if !locked {
			maifiE += float64(customers)
		}
	}
	return maifi / float64(served), maifiE / float64(served)
}
