// Package outages carries the named outages into the binary, so that they can be
// used by name. It must never hold anything but the files beside it.
package outages

import "embed"

// Files are the *.outage files.
//
//go:embed *.outage
var Files embed.FS
