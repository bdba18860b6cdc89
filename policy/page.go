package policy

import "net/netip"

// Metrics is where the agent's figures are found, for Prometheus. On the address of
// the page they have its guard; on one of their own they have none.
type Metrics struct {
	Listen string // "address:port"
}

// Page is where people see in a browser what the agent knows, decides and why.
type Page struct {
	Listen   string   // "address:port"
	Names    []string `json:",omitzero"` // by which browsers may ask for it, besides addresses; sorted
	TLS      *PageTLS `json:",omitzero"`
	User     string   `json:",omitzero"` // with Password
	Password Secret   `json:",omitzero"`
	Behind   string   `json:",omitzero"` // URL of a reverse proxy that does TLS and lets in only who may look
}

// PageTLS is how the page proves who it is, and who must prove the same.
type PageTLS struct {
	Chain   Secret // its certificate and those above it, PEM
	Key     Secret // PEM
	Clients Secret `json:",omitzero"` // certificates of the authorities whose clients may look, PEM; "" lets any
}

// Guarded tells whether a page may be reached from other machines: nobody on the way
// reads along, and who asks is known.
func (p *Page) Guarded() bool {
	known := p.Password != "" || p.TLS != nil && p.TLS.Clients != ""
	return p.Behind != "" || p.TLS != nil && known
}

// Loopback tells whether a host is this machine alone, and cannot become another
// one by what a name server says.
func Loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}
