package redfish

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"net/http"
	"net/url"

	"ebbline/agent/certificate"
	"ebbline/agent/clean"
)

// Service is what a Redfish service says of itself to anybody.
type Service struct {
	Version, Vendor, Product string // in its own words; "" where it gives none
	Certificate              string // "SHA256:…", as the policy names it
	Trusted                  bool   // an authority that this machine knows vouches for it
	Systems, PowerEquipment  bool   // it says that it has them
}

// Ask reads the service root, for which no login is needed (DSP0266, 13.2). Whose
// certificate it is cannot be known yet: it is taken as it comes and given back, to
// be compared by a person. So nothing that is secret is sent here, and what is
// answered is only to be shown.
func Ask(ctx context.Context, address string) (service Service, err error) {
	base, err := baseURL(address)
	if err != nil {
		return service, err
	}
	transport, err := newTransport(base, "")
	if err != nil {
		return service, err
	}
	defer transport.CloseIdleConnections()
	if c := transport.TLSClientConfig; c != nil {
		c.InsecureSkipVerify = true
		c.VerifyConnection = func(s tls.ConnectionState) error {
			service.Certificate = certificate.Fingerprint(s.PeerCertificates[0])
			service.Trusted = trusted(s.PeerCertificates, base.Hostname())
			return nil
		}
	}
	s := &session{base: base}
	s.http = &http.Client{Transport: transport, CheckRedirect: s.redirect}
	var root struct {
		RedfishVersion, Vendor, Product string
		Systems, PowerEquipment         link
		Links                           struct{ Sessions link }
	}
	if err := s.get(ctx, "/redfish/v1/", &root); err != nil {
		if request := (*url.Error)(nil); errors.As(err, &request) {
			err = request.Err // without the request that it happened in
		}
		return service, err
	}
	if root.RedfishVersion == "" && root.Systems.ID == "" && root.Links.Sessions.ID == "" {
		return service, errors.New("it answers, and not as a Redfish service does")
	}
	service.Version, service.Vendor, service.Product = clean.Text(root.RedfishVersion), clean.Text(root.Vendor), clean.Text(root.Product)
	service.Systems, service.PowerEquipment = root.Systems.ID != "", root.PowerEquipment.ID != ""
	return service, nil
}

// trusted tells whether a policy could do without the fingerprint.
func trusted(shown []*x509.Certificate, name string) bool {
	options := x509.VerifyOptions{DNSName: name, Intermediates: x509.NewCertPool()}
	for _, c := range shown[1:] {
		options.Intermediates.AddCert(c)
	}
	_, err := shown[0].Verify(options)
	return err == nil
}
