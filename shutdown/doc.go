// Package shutdown decides: events go in, effects come out. It reads no clock,
// socket, file or random number, so a replay is the real thing.
package shutdown
