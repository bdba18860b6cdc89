// Package peertest starts real peers for tests: net-snmp's agent with a
// scripted UPS behind it, OpenSSH hosts in namespaces, and a lossy network
// path between the two ends. Only tests may import it.
package peertest

import (
	"fmt"
	"os"
	"testing"
)

// cardRole is the first argument by which snmpd starts the test binary again as
// the UPS behind the card.
const cardRole = "peertest-card"

// hooked is set by Main: without it a restarted test binary would run the tests
// again, and those start it once more.
var hooked bool

// Main runs a package's tests, or, when the test binary was started again by a
// peer, the part of that peer. A package whose tests use [StartSNMPD] needs
//
//	func TestMain(m *testing.M) { peertest.Main(m) }
func Main(m *testing.M) {
	hooked = true
	if len(os.Args) == 4 && os.Args[1] == cardRole {
		if err := serveCard(os.Args[2], os.Args[3], os.Stdin, os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, cardRole+":", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}
