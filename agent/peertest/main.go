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
	if len(os.Args) == 1 || os.Args[1] != cardRole && os.Args[1] != forgerRole {
		os.Exit(m.Run())
	}
	var err error
	switch args := os.Args[2:]; {
	case os.Args[1] == cardRole && len(args) == 2:
		err = serveCard(args[0], args[1], os.Stdin, os.Stdout)
	case os.Args[1] == forgerRole && len(args) == 5:
		err = forge(args[0], args[1], args[2], args[3], args[4])
	default:
		err = fmt.Errorf("wrong arguments %q", args)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, os.Args[1]+":", err)
		os.Exit(1)
	}
	os.Exit(0)
}
